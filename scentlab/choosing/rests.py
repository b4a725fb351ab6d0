"""What an answer rests on: storage, ages, pots, lots, testers, scale, and what lies off its plan.

Everything is read off the records; what is missing is said, for an answer must not be taken for
more than what was looked at.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import NEAR_PCT, at_sale
from scentlab.choosing.finish import sweated_as_sold
from scentlab.choosing.waits import planned_pieces
from scentlab.fitting.checks import pot_effects
from scentlab.fitting.looks import UNKNOWN_AGE, with_stress
from scentlab.fitting.throw_pairs import order_habits
from scentlab.results import Result, say_percent
from scentlab.schema import CHECK_G, SCALE_OFF
from scentlab.series import HIDDEN_FRAGRANCE, heat_words, rule_of, stress_words
from scentlab.text import capital, count_of, gathered
from scentlab.units import (
    say_load_oz,
    say_points,
    say_weighed,
)

ALL = "all blends"
FAR_PCT = 0.5  # points of load off its plan from which a test batch is named
LONG_DAYS = 7  # a last inspection before this age is said in the headline
COLUMNS = ["blend", "name", "value", "meaning", "warning"]
MOST_WARNINGS = 2  # beside that of pieces that are not graded yet
UNGRADED = "not graded yet"
HEAT_OFF_C = 2.0  # off its plan from which a heat cycle is named; a kitchen thermometer errs by 1
# What a headline calls them.
UNRECORDED = {"lots": "lots", "scale": "scale check", "heat reached": "heat cycle as reached"}
_KEPT = {"heat": "heat-cycled", "rest": "room-temperature"}
# What is said of each, the gravest first.
_MEANINGS = {
    "as sold": "pieces with topping, decoration and pack; the answer is for plain ones",
    UNGRADED: "planned sweat pieces already poured but not graded; the answer leaves them out",
    "sweat, other storage": "pieces kept the other way that sweated where none of the deciding "
                            "ones did",
    "storage": "how the deciding pieces were kept; the answer covers no other storage",
    "heat reached": "what the max-min thermometer beside the pieces showed; a colder or shorter "
                    "cycle than planned is a milder test",
    "seen up to": "the last inspection of the dry pieces up to the highest safe load (or the load "
                  "you typed); any later sweat was missed",
    "lost": "pieces poured and never graded; the answer assumes they sweat no more than the others",
    "lots": "the lots of wax and fragrance poured; other lots may sweat earlier",
    "scale": "what the fragrance scale showed with a known weight on it; a scale that reads 4 % "
             "high shifts every load by 4 %",
    "batches off the plan": "test batches weighed {far} or more off their planned load",
    "pots": "pots of melted wax behind the answer; pieces from one pot are not independent",
    "pots unlike the rest": "pots that sweated more or less than pots of that blend should",
    "assumed": "what fills gaps in the evidence; it matters most where there is little",
    "testers": "people who scored throw",
    "pairs": "pairs of pieces compared side by side, fitted together with the scores",
}


@dataclass(frozen=True, repr=False)
class Rests(Result):
    """What an answer rests on.

    ``table`` : DataFrame with blend (or "all blends"), name, value, meaning and warning (words for
    a headline, empty where there is nothing to warn of), the gravest warnings first.
    ``stress`` : the storage that decides, in words.
    """

    table: pd.DataFrame
    stress: str
    notes: tuple = ()

    def of(self, blend):
        """The rows of one blend, with those of all."""
        return self.table[self.table["blend"].isin([blend, ALL])]

    def headline(self, blend, said=()):
        """The worst of it for one blend and what is not on record, in one or two sentences; empty
        where nothing is missing. The names of rows that are ``said`` already are left out."""
        own = self.of(blend)
        own = own[~own["name"].isin(said)]
        most = MOST_WARNINGS + (UNGRADED in set(own["name"]))
        worst = [w for w in dict.fromkeys(own["warning"]) if w][:most]
        said = [capital("; ".join(worst)) + "."] if worst else []
        return " ".join(said + _unrecorded(own))

    @property
    def sentence(self):
        rows = self.table[self.table["warning"] != ""]
        said = [
            r.warning if r.blend == ALL else f"{r.blend}: {r.warning}" for r in rows.itertuples()
        ]
        said = [f"{capital('; '.join(said))}."] if said else []
        said += _unrecorded(self.table)
        return " ".join(said) or "Nothing needed is missing."


def _unrecorded(table):
    """What nobody wrote down, as a list of one sentence or none."""
    rows = table[table["name"].isin(list(UNRECORDED)) & (table["value"] == "not recorded")]
    names = ", ".join(UNRECORDED[n] for n in dict.fromkeys(rows["name"]))
    return [f"Not recorded: {names}."] if names else []


def by_day(fit, rules):
    """The age looked at that sweat is told for, where an age at sale is set and looks at several
    ages tell of it: " by day 7", or nothing."""
    days = rules.ship_age_days
    known = days is not None and fit.model.aged and days <= fit.ages[1]
    return f" by day {at_sale(fit, rules).ages[1]:g}" if known else ""


def find_rests(series, rules, stress, odd_pots=(), loads=None, harshest=None):
    """What an analysis of a series rests on, under the stress that decides.

    ``loads`` is by blend the highest load (% of wax) that the answer speaks of: it rests on the
    pieces up to it; on all where it is missing. ``odd_pots`` are as :func:`odd_pots_of` finds them,
    and ``harshest`` is the stress that would decide if the rules named none.
    """
    looks, rows, planned = series.sweat(), [], planned_pieces(series)
    lost = planned_pieces(series, "lost")
    # Stress that nobody wrote down is taken for room temperature.
    looks = with_stress(looks).assign(unrecorded=looks["stress"].isna())
    if rules.stress is not None:  # no other piece counts
        planned, lost = (p[p["stress"].fillna("rest") == rules.stress] for p in (planned, lost))
    pairs = series.pairs[series.pairs["kind"] == rules.throw_kind]
    pairs = pairs[~pairs["assessor"].isin(order_habits(pairs, rules.throw_kind))]
    # The heat cycle of the plan says nothing of pieces of pours that are not in it.
    own, heated = (series.plan or {}).get("pours", ()), looks.loc[looks["stress"] == "heat", "pour"]
    plan = None if own and not {p["pour"] for p in own}.issuperset(heated) else series.plan
    for blend in dict.fromkeys(looks["blend"]):
        own = looks[(looks["blend"] == blend) & looks["grade"].notna()]
        pots = own.loc[own["stress"] == stress, "pot"].nunique()
        throws = series.throws[(series.throws["blend"] == blend)
                               & (series.throws["kind"] == rules.throw_kind)]
        odd = "; ".join(f"pot {pot} {words}" for pot, name, words in odd_pots if name == blend)
        two = pairs[pairs["blend"] == blend]
        load = (loads or {}).get(blend)
        as_sold = sweated_as_sold(series, rules, blend, load)
        found = {
            "as sold": as_sold and (as_sold, as_sold),
            UNGRADED: _ungraded(planned, blend),
            "sweat, other storage": _otherwise(own, stress, rules),
            "storage": _storage(own, stress, plan, rules, harshest),
            "heat reached": _heat(own, stress, series),
            "seen up to": _age(own, stress, rules, load),
            "lost": _lost(lost, planned, blend),
            "lots": (_lots(series, blend), ""),
            "batches off the plan": _off_plan(series.pours, blend),
            "pots": (_pots(pots), "one pot" if pots == 1 else ""),
            "pots unlike the rest": (odd or "none", odd), "assumed": (_assumed(own, stress), ""),
            "testers": (f"{throws['assessor'].nunique() or 'none'}", ""),
            "pairs": len(two) and (
                f"{len(two)} by {count_of(two['assessor'].nunique(), 'tester')}", ""),
        }
        rows += [(blend, name, *row) for name, row in found.items() if row]
    rows.append((ALL, "scale", *_scale(series.pours)))
    words = stress_words(stress, plan)
    decide = looks[(looks["stress"] == stress) & looks["grade"].notna()]
    if len(decide) and decide["unrecorded"].all():
        words += " (storage not recorded)"
    return Rests(_gathered(rows), words)


def odd_pots_of(fit):
    """Pots unlike the rest by a sweat fit: tuple of (pot, blend, words)."""
    pots = pot_effects(fit)
    return tuple(
        (r.pot, r.blend, f"sweated {'more' if r.effect > 0 else 'less'} than the rest")
        for r in pots[pots["odd"]].itertuples()
    )


def _gathered(rows):
    """Rows that are the same for every blend are one row; the gravest warnings come first."""
    frame = pd.DataFrame(rows, columns=["blend", "name", "value", "warning"])
    blends = frame.loc[frame["blend"] != ALL, "blend"].nunique()
    same = ["name", "value", "warning"]
    shared = frame.groupby(same)["blend"].transform("nunique") == max(blends, 1)
    frame["blend"] = frame["blend"].where(~shared, ALL)
    frame = frame.drop_duplicates(["blend", *same])
    frame = frame.assign(quiet=frame["warning"] == "", order=frame["name"].map(
        list(_MEANINGS).index)).sort_values(["quiet", "order"], kind="stable", ignore_index=True)
    said = {name: words.format(far=say_points(FAR_PCT)) for name, words in _MEANINGS.items()}
    return frame.assign(meaning=frame["name"].map(said))[COLUMNS]


# Each of these gives a value and a warning, or nothing where there is no row.


def _ungraded(pieces, blend):
    """The planned sweat pieces of what is poured that nobody has graded."""
    left = pieces[(pieces["blend"] == blend) & ~pieces["graded"]]
    if left.empty:
        return None
    heated = int((left["stress"] == "heat").sum())
    words = count_of(len(left), "planned piece") + f" ({heated} heat-cycled)" * bool(heated)
    return words, f"{words} not graded yet, so the answer may change"


def _lost(lost, planned, blend):
    """The poured sweat pieces that are lost; who threw one away for its oil has lost none."""
    gone, left = ((p["blend"] == blend).sum() for p in (lost, planned))
    if not gone:
        return None
    words = f"{gone} of {count_of(gone + left, 'piece')} lost"
    return words, f"{words}: grade any that was wet all the same"


def _storage(own, stress, plan, rules, harshest):
    words, seen = stress_words(stress, plan), set(own["stress"])
    if stress not in seen:
        return f"no piece {words}", f"no piece was inspected {words}"
    unrecorded = _unrecorded_storage(own)
    if stress == "heat":
        earlier = "room-temperature pieces likely sweat earlier than these"
        found = unrecorded, earlier if harshest == "rest" else ""
        return words, "; ".join(filter(None, found))
    kept, asked = unrecorded or "room temperature only", "not tested in heat"
    if "heat" in seen:
        asked = "heat-cycled pieces do not count here"
        if rules.stress is None:
            kept = unrecorded or words
            asked = "these pieces likely sweat earlier than heat-cycled ones"
    return kept, f"{kept}: {asked}"


def _unrecorded_storage(own):
    """What is said where nobody wrote down how pieces were kept; empty where it is on record."""
    lost, every = (f["code"].nunique() for f in (own[own["unrecorded"]], own))
    of = "" if lost == every else f" of {lost} of {count_of(every, 'piece')}"
    return f"storage{of} not recorded, taken as room temperature" if lost else ""


def _otherwise(own, stress, rules):
    """A row where pieces kept otherwise sweated at a load at which no piece that decides did; in
    the headline where none of these sweated at all."""
    wet = own["grade"].astype(int) >= rules.limit_grade
    decides = own["stress"] == stress
    seen = own.loc[wet & decides, "load_pct"]
    highest = own.loc[decides, "load_pct"].max() + NEAR_PCT / 2
    odd = own[wet & ~decides & (own["load_pct"] < np.fmin(seen.min(), highest))]
    if odd.empty:
        return None
    kept = _KEPT[odd["stress"].iloc[0]]
    words = (f"{count_of(odd['code'].nunique(), f'{kept} piece')} sweated from "
             f"{say_load_oz(odd['load_pct'].min())} up, where no {_KEPT[stress]} piece did")
    return words, "" if len(seen) else words


def _heat(own, stress, series):
    """The heat cycle as it was reached against the planned one, where heat decides."""
    if stress != "heat" or stress not in set(own["stress"]):
        return None
    if series.heats.empty:
        return "not recorded", ""
    runs = "; ".join(dict.fromkeys(map(heat_words, series.heats.to_dict("records"))))
    other = _unlike(series.heats, rule_of(series.plan, "heat_cycle"))
    return runs, f"heat cycle not as planned: {runs}" if other else ""


def _unlike(heats, planned):
    """Whether heat cycles as reached were colder, hotter or shorter than planned."""
    return planned and (
        planned["temp_c"] - heats["low_c"].min() > HEAT_OFF_C
        or heats["high_c"].max() - planned["temp_c"] > HEAT_OFF_C
        or (heats["hours"] * heats["cycles"]).min() < 0.9 * planned["hours"] * planned["cycles"])


def _age(own, stress, rules, load):
    if stress not in set(own["stress"]):  # which the row of the storage warns of
        return "none", ""
    last = _watched(own, stress, rules, load).max()
    seen, low = _until(last), last.min()
    if not seen:
        return "age not recorded", "age at inspection not recorded"
    who = "some pieces " * bool(low < last.max())
    sold = rules.ship_age_days
    late = ""
    if sold is not None and low < sold:
        late = f"{who}inspected only up to day {low:g}, sold on day {sold:g}"
    elif low < LONG_DAYS:
        late = f"{who}inspected only up to day {low:g}"
    return seen, "; ".join(filter(None, (_no_age(own, stress), late)))


def _no_age(own, stress):
    """How many looks have no age, and as what they count, or nothing."""
    ages = pd.to_numeric(own.loc[(own["stress"] == stress) & own["grade"].notna(), "age_days"])
    missing = int(ages.isna().sum())
    return "" if not missing else (
        f"{missing} of {count_of(len(ages), 'inspection')} have no age and are taken as day "
        f"{min(UNKNOWN_AGE, max(ages.min(), 0.5)):g}")


def seen_until(series, blend, stress, rules, load):
    """The day up to which the pieces of a blend and stress were looked at that an answer at a load
    rests on, in words: "day 7 (2 of 4 pieces: up to day 28)"; empty where no age is on record."""
    looks = with_stress(series.sweat())
    return _until(_watched(looks[looks["blend"] == blend], stress, rules, load).max())


def _watched(own, stress, rules, load):
    """The ages of the looks by piece, of the pieces up to a load (all where it is missing). One
    that sweated is known to, and need not be looked at again."""
    own = own[(own["stress"] == stress) & own["grade"].notna()]
    if not pd.isna(load):
        own = own[own["load_pct"] <= max(load, own["load_pct"].min()) + NEAR_PCT / 2]
    wet = own.groupby("code")["grade"].transform("max").astype(float) >= rules.limit_grade
    own = own if wet.all() else own[~wet]
    return pd.to_numeric(own["age_days"]).groupby(own["code"])


def _until(last):
    """The last look at each piece: the earliest of them, and how many were looked at later."""
    low, high = last.min(), last.max()
    later = f" ({(last == high).sum()} of {len(last)} pieces: up to day {high:g})"
    return "" if pd.isna(low) else f"day {low:g}" + later * bool(low < high)


def lots_of(series, blend=None):
    """Lots by the plan, of a blend or of all: dict of material to a set of lots, empty where none
    is on record."""
    lots = [(wax["name"], wax.get("lot")) for wax in series.waxes(blend)]
    lots.append(("fragrance", ((series.plan or {}).get("fragrance") or {}).get("lot")))
    return {name: {v for v in found if v and str(v).strip()}
            for name, found in gathered(lots).items()}


def absent_words(series, material):
    """What is said of a material (as :func:`lots_of` names it) without a lot."""
    hidden = material == "fragrance" and series.fragrance == HIDDEN_FRAGRANCE
    return "not shared" if hidden else "not recorded"


def _lots(series, blend):
    known = lots_of(series, blend)
    unknown = [name for name, found in known.items() if not found]
    if len(unknown) == len(known):
        return "not recorded"
    without = gathered((absent_words(series, name), name) for name in unknown)
    said = "".join(f"; of {', '.join(names)} {words}" for words, names in without.items())
    return f"one lot of each{said}"


def _scale(pours):
    """The check of the fragrance scale that is furthest off."""
    shown = pd.Series(pours.get("scale_check_g", ()), dtype=float).dropna()
    if shown.empty:
        return "not recorded", ""
    worst = shown.loc[(shown - CHECK_G).abs().idxmax()]
    off, value = worst / CHECK_G - 1.0, f"{say_weighed(worst)} under {CHECK_G:g} g"
    if abs(off) < SCALE_OFF:
        return value, ""
    side, went = ("high", "less") if off > 0 else ("low", "more")
    odd = ((shown / CHECK_G - 1.0).abs() >= SCALE_OFF).sum()
    of = "" if odd == len(pours) else f" at {odd} of {count_of(len(pours), 'test batch')}"
    return value, (f"fragrance scale reads {abs(100 * off):.1f} % {side}{of}: {went} went in than "
                   "it read")


def _off_plan(pours, blend):
    own = pours[pours["blend"] == blend].astype({"load_pct": float, "planned_load_pct": float})
    gap = (own["load_pct"] - own["planned_load_pct"]).abs()
    if gap.isna().all():
        return "no planned loads on record", ""
    far = [f"{r.pour} holds {say_load_oz(r.load_pct)}, planned {say_load_oz(r.planned_load_pct)}"
           for r in own[gap >= FAR_PCT].itertuples()]
    warning = f"{count_of(len(far), 'test batch')} weighed off the planned load" if far else ""
    return "; ".join(far) or "none", warning


def _pots(number):
    """How many pots there are, and how seldom so many show what seldom goes wrong: pots are taken
    to differ evenly, so that a kind of pot that none of them was is not reckoned with."""
    shown = 1.0 - 0.9 ** number
    return (f"{number}; if one pot in ten goes wrong, the chance that these show it is "
            f"{say_percent(shown)}")


def _assumed(own, stress):
    """The assumption that weighs most: where nothing sweated, or where pots are few."""
    here = own[own["stress"] == stress]
    if len(here) and (pd.to_numeric(here["grade"]) == 0).all():
        return f"where sweat begins, as no {_KEPT[stress]} piece sweated"
    pots, words = here["pot"].nunique(), "little: sweat was seen in several pots"
    if pots < 3:
        words = f"how much pots differ: {pots} is too few to show it"
    return words
