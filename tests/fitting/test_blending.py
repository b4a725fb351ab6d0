"""What blends share: Scheffe columns, a blend not tested, and every refusal in full.

The yarn of Cornell, *Experiments with Mixtures* (2002), ch. 2 (data/published/yarn.csv): the
published quadratic is 11.7 x1 + 9.4 x2 + 16.4 x3 + 19.0 x1x2 + 11.4 x1x3 - 9.6 x2x3 with residual
sum of squares 6.56 (quoted from memory; the data give exactly these).
"""

import numpy as np
import pandas as pd
import pytest

from scentlab.fitting.blending import (
    KINDS,
    blending_columns,
    capacity_draws,
    inside_hull,
    predict_capacity,
    share_capacities,
)
from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.sampling import weighted_quantile
from scentlab.results import FitError
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

WAXES = ["soy", "palm", "hard"]
SOY = {"pure": 1.0, "most": 0.75, "some": 0.25, "none": 0.0}
CAPACITY = {name: 8.0 + 5.0 * (1.0 - share) for name, share in SOY.items()}


@pytest.fixture(scope="module")
def yarn(reference):
    return reference("yarn")


def coefficients(kind, yarn):
    columns = blending_columns(yarn[["x1", "x2", "x3"]], kind)
    found, rest, *_ = np.linalg.lstsq(columns, yarn["y"].to_numpy(), rcond=None)
    return found, float(rest[0])


class TestColumns:
    def test_quadratic_gives_the_published_coefficients_of_the_yarn(self, yarn):
        found, rest = coefficients("quadratic", yarn)
        assert found == pytest.approx([11.7, 9.4, 16.4, 19.0, 11.4, -9.6], abs=1e-8)
        assert rest == pytest.approx(6.56, abs=1e-8)

    def test_linear_is_the_fractions(self, yarn):
        """Residual sum of squares computed in numpy and R: 77.2269091."""
        found, rest = coefficients("linear", yarn)
        assert len(found) == 3
        assert rest == pytest.approx(77.2269091, abs=1e-7)

    def test_one_blend_is_one_row(self):
        assert blending_columns([0.5, 0.3, 0.2], "quadratic").tolist() == [
            [0.5, 0.3, 0.2, 0.15, 0.1, 0.06]
        ]


def frame(rows):
    return pd.DataFrame.from_dict(rows, orient="index", columns=WAXES)


CORNERS = frame({"a": [1, 0, 0], "b": [0, 1, 0], "c": [0, 0, 1]})


class TestShared:
    def test_separate_shares_nothing(self):
        shared = share_capacities("separate", ("a", "b"), None, [9.0, 11.0])
        assert (shared["kind"], shared["waxes"], shared["scale"]) == ("separate", (), ())
        assert shared["columns"].shape == (2, 0) and shared["centre"].tolist() == [9.0, 11.0]

    def test_pooled_shares_one_shift(self):
        shared = share_capacities("pooled", ("a", "b"), None, [9.0, 11.0])
        assert shared["columns"].tolist() == [[1.0], [1.0]] and shared["scale"] == (5.0,)
        assert shared["centre"].tolist() == [9.0, 11.0]

    def test_one_blend_has_nothing_to_pool(self):
        assert share_capacities("pooled", ("a",), None, [9.0])["kind"] == "separate"

    def test_a_blending_function_has_one_centre_and_a_term_per_column(self):
        blends = ("c", "a", "b")
        shared = share_capacities("linear", blends, CORNERS, [8.0, 10.0, 12.0])
        assert shared["waxes"] == tuple(WAXES) and shared["scale"] == (5.0,) * 3
        assert shared["centre"].tolist() == [10.0] * 3
        assert shared["columns"].tolist() == CORNERS.loc[list(blends)].to_numpy().tolist()

    def test_products_are_believed_wider(self):
        six = np.vstack([np.eye(3), (1 - np.eye(3)) / 2])
        table = pd.DataFrame(six, index=list("abcdef"), columns=WAXES)
        shared = share_capacities("quadratic", tuple("abcdef"), table, np.full(6, 9.0))
        assert shared["scale"] == (5.0,) * 3 + (10.0,) * 3


REFUSED = (
    (
        ("cubic", ("a",), CORNERS),
        "no blending is called 'cubic'; there are pooled, linear, quadratic, separate",
    ),
    (
        ("linear", ("a", "b"), None),
        "a blending function needs the wax fractions of every blend; plan the series with its "
        "blends, or fit with blending='pooled'",
    ),
    (
        ("linear", ("a", "b"), pd.DataFrame()),
        "a blending function needs the wax fractions of every blend; plan the series with its "
        "blends, or fit with blending='pooled'",
    ),
    (("linear", ("a", "x", "b", "y"), CORNERS), "the wax fractions of x, y are not known"),
    (
        ("quadratic", ("a", "b", "c"), CORNERS),
        "a quadratic blending function of 3 waxes has 6 terms and 3 blends were tested; test more "
        "blends or take a simpler function",
    ),
)


@pytest.mark.parametrize(("asked", "words"), REFUSED)
def test_what_cannot_be_shared_is_refused(asked, words):
    kind, blends, fractions = asked
    with pytest.raises(FitError) as error:
        share_capacities(kind, blends, fractions, np.full(len(blends), 9.0))
    assert str(error.value) == words


class TestHull:
    def test_by_hand(self):
        points = np.array([[1, 0, 0], [0, 1, 0], [0.5, 0, 0.5]])
        assert inside_hull(points, np.array([0.5, 0.25, 0.25]))
        assert inside_hull(points, points[2])
        assert not inside_hull(points, np.array([0.2, 0.2, 0.6]))

    def test_inside_every_range_and_still_outside(self):
        """Each fraction lies within what was tested; the mixture does not."""
        points = np.array([[1, 0, 0], [0, 1, 0], [0, 0.5, 0.5]])
        assert not inside_hull(points, np.array([0.5, 0.0, 0.5]))
        assert inside_hull(points, np.array([0.5, 0.25, 0.25]))


@pytest.fixture(scope="module")
def looks():
    """Four blends of two waxes whose capacity is linear in the soy."""
    truth = Truth({b: BlendTruth(c) for b, c in CAPACITY.items()}, pot_sd=0.4)
    layout = even_layout(list(CAPACITY), [6, 8, 10, 12, 14, 16], pots=3, sweat=4)
    return simulate_series(layout, truth, 11).sweat()


@pytest.fixture(scope="module")
def two_waxes():
    return pd.DataFrame({"soy": SOY, "palm": {b: 1.0 - s for b, s in SOY.items()}})


@pytest.fixture(scope="module")
def fits(looks, two_waxes):
    known = dict.fromkeys(SOY, 10.0)
    return {
        kind: fit_sweat(looks, known, blending=kind, fractions=two_waxes, draws=1200, seed=3)
        for kind in KINDS
    }


class TestPrediction:
    @pytest.mark.parametrize("kind", KINDS)
    def test_every_kind_recovers_the_tested_blends(self, fits, kind):
        table = fits[kind].table.set_index("parameter")
        assert fits[kind].shared["kind"] == kind
        for blend, true in CAPACITY.items():
            row = table.loc[f"capacity of {blend}"]
            assert abs(row["estimate"] - true) < 4 * row["se"]

    @pytest.mark.parametrize("kind", ["linear", "quadratic"])
    def test_a_blend_between_is_near_the_truth_and_less_sure(self, fits, kind):
        half = predict_capacity(fits[kind], {"soy": 0.5, "palm": 0.5}).iloc[0]
        width = half["upper_pct"] - half["lower_pct"]
        assert not half["tested"]
        assert half["lower_pct"] < 10.5 < half["upper_pct"]
        assert half["capacity_pct"] == pytest.approx(10.5, abs=0.7)
        for soy in (0.75, 0.25):
            beside = predict_capacity(fits[kind], {"soy": soy, "palm": 1 - soy}).iloc[0]
            assert beside["tested"]
            assert width > 1.2 * (beside["upper_pct"] - beside["lower_pct"])

    def test_a_tested_blend_gives_its_own_draws(self, fits):
        fit = fits["linear"]
        own = capacity_draws(fit, {"soy": 0.75, "palm": 0.25})
        assert np.array_equal(own, fit.named["capacity"][:, fit.blends.index("most")])

    def test_a_wax_left_out_is_none_of_it(self, fits):
        fit = fits["linear"]
        assert np.array_equal(
            capacity_draws(fit, {"soy": 1.0}), fit.named["capacity"][:, fit.blends.index("pure")]
        )

    def test_limits_are_those_of_very_many_draws(self, fits):
        """Forty normals for each posterior draw, against the quantiles of the mixture."""
        fit, half = fits["linear"], {"soy": 0.5, "palm": 0.5}
        many = np.concatenate([capacity_draws(fit, half, seed=s) for s in range(40)])
        weights = np.tile(fit.weights, 40)
        expected = weighted_quantile(many, weights, (0.05, 0.5, 0.95))
        row = predict_capacity(fit, half).iloc[0]
        assert row[["lower_pct", "capacity_pct", "upper_pct"]].to_numpy(float) == pytest.approx(
            expected, abs=0.06)
        single = weighted_quantile(capacity_draws(fit, half), fit.weights, 0.05)
        assert abs(single - row["lower_pct"]) < 5 * row["error_pct"]

    def test_same_seed_same_draws(self, fits):
        half = {"soy": 0.5, "palm": 0.5}
        one, two, other = (capacity_draws(fits["linear"], half, seed=s) for s in (1, 1, 2))
        assert np.array_equal(one, two) and not np.array_equal(one, other)

    def test_capacities_that_stray_widen_the_prediction(self, looks, two_waxes):
        """The same pours under fractions that say nothing of them: no blending function holds."""
        shuffled = two_waxes.set_axis(["some", "pure", "none", "most"])
        strayed = fit_sweat(
            looks, dict.fromkeys(SOY, 10.0), blending="linear", fractions=shuffled, draws=1200
        )
        half = {"soy": 0.5, "palm": 0.5}
        held = fit_sweat(
            looks, dict.fromkeys(SOY, 10.0), blending="linear", fractions=two_waxes, draws=1200
        )
        widths = [
            float((p["upper_pct"] - p["lower_pct"]).iloc[0])
            for p in (predict_capacity(strayed, half), predict_capacity(held, half))
        ]
        assert widths[0] > 2 * widths[1]


@pytest.fixture(scope="module")
def narrow(looks, two_waxes):
    """Only the two blends in the middle were tested."""
    middle = looks[looks["blend"].isin(["most", "some"])]
    return fit_sweat(middle, blending="linear", fractions=two_waxes, draws=400)


class TestRefusedPredictions:
    def test_outside_the_tested_blends(self, narrow):
        with pytest.raises(FitError) as error:
            predict_capacity(narrow, {"soy": 0.9, "palm": 0.1})
        assert str(error.value) == (
            "that blend lies outside what was tested, and nothing is predicted there; the tested "
            "blends span the fractions soy 0.25 to 0.75; palm 0.25 to 0.75, and the blend must be "
            "a mixture of them"
        )

    @pytest.mark.parametrize(
        ("fractions", "words"),
        [
            (
                {"soy": 0.5, "beeswax": 0.3, "coconut": 0.2},
                "no tested blend holds beeswax, coconut; known are soy, palm",
            ),
            (
                {"soy": 0.5, "palm": 0.4},
                "the fractions add up to 0.9; give fractions of 0 or more that sum to 1",
            ),
            (
                {"soy": 1.2, "palm": -0.2},
                "the fractions add up to 1; give fractions of 0 or more that sum to 1",
            ),
        ],
    )
    def test_what_is_no_blend_of_the_tested_waxes(self, narrow, fractions, words):
        with pytest.raises(FitError) as error:
            capacity_draws(narrow, fractions)
        assert str(error.value) == words

    @pytest.mark.parametrize("kind", ["pooled", "separate"])
    def test_a_fit_without_fractions(self, fits, kind):
        with pytest.raises(FitError) as error:
            capacity_draws(fits[kind], {"soy": 1.0})
        assert str(error.value) == (
            "this fit knows no wax fractions; fit with blending='linear' or 'quadratic' first"
        )
