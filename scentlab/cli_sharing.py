"""The commands that send a series away and read what was sent: share, open, compare, summary."""

import json
import textwrap
from pathlib import Path

from scentlab.cli import (
    CannotDo,
    add_rules,
    analysed,
    command,
    must_have_folder,
    new_file,
    quoted,
    read_rules,
    series_folder,
)

HIDEABLE = ("fragrance", "costs", "notes")


def add_commands(commands):
    """Add the four commands to the parser."""
    for add in (_add_share, _add_open, _add_compare, _add_summary):
        add(commands)


# --- share -------------------------------------------------------------------------------------


def _share(arguments):
    from scentlab.sharing.package import prepare_package

    folder, choices = series_folder(arguments.folder), _choices(arguments)
    path = None if arguments.preview or arguments.show else _new_zip(arguments.out)
    package = prepare_package(_analysis(folder, arguments), choices)
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


def _choices(arguments):
    from scentlab.sharing.redaction import Choices

    hide = [w for words in arguments.hide for w in words.replace(",", " ").split()]
    for word in hide:
        if word not in HIDEABLE:
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
    for notice in package.notices:
        yield from _item(notice)
    settings = json.loads(package.text("settings.json"))
    about, rows = settings["series"], package.table.to_dict("records")
    yield f"Title: {about['title']}"
    yield f"Fragrance: {about['fragrance'] or 'not on record'}"
    yield f"{len(package.files)} files leave:"
    described = {row["file"]: row for row in rows}
    for name, data in package.files.items():
        row = described.get(name)
        holds = row["holds"] if row else "what each file and column means"
        lines = f"{row['rows']} rows, " if row and row["columns"] else ""
        yield f"  {name}  {holds}: {lines}{len(data)} bytes"
        if row and row["columns"]:
            yield textwrap.fill(row["columns"], 100, initial_indent=" " * 6,
                                subsequent_indent=" " * 6)
    yield from _item(package.analysis.pick.sentence)


def _item(words):
    yield textwrap.fill(words, 100, initial_indent="* ", subsequent_indent="  ")


def _analysis(folder, arguments, rules=None):
    # A file that is shown is printed alone.
    quiet = {"announce": lambda words: None} if getattr(arguments, "show", None) else {}
    rules = rules or read_rules(arguments, folder, **quiet)
    return analysed(folder, rules, arguments.seed)


# --- open --------------------------------------------------------------------------------------


def _open(arguments):
    from scentlab.sharing.opening import CAUTION, SENDERS_PAGE, open_package

    if arguments.save and Path(arguments.save).exists():
        raise CannotDo(f"{arguments.save} is there already; give --save the name of a new folder")
    opened = open_package(arguments.file)
    if arguments.save:
        opened.save(arguments.save)
    for words in (opened.sentence, *opened.notices):
        print("\n".join(_item(words)))
    print("\n".join(_found(opened)))
    print(f"Fingerprint: {opened.fingerprint}")
    print(f"To answer it: scentlab answer {quoted(arguments.file)} --out answer.json --from NAME "
          "(--help shows what an answer may hold)")
    if arguments.save:
        print(f"Files: {arguments.save}")
        print("\n".join(_item(f"{SENDERS_PAGE} there: {CAUTION}")))
    return 0 if opened.same else 1


def _found(opened):
    """Per blend the pick and the ceiling, in the package and here, in % of wax."""
    from scentlab.sharing.package import versions

    for row in opened.table.to_dict("records"):
        yield f"{row['blend']}: {'the same' if row['same'] else 'NOT the same'}"
        for name, words in (("load_pct", "recommended"), ("ceiling_load_pct", "highest safe")):
            there, here = (_load(row[f"{name}_{where}"]) for where in ("in_package", "here"))
            yield f"  {words:<12} in the package {there}, found here {here}"
    here = versions()
    other = [f"{n} {v} (here {here.get(n, 'none')})" for n, v in opened.versions.items()
             if here.get(n) != v]
    if other:
        yield f"Made with other versions: {', '.join(other)}"


def _load(value):
    from scentlab.units import say_load

    return "none" if value != value else say_load(value, 2)


# --- compare and summary -----------------------------------------------------------------------


def _compare(arguments):
    from scentlab.sharing.pooling import differences, pool_series, series_names, why_not_pooled

    if len(arguments.folders) < 2:
        raise CannotDo("a comparison needs two or more series folders")
    folders = [series_folder(name) for name in arguments.folders]
    rules = _rules_of_all(folders, arguments)
    analyses = [_analysis(folder, arguments, rules) for folder in folders]
    why_not = why_not_pooled(analyses)
    pooled = None if why_not else pool_series(analyses, seed=arguments.seed)
    for name, analysis in zip(series_names(analyses), analyses, strict=True):
        print("\n".join(_item(f"{name}: {analysis.pick.sentence}")))
    for words in (*differences(analyses), *_about_lots(pooled, why_not)):
        print("\n".join(_item(words)))


def _rules_of_all(folders, arguments):
    """The same rules for every series: those kept in all folders alike, else the usual ones."""
    from scentlab.choosing.kept import rules_here

    if len({read_rules(arguments, f, announce=lambda words: None) for f in folders}) == 1:
        return read_rules(arguments, folders[0])
    if any(rules_here(folder).kept for folder in folders):
        print("Rules: the folders do not keep the same, so the usual ones and the options hold.")
    return read_rules(arguments)


def _about_lots(pooled, why_not):
    """What the series say when fitted as one, in sentences, or why they are not."""
    from scentlab.words import say_both

    if pooled is None:
        yield why_not
        return
    yield pooled.sentence
    for row in pooled.table.to_dict("records"):
        own, together = (row[f"{n}_ceiling_pct"] for n in ("own", "pooled"))
        width = "narrower" if row["gain"] >= 0 else "wider"
        yield (
            f"{row['blend']}, series {row['series']}: pooled highest safe load "
            f"{say_both(together)}, alone {say_both(own)}; interval "
            f"{abs(100 * row['gain']):.0f} % {width}."
        )
    yield from pooled.notes


def _summary(arguments):
    from scentlab.sharing.package import prepare_package
    from scentlab.sharing.redaction import Choices
    from scentlab.sharing.summary import check_questions, write_supplier_summary

    folder, path = series_folder(arguments.folder), _page(arguments.out)
    check_questions(arguments.ask)
    choices = _choices(arguments)
    analysis = _analysis(folder, arguments)
    guard = {}
    if choices != Choices():
        package = prepare_package(analysis, choices)
        analysis, guard = package.analysis, {"guard": package.guard}
    write_supplier_summary(analysis, path, arguments.ask, **guard)
    print(f"Summary: {path}")


def _page(name):
    path = Path(name)
    if path.suffix.lower() not in (".html", ".htm"):
        raise CannotDo(f"this is a web page: give --out a name that ends in .html, not {path}")
    must_have_folder(path)
    return path


# --- the parser --------------------------------------------------------------------------------


def _add_share(commands):
    parser = command(
        commands, "share", _share, "put a series into one zip for a supplier or a colleague",
        """
        Fit a series, then put the report, the pours, grades and throw scores as CSV, the plan, the
        rules and the seed into one zip. Whoever has scentlab opens it with `scentlab open` and
        finds the same load; whoever has not reads report.html and the CSV files. What is held
        back is left out of every file, and the fits are made again from what is shared. Nothing
        is sent: mail the zip yourself. --preview prints all that would leave and writes nothing.
        A package that is there already is not replaced.
        """,
        """
        scentlab share cedar-2026 --preview --hide fragrance,costs,notes
        scentlab share cedar-2026 --show settings.json --hide fragrance,costs,notes
        scentlab share cedar-2026 --out cedar.zip --hide fragrance,costs,notes
        scentlab share cedar-2026 --out cedar.zip --renumber-assessors --leave-out "house blend"
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument("--out", metavar="FILE.zip", help="the package to write")
    parser.add_argument(
        "--preview", action="store_true", help="print what would leave, and write nothing"
    )
    parser.add_argument(
        "--show", metavar="NAME",
        help="print one file of the package as it would leave, such as pours.csv; write nothing",
    )
    _add_holding(parser)
    add_rules(parser)


def _add_holding(parser):
    group = parser.add_argument_group("what stays at home")
    group.add_argument(
        "--hide", action="append", default=[], metavar="WORDS",
        help="one or more of fragrance,costs,notes: the fragrance's name and data, though its "
        "regulatory limit is shared; every price; the notes of pours, plan and rules",
    )
    group.add_argument(
        "--renumber-assessors", action="store_true",
        help="give the testers new codes, in an order that gives nothing away",
    )
    group.add_argument(
        "--leave-out", action="append", default=[], metavar="BLEND",
        help="leave a blend out with its pours and scores (may be repeated)",
    )
    group.add_argument(
        "--also-hide", action="append", default=[], metavar="WORD",
        help="a word that gives the fragrance's name away, to be hidden too (may be repeated)",
    )
    group.add_argument(
        "--may-stay", action="append", default=[], metavar="WORD",
        help="a word that holds a hidden name and does not give it away, such as figure where Fig "
        "is hidden (may be repeated)",
    )


def _add_open(commands):
    parser = command(
        commands, "open", _open, "check a package that was sent, and repeat its analysis",
        """
        Open a zip that `scentlab share` wrote: check every file of it against its hash and its
        description, fit the records again with the rules and the seed of the sender, and say
        whether each recommended and highest safe load is the same to the printed digits. Nothing
        is unpacked, so a damaged or hostile file does no harm, and nothing is written unless --save
        names a new folder. Exit code 0: the same; 1: whole, but not the same; 2: no package to
        rely on.
        """,
        """
        scentlab open cedar.zip
        scentlab open cedar.zip --save cedar-from-the-maker
        """,
    )
    parser.add_argument("file", metavar="FILE.zip", help="the package")
    parser.add_argument(
        "--save", metavar="FOLDER", help="new folder to write the checked files into"
    )


def _add_compare(commands):
    parser = command(
        commands, "compare", _compare, "set two or more series side by side",
        """
        Fit two or more series by the same rules. Print the load of each and what makes the series
        unlike (fragrance, panel, storage). Series of the same blends, fragrance and storage are
        also fitted as one, to see how much earlier one lot sweats than another. Where that cannot
        be, the reason is printed. Nothing is written.
        """,
        """
        scentlab compare cedar-2025 cedar-2026
        """,
    )
    parser.add_argument(
        "folders", metavar="FOLDER", nargs="+", help="two or more series folders"
    )
    add_rules(parser)


def _add_summary(commands):
    parser = command(
        commands, "summary", _summary, "write one page for a supplier, with what you ask",
        """
        Fit a series and write one web page for a supplier: what was tested, how, what was seen,
        and what you ask. What is held back is left out as in `scentlab share`. An earlier page
        of the same name is replaced.
        """,
        """
        scentlab summary cedar-2026 --out cedar.html --ask "Is 8 % of wax within your limit?"
        scentlab summary cedar-2026 --out cedar.html --hide fragrance \\
            --ask "Did lot 7 change?" --ask "What is your highest load?"
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument("--out", metavar="FILE.html", required=True, help="the page to write")
    parser.add_argument(
        "--ask", action="append", required=True, metavar="TEXT",
        help="what the supplier is asked (1 to 6 times)",
    )
    _add_holding(parser)
    add_rules(parser)
