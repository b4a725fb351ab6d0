"""What a further look is expected to teach: weighted draws reweighted by looks not yet made.

Belief is a set of weighted draws of the sweat model. For a pot that might be poured, looks are
simulated from some draws (the true ones, one each) and their likelihood is computed under all
others (the believed ones), averaged over the unknown effect of the new pot by quadrature. Adding
log-likelihoods of several pots and reweighting gives the posterior after them, and its mean over
the simulated looks is what the pots are expected to leave of the doubt (the preposterior analysis
of Raiffa and Schlaifer 1961).
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite import hermgauss

from scentlab.maths.ordinal import recorded_probabilities

_NODES = 9
_TINY = 1e-300


@dataclass(frozen=True)
class SweatDraws:
    """Draws of the sweat model by meaning.

    capacity, spread : arrays (S, B), load. sigma (between pots) : array (S,), load.
    shift (of the stress, latent), misread : arrays (S,).
    tau : array (S, K - 1). link : array (S,) of names of links.
    """

    capacity: np.ndarray
    spread: np.ndarray
    shift: np.ndarray
    tau: np.ndarray
    sigma: np.ndarray
    misread: np.ndarray
    link: np.ndarray

    def take(self, index):
        """The draws at an index."""
        return SweatDraws(*(getattr(self, name)[index] for name in self.__dataclass_fields__))

    def chances(self, blend, load, effects):
        """Chance of each recorded grade: array (S, Q, K).

        blend : int, column of the capacities. load : float.
        effects : array (S, Q), effects of the pot in units of sigma.
        """
        reach = (load - self.capacity[:, blend]) / self.spread[:, blend] + self.shift
        eta = reach[:, None] + (self.sigma / self.spread[:, blend])[:, None] * effects
        return recorded_probabilities(self.tau, eta, self.misread, self.link)


class PotBank:
    """Log-likelihoods of simulated looks at pots that might be poured.

    true, believed : SweatDraws; looks are simulated from the first (J) and judged under the
        second (N).
    seed : int.

    The looks at the pot in place k of a round come from the same random numbers whichever pot
    stands there, so that two pots for a place differ by what they are, not by luck.
    """

    def __init__(self, true, believed, seed):
        self.true, self.believed, self.seed = true, believed, seed
        nodes, weights = hermgauss(_NODES)
        self.effects = np.broadcast_to(np.sqrt(2.0) * nodes, (len(believed.spread), _NODES))
        self.weights = weights / np.sqrt(np.pi)
        self._logs, self._pots = {}, {}

    def pot(self, *pot):
        """Log-likelihood (J, N) of looks at a new pot: its blend, loads (a tuple), place in the
        round and pieces of each load."""
        if pot not in self._pots:
            self._pots[pot] = self._judge(*pot)
        return self._pots[pot]

    def total(self, pots, pieces):
        """Log-likelihood (J, N) of looks at all pots (blend, loads) of a round."""
        return sum(self.pot(*pot, place, pieces) for place, pot in enumerate(pots))

    def _judge(self, blend, loads, place, pieces):
        rng = np.random.default_rng([self.seed, place])
        effect = rng.standard_normal((len(self.true.spread), 1))
        counts = np.hstack([
            _look(self.true.chances(blend, load, effect)[:, 0],
                  rng.random((len(self.true.spread), pieces, 1)))
            for load in loads
        ])
        # Few pieces show few different things, and each of them is judged once.
        counts, place = np.unique(counts, axis=0, return_inverse=True)
        total = counts @ np.vstack([self._log_chances(blend, load) for load in loads])
        total = total.reshape(len(counts), len(self.believed.spread), _NODES)
        top = total.max(axis=-1)
        found = top + np.log(np.exp(total - top[..., None]) @ self.weights)
        return found[place.ravel()]

    def _log_chances(self, blend, load):
        """Log chances under the believed draws, (K, N * nodes)."""
        key = (blend, float(load))
        if key not in self._logs:
            chances = self.believed.chances(blend, load, self.effects)
            log = np.log(np.maximum(chances, _TINY))
            self._logs[key] = np.ascontiguousarray(log.reshape(-1, log.shape[-1]).T)
        return self._logs[key]


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
