"""A reading copy: the notebooks of a series run on what is shared, and nothing in it changed."""

import dataclasses
import html
import json
import re
import shutil

import nbformat
import pandas as pd
import pytest
from nbformat.v4 import new_markdown_cell, new_notebook

from scentlab import workshop
from scentlab.reading_copy import prepare_reading_copy, store_series, unscored
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store
from scentlab.sharing.redaction import Choices, SharingError, redact

HIDDEN = Choices(
    hide_fragrance=True, hide_costs=True, hide_notes=True, renumber_assessors=True,
    leave_out=("soft",),
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return workshop.make_demo_series(tmp_path_factory.mktemp("reading") / "demo")


@pytest.fixture(scope="module")
def everything(demo):
    return prepare_reading_copy(demo)


@pytest.fixture(scope="module")
def hidden(demo):
    return prepare_reading_copy(demo, HIDDEN, ["5-share.ipynb"])


def frames(series):
    return {
        name: getattr(series, name)
        for name in ("pours", "grades", "throws", "blends", "fractions", "bleeds")
    }


def alike(one, other):
    """Whether two frames hold the same rows, whatever their order and missing values."""
    names = list(one.columns)
    a, b = (f[names].astype(object).where(f[names].notna(), None).astype(str) for f in (one, other))
    return sorted(map(tuple, a.to_numpy())) == sorted(map(tuple, b.to_numpy()))


@pytest.mark.parametrize("choices", [Choices(), HIDDEN], ids=["all", "hidden"])
def test_a_series_comes_back_from_its_copy(demo, tmp_path, choices):
    series, _ = redact(read_series(demo), choices)
    again = read_series(store_series(series, tmp_path / "copy"))
    for name, frame in frames(series).items():
        assert alike(frame, getattr(again, name)), name
    for name in ("title", "fragrance", "piece_g", "currency", "invented", "plan"):
        assert getattr(again, name) == getattr(series, name)


def test_a_series_without_a_plan_comes_back_too(demo, tmp_path):
    series = dataclasses.replace(read_series(demo), plan=None, fractions=pd.DataFrame())
    again = read_series(store_series(series, tmp_path / "copy"))
    assert alike(series.grades, again.grades) and alike(series.throws, again.throws)
    assert alike(series.blends[["blend", "limit_load_pct", "limit_content_pct"]], again.blends)
    assert (again.title, again.fragrance) == (series.title, series.fragrance)


def test_the_page_shows_the_analysis_and_needs_no_network(everything):
    text = everything.html
    assert list(everything.table["notebook"]) == ["4-fit-and-choose.ipynb", "5-share.ipynb"]
    assert everything.table["pictures"].iloc[0] >= 5 and everything.table["tables"].sum() >= 6
    assert "4 Fit and choose" in text and "What it costs" in text
    assert "cedar and fig" in text and "EUR" in text and "% of wax" in text
    assert "Invented demonstration data: no evidence" in text
    assert "scentlab.analyse" not in text and "import scentlab" not in text
    assert "/tmp" not in text and "<script" not in text
    assert "http" not in text.replace("http-equiv", "")


def test_what_is_hidden_is_not_on_the_page(hidden):
    text = hidden.html.lower()
    for word in ("cedar", "fig (", "invented lot 77", "limonene", "eur<", " eur", ">soft<"):
        assert word not in text, word
    assert len(hidden.notices) == 5
    assert all(notice in html.unescape(hidden.html) for notice in hidden.notices)


SECRETS = {
    "fragrance": "Moonlit Quince", "lot": "QX-7731", "allergen": "Zedoarol",
    "note": "tipped the jug; ask Vellimir", "blend": "blue-hour", "assessor": "Q907",
}


@pytest.fixture(scope="module")
def secretive(demo, tmp_path_factory):
    """The demo series with secrets wherever a person can write, in a folder of its own."""
    series = read_series(demo)
    text = json.dumps(series.plan)
    for old, new in (("soft", "blend"), ("A1", "assessor")):
        text = text.replace(json.dumps(old), json.dumps(SECRETS[new]))
    plan = json.loads(text)
    plan["title"] = f"{SECRETS['fragrance'].upper()} in {SECRETS['blend']}"
    plan["fragrance"] |= {"name": SECRETS["fragrance"], "lot": SECRETS["lot"],
                          "allergens": [SECRETS["allergen"]]}
    plan["notes"] = [f"{SECRETS['fragrance']} smells; {SECRETS['note']}"]

    def changed(frame):
        names = {"soft": SECRETS["blend"], "A1": SECRETS["assessor"]}
        columns = [c for c in ("blend", "assessor") if c in frame]
        return frame.assign(**{c: frame[c].replace(names) for c in columns})

    pours = changed(series.pours).assign(note=SECRETS["note"])
    series = dataclasses.replace(
        series, plan=plan, pours=pours, grades=changed(series.grades),
        throws=changed(series.throws), blends=changed(series.blends),
        fractions=series.fractions.rename(index={"soft": SECRETS["blend"]}),
    )
    store = store_series(series, tmp_path_factory.mktemp("secret") / "series")
    for notebook in demo.folder.glob("*.ipynb"):
        shutil.copyfile(notebook, store.folder / notebook.name)
    return store


def test_secrets_planted_everywhere_are_in_no_byte_of_the_page(secretive):
    choices = dataclasses.replace(HIDDEN, leave_out=(SECRETS["blend"],))
    page = prepare_reading_copy(secretive, choices).html
    # The letters of a picture's data mean nothing; its words are drawn from what is shared.
    page = re.sub(r"data:image/png;base64,[^\"]*", "", page)
    for word in [*SECRETS.values(), "moonlit", "quince", "vellimir", "jug"]:
        assert word.lower() not in page.lower(), word
    assert SECRETS["blend"] in prepare_reading_copy(secretive, notebooks=["5-share.ipynb"]).html


def test_the_folder_is_left_as_it_was(demo, everything, hidden):
    assert list((demo.folder / "exports").iterdir()) == []
    assert sorted(p.suffix for p in demo.folder.iterdir() if p.is_file())[-1] == ".sqlite"


def test_a_name_that_the_maker_wrote_into_a_notebook_is_found(demo, tmp_path):
    folder = tmp_path / "own"
    shutil.copytree(demo.folder, folder)
    own = new_notebook(cells=[new_markdown_cell("Our Cedar series")])
    nbformat.write(own, folder / "own.ipynb")
    told = "^what is to stay hidden (.|\n)*'Cedar' in own.ipynb holds 'cedar'"
    with pytest.raises(SharingError, match=told):
        prepare_reading_copy(Store.open(folder), Choices(hide_fragrance=True), ["own.ipynb"])


def test_pieces_to_be_scored_are_known(demo, tmp_path):
    store = workshop.make_series(tmp_path / "new", title="New")
    store.add_many("pieces", [
        {"code": "417", "pour": "P01", "test": "sweat"},
        {"code": "418", "pour": "P01", "test": "sweat"},
    ])
    store.add("grades", {"code": "417", "test": "sweat", "stress": "rest", "grade": 0,
                         "assessor": "A1", "age_days": 14})
    assert unscored(store) == (("418", "P01"),)
