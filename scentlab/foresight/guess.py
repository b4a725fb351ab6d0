"""A stated guess of what really holds, from the few things that a maker can say beforehand."""

import numpy as np

from scentlab.planning.loads import Guess
from scentlab.planning.refusal import PlanError, need_above_zero, need_number
from scentlab.simulate import BlendTruth, Truth

_USUAL_THROW = {6.0: 4.3, 12.0: 6.0}


def guess_truth(guess, *, throw_at=None, throw_half_pct=8.0, heat=1.0, **more):
    """A :class:`Truth` to simulate from, made of few answers.

    Parameters
    ----------
    guess : Guess, or a dict of blend name to capacity: the load (% of wax) at which half of the
        pieces show any sweat.
    throw_at : dict of two loads (% of wax) to the throw (0 to 10) expected there, for all blends,
        or a dict of such dicts by blend. None takes 4.3 at 6 % and 6.0 at 12 % of wax, this
        project's own choice.
    throw_half_pct : load (% of wax) at which half of the rise of the throw curve is reached.
    heat : how much heat moves the sweat, in latent units.
    more : other fields of Truth, such as ``assessor_sd=1.5``.

    Returns
    -------
    Truth

    >>> truth = guess_truth({"soft": 9.0}, throw_at={6: 4.0, 12: 5.0})
    >>> round(truth.throw("soft", 12.0), 6)
    5.0
    """
    guess = guess if isinstance(guess, Guess) else Guess(dict(guess))
    need_above_zero(throw_half_pct, "throw_half_pct", 100, "% of wax")
    need_number(heat, "heat", -5, 10, "latent units")
    throws = throw_at or _USUAL_THROW
    each = isinstance(next(iter(throws.values())), dict)
    blends = {}
    for name, capacity in guess.capacity_pct.items():
        if each and name not in throws:
            raise PlanError(f"throw_at names no throw of {name}; it has {', '.join(throws)}")
        floor, rise = _emax(throws[name] if each else throws, float(throw_half_pct))
        blends[name] = BlendTruth(
            float(capacity), throw_floor=floor, throw_rise=rise, throw_half=float(throw_half_pct)
        )
    return Truth(blends, spread=guess.spread_pct, pot_sd=guess.pot_sd, heat=heat, **more)


def need_guess(plan, guess):
    """The guess as it is; a PlanError unless it is a Truth that knows every blend of the plan."""
    if not isinstance(guess, Truth):
        raise PlanError(
            f"the guess is a {type(guess).__name__}; give a Truth, such as guess_truth() makes"
        )
    lacking = [b.name for b in plan.blends if b.name not in guess.blends]
    if lacking:
        raise PlanError(
            f"the guess knows no blend {', '.join(lacking)}; it has {', '.join(guess.blends)}"
        )
    return guess


def _emax(throw_at, half):
    """Floor and rise of the curve through two points."""
    if len(throw_at) != 2:
        raise PlanError(f"throw_at has {len(throw_at)} loads; give the throw at two loads")
    for load, throw in throw_at.items():
        need_above_zero(load, "a load of throw_at", 60, "% of wax")
        need_number(throw, f"the throw at {load:g} % of wax", 0, 10, "")
    loads, throws = (np.array(list(x), dtype=float) for x in (throw_at, throw_at.values()))
    share = loads / (half + loads)
    rise = float((throws[1] - throws[0]) / (share[1] - share[0]))
    return float(throws[0] - rise * share[0]), rise
