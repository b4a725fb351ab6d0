"""What is planned and will not come: a test batch that is spilled, a piece that is lost, a session
that is never held, a tester who comes no more. Nothing waits for it.

It is a row of its own with the reason, and is taken back as any entry is: made void. A batch that
is logged all the same was poured, and what was scored stays.
"""

from scentlab.recording.records import RECORDS, SCORES
from scentlab.recording.store import RefusedError
from scentlab.series import plan_without
from scentlab.text import kept, spelling
from scentlab.units import say_weighed

_WITH = "left-out:"  # begins the key of a void of what was weighed of a batch that was left out


def left_out(store):
    """All that is planned and will not come, in order: name to reason ('' for none)."""
    logged = {pour for (pour,) in store.distinct("pours", ("pour",))}
    return {name: note or "" for name, note in sorted(store.distinct("unpoured", ("pour", "note")))
            if name not in logged}


def unpoured(store):
    """The planned test batches that will not be poured, as :func:`left_out` has them."""
    called = _called(store)
    return {name: why for name, why in left_out(store).items() if name not in called}


def left_words(store, gone=None):
    """What will not come, or of these the reasons by name, in words; '' for nothing."""
    return unpoured_words(left_out(store) if gone is None else gone, _called(store))


def plan_to_do(store):
    """The kept plan without what will not come; an empty dict without one."""
    return plan_without(store.plan() or {}, left_out(store))


def _called(store):
    """What there is beside planned test batches: name to the words that it will not come."""
    plan = store.plan() or {}
    seats = [*plan.get("smellings", ()), *plan.get("pairs", ())]
    return {
        **{c: f"piece {c} will not be scored" for (c,) in store.distinct("pieces", ("code",))},
        **{s["sitting"]: f"session {s['sitting']} will not be held" for s in seats},
        **{who: f"tester {who} will not score" for who in plan.get("assessors", ())}}


def leave_out(store, pour, reason="", key=None):
    """Say of a planned test batch that it will not be poured, or of a piece, session or tester that
    no more will come of it; returns the receipt.

    A batch that is logged, for it was spilled after it was weighed, is made void with it. Raises
    RefusedError for what nobody planned, what is left out already, and a batch whose pieces have
    scores.
    """
    planned = [p["pour"] for p in (store.plan() or {}).get("pours", ())]
    known = [*planned, *_called(store)]
    pour, why = spelling(known)(kept(pour)), kept(reason)
    if pour not in known:
        raise RefusedError(f"the plan has no test batch, piece, session or tester {pour!r}",
                           "check its name on the sheet", field="pour", value=pour)
    with store.together():
        if key is None or store.find("unpoured", key) is None:
            if pour in planned:
                _need_no_score(store, pour)
            logged = store.records("pours", ("pour",), pour)
            for row in store.records("unpoured", ("pour",), pour):
                if not logged:
                    said = left_words(store, {pour: row["note"]})
                    raise RefusedError(f"it is already on record: {said}", "nothing waits for it",
                                       field="pour", value=pour)
                store.void("unpoured", row["entry_id"], "it was poured after all")
            for row in logged:
                store.void("pours", row["entry_id"], why or "it will not be poured",
                           f"{_WITH}{row['entry_id']}")
        return store.add("unpoured", {"pour": pour, "note": why or None}, key)


def take_up(store, pour):
    """Take back that something will not come; returns how it stands then, in words."""
    pour = spelling([*store.known_names("pour"), *_called(store)])(kept(pour))
    for row in store.records("unpoured", ("pour",), pour):
        return make_void(store, "unpoured", row["entry_id"], "it will come after all")
    raise RefusedError(f"{pour} was not marked as not coming", field="pour", value=pour)


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
    """How a test batch, or what else was left out, stands in words; '' for one that is not there
    and nobody planned."""
    for row in store.records("pours", ("pour",), pour):
        return (f"{pour} counts: {say_weighed(row['fragrance_g'])} of fragrance in "
                f"{say_weighed(row['wax_g'])} of wax")
    if pour in (gone := left_out(store)):
        return left_words(store, {pour: gone[pour]})
    if pour in _called(store):
        return f"{pour} counts as planned again"
    planned = pour in {p["pour"] for p in (store.plan() or {}).get("pours", ())}
    return f"{pour} waits to be poured again" if planned else ""


def _need_no_score(store, pour):
    codes = {code for (code,) in store.distinct("pieces", ("code",), pour=pour)}
    scored = {code for name in SCORES for column in RECORDS[name].codes
              for (code,) in store.distinct(name, (column,))} & codes
    if scored:
        raise RefusedError(
            f"test batch {pour} was poured: its pieces {', '.join(sorted(scored))} have scores",
            "make these void first if they belong to other pieces", field="pour", value=pour)


def unpoured_words(gone, called=None):
    """What will not be poured, in words; '' for nothing. ``called`` has other words by name.

    >>> unpoured_words({"P01-2": "spilled", "P02-1": ""})
    'P01-2 will not be poured (spilled); P02-1 will not be poured'
    """
    return "; ".join((called or {}).get(name, f"{name} will not be poured")
                     + (f" ({why})" if why else "") for name, why in gone.items())
