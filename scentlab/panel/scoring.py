"""What the panel scores on a phone: what waits for a tester, what a page sent, what is said back.

A page knows blind codes only: pour, load and heat are looked up here and never leave.
"""

import datetime as dt
import re
import secrets
from collections import Counter
from dataclasses import dataclass, field, replace

from scentlab.panel.turns import Turns
from scentlab.recording.photos import add_photo, photo_path, photos_of, whole_picture
from scentlab.recording.progress import age_words, known_assessors, pairs_waiting, waiting
from scentlab.recording.records import GRADES, RECORDS, pair_words, photo_words
from scentlab.recording.store import RefusedError, Store
from scentlab.schema import GRADE_WORDS, PAIRS, THROW_WORDS, THROWS
from scentlab.text import count_of

_THROWS = {kind: f"{words.capitalize()} throw" for kind, words in THROW_WORDS.items()}
# A page offers whole points of throw, and asks for the minutes of a piece on the warmer.
_THROW = replace(THROWS["throw"], kind="integer")
_MINUTES = replace(THROWS["minutes"], required=True)
_UNDONE = ("grades", "throws", "pairs", "photos")


@dataclass
class Panel:
    """What the pages need: the store, the token, and who looks how often at what day."""

    store: Store
    token: str = field(default_factory=lambda: secrets.token_urlsafe(16))
    looks_per_piece: int = 1
    today: dt.date | None = None  # fixed for a demonstration; the machine's day when absent
    # Of the pages that show loads, for whoever weighs.
    pour_token: str = field(default_factory=lambda: secrets.token_urlsafe(16))

    def __post_init__(self):
        # One score after the other: writers who wait at the database's own lock sleep too long.
        self._turns = Turns(self.store)
        self.store.place = "the series"  # in what testers read; where it lies is the maker's own

    def items(self, assessor):
        """What waits for an assessor, in order, as the page needs it: no pour, no load."""
        frame = waiting(self.store, assessor, None, self.today, self.looks_per_piece)
        keep = ["code", "test", "sitting", "kind", "position"]
        rows = frame[keep].to_dict("records")
        ages = zip(frame["age_days"], frame["planned_age_days"], strict=True)
        found = [
            {**r, **_names(r), "age": "" if r["test"] == "throw" else age_words(*age)}
            for r, age in zip(rows, ages, strict=True)
        ]
        return found + [_pair_item(p) for p in pairs_waiting(self.store, assessor)]

    def scored(self, assessor):
        """How many pieces an assessor has scored, per turn: a test, or the throw of a sitting."""
        grades = self.store.distinct("grades", ("test", "code"), assessor=assessor)
        throws = self.store.distinct("throws", ("sitting", "kind", "code"), assessor=assessor)
        pairs = self.store.distinct("pairs", PAIRS.key, assessor=assessor)
        turns = [t for t, _ in grades] + [f"throw {s}" for s, _, _ in throws]
        place = PAIRS.key.index("sitting")
        return dict(Counter(turns + [f"pairs {p[place]}" for p in pairs]))

    def save(self, said):
        """Store what a page sent; returns the table, the receipt and the words for the page."""
        assessor = self._known_assessor(said.get("assessor"))
        key = key_of(said)
        table, row = self._row(said, assessor)
        receipt = self._turns.take(lambda: self._stored(table, row, key))
        return table, receipt, f"Saved at {receipt.clock}: {_score_words(row)}."

    def photos(self, assessor):
        """The names of the pictures that an assessor took, by code: nobody sees another's."""
        found = {}
        for photo in photos_of(self.store):
            if photo.assessor == assessor:
                found.setdefault(photo.code, []).append(photo.path.name)
        return found

    def picture(self, name):
        """The bytes of a picture that stands, by its name; None where there is none."""
        code = name[:3]
        for (sha256,) in self.store.distinct("photos", ("sha256",), code=code):
            path = photo_path(self.store.folder, code, sha256)
            if path.name == name:
                return whole_picture(path, sha256, photo_words({"code": code}))
        return None

    def keep_photo(self, said, data):
        """Store a photo of a piece; returns the receipt, the words, and the picture's name."""
        assessor, key = self._known_assessor(said.get("assessor")), key_of(said)
        code, test = str(said.get("code", "")), said.get("test")
        found = list(self.store.distinct("pieces", ("pour",), code=code))
        if not found:
            raise RefusedError(f"nobody knows a piece {code[:10]}; look at its label again")
        known = self.store.find("photos", key)
        if known is None:
            receipt = add_photo(
                self.store, code, data, key=key, test=test if test in GRADE_WORDS else None,
                age_days=self._age(found[0][0], said), assessor=assessor)
            known = self.store.entry("photos", receipt.entry_id), receipt
        row, receipt = known
        name = photo_path(self.store.folder, row["code"], row["sha256"]).name
        return receipt, f"Saved at {receipt.clock}: {photo_words(row)}.", name

    def _stored(self, table, row, key):
        """The receipt of a score, new or sent again."""
        known = self.store.find(table, key)
        if known is None:
            self._refuse_twin(table, row)
            return self.store.add(table, row, key=key)
        stored, receipt = known
        # A resend: the age may have grown by a day since, all else must be the same.
        if any(stored[k] != row[k] for k in row if k not in ("age_days", "minutes")):
            raise RefusedError("this key belongs to another score; load the page again")
        return receipt

    def _refuse_twin(self, table, row):
        """A score that the tester has given already, on another phone perhaps."""
        value = {"grades": "grade", "throws": "throw", "pairs": "stronger"}[table]
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
        if table not in _UNDONE or not is_entry(entry_id):
            raise RefusedError("there is no such score")
        row = self.store.entry(table, entry_id)
        if row is None or row["assessor"] != assessor:
            raise RefusedError("only your own score can be undone")
        # No page can send such a key for a score.
        self._turns.take(lambda: self.store.void(
            table, self._standing(table, entry_id, row),
            f"undone on the panel page by {assessor}", key=f"undo:{entry_id}"))
        return f"Undone: {_score_words(row)}. It stays in the history as void."

    def _standing(self, table, entry_id, row):
        """The entry that stands now: a photo chosen for the report meanwhile has another one."""
        return next((p.entry_id for p in photos_of(self.store, row["code"])
                     if p.sha256 == row["sha256"]), entry_id) if table == "photos" else entry_id

    def _known_assessor(self, code):
        if code not in known_assessors(self.store):
            raise RefusedError("this series knows no such tester; choose your code again")
        return code

    def _row(self, said, assessor):
        """Table and row of a score. The page says what was seen; stress and age are looked up."""
        code, test = str(said.get("code", "")), said.get("test")
        if test == "pair":
            return "pairs", self._pair_row(said, code, assessor)
        found = list(self.store.distinct("pieces", ("pour", "test", "stress"), code=code))
        if test not in ("sweat", "frost", "throw") or not found or found[0][1] != test:
            raise RefusedError(f"piece {code[:10]} is not to be scored for this test")
        pour, _, stress = found[0]
        if test == "throw":
            return "throws", self._throw_row(said, code, assessor)
        return "grades", {
            "code": code, "test": test, "stress": stress, "age_days": self._age(pour, said),
            "assessor": assessor, "grade": _checked(GRADES["grade"], said.get("value")),
        }

    def _pair_row(self, said, code, assessor):
        for pair in (self.store.plan() or {}).get("pairs", ()):
            wanted = (assessor, code, said.get("sitting"), said.get("position"))
            if wanted == (pair["assessor"], _both(pair), pair["sitting"], pair["position"]):
                stronger = _checked(PAIRS["stronger"], said.get("value"))
                return {**{n: pair[n] for n in PAIRS.key}, "stronger": stronger}
        raise RefusedError(f"the pair {code[:20]} is not planned for {assessor} in this session")

    def _throw_row(self, said, code, assessor):
        plan = self.store.plan() or {}
        for smelling in plan.get("smellings", ()):
            wanted = (assessor, code, said.get("sitting"), said.get("kind"))
            if wanted == tuple(smelling[k] for k in ("assessor", "code", "sitting", "kind")):
                break
        else:
            raise RefusedError(f"piece {code} is not planned for {assessor} in this session")
        warm = smelling["kind"] == "warm"
        minutes = _checked(_MINUTES, said.get("minutes")) if warm else None
        flag = "works_with_fragrance"
        works = None if flag not in plan else "yes" if assessor in plan[flag] else "no"
        return {
            "code": code, "assessor": assessor, "sitting": smelling["sitting"],
            "kind": smelling["kind"], "throw": float(_checked(_THROW, said.get("value"))),
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


def due_today(lists):
    """What testers' lists of items hold, in words and in the order of the work; of sessions the
    first that waits."""
    found = {}
    for item in (item for items in lists for item in items):
        kind, _, session = item["name"].partition(", ")
        place = item["code"], item["position"] if item["test"] == "pair" else None
        found.setdefault(kind, {}).setdefault(session, set()).add(place)
    for kind, sessions in found.items():
        first, *others = sorted(sessions)
        number = count_of(len(sessions[first]), "pair" if kind == "Pairs" else "piece")
        yield f"{kind}{first and f', session {first}'}: {number}" + (
            f", then {count_of(len(others), 'more session')}" if others else "")


def key_of(said):
    """The key that a page gave to what it sends, so that it is stored once."""
    key = said.get("key", "")
    if not isinstance(key, str) or not re.fullmatch(r"[0-9A-Za-z-]{8,64}", key):
        raise RefusedError("the page sent no key; load it again")
    return key


def is_entry(number):
    """Whether it can be the number of an entry: databases count to 2^63."""
    return type(number) is int and 0 < number < 2**63


def _names(item):
    """What is scored, by its name on the page, in the list of choices, and among the turns."""
    if item["test"] != "throw":
        test = item["test"]
        return {"what": f"{test.capitalize()} grade", "name": test.capitalize(), "turn": test}
    kind, sitting = _THROWS[item["kind"]], item["sitting"]
    return {"what": f"{kind}, session {sitting}", "name": f"{kind}, {sitting}",
            "turn": f"throw {sitting}"}


def _both(pair):
    return f"{pair['first']} then {pair['second']}"


def _pair_item(pair):
    """A pair as the page shows it. It has no minutes on the warmer, so no kind is sent."""
    sitting = pair["sitting"]
    return {
        "code": _both(pair), "test": "pair", "sitting": sitting, "kind": "", "age": "",
        "position": pair["position"], "turn": f"pairs {sitting}", "name": f"Pairs, {sitting}",
        "what": f"Which smells stronger? {_THROWS[pair['kind']]}, session {sitting}",
    }


def _score_words(row):
    if "sha256" in row:
        return photo_words(row)
    if "stronger" in row:
        return pair_words(row)
    if "grade" in row:
        seen = f"{row['grade']} ({GRADE_WORDS[row['test']][row['grade']]})"
        return f"piece {row['code']}, {row['test']} grade {seen}"
    return f"piece {row['code']}, {_THROWS[row['kind']].lower()} {row['throw']:g} of 10"


def _checked(column, value):
    """A value as its column takes it, or a refusal in the column's words."""
    found, wrong = column.check(value)
    if wrong:
        raise RefusedError(f"the {column.name} must be {wrong[0]}", field=column.name, value=value)
    return found
