"""What all pictures share: one look, curves with bands, rows of marks, axes, legends.

Both load bases appear at every load axis, a curve is drawn only between the lowest and the highest
load tested with its blend, and what matters differs in line style and marker as well as in hue.
Figures are made without pyplot: nothing stays open and no setting of the caller is touched.
"""

import io
import textwrap

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from matplotlib.transforms import ScaledTranslation

from scentlab.units import content_from_load

# Hues of the palette by Okabe and Ito (2008), told apart with every common colour vision, in an
# order in which neighbours also differ in grey.
THROW, SWEAT, FROST = "#0072B2", "#B24700", "#7A4988"
INK, QUIET, TESTED, RULED = "#1A1A1A", "#5F5F5F", "#EEF1F3", "#D5D9DC"
LOOKS = (
    ("#0072B2", "-", "o"),
    ("#B24700", "--", "s"),
    ("#00785A", "-.", "^"),
    ("#7A4988", ":", "D"),
    ("#56B4E9", (0, (5, 1, 1, 1, 1, 1)), "v"),
    ("#1A1A1A", (0, (1, 1)), "P"),
)
MARKERS = "os^Dv<>Pp*hXd8H"
STEPS = 41
LOAD_AXIS = "load, % of wax\n(content, % of total)"
RISK_TICKS = (0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 1)


class Panel(Axes):
    """Axes that a notebook shows as their picture when they are the last value of a cell."""

    def _repr_png_(self):
        return picture(self, "png")


def new_axes(ax=None, height=4.2):
    """The Axes given, or those of a new figure of that height in inches."""
    if ax is not None:
        return ax
    figure = Figure(figsize=(4.8, height), dpi=120)
    FigureCanvasAgg(figure)
    return figure.add_subplot(axes_class=Panel)


def picture(ax, kind="svg"):
    """The picture of an Axes as bytes of ``svg`` or ``png``; the same every time."""
    out = io.BytesIO()
    # A date and a maker's address would make each file differ and name a web page.
    empty = {"svg": ("Date", "Creator", "Format", "Type"), "png": ("Software",)}[kind]
    with rc_context({"svg.hashsalt": "scentlab"}):
        ax.figure.get_figure(root=True).savefig(
            out, format=kind, metadata=dict.fromkeys(empty), bbox_inches="tight", pad_inches=0.05
        )
    return out.getvalue()


# ---- blends and loads --------------------------------------------------------------------------


def tested_loads(frame, blend):
    """The loads (% of wax) that were tested with a blend, lowest first."""
    loads = frame.loc[frame["blend"] == blend, "load_pct"].to_numpy(dtype=float)
    return np.unique(loads[np.isfinite(loads)])


def grid(loads):
    """Loads to draw a curve at: from the lowest to the highest that was tested, never beyond.

    >>> grid(np.array([4.0, 12.0]))[[0, -1]].tolist()
    [4.0, 12.0]
    """
    return np.linspace(loads.min(), loads.max(), STEPS)


def blends_of(frame, blend):
    """The one blend asked for, or all of a frame; ValueError for one that is not there."""
    names = list(dict.fromkeys(frame["blend"]))
    if blend is None or blend in names:
        return names if blend is None else [blend]
    raise ValueError(
        f"blend {blend!r} is not in this result; it has {', '.join(map(str, names))}"
    )


def row_of(table, blend):
    return table.loc[table["blend"] == blend].iloc[0]


def is_number(value):
    return value is not None and np.isfinite(float(value))


def short(name, most=48):
    return name if len(name) <= most else f"{name[: most - 1]}…"


def looks(names):
    return [LOOKS[i % len(LOOKS)] for i in range(len(names))]


# ---- curves, points, rows ----------------------------------------------------------------------


def curve(ax, frame, x, y, look, label, banded):
    """A fitted curve, with its 90 % band, or with its marker in the legend where points follow."""
    hue, line, marker = look
    ax.plot(frame[x], frame[y], ls=line, color=hue, lw=2, label=label, zorder=3)
    if banded:
        ax.fill_between(frame[x], frame["lower"], frame["upper"], color=hue, alpha=0.18, lw=0)
    else:
        ax.lines[-1].set(marker=marker, markevery=[], mfc="white", mew=1.4)


def points(ax, x, y, look, label=None, size=6):
    """What was seen: open marks without a line."""
    hue, _, marker = look
    ax.plot(x, y, ls="", marker=marker, mfc="white", mec=hue, mew=1.3, ms=size, zorder=4,
            label=label)


def testers(ax, means, x):
    """The mean scores of each tester, a marker to each."""
    for i, (code, own) in enumerate(means.groupby("assessor", sort=True)):
        look = QUIET, "", MARKERS[i % len(MARKERS)]
        points(ax, own[x], own["throw"], look, f"mean of {code}", 5)


def open_interval(ax, low, high, ends, height, hue, label):
    """A level bar, cut at what was tested; an arrow shows a side that is open."""
    ax.plot([low, high], [height] * 2, color=hue, lw=2, solid_capstyle="butt", zorder=3.5)
    for place, end, arrow in zip((low, high), ends, "<>", strict=True):
        if not np.isfinite(end):
            ax.plot(place, height, arrow, color=hue, ms=6, zorder=3.5)
    ax.plot([], [], color=hue, lw=2, marker="|", ms=11, mew=2, label=label)


def rows(ax, names, tested=None, spans=(), marks=(), each=0.5):
    """A row for each name: what was tested as a bar, intervals as lines, loads as marks.

    ``spans`` are (label, lower, upper, style), ``marks`` (label, load, marker, style), with an
    entry a row in each column and ``rise`` in a style to move it off the middle of its row.
    """
    ax = new_axes(ax, height=2.1 + each * len(names))
    y = np.arange(len(names))
    if tested is not None:
        low, high = np.asarray(tested, dtype=float)
        ax.barh(y, high - low, left=low, height=0.62, color=TESTED, ec=QUIET, lw=0.6, zorder=1,
                label="tested loads")
    for label, low, high, style in spans:
        style = {"color": INK, "lw": 1.6} | style
        low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
        there, place = low < high, y + style.pop("rise", 0.0)
        ax.hlines(place[there], low[there], high[there], label=label, zorder=3, **style)
    for label, load, marker, style in marks:
        style = {"color": INK, "ms": 9} | style
        place = y + style.pop("rise", 0.0)
        ax.plot(np.asarray(load, dtype=float), place, marker, label=label, zorder=4, **style)
    name_rows(ax, names)
    return ax


def name_rows(ax, names):
    """The name of each row at the side, on lines short enough for a small picture."""
    ax.set_yticks(range(len(names)), ["\n".join(textwrap.wrap(str(n), 14)[:3]) for n in names])
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.spines[["top", "right", "left"]].set_visible(False)
    ax.tick_params(axis="y", length=0)
    ax.in_rows = [str(n) for n in names]


def say_in_rows(ax, words, x, rise=0.0):
    """Words in the rows that have any, beginning at ``x``."""
    for y, said in enumerate(words):
        if said:
            ax.text(x, y + rise, said, fontsize=8, color=INK, va="center", zorder=5)


# ---- axes and legends --------------------------------------------------------------------------


def shade(ax, loads):
    """Shade what was tested, set a tick at each tested load, and both bases at the axis."""
    if len(loads):
        mark_places(ax, loads, "loads tested (shaded between)")
        load_axis(ax, loads)
    plain_frame(ax)


def mark_places(ax, places, label):
    ax.axvspan(min(places), max(places), color=TESTED, lw=0, zorder=0)
    ax.plot(
        places, np.zeros(len(places)), "|", color=QUIET, ms=7, clip_on=False, zorder=2,
        transform=ax.get_xaxis_transform(), label=label,
    )


def load_axis(ax, loads):
    low, high = np.nanmin(loads), np.nanmax(loads)
    pad = 0.04 * max(high - low, 1.0)
    ax.set_xlim(low - pad, high + pad)
    ax.xaxis.set_major_formatter(
        FuncFormatter(lambda x, _: f"{x:g}\n({content_from_load(x):.1f})" if x >= 0 else "")
    )
    ax.xaxis.get_major_locator().set_params(nbins=7, min_n_ticks=3)
    label(ax, LOAD_AXIS)


def throw_axis(ax, kind):
    ax.set_ylim(0, 10)
    ax.set_yticks(range(0, 11, 2))
    label(ax, y=f"{kind} throw, 0 to 10\n(10 is overpowering)")


def risk_axis(ax, words):
    """Shares on a square-root scale, so that a limit of a few per cent can be read."""
    ax.set_yscale("function", functions=(
        lambda v: np.sign(v) * np.sqrt(np.abs(v)), lambda v: np.sign(v) * np.square(v)))
    ax.set_ylim(-0.0006, 1.15)
    ax.set_yticks(RISK_TICKS, [f"{100 * t:g} %" for t in RISK_TICKS])
    ax.minorticks_off()
    label(ax, y=words)


def label(ax, x=None, y=None):
    """Name the axes, with the size of their figures."""
    if x is not None:
        ax.set_xlabel(x, fontsize=9, color=INK)
    if y is not None:
        ax.set_ylabel(y, fontsize=9, color=INK)
    ax.tick_params(labelsize=8.5, colors=INK)


def plain_frame(ax):
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", color=RULED, lw=0.6, zorder=0.5)
    ax.set_axisbelow(True)


def finish(ax, title, panels=None, handles=(), columns=1):
    """Title above, and one legend below: labels beside lines collide at phone width."""
    # A place of its own: else every tick is measured again to look for labels under the title.
    ax.set_title(title, fontsize=10.5, color=INK, loc="left", wrap=True, y=1.0)
    named = {h.get_label(): h for h in handles}
    for panel in panels or [ax]:
        for handle, words in zip(*panel.get_legend_handles_labels(), strict=True):
            named.setdefault(words, handle)
    if sum(words.startswith("mean of ") for words in named) > 2:
        columns = 2
    # Beside another column a long label would leave the picture.
    words = list(named) if columns == 1 else [_in_lines(w) for w in named]
    under_the_labels = ax.transAxes + ScaledTranslation(
        0, -56 / 72, ax.figure.get_figure(root=True).dpi_scale_trans
    )
    ax.legend(
        list(named.values()), words, loc="upper left", bbox_to_anchor=(0, 0), ncols=columns,
        bbox_transform=under_the_labels, fontsize=8.5, frameon=False, labelcolor=INK,
        borderaxespad=0, handlelength=2.6,
    )
    return ax


def _in_lines(words, width=24):
    """A long label on several lines, broken before what is in brackets if there is any."""
    words = words.replace(" (", "\n(") if len(words) > width else words
    return "\n".join(textwrap.fill(line, width) for line in words.split("\n"))
