"""Hard trials of what comes from outside: bad files to import and hostile packages to open.

Each trial gives one word: handled, badly (a traceback, a control character on the terminal, or
seconds of silence) or lost (half of a file stored, or something written that nobody asked for).
"""

import copy
import importlib.util
import io
import json
import time
import zipfile
from pathlib import Path

import openpyxl
from records import BADLY, HANDLED, LOST, command

from scentlab.recording.records import RECORDS
from scentlab.recording.store import Store

MOST_SECONDS = 20.0  # of a busy machine; a second on an idle one

POURS = "pour,pot,blend,poured_on,wax_g,fragrance_g\nP01,A,soft,2026-03-01,200,18\n"
PIECES = "code,pour,age_days,assessor,sweat_grade\n417,P01,2,A1,0\n418,P01,2,A2,3\n"
THROWS = "code,assessor,sitting,kind,throw\n417,A1,S1,cold,5\n418,A2,S1,cold,6.5\n"
WARMINGS = "code,hours,weight_g\n417,0,25.2\n417,4,24.1\n"
PAIRS = "first,second,assessor,sitting,kind,stronger\n417,418,A1,Q1,warm,first\n"
HEATS = "started_on,low_c,high_c,hours,cycles\n2026-03-02,37,39,12,3\n"
# Column, and cells that cannot be.
CELLS = {
    "pours": {
        "pour": ("", "a b", "-1", "P/01", "\x1b[31m", "P" * 50, "=cmd()", "..", "P01\u200b"),
        "pot": ("", "?", "a\tb"),
        "blend": ("", "s\u202eoft", "x" * 90, "so\x00ft"),
        "poured_on": ("", "14.03.2026", "2026-13-01", "0026-03-01", "1926-03-01", "soon",
                      "2026-02-30", "20260301", "2126-01-01"),
        "wax_g": ("", "0", "-5", "1e9", "nan", "inf", "200 g", "20O", "1,200", "1.200.000",
                  "=1+1", "٢٠٠x", "0x10"),
        "fragrance_g": ("", "-1", "118", "9,5", "ten", "1e999"),
    },
    "pieces": {
        "code": ("", "41", "4177", "41x", "４１７", "=417", "1e2"),
        "pour": ("", "P99", "P01-1"),
        "age_days": ("-1", "4000", "two", "nan"),
        "assessor": ("Anna", "1A", "A1234", "A1\x1b"),
        "sweat_grade": ("5", "-1", "2.5", "wet", "TRUE"),
    },
    "throws": {
        "code": ("", "999", "abc"), "assessor": ("", "Anna"), "sitting": ("", "a b", "S\u2066"),
        "kind": ("", "lukewarm"), "throw": ("", "11", "-1", "five", "nan"),
    },
    "warmings": {"code": ("", "999"), "hours": ("", "-1", "1e9"), "weight_g": ("0", "heavy", "")},
    "pairs": {"first": ("", "999"), "second": ("999",), "stronger": ("", "both", "third"),
              "kind": ("lukewarm",)},
    "heats": {"started_on": ("", "soon", "1926-03-01", "2099-01-01"), "low_c": ("", "40", "-99"),
              "high_c": ("", "hot"), "hours": ("0", "99"), "cycles": ("0", "1.5", "many")},
}
GOOD = {"pours": POURS, "pieces": PIECES, "throws": THROWS, "warmings": WARMINGS, "pairs": PAIRS,
        "heats": HEATS}


def imports():
    """Every bad import by name: a callable of a folder that gives the files by table."""
    found = {}
    for table, columns in CELLS.items():
        for column, cells in columns.items():
            for cell in cells:
                found[f"{table}, {column} = {cell!r}"] = _with_cell(table, column, cell)
    for table, text in GOOD.items():
        head, *rows = text.splitlines()
        names = head.split(",")
        for name in names[:2]:
            found[f"{table} without {name}"] = _texts(
                **{table: text.replace(name, "other", 1)})
        found |= {
            f"{table}, {what}": _texts(**{table: bad}) for what, bad in {
                "empty": "", "no rows": head + "\n", "a blank line": "\n",
                "a row twice": text + rows[0] + "\n", "a cell too many": text + rows[0] + ",x\n",
                "a cell too few": text + rows[0].rpartition(",")[0] + "\n",
                "an open quote": text + '"' + rows[0] + "\n",
                "a column twice": text.replace(names[1], names[0], 1),
                "10,000 columns": ",".join([head, *(f"c{n}" for n in range(10_000))]) + "\n",
                "300,000 rows": head + "\n" * 300_000,
                "zero bytes": text.replace(",", ",\x00", 1),
            }.items()
        }
        for what, data in {
            "UTF-16": text.encode("utf-16"), "Latin-1": text.encode("latin-1") + b"s\xfc\xdf,",
            "a picture": b"\x89PNG\r\n\x1a\n" + bytes(300), "a zip": _zip(b"x"),
            "an old XLS": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600),
            "half a workbook": _workbook(GOOD[table])[:3000],
        }.items():
            found[f"{table}, {what}"] = _bytes(table, data)
    found["a folder"] = lambda place: {"pours": place}
    found["no such file"] = lambda place: {"pours": place / "none.csv"}
    found |= {f"workbook, {name}": _book(change) for name, change in _BOOKS.items()}
    return found


def _texts(**changed):
    def write(place):
        paths = {}
        for table, text in {**GOOD, **changed}.items():
            paths[table] = place / f"{table}.csv"
            paths[table].write_bytes(text.encode("utf-8", "surrogateescape"))
        return paths
    return write


def _bytes(table, data):
    def write(place):
        paths = _texts()(place)
        paths[table].write_bytes(data)
        return paths
    return write


def _with_cell(table, column, cell):
    head, row, *rest = GOOD[table].splitlines()
    cells = row.split(",")
    quoted = '"' + cell.replace('"', '""') + '"'
    cells[head.split(",").index(column)] = quoted
    return _texts(**{table: "\n".join([head, ",".join(cells), *rest]) + "\n"})


def _zip(data):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("a.txt", data)
    return out.getvalue()


def _workbook(text, change=None):
    book, out = openpyxl.Workbook(), io.BytesIO()
    for line in text.splitlines():
        book.active.append([float(c) if c.replace(".", "").isdigit() else c
                            for c in line.split(",")])
    if change:
        change(book.active)
    book.save(out)
    return out.getvalue()


def _book(change):
    def write(place):
        path = place / "book.xlsx"
        path.write_bytes(_workbook(POURS, change))
        return {"pours": path}
    return write


def _set(cell, value):
    def change(sheet):
        sheet[cell] = value
    return change


def _far(sheet):
    for row in range(2, 400):
        sheet.cell(row, 16_384, 1)


def _hidden_row(sheet):
    sheet.append(["P02", "A", "soft", "2026-03-01", 200, 24])
    sheet.row_dimensions[3].hidden = True


def _hidden_column(sheet):
    sheet.column_dimensions["F"].hidden = True


def _percent(sheet):
    sheet["F2"], sheet["F2"].number_format = 0.09, "0%"


_BOOKS = {
    "a formula without a value": _set("E2", "=A1*2"), "an error": _set("E2", "#DIV/0!"),
    "cells merged": lambda sheet: sheet.merge_cells("C1:D2"), "cells in column XFD": _far,
    "a cell in the last row": _set("A1048576", 1), "a hidden row": _hidden_row,
    "a hidden column": _hidden_column, "a percent": _percent, "a truth": _set("E2", True),
    "an empty head": _set("A1", None), "two sheets": lambda sheet: sheet.parent.create_sheet("B"),
}


def bad_imports(place, every=1):
    """Words per bad import: told in words with return code 2, and nothing is stored."""
    words = {}
    for number, (name, write) in enumerate(list(imports().items())[::every]):
        folder, given = place / f"import-{number}", place / f"given-{number}"
        given.mkdir()
        store = Store.create(folder)
        files = write(given)
        started = time.monotonic()
        code, said = command("import", folder, *(w for t, p in files.items()
                                                 for w in (f"--{t}", p)))
        took = time.monotonic() - started
        stored = sum(len(store.rows(t)) for t in RECORDS)
        good = code == 2 and "expected" in said and took < MOST_SECONDS and _plain(said)
        words[name] = LOST if stored or code == 0 else HANDLED if good else BADLY
    return words


def _plain(said):
    return all(c.isprintable() or c in "\n\t" for c in said)


# ---- packages -----------------------------------------------------------------------------------

ODD = (None, 3, -1, True, "x\x1b[2J", "a\u202eb", [], [1], [None], {}, {"a": {}}, ["\x1b]0;x\x07"],
       "y" * 5000)
FIELDS = ("notices", "versions", "series", "rules", "seed", "draws", "format")
ABOUT = ("title", "fragrance", "currency", "piece_g", "invented")
PLANS = ([], {"pours": 3}, {"pours": [{"pot": 1}]}, {"blends": [{"name": "\x1b[31m", "parts": []}]},
         {"fragrance": {"lot": 7}}, {"notes": ["a\u200b"]}, {"blends": [{"name": "x"}]},
         {"pieces": [[]]}, {"smellings": [{}]}, {"title": "x\x9b31m"}, {"piece_g": "ten"})


def packages(files, hostile):
    """Every hostile package by name: a callable of the files of a good one that gives a zip.

    ``hostile`` is the module that holds the ones of the unit tests.
    """
    found = {name: make for name, (make, _) in hostile.HOSTILE.items()}
    settings = json.loads(files["settings.json"])
    for field in FIELDS:
        for odd in ODD:
            found[f"{field} = {odd!r:.30}"] = _settings(hostile, {**settings, field: odd})
    for field in ABOUT:
        for odd in ODD:
            changed = copy.deepcopy(settings)
            changed["series"][field] = odd
            found[f"{field} of the series = {odd!r:.30}"] = _settings(hostile, changed)
    for plan in PLANS:
        found[f"plan {plan!r:.40}"] = lambda f, plan=plan: hostile.zipped(
            hostile.resealed(f, plan=plan))
    return found


def _settings(hostile, settings):
    return lambda files: hostile.zipped(hostile.resealed(files, settings=settings))


def hostile_packages(place, package, every=1):
    """Words per hostile package: refused in words, or opened with nothing odd on the terminal."""
    hostile = _module(Path(__file__).parents[1] / "sharing" / "test_opening.py")
    words, files = {}, dict(package.files)
    for number, (name, make) in enumerate(list(packages(files, hostile).items())[::every]):
        folder = place / f"package-{number}"
        folder.mkdir()
        path = folder / "sent.zip"
        path.write_bytes(make(files))
        before = sorted(place.rglob("*"))
        code, said = command("open", path)
        good = code in (0, 1, 2) and _plain(said) and len(said) < 5000
        written = sorted(place.rglob("*")) != before
        words[name] = LOST if written else HANDLED if good else BADLY
    return words


def _module(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def small_package(place):
    """A package of a small series, quickly fitted; good in itself."""
    from scentlab.choosing.analysis import analyse
    from scentlab.recording.reading import read_series
    from scentlab.sharing.package import prepare_package
    from scentlab.workshop import make_demo_series

    series = read_series(make_demo_series(place / "good"))
    return prepare_package(analyse(series, seed=1, draws=100))
