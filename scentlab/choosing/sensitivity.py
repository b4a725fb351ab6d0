"""What the answer would be under other assumptions, by the same draws with other weights."""

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.pick import chosen_loads
from scentlab.fitting.reweighting import reweighted
from scentlab.maths.sampling import K_HAT_LIMIT

AS_IS = "as assumed"
ALONE = "nothing borrowed from earlier series"
_SAID = {
    "logit": "sweat sets in evenly around its middle",
    "skewed": "sweat sets in early and slowly",
}


def find_sensitivity(evidence, rules):
    """The ceiling and the pick under half and twice the scales of the priors that matter, and under
    each link alone.

    Nothing is fitted again: each draw weighs by how much likelier the other assumption makes it.
    Loads are missing where none qualifies; ``weight`` is that of an assumption that is one of
    several, which are averaged, and ``reached`` whether the draws reach so far.
    """
    fit = evidence.sweat
    rows = _rows(AS_IS, fit, evidence, rules)
    if fit.alone is not None:
        rows += _rows(ALONE, fit.alone, evidence, rules)
    for name, log_ratio, weight in _assumptions(fit):
        other = reweighted(fit, log_ratio)
        reached = bool(other.k_hat <= K_HAT_LIMIT and other.effective_size > 100.0)
        rows += _rows(name, other, evidence, rules, weight, reached)
    return pd.DataFrame(rows)


def _rows(name, fit, evidence, rules, weight=np.nan, reached=True):
    ceiling = find_ceiling(fit, rules)
    chosen = chosen_loads(replace(evidence, sweat=fit), rules, ceiling)
    return [
        {
            "assumption": name, "blend": choice["blend"],
            "ceiling_load_pct": float(ceiling.of(choice["blend"])["ceiling_load_pct"]),
            "load_pct": float(choice["load_pct"]), "weight": weight, "reached": reached,
        }
        for choice in chosen
    ]


def _assumptions(fit):
    """Names, log factors of the draws (S,) and weights of the other assumptions."""
    if fit.alone is None:
        yield from _other_scales(fit)
    for i, (link, weight) in enumerate(zip(fit.links["link"], fit.links["weight"], strict=True)):
        with np.errstate(divide="ignore"):
            yield _SAID.get(link, link), np.log(fit.draw_link == i), float(weight)


def _other_scales(fit):
    """As :func:`_assumptions`, of priors half and twice as wide."""
    model, prior = fit.model, fit.model.prior
    values, sd = model.take(fit.draws, "log_spread_shift"), prior.spread_shift_sd
    if not model.spreads:
        values = model.take(fit.draws, "log_spread") - np.log(prior.spread_median)
        sd = prior.spread_log_sd
    for words, factor in (("half", 0.5), ("twice", 2.0)):
        yield (f"pots differ {words} as much",
               _changed(stats.t(prior.sigma_df), fit.named["sigma"], prior.sigma_scale, factor),
               np.nan)
    for words, factor in (("half", 0.5), ("twice", 2.0)):
        yield (f"how gradually sweat sets in differs {words} as much",
               _changed(stats.norm, values, sd, factor).sum(axis=1), np.nan)


def _changed(density, values, scale, factor):
    """How much likelier values become when the scale of their prior is another, as logarithms."""
    other = density.logpdf(values / (factor * scale)) - np.log(factor)
    return other - density.logpdf(values / scale)
