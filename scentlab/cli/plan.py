"""The planner from what there is, from the terminal: three plans shown, one of them kept."""

import datetime as dt
from dataclasses import replace

from scentlab import amounts
from scentlab.cli.frame import (
    CannotDo,
    amount,
    call,
    command,
    empty_folder,
    listed,
    opened,
    reading,
    units_of,
)
from scentlab.planning.rules import HEAT_HINTS
from scentlab.text import seed_of
from scentlab.units import in_maker_units


@command("""plan from what there is: small, medium, large

    Type what there is and see a small, a medium and a large plan of one wax and one fragrance, with
    what each takes and is expected to find. With --take one of them is kept in a new series folder,
    with its sheets. What cannot be held is refused, with what would do. Later `scentlab heat
    FOLDER` records the heat cycle as it was reached.

    scentlab plan fig-2026 --wax "soft wax" --oil fig --loads "1 to 3 oz/lb" \\
          --have "wax 3 lb, warmers 2, testers 2, evenings 6, no weekends"

    FOLDER @paper
    --wax! NAME: the wax
    --oil! NAME: the fragrance oil
    --have! TEXT: wax, moulds, warmers, rooms, testers, evenings
    --loads TEXT: "1 to 3 oz/lb" (by the limit)
    --limit LOAD: the wax maker's highest load
    --piece WEIGHT = 1 oz: weight of a piece (1 oz)
    --take small|medium|large: keep this one
    --start DATE: first evening (today)
    """)
def _plan(arguments):
    from scentlab.planning.kitchen import TABLE_NOTE, propose_plans, read_ends
    from scentlab.recording.shelf import shelf_beside

    folder = empty_folder(arguments.folder)
    arguments.units = units_of(folder, [arguments.loads, arguments.limit, arguments.have])
    limit = amount("--limit", "% of wax", arguments.limit)
    shelf = shelf_beside(folder)
    blend = shelf.blend(arguments.wax)
    if limit is not None and len(blend.parts) > 1:
        blend = replace(blend, own_limit_load_pct=limit)
    elif limit is not None:
        wax = replace(blend.parts[0][0], limit_load_pct=limit)
        blend = replace(blend, parts={wax: 1.0})
    with reading("--loads"):
        loads = read_ends(arguments.loads or "")
    found = propose_plans(
        arguments.have, blend, shelf.fragrance(arguments.oil), loads,
        start=arguments.start or dt.date.today(), seed=seed_of(folder.resolve()),
        piece_g=amount("--piece", "g", arguments.piece),
    )
    if arguments.take:
        return _keep(next(p for p in found if p.size == arguments.take), folder, arguments)
    listed(" ".join([proposal.sentence, *proposal.notes]) for proposal in found)
    print(TABLE_NOTE)
    held = [p.size for p in found if p.plan]
    if not held:
        raise CannotDo("no standard plan can be held with what there is; see above what would do")
    print(f"Nothing is kept yet. Add --take {' or --take '.join(held)} to keep one and write its "
          "sheets.")


def _keep(proposal, folder, arguments):
    from scentlab.planning.sheets import write_sheets
    from scentlab.recording.shelf import shelve
    from scentlab.workshop import make_series

    if proposal.plan is None:
        raise CannotDo(proposal.sentence)
    plan = proposal.plan
    store = make_series(folder, title=plan.title)
    store.save_plan(plan.to_dict())
    shelve(folder, plan.to_dict())
    amounts.keep_units(arguments.units, folder, chosen=False)
    print(proposal.sentence)
    written = [path.stem for _, path in write_sheets(plan, folder / "exports", arguments.paper)]
    print(f"Kept in {folder}; sheets to print are in {folder / 'exports'}: {', '.join(written)}.")
    print(f"Next: {call('lab', folder)}")


@command("""record a heat cycle as it was reached

    Record what a max-min thermometer showed while the pieces were warm, so that an answer says what
    it rests on. Without temperatures it shows how a home can hold the heat.

    scentlab heat fig-2026 --coldest 37 --hottest 39.5 --hours 12 --times 3 --pack shut

    FOLDER
    --coldest TEMP: as 37 C or 99 F
    --hottest TEMP: as 39 C or 102 F
    --hours TIME = 12 h: warm each time (12 h)
    --times NUMBER = 3: how many times (3)
    --pack open|shut: was the pack open or shut
    --start DATE: day it began (today)
    """)
def _heat(arguments):
    from scentlab.recording.correcting import refuse_what_cannot_be
    from scentlab.series import heat_words

    store = opened(arguments.folder)
    if not (arguments.coldest and arguments.hottest):
        print("How a home holds the heat (common practice, no source):")
        listed(map(in_maker_units, HEAT_HINTS))
        return
    row = {"started_on": arguments.start or dt.date.today(),
           "low_c": round(amount("--coldest", "°C", arguments.coldest), 1),
           "high_c": round(amount("--hottest", "°C", arguments.hottest), 1),
           "hours": amount("--hours", "h", arguments.hours), "cycles": arguments.times,
           "pack": arguments.pack}
    refuse_what_cannot_be("heats", row)
    entry = store.add("heats", row).entry_id
    print(f"Stored: {heat_words(row)}, begun on {row['started_on']} (heats {entry}).")
