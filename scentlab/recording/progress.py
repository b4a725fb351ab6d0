"""What is still to be done: scores that wait, pieces past their cure date, pours not logged.

A sweat or frost piece waits until it was graded as often as wanted; a throw piece waits for each
assessor whom the plan has smell it. Reserve pieces never wait. Without a plan the stored pieces
stand for it, without days.
"""

import datetime as dt
from dataclasses import dataclass

import pandas as pd

from scentlab.results import Result
from scentlab.text import spelling

SCORE_COLUMNS = ("test", "sitting", "assessor", "planned", "scored", "waiting")
OVERDUE_COLUMNS = ("code", "test", "stress", "due_on", "days_late")
POUR_COLUMNS = ("pour", "pot", "blend", "planned_on", "days_late")
WAITING_COLUMNS = ("code", "test", "stress", "sitting", "kind", "position", "due_on", "sheet_on",
                   "age_days", "planned_age_days")


@dataclass(frozen=True, repr=False)
class Progress(Result):
    """How far a series is on a day.

    ``scores`` has a row per test, sitting and assessor with the scores planned, scored and
    waiting; ``overdue`` the cured pieces that nobody graded or smelt; ``pours`` the planned pours
    that are not logged.
    """

    today: dt.date
    scores: pd.DataFrame
    overdue: pd.DataFrame
    pours: pd.DataFrame
    notes: tuple = ()

    @property
    def table(self):
        return self.scores

    @property
    def sentence(self):
        scored, planned = self.scores["scored"].sum(), self.scores["planned"].sum()
        return (
            f"{scored} of {planned} planned scores are in on {self.today}; {len(self.pours)} "
            f"pours are not logged, and {len(self.overdue)} cured pieces have no score."
        )


def see_progress(store, today=None, looks_per_piece=1):
    """The :class:`Progress` of a store; ``today`` is a date, the machine's day when absent."""
    today = today or dt.date.today()
    due = _due(store)
    graded, smelt = _graded(store), _smelt(store)
    orders = _orders(store)
    counts = [*_grade_counts(due, graded, looks_per_piece), *_throw_counts(orders, smelt)]
    return Progress(
        today=today,
        scores=pd.DataFrame(counts, columns=list(SCORE_COLUMNS)),
        overdue=_overdue(due, graded, {code for _, _, code, _ in smelt}, today),
        pours=_missing_pours(store, today),
        notes=tuple(_moved_sittings(orders, due, today)),
    )


def waiting(store, assessor, test=None, today=None, looks_per_piece=1):
    """What an assessor still has to score today, in order and by blind code only.

    Pieces to be graded come by stress (rest before heat), then by their planned day, then by code,
    which is random: nothing follows the order of pouring within a day. Throw comes as planned.

    Parameters
    ----------
    assessor : the assessor's code.
    test : "sweat", "frost" or "throw"; all three when absent.
    today : a date; pieces that are not cured and later sittings are left out.
    looks_per_piece : number of assessors who grade each sweat and frost piece.

    Returns
    -------
    DataFrame with ``WAITING_COLUMNS``; age_days counts from the day that the pour was logged for,
    planned_age_days is the age at which the plan wants the look, due_on is moved by as many days as
    the pour was late, and sheet_on is the planned day, which the printed sheet bears.
    """
    today = today or dt.date.today()
    assessor = spelling(known_assessors(store))(assessor)
    due = _due(store)
    due["age_days"] = [
        None if p is None else float(max(0, (today - p).days)) for p in due["poured_on"]
    ]
    looks = _only(due, (d is None or d <= today for d in due["due_on"]))
    looks = _in_order(_only(looks, looks["logged"] | ~looks["planned"]))
    found = [
        _grades_waiting(looks[looks["test"] == name], name, assessor, store, looks_per_piece)
        for name in ("sweat", "frost") if test in (None, name)
    ]
    if test in (None, "throw"):
        found.append(_throws_waiting(_orders(store), due, assessor, store, today))
    found = [f.reindex(columns=list(WAITING_COLUMNS)).astype(object) for f in found]
    joined = pd.concat(found, ignore_index=True)
    return joined.where(joined.notna(), None)


def age_words(age_days, planned_age_days=None):
    """The age of a piece beside the planned one; '' where it is not known.

    >>> age_words(50.0, 7.0)
    'day 50, planned 7'
    """
    if age_days is None:
        return ""
    return f"day {age_days:g}" + ("" if planned_age_days is None else
                                  f", planned {planned_age_days:g}")


def warmer_pieces(store):
    """The pieces for checks on the warmer, by blind code only.

    Returns
    -------
    (tuple, tuple) of codes: those that were checked there already, and those kept in reserve, of
    logged pours, that were not.
    """
    on = store.distinct("warmings", ("code",))
    poured = store.distinct("pours", ("pour",))
    kept = {(c,) for c, pour in store.distinct("pieces", ("code", "pour"), test="reserve")
            if (pour,) in poured}
    return tuple(tuple(sorted(code for (code,) in codes)) for codes in (on, kept - on))


def known_assessors(store):
    """Codes of the plan's assessors; without a plan, of those who scored, or else A1 to A8."""
    planned = (store.plan() or {}).get("assessors")
    if planned:
        return list(planned)
    seen = store.distinct("grades", ("assessor",)) | store.distinct("throws", ("assessor",))
    found = sorted((a for (a,) in seen if a), key=lambda a: (a[0], int(a[1:])))
    return found or [f"A{n}" for n in range(1, 9)]


def _due(store):
    """The pieces with their day: planned, moved by as many days as the pour was late."""
    plan = store.plan() or {}
    pieces = {p["code"]: p for p in plan.get("pieces", ())}
    pours = {p["pour"]: p for p in plan.get("pours", ())}
    logged = {p: d for p, d in store.distinct("pours", ("pour", "poured_on"))}
    rows = []
    for code, pour, test, stress in store.distinct("pieces", ("code", "pour", "test", "stress")):
        due_on = sheet_on = _date(pieces.get(code, {}).get("due_on"))
        intended, done = _date(pours.get(pour, {}).get("poured_on")), logged.get(pour)
        wanted = None if None in (due_on, intended) else float((due_on - intended).days)
        if wanted is not None and done is not None:
            due_on += done - intended
        rows.append((code, pour, test, stress, due_on, sheet_on, done, wanted, pour in logged,
                     code in pieces))
    names = ["code", "pour", "test", "stress", "due_on", "sheet_on", "poured_on",
             "planned_age_days", "logged", "planned"]
    frame = pd.DataFrame(rows, columns=names).astype({"logged": bool, "planned": bool})
    # The plan's order, then the others by code: codes are random, so neither tells the load.
    order = {code: i for i, code in enumerate(pieces)}
    rank = [(order.get(c, len(order)), c) for c in frame["code"]]
    index = sorted(range(len(frame)), key=rank.__getitem__)
    frame = frame.iloc[index].reset_index(drop=True).astype({"due_on": object})
    for name in ("test", "stress", "due_on", "sheet_on", "poured_on", "planned_age_days"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), None)
    return frame


def _in_order(looks):
    """Rest before heat, then by planned day and code: the order of a printed sheet.

    Not by the day that a late pour is moved to, for that would set its pieces apart.
    """
    rank = [(stress == "heat", day or dt.date.max, code) for stress, day, code
            in zip(looks["stress"], looks["sheet_on"], looks["code"], strict=True)]
    return looks.iloc[sorted(range(len(looks)), key=rank.__getitem__)]


def _orders(store):
    """The planned smellings as a frame, in order."""
    names = ["sitting", "sitting_on", "kind", "assessor", "position", "code"]
    frame = pd.DataFrame((store.plan() or {}).get("smellings", []), columns=names)
    return frame.sort_values(["sitting_on", "sitting", "position"], kind="stable")


def _graded(store):
    return store.distinct("grades", ("code", "test", "assessor"))


def _smelt(store):
    return store.distinct("throws", ("sitting", "assessor", "code", "kind"))


def _grade_counts(due, graded, looks):
    for test in ("sweat", "frost"):
        codes = set(due.loc[due["test"] == test, "code"])
        if not codes:
            continue
        seen = {}
        for code, name, assessor in graded:
            if name == test and code in codes:
                seen.setdefault(code, set()).add(assessor)
        done = sum(min(len(a), looks) for a in seen.values())
        yield (test, "", "", looks * len(codes), done, looks * len(codes) - done)


def _throw_counts(orders, smelt):
    for (sitting, kind, assessor), rows in orders.groupby(
        ["sitting", "kind", "assessor"], sort=False
    ):
        done = sum((sitting, assessor, code, kind) in smelt for code in rows["code"])
        yield (f"{kind} throw", sitting, assessor, len(rows), done, len(rows) - done)


def _overdue(due, graded, smelt, today):
    scored = {"sweat": {c for c, t, _ in graded if t == "sweat"},
              "frost": {c for c, t, _ in graded if t == "frost"}, "throw": smelt}
    rows = [
        (p.code, p.test, p.stress, p.due_on, (today - p.due_on).days)
        for p in due.itertuples()
        if p.due_on is not None and p.due_on < today and p.test in scored and p.logged
        and p.code not in scored[p.test]
    ]
    return pd.DataFrame(rows, columns=list(OVERDUE_COLUMNS), dtype=object)


def _missing_pours(store, today):
    logged = {pour for (pour,) in store.distinct("pours", ("pour",))}
    rows = []
    for pour in (store.plan() or {}).get("pours", ()):
        if pour["pour"] not in logged:
            day = _date(pour.get("poured_on"))
            late = None if day is None else max(0, (today - day).days)
            rows.append((pour["pour"], pour.get("pot"), pour.get("blend"), day, late))
    return pd.DataFrame(rows, columns=list(POUR_COLUMNS))


def _grades_waiting(looks, test, assessor, store, looks_per_piece):
    seen = {}
    for code, who in store.distinct("grades", ("code", "assessor"), test=test):
        seen.setdefault(code, set()).add(who)
    open_ = [
        len(seen.get(code, ())) < looks_per_piece and assessor not in seen.get(code, ())
        for code in looks["code"]
    ]
    return _only(looks, open_)


def _throws_waiting(orders, due, assessor, store, today):
    days = _sitting_days(orders, due)
    mine = orders[orders["assessor"] == assessor]
    mine = mine.assign(due_on=[days[s] for s in mine["sitting"]],
                       sheet_on=[_date(d) for d in mine["sitting_on"]])
    poured = set(due.loc[due["logged"] | ~due["planned"], "code"])
    mine = _only(mine, (c in poured and (d is None or d <= today)
                        for c, d in zip(mine["code"], mine["due_on"], strict=True)))
    done = store.distinct("throws", ("sitting", "kind", "code"), assessor=assessor)
    keys = zip(mine["sitting"], mine["kind"], mine["code"], strict=True)
    mine = _only(mine, (key not in done for key in keys)).assign(test="throw")
    ages = due.set_index("code")["age_days"]
    return mine.assign(age_days=[ages.get(c) for c in mine["code"]])


def _sitting_days(orders, due):
    """The day of each sitting: the planned one, or later when a piece of it cures later.

    A sitting is held as a whole, for its pieces are compared with each other in one room. A pour
    that was never logged holds nobody up.
    """
    logged = due[due["logged"]]
    cured = dict(zip(logged["code"], logged["due_on"], strict=True))
    days = {}
    for sitting, rows in orders.groupby("sitting", sort=False):
        known = [_date(d) for d in rows["sitting_on"]] + [cured.get(c) for c in rows["code"]]
        days[sitting] = max((d for d in known if d is not None), default=None)
    return days


def _moved_sittings(orders, due, today):
    """A sentence for each sitting that waits longer than planned."""
    days = _sitting_days(orders, due)
    for sitting, rows in orders.groupby("sitting", sort=False):
        planned = _date(rows["sitting_on"].iloc[0])
        if planned is not None and days[sitting] > max(planned, today):
            yield (
                f"Sitting {sitting} was planned for {planned} and waits until {days[sitting]}: a "
                "pour was late, and its pieces have not cured before."
            )


def _only(frame, keep):
    """The rows to keep; a frame without rows stays one with columns."""
    return frame.loc[pd.Series(list(keep), index=frame.index, dtype=bool)]


def _date(value):
    return dt.date.fromisoformat(value) if isinstance(value, str) else value
