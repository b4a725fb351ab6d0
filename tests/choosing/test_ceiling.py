"""The ceiling: a lower limit for a new pot, kept inside the loads tested."""

from dataclasses import replace

import numpy as np
import pytest

from scentlab.choosing.ceiling import INSIDE, NONE, OPEN_ABOVE, find_ceiling
from scentlab.choosing.rules import Rules
from scentlab.fitting.sweat import fit_sweat, load_at_risk_draws
from scentlab.maths.sampling import weighted_quantile
from scentlab.units import content_from_load


class TestDefinition:
    def test_it_is_the_lower_quantile_of_the_load_at_risk(self, analysis):
        fit = analysis.sweat
        for risk, confidence, grade in ((0.05, 0.95, 2), (0.10, 0.80, 1)):
            rules = Rules(risk=risk, confidence=confidence, limit_grade=grade)
            draws = load_at_risk_draws(fit, risk, grade)
            table = find_ceiling(fit, rules).table
            for b, row in enumerate(table.itertuples()):
                low = weighted_quantile(draws[:, b], fit.weights, 1 - confidence)
                capped = min(low, row.highest_tested_pct)
                assert row.ceiling_load_pct == pytest.approx(capped, rel=1e-9)

    def test_content_is_the_other_basis_of_the_same_load(self, analysis):
        table = analysis.ceiling.table
        assert table["ceiling_content_pct"].to_numpy() == pytest.approx(
            content_from_load(table["ceiling_load_pct"].to_numpy())
        )

    def test_stricter_rules_lower_it(self, analysis):
        def soft(**change):
            return find_ceiling(analysis.sweat, Rules(**change)).of("soft")["ceiling_load_pct"]

        assert soft(risk=0.02) < soft() < soft(risk=0.10)
        assert soft(confidence=0.99) < soft() < soft(confidence=0.80)
        assert soft(limit_grade=1) < soft() < soft(limit_grade=3)

    def test_order_of_the_limits(self, analysis):
        for row in analysis.ceiling.table.itertuples():
            assert row.load_at_risk_lower_pct < row.load_at_risk_pct < row.load_at_risk_upper_pct
            assert row.state == INSIDE

    def test_pots_that_differ_lower_it_below_that_of_the_typical_pot(self, analysis):
        """The tempting mistake: the risk of a typical pot in place of that of a new one."""
        fit = analysis.sweat
        typical = replace(fit, draws=fit.draws.copy())
        typical.draws[:, list(fit.names).index("log sd between pots")] = -20.0
        for blend in fit.blends:
            right, wrong = (find_ceiling(f).of(blend)["ceiling_load_pct"] for f in (fit, typical))
            assert right < wrong - 0.05


class TestInsideTheTestedLoads:
    def test_never_above_the_highest_load_tested(self, analysis):
        easy = find_ceiling(analysis.sweat, Rules(risk=0.5, confidence=0.5, limit_grade=4))
        row = easy.of("hard")
        assert row["load_at_risk_lower_pct"] > row["highest_tested_pct"]
        assert row["ceiling_load_pct"] == row["highest_tested_pct"]
        assert row["state"] == OPEN_ABOVE
        top = f"{row['highest_tested_pct']:.1f} % of wax"
        assert any(
            n.startswith(f"hard kept the risk at every load tested; nothing is claimed above {top}")
            for n in easy.notes
        )
        assert f"hard: at least {top}" in easy.sentence

    def test_all_dry_with_many_pieces(self, looks_of):
        fit = fit_sweat(looks_of(lambda *a: 0, pots=4, pieces=15), {"soft": 10.0}, draws=500)
        row = find_ceiling(fit).of("soft")
        assert row["state"] == OPEN_ABOVE and row["ceiling_load_pct"] == 16.0
        assert "soft: at least 16.0 % of wax (13.8 % of total), nothing tested above" in (
            find_ceiling(fit).sentence
        )

    def test_all_dry_with_few_pieces_holds_less_than_the_highest_load(self, looks_of):
        frame = looks_of(lambda *a: 0, pots=1, pieces=2)
        ceiling = find_ceiling(fit_sweat(frame, {"soft": 10.0}, draws=500))
        row = ceiling.of("soft")
        assert row["ceiling_load_pct"] < 16.0 or row["state"] == NONE

    def test_nothing_tested_above_is_only_said_where_it_is_true(self, looks_of):
        fit = fit_sweat(looks_of(lambda *a: 0), {"soft": 10.0}, draws=500)
        row = find_ceiling(fit).of("soft")
        assert row["ceiling_load_pct"] < 16.0
        assert row["state"] != OPEN_ABOVE

    def test_all_wet(self, looks_of):
        fit = fit_sweat(looks_of(lambda *a: 3), {"soft": 10.0}, draws=500)
        ceiling = find_ceiling(fit)
        row = ceiling.of("soft")
        assert row["state"] == NONE and np.isnan(row["ceiling_load_pct"])
        assert ceiling.notes == (
            "Not even the lowest load tested of soft, 6.0 % of wax (5.7 % of total), is shown to "
            "keep the risk under 5 % (8 of 8 pieces there reached sweat grade 2): test lower "
            "loads or more pots.",
        )
        assert ceiling.sentence == (
            "Highest load with at most 5 % chance of sweat grade 2 or worse for a piece of a new "
            "pot (rest), held with 95 % confidence: soft: no tested load qualifies."
        )

    def test_a_blend_not_looked_at_under_the_stress(self, looks_of):
        def grade(b, k, x, s, i):
            return 3 if x + (s == "heat") - 3 * (b == "hard") > 10 else 0

        both = looks_of(grade, blends=("soft", "hard"), heat=True)
        frame = both[(both["blend"] == "soft") | (both["stress"] == "rest")]
        ceiling = find_ceiling(fit_sweat(frame, {"soft": 10.0, "hard": 10.0}, draws=500))
        assert ceiling.stress == "heat" and ceiling.of("hard")["state"] == NONE
        assert "No piece of hard was graded after heat, so it has no ceiling there." in (
            ceiling.notes
        )

    def test_loads_tested_under_the_deciding_stress_are_what_counts(self, looks_of):
        """Heat was tried up to 10 only: the ceiling in heat does not pass 10."""
        frame = looks_of(lambda b, k, x, s, i: 3 if x > 15 else 0, heat=True, pieces=8)
        frame = frame[(frame["stress"] == "rest") | (frame["load_pct"] <= 10)]
        row = find_ceiling(fit_sweat(frame, {"soft": 10.0}, draws=500)).of("soft")
        assert row["highest_tested_pct"] == 10.0 and not row["ceiling_load_pct"] > 10.0
