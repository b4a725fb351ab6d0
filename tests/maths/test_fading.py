"""Curves of first order over time: certified fits, slopes, contrasts, other software.

Misra1a and BoxBOD: NIST Statistical Reference Datasets, y = b1 (1 - exp(-b2 x)), certified values
in the files. Mixed models: statsmodels.
"""

import re
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize

from scentlab.maths.fading import (
    APPROACH,
    FADING,
    FALLING,
    STRAIGHT,
    TimeData,
    contrasts,
    draw_fits,
    fit_over_time,
    time_to,
)
from scentlab.results import FitError

REFERENCE = Path(__file__).parents[1] / "reference"


def certified(name):
    text = (REFERENCE / f"{name}.dat").read_text()
    number = r"([-+.\dE]+)"
    lines = re.findall(rf"b\d =\s+{number}\s+{number}\s+{number}\s+{number}", text)
    values = np.array(lines, dtype=float)[:, 2:]
    rss = float(re.search(rf"Residual Sum of Squares:\s+{number}", text)[1])
    y, x = np.array([r.split() for r in text.splitlines()[60:] if r.strip()], dtype=float).T
    return x, y, values[:, 0], values[:, 1], rss


def one_arm(time, y, **more):
    return TimeData(np.asarray(time, float), np.asarray(y, float), np.zeros(len(y), int),
                    np.array([0]), **more)


@pytest.mark.parametrize("name", ["Misra1a", "BoxBOD"])
def test_certified(name):
    """The kit's level is the loss at the last x: b1 follows from it, and its error by delta."""
    x, y, values, errors, rss = certified(name)
    data = one_arm(x, y)
    fit = fit_over_time(data, APPROACH)
    (k,), (level,) = fit.rates, fit.level
    whole = -np.expm1(-k * data.end)
    slope = np.array([1.0 / whole, -level * data.end * np.exp(-k * data.end) / whole**2])
    assert [level / whole, k] == pytest.approx(values, rel=1e-8)
    found = np.sqrt([slope @ fit.covariance @ slope, fit.covariance[1, 1]])
    assert found == pytest.approx(errors, rel=1e-8)
    assert fit.variances[-1] * (len(x) - 2) == pytest.approx(rss, rel=1e-9)
    assert fit.df == pytest.approx(len(x) - 2.0)


@pytest.mark.parametrize("form", [APPROACH, FADING, FALLING])
@pytest.mark.parametrize("k", [-0.05, 0.0, 0.02, 0.4])
def test_slope_is_that_of_differences(form, k):
    t, step = np.linspace(0.1, 11.0, 9), 1e-6
    up, down = (form.curve(t, k + s, 11.0) for s in (step, -step))
    assert form.slope(t, k, 11.0) == pytest.approx((up - down) / (2 * step), abs=2e-4)


def test_a_rate_of_zero_is_the_straight_line():
    t = np.linspace(0, 12, 7)
    assert APPROACH.curve(t, 0.0, 12.0) == pytest.approx(STRAIGHT.curve(t, 0.0, 12.0), abs=1e-7)


class TestContrasts:
    def test_the_start_of_a_piece_does_not_matter(self):
        rng = np.random.default_rng(1)
        time, piece = np.tile([0.0, 1, 3, 6, 10], 3), np.repeat([0, 1, 2], 5)
        loss = 1.2 * -np.expm1(-0.2 * time) + 0.02 * rng.standard_normal(15)
        arms = np.zeros(15, int), np.array([0])
        fits = [
            fit_over_time(TimeData(time, loss + start[piece], *arms, within=contrasts(piece)),
                          APPROACH)
            for start in (np.zeros(3), np.array([3.0, -8.0, 0.4]))
        ]
        assert fits[0].level == pytest.approx(fits[1].level, rel=1e-9)
        assert fits[0].rates == pytest.approx(fits[1].rates, rel=1e-7)

    def test_one_piece_is_a_curve_with_a_free_start(self):
        """scipy.optimize.curve_fit of y = start + level * s(t; k), on invented data."""
        rng = np.random.default_rng(2)
        time = np.array([0.0, 1, 2, 4, 6, 9, 12])
        y = 25 - 1.3 * -np.expm1(-0.2 * time) + 0.02 * rng.standard_normal(7)
        data = one_arm(time, -y, within=contrasts(np.zeros(7, int)))
        fit = fit_over_time(data, APPROACH)
        there, covariance = optimize.curve_fit(
            lambda t, w, a, k: w - a * np.expm1(-k * t) / np.expm1(-k * 12), time, y,
            p0=(25, 1, 0.1), xtol=1e-12, ftol=1e-12,
        )
        assert [*fit.level, *fit.rates] == pytest.approx(there[1:], rel=1e-6)
        found = np.sqrt(np.diag(fit.covariance))
        assert found == pytest.approx(np.sqrt(np.diag(covariance))[1:], rel=1e-4)
        assert fit.df == pytest.approx(4.0)


def weighed(seed):
    """Two arms of four pieces whose losses differ in proportion to the curve."""
    rng = np.random.default_rng(seed)
    time, piece = np.tile([0.0, 1, 2, 4, 6, 9, 12], 8), np.repeat(np.arange(8), 7)
    arm = (piece >= 4).astype(int)
    own = 1 + 0.25 * rng.standard_normal(8)
    y = -1.3 * own[piece] * np.expm1(-np.where(arm, 0.3, 0.12) * time)
    y = y + 0.03 * rng.standard_normal(56)
    data = TimeData(time, y, arm, np.array([0, 1]), ("piece",), (piece,), ("curve",),
                    contrasts(piece))
    return data, APPROACH, [1.0, 1.0, *np.log([0.3, 0.03])]


def smelt(seed):
    """Two arms of two pieces, scored by five assessors whose scores shift and fall."""
    rng = np.random.default_rng(seed)
    hours = np.array([0.0, 2, 6, 11])
    piece, who, time = (a.ravel() for a in np.meshgrid(range(4), range(5), hours, indexing="ij"))
    arm, centred = (piece >= 2).astype(int), (time - time.mean()) / 11
    shift, fall, own = rng.standard_normal(5), rng.standard_normal(5), rng.standard_normal(4)
    y = 7 * np.exp(-np.where(arm, 0.05, 0.12) * time) + shift[who] + fall[who] * centred
    y = y + 0.7 * own[piece] + 0.6 * rng.standard_normal(len(time))
    data = TimeData(time, y, arm, np.array([0, 1]), ("assessor", "fall", "piece"),
                    (who, who, piece), (None, centred, None))
    return data, FADING, [6.0, 6.0, *np.log([0.8, 0.8, 0.6, 0.7])]


def full_deviance(data, form, count):
    """-2 log of the likelihood in rates, levels and log sds (the error's last), all written out."""
    seen = data.seen(data.y)

    def deviance(values):
        rates, level, sds = np.split(values, [count, count + data.arms])
        curve = data.curve(form, rates)
        whole = np.exp(2 * sds[-1]) * np.eye(len(seen))
        for group, scale, sd in zip(data.groups, data.scales, sds[:-1], strict=True):
            own = curve if isinstance(scale, str) else np.ones(len(curve)) if scale is None else (
                scale)
            effects = data.seen(np.eye(group.max() + 1)[group] * own[:, None])
            whole += np.exp(2 * sd) * effects @ effects.T
        lower = np.linalg.cholesky(whole)
        rest = np.linalg.solve(lower, seen - data.seen(level[data.arm] * curve))
        return np.log(2 * np.pi * np.diag(lower) ** 2).sum() + rest @ rest

    return deviance


class TestRandomEffects:
    def data(self):
        rng = np.random.default_rng(5)
        time = np.tile([0.0, 2, 4, 7, 11], 8)
        who = np.repeat(np.arange(8), 5)
        y = 7 * np.exp(-0.1 * time) + 2 * rng.standard_normal(8)[who]
        y = y + 0.5 * rng.standard_normal(40)
        return time, y, who

    def test_as_statsmodels_with_the_rate_held(self):
        """MixedLM by REML on the columns of the curve and of its slope in the rate."""
        time, y, who = self.data()
        data = one_arm(time, y, names=("piece",), groups=(who,), scales=(None,))
        fit = fit_over_time(data, FADING)
        columns = np.column_stack([
            data.design(FADING, fit.rates), data.rate_columns(FADING, fit.rates, fit.level)
        ])
        other = sm.MixedLM(y, columns, groups=who).fit(reml=True)
        between, error = float(other.cov_re[0, 0]), other.scale
        assert fit.variances == pytest.approx([between, error], rel=1e-3)
        whole = error * np.eye(40) + between * (who[:, None] == who)
        expected = np.linalg.inv(columns.T @ np.linalg.solve(whole, columns))
        # The slope in the rate was taken at the level by full likelihood.
        assert fit.covariance == pytest.approx(expected, rel=5e-2)

    def test_scores_of_a_person_are_not_taken_as_independent(self):
        """A wrong-answer guard: the level's error with persons is far above that without."""
        time, y, who = self.data()
        with_persons = one_arm(time, y, names=("a",), groups=(who,), scales=(None,))
        own, none = (fit_over_time(d, FADING) for d in (with_persons, one_arm(time, y)))
        errors = []
        for fit in (own, none):
            at_5_h = np.exp(-5 * fit.rates[0])
            slope = np.array([at_5_h, -5 * fit.level[0] * at_5_h])  # of the mean score at 5 h
            errors.append(np.sqrt(slope @ fit.covariance @ slope))
        assert errors[0] > 1.4 * errors[1]
        assert own.df[0] < none.df[0] - 10

    @pytest.mark.parametrize("separate", [False, True])
    @pytest.mark.parametrize("make", [weighed, smelt])
    def test_rates_are_those_of_the_full_likelihood(self, make, separate):
        """scipy.optimize over every parameter from a start of its own, covariances written out:
        effects in proportion to a curve that move with its rates, and crossed ones that stay."""
        data, form, start = make(2)
        fit = fit_over_time(data, form, separate)
        count = len(fit.rates)
        there = np.concatenate([np.full(count, 0.2), start])
        deviance = full_deviance(data, form, count)
        for method in ("Powell", "BFGS"):
            slope = None if method == "Powell" else "3-point"
            found = optimize.minimize(deviance, there, method=method, jac=slope, tol=1e-7)
            there = found.x
        assert fit.rates == pytest.approx(found.x[:count], rel=2e-5)
        assert fit.aic - 2 * len(there) == pytest.approx(found.fun, abs=1e-6)

    def test_separate_rates_are_found(self):
        time = np.tile(np.linspace(0, 10, 12), 2)
        arm = np.repeat([0, 1], 12)
        rng = np.random.default_rng(4)
        y = 8 * np.exp(-np.where(arm, 0.30, 0.05) * time) + 0.05 * rng.standard_normal(24)
        data = TimeData(time, y, arm, np.array([0, 1]))
        common, own = (fit_over_time(data, FADING, s) for s in (False, True))
        assert own.rates == pytest.approx([0.05, 0.30], abs=4 * 0.004)
        assert own.aic < common.aic - 50


def test_draws_have_the_covariance_of_the_fit():
    x, y, *_ = certified("Misra1a")
    fit = fit_over_time(one_arm(x, y), APPROACH)
    form, level, rate = draw_fits([fit], [1.0], 40000, 1)
    assert set(form) == {0} and level.shape == (40000, 1) and rate.shape == (40000, 1)
    spread = np.cov(np.hstack([level, rate]).T)
    # A t of 12 degrees of freedom has 12 / 10 of the variance.
    assert spread == pytest.approx(1.2 * fit.covariance, rel=0.06)


def test_time_to_inverts_the_curve():
    for form in (FADING, FALLING):
        t = time_to(form, 8.0, 0.07, 4.4)
        assert 8.0 * form.curve(t, 0.07, 1.0) == pytest.approx(4.4)
        assert time_to(form, 8.0, 0.0, 4.0) == np.inf and time_to(form, 8.0, -0.1, 4.0) == np.inf
        assert time_to(form, 3.0, 0.07, 4.0) == 0.0
    assert time_to(FADING, 8.0, 0.07, 0.0) == np.inf


def test_too_few_values():
    with pytest.raises(FitError) as error:
        fit_over_time(one_arm([0.0, 1.0], [1.0, 2.0]), APPROACH)
    assert str(error.value) == (
        "2 values over time cannot settle 2 parameters of a levelling off; check more pieces or "
        "at more times"
    )
