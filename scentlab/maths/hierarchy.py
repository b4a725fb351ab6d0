"""One Gaussian model over many pieces of evidence, with standard deviations to be learnt.

Piece j tells of a vector theta_j (p) by a Gaussian likelihood of its own:

    log L_j = -1/2 theta_j' precision_j theta_j + information_j' theta_j
    theta_j = design_j x[place_j] + e_j,   e_j ~ N(0, diag sd^2),   x ~ N(centre, diag sd^2)

Effects x and deviations e are integrated out (Lindley & Smith 1972, "Bayes estimates for the linear
model"); only the standard deviations are drawn. Each is half Student beforehand, its free parameter
the normal score of that.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from scentlab.maths.graded import half_student_of_score
from scentlab.maths.optimum import climb, steepened
from scentlab.maths.sampling import Draws, Sampler, even_places

_STEP, _LEAST_SD, _KEPT = 1e-3, 1e-4, 64
_AT_ONCE = 256  # columns of a covariance
_DENSE = 64  # effects up to which whole matrices, many at a time, are faster than sparse ones
_EVIDENCE = 1024  # pieces of evidence times draws at a time: they stay in the processor's cache


@dataclass(frozen=True)
class Hierarchy:
    """The model and its evidence.

    precision (J, p, p), information (J, p) : of each piece of evidence; a row of zeros where it
        tells nothing.
    design (J, p, m), place (J, m) : coefficients of the effects of each piece and their places
        in x (q).
    centre (q,), fixed_sd (q,) : of the effects beforehand; ``effect`` (q,) is the place in the
        learnt sds (G) of those whose sd is learnt, -1 where ``fixed_sd`` holds.
    deviation (p,) : place in the learnt sds of each coordinate's deviation, -1 for none.
    scale, df (G,) : of the half Student priors of the learnt sds.
    """

    precision: np.ndarray
    information: np.ndarray
    design: np.ndarray
    place: np.ndarray
    centre: np.ndarray
    fixed_sd: np.ndarray
    effect: np.ndarray
    deviation: np.ndarray
    scale: np.ndarray
    df: np.ndarray

    def sds(self, scores):
        """The learnt sds (..., G) of their scores."""
        found = half_student_of_score(np.asarray(scores), self.scale, self.df)[0]
        return np.maximum(found, _LEAST_SD * self.scale)

    def deviation_variance(self, sd):
        """Variance (..., p) of the deviations under learnt sds (..., G)."""
        return np.where(self.deviation >= 0, sd[..., self.deviation] ** 2, 0.0)

    def given(self, sd):
        """Log marginal likelihood, and what is known of the effects, under learnt sds (G,).

        Returns (value, mean (q,), solve: callable of (q,) or (q, n) that divides by the precision,
        the evidence as it tells of the mean of each theta: precision (J, p, p), information (J, p))
        """
        (value,), (right,), (entries,), (own,), (pull,) = self._evidence(sd[None])
        rows, starts, _, _ = self._pattern
        q = len(right)
        root = splu(sparse.csc_array((entries, rows, starts), shape=(q, q)),
                    permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                    options={"SymmetricMode": True})
        mean = root.solve(right)
        value += 0.5 * (right @ mean - np.log(root.U.diagonal()).sum())
        return value, mean, root.solve, own, pull

    def _evidence(self, sd):
        """Under learnt sds (S, G) the log marginal likelihood (S,) but for the effects, of these
        what their mean is divided of (S, q) and the entries of the precision (S, N), and what each
        piece tells of the mean of its theta (S, J, p, p), (S, J, p)."""
        size, q = self.precision.shape[1], len(self.centre)
        variance = self.deviation_variance(sd)[:, None]
        inner = np.eye(size) + self.precision * variance[:, :, None]
        both = np.concatenate([self.precision, self.information[..., None]], axis=2)
        told = np.linalg.solve(inner, np.broadcast_to(both, (len(sd), *both.shape)))
        own, pull = told[..., :size], told[..., size]
        value = 0.5 * (self.information * variance * pull).sum(axis=(1, 2))
        value -= 0.5 * np.linalg.slogdet(inner)[1].sum(axis=1)
        turned = self.design.transpose(0, 2, 1)
        blocks, pulls = turned @ own @ self.design, (turned @ pull[..., None])[..., 0]
        before = np.where(self.effect >= 0, sd[:, self.effect], self.fixed_sd) ** -2.0
        value += 0.5 * (np.log(before) - before * self.centre**2).sum(axis=1)
        rows, _, place, diagonal = self._pattern
        entries = _gathered(place, blocks, len(rows))
        entries[:, diagonal] += before
        return (value, _gathered(self.place.ravel(), pulls, q) + before * self.centre, entries,
                own, pull)

    @cached_property
    def _pattern(self):
        """Where the precision of the effects has entries: most pairs of effects share no piece, so
        it is sparse. Rows and starts of its columns, the place of each piece's entries, and the
        diagonal's."""
        q = len(self.centre)
        cells = (self.place[:, :, None] * q + self.place[:, None, :]).ravel()
        whole = np.append(cells, np.arange(q) * (q + 1))
        found, place = np.unique(whole, return_inverse=True)
        starts = np.searchsorted(found, np.arange(q + 1) * q)
        return ((found % q).astype(np.int32), starts.astype(np.int32), place[: len(cells)],
                place[len(cells):])

    def log_posterior(self, scores):
        """Log posterior (S,) of scores (S, G), up to a constant."""
        scores = np.atleast_2d(scores)
        sds, many = self.sds(scores), max(1, _EVIDENCE // len(self.precision))
        if len(self.centre) > _DENSE:
            marginal = np.array([self.given(sd)[0] for sd in sds])
        else:
            marginal = np.concatenate([self._marginal(sds[first : first + many])
                                       for first in range(0, len(sds), many)])
        return marginal - 0.5 * (scores**2).sum(axis=1)

    def _marginal(self, sd):
        """Log marginal likelihood (S,) under learnt sds (S, G), by whole matrices."""
        value, right, entries, _, _ = self._evidence(sd)
        rows, starts, _, _ = self._pattern
        q = len(self.centre)
        whole = np.zeros((len(sd), q, q))
        whole[:, rows, np.repeat(np.arange(q), np.diff(starts))] = entries
        mean = np.linalg.solve(whole, right[..., None])[..., 0]
        return value + 0.5 * ((right * mean).sum(axis=1) - np.linalg.slogdet(whole)[1])

    def peak(self, start=None):
        """The peak of the posterior of the scores, near enough to shape a proposal."""
        groups = len(self.scale)
        steps = _STEP * np.vstack([np.zeros(groups), np.eye(groups), -np.eye(groups)])

        def sloped(point):
            value = self.log_posterior(point + steps)
            return value[0], (value[1 : 1 + groups] - value[1 + groups :]) / (2.0 * _STEP)

        first = np.zeros(groups) if start is None else start
        return steepened(climb(sloped, first, 1e-2, restarts=1, step=0.05))

    def fit(self, *, size=1000, seed=1, start=None):
        """Draw the scores: a :class:`Learnt`. ``start`` : where the climb sets out (G,)."""
        sampler = Sampler(self.log_posterior, self.peak(start), seed)
        sampler.grow(size)
        return Learnt(self, sampler.weighed())

    def cavities(self, sd):
        """What all others say of each theta under learnt sds (G,): mean (J, p), covariance
        (J, p, p)."""
        _, mean, solve, own, pull = self.given(sd)
        local = self._local(solve)
        about = self.design @ local @ self.design.transpose(0, 2, 1)
        middle = (self.design @ mean[self.place][..., None])[..., 0]
        without = np.eye(own.shape[1]) - about @ own
        away = middle - (about @ pull[..., None])[..., 0]
        told = np.linalg.solve(without, np.concatenate([about, away[..., None]], axis=2))
        return told[..., -1], told[..., :-1] + np.diag(self.deviation_variance(sd))

    def _local(self, solve):
        """The covariance (J, m, m) of the effects of each piece, some columns at a time."""
        q, (pieces, size) = len(self.centre), self.place.shape
        local = np.empty((pieces, size, size))
        for first in range(0, q, _AT_ONCE):
            columns = solve(np.eye(q, min(_AT_ONCE, q - first), -first))
            piece, own = np.nonzero((self.place >= first) & (self.place < first + _AT_ONCE))
            at = self.place[piece, own] - first
            local[piece, :, own] = columns[self.place[piece], at[:, None]]
        return local


@dataclass(frozen=True)
class Learnt:
    """The posterior of a :class:`Hierarchy`: weighted ``draws`` of its scores."""

    hierarchy: Hierarchy
    draws: Draws

    @cached_property
    def sds(self):
        """The learnt sds (S, G) of the draws."""
        return self.hierarchy.sds(self.draws.points)

    def mean_sds(self):
        """Posterior means (G,) of the learnt sds."""
        return self.draws.weights @ self.sds

    @cached_property
    def kept(self):
        """Some draws of alike weight, from small sds to large ones: their sds (K, G), and of the
        effects the means (K, q) and what divides by each precision."""
        order = np.argsort(self.sds.prod(axis=1))
        at = order[even_places(self.draws.weights[order], _KEPT)]
        found = [self.hierarchy.given(sd) for sd in self.sds[at]]
        return self.sds[at], np.array([f[1] for f in found]), [f[2] for f in found]

    def predict(self, rows, more=None):
        """Mean (n,) and covariance (n, n) of linear combinations ``rows`` (n, q) of the effects,
        with independent variances ``more(sds)`` (K, n) added."""
        sds, means, solves = self.kept
        middle, turned = means @ rows.T, np.ascontiguousarray(rows.T)
        within = sum(rows @ solve(turned) for solve in solves) / len(solves)
        away = middle - middle.mean(axis=0)
        covariance = within + away.T @ away / len(away)
        if more is not None:
            covariance = covariance + np.diag(more(sds).mean(axis=0))
        return middle.mean(axis=0), covariance


def _gathered(place, values, size):
    """Sums (S, size) of values (S, ...) by their places, the same in each."""
    flat = values.reshape(len(values), -1)
    at = np.arange(len(flat))[:, None] * size + place
    return np.bincount(at.ravel(), flat.ravel(), len(flat) * size).reshape(-1, size)
