"""Whether a fit describes what was seen, and what each pot does to the highest safe load."""

from scentlab.choosing.diagnosis import ERRORS, TELLING
from scentlab.sharing.pictures import drawing
from scentlab.sharing.pictures.drawing import INK, LOOKS, MARKERS, QUIET, RULED, SWEAT


def draw_check(check, ax=None):
    """Mean grade seen in each test batch against what the fit expects, with its 90 % range."""
    ax = drawing.new_axes(ax, height=5.4)
    pours, pots = check.pours, check.pots
    ax.plot([0, 4], [0, 4], color=QUIET, lw=0.9, ls=":", zorder=1, label="seen as expected")
    ax.vlines(
        pours["expected"], pours["lower"], pours["upper"], color=RULED, lw=4, zorder=1,
        label="90 % range for a batch of a new pot",
    )
    blends = list(dict.fromkeys(pots["blend"]))
    for i, row in enumerate(pots.itertuples()):
        own = pours[pours["pot"] == row.pot]
        hue = LOOKS[blends.index(row.blend) % len(LOOKS)][0]
        drawing.points(ax, own["expected"], own["seen"], (hue, "", MARKERS[i % len(MARKERS)]),
                       f"pot {row.pot}{', odd' if row.odd else ''} ({row.blend})")
    _odd_labels(ax, check)
    ax.set(xlim=(-0.15, 4.15), ylim=(-0.15, 4.3), xticks=range(5), yticks=range(5))
    drawing.label(ax, "mean sweat grade expected (0 dry to 4 pooled)",
                  "mean sweat grade seen\nin a test batch")
    drawing.plain_frame(ax)
    return drawing.finish(ax, "Sweat seen and expected", columns=2 if len(pots) > 6 else 1)


def _odd_labels(ax, check):
    """Name the batches outside their range and, of an odd pot, the one that is furthest off."""
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


def draw_diagnosis(diagnosis, ax=None):
    """How far the highest safe load of its blend moves when a pot is left out, pot by pot."""
    table = diagnosis.table.sort_values(["blend", "pot"]).reset_index(drop=True)
    change, error = table["change_pct"], ERRORS * table["error_pct"]
    spans, marks = [], []
    for hangs, words, marker, hue in (
        (True, f"higher by more than {TELLING:g} points: the pot holds it down", "^", SWEAT),
        (False, "lower, or about the same", "o", QUIET),
    ):
        own = change.where(table["hangs"] == hangs)
        spans.append((None, own - error, own + error, {"color": hue}))
        marks.append((words, own, marker, {"color": hue, "ms": 7}))
    names = [f"{row.pot}, {row.blend}" for row in table.itertuples()]
    ax = drawing.rows(ax, names, None, spans, marks, each=0.42)
    ax.axvline(0, color=INK, lw=0.9)
    reach = change.abs() + error
    span = max(reach.max(), 1.0) if reach.notna().any() else 1.0
    drawing.say_in_rows(ax, [
        "" if drawing.is_number(row.change_pct) else "a load qualifies only without it"
        if drawing.is_number(row.ceiling_load_pct) else "no load to compare"
        for row in table.itertuples()
    ], 0.03 * span)
    ax.set_xlim(-1.15 * span, 1.15 * span)
    drawing.label(ax, "change of the highest safe load without the pot,\n"
                      "points of load (% of wax)")
    return drawing.finish(ax, "Highest safe loads without each pot")


