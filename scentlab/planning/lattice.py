"""Blends of up to four waxes spread over the fractions that are allowed.

Without limits the points of a {q, m} simplex lattice: every fraction a multiple of 1/m. With lower
fractions the lattice is laid over the smaller simplex above them; upper fractions cut it, and the
corners of what is left (McLean and Anderson 1966) are added.
"""

from itertools import product

import numpy as np

from scentlab.materials import Blend
from scentlab.planning.refusal import PlanError, need_whole

_NEAR = 1e-9


def lattice_blends(waxes, divisions, lower=None, upper=None):
    """Blends of two to four waxes on a simplex lattice with lower and upper fractions.

    Parameters
    ----------
    waxes : sequence of Wax
    divisions : m of the lattice, 1 (corners only) to 6.
    lower, upper : dict of wax name to its least and greatest fraction by weight; 0 and 1 else.

    Returns
    -------
    tuple of Blend, named after their percentages.
    """
    waxes = tuple(waxes)
    different = len({w.name for w in waxes})
    if not 2 <= different <= 4 or different < len(waxes):
        raise PlanError(f"the number of different waxes is {different}; give two to four")
    need_whole(divisions, "divisions of the lattice", 1, 6)
    low, high = _bounds(waxes, lower, upper)
    points = np.array(_distinct(_lattice(divisions, low, high) + _corners(low, high)))
    return tuple(_blend(waxes, point) for point in points)


def _bounds(waxes, lower, upper):
    names = [w.name for w in waxes]
    for name in [*(lower or {}), *(upper or {})]:
        if name not in names:
            raise PlanError(f"a fraction is limited for {name!r}; the waxes are {', '.join(names)}")
    low = np.array([float((lower or {}).get(n, 0.0)) for n in names])
    high = np.array([float((upper or {}).get(n, 1.0)) for n in names])
    for name, least, most in zip(names, low, high, strict=True):
        if not 0 <= least <= most <= 1:
            raise PlanError(
                f"wax {name}: fractions from {least:g} to {most:g}; give limits between 0 and 1, "
                "the lower one first"
            )
    if low.sum() > 1 + _NEAR or high.sum() < 1 - _NEAR:
        raise PlanError(
            f"the lower fractions add up to {low.sum():g} and the upper ones to {high.sum():g}; "
            "no blend can be: the lower ones must leave room and the upper ones must reach 1"
        )
    return low, high


def _lattice(divisions, low, high):
    steps = [p for p in product(range(divisions + 1), repeat=len(low)) if sum(p) == divisions]
    points = [low + (1 - low.sum()) * np.array(p) / divisions for p in steps]
    return [p for p in points if np.all(p <= high + _NEAR)]


def _corners(low, high):
    """Corners of the region: all fractions but one at a limit, the last one fills up to 1."""
    found = []
    for free in range(len(low)):
        others = [i for i in range(len(low)) if i != free]
        for choice in product((0, 1), repeat=len(others)):
            point = np.zeros(len(low))
            point[others] = [(low, high)[c][i] for i, c in zip(others, choice, strict=True)]
            point[free] = 1 - point.sum()
            if low[free] - _NEAR <= point[free] <= high[free] + _NEAR:
                found.append(point)
    return found


def _distinct(points):
    kept = {tuple(np.round(p, 9) + 0.0): p for p in points}
    return [kept[key] for key in sorted(kept, reverse=True)]


def _blend(waxes, point):
    parts = [(w, round(float(f), 9)) for w, f in zip(waxes, point, strict=True) if f > _NEAR]
    name = " / ".join(f"{w.name} {100 * f:.4g}" for w, f in parts)
    return Blend(name[:80].strip(), tuple(parts))
