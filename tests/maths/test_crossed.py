"""Two crossed groupings: against brute-force quadrature, the one-grouping fit, a known truth."""

import itertools

import numpy as np
import pytest
from numpy.polynomial.hermite_e import hermegauss

from scentlab.maths.crossed import CrossedProblem, fit_crossed
from scentlab.maths.cumulative import fit_cumulative
from scentlab.maths.ordinal import count_looks, grade_probabilities
from scentlab.results import FitError


def looks(seed, pots, assessors, repeats, sd=(0.8, 0.6)):
    """Grades of every assessor on every pot; the assessors' and pots' effects are crossed."""
    rng = np.random.default_rng(seed)
    pot, assessor, _ = (
        a.ravel() for a in np.meshgrid(range(pots), range(assessors), range(repeats), indexing="ij")
    )
    x = rng.uniform(-1.5, 1.5, len(pot))
    u, v = sd[0] * rng.standard_normal(pots), sd[1] * rng.standard_normal(assessors)
    latent = 1.2 * x + u[pot] + v[assessor] + rng.logistic(size=len(pot))
    return np.searchsorted([-1.0, 0.5, 2.0], latent), x[:, None], pot, assessor, (u, v)


def test_laplace_is_near_the_integral_by_brute_force():
    """Five effects integrated on a grid of 15^5 Gauss-Hermite nodes, looks many enough a group."""
    grade, x, pot, assessor, _ = looks(1, 2, 3, 12)
    problem = CrossedProblem(grade, x, pot, assessor, 4)
    theta, beta, sigmas = np.array([-1.0, 0.5, 2.0]), np.array([1.2]), np.array([0.8, 0.6])
    t, w = hermegauss(11)
    w = w / w.sum()
    log_p = np.empty((2, 3, 11, 11))
    for g, h in itertools.product(range(2), range(3)):
        own = (pot == g) & (assessor == h)
        eta = x[own, 0] * beta[0]
        shift = sigmas[0] * t[:, None] + sigmas[1] * t[None, :]
        p = grade_probabilities(theta, eta[:, None, None] + shift)
        seen = np.take_along_axis(p, grade[own][:, None, None, None], axis=-1)[..., 0]
        log_p[g, h] = np.log(seen).sum(axis=0)
    total = 0.0
    for a, b, c in itertools.product(range(11), repeat=3):
        rows = log_p[:, 0, :, a] + log_p[:, 1, :, b] + log_p[:, 2, :, c]
        total += w[a] * w[b] * w[c] * np.prod(np.exp(rows) @ w)
    value, _ = problem.log_likelihood(theta, beta, sigmas)
    assert value == pytest.approx(np.log(total), abs=0.05)


def test_without_the_second_grouping_it_is_the_plain_laplace_fit():
    grade, x, pot, assessor, _ = looks(2, 6, 4, 4)
    problem = CrossedProblem(grade, x, pot, assessor, 4)
    data = count_looks(grade, x, pot, 4)
    one = fit_cumulative(data, mixed=True, nodes=1)
    value, _ = problem.log_likelihood(one.thresholds, one.beta, [one.sigma, 1e-9])
    assert value == pytest.approx(one.log_likelihood, abs=1e-5)


def test_recovery_of_a_known_truth():
    grade, x, pot, assessor, (u, v) = looks(3, 14, 12, 5)
    fit = fit_crossed(CrossedProblem(grade, x, pot, assessor, 4))
    assert fit.beta[0] == pytest.approx(1.2, abs=0.25)
    assert fit.sigmas == pytest.approx([u.std(), v.std()], rel=0.5)
    assert np.corrcoef(fit.effects[0], u)[0, 1] > 0.9
    assert np.corrcoef(fit.effects[1], v)[0, 1] > 0.85


def test_exchanging_the_groupings_changes_nothing():
    grade, x, pot, assessor, _ = looks(4, 5, 4, 6)
    one = fit_crossed(CrossedProblem(grade, x, pot, assessor, 4))
    other = fit_crossed(CrossedProblem(grade, x, assessor, pot, 4))
    assert other.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-5)
    assert other.sigmas[::-1] == pytest.approx(one.sigmas, abs=5e-3)


def test_a_grade_never_seen():
    grade, x, pot, assessor, _ = looks(5, 3, 3, 3)
    with pytest.raises(FitError) as error:
        fit_crossed(CrossedProblem(np.minimum(grade, 2), x, pot, assessor, 4))
    assert str(error.value) == (
        "grade 3 was never seen, so its threshold has no finite estimate; join it with its "
        "neighbour"
    )
