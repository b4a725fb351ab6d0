"""The planner from what there is, from the terminal: three plans shown, one of them kept."""

import datetime as dt
from dataclasses import replace

from scentlab.cli.frame import CannotDo, amount, call, empty_folder, listed, reading, units_of
from scentlab.planning.kitchen import TABLE_NOTE, propose_plans, read_ends
from scentlab.planning.sheets import write_sheets
from scentlab.recording.shelf import shelf_beside, shelve
from scentlab.text import seed_of
from scentlab.workshop import EXPORTS_NAME, all_or_nothing, begin_series


def _plan(arguments):
    folder = empty_folder(arguments.folder)
    arguments.units = units_of(folder, [arguments.loads, arguments.limit, arguments.have])
    limit = amount("--limit", "% of wax", arguments.limit)
    shelf = shelf_beside(folder)
    blend = shelf.blend(shelf.one_wax(arguments.wax))
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
        raise CannotDo("no standard plan fits what you have; see above for what would")
    print(f"Nothing is kept yet. Add --take {' or --take '.join(held)} to keep one and write its "
          "sheets.")


def _keep(proposal, folder, arguments):
    if proposal.plan is None:
        raise CannotDo(proposal.sentence)
    plan = proposal.plan
    with all_or_nothing(folder) as place:
        begin_series(place, plan.title, plan.to_dict(), arguments.units)
        sheets = write_sheets(plan, place / EXPORTS_NAME, arguments.paper)
    shelve(folder, plan.to_dict())
    print(proposal.sentence)
    print(f"Kept in {folder}; sheets to print are in {folder / EXPORTS_NAME}: "
          f"{', '.join(path.stem for _, path in sheets)}.")
    print(f"Next: {call('lab', folder)}")
