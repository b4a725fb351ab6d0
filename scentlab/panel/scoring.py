"""What the panel scores on a phone: what waits for a tester, what a page sent, what is said back.

A page knows blind codes only: pour, load and heat are looked up here and never leave.
"""

import datetime as dt
import re
import secrets
import threading
from collections import Counter
from dataclasses import dataclass, field

from scentlab.recording.progress import age_words, known_assessors, waiting
from scentlab.recording.records import RECORDS
from scentlab.recording.store import RefusedError, Store
from scentlab.schema import GRADE_WORDS

_THROWS = {"warm": "Hot throw", "cold": "Cold throw"}


@dataclass
class Panel:
    """What the pages need: the store, the token, and who looks how often at what day."""

    store: Store
    token: str = field(default_factory=lambda: secrets.token_urlsafe(16))
    looks_per_piece: int = 1
    today: dt.date | None = None  # fixed for a demonstration; the machine's day when absent
    # One score after the other: writers who wait at the database's own lock sleep too long.
    _turn_to_write: threading.Lock = field(default_factory=threading.Lock)

    def items(self, assessor):
        """What waits for an assessor, in order, as the page needs it: no pour, no load."""
        frame = waiting(self.store, assessor, None, self.today, self.looks_per_piece)
        keep = ["code", "test", "sitting", "kind", "position"]
        rows = frame[keep].to_dict("records")
        ages = zip(frame["age_days"], frame["planned_age_days"], strict=True)
        return [
            {**r, "what": _what(r), "turn": _turn(r), "name": _name(r),
             "age": "" if r["test"] == "throw" else age_words(*age)}
            for r, age in zip(rows, ages, strict=True)
        ]

    def scored(self, assessor):
        """How many pieces an assessor has scored, per turn: a test, or the throw of a sitting."""
        grades = self.store.distinct("grades", ("test", "code"), assessor=assessor)
        throws = self.store.distinct("throws", ("sitting", "kind", "code"), assessor=assessor)
        return dict(Counter([t for t, _ in grades] + [f"throw {s}" for s, _, _ in throws]))

    def save(self, said):
        """Store what a page sent; returns the table, the receipt and the words for the page."""
        assessor = self._known_assessor(said.get("assessor"))
        key = said.get("key", "")
        if not isinstance(key, str) or not re.fullmatch(r"[0-9A-Za-z-]{8,64}", key):
            raise RefusedError("the page sent no key; load it again")
        table, row = self._row(said, assessor)
        with self._turn_to_write:
            try:
                if table == "throws":  # the store takes another time on the warmer for another look
                    self._refuse_twin(table, row)
                receipt = self.store.add(table, row, key=key)
            except RefusedError:
                receipt = self._stored_before(table, row, key)
                if receipt is None:
                    self._refuse_twin(table, row)
                    raise
        return table, receipt, _words(receipt.saved_at, row)

    def _stored_before(self, table, row, key):
        """The receipt of a score that is sent again; None when nothing is stored under its key."""
        known = self.store.find(table, key)
        if known is None:
            return None
        # The age may have grown by a day since, all else must be the same.
        stored, receipt = known
        if any(stored[k] != row[k] for k in row if k not in ("age_days", "minutes")):
            raise RefusedError("this key belongs to another score; load the page again")
        return receipt

    def _refuse_twin(self, table, row):
        """A score that the tester has given already, on another phone perhaps."""
        value = "grade" if table == "grades" else "throw"
        same = {k: row[k] for k in RECORDS[table].key if k != "minutes"}
        for (stored,) in self.store.distinct(table, (value,), **same):
            raise RefusedError(
                f"{_score_words({**row, value: stored})} is stored already for "
                f"{row['assessor']}, from another phone or page perhaps; it stays as it is"
            )

    def undo(self, said):
        """Void a tester's own score, once however often it is sent; returns the words."""
        assessor = self._known_assessor(said.get("assessor"))
        table, entry_id = said.get("table"), said.get("entry_id")
        if table not in ("grades", "throws") or not _is_entry(entry_id):
            raise RefusedError("there is no such score")
        row = self.store.entry(table, entry_id)
        if row is None or row["assessor"] != assessor:
            raise RefusedError("only your own score can be undone")
        with self._turn_to_write:
            # No page can send such a key for a score.
            self.store.void(table, entry_id, f"undone on the panel page by {assessor}",
                            key=f"undo:{entry_id}")
        return f"Undone: {_score_words(row)}. It stays in the history as void."

    def plainly(self, error):
        """The words of an error without the place of the store, which is the maker's business."""
        place = self.store.place
        # A place may be as short as "p": it is taken out only where it stands by itself.
        whole = rf"(?<![\w./\\-]){re.escape(place)}(?![\w-])" if place else r"(?!)"
        return re.sub(whole, "the series", str(error))

    def saved_words(self, table, entry_id, assessor):
        """The words for an entry that the tester has just stored; '' for any other."""
        known = table in ("grades", "throws") and _is_entry(entry_id)
        row = self.store.entry(table, entry_id) if known else None
        if row is None or row["assessor"] != assessor:
            return ""
        return f"Saved: {_score_words(row)}."

    def _known_assessor(self, code):
        if code not in known_assessors(self.store):
            raise RefusedError("this series knows no such tester; choose your code again")
        return code

    def _row(self, said, assessor):
        """Table and row of a score. The page says what was seen; stress and age are looked up."""
        code, test = str(said.get("code", "")), said.get("test")
        found = list(self.store.distinct("pieces", ("pour", "test", "stress"), code=code))
        if test not in ("sweat", "frost", "throw") or not found or found[0][1] != test:
            raise RefusedError(f"piece {code[:10]} is not to be scored for this test")
        pour, _, stress = found[0]
        if test == "throw":
            return "throws", self._throw_row(said, code, assessor)
        return "grades", {
            "code": code, "test": test, "stress": stress, "age_days": self._age(pour, said),
            "assessor": assessor, "grade": _whole(said.get("value"), 0, 4, "grade"),
        }

    def _throw_row(self, said, code, assessor):
        plan = self.store.plan() or {}
        for smelling in plan.get("smellings", ()):
            wanted = (assessor, code, said.get("sitting"), said.get("kind"))
            if wanted == tuple(smelling[k] for k in ("assessor", "code", "sitting", "kind")):
                break
        else:
            raise RefusedError(f"piece {code} is not planned for {assessor} in this session")
        minutes = None
        if smelling["kind"] == "warm":
            minutes = _minutes(said.get("minutes"))
        flag = "works_with_fragrance"
        works = None if flag not in plan else "yes" if assessor in plan[flag] else "no"
        return {
            "code": code, "assessor": assessor, "sitting": smelling["sitting"],
            "kind": smelling["kind"], "throw": float(_whole(said.get("value"), 0, 10, "throw")),
            "minutes": minutes, "position": smelling["position"], "works_with_fragrance": works,
        }

    def _age(self, pour, said):
        """Age at the look. A score that waited on a phone is as old as it was when it was given.

        The page says how long it waited, not when: a phone's clock may be wrong.
        """
        days = [d for (d,) in self.store.distinct("pours", ("poured_on",), pour=pour)]
        if not days:
            return None
        waited = said.get("waited_s") or 0
        waited = waited if isinstance(waited, (int, float)) and 0 <= waited < 3e7 else 0
        today = self.today or (dt.datetime.now() - dt.timedelta(seconds=waited)).date()
        return float(max(0, (today - days[0]).days))


@dataclass(frozen=True)
class Task:
    """What a page shows of all that waits; the script of the page reckons the same.

    Attributes
    ----------
    items : what waits for the assessor, in planned order.
    scored : pieces that the assessor has scored, per turn.
    now : the turn that was chosen: "sweat", "frost" or "throw" with its sitting.
    left : codes of the pieces left for later, in that order.
    """

    items: list
    scored: dict
    now: str = ""
    left: tuple = ()

    @property
    def choices(self):
        """Turn, name and number waiting of each test, and of the next sitting alone."""
        counts = Counter(item["turn"] for item in self.items)
        throw = next((t for t in counts if t.startswith("throw ")), None)
        names = {item["turn"]: item["name"] for item in self.items}
        return [(t, names[t], n) for t, n in counts.items() if t in ("sweat", "frost", throw)]

    @property
    def turn(self):
        """The turn at hand: the chosen one while it lasts, or the sitting that has just ended."""
        offered = [turn for turn, _, _ in self.choices]
        if self.now in offered or self.ended:
            return self.now
        return offered[0] if offered else ""

    @property
    def ended(self):
        """The chosen sitting when it is over and others or grades wait; '' otherwise."""
        waits = {item["turn"] for item in self.items}
        over = self.now.startswith("throw ") and self.now in self.scored and self.now not in waits
        return self.now.removeprefix("throw ") if over and waits else ""

    @property
    def next_sitting(self):
        """The turn of the next sitting; '' when none waits."""
        return next((t for t, _, _ in self.choices if t.startswith("throw ")), "")

    @property
    def waiting(self):
        """The pieces of the turn, those left for later behind the others."""
        mine = [item for item in self.items if item["turn"] == self.turn]
        rank = {code: n for n, code in enumerate(self.left, 1)}
        return sorted(mine, key=lambda item: rank.get(item["code"], 0))

    @property
    def item(self):
        return next(iter(self.waiting), None)

    @property
    def later(self):
        """The codes left for later in this turn that still wait."""
        waits = {item["code"] for item in self.waiting}
        return [code for code in self.left if code in waits]

    @property
    def after_this(self):
        """The codes left for later once the piece at hand is left too."""
        code = self.item["code"]
        return [c for c in self.later if c != code] + [code]

    @property
    def count(self):
        """Where the piece at hand stands among those of its turn: 'piece 3 of 12'."""
        scored, left = self.scored.get(self.turn, 0), len(self.later)
        words = f"piece {scored + 1} of {scored + len(self.waiting)}"
        return f"{words} ({left} left for later)" if left else words


def _is_entry(number):
    """Whether it can be the number of an entry: databases count to 2^63."""
    return type(number) is int and 0 < number < 2**63


def _what(item):
    if item["test"] == "throw":
        return f"{_THROWS[item['kind']]}, session {item['sitting']}"
    return f"{item['test'].capitalize()} grade"


def _turn(item):
    return f"throw {item['sitting']}" if item["test"] == "throw" else item["test"]


def _name(item):
    if item["test"] == "throw":
        return f"{_THROWS[item['kind']]}, {item['sitting']}"
    return item["test"].capitalize()


def _words(saved_at, row):
    return f"Saved at {saved_at.astimezone():%H:%M:%S}: {_score_words(row)}."


def _score_words(row):
    if "grade" in row:
        seen = f"{row['grade']} ({GRADE_WORDS[row['test']][row['grade']]})"
        return f"piece {row['code']}, {row['test']} grade {seen}"
    return f"piece {row['code']}, {_THROWS[row['kind']].lower()} {row['throw']:g} of 10"


def _whole(value, lower, upper, what):
    text = str(value)
    if text.isdecimal() and text.isascii() and len(text) < 3 and lower <= int(text) <= upper:
        return int(text)
    raise RefusedError(f"the {what} must be a whole number from {lower} to {upper}")


def _minutes(value):
    try:
        minutes = float(str(value).strip())
        if 0 <= minutes <= 1440:
            return minutes
    except ValueError:
        pass
    raise RefusedError(
        "type the minutes on the warmer as a number from 0 to 1440, with a decimal point"
    )
