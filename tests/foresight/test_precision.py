"""Precision before wax is melted: definitions, errors, sameness over workers."""

import re

import numpy as np
import pytest
from scipy import stats

from scentlab.choosing.rules import Rules
from scentlab.foresight import precision as module
from scentlab.foresight.precision import (
    ALL,
    CEILING_OVER,
    NO_ANSWER,
    PICK_OVER,
    SHORTFALL,
    THROW_LOST,
    precision,
)
from scentlab.foresight.simulated import plan_task, run_one
from scentlab.planning.refusal import PlanError
from scentlab.results import FitError

from .conftest import small_plan

QUICK = {"seed": 7, "draws": 100, "throw_every": 2}


@pytest.fixture(scope="module")
def found(plan, guess):
    return precision(plan, guess, series=2, workers=1, **QUICK)


def test_every_series_has_the_seed_that_numpy_spawns_for_it(plan, guess, monkeypatch):
    seen = []

    def look(layout, truth, rng):
        seen.append(rng.random())
        raise FitError("seen enough")

    monkeypatch.setattr("scentlab.foresight.simulated.simulate_series", look)
    task = plan_task(plan, guess, Rules(), 100, 7, 0)
    with pytest.raises(FitError):
        run_one(task, 0)
    with pytest.raises(FitError):
        run_one(task, 5)
    children = np.random.SeedSequence(7).spawn(6)
    assert seen == [np.random.default_rng(children[n]).random() for n in (0, 5)]


def test_another_seed_gives_other_numbers_and_few_series_are_called_too_few(plan, guess, found):
    other = precision(plan, guess, series=2, workers=1, **(QUICK | {"seed": 8}))
    assert other.of(SHORTFALL) != found.of(SHORTFALL)
    assert other.notes[0] == "2 series are too few to judge a plan; simulate at least 50."
    assert "nan" not in other.sentence


def test_the_true_load_at_risk_is_that_of_the_guess(found, guess):
    at = found.truth.set_index("blend")["load_at_risk_pct"]
    assert at["soft"] == guess.load_at_risk("soft", 0.05, 2, "rest")


def made_up(outcomes, plan, guess, monkeypatch, **options):
    """A precision whose series have the given outcomes, (ceiling, pick, throw lost) by blend."""
    def one(task, number):
        return [
            {"blend": b, "ceiling": c, "width": 1.0, "highest": 12.0, "k_hat": 0.1,
             "picked": True, "pick": p, "throw_lost": lost}
            for b, (c, p, lost) in outcomes[number].items()
        ]

    monkeypatch.setattr(module, "run_one", one)
    return precision(plan, guess, series=len(outcomes), workers=1, seed=1, **options)


def test_the_measures_are_what_they_say(plan, guess, monkeypatch):
    soft, firm = (guess.load_at_risk(b, 0.05, 2, "rest") for b in ("soft", "firm"))
    outcomes = [
        {"soft": (soft - 1.0, soft - 2.0, 0.5), "firm": (firm - 3.0, firm - 3.0, 0.7)},
        {"soft": (soft + 0.5, soft + 0.25, 0.0), "firm": (None, None, None)},
        {"soft": (soft - 2.0, soft - 2.0, 0.4), "firm": (firm - 1.0, firm - 1.0, 0.2)},
        {"soft": (soft - 1.5, soft - 2.0, 0.3), "firm": (None, None, None)},
    ]
    found = made_up(outcomes, plan, guess, monkeypatch)
    short = np.array([1.0, -0.5, 2.0, 1.5])
    assert found.of(SHORTFALL, "soft") == pytest.approx((1.0, short.std(ddof=1) / 2))
    assert found.of(SHORTFALL, "firm")[0] == pytest.approx(2.0)
    # Agresti and Coull: two hits and two misses more; 1 of 4 is 3 of 8, 2 of 4 is 4 of 8
    assert found.of(CEILING_OVER, "soft") == pytest.approx((0.25, np.sqrt(3 / 8 * 5 / 8 / 4)))
    assert found.of(NO_ANSWER, "firm") == pytest.approx((0.5, np.sqrt(1 / 4 / 4)))
    assert found.of(NO_ANSWER, "soft")[1] > 0
    assert found.of(PICK_OVER, "soft")[0] == 0.25
    assert found.of(THROW_LOST, "soft")[0] == pytest.approx(0.3)
    # over all blends, the blends of a series are averaged first
    each = np.array([2.0, -0.5, 1.5, 1.5])
    assert found.of(SHORTFALL, ALL) == pytest.approx((each.mean(), each.std(ddof=1) / 2))
    assert found.of(NO_ANSWER, ALL) == pytest.approx((0.25, np.std([0, 0.5, 0, 0.5], ddof=1) / 2))


def test_a_chance_has_exact_limits_over_series(plan, guess, monkeypatch):
    """0 of 20 leaves up to 1 - 0.05^(1/20) = 13.9 % possible (Clopper and Pearson 1934, 90 %); 5 of
    20 as by scipy.stats.binomtest."""
    soft, firm = (guess.load_at_risk(b, 0.05, 2, "rest") for b in ("soft", "firm"))
    dry = {"soft": (soft - 1.0, soft - 1.0, 0.1), "firm": (firm - 1.0, firm - 1.0, 0.1)}
    over = dry | {"firm": (firm + 1.0, firm - 1.0, 0.1)}
    found = made_up([over] * 5 + [dry] * 15, plan, guess, monkeypatch)
    assert found.limits(CEILING_OVER, "soft") == pytest.approx((0.0, 1 - 0.05 ** (1 / 20)))
    exact = stats.binomtest(5, 20).proportion_ci(0.90, method="exact")
    assert found.limits(CEILING_OVER, "firm") == pytest.approx((exact.low, exact.high))
    assert "qualified in under 1 % of blends (90 % limits 0 to 14 %)" in found.sentence


def test_throw_is_lost_against_the_best_load_that_is_safe_allowed_and_tested(guess):
    plan = small_plan(loads=(5, 7, 9))
    task = plan_task(plan, guess, Rules(), 100, 3, 1)
    every = (o for n in range(20) for o in run_one(task, n) if o["blend"] == "firm")
    outcome = next(o for o in every if o["pick"] is not None)
    # the load at risk of firm lies above the highest load tested (and so does the limit, 12)
    assert task.at_risk["firm"] > outcome["highest"]
    best = guess.throw("firm", outcome["highest"])
    expected = best - guess.throw("firm", outcome["pick"])
    assert outcome["throw_lost"] == pytest.approx(expected, abs=1e-8)


def test_a_series_that_cannot_be_fitted_counts_as_without_an_answer(plan, guess, monkeypatch):
    def refuse(*_, **__):
        raise FitError("no peak")

    monkeypatch.setattr("scentlab.foresight.simulated.fit_sweat", refuse)
    found = precision(plan, guess, series=2, workers=1, seed=1)
    assert found.of(NO_ANSWER)[0] == 1.0
    assert np.isnan(found.of(SHORTFALL)[0])
    assert ("2 series could not be fitted and count as no answer; the first error was: no peak."
            in found.notes)
    assert found.sentence.startswith(
        "Poured and scored 2 times on paper, if the guess holds: no safe load was found. It was"
    )


def test_a_stopped_run_says_so(plan, guess, monkeypatch):
    asked = []
    outcomes = [{"soft": (5.0, 5.0, 0.1), "firm": (6.0, 6.0, 0.1)}] * 9
    found = made_up(outcomes, plan, guess, monkeypatch,
                    stop=lambda: bool(asked) or asked.append(1))
    assert (found.series, found.asked) == (4, 9)
    assert found.notes[0] == "The run was stopped: 4 of 9 series are finished."


def test_a_run_stopped_before_any_series_is_refused(plan, guess):
    words = "the run was stopped before any series finished; start it again"
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        precision(plan, guess, series=3, workers=1, seed=1, stop=lambda: True)


def test_a_plan_without_throw_says_nothing_of_the_pick(guess):
    found = precision(small_plan(throw=0), guess, series=2, workers=1, **QUICK)
    assert set(found.table["measure"]) & {PICK_OVER, THROW_LOST} == set()
    assert "The throw was fitted, and a load recommended, in 0 of the series." in found.notes
    assert np.isnan(found.of(THROW_LOST)).all() and "nan" not in found.sentence


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"seed": -1}, "seed is -1; give a whole number from 0 to 9223372036854775807"),
        ({"draws": 5}, "draws is 5; give a whole number from 100 to 100000"),
        ({"throw_every": -1},
         "throw_every is -1; give a whole number from 0 to 1000000 series"),
    ],
)
def test_refusals_of_a_precision(plan, guess, options, words):
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        precision(plan, guess, series=2, workers=1, **({"seed": 1} | options))
