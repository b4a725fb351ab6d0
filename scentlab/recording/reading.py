"""From a store to a :class:`scentlab.series.Series`: plan, pours and scores joined.

The plan is optional. With one, limits, prices and wax fractions come from its blends; without,
the limits come from the pours. A limit that is told twice must be the same twice, unless it was
corrected: the last correction counts for the whole blend, whatever plan and pours said before.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from scentlab.materials import Blend
from scentlab.recording.store import Store, StoreError
from scentlab.recording.unpoured import left_out
from scentlab.results import wanted
from scentlab.series import BLEND_COLUMNS, HEAT_COLUMNS, Series, tidy, tidy_pairs, tidy_pours
from scentlab.units import load_from_content

# What is seen of a piece, and what it is called.
_SEEN = {"grades": "grades", "throws": "throw scores", "warmings": "checks on the warmer"}
LIMITS = {
    "limit_load_pct": "g per 100 g of wax",
    "limit_content_pct": "g in 100 g of finished product",
}


def read_series(store: Store) -> Series:
    """The series of a store as it stands now (corrected rows, without void ones).

    Parameters
    ----------
    store : Store

    Returns
    -------
    Series

    Raises
    ------
    StoreError when no pour is logged, when a scored piece comes from a pour that is not logged, or
    when the limit of a blend is told differently in two places.

    >>> import tempfile
    >>> from scentlab.workshop import make_demo_series
    >>> len(read_series(make_demo_series(tempfile.mkdtemp())).pours)
    36
    """
    wanted(store, "about", "a Store, as scentlab.Store.open(folder) opens it")
    plan, about = store.plan() or {}, store.about()
    logged = store.rows("pours")
    if logged.empty:
        raise StoreError("no test batch is logged yet", "log some on page Pour or import a file")
    pieces = store.rows("pieces")[["code", "pour", "stress"]]
    if "pieces" in plan:  # without those that were made void; those that are lost stand apart
        gone = left_out(store).keys() - set(store.rows("grades")["code"])
        there = [p for p in plan["pieces"] if p["code"] in set(pieces["code"])]
        plan = {**plan, "pieces": [p for p in there if p["code"] not in gone]}
        if lost := [p for p in there if p["code"] in gone]:
            plan["lost"] = lost
    planned = {p["pour"]: p.get("load_pct") for p in plan.get("pours", ())}
    planned = logged["pour"].map(planned).astype("float64")
    pours = tidy_pours(logged.assign(planned_load_pct=planned))
    seen = {name: _with_origin(store.rows(name), pieces, pours, words)
            for name, words in _SEEN.items()}
    seen["grades"] = _with_stress(seen["grades"])
    pairs = _with_origin(store.rows("pairs"), pieces, pours, "pairs", "second", "second_pour")
    pairs = _with_origin(pairs, pieces, pours, "pairs", "first")
    planned = {b["name"]: Blend.from_dict(b) for b in plan.get("blends", ())}
    fragrance = plan.get("fragrance") or {}
    blends = _blends(logged, planned, fragrance, store.rows("pours", history=True))
    series = Series(
        title=plan.get("title") or about["title"] or store.folder.absolute().name,
        fragrance=fragrance.get("name") or about["fragrance"],
        pours=pours,
        blends=blends,
        fractions=_fractions(logged, planned),
        piece_g=plan.get("piece_g"),
        currency=plan.get("currency") or "",
        plan=_plan_with(plan, blends) or None,
        invented=bool(plan.get("invented")) or about["invented"],
        heats=store.rows("heats").reindex(columns=list(HEAT_COLUMNS)),
        pairs=tidy_pairs(pairs, pours),
        **{name: tidy(name, rows, pours) for name, rows in seen.items()},
    )
    return _set_apart(series, logged, plan)


def _set_apart(series, logged, plan):
    """The series without the pours that check a lot or are as sold, which are kept beside it.

    Where every pour is one of them, the series is of that lot, or as sold, and stays whole.
    """
    planned = {p["pour"]: p for p in plan.get("pours", ())}
    marks = {
        name: [own if isinstance(own, str) else planned.get(pour, {}).get(name) or ""
               for pour, own in zip(logged["pour"], logged[name], strict=True)]
        for name in ("lot", "finish")
    }
    pours = series.pours.assign(**marks)
    apart = (pours["lot"] != "") | (pours["finish"] == "as sold")
    if not apart.any() or apart.all():
        return series
    own = series.of_pours(series.pours[~apart])
    return replace(own, apart=series.of_pours(pours[apart]))


def _with_origin(scores, pieces, pours, what, code="code", pour="pour"):
    """Scores with the pour and the planned stress of their piece."""
    joined = scores.merge(
        pieces.rename(columns={"stress": f"{code}_stress", "code": code, "pour": pour}), on=code,
        how="left", validate="many_to_one",
    )
    lost = sorted(set(joined.loc[joined[pour].isna(), code]))
    if lost:
        raise StoreError(
            f"{what} of pieces that are void: {', '.join(lost)}",
            "void these scores or add the pieces again", field=code, value=lost[0],
        )
    missing = sorted(set(joined[pour]) - set(pours["pour"]))
    if missing:
        raise StoreError(
            f"{what} belong to test batches that are not logged: {', '.join(missing)}",
            "log what was weighed for them", field="pour", value=missing[0],
        )
    return joined


def _with_stress(looks):
    stress = looks["stress"].fillna(looks["code_stress"])
    return looks.assign(stress=stress.astype(object).where(stress.notna(), None))


def _blends(pours, planned, fragrance, history):
    rows, content = [], fragrance.get("limit_content_pct")
    if content and content < 100.0:
        # Quick checks once wrote that of the fragrance, where it is lower, as that of the wax.
        limits = pours["limit_load_pct"].astype("float64")
        own = ~np.isclose(limits, load_from_content(content))
        pours = pours.assign(limit_load_pct=limits.where(own))
    for name in dict.fromkeys([*planned, *pours["blend"]]):
        blend, own = planned.get(name), pours[pours["blend"] == name]
        said = history[history["blend"] == name]
        rows.append((
            name, getattr(blend, "composition", None),
            _limit(name, "limit_load_pct", own, getattr(blend, "limit_load_pct", None), said),
            # That of a plan is of its fragrance, whatever the blend.
            _limit(name, "limit_content_pct", own, content, said if content is None else history),
            getattr(blend, "price_per_kg", None), fragrance.get("price_per_kg"),
        ))
    frame = pd.DataFrame(rows, columns=list(BLEND_COLUMNS))
    return frame.astype({**dict.fromkeys(BLEND_COLUMNS[2:], "float64"), "composition": object})


def _limit(name, column, pours, planned, history):
    """The one limit of a blend that plan and pours agree on, or that was corrected last and told
    anew by none since; None when nobody knows it."""
    told = dict(zip("test batch " + pours["pour"], pours[column], strict=True))
    told["the plan"] = planned
    last = _last_corrected(history, column)
    if last is not None:
        before = {planned, *history.loc[history["entry_id"] < last["entry_id"], column]}
        told = {f"the correction of test batch {last['pour']}": last[column]} | {
            place: value for place, value in told.items() if value not in before}
    places = {}
    for place, value in told.items():
        if not pd.isna(value):
            places.setdefault(float(value), place)
    if len(places) > 1:
        words = " but ".join(f"{v:g} in {p}" for v, p in places.items())
        raise StoreError(
            f"blend {name}: {column} ({LIMITS[column]}) is {words}",
            "correct the test batches so that each blend has one limit", field=column,
        )
    return next(iter(places), None)


def _last_corrected(history, column):
    """The entry of the last correction that changed a limit, and was not emptied in its pour
    since; None without one."""
    history = history.astype({column: "float64"}).set_index("entry_id", drop=False)
    limits = history[column].fillna(0.0)  # which none can be
    changed = history[history["replaces"].notna() & history["void_reason"].isna()
                      & (limits != history["replaces"].map(limits))]
    emptied = changed[changed[column].isna()].groupby("pour")["entry_id"].max()
    holds = changed[changed["entry_id"] > changed["pour"].map(emptied).fillna(0)]
    return None if holds.empty else holds.iloc[-1]


def plan_now(store):
    """The kept plan as a dict, with the limits that hold now, for what is planned and weighed by
    it; None without a plan."""
    plan, logged = store.plan(), store.rows("pours")
    if plan is None or logged.empty:
        return plan
    planned = {b["name"]: Blend.from_dict(b) for b in plan.get("blends", ())}
    try:
        return _plan_with(plan, _blends(logged, planned, plan.get("fragrance") or {},
                                        store.rows("pours", history=True)))
    except StoreError:  # limits that contradict each other, which the answer asks about
        return plan


def _plan_with(plan, blends):
    """The plan with the limits that hold now, for what is weighed by it."""
    if "blends" not in plan:
        return plan
    loads = blends.set_index("blend")["limit_load_pct"].dropna().to_dict()
    content = blends["limit_content_pct"].min()
    plan = {**plan, "blends": [
        b if loads.get(b["name"]) in (None, Blend.from_dict(b).limit_load_pct)
        else b | {"own_limit_load_pct": loads[b["name"]]} for b in plan["blends"]]}
    if plan.get("fragrance") and not pd.isna(content):
        plan["fragrance"] = plan["fragrance"] | {"limit_content_pct": float(content)}
    return plan


def _fractions(pours, planned):
    """Wax fractions by weight; empty unless the composition of every poured blend is known."""
    if not planned or not set(pours["blend"]) <= set(planned):
        return pd.DataFrame()
    known = {name: blend.fractions for name, blend in planned.items()}
    return pd.DataFrame.from_dict(known, orient="index").fillna(0.0).rename_axis("blend")
