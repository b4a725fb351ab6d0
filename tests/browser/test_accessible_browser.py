"""Every page in JupyterLab for those who use no mouse, other eyes, or a screen reader.

axe-core (rules for WCAG 2.1 A and AA; it comes in the test library axe-playwright-python) looks at
the kit's own part of each page, light and dark. Contrast, names of controls and zoom follow WCAG
2.1 (W3C 2018): 1.4.3, 4.1.2 and 1.4.10.
"""

import re
from importlib.resources import files

import pytest
from tapping import rest, tap

from scentlab import workshop

pytestmark = pytest.mark.browser
SIGNS = {
    "start": ".scent-go", "plan": ".scent-press-keep[aria-label]", "pour": ".scent-timer",
    "score": ".scent-press-assessor-A1[aria-label]", "answer": ".noUi-handle[aria-label]",
    "share": ".scent-press-fold-batch[aria-label]",
}
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]
FOUND = """async rules => (await axe.run(document.querySelector('.scent-page'), {
    runOnly: rules })).violations
    .filter(v => ['serious', 'critical'].includes(v.impact))
    .map(v => [v.id, v.nodes.length, v.nodes[0].html.slice(0, 200), v.nodes[0].failureSummary])"""


@pytest.fixture(scope="module")
def folder(lab):
    workshop.make_demo_series(lab.folder / "seen" / "demo")
    return "seen/demo"


@pytest.fixture(scope="module", params=SIGNS)
def page(request, chromium, lab, folder):
    """A page with all its parts open."""
    where = "seen/start.ipynb" if request.param == "start" else f"{folder}/{request.param}.ipynb"
    page = lab.open_page(chromium, where, SIGNS[request.param], 1366, 768)
    page.name = request.param
    if page.name == "score":
        tap(page, ".scent-press-assessor-A6")
        page.wait_for_selector(".scent-press-grade-0[aria-label]")
    shut = page.locator("button[class*='scent-press-fold-'][aria-label$=': open']:visible")
    for _ in range(12):
        if not shut.count() or page.name == "answer":  # its parts are pictures, made by fits
            break
        part = re.search(r"scent-press-fold-[\w-]+", shut.first.get_attribute("class"))[0]
        tap(page, f".{part}")
        page.wait_for_selector(f".{part}[aria-label$=': close']")
        rest(page)
    yield page
    lab.close(page)


def theme(page, name):
    """The lab follows the system's light or dark."""
    page.emulate_media(color_scheme=name.lower())
    page.wait_for_function("d => document.body.dataset.jpThemeLight === d",
                           arg=str(name == "Light").lower())
    page.wait_for_timeout(800)


@pytest.mark.parametrize(("shade", "rules"), [("Dark", RULES), ("Light", ["color-contrast"])])
def test_axe_finds_nothing_serious(page, shade, rules):
    """In the other colours only what hangs on colours is looked at again."""
    theme(page, shade)
    page.evaluate(files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8"))
    found = page.evaluate(FOUND, rules)
    assert not found, "\n".join(map(str, found))


def test_axe_sees_what_is_wrong(page):
    page.evaluate("""() => { const bad = document.createElement('button'); bad.id = 'bad';
        document.querySelector('.scent-page').append(bad); }""")
    found = [rule for rule, *_ in page.evaluate(FOUND, ["button-name"])]
    page.evaluate("() => document.getElementById('bad').remove()")
    assert found == ["button-name"]


def test_every_control_is_reached_by_tab_and_shows_it(page):
    """From the first link on, Tab comes to every control of the page, each with a visible ring."""
    wanted = page.evaluate("""() => {
        const seen = [...document.querySelectorAll('.scent-page :is(a[href], button, input, select,'
            + ' summary, [role=slider])')].filter(e => e.offsetParent && !e.disabled);
        seen.forEach((e, i) => { e.dataset.order = i; });
        seen[0].focus(); return seen.length; }""")
    came, dim = {"0"}, []
    for _ in range(wanted + 40):
        page.keyboard.press("Tab")
        at = page.evaluate("""() => { const e = document.activeElement, s = getComputedStyle(e);
            return [e.dataset.order, s.outlineStyle !== 'none' || s.boxShadow !== 'none',
                    e.outerHTML.slice(0, 120)]; }""")
        if at[0] is not None:
            came.add(at[0])
            if not at[1]:
                dim.append(at[2])
    missing = page.evaluate("""c => [...document.querySelectorAll('[data-order]')].filter(
        e => !c.includes(e.dataset.order)).map(e => e.outerHTML.slice(0, 160))""", list(came))
    assert not missing and not dim


def test_zoomed_to_200_per_cent_nothing_is_cut_off_sideways(page):
    """200 % of 1366 pixels leave 683; tables and pictures may scroll in a box of their own."""
    page.set_viewport_size({"width": 683, "height": 384})
    page.wait_for_timeout(500)
    wide = page.evaluate("""() => { const room = document.querySelector('.scent-page').parentElement
        .getBoundingClientRect().right + 1;
        return [...document.querySelectorAll(
            '.scent-page :is(button, input, select, h2, h3, p, a)')].filter(e => e.offsetParent
                && !e.closest('table, [style*=overflow], .scent-tables')
                && e.getBoundingClientRect().right > room)
            .map(e => e.outerHTML.slice(0, 120)); }""")
    page.set_viewport_size({"width": 1366, "height": 768})
    assert not wide
