"""Pictures of results: one look for all of them, and the only place that draws.

:func:`plot` takes a result and returns Axes. Both load bases stand at every load axis, a curve is
drawn only between the lowest and the highest load that was tested with its blend, and what
matters differs in line style and marker as well as in hue. Figures are made without pyplot, so
nothing stays open and no setting of the caller is touched.
"""

import io
import textwrap

import numpy as np
import pandas as pd
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.layout_engine import LayoutEngine
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter
from matplotlib.transforms import ScaledTranslation

from scentlab.choosing.analysis import Analysis
from scentlab.choosing.ceiling import Ceiling
from scentlab.choosing.diagnosis import ERRORS, TELLING, Diagnosis
from scentlab.choosing.pick import Pick
from scentlab.fitting.bleed import BleedFit, bleed_curve, say_open
from scentlab.fitting.checks import SweatCheck
from scentlab.fitting.frost import FrostFit, frost_risk
from scentlab.fitting.longevity import Longevity
from scentlab.fitting.over_time import NEAR_PCT
from scentlab.fitting.sweat import SweatFit, sweat_risk
from scentlab.fitting.throw import ThrowFit, throw_curve
from scentlab.fitting.throw_life import HALF, ThrowLife, hours_until, life_curve
from scentlab.fitting.weight_loss import WeightLoss, loss_curve
from scentlab.foresight.next_round import NextRound
from scentlab.foresight.precision import CEILING_OVER, NO_ANSWER, SHORTFALL, SPREAD, Precision
from scentlab.sharing.pooling import PooledSeries
from scentlab.units import content_from_load, say_load

# Hues of the palette by Okabe and Ito (2008), told apart with every common colour vision, in an
# order in which neighbours also differ in grey.
THROW, SWEAT, FROST = "#0072B2", "#B24700", "#7A4988"
INK, QUIET, TESTED = "#1A1A1A", "#5F5F5F", "#EEF1F3"
LOOKS = (
    ("#0072B2", "-", "o"),
    ("#B24700", "--", "s"),
    ("#00785A", "-.", "^"),
    ("#7A4988", ":", "D"),
    ("#56B4E9", (0, (5, 1, 1, 1, 1, 1)), "v"),
    ("#1A1A1A", (0, (1, 1)), "P"),
)
ASSESSOR_MARKERS = "os^Dv<>Pp*hXd8H"
STEPS = 41
LOAD_AXIS = "load, % of wax\n(content, % of total)"
STRESS_WORDS = {"rest": "at room temperature", "heat": "heat-cycled"}
RISK_TICKS = (0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 1)


class _OnePass(LayoutEngine):
    """Room around the one Axes of a figure for its labels, title and legend.

    The constrained layout measures everything twice; here nothing changes its size in between.
    """

    _adjust_compatible = True
    _colorbar_gridspec = True
    pad_inch = 0.05

    def execute(self, fig):
        for ax in fig.axes:
            place = ax.get_position(original=True)
            box, foot = self._extent(ax, fig.transFigure.inverted())
            wide, high = self.pad_inch / fig.get_size_inches()
            fig.subplots_adjust(
                left=max(place.x0 - box.x0, 0) + wide, right=1 - max(box.x1 - place.x1, 0) - wide,
                bottom=max(place.y0 - foot, 0) + high, top=1 - max(box.y1 - place.y1, 0) - high,
            )

    @staticmethod
    def _extent(ax, to_figure):
        """What is drawn but for legends, and the lowest edge with them: a legend that is wider
        than the Axes does not become narrower with it."""
        legends = [a.get_legend() for a in (ax, *ax.child_axes) if a.get_legend() is not None]
        for legend in legends:
            legend.set_in_layout(False)
        box = ax.get_tightbbox(for_layout_only=True).transformed(to_figure)
        for legend in legends:
            legend.set_in_layout(True)
        feet = [legend.get_window_extent().transformed(to_figure).y0 for legend in legends]
        return box, min([box.y0, *feet])


class Panel(Axes):
    """Axes that a notebook shows as their picture when they are the last value of a cell."""

    def _repr_png_(self):
        return picture(self, "png")


def plot(result, ax=None, **choices):
    """Draw a result.

    Parameters
    ----------
    result : Analysis, SweatFit, SweatCheck, BleedFit, FrostFit, ThrowFit, ThrowLife,
        WeightLoss, Longevity, Ceiling, Pick, Diagnosis, Precision, NextRound or
        PooledSeries; it is not changed.
    ax : Axes or None, where to draw; None makes a new figure.
    choices : what the picture of that kind of result can be asked for: ``blend`` for an
        analysis or a fit, ``limit_grade`` and ``risk`` for sweat and frost.

    Returns
    -------
    Axes. ``ax.figure.savefig("name.svg")`` keeps the picture.

    Raises
    ------
    TypeError for anything that is not a result with a picture.
    """
    for kind, draw in _DRAW.items():
        if isinstance(result, kind):
            return draw(result, ax=ax, **choices)
    kinds = ", ".join(kind.__name__ for kind in _DRAW)
    raise TypeError(
        f"there is no picture of a {type(result).__name__}; plot takes one of {kinds}"
    )


def plot_tradeoff(analysis, blend=None, ax=None, curve=None):
    """Throw above, sweat risk below, over the tested loads of one blend (default: the pick's).

    ``curve`` is the risk of :func:`sweat_curve`, where it is known already.
    """
    blend = blend or str(analysis.pick.table["blend"].iloc[0])
    _known(blend, analysis.series.blends["blend"])
    ax = _axes(ax, height=6.2)
    ax.set_axis_off()
    upper = ax.inset_axes((0, 0.54, 1, 0.46))
    lower = ax.inset_axes((0, 0, 1, 0.46), sharex=upper)
    marks = _load_marks(analysis, blend)
    graded, smelt = graded_loads(analysis, blend), smelt_loads(analysis, blend)
    if len(smelt):
        _throw_line(upper, analysis.throw, blend, smelt)
    else:
        words = "no fit of throw" if len(analysis.series.throws) else "throw was not scored"
        upper.text(0.5, 0.5, words, transform=upper.transAxes, ha="center")
    if len(graded):
        risk = sweat_curve(analysis, blend) if curve is None else curve
        _risk_line(lower, risk, SWEAT, "--", "sweat risk, 90 % interval")
    lower.axhline(analysis.rules.risk, color=INK, lw=0.9, ls=":", label=_risk_words(analysis))
    every = np.concatenate([graded, smelt])
    for panel, loads in ((upper, smelt), (lower, graded)):
        _tested_region(panel, loads)
        for mark in marks:
            panel.axvline(mark["load"], **mark["line"], zorder=2.5)
        _load_axis(panel, every, [m["load"] for m in marks])
        _plain_frame(panel)
    _pick_points(upper, lower, analysis, blend)
    _throw_axis(upper, _kind(analysis.throw))
    rules = analysis.rules
    stress = STRESS_WORDS[analysis.ceiling.stress]
    _risk_axis(lower, f"sweat grade {rules.limit_grade} or more\nin a new pot, {stress}")
    upper.tick_params(labelbottom=False)
    upper.set_xlabel("")
    _title(ax, f"{blend}: throw and sweat risk")
    _legend_below(lower, [_mark_handle(m) for m in marks], [upper, lower])
    return ax


def plot_sweat(fit, blend=None, ax=None, limit_grade=2, risk=None, stress=None, curve=None):
    """Risk of sweating over load with the pieces that were seen; all blends, or one with band.

    ``curve`` is the risk of the one blend over its tested loads, where it is known already.
    """
    shown = shown_stress(fit, stress)
    counts = fit.counts
    if blend is not None and stress is None:
        ax = _axes(ax)
        _other_stresses(ax, fit, blend, limit_grade, shown)
    stress = shown
    return _plot_graded(
        counts[counts["stress"] == stress], blend, ax, limit_grade, risk,
        f"sweat grade {limit_grade} or more\n{STRESS_WORDS[stress]}",
        lambda b, x: curve if blend and curve is not None else sweat_risk(
            fit, b, x, limit_grade=limit_grade, stress=stress
        ),
    )


def plot_frost(fit, blend=None, ax=None, limit_grade=2, risk=None, age_days=None):
    """Risk of frosting over load with the pieces that were seen; all blends, or one with band."""
    return _plot_graded(
        fit.counts, blend, ax, limit_grade, risk, f"frost grade {limit_grade} or more",
        lambda b, x: frost_risk(fit, b, x, limit_grade=limit_grade, age_days=age_days),
    )


def plot_throw(fit, blend=None, ax=None):
    """Throw over load; for one blend with its band and the assessors' mean scores."""
    blends = _blends_of(fit.points, blend)
    ax = _axes(ax)
    tested = [tested_loads(fit.points, b) for b in blends]
    for name, loads, look in zip(blends, tested, _looks(blends), strict=True):
        _throw_line(ax, fit, name, loads, look, band=blend is not None)
    if blend is not None:
        _assessor_points(ax, fit.points[fit.points["blend"] == blend])
    _finish(ax, tested, [])
    _throw_axis(ax, _kind(fit))
    _title(ax, f"{blend}: {_kind(fit)} throw" if blend else f"{_kind(fit).capitalize()} throw")
    _legend_below(ax, [], [ax])
    return ax


def plot_bleed(fit, blend=None, ax=None):
    """Bleed over load with the pours weighed; for one blend with its band, and where it joins."""
    blends = _blends_of(fit.points, blend)
    ax = _axes(ax)
    tested = [tested_loads(fit.points, b) for b in blends]
    for name, loads, look in zip(blends, tested, _looks(blends), strict=True):
        hue, line, marker = (SWEAT, "--", "o") if blend else look
        frame = bleed_curve(fit, name, grid(loads))
        words = f"bleed, {100 * fit.confidence:.0f} % interval" if blend else name
        ax.plot(frame["load_pct"], frame["bleed_mg"], ls=line, color=hue, lw=2, label=words)
        if blend:
            ax.fill_between(
                frame["load_pct"], frame["lower"], frame["upper"], color=hue, alpha=0.18, lw=0
            )
        own = fit.points[fit.points["blend"] == name]
        ax.plot(
            own["load_pct"], own["bleed_mg"], ls="", marker=marker, mfc="white", mec=hue, mew=1.4,
            ms=6, zorder=4, label="mean of a pour" if blend else None,
        )
        if not blend:
            ax.lines[-2].set(marker=marker, markevery=[], mfc="white", mew=1.4)
    _finish(ax, tested, [])
    bottom, top = ax.get_ylim()
    gap = 0.06 * (top - bottom)
    ax.set_ylim(min(bottom, 0.0) - gap * (1 + len(blends)), top)
    for i, (name, loads, look) in enumerate(zip(blends, tested, _looks(blends), strict=True)):
        _join_mark(ax, fit, name, loads, ax.get_ylim()[0] + gap * (i + 1), SWEAT if blend
                   else look[0], blend is not None)
    ax.set_ylabel(_bleed_words(fit), fontsize=9, color=INK)
    _title(ax, f"{blend}: bleed" if blend else "Bleed")
    _legend_below(ax, [], [ax])
    return ax


def plot_throw_life(fit, blend=None, ax=None):
    """Throw over hours on the warmer; for one blend with its band, scores, and when half is left.

    A blend that was tested at several loads has a curve for each.
    """
    arms = _arms(fit, blend)
    ax, band = _axes(ax), len(arms) == 1
    for arm, look in zip(arms, _arm_looks(arms, THROW), strict=True):
        hours = np.linspace(arm["first_h"], arm["longest_h"], STEPS)
        frame = life_curve(fit, arm["blend"], hours, arm["load_pct"])
        _over_time_line(ax, frame, "throw", look, arm, "throw, 90 % interval", band)
    if band:
        _half_mark(ax, fit, arms[0])
        _assessor_checks(ax, _of_arm(fit.points, arms[0]))
    _hours_axis(ax, fit.points["hours"] if blend is None else _points_of(fit, arms)["hours"])
    _throw_axis(ax, "warm")
    _plain_frame(ax)
    _warmer_title(ax, "throw on the warmer", blend, arms)
    _legend_below(ax, [], [ax])
    return ax


def plot_weight_loss(fit, blend=None, ax=None):
    """Weight lost over hours on the warmer; for one blend with its band and the weighings.

    Where one load is shown, the right side tells the share of the fragrance in the piece.
    """
    arms = _arms(fit, blend)
    ax, band = _axes(ax), len(arms) == 1
    for arm, look in zip(arms, _arm_looks(arms, SWEAT), strict=True):
        frame = loss_curve(
            fit, arm["blend"], np.linspace(0.0, arm["longest_h"], STEPS), arm["load_pct"]
        )
        _over_time_line(ax, frame, "loss_g", look, arm, "weight lost, 90 % interval", band)
        own = _of_arm(fit.points, arm)
        ax.plot(
            own["hours"], own["loss_g"], ls="", marker=look[2], mfc="white", mec=look[0], mew=1.2,
            ms=5, zorder=4, label="one weighing" if band else None,
        )
    ax.set_ylim(min(0.0, ax.get_ylim()[0]), None)
    _hours_axis(ax, _points_of(fit, arms)["hours"])
    _plain_frame(ax)
    ax.set_ylabel("weight lost, g", fontsize=9, color=INK)
    if band:
        _share_axis(ax, arms[0]["fragrance_g"])
    _warmer_title(ax, "weight lost on the warmer", blend, arms)
    _legend_below(ax, [], [ax])
    return ax


def plot_longevity(result, blend=None, ax=None):
    """Throw over hours on the warmer, or the weight lost where no throw was scored."""
    if result.throw_life is not None:
        return plot_throw_life(result.throw_life, blend, ax)
    return plot_weight_loss(result.weight_loss, blend, ax)


def plot_ceiling(ceiling, ax=None):
    """Per blend: load at risk with its interval, the ceiling, and the tested loads."""
    table = ceiling.table.reset_index(drop=True)
    ax = _axes(ax, height=1.9 + 0.55 * len(table))
    for y, row in table.iterrows():
        if not _finite(row["lowest_tested_pct"]):
            continue
        _tested_bar(ax, y, row["lowest_tested_pct"], row["highest_tested_pct"])
        _interval(ax, y, row)
        if np.isfinite(row["ceiling_load_pct"]):
            ax.plot(row["ceiling_load_pct"], y, "^", color=SWEAT, ms=9, zorder=4)
        else:
            _say_at(ax, y, row, row["state"])
    _blend_axis(ax, table["blend"])
    _load_axis(ax, table[["lowest_tested_pct", "highest_tested_pct"]].to_numpy().ravel())
    _title(ax, "Ceiling of each blend")
    handles = [
        Line2D([], [], color=SWEAT, marker="^", ls="", ms=9, label="ceiling"),
        Line2D([], [], color=INK, marker="|", lw=1.4,
               label="load at the limit risk, 90 % interval"),
        Patch(color=TESTED, ec=QUIET, label="tested loads"),
    ]
    _legend_below(ax, handles, [])
    return ax


def plot_pick(pick, ax=None):
    """Per blend, best first: the load chosen beside its ceiling, its limit and the tested loads."""
    table = pick.table.reset_index(drop=True)
    ax = _axes(ax, height=1.9 + 0.55 * len(table))
    for y, row in table.iterrows():
        loads = tested_loads(pick.tradeoff, row["blend"])
        if not len(loads):
            continue
        _tested_bar(ax, y, loads.min(), loads.max())
        ax.plot(row["limit_load_pct"], y, "|", color=INK, ms=18, mew=2)
        ax.plot(row["ceiling_load_pct"], y, "^", color=SWEAT, ms=9, zorder=4)
        ax.plot(row["load_pct"], y, "D", color=THROW, ms=7, zorder=5)
        if not np.isfinite(row["load_pct"]):
            _say_at(ax, y, {"lowest_tested_pct": loads.min()}, "no load qualifies")
    _blend_axis(ax, table["blend"])
    _load_axis(ax, pick.tradeoff["load_pct"].to_numpy())
    picked = table["load_pct"].notna().any()
    _title(ax, "The load picked for each blend, best first" if picked else "No load is picked")
    handles = [
        Line2D([], [], color=THROW, marker="D", ls="", ms=7, label="pick"),
        Line2D([], [], color=SWEAT, marker="^", ls="", ms=9, label="ceiling"),
        Line2D([], [], color=INK, marker="|", ls="", ms=12, mew=2, label="wax maker's limit"),
        Patch(color=TESTED, ec=QUIET, label="tested loads"),
    ]
    _legend_below(ax, handles, [], columns=2)
    return ax


def plot_check(check, ax=None):
    """Mean grade seen in each pour against what the fit expects, with its 90 % range."""
    ax = _axes(ax, height=5.4)
    pours, pots = check.pours, list(check.pots["pot"])
    hues = dict(zip(dict.fromkeys(check.pots["blend"]), (h for h, _, _ in LOOKS), strict=False))
    ax.plot([0, 4], [0, 4], color=QUIET, lw=0.9, ls=":", zorder=1, label="seen as expected")
    ax.vlines(
        pours["expected"], pours["lower"], pours["upper"], color="#D5D9DC", lw=4, zorder=1,
        label="90 % range for a pour of a new pot",
    )
    for i, row in enumerate(check.pots.itertuples()):
        own = pours[pours["pot"] == row.pot]
        ax.plot(
            own["expected"], own["seen"], ls="", ms=6, mfc="white", mew=1.3, zorder=3,
            mec=hues.get(row.blend, INK), marker=ASSESSOR_MARKERS[i % len(ASSESSOR_MARKERS)],
            label=f"pot {row.pot}{', odd' if row.odd else ''} ({row.blend})",
        )
    _odd_labels(ax, check)
    ax.set(xlim=(-0.15, 4.15), ylim=(-0.15, 4.3), xticks=range(5), yticks=range(5))
    ax.set_xlabel("mean sweat grade expected (0 dry to 4 pooled)", fontsize=9, color=INK)
    ax.set_ylabel("mean sweat grade seen\nin a pour", fontsize=9, color=INK)
    ax.tick_params(labelsize=8.5, colors=INK)
    _plain_frame(ax)
    _title(ax, "Sweat seen and expected")
    _legend_below(ax, [], [ax], columns=2 if len(pots) > 6 else 1)
    return ax


def _odd_labels(ax, check):
    """Name the pours outside their range and, of an odd pot, the pour that is furthest off."""
    pours = check.pours.assign(off=(check.pours["seen"] - check.pours["expected"]).abs())
    named = {i: row["pour"] for i, row in pours[pours["odd"]].iterrows()}
    for pot in check.pots.loc[check.pots["odd"], "pot"]:
        furthest = pours.loc[pours["pot"] == pot, "off"].idxmax()
        named[furthest] = f"{pours.at[furthest, 'pour']} (odd pot {pot})"
    for i, words in named.items():
        right = pours.at[i, "expected"] > 2.5
        ax.annotate(
            words, (pours.at[i, "expected"], pours.at[i, "seen"]), fontsize=8, color=INK,
            xytext=(-6 if right else 6, 4), textcoords="offset points", zorder=5,
            ha="right" if right else "left",
        )


def plot_diagnosis(diagnosis, ax=None):
    """How far the ceiling of its blend moves when a pot is left out, pot by pot."""
    table = diagnosis.table.sort_values(["blend", "pot"]).reset_index(drop=True)
    ax = _axes(ax, height=1.9 + 0.42 * len(table))
    reach = table["change_pct"].abs() + ERRORS * table["error_pct"]
    span = max(reach.max(), 1.0) if reach.notna().any() else 1.0
    ax.axvline(0, color=INK, lw=0.9)
    for y, row in table.iterrows():
        change = row["change_pct"]
        if not _finite(change):
            found = _finite(row["ceiling_load_pct"])
            words = "a load qualifies only without it" if found else "no load to compare"
            ax.text(0.03 * span, y, words, fontsize=8, color=INK, va="center")
            continue
        color, error = SWEAT if row["hangs"] else QUIET, ERRORS * row["error_pct"]
        ax.plot([change - error, change + error], [y, y], color=color, lw=1.6, zorder=2)
        ax.plot(change, y, "^" if row["hangs"] else "o", color=color, ms=7, zorder=3)
    _blend_axis(ax, [f"{row.pot}, {row.blend}" for row in table.itertuples()])
    ax.set_xlim(-1.15 * span, 1.15 * span)
    ax.tick_params(labelsize=8.5, colors=INK)
    ax.set_xlabel(
        "change of the ceiling without the pot,\npoints of load (% of wax)", fontsize=9, color=INK
    )
    _title(ax, "Ceilings without each pot")
    handles = [
        Line2D([], [], color=SWEAT, marker="^", lw=1.6, ms=7,
               label=f"higher by more than {TELLING:g} points: the pot holds it down"),
        Line2D([], [], color=QUIET, marker="o", lw=1.6, ms=7, label="lower, or about the same"),
    ]
    _legend_below(ax, handles, [])
    return ax


def plot_series(analyses, names, ax=None):
    """Series by series and blend by blend: tested loads, load at the limit risk, ceiling, pick."""
    rows = [
        (f"{number}: {row['blend']}", row, _row(a.ceiling.table, row["blend"]))
        for number, a in enumerate(analyses, start=1)
        for row in a.pick.table.to_dict("records")
    ]
    ax = _axes(ax, height=2.2 + 0.45 * len(rows))
    loads = []
    for y, (_, pick, ceiling) in enumerate(rows):
        if not _finite(ceiling["lowest_tested_pct"]):
            continue
        loads += [ceiling["lowest_tested_pct"], ceiling["highest_tested_pct"]]
        _tested_bar(ax, y, *loads[-2:])
        _interval(ax, y, ceiling)
        ax.plot(pick["ceiling_load_pct"], y, "^", color=SWEAT, ms=8, zorder=4)
        ax.plot(pick["load_pct"], y, "D", color=THROW, ms=6, zorder=5)
    _blend_axis(ax, [words for words, _, _ in rows])
    _load_axis(ax, loads)
    _title(ax, "Picks and ceilings of the series")
    handles = [
        Line2D([], [], color=THROW, marker="D", ls="", ms=6, label="pick"),
        Line2D([], [], color=SWEAT, marker="^", ls="", ms=8, label="ceiling"),
        Line2D([], [], color=INK, marker="|", lw=1.4,
               label="load at the limit risk, 90 % interval"),
        Patch(color=TESTED, ec=QUIET, label="tested loads"),
        *(Line2D([], [], ls="", label=f"{i}: {_short(n)}") for i, n in enumerate(names, start=1)),
    ]
    _legend_below(ax, handles, [])
    return ax


def plot_lots(pooled, ax=None):
    """Blend by blend and series by series: ceiling and interval, alone above and pooled below."""
    table, tested = pooled.table, pooled.ceiling.table
    ax = _axes(ax, height=2.4 + 0.48 * len(table))
    loads = tested[["lowest_tested_pct", "highest_tested_pct"]].to_numpy(dtype=float)
    for y, (row, (low, high)) in enumerate(zip(table.to_dict("records"), loads, strict=True)):
        _tested_bar(ax, y, low, high)
        for name, rise, hue, line, fill in (
            ("own", -0.15, QUIET, "--", "white"), ("pooled", 0.15, SWEAT, "-", SWEAT)
        ):
            ends = np.clip([row[f"{name}_lower_pct"], row[f"{name}_upper_pct"]], low, high)
            if ends[0] < ends[1]:
                ax.plot(ends, [y + rise] * 2, color=hue, ls=line, lw=1.8, zorder=3)
            ax.plot(row[f"{name}_ceiling_pct"], y + rise, "^", color=hue, mfc=fill, mew=1.4,
                    ms=8, zorder=4)
    _blend_axis(ax, [f"{row.series}: {row.blend}" for row in table.itertuples()])
    _load_axis(ax, loads.ravel())
    _title(ax, "Ceilings of the series alone and pooled")
    handles = [
        Line2D([], [], color=QUIET, ls="--", marker="^", mfc="white", mew=1.4, lw=1.8, ms=8,
               label="series alone: ceiling, and 90 % interval\nof the load at the limit risk"),
        Line2D([], [], color=SWEAT, ls="-", marker="^", lw=1.8, ms=8,
               label="pooled: the same"),
        Patch(color=TESTED, ec=QUIET, label="tested loads"),
    ]
    _legend_below(ax, handles, [])
    return ax


def _chance_words(precision, measure, blend):
    """A chance with its exact 90 % limits."""
    lower, upper = precision.limits(measure, blend)
    share = precision.of(measure, blend)[0]
    return f"{100 * share:.0f} ({100 * lower:.0f} to {100 * upper:.0f}) %"


def plot_precision(precision, ax=None):
    """Per blend: the true load at risk under the guess and where the ceiling would be found."""
    table = precision.truth
    ax = _axes(ax, height=2.2 + 0.62 * len(table))
    reach = []
    for y, (blend, true) in enumerate(table.itertuples(index=False)):
        ax.plot(true, y, "|", color=INK, ms=20, mew=2, zorder=3)
        (short, _), (spread, _) = (precision.of(m, blend) for m in (SHORTFALL, SPREAD))
        reach += [true, true + 0.5]
        if np.isfinite(short):
            middle, arm = true - short, 1.645 * spread if np.isfinite(spread) else 0.0
            ax.plot([middle - arm, middle + arm], [y, y], color=SWEAT, lw=2.2, zorder=2)
            ax.plot(middle, y, "^", color=SWEAT, ms=9, zorder=4)
            reach += [middle - arm, middle + arm]
    for y, blend in enumerate(table["blend"]):
        over, none = (_chance_words(precision, m, blend) for m in (CEILING_OVER, NO_ANSWER))
        ax.annotate(
            f"too high {over}, no answer {none}",
            (0.0, y + 0.36), xycoords=("axes fraction", "data"), va="center", fontsize=8, color=INK,
        )
    _blend_axis(ax, table["blend"])
    _load_axis(ax, reach)
    _title(ax, f"Where the ceiling would be found ({precision.series} simulated series)")
    handles = [
        Line2D([], [], color=SWEAT, marker="^", lw=2.2, ms=9, label="ceiling, mean and 90 % range"),
        Line2D([], [], color=INK, marker="|", ls="", ms=12, mew=2,
               label="true load at the limit risk, as guessed"),
    ]
    _legend_below(ax, handles, [])
    return ax


def plot_next_round(found, ax=None):
    """Per blend: the loads of the next round, one mark a pour, pots side by side."""
    blends = list(dict.fromkeys([*found.gain["blend"], *found.table["blend"]]))
    ax = _axes(ax, height=2.2 + 0.75 * len(blends))
    stacked, loads = {}, []
    for row in found.table.itertuples():
        y = blends.index(row.blend)
        rise = max((stacked.get((y, x), 0) for x in row.loads_pct), default=0)
        heights = [y + 0.22 - 0.1 * rise] * len(row.loads_pct)
        ax.plot(row.loads_pct, heights, "-o", color=THROW, ms=5, lw=1.2, zorder=3)
        stacked |= {(y, x): rise + 1 for x in row.loads_pct}
        loads += row.loads_pct
    for row in found.gain.itertuples():
        ax.annotate(
            f"90 % interval {row.width_now_pct:.1f} to {row.width_after_pct:.1f} points",
            (1.0, blends.index(row.blend) - 0.42), xycoords=("axes fraction", "data"), ha="right",
            va="center", fontsize=8, color=INK,
        )
    _blend_axis(ax, blends)
    ax.grid(axis="x", color="#D5D9DC", lw=0.6, zorder=0.5)
    _load_axis(ax, loads)
    _title(ax, f"The next round: {found.pours} pours from {len(found.table)} new pots")
    joined = any(len(x) > 1 for x in found.table["loads_pct"])
    how = "pours of one pot are joined" if joined else "each from a pot of its own"
    line = "-" if joined else ""
    handle = Line2D([], [], color=THROW, marker="o", ls=line, ms=5, label=f"a pour; {how}")
    _legend_below(ax, [handle], [])
    return ax


def plot_summary(analysis):
    """One wide figure of an analysis: the trade-off of the pick's blend and the picks of all."""
    figure = Figure(figsize=(10.5, 5.6), layout="constrained")
    FigureCanvasAgg(figure)
    left, right = (figure.add_subplot(1, 2, i, axes_class=Panel) for i in (1, 2))
    plot_tradeoff(analysis, ax=left)
    plot_pick(analysis.pick, ax=right)
    return figure


def picture(ax, kind="svg"):
    """The picture that an Axes stands in, as bytes of ``svg`` or ``png``; the same every time."""
    figure = ax.figure.get_figure(root=True)
    out = io.BytesIO()
    # A date and a maker's address would make each file differ and name a web page.
    empty = {"svg": ("Date", "Creator", "Format", "Type"), "png": ("Software",)}[kind]
    with rc_context({"svg.hashsalt": "scentlab"}):
        if kind == "svg":
            _print_svg(figure, out, dict.fromkeys(empty))
        else:
            figure.savefig(out, format=kind, dpi=120, metadata=dict.fromkeys(empty))
    return out.getvalue()


def _print_svg(figure, out, metadata):
    """As ``savefig`` does, but drawn once instead of twice: a report has many pictures."""
    usual, dpi = figure.canvas, figure.dpi
    try:
        FigureCanvasSVG(figure).print_svg(out, metadata=metadata)
    finally:
        figure.dpi = dpi
        figure.set_canvas(usual)


def shown_stress(fit, stress=None):
    """The stress that a sweat curve is drawn for: the one asked for, else the harshest tested."""
    return stress or fit.stresses[-1]


def tested_loads(frame, blend):
    """The loads (% of wax) that were tested with a blend, lowest first."""
    loads = frame.loc[frame["blend"] == blend, "load_pct"].to_numpy(dtype=float)
    return np.unique(loads[np.isfinite(loads)])


def graded_loads(analysis, blend):
    """Loads (% of wax) of a blend with sweat grades under the stress that decides."""
    counts = analysis.sweat.counts
    return tested_loads(counts[counts["stress"] == analysis.ceiling.stress], blend)


def sweat_curve(analysis, blend):
    """Risk of sweat (frame of ``sweat_risk``) over the loads that were graded with a blend."""
    return sweat_risk(
        analysis.believed, blend, grid(graded_loads(analysis, blend)),
        limit_grade=analysis.rules.limit_grade, stress=analysis.ceiling.stress,
    )


def smelt_loads(analysis, blend):
    """Loads (% of wax) of a blend whose throw was scored; none without a throw fit."""
    if analysis.throw is None:
        return np.array([])
    return tested_loads(analysis.throw.points, blend)


def grid(loads):
    """Loads to draw a curve at: from the lowest to the highest that was tested, never beyond.

    >>> grid(np.array([4.0, 12.0]))[[0, -1]].tolist()
    [4.0, 12.0]
    """
    return np.linspace(loads.min(), loads.max(), STEPS)


_DRAW = {
    Analysis: plot_tradeoff,
    SweatFit: plot_sweat,
    SweatCheck: plot_check,
    FrostFit: plot_frost,
    BleedFit: plot_bleed,
    ThrowLife: plot_throw_life,
    WeightLoss: plot_weight_loss,
    Longevity: plot_longevity,
    ThrowFit: plot_throw,
    Ceiling: plot_ceiling,
    Pick: plot_pick,
    Diagnosis: plot_diagnosis,
    Precision: plot_precision,
    NextRound: plot_next_round,
    PooledSeries: plot_lots,
}


# ---- what is drawn ----------------------------------------------------------------------------


def _plot_graded(counts, blend, ax, limit_grade, risk, what, risk_at):
    """The picture shared by sweat and frost: risk curves with the pieces seen."""
    blends = _blends_of(counts, blend)
    ax = _axes(ax)
    tested = [tested_loads(counts, b) for b in blends]
    kind = what.split()[0]
    own = SWEAT if kind == "sweat" else FROST
    for name, loads, look in zip(blends, tested, _looks(blends), strict=True):
        hue, line, marker = (own, "--", "o") if blend else look
        frame = risk_at(name, grid(loads))
        words = "risk, 90 % interval" if blend else name
        _risk_line(ax, frame, hue, line, words, band=blend is not None)
        if blend is None:
            # The points carry the marker; the curve shows it in the legend alone.
            ax.lines[-1].set(marker=marker, markevery=[], mfc="white", mew=1.4)
        seen = counts[counts["blend"] == name]
        _piece_points(ax, seen, limit_grade, hue, marker, label=blend is not None)
    if risk is not None:
        ax.axhline(risk, color=INK, lw=0.9, ls=":", label=f"limit risk {100 * risk:g} %")
    _finish(ax, tested, [])
    _risk_axis(ax, f"risk of {what}")
    words = f"{kind} risk in a new pot"
    _title(ax, f"{blend}: {words}" if blend else words.capitalize())
    _legend_below(ax, [], [ax])
    return ax


def _other_stresses(ax, fit, blend, limit_grade, shown):
    """The milder stresses quietly behind the one that decides."""
    for stress in fit.stresses:
        own = fit.counts[(fit.counts["stress"] == stress) & (fit.counts["blend"] == blend)]
        if stress == shown or own.empty:
            continue
        loads = tested_loads(own, blend)
        frame = sweat_risk(fit, blend, grid(loads), limit_grade=limit_grade, stress=stress)
        words = f"{STRESS_WORDS[stress]}, risk and pours"
        ax.plot(frame["load_pct"], frame["risk"], "-.", color=QUIET, lw=1.1, marker="x",
                markevery=[], label=words)
        over = own[[f"g{k}" for k in range(limit_grade, 5)]].sum(axis=1) / own["n"]
        ax.scatter(own["load_pct"], over, marker="x", s=22, color=QUIET, linewidths=1, zorder=2)


def _risk_line(ax, frame, hue, line, words, band=True):
    ax.plot(frame["load_pct"], frame["risk"], ls=line, color=hue, lw=2, label=words, zorder=3)
    if band:
        ax.fill_between(
            frame["load_pct"], frame["lower"], frame["upper"], color=hue, alpha=0.18, lw=0
        )


def _throw_line(ax, fit, blend, loads, look=None, band=True):
    hue, line, _ = look if look and not band else (THROW, "-", "o")
    frame = throw_curve(fit, blend, grid(loads))
    words = "throw, 90 % interval" if band else blend
    ax.plot(frame["load_pct"], frame["throw"], ls=line, color=hue, lw=2, label=words, zorder=3)
    if band:
        ax.fill_between(
            frame["load_pct"], frame["lower"], frame["upper"], color=hue, alpha=0.18, lw=0
        )


def _join_mark(ax, fit, blend, loads, height, hue, labelled):
    """The join with its interval, cut at the tested loads; an arrow shows a side that is open."""
    row = _row(fit.joins, blend)
    low, high = max(row["lower_pct"], loads.min()), min(row["upper_pct"], loads.max())
    words = "capacity by bleed" + (
        f" {say_open(row['lower_pct'], row['upper_pct'])} % of wax" if labelled else ""
    )
    ax.plot([low, high], [height, height], color=hue, lw=2, solid_capstyle="butt", zorder=3)
    for end, open_, arrow in ((low, row["lower_pct"], "<"), (high, row["upper_pct"], ">")):
        if not np.isfinite(open_):
            ax.plot(end, height, arrow, color=hue, ms=6, zorder=3)
    if loads.min() <= row["join_pct"] <= loads.max():
        ax.plot(row["join_pct"], height, "|", color=hue, ms=11, mew=2, zorder=4)
    if labelled:
        ax.plot([], [], color=hue, lw=2, marker="|", ms=11, mew=2, label=words)


def _arms(fit, blend):
    """The blends and loads to draw, as dicts; those of one blend, or all."""
    _blends_of(fit.arms, blend)
    own = fit.arms if blend is None else fit.arms[fit.arms["blend"] == blend]
    return own.to_dict("records")


def _arm_looks(arms, hue):
    return [(hue, "-", "o")] if len(arms) == 1 else _looks(arms)


def _of_arm(points, arm):
    near = (points["load_pct"] - arm["load_pct"]).abs() <= NEAR_PCT
    return points[(points["blend"] == arm["blend"]) & near]


def _points_of(fit, arms):
    return pd.concat([_of_arm(fit.points, arm) for arm in arms])


def _over_time_line(ax, frame, column, look, arm, words, band):
    hue, line, marker = look
    label = words if band else f"{arm['blend']}, {say_load(arm['load_pct'])}"
    ax.plot(frame["hours"], frame[column], ls=line, color=hue, lw=2, label=label, zorder=3)
    if band:
        ax.fill_between(
            frame["hours"], frame["lower"], frame["upper"], color=hue, alpha=0.18, lw=0
        )
    else:
        ax.lines[-1].set(marker=marker, markevery=[], mfc="white", mew=1.4)


def _half_mark(ax, fit, arm):
    """When half of the first throw is left; an arrow where that lies beyond the hours tested."""
    row = hours_until(fit, arm["blend"], share=HALF, load_pct=arm["load_pct"]).iloc[0]
    low, high = (min(row[c], arm["longest_h"]) for c in ("lower", "upper"))
    ax.plot([low, high], [row["throw"]] * 2, color=INK, lw=2, solid_capstyle="butt", zorder=3.5)
    if not np.isfinite(row["upper"]):
        ax.plot(high, row["throw"], ">", color=INK, ms=6, zorder=3.5)
    if np.isfinite(row["hours"]):
        ax.plot(row["hours"], row["throw"], "|", color=INK, ms=11, mew=2, zorder=4)
    low, middle, high = (_hours_or_beyond(row[c], arm) for c in ("lower", "hours", "upper"))
    words = f"half left: {middle}\n({low} to {high})"
    ax.plot([], [], color=INK, lw=2, marker="|", ms=11, mew=2, label=words)


def _warmer_title(ax, words, blend, arms):
    """What is shown, and at which load where it is one."""
    load = f"\nat {say_load(arms[0]['load_pct'])}" if len(arms) == 1 else ""
    _title(ax, (f"{blend}: {words}" if blend else words.capitalize()) + load)


def _hours_or_beyond(hours, arm):
    return f"{hours:.1f} h" if np.isfinite(hours) else f"over {arm['longest_h']:g} h"


def _assessor_checks(ax, points):
    for i, (assessor, own) in enumerate(points.groupby("assessor", sort=True)):
        mean = own.groupby("hours")["throw"].mean()
        ax.plot(
            mean.index, mean, ls="", marker=ASSESSOR_MARKERS[i % len(ASSESSOR_MARKERS)],
            mfc="white", mec=QUIET, mew=1.1, ms=5, zorder=2.5, label=f"mean of {assessor}",
        )


def _hours_axis(ax, hours):
    """Shade the hours tested and set a tick at each check."""
    checks = np.unique(np.asarray(hours, dtype=float))
    ax.axvspan(checks.min(), checks.max(), color=TESTED, lw=0, zorder=0)
    ax.plot(
        checks, np.zeros(len(checks)), "|", color=QUIET, ms=7, clip_on=False, zorder=2,
        transform=ax.get_xaxis_transform(), label="checks\n(shaded between)",
    )
    pad = 0.04 * max(np.ptp(checks), 1.0)
    ax.set_xlim(checks.min() - pad, checks.max() + pad)
    ax.xaxis.get_major_locator().set_params(nbins=7, integer=bool(np.ptp(checks) > 4))
    ax.set_xlabel("time on the warmer, h", fontsize=9, color=INK)
    ax.tick_params(labelsize=8.5, colors=INK)


def _share_axis(ax, fragrance_g):
    """The same loss as a share of the fragrance in a piece, on the right side."""
    side = ax.secondary_yaxis(
        "right", functions=(lambda g: 100.0 * g / fragrance_g, lambda s: s * fragrance_g / 100.0)
    )
    side.set_ylabel("% of the fragrance in a piece", fontsize=9, color=INK)
    side.tick_params(labelsize=8.5, colors=INK)
    side.spines["right"].set_visible(False)


def _bleed_words(fit):
    time = "" if not _finite(fit.hours) else f" in {fit.hours:g} h"
    place = "" if not _finite(fit.temp_c) else f" at {fit.temp_c:g} °C"
    return f"bleed into the blotter, mg\n{(time + place).strip()}".strip()


def _piece_points(ax, seen, limit_grade, hue, marker, label):
    """Observed share of pieces at or over the limit grade, one point a pour, area by pieces."""
    over = seen[[f"g{k}" for k in range(limit_grade, 5)]].sum(axis=1).to_numpy(dtype=float)
    total = seen["n"].to_numpy(dtype=float)
    load = seen["load_pct"].to_numpy(dtype=float)
    ax.scatter(
        load, over / total, s=14 + 7 * total, marker=marker, facecolors="white",
        edgecolors=hue, linewidths=1.4, zorder=4,
        label="pours: pieces over / pieces looked at" if label else None,
    )
    if label:
        _count_labels(ax, load, over, total)


def _count_labels(ax, load, over, total):
    """The counts beside the points, pours at the same place under one label."""
    span = max(np.ptp(load), 1.0)
    places = {}
    for x, k, n in zip(load, over, total, strict=True):
        places.setdefault((round(12 * x / span), round(k / n, 2)), []).append((x, k, n))
    for pours in places.values():
        x, share = np.mean([p[0] for p in pours]), pours[0][1] / pours[0][2]
        words = ", ".join(f"{k:.0f}/{n:.0f}" for _, k, n in pours)
        if len(pours) > 1 and len({p[1:] for p in pours}) == 1:
            words = f"{len(pours)}× {pours[0][1]:.0f}/{pours[0][2]:.0f}"
        ax.annotate(
            words, (x, share), xytext=(0, 7), textcoords="offset points",
            ha="center", va="bottom", fontsize=7.5, color=INK, zorder=5,
        )


def _assessor_points(ax, points):
    for i, (assessor, own) in enumerate(points.groupby("assessor", sort=True)):
        ax.plot(
            own["load_pct"], own["throw"], ls="", mfc="none", mec=QUIET, mew=1, ms=5.5,
            marker=ASSESSOR_MARKERS[i % len(ASSESSOR_MARKERS)], label=f"mean of {assessor}",
        )


def _load_marks(analysis, blend):
    """The loads that bound the choice, as vertical lines: ceiling, wax maker's limit, pick."""
    row = _row(analysis.pick.table, blend)
    ceiling = _row(analysis.ceiling.table, blend)["ceiling_load_pct"]
    limit = _row(analysis.series.blends, blend)["limit_load_pct"]
    marks = [
        ("pick", row["load_pct"], {"color": THROW, "ls": "-", "lw": 1.6}),
        ("ceiling", ceiling, {"color": SWEAT, "ls": (0, (6, 2)), "lw": 1.4}),
        ("wax maker's limit", limit, {"color": INK, "ls": "-.", "lw": 1.2}),
    ]
    tested = tested_loads(analysis.series.pours, blend)
    # A pour is weighed to a few hundredths of a point, so a pick may lie that much outside.
    return [
        {"words": words, "load": float(load), "line": line}
        for words, load, line in marks
        if _finite(load) and tested.min() - 0.06 <= load <= tested.max() + 0.06
    ]


def _pick_points(upper, lower, analysis, blend):
    """Diamonds on both curves at the pick, at the numbers of the pick's own table."""
    row = _row(analysis.pick.table, blend)
    for panel, name in ((upper, "throw"), (lower, "sweat_risk")):
        if _finite(row["load_pct"]) and _finite(row[name]):
            panel.plot(row["load_pct"], row[name], "D", color=THROW, mec="white", ms=8, zorder=6)


# ---- frames, axes, words ----------------------------------------------------------------------


def _axes(ax, height=4.2):
    if ax is not None:
        return ax
    figure = Figure(figsize=(4.8, height), layout=_OnePass())
    FigureCanvasAgg(figure)
    return figure.add_subplot(axes_class=Panel)


def _finish(ax, tested, marks):
    together = np.concatenate(tested)
    _tested_region(ax, together)
    _load_axis(ax, together, marks)
    _plain_frame(ax)


def _tested_region(ax, loads):
    """Shade what was tested and set a tick at each tested load."""
    if not len(loads):
        return
    ax.axvspan(loads.min(), loads.max(), color=TESTED, lw=0, zorder=0)
    ax.plot(
        loads, np.zeros(len(loads)), "|", color=QUIET, ms=7, clip_on=False, zorder=2,
        transform=ax.get_xaxis_transform(), label="loads tested (shaded between)",
    )


def _load_axis(ax, loads, extra=()):
    low, high = np.nanmin([*loads, *extra]), np.nanmax([*loads, *extra])
    pad = 0.04 * max(high - low, 1.0)
    ax.set_xlim(low - pad, high + pad)
    ax.xaxis.set_major_formatter(
        FuncFormatter(lambda x, _: f"{x:g}\n({content_from_load(x):.1f})" if x >= 0 else "")
    )
    ax.xaxis.get_major_locator().set_params(nbins=7, min_n_ticks=3)
    ax.set_xlabel(LOAD_AXIS, fontsize=9, color=INK)
    ax.tick_params(labelsize=8.5, colors=INK)


def _throw_axis(ax, kind):
    ax.set_ylim(0, 10)
    ax.set_yticks(range(0, 11, 2))
    ax.set_ylabel(f"{kind} throw, 0 to 10\n(10 is overpowering)", fontsize=9, color=INK)


def _risk_axis(ax, words):
    """Shares on a square-root scale, so that a limit of a few per cent can be read."""
    ax.set_yscale("function", functions=(_signed_root, _signed_square))
    ax.set_ylim(-0.0006, 1.15)
    ax.set_yticks(RISK_TICKS, [f"{100 * t:g} %" for t in RISK_TICKS])
    ax.minorticks_off()
    ax.set_ylabel(words, fontsize=9, color=INK)


def _signed_root(values):
    return np.sign(values) * np.sqrt(np.abs(values))


def _signed_square(values):
    return np.sign(values) * np.square(values)


def _plain_frame(ax):
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", color="#D5D9DC", lw=0.6, zorder=0.5)
    ax.set_axisbelow(True)


def _blend_axis(ax, blends):
    ax.set_yticks(range(len(blends)), [_wrapped(b) for b in blends])
    ax.set_ylim(len(blends) - 0.5, -0.5)
    ax.spines[["top", "right", "left"]].set_visible(False)
    ax.tick_params(axis="y", length=0)


def _tested_bar(ax, y, low, high):
    ax.barh(y, high - low, left=low, height=0.62, color=TESTED, ec=QUIET, lw=0.6, zorder=1)


def _interval(ax, y, row):
    """The load at the limit risk, cut at the tested loads: beyond them nothing is claimed."""
    low = np.nanmax([row["load_at_risk_lower_pct"], row["lowest_tested_pct"]])
    high = np.nanmin([row["load_at_risk_upper_pct"], row["highest_tested_pct"]])
    if low < high:
        ax.plot([low, high], [y, y], color=INK, lw=1.4, zorder=3)
    inside = row["lowest_tested_pct"] <= row["load_at_risk_pct"] <= row["highest_tested_pct"]
    if inside:
        ax.plot(row["load_at_risk_pct"], y, "|", color=INK, ms=11, mew=2, zorder=3)


def _say_at(ax, y, row, words):
    ax.text(
        row["lowest_tested_pct"], y + 0.28, f" {words}", fontsize=8, color=INK, va="bottom",
    )


def _title(ax, words):
    # A place of its own: else every tick is measured again to look for labels under the title.
    ax.set_title(words, fontsize=10.5, color=INK, loc="left", wrap=True, y=1.0)


def _legend_below(ax, handles, panels, columns=1):
    """One legend under the picture, marks first: labels beside lines collide at phone width."""
    names = {h.get_label() for h in handles}
    for panel in panels:
        for handle, label in zip(*panel.get_legend_handles_labels(), strict=True):
            if label not in names:
                names.add(label)
                handles = [*handles, handle]
    assessors = [h for h in handles if h.get_label().startswith("mean of ")]
    columns = 2 if len(assessors) > 2 or columns == 2 else 1
    # Beside another column a long label would leave the picture.
    words = [h.get_label() if columns == 1 else _in_lines(h.get_label()) for h in handles]
    under_the_labels = ax.transAxes + ScaledTranslation(
        0, -56 / 72, ax.figure.get_figure(root=True).dpi_scale_trans
    )
    ax.legend(
        handles, words, loc="upper left", bbox_to_anchor=(0, 0), bbox_transform=under_the_labels,
        ncols=columns, fontsize=8.5, frameon=False, labelcolor=INK, borderaxespad=0,
        handlelength=2.6,
    )


def _in_lines(label, width=24):
    """A long label on several lines, broken before what stands in brackets if there is any."""
    if len(label) > width:
        label = label.replace(" (", "\n(")
    return "\n".join(textwrap.fill(line, width) for line in label.split("\n"))


def _mark_handle(mark):
    marker = "D" if mark["words"] == "pick" else ""
    return Line2D(
        [], [], marker=marker, ms=7, **mark["line"],
        label=f"{mark['words']} {say_load(mark['load'])}",
    )


def _risk_words(analysis):
    return f"limit risk {100 * analysis.rules.risk:g} %"


def _kind(fit):
    return getattr(fit, "kind", "warm") or "warm"


def _looks(blends):
    return [LOOKS[i % len(LOOKS)] for i in range(len(blends))]


def _blends_of(frame, blend):
    names = list(dict.fromkeys(frame["blend"]))
    if blend is None:
        return names
    _known(blend, names)
    return [blend]


def _known(blend, names):
    if blend not in list(names):
        raise ValueError(
            f"blend {blend!r} is not in this result; it has {', '.join(map(str, names))}"
        )


def _row(table, blend):
    return table.loc[table["blend"] == blend].iloc[0]


def _finite(value):
    return value is not None and np.isfinite(float(value))


def _short(name, most=48):
    return name if len(name) <= most else name[: most - 1] + "…"


def _wrapped(name, width=14):
    """A blend's name on lines short enough for the side of a small picture."""
    return "\n".join(textwrap.wrap(str(name), width)[:3])
