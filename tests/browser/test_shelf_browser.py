"""The shelf in JupyterLab: typed on the start page, taken into the plan of a series."""

import pytest
from tapping import tap

from scentlab import workshop
from scentlab.recording.shelf import read_shelf
from scentlab.recording.store import Store

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def folder(lab):
    """A workshop with one empty series."""
    place = lab.folder / "shelf"
    workshop.make_series(place / "fresh", title="Fresh")
    return place


def fill(page, **texts):
    for name, text in texts.items():
        page.locator(f".scent-field-{name.replace('_', '-', 1)} input").fill(text)


def seen_tabs(page):
    """The words that each tab shows, by its name; False where they have no room in it."""
    page.wait_for_function("document.querySelectorAll('[data-scentlab]').length > 1")
    return page.evaluate("""() => Object.fromEntries(
        [...document.querySelectorAll('.lm-TabBar-tab[data-scentlab]')].map((tab) => {
            const label = getComputedStyle(tab, '::after');
            const height = label.position === 'static' ? parseFloat(label.height) : 0;
            return [tab.dataset.scentlab, height > 5 && label.content];
        }))""")


def test_a_wax_is_put_on_the_shelf_by_hand(chromium, lab, folder):
    page = lab.open_page(chromium, "shelf/start.ipynb", ".scent-press-fold-shelf[aria-label]")
    tap(page, ".scent-press-fold-shelf")
    page.wait_for_selector(".scent-press-put[aria-label]")
    fill(page, put_name="palm wax", put_limit_load_pct="10", put_limit_on="05.01.2026",
         put_limit_source="sheet 4", put_recommended_load_pct="1 oz/lb")
    tap(page, ".scent-press-put")
    page.wait_for_selector("li:has-text('wax palm wax: highest load 10.0 %')")
    page.wait_for_selector(".scent-saved:has-text('On the shelf at')")
    lab.close(page)
    row = read_shelf(folder).find("wax", "palm wax")
    assert (row["limit_source"], str(row["limit_on"])) == ("sheet 4", "2026-01-05")
    assert (row["limit_load_pct"], row["recommended_load_pct"]) == (10, 6.25)


def test_the_plan_takes_it_and_its_fields_are_filled(chromium, lab, folder):
    page = lab.open_page(chromium, "shelf/fresh/plan.ipynb", ".scent-press-fold-waxes[aria-label]")
    tap(page, ".scent-press-fold-waxes")
    page.locator(".scent-field-shelf-wax select").select_option("palm wax")
    page.wait_for_selector(".scent-flag:has-text('From the shelf: palm wax.')")
    card = page.locator(".scent-card").first
    assert card.locator("[class*='-limit_load_pct'] input").input_value() == "10"
    assert card.locator("[class*='-recommended_load_pct'] input").input_value() == "6.25"
    lab.close(page)


def test_a_series_that_is_made_elsewhere_is_there_when_the_page_is_seen_again(
        chromium, lab, folder):
    page = lab.open_page(chromium, "shelf/start.ipynb", ".scent-press-fold-new[aria-label]")
    tap(page, ".scent-press-fold-new")
    title = page.locator(".scent-field-title input").first  # the plan has one, too
    title.fill("Half typed")
    # To another tab of JupyterLab and back, then to another tab of the browser and back.
    page.locator("a[data-scentlab-page='shelf/fresh/plan.ipynb']").first.click()
    page.wait_for_selector(".scent-press-fold-waxes[aria-label]")
    assert seen_tabs(page) == {n: f'"{n}"' for n in ("Start: shelf", "Plan: fresh")}
    workshop.make_series(folder / "fig", title="Fig from elsewhere")
    page.locator(".lm-TabBar-tab[data-scentlab='Start: shelf']").click()
    page.wait_for_selector("h3:has-text('Fig from elsewhere')")
    hide = """hidden => {
        Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
        document.dispatchEvent(new Event('visibilitychange')); }"""
    page.evaluate(hide, True)
    workshop.make_series(folder / "rose", title="Rose from elsewhere")
    page.evaluate(hide, False)
    page.wait_for_selector("h3:has-text('Rose from elsewhere')")
    assert title.input_value() == "Half typed"
    lab.close(page)


def test_a_page_that_its_link_opens_again_says_that_the_record_changed(chromium, lab, folder):
    page = lab.open_page(chromium, "shelf/fresh/plan.ipynb", ".scent-press-fold-waxes[aria-label]")

    def follow(name):
        page.locator(f"a[data-scentlab-page='shelf/fresh/{name}.ipynb']:visible").first.click()

    news = page.locator(".scent-flag:has-text('The record or the day has changed since'):visible")
    follow("start")
    page.wait_for_selector("h3:has-text('Share'):visible")
    follow("plan")
    page.wait_for_selector(".scent-press-fold-waxes:visible")
    assert news.count() == 0
    follow("start")
    page.wait_for_selector("h3:has-text('Share'):visible")
    Store.open(folder / "fresh").add("heats", {
        "started_on": "2026-03-01", "low_c": 37, "high_c": 39, "hours": 12, "cycles": 3})
    follow("plan")
    news.wait_for()
    at_top = page.locator(".scent-press-renew:visible").bounding_box()
    assert 0 < at_top["y"] < 400
    tap(page, ".scent-press-renew:visible")
    news.wait_for(state="detached")
    lab.close(page)
