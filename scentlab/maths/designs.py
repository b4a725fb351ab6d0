"""Orders and blocks for a panel: Williams squares and nearly balanced blocks.

Arrays only: treatments are the whole numbers 0, 1, ..., t - 1; who or what they stand for is the
business of the caller.
"""

import numpy as np


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


def near_balanced_blocks(v, k, b, rng, tries=6000):
    """b blocks of k of v treatments, as even as a search finds: replications differ by at most one.

    Pairs are evened out by swapping treatments between blocks; state the :func:`block_efficiency`.
    Returns an integer array of shape (b, k).
    """
    if not 2 <= k < v or b * k < v:
        raise ValueError(
            f"{b} blocks of {k} for {v} treatments: give blocks of 2 to {v - 1} and enough of them "
            "to hold each treatment"
        )
    blocks = _even_start(v, k, b, rng)
    return _evened(blocks, v, rng, tries)


def block_efficiency(blocks, v):
    """Efficiency factor against complete blocks of the same size: 1 loses nothing.

    The harmonic mean of the information about contrasts of treatments, over what as many looks
    in complete blocks would give; 0 when some treatments cannot be compared at all.

    >>> round(block_efficiency([[0, 1], [0, 2], [1, 2]], 3), 4)
    0.75
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
