"""Orders and blocks for a panel: Williams squares and balanced incomplete blocks.

Arrays only: treatments are the whole numbers 0, 1, ..., t - 1; who or what they stand for is the
business of the caller.
"""

from itertools import combinations
from math import comb

import numpy as np

# Base blocks developed by adding 1 modulo the first number; None is the point that stays fixed.
# Cochran & Cox 1957 ch. 11 and Fisher & Yates give the parameters.
_BASE_BLOCKS = {
    (6, 3): (5, ((0, 1, 2), (None, 0, 2))),
    (7, 3): (7, ((1, 2, 4),)),
    (7, 4): (7, ((0, 3, 5, 6),)),
    (8, 4): (7, ((None, 1, 2, 4), (0, 3, 5, 6))),
    (11, 5): (11, ((1, 3, 4, 5, 9),)),
    (11, 6): (11, ((0, 2, 6, 7, 8, 10),)),
    (13, 3): (13, ((0, 1, 4), (0, 2, 7))),
    (13, 4): (13, ((0, 1, 3, 9),)),
    (21, 5): (21, ((0, 1, 4, 14, 16),)),
}
_AFFINE_PLANES = {(4, 2): 2, (9, 3): 3, (25, 5): 5}
_MOST_BLOCKS = 100


def williams_square(t):
    """Orders of t treatments in which each follows each other one equally often.

    Williams 1949. An even t gives t orders, every ordered pair of neighbours once; an odd t gives
    2t orders, every ordered pair twice. Each treatment stands equally often in every position.

    Returns an integer array of shape (t or 2t, t), one order a row.

    >>> williams_square(4).tolist()
    [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]
    """
    if t < 1:
        raise ValueError(f"a square of {t} treatments does not exist; give 1 or more")
    steps = np.arange(t)
    first = np.where(steps % 2 == 1, (steps + 1) // 2, (t - steps // 2) % t)
    square = (first[None, :] + np.arange(t)[:, None]) % t
    if t % 2 and t > 1:
        square = np.vstack([square, square[:, ::-1]])
    return square


def balanced_incomplete_blocks(v, k):
    """Blocks of k of v treatments in which every pair meets equally often.

    Returns an integer array of shape (b, k). Raises ValueError when no design of at most 100
    blocks is known here.

    >>> balanced_incomplete_blocks(4, 2).shape, balanced_incomplete_blocks(7, 3).shape
    ((6, 2), (7, 3))
    """
    if not 2 <= k < v:
        raise ValueError(
            f"blocks of {k} out of {v}: give at least 2 in a block and fewer than the {v} "
            "treatments"
        )
    if (v, k) in _BASE_BLOCKS:
        return _developed(v, *_BASE_BLOCKS[v, k])
    if (v, k) in _AFFINE_PLANES:
        return _affine_lines(_AFFINE_PLANES[v, k])
    if comb(v, k) <= _MOST_BLOCKS:
        return np.array(list(combinations(range(v), k)))
    raise ValueError(
        f"no balanced design of at most {_MOST_BLOCKS} blocks with {k} of {v} treatments is known "
        "here; change the size of the block or the number of treatments"
    )


def _developed(v, modulus, bases):
    fixed = v - 1
    blocks = [
        sorted(fixed if point is None else (point + step) % modulus for point in base)
        for base in bases
        for step in range(modulus)
    ]
    return np.array(blocks)


def _affine_lines(order):
    """All lines of the affine plane of a prime order: points (x, y) numbered order * x + y."""
    upright = [[order * x + y for y in range(order)] for x in range(order)]
    sloped = [
        [order * x + (slope * x + start) % order for x in range(order)]
        for slope in range(order)
        for start in range(order)
    ]
    return np.array(upright + sloped)


def near_balanced_blocks(v, k, b, rng, tries=6000):
    """b blocks of k of v treatments, as even as a search finds: replications differ by at most one.

    Where :func:`balanced_incomplete_blocks` (once or repeated) fits b, it is used. Otherwise pairs
    are evened out by swapping treatments between blocks; state the :func:`block_efficiency`.

    Returns an integer array of shape (b, k).
    """
    if not 2 <= k < v or b * k < v:
        raise ValueError(
            f"{b} blocks of {k} for {v} treatments: give blocks of 2 to {v - 1} and enough of them "
            "to hold each treatment"
        )
    try:
        balanced = balanced_incomplete_blocks(v, k)
    except ValueError:
        balanced = np.empty((0, k), dtype=int)
    if len(balanced) and b % len(balanced) == 0:
        return np.tile(balanced, (b // len(balanced), 1))
    blocks = _even_start(v, k, b, rng)
    return _evened(blocks, v, rng, tries)


def block_efficiency(blocks, v):
    """Efficiency factor against complete blocks of the same size: 1 loses nothing.

    The harmonic mean of the information about contrasts of treatments, over what as many looks
    in complete blocks would give; 0 when some treatments cannot be compared at all.

    >>> round(block_efficiency(balanced_incomplete_blocks(7, 3), 7), 4)
    0.7778
    """
    blocks = np.asarray(blocks)
    incidence = np.zeros((v, len(blocks)))
    np.add.at(incidence, (blocks.ravel(), np.repeat(np.arange(len(blocks)), blocks.shape[1])), 1)
    replications = incidence.sum(axis=1)
    matrix = np.diag(replications) - incidence @ incidence.T / blocks.shape[1]
    values = np.sort(np.linalg.eigvalsh(matrix))[1:]
    if values[0] < 1e-9:
        return 0.0
    return float(len(values) / np.sum(1 / values) / replications.mean())


def _even_start(v, k, b, rng):
    """Blocks filled with the treatments used least so far, ties by chance."""
    used, blocks = np.zeros(v), []
    for _ in range(b):
        block = np.lexsort((rng.random(v), used))[:k]
        used[block] += 1
        blocks.append(block)
    return np.array(blocks)


def _evened(blocks, v, rng, tries):
    met = np.zeros((v, v), dtype=int)
    for block in blocks:
        met[np.ix_(block, block)] += 1
    b, k = blocks.shape
    picks = rng.integers([b, k, b, k], size=(tries, 4))
    for one, i, two, j in picks:
        out, new = blocks[one, i], blocks[two, j]
        if one == two or out in blocks[two] or new in blocks[one]:
            continue
        rest_one, rest_two = np.delete(blocks[one], i), np.delete(blocks[two], j)
        # change of the sum of squares of how often pairs meet
        change = _change(met, out, new, rest_one, rest_two)
        if change > 0:
            continue
        for treatment, rest, step in ((out, rest_one, -1), (new, rest_one, 1),
                                      (new, rest_two, -1), (out, rest_two, 1)):
            met[treatment, rest] += step
            met[rest, treatment] += step
        blocks[one, i], blocks[two, j] = new, out
    return blocks


def _change(met, out, new, rest_one, rest_two):
    """Change of the sum of squared meetings when ``out`` and ``new`` trade their blocks."""
    steps = np.zeros((2, len(met)), dtype=int)
    steps[0, rest_one] -= 1
    steps[0, rest_two] += 1
    steps[1] = -steps[0]
    before = met[[out, new]]
    return int(np.sum((before + steps) ** 2 - before**2))
