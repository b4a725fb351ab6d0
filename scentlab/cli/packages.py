"""Commands that send a series away and read what was sent: share, open, summary, answer."""

import json
import textwrap
from pathlib import Path

from scentlab.cli.answers import analysed, analysed_by
from scentlab.cli.frame import (
    GROUPS,
    CannotDo,
    command,
    item,
    listed,
    new_file,
    opened,
    options,
    page_path,
    quoted,
    series_folder,
    understood,
)
from scentlab.cli.rules import PROPOSED, given_rules, read_rules
from scentlab.units import GRAMS_PER_POUND

HIDEABLE = ("fragrance", "costs", "notes")
GROUPS["holding"] = options("""--hide WORDS...: of fragrance,costs,notes (names, prices, notes)
    --renumber-assessors: give the testers new codes
    --leave-out BLEND...: leave a blend out (repeat)
    --also-hide WORD...: a word that gives the fragrance away (repeat)
    --may-stay WORD...: a word with a hidden name in it (repeat)
    """)


@command("""put a series into one zip for a supplier or a colleague

    Put the report, the records as CSV, the plan, the rules and the seed into one zip. Whoever has
    scentlab opens it with `scentlab open` and finds the same loads. What is held back is left out
    of every file, and the fits are made again from what is shared. Nothing is sent, and a package
    that is there already is not replaced.

    scentlab share cedar-2026 --preview --hide fragrance,costs,notes
    scentlab share cedar-2026 --out cedar.zip --leave-out "house blend"

    FOLDER @holding @rules
    --out FILE.zip: the package to write
    --preview: print what would leave, write nothing
    --show NAME: print one file of it, such as pours.csv
    """)
def _share(arguments):
    from scentlab.recording.photos import chosen_photos
    from scentlab.sharing.package import prepare_package

    folder, choices = series_folder(arguments.folder), _choices(arguments)
    path = None if arguments.preview or arguments.show else _new_zip(arguments.out)
    # A file that is shown is printed alone.
    announce = (lambda words: None) if arguments.show else print
    rules = read_rules(arguments, folder, announce)
    package = prepare_package(analysed(folder, rules, arguments.seed), choices,
                              chosen_photos(opened(folder)), _batch_of(folder))
    if arguments.show:
        print(package.text(arguments.show))
        return
    print("\n".join(_leaving(package)))
    if path is None:
        print("Nothing was written (--preview).")
        return
    package.write(path)
    print(f"Package: {path} ({path.stat().st_size / 1000:.0f} kB)")
    print(f"Who has scentlab checks it with: scentlab open {quoted(path.name)}")


def _batch_of(folder):
    """What makes the batch of the dossier that goes along, where one was made before."""
    from scentlab.choosing.known_load import known_load
    from scentlab.planning.batch import make_batch, materials_of, recipe_here, sold_already

    return (lambda shared: make_batch(
        known_load(shared), materials_of(shared.series), wax_g=GRAMS_PER_POUND,
        recipe=recipe_here(folder))) if sold_already(folder) else None


def _choices(arguments):
    from scentlab.sharing.redaction import Choices

    hide = [w for words in arguments.hide for w in words.replace(",", " ").split()]
    for word in (w for w in hide if w not in HIDEABLE):
        raise CannotDo(f"--hide knows no {word!r}; give one or more of {','.join(HIDEABLE)}")
    return Choices(
        **{f"hide_{name}": name in hide for name in HIDEABLE},
        renumber_assessors=arguments.renumber_assessors, leave_out=tuple(arguments.leave_out),
        also_hide=tuple(arguments.also_hide), may_stay=tuple(arguments.may_stay),
    )


def _new_zip(name):
    """The path for a package; one that was sent is never replaced, for an answer may name it."""
    if not name:
        raise CannotDo("where to? give --out FILE.zip, or --preview to see what would leave")
    return new_file(name, ".zip", "a package is a zip")


def _leaving(package):
    """What leaves, in lines: what is held back, then each file with what stands in it."""
    yield from map(item, package.notices)
    about = json.loads(package.text("settings.json"))["series"]
    described = {row["file"]: row for row in package.table.to_dict("records")}
    yield f"Title: {about['title']}"
    yield f"Fragrance: {about['fragrance'] or 'not on record'}"
    yield f"{len(package.files)} files leave:"
    for name, data in package.files.items():
        row = described.get(name, {"holds": "what each file and column means", "columns": ""})
        lines = f"{row['rows']} rows, " if row["columns"] else ""
        yield f"  {name}  {row['holds']}: {lines}{len(data)} bytes"
        if row["columns"]:
            yield textwrap.indent(textwrap.fill(row["columns"], 94), " " * 6)
    yield item(package.analysis.pick.sentence)


@command("""check a package that was sent, and repeat its analysis

    Check every file of a zip that `scentlab share` wrote, fit the records again with the rules and
    the seed of the sender, and say whether each recommended and highest safe load is the same to
    the printed digits. Nothing is unpacked or written unless --save names a new folder. Exit code
    0: the same; 1: whole, but not the same; 2: no package to rely on.

    scentlab open cedar.zip --save cedar-from-the-maker

    FILE.zip
    --save FOLDER: new folder for the checked files
    """)
def _open(arguments):
    from scentlab.sharing.opening import CAUTION, SENDERS_PAGE, open_package

    if arguments.save and Path(arguments.save).exists():
        raise CannotDo(f"{arguments.save} is there already; give --save the name of a new folder")
    opened = open_package(arguments.file)
    if arguments.save:
        opened.save(arguments.save)
    listed((opened.sentence, *opened.notices))
    print(*_found(opened), sep="\n")
    print(f"Fingerprint: {opened.fingerprint}")
    print(f"To answer it: scentlab answer {quoted(arguments.file)} --out answer.json --from NAME "
          "(--help shows what an answer may hold)")
    if arguments.save:
        print(f"Files: {arguments.save}", item(f"{SENDERS_PAGE} there: {CAUTION}"), sep="\n")
    return 0 if opened.same else 1


def _found(opened):
    """Per blend the pick and the ceiling, in the package and here, in % of wax."""
    from scentlab.sharing.package import versions
    from scentlab.units import say_load

    for row in opened.table.to_dict("records"):
        yield f"{row['blend']}: {'the same' if row['same'] else 'NOT the same'}"
        for name, words in (("load_pct", "recommended"), ("ceiling_load_pct", "highest safe")):
            loads = (row[f"{name}_{where}"] for where in ("in_package", "here"))
            there, here = ("none" if load != load else say_load(load, sold=True) for load in loads)
            yield f"  {words:<12} in the package {there}, found here {here}"
    here = versions()
    other = [f"{n} {v} (here {here.get(n, 'none')})" for n, v in opened.versions.items()
             if here.get(n) != v]
    if other:
        yield f"Made with other versions: {', '.join(other)}"


@command("""write the report for a supplier, with what you ask

    Fit a series and write its report for a supplier, with what you ask (1 to 6 times --ask) and a
    form. The supplier opens it in a browser and saves an answer there, which `scentlab weigh`
    reads. What is held back is left out as in `scentlab share`. An earlier page of the same name is
    replaced.

    scentlab summary cedar-2026 --out cedar.html --ask "Did lot 7 change?"

    FOLDER @holding @rules
    --out! FILE.html: the page to write
    --ask! TEXT...: what the supplier is asked (repeat)
    """)
def _summary(arguments):
    from scentlab.sharing.package import prepare_package
    from scentlab.sharing.redaction import Choices
    from scentlab.sharing.report import check_questions, write_supplier_summary

    series_folder(arguments.folder)
    path = page_path(arguments.out)
    check_questions(arguments.ask)
    choices = _choices(arguments)
    analysis, guard = analysed_by(arguments), {}
    if choices != Choices():
        package = prepare_package(analysis, choices)
        analysis, guard = package.analysis, {"guard": package.guard}
    write_supplier_summary(analysis, path, arguments.ask, **guard)
    print(f"Summary: {path}")


@command("""answer a package that was sent, in a small file

    For a supplier: check a package, then write an answer to it with what is known of a lot, another
    rule, or another highest load for a blend. What these would recommend is printed beside the
    package's own. The maker reads it with `scentlab weigh`.

    scentlab answer cedar.zip --out answer.json --from "the wax maker" \\
        --lot "hard wax=L7=oil content=0.4 %" --limit soft=8.5

    FILE.zip @proposed
    --out! FILE.json: the answer to write
    --from! TEXT: who answers
    --note TEXT = : anything else, in words
    --lot MATERIAL=LOT=WHAT=VALUE...: known of a lot (repeat)
    --limit BLEND=LOAD...: highest load, in % of wax (repeat)
    """)
def _answer(arguments):
    from scentlab.sharing.answer import Answer, weigh_answer
    from scentlab.sharing.opening import open_package

    path = new_file(arguments.out, ".json", "an answer is a small JSON file")
    opened = open_package(arguments.file)
    answer = Answer(
        opened.fingerprint, getattr(arguments, "from"), tuple(map(_lot, arguments.lot)),
        given_rules(arguments, PROPOSED), dict(map(_limit, arguments.limit)), arguments.note,
    )
    print(*weigh_answer(opened.analysis, answer).lines, sep="\n")
    answer.write(path)
    print(f"Answer: {path}")
    print("Nothing is sent: mail the file back yourself. It is weighed with: "
          f"scentlab weigh FOLDER {quoted(path.name)}")


def _limit(text):
    blend, _, load = text.rpartition("=")
    try:
        parts = blend.strip(), float(load.replace(",", ".").rstrip(" %"))
    except ValueError:
        parts = None
    return understood(parts, text, "--limit", "BLEND=LOAD, such as soft=8.5")


def _lot(text):
    from scentlab.sharing.answer import LotFact

    parts = [part.strip() for part in text.split("=")]
    return LotFact(*understood(
        parts if len(parts) in (4, 5) else None, text, "--lot",
        'MATERIAL=LOT=WHAT=VALUE=UNIT, such as "hard wax=L7=oil content=0.4=%"',
    ))
