"""The dossier: one printed page of one blend for a supplier's or a maker's own technical file."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

import scentlab
from scentlab.choosing.analysis import Analysis
from scentlab.materials import say_lot
from scentlab.results import say_odds, say_rule
from scentlab.series import HIDDEN_FRAGRANCE
from scentlab.sharing.figures import of_blend
from scentlab.sharing.guard import need
from scentlab.sharing.pages import render, write_page
from scentlab.sharing.photos import shown_photos
from scentlab.sharing.report import page_fingerprint
from scentlab.units import GRAMS_PER_OUNCE, say_grams, say_load_oz, say_temperature
from scentlab.words import (
    MISSING,
    answers,
    is_missing,
    say_loads,
    say_range,
    say_share,
    tables,
)

MOST_CHECKED = 120  # characters of who checked: a line of the page
_RESTS = {"heat reached": "Heat as reached", "seen up to": "Seen up to",
          "scale": "Scale check", "batches off the plan": "Batches off the plan",
          "pots unlike the rest": "Pots unlike the rest"}
_SHORT = 16  # digits of a fingerprint that are printed


def dossier_html(analysis, batch, checked="", photos=()):
    """One page about the load of one blend, to print as it is: what :func:`write_dossier` writes.
    """
    need(len(checked) <= MOST_CHECKED,
         f"“who checked it” may have {MOST_CHECKED} characters; this has {len(checked)}")
    name = batch.known.blend
    return render(
        "dossier.html.j2", analysis=analysis, series=analysis.series, batch=batch, blend=name,
        load=say_loads(batch.known.load_pct, sold=True),
        answer=list(_answer(analysis, analysis.pick.of(name), batch.known)),
        protocol=list(_protocol(analysis, batch.known)), counts=tables.counts_table(analysis, name),
        weigh=weigh_table(batch, analysis.series), how=" ".join(_how(batch)),
        photos=shown_photos(photos, analysis.series, batch.known.load_pct, name, most=3),
        checked=checked, fingerprint=page_fingerprint(analysis)[:_SHORT],
        version=scentlab.__version__,
    )


def write_dossier(
    analysis: Analysis, path: str | Path, batch: Any, checked: str = "",
    photos: Sequence[Any] = (),
) -> Path:
    """Write the dossier of one blend to a file, whole or not at all.

    Parameters
    ----------
    analysis : Analysis
    path : str or Path, of the HTML file.
    batch : Batch of :func:`scentlab.make_batch`: its blend, its load and what to weigh for it.
    checked : str, who checked it and when, up to 120 characters; empty leaves lines for a pen.
    photos : as :func:`report_html` takes them; three at most are shown, of pieces of this blend
        at and above the load.

    Returns
    -------
    Path, of the file.

    Raises
    ------
    FileNotFoundError when the folder does not exist, SharingError for too long a name, FitError
    for a blend that has no answer.

    >>> write_dossier(analysis, "exports/dossier.html", batch)  # doctest: +SKIP
    """
    return write_page(path, "the dossier",
                      lambda: dossier_html(analysis, batch, checked, photos))


def _answer(analysis, row, known):
    """What was decided about the blend, as pairs of name and words."""
    load = say_loads(known.load_pct, sold=True)
    yield "Load", f"{load}; recommended" if known.recommended else load
    if not known.recommended:
        row = row.copy()
        row[["load_pct", "throw", "reason"]] = (
            known.load_pct, np.nan, "You typed this load; it is not the recommended one")
    for name, parts in answers.facts_of(analysis, row):
        yield name, "".join(map(str, parts))
    if known.recommended and not is_missing(row["p_over"]):
        between = say_range(row["sweat_lower"], row["sweat_upper"], say_share)
        yield "Risk of sweat", (f"{say_share(row['sweat_risk'])} (90 %: {between}); "
                                f"{say_odds(row['p_over'], row['least_told'])} that it is over "
                                f"{say_rule(analysis.rules.risk)}")
    yield "Regulatory limit", answers.regulatory_limit(analysis.series.blends, row["blend"])


def _protocol(analysis, known):
    """How it was tested: heat as it was reached, days, pots, people."""
    found = dict(known.rests.of(known.blend)[["name", "value"]].to_numpy().tolist())
    yield from ((words, found[name]) for name, words in _RESTS.items() if name in found)
    series = analysis.series
    own = series.of_pours(of_blend(series.pours, known.blend))
    yield "How", " ".join(answers.method_sentences(own))


def weigh_table(batch, series):
    """What a batch is made of, with all that is on it: a row for each material with its part, its
    lot and what to weigh."""
    # Where no size of a piece is on record, a batch is reckoned in pieces of an ounce.
    known = series.piece_g is not None or batch.recipe.piece_g != GRAMS_PER_OUNCE
    waste = f"{batch.recipe.waste_pct:g} % extra for what stays in the pot"
    return tables.view(
        f"A batch, {batch.for_words}; {waste}" if known else "A batch", list(_weighed(batch)),
        ("*Material", lambda r: r[0]), ("*Part", lambda r: r[1]),
        ("*Lot", lambda r: r[2]), ("Weigh", lambda r: r[3]),
    )


def _weighed(batch):
    recipe, oil = batch.recipe, batch.fragrance
    for (wax, fraction), (_, grams) in zip(batch.blend.parts, batch.waxes, strict=True):
        yield wax.name, f"{100 * fraction:g} % of the wax", _lot(wax), say_grams(grams, 0)
    if batch.dye_g:
        yield "dye", "into the melt", MISSING, say_grams(batch.dye_g)
    yield (oil.name, say_load_oz(batch.known.load_pct, sold=True), _lot(oil),
           say_grams(batch.fragrance_g))
    wax_g, oil_g = batch.topping
    if wax_g:
        yield recipe.topping_wax or "wax", "topping", MISSING, say_grams(wax_g, 0)
    if oil_g:
        load = say_load_oz(recipe.topping_load_pct, sold=True)
        yield oil.name, f"topping, {load} of its wax", _lot(oil), say_grams(oil_g)
    if recipe.decoration_g and batch.pieces:
        yield (recipe.decoration or "decoration", "on top", MISSING,
               say_grams(batch.pieces * recipe.decoration_g))


def _lot(material):
    if material.lot:
        return say_lot(material.lot)
    return "not shared" if material.name == HIDDEN_FRAGRANCE else "not recorded"


def _how(batch):
    """What the fragrance holds, and what is against the limits, in sentences."""
    oil = batch.fragrance
    if oil.flash_point_c:
        yield f"Flash point {say_temperature(oil.flash_point_c)}."
    if oil.allergens:
        yield f"Allergens: {', '.join(oil.allergens)}."
    yield from batch.lines
