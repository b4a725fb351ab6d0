"""A planned test batch that will not be poured: spilled, dropped or given up. Nothing waits for it.

It is a row of its own with the reason, and is taken back as any entry is: made void. A batch that
is logged all the same was poured.
"""

from scentlab.recording.records import RECORDS, SCORES
from scentlab.recording.store import RefusedError
from scentlab.text import kept, spelling


def unpoured(store):
    """The planned test batches that will not be poured, in their order: name to reason ('' for
    none)."""
    logged = {pour for (pour,) in store.distinct("pours", ("pour",))}
    return {pour: note or "" for pour, note in sorted(store.distinct("unpoured", ("pour", "note")))
            if pour not in logged}


def plan_to_do(store, gone):
    """The plan without the test batches ``gone``, their pieces and all that these are scored for;
    an empty one without a plan."""
    plan = store.plan() or {}
    lost = {p["code"] for p in plan.get("pieces", ()) if p.get("pour") in gone}
    stays = {"pours": lambda p: p["pour"] not in gone, "pieces": lambda p: p["code"] not in lost,
             "smellings": lambda s: s["code"] not in lost,
             "pairs": lambda p: not {p["first"], p["second"]} & lost}
    return plan | {name: list(filter(stay, plan[name])) for name, stay in stays.items()
                   if gone and name in plan}


def leave_out(store, pour, reason="", key=None):
    """Say of a planned test batch that it will not be poured; returns the receipt.

    One that is logged, for it was spilled after it was weighed, is made void with it. Raises
    RefusedError for one that nobody planned, that is left out already, or whose pieces have scores.
    """
    planned = [p["pour"] for p in (store.plan() or {}).get("pours", ())]
    pour, why = spelling(planned)(kept(pour)), kept(reason)
    if pour not in planned:
        raise RefusedError(f"the plan has no test batch {pour!r}", "look at its name on the sheet",
                           field="pour", value=pour)
    with store.together():
        if key is None or store.find("unpoured", key) is None:
            _need_no_score(store, pour)
            for row in store.records("pours", ("pour",), pour):
                store.void("pours", row["entry_id"], why or "it will not be poured")
        return store.add("unpoured", {"pour": pour, "note": why or None}, key)


def take_up(store, pour):
    """Take back that a test batch will not be poured; returns its name."""
    pour = spelling(store.known_names("pour"))(kept(pour))
    for row in store.records("unpoured", ("pour",), pour):
        store.void("unpoured", row["entry_id"], "it will be poured after all")
        return pour
    raise RefusedError(f"nobody said that test batch {pour} will not be poured", field="pour",
                       value=pour)


def _need_no_score(store, pour):
    codes = {code for (code,) in store.distinct("pieces", ("code",), pour=pour)}
    scored = {code for name in SCORES for column in RECORDS[name].codes
              for (code,) in store.distinct(name, (column,))} & codes
    if scored:
        raise RefusedError(
            f"test batch {pour} was poured: its pieces {', '.join(sorted(scored))} have scores",
            "make these void first if they are of other pieces", field="pour", value=pour)


def unpoured_words(gone):
    """What will not be poured, in words; '' for nothing.

    >>> unpoured_words({"P01-2": "spilled", "P02-1": ""})
    'P01-2 will not be poured (spilled); P02-1 will not be poured'
    """
    return "; ".join(f"{pour} will not be poured{f' ({why})' if why else ''}"
                     for pour, why in gone.items())
