"""The answer in JupyterLab: change the risk, see the pick change, keep it, run from the top."""

import pytest
from tapping import rest, tap

from scentlab import workshop
from scentlab.choosing.kept import rules_here
from scentlab.choosing.rules import Rules

pytestmark = pytest.mark.browser
NAME = "rules/answer.ipynb"
SAID = r"best first.+\d"


@pytest.fixture(scope="module")
def folder(lab):
    """A series of its own with a full record: what is kept stays."""
    workshop.make_demo_series(lab.folder / "rules")
    return lab.folder / "rules"


@pytest.fixture(scope="module")
def page(chromium, lab, folder):
    page = lab.open_page(chromium, NAME, ".scent-press-fold-rules[aria-label]")
    tap(page, ".scent-press-fold-rules")
    page.wait_for_selector(".scent-field-risk input[aria-label]")
    yield page
    lab.close(page)


def fill(page, name, value):
    page.locator(f".scent-field-{name} input").fill(value)


def picks(page, pattern):
    """Wait until the picks say so; returns their text."""
    page.wait_for_function(
        "p => { const e = document.querySelector('.scent-picks');"
        " return e && new RegExp(p).test(e.textContent); }", arg=pattern)
    return page.text_content(".scent-picks")


def risk(page):
    return page.locator(".scent-field-risk input").input_value()


def test_a_changed_risk_changes_the_pick_and_nothing_is_kept(page, folder):
    picks(page, SAID)
    fill(page, "risk", "1,5")
    picks(page, SAID)
    page.wait_for_selector(".scent-flag:has-text('Not kept')")
    assert not rules_here(folder).kept


def test_what_is_refused_stands_beside_its_field(page):
    fill(page, "risk", "70")
    page.wait_for_selector(
        ".scent-rule:has(.scent-field-risk) .scent-error:has-text('0.1 to 50 %')")
    page.wait_for_selector(".scent-press-keep:disabled")
    fill(page, "risk", "1.5")
    picks(page, SAID)


def test_a_limit_is_set_aside_with_a_reason(page):
    if page.locator(".scent-press-fold-limits").text_content().startswith("▸"):
        tap(page, ".scent-press-fold-limits")
    page.wait_for_selector(".scent-press-aside-0:visible")
    assert page.locator(".scent-field-reason:visible").count() == 0
    tap(page, ".scent-press-aside-0")
    page.wait_for_selector(".scent-rule:has(.scent-field-reason) .scent-error:has-text('"
                           "Nothing is filled in')")
    page.wait_for_selector(".scent-press-keep:disabled")
    fill(page, "reason", "a letter of 2 March")
    picks(page, SAID)
    page.locator(".scent-rules summary").click()
    page.wait_for_selector(
        ".scent-rules li:has-text('Reason given: a letter of 2 March'):visible")
    rest(page)
    tap(page, ".scent-press-aside-0")
    page.wait_for_selector(".scent-press-aside-0[aria-pressed='false']")


def test_single_keys_do_not_reach_the_notebook(page):
    before = page.locator(".jp-Notebook .jp-Cell").count()
    for place in (".scent-press-back", ".scent-press-limit_grade-2"):
        page.locator(place).focus()
        for key in ("x", "d", "d", "a", "b"):
            page.keyboard.press(key)
    page.wait_for_timeout(300)
    assert page.locator(".jp-Notebook .jp-Cell").count() == before


@pytest.mark.parametrize("width", [1200, 390])
def test_all_is_named_large_enough_and_within_the_page(page, width):
    for part in ("throw", "frost", "today", "limits"):
        fold = page.locator(f".scent-rules .scent-press-fold-{part}")
        if not fold.inner_text().startswith("▾"):
            tap(page, fold)
            fold.filter(has_text="▾").wait_for()
    page.set_viewport_size({"width": width, "height": 844})
    page.wait_for_timeout(500)
    found = page.evaluate("""() => {
        const form = document.querySelector('.scent-press-fold-throw').closest('.scent-rules');
        const edge = form.closest('.jp-OutputArea-output').getBoundingClientRect();
        return [...form.querySelectorAll('button, input, label, dd, h4, figure')]
          .filter(e => e.offsetParent).map(e => {
            const b = e.getBoundingClientRect();
            return [e.tagName, e.getAttribute('aria-label') || e.alt || e.innerText, b.height,
                    parseFloat(getComputedStyle(e).fontSize), e.scrollWidth - e.clientWidth,
                    b.left - edge.left, edge.right - b.right]; }); }""")
    page.set_viewport_size({"width": 1200, "height": 900})
    assert len(found) > 30
    for tag, name, height, font, hidden, left, right in found:
        assert name and left >= -1 and right >= -1, (tag, name, left, right)
        assert tag not in ("BUTTON", "INPUT") or (height >= 44 and font >= 16), (tag, name, height)
        assert tag != "BUTTON" or hidden <= 1, (name, hidden)


def beyond(page, what):
    """By how much each of what is shown lies beyond a narrow page."""
    page.set_viewport_size({"width": 390, "height": 844})
    page.wait_for_timeout(500)
    found = page.evaluate("""what => {
        const edge = document.querySelector('.scent-page').getBoundingClientRect().right;
        return [...document.querySelectorAll(what)].map(
            e => e.getBoundingClientRect().right - edge); }""", what)
    page.set_viewport_size({"width": 1200, "height": 900})
    return found


def test_what_the_answer_rests_on_is_within_a_narrow_page(page):
    found = beyond(page, ".scent-rests :is(th, td)")
    assert len(found) > 10 and max(found) <= 1


def test_another_blend_is_a_tap_away(page):
    tap(page, ".scent-press-fold-blend")
    page.wait_for_selector("[class*='scent-press-blend-'][aria-label]")
    shown = "[aria-label^='Throw, risk of sweat and pieces over load: ']"
    first = page.locator(shown).get_attribute("aria-label")
    assert page.locator(f"{shown} svg").count() == 1
    tap(page, page.locator("[class*='scent-press-blend-']").nth(1))
    page.wait_for_function(
        "([s, a]) => document.querySelector(s).ariaLabel !== a", arg=[shown, first])
    page.wait_for_selector("[class*='scent-press-blend-'] + [aria-pressed='true']")
    page.wait_for_selector("text=/Trade-off at the tested loads/")
    assert max(beyond(page, ".scent-page .widget-html-content")) <= 1, "a wide table scrolls alone"


def test_kept_rules_come_back_when_the_page_is_brought_up_to_date(page, folder):
    tap(page, ".scent-press-keep")
    page.wait_for_selector(".scent-saved:has-text('rules.json')")
    assert rules_here(folder).rules == Rules(risk=0.015)
    tap(page, ".scent-press-again")
    page.wait_for_selector(".scent-press-fold-rules:has-text('▸')")
    tap(page, ".scent-press-fold-rules")
    page.wait_for_function(
        "() => document.querySelector('.scent-field-risk input')?.value === '1.5'")
    picks(page, SAID)
    assert risk(page) == "1.5" and rules_here(folder).rules == Rules(risk=0.015)


def test_own_costs_say_at_once_which_load_costs_least(page):
    tap(page, ".scent-press-fold-costs")
    page.wait_for_selector(".scent-field-costs-complaint input[aria-label]")
    assert not page.locator("text=/costs least: /").count()
    for name, text in (("complaint", "8"), ("lost_sale", "6"), ("lost_pct", "4")):
        fill(page, f"costs-{name}", text)
    page.wait_for_selector("text=/costs least: .* EUR/")
    page.wait_for_selector("text=/No load above .* is counted/")
    fill(page, "costs-pieces", "60")
    page.wait_for_selector("text=/a batch of 60 pieces from 4 pots/")
