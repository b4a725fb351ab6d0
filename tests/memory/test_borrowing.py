"""A fit that borrows, and its way back to a fit that does not."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from earlier_series import THREE_LOADS, poured
from scipy import stats

from scentlab.choosing.analysis import analyse
from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.sensitivity import ALONE, AS_IS
from scentlab.fitting.sweat import fit_sweat, weak_prior
from scentlab.maths.graded import CapacityPrior, half_student_of_score
from scentlab.maths.sampling import weighted_quantile
from scentlab.memory.borrowing import (
    _share,
    fit_borrowing,
    log_prior_density,
    mixed,
    with_pots_of_its_own,
)
from scentlab.memory.cells import fit_cells, shared_draws
from scentlab.memory.learning import learn
from scentlab.results import FitError

QUICK = {"draws": 1000, "precise": None}


@pytest.fixture(scope="module")
def new():
    return poured("soft", "fennel", 9.3, [3, 99], THREE_LOADS, 1, 6)


@pytest.fixture(scope="module")
def lent(memory, new):
    return fit_borrowing(memory, new, **QUICK)


def test_the_fit_with_nothing_borrowed_is_that_of_the_series_alone(lent, new):
    alone = fit_sweat(new.sweat(), **QUICK)
    assert np.array_equal(lent.alone.draws, alone.draws)
    assert np.array_equal(lent.alone.weights, alone.weights)


def test_what_was_borrowed_is_said(lent):
    said = [n for n in lent.notes if n.startswith("Borrowed")]
    assert len(said) == 1
    assert "from 8 earlier series" in said[0]


def test_both_halves_together_say_which_pieces_decide():
    """Earlier series make it likely that heat dries pieces; these few do not show it alone."""
    series = poured("soft", "fennel", 9.3, [3, 99], THREE_LOADS, 1, 6)
    alone = fit_sweat(series.sweat(), pooled=False, **QUICK)
    prior = replace(alone.model.prior, stress_centre=-2.0, stress_scale=0.1)
    gentle = fit_sweat(series.sweat(), pooled=False, prior=prior, **QUICK)
    assert (alone.harshest, gentle.harshest) == ("heat", "rest")
    assert mixed(gentle, alone, 0.95).harshest == "rest"
    assert mixed(gentle, alone, 0.05).harshest == "heat"


def test_borrowing_narrows_what_three_batches_cannot_say(lent):
    """Spread, heat, thresholds, pots and misreading, of three pots of one blend."""

    def sds(fit):
        own = shared_draws(fit)[:, 1:]
        return np.sqrt(fit.weights @ (own - fit.weights @ own) ** 2)

    assert np.mean(sds(lent) / sds(lent.alone)) < 0.9


def test_pots_are_never_supposed_more_alike_than_without_earlier_series(memory, new, lent):
    """Against the half Student quantiles of scipy: 0.6 points, 3 degrees of freedom."""
    usual = 0.6 * stats.t(3).ppf(0.5 + np.array([0.5, 0.95]) / 2)
    for centre, factor in ((-1.0, 1.0), (0.8, 1.5)):
        prior = with_pots_of_its_own(CapacityPrior(sigma_centre=centre, sigma_sd=0.3),
                                     weak_prior([8.0], load=8.0))
        scores = prior.sigma_centre + prior.sigma_sd * stats.norm.ppf([0.5, 0.95])
        sds = half_student_of_score(scores, prior.sigma_scale, prior.sigma_df)[0]
        assert np.all(sds > 0.999 * factor * usual)
    alike = fit_sweat(new.sweat(), prior=replace(
        memory.prior("soft", "fennel"), sigma_centre=-1.5, sigma_sd=0.2), **QUICK)
    high = [weighted_quantile(f.named["sigma"], f.weights, 0.9) for f in (lent, lent.alone, alike)]
    assert high[0] > 0.7 * high[1] > 1.5 * high[2]


def test_where_nothing_can_be_alike_nothing_is_borrowed(memory, new):
    none = fit_borrowing(memory, new, unlike=1.0 - 1e-12, **QUICK)
    own, alone = (find_ceiling(f).table.iloc[0]["load_at_risk_pct"] for f in (none, none.alone))
    assert own == pytest.approx(alone, abs=1e-6)


def test_an_odd_fragrance_turns_away_from_the_memory(memory):
    """8 points above all that the workshop has seen: dry where all others are wet."""
    far = poured("soft", "odd", 17.0, [3, 98], (12, 14, 16, 18), 2, 4)
    found = fit_borrowing(memory, far, **QUICK)
    assert "unlike the earlier ones" in " ".join(found.notes)
    capacity = found.weights @ found.named["capacity"][:, 0]
    alone = found.alone.weights @ found.alone.named["capacity"][:, 0]
    assert capacity == pytest.approx(alone, abs=0.5)


def test_the_share_is_the_ratio_of_the_evidences(lent, new):
    """Bridge sampling against plain importance sampling from the wide prior's posterior."""
    prior = CapacityPrior(capacity_centre=(8.5,), capacity_scale=3.0, stress_scale=1.5)
    usual, other = (fit_sweat(new.sweat(), prior=p, draws=6000, precise=None)
                    for p in (None, prior))
    weak = usual.model.prior
    gain = np.exp(log_prior_density(prior, usual) - log_prior_density(weak, usual))
    ratio = usual.weights @ gain
    assert _share(other, usual, prior, 0.5) == pytest.approx(ratio / (1.0 + ratio), abs=0.02)


def test_in_one_go_and_passed_on_agree(series, cells):
    """The last series by a model of all, and by a fit whose prior the others give."""
    last = cells[-1]
    prior = learn(cells[:-1]).prior(last.wax, last.fragrance, wider=False)
    passed = fit_sweat(series[last.series].sweat(), prior=prior, draws=2000, precise=None)
    capacity = passed.named["capacity"][:, 0]
    mean = passed.weights @ capacity
    sd = np.sqrt(passed.weights @ (capacity - mean) ** 2)
    model = learn(cells).learnt
    # Of the model of all: what the others say of the last, times what it says itself.
    means, covariances = model.hierarchy.cavities(model.mean_sds())
    own, told = model.hierarchy.precision[-1], model.hierarchy.information[-1]
    both = np.linalg.inv(np.linalg.inv(covariances[-1]) + own)
    at_once = both @ (np.linalg.solve(covariances[-1], means[-1]) + told)
    assert mean == pytest.approx(at_once[0], abs=0.3 * sd)
    assert sd == pytest.approx(np.sqrt(both[0, 0]), rel=0.3)


def test_an_analysis_shows_the_answer_without_it(memory, new):
    analysis = analyse(new, memory=memory, **QUICK)
    table = analysis.sensitivity
    assert {AS_IS, ALONE} <= set(table["assumption"])
    alone = table.loc[table["assumption"] == ALONE, "ceiling_load_pct"].iloc[0]
    usual = analyse(new, **QUICK).ceiling.table["ceiling_load_pct"].iloc[0]
    assert np.array_equal([alone], [usual], equal_nan=True)


def test_two_blends_borrow_at_once(memory):
    both = poured("soft", "fennel", 9.3, [3, 97])
    other = poured("hard", "fennel", 11.2, [3, 96])
    codes = {c: f"{int(c) + 400}" for c in other.grades["code"].unique()}
    joined = replace(
        both, blends=pd.concat([both.blends, other.blends], ignore_index=True),
        grades=pd.concat([both.grades, other.grades.assign(code=other.grades["code"].map(codes))],
                         ignore_index=True))
    found = fit_borrowing(memory, joined, **QUICK)
    assert found.blends == ("soft", "hard")
    assert found.draws.shape[1] == found.model.size
    assert np.isclose(found.weights.sum(), 1.0)


def test_a_series_is_no_evidence_of_itself(memory, series):
    with pytest.raises(FitError, match="each piece would count twice; leave it out"):
        fit_borrowing(memory, next(iter(series.values())), **QUICK)


def test_names_that_only_look_unlike_are_one(memory, cells, new):
    typed = [replace(c, wax=c.wax.title() if i % 2 else c.wax, fragrance=c.fragrance.upper())
             for i, c in enumerate(cells)]
    found = learn(typed)
    assert len(found.waxes) == len(memory.waxes)
    assert len(found.pairs) == len(memory.pairs)
    assert found.prior("soft", "fig") == memory.prior("soft", "fig")
    fit = fit_borrowing(replace(found, invented=True), replace(new, fragrance="FIG"), **QUICK)
    assert any("Tested before: soft, FIG." in n for n in fit.notes)
    fit = fit_borrowing(memory, replace(new, fragrance="Fig "), **QUICK)
    assert any("Tested before: soft, fig." in n for n in fit.notes)


def test_invented_series_are_no_evidence_of_real_ones(memory, new):
    with pytest.raises(FitError, match="invented series are no evidence about real ones"):
        fit_borrowing(memory, replace(new, invented=False), **QUICK)


def test_pieces_kept_in_another_way_are_no_evidence(memory, new):
    grades = new.grades[new.grades["stress"] == "heat"]
    with pytest.raises(FitError, match="kept differently"):
        fit_borrowing(memory, replace(new, grades=grades), **QUICK)


def test_a_series_kept_otherwise_is_named(series, cells):
    name, own = next(iter(series.items()))
    heat = replace(own, grades=own.grades[own.grades["stress"] == "heat"])
    found = learn([*cells[1:], *fit_cells(heat, name)])
    assert found.notes == (f"{cells[0].name} kept its pieces differently from the others and is "
                           "not used.",)
