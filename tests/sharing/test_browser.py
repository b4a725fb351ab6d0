"""The pages in a real browser: nothing leaves, nothing fails, everyone can read and use them."""

import dataclasses
import datetime as dt
import io
import re
import shutil
import subprocess
from types import SimpleNamespace

import pytest
from PIL import Image

from scentlab.choosing.analysis import decider
from scentlab.choosing.known_load import known_load
from scentlab.materials import Blend, Wax
from scentlab.planning.batch import make_batch, materials_of
from scentlab.sharing.answer import LOT, read_answer, weigh_answer
from scentlab.sharing.dossier import dossier_html
from scentlab.sharing.report import page_fingerprint, report_html
from scentlab.units import Shown, say_load_oz, showing

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def pages(analysis, html, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    texts = {
        "report": html,
        "summary": report_html(analysis, ask=["Did the wax change?"]),
        "photos": report_html(analysis, photos=photos_of(analysis)),
        "dossier": dossier_html(analysis, batch_of(analysis)),
    }
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return folder


def batch_of(analysis):
    return make_batch(known_load(analysis), materials_of(analysis.series), wax_g=453.59)


def photos_of(analysis):
    """Photos of every other heat-cycled piece of the first blend, which pack badly."""
    blend = analysis.pick.table["blend"].iloc[0]
    looks = analysis.series.sweat()
    looks = looks[(looks["blend"] == blend) & (looks["stress"] == "heat")]
    out = io.BytesIO()
    Image.effect_noise((1600, 1200), 90).save(out, "JPEG")
    return [SimpleNamespace(code=code, words=f"photo of piece {code}, sweat, day 7",
                            read=out.getvalue)
            for code in looks["code"].unique()[::2]]


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


NAMES = ("report", "summary", "photos", "dossier")
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


@pytest.mark.parametrize(("scheme", "rules"), [("light", {}),
                                               ("dark", {"runOnly": ["color-contrast"]})])
@pytest.mark.parametrize("name", ["summary", "photos", "dossier"])  # the report is in each of two
def test_no_serious_barrier_for_anyone(chromium, pages, name, scheme, rules):
    """In dark only what hangs on colours is looked at again."""
    runner = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="needs the test library axe-playwright"
    )
    # The checker itself is a script, which the page's own policy rightly forbids.
    page = chromium.new_context(bypass_csp=True, color_scheme=scheme).new_page()
    page.goto((pages / f"{name}.html").as_uri())
    page.eval_on_selector_all("details", "all => all.forEach(d => { d.open = true; })")
    found = runner.Axe().run(page, options=rules).response["violations"]
    serious = [v for v in found if v["impact"] in ("serious", "critical")]
    assert serious == [], [(v["id"], v["nodes"][0]["html"][:200]) for v in serious]


def opened_at(chromium, path, width=1366, height=768, **options):
    context = chromium.new_context(viewport={"width": width, "height": height}, **options)
    page = context.new_page()
    page.goto(path.as_uri())
    return page


def test_a_long_name_is_broken(chromium, pages):
    page = opened_at(chromium, pages / "summary.html", 390, 844)
    page.evaluate("""() => {
        document.querySelectorAll("details").forEach(fold => { fold.open = true; });
        document.querySelectorAll(".reply legend, .reply label, dt").forEach(
            part => part.prepend("w".repeat(80)));
    }""")
    assert page.evaluate("document.documentElement.scrollWidth") == 390


@pytest.mark.parametrize("name", ["report", "photos"])
@pytest.mark.parametrize("width, height, screens", [(1366, 768, 1.0), (390, 844, 1.5)])
def test_the_answer_fits_the_first_screen(chromium, pages, width, height, screens, name):
    page = opened_at(chromium, pages / f"{name}.html", width, height)
    end = page.evaluate("document.querySelector('#answer').getBoundingClientRect().bottom")
    assert end <= screens * height
    size = page.evaluate("""[...document.querySelectorAll('#answer svg text')].map(
        t => t.getBoundingClientRect().height)""")
    assert min(size) >= 11  # pixels from line to line


def test_a_piece_is_named_where_it_is_pointed_at(chromium, pages, analysis):
    page = opened_at(chromium, pages / "report.html")
    figure = page.locator("#answer figure")
    dot = figure.locator(".dot.sweat").last
    words = dot.locator("title").text_content()
    dot.hover()
    assert figure.locator("output").inner_text() == words
    code = words.split(",")[0].removeprefix("Piece ")
    grade = analysis.series.sweat().set_index("code").loc[code, "grade"]
    assert f"sweat grade {grade:.0f} (" in words
    figure.focus()
    page.keyboard.press("ArrowLeft")
    assert figure.locator("output").inner_text() not in ("", words)


@pytest.mark.parametrize("width, height", [(1366, 768), (390, 844)])
def test_a_tap_beside_a_point_is_enough_and_its_words_are_in_view(chromium, pages, width, height):
    page = opened_at(chromium, pages / "report.html", width, height)
    dot = page.locator("#answer .dot.sweat").last
    dot.scroll_into_view_if_needed()
    box = dot.bounding_box()
    tall = page.evaluate("document.documentElement.scrollHeight")
    page.mouse.click(box["x"] + box["width"] / 2 + 12, box["y"] + box["height"] / 2 - 8)
    words = page.locator("#answer output")
    assert words.inner_text().startswith("Piece ")
    seen = words.bounding_box()
    assert 0 <= seen["y"] and seen["y"] + seen["height"] <= height + 1
    assert page.evaluate("document.documentElement.scrollHeight") == tall  # nothing is pushed


def test_the_words_of_a_mark_cross_no_line_of_another(chromium, pages):
    page = opened_at(chromium, pages / "report.html")
    crossed = page.evaluate("""[...document.querySelectorAll('.many svg, #answer svg')].flatMap(
        svg => { const lines = [...svg.querySelectorAll(':scope > .mark')].map(
            line => line.getBoundingClientRect());
            return [...svg.querySelectorAll('text:has(tspan[data-oz])')].filter(text => {
                const box = text.getBoundingClientRect();
                return lines.some(line => line.left > box.left + 1 && line.left < box.right - 1
                    && line.top < box.bottom - 4); }).map(text => text.textContent); })""")
    assert crossed == []


def test_the_words_of_a_panel_stay_within_the_picture(chromium, analysis, tmp_path):
    """Those of pieces at room temperature are the longest."""
    at_rest = decider(analysis)(dataclasses.replace(analysis.rules, stress="rest"))
    (tmp_path / "rest.html").write_text(report_html(at_rest), encoding="utf-8")
    page = opened_at(chromium, tmp_path / "rest.html")
    cut = page.evaluate("""() => [...document.querySelectorAll("svg text.name")].filter(text =>
        text.getBoundingClientRect().right > text.closest("svg").getBoundingClientRect().right + 1
    ).map(text => text.textContent)""")
    assert "at room temperature" in page.locator("svg").first.text_content() and cut == []


def test_the_counts_fit_a_phone(chromium, pages):
    page = opened_at(chromium, pages / "report.html", 390, 844)
    page.locator("#seen").click()
    fits = page.evaluate("""(() => { const box = [...document.querySelectorAll('.wide')].find(
        e => e.ariaLabel.startsWith('Seen at each load'));
        return box.scrollWidth - box.clientWidth; })()""")
    assert fits <= 1


def test_a_piece_shows_its_photo_where_there_is_one(chromium, pages):
    page = opened_at(chromium, pages / "photos.html")
    code = page.locator("img[data-code]").first.get_attribute("data-code")
    page.evaluate("""code => [...document.querySelectorAll('#answer .dot')].find(
        dot => dot.textContent.startsWith(`Piece ${code},`)
    ).dispatchEvent(new PointerEvent('pointerover', {bubbles: true}))""", code)
    shown = page.locator("#answer output img")
    assert shown.count() == 1 and shown.get_attribute("data-code") == code
    assert len((pages / "photos.html").read_bytes()) < 1_000_000


def test_sliders_show_rows_of_the_table(chromium, pages, analysis):
    page = opened_at(chromium, pages / "report.html")
    names = list(analysis.pick.table["blend"])
    rows = page.eval_on_selector_all(
        "#choices tbody tr", "rows => rows.map(r => [...r.cells].map(c => c.textContent))")
    page.locator("#risk").fill("0")
    page.locator("#sure").fill("3")
    cells, = (row[2:] for row in rows if row[:2] == ["1 %", "99 %"])
    assert [words.split() for words in page.locator("#then li").all_inner_texts()] == [
        f"{name}: {cell}".split() for name, cell in zip(names, cells, strict=True)]


def test_units_change_together_and_back(chromium, pages, analysis):
    page = opened_at(chromium, pages / "report.html")
    def said():
        return page.locator("header").inner_text() + page.locator("main").inner_text()
    before, percents = said(), r"[\d.]+ % \([\d.]+ oz/lb\)"
    load = analysis.pick.table["load_pct"].iloc[0]
    page.get_by_role("radio", name="oz/lb").check()
    with showing(Shown("oz")):
        assert page.inner_text("#answer .use").startswith(say_load_oz(load, sold=True))
    assert "load, oz of fragrance per lb of wax" in page.locator("#answer svg").text_content()
    assert re.search(percents, before) and not re.search(percents, said())
    assert "oz/lb) without one pot" in before and " %) without one pot" in said()
    assert not re.search(percents, " ".join(page.locator("svg title").all_text_contents()))
    page.locator("#risk").fill("0")
    assert "oz/lb (" in page.locator("#then").inner_text()
    page.locator("#risk").fill("2")
    page.get_by_role("radio", name="% of wax").check()
    assert said() == before


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("scripts", [True, False])
def test_light_and_dark_follow_the_reader_and_the_switch(chromium, pages, scheme, scripts):
    page = opened_at(chromium, pages / "report.html", color_scheme=scheme,
                     java_script_enabled=scripts)
    def paper():
        found = page.locator("body").evaluate("b => getComputedStyle(b).backgroundColor")
        return "light" if found == "rgb(255, 255, 255)" else "dark"
    assert paper() == scheme
    page.locator("#other").check()
    assert paper() != scheme


def test_without_scripts_everything_is_there(chromium, pages):
    page = opened_at(chromium, pages / "summary.html", java_script_enabled=False)
    assert page.locator(".live:visible").count() == 0
    shown = page.locator(".folded:visible").count()
    for heading in page.locator("summary").all():
        heading.click()
    assert (shown, page.locator(".folded:visible").count()) == (0, page.locator("summary").count())
    assert page.locator("#choices").is_visible()
    assert page.get_by_text("Did the wax change?", exact=True).is_visible()
    assert page.get_by_text("answer by mail: each question").is_visible()
    assert page.get_by_text("see answers under other rules in the table below").is_visible()


def test_an_answer_is_saved_by_the_page_and_read_by_the_kit(chromium, pages, analysis, tmp_path):
    page = opened_at(chromium, pages / "summary.html")
    page.get_by_label("Who answers").fill('The "wax" <maker>')
    page.get_by_label("Answer 1", exact=True).fill("No, but lot 8 will.")
    page.get_by_label("Risk at most, %").press_sequentially("2,5")
    assert page.evaluate("() => document.getElementById('reply').checkValidity()")
    page.get_by_label("How sure, %").fill("20")
    assert not page.evaluate("() => document.getElementById('reply').checkValidity()")
    page.get_by_label("How sure, %").fill("")
    name = analysis.pick.table["blend"].iloc[0]
    page.get_by_label(f"Highest load for {name}").press_sequentially("6,25")
    lot = page.locator("[data-lot]").first
    assert "tested: C-41" in lot.inner_text()
    lot.get_by_label("What").fill("melting point")
    lot.get_by_label("Value", exact=True).fill("54,5")
    lot.get_by_label("Unit").fill("°C")
    lot.get_by_role("button", name="One more").click()
    lot.get_by_label("Value", exact=True).last.fill("0.4 % oil")
    page.get_by_label("Anything else").fill("See you.")
    page.reload()  # what was typed is still there
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save the answer").click()
    assert re.fullmatch(r"answer-demo-cedar-and-fig-in-three-blends-invented-\d{4}-\d\d-\d\d\.json",
                        saved.value.suggested_filename)
    saved.value.save_as(tmp_path / "answer.json")
    found = read_answer(tmp_path / "answer.json")
    assert found.sender == 'The "wax" <maker>' and found.note == "See you."
    assert [tuple(reply.values()) for reply in found.answers] == [
        ("Did the wax change?", "No, but lot 8 will.")]
    today = dt.date.today()
    assert abs(dt.date.fromisoformat(found.answered_on) - today) <= dt.timedelta(days=1)
    assert found.rules == {"risk": 0.025} and found.limits == {name: 6.25}
    assert [tuple(fact.get(n, "") for n in LOT[1:]) for fact in found.lots] == [
        ("not given", "melting point", "54.5", "°C"), ("not given", "not given", "0.4 % oil", "")]
    weighed = weigh_answer(analysis, found, page_fingerprint(analysis))
    assert weighed.table.set_index("blend").loc[name, "proposed_load_pct"] <= 6.25


def test_an_empty_answer_and_an_unknown_lot_are_pointed_out(chromium, pages):
    page = opened_at(chromium, pages / "summary.html")
    asked = []
    page.on("download", lambda saved: asked.append(saved))
    page.get_by_label("Who answers").fill("the maker of the wax")
    page.get_by_role("button", name="Save the answer").click()
    assert page.inner_text("#saved").startswith("Nothing was saved: no question is answered")
    lot = page.locator("[data-lot]").first
    for typed, said in (("lot c 41", ""), ("C-41", ""), ("", ""), ("invented lot C-41", ""), (
            "F-03, C-41", ""), (
            "C-14", "Lot C-14 is not one of those tested here (C-41). It will be sent as typed.")):
        lot.get_by_label("Lot", exact=True).fill(typed)
        assert lot.locator(".odd").inner_text() == said
    assert asked == []
    with page.expect_download():
        page.get_by_role("button", name="Save the answer").click()
    assert page.inner_text("#saved").startswith("Saved as answer-demo-cedar")
    page.locator("[data-share]").first.fill("abc")  # what was saved is not what is refused now
    page.get_by_role("button", name="Save the answer").click()
    assert page.inner_text("#saved") == ""


PAPERS = pytest.mark.parametrize(
    "paper", [("A4", 8.27, 11.69), ("Letter", 8.5, 11)], ids=lambda s: s[0]
)


def printed(chromium, path, paper, tmp_path, everything=False):
    """The lines of each printed page, and the headings."""
    tool = shutil.which("pdftotext")
    if not tool:
        pytest.skip("needs pdftotext")
    page = chromium.new_page()
    page.goto(path.as_uri())
    if everything:
        page.locator("#everything").check()
    page.pdf(path=tmp_path / "page.pdf", width=f"{paper[1]}in", height=f"{paper[2]}in")
    heads = page.eval_on_selector_all("h2, h3", "all => all.map(e => e.textContent.trim())")
    page.close()
    text = subprocess.run(
        [tool, "-layout", str(tmp_path / "page.pdf"), "-"], capture_output=True, check=True
    ).stdout.decode("utf-8")
    return heads, [
        [line.strip() for line in part.split("\n") if line.strip()]
        for part in text.split("\f") if part.strip()
    ]


@PAPERS
@pytest.mark.parametrize("name", NAMES[:-1])
@pytest.mark.parametrize("everything", [False, True])
def test_no_page_ends_with_a_heading_or_begins_with_a_lost_word(
    chromium, pages, name, paper, tmp_path, everything
):
    heads, sheets = printed(chromium, pages / f"{name}.html", paper, tmp_path, everything)
    for sheet in sheets:
        assert sheet[-1] not in heads
        assert len(sheet[0].split()) > 1 or sheet[0] in heads


@PAPERS
def test_the_answer_is_the_first_printed_page_and_all_of_it_a_few(
    chromium, pages, paper, tmp_path, analysis
):
    heads, sheets = printed(chromium, pages / "report.html", paper, tmp_path)
    assert len(sheets) == 2 and sheets[1][0] == "Blends side by side"
    assert "load, % of wax" in " ".join(sheets[0]) and "How sure" not in " ".join(sheets[1])
    _, every = printed(chromium, pages / "report.html", paper, tmp_path, everything=True)
    words = " ".join(line for sheet in every for line in sheet)
    assert all(head in words for head in heads if len(head) < 40)


@pytest.mark.parametrize(("name", "least"), [("report", 7.5), ("summary", 7.5), ("dossier", 8)])
def test_what_is_printed_can_be_read(chromium, pages, name, least):
    """The smallest type in points, in pictures as they are drawn (A4 less its margins)."""
    page = opened_at(chromium, pages / f"{name}.html", 703, 1000)
    page.emulate_media(media="print")
    small = page.evaluate("""least => { const found = [], walk = document.createTreeWalker(
        document.body, NodeFilter.SHOW_TEXT);
        while (walk.nextNode()) { const e = walk.currentNode.parentElement;
            if (!walk.currentNode.textContent.trim() || !e.getClientRects().length) continue;
            const drawn = e.closest('svg') ? e.getScreenCTM().a : 1;
            const points = 0.75 * drawn * parseFloat(getComputedStyle(e).fontSize);
            if (points < least) found.push([points, e.textContent.slice(0, 40)]); }
        return found; }""", least)
    assert not small


@pytest.mark.parametrize("name", ["report", "summary"])
def test_a_finger_finds_what_can_be_tapped(chromium, pages, name):
    """44 pixels (WCAG 2.1, 2.5.5), and type of 16 in what is typed, which no phone enlarges."""
    page = opened_at(chromium, pages / f"{name}.html", 360, 740)
    small = page.evaluate("""() => [...document.querySelectorAll(
        'a[href], button, input, textarea, summary')].filter(e => e.offsetParent).filter(e => {
        const part = /radio|checkbox/.test(e.type) ? e.closest('label') : e;
        return part.getBoundingClientRect().height < 44 || (/text/.test(e.type)
            && parseFloat(getComputedStyle(e).fontSize) < 16); }).map(e => e.outerHTML)""")
    assert not small


def test_no_amount_is_broken_before_its_unit(chromium, pages):
    """In the printed table of blends a load or an interval goes on below, never within a number."""
    page = opened_at(chromium, pages / "report.html", 703, 1000)
    page.emulate_media(media="print")
    cells = page.eval_on_selector_all("#compared ~ .wide td.n", "all => all.map(e => e.innerText)")
    both = [cell for cell in cells if "(" in cell]
    assert len(both) >= 15
    assert not [c for c in both if re.search(r"\d (%|oz)|[^\n]\(", c)]


@PAPERS
def test_photos_leave_the_answer_on_one_printed_page(chromium, pages, paper, tmp_path):
    _, sheets = printed(chromium, pages / "photos.html", paper, tmp_path)
    assert len(sheets) == 2 and "load, % of wax" in " ".join(sheets[0])


@PAPERS
def test_the_fullest_dossier_is_one_page(chromium, analysis, paper, tmp_path):
    """Five waxes and fifteen allergens with long names, a topping, two warnings, three photos."""
    waxes = {Wax(f"a wax of the longest name that is usual, number {n}", lot=f"lot {n}" * 4): 0.2
             for n in range(5)}
    batch = batch_of(analysis)
    full = dataclasses.replace(
        batch, blend=Blend(batch.blend.name, waxes), waxes=tuple((w.name, 91) for w in waxes),
        fragrance=dataclasses.replace(batch.fragrance, allergens=tuple(
            f"an allergen of long name {n}" for n in range(15))),
        warnings=("The base, 7.8 % (1.24 oz/lb), is over its maker's limit: test only. " * 2,) * 2
    )
    path = tmp_path / "full.html"
    path.write_text(dossier_html(analysis, full, "x" * 120, photos_of(analysis)), encoding="utf-8")
    _, sheets = printed(chromium, path, paper, tmp_path)
    assert len(sheets) == 1 and "seed 1, records" in " ".join(sheets[0])


@PAPERS
def test_the_fullest_summary_prints_on_few_pages(chromium, analysis, paper, tmp_path):
    """Six questions of 300 characters beside three blends."""
    path = tmp_path / "full.html"
    ask = [f"{i} " + "Does this lot differ from the last one? " * 7 for i in range(6)]
    path.write_text(report_html(analysis, ask=[a[:300] for a in ask]), encoding="utf-8")
    _, sheets = printed(chromium, path, paper, tmp_path)
    assert len(sheets) == 3
