"""The pair test from the terminal: planned in one line, answered by two keys, counted."""


from scentlab.amounts import read_loads
from scentlab.choosing.analysis import pair_test
from scentlab.choosing.kept import rules_here
from scentlab.cli.frame import CannotDo, call, count, exported, listed, program, reading
from scentlab.planning.pairs import pair_care, pair_words, pairs_needed, plan_pairs
from scentlab.planning.plan import Plan
from scentlab.planning.sheets import pair_sheets_html
from scentlab.recording.progress import known_assessors, pairs_waiting
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store
from scentlab.recording.unpoured import left_out
from scentlab.schema import THROWS
from scentlab.text import seed_of, spelling
from scentlab.units import say_load_oz

_KINDS = {"hot": "warm", "cold": "cold"}
_KEYS = {"1": "first", "2": "second"}


def _pairs(arguments):
    store = Store.open(arguments.folder)
    found = store.plan()
    if found is None:
        raise CannotDo(f"{arguments.folder} has no plan, so it is not known which pieces to "
                       f"compare; import what you compared with: {program()} import --pairs FILE")
    plan = Plan.from_dict(found)
    if arguments.loads or not plan.pair_rows:
        return _plan(arguments, store, plan)
    if arguments.tester:
        _ask(store, arguments.tester)
    return _show(arguments, store, plan)


def _plan(arguments, store, plan):
    testers = [t.strip() for t in (arguments.testers or "").split(",") if t.strip()]
    for tester in testers:
        if wrong := THROWS["assessor"].check(tester)[1]:
            raise CannotDo(f"--testers {tester!r} is not {wrong[0]}")
    graded, sweated = _graded(store)
    number = arguments.number or pairs_needed(arguments.points)
    loads = _loads(arguments, plan, graded, sweated)
    gone = left_out(store)
    testers = testers or [a for a in plan.assessors if a not in gone]
    spent = {*store.rows("warmings")["code"],
             *(p.code for p in plan.piece_rows if {p.pour, p.code} & gone.keys())}
    more = plan_pairs(
        plan, loads, kind=_KINDS[arguments.kind], blend=arguments.blend,
        testers=testers, number=number, sweated=sweated, spent=spent,
        seed=seed_of(store.folder.name, len(plan.pair_rows)),
    )
    new = more.pair_rows[len(plan.pair_rows):]
    sittings = tuple(dict.fromkeys(p.sitting for p in new))
    path = exported(store.folder, f"pair-sheet-{sittings[0]}.html",
                    pair_sheets_html(more, arguments.paper, sittings))
    store.save_plan(more.to_dict())
    print(*pair_words(len(new), arguments.points), sep="\n")
    people = len({p.assessor for p in new})
    print(f"{' against '.join(map(say_load_oz, loads))}: {len(new)} pairs by "
          f"{count(people, 'tester')} in {count(len(sittings), 'session')} each, both orders of "
          "every pair of pieces.")
    listed(pair_care(more, new))
    print(f"Sheet to print: {path}")
    print(f"From a phone: {call('panel', arguments.folder)} --host 0.0.0.0")
    print("From paper, with two keys: "
          f"{call('pairs', arguments.folder)} --tester {new[0].assessor}")


def _graded(store):
    """Names of the pours of which a piece was graded, and those where one reached the limit."""
    limit = rules_here(store.folder).rules.limit_grade
    grades = store.rows("grades")
    grades = grades[grades["test"] == "sweat"]
    pours = grades["code"].map(dict(store.distinct("pieces", ("code", "pour"))))
    return set(pours.dropna()), set(pours[grades["grade"] >= limit].dropna())


def _loads(arguments, plan, graded, sweated):
    """The two loads, by default the lowest and the highest that are dry."""
    if arguments.loads:
        with reading("--loads"):
            return read_loads(arguments.loads)
    names = [b.name for b in plan.blends]
    blend = spelling(names)(arguments.blend or names[0])
    own = [p for p in plan.pour_rows if p.blend == blend and p.pour in graded and not p.lot]
    wet = {p.load_pct for p in own if p.pour in sweated}
    dry = sorted({p.load_pct for p in own} - wet)
    if len(dry) < 2:
        raise CannotDo(f"{blend} has fewer than two dry loads, so there is nothing to compare")
    return [dry[0], dry[-1]]


def _ask(store, tester):
    if tester not in known_assessors(store):
        raise CannotDo(f"this series has no tester {tester}; it has "
                       + ", ".join(known_assessors(store)))
    todo = pairs_waiting(store, tester)
    print(f"{len(todo)} pairs waiting for {tester}."
          + (" 1: the first is stronger, 2: the second, Enter: later." if todo else ""))
    for pair in todo:
        said = None
        while said not in ("", *_KEYS):
            try:
                said = input(f"  {pair['sitting']} {pair['position']}: {pair['first']} then "
                             f"{pair['second']} ").strip()
            except EOFError:
                return
        if said:
            store.add("pairs", {**pair, "stronger": _KEYS[said]})


def _show(arguments, store, plan):
    left = {a: len(pairs_waiting(store, a)) for a in plan.assessors}
    waits = ", ".join(f"{a} {n}" for a, n in left.items() if n)
    if not len(store.rows("pairs")):
        print(f"No pair is stored yet. Waiting: {waits or 'none until the pours are logged'}.")
        return
    found = pair_test(read_series(store), loss=rules_here(store.folder).rules.throw_loss)
    print(found.sentence, *(f"Note: {note}" for note in found.notes), sep="\n")
    print(f"Still to compare: {waits}." if waits else
          f"All pairs are in. Next: {call('report', arguments.folder)}")
