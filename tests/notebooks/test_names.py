"""The page of public names: complete, and every name of it is used in an example that runs.

`pytest --nbval-lax notebooks/` runs the examples.
"""

import ast
import re
from importlib import import_module

import nbformat
import pytest

import scentlab
from scentlab import workshop

MODULES_TITLE = "## In modules"
ROW = re.compile(r"^\| `([\w.]+)` \| (.+) \|$", re.M)


@pytest.fixture(scope="module")
def page():
    return nbformat.read(workshop.notebooks_folder() / "names.ipynb", as_version=4)


def tables(page, modules):
    cells = [c.source for c in page.cells if c.cell_type == "markdown"]
    chosen = [text for text in cells if text.startswith(MODULES_TITLE) == modules]
    return [row for text in chosen for row in ROW.findall(text)]


def code_of(notebook):
    return "\n".join(c.source for c in notebook.cells if c.cell_type == "code")


def test_the_page_lists_the_public_names_and_no_others(page):
    listed = [name for name, _ in tables(page, modules=False)]
    expected = [name for name in scentlab.__all__ if name != "__version__"]
    missing, gone = set(expected) - set(listed), set(listed) - set(expected)
    assert not missing, f"notebooks/names.ipynb lacks a row for {', '.join(sorted(missing))}"
    assert not gone, f"notebooks/names.ipynb lists what is not public: {', '.join(sorted(gone))}"
    twice = {name for name in listed if listed.count(name) > 1}
    assert twice <= {"Series"}, f"listed twice: {', '.join(sorted(twice))}"


def test_every_public_name_is_used_in_an_example(page):
    used = {
        node.attr
        for node in ast.walk(ast.parse(code_of(page)))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)
        and node.value.id == "scentlab"
    }
    unused = set(scentlab.__all__) - used
    assert not unused, f"no example in notebooks/names.ipynb uses {', '.join(sorted(unused))}"


def test_every_meaning_is_one_line_of_words(page):
    for name, meaning in tables(page, modules=False) + tables(page, modules=True):
        assert 8 <= len(meaning) <= 90, f"{name}: {meaning}"


def test_the_modules_that_the_stage_notebooks_use_are_listed(page):
    listed = {name for name, _ in tables(page, modules=True)} | set(scentlab._PUBLIC)
    for path in sorted(workshop.notebooks_folder().glob("[0-5]-*.ipynb")):
        for node in ast.walk(ast.parse(code_of(nbformat.read(path, as_version=4)))):
            if isinstance(node, ast.ImportFrom) and node.module.startswith("scentlab."):
                taken = {node.module.removeprefix("scentlab.")}
                taken |= {f"{home}.{alias.name}" for home in taken for alias in node.names}
                assert taken & listed, (
                    f"{path.name} uses {node.module}: notebooks/names.ipynb lacks a row for it"
                )


def test_every_module_listed_is_there(page):
    for name, _ in tables(page, modules=True):
        assert import_module(f"scentlab.{name}").__doc__, name
