"""Precision of a plan before wax is melted: simulated many times, fitted and decided for real."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from scentlab.choosing.rules import Rules
from scentlab.foresight.guess import need_guess
from scentlab.foresight.running import run_series
from scentlab.foresight.simulated import plan_task, run_one
from scentlab.maths.intervals import binomial_limits
from scentlab.maths.threads import one_thread
from scentlab.planning.plan import Plan
from scentlab.planning.refusal import count_of, need, need_whole
from scentlab.results import Result, say_percent
from scentlab.simulate import Truth
from scentlab.units import say_load, say_points

ALL = "all blends"
SHORTFALL, WIDTH = "shortfall of the safe load", "90 % width"
CEILING_OVER, PICK_OVER = "safe load too high", "recommended load too high"
NO_ANSWER, THROW_LOST = "no tested load qualifies", "throw lost"
_POINTS = "points of load (% of wax)"
# Unit and meaning of each measure.
MEASURES = {
    SHORTFALL: (_POINTS, "true load at risk less the highest safe load, where there is one"),
    WIDTH: (_POINTS, "width of the 90 % interval of the load at risk"),
    CEILING_OVER: ("chance", "the highest safe load is above the true load at risk"),
    NO_ANSWER: ("chance", "there is no safe load to be found"),
    PICK_OVER: ("chance", "the recommended load is above the true load at risk"),
    THROW_LOST: ("throw, 0 to 10", "true throw at the best load that is safe, allowed and tested, "
                 "less that at the recommended load"),
}
_FEW = 50
_COLUMNS = ["blend", "measure", "estimate", "se", "series", "unit", "meaning"]


@dataclass(frozen=True, repr=False)
class Precision(Result):
    """What a plan is expected to find.

    table : DataFrame, blend ("all blends" for their mean), measure, estimate, se (Monte Carlo
        error), series (how many the estimate rests on), unit and meaning; measures are those of
        ``MEASURES``.
    truth : DataFrame, blend and its true load at risk under the guess (% of wax).
    series, asked : series that were finished and that were asked for.
    seed : see :func:`precision`.
    """

    table: pd.DataFrame
    truth: pd.DataFrame
    series: int
    asked: int
    seed: int
    notes: tuple = ()

    def of(self, measure, blend=ALL):
        """Estimate and Monte Carlo error of a measure, missing where it was not simulated."""
        own = self.table[(self.table["measure"] == measure) & (self.table["blend"] == blend)]
        return (*own[["estimate", "se"]].to_numpy(float).tolist(), [np.nan, np.nan])[0]

    def limits(self, measure, blend=ALL):
        """Exact 90 % limits of a chance over the simulated series (Clopper and Pearson 1934).

        For all blends the mean over the blends of a series counts as one series, as if its blends
        went alike: the limits are no narrower than they should be.
        """
        own = self.table[(self.table["measure"] == measure) & (self.table["blend"] == blend)]
        share, number = own.iloc[0][["estimate", "series"]]
        return binomial_limits(min(round(share * number, 9), number), int(number), 0.90)

    def _chance(self, measure):
        lower, upper = (100 * limit for limit in self.limits(measure))
        return (
            f"{say_percent(self.of(measure)[0])} of blends (90 % limits {lower:.0f} to "
            f"{upper:.0f} %)"
        )

    @property
    def sentence(self):
        (short, short_error), (value, error) = map(self.of, (SHORTFALL, THROW_LOST))
        lost = ""
        if np.isfinite(value):
            lost = (f" The recommended load gives up {value:.2f} of 10 points of throw "
                    f"({_within(error)}).")
        where = "no safe load was found"
        if np.isfinite(short):
            side = "below" if short >= 0 else "ABOVE"
            where = (f"the highest safe load came out {say_points(abs(short), 2)} "
                     f"{side} the load truly at risk, on average ({_within(short_error)})")
        return (
            f"Poured and scored {count_of(self.series, 'time')} on paper, if the guess holds: "
            f"{where}. It was too high in {self._chance(CEILING_OVER)}; no tested load "
            f"qualified in {self._chance(NO_ANSWER)}.{lost} ± is the Monte Carlo error of these "
            "simulated series."
        )


@one_thread()
def precision(
    plan: Plan, guess: Truth, *, series: int = 200, seed: int, workers: int | None = None,
    rules: Rules | None = None, progress: Callable[[int, int], object] | None = None,
    stop: Callable[[], bool] | None = None, draws: int = 400, throw_every: int = 8,
) -> Precision:
    """What a plan would find if the guess were right.

    The plan is poured and scored ``series`` times by simulation; each series is fitted and
    decided by the functions that a real series goes through.

    Parameters
    ----------
    plan : Plan
    guess : Truth of every blend of the plan (see :func:`guess_truth`).
    series : int, simulated series.
    seed : int; series k has child k of the numpy
        SeedSequence of it, so that the numbers do not depend on workers.
    workers : int, processes; None takes all cores.
    rules : Rules of the pick.
    progress : callable(done, total).
    stop : callable() asked between chunks of series; when true, what is done is returned.
    draws : posterior draws of a link, fewer than a real series has.
    throw_every : the throw is fitted and a load picked in every so many series; 0 for never.

    Returns
    -------
    Precision

    Raises
    ------
    PlanError for a guess that does not fit the plan, or a run that was stopped before any series
    was finished.

    Examples
    --------
    >>> from scentlab.foresight.guess import guess_truth
    >>> from scentlab.planning.plan import Plan
    >>> from scentlab.workshop import demo_plan
    >>> plan = Plan.from_dict(demo_plan())
    >>> guess = guess_truth({blend.name: 10.0 for blend in plan.blends})
    >>> found = precision(plan, guess, series=1, seed=1, workers=1, draws=100, throw_every=0)
    >>> found.series
    1
    """
    rules = rules or Rules()
    need_guess(plan, guess)
    need_whole(seed, "seed", 0, 2**63 - 1)
    need_whole(draws, "draws", 100, 100_000)
    need_whole(throw_every, "throw_every", 0, 1_000_000, "series")
    task = plan_task(plan, guess, rules, draws, seed, throw_every)
    work = partial(run_one, task)
    outcomes = run_series(work, series, workers=workers, progress=progress, stop=stop)
    need(outcomes, "the run was stopped before any series finished", "start it again")
    return _summary(task, outcomes, series)


def _summary(task, outcomes, asked):
    frame = pd.DataFrame([
        {"number": n, "true": task.at_risk[o["blend"]], "picked": False, "pick": None,
         "throw_lost": None, "failed": None, **o}
        for n, series in enumerate(outcomes) for o in series
    ])
    for name in ("ceiling", "width", "pick", "throw_lost"):
        frame[name] = frame[name].astype(float)
    rows = [row for blend in [*task.at_risk, ALL] for row in _measures(frame, blend)]
    truth = pd.DataFrame(
        {"blend": list(task.at_risk), "load_at_risk_pct": list(task.at_risk.values())}
    )
    return Precision(
        pd.DataFrame(rows, columns=_COLUMNS), truth, len(outcomes), asked, task.seed,
        _notes(task, frame, asked),
    )


def _within(error):
    return f"± {error:.2f}" if np.isfinite(error) else "error not known"


def _measures(frame, blend):
    """The rows of one blend, or those of all: within a series blends are averaged first, for
    those of one series are alike."""
    own = frame if blend == ALL else frame[frame["blend"] == blend]
    picked = own[own["picked"].astype(bool)]
    each = [(SHORTFALL, _mean, own["true"] - own["ceiling"]), (WIDTH, _mean, own["width"]),
            (CEILING_OVER, _share, own["ceiling"] > own["true"]),
            (NO_ANSWER, _share, own["ceiling"].isna())]
    if len(picked):
        each += [(PICK_OVER, _share, picked["pick"] > picked["true"]),
                 (THROW_LOST, _mean, picked["throw_lost"])]
    for measure, over_series, values in each:
        yield blend, measure, *over_series(values, own["number"]), *MEASURES[measure]


def _mean(values, number):
    """Mean over series, its error, and how many series there are; a series counts as one."""
    each = values.dropna().groupby(number).mean()
    return each.mean(), each.sem(), len(each)


def _share(hits, number):
    """Share of hits and its error over series; never 0, for none of n seen is not never.

    With one blend two hits and two misses are added for the error (Agresti and Coull 1998).
    """
    each = hits.astype(float).groupby(number).mean()
    n, share = len(each), float(each.mean())
    eased = (n * share + 2.0) / (n + 4.0)
    least = np.sqrt(eased * (1.0 - eased) / n)
    return share, float(each.sem() if len(hits) > n > 1 and each.std() > 0 else least), n


def _notes(task, frame, asked):
    done = frame["number"].nunique()
    notes = [
        "All of this rests on the guess that half of the pieces sweat at "
        + ", ".join(f"{say_load(t.capacity)} ({b})" for b, t in task.truth.blends.items())
        + f", spread {task.truth.spread:g} points of load, sd between pots "
        f"{task.truth.pot_sd:g}.",
        f"Each series was fitted with {task.draws} posterior draws of a link, fewer than a real "
        "one; frost was left out because it moves neither load.",
    ]
    if done < _FEW:
        notes.insert(0, f"{done} series are too few to judge a plan; simulate at least {_FEW}.")
    if done < asked:
        notes.insert(0, f"The run was stopped: {done} of {asked} series are finished.")
    if task.throw_every != 1:
        number = frame.loc[frame["picked"].astype(bool), "number"].nunique()
        notes.append(f"The throw was fitted, and a load recommended, in {number} of the series.")
    failed = frame[frame["failed"].notna()]
    if len(failed):
        notes.append(
            f"{failed['number'].nunique()} series could not be fitted and count as no answer; the "
            f"first error was: {failed['failed'].iloc[0]}."
        )
    return tuple(notes)
