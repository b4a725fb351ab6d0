"""The pair test: how often the higher load was named, and how many points of throw that is."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scentlab.fitting.looks import NEAR_PCT, planned_loads
from scentlab.fitting.throw import SURE, ThrowFit, fit_throw, pair_draws
from scentlab.fitting.throw_pairs import order_habits
from scentlab.maths.paired import agreeing_chance, least_agreeing, named_chance, pairs_for
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result, wanted
from scentlab.schema import THROW_WORDS
from scentlab.series import A_SERIES, Series
from scentlab.text import capital, count_of
from scentlab.units import say_percent_of_wax, say_points

LEVEL, BOUND = 0.05, 0.90


@dataclass(frozen=True, repr=False)
class PairTest(Result):
    """Comparisons of two loads of a blend, side by side.

    table : DataFrame, one row per blend, kind of throw and two loads (% of wax): blend, kind,
        low_pct, high_pct, pairs, higher (times that the higher load was named), first (times that
        the piece smelt first was), testers, batches (of the load that has fewer), least (times
        that are needed to call the higher one stronger, 5 % one-sided), p_value (exact,
        one-sided), habits (testers whose answers follow the order, in words), difference (points
        of throw, high less low, median), lower, upper (90 %), most (points that the difference
        does not pass, 90 %), alike, stronger, weaker (chances that it is within the loss, above
        it, and below minus the loss). The points leave out who has a habit, and are not known
        where nobody is left. loss : points of throw of no
        account.
    """

    table: pd.DataFrame
    loss: float
    notes: tuple = ()

    def words(self, blend: str | None = None, kind: str | None = None) -> tuple:
        """A few sentences (without the last full stop) for each two loads compared."""
        return tuple(_words(r, self.loss) for r in self.table.itertuples()
                     if blend in (None, r.blend) and kind in (None, r.kind))

    @property
    def sentence(self) -> str:
        return " ".join(f"{words}." for words in self.words())


@one_thread()
def pair_test(
    series: Series, fit: ThrowFit | None = None, loss: float = 0.5, *, draws: int = 2000,
    seed: int = 1,
) -> PairTest:
    """Count the pairs of a series, test them exactly, and say the difference in points of throw.

    Parameters
    ----------
    series : Series with pairs. fit : ThrowFit of scores and pairs of its kind, as ``analyse``
        makes it; fitted here where it is None or of another kind.
    loss : points of throw that are of no account, as in the rule of the recommended load.
    draws, seed : of the fits that are made here.

    Returns
    -------
    PairTest. "Was not smelt" is an equivalence: the chance that the difference is within the
    loss is 80 % or more. It is never a test that merely failed.

    Raises
    ------
    FitError when no two loads of a blend were compared.

    Notes
    -----
    Counts as in ISO 5495 (paired comparison, forced choice); the model is Thurstone's.

    Examples
    --------
    >>> from scentlab.simulate import small_series
    >>> pair_test(small_series(throw=1))
    Traceback (most recent call last):
    scentlab.results.FitError: no two loads of a blend were compared; plan pairs of two dry loads
    """
    pairs, rows, notes = wanted(series, "throws", A_SERIES).pairs, [], []
    for kind in dict.fromkeys(pairs["kind"]):
        counted = list(_counted(pairs[pairs["kind"] == kind], order_habits(pairs, kind)))
        if counted and (fit is None or fit.kind != kind):
            fit = _fit(series, kind, draws, seed)
        rows += [{**row, **_points(row, fit, loss)} for row in counted]
    if not rows:
        raise FitError("no two loads of a blend were compared; plan pairs of two dry loads")
    for row in rows:
        notes += _notes(row)
    return PairTest(pd.DataFrame(rows), loss, tuple(notes))


def _fit(series, kind, draws, seed):
    """The fit of a kind of throw; None where all answers follow the order and nothing is left."""
    try:
        return fit_throw(series.throws, kind, pairs=series.pairs, draws=draws, seed=seed)
    except FitError:
        if not order_habits(series.pairs, kind):
            raise
        return None


def _counted(pairs, habits):
    own = pairs[pairs["blend"] == pairs["second_blend"]].astype(
        {"load_pct": float, "second_load_pct": float})
    for blend, of in own.groupby("blend", sort=False):
        groups = planned_loads([*of["load_pct"], *of["second_load_pct"]], NEAR_PCT)
        means = np.array([g.mean() for g in groups])
        place = [np.abs(of[[n]].to_numpy() - means).argmin(axis=1)
                 for n in ("load_pct", "second_load_pct")]
        named_first = of["stronger"].eq("first").to_numpy()
        for low, high in sorted({(min(t), max(t)) for t in zip(*place, strict=True)}):
            here = (np.minimum(*place) == low) & (np.maximum(*place) == high)
            if low == high:
                continue
            higher = int((here & (named_first == (place[0] == high))).sum())
            n = int(here.sum())
            yield {
                "blend": blend, "kind": of["kind"].iloc[0], "low_pct": means[low],
                "high_pct": means[high], "pairs": n, "higher": higher,
                "first": int((here & named_first).sum()),
                "testers": int(of.loc[here, "assessor"].nunique()),
                "batches": int(min(n.nunique() for n in _batches(of[here], place[0][here] == low))),
                "least": least_agreeing(n, LEVEL), "p_value": agreeing_chance(higher, n),
                "habits": ", ".join(habits[t] for t in sorted({*of.loc[here, "assessor"]})
                                    if t in habits),
            }


def _batches(of, low_first):
    """The batches of the lower and of the higher load, a label for each comparison."""
    one, other = of["pour"].to_numpy(), of["second_pour"].to_numpy()
    return [pd.Series(np.where(first, one, other)) for first in (low_first, ~low_first)]


def _points(counted, fit, loss):
    """The difference in points of throw by the fit of scores and pairs."""
    blend = counted["blend"]
    if fit is None or blend not in fit.blends:
        return dict.fromkeys(("difference", "lower", "upper", "most", "alike", "stronger",
                              "weaker"), np.nan)
    drawn = pair_draws(fit, blend, counted["high_pct"], blend, counted["low_pct"])
    lower, middle, upper = np.quantile(drawn, [0.05, 0.5, 0.95])
    return {
        "difference": middle, "lower": lower, "upper": upper,
        "most": float(np.quantile(np.abs(drawn), BOUND)),
        "alike": float(np.mean(np.abs(drawn) <= loss)), "stronger": float(np.mean(drawn > loss)),
        "weaker": float(np.mean(drawn < -loss)),
    }


def _notes(row):
    n, (low, high) = row["pairs"], (say_percent_of_wax(row[x]) for x in ("low_pct", "high_pct"))
    two = f"{row['blend']}, {low} and {high}"
    if n > row["testers"]:
        yield (f"{two}: {n} pairs by {count_of(row['testers'], 'tester')}. The count treats them "
               "as independent; the points allow for differences between testers.")
    if row["batches"] == 1:
        yield (f"{two}: Only one batch of each load was compared, and batches of one load differ "
               "too. Pairs from a second pot would make the answer surer.")
    most = max(row["first"], n - row["first"])
    if not row["habits"] and agreeing_chance(most, n, 2) < LEVEL:
        which = "first" if row["first"] == most else "second"
        yield (f"{two}: the piece smelt {which} was named {most} of {n} times. Order matters to "
               "your testers, so keep it balanced, as planned.")


def _words(row, loss):
    """The counts, what they say in points, and whose answers follow the order."""
    low, high = say_percent_of_wax(row.low_pct), say_percent_of_wax(row.high_pct)
    throw = f"{THROW_WORDS[row.kind]} throw"
    enough = (f"{row.least} show a difference" if row.least <= row.pairs else
              "too few pairs to show a difference")
    said = (f"Of {row.pairs} pairs of {low} and {high} the higher load was named stronger "
            f"{row.higher} times ({enough})")
    said = f"{said}. {_points_words(row, loss, high, throw)}"
    if not row.habits:
        return said
    return (f"{said}. {row.habits}: that follows the order, not the smell, so the points of throw "
            "leave these pairs out. Compare them again another day, with a pause between the two "
            "pieces")


def _points_words(row, loss, high, throw):
    step = f"a step of {say_points(row.high_pct - row.low_pct)}"
    between = f"90 %: {row.lower:.1f} to {row.upper:.1f}"
    if row.alike >= SURE:
        return (f"{capital(step)} was not noticed: the difference is at most {row.most:.1f} "
                f"points of {throw} ({100 * BOUND:.0f} % sure)")
    if row.stronger >= SURE:
        return f"{high} has {row.difference:.1f} points more {throw} ({between})"
    if row.weaker >= SURE:
        between = f"90 %: {-row.upper:.1f} to {-row.lower:.1f}"
        return f"{high} has {-row.difference:.1f} points less {throw} ({between})"
    opened = f"They leave open whether anyone smells {step}"
    if np.isnan(row.difference):
        return opened
    wanted = pairs_for(float(named_chance(loss)))
    return (f"{opened}: difference in points of {throw} ({between}). About {wanted} pairs would "
            f"find {loss:g}")
