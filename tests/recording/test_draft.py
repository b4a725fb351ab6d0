"""Drafts: whole or not there, and an error that says what to do."""

import os

import pytest

from scentlab.recording.draft import (
    DRAFT_NAME,
    DraftError,
    draft_path,
    drafted,
    keep_draft,
    read_draft,
)


def test_what_was_kept_comes_back(tmp_path):
    assert read_draft(tmp_path) == {}
    keep_draft(tmp_path, {"series": {"title": "wärm <é>"}})
    keep_draft(tmp_path, {"series": {"title": "later"}, "waxes": [""]})
    assert read_draft(tmp_path) == {"series": {"title": "later"}, "waxes": [""]}
    assert [p.name for p in tmp_path.iterdir()] == [DRAFT_NAME]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_write_that_breaks_off_leaves_the_draft_before(tmp_path, monkeypatch, step):
    keep_draft(tmp_path, {"title": "before"})

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, full)
    with pytest.raises(DraftError) as error:
        keep_draft(tmp_path, {"title": "after"})
    assert str(error.value) == (
        "what you type is only on this page: the disk of the folder is full; nothing was half "
        "written. Make room and try again"
    )
    assert read_draft(tmp_path) == {"title": "before"}
    assert [p.name for p in tmp_path.iterdir()] == [DRAFT_NAME]


@pytest.mark.parametrize("text", ["{", "[]", '{"format": 9, "draft": {}}', '{"format": 1}'])
def test_a_damaged_draft_is_told_and_left_alone(tmp_path, text):
    path = tmp_path / DRAFT_NAME
    path.write_text(text)
    with pytest.raises(DraftError, match="rename it to start from the kept plan"):
        read_draft(tmp_path)
    assert path.read_text() == text


def test_a_form_with_a_name_has_a_draft_of_its_own(tmp_path):
    keep_draft(tmp_path, {"title": "a plan"})
    keep_draft(tmp_path, {"cells": {}}, "paper-A2")
    assert read_draft(tmp_path) == {"title": "a plan"}
    assert read_draft(tmp_path, "paper-A2") == {"cells": {}} and read_draft(tmp_path, "A3") == {}
    assert draft_path(tmp_path, "paper-A2").name == "draft-paper-A2.json"
    draft_path(tmp_path, "paper-A2").write_text("{")
    with pytest.raises(DraftError, match="rename it to start from an empty form$"):
        read_draft(tmp_path, "paper-A2")
    with pytest.raises(DraftError, match="give letters, digits and - only"):
        keep_draft(tmp_path, {}, "../plan")


def test_a_damaged_draft_keeps_nobody_from_its_form_and_is_told_once_something_is_typed(tmp_path):
    draft_path(tmp_path, "pours").write_text("{")
    form = drafted(tmp_path, "pours")
    assert form["draft"] == {} and form["on_change"]({}) is None
    with pytest.raises(DraftError, match="rename it to start from an empty form$"):
        form["on_change"]({"wax_g": "200"})
    assert draft_path(tmp_path, "pours").read_text() == "{"
    draft_path(tmp_path, "pours").unlink()
    drafted(tmp_path, "pours")["on_change"]({"wax_g": "200"})
    assert drafted(tmp_path, "pours")["draft"] == {"wax_g": "200"}
