"""How the throw of a piece falls over hours on the warmer.

score = A exp(-k t) + tester + tester's own fall + pot + piece + check + error, t the time since
the first check. Beside it stand a straight fall, for what is no curve yet, and A / (1 + k t), which
falls fast and then slowly: what rates of evaporation that are exponentially distributed among the
parts of a fragrance make. A check is one piece at
one time: what several testers smell then is one state of one room, so that more noses are not more
pieces. Pieces of one blend at one load, an arm, share the level A: nothing is assumed of how it
goes with the load, since a warmer test has few loads. Each blend has a rate of its own.
What all scores of an arm share (its one piece, the one tester) is held by its usual sd, for no
score tells it. Levels and effects at random are integrated out by :mod:`scentlab.maths.marginal`;
form and rate lie on a grid, which is drawn closer about what the data say.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from scentlab.fitting.looks import planned_loads
from scentlab.fitting.throw_model import FLOOR, MEDIANS, SPREAD
from scentlab.frames import checked
from scentlab.maths.marginal import Marginal, Priors, draw_posterior, tellable
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.units import content_from_load, say_load

# Weighed loads nearer than this to each other are one planned load.
NEAR_PCT = 0.3
# Rates times the longest time, on a scale that is even near 0 and logarithmic far from it; common
# ones are about as large as RATE_SCALE, and few are far beyond (Cauchy).
RATE_SCALE, CELLS, ZOOMS, OF_ACCOUNT = 2.0, 40, 4, 12.0
# Curves of the time t and the rate k, and the bounds of k times the end of time.
FADING, FALLING, SLOWING = "fading", "straight fall", "slowing fall"
CURVES = {FADING: lambda t, k: np.exp(-k * t), FALLING: lambda t, k: 1.0 - k * t,
          SLOWING: lambda t, k: 1.0 / (1.0 + k * t)}
# What the time is times the rate where a share of the first throw is left.
TIMES = {FADING: lambda share: -np.log(share), FALLING: lambda share: 1.0 - share,
         SLOWING: lambda share: 1.0 / share - 1.0}
BOUNDS = {FADING: (-2.0, 60.0), FALLING: (-2.0, 1.5), SLOWING: (-0.5, 60.0)}
LEVEL_SD = 10.0  # of a level about 0, beforehand
# Words and usual sd of each source.
SOURCES = {
    "assessor": ("between assessors", MEDIANS["assessor"]),
    "fall": ("between assessors' falls, over the whole time", MEDIANS["scale"]),
    "pot": ("between pots", MEDIANS["pot"]),
    "code": ("between pieces", MEDIANS["code"]),
    "check": ("between checks of a piece", 0.4),
    "error": ("of a single score", MEDIANS["score"]),
}
HALF = 0.5
UNNAMED = "not named"
CONFIDENCE = 0.90  # of the intervals


@dataclass(frozen=True, repr=False)
class ThrowLife(Result):
    """Fitted fall of throw over hours on the warmer.

    arms : DataFrame, one row per blend and load: blend, load_pct (% of wax), content_pct (% of
        total), pieces, pots, scores, first_h, longest_h, assessors.
    draw_form : array (D, B), names of the forms drawn. level : draws (D, A) of the throw at
        ``first_h``. rate : draws (D, B) of the rate per hour; one of 0 or less does not fall.
    first_h : hours of the first check. sds : DataFrame: source, sd (median, mean over blends).
    points : DataFrame, means per assessor and check: blend, load_pct, code, assessor, hours, throw.
    """

    arms: pd.DataFrame
    draw_form: np.ndarray
    level: np.ndarray
    rate: np.ndarray
    first_h: float
    sds: pd.DataFrame
    points: pd.DataFrame
    notes: tuple = ()

    @property
    def blends(self):
        return tuple(dict.fromkeys(self.arms["blend"]))

    @property
    def table(self):
        """Throw at the first and last check and hours until half of it, then the sds.

        Hours beyond the longest tested are infinite.
        """
        rows = []
        for place, arm in self.arms.iterrows():
            hours = [arm["first_h"], arm["longest_h"]]
            throw = self.draws(place, hours)
            half = self.hours_until(place, HALF * throw[:, 0])
            parts = [(f"throw at {h:g} h", throw[:, i], "0 to 10") for i, h in enumerate(hours)]
            for name, draws, unit in (*parts, ("hours until half of the first", half, "h")):
                lower, middle, upper = quantiles(draws)
                rows.append((f"{name}, {arm_words(arm)}", middle, _spread(draws), lower, upper,
                             unit))
        rows += [(f"sd {r.source}", r.sd, np.nan, np.nan, np.nan, "points")
                 for r in self.sds.itertuples()]
        return pd.DataFrame(rows, columns=["parameter", "estimate", "se", "lower", "upper", "unit"])

    @property
    def sentence(self):
        parts = []
        for place, arm in self.arms.iterrows():
            start = quantiles(self.draws(place, [arm["first_h"]])[:, 0])[1]
            parts.append(f"{arm_words(arm)}, from {start:.1f} of 10 at {arm['first_h']:g} h: "
                         f"{self.half_life(place)['words']}")
        return "Hours on the warmer until throw halves: " + "; ".join(parts) + "."

    def _blend(self, place):
        return self.blends.index(self.arms["blend"].iloc[place])

    def draws(self, place, hours):
        """Draws (D, T) of the throw of an arm at hours."""
        blend, time = self._blend(place), np.asarray(hours, float) - self.first_h
        values = np.empty((len(self.rate), len(time)))
        for name, curve in CURVES.items():
            own = self.draw_form[:, blend] == name
            values[own] = curve(time, self.rate[own, blend][:, None])
        return self.level[:, [place]] * values

    def curve(self, place, hours):
        """The throw of an arm at hours with its interval; missing outside the hours tested.

        DataFrame: hours, throw (median), lower, upper.
        """
        arm, hours = self.arms.loc[place], np.atleast_1d(np.asarray(hours, dtype=float))
        lower, middle, upper = quantiles(self.draws(place, hours))
        frame = pd.DataFrame({"lower": lower, "throw": middle, "upper": upper})
        outside = (hours < arm["first_h"] - 1e-9) | (hours > arm["longest_h"] + 1e-9)
        frame.loc[outside] = np.nan
        return frame.assign(hours=hours)

    def hours_until(self, place, limit):
        """Draws (D,) of the hours at which an arm's throw is down at limits (D,); beyond the
        longest tested infinite, and at the first check where it is below from then on."""
        arm, blend = self.arms.loc[place], self._blend(place)
        rate, level = self.rate[:, blend], self.level[:, place]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = limit / level
            fall = np.select([self.draw_form[:, blend] == form for form in TIMES],
                             [time(share) for time in TIMES.values()])
            time = np.where(rate > 0, fall / rate, np.inf)
        time = np.where(level <= limit, 0.0, np.where(np.isnan(time), np.inf, time))
        hours = np.maximum(self.first_h + time, arm["first_h"])
        return np.where(hours > arm["longest_h"], np.inf, hours)

    def half_life(self, place):
        """Hours until an arm's throw is half of that at the first check: dict of throw, hours
        (median), lower, upper and words; infinite beyond the hours tested."""
        arm = self.arms.loc[place]
        half = HALF * self.draws(place, [arm["first_h"]])[:, 0]
        found = quantiles(self.hours_until(place, half))
        lower, middle, upper = map(float, found)
        return {"throw": float(np.median(half)), "hours": middle, "lower": lower, "upper": upper,
                "words": _hours_words(lower, middle, upper, arm)}


@one_thread()
def fit_throw_life(warmings, draws=2000, seed=1):
    """Fit how warm throw falls over hours; rows without a throw are not looked at."""
    scores, notes = usable(
        warmings, "throw",
        "no throw was scored over hours on the warmer; score it, or leave throw out",
        "throw scores on the warmer",
    )
    named = scores["assessor"].notna()
    people = scores["assessor"].astype(object).where(named, UNNAMED).astype(str)
    scores = scores.assign(assessor=people, code=scores["code"].astype(str))
    times = np.unique(scores["hours"])
    if len(times) < 3:
        when = " and ".join(f"{t:g} h" for t in times)
        raise FitError(
            f"throw was scored at {when} on the warmer only; a curve needs three times or more")
    if scores["throw"].nunique() == 1:
        raise FitError(
            f"every throw score on the warmer is {scores['throw'].iloc[0]:g}, so nothing falls and "
            "there is no error to measure; score for longer, or with more testers"
        )
    arms, scores["arm"] = arms_of(scores)
    arms = arms.join(scores.groupby("arm").agg(
        pieces=("code", "nunique"), pots=("pot", "nunique"), scores=("code", "size"),
        first_h=("hours", "min"), longest_h=("hours", "max"), assessors=("assessor", "nunique")))
    time = scores["hours"].to_numpy() - times[0]
    scores = scores.assign(time=time, fall=(time - time.mean()) / time.max())
    found = [_Blend(scores[scores["blend"] == blend], time.max()).draw(draws, [seed, b])
             for b, blend in enumerate(dict.fromkeys(scores["blend"]))]
    *parts, sds = zip(*found, strict=True)
    form, rate, level = map(np.column_stack, parts)
    keys = ["blend", "load_pct", "code", "assessor", "hours"]
    points = scores.groupby(keys, sort=False, as_index=False)["throw"].mean()
    fit = ThrowLife(arms, form, level, rate, float(times[0]), _mean_sds(sds),
                    points)
    return replace(fit, notes=(*notes, *_panel_notes(scores), *_fall_notes(fit)))


def _mean_sds(sds):
    rows = [
        (said, float(np.sqrt(np.mean([sd[name] ** 2 for sd in sds if name in sd]))))
        for name, (said, _) in SOURCES.items() if any(name in sd for sd in sds)
    ]
    return pd.DataFrame(rows, columns=["source", "sd"])


class _Blend:
    """The scores of one blend: the grid of forms and rates, and the marginal density over them.

    ``end`` is the longest time of all blends, by which falls and rates are told.
    """

    def __init__(self, scores, end):
        self.scores, self.end = scores, end
        self.times, self.place = np.unique(scores["time"], return_inverse=True)
        self.arms = np.eye(scores["arm"].nunique())[
            np.unique(scores["arm"], return_inverse=True)[1]]
        self.spans = {form: np.arcsinh(ends) for form, ends in BOUNDS.items()}
        check = scores["code"] + "\n" + scores["hours"].astype(str)
        wanted = {
            "assessor": (scores["assessor"], None),
            "fall": (scores["assessor"], scores["fall"].to_numpy()),
            "pot": (scores["pot"], None), "code": (scores["code"], None), "check": (check, None),
        }
        found = list(zip(*tellable(wanted, self.arms), strict=True))
        # What all scores of an arm share no score tells: it is held by its usual sd.
        found += [
            (name, pd.factorize(labels)[0], slope) for name, (labels, slope) in wanted.items()
            if name != "check" and name not in {n for n, *_ in found}
            and labels.groupby(scores["arm"]).nunique().max() == 1
        ]
        self.names, self.groups, self.slopes = zip(*found, strict=True) if found else ((),) * 3
        self.priors = Priors(
            np.array([SOURCES[n][1] for n in (*self.names, "error")]), SPREAD, FLOOR,
            np.full(self.arms.shape[1], LEVEL_SD),
        )  # fmt: skip
        for _ in range(ZOOMS):
            self._arrange()
            self._zoom()
        self._arrange()

    def _arrange(self):
        """The cells of the grid (form, middle, width) and the marginal density over them."""
        cells, chances, curves = [], [], []
        for form, (low, high) in self.spans.items():
            width = (high - low) / CELLS
            whole = np.ptp(np.arctan(np.array(BOUNDS[form]) / RATE_SCALE))
            for at in low + width * (np.arange(CELLS) + 0.5):
                u = np.sinh(at)
                cells.append((form, at, width))
                curves.append(CURVES[form](self.times, u / self.end))
                density = np.cosh(at) / (RATE_SCALE * (1.0 + (u / RATE_SCALE) ** 2))
                chances.append(width * density / whole / len(CURVES))
        self.form, self.middle, self.width = map(np.array, zip(*cells, strict=True))
        self.marginal = Marginal(
            self.scores["throw"].to_numpy(), np.eye(len(self.times))[self.place], self.arms,
            np.empty((len(self.scores), 0)), np.array(curves)[:, None, :], np.array(chances),
            self.groups, self.slopes, self.priors,
        )  # fmt: skip

    def _zoom(self):
        """Keep of each form the rates that are of any account."""
        constant, seen = self.marginal.seen(self.marginal.best()[0])
        density = self.marginal.densities(np.array([constant]), seen[None])[0]
        density = density + self.marginal.log_chances
        for form in self.spans:
            own = self.form == form
            kept = np.flatnonzero(own & (density > density[own].max() - OF_ACCOUNT))[[0, -1]]
            self.spans[form] = self.middle[kept] + 0.5 * self.width[kept] * [-1.0, 1.0]

    def draw(self, draws, seed):
        """Forms (D,), rates (D,), levels (D, A), median sds by source."""
        found = draw_posterior(self.marginal, draws, seed)
        within = np.random.default_rng(seed).uniform(-0.5, 0.5, len(found.design))
        rate = self.middle[found.design] + self.width[found.design] * within
        sds = np.median(np.exp(found.log_sds), axis=0)
        sds[-1] = np.hypot(sds[-1], FLOOR)
        return (self.form[found.design], np.sinh(rate) / self.end, found.coefficients,
                dict(zip((*self.names, "error"), sds, strict=True)))


def usable(warmings, column, nothing, lost):
    """Rows with a number in a column, load and hours, as floats, and a note on those left out,
    which have ``lost``; without any a FitError says ``nothing``."""
    rows = checked(warmings, "warmings")
    rows = rows[rows[column].notna()]
    known = rows["load_pct"].notna() & rows["hours"].notna()
    if not known.any():
        raise FitError(nothing)
    left = int((~known).sum())
    notes = (f"{left} {lost} have no weighed load and were left out.",) if left else ()
    rows = rows[known].astype({"hours": float, column: float, "load_pct": float})
    return rows.reset_index(drop=True), notes


def arms_of(rows):
    """Blend and load of the arms of rows, and the arm of each row (int array)."""
    arm, found = np.full(len(rows), -1), []
    for blend, own in rows.groupby("blend", sort=False):
        for near in planned_loads(own["load_pct"].unique(), NEAR_PCT):
            arm[(rows["blend"].eq(blend) & rows["load_pct"].isin(near)).to_numpy()] = len(found)
            found.append((blend, near.mean(), content_from_load(near.mean())))
    return pd.DataFrame(found, columns=["blend", "load_pct", "content_pct"]), arm


def arm_words(row):
    """An arm in words, with both bases of its load."""
    return f"{row['blend']} at {say_load(row['load_pct'])}"


def quantiles(draws, confidence=CONFIDENCE):
    """Lower limit, median and upper limit of draws (D, ...); infinite ones stay infinite."""
    tails = [0.5 - confidence / 2.0, 0.5, 0.5 + confidence / 2.0]
    return np.quantile(draws, tails, axis=0, method="nearest")


def _spread(draws):
    """The sd of draws; where some lie beyond what was tested, what would give them their inner
    68 % if they were normal, by the lower side alone where the upper is open."""
    if np.isfinite(draws).all():
        return float(draws.std())
    low, middle, high = quantiles(draws, 2.0 * special.ndtr(1.0) - 1.0)
    if not np.isfinite(middle):
        return np.nan
    return float((high - low) / 2.0 if np.isfinite(high) else middle - low)


def codes_of(rows):
    """The codes of pieces, named but for those beyond the first few."""
    codes = sorted(set(rows["code"].astype(str)))
    return ", ".join(codes[:8]) + (f" and {len(codes) - 8} more" if len(codes) > 8 else "")


def _hours_words(lower, middle, upper, arm):
    """Hours in words, never beyond the hours tested."""
    beyond = f"more than {arm['longest_h']:g} h"

    def say(hours):
        if not np.isfinite(hours):
            return beyond
        return f"{hours:.1f} h" if hours > arm["first_h"] else f"{hours:g} h, the first check"

    if not np.isfinite(lower):
        return f"{beyond}, the longest tested"
    return f"{say(middle)} ({100 * CONFIDENCE:.0f} % interval {say(lower)} to {say(upper)})"


def _panel_notes(scores):
    if scores["assessor"].nunique() == 1:
        yield (
            "Only one tester scored throw on the warmer; how far others would agree is taken from "
            "what is usual."
        )
    yield ("A nose that stays in the room gets used to the smell, which looks like a fall: the "
           "hours hold for testers who came in from outside at each check.")
    unnamed = int((scores["assessor"] == UNNAMED).sum())
    if unnamed:
        yield (f"{unnamed} throw scores on the warmer name no tester; they are treated as one "
               "person's.")
    early = scores[scores["hours"] < 1.0]
    if len(early):
        yield (
            f"Throw was scored within the first hour (pieces {codes_of(early)}), while the room "
            "was still filling; a low first score makes the fall look slower than it is."
        )


def _fall_notes(fit):
    """Where nothing falls, where loads share a rate, and where pieces are too few to show how they
    differ."""
    for place, arm in fit.arms.iterrows():
        if quantiles(fit.rate[:, fit._blend(place)])[0] <= 0:
            start, end = np.median(fit.draws(place, [arm["first_h"], arm["longest_h"]]), axis=0)
            yield (
                f"The throw of {arm_words(arm)} is not shown to fall up to "
                f"{arm['longest_h']:g} h ({start:.1f} at {arm['first_h']:g} h, {end:.1f} at "
                f"{arm['longest_h']:g} h): test longer to see how long it lasts."
            )
    if fit.arms["blend"].duplicated().any():
        yield ("All loads of a blend are assumed to fall at one rate. If a higher load really "
               "lasts longer, its hours here are too few and those of the lower load too many.")
    if (fit.arms["pieces"] == 1).all():
        yield (
            "One piece of each blend and load was scored, so how much pieces differ is taken from "
            "what is usual."
        )
