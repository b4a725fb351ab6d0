"""The hierarchical model against a fit by other software, a grid, and one-go fits."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from scentlab.maths.hierarchy import Hierarchy

SCHOOLS = pd.read_csv(Path(__file__).parents[1] / "reference" / "eight_schools.csv")
# Of the same source as the file: posterior means by Stan and their Monte Carlo errors.
MU, TAU = (4.41051833695493, 0.0330374705950917), (3.60205952364059, 0.0318615135640706)


def normals(y, se, *, mean_sd=5.0, scale=5.0, df=1.0):
    """Estimates y (J,) with standard errors that scatter about one mean."""
    n = len(y)
    return Hierarchy(
        (se**-2.0)[:, None, None], (y / se**2)[:, None], np.ones((n, 1, 1)),
        np.zeros((n, 1), int), np.zeros(1), np.array([mean_sd]), np.array([-1]), np.array([0]),
        np.array([scale]), np.array([df]))


def schools():
    return normals(SCHOOLS["effect"].to_numpy(float), SCHOOLS["se"].to_numpy(float))


def posterior_means(learnt, y, se):
    """Posterior means of the schools, the mean and the sd, over the draws of the sd."""
    w = learnt.draws.weights
    at = np.quantile(learnt.sds, np.linspace(0.0, 1.0, 400))  # smooth between
    mean = np.interp(learnt.sds[:, 0], at, [learnt.hierarchy.given(sd[None])[1][0] for sd in at])
    var = learnt.sds**2
    each = (y * var + mean[:, None] * se**2) / (var + se**2)
    return w @ each, w @ mean, w @ learnt.sds[:, 0]


def test_eight_schools_as_stan_fits_them():
    """Within four Monte Carlo errors of Stan and of our own draws (Rubin 1981; BDA ch. 5)."""
    found = posterior_means(schools().fit(size=8000, seed=2), SCHOOLS["effect"].to_numpy(float),
                            SCHOOLS["se"].to_numpy(float))
    assert np.all(np.abs(found[0] - SCHOOLS["mean"]) < 4 * np.hypot(SCHOOLS["mcse"], 0.02))
    assert found[1] == pytest.approx(MU[0], abs=4 * np.hypot(MU[1], 0.02))
    assert found[2] == pytest.approx(TAU[0], abs=4 * np.hypot(TAU[1], 0.04))


def grid(y, se, mean_sd=5.0, scale=5.0):
    """Mean and sd by brute force over both, for a half-Cauchy sd: the posterior means."""
    mean, sd = np.linspace(-25, 30, 441)[:, None], np.linspace(0.02, 80, 2000)[None]
    log = stats.norm.logpdf(mean, 0, mean_sd) + stats.halfcauchy.logpdf(sd, scale=scale)
    for own, error in zip(y, se, strict=True):
        log = log + stats.norm.logpdf(own, mean, np.hypot(sd, error))
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    return (weight * mean).sum(), (weight * sd).sum()


def test_few_experiments_agree_with_a_grid():
    y, se = np.array([3.0, -1.0, 8.0]), np.array([1.0, 2.0, 1.5])
    _, mean, sd = posterior_means(normals(y, se).fit(size=8000, seed=1), y, se)
    by_grid = grid(y, se)
    assert mean == pytest.approx(by_grid[0], abs=0.06)
    assert sd == pytest.approx(by_grid[1], rel=0.03)


def random_hierarchy(rng, pieces=5):
    """Two coordinates, an effect of known and one of learnt sd."""
    root = rng.standard_normal((pieces, 2, 2))
    precision = root @ root.transpose(0, 2, 1)
    precision[0] = [[2.0, 0.0], [0.0, 0.0]]  # it tells of one coordinate alone
    design = np.broadcast_to(np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 0.0]]), (pieces, 2, 3))
    place = np.column_stack([np.zeros(pieces), np.ones(pieces), 2 + np.arange(pieces) % 2])
    return Hierarchy(
        precision, (precision @ rng.standard_normal((pieces, 2, 1)))[..., 0], design,
        place.astype(int), np.array([1.0, -1.0, 0.0, 0.0]), np.array([2.0, 1.0, 1.0, 1.0]),
        np.array([-1, -1, 0, 0]), np.array([1, 2]), np.array([1.0, 0.5, 0.7]), np.full(3, 3.0))


def dense(h, sd):
    """Log marginal likelihood by one normal over all thetas; pieces that tell all they have."""
    pieces, q = len(h.precision), len(h.centre)
    rows = np.zeros((pieces, 2, q))
    for j in range(pieces):
        for m, at in enumerate(h.place[j]):
            rows[j, :, at] += h.design[j, :, m]
    rows = rows.reshape(-1, q)
    before = np.where(h.effect >= 0, sd[h.effect], h.fixed_sd) ** 2
    covariance = rows @ np.diag(before) @ rows.T
    covariance += np.diag(np.tile(sd[h.deviation] ** 2, pieces))
    own = np.zeros((2 * pieces, 2 * pieces))
    for j in range(pieces):
        own[2 * j : 2 * j + 2, 2 * j : 2 * j + 2] = h.precision[j]
    mean, told = rows @ h.centre, h.information.ravel()
    inverse = np.linalg.inv(covariance)
    after = np.linalg.inv(inverse + own)
    peak = after @ (inverse @ mean + told)
    value = 0.5 * (peak @ np.linalg.inv(after) @ peak - mean @ inverse @ mean)
    value += 0.5 * (np.linalg.slogdet(after)[1] - np.linalg.slogdet(covariance)[1])
    return value, peak.reshape(pieces, 2), after


def test_the_marginal_likelihood_is_that_of_one_normal_over_all():
    rng = np.random.default_rng(1)
    h = random_hierarchy(rng)
    for sd in rng.uniform(0.2, 2.0, (4, 3)):
        assert h.given(sd)[0] == pytest.approx(dense(h, sd)[0], abs=1e-9)


def test_what_the_others_say_and_a_piece_say_what_all_say():
    """One go and passing on agree: the cavity of a piece, with its own evidence, is its posterior
    in the model of all; and a cavity is the posterior of a model that lacks the piece."""
    h = random_hierarchy(np.random.default_rng(2))
    sd = np.array([0.8, 0.4, 0.9])
    means, covariances = h.cavities(sd)
    _, together, after = dense(h, sd)
    for j in range(len(means)):
        precision = np.linalg.inv(covariances[j]) + h.precision[j]
        right = np.linalg.solve(covariances[j], means[j]) + h.information[j]
        assert np.linalg.solve(precision, right) == pytest.approx(together[j], abs=1e-9)
        own = after[2 * j : 2 * j + 2, 2 * j : 2 * j + 2]
        assert np.linalg.inv(precision) == pytest.approx(own, abs=1e-9)
    silent = replace(h, precision=h.precision.copy(), information=h.information.copy())
    silent.precision[3], silent.information[3] = 0.0, 0.0
    _, alone, spread = dense(silent, sd)
    assert means[3] == pytest.approx(alone[3], abs=1e-9)
    assert covariances[3] == pytest.approx(spread[6:8, 6:8], abs=1e-9)


def test_a_prediction_has_the_moments_of_its_draws():
    learnt = schools().fit(size=2000, seed=3)
    mean, covariance = learnt.predict(np.ones((1, 1)), lambda sds: sds[:, :1] ** 2)
    w, sds = learnt.draws.weights, learnt.sds[:, 0]
    assert mean[0] == pytest.approx(MU[0], abs=0.25)
    # The sd of a ninth school: that of the mean (posteriordb: mean square 30.4), and tau.
    assert covariance[0, 0] == pytest.approx(30.40302 - MU[0] ** 2 + w @ sds**2, rel=0.15)
