"""The planner from what there is: a kitchen in, a small, a medium and a large plan out.

What a plan is expected to find stands in ``designs.csv``, made by simulation with
``tests/calibration/kitchen_designs.py``, so that it shows at once; :func:`scentlab.precision` runs
the own plan. What cannot be held is refused with the reason and with what would make it possible.
"""

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from scentlab.amounts import read_loads, read_weight
from scentlab.materials import Blend, Fragrance
from scentlab.planning.costs import plan_costs
from scentlab.planning.plan import CureDays, PieceNumbers, Plan, Pouring, Sittings, make_plan
from scentlab.planning.quick import A_LOAD, CLEANING, MELTING
from scentlab.planning.refusal import PlanError, count_of, need, need_fields
from scentlab.planning.rules import TEXTS, Calendar
from scentlab.planning.shopping import most_cast
from scentlab.results import say_odds
from scentlab.schema import THROW_WORDS
from scentlab.units import GRAMS_PER_OUNCE, say_load_oz, say_points, say_weight, shown

SIZES = ("small", "medium", "large")
AGAIN_DAYS = 28  # a second look at sweat; four weeks are common practice, no source
_NUMBERS = ("moulds", "warmers", "rooms", "testers", "evenings")
TABLE_NOTE = TEXTS["table_note"]["words"]
_HAVE = 'write it as "wax 3 lb, moulds 24, warmers 2, rooms 2, testers 2, evenings 6, no weekends"'


@dataclass(frozen=True)
class Kitchen:
    """What there is to plan with: ``wax_g``, ``moulds`` that can be filled on one evening and
    ``evenings`` with work in all (None for enough of either), numbers of warmers, rooms (one for
    each hot piece at a time) and testers, and ``days``: "any", "weekdays" or "weekend".

    >>> Kitchen.read("wax 3 lb, warmers 2, testers 2, evenings 6, no weekends").days
    'weekdays'
    """

    wax_g: float
    moulds: int | None = None
    warmers: int = 1
    rooms: int = 1
    testers: int = 1
    evenings: int | None = None
    days: str = "any"

    def __post_init__(self):
        need_fields(self)
        Calendar(self.days)

    @classmethod
    def read(cls, text):
        """What there is from words such as "wax 3 lb, testers 2"; PlanError where one is not
        understood. What is not named is as in a new Kitchen: one room, one warmer."""
        said = {}
        for part in (p.strip() for p in re.split(r"[,;]\s+|[,;]$", text.lower()) if p.strip()):
            name, _, amount = part.partition(" ")
            name = next((n for n in _NUMBERS if name in (n, n[:-1])), name)
            if part in ("no weekends", "weekdays"):
                said["days"] = "weekdays"
            elif part in ("only weekends", "weekends", "weekend"):
                said["days"] = "weekend"
            elif name == "wax":
                try:
                    said["wax_g"] = read_weight(amount)
                except ValueError as problem:
                    raise PlanError(f"wax: {problem}", _HAVE, field="wax_g", value=part) from None
            else:
                need(name in _NUMBERS and amount.isascii() and amount.isdigit(),
                     f"{part!r} is not understood", _HAVE, field="have", value=part)
                said[name] = int(amount)
        need("wax_g" in said, "no wax is named", _HAVE, field="wax_g")
        return cls(**said)


@dataclass(frozen=True)
class Proposal:
    """A plan of a size with the row of the table for its design and what was left out, or why it
    cannot be held (``problem``) and what would make it possible (``remedy``)."""

    size: str
    plan: Plan | None = None
    expected: dict | None = None
    problem: str = ""
    remedy: str = ""
    notes: tuple = ()

    @property
    def sentence(self):
        if self.plan is None:
            return f"{self.size.capitalize()}: does not fit. {self.problem}. {self.remedy}"
        row, plan = self.expected, self.plan
        loads, pieces = len(plan.loads_pct), len(plan.piece_rows)
        takes = "; ".join(plan.takes[1:])  # its loads are told below
        return (
            f"{self.size.capitalize()}: {count_of(len(plan.pots), 'pot')} of "
            f"{count_of(loads, 'load')}, {count_of(pieces, 'piece')} of "
            f"{say_weight(plan.piece_g)}; {takes}. {_load_words(plan)} Expect a safe load "
            f"{say_points(row['shortfall_pct'])} below the true one. No answer: "
            f"{say_odds(row['no_answer'], 0.02)}. Load too high: {say_odds(row['too_high'], 0.02)}."
        )


def _load_words(plan):
    """The loads of a plan of one blend, and which of them lie over what limit."""
    limit, of_oil = plan.pour_rows[0].limit_load_pct, plan.fragrance.limit_load_pct
    over = sorted({p.load_pct for p in plan.pour_rows if p.test_only})
    within, beyond = (", ".join(map(say_load_oz, loads)) for loads in (
        [x for x in plan.loads_pct if x not in over], over))
    said = f"Loads: {within or 'none to sell'}"
    if limit is None:
        return f"{said}; the wax maker's limit is not known, so check the sheet."
    whose = "the limit of the fragrance" if limit == of_oil else "the wax maker's limit"
    held = f"{whose}, {say_load_oz(limit, sold=True)}"
    return (f"{said}; over {held}, for testing only, not for sale: {beyond}." if over else
            f"{said}; none is over {held}.")


@cache
def standard_designs():
    """The rows of ``designs.csv``, by pieces: pots, loads, heated, rested, and what they find."""
    rows = pd.read_csv(Path(__file__).parent / "designs.csv").to_dict("records")
    return tuple(sorted(rows, key=lambda r: r["pots"] * r["loads"] * (r["heated"] + r["rested"])))


def propose_plans(
    kitchen: Kitchen, blend: Blend, fragrance: Fragrance, loads_pct: Iterable[float] = (), *,
    start: dt.date | str, seed: int, piece_g: float = GRAMS_PER_OUNCE, currency: str = "",
) -> tuple[Proposal, ...]:
    """A small, a medium and a large plan of one blend that this kitchen can hold.

    The small one takes the least wax. The large one gives away the least of all that can be held,
    the medium one the least of those with about half of its wax.

    Parameters
    ----------
    kitchen : Kitchen, or words such as "wax 3 lb, warmers 2, testers 2, evenings 4".
    blend : Blend, or a single-wax one.
    fragrance : Fragrance
    loads_pct : the lowest and the highest load of interest, g per 100 g of wax; empty for half to
        one and three quarters of the wax maker's limit, or for 4 to 14.
    start, seed, piece_g, currency : as in :func:`make_plan`.

    Returns
    -------
    tuple of three Proposal

    Raises
    ------
    PlanError for what is no kitchen or no plan at all.

    >>> from scentlab.materials import Wax
    >>> found = propose_plans("wax 3 lb, testers 2, evenings 8", Blend("soft", {Wax("soft"): 1.0}),
    ...                       Fragrance("fig"), start="2026-12-01", seed=1)
    >>> [p.size for p in found]
    ['small', 'medium', 'large']
    """
    kitchen = Kitchen.read(kitchen) if isinstance(kitchen, str) else kitchen
    low, high = _ends(blend, tuple(loads_pct))

    def planned(row, kind, size):
        return _plan(kitchen, row, kind, f"{fragrance.name} in {blend.name}, {size}", fragrance,
                     [blend], even_loads(low, high, row["loads"]), piece_g=piece_g,
                     start=start, seed=seed, currency=currency)

    least, *others = standard_designs()
    small = least, planned(least, None, "small"), ()
    if lacks := _lacks(small[1], kitchen):
        return tuple(Proposal(size, problem=lacks[0][0], remedy=lacks[0][1]) for size in SIZES)
    held, refused = [small], []
    for row in others:
        plan, notes, lacks = _with_throw(planned, row, kitchen)
        if lacks:
            refused += lacks[:1]
        else:
            held.append((row, plan, notes))
    large = min(held, key=_worth)
    others = [h for h in held[1:] if h is not large]
    about_half = max(0.6 * _pieces(large), 1.5 * _pieces(small))
    medium = min((h for h in others if _pieces(h) <= about_half), key=_worth,
                 default=min(others, key=_pieces, default=None))
    chosen = {"small": small, "medium": medium, "large": large if large is not small else None}
    return tuple(_proposal(size, found, refused) for size, found in chosen.items())


def _worth(found):
    """Points of load given away; hot throw counts as half a point, jars a quarter. Own choice."""
    row, plan, _ = found
    throw = 0.5 if plan.sittings.kinds == ("warm",) else 0.25
    return row["given_away_pct"] - throw * bool(plan.smelling_rows)


def _pieces(found):
    return len(found[1].piece_rows)


def _proposal(size, found, refused):
    if found is None:
        return Proposal(size, None, None, *(refused or [(
            "there is no other standard plan between the small and the large one",
            "Take one of them.")])[0])
    row, plan, notes = found
    return Proposal(size, replace(plan, title=f"{plan.title.rpartition(', ')[0]}, {size}"), row,
                    notes=notes)


def _ends(blend, loads):
    limit = blend.limit_load_pct
    if not loads:
        return (4.0, 14.0) if limit is None else (0.5 * limit, 1.75 * limit)
    need(len(loads) >= 2, f"{count_of(len(loads), 'load')} came", "give the lowest and the highest",
         field="loads_pct", value=loads)
    return min(loads), max(loads)


def even_loads(low, high, number, step=0.25):
    """So many loads evenly spaced, rounded to ``step`` (all in % of wax)."""
    return np.unique(np.round(np.linspace(low, high, number) / step) * step).tolist()


def read_ends(text):
    """The lowest and the highest load of a text such as "1 to 3 oz/lb"; () of none."""
    return read_loads(re.sub(r"\s+to\s+", "; ", text)) if text.strip() else ()


def _with_throw(planned, row, kitchen):
    """The plan of a design with the best throw that can be held: hot, in jars, or none."""
    notes = {}
    kinds = ["warm"] * bool(min(kitchen.warmers, kitchen.rooms)) + ["jar"]
    for kind in [*(kinds if kitchen.testers else ()), None]:
        plan = planned(row, kind, "medium")
        lacks = _lacks(plan, kitchen)
        if not lacks or kind is None:
            break
        notes.setdefault(lacks[0][0], []).append(f"{THROW_WORDS[kind]} throw")
    return plan, tuple(f"No {' and no '.join(left_out)}: {why}."
                       for why, left_out in notes.items()), lacks


def _plan(kitchen, row, kind, title, fragrance, blends, loads, **more):
    calendar = Calendar(kitchen.days)
    pieces = PieceNumbers(row["rested"], row["heated"], 0, int(kind is not None), 0)
    per_pot = pieces.total * len(loads)
    minutes = (calendar.evening_min - CLEANING) // (MELTING + A_LOAD * len(loads))
    by_mould = minutes if kitchen.moulds is None else kitchen.moulds // per_pot
    sittings = Sittings("warm", rooms=max(1, min(kitchen.rooms, kitchen.warmers)))
    if kind == "jar":
        sittings = Sittings("jar", per_day=2)
    return make_plan(
        title, fragrance, blends, loads, assessors=max(1, kitchen.testers),
        pots_per_blend=row["pots"], pieces=pieces, calendar=calendar, sittings=sittings,
        pouring=Pouring(pots_per_day=max(1, min(minutes, by_mould)), scale=shown().weight),
        cure_days=CureDays(again=(AGAIN_DAYS,)), **more,
    )


def _lacks(plan, kitchen):
    """What a plan takes beyond what there is: a list of (problem, remedy)."""
    costs, cast = plan_costs(plan), most_cast(plan)
    wax, days = costs["wax_g"], costs["evenings"]
    what = f"{count_of(plan.pots_per_blend, 'pot')} of {count_of(len(plan.loads_pct), 'load')}"
    what += " takes" if plan.pots_per_blend == 1 else " take"
    rooms = "; more rooms with a warmer mean fewer sessions" if plan.smelling_rows else ""
    return [words for taken, there, *words in (
        (wax, kitchen.wax_g,
         f"{what} {say_weight(wax, total=True)} of wax with spare, and you have "
         f"{say_weight(kitchen.wax_g, total=True)}",
         f"With {say_weight(abs(wax - kitchen.wax_g), total=True)} more, or lighter pieces, it "
         "fits."),
        (cast, kitchen.moulds,
         f"one pot fills {cast} moulds at once, and you have {kitchen.moulds}",
         f"With {cast} moulds it fits."),
        (days, kitchen.evenings,
         f"{what} {count_of(days, 'evening')} (pouring, inspections, sessions), and you have "
         f"{kitchen.evenings}", f"With {count_of(days, 'evening')} it fits{rooms}."),
    ) if there is not None and taken > there]
