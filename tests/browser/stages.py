"""Each stage in JupyterLab: seconds to a usable screen, words, fields and clicks, as a table.

    python tests/browser/stages.py

Seconds run from the start of ``scentlab lab`` to the first control of the start page, then from
the opening of each page in that lab, ten seconds after the one before, to its first control.
Beside them stands a plain ``import pandas`` in the same run, which says how fast the machine was.
Words, fields and buttons are those in sight before anything is opened. Clicks are those of the
shortest way through: listed in ``CLICKS``, each of them a tap on the page.
"""

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

SIGNS = {
    "start": ".scent-go", "plan": ".scent-press-have-show[aria-label]", "pour": ".scent-timer",
    "score": ".scent-press-assessor-A1[aria-label]", "answer": ".noUi-handle",
    "share": ".scent-press-fold-batch[aria-label]",
}
CLICKS = {"start": "1: go on", "plan": "4: show, take, keep, keep", "pour": "1 a test batch: save",
          "score": "1 a piece, after 1 for the tester", "answer": "0", "share": "0: the report"}
OPEN = """place => { const link = document.createElement('a');
    link.dataset.scentlabPage = place; document.body.append(link); link.click(); link.remove(); }"""
SEEN = """() => { const page = document.querySelector(
        '.jp-NotebookPanel:not(.lm-mod-hidden) .scent-page');
    const seen = q => [...page.querySelectorAll(q)].filter(e => e.offsetParent).length;
    return [page.innerText.split(/\\s+/).filter(w => /[\\p{L}\\d]/u.test(w)).length,
        seen('input, select, [role=slider]'), seen('button')]; }"""
PORT = 8947


def make_workshop(folder):
    """The demo, a series that is still to be planned, and one that is still to be poured."""
    from scentlab import workshop
    from scentlab.recording.store import Store

    workshop.make_series(folder / "planned", title="A planned one")
    Store.open(folder / "planned").save_plan(workshop.demo_plan())
    workshop.make_demo_series(folder / "demo")
    workshop.make_series(folder / "new", title="A new one")


def plain_import():
    """Seconds of ``import pandas`` in a process of its own."""
    begun = time.monotonic()
    subprocess.run([sys.executable, "-c", "import pandas"], check=True)
    return time.monotonic() - begun


def start_lab(folder):
    return subprocess.Popen(
        [sys.executable, "-m", "scentlab", "lab", str(folder), "--", "--no-browser",
         "--allow-root", f"--port={PORT}", "--IdentityProvider.token=x"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)


def open_lab(browser):
    """The lab in a browser tab, once the server answers, with the first control in sight."""
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    for _ in range(240):
        try:
            page.goto(f"http://127.0.0.1:{PORT}/lab/tree/start.ipynb?reset&token=x")
            break
        except Exception:  # the server is not there yet
            time.sleep(0.25)
    return page


def open_page(page, place):
    """Open a page beside the others, as a link on the start page does."""
    page.wait_for_timeout(10_000)  # somebody reads what is there
    begun = time.monotonic()
    page.evaluate(OPEN, place)
    return begun


def measure(browser, folder):
    """Rows of the table: stage, seconds, import of pandas, words, fields, buttons, clicks."""
    begun, lab = time.monotonic(), start_lab(folder)
    try:
        page = open_lab(browser)
        for name, sign in SIGNS.items():
            place = {"start": "start.ipynb", "plan": "new/plan.ipynb",
                     "pour": "planned/pour.ipynb"}.get(name, f"demo/{name}.ipynb")
            begun = begun if name == "start" else open_page(page, place)
            page.wait_for_selector(f".jp-NotebookPanel:not(.lm-mod-hidden) {sign}", timeout=120_000)
            seconds = time.monotonic() - begun
            page.wait_for_timeout(1500)
            yield (name, seconds, plain_import(), *page.evaluate(SEEN), CLICKS[name])
    finally:
        os.killpg(lab.pid, signal.SIGTERM)
        lab.wait(30)


def main():
    from conftest import CHROMIUM, CHROMIUM_FLAGS
    from playwright.sync_api import sync_playwright

    print("| stage | seconds | import pandas | words | fields | buttons | clicks |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        make_workshop(Path(folder))
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_FLAGS)
        for name, seconds, plain, words, fields, buttons, clicks in measure(browser, Path(folder)):
            print(f"| {name} | {seconds:.1f} | {plain:.1f} | {words} | {fields} | {buttons} | "
                  f"{re.sub('[|]', '/', clicks)} |", flush=True)
        browser.close()


if __name__ == "__main__":
    main()
