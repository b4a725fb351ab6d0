"""Finding the peak of a smooth log-likelihood or log-posterior, and its curvature there."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize


@dataclass(frozen=True)
class Peak:
    """A maximum: ``point`` (p,), ``value``, ``gradient`` (p,), ``hessian`` (p, p)."""

    point: np.ndarray
    value: float
    gradient: np.ndarray
    hessian: np.ndarray
    converged: bool

    @property
    def covariance(self):
        """Inverse of the negative Hessian; raises LinAlgError when it is not a peak."""
        np.linalg.cholesky(-self.hessian)
        return np.linalg.inv(-self.hessian)


def climb(function, start, gradient_tolerance=1e-6, hessian=True, restarts=4):
    """Maximise ``function(point) -> (value, gradient)`` from ``start`` by BFGS.

    A climb that gets stuck, where far from the peak a quadrature is rough, starts afresh from
    where it is, at most ``restarts`` times.

    Returns
    -------
    Peak; ``converged`` is False when the gradient at the end is not small against the
    curvature. The Hessian is the central difference of the gradient.
    """
    start = np.asarray(start, dtype=float)

    def downhill(point):
        value, gradient = function(point)
        if not np.isfinite(value):
            return 1e300, np.zeros_like(point)
        return -value, -gradient

    point = start
    for _ in range(1 + restarts):
        found = optimize.minimize(
            downhill,
            point,
            jac=True,
            method="BFGS",
            options={"gtol": gradient_tolerance, "maxiter": 500},
        )
        point = found.x
        value, gradient = function(point)
        steepest = np.max(np.abs(gradient), initial=0.0)
        converged = bool(np.isfinite(value) and steepest < 1e3 * gradient_tolerance)
        if converged or not np.isfinite(value):
            break
    curvature = np.full((len(point),) * 2, np.nan)
    if hessian:
        curvature = difference_gradient(function, point)
    return Peak(point, float(value), gradient, curvature, converged)


def steepened(peak, least=0.1):
    """A peak whose curvature is at least ``least`` in every direction.

    For a point that is nearly a peak and only shapes a proposal, which learns the rest.
    """
    bend, axes = np.linalg.eigh(-peak.hessian)
    return replace(peak, hessian=-(axes * np.maximum(bend, least)) @ axes.T)


def difference_gradient(function, point, step=1e-4):
    """Hessian (p, p) as the central difference of the gradient of ``function``."""
    size = len(point)
    hessian = np.empty((size, size))
    for i in range(size):
        move = np.zeros(size)
        move[i] = step * max(1.0, abs(point[i]))
        hessian[i] = (function(point + move)[1] - function(point - move)[1]) / (2.0 * move[i])
    return 0.5 * (hessian + hessian.T)
