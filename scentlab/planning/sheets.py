"""Sheets to print: pour sheets, labels, the sealed key. HTML that needs no network.

Pour sheets and labels never show which blind code belongs to which load; only the key does, and
it is a document of its own. Pages fit both A4 and US Letter.
"""

import html
import math
from dataclasses import asdict

from scentlab.materials import say_lot
from scentlab.planning.refusal import PlanError, count_of
from scentlab.planning.shopping import busiest_day, shopping_list
from scentlab.planning.weights import dye_weight
from scentlab.units import (
    content_from_load,
    fahrenheit_from_celsius,
    ounces_from_grams,
    ounces_per_pound_from_load,
    say_load,
    say_temperature,
)

PAPERS = {"A4": "A4", "letter": "letter"}

# Somebody has to open the key to stick the labels: said alike wherever the key is named.
KEY_RULE = (
    "The key is only for whoever sticks the labels, who does not score those pieces, or at least "
    "does not look at the loads. It is shut again afterwards, and no scorer opens it before every "
    "piece is scored."
)

CAUTIONS = (
    "Hot wax and fragrance burn: water bath or thermostatic melter, never a direct flame.",
    "Keep a thermometer in the wax. Never leave it unattended.",
    "Lid and class B extinguisher at hand. Never water on burning wax.",
    "Add the fragrance at the wax maker's temperature and stay below the wax maker's maximum.",
    "No flame or spark near: above the closed-cup flash point the vapour can be ignited.",
    "Ventilate. Do not lean over the pot. Gloves for neat fragrance.",
    "Fragrances can sensitise skin: read the label and the safety data sheet, and label test "
    "pieces as well.",
    "Labels, classification and limits follow local law and licensed practice; this sheet is no "
    "safety assessment.",
)

_STYLE = """
@page { size: PAPER; margin: 9mm 11mm; }
* { box-sizing: border-box; }
body { font: 9pt/1.25 "DejaVu Sans", Arial, sans-serif; color: #000; margin: 0; }
section { break-after: page; max-width: 187mm; margin: 0 auto; }
section:last-child { break-after: auto; }
h1 { font-size: 15pt; margin: 0 0 1mm; overflow-wrap: anywhere; }
h2 { font-size: 10pt; margin: 2mm 0 1mm; break-after: avoid; }
p { margin: 1mm 0; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; font-size: 8.5pt; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th, td { border: 0.3mm solid #444; padding: 0.7mm 1mm; text-align: right; vertical-align: top;
  overflow-wrap: anywhere; }
th { background: #eee; font-size: 6.5pt; font-weight: bold; vertical-align: bottom;
  overflow-wrap: normal; padding: 0.7mm 0.5mm; }
td.text, .left td, .left th { text-align: left; }
.pours th:nth-child(2), .bought th:nth-child(-n+2) { text-align: left; }
small { font-size: 6.5pt; white-space: nowrap; }
.warn { border: 0.6mm solid #000; padding: 1mm 2mm; font-weight: bold; }
.mark { font-weight: bold; font-size: 6pt; white-space: nowrap; }
ul.cautions { columns: 2; column-gap: 6mm; margin: 1mm 0; padding-left: 4mm; font-size: 8pt; }
ul.cautions li { break-inside: avoid; }
.line { display: inline-block; border-bottom: 0.3mm solid #000; min-width: 20mm; height: 1em; }
.scores th { font-size: 9pt; text-align: center; }
tr.tall td { height: 7mm; vertical-align: middle; }
.slip { break-inside: avoid; border-bottom: 0.3mm dashed #666; padding: 2mm 0 4mm; }
.labels { display: grid; grid-template-columns: repeat(5, 1fr); }
.label { border: 0.2mm dashed #666; height: 19mm; display: flex; flex-direction: column;
  align-items: center; justify-content: center; break-inside: avoid; }
.label b { font-size: 18pt; letter-spacing: 1mm; }
.far { font-size: 10pt; }
.far h1 { font-size: 17pt; }
.far h2 { font-size: 11pt; }
.far table { font-size: 10pt; }
.far th { font-size: 7pt; }
.far small { font-size: 7.5pt; line-height: 1; }
.far .mark { font-size: 6.5pt; line-height: 1; white-space: normal; }
.far ul.cautions { font-size: 8.5pt; }
@media screen {
  body { margin: 3mm; }
  section { overflow-x: auto; margin-bottom: 8mm; }
  section > table { min-width: 180mm; }
}
@media screen and (max-width: 600px) {
  ul.cautions { columns: 1; }
  .labels { grid-template-columns: repeat(2, 1fr); }
}
"""


# Read from where the scales stand, at arm's length; a pot of more pours needs the smaller print.
_POURS_IN_LARGE_PRINT = 6


def pour_sheets_html(plan, paper="A4"):
    """One printed page per pot: what to melt, weigh, add, stir and pour, with blanks to fill in.

    ``paper`` is "A4" or "letter". The text of a page fits both.
    """
    pages = [_pot_page(plan, pot) for pot in dict.fromkeys(p.pot for p in plan.pour_rows)]
    return document(f"Pour sheets: {plan.title}", pages, paper)


def code_key_html(plan, paper="A4"):
    """The key: which codes belong to which pour, with :data:`KEY_RULE` above."""
    return document(f"Sealed key: {plan.title}", [_key_page(plan)], paper)


def labels_html(plan, paper="A4"):
    """A sheet of labels to cut: blind codes and nothing else, in the order of the codes."""
    labels = "".join(f'<div class="label"><b>{esc(p.code)}</b></div>' for p in plan.piece_rows)
    head = (
        f"<h1>Labels: {esc(plan.title)}</h1>{invented_line(plan)}"
        f"<p>{len(plan.piece_rows)} codes. Which piece gets which code stands in the sealed key. "
        f"{KEY_RULE}</p>"
    )
    page = f'<section>{head}<div class="labels">{labels}</div></section>'
    return document(f"Labels: {plan.title}", [page], paper)


def shopping_list_html(plan, paper="A4"):
    """What to have at hand before the first pour day, spare included."""
    page = (
        f'<section class="far"><h1>Shopping list: {esc(plan.title)}</h1>{invented_line(plan)}'
        f"<p>{plan.pouring.spare_pct:g} % spare is in the weights to buy.</p>"
        f"{_materials(plan)}{_other_things(plan)}</section>"
    )
    return document(f"Shopping list: {plan.title}", [page], paper)


def document(title, pages, paper):
    """A whole HTML document around printed pages."""
    if paper not in PAPERS:
        raise PlanError(f"the paper is {paper!r}; give one of {', '.join(PAPERS)}")
    style = _STYLE.replace("PAPER", PAPERS[paper])
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{esc(title)}</title><style>{style}</style></head>"
        f"<body>{''.join(pages)}</body></html>\n"
    )


def esc(value):
    """Text of a user made safe for HTML."""
    return html.escape(str(value), quote=True)


def invented_line(plan):
    """The mark of demonstration data, or nothing."""
    return "<p><b>Invented demonstration, no evidence.</b></p>" if plan.invented else ""


def table(heads, body, css=""):
    """A table with headings as (HTML, width in mm) and a body of rows that are HTML already."""
    whole = sum(width for _, width in heads)
    columns = "".join(f'<col style="width:{100 * width / whole:.2f}%">' for _, width in heads)
    head = "".join(f"<th>{words}</th>" for words, _ in heads)
    return (
        f'<table class="{css}"><colgroup>{columns}</colgroup>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    )


def wax_cell(grams):
    """Wax in tenths of a gram and in ounces."""
    return f"{grams:.1f}&nbsp;g<br><small>{ounces_from_grams(grams):.2f}&nbsp;oz</small>"


def fragrance_cell(grams):
    """Fragrance in tenths of a gram and in ounces."""
    return f"{grams:.1f}&nbsp;g<br><small>{ounces_from_grams(grams):.3f}&nbsp;oz</small>"


def _pot_page(plan, pot):
    rows = [p for p in plan.pour_rows if p.pot == pot]
    blend = plan.blend(rows[0].blend)
    size = ' class="far"' if len(rows) <= _POURS_IN_LARGE_PRINT else ""
    return (
        f"<section{size}><h1>Pot {esc(pot)}: blend {esc(blend.name)}</h1>"
        f"<p>{esc(plan.title)}. Fragrance {esc(plan.fragrance.name)}{_lot(plan.fragrance)}. "
        f"Pour day {rows[0].pour_day}, {rows[0].poured_on.isoformat()}.</p>{invented_line(plan)}"
        f"{_melt(plan, pot, blend)}{_temperatures(plan, blend, rows)}{_cautions(plan)}"
        f"{_pour_table(plan, rows)}{_pieces_line(plan, rows)}{_blanks()}</section>"
    )


def _lot(material):
    return f", {esc(say_lot(material.lot))}" if material.lot else ""


def _melt(plan, pot, blend):
    grams = plan.melt(pot)
    lots = {wax.name: _lot(wax) for wax, _ in blend.parts}
    parts = "; ".join(
        f"{esc(name)}{lots[name]}: <b>{g} g</b> ({ounces_from_grams(g):.2f} oz)"
        for name, g in grams.items()
    )
    total = sum(grams.values())
    return (
        f"<h2>Melt</h2><p>{parts}. Total <b>{total} g</b> ({ounces_from_grams(total):.2f} oz): "
        f"the wax of all pours and {plan.pouring.spare_pct:g} % that sticks.{_dye(plan, total)}</p>"
    )


def _dye(plan, wax_g):
    if not plan.pouring.dye_pct:
        return ""
    grams, share = dye_weight(wax_g, plan.pouring.dye_pct), plan.pouring.dye_pct
    return f" Then dye: <b>{grams:.1f} g</b> ({share:g} % of wax), stirred in before the fragrance."


def _temperatures(plan, blend, rows):
    usual = next((p for p in rows if not p.confirming), rows[0])
    flash = plan.fragrance.flash_point_c
    said = [
        ("Add fragrance at", usual.add_temp_c), ("closed-cup flash point of the fragrance", flash),
        ("pour at", usual.pour_temp_c), ("wax maker's maximum", blend.max_temp_c),
    ]
    line = "; ".join(
        f"{words} <b>{say_temperature(value)}</b>" if value is not None
        else f"{words}: <b>not known</b>, take it from the maker's sheet"
        for words, value in said
    )
    text = f"<h2>Temperatures and stirring</h2><p>{line}. Stir {usual.stir_min:g} min.</p>"
    hottest = max((p.add_temp_c for p in rows if p.add_temp_c is not None), default=None)
    if flash is not None and hottest is not None and flash < hottest:
        text += (
            '<p class="warn">The closed-cup flash point of '
            f"{say_temperature(flash)} is LOWER than the add temperature of "
            f"{say_temperature(hottest)}: the vapour can be ignited. No flame or spark near, "
            "ventilate, lid at hand.</p>"
        )
    return text


def _pour_table(plan, rows):
    heads = (
        ("No.", 7), ("Pour", 24), ("Load<br>% of wax", 17), ("Content<br>% of total", 17),
        ("Wax", 21), ("Fragrance", 19), ("Add at", 15), ("Stir<br>min", 8),
        ("Jug<br>tare g", 14), ("Wax<br>weighed g", 17), ("Fragrance<br>weighed g", 18),
        ("Added<br>at °C", 12), ("Poured<br>at °C", 13), ("Stirred<br>min", 13),
    )
    body = "".join(_pour_row(p) for p in rows) + _total_row(rows)
    return "<h2>Pours, in this order</h2>" + table(heads, body, 'pours')


def _pour_row(p):
    marks = ""
    if p.test_only:
        marks += '<br><span class="mark">test only, not for sale</span>'
    if p.confirming:
        marks += '<br><span class="mark">confirming pour</span>'
    add = "" if p.add_temp_c is None else (
        f"{p.add_temp_c:.0f}&nbsp;°C<br><small>{fahrenheit_from_celsius(p.add_temp_c):.0f}"
        "&nbsp;°F</small>"
    )
    load = f"{p.load_pct:.2f}<br><small>{ounces_per_pound_from_load(p.load_pct):.2f} oz/lb</small>"
    cells = (
        f"<td>{p.order_in_day}</td>", f'<td class="text">{esc(p.pour)}{marks}</td>',
        f"<td>{load}</td>", f"<td>{content_from_load(p.load_pct):.2f}</td>",
        f"<td>{wax_cell(p.wax_g)}</td>", f"<td>{fragrance_cell(p.fragrance_g)}</td>",
        f"<td>{add}</td>", f"<td>{p.stir_min:g}</td>", '<td class="blank"></td>' * 6,
    )
    return f"<tr>{''.join(cells)}</tr>"


def _total_row(rows):
    wax, fragrance = sum(p.wax_g for p in rows), sum(p.fragrance_g for p in rows)
    return (
        '<tr><td class="text" colspan="4"><b>All pours of this pot</b></td>'
        f"<td>{wax_cell(wax)}</td><td>{fragrance_cell(fragrance)}</td>"
        f'<td colspan="2"></td>{"<td></td>" * 6}</tr>'
    )


def _pieces_line(plan, rows):
    usual = plan.piece_numbers.total
    text = (
        f"<p>Cast {count_of(usual, 'piece')} of {plan.piece_g:g} g "
        f"({ounces_from_grams(plan.piece_g):.2f} oz) from each pour"
    )
    text += "".join(f", {p.pieces} from {esc(p.pour)}" for p in rows if p.pieces != usual)
    limit = plan.blend(rows[0].blend).limit_load_pct
    limits = ["the wax maker's highest load is not known" if limit is None
              else f"wax maker's highest load {say_load(limit, 2)}"]
    if plan.fragrance.limit_content_pct is not None:
        limits.append(
            f"regulatory limit of the fragrance {plan.fragrance.limit_content_pct:g} % of total"
        )
    return (
        f"{text}. Keep the pieces of a pour on a tray with the pour's name; blind labels are stuck "
        f"on later. {KEY_RULE}</p><p>Limits: {'; '.join(limits)}.</p>"
    )


def _blanks():
    line = '<span class="line"></span>'
    return (
        f"<p>Poured by {line} &nbsp; Room {line} °C &nbsp; Humidity {line} % &nbsp; "
        f"Pot tare {line} g &nbsp; Melt really weighed {line} g</p><p>Notes "
        '<span class="line" style="width:150mm"></span></p>'
    )


def _cautions(plan):
    allergens = ""
    if plan.fragrance.allergens:
        allergens = (
            "<li>This fragrance names these skin sensitisers: "
            f"{esc(', '.join(map(str, plan.fragrance.allergens)))}.</li>"
        )
    items = "".join(f"<li>{esc(c)}</li>" for c in CAUTIONS)
    return f'<h2>Cautions</h2><ul class="cautions">{items}{allergens}</ul>'


def _materials(plan):
    currency = esc(plan.currency) or "money"
    heads = [("Item", 60), ("Lot", 24), ("Needed", 26), ("Buy", 26), (f"{currency} per kg", 22),
             (f"Cost, {currency}", 22)]
    listed = shopping_list(plan)
    body = "".join(
        f"<tr><td class='text'>{esc(r.kind)}: {esc(r.item)}</td><td class='text'>{esc(r.lot)}</td>"
        f"<td>{wax_cell(r.needed_g)}</td><td>{wax_cell(r.buy_g)}</td>"
        f"<td>{_money(r.price_per_kg)}</td><td>{_money(r.cost)}</td></tr>"
        for r in listed.itertuples()
    )
    known = listed["cost"].notna().all()
    total = f"{listed['cost'].sum():.2f} {currency}" if known else "not known: a price is missing"
    return table(heads, body, 'bought') + f"<p>Cost of wax and fragrance: <b>{total}</b>.</p>"


def _money(value):
    return "not known" if math.isnan(value) else f"{value:.2f}"


def _other_things(plan):
    pieces, _ = busiest_day(plan)
    things = [
        f"moulds for {pieces} pieces of {plan.piece_g:g} g on one day",
        f"{len(plan.piece_rows)} labels and {len(plan.pots)} pour sheets",
        "scales to 1 g and to 0.1 g, a thermometer for each pot, a timer",
        "water bath or thermostatic melter, lid, class B extinguisher, gloves",
        "tissues for the sweat grades",
    ]
    if plan.pouring.dye_pct:
        wax = sum(sum(plan.melt(pot).values()) for pot in plan.pots["pot"])
        things.insert(0, f"dye: {dye_weight(wax, plan.pouring.dye_pct):.1f} g, "
                         f"{plan.pouring.dye_pct:g} % of wax")
    if plan.piece_numbers.bleed:
        things.append(
            "weighed blotters and a scale to 1 mg for the bleed; a blank blotter and one under an "
            "unscented piece beside them (common practice, no source)"
        )
    if plan.piece_numbers.sweat_heat:
        things.append(f"a warm place for the heat cycle: {plan.heat_cycle.words}")
    return "<h2>Also</h2><ul>" + "".join(f"<li>{esc(t)}</li>" for t in things) + "</ul>"


_PURPOSES = {
    ("sweat", "rest"): "sweat at rest", ("sweat", "heat"): "sweat after heat",
    ("frost", "rest"): "frost", ("throw", None): "throw", ("reserve", None): "reserve",
    ("bleed", None): "bleed",
}


def _key_page(plan):
    numbers = asdict(plan.piece_numbers)
    heads = [("Pour", 14), ("Blend", 24), ("Load<br>% of wax", 14), ("Content<br>% of total", 15)]
    purposes = {
        name: purpose for name, purpose in zip(numbers, _PURPOSES, strict=True)
        if numbers[name] or name != "bleed"
    }
    heads += [(_PURPOSES[purpose], 13 + 6 * min(numbers[name], 5))
              for name, purpose in purposes.items()]
    codes = {}
    for piece in plan.piece_rows:
        codes.setdefault((piece.pour, piece.test, piece.stress), []).append(piece.code)
    body = "".join(_key_row(p, codes, purposes.values()) for p in plan.pour_rows)
    return (
        f"<section><h1>Sealed key: {esc(plan.title)}</h1>{invented_line(plan)}"
        f'<p class="warn">{KEY_RULE}</p>'
        f"{table(heads, body, 'left')}</section>"
    )


def _key_row(pour, codes, purposes):
    cells = [
        esc(pour.pour), esc(pour.blend), f"{pour.load_pct:.2f}",
        f"{content_from_load(pour.load_pct):.2f}",
    ]
    cells += [" ".join(codes.get((pour.pour, *purpose), ())) for purpose in purposes]
    return "<tr>" + "".join(f"<td>{c}</td>" for c in cells) + "</tr>"
