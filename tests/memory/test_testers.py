"""Testers over time: against a published panel, a mixed model of another library, and a truth."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from earlier_series import poured
from scipy import stats

from scentlab.choosing.analysis import analyse
from scentlab.memory.borrowing import as_others_grade, fit_borrowing
from scentlab.memory.cells import fit_cells
from scentlab.memory.learning import learn
from scentlab.memory.saying import said_of_testers
from scentlab.memory.testers import (
    DRIFT,
    LEVEL,
    REPEATS,
    SCALE,
    _shared,
    _unsure,
    learn_testers,
    shared_scores,
)
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
from scentlab.units import Shown, showing

PANEL = pd.read_csv(Path(__file__).parents[1] / "reference" / "agreement.csv")
LAYOUT = even_layout(["soft"], [5, 7, 9, 11], pots=2, throw=2, assessors=3)


def test_a_published_panel_as_its_analysis_of_variance_says():
    """Shrout & Fleiss 1979, table 2: 6 targets, 4 judges. Their table 3: residual mean square
    1.02 of 15 degrees of freedom, between judges 32.49 of 3 (to two digits)."""
    scores = pd.DataFrame({"assessor": "A" + PANEL["assessor"].astype(str), "batch": PANEL["piece"],
                           "load_pct": 5.0, "score": PANEL["score"]})
    found = _shared("warm", np.nan, scores)
    assert found.df == 15
    assert found.squares / found.df == pytest.approx(1.02, abs=0.005)
    assert not found.repeats
    means = scores.groupby("assessor")["score"].mean()
    assert 6 * ((means - means.mean()) ** 2).sum() / 3 == pytest.approx(32.49, abs=0.005)
    table = learn_testers([found]).table
    level = table[table["what"] == LEVEL].set_index("tester")
    # The best linear unbiased predictor by the published mean squares shrinks by 1 - 1.02/32.49; a
    # single session cannot tell a usual level from that of its day, so it is drawn in further.
    usual = (1 - 1.02 / 32.49) * (means - means.median())
    share = (level["estimate"] / usual).to_numpy()
    assert 0.6 < share.min() and share.max() < 1.0
    assert share.max() - share.min() < 0.05
    assert (level["lower"] < usual).all() and (usual < level["upper"]).all()


def series_of(number, added, seed=1, drift=0.0, error=0.9):
    """A series of hot throw in which testers add so much, of half a year each."""
    truth = Truth({"soft": BlendTruth(9.0)}, assessor_sd=0.0, scale_sd=0.0, score_sd=error)
    made = simulate_series(LAYOUT, truth, [seed, number])
    more = made.throws["assessor"].map(added) + (made.throws["assessor"] == "A3") * drift * number
    day = pd.Timestamp(2020, 1, 1) + pd.Timedelta(days=183 * number)
    scored = (made.throws["throw"] + more).clip(0.0, 10.0)
    return replace(made, throws=made.throws.assign(throw=scored),
                   pours=made.pours.assign(poured_on=f"{day:%Y-%m-%d}"))


ADDED = {"A1": 0.0, "A2": 1.2, "A3": -0.6}


@pytest.fixture(scope="module")
def many():
    return [series_of(n, ADDED) for n in range(6)]


def test_levels_agree_with_a_mixed_model_of_statsmodels(many):
    """Batches fixed, testers at random: its conditional means."""
    table = learn_testers([s for own in many for s in shared_scores(own)]).table
    level = table[table["what"] == LEVEL].set_index("tester")["estimate"]
    frame = pd.concat([own.throws.assign(batch=f"{i}-" + own.throws["pour"])
                       for i, own in enumerate(many)], ignore_index=True)
    fit = smf.mixedlm("throw ~ C(batch)", frame, groups=frame["assessor"]).fit()
    effects = pd.Series({k: v.iloc[0] for k, v in fit.random_effects.items()})
    assert np.allclose(level.sort_index(), (effects - effects.median()).sort_index(), atol=0.06)
    truth = pd.Series(ADDED)
    assert np.allclose(level.sort_index(), truth, atol=0.3)


def test_a_tester_of_few_scores_is_drawn_towards_the_others(many):
    few = [s for own in many for s in shared_scores(own)]
    one = series_of(7, {**ADDED, "A3": 2.0})
    kept = one.throws[(one.throws["assessor"] != "A3") | (one.throws["pour"] == "soft1-1")]
    kept = kept.replace({"assessor": {"A3": "A9"}})
    table = learn_testers(few + shared_scores(replace(one, throws=kept))).table
    own = table[(table["what"] == LEVEL)].set_index("tester")
    width = own["upper"] - own["lower"]
    assert width["A9"] > 1.5 * width["A1"]


def test_who_drifts_and_who_is_unsure_is_named_and_nobody_else():
    shared = []
    for n in range(8):
        own = series_of(n, dict.fromkeys(ADDED, 0.0), drift=0.4)
        rng = np.random.default_rng([n, 3])
        unsure = (own.throws["assessor"] == "A1") * 2.0 * rng.standard_normal(len(own.throws))
        shared += shared_scores(replace(own, throws=own.throws.assign(
            throw=(own.throws["throw"] + unsure).clip(0.0, 10.0))))
    table = learn_testers(shared).table
    clear = set(table[table["clear"]][["tester", "what"]].itertuples(index=False, name=None))
    assert ("A3", DRIFT) in clear and ("A1", REPEATS) in clear
    assert {t for t, what in clear if what in (DRIFT, REPEATS)} == {"A1", "A3"}
    assert not {t for t, what in clear if what == SCALE}
    drift = table[table["what"] == DRIFT].set_index("tester")["estimate"]
    assert drift["A3"] == pytest.approx(0.8, abs=0.3)  # 0.4 points in half a year


@pytest.mark.parametrize("added", [0, 1])
def test_testers_who_agree_to_the_grade_are_told_apart_by_no_more_than_their_grades(added):
    """Without a floor the evidence divides by a variance of 0. The difference is by hand; it is
    drawn towards 0, as every level is."""
    own = simulate_series(even_layout(["soft"], [5, 7, 9, 11]), Truth({"soft": BlendTruth(9.0)}), 1)
    own = replace(own, grades=own.grades.assign(grade=own.grades["grade"].clip(upper=3)))
    both = pd.concat([own.grades, own.grades.assign(assessor="A2", grade=own.grades["grade"]
                                                    + added)], ignore_index=True)
    table = learn_testers(shared_scores(replace(own, grades=both))).table
    level = table[table["what"] == LEVEL].set_index("tester")
    apart = level["estimate"]["A2"] - level["estimate"]["A1"]
    assert 0.7 * added - 0.1 < apart < added + 0.1
    assert (level["upper"] > level["lower"]).all()
    assert np.isfinite(level[["estimate", "lower", "upper"]].to_numpy()).all()


def test_repeats_of_one_tester_are_their_usual_sd():
    """30 pairs: the pooled sd lies within its chi-square limits (scipy)."""
    own = series_of(0, ADDED)
    found = [s for s in shared_scores(own) if s.measure == "warm"]
    squares, df = found[0].repeats["A1"]
    assert df == 8  # 8 batches of 2 pieces
    rows = list(_unsure("warm", found, 1))
    low, high = np.sqrt(squares / stats.chi2(df).ppf([0.999, 0.001]))
    assert all(low < r[3] < high for r in rows if r[1] == "A1")


def test_the_throw_fit_takes_off_what_a_tester_is_known_to_add(many, memory):
    """A single tester who adds 1.2 points: the level of the panel of three."""
    testers = learn_testers([s for own in many for s in shared_scores(own)])
    known = replace(memory, testers=testers)
    new = series_of(9, ADDED)
    new = replace(new, throws=new.throws[new.throws["assessor"] == "A2"], fragrance="new")
    options = {"draws": 400, "precise": None}

    def level(analysis):
        return float(np.mean(analysis.throw.level))

    with_it, without = analyse(replace(new, invented=True), memory=replace(known, kept="rest"),
                               **options), analyse(new, **options)
    assert level(without) - level(with_it) == pytest.approx(1.1, abs=0.25)
    assert any("A2 +1." in note for note in with_it.throw.notes)


@pytest.fixture(scope="module")
def graded():
    """Eight series by A1, and eight by A2, who keeps grades 1.8 times as far apart."""
    cells = []
    for n in range(16):
        mild = n % 2
        tau = (0.0, 2.7, 5.4, 8.1) if mild else (0.0, 1.5, 3.0, 4.5)
        own = simulate_series(even_layout(["soft"], [5, 7, 9, 11], pots=2, sweat=1, sweat_heat=4),
                              Truth({"soft": BlendTruth(9.0)}, tau=tau), [n, 4])
        own = replace(own, grades=own.grades.assign(assessor=f"A{1 + mild}"), fragrance=f"f{n}")
        cells += fit_cells(own, f"s{n}")
    return replace(learn(cells), invented=True)


def test_a_tester_who_grades_mildly_is_found_and_loads_are_as_the_others_grade(graded):
    assert graded.graders == ("A1", "A2")
    gaps = [graded.of_grader(t)[0][1] for t in graded.graders]
    assert 0.2 < gaps[1] - gaps[0] < np.log(1.8) + 0.2
    new = poured("soft", "fennel", 9.3, [3, 99])
    by = {t: fit_borrowing(graded, replace(new, grades=new.grades.assign(assessor=t)), draws=400,
                           precise=None) for t in graded.graders}
    assert any("A2 graded sweat a little more mildly" in n for n in by["A2"].notes)
    with showing(Shown("oz")):
        _, (note,) = as_others_grade(by["A2"], graded, "A2")
        assert "point" not in " ".join([note, *said_of_testers(graded)]) and "oz/lb lower" in note
    assert not any("more mildly" in n for n in by["A1"].notes)


def test_one_grader_leaves_the_numbers_as_they_were(cells, memory):
    assert {c.tester for c in cells} == {"A1"}
    assert memory.graders == ()
    assert memory.learnt.sds.shape[1] == 8
    assert memory.prior("soft", "new", tester="A1") == memory.prior("soft", "new")
    assert said_of_testers(memory) == []


def test_testers_are_told_by_code_with_an_interval(many, memory):
    known = replace(memory, testers=learn_testers([s for m in many for s in shared_scores(m)]))
    said = said_of_testers(known)
    assert any(s.startswith("A2 scores hot throw about 1.") and "higher" in s and " to " in s
               for s in said)
    same = learn_testers([s for n in range(4)
                          for s in shared_scores(series_of(n, dict.fromkeys(ADDED, 0.0)))])
    assert said_of_testers(replace(memory, testers=same)) == [
        "No tester clearly differs from the others."]
