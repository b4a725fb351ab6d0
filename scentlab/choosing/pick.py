"""The pick: per blend the lowest load that smells nearly as strong as the best under its limits."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import DRY, NONE, OPEN_ABOVE, Ceiling, find_ceiling
from scentlab.choosing.enough import enough_throw, enough_words, say_points
from scentlab.choosing.ranking import order_chances, rank, throw_at_picks
from scentlab.choosing.rests import Rests, find_rests, stress_words
from scentlab.choosing.rules import LEAST_LOSS, MOST_LOSS, THROW_WORDS, Rules
from scentlab.choosing.saving import LEFT_OUT, piece_costs, saving_words, savings
from scentlab.fitting.frost import frost_risk
from scentlab.fitting.sweat import at_age, load_at_risk_draws, sweat_risk
from scentlab.fitting.throw import throw_curve, throw_draws
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result, say_odds, say_percent
from scentlab.units import (
    content_from_load,
    is_typed,
    load_from_content,
    say_load_oz,
    say_percent_of_wax,
)

STEP = 0.1
CEILING, WAX_LIMIT, REGULATORY = "the ceiling", "the wax maker's limit", "the regulatory limit"
THROW_TESTED = "the highest load whose throw was scored"
_ALLOWS = {
    CEILING: "as high as sweat allows", WAX_LIMIT: "as high as the wax maker's limit allows",
    REGULATORY: "as high as the regulatory limit allows", THROW_TESTED: THROW_TESTED,
}


@dataclass(frozen=True, repr=False)
class Pick(Result):
    """The load chosen per blend, with its reasons.

    Attributes
    ----------
    table : DataFrame in rank order: rank, blend, load_pct, content_pct, ceiling_load_pct,
        limit_load_pct, held_by, throw, throw_lower, throw_upper, throw_behind (mean points of
        throw below the best to be had), throw_chance (that it is no more than the accepted loss),
        p_strongest (chance that no other blend's pick throws more), sweat_risk, sweat_lower,
        sweat_upper, p_over, frost_risk, frost_lower, frost_upper, cost_per_piece, pieces_below,
        stressed_below, wet_below, stressed_wet (pieces seen at the load or less, how many of them
        under the stress that decides, and how many of all and of these reached the limit grade),
        dry_bound (share, missing where sweat was seen), least_told (smallest p_over that the draws
        tell), saving_per_1000 (against today's load of the rules; missing without one, negative
        when the pick costs more), reason. Loads in % of wax, risks as shares, 90 % limits. A blend
        without a pick has load_pct missing and the reason why.
    tradeoff : DataFrame of the same measures at every load tested.
    sentences : dict of a few short sentences per blend.
    changes : DataFrame, the load of each blend had one rule been another: change, blend, load_pct.
    rules : dict of the rules. override : str, the written reasons when limits were set aside.
    orders : DataFrame, order of the blends by throw and its chance, over all blends at once.
    rests : Rests, what the answer rests on; None without the records. throw_least : the smallest
        chance that the draws of throw tell.
    """

    table: pd.DataFrame
    tradeoff: pd.DataFrame
    sentences: dict
    changes: pd.DataFrame
    rules: dict
    override: str
    notes: tuple = field(default=())
    orders: pd.DataFrame = field(default_factory=lambda: order_chances(np.empty((0, 0)), ()))
    rests: Rests | None = None
    throw_least: float = 0.01

    @property
    def sentence(self):
        first = self.table.iloc[0]
        if pd.isna(first["load_pct"]):
            return "No load of any blend qualifies. " + " ".join(self.sentences.values())
        return self.sentences[first["blend"]]


@dataclass(frozen=True)
class Evidence:
    """The fits behind a pick; ``throw`` and ``frost`` may be None.

    ``no_throw`` and ``no_frost`` say why scores that are stored have no fit; empty where nothing
    was scored. ``series`` and ``odd_pots`` are what the answer rests on, None and empty where only
    the fits are known.
    """

    sweat: object
    throw: object
    frost: object
    blends: pd.DataFrame
    piece_g: float | None = None
    currency: str = ""
    no_throw: str = ""
    no_frost: str = ""
    series: object = None
    odd_pots: tuple = ()

    @property
    def plan(self):
        return None if self.series is None else self.series.plan


@one_thread()
def choose_load(evidence, rules=None, ceiling=None):
    """Choose a load per blend and rank the blends.

    Parameters
    ----------
    evidence : Evidence. rules : Rules. ceiling : Ceiling under the same rules, made if None.

    Returns
    -------
    Pick
    """
    rules = rules or Rules()
    ceiling = ceiling or ceiling_under(evidence.sweat, rules)
    evidence = replace(evidence, sweat=at_age(evidence.sweat, rules.ship_age_days))
    chosen = chosen_loads(evidence, rules, ceiling)
    at_risk = None
    if ceiling.stress in evidence.sweat.stresses:
        at_risk = load_at_risk_draws(evidence.sweat, rules.risk, rules.limit_grade, rules.stress)
    measured = _measure(evidence, rules, ceiling, chosen, at_risk)
    draws, blends = throw_at_picks(evidence.throw, measured)
    table = _in_order(rank(measured, draws, blends, rules.throw_loss))
    rests = None
    if evidence.series is not None:
        rests = find_rests(evidence.series, rules, ceiling.stress, evidence.odd_pots)
    sentences = {
        r["blend"]: _sentence(r, rules, evidence, ceiling, rests) for _, r in table.iterrows()
    }
    return Pick(
        table,
        _tradeoff(evidence, rules, ceiling, at_risk),
        sentences,
        _changes(evidence, rules, ceiling),
        _plain(rules),
        rules.reason_words,
        _notes(evidence, rules, table) + _today_notes(rules, evidence.sweat.blends),
        order_chances(draws, blends),
        rests,
        max(0.01, 3.0 / len(draws)) if len(draws) else 0.01,
    )


def ceiling_under(fit, rules):
    """The ceiling under rules; where they ask for a stress that nothing was graded under, none."""
    fit = at_age(fit, rules.ship_age_days)
    if rules.stress is None or rules.stress in fit.stresses:
        return find_ceiling(fit, rules)
    other = find_ceiling(fit, replace(rules, stress=None))
    lacking = [c for c in other.table if c.endswith("_pct")]
    table = other.table.assign(state=NONE, **dict.fromkeys(lacking, np.nan))
    note = f"No piece was inspected {stress_words(rules.stress)}, so there is no ceiling there."
    return Ceiling(
        table, other.risk, other.confidence, other.limit_grade, rules.stress, (note,)
    )


def caps(blend, evidence, rules, ceiling):
    """What a load of the blend may not pass: dict of reason to load (% of wax)."""
    found = {}
    row = ceiling.of(blend)
    if row["state"] != NONE:
        found[CEILING] = float(row["ceiling_load_pct"])
    limits = evidence.blends.set_index("blend")
    if blend in limits.index:
        wax = limits.at[blend, "limit_load_pct"]
        if not pd.isna(wax) and blend not in rules.override_blends:
            found[WAX_LIMIT] = float(wax)
        content = limits.at[blend, "limit_content_pct"]
        if not pd.isna(content) and content < 100:
            found[REGULATORY] = load_from_content(float(content))
    if evidence.throw is not None and blend in evidence.throw.blends:
        tested = evidence.throw.tested.set_index("blend")
        found[THROW_TESTED] = float(tested.at[blend, "highest_pct"])
    return found


def chosen_loads(evidence, rules, ceiling):
    """The load chosen for each blend without its measures, as :func:`choose_load` chooses it.

    Returns
    -------
    list of dicts with blend, load_pct (% of wax; missing when none qualifies), held_by,
    throw_behind, throw_chance and reason.
    """
    return [_choose(blend, evidence, rules, ceiling) for blend in evidence.sweat.blends]


def _choose(blend, evidence, rules, ceiling):
    """dict of blend, load_pct, held_by, throw_behind, throw_chance and reason."""
    row = ceiling.of(blend)
    choice = {
        "blend": blend, "load_pct": np.nan, "held_by": "", "throw_behind": np.nan,
        "throw_chance": np.nan,
    }
    if row["state"] == NONE:
        return choice | {"reason": _why_none(row, rules, stress_words(ceiling.stress))}
    limits = caps(blend, evidence, rules, ceiling)
    choice["held_by"] = held_by = min(limits, key=limits.get)
    top, lowest = _highest_within(limits[held_by]), float(row["lowest_tested_pct"])
    # A pour is weighed to a few hundredths of a point; that much below counts as tested.
    if top < lowest - 0.05:
        return choice | {
            "reason": (
                f"no tested load qualifies: {held_by} is {say_load_oz(limits[held_by])} and the "
                f"lowest load tested is {say_load_oz(lowest)}"
            ),
        }
    return choice | _with_throw(blend, evidence, rules, lowest, top, held_by)


def _why_none(row, rules, storage):
    if pd.isna(row["lowest_tested_pct"]):
        return f"no load can be given: no piece was inspected {storage}"
    return (
        f"no tested load qualifies: none is shown to keep the risk of sweat grade "
        f"{rules.limit_grade} under {say_percent(rules.risk)}"
    )


def _highest_within(limit):
    """The highest load that a limit admits: itself where somebody typed it, else whole steps."""
    if is_typed(limit):
        return float(np.round(limit, 6))
    return float(np.round(np.floor(limit / STEP + 1e-9) * STEP, 6))


def _with_throw(blend, evidence, rules, lowest, top, held_by):
    """The load, how far its throw is behind the best up to ``top``, and why it is that."""
    fit, throw = evidence.throw, f"{THROW_WORDS[rules.throw_kind].capitalize()} throw"
    allows = _ALLOWS[held_by]
    if fit is None or blend not in fit.blends:
        without = f"{throw} was not scored"
        if fit is None and evidence.no_throw:
            without = f"There is no fit of {throw.lower()}"
        return {"load_pct": top, "reason": f"{without}, so this is {allows}"}
    scored = float(fit.tested.set_index("blend").at[blend, "lowest_pct"])
    bottom = max(lowest, scored)
    if bottom > lowest + STEP / 2 and top < bottom:
        from_up = f"{throw} was scored only from {say_percent_of_wax(bottom)} up"
        return {"load_pct": top, "reason": f"{from_up}, so this is {allows}"}
    loads = _steps(bottom, top)
    found = enough_throw(throw_draws(fit, blend, loads), rules.throw_loss)
    reason = enough_words(found, loads, fit.kind, rules.throw_loss)
    if len(loads) == 1:
        reason = f"It is the lowest load tested, and {allows}"
    elif found.place == len(loads) - 1:
        reason += f". It is {allows}"
    return {
        "load_pct": float(np.round(loads[found.place], 6)), "throw_behind": found.behind,
        "throw_chance": found.chance, "reason": reason,
    }


def _steps(bottom, top):
    """The loads to choose from: whole steps from the lowest that was weighed, and the top."""
    first = np.ceil(bottom / STEP - 1e-9) * STEP
    return np.unique(np.round([*np.arange(first, top - STEP / 10, STEP), top], 6))


def _measure(evidence, rules, ceiling, chosen, at_risk):
    """One row per blend with every measure at the chosen load."""
    rows = []
    for choice in chosen:
        blend = choice["blend"]
        row = dict(choice)
        row["content_pct"] = content_from_load(choice["load_pct"])
        row["ceiling_load_pct"] = ceiling.of(blend)["ceiling_load_pct"]
        limits = evidence.blends.set_index("blend")
        row["limit_load_pct"] = pd.to_numeric(limits["limit_load_pct"]).get(blend, np.nan)
        row |= _seen(evidence.sweat, blend, choice["load_pct"], rules, ceiling.stress)
        load = np.array([choice["load_pct"]])
        row |= _measures_at(blend, load, evidence, rules, at_risk).iloc[0].to_dict()
        rows.append(row)
    return pd.DataFrame(rows)


def _seen(fit, blend, load, rules, stress):
    """Pieces at the load or less and how many of them reached the limit grade, all stresses; and,
    where no piece of the blend sweated, the risk that the dry pieces at the load or more leave
    possible by themselves (0 of n, 95 % one-sided: Clopper and Pearson 1934)."""
    own = fit.counts[fit.counts["blend"] == blend]
    below = own[own["load_pct"] <= load + STEP / 2]
    worst = [f"g{g}" for g in range(rules.limit_grade, 5)]
    found = {
        "pieces_below": int(below["n"].sum()),
        "stressed_below": int(below.loc[below["stress"] == stress, "n"].sum()),
        "wet_below": int(below[worst].to_numpy().sum()),
        "stressed_wet": int(below.loc[below["stress"] == stress, worst].to_numpy().sum()),
        "dry_bound": np.nan,
        "least_told": min(3.0 / fit.effective_size, 0.05),
    }
    under = own[own["stress"] == stress]
    near = int(under.loc[under["load_pct"] >= load - STEP / 2, "n"].sum())
    if near and int((under["n"] - under["g0"]).sum()) == 0:
        found["dry_bound"] = 1.0 - 0.05 ** (1.0 / near)
    return found


_MEASURES = (
    "sweat_risk", "sweat_lower", "sweat_upper", "p_over", "throw", "throw_lower", "throw_upper",
    "frost_risk", "frost_lower", "frost_upper", "cost_per_piece", "saving_per_1000",
)


def _measures_at(blend, loads, evidence, rules, at_risk):
    """Frame of ``_MEASURES`` at loads (% of wax) of one blend; missing where not known."""
    frame = pd.DataFrame(np.nan, index=range(len(loads)), columns=list(_MEASURES))
    if np.isnan(loads).any():
        return frame
    fit = evidence.sweat
    sweat = sweat_risk(fit, blend, loads, rules.limit_grade, rules.stress)
    frame[["sweat_risk", "sweat_lower", "sweat_upper"]] = sweat[["risk", "lower", "upper"]]
    own = at_risk[:, fit.blends.index(blend)]
    frame["p_over"] = [min(float(fit.weights @ (own < x)), 1.0) for x in loads]
    if evidence.throw is not None and blend in evidence.throw.blends:
        inside = _inside(evidence.throw, blend, loads)
        throw = throw_curve(evidence.throw, blend, loads)[["throw", "lower", "upper"]]
        frame[["throw", "throw_lower", "throw_upper"]] = throw.where(
            np.repeat(inside[:, None], 3, axis=1)
        )
    if (
        evidence.frost is not None
        and blend in evidence.frost.blends
        and _known_age(evidence, rules)
    ):
        inside = _inside(evidence.frost, blend, loads)
        frost = frost_risk(
            evidence.frost, blend, loads, rules.frost_limit_grade, rules.ship_age_days
        )[["risk", "lower", "upper"]]
        frame[["frost_risk", "frost_lower", "frost_upper"]] = frost.where(
            np.repeat(inside[:, None], 3, axis=1)
        )
    own = evidence.blends, evidence.piece_g, blend, loads
    frame["cost_per_piece"] = piece_costs(*own)
    frame["saving_per_1000"] = savings(*own, rules.today_of(blend))
    return frame


def _inside(fit, blend, loads):
    """Which loads lie among those scored, but for the last digits of weighing."""
    tested = fit.tested.set_index("blend").loc[blend]
    return (loads >= tested["lowest_pct"] - STEP) & (loads <= tested["highest_pct"] + STEP)


def _known_age(evidence, rules):
    """Whether frost was looked at around the age at which the pieces are sold."""
    ages = evidence.frost.ages
    return rules.ship_age_days is None or not ages or ages[0] <= rules.ship_age_days <= ages[1]


def _tradeoff(evidence, rules, ceiling, at_risk):
    """The measures at the loads tested of each blend."""
    frames = [pd.DataFrame(columns=["blend", "load_pct", "content_pct", *_MEASURES]).astype(
        {c: float for c in ("load_pct", "content_pct", *_MEASURES)})]
    for blend in evidence.sweat.blends:
        own = evidence.sweat.counts
        own = own[(own["blend"] == blend) & (own["stress"] == ceiling.stress)]
        loads = np.unique(np.round(own["load_pct"].to_numpy(float), 1))
        if not len(loads):
            continue
        frame = _measures_at(blend, loads, evidence, rules, at_risk)
        frame.insert(0, "content_pct", content_from_load(loads))
        frame.insert(0, "load_pct", loads)
        frame.insert(0, "blend", blend)
        frames.append(frame)
    return pd.concat(frames[1:] or frames, ignore_index=True)


_FRONT = [
    "rank", "blend", "load_pct", "content_pct", "ceiling_load_pct", "limit_load_pct", "held_by",
    "throw", "throw_lower", "throw_upper", "throw_behind", "throw_chance", "p_strongest",
]


def _in_order(ranked):
    """The columns in the order of the docstring of :class:`Pick`."""
    rest = [c for c in ranked.columns if c not in _FRONT and c != "reason"]
    return ranked[[*_FRONT, *rest, "reason"]]


def _sentence(row, rules, evidence, ceiling, rests):
    """The answer for one blend in short sentences, the load and what it rests on first."""
    warning = "" if rests is None else rests.headline(row["blend"]).removesuffix(".")
    if pd.isna(row["load_pct"]):
        return ". ".join(filter(None, [f"{row['blend']}: {row['reason']}", warning])) + "."
    said = [
        f"{row['blend']}: use {say_load_oz(row['load_pct'])}",
        _highest_safe(row, ceiling.of(row["blend"]), evidence),
        warning,
        row["reason"],
        _seen_words(row, rules, evidence, ceiling.stress, rests),
        _capital(
            f"{say_odds(row['p_over'], row['least_told'])} that more than "
            f"{say_percent(rules.risk)} of pieces of a new pot would sweat"
        ),
        *_dry_words(row),
        *_throw_words(row, rules),
        *_saving_said(row, rules, evidence),
    ]
    return ". ".join(filter(None, said)) + "."


def _highest_safe(row, found, evidence):
    """The ceiling in words, and the limit that holds the loads below it."""
    words = f"Highest safe load: {say_percent_of_wax(row['ceiling_load_pct'])}"
    if found["state"] in (OPEN_ABOVE, DRY):
        high = say_percent_of_wax(row["ceiling_load_pct"])
        words = f"Highest safe load: at least {high}, nothing above was tested"
        if row["ceiling_load_pct"] < found["highest_tested_pct"] - STEP / 2:
            words = f"Highest safe load: at least {high}"
    if row["held_by"] not in (WAX_LIMIT, REGULATORY):
        return words
    limit = row["limit_load_pct"]
    if row["held_by"] == REGULATORY:
        own = evidence.blends.set_index("blend").at[row["blend"], "limit_content_pct"]
        limit = load_from_content(float(own))
    return f"{words}, but {row['held_by']} is {say_load_oz(limit)}"


def _seen_words(row, rules, evidence, stress, rests):
    """How many of the pieces that decide sweated at the load or below, and until when."""
    if not row["stressed_below"]:
        return ""
    until = ""
    if rests is not None:
        own = rests.of(row["blend"]).set_index("name").at["oldest inspection", "value"]
        until = f", seen up to {own}" if own.startswith("day") else ""
    wet = "None" if not row["stressed_wet"] else str(row["stressed_wet"])
    said = (
        f"{wet} of {row['stressed_below']} pieces {stress_words(stress, evidence.plan)} sweated "
        f"(grade {rules.limit_grade} or more) at {say_percent_of_wax(row['load_pct'])} or below"
        f"{until}"
    )
    others = row["pieces_below"] - row["stressed_below"]
    wet = row["wet_below"] - row["stressed_wet"]
    return f"{said}; of the {others} others {wet} did" if wet else said


def _dry_words(row):
    if not pd.isna(row["dry_bound"]):
        yield (
            "No piece sweated at any load: the dry pieces at this load or more leave up to "
            f"{say_percent(row['dry_bound'])} possible, the rest was assumed"
        )


def _throw_words(row, rules):
    if not pd.isna(row["throw"]):
        yield (
            f"{THROW_WORDS[rules.throw_kind].capitalize()} throw {row['throw']:.1f} of 10 "
            f"({row['throw_lower']:.1f} to {row['throw_upper']:.1f})"
        )


def _saving_said(row, rules, evidence):
    today = rules.today_of(row["blend"])
    if today is not None:
        yield _capital(saving_words(row["saving_per_1000"], today, evidence.currency))


def _capital(text):
    return text[:1].upper() + text[1:]


def _changes(evidence, rules, ceiling):
    """The chosen load of each blend had one rule been another; ``ceiling`` is under ``rules``."""
    others = {
        f"risk {say_percent(2 * rules.risk)} instead of {say_percent(rules.risk)}": {
            "risk": min(2 * rules.risk, 0.5)
        },
        f"risk {say_percent(rules.risk / 2, 1)} instead of {say_percent(rules.risk)}": {
            "risk": max(rules.risk / 2, 0.001)
        },
        "80 % sure": {"confidence": 0.80},
        "99 % sure": {"confidence": 0.99},
    }
    for loss in (rules.throw_loss / 2, 2 * rules.throw_loss):
        loss = min(max(loss, LEAST_LOSS), MOST_LOSS)
        if loss != rules.throw_loss:
            others[f"{say_points(loss)} of throw given up"] = {"throw_loss": loss}
    rows = []
    for words, change in others.items():
        other = replace(rules, **change)
        limit = ceiling if "throw_loss" in change else ceiling_under(evidence.sweat, other)
        for blend in evidence.sweat.blends:
            choice = _choose(blend, evidence, other, limit)
            rows.append((words, blend, choice["load_pct"]))
    return pd.DataFrame(rows, columns=["change", "blend", "load_pct"])


def _plain(rules):
    return {name: getattr(rules, name) for name in rules.__dataclass_fields__}


def _notes(evidence, rules, table):
    notes = []
    if evidence.throw is None:
        notes.append(
            (evidence.no_throw or "No throw was scored:")
            + " the pick cannot say whether less fragrance smells as strong."
        )
    if evidence.frost is None:
        notes.append(
            (evidence.no_frost or "No frost was graded:") + " the pick knows nothing of frost."
        )
    elif not _known_age(evidence, rules):
        youngest, oldest = evidence.frost.ages
        notes.append(
            f"Frost was looked at from {youngest:g} to {oldest:g} days of age: nothing is known of "
            f"it at {rules.ship_age_days:g} days, so the pick leaves it out."
        )
    known = evidence.blends.set_index("blend")
    for blend in evidence.sweat.blends:
        if blend not in known.index or pd.isna(known.at[blend, "limit_load_pct"]):
            notes.append(f"No wax maker's limit is known for {blend}.")
        if blend not in known.index or pd.isna(known.at[blend, "limit_content_pct"]):
            notes.append(
                f"No regulatory limit of the fragrance is known for {blend}: look it up before "
                "selling."
            )
    for blend, reason in rules.reasons.items():
        notes.append(f"The wax maker's limit was set aside for {blend}. Reason given: {reason}")
    over = table[(table["load_pct"] > table["limit_load_pct"])]["blend"]
    for blend in over:
        notes.append(
            f"The pick of {blend} lies above the wax maker's limit: test only, not for sale, "
            "until the maker agrees."
        )
    unknown = [b for b in rules.override_blends if b not in evidence.sweat.blends]
    if unknown:
        raise FitError(
            f"no blend is called {', '.join(unknown)}; the limit can be set aside for "
            + ", ".join(evidence.sweat.blends)
        )
    return tuple(notes)


def _today_notes(rules, blends):
    """What a saving leaves out; today's load of a blend that is not there is refused."""
    if rules.today_load_pct is None:
        return ()
    told = dict(rules.today_load_pct) if isinstance(rules.today_load_pct, tuple) else {}
    unknown = [b for b in told if b not in blends]
    if unknown:
        raise FitError(
            f"no blend is called {', '.join(unknown)}; today's load can be told for "
            + ", ".join(blends)
        )
    return (LEFT_OUT,)
