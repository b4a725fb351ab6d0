"""Makes the invented demo series in data/demo, and the picture of the README.

Run it from the checkout, with the kit installed: python data/make_demo.py

Three made-up blends are planned as a maker would plan them and scored under a known truth, which
is kept beside the data in truth.json so that a notebook can hold the answers against it.
"""

import json
import shutil
import tempfile
from pathlib import Path

import numpy as np
from warmed import warmed

from scentlab.choosing.analysis import analyse
from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.plan import PieceNumbers, Sittings, make_plan
from scentlab.recording.importing import export_csvs
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store
from scentlab.schema import POURS, WARMINGS
from scentlab.sharing.report import write_report
from scentlab.simulate import BlendTruth, Truth, layout_of_plan, simulate_series

FOLDER = Path(__file__).parent / "demo"
SEED = 20260907
LOADS_PCT = (4, 6, 8, 10, 12, 14)
# The reserve pieces of one load are left on the warmer, weighed, and smelt by three assessors.
WARMED_PCT, WARMED_H, WARMED_BY = 10, (0, 1, 2, 4, 6, 9, 12), ("A2", "A3", "A4")

HEAT = {"started_on": "2026-09-23", "low_c": 37.2, "high_c": 39.0, "hours": 12.0, "cycles": 3,
        "pack": "open", "note": "invented"}

SOFT = Wax("soft wax", "invented lot S-12", limit_load_pct=10, melt_temp_c=50, add_temp_c=80,
           pour_temp_c=65, max_temp_c=93, price_per_kg=7.5)
FIRM = Wax("firm wax", "invented lot F-03", limit_load_pct=12, melt_temp_c=58, add_temp_c=82,
           pour_temp_c=70, max_temp_c=95, price_per_kg=9.0)
CREAM = Wax("creamy wax", "invented lot C-41", limit_load_pct=10, melt_temp_c=52, add_temp_c=78,
            pour_temp_c=65, max_temp_c=90, price_per_kg=11.0)

BLENDS = (
    Blend("soft", ((SOFT, 1.0),)),
    Blend("soft-firm 70/30", ((SOFT, 0.7), (FIRM, 0.3))),
    Blend("creamy-firm 60/40", ((CREAM, 0.6), (FIRM, 0.4))),
)
CEDAR = Fragrance("cedar and fig (invented)", "invented lot 77", flash_point_c=88,
                  limit_content_pct=12.5, density_g_per_ml=0.96, price_per_kg=60,
                  allergens=("limonene", "linalool"))

TRUTH = Truth({
    "soft": BlendTruth(10.5, frost=1.2, throw_floor=0.5, throw_rise=9.0, throw_half=4.0),
    "soft-firm 70/30": BlendTruth(13.0, frost=-0.2, throw_floor=0.5, throw_rise=9.0,
                                  throw_half=6.0),
    "creamy-firm 60/40": BlendTruth(12.0, frost=-1.5, throw_floor=1.0, throw_rise=9.5,
                                    throw_half=5.0),
})


def plan():
    return make_plan(
        "Demo: cedar and fig in three blends (invented)", CEDAR, BLENDS, LOADS_PCT,
        pots_per_blend=2, pieces=PieceNumbers(sweat=4, sweat_heat=2, frost=2, throw=2, reserve=1),
        piece_g=25, assessors=6, works_with_fragrance=("A1",), start="2026-09-07", seed=SEED,
        currency="EUR", invented=True,
        # held as sessions were before all testers smelt one piece at a time
        sittings=Sittings(pieces_per_sitting=6, together=False, anchor=False, rooms=6),
    )


def simulated(planned):
    laid = layout_of_plan(planned)
    pours = laid.pours.loc[laid.pours["load_pct"] == WARMED_PCT, "pour"]
    pieces = laid.pieces
    codes = pieces.loc[pieces["pour"].isin(pours) & (pieces["test"] == "reserve"), "code"]
    return warmed(simulate_series(laid, TRUTH, SEED), codes, TRUTH, WARMED_H, WARMED_BY, SEED)


def logged_pours(series, rng):
    """The pours as a form would have logged them: temperatures as they happen on a bench."""
    pours = series.pours.copy()
    for name, spread in (("add_temp_c", 1.5), ("pour_temp_c", 1.5)):
        pours[name] = np.round(pours[name] + spread * rng.standard_normal(len(pours)))
    pours["room_temp_c"] = np.round(20 + rng.standard_normal(len(pours)))
    pours["scale_check_g"] = 100.1
    limits = series.blends.set_index("blend")[["limit_load_pct", "limit_content_pct"]]
    pours = pours.join(limits, on="blend")
    return _rows(pours.reindex(columns=list(POURS.names)))


def _rows(frame):
    return frame.astype(object).where(frame.notna(), None).to_dict("records")


def true_loads():
    """Load at the default risk (grade 2 or more in 5 % of the pieces of a new pot), by blend."""
    return {
        stress: {b: round(TRUTH.load_at_risk(b, stress=stress), 3) for b in TRUTH.blends}
        for stress in ("rest", "heat")
    }


def first_screen(analysis, path):
    """The first screen of the report as a PNG; needs the test libraries and Chromium."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        page = write_report(analysis, Path(folder) / "report.html").as_uri()
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"),
                                             args=["--no-sandbox"])
        shown = browser.new_page(viewport={"width": 1200, "height": 750})
        shown.goto(page)
        shown.screenshot(path=path)
        browser.close()


def main():
    planned = plan().to_dict()
    series = simulated(planned)
    throws = series.throws.drop(columns=["pour", "pot", "blend", "load_pct"])
    throws["works_with_fragrance"] = np.where(throws["assessor"] == "A1", "yes", "no")
    grades = series.grades[["code", "test", "stress", "age_days", "assessor", "grade"]]
    with tempfile.TemporaryDirectory() as folder:
        store = Store.create(folder, invented=True)
        store.save_plan(planned)
        store.add_all({
            "pours": logged_pours(series, np.random.default_rng(SEED)),
            "grades": _rows(grades), "throws": _rows(throws),
            "warmings": _rows(series.warmings[list(WARMINGS.names)]), "heats": [HEAT],
        })
        export_csvs(store, FOLDER)
        first_screen(analyse(read_series(store), seed=1), FOLDER.parent / "report.png")
    for name, data in (("plan", planned), ("truth", true_loads())):
        text = json.dumps(data, indent=1, ensure_ascii=False) + "\n"
        (FOLDER / f"{name}.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
