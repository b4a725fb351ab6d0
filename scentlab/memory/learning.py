"""One model over the series of a workshop: what waxes, fragrances and the way of working share.

    half-sweat load = wax + fragrance + own deviation of the pair + lot

Spread, heat, thresholds, the sd between pots and misreading vary from series to series about what
is usual in the workshop. The series' own fits are the evidence (:mod:`scentlab.memory.cells`), and
what follows for a new wax and fragrance is the prior of its fit.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import special

from scentlab.maths.graded import CapacityPrior, half_student_of_score
from scentlab.maths.hierarchy import Hierarchy, Learnt
from scentlab.maths.threads import one_thread
from scentlab.memory.borrowing import fit_borrowing
from scentlab.memory.cells import KEYS, Cell, site, usual_normals
from scentlab.memory.testers import Testers
from scentlab.results import FitError, Result
from scentlab.text import spelling
from scentlab.units import say_points

# How far things differ, beforehand: half Student t with 3 degrees of freedom and these scales, in
# points of load or in units of the free parameters. Common sense of this project, no source.
SDS = {"fragrance": 1.5, "own": 0.6, "lot": 0.6, "log_spread": 0.3, "stress": 0.5, "gaps": 0.3,
       "sigma": 0.5, "misread": 0.5}
# What a tester's way of grading adds, where two or more graded: to where the first trace is seen,
# to how far apart the further grades are, and to misreading.
TESTER_SDS = {"tester_load": 0.3, "tester_gaps": 0.2, "tester_misread": 0.3}
_DF, _WAX_SD, _PASSES = 3.0, 5.0, 2
_DEVIATIONS = ("lot", "log_spread", "stress", "gaps", "gaps", "gaps", "sigma", "misread")
_GROUPS = [*SDS, *TESTER_SDS]
_OF_TESTER = ((0,), (3, 4, 5), (7,))  # which of KEYS each of a tester's effects moves
CAPACITY_DF = 4.0
# What earlier series say is taken wider than they show, the way of working and the half-sweat
# load: found on simulated workshops in which something changed unnoticed.
WIDER, WIDER_LOAD = 1.4, 1.2
ODD = 2.5  # standard deviations from what the others say, where a series is named
_METHOD = len(KEYS) - 1


@dataclass(frozen=True, repr=False)
class Memory(Result):
    """What the earlier series of a workshop say together.

    cells : tuple of Cell, those that were kept alike. kept : the stress that their capacities are
        told for, rest or heat.
    waxes, fragrances, pairs : tuples, those that are known. graders : tuple of the testers who
        graded sweat alone, where there are two or more.
    learnt : Learnt, over the effects: of the way of working (7), waxes, fragrances, pairs, and of
        each grader (3).
    testers : Testers, how they scored pieces that others scored as well; None where nobody did.
    invented : bool, whether its series are, which are no evidence of real ones.
    odd : DataFrame, one row per series and quantity that disagrees with what the others say:
        series, wax, fragrance, what, distance (in standard deviations, signed).
    """

    cells: tuple
    kept: str
    waxes: tuple
    fragrances: tuple
    pairs: tuple
    graders: tuple
    learnt: Learnt
    odd: pd.DataFrame
    invented: bool = False
    notes: tuple = ()
    testers: Testers | None = None

    @property
    def series(self):
        """Names of the series that it rests on."""
        return tuple(dict.fromkeys(c.series for c in self.cells))

    @property
    def heated(self):
        """Whether heat-cycled pieces were graded beside those at room temperature."""
        return any(len(c.stresses) > 1 for c in self.cells)

    @cached_property
    def usual(self):
        """Mean and sd (8,) of ``KEYS`` in the next series; the capacity's are those of no wax."""
        return self._of("", "")

    @property
    def table(self):
        """What is shared, in units: estimate, and the 90 % limits of a next series."""
        mean, sd = self.usual
        low, high = mean - 1.645 * sd, mean + 1.645 * sd
        prior = CapacityPrior()

        def pots(score):
            return half_student_of_score(score, prior.sigma_scale, prior.sigma_df)[0]

        says = (("spread", np.exp, 1, "% of wax"), ("effect of heat", float, 2, "hidden units"),
                ("sd between pots", pots, 6, "% of wax"),
                ("misread grades", special.expit, 7, "share"))
        rows = [(name, *(float(f(v[k])) for v in (mean, low, high)), unit)
                for name, f, k, unit in says]
        for name in ("fragrance", "own", "lot"):
            draws = np.sort(self.learnt.kept[0][:, _GROUPS.index(name)])
            rows.append((f"sd of {_DIFFER[name]}", *np.quantile(draws, (0.5, 0.05, 0.95)),
                         "% of wax"))
        return pd.DataFrame(rows, columns=["parameter", "estimate", "lower", "upper", "unit"])

    @property
    def sentence(self):
        row = self.table.set_index("parameter").loc["sd between pots"]
        return (f"Pots of this workshop differ by about {say_points(row['estimate'])}, "
                f"from {_series(len(self.series))}.")

    def prior(self, wax, fragrance, *, wider=True, tester=""):
        """What is expected of a wax with a fragrance before it is poured: a CapacityPrior.

        ``wax`` : a name, or names of all blends of the series. A wax that is not known has the
        wide capacity of no memory about the middle of those that are. ``wider`` : whether it is
        taken wider than the earlier series show, as answers take it. ``tester`` : who grades.
        """
        waxes = (wax,) if isinstance(wax, str) else tuple(wax)
        each = [self._of(w, fragrance, wider, tester) for w in waxes]
        mean, sd = each[0]
        return CapacityPrior(
            capacity_centre=tuple(float(m[0]) for m, _ in each),
            capacity_scale=tuple(float(s[0]) for _, s in each), capacity_df=CAPACITY_DF,
            spread_median=float(np.exp(mean[1])), spread_log_sd=float(sd[1]),
            stress_centre=float(mean[2]), stress_scale=float(sd[2]),
            gap_median=tuple(np.exp(mean[3:6]).tolist()), gap_log_sd=tuple(sd[3:6].tolist()),
            sigma_centre=float(mean[6]), sigma_sd=float(sd[6]),
            misread_median=float(special.expit(mean[7])), misread_logit_sd=float(sd[7]),
        )

    def fit_sweat(self, series, **options):
        """The sweat fit of another series of the workshop that borrows from this memory, as
        :func:`scentlab.memory.borrowing.fit_borrowing`."""
        return fit_borrowing(self, series, **options)

    def of_grader(self, tester):
        """What a grader adds to the half-sweat load (points) and to the log gaps between grades:
        means (2,) and sds (2,), 0 for one who is not known."""
        if tester not in self.graders:
            return np.zeros(2), np.zeros(2)
        rows = np.zeros((2, len(self.learnt.hierarchy.centre)))
        rows[[0, 1], self._place_of(tester) + np.arange(2)] = 1.0
        mean, covariance = self.learnt.predict(rows)
        return mean, np.sqrt(np.diag(covariance))

    def _place_of(self, tester):
        first = _METHOD + len(self.waxes) + len(self.fragrances) + len(self.pairs)
        return first + len(_OF_TESTER) * self.graders.index(tester)

    def _of(self, wax, fragrance, wider=False, tester=""):
        """Mean and sd (8,) of ``KEYS`` in a new series of a pair."""
        rows, more = self._rows(wax, fragrance, tester)
        mean, covariance = self.learnt.predict(rows, more)
        times = np.array([WIDER_LOAD] + [WIDER] * _METHOD) if wider else 1.0
        return mean, np.minimum(times * np.sqrt(np.diag(covariance)), usual_normals(0.0)[1])

    def _rows(self, wax, fragrance, tester):
        own, more = self.capacity_row(wax, fragrance)
        rows = np.zeros((len(KEYS), len(own)))
        rows[0], rows[np.arange(1, len(KEYS)), np.arange(_METHOD)] = own, 1.0
        deviations = [_GROUPS.index(name) for name in _DEVIATIONS]
        known = tester in self.graders
        for i, keys in enumerate(_OF_TESTER * known):
            rows[keys, self._place_of(tester) + i] = 1.0

        def variances(sds):
            found = sds[:, deviations] ** 2
            found[:, 0] += self.unknown_variance(sds, more)
            if self.graders and not known:
                for keys, sd in zip(_OF_TESTER, sds[:, len(SDS):].T, strict=True):
                    found[:, keys] += sd[:, None] ** 2
            return found

        return rows, variances

    def spelt(self, wax, fragrance):
        """Names of a wax and a fragrance as they are spelt here."""
        return spelling(self.waxes)(wax), spelling(self.fragrances)(fragrance)

    def capacity_row(self, wax, fragrance):
        """Coefficients (q,) of the effects in a pair's capacity, and names of what is not known of
        it (wax, fragrance, own)."""
        row, more, at = np.zeros(len(self.learnt.hierarchy.centre)), [], _METHOD
        wax, fragrance = self.spelt(wax, fragrance)
        for what, known, name in (("wax", self.waxes, wax),
                                  ("fragrance", self.fragrances, fragrance),
                                  ("own", self.pairs, (wax, fragrance))):
            if name in known:
                row[at + known.index(name)] = 1.0
            else:
                more.append(what)
                row[at : at + len(known)] = (what == "wax") / len(known)
            at += len(known)
        return row, more

    def unknown_variance(self, sds, names):
        """Variance (K,) of what is not known of a pair's capacity, under learnt sds (K, G)."""
        learnt = [_GROUPS.index(name) for name in names if name != "wax"]
        return (sds[:, learnt] ** 2).sum(axis=1) + _WAX_SD**2 * ("wax" in names)

    def sd_of(self, name):
        """How far fragrances, pairs ("own"), lots, ... differ: the posterior mean of the sd."""
        return float(self.learnt.mean_sds()[_GROUPS.index(name)])


_DIFFER = {"fragrance": "fragrances", "own": "pairs beyond that", "lot": "lots and days"}


def _series(number):
    return "1 earlier series" if number == 1 else f"{number} earlier series"


@one_thread()
def learn(cells: list[Cell], *, seed: int = 1, draws: int = 600) -> Memory:
    """Fit one model to the cells of a workshop.

    cells : of the workshop's series. seed, draws : int, of the sds between series.
    Returns Memory, of the cells that were kept as most of them were (at room temperature as well,
    or in
    heat alone); the others are named in the notes.
    Raises FitError without a cell.
    """
    cells = _spelt(cells)
    if not cells:
        raise FitError("no earlier series has sweat grades that can be fitted; grade one first")
    kept = Counter(c.stresses[0] for c in cells).most_common(1)[0][0]
    alike = tuple(c for c in cells if c.stresses[0] == kept)
    notes = tuple(f"{c.name} kept its pieces differently from the others and is not used."
                  for c in cells if c not in alike)
    graders = tuple(dict.fromkeys(c.tester for c in alike if c.tester))
    names = (tuple(dict.fromkeys(c.wax for c in alike)),
             tuple(dict.fromkeys(c.fragrance for c in alike)),
             tuple(dict.fromkeys((c.wax, c.fragrance) for c in alike)),
             graders if len(graders) > 1 else ())
    sites = [site(c) for c in alike]
    model, start = _hierarchy(alike, sites, names), None
    for _ in range(_PASSES):
        start = model.peak(start).point
        means, covariances = model.cavities(model.sds(start))
        sites = [site(c, found) for c, found in
                 zip(alike, zip(means, covariances, strict=True), strict=True)]
        model = _hierarchy(alike, sites, names)
    learnt = model.fit(size=draws, seed=seed, start=start)
    return Memory(alike, kept, *names, learnt, _odd(alike, sites, model, learnt),
                  notes=notes)


def _spelt(cells):
    """The cells with one spelling of each wax and each fragrance."""
    wax, fragrance = (spelling([], [getattr(c, name) for c in cells])
                      for name in ("wax", "fragrance"))
    return [replace(c, wax=wax(c.wax), fragrance=fragrance(c.fragrance)) for c in cells]


def _hierarchy(cells, sites, names):
    graders = len(names[3])
    ends = np.cumsum([_METHOD, *map(len, names[:3]), len(_OF_TESTER) * graders])
    q, (usual, sd) = ends[-1], usual_normals(float(np.mean([c.centre for c in cells])))
    centre, fixed, effect = np.zeros(q), np.ones(q), np.full(q, -1)
    centre[:_METHOD], fixed[:_METHOD] = usual[1:], sd[1:]
    centre[ends[0] : ends[1]], fixed[ends[0] : ends[1]] = usual[0], _WAX_SD
    effect[ends[1] : ends[2]], effect[ends[2] : ends[3]] = 0, 1
    effect[ends[3] :] = np.tile(len(SDS) + np.arange(len(_OF_TESTER)), graders)
    at = [{name: end + i for i, name in enumerate(own)}
          for end, own in zip(ends[:3], names[:3], strict=True)]
    first = {name: ends[3] + len(_OF_TESTER) * i for i, name in enumerate(names[3])}
    scales = [*SDS.values(), *(TESTER_SDS.values() if graders else ())]
    place = np.array([
        [*range(_METHOD), at[0][c.wax], at[1][c.fragrance], at[2][c.wax, c.fragrance],
         *(first.get(c.tester, 0) + np.arange(len(_OF_TESTER) * bool(graders)))] for c in cells])
    design = np.zeros((len(cells), len(KEYS), place.shape[1]))
    design[:, np.arange(1, len(KEYS)), np.arange(_METHOD)] = 1.0
    design[:, 0, _METHOD : _METHOD + 3] = 1.0
    for i, keys in enumerate(_OF_TESTER * bool(graders)):
        design[:, keys, _METHOD + 3 + i] = np.array([[c.tester in first] for c in cells])
    return Hierarchy(
        np.array([s[0] for s in sites]), np.array([s[1] for s in sites]), design, place, centre,
        fixed, effect, np.array([_GROUPS.index(name) for name in _DEVIATIONS]), np.array(scales),
        np.full(len(scales), _DF),
    )


_SAID = {"capacity": "half-sweat load", "log_spread": "how gradually sweat sets in",
         "stress": "what heat does", "gap2": "where a film begins (grade 2)",
         "gap3": "where beads begin (grade 3)", "gap4": "where oil pools (grade 4)",
         "sigma": "how much pots differ", "misread": "misread grades"}


def _odd(cells, sites, model, learnt):
    """The cells that disagree with what the others say, coordinate by coordinate."""
    # An odd series itself widens the sds, so they are taken at their lower quartile.
    means, covariances = model.cavities(np.quantile(learnt.kept[0], 0.25, axis=0))
    rows = []
    for cell, (own, told), mean, covariance in zip(cells, sites, means, covariances, strict=True):
        for k, key in enumerate(KEYS):
            if own[k, k] <= 1.0 / covariance[k, k]:
                continue  # it tells less of this than the others do
            # The difference of the cell's estimate from the others' mean, over its own sd.
            bend = covariance @ own
            both = np.linalg.solve(np.eye(len(KEYS)) + bend, covariance)
            away = both @ (told - own @ mean)
            spread = np.sqrt(max(covariance[k, k] - both[k, k], 1e-12))
            if abs(away[k] / spread) > ODD:
                rows.append((cell.series, cell.wax, cell.fragrance, _SAID[key],
                             float(away[k] / spread)))
    return pd.DataFrame(rows, columns=["series", "wax", "fragrance", "what", "distance"])
