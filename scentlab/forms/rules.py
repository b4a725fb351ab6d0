"""The rules of the choice as forms: change one, and the pick of each blend follows at once.

A form knows nothing of how a load is chosen: it takes callables that make rules, decide by them
and keep them. What the rules refuse is said in their own words beside the field.
"""

import html
from dataclasses import replace

import ipywidgets as w

from scentlab.forms.fields import (
    TABLES,
    Field,
    Section,
    Tick,
    Wrong,
    hint_html,
    in_a_row,
    note,
    placed,
    read_all,
    show_if,
    shown,
    stacked,
)
from scentlab.forms.frame import Form, as_widget, clock_of, listed
from scentlab.schema import GRADE_WORDS, STRESS_WORDS, THROW_KINDS, THROW_WORDS
from scentlab.text import capital
from scentlab.units import say_load

_SHARES = ("risk", "confidence")  # a percentage on the page, a share in the rules
_STRESS = {None: "the harshest that was tested", **STRESS_WORDS}
_ASIDE = ("Above the wax maker's limit a load is for testing only, not for sale, until the maker "
          "agrees.")
# The sliders: title, the places they can stand at, and how a place is said.
_SLIDERS = {
    "risk": ("Pieces that may sweat", (0.005, 0.01, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.2, 0.3),
             "at most {:g} %"),
    "confidence": ("How sure", (0.8, 0.85, 0.9, 0.95, 0.975, 0.99), "{:g} % sure"),
}
_PICTURE = "The load recommended for each blend, its highest safe load, the tested loads"


class _RuleForm(Form):
    """What both forms share: the rules as they are, those that were kept, and the picture."""

    def __init__(self, rules, decide, keep, draw):
        super().__init__()
        self._start, self._decide, self._keep, self._draw = rules, decide, keep, draw
        self.rules, self.kept, self.picture = None, None, w.VBox()
        self.add_class("scent-rules")

    def _keep_now(self):
        where, self.kept = self._keep(self.rules), self.rules
        self._say("saved", f"Kept at {clock_of()} in {where}. Update the page so that everything "
                           "follows.")


class RulesForm(_RuleForm):
    """Change the rules of the choice, see what it does to each pick, keep them by a tap.

    ``make(**fields)`` gives rules, or refuses with a ValueError that names the ``field``;
    ``decide(rules)`` the pick and ``draw(pick)`` its picture; ``keep(rules)`` says where they are
    kept. ``limits`` are the wax makers' by blend (% of wax), ``stresses`` those that were graded,
    mildest first.

    ``rules`` are the rules as they are now, None while a field is refused; ``pick`` is what they
    choose; ``kept`` are the rules that were kept, or None.
    """

    def __init__(self, rules, make, decide, keep, limits, draw, stresses=("rest",)):
        super().__init__(rules, decide, keep, draw)
        self._make, self._filling = make, False
        self.pick = None
        self.fields, self.set_aside, self.folds = {}, {}, {}
        self.choosers = {}
        self.reason = Field.of({
            "name": "reason", "kind": "text", "css": "scent-rule",
            "meaning": "reason, in writing",
            "hint": "Who agreed, and when; the report prints it."})
        self._options = {
            "limit_grade": _grades("sweat"), "frost_limit_grade": _grades("frost"),
            "stress": {s: _STRESS[s] for s in dict.fromkeys((None, *stresses, rules.stress))},
            "throw_kind": {kind: THROW_WORDS[kind] for kind in reversed(THROW_KINDS)},
        }
        self.picks, self.why = w.HTML(), w.HTML()
        self.picks.add_class("scent-picks")
        self.keep = self._button("Keep these rules", "keep", self._keep_now, saves=True)
        self.back = self._button("Back to the first rules", "back",
                                 lambda: (self._fill(self._start), self._changed()))
        for name, part in TABLES["rules"].items():
            children = [*map(self._field, part["fields"]),
                        *map(self._choice, part.get("choices", ()))]
            self.folds[name] = Section(part["title"], children, name,
                                       lambda p=part: self._summed_up(p), name != "sweat")
        self.folds["limits"] = Section("Wax maker's limit", self._asides(limits), "limits",
                                       self._set_aside_words)
        now = stacked([self.picks, in_a_row([self.keep, self.back]), self.message, self.picture,
                       self.why], "scent-side scent-side-now")
        self._watch([*self.fields.values(), self.reason], self._changed)
        self._lay_out(stacked([stacked(self.folds.values(), "scent-side"), now], "scent-sides"))
        self._fill(rules)
        self._guarded(self._changed)

    # --- what is on the page

    def _field(self, row):
        field = self.fields[row["name"]] = Field.of(row, css="scent-rule")
        field.call(field.label, f"{field.label}. {row['hint']}")
        return field

    def _choice(self, row):
        name, title = row["name"], row["title"]
        chooser = self.choosers[name] = self._chooser_of(
            name, self._options[name], self._changed, getattr(self._start, name), title)
        return stacked([w.HTML(f"<b>{title}</b>{hint_html(row['hint'])}"), chooser], "scent-rule")

    def _asides(self, limits):
        """A button for each blend whose wax maker gives a limit, and the reason in writing."""
        if not limits:
            return [w.HTML("<p>No wax maker's limit is known for any blend.</p>")]
        rows = [w.HTML(hint_html(_ASIDE))]
        for place, (blend, limit) in enumerate(limits.items()):
            self.set_aside[blend] = Tick(f"Set aside the limit of {blend}, {say_load(limit)}",
                                         f"aside-{place}", lambda: self._guarded(self._changed))
            rows.append(self.set_aside[blend])
        return [*rows, self.reason]

    def _aside(self):
        return tuple(blend for blend, tick in self.set_aside.items() if tick.on)

    def _set_aside_words(self):
        return f"set aside for {', '.join(self._aside())}" if self._aside() else "holds"

    def _summed_up(self, part):
        """What a part of the form asks for; its choices are made before the next part's."""
        said = {n: field.value.strip() or "not given" for n, field in self.fields.items()}
        said |= {n: self._options[n][c.value] for n, c in self.choosers.items()}
        return part["words"].format_map(said)

    # --- from the fields to the rules

    def _fill(self, rules):
        """Put rules into the fields, without deciding after each."""
        self._filling = True
        for name, field in self.fields.items():
            value = getattr(rules, name)
            field.value = shown(100 * value if name in _SHARES else value)
        for name, chooser in self.choosers.items():
            chooser.mark(getattr(rules, name))
        for blend, tick in self.set_aside.items():
            tick.set(blend in rules.override_blends)
        self.reason.value = rules.override_reason
        self._filling = False

    def _changed(self):
        if self._filling:
            return
        before, self.message.value = self.rules, ""
        show_if(self._aside(), self.reason)
        self.rules = self._read()
        for section in self.folds.values():
            section.say()
        self.keep.disabled = self.rules is None
        if self.rules is None:
            self.pick, self.picks.value, self.why.value = None, "", ""
            self.picture.children = []
            self._say("error", "No rules yet: correct what is marked.")
        elif self.rules != before:
            self._decide_now()

    def _read(self):
        """The rules as they are, or None; what is refused is said beside its field."""
        aside = self._aside()
        try:
            given = read_all({**self.fields, **({"reason": self.reason} if aside else {})})
            asked = {n: given[n] / 100 if n in _SHARES else given[n] for n in self.fields}
            asked |= {name: chooser.value for name, chooser in self.choosers.items()}
            return self._make(**asked, override_blends=aside,
                              override_reason=given.get("reason", ""))
        except Wrong as error:
            for wrong in error.errors:
                wrong.source.tell(note("error", wrong.beside), wrong=True)
        except ValueError as error:
            if placed(error, self.fields.values()) is error and not getattr(error, "field", ""):
                raise
        return None

    # --- what the rules do

    def _decide_now(self):
        try:
            self.pick = self._decide(self.rules)
        except Exception as error:
            self.pick, self.keep.disabled = None, True
            self.picks.value = note("error", f"No load by these rules: {error}")
            return
        if self.rules != (self.kept or self._start):
            self._say("flag", "Not kept: these rules apply only in this form until you tap "
                              "“Keep these rules”.")
        self.picks.value = _picks_html(self.pick)
        self.why.value = ("<details><summary>What to know</summary>"
                          f"{listed(self.pick.notes)}</details>")
        self.picture.children = [as_widget(self._draw(self.pick), _PICTURE)]


class SliderForm(_RuleForm):
    """The answer with two sliders below it: how many pieces may sweat, and how sure that is.

    ``decide(rules)`` finds what ``say(found)`` puts in lines of HTML and ``draw(found)`` in a
    picture. ``rules`` are those that the sliders ask for; ``sliders`` by the name of the rule.
    """

    def __init__(self, rules, decide, say, draw, keep):
        super().__init__(rules, decide, keep, draw)
        self._say_found, self.lines = say, w.HTML()
        self.sliders = {name: self._slider(name, *about) for name, about in _SLIDERS.items()}
        self.keep = self._button("Keep these two", "keep-sliders", self._keep_now, saves=True)
        self.back = self._button("Back", "back-sliders", self._go_back)
        self.back.tooltip = "Back to the kept rules"
        asked = stacked([w.HTML("<b>What if?</b>"), *self.sliders.values(),
                         in_a_row([self.keep, self.back]), self.message], "scent-side")
        self._lay_out(self.lines, stacked([self.picture, asked], "scent-sides"))
        self._guarded(self._changed)

    def _slider(self, name, title, places, words):
        share = getattr(self._start, name)
        slider = w.SelectionSlider(
            options=[(words.format(100 * s), s) for s in sorted({*places, share})], value=share,
            description=title, style={"description_width": "initial"},
            layout=w.Layout(width="100%"))
        slider.add_class("scent-slider")
        slider.add_class(f"scent-field-{name}-slider")
        slider.observe(lambda _: self._guarded(self._changed), "value")
        return slider

    def _changed(self):
        rules = replace(self._start, **{n: slider.value for n, slider in self.sliders.items()})
        if rules == self.rules:
            return
        found, kept = self._decide(rules), rules == (self.kept or self._start)
        self.rules, self.lines.value = rules, self._say_found(found)
        self.picture.children = [as_widget(self._draw(found), _PICTURE)]
        self.keep.disabled = self.back.disabled = kept
        # A line at each place of the sliders: one that came and went would move them.
        said = ("These are the kept rules: move a slider to see what others would choose." if kept
                else "Lines and picture follow the sliders; page and report follow the kept rules.")
        self._say("saved" if kept else "flag", said)

    def _go_back(self):
        for name, slider in self.sliders.items():
            slider.value = getattr(self.kept or self._start, name)

    def _keep_now(self):
        super()._keep_now()
        self.keep.disabled = self.back.disabled = True


def _grades(test):
    return {g: f"{g}: {words}" for g, words in enumerate(GRADE_WORDS[test]) if g}


def _picks_html(pick):
    parts = [f"<h4>{html.escape(blend)}</h4><p>"
             f"{html.escape(capital(words.removeprefix(f'{blend}: ')))}</p>"
             for blend, words in pick.sentences.items()]
    return "<b>The recommended load of each blend, best first</b>" + "".join(parts)
