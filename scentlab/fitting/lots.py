"""Lots: whether the same blends sweat earlier with another lot, from two or more series at once.

The series are fitted as one, with pots nested in them. What belongs to the method (thresholds,
spread, stress, how pots differ) is shared, and each lot moves the capacities of all blends alike:

    capacity of blend b with lot l = capacity_b + shift_l,   the shifts adding up to 0

How far lots lie apart is learnt under a prior of its own that draws them together. "Lot" stands
for all that differs between the series: wax, fragrance, days, room.
"""

from dataclasses import dataclass, field, fields, replace

import numpy as np
import pandas as pd
from scipy import linalg

from scentlab.fitting.looks import count_pours, settle_looks
from scentlab.fitting.sweat import (
    N_GRADES,
    SweatFit,
    average_links,
    describe_prior,
    evidence_notes,
    loads_tested,
    prior_centres,
    scales_of,
    share_capacities,
)
from scentlab.maths.graded import CapacityModel, CapacityPrior, normal_density
from scentlab.maths.ordinal import count_looks
from scentlab.maths.sampling import weighted_quantile
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.schema import STRESSES
from scentlab.text import capital


@dataclass(frozen=True)
class LotPrior(CapacityPrior):
    """Priors of the sweat model over lots: shifts normal about 0, their sd log-normal.

    Nobody has published how far lots lie apart, so the prior is wide: sums of its draws hold
    shifts of 0 to some 4 points of load. Common practice, no source.
    """

    lot_sd_median: float = 0.8
    lot_sd_log_sd: float = 0.8


class LotModel(CapacityModel):
    """The sweat model with lots. The design's columns: load, an indicator per blend (B), the
    contrasts of the lots (L - 1), the stresses."""

    def __init__(self, data, n_blends, n_lots, prior, **options):
        places = np.arange(1 + n_blends, n_blends + n_lots)
        self.lots = data.design[:, places]
        plain = replace(data, design=np.delete(data.design, places, axis=1))
        super().__init__(plain, n_blends, prior, **options)

    def location_sizes(self):
        shifts = self.lots.shape[1]
        return super().location_sizes() | {"lot": shifts, "log_lot_sd": int(self.prior is not None)}

    def location(self, free):
        shift = self.take(free, "lot") @ self.lots.T
        return super().location(free) - shift / self.cell_spread(free)

    def location_slope(self, free, d_eta):
        slope = super().location_slope(free, d_eta)
        pull = d_eta / self.cell_spread(free)
        moved = pull * (self.take(free, "lot") @ self.lots.T)
        slope["lot"] = -(pull @ self.lots)
        slope["log_spread"] = slope["log_spread"] + moved.sum(axis=-1, keepdims=True)
        if self.spreads:
            slope["log_spread_shift"] = slope["log_spread_shift"] + moved @ self.blends
        return slope

    def location_prior(self, free):
        p = self.prior
        log_sd, lot = self.take(free, "log_lot_sd"), self.take(free, "lot")
        z = lot / np.exp(log_sd)
        value = (-0.5 * z**2).sum(axis=-1, keepdims=True) - lot.shape[-1] * log_sd
        own, slope = normal_density(log_sd, np.log(p.lot_sd_median), p.lot_sd_log_sd)
        slope = slope + (z**2).sum(axis=-1, keepdims=True) - lot.shape[-1]
        return super().location_prior(free) + [
            ("lot", (value, -z / np.exp(log_sd))), ("log_lot_sd", (own, slope)),
        ]

    def start(self):
        free = super().start()
        if self.prior is not None:
            free[self.places["log_lot_sd"]] = np.log(self.prior.lot_sd_median)
        return free


@dataclass(frozen=True, repr=False)
class LotFit(Result):
    """Two or more series of the same blends fitted as one, with their lots told apart.

    Attributes
    ----------
    lots : tuple of names, one per series. blends : tuple of names.
    table : DataFrame, one row per lot after the first: lot, against (the first), estimate, se,
        lower, upper (its shift of the capacity in points of load, % of wax, with 90 % limits;
        below 0 it sweats earlier).
    cells : SweatFit with a blend for each blend and lot, named by :func:`cell_name`, so that the
        ceiling of each lot is found as that of any blend.
    shifts, weights : posterior draws (S, L) of the shift of each lot from their mean, and weights.
    """

    lots: tuple
    blends: tuple
    table: pd.DataFrame
    cells: SweatFit
    shifts: np.ndarray
    weights: np.ndarray
    notes: tuple = field(default=())

    @property
    def sentence(self):
        return " ".join(_say_shift(row) for row in self.table.itertuples())


def cell_name(blend, lot):
    """The name under which one blend with one lot stands in ``LotFit.cells``.

    >>> cell_name("soft", "lot B")
    'soft, lot B'
    """
    return f"{blend}, {lot}"


@one_thread()
def fit_lots(looks, lots=None, limits=None, *, prior="weak", links=None, draws=2000, seed=1):
    """Fit several series of the same blends as one, each moved by its lot: a :class:`LotFit`.

    Parameters
    ----------
    looks : two or more frames of sweat looks, as :func:`fit_sweat` takes them. Names of codes,
        pours and pots need to differ within a series only.
    lots : names, one per series; "series 1", "series 2", ... when None.
    limits, links, draws, seed : as in :func:`fit_sweat`. prior : "weak", or a LotPrior as it is.

    Raises FitError for fewer than two series or names that are alike, for a series that lacks a
    blend or a stress of the others, or when the fit does not come to rest.
    """
    looks = list(looks)
    lots = tuple(lots or (f"series {i}" for i in range(1, len(looks) + 1)))
    _check_lots(lots, looks)
    together, notes = settle_looks(_nested(looks, lots), "sweat", ages=True)
    together = together.drop_duplicates(["code", "stress"], keep="last").reset_index(drop=True)
    blends = tuple(dict.fromkeys(together["blend"]))
    stresses = tuple(s for s in STRESSES if s in set(together["stress"]))
    _check_crossed(together, lots, blends, stresses)
    tested = loads_tested(together, blends)
    centre, centre_notes = prior_centres(blends, limits, tested)
    used = _weak_prior(blends, centre) if isinstance(prior, str) else prior
    contrasts = lot_contrasts(len(lots))
    data = _counts(together, lots, blends, stresses, contrasts)
    drawn = average_links(
        lambda link: LotModel(data, len(blends), len(lots), used, link=link),
        links, draws, seed,
    )
    shifts = drawn.points[:, drawn.model.places["lot"]] @ contrasts.T
    notes = notes + centre_notes + evidence_notes(together, blends) + drawn.notes
    words = describe_prior(used, blends) | {
        "sd between lots": (
            f"log-normal, median {used.lot_sd_median:g} % of wax, log sd {used.lot_sd_log_sd:g}"
        )
    }
    return LotFit(
        lots=lots,
        blends=blends,
        table=_shift_table(lots, shifts, drawn.weights),
        cells=_cells(drawn, together, lots, blends, stresses, contrasts, words),
        shifts=shifts,
        weights=drawn.weights,
        notes=notes,
    )


def lot_contrasts(number):
    """Orthonormal columns (L, L - 1) that each add up to 0, so that no lot is the reference.

    >>> lot_contrasts(2).round(3).tolist()
    [[0.707], [-0.707]]
    """
    return linalg.helmert(number).T


def _check_lots(lots, looks):
    if len(looks) < 2:
        raise FitError("lots are set apart by two or more series; give their sweat inspections")
    if len(lots) != len(looks) or len(set(lots)) < len(lots):
        raise FitError(
            f"there are {len(looks)} series and the lots {', '.join(lots)}; give each series a "
            "name of its own"
        )


def _nested(looks, lots):
    """The looks of all series, with codes, pours and pots that are only one series' own."""
    frames = []
    for lot, own in zip(lots, looks, strict=True):
        own = own.dropna(subset=["code", "pour", "pot"])
        named = {name: f"{lot}: " + own[name].astype(str) for name in ("code", "pour", "pot")}
        frames.append(own.assign(**named, lot=lot))
    return pd.concat(frames, ignore_index=True)


def _check_crossed(looks, lots, blends, stresses):
    """Every lot must have every blend and every stress, or a shift takes their place."""
    for column, values in (("blend", blends), ("stress", stresses)):
        for lot in lots:
            missing = sorted(set(values) - set(looks.loc[looks["lot"] == lot, column]))
            if missing:
                raise FitError(
                    f"{lot} has no sweat grade of the {column} {missing[0]}, which another series "
                    "has; fit only what all series have"
                )


def _counts(looks, lots, blends, stresses, contrasts):
    place = looks["lot"].map({lot: i for i, lot in enumerate(lots)}).to_numpy(int)
    design = np.column_stack(
        [looks["load_pct"].to_numpy(float)]
        + [(looks["blend"] == b).to_numpy(float) for b in blends]
        + [contrasts[place]]
        + [(looks["stress"] == s).to_numpy(float) for s in stresses[1:]]
    )
    return count_looks(looks["grade"].to_numpy(int), design, looks["pot"].to_numpy(str), N_GRADES)


def _weak_prior(blends, centre):
    shared = share_capacities(True, blends, centre)
    return LotPrior(
        capacity_centre=tuple(shared["centre"]),
        shared=tuple(map(tuple, shared["columns"])) if len(shared["scale"]) else (),
        shared_scale=tuple(shared["scale"]),
    )


def _shift_table(lots, shifts, weights):
    rows = []
    for place, lot in enumerate(lots[1:], start=1):
        change = shifts[:, place] - shifts[:, 0]
        lower, middle, upper = weighted_quantile(change, weights, (0.05, 0.5, 0.95))
        sd = float(np.sqrt(np.cov(change, aweights=weights, ddof=0)))
        rows.append((lot, lots[0], middle, sd, lower, upper))
    return pd.DataFrame(rows, columns=["lot", "against", "estimate", "se", "lower", "upper"])


def _say_shift(row):
    """The shift of one lot in a sentence that claims a direction only where it is told."""
    if row.lower > 0 or row.upper < 0:
        ends = sorted((abs(row.lower), abs(row.upper)))
        way = "earlier" if row.upper < 0 else "later"
        return (
            f"{capital(row.lot)} sweats {abs(row.estimate):.1f} points of load "
            f"(% of wax) {way} than {row.against}, 90 % interval {ends[0]:.1f} to {ends[1]:.1f} "
            "points."
        )
    return (
        f"Whether {row.lot} sweats earlier or later than {row.against} is too close to call: "
        f"{_say_way(row.estimate)}, 90 % interval {_say_way(row.lower)} to "
        f"{_say_way(row.upper)}, in points of load (% of wax)."
    )


def _say_way(change):
    return f"{abs(change):.1f} {'earlier' if change < 0 else 'later'}"


def _cells(drawn, looks, lots, blends, stresses, contrasts, words):
    """The fit with a blend for each blend and lot: its draws follow from those of the lots."""
    named = [cell_name(b, lot) for b in blends for lot in lots]
    looks = looks.assign(blend=list(map(cell_name, looks["blend"], looks["lot"])))
    tested, model = loads_tested(looks, named), drawn.model
    free, layout = _unrolled(model, np.vstack([drawn.peak.point, drawn.points]), contrasts)
    names = [f"capacity of {n}" for n in named] + ["log spread"]
    names += [f"log spread of {n} against it" for n in named] * model.spreads
    names += [f"effect of {s}" for s in stresses[1:]]
    names += [f"log gap below grade {g}" for g in range(2, N_GRADES)] + ["sd between pots"]
    middle = tested[["lowest_pct", "highest_pct"]].mean(axis=1).to_numpy(float)
    known = {f.name for f in fields(drawn)} & {f.name for f in fields(SweatFit)}
    return SweatFit(
        blends=tuple(named),
        stresses=stresses,
        names=tuple(names + ["logit misread"] * model.reads),
        point=free[0],
        covariance=np.cov(free[1:].T, aweights=drawn.weights),
        draws=free[1:],
        effective_size=drawn.effective_size,
        log_likelihood=float(model.log_likelihood(drawn.peak.point)),
        counts=count_pours(looks, N_GRADES),
        tested=tested,
        misread=model.reads,
        ages=(float(looks["age_days"].min()), float(looks["age_days"].max())),
        scales=model.prior and scales_of(model.prior),
        layout=layout,
        shared=share_capacities(False, named, middle),
        prior=words,
        **{name: getattr(drawn, name) for name in known - {"notes"}},
    )


def _unrolled(model, points, contrasts):
    """Free parameters (S, p) with lots as those of ``cells``, and their layout."""
    take = {key: model.take(points, key) for key in model.places}
    lots, none = len(contrasts), np.empty((len(points), 0))
    shifts = take["lot"] @ contrasts.T
    parts = {
        "capacity": (take["capacity"][:, :, None] + shifts[:, None]).reshape(len(points), -1),
        "log_spread": take["log_spread"],
        "log_spread_shift": np.repeat(take["log_spread_shift"], lots, axis=1),
        "stress": take["stress"], "ageing": none, "log_pool": none,
        **{key: take[key] for key in ("log_gaps", "sigma", "logit_misread")},
    }  # fmt: skip
    ends = np.cumsum([0, *(part.shape[1] for part in parts.values())])
    layout = dict(zip(parts, zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True), strict=True))
    return np.hstack(list(parts.values())), layout
