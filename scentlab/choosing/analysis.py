"""The whole way from a series to its pick, in one call."""

from dataclasses import dataclass, field, replace
from functools import cached_property

from scentlab.choosing.ceiling import Ceiling
from scentlab.choosing.pick import Evidence, Pick, ceiling_under, choose_load
from scentlab.choosing.rests import odd_pots_of
from scentlab.choosing.rules import THROW_WORDS, Rules
from scentlab.choosing.sensitivity import find_sensitivity
from scentlab.fitting.bleed import BleedFit, fit_bleed
from scentlab.fitting.frost import FrostFit, fit_frost
from scentlab.fitting.joint import Joint, join_evidence
from scentlab.fitting.longevity import Longevity, fit_longevity
from scentlab.fitting.sweat import PRECISE, SweatFit, fit_sweat
from scentlab.fitting.throw import ThrowFit, fit_throw
from scentlab.maths.threads import one_thread
from scentlab.results import FitError
from scentlab.series import Series

DRAWS = 2000


@dataclass(frozen=True, repr=False)
class Analysis:
    """A series with its fits, ceiling and pick; ``throw`` and ``frost`` are None when there is
    nothing to fit, and ``notes`` says why. ``bleed`` and ``joint`` are None when no blotter was
    weighed; the ceiling and the pick rest on the joint fit when there is one. ``longevity`` is None
    when no piece was checked on the warmer; the pick does not look at it. ``no_throw`` and
    ``no_frost`` say why scores that are stored have no fit; ``odd_pots`` are the pots unlike the
    rest. ``draws`` is how many
    posterior draws were asked for: with it, the seed and the rules the same records give the same
    numbers."""

    series: Series
    rules: Rules
    seed: int
    sweat: SweatFit
    frost: FrostFit | None
    throw: ThrowFit | None
    ceiling: Ceiling
    pick: Pick
    notes: tuple = field(default=())
    bleed: BleedFit | None = None
    joint: Joint | None = None
    draws: int = DRAWS
    longevity: Longevity | None = None
    no_throw: str = ""
    no_frost: str = ""
    odd_pots: tuple = ()

    def __repr__(self):
        return f"<Analysis of {self.series.title!r}: {self.pick.sentence}>"

    @property
    def believed(self):
        """The sweat fit that ceiling and pick rest on: with the bleed in it when there is one."""
        return self.sweat if self.joint is None else self.joint.sweat

    @property
    def evidence(self):
        """The fits, as :func:`choose_load` takes them."""
        return _evidence(
            self.series, self.believed, self.throw, self.frost, self.no_throw, self.no_frost,
            self.odd_pots,
        )

    @cached_property
    def sensitivity(self):
        """The answer under other assumptions."""
        return find_sensitivity(self.evidence, self.rules)

    @property
    def rests(self):
        """What the answer rests on."""
        return self.pick.rests


@one_thread()
def analyse(series, rules=None, *, seed=1, draws=DRAWS, precise=PRECISE):
    """Fit sweat, frost and throw of a series and choose a load per blend.

    Parameters
    ----------
    series : Series. rules : Rules. seed : int, of the posterior draws. draws : int, their number.
    precise : float or None, points of load, as in :func:`fit_sweat`.

    Returns
    -------
    Analysis

    Raises
    ------
    FitError when sweat cannot be fitted: without it there is no pick. The message says why, and
    what throw and frost say all the same.
    """
    rules, notes = rules or Rules(), []
    frost = _try(
        lambda: fit_frost(series.frost(), series.fractions, draws=draws // 2, seed=seed), notes
    )
    no_frost = "" if frost else _no_fit("frost", len(series.frost()), "grade", notes)
    throw = _try(lambda: fit_throw(series.throws, rules.throw_kind, draws=draws, seed=seed), notes)
    no_throw = "" if throw else _no_throw(series.throws, rules.throw_kind, notes)
    sweat = _fit_sweat(series, (throw, frost), draws=draws, precise=precise, seed=seed)
    bleed, joint = _witness(sweat, series.bleeds, draws, seed, notes)
    longevity = None if series.warmings.empty else _try(
        lambda: fit_longevity(series.warmings, series.piece_g, draws=draws, seed=seed), notes
    )
    believed = sweat if joint is None else joint.sweat
    ceiling = ceiling_under(believed, rules)
    odd = odd_pots_of(sweat, series.sweat())
    evidence = _evidence(series, believed, throw, frost, no_throw, no_frost, odd)
    pick = choose_load(evidence, rules, ceiling)
    return Analysis(
        series, rules, seed, sweat, frost, throw, ceiling, pick, tuple(notes), bleed, joint, draws,
        longevity, no_throw, no_frost, odd,
    )


def _evidence(series, sweat, throw, frost, no_throw, no_frost, odd_pots):
    return Evidence(
        sweat, throw, frost, series.blends, series.piece_g, series.currency, no_throw, no_frost,
        series, odd_pots,
    )


def _fit_sweat(series, others, **options):
    """The sweat fit; where there is none, the error also tells what the other fits say."""
    limits = dict(zip(series.blends["blend"], series.blends["limit_load_pct"], strict=True))
    try:
        return fit_sweat(series.sweat(), limits, **options)
    except FitError as error:
        seen = "".join(f" {fit.sentence}" for fit in others if fit)
        raise FitError(f"no load can be given, because {error}.{seen}") from error


def _witness(sweat, bleeds, draws, seed, notes):
    """The bleed fit and what it says together with sweat; both None when nothing was weighed."""
    if bleeds.empty:
        return None, None
    bleed = _try(lambda: fit_bleed(bleeds, draws=draws, seed=seed), notes)
    if bleed is None:
        return None, None
    return bleed, _try(lambda: join_evidence(sweat, bleed, seed=seed), notes)


def _try(fit, notes):
    """A fit that a pick can do without: None with a note when there is nothing to fit."""
    try:
        return fit()
    except FitError as error:
        text = str(error)
        notes.append(text[:1].upper() + text[1:] + ".")
        return None


def _no_throw(throws, kind, notes):
    number = int((throws["kind"] == kind).sum()) if len(throws) else 0
    return _no_fit(f"{THROW_WORDS[kind]} throw", number, "score", notes)


def _no_fit(what, number, named, notes):
    """Why so many scores have no fit, from the note that was just taken; "" without a score."""
    if not number:
        return ""
    stored = f"1 {named} is" if number == 1 else f"{number} {named}s are"
    why = f"{notes[-1][:1].lower()}{notes[-1][1:].rstrip('.')}"
    return f"There is no fit of {what}, though {stored} stored: {why}:"


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


def decider(analysis):
    """A callable(rules) -> Pick that chooses under any rules without fitting sweat again.

    Throw of the other kind is fitted when it is first asked for, and remembered; all else is
    taken from the analysis, so the pick is that of :func:`analyse` under those rules.
    """
    series = analysis.series
    throws = {analysis.rules.throw_kind: (analysis.throw, analysis.no_throw)}

    def decide(rules):
        kind = rules.throw_kind
        if kind not in throws:
            notes = []
            fit = _try(lambda: fit_throw(
                series.throws, kind, draws=analysis.draws, seed=analysis.seed), notes)
            throws[kind] = fit, "" if fit else _no_throw(series.throws, kind, notes)
        throw, no_throw = throws[kind]
        return choose_load(
            replace(analysis.evidence, throw=throw, no_throw=no_throw), rules
        )

    return decide
