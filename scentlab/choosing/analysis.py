"""The whole way from a series to its pick, in one call."""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import Any

import pandas as pd

from scentlab.choosing.ceiling import Ceiling, find_ceiling
from scentlab.choosing.pick import Evidence, Pick, choose_load, chosen_loads
from scentlab.choosing.rests import odd_pots_of
from scentlab.choosing.rules import THROW_WORDS, Rules
from scentlab.choosing.sensitivity import find_sensitivity
from scentlab.fitting.frost import fit_frost
from scentlab.fitting.longevity import Longevity, fit_longevity
from scentlab.fitting.pairs import pair_test
from scentlab.fitting.sweat import PRECISE, fit_sweat
from scentlab.fitting.throw import fit_throw
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, an_analysis, wanted
from scentlab.series import A_SERIES, Series
from scentlab.text import capital, count_of

DRAWS = 2000


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class Analysis(Evidence):
    """A series with its fits, ceiling and pick, as :class:`Evidence` has them.

    ``notes`` say why ``throw`` or ``frost`` is None, and ``no_throw`` and ``no_frost`` why scores
    that are stored have no fit. ``longevity`` is None when no piece was checked on the warmer; the
    pick does not look at it. The throw fit holds scores and ``pairs``.
    ``draws`` is how many posterior draws were asked for: with it, the seed and the rules the same
    records give the same numbers.
    """

    rules: Rules
    seed: int
    ceiling: Ceiling
    pick: Pick
    notes: tuple = ()
    draws: int = DRAWS
    longevity: Longevity | None = None

    def __repr__(self):
        return f"<Analysis of {self.series.title!r}: {self.pick.sentence}>"

    @cached_property
    def sensitivity(self):
        """The answer under other assumptions."""
        return find_sensitivity(self, self.rules)

    @property
    def rests(self):
        """What the answer rests on."""
        return self.pick.rests


@one_thread()
def analyse(
    series: Series, rules: Rules | None = None, *, seed: int = 1, draws: int = DRAWS,
    precise: float | None = PRECISE, memory: Any = None,
) -> Analysis:
    """Fit sweat, frost and throw of a series and choose a load per blend.

    Parameters
    ----------
    series : Series, as :func:`read_series` reads it.
    rules : Rules; None for the usual ones.
    seed : int, of the posterior draws.
    draws : int, their number.
    precise : float or None, points of load, as in :func:`fit_sweat`.
    memory : what the workshop's other series say, as ``scentlab.remember`` learns it, to borrow
        from; None borrows nothing.

    Returns
    -------
    Analysis

    Raises
    ------
    FitError when sweat cannot be fitted: without it there is no pick. The message says why, and
    what throw and frost say all the same.

    Examples
    --------
    >>> from scentlab.simulate import small_series
    >>> list(analyse(small_series(), Rules(risk=0.1), draws=100, precise=None).pick.table["blend"])
    ['soft']
    """
    wanted(series, "throws", A_SERIES)
    rules = rules or Rules()
    wanted(rules, "spelt", "Rules, such as scentlab.Rules(risk=0.02)")
    rules, notes = rules.spelt(series.blends["blend"]), []
    series = _with_known_testers(series, memory)
    frost, no_frost = _fit(notes, "frost", "grade", len(series.frost()), fit_frost,
                           series.frost(), series.fractions, draws=draws // 2, seed=seed)
    throw, no_throw = _fit_throw(series, rules.throw_kind, notes, draws, seed)
    sweat = _fit_sweat(series, (throw, frost), memory, draws=draws, precise=precise, seed=seed)
    longevity = pairs = None
    if len(series.pairs):
        pairs = _try(notes, pair_test, series, throw, rules.throw_loss, draws=draws, seed=seed)
    if len(series.warmings):
        longevity = _try(notes, fit_longevity, series.warmings, draws=draws, seed=seed)
    ceiling = find_ceiling(sweat, rules)
    found = Analysis(
        series=series, rules=rules, seed=seed, sweat=sweat, frost=frost, throw=throw,
        ceiling=ceiling, notes=tuple(notes), draws=draws,
        pick=None,  # pyright: ignore[reportArgumentType] - chosen from the rest, below
        longevity=longevity, no_throw=no_throw, no_frost=no_frost,
        odd_pots=odd_pots_of(sweat), pairs=pairs,
    )
    return replace(found, pick=choose_load(found, rules, ceiling))


def _fit_sweat(series, others, memory, **options):
    """The sweat fit; where there is none, the error also tells what the other fits say."""
    try:
        if memory is not None:
            return memory.fit_sweat(series, **options)
        return fit_sweat(series.sweat(), series.limits, **options)
    except FitError as error:
        seen = "".join(f" {fit.sentence}" for fit in others if fit)
        raise FitError(f"no load can be given, because {error}.{seen}") from error


def _with_known_testers(series, memory):
    """The series with what testers are known to add to their scores of throw."""
    testers = getattr(memory, "testers", None)
    if testers is None or series.throws.empty:
        return series
    return replace(series, throws=series.throws.assign(known=testers.known(series.throws)))


def _fit_throw(series, kind, notes, draws, seed):
    throws = series.throws
    return _fit(notes, f"{THROW_WORDS[kind]} throw", "score", int((throws["kind"] == kind).sum()),
                fit_throw, throws, kind, pairs=series.pairs, draws=draws, seed=seed)


def _try(notes, fit, *given, **options):
    """A fit that a pick can do without: None with a note when there is nothing to fit."""
    try:
        return fit(*given, **options)
    except FitError as error:
        notes.append(capital(str(error)) + ".")
        return None


def _fit(notes, what, named, number, *given, **options):
    """A fit that a pick can do without, and why scores that are stored have none."""
    found = _try(notes, *given, **options)
    if found or not number:
        return found, ""
    why = f"{notes[-1][:1].lower()}{notes[-1][1:].rstrip('.')}"
    return found, f"There is no fit of {what} of {count_of(number, named)}: {why}:"


def what_if(analysis: Analysis, **changes: Any) -> Pick:
    """The pick under changed rules, without fitting sweat again.

    Parameters
    ----------
    analysis : Analysis
    changes : fields of :class:`Rules`, such as ``risk=0.1``.

    Returns
    -------
    Pick

    Raises
    ------
    ValueError for a rule that cannot be, FitError for a blend that was not fitted.

    Examples
    --------
    >>> from scentlab.simulate import small_series
    >>> found = analyse(small_series(), draws=100, precise=None)
    >>> bool(what_if(found, risk=0.2).table.at[0, "load_pct"] > found.pick.table.at[0, "load_pct"])
    True
    """
    return decider(analysis)(replace(analysis.rules, **changes)).pick


def decider(analysis, brief=False):
    """A chooser under any rules that does not fit sweat again: callable(rules) to the Analysis
    under them. It raises FitError for a blend that was not fitted.

    Throw of the other kind is fitted when it is first asked for, and remembered; all else is taken
    from the analysis, so the pick is that of :func:`analyse`. ``brief`` leaves out the measures of
    the trade-off.
    """
    fits = {an_analysis(analysis).rules.throw_kind: (analysis.throw, analysis.no_throw)}

    def decide(rules):
        rules = rules.spelt(analysis.sweat.blends)
        kind = rules.throw_kind
        if kind not in fits:
            fits[kind] = _fit_throw(analysis.series, kind, [], analysis.draws, analysis.seed)
        throw, no_throw = fits[kind]
        found = replace(analysis, rules=rules, throw=throw, no_throw=no_throw,
                        ceiling=find_ceiling(analysis.sweat, rules))
        return replace(found, pick=choose_load(found, rules, found.ceiling, brief=brief))

    return decide


RISKS, CONFIDENCES = (0.01, 0.02, 0.05, 0.1), (0.8, 0.9, 0.95, 0.99)


def choices(analysis):
    """The recommended and highest safe loads (% of wax; missing where none qualifies) of
    :func:`what_if` under other risks and confidences, the rules of the analysis among them."""
    rules, rows = analysis.rules, []
    each = product(sorted({*RISKS, rules.risk}), sorted({*CONFIDENCES, rules.confidence}))
    for risk, confidence in each:
        own = replace(rules, risk=risk, confidence=confidence)
        ceiling = find_ceiling(analysis.sweat, own)
        rows += [
            (risk, confidence, c["blend"], c["load_pct"],
             ceiling.of(c["blend"])["ceiling_load_pct"])
            for c in chosen_loads(analysis, own, ceiling)]
    return pd.DataFrame(
        rows, columns=["risk", "confidence", "blend", "load_pct", "ceiling_load_pct"])
