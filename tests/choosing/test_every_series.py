"""Whatever the fits, limits, prices and ages: an answer in words, inside every cap, no warning."""

import warnings
from dataclasses import replace

import numpy as np
import pytest

from scentlab.choosing.ceiling import NONE, find_ceiling
from scentlab.choosing.enough import SURE
from scentlab.choosing.pick import caps, choose_load
from scentlab.choosing.rules import Rules


def maybe(rng, value, chance=0.3):
    return np.nan if rng.random() < chance else value


def some_throw(rng, fit):
    """A throw fit with rises of any sign and certainty, for some of the blends, or none."""
    if rng.random() < 0.2:
        return None
    rise = rng.normal(rng.normal(0, 3), rng.choice([0.05, 0.5, 4.0]), fit.rise.shape)
    tested = fit.tested.assign(lowest_pct=rng.choice([5.0, 7.04, 12.0]))
    if rng.random() < 0.3:
        blends = fit.blends[:1]
        return replace(fit, blends=blends, level=fit.level[:, :1], rise=rise[:, :1],
                       tested=tested[tested["blend"].isin(blends)])
    return replace(fit, rise=rise, tested=tested)


def some_evidence(rng, analysis):
    series = analysis.series
    blends = series.blends.assign(
        limit_load_pct=[maybe(rng, rng.choice([1.0, 5.0, 6.25, 9.375, 20.0])) for _ in range(2)],
        limit_content_pct=[maybe(rng, rng.choice([4.0, 7.77, 100.0])) for _ in range(2)],
        wax_price_per_kg=maybe(rng, 8.0), fragrance_price_per_kg=maybe(rng, 40.0),
    )
    grades = series.grades.assign(age_days=maybe(rng, 3.0))
    if rng.random() < 0.3:
        grades["stress"] = None
    return replace(
        analysis, throw=some_throw(rng, analysis.throw),
        frost=analysis.frost if rng.random() < 0.7 else None,
        series=replace(series, grades=grades, blends=blends,
                       piece_g=None if rng.random() < 0.3 else 20.0),
    )


def some_rules(rng):
    return Rules(
        risk=rng.choice([0.001, 0.05, 0.5]), throw_loss=rng.choice([0.1, 0.5, 3.0]),
        limit_grade=int(rng.integers(1, 5)), stress=rng.choice([None, "rest", "heat"]),
        ship_age_days=rng.choice([None, 30.0]), today_load_pct=rng.choice([None, 12.0]),
    )


@pytest.mark.parametrize("seed", range(10))
def test_an_answer_in_words(analysis, seed):
    rng = np.random.default_rng(seed)
    evidence, rules = some_evidence(rng, analysis), some_rules(rng)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pick = choose_load(evidence, rules)
        ceiling = find_ceiling(evidence.sweat, rules)
    for row in pick.table.to_dict("records"):
        said = pick.sentences[row["blend"]]
        assert said.endswith(".") and ".." not in said and "nan" not in said and "None " not in (
            said.replace("None of", ""))
        if np.isnan(row["load_pct"]):
            assert row["reason"] in said
            continue
        found = ceiling.of(row["blend"])
        assert found["state"] != NONE
        assert row["load_pct"] <= min(caps(row["blend"], evidence, rules, ceiling).values()) + 1e-6
        assert row["load_pct"] >= found["lowest_tested_pct"] - 0.1
        unsure = not np.isnan(row["throw_chance"]) and row["throw_chance"] < SURE
        assert unsure == ("cannot settle which load" in said)
    assert pick.sentence and repr(pick)
