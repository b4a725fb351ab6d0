"""What is weighed on a pour day, on a phone: the plan of each pour, and what was weighed of it.

Its page shows loads, so it has a link of its own, which testers do not get.
"""

import datetime as dt

from scentlab.amounts import read_cell
from scentlab.panel.scoring import key_of
from scentlab.recording.pouring import (
    doubts,
    heat_sentence,
    known,
    possible_load,
    pour_words,
    say_usual,
    scale_words,
    usual_day,
    with_scale_unit,
)
from scentlab.recording.store import RefusedError
from scentlab.recording.unpoured import leave_out, make_void, unpoured, unpoured_words
from scentlab.schema import ONE_DAY, POURS, WARMTH, check_clock, check_row
from scentlab.text import capital
from scentlab.units import Shown, say_load, say_to_weigh

UNITS = (Shown(), Shown("oz", "F"), Shown("g", "F"), Shown("oz", "C"))  # to choose from, by place
# What is typed: its words on the page, and what a bare number is in, by the place of the choice.
FIELDS = {
    column.name: (capital(column.called), [
        choice.label(column.unit) for choice in UNITS if column.unit])
    for column in (POURS["wax_g"], POURS["fragrance_g"], *WARMTH, POURS["scale_check_g"],
                   POURS["note"])}


class Doubtful(Exception):
    """What is likely a slip: ``doubts`` are the questions, to be answered by saving again."""

    def __init__(self, doubts):
        self.doubts = doubts
        super().__init__(" ".join(doubts))


def pours_of(panel):
    """The planned pours in their order, each with what is to be weighed in words."""
    plan, logged = panel.plan, dict(panel.store.distinct("pours", ("pour", "pot")))
    gone = unpoured(panel.store)
    return [_as_shown(_with_heat(row, plan), panel.day, logged)
            | {"gone": unpoured_words({n: why for n, why in gone.items() if n == row["pour"]})}
            for row in plan.get("pours", ())]


def _as_shown(row, today, logged):
    day = row.get("poured_on")
    return {
        "pour": row["pour"], "pot": row.get("pot"), "blend": row.get("blend"),
        "logged": row["pour"] in logged, "day": day or "",
        "due": not day or dt.date.fromisoformat(day) <= today,
        "usual": say_usual(row, today),
        "weigh": [
            f"{what} {say_to_weigh(grams, digits)}"
            for name, what, digits in (("wax_g", "Wax", 1), ("fragrance_g", "Fragrance", 2))
            if (grams := known(row, name)) is not None],
        "load": f"Load {say_load(row['load_pct'], 2)}" if known(row, "load_pct") else "",
        "heat": heat_sentence(row),
    }


def save_pour(panel, said):
    """Store what a page sent; the entry and the words for the page. Raises RefusedError or
    DataError with what is wrong, :class:`Doubtful` with a likely slip that was not asked about
    yet."""
    key, plan = key_of(said), panel.plan
    planned = next((p for p in plan.get("pours", ()) if p["pour"] == said.get("pour")), None)
    if planned is None:
        raise RefusedError(f"the plan has no test batch {str(said.get('pour'))[:20]}",
                           "reload the page")
    planned = _with_heat(planned, plan)
    row = check_row(POURS, {**{n: planned.get(n) for n in ("pour", "pot", "blend")},
                            **_typed(said, planned, panel.day)})
    try:
        load = possible_load(row["fragrance_g"], row["wax_g"])
    except ValueError as error:
        raise RefusedError(str(error)) from None
    asked = list(doubts(planned, load, row)) if known(planned, "load_pct") else []
    sure = not asked or asked == said.get("sure")
    receipt = panel.turns.take(lambda: _stored(panel.store, row, key, () if sure else asked))
    scale = scale_words(row["scale_check_g"])
    return _saved(receipt, "pours", f"{pour_words(row, load)}. {scale}".rstrip())


def _saved(receipt, table, words):
    return {"table": table, "entry_id": receipt.entry_id,
            "words": f"Saved at {receipt.clock}: {words}"}


def _stored(store, row, key, asked):
    """The receipt of a pour, new or sent again."""
    stored = store.find("pours", key)  # sent again, perhaps after midnight
    if stored and stored[0]["pour"] == row["pour"]:
        return stored[1]
    if store.distinct("pours", ("pour",), pour=row["pour"]):
        raise RefusedError(f"{row['pour']} is logged already, perhaps at the computer or on "
                           "another phone; it stays as it is")
    if asked:
        raise Doubtful(asked)
    return store.add("pours", row, key=key)


def _typed(said, planned, today):
    """The values of what was typed, each wrong one told by its name; the day is checked."""
    typed, found, wrong = said.get("typed"), {}, []
    typed, place = typed if isinstance(typed, dict) else {}, said.get("units")
    chosen = UNITS[place if type(place) is int and 0 <= place < len(UNITS) else 0]
    for name, (words, _) in FIELDS.items():
        text = str(typed.get(name) or "").strip()[:300]
        read = with_scale_unit(text) if name == "scale_check_g" else text
        found[name], fault = read_cell(read, POURS[name], chosen)
        if fault:
            wrong.append(f"{words}: {f'found {text!r}, ' if text else ''}{fault}")
    day, fault = POURS["poured_on"].check(said.get("day") or usual_day(planned, today))
    if fault or day > today + ONE_DAY:
        wrong.append(f"Day of pouring: expected {fault[0]}." if fault else
                     f"Day of pouring: {day} is in the future. {check_clock(today)}")
    if wrong:
        raise RefusedError("\n".join(wrong))
    return {**found, "poured_on": day}


def drop_pour(panel, said):
    """Store that a planned pour will not be poured; the entry and the words for the page."""
    pour, key = str(said.get("pour"))[:20], key_of(said)
    reason = str(said.get("note") or "")[:200]
    receipt = panel.turns.take(lambda: leave_out(panel.store, pour, reason, key))
    return _saved(receipt, "unpoured", f"{unpoured_words({pour: reason.strip()})}.")


def undo_pour(panel, said):
    """Void a pour that was just saved, or that one will not be poured; returns the words."""
    entry_id, table = said.get("entry_id"), said.get("table", "pours")
    # Databases count to 2^63.
    sound = type(entry_id) is int and 0 < entry_id < 2**63 and table in ("pours", "unpoured")
    row = panel.store.entry(table, entry_id) if sound else None
    if row is None:
        raise RefusedError("there is no such entry")
    stands = panel.turns.take(lambda: make_void(
        panel.store, table, entry_id, "undone on the page of the pour day", f"undo:{entry_id}"))
    return {"words": f"Undone: {stands}."}


def _with_heat(row, plan):
    """A planned pour with the lowest maximum of its waxes and the flash point of the fragrance."""
    parts = [part["wax"].get("max_temp_c") for blend in plan.get("blends", ())
             if blend["name"] == row.get("blend") for part in blend["parts"]]
    return {**row, "max_temp_c": min((t for t in parts if t is not None), default=None),
            "flash_point_c": (plan.get("fragrance") or {}).get("flash_point_c")}
