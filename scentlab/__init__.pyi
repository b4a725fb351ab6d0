# For type checkers: the same names as the table in __init__.py, which loads them late.
from typing import Any

from scentlab.amounts import read_loads as read_loads
from scentlab.choosing.analysis import analyse as analyse
from scentlab.choosing.analysis import what_if as what_if
from scentlab.choosing.costs import load_costs as load_costs
from scentlab.choosing.diagnosis import diagnose as diagnose
from scentlab.choosing.lot import check_lot as check_lot
from scentlab.choosing.pick import Rules as Rules
from scentlab.choosing.so_far import loads_so_far as loads_so_far
from scentlab.fitting.frost import fit_frost as fit_frost
from scentlab.fitting.pairs import pair_test as pair_test
from scentlab.fitting.sweat import fit_sweat as fit_sweat
from scentlab.fitting.sweat import sweat_risk as sweat_risk
from scentlab.fitting.throw import fit_throw as fit_throw
from scentlab.foresight.next_step import next_step as next_step
from scentlab.foresight.precision import precision as precision
from scentlab.forms.quick import quick_page as quick_page
from scentlab.materials import Blend as Blend
from scentlab.materials import Fragrance as Fragrance
from scentlab.materials import Wax as Wax
from scentlab.memory.remembering import remember as remember
from scentlab.planning.batch import Recipe as Recipe
from scentlab.planning.batch import make_batch as make_batch
from scentlab.planning.kitchen import propose_plans as propose_plans
from scentlab.planning.plan import Plan as Plan
from scentlab.planning.plan import make_plan as make_plan
from scentlab.planning.quick import quick_plan as quick_plan
from scentlab.planning.sheets import pour_sheets_html as pour_sheets_html
from scentlab.recording.importing import export_csvs as export_csvs
from scentlab.recording.importing import import_csvs as import_csvs
from scentlab.recording.reading import read_series as read_series
from scentlab.recording.store import Store as Store
from scentlab.results import FitError as FitError
from scentlab.results import Result as Result
from scentlab.schema import DataError as DataError
from scentlab.screens.answer import answer_page as answer_page
from scentlab.screens.plan import plan_page as plan_page
from scentlab.screens.pour import pour_page as pour_page
from scentlab.screens.score import score_page as score_page
from scentlab.screens.share import share_page as share_page
from scentlab.screens.start import start_page as start_page
from scentlab.series import Series as Series
from scentlab.sharing.dossier import write_dossier as write_dossier
from scentlab.sharing.opening import open_package as open_package
from scentlab.sharing.package import prepare_package as prepare_package
from scentlab.sharing.pictures import plot as plot
from scentlab.sharing.report import write_report as write_report
from scentlab.units import load_from_ounces_per_pound as load_from_ounces_per_pound
from scentlab.workshop import make_demo_series as make_demo_series

__version__: str

def __getattr__(name: str) -> Any: ...
