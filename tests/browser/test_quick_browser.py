"""The quick check in JupyterLab: from three fields to the answer, by keys and taps; on a phone too.

Needs Chromium; run with: pytest -n 0 -m browser tests/browser/test_quick_browser.py
"""

import os
from pathlib import Path

import pytest
from tapping import rest, tap

from scentlab.recording.store import Store

pytestmark = pytest.mark.browser
DAY, LATER = "dt.date(2026, 11, 1)", "dt.date(2026, 11, 12)"
PICTURES = os.environ.get("QUICK_PICTURES")  # a folder for pictures to look at


def cell(day):
    return f"import datetime as dt\nimport scentlab\nscentlab.quick_page('fig', {day})"


@pytest.fixture(scope="module")
def folder(lab):
    lab.write("kitchen/first.ipynb", cell(DAY))
    lab.write("kitchen/later.ipynb", cell(LATER))
    return lab.folder / "kitchen" / "fig"


def opened(lab, browser, name, **size):
    page = lab.open(browser, f"kitchen/{name}.ipynb", **size)
    lab.run_all(page)
    page.wait_for_selector(".scent-form button[class*='scent-press-']:visible")
    return page


def picture(page, name):
    if PICTURES:
        page.screenshot(path=str(Path(PICTURES) / f"{name}.png"))


def wait_for(page, words, place=".scent-form"):
    page.wait_for_function(
        "([p, w]) => Array.from(document.querySelectorAll(p)).some(e => e.innerText.includes(w))",
        arg=[place, words])


def test_from_three_fields_to_the_weights(chromium, lab, folder):
    page = opened(lab, chromium, "first", width=1366, height=768)
    for name, text in (("wax", "soft wax"), ("oil", "fig"), ("loads", "1, 1.5, 2, 3 oz/lb")):
        page.locator(f".scent-field-{name} input").fill(text)
        page.locator(f".scent-field-{name} input").press("Tab")
    wait_for(page, "About 72 minutes of one evening")
    picture(page, "plan-desktop")
    tap(page, ".scent-press-make")
    wait_for(page, "Sheet of pot P01 to print", ".jp-OutputArea-output")
    # The form that had the keys is gone: they go on where it says what to do now.
    page.wait_for_function("() => document.activeElement.matches('.scent-form')"
                           " && document.activeElement.innerText.includes('Now: ')", timeout=8000)
    link = page.locator("a:has-text('Sheet of pot P01')")
    assert link.evaluate("e => getComputedStyle(e).textDecorationLine") == "underline"
    with page.context.expect_page() as sheet:
        link.click()
    sheet.value.wait_for_selector("h1")
    sheet.value.close()
    page.locator(".scent-field-wax-0 input").fill("3 oz")
    tap(page, ".scent-press-save-weights")
    wait_for(page, "4 test batches", ".scent-saved")
    picture(page, "weights-desktop")
    assert len(Store.open(folder).rows("pours")) == 4
    lab.close(page)


def test_keys_grade_and_a_tap_adds_the_next_step(chromium, lab, folder):
    page = opened(lab, chromium, "later", width=1366, height=768)
    picture(page, "grades-desktop")
    for number in range(12):
        page.locator(".scent-press-grade-0").focus()
        page.keyboard.press("2" if number == 0 else "0")
        page.wait_for_function(
            "n => document.body.innerText.includes(`(${n} of 12)`)"
            " || document.body.innerText.includes('all 12 pieces are done')", arg=number + 2)
        rest(page)
    wait_for(page, "all 12 pieces are done")
    assert len(Store.open(folder).rows("grades")) == 12
    tap(page, ".scent-press-answer")
    wait_for(page, "Next: ")
    picture(page, "answer-desktop")
    tap(page, ".scent-press-accept")
    wait_for(page, "melt", ".scent-saved")
    wait_for(page, "Sheet of pot P02 to print", ".jp-OutputArea-output")
    picture(page, "next-desktop")
    assert len({p["pot"] for p in Store.open(folder).plan()["pours"]}) > 1
    lab.close(page)


def test_nothing_runs_out_of_a_narrow_page(chromium, lab, folder):
    page = opened(lab, chromium, "later", width=760, height=844)
    wide = page.evaluate(
        "() => Array.from(document.querySelectorAll('.scent-form')).some("
        "e => e.scrollWidth > e.clientWidth + 1)")
    assert not wide
    picture(page, "narrow")
    lab.close(page)
