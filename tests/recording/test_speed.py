"""Times and faults at full size; run with ``-m benchmark``."""

import json
import random
import sqlite3
import statistics
import subprocess
import sys
import textwrap
import threading
import time

import pytest

from scentlab.recording.progress import see_progress, waiting
from scentlab.recording.store import FILE_NAME, Store

pytestmark = pytest.mark.benchmark
ASSESSORS = [f"A{n}" for n in range(1, 9)]


def a_plan(pieces):
    codes = [str(100 + n) for n in range(pieces)]
    return {
        "title": "speed", "assessors": ASSESSORS,
        "pours": [{"pour": "P1", "pot": "A", "blend": "mix", "poured_on": "2026-03-01",
                   "load_pct": 9.0}],
        "pieces": [{"code": c, "pour": "P1", "test": "sweat", "stress": "rest",
                    "due_on": "2026-03-08"} for c in codes],
    }


@pytest.fixture
def store(folder):
    store = Store.create(folder)
    store.save_plan(a_plan(120))
    store.add("pours", {"pour": "P1", "pot": "A", "blend": "mix", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18})
    return store


def timed(action):
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


PHONES = [f"A{n}" for n in range(1, 13)]


@pytest.mark.parametrize("pause_s", [0.25, 0.0])  # a tester looks at a piece for longer than either
def test_twelve_phones_are_acknowledged_in_the_time_of_twenty_empty_requests(folder, pause_s):
    """The 99th percentile of a score against that of a request for nothing, in one run."""
    from http.client import HTTPConnection

    store = Store.create(folder)
    store.save_plan({**a_plan(120), "assessors": PHONES})
    script = (
        "import sys; from scentlab.panel.server import serve;"
        "serve(sys.argv[1], looks_per_piece=12,"
        "announce=lambda text: print(text.splitlines()[0], flush=True))"
    )
    server = subprocess.Popen([sys.executable, "-c", script, str(folder)],
                              stdout=subprocess.PIPE, text=True)
    _, _, host, token, _ = server.stdout.readline().split()[-1].split("/")
    times = {"alive": [], "save": []}

    def score(assessor):
        connection = HTTPConnection(host, timeout=30)
        for n in range(60):
            body = {"key": f"{assessor}-key-{n}", "assessor": assessor, "code": str(100 + n),
                    "test": "sweat", "value": n % 5}
            for path, said in (("alive", {}), ("save", body)):
                start = time.perf_counter()
                connection.request("POST", f"/{token}/{path}", json.dumps(said),
                                   {"Content-Type": "application/json"})
                answer = connection.getresponse()
                answer.read()
                times[path].append(time.perf_counter() - start)
                assert answer.status == 200
            time.sleep(pause_s)

    try:
        threads = [threading.Thread(target=score, args=(a,)) for a in PHONES]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    finally:
        server.terminate()
        server.wait(20)
        server.stdout.close()
    assert len(store.rows("grades")) == 720
    last = {path: statistics.quantiles(found, n=100)[-1] for path, found in times.items()}
    print(f"\nscore: median {1000 * statistics.median(times['save']):.0f} ms, 99 % under "
          f"{1000 * last['save']:.0f} ms; empty request: {1000 * last['alive']:.0f} ms; "
          f"ratio {last['save'] / last['alive']:.1f}")
    assert last["save"] <= 20 * last["alive"]


def test_a_form_for_120_pieces_opens_in_time(store):
    from scentlab.forms.scores import GradeForm

    took = timed(lambda: GradeForm(waiting(store, "A1", "sweat"), "sweat", "A1", print))
    print(f"\nform for 120 pieces: {took:.2f} s")
    assert took < 3


def test_a_million_stored_scores_still_open_in_time(store, folder):
    rows = (
        (f"k{n}", "2026-03-20T10:00:00.000000+00:00", str(100 + n % 120), "sweat", "rest",
         float(n // 960), ASSESSORS[n // 120 % 8], n % 5)
        for n in range(1_000_000)
    )
    with sqlite3.connect(folder / FILE_NAME) as raw:
        raw.executemany(
            "INSERT INTO grades (key, saved_at, code, test, stress, age_days, assessor, grade) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)
    raw.close()
    steps = {
        "open": lambda: Store.open(folder),
        "what waits": lambda: waiting(store, "A1", "sweat"),
        "progress": lambda: see_progress(store),
        "one more": lambda: store.add("grades", {"code": "100", "test": "sweat", "grade": 1,
                                                 "assessor": "A9"}),
    }
    took = {name: timed(step) for name, step in steps.items()}
    print("\na million scores: " + ", ".join(f"{k} {v:.2f} s" for k, v in took.items()))
    print(f"all rows as a frame {timed(lambda: store.rows('grades')):.1f} s")
    assert max(took.values()) < 3


WRITER = """
    import sys
    from scentlab.recording.store import Store
    store = Store.open(sys.argv[1])
    for age in range(int(sys.argv[3])):
        row = dict(code="100", test="sweat", age_days=age, assessor=sys.argv[2], grade=age % 5)
        print(store.add("grades", row).key, flush=True)
"""


def test_ten_rounds_of_kill_9_lose_no_acknowledged_score(tmp_path):
    chance = random.Random(5)
    for number in range(10):
        store = Store.create(tmp_path / f"s{number}")
        store.save_plan(a_plan(1))
        writers = [
            subprocess.Popen([sys.executable, "-c", textwrap.dedent(WRITER), str(store.folder), a,
                              "500"], stdout=subprocess.PIPE, text=True)
            for a in ASSESSORS
        ]
        victim = writers[number % 8]
        for _ in range(chance.randrange(1, 100)):
            victim.stdout.readline()
        victim.kill()
        acknowledged = set()
        for writer in writers:
            told = writer.communicate(timeout=300)[0]
            acknowledged |= set(told[: told.rfind("\n") + 1].split())
        stored = set(store.rows("grades")["key"])
        assert acknowledged <= stored
        assert 7 * 500 <= len(stored) < 8 * 500
        assert store.check() == ()
