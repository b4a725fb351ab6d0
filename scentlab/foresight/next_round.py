"""The next round: which pots, at which loads, raise the highest safe loads most."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd

from scentlab.choosing.analysis import Analysis
from scentlab.fitting.sweat import load_at_risk_draws
from scentlab.maths.preposterior import PotBank, SweatDraws, Worth, choose_pots, moments_after
from scentlab.maths.sampling import weighted_quantile
from scentlab.maths.threads import one_thread
from scentlab.planning.refusal import count_of, need_whole
from scentlab.results import Result
from scentlab.units import content_from_load, say_load_oz

_STEP = 0.5
_MOST_LOADS = 14  # candidate loads of a blend
# Simulated looks, and draws they are judged under, that a round is chosen by, and how often each of
# its pots is exchanged; looks and draws that it is judged by, more than it is chosen by, and the
# groups of either that are left out in turn for the error.
_LOOKS, _DRAWS, _PASSES = 100, 400, 1
_JUDGED_LOOKS, _JUDGED_DRAWS, _GROUPS = 300, 1200, 10
WORTH_PCT = 0.1  # points of load; a smaller expected rise is not worth a round


@dataclass(frozen=True, repr=False)
class NextRound(Result):
    """Pots of the next round and what they are expected to be worth.

    Attributes
    ----------
    table : DataFrame in the order of choosing: pot (n1, n2, ...), blend, loads_pct (tuple, % of
        wax), contents_pct, pours, safe_after_pct: expected highest safe load, averaged over
        blends, when this pot and those above it are poured (% of wax), and width_after_pct, the
        expected 90 % width of the load at risk (points of load).
    gain : DataFrame: blend, safe_now_pct, safe_after_pct (expected), width_now_pct and
        width_after_pct (expected).
    gain_error_pct, width_error_pct : Monte Carlo standard errors of the expected gain and of the
        expected width, means over blends.
    pours : int. pieces : int, sweat pieces of each pour. stress : of these pieces.
    seed : int.
    """

    table: pd.DataFrame
    gain: pd.DataFrame
    pours: int
    pieces: int
    stress: str
    seed: int
    gain_error_pct: float
    width_error_pct: float
    notes: tuple = field(default=())

    @property
    def expected_gain_pct(self):
        """Points of load by which the highest safe load is expected to rise, mean over blends."""
        return float((self.gain["safe_after_pct"] - self.gain["safe_now_pct"]).mean())

    @property
    def worth_it(self):
        """False when the expected gain is below ``WORTH_PCT``: stop pouring."""
        return self.expected_gain_pct >= WORTH_PCT

    def sheet(self, wax_g):
        """One row per pour with the wax of a pour given in g: pot, blend, load_pct, content_pct,
        wax_g, fragrance_g (down to 0.1 g, never above the load)."""
        rows = [
            (r.pot, r.blend, x, content_from_load(x), float(wax_g),
             float(np.floor(wax_g * x / 10 + 1e-9)) / 10)
            for r in self.table.itertuples() for x in r.loads_pct
        ]
        return pd.DataFrame(
            rows, columns=["pot", "blend", "load_pct", "content_pct", "wax_g", "fragrance_g"]
        )

    @property
    def sentence(self):
        now, after = self.gain["width_now_pct"].mean(), self.gain["width_after_pct"].mean()
        said = (
            f"{self.pours} test {'batch' if self.pours == 1 else 'batches'} from "
            f"{count_of(len(self.table), 'new pot')} are "
            f"expected to raise the highest safe load by {self.expected_gain_pct:.2f} (give or "
            f"take {2 * self.gain_error_pct:.2f}) points of load (% of wax) and to bring the 90 % "
            f"interval of the load at risk from {now:.2f} to {after:.2f} (give or take "
            f"{2 * self.width_error_pct:.2f}), means over blends"
        )
        if self.worth_it:
            return said + "."
        return f"Stop here: {said}; another round must bring {WORTH_PCT:g}."


@one_thread()
def next_round(analysis: Analysis, *, pours: int, seed: int, loads_a_pot: int = 1) -> NextRound:
    """Choose new pots and their loads for the highest expected safe loads.

    Looks at each pot that might be poured are simulated from the posterior draws on all evidence,
    the draws are reweighted by their likelihood (averaged over the effect of the new pot), and the
    highest safe load, no more than the wax maker's limit, is averaged over the simulated looks and
    the blends. Pots are chosen one after the other and then exchanged while that helps; the chosen
    round is then judged by more looks and draws.

    Parameters
    ----------
    analysis : Analysis
    pours : int, pours of the round.
    seed : int
    loads_a_pot : int, loads drawn from each new pot, 1 to 4; fewer loads from more pots tell more
        and are more work.

    Returns
    -------
    NextRound

    Raises
    ------
    PlanError when what is asked for cannot be poured.

    Examples
    --------
    >>> from scentlab.choosing.analysis import analyse
    >>> from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
    >>> layout = even_layout(["soft"], [5, 7, 9, 11], sweat=3)
    >>> series = simulate_series(layout, Truth({"soft": BlendTruth(9.0)}), seed=1)
    >>> found = next_round(analyse(series, draws=100, precise=None), pours=2, seed=1)
    >>> found.pours, list(found.gain["blend"])
    (2, ['soft'])
    """
    need_whole(pours, "pours of the next round", 1, 500, "pours", field="pours")
    need_whole(loads_a_pot, "loads_a_pot", 1, 4, "loads")
    need_whole(seed, "seed", 0, 2**63 - 1)
    fit, rules, stress = analysis.believed, analysis.rules, analysis.ceiling.stress
    looked = fit.counts[fit.counts["stress"] == stress]
    pieces = max(1, int(looked["n"].median()))
    at_risk = load_at_risk_draws(fit, rules.risk, rules.limit_grade, stress)
    limits = pd.Series(limits_of(analysis), fit.blends)
    belief = Belief(fit, at_risk, rules.confidence, limits.to_numpy(), stress)
    bank, weights, values = belief.bank(_LOOKS, _DRAWS, pieces, seed)

    def worth(log_likelihood):
        return -belief.worth.safe(log_likelihood, weights, values).mean()

    loads = [usual_loads(fit, at_risk, place) for place in range(len(fit.blends))]
    pots = _choose(loads, pours, loads_a_pot, bank, worth)
    judged, errors = belief.judge(pots, pieces, seed)
    safe, width = judged[-1]
    gain = pd.DataFrame({
        "blend": fit.blends, "safe_now_pct": belief.safe, "safe_after_pct": safe,
        "width_now_pct": belief.width, "width_after_pct": width,
    })
    table = _table(fit, pots, judged)
    return NextRound(
        table=table, gain=gain, pours=pours, pieces=pieces, stress=stress, seed=seed,
        gain_error_pct=float(errors[0]), width_error_pct=float(errors[1]),
        notes=(*_notes(fit, loads_a_pot, pieces, stress), *_over_limit(table, limits)),
    )


def limits_of(analysis):
    """The wax maker's limit of each blend of the fit (% of wax), infinite without one: array."""
    limits = pd.to_numeric(analysis.series.blends.set_index("blend")["limit_load_pct"])
    return limits.reindex(analysis.believed.blends).fillna(np.inf).to_numpy(float)


class Belief:
    """What is believed of the loads at risk."""

    def __init__(self, fit, at_risk, confidence, limits, stress):
        self.fit, self.values, self.draws = fit, at_risk, _by_meaning(fit, stress)
        chances = (1.0 - confidence, 0.05, 0.95)
        each = [weighted_quantile(v, fit.weights, chances) for v in self.values.T]
        safe, lower, upper = np.array(each).T
        mean = fit.weights @ self.values / fit.weights.sum()
        sd = np.sqrt(fit.weights @ (self.values - mean) ** 2 / fit.weights.sum())
        self.width, self.worth = upper - lower, Worth((mean - safe) / sd, limits)
        self.safe = np.minimum(safe, self.worth.most)

    def bank(self, looks, draws, pieces, seed):
        """A :class:`PotBank` of so many looks and draws, with the draws' weights and values."""
        rng = np.random.default_rng(seed)
        true, believed, weights = _two_sets(self.fit.weights, looks, draws, rng)
        bank = PotBank(self.draws.take(true), self.draws.take(believed), pieces, seed)
        return bank, weights, self.values[believed]

    def judge(self, pots, pieces, seed):
        """Safe loads and widths (2, B) after each pot of a round, and the Monte Carlo errors of
        their means after the last (2,): jackknives over looks and over draws."""
        bank, weights, values = self.bank(_JUDGED_LOOKS, _JUDGED_DRAWS, pieces, seed + 1)
        # Both moments are held against those of the same draws before any look.
        before, total, found = self._moments(None, weights, values), 0.0, []
        for place, pot in enumerate(pots):
            total = total + bank.pot(*pot, place)
            found.append(self._held(total, weights, values, before))
        looks, draws = np.arange(len(total)) % _GROUPS, np.arange(len(weights)) % _GROUPS
        parts = [
            [self._held(total[looks != g], weights, values, before) for g in range(_GROUPS)],
            [self._held(total[:, draws != g], weights[draws != g], values[draws != g])
             for g in range(_GROUPS)],
        ]
        means = np.mean(parts, axis=-1)
        return found, np.sqrt((_GROUPS - 1) * np.var(means, axis=1).sum(axis=0))

    def _moments(self, log_likelihood, weights, values):
        if log_likelihood is None:
            log_likelihood = np.zeros((1, len(weights)))
        safe = self.worth.safe(log_likelihood, weights, values)
        return safe, moments_after(log_likelihood, weights, values)[1].mean(axis=0)

    def _held(self, total, weights, values, before=None):
        """Safe loads and widths as they are now, changed as these draws say."""
        before = before or self._moments(None, weights, values)
        safe, spread = self._moments(total, weights, values)
        return np.array([self.safe + safe - before[0], self.width * spread / before[1]])


def _by_meaning(fit, stress):
    """The fit's draws with the shift of one stress."""
    named, place = fit.named, fit.stresses.index(stress)
    shift = named["stress"][:, place - 1] if place else np.zeros(len(fit.draws))
    link = np.asarray(fit.links["link"], dtype=str)[fit.draw_link]
    spread = np.broadcast_to(named["spread"].reshape(len(shift), -1), named["capacity"].shape)
    return SweatDraws(
        named["capacity"], spread, shift, named["tau"], named["sigma"],
        named["misread"], link,
    )


def _choose(loads, pours, loads_a_pot, bank, worth):
    """Pots as (blend index, loads); a last pot takes what is left."""
    number, left = divmod(pours, loads_a_pot)
    pots, rest = ([
        (blend, pot) for blend, possible in enumerate(loads) for pot in combinations(possible, size)
    ] for size in (loads_a_pot, left))
    chosen = choose_pots(pots, number, bank, worth, _PASSES) if number else []
    picked = [pots[i] for i in chosen]
    if left:
        total = bank.total(picked)
        found = [worth(total + bank.pot(*pot, len(picked))) for pot in rest]
        picked.append(rest[int(np.argmin(found))])
    return picked


def usual_loads(fit, at_risk, place):
    """Steps from below the load at risk to past the load at which half of the pieces sweat, not
    far beyond what was tested (% of wax)."""
    tested = fit.tested.set_index("blend").loc[fit.blends[place]]
    low = weighted_quantile(at_risk[:, place], fit.weights, 0.05)
    high = weighted_quantile(fit.named["capacity"][:, place], fit.weights, 0.95)
    low = np.clip(low, max(_STEP, tested["lowest_pct"] - 3.0), tested["highest_pct"])
    high = np.clip(high + fit.named["spread"].mean(), low + _STEP, tested["highest_pct"] + 3.0)
    step = _STEP * max(1, int(np.ceil((high - low) / (_STEP * _MOST_LOADS))))
    first, last = np.floor(low / step), np.ceil(high / step)
    return tuple(float(x) for x in np.arange(first, last + 1) * step if x > 0)


def _two_sets(weights, looks, draws, rng):
    """Indices of draws taken as true, of those believed, and the believed ones' weights.

    No draw is in both: a truth that is among the beliefs would be found too easily.
    """
    order = rng.permutation(len(weights))
    order = order[weights[order] > 0]
    share = np.cumsum(weights[order]) / weights.sum()
    cut = int(np.searchsorted(share, 0.3)) + 1
    true = _systematic(weights[order[:cut]], looks, rng)
    index, counts = np.unique(_systematic(weights[order[cut:]], draws, rng), return_counts=True)
    return order[:cut][true], order[cut:][index], counts / counts.sum()


def _systematic(weights, size, rng):
    """Indices of so many draws in proportion to their weights, evenly spread."""
    ladder = (np.arange(size) + rng.random()) / size
    return np.searchsorted(np.cumsum(weights) / weights.sum(), ladder).clip(0, len(weights) - 1)


def _table(fit, pots, judged):
    rows = [
        (f"n{i}", fit.blends[blend], loads, tuple(content_from_load(x) for x in loads),
         len(loads), *after.mean(axis=1).tolist())
        for i, ((blend, loads), after) in enumerate(zip(pots, judged, strict=True), 1)
    ]
    columns = [
        "pot", "blend", "loads_pct", "contents_pct", "pours", "safe_after_pct", "width_after_pct",
    ]
    return pd.DataFrame(rows, columns=columns)


def _notes(fit, loads_a_pot, pieces, stress):
    notes = [
        f"Each pour is counted with {count_of(pieces, 'sweat piece')} looked at "
        f"{'at room temperature' if stress == 'rest' else 'heat-cycled'}; each pot is a new melt "
        f"with {count_of(loads_a_pot, 'load')}.",
        "The gain is an average over what may be seen; a single round can bring less or more.",
    ]
    if fit.effective_size < 100:
        notes.append("The fit has few effective draws, so the order of the pots is rough.")
    return notes


def _over_limit(table, limits):
    """A note on the loads above a wax maker's limit, or none."""
    over = {
        r.blend: limits[r.blend] for r in table.itertuples() if max(r.loads_pct) > limits[r.blend]
    }
    if over:
        listed = ", ".join(f"{blend} {say_load_oz(limit)}" for blend, limit in over.items())
        yield (
            f"Some of these loads lie above the wax maker's limit ({listed}): for testing only, "
            "not for sale."
        )
