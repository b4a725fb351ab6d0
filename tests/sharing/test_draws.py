"""The draws for a statistician's tools say what the fits say."""

import sys

import numpy as np
import pytest

from scentlab.maths.sampling import weighted_quantile
from scentlab.sharing.draws import draws_tree


@pytest.fixture(scope="module")
def tree(analysis):
    pytest.importorskip("arviz_base", reason="needs the extra draws")
    return draws_tree(analysis, draws=4000)


def test_the_draws_have_the_quantiles_of_the_fit(tree, analysis):
    """Systematic resampling moves a quantile by one step of the weights at most."""
    sweat, drawn = analysis.sweat, tree["posterior"]
    for b, blend in enumerate(sweat.blends):
        for name, key in (("half_sweat_load", "capacity"), ("spread", "spread")):
            own, values = drawn[name].sel(blend=blend).values[0], sweat.named[key][:, b]
            step = sweat.weights.max() + 1 / len(own)
            for level in (0.05, 0.5, 0.95):
                lower, upper = weighted_quantile(
                    values, sweat.weights, (level - step, level + step))
                assert lower <= np.quantile(own, level) <= upper
    assert (drawn["threshold"].sel(grade=1) == 0).all()
    assert (drawn["threshold"].diff("grade") > 0).all()


def test_throw_and_what_was_seen_are_there(tree, analysis):
    for b, blend in enumerate(analysis.throw.blends):
        np.testing.assert_array_equal(
            tree["throw"]["rise"].sel(throw_blend=blend).values[0], analysis.throw.rise[:, b])
    seen = analysis.series.sweat()
    assert int(tree["observed_data"]["grade"].sum()) == int(seen["grade"].sum())


def test_without_the_library_it_says_which_one(analysis, monkeypatch):
    monkeypatch.setitem(sys.modules, "arviz_base", None)
    with pytest.raises(ImportError, match="^the draws need arviz-base; install it with: pip"):
        draws_tree(analysis)
