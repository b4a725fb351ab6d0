"""Curves of first order over time on a warmer, with effects of pieces and assessors beside them.

A quantity that leaves in proportion to what is left fades as exp(-k t), and what has left comes
up to its end as 1 - exp(-k t). Both are written so that their first factor is something that was
measured: the throw at the first check, the loss at the last. The rate k may be one for all blends
or one for each. A straight line stands beside each curve, for data that are no curve yet.

The rates are found by profiling over everything linear, then polished by Gauss-Newton steps; where
effects are in proportion to the curve, which then moves with the rates, the full likelihood is
climbed in rates and standard deviations together. The slope of the curve in its rates, as further
columns, gives their covariance and their degrees of freedom by the linear mixed model of
:mod:`scentlab.maths.mixed` (Lindstrom & Bates 1990).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from scentlab.maths.mixed import MixedProblem, fit_mixed, newton_step, satterthwaite
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
    def effects(self):
        """How many effects each grouping has (list of int)."""
        return [int(g.max()) + 1 for g in self.groups]

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

    def columns(self, form, rates):
        """Columns (m, q) of the random effects of all groupings."""
        return self._spread([self._scale(s, self.curve(form, rates)) for s in self.scales])

    def moved_columns(self, form, rates):
        """How :meth:`columns` change with each rate: K arrays (m, q), none where they do not."""
        if not any(isinstance(s, str) for s in self.scales):
            return []
        still = np.zeros(len(self.y))
        return [
            self._spread([self._scale(s if isinstance(s, str) else still, own)
                          for s in self.scales])
            for own in self._slopes(form, rates).T
        ]

    def _spread(self, scales):
        parts = [
            np.eye(count)[group] * (1.0 if scale is None else scale[:, None])
            for count, group, scale in zip(self.effects, self._groups(), scales, strict=True)
        ]
        return np.column_stack(parts) if parts else np.zeros((len(self.seen(self.y)), 0))

    def _indicator(self):
        return np.eye(self.arms)[self.arm]

    def seen(self, columns):
        return columns if self.within is None else self.within @ columns

    def problem(self, form, rates):
        """The mixed model with the rates held."""
        scales = [self._scale(s, self.curve(form, rates)) for s in self.scales]
        return MixedProblem(self.seen(self.y), self.design(form, rates), self._groups(), scales)

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
    rates, theta = free.apart(best.values)[0], np.sqrt(best.values[number:])
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
    level: np.ndarray
    residual: float
    x: np.ndarray
    z: np.ndarray
    wx: np.ndarray  # W^-1 X, with W the covariance relative to the error's variance
    we: np.ndarray  # W^-1 (y - X level)
    half: np.ndarray  # W^-1 = I - half' half


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
        self.group = np.repeat(np.arange(len(data.groups)), data.effects)
        self.low = np.append(np.full(count, form.least), np.zeros(len(data.groups)))
        self.high = np.append(np.full(count, FASTEST), np.full(len(data.groups), np.inf))

    def apart(self, values):
        """Rates (K,) and, for each effect, its variance relative to the error's (q,)."""
        return values[: self.count] / self.data.end, values[self.count:][self.group]

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
        rates, ratio = self.apart(values)
        x, z = self.data.design(self.form, rates), self.data.columns(self.form, rates)
        scaled = z * np.sqrt(ratio)
        lower = np.linalg.cholesky(scaled.T @ scaled + np.eye(len(ratio)))
        half = linalg.solve_triangular(lower, scaled.T, lower=True, check_finite=False)
        wx = x - half.T @ (half @ x)
        try:
            level = np.linalg.solve(x.T @ wx, wx.T @ self.y)
        except np.linalg.LinAlgError:
            level = np.full(x.shape[1], np.nan)
        rest = self.y - x @ level
        we = rest - half.T @ (half @ rest)
        residual, n = float(rest @ we), len(self.y)
        value = 2.0 * np.log(np.diag(lower)).sum() + n * np.log(2.0 * np.pi * np.e * residual / n)
        value = float(value) if np.isfinite(value) else np.inf
        return _Point(values, value, level, residual, x, z, wx, we, half)

    def bent(self, point):
        """Slope (K + G,) and bend (K + G, K + G) of -2 log of the likelihood at a point."""
        n, count = len(self.y), self.count
        trace, pull = np.zeros(len(point.values)), np.zeros((n, len(point.values)))
        zw, hz = point.z.T @ point.we, point.half @ point.z
        apart = np.eye(len(self.data.groups))[self.group]
        trace[count:] = (np.sum(point.z**2, axis=0) - np.sum(hz**2, axis=0)) @ apart
        pull[:, count:] = point.z @ (zw[:, None] * apart)
        mean = np.zeros(pull.shape)
        if count:
            rates, ratio = self.apart(point.values)
            columns = self.data.rate_columns(self.form, rates, point.level)
            mean[:, :count] = columns / self.data.end
            for k, moved in enumerate(self.data.moved_columns(self.form, rates)):
                moved = moved / self.data.end
                seen = np.sum(point.z * moved, axis=0) - np.sum(hz * (point.half @ moved), axis=0)
                trace[k] = 2.0 * seen @ ratio
                pull[:, k] = moved @ (ratio * zw) + point.z @ (ratio * (moved.T @ point.we))
        fitted = pull.T @ point.we / point.residual
        slope = trace - n * fitted - 2.0 * n * (mean.T @ point.we) / point.residual
        bend = self._inner(point, pull) + 2.0 * self._inner(point, mean)
        return slope, n * (bend / point.residual - np.outer(fitted, fitted))

    def _inner(self, point, columns):
        """R'PR of columns R, with P what W^-1 leaves of them beside the levels."""
        seen, fixed = point.half @ columns, point.wx.T @ columns
        through = np.linalg.solve(point.x.T @ point.wx, fixed)
        return columns.T @ columns - seen.T @ seen - fixed.T @ through

    def descend(self, point):
        """The lowest point, by Newton steps that are halved until they gain and stay in bounds."""
        for _ in range(_MOST_STEPS):
            if not point.residual > 1e-10 * (self.y @ self.y):
                raise FitError("the values fit the curve exactly: there is no error to measure")
            slope, bend = self.bent(point)
            step = newton_step(slope, bend, ((point.values > self.low) | (slope < 0.0))
                         & ((point.values < self.high) | (slope > 0.0)))
            if not -slope @ step > 1e-17:
                return point
            for share in 0.5 ** np.arange(30):
                there = self.at(np.clip(point.values + share * step, self.low, self.high))
                gain = 1e-4 * slope @ (there.values - point.values)
                if there.value <= point.value + gain + 1e-12:  # a value has no more digits
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
