"""Does the plan fit what is at hand? Which limit binds, and what would free it."""

from dataclasses import dataclass, field, fields

import pandas as pd

from scentlab.planning.refusal import PlanError, count_of
from scentlab.planning.shopping import busiest_day, shopping_list
from scentlab.results import Result


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
    """

    wax_g: dict | None = None
    fragrance_g: float | None = None
    pot_g: float | None = None
    moulds: int | None = None
    pours_a_day: int | None = None
    smells_a_day: int | None = None
    budget: float | None = None

    def __post_init__(self):
        for name, value in self._given():
            if not isinstance(value, (int, float)) or isinstance(value, bool) or not value >= 0:
                raise PlanError(
                    f"{name} at hand is {value!r}", "give a number of 0 or more", field=name,
                    value=value,
                )

    def _given(self):
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, dict):
                yield from ((f"wax {name}", grams) for name, grams in value.items())
            elif value is not None:
                yield f.name, value


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
    rows, notes = [], []
    _check_materials(plan, means, rows)
    _check_day(plan, means, rows)
    _check_panel(plan, means, rows)
    _check_budget(plan, means, rows, notes)
    names = ["limit", "needed", "at_hand", "unit", "binds", "remedy"]
    return MeansCheck(pd.DataFrame(rows, columns=names), tuple(notes))


def need_means(plan, means):
    """The plan as it is; a :class:`PlanError` names every limit that binds and what frees it."""
    check = check_means(plan, means)
    if not check.fits:
        raise PlanError(check.sentence)
    return plan


def _check_materials(plan, means, rows):
    shopping = shopping_list(plan).set_index("item")
    at_hand = dict(means.wax_g or {})
    for name in at_hand:
        if name not in shopping.index:
            raise PlanError(
                f"wax {name} is at hand but in no blend",
                f"the plan uses {', '.join(shopping.index[shopping['kind'] == 'wax'])}",
                field="wax_g", value=name,
            )
    if means.fragrance_g is not None:
        at_hand[plan.fragrance.name] = means.fragrance_g
    for name, grams in at_hand.items():
        needed = float(shopping.at[name, "buy_g"])
        rows.append(_limit(name, needed, grams, "g", _get_more(plan, needed, grams)))
    if means.pot_g is not None:
        fullest = plan.pots.sort_values("melt_g").iloc[-1]
        needed = float(fullest["melt_g"])
        loads = int(means.pot_g // (needed / fullest["pours"]))
        fewer = f", or draw at most {loads} pours from a pot" if loads >= 2 else ""
        remedy = f"take a pot of {needed:.0f} g{_lighter(plan, needed, means.pot_g)}{fewer}"
        rows.append(_limit("pot size", needed, means.pot_g, "g of wax", remedy))


def _get_more(plan, needed, grams):
    return f"get {max(needed - grams, 0):.0f} g more{_lighter(plan, needed, grams)}"


def _lighter(plan, needed, at_hand):
    """The weight of a piece that would fit, rounded down to half a gram; weights go with it."""
    piece = int(2 * plan.piece_g * at_hand / needed * 0.99) / 2 if needed else plan.piece_g
    return f", or cast pieces of at most {piece:g} g" if piece >= 1 else ""


def _check_day(plan, means, rows):
    pieces, pours = busiest_day(plan)
    pots = int(plan.pots.groupby("pour_day").size().max())
    for name, needed, at_hand, unit in (
        ("moulds", pieces, means.moulds, "pieces on a day"),
        ("pour slots", pours, means.pours_a_day, "pours on a day"),
    ):
        if at_hand is not None:
            fewer = int(at_hand // (needed / pots))
            remedy = (f"pour at most {count_of(fewer, 'pot')} a day (pots_per_day={fewer})"
                      if fewer >= 1 else "take fewer loads or fewer pieces of a pour")
            rows.append(_limit(name, needed, at_hand, unit, remedy))


def _check_panel(plan, means, rows):
    if means.smells_a_day is None or not plan.smelling_rows:
        return
    needed = int(plan.smellings.groupby(["assessor", "sitting_on"]).size().max())
    remedy = (f"set pieces_per_sitting and sittings per day to give at most {means.smells_a_day} "
              "pieces a day, or share the pieces out in blocks")
    rows.append(_limit("an assessor's nose", needed, means.smells_a_day, "pieces a day", remedy))


def _check_budget(plan, means, rows, notes):
    if means.budget is None:
        return
    shopping = shopping_list(plan)
    unknown = shopping.loc[shopping["cost"].isna(), "item"].tolist()
    needed = float(shopping["cost"].sum())
    if unknown:
        notes.append("The budget counts only what has a price; none is known of "
                     + ", ".join(unknown) + ".")
    remedy = f"allow {max(needed - means.budget, 0):.2f} more{_lighter(plan, needed, means.budget)}"
    rows.append(_limit("budget", needed, means.budget, plan.currency or "of money", remedy))


def _limit(name, needed, at_hand, unit, remedy):
    binds = bool(needed > at_hand + 1e-9)
    return name, float(needed), float(at_hand), unit, binds, remedy if binds else ""


def _amount(number):
    return f"{number:.0f}" if float(number).is_integer() else f"{number:.2f}"
