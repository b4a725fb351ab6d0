"""How many pieces of a batch sweat, when those of a pot share what the pot drew.

Given a pot, its pieces are independent; over pots the count of one pot is a mixture of binomials
(beta-binomial where the mixing density is a beta: Skellam 1948), and pots add up.
"""

import numpy as np
from scipy import special

# Nodes and weights of the trapezoidal rule for a standard normal, which also follows the steep
# chances of large pots, where a rule of Gauss of this size would not.
POT_NODES = np.linspace(-5.0, 5.0, 41)
POT_WEIGHTS = np.exp(-0.5 * POT_NODES**2) / np.exp(-0.5 * POT_NODES**2).sum()


def chance_of_many(risks, shares, weights, pieces, pots, many):
    """Chance that so many pieces of a batch or more sweat.

    risks : array (S, Q), risk of a piece under each of S draws, of a pot at each of Q nodes.
    shares : array (Q,), weights of the nodes, which add up to 1. weights : array (S,), those of the
        draws. pieces, pots : int, of the batch, spread over its pots as evenly as can be.
    many : int, 1 or more.
    Returns float, exact but for nodes and draws.

    >>> half = np.array([[0.5]])
    >>> round(chance_of_many(half, np.ones(1), np.ones(1), 2, 1, 2), 6)
    0.25
    """
    each, more = divmod(pieces, pots)
    fewer = _times(_power(_counts(risks, shares, each, many), pots - more),
                   _power(_counts(risks, shares, each + 1, many), more))
    return float(np.clip(1.0 - weights @ fewer.sum(axis=1), 0.0, 1.0))


def _counts(risks, shares, pieces, many):
    """Chances (S, many) of 0, 1, ... sweating pieces of a pot."""
    found, k = np.zeros((len(risks), many)), np.arange(min(many, pieces + 1))
    ways = -np.log(pieces + 1.0) - special.betaln(k + 1, pieces - k + 1)
    risks = np.clip(risks, 1e-300, 1.0 - 1e-16)
    log_wet, log_dry = np.log(risks), np.log1p(-risks)
    for i in k:
        found[:, i] = np.exp(ways[i] + i * log_wet + (pieces - i) * log_dry) @ shares
    return found


def _times(one, other):
    """Chances (S, many) of the sum of two counts."""
    found = np.zeros_like(one)
    for k in range(one.shape[1]):
        found[:, k:] += one[:, [k]] * other[:, : one.shape[1] - k]
    return found


def _power(counts, pots):
    """Chances (S, many) of the sum of the counts of so many like pots."""
    found = np.zeros_like(counts)
    found[:, 0] = 1.0
    while pots:
        if pots % 2:
            found = _times(found, counts)
        pots //= 2
        counts = _times(counts, counts) if pots else counts
    return found
