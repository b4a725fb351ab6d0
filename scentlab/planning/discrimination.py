"""Can the panel tell two loads apart at all? Triangle, duo-trio and paired tests beforehand."""

from dataclasses import dataclass, field
from itertools import permutations

import numpy as np
import pandas as pd

from scentlab.maths.sensory import (
    CHANCE,
    assessors_needed,
    critical_count,
    d_prime,
    discrimination_power,
)
from scentlab.planning.refusal import PlanError, count_of, need_number, need_whole
from scentlab.results import Result, say_percent

_SERVED = {
    "triangle": tuple(sorted(set(permutations("AAB")) | set(permutations("ABB")))),
    "duo-trio": tuple((r, *pair) for r in "AB" for pair in ("AB", "BA")),
    "paired": (("A", "B"), ("B", "A")),
}


@dataclass(frozen=True, repr=False)
class DiscriminationPlan(Result):
    """A test of whether two pours smell different, with its counts and power.

    ``table``: assessors (answers), critical_count (least right answers that count as a
    difference), size (chance of that count by guessing), power. ``needed`` is the number from
    which the power is never missed again, ``first`` the smallest that reaches it.
    """

    method: str
    share_telling: float
    alpha: float
    power: float
    first: int
    needed: int
    table: pd.DataFrame
    notes: tuple = field(default=())

    @property
    def sentence(self):
        row = self.table[self.table["assessors"] == self.needed].iloc[0]
        return (
            f"A {self.method} test needs {self.needed} answers to find, with a power of "
            f"{say_percent(self.power)}, that {say_percent(self.share_telling)} of the assessors "
            f"really tell: {int(row['critical_count'])} or more right of {self.needed} "
            f"(chance of that by guessing {say_percent(row['size'], 1)}, at most "
            f"{say_percent(self.alpha)})."
        )


def plan_discrimination(
    method="triangle", *, share_telling=0.3, alpha=0.05, power=0.80, assessors=None
):
    """How many answers a test needs, and the exact critical counts.

    Parameters
    ----------
    method : "triangle", "duo-trio" or "paired" (which one smells stronger).
    share_telling : share of assessors who really tell that should be found.
    alpha, power : the test's error by guessing, and its chance to find that share.
    assessors : answers at hand, to see what they can do; None for the needed number only.

    Returns
    -------
    DiscriminationPlan
    """
    if method not in CHANCE:
        raise PlanError(f"the method is {method!r}; give one of {', '.join(CHANCE)}")
    need_number(share_telling, "share_telling", 0.05, 1, "")
    need_number(alpha, "alpha", 0.0001, 0.5, "")
    need_number(power, "power", 0.05, 0.999, "")
    chance = CHANCE[method]
    first, needed = assessors_needed(chance, share_telling, alpha, power)
    if first is None:
        raise PlanError(
            f"more than 2000 answers would be needed to find a share of {share_telling:g} that "
            "tells; ask for a larger share or a lower power"
        )
    numbers = {first, needed}
    notes = []
    if assessors is not None:
        numbers.add(need_whole(assessors, "assessors", 1, 2000))
        notes.append(_at_hand(assessors, chance, share_telling, alpha))
    right = chance + (1 - chance) * share_telling
    if right < 1:
        notes.append(f"{say_percent(share_telling)} who tell give {say_percent(right)} right "
                     f"answers, a d' of {d_prime(right, method):.2f}.")
    if first < needed:
        notes.append(f"{first} answers reach the power, some larger numbers miss it again; from "
                     f"{needed} on it is always reached.")
    rows = [_row(n, chance, share_telling, alpha) for n in sorted(numbers)]
    table = pd.DataFrame(rows, columns=["assessors", "critical_count", "size", "power"])
    return DiscriminationPlan(method, share_telling, alpha, power, first, needed, table,
                              tuple(notes))


def serving_orders(method, assessors, seed):
    """Who gets what in which order: each order equally often, codes new for every assessor.

    Parameters
    ----------
    method : "triangle", "duo-trio" (the reference first) or "paired".
    assessors : codes of the assessors.
    seed : whole number.

    Returns
    -------
    DataFrame with assessor, position, sample ("A" or "B", the two pours) and code. The columns
    sample and code together are the key: hand out the codes only.
    """
    if method not in _SERVED:
        raise PlanError(f"the method is {method!r}; give one of {', '.join(_SERVED)}")
    assessors, orders = list(assessors), _SERVED[method]
    served = len(orders[0])
    if len(assessors) * served > 900:
        raise PlanError(
            f"{count_of(len(assessors), 'assessor')} with {served} samples each need "
            f"{len(assessors) * served} codes and there are 900; hold two tests"
        )
    rng = np.random.default_rng(seed)
    codes = iter(rng.permutation(np.arange(100, 1000)))
    places = [i for _ in range(-(-len(assessors) // len(orders)))
              for i in rng.permutation(len(orders))]
    return pd.DataFrame(
        [(assessor, position, sample, str(next(codes)))
         for assessor, place in zip(assessors, places, strict=False)
         for position, sample in enumerate(orders[place], start=1)],
        columns=["assessor", "position", "sample", "code"],
    )


def _row(n, chance, share, alpha):
    count = critical_count(n, chance, alpha)
    size = discrimination_power(n, chance, 0.0, alpha)
    return n, float("nan") if count is None else count, size, discrimination_power(
        n, chance, share, alpha)


def _at_hand(assessors, chance, share, alpha):
    count = critical_count(assessors, chance, alpha)
    if count is None:
        return (f"With {count_of(assessors, 'answer')} no count is critical at "
                f"{say_percent(alpha)}: such a test can find nothing.")
    return (f"With {count_of(assessors, 'answer')} at hand, {count} must be right; the power is "
            f"{say_percent(discrimination_power(assessors, chance, share, alpha))}.")
