"""Notebooks as a page: what stands on it, what is left out, and what it never tells."""

import base64
import re

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from scentlab.sharing.guard import Guard
from scentlab.sharing.notebook_page import run_notebooks
from scentlab.sharing.redaction import Held, SharingError

PIXEL = (
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)


def tagged(cell, tag):
    cell.metadata["tags"] = [tag]
    return cell


@pytest.fixture
def make(tmp_path):
    """Run a notebook of these cells and give its page."""

    def run(*cells, **options):
        book = new_notebook(cells=[
            new_code_cell(c) if isinstance(c, str) else c for c in cells
        ])
        nbformat.write(book, tmp_path / "one.ipynb")
        return run_notebooks(tmp_path, ["one.ipynb"], **{"title": "Cedar 2026"} | options)

    return run


def test_texts_tables_and_pictures_stay_and_code_goes(make, tmp_path):
    page = make(
        new_markdown_cell("# First\n\nsome **bold** text <script>alert(1)</script>"),
        "import pandas as pd, pathlib\nsecret_name = 1\npd.DataFrame({'load': [8.25]})",
        "import warnings\nwarnings.warn('in the kernel')\n"
        "print(pathlib.Path('exports/x.html').resolve())",
        f"from IPython.display import Image\nimport base64\nImage(base64.b64decode('{PIXEL}'))",
        "import ipywidgets\nipywidgets.Button(description='press')",
        "from IPython.display import HTML\n"
        "HTML('<script src=\"http://b.example/x.js\"></script><p onclick=\"x()\">kept</p>')",
    )
    text = page.html
    assert "<h2>First</h2>" in text.replace(' id="First"', "")
    assert "<strong>bold</strong>" in text and "8.25" in text and "kept" in text
    assert f"data:image/png;base64,{PIXEL}" in text
    assert "A form stands here in the notebook" in text and "press" not in text
    assert "secret_name" not in text and "in the kernel" not in text
    assert "<pre>exports/x.html</pre>" in text and str(tmp_path) not in text
    body = text.split("<body>")[1]
    assert "<script" not in text and "onclick" not in text and "http" not in body
    row = page.table.iloc[0]
    assert list(row) == ["one.ipynb", 3, 1, 1, 1, 5]
    assert page.sentence.startswith("One page of 1 notebook (")
    assert page.sentence.endswith(
        ") with 3 texts, 1 table and 1 picture; left out: 5 code cells and 1 form."
    )


def test_cells_that_stay_home_do_not_run_and_cells_not_shown_do(make, tmp_path):
    page = make(
        tagged(new_code_cell("open('written', 'w').close()\nprint('home')"), "stays-home"),
        tagged(new_code_cell("x = 'not ' + 'shown'\nprint(x)"), "remove-cell"),
        "print(x.upper())",
    )
    assert "home" not in page.html and "not shown" not in page.html and "NOT SHOWN" in page.html
    assert not (tmp_path / "written").exists()


def test_a_notebook_that_fails_makes_no_page(make, tmp_path):
    with pytest.raises(SharingError) as error:
        make("import pathlib\nraise ValueError(f'no wax in {pathlib.Path().resolve()}')")
    assert str(error.value) == (
        "one.ipynb does not run to its end (ValueError: no wax in its folder); mend it first"
    )


def test_a_notebook_that_is_not_there(tmp_path):
    with pytest.raises(SharingError, match="^x.ipynb is no notebook of this series; there are no"):
        run_notebooks(tmp_path, ["x.ipynb"], title="t")


def test_what_is_held_back_stands_nowhere(make):
    held = Held(("The fragrance's name and data are not shared.",), Guard(("Moonlit Quince",)))
    assert held.notices[0].replace("'", "&#39;") in make("1", held=held).html
    with pytest.raises(SharingError) as error:
        make(new_markdown_cell("we poured *moonlit* quince"), "'MOONLIT QUINCE'", held=held)
    assert str(error.value).endswith(
        "\n  'MOONLIT QUINCE' in one.ipynb holds 'Moonlit Quince'\n"
        "  'moonlit quince' in one.ipynb holds 'Moonlit Quince'"
    )


def test_letters_of_a_picture_are_no_words(make):
    data = base64.b64encode(base64.b64decode("AAAA+A1/AAAA")).decode()
    picture = new_markdown_cell(f'<img src="data:image/png;base64,{data}" alt="a">')
    assert "+A1/" in make(picture, held=Held((), Guard(texts=("A1",)))).html


KEY = (("417", "P01"), ("418", "P02"))


@pytest.mark.parametrize("cell", [
    "import pandas as pd\npd.DataFrame({'code': ['417'], 'pour': ['P01']})",
    "print('piece 417 of pour P01')",
    new_markdown_cell("- 417: P01"),
])
def test_the_key_stays_sealed_until_all_is_scored(make, cell):
    with pytest.raises(SharingError) as error:
        make(cell, key=KEY)
    assert str(error.value) == (
        "one.ipynb tells that piece 417 is of pour P01, and the piece is not scored yet; leave "
        "that notebook out until it is"
    )


def test_a_code_or_a_pour_alone_tells_nothing(make):
    page = make("print('piece 417')\nprint('pour P01, piece 418')", key=KEY)
    assert "piece 417" in page.html


def test_written_whole_and_under_a_name_of_a_page(make, tmp_path):
    page = make("1")
    with pytest.raises(SharingError, match="^a.zip is a web page; give it a name that ends in .h"):
        page.write(tmp_path / "a.zip")
    assert page.write(tmp_path / "a.html").read_text(encoding="utf-8") == page.html
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page.html)[1]
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
