"""A series kept in a new folder as if it had been recorded there."""

import pandas as pd

from scentlab.planning.plan import Plan
from scentlab.recording.importing import dry_run
from scentlab.recording.records import RECORDS
from scentlab.recording.store import Store
from scentlab.schema import DataError
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
from scentlab.workshop import demo_plan

POURED = ("pour", "pot", "blend", "poured_on", "wax_g", "fragrance_g")


def store_series(series, folder):
    """Keep a series in a new folder; returns its Store."""
    store = Store.create(
        folder, title=series.title, fragrance=series.fragrance, invented=series.invented
    )
    if series.plan:
        store.save_plan(series.plan)
    pours = series.pours
    if not series.plan:
        limits = series.blends.set_index("blend")[["limit_load_pct", "limit_content_pct"]]
        pours = pours.join(limits, on="blend")
    store.add_all({
        "pours": _rows(pours, "pours"),
        "pieces": _rows(_pieces(series, set(store.rows("pieces")["code"])), "pieces"),
        "grades": _rows(series.grades, "grades"),
        "throws": _rows(series.throws, "throws"),
        "warmings": _rows(series.warmings, "warmings"),
        "pairs": _rows(series.pairs.rename(columns={"code": "first"}), "pairs"),
    })
    return store


def store_simulated(folder, capacities, **layout):
    """A series folder with a simulated record of blends with these capacities."""
    truth = Truth({b: BlendTruth(c) for b, c in capacities.items()})
    sizes = {"pots": 2, "sweat": 4, "limit_load_pct": 10.0} | layout
    layout = even_layout(list(capacities), [5, 8, 11, 14], **sizes)
    for frame in (layout.pieces, layout.smellings):  # blind codes have three digits
        frame["code"] = [f"{100 + int(code)}" for code in frame["code"]]
    store_series(simulate_series(layout, truth, 3), folder)
    return folder


def keep_demo_plan(store):
    """Keep the demo's plan as one's own; returns the Plan."""
    store.save_plan({**demo_plan(), "title": "Mine", "invented": False})
    return Plan.from_dict(store.plan())


def log(store, pours):
    """Log planned pours as they are planned."""
    for pour in pours.to_dict("records"):
        store.add("pours", {name: pour[name] for name in POURED})


def _pieces(series, planned):
    """The pieces that were scored and that no plan knows, once each."""
    scores = [
        series.grades[["code", "pour", "test", "stress"]],
        series.throws[["code", "pour"]].assign(test="throw", stress=None),
        series.warmings[["code", "pour"]].assign(test="reserve", stress=None),
    ]
    pieces = pd.concat([s for s in scores if len(s)] or scores[:1]).drop_duplicates("code")
    return pieces[~pieces["code"].isin(planned)]


def _rows(frame, table):
    frame = frame.reindex(columns=list(RECORDS[table].names)).astype(object)
    return frame.where(frame.notna(), None).to_dict("records")


def read_csvs(*paths, **how):
    """The frames of files of pours, pieces and throws that are in order, by table."""
    files = dict(zip(("pours", "pieces", "throws"), paths, strict=False))
    tried = dry_run(**files, **how)
    if tried.problems:
        raise DataError(tried.problems)
    return tried.frames
