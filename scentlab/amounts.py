"""Amounts as people write them: ``1.5 oz/lb``, ``2 lb 3 oz``, ``180 F``, ``8 %``.

A number may be a decimal (``1.5``), a fraction (``1/2``, ``1 1/2``, ``1½``) or a word (``half``,
``a``). A decimal comma is refused, for it cannot be told from the comma of a list or of thousands;
so are fluid ounces, which measure no weight, and a number without a unit where no unit is usual.
"""

import re
import unicodedata

from scentlab.units import (
    GRAMS_PER_OUNCE,
    GRAMS_PER_POUND,
    celsius_from_fahrenheit,
    load_from_content,
)


class AmountError(ValueError):
    """An amount that cannot be read. ``value`` is what was typed, ``remedy`` what to type."""

    def __init__(self, value, why, remedy):
        super().__init__(f"{str(value)!r} {why}; {remedy}")
        self.value, self.remedy = value, remedy


_WEIGHTS = {
    "g": 1.0, "gm": 1.0, "gms": 1.0, "gram": 1.0, "grams": 1.0, "gramme": 1.0,
    "grammes": 1.0, "kg": 1000.0, "kilo": 1000.0, "kilos": 1000.0, "kilogram": 1000.0,
    "kilograms": 1000.0, "mg": 0.001, "oz": GRAMS_PER_OUNCE, "ozs": GRAMS_PER_OUNCE,
    "ounce": GRAMS_PER_OUNCE, "ounces": GRAMS_PER_OUNCE, "lb": GRAMS_PER_POUND,
    "lbs": GRAMS_PER_POUND, "pound": GRAMS_PER_POUND, "pounds": GRAMS_PER_POUND,
    "#": GRAMS_PER_POUND,
}
_PER_CENT = r"(?:%|percent|per cent|pct|pc)"
_OF_WHOLE = r"of (?:the )?(?:total|finished(?: product| piece)?|product|whole|piece)"
_OF_WAX = r"(?:of (?:the )?(?:wax|wax weight)|(?:fo|fragrance|oil|load|fragrance load))"
_CELSIUS = {"c", "°c", "ºc", "deg c", "degree c", "degrees c", "celsius", "degrees celsius"}
_FAHRENHEIT = {
    "f", "°f", "ºf", "deg f", "degree f", "degrees f", "fahrenheit", "degrees fahrenheit",
}
_WORDS = {"a": 1.0, "an": 1.0, "one": 1.0, "half": 0.5, "half a": 0.5, "half an": 0.5,
          "a half": 0.5, "quarter": 0.25, "a quarter": 0.25, "quarter of a": 0.25}
_NUMBER = re.compile(
    r"(?P<whole>\d+)[ -]+(?P<over>\d+)/(?P<under>\d+)|(?P<top>\d+)/(?P<below>\d+)"
    r"|(?P<plain>\d+\.?\d*|\.\d+)"
    r"|(?P<word>half an?|a half|a quarter|quarter of a|half|quarter|one|an?)(?![a-z])"
)
_LOAD_REMEDY = "write it as 1.5 oz/lb, 8 % or 80 g/kg"
_WEIGHT_REMEDY = "write it as 450 g, 9.5 oz or 1 lb 2 oz"
_TEMPERATURE_REMEDY = "write it as 180 F or 82 C"


def read_weight(text, unit=None):
    """Grams of a weight as written.

    Parameters
    ----------
    text : str or number. unit : what a number without one is in, such as "g"; None refuses it.

    Raises
    ------
    AmountError for what is no weight, or could be several.

    >>> round(read_weight("1 lb 2 oz"), 1), round(read_weight("9.45 oz"), 1), read_weight("½ kg")
    (510.3, 267.9, 500.0)
    """
    left, grams, smallest = _plain(text, _WEIGHT_REMEDY), 0.0, float("inf")
    while True:
        number, left = _take_number(left, text, _WEIGHT_REMEDY)
        found = re.match(r"(#|[a-z]+)\.?(?:,? | and |$|(?=\d))", left)
        word = found[1] if found else unit if not left else ""
        factor = _WEIGHTS.get(word)
        if factor is None or factor >= smallest or "fl" in left.split():
            raise AmountError(text, _no_weight(left), _WEIGHT_REMEDY)
        grams, smallest = grams + number * factor, factor
        left = left[found.end():].removeprefix("and ").strip() if found else ""
        if not left:
            return grams


def _no_weight(left):
    if re.match(r"(fl|fluid)\b", left):
        return "is a volume, and no volume of oil has a weight of its own"
    return "has no unit" if not left else "is no weight"


def read_load(text, unit=None):
    """Load (g of fragrance per 100 g of wax) as written; a content is turned into one.

    Parameters
    ----------
    text : str or number. unit : what a number without one is in, "%" or "oz/lb"; None refuses it.

    >>> read_load("1.5 oz per lb"), read_load("8 %"), round(read_load("8 % of total"), 3)
    (9.375, 8.0, 8.696)
    """
    left = _plain(text, _LOAD_REMEDY)
    number, left = _take_number(left, text, _LOAD_REMEDY)
    load = _load_in(number, left or (unit or ""))
    if load is None:
        why = "has no unit" if not left else _no_weight(left).replace("weight", "load")
        raise AmountError(text, why, _LOAD_REMEDY)
    if not load < 100.0:
        raise AmountError(text, "is more fragrance than wax", _LOAD_REMEDY)
    return load


def _load_in(number, unit):
    if re.fullmatch(rf"{_PER_CENT}(?: {_OF_WAX})?", unit):
        return number
    if re.fullmatch(rf"{_PER_CENT} {_OF_WHOLE}", unit):
        return load_from_content(number) if number < 100.0 else 100.0
    found = re.fullmatch(
        r"([a-z]+)\.?(?: (?:of )?(?:fragrance|oil|fragrance oil|fo))? ?"
        r"(?:/|per|to the|to a|in|to) ?"
        r"(?:(\d+|a|one|the) ?)?([a-z#]+)\.?(?: (?:of )?(?:the )?wax)?", unit)
    if not found or found[1] not in _WEIGHTS or found[3] not in _WEIGHTS:
        return None
    wax = float(found[2]) if (found[2] or "").isdigit() else 1.0
    return 100.0 * number * _WEIGHTS[found[1]] / (wax * _WEIGHTS[found[3]]) if wax else None


def read_loads(text: str, unit: str | None = None) -> tuple[float, ...]:
    """Several loads as written, the last unit for all that have none.

    Parameters
    ----------
    text : str, loads parted by commas, semicolons, new lines or "and".
    unit : str or None, what numbers without one are in, "%" or "oz/lb"; None refuses them.

    Returns
    -------
    tuple of float in rising order, g of fragrance per 100 g of wax.

    Raises
    ------
    AmountError, a ValueError with ``value`` and ``remedy``, for what cannot be read.

    >>> read_loads("1, 1.5, 2, 3 oz per lb"), read_loads("6; 8; 10 %")
    ((6.25, 9.375, 12.5, 18.75), (6.0, 8.0, 10.0))
    """
    plain = unicodedata.normalize("NFC", str(text)).strip()
    several = plain.count(",") > 1 and not re.search(r",\s", plain)
    parts = re.split(r"[;\n]|,\s+|\s+(?:and|&)\s+" + ("|," if several else ""), plain)
    parts = [part.strip() for part in parts if part.strip()]
    if len(parts) == 1:
        inner = re.fullmatch(r"((?:[\d.½¼¾]+\s+)+)([\d.½¼¾]+\s*[^\d\s.].*)", plain)
        parts = [*inner[1].split(), inner[2]] if inner else parts
    if not parts:
        raise AmountError(text, "names no load", _LOAD_REMEDY)
    own = re.sub(r"^[\d\s./½¼¾]+", "", parts[-1]) or unit
    loads = sorted({round(read_load(part, own), 9) for part in parts})
    return tuple(loads)


def read_price(text):
    """Price of a kg as written, whatever the currency; ``for`` or ``/`` parts price and weight.

    >>> read_price("12 per kg"), round(read_price("$3.50/lb"), 2), read_price("9.5 for 500 g")
    (12.0, 7.72, 19.0)
    """
    remedy = "write it as 12 / kg, 3.50 / lb or 18 for 16 oz"
    left = re.sub(r"^[^\d.]+", "", _plain(text, remedy))
    found = re.fullmatch(r"(\d+\.?\d*|\.\d+)[^\d/]*?\s*(?:/|\bper\b|\bfor\b|\ba\b)\s*(.+)", left)
    if not found:
        raise AmountError(text, "is no price of a weight", remedy)
    weight = found[2] if found[2][0].isdigit() else f"1 {found[2]}"
    grams = read_weight(weight)
    if not grams:
        raise AmountError(text, "is the price of nothing", remedy)
    return 1000.0 * float(found[1]) / grams


def read_temperature(text, unit=None):
    """Degrees Celsius of a temperature as written; ``unit`` is "C" or "F" for a bare number.

    >>> round(read_temperature("180 F"), 1), read_temperature("82°C")
    (82.2, 82.0)
    """
    left = _plain(text, _TEMPERATURE_REMEDY)
    sign = -1.0 if left[:1] in "-−" else 1.0
    number, left = _take_number(left.lstrip("-− "), text, _TEMPERATURE_REMEDY)
    scale = (left or (unit or "").lower()).rstrip(".")
    if scale in _CELSIUS:
        return sign * number
    if scale in _FAHRENHEIT:
        return celsius_from_fahrenheit(sign * number)
    why = "has no unit" if not scale else "is no temperature"
    raise AmountError(text, why, _TEMPERATURE_REMEDY)


def _plain(text, remedy):
    """The text in lower case with single spaces and written-out fractions."""
    plain = re.sub(r"(\d)([¼½¾⅓⅔⅛⅜⅝⅞])", r"\1 \2", str(text))
    plain = unicodedata.normalize("NFKC", plain).replace("⁄", "/").lower()
    plain = " ".join(plain.split())
    if re.search(r"\d,\d", plain):
        raise AmountError(text, "has a comma that may part numbers or be a decimal point",
                          f"use a point, as in 1.5; {remedy}")
    return plain


def _take_number(plain, text, remedy):
    """The number that the text begins with, and what is left."""
    found = _NUMBER.match(plain)
    if found is None:
        raise AmountError(text, "does not begin with a number of 0 or more", remedy)
    got = found.groupdict()
    if "0" in (got["under"], got["below"]):
        raise AmountError(text, "is divided by 0", remedy)
    if got["whole"]:
        number = int(got["whole"]) + int(got["over"]) / int(got["under"])
    elif got["top"]:
        number = int(got["top"]) / int(got["below"])
    else:
        number = _WORDS[got["word"]] if got["word"] else float(got["plain"])
    return number, plain[found.end():].strip()
