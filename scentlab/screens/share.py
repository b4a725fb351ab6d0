"""The page to share: report, tables, package, answers, other lots, the next round."""

from functools import partial
from pathlib import Path

import ipywidgets as w

from scentlab.choosing.analysis import analyse
from scentlab.choosing.kept import rules_here
from scentlab.files import file_link, write_whole
from scentlab.foresight.next_step import next_step
from scentlab.forms.batch import BatchForm
from scentlab.forms.choose import ChooseForm
from scentlab.forms.frame import heading
from scentlab.forms.quick import NextStepForm
from scentlab.forms.share import ShareForm
from scentlab.guide.stages import PACKAGE_NAME
from scentlab.planning.sheets import batch_sheet_html
from scentlab.quick import QuickCheck
from scentlab.recording.importing import export_csvs
from scentlab.recording.photos import chosen_photos
from scentlab.recording.reading import read_series
from scentlab.screens.frame import Fold, Page, bench_of
from scentlab.selling import batch_to_sell, dossier_of, package_of
from scentlab.sharing.answer import answers_in, read_answer, weigh_answer
from scentlab.sharing.beside import compare_sweat, why_not_compared
from scentlab.sharing.redaction import Choices
from scentlab.sharing.report import write_report
from scentlab.workshop import series_beside


def share_page(folder: str | Path | None = None, seed: int = 1) -> Page:
    """The page on which a series is reported and shared.

    Parameters
    ----------
    folder : of the series; None takes the folder of the notebook. A series without grades is stood
        in for by a copy of the invented demo.
    seed : int, of the draws.

    Returns
    -------
    Page, a widget.

    >>> share_page().bench.demo  # doctest: +SKIP
    True
    """
    return Page("share", partial(_build, seed=seed), bench_of(folder, "pours", "sweat grades"))


def _build(page, seed):
    bench = page.bench
    series = read_series(bench.store)
    analysis = page.analysis = analyse(series, rules_here(bench.folder).rules, seed=seed)
    page.share = ShareForm(
        lambda choices: package_of(analysis, bench.store, Choices(**choices)),
        lambda package: package.write(bench.exports / PACKAGE_NAME), series.blends["blend"],
    )
    return [
        heading("The report"), _report(analysis, bench),
        heading("A package for the supplier"), page.share,
        Fold("The supplier's answer", partial(_answers, analysis, bench), "answers"),
        Fold("A batch to sell: what to weigh", partial(_batch, analysis, bench), "batch"),
        Fold("One page for a technical file", partial(_dossier, analysis, bench), "dossier"),
        Fold("The next step", partial(_next, analysis, bench, seed), "next"),
        Fold("Compare with another series", partial(_beside, analysis, bench, seed), "beside",
             "Difference between series in the load at which half of the pieces sweat"),
        Fold("Tables as CSV files", partial(_tables, bench), "tables"),
    ]


def _report(analysis, bench):
    path = write_report(analysis, bench.exports / "report.html", chosen_photos(bench.store))
    size = f"{path.stat().st_size / 1000:.0f} kB, nothing hidden"
    return w.HTML(f"<p>{file_link(path, f'The report, to open and print ({size})')}</p>")


def _tables(bench):
    files = export_csvs(bench.store, bench.exports)
    return f"{', '.join(f.name for f in files)}, written to {bench.exports}. Testers by code only."


def _dossier(analysis, bench):
    """The dossier of the first blend; the command writes that of another."""
    path = bench.exports / "dossier.html"
    batch = dossier_of(analysis, bench.store, path)
    return w.HTML(
        f"<p>{file_link(path, f'Dossier of {batch.known.blend}, to print (nothing hidden)')}</p>"
        "<p>For another blend, or to name who checked it: <code>scentlab dossier</code>.</p>")


def _answers(analysis, bench):
    form = ChooseForm(
        "Answers in this folder", lambda: answers_in(bench.folder, bench.exports), "answer",
        said="{} is shown below; the series is unchanged. To adopt a highest load from it, correct "
             "the limit of one test batch of that blend on page Pour.",
    )
    return [form, form.show(lambda path: weigh_answer(analysis, read_answer(path)), "Answer")]


def _beside(analysis, bench, seed):
    others = [] if bench.demo else series_beside(bench.folder)
    if not others:
        return "There is no scored series in the neighbouring folders to compare with."
    every = [analysis, *(analyse(read_series(s), analysis.rules, seed=seed) for s in others)]
    return why_not_compared(every) or compare_sweat(every)


def _next(analysis, bench, seed):
    """The next step, and a button that joins it to the plan of the maker's own series."""
    step = next_step(analysis, seed=seed)
    if bench.demo or not step.worth_it or not analysis.series.plan:
        return step

    def accept(key):
        check = QuickCheck(bench.folder)
        words = check.accept(step, key=key)
        sheets = check.write_sheets(pots=int(step.table["pots"].iloc[0]))
        return f"{words} To print: {', '.join(map(str, sheets))}. Then page Pour."

    return [step, NextStepForm(accept)]


def _batch(analysis, bench):
    def write(batch):
        return write_whole(bench.exports / batch.file_name, batch_sheet_html(batch))

    make = partial(batch_to_sell, analysis, bench.folder)
    return [BatchForm(analysis.pick.table["blend"], make, write), w.HTML(
        "<p>A new lot of wax or fragrance can sweat earlier: <code>scentlab lot</code> plans three "
        "test batches of it and says accept, reject or test more.</p>")]
