"""Scores that wait for their turn are stored together, and each has an answer of its own."""

import sqlite3
import threading

import pytest

from scentlab.panel.turns import Turns
from scentlab.recording.store import RefusedError, Store, StoreError

POUR = {"pot": "A", "blend": "soft", "poured_on": "2026-03-01", "wax_g": 200, "fragrance_g": 12}


@pytest.fixture
def store(tmp_path):
    return Store.create(tmp_path / "series")


def together(store, actions):
    """The answers of actions that all wait while the first one has its turn."""
    turns, inside, go = Turns(store), threading.Event(), threading.Event()
    answers, began = {}, []

    def first():
        inside.set()
        go.wait(20)

    def run(name, action):
        try:
            answers[name] = turns.take(action)
        except Exception as error:
            answers[name] = error

    threads = [threading.Thread(target=run, args=("first", first))]
    threads[0].start()
    assert inside.wait(20)
    for name, action in actions.items():
        threads.append(threading.Thread(target=run, args=(name, action)))
        threads[-1].start()
    while len(turns._waiting) < len(actions):
        began.append(1)
        threading.Event().wait(0.001)
        assert len(began) < 20_000
    go.set()
    for thread in threads:
        thread.join(20)
    return answers


def adding(store, *pours):
    def action():
        for pour in pours:
            receipt = store.add("pours", {"pour": pour, **POUR})
        return receipt.entry_id
    return action


def test_those_who_wait_are_stored_with_one_write(store, monkeypatch):
    begun = []
    own = Store._writing
    monkeypatch.setattr(Store, "_writing", lambda self: (
        begun.append(getattr(self._own, "connection", None)), own(self))[1])
    answers = together(store, {n: adding(store, n) for n in ("P1", "P2", "P3", "P4")})
    assert begun.count(None) == 2  # the first, and all the others
    assert answers.pop("first") is None and sorted(answers.values()) == [1, 2, 3, 4]
    assert {n: store.entry("pours", i)["pour"] for n, i in answers.items()} == {
        n: n for n in answers}
    assert store.check() == ()


def test_a_refused_one_leaves_the_others_and_nothing_of_its_own(store):
    store.add("pours", {"pour": "P1", **POUR})
    answers = together(store, {"P2": adding(store, "P2"), "twice": adding(store, "P9", "P1"),
                               "P3": adding(store, "P3")})
    assert isinstance(answers["twice"], RefusedError)
    assert sorted(store.rows("pours")["pour"]) == ["P1", "P2", "P3"]


def test_a_fault_fails_alone_and_is_told(store):
    def broken():
        store.add("pours", {"pour": "P8", **POUR})
        raise KeyError("a fault of ours")

    answers = together(store, {"P2": adding(store, "P2"), "broken": broken,
                               "P3": adding(store, "P3")})
    assert isinstance(answers["broken"], KeyError)
    assert sorted(store.rows("pours")["pour"]) == ["P2", "P3"]


def test_what_cannot_be_written_is_told_to_all_and_stored_for_none(store, monkeypatch):
    class Full:
        def __init__(self, connection):
            self._connection = connection

        def __getattr__(self, name):
            return getattr(self._connection, name)

        def execute(self, words, *values):
            if words == "COMMIT":
                error = sqlite3.OperationalError("database or disk is full")
                error.sqlite_errorname = "SQLITE_FULL"
                raise error
            return self._connection.execute(words, *values)

    own = Store._connect
    monkeypatch.setattr(Store, "_connect", lambda self: Full(own(self)))
    answers = together(store, {"P2": adding(store, "P2"), "P3": adding(store, "P3")})
    monkeypatch.undo()
    for name in ("P2", "P3"):
        assert isinstance(answers[name], StoreError) and "is full" in str(answers[name])
    assert store.rows("pours").empty
