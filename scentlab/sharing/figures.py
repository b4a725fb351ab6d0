"""The pictures of report, pages and notebooks as numbers and words: panels over one axis.

Text stays text, looks come from the page's style sheet (so that dark, grey and paper need no
second picture), and each point carries the words of what it is. A curve is drawn only between the
lowest and the highest load tested with its blend.
"""

from dataclasses import dataclass
from math import floor, log10

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import NEAR_PCT, at_sale
from scentlab.choosing.rests import by_day
from scentlab.fitting.frost import frost_risk
from scentlab.fitting.looks import by_load, planned_loads, reached, with_stress
from scentlab.fitting.sweat import sweat_risk
from scentlab.fitting.throw import throw_curve
from scentlab.results import FitError, say_rule
from scentlab.schema import SWEAT_GRADES
from scentlab.units import (
    load_from_ounces_per_pound,
    ounces_per_pound_from_load,
    percent_of_wax,
    say_load_oz,
    say_percent_of_wax,
    shown,
)
from scentlab.words import STRESS_WORDS, THROW_WORDS, count, is_missing, say_loads
from scentlab.words.answers import storage_words

WIDTH, LEFT, RIGHT = 380, 42, 372
STEPS = 21
MARK_ROW, GAP, FOOT = 14, 28, 34
COUNTS = 14  # pixels of a row of counts
# Pixels between points at one load, how many of them lie side by side, and between their rows.
DOT, ACROSS, UP = 6.5, 7, 5
LOAD, LOAD_OZ = "load, % of wax", "load, oz of fragrance per lb of wax"
SOLD = ("use", "safe")  # marks of loads that pieces are sold by
_RISKS = tuple((v, f"{100 * v:g} %") for v in (0, 0.05, 0.25, 0.5, 1))
_THROWS = tuple((v, str(v)) for v in range(0, 11, 5))
_GRADES = tuple((v, str(v)) for v in range(5))


@dataclass(frozen=True)
class Panel:
    """One panel: what its upright axis shows, ticks (value, words), a curve (frame of x, y, lower,
    upper), points (x, y, kind, words), a level rule, and words where there is no curve."""

    label: str
    ticks: tuple
    curve: pd.DataFrame | None = None
    points: tuple = ()
    rule: float | None = None
    kind: str = "sweat"
    note: str = ""
    height: int = 96
    root: bool = False  # a square-root scale, on which a few per cent can be read
    spread: bool = False  # points at one place lie side by side
    counts: tuple = ()  # words at a load, in a row between the label and the panel
    span: tuple = ()  # a bar from a load to another, and upright lines in this panel alone
    marks: tuple = ()


def figure(title, places, panels, marks=(), axis=LOAD, shaded=True):
    """A picture for the template: sizes, ticks, marks and panels in pixels, ``alt``, what it shows
    in words, and ``data``, the arguments.

    ``places`` : the loads (or hours) tested, between which it reaches. ``marks`` : (kind, words,
    load), upright lines through all panels.
    """
    low, high = float(np.min(places)), float(np.max(places))
    pad = 0.05 * max(high - low, 1.0)
    across = _scale(low - pad, high + pad, LEFT, RIGHT)
    data = {"title": title, "places": places, "panels": panels, "marks": marks, "axis": axis,
            "shaded": shaded}
    marks = [m for m in marks if not is_missing(m[2]) and low - 0.06 <= m[2] <= high + 0.06]
    marks, on_left = _in_rows(marks, across)
    first = top = 4 + MARK_ROW * len(marks)
    drawn = []
    for panel in panels:
        drawn.append(_panel(panel, across, top + GAP - 6))
        first, top = drawn[0]["top"], drawn[-1]["bottom"]
    return {
        "width": WIDTH, "left": LEFT, "right": RIGHT, "height": top + FOOT, "bottom": top,
        "first": first, "axis": axis, "panels": drawn, "title": title,
        "ticks": [(across(v), f"{v:.3g}", say_loads(v) if axis == LOAD and v else None)
                  for v in (load_ticks if axis == LOAD else _ticks)(low, high)],
        "shade": (across(low), across(high)) if shaded else None,
        "marks": [_mark(across(m[2]), 4 + MARK_ROW * (i + 1) - 3, on_left, *m)
                  for i, m in enumerate(marks)],
        "data": data, "alt": _in_words(title, axis, panels, marks),
    }


def _panel(panel, across, name_y):
    """A panel in pixels from where its words are; its counts lie between them and its points."""
    values = [v for v, _ in panel.ticks] or [0, 1]
    places, counts = _side_by_side(panel), _count_rows(panel.counts, across)
    # A high heap is pressed together, so that it stays under the next tick.
    up = min(UP, 0.75 * panel.height / len(values) / max(1, max(places, default=0) // ACROSS))
    heap = max((k // ACROSS for (_, y, *_), k in zip(panel.points, places, strict=True)
                if y >= max(values)), default=0)
    under = name_y + COUNTS * max((row for *_, row in counts), default=0)
    top = under + up * heap * bool(counts)
    bottom = top + panel.height
    level = _scale(min(values), max(values), bottom, top, panel.root)
    drawn = vars(panel) | {
        "top": top, "bottom": bottom,
        "ticks": [(level(v), words) for v, words in panel.ticks],
        "rule": None if panel.rule is None else level(panel.rule),
        "points": _dots(panel.points, places, across, level, up), "line": "", "band": "",
        "name_y": name_y - 6, "span": tuple(map(across, panel.span)),
        "counts": [(x, name_y - 6 + COUNTS * row, words) for x, words, row in counts],
        "marks": [(across(load), kind) for kind, _, load in panel.marks if not is_missing(load)],
    }
    if panel.curve is not None:
        x, y, lower, upper = (panel.curve[c].tolist() for c in ("x", "y", "lower", "upper"))
        places = [across(v) for v in x]
        drawn["line"] = _path(places, map(level, y))
        drawn["band"] = _path([*places, *places[::-1]], map(level, [*lower, *upper[::-1]]))
    return drawn


def _scale(low, high, start, end, root=False):
    def place(value):
        share = min(max((value - low) / (high - low), 0.0), 1.0)
        return round(start + (end - start) * (share**0.5 if root else share), 1)
    return place


def _path(xs, ys):
    return " ".join(f"{x:g},{y:g}" for x, y in zip(xs, ys, strict=True))


def _side_by_side(panel):
    """The place of each point among those of its planned load and height."""
    if not panel.spread or not panel.points:
        return [0] * len(panel.points)
    ends = [loads[-1] for loads in planned_loads([x for x, *_ in panel.points], NEAR_PCT)]
    seen, places = {}, []
    for x, y, *_ in panel.points:
        key = int(np.searchsorted(ends, x)), y
        places.append(seen.get(key, 0))
        seen[key] = places[-1] + 1
    return places


def _dots(points, places, across, level, up):
    """The points in pixels; those at one place lie side by side, in rows so far apart."""
    return [(across(x) + DOT * ((k % ACROSS + 1) // 2 * (1 if k % 2 else -1)),
             round(level(y) - up * (k // ACROSS), 1), kind, words)
            for (x, y, kind, words), k in zip(points, places, strict=True)]


def _count_rows(counts, across):
    """Counts in pixels with the row of each, from 1 on: none reaches into another of its row."""
    ends, placed = [], []
    for load, words in sorted(counts):
        x, half = across(load), 3 * len(words) + 2
        row = next((i for i, end in enumerate(ends) if end <= x - half), len(ends))
        ends[row:row + 1] = [x + half]
        placed.append((x, words, row + 1))
    return placed


def _in_rows(marks, across):
    """Marks in the rows of their words, and whether those stand on the left of their lines.

    A line begins at its own words: on the left the highest load comes first, on the right the
    lowest, so that words cross no line of another. On the right only where the left has no room.
    """
    rising = sorted(marks, key=lambda m: m[2])
    on_left = not rising or across(rising[0][2]) >= LEFT + _wide(rising[0][1]) or (
        across(rising[-1][2]) > RIGHT - _wide(rising[-1][1]))
    return (rising[::-1] if on_left else rising), on_left


def _wide(words):
    """About so many pixels take these words with a load."""
    return 6 * (len(words) + 8)


def _mark(x, y, on_left, kind, words, load):
    sold = kind in SOLD
    return {"x": x, "y": y, "kind": kind, "words": words, "wax": percent_of_wax(load, sold),
            "oz": say_loads(load, sold).oz, "end": on_left and x > LEFT + _wide(words)}


def _ticks(low, high):
    """Round values between two, at most seven of them."""
    if high <= low:
        return [low]
    step = 10.0 ** floor(log10((high - low) / 6.0))
    step = next(step * k for k in (1, 2, 5, 10) if (high - low) / (step * k) <= 6.001)
    first, last = np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9)
    return [float(f"{k * step:.6g}") + 0.0 for k in np.arange(first, last + 1)]


def load_ticks(low, high):
    """Loads (% of wax) for the axis, round in the maker's unit."""
    if shown().weight != "oz":
        return _ticks(low, high)
    ends = ounces_per_pound_from_load(np.array([low, high]))
    return [float(load_from_ounces_per_pound(v)) for v in _ticks(*ends)]


def _in_words(title, axis, panels, marks):
    """What a picture shows, for who cannot see it."""
    place = say_percent_of_wax if axis == LOAD else "{:.1f}".format
    said = [f"{title}, over {axis.partition(',')[0]}"]
    for panel in panels:
        if panel.curve is not None:
            ends = [f"{panel.curve['y'].iloc[i]:.2f} at {place(panel.curve['x'].iloc[i])}"
                    for i in (0, -1)]
            said.append(f"{panel.label}: {ends[0]} to {ends[1]}")
        said += [panel.label] if panel.marks else []
        said += [f"{len(panel.points)} points"] if panel.points else []
        said += [f"{words} at {place(load)}" for load, words in panel.counts]
        said += [panel.note] if panel.note else []
    said += [f"{words} {say_percent_of_wax(load, kind in SOLD)}" for kind, words, load in marks]
    return ". ".join(said) + "."


# ---- what is drawn -----------------------------------------------------------------------------


def blend_figure(analysis, blend):
    """Throw, risk of sweat and the pieces of one blend over load, with the loads that decide."""
    rules, stress = analysis.rules, analysis.ceiling.stress
    kept = STRESS_WORDS[stress]
    sweat = with_stress(analysis.series.sweat())
    own = sweat[(sweat["blend"] == blend) & (sweat["stress"] == stress) & sweat["grade"].notna()]
    graded, curve = _loads(own), None
    counts = of_blend(analysis.sweat.counts, blend)
    counts = counts[counts["stress"] == stress]
    smelt = [] if analysis.throw is None else _loads(of_blend(analysis.throw.points, blend))
    if len(graded):
        curve = _curve(sweat_risk(at_sale(analysis.sweat, rules), blend, _grid(graded),
                                  rules.limit_grade, stress), "risk")
    every = np.concatenate([graded, smelt, _loads(of_blend(analysis.series.pours, blend))])
    return figure(
        f"{blend}: {_kind(analysis)} throw, risk of sweat and pieces", every,
        (_throw_panel(analysis, blend, smelt),
         _risk_panel(rules.limit_grade, stress, curve, rule=rules.risk,
                     day=by_day(analysis.sweat, rules),
                     note="" if len(graded) else f"no piece {kept} was inspected"),
         Panel(f"grade {rules.limit_grade}+ of all: {count(own['code'].nunique(), 'piece')} {kept},"
               f" {count(own['pot'].nunique(), 'pot')}", _GRADES, height=74, spread=True,
               counts=tuple((r.load_pct, f"{r.sweated}/{r.pieces}")
                            for r in by_load(counts, rules.limit_grade, NEAR_PCT).itertuples()),
               points=tuple(_pieces(own, rules.limit_grade, storage_words(analysis))))),
        _decide(of_blend(analysis.pick.table, blend).iloc[0]),
    )


def legend(analysis):
    """The legend of the first page's picture in lines: what its marks mean."""
    rules, grade = analysis.rules, analysis.rules.limit_grade
    words = ", ".join(f"{g} {w.removeprefix('visible ').split()[0]}"
                      for g, w in enumerate(SWEAT_GRADES))
    return [
        "bands: 90 % intervals; shaded: loads tested; circle: inspection",
        f"dotted: accepted risk, {say_rule(rules.risk)}; scale of risk: square root",
        f"grades: {words}; filled: {grade}+",
    ]


def _decide(row):
    return (("use", "recommended", row["load_pct"]),
            ("safe", "highest safe", row["ceiling_load_pct"]),
            ("limit", "maximum", row["limit_load_pct"]))


def _risk_panel(grade, stress, curve, points=(), rule=None, note="", day=""):
    words = f"risk of sweat grade {grade}+ in a new pot, {STRESS_WORDS[stress]}{day}"
    return Panel(words, _RISKS, curve, points, rule, root=True, note=note)


def _kind(analysis):
    return THROW_WORDS[getattr(analysis.throw, "kind", analysis.rules.throw_kind)]


def _throw_panel(analysis, blend, smelt):
    """Throw over load; a point is a piece, at the mean of its testers."""
    throws, kind = analysis.series.throws, _kind(analysis)
    curve, note = None, "no fit of throw" if len(throws) else "throw was not scored"
    if len(smelt):
        curve, note = _curve(throw_curve(analysis.throw, blend, _grid(smelt)), "throw"), ""
    own = throws[(throws["blend"] == blend) & (throws["kind"].map(THROW_WORDS) == kind)]
    points = tuple(
        (load, float(scores.mean()), "", f"Piece {code}, test batch {pour}, {say_load_oz(load)}: "
         f"{kind} throw {scores.mean():.1f} of 10, mean of {len(scores)}")
        for (code, pour, load), scores in own.groupby(["code", "pour", "load_pct"])["throw"]
    )
    return _throw_scale(kind, curve, points, note)


def _throw_scale(kind, curve, points=(), note=""):
    return Panel(f"{kind} throw, 0 to 10".strip(), _THROWS, curve, points, kind="throw", note=note)


def _pieces(own, limit_grade, storage):
    """A point for each inspection: the piece behind its blind code, its grade and its batch."""
    for r in own.sort_values(["load_pct", "grade"]).itertuples():
        grade = int(r.grade)
        age = "" if is_missing(r.age_days) else f", day {r.age_days:g}"
        yield (float(r.load_pct), grade, "over" if grade >= limit_grade else "",
               f"Piece {r.code}, test batch {r.pour}, {say_load_oz(r.load_pct)}: sweat grade "
               f"{grade} ({SWEAT_GRADES[grade]}), {storage}{age}")


def pick_figure(pick):
    """A row for each blend, best first: the loads tested, and those that decide."""
    rows, every = [], []
    for _, row in pick.table.iterrows():
        loads, marks = _loads(of_blend(pick.tradeoff, row["blend"])), _decide(row)
        if not len(loads):
            continue
        said = [f"{words} {say_percent_of_wax(row[load], sold=True)}" for words, load in (
            ("use", "load_pct"), ("safe up to", "ceiling_load_pct")) if not is_missing(row[load])]
        said = ", ".join(said if len(said) > 1 else ["no load qualifies", *said])
        rows.append(Panel(f"{row['blend']}: {said}", (), marks=marks, height=14,
                          span=(loads.min(), loads.max())))
        every += [*loads, *(load for _, _, load in marks if not is_missing(load))]
    return figure("Loads tested (bar), recommended (solid line), highest safe (dashed), wax "
                  "maker's maximum (dash-dotted)", every or [0.0, 1.0], rows, shaded=False)


def sweat_figure(fit, blend, limit_grade=2, risk=None):
    """Risk of sweat over load with the share of pieces in each test batch that reached the grade,
    under the harshest stress."""
    own = of_blend(fit.counts, blend)
    stress = max(own["stress"], key=lambda s: (s == fit.harshest, s == "heat"))
    counts = own[own["stress"] == stress]
    curve = _curve(sweat_risk(fit, blend, _grid(_loads(counts)), limit_grade, stress), "risk")
    return figure(f"{blend}: sweat", _loads(counts), [
        _risk_panel(limit_grade, stress, curve, _shares(counts, limit_grade, "sweat"), risk)])


def throw_figure(fit, blend):
    """Throw over load with the mean score of each tester in each test batch."""
    if of_blend(fit.points, blend).empty:
        raise FitError("throw was compared in pairs but not scored, so there is no level to draw")
    own, kind = of_blend(fit.points, blend), THROW_WORDS[fit.kind]
    points = tuple((r.load_pct, r.throw, "", f"{r.assessor}, {say_load_oz(r.load_pct)}: {kind} "
                    f"throw {r.throw:.1f} of 10") for r in own.itertuples())
    curve = _curve(throw_curve(fit, blend, _grid(_loads(own))), "throw")
    return figure(f"{blend}: {kind} throw", _loads(own), [_throw_scale(kind, curve, points)])


def frost_figure(fit, blend, limit_grade=2, age_days=None):
    """Risk of frost over load, with the share of pieces of each batch that reached the grade."""
    counts = of_blend(fit.counts, blend)
    curve = _curve(frost_risk(fit, blend, _grid(_loads(counts)), limit_grade, age_days), "risk")
    panel = Panel(f"risk of frost grade {limit_grade} or more", _RISKS, curve,
                  _shares(counts, limit_grade, "frost"), kind="frost", root=True)
    return figure(f"{blend}: frost", _loads(counts), [panel])


def _shares(counts, grade, what):
    """A point for each test batch: the share of its pieces that reached the grade."""
    over = reached(counts, grade)
    return tuple((x, k / n, "", f"{k:g} of {count(n, 'piece')} at {say_load_oz(x)} reached "
                  f"{what} grade {grade}") for x, k, n in zip(counts["load_pct"], over, counts["n"],
                                                 strict=True))


def warmer_figure(fit, blend):
    """Throw over hours on the warmer, of the lowest load that was left there."""
    arm = of_blend(fit.arms, blend).iloc[0]
    hours = np.linspace(arm["first_h"], arm["longest_h"], STEPS)
    curve = _curve(fit.curve(arm.name, hours), "throw", "hours")
    return figure(f"{blend}: throw on the warmer at {say_load_oz(arm['load_pct'])}", hours[[0, -1]],
                  [_throw_scale("", curve)], axis="time on the warmer, h")


def further_figures(analysis):
    """Frost and hours on the warmer of each blend, in the order of the pick."""
    rules, life = analysis.rules, analysis.longevity and analysis.longevity.throw_life
    frost, blends = analysis.frost, analysis.pick.table["blend"]
    return [frost_figure(frost, b, rules.frost_limit_grade, rules.ship_age_days)
            for b in blends if frost and b in frost.blends
            and analysis.frost_known_at(rules.ship_age_days)] + [
        warmer_figure(life, b) for b in blends if life and b in life.blends]


def check_figure(check):
    """Mean grade of each test batch as seen, against what the fit expects of it."""
    pours = check.table.sort_values("expected")
    points = tuple((r.expected, r.seen, "over" if r.odd else "",
                    f"Test batch {r.pour}: seen {r.seen:.1f}, expected {r.expected:.1f} "
                    f"(90 % range {r.lower:.1f} to {r.upper:.1f})") for r in pours.itertuples())
    curve = pd.DataFrame({"x": pours["expected"], "y": pours["expected"], "lower": pours["lower"],
                          "upper": pours["upper"]})
    panel = Panel("mean sweat grade seen in a test batch", _GRADES, curve, points, height=170)
    return figure("Sweat seen and expected", [0.0, 4.0], [panel], axis="mean sweat grade expected")


def of_blend(frame, blend):
    return frame[frame["blend"] == blend]


def _loads(frame):
    loads = frame["load_pct"].to_numpy(dtype=float)
    return np.unique(loads[np.isfinite(loads)])


def _grid(loads):
    return np.linspace(loads.min(), loads.max(), STEPS)


def _curve(frame, column, across="load_pct"):
    return frame.rename(columns={across: "x", column: "y"})[["x", "y", "lower", "upper"]]
