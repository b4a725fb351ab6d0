"""The page of the pour day: the pots, what was weighed, what is to be corrected."""

from functools import partial
from pathlib import Path

import ipywidgets as w
import pandas as pd

from scentlab.forms.desk import RecordDesk
from scentlab.guide.showing import show_guide
from scentlab.planning.plan import Plan
from scentlab.screens.frame import Fold, Page, bench_of
from scentlab.units import (
    OUNCES_PER_POUND,
    load_from_weights,
    say_temperature,
    shown,
    weights_in_unit,
)
from scentlab.workshop import series_here

HOT = (
    "<p><b>Hot wax and fragrance burn.</b> Water bath or thermostatic melter, never a direct "
    "flame; thermometer in the wax; never unattended; lid and class B extinguisher at hand; "
    "<b>never water on burning wax</b>. No flame or spark near the fragrance's flash point. "
    "Ventilate; gloves for neat fragrance. Local fire codes and licensed practice come first.</p>"
)
_TAKEN_OUT = "taken out to show the form"


def pour_page(folder: str | Path | None = None) -> Page:
    """The page on which it is logged what was weighed.

    Parameters
    ----------
    folder : of the series; None takes the folder of the notebook. A series without a plan is stood
        in for by a copy of the invented demo.

    Returns
    -------
    Page, a widget.

    >>> pour_page().bench.demo
    True
    """
    bench = bench_of(folder, "plan")
    if bench.demo:
        for entry in bench.store.rows("pours")["entry_id"].tail(2):
            bench.store.void("pours", entry, _TAKEN_OUT)
    return Page("pour", partial(_build, own=folder), bench)


def _build(page, own):
    store, bench = page.bench.store, page.bench
    plan = Plan.from_dict(store.plan())
    files = series_here(folder=own or ".") if bench.demo else None
    desk = page.desk = RecordDesk(bench, files=files)
    return [
        desk.pours, show_guide("pour"), Fold("Before the heat is on", lambda: w.HTML(HOT), "hot"),
        Fold("The pots and their temperatures", lambda: pots_table(plan), "pots"),
        Fold("What was weighed so far", lambda: weighed_table(store, plan), "weighed"),
        Fold("Something was logged wrong", lambda: desk.correct("pour"), "wrong"),
        Fold("Weighed and written elsewhere: files", lambda: desk.files, "files"),
    ]


def pots_table(plan):
    """The pots of a plan with the temperatures of their blend, as a frame to show."""
    pots = plan.pots.set_index("pot")[["blend", "poured_on", "melt_g"]]
    pots["melt_g"] = weights_in_unit(pots["melt_g"])
    pots.columns = ["blend", "pour day", f"wax to melt, {shown().weight}"]
    for words, name in (("add at", "add"), ("pour at", "pour"), ("never over", "max")):
        known = {b.name: getattr(b, f"{name}_temp_c") for b in plan.blends}
        pots[words] = [say_temperature(known[b]) if known[b] else "?" for b in pots["blend"]]
    return pots


def weighed_table(store, plan):
    """The logged pours beside the plan, in the maker's units, as a frame to show."""
    planned = plan.pours[["pour", "load_pct", "poured_on"]]
    rows = store.rows("pours").merge(planned, on="pour", suffixes=("", "_planned"))
    rows["weighed"] = load_from_weights(rows["fragrance_g"], rows["wax_g"])
    unit, planned, weighed = shown().weight, rows["load_pct"], rows["weighed"]
    loads, basis = [planned, weighed], "% of wax"
    if unit == "oz":
        loads, basis = [x * OUNCES_PER_POUND / 100.0 for x in loads], "oz/lb"
    return pd.DataFrame({
        "test batch": rows["pour"], "blend": rows["blend"], "poured on": rows["poured_on"],
        f"wax, {unit}": weights_in_unit(rows["wax_g"]),
        f"fragrance, {unit}": weights_in_unit(rows["fragrance_g"]),
        f"planned load, {basis}": loads[0], f"weighed load, {basis}": loads[1],
        f"off, {'points of ' * (unit == 'g')}{basis}": loads[1] - loads[0],
    }).round(2).replace(-0.0, 0.0).set_index("test batch")
