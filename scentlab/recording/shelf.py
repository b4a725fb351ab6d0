"""The shelf of a workshop: waxes, fragrances, blends, testers and recipes, each typed once.

It is one CSV file in the folder of the workshop, which a person can open: a row is a thing as it
was known from a day on. A change adds a row, none is ever taken out, and the last of a name holds.
"""

import contextlib
import datetime as dt
import re
import time
from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path

import pandas as pd

from scentlab.files import write_whole
from scentlab.materials import Blend, Fragrance, MaterialError, Wax
from scentlab.recording.sheets import read_sheet
from scentlab.recording.store import Store, StoreError, series_files
from scentlab.schema import TABLES, THROWS, DataError, Findings, check_row, csv_text, parse_table
from scentlab.text import alike, capital, kept

SHELF_NAME, SHELF = "shelf.csv", TABLES["shelf"]
WAIT_S = 10  # while another program writes
KINDS = SHELF["kind"].choices
_ALL = {"kind", "name", "since", "note"}
# What is known from a sheet, with the columns that say from which: they change together.
_FROM = {("limit_load_pct", "limit_content_pct"): ("limit_on", "limit_source"),
         ("recommended_load_pct",): ("recommended_on", "recommended_source")}
_LIMIT = {"limit_on", "limit_source"}
_OWN = {  # what a kind may have beside
    "wax": {f.name for f in fields(Wax)} | _LIMIT | {"recommended_on", "recommended_source",
                                                     "currency"},
    "fragrance": {f.name for f in fields(Fragrance)} | _LIMIT | {"currency"},
    "blend": {"parts", "limit_load_pct"} | _LIMIT, "tester": set(), "recipe": {"recipe"},
}
_PART = re.compile(r"\s*(\d+\.?\d*) % (\S.*?)\s*")


@dataclass(frozen=True)
class Shelf:
    """What a workshop knows: ``rows`` is a frame of all versions, in the columns of ``SHELF``."""

    rows: pd.DataFrame

    @classmethod
    def empty(cls):
        """A shelf with nothing on it."""
        return cls(pd.DataFrame(columns=list(SHELF.names), dtype=object))

    @cached_property
    def last(self):
        """What is known, as a dict by kind and name: the last row of the newest day."""
        found = {}
        for row in _plain(self.rows):
            key = row["kind"], alike(row["name"])
            before = found.get(key, row)
            if row.setdefault("since", before.get("since", dt.date.min)) >= before["since"]:
                found[key] = row
        return found

    def names(self, kind):
        """The names of a kind, in alphabetical order."""
        return sorted((row["name"] for (k, _), row in self.last.items() if k == kind),
                      key=str.casefold)

    def find(self, kind, name):
        """The row that holds for a name, as a dict of what is known; None where there is none."""
        return self.last.get((kind, alike(name)))

    @property
    def now(self):
        """The rows that hold, by kind and name."""
        return [self.find(kind, name) for kind in KINDS for name in self.names(kind)]

    def lots(self, kind, name):
        return list(dict.fromkeys(
            row["lot"] for row in _plain(self.rows)
            if "lot" in row and (row["kind"], alike(row["name"])) == (kind, alike(name))))

    def wax(self, name):
        """A :class:`Wax` as it is on the shelf; of its name alone where it is not."""
        return _material(self.find("wax", name) or {"kind": "wax", "name": name})

    def one_wax(self, name):
        """A name that was typed for one wax or blend; a MaterialError where it reads as several
        and is not on the shelf."""
        if re.search(r"[,;+]", name) and not (self.find("wax", name) or self.find("blend", name)):
            raise MaterialError(
                f"{name!r} reads as several waxes",
                "name one; waxes melted together are one blend, with its own name, without comma, "
                "semicolon or plus", field="wax", value=name)
        return name

    def fragrance(self, name):
        """A :class:`Fragrance` as it is on the shelf; of its name alone where it is not."""
        return _material(self.find("fragrance", name) or {"kind": "fragrance", "name": name})

    def blend(self, name):
        """A :class:`Blend` as it is on the shelf, of its waxes as they are there; else of the wax
        of its name."""
        if row := self.find("blend", name):
            return _blend(row, self.wax)
        wax = self.wax(name)
        return Blend(wax.name, {wax: 1.0})

    def recipe(self, name):
        """The fields of a recipe as texts, by name; None where there is none."""
        row = self.find("recipe", name)
        return row and dict(part.strip().split(" ", 1) for part in row["recipe"].split(";"))


def shelf_of(folder):
    """The folder of the workshop that a series folder lies in."""
    return Path(folder).resolve().parent


def read_shelf(folder):
    """The shelf of a workshop; an empty one where its folder has none. Raises DataError for a file
    that cannot be used, with row, column, value and remedy of every problem."""
    path = Path(folder) / SHELF_NAME
    return Shelf(_read(path)) if path.is_file() else Shelf.empty()


def put_on_shelf(folder, rows, today=None, *, over=False):
    """Add rows (dicts in the columns of ``SHELF``) to the shelf of a workshop, where they say
    something new; returns those that were added.

    ``today`` is the day of those without ``since``. With ``over`` what a row leaves out is not
    known any more, else it stays as it was known. Raises MaterialError or DataError for a row that
    cannot be, or a file that cannot be read; nothing is written then.
    """
    with _alone(folder):
        shelf, added = read_shelf(folder), []
        known = dict(shelf.last)
        for row in map(_checked, rows):
            key = row["kind"], alike(row["name"])
            before = known.get(key, {})
            new = row if over else _joined(before, row)
            new |= {"name": before.get("name", row["name"])}
            if not _same(new, before):
                new["since"] = row.get("since", today or dt.date.today())
                added.append(new)
                known[key] = new
        return _add(folder, shelf, added)


@contextlib.contextmanager
def _alone(folder):
    """Alone with the shelf from its reading to its writing; who is not waits. A lock of more than a
    few seconds was left by a program that was stopped: one of those who wait takes it away."""
    lock, mine = Path(folder) / f".{SHELF_NAME}.lock", False
    with contextlib.suppress(OSError):  # where nothing can be written, which the writing says
        while not mine:
            try:
                lock.touch(exist_ok=False)
                mine = True
            except FileExistsError:
                time.sleep(0.01)
                with contextlib.suppress(FileNotFoundError):
                    if abs(time.time() - lock.stat().st_mtime) > WAIT_S:
                        lock.unlink()
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            if mine:
                lock.unlink()


def _add(folder, shelf, added):
    if added:
        rows = pd.DataFrame(_plain(shelf.rows) + added, dtype=object)
        write_whole(Path(folder) / SHELF_NAME,
                    csv_text(rows.reindex(columns=list(SHELF.names)), SHELF))
    return added


def _joined(before, row):
    """A row with what was known before; a new number does not keep the sheet of the old one."""
    new = {**before, **row}
    for numbers, sources in _FROM.items():
        same = all(new.get(n) == before.get(n) for n in numbers)
        for name in sources if before else ():
            new.pop(name, None)
            new |= {n: v for n, v in (before if same else row).items() if n == name}
    return new


def _checked(row):
    """What is filled in of a row of a form or a plan, or every problem of it."""
    try:
        checked = check_row(SHELF, row)
    except DataError:
        if row.get("kind") and row.get("name"):  # a form shows what is wrong of a material by field
            _material({n: v for n, v in row.items() if v is not None})
        raise
    row = {n: v for n, v in checked.items() if v is not None}
    _material(row)
    findings = Findings("shelf")
    for problem in _problems(row):
        findings.add(None, *problem)
    findings.stop()
    return row


def import_shelf(folder, path, today=None):
    """Add the rows of a file (CSV or XLSX) that are not on the shelf, old versions too; a row
    without ``since`` holds from ``today`` on. Returns those that were added."""
    with _alone(folder):
        shelf, added = read_shelf(folder), []
        there = _plain(shelf.rows)
        for row in _plain(_read(Path(path))):
            if row in there or ("since" not in row and any(_same(row, one) for one in there)):
                continue
            added.append({"since": today or dt.date.today(), **row})
        return _add(folder, shelf, added)


def plan_rows(plan):
    """What a plan (a dict) knows, as rows for the shelf; none of an invented one.

    A blend of one wax and of its name is that wax. A limit says that it is from this plan.
    """
    if plan.get("invented"):
        return []
    blends = [Blend.from_dict(blend) for blend in plan["blends"]]
    waxes = {wax.name: wax for blend in blends for wax, _ in blend.parts}
    source, money = f"plan: {plan['title']}"[:200], plan.get("currency") or None
    rows = [_material_row("wax", wax, money, source) for wax in waxes.values()]
    rows.append(_material_row("fragrance", Fragrance(**plan["fragrance"]), money, source))
    for blend in blends:
        if len(blend.parts) > 1 or alike(blend.name) != alike(blend.parts[0][0].name):
            rows.append({
                "kind": "blend", "name": blend.name, "limit_load_pct": blend.own_limit_load_pct,
                "parts": "; ".join(f"{100 * f:.10g} % {w.name}" for w, f in blend.parts),
                "limit_source": source if blend.own_limit_load_pct else None,
            })
    testers = plan.get("assessors") or ()
    return rows + [{"kind": "tester", "name": code} for code in testers]


def shelve(folder, plan):
    """Put what a plan of a series folder knows on the shelf of its workshop; returns new rows.

    The folder above a series is a workshop when it has a shelf or a second series. Above one that
    lies alone, somewhere, nothing is written; :func:`gather` finds its plan when more comes.
    """
    workshop, rows = shelf_of(folder), plan_rows(plan)
    alone = len(series_files(workshop)) < 2 and not (workshop / SHELF_NAME).is_file()
    return put_on_shelf(workshop, rows) if rows and not alone else []


def gather(folder):
    """Put on the shelf of a workshop what the plans of its series name and it does not have;
    returns the shelf. A series that cannot be read is passed over, for its own pages say why, and
    one of an older kit stays as it is."""
    shelf, rows = read_shelf(folder), []
    for path in series_files(folder):
        try:
            found = plan_rows(Store(path.parent).plan() or {"invented": True})
        except (StoreError, KeyError, TypeError, ValueError):  # damaged, or no plan as ours are
            continue
        rows += [r for r in found if shelf.find(r["kind"], r["name"]) is None]
    return read_shelf(folder) if rows and put_on_shelf(folder, rows) else shelf


def shelf_beside(folder):
    """The shelf of the workshop that a series folder lies in; gathered where there is none yet."""
    workshop = shelf_of(folder)
    return (read_shelf if (workshop / SHELF_NAME).is_file() else gather)(workshop)


def _material_row(kind, material, currency, source):
    row = {f.name: getattr(material, f.name) for f in fields(material)}
    row |= {n: round(v, 4) for n, v in row.items() if isinstance(v, float)}
    row |= {"kind": kind, "lot": material.lot or None}
    if kind == "fragrance":
        row["allergens"] = ", ".join(material.allergens) or None
    if material.price_per_kg is not None:
        row["currency"] = currency
    for numbers, (_, name) in _FROM.items():
        row |= {name: source} if any(row.get(n) is not None for n in numbers) else {}
    return row


def _plain(rows):
    return [{n: v for n, v in row.items() if not pd.isna(v)} for row in rows.to_dict("records")]


def _same(one, other):
    return {**one, "since": None} == {**other, "since": None}


def _material(row):
    """The wax, fragrance or blend of a row, None of another kind; MaterialError where it cannot
    be."""
    if row["kind"] == "blend":
        return _blend({"parts": "", **row}, Wax)
    made = {"wax": Wax, "fragrance": Fragrance}.get(row["kind"])
    given = {f.name: row[f.name] for f in fields(made) if f.name in row} if made else {}
    if "allergens" in given:
        given["allergens"] = [a.strip() for a in given["allergens"].split(",") if a.strip()]
    return made and made(**given)


def _blend(row, wax):
    parts = [_PART.fullmatch(part) for part in re.split(r";(?=\s*\d+\.?\d* % )", row["parts"])]
    if not all(parts):
        raise MaterialError("its parts are not understood", "write them as 70 % soft wax; 30 % "
                            "hard wax", field="parts", value=row["parts"])
    mixed = [(wax(kept(part[2])), float(part[1]) / 100) for part in parts]
    return Blend(row["name"], tuple(mixed), row.get("limit_load_pct"))


def _read(path):
    sheet = read_sheet(path, SHELF)
    findings = Findings(path.name, list(sheet.problems))
    findings.stop()
    if sheet.text.empty:
        return Shelf.empty().rows
    frame = parse_table(sheet.text, SHELF, path.name, sheet.rows)
    for number, row in zip(sheet.rows, _plain(frame), strict=True):
        for problem in _problems(row):
            findings.add(number, *problem)
    findings.stop()
    return frame.astype(object)


def _problems(row):
    """Column, value, expected and remedy of what cannot be in a row."""
    kind = row["kind"]
    for name in (n for n in row if n not in _ALL | _OWN[kind]):
        yield name, str(row[name]), f"nothing, as a {kind} has no such thing", "Empty the cell."
    try:
        _material(row)
    except MaterialError as error:
        yield (error.field, str(row.get(error.field, "")), f"a possible {kind}: {error.problem}",
               f"{capital(error.remedy or 'correct it')}.")
    if kind == "tester":
        wrong = THROWS["assessor"].check(row["name"])[1]
        if wrong:
            yield "name", row["name"], *wrong
    if kind == "recipe" and not re.fullmatch(r"(\s*\w+ [^;]+(;|$))+", row.get("recipe", "")):
        yield "recipe", row.get("recipe", ""), "a recipe as piece_g 20; pieces 6", "Correct it."
