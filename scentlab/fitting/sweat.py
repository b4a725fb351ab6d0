"""Sweat: where each blend's capacity lies, from graded pieces, with pots as whole plots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special, stats

from scentlab.fitting.looks import (
    N_GRADES,
    NEAR_PCT,
    count_pours,
    loads_tested,
    next_look,
    place_of,
    planned_loads,
    risk_table,
    settle_looks,
    tested_range,
)
from scentlab.frames import check_loads, checked, need_whole
from scentlab.maths.graded import CapacityModel, CapacityPrior
from scentlab.maths.links import find_link
from scentlab.maths.optimum import climb, steepened
from scentlab.maths.ordinal import count_looks, marginal_location, marginal_risk
from scentlab.maths.sampling import (
    K_HAT_LIMIT,
    Sampler,
    hamiltonian_draws,
    mixed_draws,
    quantile_error,
    summary,
    weighted_quantile,
)
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.schema import STRESS_WORDS, STRESSES
from scentlab.text import count_of
from scentlab.units import say_load

# Draws of each link before the links are weighed, and at most so many times those asked for.
FIRST_DRAWS, MOST_TIMES = 1000, 8
# With more free parameters the tails of importance draws fill too slowly, unseen by k-hat:
# 8 blends of one pot each came out 0.1 to 0.3 points too high. Where each blend has two pots or
# more, the tails are short, and 8 and 12 blends came out within 0.05.
MOST_HELD, MOST_HELD_OF_POTS = 20, 40
# A Monte Carlo standard error of the ceiling (points of load) that nobody sees.
PRECISE = 0.03
# A variance that each free parameter may have about the peak, to set out with.
_ROUGHLY = 0.15
# How sure it must be that heated pieces sweat later than others, for these to decide.
GENTLER = 0.8
# A link of less weight than this cannot move the ceiling by much, however badly drawn.
MATTERS = 0.1
# Few series can tell the links apart, so that the belief counts: the symmetrical one is the
# usual, the early-tailed one guards the small risks.
LINKS_BELIEVED = {"logit": 0.75, "skewed": 0.25}
AGEING = "half-sweat load lost as the age doubles"


@dataclass(frozen=True, repr=False)
class SweatFit(Result):
    """A fitted sweat model.

    blends : tuple of names. stresses : tuple, rest first; effects are against the first.
    model : CapacityModel of the best link: data, prior and places of the free parameters.
    point : its peak (p,).
    draws, weights : posterior draws of the free parameters (S, p) and their weights (S,).
    draw_link : int array (S,), index in ``links`` of the link each draw belongs to.
    draw_lot : int array (S,), number of the lot of draws, from which Monte Carlo errors follow.
    k_hat : trust in the draws; above 0.7 importance sampling failed and a Hamiltonian sampler took
        its place, which the notes say.
    links : DataFrame, one row per link: link, weight (its posterior probability).
    counts : DataFrame, one row per pour and stress: pour, pot, blend, load_pct, stress, n, g0..g4.
    tested : DataFrame, one row per blend: blend, lowest_pct, highest_pct (% of wax), pots, pieces.
    ages : (youngest, oldest) look in days; the fit tells of the oldest.
    looks : DataFrame, the settled looks: a row per piece, stress and age.
    prior : dict, the priors in words.
    told : dict of pot to the log-likelihood (S,) of its looks under each draw.
    harshest : str, the stress that decides where none is named: heat, unless pieces at rest are
        likely to sweat earlier.
    alone : SweatFit with nothing borrowed from other series, where this one borrows.
    """

    blends: tuple
    stresses: tuple
    model: CapacityModel
    point: np.ndarray
    draws: np.ndarray
    weights: np.ndarray
    draw_link: np.ndarray
    draw_lot: np.ndarray
    k_hat: float
    links: pd.DataFrame
    counts: pd.DataFrame
    tested: pd.DataFrame
    ages: tuple
    looks: pd.DataFrame
    prior: dict
    told: dict
    harshest: str
    notes: tuple = ()
    alone: SweatFit | None = None

    @property
    def effective_size(self):
        """How many draws of equal weight they are worth."""
        return float(1.0 / np.sum(self.weights**2))

    @cached_property
    def named(self):
        """Posterior draws by meaning, as :meth:`CapacityModel.named`."""
        return self.model.named(self.draws)

    @cached_property
    def reckoned(self):
        """What was reckoned of the fit and is asked for again under other rules, by what it is."""
        return {}

    @property
    def draw_links(self):
        """The link (S,) of each draw, by name."""
        return self.links["link"].to_numpy(str)[self.draw_link]

    @property
    def table(self):
        """Estimate (posterior median), sd, and 90 % limits of every parameter."""
        rows = [(name, *summary(values, self.weights), unit)
                for name, unit, values in self._parameters()]
        return pd.DataFrame(rows, columns=["parameter", "estimate", "se", "lower", "upper", "unit"])

    def _parameters(self):
        named, model = self.named, self.model
        for values, names, unit in (
            (named["capacity"], [f"capacity of {b}" for b in self.blends], "% of wax"),
            (named["spread"], [f"spread of {b}" for b in self.blends], "% of wax per hidden unit"),
            (named["stress"], [f"effect of {s}" for s in self.stresses[1:]], "hidden units"),
            (named["tau"][:, 1:], [f"threshold of grade {g}" for g in range(2, N_GRADES)],
             "hidden units"),
        ):
            for i, name in enumerate(names):
                yield name, unit, values[:, i]
        for key, name, unit, known in (
            ("sigma", "sd between pots", "% of wax", True),
            ("pool", "sd between blends", "% of wax", model.pooled),
            ("misread", "misread grades", "share", model.reads),
            ("ageing", AGEING, "% of wax", model.aged),
        ):
            if known:
                yield name, unit, named[key]

    @property
    def sentence(self):
        parts = []
        for b, blend in enumerate(self.blends):
            capacity = self.named["capacity"][:, b]
            lower, middle, upper = weighted_quantile(capacity, self.weights, (0.05, 0.5, 0.95))
            said = _say_capacity(lower, middle, upper, *tested_range(self, blend))
            parts.append(f"{blend} {said}")
        return (
            "Half of the pieces from a typical pot show some sweat, grade 1 or more "
            f"({STRESS_WORDS[self.stresses[0]]}), at: "
            + "; ".join(parts) + "."
        )


def _say_capacity(lower, middle, upper, lowest, highest):
    """A capacity in words that claim nothing beyond the loads tested."""
    if middle > highest:
        return f"more than {say_load(highest)}, the highest load tested"
    if middle < lowest:
        return f"less than {say_load(lowest)}, the lowest load tested"
    return f"{say_load(middle)}, 90 % interval {max(lower, 0.0):.1f} to {upper:.1f} % of wax"


@one_thread()
def fit_sweat(
    grades: pd.DataFrame, limits: Mapping[str, float] | None = None, *, pooled: bool = True,
    prior: CapacityPrior | None = None,
    links: Mapping[str, float] | Sequence[str] | None = None, draws: int = 2000,
    precise: float | None = PRECISE, seed: int = 1,
) -> SweatFit:
    """Fit the sweat model, cumulative links (McCullagh 1980) with pots as effects at random and
    weak priors, by its posterior, averaged over links.

    Where the curve of sweat over load is not symmetrical, a symmetrical link misjudges the
    small risks that the ceiling is about. So a symmetrical and an early-tailed link are both
    fitted and weighted by their evidence.

    Parameters
    ----------
    grades : DataFrame of sweat looks with columns code, pour, pot, blend, load_pct (% of wax),
        stress (rest or heat; an empty cell is rest), grade 0-4. Several looks at a piece under
        one stress at one age count once, with the worst grade. Looks at several ages bound the age
        at which it began to sweat; the fit tells of the oldest (age_days; day 1 where missing).
    limits : mapping blend to the wax maker's limit (% of wax), where the prior of the capacity is
        centred; blends without one are centred on the middle of their tested loads, 12.5 at most.
    pooled : bool, whether the capacities share a common shift against the limits beforehand, from
        which each blend may stray by as much as the blends together show.
    prior : a :class:`CapacityPrior` to use as it is; None takes the usual weak one, whose scales
        grow with the middle of the loads above 12.5 % of wax.
    links : mapping of link (logit, probit, cloglog, skewed) to how far it is believed beforehand,
        or a sequence of links believed alike; None takes ``LINKS_BELIEVED``.
    draws : int, posterior draws at least, shared out over the links by their evidence.
    seed : int
    precise : float above 0, or None. There are more draws, eight times as many at most, until the
        Monte Carlo error of every blend's load at 5 % risk of grade 2, at its lower 5 % point, is
        within this many points of load, where that point lies among the loads tested.

    Returns
    -------
    SweatFit

    Raises
    ------
    FitError when there is nothing to fit, a value is out of its range (the message names its row by
    the index), or the fit does not come to rest.

    >>> from scentlab.simulate import small_series
    >>> fit_sweat(small_series().sweat(), draws=100, precise=None).blends
    ('soft',)
    """
    need_whole(draws=draws, seed=seed)
    if precise is not None and not precise > 0:
        raise FitError(f"precise is {precise!r}; give points of load above 0, or None")
    looks, notes = settle_looks(grades, "sweat", ages=True)
    blends = tuple(dict.fromkeys(looks["blend"]))
    stresses = tuple(s for s in STRESSES if s in set(looks["stress"]))
    tested = loads_tested(looks, blends)
    centre, centre_notes = prior_centres(blends, limits, tested)
    prior = prior or weak_prior(centre, pooled, float(looks["load_pct"].median()))
    aged = ages_apart(looks)
    data = look_counts(looks, blends, stresses, aged)
    believed = links or LINKS_BELIEVED
    if not isinstance(believed, Mapping):
        believed = dict.fromkeys(believed, 1.0)
    models = [CapacityModel(data, len(blends), prior, link=link, aged=aged) for link in believed]
    drawn, drawn_notes = _draw(models, believed, draws, seed, precise,
                               tested[["lowest_pct", "highest_pct"]].to_numpy(float))
    return SweatFit(
        blends, stresses, **drawn, counts=count_pours(looks), tested=tested,
        ages=(float(looks["age_days"].min()), float(looks["age_days"].max())), looks=looks,
        prior=describe_prior(prior, blends, len(stresses) > 1, aged),
        harshest=harshest_of(stresses, models[0], drawn),
        notes=notes + centre_notes + evidence_notes(looks, blends) + drawn_notes,
    )


def harshest_of(stresses, model, drawn):
    """Which stress decides where none is named, as :class:`SweatFit` has it."""
    gentler = model.take(drawn["draws"], "stress")[:, -1:] < 0
    return stresses[0 if (drawn["weights"] @ gentler > GENTLER).any() else -1]


def _draw(models, believed, draws, seed, precise, ranges):
    """Draw the posterior under each link and weigh the links by their evidence.

    ranges : array (B, 2), the loads tested; other arguments as in :func:`fit_sweat`.
    Returns the draws' part of a :class:`SweatFit` as a dict, and notes.
    """
    # Capacity and spread mean the same under each link, so the first peak is near the others.
    first = find_peak(models[0])
    peaks = [first, *(find_peak(model, first) for model in models[1:])]
    samplers = [Sampler(_unfunnelled(model, peak), peak, [seed, i])
                for i, (model, peak) in enumerate(zip(models, peaks, strict=True))]
    for sampler in samplers:
        sampler.grow(min(draws, FIRST_DRAWS))
    size, parameters = draws, models[0].size
    single = models[0].pot_blends.sum(axis=0).min() < 2
    many = parameters > (MOST_HELD if single else MOST_HELD_OF_POTS)
    while True:
        weight = _link_weights(believed, [s.weighed() for s in samplers])
        for sampler, share in zip(samplers, weight, strict=True):
            sampler.grow(int(size * share))
        found = [s.weighed() for s in samplers]
        weight = _link_weights(believed, found)
        found = [
            replace(sample, points=model.unfunnelled(sample.points, peak.point)[0])
            for model, peak, sample in zip(models, peaks, found, strict=True)
        ]
        drawn = _joined(models, peaks, found, weight)
        k_hat = drawn["k_hat"]
        short = 2.0 if k_hat > K_HAT_LIMIT and not many else 0.0
        if precise is not None and not many:
            short = max(short, 1.1 * (_error(models, drawn, ranges) / precise) ** 2)
        if short <= 1.1 or size >= MOST_TIMES * draws:
            break
        size = int(size * np.clip(short, 1.2, 3.0))
    if k_hat <= K_HAT_LIMIT and not many:
        return drawn, ()
    why = f"With {parameters} parameters importance sampling is not to be trusted here, so"
    if not many:
        why = f"Importance sampling did not hold here (k-hat {k_hat:.2f}, above {K_HAT_LIMIT}), so"
    size = draws if precise is None else 2 * draws
    found = [
        _by_steps(model, sample, size, [seed, i])
        if (many or sample.k_hat > K_HAT_LIMIT) and share > MATTERS else sample
        for i, (model, sample, share) in enumerate(zip(models, found, weight, strict=True))
    ]
    return _joined(models, peaks, found, weight) | {"k_hat": k_hat}, (
        f"{why} the posterior was drawn by a Hamiltonian sampler instead.",)


def _error(models, drawn, ranges):
    """The largest Monte Carlo error of the 5 % points of the blends' loads at 5 % risk, of those
    that lie within the ``ranges`` (B, 2): the others hold no load anyway."""
    place = harshest_of(range(1 + models[0].stress.shape[1]), models[0], drawn)
    values = np.concatenate([loads_at_risk(m, drawn["draws"][drawn["draw_link"] == i], place)
                             for i, m in enumerate(models)])
    largest = 0.0
    for own, (low, high) in zip(values.T, ranges, strict=True):
        error = quantile_error(own, drawn["weights"], drawn["draw_lot"], 0.05)
        point = weighted_quantile(own, drawn["weights"], 0.05)
        if low - 3.0 * error < point < high + 3.0 * error:
            largest = max(largest, error)
    return largest


def _unfunnelled(model, peak):
    """The log density of a model's posterior where it is no funnel, in parts."""

    def density(points):
        moved, log_jacobian = model.unfunnelled(points, peak.point)
        parts = model.log_parts(moved)
        parts[:, -1] += log_jacobian
        return parts

    return density


def _by_steps(model, start, size, seed):
    """Draws of a model's posterior by a sampler that importance cannot fail."""
    drawn = hamiltonian_draws(model.values_and_gradients, start, size=size, seed=seed)
    return replace(drawn, parts=model.log_parts(drawn.points))


def _joined(models, peaks, found, weight):
    """The draws of the links together."""
    best = int(np.argmax(weight))
    points, weights, draw_link, draw_lot = mixed_draws(found, weight)
    told = np.concatenate([sample.parts[:, :-1] for sample in found])
    return {
        "model": models[best], "point": peaks[best].point, "draws": points, "weights": weights,
        "draw_link": draw_link, "draw_lot": draw_lot,
        "k_hat": max(s.k_hat for s, w in zip(found, weight, strict=True) if w > MATTERS),
        "links": pd.DataFrame({"link": [m.link for m in models], "weight": weight}),
        "told": dict(zip(models[0].data.groups, told.T, strict=True)),
    }


def ages_apart(looks):
    """Whether settled looks lie far enough apart in age to tell what age does."""
    return bool(looks["age_days"].max() >= 1.5 * looks["age_days"].min())


def look_counts(looks, blends, stresses, aged=False, oldest=None):
    """Settled looks as :class:`Counts` with the design of the sweat model.

    Unless it is ``aged``, each piece counts by its last look; then ages count in doublings of the
    ``oldest`` (days).
    """
    if not aged:
        looks = looks.drop_duplicates(["code", "stress"], keep="last")
    columns = (
        [looks["load_pct"].to_numpy(float)]
        + [(looks["blend"] == b).to_numpy(float) for b in blends]
        + [(looks["stress"] == s).to_numpy(float) for s in stresses[1:]]
    )
    piece = None
    if aged:
        oldest = oldest or looks["age_days"].max()
        columns.append(np.log2(looks["age_days"] / oldest).to_numpy(float))
        piece = (looks["code"].astype(str) + "\n" + looks["stress"]).to_numpy(str)
    grades, pots = looks["grade"].to_numpy(int), looks["pot"].to_numpy(str)
    return count_looks(grades, np.column_stack(columns), pots, N_GRADES, piece=piece)


def rebuild_models(fit, looks):
    """The sweat model of each link of a fit on other settled looks."""
    model = fit.model
    data = look_counts(looks, fit.blends, fit.stresses, model.aged, fit.ages[1])
    return [CapacityModel(data, len(fit.blends), model.prior, link=link, aged=model.aged)
            for link in fit.links["link"]]


def find_peak(model, like=None, test="sweat"):
    """The peak of a graded model's posterior, near enough to shape a proposal."""
    climbed = climb(
        model.value_and_gradient,
        model.start() if like is None else like.point,
        gradient_tolerance=1e-2,
        gradients=lambda points: model.values_and_gradients(points)[1],
        near=_ROUGHLY * np.eye(model.size) if like is None else like.covariance,
        # The bounds that several looks set to a piece have corners.
        step=1e-4 if model.data.histories is None else 0.03,
    )
    try:
        np.linalg.cholesky(-climbed.hessian)
    except np.linalg.LinAlgError:
        if np.all(np.isfinite(climbed.hessian)):
            return steepened(climbed)
        raise FitError(
            f"the {test} fit found no peak; look for a test batch with a mistyped load or grade "
            "(the frame of counts shows each)"
        ) from None
    return climbed


# 2 oz/lb: a batch far above all others is no reason to expect that a wax holds more.
MOST_CENTRE_PCT = 12.5
SHIFT_SCALE = 5.0  # of what the blends share, % of wax


def weak_prior(centre, pooled=True, load=0.0):
    """The usual prior about centres (B,) of the blends' capacities, % of wax.

    Pooled they are a part shared by the blends plus what each strays from it. How far blends stray
    is learnt from them all, so that one blend speaks for another as far as they are alike. What is
    in points of load grows in proportion to the ``load`` that is tested where that is higher than
    the tests that the usual scales are from: what differs by a twentieth still differs by one.
    """
    usual, times = CapacityPrior(), round(max(load / MOST_CENTRE_PCT, 1.0), 1)
    return replace(
        usual, capacity_centre=tuple(map(float, centre)),
        shift_scale=SHIFT_SCALE * times * (pooled and len(centre) > 1),
        **{name: times * getattr(usual, name) for name in (
            "capacity_scale", "pool_median", "spread_median", "sigma_scale", "ageing_scale")})


def _link_weights(believed, samples):
    return special.softmax(np.log(list(believed.values())) + [s.log_evidence for s in samples])


def prior_centres(blends, limits, tested):
    limits = pd.Series({} if limits is None else dict(limits), dtype=object).dropna()
    limits = limits.to_frame("limit_load_pct")
    limits = checked(limits, "blends", "limits", needed=())["limit_load_pct"]
    middle = {r.blend: min(0.5 * (r.lowest_pct + r.highest_pct), MOST_CENTRE_PCT)
              for r in tested.itertuples()}
    notes = tuple(
        f"No wax maker's limit is known for {b}; half of its pieces are expected to sweat near the "
        f"middle of the tested loads, or at {MOST_CENTRE_PCT:g} % of wax if that is less: "
        f"{middle[b]:.1f} % of wax."
        for b in blends
        if b not in limits
    )
    return np.array([float(limits.get(b, middle[b])) for b in blends]), notes


def evidence_notes(looks, blends):
    notes, others = [], "the other blends and what is usual" if blends[1:] else "what is usual"
    for blend in blends:
        own = looks[looks["blend"] == blend]
        dry, wet = own["grade"].max() == 0, own["grade"].min() > 0
        if dry or wet:
            what, side = ("stayed dry", "above") if dry else ("sweated", "below")
            notes.append(
                f"All that was seen of {blend}, {count_of(own['code'].nunique(), 'piece')}, "
                f"{what}: the load at which half would sweat is {side} the loads tested, and what "
                f"is usual alone bounds it from {side}."
            )
        if begins := _falls_from(own):
            notes.append(
                f"Sweat of {blend} falls as the load rises above {say_load(begins)}, which should "
                "not happen: check whether codes, loads or grades were swapped."
            )
    pots = looks.groupby("blend")["pot"].nunique()
    if single := [blend for blend in blends if pots.get(blend) == 1]:
        notes.append(f"{', '.join(single)} {'were' if single[1:] else 'was'} poured from only one "
                     f"pot{' each' if single[1:] else ''}, so how much pots differ is taken from "
                     f"{others}.")
    return tuple(notes)


def _falls_from(own):
    """The load (% of wax) from which on the grades of a blend fall with the load by more than
    chance (Kendall's tau, 1 % over all such loads); None where they do not."""
    own = own.drop_duplicates(["code", "stress"], keep="last")
    load, grade = own["load_pct"].to_numpy(float), own["grade"].to_numpy(float)
    begins = [same[0] for same in planned_loads(load, NEAR_PCT)[:-1]]
    for first in begins:
        above, seen = load[load >= first], grade[load >= first]
        if np.ptp(seen) > 0 and np.corrcoef(above, seen)[0, 1] < -0.2 and stats.kendalltau(
                above, seen, alternative="less").pvalue < 0.01 / len(begins):
            return float(first)
    return None


# What a prior supposes, of what it is told where it plays a part, and the words of it.
_LOG_NORMAL = "log-normal, median {{{0}_median:g}} % of wax, log sd {{{0}_log_sd:g}}"
_HALF_T = "half Student t ({{{0}_df:g}} df), scale {{{0}_scale:g}} % of wax"
_SUPPOSED = (
    ("pooled", "what the blends share", "normal about 0, sd {shift_scale:g} % of wax"),
    ("pooled", "sd between blends", _LOG_NORMAL.format("pool")),
    ("", "spread", _LOG_NORMAL.format("spread")),
    ("blends", "spread of a blend",
     "log-normal about the common spread, log sd {spread_shift_sd:g}"),
    ("", "threshold gaps", "log-normal, medians {gap_median}, log sds {gap_log_sd}"),
    ("heated", "heat", "normal about {stress_centre:g}, sd {stress_scale:g}"),
    ("", "sd between pots", _HALF_T.format("sigma")),
    ("learnt", "normal score of that sd", "about {sigma_centre:.2f} with sd {sigma_sd:.2f}"),
    ("aged", AGEING, _HALF_T.format("ageing")),
    ("read", "misread grades",
     "logit-normal, median {misread_median:g}, logit sd {misread_logit_sd:g}"),
)


def describe_prior(prior, blends, heated, aged):
    """The priors in words, by what they are of; of heat and ageing where looks tell of them."""
    own = vars(prior) | {name: np.round(getattr(prior, name), 2) for name in (
        "gap_median", "gap_log_sd")}
    scales = np.broadcast_to(prior.capacity_scale, len(blends))
    words = {
        f"half-sweat load of {b}": f"about {c:.1f} % of wax" + (
            ", as the others" if prior.shift_scale else
            f", Student t ({prior.capacity_df:g} df), scale {s:g}")
        for b, c, s in zip(blends, prior.capacity_centre, scales, strict=True)}
    known = {"": True, "pooled": prior.shift_scale, "blends": len(blends) > 1, "heated": heated,
             "learnt": (prior.sigma_centre, prior.sigma_sd) != (0.0, 1.0),
             "aged": aged, "read": prior.misread_median is not None}
    return words | {name: said.format_map(own) for part, name, said in _SUPPOSED if known[part]}


def _stress_place(fit, stress):
    """Place of a stress among those of a fit; None means the harshest that was tested."""
    stress = stress or fit.harshest
    if stress not in fit.stresses:
        asked, graded = (" and ".join(STRESS_WORDS.get(s, s) for s in names)
                         for names in ([stress], fit.stresses))
        raise FitError(f"no piece was graded {asked}, only {graded}; grade some, or choose by "
                       "what was graded")
    return fit.stresses.index(stress)


def load_at_risk_draws(fit, risk, limit_grade=2, stress=None):
    """Posterior draws (S, B) of the load (% of wax) where a piece of a new pot passes the risk.

    fit : SweatFit, whose blends are the columns.
    risk : P(grade >= limit_grade), averaged over pots.
    stress : rest or heat; None takes the harshest tested.
    """
    limit_grade, place = _checked_grade(limit_grade), _stress_place(fit, stress)
    return _by_link(fit, lambda link, own: _at_risk(
        {name: values[own] for name, values in fit.named.items()}, risk, limit_grade, place, link))


def _checked_grade(limit_grade):
    if limit_grade not in range(1, N_GRADES):
        raise FitError(f"the limit grade is {limit_grade!r}; give a sweat grade from 1 to 4")
    return int(limit_grade)


def loads_at_risk(model, points, place=None):
    """The loads (S, B) at 5 % risk of grade 2 of free parameters (S, p), under the stress at a
    place; None takes the last."""
    place = model.stress.shape[1] if place is None else place
    return _at_risk(model.named(points), 0.05, 2, place, model.link)


def stress_effect(named, place):
    """Latent shift (S,) of the stress at a place; 0 of the first, from which others are told."""
    return named["stress"][:, place - 1 : place].sum(axis=1)


def _at_risk(named, risk, limit_grade, place, link):
    m = marginal_location(risk, named["sigma"][:, None] / named["spread"], link)
    latent = named["tau"][:, limit_grade - 1] - stress_effect(named, place)
    return named["capacity"] + named["spread"] * (latent[:, None] + m)


def at_age(fit, days, stress=None):
    """The fit told at the first age looked at, at an age (days) or later, instead of the oldest.

    What became of a piece between two looks nobody saw: it may all have come on the first day. The
    looks that count are those under the ``stress`` (None: the harshest), as :func:`next_look` finds
    them. Where looks lie too near in age to tell what age does, and beyond the oldest, it is the
    fit as it is.
    """
    if days is None or not fit.model.aged:
        return fit
    days = next_look(fit.looks[fit.looks["stress"] == (stress or fit.harshest)], max(days, 0.5))
    if not days < fit.ages[1]:
        return fit
    younger = np.log2(fit.ages[1] / days) * fit.named["ageing"]
    draws = fit.draws.copy()
    draws[:, fit.model.places["capacity"]] += younger[:, None]
    return replace(fit, draws=draws, ages=(min(fit.ages[0], days), days))


def _by_link(fit, function):
    """Values of ``function(link, own)`` for the draws ``own`` of each link, in draw order."""
    parts = [function(link, fit.draw_link == i) for i, link in enumerate(fit.links["link"])]
    return np.concatenate(parts)


def sweat_risk_draws(fit, blend, loads, limit_grade=2, stress=None, pot=None):
    """Posterior draws (S, L) of P(grade >= limit_grade) for a piece of a new pot at each load.

    ``pot`` : array (L,) of the effect of the pot at each load, in sds between pots, where it is
    known and not to be averaged over.
    """
    named = fit.named
    loads = np.atleast_1d(np.asarray(loads, dtype=float))
    place = place_of(fit, blend)
    reach = (loads - named["capacity"][:, [place]]) / named["spread"][:, [place]]
    heat = stress_effect(named, _stress_place(fit, stress))
    location = reach + (heat - named["tau"][:, _checked_grade(limit_grade) - 1])[:, None]
    sigma = named["sigma"][:, None] / named["spread"][:, [place]]
    if pot is not None:
        location = location + sigma * pot
        return _by_link(fit, lambda link, own: find_link(link).sf(-location[own]))
    return _by_link(fit, lambda link, own: marginal_risk(location[own], sigma[own], link))


@one_thread()
def sweat_risk(
    fit: SweatFit, blend: str, loads: ArrayLike, limit_grade: int = 2, stress: str | None = None,
) -> pd.DataFrame:
    """Risk of sweat for a piece of a new pot.

    Parameters
    ----------
    fit : SweatFit
    blend : str
    loads : float or array of n loads, g per 100 g of wax.
    limit_grade : int, 1 to 4.
    stress : str, rest or heat; None takes the harshest tested.

    Returns
    -------
    DataFrame of n rows with load_pct, risk (posterior mean probability of the limit grade or
    worse), lower and upper (90 % interval of that probability).

    Raises
    ------
    FitError for a blend or stress that was not fitted, a grade or a load that cannot be.

    >>> from scentlab.simulate import small_series
    >>> fit = fit_sweat(small_series().sweat(), draws=100, precise=None)
    >>> bool(sweat_risk(fit, "soft", [5, 11])["risk"].is_monotonic_increasing)
    True
    """
    check_loads(pd.Series(np.atleast_1d(loads), name="load_pct", dtype=float), "loads asked for")
    risks = sweat_risk_draws(fit, blend, loads, limit_grade, stress)
    return risk_table(loads, risks, fit.weights)
