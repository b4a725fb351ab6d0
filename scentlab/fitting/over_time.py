"""Curves over hours on the warmer: arms, forms, rates and their draws.

An arm is one blend at one load: pieces of it share a level. Nothing is assumed of how a level goes
with the load, since a warmer test has few loads. What leaves in proportion to what is left fades as
exp(-k t); a straight line is beside it, for what is no curve yet. Each blend has a rate of its own.
Levels and effects at random are integrated out by :mod:`scentlab.maths.marginal`; form and rate lie
on a grid, which is drawn closer about what the data say.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from scentlab.fitting.looks import planned_loads
from scentlab.maths.marginal import Marginal, Priors, draw_posterior, tellable
from scentlab.results import Result
from scentlab.units import content_from_load, say_load

# Weighed loads nearer than this to each other are one planned load.
NEAR_PCT = 0.3
# Rates times the longest time, on a scale that is even near 0 and logarithmic far from it; common
# ones are about as large as RATE_SCALE, and few are far beyond (Cauchy).
RATE_SCALE, CELLS, ZOOMS, OF_ACCOUNT = 2.0, 40, 4, 12.0


class Form(NamedTuple):
    """A curve f(t, k) of the time t since the first check; ``low`` and ``high`` bound k times the
    end of time."""

    name: str
    formula: str
    curve: object
    low: float
    high: float


FADING = Form("fading", "A exp(-k t)", lambda t, k: np.exp(-k * t), -2.0, 60.0)
FALLING = Form("straight fall", "A (1 - k t)", lambda t, k: 1.0 - k * t, -2.0, 1.5)
FORMS = {f.name: f for f in (FADING, FALLING)}


@dataclass(frozen=True, repr=False)
class OverTime(Result):
    """A fit over hours on the warmer.

    Attributes
    ----------
    arms : DataFrame, one row per blend and load: blend, load_pct (% of wax), content_pct (% of
        total), pieces, pots, longest_h, and what the kind of fit adds.
    forms : DataFrame: blend, form, formula, weight (its chance given the data).
    draw_form : array (D, B), names of the forms drawn. level : draws (D, A) of the level that the
        kind of fit has. rate : draws (D, B) of the rate per hour.
    first_h, longest_h : hours of the first and the last check. sds : DataFrame: source, sd (median,
        mean over blends), unit.
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
    notes: tuple = ()

    @property
    def blends(self):
        return tuple(dict.fromkeys(self.arms["blend"]))

    def draws(self, place, hours):
        """Draws (D, T) of the curve of an arm at hours."""
        blend = self.blends.index(self.arms["blend"].iloc[place])
        time = np.atleast_1d(np.asarray(hours, float)) - self.first_h
        values = np.empty((len(self.rate), len(time)))
        for name in np.unique(self.draw_form[:, blend]):
            own = self.draw_form[:, blend] == name
            values[own] = FORMS[name].curve(time, self.rate[own, blend][:, None])
        return self.level[:, [place]] * values

    def curve(self, place, hours):
        """The curve of an arm at hours with its interval; missing outside the hours tested.

        DataFrame: hours, throw (median), lower, upper.
        """
        arm, hours = self.arms.loc[place], np.atleast_1d(np.asarray(hours, dtype=float))
        lower, middle, upper = quantiles(self.draws(place, hours), self.confidence)
        frame = pd.DataFrame({"lower": lower, "throw": middle, "upper": upper})
        outside = (hours < arm["first_h"] - 1e-9) | (hours > arm["longest_h"] + 1e-9)
        frame.loc[outside] = np.nan
        return frame.assign(hours=hours)


@dataclass(frozen=True)
class Setting:
    """How a kind of fit is set up: ``forms`` with their chances beforehand; ``medians`` of the
    standard deviations by source ("error" among them), ``spread`` of their logarithms, ``floor``
    of the error, and ``levels``, the sd of a level about 0; ``words`` of the sources."""

    forms: dict
    medians: dict
    spread: float
    floor: float
    levels: float
    words: dict


def fit_blends(rows, y, time, arm, wanted, setting, draws, seed):
    """Fit every blend by itself: fields of an :class:`OverTime`.

    rows : DataFrame with blend. y, time : arrays (n,), time since the first check. arm : int
        array (n,). wanted : dict of source to (labels, slope), slope an array (n,) or None.
    """
    end = float(time.max())
    forms, rates, levels, tables, sds = [], [], [], [], []
    for b, blend in enumerate(dict.fromkeys(rows["blend"])):
        own = np.flatnonzero(rows["blend"] == blend)
        kept = {
            name: (np.asarray(labels)[own], None if slope is None else slope[own])
            for name, (labels, slope) in wanted.items()
        }  # fmt: skip
        one = _Blend(y[own], time[own], end, arm[own], kept, setting)
        form, rate, level, chances, sd = one.draw(draws, [seed, b])
        forms.append(form)
        rates.append(rate)
        levels.append(level)
        sds.append(sd)
        tables += [(blend, f.name, f.formula, chances.get(f.name, 0.0)) for f in setting.forms]
    return {
        "forms": pd.DataFrame(tables, columns=["blend", "form", "formula", "weight"]),
        "draw_form": np.column_stack(forms), "rate": np.column_stack(rates),
        "level": np.column_stack(levels), "sds": _mean_sds(sds, setting.words),
    }


def _mean_sds(sds, words):
    rows = [
        (said, float(np.sqrt(np.mean([sd[name] ** 2 for sd in sds if name in sd]))))
        for name, said in words.items() if any(name in sd for sd in sds)
    ]
    return pd.DataFrame(rows, columns=["source", "sd"])


class _Blend:
    """One blend: its grid of forms and rates, and the marginal density over them."""

    def __init__(self, y, time, end, arm, wanted, setting):
        self.y, self.end, self.wanted, self.setting = y, end, wanted, setting
        self.times, self.place = np.unique(time, return_inverse=True)
        self.arms = np.eye(len(set(arm)))[np.unique(arm, return_inverse=True)[1]]
        self.spans = {f: np.arcsinh([f.low, f.high]) for f in setting.forms}
        for _ in range(ZOOMS):
            self._arrange()
            self._zoom()
        self._arrange()

    def _arrange(self):
        """The cells of the grid (form, middle, width) and the marginal density over them."""
        self.cells, chances, curves = [], [], []
        for form, (low, high) in self.spans.items():
            width = (high - low) / CELLS
            for at in low + width * (np.arange(CELLS) + 0.5):
                u = np.sinh(at)
                self.cells.append((form, at, width))
                curves.append(form.curve(self.times, u / self.end))
                density = np.cosh(at) / (RATE_SCALE * (1.0 + (u / RATE_SCALE) ** 2))
                whole = np.ptp(np.arctan([form.low / RATE_SCALE, form.high / RATE_SCALE]))
                chances.append(self.setting.forms[form] * width * density / whole)
        self.mixes = np.array(curves)[:, None, :]
        self.names, groups, slopes = tellable(self.wanted, self.arms)
        sds = self.setting.medians
        priors = Priors(
            np.array([sds[n] for n in (*self.names, "error")]), self.setting.spread,
            self.setting.floor, np.full(self.arms.shape[1], self.setting.levels),
        )  # fmt: skip
        columns = np.eye(len(self.times))[self.place]
        self.marginal = Marginal(
            self.y, columns, self.arms, np.empty((len(self.y), 0)), self.mixes,
            np.array(chances), groups, slopes, priors,
        )  # fmt: skip

    def _zoom(self):
        """Keep of each form the rates that are of any account."""
        constant, seen = self.marginal.seen(self.marginal.best()[0])
        density = self.marginal.densities(np.array([constant]), seen[None])[0]
        density = density + self.marginal.log_chances
        of_form = np.array([form.name for form, _, _ in self.cells])
        for form in self.spans:
            own = of_form == form.name
            kept = np.flatnonzero(own & (density > density[own].max() - OF_ACCOUNT))
            (_, low, width), (_, high, _) = self.cells[kept[0]], self.cells[kept[-1]]
            self.spans[form] = low - 0.5 * width, high + 0.5 * width

    def draw(self, draws, seed):
        """Forms (D,), rates (D,), levels (D, A), chances of the forms, median sds by source."""
        found = draw_posterior(self.marginal, draws, seed)
        names = np.array([f.name for f, _, _ in self.cells])
        middle, width = np.array([(at, w) for _, at, w in self.cells]).T
        within = np.random.default_rng(seed).uniform(-0.5, 0.5, len(found.design))
        rate = np.sinh(middle[found.design] + width[found.design] * within) / self.end
        chances = pd.Series(found.chances).groupby(names).sum().to_dict()
        sds = np.median(np.exp(found.log_sds), axis=0)
        sds[-1] = np.hypot(sds[-1], self.setting.floor)
        sds = dict(zip((*self.names, "error"), sds, strict=True))
        return names[found.design], rate, found.coefficients, chances, sds


def arms_of(rows, counted, **more):
    """The arms of rows, and the arm of each row (int array).

    counted : name of the number of rows. more : pairs of a column and how it is summed up.
    """
    arm, found = np.full(len(rows), -1), []
    for blend, own in rows.groupby("blend", sort=False):
        for near in planned_loads(own["load_pct"].unique(), NEAR_PCT):
            arm[(rows["blend"].eq(blend) & rows["load_pct"].isin(near)).to_numpy()] = len(found)
            found.append((blend, near.mean(), content_from_load(near.mean())))
    arms = pd.DataFrame(found, columns=["blend", "load_pct", "content_pct"])
    wanted = {
        "pieces": ("code", "nunique"), "pots": ("pot", "nunique"), counted: ("code", "size"),
        "first_h": ("hours", "min"), "longest_h": ("hours", "max"),
    }  # fmt: skip
    return arms.join(rows.groupby(arm).agg(**(wanted | more))), arm


def arm_words(row):
    """An arm in words, with both bases of its load."""
    return f"{row['blend']} at {say_load(row['load_pct'])}"


def quantiles(draws, confidence):
    """Lower limit, median and upper limit of draws (D, ...); infinite ones stay infinite."""
    tails = [0.5 - confidence / 2.0, 0.5, 0.5 + confidence / 2.0]
    return np.quantile(draws, tails, axis=0, method="nearest")


def table_of(values, sds, unit, confidence):
    """The table of a fit over time: quantiles of its draws, then the standard deviations.

    values : triples of parameter, draws (D,) and unit. sds : those of the fit, in ``unit``.
    """
    rows = []
    for name, draws, its_unit in values:
        lower, middle, upper = quantiles(draws, confidence)
        rows.append((name, middle, _spread(draws), lower, upper, its_unit))
    rows += [(f"sd {r.source}", r.sd, np.nan, np.nan, np.nan, unit) for r in sds.itertuples()]
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
