"""Pairs beside scores: what a comparison of two pieces says of the curve of throw.

P(the first is named) = Phi((throw of the first - throw of the second) / noise), Thurstone's model
with the curve of :mod:`~scentlab.fitting.throw_model`. A tester's own difference has a slope of
the tester, like the scores have; the noise has a prior of its own, for scores of single pieces do
not tell it. Draws of the curve are weighed by the likelihood of the pairs.
"""

import numpy as np
import pandas as pd

from scentlab.fitting.throw_model import MEDIANS, SPREAD
from scentlab.maths.curves import SHAPES, scaled
from scentlab.maths.paired import NOISE, NOISE_SPREAD, log_likelihoods

_TWO = ["blend", "load_pct", "second_blend", "second_load_pct"]
NO_PAIRS = pd.DataFrame(columns=[*_TWO, "assessor", "first", "second"])
# Weighed loads closer than this (% of wax) are one planned load.
ONE_LOAD = 0.25
# Draws of the curve are this many times those asked for, then more where the pairs need them.
TIMES = (8, 32)


def settle_pairs(pairs, kind):
    """Pairs of one kind counted: one row per tester and two loads, with how often the ``first``
    and the ``second`` were named. Empty where there are none."""
    if pairs is None or pairs.empty:
        return NO_PAIRS
    own = pairs[(pairs["kind"] == kind) & pairs[_TWO].notna().all(axis=1)]
    own = own.astype({"load_pct": float, "second_load_pct": float})
    loads = own[["load_pct", "second_load_pct"]].to_numpy()
    own = own[(np.abs(loads[:, 0] - loads[:, 1]) > ONE_LOAD) | own["blend"].ne(own["second_blend"])]
    if own.empty or np.ptp(loads) <= ONE_LOAD:
        return NO_PAIRS
    first, second = own["stronger"].eq("first"), own["stronger"].eq("second")
    counted = own[[*_TWO, "assessor"]].assign(first=first.astype(int), second=second.astype(int))
    # The lower load of a blend comes first, whichever was smelt first.
    turned = own["blend"].eq(own["second_blend"]) & own["load_pct"].gt(own["second_load_pct"])
    swap = dict(zip([*_TWO, "first", "second"], [*_TWO[2:], *_TWO[:2], "second", "first"],
                    strict=True))
    counted = pd.concat([counted[~turned], counted[turned].rename(columns=swap)])
    return counted.groupby([*_TWO, "assessor"], as_index=False).sum()


def pair_log_likelihood(pairs, difference, ends, scale, seed):
    """Log-likelihood (D,) of settled pairs under draws of a curve.

    pairs : of :func:`settle_pairs`. difference : callable, (blend, load, other blend, other load)
        to draws (D,) of the throw of the one less that of the other. ends : lowest and highest
        load of the curve. scale : draws (D,) of the sd of testers' slopes, or None where no score
        tells it. seed : of the noise, which is drawn from its prior.
    """
    two = pairs[_TWO].drop_duplicates()
    drawn = np.column_stack([difference(*r) for r in two.itertuples(index=False)])
    rng = np.random.default_rng([seed, 7])
    noise = NOISE * np.exp(NOISE_SPREAD * rng.standard_normal(len(drawn)))
    if scale is None:
        scale = MEDIANS["scale"] * np.exp(SPREAD * rng.standard_normal(len(drawn)))
    shape = SHAPES["logarithmic" if ends[0] > 0 else "linear"]
    one, other = (scaled(shape, two[name].to_numpy(float), None, *ends)
                  for name in ("load_pct", "second_load_pct"))
    named = np.zeros((pairs["assessor"].nunique(), len(two), 2))
    place = pairs[_TWO].merge(two.assign(place=range(len(two))), on=_TWO, how="left")["place"]
    named[pd.factorize(pairs["assessor"])[0], place] = pairs[["first", "second"]]
    return log_likelihoods(drawn, one - other, named, scale, noise)
