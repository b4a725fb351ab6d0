"""A mixed model with priors on all its parts, the curve in its fixed effects not known.

y = X_c beta + sum_k Z_k b_k + e, with b_k ~ N(0, sd_k^2), e ~ N(0, sd_e^2 + floor^2), normal
priors on beta and on the logarithms of the sds, and X_c one of several designs c with prior
chances. Beta and the effects are integrated out exactly; the log sds are drawn by importance,
from the mode of the likeliest design on; the design by its posterior chance given them.

Every design combines the same base columns, so that the work with the scores is done once per
draw of the sds and not once per design: of R columns and B arms (blends) it takes, for each arm,
J mixtures of the columns. Coefficients are ordered by mixture, then arm, then the extra columns.
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from scentlab.maths.groupings import Groupings
from scentlab.maths.optimum import Peak
from scentlab.maths.sampling import Sampler

_MOST_STEPS = 60
_AT_ONCE = 2_000_000
# With fewer effective draws of the sds another round is drawn around those found.
_A_ROUND, _ENOUGH, _MOST_ROUNDS = 128, 48, 5


@dataclass(frozen=True)
class Priors:
    """Normal priors. ``medians`` and ``spread``: of the sds (K + 1,), the error's last, and the
    sd of their logarithms; ``floor``: sd of the error that is always there; ``coefficients``:
    sds (p,) of the coefficients about 0."""

    medians: np.ndarray
    spread: float
    floor: float
    coefficients: np.ndarray


@dataclass(frozen=True)
class Posterior:
    """Draws (D, ...) of the coefficients, the design and the log sds, all of equal weight.

    ``chances`` (C,) of the designs. ``effective`` : how many draws of the sds they are worth.
    """

    coefficients: np.ndarray
    design: np.ndarray
    log_sds: np.ndarray
    chances: np.ndarray
    effective: float


def tellable(wanted, fixed):
    """The effects at random that observations can hold: (names, groups, slopes).

    Left out is what has one group, a group for each observation, the groups of an effect before
    it with the same slope, or what the fixed columns take up.

    wanted : dict of name to labels (n,) and slope, an array (n,) or None. fixed : array (n, p).
    """
    kept, known = [], set()
    for name, (labels, slope) in wanted.items():
        levels, index = np.unique(np.asarray(labels).astype(str), return_inverse=True)
        partition = np.unique(index, return_index=True)[1][index].tobytes(), slope is None
        if not 1 < len(levels) < len(index) or partition in known:
            continue
        if len(levels) <= fixed.shape[1]:
            columns = np.eye(len(levels))[index] * (1.0 if slope is None else slope[:, None])
            over = fixed * (1.0 if slope is None else slope[:, None])
            left = columns - over @ np.linalg.lstsq(over, columns, rcond=None)[0]
            if np.abs(left).max() < 1e-8:
                continue
        known.add(partition)
        kept.append((name, index, slope))
    return tuple(zip(*kept, strict=True)) if kept else ((), (), ())


class Marginal:
    """The marginal density of scores in the sds and the design.

    y : array (n,). columns : array (n, R). arms : array (n, B) of 0 and 1. extra : array (n, E).
    mixes : array (C, J, R), how each design combines the columns. chances : array (C,), prior.
    groups, slopes : see :class:`~scentlab.maths.groupings.Groupings`. priors : Priors.
    """

    def __init__(self, y, columns, arms, extra, mixes, chances, groups, slopes, priors):
        self.log_chances, self.priors = np.log(chances), priors
        self.shape, self.n = (columns.shape[1], arms.shape[1]), len(y)
        base = (columns[:, :, None] * arms[:, None, :]).reshape(self.n, np.prod(self.shape))
        self.whole = np.column_stack([base, extra, y])
        # What turns the columns into those of each design, with the extra ones and y as they are.
        designs, rows, arm = len(mixes), mixes.shape[1] * arms.shape[1], np.eye(arms.shape[1])
        own = np.einsum("cjr,ab->cjarb", mixes, arm).reshape(designs, rows, base.shape[1])
        more = self.whole.shape[1] - base.shape[1]
        self.turns = np.zeros((designs, rows + more, self.whole.shape[1]))
        self.turns[:, :rows, : base.shape[1]] = own
        self.turns[:, rows:, base.shape[1]:] = np.eye(more)
        self.groupings = Groupings(groups, slopes, self.n)
        self.gram = self.whole.T @ self.whole
        self.zw = self.groupings.zt @ self.whole
        self.precision = 1.0 / np.asarray(priors.coefficients) ** 2

    def design(self, c):
        """The fixed effects' columns (n, p) of a design."""
        return self.whole[:, :-1] @ self.turns[c, :-1, :-1].T

    def error(self, log_sds):
        """Variance of the error, floor and all."""
        return np.exp(2.0 * log_sds[-1]) + self.priors.floor**2

    def log_prior(self, log_sds):
        """Log density of log sds (..., K + 1), up to a constant."""
        away = (log_sds - np.log(self.priors.medians)) / self.priors.spread
        return -0.5 * np.sum(away**2, axis=-1)

    def seen(self, log_sds):
        """-(log |V|) / 2 and the cross products (m, m) of all columns and y through V^-1."""
        error = self.error(log_sds)
        factor = self.groupings.factor(np.exp(log_sds[:-1]) / np.sqrt(error))
        h = factor.forward(self.zw)
        return -0.5 * (factor.log_det + self.n * np.log(error)), (self.gram - h.T @ h) / error

    def informed(self, seen, turns):
        """Information (..., p, p) on the coefficients with its prior, and X'V^-1 y (..., p)."""
        inner = turns @ seen @ np.swapaxes(turns, -1, -2)
        information = inner[..., :-1, :-1] + np.diag(self.precision)
        return information, inner[..., :-1, -1]

    def densities(self, constants, seen):
        """Log marginal density (S, C) of every design, from :meth:`seen` of S draws of the sds."""
        found = np.empty((len(seen), len(self.turns)))
        step = max(1, _AT_ONCE // self.turns.size)
        for at in range(0, len(seen), step):
            part = seen[at : at + step]
            information, right = self.informed(part[:, None], self.turns)
            lower = np.linalg.cholesky(information)
            half = np.linalg.solve(lower, right[..., None])[..., 0]
            diagonal = np.diagonal(lower, axis1=-2, axis2=-1)
            found[at : at + step] = (
                0.5 * np.sum(half**2, axis=-1)
                - np.log(diagonal).sum(axis=-1)
                - 0.5 * part[:, None, -1, -1]
            )
        return found + constants[:, None] + 0.5 * np.log(self.precision).sum()

    def expansion(self, log_sds, x):
        """Log posterior density of log sds with columns x (n, p), its slope and its bend.

        The bend is the average information (Gilmour, Thompson & Cullis 1995) with the prior's.
        """
        error, g = self.error(log_sds), self.groupings
        theta = np.exp(log_sds[:-1]) / np.sqrt(error)
        own = 2.0 * (error - self.priors.floor**2) / error
        y, prior = self.whole[:, -1], self.precision * error
        factor = g.factor(theta)
        h = factor.forward(g.zt @ np.column_stack([x, y]))
        hx, hy = h[:, :-1], h[:, -1]
        root = linalg.cho_factor(x.T @ x - hx.T @ hx + np.diag(prior), lower=True)
        right = x.T @ y - hx.T @ hy
        beta = linalg.cho_solve(root, right)
        rest = y - x @ beta
        ze = g.zt @ rest
        value = -0.5 * (factor.log_det + self.n * np.log(error)) + self.log_prior(log_sds)
        value -= 0.5 * (y @ y - hy @ hy - beta @ right) / error
        value -= np.log(np.diag(root[0])).sum() - 0.5 * np.log(prior).sum()
        left = rest - g.z @ factor.effects(hy - hx @ beta)
        half = factor.forward(g.ztz)
        wx = g.zt @ x - half.T @ hx
        we = ze - half.T @ (hy - hx @ beta)
        seen = np.diag(g.ztz) - np.einsum("ij,ij->j", half, half)
        seen -= np.sum(wx * linalg.cho_solve(root, wx.T).T, axis=1)
        trace = g.sums(seen) if len(seen) else np.zeros(0)
        fitted = g.sums(we**2) / error if len(seen) else np.zeros(0)
        taken = len(prior) - prior @ np.diag(linalg.cho_solve(root, np.eye(len(prior))))
        slope = np.append(
            theta**2 * (fitted - trace),
            0.5 * own * (left @ left / error - (self.n - theta**2 @ trace - taken)),
        )
        # What y's variance would be moved by, for each log sd.
        moves = np.column_stack([g.z @ (2.0 * theta**2 * g.apart(we)), own * left])
        hm = factor.forward(g.zt @ moves)
        xm = x.T @ moves - hx.T @ hm
        average = moves.T @ moves - hm.T @ hm - xm.T @ linalg.cho_solve(root, xm)
        tight = 1.0 / self.priors.spread**2
        slope -= tight * (log_sds - np.log(self.priors.medians))
        return value, slope, 0.5 * average / error + tight * np.eye(len(slope))

    def best(self):
        """The likeliest log sds (K + 1,) with the design that is likeliest there, and the bend."""
        c, at = -1, np.log(self.priors.medians)
        for _ in range(3):
            constant, seen = self.seen(at)
            found = int(np.argmax(self.densities(np.array([constant]), seen[None])[0]))
            if found == c:
                break
            c = found
            at, bend = self.mode(c, at)
        return at, bend

    def mode(self, c, start=None):
        """The likeliest log sds (K + 1,) with design ``c``, and the bend there."""
        x, at = self.design(c), np.log(self.priors.medians) if start is None else start
        value, slope, bend = self.expansion(at, x)
        for _ in range(_MOST_STEPS):
            step = linalg.solve(bend, slope, assume_a="pos")
            if slope @ step < 1e-3:
                break
            step *= min(1.0, 2.0 / np.abs(step).max())
            for share in 0.5 ** np.arange(12):
                found = self.expansion(at + share * step, x)
                if found[0] >= value:
                    break
            else:
                break
            at, (value, slope, bend) = at + share * step, found
        return at, bend


def draw_posterior(marginal, draws, seed):
    """Draws of coefficients, design and log sds.

    marginal : Marginal. draws : int. seed : int.
    Returns Posterior.
    """
    rng, kept = np.random.default_rng(seed), []

    def log_density(at):
        constants, seen = map(np.array, zip(*map(marginal.seen, at), strict=True))
        kept.append((seen, marginal.densities(constants, seen) + marginal.log_chances))
        return special.logsumexp(kept[-1][1], axis=1) + marginal.log_prior(at)

    centre, bend = marginal.best()
    peak = Peak(centre, np.nan, -bend, True)
    sampler = Sampler(log_density, peak, rng)
    for rounds in range(1, _MOST_ROUNDS + 1):
        sampler.grow(rounds * _A_ROUND)
        drawn = sampler.weighed()
        if drawn.effective_size >= _ENOUGH:
            break
    seen, density = (np.concatenate(parts) for parts in zip(*kept, strict=True))
    joint = special.softmax(density, axis=1) * drawn.weights[:, None]
    pairs = max(draws // 2, 1)
    ends = np.cumsum(joint.T)  # by design first, so that each has its share of the draws
    places = np.searchsorted(ends, (np.arange(pairs) + rng.random()) / pairs * ends[-1])
    c, s = np.divmod(places, len(joint))
    away = rng.standard_normal((pairs, len(marginal.precision)))
    centre, away = _coefficients(marginal, seen, s, c, away)
    return Posterior(
        coefficients=np.vstack([centre + away, centre - away]),
        design=np.tile(c, 2),
        log_sds=drawn.points[np.tile(s, 2)],
        chances=joint.sum(axis=0),
        effective=drawn.effective_size,
    )


def _coefficients(marginal, seen, s, c, away):
    """Centres (D, p) of the coefficients given sds and design, and deviations from them."""
    centre = np.empty_like(away)
    step = max(1, _AT_ONCE // seen.shape[-1] ** 2)
    for at in range(0, len(s), step):
        part = slice(at, at + step)
        information, right = marginal.informed(seen[s[part]], marginal.turns[c[part]])
        lower = np.linalg.cholesky(information)
        up = np.swapaxes(lower, -1, -2)
        half = np.linalg.solve(lower, right[..., None])
        both = np.linalg.solve(up, np.concatenate([half, away[part, :, None]], axis=-1))
        centre[part], away[part] = both[..., 0], both[..., 1]
    return centre, away
