"""Commands of what is sold at the recommended load: the batch sheet, and the check of a new lot."""

import datetime as dt
from dataclasses import asdict, replace

from scentlab.cli.answers import analysed_by
from scentlab.cli.frame import (
    GROUPS,
    CannotDo,
    amount,
    call,
    command,
    exported,
    opened,
    options_for,
    page_path,
    quoted,
    series_folder,
)
from scentlab.text import count_of, seed_of, spelling
from scentlab.units import add_up, say_load_oz, say_weight

# The option of each field of a recipe.
_RECIPE = {
    "piece_g": "--piece WEIGHT: weight of a piece by its label",
    "pieces": "--pieces NUMBER: pieces a pack (1)",
    "overfill_pct": "--overfill PERCENT: filled above the label, in % (0)",
    "waste_pct": "--waste PERCENT: stays in the pot, in % (5)",
    "topping_g": "--topping WEIGHT: topping of a piece",
    "topping_wax": "--topping-wax NAME: its wax",
    "topping_load_pct": "--topping-load LOAD: its load of the same fragrance (0)",
    "topping_limit_pct": "--topping-limit LOAD: its wax maker's highest load",
    "decoration_g": "--decoration WEIGHT: sugar, mica ... of a piece",
    "decoration": "--decoration-name NAME: what it is",
}
GROUPS["recipe"] = options_for(_RECIPE)
_KINDS = {field: line.partition(":")[0].split()[1] for field, line in _RECIPE.items()}


@command("""what to weigh for a batch at the recommended load

    Write a one-page sheet for a batch to sell: grams and ounces, temperatures, content against the
    limits, cautions. A recipe (pieces a pack, topping, decoration) is kept in the folder. A load
    that was not recommended must be typed; the sheet then says what is known of it.

    scentlab batch cedar-2026 --packs 40 --pieces 6 --piece "15 g"
    scentlab batch cedar-2026 --wax "1 lb"

    FOLDER @recipe @paper @rules
    --packs NUMBER: packs to fill
    --wax WEIGHT: or wax to use, as "1 lb"
    --blend NAME: the blend (the best one)
    --load LOAD: another load, as 8 % or 1.5 oz/lb
    --recipe NAME: recipe of the shelf, or a name for this one
    """)
def _batch(arguments):
    from scentlab.choosing.known_load import known_load
    from scentlab.planning.batch import make_batch, materials_of
    from scentlab.planning.sheets import batch_sheet_html

    folder = series_folder(arguments.folder)
    recipe, wax_g = _recipe(arguments, folder), amount("--wax", "g", arguments.wax)
    if wax_g is None and arguments.packs is None:
        raise CannotDo('say how much: --packs 40, or --wax "1 lb"')
    analysis = analysed_by(arguments)
    load = amount("--load", "% of wax", arguments.load)
    known = known_load(analysis, arguments.blend, load)
    batch = make_batch(known, materials_of(analysis.series), packs=arguments.packs, wax_g=wax_g,
                       recipe=recipe)
    path = exported(folder, batch.file_name, batch_sheet_html(batch, arguments.paper))
    print(batch.sentence)
    print(f"Sheet to print, or to open on a phone: {path}")


def _recipe(arguments, folder):
    """The recipe kept in the folder with what the options change, which is then kept."""
    from scentlab.planning.batch import Recipe, keep_recipe, recipe_here
    from scentlab.recording.shelf import put_on_shelf, shelf_of

    given = {field: _typed(line.split()[0], _KINDS[field], value)
             for field, line in _RECIPE.items()
             if (value := getattr(arguments, field)) is not None}
    found = _from_shelf(arguments.recipe, folder, given) or recipe_here(folder)
    if given or arguments.recipe:
        found = replace(found, **given)
        print(f"Recipe: kept in {keep_recipe(found, folder)}; the next batch takes it.")
    if given and arguments.recipe:
        usual = asdict(Recipe())
        text = "; ".join(f"{n} {v}" for n, v in asdict(found).items() if v != usual[n])
        put_on_shelf(shelf_of(folder), [{"kind": "recipe", "name": arguments.recipe,
                                         "recipe": text}])
        print(f"On the shelf: recipe {arguments.recipe}.")
    return found


def _from_shelf(name, folder, given):
    """The recipe of a name; None where none was named, or it is new and ``given`` says it."""
    from scentlab.planning.batch import Recipe
    from scentlab.recording.shelf import shelf_beside

    texts = name and shelf_beside(folder).recipe(name)
    if name and not texts and not given:
        raise CannotDo(f"no recipe {name!r} is on the shelf; give its options with the name once")
    read = {"NUMBER": int, "NAME": str}  # all else there is a number in g or %
    return texts and Recipe(**{field: read.get(kind, float)(texts[field])
                               for field, kind in _KINDS.items() if field in texts})


def _typed(name, kind, value):
    unit = {"WEIGHT": "g", "LOAD": "% of wax"}.get(kind)
    if unit:
        return 0.0 if value.strip() == "0" else amount(name, unit, value)
    return value.strip() if kind == "NAME" else value


@command("""check a new lot of wax or fragrance: accept, reject, test more

    Plan three test batches of a new lot about the recommended load and write their sheet; when they
    are graded, say whether the lot can be used as before. They join the record of the series under
    the name of the lot and count in no other answer.

    scentlab lot cedar-2026 --lot B-7

    FOLDER @paper @rules
    --lot! NAME: what its label says
    --blend NAME: the blend (the best one)
    --load LOAD: the load in use (the recommended one)
    --more: plan three more pots of it
    --today DATE: as 2026-03-14
    """)
def _lot(arguments):
    from scentlab.choosing.lot import check_lot
    from scentlab.planning.lot import pots_of_lot
    from scentlab.planning.plan import Plan

    store = opened(arguments.folder)
    arguments.lot = lot = spelling(store.known_names("lot"))(arguments.lot)
    analysis = analysed_by(arguments)
    load = amount("--load", "% of wax", arguments.load)
    plan = store.plan() and Plan.from_dict(store.plan())
    pots = pots_of_lot(plan, lot) if plan else ()
    logged = analysis.series.apart is not None and lot in set(analysis.series.apart.pours["lot"])
    if plan and (arguments.more or not (pots or logged)):
        return _plan_lot(arguments, store, plan, analysis, load)
    if not pots and not logged:
        raise CannotDo(f"{store.folder} has no plan, so log the test batches of lot {lot} with "
                       "its name in the column lot, and ask again")
    left = _ungraded(store, plan, pots)
    if left:
        print(f"{count_of(left, 'piece')} of lot {lot} (pots {', '.join(pots)}) not graded yet. "
              f"Log what was weighed and grade them: {call('quick', arguments.folder)}, or the "
              "notebooks.")
        if not logged or left == sum(p.pieces for p in plan.pour_rows if p.pot in pots):
            return None
    found = check_lot(analysis, lot, blend=arguments.blend, load_pct=load)
    print(*found.lines, *found.notes, sep="\n")
    if found.verdict == "test more":
        print(f"Next: three more pots: {call('lot', arguments.folder)} --lot "
              f"{quoted(lot)} --more")
    return None


def _ungraded(store, plan, pots):
    """How many planned pieces of the pots have no grade."""
    if not pots:
        return 0
    pours = {p.pour for p in plan.pour_rows if p.pot in pots}
    graded = set(store.rows("grades")["code"])
    return sum(p.pour in pours and p.code not in graded for p in plan.piece_rows)


def _plan_lot(arguments, store, plan, analysis, load):
    """Plan three pots of the lot, keep them in the plan and write their sheet."""
    from scentlab.choosing.known_load import known_load
    from scentlab.choosing.lot import lot_loads
    from scentlab.planning.lot import lot_plan, pots_of_lot
    from scentlab.planning.sheets import quick_sheet_html

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
    print(f"Lot {lot} of {known.blend}: three test batches, each in a pot of its own: "
          + ", ".join(say_load_oz(x) for x in loads)
          + f". To weigh: {say_weight(add_up(p.wax_g for p in rows), total=True)} of wax, "
          f"{say_weight(add_up(p.fragrance_g for p in rows), total=True)} of fragrance, for "
          f"{count_of(sum(p.pieces for p in rows), 'piece')}. Test only, not for sale.")
    print(f"Sheet to print (pouring, labels, grades): {path}")
    print(f"After pouring, and when they are due, log and grade them: "
          f"{call('quick', arguments.folder)}, or the pages. Then ask again: "
          f"{call('lot', arguments.folder)} --lot {quoted(lot)}")


@command("""one page of one blend for a technical file

    Write one page for a supplier or a technical file: load, limits, heat cycle, counts by load,
    lots, days, what to weigh, and who checked it. A browser prints it or saves it as PDF. An
    earlier page is replaced.

    scentlab dossier cedar-2026 --blend soft --checked "M. K., 2026-12-01"

    FOLDER @rules
    --blend NAME: the blend (the best one)
    --wax WEIGHT = 1 lb: wax of the batch (1 lb)
    --checked TEXT = : who checked it, and when
    --out FILE.html: page (FOLDER/exports/dossier.html)
    """)
def _dossier(arguments):
    from scentlab.choosing.known_load import known_load
    from scentlab.planning.batch import make_batch, materials_of, recipe_here
    from scentlab.recording.photos import chosen_photos
    from scentlab.sharing.dossier import write_dossier

    folder = series_folder(arguments.folder)
    path = page_path(arguments.out or folder / "exports" / "dossier.html", make_folder=True)
    wax_g = amount("--wax", "g", arguments.wax)
    analysis = analysed_by(arguments)
    batch = make_batch(known_load(analysis, arguments.blend), materials_of(analysis.series),
                       wax_g=wax_g, recipe=recipe_here(folder))
    write_dossier(analysis, path, batch, arguments.checked, chosen_photos(opened(folder)))
    print(f"Dossier, one page to print or to save as PDF in a browser: {path}")
