"""A maker's own series in JupyterLab: log a pour, grade, smell with the timer, mend one, import."""

import datetime as dt
import re

import pytest
from storing import log
from tapping import rest, tap

from scentlab import Blend, Fragrance, PieceNumbers, Wax, make_plan, workshop
from scentlab.recording.store import Store

pytestmark = pytest.mark.browser
START = dt.date.today() - dt.timedelta(days=60)
SECRETS = ("secretmix", "13.37", "8.21")  # blend and loads, which nobody who scores may see


def plan():
    wax = Wax("soft wax", "lot 1", limit_load_pct=20)
    return make_plan(
        "walk", Fragrance("cedar", "lot 7"), [Blend("secretmix", ((wax, 1.0),))],
        loads_pct=(8.21, 13.37), pots_per_blend=1,
        pieces=PieceNumbers(sweat=2, sweat_heat=0, frost=1, throw=1, reserve=0), assessors=2,
        piece_g=25, start=START.isoformat(), seed=3,
    )


@pytest.fixture(scope="module")
def folder(lab):
    """A series with a plan, all pours but the first logged, and the notebooks as they are."""
    folder = lab.folder / "walk"
    store = workshop.make_series(folder, title="walk")
    store.save_plan(plan().to_dict())
    log(store, plan().pours[1:])
    return folder


@pytest.fixture(scope="module")
def store(folder):
    return Store.open(folder)


@pytest.fixture(scope="module")
def pour_page(chromium, lab, folder):
    page = lab.open_page(chromium, "walk/pour.ipynb", ".scent-press-save[aria-label]")
    for part in ("wrong", "files"):
        tap(page, f".scent-press-fold-{part}")
    yield page
    lab.close(page)


@pytest.fixture(scope="module")
def page(chromium, lab, folder, pour_page):
    page = lab.open_page(chromium, "walk/score.ipynb", ".scent-press-assessor-A1[aria-label]")
    open_parts(page)
    yield page
    lab.close(page)


def open_parts(page):
    for part in ("frost", "throw", "paper", "wrong", "files"):
        tap(page, f".scent-press-fold-{part}")


def press(page, name, nth=0):
    tap(page, page.locator(f".scent-press-{name}:visible").nth(nth))


def fill(page, name, value, nth=0):
    page.locator(f".scent-field-{name} input:visible").nth(nth).fill(value)


def said(page, pattern):
    page.wait_for_function(
        "p => [...document.querySelectorAll('.scent-message')].some("
        "m => new RegExp(p).test(m.textContent))", arg=pattern)


def in_sight(page, pattern):
    page.wait_for_function(
        """p => [...document.querySelectorAll('.scent-message')].some(m => {
            const b = m.getBoundingClientRect();
            return new RegExp(p).test(m.textContent) && b.top > 0 && b.bottom < innerHeight; })""",
        arg=pattern)


def heading(page, pattern):
    """Wait for a form's heading and give the code of the piece that it shows."""
    found = page.wait_for_function(
        "p => { for (const h of document.querySelectorAll('.scent-form h3')) {"
        "const m = new RegExp(p).exec(h.textContent); if (m) return m[1] || m[0]; } return null; }",
        arg=pattern)
    return found.json_value()


def pick(page, table, path):
    with page.expect_file_chooser() as chooser:
        page.locator(f".scent-pick-{table}:visible").click()
    chooser.value.set_files(path)


def test_log_a_pour(pour_page, store):
    page, planned = pour_page, plan().pours.iloc[0]
    page.wait_for_selector(f"h3:has-text('Test batch 1 of {len(plan().pours)}: {planned.pour}')")
    page.wait_for_selector(f".scent-weigh:has-text('{planned.wax_g:.1f} g')")
    press(page, "leave")
    said(page, rf"Saved at \S+: {planned['pour']} will not be poured")
    page.wait_for_selector("h3:has-text('All other test batches are logged.')")
    press(page, "undo")
    page.wait_for_selector(f"h3:has-text('Test batch 1 of {len(plan().pours)}: {planned.pour}')")
    fill(page, "wax_g", "200")
    fill(page, "fragrance_g", f"{2 * planned['load_pct']:.2f}".replace(".", ","))
    fill(page, "poured_on", START.isoformat())
    page.wait_for_selector(".scent-saved:has-text('true load')")
    press(page, "save")
    said(page, rf"Saved at .*pour {planned['pour']} at")
    row = store.rows("pours").query("pour == @planned.pour").iloc[0]
    assert row["fragrance_g"] == pytest.approx(2 * planned["load_pct"], abs=0.005)
    assert row["poured_on"] == START


def test_mend_the_pour(pour_page, store):
    page, name = pour_page, plan().pours.iloc[0]["pour"]
    fill(page, "name", name)
    press(page, "show")
    press(page, f"entry-pours-{store.rows('pours')['entry_id'].max()}")
    page.locator(".scent-field-new-wax_g input").fill("201,5")
    fill(page, "reason", "read the display wrong")
    tap(page, page.locator(".scent-press-save:visible").last)
    said(page, "Corrected: pour .* now wax weighed 201.5")
    in_sight(page, "Corrected: pour")  # though the form has shrunk by its ten fields
    assert store.rows("pours").query("pour == @name")["wax_g"].tolist() == [201.5]


def test_grade_with_a_double_tap_and_undo(page, store, at_once):
    press(page, "assessor-A1")
    first = heading(page, r"^Sweat grade by A1: piece (\d{3}) \(1 of 4\)")
    with at_once(page):  # the second tap comes when the next piece is shown already
        tap(page, page.locator(".scent-press-grade-2").first)
        second = heading(page, r"^Sweat grade by A1: piece (\d{3}) \(2 of 4\)")
        said(page, rf"piece {first}, sweat grade 2 \(visible film\)")
        page.wait_for_selector(".scent-press-grade-2[aria-pressed='false']")
        tap(page, page.locator(".scent-press-grade-3").first)  # the finger slipped
        page.wait_for_selector(".scent-banner:has-text('Two taps at once: counted as one.')")
    rest(page)
    assert store.rows("grades")[["code", "grade"]].to_numpy().tolist() == [[first, 2]]
    tap(page, page.locator(".scent-press-grade-0").first)
    said(page, f"piece {second}, sweat grade 0")
    tap(page, page.locator(".scent-press-undo:visible").first)
    said(page, f"Undone: piece {second}")
    assert heading(page, r"^Sweat grade by A1: piece (\d{3}) \(2 of 4\)") == second
    rest(page)
    tap(page, page.locator(".scent-press-grade-1").first)
    said(page, f"piece {second}, sweat grade 1")
    frost = heading(page, r"^Frost grade by A1: piece (\d{3}) \(1 of 2\)")
    rest(page)
    tap(page, page.locator(".scent-press-grade-3").nth(1))
    said(page, f"piece {frost}, frost grade 3")
    found = store.rows("grades")[["code", "test", "grade"]].to_numpy().tolist()
    assert found == [[first, "sweat", 2], [second, "sweat", 1], [frost, "frost", 3]]
    assert store.rows("grades")["age_days"].tolist() == [60.0, 60.0, 60.0]


def test_smell_with_the_timer(page, store):
    code = heading(page, r"^Hot throw by A1, session \S+: piece (\d{3}) \(1 of 3\)")
    press(page, "throw-6")
    said(page, "NOT SAVED. Start the timer when the warmer goes on, or type the minutes.")
    press(page, "start")
    page.wait_for_function("() => [...document.querySelectorAll('.scent-clock')].some("
                           "c => /^0:0[2-9] on the warmer/.test(c.textContent))")
    assert page.locator(".scent-press-start").is_disabled(), "a second tap would put it back"
    press(page, "throw-6")
    said(page, rf"piece {code}, hot throw 6 of 10 after 0(\.1)? min on the warmer")
    other = heading(page, r"^Hot throw by A1, session \S+: piece (\d{3}) \(2 of 3\)")
    fill(page, "minutes", "30,5")
    rest(page)
    press(page, "throw-10")
    said(page, f"piece {other}, hot throw 10 of 10 after 30.5 min")
    rows = store.rows("throws")
    assert rows[["code", "throw", "position"]].to_numpy().tolist() == [
        [code, 6.0, 1], [other, 10.0, 2]
    ]
    assert rows["minutes"].tolist()[1] == 30.5 and 0 <= rows["minutes"][0] <= 0.5
    assert set(rows["assessor"]) == {"A1"} and set(rows["kind"]) == {"warm"}


def test_mend_a_score(page, store):
    code = store.rows("throws")["code"][0]
    fill(page, "name", code)
    rest(page)
    press(page, "show")
    press(page, "entry-throws-1")
    page.locator(".scent-field-new-throw input").fill("4")
    press(page, "save", -1)
    said(page, "NOT SAVED. say why: every change keeps its reason")
    fill(page, "reason", "the neighbour's button")
    rest(page)
    press(page, "save", -1)
    said(page, "Corrected: hot throw 6 of 10.* now throw 4")
    assert store.rows("throws").query("code == @code")["throw"].tolist() == [4.0]
    assert store.rows("throws", history=True)["reason"].tolist()[-1] == "the neighbour's button"


def test_what_is_typed_from_paper_outlasts_the_kernel(page, store):
    press(page, "assessor-A2")
    page.wait_for_selector("h3:has-text('Scores of A2 from paper')")
    grid = page.locator(".scent-grid:visible td input")
    grid.nth(0).fill("3")
    page.wait_for_timeout(1000)
    page.evaluate("() => { document.querySelector('.scent-form').id = 'before'; }")
    page.evaluate("() => { window.jupyterapp.commands.execute('notebook:restart-run-all'); }")
    page.locator(".jp-Dialog .jp-mod-accept").click()
    page.wait_for_selector("#before", state="detached")
    page.wait_for_selector(".scent-press-assessor-A2[aria-label]")
    open_parts(page)
    press(page, "assessor-A2")
    said(page, "Typed earlier and not saved: 1. Check it, days included, then save.")
    page.wait_for_selector("h3:has-text('Scores of A2 from paper')")
    assert grid.nth(0).input_value() == "3"
    grid.nth(0).fill("")
    rest(page)
    press(page, "assessor-A1")
    page.wait_for_selector("h3:has-text('Scores of A1 from paper')")
    assert store.rows("grades").query("assessor == 'A2'").empty
    rest(page)


def test_type_scores_from_paper(page, store):
    before = len(store.rows("grades"))
    press(page, "assessor-A2")
    page.wait_for_selector("h3:has-text('Scores of A2 from paper')")
    grid = page.locator(".scent-grid:visible td input")
    grid.first.wait_for()
    assert grid.count() == 9  # two sweat, one frost, three warm pieces with throw and minutes
    days = page.locator(".scent-grid:visible caption input")
    first = page.locator(".scent-grid:visible caption").first
    assert first.bounding_box()["height"] < 100, "title and day in a line each"
    due = plan().pieces.query("test == 'sweat'")["due_on"].iloc[0]
    assert days.nth(0).input_value() == str(due)
    label = f"Sweat, room temperature: {due}: day of the inspection"
    assert days.nth(0).get_attribute("aria-label") == label
    days.nth(0).fill("")
    page.keyboard.press("Enter")
    page.keyboard.type("2")
    assert grid.nth(0).input_value() == "2", "Enter goes from the day to the first code"
    tap(page, page.get_by_role("button", name="Save all that is filled in"))
    said(page, "day of the inspection: nothing is filled in")
    days.nth(0).fill(f"{due:%d.%m.%Y}")
    rest(page)
    grid.nth(0).fill("7")
    page.keyboard.press("Enter")
    page.keyboard.type("1")
    tap(page, page.get_by_role("button", name="Save all that is filled in"))
    said(page, "these cells are wrong:.*found '7'")
    assert grid.nth(0).get_attribute("aria-invalid") == "true"
    assert len(store.rows("grades")) == before
    grid.nth(0).fill("2")
    rest(page)
    tap(page, page.get_by_role("button", name="Save all that is filled in"))
    in_sight(page, rf"Saved at \S+: 2 grades of A2. Inspected on {due}.")
    piece = plan().pieces.query("test == 'sweat'").iloc[0]
    assert set(store.rows("grades")["age_days"].iloc[before:]) == {piece["cure_days"]}
    assert store.rows("grades")["grade"].tolist()[before:] == [2, 1]
    assert grid.nth(0).is_disabled() and grid.nth(2).is_enabled()


def test_only_blind_codes_are_on_the_page(page):
    text = page.evaluate("() => document.querySelector('.jp-Notebook').innerText")
    assert "Hot throw by" in text and re.search(r"piece \d{3}", text)
    for secret in (*SECRETS, *plan().pours["pour"], *set(plan().pours["pot"])):
        assert not re.search(rf"(?<![\w.-]){re.escape(secret)}(?![\w.-])", text), secret


def test_bring_in_a_file(page, store, tmp_path):
    code = plan().pieces.query("test == 'frost'")["code"].tolist()[1]
    path = tmp_path / "theirs.csv"
    pour = plan().pieces.query("code == @code")["pour"].iloc[0]
    path.write_text(f"Code;Pour;Age;Assessor;Frost\n{code};{pour};3,5;A2;9\n")
    pick(page, "pieces", path)
    page.wait_for_selector(".scent-field-pieces-frost_grade select[aria-label]")
    choose = {"pieces-age_days": "Age", "pieces-age_days-unit": "weeks",
              "pieces-frost_grade": "Frost", "pieces-decimal": "decimal comma, as in 9,5"}
    for name, label in choose.items():
        page.locator(f".scent-field-{name} select").select_option(label=label)
    press(page, "check")
    page.wait_for_selector(".scent-result:has-text('a whole number from 0 to 4')")
    assert page.locator(".scent-press-import").is_disabled()
    path.write_text(path.read_text().replace(";9\n", ";3\n"))
    pick(page, "pieces", path)
    page.wait_for_selector(".scent-result:has-text('a whole number from 0 to 4')", state="detached")
    rest(page)
    press(page, "check")
    page.wait_for_selector(".scent-press-import:enabled")
    press(page, "import")
    said(page, "Stored: 1 grades. Update the page to see them.")
    row = store.rows("grades").iloc[-1]
    assert (row["code"], row["grade"], row["age_days"]) == (code, 3, 24.5)


def test_a_restarted_kernel_and_the_notebook_from_the_top(page, lab, store):
    before = {t: len(store.rows(t, history=True)) for t in ("pours", "grades", "throws")}
    page.wait_for_selector(".scent-press-assessor-A2[aria-pressed='true']")
    page.evaluate("""async () => {
        await window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.restart(); }""")
    lab.run_all(page)
    page.wait_for_selector(".scent-press-assessor-A2[aria-pressed='false']")
    open_parts(page)
    press(page, "assessor-A2")
    page.wait_for_selector("text=/A2 has pieces to score: [0-9]+ (frost|hot throw|cold throw)/")
    heading(page, r"^Hot throw by A2, session S01: piece (\d{3}) \(1 of 3\)")
    assert {t: len(store.rows(t, history=True)) for t in before} == before
