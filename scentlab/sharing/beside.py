"""Series side by side: what makes them unlike, and how much earlier the blends of one sweat.

:func:`why_not_compared` says in one sentence what stands against it. Each series keeps its own fit:
the shift of a blend is the difference of two half-sweat loads, and its limits hold both errors.
"""

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from scentlab.choosing.lot import say_shift
from scentlab.choosing.rests import lots_of
from scentlab.materials import say_lot
from scentlab.results import FitError, Result
from scentlab.series import same_record
from scentlab.sharing.guard import need
from scentlab.text import alike
from scentlab.words import is_missing, say_range

DRAWS = 4000


@dataclass(frozen=True, repr=False)
class Beside(Result):
    """``table``: one row per blend and series after the first with the shift of the half-sweat
    load, points of load, and its 90 % limits; below 0 it sweats earlier."""

    table: pd.DataFrame
    notes: tuple = ()

    @property
    def sentence(self):
        return " ".join(f"{row.blend}: {say_shift(row, row.lot, row.against)}"
                        for row in self.table.itertuples())


def why_not_compared(analyses):
    """What stands against comparing how early the series sweat, in a sentence; else empty."""
    for check in (_invented, _records, _fragrances, _stresses, _blends):
        reason = check(analyses)
        if reason:
            return f"The loads at which the series sweat are not compared: {reason}."
    return ""


def compare_sweat(analyses, seed=1):
    """How much earlier or later the blends of each series sweat than those of the first; ``seed``
    is of the pairs of draws. FitError with the sentence of :func:`why_not_compared`."""
    analyses = list(analyses)
    reason = why_not_compared(analyses)
    need(not reason, reason, FitError)
    names, rng, rows = lot_names(analyses), np.random.default_rng(seed), []
    for blend in blends_in_common(analyses):
        first, *others = (_half_sweat(a.sweat, blend, rng) for a in analyses)
        rows += [(blend, i, names[i - 1], names[0], *np.quantile(own - first, [0.5, 0.05, 0.95]))
                 for i, own in enumerate(others, start=2)]
    table = pd.DataFrame(rows, columns=[
        "blend", "series", "lot", "against", "estimate", "lower", "upper"])
    return Beside(table, _notes(analyses))


def _half_sweat(fit, blend, rng):
    """Draws (D,) of a blend's half-sweat load, of equal weight and in no order."""
    own = fit.named["capacity"][:, fit.blends.index(blend)]
    return rng.choice(own, DRAWS, p=fit.weights / fit.weights.sum())


def blends_in_common(analyses):
    """Blends of one name and the same wax fractions in every series, with loads that overlap."""
    return [b for b in analyses[0].sweat.blends if not _why_not_blend(analyses, b)]


def lot_names(analyses):
    """A name for each series by its number and the lots by which it differs from others."""
    lots = [{what: ", ".join(sorted(own))
             for what, own in ({"fragrance": ()} | lots_of(a.series)).items()} for a in analyses]
    names = []
    for number, own in enumerate(lots, start=1):
        named = [f"{what} {say_lot(lot)}" for what, lot in own.items()
                if lot and len({other.get(what) for other in lots}) > 1]
        names.append(f"series {number}" + (f" ({', '.join(named)})" if named else ""))
    return tuple(names)


def series_names(analyses):
    titles = [a.series.title for a in analyses]
    return [t if titles.count(t) == 1 else f"{t} ({titles[: i + 1].count(t)})"
            for i, t in enumerate(titles)]


def differences(analyses):
    """In what series beside each other differ, as sentences: their lots and their panels."""
    names, panels = lot_names(analyses), {frozenset(a.series.throws["assessor"]) for a in analyses}
    if any("lot" in name for name in names):
        yield f"Lots differ: {'; '.join(names)}."
    if len(panels) > 1:
        yield ("The panels differ, and each tester uses the throw scale differently: compare loads "
               "and risks, not throw.")


# ---- what is against it -----------------------------------------------------------------------


def _differ(values, words):
    """Words with the values, where they are not all the same; empty where they are."""
    values = list(values)
    return f"{words} ({_numbered(values)})" if len(set(values)) > 1 else ""


def _invented(analyses):
    kinds = ("invented" if a.series.invented else "real" for a in analyses)
    return _differ(kinds, "invented data are no evidence beside real data")


def _records(analyses):
    """Records that are the same twice, or mostly, are no two series."""
    rows = enumerate((a.series.sweat_seen() for a in analyses), start=1)
    return next((f"{i} and {j} contain mostly the same records" for (i, one), (j, other)
                 in itertools.combinations(rows, 2) if same_record(one, other)), "")


def _fragrances(analyses):
    names = [a.series.fragrance_name for a in analyses]
    if "" in names:
        return (f"the fragrance of {names.index('') + 1} is not on record, so it may be a "
                "different one; add it with: scentlab import FOLDER --oil NAME")
    if len(set(map(alike, names))) > 1:
        return f"the fragrances differ ({_numbered(names)})"
    return ""


def _stresses(analyses):
    stresses = (" and ".join(a.sweat.stresses) for a in analyses)
    return _differ(stresses, "the pieces were stored differently before grading")


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
    parts = [a.series.wax_parts(blend) for a in analyses]
    if None in parts:
        return f"the wax fractions of {blend} in {parts.index(None) + 1} are not known"
    mixes = [" + ".join(f"{100 * f:g} % {wax}" for wax, f in own.items()) for own in parts]
    if said := _differ(mixes, f"the wax fractions of {blend} differ"):
        return said
    spans = [a.ceiling.of(blend)[["lowest_tested_pct", "highest_tested_pct"]] for a in analyses]
    if any(map(is_missing, (low for low, _ in spans))):
        return f"{blend} was not graded under {analyses[0].ceiling.stress} in all of them"
    if max(low for low, _ in spans) >= min(high for _, high in spans):
        loads = [f"{say_range(*span, lambda v: f'{v:.1f}')} % of wax" for span in spans]
        return f"the loads tested of {blend} do not overlap ({_numbered(loads)})"
    return ""


def _numbered(words):
    return "; ".join(f"{number}: {text}" for number, text in enumerate(words, start=1))


# ---- what is found ----------------------------------------------------------------------------


def _notes(analyses):
    others = {b for a in analyses for b in a.sweat.blends} - set(blends_in_common(analyses))
    notes = ["The shift includes everything that differs between the series: days, room, hands and "
             "ages as well as lots. Only one series with both lots side by side can separate them."]
    notes += [f"{b} is not compared: {_why_not_blend(analyses, b)}." for b in sorted(others)]
    return tuple(notes)
