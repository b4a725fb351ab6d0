"""The plan of a series: pours, pieces with blind codes and smelling orders, from one seed."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace

import numpy as np
import pandas as pd

from scentlab.materials import Blend, Fragrance
from scentlab.planning import checks
from scentlab.planning.costs import plan_takes
from scentlab.planning.layout import PlannedPiece, PlannedPour, lay_pieces, lay_pours
from scentlab.planning.notes import plan_notes
from scentlab.planning.pairs import PlannedPair
from scentlab.planning.panel import Sittings, Smelling, smelling_orders
from scentlab.planning.refusal import PlanError, need, need_above_zero, need_whole
from scentlab.planning.rules import Calendar, CureDays, HeatCycle, PieceNumbers, Pouring
from scentlab.planning.weights import melt_weights
from scentlab.text import alike

_USUAL_PIECES, _USUAL_CURE, _USUAL_HEAT = PieceNumbers(), CureDays(), HeatCycle()
_USUAL_POURING, _USUAL_SITTINGS, _USUAL_CALENDAR = Pouring(), Sittings(), Calendar()
_FORMAT = 1


@dataclass(frozen=True, repr=False)
class Plan:
    """A planned series, as :func:`make_plan` and :meth:`from_dict` make it.

    Parameters
    ----------
    title, fragrance, blends, loads_pct, pots_per_blend, piece_g, currency, seed, start, assessors,
    works_with_fragrance, cure_days, heat_cycle, pouring, sittings, calendar, invented : as in
        :func:`make_plan`, and ``piece_numbers`` its ``pieces``.
    pour_rows, piece_rows, smelling_rows : tuples of rows, of which ``pours`` (loads in % of wax,
        masses in g), ``pieces``, ``smellings`` and ``pots`` make frames afresh on every call.
    pair_rows : tuple of planned pairs, as :func:`plan_pairs` adds them.
    anchor_pour : str, the pour whose pieces open the sessions, if any.
    notes : tuple of str, what the plan cannot do; ``sentence`` says what it is.

    >>> from scentlab.workshop import demo_plan
    >>> len(Plan.from_dict(demo_plan()).pours)
    36
    """

    title: str
    fragrance: Fragrance
    blends: tuple
    loads_pct: tuple
    pots_per_blend: int
    piece_g: float
    currency: str
    seed: int
    start: dt.date
    assessors: tuple
    works_with_fragrance: tuple
    piece_numbers: PieceNumbers
    cure_days: CureDays
    heat_cycle: HeatCycle
    pouring: Pouring
    sittings: Sittings
    calendar: Calendar = _USUAL_CALENDAR
    pour_rows: tuple = ()
    piece_rows: tuple = ()
    smelling_rows: tuple = ()
    pair_rows: tuple = ()
    anchor_pour: str = ""
    invented: bool = False
    notes: tuple = ()

    @property
    def pours(self) -> pd.DataFrame:
        """One row per pour, in the order of pouring, with the lowest maximum of its waxes
        (max_temp_c) and the flash point of the fragrance."""
        frame = _frame(PlannedPour, self.pour_rows)
        highest = {b.name: b.max_temp_c for b in self.blends}
        return frame.assign(
            max_temp_c=frame["blend"].map(highest).astype("float64"),
            flash_point_c=pd.Series(self.fragrance.flash_point_c, frame.index, dtype="float64"),
        )

    @property
    def pieces(self) -> pd.DataFrame:
        """One row per piece, in the order of the blind codes. The key: not for who scores."""
        return _frame(PlannedPiece, self.piece_rows)

    @property
    def smellings(self) -> pd.DataFrame:
        """One row per smelling."""
        return _frame(Smelling, self.smelling_rows)

    @property
    def pots(self) -> pd.DataFrame:
        """One row per pot with its wax and fragrance and what to melt, g."""
        same = dict.fromkeys(("blend", "pour_day", "poured_on"), "first")
        added = dict.fromkeys(("wax_g", "fragrance_g"), "sum")
        pots = self.pours.groupby("pot", sort=False).agg({**same, "pour": "size", **added})
        pots = pots.rename(columns={"pour": "pours"}).reset_index()
        return pots.assign(melt_g=[sum(self.melt(pot).values()) for pot in pots["pot"]])

    def melt(self, pot: str) -> dict[str, float]:
        """Grams of each wax to melt for a pot, in steps of the scale: its pours and the spare."""
        rows = [p for p in self.pour_rows if p.pot == pot]
        wax_g = sum(p.wax_g for p in rows)
        return melt_weights(wax_g, self.pouring.spare_pct, self.blend(rows[0].blend).fractions,
                            self.pouring.scale)

    def blend(self, name: str) -> Blend:
        """The blend of that name, however it is spelt. Raises PlanError when there is none."""
        for blend in self.blends:
            if alike(blend.name) == alike(name):
                return blend
        raise PlanError(f"the plan has no blend {name!r}; it has "
                        + ", ".join(b.name for b in self.blends), field="blend", value=name)

    @property
    def sentence(self) -> str:
        """The plan in words, with what it takes."""
        return f"{'; '.join(self.takes)}."

    @property
    def takes(self) -> tuple[str, ...]:
        """The parts of that sentence: batches, materials, throw, days."""
        return plan_takes(self)

    def to_dict(self) -> dict:
        """The plan as plain data that JSON can hold; :meth:`from_dict` is its exact inverse."""
        data = json.loads(json.dumps(asdict(self), default=dt.date.isoformat))
        rules = {name: data.pop(name) for name in _RULES}
        frames = {name: data.pop(attribute) for name, (attribute, _) in _FRAMES.items()}
        if not frames["pairs"]:  # a plan without any reads as it always did
            del frames["pairs"]
        if rules["pouring"]["scale"] == "g":
            del rules["pouring"]["scale"]
        data["blends"] = [b.to_dict() for b in self.blends]
        return {"format": _FORMAT, **data, "rules": rules, **frames}

    @classmethod
    def from_dict(cls, data: dict) -> Plan:
        """A plan from the data of :meth:`to_dict`, its notes as they are now made; PlanError on
        anything else."""
        found = data.get("format") if isinstance(data, dict) else data
        need(isinstance(data, dict) and found == _FORMAT,
             f"this plan cannot be read here: its format is {found!r}, expected {_FORMAT}",
             "give what Plan.to_dict() returned", field="format", value=found)
        try:
            plan = cls(**_read(data))
        except (KeyError, TypeError) as problem:
            raise PlanError(f"the plan's data is damaged ({problem})",
                            "take it again from Plan.to_dict()", field="plan") from problem
        return replace(plan, notes=tuple(plan_notes(plan)))

    def __repr__(self):
        return f"<Plan {self.title!r}: {self.sentence}>"


_RULES = {"piece_numbers": PieceNumbers, "cure_days": CureDays, "heat_cycle": HeatCycle,
          "pouring": Pouring, "sittings": Sittings, "calendar": Calendar}
# Rules as they were before these could be said: each tester had an own order.
_BEFORE = {"sittings": {"together": False, "anchor": False, "pieces_per_sitting": 6}}
_FRAMES = {"pours": ("pour_rows", PlannedPour), "pieces": ("piece_rows", PlannedPiece),
           "smellings": ("smelling_rows", Smelling), "pairs": ("pair_rows", PlannedPair)}


def make_plan(
    title: str, fragrance: Fragrance, blends: Blend | Iterable[Blend], loads_pct: Iterable[float],
    *, piece_g: float, assessors: int | Iterable[str], start: dt.date | str, seed: int,
    pots_per_blend: int = 2, pieces: PieceNumbers = _USUAL_PIECES,
    cure_days: CureDays = _USUAL_CURE, heat_cycle: HeatCycle = _USUAL_HEAT,
    pouring: Pouring = _USUAL_POURING, sittings: Sittings = _USUAL_SITTINGS,
    calendar: Calendar = _USUAL_CALENDAR, works_with_fragrance: Iterable[str] = (),
    currency: str = "", invented: bool = False,
) -> Plan:
    """Plan a series: every blend in so many pots, every load once from each pot.

    A split plot: pots are the whole plots, their pours the sub-plots, pour days the blocks.
    Smelling orders are Williams squares (Williams 1949).

    Parameters
    ----------
    title : str
    fragrance : Fragrance
    blends : sequence of Blend
    loads_pct : sequence of at least two loads, g of fragrance per 100 g of wax.
    piece_g : mass of a piece, g.
    assessors : codes such as ("A1", "A2"), or a number of assessors; may be empty without throw.
    start : first pour day, a date or "2026-12-01".
    seed : whole number of 0 or more; the same seed makes the same plan.
    pots_per_blend : pots (melts) of each blend.
    pieces, cure_days, heat_cycle, pouring, sittings, calendar : the rules of the plan.
    works_with_fragrance : codes of the assessors who handle this fragrance daily.
    currency : str for prices, such as "EUR".
    invented : True for a made-up demonstration.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError when the plan cannot be carried out; ``field``, ``value`` and ``remedy`` say what to
    change.

    Examples
    --------
    >>> from scentlab.materials import Wax
    >>> soft = Blend("soft", {Wax("soft wax"): 1.0})
    >>> plan = make_plan("spring", Fragrance("cedar"), soft, [4, 6, 8], piece_g=25, assessors=3,
    ...                  start="2026-03-02", seed=1)
    >>> len(plan.pours), len(plan.pieces)
    (6, 33)
    """
    plan = Plan(
        title=checks.of_column(checks.TITLE, title, "title"), fragrance=fragrance,
        blends=checks.check_blends(blends), loads_pct=checks.check_loads(loads_pct),
        pots_per_blend=need_whole(pots_per_blend, "pots_per_blend", 1, 50, "pots"),
        piece_g=need_above_zero(piece_g, "piece_g", 5000, "g"), currency=str(currency),
        seed=need_whole(seed, "seed", 0, 2**63 - 1), invented=bool(invented),
        start=checks.of_column(checks.START, start, "start"), calendar=calendar,
        assessors=checks.check_assessors(assessors, pieces), heat_cycle=heat_cycle,
        works_with_fragrance=tuple(works_with_fragrance), piece_numbers=pieces,
        cure_days=cure_days, pouring=pouring, sittings=sittings,
    )
    checks.check_whole(plan)
    # one stream per step, so that another panel leaves pours and codes as they are
    pour_chance, code_chance, panel_chance = (
        np.random.default_rng([plan.seed, step]) for step in range(3)
    )
    pours, anchor = lay_pours(plan, pour_chance)
    plan = replace(plan, pour_rows=pours, anchor_pour=anchor)
    checks.check_number_of_pieces(plan)
    plan = replace(plan, piece_rows=lay_pieces(plan, code_chance))
    plan = replace(plan, smelling_rows=smelling_orders(plan, panel_chance))
    return replace(plan, notes=tuple(plan_notes(plan)))


def _read(data):
    """The fields of a plan from its data. What earlier versions wrote beside them is left out:
    each of their extra pots and pours stands among the pours."""
    found = {name: _rule(name, data["rules"].get(name, {})) for name in _RULES}
    tables = {"pairs": ()} | data
    for name, (attribute, kind) in _FRAMES.items():
        found[attribute] = tuple(kind(**_dated(row)) for row in tables[name])
    for name in ("loads_pct", "assessors", "works_with_fragrance"):
        found[name] = tuple(data[name])
    for name in ("title", "pots_per_blend", "piece_g", "currency", "seed", "invented"):
        found[name] = data[name]
    return found | {
        "fragrance": Fragrance(**data["fragrance"]), "start": dt.date.fromisoformat(data["start"]),
        "blends": tuple(Blend.from_dict(b) for b in data["blends"]),
        "anchor_pour": data.get("anchor_pour", ""),
    }


def _rule(name, said):
    """A rule from its data; what it does not say is as it was then, what is gone falls out."""
    known = {f.name for f in fields(_RULES[name])}
    given = _BEFORE.get(name, {}) | {n: v for n, v in said.items() if n in known}
    if name == "sittings" and not given["together"]:
        given.setdefault("rooms", given["pieces_per_sitting"])
    return _RULES[name](**given)


def _dated(row):
    return {k: dt.date.fromisoformat(v) if k.endswith("_on") else v for k, v in row.items()}


def _frame(kind, rows):
    return pd.DataFrame(map(vars, rows), columns=[f.name for f in fields(kind)])
