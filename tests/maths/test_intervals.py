"""Exact limits of a chance: against scipy's, by hand and by their coverage."""

import numpy as np
import pytest
from scipy import stats

from scentlab.maths.intervals import binomial_limits


class TestBinomial:
    @pytest.mark.parametrize("hits, trials", [(0, 1), (0, 16), (3, 20), (20, 20), (17, 1000)])
    @pytest.mark.parametrize("confidence", [0.683, 0.9, 0.95])
    def test_as_scipy_binomtest(self, hits, trials, confidence):
        exact = stats.binomtest(hits, trials).proportion_ci(confidence, method="exact")
        found = binomial_limits(hits, trials, confidence)
        assert found == pytest.approx(tuple(exact), abs=1e-12)

    def test_none_of_twenty(self):
        """By hand: 1 - 0.025^(1/20); one-sided at 95 %, 1 - 0.05^(1/20) = 13.9 %."""
        assert binomial_limits(0, 20)[1] == pytest.approx(1 - 0.025 ** (1 / 20))
        assert binomial_limits(0, 20, 0.90)[1] == pytest.approx(0.139, abs=5e-4)

    def test_limits_hold_at_least_as_often_as_they_say(self):
        """Summed over all outcomes of 30 trials, for chances small and middling."""
        hits = np.arange(31)
        lower, upper = binomial_limits(hits, 30, 0.9)
        for chance in (0.001, 0.02, 0.05, 0.31, 0.5):
            inside = (lower <= chance) & (chance <= upper)
            assert stats.binom.pmf(hits, 30, chance)[inside].sum() >= 0.9
