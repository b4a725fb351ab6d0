"""Sweat: where each blend's capacity lies, from graded pieces, with pots as whole plots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from scentlab.fitting.looks import count_pours, settle_looks
from scentlab.maths.graded import CapacityModel, CapacityPrior, half_student_of_score
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
from scentlab.schema import STRESSES
from scentlab.units import say_load

N_GRADES = 5
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
# A link of less weight than this cannot move the ceiling by much, however badly drawn.
MATTERS = 0.1
# Few series can tell the links apart, so that the belief counts: the symmetrical one is the
# usual, the early-tailed one guards the small risks.
LINKS_BELIEVED = {"logit": 0.75, "skewed": 0.25}


@dataclass(frozen=True, repr=False)
class SweatFit(Result):
    """A fitted sweat model.

    Attributes
    ----------
    blends : tuple of names. stresses : tuple, rest first; effects are against the first.
    names : tuple of the free parameters' names, in their order.
    point, covariance : the peak (p,) of the best link and the inverse of its information (p, p),
        free scale.
    draws, weights : posterior draws of the free parameters (S, p) and their weights (S,).
    draw_link : int array (S,), index in ``links`` of the link each draw belongs to.
    draw_lot : int array (S,), number of the lot of draws, from which Monte Carlo errors follow.
    k_hat, effective_size : trust in the draws; a k-hat above 0.7 means that importance sampling
        failed and a Hamiltonian sampler took its place, which the notes say.
    log_likelihood : float, at the peak of the best link.
    links : DataFrame, one row per link: link, weight (its posterior probability), log_likelihood.
    counts : DataFrame, one row per pour and stress: pour, pot, blend, load_pct, stress, n, g0..g4.
    tested : DataFrame, one row per blend: blend, lowest_pct, highest_pct (% of wax), pots, pieces.
    misread : bool, whether misread grades are allowed for.
    ages : (youngest, oldest) look in days; the fit tells of the oldest.
    layout : dict, where each kind of free parameter stands: key to (first, one past the last).
    shared : dict of what the blends' capacities share (see :func:`share_capacities`).
    scales : scale (% of wax) and degrees of freedom of the half Student priors of the sd between
        pots ("sigma") and of "ageing", whose free parameters are their normal scores; of the
        logarithm of the "spread" the median, the sd, and that of a blend's about it. None for
        plain maximum likelihood, whose free parameters are logarithms.
    prior : dict, the priors in words.
    told : dict of pot to the log-likelihood (S,) of its looks under each draw.
    alone : SweatFit with nothing borrowed from other series, where this one borrows.
    """

    blends: tuple
    stresses: tuple
    names: tuple
    point: np.ndarray
    covariance: np.ndarray
    draws: np.ndarray
    weights: np.ndarray
    draw_link: np.ndarray
    draw_lot: np.ndarray
    k_hat: float
    effective_size: float
    log_likelihood: float
    counts: pd.DataFrame
    tested: pd.DataFrame
    links: pd.DataFrame
    misread: bool
    ages: tuple
    layout: dict
    shared: dict
    scales: dict | None
    prior: dict
    told: dict
    notes: tuple = field(default=())
    alone: SweatFit | None = None

    @cached_property
    def named(self):
        """Posterior draws by meaning, (S,) or (S, B), stress (S, T - 1) and tau (S, K - 1)."""
        return _unfold(self, self.draws)

    @property
    def table(self):
        """Estimate (posterior median), sd, and 90 % limits of every parameter."""
        rows = []
        for name, unit, values in self._parameters():
            rows.append((name, *summary(values, self.weights), unit))
        return pd.DataFrame(rows, columns=["parameter", "estimate", "se", "lower", "upper", "unit"])

    def _parameters(self):
        named = self.named
        for b, blend in enumerate(self.blends):
            yield f"capacity of {blend}", "% of wax", named["capacity"][:, b]
        for b, blend in enumerate(self.blends):
            yield f"spread of {blend}", "% of wax per latent unit", named["spread"][:, b]
        for s, stress in enumerate(self.stresses[1:]):
            yield f"effect of {stress}", "latent units", named["stress"][:, s]
        for g in range(2, N_GRADES):
            yield f"threshold of grade {g}", "latent units", named["tau"][:, g - 1]
        yield "sd between pots", "% of wax", named["sigma"]
        if self.shared["kind"] != "separate":
            yield "sd between blends", "% of wax", named["pool"]
        if self.misread:
            yield "misread grades", "share", named["misread"]
        if self.layout["ageing"][1] > self.layout["ageing"][0]:
            yield "capacity lost as the age doubles", "% of wax", named["ageing"]

    @property
    def sentence(self):
        parts = []
        for b, blend in enumerate(self.blends):
            capacity = self.named["capacity"][:, b]
            lower, middle, upper = weighted_quantile(capacity, self.weights, (0.05, 0.5, 0.95))
            tested = self.tested.set_index("blend").loc[blend]
            parts.append(f"{blend} {_say_capacity(lower, middle, upper, tested)}")
        return (
            "Half of the pieces of a typical pot show any sweat, grade 1 or more "
            f"({self.stresses[0]}), at: "
            + "; ".join(parts) + "."
        )


def _say_capacity(lower, middle, upper, tested):
    """A capacity in words that claim nothing beyond the loads tested."""
    if middle > tested["highest_pct"]:
        return f"more than {say_load(tested['highest_pct'])}, the highest load tested"
    if middle < tested["lowest_pct"]:
        return f"less than {say_load(tested['lowest_pct'])}, the lowest load tested"
    return f"{say_load(middle)}, 90 % interval {max(lower, 0.0):.1f} to {upper:.1f}"


@one_thread()
def fit_sweat(
    grades: pd.DataFrame, limits: Mapping[str, float] | None = None, *, pooled: bool = True,
    prior: str | CapacityPrior | None = "weak",
    links: Mapping[str, float] | Sequence[str] | None = None, draws: int = 2000,
    precise: float | None = PRECISE, seed: int = 1,
) -> SweatFit:
    """Fit the sweat model by its posterior, averaged over links.

    Where the curve of sweat over load is not symmetrical, a symmetrical link misjudges the
    small risks that the ceiling is about. So a symmetrical and an early-tailed link are both
    fitted and weighted by their evidence.

    Parameters
    ----------
    grades : DataFrame of sweat looks with columns code, pour, pot, blend, load_pct (% of wax),
        stress (rest or heat; missing counts as rest), grade 0-4. Several looks at a piece under
        one stress at one age count once, with the worst grade.
        Looks at several ages bound the age at which each piece began to sweat; the fit tells of
        the oldest age (age_days, days; the oldest where it is missing).
    limits : mapping blend to the wax maker's limit (% of wax), where the prior of the capacity is
        centred; blends without one are centred on the middle of their tested loads.
    pooled : bool, whether the capacities share a common shift against the limits beforehand, from
        which each blend may stray by as much as the blends together show.
    prior : "weak", a :class:`CapacityPrior` to use as it is, or None for plain maximum likelihood
        (flat priors, no misread grades), which has an answer only if no blend separates.
    links : mapping of link (logit, probit, cloglog, skewed) to how far it is believed beforehand,
        or a sequence of links believed alike; None takes ``LINKS_BELIEVED``.
    draws : int, posterior draws at least, shared out over the links by their evidence.
    seed : int
    precise : float or None. There are more draws, eight times as many at most, until the Monte
        Carlo error of every blend's load at 5 % risk of grade 2, at its lower 5 % point, is within
        this many points of load, where that point lies among the loads tested.

    Returns
    -------
    SweatFit

    Raises
    ------
    FitError when there is nothing to fit or the fit does not come to rest.

    Notes
    -----
    Cumulative links (McCullagh 1980) with pots as effects at random and weak priors.

    >>> from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
    >>> layout = even_layout(["soft"], [5, 7, 9, 11], sweat=3)
    >>> series = simulate_series(layout, Truth({"soft": BlendTruth(9.0)}), seed=1)
    >>> fit_sweat(series.sweat(), draws=100, precise=None).blends
    ('soft',)
    """
    looks, notes = settle_looks(grades, "sweat", ages=True)
    blends = tuple(dict.fromkeys(looks["blend"]))
    stresses = tuple(s for s in STRESSES if s in set(looks["stress"]))
    tested = loads_tested(looks, blends)
    centre, centre_notes = prior_centres(blends, limits, tested)
    shared = share_capacities(pooled, blends, centre)
    used = _weak_prior(shared) if isinstance(prior, str) else prior
    aged = ages_apart(looks)
    data = look_counts(looks, blends, stresses, aged)
    drawn = average_links(
        lambda link: CapacityModel(data, len(blends), used, link=link, aged=aged),
        links, draws, seed, precise, loads_at_risk,
        tested[["lowest_pct", "highest_pct"]].to_numpy(float),
    )
    model, peak = drawn.model, drawn.peak
    return SweatFit(
        blends,
        stresses,
        _names(blends, stresses, model),
        peak.point,
        peak.covariance,
        drawn.points,
        drawn.weights,
        drawn.draw_link,
        drawn.draw_lot,
        drawn.k_hat,
        drawn.effective_size,
        float(model.log_likelihood(peak.point)),
        count_pours(looks, N_GRADES),
        tested,
        drawn.links,
        model.reads,
        (float(looks["age_days"].min()), float(looks["age_days"].max())),
        {key: (place.start, place.stop) for key, place in model.places.items()},
        shared,
        used and scales_of(used),
        describe_prior(used, blends),
        dict(zip(data.groups, drawn.told.T, strict=True)),
        notes + centre_notes + evidence_notes(looks, blends) + drawn.notes,
    )


@dataclass(frozen=True)
class Drawn:
    """Posterior draws averaged over links, and what :class:`SweatFit` keeps beside them.

    ``model`` and ``peak`` are those of the best link, ``told`` (S, G) has a column for each of its
    groups; the rest is named as there.
    """

    model: object
    peak: object
    points: np.ndarray
    weights: np.ndarray
    draw_link: np.ndarray
    draw_lot: np.ndarray
    k_hat: float
    links: pd.DataFrame
    models: tuple
    told: np.ndarray
    notes: tuple = ()

    @property
    def effective_size(self):
        return float(1.0 / np.sum(self.weights**2))

    def error_of(self, wanted, ranges):
        """The largest Monte Carlo error of the 5 % points of ``wanted(model, points)`` (S, B), of
        those that lie within the ``ranges`` (B, 2): the others hold no load anyway."""
        values = np.concatenate([
            wanted(m, self.points[self.draw_link == i]) for i, m in enumerate(self.models)
        ])
        largest = 0.0
        for own, (low, high) in zip(values.T, ranges, strict=True):
            error = quantile_error(own, self.weights, self.draw_lot, 0.05)
            point = weighted_quantile(own, self.weights, 0.05)
            if low - 3.0 * error < point < high + 3.0 * error:
                largest = max(largest, error)
        return largest


def average_links(make_model, links, draws, seed, precise=None, wanted=None, ranges=()):
    """Draw the posterior under each link and weigh the links by their evidence.

    make_model : callable, link to GradedModel. links, draws, seed : as in :func:`fit_sweat`.
    precise, wanted, ranges : how small the Monte Carlo error of the 5 % points of ``wanted(model,
        points)`` (S, B) within ``ranges`` (B, 2) must become; None for as many draws as asked for.
    Returns Drawn.
    """
    believed = _beliefs(links)
    models = [make_model(link) for link in believed]
    peaks = _peaks(models)
    samplers = [
        _sampler(m, peak, [seed, i]) for i, (m, peak) in enumerate(zip(models, peaks, strict=True))
    ]
    for sampler in samplers:
        sampler.grow(min(draws, FIRST_DRAWS))
    size, ranges = draws, np.asarray(ranges)
    alone = models[0].fewest_pots < 2
    many = models[0].size > (MOST_HELD if alone else MOST_HELD_OF_POTS)
    while True:
        weight = _link_weights(believed, [s.weighed().log_evidence for s in samplers])
        for sampler, share in zip(samplers, weight, strict=True):
            sampler.grow(int(size * share))
        found = [s.weighed() for s in samplers]
        weight = _link_weights(believed, [sample.log_evidence for sample in found])
        found = [
            replace(sample, points=model.unfunnelled(sample.points, peak.point)[0])
            for model, peak, sample in zip(models, peaks, found, strict=True)
        ]
        drawn = _joined(models, peaks, found, weight, believed)
        short = 2.0 if drawn.k_hat > K_HAT_LIMIT and not many else 0.0
        if precise is not None and not many:
            short = max(short, 1.1 * (drawn.error_of(wanted, ranges) / precise) ** 2)
        if short <= 1.1 or size >= MOST_TIMES * draws:
            break
        size = int(size * np.clip(short, 1.2, 3.0))
    if drawn.k_hat <= K_HAT_LIMIT and not many:
        return drawn
    why = f"With {models[0].size} parameters importance sampling is not to be trusted here, so"
    if not many:
        why = (f"Importance sampling did not hold here (k-hat {drawn.k_hat:.2f}, above "
               f"{K_HAT_LIMIT}), so")
    note = f"{why} the posterior was drawn by a Hamiltonian sampler instead."
    size = draws if precise is None else 2 * draws
    found = [
        _by_steps(model, sample, size, [seed, i])
        if (many or sample.k_hat > K_HAT_LIMIT) and share > MATTERS else sample
        for i, (model, sample, share) in enumerate(zip(models, found, weight, strict=True))
    ]
    redrawn = _joined(models, peaks, found, weight, believed)
    return replace(redrawn, k_hat=drawn.k_hat, notes=(note,))


def _sampler(model, peak, seed):
    """A sampler of a model's posterior where it is no funnel."""

    def density(points):
        moved, log_jacobian = model.unfunnelled(points, peak.point)
        parts = model.log_parts(moved)
        parts[:, -1] += log_jacobian
        return parts

    return Sampler(density, peak, seed)


def _by_steps(model, start, size, seed):
    """Draws of a model's posterior by a sampler that importance cannot fail."""
    drawn = hamiltonian_draws(model.values_and_gradients, start, size=size, seed=seed)
    return replace(drawn, parts=model.log_parts(drawn.points))


def _joined(models, peaks, found, weight, believed):
    """The draws of the links as one :class:`Drawn`."""
    best = int(np.argmax(weight))
    return Drawn(
        models[best],
        peaks[best],
        *mixed_draws(found, weight),
        max(sample.k_hat for sample, w in zip(found, weight, strict=True) if w > MATTERS),
        _link_table(tuple(believed), weight, models, peaks),
        models=tuple(models),
        told=np.concatenate([sample.parts[:, :-1] for sample in found]),
    )


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


def rebuild_model(fit, looks, link=None):
    """The sweat model of a fit on settled looks, under the weak prior and its best link or
    another."""
    link = link or fit.links["link"].iloc[int(fit.links["weight"].argmax())]
    prior = _weak_prior(fit.shared)
    if not fit.misread:
        prior = replace(prior, misread_median=None)
    first, stop = fit.layout["ageing"]
    data = look_counts(looks, fit.blends, fit.stresses, stop > first, fit.ages[1])
    return CapacityModel(data, len(fit.blends), prior, link=link, aged=stop > first)


def _peaks(models):
    """The peak of each link's posterior. Capacity and spread mean the same under each link, so
    that the first peak is a good place to look for the others."""
    peaks = []
    for model in models:
        peaks.append(_peak(model, peaks[0] if peaks else None))
    return peaks


def _peak(model, like=None):
    """The peak of the posterior, near enough to shape a proposal (or, without prior, exactly)."""
    climbed = climb(
        model.value_and_gradient,
        model.start() if like is None else like.point,
        gradient_tolerance=1e-6 if model.prior is None else 1e-2,
        gradients=lambda points: model.values_and_gradients(points)[1],
        near=_ROUGHLY * np.eye(model.size) if like is None else like.covariance,
        # The bounds that several looks set to a piece have corners.
        step=1e-4 if model.data.histories is None else 0.03,
    )
    try:
        np.linalg.cholesky(-climbed.hessian)
    except np.linalg.LinAlgError:
        if model.prior is not None and np.all(np.isfinite(climbed.hessian)):
            return steepened(climbed)
        raise FitError(
            "the sweat fit found no peak; look for a pour whose load or grades were mistyped "
            "(the frame of counts shows each pour)"
        ) from None
    return climbed


SHIFT_SCALE = 5.0  # of what the blends share, % of wax


def share_capacities(pooled, blends, centre):
    """What the capacities of blends share: dict of kind, centre (B,), columns (B, q), scale (q,).

    Pooled they are a part shared by the blends plus what each strays from it. How far blends stray
    is learnt from them all, so that one blend speaks for another as far as they are alike.
    """
    pooled = pooled and len(blends) > 1
    return {
        "kind": "pooled" if pooled else "separate",
        "centre": np.asarray(centre, dtype=float),
        "columns": np.ones((len(blends), int(pooled))),
        "scale": (SHIFT_SCALE,) * pooled,
    }


def _weak_prior(shared):
    return CapacityPrior(
        capacity_centre=tuple(shared["centre"]),
        shared=tuple(map(tuple, shared["columns"])) if len(shared["scale"]) else (),
        shared_scale=tuple(shared["scale"]),
    )


def scales_of(prior):
    """The scales of a prior that an answer may be sensitive to."""
    return {
        "sigma": (prior.sigma_scale, prior.sigma_df),
        "ageing": (prior.ageing_scale, prior.ageing_df),
        "spread": (np.log(prior.spread_median), prior.spread_log_sd, prior.spread_shift_sd),
    }


def _beliefs(links):
    if links is None:
        return LINKS_BELIEVED
    return dict(links) if isinstance(links, dict) else dict.fromkeys(links, 1.0)


def _link_weights(believed, log_evidence):
    log_weight = np.log(list(believed.values())) + np.asarray(log_evidence)
    relative = np.exp(log_weight - log_weight.max())
    return relative / relative.sum()


def _link_table(links, weight, models, peaks):
    at_peak = [float(m.log_likelihood(p.point)) for m, p in zip(models, peaks, strict=True)]
    return pd.DataFrame({"link": list(links), "weight": weight, "log_likelihood": at_peak})


def loads_tested(looks, blends):
    rows = []
    for blend in blends:
        own = looks[looks["blend"] == blend]
        rows.append(
            (
                blend,
                own["load_pct"].min(),
                own["load_pct"].max(),
                own["pot"].nunique(),
                own["code"].nunique(),
            )
        )
    return pd.DataFrame(rows, columns=["blend", "lowest_pct", "highest_pct", "pots", "pieces"])


def prior_centres(blends, limits, tested):
    limits = {b: v for b, v in dict(limits or {}).items() if v is not None and not pd.isna(v)}
    middle = {r.blend: 0.5 * (r.lowest_pct + r.highest_pct) for r in tested.itertuples()}
    notes = tuple(
        f"No wax maker's limit is known for {b}; its half-sweat load is expected about "
        f"the middle of the tested loads, {middle[b]:.1f} % of wax."
        for b in blends
        if b not in limits
    )
    return np.array([float(limits.get(b, middle[b])) for b in blends]), notes


def evidence_notes(looks, blends):
    notes = []
    for blend in blends:
        own = looks[looks["blend"] == blend]
        if own["grade"].max() == 0:
            notes.append(
                f"All {own['code'].nunique()} pieces of {blend} stayed dry: its half-sweat load is "
                "above the loads tested, and what is usual alone bounds it from above."
            )
        elif own["grade"].min() > 0:
            notes.append(
                f"All {own['code'].nunique()} pieces of {blend} sweated: its half-sweat load is "
                "below the loads tested, and what is usual alone bounds it from below."
            )
        elif _parts_clean(own):
            notes.append(
                f"Every piece of {blend} up to some load showed no trace of sweat and every piece "
                "above it some: how gently sweat begins there is not seen but taken from "
                f"{'what is usual' if len(blends) == 1 else 'the other blends and what is usual'}. "
                "Loads in between would show it."
            )
        if _falls(own):
            notes.append(
                f"Sweat of {blend} falls as the load rises, against all that is known of it: look "
                "whether codes, loads or grades were taken the other way round."
            )
        if own["pot"].nunique() == 1:
            notes.append(
                f"{blend} was poured from one pot only, so how much pots differ is learnt from "
                "the other blends and the prior."
            )
    return tuple(notes)


def _falls(own):
    """Whether the grades of a blend fall with load by more than chance (Kendall's tau, 1 %)."""
    load, grade = own["load_pct"].to_numpy(float), own["grade"].to_numpy(float)
    if np.ptp(load) == 0 or np.ptp(grade) == 0 or np.corrcoef(load, grade)[0, 1] > -0.2:
        return False
    from scipy.stats import kendalltau  # slow to import, needed for odd series only

    return bool(kendalltau(load, grade, alternative="less").pvalue < 0.01)


def _parts_clean(own):
    """Whether under each stress one load parts the dry pieces of a blend from the wet ones."""
    load, stress = own["load_pct"].to_numpy(float), own["stress"].to_numpy(str)
    dry = own["grade"].to_numpy(int) == 0
    for under in (stress == s for s in np.unique(stress)):
        kept, sweated = load[under & dry], load[under & ~dry]
        if len(kept) and len(sweated) and kept.max() >= sweated.min():
            return False
    return True


def _names(blends, stresses, model):
    names = [f"capacity of {b}" for b in blends] + ["log spread"]
    names += [f"log spread of {b} against it" for b in blends] * model.spreads
    names += [f"effect of {s}" for s in stresses[1:]] + ["ageing"] * model.age.shape[1]
    names += ["log sd between blends"] * model.pooled
    names += [f"log gap below grade {g}" for g in range(2, N_GRADES)] + ["sd between pots"]
    return tuple(names + ["logit misread"] * model.reads)


def describe_prior(prior, blends):
    if prior is None:
        return {"all": "none: plain maximum likelihood"}
    words = _describe_capacities(prior, blends)
    words["spread"] = (
        f"log-normal, median {prior.spread_median:g} % of wax, log sd {prior.spread_log_sd:g}"
    )
    if prior.spread_shift_sd > 0 and len(blends) > 1:
        words["spread of a blend"] = (
            f"log-normal about the common spread, log sd {prior.spread_shift_sd:g}"
        )
    gaps = zip(*np.broadcast_arrays(np.atleast_1d(prior.gap_median), prior.gap_log_sd), strict=True)
    words["threshold gaps"] = "; ".join(
        f"log-normal, median {median:g}, log sd {sd:g}" for median, sd in gaps
    )
    words["heat"] = f"normal about {prior.stress_centre:g}, sd {prior.stress_scale:g}"
    words["sd between pots"] = (
        f"half Student t ({prior.sigma_df:g} df), scale {prior.sigma_scale:g} % of wax"
    )
    if (prior.sigma_centre, prior.sigma_sd) != (0.0, 1.0):
        words["sd between pots"] += (
            f", its normal score about {prior.sigma_centre:.2f} with sd {prior.sigma_sd:.2f}"
        )
    words["capacity lost as the age doubles"] = (
        f"half Student t ({prior.ageing_df:g} df), scale {prior.ageing_scale:g} % of wax"
    )
    if prior.misread_median is not None:
        words["misread grades"] = (
            f"logit-normal, median {prior.misread_median:g}, logit sd {prior.misread_logit_sd:g}"
        )
    return words


def _describe_capacities(prior, blends):
    centres = zip(blends, prior.capacity_centre, strict=True)
    if not prior.shared:
        scales = np.broadcast_to(prior.capacity_scale, len(blends))
        return {
            f"capacity of {b}": f"Student t ({prior.capacity_df:g} df) about {c:.1f} % of wax, "
            f"scale {s:g}"
            for (b, c), s in zip(centres, scales, strict=True)
        }
    words = {f"capacity of {b}": f"about {c:.1f} % of wax, as the others" for b, c in centres}
    words["what the blends share"] = (
        "normal about 0, sd " + ", ".join(f"{s:g}" for s in prior.shared_scale) + " % of wax"
    )
    words["sd between blends"] = (
        f"log-normal, median {prior.pool_median:g} % of wax, log sd {prior.pool_log_sd:g}"
    )
    return words


def _unfold(fit, free):
    """Free parameters (S, p) by meaning, without a model at hand."""
    own = {key: free[:, first:stop] for key, (first, stop) in fit.layout.items()}
    tau = np.cumsum(np.exp(own["log_gaps"]), axis=1)
    none = np.zeros(len(free))
    return {
        "capacity": own["capacity"],
        "spread": np.exp(own["log_spread"] + _shifts(own, fit)),
        "stress": own["stress"],
        "pool": np.exp(own["log_pool"][:, 0]) if own["log_pool"].size else none,
        "tau": np.column_stack([none, tau]),
        "sigma": _of_score(fit, "sigma", own["sigma"]),
        "ageing": _of_score(fit, "ageing", own["ageing"]),
        "misread": special.expit(own["logit_misread"][:, 0]) if fit.misread else none,
    }


def _of_score(fit, key, free):
    """The sd between pots or the ageing (S,), points of load, of its free parameter (S, 0 or 1)."""
    if not free.size:
        return np.zeros(len(free))
    if fit.scales is None:
        return np.exp(free[:, 0])
    return half_student_of_score(free[:, 0], *fit.scales[key])[0]


def _shifts(own, fit):
    """Each blend's shift of the log spread (S, B)."""
    if own["log_spread_shift"].size:
        return own["log_spread_shift"]
    return np.zeros((len(own["log_spread"]), len(fit.blends)))


def _stress_effect(fit, named, stress):
    """Latent shift (S,) of a stress; None means the harshest that was tested."""
    stress = stress or fit.stresses[-1]
    if stress not in fit.stresses:
        raise FitError(f"no piece was graded after {stress}; graded were {', '.join(fit.stresses)}")
    place = fit.stresses.index(stress)
    return np.zeros(len(fit.draws)) if place == 0 else named["stress"][:, place - 1]


def load_at_risk_draws(fit, risk, limit_grade=2, stress=None):
    """Posterior draws (S, B) of the load (% of wax) where a piece of a new pot passes the risk.

    fit : SweatFit, whose blends are the columns.
    risk : P(grade >= limit_grade), averaged over pots.
    stress : rest or heat; None takes the harshest tested.
    """
    named = fit.named
    if limit_grade not in range(1, N_GRADES):
        raise FitError(f"the limit grade is {limit_grade}; give a sweat grade from 1 to 4")
    sd = named["sigma"][:, None] / named["spread"]
    m = _by_link(fit, lambda link, own: marginal_location(risk, sd[own], link))
    latent = named["tau"][:, limit_grade - 1] - _stress_effect(fit, named, stress)
    return named["capacity"] + named["spread"] * (latent[:, None] + m)


def loads_at_risk(model, points, risk=0.05, limit_grade=2):
    """The loads (S, B) at the risk, under the harshest stress, of free parameters (S, p)."""
    shared, spread = model.shared(points), np.exp(model.log_spread(points))
    m = marginal_location(risk, shared["sigma"][:, None] / spread, model.link)
    latent = shared["tau"][:, [limit_grade - 1]] - model.take(points, "stress")[:, -1:].sum(
        axis=1, keepdims=True
    )
    return model.take(points, "capacity") + spread * (latent + m)


def at_age(fit, days):
    """The fit told at an age (days) instead of at the oldest look.

    Where looks lie too near in age to tell what age does, and beyond the oldest, it is the fit as
    it is: nothing is claimed of an age that nobody saw.
    """
    first, stop = fit.layout["ageing"]
    if days is None or days >= fit.ages[1] or stop == first:
        return fit
    days = max(days, 0.5)
    younger = np.log2(fit.ages[1] / days) * fit.named["ageing"]
    draws, capacities = fit.draws.copy(), slice(*fit.layout["capacity"])
    draws[:, capacities] += younger[:, None]
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
    place = _place(fit, blend)
    reach = (loads - named["capacity"][:, [place]]) / named["spread"][:, [place]]
    shift = _stress_effect(fit, named, stress) - named["tau"][:, limit_grade - 1]
    location = reach + shift[:, None]
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

    >>> from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
    >>> layout = even_layout(["soft"], [5, 7, 9, 11], sweat=3)
    >>> series = simulate_series(layout, Truth({"soft": BlendTruth(9.0)}), seed=1)
    >>> table = sweat_risk(fit_sweat(series.sweat(), draws=100, precise=None), "soft", [5, 11])
    >>> bool(table["risk"].is_monotonic_increasing)
    True
    """
    risks = sweat_risk_draws(fit, blend, loads, limit_grade, stress)
    rows = []
    for load, column in zip(np.atleast_1d(loads), risks.T, strict=True):
        lower, upper = weighted_quantile(column, fit.weights, (0.05, 0.95))
        rows.append((float(load), float(fit.weights @ column), lower, upper))
    return pd.DataFrame(rows, columns=["load_pct", "risk", "lower", "upper"])


def _place(fit, blend):
    if blend not in fit.blends:
        raise FitError(f"no blend is called {blend!r}; fitted were {', '.join(fit.blends)}")
    return fit.blends.index(blend)
