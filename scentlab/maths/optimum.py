"""Finding the peak of a smooth log-likelihood or log-posterior, and its curvature there."""

from dataclasses import dataclass

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


def climb(function, start, gradient_tolerance=1e-6, hessian=True):
    """Maximise ``function(point) -> (value, gradient)`` from ``start`` by BFGS.

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

    found = optimize.minimize(
        downhill,
        start,
        jac=True,
        method="BFGS",
        options={"gtol": gradient_tolerance, "maxiter": 500},
    )
    point = found.x
    value, gradient = function(point)
    curvature = (
        difference_gradient(function, point) if hessian else np.full((len(point),) * 2, np.nan)
    )
    converged = bool(
        np.isfinite(value) and np.max(np.abs(gradient), initial=0.0) < 1e3 * gradient_tolerance
    )
    return Peak(point, float(value), gradient, curvature, converged)


def difference_gradient(function, point, step=1e-4):
    """Hessian (p, p) as the central difference of the gradient of ``function``."""
    size = len(point)
    hessian = np.empty((size, size))
    for i in range(size):
        move = np.zeros(size)
        move[i] = step * max(1.0, abs(point[i]))
        hessian[i] = (function(point + move)[1] - function(point - move)[1]) / (2.0 * move[i])
    return 0.5 * (hessian + hessian.T)
