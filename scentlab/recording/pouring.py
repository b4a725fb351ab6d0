"""What is likely a slip on a pour day: asked about before it is stored, wherever it is typed."""

import re

import pandas as pd

from scentlab.schema import (
    CHECK_G,
    FAR_OFF,
    HEATS,
    POURS,
    SCALE_OFF,
    YEAR_OFF,
    impossible_load,
)
from scentlab.text import capital
from scentlab.units import (
    in_maker_units,
    load_from_weights,
    say_load,
    say_one_temperature,
    say_one_weight,
    say_ounces_per_pound,
    say_temperature,
    say_weighed,
    shown,
)

FAR_OFF_C = 10.0  # °C that a pot or heat cycle may miss its plan by before it is asked about


def planned_day(plan):
    day = (plan or {}).get("poured_on")
    return None if day is None or pd.isna(day) else pd.Timestamp(day).date()


def usual_day(plan, today):
    """The day of pouring where none is typed: the planned one when that is past, or else today."""
    planned = planned_day(plan)
    return planned if planned and planned < today else today


def say_usual(plan, today):
    """That day in words.

    >>> say_usual({"poured_on": "2026-03-01"}, pd.Timestamp("2026-03-04").date())
    '2026-03-01, as planned'
    """
    usual = usual_day(plan, today)
    return "today" if usual == today else f"{usual}, as planned"


def possible_load(fragrance_g, wax_g):
    """The load in % of wax, or a ValueError when no wax takes it."""
    if wrong := impossible_load({"wax_g": wax_g, "fragrance_g": fragrance_g}):
        raise ValueError(f"{say_weighed(fragrance_g)} of fragrance: expected {wrong[0]}. Look for "
                         "a slipped decimal point, or the two weights swapped.")
    return load_from_weights(fragrance_g, wax_g)


def scale_words(shown_g):
    """What is wrong with a scale that shows so much under the check weight, '' for nothing.

    >>> scale_words(None), scale_words(100.9), scale_words(85.0)[:36]
    ('', '', 'The scale reads 15.0 % too little, a')
    """
    off = 0.0 if shown_g is None else shown_g / CHECK_G - 1.0
    return "" if abs(off) < SCALE_OFF else (
        f"The scale reads {abs(100 * off):.1f} % too {'much' if off > 0 else 'little'}, and so "
        "does every fragrance weight: correct it before you pour.")


def with_scale_unit(text):
    """What the scale shows under the check weight, with the unit that a bare number can only be in.

    >>> with_scale_unit("100"), with_scale_unit("3,53"), with_scale_unit("100 g")
    ('100 g', '3.53 oz', '100 g')
    """
    if not re.fullmatch(r"\d+(?:[.,]\d+)?", text):
        return text
    number = text.replace(",", ".")
    return f"{number} {'oz' if float(number) < POURS['scale_check_g'].lower / 4 else 'g'}"


def pour_words(row, load):
    return (f"pour {row['pour']} at {say_load(load, 2)}, {say_weighed(row['fragrance_g'])} of "
            f"fragrance in {say_weighed(row['wax_g'])} of wax, poured on {row['poured_on']}")


_HEAT = {"add_temp_c": "add the fragrance at", "pour_temp_c": "pour at",
         "max_temp_c": "the wax maker's maximum is",
         "flash_point_c": "closed-cup flash point of the fragrance"}


def heat_sentence(plan, names=tuple(_HEAT)):
    """The planned temperatures and what is against them, as far as they are known."""
    said = ", ".join(f"{_HEAT[name]} {say_temperature(value)}" for name in names
                     if (value := known(plan, name)) is not None)
    return f"{capital(said)}." if said else ""


_PLANNED = ("add_temp_c", "pour_temp_c")


def doubts(plan, load, row):
    """Questions about what is likely a slip of the scale, the thermometer or the key."""
    if abs(load - plan["load_pct"]) > FAR_OFF + 1e-9:
        yield (
            f"The weighed load is {_say(load)}, planned {_say(plan['load_pct'])}: is "
            f"{say_weighed(row['fragrance_g'])} of fragrance in "
            f"{say_weighed(row['wax_g'])} of wax right?"
        )
    for name in POURS.names:
        planned = _asked(plan, row[name], POURS[name]) if name in _PLANNED else ()
        yield from list(planned) or filter(None, [POURS[name].doubt(row[name])])
    planned, wax = known(plan, "wax_g"), row["wax_g"]
    if planned and not planned / 2 <= wax <= 2 * planned:
        yield (f"{say_weighed(wax)} of wax is far from the planned {say_one_weight(planned)}. Is "
               "that right?")
    day = planned_day(plan)
    if day and abs(row["poured_on"] - day) > YEAR_OFF:
        yield f"Poured on {row['poured_on']} is far from the planned {day}. Is the year right?"


def cycle_doubts(planned_c, row):
    """Questions about a heat cycle far from the planned temperature: more likely the other unit."""
    for name in ("low_c", "high_c"):
        yield from _asked({name: planned_c}, row[name], HEATS[name])


def _asked(plan, value, column):
    words = "" if value is None else " and ".join(_heat_doubts(plan, value, column.name))
    if words:
        degrees = say_one_temperature(value)
        yield f"{capital(column.meaning)}: {degrees} is {words}. Is {degrees} right?"


def _say(load_pct):
    own = shown().weight == "oz"
    return say_ounces_per_pound(load_pct) if own else f"{load_pct:.2f} % of wax"


def _heat_doubts(plan, value, name):
    highest, flash, planned = (known(plan, n) for n in ("max_temp_c", "flash_point_c", name))
    if highest is not None and value > highest:
        yield f"above the wax maker's maximum of {say_one_temperature(highest)}"
    # Where the plan itself goes above the flash point, the plan of the pour says so.
    if flash is not None and value > flash and not (planned is not None and planned > flash):
        yield ("above the closed-cup flash point of the fragrance, "
               f"{say_one_temperature(flash)} (no flame or spark near)")
    if planned is not None and abs(value - planned) > FAR_OFF_C:
        side = "above" if value > planned else "below"
        off = in_maker_units(f"{abs(value - planned):g} °C {side}")
        yield f"{off} the planned {say_one_temperature(planned)}"


def known(plan, name):
    """A number of a planned pour, None where it has none."""
    value = plan.get(name)
    return None if value is None or pd.isna(value) else float(value)
