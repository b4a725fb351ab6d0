"""The stages of the work, and which of them a series has reached."""

import datetime as dt
import html
from dataclasses import dataclass

import pandas as pd

from scentlab.guide.sketches import stage_icon
from scentlab.recording.progress import see_progress
from scentlab.recording.records import RECORDS
from scentlab.results import Result

DONE, NOW, LATER = "done", "now", "later"
MARKS = {DONE: ("✓", "#00614A"), NOW: ("▶", "#8A3700"), LATER: ("○", "#555555")}
PACKAGE_NAME = "for-the-supplier.zip"


@dataclass(frozen=True)
class Stage:
    """One stage: its notebook, what is done there, how long it takes and what is needed."""

    title: str
    notebook: str
    what: str
    takes: str
    needs: str


STAGES = (
    Stage("Plan", "1-plan.ipynb", "blends, loads, pots, panel; sheets and codes to print",
          "an hour", "the makers' sheets, a printer"),
    Stage("Pour", "2-pour-day.ipynb", "log weights and temperatures at the pot",
          "an hour a pot, then days to cure", "wax, fragrance, a scale to 0.1 g, a thermometer"),
    Stage("Score", "3-score.ipynb", "sweat, frost and throw, by blind code",
          "20 minutes a sitting", "cured pieces, the panel, a warmer, an aired room"),
    Stage("Fit and choose", "4-fit-and-choose.ipynb", "risk and throw over load; a load per blend",
          "half an hour", "all scores, an opened key"),
    Stage("Share", "5-share.ipynb", "report, tables, a package for the supplier",
          "a quarter of an hour", "what stays at home, decided"),
)


@dataclass(frozen=True, repr=False)
class Stages(Result):
    """How far a series is. ``table`` has a row per stage: stage, notebook, state, told."""

    title: str
    table: pd.DataFrame
    notes: tuple = ()

    @property
    def sentence(self):
        now = self.table[self.table["state"] == NOW]
        if now.empty:
            return f"{self.title}: every stage is done."
        row = now.iloc[0]
        return f"{self.title}: now {row['notebook']}; {row['told']}."

    def _repr_html_(self):
        rows = self.table.itertuples()
        boxes = "".join(_box(i, s, r) for i, (s, r) in enumerate(zip(STAGES, rows, strict=True)))
        return (
            f"<p><strong>{html.escape(self.sentence)}</strong></p>"
            f'<div style="display:flex;flex-wrap:wrap;gap:8px;max-width:64em">{boxes}</div>'
        )


def _box(number, stage, row):
    """A stage as a small card; an arrow leads on to the next."""
    mark, colour = MARKS[row.state]
    arrow = "" if number == len(STAGES) - 1 else " →"
    return (
        '<div style="flex:1 1 150px;box-sizing:border-box;max-width:24em;background:#fff;'
        f'color:#1a1a1a;padding:8px 10px;border:1px solid #666;border-top:6px solid {colour};'
        'font-size:14px;line-height:1.35">'
        f"{stage_icon(number)}"
        f'<a href="{stage.notebook}" style="color:#0B4F8A;font-weight:bold;display:inline-block;'
        f'padding:4px 0">{number + 1} {html.escape(stage.title)}</a>{arrow}<br>'
        f"{html.escape(stage.what)}<br>"
        f'<span style="color:{colour};font-weight:bold">{mark} {row.state}</span>: '
        f"{html.escape(row.told)}<br>"
        f'<span style="color:#444">Time: {html.escape(stage.takes)}. '
        f"Needed: {html.escape(stage.needs)}.</span></div>"
    )


def see_stages(store, folder, today=None):
    """Which stages a series has reached, from its record and what was written from it.

    Parameters
    ----------
    store : Store of the series. folder : where its exports/ lie.
    today : a date, for which scores are told; the machine's day when absent.

    Returns
    -------
    Stages; exactly one stage is "now" unless all are done. A report or package that is older than
    the last entry of the record is to be made again, so its stage is not done.
    """
    plan, pours = store.plan(), len(store.rows("pours"))
    progress = see_progress(store, today)
    told = [
        _planned(plan, pours), _poured(plan, pours, progress),
        _scored(pours, progress), *_written(store, folder),
    ]
    told[3] = told[3] if told[3][1] else (False, _fit_words(told[2][0]))
    first_open = next((i for i, (done, _) in enumerate(told) if not done), len(told))
    rows = [
        (s.title, s.notebook, DONE if done else NOW if i == first_open else LATER, words)
        for i, (s, (done, words)) in enumerate(zip(STAGES, told, strict=True))
    ]
    table = pd.DataFrame(rows, columns=["stage", "notebook", "state", "told"])
    return Stages(store.about()["title"] or "This series", table)


def _planned(plan, pours):
    if plan is not None:
        return True, f"{_count(len(plan.get('pours', ())), 'pour')} planned"
    return pours > 0, "no plan; pours were imported" if pours else "no plan is kept yet"


def _poured(plan, pours, progress):
    planned = len((plan or {}).get("pours", ()))
    if not planned:
        return pours > 0, f"{_count(pours, 'pour')} logged" if pours else "no pour is logged yet"
    logged = planned - len(progress.pours)
    return logged == planned, f"{logged} of {planned} planned pours are logged"


def _scored(pours, progress):
    scored, planned = int(progress.scores["scored"].sum()), int(progress.scores["planned"].sum())
    if not pours or not planned:
        return False, "no piece waits yet"
    return scored == planned, f"{scored} of {planned} planned scores are in"


def _fit_words(all_scored):
    if all_scored:
        return "all scores are in, scorers may open the key"
    return "no scorer opens the key before every piece is scored"


def _written(store, folder):
    """The fit and the share, as far as files tell: a report stands for the fit."""
    exports = folder / "exports"
    report = _last_written(exports / "report.html", folder / "report.html")
    package = _last_written(exports / PACKAGE_NAME)
    changed = _last_entry(store) if report or package else None
    yield _told_of(report, changed, "a report", "4 and 5") if report else (False, "")
    if package is None:
        yield False, "no package for a supplier is written yet"
    else:
        fresh = report is not None and not _outdated(report, changed)
        yield _told_of(package, changed, "a package", "5" if fresh else "4 and 5")


def _told_of(written, changed, what, again):
    if _outdated(written, changed):
        return False, f"the record changed since (at {_minute(changed)}): run {again} again"
    return True, f"{what} was written on {written.astimezone():%Y-%m-%d}"


def _outdated(written, changed):
    return changed is not None and written < changed


def _last_entry(store):
    """When the record was last added to; corrections and voids are entries too."""
    days = [store.rows(name, history=True)["saved_at"].max() for name in RECORDS]
    return max((d.to_pydatetime() for d in days if not pd.isna(d)), default=None)


def _last_written(*paths):
    times = [p.stat().st_mtime for p in paths if p.is_file()]
    return dt.datetime.fromtimestamp(max(times), dt.UTC) if times else None


def _minute(moment):
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"


def _count(number, word):
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
