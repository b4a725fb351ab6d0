"""Each tested load in one of three words.

The exact bounds are those of Clopper & Pearson (1934): of 2 dry pieces 1 - 0.05^(1/2) = 77.6 % can
still sweat, of 3 63.2 %, of 20 13.9 % (one-sided 95 %; by hand from the formula).
"""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import Rules, analyse
from scentlab.choosing.diagnosis import diagnose
from scentlab.choosing.known_load import known_load
from scentlab.choosing.so_far import DRY, SWEATED, USE, loads_so_far
from scentlab.planning.batch import make_batch, materials_of
from scentlab.sharing.dossier import dossier_html
from scentlab.sharing.figures import blend_figure
from scentlab.sharing.report import report_html
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series, small_series
from scentlab.words import answers

LOADS = (6.25, 9.375, 12.5, 18.75)


def quick(wet_from, heated=2):
    """A quick check in which every piece is dry below a load and beaded from it on."""
    layout = even_layout(["soft wax"], LOADS, pots=1, sweat=1, sweat_heat=heated)
    series = simulate_series(layout, Truth({"soft wax": BlendTruth(12.0)}, weighing_sd_g=0.0), 1)
    grades = series.grades.assign(
        grade=np.where(series.grades["load_pct"] >= wet_from, 3, 0)).astype({"grade": "Int64"})
    return analyse(replace(series, grades=grades), draws=1000, precise=None)


@pytest.fixture(scope="module")
def checked():
    return loads_so_far(quick(15.0))


def test_one_word_a_load(checked):
    assert list(checked.table["word"]) == [DRY, USE, DRY, SWEATED]
    assert checked.table["load_pct"].to_numpy() == pytest.approx(np.array(LOADS), abs=0.1)


def test_counts_and_exact_bounds(checked):
    assert list(checked.table["pieces"]) == [2, 2, 2, 2]  # heat-cycled ones decide
    assert list(checked.table["sweated"]) == [0, 0, 0, 2]
    could = checked.table["could_pct"].to_numpy()
    assert could == pytest.approx([77.639, 77.639, 77.639, 100], 1e-4)
    three = loads_so_far(quick(99.0, heated=3)).table
    assert three["could_pct"].to_numpy() == pytest.approx(np.full(4, 63.160), 1e-4)


def test_a_stress_that_nobody_graded_is_answered_in_words():
    analysis = analyse(small_series(), Rules(stress="heat"), draws=100, precise=None)
    found = loads_so_far(analysis)
    assert found.table.empty and found.lines == (found.answer,)
    assert found.sentence.startswith("soft: no load is shown to be safe yet (95 % sure). ")
    assert "No piece was inspected heat-cycled" in found.sentence
    assert found.sentence.lower().count("no piece was inspected") == 1


def test_the_words(checked):
    answer, seen = checked.lines
    assert answer.startswith("soft wax: use 10.") or answer.startswith("soft wax: use 9.")
    assert "that sweated, grade 2 (visible film) or worse, at loads as weighed: 6." in seen
    assert re.search(r"6\.\d+ % \(1\S* oz/lb\), 0 of 2; 9\.\d % \(1\.\d+ oz/lb\), 0 of 2; 12", seen)
    assert seen.endswith(
        "oz/lb), 2 of 2, not for sale. 2 dry pieces alone could still mean up to 78 % sweating (95 "
        "% sure); the load to use weighs all pieces together.")
    assert "At most 5 % of pieces from new pots would sweat (95 % sure)." in answer
    assert "Nobody scored hot throw" in answer and "independent" in checked.notes[0]
    assert checked.sentence == f"{answer} {seen}"


def test_one_piece_is_one_piece(checked):
    table = checked.table.iloc[:1].assign(pieces=1)
    assert "1 dry piece alone could still mean up to" in replace(checked, table=table).lines[1]


@pytest.mark.parametrize("word", [USE, DRY, SWEATED])
def test_a_load_as_weighed_is_said_alike_whatever_it_showed(checked, word):
    """0.35 oz in 3 oz of wax is 1.8667 oz/lb, 11.67 % of wax."""
    table = checked.table.iloc[:1].assign(load_pct=100 * 0.35 / 3, word=word)
    assert "11.7 % (1.87 oz/lb), " in replace(checked, table=table).lines[1]


def test_no_load_is_recommended_where_the_pick_has_none():
    found = loads_so_far(quick(6.0))
    assert set(found.table["word"]) <= {DRY, SWEATED}
    assert found.answer.startswith(
        "soft wax: no load is shown to be safe yet (95 % sure). The lowest load tested, ")


def no_load_yet(wet_from, limit, sheet=None, apart=None):
    """The answer where no load is given, with what the wax maker says of loads."""
    series = quick(wet_from).series
    plan = {"blends": [{"name": "soft wax", "parts": [
        {"wax": {"name": "soft wax", "recommended_load_pct": sheet}, "fraction": 1.0}]}]}
    known = replace(series, blends=series.blends.assign(limit_load_pct=limit), plan=plan)
    found = loads_so_far(analyse(replace(known, apart=apart and apart(known)), draws=1000,
                                 precise=None))
    assert "no load is shown to be safe yet (95 % sure). " in found.answer
    return found.answer.split("(95 % sure). ")[1].split(" Nobody")[0]


@pytest.mark.parametrize(("wet_from", "limit", "words"), [
    (8.0, 7.5, "Until then, stay within the wax maker's limit, 7.5 % (1.2 oz/lb)."),
    (8.0, 9.375, "Until then, stay below 9."),
    (8.0, 12.5, "Until then, stay below 9."),
    (8.0, None, "Until then, stay below 9."),
    (6.0, 10.0, "The lowest load tested, 6."),
    (6.0, 6.25, "The lowest load tested, 6."),
    (6.0, 5.0, "Until then, stay within the wax maker's limit, 5.0 % (0.8 oz/lb)."),
])
def test_what_to_keep_to_meanwhile_lies_below_all_that_sweated(wet_from, limit, words):
    said = no_load_yet(wet_from, limit)
    assert said.startswith(words)
    if words.endswith("below 9."):
        assert said.endswith("oz/lb), the lowest load that sweated.")
    if words.endswith("safe: 6."):
        assert said.endswith("oz/lb), the lowest, sweated.")


def test_a_load_of_the_sheet_that_sweated_is_said_to_have():
    assert no_load_yet(8.0, 7.5, 6.25).startswith(
        "The wax maker's sheet says 6.25 % (1 oz/lb). Until then, stay")
    given = quick(15.0)
    plan = {"blends": [{"name": "soft wax", "parts": [
        {"wax": {"name": "soft wax", "recommended_load_pct": 18.75}, "fraction": 1.0}]}]}
    assert "sheet says 18.75 % (3 oz/lb), but pieces sweated at 18." in loads_so_far(
        replace(given, series=replace(given.series, plan=plan))).answer
    for sheet in (9.375, 12.5):
        assert "/lb), but pieces sweated at 9." in no_load_yet(8.0, 7.5, sheet)


def test_a_blend_without_a_piece_that_decides_has_no_loads_to_show():
    """Heat-cycled pieces of one blend, none of the other, which sweated at room temperature."""
    layout = even_layout(["soft wax", "hard wax"], LOADS, pots=1, sweat=1, sweat_heat=2)
    series = simulate_series(layout, Truth(dict.fromkeys(
        ("soft wax", "hard wax"), BlendTruth(12.0))), 1)
    own = (series.grades["stress"] == "rest") | (series.grades["blend"] == "soft wax")
    grades = series.grades[own].assign(grade=lambda g: pd.array(
        np.where(g["load_pct"] >= 9.0, 3, 0), "Int64")).reset_index(drop=True)
    known = replace(series, grades=grades, blends=series.blends.assign(limit_load_pct=11.0))
    found = loads_so_far(analyse(known, draws=200, precise=None), "hard wax")
    assert found.table.empty and found.lines == (found.answer,)
    assert "safe yet (95 % sure). Until then, stay below 9." in found.answer


def test_what_sweated_of_another_lot_is_not_kept_to_either():
    """A check of a lot counts in no answer; its sweat is sweat."""
    def lot(series):
        own = series.of_pours(series.pours[(series.pours["load_pct"] - 6.25).abs() < 0.5])
        return replace(own, pours=own.pours.assign(finish="plain"),
                       grades=own.grades.assign(grade=2).astype({"grade": "Int64"}))

    assert no_load_yet(8.0, 7.5, apart=lot).startswith("The lowest load tested, ")


def test_a_recommended_load_is_never_one_that_sweated_or_lies_above_the_pick():
    for wet_from in (6.0, 8.0, 11.0, 15.0, 99.0):
        analysis = quick(wet_from)
        found = loads_so_far(analysis)
        table = found.table
        own = table[table["word"] == USE]
        assert len(own) <= 1 and (own["sweated"] == 0).all()
        pick = analysis.pick.table["load_pct"].iloc[0]
        assert (own["load_pct"] <= pick + 0.125).all()


def test_sweat_of_pieces_kept_otherwise_is_never_called_dry():
    """Room-temperature pieces that sweat at 12.5 % while no heat-cycled one does: they decide, and
    where the rules ask for heat they are named."""
    analysis = quick(99.0)
    series = analysis.series
    odd = (series.grades["stress"] == "rest") & (series.grades["load_pct"] > 12)
    grades = series.grades.assign(grade=series.grades["grade"].mask(odd, 3))
    series = replace(series, grades=grades)
    assert analyse(series, draws=1000, precise=None).ceiling.stress == "rest"
    found = loads_so_far(analyse(series, Rules(stress="heat"), draws=1000, precise=None))
    assert list(found.table["word"][2:]) == [SWEATED, SWEATED]
    answer, seen = found.lines
    assert "thing sweated" not in seen and seen.count(
        ", but pieces kept the other way sweated, not for sale") == 2
    assert "2 room-temperature pieces sweated from 12.5 % (2 oz/lb) up, where" in answer


def test_sweat_below_the_load_to_use_is_not_called_not_for_sale():
    """One wet piece of 48 at a load far below where all sweat."""
    layout = even_layout(["soft wax"], LOADS, pots=6, sweat=8)
    series = simulate_series(layout, Truth({"soft wax": BlendTruth(12.0)}, weighing_sd_g=0.0), 1)
    grades = series.grades.assign(
        grade=np.where(series.grades["load_pct"] >= 15.0, 3, 0)).astype({"grade": "Int64"})
    grades.loc[grades.index[(grades["load_pct"] - 6.25).abs() < 0.2][0], "grade"] = 2
    found = loads_so_far(analyse(replace(series, grades=grades), draws=1000, precise=None))
    assert found.load_pct > 9.0
    low, high = found.lines[1].split("1 of 48; ")
    assert "weighed: 6.2" in low and high.count("not for sale") == 1
    assert "48 of 48, not for sale" in high


def test_a_load_for_an_early_sale_says_its_day_wherever_it_is_said():
    """Dry at day 3, sweating by day 21: the risks are those of the day that the load is for."""
    layout = even_layout(["soft"], [5, 6, 7, 8, 9], pots=3, sweat=6)
    series = simulate_series(layout, Truth({"soft": BlendTruth(7.0)}, weighing_sd_g=0.0), 2)
    late = np.where(series.grades["load_pct"] >= 7.0, 3, 0)
    series = replace(series, grades=series.grades.assign(grade=pd.array(late, "Int64")))
    early = series.grades.assign(age_days=3.0, grade=0)
    late = series.grades.assign(age_days=21.0)
    grades = pd.concat([early, late], ignore_index=True).astype({"grade": "Int64"})
    series = replace(series, grades=grades)
    known, sold = (analyse(series, Rules(ship_age_days=age), draws=1000, precise=None)
                   for age in (None, 3.0))
    load = sold.pick.table["load_pct"].iloc[0]
    assert load > known.pick.table["load_pct"].fillna(0).iloc[0] + 0.5
    found = loads_so_far(sold)
    assert "by the first inspection on day 3 or later" in sold.rules.sentence
    for words in (found.lines[0], sold.pick.sentence,
                  " ".join(known_load(sold, load_pct=load - 0.5).words)):
        assert "by day 3" in words
    facts = dict(answers.headline(sold)["facts"])["Highest safe load"]
    assert "at room temperature by day 3" in "".join(map(str, facts))
    assert known_load(sold).words[0].startswith("Highest safe load by day 3: ")
    batch = make_batch(known_load(sold), materials_of(sold.series), wax_g=450.0)
    assert "(grade 2+), at room temperature by day 3" in dossier_html(sold, batch)
    assert re.search(r"grade 2\s+or more by day 3\. It is never above", report_html(sold))
    # Without a pot it is that of the same day.
    table = diagnose(sold).table
    before = (table["ceiling_load_pct"] - table["change_pct"]).dropna()
    assert len(before) and np.allclose(before, sold.ceiling.table["ceiling_load_pct"].iloc[0])
    # Of a day before the looks or between them only the next look tells.
    for day, told, as_sold in ((1.0, 3, sold), (7.0, 21, known)):
        other = analyse(series, Rules(ship_age_days=day), draws=1000, precise=None)
        assert other.ceiling.table.equals(as_sold.ceiling.table)
        assert f"by day {told} " in loads_so_far(other).lines[0]
        assert f"by day {told}." in other.pick.sentence or np.isnan(
            other.pick.table["load_pct"].iloc[0])
    assert "by day" not in loads_so_far(known).sentence + known.pick.sentence
    # Sweat that came after the sale holds the load down all the same, and is said.
    later = "This counts sweat after day 3 too: a piece goes on ageing once it is sold."
    assert later in sold.ceiling.notes and later not in known.ceiling.notes
    assert load < 7.0
    old, young = (blend_figure(a, "soft")["data"]["panels"][1] for a in (known, sold))
    assert old.label + " by day 3" == young.label
    assert young.curve["y"].iloc[10] < 0.7 * old.curve["y"].iloc[10]


@pytest.mark.parametrize("wet_from", [6.0, 15.0])
def test_nobody_scored_throw_only_where_nobody_did(wet_from):
    """With scores, whether a load is given or not, and with scores that have no fit."""
    series = quick(wet_from).series
    codes = series.grades.drop_duplicates("code")
    throws = pd.DataFrame({
        "code": codes["code"], "pour": codes["pour"], "pot": codes["pot"],
        "blend": codes["blend"], "load_pct": codes["load_pct"], "kind": "warm", "sitting": "S1",
        "assessor": "A1", "position": range(1, len(codes) + 1), "score": 5.0,
    }).reindex(columns=series.throws.columns)
    answer = loads_so_far(analyse(replace(series, throws=throws), draws=200, precise=None)).answer
    assert "obody scored" not in answer
    assert ("There is no fit of hot throw, so this is as high as" in answer) == (wet_from > 10)
    cold = analyse(replace(series, throws=throws), Rules(throw_kind="cold"), draws=200,
                   precise=None)
    assert "Nobody scored cold throw, so less" in loads_so_far(cold).answer
