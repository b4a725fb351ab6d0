"""The next step of a series: what is worth most per gram of wax and per evening, or to stop."""

from __future__ import annotations

import html
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from scentlab.choosing.analysis import Analysis
from scentlab.choosing.ceiling import NEAR_PCT, TEST_LOWER, at_sale
from scentlab.choosing.headline import CEILING, REGULATORY, WAX_LIMIT
from scentlab.choosing.pick import THROW_TESTED, caps
from scentlab.choosing.waits import comes_first
from scentlab.fitting.looks import planned_loads, tested_range
from scentlab.fitting.rounds import fit_rounds, rounds_words
from scentlab.fitting.sweat import load_at_risk_draws, stress_effect
from scentlab.maths.preposterior import PotBank, moments_after
from scentlab.maths.sampling import even_places, weighted_quantile
from scentlab.maths.threads import one_thread
from scentlab.planning.refusal import count_of, need_whole
from scentlab.planning.rules import Pouring
from scentlab.planning.weights import pot_wax
from scentlab.results import Result, an_analysis
from scentlab.text import capital, in_sentences
from scentlab.units import (
    GRAMS_PER_OUNCE,
    say_load_oz,
    say_percent_of_wax,
    say_points,
    say_weight,
    shown,
)

SAME, OTHER, MORE, TWO, PAIR, STOP, WAIT = (
    "another pot, same loads", "another pot, other loads", "another pot, more pieces",
    "two more pots", "pair test", "stop", "wait",
)
WORTH_PCT = 0.3  # points of load; a step that moves the load by less is not worth its evening
NO_LOAD_BELOW_PCT = 2.0  # points below the lowest load tested that having no load is worth
LOWER = (0.5, 0.75)  # of the lowest load tested, to test where that is not shown to be safe
EVENING_G = 250.0  # g of wax that an evening counts as much as; this project's own choice
GAPS_PCT = (0.5, 1.0, 1.5, 2.0, 3.0)  # between the loads of a pot, points of load
MOST_LOADS = 4
# What holds a load down, where its name does not say what to do.
_HOLDS = {
    CEILING: "pieces that sweated; check how they were poured and graded, and pour these loads "
             "again",
    THROW_TESTED: f"{THROW_TESTED}; score higher ones",
}
_STEP, _MOST_GRID = 0.5, 14  # points between loads that are tried, and how many of a blend
_COLUMNS = ["step", "blend", "loads_pct", "pieces", "pots", "wax_g", "given_pct",
            "given_after_pct", "p_given", "gain_pct"]
_LOOKS, _DRAWS = 60, 240  # simulated looks and draws that steps are compared by
_JUDGED_LOOKS, _JUDGED_DRAWS, _JUDGED = 240, 800, 4  # and by which the best of them are judged


@dataclass(frozen=True, repr=False)
class NextStep(Result):
    """What could be done next, the step that is proposed first.

    table : DataFrame, the best step first: step, blend, loads_pct (tuple, % of wax), pieces (of a
        load, as ``stress`` says), pots (one an evening), wax_g (to melt), given_pct (load of the
        blend given now, % of wax, 0 for none), given_after_pct (load given after it, averaged
        over what may be seen; none counts as 2 points below the lowest load tested so far),
        p_given (chance that a load is given), gain_pct (points of load by which that is more than
        now).
    given_pct : that of the blend of the first step. lowest_pct, highest_pct : of the same blend the
        loads tested. limits : dict of what its load may not pass to that load (% of wax), as the
        pick has it: the limits of wax maker and rules, the highest load scored for throw, and the
        ceiling where pieces that sweated hold it below what the model says.
    worth_it : bool, whether the first step moves the load by ``WORTH_PCT``.
    pair : tuple of two dry loads (% of wax) worth a pair test, or empty.
    stress : how the pieces are kept. seed : int.
    first : what is to be graded or poured before any step, in words; then ``table`` is empty.
    """

    table: pd.DataFrame
    given_pct: float
    lowest_pct: float
    highest_pct: float
    worth_it: bool
    pair: tuple
    stress: str
    seed: int
    notes: tuple = ()
    limits: dict = field(default_factory=dict)
    first: str = ""

    @property
    def step(self):
        """The kind of step that is proposed."""
        if self.first:
            return WAIT
        if self.worth_it:
            return self.table["step"].iloc[0]
        return PAIR if self.pair else STOP

    @property
    def held_by_limit(self):
        """Whether nothing but the wax maker's limit holds the load down."""
        return self._held_by() == WAX_LIMIT

    def _held_by(self):
        """The limit that holds the load down, or nothing."""
        reason = min(self.limits, key=self.limits.get, default="")
        held = not self.worth_it and 0 < self.given_pct >= self.limits.get(reason, np.inf)
        return reason if held else ""

    @property
    def sentence(self):
        if self.first:
            return f"{capital(self.first)}; that will show what to do next."
        if not self.worth_it:
            why = f"more work would move the load by less than {say_points(WORTH_PCT)}"
            if self.given_pct <= 0:
                return self._lower_words()
            if held_by := self._held_by():
                why = (f"the load to use is held at {say_load_oz(self.limits[held_by], sold=True)} "
                       f"by {_HOLDS.get(held_by, held_by)}")
            return in_sentences([f"Stop here: {why}", *self._pair_words()])
        best = self.table.iloc[0]
        loads, pots = best["loads_pct"], int(best["pots"])
        kept = "heat-cycled" if self.stress == "heat" else "room-temperature"
        whose = f" of {best['blend']}" if self.table["blend"].nunique() > 1 else ""
        said = [f"{'two more pots' if pots == 2 else 'one more pot'}{whose} at "
                f"{', '.join(map(say_load_oz, loads))}, {count_of(best['pieces'], f'{kept} piece')}"
                f" of each: {say_weight(best['wax_g'], total=True)} of wax to melt, "
                f"{count_of(best['pots'], 'evening')}",
                self._gain_words(best)]
        return in_sentences([*said, *self._beyond_words(loads)])

    @property
    def steps(self):
        """The steps in words, to be shown: one row each, the best first."""
        return pd.DataFrame({
            "step": [f"{r.step}, {r.blend}" for r in self.table.itertuples()],
            "loads": [", ".join(map(say_load_oz, x)) for x in self.table["loads_pct"]],
            "pieces of each": self.table["pieces"],
            "wax to melt": [say_weight(x, total=True) for x in self.table["wax_g"]],
            "evenings": self.table["pots"],
            "load now, and expected after it": [
                f"{say_percent_of_wax(r.given_pct, sold=True)}; "
                f"{say_percent_of_wax(r.given_after_pct, sold=True)}" if r.given_pct > 0 else
                f"none now, one {_chance_words(r.p_given)}"
                for r in self.table.itertuples()],
        })

    def _repr_html_(self):
        if self.first:
            return f"<p><strong>{html.escape(self.sentence)}</strong></p>"
        return (f"<p><strong>{html.escape(capital(self.sentence))}</strong></p>"
                f"{self.steps.to_html(index=False, border=0)}<p>{' '.join(self.notes)}</p>")

    def _lower_words(self):
        """What to test where no load is given."""
        lowest = say_load_oz(self.lowest_pct)
        for reason, limit in self.limits.items():
            if reason != CEILING and _too_low(limit, self.lowest_pct):
                return (f"Test loads up to {say_load_oz(limit, sold=True)}, {reason}: the lowest "
                        f"tested is {lowest}.")
        lower = " and ".join(say_load_oz(share * self.lowest_pct) for share in LOWER)
        return (f"{capital(TEST_LOWER)}: not even the lowest tested, {lowest}, is shown to be "
                f"safe. Try {lower}: plan them as a quick check (scentlab quick).")

    def _gain_words(self, best):
        if self.given_pct <= 0:
            return ("no load can be given now; afterwards there would be one "
                    + _chance_words(best["p_given"]))
        return (f"the highest load to use is {say_percent_of_wax(self.given_pct, sold=True)} now; "
                "on average it would become about "
                f"{say_percent_of_wax(best['given_after_pct'], sold=True)}")

    def _beyond_words(self, loads):
        """What is said of loads that nobody tested, and of those over a limit."""
        if max(loads) > self.highest_pct + NEAR_PCT:
            yield f"{say_load_oz(max(loads))} is higher than anything tested so far"
        for reason in (WAX_LIMIT, REGULATORY):
            if max(loads) > self.limits.get(reason, np.inf):
                yield (f"{reason} is {say_load_oz(self.limits[reason], sold=True)}: loads above it "
                       "are for testing only, not for sale")

    def _pair_words(self):
        if self.pair:
            low, high = map(say_load_oz, self.pair)
            yield (f"{low} may smell as strong as {high}: both are dry, so a pair test would show "
                   "it without more wax")


def _too_low(limit, lowest):
    """Whether a limit admits no load tested; what is weighed is nearly what was planned."""
    return limit < lowest - 0.05


def _chance_words(chance):
    """How many of 100 cases such a chance is, in tens: the draws tell no more."""
    tens = 10 * round(10 * chance)
    return f"in about {tens} of 100 such cases" if tens else "in almost no such case"


@one_thread()
def next_step(analysis: Analysis, *, seed: int = 1) -> NextStep:
    """The step that raises the load given most, per gram of wax and per evening, or to stop.

    Looks at each pot that might be poured are simulated from the posterior draws, the draws are
    reweighted by their likelihood, and the load that would then be given is averaged over the
    looks: the highest safe load at the age of sale, no higher than what is tested and than the
    limits that the pick keeps to, which no pot can raise; none
    counts as 2 points below the lowest load tested so far. Of the steps that move it by
    ``WORTH_PCT`` the one with most gain for its wax is proposed, an evening counting as
    ``EVENING_G`` of wax.

    Parameters
    ----------
    analysis : Analysis
    seed : int

    Returns
    -------
    NextStep

    Raises
    ------
    PlanError for a seed that cannot be.

    Examples
    --------
    >>> from scentlab.choosing.analysis import analyse
    >>> from scentlab.simulate import small_series
    >>> analysis = analyse(small_series(pots=1), draws=200, precise=None)
    >>> int(next_step(analysis).table["pots"].iloc[0])
    1
    """
    need_whole(seed, "seed", 0, 2**63 - 1)
    case = _Case(analysis)
    if first := comes_first(analysis.series, analysis.ceiling, stress=analysis.rules.stress):
        return NextStep(pd.DataFrame(columns=_COLUMNS), *case.of(0), False, (), case.stress, seed,
                        first=first)
    steps = [step for blend in range(len(case.fit.blends)) for step in case.steps(blend)]
    best = [steps[i] for i in _best(case.judge(steps, _LOOKS, _DRAWS, seed))]
    best += [(TWO, *step[1:4], 2) for step in best if step[0] == OTHER and len(step[2]) > 2]
    table = case.judge(best, _JUDGED_LOOKS, _JUDGED_DRAWS, seed + 1)
    worth = table["gain_pct"] >= WORTH_PCT
    table = table.assign(worth=worth).sort_values(
        ["worth", "score"], ascending=False, ignore_index=True)
    blend = table["blend"].iloc[0]
    place = case.fit.blends.index(blend)
    return NextStep(
        table[_COLUMNS], *case.of(place), bool(worth.any()), _pair(analysis, blend), case.stress,
        seed, (rounds_words(fit_rounds(analysis.sweat, analysis.series.pours)),), case.caps[place],
    )


def _best(rough):
    """Places of the steps to judge: the best for their wax, of each kind, of the highest gain."""
    first = rough.sort_values("score", ascending=False)
    places = [*first.index[:_JUDGED], *first.groupby("step", sort=False).head(1).index,
              *first.groupby("blend").head(1).index, *rough.nlargest(2, "gain_pct").index]
    return list(dict.fromkeys(places))


class _Case:
    """What is believed, given and tested of each blend, and what a step would make of it."""

    def __init__(self, analysis):
        rules = an_analysis(analysis).rules
        self.fit = at_sale(analysis.sweat, rules)
        self.series, self.stress = analysis.series, analysis.ceiling.stress
        at_risk = load_at_risk_draws(self.fit, rules.risk, rules.limit_grade, self.stress)
        self.safe = weighted_quantile(at_risk, self.fit.weights, 1.0 - rules.confidence)
        # After looks the quantile lies as many standard deviations below the mean as it does now,
        # which knows of skewness and, unlike a quantile of few draws, does not scatter.
        mean, sd = moments_after(np.zeros((1, len(at_risk))), self.fit.weights, at_risk)
        self.below = (mean[0] - self.safe) / sd[0]
        own = analysis.ceiling.table.set_index("blend").loc[list(self.fit.blends)]
        self.lowest, self.highest = (
            own[f"{end}_tested_pct"].to_numpy(float) for end in ("lowest", "highest"))
        self.caps = [caps(blend, analysis, rules, analysis.ceiling) for blend in self.fit.blends]
        self.limits = np.full(len(self.caps), np.inf)
        free = self._given(self.safe, self.lowest, self.highest)
        for limits, ceiling, load in zip(self.caps, own["ceiling_load_pct"], free, strict=True):
            limits.pop(CEILING, None)
            if np.nan_to_num(ceiling) < load - 1e-6:
                limits[CEILING] = float(np.nan_to_num(ceiling))
        self.limits = np.array([min(x.values(), default=np.inf) for x in self.caps])
        # Where even that is more than may be hoped for, the little that is counts.
        none = np.minimum(self.lowest - NO_LOAD_BELOW_PCT, self.safe - GAPS_PCT[0])
        rules = (self.series.plan or {}).get("rules", {})
        pouring = Pouring(**rules.get("pouring", {"scale": shown().weight}))
        self.spare = pouring.spare_pct, pouring.scale
        self.at_risk, self.none = at_risk, np.nan_to_num(np.maximum(none, 0.0))
        self.given = self._given(self.safe, self.lowest, self.highest)

    def _given(self, safe, lowest, highest):
        """The load given at a highest safe load that data allow, 0 where there is none."""
        some = (safe >= lowest) & ~_too_low(self.limits, lowest)
        return np.where(some, np.minimum(np.minimum(safe, highest), self.limits), 0.0)

    def of(self, blend):
        """The load given, the lowest and the highest tested of a blend."""
        return float(self.given[blend]), float(self.lowest[blend]), float(self.highest[blend])

    def steps(self, blend):
        """Steps as (kind, blend, loads, pieces, pots)."""
        looked = self.fit.counts[(self.fit.counts["stress"] == self.stress)
                                 & (self.fit.counts["blend"] == self.fit.blends[blend])]
        if looked.empty:
            return
        usual = max(1, int(looked["n"].median()))
        last = looked[looked["pot"] == looked["pot"].iloc[-1]]["load_pct"]
        poured = tuple(float(np.mean(g)) for g in planned_loads(last, NEAR_PCT))[-MOST_LOADS:]
        for pieces in sorted({usual, max(4, 2 * usual)}):
            yield SAME if pieces == usual else MORE, blend, poured, pieces, 1
            for loads in _ladders(_usual_loads(self.fit, self.at_risk, blend)):
                yield OTHER, blend, loads, pieces, 1

    def judge(self, steps, looks, draws, seed):
        """A table of steps by what looks at them are expected to bring."""
        true, believed, weights = _two_sets(
            self.fit.weights, looks, draws, np.random.default_rng(seed))
        fit, values = self.fit, self.at_risk[believed]
        drawn = {**fit.named, "link": fit.draw_links,
                 "shift": stress_effect(fit.named, fit.stresses.index(self.stress))}
        bank = PotBank(*({name: own[at] for name, own in drawn.items()}
                         for at in (true, believed)), seed)

        def lower(log):
            mean, sd = moments_after(log, weights, values)
            return mean - self.below * sd

        before = lower(np.zeros((1, len(weights))))[0]
        rows = []
        for kind, blend, loads, pieces, pots in steps:
            # Held against the same draws before any look.
            safe = self.safe + lower(bank.total([(blend, loads)] * pots, pieces)) - before
            lowest, highest = self.lowest.copy(), self.highest.copy()
            lowest[blend] = min(lowest[blend], min(loads))
            highest[blend] = max(highest[blend], max(loads))
            given = self._given(safe, lowest, highest)
            after = np.maximum(given, self.none).mean(axis=0)
            gain = float((after - np.maximum(self.given, self.none)).sum())
            wax = pots * pot_wax(pieces, self.series.piece_g or GRAMS_PER_OUNCE, loads, *self.spare)
            rows.append((
                kind, self.fit.blends[blend], loads, pieces, pots, wax, self.given[blend],
                after[blend], float((given[:, blend] > 0).mean()), gain,
                gain / (wax + EVENING_G * pots),
            ))
        return pd.DataFrame(rows, columns=[*_COLUMNS, "score"])


def _ladders(grid):
    """Evenly spaced loads of a pot, two to four, among the loads of a grid."""
    step = grid[1] - grid[0] if len(grid) > 1 else GAPS_PCT[0]
    gaps = {max(step, gap) for gap in GAPS_PCT}
    for number in range(2, MOST_LOADS + 1):
        for gap in sorted(gaps):
            for first in grid:
                loads = tuple(first + gap * i for i in range(number))
                if loads[-1] <= grid[-1] + 1e-9:
                    yield loads


def _pair(analysis, blend):
    """Two dry loads worth smelling against one another, as they were planned: the lowest tested and
    the highest up to the one given, where nobody scored throw."""
    given = analysis.pick.of(blend)["load_pct"]
    counts, pours = analysis.sweat.counts, analysis.series.pours
    wet = counts[[f"g{g}" for g in range(analysis.rules.limit_grade, 5)]].sum(axis=1) > 0
    own = pours[(pours["blend"] == blend) & ~pours["pour"].isin(counts.loc[wet, "pour"])]
    loads = own["planned_load_pct"].fillna(own["load_pct"])
    loads = loads[loads <= given + NEAR_PCT]
    if analysis.throw is not None or loads.empty or loads.max() - loads.min() < 2 * NEAR_PCT:
        return ()
    return float(loads.min()), float(loads.max())


def _usual_loads(fit, at_risk, place):
    """Steps from below the load at risk to past the load at which half of the pieces sweat, not
    far beyond what was tested (% of wax)."""
    lowest, highest = tested_range(fit, fit.blends[place])
    low = weighted_quantile(at_risk[:, place], fit.weights, 0.05)
    high = weighted_quantile(fit.named["capacity"][:, place], fit.weights, 0.95)
    low = np.clip(low, max(_STEP, lowest - 3.0), highest)
    high = np.clip(high + fit.named["spread"].mean(), low + _STEP, highest + 3.0)
    step = _STEP * max(1, int(np.ceil((high - low) / (_STEP * _MOST_GRID))))
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
    true = even_places(weights[order[:cut]], looks, rng.random())
    places = even_places(weights[order[cut:]], draws, rng.random())
    index, counts = np.unique(places, return_counts=True)
    return order[:cut][true], order[cut:][index], counts / counts.sum()
