"""Throw of pieces over hours on the warmer."""

import numpy as np
import pandas as pd

from scentlab.fitting.over_time import NEAR_PCT
from scentlab.sharing.pictures import drawing
from scentlab.sharing.pictures.drawing import INK, STEPS, THROW
from scentlab.units import say_load


def draw_longevity(result, blend=None, ax=None):
    """Throw over hours on the warmer; ValueError where no throw was scored there."""
    if result.throw_life is None:
        raise ValueError("no throw was scored on the warmer; its weights are in the table")
    return draw_throw_life(result.throw_life, blend, ax)


def draw_throw_life(fit, blend=None, ax=None):
    """Throw over hours on the warmer; for one blend with its band, scores, and when half is left.

    A blend that was tested at several loads has a curve for each.
    """
    names, ax = drawing.blends_of(fit.arms, blend), drawing.new_axes(ax)
    arms = fit.arms[fit.arms["blend"].isin(names)]
    looks = [(THROW, "-", "o")] if len(arms) == 1 else drawing.looks(arms)
    for (place, arm), look in zip(arms.iterrows(), looks, strict=True):
        hours = np.linspace(arm["first_h"], arm["longest_h"], STEPS)
        frame = fit.curve(place, hours)
        name = f"{arm['blend']}, {say_load(arm['load_pct'])}"
        drawing.curve(ax, frame, "hours", "throw", look,
                      "throw, 90 % interval" if len(arms) == 1 else name, len(arms) == 1)
    if len(arms) == 1:
        _half_mark(ax, arms.iloc[0], fit.half_life(arms.index[0]))
        means = _seen(fit, arms).groupby(["assessor", "hours"], as_index=False)["throw"].mean()
        drawing.testers(ax, means, "hours")
    _hours_axis(ax, _seen(fit, arms)["hours"])
    drawing.throw_axis(ax, "hot")
    title = f"{blend}: throw on the warmer" if blend else "Throw on the warmer"
    load = f"\nat {say_load(arms['load_pct'].iloc[0])}" if len(arms) == 1 else ""
    return drawing.finish(ax, title + load)


def _seen(fit, arms):
    return pd.concat([
        fit.points[(fit.points["blend"] == arm["blend"])
                   & ((fit.points["load_pct"] - arm["load_pct"]).abs() <= NEAR_PCT)]
        for _, arm in arms.iterrows()
    ])


def _half_mark(ax, arm, row):
    """When half of the first throw is left; an arrow where that lies beyond the hours tested."""
    low, middle, high = (
        f"{row[c]:.1f} h" if np.isfinite(row[c]) else f"over {arm['longest_h']:g} h"
        for c in ("lower", "hours", "upper")
    )
    ends = row["lower"], row["upper"]
    shown = [min(end, arm["longest_h"]) for end in ends]
    drawing.open_interval(ax, *shown, (0.0, ends[1]), row["throw"], INK,
                          f"half left: {middle}\n({low} to {high})")
    if np.isfinite(row["hours"]):
        ax.plot(row["hours"], row["throw"], "|", color=INK, ms=11, mew=2, zorder=4)


def _hours_axis(ax, hours):
    """Shade the hours tested and set a tick at each check."""
    checks = np.unique(np.asarray(hours, dtype=float))
    drawing.mark_places(ax, checks, "checks\n(shaded between)")
    pad = 0.04 * max(np.ptp(checks), 1.0)
    ax.set_xlim(checks.min() - pad, checks.max() + pad)
    ax.xaxis.get_major_locator().set_params(nbins=7, integer=bool(np.ptp(checks) > 4))
    drawing.plain_frame(ax)
    drawing.label(ax, "time on the warmer, h")
