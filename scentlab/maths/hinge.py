"""The hinge: level up to a join and rising beyond it, with the likelihood of where it joins.

    y = floor + left x + slope max(0, x - join) + pot + error

Several groups (blends) have a floor, a slope and a join of their own and share the variances.
For a given ratio of the variances the groups separate, and within a gap between neighbouring x
the best join follows from a straight-line fit (Hudson 1966), so nothing is searched but the ratio.
A likelihood in a join has kinks and several peaks: its limits are taken from the whole profile.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import optimize, stats

from scentlab.maths.intervals import Limits, likelihood_drop
from scentlab.maths.mixed import MixedProblem, fit_mixed
from scentlab.results import FitError

# Shares of the pots in the variance at which the profile is worked out; parabolas between.
_SHARES = np.concatenate([[0.0], np.linspace(0.02, 0.9, 45), [0.92, 0.94, 0.96, 0.98, 0.99]])
_PER_GAP = 12


def hinge(x, floor, slope, join, left=0.0):
    """The curve at x.

    >>> hinge([6.0, 8.0, 12.0], 0.02, 0.05, 8.0).round(2).tolist()
    [0.02, 0.02, 0.22]
    """
    x = np.asarray(x, dtype=float)
    return floor + left * x + slope * np.maximum(0.0, x - join)


def hinge_inverse(y, floor, slope, join, left=0.0):
    """The x at which the curve is y; nan where it never is, or at more than one place.

    The level part is at ``floor`` everywhere; its inverse is the join, where it ends.

    >>> hinge_inverse([0.01, 0.02, 0.12], 0.02, 0.05, 8.0).round(6).tolist()
    [nan, 8.0, 10.0]
    """
    y = np.asarray(y, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        below = (y - floor) / left if left else np.full(y.shape, np.nan)
        above = (y - floor + slope * join) / (left + slope)
    below = np.where(below < join, below, np.nan)
    above = np.where(np.isfinite(above) & (above >= join - 1e-12 * abs(join)), above, np.nan)
    both = np.isfinite(below) & np.isfinite(above)
    return np.where(both, np.nan, np.where(np.isfinite(above), above, below))


def best_join(deviance, x, *, per_gap=4):
    """The join at which a deviance is lowest, and that deviance.

    Parameters
    ----------
    deviance : callable of a join, such as that of a generalised linear model with the column
        max(0, x - join).
    x : array (n,), the data points; the join is sought between the lowest and the highest.
    per_gap : int, points of the first grid in each gap between data points.

    The grid shows every valley, since the deviance is smooth inside a gap; each valley is then
    searched, so that none is a trap.
    """
    grid = _grid_between(np.unique(np.asarray(x, dtype=float)), per_gap)
    values = np.array([deviance(join) for join in grid])
    wall = np.concatenate([[np.inf], values, [np.inf]])
    valleys = np.nonzero((values <= wall[:-2]) & (values <= wall[2:]))[0]
    best, lowest = float(grid[np.argmin(values)]), float(values.min())
    for i in sorted(valleys, key=lambda i: values[i])[:5]:
        found = optimize.minimize_scalar(
            deviance,
            bounds=(grid[max(i - 1, 0)], grid[min(i + 1, len(grid) - 1)]),
            method="bounded",
            options={"xatol": 1e-9 * (grid[-1] - grid[0])},
        )
        if found.fun < lowest:
            best, lowest = float(found.x), float(found.fun)
    return best, lowest


def _grid_between(knots, per_gap):
    """Every knot and ``per_gap - 1`` points between neighbours."""
    steps = np.arange(per_gap) / per_gap
    inner = knots[:-1, None] + np.diff(knots)[:, None] * steps
    return np.append(inner.ravel(), knots[-1])


@dataclass(frozen=True)
class HingeFit:
    """A fitted hinge for each of G groups.

    Attributes
    ----------
    floors, slopes, lefts, joins : arrays (G,). A group that nowhere rises has slope 0 and an
        infinite join.
    share : float, share of the pots in the variance, by maximum likelihood as the joins are.
    variances : array (2,), of pots and of the error, by REML, each join counted as fitted.
    covariance : array (p, p), of the linear parameters with the joins held: all floors, all
        lefts, then the slopes of the groups that rise.
    rss : float, plain residual sum of squares of the fixed part, pots left in the residual.
    criterion : float, -2 log of the likelihood, profiled over all but the joins.
    """

    floors: np.ndarray
    slopes: np.ndarray
    lefts: np.ndarray
    joins: np.ndarray
    share: float
    variances: np.ndarray
    covariance: np.ndarray
    rss: float
    criterion: float


class HingeProblem:
    """Data of a hinge.

    Parameters
    ----------
    x, y : arrays (n,). group : int array (n,), 0 ... G - 1, or None for one group.
    pot : int array (n,), pots nested in groups, or None when observations are independent.
    left : bool, whether the part below the join has a slope of its own.
    rising : bool, whether the slope beyond the join is held at zero or more.

    Raises
    ------
    FitError when a group has fewer than three different x or there are too few observations.
    """

    def __init__(self, x, y, group=None, pot=None, *, left=False, rising=False):
        self.x, self.y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        self.n, self.left, self.rising = len(self.x), left, rising
        self.group = np.zeros(self.n, dtype=int) if group is None else np.asarray(group, dtype=int)
        self.groups = int(self.group.max()) + 1
        self.own = [np.nonzero(self.group == g)[0] for g in range(self.groups)]
        for g, rows in enumerate(self.own):
            if len(np.unique(self.x[rows])) < 3 + left:
                raise FitError(
                    f"group {g} has {len(np.unique(self.x[rows]))} different x; a hinge needs "
                    f"at least {3 + left}"
                )
        if self.n <= self.groups * (3 + left):
            raise FitError(
                f"{self.n} observations cannot settle {self.groups * (3 + left)} parameters of "
                "the hinges and an error"
            )
        self.pot, self.pots = self._nested(pot)
        self.shares = _SHARES if self.pots > self.groups else _SHARES[:1]
        self._least = 1e-20 * float(self.y @ self.y) + 1e-300
        self._at = [[_Whitened(self, g, s) for g in range(self.groups)] for s in self.shares]
        self._rss = np.array([[w.best()[1] for w in row] for row in self._at])
        self._logdet = np.array([_log_det(self, s) for s in self.shares])

    def _nested(self, pot):
        """Pots numbered 0 ... m - 1; one for each group when they cannot be told from floors."""
        if pot is None:
            return self.group, self.groups
        pairs = np.column_stack([self.group, np.asarray(pot, dtype=int)])
        index = np.unique(pairs, axis=0, return_inverse=True)[1].ravel()
        pots = int(index.max()) + 1
        return (index, pots) if pots < self.n else (self.group, self.groups)

    def knots(self, g):
        """The different x of a group, lowest first."""
        return np.unique(self.x[self.own[g]])

    def joins_at(self, share):
        """The best join of every group for one share of the pots, and the criterion there."""
        found = [_Whitened(self, g, share).best() for g in range(self.groups)]
        joins = np.array([join for join, _ in found])
        return joins, float(self._criterion(sum(r for _, r in found), _log_det(self, share)))

    @cached_property
    def best_share(self):
        """The share of the pots in the variance at which the criterion is lowest."""
        if len(self.shares) == 1:
            return 0.0
        values = self._criterion(self._rss.sum(axis=1), self._logdet)
        place = int(np.argmin(values))
        bounds = self.shares[[max(place - 1, 0), min(place + 1, len(values) - 1)]]
        found = optimize.minimize_scalar(
            lambda share: self.joins_at(share)[1], bounds=tuple(bounds), method="bounded"
        )
        return float(found.x) if found.fun < values[place] else float(self.shares[place])

    @cached_property
    def best_joins(self):
        """The best join (G,) of every group; infinite where nothing rises."""
        return self.joins_at(self.best_share)[0]

    def _criterion(self, rss, log_det):
        rss = np.maximum(rss, self._least)
        return log_det + self.n * (1.0 + np.log(2.0 * np.pi * rss / self.n))

    def profile(self, g, joins):
        """The criterion at each join (J,) of a group, all else made best.

        A join at or beyond the highest x leaves no rise; one below the lowest x is as good as
        one there, since a straight line has no join.
        """
        joins = np.atleast_1d(np.asarray(joins, dtype=float))
        others = self._rss.sum(axis=1) - self._rss[:, g]
        rss = np.array([row[g].rss(joins) for row in self._at]) + others[:, None]
        return _lowest(self.shares, self._criterion(rss, self._logdet[:, None]))

    def lowest(self):
        """The lowest criterion over all joins, taken over the shares as ``profile`` takes it."""
        values = self._criterion(self._rss.sum(axis=1), self._logdet)
        return float(_lowest(self.shares, values[:, None])[0])


def _log_det(problem, share):
    sizes = np.bincount(problem.pot)
    return float(np.log1p(sizes * share / (1.0 - share)).sum())


def _lowest(shares, values):
    """The minimum (J,) of values (K, J) over the shares, by a parabola about the lowest."""
    lowest = values.min(axis=0)
    if len(shares) < 3:
        return lowest
    place = np.clip(values.argmin(axis=0), 1, len(shares) - 2)
    column = np.arange(values.shape[1])
    (a, b, c) = (shares[place + i] for i in (-1, 0, 1))
    (fa, fb, fc) = (values[place + i, column] for i in (-1, 0, 1))
    first = (fb - fa) / (b - a)
    second = ((fc - fb) / (c - b) - first) / (c - a)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = 0.5 * (a + b) - first / (2.0 * second)
        value = fa + first * (at - a) + second * (at - a) * (at - b)
    inside = (second > 0) & (at > a) & (at < c)
    return np.where(inside, np.minimum(value, lowest), lowest)


class _Whitened:
    """One group with its pots taken out for one share: the residual sum of squares of any join."""

    def __init__(self, problem, g, share):
        rows = problem.own[g]
        self.x, self.rising = problem.x[rows], problem.rising
        _, self.pot = np.unique(problem.pot[rows], return_inverse=True)
        self.sizes = np.bincount(self.pot)
        ratio = share / (1.0 - share)
        self.pull = 1.0 - 1.0 / np.sqrt(1.0 + self.sizes * ratio)
        base = np.ones((len(rows), 1))
        if problem.left:
            base = np.column_stack([base, self.x])
        self.base = np.linalg.qr(self._white(base))[0]
        self.y = self._rest(problem.y[rows][:, None])[:, 0]
        self.total = float(self.y @ self.y)

    def _white(self, columns):
        sums = np.zeros((len(self.sizes), columns.shape[1]))
        np.add.at(sums, self.pot, columns)
        return columns - (self.pull / self.sizes)[self.pot, None] * sums[self.pot]

    def _rest(self, columns):
        white = self._white(columns)
        return white - self.base @ (self.base.T @ white)

    def rss(self, joins):
        """Residual sums of squares (J,)."""
        joins = np.maximum(joins, self.x.min())
        raw = np.maximum(0.0, self.x[:, None] - joins)
        column = self._rest(raw)
        along, size = column.T @ self.y, (column**2).sum(axis=0)
        if self.rising:
            along = np.maximum(along, 0.0)
        usable = size > 1e-12 * (raw**2).sum(axis=0)
        gain = np.divide(along**2, size, out=np.zeros_like(size), where=usable & (size > 0))
        return self.total - gain

    def best(self):
        """The join with the smallest residual sum of squares, and that sum.

        In a gap the curve is a line of its own beyond the gap; where that line meets the part
        below inside the gap is the best join there, otherwise one of the gap's ends is.
        """
        knots = np.unique(self.x)
        beyond = (self.x[:, None] >= knots[1:]).astype(float)
        tilt, step = self._rest(self.x[:, None] * beyond), self._rest(beyond)
        tt, ts, ss = (tilt**2).sum(axis=0), (tilt * step).sum(axis=0), (step**2).sum(axis=0)
        ty, sy = tilt.T @ self.y, step.T @ self.y
        with np.errstate(divide="ignore", invalid="ignore"):
            meet = -(tt * sy - ts * ty) / (ss * ty - ts * sy)
        # Where one x lies beyond, or two, the line there is settled too weakly or not at all.
        meet = meet[(tt * ss - ts**2 > 1e-10 * tt * ss) & (meet > knots[:-1]) & (meet < knots[1:])]
        joins = np.concatenate([knots, meet])
        values = self.rss(joins)
        place = int(np.argmin(values))
        if values[place] >= self.total * (1.0 - 1e-12) or joins[place] >= knots[-1]:
            return np.inf, self.total
        return float(joins[place]), max(float(values[place]), 0.0)


def fit_hinge(problem):
    """Fit by maximum likelihood in the joins and the share of the pots, the rest by REML.

    Parameters
    ----------
    problem : HingeProblem

    Returns
    -------
    HingeFit. Data that lie on a hinge exactly give a fit with variances of 0.
    """
    share = problem.best_share
    joins, criterion = problem.joins_at(share)
    design, rising = _design(problem, joins)
    beta, covariance, variances = _refit(problem, design)
    size, lefts = problem.groups, np.zeros(problem.groups)
    if problem.left:
        lefts = beta[size : 2 * size]
    slopes = np.zeros(size)
    slopes[rising] = beta[size * (1 + problem.left) :]
    residual = problem.y - design @ beta
    return HingeFit(
        beta[:size], slopes, lefts, joins, share, variances, covariance,
        float(residual @ residual), criterion,
    )


def _design(problem, joins):
    """Columns of floors, of left slopes, and of the slopes of those groups that rise."""
    indicator = np.eye(problem.groups)[problem.group]
    parts = [indicator]
    if problem.left:
        parts.append(indicator * problem.x[:, None])
    rising = np.isfinite(joins)
    beyond = np.maximum(0.0, problem.x - np.where(rising, joins, np.inf)[problem.group])
    parts.append((indicator * beyond[:, None])[:, rising])
    return np.column_stack(parts), rising


def _refit(problem, design):
    """Linear parameters, their covariance, and variances of pots and error."""
    plain = np.linalg.lstsq(design, problem.y, rcond=None)[0]
    rest = problem.y - design @ plain
    if rest @ rest <= 1e-10 * (problem.y @ problem.y):
        return plain, np.zeros((design.shape[1],) * 2), np.zeros(2)
    groupings = [problem.pot] if problem.pots > problem.groups else []
    fit = fit_mixed(MixedProblem(problem.y, design, groupings))
    variances = np.array([fit.variances[0] if groupings else 0.0, fit.variances[-1]])
    # The joins were fitted to the data too.
    freedom = problem.n - design.shape[1]
    taken = design.shape[1] - problem.groups * (1 + problem.left)
    more = freedom / max(freedom - taken, 1)
    return fit.beta, more * fit.covariance, more * variances


def f_drop(problem, confidence, parameters=1):
    """Drop of the log-likelihood that makes the limits those of an F test on so many parameters.

    With pots the information on a join lies between all contrasts and those within pots; the
    wider of the two answers is taken.
    """
    return max(
        0.5 * n * np.log1p(parameters * stats.f.ppf(confidence, parameters, df) / df)
        for n, df in _samples(problem)
    )


def join_freedom(problem):
    """Degrees of freedom behind the limits of a join: those that :func:`f_drop` takes."""
    samples = _samples(problem)
    return max(samples, key=lambda s: s[0] * np.log1p(stats.f.ppf(0.9, 1, s[1]) / s[1]))[1]


def floor_freedom(problem):
    """Degrees of freedom of a floor: pots less groups, or as of a join where pots are not told."""
    return problem.pots - problem.groups if problem.pots > problem.groups else join_freedom(problem)


def _samples(problem):
    """Observations and degrees of freedom, of all contrasts and of those within pots."""
    extra = problem.groups * (2 + problem.left)
    sizes = [(problem.n, problem.n - extra - problem.groups)]
    if problem.pots > problem.groups:
        within = problem.n - problem.pots
        sizes.append((within, within - extra))
    return [(n, df) for n, df in sizes if df >= 1]


def join_profile(problem, g):
    """Joins from the lowest to the highest x of a group, and how far the log-likelihood drops.

    Returns
    -------
    (joins (J,), drops (J,)). Below the first join the drop stays as there; the last, at the
    highest x, is that of no rise at all, and holds for every join beyond.
    """
    joins = _grid_between(problem.knots(g), _PER_GAP)
    # The drop may jump where the last point falls below the join.
    joins = np.insert(joins, -1, joins[-1] - 1e-9 * (joins[-1] - joins[0]))
    best = problem.best_joins[g]
    if np.isfinite(best):
        joins = np.unique(np.append(joins, best))
    drops = 0.5 * (problem.profile(g, joins) - problem.lowest())
    return joins, np.maximum(drops, 0.0)


def join_limits(problem, g, *, confidence=0.95, drop=None, flat_drop=None):
    """Profile-likelihood interval of the join of one group.

    Parameters
    ----------
    problem : HingeProblem. g : int, the group.
    confidence : of both limits together, by chi-square; ``drop`` takes its place when given, such
        as that of :func:`f_drop`.
    flat_drop : float, drop that rules out that nothing rises at all, which ``drop`` is taken for
        when None. Two parameters tell a hinge from no rise (slope and join), and only one tells
        two hinges apart.

    Returns
    -------
    Limits: the outermost joins that are still inside. A side on which the drop is never reached
    is infinite: below, when a straight line will do; above, when no rise will do.
    """
    drop = likelihood_drop(confidence) if drop is None else float(drop)
    joins, drops = join_profile(problem, g)
    estimate = float(problem.best_joins[g])
    lowest = problem.lowest()

    def over(join):
        return 0.5 * (problem.profile(g, join)[0] - lowest) - drop

    cuts = np.full(len(drops), drop)
    cuts[-1] = drop if flat_drop is None else flat_drop
    inside = np.nonzero(drops <= cuts)[0]
    lower, upper = -np.inf, np.inf
    if inside[0] > 0:
        lower = optimize.brentq(over, joins[inside[0] - 1], joins[inside[0]], xtol=1e-12)
    if inside[-1] < len(joins) - 1:
        upper = optimize.brentq(over, joins[inside[-1]], joins[inside[-1] + 1], xtol=1e-12)
    return Limits(estimate, float(lower), float(upper), drop)
