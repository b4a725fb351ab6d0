"""Pieces left on the warmer in what is shared: pictures, report, package, what is held back."""

import dataclasses
import re

import pytest

from scentlab.choosing.analysis import analyse
from scentlab.sharing.opening import open_package
from scentlab.sharing.package import prepare_package
from scentlab.sharing.redaction import Choices, redact
from scentlab.units import Shown, showing
from scentlab.words.tables import lives_table, losses_table


@pytest.fixture(scope="session")
def fitted(analysis):
    return analysis.longevity


@pytest.fixture(scope="session")
def bare(series, analysis):
    """The same series without any check on the warmer."""
    return analyse(dataclasses.replace(series, warmings=series.warmings[:0]))


class TestReport:
    def test_tables_and_words_have_units_bases_and_intervals(self, fitted):
        lives, losses = lives_table(fitted.throw_life), losses_table(fitted.weights)
        assert lives.headings[-1] == "Hours until it is half (90 % interval)"
        assert losses.headings[-2] == "Weight lost, g (lowest to highest piece)"
        with showing(Shown("oz")):
            in_oz, said = losses_table(fitted.weights), fitted.sentence
        assert in_oz.headings[1:6:4] == ("Load, oz/lb", "Fragrance in a piece, oz")
        assert in_oz.headings[-2] == "Weight lost, oz (lowest to highest piece)"
        for row, one in zip(in_oz.rows, losses.rows, strict=True):
            assert float(row[1]) == pytest.approx(float(one[1]) * 0.16, abs=0.014)
            for cell, grams in zip(row[5:7], one[5:7], strict=True):
                numbers = (list(map(float, re.findall(r"[\d.]+", c))) for c in (cell, grams))
                for ounces, weight in zip(*numbers, strict=True):
                    assert ounces == pytest.approx(weight / 28.349523125, abs=0.0008)
        assert " g in " in fitted.sentence and " oz in " in said and " g" not in said
        assert len(lives.rows) == len(losses.rows) == 3

    def test_the_report_has_them(self, html):
        assert html.count("<figcaption>soft: throw on the warmer at 10.0 % (1.6 oz/lb)") == 1
        assert "time on the warmer, h" in html
        assert "Weight lost is not throw." in html

    def test_nothing_of_it_without_checks(self, bare):
        assert bare.longevity is None and not any("warmer" in n for n in bare.notes)

    def test_checks_that_cannot_be_fitted_are_a_note(self, series):
        few = series.warmings[series.warmings["hours"] <= 1]
        told = analyse(dataclasses.replace(series, warmings=few), draws=200)
        assert told.longevity.throw_life is None and len(told.longevity.weights)
        words = "Throw was scored at 1 h on the warmer only"
        assert any(n.startswith(words) for n in told.longevity.notes)

    def test_the_pick_does_not_look_at_it(self, bare, analysis):
        assert bare.pick.table.equals(analysis.pick.table)


class TestPackage:
    def test_there_and_back(self, package, analysis, tmp_path):
        assert "warmings.csv" in package.files
        path = package.write(tmp_path / "p.zip")
        opened = open_package(path)
        assert opened.analysis.longevity.sentence == package.analysis.longevity.sentence
        assert len(opened.analysis.series.warmings) == len(analysis.series.warmings)

    @pytest.mark.usefixtures("quick")
    def test_absent_without_checks(self, bare):
        assert "warmings.csv" not in prepare_package(bare).files

    def test_left_out_blends_and_codes_of_assessors(self, series):
        choices = Choices(leave_out=("soft",), renumber_assessors=True)
        shared, _ = redact(series, choices)
        assert set(shared.warmings["blend"]) == set(series.blends["blend"]) - {"soft"}
        named = set(shared.warmings["assessor"].dropna())
        assert len(named) == 3 and not named & set(series.warmings["assessor"].dropna())
        assert shared.warmings["weight_g"].notna().sum() == 28

