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
from scentlab.recording.progress import (
    age_words,
    known_assessors,
    pairs_waiting,
    places_left,
    waiting,
)
from scentlab.recording.records import GRADES, RECORDS, photo_words
from scentlab.recording.store import RefusedError, Store
from scentlab.recording.unpoured import plan_to_do
from scentlab.schema import GRADE_WORDS, PAIRS, THROW_WORDS, THROWS
from scentlab.series import rule_of

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
        self.turns = Turns(self.store)
        self.store.place = "the series"  # in what testers read; where it lies is the maker's own

    @property
    def plan(self):
        """The plan as data; an empty dict without one."""
        return self.store.plan() or {}

    @property
    def day(self):
        return self.today or dt.date.today()

    def waits(self, assessor):
        """What waits for an assessor, and how many pieces each has scored."""
        return self.items(assessor), self.scored(assessor)

    def items(self, assessor):
        """What waits for an assessor, in order, as the page needs it: no pour, no load."""
        frame = waiting(self.store, assessor, None, self.today, self.looks_per_piece)
        minutes = rule_of(self.plan, "sittings").get("warm_min")
        found = [
            {**{n: r[n] for n in ("code", "test", "sitting", "kind", "position")},
             **_names(r, minutes),
             "age": "" if r["test"] == "throw" else age_words(r["age_days"], r["planned_age_days"])}
            for r in frame.to_dict("records")
        ]
        # Who compared two pieces would smell each of them later with that in mind.
        later = self._to_smell(assessor) - {i["code"] for i in found}
        return found + [_pair_item(p, minutes) for p in pairs_waiting(self.store, assessor)
                        if not later & {p["first"], p["second"]}]

    def _to_smell(self, assessor):
        """Codes of the pieces whose throw a tester has still to score, on this day or later."""
        done = self.store.distinct("throws", ("sitting", "kind", "code"), assessor=assessor)
        return {s["code"] for s in plan_to_do(self.store).get("smellings", ())
                if s["assessor"] == assessor and (s["sitting"], s["kind"], s["code"]) not in done}

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
        receipt = self.turns.take(lambda: self._stored(table, row, key))
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
            raise RefusedError(f"there is no piece {code[:10]}; check its label again")
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
        # A resend: the age may have grown by a day since and its place is taken, all else must be
        # the same.
        if any(stored[k] != row[k] for k in row if k not in ("age_days", "minutes", "position")):
            raise RefusedError("this key belongs to another score; reload the page")
        return receipt

    def _refuse_twin(self, table, row):
        for value, stored in self._counting(table, row):
            raise RefusedError(
                f"{_score_words({**row, value: stored})} is already stored for {row['assessor']}, "
                "perhaps from another phone or page; it stays as it is"
            )

    def _counting(self, table, row):
        """What counts in the place of a score: the name of its value, and the value."""
        value = {"grades": "grade", "throws": "throw", "pairs": "stronger"}[table]
        same = {k: row[k] for k in RECORDS[table].key if k != "minutes"}
        return [(value, stored) for (stored,) in self.store.distinct(table, (value,), **same)]

    def undo(self, said):
        """Void a tester's own score, once however often it is sent; returns the words. A page
        names it by the key that it was sent with, which it may have been in vain."""
        assessor, table = self._known_assessor(said.get("assessor")), said.get("table")
        if table not in _UNDONE:
            raise RefusedError("there is no such score")
        # In its turn: the score itself may still wait for one.
        return self.turns.take(lambda: self._undone(table, key_of(said), assessor))

    def _undone(self, table, key, assessor):
        known = self.store.find(table, key)
        if known is None:
            return "Undone before it was saved."
        row, receipt = known
        if row["assessor"] != assessor:
            raise RefusedError("only your own score can be undone")
        entry_id = receipt.entry_id
        if table == "photos":  # chosen for the report meanwhile it has another entry
            entry_id = next((p.entry_id for p in photos_of(self.store, row["code"])
                             if p.sha256 == row["sha256"]), entry_id)
        # What was made void elsewhere is undone already. No page can send such a key for a score.
        if table == "photos" or self._counting(table, row):
            self.store.void(table, entry_id, f"undone on the panel page by {assessor}",
                            key=f"undo:{receipt.entry_id}")
        return f"Undone: {_score_words(row)}. It no longer counts."

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
        for pair in self.plan.get("pairs", ()):
            wanted = (assessor, code, said.get("sitting"), said.get("position"))
            if wanted == (pair["assessor"], _both(pair), pair["sitting"], pair["position"]):
                stronger = _checked(PAIRS["stronger"], said.get("value"))
                return {**{n: pair[n] for n in PAIRS.key}, "stronger": stronger}
        raise RefusedError(f"the pair {code[:20]} is not planned for {assessor} in this session")

    def _throw_row(self, said, code, assessor):
        wanted = (assessor, code, said.get("sitting"), said.get("kind"))
        names = ("assessor", "code", "sitting", "kind")
        smelling = next((s for s in self.plan.get("smellings", ())
                         if wanted == tuple(s[k] for k in names)), None)
        if smelling is None:
            raise RefusedError(f"piece {code} is not planned for {assessor} in this session")
        warm = smelling["kind"] == "warm"
        left = places_left(self.store, assessor, smelling["sitting"], smelling["kind"])
        minutes = _checked(_MINUTES, said.get("minutes")) if warm else None
        works = self.plan.get("works_with_fragrance")
        return {
            "code": code, "assessor": assessor, "sitting": smelling["sitting"],
            "kind": smelling["kind"], "throw": float(_checked(_THROW, said.get("value"))),
            "minutes": minutes, "position": left[0] if left else smelling["position"],
            "works_with_fragrance": (None if works is None else
                                     "yes" if assessor in works else "no"),
        }

    def _age(self, pour, said):
        """Age at the look; a score that waited on a phone is as old as when it was given. The
        page says how long it waited, not when: a phone's clock may be wrong."""
        days = [d for (d,) in self.store.distinct("pours", ("poured_on",), pour=pour)]
        if not days:
            return None
        waited = said.get("waited_s") or 0
        waited = waited if isinstance(waited, (int, float)) and 0 <= waited < 3e7 else 0
        today = self.today or (dt.datetime.now() - dt.timedelta(seconds=waited)).date()
        return float(max(0, (today - days[0]).days))


def key_of(said):
    """The key that a page gave to what it sends, so that it is stored once."""
    key = said.get("key", "")
    if not isinstance(key, str) or not re.fullmatch(r"[0-9A-Za-z-]{8,64}", key):
        raise RefusedError("the page sent no key; reload it")
    return key


def _names(item, minutes):
    """What is scored, by its name on the page, in the list of choices, and among the turns; and
    the planned minutes on the warmer of what is hot."""
    if item["test"] != "throw":
        test = item["test"]
        return {"what": f"{test.capitalize()} grade", "name": test.capitalize(), "turn": test}
    kind, sitting, hot = _THROWS[item["kind"]], item["sitting"], item["kind"] == "warm"
    return {"what": f"{kind}, session {sitting}", "name": f"{kind}, {sitting}",
            "turn": f"throw {sitting}", "hot": hot, "warm_min": minutes if hot else None}


def _both(pair):
    return f"{pair['first']} then {pair['second']}"


def _pair_item(pair, minutes):
    """A pair as the page shows it. It stores no minutes on the warmer, so no kind is sent."""
    sitting, hot = pair["sitting"], pair["kind"] == "warm"
    how, rest = "Smell the first, then the second.", "Rest before the next pair."
    if hot:
        rest = "Air both rooms and rest before the next pair."
        how = (f"Warm each{f' for {minutes:g} minutes' if minutes else ''} in its own room. {how} "
               "Leave them on their warmers: hot wax burns.")
    return {
        "hot": hot, "warm_min": minutes if hot else None,
        "how": f"{how} If unsure, guess. {rest}",
        "code": _both(pair), "test": "pair", "sitting": sitting, "kind": "", "age": "",
        "position": pair["position"], "turn": f"pairs {sitting}", "name": f"Pairs, {sitting}",
        "what": f"Which smells stronger? {_THROWS[pair['kind']]}, session {sitting}",
    }


def _score_words(row):
    if "sha256" in row:
        return photo_words(row)
    if "stronger" in row:
        return f"pair {_both(row)}"  # not which: the next one of these two is to be smelt anew
    if "grade" in row:
        seen = f"{row['grade']} ({GRADE_WORDS[row['test']][row['grade']]})"
        return f"piece {row['code']}, {row['test']} grade {seen}"
    return f"piece {row['code']}, {_THROWS[row['kind']].lower()} {row['throw']:g} of 10"


def _checked(column, value):
    found, wrong = column.check(value)
    if wrong:
        raise RefusedError(f"the {column.name} must be {wrong[0]}", field=column.name, value=value)
    return found
