"""The frost fit: recovery, covariates, what is refused, degenerate looks."""

import numpy as np
import pandas as pd
import pytest
from scipy import special

from scentlab.fitting.frost import fit_frost, frost_risk
from scentlab.results import FitError
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth(
    {"soft": BlendTruth(9.0, frost=-1.0), "hard": BlendTruth(12.0, frost=1.0)},
    frost_per_load=0.3,
    frost_pot_sd=0.5,
)


def looks(seed, pieces=6, pots=3):
    layout = even_layout(["soft", "hard"], [6, 9, 12, 15], pots=pots, sweat=0, frost=pieces)
    return simulate_series(layout, TRUTH, seed).frost()


@pytest.fixture(scope="module")
def fit():
    return fit_frost(looks(1), draws=800)


class TestRecovery:
    @pytest.mark.parametrize("seed", [1, 2, 3])
    def test_within_four_standard_errors(self, seed):
        found = fit_frost(looks(seed), draws=600)
        table = found.table.set_index("parameter")
        middle = found.centres["load"]
        true = {
            "soft": -1.0 + 0.3 * (middle - 10.0),
            "hard": 1.0 + 0.3 * (middle - 10.0),
            "per point of load (% of wax)": 0.3,
            "sd between pots": 0.5,
        }
        for name, value in true.items():
            assert abs(table.at[name, "estimate"] - value) < 4 * table.at[name, "se"], name

    def test_older_pieces_frost_more_when_the_data_say_so(self):
        """Latent + 1 per doubling of age, as the data are made here."""
        rng = np.random.default_rng(5)
        frame = pd.concat([looks(4)] * 2, ignore_index=True)
        frame["code"] = [f"{i:04d}" for i in range(len(frame))]
        frame["age_days"] = np.repeat([7.0, 28.0], len(frame) // 2)
        latent = np.log2(frame["age_days"] / 14.0) + rng.logistic(size=len(frame))
        frame["grade"] = pd.array(np.digitize(latent, [0.0, 1.2, 2.4, 3.6]), dtype="Int64")
        found = fit_frost(frame, draws=600)
        row = found.table.set_index("parameter").loc["per doubling of age"]
        assert abs(row["estimate"] - 1.0) < 4 * row["se"] and row["lower"] > 0
        young, old = (frost_risk(found, "soft", [9.0], age_days=a).at[0, "risk"] for a in (7, 28))
        assert old > young
        assert "17.5 days old unless the rules set an age" in found.notes[-1]


    def test_several_looks_at_a_piece_bound_the_day_on_which_it_frosted(self):
        """Three looks at the same pieces tell of each day what is true there (the logit of one
        fixed pot), whatever the order of the rows; the last look alone would say the same of its
        day. The worst grade of a piece at any of its ages would be too high by a third."""
        told, mixed_told, last = [], [], []
        for seed in range(3):
            rng = np.random.default_rng(seed)
            pieces = pd.concat([looks(4, pieces=3, pots=2)] * 3, ignore_index=True)
            few, loads = len(pieces) // 3, pieces["load_pct"].unique()
            noise = np.tile(special.logit((rng.permutation(few) + 0.5) / few), 3)
            pieces["age_days"] = np.repeat([3.0, 14.0, 28.0], few)
            latent = np.log2(pieces["age_days"] / 28.0) + noise
            pieces["grade"] = pd.array(np.digitize(latent, [0.0, 1.2, 2.4, 3.6]), dtype="Int64")
            mixed = pieces.sample(frac=1.0, random_state=seed)
            fits = [fit_frost(f.reset_index(drop=True), draws=300)
                    for f in (pieces, mixed, pieces[pieces["age_days"] == 28.0])]
            three, again, one = ([np.mean([frost_risk(f, b, loads, age_days=a)["risk"]
                                           for b in f.blends]) for a in ages]
                                 for f, ages in zip(fits, ([3.0, 28.0], [3.0, 28.0], [28.0]),
                                                    strict=True))
            told.append(three)
            mixed_told.append(again)
            last.append(one[0])
        true = 1.0 / (1.0 + np.exp(1.2 - np.log2(np.array([3.0, 28.0]) / 28.0)))
        assert np.mean(told, axis=0) == pytest.approx(true, abs=0.07)
        assert np.mean(told, axis=0) == pytest.approx(np.mean(mixed_told, axis=0), abs=0.03)
        assert np.mean(told, axis=0)[1] == pytest.approx(np.mean(last), abs=0.07)


class TestRisk:
    def test_it_is_told_where_the_blend_was_poured(self):
        """Cold pours frost here, and only the soft blend was poured cold: its risk is what was
        seen of it, not that of a pour as warm as the other blend's."""
        rng = np.random.default_rng(6)
        frame = looks(4, pieces=12)
        cold = frame["blend"].eq("soft")
        jitter = rng.choice([-2.0, 0.0, 2.0], size=len(frame))
        frame["pour_temp_c"] = np.where(cold, 62.0, 72.0) + jitter
        latent = -(frame["pour_temp_c"] - 66.0) / 2.0 + rng.logistic(size=len(frame))
        frame["grade"] = pd.array(np.digitize(latent, [0.0, 1.2, 2.4, 3.6]), dtype="Int64")
        found = fit_frost(frame, draws=800)
        at = float(frame.loc[cold, "load_pct"].median())
        seen = (frame.loc[cold, "grade"] >= 2).mean()
        row = frost_risk(found, "soft", [at]).iloc[0]
        assert row["lower"] < seen < row["upper"] and seen > 0.5
        assert found.tested.set_index("blend")["pour_temp_c"].to_dict() == {
            "soft": 62.0, "hard": 72.0
        }
        assert "poured at the temperature usual for the blend: 62 °C (soft), 72 °C (hard)" in (
            found.notes[-1]
        )

    def test_rises_with_the_load_and_falls_with_the_grade(self, fit):
        risk = frost_risk(fit, "hard", [6, 9, 12])
        assert list(risk.columns) == ["load_pct", "risk", "lower", "upper", "limits_error"]
        assert np.all(np.diff(risk["risk"]) > 0)
        assert (risk["lower"] < risk["risk"]).all() and (risk["risk"] < risk["upper"]).all()
        assert (frost_risk(fit, "hard", [6, 9, 12], limit_grade=4)["risk"] < risk["risk"]).all()

    def test_the_harder_blend_frosts_more(self, fit):
        soft, hard = (frost_risk(fit, b, [9.0]).at[0, "risk"] for b in ("soft", "hard"))
        assert hard > soft + 0.1

    @pytest.mark.parametrize(
        "ask, text",
        [
            (
                lambda f: frost_risk(f, "none", [8.0]),
                "no frost was graded for 'none'; graded were soft, hard",
            ),
            (
                lambda f: frost_risk(f, "soft", [8.0], age_days=60),
                "frost was inspected at 14 to 14 days of age; nothing is known at 60 days",
            ),
        ],
    )
    def test_what_is_not_known_is_refused(self, fit, ask, text):
        with pytest.raises(FitError) as error:
            ask(fit)
        assert str(error.value) == text


class TestIdentities:
    def test_order_of_rows_does_not_matter(self):
        frame = looks(2)
        one = fit_frost(frame, draws=300)
        other = fit_frost(frame.iloc[::-1].reset_index(drop=True), draws=300)
        assert other.blends == one.blends[::-1]
        for blend in one.blends:
            here, there = (frost_risk(f, blend, [9.0]).iloc[0] for f in (one, other))
            assert here["risk"] == pytest.approx(there["risk"], abs=0.02)

    def test_a_covariate_that_did_not_vary_is_left_out(self, fit):
        assert fit.covariates == ("load",) and fit.ages == (14.0, 14.0)


class TestDegenerate:
    def test_age_missing_somewhere(self):
        frame = looks(2)
        frame.loc[0, "age_days"] = np.nan
        found = fit_frost(frame, draws=300)
        assert found.notes == (
            "The age is missing for some frost inspections, so frost was fitted without it.",
        )
        assert found.ages == ()

    def test_no_frost_at_all_is_a_small_risk_not_none(self):
        found = fit_frost(looks(2).assign(grade=0), draws=600)
        risk = frost_risk(found, "soft", [9.0]).iloc[0]
        assert 0.0 < risk["risk"] < 0.1 and risk["upper"] > 0.005

    def test_empty(self):
        with pytest.raises(FitError) as error:
            fit_frost(looks(2).iloc[:0])
        assert str(error.value) == "there are no frost grades to fit; grade some pieces first"


class TestWaxFractions:
    """Four blends of two waxes: the location follows the fractions, and the names say so."""

    SHARES = pd.DataFrame(
        {"soft wax": [1.0, 0.75, 0.5, 0.0], "firm wax": [0.0, 0.25, 0.5, 1.0]}, index=list("abcd")
    )

    def series(self, seed=1):
        truths = {
            b: BlendTruth(12.0, frost=-2.0 + 3.0 * f) for b, f in self.SHARES["firm wax"].items()
        }
        layout = even_layout("abcd", [6, 10, 14], sweat=0, frost=12, pots=3)
        return simulate_series(layout, Truth(truths), seed).frost()

    def test_location_is_linear_in_the_fractions(self):
        fit = fit_frost(self.series(), self.SHARES, draws=600)
        assert fit.waxes == ("soft wax", "firm wax")
        assert tuple(fit.table["parameter"])[:2] == fit.waxes
        middle = fit.draws[:, :2]
        gap = fit.weights @ (middle[:, 1] - middle[:, 0])
        error = np.sqrt(fit.weights @ (middle[:, 1] - middle[:, 0] - gap) ** 2)
        assert abs(gap - 3.0) < 4 * error
        risks = [frost_risk(fit, b, [10.0]).at[0, "risk"] for b in "abcd"]
        assert np.all(np.diff(risks) > 0)

    def test_more_waxes_than_blends_leave_each_blend_its_own(self):
        shares = pd.DataFrame(np.eye(4)[:, :3], index=list("abcd"), columns=["x", "y", "z"])
        shares["w"] = [0.0, 0.0, 0.0, 1.0]
        shares["v"] = 0.5 * shares["w"]
        fit = fit_frost(self.series(), shares, draws=300)
        assert fit.waxes == () and tuple(fit.table["parameter"])[:4] == tuple("abcd")
