"""Bleed: the oil that a weighed blotter takes up, level below each blend's capacity and rising
beyond it. A second witness on the capacity, on a scale in mg that no eye has to grade.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import special

from scentlab.fitting.looks import planned_loads
from scentlab.maths.hinge import (
    HingeProblem,
    f_drop,
    floor_freedom,
    hinge,
    join_freedom,
    join_limits,
    join_profile,
)
from scentlab.maths.intervals import likelihood_drop
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.units import say_load

INSIDE = "inside the tested loads"
NO_RISE = "no rise up to the highest load tested"
NO_LEVEL = "rising from the lowest load tested"
# Loads nearer than this count as one planned load: a pour is weighed to a few hundredths.
NEAR_PCT = 0.3
FEWEST_LOADS = 3


@dataclass(frozen=True, repr=False)
class BleedFit(Result):
    """A fitted hinge of bleed over load.

    Attributes
    ----------
    blends : tuple of names.
    joins : DataFrame, one row per blend: blend, join_pct (best capacity, % of wax; infinite when
        bleed does not rise), lower_pct and upper_pct (infinite where open), state, and the degrees
        of freedom of a floor and of a join, floor_df and join_df.
    floor, slope, join : arrays (D, B), draws of the level below the join (mg), of the rise beyond
        it (mg per point of load) and of the join (% of wax, taken between the tested loads).
    profile : DataFrame: blend, load_pct, drop; how far the log-likelihood with the capacity there
        lies below its highest, on the scale on which 1.92 bounds 95 %.
    sd_pots, sd_error : standard deviations between pots and between pours of a pot (mg).
    points : DataFrame, mean per pour: blend, pot, pour, load_pct, bleed_mg, weighings.
    tested : DataFrame, one row per blend: blend, lowest_pct, highest_pct, pots, pours.
    hours, temp_c : the one condition that was fitted; missing when it was not recorded.
    confidence : float, of the intervals.
    """

    blends: tuple
    joins: pd.DataFrame
    floor: np.ndarray
    slope: np.ndarray
    join: np.ndarray
    profile: pd.DataFrame
    sd_pots: float
    sd_error: float
    points: pd.DataFrame
    tested: pd.DataFrame
    hours: float
    temp_c: float
    confidence: float
    notes: tuple = field(default=())

    @property
    def table(self):
        """Capacity, floor and slope per blend, then the standard deviations.

        The capacity is the best join with its profile limits; each se is what gives the limits
        by Student's t, and is missing where a side is open.
        """
        rows = []
        tails = (0.5 - self.confidence / 2.0, 0.5 + self.confidence / 2.0)
        for b, row in enumerate(self.joins.itertuples()):
            floor, slope = self.floor[:, b], self.slope[:, b]
            for name, middle, (lower, upper), df, unit in (
                (f"capacity of {row.blend} by bleed", row.join_pct,
                 (row.lower_pct, row.upper_pct), row.join_df, "% of wax"),
                (f"bleed below it, {row.blend}", np.median(floor), np.quantile(floor, tails),
                 row.floor_df, "mg"),
                (f"rise beyond it, {row.blend}", np.median(slope), np.quantile(slope, tails),
                 row.join_df, "mg per % of wax"),
            ):  # fmt: skip
                width = upper - lower if np.isfinite(upper - lower) else np.nan
                se = width / (2.0 * special.stdtrit(df, tails[1]))
                rows.append((name, middle, se, lower, upper, unit))
        for name, sd in (("sd between pots", self.sd_pots), ("sd of a pour", self.sd_error)):
            rows.append((name, sd, np.nan, np.nan, np.nan, "mg"))
        return pd.DataFrame(rows, columns=["parameter", "estimate", "se", "lower", "upper", "unit"])

    @property
    def sentence(self):
        parts = [f"{r.blend} {self._words(r)}" for r in self.joins.itertuples()]
        return f"Bleed{_condition_words(self.hours, self.temp_c)} begins to rise at: " + (
            "; ".join(parts) + "."
        )

    def _words(self, row):
        interval = f"{100 * self.confidence:.0f} % interval"
        tested = self.tested.set_index("blend").loc[row.blend]
        if row.state == NO_RISE:
            where = f"no load up to {say_load(tested['highest_pct'])}"
        else:
            where = say_load(row.join_pct)
        return f"{where}, {interval} {say_open(row.lower_pct, row.upper_pct)}"


@one_thread()
def fit_bleed(bleeds, *, confidence=0.90, draws=2000, seed=1):
    """Fit bleed over load by a hinge per blend, with pots as whole plots: a :class:`BleedFit`.

    bleed = floor_b + slope_b max(0, load - capacity_b) + pot + error, slope_b >= 0, by least
    squares, limits by the profile likelihood (Hudson 1966). Pieces of one pour share its load and
    its stirring, so their mean is one observation. Of the columns code, pour, pot, blend, load_pct
    (% of wax), bleed_mg, hours and temp_c only the most common pair of hours and temperature is
    fitted. Raises FitError when there is too little to fit.
    """
    weighings, notes = _settle(bleeds)
    weighings, (hours, temp_c), more = _one_condition(weighings)
    notes += more
    points, more = _enough_loads(_pour_means(weighings))
    notes += more
    blends = tuple(dict.fromkeys(points["blend"]))
    problem = _problem(points, blends)
    variances = problem.variances()
    rows = [_join_row(problem, b, blend, confidence) for b, blend in enumerate(blends)]
    joins = pd.DataFrame(rows)
    profile = [_profile_of(problem, b, blend) for b, blend in enumerate(blends)]
    floor, slope, join = _draw_curves(problem, profile, variances, draws, seed)
    tested = _tested(points)
    notes += _join_notes(joins, tested) + _pot_notes(problem, points, blends)
    sds = np.sqrt(variances)
    return BleedFit(
        blends=blends, joins=joins, floor=floor, slope=slope, join=join,
        profile=pd.concat(profile, ignore_index=True), sd_pots=float(sds[0]),
        sd_error=float(sds[1]), points=points, tested=tested, hours=hours, temp_c=temp_c,
        confidence=confidence, notes=notes,
    )  # fmt: skip


@one_thread()
def bleed_curve(fit, blend, loads):
    """Mean bleed of a blend in a typical pot at loads (% of wax), with its interval.

    Returns a DataFrame of load_pct, bleed_mg (median), lower and upper (mg), missing outside the
    loads tested with the blend. Raises FitError for a blend that was not weighed.
    """
    if blend not in fit.blends:
        raise FitError(f"no blend is called {blend!r}; weighed were {', '.join(fit.blends)}")
    b = fit.blends.index(blend)
    loads = np.atleast_1d(np.asarray(loads, dtype=float))
    values = hinge(loads, fit.floor[:, [b]], fit.slope[:, [b]], fit.join[:, [b]])
    tails = [0.5 - fit.confidence / 2.0, 0.5, 0.5 + fit.confidence / 2.0]
    lower, middle, upper = np.quantile(values, tails, axis=0)
    tested = fit.tested.set_index("blend").loc[blend]
    outside = (loads < tested["lowest_pct"] - 1e-9) | (loads > tested["highest_pct"] + 1e-9)
    frame = pd.DataFrame({"load_pct": loads, "bleed_mg": middle, "lower": lower, "upper": upper})
    frame.loc[outside, ["bleed_mg", "lower", "upper"]] = np.nan
    return frame


def capacity_drop(fit, blend, loads):
    """How far the log-likelihood of the bleed drops with the blend's capacity at loads (% of wax).

    Outside the tested loads it is as at their ends.
    """
    return _between(fit.profile[fit.profile["blend"] == blend], loads)


def _between(profile, loads):
    """The drop at loads: its root, which is nearly straight, between the points of the profile."""
    roots = np.sqrt(profile["drop"].to_numpy(float))
    return np.interp(loads, profile["load_pct"].to_numpy(float), roots) ** 2


def say_open(lower, upper):
    """An interval of loads in words, open sides named.

    >>> say_open(9.46, 9.91), say_open(5.1, np.inf), say_open(-np.inf, 8.0)
    ('9.5 to 9.9', 'from 5.1, open above', 'up to 8.0, open below')
    """
    if np.isfinite(lower) and np.isfinite(upper):
        return f"{lower:.1f} to {upper:.1f}"
    if np.isfinite(lower):
        return f"from {lower:.1f}, open above"
    return f"up to {upper:.1f}, open below" if np.isfinite(upper) else "open on both sides"


def _condition_words(hours, temp_c):
    if pd.isna(hours) and pd.isna(temp_c):
        return ""
    time = "an unrecorded time" if pd.isna(hours) else f"{hours:g} h"
    return f" in {time} at " + (
        "an unrecorded temperature" if pd.isna(temp_c) else f"{temp_c:g} °C"
    )


def _settle(bleeds):
    usable = bleeds["bleed_mg"].notna() & bleeds["load_pct"].notna()
    if not usable.any():
        raise FitError("there is no bleed to fit; weigh blotters, or leave bleed out")
    lost = int((~usable).sum())
    notes = ()
    if lost:
        notes = (f"{lost} bleed weighings have no value or no weighed load and were left out.",)
    return bleeds[usable].reset_index(drop=True), notes


def _one_condition(weighings):
    """The weighings of the most common pair of hours and temperature, that pair, and a note."""
    pairs = weighings[["hours", "temp_c"]].astype(float)
    number = pairs.groupby(["hours", "temp_c"], dropna=False, sort=False).ngroup()
    most = number.mode().iloc[0]
    own = number == most
    pair = tuple(pairs[own].iloc[0])
    if own.all():
        return weighings, pair, ()
    note = (
        f"Bleed was weighed under {number.nunique()} conditions; only the most common,"
        f"{_condition_words(*pair) or ' not recorded'}, is fitted, and {int((~own).sum())} of "
        f"{len(own)} weighings were left out."
    )
    return weighings[own].reset_index(drop=True), pair, (note,)


def _pour_means(weighings):
    keys = ["blend", "pot", "pour", "load_pct"]
    grouped = weighings.astype({"bleed_mg": float, "load_pct": float}).groupby(keys, sort=False)
    return grouped["bleed_mg"].agg(["mean", "size"]).reset_index().rename(
        columns={"mean": "bleed_mg", "size": "weighings"}
    )


def _enough_loads(points):
    """Points of the blends with loads enough for a hinge, and a note on the others."""
    numbers = {
        blend: len(planned_loads(own["load_pct"], NEAR_PCT))
        for blend, own in points.groupby("blend", sort=False)
    }
    few = {blend: n for blend, n in numbers.items() if n < FEWEST_LOADS}
    words = ", ".join(f"{blend} ({n})" for blend, n in few.items())
    kept = points[~points["blend"].isin(few)].reset_index(drop=True)
    if kept.empty:
        raise FitError(
            f"bleed was weighed at too few loads: {words}; a join needs at least "
            f"{FEWEST_LOADS} loads of a blend"
        )
    if len(kept) <= 3 * kept["blend"].nunique():
        raise FitError(
            f"{len(kept)} pours with a weighed bleed cannot settle a floor, a rise and a join of "
            f"each of {kept['blend'].nunique()} blends; weigh more pours"
        )
    return kept, bool(few) * (
        f"Bleed was weighed at fewer than {FEWEST_LOADS} loads of {words}: left out of the fit.",
    )


def _problem(points, blends):
    place = points["blend"].map({b: i for i, b in enumerate(blends)}).to_numpy(int)
    pot = pd.factorize(points["pot"].astype(str))[0]
    return HingeProblem(points["load_pct"].to_numpy(), points["bleed_mg"].to_numpy(), place, pot)


def _join_row(problem, b, blend, confidence):
    join = float(problem.best_joins[b])
    lower, upper = join_limits(problem, b, *(f_drop(problem, confidence, k) for k in (1, 2)))
    state = INSIDE if join > problem.knots(b)[0] else NO_LEVEL
    return {
        "blend": blend, "join_pct": join, "lower_pct": lower, "upper_pct": upper,
        "state": state if np.isfinite(join) else NO_RISE,
        "floor_df": floor_freedom(problem), "join_df": join_freedom(problem),
    }  # fmt: skip


def _profile_of(problem, b, blend):
    """The profile of one join, so scaled that chi-square drops bound what the F test bounds."""
    joins, drops = join_profile(problem, b)
    one, two = (f_drop(problem, 0.95, k) for k in (1, 2))
    # That nothing rises is further from a hinge, by a parameter, than another hinge is.
    drops[-1] = max(drops[-1] - (two - one), 0.0)
    scale = likelihood_drop(0.95) / one
    return pd.DataFrame({"blend": blend, "load_pct": joins, "drop": scale * drops})


def _draw_curves(problem, profile, variances, size, seed):
    """Draws (D, B) of floor, slope and join: the join by its profile, the others given it."""
    rng = np.random.default_rng(seed)
    drawn = [_draw_one(problem, b, own, variances, size, rng) for b, own in enumerate(profile)]
    return tuple(np.column_stack(columns) for columns in zip(*drawn, strict=True))


def _draw_one(problem, b, profile, variances, size, rng):
    """Draws of one floor, slope and join, with tails of Student's t.

    A floor is judged by the pots, a slope by the pours within them.
    """
    loads, drops = profile["load_pct"].to_numpy(), profile["drop"].to_numpy()
    fine = np.linspace(loads[0], loads[-1], 401)
    weight = np.exp(-_between(profile, fine))
    # An exact hinge has its whole weight at one point, which the even grid may miss.
    fine, weight = np.append(fine, loads[np.argmin(drops)]), np.append(weight, weight.sum() * 1e-9)
    place = rng.choice(len(fine), size=size, p=weight / weight.sum())
    rows = problem.own[b]
    pot = problem.pot[rows]
    covariance = variances[1] * np.eye(len(rows)) + variances[0] * (pot[:, None] == pot)
    inverse = np.linalg.inv(covariance) if variances.any() else np.eye(len(rows))
    # One tail for both, widened for each by its own degrees of freedom.
    df = np.array([floor_freedom(problem), join_freedom(problem)], dtype=float)
    tails = np.sqrt(df / special.chdtri(df, rng.uniform(size=(size, 1)))) * variances.any()
    x = np.maximum(0.0, problem.x[rows] - fine[:, None])
    design = np.stack([np.ones_like(x), x], axis=-1)
    across = np.swapaxes(design, 1, 2) @ inverse
    spread = np.linalg.pinv(across @ design)
    centre = (spread @ (across @ problem.y[rows])[..., None])[..., 0]
    bend, axes = np.linalg.eigh(spread)
    root = axes * np.sqrt(np.maximum(bend, 0.0))[:, None, :]
    away = (root[place] @ rng.standard_normal((size, 2, 1)))[..., 0]
    floor, slope = (centre[place] + away * tails).T
    return floor, np.maximum(slope, 0.0), fine[place]


def _tested(points):
    return points.groupby("blend", sort=False).agg(
        lowest_pct=("load_pct", "min"), highest_pct=("load_pct", "max"), pots=("pot", "nunique"),
        pours=("pour", "size"),
    ).reset_index()  # fmt: skip


def _join_notes(joins, tested):
    notes = []
    for row, range_ in zip(joins.itertuples(), tested.itertuples(), strict=True):
        lowest, highest = say_load(range_.lowest_pct), say_load(range_.highest_pct)
        if row.state == NO_RISE:
            notes.append(
                f"The bleed of {row.blend} does not rise up to {highest}: its half-sweat load by "
                "bleed is bounded from below at most."
            )
        elif not np.isfinite(row.upper_pct):
            notes.append(
                f"The bleed of {row.blend} is not shown to rise up to {highest}: the interval of "
                "its half-sweat load is open above; weigh bleed at higher loads."
            )
        if not np.isfinite(row.lower_pct) and row.state != NO_RISE:
            notes.append(
                f"The bleed of {row.blend} may rise from the lowest load weighed, {lowest}: the "
                "interval of its half-sweat load is open below; weigh bleed at lower loads."
            )
    return tuple(notes)


def _pot_notes(problem, points, blends):
    if problem.apart:
        return ()
    if points["pot"].nunique() > len(blends):
        return (
            "Every pot gave one pour with a weighed bleed, so pots and pours cannot be set apart.",
        )
    return (
        "Bleed was weighed in one pot of each blend, so how it differs between pots is not known: "
        "the interval of a half-sweat load holds for that pot.",
    )
