"""Throw above, sweat risk below: what each load of one blend buys and risks."""

import numpy as np

from scentlab.fitting.sweat import sweat_risk
from scentlab.fitting.throw import throw_curve
from scentlab.sharing.pictures import drawing
from scentlab.sharing.pictures.drawing import INK, SWEAT, THROW
from scentlab.units import say_load
from scentlab.words import STRESS_WORDS, THROW_WORDS


def draw_tradeoff(analysis, blend=None, ax=None, curve=None):
    """Throw above, sweat risk below, over the tested loads of one blend (default: the first).

    ``curve`` is the risk of :func:`sweat_curve`, where it is known already.
    """
    blend = blend or str(analysis.pick.table["blend"].iloc[0])
    drawing.blends_of(analysis.series.blends, blend)
    ax = drawing.new_axes(ax, height=6.2)
    ax.set_axis_off()
    upper = ax.inset_axes((0, 0.54, 1, 0.46))
    lower = ax.inset_axes((0, 0, 1, 0.46), sharex=upper)
    graded, smelt = graded_loads(analysis, blend), smelt_loads(analysis, blend)
    for panel, loads in ((upper, smelt), (lower, graded)):
        drawing.shade(panel, loads)
    _curves(upper, lower, analysis, blend, curve)
    _marks(upper, lower, analysis, blend)
    drawing.load_axis(upper, np.concatenate([graded, smelt]))
    drawing.throw_axis(upper, THROW_WORDS[getattr(analysis.throw, "kind", "warm")])
    drawing.risk_axis(lower, f"sweat grade {analysis.rules.limit_grade} or more\nin a new pot, "
                             f"{STRESS_WORDS[analysis.ceiling.stress]}")
    upper.tick_params(labelbottom=False)
    upper.set_xlabel("")
    drawing.finish(lower, "", [upper, lower])
    ax.set_title(f"{blend}: throw and sweat risk", fontsize=10.5, color=INK, loc="left")
    return ax


def _curves(upper, lower, analysis, blend, curve):
    graded, smelt = graded_loads(analysis, blend), smelt_loads(analysis, blend)
    if len(smelt):
        frame = throw_curve(analysis.throw, blend, drawing.grid(smelt))
        drawing.curve(upper, frame, "load_pct", "throw", (THROW, "-", "o"), "throw, 90 % interval",
                      True)
    else:
        words = "no fit of throw" if len(analysis.series.throws) else "throw was not scored"
        upper.text(0.5, 0.5, words, transform=upper.transAxes, ha="center")
    if len(graded):
        risk = sweat_curve(analysis, blend) if curve is None else curve
        drawing.curve(lower, risk, "load_pct", "risk", (SWEAT, "--", "o"),
                      "sweat risk, 90 % interval", True)
    lower.axhline(analysis.rules.risk, color=INK, lw=0.9, ls=":",
                  label=f"limit risk {100 * analysis.rules.risk:g} %")


def _marks(upper, lower, analysis, blend):
    """The loads that bound the choice as upright lines, and the recommended one on both curves."""
    row = drawing.row_of(analysis.pick.table, blend)
    tested = drawing.tested_loads(analysis.series.pours, blend)
    marks = (
        ("recommended load", row["load_pct"], {"color": THROW, "ls": "-", "lw": 1.6}),
        ("highest safe load", drawing.row_of(analysis.ceiling.table, blend)["ceiling_load_pct"],
         {"color": SWEAT, "ls": (0, (6, 2)), "lw": 1.4}),
        ("wax maker's limit", drawing.row_of(analysis.series.blends, blend)["limit_load_pct"],
         {"color": INK, "ls": "-.", "lw": 1.2}),
    )
    for words, load, style in marks:
        # A batch is weighed to a few hundredths of a point, so a load may lie that much outside.
        if drawing.is_number(load) and tested.min() - 0.06 <= load <= tested.max() + 0.06:
            upper.axvline(load, zorder=2.5, **style)
            lower.axvline(load, zorder=2.5, label=f"{words} {say_load(load)}", **style)
    for panel, name in ((upper, "throw"), (lower, "sweat_risk")):
        if drawing.is_number(row["load_pct"]) and drawing.is_number(row[name]):
            panel.plot(row["load_pct"], row[name], "D", color=THROW, mec="white", ms=8, zorder=6)


def graded_loads(analysis, blend):
    """Loads (% of wax) of a blend with sweat grades under the stress that decides."""
    counts = analysis.sweat.counts
    return drawing.tested_loads(counts[counts["stress"] == analysis.ceiling.stress], blend)


def sweat_curve(analysis, blend):
    """Risk of sweat (frame of ``sweat_risk``) over the loads that were graded with a blend."""
    return sweat_risk(
        analysis.sweat, blend, drawing.grid(graded_loads(analysis, blend)),
        limit_grade=analysis.rules.limit_grade, stress=analysis.ceiling.stress,
    )


def smelt_loads(analysis, blend):
    """Loads (% of wax) of a blend whose throw was scored; none without a throw fit."""
    if analysis.throw is None:
        return np.array([])
    return drawing.tested_loads(analysis.throw.points, blend)
