"""What weight loss and throw over hours share: arms, effects at random, forms and their weights.

An arm is one blend at one load: pieces of it share a level. Nothing is assumed of how a level
goes with the load, since a warmer test has few loads.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import special

from scentlab.fitting.looks import planned_loads
from scentlab.maths.fading import (
    APPROACH,
    FADING,
    FALLING,
    STRAIGHT,
    TimeData,
    draw_fits,
    fit_over_time,
)
from scentlab.results import FitError, Result
from scentlab.units import content_from_load, say_load

# Weighed loads nearer than this to each other are one planned load.
NEAR_PCT = 0.3
FORMS = {f.name: f for f in (STRAIGHT, APPROACH, FADING, FALLING)}


@dataclass(frozen=True, repr=False)
class OverTime(Result):
    """A fit over hours on the warmer.

    Attributes
    ----------
    arms : DataFrame, one row per blend and load: blend, load_pct (% of wax), content_pct (% of
        total), pieces, pots, longest_h, and what the kind of fit adds.
    forms : DataFrame: form, formula, rates, aic, weight.
    draw_form, level, rate : draws (D,), (D, A) of the level that the kind of fit has, (D, B) of
        the rate per hour.
    first_h, longest_h : hours of the first and the last check. sds : DataFrame: source, sd, unit.
    points : DataFrame, what was measured. confidence : float, of the intervals.
    """

    arms: pd.DataFrame
    forms: pd.DataFrame
    draw_form: np.ndarray
    level: np.ndarray
    rate: np.ndarray
    first_h: float
    longest_h: float
    sds: pd.DataFrame
    points: pd.DataFrame
    confidence: float
    notes: tuple = field(default=())

    @property
    def blends(self):
        return tuple(dict.fromkeys(self.arms["blend"]))

    def draws(self, place, hours):
        """Draws (D, T) of the curve of an arm at hours."""
        blend = self.blends.index(self.arms["blend"].iloc[place])
        time = np.atleast_1d(np.asarray(hours, float)) - self.first_h
        values = np.empty((len(self.draw_form), len(time)))
        for i, name in enumerate(self.forms["form"]):
            own = self.draw_form == i
            if own.any():
                rate, end = self.rate[own, blend][:, None], self.longest_h - self.first_h
                values[own] = FORMS[name].curve(time, rate, end)
        return self.level[:, [place]] * values


def usable(warmings, column, nothing, lost):
    """Rows with a number in a column, load and hours, as floats, and a note on those left out.

    nothing : what to say as a FitError without any. lost : what rows without a load are called.
    """
    rows = warmings[warmings[column].notna()]
    known = rows["load_pct"].notna() & rows["hours"].notna()
    if not known.any():
        raise FitError(nothing)
    left = int((~known).sum())
    notes = (f"{left} {lost} have no weighed load and were left out.",) if left else ()
    return rows[known].astype({"hours": float, column: float, "load_pct": float}), notes


def described(arms, rows, arm, counted, **more):
    """Arms with their pieces, pots, number of rows (``counted``) and hours; ``more`` are pairs of
    a column and how it is summed up."""
    own = rows.assign(arm=arm).groupby("arm")
    arms = arms.assign(pieces=own["code"].nunique(), pots=own["pot"].nunique())
    arms[counted] = own.size()
    more = {"first_h": ("hours", "min"), "longest_h": ("hours", "max")} | more
    return arms.assign(**{name: own[column].agg(how) for name, (column, how) in more.items()})


def arms_of(rows):
    """The arms of rows with blend and load_pct, and the arm of each row (int array)."""
    arm, found = np.full(len(rows), -1), []
    for blend, own in rows.groupby("blend", sort=False):
        for near in planned_loads(own["load_pct"].unique(), NEAR_PCT):
            load = float(near.mean())
            here = (rows["blend"] == blend) & rows["load_pct"].isin(near)
            arm[here.to_numpy()] = len(found)
            found.append({"blend": blend, "load_pct": load, "content_pct": content_from_load(load)})
    return pd.DataFrame(found), arm


def effects_of(rows, arm, wanted):
    """The effects at random that rows can hold: (names, groups, scales).

    wanted : dict of name to (labels of the groups, scale). Left out is what has one group, a group
    per row, the groups of an effect before it with the same scale, or those of the arms.
    """
    indicator, kept, known = np.eye(arm.max() + 1)[arm], [], set()
    for name, (labels, scale) in wanted.items():
        index, levels = pd.factorize(labels)
        partition = index.tobytes(), str(scale)
        if not 1 < len(levels) < len(rows) or partition in known:
            continue
        columns = np.eye(len(levels))[index]
        left = columns - indicator @ np.linalg.lstsq(indicator, columns, rcond=None)[0]
        if scale is not None and not isinstance(scale, str):
            left = columns
        if np.abs(left).max() < 1e-8:
            continue
        known.add(partition)
        kept.append((name, index, scale))
    return tuple(zip(*kept, strict=True)) if kept else ((), (), ())


def arranged(time, y, arms, arm, effects, within=None):
    """The :class:`scentlab.maths.fading.TimeData` of rows."""
    blend = pd.factorize(arms["blend"])[0]
    return TimeData(np.asarray(time, float), np.asarray(y, float), arm, blend, *effects, within)


def fit_forms(data, forms, exactly):
    """Every form that the data allow with its AIC weight: (fits, separate, weights).

    forms : pairs of form and whether each blend has its own rate. exactly : what to say when there
    is no error to measure. Raises FitError when no form can be fitted.
    """
    fits, separate, errors, common = [], [], [], {}
    for form, own in forms:
        if own and data.blend.max() == 0:
            continue
        try:
            fits.append(fit_over_time(data, form, own, common.get(form.name)))
            common.setdefault(form.name, fits[-1])
            separate.append(own)
        except FitError as error:
            if "exactly" in str(error):
                raise FitError(exactly) from error
            errors.append(str(error))
    if not fits:
        raise FitError(errors[0])
    aic = np.array([f.aic for f in fits])
    weights = np.exp(-0.5 * (aic - aic.min()))
    return fits, separate, weights / weights.sum()


def forms_table(fits, separate, weights, blends):
    """One row per form: form, formula, rates (words), aic, weight."""
    rows = []
    for fit, own, weight in zip(fits, separate, weights, strict=True):
        words = "none"
        if len(fit.rates):
            rates = ", ".join(f"{k:.3g}" for k in fit.rates)
            words = f"{rates} per h, " + (f"of {', '.join(blends)}" if own else "one for all")
        rows.append((fit.form.name, fit.form.formula, words, fit.aic, weight))
    return pd.DataFrame(rows, columns=["form", "formula", "rates", "aic", "weight"])


def common_fields(data, arms, forms, exactly, words, unit, draws, seed):
    """What :func:`fit_forms` finds, as fields of an :class:`OverTime`.

    words : dict of the sources of variation. unit : of their standard deviations.
    """
    fits, separate, weights = fit_forms(data, forms, exactly)
    blends = list(dict.fromkeys(arms["blend"]))
    draw_form, level, rate = draw_fits(fits, weights, draws, seed)
    if rate.shape[1] < len(blends):
        rate = np.repeat(rate[:, :1], len(blends), axis=1)
    best = fits[int(np.argmax(weights))]
    sources = [words[n] for n in (*data.names, "error")]
    sds = pd.DataFrame({"source": sources, "sd": np.sqrt(best.variances), "unit": unit})
    table = forms_table(fits, separate, weights, blends)
    return {"forms": table, "draw_form": draw_form, "level": level, "rate": rate, "sds": sds}


def arm_place(arms, blend, load_pct=None):
    """The place of an arm in the frame of arms; the only load of the blend when none is given.

    Raises FitError that tells what was tested.
    """
    own = arms[arms["blend"] == blend]
    if own.empty:
        known = ", ".join(dict.fromkeys(arms["blend"]))
        raise FitError(f"no piece of {blend!r} was left on the warmer; tested were {known}")
    loads = own["load_pct"].to_numpy()
    told = ", ".join(say_load(x) for x in loads)
    if load_pct is None:
        if len(own) > 1:
            raise FitError(f"{blend} was left on the warmer at {told}; give one of them, load_pct")
        return int(own.index[0])
    near = int(np.abs(loads - load_pct).argmin())
    if abs(loads[near] - load_pct) > NEAR_PCT:
        raise FitError(
            f"{blend} was not left on the warmer at {say_load(load_pct)}; it was at {told}"
        )
    return int(own.index[near])


def arm_words(row):
    """An arm in words, with both bases of its load."""
    return f"{row['blend']} at {say_load(row['load_pct'])}"


def curve_frame(fit, blend, hours, load_pct, name):
    """The arm of a blend, and hours, the curve (``name``, the median), lower and upper there;
    missing outside the hours tested."""
    place = arm_place(fit.arms, blend, load_pct)
    arm, hours = fit.arms.loc[place], np.atleast_1d(np.asarray(hours, dtype=float))
    lower, middle, upper = quantiles(fit.draws(place, hours), fit.confidence)
    frame = pd.DataFrame({"hours": hours, name: middle, "lower": lower, "upper": upper})
    outside = (hours < arm["first_h"] - 1e-9) | (hours > arm["longest_h"] + 1e-9)
    frame.loc[outside, [name, "lower", "upper"]] = np.nan
    return arm, frame


def quantiles(draws, confidence):
    """Lower limit, median and upper limit of draws (D, ...); infinite ones are kept as such."""
    tails = [0.5 - confidence / 2.0, 0.5, 0.5 + confidence / 2.0]
    return np.quantile(draws, tails, axis=0, method="nearest")


def table_of(values, sds, confidence):
    """The table of a fit over time: what its draws tell, then the standard deviations.

    values : triples of parameter, draws (D,) and unit. sds : those of the fit.
    """
    rows = []
    for name, draws, unit in values:
        lower, middle, upper = quantiles(draws, confidence)
        rows.append((name, middle, _spread(draws), lower, upper, unit))
    rows += [(f"sd {r.source}", r.sd, np.nan, np.nan, np.nan, r.unit) for r in sds.itertuples()]
    return pd.DataFrame(rows, columns=["parameter", "estimate", "se", "lower", "upper", "unit"])


def _spread(draws):
    """The sd of draws; where some lie beyond what was tested, what would give them their inner
    68 % if they were normal, by the lower side alone where the upper is open."""
    if np.isfinite(draws).all():
        return float(draws.std())
    low, middle, high = quantiles(draws, 2.0 * special.ndtr(1.0) - 1.0)
    if not np.isfinite(middle):
        return np.nan
    return float((high - low) / 2.0 if np.isfinite(high) else middle - low)


def code_list(codes, most=8):
    codes = sorted(dict.fromkeys(map(str, codes)))
    rest = len(codes) - most
    return ", ".join(codes[:most]) + (f" and {rest} more" if rest > 0 else "")
