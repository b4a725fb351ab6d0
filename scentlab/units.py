"""Units of the workshop: load bases, weights, volumes, temperatures.

Two bases are in use for "how much fragrance". The **load** is grams of fragrance per 100 g of
wax; the **content** is grams of fragrance in 100 g of finished product. Wax makers mostly speak
of the first, regulatory limits of the second. Every number a person sees names its basis.

The factors are exact (NIST Special Publication 811, appendix B). All functions accept numbers or
numpy arrays, and refuse with ValueError what no balance and no thermometer shows: text, infinite
values, weights and loads under 0, temperatures below absolute zero. A missing value (NaN) is
refused too, but for the loads and contents of a frame, where it marks what was not weighed and
stays missing.

What a person reads is in the workshop's units (:class:`Shown`), the other form beside it.
"""

import contextlib
import re
from dataclasses import dataclass
from numbers import Real
from typing import Any, TypeVar

import numpy as np

# A number, or an array of them.
Amount = TypeVar("Amount", float, np.ndarray)

GRAMS_PER_POUND, OUNCES_PER_POUND = 453.59237, 16.0
GRAMS_PER_OUNCE = GRAMS_PER_POUND / OUNCES_PER_POUND
_COLDEST_C, _PER_DEGREE_F = -273.15, 1.8
_COLDEST_F = 32.0 + _COLDEST_C * _PER_DEGREE_F


def content_from_load(load_pct: Amount) -> Amount:
    """Content (g in 100 g of finished product) of a load (g per 100 g of wax), float or array."""
    load = _checked(load_pct, "a load", "g per 100 g of wax", missing=True)
    return _plain(100.0 * load / (100.0 + load))


def load_from_content(content_pct: Amount) -> Amount:
    """Load (g per 100 g of wax) of a content, which must be under 100 g in 100 g of product."""
    content = _checked(content_pct, "a content", "g in 100 g of finished product", missing=True)
    if np.any(content >= 100.0):
        raise ValueError(
            f"a content of {np.nanmax(content):g} % of the finished product leaves no wax; give a "
            "content under 100 %"
        )
    return _plain(100.0 * content / (100.0 - content))


def load_from_ounces_per_pound(oz_per_lb: Amount) -> Amount:
    """Load (g per 100 g of wax) of so many ounces (weight) of fragrance per pound of wax.

    Parameters
    ----------
    oz_per_lb : float or ndarray, avoirdupois ounces per pound of wax, 0 or more.

    Returns
    -------
    float or ndarray of the same shape. Factors: NIST Special Publication 811, appendix B.

    Raises
    ------
    ValueError for what is no number of 0 or more.

    >>> load_from_ounces_per_pound(1.0)
    6.25
    """
    return _plain(100.0 * _checked(oz_per_lb, "a load", "oz per lb of wax") / OUNCES_PER_POUND)


def ounces_per_pound_from_load(load_pct):
    """Ounces (weight) of fragrance per pound of wax at a load in g per 100 g of wax."""
    return _plain(_checked(load_pct, "a load", "g per 100 g of wax") * OUNCES_PER_POUND / 100.0)


def load_from_weights(fragrance_g, wax_g):
    """Load (g per 100 g of wax) of what was weighed, both in grams: 9 for 18 g in 200 g."""
    fragrance = _checked(fragrance_g, "the fragrance", "g", missing=True)
    wax = _checked(wax_g, "the wax", "g", missing=True)
    if np.any(wax == 0):
        raise ValueError("the wax weighs 0 g, so there is no load; give its weight in g, above 0")
    return _plain(100.0 * fragrance / wax)


def grams_from_ounces(ounces):
    """Grams of so many avoirdupois ounces: 28.35 for one."""
    return _plain(_checked(ounces, "a weight", "oz") * GRAMS_PER_OUNCE)


def ounces_from_grams(grams):
    """Avoirdupois ounces of so many grams."""
    return _plain(_checked(grams, "a weight", "g") / GRAMS_PER_OUNCE)


def grams_from_pounds(pounds):
    """Grams of so many pounds: 453.59 for one."""
    return _plain(_checked(pounds, "a weight", "lb") * GRAMS_PER_POUND)


def celsius_from_fahrenheit(degrees_f):
    """Degrees Celsius of degrees Fahrenheit: 85 for 185."""
    degrees = _checked(degrees_f, "a temperature", "°F", least=_COLDEST_F)
    return _plain((degrees - 32.0) / _PER_DEGREE_F)


def fahrenheit_from_celsius(degrees_c):
    """Degrees Fahrenheit of degrees Celsius: 140 for 60."""
    degrees = _checked(degrees_c, "a temperature", "°C", least=_COLDEST_C)
    return _plain(degrees * _PER_DEGREE_F + 32.0)


@dataclass(frozen=True)
class Shown:
    """The workshop's choice: ``weight`` "g" or "oz", ``temperature`` "C" or "F".

    It rules what a person reads and what a bare number in a field means. Loads follow the weight:
    % of wax with g, oz per lb with oz. What is stored is in g, °C and % of wax all the same.

    >>> Shown("oz", "F").words
    'oz and °F'
    """

    weight: str = "g"
    temperature: str = "C"

    def __post_init__(self):
        if self.weight not in ("g", "oz") or self.temperature not in ("C", "F"):
            raise ValueError(f"units are g or oz, and C or F, not {self.weight} and "
                             f"{self.temperature}")

    @property
    def words(self):
        return f"{self.weight} and °{self.temperature}"

    def label(self, unit):
        """The unit of a column as its field and its heading have it.

        >>> Shown("oz", "F").label("°C"), Shown("oz").label("% of wax"), Shown().label("g")
        ('°F', 'with oz/lb or %', 'g')
        """
        if unit == "°C":
            return f"°{self.temperature}"
        return _IN_OUNCES.get(unit, unit) if self.weight == "oz" else unit


_IN_OUNCES = {"g": "oz", "% of wax": "with oz/lb or %",
              "g of fragrance per 100 g of wax": "with oz/lb or %", "per kg": "per lb"}
_chosen = Shown()


def shown():
    """The units that this process shows; those of the folder that was opened last."""
    return _chosen


def show_in(choice):
    """Show everything in these units from now on; None leaves them as they are."""
    global _chosen
    _chosen = choice or _chosen


@contextlib.contextmanager
def showing(choice=None):
    """Units for a while: those from before are back afterwards, whatever was chosen meanwhile."""
    before = _chosen
    try:
        show_in(choice)
        yield
    finally:
        show_in(before)


def say_load(load_pct, digits=1, sold=False):
    """A load in words, with both bases; a half is rounded up, as 1 oz per lb to 6.3 %.

    >>> say_load(6.25, 2), say_load(6.25)
    ('6.25 % of wax (5.88 % of total)', '6.3 % of wax (5.9 % of total)')
    >>> say_load(9.478, sold=True)
    '9.4 % of wax (8.5 % of total)'
    """
    load = sold_load(load_pct, sold)
    content = f"{in_digits(content_from_load(load), digits, sold)} % of total"
    wax = f"{in_digits(load, digits, sold)} % of wax"
    if _chosen.weight == "oz":
        return f"{say_ounces_per_pound(load, sold)} ({wax}, {content})"
    return f"{wax} ({content})"


def sold_load(load_pct, sold=True):
    """A load that pieces are sold by (recommended, highest safe) as it is said: never above itself.

    As it was typed where it was typed, else down to a tenth of % of wax. ``sold`` of the functions
    beside says its other bases from that, rounded down too, so that one load has one set of words.

    >>> sold_load(9.478), sold_load(9.375), sold_load(7.8)
    (9.4, 9.375, 7.8)
    """
    load = float(load_pct)
    keep = not sold or np.isnan(load) or is_typed(load)
    return load if keep else float(in_digits(load, 1, down=True))


def in_digits(value, digits, down=False):
    """A number that is not negative in so many decimals; Python's own takes 6.25 to 6.2.

    >>> in_digits(6.25, 1), in_digits(9.99, 1, down=True), in_digits(1.16 * 100, 0, down=True)
    ('6.3', '9.9', '116')
    """
    value = float(value) + 1e-9
    return f"{np.floor(value * 10**digits) / 10**digits if down else value:.{digits}f}"


def say_ounces_per_pound(load_pct, sold=False):
    """A load to 0.01 oz per lb, which is 0.06 points of % of wax. One that is typed is said down,
    as it is where it is sold, so that it has one name; one that was weighed is said to the nearest.

    >>> say_ounces_per_pound(9.0), say_ounces_per_pound(12.5), say_ounces_per_pound(7.8)
    ('1.44 oz/lb', '2 oz/lb', '1.24 oz/lb')
    >>> say_ounces_per_pound(10.997), say_ounces_per_pound(10.997, sold=True)
    ('1.76 oz/lb', '1.74 oz/lb')
    """
    load = sold_load(load_pct, sold)
    ounces = ounces_per_pound_from_load(load)
    return f"{float(in_digits(ounces, 2, down=sold or is_typed(load))):g} oz/lb"


def percent_of_wax(load_pct, sold=False):
    """A load in % of wax: to a tenth, or as it was typed where it was typed more finely.

    >>> percent_of_wax(9.0), percent_of_wax(6.25), percent_of_wax(9.8342)
    ('9.0 %', '6.25 %', '9.8 %')
    >>> percent_of_wax(9.478, sold=True), percent_of_wax(9.375), percent_of_wax(9.375, sold=True)
    ('9.4 %', '9.4 %', '9.37 %')
    """
    load = sold_load(load_pct, sold)
    typed = is_typed(load) and (sold or abs(load - round(load, 2)) < 1e-9)
    fine = typed and abs(load - round(load, 1)) > 1e-9
    return f"{in_digits(load, 2 if fine else 1, sold)} %"


def say_percent_of_wax(load_pct, sold=False):
    """A load in the maker's unit alone, as 9.0 % or 1.44 oz/lb."""
    say = say_ounces_per_pound if _chosen.weight == "oz" else percent_of_wax
    return say(load_pct, sold)


def say_load_oz(load_pct, sold=False):
    """A load in words as workshops say it: per cent of the wax, and ounces to the pound.

    The workshop's own unit comes first. ``sold``: down, as :func:`sold_load` says.

    >>> say_load_oz(6.25), say_load_oz(9.0), say_load_oz(9.375)
    ('6.25 % (1 oz/lb)', '9.0 % (1.44 oz/lb)', '9.4 % (1.5 oz/lb)')
    >>> say_load_oz(9.478, sold=True), say_load_oz(8.6, sold=True)
    ('9.4 % (1.5 oz/lb)', '8.6 % (1.37 oz/lb)')
    """
    said = percent_of_wax(load_pct, sold), say_ounces_per_pound(load_pct, sold)
    return _both(said, _chosen.weight == "oz")


def _both(said, turned):
    """Two forms of an amount, the maker's own before the other."""
    first, other = reversed(said) if turned else said
    return f"{first} ({other})"


def say_points(points, digits=1, sign="", alone=False):
    """A difference of two loads, given in points of % of wax, in the maker's unit; or its number
    ``alone``, where the unit stands beside. ``sign`` is "+" where a plus is shown, too.

    >>> say_points(0.75, 2)
    '0.75 points of load (% of wax)'
    >>> with showing(Shown("oz")):
    ...     say_points(-0.75)
    '-0.12 oz/lb'
    """
    if _chosen.weight == "oz":
        number = f"{round(points * OUNCES_PER_POUND / 100.0, 2) + 0.0:{sign}g}"
        return number if alone else f"{number} oz/lb"
    number = f"{points:{sign}.{digits}f}"
    return number if alone else f"{number} points of load (% of wax)"


def say_ounces(grams, digits=2, total=True):
    """A weight in oz, from a pound on in lb and oz where it is a ``total``, of no single weighing.

    >>> say_ounces(9525.44), say_ounces(9553.79), say_ounces(453.0), say_ounces(500.0, total=False)
    ('21 lb', '21 lb 1 oz', '15.98 oz', '17.64 oz')
    """
    ounces = round(ounces_from_grams(grams), digits)
    pounds, rest = divmod(ounces, OUNCES_PER_POUND) if total else (0.0, ounces)
    rest = f"{round(rest, digits):g} oz"
    return f"{pounds:g} lb {rest}".removesuffix(" 0 oz") if pounds else rest


def say_weight(grams, total=False):
    """A weight in words, in grams and ounces, as finely as a kitchen scale shows; a ``total`` as
    :func:`say_ounces` has it.

    >>> say_weight(28.35), say_weight(453.6), say_weight(5.31), say_weight(10044, total=True)
    ('28 g (1 oz)', '454 g (16 oz)', '5.3 g (0.19 oz)', '10.044 kg (22 lb 2.3 oz)')
    """
    fine, own = grams < 20.0, _chosen.weight == "oz"
    metric = f"{grams / 1000:.3f} kg" if total and grams >= 5000.0 else f"{grams:.{int(fine)}f} g"
    said = metric, say_ounces(grams, 2 if fine or own else 1, total)
    return _both(said, own)


def say_one_weight(grams, digits=1, total=False):
    """A weight in the maker's unit alone: g with so many decimals, or as :func:`say_ounces` has it.
    """
    return say_ounces(grams, 2, total) if _chosen.weight == "oz" else f"{grams:.{digits}f} g"


def say_to_weigh(grams, digits=1):
    """A weight to set on a scale, in both units, the maker's own first."""
    said = f"{grams:.{digits}f} g", say_ounces(grams, 2)
    return _both(said, _chosen.weight == "oz")


def say_grams(grams, digits=1):
    """A weight as a scale of the bench shows it, in g and in oz, the maker's own first."""
    said = f"{grams:.{digits}f} g", f"{ounces_from_grams(grams):.{digits + 1}f} oz"
    return _both(said, _chosen.weight == "oz")


def say_weighed(grams):
    """A weight as it was weighed, in the maker's unit alone: 24.31 g."""
    return f"{scale_ounces(grams):g} oz" if _chosen.weight == "oz" else f"{grams:g} g"


def price_per_pound(price_per_kg):
    return price_per_kg * GRAMS_PER_POUND / 1000.0


def price_in_unit(price_per_kg):
    """A price of a kg as one of a pound, where weights are in ounces.

    >>> with showing(Shown("oz")):
    ...     round(price_in_unit(10.0), 2), shown().label("per kg")
    (4.54, 'per lb')
    """
    return price_per_pound(price_per_kg) if _chosen.weight == "oz" else price_per_kg


def fine_weight(grams):
    """The number of what a piece lost or held in the maker's unit: to 0.01 g or 0.001 oz. Of a loss
    the lower limit may lie below 0.

    >>> with showing(Shown("oz")):
    ...     fine_weight(-9.4), fine_weight(2.5)
    ('-0.332', '0.088')
    """
    return f"{grams / GRAMS_PER_OUNCE:.3f}" if _chosen.weight == "oz" else f"{grams:.2f}"


def scale_ounces(grams):
    """Ounces as a scale of 0.01 oz shows them."""
    return round(ounces_from_grams(grams), 2)


def add_up(grams):
    """Grams of a sum as the maker's scale adds it up: in oz, of weights to 0.01 oz each."""
    if _chosen.weight == "g":
        return sum(grams)
    return grams_from_ounces(round(sum(map(scale_ounces, grams)), 2))


def is_typed(load_pct):
    """Whether a load is one that a person types: whole hundredths of % of wax or of oz per lb.

    >>> is_typed(6.25), is_typed(8.125), is_typed(9.8342)
    (True, True, False)
    """
    ounces = 100.0 * ounces_per_pound_from_load(load_pct)
    return any(abs(x - round(x)) < 1e-6 for x in (100.0 * load_pct, ounces))


def say_temperature(degrees_c):
    """A temperature in words, in both scales: 85 °C (185 °F)."""
    said = f"{degrees_c:.0f} °C", f"{fahrenheit_from_celsius(degrees_c):.0f} °F"
    return _both(said, _chosen.temperature == "F")


def say_one_temperature(degrees_c):
    """A temperature in the maker's scale alone, to a tenth where it has one.

    What is stored to 0.1 °C is whole in °F where it may have been typed so.

    >>> say_one_temperature(38.5), say_one_temperature(38.0)
    ('38.5 °C', '38 °C')
    """
    if _chosen.temperature == "F":
        degrees = fahrenheit_from_celsius(degrees_c)
        whole = abs(degrees - round(degrees)) < 0.1
        return f"{round(degrees, 0 if whole else 1):g} °F"
    return f"{degrees_c:g} °C"


def say_in(value, unit):
    """A value of a column in its unit, a weight and a temperature in the maker's alone."""
    say = {"g": say_weighed, "°C": say_one_temperature, "g per 100 g of wax": say_load_oz}.get(unit)
    return say(value) if say else f"{value:g} {unit}"


_HEAT = re.compile(
    r"(?P<by>(?:falls|within|by) )?(?P<low>-?\d+(?:\.\d+)?)(?: to (?P<high>\d+(?:\.\d+)?))?"
    r" °C(?! \(\d+ (?:to \d+ )?°F\))(?P<off> (?:below|under|above|more|less|off)\b)?")


def in_maker_units(text):
    """A text of the kit, written in °C, in the maker's scale; a difference stays a difference.

    >>> in_maker_units("Leave it at 20 to 27 °C.")
    'Leave it at 20 to 27 °C.'
    >>> with showing(Shown("oz", "F")):
    ...     in_maker_units("Leave it at 20 to 27 °C, 10 °C below melting.")
    'Leave it at 68 to 81 °F, 18 °F below melting.'
    """
    if _chosen.temperature == "C":
        return text

    def said(found):
        by, off = found["by"] or "", found["off"] or ""
        ends = [float(x) for x in (found["low"], found["high"]) if x]
        ends = [f"{1.8 * x if by or off else fahrenheit_from_celsius(x):.0f}" for x in ends]
        return f"{by}{' to '.join(ends)} °F{off}"

    return _HEAT.sub(said, text)


def _checked(value, what, unit, *, least=0.0, missing=False):
    """A value as floats, or a ValueError that names it and what to give instead."""
    plain = np.asarray(value)
    values = [] if plain.dtype.kind in "fiub" else plain.ravel().tolist()
    texts = [x for x in values if not (x is None or isinstance(x, Real))]
    if texts:
        raise ValueError(
            f"{what} must be a number in {unit}, not {texts[0]!r}; leave out units and words"
        )
    found = plain.astype(float)
    wrong = (found < least) | np.isinf(found) | (np.isnan(found) & (not missing))
    if np.any(wrong):
        shown = f"{found[wrong].flat[0]:g} {unit}"
        bound = f"from {least:g} {unit} up" if np.isfinite(least) else f"in {unit}"
        raise ValueError(f"{what} of {shown} is not possible; give a number {bound}")
    return found


def _plain(value) -> Any:
    """A zero-dimensional array as a plain float, anything else as it is."""
    return float(value) if np.ndim(value) == 0 else value
