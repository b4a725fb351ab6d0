"""One simulated series of a plan: poured and scored under a guess, fitted and decided for real."""

from dataclasses import dataclass, replace

import numpy as np

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.pick import CEILING, Evidence, caps, chosen_loads
from scentlab.choosing.rules import Rules
from scentlab.fitting.sweat import fit_sweat
from scentlab.fitting.throw import fit_throw
from scentlab.results import FitError
from scentlab.simulate import Layout, Truth, layout_of_plan, simulate_series

# Finer than any scale weighs, coarser than the last bit in which BLAS libraries differ.
_DIGITS = 9
# Monte Carlo error of a ceiling (points of load) that many series average out.
ROUGHLY = 0.1


@dataclass(frozen=True)
class Task:
    """What all simulated series of a run share.

    ``at_risk``: the true load at risk of each blend (% of wax). ``throw_every``: the throw is
    fitted, and a load picked, in every so many series; 0 for none.
    """

    layout: Layout
    truth: Truth
    rules: Rules
    draws: int
    seed: int
    throw_every: int
    stress: str
    at_risk: dict


def plan_task(plan, truth, rules, draws, seed, throw_every):
    """The task of a plan; throw is left out where the plan has no throw of the rules' kind."""
    # the plan's own frames have their columns even when they have no row
    layout = layout_of_plan(plan.to_dict())
    # Frost and other kinds of throw are not looked at when these series are decided.
    pieces = plan.pieces[plan.pieces["test"].isin(["sweat", "throw"])].reset_index(drop=True)
    smellings = plan.smellings[plan.smellings["kind"] == rules.throw_kind].reset_index(drop=True)
    layout, smelt = replace(layout, pieces=pieces, smellings=smellings), len(smellings) > 0
    stress = rules.stress or ("heat" if plan.piece_numbers.sweat_heat else "rest")
    at_risk = {
        b.name: truth.load_at_risk(b.name, rules.risk, rules.limit_grade, stress)
        for b in plan.blends
    }
    every = int(throw_every) if smelt else 0
    return Task(layout, truth, rules, int(draws), int(seed), every, stress, at_risk)


def run_one(task, number):
    """The outcomes of series ``number``: a list of one dict per blend, plain data.

    The seed is child ``number`` of ``SeedSequence(seed).spawn(...)``, so that the outcome depends
    neither on how many series are run nor on which worker runs it.
    """
    child = np.random.SeedSequence(task.seed, spawn_key=(number,))
    fit_seed = int(child.generate_state(1)[0])
    with_throw = bool(task.throw_every) and number % task.throw_every == 0
    layout = task.layout
    if not with_throw:
        layout = replace(layout, smellings=layout.smellings.iloc[:0])
    series = simulate_series(layout, task.truth, np.random.default_rng(child))
    try:
        return _decide(task, series, fit_seed, with_throw)
    except FitError as error:
        return [
            {"blend": blend, "ceiling": None, "width": None, "failed": str(error)}
            for blend in task.at_risk
        ]


def _decide(task, series, seed, with_throw):
    sweat = fit_sweat(series.sweat(), series.limits, draws=task.draws, precise=ROUGHLY, seed=seed)
    ceiling = find_ceiling(sweat, task.rules)
    outcomes = {r["blend"]: _ceiling_of(r) for _, r in ceiling.table.iterrows()}
    if with_throw:
        throw = fit_throw(series.throws, task.rules.throw_kind, draws=task.draws, seed=seed)
        evidence = Evidence(sweat, throw, None, series)
        for choice in chosen_loads(evidence, task.rules, ceiling):
            blend = choice["blend"]
            others = caps(blend, evidence, task.rules, ceiling)
            others.pop(CEILING, None)
            outcomes[blend] |= _pick_of(choice, task, others, outcomes[blend]["highest"])
    return list(outcomes.values())


def _ceiling_of(row):
    return {
        "blend": row["blend"],
        "ceiling": _plain(row["ceiling_load_pct"]),
        "width": _plain(row["load_at_risk_upper_pct"] - row["load_at_risk_lower_pct"]),
        "highest": _plain(row["highest_tested_pct"]),
    }


def _pick_of(choice, task, limits, highest):
    """The pick and what it gives away against the best load that is safe and allowed."""
    pick, blend = _plain(choice["load_pct"]), choice["blend"]
    if pick is None:
        return {"picked": True, "pick": None, "throw_lost": None}
    best = min([task.at_risk[blend], highest, *limits.values()])
    lost = task.truth.throw(blend, max(best, pick)) - task.truth.throw(blend, pick)
    return {"picked": True, "pick": pick, "throw_lost": _plain(lost)}


def _plain(value):
    return round(float(value), _DIGITS) if np.isfinite(value) else None
