"""Cost of a piece and what the pick saves against today's load: arithmetic by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import what_if
from scentlab.choosing.pick import choose_load
from scentlab.choosing.rules import Rules
from scentlab.choosing.saving import LEFT_OUT, piece_costs, saving_words
from scentlab.sharing.redaction import Choices, redacted_rules
from scentlab.words.tables import pick_table, tradeoff_table

PRICES = {"wax_price_per_kg": 10.0, "fragrance_price_per_kg": 60.0}


def test_by_hand():
    """25 % of wax is 20 % of total: 20 g and 5 g of a 25 g piece, 0.20 + 0.30. Without: 0.25."""
    loads = np.array([0.0, 25.0])
    assert piece_costs(PRICES, 25.0, loads) == pytest.approx([0.25, 0.50])


def test_what_is_not_known_is_missing():
    assert np.isnan(piece_costs(PRICES, None, 12.0))
    assert np.isnan(piece_costs(PRICES | {"fragrance_price_per_kg": np.nan}, 25.0, 12.0))


@pytest.mark.parametrize(
    "saving, words",
    [
        (12.4, "saves 12.40 EUR per 1,000 pieces against today's 12.0 % (1.92 oz/lb)"),
        (
            -3456.4,
            "costs 3,456 EUR more per 1,000 pieces against today's 12.0 % (1.92 oz/lb)",
        ),
        (0.004, "costs the same as today's 12.0 % (1.92 oz/lb)"),
        (
            np.nan,
            "the saving against today's 12.0 % (1.92 oz/lb) is not known: a price or the weight of "
            "a piece is missing",
        ),
    ],
)
def test_in_words(saving, words):
    assert saving_words(saving, 12.0, "EUR") == words


class TestPick:
    def test_the_pick_says_what_it_saves(self, analysis):
        evidence = replace(analysis, series=replace(analysis.series, currency="EUR"))
        pick = choose_load(evidence, Rules(today_load_pct=12.0), analysis.ceiling)
        rows = pick.table.set_index("blend")
        load = rows.at["soft", "load_pct"]
        # By hand: 20 g pieces, wax 8 and fragrance 40 a kg.
        cost = [20.0 / 1000 * (100 * 8 + x * 40) / (100 + x) for x in (12.0, load)]
        assert rows.at["soft", "saving_per_1000"] == pytest.approx(1000 * (cost[0] - cost[1]))
        assert pick.sentences["soft"].endswith(
            f". Saves {1000 * (cost[0] - cost[1]):.2f} EUR per 1,000 pieces against today's 12.0 % "
            "(1.92 oz/lb)."
        )
        assert LEFT_OUT in pick.notes

    def test_the_choice_does_not_depend_on_it(self, analysis):
        other = what_if(analysis, today_load_pct=12.0)
        same = [c for c in analysis.pick.table if c != "saving_per_1000"]
        pd.testing.assert_frame_equal(other.table[same], analysis.pick.table[same])
        assert LEFT_OUT not in analysis.pick.notes


class TestTables:
    def test_told_only_where_it_was_asked_for(self, analysis):
        rules = Rules(today_load_pct=6.0)
        told = replace(analysis, rules=rules, pick=what_if(analysis, today_load_pct=6.0))
        assert pick_table(analysis).headings[-1] == "Cost a piece"
        assert pick_table(told).headings[-1] == (
            "Cost a piece (saved per 1,000 pieces)"
        )
        own = told.pick.tradeoff[told.pick.tradeoff["blend"] == "soft"].sort_values("load_pct")
        cells = [row[-1] for row in tradeoff_table(told, "soft").rows]
        for cell, saving in zip(cells, own["saving_per_1000"], strict=True):
            assert cell.endswith(f"\n({'−' if saving < 0 else ''}{abs(saving):.2f})")
        assert own["saving_per_1000"].iloc[0] > 0 > own["saving_per_1000"].iloc[-1]

    def test_it_stays_at_home_with_the_costs(self):
        rules = Rules(today_load_pct=12)
        assert redacted_rules(rules, Choices(hide_costs=True)).today_load_pct is None


@pytest.mark.parametrize("held", [
    {"hide_notes": True}, {"hide_fragrance": True}, {"leave_out": ("soft",)}])
def test_the_reason_stays_at_home_with_what_it_may_name(held):
    rules = Rules(override_blends=("soft", "hard"), override_reason="Vellimir agreed")
    assert redacted_rules(rules, Choices()) == rules
    found = redacted_rules(rules, Choices(**held))
    assert found.override_reason == "[not shared]" and "hard" in found.override_blends
    assert ("soft" in found.override_blends) == ("leave_out" not in held)
