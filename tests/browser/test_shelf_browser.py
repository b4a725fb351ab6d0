"""The shelf in JupyterLab: typed on the start page, taken into the plan of a series."""

import pytest
from tapping import tap

from scentlab import workshop
from scentlab.recording.shelf import read_shelf

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
