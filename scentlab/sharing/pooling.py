"""Two or more series of one plan fitted as one, when their plans allow it: what a lot changes.

:func:`why_not_pooled` says in one sentence what stands against it; :func:`pool_series` gives the
shift of each lot and each lot's ceiling beside that of its own series alone.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from scentlab.choosing.analysis import Analysis
from scentlab.choosing.ceiling import Ceiling, find_ceiling
from scentlab.fitting.lots import LotFit, cell_name, fit_lots
from scentlab.materials import say_lot
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.sharing.redaction import HIDDEN_FRAGRANCE
from scentlab.words import STRESS_WORDS, is_missing, say_range

# A blend whose own shift lies further from the common one is not moved as the others are.
MOST_APART = 2.0
_RULE_WORDS = {
    "risk": "accepted risk", "confidence": "confidence", "limit_grade": "limit grade of sweat",
    "frost_limit_grade": "limit grade of frost", "throw_loss": "throw to give up, points",
    "throw_kind": "kind of throw", "stress": "stress", "ship_age_days": "age at sale, days",
}
_SAME_RULES = {
    "risk": "the accepted risk", "confidence": "the confidence", "limit_grade": "the limit grade",
    "stress": "the stress that decides",
}


@dataclass(frozen=True, repr=False)
class PooledSeries(Result):
    """Series fitted as one.

    Attributes
    ----------
    fit : LotFit. ceiling : Ceiling of each blend with each lot, under the series' common rules.
    table : DataFrame, one row per blend and series: blend, series (number, from 1), lot,
        own_ceiling_pct, pooled_ceiling_pct (missing when no tested load qualifies), own_lower_pct,
        own_upper_pct, pooled_lower_pct, pooled_upper_pct (90 % limits of the load at the limit
        risk), gain (share of the width of that interval which pooling takes away). Loads in % of
        wax; both by sweat alone.
    """

    fit: LotFit
    ceiling: Ceiling
    table: pd.DataFrame
    notes: tuple = field(default=())

    @property
    def sentence(self):
        return self.fit.sentence


def why_not_pooled(analyses):
    """What stands against fitting the series as one, in a sentence; empty when nothing does."""
    for check in (_invented, _records, _fragrances, _rules, _stresses, _blends):
        reason = check(analyses)
        if reason:
            return f"The series are not pooled: {reason}."
    return ""


@one_thread()
def pool_series(analyses: Iterable[Analysis], *, draws: int = 2000, seed: int = 1) -> PooledSeries:
    """Fit series as one and find the ceiling of each lot.

    Parameters
    ----------
    analyses : sequence of two or more Analysis.
    draws, seed : int, as in ``fit_sweat``.

    Returns
    -------
    PooledSeries

    Raises
    ------
    FitError when the plans do not allow it, with the sentence of :func:`why_not_pooled`.

    >>> pool_series([analyse(spring), analyse(autumn)]).ceiling  # doctest: +SKIP
    """
    analyses = list(analyses)
    reason = why_not_pooled(analyses)
    if reason:
        raise FitError(reason)
    blends = blends_in_common(analyses)
    looks = [own[own["blend"].isin(blends)].reset_index(drop=True)
             for own in (a.series.sweat() for a in analyses)]
    fit = fit_lots(looks, lot_names(analyses), _limits(analyses, blends), draws=draws, seed=seed)
    rules = replace(analyses[0].rules, stress=analyses[0].ceiling.stress)
    ceiling = find_ceiling(fit.cells, rules)
    table = _side_by_side(analyses, fit, ceiling, rules)
    return PooledSeries(fit, ceiling, table, _notes(analyses, fit) + fit.notes)


def blends_in_common(analyses):
    """Blends of one name and the same wax fractions in every series, with loads that overlap."""
    return [b for b in analyses[0].sweat.blends if not _why_not_blend(analyses, b)]


def lot_names(analyses):
    """A name for each series by its number and the lots by which it differs from others."""
    lots = [_lots(a.series) for a in analyses]
    names = []
    for number, own in enumerate(lots, start=1):
        named = [f"{what} {say_lot(lot)}" for what, lot in own.items()
                if lot and len({other.get(what) for other in lots}) > 1]
        names.append(f"series {number}" + (f" ({', '.join(named)})" if named else ""))
    return tuple(names)


def _lots(series):
    """The lot of the fragrance and of each wax, as far as the plan knows them."""
    plan = series.plan or {}
    found = {"fragrance": (plan.get("fragrance") or {}).get("lot") or ""}
    for blend in plan.get("blends", ()):
        for part in blend["parts"]:
            found[part["wax"]["name"]] = part["wax"].get("lot") or ""
    return found


def series_names(analyses):
    """The titles, with a number where two are the same."""
    titles = [a.series.title for a in analyses]
    return [
        t if titles.count(t) == 1 else f"{t} ({titles[: i + 1].count(t)})"
        for i, t in enumerate(titles)
    ]


def differences(analyses):
    """In what the series differ beside their blends, as sentences: what makes them unlike."""
    compared = [
        ("Fragrances differ", [a.series.fragrance or "not on record" for a in analyses],
         ": a limit of sweating belongs to a wax and a fragrance together"),
        *((f"Rules differ, {words}", [f"{getattr(a.rules, name)}" for a in analyses], "")
          for name, words in _RULE_WORDS.items()),
        ("The pieces that decide differ", [STRESS_WORDS[a.ceiling.stress] for a in analyses], ""),
    ]
    found = [said + more for words, values, more in compared
             if (said := _differ(values, words))]
    names = lot_names(analyses)
    lots = f"Lots differ: {'; '.join(names)}" if any("lot" in name for name in names) else ""
    panels = {frozenset(a.series.throws["assessor"]) for a in analyses}
    panel = "" if len(panels) == 1 else (
        "The panels differ, and each tester uses the throw scale in an own way: compare loads and "
        "risks rather than throw"
    )
    return [f"{words}." for words in (*found, lots, panel) if words]


# ---- what is against it -----------------------------------------------------------------------


def _differ(values, words):
    """Words with the values, where they are not all the same; empty where they are."""
    values = list(values)
    return f"{words} ({_numbered(values)})" if len(set(values)) > 1 else ""


def _invented(analyses):
    kinds = ("invented" if a.series.invented else "real" for a in analyses)
    return _differ(kinds, "invented data are no evidence beside real ones")


def _records(analyses):
    """Records that are the same twice would count each piece twice."""
    names = ["code", "pour", "blend", "load_pct", "stress", "age_days", "grade"]
    rows = [set(a.series.sweat()[names].astype(str).itertuples(index=False, name=None))
            for a in analyses]
    for i, j in itertools.combinations(range(len(rows)), 2):
        if rows[i] <= rows[j] or rows[j] <= rows[i]:
            return f"{i + 1} and {j + 1} hold the same records, and each piece would count twice"
    return ""


def _fragrances(analyses):
    names = [
        str(((a.series.plan or {}).get("fragrance") or {}).get("name") or a.series.fragrance
            or "").strip()
        for a in analyses
    ]
    for number, name in enumerate(names, start=1):
        if name in ("", HIDDEN_FRAGRANCE):
            return f"the fragrance of {number} is not given, so it may be another"
    if len({n.casefold() for n in names}) > 1:
        return f"the fragrances differ ({_numbered(names)})"
    return ""


def _rules(analyses):
    found = (
        _differ(("the harshest tested" if v is None else f"{v}" for v in
                 (getattr(a.rules, name) for a in analyses)), f"{words} differs")
        for name, words in _SAME_RULES.items()
    )
    return next(filter(None, found), "")


def _stresses(analyses):
    stresses = (" and ".join(a.sweat.stresses) for a in analyses)
    return _differ(stresses, "the pieces were graded under other stresses")


def _blends(analyses):
    if blends_in_common(analyses):
        return ""
    named = [b for b in analyses[0].sweat.blends if all(b in a.sweat.blends for a in analyses)]
    if not named:
        blends = _numbered(", ".join(a.sweat.blends) for a in analyses)
        return f"no blend is in all of them ({blends})"
    return _why_not_blend(analyses, named[0])


def _why_not_blend(analyses, blend):
    """Why a blend cannot be pooled, in words; empty when it can."""
    if not all(blend in a.sweat.blends for a in analyses):
        return f"{blend} is not in all of them"
    parts = [_parts(a.series, blend) for a in analyses]
    for number, own in enumerate(parts, start=1):
        if own is None:
            return f"the wax fractions of {blend} in {number} are not known"
    if any(own != parts[0] for own in parts[1:]):
        return f"the wax fractions of {blend} differ ({_numbered(map(_say_parts, parts))})"
    ends = ["lowest_tested_pct", "highest_tested_pct"]
    spans = [tuple(a.ceiling.of(blend)[end] for end in ends) for a in analyses]
    if any(is_missing(low) for low, _ in spans):
        return f"{blend} was not graded under {analyses[0].ceiling.stress} in all of them"
    if max(low for low, _ in spans) >= min(high for _, high in spans):
        loads = [f"{say_range(*span, lambda v: f'{v:.1f}')} % of wax" for span in spans]
        return f"the loads tested of {blend} do not overlap ({_numbered(loads)})"
    return ""


def _parts(series, blend):
    """Fraction per wax of a blend, without those that are not in it; None when not known."""
    if series.fractions.empty or blend not in series.fractions.index:
        return None
    own = series.fractions.loc[blend]
    return {wax: round(float(f), 6) for wax, f in own.items() if f > 0}


def _say_parts(parts):
    return " + ".join(f"{100 * f:g} % {wax}" for wax, f in parts.items())


def _numbered(words):
    return "; ".join(f"{number}: {text}" for number, text in enumerate(words, start=1))


# ---- what is found ----------------------------------------------------------------------------


def _limits(analyses, blends):
    """The lowest wax maker's limit of each blend: only the middle of what is believed before."""
    known = pd.concat([a.series.blends for a in analyses])
    limits = pd.to_numeric(known["limit_load_pct"]).groupby(known["blend"]).min()
    return {b: limits.get(b) for b in blends}


def _side_by_side(analyses, fit, ceiling, rules):
    """One row per blend and series: ceilings and intervals of the series alone and pooled."""
    alone = [find_ceiling(a.sweat, rules) for a in analyses]
    rows = []
    for blend in fit.blends:
        for place, lot in enumerate(fit.lots):
            own, pooled = alone[place].of(blend), ceiling.of(cell_name(blend, lot))
            ends = ("load_at_risk_lower_pct", "load_at_risk_upper_pct")
            before, after = ([float(row[e]) for e in ends] for row in (own, pooled))
            rows.append((
                blend, place + 1, lot, own["ceiling_load_pct"], pooled["ceiling_load_pct"],
                *before, *after, 1.0 - np.ptp(after) / np.ptp(before),
            ))
    return pd.DataFrame(rows, columns=[
        "blend", "series", "lot", "own_ceiling_pct", "pooled_ceiling_pct", "own_lower_pct",
        "own_upper_pct", "pooled_lower_pct", "pooled_upper_pct", "gain",
    ])


def _apart(analyses, fit):
    """Blends whose own shift, by the series' own fits, is far from the common one, as notes."""
    common = fit.table["estimate"].to_numpy(float)
    for blend in fit.blends:
        draws = [a.sweat.named["capacity"][:, a.sweat.blends.index(blend)] for a in analyses]
        weights = [a.sweat.weights for a in analyses]
        means = [np.average(d, weights=w) for d, w in zip(draws, weights, strict=True)]
        variances = [np.cov(d, aweights=w, ddof=0) for d, w in zip(draws, weights, strict=True)]
        for place in range(1, len(analyses)):
            shift, sd = means[place] - means[0], np.sqrt(variances[place] + variances[0])
            off = abs(shift - common[place - 1]) / sd
            if off > MOST_APART:
                yield (
                    f"{blend} alone is shifted by {shift:+.1f} points of load (90 % interval "
                    f"{shift - 1.645 * sd:+.1f} to {shift + 1.645 * sd:+.1f}) in series "
                    f"{place + 1}, {off:.1f} standard errors from the shift of all: the lots do "
                    "not move every blend alike, so rely on the highest safe loads of the series "
                    "alone."
                )


def _notes(analyses, fit):
    notes = [
        "The shift holds all that differs between the series, not the lots alone: days, room and "
        "hands as well. Only one series with both lots side by side sets them apart.",
        *_apart(analyses, fit),
    ]
    for blend in sorted({b for a in analyses for b in a.sweat.blends} - set(fit.blends)):
        notes.append(f"{blend} is not pooled: {_why_not_blend(analyses, blend)}.")
    return tuple(notes) + _ages(analyses)


def _ages(analyses):
    """Pieces looked at after another time may sweat more for that."""
    ages = [pd.to_numeric(a.series.sweat()["age_days"]) for a in analyses]
    spans = [(own.min(), own.max()) for own in ages]
    if any(is_missing(low) for low, _ in spans):
        return ()
    if max(low for low, _ in spans) <= min(high for _, high in spans):
        return ()
    words = _numbered(f"{low:g} to {high:g} days" for low, high in spans)
    return (f"The pieces were inspected after other times ({words}), which the shift holds too.",)
