"""The planning form of the first notebook in JupyterLab: what a plan takes follows the fields."""

import json
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser
NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "1-plan.ipynb"


def cells():
    """The notebook's own cells up to the plan, and its form with a run of two series."""
    book = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    code = ["".join(c["source"]) for c in book["cells"] if c["cell_type"] == "code"]
    (last,) = (i for i, text in enumerate(code) if "PlanningForm(" in text)
    wanted = [t for t in code[:last] if "make_plan(" in t or "Wax(" in t or "Blend(" in t]
    (guess,) = (t.split("expected =")[0] for t in code[:last] if "guess_truth(" in t)
    assert "series=24" in code[last]
    return ["import scentlab\nbench = scentlab.series_here()", *wanted, guess,
            code[last].replace("series=24", "series=2")]


@pytest.fixture(scope="module")
def page(chromium, lab):
    lab.write("plan/book.ipynb", *cells())
    page = lab.open(chromium, "plan/book.ipynb")
    lab.run_all(page)
    page.wait_for_selector(".scent-form .scent-field-loads input[aria-label]")
    yield page
    lab.close(page)


def fill(page, **fields):
    for name, value in fields.items():
        page.locator(f".scent-field-{name} input").fill(value)


def shown(page, name, pattern):
    """Wait until the table of what the plan takes says so."""
    page.wait_for_function(
        """([n, p]) => [...document.querySelectorAll('.scent-form tr')].some(r =>
            r.querySelector('th').textContent === n
            && new RegExp(p).test(r.querySelector('td').textContent))""", arg=[name, pattern])


def test_what_the_plan_takes_follows_the_fields(page):
    shown(page, "to pour", "^36 pours from 6 pots, 396 pieces$")
    fill(page, loads="4, 8, 12", pots="3", assessors="4")
    shown(page, "loads, % of wax", "^4, 8, 12$")
    shown(page, "to pour", "^27 pours from 9 pots, 297 pieces$")
    for name, pattern in (("wax to buy", r"^\d+ g$"), ("wax and fragrance", r"^\d+\.\d\d EUR$"),
                          ("days", r"^\d+, first"), ("panel", r"^\d+\.\d hours")):
        shown(page, name, pattern)
    fill(page, loads="4, six")
    page.wait_for_selector(".scent-error:has-text(\"found '4, six'\")")
    page.wait_for_selector(".scent-press-run:disabled")
    assert page.locator(".scent-form table").count() == 0


def test_a_quick_run_by_the_keyboard_alone(page):
    fill(page, loads="6, 12", pots="2", assessors="2")
    shown(page, "to pour", "^12 pours")
    page.wait_for_selector(".scent-press-run:enabled")
    assert not page.locator(".scent-press-cancel").is_visible()
    page.locator(".scent-press-run").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".scent-saved:has-text('Over 2 simulated series')")
    assert "true load at risk" in page.inner_text(".scent-saved")
    assert page.locator(".scent-banner").inner_text() == ""
    fill(page, pots="3")
    page.wait_for_selector(".scent-saved", state="detached")


def test_single_keys_do_not_reach_the_notebook(page):
    before = page.locator(".jp-Notebook .jp-Cell").count()
    for place in (".scent-press-run", ".scent-field-pots input"):
        page.locator(place).focus()
        for key in ("x", "d", "d", "a", "b", "Shift+Enter"):
            page.keyboard.press(key)
    page.wait_for_timeout(300)
    assert page.locator(".jp-Notebook .jp-Cell").count() == before
    assert page.locator(".scent-field-pots input").input_value().endswith("xddab")
    fill(page, pots="2")


@pytest.mark.parametrize("width", [1200, 390])
def test_all_is_large_enough_and_within_the_page(page, width):
    page.set_viewport_size({"width": width, "height": 844})
    page.wait_for_timeout(500)
    found = page.evaluate("""() => {
        const cell = document.querySelector('.scent-form').closest('.jp-OutputArea-output');
        const edge = cell.getBoundingClientRect();
        return [...document.querySelectorAll(
          '.scent-form button, .scent-form input, .scent-form label')]
          .filter(e => e.offsetParent && e.innerText !== '' || e.tagName === 'INPUT').map(e => {
            const b = e.getBoundingClientRect();
            return [e.tagName, b.height, parseFloat(getComputedStyle(e).fontSize),
                    b.left - edge.left, edge.right - b.right]; }); }""")
    page.set_viewport_size({"width": 1200, "height": 900})
    assert len(found) >= 7
    for tag, height, font, left, right in found:
        assert font >= 16 and left >= -1 and right >= -1, found
        assert tag == "LABEL" or height >= 44, found
