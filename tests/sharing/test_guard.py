"""The guard of what stays at home: however a hidden name is written, it is found."""

import dataclasses

import pytest

from scentlab.sharing.guard import Guard, UndecidedError, readings
from scentlab.sharing.redaction import Choices, redact


@pytest.mark.parametrize("name, text, shown, whole", [
    ("Zedernrauch", "Die Zedernrauchkerze", "Zedernrauchkerze", False),
    ("Cedar", "cedarwood", "cedarwood", False),
    ("Cedar", "cedar_v2", "cedar", True),
    ("Cedar", "ce-dar", "ce-dar", True),
    ("Cedar", "C.E.D.A.R", "C.E.D.A.R", True),
    ("Oakmoss", "oak moss", "oak moss", True),
    ("C\u00e8dre", "ce\u0300dre", "ce\u0300dre", True),
    ("C\u00e8dre", "CEDRE", "CEDRE", True),
    ("Cedar", "Ce\u00addar", "Ce\u00addar", True),
    ("Cedar", "c\u200bedar", "c\u200bedar", True),
    ("Cedar", "\u0441edar", "\u0441edar", True),  # a Cyrillic letter
    ("Cedar", "\uff23\uff45\uff44\uff41\uff52", "\uff23\uff45\uff44\uff41\uff52", True),
    ("Cedar", "super-cedar-wood", "cedar", True),
    ("Cedar", "bergce-dar", "bergce-dar", False),
    ("Fig", "a figure", "figure", False),
    ("\u6a80\u9999", "\u6a80\u9999\u8721", "\u6a80\u9999\u8721", False),  # sandalwood wax
    ("\uc7a5\ubbf8", "\uc7a5\ubbf8\ub97c", "\uc7a5\ubbf8\ub97c", False),  # a rose
])
def test_a_name_is_found(name, text, shown, whole):
    (hit,) = Guard(names=(name,)).hits(text)
    assert (hit.shown, hit.whole) == (shown, whole)


@pytest.mark.parametrize("name, text", [
    ("Cedar", "spice dark"), ("Ash", "as high"), ("Amber", "am berg"), ("A1", "A12"),
    ("P01-1", "P01-10"), ("Cedar", "ced"),
])
def test_what_only_looks_like_it_is_let_be(name, text):
    assert Guard(names=(name,)).hits(text) == ()


def test_a_word_that_was_decided_is_let_be():
    guard = Guard(names=("Fig",), may_stay=("Figure",))
    assert guard.hits("figure") == () and guard.hits("figs")


@pytest.mark.parametrize("data", [
    b"<p>ce&#100;ar</p>", b'{"a": "\\u0063edar"}', b"href=%63edar",
])
def test_entities_and_escapes_are_read(data):
    assert Guard(names=("Cedar",)).told_by(readings(data))


def test_the_pixels_of_a_photo_are_no_words():
    data = b'<img src="data:image/jpeg;base64,/9jcedar/" alt="piece 123">'
    assert Guard(names=("Cedar",)).told_by(readings(data)) == []


def test_words_of_the_kit_itself_tell_nothing():
    guard = Guard(names=("Fig", "Rain", "Heat"))
    assert guard.told_by("<figure>, after heat") == []
    assert [h.shown for h in guard.told_by("figgy, rainy")] == ["figgy", "rainy"]


@pytest.mark.parametrize("example", ["cedar", "cedarwood", "smoke", "quince", "fig"])
def test_examples_of_fragrances_are_no_words_of_the_kit(example):
    assert Guard(names=(example[:4],)).told_by(f"{example}{'' if len(example) > 4 else 'y'}")


def test_what_nobody_has_decided_is_shown(series):
    title = "Our Zedernrauchkerze, a figure of eight"
    notes = series.pours["note"].astype(object).copy()
    notes.iloc[0] = "stirred in a figure of eight"
    series = dataclasses.replace(
        series, title=title, fragrance="Zedernrauch Fig", plan=None,
        pours=series.pours.assign(note=notes),
    )
    with pytest.raises(UndecidedError) as error:
        redact(series, Choices(hide_fragrance=True))
    assert error.value.undecided == ("Zedernrauchkerze", "figure")
    shared, held = redact(series, Choices(
        hide_fragrance=True, also_hide=("Zedernrauchkerze",), may_stay=("figure",)
    ))
    assert shared.title == "Our [not shared], a figure of eight"
    assert shared.pours["note"].iloc[0] == "stirred in a figure of eight"


def test_a_name_in_a_blend_is_shown_and_never_decided_silently(series):
    series = dataclasses.replace(series, fragrance=f"{series.blends['blend'].iloc[0]} linen",
                                 plan=None)
    with pytest.raises(UndecidedError, match="in the blend"):
        redact(series, Choices(hide_fragrance=True))


def test_a_name_that_is_not_on_record_is_asked_for(series):
    """Nothing finds it in title, names and notes, so each stays only when the maker says so."""
    notes = series.pours["note"].astype(object).copy()
    notes.iloc[0] = "Cedar settled"
    series = dataclasses.replace(series, title="Cedar in wax", fragrance="", plan=None,
                                 pours=series.pours.assign(note=notes))
    with pytest.raises(UndecidedError, match="^the fragrance's name is not") as error:
        redact(series, Choices(hide_fragrance=True))
    assert "  'Cedar in wax' in the title\n  'Cedar settled' in a note\n" in str(error.value)
    every = error.value.undecided
    assert {"Cedar in wax", "Cedar settled", *series.blends["blend"]} < {*every}
    with pytest.raises(UndecidedError) as error:  # one that is hidden whole names nothing
        redact(series, Choices(hide_fragrance=True, also_hide=every[:1]))
    assert error.value.undecided == every[1:]
    shared, _ = redact(series, Choices(hide_fragrance=True, also_hide=("cedar",)))
    assert (shared.title, shared.pours["note"].iloc[0]) == (
        "[not shared] in wax", "[not shared] settled")
    shared, _ = redact(series, Choices(hide_fragrance=True, may_stay=every))
    assert shared.title == "Cedar in wax"


@pytest.mark.parametrize("name, title, shared", [
    ("\u6a80\u9999 no 7", "\u6a80\u9999 in wax", "[not shared] in wax"),
    ("", "\u6a80\u9999", None),
])
def test_a_name_of_two_signs_is_hidden_or_asked_for(series, name, title, shared):
    """In Chinese, Japanese or Korean two signs name a fragrance."""
    series = dataclasses.replace(series, title=title, fragrance=name, plan=None)
    if shared:
        assert redact(series, Choices(hide_fragrance=True))[0].title == shared
    else:
        with pytest.raises(UndecidedError, match="not on record") as error:
            redact(series, Choices(hide_fragrance=True))
        assert title in error.value.undecided


def test_the_anchor_of_a_blend_that_is_left_out_stays_at_home(series):
    blend, pour = series.pours[["blend", "pour"]].iloc[0]
    series = dataclasses.replace(series, plan=series.plan | {"anchor_pour": pour})
    assert redact(series, Choices(leave_out=(blend,)))[0].plan["anchor_pour"] == ""
    assert redact(series, Choices(hide_costs=True))[0].plan["anchor_pour"] == pour
