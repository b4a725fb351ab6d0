"""What the order of smelling adds to a score: the place in the session and the piece just before.

Noses tire, and a strong piece makes the next one seem weak. The two terms are used where a tester
smelt at least ``LONG`` pieces in a session and the order was mixed enough to tell them from the
loads themselves.
"""

import pandas as pd

LONG = 4
# Of a covariate's variance, the least that must lie within pieces of one blend and load.
WITHIN = 0.5
WORDS = {
    "position": "from the first to the last piece of a session",
    "before": "from the weakest to the strongest load smelt just before",
}


def order_of(scores):
    """dict of the covariates per score (n,), 0 on average, that the scores can tell; may be empty.

    ``position``: from 0 to 1 over the session. ``before``: the load smelt just before, from 0 to
    1 over the loads scored.
    """
    if "position" not in scores:
        return {}
    place = pd.to_numeric(scores["position"], errors="coerce")
    session = scores["assessor"].astype(str) + "\n" + scores["sitting"].astype(str)
    length = place.groupby(session).transform("max")
    long = (length >= LONG) & place.notna()
    if long.sum() < 0.5 * len(scores):
        return {}
    share = ((place - 1.0) / (length - 1.0).clip(lower=1.0)).where(long)
    found = {"position": share, "before": _before(scores, place, session).where(long)}
    cells = scores["blend"].astype(str) + (2 * scores["load_pct"]).round().astype(str)
    return {
        name: values for name, v in found.items() if _told(values := _centred(v), cells.to_numpy())
    }


def _before(scores, place, session):
    """The load of the piece one place before, as a share of the loads scored."""
    load = scores["load_pct"].astype(float)
    load = (load - load.min()) / (load.max() - load.min())
    known = pd.DataFrame({"session": session, "place": place, "load": load}).dropna()
    known = known.drop_duplicates(["session", "place"]).set_index(["session", "place"])["load"]
    wanted = pd.MultiIndex.from_arrays([session, place - 1.0])
    return pd.Series(known.reindex(wanted).to_numpy(), index=scores.index)


def _centred(values):
    return (values - values.mean()).fillna(0.0).to_numpy(float)


def _told(values, cells):
    within = values - pd.Series(values).groupby(cells).transform("mean").to_numpy()
    return bool(values @ values > 1e-9 and within @ within >= WITHIN * (values @ values))
