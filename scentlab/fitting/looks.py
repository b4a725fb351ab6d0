"""Graded looks made ready for an ordinal fit: what counts, and what was left out."""

import numpy as np
import pandas as pd

from scentlab.results import FitError


def planned_loads(loads, near):
    """Weighed loads in order, as one array for each planned load.

    Neighbours that lie no more than ``near`` points apart belong to one planned load.

    >>> [p.tolist() for p in planned_loads([8.1, 5.9, 6.0, 7.95], 0.25)]
    [[5.9, 6.0], [7.95, 8.1]]
    """
    loads = np.sort(np.asarray(loads, dtype=float))
    return np.split(loads, np.flatnonzero(np.diff(loads) > near) + 1)


def settle_looks(grades, test):
    """One row per piece and stress, with notes on what was left out or joined.

    Looks without a grade or without a weighed load are left out and noted. Several looks at one
    piece under one stress are one piece of evidence: the worst grade counts.

    Raises FitError when nothing is left.
    """
    needed = {"code", "pour", "pot", "blend", "load_pct", "stress", "grade"}
    missing = sorted(needed - set(grades.columns))
    if missing:
        raise FitError(f"the {test} looks lack the columns {', '.join(missing)}")
    looks = grades.copy()
    looks["stress"] = looks["stress"].astype(object).where(looks["stress"].notna(), "rest")
    notes = []
    usable = looks["grade"].notna() & looks["load_pct"].notna()
    if (~usable).any():
        pours = ", ".join(sorted(set(looks.loc[~usable, "pour"].astype(str))))
        notes.append(
            f"{int((~usable).sum())} {test} looks have no grade or no weighed load and were left "
            f"out (pours {pours})."
        )
    looks = looks[usable]
    if looks.empty:
        raise FitError(f"there is no {test} grade to fit; grade some pieces first")
    if looks["load_pct"].nunique() < 2:
        raise FitError(
            f"all {test} grades are of one load, {looks['load_pct'].iloc[0]:.1f} % of wax; "
            "a fit needs at least two loads"
        )
    worst = looks.sort_values("grade").drop_duplicates(["code", "stress"], keep="last")
    if len(worst) < len(looks):
        notes.append(
            f"{len(looks) - len(worst)} repeated {test} looks were joined with others at the same "
            "piece: the worst grade counts."
        )
    return worst.sort_index().reset_index(drop=True), tuple(notes)


def count_pours(looks, n_grades):
    """Pieces per pour, stress and grade: pour, pot, blend, load_pct, stress, n, g0, g1, ..."""
    keys = ["pour", "pot", "blend", "load_pct", "stress"]
    # Sorting is by first appearance, so that rows and groups go together.
    group = looks.groupby(keys, sort=False).ngroup().to_numpy()
    first = looks.drop_duplicates(keys)[keys].reset_index(drop=True)
    counts = np.zeros((len(first), n_grades), dtype=int)
    np.add.at(counts, (group, looks["grade"].to_numpy(int)), 1)
    grades = pd.DataFrame(counts, columns=[f"g{i}" for i in range(n_grades)])
    return pd.concat([first, grades.sum(axis=1).rename("n"), grades], axis=1)
