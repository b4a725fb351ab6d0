"""Testers over time: who scores high, who uses more of the scale, who drifts, who is unsure.

Scores of pieces that several testers scored are compared within each batch:

    score = batch + tester's level + tester's scale x share of the loads + error

    tester's level in a series = his usual one + drift x years + deviation of the series

Batches are eliminated by least squares in each series, and what is left is evidence for
:class:`scentlab.maths.hierarchy.Hierarchy`, so that a tester who scored little is drawn towards
the others. How unsure a tester is shows in scores of one batch by the same tester, such as those of
the piece that opens every session: the logarithms of these sds are pooled in the same way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from scentlab.maths.hierarchy import Hierarchy
from scentlab.results import Result
from scentlab.schema import THROW_WORDS
from scentlab.text import count_of

GRADES = "sweat grades"
UNITS = {GRADES: "grades", **{kind: "points" for kind in THROW_WORDS}}
LEVEL, SCALE, DRIFT, REPEATS = "level", "use of the scale", "drift a year", "sd of repeats"
# Half Student scales, 3 df, of what differs between testers (points or, smaller, grades): level,
# scale over the loads tested, drift a year, deviation of a series. Common sense, no source.
_SCALES, _OF_GRADES, _DF = np.array([1.0, 0.4, 0.3, 0.4]), 0.4, 3.0
_LOG_SD, _WIDE = 0.3, 2.0  # of testers' log sds about the usual, and of the usual
_YEAR = 365.25
_ROUNDED = 0.5**2 / 12.0  # least variance of a score: of one that is rounded to half a point
CLEAR = 2.5


@dataclass(frozen=True)
class Shared:
    """What one series says of its testers in one measure.

    testers : tuple (a,). day : of its first test batch, as an ordinal; nan where unknown.
    precision (2a, 2a), information (2a,) : of levels, then scales, in units of the error.
    squares, df : of what is left within batches. repeats : dict tester to (squares, df) of repeats.
    """

    measure: str
    testers: tuple
    day: float
    precision: np.ndarray
    information: np.ndarray
    squares: float
    df: int
    repeats: dict


def shared_scores(series):
    """The :class:`Shared` of each measure of a series that anybody scored twice, or two scored."""
    day = pd.to_datetime(series.pours["poured_on"], errors="coerce").min()
    day = np.nan if pd.isna(day) else float(day.toordinal())
    sweat = series.sweat()
    age = pd.to_numeric(sweat["age_days"], errors="coerce").round().astype(str)
    inspected = sweat["code"].astype(str) + sweat["stress"].astype(str) + age
    found = [_shared(GRADES, day, sweat.assign(score=sweat["grade"], batch=inspected))]
    for kind, own in series.throws.groupby("kind"):
        found.append(_shared(kind, day, own.assign(score=own["throw"], batch=own["pour"])))
    return [f for f in found if f is not None]


def _shared(measure, day, scores):
    scores = scores[scores["assessor"].notna()].assign(
        score=pd.to_numeric(scores["score"], errors="coerce").astype(float),
        load_pct=pd.to_numeric(scores["load_pct"], errors="coerce").astype(float))
    scores = scores[np.isfinite(scores[["score", "load_pct"]]).all(axis=1)]
    repeats = _repeats(scores)
    scores = scores[scores.groupby("batch")["assessor"].transform("nunique") > 1]
    if scores.empty and not repeats:
        return None
    person, testers = pd.factorize(scores["assessor"].astype(str), sort=True)
    load = scores["load_pct"].to_numpy()
    share = (load - load.mean()) / max(np.ptp(load), 1e-9) if len(load) else load
    arms = np.eye(len(testers))[person]
    columns = np.column_stack([arms, arms * share[:, None], scores["score"].to_numpy()])
    columns = pd.DataFrame(columns).groupby(scores["batch"].to_numpy()).transform(
        lambda own: own - own.mean()).to_numpy().reshape(-1, 2 * len(testers) + 1)
    x, y = columns[:, :-1], columns[:, -1]
    fitted = np.linalg.lstsq(x, y, rcond=None) if len(y) else (x.T @ y, 0, 0)
    df = len(y) - scores["batch"].nunique() - fitted[2]
    return Shared(measure, tuple(testers), day, x.T @ x, x.T @ y,
                  float(((y - x @ fitted[0]) ** 2).sum()), int(df), repeats)


def _repeats(scores):
    """dict of tester to (sum of squares, df) of his scores of one batch."""
    cells = scores.groupby([scores["assessor"].astype(str), "batch"])["score"]
    squares = (scores["score"] - cells.transform("mean")) ** 2
    by = scores["assessor"].astype(str)
    found = pd.DataFrame({"squares": squares.groupby(by).sum(), "df": cells.size().sub(1).groupby(
        level=0).sum()})
    return {tester: (float(row.squares), int(row.df)) for tester, row in found.iterrows() if row.df}


@dataclass(frozen=True, repr=False)
class Testers(Result):
    """Testers of a workshop, by code.

    ``table`` : one row per measure, tester and ``what`` (LEVEL, SCALE and DRIFT a year against
    the middle one of the testers, REPEATS: the sd of scores of one batch), with estimate, 90 %
    limits, ``usual`` (0, or the middle tester's sd of repeats), ``clear`` (whether it differs from
    it by ``CLEAR`` sds or more), series and unit.
    """

    table: pd.DataFrame
    notes: tuple = ()

    @property
    def sentence(self):
        return f"{count_of(self.table['tester'].nunique(), 'tester')} scored in earlier series."

    def known(self, throws):
        """What testers are known to add to scores of throw (n,), 0 for those not known.

        ``throws`` : DataFrame with assessor, kind and load_pct.
        """
        own = self.table[self.table["what"].isin([LEVEL, SCALE])]
        own = own.set_index(["what", "measure", "tester"])["estimate"].to_dict()
        load = throws["load_pct"].astype(float)
        share = (load - load.mean()) / max(load.max() - load.min(), 1e-9)
        keys = list(zip(throws["kind"], throws["assessor"].astype(str), strict=True))
        level, scale = (np.array([own.get((what, *key), 0.0) for key in keys])
                        for what in (LEVEL, SCALE))
        return level + scale * share.fillna(0.0).to_numpy()


def learn_testers(shared, *, seed=1):
    """The :class:`Testers` of what series say; None where nobody scored with another or twice."""
    rows = []
    for measure in dict.fromkeys(s.measure for s in shared):
        own = [s for s in shared if s.measure == measure]
        rows += _levels(measure, [s for s in own if len(s.testers) > 1], seed)
        rows += _unsure(measure, own, seed)
    if not rows:
        return None
    return Testers(pd.DataFrame(rows, columns=[
        "measure", "tester", "what", "estimate", "lower", "upper", "usual", "clear", "series",
        "unit"]))


def _levels(measure, shared, seed):
    df = sum(s.df for s in shared)
    if not df:
        return
    model, testers = _model(measure, shared, max(sum(s.squares for s in shared) / df, _ROUNDED))
    learnt = model.fit(size=600, seed=seed)
    dated = len({s.day for s in shared if np.isfinite(s.day)}) > 1
    for k, what in enumerate((LEVEL, SCALE) + (DRIFT,) * dated):
        mean, sd, _ = _against_the_middle(learnt, np.eye(len(model.centre))[k::3])
        for i, tester in enumerate(testers):
            yield (measure, tester, what, mean[i], mean[i] - 1.645 * sd[i],
                   mean[i] + 1.645 * sd[i], 0.0, bool(abs(mean[i]) > CLEAR * sd[i]),
                   sum(tester in s.testers for s in shared), UNITS[measure])


def _against_the_middle(learnt, rows):
    """Means and sds (n,) of testers less the middle one (of even numbers the mean of two), and the
    middle's weights (n,). Where one of three differs, the mean would make the others differ too."""
    n, order = len(rows), np.argsort(learnt.predict(rows)[0])
    middle = np.zeros(n)
    middle[order[[(n - 1) // 2, n // 2]]] += 0.5
    middle /= middle.sum()
    mean, covariance = learnt.predict(rows - middle @ rows)
    return mean, np.sqrt(np.maximum(np.diag(covariance), 1e-12)), middle


def _model(measure, shared, variance):
    """The :class:`Hierarchy` of levels, scales and drifts, and the testers in their order."""
    testers = tuple(sorted({t for s in shared for t in s.testers}))
    at, most = {t: 3 * i for i, t in enumerate(testers)}, max(len(s.testers) for s in shared)
    days = np.array([s.day for s in shared])
    years = np.nan_to_num((days - (np.nanmean(days) if np.isfinite(days).any() else 0.0)) / _YEAR)
    precision, information = (np.zeros((len(shared), 2 * most, 2 * most)),
                              np.zeros((len(shared), 2 * most)))
    design = np.zeros((len(shared), 2 * most, 3 * most))
    place = np.zeros((len(shared), 3 * most), dtype=int)
    for j, s in enumerate(shared):
        a = len(s.testers)
        there = np.r_[:a, most : most + a]
        precision[j][np.ix_(there, there)] = s.precision / variance
        information[j, there] = s.information / variance
        person = np.arange(a)
        design[j, person, 3 * person], design[j, person, 3 * person + 2] = 1.0, years[j]
        design[j, most + person, 3 * person + 1] = 1.0
        place[j, : 3 * a] = np.ravel([at[t] + np.arange(3) for t in s.testers])
    scales = _SCALES * (_OF_GRADES if measure == GRADES else 1.0)
    q = 3 * len(testers)
    return Hierarchy(
        precision, information, design, place, np.zeros(q), np.ones(q),
        np.tile([0, 1, 2], len(testers)), np.repeat([3, -1], most), scales, np.full(4, _DF),
    ), testers


def _unsure(measure, shared, seed):
    """Rows of the sds of repeats, pooled on their logarithms (the log of a variance of df degrees
    of freedom has mean digamma(df/2) - log(df/2) and variance trigamma(df/2) about its own)."""
    total = {}
    for s in shared:
        for tester, (squares, df) in s.repeats.items():
            total.setdefault(tester, []).append((squares, df))
    testers = sorted(t for t, own in total.items() if sum(v[0] for v in own) > 0)
    if not testers:
        return
    squares, df = np.array([np.sum(total[t], axis=0) for t in testers]).T
    log_sd = 0.5 * (np.log(squares / df) - special.digamma(df / 2) + np.log(df / 2))
    told = 4.0 / special.polygamma(1, df / 2)
    n = len(testers)
    model = Hierarchy(
        told[:, None, None], (told * log_sd)[:, None], np.ones((n, 1, 2)),
        np.column_stack([np.zeros(n, int), 1 + np.arange(n)]), np.zeros(n + 1),
        np.append(_WIDE, np.ones(n)), np.append(-1, np.zeros(n, int)), np.array([-1]),
        np.array([_LOG_SD]), np.array([_DF]))
    rows = np.column_stack([np.ones(n), np.eye(n)])
    learnt = model.fit(size=600, seed=seed)
    mean, covariance = learnt.predict(rows)
    away, apart, middle = _against_the_middle(learnt, rows)
    low, high = (np.exp(mean + z * np.sqrt(np.diag(covariance))) for z in (-1.645, 1.645))
    for i, tester in enumerate(testers):
        yield (measure, tester, REPEATS, np.exp(mean[i]), low[i], high[i], np.exp(middle @ mean),
               bool(abs(away[i]) > CLEAR * apart[i]), len(total[tester]), UNITS[measure])
