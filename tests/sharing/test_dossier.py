"""The dossier: its counts by an own count of the files, one page of it, hostile text, photos."""

import csv
import dataclasses
import io
import re
from collections import Counter
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from scentlab.choosing.known_load import known_load
from scentlab.planning.batch import Recipe, make_batch, materials_of
from scentlab.planning.sheets import batch_sheet_html
from scentlab.sharing.dossier import dossier_html, weigh_table, write_dossier
from scentlab.sharing.guard import SharingError
from scentlab.sharing.photos import shown_photos
from scentlab.units import Shown, showing
from scentlab.words.tables import counts_table
from scentlab.workshop import demo_folder, demo_plan

HOSTILE = '<script>alert("1")</script>&"\'{{ 7 * 7 }}<img src=x onerror=alert(2)>'


@pytest.fixture(scope="module")
def batch(analysis):
    return make_batch(known_load(analysis), materials_of(analysis.series), wax_g=453.59)


def rows_of(name):
    with open(demo_folder() / f"{name}.csv", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_weights_are_said_in_the_makers_unit_first(analysis, batch):
    weighed = [row[-1] for row in weigh_table(batch, analysis.series).rows]
    with showing(Shown("oz")):
        ounces = [row[-1] for row in weigh_table(batch, analysis.series).rows]
    for one, other in zip(weighed, ounces, strict=True):
        assert re.fullmatch(r"[\d.]+ g \([\d.]+ oz\)", one)
        assert other == "{} ({})".format(*re.match(r"(.*) \((.*)\)", one).groups()[::-1])


def test_all_that_is_weighed_is_in_it(analysis, batch):
    """29 pieces of 15.6 g and 7 % take 489 g; 3 g of topping and 0.5 g of mica on each of them."""
    recipe = Recipe(15.0, 6, 4.0, 7.0, 3.0, "soft wax", 5.0, 8.0, 0.5, "mica")
    dressed = make_batch(batch.known, materials_of(analysis.series), wax_g=453.59, recipe=recipe)
    table = weigh_table(dressed, analysis.series)
    assert table.caption.endswith("filled 4 % over; 7 % extra for what stays in the pot")
    lot = table.rows[2][2]
    assert table.rows[3:] == (
        ("soft wax", "topping", "–", "89 g (3.1 oz)"),
        (batch.fragrance.name, "topping, 5.0 % (0.8 oz/lb) of its wax", lot, "4.4 g (0.16 oz)"),
        ("mica", "on top", "–", "14.5 g (0.51 oz)"))
    assert len(weigh_table(batch, analysis.series).rows) == 3
    dyed = weigh_table(dataclasses.replace(batch, dye_g=2.0), analysis.series).rows
    assert dyed[2] == ("dye", "into the melt", "–", "2.0 g (0.07 oz)")


def test_pieces_inspected_for_frost_are_counted_apart(analysis, batch):
    blend_of = {p["pour"]: p["blend"] for p in demo_plan()["pours"]}
    own = [r for r in rows_of("pieces") if blend_of[r["pour"]] == batch.known.blend]
    sweat, frost = (len({r["code"] for r in own if r[f"{test}_grade"]})
                    for test in ("sweat", "frost"))
    page = dossier_html(analysis, batch)
    assert (f"{sweat} pieces for sweat and {frost} pieces for frost inspected by blind code, by "
            "A1") in page
    grades = analysis.series.grades
    series = dataclasses.replace(analysis.series, grades=grades[grades["test"] == "sweat"])
    page = dossier_html(dataclasses.replace(analysis, series=series), batch)
    assert f"{sweat} pieces for sweat inspected by blind code, by A1" in page


def rows_of_loads(loads):
    """The place of each load among those that lie within 0.25 points of a neighbour."""
    places, last = {}, None
    for load in sorted(set(loads)):
        places[load] = max(places.values(), default=-1) + (last is None or load - last > 0.25)
        last = load
    return places


@pytest.mark.parametrize("off", [0.0, 1.13])
def test_counts_are_those_of_the_files_by_the_load_as_weighed(analysis, off):
    """Counted again from the CSV files of the demo by plain Python; a batch that was weighed off
    its plan counts at the load that it holds, as on the pages of report and dossier."""
    loads = {r["pour"]: 100 * float(r["fragrance_g"]) / float(r["wax_g"]) for r in rows_of("pours")}
    wrong = max(loads, key=loads.get)
    loads[wrong] += off
    frames = (analysis.series.pours, analysis.series.grades, analysis.series.throws)
    moved = [f.assign(load_pct=f["load_pct"] + off * (f["pour"] == wrong)) for f in frames]
    series = dataclasses.replace(
        analysis.series, **dict(zip(("pours", "grades", "throws"), moved, strict=True)))
    analysis = dataclasses.replace(analysis, series=series)
    blend_of = {p["pour"]: p["blend"] for p in demo_plan()["pours"]}
    for blend in analysis.pick.table["blend"]:
        places = rows_of_loads(x for pour, x in loads.items() if blend_of[pour] == blend)
        over, seen, scores = Counter(), Counter(), {}
        for row in rows_of("pieces"):
            if blend_of[row["pour"]] == blend and row["sweat_grade"]:
                place = places[loads[row["pour"]]], row["stress"] or "rest"
                seen[place] += 1
                over[place] += int(row["sweat_grade"]) >= analysis.rules.limit_grade
        of_code = {row["code"]: row["pour"] for row in rows_of("pieces")}
        for row in rows_of("throws"):
            pour = of_code[row["code"]]
            if blend_of[pour] == blend and row["kind"] in ("warm", "hot"):
                scores.setdefault(places[loads[pour]], []).append(float(row["throw"]))
        shown = counts_table(analysis, blend)
        heads = list(shown.headings)
        assert len(shown.rows) == len(set(places.values()))
        for place, cells in enumerate(shown.rows):
            cell = dict(zip(heads, cells, strict=True))
            ends = [f"{x:.1f}" for x, at in places.items() if at == place]
            assert cell["Load, % of wax"] == " to ".join(dict.fromkeys((ends[0], ends[-1])))
            for stress, words in (("heat", "heat-cycled"), ("rest", "at room temperature")):
                at = place, stress
                assert cell[f"Sweat 2+, {words}"] == f"{over[at]} of {seen[at]}"
            mean = sum(scores[place]) / len(scores[place])
            assert cell["Hot throw, mean (scores)"] == f"{mean:.1f} ({len(scores[place])})"


def test_it_names_loads_lots_days_and_who_checked(analysis, batch):
    text = re.sub(r"<[^>]*>", " ", dossier_html(analysis, batch, "M. K., 2026-12-01"))
    text = re.sub(r"\s+", " ", text)
    pick = analysis.pick.table.iloc[0]
    days = sorted(r["poured_on"] for r in rows_of("pours") if r["blend"] == pick["blend"])
    for words in (f"{pick['load_pct']:.1f} % (", f"{int(10 * pick['ceiling_load_pct']) / 10} % (",
                  f"{days[0]} to {days[-1]}", "3 x 12 h at 38 °C", "lot C-41", "M. K., 2026-12-01",
                  f"{batch.fragrance_g:.1f} g", "No photos", "Invented demonstration data"):
        assert words in text, words
    assert "Signature" not in text and "Signature" in dossier_html(analysis, batch)
    # An interval is said with its level, here and in the answer in words.
    limits = f"(90 %: {pick['throw_lower']:.1f} to {pick['throw_upper']:.1f})"
    assert f"{pick['throw']:.1f} of 10 {limits}" in text and "% (90 %: under 0.1 % to " in text
    assert "Regulatory limit" in text
    assert f"Hot throw {pick['throw']:.1f} of 10 {limits}." in analysis.pick.sentence


def test_what_nobody_recorded_is_not_said(analysis):
    """Of a series without a plan: only what its batches have on record."""
    def page(**columns):
        pours = analysis.series.pours.assign(**columns)
        series = dataclasses.replace(analysis.series, plan=None, piece_g=None, pours=pours)
        bare = dataclasses.replace(analysis, series=series)
        batch = make_batch(known_load(bare), materials_of(series), wax_g=453.59)
        return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", dossier_html(bare, batch)))

    text = page(add_temp_c=85.0, pour_temp_c=[70.0, 72.5] * 18, stir_min=np.nan)
    assert "Fragrance added at 85 °C, poured at 70 to 72.5 °C, " in text
    assert "Not recorded: minutes of stirring." in text
    text = page(add_temp_c=np.nan, pour_temp_c=np.nan, stir_min=2.0)
    assert "Stirred for 2 min, " in text
    assert "Not recorded: wax temperature when the fragrance went in, " in text
    for words in ("Stir 2 min", "makers say", "pieces of 28"):
        assert words not in text
    with showing(Shown("g", "F")):
        assert "Fragrance added at 185 °F, " in page(add_temp_c=85.0)


def test_a_series_without_a_plan_is_poured_again_as_it_was(analysis):
    """The batch sheet has the temperatures and the stirring of the record: 70 and 72.5 °C have
    their middle at 71.25."""
    pours = analysis.series.pours.assign(add_temp_c=85.0, pour_temp_c=[70.0, 72.5] * 18,
                                         stir_min=4.0)
    series = dataclasses.replace(analysis.series, plan=None, pours=pours)
    batch = make_batch(known_load(analysis), materials_of(series), wax_g=453.59)
    assert batch.pouring.heat_of(batch.blend) == (85.0, 71.2) and batch.pouring.stir_min == 4.0
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", batch_sheet_html(batch)))
    assert "85 °C" in text and "Stir 4 min" in text
    assert "makers' sheets: add fragrance at" not in text
    unknown = dataclasses.replace(series, pours=pours.assign(
        add_temp_c=np.nan, pour_temp_c=np.nan, stir_min=np.nan))
    assert materials_of(unknown).blend(batch.blend.name).add_temp_c is None


def test_the_content_of_the_load_is_said_once_as_weighed(analysis, batch):
    text = dossier_html(analysis, batch)
    weighed = 100.0 * batch.fragrance_g / (batch.fragrance_g + batch.wax_g)
    assert text.count(f"{weighed:.2f} % of the finished piece") == 1


def test_who_graded_is_not_counted_as_none(analysis):
    grades = analysis.series.grades.assign(assessor=None)
    series = dataclasses.replace(analysis.series, grades=grades)
    bare = dataclasses.replace(analysis, series=series)
    page = dossier_html(bare, make_batch(known_load(bare), materials_of(series), wax_g=453.59))
    assert "by blind code, by testers not recorded" in page and "0 testers" not in page


def test_hostile_text_stays_text(analysis, batch):
    series = dataclasses.replace(analysis.series, title=HOSTILE, fragrance=HOSTILE)
    nasty = dataclasses.replace(
        batch, fragrance=dataclasses.replace(batch.fragrance, lot=HOSTILE, allergens=(HOSTILE,)),
        warnings=(HOSTILE,), lines=(HOSTILE,))
    text = dossier_html(dataclasses.replace(analysis, series=series), nasty, HOSTILE)
    assert "<script" not in text and "<img" not in text and text.count("{{ 7 * 7 }}") >= 6


def test_what_is_too_long_or_nowhere_is_refused(analysis, batch, tmp_path):
    with pytest.raises(SharingError, match="^“who checked it” may have 120 characters; this has "
                                           "121"):
        dossier_html(analysis, batch, "x" * 121)
    with pytest.raises(FileNotFoundError, match="no such folder for the dossier"):
        write_dossier(analysis, tmp_path / "none" / "a.html", batch)
    path = write_dossier(analysis, tmp_path / "a.html", batch)
    assert path.read_text(encoding="utf-8").endswith("</html>")


# --- photos ------------------------------------------------------------------------------------


def photo(code, colour="red", size=(1600, 1200)):
    out = io.BytesIO()
    picture, about = Image.new("RGB", size, colour), Image.Exif()
    about[0x010E] = "secret place"
    picture.save(out, "JPEG", exif=about)
    return SimpleNamespace(code=code, words=f"photo of piece {code}", read=out.getvalue)


def test_photos_are_of_loads_from_the_recommended_on_and_small(analysis, batch):
    blend, load = batch.known.blend, batch.known.load_pct
    looks = analysis.series.grades[analysis.series.grades["blend"] == blend]
    below = looks.loc[looks["load_pct"] < load - 0.2, "code"].iloc[0]
    above = looks.loc[looks["load_pct"] > load + 0.2].sort_values("load_pct")["code"]
    photos = [photo(c) for c in (above.iloc[-1], below, "000", above.iloc[0])]
    shown = shown_photos(photos, analysis.series, load, blend)
    assert [s.words.split(",")[0] for s in shown] == [
        f"photo of piece {c}" for c in (above.iloc[0], above.iloc[-1])]
    assert all(len(s.source) < 60_000 for s in shown)
    text = dossier_html(analysis, batch, photos=photos)
    assert text.count("<img ") == 2 and "No photos" not in text and "secret" not in text
