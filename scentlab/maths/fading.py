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
from scipy import optimize, special

from scentlab.maths.mixed import MixedProblem, fit_mixed, satterthwaite
from scentlab.results import FitError

# Rates are searched up to a curve that has bent within this part of the time covered.
FASTEST = 60.0
_MOST_TURNS = 30


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
        slope = level[self.arm] * form.slope(self.time, self._rate(rates), self.end)
        own = np.ones((len(slope), 1))
        if len(rates) > 1:
            own = np.eye(len(rates))[self.blend[self.arm]]
        return self.seen(own * slope[:, None])

    def _indicator(self):
        return np.eye(self.arms)[self.arm]

    def seen(self, columns):
        return columns if self.within is None else self.within @ columns

    def problem(self, form, rates):
        """The mixed model with the rates held."""
        rows = np.arange(len(self.y)) if self.within is None else self._first_of_rows()
        groups = [np.asarray(g)[rows] for g in self.groups]
        scales = [self._scale(s, form, rates) for s in self.scales]
        return MixedProblem(self.seen(self.y), self.design(form, rates), groups, scales)

    def _first_of_rows(self):
        """A row that each contrast takes part in: its piece, and so its groups, are the same."""
        return np.abs(self.within).argmax(axis=1)

    def _scale(self, scale, form, rates):
        if scale is None:
            return None
        return self.seen(self.curve(form, rates) if isinstance(scale, str) else scale)


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


def fit_over_time(data, form, separate=False):
    """Fit a form to :class:`TimeData` with one rate, or with one for each blend.

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
    theta, rates = np.ones(len(data.names)), np.zeros(number)
    for turn in range(_MOST_TURNS):
        problem = data.problem(form, rates)
        if turn or number == 0:
            best = fit_mixed(problem, reml=False, start=np.maximum(theta, 0.1), precise=False)
            theta = best.theta
        if number == 0:
            break
        with np.errstate(all="ignore"):  # a curve without error is found out below
            found = _rates(data, form, problem, theta, rates, search=turn == 0)
        settled = np.allclose(found, rates, rtol=1e-9, atol=1e-12 / data.end)
        rates = found
        if turn and (settled or data.moves):
            break
    if number and data.moves:
        rates = _climbed(data, form, rates, theta)
    problem = data.problem(form, rates)
    best = fit_mixed(problem, reml=False, start=np.maximum(theta, 0.1))
    aic = best.criterion + 2.0 * (data.arms + number + len(theta) + 1)
    return _with_covariance(data, form, problem, rates, best, aic)


def _climbed(data, form, rates, theta):
    """Rates (K,) of the highest likelihood, from near it, where the effects move with them."""
    count, low, high = len(rates), form.least, FASTEST

    def criterion(values):
        problem = data.problem(form, values[:count] / data.end)
        return problem.criterion(values[count:], reml=False)

    bounds = [(low, high)] * count + [(0.0, None)] * len(theta)
    start = np.concatenate([rates * data.end, theta])
    with np.errstate(all="ignore"):
        found = optimize.minimize(
            criterion, start, jac="3-point", method="L-BFGS-B", bounds=bounds,
            options={"ftol": 1e-14, "gtol": 1e-7, "maxiter": 200},
        )
    better = np.isfinite(found.fun) and found.fun <= criterion(start)
    return found.x[:count] / data.end if better else rates


def _with_covariance(data, form, problem, rates, best, aic):
    """REML with the curve's slopes in its rates as further columns."""
    level = best.beta
    if len(rates):
        wide = [data.design(form, rates), data.rate_columns(form, rates, level)]
        problem = problem.with_fixed(np.column_stack(wide))
    reml = fit_mixed(problem, reml=True, start=np.maximum(best.theta, 0.1))
    df = satterthwaite(problem, reml, np.eye(problem.p))[2]
    return TimeFit(form, reml.beta[: data.arms], rates, reml.covariance, df, reml.variances, aic)


def _rates(data, form, problem, theta, start, search):
    """Rates (K,) of the highest likelihood with the standard deviations and columns of the random
    effects held; without ``search`` only from where they are."""
    likelihood = problem.likelihood_of_fixed(theta)
    low, high = form.least / data.end, FASTEST / data.end

    def value(rates):
        try:
            return likelihood(data.design(form, rates))
        except np.linalg.LinAlgError:
            return np.inf

    rates = start.copy()
    if search:
        rates[:] = _search_one(lambda k: value(np.full(len(start), k)), low, high)
        for i in range(len(rates) if len(rates) > 1 else 0):
            rates[i] = _search_one(lambda k, i=i: value(_put(rates, i, k)), low, high)
    return _polished(data, form, problem, theta, rates, value, (low, high))


def _put(rates, place, rate):
    rates = rates.copy()
    rates[place] = rate
    return rates


def _search_one(value, low, high):
    """The rate of the lowest value: on a grid that is even in its fourth root, then between."""
    grid = low + (high - low) * np.linspace(0.0, 1.0, 41) ** 4
    values = [value(k) for k in grid]
    best = int(np.argmin(values))
    ends = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    found = optimize.minimize_scalar(
        value, bounds=ends, method="bounded", options={"xatol": 1e-6 * (ends[1] - ends[0])}
    )
    return float(found.x if found.fun < values[best] else grid[best])


def _polished(data, form, problem, theta, rates, value, ends):
    """Gauss-Newton steps from rates that are nearly right, halved until they do not harm.

    A search by values alone gives half of the digits.
    """
    best = value(rates)
    for _ in range(30):
        level = problem.with_fixed(data.design(form, rates)).solve(theta).beta
        wide = np.column_stack(
            [data.design(form, rates), data.rate_columns(form, rates, level)]
        )
        try:
            step = problem.with_fixed(wide).solve(theta).beta[data.arms:]
        except (FitError, np.linalg.LinAlgError):
            return rates
        for share in 0.5 ** np.arange(6):
            there = np.clip(rates + share * step, *ends)
            if value(there) <= best + 1e-9 * (1.0 + abs(best)):
                break
        else:
            return rates
        best, moved, rates = value(there), np.abs(there - rates), there
        if np.all(moved <= 1e-13 * ends[1]):
            return rates
    return rates


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
