"""Does a sweat fit describe what was seen? Series that behave, and series with one known fault."""


import numpy as np
import pandas as pd
import pytest
from hostile import Hostile

from scentlab.fitting.checks import check_sweat
from scentlab.fitting.sweat import fit_sweat
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(9.0), "hard": BlendTruth(12.0)}, spread=0.8, pot_sd=0.8)
LOADS = [6, 8, 10, 12, 14, 16]
KNOWN = {"soft": 10.0, "hard": 10.0}


def simulated(seed, truth=TRUTH, pots=4):
    return simulate_series(even_layout(list(truth.blends), LOADS, pots=pots), truth, seed).sweat()


def checked(looks):
    return check_sweat(fit_sweat(looks, KNOWN, draws=500, seed=1), looks)


@pytest.fixture(scope="module")
def good():
    return checked(simulated(2))


class TestSeriesThatBehaves:
    def test_pours_outside_are_as_many_as_chance_says(self):
        """Twelve pots a blend, so that what pots differ by is known: 432 pours of three series.

        The range holds 90 %, but means of few whole grades fall outside less often than that:
        most pours are all but certain to be dry or wet. Pours of a pot share its effect, so the
        number is allowed twice the spread of independent ones.
        """
        pours = pd.concat([checked(simulated(s, pots=12)).table for s in (50, 51, 52)])
        expected = pours["chance"].sum()
        spread = np.sqrt((pours["chance"] * (1 - pours["chance"])).sum())
        assert 0.02 < pours["chance"].mean() < 0.10
        assert abs(pours["odd"].sum() - expected) < 2 * 2.5 * spread
        assert 0 < pours["odd"].sum()

    def test_what_was_seen_lies_about_what_is_expected(self, good):
        pours = good.table
        # Grades end at 4, so that 5 % of the chances beyond a limit move the mean by 0.2 at most.
        assert (pours["lower"] <= pours["expected"] + 0.2).all()
        assert (pours["expected"] <= pours["upper"] + 0.2).all()
        assert np.corrcoef(pours["seen"], pours["expected"])[0, 1] > 0.97
        assert abs((pours["seen"] - pours["expected"]).mean()) < 0.1

    def test_seen_is_the_mean_grade_of_the_looks(self, good):
        means = simulated(2).groupby("pour")["grade"].mean().astype(float)
        assert good.table.set_index("pour")["seen"].to_dict() == pytest.approx(means.to_dict())

    def test_little_is_held_against_such_series(self):
        """Of eight good pots one is odd (|z| above 2) in one series of three by chance."""
        assert sum(checked(simulated(seed)).notes != () for seed in range(60, 66)) <= 4

    def test_what_is_looked_at(self, good):
        assert good.assessors.empty

    def test_the_sentence_counts(self, good):
        outside, chance = int(good.table["odd"].sum()), good.table["chance"].sum()
        assert good.sentence.startswith(
            f"{outside} of 48 inspections of a test batch fall outside the range that the fit "
            f"expects for at least 90 % of them (about {chance:.0f} would by chance"
        )
        if not good.pots["odd"].any():
            assert good.sentence.endswith("); no pot is unlike the others.")

    def test_same_seed_same_check(self, good):
        pd.testing.assert_frame_equal(checked(simulated(2)).table, good.table)


@pytest.fixture(scope="module", params=[0, 1, 2])
def spoiled(request):
    """One pot sweats 4 points of load early; which one, the looks of both worlds tell."""
    bad = simulated(request.param, Hostile(**vars(TRUTH) | {"pot_sd": 0.4, "spoiled_pots": 1}))
    means = bad.groupby(["blend", "pot"])["grade"].mean().astype(float)
    excess = means - means.groupby("blend").transform("median")
    return excess.idxmax()[1], checked(bad)


class TestSpoiledPot:
    def test_it_is_found_and_no_other(self, spoiled):
        pot, check = spoiled
        assert check.pots.loc[check.pots["odd"], "pot"].tolist() == [pot]
        assert check.sentence.endswith(f"pots unlike the others: {pot}.")

    def test_its_note_in_full(self, spoiled):
        pot, check = spoiled
        row = check.pots.set_index("pot").loc[pot]
        assert row["effect"] > 0
        assert check.notes[-1] == (
            f"Pot {pot} of {row['blend']} is {row['z']:+.1f} standard deviations from pots of its "
            "blend (above 0 it sweated more): check how it was poured."
        )


@pytest.fixture(scope="module")
def strict():
    """A2 looks at every third piece and grades it one higher than it is."""
    looks = simulated(2)
    second = np.arange(len(looks)) % 3 == 0
    looks["assessor"] = np.where(second, "A2", "A1")
    looks.loc[second, "grade"] = np.minimum(looks.loc[second, "grade"] + 1, 4)
    return checked(looks)


class TestAssessors:
    def test_who_grades_high_is_named(self, strict):
        table = strict.assessors.set_index("assessor")
        assert table["looks"].to_dict() == {"A1": 128, "A2": 64}
        excess = table["mean_excess"]
        assert excess["A2"] > 0.25 and excess["A2"] > abs(excess["A1"])
        assert strict.notes[-1] == (
            f"Tester A2 gives grades {table.at['A2', 'mean_excess']:.1f} higher than the fit "
            "expects."
        )

    def test_who_grades_low_is_named(self):
        looks = simulated(2)
        second = np.arange(len(looks)) % 3 == 0
        looks["assessor"] = np.where(second, "A2", "A1")
        looks.loc[second, "grade"] = np.maximum(looks.loc[second, "grade"] - 2, 0)
        check = checked(looks)
        low = check.assessors.set_index("assessor").at["A2", "mean_excess"]
        assert low < 0
        assert f"Tester A2 gives grades {-low:.1f} lower than the fit expects." in check.notes

    def test_who_grades_alike_is_not(self):
        looks = simulated(2)
        looks["assessor"] = np.where(np.arange(len(looks)) % 3 == 0, "A2", "A1")
        check = checked(looks)
        assert len(check.assessors) == 2
        assert [n for n in check.notes if n.startswith("Tester")] == []
