"""What is still to be done: scores that wait, pieces past their cure date, pours not logged.

A sweat or frost piece waits until it was graded as often as wanted; a throw piece waits for each
assessor whom the plan has smell it. Reserve pieces never wait. Without a plan the stored pieces
stand for it, without days. Of a test batch that will not be poured, and of a piece, session or
tester that will not come, nothing waits or is planned.
"""

import datetime as dt
import functools
import math
from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple

import pandas as pd

from scentlab.recording.unpoured import left_out, left_words, plan_to_do, unpoured
from scentlab.schema import GRADE_WORDS, PAIRS, THROW_WORDS
from scentlab.series import rule_of
from scentlab.text import count_of, gathered

LONG = dt.timedelta(days=7)  # own choice
OVERDUE_COLUMNS = ("code", "test", "stress", "due_on", "days_late")
POUR_COLUMNS = ("pour", "pot", "blend", "planned_on", "days_late")
WAITING_COLUMNS = ("code", "test", "stress", "sitting", "kind", "position", "due_on", "sheet_on",
                   "age_days", "planned_age_days", "look")


@dataclass(frozen=True)
class Progress:
    """How far a series is on a day.

    ``scores`` has a row per test, sitting and assessor with the scores planned, scored and
    waiting; ``overdue`` the cured pieces that nobody graded or smelt; ``pours`` the planned pours
    that are not logged; ``unpoured`` those that will not be poured, with the reason of each, and
    ``left_out`` the pieces, sittings and assessors that will not come, in words.
    """

    today: dt.date
    scores: pd.DataFrame
    overdue: pd.DataFrame
    pours: pd.DataFrame
    unpoured: dict
    left_out: str
    notes: tuple

    @property
    def sentence(self):
        scored, planned = self.scores["scored"].sum(), self.scores["planned"].sum()
        pours, late = len(self.pours), len(self.overdue)
        return (
            f"{scored} of {planned} planned scores are in on {self.today}; "
            f"{count_of(pours, 'test batch')} {'is' if pours == 1 else 'are'} not logged, and "
            f"{count_of(late, 'piece')} {'is' if late == 1 else 'are'} overdue."
        )


class _Piece(NamedTuple):
    """A piece with its day: planned, moved by as many days as its pour was late."""

    code: str
    pour: str
    test: str | None
    stress: str | None
    planned: bool
    poured_on: dt.date | None
    due_on: dt.date | None
    late: dt.timedelta
    planned_age_days: float | None
    since_days: float = 0.0  # the ages between which a grade is of this look
    until_days: float = math.inf

    @property
    def sheet_on(self):
        """The planned day, which the printed sheet bears."""
        return self.due_on and self.due_on - self.late

    @property
    def is_there(self):
        return self.poured_on is not None or not self.planned

    def age_on(self, day):
        return None if self.poured_on is None else float(max(0, (day - self.poured_on).days))


class _Day:
    """A series on a day: its plan, its pieces and its sittings, the planned smellings in order."""

    def __init__(self, store, today=None, looks=1):
        self.store, self.today, self.looks = store, today or dt.date.today(), looks
        self.gone, self.plan = left_out(store), plan_to_do(store)
        self.logged = dict(store.distinct("pours", ("pour", "poured_on")))
        stays = {*map(_place, self.plan.get("smellings", ())), *_smelt(store)}
        self.sittings = gathered((s["sitting"], s) for s in sorted(
            (store.plan() or {}).get("smellings", ()),
            key=lambda s: (s["sitting_on"], s["sitting"], s["position"])) if _place(s) in stays)

    @functools.cached_property
    def pieces(self):
        return [p for p in _pieces(self.store, self.plan, self.logged)
                if not {p.pour, p.code} & self.gone.keys()]

    @property
    def sitting_days(self):
        """The day of each sitting: the planned one, or later when a piece of it cures later.

        A sitting is held as a whole, for its pieces are compared with each other in one room. A
        pour that was never logged holds nobody up.
        """
        cured = {p.code: p.due_on for p in self.pieces if p.poured_on}
        return {
            sitting: max(filter(None, [*(_date(r["sitting_on"]) for r in rows),
                                       *(cured.get(r["code"]) for r in rows)]), default=None)
            for sitting, rows in self.sittings.items()
        }

    def missing_pours(self):
        for pour in (p for p in self.plan.get("pours", ()) if p["pour"] not in self.logged):
            day = _date(pour.get("poured_on"))
            late = None if day is None else max(0, (self.today - day).days)
            yield (pour["pour"], pour.get("pot"), pour.get("blend"), day, late)

    def to_grade(self, test, every_look=False):
        """The pieces of a test that are in hand, each with those who graded it at the look that
        counts: of sweat the latest of the planned later looks that is due, if one is; or with
        ``every_look`` each that was, as they have sheets of their own."""
        grades = self.store.distinct("grades", ("code", "assessor", "age_days"), test=test)
        for piece in (p for p in self.pieces if p.test == test and p.is_there):
            for look in self._looks(piece)[0 if every_look else -1:]:
                yield look, _who_saw(grades, piece.code, look.since_days, look.until_days)

    def _looks(self, piece):
        """A piece as it is at each of its looks that has come, the first one and the later ones."""
        ages = rule_of(self.plan, "cure_days").get("again") or ()
        reached = [float(age) for age in ages if piece.test == "sweat" and piece.poured_on
                   and piece.age_on(self.today) >= age]
        ends = [*reached, math.inf]
        return [piece._replace(until_days=ends[0])] + [
            piece._replace(due_on=piece.poured_on + dt.timedelta(days=age), planned_age_days=age,
                           since_days=age, until_days=end)
            for age, end in zip(reached, ends[1:], strict=True)]

    def grades_waiting(self, test, assessor, every_look=False):
        """Rest before heat, then by planned day and code: the order of a printed sheet.

        Not by the day that a late pour is moved to, for that would set its pieces apart.
        """
        mine = [p for p, seen in self.to_grade(test, every_look)
                if (p.due_on is None or p.due_on <= self.today)
                and len(seen) < self.looks and assessor not in {*seen, *self.gone}]
        for p in sorted(mine, key=lambda p: (p.stress == "heat", p.sheet_on or dt.date.max,
                                             p.code)):
            yield (p.code, test, p.stress, None, None, None, p.due_on, p.sheet_on,
                   p.age_on(self.today), p.planned_age_days,
                   f"{p.since_days:g}" if p.since_days else None)

    def to_smell(self, assessor=None):
        """What is planned to be smelt, by a tester or by all, and was not yet, of pieces in hand:
        the planned row, the day of its sitting, and the piece."""
        there, done = {p.code: p for p in self.pieces if p.is_there}, _smelt(self.store)
        for sitting, due_on in self.sitting_days.items():
            for row in self.sittings[sitting]:
                if row["code"] in there and assessor in (None, row["assessor"]) and (
                        _place(row) not in done):
                    yield row, due_on, there[row["code"]]

    def throws_waiting(self, assessor):
        for r, due_on, piece in self.to_smell(assessor):
            if due_on is None or due_on <= self.today:
                yield (r["code"], "throw", None, r["sitting"], r["kind"], r["position"], due_on,
                       _date(r["sitting_on"]), piece.age_on(self.today), None, None)


def see_progress(store, today=None, looks_per_piece=1):
    """How far a series is on a day (date; None takes the machine's), with so many grades planned of
    a piece and test."""
    on = _Day(store, today, looks_per_piece)
    graded = Counter((test, code) for code, test, _ in
                     store.distinct("grades", ("code", "test", "assessor")))
    smelt = _smelt(store)
    smellings = [r for rows in on.sittings.values() for r in rows]
    waits = {*((p.test, p.code) for p in on.pieces if p.test in GRADE_WORDS),
             *(("throw", r["code"]) for r in smellings)}
    waits -= {*graded, *(("throw", code) for _, _, code, _ in smelt)}
    overdue = [
        (p.code, p.test, p.stress, p.due_on, (on.today - p.due_on).days) for p in on.pieces
        if (p.test, p.code) in waits and p.poured_on and p.due_on and p.due_on < on.today
    ]
    return Progress(
        today=on.today,
        scores=_score_counts(on, graded, [(r, _place(r) in smelt) for r in smellings]),
        overdue=pd.DataFrame(overdue, columns=list(OVERDUE_COLUMNS), dtype=object),
        pours=pd.DataFrame(on.missing_pours(), columns=list(POUR_COLUMNS)),
        unpoured=(gone := unpoured(store)),
        left_out=left_words(store, {n: why for n, why in on.gone.items() if n not in gone}),
        notes=tuple(_moved_sittings(on)),
    )


def _smelt(store):
    return store.distinct("throws", ("sitting", "assessor", "code", "kind"))


def _place(row):
    return row["sitting"], row["assessor"], row["code"], row["kind"]


def _score_counts(on, graded, smelt):
    """How many scores of each test, sitting and assessor there are to be, are there, and wait."""
    compared = on.store.distinct("pairs", PAIRS.key)
    pairs = [(p, tuple(p[n] for n in PAIRS.key) in compared) for p in on.plan.get("pairs", ())]
    rows = [(test, "", "", look < graded[test, p.code]) for test in GRADE_WORDS
            for p in on.pieces if p.test == test for look in range(on.looks)]
    rows += [(f"{THROW_WORDS[row['kind']]} {what}", row["sitting"], row["assessor"], done)
             for what, planned in (("throw", smelt), ("pairs", pairs)) for row, done in planned]
    by = ["test", "sitting", "assessor"]
    counts = pd.DataFrame(rows, columns=[*by, "done"]).astype({"done": int}).groupby(by, sort=False)
    found = counts["done"].agg(planned="size", scored="sum").reset_index()
    return found.assign(waiting=found["planned"] - found["scored"])


def _moved_sittings(on):
    """A sentence for each sitting that waits longer than planned."""
    for sitting, day in on.sitting_days.items():
        planned = _date(on.sittings[sitting][0]["sitting_on"])
        if planned is not None and day > max(planned, on.today):
            yield (f"Session {sitting} was planned for {planned} and waits until {day}: a test "
                   "batch was late, so its pieces are not cured before then.")


def waiting(store, assessor, test=None, today=None, looks_per_piece=1, every_look=False):
    """What an assessor still has to score today, in order and by blind code only, as a DataFrame
    with ``WAITING_COLUMNS``; ``test`` is "sweat", "frost" or "throw", or all three.

    Pieces to be graded come by stress (rest before heat), then by their planned day, then by code,
    which is random: nothing follows the order of pouring within a day. Throw comes as planned.
    age_days counts from the day that the pour was logged for, planned_age_days is the age at which
    the plan wants the look, due_on is moved by as many days as the pour was late, sheet_on is the
    planned day, which the printed sheet bears, and look the age of a later look, None at the first.
    Of several looks that have come the last one waits; with ``every_look`` each that has no grade.
    """
    on, rows = _Day(store, today, looks_per_piece), []
    for name in GRADE_WORDS:
        if test in (None, name):
            rows += on.grades_waiting(name, assessor, every_look)
    if test in (None, "throw"):
        rows += on.throws_waiting(assessor)
    return pd.DataFrame(rows, columns=list(WAITING_COLUMNS), dtype=object)


def places_left(store, assessor, sitting, kind):
    """The places of a session that a tester has not taken, in order: who left a piece for later
    smells it later."""
    same = {"assessor": assessor, "sitting": sitting, "kind": kind}
    taken = {place for (place,) in store.distinct("throws", ("position",), **same)}
    planned = {s["position"] for s in (store.plan() or {}).get("smellings", ())
               if all(s[n] == same[n] for n in same)}
    return sorted(planned - taken)


def pairs_waiting(store, *assessors):
    """The planned pairs that testers have not compared, in order: dicts of the plan. A pair waits
    for both its test batches to be logged."""
    there = {p.code for p in _Day(store).pieces if p.poured_on}
    done = store.distinct("pairs", PAIRS.key)
    return [p for p in plan_to_do(store).get("pairs", ())
            if p["assessor"] in assessors and {p["first"], p["second"]} <= there
            and tuple(p[n] for n in PAIRS.key) not in done]


def pairs_to_compare(store, assessors):
    """How many pairs these testers have still to compare, in words; '' for none."""
    pairs = len(pairs_waiting(store, *assessors))
    return f"{count_of(pairs, 'pair')} to compare" if pairs else ""


def sweat_pieces(store):
    """The sweat pieces of logged test batches, with the day that each is ready on."""
    return [p for p in _Day(store).pieces if p.test == "sweat" and p.poured_on and p.due_on]


def score_days(store, today=None, looks_per_piece=1, assessor=None):
    """What waits for a score: of pieces in hand, by the day from which they wait.

    ``assessor`` counts the sessions of that tester alone. Returns a dict of date, in rising order
    (``today`` where there is none), to (number of pieces to grade, tuple of sessions).
    """
    on = _Day(store, today, looks_per_piece)
    grades = Counter(p.due_on or on.today for test in GRADE_WORDS
                     for p, seen in on.to_grade(test) if len(seen) < looks_per_piece)
    smell = gathered((day or on.today, row["sitting"]) for row, day, _ in on.to_smell(assessor))
    return {day: (grades[day], tuple(dict.fromkeys(smell.get(day, ()))))
            for day in sorted({*grades, *smell})}


def turn_words(rows):
    """How much of each test and session rows (dicts) of what waits hold, in words; '' for none."""
    def turn(row):
        what = f"{THROW_WORDS[row['kind']]} throw" if row["kind"] else "pairs"
        return f"{what} in session {row['sitting']}" if row["sitting"] else row["test"]

    return ", ".join(f"{n} {words}" for words, n in Counter(map(turn, rows)).items())


def waits_long(store, today=None):
    """Whether a score waits for so long that it is more likely lost, or was never held."""
    today = today or dt.date.today()
    return min(score_days(store, today), default=today) < today - LONG


def score_words(store, today=None, looks_per_piece=1, assessor=None):
    """What is to be scored now, and what comes next with its day: two texts, '' for nothing."""
    today = today or dt.date.today()
    days = score_days(store, today, looks_per_piece, assessor)
    ready = [scores for day, scores in days.items() if day <= today]
    now = _scores(sum(grades for grades, _ in ready), [one for _, names in ready for one in names])
    later = [f"{_scores(*days[day])} on {day.day} {day:%B}" for day in days if day > today]
    pairs = pairs_to_compare(store, known_assessors(store) if assessor is None else [assessor])
    return ", ".join(filter(None, [now, pairs])), "; ".join(later[:2])


def _scores(grades, sessions):
    said = [f"{count_of(grades, 'piece')} to grade"] if grades else []
    if sessions:
        last = f" to {sessions[-1]}" if sessions[1:] else ""
        said.append(f"session{'s' * bool(last)} {sessions[0]}{last} to smell")
    return " and ".join(said)


def age_words(age_days, planned_age_days=None):
    """The age of a piece beside the planned one; '' where it is not known.

    >>> age_words(50.0, 7.0), age_words(7.0, 7.0)
    ('50 days old (planned: 7)', '7 days old')
    """
    if age_days is None:
        return ""
    return f"{age_days:g} days old" + ("" if planned_age_days in (None, age_days) else
                                       f" (planned: {planned_age_days:g})")


def warmer_pieces(store):
    """The codes of pieces for checks on the warmer: those that were checked there already, and
    those kept in reserve, of logged pours, that were not."""
    on = {code for (code,) in store.distinct("warmings", ("code",))}
    kept = {p.code for p in _Day(store).pieces if p.test == "reserve" and p.poured_on}
    return tuple(sorted(on)), tuple(sorted(kept - on))


def known_assessors(store):
    """Codes of the plan's assessors; without a plan, of those who scored, or else A1 to A8."""
    planned = (store.plan() or {}).get("assessors")
    if planned:
        return list(planned)
    seen = store.distinct("grades", ("assessor",)) | store.distinct("throws", ("assessor",))
    found = sorted((a for (a,) in seen if a), key=lambda a: (a[0], int(a[1:])))
    return found or [f"A{n}" for n in range(1, 9)]


def _pieces(store, plan, logged):
    """The pieces of a store in the plan's order, then the others by code.

    Codes are random, so neither order gives a load away.
    """
    planned = {p["code"]: _date(p.get("due_on")) for p in plan.get("pieces", ())}
    intended = {p["pour"]: _date(p.get("poured_on")) for p in plan.get("pours", ())}
    place = {code: n for n, code in enumerate(planned)}
    for code, pour, test, stress in sorted(
            store.distinct("pieces", ("code", "pour", "test", "stress")),
            key=lambda p: (place.get(p[0], len(place)), p[0])):
        due_on, meant, done = planned.get(code), intended.get(pour), logged.get(pour)
        age, late = None, dt.timedelta(0)
        if due_on and meant:
            age, late = float((due_on - meant).days), done - meant if done else late
        yield _Piece(code, pour, test, stress, code in planned, done, due_on and due_on + late,
                     late, age)


@functools.lru_cache(maxsize=4)  # one page asks for every tester
def _by_code(grades):
    """Per code who graded it, and at which age; not to be changed."""
    return gathered((code, (who, age)) for code, who, age in grades)


@functools.lru_cache(maxsize=4096)
def _who_saw(grades, code, since, until):
    """Who graded a piece between two ages, or at an age that is not known."""
    return frozenset(who for who, age in _by_code(grades).get(code, ())
                     if age is None or since <= age < until)


def _date(value):
    return dt.date.fromisoformat(value) if isinstance(value, str) else value
