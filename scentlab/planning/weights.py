"""How much wax and fragrance a pour takes, on scales of 1 g for wax and 0.1 g for fragrance."""

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from scentlab.planning.refusal import PlanError

WAX_STEP_G = Decimal(1)
FRAGRANCE_STEP_G = Decimal("0.1")
_LARGEST_LOAD_ERROR = Decimal("0.25")
_MOST_ADDED_G = 5


def pour_weights(pieces, piece_g, load_pct, spare_pct):
    """Grams of wax and of fragrance for one pour.

    The two together cover ``pieces`` of ``piece_g`` grams plus the spare. The fragrance is rounded
    down to 0.1 g, so the pour is never above the planned load (g per 100 g of wax). Decimal
    arithmetic, because 0.1 g steps are not exact in binary.

    >>> pour_weights(11, 25.0, 9.0, 5.0)
    (265.0, 23.8)
    """
    load = Decimal(repr(float(load_pct)))
    needed = pieces * Decimal(repr(float(piece_g))) * (1 + Decimal(repr(float(spare_pct))) / 100)
    wax = (needed / (1 + load / 100)).quantize(WAX_STEP_G, rounding=ROUND_CEILING)
    while wax + _fragrance(wax, load) < needed:
        wax += WAX_STEP_G
    wax = _weighable(wax, load)
    fragrance = _fragrance(wax, load)
    missed = _missed(wax, load)
    if missed > _LARGEST_LOAD_ERROR:
        raise PlanError(
            f"a pour of {wax} g of wax at a load of {load_pct:g} % of wax takes {fragrance} g of "
            f"fragrance on a 0.1 g scale, which misses the load by {missed:.2f} points",
            "pour more pieces or heavier ones", field="piece_g", value=float(piece_g),
        )
    return float(wax), float(fragrance)


def wax_portion(wax_g, load_pct):
    """Grams of wax, whole ones, and of fragrance for so much wax, never above the load.

    >>> wax_portion(453.59237, 9.375)
    (454.0, 42.5)
    """
    wax = Decimal(repr(float(wax_g))).quantize(WAX_STEP_G, rounding=ROUND_CEILING)
    return float(wax), float(_fragrance(wax, Decimal(repr(float(load_pct)))))


def melt_weights(wax_g, spare_pct, fractions):
    """Grams of each wax to melt for a pot: what its pours take plus the spare that sticks.

    Parameters are the wax of all pours of the pot (g), the spare (%) and the fractions by weight
    per wax name. Whole grams that add up exactly to the whole grams of the pot.

    >>> melt_weights(1000.0, 5.0, {"soft": 0.7, "hard": 0.3})
    {'soft': 735, 'hard': 315}
    """
    total = math.ceil(round(wax_g * (1 + spare_pct / 100), 6))
    exact = {name: total * fraction for name, fraction in fractions.items()}
    grams = {name: math.floor(share + 1e-9) for name, share in exact.items()}
    by_remainder = sorted(exact, key=lambda name: grams[name] - exact[name])
    for name in by_remainder[: total - sum(grams.values())]:
        grams[name] += 1
    return grams


def dye_weight(wax_g, dye_pct):
    """Grams of dye for so much wax, to the nearest 0.1 g.

    >>> dye_weight(1674, 0.1)
    1.7
    """
    dye = Decimal(repr(float(wax_g))) * Decimal(repr(float(dye_pct))) / 100
    return float(dye.quantize(FRAGRANCE_STEP_G))


def _weighable(wax, load):
    """A little more wax where a small pour would miss its load on the 0.1 g scale."""
    for added in range(_MOST_ADDED_G + 1):
        if _missed(wax + added, load) <= _LARGEST_LOAD_ERROR:
            return wax + added
    return wax


def _missed(wax, load):
    return load - 100 * _fragrance(wax, load) / wax


def _fragrance(wax, load):
    return (wax * load / 100).quantize(FRAGRANCE_STEP_G, rounding=ROUND_FLOOR)
