"""What a session adds to a score of throw: the minutes on the warmer and the order of smelling.

Scores go about with the logarithm of what is in the air, which in the first minutes goes with the
minutes; so the first term is their logarithm. Noses tire, and a strong piece makes the next one
seem weak: the place in the session and the load smelt just before are used where a tester smelt at
least ``LONG`` pieces in a session. No term is used that goes with the loads themselves, but for the
place: where loads were smelt in their order, what it may add makes the gain less sure.
"""

import numpy as np
import pandas as pd

from scentlab.text import count_of

# A timer is stopped a little early or late; within a fifth the times count as the same.
SAME = 0.2
LONG = 4
# Of a covariate's variance, the least that must lie within pieces of one blend and load.
TIME_WITHIN, ORDER_WITHIN = 0.05, 0.5
WORDS = {
    "position": "from the first to the last piece of a session",
    "before": "from the weakest to the strongest load smelt just before",
}


def session_terms(scores, kind):
    """The usual minutes (nan without a term for them), dict of the covariates (n,), and notes.

    ``minutes``: logarithm against the usual time. ``position``: from 0 to 1 over the session.
    ``before``: the load smelt just before, from 0 to 1 over the loads scored; both 0 on average.
    """
    minutes = pd.to_numeric(scores.get("minutes", pd.Series(np.nan, scores.index)), errors="coerce")
    known, order = minutes.dropna().astype(float), _order_of(scores)
    said = _along(order, scores)
    if kind != "warm" or known.empty:
        return np.nan, order, said
    usual = _usual(known.to_numpy())
    if not (np.abs(known / usual - 1.0) > SAME).any():
        return np.nan, order, said
    notes, missing = said, int(minutes.isna().sum())
    if missing:
        notes += (f"{count_of(missing, 'score')} without minutes on the warmer taken as "
                  f"{usual:g} min.",)
    covariate = np.log(np.maximum(minutes.fillna(usual).to_numpy(float), 1.0) / max(usual, 1.0))
    if _share_within(covariate, scores) < TIME_WITHIN:
        return np.nan, order, notes + (
            "The minutes on the warmer vary with the loads or blends scored, so their effects "
            "cannot be separated: score all loads after the same time.",
        )
    return usual, {"minutes": covariate} | order, notes


def _along(order, scores):
    """A note where the place in the session goes with the loads of a blend."""
    seen = pd.DataFrame({"place": order.get("position", 0.0), "load": scores["load_pct"]})
    seen -= seen.groupby(scores["blend"].astype(str)).transform("mean")
    place, load = seen.to_numpy(float).T
    if (place @ load) ** 2 <= ORDER_WITHIN * (place @ place) * (load @ load):
        return ()
    return ("Loads were smelt mostly in one order, so tired noses cannot be separated from loads "
            "and the gain is less sure: smell them in a mixed order.",)


def _share_within(values, scores):
    """The share of a covariate's variance within pieces of one blend and load (half point)."""
    cells = scores["blend"].astype(str) + (2 * scores["load_pct"]).round().astype(str)
    values = values - values.mean()
    within = values - pd.Series(values).groupby(cells.to_numpy()).transform("mean").to_numpy()
    return within @ within / (values @ values) if values @ values > 1e-9 else 0.0


def _usual(minutes):
    """The whole minute with the most scores within a fifth of it; of equals the one that was
    noted most often, then the least."""
    whole, counts = np.unique(np.maximum(np.round(minutes), 1.0), return_counts=True)
    near = (np.abs(minutes[:, None] / whole - 1.0) <= SAME).sum(axis=0)
    return float(whole[np.lexsort((whole, -counts, -near))[0]])


def _order_of(scores):
    """The covariates of the order of smelling that the scores can show; may be none."""
    if "position" not in scores:
        return {}
    place = pd.to_numeric(scores["position"], errors="coerce")
    session = scores["assessor"].astype(str) + "\n" + scores["sitting"].astype(str)
    length = place.groupby(session).transform("max")
    long = (length >= LONG) & place.notna()
    if long.sum() < 0.5 * len(scores):
        return {}
    load = scores["load_pct"].astype(float)
    load = (load - load.min()) / (load.max() - load.min())
    known = pd.DataFrame({"session": session, "place": place, "load": load}).dropna()
    known = known.drop_duplicates(["session", "place"]).set_index(["session", "place"])["load"]
    before = known.reindex(pd.MultiIndex.from_arrays([session, place - 1.0])).to_numpy()
    found = {
        "position": (place - 1.0) / (length - 1.0).clip(lower=1.0),
        "before": pd.Series(before, index=scores.index),
    }
    centred = {n: v.where(long) - v.where(long).mean() for n, v in found.items()}
    filled = {n: v.fillna(0.0).to_numpy(float) for n, v in centred.items()}
    return {n: v for n, v in filled.items()
            if (np.ptp(v) if n == "position" else _share_within(v, scores) >= ORDER_WITHIN)}
