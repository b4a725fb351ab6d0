"""Pictures of results, one file a subject; :func:`plot` draws any of them."""

from typing import Any

from matplotlib.axes import Axes

from scentlab.results import Result
from scentlab.sharing.pictures import checks, foreseen, on_warmer, over_load, safe_loads, tradeoff

_DRAW = {
    "Analysis": tradeoff.draw_tradeoff,
    "SweatFit": over_load.draw_sweat,
    "SweatCheck": checks.draw_check,
    "FrostFit": over_load.draw_frost,
    "ThrowLife": on_warmer.draw_throw_life,
    "Longevity": on_warmer.draw_longevity,
    "ThrowFit": over_load.draw_throw,
    "Ceiling": safe_loads.draw_ceiling,
    "Pick": safe_loads.draw_pick,
    "Diagnosis": checks.draw_diagnosis,
    "Precision": foreseen.draw_precision,
}


def plot(result: Result, ax: Axes | None = None, **choices: Any) -> Axes:
    """Draw a result.

    Parameters
    ----------
    result : Analysis, SweatFit, SweatCheck, FrostFit, ThrowFit, ThrowLife,
        Longevity, Ceiling, Pick, Diagnosis or Precision; it is not
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

    >>> import io
    >>> from scentlab.fitting.sweat import fit_sweat
    >>> from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
    >>> layout = even_layout(["soft"], [5, 7, 9, 11], sweat=3)
    >>> series = simulate_series(layout, Truth({"soft": BlendTruth(9.0)}), seed=1)
    >>> plot(fit_sweat(series.sweat(), draws=100, precise=None)).figure.savefig(io.BytesIO())
    """
    for kind in type(result).__mro__:
        if kind.__name__ in _DRAW:
            return _DRAW[kind.__name__](result, ax=ax, **choices)
    raise TypeError(
        f"there is no picture of a {type(result).__name__}; plot takes one of {', '.join(_DRAW)}"
    )
