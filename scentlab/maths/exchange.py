"""Choosing runs from a list of candidates by exchange.

Fedorov's 1972 exchange for a large determinant of X'X (D-optimality), and a plain exchange for
any other worth. Both climb from several random starts; the best end is returned.
"""

import numpy as np


def d_optimal(candidates, n, rng, starts=20, known=None):
    """Indices of n candidates (repeats allowed) with the largest |known + X'X|.

    Parameters
    ----------
    candidates : array (N, p), one row of the model matrix per candidate.
    n : number of runs to choose.
    rng : numpy Generator.
    known : array (p, p) or None, information that is there already.

    Returns
    -------
    Sorted integer array (n,).

    >>> line = np.column_stack([np.ones(3), [-1, 0, 1], [1, 0, 1]])
    >>> d_optimal(line, 6, np.random.default_rng(1)).tolist()
    [0, 0, 1, 1, 2, 2]
    """
    rows = np.asarray(candidates, dtype=float)
    size = rows.shape[1]
    known = np.zeros((size, size)) if known is None else np.asarray(known, dtype=float)
    if n < 1 or (n < size and not np.any(known)):
        raise ValueError(f"{n} runs cannot settle {size} unknowns; give at least {max(size, 1)}")
    ends = [_climb(rows, rng.integers(len(rows), size=n), known) for _ in range(starts)]
    best = max(ends, key=lambda chosen: information(rows[chosen], known)[0])
    if not np.isfinite(information(rows[best], known)[0]):
        raise ValueError("no choice of these candidates settles all unknowns; widen the candidates")
    return np.sort(best)


def information(rows, known=0.0):
    """Log determinant of ``known`` + X'X (-inf when singular) and the matrix itself."""
    matrix = known + rows.T @ rows
    sign, log_det = np.linalg.slogdet(matrix)
    scale = np.prod(np.maximum(np.diag(matrix), 1e-300))
    if sign <= 0 or np.exp(log_det) < 1e-12 * scale:
        return -np.inf, matrix
    return float(log_det), matrix


def by_exchange(cost, n_candidates, n, rng, starts=5):
    """Indices of n candidates (repeats allowed) of the smallest ``cost(indices)``.

    One run after the other is replaced by the candidate that helps most, until none does.
    """
    best, best_cost = None, np.inf
    for _ in range(starts):
        chosen = rng.integers(n_candidates, size=n)
        now, before = cost(chosen), np.inf
        while now < before - 1e-12 * abs(now):
            before = now
            for place in range(n):
                chosen, now = _best_in_place(cost, chosen, place, n_candidates, now)
        if best is None or now < best_cost:
            best, best_cost = chosen, now
    return np.sort(best)


def _best_in_place(cost, chosen, place, n_candidates, now):
    for other in range(n_candidates):
        tried = chosen.copy()
        tried[place] = other
        value = cost(tried)
        if value < now - 1e-12 * abs(now):
            chosen, now = tried, value
    return chosen, now


def _climb(rows, chosen, known):
    chosen = chosen.copy()
    # a little of everything keeps the first inverse finite when the random start is singular
    floor = 1e-6 * np.eye(rows.shape[1]) * np.mean(rows**2)
    for _ in range(200):
        inverse = np.linalg.inv(known + floor + rows[chosen].T @ rows[chosen])
        out, new, gain = _best_pair(rows, chosen, inverse)
        if gain < 1e-9:
            break
        chosen[out] = new
    return chosen


def _best_pair(rows, chosen, inverse):
    """The exchange with the largest relative gain of the determinant (Fedorov's delta)."""
    cross = rows[chosen] @ inverse @ rows.T
    new = np.einsum("ij,jk,ik->i", rows, inverse, rows)
    old = new[chosen]
    gain = new[None, :] - old[:, None] - (old[:, None] * new[None, :] - cross**2)
    out, candidate = np.unravel_index(np.argmax(gain), gain.shape)
    return out, candidate, gain[out, candidate]
