"""Two or more series on one page: their loads side by side, and in what the series differ."""

from scentlab.sharing.guard import SharingError
from scentlab.sharing.pages import image, render, write_page
from scentlab.sharing.pictures.safe_loads import draw_lots, draw_pick
from scentlab.sharing.pooling import lot_names, pool_series, why_not_pooled
from scentlab.words import STRESS_WORDS, count, is_missing, say_both, say_share
from scentlab.words.tables import comparison_table, lots_table

_RULE_WORDS = {
    "risk": "accepted risk", "confidence": "confidence", "limit_grade": "limit grade of sweat",
    "frost_limit_grade": "limit grade of frost", "throw_loss": "throw to give up, points",
    "throw_kind": "kind of throw", "stress": "stress", "ship_age_days": "age at sale, days",
}


def comparison_html(analyses, pooled=None):
    """One page with the answers of two or more series, and their lots when they can be pooled.

    Parameters
    ----------
    analyses : sequence of Analysis, in the order to show; equal titles are set apart by number.
    pooled : PooledSeries of these analyses; made here when it is None and the plans allow it.

    Returns
    -------
    str, a complete HTML document without any reference to the network.
    """
    analyses = list(analyses)
    if len(analyses) < 2:
        raise SharingError("a comparison needs two or more series; give their analyses in a list")
    names = series_names(analyses)
    why_not = why_not_pooled(analyses)
    if pooled is None and not why_not:
        pooled = pool_series(analyses, seed=analyses[0].seed)
    return render(
        "comparison.html.j2",
        invented=any(a.series.invented for a in analyses),
        names=names,
        picks=[(n, _pick_words(a)) for n, a in zip(names, analyses, strict=True)],
        pictures=_pictures(analyses, names),
        rows=comparison_table(analyses),
        differences=differences(analyses),
        why_not=why_not,
        pooled=_pooled_section(pooled) if pooled is not None else None,
    )


def write_comparison(analyses, path, pooled=None):
    """Write the page of :func:`comparison_html` to ``path`` and return the path."""
    return write_page(comparison_html(analyses, pooled), path, "the comparison")


def _pictures(analyses, names):
    """The loads of each series, at the same scale."""
    drawn = [draw_pick(a.pick) for a in analyses]
    low, high = zip(*(ax.get_xlim() for ax in drawn), strict=True)
    for ax in drawn:
        ax.set_xlim(min(low), max(high))
    return [image(ax, f"{i}: {name}") for i, (ax, name) in
            enumerate(zip(drawn, names, strict=True), start=1)]


def _pooled_section(pooled):
    ceiling = pooled.ceiling
    return {
        "sentence": pooled.sentence,
        "notes": pooled.notes,
        "blends": count(len(pooled.fit.blends), "blend"),
        "confidence": say_share(ceiling.confidence, 0),
        "risk": say_share(ceiling.risk, 0),
        "limit_grade": ceiling.limit_grade,
        "stress": STRESS_WORDS[ceiling.stress],
        "picture": image(draw_lots(pooled)),
        "ceilings": lots_table(pooled),
    }


def series_names(analyses):
    """The titles, with a number where two are the same."""
    titles = [a.series.title for a in analyses]
    return [
        t if titles.count(t) == 1 else f"{t} ({titles[: i + 1].count(t)})"
        for i, t in enumerate(titles)
    ]


def differences(analyses):
    """In what the series differ beside their blends, as sentences: what makes them unlike."""
    found = []
    fragrances = [a.series.fragrance or "not on record" for a in analyses]
    if len(set(fragrances)) > 1:
        found.append(
            "Fragrances differ (" + "; ".join(fragrances) + "): a limit of sweating belongs to a "
            "wax and a fragrance together."
        )
    names = lot_names(analyses)
    if any("lot" in name for name in names):
        found.append(f"Lots differ: {'; '.join(names)}.")
    for name, words in _RULE_WORDS.items():
        values = [getattr(a.rules, name) for a in analyses]
        if len(set(values)) > 1:
            found.append(f"Rules differ: {words} {', '.join(map(_plain, values))}.")
    stresses = [STRESS_WORDS[a.ceiling.stress] for a in analyses]
    if len(set(stresses)) > 1:
        found.append(f"The pieces that decide differ: {', '.join(stresses)}.")
    if len({frozenset(a.series.throws["assessor"]) for a in analyses}) > 1:
        found.append(
            "The panels differ, and each tester uses the throw scale in an own way: compare "
            "loads and risks rather than throw."
        )
    return found


def _plain(value):
    return "not set" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _pick_words(analysis):
    best = analysis.pick.table.iloc[0]
    if is_missing(best["load_pct"]):
        return "no load is recommended"
    return f"{best['blend']} at {say_both(best['load_pct'])}"
