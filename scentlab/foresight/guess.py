"""A stated guess of what really holds, from the few things that a maker can say beforehand."""

from collections.abc import Mapping

from scentlab.planning.refusal import need, need_above_zero
from scentlab.simulate import BlendTruth, Truth

# Throw (0 to 10) at two loads (% of wax) and the load of half of its rise: this project's own
# choice, the same for all blends.
_THROW_AT, _HALF_PCT = ((6.0, 4.3), (12.0, 6.0)), 8.0


def guess_truth(capacity_pct: Mapping[str, float]) -> Truth:
    """A :class:`Truth` to simulate from, made of few answers.

    capacity_pct : dict of blend name to the load (% of wax) at which half of the pieces show any
        sweat.
    Returns Truth; ``dataclasses.replace`` gives it another spread or sd of pots.
    Raises PlanError for a guess without a blend or a load that cannot be.

    >>> round(guess_truth({"soft": 9.0}).throw("soft", 12.0), 6)
    6.0
    """
    need(capacity_pct, "the guess names no blend", "give a load for each blend", field="guess")
    shares = [load / (_HALF_PCT + load) for load, _ in _THROW_AT]
    (_, first), (_, second) = _THROW_AT
    rise = (second - first) / (shares[1] - shares[0])
    curve = {"throw_floor": first - rise * shares[0], "throw_rise": rise, "throw_half": _HALF_PCT}
    blends = {
        name: BlendTruth(need_above_zero(load, f"the guess for {name}", 60, "% of wax"), **curve)
        for name, load in capacity_pct.items()
    }
    return Truth(blends, spread=1.0, pot_sd=0.7)


def need_guess(plan, guess):
    """The guess as it is; a PlanError unless it is a Truth that knows every blend of the plan."""
    need(isinstance(guess, Truth), f"the guess is a {type(guess).__name__}",
         "give a Truth, such as guess_truth() makes", field="guess", value=guess)
    lacking = [b.name for b in plan.blends if b.name not in guess.blends]
    need(not lacking, f"the guess knows no blend {', '.join(lacking)}",
         f"it has {', '.join(guess.blends)}", field="guess", value=lacking)
    return guess
