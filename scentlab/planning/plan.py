"""The plan of a series: pours, pieces with blind codes and smelling orders, from one seed.

A split plot. The pot (one melt of one blend) is the whole plot, its pours (one load each) are the
sub-plots, pour days are blocks. Pots are put in random order within pour days, loads in random
order within pots, pieces get random blind codes that tell nothing about the load.
"""

import datetime as dt
import html
import re
from collections import Counter
from dataclasses import asdict, dataclass, field, replace

import numpy as np
import pandas as pd

from scentlab.materials import Blend, Fragrance
from scentlab.planning.panel import Sittings, Smelling, smelling_orders
from scentlab.planning.refusal import PlanError, need_above_zero, need_number, need_whole
from scentlab.planning.weights import melt_weights, pour_weights
from scentlab.results import shown
from scentlab.schema import THROWS
from scentlab.units import content_from_load, say_load, say_temperature

MOST_PIECES = 900
_USUAL_SITTINGS = Sittings()
HIGHEST_LOAD_PCT = 40.0
_FORMAT = 1


@dataclass(frozen=True)
class PieceNumbers:
    """Pieces of each pour by test: ``sweat`` at rest, ``sweat_heat`` after the heat cycle.

    >>> PieceNumbers().total
    11
    """

    sweat: int = 4
    sweat_heat: int = 2
    frost: int = 2
    throw: int = 2
    reserve: int = 1

    def __post_init__(self):
        for name, number in asdict(self).items():
            need_whole(number, f"number of {name} pieces of a pour", 0, 50, "pieces")
        if self.total == 0:
            raise PlanError("a pour has no piece; give at least one, such as sweat=4")

    @property
    def total(self):
        return sum(asdict(self).values())


@dataclass(frozen=True)
class CureDays:
    """Days from pouring to the look, by test. Cure times are common practice, no source."""

    sweat: int = 7
    sweat_heat: int = 7
    frost: int = 14
    throw: int = 14
    reserve: int = 90

    def __post_init__(self):
        for name, days in asdict(self).items():
            need_whole(days, f"cure of {name} pieces", 0, 3650, "days")


@dataclass(frozen=True)
class HeatCycle:
    """The warm cycle before a sweat look under stress, a stand-in for a warm van."""

    temp_c: float = 38.0
    hours: float = 12.0
    cycles: int = 3

    def __post_init__(self):
        need_number(self.temp_c, "heat cycle temperature", 25, 80, "°C")
        need_number(self.hours, "heat cycle time", 0.5, 72, "hours")
        need_whole(self.cycles, "number of heat cycles", 1, 30)

    @property
    def words(self):
        return f"{self.cycles} times {self.hours:g} h at {say_temperature(self.temp_c)}"


@dataclass(frozen=True)
class Pouring:
    """How the pots are poured. Temperatures left at None are those of the blend's makers.

    ``confirm`` adds, for one pot of every blend, a pour at the top load with a hot addition and a
    long stir: a cold addition or a short stir looks like too much fragrance, and this tells them
    apart. Stirring for 2 minutes is common practice, no source.
    """

    spare_pct: float = 5.0
    pots_per_day: int | None = None
    days_between: int = 1
    add_temp_c: float | None = None
    pour_temp_c: float | None = None
    stir_min: float = 2.0
    confirm: bool = False
    confirm_add_temp_c: float | None = None
    confirm_stir_min: float = 10.0

    def __post_init__(self):
        need_number(self.spare_pct, "spare", 0, 50, "%")
        if self.pots_per_day is not None:
            need_whole(self.pots_per_day, "pots_per_day", 1, 50, "pots")
        need_whole(self.days_between, "days_between pour days", 1, 60, "days")
        for name in ("add_temp_c", "pour_temp_c", "confirm_add_temp_c"):
            if getattr(self, name) is not None:
                need_number(getattr(self, name), name, 20, 150, "°C")
        need_number(self.stir_min, "stir_min", 0, 120, "min")
        need_number(self.confirm_stir_min, "confirm_stir_min", 0, 120, "min")


@dataclass(frozen=True)
class PlannedPour:
    """One load to be drawn from one pot. ``test_only``: above a limit, not for sale."""

    pour: str
    pot: str
    blend: str
    pour_day: int
    poured_on: dt.date
    order_in_day: int
    load_pct: float
    content_pct: float
    wax_g: float
    fragrance_g: float
    add_temp_c: float | None
    pour_temp_c: float | None
    stir_min: float
    limit_load_pct: float | None
    test_only: bool
    confirming: bool


@dataclass(frozen=True)
class PlannedPiece:
    """One piece to be cast, with its blind code and what it is for."""

    code: str
    pour: str
    test: str
    stress: str | None
    cure_days: int
    due_on: dt.date


@dataclass(frozen=True, repr=False)
class Plan:
    """A planned series. Rows are kept as tuples; the frames are made afresh on every call.

    ``pours``, ``pieces``, ``smellings`` and ``pots`` are frames; ``sentence`` and ``notes`` say in
    words what the plan is and what it cannot do.
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
    pour_rows: tuple
    piece_rows: tuple
    smelling_rows: tuple
    invented: bool = False
    notes: tuple = field(default=())

    @property
    def pours(self):
        """One row per pour, in the order of pouring."""
        return _frame(PlannedPour, self.pour_rows)

    @property
    def pieces(self):
        """One row per piece, in the order of the blind codes. This is the key: keep it sealed."""
        return _frame(PlannedPiece, self.piece_rows)

    @property
    def smellings(self):
        """One row per smelling: sitting, day, kind, assessor, position, code."""
        return _frame(Smelling, self.smelling_rows)

    @property
    def pots(self):
        """One row per pot: blend, pour day, number of pours, wax and fragrance, wax to melt."""
        grouped = self.pours.groupby("pot", sort=False)
        pots = grouped.agg(
            blend=("blend", "first"), pour_day=("pour_day", "first"),
            poured_on=("poured_on", "first"), pours=("pour", "size"),
            wax_g=("wax_g", "sum"), fragrance_g=("fragrance_g", "sum"),
        ).reset_index()
        pots["melt_g"] = [sum(self.melt(pot).values()) for pot in pots["pot"]]
        return pots

    def melt(self, pot):
        """Whole grams of each wax to melt for a pot: its pours and the spare."""
        rows = [p for p in self.pour_rows if p.pot == pot]
        wax_g = sum(p.wax_g for p in rows)
        return melt_weights(wax_g, self.pouring.spare_pct, self.blend(rows[0].blend).fractions)

    def blend(self, name):
        """The blend of that name."""
        return next(b for b in self.blends if b.name == name)

    @property
    def sentence(self):
        pots = len({p.pot for p in self.pour_rows})
        days = sorted({p.poured_on for p in self.pour_rows})
        wax = sum(p.wax_g for p in self.pour_rows) / 1000
        fragrance = sum(p.fragrance_g for p in self.pour_rows)
        low, high = self.loads_pct[0], self.loads_pct[-1]
        when = f"poured on {days[0].isoformat()}"
        if len(days) > 1:
            when = (f"poured on {len(days)} days from {days[0].isoformat()} to "
                    f"{days[-1].isoformat()}")
        return (
            f"{_count(len(self.blends), 'blend')} in {_count(pots, 'pot')}, "
            f"{len(self.loads_pct)} loads from {say_load(low)} to {say_load(high)}: "
            f"{len(self.pour_rows)} pours and {len(self.piece_rows)} pieces of "
            f"{self.piece_g:g} g, {wax:.1f} kg of wax and {fragrance:.0f} g of fragrance, {when}."
        )

    def to_dict(self):
        """The plan as plain data that JSON can hold; :meth:`from_dict` is its exact inverse."""
        return {
            "format": _FORMAT,
            "title": self.title,
            "fragrance": {**asdict(self.fragrance), "allergens": list(self.fragrance.allergens)},
            "blends": [b.to_dict() for b in self.blends],
            "loads_pct": list(self.loads_pct),
            "pots_per_blend": self.pots_per_blend,
            "piece_g": self.piece_g,
            "currency": self.currency,
            "seed": self.seed,
            "start": self.start.isoformat(),
            "assessors": list(self.assessors),
            "works_with_fragrance": list(self.works_with_fragrance),
            "rules": {
                "piece_numbers": asdict(self.piece_numbers),
                "cure_days": asdict(self.cure_days),
                "heat_cycle": asdict(self.heat_cycle),
                "pouring": asdict(self.pouring),
                "sittings": {**asdict(self.sittings), "kinds": list(self.sittings.kinds)},
            },
            "pours": _records(self.pour_rows),
            "pieces": _records(self.piece_rows),
            "smellings": _records(self.smelling_rows),
            "notes": list(self.notes),
            "invented": self.invented,
        }

    @classmethod
    def from_dict(cls, data):
        """A plan from the data of :meth:`to_dict`. Raises PlanError on anything else."""
        if not isinstance(data, dict) or data.get("format") != _FORMAT:
            found = data.get("format") if isinstance(data, dict) else data
            raise PlanError(
                f"this is no plan that can be read here: its format is {found!r}, expected "
                f"{_FORMAT}; give what Plan.to_dict() returned"
            )
        try:
            return _plan_from(cls, data)
        except (KeyError, TypeError) as problem:
            raise PlanError(
                f"the plan's data is damaged ({problem}); take it again from Plan.to_dict()"
            ) from problem

    def __repr__(self):
        return f"<Plan {self.title!r}: {self.sentence}>"

    def _repr_html_(self):
        # the pours only: a notebook on a screen must not unseal the codes
        keep = ["pour", "blend", "poured_on", "load_pct", "content_pct", "wax_g", "fragrance_g",
                "test_only"]
        notes = "".join(f"<li>{html.escape(n)}</li>" for n in self.notes)
        invented = "<p>Invented demonstration, no evidence.</p>" if self.invented else ""
        heads = {"load_pct": "load, % of wax", "content_pct": "content, % of total",
                 "wax_g": "wax, g", "fragrance_g": "fragrance, g"}
        table = shown(self.pours[keep], 4).rename(columns=_spaced(heads))
        return (
            f"<p><strong>{html.escape(self.title)}</strong>: {html.escape(self.sentence)}</p>"
            f"{invented}{table.to_html(index=False, border=0)}" + (notes and f"<ul>{notes}</ul>")
        )


def make_plan(
    title, fragrance, blends, loads_pct, *, piece_g, assessors, start, seed, pots_per_blend=2,
    pieces=PieceNumbers(), cure_days=CureDays(), heat_cycle=HeatCycle(), pouring=Pouring(),
    sittings=_USUAL_SITTINGS, works_with_fragrance=(), currency="", invented=False,
):
    """Plan a series: every blend in so many pots, every load once from each pot.

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
    pieces, cure_days, heat_cycle, pouring, sittings : the rules of the plan.
    works_with_fragrance : codes of the assessors who handle this fragrance daily.
    currency : str for prices, such as "EUR".
    invented : True for a made-up demonstration.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError when the plan cannot be carried out; the message says what to change.
    """
    loads = _check_loads(loads_pct)
    blends = _check_blends(blends)
    plan = Plan(
        title=_check_title(title), fragrance=_check_fragrance(fragrance), blends=blends,
        loads_pct=loads, pots_per_blend=need_whole(pots_per_blend, "pots_per_blend", 1, 50, "pots"),
        piece_g=need_above_zero(piece_g, "piece_g", 5000, "g"), currency=str(currency),
        seed=need_whole(seed, "seed", 0, 2**63 - 1), start=_check_date(start),
        assessors=_check_assessors(assessors, pieces),
        works_with_fragrance=tuple(works_with_fragrance), piece_numbers=pieces,
        cure_days=cure_days, heat_cycle=heat_cycle, pouring=pouring, sittings=sittings,
        pour_rows=(), piece_rows=(), smelling_rows=(), invented=bool(invented),
    )
    _check_works_with(plan)
    _check_heat_cycle(plan)
    _check_number_of_pieces(plan)
    # one stream per step, so that another panel leaves pours and codes as they are
    pour_chance, code_chance, panel_chance = (
        np.random.default_rng([plan.seed, step]) for step in range(3)
    )
    plan = replace(plan, pour_rows=_pours(plan, pour_chance))
    plan = replace(plan, piece_rows=_pieces(plan, code_chance))
    smellings = smelling_orders(
        plan.piece_rows, plan.pour_rows, plan.assessors, plan.sittings, panel_chance
    )
    plan = replace(plan, smelling_rows=smellings)
    return replace(plan, notes=tuple(_notes(plan)))


def _check_title(title):
    if not isinstance(title, str) or not title.strip() or len(title) > 120:
        raise PlanError(f"the title is {title!r}; give a text of 1 to 120 characters")
    return title


def _check_fragrance(fragrance):
    if not isinstance(fragrance, Fragrance):
        raise PlanError(f"the fragrance is {fragrance!r}; give a Fragrance, with its flash point")
    return fragrance


def _check_loads(loads_pct):
    if isinstance(loads_pct, (int, float, str)):
        raise PlanError(f"loads_pct is {loads_pct!r}; give several loads, such as [4, 6, 8, 10]")
    loads = tuple(
        need_above_zero(load, "a load", HIGHEST_LOAD_PCT, "g per 100 g of wax")
        for load in loads_pct
    )
    if len(loads) < 2:
        raise PlanError(
            f"{_count(len(loads), 'load')} came; a series compares at least two loads, "
            "better five or six from well below to above the wax maker's limit"
        )
    for load in sorted(loads):
        if loads.count(load) > 1:
            raise PlanError(
                f"the load {load:g} % of wax stands twice; give each load once "
                "and ask for more pots or pieces to repeat it"
            )
    return tuple(sorted(loads))


def _check_blends(blends):
    blends = (blends,) if isinstance(blends, Blend) else tuple(blends)
    if not blends:
        raise PlanError("no blend came; give at least one Blend")
    for blend in blends:
        if not isinstance(blend, Blend):
            raise PlanError(f"{blend!r} is no Blend; make it with Blend(name, parts)")
    names = [b.name for b in blends]
    for name in names:
        if names.count(name) > 1:
            raise PlanError(
                f"the blend {name} stands twice; give each blend once "
                "and ask for more pots to repeat it"
            )
    return blends


def _check_date(start):
    if isinstance(start, dt.datetime):
        return start.date()
    if isinstance(start, dt.date):
        return start
    try:
        return dt.date.fromisoformat(start)
    except (TypeError, ValueError):
        raise PlanError(
            f"start is {start!r}; give a date as year-month-day, such as 2026-12-01"
        ) from None


def _check_assessors(assessors, pieces):
    if isinstance(assessors, int) and not isinstance(assessors, bool):
        assessors = [f"A{i + 1}" for i in range(need_whole(assessors, "assessors", 0, 999))]
    if isinstance(assessors, str):
        assessors = [assessors]
    codes = tuple(assessors)
    for code in codes:
        if not re.fullmatch(THROWS["assessor"].pattern, str(code)):
            raise PlanError(
                f"the assessor {code!r} is no code; use a letter and a number, such as A1, "
                "never a name"
            )
        if codes.count(code) > 1:
            raise PlanError(f"the assessor {code} stands twice; give each assessor once")
    if pieces.throw and not codes:
        raise PlanError(
            f"{pieces.throw} throw pieces of each pour and no assessor to smell them; "
            "name assessors, such as A1, or set throw=0"
        )
    return codes


def _check_works_with(plan):
    for code in plan.works_with_fragrance:
        if code not in plan.assessors:
            raise PlanError(
                f"works_with_fragrance names {code!r}, who is not among the assessors "
                f"{', '.join(plan.assessors) or '(none)'}; name assessors of this plan"
            )


def _check_heat_cycle(plan):
    for blend in plan.blends:
        if plan.piece_numbers.sweat_heat and blend.melt_temp_c is not None:
            if plan.heat_cycle.temp_c >= blend.melt_temp_c:
                raise PlanError(
                    f"the heat cycle at {say_temperature(plan.heat_cycle.temp_c)} melts blend "
                    f"{blend.name} (melts at {say_temperature(blend.melt_temp_c)}); "
                    "choose a temperature at least 10 °C below the melting point"
                )


def _check_number_of_pieces(plan):
    per_load = plan.piece_numbers.total * plan.pots_per_blend * len(plan.blends)
    total = per_load * len(plan.loads_pct)
    if plan.pouring.confirm:
        total += len(plan.blends) * (plan.piece_numbers.sweat + plan.piece_numbers.sweat_heat)
    if total > MOST_PIECES:
        raise PlanError(
            f"{total} pieces came ({len(plan.blends)} blends, {plan.pots_per_blend} pots of each, "
            f"{len(plan.loads_pct)} loads, {plan.piece_numbers.total} pieces of a pour); there are "
            f"{MOST_PIECES} three-digit codes: take fewer loads, pots or pieces, "
            "or plan two series"
        )


def _pours(plan, rng):
    """All pours, pots numbered in the order of pouring so that a name tells no blend."""
    rows = []
    confirmed = {b.name: int(rng.integers(plan.pots_per_blend)) for b in plan.blends}
    poured = Counter()
    for day, names in enumerate(_pour_days(plan, rng), start=1):
        order = 0
        for name in names:
            confirm = plan.pouring.confirm and confirmed[name] == poured[name]
            poured[name] += 1
            pot = f"P{poured.total():02d}"
            for place, (load, confirming) in enumerate(_loads_of_pot(plan, confirm, rng), 1):
                order += 1
                rows.append(_pour(plan, pot, place, name, day, order, load, confirming))
    return tuple(rows)


def _pour_days(plan, rng):
    """Blend names per pour day, in the order of the pots.

    Every blend once is a replicate; without a limit of pots a day each replicate has its own day.
    """
    per_day = plan.pouring.pots_per_day or len(plan.blends)
    names = [b.name for b in plan.blends]
    replicates = [[names[i] for i in rng.permutation(len(names))]
                  for _ in range(plan.pots_per_blend)]
    if per_day >= len(names):
        whole = per_day // len(names)
        groups = [sum(replicates[i:i + whole], []) for i in range(0, len(replicates), whole)]
        return [[group[i] for i in rng.permutation(len(group))] for group in groups]
    return [r[i:i + per_day] for r in replicates for i in range(0, len(r), per_day)]


def _loads_of_pot(plan, confirm, rng):
    loads = [(load, False) for load in plan.loads_pct]
    if confirm:
        loads.append((plan.loads_pct[-1], True))
    return [loads[i] for i in rng.permutation(len(loads))]


def _pour(plan, pot, place, blend_name, day, order, load, confirming):
    blend, numbers = plan.blend(blend_name), plan.piece_numbers
    pieces = numbers.sweat + numbers.sweat_heat if confirming else numbers.total
    wax_g, fragrance_g = pour_weights(pieces, plan.piece_g, load, plan.pouring.spare_pct)
    add_temp, pour_temp, stir = _settings(plan, blend, confirming)
    known = [x for x in (blend.limit_load_pct, plan.fragrance.limit_load_pct) if x is not None]
    limit = float(min(known)) if known else None
    return PlannedPour(
        pour=f"{pot}-{place}", pot=pot, blend=blend_name, pour_day=day,
        poured_on=plan.start + dt.timedelta(days=(day - 1) * plan.pouring.days_between),
        order_in_day=order, load_pct=load, content_pct=content_from_load(load), wax_g=wax_g,
        fragrance_g=fragrance_g, add_temp_c=add_temp, pour_temp_c=pour_temp, stir_min=stir,
        limit_load_pct=limit, test_only=limit is not None and load > limit + 1e-9,
        confirming=confirming,
    )


def _settings(plan, blend, confirming):
    """Add temperature, pour temperature (°C, or None when not known) and stir minutes."""
    rules = plan.pouring
    add = blend.add_temp_c if rules.add_temp_c is None else rules.add_temp_c
    pour = blend.pour_temp_c if rules.pour_temp_c is None else rules.pour_temp_c
    stir = rules.stir_min
    if confirming:
        add, stir = _hot_addition(rules, blend, add), rules.confirm_stir_min
    for name, value in (("add", add), ("pour", pour)):
        if value is not None and blend.max_temp_c is not None and value > blend.max_temp_c:
            raise PlanError(
                f"blend {blend.name}: the {name} temperature of {say_temperature(value)} is above "
                f"the wax maker's maximum of {say_temperature(blend.max_temp_c)}; lower it"
            )
    return add, pour, stir


def _hot_addition(rules, blend, add):
    """The add temperature of a confirming pour: given, or 3 °C under the maker's maximum."""
    hot = rules.confirm_add_temp_c
    if hot is None and blend.max_temp_c is not None:
        hot = max(blend.max_temp_c - 3, add if add is not None else 20)
    if hot is None:
        raise PlanError(
            f"blend {blend.name}: a confirming pour needs a hot addition and the wax maker's "
            "maximum is not known; give confirm_add_temp_c, or max_temp_c of every wax"
        )
    if add is not None and hot < add:
        raise PlanError(
            f"blend {blend.name}: the confirming pour adds at {say_temperature(hot)}, below the "
            f"usual {say_temperature(add)}; raise confirm_add_temp_c"
        )
    if rules.confirm_stir_min <= rules.stir_min:
        raise PlanError(
            f"the confirming pour stirs {rules.confirm_stir_min:g} min, no longer than the usual "
            f"{rules.stir_min:g} min; raise confirm_stir_min"
        )
    return hot


_TESTS = (
    ("sweat", "sweat", "rest"), ("sweat_heat", "sweat", "heat"), ("frost", "frost", "rest"),
    ("throw", "throw", None), ("reserve", "reserve", None),
)


def _pieces(plan, rng):
    """All pieces in the order of their codes, which are drawn without regard to anything."""
    cast = []
    for pour in plan.pour_rows:
        for name, test, stress in _TESTS:
            if pour.confirming and test != "sweat":
                continue
            days = getattr(plan.cure_days, name)
            due = pour.poured_on + dt.timedelta(days=days)
            cast += [(pour.pour, test, stress, days, due)] * getattr(plan.piece_numbers, name)
    codes = rng.choice(np.arange(100, 1000), size=len(cast), replace=False)
    rows = [PlannedPiece(str(code), *rest) for code, rest in zip(codes, cast, strict=True)]
    return tuple(sorted(rows, key=lambda piece: piece.code))


def _notes(plan):
    if plan.pots_per_blend == 1:
        yield ("One pot of each blend: what differs between blends cannot be told from what "
               "differs between pots; pour at least two.")
    test_only = sorted({p.load_pct for p in plan.pour_rows if p.test_only})
    if test_only:
        yield ("Above a limit, test only, not for sale: "
               + ", ".join(say_load(x) for x in test_only) + " (by blend, see the pours).")
    for blend in plan.blends:
        yield from _blend_notes(plan, blend)
    if plan.fragrance.flash_point_c is None:
        yield "The fragrance's closed-cup flash point is not known: take it from its data sheet."
    if plan.piece_numbers.sweat + plan.piece_numbers.sweat_heat == 0:
        yield "No sweat piece: no ceiling can be fitted from this plan."
    if plan.piece_numbers.throw and len(plan.assessors) < 6:
        yield (f"{_count(len(plan.assessors), 'assessor')}: the added throw of a higher load is "
               "small and so few may not tell it.")
    if plan.works_with_fragrance:
        yield (f"{', '.join(plan.works_with_fragrance)} handles this fragrance daily and is "
               "adapted to it for weeks; the throw is shown with and without.")
    yield "Cure days and stir minutes are common practice, no source."


def _blend_notes(plan, blend):
    if blend.limit_load_pct is None:
        yield (f"Blend {blend.name}: the wax maker's highest load is not known; "
               "pieces are not marked against it.")
    rows = [p for p in plan.pour_rows if p.blend == blend.name]
    flash = plan.fragrance.flash_point_c
    hottest = max((p.add_temp_c for p in rows if p.add_temp_c is not None), default=None)
    if hottest is None:
        yield f"Blend {blend.name}: no add temperature is known; take it from the wax maker."
    elif flash is not None and flash < hottest:
        yield (f"Blend {blend.name}: the fragrance's closed-cup flash point of "
               f"{say_temperature(flash)} is below the add temperature of "
               f"{say_temperature(hottest)}: no flame or spark near, ventilate.")
    if plan.piece_numbers.sweat_heat and blend.melt_temp_c is not None:
        if plan.heat_cycle.temp_c > blend.melt_temp_c - 10:
            yield (f"Blend {blend.name}: the heat cycle at "
                   f"{say_temperature(plan.heat_cycle.temp_c)} is within 10 °C of melting "
                   f"({say_temperature(blend.melt_temp_c)}); pieces may slump.")


def _plan_from(cls, data):
    rules = data["rules"]
    return cls(
        title=data["title"], fragrance=Fragrance(**data["fragrance"]),
        blends=tuple(Blend.from_dict(b) for b in data["blends"]),
        loads_pct=tuple(data["loads_pct"]), pots_per_blend=data["pots_per_blend"],
        piece_g=data["piece_g"], currency=data["currency"], seed=data["seed"],
        start=dt.date.fromisoformat(data["start"]), assessors=tuple(data["assessors"]),
        works_with_fragrance=tuple(data["works_with_fragrance"]),
        piece_numbers=PieceNumbers(**rules["piece_numbers"]),
        cure_days=CureDays(**rules["cure_days"]), heat_cycle=HeatCycle(**rules["heat_cycle"]),
        pouring=Pouring(**rules["pouring"]), sittings=Sittings(**rules["sittings"]),
        pour_rows=_rows(PlannedPour, data["pours"], "poured_on"),
        piece_rows=_rows(PlannedPiece, data["pieces"], "due_on"),
        smelling_rows=_rows(Smelling, data["smellings"], "sitting_on"),
        invented=data["invented"], notes=tuple(data["notes"]),
    )


def _records(rows):
    return [
        {k: v.isoformat() if isinstance(v, dt.date) else v for k, v in asdict(row).items()}
        for row in rows
    ]


def _rows(kind, records, day):
    return tuple(kind(**{**r, day: dt.date.fromisoformat(r[day])}) for r in records)


def _frame(kind, rows):
    names = list(kind.__dataclass_fields__)
    return pd.DataFrame([[getattr(row, n) for n in names] for row in rows], columns=names)


def _count(number, word):
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _spaced(heads):
    return {k.replace("_", " ").replace(" pct", " %"): v for k, v in heads.items()}
