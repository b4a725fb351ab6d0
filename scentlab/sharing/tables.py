"""The tables of the report: results as rows of words, with units in the headings."""

import math
from dataclasses import dataclass

import pandas as pd

from scentlab.choosing.rules import THROW_WORDS
from scentlab.choosing.saving import LEAST, say_money
from scentlab.fitting.throw_life import HALF, hours_until, life_curve
from scentlab.fitting.weight_loss import loss_curve
from scentlab.results import heading, say_percent
from scentlab.sharing.meanings import shape_meaning
from scentlab.sharing.wording import (
    MISSING,
    is_missing,
    least_told,
    say_number,
    say_over,
    say_range,
    say_share,
)
from scentlab.units import content_from_load

NOT_GIVEN = "not given"
# Points of load: what is weighed differs by less from what was planned, and plans by more.
NEAR = 0.25


@dataclass(frozen=True)
class View:
    """A table ready to be shown: ``numeric`` marks the columns that are set flush right."""

    headings: tuple
    rows: tuple
    caption: str
    numeric: tuple = ()


def pick_table(analysis):
    """One row per blend in order of preference, with both bases, risk, throw and cost."""
    rules, least = analysis.rules, least_told(analysis.pick)
    headings = (
        "Rank", "Blend", "Pick, % of wax", "Pick, % of total", "Ceiling, % of wax",
        "Wax maker’s limit, % of wax", f"Risk of sweat grade {rules.limit_grade}+ (90 % interval)",
        f"Chance that the risk is over {100 * rules.risk:g} %",
        f"{THROW_WORDS[rules.throw_kind].capitalize()} throw, 0–10 (90 % interval)",
        f"Points of throw below the best (chance of at most {rules.throw_loss:g})",
        f"Risk of frost grade {rules.frost_limit_grade}+ (90 % interval)",
        _cost_heading(rules, analysis.series.currency),
    )
    rows = [
        (
            _rank(r), r["blend"], say_number(r["load_pct"]), say_number(r["content_pct"]),
            say_number(r["ceiling_load_pct"]), say_number(r["limit_load_pct"]),
            _risk_with_range(r, "sweat"), say_over(r["p_over"], least),
            _with_range(r["throw"], r["throw_lower"], r["throw_upper"]),
            _behind(r), _risk_with_range(r, "frost"),
            _cost_cell(rules, r),
        )
        for r in analysis.pick.table.to_dict("records")
    ]
    picked = analysis.pick.table["load_pct"].notna().any()
    words = "The pick of each blend, best first" if picked else "No blend has a pick"
    return _view(headings, rows, words, text=(1,))


def _cost_heading(rules, currency):
    """One column for both: another would push the table past the side of a printed page."""
    words = f"Cost a piece, {currency}" if currency else "Cost a piece"
    if rules.today_load_pct is None:
        return words
    return f"{words} (saved per 1,000 pieces)"


def _cost_cell(rules, row):
    """Cost of a piece, and below it what 1,000 save; a minus where they cost more."""
    cost, saving = say_number(row["cost_per_piece"], 3), row["saving_per_1000"]
    if rules.today_load_pct is None or is_missing(saving):
        return cost
    sign = "−" if saving <= -LEAST else ""
    return f"{cost}\n({sign}{say_money(abs(saving), '')})"


def _rank(row):
    """The place of a blend; a blend without a pick has none."""
    return MISSING if is_missing(row["load_pct"]) else str(int(row["rank"]))


def ceiling_table(ceiling):
    """One row per blend: load at the limit risk with interval, ceiling, and what was tested."""
    headings = (
        "Blend", "Ceiling, % of wax", "Ceiling, % of total", "Load at the limit risk, % of wax",
        "Its 90 % interval, % of wax", "Loads tested, % of wax", "State",
    )
    rows = [
        (
            r["blend"], say_number(r["ceiling_load_pct"]), say_number(r["ceiling_content_pct"]),
            _among_tested(r["load_at_risk_pct"], r),
            _range_among_tested(r["load_at_risk_lower_pct"], r["load_at_risk_upper_pct"], r),
            say_range(r["lowest_tested_pct"], r["highest_tested_pct"]), r["state"],
        )
        for r in ceiling.table.to_dict("records")
    ]
    return _view(headings, rows, "Ceiling of each blend", text=(0, 6))


def _among_tested(load, row):
    """A load in figures where it was tested, else only on which side of the tested loads it is."""
    lowest, highest = row["lowest_tested_pct"], row["highest_tested_pct"]
    if is_missing(lowest) or is_missing(load):
        return MISSING
    if load < lowest:
        return f"below {lowest:.1f}"
    return f"above {highest:.1f}" if load > highest else say_number(load)


def _range_among_tested(lower, upper, row):
    """An interval of loads; both ends on one side of the tested loads are said once."""
    ends = [_among_tested(load, row) for load in (lower, upper)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def tradeoff_table(rows, currency, rules, least):
    """Per tested load of one blend: what is smelt, what is risked, what it costs.

    Weighed loads of one planned load are one row, with the numbers of the highest of them.
    ``least`` is the smallest chance that the draws can tell.
    """
    headings = (
        "Load, % of wax", "Content, % of total",
        f"Risk of sweat grade {rules.limit_grade}+ (90 % interval)",
        f"Chance that the risk is over {100 * rules.risk:g} %",
        f"{THROW_WORDS[rules.throw_kind].capitalize()} throw, 0–10 (90 % interval)",
        f"Risk of frost grade {rules.frost_limit_grade}+ (90 % interval)",
        _cost_heading(rules, currency),
    )
    shown, joined = [], False
    for lowest, r in _planned_rows(rows.sort_values("load_pct").to_dict("records")):
        load, content = say_number(r["load_pct"]), say_number(r["content_pct"])
        if lowest is not r:
            joined = True
            load = f"{say_number(lowest['load_pct'])} to {load}"
            content = f"{say_number(lowest['content_pct'])} to {content}"
        shown.append((
            load, content, _risk_with_range(r, "sweat"), say_over(r["p_over"], least),
            _with_range(r["throw"], r["throw_lower"], r["throw_upper"]),
            _risk_with_range(r, "frost"), _cost_cell(rules, r),
        ))
    words = "Trade-off at the tested loads"
    if joined:
        words += (
            f"; loads weighed within {NEAR:g} points of each other are one row, with the numbers "
            "of the highest"
        )
    return _view(headings, shown, words)


def _planned_rows(rows):
    """The lowest and the highest row of each planned load: those nearer than ``NEAR`` in order."""
    groups = []
    for row in rows:
        if groups and row["load_pct"] - groups[-1][-1]["load_pct"] <= NEAR + 1e-9:
            groups[-1].append(row)
        else:
            groups.append([row])
    return [(group[0], group[-1]) for group in groups]


def comparison_table(analyses):
    """One row per series (by number) and blend: pick, ceiling, risk, throw and cost."""
    headings = (
        "Series", "Blend", "Pick, % of wax", "Pick, % of total", "Ceiling, % of wax",
        "Risk of sweat (90 % interval)", "Throw, 0–10 (90 % interval)", "Cost a piece",
    )
    rows = [
        (
            str(number), r["blend"], say_number(r["load_pct"]), say_number(r["content_pct"]),
            say_number(r["ceiling_load_pct"]), _risk_with_range(r, "sweat"),
            _with_range(r["throw"], r["throw_lower"], r["throw_upper"]),
            f"{say_number(r['cost_per_piece'], 3)} {analysis.series.currency}".strip(),
        )
        for number, analysis in enumerate(analyses, start=1)
        for r in analysis.pick.table.to_dict("records")
    ]
    return _view(headings, rows, "Picks of the series", text=(0, 1))


def lots_table(pooled):
    """One row per blend and series: the ceiling alone and pooled, and how much narrower."""
    headings = (
        "Blend", "Series", "Ceiling of the series alone, % of wax", "Its load at the limit risk, "
        "90 % interval, % of wax", "Pooled ceiling, % of wax", "Pooled ceiling, % of total",
        "Pooled load at the limit risk, 90 % interval, % of wax", "Change of the interval’s width",
    )
    ends = pooled.ceiling.table[["lowest_tested_pct", "highest_tested_pct"]].to_dict("records")
    rows = [
        (
            r["blend"], str(r["series"]), say_number(r["own_ceiling_pct"]),
            _ends_among_tested(r, "own", tested), say_number(r["pooled_ceiling_pct"]),
            say_number(_content(r["pooled_ceiling_pct"])),
            _ends_among_tested(r, "pooled", tested), _change(r["gain"]),
        )
        for r, tested in zip(pooled.table.to_dict("records"), ends, strict=True)
    ]
    return _view(headings, rows, "Ceilings of the series alone and pooled, by sweat", text=(0,))


def shifts_table(pooled):
    """How much earlier each blend sweats in the later series, by the series' own fits."""
    headings = (
        "Blend", "Series", "Capacity against series 1, points of load, % of wax",
        "Its 90 % interval, points", "Standard errors from the shift of all",
    )
    rows = [
        (
            r["blend"], str(r["series"]), _signed(r["shift_pct"]),
            say_range(r["lower_pct"], r["upper_pct"], _signed), say_number(abs(r["apart"]), 1),
        )
        for r in pooled.shifts.to_dict("records")
    ]
    return _view(headings, rows, "Each blend by itself, from the series' own fits", text=(0,))


def _ends_among_tested(row, name, tested):
    return _range_among_tested(row[f"{name}_lower_pct"], row[f"{name}_upper_pct"], tested)


def _content(load):
    return None if is_missing(load) else content_from_load(load)


def _signed(value):
    """Points with their sign, without that of a zero.

    >>> _signed(-0.04), _signed(1.26)
    ('+0.0', '+1.3')
    """
    return f"{round(value, 1) + 0.0:+.1f}"


def _change(gain):
    """Pooling narrows as a rule, and widens where the other series taught more doubt."""
    return f"{round(-100 * gain) + 0:+d} %"


def seen_table(analysis):
    """For a supplier, per blend: the pieces that sweated at each load, and the ceiling."""
    grade, stress = analysis.rules.limit_grade, analysis.ceiling.stress
    counts = analysis.sweat.counts[analysis.sweat.counts["stress"] == stress]
    counts = counts.assign(
        over=counts[[f"g{g}" for g in range(grade, 5)]].sum(axis=1),
        near=counts["load_pct"].round().astype(int),
    )
    loads = sorted(counts["near"].unique())
    rows = []
    for row in analysis.ceiling.table.to_dict("records"):
        own = counts[counts["blend"] == row["blend"]].groupby("near")[["over", "n"]].sum()
        cells = [f"{own.at[x, 'over']:.0f}/{own.at[x, 'n']:.0f}" if x in own.index else MISSING
                 for x in loads]
        ceilings = [say_number(row[f"ceiling_{b}_pct"], 1) for b in ("load", "content")]
        rows.append((row["blend"], *cells, *ceilings))
    headings = ("Blend", *(f"{x} %" for x in loads), "Ceiling, % of wax",
                "Ceiling, % of total")
    words = (
        f"Pieces with sweat grade {grade} or more / pieces looked at, by load in % of wax, rounded"
    )
    return _view(headings, rows, words, text=(0,))


def rests_table(rests):
    """What the answer rests on, the gravest warnings first."""
    rows = [
        (r.name, r.blend, r.value, r.warning or MISSING, r.meaning)
        for r in rests.table.itertuples()
    ]
    headings = ("What", "Blend", "Found", "Mind", "Meaning")
    return _view(headings, rows, "What the answer rests on", text=range(5))


def sensitivity_table(found):
    """The answer under other assumptions: one row each, highest safe and recommended load."""
    blends = list(dict.fromkeys(found.table["blend"]))
    rows = []
    for name, own in found.table.groupby("assumption", sort=False):
        own = own.set_index("blend")
        weight = own["weight"].iloc[0]
        words = name if is_missing(weight) else f"{name} (counts {say_percent(weight)})"
        loads = [
            " / ".join(say_number(own.at[b, c], 1) for c in ("ceiling_load_pct", "load_pct"))
            if own.at[b, "reached"] else MISSING
            for b in blends
        ]
        rows.append((words, *loads))
    headings = ("If", *(f"{b}: highest safe / recommended load, % of wax" for b in blends))
    return _view(headings, rows, "The answer under other assumptions", text=(0,))


def change_table(changes):
    """What would change the pick: one row per changed rule, one column per blend."""
    blends = list(dict.fromkeys(changes["blend"]))
    loads = changes.set_index(["change", "blend"])["load_pct"]
    rows = [
        (words, *(say_number(loads.get((words, b)), 1) for b in blends))
        for words in dict.fromkeys(changes["change"])
    ]
    headings = ("Had the rule been", *(f"{b}, % of wax" for b in blends))
    return _view(headings, rows, "What would change the picks", text=(0,))


def lives_table(fit):
    """One row per blend and load: throw at the first check, and hours until half of it."""
    headings = (
        "Blend", "Load, % of wax", "Content, % of total", "Pieces", "Assessors",
        "Throw at the first check, 0–10 (90 % interval)",
        "Hours until it is half (90 % interval)",
    )
    rows = []
    for _, arm in fit.arms.iterrows():
        start = life_curve(fit, arm["blend"], arm["first_h"], arm["load_pct"]).iloc[0]
        half = hours_until(fit, arm["blend"], share=HALF, load_pct=arm["load_pct"])
        rows.append((
            arm["blend"], say_number(arm["load_pct"], 1), say_number(arm["content_pct"], 1),
            str(arm["pieces"]), str(arm["assessors"]),
            _with_range(start["throw"], start["lower"], start["upper"])
            + f"\nat {arm['first_h']:g} h",
            half["words"].iloc[0],
        ))
    return _view(headings, rows, "Throw over hours on the warmer", text=(0, 6))


def losses_table(fit):
    """One row per blend and load: weight lost by the longest time, in g and of the fragrance."""
    headings = (
        "Blend", "Load, % of wax", "Content, % of total", "Pieces", "Hours",
        "Fragrance in a piece, g", "Weight lost, g (90 % interval)",
        "Fragrance gone, % of what was in the piece (90 % interval)",
    )
    rows = []
    for _, arm in fit.arms.iterrows():
        row = loss_curve(fit, arm["blend"], arm["longest_h"], arm["load_pct"]).iloc[0]
        rows.append((
            arm["blend"], say_number(arm["load_pct"], 1), say_number(arm["content_pct"], 1),
            str(arm["pieces"]), f"{arm['longest_h']:g}", say_number(arm["fragrance_g"]),
            f"{say_number(row['loss_g'])}\n({say_range(row['lower'], row['upper'])})",
            f"{row['share_pct']:.0f}\n({row['share_lower']:.0f} to {row['share_upper']:.0f})",
        ))
    return _view(headings, rows, "Weight lost on the warmer", text=(0,))


def fit_table(table):
    """The parameters of a fit with their intervals, whatever columns it has."""
    headings = tuple(_heading(name) for name in table.columns)
    # A blank beside an estimate could be taken for none: the fit just does not give it.
    empty = NOT_GIVEN if "parameter" in table else MISSING
    rows = [
        tuple(_unbroken(_cell(v, empty)) if n == "unit" else _cell(v, empty)
              for n, v in zip(table.columns, row, strict=True))
        for row in table.itertuples(index=False)
    ]
    text = [i for i, c in enumerate(table.columns) if not pd.api.types.is_numeric_dtype(table[c])]
    return _view(headings, rows, "Parameters of the fit", text=text)


def _unbroken(unit, most=14):
    """A short unit, such as "0 to 10", on one line however narrow its column is."""
    return unit.replace(" ", "\N{NO-BREAK SPACE}") if len(unit) <= most else unit


def shape_table(fit):
    """How much each shape of the throw curve counts, with its bend and what it says of load."""
    headings = ("Shape", "Counts for", "Bend", "Its 95 % limits", "What the shape says")
    rows = [
        (
            r.shape, say_share(r.weight, 0),
            "none" if is_missing(r.bend) else f"{r.bend:.2f}",
            MISSING if is_missing(r.bend) else _bend_limits(r.bend_lower, r.bend_upper),
            shape_meaning(r.shape),
        )
        for r in fit.shapes.sort_values("weight", ascending=False, kind="stable").itertuples()
    ]
    words = f"Shapes of the {fit.kind} throw curve, and how much each counts in it"
    return _view(headings, rows, words, text=(0, 4))


def _bend_limits(lower, upper):
    """The limits of a bend; a side on which the scores set none is said to be open."""
    ends = ["open" if is_missing(v) else f"{v:.2f}" for v in (lower, upper)]
    return "open" if ends == ["open", "open"] else " to ".join(ends)


def pour_table(pours):
    """What was poured beside what was planned."""
    headings = (
        "Pour", "Pot", "Blend", "Poured on", "Wax, g", "Fragrance, g", "Planned load, % of wax",
        "Load, % of wax", "Content, % of total", "Fragrance added at, °C", "Poured at, °C",
        "Stirred, min", "Room, °C", "Note",
    )
    rows = [
        (
            r["pour"], r["pot"], r["blend"], _cell(r["poured_on"]), say_number(r["wax_g"], 1),
            say_number(r["fragrance_g"], 2), say_number(r["planned_load_pct"]),
            say_number(r["load_pct"]), say_number(r["content_pct"]),
            say_number(r["add_temp_c"], 0), say_number(r["pour_temp_c"], 0),
            say_number(r["stir_min"], 1), say_number(r["room_temp_c"], 0), _cell(r["note"]),
        )
        for r in pours.to_dict("records")
    ]
    return _view(headings, rows, "Pours as weighed", text=(0, 1, 2, 3, 13))


def difference_sentence(pours):
    """How far the weighed loads lie from the planned ones, in a sentence."""
    both = pours[["pour", "load_pct", "planned_load_pct"]].copy()
    both["planned_load_pct"] = pd.to_numeric(both["planned_load_pct"])
    both = both.dropna()
    if both.empty:
        return "No planned loads are on record, so poured and planned cannot be compared."
    gap = both["load_pct"] - both["planned_load_pct"]
    worst = gap.abs().idxmax()
    return (
        f"{len(both)} pours with a planned load: weighed minus planned is "
        f"{gap.mean():+.2f} points of load (% of wax) on average; the farthest is pour "
        f"{both.at[worst, 'pour']} with {gap[worst]:+.2f} points."
    )


def assessor_table(series):
    """Who scored what, by code only."""
    graded = series.grades.dropna(subset=["assessor"]).groupby("assessor").size()
    smelt = series.throws.groupby("assessor").size()
    works = series.throws.dropna(subset=["works_with_fragrance"])
    works = works.groupby("assessor")["works_with_fragrance"].last()
    codes = sorted(set(graded.index) | set(smelt.index), key=lambda c: (len(c), c))
    rows = [
        (
            code, str(int(graded.get(code, 0))), str(int(smelt.get(code, 0))),
            works.get(code, "not recorded"),
        )
        for code in codes
    ]
    headings = ("Assessor", "Grades given", "Throw scores given", "Works with this fragrance")
    return _view(headings, rows, "Who scored, by code", text=(0, 3))


def _view(headings, rows, caption, text=()):
    numeric = tuple(i not in set(text) for i in range(len(headings)))
    return View(tuple(headings), tuple(rows), caption, numeric)


def _with_range(value, lower, upper):
    if is_missing(value):
        return MISSING
    return f"{say_number(value, 1)}\n({say_range(lower, upper, lambda v: say_number(v, 1))})"


def _risk_with_range(row, what):
    """A risk with its 90 % interval."""
    risk, lower, upper = (row[f"{what}_{n}"] for n in ("risk", "lower", "upper"))
    if is_missing(risk):
        return MISSING
    return f"{say_share(risk)}\n({say_range(lower, upper, say_share)})"


def _behind(row):
    """How far a pick's throw lies below the best to be had, with the chance that it will do."""
    if is_missing(row["throw_behind"]):
        return MISSING
    return f"{say_number(row['throw_behind'], 1)}\n({say_share(row['throw_chance'], 0)})"


def _cell(value, empty=MISSING):
    if is_missing(value):
        return empty
    if isinstance(value, float) and math.isinf(value):
        return "beyond those tested"
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return str(value)


def _heading(name):
    text = heading(name)
    return text[:1].upper() + text[1:]
