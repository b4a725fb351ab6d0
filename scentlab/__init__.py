"""Fragrance-load experiments for scented wax melts: plan, pour, score, fit, choose, share.

The public names are loaded when they are first used, so that ``import scentlab`` is quick and
brings in no plotting, widget, database or statistics library.

>>> import scentlab
>>> round(scentlab.load_from_ounces_per_pound(1.5), 3)
9.375
"""

from importlib import import_module

__version__ = "0.2.0"

_PUBLIC = {
    "units": ("load_from_ounces_per_pound",),
    "amounts": ("read_loads",),
    "materials": ("Blend", "Fragrance", "Wax"),
    "schema": ("DataError",),
    "series": ("Series",),
    "results": ("FitError", "Result"),
    "planning.plan": ("Plan", "make_plan"),
    "planning.quick": ("quick_plan",),
    "planning.kitchen": ("propose_plans",),
    "planning.sheets": ("pour_sheets_html",),
    "foresight.precision": ("precision",),
    "foresight.next_step": ("next_step",),
    "recording.store": ("Store",),
    "recording.reading": ("read_series",),
    "recording.importing": ("export_csvs", "import_csvs"),
    "fitting.sweat": ("fit_sweat", "sweat_risk"),
    "fitting.frost": ("fit_frost",),
    "fitting.throw": ("fit_throw",),
    "fitting.pairs": ("pair_test",),
    "choosing.pick": ("Rules",),
    "choosing.analysis": ("analyse", "what_if"),
    "choosing.so_far": ("loads_so_far",),
    "choosing.lot": ("check_lot",),
    "choosing.costs": ("load_costs",),
    "memory.remembering": ("remember",),
    "planning.batch": ("Recipe", "make_batch"),
    "choosing.diagnosis": ("diagnose",),
    "sharing.pictures": ("plot",),
    "sharing.report": ("write_report",),
    "sharing.dossier": ("write_dossier",),
    "sharing.package": ("prepare_package",),
    "sharing.opening": ("open_package",),
    "screens.start": ("start_page",),
    "screens.plan": ("plan_page",),
    "screens.pour": ("pour_page",),
    "screens.score": ("score_page",),
    "screens.answer": ("answer_page",),
    "screens.share": ("share_page",),
    "forms.quick": ("quick_page",),
    "workshop": ("make_demo_series",),
}

# What the notebooks call beside, and what the public functions take or raise.
_ALSO = {
    "materials": ("MaterialError",),
    "planning.plan": ("Calendar", "CureDays", "HeatCycle", "PieceNumbers", "Pouring", "Sittings"),
    "simulate": ("Truth",),
    "foresight.guess": ("guess_truth",),
    "choosing.costs": ("Costs",),
    "choosing.known_load": ("known_load",),
    "sharing.redaction": ("Choices",),
    "workshop": ("series_here",),
}

_HOME = {
    name: module for table in (_PUBLIC, _ALSO) for module, names in table.items()
    for name in names
}

# What the extra "lab" brings and the core does without.
_OF_THE_LAB = {"ipywidgets", "anywidget", "traitlets", "IPython"}

__all__ = ["__version__", *sorted(n for names in _PUBLIC.values() for n in names)]


def __getattr__(name):
    if name not in _HOME:
        raise AttributeError(f"module 'scentlab' has no attribute {name!r}")
    try:
        value = getattr(import_module(f"scentlab.{_HOME[name]}"), name)
    except ModuleNotFoundError as error:
        if (error.name or "").split(".")[0] not in _OF_THE_LAB:
            raise
        raise ImportError(
            f"scentlab.{name} needs {error.name}, which comes with the JupyterLab pages; install "
            "the kit again with [lab] after its folder or wheel, as in: pip install "
            "'.[lab]'", name=error.name) from error
    globals()[name] = value
    return value


def __dir__():
    return sorted(set(globals()) | set(__all__))
