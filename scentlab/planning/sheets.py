"""Sheets to print: HTML that needs no network, made from the templates in ``pages/``.

Pour sheets, labels and score sheets never show which blind code belongs to which load; only the
key does, and it is a document of its own. Pages fit both A4 and US Letter.
"""

from collections import Counter
from dataclasses import asdict
from operator import attrgetter

import jinja2

from scentlab.files import write_whole
from scentlab.materials import say_lot
from scentlab.planning.diary import later_looks
from scentlab.planning.labels import label_svg, stick_list
from scentlab.planning.panel import timetable
from scentlab.planning.plan import Plan
from scentlab.planning.refusal import PlanError, count_of, need
from scentlab.planning.rules import GRADE_SHEETS, HEAT_HINTS, PURPOSES, TEXTS
from scentlab.planning.shopping import most_cast, shopping_list
from scentlab.planning.weights import dye_weight
from scentlab.schema import GRADE_WORDS, SWEAT_GRADES, THROW_WORDS
from scentlab.text import gathered
from scentlab.units import (
    add_up,
    fahrenheit_from_celsius,
    in_maker_units,
    ounces_from_grams,
    percent_of_wax,
    price_in_unit,
    say_load,
    say_load_oz,
    say_ounces,
    say_ounces_per_pound,
    say_temperature,
    say_weight,
    shown,
)

PAPERS = ("A4", "letter")
_KINDS = {kind: words.capitalize() for kind, words in THROW_WORDS.items()}

KEY_RULE = TEXTS["key_rule"]["words"]
CAUTIONS = tuple(said["words"] for said in TEXTS["cautions"])


def pour_sheets_html(plan: Plan, paper: str = "") -> str:
    """A printed sheet per pot: what to melt, weigh, add, stir and pour.

    Parameters
    ----------
    plan : Plan
    paper : "A4" or "letter", whose text fits both; "" takes letter with oz, else A4.

    Returns
    -------
    str, an HTML document.

    Raises
    ------
    PlanError for another paper.

    >>> from scentlab.workshop import demo_plan
    >>> from scentlab.planning.plan import Plan
    >>> pour_sheets_html(Plan.from_dict(demo_plan())).count("<section")
    6
    """
    pots = [_pot(plan, pot) for pot in dict.fromkeys(p.pot for p in plan.pour_rows)]
    return _page("pour-sheets", "Pour sheets", plan, paper, pots=pots)


def quick_sheet_html(plan, paper="", pots=()):
    """A pot of a quick check on three pages in large type: pouring, labels, grades; or ``pots``
    that are poured together, by name."""
    pot = _pot(plan, *(pots or [plan.pour_rows[-1].pot]))
    pours = {p.pour for p in pot["rows"]}
    pieces = [p for p in plan.piece_rows if p.pour in pours]
    subject = f"New {say_lot(pot['lot'])}" if pot["lot"] else "Quick check"
    due_on = max(p.due_on for p in pieces)
    return _page("quick-sheet", subject, plan, paper, pot=pot, pieces=pieces, due_on=due_on,
                 each=len(pieces) // len(pours), grades=SWEAT_GRADES,
                 heat_on=plan.heat_cycle.begins(due_on)
                 if any(p.stress == "heat" for p in pieces) else None)


def batch_sheet_html(batch, paper=""):
    """One page of a :class:`Batch` in large type, which also reads well on a phone."""
    add, pour = batch.pouring.heat_of(batch.blend)
    flash = batch.fragrance.flash_point_c
    return _page(
        "batch-sheet", "Batch", batch, paper, batch=batch,
        heat=_heat(batch.fragrance, batch.blend, add, pour),
        flammable=None not in (flash, add) and flash < add,
    )


def code_key_html(plan, paper=""):
    """The key: which codes belong to which pour, with :data:`KEY_RULE` above."""
    numbers = asdict(plan.piece_numbers)
    own = _grouped(plan.piece_rows, "pour", "test", "stress")
    key = [(pour, [[piece.code for piece in own.get((pour.pour, *p[:2]), ())]
                   for p in PURPOSES.values()]) for pour in plan.pour_rows]
    heads = [(p[2].replace("temperature", "tempera\u00adture"), 13 + 6 * min(numbers[name], 5))
             for name, p in PURPOSES.items()]
    return _page("sealed-key", "Sealed key", plan, paper, key=key, purposes=heads)


def labels_html(plan, paper="", address=""):
    """Labels to cut, with blind code and QR code, as the pieces are cast, and a list to stick by.

    Neither labels nor list show a load. ``address`` is that of the panel for phones, such as
    "http://192.0.2.7:8000", which a scanned label opens at its piece; the QR codes hold the blind
    codes alone where it is ''.
    """
    return _page("labels", "Labels", plan, paper, sticking=stick_list(plan), address=address,
                 qr=lambda code: label_svg(code, address))


def shopping_list_html(plan, paper=""):
    """What to have at hand before the first pour day, spare included."""
    wax_g = float(plan.pots["melt_g"].sum())
    return _page(
        "shopping-list", "Shopping list", plan, paper, most_pieces=most_cast(plan),
        shopping=shopping_list(plan).to_dict("records"),
        dye_g=dye_weight(wax_g, plan.pouring.dye_pct, plan.pouring.scale),
    )


def throw_slips_html(plan, paper=""):
    """A page per session: what happens when, and a slip for each tester to be cut apart."""
    need(plan.smelling_rows, "the plan has no session", "plan throw pieces and testers first")
    sessions = [(name, list(_grouped(rows, "assessor").values()), timetable(plan, name))
                for name, rows in _grouped(plan.smelling_rows, "sitting").items()]
    return _page("throw-slips", "Throw sessions", plan, paper, sessions=sessions, words=_KINDS)


def pair_sheets_html(plan, paper="", sittings=None):
    """One page per session and tester of a pair test, or of those ``sittings`` of it."""
    rows = [r for r in plan.pair_rows if sittings is None or r.sitting in sittings]
    need(rows, "the plan has no pairs", "plan them first")
    sheets = list(_grouped(rows, "assessor", "sitting").values())
    return _page("pair-sheets", "Pairs", plan, paper, sheets=sheets, words=_KINDS)


def grade_sheets_html(plan, paper=""):
    """One sheet per day and test with the codes to be inspected and a box for each grade."""
    due = _grouped(plan.piece_rows, "due_on", "test", "stress")
    sheets = [(day, words, stress == "heat", GRADE_WORDS[test],
               [piece.code for piece in due[day, test, stress]])
              for day in sorted({day for day, *_ in due})
              for (test, stress), words in GRADE_SHEETS.items() if (day, test, stress) in due]
    need(sheets, "the plan has no piece to grade", "plan sweat or frost pieces first")
    sheets += [(day, f"{GRADE_SHEETS['sweat', stress]}, again", False, GRADE_WORDS["sweat"], codes)
               for day, stress, codes in later_looks(plan)]
    return _page("grade-sheets", "Grade sheets", plan, paper, sheets=sheets,
                 hints=[in_maker_units(words) for words in HEAT_HINTS])


SHEETS = {
    "pour-sheets": ("Pour sheets, a page for each pot", pour_sheets_html),
    "shopping-list": ("Shopping list", shopping_list_html),
    "labels": ("Labels to cut, and the sticking list", labels_html),
    "grade-sheets": ("Grade sheets", grade_sheets_html),
    "throw-slips": ("Throw slips", throw_slips_html),
    "sealed-key": ("Sealed key: open after the last score", code_key_html),
}


def write_sheets(plan, folder, paper="", address=""):
    """Write the sheets of a plan into a folder; returns the name and path of each."""
    found = []
    for name, (words, made) in SHEETS.items():
        path, more = folder / f"{name}.html", {"address": address} if name == "labels" else {}
        try:
            found.append((words, write_whole(path, made(plan, paper=paper, **more))))
        except PlanError:  # a plan without throw has no slips: an older one must not stay
            path.unlink(missing_ok=True)
    return found


def _grouped(rows, *names):
    return gathered((attrgetter(*names)(row), row) for row in rows)


def _pot(plan, *names):
    """What the page of a pot, or of several of one blend, shows of it."""
    rows = [p for p in plan.pour_rows if p.pot in names]
    blend, grams = plan.blend(rows[0].blend), Counter()
    for name in names:
        grams.update(plan.melt(name))
    usual = next((p for p in rows if not p.confirming), rows[0])
    total = sum(grams.values())
    return {
        "name": names[0], "lot": rows[0].lot, "rows": rows, "blend": blend, "usual": usual,
        "melt_g": total, "cast": rows[0].pieces if rows[0].lot else plan.piece_numbers.total,
        "waxes": [(wax, grams[wax.name]) for wax, _ in blend.parts],
        "dye_g": dye_weight(total, plan.pouring.dye_pct, plan.pouring.scale),
        "hottest_c": max((p.add_temp_c for p in rows if p.add_temp_c is not None), default=0),
        "heat": _heat(plan.fragrance, blend, usual.add_temp_c, usual.pour_temp_c),
    }


def _heat(fragrance, blend, add_temp_c, pour_temp_c):
    """The temperatures of a pot with their words, None where not known."""
    return [
        ("Add fragrance at", add_temp_c),
        ("closed-cup flash point of the fragrance", fragrance.flash_point_c),
        ("pour at", pour_temp_c), ("wax maker's maximum", blend.max_temp_c),
    ]


def usual_paper():
    """The paper of a workshop by its units."""
    return "letter" if shown().weight == "oz" else "A4"


def _page(name, title, plan, paper, **more):
    paper = paper or usual_paper()
    need(paper in PAPERS, f"the paper is {paper!r}", f"give one of {', '.join(PAPERS)}",
         field="paper", value=paper)
    title = plan.title if plan.title.startswith(title) else f"{title}: {plan.title}"
    text = _TEMPLATES.get_template(f"{name}.html.j2").render(
        title=title, plan=plan, paper=paper, key_rule=KEY_RULE, cautions=CAUTIONS, units=shown(),
        **more)
    return " ".join(text.split()) + "\n"


def _in_two(value, kind):
    """A load, weight, "total", small weight ("drops") or "heat" in the maker's unit and the other.
    """
    if kind == "load":
        ounces = say_ounces_per_pound(value).removesuffix(" oz/lb")
        pair = f"{value:.2f}", f"{float(ounces):.2f} oz/lb"
        turned = percent_of_wax(value), ounces
    elif kind == "total":
        pair = turned = f"{round(value, 1)} g", say_ounces(value)
    elif kind != "heat":
        digits = 3 if kind == "drops" else 2
        pair = f"{round(value, 1)} g", f"{ounces_from_grams(value):.{digits}f} oz"
        turned = f"{value:.1f} g", say_ounces(value, total=False)
    else:
        pair = turned = f"{value:.0f} °C", f"{fahrenheit_from_celsius(value):.0f} °F"
    own = shown().temperature == "F" if kind == "heat" else shown().weight == "oz"
    return tuple(reversed(turned)) if own else pair


_TEMPLATES = jinja2.Environment(
    loader=jinja2.PackageLoader("scentlab.planning", "pages"), autoescape=True,
    undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
)
_TEMPLATES.filters |= {
    "lot": say_lot, "count_of": count_of, "temperature": say_temperature,
    "load": lambda load: say_load(load, 2), "add_up": add_up, "weight": say_weight,
    "load_oz": say_load_oz, "in_two": _in_two, "in_own_price": price_in_unit,
    "bench": lambda grams, unit, digits=1: f"{ounces_from_grams(grams):.{digits + 1}f}"
    if unit == "oz" else f"{grams:.{digits}f}",
}
