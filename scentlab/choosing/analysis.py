"""The whole way from a series to its pick, in one call."""

from dataclasses import dataclass, field, replace

from scentlab.choosing.ceiling import Ceiling, find_ceiling
from scentlab.choosing.pick import Evidence, Pick, choose_load
from scentlab.choosing.rules import Rules
from scentlab.fitting.frost import FrostFit, fit_frost
from scentlab.fitting.sweat import SweatFit, fit_sweat
from scentlab.fitting.throw import ThrowFit, fit_throw
from scentlab.results import FitError
from scentlab.series import Series


@dataclass(frozen=True, repr=False)
class Analysis:
    """A series with its fits, ceiling and pick; ``throw`` and ``frost`` are None when there is
    nothing to fit, and ``notes`` says why."""

    series: Series
    rules: Rules
    seed: int
    sweat: SweatFit
    frost: FrostFit | None
    throw: ThrowFit | None
    ceiling: Ceiling
    pick: Pick
    notes: tuple = field(default=())

    def __repr__(self):
        return f"<Analysis of {self.series.title!r}: {self.pick.sentence}>"

    @property
    def evidence(self):
        """The fits, as :func:`choose_load` takes them."""
        return Evidence(self.sweat, self.throw, self.frost, self.series.blends, self.series.piece_g)


def analyse(series, rules=None, *, seed=1, draws=2000):
    """Fit sweat, frost and throw of a series and choose a load per blend.

    Parameters
    ----------
    series : Series. rules : Rules. seed : int, of the posterior draws. draws : int, their number.

    Returns
    -------
    Analysis

    Raises
    ------
    FitError when sweat cannot be fitted: without it there is no pick.
    """
    rules = rules or Rules()
    limits = dict(zip(series.blends["blend"], series.blends["limit_load_pct"], strict=True))
    sweat = fit_sweat(series.sweat(), limits, draws=draws, seed=seed)
    notes = []
    frost = _try(lambda: fit_frost(series.frost(), draws=draws // 2, seed=seed), notes)
    throw = _try(lambda: fit_throw(series.throws, rules.throw_kind, draws=draws, seed=seed), notes)
    ceiling = find_ceiling(sweat, rules)
    evidence = Evidence(sweat, throw, frost, series.blends, series.piece_g)
    pick = choose_load(evidence, rules, ceiling)
    return Analysis(series, rules, seed, sweat, frost, throw, ceiling, pick, tuple(notes))


def _try(fit, notes):
    """A fit that a pick can do without: None with a note when there is nothing to fit."""
    try:
        return fit()
    except FitError as error:
        text = str(error)
        notes.append(text[:1].upper() + text[1:] + ".")
        return None


def what_if(analysis, **changes):
    """The pick under changed rules, without fitting again.

    Parameters
    ----------
    analysis : Analysis. changes : fields of :class:`Rules`, such as ``risk=0.1``.

    Returns
    -------
    Pick. Another ``throw_kind`` needs a fit of its own and is refused.
    """
    if "throw_kind" in changes and changes["throw_kind"] != analysis.rules.throw_kind:
        raise ValueError("another throw_kind needs another fit; call analyse() with those rules")
    return choose_load(analysis.evidence, replace(analysis.rules, **changes))
