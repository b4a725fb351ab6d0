"""The photos on the page of the answer: beside load and grade, chosen for the report by a tick."""

import pytest
from camera import camera_jpeg, quarters
from walking import of_kind

from scentlab.recording.photos import add_photo, chosen_photos, photos_of
from scentlab.screens.answer import answer_page
from scentlab.screens.photos import NONE, photo_parts, told_words
from scentlab.units import say_load_oz


@pytest.fixture(scope="module")
def page():
    return answer_page()


def test_without_photos_it_says_how_to_take_one(page):
    assert photo_parts(page.analysis, page.bench) == NONE


def test_photos_come_by_blend_and_load_with_their_grade(page):
    store, grades = page.bench.store, page.analysis.series.grades
    sweat = grades[grades["test"] == "sweat"].drop_duplicates("code").iloc[:12:4]
    for row in sweat.to_dict("records"):
        add_photo(store, row["code"], camera_jpeg(), test="sweat", age_days=row["age_days"])
    shown = photo_parts(page.analysis, page.bench).figures.children
    rows = sorted(sweat.to_dict("records"), key=lambda r: (r["blend"], r["load_pct"], r["code"]))
    assert len(shown) == len(rows) == 3
    for figure, row in zip(shown, rows, strict=True):
        words = figure.children[1].value
        assert f"{row['blend']}, {say_load_oz(row['load_pct'])}: photo of piece" in words
        assert row["code"] in words and f"; sweat grade {row['grade']} (" in words
        assert figure.children[0].value.startswith("<img ")


def test_a_tick_chooses_it_and_takes_it_back(page):
    store = page.bench.store
    code = page.analysis.series.throws["code"].iloc[0]  # a piece that nobody graded
    add_photo(store, code, camera_jpeg(quarters(70, 50)))
    parts = photo_parts(page.analysis, page.bench).figures
    figure = next(f for f in parts.children if f"piece {code}" in f.children[1].value)
    assert "grade" not in figure.children[1].value
    tick = of_kind(figure, "Tick")
    for wanted in (True, False, True):
        tick.click()
        assert tick.on is wanted
        assert [p.code for p in chosen_photos(store)] == [code] * wanted
    refused = photo_parts(page.analysis, page.bench)
    refused._store = None
    tick = of_kind(refused, "Tick")
    tick.click()
    assert tick.on and "NOT SAVED" in refused.message.value, "it shows what is stored"
    photos_of(store, code)[0].path.write_bytes(b"another")
    assert chosen_photos(store) == []


def test_a_photo_of_an_unknown_pour_says_its_piece_alone(page):
    photo = photos_of(page.bench.store)[0]
    assert told_words(photo, None, page.analysis.series).startswith("photo of piece ")
