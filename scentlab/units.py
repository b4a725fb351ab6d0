"""Units of the workshop: load bases, weights, volumes, temperatures.

Two bases are in use for "how much fragrance". The **load** is grams of fragrance per 100 g of
wax; the **content** is grams of fragrance in 100 g of finished product. Wax makers mostly speak
of the first, regulatory limits of the second. Every number a person sees names its basis.

The factors are those of NIST Special Publication 811 (appendix B), taken from
:mod:`scipy.constants` rather than typed here. All functions accept numbers or numpy arrays, and
refuse with ValueError what no balance and no thermometer shows: text, infinite values, weights and
loads under 0, temperatures below absolute zero. A missing value (NaN) is refused too, but for the
loads and contents of a frame, where it marks what was not weighed and stays missing.
"""

from numbers import Real
from typing import Any, TypeVar

import numpy as np
from scipy import constants

# A number, or an array of them.
Amount = TypeVar("Amount", float, np.ndarray)

GRAMS_PER_POUND = constants.pound * 1000.0
GRAMS_PER_OUNCE = constants.ounce * 1000.0
OUNCES_PER_POUND = constants.pound / constants.ounce
_COLDEST_F = 32.0 - constants.zero_Celsius / constants.degree_Fahrenheit


def content_from_load(load_pct: Amount) -> Amount:
    """Content (g in 100 g of finished product) of a load (g per 100 g of wax).

    Parameters
    ----------
    load_pct : float or ndarray, g of fragrance per 100 g of wax, 0 or more; NaN stays NaN.

    Returns
    -------
    float or ndarray of the same shape.

    Raises
    ------
    ValueError for text, an infinite load or one under 0.

    >>> round(content_from_load(6.25), 2)
    5.88
    """
    load = _checked(load_pct, "a load", "g per 100 g of wax", missing=True)
    return _plain(100.0 * load / (100.0 + load))


def load_from_content(content_pct: Amount) -> Amount:
    """Load (g per 100 g of wax) of a content (g in 100 g of finished product).

    Parameters
    ----------
    content_pct : float or ndarray, g in 100 g of finished product, from 0 to under 100.

    Returns
    -------
    float or ndarray of the same shape.

    Raises
    ------
    ValueError at a content of 100 % or more, which no load reaches, and for what is no number.

    >>> round(load_from_content(10.0), 3)
    11.111
    """
    content = _checked(content_pct, "a content", "g in 100 g of finished product", missing=True)
    if np.any(content >= 100.0):
        raise ValueError(
            f"a content of {np.nanmax(content):g} % of the finished product leaves no wax; "
            "give a content under 100 %"
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
    """Ounces (weight) of fragrance per pound of wax at a load in g per 100 g of wax.

    >>> ounces_per_pound_from_load(18.75)
    3.0
    """
    load = _checked(load_pct, "a load", "g per 100 g of wax")
    return _plain(load * OUNCES_PER_POUND / 100.0)


def load_from_weights(fragrance_g, wax_g):
    """Load (g per 100 g of wax) of what was weighed, both in grams.

    >>> load_from_weights(18.0, 200.0)
    9.0
    """
    fragrance = _checked(fragrance_g, "the fragrance", "g", missing=True)
    wax = _checked(wax_g, "the wax", "g", missing=True)
    if np.any(wax == 0):
        raise ValueError("the wax weighs 0 g, which holds no load; give its weight in g, above 0")
    return _plain(100.0 * fragrance / wax)


def grams_from_ounces(ounces):
    """Grams of so many avoirdupois ounces.

    >>> round(grams_from_ounces(1.0), 3)
    28.35
    """
    return _plain(_checked(ounces, "a weight", "oz") * GRAMS_PER_OUNCE)


def ounces_from_grams(grams):
    """Avoirdupois ounces of so many grams.

    >>> round(ounces_from_grams(100.0), 3)
    3.527
    """
    return _plain(_checked(grams, "a weight", "g") / GRAMS_PER_OUNCE)


def grams_from_pounds(pounds):
    """Grams of so many pounds.

    >>> round(grams_from_pounds(1.0), 2)
    453.59
    """
    return _plain(_checked(pounds, "a weight", "lb") * GRAMS_PER_POUND)


def celsius_from_fahrenheit(degrees_f):
    """Degrees Celsius of degrees Fahrenheit.

    >>> round(celsius_from_fahrenheit(185.0), 2)
    85.0
    """
    degrees = _checked(degrees_f, "a temperature", "°F", least=_COLDEST_F)
    return _plain((degrees - 32.0) * constants.degree_Fahrenheit)


def fahrenheit_from_celsius(degrees_c):
    """Degrees Fahrenheit of degrees Celsius.

    >>> round(fahrenheit_from_celsius(60.0), 2)
    140.0
    """
    degrees = _checked(degrees_c, "a temperature", "°C", least=-constants.zero_Celsius)
    return _plain(degrees / constants.degree_Fahrenheit + 32.0)


def say_load(load_pct, digits=1):
    """A load in words, with both bases; a half is rounded up, as 1 oz per lb to 6.3 %.

    >>> say_load(6.25, 2), say_load(6.25)
    ('6.25 % of wax (5.88 % of total)', '6.3 % of wax (5.9 % of total)')
    """
    content = content_from_load(load_pct)
    return f"{_half_up(load_pct, digits)} % of wax ({_half_up(content, digits)} % of total)"


def say_percent_of_wax(load_pct):
    """A load in words: to a tenth, or as it was typed where it was typed more finely.

    >>> say_percent_of_wax(9.0), say_percent_of_wax(6.25), say_percent_of_wax(9.8342)
    ('9.0 %', '6.25 %', '9.8 %')
    """
    typed = is_typed(load_pct) and abs(load_pct - round(load_pct, 2)) < 1e-9
    fine = typed and abs(load_pct - round(load_pct, 1)) > 1e-9
    return f"{_half_up(load_pct, 2 if fine else 1)} %"


def say_load_oz(load_pct):
    """A load in words as workshops say it: per cent of the wax, and ounces to the pound.

    >>> say_load_oz(6.25), say_load_oz(9.0), say_load_oz(9.375)
    ('6.25 % (1 oz/lb)', '9.0 % (1.4 oz/lb)', '9.4 % (1.5 oz/lb)')
    """
    ounces = ounces_per_pound_from_load(load_pct)
    quarter = round(4.0 * ounces) / 4.0
    ounces = quarter if abs(quarter - ounces) < 1e-9 else round(ounces, 1)
    return f"{say_percent_of_wax(load_pct)} ({ounces:g} oz/lb)"


def say_weight(grams):
    """A weight in words, in grams and ounces, as finely as a kitchen scale shows.

    >>> say_weight(28.35), say_weight(453.6), say_weight(5.31)
    ('28 g (1 oz)', '454 g (16 oz)', '5.3 g (0.19 oz)')
    """
    ounces = ounces_from_grams(grams)
    fine = grams < 20.0
    return f"{grams:.{int(fine)}f} g ({round(ounces, 2 if fine else 1):g} oz)"


def is_typed(load_pct):
    """Whether a load is one that a person types: whole hundredths, or quarter ounces to the pound.

    >>> is_typed(6.25), is_typed(9.375), is_typed(9.8342)
    (True, True, False)
    """
    ounces = 4.0 * ounces_per_pound_from_load(load_pct)
    return any(abs(x - round(x)) < 1e-6 for x in (100.0 * load_pct, ounces))


def _half_up(value, digits):
    """A number that is not negative in so many decimals; Python's own takes 6.25 to 6.2."""
    return f"{float(value) + 1e-9:.{digits}f}"


def say_temperature(degrees_c):
    """A temperature in words, in both scales.

    >>> say_temperature(85.0)
    '85 °C (185 °F)'
    """
    return f"{degrees_c:.0f} °C ({fahrenheit_from_celsius(degrees_c):.0f} °F)"


def _checked(value, what, unit, *, least=0.0, missing=False):
    """A value as floats, or a ValueError that names it and what to give instead."""
    plain = np.asarray(value)
    values = [] if plain.dtype.kind in "fiub" else plain.ravel().tolist()
    texts = [x for x in values if not (x is None or isinstance(x, Real))]
    if texts:
        raise ValueError(
            f"{what} must be a number in {unit}, not {texts[0]!r}; leave units and words out"
        )
    found = plain.astype(float)
    wrong = (found < least) | np.isinf(found) | (np.isnan(found) & (not missing))
    if np.any(wrong):
        shown = f"{found[wrong].flat[0]:g} {unit}"
        bound = f"from {least:g} {unit} up" if np.isfinite(least) else f"in {unit}"
        raise ValueError(f"{what} of {shown} cannot be; give a number {bound}")
    return found


def _plain(value) -> Any:
    """A zero-dimensional array as a plain float, anything else as it is."""
    return float(value) if np.ndim(value) == 0 else value
