"""The order of the blends: the chance of each order from joint draws of throw at the picks."""

import numpy as np
import pandas as pd

from scentlab.choosing.enough import SURE
from scentlab.choosing.rules import THROW_WORDS
from scentlab.fitting.throw import throw_draws
from scentlab.results import say_chance

ORDER = " > "
FROST_STEP = 0.05


def throw_at_picks(fit, table):
    """Joint draws (D, K) of throw at the picks, and the K blends that have any."""
    picked = table[table["load_pct"].notna() & table["throw"].notna()]
    if picked.empty:
        return np.empty((0, 0)), ()
    draws = [throw_draws(fit, r.blend, [r.load_pct])[:, 0] for r in picked.itertuples()]
    return np.column_stack(draws), tuple(picked["blend"])


def order_chances(draws, blends):
    """The chance of each order of the blends by draws (D, K) of throw, most likely first: order
    (names, the strongest first, joined by " > ") and chance."""
    if len(blends) < 2:
        return pd.DataFrame({"order": pd.Series(dtype=object), "chance": pd.Series(dtype=float)})
    places = np.argsort(-draws, axis=1, kind="stable")
    seen, counts = np.unique(places, axis=0, return_counts=True)
    by = np.argsort(-counts, kind="stable")
    orders = [ORDER.join(blends[i] for i in seen[k]) for k in by]
    return pd.DataFrame({"order": orders, "chance": counts[by] / len(draws)})


def rank(table, draws, blends, loss):
    """The rows in order of preference, with ``rank`` and ``p_strongest``.

    The strongest throw comes first. A blend that smells the same (difference under ``loss``), or
    of which it is not at least 80 % sure that it is weaker, ties with it; ties go to less frost, in
    steps of 5 %, then to the lower cost. Then the same among the rest.
    """
    best = np.bincount(draws.argmax(axis=1), minlength=len(blends)) if draws.size else ()
    shares = {blend: number / len(draws) for blend, number in zip(blends, best, strict=True)}
    table = table.assign(p_strongest=table["blend"].map(shares).astype(float),
                         step=(table["frost_risk"] / FROST_STEP).round())
    left, order = table[table["load_pct"].notna()], []
    while len(left):
        leader = left.at[left["throw"].fillna(-np.inf).idxmax(), "blend"]
        tied = [b == leader or _tied(draws, blends, leader, b, loss) for b in left["blend"]]
        group = left[tied].sort_values(["step", "cost_per_piece", "throw"],
                                       ascending=[True, True, False])
        order += list(group.index)
        left = left.drop(index=group.index)
    order += [i for i in table.index if i not in order]
    ranked = table.loc[order].drop(columns="step").reset_index(drop=True)
    ranked.insert(0, "rank", np.arange(1, len(ranked) + 1))
    return ranked


def _tied(draws, blends, leader, other, loss):
    if leader not in blends or other not in blends:
        return True
    ahead = draws[:, blends.index(leader)] - draws[:, blends.index(other)]
    return bool((ahead > 0).mean() < SURE or (np.abs(ahead) <= loss).mean() >= SURE)


def order_words(pick):
    """What is known of the order by throw, as sentences; none for a single blend."""
    picked = pick.table[pick.table["load_pct"].notna()]
    if len(picked) < 2:
        return ()
    scored = picked[picked["p_strongest"].notna()]
    throw = f"{THROW_WORDS[pick.rules['throw_kind']]} throw"
    if len(scored) < 2:
        return (f"The order by {throw} is not known: fewer than two blends have scores at their "
                "loads.",)
    chances = [f"{r.blend} {say_chance(r.p_strongest, pick.throw_least, 0)}"
               for r in scored.itertuples()]
    words = [f"Chance of having the strongest {throw}: {', '.join(chances)}."]
    if scored["p_strongest"].iloc[0] < SURE:
        words.append("First and second are too close to call.")
    unscored = picked.loc[picked["p_strongest"].isna(), "blend"]
    if len(unscored):
        words.append(f"Place open, because its {throw} was not scored at its load: "
                     f"{', '.join(unscored)}.")
    best = pick.orders.iloc[0]
    if len(scored) > 2 and best["chance"] > 0.5:  # of many blends the likeliest order is unlikely
        said = say_chance(best["chance"], pick.throw_least, 0)
        words.append(f"Most likely order by {throw}: {best['order']} (chance {said}).")
    return tuple(words)

