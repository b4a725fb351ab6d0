"""The sweat fit of a series with what the workshop's earlier series say, and without.

The prior of the fit is a mixture: what the workshop makes likely, and with a small chance the
usual weak prior, as if nothing had been borrowed (Schmidli, Gsteiger et al. 2014, "Robust
meta-analytic-predictive priors in clinical trials"). A series that is unlike the others so turns
away from them by its own pieces.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import special, stats

from scentlab.fitting.sweat import PRECISE, fit_sweat, harshest_of
from scentlab.maths.threads import one_thread
from scentlab.memory.cells import grader, looks_key, wax_of
from scentlab.results import FitError, say_percent
from scentlab.units import say_points

_NOTICED = 0.05  # points, or share of the gaps between grades, that a tester is milder
UNLIKE = 0.4  # chance beforehand that a series is unlike all that the workshop has seen


@one_thread()
def fit_borrowing(memory, series, *, draws=2000, precise=PRECISE, seed=1, unlike=UNLIKE):
    """Fit the sweat of a series with a :class:`scentlab.memory.learning.Memory` as its prior.

    memory : Memory of other series of the workshop. series : Series. draws, precise, seed : as in
        ``fit_sweat``. unlike : chance that nothing of the memory holds.
    Returns SweatFit whose ``alone`` is the fit with nothing borrowed.
    Raises FitError where the series was not kept like those of the memory, is one of them, or is
    real and
    they are invented, or as ``fit_sweat`` does.
    """
    _check(memory, series)
    looks, options = series.sweat(), {"draws": draws, "precise": precise, "seed": seed}
    alone = fit_sweat(looks, series.limits, **options)
    if alone.stresses[0] != memory.kept:
        raise FitError("pieces of the earlier series were kept differently from these, so "
                       "nothing can be borrowed; leave the earlier series out")
    waxes, fragrances = zip(*(memory.spelt(wax_of(series, blend), series.fragrance_name)
                              for blend in alone.blends), strict=True)
    tester = grader(looks)
    prior = with_pots_of_its_own(memory.prior(waxes, fragrances[0], tester=tester),
                                 alone.model.prior)
    lent = fit_sweat(looks, pooled=False, prior=prior, **options)
    usual = alone if len(waxes) == 1 else fit_sweat(
        looks, series.limits, pooled=False, **options)
    share = _share(lent, usual, prior, unlike)
    found, said = as_others_grade(mixed(lent, usual, share), memory, tester)
    return replace(found, alone=alone,
                   notes=alone.notes + says(memory, waxes, fragrances[0], share) + said,
                   prior={**lent.prior, "unlike the workshop": say_percent(unlike)})


def with_pots_of_its_own(prior, usual):
    """The prior in which pots are never supposed more alike than in the usual one, and may be as
    unlike: a few single pots cannot show it, so that what is supposed of them decides."""
    return replace(prior, sigma_centre=max(prior.sigma_centre, usual.sigma_centre),
                   sigma_sd=usual.sigma_sd, sigma_scale=usual.sigma_scale,
                   ageing_scale=usual.ageing_scale)


def _check(memory, series):
    if bool(series.invented) != bool(memory.invented):
        raise FitError("invented series are no evidence about real ones, so nothing can be "
                       "borrowed; keep them in their own folders")
    if looks_key(series) in {c.key for c in memory.cells}:
        raise FitError("this series is among those it would borrow from, so each piece would count "
                       "twice; leave it out")


def says(memory, waxes, fragrance, share):
    """What was borrowed, in sentences."""
    known = [name for name in dict.fromkeys((*waxes, fragrance))
             if name in (*memory.waxes, *memory.fragrances)]
    what = [memory.sentence, f"Tested before: {', '.join(known) or 'none of its materials'}."]
    if share < 0.5:
        what.append("This series is unlike the earlier ones, so it rests mostly on its own pieces.")
    return (f"Borrowed from this workshop: {' '.join(what)}",)


def as_others_grade(fit, memory, tester):
    """The fit as the workshop's other testers would grade, where this one sees sweat later or calls
    it less than they do, and a note; never the other way round."""
    more = np.maximum(memory.of_grader(tester)[0], 0.0)
    if more.max() < _NOTICED:
        return fit, ()
    draws = fit.draws.copy()
    for key, shift in zip(("capacity", "log_gaps"), more, strict=True):
        draws[:, fit.model.places[key]] -= shift
    fewer = -np.expm1(-more[1])
    return replace(fit, draws=draws), (
        f"In earlier series {tester} graded sweat a little more mildly than the others. Loads are "
        f"given as the others would have graded: {say_points(more[0])} lower, further grades "
        f"{100 * fewer:.0f} % closer together.",)


def mixed(lent, usual, share):
    """Two fits of the same series as one, the first with that share of the weight."""
    link = np.concatenate([lent.draw_link, usual.draw_link])
    order = np.argsort(link, kind="stable")
    weights = np.concatenate([share * lent.weights, (1.0 - share) * usual.weights])[order]
    lots = np.concatenate([lent.draw_lot, usual.draw_lot + lent.draw_lot.max() // 1000 * 1000
                           + 1000])
    drawn = {"draws": np.vstack([lent.draws, usual.draws])[order], "weights": weights}
    return replace(
        usual, **drawn, harshest=harshest_of(usual.stresses, usual.model, drawn),
        draw_link=link[order], draw_lot=lots[order], k_hat=max(lent.k_hat, usual.k_hat),
        told={pot: np.concatenate([lent.told[pot], own])[order] for pot, own in usual.told.items()},
        links=usual.links.assign(weight=np.bincount(link[order], weights, len(usual.links))),
    )


def _share(lent, usual, prior, unlike):
    """Posterior chance of the borrowed prior, by bridge sampling of the ratio of the evidences
    (Meng & Wong 1996, "Simulating ratios of normalizing constants via a simple identity")."""
    here, there = (log_prior_density(prior, f) - log_prior_density(usual.model.prior, f)
                   for f in (lent, usual))
    level = float(np.average(here, weights=lent.weights))
    log_ratio = level
    for _ in range(50):
        up = usual.weights @ special.expit(there - log_ratio)
        down = lent.weights @ special.expit(log_ratio - here)
        log_ratio += np.log(max(up, 1e-300)) - np.log(max(down, 1e-300))
    return float(special.expit(log_ratio + special.logit(1.0 - unlike)))


def log_prior_density(prior, fit):
    """Log density (S,) of a CapacityPrior without pooling at the draws of a fit, normalised."""
    take, scale = fit.model.take, np.asarray(prior.capacity_scale)
    away = (take(fit.draws, "capacity") - np.asarray(prior.capacity_centre)) / scale
    found = (stats.t(prior.capacity_df).logpdf(away) - np.log(scale)).sum(axis=1)
    for key, (mean, sd) in prior.normals().items():
        own = take(fit.draws, key)
        if own.size:
            found = found + stats.norm.logpdf(own, mean, sd).sum(axis=1)
    return found
