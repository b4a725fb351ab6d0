"""A sweat fit under other evidence or another prior, by its own draws with other weights.

Whatever is compared this way rests on the same draws, so that a difference shows what changed and
not how the dice fell. The weights are smoothed, and k-hat says how far they can be trusted
(Vehtari, Simpson, Gelman, Yao & Gabry 2024, "Pareto smoothed importance sampling").
"""

from dataclasses import replace

import numpy as np

from scentlab.fitting.sweat import rebuild_models
from scentlab.maths.ordinal import Counts, log_likelihood
from scentlab.maths.sampling import even_places, moments, smooth_weights

GRADES = [f"g{g}" for g in range(5)]
GROUPS = 10
MOVES, FEW_BLENDS = 5, 4


def reweighted(fit, log_ratio):
    """A sweat fit whose draws each weigh more by a factor, its log up to a constant (S,).

    By so much a draw's new log-posterior exceeds the old one. Its ``k_hat`` is the shape of the
    largest weights: above 0.7 (``sampling.K_HAT_LIMIT``) the draws do not reach the new posterior.
    """
    with np.errstate(divide="ignore", invalid="ignore"):  # draws of no weight keep none
        log_weights, k_hat = smooth_weights(np.log(fit.weights) + log_ratio)
    return replace(_weighted(fit, np.exp(log_weights)), k_hat=k_hat)


def _weighted(fit, weights):
    weights = weights / weights.sum()
    shares = np.bincount(fit.draw_link, weights, minlength=len(fit.links))
    return replace(fit, weights=weights, links=fit.links.assign(weight=shares))


def taken(fit, places):
    """A sweat fit of the draws at these places, each of the same weight."""
    return replace(
        fit, draws=fit.draws[places], weights=np.full(len(places), 1.0 / len(places)),
        draw_link=fit.draw_link[places], draw_lot=fit.draw_lot[places],
        told={pot: own[places] for pot, own in fit.told.items()},
    )


def thinned(fit, size):
    """A sweat fit of so many draws of like weight, in their order."""
    return taken(fit, even_places(fit.weights, size))


def without_pot(fit, pot):
    """A sweat fit as it would be without the evidence of one pot, as :func:`reweighted`. The counts
    lack the pot."""
    kept = fit.counts["pot"].astype(str) != pot
    return replace(reweighted(fit, -fit.told[pot]), counts=fit.counts[kept].reset_index(drop=True))


def moved_without(fit, looks, pot, size, enough):
    """As :func:`without_pot`, of ``size`` draws that are moved to where the other pots put them.

    The draws take the mean and covariance that they have without the pot, and are weighed by the
    likelihood of the others there; again until k-hat is ``enough`` (Paananen, Piironen, Buerkner &
    Vehtari 2021, "Implicitly adaptive importance sampling").
    """
    blend = looks.loc[looks["pot"].astype(str) == pot, "blend"].iloc[0]
    found, few = without_pot(fit, pot), thinned(fit, size)
    for places, own in _scopes(fit, looks, blend):
        found = _moved(few, found, pot, places, own, enough)
        if found.k_hat <= enough:
            break
    return found


def _scopes(fit, looks, blend):
    """Parameters that are moved together, and the looks that tell of them: of many blends those of
    the pot's own alone, if they will do."""
    if len(fit.blends) > FEW_BLENDS:
        first = [fit.model.places[key].start for key in ("capacity", "log_spread_shift")]
        places = np.array(first[: 1 + fit.model.spreads]) + fit.blends.index(blend)
        yield places, looks[looks["blend"] == blend]
    yield np.arange(fit.draws.shape[1]), looks


def _moved(few, found, pot, places, looks, enough):
    """The draws of ``few`` with parameters moved to where they are in ``found``, weighed anew; from
    there again."""
    pots, counts = looks["pot"].astype(str), found.counts
    models = rebuild_models(few, looks[pots != pot])
    before = sum(few.told[p] for p in pots.unique()) + models[0].log_prior(few.draws)[0]
    mean, root = _moments(few, places)
    steps = np.linalg.solve(root, (few.draws[:, places] - mean).T).T
    for _ in range(MOVES):
        there, spread = _moments(found, places)
        draws = few.draws.copy()
        draws[:, places] = there + steps @ spread.T
        after = np.concatenate([
            model.log_posterior(draws[few.draw_link == i]) for i, model in enumerate(models)])
        stretch = np.log(np.diag(spread) / np.diag(root)).sum()
        found = reweighted(replace(few, draws=draws, told={}), after - before + stretch)
        if found.k_hat <= enough:
            break
    return replace(found, counts=counts)


def _moments(fit, places):
    """Mean (k,) and root of the covariance (k, k) of some parameters."""
    mean, covariance = moments(fit.draws[:, places], fit.weights)
    return mean, np.linalg.cholesky(covariance)


def pot_log_likelihood(fit, counts=None):
    """Log-likelihood (S, P) of the grades of each pot of counts like ``fit.counts`` (None: those)
    under each draw, averaged over the pot's effect; pots as they first appear."""
    counts = fit.counts if counts is None else counts
    named = fit.named
    pots = [own for _, own in counts.groupby("pot", sort=False)]
    return np.column_stack([_of_pot(fit, named, own) for own in pots])


def pour_locations(fit, counts):
    """Location of each row of counts under each draw (S, n), latent, before its pot's effect, and
    the spreads (S, n)."""
    named = fit.named
    blend = counts["blend"].map({b: i for i, b in enumerate(fit.blends)}).to_numpy(int)
    spread = named["spread"][:, blend]
    reach = counts["load_pct"].to_numpy(float) - named["capacity"][:, blend]
    if fit.model.aged:
        reach = reach + named["ageing"][:, None] * np.log2(
            counts["age_days"].to_numpy(float) / fit.ages[1]
        )
    stress = [counts["stress"].eq(s).to_numpy(float) for s in fit.stresses[1:]]
    return reach / spread + sum(named["stress"][:, [i]] * s for i, s in enumerate(stress)), spread


def _of_pot(fit, named, counts):
    cells = counts[GRADES].to_numpy(float)
    data = Counts(cells, np.zeros((len(cells), 0)), np.zeros(1, int), np.zeros(1, int))
    eta, spread = pour_locations(fit, counts)
    sigma = named["sigma"][:, None] / spread[:, :1]
    found = np.empty(len(eta))
    for i, link in enumerate(fit.links["link"]):
        own = fit.draw_link == i
        if not own.any():
            continue
        found[own] = log_likelihood(
            data, named["tau"][own], eta[own], sigma[own], link=link,
            misread=named["misread"][own] if fit.model.reads else None, derivatives=False,
        ).value  # fmt: skip
    return found


def leave_out_draws(fit, statistic):
    """A statistic, a number or an array (k,), of a fit without each tenth of its lots of draws in
    turn, for :func:`draw_error`: (10,) or (10, k). Draws of one lot are not independent, lots are.
    Fits that share their draws lose the same ones, so that differences have the error of a
    difference."""
    return np.array([statistic(_weighted(fit, w)) for w in _left_out(fit)])


def _left_out(fit):
    """The weights without each tenth of the lots; those left of a link stand for all of it."""
    _, lot = np.unique(fit.draw_lot, return_inverse=True)
    size = np.bincount(fit.draw_link).astype(float)
    for g in range(GROUPS):
        kept = lot % GROUPS != g
        left = np.maximum(np.bincount(fit.draw_link, kept), 1.0)
        yield fit.weights * kept * (size / left)[fit.draw_link]


def draw_error(values):
    """Monte Carlo standard error of :func:`leave_out_draws` by the jackknife over groups of draws
    (Efron 1982, ch. 3); missing where any value is."""
    return np.sqrt((GROUPS - 1) * np.var(values, axis=0))
