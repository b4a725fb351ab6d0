"""Results as tables of words, with units in the headings."""

import html
import math
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from scentlab.choosing.costs import cost_range
from scentlab.choosing.diagnosis import CHANGE_UNIT, say_change
from scentlab.choosing.saving import LEAST, say_money
from scentlab.fitting.longevity import longest
from scentlab.fitting.looks import planned_loads, with_stress
from scentlab.materials import say_lot
from scentlab.results import say_odds, say_percent, say_rule
from scentlab.results import shown as in_words
from scentlab.text import capital
from scentlab.units import (
    content_from_load,
    fahrenheit_from_celsius,
    fine_weight,
    in_digits,
    ounces_per_pound_from_load,
    price_in_unit,
    say_load_oz,
    say_ounces_per_pound,
    say_percent_of_wax,
    say_points,
    say_temperature,
    scale_ounces,
    shown,
)
from scentlab.words import (
    MISSING,
    STRESS_WORDS,
    THROW_WORDS,
    count,
    is_missing,
    or_missing,
    say_loads,
    say_number,
    say_over,
    say_range,
    say_share,
)
from scentlab.words.rows import SHAPE_WORDS

NOT_GIVEN = "not given"
# Points of load: what is weighed differs by less from what was planned, and plans by more.
NEAR = 0.25
NEAR_LIMIT, OVER = 0.05, "over the maker’s maximum"
SAFE, RECOMMENDED = "Highest safe load", "Recommended load"


@dataclass(frozen=True)
class View:
    """A table ready to be shown: ``numeric`` marks the columns that are set flush right."""

    headings: tuple
    rows: tuple
    caption: str
    numeric: tuple = ()

    def _repr_html_(self):
        frame = pd.DataFrame(self.rows, columns=self.headings)
        table = frame.map(lambda cell: html.escape(str(cell)).replace("\n", "<br>")).to_html(
            index=False, border=0, escape=False)
        return (f"<p>{html.escape(self.caption)}</p>" if self.caption else "") + table


def view(caption, rows, *columns):
    """A table: a column is its heading (a star marks text) and what makes a cell of a row, a
    callable or the name of a field.

    >>> view("Loads", [{"x": "6", "y": "a"}], ("Load", "x"), ("*Note", "y")).numeric
    (True, False)

    """
    rows = rows.to_dict("records") if isinstance(rows, pd.DataFrame) else rows
    return View(
        tuple(name.lstrip("*") for name, _ in columns),
        tuple(tuple(c(row) if callable(c) else str(row[c]) for _, c in columns) for row in rows),
        caption, tuple(not name.startswith("*") for name, _ in columns),
    )


def said(name, say, *how):
    """A cell with what ``say`` makes of a value of a row, a dash where it is missing."""
    return lambda row: or_missing(say)(row[name], *how)


def plain(name):
    """A cell with a text, a dash where there is none."""
    return lambda row: MISSING if is_missing(row[name]) else str(row[name])


def number(name, digits=2):
    return said(name, say_number, digits)


def sold(name, digits=2):
    """A cell with a load that pieces are sold by, rounded down."""
    return said(name, in_digits, digits, True)


def ranged(name, lower, upper, say=lambda v: say_number(v, 1)):
    """A cell with a number of a row and its 90 % interval below it."""
    return lambda row: MISSING if is_missing(row[name]) else (
        f"{say(row[name])}\n({say_range(row[lower], row[upper], say)})")


_SWEAT_RISK = ranged("sweat_risk", "sweat_lower", "sweat_upper", say_share)
_FROST = ranged("frost_risk", "frost_lower", "frost_upper", say_share)
_THROW = ranged("throw", "throw_lower", "throw_upper")


def costs_table(found):
    costs, money = found.costs, found.currency or "your currency"
    return view(
        f"{found.blend}: a batch of {count(costs.pieces, 'piece')} from "
        f"{count(costs.pots, 'pot')}, costs in {money}; sweating is grade "
        f"{found.limit_grade} or more, {found.stress}",
        found.table,
        ("*Load", lambda r: f"{capital(r['which'])}: {say_load_oz(r['load_pct'], sold=True)}"),
        ("Materials", number("materials")), ("Complaints", number("complaints")),
        ("Lost sales", number("lost_sales")),
        ("Together, on average (90 % sure)",
         lambda r: MISSING if is_missing(r["cost"]) else
         f"{say_number(r['cost'])}\n({cost_range(r, say_number)})"),
        ("Sweating pieces expected", number("sweating", 1)),
        (f"Chance of {costs.many} or more", lambda r: say_odds(r["chance_many"], 0.001)),
    )


def shelf_lines(shelf):
    """What is on the shelf of a workshop now, a line a thing; one for all with nothing to say."""
    plain = {}
    for row in shelf.now:
        said = list(_known(row, shelf.lots(row["kind"], row["name"])))
        if said:
            yield f"{row['kind']} {row['name']}: {'; '.join(said)}; since {row['since']}"
        else:
            plain.setdefault(row["kind"], []).append(row["name"])
    for kind, names in plain.items():
        yield f"{kind} {', '.join(names)}"


def _known(row, lots):
    """What is known of a thing of the shelf, with the sheet that a limit is from."""
    if "lot" in row:
        before = ", ".join(lot for lot in lots if lot != row["lot"])
        yield say_lot(row["lot"]) + (f" (before: {before})" if before else "")
    for name, start, words in (("limit_load_pct", "limit", "highest load"),
                               ("limit_content_pct", "limit", "regulatory limit"),
                               ("recommended_load_pct", "recommended", "recommended load")):
        if name in row:
            value = f"{row[name]:g} % of total" if "content" in name else say_load_oz(row[name])
            known = [str(row[f"{start}_{part}"]) for part in ("source", "on")
                     if f"{start}_{part}" in row]
            yield f"{words} {value}" + (f" ({', '.join(known)})" if known else "")
    for name, words in (("add_temp_c", "add at"), ("max_temp_c", "never over"),
                        ("flash_point_c", "flash point")):
        if name in row:
            yield f"{words} {say_temperature(row[name])}"
    if "price_per_kg" in row:
        price = price_in_unit(row["price_per_kg"])
        yield f"{say_money(price, row.get('currency', ''))} {shown().label('per kg')}"
    yield from (row[name] for name in ("parts", "recipe", "note") if name in row)


def map_table(table):
    """The map of a workshop, a row for each wax and fragrance."""
    def at_risk(row):
        middle, low, high = (say_percent_of_wax(max(row[f"load_at_risk{end}_pct"], 0.0))
                             for end in ("", "_lower", "_upper"))
        return f"{middle} ({low} to {high})"

    return view("", table, ("*wax", "wax"), ("*fragrance", "fragrance"), ("*state", "state"),
                ("5 % of pieces sweat at (load on the wax, 90 % interval)", at_risk))


def _load_unit():
    return "oz/lb" if shown().weight == "oz" else "% of wax"


def _own_number(load_pct, digits=2):
    """The number of a load in the maker's unit; one of oz/lb always to 0.01."""
    in_oz = shown().weight == "oz" and not is_missing(load_pct)
    return say_number(ounces_per_pound_from_load(load_pct)) if in_oz else (
        say_number(load_pct, digits))


def own_load(words, name, digits=2, down=False):
    """A column of a load, in the maker's unit; ``down`` for one that pieces are sold by."""
    cell = sold(name, digits) if down else said(name, _own_number, digits)
    if down and shown().weight == "oz":
        cell = said(name, lambda x: say_ounces_per_pound(x, sold=True).removesuffix(" oz/lb"))
    return f"{words}, {_load_unit()}", cell


def _bought(rules, least):
    """Columns of what a load risks and gives, shared by the pick and the trade-off."""
    return (
        (f"Risk of sweat grade {rules.limit_grade}+ (90 % interval)", _SWEAT_RISK),
        (f"Chance that the risk is over {say_rule(rules.risk)}",
         said("p_over", say_over, least)),
        (f"{THROW_WORDS[rules.throw_kind].capitalize()} throw, 0–10 (90 % interval)", _THROW),
    )


def _frost_and_cost(rules, currency):
    # One column for both: another would push the table past the side of a printed page.
    words = f"Cost a piece, {currency}" if currency else "Cost a piece"
    today = rules.today_load_pct is not None
    return (
        (f"Risk of frost grade {rules.frost_limit_grade}+ (90 % interval)", _FROST),
        (f"{words} (saved per 1,000 pieces)" if today else words, lambda r: _cost(r, today)),
    )


def _cost(row, today):
    """Cost of a piece, and below it what 1,000 save; a minus where they cost more."""
    cost, saving = say_number(row["cost_per_piece"], 3), row["saving_per_1000"]
    if not today or is_missing(saving):
        return cost
    sign = "−" if saving <= -LEAST else ""
    return f"{cost}\n({sign}{say_money(abs(saving), '')})"


def least_shown(pick):
    """The smallest chance that the draws behind a pick can show, as a share."""
    return float(pick.table["least_told"].max())


def pick_table(analysis):
    rules, table = analysis.rules, analysis.pick.table
    return view(
        "The recommended load of each blend, best first" if table["load_pct"].notna().any()
        else "No blend has a recommended load",
        table,
        ("Rank", lambda r: MISSING if is_missing(r["load_pct"]) else str(int(r["rank"]))),
        ("*Blend", "blend"),
        (RECOMMENDED, lambda r: say_loads(r["load_pct"], sold=True)),
        (SAFE, lambda r: say_loads(r["ceiling_load_pct"], sold=True)),
        ("Wax maker’s maximum", lambda r: say_loads(r["limit_load_pct"])),
        *_bought(rules, least_shown(analysis.pick)),
        *_frost_and_cost(rules, analysis.series.currency),
    )


def choice_table(choices, limits):
    """The loads of each blend under other rules: a row for each risk and confidence; ``limits`` are
    the wax makers' (% of wax) by blend, which such a load can pass."""
    found = choices.set_index(["risk", "confidence", "blend"])

    def cell(blend):
        def loads(rule):
            row = found.loc[(*rule, blend)]
            use, safe = (say_loads(row[c], sold=True) for c in ("load_pct", "ceiling_load_pct"))
            over = row["ceiling_load_pct"] > limits.get(blend, math.inf) + NEAR_LIMIT
            return f"{use} / {safe}{', ' + OVER if over else ''}"
        return loads

    return view(
        "Recommended / highest safe load under other rules",
        list(dict.fromkeys(zip(choices["risk"], choices["confidence"], strict=True))),
        ("Risk at most", lambda rule: say_rule(rule[0])),
        ("How sure", lambda rule: say_rule(rule[1])),
        *((b, cell(b)) for b in limits),
    )


def pot_table(diagnosis, blends):
    """The highest safe load of each blend, in this order, without each of its pots."""
    found = diagnosis.table.sort_values("pot", kind="stable")
    return view(
        f"Highest safe loads without each pot; changes in {CHANGE_UNIT[shown().weight]}",
        found.sort_values("blend", key=lambda b: b.map({n: i for i, n in enumerate(blends)}),
                          kind="stable"),
        ("*Pot left out", "pot"), ("*Blend", "blend"),
        own_load("Highest safe load without it", "ceiling_load_pct", 1, down=True),
        ("Change", lambda r: MISSING if is_missing(r["change_pct"]) else say_change(r)),
    )


def ceiling_table(ceiling):
    unit = _load_unit()
    return view(
        "Highest safe load of each blend", ceiling.table,
        ("*Blend", "blend"),
        own_load(SAFE, "ceiling_load_pct", down=True),
        (f"{SAFE}, % of total", sold("ceiling_content_pct")),
        (f"Load at the limit risk, {unit}", lambda r: _among_tested(r["load_at_risk_pct"], r)),
        # Both ends on one side of the tested loads are said once.
        (f"Its 90 % interval, {unit}", lambda r: " to ".join(dict.fromkeys(
            _among_tested(r[f"load_at_risk_{end}_pct"], r) for end in ("lower", "upper")))),
        (f"Loads tested, {unit}", lambda r: say_range(
            r["lowest_tested_pct"], r["highest_tested_pct"], _own_number)),
        ("*State", "state"),
    )


def _among_tested(load, row):
    """A load in figures where it was tested, else only on which side of the tested loads it is."""
    lowest, highest = row["lowest_tested_pct"], row["highest_tested_pct"]
    if is_missing(lowest) or is_missing(load):
        return MISSING
    if load < lowest:
        return f"below {_own_number(lowest, 1)}"
    return f"above {_own_number(highest, 1)}" if load > highest else _own_number(load)


def tradeoff_table(analysis, blend):
    """Per tested load of one blend: what is smelt, what is risked, what it costs. Weighed loads of
    one planned load are one row, with the numbers of the highest."""
    own = analysis.pick.tradeoff
    own = own[own["blend"] == blend].sort_values("load_pct")
    rows = [{**own[own["load_pct"].between(loads[0], loads[-1])].iloc[-1], "loads": loads}
            for loads in weighed_loads(own["load_pct"])]
    caption = "Trade-off at the tested loads"
    if len(rows) < len(own):
        caption += (f"; loads weighed within {say_points(NEAR, 2)} of each other are one row, with "
                    "the numbers of the highest")
    return view(
        caption, rows, *_weighed_columns(),
        ("Content, % of total", lambda r: _ends(content_from_load(r["loads"]), 1)),
        *_bought(analysis.rules, least_shown(analysis.pick)),
        *_frost_and_cost(analysis.rules, analysis.series.currency),
    )


def weighed_loads(loads):
    """Loads as weighed (% of wax), in order, as one array for each row of a table of loads."""
    loads = np.asarray(loads, dtype=float)
    return planned_loads(loads, NEAR + 1e-9) if len(loads) else []


def _weighed_columns():
    """The columns that tell the ``loads`` of a row, the lowest and the highest."""
    ounces = ("Load, oz/lb", lambda r: _ends(ounces_per_pound_from_load(r["loads"]), 2))
    return *[ounces] * (shown().weight == "oz"), ("Load, % of wax", lambda r: _ends(r["loads"], 1))


def _ends(values, digits):
    low, high = (in_digits(value, digits) for value in (values[0], values[-1]))
    return high if low == high else f"{low} to {high}"


def counts_table(analysis, blend):
    """What was seen of a blend at each load as weighed: pieces over the limit grade of those
    inspected, and mean scores of throw."""
    series, rules = analysis.series, analysis.rules
    pours, grades, throws = (f[f["blend"] == blend] for f in (
        series.pours, series.grades, series.throws))
    rows = weighed_loads(pours["load_pct"].dropna())
    row_of = {pour: place for place, loads in enumerate(rows)
              for pour in pours.loc[pours["load_pct"].between(loads[0], loads[-1]), "pour"]}

    def by_load(frame, words, **found):
        seen = frame.groupby(frame["pour"].map(row_of)).agg(**found)
        return pd.Series([words.format(*row) for row in seen.itertuples(index=False)], seen.index,
                         dtype=object)

    def over(test, stress, grade):
        own = grades[(grades["test"] == test) & grades["grade"].notna()]
        own = own[with_stress(own)["stress"] == stress] if stress else own
        own = own.assign(over=own["grade"] >= grade)
        worst = own.groupby("code", as_index=False)[["pour", "over"]].max()  # a piece counts once
        return by_load(worst, "{} of {}", over=("over", "sum"), count=("over", "size"))

    grade, frost = rules.limit_grade, rules.frost_limit_grade
    seen = pd.DataFrame({
        **{f"Sweat {grade}+, {STRESS_WORDS[s]}": over("sweat", s, grade) for s in ("heat", "rest")},
        f"Frost {frost}+": over("frost", None, frost),
        **{f"{capital(kind)} throw, mean (scores)": by_load(
            own, "{:.1f} ({:.0f})", mean=("throw", "mean"), count=("throw", "count"))
           for kind, own in throws.groupby(throws["kind"].map(THROW_WORDS))},
    }, index=range(len(rows))).dropna(axis=1, how="all").fillna(MISSING)
    return view("Seen at each load as weighed: pieces at or above the grade, of those inspected",
                seen.assign(loads=rows), *_weighed_columns(), *((name, name) for name in seen))


def rests_table(rests):
    return view(
        "What the answer rests on", rests.table, ("*What", "name"), ("*Blend", "blend"),
        ("*Found", "value"), ("*Mind", lambda r: r["warning"] or MISSING), ("*Meaning", "meaning"),
    )


def sensitivity_table(found):
    rows = found.set_index(["assumption", "blend"])

    def loads(name, blend):
        row = rows.loc[(name, blend)]
        ends = (own_load("", c, 1, down=True)[1](row) for c in ("ceiling_load_pct", "load_pct"))
        return " / ".join(ends) if row["reached"] else MISSING

    def words(name):
        weight = rows.loc[name, "weight"].iloc[0]
        return name if is_missing(weight) else f"{name} (counts {say_percent(weight)})"

    names, blends = (list(level.unique()) for level in map(rows.index.get_level_values, (0, 1)))
    return view("The answer under other assumptions", names, ("*If", words), *(
        (f"{b}: highest safe / recommended load, {_load_unit()}", partial(loads, blend=b))
        for b in blends))


def lives_table(fit):
    rows = [
        {**arm, **fit.curve(place, arm["first_h"]).iloc[0], "half": fit.half_life(place)["words"]}
        for place, arm in enumerate(fit.arms.to_dict("records"))
    ]
    return view(
        "Throw over hours on the warmer", rows, *_arm(), ("Testers", "assessors"),
        ("Throw at the first check, 0–10 (90 % interval)",
         lambda r: f"{ranged('throw', 'lower', 'upper')(r)}\nat {r['first_h']:g} h"),
        ("*Hours until it is half (90 % interval)", "half"),
    )


def _arm():
    """The columns that tell a blend at a load, the load in the maker's unit."""
    return (("*Blend", "blend"), own_load("Load", "load_pct", 1),
            ("Content, % of total", number("content_pct", 1)), ("Pieces", "pieces"))


def losses_table(weights):
    unit, weight = shown().label("g"), or_missing(fine_weight)
    return view(
        "Weight lost on the warmer", longest(weights), *_arm(),
        ("Hours", lambda r: f"{r['hours']:g}"),
        (f"Fragrance in a piece, {unit}", said("fragrance_g", fine_weight)),
        (f"Weight lost, {unit} (lowest to highest piece)",
         ranged("loss_g", "least_g", "most_g", weight)),
        ("Fragrance gone, % of what was in the piece", number("share_pct", 0)),
    )


def fit_table(fit):
    """The parameters of a fit with their intervals; another result's table as it is."""
    # A blank beside an estimate could be taken for none: the fit just does not give it.
    empty = NOT_GIVEN if "parameter" in fit.table else MISSING
    seen = in_words(fit.table).replace("", empty)
    text = [not pd.api.types.is_numeric_dtype(kind) for kind in fit.table.dtypes]
    return view("Parameters of the fit", seen, *(
        (f"{'*' * is_text}{capital(name)}", name)
        for name, is_text in zip(seen, text, strict=True)))


def shape_table(fit):
    return view(
        f"Shapes of the {THROW_WORDS[fit.kind]} throw curve, and how much each counts in it",
        fit.shapes.sort_values("weight", ascending=False, kind="stable"),
        ("*Shape", "shape"), ("Counts for", lambda r: say_share(r["weight"], 0)),
        ("Bend", lambda r: "none" if is_missing(r["bend"]) else f"{r['bend']:.2f}"),
        ("Its 95 % limits", lambda r: MISSING if is_missing(r["bend"]) else " to ".join(
            say_number(r[f"bend_{end}"]).replace(MISSING, "open") for end in ("lower", "upper"))),
        ("*What the shape says", lambda r: SHAPE_WORDS[r["shape"]]),
    )


def weight(name, column, digits):
    in_oz = shown().weight == "oz"
    return f"{name}, {shown().weight}", said(column, lambda grams: say_number(
        scale_ounces(grams) if in_oz else grams, 2 if in_oz else digits))


def heat(name, column):
    turn = fahrenheit_from_celsius if shown().temperature == "F" else float
    return f"{name}, °{shown().temperature}", said(column, lambda heat: f"{turn(heat):.0f}")


def pour_table(pours):
    return view(
        "Test batches as weighed", pours, ("*Batch", "pour"), ("*Pot", "pot"), ("*Blend", "blend"),
        ("*Poured on", plain("poured_on")), weight("Wax", "wax_g", 1),
        weight("Fragrance", "fragrance_g", 2),
        own_load("Planned load", "planned_load_pct"), own_load("Load", "load_pct"),
        ("Content, % of total", number("content_pct")),
        heat("Fragrance added at", "add_temp_c"),
        heat("Poured at", "pour_temp_c"), ("Stirred, min", number("stir_min", 1)),
        heat("Room", "room_temp_c"), ("*Note", plain("note")),
    )


def assessor_table(series):
    warmed = series.warmings[series.warmings["throw"].notna()]
    scored = pd.concat([
        series.grades.assign(what=series.grades["test"].str.capitalize() + " grades"),
        series.throws.assign(what="Throw scores"),
        warmed.assign(what="Throw scores over hours on the warmer"),
    ]).dropna(subset="assessor")
    table = pd.crosstab(scored["assessor"], scored["what"])
    table = table.sort_index(key=lambda codes: codes.str.len(), kind="stable")
    works = series.throws.dropna(subset=["works_with_fragrance"])
    works = works.groupby("assessor")["works_with_fragrance"].last()
    return view(
        "Who scored, by code", table.reset_index(), ("*Tester", "assessor"),
        *((what, what) for what in table),
        ("*Works with this fragrance", lambda r: works.get(r["assessor"], "not recorded")),
    )
