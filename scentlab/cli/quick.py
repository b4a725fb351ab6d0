"""The quick check from the terminal: planned in one line, then carried on by questions."""

import datetime as dt

from scentlab.cli.frame import (
    FOLDER,
    STORE_NAME,
    CannotDo,
    Command,
    empty_folder,
    opened,
    option,
    program,
    quoted,
)
from scentlab.files import write_whole

TESTER, SHEET = "A1", "quick-sheet.html"
_STEPS_LOADS = 4  # loads of the next pot


def _quick(arguments):
    from pathlib import Path

    if (Path(arguments.folder) / STORE_NAME).is_file():
        if arguments.loads or arguments.wax or arguments.oil:
            raise CannotDo(
                f"{arguments.folder} holds a series already; leave the options out to go on with "
                "it, or name a new folder"
            )
        return _go_on(arguments)
    return _start(arguments)


# --- the plan ----------------------------------------------------------------------------------


def _start(arguments):
    from scentlab.planning.quick import quick_costs, quick_plan
    from scentlab.workshop import make_series

    for name in ("wax", "oil", "loads"):
        if not getattr(arguments, name):
            raise CannotDo(
                f"--{name} is missing; write, say: {program()} quick {quoted(arguments.folder)} "
                '--wax "soft wax" --oil fig --loads "1, 1.5, 2, 3 oz/lb"'
            )
    folder = empty_folder(arguments.folder)
    wax, fragrance = _materials(arguments)
    plan = quick_plan(
        wax, fragrance, _loads(arguments.loads), start=_day(arguments), seed=arguments.seed,
        piece_g=_read("--piece", "read_weight", arguments.piece, "g"),
    )
    make_series(folder, title=plan.title).save_plan(plan.to_dict())
    print(*quick_costs(plan), sep="\n")
    over = [p for p in plan.pour_rows if p.test_only]
    if over:
        print(f"{len(over)} of them are over the wax maker's limit: for testing, not for sale.")
    _write_sheet(plan, folder, arguments.paper)
    _say_next(arguments.folder)


def _materials(arguments):
    from scentlab.materials import Fragrance, Wax

    limit = arguments.limit and _read("--limit", "read_load", arguments.limit)
    heat = {
        name: value and _read(f"--{name.split('_')[0]}", "read_temperature", value)
        for name, value in (("add_temp_c", arguments.add), ("flash_point_c", arguments.flash))
    }
    wax = Wax(arguments.wax, limit_load_pct=limit or None, add_temp_c=heat["add_temp_c"] or None)
    return wax, Fragrance(arguments.oil, flash_point_c=heat["flash_point_c"] or None)


def _loads(text):
    return _read("--loads", "read_loads", text)


def _read(name, reader, text, unit=None):
    """An amount of an option, or the error that names the option."""
    from scentlab import amounts

    try:
        return getattr(amounts, reader)(text, unit)
    except amounts.AmountError as error:
        raise CannotDo(f"{name} {error}") from error


def _day(arguments):
    return arguments.today or dt.date.today()


def _write_sheet(plan, folder, paper):
    from scentlab.planning.sheets import quick_sheet_html

    path = folder / "exports" / SHEET
    write_whole(path, quick_sheet_html(plan, paper))
    print(f"Sheet to print (pouring, labels, grades): {path}")


def _say_next(folder):
    print(f"After pouring, and again when the pieces are ready: {program()} quick {quoted(folder)}")
    print(f"Grades from a phone: {program()} panel {quoted(folder)} --host 0.0.0.0")


# --- going on ----------------------------------------------------------------------------------


def _go_on(arguments):
    from scentlab.planning.plan import Plan
    from scentlab.recording.progress import see_progress

    store, today = opened(arguments.folder), _day(arguments)
    found = store.plan()
    if found is None:
        raise CannotDo(f"{arguments.folder} has no plan; plan it in its notebook first")
    plan = Plan.from_dict(found)
    if len(see_progress(store, today).pours) and not _log_pours(store, plan, today):
        return None
    _grade(store, plan, today)
    graded = store.rows("grades")
    if graded[graded["test"] == "sweat"].empty:
        due = min(p.due_on for p in plan.piece_rows if p.test == "sweat")
        print(f"Nothing is graded yet. The pieces are ready on {due}; their heat cycle is "
              f"{plan.heat_cycle.words}.")
        return None
    return _answer(arguments, store, plan, today)


def _asked(words):
    try:
        return input(words).strip()
    except EOFError:
        return ""


def _log_pours(store, plan, today):
    """Ask what was weighed for each test batch that is not stored; whether any was stored."""
    from scentlab.amounts import AmountError, read_weight
    from scentlab.units import say_load_oz, say_weight

    stored = set(store.rows("pours")["pour"])
    left = [p for p in plan.pour_rows if p.pour not in stored]
    print(f"{len(left)} test batches are not logged. Enter takes the planned weight, - leaves one "
          "for later; 3 oz or 85 g are understood.")
    rows, shown = [], _scale_check()
    for pour in left:
        print(f"{pour.pour}, {say_load_oz(pour.load_pct)}:")
        weights = []
        for what, grams in (("wax", pour.wax_g), ("fragrance", pour.fragrance_g)):
            while True:
                said = _asked(f"  {what} [{say_weight(grams)}] ")
                try:
                    weights.append(grams if not said else None if said == "-"
                                   else read_weight(said, "g"))
                    break
                except AmountError as error:
                    print(f"  {error}")
            if weights[-1] is None:
                break
        if None not in weights:
            rows.append({"pour": pour.pour, "pot": pour.pot, "blend": pour.blend,
                         "poured_on": min(today, max(pour.poured_on, today)),
                         "wax_g": weights[0], "fragrance_g": weights[1],
                         "limit_load_pct": pour.limit_load_pct, "scale_check_g": shown})
    if rows:
        store.add_many("pours", rows)
        print(f"{len(rows)} test batches are stored.")
    return bool(len(rows) or len(stored))


def _scale_check():
    """What the scale shows under the check weight, in g; None where there is none."""
    from scentlab.amounts import AmountError, read_weight

    while True:
        said = _asked("Scale under a 100 g check weight, Enter if you have none: ")
        if not said:
            return None
        try:
            shown = read_weight(said, "g")
        except AmountError as error:
            print(f"  {error}")
            continue
        if 80.0 <= shown <= 120.0:
            return shown
        print("  That is far from 100 g: look whether the weight or the scale is the right one.")


def _grade(store, plan, today):
    """Ask the sweat grades of the pieces that are ready, and store each at once."""
    from scentlab.recording.progress import waiting
    from scentlab.schema import SWEAT_GRADES

    todo = waiting(store, TESTER, "sweat", today)
    if todo.empty:
        return
    print(f"{len(todo)} pieces are ready to grade. Look at each in daylight:")
    print("; ".join(f"{g} {words}" for g, words in enumerate(SWEAT_GRADES))
          + ". Enter leaves a piece for later.")
    stress = {p.code: p.stress for p in plan.piece_rows}
    for piece in todo.itertuples():
        kept = "heat-cycled" if stress[piece.code] == "heat" else "room temperature"
        while True:
            said = _asked(f"  {piece.code} ({kept}) ")
            if said in ("", "0", "1", "2", "3", "4"):
                break
            print("  Type a grade from 0 to 4, or Enter to leave it.")
        if said:
            store.add("grades", {
                "code": piece.code, "test": "sweat", "stress": stress[piece.code],
                "age_days": piece.age_days, "assessor": TESTER, "grade": int(said),
            })


def _answer(arguments, store, plan, today):
    """The answer in three lines, and the next pot."""
    from scentlab.choosing.analysis import analyse
    from scentlab.choosing.so_far import loads_so_far
    from scentlab.foresight.next_round import WORTH_PCT, next_round
    from scentlab.planning.quick import grow_plan
    from scentlab.recording.reading import read_series
    from scentlab.units import say_load_oz

    analysis = analyse(read_series(store), seed=arguments.seed)
    print(*loads_so_far(analysis).lines, sep="\n")
    step = next_round(analysis, pours=_STEPS_LOADS, seed=arguments.seed, loads_a_pot=_STEPS_LOADS)
    if not step.worth_it:
        print(f"Next: stop here; another pot is not expected to raise this load by {WORTH_PCT:g} "
              "points.")
        return
    loads = step.table["loads_pct"].iloc[0]
    after = step.gain["safe_after_pct"].iloc[0]
    grown = grow_plan(plan, loads, start=today, seed=arguments.seed + len(plan.pour_rows))
    wax_g = sum(p.wax_g for p in grown.pour_rows[len(plan.pour_rows):])
    listed = ", ".join(say_load_oz(x) for x in loads)
    print(f"Next: one more pot at {listed} ({wax_g:.0f} g of wax) is expected to "
          f"move the highest safe load to about {after:.1f} %, on average.")
    if _asked("Add this pot to the plan? y/N ").lower() in ("y", "yes"):
        store.save_plan(grown.to_dict())
        _write_sheet(grown, store.folder, arguments.paper)
        _say_next(arguments.folder)


COMMANDS = (
    Command(
        "quick", _quick, "one pot, one evening: how much is too much?",
        """
        Plan a quick check of up to four loads of one fragrance in one wax: one pot, two pieces of
        each load to heat and one to leave. Says what it takes, makes the folder and a sheet to
        print. Without options it goes on with the folder: asks what was weighed, then the grades,
        and gives the answer and the next pot that would show most.
        """,
        """
        scentlab quick fig --wax "soft wax" --oil fig --loads "1, 2, 3 oz/lb"
        scentlab quick fig
        """,
        (
            FOLDER,
            option("--wax", metavar="NAME", help="the wax"),
            option("--oil", metavar="NAME", help="the fragrance oil"),
            option("--loads", metavar="TEXT", help='two to four, as "1, 2, 3 oz/lb" or "6, 9 %%"'),
            option("--limit", metavar="LOAD", help="the wax maker's highest load"),
            option("--piece", metavar="WEIGHT", default="1 oz", help="weight of a piece (1 oz)"),
            option("--add", metavar="TEMP", help="add the fragrance at, as 185 F"),
            option("--flash", metavar="TEMP", help="flash point of the fragrance"),
            option("--paper", choices=("A4", "letter"), default="A4", help="of the sheet (A4)"),
            option("--today", type=dt.date.fromisoformat, metavar="DATE", help="as 2026-03-14"),
            option("--seed", type=int, default=1),
        ),
    ),
)
