"""Commands that send a series away and read what was sent: share, open, summary, answer."""

from pathlib import Path

from scentlab.cli.answers import analysed, analysed_by
from scentlab.cli.frame import (
    PROPOSED,
    CannotDo,
    amount,
    item,
    listed,
    new_file,
    page_path,
    quoted,
    understood,
)
from scentlab.cli.rules import given_rules, read_rules
from scentlab.recording.store import Store
from scentlab.selling import package_of
from scentlab.sharing.answer import LOT, Answer, weigh_answer
from scentlab.sharing.opening import CAUTION, SENDERS_PAGE, open_package
from scentlab.sharing.package import prepare_package, versions
from scentlab.sharing.redaction import Choices
from scentlab.sharing.report import check_questions, write_supplier_summary
from scentlab.text import count_of
from scentlab.units import say_load

HIDEABLE = ("fragrance", "costs", "notes")


def _share(arguments):
    folder, choices = arguments.folder, _choices(arguments)
    path = None
    if not (arguments.preview or arguments.show):
        # One that was sent is never replaced, for an answer may name it.
        if not arguments.out:
            raise CannotDo("where to? give --out FILE.zip, or --preview to see what would leave")
        path = new_file(arguments.out, ".zip", "a package is a zip")
    # A file that is shown is printed alone.
    announce = (lambda words: None) if arguments.show else print
    rules = read_rules(arguments, folder, announce)
    package = package_of(analysed(folder, rules, arguments.seed), Store.open(folder), choices)
    if arguments.show:
        print(package.text(arguments.show))
        return
    if path is not None:
        package.write(path)  # before the words, which may end in a pipe that is closed
    print("\n".join(_leaving(package)))
    if path is None:
        print("Nothing was written (--preview).")
        return
    print(f"Package: {path} ({path.stat().st_size / 1000:.0f} kB)")
    print(f"Anyone with scentlab can check it with: scentlab open {quoted(path.name)}")


def _choices(arguments):
    hide = [w for words in arguments.hide for w in words.replace(",", " ").split()]
    for word in (w for w in hide if w not in HIDEABLE):
        raise CannotDo(f"--hide knows no {word!r}; give one or more of {','.join(HIDEABLE)}")
    return Choices(
        **{f"hide_{name}": name in hide for name in HIDEABLE},
        renumber_assessors=arguments.renumber_assessors, leave_out=tuple(arguments.leave_out),
        also_hide=tuple(arguments.also_hide), may_stay=tuple(arguments.may_stay),
    )


def _leaving(package):
    """What leaves, in lines: what is held back, then each file with what stands in it."""
    yield from map(item, (*package.notices, package.sentence))
    for row in package.table.to_dict("records"):
        columns = f": {count_of(row['rows'], 'row')} of {row['columns']}" if row["columns"] else ""
        yield item(f"{row['file']}, {row['bytes']} bytes, {row['holds']}{columns}")


def _open(arguments):
    if arguments.save and Path(arguments.save).exists():
        raise CannotDo(f"{arguments.save} already exists; give --save the name of a new folder")
    opened = open_package(arguments.file)
    if arguments.save:
        opened.save(arguments.save)
    listed((opened.sentence, *opened.notices))
    print(*_found(opened), sep="\n")
    print(f"Fingerprint: {opened.fingerprint}")
    print(f"To answer it: scentlab answer {quoted(arguments.file)} --out answer.json --from NAME "
          "(--help shows what an answer may contain)")
    if arguments.save:
        print(f"Files: {arguments.save}", item(f"{SENDERS_PAGE} there: {CAUTION}"), sep="\n")
    return 0 if opened.same else 1


def _found(opened):
    """Per blend the pick and the ceiling, in the package and here, in % of wax."""
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
        yield f"Made with different versions: {', '.join(other)}"


def _summary(arguments):
    path = page_path(arguments.out)
    check_questions(arguments.ask)
    choices = _choices(arguments)
    analysis, held = analysed_by(arguments), {}
    if choices != Choices():
        package = prepare_package(analysis, choices)
        analysis = package.analysis
        held = {"guard": package.guard, "notices": package.notices}
    write_supplier_summary(analysis, path, arguments.ask, **held)
    print(f"Summary: {path}")


def _answer(arguments):
    path = new_file(arguments.out, ".json", "an answer is a small JSON file")
    opened = open_package(arguments.file)
    answer = Answer(
        opened.fingerprint, getattr(arguments, "from"), tuple(map(_lot, arguments.lot)),
        given_rules(arguments, PROPOSED), dict(map(_limit, arguments.limit)), arguments.note,
    )
    print(*weigh_answer(opened.analysis, answer).lines, sep="\n")
    answer.write(path)
    print(f"Answer: {path}")
    print("Nothing is sent: mail the file back yourself. The maker reads it with: "
          f"scentlab weigh FOLDER {quoted(path.name)}")


def _limit(text):
    blend, _, load = (part.strip() for part in text.rpartition("="))
    understood(blend or None, text, "--limit", "BLEND=LOAD, such as soft=8.5")
    return blend, amount(f"--limit of {blend}", "% of wax", load.replace(",", "."))


def _lot(text):
    parts = [part.strip() for part in text.split("=")]
    understood(parts if len(parts) in (4, 5) else None, text, "--lot",
               'MATERIAL=LOT=WHAT=VALUE=UNIT, such as "hard wax=L7=oil content=0.4=%"')
    return dict(zip(LOT, parts, strict=False))
