"""Photos beside the grade: by blind code alone, added, undone, refused in words."""

import datetime as dt
import html
import re

import pytest
from camera import camera_jpeg, quarters
from storing import keep_demo_plan, log

from scentlab.forms.desk import RecordDesk
from scentlab.planning.plan import Plan
from scentlab.recording.photos import add_photo, photos_of
from scentlab.workshop import make_series, series_here


@pytest.fixture
def bench(tmp_path):
    store = make_series(tmp_path / "mine", title="Mine")
    log(store, keep_demo_plan(store).pours.head(6))
    return series_here(folder=tmp_path / "mine")


@pytest.fixture
def form(bench):
    return RecordDesk(bench)._grades("sweat", "A1")


def choose(form, data):
    """What the browser sends when a file is chosen."""
    form.photo.pick.value = ({"name": "DSC9.jpg", "type": "image/jpeg", "size": len(data),
                              "content": memoryview(data),
                              "last_modified": dt.datetime(2026, 3, 1)},)


def said(form):
    return html.unescape(re.sub("<[^>]+>", "", form.message.value))


def test_a_photo_is_kept_beside_the_grade_and_shown(form, bench):
    code = form.piece["code"]
    choose(form, camera_jpeg())
    assert re.fullmatch(rf"Saved at \d\d:\d\d:\d\d: photo of piece {code}\.", said(form))
    (photo,) = photos_of(bench.store)
    assert (photo.code, photo.test, photo.assessor) == (code, "sweat", "A1")
    assert photo.age_days == form.piece["age_days"]
    shown = form.photo.pictures.value
    assert shown.count("<img") == 1 and f'alt="{photo.words}"' in shown
    pour = next(p for p in Plan.from_dict(bench.store.plan()).piece_rows if p.code == code).pour
    for secret in (pour, "% of wax", "oz/lb", "DSC9"):
        assert secret not in re.sub(r'src="[^"]*"', "", shown) and secret not in said(form)
    form.choices[0].click()
    assert form.piece["code"] != code and form.photo.pictures.value == ""


def test_it_is_undone(form, bench):
    choose(form, camera_jpeg())
    assert form.undo.layout.display == ""
    form.undo.click()
    assert said(form).startswith("Undone: photo of piece ")
    assert photos_of(bench.store) == [] and form.photo.pictures.value == ""
    assert form.undo.layout.display == "none"


def test_what_is_no_photo_is_refused_in_words(form, bench):
    choose(form, b"no picture")
    assert said(form).startswith("NOT SAVED. the file is not a complete JPEG, PNG or WebP picture")
    assert photos_of(bench.store) == [] and form.photo.pick.value == ()


def test_the_photo_of_another_tester_is_not_shown(form, bench):
    add_photo(bench.store, form.piece["code"], camera_jpeg(), assessor="A2")
    form.photo.show(form.piece["code"])
    assert form.photo.pictures.value == ""
    add_photo(bench.store, form.piece["code"], camera_jpeg(quarters(90, 60)), assessor="A1")
    form.photo.show(form.piece["code"])
    assert form.photo.pictures.value.count("<img") == 1


def test_a_picture_that_is_gone_is_told_in_its_place(form, bench):
    choose(form, camera_jpeg())
    photos_of(bench.store)[0].path.unlink()
    form.photo.show(form.piece["code"])
    assert "is missing" in form.photo.pictures.value and "<img" not in form.photo.pictures.value


def test_a_form_without_photos_has_no_field_for_them(bench):
    from scentlab.forms.scores import GradeForm

    assert GradeForm(["417"], "sweat", "A1", print).photo is None
