"""The drawings of the grades: well-formed, and as much frost as the words say."""

import re
from xml.etree import ElementTree

import pytest

from scentlab.recording.drawings import FROSTED_SHARE, GRADE_WORDS, grade_svg, reference_strip

# The words of the frost grades as shares of the face: none, under 5 %, to 25 %, to 50 %, more.
BORDERS = [(0, 0), (0, 0.05), (0.05, 0.25), (0.25, 0.5), (0.5, 1)]


@pytest.mark.parametrize("test", ["sweat", "frost"])
@pytest.mark.parametrize("grade", range(5))
def test_a_drawing_is_well_formed_and_named(test, grade):
    root = ElementTree.fromstring(grade_svg(test, grade))
    assert root.get("role") == "img"
    assert root.get("aria-label") == f"{test} grade {grade}: {GRADE_WORDS[test][grade]}"


def test_the_drawings_differ():
    for test in ("sweat", "frost"):
        assert len({re.sub("<svg[^>]*>", "", grade_svg(test, g)) for g in range(5)}) == 5
    assert reference_strip("sweat").count("<figure>") == 5


@pytest.mark.parametrize("grade", range(5))
def test_the_frosted_share_is_within_the_words(grade):
    low, high = BORDERS[grade]
    assert low <= FROSTED_SHARE[grade] <= high
    # Share of a grid of points on the face (84 x 58 at 8, 6) that specks cover.
    specks = [
        (float(c.get("cx")), float(c.get("cy")), float(c.get("r")))
        for c in ElementTree.fromstring(grade_svg("frost", grade)) if c.tag.endswith("circle")
    ]
    points = [(8 + 84 * (i + 0.5) / 60, 6 + 58 * (j + 0.5) / 40)
              for i in range(60) for j in range(40)]
    covered = sum(
        any((x - a) ** 2 + (y - b) ** 2 <= r * r for a, b, r in specks) for x, y in points
    )
    assert low <= covered / len(points) <= high
