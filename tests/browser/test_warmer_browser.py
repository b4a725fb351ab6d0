"""Notebook 3 in JupyterLab: put a reserve piece on the warmer, weigh and smell it, again later."""

import datetime as dt

import pytest
from storing import log
from tapping import rest, tap

from scentlab import Blend, Fragrance, PieceNumbers, Wax, make_plan, workshop

pytestmark = pytest.mark.browser
START = dt.date.today() - dt.timedelta(days=60)
FORM = ".scent-form:has(.scent-press-put-on)"


@pytest.fixture(scope="module")
def store(lab):
    """A series of its own with reserve pieces, all pours logged, nothing scored."""
    wax = Wax("soft wax", "lot 1", limit_load_pct=20)
    plan = make_plan(
        "warmer", Fragrance("cedar", "lot 7"), [Blend("secretmix", ((wax, 1.0),))],
        loads_pct=(8.21, 9.5, 13.37), pots_per_blend=1,
        pieces=PieceNumbers(sweat=1, sweat_heat=0, frost=0, throw=1, reserve=1), assessors=2,
        piece_g=25, start=START.isoformat(), seed=3,
    )
    store = workshop.make_series(lab.folder / "warmer", title="warmer")
    store.save_plan(plan.to_dict())
    log(store, plan.pours)
    return store


@pytest.fixture(scope="module")
def codes(store):
    pieces = store.rows("pieces")
    return sorted(pieces[pieces["test"] == "reserve"]["code"])


@pytest.fixture(scope="module")
def page(chromium, lab, store):
    page = lab.open_page(chromium, "warmer/score.ipynb", ".scent-press-assessor-A1[aria-label]")
    tap(page, ".scent-press-fold-warmer")
    tap(page, ".scent-press-assessor-A1[aria-label]")
    page.wait_for_selector(".scent-press-put-on[aria-label]")
    yield page
    lab.close(page)


@pytest.fixture
def form(page):
    return page.locator(FORM)


def put_on(form, code):
    form.locator(".scent-field-add input").fill(code)
    rest(form.page)
    tap(form.page, form.locator(".scent-press-put-on"))


def check(form, said, **typed):
    for name, text in typed.items():
        form.locator(f".scent-field-{name} input").fill(text)
    rest(form.page)
    tap(form.page, form.locator(".scent-press-save"))
    form.locator(f".scent-saved:has-text('{said}')").wait_for()


def test_nothing_is_on_the_warmer_at_first(form):
    form.locator("h3:has-text('no piece is on it yet, type the code of one below')").wait_for()
    assert not form.locator(".scent-press-save").is_visible()
    assert "secretmix" not in form.inner_text() and "13.37" not in form.inner_text()


def test_a_code_that_was_not_kept_is_refused(form):
    put_on(form, "nought")
    form.locator(".scent-error:has-text(\"found 'nought'\")").wait_for()


def test_weigh_and_smell_and_another_round(form, store, codes):
    put_on(form, codes[0])
    form.locator(f"h3:has-text('{codes[0]}')").wait_for()
    check(form, f"piece {codes[0]}, after 0 h on the warmer: 25.2 g", hours="0", weight_g="25,2")
    form.locator(".scent-press-again").wait_for()
    put_on(form, codes[1])
    form.locator(f"h3:has-text('{codes[1]}')").wait_for()
    check(form, f"piece {codes[1]}", weight_g="25,0")
    tap(form.page, form.locator(".scent-press-again"))
    form.locator(f"h3:has-text('{codes[0]} (1 of 2)')").wait_for()
    assert form.locator(".scent-field-hours input").input_value() == ""
    check(form, f"piece {codes[0]}, after 2.5 h on the warmer: 24.9 g, throw 7 of 10 by A1",
          hours="2,5", weight_g="24,9", throw="7")
    seen = store.rows("warmings")[["code", "hours", "weight_g", "throw"]].fillna(-1)
    assert seen.to_numpy().tolist() == [
        [codes[0], 0.0, 25.2, -1], [codes[1], 0.0, 25.0, -1], [codes[0], 2.5, 24.9, 7.0]]


def test_single_keys_do_not_reach_the_notebook(page, form):
    before = page.locator(".jp-Notebook .jp-Cell").count()
    for place in (".scent-press-save", ".scent-field-add input"):
        form.locator(place).focus()
        for key in ("x", "d", "d", "a", "b"):
            page.keyboard.press(key)
    page.wait_for_timeout(300)
    assert page.locator(".jp-Notebook .jp-Cell").count() == before
    assert form.locator(".scent-field-add input").input_value() == "xddab"
    form.locator(".scent-field-add input").fill("")


@pytest.mark.parametrize("width", [1200, 390])
def test_all_is_named_large_enough_and_within_the_page(page, form, width):
    page.set_viewport_size({"width": width, "height": 844})
    page.wait_for_timeout(500)
    found = form.evaluate("""form => {
        const edge = form.closest('.jp-OutputArea-output').getBoundingClientRect();
        return [...form.querySelectorAll('button, input')].filter(e => e.offsetParent).map(e => {
            const b = e.getBoundingClientRect();
            return [e.getAttribute('aria-label'), b.width, b.height, e.scrollWidth - e.clientWidth,
                    b.left - edge.left, edge.right - b.right]; }); }""")
    page.set_viewport_size({"width": 1200, "height": 900})
    assert len(found) >= 7
    for name, wide, high, hidden, left, right in found:
        assert name and wide >= 44 and high >= 44, (name, wide, high)
        assert hidden <= 1 and left >= -1 and right >= -1, (name, hidden, left, right)


def test_the_checks_come_back_when_the_form_is_made_anew(page, codes):
    tap(page, ".scent-press-assessor-A2")
    page.wait_for_selector(f"h3:has-text('On the warmer, by A2: piece {codes[0]} (1 of 2)')")
