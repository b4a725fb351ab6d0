"""A quick check in its folder, as screen and terminal carry it on: planned, poured, graded, grown.

It begins with one pot at two to four loads and grows pot by pot, as :func:`next_step` proposes.
"""

import contextlib
import datetime as dt
from dataclasses import replace
from pathlib import Path

from scentlab import amounts
from scentlab.choosing.analysis import analyse
from scentlab.choosing.kept import rules_here
from scentlab.choosing.so_far import loads_so_far
from scentlab.choosing.waits import NO_PLAN
from scentlab.files import write_whole
from scentlab.foresight.next_step import STOP, next_step
from scentlab.materials import Refusal
from scentlab.planning.plan import Plan
from scentlab.planning.quick import grow_plan, quick_costs, quick_plan
from scentlab.planning.refusal import count_of
from scentlab.planning.rules import PieceNumbers
from scentlab.planning.sheets import quick_sheet_html
from scentlab.recording.pouring import doubts, possible_load, say_usual, usual_day
from scentlab.recording.progress import sweat_pieces, waiting
from scentlab.recording.reading import plan_now, read_series
from scentlab.recording.shelf import shelf_beside, shelve
from scentlab.recording.store import Store
from scentlab.recording.unpoured import leave_out, make_void, unpoured
from scentlab.schema import POURS
from scentlab.text import capital, seed_of
from scentlab.units import (
    in_maker_units,
    load_from_weights,
    say_load_oz,
    say_weight,
    shown,
)
from scentlab.workshop import EXPORTS_NAME, QUICK_TESTER, begin_series

NEVER = "x"  # typed for a weight or grade: this will not be poured, or is lost

# What is asked of a new check, by name: how its text is read.
ASKED = {
    "wax": str, "oil": str, "loads": amounts.read_loads, "sheet": amounts.read_load,
    "limit": amounts.read_load, "piece": lambda text: amounts.read_amount(text, "g", shown()),
    "add": amounts.read_temperature, "flash": amounts.read_temperature,
    "wax_price": amounts.read_price, "oil_price": amounts.read_price, "currency": str,
}
# What is asked of a material, by its column.
OF_MATERIAL = {
    "wax": {"limit_load_pct": "limit", "add_temp_c": "add", "recommended_load_pct": "sheet",
            "price_per_kg": "wax_price"},
    "fragrance": {"flash_point_c": "flash", "price_per_kg": "oil_price"},
}


def _read_asked(texts):
    """What is typed of a new check, by name, None where nothing is."""
    found = {}
    for name, read in ASKED.items():
        text = (texts.get(name) or "").strip()
        try:
            found[name] = read(text) if text else None
        except amounts.AmountError as error:
            raise Refusal(str(error), field=name, value=text) from error
    return found


def plan_asked(texts, folder, today, seed=None):
    """The plan of a new check from texts, and the sentences of what it takes.

    What is left out of a wax or fragrance is taken from the shelf of the workshop. The codes follow
    from the folder's name, so that pieces of two checks side by side differ.
    """
    asked = _read_asked(texts)
    for name in ("wax", "oil", "loads"):
        if asked[name] is None:
            raise Refusal(f"{name} is missing", field=name)
    if seed is None:
        seed = seed_of(Path(folder).resolve().name, asked["wax"], asked["oil"])
    shelf = shelf_beside(folder)
    wax = _with(shelf.wax(shelf.one_wax(asked["wax"])), asked, texts, **OF_MATERIAL["wax"])
    fragrance = _with(shelf.fragrance(asked["oil"]), asked, texts, **OF_MATERIAL["fragrance"])
    known = [row for row in (shelf.find("wax", wax.name), shelf.find("fragrance", fragrance.name))
             if row]
    currency = asked["currency"] or next(
        (row["currency"] for row in known if "currency" in row), "")
    with _as_typed(texts, piece_g="piece"):
        plan = quick_plan(
            wax, fragrance, asked["loads"], start=today, seed=seed, currency=currency,
            **({} if asked["piece"] is None else {"piece_g": asked["piece"]}),
        )
    said = []
    for load, words, end in (
            (wax.limit_load_pct, "the wax maker's limit", ": for testing, not for sale"),
            (fragrance.limit_load_pct, "the regulatory limit", ": for testing, not for sale"),
            (wax.recommended_load_pct, "the wax maker's recommended load", "")):
        over = sum(p.load_pct > (load or 100) + 1e-9 for p in plan.pour_rows)
        if over and (end or not said):
            be = "is" if over == 1 else "are"
            said.append(f"{over} of {len(plan.pour_rows)} loads {be} over {words}, "
                        f"{say_load_oz(load, sold=True)}{end}.")
    if known:
        taken = " and ".join(row["name"] for row in known)
        said.append(f"From the shelf, unless you type otherwise: {taken}.")
    return plan, (*quick_costs(plan), *said)


def _with(material, asked, texts, **names):
    """A material with what is typed of its columns, by the name that each is asked by."""
    with _as_typed(texts, **names):
        return replace(material, **{column: asked[name] for column, name in names.items()
                                    if asked[name] is not None})


@contextlib.contextmanager
def _as_typed(texts, **names):
    """A value out of bounds is refused as it was typed."""
    try:
        yield
    except Refusal as error:
        text = texts.get(name := names.get(error.field))
        if not (text and error.expected):
            raise
        raise Refusal(f"{text!r} is not possible", expected=in_maker_units(error.expected),
                      field=name, value=text) from error


class QuickCheck:
    """A quick check in a folder: what is to do, what was seen, and the next step.

    ``plan`` is the plan as it is, ``left`` the test batches that are still to be logged. ``today``
    is the day that pieces are ready or not on; None takes the machine's.
    """

    def __init__(self, folder, today=None):
        self.store, self._today = Store.open(folder), today
        self.read()

    def read(self):
        """Take the plan as it is kept now; others may have changed it."""
        self._kept, found = self.store.plan(), plan_now(self.store)
        if found is None:
            raise Refusal(f"{self.store.folder} has no plan",
                          f"plan it on page Plan, or once it is graded: {NO_PLAN}")
        self.plan = Plan.from_dict(found)

    @classmethod
    def begin(cls, folder, plan, today=None, units=None):
        """Make the series folder of a plan, and of the units typed for it."""
        begin_series(folder, plan.title, plan.to_dict(), units)
        shelve(folder, plan.to_dict())
        return cls(folder, today)

    @property
    def today(self):
        return self._today or dt.date.today()

    @property
    def logged(self):
        """The planned test batches that are stored."""
        logged = {pour for (pour,) in self.store.distinct("pours", ("pour",))}
        return [p for p in self.plan.pour_rows if p.pour in logged]

    @property
    def left(self):
        graded, gone = self._graded(), unpoured(self.store)
        done = self._pots(p for p in sweat_pieces(self.store) if p.code in graded)
        return [p for p in self.plan.pour_rows
                if p not in self.logged and p.pour not in gone and p.pot not in done]

    @property
    def pour_day(self):
        """The day of pouring of what is left where none is typed, as of a card, and its words."""
        planned = vars(self.left[0])
        return usual_day(planned, self.today), say_usual(planned, self.today)

    def _graded(self):
        return {code for (code,) in self.store.distinct("grades", ("code",))}

    def _pots(self, pieces):
        pours = {p.pour for p in pieces}
        return {p.pot for p in self.plan.pour_rows if p.pour in pours}

    def sheets(self, pots=1):
        """The paths of the sheets of the last pots, by pot."""
        own = dict.fromkeys(p.pot for p in self.plan.pour_rows if not p.lot)
        return {pot: self.store.folder / EXPORTS_NAME / f"quick-sheet-{pot}.html"
                for pot in list(own)[-pots:]}

    def write_sheets(self, paper="", pots=1):
        """Write the sheet of each of the last pots; returns their paths."""
        for pot, path in (found := self.sheets(pots)).items():
            path.parent.mkdir(exist_ok=True)
            write_whole(path, quick_sheet_html(self.plan, paper, [pot]))
        return list(found.values())

    def log(self, pour, wax_g, fragrance_g, scale_check_g=None, key=None, poured_on=None, **more):
        """Store what was weighed of a planned test batch, and ``more`` of it; returns the receipt.
        """
        return self.store.add("pours", {
            "pour": pour.pour, "pot": pour.pot, "blend": pour.blend,
            "poured_on": poured_on or self.today,
            "wax_g": wax_g, "fragrance_g": fragrance_g, "scale_check_g": scale_check_g, **more,
        }, key)

    def leave_out(self, name, key=None):
        """Store that a planned test batch will not be poured, or a piece is lost; returns the
        receipt."""
        return leave_out(self.store, name, key=key)

    @property
    def heat_day(self):
        """The day on which the newest heat cycle that is over was to begin; None where none is, or
        where it is on record what it reached."""
        dues = {p.due_on for p in self._heated()}
        if not dues:
            return None
        day = self.plan.heat_cycle.begins(max(dues))
        begun = [begun for (begun,) in self.store.distinct("heats", ("started_on",))]
        return None if len(begun) >= len(dues) or any(x >= day for x in begun) else day

    @property
    def heated_pots(self):
        """The pots whose pieces were in the newest heat cycle that is over."""
        due = max(p.due_on for p in self._heated())
        return sorted(self._pots(p for p in self._heated() if p.due_on == due))

    def _heated(self):
        return [p for p in sweat_pieces(self.store)
                if p.stress == "heat" and p.due_on <= self.today]

    def due(self):
        """The pieces that are ready to grade, in the order of the sheet."""
        return waiting(self.store, QUICK_TESTER, "sweat", self.today)

    def grade(self, piece, grade):
        """Store the sweat grade of a piece of :meth:`due`; returns the receipt."""
        return self.store.add("grades", {
            "code": piece["code"], "test": "sweat", "stress": piece["stress"],
            "age_days": piece["age_days"], "assessor": QUICK_TESTER, "grade": int(grade),
        })

    def undo(self, table, entry_id):
        """Make the entry void; it stays in the history."""
        return make_void(self.store, table, entry_id, "undone in the quick check")

    def waits(self):
        """What keeps the answer back, in words, and what is still to come; and whether it does.

        A pot of which nobody graded a piece yet leaves the answer of the others as it is; of one
        that is begun, a few pieces that are ready and not graded are taken for lost.
        """
        graded, pieces = self._graded(), sweat_pieces(self.store)
        begun = self._pots(p for p in pieces if p.code in graded)
        of_begun = [p for p in pieces if self._pots([p]) & begun]
        left = [p for p in of_begun if p.code not in graded]
        late = any(p.due_on > self.today for p in left)
        held = late or len(left) > len(of_begun) // 4 or not graded
        said = []
        if left and not held:
            said = [f"Not graded, taken as broken or lost: {', '.join(p.code for p in left)}."]
        waiting = [p for p in pieces if p.code not in graded and (held or p not in left)]
        if waiting:
            said.append(self._waiting_words(waiting))
        if waiting and held:
            said.append("There is no answer until they are.")
        return " ".join(said), held

    def _waiting_words(self, pieces):
        late = [p for p in pieces if p.due_on > self.today]
        said = f"{count_of(len(pieces), 'piece')} not graded yet"
        if late:
            said += f", {len(late)} of them ready from {min(p.due_on for p in late)}"
        if heated := [p.due_on for p in late if p.stress == "heat"]:
            cycle = self.plan.heat_cycle
            said += f"; those to heat go through {cycle.words} from {cycle.begins(min(heated))}"
        return f"{said}."

    def doubts(self, pour, **typed):
        """Questions about what is likely a slip in what was typed of a planned test batch."""
        planned = self.plan.pours.set_index("pour").loc[pour.pour].to_dict()
        row = {**dict.fromkeys(POURS.names), "wax_g": pour.wax_g, "fragrance_g": pour.fragrance_g,
               "poured_on": pour.poured_on, **typed}
        return list(doubts(planned, load_from_weights(row["fragrance_g"], row["wax_g"]), row))

    def answer(self, seed=1):
        """The answer in two lines a blend and one more, and the :class:`NextStep` that the last
        is about."""
        self.read()
        rules = rules_here(self.store.folder).rules
        analysis = analyse(read_series(self.store), rules, seed=seed)
        said = [line for blend in analysis.pick.table["blend"]
                for line in loads_so_far(analysis, blend).lines]
        for blend in dict.fromkeys(p.blend for p in self.plan.pour_rows):
            if blend not in analysis.sweat.blends:
                said.append(f"{blend}: no piece is graded yet, so there is nothing to say.")
        step = next_step(analysis, seed=seed)
        last = step.sentence
        pots = {p.pot for p in self.plan.pour_rows}
        if step.step == STOP and step.given_pct > 0 and len(pots) == 1:
            last += " Pour it once more before you sell much."
        if step.held_by_limit:
            last += (" If the sheet only recommends that limit, you can set it aside in writing: "
                     "page Answer, rules.")
        return (*said, f"Next: {last[:1].lower()}{last[1:]}"), step

    def accept(self, step, seed=None, key=None):
        """Join the pots of a step to the plan, keep it, and say what to melt."""
        best, plan = step.table.iloc[0], self.plan
        if self.store.plan() != self._kept:
            raise Refusal("the plan was changed since this answer", "ask for the answer again")
        heated = step.stress == "heat"
        numbers = PieceNumbers(
            sweat=0 if heated else int(best["pieces"]), frost=0, throw=0, reserve=0,
            sweat_heat=int(best["pieces"]) if heated else 0)
        for evening in range(int(best["pots"])):
            plan = grow_plan(
                plan, best["loads_pct"], start=self.today + dt.timedelta(days=evening),
                seed=(seed_of(plan.title) if seed is None else seed)
                + len(plan.pour_rows), blend=best["blend"], pieces=numbers)
        self.store.save_plan(plan.to_dict(), key=key)
        self.read()
        pots = list(dict.fromkeys(p.pot for p in plan.pour_rows))[-int(best["pots"]):]
        melt = "; ".join(f"pot {p}: melt {say_weight(sum(plan.melt(p).values()))} of wax, with "
                         "spare" for p in pots)
        over = sum(p.test_only for p in plan.pour_rows if p.pot in pots)
        return f"{melt[:1].upper()}{melt[1:]}." + (
            f" {count_of(over, 'load')} over a limit: for testing, not for sale."
            if over else "")


def say_batch(pour):
    """A planned test batch by its load, and by its lot where it checks one."""
    return say_load_oz(pour.load_pct) + (f", lot {pour.lot}" if pour.lot else "")


def weighed(pour, wax_g, fragrance_g):
    """What is wrong with the weights of a planned test batch, and what to ask about: two texts."""
    row = {"wax_g": wax_g, "fragrance_g": fragrance_g}
    for name, grams in row.items():
        if wrong := POURS[name].check(grams)[1]:
            return f"{capital(POURS[name].meaning)}, {grams:g} g: give {wrong[0]}.", ""
    try:
        load = possible_load(fragrance_g, wax_g)
    except ValueError as error:
        return str(error), ""
    row = dict.fromkeys(POURS.names) | row | {"poured_on": pour.poured_on}
    return "", " ".join(doubts(vars(pour), load, row))
