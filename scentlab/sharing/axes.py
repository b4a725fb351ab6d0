"""The pictures once more as matplotlib figures, for a paper or to be changed in a script."""

import io
import textwrap

import numpy as np
from matplotlib.figure import Figure

from scentlab.sharing.figures import LOAD, LOAD_OZ, load_ticks
from scentlab.units import ounces_per_pound_from_load, say_percent_of_wax, shown
from scentlab.words import is_missing

# Hues of the palette by Okabe and Ito (2008), told apart with every common colour vision.
HUES = {"throw": "#0072B2", "sweat": "#B24700", "frost": "#7A4988"}
INK, TESTED = "#1A1A1A", "#EEF1F3"
LINES = {"use": "-", "safe": "--"}
PER_POINT = 0.017  # inches of a figure to a pixel of a page


class Shown(Figure):
    """A Figure that a notebook shows as the last value of a cell, without a setting."""

    def _repr_png_(self):
        out = io.BytesIO()
        self.savefig(out, format="png", dpi=110)
        return out.getvalue()


def as_figure(pictures):
    """A matplotlib Figure of pictures side by side, each with its panels below each other, made
    without pyplot: nothing stays open and no setting of the caller is touched."""
    tall = max((sum(p.height for p in f["data"]["panels"]) for f in pictures), default=96)
    whole = Shown(figsize=(4.6 * len(pictures), 1.4 + PER_POINT * tall * 1.5),
                   layout="constrained")
    for part, one in zip(np.ravel(whole.subfigures(1, len(pictures))), pictures, strict=True):
        _draw(part, **one["data"])
    return whole


def _draw(part, title, places, panels, marks, axis, shaded):
    in_oz = axis == LOAD and shown().weight == "oz"
    part.suptitle("\n".join(textwrap.wrap(title, 50)), fontsize=10, color=INK)
    rows = part.subplots(len(panels), 1, sharex=True, squeeze=False,
                         height_ratios=[p.height for p in panels])[:, 0]
    for ax, panel in zip(rows, panels, strict=True):
        _panel(ax, panel)
        if shaded:
            ax.axvspan(min(places), max(places), color=TESTED, lw=0, zorder=0)
        for kind, words, load in (*marks, *panel.marks):
            if not is_missing(load):
                ax.axvline(load, color=INK, lw=1, ls=LINES.get(kind, "-."),
                           label=f"{words} {say_percent_of_wax(load)}")
    if in_oz:
        loads = load_ticks(*rows[-1].get_xlim())
        rows[-1].set_xticks(loads, [f"{ounces_per_pound_from_load(v):g}" for v in loads])
    rows[-1].set_xlabel(LOAD_OZ if in_oz else axis, fontsize=9)
    if marks:
        part.legend(*rows[0].get_legend_handles_labels(), fontsize=7.5, frameon=False,
                    loc="outside lower center", ncols=2 if in_oz else 3)  # oz/lb is longer


def _panel(ax, panel):
    hue = HUES.get(panel.kind, INK)
    if panel.root:  # a few per cent can be read
        ax.set_yscale("function", functions=(
            lambda v: np.sign(v) * np.sqrt(np.abs(v)), lambda v: np.sign(v) * np.square(v)))
    if panel.curve is not None:
        x, y, lower, upper = (panel.curve[c] for c in ("x", "y", "lower", "upper"))
        ax.fill_between(x, lower, upper, color=hue, alpha=0.18, lw=0)
        ax.plot(x, y, color=hue, lw=2)
    if panel.points:
        ax.plot([p[0] for p in panel.points], [p[1] for p in panel.points], "o", mfc="white",
                mec=hue, ms=5)
    if panel.rule is not None:
        ax.axhline(panel.rule, color=INK, lw=0.9, ls=":")
    if panel.span:
        ax.barh(0, panel.span[1] - panel.span[0], left=panel.span[0], color=TESTED, ec=INK, lw=0.6)
    ax.set_yticks([v for v, _ in panel.ticks], [words for _, words in panel.ticks])
    ax.minorticks_off()
    for load, words in panel.counts:
        ax.annotate(words, (load, 1), xycoords=("data", "axes fraction"), ha="center", va="top",
                    fontsize=8, color=INK)
        ax.set_ymargin(0.3)
    said = "\n".join(filter(None, (panel.label, panel.note)))
    ax.set_title("\n".join(textwrap.wrap(said, 60)), fontsize=8.5, color=INK, loc="left")
    ax.tick_params(labelsize=8, colors=INK)
    ax.spines[["top", "right"]].set_visible(False)
