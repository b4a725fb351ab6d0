"""Sheets as they are printed: type, boxes and pages, read off the PDF and the page's own boxes.

11 points and boxes of 20 mm are for hands that are warm and waxy (common practice, no source).
"""

import re
import subprocess
from dataclasses import replace

import pytest
from printing import printed

from scentlab.planning import sheets
from scentlab.planning.plan import Plan
from scentlab.planning.rules import PieceNumbers
from scentlab.workshop import demo_plan

pytestmark = pytest.mark.browser
PAPERS = {"A4": (595, 842), "letter": (612, 792)}  # points: ISO 216 and ANSI Y14.1
SHEETS = (sheets.pour_sheets_html, sheets.shopping_list_html, sheets.labels_html,
          sheets.grade_sheets_html, sheets.throw_slips_html, sheets.code_key_html)


SIZES = """() => { const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT),
        found = [];
    while (walk.nextNode()) if (walk.currentNode.textContent.trim()) found.push([
        0.75 * parseFloat(getComputedStyle(walk.currentNode.parentElement).fontSize),
        walk.currentNode.textContent.trim().slice(0, 40)]);
    return found; }"""


def sheet(chromium, html, tmp_path):
    """The PDF of a sheet, the sizes of its text in points, and what pdfinfo says of it."""
    sizes = []
    path = printed(chromium, html, tmp_path, lambda page: sizes.extend(page.evaluate(SIZES)))
    info = subprocess.run(["pdfinfo", "-l", "99", path], check=True, capture_output=True, text=True)
    return path, sizes, info.stdout


def paper_of(info):
    """The sizes of the pages in points, the shorter side first."""
    lines = [line.split("size:")[1].split() for line in info.splitlines() if " size:" in line
             and line.startswith("Page ") and "Page size:" not in line]
    return {tuple(sorted((round(float(x[0])), round(float(x[2]))))) for x in lines}


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("write", SHEETS, ids=lambda f: f.__name__)
def test_type_paper_and_nothing_beyond_the_edge(chromium, tmp_path, write, paper):
    plan = Plan.from_dict(demo_plan())
    path, sizes, info = sheet(chromium, write(plan, paper), tmp_path)
    small = [said for said in sizes if said[0] < 10.99]
    assert len(sizes) > 5 and not small, small[:5]
    assert {tuple(abs(a - b) <= 1 for a, b in zip(found, PAPERS[paper], strict=True))
            for found in paper_of(info)} == {(True, True)}
    box = subprocess.run(["pdftotext", "-bbox", path, "-"], check=True, capture_output=True,
                         text=True).stdout
    words = [dict(part.split("=") for part in line.split(">")[0].replace("<word ", "").split())
             for line in box.splitlines() if "<word " in line]
    edge = max(float(w["xMax"].strip('"')) for w in words)
    assert edge <= max(max(paper_of(info)) if write is sheets.pour_sheets_html else
                       [PAPERS[paper][0]]) - 20


@pytest.mark.parametrize("paper", PAPERS)
def test_a_pot_of_six_loads_is_poured_by_one_page(chromium, tmp_path, paper):
    plan = Plan.from_dict(demo_plan())
    assert len(plan.loads_pct) == 6
    _, _, info = sheet(chromium, sheets.pour_sheets_html(plan, paper), tmp_path)
    assert int(re.search(r"Pages:\s+(\d+)", info)[1]) == len(plan.pots)


def test_no_heading_of_the_key_runs_into_the_next(chromium, tmp_path):
    """One piece of each purpose: the narrowest columns."""
    numbers = dict.fromkeys(("sweat", "sweat_heat", "frost", "throw", "reserve"), 1)
    plan = replace(Plan.from_dict(demo_plan()), piece_numbers=PieceNumbers(**numbers))
    found = []
    printed(chromium, sheets.code_key_html(plan, "letter"), tmp_path, lambda page: found.extend(
        page.evaluate("() => [...document.querySelectorAll('th')].map("
                      "e => [e.innerText, e.scrollWidth - e.clientWidth])")))
    assert len(found) == 9 and not [said for said in found if said[1] > 0]


@pytest.mark.parametrize("paper", PAPERS)
def test_no_page_of_grades_is_for_a_few_rows_that_found_no_room(chromium, tmp_path, paper):
    """The heat-cycled pieces of a day take two pages, and no page has fewer than eight rows."""
    plan = Plan.from_dict(demo_plan())
    path, _, info = sheet(chromium, sheets.grade_sheets_html(plan, paper), tmp_path)
    pages = int(re.search(r"Pages:\s+(\d+)", info)[1])
    text = subprocess.run(["pdftotext", "-layout", path, "-"], check=True, capture_output=True,
                          text=True).stdout.split("\f")
    rows = [len(re.findall(r"(?m)^ *\d{3} *$", part)) for part in text[:pages]]
    graded = [p for p in plan.piece_rows if p.test in ("sweat", "frost")]
    assert sum(rows) == len(graded) and rows[-1] == 0 and min(rows[:-1]) >= 8
    heated = [i for i, part in enumerate(text) if "Sweat, heat-cycled: " in part]
    assert len(heated) == 2
    for first in heated:
        of_day = sum(p.stress == "heat" for p in graded) / len(heated)
        assert rows[first] + rows[first + 1] == of_day
    assert "How to hold the heat at home" in text[pages - 1]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("write", [sheets.pour_sheets_html, sheets.grade_sheets_html,
                                   sheets.throw_slips_html], ids=lambda f: f.__name__)
def test_a_box_to_write_in_is_20_mm_wide_and_12_high(chromium, tmp_path, write, paper):
    plan = Plan.from_dict(demo_plan())
    width = {"A4": 210, "letter": 215.9}[paper] - 22
    if write is sheets.pour_sheets_html:
        width = {"A4": 297, "letter": 279.4}[paper] - 22
    page = chromium.new_page(viewport={"width": round(width / 25.4 * 96), "height": 800})
    page.set_content(write(plan, paper))
    page.emulate_media(media="print")
    boxes = page.evaluate("""() => [...document.querySelectorAll(
        'tr.hand td:empty, tr.tall td:empty')]
        .map(e => [e.offsetWidth, e.offsetHeight].map(x => x * 25.4 / 96))""")
    page.close()
    assert len(boxes) > 20
    assert min(w for w, _ in boxes) >= 20 and min(h for _, h in boxes) >= 12
