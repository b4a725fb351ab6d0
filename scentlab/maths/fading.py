"""Curves of first order over time on a warmer, with effects of pieces and assessors beside them.

A quantity that leaves in proportion to what is left fades as exp(-k t), and what has left comes
up to its end as 1 - exp(-k t). Both are written so that their first factor is something that was
measured: the throw at the first check, the loss at the last. The rate k may be one for all blends
or one for each. A straight line stands beside each curve, for data that are no curve yet.

The full likelihood is profiled over the levels and the error and climbed in the rates and the
variances together, from the best of a coarse grid of rates. The slope of the curve in its rates,
as further columns, gives their covariance and their degrees of freedom by the linear mixed model
of :mod:`scentlab.maths.mixed` (Lindstrom & Bates 1990).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from scentlab.maths.mixed import (
    Factor,
    Groupings,
    MixedProblem,
    effect_columns,
    fit_mixed,
    newton_step,
    satterthwaite,
)
from scentlab.results import FitError

# Rates are searched up to a curve that has bent within this part of the time covered.
FASTEST = 60.0
_MOST_STEPS = 200


@dataclass(frozen=True)
class Form:
    """f(t; k, end) of the time t since the first check, its slope in k, and the least k * end.

    ``slope`` is None for a form without a rate.
    """

    name: str
    curve: Callable
    slope: Callable | None
    least: float
    formula: str


def _approach(t, k, end):
    flat = np.abs(k * end) < 1e-8
    k = np.where(flat, 1e-8 / end, k)
    return np.expm1(-k * t) / np.expm1(-k * end)


def _approach_slope(t, k, end):
    k = np.where(np.abs(k * end) < 1e-4, 1e-4 / end, k)
    whole = -np.expm1(-k * end)
    return (t * np.exp(-k * t) - _approach(t, k, end) * end * np.exp(-k * end)) / whole


APPROACH = Form("levelling off", _approach, _approach_slope, 0.0, "A (1 - exp(-k t))")
STRAIGHT = Form("straight line", lambda t, k, end: t / end, None, 0.0, "b t")
FADING = Form(
    "fading", lambda t, k, end: np.exp(-k * t), lambda t, k, end: -t * np.exp(-k * t), -2.0,
    "A exp(-k t)",
)
FALLING = Form(
    "straight fall", lambda t, k, end: 1.0 - k * t, lambda t, k, end: -t, -2.0, "A (1 - k t)"
)


@dataclass(frozen=True)
class TimeData:
    """What was measured over time, as arrays.

    Attributes
    ----------
    time : array (n,), since the first check. y : array (n,).
    arm : int array (n,), what shares a level, 0 ... A - 1.
    blend : int array (A,), the blend of each arm, 0 ... B - 1.
    names, groups : what may differ at random, with its groups (int arrays (n,)).
    scales : per grouping None, an array (n,), or "curve" for effects in proportion to the curve.
    within : array (m, n) or None: rows that take out a start of each piece, see :func:`contrasts`.
    """

    time: np.ndarray
    y: np.ndarray
    arm: np.ndarray
    blend: np.ndarray
    names: tuple = ()
    groups: tuple = ()
    scales: tuple = ()
    within: np.ndarray | None = None

    @property
    def arms(self):
        return len(self.blend)

    @property
    def moves(self):
        """Whether effects are in proportion to the curve, and so move with its rates."""
        return any(isinstance(s, str) for s in self.scales)

    @property
    def end(self):
        return float(self.time.max())

    def curve(self, form, rates):
        """f of each row, with its own blend's rate; rates (K,), one for all or one per blend."""
        return form.curve(self.time, self._rate(rates), self.end)

    def _rate(self, rates):
        each = rates if len(rates) > 1 else np.repeat(rates, self.blend.max() + 1)
        return each[self.blend[self.arm]] if len(rates) else 0.0

    def design(self, form, rates):
        """Columns (m, A): the curve of each arm."""
        return self.seen(self._indicator() * self.curve(form, rates)[:, None])

    def rate_columns(self, form, rates, level):
        """Columns (m, K): how the curve changes with each rate, at levels (A,)."""
        return self.seen(level[self.arm, None] * self._slopes(form, rates))

    def _slopes(self, form, rates):
        own = np.ones((len(self.y), 1))
        if len(rates) > 1:
            own = np.eye(len(rates))[self.blend[self.arm]]
        return own * form.slope(self.time, self._rate(rates), self.end)[:, None]

    def effects(self, form, rates):
        """Groups and scales of the random effects of what is seen."""
        return self._groups(), [self._scale(s, self.curve(form, rates)) for s in self.scales]

    def moved_columns(self, form, rates):
        """How the columns of the effects change with each rate: K sparse arrays (m, q)."""
        still, rows = np.zeros(len(self.y)), len(self.seen(self.y))
        for own in self._slopes(form, rates).T:
            scales = [self._scale(s if isinstance(s, str) else still, own) for s in self.scales]
            yield effect_columns(self._groups(), scales, rows)

    def _indicator(self):
        return np.eye(self.arms)[self.arm]

    def seen(self, columns):
        return columns if self.within is None else self.within @ columns

    def problem(self, form, rates):
        """The mixed model with the rates held."""
        columns = self.design(form, rates)
        return MixedProblem(self.seen(self.y), columns, *self.effects(form, rates))

    def _groups(self):
        """The groups of what is seen: a contrast has those of a row that takes part in it."""
        if self.within is None:
            return self.groups
        rows = np.abs(self.within).argmax(axis=1)
        return [np.asarray(g)[rows] for g in self.groups]

    def _scale(self, scale, curve):
        if scale is None:
            return None
        return self.seen(curve if isinstance(scale, str) else scale)


def contrasts(piece):
    """Orthonormal rows (n - pieces, n) that take the mean of each piece out.

    What is left has independent errors of the same size and no longer depends on what a piece
    weighed at its start, however badly the start was weighed.

    >>> rows = contrasts(np.array([0, 0, 1, 1, 1]))
    >>> rows.shape, bool(np.allclose(rows @ rows.T, np.eye(3)))
    ((3, 5), True)
    """
    piece = np.asarray(piece)
    parts = []
    for one in dict.fromkeys(piece.tolist()):
        own = np.flatnonzero(piece == one)
        rows = np.zeros((len(own) - 1, len(piece)))
        for i in range(1, len(own)):
            rows[i - 1, own[:i]] = 1.0
            rows[i - 1, own[i]] = -i
            rows[i - 1] /= np.sqrt(i * (i + 1.0))
        parts.append(rows)
    return np.vstack(parts)


@dataclass(frozen=True)
class TimeFit:
    """A form fitted: levels (A,), rates (K,), their joint covariance and degrees of freedom.

    ``variances`` are those of the groupings and, last, of the error; ``aic`` compares forms.
    """

    form: Form
    level: np.ndarray
    rates: np.ndarray
    covariance: np.ndarray
    df: np.ndarray
    variances: np.ndarray
    aic: float


def fit_over_time(data, form, separate=False, start=None):
    """Fit a form to :class:`TimeData` with one rate, or with one for each blend.

    ``start`` is the :class:`TimeFit` of the form with one rate, near which those of the blends
    are searched.

    Returns
    -------
    TimeFit

    Raises
    ------
    FitError when there are not more values than parameters, or they fit exactly.
    """
    number = 0 if form.slope is None else (int(data.blend.max()) + 1 if separate else 1)
    values = len(data.y) if data.within is None else len(data.within)
    if values <= data.arms + number:
        raise FitError(
            f"{values} values over time cannot settle {data.arms + number} parameters of a "
            f"{form.name}; check more pieces or at more times"
        )
    free = _Search(data, form, number)
    with np.errstate(all="ignore"):  # a curve without error is found out here or by the REML fit
        best = free.descend(free.start(None if start is None else start.rates))
    rates, theta = free.rates(best.values), np.sqrt(best.values[number:])
    aic = best.value + 2.0 * (data.arms + len(best.values) + 1)
    return _with_covariance(data, form, rates, best.level, theta, aic)


def _with_covariance(data, form, rates, level, theta, aic):
    """REML with the curve's slopes in its rates as further columns."""
    problem = data.problem(form, rates)
    if len(rates):
        wide = [problem.x, data.rate_columns(form, rates, level)]
        problem = problem.with_fixed(np.column_stack(wide))
    reml = fit_mixed(problem, reml=True, start=np.maximum(theta, 0.1))
    df = satterthwaite(problem, reml, np.eye(problem.p))[2]
    return TimeFit(form, reml.beta[: data.arms], rates, reml.covariance, df, reml.variances, aic)


@dataclass(frozen=True)
class _Point:
    """Where a search is: the values, -2 log of the likelihood there and what it was made of."""

    values: np.ndarray
    value: float
    level: np.ndarray = None
    rest: np.ndarray = None  # y - X level
    residual: float = np.nan  # its square, by W^-1
    x: np.ndarray = None
    groupings: Groupings = None
    factor: Factor = None
    hx: np.ndarray = None  # forward of X and of rest
    hr: np.ndarray = None


class _Search:
    """The full likelihood in the rates times the end of time, and then the variances of the
    effects relative to the error's, profiled over levels and error.

    Newton steps go with the average information of the variances (Gilmour, Thompson & Cullis
    1995) and with that of the mean in the rates, which is that of Gauss and Newton; between the
    two the expected information is 0. Where effects are in proportion to the curve the rates move
    their columns too, and have a part in both.
    """

    def __init__(self, data, form, count):
        self.data, self.form, self.count = data, form, count
        self.y = data.seen(data.y)
        self.low = np.append(np.full(count, form.least), np.zeros(len(data.groups)))
        self.high = np.append(np.full(count, FASTEST), np.full(len(data.groups), np.inf))
        self.still = None if data.moves else Groupings(*data.effects(form, np.zeros(count)),
                                                       len(self.y))

    def rates(self, values):
        return values[: self.count] / self.data.end

    def start(self, rates):
        """The best of a grid for one rate of all, or of each from what it is in common."""
        values, places = np.ones(len(self.low)), [list(range(self.count))]
        if rates is not None:
            values[: self.count] = rates * self.data.end
            places = [[i] for i in range(self.count)]
        grid = self.form.least + (FASTEST - self.form.least) * np.linspace(0.0, 1.0, 13) ** 3
        for place in places if self.count else []:
            trials = np.tile(values, (len(grid) + 1, 1))
            trials[1:, place] = grid[:, None]
            values = min((self.at(v) for v in trials), key=lambda p: p.value).values
        return self.at(values)

    def at(self, values):
        """The :class:`_Point` at values; infinite where the curve leaves its arms no level."""
        rates, n = self.rates(values), len(self.y)
        g = self.still or Groupings(*self.data.effects(self.form, rates), n)
        x = self.data.design(self.form, rates)
        both = np.column_stack([x, self.y])
        try:
            factor = g.factor(np.sqrt(values[self.count:]))
            h = factor.forward(g.zt @ both)
            seen = x.T @ both - h[:, :-1].T @ h
            level = np.linalg.solve(seen[:, :-1], seen[:, -1])
        except np.linalg.LinAlgError:
            return _Point(values, np.inf)
        rest, hr = self.y - x @ level, h[:, -1] - h[:, :-1] @ level
        residual = float(rest @ rest - hr @ hr)
        value = float(factor.log_det + n * np.log(2.0 * np.pi * np.e * residual / n))
        value = value if np.isfinite(value) else np.inf
        return _Point(values, value, level, rest, residual, x, g, factor, h[:, :-1], hr)

    def bent(self, point):
        """Slope (K + G,) and bend (K + G, K + G) of -2 log of the likelihood at a point."""
        n, g, count = len(self.y), point.groupings, self.count
        half = point.factor.forward(g.ztz)
        zw = g.zt @ point.rest - half.T @ point.hr
        trace, pull = np.zeros(len(point.values)), np.zeros((n, len(point.values)))
        trace[count:] = g.sums(np.diag(g.ztz) - np.sum(half**2, axis=0))
        pull[:, count:] = g.z @ g.apart(zw)
        if count and self.data.moves:
            trace[:count], pull[:, :count] = self._moved(point, half, zw)
        mean = np.zeros(pull.shape)
        if count:
            columns = self.data.rate_columns(self.form, self.rates(point.values), point.level)
            mean[:, :count] = columns / self.data.end
        of_pull, fitted = self._inner(point, pull)
        of_mean, through = self._inner(point, mean)
        slope = trace - n * (fitted + 2.0 * through)
        return slope, n * (of_pull + 2.0 * of_mean - np.outer(fitted, fitted))

    def _moved(self, point, half, zw):
        """What moved columns of the effects add: traces (K,) and columns (n, K)."""
        g, traces, pulls = point.groupings, [], []
        ratio = np.repeat(point.values[self.count:], g.levels)
        for moved in self.data.moved_columns(self.form, self.rates(point.values)):
            across = (g.zt @ moved).toarray()
            h = point.factor.forward(across)
            traces.append(2.0 * (np.diag(across) - np.sum(half * h, axis=0)) @ ratio)
            own = moved.T @ point.rest - h.T @ point.hr
            pulls.append(moved @ (ratio * zw) + g.z @ (ratio * own))
        return np.array(traces) / self.data.end, np.column_stack(pulls) / self.data.end

    def _inner(self, point, columns):
        """R'PR and R'W^-1 rest of columns R over the residual, P being W^-1 beside the levels."""
        h = point.factor.forward(point.groupings.zt @ columns)
        fixed = point.x.T @ columns - point.hx.T @ h
        levels = point.x.T @ point.x - point.hx.T @ point.hx
        inner = columns.T @ columns - h.T @ h - fixed.T @ np.linalg.solve(levels, fixed)
        return inner / point.residual, (columns.T @ point.rest - h.T @ point.hr) / point.residual

    def descend(self, point):
        """The lowest point, by Newton steps that are halved until they gain and stay in bounds.

        Where a step promises less than a value's own rounding, a few more are taken whole.
        """
        last = 8
        for _ in range(_MOST_STEPS):
            if not point.residual > 1e-10 * (self.y @ self.y):
                raise FitError("the values fit the curve exactly: there is no error to measure")
            slope, bend = self.bent(point)
            step = newton_step(slope, bend, ((point.values > self.low) | (slope < 0.0))
                               & ((point.values < self.high) | (slope > 0.0)))
            promised = -slope @ step
            if not promised > 1e-17 or not last:
                return point
            near = promised < 1e-9
            last -= near
            for share in 0.5 ** np.arange(30):
                there = self.at(np.clip(point.values + share * step, self.low, self.high))
                gain = 1e-4 * slope @ (there.values - point.values)
                if there.value <= point.value + gain + (1e-9 if near else 0.0):
                    break
            else:
                return point
            point = there
        return point


def draw_fits(fits, weights, draws, seed):
    """Draws of levels and rates from fits by their weights, with tails of Student's t.

    Returns
    -------
    (form, level, rate) : int array (D,), arrays (D, A) and (D, K) with K the most rates of a fit;
    a common rate is repeated, and a form without one has 0.
    """
    rng = np.random.default_rng(seed)
    counts = np.floor(np.asarray(weights) * draws).astype(int)
    counts[int(np.argmax(weights))] += draws - counts.sum()
    most = max(max((len(f.rates) for f in fits), default=1), 1)
    level, rate = [], []
    for fit, count in zip(fits, counts, strict=True):
        centre = np.append(fit.level, fit.rates)
        away = rng.multivariate_normal(
            np.zeros(len(centre)), fit.covariance, size=count, method="cholesky"
        )
        # One tail for all, widened for each by its own degrees of freedom.
        tail = rng.uniform(size=(count, 1))
        values = centre + away * np.sqrt(fit.df / special.chdtri(fit.df, tail))
        arms = len(fit.level)
        level.append(values[:, :arms])
        own = values[:, arms:] if len(fit.rates) else np.zeros((count, 1))
        rate.append(own if own.shape[1] == most else np.repeat(own, most, axis=1))
    return np.repeat(np.arange(len(fits)), counts), np.vstack(level), np.vstack(rate)


def time_to(form, level, rate, limit):
    """When a falling curve comes down to a limit: 0 when it starts there, infinite when never.

    Parameters
    ----------
    form : FADING or FALLING. level, rate, limit : arrays that broadcast.

    >>> round(float(time_to(FADING, 8.0, 0.1, 4.0)), 3), float(time_to(FALLING, 8.0, 0.1, 4.0))
    (6.931, 5.0)
    """
    level, rate, limit = np.broadcast_arrays(*(np.asarray(v, float) for v in (level, rate, limit)))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = limit / level
        fall = -np.log(share) if form is FADING or form.name == FADING.name else 1.0 - share
        time = np.where(rate > 0, fall / rate, np.inf)
    time = np.where(np.isnan(time), np.inf, time)
    return np.where(level <= limit, 0.0, time)
