"""The next round: which pots, at which loads, shrink the doubt about the ceiling most."""

from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd

from scentlab.fitting.sweat import load_at_risk_draws
from scentlab.maths.preposterior import PotBank, SweatDraws, choose_pots, expected_sd
from scentlab.maths.sampling import weighted_quantile
from scentlab.maths.threads import one_thread
from scentlab.planning.refusal import PlanError, count_of, need_number, need_whole
from scentlab.results import Result
from scentlab.units import content_from_load, say_load

WIDTH_OF_SD = 3.29  # width of a normal 90 % interval in standard deviations
_STEP = 0.5
_MOST_LOADS = 14  # candidate loads of a blend


@dataclass(frozen=True, repr=False)
class NextRound(Result):
    """Pots of the next round and what they are expected to be worth.

    Attributes
    ----------
    table : DataFrame in the order of choosing: pot (n1, n2, ...), blend, loads_pct (tuple, % of
        wax), contents_pct, pours, width_after_pct: expected 90 % width of the load at risk,
        averaged over blends, when this pot and those above it are poured (points of load).
    gain : DataFrame: blend, width_now_pct, width_after_pct of the load at risk.
    pours : int. pieces : int, sweat pieces of each pour. stress : of these pieces.
    stop_below_pct : the expected gain under which another round is not worth it.
    seed : int.
    """

    table: pd.DataFrame
    gain: pd.DataFrame
    pours: int
    pieces: int
    stress: str
    stop_below_pct: float
    seed: int
    notes: tuple = field(default=())

    @property
    def expected_gain_pct(self):
        """Points of load by which the 90 % width is expected to shrink, mean over blends."""
        return float((self.gain["width_now_pct"] - self.gain["width_after_pct"]).mean())

    @property
    def worth_it(self):
        """False when the expected gain is below the stated amount: stop pouring."""
        return self.expected_gain_pct >= self.stop_below_pct

    @property
    def pairs(self):
        """The pours as (blend, load), one for each."""
        return tuple((r.blend, x) for r in self.table.itertuples() for x in r.loads_pct)

    def sheet(self, wax_g):
        """One row per pour with the wax of a pour given in g: pot, blend, load_pct, content_pct,
        wax_g, fragrance_g (down to 0.1 g, never above the load)."""
        rows = [
            (r.pot, r.blend, x, content_from_load(x), float(wax_g),
             float(np.floor(wax_g * x / 10 + 1e-9)) / 10)
            for r in self.table.itertuples() for x in r.loads_pct
        ]
        return pd.DataFrame(
            rows, columns=["pot", "blend", "load_pct", "content_pct", "wax_g", "fragrance_g"]
        )

    @property
    def sentence(self):
        now, after = self.gain["width_now_pct"].mean(), self.gain["width_after_pct"].mean()
        said = (
            f"{count_of(self.pours, 'pour')} from {count_of(len(self.table), 'new pot')} are "
            f"expected to bring the 90 % interval of the load at risk from {now:.2f} to "
            f"{after:.2f} points of load (% of wax), mean over blends"
        )
        if self.worth_it:
            return said + "."
        return (
            f"Stop here: {said}, a gain of {self.expected_gain_pct:.2f}, below the "
            f"{self.stop_below_pct:g} that another round must bring."
        )


@one_thread()
def next_round(analysis, *, pours, seed, candidates=None, loads_a_pot=1, pieces=None,
               blends=None, stop_below_pct=0.2, looks=100, draws=400, passes=1):
    """Choose new pots and their loads for the least expected doubt about the load at risk.

    Looks at each pot that might be poured are simulated from the posterior draws of the sweat
    fit, the draws are reweighted by their likelihood (averaged over the effect of the new pot),
    and the spread of the load at risk is averaged over the simulated looks. Pots are chosen one
    after the other and then exchanged while that helps.

    Parameters
    ----------
    analysis : Analysis. pours : int, pours of the round. seed : whole number.
    candidates : dict of blend to loads (% of wax) that could be poured; None takes steps of half
        a point about the loads where the limit grade begins.
    loads_a_pot : loads drawn from each new pot; fewer loads from more pots tell more and are
        more work.
    pieces : sweat pieces of a pour; None takes the usual number of the series.
    blends : names of the blends whose ceiling matters; None for all.
    stop_below_pct : points of load; a smaller expected gain is not worth a round.
    looks, draws : simulated looks, and draws they are judged under. passes : rounds of exchange.

    Returns
    -------
    NextRound

    Raises
    ------
    PlanError when what is asked for cannot be poured.
    """
    fit, rules = analysis.sweat, analysis.rules
    stress = analysis.ceiling.stress
    need_whole(pours, "pours of the next round", 1, 500, "pours")
    need_whole(loads_a_pot, "loads_a_pot", 1, 4, "loads")
    need_whole(seed, "seed", 0, 2**63 - 1)
    need_number(stop_below_pct, "stop_below_pct", 0, 20, "points of load")
    wanted = _wanted(fit, blends)
    usual = _usual_pieces(fit, stress)
    pieces = need_whole(usual if pieces is None else pieces, "sweat pieces of a pour", 1, 50)
    at_risk = load_at_risk_draws(fit, rules.risk, rules.limit_grade, stress)
    loads = _candidate_loads(fit, at_risk, wanted, candidates)
    rng = np.random.default_rng(seed)
    true, believed, weights = _two_sets(fit.weights, looks, draws, rng)
    everything = _by_meaning(fit, stress)
    bank = PotBank(everything.take(true), everything.take(believed), pieces, seed)
    values = at_risk[believed]
    columns = [fit.blends.index(b) for b in wanted]

    def worth(log_likelihood):
        return WIDTH_OF_SD * expected_sd(log_likelihood, weights, values[:, columns]).mean()

    pots, path = _choose(fit, loads, pours, loads_a_pot, bank, worth, passes)
    table = _table(fit, pots, path)
    return NextRound(
        table, _gain(fit, at_risk, pots, bank, weights, values, wanted),
        pours, pieces, stress, float(stop_below_pct), seed,
        _notes(fit, loads_a_pot, pieces, stress) + _over_limit(table, analysis.series.blends),
    )


def _by_meaning(fit, stress):
    """The fit's draws with the shift of one stress."""
    named, place = fit.named, fit.stresses.index(stress)
    shift = named["stress"][:, place - 1] if place else np.zeros(len(fit.draws))
    link = np.asarray(fit.links["link"], dtype=str)[fit.draw_link]
    spread = np.broadcast_to(named["spread"].reshape(len(shift), -1), named["capacity"].shape)
    return SweatDraws(
        named["capacity"], spread, shift, named["tau"], named["sigma"],
        named["misread"], link,
    )


def _choose(fit, loads, pours, loads_a_pot, bank, worth, passes):
    """Pots as (blend index, loads) and the worth after each; a last pot takes what is left."""
    number, left = divmod(pours, loads_a_pot)
    pots = _pots(fit, loads, loads_a_pot)
    if number and not pots:
        raise PlanError(
            f"no blend has {loads_a_pot} candidate loads; give more loads or a smaller loads_a_pot"
        )
    chosen, path = choose_pots(pots, number, bank, worth, passes) if number else ([], [])
    picked = [pots[i] for i in chosen]
    if left:
        rest = _pots(fit, loads, left)
        total = bank.total(picked)
        found = [worth(total + bank.pot(*pot, len(picked))) for pot in rest]
        picked.append(rest[int(np.argmin(found))])
        path = [*path, float(np.min(found))]
    return picked, path


def _pots(fit, loads, size):
    """Every pot of so many different loads of one blend."""
    return [
        (fit.blends.index(blend), pot)
        for blend, possible in loads.items()
        for pot in combinations(possible, size)
    ]


def _wanted(fit, blends):
    wanted = tuple(fit.blends) if blends is None else tuple(blends)
    unknown = [b for b in wanted if b not in fit.blends]
    if unknown or not wanted:
        said = f"no blend is called {', '.join(unknown)}" if unknown else "blends names none"
        raise PlanError(f"{said}; fitted were {', '.join(fit.blends)}")
    return wanted


def _usual_pieces(fit, stress):
    own = fit.counts[fit.counts["stress"] == stress]
    return max(1, int(own["n"].median()))


def _candidate_loads(fit, at_risk, wanted, candidates):
    """Loads (% of wax) of each blend that could be poured."""
    if candidates is None:
        return {b: _usual_loads(fit, at_risk, b) for b in wanted}
    unknown = [b for b in candidates if b not in fit.blends]
    if unknown:
        raise PlanError(
            f"candidates name {', '.join(unknown)}; fitted were {', '.join(fit.blends)}"
        )
    found = {}
    for blend, loads in candidates.items():
        for load in loads:
            need_number(load, f"a candidate load of {blend}", 0.1, 60, "% of wax")
        found[blend] = tuple(sorted({float(x) for x in loads}))
    return found


def _usual_loads(fit, at_risk, blend):
    """Steps from below the load at risk to past the capacity, not far beyond what was tested."""
    place = fit.blends.index(blend)
    tested = fit.tested.set_index("blend").loc[blend]
    low = weighted_quantile(at_risk[:, place], fit.weights, 0.05)
    high = weighted_quantile(fit.named["capacity"][:, place], fit.weights, 0.95)
    low = np.clip(low, max(_STEP, tested["lowest_pct"] - 3.0), tested["highest_pct"])
    high = np.clip(high + fit.named["spread"].mean(), low + _STEP, tested["highest_pct"] + 3.0)
    step = _STEP * max(1, int(np.ceil((high - low) / (_STEP * _MOST_LOADS))))
    first, last = np.floor(low / step), np.ceil(high / step)
    return tuple(float(x) for x in np.arange(first, last + 1) * step if x > 0)


def _two_sets(weights, looks, draws, rng):
    """Indices of draws taken as true, of those believed, and the believed ones' weights.

    No draw is in both: a truth that is among the beliefs would be found too easily.
    """
    order = rng.permutation(len(weights))
    order = order[weights[order] > 0]
    share = np.cumsum(weights[order]) / weights.sum()
    cut = int(np.searchsorted(share, 0.3)) + 1
    true = _systematic(weights[order[:cut]], looks, rng)
    index, counts = np.unique(_systematic(weights[order[cut:]], draws, rng), return_counts=True)
    return order[:cut][true], order[cut:][index], counts / counts.sum()


def _systematic(weights, size, rng):
    """Indices of so many draws in proportion to their weights, evenly spread."""
    ladder = (np.arange(size) + rng.random()) / size
    return np.searchsorted(np.cumsum(weights) / weights.sum(), ladder).clip(0, len(weights) - 1)


def _table(fit, pots, path):
    rows = [
        (f"n{i}", fit.blends[blend], loads, tuple(content_from_load(x) for x in loads),
         len(loads), float(after))
        for i, ((blend, loads), after) in enumerate(zip(pots, path, strict=True), 1)
    ]
    columns = ["pot", "blend", "loads_pct", "contents_pct", "pours", "width_after_pct"]
    return pd.DataFrame(rows, columns=columns)


def _gain(fit, at_risk, pots, bank, weights, values, wanted):
    """Width of the load at risk now and as expected, per blend.

    The expected one is scaled by what the smaller set of draws says of now, so that both rest on
    all draws.
    """
    now = [_width(at_risk[:, fit.blends.index(b)], fit.weights) for b in wanted]
    before = np.sqrt(weights @ (values - weights @ values) ** 2)
    after = expected_sd(bank.total(pots), weights, values) / before
    return pd.DataFrame({
        "blend": wanted, "width_now_pct": now,
        "width_after_pct": [
            w * after[fit.blends.index(b)] for b, w in zip(wanted, now, strict=True)
        ],
    })


def _width(draws, weights):
    lower, upper = weighted_quantile(draws, weights, (0.05, 0.95))
    return float(upper - lower)


def _notes(fit, loads_a_pot, pieces, stress):
    notes = [
        f"Each pour is counted with {count_of(pieces, 'sweat piece')} looked at "
        f"{'at rest' if stress == 'rest' else 'after heat'}; each pot is a new melt with "
        f"{count_of(loads_a_pot, 'load')}.",
        "The gain is an average over what may be seen; a single round can bring less or more.",
    ]
    if fit.effective_size < 100:
        notes.append("The fit has few effective draws, so the order of the pots is rough.")
    return tuple(notes)


def _over_limit(table, blends):
    """A note on the loads above a wax maker's limit, or none."""
    limits = dict(zip(blends["blend"], pd.to_numeric(blends["limit_load_pct"]), strict=True))
    over = {
        r.blend: limits[r.blend] for r in table.itertuples()
        if max(r.loads_pct) > limits.get(r.blend, np.inf)
    }
    if not over:
        return ()
    told = ", ".join(f"{blend} {say_load(limit)}" for blend, limit in over.items())
    return (
        f"Some of these loads lie above the wax maker's limit ({told}): for testing only, not for "
        "sale.",
    )
