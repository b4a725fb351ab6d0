"""What a load costs with complaints and lost sales, and how many pieces of a batch would sweat.

An expected loss over what the fits leave open (Berger 1985, "Statistical decision theory"), in the
maker's own numbers. No load above the highest that the answer admits is weighed.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import at_sale
from scentlab.choosing.pick import caps, loads_between
from scentlab.choosing.saving import piece_costs, say_money
from scentlab.fitting.looks import tested_range
from scentlab.fitting.reweighting import thinned
from scentlab.fitting.sweat import sweat_risk_draws
from scentlab.fitting.throw import throw_draws
from scentlab.materials import Refusal
from scentlab.maths.batches import POT_NODES, POT_WEIGHTS, chance_of_many
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result, an_analysis, say_chance
from scentlab.schema import THROW_WORDS
from scentlab.text import count_of
from scentlab.units import content_from_load, say_load_oz, say_percent_of_wax

DRAWS = 4000  # of sweat and throw together
NEARLY = 0.02  # loads that cost no more than this share above the least cost nearly the same
CENT = 0.005  # of money, within which amounts are printed alike
LEAST_COST, RECOMMENDED, HIGHEST = "least cost", "recommended", "highest allowed"
_MOST = {"complaint": 1e6, "lost_sale": 1e6, "lost_pct": 100.0, "pieces": 100_000, "pots": 10_000,
         "many": 100}


@dataclass(frozen=True)
class Costs:
    """The maker's own numbers; None costs nothing.

    complaint : float or None, cost of a sold piece that sweats, in the currency of the series.
    lost_sale : float or None, value of a sale that is lost.
    lost_pct : float or None, of 100 sales, how many are lost for each point (of 10) of throw below
        the strongest to be had.
    pieces, pots : int, of a batch, spread over its pots as evenly as can be.
    many : int, sweating pieces of a batch that are too many.
    Raises Refusal for a number that cannot be, or a lost sale without how many are lost.
    """

    complaint: float | None = None
    lost_sale: float | None = None
    lost_pct: float | None = None
    pieces: int = 100
    pots: int = 4
    many: int = 3

    def __post_init__(self):
        for name, most in _MOST.items():
            value, least = getattr(self, name), int(name in ("pieces", "pots", "many"))
            if value is not None and not least <= value <= most:
                raise Refusal(f"{name} is {value!r}", field=name, value=value,
                              expected=f"a number from {least} to {most:,.0f}")
        if self.pots > self.pieces or self.many > self.pieces:
            name = "pots" if self.pots > self.pieces else "many"
            raise Refusal(f"{name} is {getattr(self, name)}", field=name, value=getattr(self, name),
                          expected=f"at most the {self.pieces} pieces of the batch")
        if (self.lost_sale is None) != (self.lost_pct is None):
            lacks = "lost_sale" if self.lost_sale is None else "lost_pct"
            raise Refusal(f"{lacks} is missing", field=lacks,
                          expected="both or neither: what a lost sale is worth, and how many "
                                   "of 100 are lost per point")

    @property
    def any(self):
        """Whether the maker gave a number that sets loads apart."""
        return bool(self.complaint or (self.lost_sale and self.lost_pct))


@dataclass(frozen=True, repr=False)
class LoadCosts(Result):
    """What loads of a blend cost in a batch.

    table : DataFrame of the load that costs least, the recommended and the highest that is
        admitted: which, load_pct (% of wax), content_pct (% of total), materials, complaints,
        lost_sales and cost (of the batch, expected, in ``currency``), cost_lower and cost_upper
        (90 % limits of what is expected, not of single batches), sweating (expected pieces of the
        batch), chance_many (that ``costs.many`` or more of them sweat). Without a number of the
        maker's no load is said to cost least, and what is not known is missing.
    cheaper : chance that the load of least cost truly costs less than the recommended one; 0 where
        they are one. nearly : lowest and highest load (% of wax) that cost at most 2 % more.
    """

    blend: str
    costs: Costs
    table: pd.DataFrame
    cheaper: float
    nearly: tuple
    currency: str
    stress: str
    limit_grade: int
    notes: tuple = ()

    def of(self, which):
        """The row of one of the three loads, or None."""
        rows = self.table[self.table["which"] == which]
        return None if rows.empty else rows.iloc[0]

    @property
    def sentence(self) -> str:
        """Which load costs least, beside the recommended one."""
        return f"{self.blend}: {self._words()}"

    def _words(self):
        least, chosen = self.of(LEAST_COST), self.of(RECOMMENDED)
        batch = count_of(self.costs.pieces, "piece")
        if least is None:
            return "give what a complaint or a lost sale costs you to see which load costs least."
        load = say_load_oz(least["load_pct"], sold=True)
        said = f"{load} costs least: {self._money(least)} for {batch}"
        low, high = (say_percent_of_wax(load, sold=True) for load in self.nearly)
        near = "" if low == high else f" From {low} to {high} of wax the cost is almost the same."
        if least["load_pct"] == chosen["load_pct"]:
            return f"{said}. It is the recommended load.{near}"
        return (f"{said}. The recommended {say_load_oz(chosen['load_pct'], sold=True)} costs "
                f"{self._money(chosen)}; the chance that it really costs more is "
                f"{say_chance(self.cheaper, 0.01, 0)}.{near}")

    def _money(self, row):
        ends = cost_range(row, lambda amount: say_money(amount, ""))
        mean = say_money(row["cost"], self.currency or "in your currency")
        return f"{mean} on average (90 % sure: {ends})"


def cost_range(row, say):
    """The limits of an average cost, 90 % sure, in words; a small chance of far more lifts the mean
    over them."""
    ends = f"{say(row['cost_lower'])} to {say(row['cost_upper'])}"
    return f"{ends}, perhaps far more" if row["cost"] - row["cost_upper"] > CENT else ends


def coster(analysis):
    """What loads cost under any numbers, with the risks looked up once for each blend:
    callable(blend, costs) to LoadCosts. It raises FitError for a blend without a recommended load,
    and where sales are lost by throw that nobody scored."""
    an_analysis(analysis)
    known = cache(lambda blend: _Known(analysis, blend))
    return lambda blend, costs: known(blend).weigh(costs)


@one_thread()
def load_costs(analysis: Any, costs: Costs | None = None, blend: str | None = None) -> LoadCosts:
    """The load of a blend that costs least beside the recommended one.

    Parameters
    ----------
    analysis : Analysis
    costs : Costs, the maker's own numbers; None knows prices alone.
    blend : str; None takes the one that is ranked first.

    Returns
    -------
    LoadCosts

    Raises
    ------
    FitError as :func:`coster` says.

    Examples
    --------
    >>> from scentlab.choosing.analysis import Rules, analyse
    >>> from scentlab.simulate import small_series
    >>> analysis = analyse(small_series(), Rules(risk=0.1), draws=100, precise=None)
    >>> found = load_costs(analysis, Costs(complaint=8, pieces=120, pots=5))
    >>> bool(found.table["load_pct"].max() <= analysis.ceiling.table.at[0, "ceiling_load_pct"])
    True
    """
    return coster(analysis)(blend or analysis.pick.table.at[0, "blend"], costs or Costs())


class _Known:
    """What is believed of the loads of a blend, as draws (S, L) side by side; no money yet."""

    def __init__(self, analysis, blend):
        self.analysis, self.blend, rules = analysis, blend, analysis.rules
        row = analysis.pick.of(blend)
        chosen = row["load_pct"]
        if np.isnan(chosen):
            raise FitError(f"no load of {blend} can be given, so there is no cost: {row['reason']}")
        limits = caps(blend, analysis, rules, analysis.ceiling)
        loads = loads_between(analysis.ceiling.of(blend)["lowest_tested_pct"],
                              min(limits.values()))
        self.loads = np.unique(np.append(loads, chosen))
        self.chosen = int(np.flatnonzero(self.loads == chosen)[0])
        self.fit = thinned(at_sale(analysis.sweat, rules), DRAWS)
        self.risks = sweat_risk_draws(self.fit, blend, self.loads, rules.limit_grade,
                                      analysis.ceiling.stress)
        self.behind, throw = None, analysis.throw
        if throw is not None and blend in throw.blends:
            behind, rng = _behind(throw, blend, self.loads), np.random.default_rng(analysis.seed)
            self.behind = behind[rng.permutation(np.arange(DRAWS) % len(behind))]
        self.materials, self.notes = _materials(analysis, blend, self.loads)
        self.chance = cache(self._chance)

    def weigh(self, costs):
        """The costs of all loads, and three of them closely."""
        lost = self._lost(costs)
        complaints = costs.pieces * (costs.complaint or 0.0) * self.risks
        fixed = costs.pieces * self.materials
        cost = np.nan_to_num(fixed) + complaints + lost
        mean = cost.mean(axis=0)
        held = np.flatnonzero(~np.isnan(mean))
        best = int(held[np.argmin(mean[held])])
        near = self.loads[held][mean[held] <= (1.0 + NEARLY) * mean[best] + 1e-12]
        places = {LEAST_COST: best} if costs.any else {}
        places |= {RECOMMENDED: self.chosen, HIGHEST: len(self.loads) - 1}
        lower, upper = np.quantile(cost, (0.05, 0.95), axis=0)
        parts = {"materials": fixed, "complaints": complaints.mean(axis=0),
                 "lost_sales": lost.mean(axis=0),
                 # Without a price nor a number of the maker's nothing is known to cost.
                 "cost": mean if costs.any else np.where(np.isnan(fixed), np.nan, mean),
                 "cost_lower": lower, "cost_upper": upper,
                 "sweating": costs.pieces * self.risks.mean(axis=0)}
        table = pd.DataFrame([
            {"which": which, "load_pct": self.loads[place],
             "content_pct": content_from_load(self.loads[place]),
             **{name: values[place] for name, values in parts.items()},
             "chance_many": self.chance(self.loads[place], costs.pieces, costs.pots, costs.many)}
            for which, place in places.items()])
        rules = self.analysis.rules
        return LoadCosts(
            self.blend, costs, table,
            float((cost[:, best] < cost[:, self.chosen]).mean()), (near.min(), near.max()),
            self.analysis.series.currency,
            self.analysis.rests.stress, rules.limit_grade, (*self._said(costs), *self.notes))

    def _lost(self, costs):
        """Sales lost (S, L), in money of the batch; nothing at loads whose throw is not known."""
        if not costs.lost_sale or not costs.lost_pct:
            return np.zeros((1, len(self.loads)))
        if self.behind is None:
            kind = THROW_WORDS[self.analysis.rules.throw_kind]
            raise FitError(f"to count sales lost to weak scent, {self.blend} needs {kind} throw "
                           "scores, and it has none; leave lost sales empty or score some")
        return costs.pieces * costs.lost_sale * np.minimum(costs.lost_pct / 100 * self.behind, 1.0)

    def _chance(self, load, pieces, pots, many):
        """That so many pieces of a batch or more sweat; by fewer draws the more are counted."""
        fit = thinned(self.fit, DRAWS // min(1 + many // 5, 4))
        risks = sweat_risk_draws(
            fit, self.blend, np.full(len(POT_NODES), load), self.analysis.rules.limit_grade,
            self.analysis.ceiling.stress, pot=POT_NODES)
        return chance_of_many(risks, POT_WEIGHTS, fit.weights, pieces, pots, many)

    def _said(self, costs):
        top = self.loads[-1]
        yield (f"No load above {say_load_oz(top, sold=True)} is counted: it is the highest that "
               "sweat and limits allow. Loads are in % of wax.")
        yield ("Pieces from one pot tend to sweat together, so with few pots many sweating pieces "
               "at once are more likely. What the test leaves open is counted.")
        if costs.complaint:
            yield ("A cost is the average over many batches, not the cost of one. Each sweating "
                   "piece counts as a complaint, as if all were kept as in the test.")
            if not costs.lost_sale:
                yield ("No lost sale is counted, so nothing here favours a stronger scent, and the "
                       "lowest load tested may cost least.")


def _behind(fit, blend, loads):
    """Points of throw (D, L) below the strongest of the loads; missing where none was scored."""
    lowest, highest = tested_range(fit, blend)
    inside = (loads >= lowest - 0.05) & (loads <= highest + 0.05)
    found = np.full((len(fit.draw_shape), len(loads)), np.nan)
    throw = throw_draws(fit, blend, loads[inside])
    found[:, inside] = throw.max(axis=1, keepdims=True) - throw
    return found


def _materials(evidence, blend, loads):
    """What a piece costs at the loads, and what is not known of it."""
    known = evidence.about(blend).copy()
    notes = []
    if np.isnan(known["wax_price_per_kg"]):
        known["wax_price_per_kg"] = 0.0
        notes.append("The price of the wax is not known, so only fragrance is counted.")
    cost = piece_costs(known, evidence.series.piece_g, loads)
    if np.isnan(cost).any():
        notes = ["The price of the fragrance or the weight of a piece is not known. Materials are "
                 "left out, so a lower load saves nothing here."]
    return cost, tuple(notes)
