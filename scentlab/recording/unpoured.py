"""A planned test batch that will not be poured: spilled, dropped or given up. Nothing waits for it.

It is a row of its own with the reason, and is taken back as any entry is: made void. A batch that
is logged all the same was poured.
"""

from scentlab.recording.records import RECORDS, SCORES
from scentlab.recording.store import RefusedError
from scentlab.text import kept, spelling
from scentlab.units import say_weighed

_WITH = "left-out:"  # begins the key of a void of what was weighed of a batch that was left out


def unpoured(store):
    """The planned test batches that will not be poured, in their order: name to reason ('' for
    none)."""
    logged = {pour for (pour,) in store.distinct("pours", ("pour",))}
    return {pour: note or "" for pour, note in sorted(store.distinct("unpoured", ("pour", "note")))
            if pour not in logged}


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
            logged = store.records("pours", ("pour",), pour)
            for row in store.records("unpoured", ("pour",), pour):
                if not logged:
                    said = unpoured_words({pour: row["note"]})
                    raise RefusedError(f"it is on record already: {said}", "nothing waits for it",
                                       field="pour", value=pour)
                store.void("unpoured", row["entry_id"], "it was poured all the same")
            for row in logged:
                store.void("pours", row["entry_id"], why or "it will not be poured",
                           f"{_WITH}{row['entry_id']}")
        return store.add("unpoured", {"pour": pour, "note": why or None}, key)


def take_up(store, pour):
    """Take back that a test batch will not be poured; returns how it stands then, in words."""
    pour = spelling(store.known_names("pour"))(kept(pour))
    for row in store.records("unpoured", ("pour",), pour):
        return make_void(store, "unpoured", row["entry_id"], "it will be poured after all")
    raise RefusedError(f"nobody said that test batch {pour} will not be poured", field="pour",
                       value=pour)


def make_void(store, table, entry_id, reason, key=None):
    """Make an entry void; returns in words how its test batch stands then, '' for a score.

    What was weighed of a batch, and made void with it when it was left out, counts again when that
    is void.
    """
    with store.together():
        store.void(table, entry_id, reason, key)
        if table not in ("pours", "unpoured"):
            return ""
        pour = store.entry(table, entry_id)["pour"]
        rows = store.rows("pours", history=True)
        for last in rows[rows["pour"] == pour].tail(1).itertuples():
            if table == "unpoured" and last.key.startswith(_WITH):
                store.add("pours", store.entry("pours", last.entry_id))
        return _stands(store, pour)


def _stands(store, pour):
    """How a test batch stands, in words; '' for one that is not there and nobody planned."""
    for row in store.records("pours", ("pour",), pour):
        return (f"{pour} counts: {say_weighed(row['fragrance_g'])} of fragrance in "
                f"{say_weighed(row['wax_g'])} of wax")
    gone = {name: why for name, why in unpoured(store).items() if name == pour}
    planned = pour in {p["pour"] for p in (store.plan() or {}).get("pours", ())}
    return unpoured_words(gone) or (f"{pour} waits to be poured again" if planned else "")


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
