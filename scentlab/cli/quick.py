"""The quick check from the terminal: planned in one line, then carried on by questions."""

import datetime as dt
import zlib
from pathlib import Path

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
from scentlab.schema import FAR_OFF, POURS, SWEAT_GRADES, impossible_load

TESTER = "A1"
_STEPS_LOADS = 4  # loads of the next pot


class _Stopped(Exception):
    """Whoever is asked has left; what was stored before stays."""


def _quick(arguments):
    if not (Path(arguments.folder) / STORE_NAME).is_file():
        return _start(arguments)
    if arguments.loads or arguments.wax or arguments.oil:
        raise CannotDo(
            f"{arguments.folder} holds a series already; leave the options out to go on with "
            "it, or name a new folder"
        )
    try:
        return _go_on(arguments)
    except (_Stopped, KeyboardInterrupt):
        print(f"\nStopped; all that was finished is stored. Go on with: {program()} quick "
              f"{quoted(arguments.folder)}")
        return 1


# --- the plan ----------------------------------------------------------------------------------


def _start(arguments):
    from scentlab.planning.quick import quick_costs, quick_plan
    from scentlab.workshop import make_series

    if not (arguments.wax or arguments.oil or arguments.loads or Path(arguments.folder).exists()):
        raise CannotDo(f"there is no folder {arguments.folder}; look at its name, or plan a new "
                       "check with --wax, --oil and --loads")
    for name in ("wax", "oil", "loads"):
        if not getattr(arguments, name):
            raise CannotDo(
                f"--{name} is missing; write, say: {program()} quick {quoted(arguments.folder)} "
                '--wax "soft wax" --oil fig --loads "1, 1.5, 2, 3 oz/lb"'
            )
    folder = empty_folder(arguments.folder)
    wax, fragrance = _materials(arguments)
    plan = quick_plan(
        wax, fragrance, _read("--loads", "read_loads", arguments.loads),
        start=_day(arguments), seed=_seed(arguments),
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

    limit = _read("--limit", "read_load", arguments.limit)
    add = _read("--add", "read_temperature", arguments.add)
    flash = _read("--flash", "read_temperature", arguments.flash)
    return (Wax(arguments.wax, limit_load_pct=limit, add_temp_c=add),
            Fragrance(arguments.oil, flash_point_c=flash))


def _read(name, reader, text, unit=None):
    """An amount of an option, None where it is not given, or the error that names the option."""
    if not text:
        return None
    from scentlab import amounts

    try:
        return getattr(amounts, reader)(text, unit)
    except amounts.AmountError as error:
        raise CannotDo(f"{name} {error}") from error


def _seed(arguments):
    """Of the codes, so that pieces of two folders on one shelf do not look alike."""
    name = f"{Path(arguments.folder).resolve().name} {arguments.wax} {arguments.oil}"
    return zlib.crc32(name.encode()) if arguments.seed is None else arguments.seed


def _day(arguments):
    return arguments.today or dt.date.today()


def _write_sheet(plan, folder, paper):
    from scentlab.planning.sheets import quick_sheet_html

    pot = plan.pour_rows[-1].pot
    path = folder / "exports" / f"quick-sheet-{pot}.html"
    write_whole(path, quick_sheet_html(plan, paper))
    print(f"Sheet of pot {pot} to print (pouring, labels, grades): {path}")


def _say_next(folder):
    print(f"After pouring, and again when the pieces are ready: {program()} quick {quoted(folder)}")
    print(f"Grades from a phone: {program()} panel {quoted(folder)} --host 0.0.0.0")


# --- going on ----------------------------------------------------------------------------------


def _go_on(arguments):
    from scentlab.planning.plan import Plan

    store, today = opened(arguments.folder), _day(arguments)
    found = store.plan()
    if found is None:
        raise CannotDo(f"{arguments.folder} has no plan; plan it in its notebook first")
    plan = Plan.from_dict(found)
    if not _log_pours(store, plan, today):
        return None
    _grade(store, plan, today)
    if _open_pieces(store, plan):
        return None
    return _answer(arguments, store, plan, today)


def _open_pieces(store, plan):
    """Whether a pot is graded in part, or none at all is: then there is no answer yet."""
    graded, logged = set(store.rows("grades")["code"]), set(store.rows("pours")["pour"])
    pot = {p.pour: p.pot for p in plan.pour_rows}
    left = [p for p in plan.piece_rows if p.pour in logged and p.code not in graded]
    if not left:
        return False
    begun = {pot[p.pour] for p in plan.piece_rows if p.code in graded}
    print(f"{len(left)} pieces are not graded yet. The heat cycle of those to heat, "
          f"{plan.heat_cycle.words}, can begin on {min(p.due_on for p in left)}.")
    if begun and not begun & {pot[p.pour] for p in left}:
        return False
    print("There is no answer before they are.")
    return True


def _asked(words):
    try:
        return input(words).strip()
    except EOFError:
        raise _Stopped from None


def _log_pours(store, plan, today):
    """Ask what was weighed for each test batch that is not stored, and store each at once; whether
    any is stored."""
    from scentlab.units import say_load_oz

    stored = set(store.rows("pours")["pour"])
    left = [p for p in plan.pour_rows if p.pour not in stored]
    if not left:
        return True
    print(f"{len(left)} test batches are not logged. Enter takes the planned weight, - leaves a "
          "batch for later; 3 oz or 85 g are understood.")
    shown = _scale_check()
    for pour in left:
        print(f"{pour.pour}, {say_load_oz(pour.load_pct)}:")
        weights = _weights(pour)
        if weights is not None:
            store.add("pours", {
                "pour": pour.pour, "pot": pour.pot, "blend": pour.blend, "poured_on": today,
                "wax_g": weights[0], "fragrance_g": weights[1], "scale_check_g": shown,
                "limit_load_pct": pour.limit_load_pct,
            })
            stored.add(pour.pour)
    print(f"{len(stored)} of {len(plan.pour_rows)} test batches are stored.")
    return bool(stored)


def _weights(pour):
    """What was weighed of wax and fragrance, in g; None where it is left for later."""
    from scentlab.units import load_from_weights, say_load_oz

    while True:
        wax = _weight("wax", pour.wax_g)
        fragrance = None if wax is None else _weight("fragrance", pour.fragrance_g)
        if fragrance is None:
            return None
        weighed = {"wax_g": wax, "fragrance_g": fragrance}
        load = load_from_weights(fragrance, wax) if wax > 0 else float("inf")
        if any(POURS[n].check(g)[1] for n, g in weighed.items()) or impossible_load(weighed):
            print(f"  That would be {load:.0f} % of wax, which cannot be: weigh again.")
        elif abs(load - pour.load_pct) < FAR_OFF and 0.5 < wax / pour.wax_g < 2.0:
            return wax, fragrance
        elif _asked(f"  That is {say_load_oz(load)} in {wax:.0f} g of wax, far off the plan. "
                    "Right? y/N ").lower() in ("y", "yes"):
            return wax, fragrance


def _weight(what, planned):
    from scentlab.amounts import AmountError, read_weight
    from scentlab.units import say_weight

    while True:
        said = _asked(f"  {what} [{say_weight(planned)}] ")
        if said in ("", "-"):
            return planned if not said else None
        try:
            return read_weight(said, "g")
        except AmountError as error:
            print(f"  {error}")


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
        if not POURS["scale_check_g"].check(shown)[1]:
            return shown
        print("  That is far from 100 g: look whether the weight or the scale is the right one.")


def _grade(store, plan, today):
    """Ask the sweat grades of the pieces that are ready, and store each at once."""
    from scentlab.recording.progress import waiting

    todo = waiting(store, TESTER, "sweat", today).sort_values("code")  # as the sheet lists them
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

    seed = arguments.seed or 1
    analysis = analyse(read_series(store), seed=seed)
    print(*loads_so_far(analysis).lines, sep="\n")
    step = next_round(analysis, pours=_STEPS_LOADS, seed=seed, loads_a_pot=_STEPS_LOADS)
    now = analysis.ceiling.table["ceiling_load_pct"].iloc[0]
    pots = len({p.pot for p in plan.pour_rows})
    if not step.worth_it:
        print(f"Next: stop here; another pot is not expected to raise this load by {WORTH_PCT:g} "
              f"points.{' Pour it once more before you sell much of it.' if pots == 1 else ''}")
        return
    loads = step.table["loads_pct"].iloc[0]
    grown = grow_plan(plan, loads, start=today, seed=_seed(arguments) + len(plan.pour_rows))
    listed = ", ".join(say_load_oz(x) for x in loads)
    after = step.gain["safe_after_pct"].iloc[0]
    was = "none" if now != now else f"{now:.1f} %"
    then = f"would be about {after:.1f} %, on average over what it may show"
    if after < loads[0]:
        then = "may be found by it, or not yet"
    print(f"Next: one more pot at {listed}. The highest safe load is {was} now and {then}.")
    try:
        wanted = _asked("Add this pot to the plan? y/N ").lower() in ("y", "yes")
    except _Stopped:
        return
    if wanted:
        store.save_plan(grown.to_dict())
        pot = grown.pour_rows[-1].pot
        print(f"Pot {pot}: melt {sum(grown.melt(pot).values())} g of wax. Test only, not for sale, "
              "where a load is over the limit.")
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
            option("--seed", type=int),
        ),
    ),
)
