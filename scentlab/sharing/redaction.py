"""What a maker holds back before a series leaves: names, costs, notes, codes, whole blends.

:func:`redact` returns another series in which nothing of it is left, and :class:`Held` says what
was held back, in words for the reader and as strings that must not appear in what leaves.
"""

import copy
import dataclasses
import random
import re
import string

import pandas as pd

from scentlab.series import HIDDEN_FRAGRANCE, plan_without
from scentlab.sharing.guard import SIGN, STAND_IN, TELLING, Guard, UndecidedError, holds, need
from scentlab.text import alike, spelling

_PLAIN_WORDS = {"and", "the", "with", "for", "oil", "fragrance", "scent", "invented", "demo"}
# The frames of what was seen, and the columns that give their rows an order.
_SEEN = {
    "grades": ["test", "pour", "code", "age_days"], "throws": ["kind", "sitting", "pour", "code"],
    "warmings": ["pour", "code", "hours"],
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
            need(not isinstance(given, str),
                 f"{name} is the text {given!r}; give a tuple of {what}, such as ({given!r},)")
            object.__setattr__(self, name, tuple(given))


@dataclasses.dataclass(frozen=True)
class Held:
    """Notices for the reader, and the guard that finds the rest."""

    notices: tuple
    guard: Guard = Guard()


def redact(series, choices):
    """A series without what the choices hold back, and the :class:`Held`.

    SharingError when a blend to leave out is not there, or none would stay.
    """
    choices = known_choices(series, choices)
    notices, names, texts = [], [], []
    unnamed = choices.hide_fragrance and not _names_of_fragrance(series)
    series = dataclasses.replace(series, plan=copy.deepcopy(series.plan))
    for choice, step, found in (
        ("leave_out", _without_blends, texts), ("hide_fragrance", _without_fragrance, names),
        ("hide_costs", _without_costs, texts), ("hide_notes", _without_notes, texts),
        ("renumber_assessors", _renumbered, texts),
    ):
        if getattr(choices, choice):
            series, notice, hidden = step(series, choices)
            notices.append(notice)
            found += hidden
    # A text that a kept name also holds, such as the blend soft in "soft wax", tells nothing.
    kept = " | ".join(name for _, name in _kept_names(series))
    texts = [t for t in texts if t and not holds(kept, t)]
    if unnamed:
        _refuse_unnamed(series, choices)
    names = [n for n in (*names, *choices.also_hide) if n]
    guard = Guard(*(tuple(dict.fromkeys(x)) for x in (names, texts)), choices.may_stay)
    # What nobody has decided: a hidden name in a kept name, or within a word of a text.
    texts = [(place, guard.scrubbed(text)) for place, text in _free_texts(series)]
    guard.refuse([*_kept_names(series), *texts])
    return _scrubbed(series, guard), Held(tuple(notices), guard)


def _kept_names(series):
    """Pairs of place and name of all that is named and leaves as it is."""
    named = [("the blend", series.blends["blend"]), ("the wax", map(str, series.fractions.columns))]
    named += [(f"the {c}", series.pours[c]) for c in ("pour", "pot")]
    named += [("the sitting", [*series.throws["sitting"], *series.pairs["sitting"]])]
    for place, names in named:
        for name in dict.fromkeys(names):
            yield f"{place} {name}", str(name)


def _free_texts(series):
    """Pairs of place and text of what a person has written freely."""
    plan = series.plan or {}
    texts = [("the title", series.title), ("the title", plan.get("title"))]
    texts += [("a note", n) for n in (*series.pours["note"].dropna(), *plan.get("notes", ()))]
    return [(place, str(text or "")) for place, text in texts]


def _refuse_unnamed(series, choices):
    """Show every text that may hold a name that is not on record, until the name is given or each
    of them is decided."""
    texts = [(place, text) for place, text in (*_free_texts(series), *_kept_names(series))
             if TELLING.search(text)]
    known = {alike(text) for _, text in texts}
    decided = {alike(word) for word in (*choices.may_stay, *choices.also_hide)}
    if {alike(word) for word in choices.also_hide} <= known and known - decided:
        raise UndecidedError([(t, place, "") for place, t in texts if alike(t) not in decided],
                             "the fragrance's name is not on record, so it cannot be found in what "
                             "leaves: give it (--also-hide NAME), or decide on every text")


def redacted_rules(rules, choices):
    """The rules without left-out blends, without the reason when notes stay at home, or the
    fragrance or a blend that it may name, and when costs do, without today's load."""
    blends = tuple(b for b in rules.override_blends if b not in choices.leave_out)
    held = choices.hide_notes or choices.hide_fragrance or choices.leave_out
    return dataclasses.replace(
        rules, override_blends=blends,
        override_reason=STAND_IN if held and rules.override_reason else rules.override_reason,
        today_load_pct=None if choices.hide_costs else rules.today_load_pct)


def known_choices(series, choices):
    """The choices with blends to leave out spelt as the series has them."""
    known = list(series.blends["blend"])
    leave_out = tuple(map(spelling(known), choices.leave_out))
    for name in leave_out:
        need(name in known,
             f"there is no blend {name!r} to leave out; the series has {', '.join(known)}")
    need(not known or set(known) > set(leave_out),
         "every blend would be left out; keep at least one")
    return dataclasses.replace(choices, leave_out=leave_out)


def _without_blends(series, choices):
    out = set(choices.leave_out)
    fractions = series.fractions[~series.fractions.index.isin(out)]
    fractions = fractions.loc[:, (fractions > 0).any()] if len(fractions) else fractions
    waxes = set(series.fractions.columns) - set(fractions.columns)
    stays = ~series.pours["blend"].isin(out)
    redacted = dataclasses.replace(
        series.of_pours(series.pours[stays]), fractions=fractions,
        plan=_plan_without(series.plan, out),
        blends=series.blends[~series.blends["blend"].isin(out)].reset_index(drop=True))
    number = "One blend" if len(out) == 1 else f"{len(out)} blends"
    notice = (
        f"{number} of the series {'is' if len(out) == 1 else 'are'} left out; the fits and ranking "
        "here rest on the others only."
    )
    return redacted, notice, sorted(out | waxes | set(series.pours.loc[~stays, "pour"]))


def _plan_without(plan, out):
    if not plan:
        return plan
    gone = {p["pour"] for p in plan.get("pours", ()) if p.get("blend") in out}
    stays = {"blends": lambda b: b["name"] not in out,
             "notes": lambda n: not any(holds(n, b) for b in out)}
    anchor = {"anchor_pour": ""} if plan.get("anchor_pour") in gone else {}
    return plan_without(plan, gone) | anchor | {
        name: list(filter(stay, plan[name])) for name, stay in stays.items() if name in plan}


def _names_of_fragrance(series):
    about = (series.plan or {}).get("fragrance") or {}
    return [name for name in (series.fragrance, str(about.get("name") or "")) if name]


def _without_fragrance(series, choices):
    about = dict((series.plan or {}).get("fragrance") or {})
    names = _names_of_fragrance(series)
    hidden = [*names, str(about.get("lot") or ""), *map(str, about.get("allergens") or ())]
    # A title says "cedar" where the name says "cedar and smoke, lot 7": each telling word counts.
    words = re.findall(rf"\w{{3,}}|{SIGN}\w*", " ".join(names))
    hidden += [w for w in words if w.lower() not in _PLAIN_WORDS]
    plan = series.plan
    if about:
        about |= dict.fromkeys(_FRAGRANCE_FACTS) | {"allergens": [], "lot": ""}
        # Notes of a plan may speak of the flash point.
        plan = {**plan, "fragrance": about | {"name": HIDDEN_FRAGRANCE},
                "notes": [n for n in plan.get("notes", []) if "flash point" not in n]}
        plan = _without_lots(plan, set(series.pours["pour"]))
    series = dataclasses.replace(series, fragrance=HIDDEN_FRAGRANCE, plan=plan)
    # What of the fragrance leaves does so because the pick rests on it.
    notice = "The fragrance's name and data are not shared"
    if series.blends["limit_content_pct"].notna().any():
        notice += "; its regulatory limit is, because the recommended load rests on it"
    if series.blends["fragrance_price_per_kg"].notna().any() and not choices.hide_costs:
        notice += "; its price is, because costs are shared"
    return series, f"{notice}.", hidden


def _without_lots(plan, shared):
    """The plan without the names of lots that were checked, which may be those of the fragrance,
    and without the pours of these checks, which are not shared."""
    pours = plan.get("pours", ())
    plan = plan_without(plan, {p["pour"] for p in pours if p.get("lot")} - shared)
    named = {"pours": [p | {"lot": ""} if p.get("lot") else p for p in plan.get("pours", ())]}
    return plan | (named if pours else {})


def _without_costs(series, _):
    prices = ["wax_price_per_kg", "fragrance_price_per_kg"]
    series = dataclasses.replace(
        series, currency="", blends=series.blends.assign(**dict.fromkeys(prices, float("nan"))),
        plan=series.plan and _blank(series.plan, "price_per_kg") | {"currency": ""})
    return series, "Costs are not shared, so the ranking here ignores them.", []


def _blank(data, name):
    """Plain data with every value under that name replaced by None."""
    if isinstance(data, dict):
        return {k: None if k == name else _blank(v, name) for k, v in data.items()}
    if isinstance(data, list):
        return [_blank(v, name) for v in data]
    return data


def _without_notes(series, _):
    notes = [str(n) for n in series.pours["note"].dropna()]
    pours = series.pours.assign(note=pd.Series([None] * len(series.pours), dtype=object))
    series = dataclasses.replace(series, pours=pours,
                                 plan=series.plan and {**series.plan, "notes": []})
    return series, "Notes are not shared.", notes


def _renumbered(series, _):
    plan = series.plan or {}
    codes = {c for name in _SEEN for c in getattr(series, name)["assessor"].dropna()}
    codes |= set(plan.get("assessors", ()))
    codes |= {s["assessor"] for n in ("smellings", "pairs") for s in plan.get(n, ())
              if s.get("assessor")}
    new = _new_codes(codes)
    # In an order that does not follow the old codes.
    frames = {name: (frame := getattr(series, name)).assign(
        assessor=[new.get(a) for a in frame["assessor"]]
    ).sort_values([*order, "assessor"], kind="stable", ignore_index=True)
        for name, order in _SEEN.items()}
    if plan:
        lists = {n: sorted(new.get(a, a) for a in plan[n])
                 for n in ("assessors", "works_with_fragrance") if n in plan}
        # Whoever has the seed can make the plan again and read the old codes from its orders.
        plan = {**plan, **lists, "smellings": [], "seed": None}
        plan.pop("pairs", None)
    series = dataclasses.replace(series, **frames, plan=plan or series.plan)
    return series, "Testers have new codes here.", sorted(codes - set(new.values()))


def _new_codes(codes):
    """New codes in an order from the machine's own chance: a seed would give it away."""
    old = sorted(codes)
    taken = {code[0].upper() for code in old}
    letter = next(c for c in string.ascii_uppercase[::-1] if c not in taken)
    random.SystemRandom().shuffle(old)
    return {code: f"{letter}{place}" for place, code in enumerate(old, start=1)}


def _scrubbed(series, guard):
    """Free text without what is hidden: a title likes to name the fragrance."""
    if not (guard.names or guard.texts):
        return series
    notes = pd.Series([*map(guard.scrubbed, series.pours["note"])], series.pours.index, object)
    plan = series.plan
    if plan:
        plan = {**plan, **{n: guard.scrubbed(plan[n]) for n in ("title", "notes") if n in plan}}
    return dataclasses.replace(series, title=guard.scrubbed(series.title), plan=plan,
                               pours=series.pours.assign(note=notes))
