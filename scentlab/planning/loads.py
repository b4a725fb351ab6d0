"""Which loads to pour, and where the next pours tell most, from a guess stated beforehand."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import optimize, special

from scentlab.maths.exchange import by_exchange, d_optimal
from scentlab.maths.threads import one_thread
from scentlab.planning.refusal import PlanError, need_above_zero, need_number, need_whole
from scentlab.results import Result
from scentlab.units import content_from_load

CRITERIA = ("determinant", "ceiling")
# A logit with a normal pot effect is nearly a flatter logit: (16 sqrt(3) / (15 pi))^2
_FLATTER = (16 * np.sqrt(3) / (15 * np.pi)) ** 2


@dataclass(frozen=True)
class Guess:
    """What is believed of the sweat before anything is poured; all of it can be wrong.

    Attributes
    ----------
    capacity_pct : dict of blend name to the load (% of wax) at which half of the pieces show any
        sweat.
    spread_pct : points of load over which the logit rises by one.
    pot_sd : sd of pots on the logit scale.
    capacity_sd_pct : doubt about a capacity, points of load.
    log_spread_sd : doubt about the spread, on the log scale.
    """

    capacity_pct: dict
    spread_pct: float = 1.0
    pot_sd: float = 0.7
    capacity_sd_pct: float = 3.0
    log_spread_sd: float = 0.7

    def __post_init__(self):
        if not self.capacity_pct:
            raise PlanError("the guess names no blend; give a capacity for each blend")
        for name, value in self.capacity_pct.items():
            need_above_zero(value, f"the guessed capacity of {name}", 60, "% of wax")
        need_above_zero(self.spread_pct, "spread_pct", 20, "points of load")
        need_number(self.pot_sd, "pot_sd", 0, 10, "")
        need_above_zero(self.capacity_sd_pct, "capacity_sd_pct", 30, "points of load")
        need_above_zero(self.log_spread_sd, "log_spread_sd", 5, "")


@dataclass(frozen=True, repr=False)
class NextPours(Result):
    """Pours that tell most about the ceilings. ``pairs`` goes to make_plan(extra_pours=...).

    ``table``: blend, load_pct, content_pct, pours. ``gain``: blend, width of the ceiling (points
    of load between the load at risk and its lower limit) without and with these pours.
    """

    table: pd.DataFrame
    gain: pd.DataFrame
    criterion: str
    risk: float
    confidence: float
    seed: int
    notes: tuple = field(default=())

    @property
    def pairs(self):
        """The pours as (blend, load), one for each."""
        return tuple(
            (r.blend, r.load_pct) for r in self.table.itertuples() for _ in range(r.pours)
        )

    @property
    def sentence(self):
        number = int(self.table["pours"].sum())
        return f"{number} more pours would bring {_say_widest(self.gain)}."


@dataclass(frozen=True, repr=False)
class NextPots(Result):
    """Whole pots that tell most about the ceilings. ``names`` goes to make_plan(extra_pots=...).

    ``table``: blend, pots_planned, pots_more. ``gain`` and the rest as in :class:`NextPours`.
    ``loads_pct``: the loads that each pot is poured at.
    """

    table: pd.DataFrame
    gain: pd.DataFrame
    loads_pct: tuple
    criterion: str
    risk: float
    confidence: float
    seed: int
    notes: tuple = field(default=())

    @property
    def names(self):
        """The blend of each pot."""
        return tuple(r.blend for r in self.table.itertuples() for _ in range(r.pots_more))

    @property
    def sentence(self):
        more = [f"{r.pots_more} of {r.blend}" for r in self.table.itertuples() if r.pots_more]
        return (
            f"Pots to add: {', '.join(more)}. They would bring {_say_widest(self.gain)}."
        )


def _say_widest(gain):
    """What becomes of the widest ceiling, and which is the widest then, if it is another."""
    before, after = (gain.loc[gain[f"width_{w}_pct"].idxmax()] for w in ("before", "with"))
    other = ""
    if after["blend"] != before["blend"]:
        other = f"; the widest is then that of {after['blend']}, {after['width_with_pct']:.2f}"
    return (
        f"the widest ceiling (blend {before['blend']}) from {before['width_before_pct']:.2f} to "
        f"{before['width_with_pct']:.2f} points of load, % of wax, if the guess is right{other}"
    )


def even_loads(low, high, number, step=0.5):
    """Loads evenly spaced from low to high, rounded to ``step`` (all in % of wax).

    >>> even_loads(4, 14, 6)
    (4.0, 6.0, 8.0, 10.0, 12.0, 14.0)
    """
    need_whole(number, "number of loads", 2, 40, "loads")
    need_above_zero(low, "the lowest load", 40, "% of wax")
    if not low < need_above_zero(high, "the highest load", 40, "% of wax"):
        raise PlanError(
            f"the loads run from {low:g} to {high:g} % of wax; give a higher second one"
        )
    return _stepped(np.linspace(low, high, number), step)


def placed_loads(guess, number, *, lowest=1.0, highest=40.0, step=0.5):
    """Loads where the guess says the doubt is: quantiles of where sweat may begin.

    The doubt about each capacity and the spread make a distribution of where a piece begins to
    sweat; blends count alike. Loads stand at its evenly spaced quantiles from 5 to 95 %.
    """
    need_whole(number, "number of loads", 2, 40, "loads")
    centres = np.array(list(guess.capacity_pct.values()), dtype=float)
    sd = np.hypot(guess.capacity_sd_pct, guess.spread_pct * np.pi / np.sqrt(3))

    def below(load, share):
        return np.mean(special.ndtr((load - centres) / sd)) - share

    ends = centres.min() - 9 * sd, centres.max() + 9 * sd
    shares = np.linspace(0.05, 0.95, number)
    exact = [optimize.brentq(below, *ends, args=(share,)) for share in shares]
    return _stepped(np.clip(exact, lowest, highest), step)


@one_thread()
def next_pours(
    guess, loads_pct, number, *, pieces=6, poured=(), criterion="ceiling", risk=0.05,
    confidence=0.95, seed,
):
    """Which (blend, load) to pour next, chosen by exchange.

    Parameters
    ----------
    guess : Guess
    loads_pct : loads that could be poured, % of wax.
    number : pours to choose.
    pieces : sweat pieces of a pour.
    poured : pairs (blend, load) that are poured or planned already.
    criterion : "determinant" (D-optimal for capacities and spread) or "ceiling" (the smallest
        width of the widest ceiling).
    risk, confidence : of the ceiling, for any sweat.
    seed : whole number.

    Returns
    -------
    NextPours
    """
    _need_criterion(criterion)
    need_whole(number, "number of pours", 1, 200, "pours")
    blends = list(guess.capacity_pct)
    cells = [(b, float(x)) for b in blends for x in loads_pct]
    rows = _rows(guess, blends, cells, pieces)
    known = _prior(guess, len(blends)) + _gram(_rows(guess, blends, list(poured), pieces))
    rng = np.random.default_rng(seed)
    if criterion == "determinant":
        chosen = d_optimal(rows, number, rng, known=known)
    else:
        chosen = by_exchange(
            lambda picked: _widths(guess, known + _gram(rows[picked]), risk, confidence).max(),
            len(cells), number, rng,
        )
    gain = _gain(guess, blends, known, known + _gram(rows[chosen]), risk, confidence)
    notes = (
        "Every pour is counted as if from a pot of its own; pours that share a pot tell less.",
        "The widths hold for the guess and for sweat of any grade.",
    )
    return NextPours(_counted(cells, chosen), gain, criterion, risk, confidence, seed, notes)


@one_thread()
def next_pots(
    guess, loads_pct, number, *, pieces=4, pots_per_blend=2, criterion="ceiling", risk=0.05,
    confidence=0.95, seed,
):
    """Which blends to give more pots, each poured at all loads, chosen by exchange.

    Pours of a pot share what is peculiar to it, so that they count as one whole plot.

    Parameters
    ----------
    guess : Guess
    loads_pct : loads of every pot, % of wax.
    number : pots to add.
    pieces : sweat pieces of a pour.
    pots_per_blend : pots planned already, one number or a dict by blend.
    criterion, risk, confidence, seed : as in :func:`next_pours`.

    Returns
    -------
    NextPots
    """
    _need_criterion(criterion)
    need_whole(number, "number of pots", 1, 100, "pots")
    blends = list(guess.capacity_pct)
    loads = tuple(float(x) for x in loads_pct)
    planned = pots_per_blend if isinstance(pots_per_blend, dict) else {}
    planned = {
        b: need_whole(planned.get(b, 0) if planned else pots_per_blend, f"pots of {b}", 0, 100)
        for b in blends
    }
    pots = np.array([_pot_information(guess, blends, b, loads, pieces) for b in blends])
    counts = np.array(list(planned.values()))
    known = _prior(guess, len(blends)) + np.tensordot(counts, pots, 1)

    def cost(picked):
        information = known + pots[picked].sum(axis=0)
        if criterion == "determinant":
            return -np.linalg.slogdet(information)[1]
        return _widths(guess, information, risk, confidence).max()

    chosen = by_exchange(cost, len(blends), number, np.random.default_rng(seed))
    with_them = known + pots[chosen].sum(axis=0)
    more = np.bincount(chosen, minlength=len(blends))
    return NextPots(
        pd.DataFrame({"blend": blends, "pots_planned": counts, "pots_more": more}),
        _gain(guess, blends, known, with_them, risk, confidence),
        loads, criterion, risk, confidence, seed,
        ("The widths hold for the guess and for sweat of any grade.",),
    )


def _need_criterion(criterion):
    if criterion not in CRITERIA:
        raise PlanError(f"the criterion is {criterion!r}; give one of {', '.join(CRITERIA)}")


def _gain(guess, blends, before, after, risk, confidence):
    return pd.DataFrame({
        "blend": blends,
        "width_before_pct": _widths(guess, before, risk, confidence),
        "width_with_pct": _widths(guess, after, risk, confidence),
    })


def _pot_information(guess, blends, blend, loads, pieces):
    """Information (p, p) of a pot about the capacities and the log spread.

    On the scale of the logit a pour has the variance 1 / (m p (1 - p)), and what the pot adds is
    common to its pours: J = X' (diag(w)^-1 + sd^2 1 1')^-1 X, by Woodbury's identity.
    """
    eta = (np.asarray(loads) - guess.capacity_pct[blend]) / guess.spread_pct
    chance = special.expit(eta)
    weight = pieces * chance * (1 - chance)
    x = np.zeros((len(eta), len(blends) + 1))
    x[:, blends.index(blend)] = -1 / guess.spread_pct
    x[:, -1] = -eta
    shared = x.T @ weight
    loss = guess.pot_sd**2 / (1 + guess.pot_sd**2 * weight.sum())
    return x.T @ (weight[:, None] * x) - loss * np.outer(shared, shared)


def _counted(cells, chosen):
    places, counts = np.unique(chosen, return_counts=True)
    loads = [cells[i][1] for i in places]
    return pd.DataFrame({
        "blend": [cells[i][0] for i in places], "load_pct": loads,
        "content_pct": [content_from_load(x) for x in loads],
        "pours": [int(c) for c in counts],
    })


def _rows(guess, blends, cells, pieces):
    """Square roots of the information of each pour about the capacities and the log spread.

    m pieces that share a pour act like m w / (1 + m w sd^2) independent ones, w = p (1 - p).
    """
    rows = np.zeros((len(cells), len(blends) + 1))
    for place, (blend, load) in enumerate(cells):
        if blend not in blends:
            raise PlanError(f"the guess knows no blend {blend!r}; it has {', '.join(blends)}")
        eta = (load - guess.capacity_pct[blend]) / guess.spread_pct
        chance = special.expit(eta)
        weight = pieces * chance * (1 - chance)
        weight /= 1 + weight * guess.pot_sd**2
        rows[place, blends.index(blend)] = -np.sqrt(weight) / guess.spread_pct
        rows[place, -1] = -np.sqrt(weight) * eta
    return rows


def _gram(rows):
    return rows.T @ rows


def _prior(guess, n_blends):
    return np.diag([guess.capacity_sd_pct**-2] * n_blends + [guess.log_spread_sd**-2])


def _widths(guess, information, risk, confidence):
    """Points of load between the load at risk of a new pot and its lower limit, per blend."""
    covariance = np.linalg.inv(information)
    steep = special.logit(risk) * np.sqrt(1 + _FLATTER * guess.pot_sd**2) * guess.spread_pct
    n = len(covariance) - 1
    variance = (np.diag(covariance)[:n] + 2 * steep * covariance[:n, n]
                + steep**2 * covariance[n, n])
    return special.ndtri(confidence) * np.sqrt(variance)


def _stepped(loads, step):
    loads = tuple(float(x) for x in dict.fromkeys(np.round(np.asarray(loads) / step) * step))
    loads = tuple(round(x, 6) for x in loads if x > 0)
    if len(loads) < 2:
        raise PlanError(
            f"rounded to {step:g} points only {len(loads)} load is left; give a smaller step"
        )
    return loads
