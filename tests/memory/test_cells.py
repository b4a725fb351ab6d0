"""What a series says by itself."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.graded import CapacityPrior
from scentlab.memory.borrowing import log_prior_density
from scentlab.memory.cells import (
    KEYS,
    UNKNOWN,
    Cell,
    cells_from_arrays,
    cells_to_arrays,
    fit_cells,
    looks_key,
    site,
    usual_normals,
    wax_of,
)
from scentlab.series import HIDDEN_FRAGRANCE


def normal_cell(mean, sd, size=40_000, seed=1):
    """A cell whose evidence is a normal about ``mean`` with ``sd``: its draws, under its prior."""
    middle, wide = usual_normals(9.0)
    precision = sd**-2.0 + wide**-2.0
    centre = (mean / sd**2 + middle / wide**2) / precision
    unit = stats.qmc.Sobol(len(KEYS), seed=seed).random(2**15)
    draws = centre + stats.norm.ppf(unit) / np.sqrt(precision)
    return Cell("a", "soft", "soft", "fig", ("rest", "heat"), 2, 20, 9.0, draws,
                np.full(len(draws), 1.0 / len(draws)))


SD = np.array([0.8, 0.4, 1.0, 0.5, 0.5, 0.5, 0.7, 0.9])
MEAN = usual_normals(9.0)[0] + 0.5 * SD


def test_a_site_is_the_posterior_divided_by_its_prior():
    precision, information = site(normal_cell(MEAN, SD))
    assert np.diag(precision) == pytest.approx(SD**-2.0, rel=0.02)
    assert information == pytest.approx(MEAN / SD**2, rel=0.03)


def test_a_site_is_the_same_about_what_others_say():
    cavity = MEAN - 0.3 * SD, np.diag((1.5 * SD) ** 2)
    precision, information = site(normal_cell(MEAN, SD), cavity)
    assert np.diag(precision) == pytest.approx(SD**-2.0, rel=0.05)
    assert information == pytest.approx(MEAN / SD**2, rel=0.05)


def test_where_draws_do_not_reach_the_site_is_made_on_the_way():
    """Far from the others a normal's evidence stays what it is."""
    cavity = MEAN + 12.0 * SD, np.diag((0.4 * SD) ** 2)
    precision, information = site(normal_cell(MEAN, SD), cavity)
    assert np.diag(precision) == pytest.approx(SD**-2.0, rel=0.4)
    assert np.linalg.solve(precision, information) == pytest.approx(MEAN, abs=0.5 * SD.max())


def test_what_a_series_lacks_says_nothing(series, cells):
    cell = replace(cells[0], draws=cells[0].draws.copy())
    cell.draws[:, KEYS.index("stress")] = np.nan
    precision, information = site(cell)
    place = KEYS.index("stress")
    assert not precision[place].any()
    assert information[place] == 0.0


def test_cells_come_back_from_a_file_and_only_for_the_same_looks(cells, series, tmp_path):
    name, own = next(iter(series.items()))
    key = looks_key(own)
    np.savez(tmp_path / "a.npz", **cells_to_arrays(cells[:1], key, 1))
    with np.load(tmp_path / "a.npz", allow_pickle=False) as kept:
        back, = cells_from_arrays(kept, key, 1)
        assert back.name == cells[0].name
        assert back.key == cells[0].key == key
        assert np.array_equal(back.draws, cells[0].draws, equal_nan=True)
        assert cells_from_arrays(kept, key, 2) is None
    grades = own.grades.assign(grade=own.grades["grade"].mask(own.grades.index == 0, 4))
    assert looks_key(replace(own, grades=grades)) != key


def test_a_fragrance_that_is_not_shared_is_no_name(series):
    one = next(iter(series.values()))
    hidden = replace(one, fragrance=HIDDEN_FRAGRANCE)
    assert hidden.fragrance_name == ""
    names = {c.fragrance for place in "ab" for c in fit_cells(hidden, place)}
    assert names == {f"{UNKNOWN} (a)", f"{UNKNOWN} (b)"}


def test_a_blend_of_waxes_is_told_by_its_parts_in_one_order(series):
    one = next(iter(series.values()))
    for names in (("hard", "soft", "other"), ("Soft", "hard", "other")):
        parts = pd.DataFrame([(0.4, 0.6, 0.0)], index=["mix"], columns=names)
        blend = replace(one, fractions=parts)
        soft = 60 if names[1] == "soft" else 40
        assert wax_of(blend, "mix").lower() == f"{100 - soft} % hard + {soft} % soft"
        assert blend.wax_parts("mix") == {names[0]: 0.4, names[1]: 0.6}
    assert wax_of(one, "no such blend") == "no such blend"


def test_the_prior_density_is_that_of_the_model_up_to_a_constant(series):
    """Against the log prior that the sampler itself uses, for two priors at the same draws."""
    from scentlab.fitting.looks import settle_looks
    from scentlab.fitting.sweat import look_counts
    from scentlab.maths.graded import CapacityModel

    looks = next(iter(series.values())).sweat()
    fit = fit_sweat(looks, draws=200, precise=None)
    settled, _ = settle_looks(looks, "sweat", ages=True)
    other = CapacityPrior(
        capacity_centre=(8.0,), capacity_scale=(1.5,), capacity_df=4.0, spread_median=0.5,
        spread_log_sd=0.3, stress_centre=0.7, stress_scale=0.5, gap_median=(1.2, 1.4, 1.6),
        gap_log_sd=(0.2, 0.3, 0.4), sigma_centre=-0.4, sigma_sd=0.5, misread_median=0.03,
        misread_logit_sd=0.6)
    for prior in (CapacityPrior(capacity_centre=(9.0,)), other):
        model = CapacityModel(look_counts(settled, fit.blends, fit.stresses), 1, prior)
        gap = log_prior_density(prior, fit) - model.log_prior(fit.draws)[0]
        assert gap == pytest.approx(gap[0], abs=1e-8)
        # The constant itself: the density is normalised in each coordinate.
    kept = replace(fit, draws=np.repeat(fit.draws[:1], 4001, axis=0))
    first = fit.model.places["capacity"].start
    kept.draws[:, first] = np.linspace(-192.0, 208.0, 4001)
    along = np.exp(log_prior_density(other, kept))
    rest = np.exp(log_prior_density(other, replace(kept, draws=kept.draws[[2000]])))
    peak = stats.t(4.0).pdf((kept.draws[2000, first] - 8.0) / 1.5) / 1.5
    assert along.sum() * 0.1 * peak / rest[0] == pytest.approx(1.0, rel=1e-3)
