"""One load test as the rest of the kit sees it: six tidy frames and what is known of the blends.

The recording stage reads a series from a store, :mod:`scentlab.simulate` makes one with a known
truth, and the fits take its frames. Nothing here opens a file or a database.
"""

import datetime as dt
import math
from dataclasses import dataclass, field, replace

import pandas as pd

from scentlab.files import table_beside
from scentlab.frames import NEEDED, checked, known_blends
from scentlab.text import unseen
from scentlab.units import content_from_load, in_maker_units, load_from_weights, say_one_temperature

A_SERIES = "a Series, as scentlab.read_series(store) reads it"
HIDDEN_FRAGRANCE = "fragrance (name not shared)"
_OF_POUR = ("code", "pour", "pot", "blend", "load_pct")
POUR_COLUMNS = (
    "pour", "pot", "blend", "poured_on", "wax_g", "fragrance_g", "load_pct", "content_pct",
    "planned_load_pct", "add_temp_c", "pour_temp_c", "stir_min", "room_temp_c",
    "scale_check_g", "note",
)
GRADE_COLUMNS = (*_OF_POUR, "pour_temp_c", "test", "stress", "age_days", "assessor", "grade")
THROW_COLUMNS = (*_OF_POUR, "assessor", "sitting", "kind", "minutes", "position",
                 "works_with_fragrance", "throw")
PAIR_COLUMNS = (*_OF_POUR, "second", *(f"second_{n}" for n in _OF_POUR[1:]), "assessor", "sitting",
                "kind", "position", "stronger")
WARMING_COLUMNS = (*_OF_POUR, "hours", "weight_g", "assessor", "throw")
HEAT_COLUMNS = ("started_on", "low_c", "high_c", "hours", "cycles", "pack")
BLEND_COLUMNS = ("blend", "composition", "limit_load_pct", "limit_content_pct",
                 "wax_price_per_kg", "fragrance_price_per_kg")
_SEEN = {"grades": GRADE_COLUMNS, "throws": THROW_COLUMNS, "warmings": WARMING_COLUMNS,
         "pairs": PAIR_COLUMNS}
_FRAMES = {**_SEEN, "pours": POUR_COLUMNS, "blends": BLEND_COLUMNS, "heats": HEAT_COLUMNS}
# What the rows of a series cannot do without; what else is not known is missing.
_NEEDED = NEEDED | {"grades": (*NEEDED["grades"], "test"), "pours": _OF_POUR[1:],
                    "blends": ("blend",), "heats": ()}


def _empty(columns):
    return field(default_factory=lambda: pd.DataFrame(columns=list(columns)))


@dataclass(frozen=True, eq=False)
class Series:
    """A load test with what was poured and what was seen.

    Parameters
    ----------
    title, fragrance : str
    pours : DataFrame, one row per pour, columns ``POUR_COLUMNS`` (loads in g per 100 g of wax).
    grades : DataFrame, one row per look, columns ``GRADE_COLUMNS``; ``test`` is sweat or frost.
    throws : DataFrame, one row per score, columns ``THROW_COLUMNS``.
    blends : DataFrame, one row per blend, columns ``BLEND_COLUMNS``; unknown limits are missing.
    fractions : DataFrame, wax fractions by weight, one row per blend (index) and column per wax;
        empty when the composition is not known.
    piece_g : float or None, mass of a piece in grams.
    currency : str, for the prices.
    plan : dict or None, the plan as data.
    invented : bool, True for made-up demonstration data, which is no evidence.
    warmings : DataFrame, one row per check of a piece left on the warmer, columns
        ``WARMING_COLUMNS``.
    heats : DataFrame, one row per heat cycle as it was reached, columns ``HEAT_COLUMNS``.
    pairs : DataFrame, one row per pair of pieces, columns ``PAIR_COLUMNS``: ``code`` is the piece
        smelt first, and stronger says first or second.
    apart : Series or None, the pours of lot checks and as sold with what was seen of them, which
        count in no answer of this series; its pours have the columns lot and finish beside.

    The columns are those of ``scentlab.series``. A frame without rows needs none of them, and
    others that are not known may be left out.

    Raises
    ------
    FitError for a frame without what names a row and what was seen, a value out of its range, or a
    blend that is not among the blends.

    >>> from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
    >>> simulate_series(even_layout(["soft"], [6, 8]), Truth({"soft": BlendTruth(9.0)}), seed=1)
    Series('simulated series': 4 pours, 16 grades, 0 throw scores)
    """

    title: str
    fragrance: str
    pours: pd.DataFrame
    grades: pd.DataFrame
    throws: pd.DataFrame
    blends: pd.DataFrame
    fractions: pd.DataFrame = field(default_factory=pd.DataFrame)
    piece_g: float | None = None
    currency: str = ""
    plan: dict | None = None
    invented: bool = False
    warmings: pd.DataFrame = _empty(WARMING_COLUMNS)
    heats: pd.DataFrame = _empty(HEAT_COLUMNS)
    pairs: pd.DataFrame = _empty(PAIR_COLUMNS)
    apart: "Series | None" = None

    def __post_init__(self):
        for name, columns in _FRAMES.items():
            frame = getattr(self, name)
            frame = checked(frame, name, needed=_NEEDED[name] if getattr(frame, "size", 1) else ())
            lost = [c for c in columns if c not in frame]
            # A copy, so that an answer stays what it is when the caller's frame changes.
            frame = frame.reindex(columns=[*frame, *lost]) if lost else frame.copy(deep=False)
            object.__setattr__(self, name, frame)
        known_blends(self.blends, {name: getattr(self, name) for name in _SEEN})

    def of_pours(self, pours: pd.DataFrame) -> "Series":
        """The series with these rows (DataFrame) of its pours alone, and what was seen of them."""
        frames = {name: getattr(self, name) for name in ("grades", "throws", "warmings")}
        kept = {name: f[f["pour"].isin(pours["pour"])].reset_index(drop=True)
                for name, f in frames.items()}
        both = self.pairs[["pour", "second_pour"]].isin(list(pours["pour"])).all(axis=1)
        kept["pairs"] = self.pairs[both].reset_index(drop=True)
        return replace(self, pours=pours.reset_index(drop=True), **kept)

    def _looks(self, test):
        return self.grades[self.grades["test"] == test].reset_index(drop=True)

    def sweat(self) -> pd.DataFrame:
        """The sweat looks (rows of ``grades``)."""
        return self._looks("sweat")

    def frost(self) -> pd.DataFrame:
        """The frost looks (rows of ``grades``)."""
        return self._looks("frost")

    def sweat_seen(self) -> frozenset:
        """The sweat looks as texts: what a copy of the series has in common with it."""
        names = ["code", "pour", "blend", "load_pct", "stress", "age_days", "grade"]
        return frozenset(self.sweat()[names].astype(str).itertuples(index=False, name=None))

    @property
    def limits(self) -> dict:
        """The wax makers' limits (% of wax) by blend; missing where none is known."""
        return self.blends.set_index("blend")["limit_load_pct"].to_dict()

    @property
    def fragrance_name(self) -> str:
        """The name of the fragrance; empty where it is not on record or not shared."""
        plan = (self.plan or {}).get("fragrance") or {}
        name = str(plan.get("name") or self.fragrance or "").strip()
        return "" if name == HIDDEN_FRAGRANCE else name

    def waxes(self, blend: str | None = None) -> list:
        """The waxes of a blend by the plan, as it keeps them; of all blends without one."""
        return [part["wax"] for own in (self.plan or {}).get("blends") or ()
                if blend in (None, own["name"]) for part in own["parts"]]

    def wax_parts(self, blend: str) -> dict | None:
        """Fraction per wax of a blend, without those that are not in it; None when not known."""
        if self.fractions.empty or blend not in self.fractions.index:
            return None
        own = self.fractions.loc[blend]
        return {wax: round(float(f), 6) for wax, f in own.items() if f > 0}

    def __repr__(self):
        seen = (self.warmings, "checks on the warmer"), (self.pairs, "pairs")
        more = "".join(f", {len(frame)} {words}" for frame, words in seen if len(frame))
        return (f"Series({self.title!r}: {len(self.pours)} pours, {len(self.grades)} grades, "
                f"{len(self.throws)} throw scores{more})")


def same_record(one, other):
    """Whether what was seen of the sweat of two series is of one: a copy keeps most of its looks in
    common with the series that goes on, or is corrected.

    >>> same_record({1, 2, 3}, {2, 3, 4, 5}), same_record({1, 2, 3}, {3, 4, 5})
    (True, False)
    """
    return 2 * len(one & other) > min(len(one), len(other))


def tidy_pours(pours):
    """Pours with the loads that were really weighed and the columns of ``POUR_COLUMNS``."""
    pours = pours.copy()
    pours["load_pct"] = load_from_weights(pours["fragrance_g"], pours["wax_g"])
    pours["content_pct"] = content_from_load(pours["load_pct"])
    return pours.reindex(columns=list(POUR_COLUMNS))


def tidy_pairs(pairs, pours):
    """Pairs (with pour and second_pour) joined to the loads of both their pours."""
    second = pours[list(_OF_POUR[1:])].add_prefix("second_")
    pairs = pairs.rename(columns={"first": "code"})
    if not pairs.empty:
        pairs = pairs.merge(second, on="second_pour", how="left", validate="many_to_one")
    return tidy("pairs", pairs, pours)


def tidy(name, rows, pours):
    """What was seen (rows with code and pour) with what is known of its pour, in the columns of
    that frame of a series."""
    columns = _SEEN[name]
    if not rows.empty:
        known = [c for c in (*_OF_POUR[1:], "pour_temp_c") if c in columns]
        rows = rows.merge(pours[known], on="pour", how="left", validate="many_to_one")
    return rows.reindex(columns=list(columns))


def plan_without(plan, gone):
    """The plan without the pours, pieces, sittings and assessors ``gone``, the pieces of such a
    pour and all that these are scored for."""
    lost = {p["code"] for p in plan.get("pieces", ()) if {p.get("pour"), p["code"]} & set(gone)}
    out = lost | set(gone)
    stays = {"pours": lambda p: p["pour"] not in out, "pieces": lambda p: p["code"] not in lost,
             "lost": lambda p: p.get("pour") not in out,
             "smellings": lambda s: not {s["code"], s["sitting"], s["assessor"]} & out,
             "pairs": lambda p: not {p["first"], p["second"], p["sitting"], p["assessor"]} & out}
    return plan | {name: list(filter(stay, plan[name])) for name, stay in stays.items()
                   if gone and name in plan}


def rule_of(plan, name):
    """A rule of a plan, such as its heat_cycle, as a dict; empty without one."""
    return ((plan or {}).get("rules") or {}).get(name) or {}


def stress_words(stress, plan=None):
    """How the pieces were kept, with the heat cycle where the plan has one.

    >>> stress_words("heat", {"rules": {"heat_cycle": {"temp_c": 38, "hours": 12, "cycles": 3}}})
    'heat-cycled (3 x 12 h at 38 °C)'
    >>> stress_words("heat", {"rules": {"heat_cycle": {"temp_c": 37.5, "hours": 8, "cycles": 2}}})
    'heat-cycled (2 x 8 h at 37.5 °C)'
    >>> stress_words("heat"), stress_words("rest")
    ('heat-cycled (cycle not recorded)', 'at room temperature')
    """
    if stress == "rest":
        return "at room temperature"
    cycle = rule_of(plan, "heat_cycle")
    if not cycle:
        return "heat-cycled (cycle not recorded)"
    return (
        f"heat-cycled ({cycle['cycles']:g} x {cycle['hours']:g} h at "
        + in_maker_units(f"{cycle['temp_c']:g} °C")
        + (" in the shut pack" if cycle.get("pack") == "shut" else "") + ")"
    )


def heat_words(row):
    pack = f" in the {row['pack']} pack" if isinstance(row.get("pack"), str) else ""
    low, high = (say_one_temperature(row[name]) for name in ("low_c", "high_c"))
    return f"{row['cycles']} x {row['hours']:g} h at {low.split()[0]} to {high}{pack}"


_PLAN = table_beside(__file__, "plan.toml")
_KINDS = {"a text": str, "yes or no": bool}


def plan_problem(plan, seen=False):
    """What is wrong with the shape of a plan as data, in words, with ``seen`` also a sign that
    nobody can see; None for a good one.

    >>> plan_problem({"pours": [{"pot": "P01"}]}), plan_problem({"title": "spring"})
    ('pours 1 has no pour', None)
    """
    return shape_problem(plan, _PLAN, "the plan", seen)


def shape_problem(data, shape, place="", seen=True):
    """What is first wrong with the shape of plain data, in words; None where nothing is."""
    return next(_wrong(data, shape, place, seen), None)


def _wrong(value, shape, place, seen):
    if isinstance(shape, list) and isinstance(value, list):
        for number, item in enumerate(value, start=1):
            yield from _wrong(item, shape[0], f"{place} {number}", seen)
    elif isinstance(shape, dict) and isinstance(value, dict):
        for name, inner in shape.items():
            if value.get(name.rstrip("!")) is None:
                if name.endswith("!"):
                    yield f"{place or 'it'} has no {name.rstrip('!')}"
                continue
            name = name.rstrip("!")
            under = name if place in ("", "the plan") else f"{place}, {name}"
            yield from _wrong(value[name], inner, under, seen)
    elif isinstance(shape, list | dict):
        yield f"{place} is not a {'list' if isinstance(shape, list) else 'group of names'}"
    elif not _is_a(value, shape):
        yield f"{place} is not {shape}"
    elif seen and isinstance(value, str) and unseen(value, lines=True):
        yield f"{place} holds {unseen(value, lines=True)[0]}, which is invisible"


def _is_a(value, kind):
    if kind == "a number":
        return isinstance(value, int | float) and not isinstance(value, bool) and (
            math.isfinite(value)
        )
    if kind != "a date":
        return isinstance(value, _KINDS[kind])
    try:
        return bool(dt.date.fromisoformat(value))
    except (TypeError, ValueError):
        return False
