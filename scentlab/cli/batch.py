"""Commands of what is sold at the recommended load: the batch sheet, and the check of a new lot."""

import datetime as dt
from dataclasses import asdict, replace

from scentlab.choosing.known_load import known_load
from scentlab.choosing.lot import check_lot, lot_loads
from scentlab.cli.answers import analysed_by
from scentlab.cli.frame import (
    FIELDS,
    CannotDo,
    amount,
    call,
    exported,
    page_path,
    quoted,
)
from scentlab.planning.batch import Recipe, keep_recipe, recipe_here
from scentlab.planning.lot import lot_plan, pots_of_lot
from scentlab.planning.plan import Plan
from scentlab.planning.sheets import batch_sheet_html, quick_sheet_html
from scentlab.recording.reading import plan_now
from scentlab.recording.shelf import put_on_shelf, shelf_beside, shelf_of
from scentlab.recording.store import Store
from scentlab.selling import batch_to_sell, dossier_of
from scentlab.text import count_of, seed_of, spelling
from scentlab.units import add_up, say_load_oz, say_weight

_BY_FILE = "and import them with its name in the column lot"
# What is typed for each field of a recipe.
_KINDS = {field: line.partition(":")[0].split()[1] for field, line in FIELDS["recipe"].items()}


def _batch(arguments):
    folder = arguments.folder
    recipe, wax_g = _recipe(arguments, folder), amount("--wax", "g", arguments.wax)
    if wax_g is None and arguments.packs is None:
        raise CannotDo('say how much: --packs 40, or --wax "1 lb"')
    analysis = analysed_by(arguments)
    load = amount("--load", "% of wax", arguments.load)
    batch = batch_to_sell(analysis, folder, arguments.blend, load, recipe=recipe,
                          packs=arguments.packs, wax_g=wax_g)
    path = exported(folder, batch.file_name, batch_sheet_html(batch, arguments.paper))
    print(batch.sentence)
    print(f"Sheet to print, or to open on a phone: {path}")


def _recipe(arguments, folder):
    """The recipe kept in the folder with what the options change, which is then kept."""
    given = {field: _typed(line.split()[0], _KINDS[field], value)
             for field, line in FIELDS["recipe"].items()
             if (value := getattr(arguments, field)) is not None}
    found = _from_shelf(arguments.recipe, folder, given) or recipe_here(folder)
    if given or arguments.recipe:
        found = replace(found, **given)
        print(f"Recipe: kept in {keep_recipe(found, folder)}; the next batch will use it.")
    if given and arguments.recipe:
        usual = asdict(Recipe())
        text = "; ".join(f"{n} {v}" for n, v in asdict(found).items() if v != usual[n])
        put_on_shelf(shelf_of(folder), [{"kind": "recipe", "name": arguments.recipe,
                                         "recipe": text}])
        print(f"On the shelf: recipe {arguments.recipe}.")
    return found


def _from_shelf(name, folder, given):
    """The recipe of a name; None where none was named, or it is new and ``given`` says it."""
    texts = name and shelf_beside(folder).recipe(name)
    if name and not texts and not given:
        raise CannotDo(f"no recipe {name!r} is on the shelf; give its options along with the name "
                       "once")
    read = {"NUMBER": int, "NAME": str}  # all else there is a number in g or %
    return texts and Recipe(**{field: read.get(kind, float)(texts[field])
                               for field, kind in _KINDS.items() if field in texts})


def _typed(name, kind, value):
    unit = {"WEIGHT": "g", "LOAD": "% of wax"}.get(kind)
    if unit:
        return 0.0 if value.strip() == "0" else amount(name, unit, value)
    return value.strip() if kind == "NAME" else value


def _lot(arguments):
    store = Store.open(arguments.folder)
    arguments.lot = lot = spelling(store.known_names("lot"))(arguments.lot)
    analysis = analysed_by(arguments)
    load = amount("--load", "% of wax", arguments.load)
    kept = plan_now(store)
    plan = kept and Plan.from_dict(kept)
    pots = pots_of_lot(plan, lot) if plan else ()
    logged = analysis.series.apart is not None and lot in set(analysis.series.apart.pours["lot"])
    if plan and (arguments.more or not (pots or logged)):
        return _plan_lot(arguments, store, plan, analysis, load)
    if not pots and not logged:
        raise CannotDo(f"{store.folder} has no plan, so pour three pots of lot {lot} around the "
                       f"load in use {_BY_FILE}, then ask again")
    left = _ungraded(store, plan, pots)
    if left:
        print(f"{count_of(left, 'piece')} of lot {lot} (pots {', '.join(pots)}) not graded yet. "
              f"Log the weights and grade them: {call('quick', arguments.folder)}, or the "
              "pages.")
        if not logged or left == sum(p.pieces for p in plan.pour_rows if p.pot in pots):
            return None
    found = check_lot(analysis, lot, blend=arguments.blend, load_pct=load)
    said = " ".join(found.lines)
    print(*found.lines, *(note for note in found.notes if note not in said), sep="\n")
    if found.verdict == "test more" and not found.again:
        print(f"Next: three more pots: {call('lot', arguments.folder)} --lot "
              f"{quoted(lot)} --more" if plan else f"Next: pour three more pots of it, {_BY_FILE}.")
    return None


def _ungraded(store, plan, pots):
    if not pots:
        return 0
    pours = {p.pour for p in plan.pour_rows if p.pot in pots}
    graded = set(store.rows("grades")["code"])
    return sum(p.pour in pours and p.code not in graded for p in plan.piece_rows)


def _plan_lot(arguments, store, plan, analysis, load):
    lot, known = arguments.lot, known_load(analysis, arguments.blend, load)
    loads = lot_loads(analysis, known.blend, load)
    before = pots_of_lot(plan, lot)
    grown = lot_plan(
        plan, known.blend, loads, lot, stress=analysis.ceiling.stress,
        start=arguments.today or dt.date.today(),
        seed=seed_of(lot, len(plan.pour_rows), arguments.seed),
    )
    pots = [p for p in pots_of_lot(grown, lot) if p not in before]
    store.save_plan(grown.to_dict())
    path = exported(store.folder, f"lot-sheet-{pots[0]}.html",
                    quick_sheet_html(grown, arguments.paper, pots))
    rows = [p for p in grown.pour_rows if p.pot in pots]
    print(f"Lot {lot} of {known.blend}: three test batches, each in its own pot: "
          + ", ".join(say_load_oz(x) for x in loads)
          + f". To weigh: {say_weight(add_up(p.wax_g for p in rows), total=True)} of wax, "
          f"{say_weight(add_up(p.fragrance_g for p in rows), total=True)} of fragrance, for "
          f"{count_of(sum(p.pieces for p in rows), 'piece')}. For testing only, not for sale.")
    print(f"Sheet to print (pouring, labels, grades): {path}")
    print(f"After pouring, log them, and grade them when due: "
          f"{call('quick', arguments.folder)}, or the pages. Then ask again: "
          f"{call('lot', arguments.folder)} --lot {quoted(lot)}")


def _dossier(arguments):
    folder = arguments.folder
    path = page_path(arguments.out or folder / "exports" / "dossier.html", make_folder=True)
    wax_g = amount("--wax", "g", arguments.wax)
    load = amount("--load", "% of wax", arguments.load)
    dossier_of(analysed_by(arguments), Store.open(folder), path, arguments.blend, arguments.checked,
               load_pct=load, wax_g=wax_g)
    print(f"Dossier (hides nothing), to print or save as PDF from a browser: {path}")
