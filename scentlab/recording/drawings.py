"""The reference strip: a small drawing of each grade beside its words, as inline SVG."""

import html
import math

from scentlab.schema import GRADE_WORDS

# The share of the face that a drawing frosts: within the words of the grade, not at its border.
FROSTED_SHARE = (0.0, 0.03, 0.17, 0.40, 0.72)

_WAX, _EDGE, _OIL, _FROST = "#d9b98c", "#5b4a33", "#8a5a12", "#fbfaf5"
_FACE = f'<rect x="8" y="6" width="84" height="58" rx="7" fill="{_WAX}" stroke="{_EDGE}"/>'
_SPECK = 1.9  # radius


def grade_svg(test, grade):
    """The drawing of a sweat or frost grade as an SVG element with its words as a label."""
    inside = _sweat(grade) if test == "sweat" else _frost(FROSTED_SHARE[grade])
    label = html.escape(f"{test} grade {grade}: {GRADE_WORDS[test][grade]}")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 84" width="100" height="84" '
        f'role="img" aria-label="{label}">{_FACE}{inside}</svg>'
    )


def reference_strip(test):
    """All grades of a test side by side, each drawing over its number and words."""
    figures = "".join(
        f"<figure>{grade_svg(test, grade)}<figcaption>{grade}: {html.escape(words)}</figcaption>"
        "</figure>"
        for grade, words in enumerate(GRADE_WORDS[test])
    )
    return f'<div class="scent-strip">{figures}</div>'


def _sweat(grade):
    if grade == 1:  # the face is dry, a pressed tissue shows a trace
        return (
            '<rect x="50" y="34" width="46" height="46" fill="#ffffff" stroke="#777777"/>'
            f'<circle cx="73" cy="57" r="6" fill="{_OIL}" fill-opacity="0.35"/>'
        )
    if grade == 2:
        return (
            f'<rect x="14" y="12" width="72" height="46" rx="16" fill="{_OIL}" '
            'fill-opacity="0.28"/><path d="M24 20 L60 20 M24 26 L44 26" stroke="#ffffff" '
            'stroke-width="3" stroke-linecap="round"/>'
        )
    if grade == 3:
        return "".join(_bead(x, y, 4) for x, y in _lattice(18, 19))
    if grade == 4:
        pool = f'<path d="M4 66 Q50 50 96 66 Q98 80 50 81 Q2 80 4 66 Z" fill="{_OIL}"/>'
        return "".join(_bead(x, y, 6) for x, y in _lattice(26, 22)) + pool
    return ""


def _bead(x, y, radius):
    return (
        f'<circle cx="{x}" cy="{y}" r="{radius}" fill="{_OIL}" fill-opacity="0.85"/>'
        f'<circle cx="{x - 1}" cy="{y - 1}" r="1.2" fill="#ffffff"/>'
    )


def _lattice(across, down):
    return [
        (x + (down // 2 if row % 2 else 0), y)
        for row, y in enumerate(range(16, 60, down))
        for x in range(18, 80, across)
    ]


def _frost(share):
    """Specks that cover so much of the face, as a patch that grows from a corner."""
    step = 2 * _SPECK * 0.93  # they touch; each then covers about nine tenths of its square
    count = round(share * 84 * 58 / (0.89 * step**2))
    spots = sorted(
        ((x * step + 12, y * step + 10) for x in range(22) for y in range(15)),
        key=lambda p: math.hypot(p[0] - 12, 1.35 * (p[1] - 10)),
    )
    return "".join(
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{_SPECK}" fill="{_FROST}"/>'
        for x, y in spots[:count]
    )
