"""Pieces left on the warmer in what is shared: pictures, report, package, what is held back."""

import dataclasses

import numpy as np
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.fitting.longevity import fit_longevity
from scentlab.sharing import pictures
from scentlab.sharing.opening import open_package
from scentlab.sharing.package import prepare_package
from scentlab.sharing.redaction import Choices, redact
from scentlab.words.tables import lives_table, losses_table


@pytest.fixture(scope="session")
def fitted(analysis):
    return analysis.longevity


@pytest.fixture(scope="session")
def bare(series, analysis):
    """The same series without any check on the warmer."""
    return analyse(dataclasses.replace(series, warmings=series.warmings[:0]))


def legend(ax):
    return [t.get_text() for t in ax.get_legend().get_texts()]


class TestPictures:
    def test_throw_keeps_to_the_hours_tested(self, fitted):
        life = fitted.throw_life
        ax = pictures.plot(life, blend="soft")
        curve = ax.lines[0].get_xdata()
        assert (curve.min(), curve.max()) == (1.0, 12.0)
        assert ax.get_xlabel() == "time on the warmer, h" and ax.get_ylim() == (0, 10)
        assert "at 10.0 % of wax (9.1 % of total)" in ax.get_title(loc="left")
        row = life.half_life(life.blends.index("soft"))
        words = f"half left: {row['hours']:.1f} h\n({row['lower']:.1f} h to {row['upper']:.1f} h)"
        assert words in legend(ax)

    def test_hours_beyond_have_an_arrow(self, series):
        rows = series.warmings[series.warmings["hours"] <= 4]
        ax = pictures.plot(fit_longevity(rows, draws=300), blend="soft")
        assert ">" in [line.get_marker() for line in ax.lines]
        assert any("over 4 h" in words for words in legend(ax))

    def test_all_blends_are_named(self, fitted):
        words = legend(pictures.plot(fitted))
        for blend in fitted.throw_life.blends:
            assert f"{blend}, 10.0 % of wax (9.1 % of total)" in words

    def test_without_throw_the_table_has_the_weights(self, series):
        fit = fit_longevity(series.warmings.assign(throw=np.nan), draws=200)
        with pytest.raises(ValueError, match="^no throw was scored on the warmer; its weights"):
            pictures.plot(fit)


class TestReport:
    def test_tables_and_words_have_units_bases_and_intervals(self, fitted):
        lives, losses = lives_table(fitted.throw_life), losses_table(fitted.weight_loss)
        assert lives.headings[-1] == "Hours until it is half (90 % interval)"
        assert losses.headings[-2] == "Weight lost, g (90 % interval)"
        assert len(lives.rows) == len(losses.rows) == 3

    def test_the_report_has_them(self, html):
        assert html.count("<figcaption>soft: throw on the warmer at 10.0 % (1.6 oz/lb)") == 1
        assert "time on the warmer, h" in html
        assert "The weight lost is not throw." in html

    def test_nothing_of_it_without_checks(self, bare):
        assert bare.longevity is None and not any("warmer" in n for n in bare.notes)

    def test_checks_that_cannot_be_fitted_are_a_note(self, series):
        few = series.warmings[series.warmings["hours"] <= 1]
        told = analyse(dataclasses.replace(series, warmings=few), draws=200)
        assert told.longevity is None
        words = "Pieces were weighed at 0 h and 1 h on the warmer only"
        assert any(n.startswith(words) for n in told.notes)

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

