"""A pick says when the panel could not tell it from the lowest load."""

import re
from dataclasses import replace

import numpy as np
import pytest

from scentlab.choosing.pick import choose_load
from scentlab.choosing.rules import Rules
from scentlab.choosing.saving import piece_costs
from scentlab.fitting.telling import gain_told

KEEPS = "the lowest load that keeps 90 % of the warm throw gained from "


def with_scores(analysis, blur):
    """The evidence with every standard deviation of the throw scores that many times as large."""
    throw = analysis.throw
    variances = throw.variances.assign(sd=throw.variances["sd"] * blur)
    blurred = replace(
        throw, variances=variances, variance_covariance=throw.variance_covariance * blur**4
    )
    return replace(analysis.evidence, throw=blurred)


def reason(pick):
    return pick.table.set_index("blend").at["soft", "reason"]


def test_a_panel_that_tells_little_is_said_to(analysis):
    evidence = with_scores(analysis, 5.0)
    pick = choose_load(evidence, Rules())
    row = pick.table.set_index("blend").loc["soft"]
    bottom = max(
        analysis.ceiling.of("soft")["lowest_tested_pct"],
        analysis.throw.tested.set_index("blend").at["soft", "lowest_pct"],
    )
    gain, least = gain_told(evidence.throw, "soft", bottom, row["load_pct"])
    assert 0 < gain < least
    assert row["reason"].startswith(KEEPS)
    costs = piece_costs(
        evidence.blends, evidence.piece_g, "soft", np.array([bottom, row["load_pct"]])
    )
    assert row["reason"].endswith(
        f"; a panel like this could hardly tell it from {bottom:.1f} % of wax side by side "
        f"({gain:+.1f} points of throw, where {least:.1f} can be told), which costs "
        f"{costs[0]:.3f} instead of {costs[1]:.3f} a piece"
    )
    assert row["reason"] in pick.sentences["soft"]


def test_numbers_that_look_alike_are_told_apart_and_costs_only_where_known(analysis):
    """A panel whose least difference lies just above the gain."""
    for blur in np.linspace(1.0, 6.0, 101):
        evidence = with_scores(analysis, blur)
        row = choose_load(evidence, Rules()).table.set_index("blend").loc["soft"]
        found = re.search(r"\+([\d.]+) points of throw, where ([\d.]+) can be told", row["reason"])
        if found:
            break
    assert float(found[1]) < float(found[2])
    unpriced = replace(evidence, blends=evidence.blends.assign(wax_price_per_kg=np.nan))
    assert reason(choose_load(unpriced, Rules())).endswith("can be told)")


def test_a_panel_that_tells_it_needs_no_word(analysis):
    pick = choose_load(with_scores(analysis, 0.2), Rules())
    assert reason(pick).startswith(KEEPS) and "hardly" not in reason(pick)


def test_the_load_itself_does_not_depend_on_it(analysis):
    loads = [
        choose_load(with_scores(analysis, blur), Rules()).table["load_pct"].to_numpy(float)
        for blur in (0.2, 5.0)
    ]
    assert loads[0] == pytest.approx(loads[1])
