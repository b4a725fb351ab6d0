"""Small drawings of our own for the guides, as inline SVG with their words as labels."""

from scentlab.maths.room import share_of_steady
from scentlab.recording.drawings import GRADE_WORDS, grade_svg

INK, QUIET, WARM, COOL = "#1A1A1A", "#5F5F5F", "#B24700", "#0072B2"


def sketch_of(topic):
    """The drawing of a topic as HTML; empty where words do better."""
    return _SKETCHES.get(topic, lambda: "")()


def _svg(width, height, label, inside):
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{label}" style="width:100%;max-width:{width}px;height:auto;display:block;'
        f'background:#fff" font-family="sans-serif" font-size="13" fill="{INK}">{inside}</svg>'
    )


def _line(points, colour, width=2):
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width}"/>'


def _words(x, y, text, anchor="start", colour=INK):
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="{colour}">{text}</text>'


def grade_strip(test):
    """The drawings of all grades, side by side as far as the page is wide."""
    figures = "".join(
        f'<figure style="margin:0;width:104px">{grade_svg(test, grade)}'
        f'<figcaption style="font-size:13px;line-height:1.25">{grade}: {words}</figcaption>'
        "</figure>"
        for grade, words in enumerate(GRADE_WORDS[test])
    )
    return f'<div style="display:flex;flex-wrap:wrap;gap:8px;margin:0.5em 0">{figures}</div>'


def _warm_cycle():
    """Three days warm and back, then the look."""
    points = [(40, 90)]
    for day in range(3):
        x = 60 + 80 * day
        points += [(x, 90), (x + 12, 35), (x + 40, 35), (x + 52, 90)]
    points += [(340, 90)]
    return _svg(360, 130, "The warm cycle: three times up to 30 to 40 degrees Celsius and back to "
                "20, then the look", (
        _line([(40, 15), (40, 105), (350, 105)], QUIET, 1) + _line(points, WARM)
        + _words(36, 40, "35 °C", "end") + _words(36, 94, "20 °C", "end")
        + _words(60, 124, "8 to 24 h warm, 3 to 5 times") + _words(345, 80, "look", "end", COOL)
        + f'<circle cx="335" cy="90" r="5" fill="{COOL}"/>'
    ))


def _room():
    """How the air of a room fills, and where a score after 30 minutes stands."""
    def place(hours, share):
        return 40 + 50 * hours, 110 - 90 * share

    curve = [place(h / 10, float(share_of_steady(h / 10, 0.5))) for h in range(61)]
    x, y = place(0.5, float(share_of_steady(0.5, 0.5)))
    return _svg(360, 150, "Scent in the air of a room that changes its air 0.5 times an hour: 22 "
                "per cent of the final strength after half an hour", (
        _line([(40, 10), (40, 110), (350, 110)], QUIET, 1) + _line(curve, COOL)
        + _line([(x, 110), (x, y), (40, y)], WARM, 1.5)
        + f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{WARM}"/>'
        + _words(x + 8, y + 5, "22 % after 30 min", colour=WARM)
        + _words(36, 24, "all", "end") + _words(36, 114, "0", "end")
        + "".join(_words(place(h, 0)[0], 126, str(h), "middle") for h in (2, 4, 6))
        + _words(345, 145, "hours on the warmer", "end")
    ))


def _tree():
    """One blend, two pots, loads drawn from each, pieces cast from each load."""
    inside = _words(180, 16, "one blend", "middle")
    for pot, x in ((1, 95), (2, 265)):
        inside += _line([(180, 22), (x, 40)], QUIET, 1)
        inside += f'<rect x="{x - 30}" y="40" width="60" height="24" rx="4" fill="#EEF1F3" ' \
                  f'stroke="{INK}"/>' + _words(x, 57, f"pot {pot}", "middle")
        for i, load in enumerate((6, 9, 12)):
            at = x + 50 * (i - 1)
            inside += _line([(x, 64), (at, 84)], QUIET, 1) + _words(at, 97, f"{load} %", "middle")
            inside += "".join(
                f'<rect x="{at - 16 + 9 * k}" y="104" width="7" height="7" fill="{COOL}"/>'
                for k in range(4)
            )
    inside += _words(180, 130, "loads, % of wax; a square is a piece", "middle", QUIET)
    return _svg(360, 140, "One blend is melted in two pots; from each pot every load is drawn, and "
                "from each load pieces are cast", inside)


def stage_icon(number):
    """A picture for a stage of the work, which says nothing that its words do not say."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 64 44" width="64" height="44" '
        f'aria-hidden="true" style="display:block" fill="none" stroke="{INK}" stroke-width="1.5">'
        f"{_ICONS[number]}</svg>"
    )


_ICONS = (
    # a sheet with a grid of pours
    '<rect x="12" y="3" width="40" height="38" rx="2"/>'
    '<path d="M12 13H52M12 23H52M12 32H52M25 13V41M39 13V41"/>',
    # a pot, and the wax that runs into a mould
    f'<path d="M8 8L34 8L30 26L12 26Z"/><path d="M34 10Q46 12 46 28" stroke="{WARM}"/>'
    f'<rect x="38" y="30" width="18" height="9" rx="2" fill="#d9b98c"/>',
    # a piece with beads, under a nose's worth of scent
    '<rect x="14" y="22" width="36" height="18" rx="3" fill="#d9b98c"/>'
    f'<path d="M24 18Q20 13 24 9T24 2M34 18Q30 13 34 9T34 2M44 18Q40 13 44 9T44 2" '
    f'stroke="{COOL}"/><circle cx="24" cy="30" r="2.5" fill="#8a5a12"/>'
    '<circle cx="38" cy="33" r="2.5" fill="#8a5a12"/>',
    # a curve of risk, and the load that stays below
    f'<path d="M10 4V38H56"/><path d="M12 37Q38 36 54 6" stroke="{WARM}"/>'
    f'<path d="M32 38V29" stroke="{COOL}" stroke-width="2.5"/>',
    # a letter
    '<rect x="10" y="8" width="44" height="29" rx="2"/><path d="M10 10L32 26L54 10"/>',
)

_SKETCHES = {
    "pots": _tree,
    "sweat": lambda: grade_strip("sweat") + _warm_cycle(),
    "frost": lambda: grade_strip("frost"),
    "throw": _room,
}
