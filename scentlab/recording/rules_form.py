"""The rules of the choice as a form: change one, and the pick of each blend follows at once.

The form knows nothing of how a load is chosen: it takes callables that make rules, decide by them
and keep them. What the rules refuse stands in their own words beside the field.
"""

import html
import math

import ipywidgets as w

from scentlab.recording.blend_form import as_widget
from scentlab.recording.drawings import GRADE_WORDS
from scentlab.recording.form_parts import (
    Form,
    clock_of,
    in_a_row,
    make_button,
    note,
    stacked,
    text_field,
    typed_number,
)
from scentlab.results import say_percent
from scentlab.schema import MOST_LOAD_PCT, THROW_KINDS, Column
from scentlab.units import content_from_load, say_load, say_load_oz

STYLE = """<style>
.scent-form.scent-rules {max-width: 1080px}
.scent-rules .scent-sides {display: flex; flex-flow: row wrap; align-items: flex-start; gap: 16px}
.scent-rules .scent-side {flex: 1 1 300px; min-width: 0; gap: 6px; overflow: visible}
.scent-rules .scent-side-now {position: sticky; top: 0}
.scent-rules .scent-part {border-left: 3px solid #8a8a8a; padding: 0 0 6px 10px; gap: 10px}
.scent-rules .widget-text {flex-direction: column; align-items: stretch}
.scent-rules .widget-inline-hbox .widget-label {width: 100% !important; text-align: left; margin: 0}
.scent-rules .widget-text input {width: 100%; flex: 0 0 auto; margin: 0}
.scent-rules .scent-rule {gap: 2px}
.scent-rules .scent-rule p {margin: 0}
.scent-rules .scent-hint {font-size: 14px; line-height: 1.35}
.scent-rules .scent-picks h4 {margin: 10px 0 0; font-size: 16px}
.scent-rules .scent-picks dl {display: grid; grid-template-columns: 3.2em 1fr; margin: 0}
.scent-rules .scent-picks dd {margin: 0 0 4px}
.scent-rules .scent-picks small {font-size: 14px; display: block}
.scent-rules summary {min-height: 44px; line-height: 44px; cursor: pointer}
</style>"""

SHARES = {
    "risk": (
        Column("risk", "number", "risk of sweat", "% of pieces", 0.0, 100.0),
        "At most so many pieces of a new pot may reach the sweat grade below.",
    ),
    "confidence": (
        Column("confidence", "number", "confidence", "%", 0.0, 100.0),
        "How sure you want to be that the risk stays under it. More is more careful.",
    ),
}
LOSS = Column("throw_loss", "number", "throw to give up", "points of 10", 0.0, 10.0)
AGE = Column("ship_age_days", "number", "age at shipping", "days", 0.0, 3650.0)
TODAY = Column("today_load_pct", "number", "today's load", "% of wax", 0.0, MOST_LOAD_PCT)
HINTS = {
    "limit_grade": "From this grade on a piece counts as sweating.",
    "stress": "How the pieces were kept before the look that must stay dry.",
    "throw_kind": "Smelt on the warmer, or not. One does not stand in for the other.",
    "frost_limit_grade": "The chance of this grade or more is told and ranks the blends; it holds "
                         "no load down.",
    "throw_loss": "The load may smell so much weaker than the best to be had. More saves "
                  "fragrance.",
    "ship_age_days": "Days from pouring until the pieces are sold or used up. Empty: the "
                     "oldest inspection.",
    "today_load_pct": "Only to tell what the pick saves; the pick does not depend on it. Empty: "
                      "not told.",
    "override": "Above the wax maker's limit a pick is for testing only, not for sale, until the "
                "maker agrees.",
}
_THROW = {"warm": "hot", "cold": "cold"}
PARTS = {"sweat": "Sweat", "throw": "Throw", "frost": "Frost", "today": "Today's load",
         "limits": "Wax maker's limit"}


class RulesForm(Form):
    """Change the rules of the choice, see what it does to each pick, keep them by a tap.

    Parameters
    ----------
    rules : the rules to start from, with the attributes that ``make`` takes, ``reasons`` (blend to
        the reason why its limit is set aside) and ``sentence``.
    make : callable(**fields) -> rules. It may refuse with a ValueError, whose words are shown
        beside the field.
    decide : callable(rules) -> pick with ``table``, ``sentences``, ``notes`` and ``rules``.
    keep : callable(rules) -> where they are kept now.
    limits : dict of blend to the wax maker's limit (% of wax), None or NaN where there is none.
    stresses : the stresses that were graded, mildest first.
    draw : callable(pick) -> picture of a pick, or None for a form without.
    currency : str, of what is saved.

    ``rules`` are the rules as they now stand, None while a field is refused; ``pick`` is what they
    choose, ``first`` what was chosen at the start; ``kept`` are the rules that were kept, or None.
    """

    def __init__(self, rules, make, decide, keep, limits, stresses=("rest",), draw=None,
                 currency=""):
        super().__init__(None, None)
        self._make, self._decide, self._keep, self._draw = make, decide, keep, draw
        self._currency, self._limits, self._start = currency, dict(limits), rules
        self._stresses, self._filling = tuple(stresses), False
        self.rules = self.pick = self.first = self.kept = None
        self.fields, self.wrong, self.choices, self.chosen = {}, {}, {}, {}
        self.set_aside, self._aside, self._reasons, self._reason_rules = {}, set(), {}, {}
        self.folds, self._parts = {}, {}
        self.picks, self.why, self.picture = w.HTML(), w.HTML(), w.VBox()
        self.picks.add_class("scent-picks")
        self.keep = make_button("Keep these rules", "keep", saves=True)
        self.keep.on_click(lambda _: self._guarded(self._keep_now))
        self.back = make_button("Back to the first rules", "back")
        self.back.on_click(lambda _: self._guarded(self._go_back))
        self._build()
        self._fill(rules)
        self._changed()

    # --- what is on the page

    def _build(self):
        parts = {
            "sweat": [self._share("risk"), self._share("confidence"),
                      self._choice("limit_grade", "The grade that counts as sweat",
                                   _grades("sweat")),
                      self._choice("stress", "Kept before the look", self._stress_words())],
            "throw": [self._rule(self._text("throw_loss", LOSS, HINTS["throw_loss"]), "throw_loss"),
                      self._choice("throw_kind", "Throw to choose by",
                                   {k: _THROW[k] for k in reversed(THROW_KINDS)})],
            "frost": [self._choice("frost_limit_grade", "The frost grade that is told",
                                   _grades("frost")),
                      self._rule(self._text("ship_age_days", AGE, HINTS["ship_age_days"]),
                                 "ship_age_days")],
            "today": self._todays(), "limits": self._overrides(),
        }
        left = [part for name, rules in parts.items() for part in self._folding(name, rules)]
        side = _box(left, "scent-side")
        now = _box([self.picks, in_a_row([self.keep, self.back]), self.message, self.picture,
                    self.why], "scent-side", "scent-side-now")
        self.add_class("scent-rules")
        self._lay_out(w.HTML(STYLE), _box([side, now], "scent-sides"))

    def _share(self, name):
        column, hint = SHARES[name]
        return self._rule(self._text(name, column, hint), name, hint)

    def _text(self, name, column, hint):
        words = column.meaning[0].upper() + column.meaning[1:]
        field = text_field(name, f"{words}, {column.unit}")
        field.tooltip = f"{words}, {column.unit}. {hint}"
        field.observe(lambda _: self._guarded(self._changed), "value")
        self.fields[name] = field
        return field

    def _rule(self, field, name, hint=None):
        """A field with its meaning and, when there is one, its refusal."""
        self.wrong[name] = w.HTML()
        words = HINTS.get(name, "") if hint is None else hint
        return _box([field, _hint(words), self.wrong[name]], "scent-rule")

    def _choice(self, name, title, options):
        """One button for each option, one of which is on."""
        self.choices[name] = {}
        for value, words in options.items():
            button = make_button(words, f"{name}-{value or 'harshest'}")
            button.tooltip = f"{title}: {words}"
            button.on_click(lambda _, v=value: self._guarded(lambda: self._choose(name, v)))
            self.choices[name][value] = button
        return _box([w.HTML(f"<b>{title}</b>"), _hint(HINTS[name]),
                     in_a_row(self.choices[name].values())], "scent-rule")

    def _stress_words(self):
        words = {"rest": "room temperature", "heat": "heat-cycled"}
        harshest = {None: "the harshest that was tested"}
        return harshest | {s: words[s] for s in self._stresses}

    def _todays(self):
        """One field for all blends, and one for each blend where there are several."""
        names = {"today": "today's load"}
        if len(self._limits) > 1:
            names |= {f"today-{i}": f"today's load of {b}" for i, b in enumerate(self._limits)}
        rows, self.contents = [], {}
        for name, meaning in names.items():
            column = Column(name, "number", meaning, TODAY.unit, TODAY.lower, TODAY.upper)
            self.contents[name] = w.HTML()
            row = self._rule(self._text(name, column, "Empty: not told."), name, "")
            row.children = [row.children[0], self.contents[name], self.wrong[name]]
            rows.append(row)
        return [_hint(HINTS["today_load_pct"]), *rows]

    def _overrides(self):
        """A button for each blend whose wax maker gives a limit, with its reason in writing."""
        known = {b: x for b, x in self._limits.items() if x is not None and not math.isnan(x)}
        if not known:
            return [w.HTML("<p>No wax maker's limit is known for any blend.</p>")]
        rows = []
        for place, (blend, limit) in enumerate(known.items()):
            button = make_button("", f"aside-{place}")
            button.tooltip = f"Set aside the limit of {blend}, {say_load(limit)}"
            button.on_click(lambda _, b=blend: self._guarded(lambda: self._turn_aside(b)))
            self.set_aside[blend] = button
            rows += [button, self._reason(place, blend)]
        return [_hint(HINTS["override"]), stacked(rows)]

    def _reason(self, place, blend):
        """The field of a blend's reason, shown while its limit is set aside."""
        name = f"reason-{place}"
        field = text_field(name, f"Reason for {blend}, in writing")
        field.observe(lambda _: self._guarded(self._changed), "value")
        self.fields[name], self._reasons[blend] = field, name
        rule = self._rule(field, name, "Who agreed, and when: it stands in the report.")
        self._reason_rules[blend] = rule
        return rule

    def _folding(self, name, children):
        part = _box(children, "scent-part")
        part.layout.display = "" if name == "sweat" else "none"
        fold = make_button(PARTS[name], f"fold-{name}")
        fold.on_click(lambda _: self._guarded(lambda: self._turn_fold(name)))
        self.folds[name], self._parts[name] = fold, part
        return [fold, part]

    def _turn_fold(self, name):
        part = self._parts[name]
        part.layout.display = "" if part.layout.display == "none" else "none"
        self._tell_folds()

    def _tell_folds(self):
        """A closed part still tells what it asks for."""
        told = _part_words(self.rules) if self.rules is not None else {}
        for name, fold in self.folds.items():
            shut = self._parts[name].layout.display == "none"
            words = f"{PARTS[name]}: {told[name]}" if name in told else PARTS[name]
            fold.description = f"{'▸' if shut else '▾'} {words}"
            fold.tooltip = f"{words}; {'open' if shut else 'close'}"
        self._name_controls()

    # --- from the fields to the rules

    def _fill(self, rules):
        """Put rules into the fields, without deciding after each."""
        self._filling = True
        for name in SHARES:
            self.fields[name].value = f"{100 * getattr(rules, name):g}"
        self.fields["throw_loss"].value = f"{rules.throw_loss:g}"
        age = rules.ship_age_days
        self.fields["ship_age_days"].value = "" if age is None else f"{age:g}"
        self.chosen = {name: getattr(rules, name) for name in self.choices}
        self._aside = {b for b in rules.override_blends if b in self.set_aside}
        for blend, name in self._reasons.items():
            self.fields[name].value = rules.reasons.get(blend, "")
        self._fill_today(rules.today_load_pct)
        self._filling = False

    def _fill_today(self, today):
        each = dict(today) if isinstance(today, tuple) else {}
        whole = None if isinstance(today, tuple) else today
        if len(self._limits) == 1:
            whole = each.get(next(iter(self._limits)), whole)
        values = {"today": whole} | {
            f"today-{i}": each.get(b) for i, b in enumerate(self._limits)}
        for name in self.contents:
            self.fields[name].value = "" if values[name] is None else f"{values[name]:g}"

    def _choose(self, name, value):
        self.chosen[name] = value
        self._changed()

    def _turn_aside(self, blend):
        self._aside ^= {blend}
        self._changed()

    def _go_back(self):
        self._fill(self._start)
        self._changed()

    def _changed(self):
        if self._filling:
            return
        before, self.message.value = self.rules, ""
        self.rules = self._read()
        self._show_choices()
        self._tell_folds()
        self.keep.disabled = self.rules is None
        if self.rules is None:
            self.pick, self.picks.value, self.why.value = None, "", ""
            self.picture.children = []
            self._say("error", "No rules yet: mend what is marked.")
        elif self.rules != before:
            self._decide_now()

    def _read(self):
        """The rules as they stand, or None; what is refused is told beside its field."""
        fields, whole = dict(self.chosen), True
        for name, read in self._readers().items():
            self.wrong[name].value = ""
            try:
                found = read()
                self._make(**found)
                fields |= {} if name in self._reasons.values() else found
            except ValueError as error:
                self.wrong[name].value, whole = note("error", str(error)), False
        if not whole:
            return None
        return self._make(**fields, **self._override(self._aside), today_load_pct=self._today())

    def _readers(self):
        readers = {name: lambda n=name: {n: typed_number(self.fields[n].value, SHARES[n][0]) / 100}
                   for name in SHARES}
        readers["throw_loss"] = lambda: {
            "throw_loss": typed_number(self.fields["throw_loss"].value, LOSS)}
        readers["ship_age_days"] = lambda: {
            "ship_age_days": _typed_or_none(self.fields["ship_age_days"].value, AGE)}
        for name in self.contents:
            readers[name] = lambda n=name: self._read_today(n)
        for blend, name in self._reasons.items():
            readers[name] = lambda b=blend: self._override({b} & self._aside)
        return readers

    def _read_today(self, name):
        """Nothing yet: the loads are put together when all of them can be read."""
        self.contents[name].value = ""
        load = _typed_or_none(self.fields[name].value, TODAY)
        if load is not None:
            self.contents[name].value = f"<p>= {content_from_load(load):.1f} % of total</p>"
        return {}

    def _today(self):
        """One load for all blends, a dict where a blend has its own, None where nothing is told."""
        loads = {n: _typed_or_none(self.fields[n].value, TODAY) for n in self.contents}
        whole = loads.pop("today")
        own = dict(zip(self._limits, loads.values(), strict=False))
        if all(load is None for load in own.values()):
            return whole
        every = {b: whole if load is None else load for b, load in own.items()}
        return {b: load for b, load in every.items() if load is not None}

    def _override(self, aside):
        """The blends whose limit is set aside, each with the reason in its field."""
        reasons = {b: self.fields[name].value.strip() for b, name in self._reasons.items()
                   if b in aside}
        return {"override_blends": tuple(reasons), "override_reason": reasons}

    # --- what the rules do

    def _show_choices(self):
        pressed = [f"{name}-{value or 'harshest'}" for name, value in self.chosen.items()]
        for place, (blend, button) in enumerate(self.set_aside.items()):
            on = blend in self._aside
            pressed += [f"aside-{place}"] if on else []
            button.description = f"{'☑' if on else '☐'} {button.tooltip}"
            self._reason_rules[blend].layout.display = "" if on else "none"
        self.browser.pressed = pressed

    def _decide_now(self):
        try:
            self.pick = self._decide(self.rules)
        except Exception as error:
            self.pick, self.keep.disabled = None, True
            self.picks.value = note("error", f"No pick by these rules: {error}")
            return
        if self.first is None:
            self.first = self.pick
        elif self.rules != (self.kept or self._start):
            self._say("flag", "Not kept: these rules hold in this form alone until you tap “Keep "
                      "these rules”.")
        self.picks.value = _picks_html(self.first, self.pick, self._currency)
        told = "".join(f"<li>{html.escape(s)}</li>"
                       for s in (*self.pick.sentences.values(), *self.pick.notes))
        self.why.value = f"<details><summary>Why, in full</summary><ul>{told}</ul></details>"
        if self._draw is not None:
            words = "The load picked for each blend, its ceiling and the tested loads"
            self.picture.children = [as_widget(self._draw(self.pick), words)]

    def _keep_now(self):
        if self.rules is None:
            raise ValueError("Mend what is marked first.")
        where = self._keep(self.rules)
        self.kept = self.rules
        self._renew_key()
        self._say("saved", f"Kept at {clock_of(None)} in {where}. Run the notebook again from the "
                  "top (Run > Run All Cells), so that what stands below follows.")


def _grades(test):
    return {g: f"{g}: {words}" for g, words in enumerate(GRADE_WORDS[test]) if g}


def _typed_or_none(text, column):
    return typed_number(text, column) if text.strip() else None


def _box(children, *classes):
    box = w.VBox(list(children), layout=w.Layout(align_items="stretch"))
    for name in classes:
        box.add_class(name)
    return box


def _hint(words):
    return w.HTML(f'<p class="scent-hint">{html.escape(words)}</p>')


def _part_words(rules):
    """What a part of the form asks for, in few words."""
    age = "" if rules.ship_age_days is None else f", {rules.ship_age_days:g} days"
    today = rules.today_load_pct
    told = f"{today:g} % of wax" if isinstance(today, float) else "of each blend"
    stress = rules.stress or "harshest"
    return {
        "sweat": f"{100 * rules.risk:g} % of pieces, {100 * rules.confidence:g} % sure, grade "
                 f"{rules.limit_grade}, {stress}",
        "throw": f"give up {rules.throw_loss:g} points of {_THROW[rules.throw_kind]} throw",
        "frost": f"grade {rules.frost_limit_grade}{age}",
        "today": "not told" if today is None else told,
        "limits": f"set aside for {', '.join(rules.override_blends)}" if rules.override_blends
                  else "holds",
    }


def _picks_html(first, now, currency):
    """The pick of each blend as it was first beside as it is now, and the change in words."""
    before = {r["blend"]: r for r in first.table.to_dict("records")}
    parts = []
    for row in now.table.to_dict("records"):
        old = before[row["blend"]]
        parts.append(
            f"<h4>{html.escape(str(row['blend']))}: {_change_words(old, row)}</h4><dl>"
            f"<dt>first</dt><dd>{_measures(old, first.rules, currency)}</dd>"
            f"<dt>now</dt><dd>{_measures(row, now.rules, currency)}</dd></dl>"
        )
    return "<b>The pick of each blend, best first</b>" + "".join(parts)


def _change_words(old, new):
    was, now = (None if math.isnan(r["load_pct"]) else r["load_pct"] for r in (old, new))
    if was is None or now is None:
        if was is now:
            return "no load qualifies"
        return "no load qualifies any more" if now is None else "a load qualifies now"
    points = round(now, 1) - round(was, 1)
    if abs(points) < 0.05:
        return "the same load"
    return f"{abs(points):.1f} points of load {'more' if points > 0 else 'less'} (% of wax)"


def _measures(row, rules, currency):
    """The load, then risk and throw with their intervals."""
    if math.isnan(row["load_pct"]):
        return f"none<small>{html.escape(row['reason'])}</small>"
    risks = [say_percent(row[f"sweat_{n}"], 1) for n in ("risk", "lower", "upper")]
    told = [f"risk of sweat grade {rules['limit_grade']} or more {risks[0]} (90 % interval "
            f"{risks[1]} to {risks[2]})"]
    if not math.isnan(row["throw"]):
        told.append(f"{_THROW[rules['throw_kind']]} throw {row['throw']:.1f} of 10 (90 % interval "
                    f"{row['throw_lower']:.1f} to {row['throw_upper']:.1f})")
    saving = row["saving_per_1000"]
    if not math.isnan(saving):
        verb = "saves" if saving >= 0 else "costs more by"
        told.append(f"{verb} {abs(saving):.2f} {html.escape(currency)} per 1,000 pieces")
    return f"{say_load_oz(row['load_pct'])}<small>{'; '.join(told)}</small>"
