"""Enough throw: the lowest load whose throw is hardly below the best to be had, in points.

A rule of non-inferiority: in each draw of the throw curve the best of the loads is looked up, and a
load will do when, with at least 80 % probability, it lies no more than the accepted loss below that
best. It is the same rule for curves that rise, level off, peak or fall.
"""

from dataclasses import dataclass

import numpy as np

from scentlab.choosing.rules import THROW_WORDS
from scentlab.results import say_chance
from scentlab.units import say_load_oz, say_percent_of_wax

SURE = 0.80
# Where no load is sure enough, chances as near as this to the greatest are taken for no worse.
NEAR = 0.10


@dataclass(frozen=True)
class Enough:
    """The load that will do, and what the draws say of it and of the ends of the loads.

    place : int, index of the load. chance : that it lies no more than the loss below the best.
    behind : its mean distance from the best, in points. same : chance that no load of all differs
        from it by more than the loss. less, more : chance that the lowest, the highest load lies
        more than the loss below the best. less_behind, more_behind : their mean distances, in
        points. least : the smallest chance that so many draws tell.
    """

    place: int
    chance: float
    behind: float
    same: float
    less: float
    more: float
    less_behind: float
    more_behind: float
    least: float


def enough_throw(draws, loss):
    """The lowest load whose throw will do, by draws (D, L) of throw at loads in rising order, where
    ``loss`` points may be given up. Where no load is sure enough, the highest of those whose chance
    comes within ``NEAR`` of the greatest: what cannot be told is not taken for a reason to pour
    less."""
    draws = np.asarray(draws, dtype=float)
    behind = draws.max(axis=1, keepdims=True) - draws
    far = behind > loss + 1e-9
    chance = 1.0 - far.mean(axis=0)
    sure = np.flatnonzero(chance >= SURE - 1e-9)
    near = np.flatnonzero(chance >= chance.max() - NEAR - 1e-9)
    place = int(sure[0] if len(sure) else near[-1])
    apart = np.abs(draws - draws[:, [place]]).max(axis=1)
    return Enough(
        place, float(chance[place]), float(behind[:, place].mean()),
        float((apart <= loss + 1e-9).mean()),
        *(float(far[:, end].mean()) for end in (0, -1)),
        *(float(behind[:, end].mean()) for end in (0, -1)),
        min(max(0.01, 3.0 / len(draws)), 0.5),
    )


def enough_words(found, loads, kind, loss):
    """Why the load will do, in one or two sentences without the last full stop."""
    if len(loads) == 1:
        return ""
    throw, points = f"{THROW_WORDS[kind]} throw", say_points(loss)
    low, high = (say_load_oz(loads[i], sold=True) for i in (0, -1))
    first, last = found.place == 0, found.place == len(loads) - 1
    chance = say_chance(found.chance, found.least, 0)
    if found.chance < SURE - 1e-9:
        return (
            f"The scores cannot settle which load from {low} to {high} smells strongest; the "
            f"chance that this one is within {points} of the best is {chance}. More testers or "
            "another session would help"
        )
    if found.more >= SURE and not last:
        chance = say_chance(found.more, found.least, 0)
        said = (
            f"Above it {throw} falls: {high} smells {found.more_behind:.1f} points weaker than "
            f"the best (chance of more than {points}: {chance})"
        )
    elif found.same >= SURE:
        chance = say_chance(found.same, found.least, 0)
        others = f"any load from {low} to {high}"
        others = f"any load up to {high}" if first else f"any load from {low}" if last else others
        said = (
            f"To your testers it smells the same as {others} (chance of a difference under "
            f"{points}: {chance})"
        )
    elif last:
        said = f"More fragrance, up to {high}, may add more than {points} of {throw}"
    else:
        said = f"Going on to {high} adds less than {points} of {throw} (chance {chance})"
    return ". ".join([said, *_below(found, say_percent_of_wax(loads[0], sold=True), points)])


def _below(found, low, points):
    if found.place == 0:
        yield "Nothing lower was tested; a lower test batch would show whether less will do"
    elif found.less >= SURE:
        yield f"{low} smells {found.less_behind:.1f} points weaker than the best"
    elif found.same < SURE:
        chance = say_chance(found.less, found.least, 0)
        yield (
            f"The scores cannot settle whether {low} smells more than {points} weaker (chance "
            f"{chance}); more testers or another session would help"
        )


def say_points(loss):
    return {0.5: "half a point", 1.0: "1 point"}.get(loss, f"{loss:g} points")
