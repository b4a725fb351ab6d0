"""Graded looks made ready for an ordinal fit: what counts, and what was left out."""

import numpy as np
import pandas as pd

from scentlab.frames import checked, one_of_one
from scentlab.maths.sampling import weighted_quantile
from scentlab.results import FitError
from scentlab.text import count_of

N_GRADES = 5
UNKNOWN_AGE = 1.0  # days
NEAR_PCT = 0.25  # weighed loads nearer than this are one planned load


def planned_loads(loads, near):
    """Weighed loads in order, as one array for each planned load.

    Neighbours that lie no more than ``near`` points apart belong to one planned load.

    >>> [p.tolist() for p in planned_loads([8.1, 5.9, 6.0, 7.95], 0.25)]
    [[5.9, 6.0], [7.95, 8.1]]
    """
    loads = np.sort(np.asarray(loads, dtype=float))
    return np.split(loads, np.flatnonzero(np.diff(loads) > near) + 1)


def settle_looks(grades, test, ages=False):
    """One row per piece and stress, with notes on what was left out or joined.

    Looks of another test are not looked at; those without a grade or without a weighed load are
    left out and noted. Several looks at one
    piece under one stress are one piece of evidence: the worst grade counts. With ``ages`` there
    is a row per piece, stress and age, with the worst grade up to that age. A look of which the
    age is not known counts as of ``UNKNOWN_AGE``, or as the youngest where that is less: so a dry
    piece says little of later days, and a wet one sweated early.

    Raises FitError when nothing is left.
    """
    looks, notes = with_stress(checked(grades, "grades", f"{test} looks")), []
    looks = of_test(looks, test)
    usable = looks["grade"].notna() & looks["load_pct"].notna()
    if (~usable).any():
        pours = ", ".join(sorted(set(looks.loc[~usable, "pour"].astype(str))))
        notes.append(
            f"{int((~usable).sum())} {test} inspections have no grade or no weighed load and were "
            f"left out (test batches {pours})."
        )
    looks = looks[usable]
    if looks.empty:
        raise FitError(f"there are no {test} grades to fit; grade some pieces first")
    one_of_one(looks, f"{test} looks")
    same = ["code", "stress"]
    if ages:
        looks["age_days"] = _known_ages(looks)
        looks = looks.sort_values("age_days", kind="stable")
        looks["grade"] = looks.groupby(same)["grade"].cummax()
        same = [*same, "age_days"]
    worst = looks.sort_values("grade").drop_duplicates(same, keep="last")
    if len(worst) < len(looks):
        again = count_of(len(looks) - len(worst), f"repeated {test} inspection")
        notes.append(f"{again} merged with others of the same piece: the worst grade counts.")
    worst = worst.sort_values("age_days", kind="stable") if ages else worst.sort_index()
    return worst.reset_index(drop=True), tuple(notes)


def of_test(looks, test):
    """The looks without those that say that they are of another test."""
    return looks[looks["test"].isna() | (looks["test"] == test)] if "test" in looks else looks


def with_stress(looks):
    """Looks of which the stress is not known count as at rest."""
    stress = looks["stress"].astype(object)
    return looks.assign(stress=stress.where(stress.notna(), "rest"))


def _known_ages(looks):
    """Days of age (n,), half a day at least."""
    days = pd.to_numeric(looks.get("age_days", pd.Series(np.nan, looks.index)), errors="coerce")
    return days.fillna(np.fmin(days.min(), UNKNOWN_AGE)).clip(lower=0.5).astype(float)


def nearly(days):
    """The age (days) from which a look counts as one at ``days``: less than a day younger, of young
    pieces less than a quarter."""
    return days - min(1.0, days / 4.0)


def next_look(looks, days):
    """The first age, at ``days`` or later, by which half of the pieces of every pour were looked at
    then or later; infinite where they never were. A blend that nobody looked at so late tells
    nothing of it, and holds up no other. A piece that sweated and was put away counts as looked at
    ever after."""
    due = looks["age_days"].clip(lower=days).where(looks["age_days"] > nearly(days))
    pieces = looks.assign(due=due).groupby(["pour", "code"]).agg(
        due=("due", "min"), grade=("grade", "max"))
    due = pieces["due"].fillna(np.inf).mask(pieces["due"].isna() & (pieces["grade"] > 0), days)
    half = due.groupby(level=0).quantile(0.5, interpolation="lower")
    blend = half.index.map(looks.drop_duplicates("pour").set_index("pour")["blend"])
    late = half.groupby(blend).transform("min") < np.inf
    return float(half[late].max() if late.any() else np.inf)


def reached(counts, grade):
    """Pieces of each row of :func:`count_pours` that reached a grade or a higher one: int (n,)."""
    grades = [c for c in counts if c[:1] == "g" and c[1:].isdigit() and int(c[1:]) >= grade]
    return pd.Series(counts[grades].to_numpy(int).sum(axis=1), counts.index)


def by_load(counts, grade, near):
    """Pieces of :func:`count_pours` at each planned load, the lowest first: load_pct (mean),
    lowest, highest, pieces and sweated (that reached the grade)."""
    loads = counts["load_pct"].to_numpy(float)
    groups = planned_loads(loads, near) if len(loads) else []
    ends = [group[-1] for group in groups]
    place = np.searchsorted(ends, loads)

    def total(values):
        return np.bincount(place, values, len(ends)).astype(int)

    return pd.DataFrame({
        "load_pct": [loads[place == i].mean() for i in range(len(ends))],
        "lowest": [group[0] for group in groups], "highest": ends,
        "pieces": total(counts["n"]), "sweated": total(reached(counts, grade))})


def loads_tested(looks, blends):
    """Per blend, in this order, the lowest and highest load of its looks, its pots and pieces."""
    found = looks.groupby("blend").agg(
        lowest_pct=("load_pct", "min"), highest_pct=("load_pct", "max"), pots=("pot", "nunique"),
        pieces=("code", "nunique"))
    return found.loc[list(blends)].reset_index()


def place_of(fit, blend, none="no blend is called", those="fitted"):
    """Place of a blend among those of a fit; FitError, in these words, where it is not there."""
    if blend not in fit.blends:
        raise FitError(f"{none} {blend!r}; {those} were {', '.join(fit.blends)}")
    return fit.blends.index(blend)


def tested_range(fit, blend):
    """The lowest and the highest load (% of wax) of a blend of a fit."""
    row = fit.tested.set_index("blend").loc[blend]
    return float(row["lowest_pct"]), float(row["highest_pct"])


def count_pours(looks):
    """Pieces per pour, stress and grade, each by its last look: pour, pot, blend, load_pct, stress,
    n, g0, g1, ... and, where looks have it, the mean age_days."""
    looks = looks.drop_duplicates(["code", "stress"], keep="last")
    keys = ["pour", "pot", "blend", "load_pct", "stress"]
    seen = {f"g{g}": looks["grade"].eq(g).astype(int) for g in range(N_GRADES)}
    named = {"n": ("code", "size"), **{g: (g, "sum") for g in seen}}
    if "age_days" in looks:
        seen["age_days"] = pd.to_numeric(looks["age_days"], errors="coerce").astype(float)
        named["age_days"] = ("age_days", "mean")
    return looks.assign(**seen).groupby(keys, sort=False, as_index=False).agg(**named)


def risk_table(loads, risks, weights):
    """Loads (L,) with the mean and 90 % limits of weighted draws (S, L) of their risks."""
    lower, upper = weighted_quantile(risks, weights, (0.05, 0.95))
    return pd.DataFrame({"load_pct": np.atleast_1d(np.asarray(loads, float)),
                         "risk": weights @ risks, "lower": lower, "upper": upper})
