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
        """Variance (p,) of the deviations under learnt sds (G,)."""
        return np.where(self.deviation >= 0, sd[self.deviation] ** 2, 0.0)

    def given(self, sd):
        """Log marginal likelihood, and what is known of the effects, under learnt sds (G,).

        Returns (value, mean (q,), solve: callable of (q,) or (q, n) that divides by the precision,
        the evidence as it tells of the mean of each theta: precision (J, p, p), information (J, p))
        """
        variance, q = self.deviation_variance(sd), len(self.centre)
        inner = np.eye(len(variance)) + self.precision * variance
        both = np.concatenate([self.precision, self.information[..., None]], axis=2)
        told = np.linalg.solve(inner, both)
        own, pull = told[..., :-1], told[..., -1]
        turned = self.design.transpose(0, 2, 1)
        before = np.where(self.effect >= 0, sd[self.effect], self.fixed_sd) ** -2.0
        right = before * self.centre
        np.add.at(right, self.place, (turned @ pull[..., None])[..., 0])
        rows, starts, place, diagonal = self._pattern
        entries = np.bincount(place, (turned @ own @ self.design).ravel(), len(rows))
        entries[diagonal] += before
        root = splu(sparse.csc_array((entries, rows, starts), (q, q)),
                    permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                    options={"SymmetricMode": True})
        mean = root.solve(right)
        value = 0.5 * ((self.information * variance * pull).sum() + right @ mean
                       + (np.log(before) - before * self.centre**2).sum()
                       - np.linalg.slogdet(inner)[1].sum() - np.log(root.U.diagonal()).sum())
        return value, mean, root.solve, own, pull

    @cached_property
    def _pattern(self):
        """Where the precision of the effects has entries: most pairs of effects share no piece, so
        it is sparse. Rows and starts of its columns, the place of each piece's entries, and the
        diagonal's."""
        q = len(self.centre)
        cells = (self.place[:, :, None] * q + self.place[:, None]).ravel()
        found, place = np.unique(np.append(cells, np.arange(q) * (q + 1)), return_inverse=True)
        starts = np.searchsorted(found, np.arange(q + 1) * q)
        return (found % q).astype(np.int32), starts.astype(np.int32), place[:-q], place[-q:]

    def log_posterior(self, scores):
        """Log posterior (S,) of scores (S, G), up to a constant."""
        marginal = np.array([self.given(sd)[0] for sd in self.sds(scores)])
        return marginal - 0.5 * (scores**2).sum(axis=1)

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
        local = np.array([solve(_columns(at, len(mean)))[at] for at in self.place])
        about = self.design @ local @ self.design.transpose(0, 2, 1)
        middle = (self.design @ mean[self.place][..., None])[..., 0]
        without = np.eye(own.shape[1]) - about @ own
        away = middle - (about @ pull[..., None])[..., 0]
        told = np.linalg.solve(without, np.concatenate([about, away[..., None]], axis=2))
        return told[..., -1], told[..., :-1] + np.diag(self.deviation_variance(sd))


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


def _columns(places, size):
    """The columns (size, n) of the identity at these places."""
    found = np.zeros((size, len(places)))
    found[places, np.arange(len(places))] = 1.0
    return found
