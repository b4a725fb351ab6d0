"""The printed sheets: what stands on them, what must not, and that a page is a page."""

import dataclasses
import itertools
import re
import shutil
import subprocess

import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st
from markupsafe import escape
from printing import printed

from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.plan import PlanError, Pouring, make_plan
from scentlab.planning.sheets import (
    CAUTIONS,
    KEY_RULE,
    code_key_html,
    labels_html,
    pour_sheets_html,
    shopping_list_html,
)
from scentlab.units import content_from_load

SOFT = Wax("soft wax", "S-1", limit_load_pct=10, melt_temp_c=52, add_temp_c=80, pour_temp_c=72,
           max_temp_c=93)
HARD = Wax("hard <wax>", limit_load_pct=6, add_temp_c=82, pour_temp_c=75, max_temp_c=100)


def plan(**changes):
    given = dict(
        fragrance=Fragrance("cedar & fig", "F-9", flash_point_c=78, limit_content_pct=12,
                            allergens=("linalool",)),
        blends=[Blend("soft", {SOFT: 1}), Blend("70/30", {SOFT: 0.7, HARD: 0.3})],
        loads_pct=(4, 6, 8, 10, 12, 14), piece_g=25, assessors=3, start="2026-12-01", seed=5,
    )
    given.update(changes)
    return make_plan("<script>alert(1)</script>", **given)


def cells(page):
    """Rows of the pour table as lists of text."""
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", page, re.S)
    clean = [re.findall(r"<td[^>]*>(.*?)</td>", row, re.S) for row in rows]
    return [[" ".join(re.sub(r"<[^>]+>", " ", c).replace("&nbsp;", " ").split()) for c in row]
            for row in clean if row]


def pages(html):
    found = re.findall(r"<section[^>]*>(.*?)</section>", html, re.S)
    assert found
    return [page.replace("&#39;", "'") for page in found]


def test_one_page_per_pot_with_what_to_weigh_on_both_bases_and_in_both_unit_systems():
    one = plan()
    found = pages(pour_sheets_html(one))
    assert len(found) == 4
    for page, pot in zip(found, one.pots["pot"], strict=True):
        rows = [p for p in one.pour_rows if p.pot == pot]
        assert f"<h1>Pot {pot}: blend {rows[0].blend}</h1>" in page
        for cell, p in zip(cells(page), rows, strict=False):
            assert cell[1].split()[0] == p.pour
            assert cell[2] == f"{p.load_pct:.2f} {p.load_pct * 0.16:.2f} oz/lb"
            assert cell[3] == f"{content_from_load(p.load_pct):.2f}"
            assert cell[4] == f"{p.wax_g:.1f} g {p.wax_g / 28.349523125:.2f} oz"
            assert cell[5] == f"{p.fragrance_g:.1f} g {p.fragrance_g / 28.349523125:.3f} oz"
            assert cell[8:] == [""] * 6


@settings(max_examples=40, deadline=None)
@given(
    loads=st.lists(st.floats(1, 40).map(lambda x: round(x, 2)), min_size=2, max_size=8,
                   unique=True),
    piece_g=st.floats(10, 120), seed=st.integers(0, 99), confirm=st.booleans(),
)
def test_printed_weights_add_up_to_the_plan(loads, piece_g, seed, confirm):
    try:
        one = plan(loads_pct=loads, piece_g=piece_g, seed=seed, pouring=Pouring(confirm=confirm))
    except PlanError as refused:  # a pour too small for the scale of fragrance
        assert "which misses the load by" in str(refused)
        reject()
    for page, pot in zip(pages(pour_sheets_html(one)), one.pots.itertuples(), strict=True):
        *rows, total = cells(page)
        weights = [re.match(r"([\d.]+) g +([\d.]+) oz", row[4]).groups() for row in rows]
        drops = [re.match(r"([\d.]+) g +([\d.]+) oz", row[5]).groups() for row in rows]
        assert sum(float(g) for g, _ in weights) == pot.wax_g
        assert sum(float(g) for g, _ in drops) == pytest.approx(pot.fragrance_g, abs=1e-6)
        # each printed ounce is off by half of its last digit at most
        assert sum(float(oz) for _, oz in weights) == pytest.approx(
            pot.wax_g / 28.349523125, abs=0.0051 * len(rows))
        assert sum(float(oz) for _, oz in drops) == pytest.approx(
            pot.fragrance_g / 28.349523125, abs=0.00051 * len(rows))
        assert total[1].startswith(f"{pot.wax_g:.1f} g")
        assert total[2].startswith(f"{pot.fragrance_g:.1f} g")
        for row, (wax, _), (drop, _) in zip(rows, weights, drops, strict=True):
            load, content = float(row[2].split()[0]), float(row[3])
            assert float(drop) <= float(wax) * (load + 0.005) / 100 + 1e-9
            made = 100 * float(drop) / (float(wax) + float(drop))
            assert made <= content + 0.005 and made > content - 10 / float(wax) - 0.005


def test_temperatures_stand_in_both_scales_and_a_low_flash_point_is_warned_about():
    page = pages(pour_sheets_html(plan(blends=[Blend("soft", {SOFT: 1})])))[0]
    assert "Add fragrance at <b>80 °C (176 °F)</b>" in page
    assert "closed-cup flash point of the fragrance <b>78 °C (172 °F)</b>" in page
    assert "wax maker's maximum <b>93 °C (199 °F)</b>. Stir 2 min." in page
    assert ("The closed-cup flash point of 78 °C (172 °F) is LOWER than the add temperature of "
            "80 °C (176 °F)") in page
    safe = pour_sheets_html(plan(fragrance=Fragrance("plain", flash_point_c=95)))
    assert "LOWER" not in safe
    unknown = pour_sheets_html(plan(fragrance=Fragrance("plain")))
    assert ("closed-cup flash point of the fragrance: <b>not known</b>, see the maker's "
            "sheet") in unknown


def test_every_caution_stands_on_every_pour_sheet():
    for page in pages(pour_sheets_html(plan())):
        for caution in CAUTIONS:
            assert str(escape(caution)).replace("&#39;", "'") in page
        assert "These" not in page and "for this fragrance: linalool." in page
    text = " ".join(CAUTIONS)
    for need in ("water bath or thermostatic melter", "direct flame", "thermometer", "unattended",
                 "Lid", "class B extinguisher", "Never water on burning wax",
                 "wax maker's temperature", "wax maker's maximum", "Ventilate", "gloves",
                 "sensitise", "local law and licensed practice", "not a safety assessment"):
        assert need in text


def test_pours_above_a_limit_are_marked_and_others_are_not():
    one = plan()
    marked = {}
    for page in pages(pour_sheets_html(one)):
        for row in cells(page)[:-1]:
            marked[row[1].split()[0]] = "test only" in row[1]
    assert marked == {p.pour: p.test_only for p in one.pour_rows}
    assert sum(marked.values()) == 2 * 2 + 4 * 2


def test_the_confirming_pour_shows_its_own_temperature_and_stir():
    one = plan(blends=[Blend("soft", {SOFT: 1})], pouring=Pouring(confirm=True))
    rows = [row for page in pages(pour_sheets_html(one)) for row in cells(page)]
    row = next(r for r in rows if "confirming pour" in r[1])
    assert row[6].startswith("90 °C") and "194 °F" in row[6] and row[7] == "10"


def test_melted_wax_names_lot_and_adds_up():
    page = next(p for p in pages(pour_sheets_html(plan())) if "70/30" in p)
    soft, hard, total = (int(g) for g in re.findall(r"<b>(\d+) g</b>", page)[:3])
    assert "soft wax, lot S-1" in page and soft + hard == total
    assert soft / total == pytest.approx(0.7, abs=0.001)


@pytest.mark.parametrize("lot", ["M-1", "lot M-1"])
def test_a_lot_is_said_once(lot):
    page = pour_sheets_html(plan(blends=[Blend("soft", {Wax("soft wax", lot): 1})]))
    assert "soft wax, lot M-1:" in page and "lot lot" not in page


def test_dye_of_a_pot_is_weighed_into_its_melt_and_bought():
    one = plan(pouring=Pouring(dye_pct=0.2))
    bought = 0.0
    for page in pages(pour_sheets_html(one)):
        total = int(re.search(r"<b>(\d+) g</b> \([\d.]+ oz\), with 5 %", page)[1])
        dye = float(re.search(r"Then dye: <b>([\d.]+) g</b> \(0.2 % of wax\)", page)[1])
        assert dye == pytest.approx(0.002 * total, abs=0.05)
        bought += dye
    listed = float(re.search(r"dye: ([\d.]+) g, 0.2 % of wax", shopping_list_html(one))[1])
    assert listed == pytest.approx(bought, abs=0.05 * 4 + 0.05)
    assert "dye" not in pour_sheets_html(plan()) + shopping_list_html(plan())
    with pytest.raises(PlanError, match="dye_pct"):
        Pouring(dye_pct=6)


def test_there_are_blanks_for_the_tare():
    page = pages(pour_sheets_html(plan()))[0]
    assert "Jug<br>tare g" in page and "Pot tare <span" in page


def words_of(html):
    return re.sub(r"<style>.*?</style>|<[^>]+>", " ", html, flags=re.S)


def test_pour_sheets_show_no_code_of_any_piece():
    # weights could look like a code: take one whose weights and temperatures are known to differ
    one = plan(blends=[Blend("soft", {SOFT: 1})])
    text = words_of(pour_sheets_html(one)).replace("&nbsp;g", " g").replace("&nbsp;", " ")
    numbers = set(re.findall(r"(?<![\d.])\d{3}(?![\d.]| g| °| mm)", text))
    assert not numbers & {p.code for p in one.piece_rows}


def label_pages(html):
    """The list to stick by, and the labels."""
    return html.partition('<div class="labels cast">')[::2]


def test_labels_come_as_the_pieces_are_cast_and_show_codes_alone():
    one = plan()
    pour_of = {p.code: p.pour for p in one.piece_rows}
    _, labels = label_pages(labels_html(one))
    found = re.findall(r"<b>(\d{3})</b>", labels)
    assert sorted(found) == [p.code for p in one.piece_rows]
    cast = [pour_of[code] for code in found]
    assert list(dict.fromkeys(cast)) == [p.pour for p in one.pour_rows]  # no pour comes twice
    assert [pour for pour, _ in itertools.groupby(cast)] == list(dict.fromkeys(cast))
    assert set(words_of(labels).split()) == set(found)
    # the first label of each pour begins a line
    starts = re.findall(r'class="label first">.*?<b>(\d{3})</b>', labels)
    assert [pour_of[code] for code in starts] == [p.pour for p in one.pour_rows]


def test_the_list_to_stick_by_names_every_code_with_its_pour():
    one = plan()
    rows = {row[1]: row for row in cells(label_pages(labels_html(one))[0])}
    for piece in one.piece_rows:
        assert piece.code in rows[piece.pour][3].split()
    assert sum(len(row[3].split()) for row in rows.values()) == len(one.piece_rows)


def test_neither_labels_nor_list_tell_a_load_or_a_blend():
    """They are the same, byte for byte, whatever was weighed into which pour."""
    one = plan()
    first, *others = one.pour_rows
    turned = [*others, first]  # each pour gets what belongs to the next
    told = ("blend", "load_pct", "content_pct", "wax_g", "fragrance_g", "add_temp_c",
            "pour_temp_c", "stir_min", "limit_load_pct", "test_only", "confirming")
    other = dataclasses.replace(one, pour_rows=tuple(
        dataclasses.replace(own, **{name: getattr(another, name) for name in told})
        for own, another in zip(one.pour_rows, turned, strict=True)))
    assert code_key_html(other) != code_key_html(one)
    for address in ("", "http://192.0.2.7:8000"):
        assert labels_html(other, address=address) == labels_html(one, address=address)
    text = words_of(labels_html(one))
    assert "% of" not in text and "soft" not in text and "70/30" not in text


def test_the_key_holds_every_code_with_its_pour():
    one = plan()
    rows = {row[0]: row for row in cells(code_key_html(one))}
    pours = {p.pour: p for p in one.pour_rows}
    for piece in one.piece_rows:
        assert piece.code in " ".join(rows[piece.pour][4:]).split()
    assert sum(len(" ".join(r[4:]).split()) for r in rows.values()) == len(one.piece_rows)
    for name, row in rows.items():
        assert row[2] == f"{pours[name].load_pct:.2f}"
        assert row[3] == f"{pours[name].content_pct:.2f}"


@pytest.mark.parametrize("sheet", [pour_sheets_html, code_key_html, labels_html])
def test_sheets_escape_text_need_no_network_and_mark_demonstrations(sheet):
    html = sheet(plan(invented=True))
    assert "<script" not in html and "&lt;script&gt;" in html and "<wax>" not in html
    assert not re.search(r"https?:|src=|@import|url\(|<link", html)
    assert "Invented demonstration, no evidence." in html
    assert "Invented" not in sheet(plan())


def test_another_paper_is_refused():
    with pytest.raises(PlanError) as caught:
        pour_sheets_html(plan(), paper="A5")
    assert str(caught.value) == "the paper is 'A5'; give one of A4, letter"


@pytest.mark.browser
@pytest.mark.skipif(not shutil.which("pdftoppm"), reason="needs poppler")
@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("address", ["", "http://192.168.100.200:54321"])
def test_another_reader_reads_every_label_as_printed(chromium, tmp_path, paper, address):
    """Read by zxing-cpp from the printed page at 200 dots an inch, about what a phone sees."""
    import zxingcpp
    from PIL import Image

    one, found = plan(), []
    pdf = printed(chromium, labels_html(one, paper, address), tmp_path)
    subprocess.run(["pdftoppm", "-r", "200", "-gray", pdf, tmp_path / "page"], check=True,
                   timeout=60)
    for page in sorted(tmp_path.glob("page*")):
        found += [r.text for r in zxingcpp.read_barcodes(Image.open(page))]
    start = f"{address}/piece/" if address else ""
    assert sorted(found) == [f"{start}{p.code}" for p in one.piece_rows]


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_the_pours_of_a_pot_are_printed_as_one_table(chromium, tmp_path, paper):
    """Below what is said of the pot, or overleaf where they are too many for that."""
    one = plan(pouring=Pouring(confirm=True), invented=True)
    pdf = printed(chromium, pour_sheets_html(one, paper), tmp_path)
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], check=True, capture_output=True,
                          text=True, timeout=60).stdout
    tables = [page for page in text.split("\f") if "Stirred" in page]
    assert len(tables) == len(one.pots) == 4
    for page, pot in zip(tables, one.pots["pot"], strict=True):
        assert len(re.findall(rf"\b{pot}-\d", page.split("Stirred")[1])) == sum(
            p.pot == pot for p in one.pour_rows)
    assert text.count("confirming") == 2, "cut in its column"


def test_every_place_says_alike_who_opens_the_key():
    pages = [write(plan()) for write in (pour_sheets_html, labels_html, code_key_html)]
    for page in pages:
        assert KEY_RULE in " ".join(page.split()), page[:200]
        for other in ("Nobody opens", "Keep the key sealed", "stays sealed", "by the sealed key"):
            assert other not in page
