"""Checks of pieces left on the warmer: stored, mended, migrated, imported, exported, by a form."""

import html
import re

import numpy as np
import pytest
from storing import read_csvs

from scentlab.forms.scores import WarmingForm
from scentlab.recording.correcting import mend, stored_about
from scentlab.recording.importing import dry_run, export_csvs, import_csvs
from scentlab.recording.matching import From, Source
from scentlab.recording.progress import warmer_pieces
from scentlab.recording.reading import read_series
from scentlab.recording.store import RefusedError, Store
from scentlab.schema import DataError
from scentlab.series import WARMING_COLUMNS

CHECKS = """code,hours,weight_g,assessor,throw
417,0,25.1,,
417,2,24.7,,
417,2,,A1,7.5
"""


@pytest.fixture
def file(tmp_path):
    def write(text=CHECKS):
        path = tmp_path / "warmings.csv"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_a_check_is_stored_read_and_told(store):
    store.add("warmings", {"code": "417", "hours": 2, "weight_g": 24.7})
    store.add("warmings", {"code": "417", "hours": 2, "assessor": "A1", "throw": 7})
    frame = read_series(store).warmings
    assert tuple(frame.columns) == WARMING_COLUMNS
    assert frame["load_pct"].tolist() == [9.0, 9.0] and frame["pot"].tolist() == ["A", "A"]
    assert [e.words for e in stored_about(store, "417")] == [
        "after 2 h on the warmer: 24.7 g", "after 2 h on the warmer: throw 7 of 10 by A1"
    ]


def test_without_checks_the_frame_is_empty(store):
    frame = read_series(store).warmings
    assert frame.empty and tuple(frame.columns) == WARMING_COLUMNS


def test_a_check_of_nothing_is_refused(store):
    with pytest.raises(DataError) as error:
        store.add("warmings", {"code": "417", "hours": 2, "assessor": "A1"})
    assert str(error.value) == (
        "warmings, column weight_g: found an empty cell, expected a value in weight_g or throw. "
        "Give weight_g or throw, or both, or remove the row."
    )
    with pytest.raises(RefusedError) as error:
        store.add("warmings", {"code": "999", "hours": 2, "weight_g": 20})
    assert str(error.value).startswith("warmings: there is no piece 999;")


def test_the_same_check_twice_is_refused(store):
    store.add("warmings", {"code": "417", "hours": 2, "weight_g": 24.7})
    with pytest.raises(RefusedError) as error:
        store.add("warmings", {"code": "417", "hours": 2, "weight_g": 24.8})
    assert str(error.value) == (
        "warmings: code 417, hours 2.0 is stored already (entry 1); correct or void that entry "
        "first"
    )


def test_a_check_is_mended_but_never_to_nothing(store):
    store.add("warmings", {"code": "417", "hours": 2, "weight_g": 24.7})
    with pytest.raises(DataError):
        mend(store, "warmings", 1, {"weight_g": ""}, "no")
    mend(store, "warmings", 1, {"weight_g": "24.1"}, "read wrongly")
    assert store.rows("warmings")["weight_g"].tolist() == [24.1]


def test_there_and_back(store, file, tmp_path):
    assert import_csvs(store, warmings=file()) == {"warmings": 3}
    before = read_series(store).warmings
    paths = export_csvs(store, tmp_path / "out")
    assert [p.name for p in paths] == ["pours.csv", "pieces.csv", "throws.csv", "warmings.csv"]
    back = read_csvs(paths[0], paths[1], warmings=paths[3])["warmings"]
    plain = [f.astype(object).where(f.notna(), None) for f in (back, before[list(back.columns)])]
    assert plain[0].to_dict("records") == plain[1].to_dict("records")


def test_no_file_of_checks_without_checks(store, tmp_path):
    paths = export_csvs(store, tmp_path / "out")
    assert [p.name for p in paths] == ["pours.csv", "pieces.csv", "throws.csv"]


def test_everything_wrong_in_a_file_is_told(store, file):
    text = "code,hours,weight_g,assessor,throw\n417,1,,A1,\n999,2,24,,\n"
    with pytest.raises(DataError) as error:
        import_csvs(store, warmings=file(text))
    assert str(error.value).splitlines() == [
        "warmings.csv, row 2, column weight_g: found an empty cell, expected a value in weight_g "
        "or throw. Give weight_g or throw, or both, or remove the row.",
        "warmings.csv, row 3, column code: found '999', expected a code in the file of pieces or "
        "the store. Correct the code, or add the piece, or save the plan first.",
    ]
    assert store.rows("warmings").empty


def test_minutes_and_ounces_of_a_file_become_hours_and_grams(store, file):
    path = file("code,on,w\n417,0,1\n417,90,0.98\n")
    source = Source(path, {"code": From("code"), "hours": From("on", "min"),
                           "weight_g": From("w", "oz")})
    frame = dry_run(store, warmings=source).frames["warmings"]
    assert frame["hours"].tolist() == [0.0, 1.5]
    assert np.allclose(frame["weight_g"], [28.349523125, 27.7825326625])


class TestForm:
    def form(self, store):
        return WarmingForm(
            ["417", "211"], "A2", (), lambda row: store.add("warmings", row),
            lambda receipt: store.void("warmings", receipt.entry_id, "undone"))

    def said(self, form):
        return html.unescape(re.sub("<[^>]+>", "", form.message.value))

    def test_weight_and_throw(self, store):
        form = self.form(store)
        for name, value in {"hours": "2", "weight_g": "24.7", "throw": "6.5"}.items():
            form.fields[name].value = value
        form.save.click()
        row = store.rows("warmings").iloc[0]
        assert (row["code"], row["hours"], row["weight_g"], row["assessor"], row["throw"]) == (
            "417", 2.0, 24.7, "A2", 6.5
        )
        assert self.said(form).endswith(
            "piece 417, after 2 h on the warmer: 24.7 g, throw 6.5 of 10 by A2."
        )
        assert [form.fields[n].value for n in ("hours", "weight_g", "throw")] == ["2", "", ""]
        form.undo.click()
        assert store.rows("warmings").empty and form.piece["code"] == "417"

    def test_a_weight_alone_names_no_assessor(self, store):
        form = self.form(store)
        form.fields["hours"].value, form.fields["weight_g"].value = "0", "25.1"
        form.save.click()
        assert store.rows("warmings")["assessor"].isna().all()

    def test_nothing_filled_in(self, store):
        form = self.form(store)
        form.fields["hours"].value = "2"
        form.save.click()
        assert self.said(form) == (
            "NOT SAVED. warmings, column weight_g: found an empty cell, expected a value in "
            "weight_g or throw. Give weight_g or throw, or both, or remove the row."
        )
        assert form.piece["code"] == "417" and store.rows("warmings").empty

class TestPiecesThatAreAdded:
    """A piece kept in reserve is put on the warmer by its code, and all are checked again later."""

    def form(self, store, codes=(), kept=("417", "211")):
        return WarmingForm(
            codes, "A2", kept, lambda row: store.add("warmings", row),
            lambda receipt: store.void("warmings", receipt.entry_id, "undone"))

    def said(self, form):
        return html.unescape(re.sub("<[^>]+>", "", form.message.value))

    def check(self, form, hours, grams):
        form.fields["hours"].value, form.fields["weight_g"].value = hours, grams
        form.save.click()

    def test_an_empty_warmer_asks_for_a_code(self, store):
        form = self.form(store)
        assert "no piece is on it yet, type the code of one below" in form.heading.value
        assert form.save.disabled and form._check.layout.display == "none"
        form.add.value = " 211 "
        form.put_on.click()
        assert "211" in form.heading.value and "(1 of 1)" in form.heading.value
        assert not form.save.disabled and form._check.layout.display == ""
        assert store.rows("warmings").empty
        self.check(form, "0", "25,1")
        assert store.rows("warmings")[["code", "hours", "weight_g"]].to_numpy().tolist() == [
            ["211", 0.0, 25.1]]

    def test_what_is_not_kept_is_refused(self, store):
        form = self.form(store, codes=("211",), kept=("417",))
        form.add.value = "500"
        form.put_on.click()
        assert self.said(form) == (
            "NOT SAVED. found '500', expected the code of a poured reserve piece: check its label"
        )
        form.add.value = "211"
        form.put_on.click()
        assert self.said(form) == (
            "NOT SAVED. piece 211 is already on the warmer; its turn will come"
        )
        assert form.piece["code"] == "211" and len(form._pieces) == 1

    def test_another_round_and_an_undo_into_the_round_before(self, store):
        form = self.form(store, codes=("417", "211"), kept=())
        assert form.again.layout.display == "none"
        self.check(form, "0", "25.1")
        self.check(form, "0", "25.2")
        assert form.piece is None and form.again.layout.display == ""
        form.again.click()
        assert form.piece["code"] == "417" and form.fields["hours"].value == ""
        form.undo.click()
        assert form.piece["code"] == "211" and form._waiting == [1, 0]
        self.check(form, "0", "25.0")
        self.check(form, "4", "24.6")
        assert form.piece is None and len(store.rows("warmings")) == 3

    def test_nothing_was_kept(self, store):
        form = self.form(store, kept=())
        assert "no piece is on it yet, and none was kept in reserve" in form.heading.value
        assert form.put_on.layout.display == "none"


def test_pieces_for_the_warmer_are_reserve_pieces_of_logged_pours(folder):
    store = Store.create(folder)
    rows = [("417", "P1", "reserve"), ("211", "P1", "reserve"), ("300", "P1", "throw"),
            ("900", "P2", "reserve")]
    store.add_all({"pieces": [dict(zip(("code", "pour", "test"), r, strict=True)) for r in rows]})
    assert warmer_pieces(store) == ((), ())
    store.add("pours", {"pour": "P1", "pot": "A", "blend": "mix", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18})
    assert warmer_pieces(store) == ((), ("211", "417"))
    store.add("warmings", {"code": "417", "hours": 0, "weight_g": 25})
    assert warmer_pieces(store) == (("417",), ("211",))
