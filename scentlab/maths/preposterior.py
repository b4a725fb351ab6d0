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

from scentlab.maths.ordinal import grade_probabilities, misread_flow

_NODES = 11
_TINY = 1e-300


@dataclass(frozen=True)
class SweatDraws:
    """Draws of the sweat model by meaning.

    Attributes
    ----------
    capacity : array (S, B), load. spread, shift (of the stress), sigma, misread : arrays (S,).
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

        Parameters
        ----------
        blend : int, column of the capacities. load : float.
        effects : array (S, Q), effects of the pot in units of sigma.
        """
        reach = (load - self.capacity[:, blend]) / self.spread + self.shift
        eta = reach[:, None] + self.sigma[:, None] * effects
        found = np.empty(eta.shape + (self.tau.shape[1] + 1,))
        for link in np.unique(self.link):
            own = self.link == link
            found[own] = grade_probabilities(self.tau[own][:, None, :], eta[own], str(link))
        flow = np.moveaxis(misread_flow(np.moveaxis(found, -1, 0)), 0, -1)
        return found + self.misread[:, None, None] * flow


class PotBank:
    """Log-likelihoods of simulated looks at pots that might be poured.

    Parameters
    ----------
    true, believed : SweatDraws; looks are simulated from the first (J) and judged under the
        second (N).
    pieces : int, looks of each pour. rng : numpy Generator.
    """

    def __init__(self, true, believed, pieces, rng):
        self.true, self.believed, self.pieces, self.rng = true, believed, int(pieces), rng
        nodes, weights = hermgauss(_NODES)
        shape = (len(believed.spread), _NODES)
        self.effects = np.broadcast_to(np.sqrt(2.0) * nodes, shape)
        self.log_weights = np.log(weights / np.sqrt(np.pi))
        self._logs, self._pots = {}, {}

    def pot(self, blend, loads, replicate=0):
        """Log-likelihood (J, N) of looks at one new pot from which the loads are poured.

        Another ``replicate`` is another pot with the same loads, with looks of its own.
        """
        key = (blend, tuple(loads), replicate)
        if key not in self._pots:
            self._pots[key] = self._judge(blend, loads)
        return self._pots[key]

    def _judge(self, blend, loads):
        effect = self.rng.standard_normal((len(self.true.spread), 1))
        total = 0.0
        for load in loads:
            counts = self._look(self.true.chances(blend, load, effect)[:, 0])
            total = total + counts @ self._log_chances(blend, load)
        size = len(self.true.spread), len(self.believed.spread), _NODES
        total = total.reshape(size) + self.log_weights
        top = total.max(axis=-1, keepdims=True)
        return top[..., 0] + np.log(np.exp(total - top).sum(axis=-1))

    def _look(self, chances):
        """Simulated counts (J, K) of pieces by grade."""
        chances = np.maximum(chances, 0.0)
        return self.rng.multinomial(self.pieces, chances / chances.sum(axis=1, keepdims=True))

    def _log_chances(self, blend, load):
        """Log chances under the believed draws, (K, N * nodes)."""
        key = (blend, float(load))
        if key not in self._logs:
            chances = self.believed.chances(blend, load, self.effects)
            log = np.log(np.maximum(chances, _TINY))
            self._logs[key] = np.ascontiguousarray(log.reshape(-1, log.shape[-1]).T)
        return self._logs[key]


def expected_sd(log_likelihood, weights, values):
    """Expected posterior standard deviation (B,) of values after looks.

    Parameters
    ----------
    log_likelihood : array (J, N), of J simulated sets of looks under N draws.
    weights : array (N,), of the draws before. values : array (N, B).
    """
    raw = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True)) * weights
    after = raw / raw.sum(axis=1, keepdims=True)
    centred = values - weights @ values
    mean = after @ centred
    variance = after @ centred**2 - mean**2
    return np.sqrt(np.maximum(variance, 0.0)).mean(axis=0)


def choose_pots(candidates, number, bank, worth, passes=1):
    """The pots after which the worth is expected smallest: one after the other, then exchanged.

    Parameters
    ----------
    candidates : list of pots (blend, loads); a pot may be chosen more than once.
    number : pots to choose. bank : PotBank.
    worth : callable, log-likelihood (J, N) to a number, the smaller the better.
    passes : int, rounds in which each chosen pot may be exchanged for any other.

    Returns
    -------
    Chosen indices in the order of choosing, and the worth after each of them.
    """
    chosen, total = [], 0.0
    for _ in range(number):
        found = [worth(total + _fresh(bank, candidates, i, chosen)) for i in range(len(candidates))]
        best = int(np.argmin(found))
        total = total + _fresh(bank, candidates, best, chosen)
        chosen.append(best)
    for _ in range(passes):
        chosen, total, changed = _exchange(candidates, chosen, total, bank, worth)
        if not changed:
            break
    return chosen, _path(candidates, chosen, bank, worth)


def _fresh(bank, candidates, i, chosen):
    """The next replicate of a candidate, beside those chosen already."""
    return bank.pot(*candidates[i], replicate=chosen.count(i))


def _exchange(candidates, chosen, total, bank, worth):
    chosen, changed = list(chosen), False
    for place in range(len(chosen)):
        now, rest = chosen[place], chosen[:place] + chosen[place + 1 :]
        without = total - bank.pot(*candidates[now], replicate=rest.count(now))
        trials = [without + _fresh(bank, candidates, i, rest) for i in range(len(candidates))]
        found = [worth(trial) for trial in trials]
        best = int(np.argmin(found))
        if best != now and found[best] < found[now] * (1.0 - 1e-3):
            chosen[place], total, changed = best, trials[best], True
        else:
            total = trials[now]
    return chosen, total, changed


def _path(candidates, chosen, bank, worth):
    """The worth after each chosen pot, in their order."""
    total, values = 0.0, []
    for place, i in enumerate(chosen):
        total = total + bank.pot(*candidates[i], replicate=chosen[:place].count(i))
        values.append(worth(total))
    return values
