"""The forms in JupyterLab in a real browser: keys, acknowledgement, names, width."""

import os
import signal
import time

import pytest
from playwright.sync_api import TimeoutError
from tapping import rest, tap

from scentlab.recording.store import Store

pytestmark = pytest.mark.browser

CELL = """
from scentlab.forms.pours import PourForm
from scentlab.forms.scores import GradeForm
from scentlab.recording.store import Store
store = Store.open("series")
form = GradeForm(["417", "211", "305", "500", "601", "602", "603"], "sweat", "A1",
                 lambda row: store.add("grades", row),
                 lambda receipt: store.void("grades", receipt.entry_id, "undone"))
form
"""
POUR_CELL = """
planned = [dict(pour=pour, pot="A", blend="mix", wax_g=200, fragrance_g=18, load_pct=9.0,
                poured_on="2026-03-14") for pour in ("P01", "P02", "P03")]
pours = PourForm(planned, lambda row: store.add("pours", row))
pours
"""


@pytest.fixture(scope="module")
def place(lab):
    folder = lab.folder / "forms"
    folder.mkdir()
    store = Store.create(folder / "series")
    store.add_all({"pieces": [{"code": c, "pour": "P01"}
                             for c in ("417", "211", "305", "500", "601", "602", "603")]})
    return folder


@pytest.fixture(scope="module")
def page(chromium, lab, place):
    lab.write("forms/book.ipynb", CELL, POUR_CELL)
    page = lab.open(chromium, "forms/book.ipynb")
    lab.run_all(page)
    page.wait_for_selector(".scent-form button[aria-label='0: dry']")
    page.wait_for_selector(".scent-form button[aria-label='Save this test batch']")
    yield page
    lab.close(page)


@pytest.fixture
def store(place):
    return Store.open(place / "series")


def grades(store):
    return store.rows("grades")[["code", "grade"]].to_numpy().tolist()


def message(page, pattern):
    """Wait for what a form says; where it does not, name what its messages and banners say."""
    try:
        page.wait_for_function(
            "p => [...document.querySelectorAll('.scent-message')].some("
            "m => new RegExp(p).test(m.textContent))", arg=pattern)
    except TimeoutError:
        said = page.locator(".scent-message, .scent-banner").all_inner_texts()
        raise AssertionError(f"{pattern!r} is not said, but {said}") from None


def later_round(page, taps):
    """Leave pieces for later, one after the other."""
    for _ in range(taps):
        rest(page)
        before = page.locator(".scent-form h3").first.inner_text()
        tap(page, page.locator(".scent-press-later").first)
        page.wait_for_function("s => document.querySelector('.scent-form h3').innerText !== s",
                               arg=before)


def test_single_keys_do_not_reach_the_notebook(page):
    cells = page.locator(".jp-Notebook .jp-Cell").count()
    for where, last in ((".scent-form button[aria-label='0: dry']", "y"),
                        (".scent-field-note input", "Shift+Enter")):
        page.locator(where).first.focus()
        for key in ("x", "d", "d", "a", "b", "m", "z", last):
            page.keyboard.press(key)
    page.wait_for_timeout(300)
    assert page.locator(".jp-Notebook .jp-Cell").count() == cells
    assert page.locator(".scent-form").count() == 2
    assert page.locator(".scent-field-note input").input_value().startswith("xddabm")


def test_one_tap_saves_and_the_keyboard_too(page, store):
    tap(page, page.get_by_role("button", name="2: visible film"))
    message(page, r"^\s*Saved at \d\d:\d\d:\d\d: piece 417, sweat grade 2")
    page.wait_for_selector(".scent-press-grade-2[aria-pressed='false']")
    rest(page)
    page.get_by_role("button", name="3: beads").focus()
    page.keyboard.press("Enter")
    message(page, "piece 211, sweat grade 3")
    assert grades(store) == [["417", 2], ["211", 3]]


def test_a_key_held_down_taps_once(page, store):
    """Autorepeat would grade one piece after the other."""
    rest(page)
    page.locator(".scent-press-later").first.focus()
    start = page.locator(".scent-form h3").first.inner_text()
    for _ in range(6):
        page.keyboard.down("Enter")  # from the second on they count as repeats
        page.wait_for_timeout(150)
    page.keyboard.up("Enter")
    page.wait_for_function("s => document.querySelector('.scent-form h3').innerText !== s",
                           arg=start)
    later_round(page, 4)  # five pieces wait
    page.wait_for_function("s => document.querySelector('.scent-form h3').innerText === s",
                           arg=start)


def test_a_clock_that_is_set_back_holds_no_tap_up(page):
    """As after a journey, or when the time comes from the network."""
    page.evaluate("() => { window.clock = Date.now; Date.now = () => window.clock() - 3.6e6; }")
    later_round(page, 5)
    page.evaluate("() => { Date.now = window.clock; }")


def test_names_states_and_sizes(page):
    page.wait_for_selector("h3:has-text('Test batch 1 of 3: P01')")
    found = page.evaluate("""() => [...document.querySelectorAll(
        '.scent-form button[class*=scent-press], .scent-form input')]
        .filter(e => e.offsetParent).map(e => {
        const b = e.getBoundingClientRect();
        return [e.tagName, e.getAttribute('aria-label'), e.getAttribute('aria-pressed'),
                b.width, b.height]; })""")
    assert len(found) > 12
    for tag, name, pressed, width, height in found:
        assert name and width >= 44 and height >= 44, found
        assert tag == "INPUT" or pressed in ("true", "false")


def test_the_timer_runs_and_says_when_it_is_over(page):
    timer = page.locator(".scent-timer")
    timer.get_by_role("spinbutton", name="Minutes of the timer").fill("0.12")
    tap(page, timer.get_by_role("button", name="Start the timer"))
    timer.get_by_text("left, begun with P01").wait_for()
    assert timer.get_by_role("button", name="Start the timer").is_hidden()
    timer.get_by_text("Time is up, begun with P01.").wait_for()
    for button in timer.get_by_role("button").all():
        box = button.bounding_box()
        assert box["width"] >= 44 and box["height"] >= 44
    tap(page, timer.get_by_role("button", name="Stop the timer"))
    timer.get_by_role("button", name="Start the timer").wait_for()
    assert timer.locator(".scent-time-up").inner_text() == ""


def test_what_is_typed_is_saved_with_the_tap(page, store):
    page.locator(".scent-field-wax_g input").fill("200")
    page.locator(".scent-field-fragrance_g input").fill("1.85")
    page.locator(".scent-field-note input").fill("a note")
    day = page.locator(".scent-field-poured_on input")
    assert day.get_attribute("placeholder") == "2026-03-14"
    page.wait_for_selector(".scent-flag:has-text('14 March 2026 is stored as the day of pouring')")
    day.fill("15.3.2026")
    page.wait_for_selector(".scent-flag:has-text('15 March 2026 is stored as the day of pouring')")
    tap(page, page.get_by_role("button", name="Save this test batch"))
    message(page, "NOT SAVED YET. The weighed load is 0.9[23] % of wax, planned 9.00 % of wax")
    assert store.rows("pours").empty
    page.locator(".scent-field-fragrance_g input").fill("18.5")
    page.wait_for_selector(".scent-saved:has-text('true load 9.25 % of wax')")
    rest(page)
    tap(page, page.get_by_role("button", name="Save this test batch"))
    message(page, "pour P01 at 9.25 % of wax.*poured on 2026-03-15")
    assert store.rows("pours")[["fragrance_g", "note"]].to_numpy().tolist() == [[18.5, "a note"]]


def test_what_was_typed_while_the_kernel_was_busy_is_not_on_the_next_card(page, store):
    """A field's later keystrokes wait in the browser for the kernel: they come after the tap."""
    pid = kernel_of(page)
    os.kill(pid, signal.SIGSTOP)
    for field, text in (("wax_g", "200"), ("fragrance_g", "18.1"), ("note", "seen")):
        page.locator(f".scent-field-{field} input").press_sequentially(text)
    rest(page)
    tap(page, page.get_by_role("button", name="Save this test batch"))
    os.kill(pid, signal.SIGCONT)
    message(page, "pour P02 at 9.05 % of wax")
    page.wait_for_selector("h3:has-text('Test batch 3 of 3: P03')")
    page.wait_for_timeout(1500)
    for field in ("wax_g", "fragrance_g", "note"):
        assert page.locator(f".scent-field-{field} input").input_value() == ""
    assert store.rows("pours")["note"].tolist() == ["a note", "seen"]


def test_readable_at_390_pixels(page):
    page.set_viewport_size({"width": 390, "height": 844})
    page.evaluate("() => window.jupyterapp.shell.collapseLeft()")
    page.wait_for_timeout(500)
    wide = page.evaluate("""() => [...document.querySelectorAll(
        '.scent-form button[class*=scent-press], .scent-form input')]
        .filter(e => e.offsetParent).map(e =>
        [e.getAttribute('aria-label'), e.scrollWidth - e.clientWidth, e.clientWidth])""")
    page.set_viewport_size({"width": 1200, "height": 900})
    for name, hidden, width in wide:
        assert hidden <= 1 and width >= 40, (name, hidden, width)


def kernel_of(page):
    """Process id of the page's kernel."""
    return int(page.evaluate(
        """async () => { const panel = window.jupyterapp.shell.currentWidget;
        const kernel = panel.sessionContext.session.kernel; let text = '';
        const future = kernel.requestExecute({code: 'import os; print(os.getpid())'});
        future.onIOPub = m => { if (m.content.text) text += m.content.text; };
        await future.done; return text; }"""))


def test_a_choice_that_saves_nothing_never_says_not_saved(page, store):
    """A kernel under load answers late: the tap is sent again, and nothing was lost."""
    pid = kernel_of(page)
    os.kill(pid, signal.SIGSTOP)
    tap(page, page.locator(".scent-press-later").first)
    page.wait_for_function("() => /^The kernel is busy or gone. There was nothing to save/.test("
                           "document.querySelector('.scent-banner').textContent)")
    os.kill(pid, signal.SIGCONT)
    page.wait_for_function("() => document.querySelector('.scent-banner').textContent === ''")
    later_round(page, 4)


def test_a_kernel_that_does_not_answer(page, lab, store):
    """A stopped kernel process: NOT SAVED within 4 s; when it goes on, saved once."""
    before = grades(store)
    pid = kernel_of(page)
    os.kill(pid, signal.SIGSTOP)
    start = time.monotonic()
    page.get_by_role("button", name="1: trace on a pressed tissue only").click()
    page.wait_for_function("() => /^NOT SAVED/.test("
                           "document.querySelector('.scent-banner').textContent)")
    assert 3.5 < time.monotonic() - start < 6
    page.wait_for_timeout(5000)  # sent again in between
    assert grades(store) == before
    os.kill(pid, signal.SIGCONT)
    message(page, "piece 305, sweat grade 1")
    page.wait_for_function("() => document.querySelector('.scent-banner').textContent === ''")
    assert grades(store) == [*before, ["305", 1]]
    assert len(store.rows("grades", history=True)) == len(before) + 1


def test_number_keys_grade(page, store):
    """With the focus on a button and after a click beside them; not in a field, not when held."""
    before, cells = grades(store), page.locator(".jp-Notebook .jp-Cell").count()
    rest(page)
    page.locator(".scent-press-later").first.focus()
    page.keyboard.press("5")
    page.keyboard.press("2")
    message(page, "piece 500, sweat grade 2")
    page.keyboard.press("3")
    page.wait_for_function("() => document.querySelector('.scent-banner').textContent"
                           " === 'Two taps at once: counted as one.'")
    rest(page)
    page.locator(".scent-form h3").first.click()
    for _ in range(4):
        page.keyboard.down("0")  # from the second on they count as repeats
        page.wait_for_timeout(250)
    page.keyboard.up("0")
    message(page, "piece 601, sweat grade 0")
    page.locator(".scent-timer input").fill("")
    page.locator(".scent-timer input").focus()
    page.keyboard.type("0123")
    page.wait_for_timeout(800)
    assert page.locator(".scent-timer input").input_value() == "0123"
    assert grades(store) == [*before, ["500", 2], ["601", 0]]
    assert page.locator(".jp-Notebook .jp-Cell").count() == cells
    assert page.locator(".jp-CodeCell").count() == cells, "no cell became a heading"


def test_a_dead_kernel_says_not_saved(page, lab, store):
    before = grades(store)
    page.evaluate("""() => {
        window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.shutdown(); }""")
    page.wait_for_timeout(500)
    page.get_by_role("button", name="0: dry").click()
    page.wait_for_function("() => /^NOT SAVED/.test("
                           "document.querySelector('.scent-banner').textContent)")
    assert grades(store) == before
