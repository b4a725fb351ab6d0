"""The page to share: report, tables, package, answers, costs, other lots, the next round."""

import html
from functools import partial

import ipywidgets as w

from scentlab.choosing.analysis import analyse
from scentlab.choosing.kept import rules_here
from scentlab.files import file_link
from scentlab.foresight.next_round import next_round
from scentlab.forms.choose import ChooseForm
from scentlab.forms.share import ShareForm
from scentlab.recording.importing import export_csvs
from scentlab.recording.reading import read_series
from scentlab.screens.frame import Fold, Page, bench_of, heading
from scentlab.sharing.answer import answers_in, read_answer, weigh_answer
from scentlab.sharing.package import prepare_package
from scentlab.sharing.pictures import plot
from scentlab.sharing.pooling import pool_series, why_not_pooled
from scentlab.sharing.redaction import Choices
from scentlab.sharing.report import write_report
from scentlab.workshop import series_beside

PACKAGE_NAME = "for-the-supplier.zip"


def share_page(folder=None, seed=1):
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
        lambda choices: prepare_package(analysis, Choices(**choices)),
        lambda package: package.write(bench.exports / PACKAGE_NAME), series.blends["blend"],
    )
    return [
        heading("The report"), _report(analysis, bench),
        heading("A package for the supplier"), page.share,
        Fold("The supplier's answer", partial(_answers, analysis, bench), "answers"),
        Fold("Where the next test batches would help most", partial(_next, analysis, seed), "next"),
        Fold("What it costs", lambda: costs_table(analysis), "costs"),
        Fold("Beside another series", partial(_beside, analysis, bench, seed), "beside",
             "How the series differ in the load at which half of the pieces sweat"),
        Fold("Tables as CSV files", partial(_tables, bench), "tables"),
    ]


def _report(analysis, bench):
    path = write_report(analysis, bench.exports / "report.html")
    size = f"{path.stat().st_size / 1000:.0f} kB, nothing hidden"
    return w.HTML(f"<p>{file_link(path, f'The report, to open and print ({size})')}</p>")


def _tables(bench):
    files = export_csvs(bench.store, bench.exports)
    return f"{', '.join(f.name for f in files)}, written to {bench.exports}. Testers by code only."


def _answers(analysis, bench):
    form = ChooseForm(
        "Answers in this folder", lambda: answers_in(bench.folder, bench.exports), "answer",
        said="{} is shown below; nothing of the series was changed.",
    )
    return [form, form.show(lambda path: weigh_answer(analysis, read_answer(path)), "Answer")]


def costs_table(analysis):
    """Materials of a piece at the recommended loads, as a frame to show."""
    costs = analysis.pick.table[["blend", "load_pct", "content_pct", "cost_per_piece"]].copy()
    costs.columns = ["blend", "load, % of wax", "content, % of total",
                     f"materials of a piece, {analysis.series.currency or 'your currency'}"]
    return costs.style.hide().format("{:.1f}", costs.columns[1:3]).format(
        "{:.2f}", subset=costs.columns[3:], na_rep="no price")


def _beside(analysis, bench, seed):
    others = [] if bench.demo else series_beside(bench.folder)
    if not others:
        return "No scored series to set beside this one is in the folders next to it."
    every = [analysis, *(analyse(read_series(s), analysis.rules, seed=seed) for s in others)]
    why = why_not_pooled(every)
    if why:
        return why
    pooled = pool_series(every)
    return [pooled, plot(pooled)]


def _next(analysis, seed):
    again = next_round(analysis, pours=6, seed=seed)
    more = again.sheet(wax_g=250)[["pot", "blend", "load_pct", "content_pct", "fragrance_g"]]
    more.columns = ["new pot", "blend", "load, % of wax", "content, % of total",
                    "fragrance to 250 g of wax, g"]
    return [html.escape(again.sentence), more.style.hide().format(precision=1)]
