"""Amounts as people write them: ``1.5 oz/lb``, ``2 lb 3 oz``, ``180 F``, ``8 %``, ``1 h 30 min``.

A number may be a decimal (``1.5``), a fraction (``1/2``, ``1 1/2``, ``1½``) or a word (``half``,
``a``). A decimal comma is refused, for it cannot be told from the comma of a list or of thousands;
so are fluid ounces, which measure no weight, and a number without a unit where no unit is usual.

The choice of a workshop between g and oz, °C and °F is kept in its folder (:func:`units_here`).
"""

import contextlib
import datetime as dt
import json
import re
import unicodedata
from dataclasses import asdict
from pathlib import Path

from scentlab.files import write_whole
from scentlab.units import (
    GRAMS_PER_OUNCE,
    GRAMS_PER_POUND,
    Shown,
    celsius_from_fahrenheit,
    content_from_load,
    fahrenheit_from_celsius,
    in_digits,
    is_typed,
    load_from_content,
    ounces_from_grams,
    ounces_per_pound_from_load,
    price_per_pound,
)

UNITS_NAME = "units.json"


class AmountError(ValueError):
    """An amount that cannot be read. ``value`` is what was typed, ``remedy`` what to type, and
    ``beside`` what a form says of it."""

    def __init__(self, value, why, remedy):
        super().__init__(f"{str(value)!r} {why}; {remedy}")
        self.value, self.remedy, self.beside = value, remedy, f"which {why}; {remedy}"


def _by_name(factors):
    """The factor of each name, from the names (parted by spaces) of each factor."""
    return {name: factor for factor, names in factors.items() for name in names.split()}


_WEIGHTS = _by_name({
    0.001: "mg", 1.0: "g gm gms gram grams gramme grammes",
    1000.0: "kg kilo kilos kilogram kilograms", GRAMS_PER_OUNCE: "oz ozs ounce ounces",
    GRAMS_PER_POUND: "lb lbs pound pounds #",
})
_MINUTES = _by_name({1 / 60: "s sec secs second seconds", 1.0: "min mins minute minutes",
                     60.0: "h hr hrs hour hours", 1440.0: "d day days"})
_PER_CENT = r"(?:%|percent|per cent|pct|pc)"
_OF_WHOLE = r"of (?:the )?(?:total|finished(?: product| piece)?|product|whole|piece)"
_OF_WAX = r"(?:of (?:the )?(?:wax|wax weight)|(?:fo|fragrance|oil|load|fragrance load))"
_DEGREES = re.compile(r"(?:°|deg(?:rees?)? )?(c|f|celsius|fahrenheit)")
_WORDS = {"a": 1.0, "an": 1.0, "one": 1.0, "half": 0.5, "half a": 0.5, "half an": 0.5,
          "a half": 0.5, "quarter": 0.25, "a quarter": 0.25, "quarter of a": 0.25}
_NUMBER = re.compile(
    r"(?:(?P<whole>\d+)[ -]+)?(?P<over>\d+)/(?P<under>\d+)"
    r"|(?P<plain>\d+\.?\d*|\.\d+)"
    r"|(?P<word>half an?|a half|a quarter|quarter of a|half|quarter|one|an?)(?![a-z])"
)
_LOAD_REMEDY = "write it as 1.5 oz/lb, 8 % or 80 g/kg"
_WEIGHT_REMEDY = "write it as 450 g, 9.5 oz or 1 lb 2 oz"
_TEMPERATURE_REMEDY = "write it as 180 F or 82 C"
_TIME_REMEDY = "write it as 90 min, 2 h or 1 h 30 min"
_DATE_REMEDY = "write it as 14 Mar 2026, 2026-03-14 or 14.03.2026"
_DATES = ("%Y-%m-%d", "%d.%m.%Y", "%d %b %Y", "%b %d %Y")  # 3/4/2026 has two meanings


def read_weight(text, unit=None):
    """Grams of a weight as written; ``unit`` is what a bare number is in, None refuses it.

    >>> round(read_weight("1 lb 2 oz"), 1), round(read_weight("9.45 oz"), 1), read_weight("½ kg")
    (510.3, 267.9, 500.0)
    """
    return _added_up(text, unit, _WEIGHTS, _WEIGHT_REMEDY)


def read_minutes(text, unit=None):
    """Minutes of a time as written; ``unit`` is what a number without one is in, "min" or "h".

    >>> read_minutes("1 h 30 min"), read_minutes("90 s"), read_minutes("half an hour")
    (90.0, 1.5, 30.0)
    """
    return _added_up(text, unit, _MINUTES, _TIME_REMEDY)


def _added_up(text, unit, factors, remedy):
    """An amount of one unit or of several, the largest first."""
    left, total, smallest = _plain(text, remedy), 0.0, float("inf")
    while True:
        number, left = _take_number(left, text, remedy)
        found = re.match(r"(#|[a-z]+)\.?(?:,? | and |$|(?=\d))", left)
        word = found[1] if found else unit if not left else ""
        factor = factors.get(word)
        if factor is None or factor >= smallest or "fl" in left.split():
            why = _no_weight(left) if factors is _WEIGHTS else _no_time(left)
            raise AmountError(text, why, remedy)
        total, smallest = total + number * factor, factor
        left = left[found.end():].removeprefix("and ").strip() if found else ""
        if not left:
            return total


def _no_time(left):
    if left.startswith(":"):
        return "may be hours and minutes, or minutes and seconds"
    return "has no unit" if not left else "is not a time"


def _no_weight(left):
    if re.match(r"(fl|fluid)\b", left):
        return "is a volume, and the weight of a volume depends on the oil"
    return "has no unit" if not left else "is not a weight"


def read_load(text, unit=None):
    """Load (g of fragrance per 100 g of wax) as written; a content is turned into one.

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
    # One comma between digits may be a decimal sign: it is left, and refused; several part loads.
    parts = [part.strip() for piece in re.split(r"[;\n]|,\s+|\s+(?:and|&)\s+", plain)
             for part in (piece.split(",") if piece.count(",") > 1 else [piece]) if part.strip()]
    if len(parts) == 1:
        inner = re.fullmatch(r"((?:[\d.½¼¾]+\s+)+)([\d.½¼¾]+\s*[^\d\s.].*)", plain)
        parts = [*inner[1].split(), inner[2]] if inner else parts
    if not parts:
        raise AmountError(text, "contains no load", _LOAD_REMEDY)
    own = re.sub(r"^[\d\s./½¼¾]+", "", parts[-1]) or unit
    loads = [round(read_load(part, own), 9) for part in parts[::-1]]
    if re.search(r"\d,\d", plain) and loads not in (sorted(loads), sorted(loads, reverse=True)):
        _plain(text, _LOAD_REMEDY)  # neither rising nor falling: 1,5,2,5 may be two decimals
    return tuple(sorted(set(loads)))


def read_content(text, unit=None):
    """Content (g in 100 g of finished product) as written; a load is turned into one.

    ``unit`` is "%" where a bare number, or a bare per cent, is of the total; None refuses it.

    >>> read_content("8", "%"), read_content("8 % of total"), round(read_content("1 oz/lb"), 3)
    (8.0, 8.0, 5.882)
    """
    plain = _plain(text, _LOAD_REMEDY)
    bare = re.fullmatch(rf"([\d. /]+?) ?{_PER_CENT}?", plain)
    if bare and unit == "%":
        text = f"{bare[1]} % of total"
    elif bare:
        raise AmountError(text, "does not say of what", "write it as 8 % of total or 8 % of wax")
    return round(content_from_load(read_load(text)), 9)


def read_percent(text, unit="%"):
    """A percentage of its own kind, with or without its sign."""
    remedy = "write it as 5 %"
    number, left = _take_number(_plain(text, remedy), text, remedy)
    if left and not re.fullmatch(_PER_CENT, left):
        raise AmountError(text, "is not a percentage", remedy)
    return number


def read_price(text, unit=None):
    """Price of a kg as written, whatever the currency; ``for`` or ``/`` parts price and weight.

    ``unit`` is "kg" where a number alone is the price of a kg; None refuses it.

    >>> read_price("12 per kg"), round(read_price("$3.50/lb"), 2), read_price("9.5 for 500 g")
    (12.0, 7.72, 19.0)
    """
    remedy = "write it as 12 / kg, 3.50 / lb or 18 for 16 oz"
    left = re.sub(r"^[^\d.]+", "", _plain(text, remedy))
    left += f" / {unit}" if unit and re.fullmatch(r"[\d.]+", left) else ""
    found = re.fullmatch(r"(\d+\.?\d*|\.\d+)[^\d/]*?\s*(?:/|\bper\b|\bfor\b|\ba\b)\s*(.+)", left)
    if not found:
        raise AmountError(text, "is not a price for a weight", remedy)
    weight = found[2] if found[2][0].isdigit() else f"1 {found[2]}"
    grams = read_weight(weight)
    if not grams:
        raise AmountError(text, "is a price for nothing", remedy)
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
    found = _DEGREES.fullmatch(scale)
    if not found:
        why = "has no unit" if not scale else "is not a temperature"
        raise AmountError(text, why, _TEMPERATURE_REMEDY)
    fahrenheit = found[1][0] == "f"
    return celsius_from_fahrenheit(sign * number) if fahrenheit else sign * number


def _plain(text, remedy):
    """The text in lower case with single spaces and written-out fractions."""
    plain = re.sub(r"(\d)([¼½¾⅓⅔⅛⅜⅝⅞])", r"\1 \2", str(text))
    plain = unicodedata.normalize("NFKC", plain).replace("⁄", "/").lower()
    plain = " ".join(plain.split())
    if re.search(r"\d,\d", plain):
        raise AmountError(text, "has a comma that could separate numbers or be a decimal point",
                          f"use a point, as in 1.5; {remedy}")
    return plain


def _take_number(plain, text, remedy):
    """The number that the text begins with, and what is left."""
    found = _NUMBER.match(plain)
    if found is None:
        raise AmountError(text, "does not start with a number of 0 or more", remedy)
    got = found.groupdict()
    if got["under"] and not int(got["under"]):
        raise AmountError(text, "is divided by 0", remedy)
    if got["word"] or got["plain"]:
        number = _WORDS[got["word"]] if got["word"] else float(got["plain"])
    else:
        number = int(got["whole"] or 0) + int(got["over"]) / int(got["under"])
    return number, plain[found.end():].strip()


# --- an amount in a column: how it is read, and its other form

# By the unit of a column: how its text is read, and what a bare number is in.
READERS = {
    "g": (read_weight, "g"), "°C": (read_temperature, "C"), "% of wax": (read_load, "%"),
    "% of total": (read_content, "%"), "min": (read_minutes, "min"), "%": (read_percent, "%"),
    "h": (lambda text, unit: read_minutes(text, unit) / 60.0, "h"), "per kg": (read_price, "kg"),
    "g per 100 g of wax": (read_load, "%"), "g in 100 g of finished product": (read_content, "%"),
}


def read_date(text):
    """A day as 2026-10-26, 26.10.2026, or with its month in words; without a year the nearest.

    >>> read_date("26.10.2026") == read_date("October 26th, 2026") == dt.date(2026, 10, 26)
    True
    """
    today, plain, found = dt.date.today(), text.replace(" ", ""), []
    if re.search("[A-Za-z]", text):
        parts = re.findall(r"\d+|[a-z]{3,}", text.lower())
        plain = " ".join(part if part.isdigit() else part[:3] for part in parts)
    for year in ("", today.year - 1, today.year, today.year + 1):
        for form in _DATES:
            with contextlib.suppress(ValueError):
                found.append(dt.datetime.strptime(f"{plain} {year}".strip(), form).date())
    if not found:
        raise AmountError(text.strip(), "is not a date", _DATE_REMEDY)
    return min(found, key=lambda day: abs(day - today))


def read_amount(text, unit, choice=None):
    """An amount in the unit of a column of :data:`READERS`, from a text.

    A bare number is in the unit that the workshop chose; where that is oz, a bare load is refused,
    for it could be oz per lb or %.

    >>> read_amount("16", "g", Shown("oz")), read_amount("100.4", "°C", Shown("oz", "F"))
    (453.59237, 38.0)
    """
    read, usual = READERS[unit]
    choice = choice or Shown()
    usual = {"g": choice.weight, "°C": choice.temperature,
             "per kg": choice.label(unit).removeprefix("per ")}.get(unit, usual)
    if unit == "% of wax" and choice.weight == "oz":
        usual = None
        if re.fullmatch(r"[\d. /½¼¾]+", str(text).strip()):
            raise AmountError(text, "could be oz/lb or %",
                              f"write it as {str(text).strip()} oz/lb or {str(text).strip()} %")
    return round(read(text, usual), 11)  # as many as 0.01 oz has in g


def read_cell(text, column, choice=None, digits=2):
    """A typed text as the value of a :class:`scentlab.schema.Column`, and what is wrong with it:
    (value, ""), or (None, what was expected and the remedy).

    An amount may be typed in any unit with the unit behind it, and is taken to so many decimals; a
    bare number is in the unit of the column, or in that of the workshop's ``choice``. A single
    decimal comma is understood, as on a scale of many countries; the form shows what it understood.
    A comma before three digits may part thousands, so it is refused.
    """
    typed, bounds, unit = text.strip(), "", column.unit
    if column.kind != "text":
        typed = re.sub(r"^(-?\d*),(\d{1,2}|\d{4,})(?=\D|$)", r"\1.\2", typed)
        other = choice is not None and choice.label(unit) != unit and re.search(r"\d", typed)
        if unit in READERS and (other or re.search(r"\d.*[A-Za-z°%#/]", typed)):
            try:
                typed = round(read_amount(typed, unit, choice), digits)
            except AmountError as error:
                return None, f"{error.beside}."
            ends = [other_form(x, unit, f"{x:g}") for x in (column.lower, column.upper)
                    if other and x is not None]
            bounds = f", that is {' to '.join(ends)}" if ends[1:] else ""
    value, wrong = column.check(typed)
    return value, f"expected {wrong[0]}{bounds}. {wrong[1]}" if wrong else ""


def other_form(value, unit, text=""):
    """What is shown beside an amount: itself in the units that it was not typed in; '' if none.

    ``value`` is in the unit of the column, ``text`` as it was typed.

    >>> other_form(9.375, "% of wax", "1.5 oz/lb"), other_form(9.0, "% of wax", "9")
    ('9.375 % of wax, 8.6 % of total', '1.44 oz/lb, 8.3 % of total')
    >>> other_form(267.9, "g", "9.45 oz"), other_form(82.0, "°C", "82"), other_form(90, "min", "90")
    ('267.9 g', '179.6 °F', '')
    """
    if value is None:
        return ""
    return ", ".join(
        f"{f'{to(value):.1f}' if digits is None else _two(to(value), digits)} {words}"
        for to, words, digits, typed in _OTHER.get(unit, ())
        if not re.search(typed, str(text), re.IGNORECASE))


def other_loads(loads, text):
    """Several loads in the units that they were not typed in, for the line beside their field.

    >>> other_loads((6.25, 9.375), "1, 1.5 oz/lb"), other_loads((6.25, 9.375), "6.25, 9.375")
    ('6.25, 9.375 % of wax', '1, 1.5 oz/lb')
    """
    typed = re.search(_OUNCES, str(text), re.IGNORECASE)
    values = loads if typed else map(ounces_per_pound_from_load, loads)
    return f"{', '.join(_two(x, 3 if typed else 2) for x in values)} " + (
        "% of wax" if typed else "oz/lb") if loads else ""


def _two(value, digits=2):
    return f"{round(value + 1e-9, digits):.10g}"


def _ounces(load_pct):
    """As :func:`say_ounces_per_pound` says them."""
    return float(in_digits(ounces_per_pound_from_load(load_pct), 2, down=is_typed(load_pct)))


_OUNCES, _BARE = r"oz|ounce|lb|pound|#", r"^[^a-z]*$"
# The forms of an amount: how each comes of it, its unit, its decimals, and what is typed in it.
_OTHER = {
    "g": ((float, "g", 2, rf"{_BARE}|\dg|\bg|kg|kilo"), (ounces_from_grams, "oz", 2, _OUNCES)),
    "°C": ((float, "°C", 1, rf"{_BARE}|c"), (fahrenheit_from_celsius, "°F", 1, "f")),
    "% of wax": (
        (float, "% of wax", 3, rf"^(?!.*(total|product|whole|piece)).*(%|pct|cent)|{_BARE}"),
        (_ounces, "oz/lb", 2, _OUNCES),
        (content_from_load, "% of total", None, "total|product|whole|piece")),
    "% of total": (
        (float, "% of total", 3, rf"^(?!.*wax).*(%|pct|cent)|{_BARE}"),
        (load_from_content, "% of wax", 2, "wax"),
        (lambda x: _ounces(load_from_content(x)), "oz/lb", 2, _OUNCES)),
    "min": ((float, "min", 2, rf"{_BARE}|^[^hsd]*m"),),
    "h": ((float, "h", 2, rf"{_BARE}|^[^msd]*h"),),
    "per kg": ((float, "per kg", 2, rf"{_BARE}|kg|kilo"),
               (price_per_pound, "per lb", 2, r"lb|pound|#")),
}


def as_typed(text, unit, choice, digits=2):
    """A bare number in the unit of a column as a maker with this choice would type it.

    Where that would take more than a scale shows, or be another number in ``digits`` decimals, it
    keeps its own unit. In g, only what was ounces to begin with is said in ounces.

    >>> as_typed("28.35", "g", Shown("oz")), as_typed("25", "g", Shown("oz"))
    ('1 oz', '25 g')
    """
    plain, same_unit = str(text).strip(), choice.label(unit) == unit
    if unit not in _TYPED or not re.fullmatch(r"-?\d+\.?\d*|\.\d+", plain) or (
            same_unit and not (unit == "g" and re.search(r"\.\d{5}", plain))):
        return text
    own, to, other = _TYPED[unit]
    changed = f"{_two(to(float(plain)))} {other}"
    off = abs(read_amount(changed, unit) - float(plain))
    if off < (5e-3 if digits <= 2 else 1e-6):
        return changed
    return text if same_unit else f"{plain} {own}"


_TYPED = {"g": ("g", ounces_from_grams, "oz"), "°C": ("C", fahrenheit_from_celsius, "F"),
          "% of wax": ("%", ounces_per_pound_from_load, "oz/lb"),
          "per kg": ("/ kg", price_per_pound, "/ lb")}


# --- the workshop's choice


def units_typed(texts):
    """The choice that the texts of a maker show, by the first weight in them; None of no unit.

    >>> units_typed(["fig", "1, 1.5 oz/lb", "82 C"]), units_typed(["25 g"]), units_typed(["8 %"])
    (Shown(weight='oz', temperature='C'), Shown(weight='g', temperature='C'), None)
    """
    plain = " ; ".join(map(str, texts)).lower()
    weight = re.search(r"\d\s*(oz|ounce|lb|pound|#|g|gram|kg|kilo)s?\b", plain)
    heat = re.search(r"\d\s*(?:°|deg(?:rees)?\s*)?(c|f)\b", plain)
    if not weight and not heat:
        return None
    weight = "oz" if weight and weight[1] in ("oz", "ounce", "lb", "pound", "#") else "g"
    return Shown(weight, heat[1].upper() if heat else "F" if weight == "oz" else "C")


def units_here(folder):
    """The units of a series folder or workshop, chosen or else typed first there, and which:
    (Shown, "chosen"), "typed", or "" where nothing is kept: then those in which all series of a
    workshop are kept hold, or g and °C. A series that is still to be made, its folder new or empty,
    begins in those in which all series beside it are kept, as if they were typed."""
    folder, workshop = Path(folder), Path(folder).resolve().parent
    kept = [_kept(folder), _kept(workshop)]
    to_make = not folder.is_dir() or not any(folder.iterdir())
    if to_make and (beside := _kept_below(workshop)):
        kept.append((beside, "typed"))
    for how in ("chosen", "typed"):
        for found in kept:
            if found and found[1] == how:
                return found
    return _kept_below(folder) or Shown(), ""


def _kept_below(workshop):
    """The choice in which all series of a workshop are kept; None where they differ or none is."""
    below = {found[0] for file in workshop.glob(f"[!.]*/{UNITS_NAME}")
             if (found := _kept(file.parent))}
    return below.pop() if len(below) == 1 else None


def _kept(folder):
    """The choice in a folder and how it came; None where there is none, or none that is good."""
    try:
        found = json.loads((folder / UNITS_NAME).read_text(encoding="utf-8"))
        return (Shown(found["weight"], found["temperature"]),
                "chosen" if found["chosen"] is True else "typed")
    except (OSError, ValueError, KeyError, TypeError):
        return None


def keep_units(choice, folder, *, chosen=True, over=""):
    """Keep a choice in a folder; one that was only typed does not replace another, or with ``over``
    "typed" only such another."""
    if choice is None or not (chosen or units_here(folder)[1] in ("", over)):
        return None
    return write_whole(Path(folder) / UNITS_NAME,
                       json.dumps(asdict(choice) | {"chosen": chosen}) + "\n")
