"""What is believed at a load: sweat, throw, frost, cost, and what was seen at it or below."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import NEAR_PCT, chances_over
from scentlab.choosing.saving import PIECES, piece_costs
from scentlab.fitting.frost import FrostFit, frost_risk
from scentlab.fitting.looks import reached, tested_range
from scentlab.fitting.pairs import PairTest
from scentlab.fitting.sweat import SweatFit, sweat_risk
from scentlab.fitting.throw import ThrowFit, has_level, throw_curve
from scentlab.series import Series
from scentlab.units import content_from_load

_NEAR = 0.1  # loads weighed as near as this to a load count as that load
_KNOWN = ["limit_load_pct", "limit_content_pct", "wax_price_per_kg", "fragrance_price_per_kg"]
_MEASURES = (
    "sweat_risk", "sweat_lower", "sweat_upper", "p_over", "throw", "throw_lower", "throw_upper",
    "frost_risk", "frost_lower", "frost_upper", "cost_per_piece", "saving_per_1000",
)


@dataclass(frozen=True)
class Evidence:
    """The fits behind a pick and what they rest on; ``throw``, ``frost`` and ``pairs`` may be None.

    ``no_throw`` and ``no_frost`` say why scores that are stored have no fit; empty where nothing
    was scored. ``odd_pots`` are the pots unlike the rest.
    """

    sweat: SweatFit
    throw: ThrowFit | None
    frost: FrostFit | None
    series: Series
    no_throw: str = ""
    no_frost: str = ""
    odd_pots: tuple = ()
    pairs: PairTest | None = None

    def about(self, blend):
        """Limits and prices of a blend as floats; missing where they are not known."""
        return self._known.loc[blend]

    @cached_property
    def _known(self):
        rows = self.series.blends.set_index("blend")[_KNOWN].reindex(self.sweat.blends)
        return rows.apply(pd.to_numeric).astype(float)

    def frost_known_at(self, age):
        """Whether frost was looked at around an age in days; None is the middle one."""
        ages = self.frost.ages
        return age is None or not ages or ages[0] <= age <= ages[1]


def scored(fit, blend):
    """Lowest and highest load (% of wax) of a blend that a fit knows; None when it knows none."""
    return None if fit is None or blend not in fit.blends else tested_range(fit, blend)


def measure(chosen, evidence, rules, ceiling):
    """One row per blend with every measure at the chosen load."""
    rows = []
    for choice in chosen:
        blend, load = choice["blend"], choice["load_pct"]
        rows.append({
            **choice, "content_pct": content_from_load(load),
            "ceiling_load_pct": ceiling.of(blend)["ceiling_load_pct"],
            "limit_load_pct": evidence.about(blend)["limit_load_pct"],
            **_seen(evidence.sweat, blend, load, rules, ceiling.stress),
            **_at(blend, np.array([load]), evidence, rules).iloc[0],
        })
    return pd.DataFrame(rows)


def trade_off(evidence, rules, ceiling, brief=False):
    """The loads tested of each blend under the stress that decides, with the measures there unless
    it is to be ``brief``."""
    counts, frames = evidence.sweat.counts, []
    under = counts[counts["stress"] == ceiling.stress]
    for blend in evidence.sweat.blends:
        loads = np.unique(under.loc[under["blend"] == blend, "load_pct"].astype(float))
        known = pd.DataFrame({"blend": blend, "load_pct": loads,
                              "content_pct": content_from_load(loads)})
        frames.append(known if brief else known.join(_at(blend, loads, evidence, rules)))
    return pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)


def _at(blend, loads, evidence, rules):
    """Frame of ``_MEASURES`` at loads (% of wax) of one blend; missing where not known."""
    frame = pd.DataFrame(np.nan, index=range(len(loads)), columns=list(_MEASURES))
    if not len(loads) or np.isnan(loads).any():
        return frame
    fit, throw, frost = evidence.sweat, evidence.throw, evidence.frost
    found = sweat_risk(fit, blend, loads, rules.limit_grade, rules.stress)
    _put(frame, ("sweat_risk", "sweat_lower", "sweat_upper"), found, loads)
    frame["p_over"] = chances_over(fit, blend, loads, rules)
    inside = scored(throw, blend)
    if inside and has_level(throw, blend):
        found = throw_curve(throw, blend, loads)
        _put(frame, ("throw", "throw_lower", "throw_upper"), found, loads, inside)
    inside = scored(frost, blend)
    if inside and evidence.frost_known_at(rules.ship_age_days):
        found = frost_risk(frost, blend, loads, rules.frost_limit_grade, rules.ship_age_days)
        _put(frame, ("frost_risk", "frost_lower", "frost_upper"), found, loads, inside)
    known, today = evidence.about(blend), rules.today_load_pct
    frame["cost_per_piece"] = piece_costs(known, evidence.series.piece_g, loads)
    if today is not None:
        now = piece_costs(known, evidence.series.piece_g, today)
        frame["saving_per_1000"] = PIECES * (now - frame["cost_per_piece"])
    return frame


def _put(frame, names, found, loads, inside=(0.0, np.inf)):
    """A curve with its limits, a throw within its scale, into the frame, where the load lies among
    those scored."""
    outside = (loads < inside[0] - _NEAR) | (loads > inside[1] + _NEAR)
    columns = ["throw" if "throw" in found else "risk", "lower", "upper"]
    held = np.clip(found[columns].to_numpy(), 0.0, 10.0)
    frame[list(names)] = np.where(outside[:, None], np.nan, held)


def _seen(fit, blend, load, rules, stress):
    """Pieces at the load or less and how many of them reached the limit grade, all stresses; and,
    where no piece of the blend sweated, the risk that the dry pieces at the load or more leave
    possible by themselves (0 of n, 95 % one-sided: Clopper and Pearson 1934)."""
    own = fit.counts[fit.counts["blend"] == blend]
    own = own.assign(wet=reached(own, rules.limit_grade))
    below = own[own["load_pct"] <= load + NEAR_PCT / 2]
    under = own[own["stress"] == stress]
    stressed = below[below["stress"] == stress]
    near = int(under.loc[under["load_pct"] >= load - _NEAR / 2, "n"].sum())
    dry = near and (own["n"] == own["g0"]).all()
    return {
        "pieces_below": int(below["n"].sum()), "stressed_below": int(stressed["n"].sum()),
        "wet_below": int(below["wet"].sum()), "stressed_wet": int(stressed["wet"].sum()),
        "dry_bound": 1.0 - 0.05 ** (1.0 / near) if dry else np.nan,
        "least_told": min(3.0 / fit.effective_size, 0.05),
    }
