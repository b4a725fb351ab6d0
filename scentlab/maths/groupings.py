"""Effects at random of several groupings, nested or crossed: W = I + Z diag(theta^2) Z'.

The cross products are formed once; each evaluation then costs a factorisation of the size of the
random effects less the largest grouping (after Bates, Maechler, Bolker & Walker 2015).
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg, sparse

# Above so many entries, most of them 0, a block of Z'Z is multiplied as a sparse one.
_SPARSE_FROM = 20_000


class Groupings:
    """The columns Z of the random effects and Z'Z.

    The largest grouping is eliminated first: its own block of Z'Z is diagonal, so that a factor
    costs the cube of the other effects only.

    groups : list of int arrays (n,), the level of each observation in each grouping,
        0 ... levels - 1. slopes : list of None or array (n,), what the effects of each grouping
        are multiplied by (None: by 1). n : int, observations.
    """

    def __init__(self, groups, slopes, n):
        self.levels = [int(g.max()) + 1 for g in groups]
        self.starts = np.cumsum([0, *self.levels])[:-1].astype(int)
        columns = [np.asarray(g) + s for g, s in zip(groups, self.starts, strict=True)]
        entries = [np.ones(n) if s is None else s for s in slopes]
        rows = len(groups) * np.arange(n + 1)
        self.z = sparse.csr_array(
            (np.ravel(entries, order="F"), np.ravel(columns, order="F").astype(int), rows),
            shape=(n, sum(self.levels)),
        )  # fmt: skip
        self.zt = self.z.T
        self.ztz = (self.zt @ self.z).toarray()
        k = int(np.argmax(self.levels)) if groups else 0
        size = self.levels[k] if groups else 0
        self.own = np.arange(size) + (self.starts[k] if groups else 0)
        self.rest = np.setdiff1d(np.arange(len(self.ztz)), self.own)
        self.diagonal = np.diag(self.ztz)[self.own]
        self.across = self.ztz[np.ix_(self.own, self.rest)]
        self.inner = self.ztz[np.ix_(self.rest, self.rest)]
        self.down = self.across.T
        if self.across.size > _SPARSE_FROM:
            self.down = sparse.csr_array(self.across.T)

    def factor(self, theta):
        """The :class:`Factor` at standard deviations theta (K,) relative to the error's."""
        scale = np.repeat(np.asarray(theta, dtype=float), self.levels)
        squared, second = scale[self.own] ** 2, scale[self.rest]
        more = 1.0 + squared * self.diagonal
        weight = squared / more
        a = self.inner - self.down @ (weight[:, None] * self.across)
        a *= second[:, None] * second
        a.flat[:: len(a) + 1] += 1.0
        lower = _cholesky(a)
        log_det = np.log(more).sum() + 2.0 * np.log(np.diag(lower)).sum()
        return Factor(self, weight, second, lower, float(log_det))

    def sums(self, values):
        """Sums over the effects of each grouping along the first axis."""
        return np.add.reduceat(values, self.starts, axis=0)

    def apart(self, values):
        """A vector (q,) over the effects as columns (q, K), one for each grouping."""
        grouping = np.repeat(np.arange(len(self.levels)), self.levels)
        return np.where(grouping[:, None] == np.arange(len(self.levels)), values[:, None], 0.0)


@dataclass(frozen=True)
class Factor:
    """W = I + Z diag(theta^2) Z', factorised; ``log_det`` is its log determinant."""

    groupings: Groupings
    weight: np.ndarray
    second: np.ndarray
    lower: np.ndarray
    log_det: float

    def forward(self, zr):
        """h (q, m) of Z'R (q, m), with R'W^-1 R = R'R - h'h."""
        g, h = self.groupings, np.empty(zr.shape)
        own = zr[g.own]
        h[g.own] = np.sqrt(self.weight)[:, None] * own
        left = zr[g.rest] - g.down @ (self.weight[:, None] * own)
        if len(left):
            left *= self.second[:, None]
            h[g.rest] = linalg.lapack.dtrtrs(self.lower, left, lower=True, overwrite_b=True)[0]
        return h

    def effects(self, h):
        """The predicted effects (q,) from h (q,), the forward of Z'(y - X beta)."""
        g, found = self.groupings, np.empty(len(h))
        found[g.rest] = self.second * linalg.solve_triangular(
            self.lower.T, h[g.rest], lower=False, check_finite=False
        )
        found[g.own] = np.sqrt(self.weight) * h[g.own]
        found[g.own] -= self.weight * (g.across @ found[g.rest])
        return found


def _cholesky(a):
    """The lower factor of a symmetric matrix, by LAPACK itself: checks would cost more than it."""
    if not len(a):
        return a
    lower, failed = linalg.lapack.dpotrf(a.T, lower=True, clean=True, overwrite_a=True)
    if failed:
        raise np.linalg.LinAlgError("the variances leave a matrix that is not positive definite")
    return lower
