"""The stages of the work, and which of them a series has reached."""

import datetime as dt
from dataclasses import dataclass

import pandas as pd

from scentlab.files import table_beside
from scentlab.recording.progress import Progress, see_progress
from scentlab.recording.records import RECORDS
from scentlab.recording.unpoured import unpoured_words
from scentlab.text import count_of

DONE, NOW, LATER = "done", "now", "later"
PACKAGE_NAME = "for-the-supplier.zip"


@dataclass(frozen=True)
class Stage:
    """One stage: its notebook, what is done there, how long it takes and what is needed."""

    title: str
    notebook: str
    what: str
    takes: str
    needs: str


STAGES = tuple(Stage(**row) for row in table_beside(__file__, "stages.toml")["stages"])


@dataclass(frozen=True)
class Stages:
    """How far a series is. ``table`` has a row per stage: stage, notebook, state, told."""

    title: str
    table: pd.DataFrame
    progress: Progress

    @property
    def told(self):
        """What comes next, without the title."""
        now = self.table[self.table["state"] == NOW]
        if now.empty:
            return "Every stage is done."
        row = now.iloc[0]
        return f"Now: {row['stage'].lower()}; {row['told']}."


def see_stages(store, folder, today=None):
    """Which stages a series has reached, from its record and what was written from it: exactly one
    is "now" unless all are done. A report or package that is older than the last entry of the
    record is to be made again, so its stage is not done."""
    plan, poured = store.plan(), len(store.rows("pours"))
    progress = see_progress(store, today)
    known = [_planned(plan, poured), _poured(plan, poured, progress),
             _scored(store, poured, progress)]
    days = [store.rows(name, history=True)["saved_at"].max() for name in RECORDS]
    changed = max((day.timestamp() for day in days if not pd.isna(day)), default=0.0)
    exports = folder / "exports"
    report = "keep the key sealed until every piece is scored"
    if known[2][0]:  # a report of half of the scores is no answer yet
        report = _written(changed, "a report", exports / "report.html", folder / "report.html")
    known += [report or "all scores are in: you can open the sealed key",
              _written(changed, "a package", exports / PACKAGE_NAME)
              or "no package for a supplier written yet"]
    known = [k if isinstance(k, tuple) else (False, k) for k in known]
    first_open = next((i for i, (done, _) in enumerate(known) if not done), len(known))
    rows = [
        (s.title, s.notebook, DONE if done else NOW if i == first_open else LATER, words)
        for i, (s, (done, words)) in enumerate(zip(STAGES, known, strict=True))
    ]
    table = pd.DataFrame(rows, columns=["stage", "notebook", "state", "told"])
    return Stages(store.about()["title"] or store.folder.resolve().name, table, progress)


def _planned(plan, poured):
    if plan is not None:
        return True, f"{count_of(len(plan.get('pours', ())), 'test batch')} planned"
    if poured:
        return True, "no plan; test batches were imported"
    return False, "no plan is kept yet"


def _poured(plan, poured, progress):
    planned = len((plan or {}).get("pours", ()))
    if not planned:
        return poured > 0, (f"{count_of(poured, 'test batch')} logged" if poured else
                            "nothing is logged yet")
    logged = planned - len(progress.pours) - len(progress.unpoured)
    gone = unpoured_words(progress.unpoured)
    return progress.pours.empty, (f"{logged} of {planned} planned test batches are logged"
                                  + (f"; {gone}" if gone else ""))


def _scored(store, poured, progress):
    graded = len(store.distinct("grades", ("code",)))
    scored, planned = int(progress.scores["scored"].sum()), int(progress.scores["planned"].sum())
    if graded and not planned:
        return True, f"no plan; {count_of(graded, 'piece')} graded"
    if not poured or not planned:
        return False, "no piece is waiting yet"
    gone = f"; {progress.left_out}" if progress.left_out else ""
    return scored == planned, f"{scored} of {planned} planned scores are in{gone}"


def _written(changed, what, *paths):
    """Whether a file is younger than the record, and words; None where there is none."""
    written = max((p.stat().st_mtime for p in paths if p.is_file()), default=None)
    if written is None:
        return None
    if written < changed:
        when = f"{dt.datetime.fromtimestamp(changed):%Y-%m-%d %H:%M}"
        return False, f"the record has changed since (at {when}): write {what} again"
    return True, f"{what} was written on {dt.date.fromtimestamp(written)}"
