"""Loads at risk against published benchmark doses and half-effect doses.

The benchmark dose is what the load at risk is: the stimulus x where the chance of a response has
risen by an extra risk of 0.10. The kit's own ordinal model, given two grades and no pots, must
give the published logistic and probit numbers exactly.

Sources: U.S. EPA, BMDS unit test (set ddataset2) and pybmds quickstart page, both read; more
digits from pybmds 25.2. Beetles: Dobson, read; budworm and menarche: Venables & Ripley 2002, from
memory.
"""

import numpy as np
import pytest

from scentlab.maths.graded import CapacityModel, CapacityPrior
from scentlab.maths.links import find_link
from scentlab.maths.optimum import climb
from scentlab.maths.ordinal import count_looks

# So wide that the peak is that of the likelihood, and pots that are all alike.
FLAT = {name: 1e9 for name in ("capacity_scale", "spread_log_sd", "gap_log_sd")} | {
    "sigma_scale": 1e-9, "spread_shift_sd": 0.0, "misread_median": None}


def two_grades(frame, scale=1.0, link="logit", flip=False):
    """The kit's sweat model, with two grades, on x / scale, and the peak of its likelihood."""
    each = np.concatenate([frame["n"] - frame["y"], frame["y"]])
    x = np.repeat(np.tile(frame["x"].to_numpy(float) / scale, 2), each)
    grades = np.repeat(np.repeat([0, 1], len(frame)), each)
    design = np.column_stack([-x if flip else x, np.ones_like(x)])
    data = count_looks(1 - grades if flip else grades, design, np.zeros_like(x), 2)
    centre = (float(design[:, 0].mean()),)
    model = CapacityModel(data, 1, CapacityPrior(capacity_centre=centre, **FLAT), link=link)
    return model, climb(model.value_and_gradient, model.start())


def with_slope(function, step=1e-6):
    """A function of a point with its gradient by central differences."""

    def both(point):
        moves = step * np.eye(len(point))
        slope = [(function(point + m) - function(point - m)) / (2 * step) for m in moves]
        return function(point), np.array(slope)

    return both


def benchmark(link, extra=0.10):
    """x at which the risk is P(0) + extra (1 - P(0)), of (capacity, log spread)."""
    found = find_link(link)

    def stimulus(free):
        capacity, spread = free[0], np.exp(free[1])
        none = 1.0 - found.sf(-capacity / spread)
        return capacity + spread * found.quantile(none + extra * (1.0 - none))

    return with_slope(stimulus)


class TestBenchmarkDose:
    """x is divided by 10 and the answers are multiplied by it."""

    @pytest.mark.parametrize(
        "name, link, published",
        [
            ("ddataset2", "logit", 69.583506), ("ddataset2", "probit", 66.883454),
            ("quickstart", "logit", 88.015790), ("quickstart", "probit", 83.148535),
        ],
    )
    def test_published(self, reference, name, link, published):
        frame = reference("benchmark")
        _, peak = two_grades(frame[frame["set"] == name], 10.0, link)
        assert 10 * benchmark(link)(peak.point)[0] == pytest.approx(published, rel=1e-6)

    @pytest.mark.parametrize("name, value", [("ddataset2", -179.97826), ("quickstart", -62.260494)])
    def test_likelihood(self, reference, name, value):
        frame = reference("benchmark")
        _, peak = two_grades(frame[frame["set"] == name], 10.0)
        assert peak.value == pytest.approx(value, abs=5e-6)

    def test_parameters_of_the_quickstart_set(self, reference):
        frame = reference("benchmark")
        _, peak = two_grades(frame[frame["set"] == "quickstart"], 10.0)
        slope = np.exp(-peak.point[1])
        assert slope / 10 == pytest.approx(0.006487035, rel=1e-6)
        assert -peak.point[0] * slope == pytest.approx(-1.779976, rel=1e-6)



class TestBeetles:
    def test_logit(self, reference):
        _, peak = two_grades(reference("beetles"))
        slope = np.exp(-peak.point[1])
        assert slope == pytest.approx(34.270326, rel=1e-6)
        assert -peak.point[0] * slope == pytest.approx(-60.717455, rel=1e-6)
        assert peak.point[0] == pytest.approx(1.771721, abs=5e-7)
        assert np.sqrt(peak.covariance[0, 0]) == pytest.approx(0.0038581, abs=1e-7)

    def test_probit(self, reference):
        _, peak = two_grades(reference("beetles"), link="probit")
        slope = np.exp(-peak.point[1])
        assert [-peak.point[0] * slope, slope] == pytest.approx([-34.935259, 19.727934], rel=1e-6)
        assert peak.point[0] == pytest.approx(1.7708524, abs=5e-8)

    def test_cloglog(self, reference):
        """The link is of P(Y <= 0), so grade 0 stands for the dead and x is turned round."""
        _, peak = two_grades(reference("beetles"), link="cloglog", flip=True)
        slope = np.exp(-peak.point[1])
        assert slope == pytest.approx(22.041170, rel=1e-6)
        assert peak.point[0] * slope == pytest.approx(-39.572311, rel=1e-6)
        half = -peak.point[0] + np.exp(peak.point[1]) * np.log(np.log(2.0))
        assert half == pytest.approx(1.7787530, abs=5e-8)


def test_budworm_loads_at_three_risks(reference):
    frame = reference("budworm")
    frame = frame[frame["sex"] == "F"]
    expected = {0.25: 2.231265, 0.50: 3.263587, 0.75: 4.295910}
    # The published slope is that of both sexes together, so both are fitted.
    both = reference("budworm")
    x, grades = np.tile(both["x"].to_numpy(float), 2), np.repeat([0, 1], 12)
    sex = np.tile((both["sex"] == "F").to_numpy(float), 2)
    each = np.concatenate([both["n"] - both["y"], both["y"]])
    design = np.repeat(np.column_stack([x, sex, 1.0 - sex]), each, axis=0)
    looks = count_looks(np.repeat(grades, each), design, np.zeros(len(design)), 2)
    model = CapacityModel(looks, 2, CapacityPrior(capacity_centre=(x.mean(),) * 2, **FLAT))
    peak = climb(model.value_and_gradient, model.start())
    for risk, value in expected.items():
        target = with_slope(lambda f, r=risk: f[0] + np.exp(f[2]) * np.log(r / (1 - r)))
        estimate, slope = target(peak.point)
        assert estimate == pytest.approx(value, abs=1e-6)
        error = {0.25: 0.2499089, 0.50: 0.2297539, 0.75: 0.2746874}[risk]
        assert np.sqrt(slope @ peak.covariance @ slope) == pytest.approx(error, rel=1e-5)


def test_menarche(reference):
    _, peak = two_grades(reference("menarche").rename(columns={"age": "x"}))
    slope = np.exp(-peak.point[1])
    assert [-peak.point[0] * slope, slope] == pytest.approx([-21.2263949, 1.6319683], rel=1e-6)
    assert peak.point[0] == pytest.approx(13.006622, abs=1e-6)
    assert np.sqrt(peak.covariance[0, 0]) == pytest.approx(0.0386658, rel=1e-5)
