"""What is planned and still to be poured or graded: it comes before any further pot."""

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import NEAR_PCT, NONE, TEST_LOWER
from scentlab.text import count_of

COLUMNS = ["code", "pour", "pot", "blend", "load_pct", "stress", "graded"]
WHERE = ("page Share, The next step, or scentlab quick FOLDER shows which loads and how many "
         "pieces, and adds them to the plan")
NO_PLAN = ("page Share, The next step, shows which loads and how many pieces; plan them as a quick "
           "check in a new folder (scentlab quick)")


def planned_pieces(series, which="pieces"):
    """The planned sweat pieces of what is poured, or the lost ones ("lost"), and whether each is
    graded: DataFrame with code, pour, pot, blend, load_pct (as weighed, % of wax), stress and
    graded."""
    looks = series.sweat()
    graded = set(looks.loc[looks["grade"].notna(), "code"])
    pours = dict(zip(series.pours["pour"], series.pours[COLUMNS[2:5]].itertuples(index=False),
                     strict=True))
    return pd.DataFrame([
        (p["code"], p["pour"], *pours[p["pour"]], p.get("stress"), p["code"] in graded)
        for p in (series.plan or {}).get(which, ())
        if p.get("test") == "sweat" and p.get("pour") in pours], columns=COLUMNS)


def comes_first(series, ceiling, blends=None, stress=None):
    """What is to be graded or poured before a further pot of these blends (all if None), in words;
    "" for nothing.

    A pot of which nothing is graded waits. Of pots that are begun a few pieces are taken for lost,
    unless they hold less fragrance than all that was graded of a blend that has no load. Where
    heated pieces decide, no other is waited for.
    """
    pieces, none = planned_pieces(series), ceiling.table[ceiling.table["state"] == NONE]
    if stress or ceiling.stress == "heat":
        pieces = pieces[pieces["stress"].fillna("rest") == (stress or "heat")]
    if blends is not None:
        pieces = pieces[pieces["blend"].isin(blends)]
    lowest = dict(none[["blend", "lowest_tested_pct"]].to_numpy())
    pots = [pot for blend, own in pieces.groupby("blend", sort=False)
            for pot in _waiting(own, lowest.get(blend, np.nan))["pot"]]
    said = []
    if pots:
        named = ", ".join(dict.fromkeys(pots))
        said = [f"grade what is poured ({named}: {count_of(len(pots), 'piece')})"]
    if planned := _never_poured(series, blends):
        said.append(f"pour what is planned ({', '.join(planned)})")
    return " and ".join(said)


def _waiting(pieces, lowest):
    """The pieces of one blend that wait for their grade; ``lowest`` is the lowest load graded (% of
    wax) where the blend has none to use, else missing."""
    begun = pieces["pot"].isin(pieces.loc[pieces["graded"], "pot"])
    left = ~pieces["graded"]
    if (left & begun).sum() > begun.sum() // 4:
        return pieces[left]
    return pieces[left & (~begun | (pieces["load_pct"] < lowest - NEAR_PCT))]


def _never_poured(series, blends):
    """The planned pots with sweat pieces, without those of lot checks and as sold, of which no
    test batch is poured."""
    plan, poured = series.plan or {}, set(series.pours["pour"])
    sweat = {p.get("pour") for p in plan.get("pieces", ()) if p.get("test") == "sweat"}
    own = [p for p in plan.get("pours", ()) if p["pour"] in sweat and not p.get("lot")
           and p.get("finish") != "as sold" and (blends is None or p.get("blend") in blends)]
    done = {p.get("pot") for p in own if p["pour"] in poured}
    return [pot for pot in dict.fromkeys(p.get("pot") for p in own) if pot and pot not in done]


def what_to_test(series, ceiling, blend, stress=None):
    """What would help a blend of which no tested load qualifies, in a sentence; "" for others."""
    row = ceiling.of(blend)
    if row["state"] != NONE or pd.isna(row["lowest_tested_pct"]):
        return ""
    first = comes_first(series, ceiling, [blend], stress)
    return (f"{blend}: {first} first; that will show what to do next." if first else
            f"{blend}: {TEST_LOWER}; {WHERE if series.plan else NO_PLAN}.")
