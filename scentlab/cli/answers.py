"""Commands that fit and recommend: report, demo, costs, compare, weigh."""

import dataclasses

from scentlab.choosing.analysis import analyse
from scentlab.choosing.costs import Costs, coster
from scentlab.choosing.kept import rules_here
from scentlab.choosing.pick import Rules
from scentlab.cli.frame import (
    CannotDo,
    call,
    empty_folder,
    item,
    listed,
    noted,
    page_path,
    quoted,
    series_folder,
    text_table,
    working,
)
from scentlab.cli.rules import read_rules
from scentlab.memory.saying import beside_alone, odd_sentences
from scentlab.recording.photos import chosen_photos
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store
from scentlab.sharing.answer import read_answer, weigh_answer
from scentlab.sharing.beside import compare_sweat, differences, series_names, why_not_compared
from scentlab.sharing.opening import package_fingerprint
from scentlab.sharing.report import write_report
from scentlab.words.answers import pick_notes, ranking_sentences
from scentlab.words.tables import costs_table, pick_table
from scentlab.workshop import all_or_nothing, make_demo_series


def analysed(folder, rules, seed, memory=None):
    """The analysis of the record in a series folder, with what it borrows from a memory."""
    return analyse(read_series(Store.open(folder)), rules, seed=seed, memory=memory)


def analysed_by(arguments):
    """The analysis of the series of a command by the rules and the seed of its options."""
    folder = arguments.folder
    return analysed(folder, read_rules(arguments, folder), arguments.seed)


def write_the_report(arguments, folder, memory=None):
    """Fit a series, write its report and print what it recommends, with a memory beside the answer
    without it."""
    path = page_path(arguments.out or folder / "exports" / "report.html", make_folder=True)
    rules = read_rules(arguments, folder)
    working("the fits")
    analysis = analysed(folder, rules, arguments.seed, memory)
    working("the report")
    write_report(analysis, path, chosen_photos(Store.open(folder)))
    borrowed = () if memory is None else (*beside_alone(analysis), *odd_sentences(memory))
    listed([*analysis.pick.sentences.values(), *borrowed])
    noted(ranking_sentences(analysis), "")
    noted(pick_notes(analysis))
    print(f"Report: {path}")


def _report(arguments):
    write_the_report(arguments, arguments.folder)


def _costs(arguments):
    costs = Costs(**{f.name: getattr(arguments, f.name) for f in dataclasses.fields(Costs)})
    analysis = analysed_by(arguments)
    blends = analysis.pick.table.dropna(subset="load_pct")["blend"]
    if blends.empty:
        raise CannotDo(f"no load can be compared: {analysis.pick.sentence}")
    weigh = coster(analysis)
    for blend in blends:
        found = weigh(blend, costs)
        table = costs_table(found)
        print(item(found.sentence), "", table.caption, *text_table(table, range(7)), "", sep="\n")
    noted(found.notes)


def _compare(arguments):
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
    if len({read_rules(arguments, f, announce=lambda words: None) for f in folders}) == 1:
        return read_rules(arguments, folders[0])
    if any(rules_here(folder).kept for folder in folders):
        print("Rules: the folders keep different ones, so the usual rules and your options apply.")
    return read_rules(arguments)


def _weigh(arguments):
    answer = read_answer(arguments.file)
    package = package_fingerprint(arguments.package) if arguments.package else None
    own = analysed_by(arguments)
    weighed = weigh_answer(own, answer, package)
    print(*weighed.lines, sep="\n")
    if package is None:
        print("Not checked against the package you sent: give --package.")
    print("The series is unchanged.")
    pours = Store.open(arguments.folder).rows("pours")
    for blend, load in answer.limits.items():
        other = pours[(pours["blend"] == blend) & (pours["limit_load_pct"] != load)
                      & (own.series.limits[blend] != load)]
        for entry in other["entry_id"].head(1):
            print(f"To adopt this highest load of {blend}: {call('correct', arguments.folder)} "
                  f"pours {entry} limit_load_pct={load:g} "
                  f"--reason {quoted(weighed.sender or 'an answer')}")


def _demo(arguments):
    folder = empty_folder(arguments.folder)
    working("the record, the fits and the report")
    with all_or_nothing(folder) as place:
        make_demo_series(place)
        analysis = analysed(place, Rules(), arguments.seed)
        write_report(analysis, place / "report.html")
    print(f"Made the demo series in {folder}. Its data are invented and are no evidence.")
    print(*text_table(pick_table(analysis), (1, 2, 3, 4, 7)), sep="\n")
    noted(ranking_sentences(analysis), "")
    print(f"Report: {folder / 'report.html'}\nNext: open it in a browser, or type")
    print(f"  {call('lab', folder)}")
