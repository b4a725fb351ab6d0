"""The pick: per blend the lowest load that keeps most of the throw to be had under the ceiling."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import NONE, find_ceiling
from scentlab.choosing.rules import Rules
from scentlab.choosing.saving import LEFT_OUT, piece_costs, saving_words, savings
from scentlab.fitting.frost import frost_risk
from scentlab.fitting.sweat import load_at_risk_draws, sweat_risk
from scentlab.fitting.telling import gain_told
from scentlab.fitting.throw import throw_curve, throw_draws
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result, say_chance, say_percent
from scentlab.units import content_from_load, load_from_content, say_load

STEP = 0.1
CEILING, WAX_LIMIT, REGULATORY = "the ceiling", "the wax maker's limit", "the regulatory limit"
THROW_TESTED = "the highest load whose throw was scored"


@dataclass(frozen=True, repr=False)
class Pick(Result):
    """The load chosen per blend, with its reasons.

    Attributes
    ----------
    table : DataFrame in rank order: rank, blend, load_pct, content_pct, ceiling_load_pct,
        limit_load_pct, held_by, throw, throw_lower, throw_upper, throw_share, sweat_risk,
        sweat_lower, sweat_upper, p_over, frost_risk, frost_lower, frost_upper, cost_per_piece,
        pieces_below, stressed_below, wet_below (pieces seen at the load or less, how many of them
        under the stress that decides, and how many of all reached the limit grade), dry_bound
        (share, missing where sweat was seen), least_told (smallest p_over that the draws tell),
        saving_per_1000 (against today's load of the rules; missing without one, negative when the
        pick costs more), reason. Loads in % of wax, risks as shares, 90 % limits. A blend without
        a pick has load_pct missing and the reason why.
    tradeoff : DataFrame of the same measures at every load tested.
    sentences : dict of one sentence per blend.
    changes : DataFrame, the load of each blend had one rule been another: change, blend, load_pct.
    rules : dict of the rules. override : str, the written reasons when limits were set aside.
    """

    table: pd.DataFrame
    tradeoff: pd.DataFrame
    sentences: dict
    changes: pd.DataFrame
    rules: dict
    override: str
    notes: tuple = field(default=())

    @property
    def sentence(self):
        first = self.table.iloc[0]
        if pd.isna(first["load_pct"]):
            return "No load of any blend qualifies: " + " ".join(self.sentences.values())
        return self.sentences[first["blend"]]


@dataclass(frozen=True)
class Evidence:
    """The fits behind a pick; ``throw`` and ``frost`` may be None.

    ``no_throw`` and ``no_frost`` say why scores that are stored have no fit; empty where nothing
    was scored.
    """

    sweat: object
    throw: object
    frost: object
    blends: pd.DataFrame
    piece_g: float | None = None
    currency: str = ""
    no_throw: str = ""
    no_frost: str = ""


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
    ceiling = ceiling or find_ceiling(evidence.sweat, rules)
    chosen = chosen_loads(evidence, rules, ceiling)
    at_risk = load_at_risk_draws(evidence.sweat, rules.risk, rules.limit_grade, rules.stress)
    measured = _measure(evidence, rules, ceiling, chosen, at_risk)
    table = _rank(measured, evidence, rules)
    where = {"rest": "at rest", "heat": "after heat"}[ceiling.stress]
    sentences = {
        r["blend"]: _sentence(r, rules, evidence.currency, where) for _, r in table.iterrows()
    }
    return Pick(
        table,
        _tradeoff(evidence, rules, ceiling, at_risk),
        sentences,
        _changes(evidence, rules, ceiling),
        _plain(rules),
        rules.reason_words,
        _dry_notes(evidence, ceiling, table) + _notes(evidence, rules, table)
        + _today_notes(rules, evidence.sweat.blends),
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
    throw_share and reason.
    """
    return [_choose(blend, evidence, rules, ceiling) for blend in evidence.sweat.blends]


def _choose(blend, evidence, rules, ceiling):
    """dict of blend, load_pct, held_by, throw_share and reason."""
    row = ceiling.of(blend)
    none = {"blend": blend, "load_pct": np.nan, "held_by": "", "throw_share": np.nan}
    if row["state"] == NONE:
        return none | {
            "reason": (
                f"no tested load qualifies: none is shown to keep the risk of sweat grade "
                f"{rules.limit_grade} under {say_percent(rules.risk)}"
            )
        }
    limits = caps(blend, evidence, rules, ceiling)
    held_by = min(limits, key=limits.get)
    top = float(np.round(np.floor(limits[held_by] / STEP + 1e-9) * STEP, 6))
    lowest = float(row["lowest_tested_pct"])
    # A pour is weighed to a few hundredths of a point; that much below counts as tested.
    if top < lowest - 0.05:
        return none | {
            "held_by": held_by,
            "reason": (
                f"no tested load qualifies: {held_by} is {say_load(limits[held_by])} and the "
                f"lowest load tested is {say_load(lowest)}"
            ),
        }
    load, share, reason = _lowest_enough(blend, evidence, rules, lowest, top, held_by)
    return {
        "blend": blend,
        "load_pct": load,
        "held_by": held_by,
        "throw_share": share,
        "reason": reason,
    }


def _lowest_enough(blend, evidence, rules, lowest, top, held_by):
    """The lowest load that keeps the wanted share of the throw to be gained, the share, why."""
    fit = evidence.throw
    if fit is None or blend not in fit.blends:
        without = f"{rules.throw_kind} throw was not scored"
        if fit is None and evidence.no_throw:
            without = f"there is no fit of {rules.throw_kind} throw"
        return top, np.nan, f"{without}, so this is {_end_words(held_by)}"
    bottom = max(lowest, float(fit.tested.set_index("blend").at[blend, "lowest_pct"]))
    if bottom > lowest + STEP / 2 and top < bottom:
        return (
            top,
            np.nan,
            (
                f"throw was scored only from {bottom:.1f} % of wax up, above {held_by}, so this is "
                f"{_end_words(held_by)}"
            ),
        )
    if top <= bottom:
        return top, np.nan, f"the lowest load tested, which {held_by} just admits"
    grid = np.unique(np.append(np.arange(np.ceil(bottom / STEP) * STEP, top, STEP), top))
    draws = throw_draws(fit, blend, np.append(bottom, grid))
    gain = draws[:, 1:] - draws[:, [0]]
    mean = gain.mean(axis=0)
    low, high = np.quantile(gain[:, -1], [0.05, 0.95])
    if high < 0:
        return (
            _lowest_within(bottom, top),
            np.nan,
            (
                f"the lowest load tested: {fit.kind} throw falls from {bottom:.1f} to {top:.1f} % "
                f"of wax ({mean[-1]:+.1f} points, 90 % interval {low:+.1f} to {high:+.1f}); look "
                "whether 0 and 10 were taken the other way round"
            ),
        )
    if low <= 0:
        return (
            _lowest_within(bottom, top),
            np.nan,
            (
                f"the lowest load tested: the panel's scores do not show that {fit.kind} throw "
                f"gains anything from {bottom:.1f} to {top:.1f} % of wax ({mean[-1]:+.1f} points, "
                f"90 % interval {low:+.1f} to {high:+.1f}); more scores could"
            ),
        )
    enough = np.nonzero(mean >= rules.throw_share * mean[-1] - 1e-12)[0][0]
    return (
        float(np.round(grid[enough], 6)),
        float(mean[enough] / mean[-1]),
        (
            f"the lowest load that keeps {say_percent(rules.throw_share)} of the {fit.kind} throw "
            f"gained from {bottom:.1f} to {top:.1f} % of wax, {_end_words(held_by)}"
            + _hardly_told(evidence, blend, bottom, grid[enough])
        ),
    )


def _lowest_within(bottom, top):
    """The lowest load in whole steps that is not below the lowest weighed one, nor above top."""
    return float(min(np.round(np.ceil(bottom / STEP - 1e-9) * STEP, 6), top))


def _end_words(held_by):
    """What the end of the loads in question is: the pick itself may well lie below it."""
    return held_by if held_by == THROW_TESTED else f"the highest load that {held_by} admits"


def _hardly_told(evidence, blend, bottom, load):
    """Words for a pick that the panel could not tell from the lowest load, or nothing."""
    gain, least = gain_told(evidence.throw, blend, bottom, load)
    if load <= bottom + STEP / 2 or gain >= least:
        return ""
    digits = 1 if f"{gain:.1f}" != f"{least:.1f}" else 2
    return (
        f"; a panel like this could hardly tell it from {bottom:.1f} % of wax side by side "
        f"({gain:+.{digits}f} points of throw, where {least:.{digits}f} can be told)"
        + _cost_of_both(evidence, blend, bottom, load)
    )


def _cost_of_both(evidence, blend, bottom, load):
    """What the two loads cost a piece, where prices are known and the digits show it."""
    costs = piece_costs(evidence.blends, evidence.piece_g, blend, np.array([bottom, load]))
    less, more = (f"{cost:.3f}" for cost in costs)
    if np.isnan(costs).any() or less == more:
        return ""
    return f", which costs {less} instead of {more} {evidence.currency} a piece".replace("  ", " ")


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
        row |= (
            _measures_at(blend, np.array([choice["load_pct"]]), evidence, rules, at_risk)
            .iloc[0]
            .to_dict()
        )
        rows.append(row)
    return pd.DataFrame(rows)


def _of_them(row, stress):
    if row["stressed_below"] == row["pieces_below"]:
        return ""
    return f", {row['stressed_below']} of them {stress},"


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
        "dry_bound": np.nan,
        "least_told": min(3.0 / fit.effective_size, 0.05),
    }
    under = own[own["stress"] == stress]
    near = int(under.loc[under["load_pct"] >= load - STEP / 2, "n"].sum())
    if near and int((under["n"] - under["g0"]).sum()) == 0:
        found["dry_bound"] = 1.0 - 0.05 ** (1.0 / near)
    return found


_MEASURES = (
    "sweat_risk",
    "sweat_lower",
    "sweat_upper",
    "p_over",
    "throw",
    "throw_lower",
    "throw_upper",
    "frost_risk",
    "frost_lower",
    "frost_upper",
    "cost_per_piece",
    "saving_per_1000",
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
    frames = []
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
    return pd.concat(frames, ignore_index=True)


def _rank(table, evidence, rules):
    """Order: throw first; among those the panel cannot tell apart, less frost, then less cost."""
    left = table[table["load_pct"].notna()]
    order = []
    while len(left):
        leader = left["throw"].fillna(-np.inf).idxmax()
        level = [
            i for i in left.index if i == leader or _alike(left.loc[leader], left.loc[i], evidence)
        ]
        group = left.loc[level].assign(frost_step=(left["frost_risk"] * 20).round())
        keys = ["frost_step", "cost_per_piece", "throw"]
        order += list(group.sort_values(keys, ascending=[True, True, False]).index)
        left = left.drop(index=level)
    order += [i for i in table.index if i not in order]
    ranked = table.loc[order].reset_index(drop=True)
    ranked.insert(0, "rank", np.arange(1, len(ranked) + 1))
    front = [
        "rank",
        "blend",
        "load_pct",
        "content_pct",
        "ceiling_load_pct",
        "limit_load_pct",
        "held_by",
        "throw",
        "throw_lower",
        "throw_upper",
        "throw_share",
    ]
    return ranked[
        front + [c for c in ranked.columns if c not in front and c != "reason"] + ["reason"]
    ]


def _alike(leader, other, evidence):
    """Whether the panel's scores leave it open which of two picks throws more."""
    fit = evidence.throw
    if fit is None or leader["blend"] not in fit.blends or other["blend"] not in fit.blends:
        return True
    first = throw_draws(fit, leader["blend"], [leader["load_pct"]])[:, 0]
    second = throw_draws(fit, other["blend"], [other["load_pct"]])[:, 0]
    return float(np.quantile(first - second, 0.05)) <= 0


def _sentence(row, rules, currency, stress):
    if pd.isna(row["load_pct"]):
        return f"{row['blend']}: {row['reason']}."
    said = [
        f"{row['blend']}: pour at {say_load(row['load_pct'])}, {row['reason']}",
        f"Chance that a piece of a new pot reaches sweat grade {rules.limit_grade} ({stress}): "
        f"{say_percent(row['sweat_risk'], 1)} (90 % interval {say_percent(row['sweat_lower'], 1)} "
        f"to {say_percent(row['sweat_upper'], 1)})",
        f"Chance that the true risk at this load is over {say_percent(rules.risk)}: "
        f"{say_chance(row['p_over'], row['least_told'])}",
        f"Of {row['pieces_below']} pieces seen at this load or less{_of_them(row, stress)} "
        f"{row['wet_below']} reached it",
    ]
    if not pd.isna(row["dry_bound"]):
        said.append(
            "No piece sweated at any load, so this risk rests on what was assumed beforehand: the "
            "dry pieces at this load or more by themselves leave up to "
            f"{say_percent(row['dry_bound'])} possible"
        )
    if not pd.isna(row["throw"]):
        said.append(
            f"{rules.throw_kind.capitalize()} throw {row['throw']:.1f} of 10 "
            f"({row['throw_lower']:.1f} to {row['throw_upper']:.1f})"
        )
    today = rules.today_of(row["blend"])
    if today is not None:
        words = saving_words(row["saving_per_1000"], today, currency)
        said.append(words[:1].upper() + words[1:])
    return ". ".join(said) + "."


def _changes(evidence, rules, ceiling):
    """The chosen load of each blend had one rule been another; ``ceiling`` is under ``rules``."""
    others = {
        f"risk {say_percent(2 * rules.risk)} instead of {say_percent(rules.risk)}": {
            "risk": min(2 * rules.risk, 0.5)
        },
        f"risk {say_percent(rules.risk / 2, 1)} instead of {say_percent(rules.risk)}": {
            "risk": max(rules.risk / 2, 0.001)
        },
        "confidence 80 %": {"confidence": 0.80},
        "confidence 99 %": {"confidence": 0.99},
        "all of the throw under the ceiling": {"throw_share": 1.0},
        "three quarters of the throw under the ceiling": {"throw_share": 0.75},
    }
    rows = []
    for words, change in others.items():
        other = replace(rules, **change)
        limit = ceiling if "throw_share" in change else find_ceiling(evidence.sweat, other)
        for blend in evidence.sweat.blends:
            choice = _choose(blend, evidence, other, limit)
            rows.append((words, blend, choice["load_pct"]))
    return pd.DataFrame(rows, columns=["change", "blend", "load_pct"])


def _plain(rules):
    return {name: getattr(rules, name) for name in rules.__dataclass_fields__}


def _dry_notes(evidence, ceiling, table):
    """What the small risks of a blend without any sweat rest on."""
    counts = evidence.sweat.counts
    counts = counts[counts["stress"] == ceiling.stress]
    notes = []
    for row in table[table["load_pct"].notna()].itertuples():
        own = counts[counts["blend"] == row.blend]
        if own["g0"].sum() < own["n"].sum():
            continue
        near = int(own.loc[own["load_pct"] >= row.load_pct - STEP / 2, "n"].sum())
        notes.append(
            f"None of the {int(own['n'].sum())} pieces of {row.blend} sweated, {near} of them at "
            f"{row.load_pct:.1f} % of wax or more: its risk below that of the pieces counted rests "
            "on what was assumed beforehand, not on sweat that was seen."
        )
    return tuple(notes)


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
