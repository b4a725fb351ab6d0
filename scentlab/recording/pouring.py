"""What is likely a slip on a pour day: asked about before it is stored, wherever it is typed."""

from scentlab.schema import FAR_OFF, POURS, impossible_load
from scentlab.text import capital
from scentlab.units import load_from_weights

FAR_OFF_C = 10.0  # °C that a pot may miss its planned temperature by before it is asked about


def possible_load(fragrance_g, wax_g):
    """The load in % of wax, or a ValueError when no wax takes it."""
    if wrong := impossible_load({"wax_g": wax_g, "fragrance_g": fragrance_g}):
        raise ValueError(f"{fragrance_g:g} g of fragrance: expected {wrong[0]}. Look for a slipped "
                         "decimal point, or for the two weights the wrong way round.")
    return load_from_weights(fragrance_g, wax_g)


def doubts(plan, load, row):
    """Questions about what is likely a slip of the scale, the thermometer or the key."""
    if abs(load - plan["load_pct"]) > FAR_OFF + 1e-9:
        yield (
            f"The weighed load is {load:.2f} % of wax, planned {plan['load_pct']:.2f} % of "
            f"wax: is {row['fragrance_g']:g} g of fragrance in {row['wax_g']:g} g of wax right?"
        )
    for name in ("add_temp_c", "pour_temp_c"):
        heard = [] if row[name] is None else list(_heat_doubts(plan, row[name], name))
        if heard:
            words = ", ".join([*heard[:-1], f"and {heard[-1]}"] if heard[1:] else heard)
            yield (f"{capital(POURS[name].meaning)}: {row[name]:g} °C is {words}. Is "
                   f"{row[name]:g} °C right?")
    yield from filter(None, (POURS[name].doubt(row[name]) for name in POURS.names))


def _heat_doubts(plan, value, name):
    highest, flash, planned = (known(plan, n) for n in ("max_temp_c", "flash_point_c", name))
    if highest is not None and value > highest:
        yield f"above the wax maker's maximum of {highest:g} °C"
    # Where the plan itself goes above the flash point, the plan of the pour says so.
    if flash is not None and value > flash and not (planned is not None and planned > flash):
        yield (f"above the closed-cup flash point of the fragrance, {flash:g} °C (no flame or "
               "spark near)")
    if planned is not None and abs(value - planned) > FAR_OFF_C:
        side = "above" if value > planned else "below"
        yield f"{abs(value - planned):g} °C {side} the planned {planned:g} °C"


def known(plan, name):
    """A number of a planned pour, None where it has none."""
    value = plan.get(name)
    return None if value is None or value != value else float(value)
