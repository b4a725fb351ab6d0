"""Loads in rows: the highest safe and the recommended load of each blend."""

import numpy as np

from scentlab.sharing.pictures import drawing
from scentlab.sharing.pictures.drawing import INK, SWEAT, THROW

SAFE, RECOMMENDED = "highest safe load", "recommended load"
AT_RISK = "load at the limit risk, 90 % interval"


def draw_ceiling(ceiling, ax=None):
    """Per blend: load at risk with its interval, the highest safe load, and the tested loads."""
    table = ceiling.table
    ax = drawing.rows(ax, table["blend"], _tested(table), [_interval(table)], [
        _at_risk(table), (SAFE, table["ceiling_load_pct"], "^", {"color": SWEAT})])
    none = table["state"].where(table["ceiling_load_pct"].isna(), "")
    drawing.say_in_rows(ax, none, np.nanmin(_tested(table)[0]), 0.4)
    drawing.load_axis(ax, np.concatenate(_tested(table)))
    return drawing.finish(ax, "Highest safe load of each blend")


def draw_pick(pick, ax=None):
    """Per blend, best first: the load recommended beside the highest safe load and the limit."""
    table = pick.table
    loads = [drawing.tested_loads(pick.tradeoff, blend) for blend in table["blend"]]
    tested = np.array([(own.min(), own.max()) if len(own) else (np.nan, np.nan) for own in loads]).T
    ax = drawing.rows(ax, table["blend"], tested, (), [
        (RECOMMENDED, table["load_pct"], "D", {"color": THROW, "ms": 7}),
        (SAFE, table["ceiling_load_pct"], "^", {"color": SWEAT}),
        ("wax maker's limit", table["limit_load_pct"], "|", {"ms": 16, "mew": 2}),
    ])
    words = ["" if x == x else "no load qualifies" for x in table["load_pct"]]
    drawing.say_in_rows(ax, words, np.nanmin(tested[0]), 0.4)
    drawing.load_axis(ax, np.concatenate(tested))
    picked = table["load_pct"].notna().any()
    title = "The load recommended for each blend, best first"
    return drawing.finish(ax, title if picked else "No load is recommended", columns=2)


def _tested(table):
    return table[["lowest_tested_pct", "highest_tested_pct"]].to_numpy(dtype=float).T


def _interval(table):
    """The load at the limit risk, cut at the tested loads: beyond them nothing is claimed."""
    low, high = _tested(table)
    return (AT_RISK, np.fmax(table["load_at_risk_lower_pct"], low),
            np.fmin(table["load_at_risk_upper_pct"], high), {})


def _at_risk(table):
    low, high = _tested(table)
    load = table["load_at_risk_pct"]
    return (None, load.where((low <= load) & (load <= high)), "|", {"color": INK, "mew": 2})
