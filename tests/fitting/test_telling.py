"""What the panel can tell apart: by hand, by simulated tests, and in words."""

import numpy as np
import pytest
from scipy import special, stats

from scentlab.fitting.telling import difference_told, gain_told, telling_load
from scentlab.fitting.throw import fit_throw, throw_curve
from scentlab.results import FitError, Result
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(9.0, throw_rise=16.0, throw_floor=-4.0)}, scale_sd=0.0)
FLAT = Truth({"soft": BlendTruth(9.0, throw_rise=0.0, throw_floor=5.0)}, scale_sd=0.0)


def fit_of(truth, seed=1, **layout):
    options = {"pots": 3, "throw": 1, "assessors": 8} | layout
    return fit_throw(
        simulate_series(even_layout(["soft"], [5, 8, 11, 14, 17], **options), truth, seed).throws
    )


@pytest.fixture(scope="module")
def fit():
    return fit_of(TRUTH)


class TestLeast:
    def test_by_hand_from_the_variances(self, fit):
        """3 pots, one piece of each pour, 8 assessors: 2 (pour / 3 + score / 24) between two
        loads; beside them the assessors' scales."""
        variance = fit.variances.set_index("source")["sd"] ** 2
        near = 2 * variance["between pours of a pot"] / 3 + 2 * variance["of a single score"] / 24
        far = near + variance["between assessors' scales, over the whole rise"] / 8
        for apart, expected in ((0.0, near), (1.0, far)):
            told = difference_told(fit, "soft", apart)[0]
            # 80 % power at 5 %: 2.80 se with many degrees of freedom, 3.55 with 5.
            assert 2.80 < told / np.sqrt(expected) < 3.55

    def test_more_power_needs_a_larger_difference(self, fit):
        told = [difference_told(fit, "soft", 0.0, power=p)[0] for p in (0.5, 0.8, 0.95)]
        assert told[0] < told[1] < told[2]

    def test_in_simulated_panels_four_in_five_tell_it(self):
        """A true difference as large as the truth's own least one, 400 t tests of two loads."""
        pots, people = 3, 8
        variance = 2 * (0.3**2 / pots + (0.9**2 + 0.25 / 12) / (pots * people))
        df = 8.0  # pours of five loads in three pots: (5 - 1)(3 - 1)
        critical = special.stdtrit(df, 0.975)
        difference = np.sqrt(variance) * special.nctdtrinc(df, 0.2, critical)
        rng = np.random.default_rng(1)
        seen = difference + np.sqrt(variance) * rng.standard_normal(4000)
        scale = np.sqrt(rng.chisquare(df, 4000) / df)
        hits = np.sum(np.abs(seen) / (np.sqrt(variance) * scale) > critical)
        assert stats.binomtest(int(hits), 4000, 0.8).pvalue > 1e-3
        told = [difference_told(fit_of(TRUTH, s), "soft", 0.0)[0] for s in range(6)]
        assert np.mean(told) == pytest.approx(difference, rel=0.25)

    def test_more_assessors_tell_less_apart(self):
        few, many = (difference_told(fit_of(TRUTH, assessors=n), "soft", 0.5)[0] for n in (3, 16))
        assert many < few


class TestTelling:
    def test_beyond_it_less_is_added_than_is_told(self, fit):
        found = telling_load(fit, "soft")
        top = throw_curve(fit, "soft", [found.top_pct])["throw"][0]
        step = (found.top_pct - found.lowest_pct) / 200
        at, beyond = throw_curve(fit, "soft", [found.load_pct, found.load_pct + step])["throw"]
        assert top - at >= found.least > top - beyond - 0.02
        assert found.lower_pct < found.load_pct < found.upper_pct

    def test_up_to_a_lower_top_it_is_lower(self, fit):
        assert telling_load(fit, "soft", 14.0).load_pct < telling_load(fit, "soft").load_pct

    def test_more_power_asked_for_is_a_lower_load(self, fit):
        assert telling_load(fit, "soft", power=0.95).load_pct < telling_load(fit, "soft").load_pct

    def test_gain_between_two_loads(self, fit):
        gain, least = gain_told(fit, "soft", 5.0, 17.0)
        curve = throw_curve(fit, "soft", [5.0, 17.0])["throw"]
        assert gain == pytest.approx(curve[1] - curve[0])
        assert least == pytest.approx(difference_told(fit, "soft", 1.0)[0], rel=0.01)

    def test_sentence(self, fit):
        found = telling_load(fit, "soft")
        content = 100 * found.load_pct / (100 + found.load_pct)
        assert found.sentence == (
            f"soft: beyond {found.load_pct:.1f} % of wax ({content:.1f} % of total) (90 % interval "
            f"{found.lower_pct:.1f} to {found.upper_pct:.1f} % of wax) the warm throw added up to "
            f"{found.top_pct:.1f} % of wax is less than what 8 assessors and 3 pots could tell, "
            f"{found.least:.1f} points (80 % power at 5 %)."
        )

    def test_nobody_smells_the_difference(self):
        """A flat truth, of which a test at 5 % shows a change in one series of twenty."""
        every = [telling_load(fit_of(FLAT, seed), "soft") for seed in range(5)]
        flat = [t for t in every if np.isnan([t.load_pct, t.lower_pct, t.upper_pct]).all()]
        assert len(flat) >= 2
        found = min(flat, key=lambda told: abs(told.gain))
        assert found.sentence == (
            f"soft: nobody is shown to smell the difference: from {found.lowest_pct:.1f} to "
            f"{found.top_pct:.1f} % of wax warm throw changes by {found.gain:+.1f} points (90 % "
            f"interval {found.gain_lower:+.1f} to {found.gain_upper:+.1f}), less than what 8 "
            f"assessors and 3 pots could tell, {found.least:.1f} points (80 % power at 5 %)."
        )
        assert found.gain_lower < 0 < found.gain_upper

    def test_table_and_data(self, fit):
        found = telling_load(fit, "soft")
        columns = ["parameter", "estimate", "se", "lower", "upper", "unit"]
        assert list(found.table.columns) == columns
        assert Result.from_dict(found.to_dict()) == found


class TestRefused:
    @pytest.mark.parametrize(
        "blend, top, text",
        [
            ("none", None, "no throw was scored for 'none'; scored were soft"),
            ("soft", 25.0, "throw of soft was scored from 5.0 to 17.1 % of wax; a top of 25.0 % "
             "of wax lies outside"),
            ("soft", 4.0, "throw of soft was scored from 5.0 to 17.1 % of wax; a top of 4.0 % of "
             "wax lies outside"),
        ],
    )  # fmt: skip
    def test_full_text(self, fit, blend, top, text):
        highest = f"{fit.tested['highest_pct'][0]:.1f}"
        with pytest.raises(FitError) as error:
            telling_load(fit, blend, top)
        assert str(error.value) == text.replace("17.1", highest)
