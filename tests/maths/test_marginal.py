"""The marginal density and its draws: scipy's normal density, quadrature, numerical slopes.

With priors so wide that they say nothing it is the restricted likelihood, and its peak is held to
published variance components. Steel bars: Box 1996, *Quality Engineering*, and Box, Hunter & Hunter
2005 (mean squares from memory; recomputed in R aov and lmer). Oats: Yates 1935, MASS help output,
read. lme4's examples: Bates, Maechler, Bolker & Walker 2015, read; more digits in lme4 1.1-31.
Agreement: Shrout & Fleiss 1979, table 2, from memory; the digits are from R psych and psy.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from scentlab.maths.marginal import Marginal, Priors, draw_posterior, tellable


def grouped(seed=1, n=60, levels=(5, 12)):
    rng = np.random.default_rng(seed)
    groups = [rng.permutation(np.arange(n) % k) for k in levels]
    y = rng.standard_normal(n) + sum(rng.standard_normal(k)[g] for k, g in
                                     zip(levels, groups, strict=True))  # fmt: skip
    return rng, groups, y


@pytest.fixture(scope="module")
def marginal():
    """Two arms, three columns, two designs of one column each beside the first, one covariate."""
    rng, groups, y = grouped()
    x = rng.uniform(size=60)
    columns = np.column_stack([np.ones(60), x, x**2])
    arms = np.eye(2)[np.arange(60) % 2]
    mixes = np.array([[[1, 0, 0], [0, 1, 0]], [[1, 0, 0], [0, 0.3, 0.7]]], dtype=float)
    priors = Priors(np.array([1.0, 0.5, 0.8]), 0.7, 0.2, np.array([3.0, 3.0, 2.0, 2.0, 1.0]))
    extra = rng.standard_normal((60, 1))
    slopes = [None, x - 0.5]
    return Marginal(y, columns, arms, extra, mixes, [0.4, 0.6], groups, slopes, priors)


def covariance(marginal, log_sds, c):
    """That of the scores with coefficients and effects integrated out, written down in full."""
    z = marginal.groupings.z.toarray()
    x = marginal.design(c)
    squares = np.repeat(np.exp(2 * log_sds[:-1]), marginal.groupings.levels)
    error = np.exp(2 * log_sds[-1]) + marginal.priors.floor**2
    wide = x * np.asarray(marginal.priors.coefficients) ** 2
    return (z * squares) @ z.T + error * np.eye(marginal.n) + wide @ x.T


LOG_SDS = np.log([0.9, 0.3, 1.1])


def test_density_is_that_of_the_normal_distribution(marginal):
    """Up to a constant, by scipy's multivariate normal."""
    constants, seen = marginal.seen(LOG_SDS)
    found = marginal.densities(np.array([constants]), seen[None])[0]
    y = marginal.whole[:, -1]
    expected = [
        stats.multivariate_normal(np.zeros(60), covariance(marginal, LOG_SDS, c)).logpdf(y)
        for c in (0, 1)
    ]
    assert found - 30 * np.log(2 * np.pi) == pytest.approx(expected, abs=1e-8)


def test_expansion_against_numerical_slopes(marginal):
    x = marginal.design(1)
    value, slope, _ = marginal.expansion(LOG_SDS, x)
    constants, seen = marginal.seen(LOG_SDS)
    density = marginal.densities(np.array([constants]), seen[None])[0, 1]
    assert value == pytest.approx(density + marginal.log_prior(LOG_SDS), abs=1e-9)
    step = 1e-4 * np.eye(3)
    numerical = [
        (marginal.expansion(LOG_SDS + s, x)[0] - marginal.expansion(LOG_SDS - s, x)[0]) / 2e-4
        for s in step
    ]
    assert slope == pytest.approx(numerical, rel=1e-5, abs=1e-6)


def test_mode_is_a_maximum(marginal):
    at, bend = marginal.mode(0)
    value, slope, _ = marginal.expansion(at, marginal.design(0))
    assert slope @ np.linalg.solve(bend, slope) < 2e-3  # a tenth of an sd or less
    assert (np.linalg.eigvalsh(bend) > 0).all()
    for k in range(3):
        for way in (-0.3, 0.3):
            assert marginal.expansion(at + way * np.eye(3)[k], marginal.design(0))[0] < value


class TestDraws:
    """Yields of six lots of five (dyestuff; Davies 1947, as in lme4), in hundreds."""

    @pytest.fixture(scope="class")
    @classmethod
    def problem(cls, reference):
        frame = reference("dyestuff")
        y = frame["yield"].to_numpy(float) / 100.0 - 15.0
        lots = pd.factorize(frame["lot"])[0]
        one = np.ones((30, 1))
        priors = Priors(np.array([0.5, 0.5]), 1.0, 0.1, np.array([5.0]))
        return Marginal(y, one, one, np.zeros((30, 0)), np.ones((1, 1, 1)), [1.0], [lots], [None],
                        priors)  # fmt: skip

    @pytest.fixture(scope="class")
    @classmethod
    def quadrature(cls, problem):
        """Grid of 81 x 81 log sds with the normal density written down in full."""
        y, grid = problem.whole[:, -1], np.linspace(-3.5, 2.5, 81)
        density = np.array([
            [stats.multivariate_normal(np.zeros(30), covariance(problem, np.array([a, b]), 0))
             .logpdf(y) + problem.log_prior(np.array([a, b])) for b in grid] for a in grid
        ])  # fmt: skip
        weight = np.exp(density - density.max())
        return grid, weight / weight.sum()

    def test_sds_against_quadrature(self, problem, quadrature):
        grid, weight = quadrature
        found = draw_posterior(problem, 4000, 3)
        for k, margin in enumerate((weight.sum(axis=1), weight.sum(axis=0))):
            mean = margin @ grid
            sd = np.sqrt(margin @ (grid - mean) ** 2)
            error = sd / np.sqrt(found.effective)
            assert found.log_sds[:, k].mean() == pytest.approx(mean, abs=4 * error)
            assert found.log_sds[:, k].std() == pytest.approx(sd, rel=4 / np.sqrt(found.effective))

    def test_mean_has_the_tails_of_few_lots(self, problem, quadrature):
        """90 % limits of the mean yield against a mixture of normals over the quadrature."""
        grid, weight = quadrature
        found = np.quantile(draw_posterior(problem, 4000, 3).coefficients, [0.05, 0.95])
        a, b = np.exp(2 * grid)[:, None], np.exp(2 * grid)[None, :] + 0.01
        tight = 6.0 / (a + b / 5.0)  # six lots' means, sd^2 a + b / 5 each
        variance = 1.0 / (tight + 1 / 25.0)
        centre = variance * tight * problem.whole[:, -1].mean()
        reached = [np.sum(weight * stats.norm.cdf((q - centre) / np.sqrt(variance))) for q in found]
        assert reached == pytest.approx([0.05, 0.95], abs=0.015)

    def test_the_same_seed_the_same_draws(self, problem):
        one, two = (draw_posterior(problem, 100, 5).coefficients for _ in range(2))
        assert (one == two).all()


def test_chances_of_designs_against_quadrature(marginal):
    """Each design's density summed over a grid of the three log sds."""
    grid = np.linspace(-2.5, 2.0, 15)
    points = np.array(np.meshgrid(grid, grid, grid)).reshape(3, -1).T
    found = [marginal.seen(p) for p in points]
    density = marginal.densities(np.array([f[0] for f in found]), np.array([f[1] for f in found]))
    density = density + marginal.log_prior(points)[:, None] + np.log([0.4, 0.6])
    weight = np.exp(density - density.max()).sum(axis=0)
    drawn = draw_posterior(marginal, 2000, 1)
    assert drawn.chances == pytest.approx(weight / weight.sum(), abs=0.02)
    assert np.bincount(drawn.design) / 2000 == pytest.approx(drawn.chances, abs=0.01)


def test_coefficients_are_those_of_the_normal_equations(marginal):
    """Given sds and design: mean and covariance of beta, written down in full."""
    drawn = draw_posterior(marginal, 40_000, 2)
    s = int(np.argmax(np.unique(drawn.log_sds[:, 0], return_counts=True)[1]))
    own = drawn.log_sds[:, 0] == np.unique(drawn.log_sds[:, 0])[s]
    own &= drawn.design == 1
    log_sds = drawn.log_sds[own][0]
    x, prior = marginal.design(1), np.diag(np.asarray(marginal.priors.coefficients) ** -2.0)
    v = covariance(marginal, log_sds, 1) - (x / np.diag(prior)) @ x.T
    information = x.T @ np.linalg.solve(v, x) + prior
    mean = np.linalg.solve(information, x.T @ np.linalg.solve(v, marginal.whole[:, -1]))
    found = drawn.coefficients[own]
    assert found.mean(axis=0) == pytest.approx(mean, abs=1e-8)  # pairs on either side
    spread = np.sqrt(np.diag(np.linalg.inv(information)))
    assert found.std(axis=0) == pytest.approx(spread, rel=6 / np.sqrt(own.sum()))


def codes(*columns):
    return pd.factorize(pd.Series(list(zip(*columns, strict=True))).map(str))[0]


def cells(*factors):
    return np.eye(len(set(codes(*factors))))[codes(*factors)]


def restricted(y, x, groups):
    """The peak of the marginal density under priors that say nothing: variances, the error's last,
    and mean and covariance of the coefficients there."""
    y, p = np.asarray(y, float), x.shape[1]
    scale = np.std(y)
    priors = Priors(np.full(len(groups) + 1, scale), 1e4, 0.0, np.full(p, 1e5 * np.abs(y).max()))
    marginal = Marginal(
        y, x, np.ones((len(y), 1)), np.empty((len(y), 0)), np.eye(p)[None], [1.0], groups,
        [None] * len(groups), priors,
    )
    found = optimize.minimize(
        lambda at: tuple(-v for v in marginal.expansion(at, x)[:2]),
        np.log(np.full(len(groups) + 1, 0.5 * scale)), jac=True, options={"gtol": 1e-7},
    )
    information, right = marginal.informed(marginal.seen(found.x)[1], marginal.turns[0])
    spread = np.linalg.inv(information)
    return np.exp(2 * found.x), spread @ right, spread


def f_ratio(beta, spread, contrasts):
    value = contrasts @ beta
    return value @ np.linalg.solve(contrasts @ spread @ contrasts.T, value) / len(contrasts)


def cell_contrasts(first, second):
    """Main effects of two crossed factors over the cells, sorted."""
    one, two = (np.eye(n)[1:] - np.eye(n)[0] for n in (first, second))
    return np.kron(one, np.full(second, 1 / second)), np.kron(np.full(first, 1 / first), two)


class TestPublished:
    @pytest.mark.parametrize("name, value, groups, expected", [
        ("penicillin", "diameter", (("plate",), ("sample",)), (0.71690514, 3.7311318, 0.30241496)),
        ("pastes", "strength", (("lot", "cask"), ("lot",)), (8.4336659, 1.6573109, 0.6779999)),
        ("dyestuff", "yield", (("lot",),), (1764.05, 2451.25)),
        ("agreement", "score", (("piece",), ("assessor",)), (2.5555556, 5.2444444, 1.0194444)),
    ])
    def test_variances_about_one_mean(self, reference, name, value, groups, expected):
        frame = reference(name)
        groups = [codes(*(frame[c] for c in group)) for group in groups]
        variances, _, _ = restricted(frame[value], np.ones((len(frame), 1)), groups)
        assert variances == pytest.approx(expected, rel=1e-3)

    def test_oats_and_their_straight_line_in_nitrogen(self, reference):
        frame = reference("oats")
        groups = [codes(frame["block"]), codes(frame["block"], frame["variety"])]
        both = cells(frame["variety"], frame["nitro"])
        variances, _, _ = restricted(frame["yield"], both, groups)
        assert variances == pytest.approx([214.4747, 106.0615, 177.0836], rel=1e-3)
        x = np.column_stack([np.ones(72), frame["nitro"]])
        _, beta, spread = restricted(frame["yield"], x, groups)
        assert beta == pytest.approx([81.872222, 73.666667], rel=1e-5)
        assert np.sqrt(np.diag(spread)) == pytest.approx([6.945280, 6.781483], rel=1e-3)

    def test_steel_bars_of_one_heat_are_not_independent(self, reference):
        """The tempting mistake has its published wrong answer: 10.2256 and 1.1026."""
        bars = reference("steel_bars").sort_values(["temperature", "coating"], kind="stable")
        x, heat = cells(bars["temperature"], bars["coating"]), codes(bars["heat"])
        temperature, coating = cell_contrasts(3, 4)
        variances, *right = restricted(bars["y"], x, [heat])
        assert variances == pytest.approx([1172.1667, 124.5417], rel=1e-3)
        assert f_ratio(*right, temperature) == pytest.approx(2.75484, rel=1e-3)
        assert f_ratio(*right, coating) == pytest.approx(11.47976, rel=1e-3)
        _, *wrong = restricted(bars["y"], x, [])
        assert f_ratio(*wrong, temperature) == pytest.approx(10.2256, rel=1e-4)
        assert f_ratio(*wrong, coating) == pytest.approx(1.1026, rel=1e-4)


class TestTellable:
    pots = np.array(["a", "a", "b", "b", "c", "c"])

    def test_what_can_be_told_stays(self):
        names, groups, slopes = tellable(
            {"pot": (self.pots, None), "half": (np.arange(6) % 2, np.arange(6.0))}, np.ones((6, 1))
        )
        assert names == ("pot", "half") and slopes[0] is None
        assert groups[0].tolist() == [0, 0, 1, 1, 2, 2]

    @pytest.mark.parametrize("labels", [["x"] * 6, list("abcdef")])
    def test_one_group_or_a_group_for_each_says_nothing(self, labels):
        assert tellable({"pot": (labels, None)}, np.ones((6, 1))) == ((), (), ())

    def test_the_same_partition_under_other_names_counts_once(self):
        wanted = {"pot": (self.pots, None), "piece": (["z", "z", "y", "y", "x", "x"], None)}
        assert tellable(wanted, np.ones((6, 1)))[0] == ("pot",)

    def test_what_the_fixed_columns_take_up_is_left_out(self):
        arms = np.eye(3)[[0, 0, 1, 1, 2, 2]]
        assert tellable({"pot": (self.pots, None)}, arms) == ((), (), ())
