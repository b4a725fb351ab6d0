"""Fragrance-load experiments for scented wax melts: plan, pour, score, fit, choose, share.

The public names are loaded when they are first used, so that ``import scentlab`` is quick and
brings in no plotting, widget, database or statistics library.

>>> import scentlab
>>> round(scentlab.load_from_ounces_per_pound(1.5), 3)
9.375
"""

from importlib import import_module

__version__ = "0.1.0"

_PUBLIC = {
    "units": (
        "celsius_from_fahrenheit", "content_from_load", "fahrenheit_from_celsius",
        "grams_from_ounces", "grams_from_pounds", "load_from_content",
        "load_from_ounces_per_pound", "load_from_weights", "ounces_from_grams",
        "ounces_per_pound_from_load",
    ),
    "materials": ("Blend", "Fragrance", "MaterialError", "Wax"),
    "schema": ("DataError",),
    "series": ("Series",),
    "results": ("FitError", "Result"),
    "planning.plan": (
        "CureDays", "HeatCycle", "PieceNumbers", "Plan", "Pouring", "Sittings", "make_plan",
    ),
    "planning.costs": ("plan_costs",),
    "planning.sheets": ("code_key_html", "labels_html", "pour_sheets_html"),
    "recording.store": ("Store",),
    "recording.reading": ("read_series",),
    "recording.importing": ("dry_run", "export_csvs", "import_csvs", "read_csvs"),
    "recording.progress": ("see_progress", "waiting", "warmer_pieces"),
    "recording.correcting": ("make_void", "mend", "stored_about"),
    "fitting.sweat": ("fit_sweat", "sweat_risk"),
    "fitting.bleed": ("bleed_curve", "fit_bleed"),
    "fitting.joint": ("join_evidence",),
    "fitting.lots": ("fit_lots",),
    "fitting.checks": ("check_sweat",),
    "fitting.frost": ("fit_frost", "frost_risk"),
    "fitting.throw": ("fit_throw", "throw_curve"),
    "fitting.longevity": ("fit_longevity",),
    "fitting.throw_life": ("hours_until", "life_curve"),
    "fitting.weight_loss": ("loss_curve",),
    "choosing.ceiling": ("find_ceiling",),
    "choosing.pick": ("Rules", "choose_load"),
    "choosing.analysis": ("analyse", "decider", "what_if"),
    "choosing.kept": ("keep_rules", "rules_here"),
    "choosing.diagnosis": ("diagnose",),
    "foresight.guess": ("guess_truth",),
    "foresight.precision": ("precision",),
    "foresight.next_round": ("next_round",),
    "sharing.pictures": ("plot",),
    "sharing.report": ("report_html", "write_report"),
    "sharing.redaction": ("Choices",),
    "sharing.package": ("prepare_package",),
    "sharing.opening": ("open_package",),
    "sharing.answer": ("Answer", "LotFact", "answers_in", "read_answer", "weigh_answer"),
    "sharing.pooling": ("pool_series",),
    "sharing.summary": ("write_supplier_summary",),
    "guide.showing": ("show_guide",),
    "guide.stages": ("see_stages",),
    "published": ("published_data", "side_by_side"),
    "simulate": ("Truth", "simulate_series"),
    "forms.desk": ("PlanDesk", "RecordDesk"),
    "forms.choose": ("ChooseForm",),
    "forms.rules": ("RulesForm",),
    "forms.share": ("ShareForm",),
    "workshop": ("make_demo_series", "series_beside", "series_here"),
}
_HOME = {name: module for module, names in _PUBLIC.items() for name in names}

__all__ = ["__version__", *sorted(_HOME)]


def __getattr__(name):
    if name not in _HOME:
        raise AttributeError(f"module 'scentlab' has no attribute {name!r}")
    value = getattr(import_module(f"scentlab.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__():
    return sorted(set(globals()) | set(__all__))
