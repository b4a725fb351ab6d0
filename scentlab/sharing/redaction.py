"""What a maker holds back before a series leaves: names, costs, notes, codes, whole blends.

:func:`redact` returns another series in which nothing of it is left, and :class:`Held` says what
was held back, in words for the reader and as strings that must not appear in what leaves.
"""

import copy
import dataclasses
import random
import re

import pandas as pd

from scentlab.series import HIDDEN_FRAGRANCE
from scentlab.sharing.guard import STAND_IN, Guard, SharingError, holds
from scentlab.text import spelling

_PLAIN_WORDS = {"and", "the", "with", "for", "oil", "fragrance", "scent", "invented", "demo"}
# The frames of what was seen, and the columns that give their rows an order.
_SEEN = {
    "grades": ["test", "pour", "code", "age_days"], "throws": ["kind", "sitting", "pour", "code"],
    "bleeds": ["pour", "code", "hours"], "warmings": ["pour", "code", "hours"],
    "pairs": ["kind", "sitting", "pour", "code", "second", "position"],
}
_FRAGRANCE_FACTS = ("lot", "flash_point_c", "density_g_per_ml")


@dataclasses.dataclass(frozen=True)
class Choices:
    """What to hold back.

    Parameters
    ----------
    hide_fragrance : bool, name, lot, flash point, density and allergens of the fragrance.
    hide_costs : bool, every price, and so the cost of a piece.
    hide_notes : bool, notes of pours and the reason of an override.
    renumber_assessors : bool, new codes in an order that tells nothing; the plan goes without
        its smelling orders and its seed, which would tell.
    leave_out : tuple of blend names whose pours, scores and results stay at home.
    also_hide : tuple of words to hide as the fragrance's name is hidden.
    may_stay : tuple of words that hold a hidden name and do not tell it.

    >>> Choices(hide_costs=True, leave_out=["soft"]).leave_out
    ('soft',)
    """

    hide_fragrance: bool = False
    hide_costs: bool = False
    hide_notes: bool = False
    renumber_assessors: bool = False
    leave_out: tuple = ()
    also_hide: tuple = ()
    may_stay: tuple = ()

    def __post_init__(self):
        for name, what in (("leave_out", "blend names"), ("also_hide", "words"),
                           ("may_stay", "words")):
            given = getattr(self, name)
            if isinstance(given, str):
                raise SharingError(
                    f"{name} is the text {given!r}; give a tuple of {what}, such as ({given!r},)"
                )
            object.__setattr__(self, name, tuple(given))


@dataclasses.dataclass(frozen=True)
class Held:
    """What was held back: ``notices`` for the reader, and the guard that finds the rest."""

    notices: tuple
    guard: Guard = Guard()


def redact(series, choices):
    """A series without what the choices hold back.

    Returns
    -------
    (Series, Held). The series given is not changed.

    Raises
    ------
    SharingError when a blend to leave out is not there, or none would stay.
    """
    choices = known_choices(series, choices)
    notices, names, texts = [], [], []
    series = dataclasses.replace(series, plan=copy.deepcopy(series.plan))
    for step, found in (
        (_without_blends, texts), (_without_fragrance, names), (_without_costs, texts),
        (_without_notes, texts), (_renumbered, texts),
    ):
        series, notice, hidden = step(series, choices)
        notices += notice
        found += hidden
    # A text that a kept name also holds, such as the blend soft in "soft wax", tells nothing.
    kept = " | ".join(name for _, name in _kept_names(series))
    texts = [t for t in texts if t and not holds(kept, t)]
    names = [n for n in (*names, *choices.also_hide) if n]
    guard = Guard(*(tuple(dict.fromkeys(x)) for x in (names, texts)), choices.may_stay)
    _refuse_undecided(series, guard)
    return _scrubbed(series, guard), Held(tuple(notices), guard)


def _kept_names(series):
    """Pairs of place and name of all that is named and leaves as it is."""
    named = [("the blend", series.blends["blend"]), ("the wax", map(str, series.fractions.columns))]
    named += [(f"the {c}", series.pours[c]) for c in ("pour", "pot")]
    named += [("the sitting", [*series.throws["sitting"], *series.pairs["sitting"]])]
    for place, names in named:
        for name in dict.fromkeys(names):
            yield f"{place} {name}", str(name)


def _refuse_undecided(series, guard):
    """Show what nobody has decided: a hidden name in a kept name, or within a word of a text."""
    plan = series.plan or {}
    texts = [("the title", series.title), ("the title", plan.get("title"))]
    texts += [("a note", n) for n in (*series.pours["note"].dropna(), *plan.get("notes", ()))]
    texts = [(place, guard.scrubbed(str(text or ""))) for place, text in texts]
    guard.refuse([*_kept_names(series), *texts])


def redacted_rules(rules, choices):
    """The rules without left-out blends; when notes stay at home, without the reasons, and when
    costs do, without today's load."""
    blends = tuple(b for b in rules.override_blends if b not in choices.leave_out)
    reasons = {b: STAND_IN if choices.hide_notes else rules.reasons[b] for b in blends}
    today = None if choices.hide_costs else rules.today_load_pct
    if isinstance(today, tuple):
        today = tuple((b, load) for b, load in today if b not in choices.leave_out)
    return dataclasses.replace(
        rules, override_blends=blends, override_reason=reasons, today_load_pct=today
    )


def known_choices(series, choices):
    """The choices with blends to leave out spelt as the series has them."""
    known = list(series.blends["blend"])
    leave_out = tuple(map(spelling(known), choices.leave_out))
    for name in leave_out:
        if name not in known:
            raise SharingError(
                f"there is no blend {name!r} to leave out; the series has {', '.join(known)}"
            )
    if known and set(known) <= set(leave_out):
        raise SharingError("every blend would be left out; keep at least one")
    return dataclasses.replace(choices, leave_out=leave_out)


def _without_blends(series, choices):
    out = set(choices.leave_out)
    if not out:
        return series, [], []
    frames = {name: getattr(series, name) for name in (*_SEEN, "pours", "blends")}
    frames["pairs"] = frames["pairs"][~frames["pairs"]["second_blend"].isin(out)]
    kept = {name: f[~f["blend"].isin(out)].reset_index(drop=True) for name, f in frames.items()}
    fractions = series.fractions.drop(index=[b for b in out if b in series.fractions.index])
    fractions = fractions.loc[:, (fractions > 0).any()] if len(fractions) else fractions
    waxes = set(series.fractions.columns) - set(fractions.columns)
    gone = set(series.pours["pour"]) - set(kept["pours"]["pour"])
    plan = _plan_without(series.plan, out)
    redacted = dataclasses.replace(series, **kept, fractions=fractions, plan=plan)
    number = "One blend" if len(out) == 1 else f"{len(out)} blends"
    notice = (
        f"{number} of the series {'is' if len(out) == 1 else 'are'} left out of this package; "
        "the fits and the ranking here rest on the others alone."
    )
    return redacted, [notice], sorted(out | waxes | gone)


def _plan_without(plan, out):
    if not plan:
        return plan
    plan = dict(plan)
    plan["blends"] = [b for b in plan.get("blends", []) if b["name"] not in out]
    pours = plan.get("pours", [])
    gone = {p["pour"] for p in pours if p.get("blend") in out}
    codes = {p["code"] for p in plan.get("pieces", []) if p.get("pour") in gone}
    plan["pours"] = [p for p in pours if p["pour"] not in gone]
    plan["pieces"] = [p for p in plan.get("pieces", []) if p.get("pour") not in gone]
    plan["smellings"] = [s for s in plan.get("smellings", []) if s.get("code") not in codes]
    if "pairs" in plan:
        plan["pairs"] = [p for p in plan["pairs"] if not codes & {p["first"], p["second"]}]
    plan["notes"] = [n for n in plan.get("notes", []) if not any(holds(n, b) for b in out)]
    return plan


def _without_fragrance(series, choices):
    if not choices.hide_fragrance:
        return series, [], []
    about = dict((series.plan or {}).get("fragrance") or {})
    hidden = [series.fragrance, str(about.get("name") or ""), str(about.get("lot") or "")]
    hidden += [str(a) for a in about.get("allergens") or ()]
    # A title says "cedar" where the name says "cedar and smoke, lot 7": each telling word counts.
    words = re.findall(r"\w{3,}", f"{series.fragrance} {about.get('name') or ''}")
    hidden += [w for w in words if w.lower() not in _PLAIN_WORDS]
    plan = series.plan
    if about:
        about |= dict.fromkeys(_FRAGRANCE_FACTS) | {"allergens": [], "lot": ""}
        plan = {**plan, "fragrance": about | {"name": HIDDEN_FRAGRANCE}}
        # Notes and settings of a plan may speak of the flash point.
        plan["notes"] = [n for n in plan.get("notes", []) if "flash point" not in n]
    series = dataclasses.replace(series, fragrance=HIDDEN_FRAGRANCE, plan=plan)
    return series, [_hidden_fragrance(series, choices)], hidden


def _hidden_fragrance(series, choices):
    """What of the fragrance does not leave, and what does because the pick rests on it."""
    notice = "The fragrance's name and data are not shared"
    if series.blends["limit_content_pct"].notna().any():
        notice += "; its regulatory limit stays, for the recommended load rests on it"
    if series.blends["fragrance_price_per_kg"].notna().any() and not choices.hide_costs:
        notice += "; its price stays, for costs are shared"
    return f"{notice}."


def _without_costs(series, choices):
    if not choices.hide_costs:
        return series, [], []
    prices = ["wax_price_per_kg", "fragrance_price_per_kg"]
    blends = series.blends.assign(**dict.fromkeys(prices, float("nan")))
    plan = series.plan
    if plan:
        plan = _blank(plan, "price_per_kg")
        plan["currency"] = ""
    series = dataclasses.replace(series, blends=blends, currency="", plan=plan)
    return series, ["Costs are not shared, so the ranking here does not weigh them."], []


def _blank(data, name):
    """Plain data with every value under that name replaced by None."""
    if isinstance(data, dict):
        return {k: None if k == name else _blank(v, name) for k, v in data.items()}
    if isinstance(data, list):
        return [_blank(v, name) for v in data]
    return data


def _without_notes(series, choices):
    if not choices.hide_notes:
        return series, [], []
    notes = [str(n) for n in series.pours["note"].dropna()]
    pours = series.pours.assign(note=pd.Series([None] * len(series.pours), dtype=object))
    plan = {**series.plan, "notes": []} if series.plan else series.plan
    series = dataclasses.replace(series, pours=pours, plan=plan)
    return series, ["Notes are not shared."], notes


def _renumbered(series, choices):
    if not choices.renumber_assessors:
        return series, [], []
    plan = series.plan or {}
    codes = {c for name in _SEEN for c in getattr(series, name)["assessor"].dropna()}
    codes |= set(plan.get("assessors", ()))
    codes |= {s["assessor"] for n in ("smellings", "pairs") for s in plan.get(n, ())
              if s.get("assessor")}
    new = _new_codes(codes)
    frames = {}
    for name, order in _SEEN.items():
        frame = getattr(series, name)
        frame = frame.assign(assessor=[new.get(a) for a in frame["assessor"]])
        # An order that does not follow the old codes.
        frame = frame.sort_values([*order, "assessor"], kind="stable")
        frames[name] = frame.reset_index(drop=True)
    if plan:
        lists = {n: sorted(new.get(a, a) for a in plan[n])
                 for n in ("assessors", "works_with_fragrance") if n in plan}
        # Whoever has the seed can make the plan again and read the old codes from its orders.
        plan = {**plan, **lists, "smellings": [], "seed": None}
        plan.pop("pairs", None)
    series = dataclasses.replace(series, **frames, plan=plan or series.plan)
    notice = "Testers have new codes in this package."
    return series, [notice], sorted(codes - set(new.values()))


def _new_codes(codes):
    """New codes in an order from the machine's own chance: a seed would give it away."""
    old = sorted(codes)
    taken = {code[0].upper() for code in old}
    letter = next(c for c in "ZYXWVUTSRQPONMLKJIHGFEDCBA" if c not in taken)
    places = list(range(1, len(old) + 1))
    random.SystemRandom().shuffle(places)
    return {code: f"{letter}{place}" for code, place in zip(old, places, strict=True)}


def _scrubbed(series, guard):
    """Free text without what is hidden: a title likes to name the fragrance."""
    if not (guard.names or guard.texts):
        return series
    pours = series.pours.assign(note=[guard.scrubbed(n) for n in series.pours["note"]])
    pours["note"] = pours["note"].astype(object)
    plan = series.plan
    if plan:
        plan = {**plan, **{n: guard.scrubbed(plan[n]) for n in ("title", "notes") if n in plan}}
    title = guard.scrubbed(series.title)
    return dataclasses.replace(series, title=title, pours=pours, plan=plan)
