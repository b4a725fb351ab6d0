"""A new lot of a blend that was tested: a few pots of it, and what the old series knows beside.

The old series is the prior of everything: its posterior draws of thresholds, spread, heat, pots and
of the blend's capacity are taken as they are. The new lot moves the capacity by a shift that is
normal about 0; the sd of lots is log-normal. Nobody has published how far lots lie apart, so it is
wide: two lots lie 0 to some 4 points of load apart. Common practice, no source. The grades of the
new lot's pots weigh draws and shifts together.
"""

from dataclasses import replace

import numpy as np
from scipy import stats

from scentlab.fitting.looks import count_pours, place_of, settle_looks
from scentlab.fitting.reweighting import pot_log_likelihood, reweighted, taken
from scentlab.maths.sampling import even_places
from scentlab.results import FitError

_DRAWS, _SHIFTS = 2000, 24
LOT_SD_MEDIAN, LOT_SD_LOG_SD = 0.8, 0.8  # points of load


def fit_new_lot(fit, looks, blend, *, seed=1):
    """A sweat fit of the blend with a new lot, by its ``looks``, and its shift of the capacity
    (S,): points of load, below 0 it sweats earlier, with the weights of the fit.

    The counts of the fit are those of the new lot alone, and its ``k_hat`` says how far its draws
    reach. FitError without a grade of the new lot, for another blend, or a stress that was never
    graded.
    """
    blend_place = place_of(fit, blend)
    own, _ = settle_looks(looks[looks["blend"] == blend], "sweat", ages=True)
    strange = sorted(set(own["stress"]) - set(fit.stresses))
    if strange:
        raise FitError(f"pieces of the new lot were graded after {strange[0]} but none of the old "
                       "lot were; grade them as before")
    counts, rng = count_pours(own), np.random.default_rng(seed)
    kept = even_places(fit.weights, _DRAWS, rng.random())
    place = np.repeat(kept, _SHIFTS)
    shift = _shifts(len(kept), rng)
    moved = replace(taken(fit, place), counts=counts)
    moved.draws[:, fit.model.places["capacity"].start + blend_place] += shift
    return reweighted(moved, pot_log_likelihood(moved).sum(axis=1)), shift


def _shifts(draws, rng):
    """Shifts of one lot against another, spread evenly over their prior for each draw: (S K,).

    Each lot strays from their mean, so two lie apart by the root of 2 times the sd of lots.
    """
    levels = (np.arange(_SHIFTS) + rng.random((draws, _SHIFTS))) / _SHIFTS
    sd = LOT_SD_MEDIAN * np.exp(LOT_SD_LOG_SD * rng.standard_normal(levels.shape))
    return (np.sqrt(2.0) * sd * stats.norm.ppf(levels)).ravel()
