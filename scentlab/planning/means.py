"""Does the plan fit what is at hand? Which limit binds, and what would free it."""

from dataclasses import dataclass, field, fields

import pandas as pd

from scentlab.planning.refusal import PlanError, count_of, need, need_number
from scentlab.planning.shopping import busiest_day, shopping_list
from scentlab.results import Result

_COLUMNS = ["limit", "needed", "at_hand", "unit", "binds", "remedy"]


@dataclass(frozen=True)
class Means:
    """What is at hand; None where nothing limits.

    Attributes
    ----------
    wax_g : dict of wax name to grams at hand.
    fragrance_g : grams at hand.
    pot_g : grams of wax that a pot holds.
    moulds : pieces that can be cast on one day.
    pours_a_day : pour slots of one day.
    smells_a_day : pieces that one assessor can smell on one day.
    budget : money for wax and fragrance, in the plan's currency.

    PlanError for a number below 0.

    >>> Means(moulds=50).moulds
    50
    """

    wax_g: dict | None = None
    fragrance_g: float | None = None
    pot_g: float | None = None
    moulds: int | None = None
    pours_a_day: int | None = None
    smells_a_day: int | None = None
    budget: float | None = None

    def __post_init__(self):
        given = {f.name: getattr(self, f.name) for f in fields(self)[1:]}
        given |= {f"wax {name}": grams for name, grams in (self.wax_g or {}).items()}
        for name, value in given.items():
            if value is not None:
                need_number(value, f"{name} at hand", 0, 1e9, field=name)


@dataclass(frozen=True, repr=False)
class MeansCheck(Result):
    """Limits one by one: ``table`` has limit, needed, at_hand, unit, binds, remedy."""

    table: pd.DataFrame
    notes: tuple = field(default=())

    @property
    def fits(self):
        """True when no limit binds."""
        return not self.table["binds"].any()

    @property
    def sentence(self):
        if self.table.empty:
            return "No limit was given to check the plan against."
        if self.fits:
            return f"The plan fits all of: {', '.join(self.table['limit'])}."
        said = [f"{r.limit} binds ({_amount(r.needed)} {r.unit} needed, {_amount(r.at_hand)} at "
                f"hand): {r.remedy}" for r in self.table[self.table["binds"]].itertuples()]
        return "The plan cannot be carried out. " + "; ".join(said) + "."


def check_means(plan, means):
    """Compare a plan with what is at hand. Returns a :class:`MeansCheck`."""
    shopping = shopping_list(plan)
    limits = [*_materials(plan, means, shopping), *_day(plan, means), *_panel(plan, means)]
    notes = []
    if means.budget is not None:
        needed, unknown = float(shopping["cost"].sum()), shopping[shopping["cost"].isna()]["item"]
        remedy = f"allow {max(needed - means.budget, 0):.2f} more"
        limits.append(("budget", needed, means.budget, plan.currency or "of money",
                       remedy + _lighter(plan, needed, means.budget)))
        if len(unknown):
            notes.append("The budget counts only what has a price; none is known of "
                         + ", ".join(unknown) + ".")
    rows = [
        (name, float(needed), float(at_hand), unit, bool(needed > at_hand + 1e-9),
         remedy if needed > at_hand + 1e-9 else "")
        for name, needed, at_hand, unit, remedy in limits if at_hand is not None
    ]
    return MeansCheck(pd.DataFrame(rows, columns=_COLUMNS), tuple(notes))


def need_means(plan, means):
    """The plan as it is; a :class:`PlanError` names every limit that binds and what frees it."""
    check = check_means(plan, means)
    if not check.fits:
        raise PlanError(check.sentence, field="means", value=means)
    return plan


# Each of these gives limit, what is needed, what is at hand, the unit and what would help.


def _materials(plan, means, shopping):
    buy = shopping.set_index("item")["buy_g"]
    waxes = ", ".join(shopping.loc[shopping["kind"] == "wax", "item"])
    at_hand = {**(means.wax_g or {}), plan.fragrance.name: means.fragrance_g}
    for name, grams in at_hand.items():
        need(name in buy.index, f"wax {name} is at hand but in no blend",
             f"the plan uses {waxes}", field="wax_g", value=name)
        needed = float(buy[name])
        more = max(needed - (grams or 0), 0)
        yield name, needed, grams, "g", f"get {more:.0f} g more{_lighter(plan, needed, grams)}"
    if means.pot_g is not None:
        fullest = plan.pots.loc[plan.pots["melt_g"].idxmax()]
        needed = float(fullest["melt_g"])
        loads = int(means.pot_g // (needed / fullest["pours"]))
        fewer = f", or draw at most {loads} pours from a pot" if loads >= 2 else ""
        remedy = f"take a pot of {needed:.0f} g{_lighter(plan, needed, means.pot_g)}{fewer}"
        yield "pot size", needed, means.pot_g, "g of wax", remedy


def _lighter(plan, needed, at_hand):
    """The weight of a piece that would fit, rounded down to half a gram; weights go with it."""
    piece = int(2 * plan.piece_g * at_hand / needed * 0.99) / 2 if needed and at_hand else 0
    return f", or cast pieces of at most {piece:g} g" if piece >= 1 else ""


def _day(plan, means):
    pieces, pours = busiest_day(plan)
    pots = int(plan.pots.groupby("pour_day").size().max())
    for name, needed, at_hand, unit in (
        ("moulds", pieces, means.moulds, "pieces on a day"),
        ("pour slots", pours, means.pours_a_day, "pours on a day"),
    ):
        fewer = int((at_hand or 0) // (needed / pots))
        yield name, needed, at_hand, unit, (
            f"pour at most {count_of(fewer, 'pot')} a day (pots_per_day={fewer})"
            if fewer >= 1 else "take fewer loads or fewer pieces of a pour"
        )


def _panel(plan, means):
    if plan.smelling_rows:
        needed = int(plan.smellings.groupby(["assessor", "sitting_on"]).size().max())
        yield "an assessor's nose", needed, means.smells_a_day, "pieces a day", (
            f"set pieces_per_sitting and sessions per day to give at most {means.smells_a_day} "
            "pieces a day, or share the pieces out in blocks"
        )


def _amount(number):
    return f"{number:.0f}" if float(number).is_integer() else f"{number:.2f}"
