"""Numbers and pictures in words: what tables, captions and alternative texts say.

Digits are cut here and nowhere earlier. A number keeps its unit and its load basis.
"""

import math

from scentlab.choosing.diagnosis import say_change
from scentlab.fitting.over_time import NEAR_PCT
from scentlab.fitting.throw_life import HALF, hours_until
from scentlab.results import say_chance, say_percent
from scentlab.units import content_from_load, say_load

MISSING = "–"


def say_number(value, digits=2):
    """A number with so many decimals, a dash when it is missing.

    >>> say_number(3.14159), say_number(None), say_number(float("nan"))
    ('3.14', '–', '–')
    """
    return MISSING if is_missing(value) else f"{float(value):.{digits}f}"


def say_share(value, digits=1):
    """A probability or share in per cent, a dash when it is missing.

    >>> say_share(0.0321), say_share(float("nan"))
    ('3.2 %', '–')
    """
    return MISSING if is_missing(value) else say_percent(float(value), digits)


def say_over(chance, least):
    """The chance that a risk is over the accepted one, no finer than its draws can tell.

    >>> say_over(0.006, 0.01), say_over(float("nan"), 0.01)
    ('under 1.0 %', '–')
    """
    return MISSING if is_missing(chance) else say_chance(float(chance), least)


def least_told(pick):
    """The smallest chance that the draws behind a pick can tell, as a share."""
    return float(pick.table["least_told"].max())


def say_both(load_pct):
    """A load in both bases, a dash when it is missing.

    >>> say_both(8.0), say_both(float("nan"))
    ('8.0 % of wax (7.4 % of total)', '–')
    """
    return MISSING if is_missing(load_pct) else say_load(float(load_pct))


def say_range(lower, upper, say=say_number):
    """An interval in words, a dash when an end is missing.

    >>> say_range(1.0, 2.5)
    '1.00 to 2.50'
    """
    if is_missing(lower) or is_missing(upper):
        return MISSING
    return f"{say(lower)} to {say(upper)}"


def is_missing(value):
    """Whether a cell holds nothing that can be shown.

    >>> is_missing(None), is_missing(float("nan")), is_missing(0), is_missing("")
    (True, True, False, True)
    """
    if value is None or (isinstance(value, str) and not value.strip()):
        return True
    try:
        return math.isnan(value)
    except TypeError:
        # pandas has a missing value of its own that is no number.
        return str(value) in ("<NA>", "NaT")


def tradeoff_in_words(rows, pick, limit_grade, kind):
    """What the trade-off picture of one blend shows.

    ``rows`` are the trade-off table's rows of the blend, ``pick`` the row of the pick's table.
    """
    if rows.empty:
        return f"No piece of blend {pick['blend']} was graded under the stress that decides."
    rows = rows.sort_values("load_pct")
    first, last = rows.iloc[0], rows.iloc[-1]
    words = (
        f"Two curves over the tested loads of blend {pick['blend']}, {say_both(first['load_pct'])} "
        f"to {say_both(last['load_pct'])}. "
    )
    if not is_missing(first["throw"]):
        words += (
            f"Above, {kind} throw on the scale 0 to 10 goes from {say_number(first['throw'], 1)} "
            f"to {say_number(last['throw'], 1)}. "
        )
    words += (
        f"Below, the risk of sweat grade {limit_grade} or more goes from "
        f"{say_share(first['sweat_risk'])} to {say_share(last['sweat_risk'])}. "
    )
    if is_missing(pick["load_pct"]):
        return words + "No load is picked."
    return words + f"The pick stands at {say_both(pick['load_pct'])}."


def pieces_in_words(counts, blend, what, limit_grade):
    """What the picture of graded pieces of one blend shows: pieces over the grade at each load."""
    seen = counts[counts["blend"] == blend]
    parts = []
    for pour in seen.sort_values("load_pct").to_dict("records"):
        over = sum(pour[f"g{k}"] for k in range(limit_grade, 5))
        parts.append(f"{over:.0f} of {pour['n']:.0f} at {pour['load_pct']:.1f} %")
    return (
        f"Risk curve of blend {blend} over load with its interval, and per pour the pieces with "
        f"{what} grade {limit_grade} or more (loads in % of wax): {', '.join(parts)}."
    )


def throws_in_words(points, blend, kind):
    """What the throw picture of one blend shows: mean score at each load."""
    seen = points[points["blend"] == blend]
    means = seen.groupby(seen["load_pct"].round(1))["throw"].mean()
    parts = [f"{value:.1f} at {load:.1f} %" for load, value in means.items()]
    return (
        f"Curve of {kind} throw (0 to 10) of blend {blend} over load with its interval, and the "
        f"mean scores of {seen['assessor'].nunique()} assessors (loads in % of wax): "
        f"{', '.join(parts)}."
    )


def bleeds_in_words(fit, blend):
    """What the bleed picture of one blend shows: mean of each pour, and where the rise begins."""
    seen = fit.points[fit.points["blend"] == blend].sort_values("load_pct")
    parts = [f"{p.bleed_mg:.1f} mg at {p.load_pct:.1f} %" for p in seen.itertuples()]
    row = fit.joins.set_index("blend").loc[blend]
    join = "no load tested"
    if math.isfinite(row["join_pct"]):
        join = say_both(row["join_pct"])
    return (
        f"Bleed of blend {blend} over load, level and then rising, with its interval, and the mean "
        f"of each pour (loads in % of wax): {', '.join(parts)}. The rise begins at {join}."
    )


def lives_in_words(fit, blend):
    """What the picture of throw over hours shows: mean scores at each check, and its half."""
    parts = []
    for _, arm in fit.arms[fit.arms["blend"] == blend].iterrows():
        seen = fit.points[fit.points["blend"] == blend]
        seen = seen[(seen["load_pct"] - arm["load_pct"]).abs() <= NEAR_PCT]
        means = ", ".join(
            f"{s:.1f} at {h:g} h" for h, s in seen.groupby("hours")["throw"].mean().items()
        )
        half = hours_until(fit, blend, share=HALF, load_pct=arm["load_pct"])["words"].iloc[0]
        parts.append(
            f"at {say_both(arm['load_pct'])} the mean scores {means}; half of the first after "
            f"{half}"
        )
    return (
        f"Curve of warm throw (0 to 10) of blend {blend} over hours on the warmer with its "
        f"interval: {'. '.join(parts)}."
    )


def losses_in_words(fit, blend):
    """What the picture of weight loss shows: mean loss at each check and share of fragrance."""
    parts = []
    for _, arm in fit.arms[fit.arms["blend"] == blend].iterrows():
        seen = fit.points[(fit.points["blend"] == blend) & (fit.points["hours"] > 0)]
        seen = seen[(seen["load_pct"] - arm["load_pct"]).abs() <= NEAR_PCT]
        means = ", ".join(
            f"{s:.2f} g at {h:g} h" for h, s in seen.groupby("hours")["loss_g"].mean().items()
        )
        parts.append(
            f"at {say_both(arm['load_pct'])}, with {arm['fragrance_g']:.2f} g of fragrance in a "
            f"piece, {means}"
        )
    return (
        f"Curve of the weight lost by pieces of blend {blend} over hours on the warmer with its "
        f"interval: {'; '.join(parts)}."
    )


def ceilings_in_words(table):
    """What the picture of ceilings shows."""
    parts = [
        f"{row['blend']} {say_both(row['ceiling_load_pct'])}"
        if not is_missing(row["ceiling_load_pct"])
        else f"{row['blend']} none, {row['state']}"
        for row in table.to_dict("records")
    ]
    return f"The ceiling of each blend within its tested loads: {'; '.join(parts)}."


def lots_in_words(table):
    """What the picture of ceilings alone and pooled shows."""
    parts = [
        f"{row['blend']} in series {row['series']}: alone {say_both(row['own_ceiling_pct'])}, "
        f"pooled {say_both(row['pooled_ceiling_pct'])}"
        for row in table.to_dict("records")
    ]
    return f"Ceilings of each series alone and of the pooled fit. {'; '.join(parts)}."


def picks_in_words(table):
    """What the picture of picks shows."""
    parts = [
        f"{row['blend']} {say_both(row['load_pct'])}"
        if not is_missing(row["load_pct"])
        else f"{row['blend']} no load"
        for row in table.to_dict("records")
    ]
    picked = any(not is_missing(load) for load in table["load_pct"])
    words = "The load picked for each blend, best first" if picked else "No load is picked"
    return f"{words}: {'; '.join(parts)}."


def checks_in_words(check):
    """What the picture of pours seen and expected shows: how many lie outside, and which."""
    outside = check.pours[check.pours["odd"]]
    parts = [
        f"pour {p.pour} of {p.blend}, {p.stress}, seen {p.seen:.1f} against {p.lower:.1f} to "
        f"{p.upper:.1f}"
        for p in outside.itertuples()
    ]
    odd = ", ".join(check.pots.loc[check.pots["odd"], "pot"]) or "none"
    return (
        f"Mean sweat grade (0 to 4) seen over expected for {len(check.pours)} pours of "
        f"{len(check.pots)} pots, with the 90 % range of each. Outside it: "
        f"{'; '.join(parts) or 'none'}. Pots unlike the others: {odd}."
    )


def pots_left_out_in_words(table):
    """What the picture of the ceilings without each pot shows."""
    parts = []
    for row in table.sort_values(["blend", "pot"]).itertuples():
        if is_missing(row.change_pct):
            appears = not is_missing(row.ceiling_load_pct)
            change = "a load qualifies only without it" if appears else "no load to compare"
        else:
            change = say_change(row._asdict(), "+")
        parts.append(f"{row.pot} of {row.blend} {change}")
    return (
        "Change of the ceiling of its blend when a pot is left out, in points of load (% of wax): "
        f"{'; '.join(parts)}."
    )


def content_words(load_pct):
    """The content of a load, in words of its own basis.

    >>> content_words(6.25)
    '5.9 % of total'
    """
    return MISSING if is_missing(load_pct) else f"{content_from_load(load_pct):.1f} % of total"
