"""Sweat that was seen at or below a ceiling and that the fitted curve cannot explain."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from scentlab.choosing.ceiling import INSIDE, NONE, _draw_error, find_ceiling
from scentlab.choosing.pick import Evidence, choose_load
from scentlab.fitting.checks import sweat_seen_early
from scentlab.fitting.sweat import fit_sweat

LOADS = (4.0, 6.0, 8.0, 10.0, 12.0, 14.0)


def looks(change=lambda grade, load, pot, i: grade):
    """Two blends alike, two pots each, six pieces a pour: dry to 8 %, one dry at 10 %, wet above.

    ``change`` is of the blend soft alone; the other one shows how sharply sweat begins.
    """
    rows = []
    for pot in ("P1", "P2", "P3", "P4"):
        for load in LOADS:
            for i in range(6):
                grade = 3 if load > 11 or (load > 9 and i) else 0
                blend = "soft" if pot < "P3" else "hard"
                grade = change(grade, load, pot, i) if blend == "soft" else grade
                rows.append((f"{len(rows):03d}", f"{pot}-{load:g}", pot, blend, load, "rest",
                             grade))
    columns = ["code", "pour", "pot", "blend", "load_pct", "stress", "grade"]
    return pd.DataFrame(rows, columns=columns)


def pooled_at_six(grade, load, pot, i):
    return 4 if load == 6.0 and pot == "P1" and i < 1 else grade


def fit(frame):
    return fit_sweat(frame, {"soft": 10.0, "hard": 10.0}, draws=1000)


class TestCeiling:
    def test_it_is_held_below_sweat_that_the_curve_does_not_explain(self):
        calm, odd = (find_ceiling(fit(looks(*c))).of("soft") for c in ([], [pooled_at_six]))
        assert calm["ceiling_load_pct"] > 6.5
        assert odd["state"] == INSIDE and odd["ceiling_load_pct"] == 4.0

    def test_the_note_counts_the_pieces_and_says_what_to_do(self):
        notes = find_ceiling(fit(looks(pooled_at_six))).notes
        assert notes[0].startswith(
            "1 of 24 pieces of soft at 6.0 % of wax (5.7 % of total) or less reached sweat grade "
            "2, where the fit expects 0."
        )
        assert notes[0].endswith(
            "so the ceiling is held at 4.0 % of wax (3.8 % of total), below them: look up how "
            "they were poured and graded, and pour these loads again."
        )

    def test_no_load_is_left_where_the_lowest_load_sweated(self):
        frame = looks(lambda grade, load, pot, i: 4 if load == 4.0 and i < 1 else grade)
        ceiling = find_ceiling(fit(frame))
        assert ceiling.of("soft")["state"] == NONE
        assert "no load below them is left to pick" in ceiling.notes[0]

    def test_sweat_that_the_curve_expects_changes_nothing(self):
        """One trace, a grade under the limit, at 8 %, next to where sweat begins."""
        frame = looks(lambda g, load, pot, i: 1 if load == 8.0 and pot == "P1" and i < 1 else g)
        ceiling = find_ceiling(fit(frame))
        assert ceiling.of("soft")["ceiling_load_pct"] > 6.0
        assert not any("does not explain" in n for n in ceiling.notes)


class TestEarly:
    def test_the_chance_is_a_binomial_tail_where_all_is_certain(self):
        """Every draw the same, pots alike, nothing misread: k of n under one load is binomial."""
        known = fit(looks(lambda g, load, pot, i: 2 if load == 4.0 and i < 1 else g))
        at = known.weights.argmax()
        draw = known.draws[[at]].copy()
        draw[:, known.layout["log_sigma"][0]] = -20.0
        draw[:, known.layout["logit_misread"][0]] = -30.0
        one = replace(
            known, draws=np.repeat(draw, 2, axis=0), weights=np.full(2, 0.5),
            draw_link=known.draw_link[[at, at]],
        )
        early = sweat_seen_early(one, "soft", 4.0, repeats=40000)
        risk = early.expected / early.pieces
        tail = stats.binom.sf(early.wet - 1, early.pieces, risk)
        assert early.wet == 2 and early.pieces == 12
        assert early.chance == pytest.approx(tail, abs=4 * np.sqrt(tail / 40000) + 1e-4)

    def test_nothing_seen_is_no_surprise(self):
        early = sweat_seen_early(fit(looks()), "soft", 8.0)
        assert (early.pieces, early.wet, early.chance) == (36, 0, 1.0)

    def test_a_worse_grade_is_a_greater_surprise(self):
        """One piece at 6 %: pooled oil is less likely there than a film."""
        film, pool = (
            sweat_seen_early(
                fit(looks(lambda g, load, pot, i, as_=grade:
                          as_ if load == 6.0 and pot == "P1" and i < 1 else g)),
                "soft", 6.0,
            ).chance
            for grade in (2, 4)
        )
        assert pool < film


class TestSentence:
    def picked(self, frame):
        blends = pd.DataFrame(
            {"blend": ["soft"], "limit_load_pct": [np.nan], "limit_content_pct": [np.nan]}
        )
        return choose_load(Evidence(fit(frame[frame["blend"] == "soft"]), None, None, blends))

    def test_it_counts_the_pieces_seen_at_the_pick_or_less(self):
        pick = self.picked(looks())
        row = pick.table.iloc[0]
        assert row["wet_below"] == 0 and row["pieces_below"] == 12 * sum(
            x <= row["load_pct"] + 0.05 for x in LOADS
        )
        words = f"None of {row['pieces_below']} pieces at room temperature sweated (grade 2"
        assert words in pick.sentence

    def test_all_dry_says_what_the_pieces_alone_leave_possible(self):
        """0 of n: 1 - 0.05^(1/n), about 3 / n (Hanley and Lippman-Hand 1983)."""
        pick = self.picked(looks(lambda *a: 0))
        row = pick.table.iloc[0]
        near = 12 * sum(x >= row["load_pct"] - 0.05 for x in LOADS)
        assert row["dry_bound"] == pytest.approx(stats.beta.ppf(0.95, 1, near), rel=1e-9)
        assert row["dry_bound"] == pytest.approx(3 / near, rel=0.15)
        assert "No piece sweated at any load: the dry pieces at this load or more leave up to " in (
            pick.sentence
        )
        assert np.isnan(self.picked(looks()).table.iloc[0]["dry_bound"])


def test_sweat_that_falls_with_load_is_said():
    turned = looks(lambda grade, load, pot, i: 3 if load < 7 else 0)
    assert any(n.startswith("Sweat of soft falls as the load rises") for n in fit(turned).notes)
    assert not any("falls" in n for n in fit(looks()).notes)


class TestDrawError:
    def test_it_is_the_spread_of_the_quantile_over_new_draws(self):
        """5 % point of 400 normal draws, equally weighted: what 2,000 repetitions show."""
        rng = np.random.default_rng(1)
        weights = np.full(400, 1 / 400)
        lots = rng.standard_normal((2000, 400))
        seen = np.quantile(lots, 0.05, axis=1).std()
        told = np.mean([_draw_error(lot, weights, 0.05) for lot in lots[:200]])
        assert told == pytest.approx(seen, rel=0.15)
        # the textbook's: sqrt(p (1 - p) / n) over the density there
        assert seen == pytest.approx(np.sqrt(0.05 * 0.95 / 400) / stats.norm.pdf(-1.645), rel=0.1)

    def test_a_heavy_draw_makes_it_larger(self):
        rng = np.random.default_rng(2)
        values, even = rng.standard_normal(1000), np.full(1000, 1e-3)
        uneven = rng.pareto(2.5, 1000)
        assert _draw_error(values, uneven / uneven.sum(), 0.05) > _draw_error(values, even, 0.05)

    def test_it_is_said(self):
        notes = find_ceiling(fit(looks())).notes
        assert notes[-1].startswith("Drawn anew, the posterior would move these ceilings by about ")
