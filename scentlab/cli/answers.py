"""Commands that fit and recommend: report, costs, compare, weigh."""

import dataclasses

from scentlab.cli.frame import (
    CannotDo,
    command,
    item,
    listed,
    noted,
    opened,
    page_path,
    series_folder,
    text_table,
    working,
)
from scentlab.cli.rules import read_rules


def analysed(folder, rules, seed, memory=None):
    """The analysis of the record in a series folder, with what it borrows from a memory."""
    from scentlab.choosing.analysis import analyse
    from scentlab.recording.reading import read_series

    return analyse(read_series(opened(folder)), rules, seed=seed, memory=memory)


def analysed_by(arguments):
    """The analysis of the series of a command by the rules and the seed of its options."""
    folder = series_folder(arguments.folder)
    return analysed(folder, read_rules(arguments, folder), arguments.seed)


def write_the_report(folder, path, rules, seed, memory=None):
    """Fit a series, write its report and print what it recommends, with a memory beside the answer
    without it."""
    from scentlab.memory.saying import beside_alone, odd_sentences
    from scentlab.recording.photos import chosen_photos
    from scentlab.sharing.report import write_report
    from scentlab.words.answers import pick_notes, ranking_sentences

    with working("the fits", "the report") as begin:
        begin()
        analysis = analysed(folder, rules, seed, memory)
        begin()
        write_report(analysis, path, chosen_photos(opened(folder)))
    borrowed = () if memory is None else (*beside_alone(analysis), *odd_sentences(memory))
    listed([*analysis.pick.sentences.values(), *borrowed])
    noted(ranking_sentences(analysis), "")
    noted(pick_notes(analysis))
    print(f"Report: {path}")


@command("""fit, recommend a load per blend and write the report

    Fit sweat, frost and throw, print the recommended load of each blend and write a report: one web
    page that opens without a network; an earlier one is replaced. Rules that are not given come
    from rules.json in the folder, else they are those in brackets.

    scentlab report cedar-2026 --risk-pct 2 --stress heat

    FOLDER @all-rules
    --out FILE.html: page (FOLDER/exports/report.html)
    """)
def _report(arguments):
    folder = series_folder(arguments.folder)
    path = page_path(arguments.out or folder / "exports" / "report.html", make_folder=True)
    write_the_report(folder, path, read_rules(arguments, folder), arguments.seed)


@command("""what a load costs, and the chance of a sweating batch

    Of each blend, print the load that costs least beside the recommended one, with your own numbers
    for complaints and lost sales (none are given by the kit), and the chance that too many pieces
    of a batch sweat. No load above the highest safe one is weighed. Nothing is written.

    scentlab costs cedar-2026 --complaint 8 --lost-sale 6 --lost-pct 4

    FOLDER @rules
    --complaint MONEY: cost of a sold piece that sweats
    --lost-sale MONEY: what a lost sale costs
    --lost-pct PERCENT: of 100 sales, lost for a point of throw less
    --pieces NUMBER = 100: in a batch (100)
    --pots NUMBER = 4: they come from (4)
    --many NUMBER = 3: sweating pieces that are too many (3)
    """)
def _costs(arguments):
    from scentlab.choosing.costs import Costs, coster
    from scentlab.words.tables import costs_table

    series_folder(arguments.folder)
    costs = Costs(**{f.name: getattr(arguments, f.name) for f in dataclasses.fields(Costs)})
    analysis = analysed_by(arguments)
    blends = analysis.pick.table.dropna(subset="load_pct")["blend"]
    if blends.empty:
        raise CannotDo(f"no load can be weighed: {analysis.pick.sentence}")
    weigh = coster(analysis)
    for blend in blends:
        found = weigh(blend, costs)
        rows = text_table(costs_table(found), range(7))
        print(item(found.sentence), "", *rows, "", sep="\n")
    noted(found.notes)


@command("""set two or more series side by side

    Fit two or more series by the same rules. Print the loads of each and what makes the series
    unlike (fragrance, panel, storage), and of the same blends, fragrance and storage how much
    earlier one lot sweats than another. Where that cannot be, the reason is printed. Nothing is
    written.

    scentlab compare cedar-2025 cedar-2026

    FOLDER... @rules
    """)
def _compare(arguments):
    from scentlab.sharing.beside import (
        compare_sweat,
        differences,
        series_names,
        why_not_compared,
    )

    if len(arguments.folder) < 2:
        raise CannotDo("a comparison needs two or more series folders")
    folders = [series_folder(name) for name in arguments.folder]
    rules = rules_of_all(folders, arguments)
    analyses = [analysed(folder, rules, arguments.seed) for folder in folders]
    named = zip(series_names(analyses), analyses, strict=True)
    said = [why_not_compared(analyses)]
    if not said[0]:
        found = compare_sweat(analyses, arguments.seed)
        said = found.sentence, *found.notes
    listed([*(f"{name}: {analysis.pick.sentence}" for name, analysis in named),
            *differences(analyses), *said])


def rules_of_all(folders, arguments):
    """The same rules for every series: those kept in all folders alike, else the usual ones."""
    from scentlab.choosing.kept import rules_here

    if len({read_rules(arguments, f, announce=lambda words: None) for f in folders}) == 1:
        return read_rules(arguments, folders[0])
    if any(rules_here(folder).kept for folder in folders):
        print("Rules: the folders do not keep the same, so the usual ones and the options hold.")
    return read_rules(arguments)


@command("""see a supplier's answer beside your own recommended loads

    Read an answer, saved by a page of `scentlab summary` or by `scentlab answer`. Print, for each
    blend, the recommended and highest safe load by your own rules beside those of the
    counter-proposal, with what the answer says of lots. Nothing of the record is changed.

    scentlab weigh cedar-2026 answer.json --package cedar.zip

    FOLDER FILE.json @rules
    --package FILE: package or page that was sent; an answer to another is refused
    """)
def _weigh(arguments):
    from scentlab.sharing.answer import read_answer, weigh_answer
    from scentlab.sharing.opening import package_fingerprint

    series_folder(arguments.folder)
    answer = read_answer(arguments.file)
    package = package_fingerprint(arguments.package) if arguments.package else None
    own = analysed_by(arguments)
    print(*weigh_answer(own, answer, package).lines, sep="\n")
    if package is None:
        print("Whether it answers the package that was sent was not looked at: give --package.")
    print("Nothing of the series was changed.")
