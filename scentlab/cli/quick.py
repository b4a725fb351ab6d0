"""The quick check from the terminal: planned in one line, then carried on by questions."""

import contextlib
import datetime as dt
from pathlib import Path

from scentlab.amounts import read_amount, read_date, read_temperature
from scentlab.cli.frame import (
    STORE_NAME,
    CannotDo,
    call,
    empty_folder,
    program,
    series_folder,
    units_of,
)
from scentlab.materials import Refusal
from scentlab.quick import ASKED, NEVER, QuickCheck, plan_asked, say_batch, weighed
from scentlab.recording.pouring import scale_words
from scentlab.recording.records import heat_problem
from scentlab.recording.unpoured import unpoured, unpoured_words
from scentlab.schema import HEATS, POURS, SWEAT_GRADES, YEAR_OFF
from scentlab.series import heat_words
from scentlab.text import count_of
from scentlab.units import say_weight, shown
from scentlab.workshop import is_quick

UNDO = "u"


class _Stopped(Exception):
    """Whoever is asked has left; what was stored before stays."""


def _quick(arguments):
    if not (Path(arguments.folder) / STORE_NAME).is_file():
        return _start(arguments)
    if any(getattr(arguments, name) for name in ASKED):
        raise CannotDo(
            f"{arguments.folder} already holds a series; leave out the options to go on with it, "
            "or name a new folder. To add a limit you learnt later, correct one test batch: "
            f"{program()} correct --help"
        )
    try:
        return _go_on(arguments)
    except (_Stopped, KeyboardInterrupt):
        print(f"\nStopped; everything finished is stored. Go on with: "
              f"{call('quick', arguments.folder)}")
        return 1


# --- the plan ----------------------------------------------------------------------------------


def _start(arguments):
    if not (arguments.wax or arguments.oil or arguments.loads or Path(arguments.folder).exists()):
        raise CannotDo(f"there is no folder {arguments.folder}; check its name, or plan a new "
                       "check with --wax, --oil and --loads")
    for name in ("wax", "oil", "loads"):
        if not getattr(arguments, name):
            raise CannotDo(
                f"--{name} is missing; write, for example: {call('quick', arguments.folder)} "
                '--wax "soft wax" --oil fig --loads "1, 1.5, 2, 3 oz/lb"'
            )
    folder = empty_folder(arguments.folder)
    texts = {name: getattr(arguments, name) for name in ASKED}
    units = units_of(folder, texts.values())
    try:
        plan, costs = plan_asked(texts, folder, arguments.today or dt.date.today(),
                                 arguments.seed)
    except Refusal as error:
        named = f"--{error.field.replace('_', '-')} " if error.field in texts else ""
        raise CannotDo(f"{named}{error}") from error
    check = QuickCheck.begin(folder, plan, arguments.today, units)
    print(*costs, sep="\n")
    _say_sheets(check, arguments)


def _say_sheets(check, arguments, pots=1):
    for path in check.write_sheets(arguments.paper, pots):
        print(f"Sheet of pot {path.stem.split('-')[-1]} to print (pouring, labels, grades): {path}")
    print("After pouring, and again when the pieces are ready: "
          + call("quick", arguments.folder))
    print(f"Grades from a phone: {call('panel', arguments.folder)} --host 0.0.0.0")


# --- going on ----------------------------------------------------------------------------------


def _go_on(arguments):
    check = QuickCheck(series_folder(arguments.folder), arguments.today)
    pots = {pour.pot for pour in check.left}
    if is_quick(check.store.plan()) and pots and not all(
            path.exists() for path in check.sheets(len(pots)).values()):
        _say_sheets(check, arguments, len(pots))  # a full disk, or a program that was stopped
    if not _log_pours(check):
        return None
    _heat(check)
    _grade(check)
    words, held = check.waits()
    if words:
        print(words)
    return None if held else _answer(arguments, check)


def _asked(words):
    try:
        return input(words).strip()
    except EOFError:
        raise _Stopped from None


def _until(words, read):
    """Ask until ``read`` takes what is typed; why it does not, by a ValueError, is said."""
    while True:
        try:
            return read(_asked(words))
        except ValueError as error:
            print(f"  {error}")


def _each(things, ask, void):
    """Ask for each thing in turn and store it: ``ask`` gives the number of its entry, None where it
    is left for later, or ``UNDO``, at which the last one stored is made void and asked again."""
    place, stored = 0, []
    while place < len(things):
        entry = ask(things[place])
        if entry != UNDO:
            stored += [] if entry is None else [(place, entry)]
            place += 1
        elif stored:
            place, entry = stored.pop()
            void(entry)
            print("  Undone; it stays in the history as void.")
        else:
            print("  Nothing has been stored since the start; correct it with: "
                  f"{program()} correct --help")


def _log_pours(check):
    """Ask what was weighed for each test batch that is not stored, and store each at once; whether
    any is stored."""
    left = check.left
    if not left:
        return True
    print(f"{count_of(len(left), 'test batch')} {'are' if left[1:] else 'is'} not logged. Type a "
          "weight such as 3 oz or 85 g. Enter takes the planned weight, - leaves a batch for "
          f"later, {NEVER} means it will not be poured, {UNDO} undoes the last one.")
    sure = False
    while not sure:
        day = _day("Poured on", *check.pour_day, check.today)
        checked = _scale_check()
        if words := scale_words(checked):
            print(f"  {words}")
        heat = _temperatures()
        sure = all(_sure(words) for words in check.doubts(
            left[0], poured_on=day, scale_check_g=checked, **heat))

    def ask(pour):
        print(f"{pour.pour}, {say_batch(pour)}:")
        weights = _weights(pour)
        if weights == NEVER:
            return "unpoured", check.leave_out(pour.pour).entry_id
        return weights if weights in (None, UNDO) else ("pours", check.log(
            pour, *weights, checked, poured_on=day, **heat).entry_id)

    _each(left, ask, lambda entry: check.undo(*entry))
    logged, gone = len(check.logged), unpoured_words(unpoured(check.store))
    print(f"{logged} of {len(check.plan.pour_rows)} test batches are stored"
          f"{f'; {gone}' if gone else ''}.")
    return logged > 0


def _day(words, usual, said, today):
    """The day on which something was done, the usual one (``said`` in words) where none is typed.
    """
    def read(said):
        day, wrong = POURS["poured_on"].check(read_date(said) if said else usual)
        if wrong or day > today:
            raise ValueError(f"{said}: type a day up to today as year-month-day: {today}.")
        return day

    return _until(f"{words} [{said}]: ", read)


def _weights(pour):
    """What was weighed of wax and fragrance, in g; None where it is left for later, or UNDO, or
    NEVER."""
    while True:
        said = []
        for what, planned in (("wax", pour.wax_g), ("fragrance", pour.fragrance_g)):
            said.append(_weight(what, planned))
            if said[-1] in (None, UNDO, NEVER):
                return said[-1]
        wrong, doubt = weighed(pour, *said)
        if wrong:
            print(f"  {wrong}")
        elif not doubt or _sure(doubt):
            return tuple(said)


def _sure(words):
    return _asked(f"  {words} y/N ").lower() in ("y", "yes")


def _weight(what, planned):
    usual = {"": planned, "-": None, UNDO: UNDO, NEVER: NEVER}
    return _until(f"  {what} [{say_weight(planned)}] ", lambda said: usual[said] if said in usual
                  else read_amount(said, "g", shown()))


def _scale_check():
    """What the scale shows under the check weight, in g; None where there is none."""
    def read(said):
        weight = read_amount(said, "g", shown()) if said else None
        if said and POURS["scale_check_g"].check(weight)[1]:
            raise ValueError("That is far from 100 g: check that you have the right weight and "
                             "scale.")
        return weight

    return _until(f"Scale under a check weight of {say_weight(100.0)}, in {shown().weight}, "
                  "Enter if you have none: ", read)


_HEAT = ("add_temp_c", "pour_temp_c", "room_temp_c")


def _temperatures():
    """What was measured on the pour day, in °C by column."""
    def read(said):
        if said.count(",") >= len(_HEAT):
            raise ValueError("At most three temperatures, separated by commas.")
        return {name: _degrees(part.strip(), POURS[name])
                for name, part in zip(_HEAT, said.split(","), strict=False)}

    usual = "85 C, 65 C, 21 C" if shown().temperature == "C" else "185 F, 150 F, 70 F"
    return _until(f"Fragrance added at, poured at, room, as {usual} (Enter if you measured none): ",
                  read)


def _degrees(said, column):
    """A temperature in °C, None where nothing is typed."""
    degrees = round(read_temperature(said), 1) if said else None
    if said and column.check(degrees)[1]:
        raise ValueError("That cannot be right: check the thermometer again.")
    return degrees


def _heat(check):
    """Ask once what the thermometer beside the heated pieces showed."""
    if (day := check.heat_day) is None:
        return
    cycle, row, pots = check.plan.heat_cycle, {}, check.heated_pots
    print(f"Heat cycle of the pieces of pot{'s' * bool(pots[1:])} {', '.join(pots)}, "
          f"{cycle.words}, as a max-min thermometer showed it (Enter if you had none):")
    for name, words in (("low_c", "coldest"), ("high_c", "hottest")):
        with contextlib.suppress(_Stopped):
            row[name] = _until(f"  {words}, as 38 C or 100 F ",
                               lambda said, column=HEATS[name]: _degrees(said, column))
        if row.get(name) is None:
            print()
            return
    if wrong := heat_problem(row):
        print(f"  {wrong}")
        _heat(check)
        return
    row["started_on"] = _day("  begun on", day, day, check.today)
    row |= {"hours": cycle.hours, "cycles": cycle.cycles}
    check.store.add("heats", row)
    print(f"  Stored: {heat_words(row)}.")


def _grade(check):
    """Ask the sweat grades of the pieces that are ready, and store each at once."""
    todo = check.due().to_dict("records")
    if not todo:
        return
    late = dt.timedelta(max(p["age_days"] - p["planned_age_days"] for p in todo))
    if late > YEAR_OFF and not _sure(
            f"They were due {late.days} days ago. Is it true that today is {check.today}?"):
        return
    print(f"Ready to grade: {count_of(len(todo), 'piece')}. Inspect each in daylight:")
    print("; ".join(f"{g} {words}" for g, words in enumerate(SWEAT_GRADES))
          + f". Enter leaves a piece for later, {NEVER} means it is lost, {UNDO} undoes the last "
            "one.")

    def ask(piece):
        kept = "heat-cycled" if piece["stress"] == "heat" else "room temperature"
        while True:
            said = _asked(f"  {piece['code']} ({kept}) ")
            if said in ("", UNDO):
                return said or None
            if said == NEVER:
                return "unpoured", check.leave_out(piece["code"]).entry_id
            if said in ("0", "1", "2", "3", "4"):
                return "grades", check.grade(piece, said).entry_id
            print(f"  Type a grade from 0 to 4, Enter to leave it, {NEVER} or {UNDO}.")

    _each(todo, ask, lambda entry: check.undo(*entry))


def _answer(arguments, check):
    lines, step = check.answer(arguments.seed or 1)
    print(*lines, sep="\n")
    if not step.worth_it:
        return
    try:
        wanted = _asked("Add this to the plan? y/N ").lower() in ("y", "yes")
    except _Stopped:
        return
    if wanted:
        print(check.accept(step, arguments.seed))
        _say_sheets(check, arguments, int(step.table["pots"].iloc[0]))
