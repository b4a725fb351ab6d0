"""JupyterLab for the browser tests: one server for all of them, a folder for each notebook."""

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request

import nbformat
import pytest


class Lab:
    """JupyterLab on a free port, in a folder of its own."""

    def __init__(self, folder):
        self.folder, self.token, self.free = folder, "browser-test-token", []
        home = folder / "home"
        environment = {
            **os.environ, "JUPYTERLAB_SETTINGS_DIR": str(home / "lab" / "user-settings"),
            "JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"),
            "JUPYTER_RUNTIME_DIR": str(home / "runtime"), "PYTHONPATH": os.getcwd(),
        }
        self.log = open(folder / "lab.log", "w+")  # noqa: SIM115 - lives as long as the server
        self.process = subprocess.Popen(
            [sys.executable, "-m", "scentlab", "lab", str(folder), "--", "--no-browser",
             "--allow-root", "--port=0", "--ip=127.0.0.1",
             f"--IdentityProvider.token={self.token}", "--LabApp.expose_app_in_browser=True"],
            stdout=self.log, stderr=subprocess.STDOUT, env=environment, cwd=folder,
            start_new_session=True,
        )
        self.link = self._wait()

    def _wait(self):
        for _ in range(240):
            found = re.search(r"http://127\.0\.0\.1:(\d+)/",
                              (self.folder / "lab.log").read_text())
            if found:
                return found[0]
            time.sleep(0.25)
        raise TimeoutError((self.folder / "lab.log").read_text())

    def write(self, name, *cells):
        """A notebook of code cells at a path within the server's folder."""
        book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(c) for c in cells])
        book.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3",
                                       "language": "python"}
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        nbformat.write(book, path)

    def open(self, browser, name, width=1200, height=900):
        """A page with the notebook open and its kernel idle; nothing is run yet."""
        page = self._show(browser, name, width, height)
        page.wait_for_selector(".jp-Notebook .jp-Cell")
        # Cells that are run before the kernel is there stay unrun, without a word.
        page.wait_for_function("""() => window.jupyterapp.shell.currentWidget
            ?.sessionContext?.session?.kernel?.status === 'idle'""")
        return page

    def open_page(self, browser, name, sign, width=1200, height=900):
        """A page of the kit, once it has run by itself and shows what it is known by."""
        page = self._show(browser, name, width, height)
        page.wait_for_selector(sign)
        return page

    def _show(self, browser, name, width, height):
        """The notebook in a browser tab in which nothing is open: JupyterLab takes longer to load
        than what is opened in it."""
        tab = self.free.pop() if self.free else self._tab(browser)
        tab.set_viewport_size({"width": width, "height": height})
        tab.evaluate(
            "path => { window.jupyterapp.commands.execute('docmanager:open', { path }); }", name)
        return tab

    def _tab(self, browser):
        tab = browser.new_context().new_page()
        tab.set_default_timeout(45000)
        tab.goto(f"{self.link}lab?reset&token={self.token}")
        tab.wait_for_function("() => window.jupyterapp?.commands")
        tab.evaluate("() => window.jupyterapp.restored.then(() => true)")
        return tab

    def run_all(self, page):
        """Run every cell; not awaited, for the promise would outlast every timeout."""
        self.command(page, "notebook:run-all-cells")

    def command(self, page, name):
        page.evaluate("n => { window.jupyterapp.commands.execute(n); }", name)

    def ask(self, path, method="GET"):
        question = urllib.request.Request(
            self.link + path, method=method, headers={"Authorization": f"token {self.token}"}
        )
        with urllib.request.urlopen(question, timeout=10) as answer:
            text = answer.read()
        return json.loads(text) if text else None

    def close(self, page):
        """Close what is open, and every kernel with it: two cores are soon taken."""
        page.emulate_media(color_scheme="light")
        page.evaluate(
            "() => [...window.jupyterapp.shell.widgets('main')].forEach(w => w.dispose())")
        self.free.append(page)
        for kernel in self.ask("api/kernels"):
            self.ask(f"api/kernels/{kernel['id']}", "DELETE")

    def stop(self):
        os.killpg(self.process.pid, signal.SIGTERM)  # the server, and what waits for it
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
        self.log.close()


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    lab = Lab(tmp_path_factory.mktemp("lab"))
    yield lab
    lab.stop()


@pytest.fixture
def at_once():
    """Clicks at one and the same moment by the page's clock, however slow the machine is."""
    @contextlib.contextmanager
    def at_once(page):
        page.evaluate("() => { window.now = performance.now; const t = performance.now();"
                      " performance.now = () => t; }")
        yield
        page.evaluate("() => { performance.now = window.now; }")

    return at_once
