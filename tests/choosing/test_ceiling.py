"""The ceiling: a lower limit for a new pot, kept inside the loads tested."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from scentlab.choosing.ceiling import DRY, INSIDE, NONE, OPEN_ABOVE, UNLIKELY, find_ceiling
from scentlab.choosing.rules import Rules
from scentlab.fitting.sweat import fit_sweat, load_at_risk_draws, sweat_risk
from scentlab.maths.sampling import weighted_quantile
from scentlab.units import content_from_load


def quick_fit(frame):
    """A fit with limits of 10 % and no more draws than asked for."""
    return fit_sweat(frame, dict.fromkeys(frame["blend"], 10.0), draws=500, precise=None)


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
        typical.draws[:, fit.model.places["sigma"]] = -20.0  # a normal score
        for blend in fit.blends:
            right, wrong = (find_ceiling(f).of(blend)["ceiling_load_pct"] for f in (fit, typical))
            assert right < wrong - 0.05


def with_wet(fit, load, number):
    """The fit as it is, its counts with so many more pieces of soft pooled (grade 4) at a load."""
    counts = fit.counts.copy()
    for i in counts.index[(counts["blend"] == "soft") & (abs(counts["load_pct"] - load) < 0.2)]:
        now = min(number, counts.at[i, "g0"])
        counts.loc[i, ["g0", "g4"]] += [-now, now]
        number -= now
    return replace(fit, counts=counts)


class TestHeldBelowSweat:
    """Soft: 15 pieces poured at each load, 30 up to 7 %, all dry; its ceiling lies above 8 %."""

    @pytest.mark.parametrize("number", range(9))
    def test_as_many_as_the_risk_hardly_ever_gives(self, analysis, number):
        """k of 30 at a risk of 5 %, by scipy's binomial: 5 or more has 1.6 %, 6 or more 0.3 %."""
        free = analysis.ceiling.of("soft")["ceiling_load_pct"]
        row = find_ceiling(with_wet(analysis.sweat, 7.0, number)).of("soft")
        held = stats.binom.sf(number - 1, 30, 0.05) < UNLIKELY
        assert held == (number > 5) and free > 8.0
        assert row["state"] == INSIDE
        assert row["ceiling_load_pct"] == pytest.approx(5.0 if held else free)
        if held:
            assert row["ceiling_content_pct"] == pytest.approx(500 / 105)

    def test_another_risk_has_another_number(self, analysis):
        """At a risk of 20 % it takes 12 of 30: 11 or more have 2.6 %, 12 or more 0.95 %."""
        rules = Rules(risk=0.2)
        for number, held in ((11, False), (12, True)):
            assert (stats.binom.sf(number - 1, 30, 0.2) < UNLIKELY) == held
            fit = with_wet(analysis.sweat, 7.0, number)
            assert (find_ceiling(fit, rules).of("soft")["ceiling_load_pct"] == 5.0) == held

    def test_lighter_sweat_than_the_limit_does_not_count(self, analysis):
        fit = with_wet(analysis.sweat, 7.0, 8)
        fit.counts[["g1", "g4"]] = fit.counts[["g4", "g1"]].to_numpy()
        free = analysis.ceiling.of("soft")["ceiling_load_pct"]
        assert find_ceiling(fit).of("soft")["ceiling_load_pct"] == free

    def test_the_note_counts_the_pieces_and_says_what_to_do(self, analysis):
        assert find_ceiling(with_wet(analysis.sweat, 7.0, 6)).notes[0] == (
            "6 of 30 pieces of soft at 7.0 % of wax (6.5 % of total) or less reached sweat grade "
            "2: more than a risk of 5 % allows, so the highest safe load is held below them, at "
            "5.0 % of wax (4.7 % of total). Check how they were poured and graded, and pour these "
            "loads again."
        )

    def test_no_load_is_left_where_the_lowest_load_sweated(self, analysis):
        """4 of 15: 0.5 %; 3 of 15: 3.6 %."""
        assert stats.binom.sf(3, 15, 0.05) < UNLIKELY < stats.binom.sf(2, 15, 0.05)
        ceiling = find_ceiling(with_wet(analysis.sweat, 5.0, 4))
        row = ceiling.of("soft")
        assert row["state"] == NONE
        assert np.isnan(row["ceiling_load_pct"]) and np.isnan(row["ceiling_content_pct"])
        assert "no lower load is left to choose" in ceiling.notes[0]
        assert find_ceiling(with_wet(analysis.sweat, 5.0, 3)).of("soft")["state"] == INSIDE


class TestLimitGrade:
    def test_it_is_the_same_grade_seen_or_not(self, demo):
        """Sweat up to grade 1 only, then with one film at the top: more sweat, no more load."""
        limits = dict(zip(demo.blends["blend"], demo.blends["limit_load_pct"], strict=True))
        seen = demo.sweat()
        light = seen.assign(grade=seen["grade"].clip(upper=1))
        worst = seen[(seen["blend"] == "soft") & (seen["load_pct"] > 13) & (seen["grade"] >= 2)]
        one = light.copy()
        one.loc[worst.index[0], "grade"] = 2
        never, once, often = (
            find_ceiling(fit_sweat(f, limits, draws=1000, precise=None)).table.set_index("blend")
            for f in (light, one, seen)
        )
        for fewer, more in ((never, once), (once, often)):
            room = 4.0 * np.hypot(fewer["error_pct"], more["error_pct"])
            assert (fewer["ceiling_load_pct"] > more["ceiling_load_pct"] - room).all()

    def test_a_grade_that_nobody_saw_is_said(self, looks_of):
        frame = looks_of(lambda b, k, x, s, i: int(x > 13))
        notes = find_ceiling(quick_fit(frame)).notes
        assert notes[0] == (
            "No piece reached sweat grade 2. How much more fragrance that takes rests on what is "
            "usual and on the pieces below that grade."
        )


class TestInsideTheTestedLoads:
    def test_never_above_the_highest_load_tested(self, analysis):
        easy = find_ceiling(analysis.sweat, Rules(risk=0.5, confidence=0.5, limit_grade=4))
        row = easy.of("hard")
        assert row["load_at_risk_lower_pct"] > row["highest_tested_pct"]
        assert row["ceiling_load_pct"] == row["highest_tested_pct"]
        assert row["state"] == OPEN_ABOVE
        top = f"{row['highest_tested_pct']:.1f} % of wax"
        assert any(
            n.startswith("hard stayed within the risk at every load tested; nothing is claimed "
                         f"above {top}")
            for n in easy.notes
        )
        assert f"hard: at least {top}" in easy.sentence

    def test_all_dry_with_many_pieces(self, looks_of):
        fit = quick_fit(looks_of(lambda *a: 0, pots=4, pieces=15))
        row = find_ceiling(fit).of("soft")
        assert row["state"] == OPEN_ABOVE and row["ceiling_load_pct"] == 16.0
        assert "soft: at least 16.0 % of wax (13.7 % of total)." in (
            find_ceiling(fit).sentence
        )

    def test_all_dry_with_few_pieces_holds_less_than_the_highest_load(self, looks_of):
        frame = looks_of(lambda *a: 0, pots=1, pieces=2)
        ceiling = find_ceiling(quick_fit(frame))
        row = ceiling.of("soft")
        assert row["ceiling_load_pct"] < 16.0 or row["state"] == NONE

    def test_nothing_tested_above_is_only_said_where_it_is_true(self, looks_of):
        fit = quick_fit(looks_of(lambda *a: 0))
        row = find_ceiling(fit).of("soft")
        assert row["ceiling_load_pct"] < 16.0
        assert row["state"] != OPEN_ABOVE

    def test_all_wet(self, looks_of):
        fit = quick_fit(looks_of(lambda *a: 3))
        ceiling = find_ceiling(fit)
        row = ceiling.of("soft")
        assert row["state"] == NONE and np.isnan(row["ceiling_load_pct"])
        assert ceiling.notes == (
            "Not even the lowest load tested of soft, 6.0 % of wax (5.7 % of total), is shown to "
            "keep the risk under 5 % (8 of 8 pieces there reached sweat grade 2).",
        )
        assert ceiling.sentence == (
            "Highest load with at most 5 % chance of sweat grade 2 or worse for a piece from a new "
            "pot (rest), 95 % sure: soft: no tested load qualifies."
        )

    def test_a_blend_not_looked_at_under_the_stress(self, looks_of):
        def grade(b, k, x, s, i):
            return 3 if x + (s == "heat") - 3 * (b == "hard") > 10 else 0

        both = looks_of(grade, blends=("soft", "hard"), heat=True)
        frame = both[(both["blend"] == "soft") | (both["stress"] == "rest")]
        ceiling = find_ceiling(quick_fit(frame))
        assert ceiling.stress == "heat" and ceiling.of("hard")["state"] == NONE
        said = "No piece of hard was graded after heat, so it has no highest safe load for that."
        assert said in ceiling.notes

    def test_pieces_that_sweat_earlier_at_room_temperature_decide(self, looks_of):
        """Heat here dries pieces, by 4 points; a blend that has no others has no load."""
        frame = looks_of(lambda b, k, x, s, i: 3 if x - 4 * (s == "heat") > 10 else 0,
                         blends=("soft", "hard"), heat=True)
        fit = quick_fit(frame)
        found, heat = find_ceiling(fit), find_ceiling(fit, Rules(stress="heat"))
        assert found.stress == "rest" and found.of("soft")["ceiling_load_pct"] < 11
        assert heat.of("soft")["ceiling_load_pct"] > found.of("soft")["ceiling_load_pct"] + 2
        assert sweat_risk(fit, "soft", [11.0]).equals(sweat_risk(fit, "soft", [11.0], 2, "rest"))
        lacking = frame[(frame["blend"] == "soft") | (frame["stress"] == "heat")]
        found = find_ceiling(quick_fit(lacking))
        assert found.of("soft")["ceiling_load_pct"] < 11 and found.of("hard")["state"] == NONE

    def test_sweat_of_pieces_kept_otherwise_is_no_series_without_sweat(self, looks_of):
        frame = looks_of(lambda b, k, x, s, i: 3 * (s == "rest" and x > 15 and i == 0), heat=True)
        found = find_ceiling(quick_fit(frame), Rules(stress="heat"))
        assert found.of("soft")["state"] == INSIDE and "No piece of soft sweated" not in "".join(
            found.notes)

    def test_loads_tested_under_the_deciding_stress_are_what_counts(self, looks_of):
        """Heat was tried up to 10 only: the ceiling in heat does not pass 10."""
        frame = looks_of(lambda b, k, x, s, i: 3 if x > 15 else 0, heat=True, pieces=8)
        frame = frame[(frame["stress"] == "rest") | (frame["load_pct"] <= 10)]
        row = find_ceiling(quick_fit(frame)).of("soft")
        assert row["highest_tested_pct"] == 10.0 and not row["ceiling_load_pct"] > 10.0


def test_the_error_of_a_load_that_dry_pieces_leave_is_said_too(looks_of):
    fit = fit_sweat(looks_of(lambda *_: 0, pots=1, loads=(4, 6, 8)), draws=200, precise=None)
    found = find_ceiling(fit)
    row = found.table.iloc[0]
    assert row["state"] == DRY and row["ceiling_load_pct"] < 8 and row["error_pct"] > 0.03
    assert f"by about {row['error_pct']:.2f} points of load (% of wax) either" in found.notes[-1]
