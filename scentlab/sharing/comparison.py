"""Two or more series on one page: their picks side by side, and in what the series differ."""

import datetime as dt

from scentlab.sharing import plots
from scentlab.sharing.guard import SharingError
from scentlab.sharing.pages import image, render, write_page
from scentlab.sharing.pooling import lot_names, pool_series, why_not_pooled
from scentlab.sharing.tables import comparison_table, lots_table, shifts_table
from scentlab.sharing.wording import is_missing, lots_in_words, say_both, say_share

_RULE_WORDS = {
    "risk": "accepted risk", "confidence": "confidence", "limit_grade": "limit grade of sweat",
    "frost_limit_grade": "limit grade of frost", "throw_loss": "throw to give up, points",
    "throw_kind": "kind of throw", "stress": "stress", "ship_age_days": "age at sale, days",
}


def comparison_html(analyses, pooled=None):
    """One page with the picks of two or more series, and their lots when they can be pooled.

    Parameters
    ----------
    analyses : sequence of Analysis, in the order to show; equal titles are told apart by number.
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
        made_on=dt.date.today().isoformat(),
        names=names,
        picks=[(n, _pick_words(a)) for n, a in zip(names, analyses, strict=True)],
        picture=image(plots.plot_series(analyses, names), _in_words(analyses, names)),
        rows=comparison_table(analyses),
        differences=differences(analyses),
        why_not=why_not,
        pooled=_pooled_section(pooled) if pooled is not None else None,
    )


def write_comparison(analyses, path, pooled=None):
    """Write the page of :func:`comparison_html` to ``path`` and return the path."""
    return write_page(comparison_html(analyses, pooled), path, "the comparison")


def _pooled_section(pooled):
    ceiling, number = pooled.ceiling, len(pooled.fit.blends)
    return {
        "sentence": pooled.sentence,
        "notes": pooled.notes,
        "blends": f"{number} blends" if number > 1 else "one blend",
        "confidence": say_share(ceiling.confidence, 0),
        "risk": say_share(ceiling.risk, 0),
        "limit_grade": ceiling.limit_grade,
        "stress": plots.STRESS_WORDS[ceiling.stress],
        "picture": image(plots.plot_lots(pooled), lots_in_words(pooled.table)),
        "ceilings": lots_table(pooled),
        "shifts": shifts_table(pooled),
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
            found.append(f"Rules differ: {words} " + ", ".join(_plain(v) for v in values) + ".")
    stresses = [plots.STRESS_WORDS[a.ceiling.stress] for a in analyses]
    if len(set(stresses)) > 1:
        found.append("The pieces that decide differ: " + ", ".join(stresses) + ".")
    found += _panels(analyses)
    return found


def _panels(analyses):
    """Throw scores of different panels stand on scales of their own."""
    panels = [frozenset(a.series.throws["assessor"]) for a in analyses]
    if len(set(panels)) > 1:
        return [
            "The panels differ, and each assessor uses the throw scale in an own way: compare "
            "loads and risks rather than throw."
        ]
    return []


def _plain(value):
    return "not set" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _pick_words(analysis):
    best = analysis.pick.table.iloc[0]
    if is_missing(best["load_pct"]):
        return "no load is picked"
    return f"{best['blend']} at {say_both(best['load_pct'])}"


def _in_words(analyses, names):
    parts = []
    for name, analysis in zip(names, analyses, strict=True):
        rows = "; ".join(
            f"{r['blend']} {say_both(r['load_pct'])}, ceiling {say_both(r['ceiling_load_pct'])}"
            for r in analysis.pick.table.to_dict("records")
        )
        parts.append(f"{name}: {rows}")
    return f"Picks and ceilings of {len(names)} series. " + ". ".join(parts) + "."
