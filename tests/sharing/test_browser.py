"""The pages in a real browser: nothing leaves, nothing fails, everyone can read them."""

import shutil
import subprocess

import pytest

from scentlab.choosing.analysis import analyse
from scentlab.reading_copy import prepare_reading_copy
from scentlab.sharing.comparison import comparison_html
from scentlab.sharing.summary import supplier_summary_html
from scentlab.simulate import BlendTruth, Truth, layout_of_plan, simulate_series
from scentlab.workshop import make_demo_series

pytestmark = pytest.mark.browser


def other_lot(analysis):
    truth = Truth({b: BlendTruth(11.0) for b in analysis.sweat.blends})
    return analyse(simulate_series(layout_of_plan(analysis.series.plan), truth, 5), draws=500)


@pytest.fixture(scope="module")
def pages(analysis, html, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    texts = {
        "report": html,
        "comparison": comparison_html([analysis, other_lot(analysis)]),
        "notebooks": prepare_reading_copy(make_demo_series(folder / "demo")).html,
        "summary": supplier_summary_html(analysis, "Did the wax change?"),
    }
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def opened(chromium, pages, request):
    """A page opened at a width, with every request and console message noted."""
    name, width = request.param
    context = chromium.new_context(viewport={"width": width, "height": 844}, bypass_csp=False)
    page = context.new_page()
    asked, said = [], []
    page.on("request", lambda r: asked.append(r.url))
    page.on("console", lambda m: said.append(f"{m.type}: {m.text}"))
    page.on("pageerror", lambda e: said.append(str(e)))
    page.goto((pages / f"{name}.html").as_uri())
    page.wait_for_load_state("load")
    yield page, asked, said
    context.close()


NAMES = ("report", "comparison", "summary", "notebooks")
EACH = pytest.mark.parametrize(
    "opened", [(n, w) for n in NAMES for w in (390, 1280)], indirect=True,
    ids=lambda p: f"{p[0]}-{p[1]}",
)


@EACH
def test_no_request_leaves_and_the_console_stays_silent(opened):
    page, asked, said = opened
    assert [u for u in asked if not u.startswith(("file:", "data:"))] == []
    assert len([u for u in asked if u.startswith("file:")]) == 1
    assert said == []
    broken = page.eval_on_selector_all(
        "img", "images => images.filter(i => !i.complete || i.naturalWidth === 0).length"
    )
    assert broken == 0


@EACH
def test_nothing_is_cut_at_the_side(opened):
    page, _, _ = opened
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    # Tables scroll in boxes of their own, everything else must fit.
    wide = page.evaluate(
        "[...document.querySelectorAll('main *')].filter(e => !e.closest('.wide') &&"
        " e.getBoundingClientRect().right > window.innerWidth + 1).map(e => e.outerHTML)"
    )
    assert wide == []


@pytest.mark.parametrize("name", NAMES)
def test_no_serious_barrier_for_anyone(chromium, pages, name):
    runner = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="needs the test library axe-playwright"
    )
    # The checker itself is a script, which the page's own policy rightly forbids.
    page = chromium.new_context(bypass_csp=True).new_page()
    page.goto((pages / f"{name}.html").as_uri())
    found = runner.Axe().run(page).response["violations"]
    serious = [v for v in found if v["impact"] in ("serious", "critical")]
    assert serious == [], [(v["id"], v["nodes"][0]["html"][:200]) for v in serious]


@pytest.mark.parametrize("size", [("A4", 8.27, 11.69), ("Letter", 8.5, 11)], ids=lambda s: s[0])
def test_the_summary_prints_on_one_page(chromium, pages, size):
    _, width, height = size
    page = chromium.new_page()
    page.goto((pages / "summary.html").as_uri())
    pdf = page.pdf(width=f"{width}in", height=f"{height}in")
    assert pdf.count(b"/Type /Page\n") == 1


@pytest.mark.parametrize("size", [("A4", 8.27, 11.69), ("Letter", 8.5, 11)], ids=lambda s: s[0])
def test_three_questions_leave_room_for_answers_on_the_page(chromium, analysis, size, tmp_path):
    asked = ["Is 9 % of wax within your limit?", "Did lot L7 change, and when was it made?",
             "What is the highest load you would stand behind, and how was it tested?"]
    path = tmp_path / "summary.html"
    path.write_text(supplier_summary_html(analysis, asked), encoding="utf-8")
    page = chromium.new_page()
    page.goto(path.as_uri())
    assert page.locator(".blank").count() == 3
    pdf = page.pdf(width=f"{size[1]}in", height=f"{size[2]}in")
    assert pdf.count(b"/Type /Page\n") == 1


PAPERS = pytest.mark.parametrize(
    "paper", [("A4", 8.27, 11.69), ("Letter", 8.5, 11)], ids=lambda s: s[0]
)


def printed(chromium, path, paper, tmp_path):
    """The lines of each printed page."""
    tool = shutil.which("pdftotext")
    if not tool:
        pytest.skip("needs pdftotext")
    page = chromium.new_page()
    page.goto(path.as_uri())
    # A picture holds no text: a word beside it tells that a heading is not the last on its page.
    page.evaluate(
        "document.querySelectorAll('figure img').forEach(i => i.insertAdjacentHTML("
        "'afterend', '<span style=\"font-size:1px\">picture shown</span>'))"
    )
    page.pdf(path=tmp_path / "page.pdf", width=f"{paper[1]}in", height=f"{paper[2]}in")
    # The words of a picture are drawn, not written: a heading above one may well come last.
    heads = page.eval_on_selector_all(
        "h2, h3", "all => all.filter(e => !e.nextElementSibling?.matches('figure, .pictures'))"
        ".map(e => e.innerText.trim())"
    )
    page.close()
    text = subprocess.run(
        [tool, "-layout", str(tmp_path / "page.pdf"), "-"], capture_output=True, check=True
    ).stdout.decode("utf-8")
    return heads, [
        [line.strip() for line in part.split("\n") if line.strip()]
        for part in text.split("\f") if part.strip()
    ]


@PAPERS
@pytest.mark.parametrize("name", NAMES)
def test_no_page_ends_with_a_heading_or_begins_with_a_lost_word(
    chromium, pages, name, paper, tmp_path
):
    heads, sheets = printed(chromium, pages / f"{name}.html", paper, tmp_path)
    assert len(sheets) > (name != "summary")
    for sheet in sheets:
        assert sheet[-1] not in heads
        assert len(sheet[0].split()) > 1 or sheet[0] in heads


@PAPERS
def test_a_blend_of_the_report_is_one_page(chromium, pages, paper, tmp_path, analysis):
    _, sheets = printed(chromium, pages / "report.html", paper, tmp_path)
    for blend in analysis.pick.table["blend"]:
        own = [s for s in sheets if s[0] == blend]
        assert len(own) == 1 and any("Trade-off at the tested loads" in line for line in own[0])


@PAPERS
def test_the_fullest_summary_prints_on_one_page(chromium, analysis, paper, tmp_path):
    """Six questions of 300 characters beside three blends."""
    path = tmp_path / "full.html"
    ask = [f"{i} " + "Does this lot differ from the last one? " * 7 for i in range(6)]
    path.write_text(supplier_summary_html(analysis, [a[:300] for a in ask]), encoding="utf-8")
    _, sheets = printed(chromium, path, paper, tmp_path)
    assert len(sheets) == 1
