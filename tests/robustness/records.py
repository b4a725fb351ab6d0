"""Hard trials of the record: kill -9, a full disk, damaged files. Each trial gives one word:
handled, badly (a traceback, or words that do not help) or lost (what was acknowledged is gone or
changed without a word)."""

import contextlib
import io
import json
import os
import random
import resource
import shutil
import signal
import sqlite3
import time

from scentlab.cli import main
from scentlab.recording.store import FILE_NAME, Store, StoreError

HANDLED, BADLY, LOST = "handled", "badly", "lost"
POUR = {"pour": "P01", "pot": "A", "blend": "soft mix", "poured_on": "2026-03-01", "wax_g": 200.0,
        "fragrance_g": 18.0}
CODES = [str(n) for n in range(100, 140)]
# A few rows of every other table.
OTHERS = {
    "throws": [{"code": c, "assessor": "A1", "sitting": "S1", "kind": "cold", "throw": 5.5}
               for c in CODES[:9]],
    "bleeds": [{"code": c, "bleed_mg": 12.5, "hours": 24, "temp_c": 40} for c in CODES[:5]],
    "warmings": [{"code": CODES[0], "hours": h, "weight_g": 25 - h / 5} for h in range(9)],
    "pairs": [{"first": a, "second": b, "assessor": "A1", "sitting": "Q1", "kind": "warm",
               "stronger": "first"} for a, b in zip(CODES[:9], CODES[1:10], strict=True)],
    "heats": [{"started_on": f"2026-03-0{day}", "low_c": 37, "high_c": 39, "hours": 12,
               "cycles": 1, "pack": "open"} for day in range(1, 4)],
}


def make_store(folder, scores=0):
    """A store with a plan, a pour, forty pieces and so many grades."""
    store = Store.create(folder)
    store.save_plan({
        "title": "trial", "pours": [{"pour": "P01", "pot": "A", "blend": "soft mix"}],
        "pieces": [{"code": c, "pour": "P01", "test": "sweat"} for c in CODES],
    })
    store.add("pours", POUR)
    store.add_all({"grades": [a_grade(n) for n in range(scores)]})
    if scores:
        store.add_all({name: rows for name, rows in OTHERS.items()})
    return store


def a_grade(number):
    return {"code": CODES[number % 40], "test": "sweat", "stress": "rest",
            "age_days": float(number // 40), "assessor": "A1", "grade": number % 5}


def command(*words):
    """Run a command: its code (None for an exception that nobody caught) and all that it said."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        try:
            code = main([str(w) for w in words])
        except SystemExit as stop:
            code = stop.code
        except BaseException as error:  # whatever comes is what a person would see
            return None, f"{type(error).__name__}: {error}"
    return code, out.getvalue()


# ---- kill -9 and a full disk --------------------------------------------------------------------


def in_a_child(work):
    """Run work(tell) in a process of its own; returns its id and the end to read from."""
    inside, outside = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(inside)
            work(lambda words: os.write(outside, f"{words}\n".encode()))
        finally:
            os._exit(0)
    os.close(outside)
    return child, inside


def kills(place, rounds, seconds, seed=1):
    """kill -9 while scores are stored one by one; returns the words and the number acknowledged."""
    chance, started, words, told = random.Random(seed), time.monotonic(), [], 0
    folder, number, known = place / "kills", 0, set()
    make_store(folder)
    for _ in range(rounds):
        if time.monotonic() - started > seconds:
            break

        def work(tell, first=number):
            store = Store.open(folder)
            for n in range(first, first + 10_000):
                tell(store.add("grades", a_grade(n)).key)

        child, inside = in_a_child(work)
        with os.fdopen(inside) as acknowledged:
            for _ in range(chance.randrange(1, 25)):
                known.add(acknowledged.readline().strip())
                number += 1
            time.sleep(chance.random() / 200)
            os.kill(child, signal.SIGKILL)
            rest = acknowledged.read().split("\n")[:-1]
        os.waitpid(child, 0)
        known |= set(rest)
        number += len(rest) + 1  # one more may be stored and not told
        words.append(_all_there(folder, known))
        told = len(known - {""})
    return words, told


def _all_there(folder, keys):
    try:
        store = Store.open(folder)
        stored = set(store.rows("grades")["key"])
    except StoreError:
        return BADLY
    return HANDLED if keys - {""} <= stored else LOST


def disks_full(place, trials, seed=2):
    """A file that may not grow further while scores are stored, single or many at once."""
    chance, words = random.Random(seed), []
    for trial in range(trials):
        folder = place / f"full-{trial}"
        make_store(folder)
        most = (folder / FILE_NAME).stat().st_size + chance.randrange(0, 60_000)

        def work(tell, folder=folder, most=most, many=trial % 2):
            store = Store.open(folder)
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
            try:
                for n in range(0, 4_000, 200 if many else 1):
                    rows = [a_grade(n + i) for i in range(200 if many else 1)]
                    tell(" ".join(r.key for r in store.add_all({"grades": rows})["grades"]))
            except StoreError as error:
                tell(f"! {error}")
            except BaseException as error:
                tell(f"? {error!r}")

        child, inside = in_a_child(work)
        with os.fdopen(inside) as said:
            lines = said.read().split("\n")[:-1]
        os.waitpid(child, 0)
        keys = {k for line in lines if line[:1] not in "!?" for k in line.split()}
        word = _all_there(folder, keys)
        words.append(BADLY if word == HANDLED and not lines[-1].startswith("!") else word)
        shutil.rmtree(folder)
    return words


# ---- damaged files ------------------------------------------------------------------------------


def _sql(*statements):
    def damage(path):
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as raw:
            raw.execute("PRAGMA ignore_check_constraints = ON")
            names = raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
            for (name,) in names:
                raw.execute(f'DROP TRIGGER "{name}"')
            for statement in statements:
                raw.execute(statement)
    return damage


def _flipped(seed):
    """One byte changed somewhere behind the header of the file."""
    def damage(path):
        chance, data = random.Random(seed), bytearray(path.read_bytes())
        place = chance.randrange(100, len(data))
        data[place] ^= 1 << chance.randrange(8)
        path.write_bytes(data)
    return damage


def _page(seed, fill):
    """A page of the file filled with one byte."""
    def damage(path):
        data = bytearray(path.read_bytes())
        page = random.Random(seed).randrange(1, len(data) // 4096)
        data[4096 * page:4096 * (page + 1)] = bytes([fill]) * 4096
        path.write_bytes(data)
    return damage


def _cut(share):
    def damage(path):
        data = path.read_bytes()
        path.write_bytes(data[: int(share * len(data))])
    return damage


def _plan(document):
    return _sql("UPDATE plan SET document = '{}'".format(document.replace("'", "''")))


PLANS = ["{", "", "null", "[]", "3", '"plan"', '{"pours": 3}', '{"pours": [3]}',
         '{"pours": [{"pot": "A"}]}', '{"pieces": {}}', '{"pieces": [{"code": 417}]}',
         '{"smellings": [{"code": "417"}]}', '{"blends": [{"name": "x"}]}', '{"assessors": "A1"}',
         '{"fragrance": []}', '{"pours": [{"pour": "P01", "poured_on": "soon"}]}',
         '{"title": ["a"]}', "[" * 5000]
VERSIONS = ["", "x", "-1", "0", "3", "3.5", "1e3", "99999999999", "999", "NULL", "٣"]
CELLS = [
    "UPDATE grades SET assessor = CAST(x'41ff' AS TEXT) WHERE entry_id = 7",
    "UPDATE pours SET note = CAST(x'ff' AS TEXT)",
    "UPDATE pours SET poured_on = 'soon'", "UPDATE pours SET poured_on = '0026-01-01'",
    "UPDATE pours SET wax_g = 'many'", "UPDATE pours SET wax_g = -3",
    "UPDATE pours SET blend = x'00ff'", "UPDATE grades SET grade = 9 WHERE entry_id = 7",
    "UPDATE grades SET grade = 'two' WHERE entry_id = 7",
    "UPDATE grades SET saved_at = 'then' WHERE entry_id = 7",
    "UPDATE grades SET code = '41x' WHERE entry_id = 7",
    "UPDATE grades SET code = '999' WHERE entry_id = 7",
    "UPDATE grades SET replaces = 'x' WHERE entry_id = 7",
    "UPDATE pieces SET pour = '../..' WHERE code = '105'",
    "DROP TABLE grades", "DROP TABLE plan", "DROP TABLE about", "DELETE FROM about",
    "ALTER TABLE grades RENAME COLUMN grade TO sweat", "ALTER TABLE throws DROP COLUMN minutes",
    "DROP TABLE pieces", "DROP TABLE heats", "DROP TABLE pairs",
    "UPDATE heats SET low_c = 99", "UPDATE heats SET started_on = 'soon'",
    "UPDATE heats SET high_c = 12", "UPDATE pairs SET stronger = 'both' WHERE entry_id = 2",
    "UPDATE warmings SET weight_g = -1 WHERE entry_id = 2",
    "UPDATE bleeds SET bleed_mg = 'much' WHERE entry_id = 2",
]


def damages():
    """Every damage by name: a callable of the path of series.sqlite."""
    found = {f"plan {p[:40]}": _plan(p) for p in PLANS}
    for version in VERSIONS:
        value = version if version == "NULL" else f"'{version}'"
        found[f"version {version}"] = _sql(
            "PRAGMA writable_schema = ON", f"UPDATE OR IGNORE about SET value = {value} "
            "WHERE name = 'version'")
    found |= {cell: _sql(cell) for cell in CELLS}
    for name, new in {"a column's name": "'age_dayz'", "no text": "CAST(x'c9' AS TEXT)"}.items():
        found[f"layout, {name}"] = _sql(
            "PRAGMA writable_schema = ON", "UPDATE sqlite_master SET sql = replace(sql, "
            f"'age_days', {new}) WHERE tbl_name = 'grades'")
    found |= {f"a bit in byte {n}": _flipped(n) for n in range(200)}
    found |= {f"page {n} of {f}": _page(n, f) for n in range(8) for f in (0, 255)}
    found |= {f"cut at {share}": _cut(share) for share in (0.0, 0.001, 0.1, 0.5, 0.9, 0.99)}
    found["a text"] = lambda path: path.write_text("dear diary")
    found["a zip"] = lambda path: path.write_bytes(b"PK\x03\x04" + bytes(2000))
    found["another program's"] = lambda path: (path.unlink(), sqlite3.connect(path).execute(
        "CREATE TABLE about (a)").connection.close())
    found["a folder"] = lambda path: (path.unlink(), path.mkdir())
    return found


def damaged(place, most=None):
    """Words per damage: the record is exported as it was, or refused in a sentence with a way out.

    ``lost``: exported with return code 0 and other than it was, or with another plan or title.
    """
    whole = place / "whole"
    make_store(whole, 400)
    with contextlib.closing(sqlite3.connect(whole / FILE_NAME)) as raw:
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        raw.execute("PRAGMA journal_mode = DELETE")
    command("export", whole, "--out", place / "right")
    right, words = (_texts(place / "right"), _about(whole)), {}
    for number, (name, damage) in enumerate(list(damages().items())[:most]):
        folder = place / f"damaged-{number}"
        folder.mkdir()
        shutil.copyfile(whole / FILE_NAME, folder / FILE_NAME)
        try:
            damage(folder / FILE_NAME)
        except sqlite3.Error:
            continue  # SQLite itself does not let it be done
        words[name] = _judge(folder, place / f"out-{number}", right)
        shutil.rmtree(folder)
    return words


def _judge(folder, out, right):
    code, said = command("export", folder, "--out", out)
    if code == 0:
        return HANDLED if (_texts(out), _about(folder)) == right else LOST
    if code == 1:
        return HANDLED if "The record is damaged" in said else BADLY
    if code is None or not 20 < len(said) < 1000 or list(out.glob("*")):
        return BADLY
    if not (folder / FILE_NAME).is_file():
        return HANDLED
    code, said = command("export", folder, "--out", out / "whole", "--whole-rows")
    if code not in (0, 1, 2):
        return BADLY
    saved, right = _texts(out / "whole") if code != 2 else {}, right[0]
    # What was saved is of what there was, and what is not there is told.
    for name, lines in saved.items():
        if not set(lines) <= set(right.get(name, ())) and code == 0:
            return LOST
    return LOST if code == 0 and saved != right else HANDLED


def _about(folder):
    store = Store.open(folder)
    return store.plan(), store.about()


def _texts(folder):
    return {p.name: sorted(p.read_text(encoding="utf-8").splitlines())
            for p in folder.glob("*.csv")}


def plain(words):
    """Number tried, handled, badly and lost of a list or dict of words."""
    found = list(words.values() if isinstance(words, dict) else words)
    return len(found), *(found.count(word) for word in (HANDLED, BADLY, LOST))


def said(words):
    """What did not go well, as JSON for a look."""
    return json.dumps({k: v for k, v in words.items() if v != HANDLED}, ensure_ascii=False)
