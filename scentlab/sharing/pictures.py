"""Pictures of results in a notebook or on a page: :func:`plot` draws any that has one."""

from dataclasses import dataclass
from operator import attrgetter
from typing import Any

from scentlab.results import Result
from scentlab.sharing import figures
from scentlab.sharing.pages import draw

# What draws a blend of a result and where it names its blends, or what draws it whole.
_DRAW = {
    "Analysis": (figures.blend_figure, attrgetter("pick.table.blend")),
    "SweatFit": (figures.sweat_figure, attrgetter("blends")),
    "ThrowFit": (figures.throw_figure, attrgetter("blends")),
    "FrostFit": (figures.frost_figure, attrgetter("blends")),
    "ThrowLife": (figures.warmer_figure, attrgetter("blends")),
    "Pick": (figures.pick_figure, None),
    "SweatCheck": (figures.check_figure, None),
}


@dataclass(frozen=True, repr=False, eq=False)
class Picture:
    """A picture of a result, a figure for each blend; a notebook shows it as the last value of a
    cell."""

    figures: tuple

    def __repr__(self) -> str:
        return "\n".join(f["alt"] for f in self.figures)

    def _repr_html_(self) -> str:
        return draw("picture.html.j2", figures=self.figures)

    def figure(self) -> Any:
        """A matplotlib Figure of all of it, to be changed or put into a paper."""
        from scentlab.sharing.axes import as_figure  # it loads matplotlib

        return as_figure(self.figures)


def plot(result: Result, blend: str | None = None, **choices: Any) -> Picture:
    """Draw a result, blend by blend.

    Parameters
    ----------
    result : Analysis, Pick, SweatFit, ThrowFit, FrostFit, ThrowLife or SweatCheck.
    blend : str; None draws each of its blends.
    choices : what the picture of that kind of result can be asked for: ``limit_grade`` and
        ``risk`` of sweat, ``limit_grade`` and ``age_days`` of frost.

    Returns
    -------
    Picture; ``.figure()`` is a matplotlib Figure, whose ``savefig("name.svg")`` keeps it.

    Raises
    ------
    TypeError for anything that is not a result with a picture, ValueError for a blend that is not
    in it.

    >>> from scentlab.fitting.sweat import fit_sweat
    >>> from scentlab.simulate import small_series
    >>> print(repr(plot(fit_sweat(small_series().sweat(), draws=100, precise=None)))[:28])
    soft: sweat, over load. risk
    """
    kind = type(result).__name__
    if kind not in _DRAW:
        raise TypeError(f"there is no picture of a {kind}; plot takes one of {', '.join(_DRAW)}")
    one, blends = _DRAW[kind]
    names = list(blends(result)) if blends else []
    if blend not in (None, *names):
        raise ValueError(
            f"blend {blend!r} is not in this result; it has {', '.join(names) or 'one picture'}")
    each = [(n,) for n in names if blend in (None, n)] if blends else [()]
    return Picture(tuple(one(result, *name, **choices) for name in each))
