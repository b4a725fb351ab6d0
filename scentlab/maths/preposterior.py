"""What a further look is expected to teach: weighted draws reweighted by looks not yet made.

Belief is a set of weighted draws of the sweat model. For a pot that might be poured, looks are
simulated from some draws (the true ones, one each) and their likelihood is computed under all
others (the believed ones), averaged over the unknown effect of the new pot by quadrature. Adding
log-likelihoods of several pots and reweighting gives the posterior after them, and its mean over
the simulated looks is what the pots are expected to leave of the doubt (the preposterior analysis
of Raiffa and Schlaifer 1961).
"""

from functools import cache

import numpy as np
from numpy.polynomial.hermite import hermgauss

from scentlab.maths.ordinal import recorded_probabilities

_NODES = 9
_TINY = 1e-300


def recorded_chances(draws, blend, load, effects):
    """Chance of each recorded grade: array (S, Q, K).

    draws : dict of what sweat hangs on, as PotBank takes it. blend : int, column of the capacities.
    load : float. effects : array (S, Q), effects of the pot in units of sigma.
    """
    spread = draws["spread"][:, blend]
    reach = (load - draws["capacity"][:, blend]) / spread + draws["shift"]
    eta = reach[:, None] + (draws["sigma"] / spread)[:, None] * effects
    return recorded_probabilities(draws["tau"], eta, draws["misread"], draws["link"])


class PotBank:
    """Log-likelihoods of simulated looks at pots that might be poured.

    true, believed : dicts of draws of the sweat model by meaning; looks are simulated from the
        first (J) and judged under the second (N). They have capacity and spread (S, B), in points
        of load; shift (S,), of the stress, latent; tau (S, K - 1); sigma (S,), between pots, in
        points of load; misread (S,); link (S,), names of links.
    seed : int.

    The looks at the pot in place k of a round come from the same random numbers whichever pot
    stands there, so that two pots for a place differ by what they are, not by luck.
    """

    def __init__(self, true, believed, seed):
        self.true, self.believed, self.seed = true, believed, seed
        nodes, weights = hermgauss(_NODES)
        self.effects = np.broadcast_to(np.sqrt(2.0) * nodes, (len(believed["spread"]), _NODES))
        self.weights = weights / np.sqrt(np.pi)
        self.pot, self._log_chances = cache(self._judge), cache(self._log)  # each worked out once

    def total(self, pots, pieces):
        """Log-likelihood (J, N) of looks at all pots (blend, loads) of a round."""
        return sum(self.pot(*pot, place, pieces) for place, pot in enumerate(pots))

    def _judge(self, blend, loads, place, pieces):
        """Log-likelihood (J, N) of looks at a new pot with these loads (a tuple) in that place of
        the round, so many pieces of each."""
        rng = np.random.default_rng([self.seed, place])
        effect = rng.standard_normal((len(self.true["spread"]), 1))
        counts = np.hstack([
            _look(recorded_chances(self.true, blend, load, effect)[:, 0],
                  rng.random((len(self.true["spread"]), pieces, 1)))
            for load in loads
        ])
        # Few pieces show few different things, and each of them is judged once.
        counts, place = np.unique(counts, axis=0, return_inverse=True)
        total = counts @ np.vstack([self._log_chances(blend, load) for load in loads])
        total = total.reshape(len(counts), len(self.believed["spread"]), _NODES)
        top = total.max(axis=-1)
        found = top + np.log(np.exp(total - top[..., None]) @ self.weights)
        return found[place.ravel()]

    def _log(self, blend, load):
        """Log chances under the believed draws, (K, N * nodes)."""
        chances = recorded_chances(self.believed, blend, load, self.effects)
        log = np.log(np.maximum(chances, _TINY))
        return np.ascontiguousarray(log.reshape(-1, log.shape[-1]).T)


def _look(chances, luck):
    """Counts (J, K) of pieces by grade, from chances (J, K) and uniform numbers (J, m, 1)."""
    grade = (luck > np.cumsum(chances, axis=1)[:, None, :-1]).sum(axis=2)
    return (grade[:, :, None] == np.arange(chances.shape[1])).sum(axis=1).astype(float)


def moments_after(log_likelihood, weights, values):
    """Posterior mean and standard deviation (J, B) of values after each simulated set of looks.

    log_likelihood : array (J, N), of J simulated sets of looks under N draws.
    weights : array (N,), of the draws before. values : array (N, B).
    """
    raw = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True)) * weights
    after = raw / raw.sum(axis=1, keepdims=True)
    centre = weights @ values / weights.sum()
    mean = after @ (values - centre)
    variance = after @ (values - centre) ** 2 - mean**2
    return centre + mean, np.sqrt(np.maximum(variance, 0.0))
