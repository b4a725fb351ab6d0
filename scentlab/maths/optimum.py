"""Finding the peak of a smooth log-likelihood or log-posterior, and its curvature there."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize


@dataclass(frozen=True)
class Peak:
    """A maximum: ``point`` (p,), ``value``, ``hessian`` (p, p)."""

    point: np.ndarray
    value: float
    hessian: np.ndarray
    converged: bool

    @property
    def covariance(self):
        """Inverse of the negative Hessian; raises LinAlgError when it is not a peak."""
        np.linalg.cholesky(-self.hessian)
        return np.linalg.inv(-self.hessian)


def climb(
    function, start, gradient_tolerance=1e-6, restarts=4, gradients=None, near=None, step=1e-4
):
    """Maximise ``function(point) -> (value, gradient)`` from ``start`` by BFGS.

    A climb that gets stuck, where far from the peak a quadrature is rough, starts afresh from
    where it is, at most ``restarts`` times.

    gradients : callable, points (n, p) to gradients (n, p), which serves the Hessian at once.
    near : array (p, p), about the covariance at the peak, such as that of a like function.
    step : of the differences of gradients that make the Hessian; wide where the function has kinks.
    Returns Peak; ``converged`` is False when the gradient at the end is not small against the
    curvature. The Hessian is the central difference of the gradient.
    """
    start = np.asarray(start, dtype=float)

    def downhill(point):
        value, gradient = function(point)
        if not np.isfinite(value):
            return 1e300, np.zeros_like(point)
        return -value, -gradient

    point, options = start, {"gtol": gradient_tolerance, "maxiter": 500}
    if near is not None:
        options["hess_inv0"] = 0.5 * (near + near.T)
    for _ in range(1 + restarts):
        found = optimize.minimize(downhill, point, jac=True, method="BFGS", options=options)
        options.pop("hess_inv0", None)
        point = found.x
        value, gradient = function(point)
        steepest = np.max(np.abs(gradient), initial=0.0)
        converged = bool(np.isfinite(value) and steepest < 1e3 * gradient_tolerance)
        if converged or not np.isfinite(value):
            break
    each = gradients or (lambda points: np.array([function(p)[1] for p in points]))
    return Peak(point, float(value), difference_gradient(each, point, step), converged)


def steepened(peak):
    """A peak whose curvature is at least 0.1 in every direction.

    For a point that is nearly a peak and only shapes a proposal, which learns the rest.
    """
    bend, axes = np.linalg.eigh(-peak.hessian)
    return replace(peak, hessian=-(axes * np.maximum(bend, 0.1)) @ axes.T)


def difference_gradient(gradients, point, step=1e-4):
    """Hessian (p, p) at a point as the central difference of ``gradients`` of (n, p) points."""
    size = step * np.maximum(1.0, np.abs(point))
    ahead, behind = np.split(gradients(point + np.vstack([np.diag(size), -np.diag(size)])), 2)
    hessian = (ahead - behind) / (2.0 * size[:, None])
    return 0.5 * (hessian + hessian.T)
