"""The hinge: level up to a join and rising beyond it, with the likelihood of where it joins.

    y = floor + slope max(0, x - join) + pot + error,   slope >= 0

Several groups (blends) have a floor, a slope and a join of their own and share the variances.
For a given ratio of the variances the groups separate, and within a gap between neighbouring x
the best join follows from a straight-line fit (Hudson 1966), so nothing is searched but the ratio,
which then is held: in the profile of a join it moves the limits by a thousandth of a point.
A likelihood in a join has kinks and several peaks: its limits are taken from the whole profile.
"""

import numpy as np
from scipy import optimize, stats

# Shares of the pots in the variance that are tried before the best is searched about.
_SHARES = np.append(np.linspace(0.0, 0.9, 13), [0.95, 0.99])
_PER_GAP = 12


def hinge(x, floor, slope, join):
    """The curve at x.

    >>> hinge([6.0, 8.0, 12.0], 0.02, 0.05, 8.0).round(2).tolist()
    [0.02, 0.02, 0.22]
    """
    return floor + slope * np.maximum(0.0, np.asarray(x, dtype=float) - join)


class HingeProblem:
    """Data of a hinge.

    Parameters
    ----------
    x, y : arrays (n,), at least three different x in each group, and more of them than parameters.
    group : int array (n,), 0 ... G - 1, or None for one group.
    pot : int array (n,), pots nested in groups, or None when observations are independent.
    left : bool, whether the part below the join has a slope of its own.
    """

    def __init__(self, x, y, group=None, pot=None, *, left=False):
        self.x, self.y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        self.n, self.left = len(self.x), left
        self.group = np.zeros(self.n, dtype=int) if group is None else np.asarray(group, dtype=int)
        self.groups = int(self.group.max()) + 1
        self.own = [np.nonzero(self.group == g)[0] for g in range(self.groups)]
        self.pot = self.group
        if pot is not None:
            pairs = np.column_stack([self.group, np.asarray(pot, dtype=int)])
            index = np.unique(pairs, axis=0, return_inverse=True)[1].ravel()
            # Pots of one observation each cannot be told from the error.
            self.pot = index if index.max() + 1 < self.n else self.group
        self.pots = int(self.pot.max()) + 1
        self.apart = self.pots > self.groups
        self.share = 0.0
        if self.apart:
            self.share = _least(lambda s: self._criterion(
                sum(w.best()[1] for w in self._white_at(s)), log_det(self.pot, s)
            ))  # fmt: skip
        self._log_det = log_det(self.pot, self.share)
        self._white = self._white_at(self.share)
        joins, rss = zip(*(w.best() for w in self._white), strict=True)
        # The best join (G,) of every group, infinite where nothing rises.
        self.best_joins, self._rss = np.array(joins), np.array(rss)
        self.lowest = float(self._criterion(self._rss.sum(), self._log_det))

    def _white_at(self, share):
        return [_Whitened(self, g, share) for g in range(self.groups)]

    def knots(self, g):
        """The different x of a group, lowest first."""
        return np.unique(self.x[self.own[g]])

    def _criterion(self, rss, log_det):
        rss = np.maximum(rss, 1e-20 * float(self.y @ self.y) + 1e-300)
        return log_det + self.n * (1.0 + np.log(2.0 * np.pi * rss / self.n))

    def profile(self, g, joins):
        """How far the log-likelihood drops at each join (J,) of a group, all else made best.

        A join at or beyond the highest x leaves no rise; one below the lowest x is as good as
        one there, since a straight line has no join.
        """
        others = self._rss.sum() - self._rss[g]
        values = self._criterion(self._white[g].rss(np.atleast_1d(joins)) + others, self._log_det)
        return np.maximum(0.5 * (values - self.lowest), 0.0)

    def design(self, joins):
        """Columns of floors, of left slopes, and of the slopes of those groups that rise."""
        indicator = np.eye(self.groups)[self.group]
        rising = np.isfinite(joins)
        beyond = np.maximum(0.0, self.x - np.where(rising, joins, np.inf)[self.group])
        parts = [indicator, indicator * self.x[:, None]][: 1 + self.left]
        return np.column_stack([*parts, (indicator * beyond[:, None])[:, rising]])

    def variances(self):
        """Variances of pots and of the error, by REML with the joins at their best, each counted
        as fitted; zeros where the data lie on a hinge exactly."""
        x = self.design(self.best_joins)
        freedom = self.n - x.shape[1]

        def parts(share):
            """REML criterion and error variance at a share."""
            white = whitened(np.column_stack([x, self.y]), self.pot, share)
            root = np.linalg.qr(white, mode="r")
            rss = max(root[-1, -1] ** 2, 1e-300)
            own = 2.0 * np.log(np.abs(np.diag(root)[:-1])).sum()
            return log_det(self.pot, share) + own + freedom * np.log(rss), rss / freedom

        if parts(0.0)[1] * freedom <= 1e-10 * (self.y @ self.y):
            return np.zeros(2)
        share = _least(lambda s: parts(s)[0]) if self.apart else 0.0
        taken = int(np.isfinite(self.best_joins).sum())
        more = freedom / max(freedom - taken, 1)
        return more * parts(share)[1] * np.array([share / (1.0 - share), 1.0])


def whitened(columns, pot, share):
    """Columns (n, m) times the root of the inverse covariance at a share of the pots (error 1)."""
    sizes = np.bincount(pot)
    sums = np.zeros((len(sizes), columns.shape[1]))
    np.add.at(sums, pot, columns)
    pull = 1.0 - 1.0 / np.sqrt(1.0 + sizes * share / (1.0 - share))
    return columns - (pull / sizes)[pot, None] * sums[pot]


def log_det(pot, share):
    """Log determinant of that covariance."""
    return float(np.log1p(np.bincount(pot) * share / (1.0 - share)).sum())


def _least(function):
    """The share at which a function is least."""
    values = [function(share) for share in _SHARES]
    place = int(np.argmin(values))
    bounds = _SHARES[[max(place - 1, 0), min(place + 1, len(_SHARES) - 1)]]
    found = optimize.minimize_scalar(
        function, bounds=tuple(bounds), method="bounded", options={"xatol": 1e-9}
    )
    return float(found.x) if found.fun < values[place] else float(_SHARES[place])


class _Whitened:
    """One group with its pots taken out for one share: the residual sum of squares of any join."""

    def __init__(self, problem, g, share):
        rows = problem.own[g]
        self.x, self.share = problem.x[rows], share
        self.pot = np.unique(problem.pot[rows], return_inverse=True)[1]
        base = np.column_stack([np.ones(len(rows)), self.x])[:, : 1 + problem.left]
        self.base = np.linalg.qr(whitened(base, self.pot, share))[0]
        self.y = self._rest(problem.y[rows][:, None])[:, 0]
        self.total = float(self.y @ self.y)

    def _rest(self, columns):
        white = whitened(columns, self.pot, self.share)
        return white - self.base @ (self.base.T @ white)

    def rss(self, joins):
        """Residual sums of squares (J,)."""
        raw = np.maximum(0.0, self.x[:, None] - np.maximum(joins, self.x.min()))
        column = self._rest(raw)
        along, size = np.maximum(column.T @ self.y, 0.0), (column**2).sum(axis=0)
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
    return problem.pots - problem.groups if problem.apart else join_freedom(problem)


def _samples(problem):
    """Observations and degrees of freedom, of all contrasts and of those within pots."""
    extra = problem.groups * (2 + problem.left)
    sizes = [(problem.n, problem.n - extra - problem.groups)]
    if problem.apart:
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
    knots, steps = problem.knots(g), np.arange(_PER_GAP) / _PER_GAP
    joins = np.append((knots[:-1, None] + np.diff(knots)[:, None] * steps).ravel(), knots[-1])
    # The drop may jump where the last point falls below the join.
    joins = np.insert(joins, -1, joins[-1] - 1e-9 * (joins[-1] - joins[0]))
    if np.isfinite(problem.best_joins[g]):
        joins = np.unique(np.append(joins, problem.best_joins[g]))
    return joins, problem.profile(g, joins)


def join_limits(problem, g, drop, flat_drop=None):
    """Profile-likelihood limits (lower, upper) of the join of one group.

    Parameters
    ----------
    problem : HingeProblem. g : int, the group. drop : float, such as that of :func:`f_drop`.
    flat_drop : float, drop that rules out that nothing rises at all, which ``drop`` is taken for
        when None. Two parameters tell a hinge from no rise (slope and join), and only one tells
        two hinges apart.

    Returns
    -------
    The outermost joins that are still inside. A side on which the drop is never reached is
    infinite: below, when a straight line will do; above, when no rise will do.
    """
    joins, drops = join_profile(problem, g)

    def over(join):
        return problem.profile(g, join)[0] - drop

    cuts = np.full(len(drops), drop)
    cuts[-1] = drop if flat_drop is None else flat_drop
    inside = np.nonzero(drops <= cuts)[0]
    lower, upper = -np.inf, np.inf
    if inside[0] > 0:
        lower = _crossing(over, joins[inside[0] - 1], joins[inside[0]])
    if inside[-1] < len(joins) - 1:
        upper = _crossing(over, joins[inside[-1] + 1], joins[inside[-1]])
    return float(lower), float(upper)


def _crossing(over, outside, inside):
    """Where ``over`` passes 0 between two joins. In data without any error rounding alone may leave
    it under 0 at both: then the one outside."""
    if over(outside) <= 0 or over(inside) >= 0:
        return outside
    return optimize.brentq(over, *sorted((outside, inside)), xtol=1e-9)
