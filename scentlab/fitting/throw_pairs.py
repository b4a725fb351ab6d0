"""Pairs beside scores: what a comparison of two pieces says of the curve of throw.

P(the first is named) = Phi((throw of the first - throw of the second) / noise), Thurstone's model
with the curve of :mod:`~scentlab.fitting.throw_model`. A tester's own difference has a slope of
the tester, like the scores have; the noise has a prior of its own, for scores of single pieces do
not tell it. Pots, batches and pieces differ as those that are scored do: two batches compared over
and over tell of these two, and only so far of their loads. Draws of the curve, with draws of what
differs, are weighed by the likelihood of the pairs. The piece of one tester alone counts as his
own difference. Pairs of a tester who names the first piece, or the second, whatever is smelt are
left out: with both orders they look like no difference and show none.
"""

import numpy as np
import pandas as pd

from scentlab.fitting.looks import NEAR_PCT
from scentlab.fitting.throw_model import MEDIANS, SPREAD
from scentlab.frames import checked
from scentlab.maths.curves import SHAPES, scaled
from scentlab.maths.paired import NOISE, NOISE_SPREAD, agreeing_chance, log_likelihoods

_ONE = ["blend", "load_pct", "pour", "pot"]
_TWO = [*_ONE, *(f"second_{name}" for name in _ONE)]
_TURNED = {a: b for one, two in zip([*_ONE, "first", "code"],
                                    [*_TWO[len(_ONE):], "second", "second_code"], strict=True)
           for a, b in ((one, two), (two, one))}
NO_PAIRS = pd.DataFrame(columns=[*_TWO, "assessor", "first", "second", "own", "shared"])
# Draws of the curve are this many times those asked for, then more where the pairs need them.
TIMES = (8, 32)
HABIT = 0.05  # level of the test of an order habit, over all testers (Bonferroni)


def order_habits(pairs, kind):
    """Testers whose answers follow the order, with the words of it: a dict by tester, of one kind
    of throw.

    Exact and two-sided, of each tester alone. Where it holds in one order only, the higher load
    always first, say, it may as well be what was smelt, and is no habit.
    """
    found, by_tester = {}, _of_kind(pairs, kind).groupby("assessor")
    for tester, own in by_tester:
        first, n = own["stronger"].eq("first"), len(own)
        most = max(int(first.sum()), n - int(first.sum()))
        which = "first" if first.mean() > 0.5 else "second"
        higher_first = own["load_pct"] > own["second_load_pct"]
        held = own["stronger"].eq(which).groupby(higher_first).mean()
        if agreeing_chance(most, n, 2) < HABIT / len(by_tester) and (held > 0.5).sum() == 2:
            found[tester] = f"{tester} named the {which} piece in {most} of {n} pairs"
    return found


def _of_kind(pairs, kind):
    """Pairs of one kind of two loads, or of two blends."""
    known = pairs[["blend", "load_pct", "second_blend", "second_load_pct"]].notna().all(axis=1)
    own = pairs[(pairs["kind"] == kind) & known]
    own = own.astype({"load_pct": float, "second_load_pct": float})
    apart = (own["load_pct"] - own["second_load_pct"]).abs() > NEAR_PCT
    return own[apart | own["blend"].ne(own["second_blend"])]


def settle_pairs(pairs, kind):
    """Pairs of one kind counted: one row per tester and two batches, with how often the ``first``
    and the ``second`` were named, and the variances (of a piece's) that pieces smelt by one tester
    (``own``) and by several (``shared``) add to the difference; without testers of an
    :func:`order habit <order_habits>`. Empty where there are none."""
    if pairs is None or pairs.empty:
        return NO_PAIRS
    pairs = checked(pairs, "pairs")
    own = _of_kind(pairs, kind)
    own = own[~own["assessor"].isin(order_habits(pairs, kind))]
    if own.empty or np.ptp(own[["load_pct", "second_load_pct"]].to_numpy()) <= NEAR_PCT:
        return NO_PAIRS
    named = {name: own["stronger"].eq(name).astype(int) for name in ("first", "second")}
    each = own.rename(columns={"second": "second_code"})[
        [*_TWO, "assessor", "code", "second_code"]].assign(**named)
    # The lower load of a blend comes first, whichever was smelt first.
    turned = each["blend"].eq(each["second_blend"]) & each["load_pct"].gt(each["second_load_pct"])
    each = pd.concat([each[~turned], each[turned].rename(columns=_TURNED)])
    counted = each.groupby([*_TWO, "assessor"], as_index=False)[["first", "second"]].sum()
    pieces = [(*two, *_piece_variances(of)) for two, of in each.groupby(_TWO)]
    return counted.merge(pd.DataFrame(pieces, columns=[*_TWO, "own", "shared"]), on=_TWO)


def _piece_variances(of):
    """Variance that pieces add to the difference of two batches, in that of a piece: the mean over
    testers of pieces that only one tester smelt, and that of pieces smelt by several."""
    own = shared = 0.0
    for side in ("code", "second_code"):
        times = of.groupby([side, "assessor"]).size()
        alone = times.groupby(level=0).transform("size") == 1
        share = times / times.groupby(level=1).transform("sum")
        own += (share[alone] ** 2).sum() / of["assessor"].nunique()
        shared += ((times[~alone].groupby(level=0).sum() / len(of)) ** 2).sum()
    return own, shared


def pair_log_likelihood(pairs, difference, ends, sds, seed):
    """Log-likelihood (D,) of settled pairs under draws of a curve.

    pairs : of :func:`settle_pairs`. difference : callable, (blend, load, other blend, other load)
        to draws (D,) of the throw of the one less that of the other. ends : lowest and highest
        load of the curve. sds : dict of key in ``MEDIANS`` to draws (D,) of its sd, as far as
        scores tell them; the others, the noise and what differs are drawn from their priors.
    """
    two = pairs[[*_TWO, "own", "shared"]].drop_duplicates(_TWO)
    drawn = np.column_stack([
        difference(r.blend, r.load_pct, r.second_blend, r.second_load_pct)
        for r in two.itertuples()])
    rng, size = np.random.default_rng([seed, 7]), len(drawn)
    noise = NOISE * np.exp(NOISE_SPREAD * rng.standard_normal(size))
    sds = {name: sds.get(name, MEDIANS[name] * np.exp(SPREAD * rng.standard_normal(size)))[:, None]
           for name in ("scale", "pot", "pour", "code")}
    for name in ("pot", "pour"):
        levels, place = np.unique(two[[name, f"second_{name}"]].to_numpy(str), return_inverse=True)
        effects = sds[name] * rng.standard_normal((size, len(levels)))
        one, other = place.reshape(len(two), 2).T
        drawn = drawn + effects[:, one] - effects[:, other]
    shared = np.sqrt(two["shared"].to_numpy(float))
    drawn = drawn + sds["code"] * shared * rng.standard_normal(drawn.shape)
    shape = SHAPES["logarithmic" if ends[0] > 0 else "linear"]
    one, other = (scaled(shape, two[name].to_numpy(float), None, *ends)
                  for name in ("load_pct", "second_load_pct"))
    slopes = np.hypot(sds["scale"] * (one - other), sds["code"] * np.sqrt(two["own"].to_numpy()))
    slopes = np.where(one < other, -slopes, slopes)
    named = np.zeros((pairs["assessor"].nunique(), len(two), 2))
    place = pairs[_TWO].merge(two.assign(place=range(len(two))), on=_TWO, how="left")["place"]
    named[pd.factorize(pairs["assessor"])[0], place] = pairs[["first", "second"]]
    return log_likelihoods(drawn, slopes, named, noise)
