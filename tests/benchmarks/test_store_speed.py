"""Speed of the store as a ratio within one run, on the processor's time.

    python -m pytest -m benchmark -s tests/benchmarks/test_store_speed.py
"""

import sqlite3
import time

import pytest

from scentlab.panel.scoring import Panel
from scentlab.recording.progress import known_assessors, see_progress, waiting
from scentlab.recording.store import FILE_NAME, Store

pytestmark = pytest.mark.benchmark
CODES = [str(n) for n in range(100, 1000)]
MOMENT = "2026-03-20T10:00:00.000000+00:00"
INSERT = ("INSERT INTO grades (key, saved_at, code, test, stress, age_days, assessor, grade) "
          "VALUES (?, ?, ?, ?, ?, ?, ?, ?)")


@pytest.fixture
def store(tmp_path):
    store = Store.create(tmp_path / "s")
    store.add("pours", {"pour": "P01", "pot": "A", "blend": "mix", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18})
    store.add_all({"pieces": [{"code": c, "pour": "P01", "test": "sweat"} for c in CODES]})
    return store


def grades(assessor, tests=("sweat", "frost")):
    return [{"code": c, "test": t, "stress": "rest", "age_days": 7.0, "assessor": assessor,
             "grade": n % 5} for n, c in enumerate(CODES) for t in tests]


def bare(path, rows, name):
    values = [(f"{name}{n}", MOMENT, *(r[k] for k in (
        "code", "test", "stress", "age_days", "assessor", "grade"))) for n, r in enumerate(rows)]
    raw = sqlite3.connect(path, isolation_level=None)
    raw.execute("PRAGMA synchronous=FULL")
    start = time.process_time()
    raw.execute("BEGIN IMMEDIATE")
    raw.executemany(INSERT, values)
    raw.execute("COMMIT")
    took = time.process_time() - start
    raw.close()
    return took


def test_1800_grades_cost_at_most_ten_times_the_bare_rows(store):
    store.add_all({"grades": grades("A1")})
    ratios = []
    for n in range(2, 7):
        rows = grades(f"A{n}")
        start = time.process_time()
        store.add_all({"grades": rows})
        ours = time.process_time() - start
        theirs = bare(store.folder / FILE_NAME, grades(f"B{n}"), f"b{n}-")
        ratios.append(ours / theirs)
    print(f"\nadd_all against executemany: {', '.join(f'{r:.1f}' for r in ratios)} times")
    assert sorted(ratios)[2] < 10


def test_no_page_waits_a_second_with_a_hundred_thousand_grades(store):
    for n in range(56):
        bare(store.folder / FILE_NAME, grades(f"A{n + 1}"), f"a{n}-")
    store.save_plan({
        "assessors": [f"A{n}" for n in range(1, 13)],
        "pours": [{"pour": "P01", "pot": "A", "blend": "mix", "poured_on": "2026-03-01"}],
        "pieces": [{"code": c, "pour": "P01", "test": "sweat", "due_on": "2026-03-08"}
                   for c in CODES],
    })
    panel = Panel(store, looks_per_piece=60)
    steps = {
        "opened": lambda: Store.open(store.folder),
        "what waits": lambda: waiting(store, "A60", "sweat"),
        "the phone's first page": lambda: [panel.items(a) for a in known_assessors(store)],
        "a tester's page": lambda: (panel.items("A3"), panel.scored("A3")),
        "progress": lambda: see_progress(store),
        "one more": lambda: store.add("grades", {"code": "100", "test": "sweat", "grade": 1,
                                                 "assessor": "A99"}),
    }
    for name, step in steps.items():
        start = time.process_time()
        step()
        took = time.process_time() - start
        print(f"\n{name}: {took:.2f} s")
        assert took < 1.0, name
