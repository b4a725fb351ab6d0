"""How much wax and fragrance a pour takes, on the scales of the bench.

In g wax is weighed to 1 g and fragrance to 0.1 g; in oz wax to 0.1 oz and fragrance to 0.01 oz.
"""

from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from scentlab.planning.refusal import need

# By unit: grams in it, and the steps of wax and of fragrance and dye. The ounce is exactly
# 1/16 of 453.59237 g (NIST Special Publication 811, appendix B).
SCALES = {"g": (Decimal(1), Decimal(1), Decimal("0.1")),
          "oz": (Decimal("28.349523125"), Decimal("0.1"), Decimal("0.01"))}
_LARGEST_LOAD_ERROR = Decimal("0.25")
_AIM = {Decimal("0.1"): _LARGEST_LOAD_ERROR, Decimal("0.01"): Decimal("0.1")}  # by step
_MOST_ADDED = 5


def pour_weights(pieces, piece_g, load_pct, spare_pct, scale="g"):
    """Grams of wax and of fragrance for one pour, in whole steps of a scale in g or in oz.

    The two cover ``pieces`` of ``piece_g`` grams plus the spare; the fragrance is rounded down, so
    the pour is never above the planned load. Decimal: the steps are not exact in binary.
    """
    load, (unit, _, fine) = _decimal(load_pct), SCALES[scale]
    wax = _poured(pieces, piece_g, load_pct, spare_pct, scale)
    fragrance, missed = _fragrance(wax, load, fine), _missed(wax, load, fine)
    need(missed <= _LARGEST_LOAD_ERROR,
         f"a test batch of {wax} {scale} of wax at a load of {load_pct:g} % of wax takes "
         f"{fragrance} {scale} of fragrance on a {fine} {scale} scale, which misses the load by "
         f"{missed:.2f} points", "pour more or heavier pieces", field="piece_g",
         value=float(piece_g))
    return float(wax * unit), float(fragrance * unit)


def _poured(pieces, piece_g, load_pct, spare_pct, scale):
    load, (unit, step, fine) = _decimal(load_pct), SCALES[scale]
    needed = pieces * _decimal(piece_g) * (1 + _decimal(spare_pct) / 100) / unit
    wax = _in_steps(needed / (1 + load / 100), step)
    while wax + _fragrance(wax, load, fine) < needed:
        wax += step
    return _weighable(wax, load, step, fine)


def wax_portion(wax_g, load_pct, scale="g"):
    """Grams of wax and of fragrance for so much wax, in steps of the scale, never above the load.
    """
    unit, step, fine = SCALES[scale]
    wax = _in_steps(round(_decimal(wax_g) / unit, 6), step)
    return float(wax * unit), float(_fragrance(wax, _decimal(load_pct), fine) * unit)


def melt_weights(wax_g, spare_pct, fractions, scale="g"):
    """Grams of each wax to melt for a pot: what its pours take (g) plus the spare (%), by wax
    fractions, in steps of the scale that add up exactly to those of the pot.

    The spare of a pour is what stays in its jug, this one what stays in the pot before the wax is
    weighed into the jugs: with the spare of the pours alone the last jug would not be full.
    """
    total = _steps(wax_g * (1 + spare_pct / 100), scale)
    exact = {name: total * fraction for name, fraction in fractions.items()}
    steps = {name: int(share + 1e-9) for name, share in exact.items()}
    by_remainder = sorted(exact, key=lambda name: steps[name] - exact[name])
    for name in by_remainder[: total - sum(steps.values())]:
        steps[name] += 1
    return {name: _grams(n, scale) for name, n in steps.items()}


def pot_wax(pieces, piece_g, loads_pct, spare_pct, scale="g"):
    """Grams of wax to melt for a pot of so many pieces at each load, before there is a plan of it;
    what :func:`pour_weights` and :func:`melt_weights` give together.

    >>> pot_wax(11, 25.0, [9.0], 5.0)
    279
    """
    unit = SCALES[scale][0]
    pours = sum(_poured(pieces, piece_g, load, spare_pct, scale) for load in loads_pct) * unit
    return sum(melt_weights(float(pours), spare_pct, {"": 1.0}, scale).values())


def to_buy(grams, scale):
    """So many grams, rounded up to a step of the scale of wax."""
    return _grams(_steps(grams, scale), scale)


def _steps(grams, scale):
    """How many steps of the scale of wax hold so many grams."""
    step = SCALES[scale][0] * SCALES[scale][1]
    return int(round(_decimal(grams) / step, 6).to_integral_value(ROUND_CEILING))


def _grams(steps, scale):
    return steps if scale == "g" else float(steps * SCALES[scale][0] * SCALES[scale][1])


def dye_weight(wax_g, dye_pct, scale="g"):
    """Grams of dye for so much wax, to the nearest step of the scale of fragrance."""
    unit, _, fine = SCALES[scale]
    dye = _decimal(wax_g) * _decimal(dye_pct) / 100 / unit
    return float(_in_steps(dye, fine, ROUND_HALF_EVEN) * unit)


def _decimal(number):
    return Decimal(repr(float(number)))


def _in_steps(amount, step, rounding=ROUND_CEILING):
    return (amount / step).to_integral_value(rounding) * step


def _weighable(wax, load, step, fine):
    """A little more wax where a small pour would miss its load on the scale of fragrance."""
    tries = [wax + added * step for added in range(_MOST_ADDED + 1)]
    return next((more for aim in (_AIM[fine], _LARGEST_LOAD_ERROR) for more in tries
                 if _missed(more, load, fine) <= aim), wax)


def _missed(wax, load, fine):
    return load - 100 * _fragrance(wax, load, fine) / wax


def _fragrance(wax, load, fine):
    return _in_steps(wax * load / 100, fine, ROUND_FLOOR)
