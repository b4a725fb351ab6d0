"""The draws behind an analysis, as arrays with names for the tools of a statistician."""

import numpy as np

from scentlab.maths.sampling import even_places
from scentlab.schema import SWEAT_GRADES


def draws_tree(analysis, draws=2000):
    """The posterior draws of sweat and throw as a tree of ArviZ, of the extra ``draws``.

    Draws of sweat have weights (importance sampling); they are drawn again by these at equal steps
    (Kitagawa 1996, systematic resampling), so that all count alike. They are independent draws in
    one chain: measures of how chains mix say nothing of them.

    Parameters
    ----------
    analysis : Analysis
    draws : int, of sweat; those of throw are all given.

    Returns
    -------
    xarray.DataTree with the groups ``posterior`` (half_sweat_load, spread, pot_sd in % of wax;
    threshold, stress_effect in latent units) and ``throw`` (level, rise in points of 10), and
    ``observed_data`` (grades over load). Attributes name model, units, seed and version.

    Raises
    ------
    ImportError when arviz-base is not installed.

    Examples
    --------
    >>> draws_tree(analysis)["posterior"]["half_sweat_load"].mean()  # doctest: +SKIP
    """
    try:
        from arviz_base import from_dict
    except ImportError as error:
        raise ImportError(
            "the draws need arviz-base; install it with: pip install arviz-base") from error
    sweat, throw = analysis.sweat, analysis.throw
    places = even_places(sweat.weights, draws, np.random.default_rng(analysis.seed).random())
    drawn = {name: sweat.named[key][places] for name, key in _SWEAT.items()
             if np.size(sweat.named[key])}
    groups = {"posterior": drawn}
    coords = {"blend": list(sweat.blends), "stress": list(sweat.stresses[1:]),
              "grade": list(range(1, len(SWEAT_GRADES)))}
    if throw is not None:
        groups["throw"] = {"level": throw.level, "rise": throw.rise, "bow": throw.bow}
        coords["throw_blend"] = list(throw.blends)
    seen = analysis.series.sweat()
    seen = seen[seen["grade"].notna()]
    tree = from_dict(
        {name: {key: values[None] for key, values in group.items()}
         for name, group in groups.items()}
        | {"observed_data": {c: seen[c].to_numpy() for c in ("grade", "load_pct")}},
        coords=coords,
        dims={"half_sweat_load": ["blend"], "spread": ["blend"], "threshold": ["grade"],
              "stress_effect": ["stress"], "level": ["throw_blend"], "rise": ["throw_blend"],
              "bow": ["throw_blend"], "grade": ["inspection"], "load_pct": ["inspection"]},
    )
    tree.attrs |= {"series": analysis.series.title, "seed": analysis.seed,
                   "units": "half_sweat_load, spread, pot_sd: % of wax; throw: points of 10"}
    return tree


# What each posterior array of the sweat fit is called here.
_SWEAT = {"half_sweat_load": "capacity", "spread": "spread", "pot_sd": "sigma",
          "threshold": "tau", "stress_effect": "stress"}
