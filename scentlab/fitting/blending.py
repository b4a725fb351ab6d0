"""What the capacities of several blends share.

Capacities are believed to be a part shared by the blends plus what each strays from it. How far
blends stray is learnt from them all, so that one blend tells of another as far as they are alike.
"""

import numpy as np

from scentlab.results import FitError

KINDS = ("pooled", "separate")
SHIFT_SCALE = 5.0


def share_capacities(kind, blends, fractions, centre):
    """What the blends share: dict of kind, centre (B,), columns (B, q) and scale (q,).

    Parameters
    ----------
    kind : one of ``KINDS``: a common shift, or nothing. blends : names. fractions : None.
    centre : array (B,), where each capacity is believed to lie beforehand (% of wax).

    Raises
    ------
    FitError for an unknown kind.
    """
    if kind not in KINDS:
        raise FitError(f"no blending is called {kind!r}; there are {', '.join(KINDS)}")
    pooled = kind == "pooled" and len(blends) > 1
    return {
        "kind": "pooled" if pooled else "separate",
        "centre": np.asarray(centre, dtype=float),
        "columns": np.ones((len(blends), int(pooled))),
        "scale": (SHIFT_SCALE,) * pooled,
    }
