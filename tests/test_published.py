"""The kit's numbers beside those of published experiments, and the page that shows them.

``data/published/README.md`` says where each file and number comes from.
"""

import json

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from scentlab.maths.graded import CapacityModel, CapacityPrior
from scentlab.maths.links import find_link
from scentlab.maths.marginal import Marginal, Priors
from scentlab.maths.optimum import climb
from scentlab.maths.ordinal import count_looks, log_likelihood


@pytest.fixture(scope="module")
def folder(request):
    return request.config.rootpath / "data" / "published"


@pytest.fixture(scope="module")
def numbers(folder):
    return pd.read_csv(folder / "numbers.csv", dtype=str)


def wine(data):
    """A likelihood of four thresholds, two effects and the log sd of the judges."""
    design = np.column_stack([data["temp"] == "warm", data["contact"] == "yes"]).astype(float)
    looks = count_looks(data["rating"] - 1, design, data["assessor"], 5)

    def likelihood(free):
        found = log_likelihood(
            looks, free[:4], looks.design @ free[4:6], np.exp(free[6]), exact=True)
        slope = [found.d_theta, found.d_eta @ looks.design, [found.d_log_sigma.sum()]]
        return float(found.value), np.concatenate(slope)

    peak = climb(likelihood, [-1, 1, 3, 5, 0, 0, -0.5])
    errors = np.sqrt(np.diag(peak.covariance))
    return [peak.point[4], errors[4], peak.point[5], errors[5], np.exp(peak.point[6]), peak.value]


def benchmark(data):
    """Dose with 10 % extra risk by the sweat model with two grades, and its profile limits."""
    data = data.query("set == 'ddataset2'")
    each = np.concatenate([data["n"] - data["y"], data["y"]])
    x = np.repeat(np.tile(data["x"].to_numpy(float), 2), each)
    grades = np.repeat(np.repeat([0, 1], len(data)), each)
    seen = count_looks(grades, np.column_stack([x, np.ones_like(x)]), 0 * x, 2)
    found = []
    for name in ("logit", "probit"):
        link = find_link(name)
        # So wide that the peak is that of the likelihood, and pots that are all alike.
        prior = CapacityPrior(
            capacity_centre=(x.mean(),), capacity_scale=1e9, spread_log_sd=1e9, sigma_scale=1e-9,
            misread_median=None)
        model = CapacityModel(seen, 1, prior, link=name)
        peak = climb(model.value_and_gradient, model.start())

        def away(capacity, link=link):
            none = 1.0 - link.sf(-capacity)
            return capacity + link.quantile(none + 0.10 * (1 - none))

        def drop(dose, model=model, away=away, peak=peak):
            def least(capacity):
                spread = dose / away(capacity)
                free = np.array([capacity * spread, np.log(spread), 0.0])
                return -model.value_and_gradient(free)[0]
            highest = -optimize.minimize_scalar(least, bounds=(1.5, 6), method="bounded").fun
            # One side of 95 % is two of 90 %.
            return highest - peak.value + stats.chi2.ppf(0.90, 1) / 2

        best = np.exp(peak.point[1]) * away(peak.point[0] / np.exp(peak.point[1]))
        found += [best, *(optimize.brentq(drop, best, end) for end in (best - 25, best + 25))]
        found += [peak.value] * (name == "logit")
    return found


def steel_bars(data):
    """Mean squares and F ratios of the split plot, and the F ratios without its whole plots."""
    cells = np.eye(12)[data.groupby(["temperature", "coating"]).ngroup().to_numpy()]
    three, four = (np.eye(n)[1:] - np.eye(n)[0] for n in (3, 4))
    temperature, coating = np.kron(three, np.full(4, 1 / 4)), np.kron(np.full(3, 1 / 3), four)

    def fitted(groups):
        """Variances, means and covariance under priors too wide to say anything."""
        priors = Priors(np.full(len(groups) + 1, 10.0), 1e4, 0.0, np.full(12, 1e7))
        n = len(data)
        model = Marginal(data["y"], cells, np.ones((n, 1)), np.empty((n, 0)), np.eye(12)[None],
                         [1.0], groups, [None] * len(groups), priors)
        at = climb(lambda free: model.expansion(free, cells)[:2], np.full(len(groups) + 1, 3.0))
        information, right = model.informed(model.seen(at.point)[1], model.turns[0])
        inverse = np.linalg.inv(information)
        return np.exp(2 * at.point), inverse @ right, inverse

    def f_ratio(fit, contrasts):
        value, spread = contrasts @ fit[1], contrasts @ fit[2] @ contrasts.T
        return value @ np.linalg.solve(spread, value) / len(contrasts)

    right, wrong = fitted([pd.factorize(data["heat"])[0]]), fitted([])
    (between, residual), *_ = right
    return [
        4 * between + residual, residual,
        *(f_ratio(right, c) for c in (temperature, coating, np.kron(three, four))),
        *(f_ratio(wrong, c) for c in (temperature, coating)),
    ]


@pytest.mark.parametrize("fit", [wine, benchmark, steel_bars])
def test_every_number_lies_as_near_as_it_must(fit, numbers, folder):
    own = numbers[numbers["data"] == fit.__name__]
    found = fit(pd.read_csv(folder / f"{fit.__name__}.csv"))
    for row, here in zip(own.itertuples(), found, strict=True):
        assert here == pytest.approx(float(row.published), abs=float(row.within)), row.quantity


def test_the_page_shows_every_number_as_it_is_printed(numbers, folder):
    page = folder.parents[1] / "notebooks" / "published.ipynb"
    cells = json.loads(page.read_text(encoding="utf-8"))["cells"]
    rows = [r for c in cells for r in "".join(c["source"]).split("\n") if r.startswith("| ")]
    wanted = [f"| {r.quantity} | {r.published} | {r.within} | {r.known} |"
              for r in numbers.itertuples()]
    assert [r for r in rows if not r.startswith(("| ---", "| quantity"))] == wanted


def test_every_experiment_has_data_results_and_provenance(numbers, folder):
    readme = (folder / "README.md").read_text(encoding="utf-8")
    assert {p.stem for p in folder.glob("*.csv")} == {"numbers", *numbers["data"]}
    for name in numbers["data"].unique():
        assert f"| {name}.csv | {len(pd.read_csv(folder / f'{name}.csv'))} |" in readme
    assert set(numbers["known"]) == {
        "read", "from memory", "R 4.2.2", "R ordinal 2022.11-16",
    }


def test_no_published_file_has_a_second_copy_among_the_tests(folder):
    kept = {p.name for p in (folder.parents[1] / "tests" / "reference").iterdir()}
    assert kept & {p.name for p in folder.iterdir()} == {"README.md"}
