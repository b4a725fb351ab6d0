"""Whatever small series import accepts: an answer in words, no warning, no error from inside."""

import re
import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from scentlab.choosing.analysis import analyse
from scentlab.results import FitError
from scentlab.series import BLEND_COLUMNS, Series, tidy, tidy_pours
from scentlab.sharing.report import report_html

DRAWS = 1000  # fewer send many small series to the slow sampler
SAID_BY_ACCIDENT = re.compile(r"\bnan\b|\bNone\b(?! of)|\binf\b|\.\.(?!\.)|<NA>|  ", re.ASCII)
GRADED = ("mixed", "dry", "wet", "pooled", "none", "missing")
SCORED = ("mixed", "same", "nothing", "full")


@dataclass(frozen=True)
class Shape:
    """What a series is made of; sizes are those of each blend."""

    seed: int
    blends: int
    loads: int
    pots: int
    pieces: int
    testers: int
    sessions: int
    stresses: tuple
    ages: tuple
    sweat: str
    frost: str
    throw: str
    weighed: str
    without: tuple
    one_piece: bool

    @property
    def series(self):
        rng = np.random.default_rng(self.seed)
        pours = self._pours(rng)
        pieces = [p for p in pours["pour"] for _ in range(self.pieces)][: 1 if self.one_piece else
                                                                        None]
        pieces = pd.DataFrame({"code": [f"{i:03d}" for i in range(len(pieces))], "pour": pieces})
        pieces = pieces.merge(pours[["pour", "blend", "load_pct"]], on="pour")
        names = list(dict.fromkeys(pours["blend"]))
        blends = pd.DataFrame({"blend": names}).reindex(columns=list(BLEND_COLUMNS))
        known = rng.random() < 0.5
        blends["limit_load_pct"] = 10.0 if known else np.nan
        return Series(
            "a small series", "invented fragrance", pours,
            tidy("grades", self._grades(pieces, rng), pours),
            tidy("throws", self._throws(pieces, rng), pours), blends, invented=True,
            piece_g=20.0 if known else None,
        )

    def _pours(self, rng):
        loads = np.sort(rng.choice(np.arange(4.0, 16.0, 0.5), self.loads, replace=False))
        rows = [
            (f"{b}{k}-{i}", f"{b}{k}", f"blend {b}", 100.0, x)
            for b in "ABC"[: self.blends] for k in range(self.pots) for i, x in enumerate(loads)
        ]
        pours = pd.DataFrame(rows, columns=["pour", "pot", "blend", "wax_g", "fragrance_g"])
        pours["fragrance_g"] += np.round(rng.normal(0.0, 0.05, len(pours)), 1)
        if self.weighed == "some":
            pours.loc[rng.random(len(pours)) < 0.4, "fragrance_g"] = np.nan
        elif self.weighed == "unscented":
            pours["fragrance_g"] = 0.0
        return tidy_pours(pours)

    def _grades(self, pieces, rng):
        rows = []
        for piece in pieces.to_dict("records"):
            wet = 0.0
            for stress in self.stresses:
                for age in self.ages:
                    wet = max(wet, np.nan_to_num(piece["load_pct"] - 9.0) + rng.logistic())
                    for test, how in (("sweat", self.sweat), ("frost", self.frost)):
                        blend = "blend A" if test == "sweat" else "blend B"
                        alone = self.without[test == "frost"] and piece["blend"] == blend
                        if how != "none" and not alone:
                            rows.append((piece["code"], piece["pour"], test, stress, age, None,
                                         self._grade(how, wet, rng)))
        looks = pd.DataFrame(rows, columns=[
            "code", "pour", "test", "stress", "age_days", "assessor", "grade"])
        return looks.astype({"grade": "Int64"})

    @staticmethod
    def _grade(how, wet, rng):
        fixed = {"dry": 0, "wet": int(rng.integers(1, 5)), "pooled": 4, "missing": None}
        return fixed.get(how, int(np.clip(np.ceil(wet / 1.5), 0, 4)))

    def _throws(self, pieces, rng):
        rows = []
        for s in range(self.sessions):
            for t in range(self.testers):
                for place, piece in enumerate(pieces.to_dict("records"), 1):
                    free = np.nan_to_num(piece["load_pct"]) / 3.0 + rng.normal(0.0, 1.0)
                    score = {"same": 5.0, "nothing": 0.0, "full": 10.0}.get(
                        self.throw, float(np.clip(np.round(free, 1), 0.0, 10.0)))
                    rows.append((piece["code"], piece["pour"], f"A{t + 1}", f"S{s + 1}", "warm",
                                 30.0, place, None, score))
        return pd.DataFrame(rows, columns=[
            "code", "pour", "assessor", "sitting", "kind", "minutes", "position",
            "works_with_fragrance", "throw"])


SHAPES = st.builds(
    Shape,
    seed=st.integers(0, 10**6),
    blends=st.integers(1, 2),
    loads=st.integers(1, 4),
    pots=st.integers(1, 3),
    pieces=st.integers(1, 3),
    testers=st.integers(0, 3),
    sessions=st.integers(1, 2),
    stresses=st.sampled_from([("rest",), ("rest", "heat"), ("heat",), (None,)]),
    ages=st.sampled_from([(7.0,), (None,), (1.0, 14.0), (2.0, None, 30.0)]),
    sweat=st.sampled_from(GRADED),
    frost=st.sampled_from(GRADED),
    throw=st.sampled_from(SCORED),
    weighed=st.sampled_from(["all", "all", "all", "some", "unscented"]),
    without=st.tuples(st.booleans(), st.booleans()),
    one_piece=st.sampled_from([False, False, False, False, True]),
)


def answer(shape):
    """The analysis of a series, or None where nothing of sweat can be fitted and it says so."""
    series = shape.series
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            analysis = analyse(series, draws=DRAWS, precise=None)
        except FitError as error:
            _must_be_a_sentence(str(error))
            seen = series.sweat().dropna(subset=["grade", "load_pct"])
            assert seen.empty, f"there is sweat to fit, but: {error}"
            return None
        said = [
            analysis.pick.sentence, repr(analysis), analysis.ceiling.sentence,
            *analysis.pick.sentences.values(), *analysis.notes, *analysis.pick.notes,
            *analysis.ceiling.notes, *analysis.sweat.notes, analysis.sweat.sentence,
            *([analysis.throw.sentence, *analysis.throw.notes] if analysis.throw else []),
            *([analysis.frost.sentence, *analysis.frost.notes] if analysis.frost else []),
        ]
    for words in said:
        _must_be_a_sentence(words)
    _must_be_whole(shape, analysis)
    return analysis


def _must_be_a_sentence(words):
    assert words.rstrip("> \n").endswith((".", ")", ":")), words
    assert not SAID_BY_ACCIDENT.search(words), words


def _must_be_whole(shape, analysis):
    """Every blend that was graded has its row, and what is not fitted says why."""
    graded = analysis.series.sweat().dropna(subset=["grade", "load_pct"])["blend"]
    assert set(analysis.pick.table["blend"]) == set(graded)
    given_load = analysis.pick.table["load_pct"].dropna()
    assert np.isfinite(given_load).all()
    if analysis.throw is None and shape.testers:
        assert analysis.no_throw
    if analysis.frost is None and len(analysis.series.frost()):
        assert analysis.no_frost
    assert np.isfinite(analysis.sweat.draws).all()
    assert np.isclose(analysis.sweat.weights.sum(), 1.0)


def many(examples):
    """So many examples, the same on every run; a failing one is shown as it came, not shrunk."""
    return settings(
        max_examples=examples, deadline=None, derandomize=True,
        phases=(Phase.explicit, Phase.reuse, Phase.generate),
        suppress_health_check=[HealthCheck.too_slow],
    )


@many(8)
@given(SHAPES)
def test_every_small_series_has_an_answer(shape):
    answer(shape)


@pytest.mark.calibration
@many(2000)
@given(SHAPES)
def test_every_one_of_many_small_series_has_an_answer(shape):
    answer(shape)


@many(2)
@given(SHAPES)
def test_every_small_series_has_a_report(shape):
    analysis = answer(shape)
    if analysis is not None:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            page = report_html(analysis)
        words = re.sub(r"<(style|script|svg).*?</\1>|<[^>]*>|data:[^\"]*", " ", page, flags=re.S)
        assert not re.search(r"\bnan\b|\bNone\b(?! of)|<NA>", words)
