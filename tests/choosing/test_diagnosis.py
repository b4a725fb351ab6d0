"""What a pick rests on: one pot that carries a ceiling is named, and the numbers add up."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing import diagnosis
from scentlab.choosing.analysis import analyse
from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.diagnosis import TELLING, Diagnosis, diagnose
from scentlab.choosing.rules import Rules
from scentlab.fitting.checks import check_sweat
from scentlab.fitting.reweighting import draw_error, leave_out_draws, without_pot
from scentlab.fitting.sweat import fit_sweat
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

_COLUMNS = ["pot", "blend", "ceiling_load_pct", "change_pct", "error_pct"]
TRUTH = Truth({"soft": BlendTruth(10.0), "hard": BlendTruth(13.0)}, spread=0.6, pot_sd=0.3)


@pytest.fixture(scope="module")
def analysed(with_even_grades):
    """Maker of an analysis of grades that no chance is in."""

    def make(pots=3, spoiled=None):
        layout = even_layout(list(TRUTH.blends), [5, 7, 9, 11, 13], pots=pots, sweat=5,
                             limit_load_pct=20.0)
        series = simulate_series(layout, dataclasses.replace(TRUTH, weighing_sd_g=0.0), 1)
        return analyse(with_even_grades(series, TRUTH, spoiled), Rules(), draws=1000)

    return make


@pytest.fixture(scope="module")
def good(analysed):
    analysis = analysed()
    return analysis, diagnose(analysis)


@pytest.fixture(scope="module")
def spoiled(analysed):
    analysis = analysed(spoiled="hard1")
    return analysis, diagnose(analysis)


def test_a_series_that_behaves_has_no_notes(good):
    _, found = good
    assert found.notes == ()
    assert (found.table["change_pct"] <= TELLING).all()
    assert (found.table["change_pct"].abs() < 1.0).all()


def test_a_spoiled_pot_that_holds_the_ceiling_down_is_named(spoiled):
    _, found = spoiled
    row = found.table.set_index("pot").loc["hard1"]
    before = row["ceiling_load_pct"] - row["change_pct"]
    assert found.table["change_pct"].idxmax() == list(found.table["pot"]).index("hard1")
    assert row["change_pct"] > 2
    assert row["change_pct"] > 4 * row["error_pct"]
    assert found.notes[-1] == (
        f"The highest safe load of hard depends on pot hard1: {int(10 * before) / 10} % of wax "
        f"with it, {int(10 * row['ceiling_load_pct']) / 10} % of wax without it (give or take "
        f"{max(2 * row['error_pct'], 0.1):.1f} between the two). Pour another pot of that blend "
        "before trusting either."
    )
    assert sum("depends on pot" in note for note in found.notes) == 1


def test_the_ceiling_without_the_spoiled_pot_is_still_safe(spoiled):
    """True load at the limit risk of the blend itself, from the truth."""
    _, found = spoiled
    without = found.table.set_index("pot").at["hard1", "ceiling_load_pct"]
    assert without < TRUTH.load_at_risk("hard")


def test_the_table_adds_up(spoiled):
    analysis, found = spoiled
    whole = find_ceiling(analysis.sweat, analysis.rules).table.set_index("blend")
    before = found.table["ceiling_load_pct"] - found.table["change_pct"]
    expected = found.table["blend"].map(whole["ceiling_load_pct"])
    np.testing.assert_allclose(before, expected, atol=1e-9)
    assert sorted(found.table["pot"]) == sorted(analysis.series.pours["pot"].unique())


def test_a_row_is_the_fit_without_that_pot(good):
    """Reweighted draws against fits of the other pots alone, within four joint errors."""
    analysis, found = good
    looks, rows = analysis.series.sweat(), found.table.set_index("pot")
    for pot, blend in (("hard1", "hard"),):
        fit = fit_sweat(looks[looks["pot"] != pot], {"soft": 20.0, "hard": 20.0}, seed=5)

        def ceiling(fit, blend=blend):
            return find_ceiling(fit, analysis.rules).of(blend)["ceiling_load_pct"]

        own = draw_error(leave_out_draws(fit, ceiling))
        base = draw_error(leave_out_draws(analysis.sweat, ceiling))
        error = np.sqrt(own**2 + base**2 + rows.at[pot, "error_pct"] ** 2)
        assert rows.at[pot, "ceiling_load_pct"] == pytest.approx(ceiling(fit), abs=4 * error)


def test_weights_without_a_finite_variance_are_not_used(good, monkeypatch):
    """k-hat above 0.5: the variance of weights of a Pareto tail of that shape is infinite."""
    analysis, _ = good
    pot, asked = "hard1", []
    monkeypatch.setattr(diagnosis, "_anew", lambda analysis, pot, draws: asked.append(pot))
    for k_hat in (0.45, 0.55):
        monkeypatch.setattr(diagnosis, "without_pot",
                            lambda fit, pot, k=k_hat: dataclasses.replace(
                                without_pot(fit, pot), k_hat=k))
        diagnosis._without(analysis, analysis.rules, pot, "hard", np.zeros(10), 300)
    assert asked == [pot]


def test_the_storage_that_decides_is_the_same_without_a_pot(good, monkeypatch):
    """A fit made anew may find another one to be the harshest, of which the ceiling was not."""
    analysis, found = good
    asked = []
    monkeypatch.setattr(diagnosis, "find_ceiling", lambda fit, rules, *blends: (
        asked.append(rules.stress), find_ceiling(fit, rules, *blends))[1])
    assert diagnose(analysis).table.equals(found.table)
    assert set(asked) == {analysis.ceiling.stress}


def test_no_alarm_within_the_chance_of_the_draws(spoiled):
    """Over two seeds a change is held to its error; refits of other draws scattered by more."""
    analysis, _ = spoiled
    rows = []
    for seed in range(2):
        fit = fit_sweat(analysis.series.sweat(), {"soft": 20.0, "hard": 20.0}, draws=500, seed=seed)
        again = dataclasses.replace(analysis, sweat=fit, seed=seed, draws=500)
        rows.append(diagnose(again).table.set_index("pot").loc["soft1"])
    changes = np.array([r["change_pct"] for r in rows], dtype=float)
    errors = np.array([r["error_pct"] for r in rows], dtype=float)
    assert changes.std(ddof=1) < 3.0 * np.sqrt(np.mean(errors**2))
    assert not any(r["hangs"] for r in rows)


def test_the_check_of_the_sweat_fit_is_in_it(spoiled):
    analysis, found = spoiled
    own = check_sweat(analysis.sweat, analysis.series.sweat(), seed=1)
    pd.testing.assert_frame_equal(found.sweat.table, own.table)
    assert found.notes[: len(own.notes)] == own.notes


def test_what_the_draws_cannot_tell_is_not_told(good):
    _, found = good
    table = pd.DataFrame([("b1", "b", 9.0, 0.9, 0.5)], columns=_COLUMNS)
    assert Diagnosis(found.sweat, table.assign(hangs=False)).sentence == (
        f"{found.sweat.sentence} No highest safe load is known to depend on one pot.")
    assert Diagnosis(found.sweat, table.assign(hangs=True)).sentence == (
        f"{found.sweat.sentence} A highest safe load depends on pot b1.")


def test_blends_of_one_pot_cannot_be_compared(analysed):
    found = diagnose(analysed(pots=1))
    assert found.table["change_pct"].isna().all()
    assert found.sentence.endswith(
        " No highest safe load could be worked out without one of its pots.")
