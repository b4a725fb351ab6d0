"""Pictures of results, one file a subject; :func:`plot` draws any of them."""

from scentlab.sharing.pictures import checks, foreseen, on_warmer, over_load, safe_loads, tradeoff

_DRAW = {
    "Analysis": tradeoff.draw_tradeoff,
    "SweatFit": over_load.draw_sweat,
    "SweatCheck": checks.draw_check,
    "FrostFit": over_load.draw_frost,
    "BleedFit": over_load.draw_bleed,
    "ThrowLife": on_warmer.draw_throw_life,
    "Longevity": on_warmer.draw_longevity,
    "ThrowFit": over_load.draw_throw,
    "Ceiling": safe_loads.draw_ceiling,
    "Pick": safe_loads.draw_pick,
    "Diagnosis": checks.draw_diagnosis,
    "Precision": foreseen.draw_precision,
    "PooledSeries": safe_loads.draw_lots,
}


def plot(result, ax=None, **choices):
    """Draw a result.

    Parameters
    ----------
    result : Analysis, SweatFit, SweatCheck, BleedFit, FrostFit, ThrowFit, ThrowLife,
        Longevity, Ceiling, Pick, Diagnosis, Precision or PooledSeries; it is not
        changed.
    ax : Axes or None, where to draw; None makes a new figure.
    choices : what the picture of that kind of result can be asked for: ``blend`` for an
        analysis or a fit, ``limit_grade`` and ``risk`` for sweat and frost.

    Returns
    -------
    Axes. ``ax.figure.savefig("name.svg")`` keeps the picture.

    Raises
    ------
    TypeError for anything that is not a result with a picture.
    """
    for kind in type(result).__mro__:
        if kind.__name__ in _DRAW:
            return _DRAW[kind.__name__](result, ax=ax, **choices)
    raise TypeError(
        f"there is no picture of a {type(result).__name__}; plot takes one of {', '.join(_DRAW)}"
    )
