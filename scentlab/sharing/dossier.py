"""The dossier: one printed page of one blend for a supplier's or a maker's own technical file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

import scentlab
from scentlab.choosing.analysis import Analysis
from scentlab.materials import say_lot
from scentlab.results import FitError, say_odds, say_percent
from scentlab.schema import SWEAT_GRADES
from scentlab.sharing.guard import SharingError
from scentlab.sharing.pages import place_for, render, write_page
from scentlab.sharing.photos import Shown
from scentlab.sharing.report import page_fingerprint
from scentlab.text import capital
from scentlab.units import say_grams, say_load_oz, say_temperature
from scentlab.words import MISSING, STRESS_WORDS, THROW_WORDS, count, is_missing, say_loads, tables
from scentlab.words.answers import regulatory_limit, storage_words

MOST_CHECKED = 120  # characters of who checked: a line of the page
_RESTS = {"heat reached": "Heat as reached", "oldest inspection": "Seen up to", "lots": "Lots",
          "scale": "Scale check", "off the plan": "Batches off the plan",
          "unlike the rest": "Pots unlike the rest"}
_SHORT = 16  # digits of a fingerprint that are printed


def dossier_html(
    analysis: Analysis, batch: Any, checked: str = "", photos: Sequence[Shown] = (),
) -> str:
    """One page about the load of one blend, to print as it is.

    Parameters
    ----------
    analysis : Analysis
    batch : Batch of :func:`scentlab.make_batch`: its blend, its load and what to weigh for it.
    checked : str, who checked it and when, up to 120 characters; empty leaves lines for a pen.
    photos : Shown, of pieces of this blend, the first three of which are shown.

    Returns
    -------
    str, a complete HTML document without any reference to the network.

    Raises
    ------
    SharingError for too long a name, FitError for a blend that has no answer.
    """
    if len(checked) > MOST_CHECKED:
        raise SharingError(f"who checked it may have {MOST_CHECKED} characters, this has "
                           f"{len(checked)}")
    name = batch.known.blend
    rows = analysis.pick.table.set_index("blend", drop=False)
    if name not in rows.index:
        raise FitError(f"no blend is called {name!r}; there are {', '.join(rows.index)}")
    return render(
        "dossier.html.j2", analysis=analysis, series=analysis.series, batch=batch, blend=name,
        load=say_loads(batch.known.load_pct, sold=True),
        answer=list(_answer(analysis, rows.loc[name], batch)),
        protocol=list(_protocol(analysis, name)), counts=counts_table(analysis, name),
        weigh=weigh_table(batch), how=" ".join(_how(batch)), photos=list(photos)[:3],
        checked=checked, fingerprint=page_fingerprint(analysis)[:_SHORT],
        version=scentlab.__version__,
    )


def write_dossier(
    analysis: Analysis, path: str | Path, batch: Any, checked: str = "",
    photos: Sequence[Shown] = (),
) -> Path:
    """Write the dossier of one blend to a file, whole or not at all.

    Parameters
    ----------
    analysis : Analysis
    path : str or Path, of the HTML file.
    batch, checked, photos : as :func:`dossier_html` takes them.

    Returns
    -------
    Path, of the file.

    Raises
    ------
    FileNotFoundError when the folder does not exist, and those of :func:`dossier_html`.

    >>> write_dossier(analysis, "exports/dossier.html", batch)  # doctest: +SKIP
    """
    path = place_for(path, "the dossier")
    return write_page(dossier_html(analysis, batch, checked, photos), path, "the dossier")


def _answer(analysis, row, batch):
    """What was decided about the blend, as pairs of name and words."""
    rules, known = analysis.rules, batch.known
    yield "Load", (f"{_load(known.load_pct)}; "
                   + ("recommended" if known.recommended else "typed, not the recommended one"))
    yield "Highest safe load", _load(row["ceiling_load_pct"])
    yield "Rule", (
        f"{say_percent(rules.confidence, 0)} sure that at most {say_percent(rules.risk)} of pieces "
        f"of a new pot reach sweat grade {rules.limit_grade} ({SWEAT_GRADES[rules.limit_grade]})")
    if known.recommended and not is_missing(row["p_over"]):
        yield "Sweat", (f"risk {' '.join(tables.SWEAT_RISK(row).split())}; "
                        f"{say_odds(row['p_over'], row['least_told'])} that it is over "
                        f"{say_percent(rules.risk)}")
    if known.recommended and not is_missing(row["throw"]):
        yield f"{THROW_WORDS[rules.throw_kind].capitalize()} throw", (
            f"{row['throw']:.1f} of 10 ({row['throw_lower']:.1f} to {row['throw_upper']:.1f})")
    yield "Wax maker’s maximum", _load(row["limit_load_pct"], sold=False)
    yield "Regulatory limit", regulatory_limit(analysis.series.blends, row["blend"])


def _load(load, sold=True):
    said = say_loads(load, sold)
    return said if is_missing(load) else f"{said}, {said.content}"


def _protocol(analysis, blend):
    """How it was tested: storage, heat as it was reached, pots, people, days."""
    series, rests = analysis.series, analysis.rests
    found = {} if rests is None else dict(rests.of(blend)[["name", "value"]].to_numpy().tolist())
    own = {name: frame[frame["blend"] == blend] for name, frame in (
        ("pours", series.pours), ("sweat", series.sweat()), ("throws", series.throws))}
    yield "Storage that decides", storage_words(analysis)
    yield from ((words, found[name]) for name, words in _RESTS.items() if name in found)
    yield "Poured", f"{_days(own['pours'].get('poured_on'))}: " + ", ".join((
        count(own["pours"]["pot"].nunique(), "pot"), f"{len(own['pours'])} test batches"))
    pieces, graders = own["sweat"]["code"].nunique(), own["sweat"]["assessor"].dropna()
    yield "Inspected", f"{count(pieces, 'piece')} by blind code, by {_people(graders)}"
    throws = own["throws"]
    if len(throws):
        sessions = count(throws["sitting"].nunique(), "session")
        yield "Smelt", (f"{count(len(throws), 'score')} in {sessions}, by "
                        f"{_people(throws['assessor'])}")


def _people(codes):
    codes = sorted(set(codes))
    return ", ".join(codes) if 0 < len(codes) <= 8 else count(len(codes), "tester")


def _days(values):
    days = sorted(str(v)[:10] for v in ([] if values is None else values) if not is_missing(v))
    return MISSING if not days else " to ".join(dict.fromkeys((days[0], days[-1])))


def weigh_table(batch):
    """What a batch is made of: a row for each material with its part, its lot and what to weigh.

    Parameters
    ----------
    batch : Batch of :func:`scentlab.make_batch`.

    Returns
    -------
    View
    """
    of = {wax.name: wax for wax, _ in batch.blend.parts}
    rows = [(name, f"{100 * batch.blend.fractions[name]:g} % of the wax", of[name], grams, 0)
            for name, grams in batch.waxes]
    load = say_load_oz(batch.known.load_pct, sold=True)
    rows.append((batch.fragrance.name, load, batch.fragrance, batch.fragrance_g, 1))
    return tables.view(
        f"A batch, {batch.for_words}", rows, ("*Material", lambda r: r[0]),
        ("*Part", lambda r: r[1]),
        ("*Lot", lambda r: say_lot(r[2].lot) if r[2].lot else "not recorded"),
        ("Weigh", lambda r: say_grams(r[3], r[4])),
    )


def _how(batch):
    """How warm and how long, and what the fragrance holds, in sentences."""
    blend, pouring, oil = batch.blend, batch.pouring, batch.fragrance
    add, pour = (makers if planned is None else planned for planned, makers in (
        (pouring.add_temp_c, blend.add_temp_c), (pouring.pour_temp_c, blend.pour_temp_c)))
    for words, value in (("Fragrance in at", add), ("Pour at", pour)):
        yield f"{words} {'what the makers say' if value is None else say_temperature(value)}."
    yield f"Stir {pouring.stir_min:g} min."
    if oil.flash_point_c:
        yield f"Flash point {say_temperature(oil.flash_point_c)}."
    if oil.allergens:
        yield f"Allergens: {', '.join(oil.allergens)}."
    yield from batch.lines


def counts_table(analysis, blend):
    """Per load what was seen of a blend: pieces over the limit grade of those inspected.

    Parameters
    ----------
    analysis : Analysis. blend : str.

    Returns
    -------
    View, a row for each planned load (or load to 0.1 where none was planned), lowest first.
    """
    series, rules = analysis.series, analysis.rules
    pours = series.pours[series.pours["blend"] == blend]
    planned = pd.to_numeric(pours["planned_load_pct"]).fillna(pours["load_pct"].round(1))
    load_of = dict(zip(pours["pour"], planned, strict=True))

    def over(test, stress, grade):
        own = series.grades[(series.grades["test"] == test) & (series.grades["blend"] == blend)]
        own = own[own["grade"].notna()].assign(load=own["pour"].map(load_of))
        if stress:
            kept = own["stress"].astype(object)
            own = own[kept.where(kept.notna(), "rest") == stress]
        worst = own.groupby(["load", "code"])["grade"].max()  # a piece counts once, at its worst
        seen = (worst >= grade).groupby(level="load").agg(["sum", "count"])
        return lambda load: MISSING if load not in seen.index else "{sum} of {count}".format(
            **seen.loc[load].astype(int))

    own = series.throws[series.throws["blend"] == blend]
    means = {kind: group.groupby(group["pour"].map(load_of))["throw"].agg(["mean", "count"])
             for kind, group in own.groupby(own["kind"].map(THROW_WORDS))}

    def smelt(kind):
        return lambda load: MISSING if load not in means[kind].index else (
            "{mean:.1f} ({count:.0f})".format(**means[kind].loc[load]))

    grade, frost = rules.limit_grade, rules.frost_limit_grade
    columns = [
        ("Load", lambda load: say_load_oz(load)),
        *((f"Sweat {grade}+, {STRESS_WORDS[s]}", over("sweat", s, grade))
          for s in ("heat", "rest")),
        (f"Frost {frost}+", over("frost", None, frost)),
        *((f"{capital(kind)} throw, mean (scores)", smelt(kind)) for kind in means),
    ]
    loads = sorted(set(planned))
    shown = [c for c in columns if any(c[1](load) != MISSING for load in loads)]
    return tables.view("Seen by load: pieces at or over the grade, of those inspected",
                       loads, *shown)
