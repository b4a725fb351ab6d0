"""The workshop of a maker: series folders, made and found, and what travels with the package.

In a checkout the notebooks and the data lie beside the package, in an installed wheel inside it.
"""

import contextlib
import html
import json
import shutil
import tempfile
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from scentlab.amounts import keep_units, units_here
from scentlab.files import shipped
from scentlab.recording.importing import import_csvs
from scentlab.recording.store import FILE_NAME, Store, series_files
from scentlab.schema import IMPORT_TABLES
from scentlab.series import rule_of
from scentlab.units import Shown

EXPORTS_NAME = "exports"
QUICK_TESTER = "A1"


def demo_folder():
    """The folder with the invented demo series: plan.json and its CSV files."""
    return shipped("data") / "demo"


def demo_plan():
    """The plan of the demo series, as a dict."""
    return json.loads((demo_folder() / "plan.json").read_text(encoding="utf-8"))


def make_series(folder, title=None, plan=None, units=None):
    """Make a series folder with an empty record, or with a plan (a dict) and the units typed for
    it; returns its :class:`Store`.

    The folder must be new or empty. Should anything fail, it is left as it was.
    """
    with all_or_nothing(Path(folder)) as place:
        store = Store.create(place, title=title or Path(folder).resolve().name)
        if plan:
            store.save_plan(plan)
        keep_units(units, place, chosen=False)
    return Store.open(folder)


def begin_series(folder, title=None, plan=None, units=None):
    """Make a maker's own series, which begins in the units of the series beside it, else in those
    typed for it."""
    beside = units_here(folder)[0]
    return make_series(folder, title, plan, beside if beside != Shown() else units)


def make_demo_series(folder: str | Path) -> Store:
    """Make a series folder with the invented demo data.

    Parameters
    ----------
    folder : str or Path, new or empty. Should anything fail, it is left as it was.

    Returns
    -------
    Store

    Raises
    ------
    FileExistsError for a folder that is not empty.

    >>> store = make_demo_series(tempfile.mkdtemp())
    >>> bool(store.about()["invented"])
    True
    """
    with all_or_nothing(Path(folder)) as place:
        store = Store.create(place, title=demo_plan()["title"], invented=True)
        store.save_plan(demo_plan())
        files = {t.name: demo_folder() / f"{t.name}.csv" for t in IMPORT_TABLES}
        import_csvs(store, **{name: path for name, path in files.items() if path.is_file()})
    return Store.open(folder)


@contextlib.contextmanager
def all_or_nothing(folder):
    """A temporary folder beside ``folder`` that takes its place when all has gone well."""
    if folder.exists() and any(folder.iterdir()):
        raise FileExistsError(f"the folder {folder} is not empty; give a new or empty folder")
    folder.parent.mkdir(parents=True, exist_ok=True)
    place = Path(tempfile.mkdtemp(prefix=".scentlab-", dir=folder.parent))
    try:
        yield place
        (place / EXPORTS_NAME).mkdir(exist_ok=True)
        place.chmod(0o755)  # mkdtemp keeps others out; a series folder is an ordinary folder
        if folder.exists():  # a terminal may be in it, or it is a link; the record comes last
            for part in sorted(place.iterdir(), key=lambda path: path.name == FILE_NAME):
                part.rename(folder / part.name)
            place.rmdir()
        else:
            place.rename(folder)
    except BaseException as error:
        shutil.rmtree(place, ignore_errors=True)
        # What could not be done, a person asked of the folder.
        error.args = tuple(a.replace(str(place), str(folder)) if isinstance(a, str) else a
                           for a in error.args)
        if isinstance(error, OSError) and error.filename:
            error.filename = str(error.filename).replace(str(place), str(folder))
        raise


@dataclass(frozen=True)
class Bench:
    """The series that a notebook works on: its folder, its store, and whether it is the demo."""

    folder: Path
    store: Store
    demo: bool
    why: str = ""

    @property
    def exports(self):
        """The folder for what is written; made when it is missing."""
        folder = self.folder / EXPORTS_NAME
        folder.mkdir(exist_ok=True)
        return folder

    @property
    def sentence(self):
        if not self.demo:
            return f"This is your series in {self.folder}."
        return (
            f"DEMO: {self.why}, so this uses a copy of the demo series in {self.folder}. Its data "
            "are invented, and nothing you save there is kept."
        )

    def __repr__(self):
        return self.sentence

    def _repr_html_(self):
        colour = "#fff3cd" if self.demo else "#e7f1ea"
        return (
            f'<div style="padding:0.8em;background:{colour};color:#222;border:1px solid #666">'
            f"{html.escape(self.sentence)}</div>"
        )


def is_quick(plan):
    """Whether a plan (dict or None) is that of a quick check: one tester, nobody smells, and no
    piece is looked at again weeks later.

    >>> is_quick({"assessors": ["A1"], "smellings": []}), is_quick(None)
    (True, False)
    """
    if not plan or plan.get("assessors") != [QUICK_TESTER] or plan.get("smellings"):
        return False
    return not rule_of(plan, "cure_days").get("again")


def series_here(*needs, folder="."):
    """The series in this folder, a :class:`Bench`, if it has what a notebook needs: "plan",
    "sweat grades" or names of tables that must not be empty. Else a copy of the demo, whose
    ``sentence`` says why."""
    folder = Path(folder).resolve()
    if not (folder / FILE_NAME).is_file():
        return _demo_bench("this folder holds no series")
    store = Store.open(folder)
    for need in needs:
        if _lacks(store, need):
            return _demo_bench(f"your series has no {need} yet")
    return Bench(folder, store, demo=False)


def series_in(folder):
    return [f.parent for f in series_files(folder)]


def series_beside(folder):
    """Stores of up to four scored series in the folders beside that of a series, the most recently
    changed first. An invented series is no company for a real one: only series of the same sort
    are given."""
    here = Path(folder).resolve()
    invented = (here / FILE_NAME).is_file() and Store.open(here).about()["invented"]
    files = (f for f in series_files(here.parent) if f.parent != here)
    stores = (Store.open(file.parent)
              for file in sorted(files, key=lambda f: f.stat().st_mtime, reverse=True))
    return list(islice((
        store for store in stores if store.about()["invented"] == invented
        and not any(_lacks(store, need) for need in ("pours", "sweat grades"))), 4))


def _lacks(store, need):
    if need == "plan":
        return store.plan() is None
    if need == "sweat grades":
        return not (store.rows("grades")["test"] == "sweat").any()
    return store.rows(need).empty


def _demo_bench(why):
    folder = Path(tempfile.mkdtemp(prefix="scentlab-demo-")) / "demo-series"
    return Bench(folder, make_demo_series(folder), demo=True, why=why)
