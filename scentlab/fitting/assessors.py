"""Who of a panel scored unlike the others, and who knows the fragrance too well."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from scentlab.fitting.throw_model import MEDIANS

AGAINST, APART, RANDOM = "against the others", "hardly with the others", "at random"
OF_TWO = ("hardly any rise with more fragrance where the other tester did; a third would show who "
          "is right")
# One panel in a hundred or so has a sound assessor flagged by a rule.
WRONGLY = 0.01
STEP = 0.5  # points: to which scores are given
LEAST_POURS = 5


@dataclass(frozen=True)
class Agreement:
    """How an assessor's means per pour follow those of the others: slope, its se, scatter, df."""

    slope: float
    se: float
    scatter: float
    df: int


def agreements(scores, shifts):
    """dict of assessor to :class:`Agreement`, for those who scored enough pours with others. With
    the ``shifts`` of the assessors the others' mean does not depend on who of them smelt a pour."""
    moved = scores["throw"] - scores["assessor"].map(shifts)
    cells = moved.groupby([scores["assessor"], scores["pour"]]).agg(["sum", "count"]).unstack()
    own, number = (cells[name].fillna(0).to_numpy(float) for name in ("sum", "count"))
    others, rest = own.sum(axis=0) - own, number.sum(axis=0) - number
    found = {}
    for i, assessor in enumerate(cells.index):
        both = (number[i] > 0) & (rest[i] > 0)
        if both.sum() >= LEAST_POURS:
            found[assessor] = _line(others[i, both] / rest[i, both], own[i, both] / number[i, both])
    return found


def _line(x, y):
    x, y = x - x.mean(), y - y.mean()
    spread, df = max(x @ x, 1e-12), len(x) - 2
    slope = x @ y / spread
    scatter = np.sum((y - slope * x) ** 2) / df
    return Agreement(float(slope), float(np.sqrt(scatter / spread)), float(scatter), df)


def over_loads(scores):
    """dict of assessor to the :class:`Agreement` of his means per pour with the load, for those who
    scored enough pours. Levels of blends do not matter."""
    pours = scores.groupby(["assessor", "blend", "pour"], as_index=False)[["load_pct", "throw"]]
    pours = pours.mean()
    pours[["x", "y"]] = pours[["load_pct", "throw"]] - pours.groupby(["assessor", "blend"])[
        ["load_pct", "throw"]].transform("mean")
    return {who: _line(own["x"].to_numpy(), own["y"].to_numpy())
            for who, own in pours.groupby("assessor") if len(own) >= LEAST_POURS}


def parted(scores):
    """dict of one assessor of two to ``OF_TWO`` where his means per pour hardly rise with the load
    and those of the other do; else empty."""
    found = over_loads(scores)
    if len(found) != 2 or scores["assessor"].nunique() != 2:
        return {}
    return {who: OF_TWO for (who, own), other in zip(
        found.items(), reversed(found.values()), strict=True) if _apart(own, [other])}


def unlike(found, lines):
    """dict of assessor to how he scored: ``AGAINST``, ``APART`` or ``RANDOM``, by
    :func:`agreements` and :func:`over_loads`. Needs three people.

    Against: his scores fall where the others' rise. Hardly with: the others follow each other and
    his slope is under a third of theirs. At random: he does not follow the others, and his scatter
    about a line over the loads, which owes nothing to them, is far above theirs.
    """
    if len(found) < 3:
        return {}
    named, lines = {}, {name: lines[name] for name in found}
    for assessor, own in found.items():
        others = [a for name, a in found.items() if name != assessor]
        how = _how(own, others, _as_wild(assessor, lines), WRONGLY / len(found))
        if how:
            named[assessor] = how
    return named


def _as_wild(assessor, lines):
    """The chance of a scatter so far above that of the others."""
    own, others = lines[assessor], [a for name, a in lines.items() if name != assessor]
    df = sum(a.df for a in others)
    # One who gives everything the same score must not make the others look wild.
    usual = max(sum(a.df * a.scatter for a in others) / df,
                np.median([a.scatter for a in lines.values()]))
    return special.fdtrc(own.df, df, own.scatter / max(usual, STEP**2))


def _how(own, others, as_wild, chance):
    t = own.slope / max(own.se, 1e-9)
    if special.stdtr(own.df, t) < chance:
        return AGAINST
    if as_wild < chance and t < special.stdtrit(own.df, 0.99):
        return RANDOM
    return APART if _apart(own, others) else ""


def _apart(own, others):
    """Whether the others' slopes are sure and his is at most a third of theirs."""
    usual = np.median([a.slope for a in others])
    steady = np.median([a.slope / max(a.se, 1e-9) for a in others])
    most = own.slope + special.stdtrit(own.df, 0.99) * own.se
    return bool(steady > 4 and most < usual / 3)


def slipped(scores):
    """The place of the score that is unlikely to be one of the others', and what they make likely;
    None where there is none.

    The largest externally studentised residual of a parabola over the loads of each blend with a
    level of each tester, by Bonferroni over all scores. Near an end of the scale all scores
    scatter less than testers do, so no less than the usual scatter is taken.
    """
    testers, blends = (pd.get_dummies(scores[n], dtype=float) for n in ("assessor", "blend"))
    load = scores["load_pct"].to_numpy(float)[:, None] / scores["load_pct"].max()
    left, size, _ = np.linalg.svd(
        np.column_stack([testers, *(blends * load**k for k in range(3))]), full_matrices=False)
    left, y = left[:, size > 1e-9 * size[0]], scores["throw"].to_numpy(float)
    df, free = len(y) - left.shape[1] - 1, np.maximum(1.0 - np.sum(left**2, axis=1), 1e-9)
    if df < 1:
        return None
    rest = y - left @ (left.T @ y)
    variance = np.maximum((rest @ rest - rest**2 / free) / df, MEDIANS["score"] ** 2)
    t = np.abs(rest) / np.sqrt(variance * free)
    place = int(t.argmax())
    sure = 2 * len(y) * special.stdtr(df, -t[place]) < WRONGLY
    return (place, y[place] - rest[place] / free[place]) if sure else None


def works_with(scores):
    """Codes of the assessors marked in any score as working with the fragrance."""
    if "works_with_fragrance" not in scores:
        return ()
    yes = scores["works_with_fragrance"].map(lambda v: v is True or str(v).lower() in _YES)
    return tuple(sorted(set(scores.loc[yes.astype(bool), "assessor"].astype(str))))


_YES = ("yes", "true", "1", "1.0")
