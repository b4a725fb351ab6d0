"""A person plans a series of their own in the first notebook, with the forms alone."""

import json

import pytest
from tapping import rest, tap

from scentlab import workshop
from scentlab.recording.draft import read_draft
from scentlab.recording.store import Store

pytestmark = pytest.mark.browser
# Fields of the first wax and so on: a number is given once, in the order of making.
WAXES = ({"name": "soft wax", "limit_load_pct": "10", "melt_temp_c": "50", "add_temp_c": "80",
          "max_temp_c": "93", "price_per_kg": "7,5"},
         {"name": "firm wax", "limit_load_pct": "12", "add_temp_c": "82", "price_per_kg": "9"})
SERIES = {"start": "2026-03-14", "currency": "EUR", "piece_g": "25", "assessors": "3",
          "works_with": "a1", "dye": "0,05", "sweat": "3", "sweat_heat": "0",
          "frost": "2", "throw": "2", "reserve": "1"}


@pytest.fixture(scope="module")
def folder(lab):
    folder = lab.folder / "plan"
    workshop.make_series(folder, title="Cedar in two waxes")
    return folder


@pytest.fixture(scope="module")
def page(chromium, lab, folder):
    page = lab.open_page(chromium, "plan/plan.ipynb", ".scent-press-keep[aria-label]")
    open_parts(page)
    yield page
    lab.close(page)


def open_parts(page):
    for part in ("waxes", "poured"):
        tap(page, f".scent-press-fold-{part}")
        page.wait_for_selector(f".scent-press-fold-{part}[aria-label$='close']")


def field(page, name):
    return page.locator(f".scent-field-{name} input")


def cards(page, kind):
    """The numbers of the cards of a kind, in the order on the page."""
    return page.evaluate(
        """k => [...document.querySelectorAll(`[class*=scent-field-${k}-][class*=-name]`)].map(
            e => /scent-field-\\w+-(\\d+)-name/.exec(e.className)[1])""", kind)


def press(page, name):
    tap(page, f".scent-press-{name}:visible")


def said(page, words, kind=""):
    words = json.dumps(words, ensure_ascii=False)
    page.wait_for_selector(f".scent-{kind or 'form'}:has-text({words})")


def test_the_forms_start_empty_and_say_what_is_missing(page, folder):
    said(page, "the name of the wax is still to be filled in", "flag")
    said(page, "Still to fill in: First pour day", "flag")
    assert page.locator(".scent-press-keep").is_disabled()
    assert page.locator(".scent-error").count() == 0
    assert field(page, "title").input_value() == "Cedar in two waxes"
    assert not read_draft(folder)


def test_type_the_materials(page):
    press(page, "add-wax")
    page.wait_for_function("() => document.querySelectorAll('[class*=scent-press-gone-wax]')"
                           ".length == 2")
    press(page, "add-blend")
    page.wait_for_function("() => document.querySelectorAll('[class*=scent-field-part]')"
                           ".length == 4")
    for number, wax in zip(cards(page, "wax"), WAXES, strict=True):
        for name, text in wax.items():
            field(page, f"wax-{number}-{name}").fill(text)
    (scent,) = cards(page, "fragrance")
    for name, text in (("name", "cedar"), ("flash_point_c", "77"), ("limit_content_pct", "12.5"),
                       ("price_per_kg", "60")):
        field(page, f"fragrance-{scent}-{name}").fill(text)
    page.wait_for_selector("[class*=scent-field-part] label:has-text('firm wax, %')")
    parts = page.locator("[class*=scent-field-part] input")
    parts.nth(0).fill("100")
    parts.nth(2).fill("70")
    said(page, "the parts add up to 70 %, not to 100 %: 30 % are missing", "error")
    parts.nth(3).fill("30")
    said(page, "soft wax 70 / firm wax 30: 70 % soft wax, 30 % firm wax; highest load 10.0 %")
    said(page, "flash point of 77 °C (171 °F) is below the temperature at which it is added")
    # 176 °F is (176 - 32) / 1.8 = 80 °C
    field(page, f"wax-{cards(page, 'wax')[0]}-add_temp_c").fill("200 F")
    said(page, "adding fragrance at 93.33 °C is above the wax maker's maximum of 93 °C", "error")
    field(page, f"wax-{cards(page, 'wax')[0]}-add_temp_c").fill("176 F")
    said(page, "soft wax: 100 % soft wax; highest load 10.0 % of wax (9.1 % of total); add "
         "fragrance at 176 °F (80 °C)")  # as the first that was typed


def test_type_the_series_and_see_what_it_takes(page):
    for name, text in SERIES.items():
        field(page, name).fill(text)
    field(page, "loads").fill("4, 8, 12 %")
    # 2 blends in 2 pots at 3 loads; 3 sweat, 2 frost, 2 throw and 1 reserve piece of each
    # pour, and 12 to open sessions
    said(page, "2 blends in 4 pots, 3 loads from 4.0 % (0.64 oz/lb) to 12.0 % (1.92 oz/lb): "
         "12 test batches and 108 pieces of ")
    said(page, "The plan is NOT kept yet.", "flag")
    press(page, "fold-asks")
    page.wait_for_selector(".scent-tables td:has-text('firm wax')")
    field(page, "loads").fill("4, six")
    said(page, "found 'six'", "error")
    page.wait_for_selector(".scent-press-keep:disabled")
    field(page, "loads").fill("4, 8, 12")
    said(page, ": 12 test batches and ")


def test_what_is_seldom_changed_is_folded_away(page):
    assert not field(page, "heat_temp").is_visible()
    for name in ("pouring", "heat", "days", "sittings"):
        press(page, f"fold-{name}")
        page.wait_for_selector(f".scent-press-fold-{name}:has-text('▾')")
    field(page, "heat_temp").fill("104 F")
    page.locator(".scent-field-kinds select").select_option("cold, then hot")
    said(page, "Sessions: throw cold, then hot; sessions on a day: 1")
    field(page, "start").fill("14.3.2026")
    said(page, "2026-03-14")
    field(page, "start").fill("10/11/2026")
    said(page, "found '10/11/2026', which is not a date", "error")
    field(page, "start").fill("14.03.2026")
    page.locator(".scent-field-kinds select").select_option("hot, in a room")
    said(page, ": 12 test batches and ")


def test_a_run_on_paper_by_the_keyboard_alone(page):
    said(page, "Your guess for each blend")
    for place in (0, 1):
        field(page, f"guess-{place}").fill("9,5")
        page.wait_for_selector(f".scent-field-guess-{place} ~ * .scent-also:has-text('1.52 oz/lb')")
    field(page, "series").fill("2")
    page.wait_for_selector(".scent-press-run:enabled")
    assert not page.locator(".scent-press-cancel").is_visible()
    page.locator(".scent-press-run").focus()
    page.keyboard.press("Enter")
    said(page, "Poured and scored 2 times on paper", "saved")
    assert page.locator(".scent-banner:not(:empty)").count() == 0


def test_single_keys_do_not_reach_the_notebook(page):
    before = page.locator(".jp-Notebook .jp-Cell").count()
    for place in (".scent-press-run", ".scent-field-title input", ".scent-press-keep",
                  f".scent-field-wax-{cards(page, 'wax')[0]}-lot input"):
        page.locator(place).focus()
        for key in ("x", "d", "d", "a", "b"):
            page.keyboard.press(key)
    page.wait_for_timeout(300)
    assert page.locator(".jp-Notebook .jp-Cell").count() == before
    assert field(page, "title").input_value().endswith("xddab")
    field(page, "title").fill("Cedar in two waxes")


@pytest.mark.parametrize("kernel", ["still there", "gone"])
def test_a_page_that_is_loaded_again_brings_the_draft_back(page, lab, folder, kernel):
    for _ in range(40):
        draft = read_draft(folder)
        if (draft["materials"]["waxes"][0]["lot"] == "xddab"
                and draft["series"]["title"] == "Cedar in two waxes"):  # typed last
            break
        page.wait_for_timeout(250)
    assert draft["series"]["dye"] == "0,05" and draft["materials"]["waxes"][0]["lot"] == "xddab"
    if kernel == "gone":
        lab.command(page, "notebook:shutdown-kernel")
        page.wait_for_function(
            "() => !window.jupyterapp.shell.currentWidget.sessionContext.session?.kernel")
    page.reload()
    page.wait_for_selector(".scent-press-keep[aria-label]")
    open_parts(page)
    said(page, ": 12 test batches and 108 pieces of ")
    assert field(page, "loads").input_value() == "4, 8, 12"
    assert field(page, f"wax-{cards(page, 'wax')[1]}-name").input_value() == "firm wax"
    assert field(page, "guess-1").input_value() == "9,5"
    assert read_draft(folder) == draft
    assert Store.open(folder).plan() is None


@pytest.mark.parametrize("width", [1200, 390])
def test_all_is_large_enough_and_within_the_page(page, width):
    page.set_viewport_size({"width": width, "height": 844})
    page.wait_for_timeout(500)
    for name in ("pouring", "heat", "days", "sittings"):
        if "▸" in page.locator(f".scent-press-fold-{name}").text_content():
            press(page, f"fold-{name}")
            page.wait_for_selector(f".scent-press-fold-{name}:has-text('▾')")
    found = page.evaluate("""() => [...document.querySelectorAll('.scent-form')].flatMap(form => {
        const edge = form.closest('.jp-OutputArea-output').getBoundingClientRect();
        return [...form.querySelectorAll('button, input, select, label')]
          .filter(e => e.offsetParent && (e.innerText !== '' || e.tagName === 'INPUT')).map(e => {
            const b = e.getBoundingClientRect();
            return [e.tagName, e.innerText, b.height, parseFloat(getComputedStyle(e).fontSize),
                    b.left - edge.left, edge.right - b.right]; }); })""")
    page.set_viewport_size({"width": 1200, "height": 900})
    assert len(found) >= 50
    assert sum(tag == "SELECT" for tag, *_ in found) >= 4
    for tag, words, height, font, left, right in found:
        assert font >= 16 and left >= -1 and right >= -1, (tag, words, font, left, right)
        assert tag == "LABEL" or height >= 44, (tag, words, height)


def test_every_field_has_a_name_of_its_own(page):
    names = page.evaluate("""() => [...document.querySelectorAll(
        '.scent-form [class*=scent-field-] :is(input, select)')].map(
            e => e.getAttribute('aria-label'))""")
    assert len(names) >= 45 and None not in names
    assert len(set(names)) == len(names)
    assert "wax 2 (firm wax): Add fragrance at, °F" in names
    assert "blend 2: firm wax, % of the blend" in names


def test_the_plan_is_kept_by_a_second_tap_and_says_where(page, folder):
    press(page, "paper-letter")
    page.wait_for_selector(".scent-press-paper-letter[aria-pressed='true']")
    press(page, "keep")
    said(page, "Keep this plan?", "flag")
    assert Store.open(folder).plan() is None
    rest(page)
    press(page, "keep")
    said(page, "entry 1 in", "saved")
    said(page, "This is the kept plan: 2 blends in 4 pots", "saved")
    plan = Store.open(folder).plan()
    assert (plan["title"], plan["loads_pct"]) == ("Cedar in two waxes", [4.0, 8.0, 12.0])
    assert plan["blends"][1]["parts"][1] == {
        "fraction": 0.3, "wax": plan["blends"][1]["parts"][1]["wax"]}
    assert plan["blends"][1]["parts"][1]["wax"]["add_temp_c"] == 82.0
    assert plan["blends"][1]["parts"][1]["wax"]["melt_temp_c"] is None
    assert plan["works_with_fragrance"] == ["A1"]
    assert plan["rules"]["pouring"]["dye_pct"] == 0.05
    # 104 °F is (104 - 32) / 1.8 = 40 °C
    assert plan["rules"]["heat_cycle"] == {
        "temp_c": 40.0, "hours": 12.0, "cycles": 3, "pack": "open"}
    assert plan["start"] == "2026-03-14"
    assert "size: letter" in (folder / "exports" / "labels.html").read_text()


def test_a_tap_opens_the_pour_sheets_in_a_tab_of_their_own_ready_to_print(page):
    with page.context.expect_page() as opened:
        page.locator("a:has-text('Pour sheets, a page for each pot')").click()
    opened.value.wait_for_selector("h1")
    assert opened.value.url.endswith("/files/plan/exports/pour-sheets.html")
    opened.value.close()


def test_a_change_of_the_kept_plan_is_warned_about_and_can_go_back(page, folder):
    field(page, "pots").fill("1")
    said(page, "This is NOT the kept plan", "flag")
    press(page, "keep")
    said(page, "labels and key you printed are now wrong", "flag")
    press(page, "restore")
    said(page, "This is the kept plan", "saved")
    assert field(page, "pots").input_value() == "2"
    assert Store.open(folder).plan()["pots_per_blend"] == 2
