"""Fitted curves over load with what was seen: sweat, frost, throw."""

import numpy as np

from scentlab.fitting.frost import frost_risk
from scentlab.fitting.sweat import sweat_risk
from scentlab.fitting.throw import throw_curve
from scentlab.results import FitError
from scentlab.sharing.pictures import drawing
from scentlab.sharing.pictures.drawing import FROST, INK, SWEAT, THROW
from scentlab.words import STRESS_WORDS, THROW_WORDS


def draw_sweat(fit, blend=None, ax=None, limit_grade=2, risk=None, stress=None, curve=None):
    """Risk of sweating over load with the pieces that were seen; all blends, or one with band.

    ``curve`` is the risk of the one blend over its tested loads, where it is known already.
    """
    ax, shown = drawing.new_axes(ax), stress or fit.stresses[-1]
    counts = fit.counts[fit.counts["stress"] == shown]
    def risk_at(name, loads):
        if curve is not None and blend:
            return curve
        return sweat_risk(fit, name, loads, limit_grade=limit_grade, stress=shown)

    words = f"sweat grade {limit_grade} or more\n{STRESS_WORDS[shown]}"
    return _graded(ax, counts, blend, limit_grade, risk, words, risk_at)


def draw_frost(fit, blend=None, ax=None, limit_grade=2, risk=None, age_days=None):
    """Risk of frosting over load with the pieces that were seen; all blends, or one with band."""
    return _graded(
        drawing.new_axes(ax), fit.counts, blend, limit_grade, risk,
        f"frost grade {limit_grade} or more",
        lambda b, x: frost_risk(fit, b, x, limit_grade=limit_grade, age_days=age_days),
    )


def draw_throw(fit, blend=None, ax=None):
    """Throw over load; for one blend with its band and the testers' mean scores."""
    if fit.points.empty:
        raise FitError("throw was compared in pairs and not scored, so there is no level to draw")
    ax, kind = drawing.new_axes(ax), THROW_WORDS[fit.kind]
    _over_load(ax, fit.points, blend, "throw", (THROW, "-", "o"), "throw, 90 % interval",
               lambda b, x: throw_curve(fit, b, x))
    if blend is not None:
        drawing.testers(ax, fit.points[fit.points["blend"] == blend], "load_pct")
    drawing.throw_axis(ax, kind)
    return drawing.finish(ax, f"{blend}: {kind} throw" if blend else f"{kind} throw".capitalize())


def _over_load(ax, frame, blend, column, look, words, curve_of, seen=None):
    """The curves of all blends, or that of one with its band; ``seen`` draws what was seen."""
    names, every = drawing.blends_of(frame, blend), []
    for name, own in zip(names, drawing.looks(names), strict=True):
        loads = drawing.tested_loads(frame, name)
        own, label = (look, words) if blend else (own, name)
        drawing.curve(ax, curve_of(name, drawing.grid(loads)), "load_pct", column, own, label,
                      blend is not None)
        if seen:
            seen(frame[frame["blend"] == name], own)
        every.append(loads)
    drawing.shade(ax, np.concatenate(every))


def _graded(ax, counts, blend, limit_grade, risk, what, risk_at):
    """The picture shared by sweat and frost: risk curves with the pieces seen."""
    kind = what.split()[0]
    _over_load(
        ax, counts, blend, "risk", (SWEAT if kind == "sweat" else FROST, "--", "o"),
        "risk, 90 % interval", risk_at,
        lambda own, look: _pieces(ax, own, limit_grade, look, blend is not None),
    )
    if risk is not None:
        ax.axhline(risk, color=INK, lw=0.9, ls=":", label=f"limit risk {100 * risk:g} %")
    drawing.risk_axis(ax, f"risk of {what}")
    words = f"{kind} risk in a new pot"
    return drawing.finish(ax, f"{blend}: {words}" if blend else words.capitalize())


def _over(seen, limit_grade):
    return seen[[f"g{k}" for k in range(limit_grade, 5)]].sum(axis=1)


def _pieces(ax, seen, limit_grade, look, labelled):
    """Observed share of pieces at or over the limit grade, a point a test batch, area by pieces."""
    over, total = (v.to_numpy(float) for v in (_over(seen, limit_grade), seen["n"]))
    load = seen["load_pct"].to_numpy(float)
    ax.scatter(
        load, over / total, s=14 + 7 * total, marker=look[2], facecolors="white",
        edgecolors=look[0], linewidths=1.4, zorder=4,
        label="test batches: share of pieces over" if labelled else None,
    )
    if labelled:
        _count_labels(ax, load, over, total)


def _count_labels(ax, load, over, total):
    """The counts beside the points, test batches at the same place under one label."""
    span, places = max(np.ptp(load), 1.0), {}
    for x, k, n in zip(load, over, total, strict=True):
        places.setdefault((round(12 * x / span), round(k / n, 2)), []).append((x, k, n))
    for near in places.values():
        counts = [f"{k:.0f}/{n:.0f}" for _, k, n in near]
        alike = len(near) > 1 and len(set(counts)) == 1
        ax.annotate(
            f"{len(near)}× {counts[0]}" if alike else ", ".join(counts),
            (np.mean([x for x, _, _ in near]), near[0][1] / near[0][2]), xytext=(0, 7),
            textcoords="offset points", ha="center", va="bottom", fontsize=7.5, color=INK,
            zorder=5,
        )
