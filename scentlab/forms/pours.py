"""The pour day as cards: what to weigh, what was weighed, the true load while the pot is warm."""

import contextlib
import datetime as dt
import html

import ipywidgets as w
import pandas as pd

from scentlab.forms.fields import (
    Field,
    FieldError,
    Section,
    fill,
    in_a_row,
    note,
    past_day,
    read_all,
    scale_field,
    show_if,
    side_by_side,
    spoken_day,
    stacked,
    texts_of,
)
from scentlab.forms.frame import Form, KitchenTimer
from scentlab.recording.pouring import (
    doubts,
    heat_sentence,
    known,
    planned_day,
    possible_load,
    pour_words,
    usual_day,
)
from scentlab.recording.unpoured import unpoured_words
from scentlab.schema import POURS, WARMTH, check_row
from scentlab.units import (
    say_load,
    say_load_oz,
    say_points,
    say_temperature,
    say_to_weigh,
    say_weighed,
)

LOAD_TOLERANCE = 0.3  # points of load (% of wax) that a pour may miss its plan by
_STAYS = ("stir_min", "room_temp_c", "scale_check_g")  # what the pours of a day share is typed once
_BURNS = ("<b>Hot wax burns.</b> Never leave it alone, never water on burning wax; lid at hand, "
          "gloves on, fresh air. Local fire codes come first.")


class PourForm(Form):
    """The pour day as cards, a test batch at a time: what to weigh, and what was weighed.

    ``planned`` is a frame with pour, pot, blend, wax_g, fragrance_g, load_pct in the order of
    pouring and, where they are known, poured_on, add_temp_c, pour_temp_c and stir_min as planned,
    max_temp_c (the lowest maximum of the waxes), flash_point_c and test_only. ``done`` are the
    pours that are logged, ``gone`` those that will not be poured, with their reasons. The first
    that waits is shown, and after each saving the next. ``on_leave(pour, reason, key)`` stores
    that one will not be poured, ``on_take(pour)`` takes that back
    and says how it stands then.

    A day that is left empty is the planned one when that lies in the past, and today otherwise;
    beside the field is said which day is stored. What is likely a slip is stored by a second tap
    only. ``draft`` is what was typed before and not saved, ``on_change(draft)`` keeps it.
    """

    def __init__(self, planned, on_save, done=(), on_undo=None, gone=None, on_leave=None,
                 on_take=None, draft=None, on_change=lambda _: None):
        super().__init__(on_save, on_undo)
        self._planned = {p["pour"]: p for p in pd.DataFrame(planned).to_dict("records")}
        self._done, self._gone, self._later = set(done), dict(gone or {}), {}
        self._on_leave, self._on_take, self._on_change = on_leave, on_take, on_change
        self._chooser = self._chooser_of("pour", list(self._planned),
                                         lambda: (self._fetch(), self._show(), self._typed()))
        self.pours = self._chooser.buttons
        self.fields = {c.name: Field(c.name, c, short=True)
                       for c in (POURS["wax_g"], POURS["fragrance_g"], *WARMTH)}
        self.fields |= {
            "poured_on": Field("poured_on", POURS["poured_on"], empty=None, read=self._day,
                               short=True),
            "note": Field("note", POURS["note"], short=True, wide=True),
            "scale_check_g": scale_field("scale_check_g")}
        self._watch([self.fields["poured_on"]], self._tell_day)
        self._watch([self.fields["wax_g"], self.fields["fragrance_g"]], self._tell_load)
        self._watch([self.fields["scale_check_g"]], lambda: self.scale.say())
        self.planned_view, self.load, self.day = w.HTML(), w.HTML(), self.fields["poured_on"].said
        self.timer = KitchenTimer()
        self.save = self._button("Save this test batch", "save", self._save, saves=True)
        self.later = self._button("Pour this one later", "later", self._postpone)
        self.leave = self._button("It will not be poured", "leave", self._leave, saves=True)
        self.scale = Section("Check the scale", [side_by_side([self.fields["scale_check_g"]])],
                             "scale", lambda: self.fields["scale_check_g"].text or
                             "not checked yet", shut=False)
        self.all = Section("All test batches", [self._chooser], "batches", lambda: (
            f"{len(self._done & set(self._planned))} of {len(self._planned)} logged"
            + (f", {len(self._gone)} not poured" if self._gone else "")))
        self._card = stacked([
            side_by_side([self.fields["wax_g"], self.fields["fragrance_g"]]), self.load,
            side_by_side(self.fields[column.name] for column in WARMTH),
            side_by_side([self.fields["poured_on"], self.fields["note"]]),
            in_a_row([self.save, self.later, *([self.leave] if on_leave else [])]),
        ])
        left = [pour for pour in self._planned if pour not in self._done]
        typed = draft if draft and draft.get("pour") in left else {}
        self._chooser.mark(typed.get("pour", self._next()))
        self._show()
        self._fill_again(self.fields, typed)
        self._watch(self.fields.values(), self._typed)
        self._lay_out(self.scale, self.message, in_a_row([self.undo]), self.planned_view,
                      self.timer, self._card, self.all)

    def look(self, done, gone):
        """Take what is logged, and what will not be poured, as they are on record now."""
        self._done, self._gone = set(done), dict(gone)
        value = self._chooser.value
        self._chooser.mark(value if value and value not in self._done else self._next())
        self._show()
        self._refresh()

    @property
    def _plan(self):
        """The row of the pour that is chosen, None where there is none."""
        return self._planned.get(self._chooser.value)

    def _next(self, after=None):
        """The first pour that waits, behind another where one is given; None without."""
        names = list(self._planned)
        first = names.index(after) + 1 if after in names else 0
        return next((n for n in names[first:] + names[:first]
                     if n not in self._done and n not in self._gone), None)

    def _show(self):
        for name, button in self.pours.items():
            button.disabled = name in self._done
            button.button_style = "primary" if button.on else ""
            button.description = (f"{name} (logged)" if name in self._done else
                                  f"{name} (not poured)" if name in self._gone else name)
        gone = self._chooser.value in self._gone
        self.leave.description = self.leave.tooltip = (
            "It will be poured after all" if gone else "It will not be poured")
        show_if(self._plan, self._card, self.scale)
        self.planned_view.value = self._card_html()
        if self._plan is not None:
            self.timer.minutes = known(self._plan, "stir_min") or self.timer.minutes
            self.timer.now = str(self._plan["pour"])
        self.scale.say()
        self.all.say()
        self._tell_load()
        self._tell_day()

    def _card_html(self):
        if not self._planned:
            return "<p>No test batch is planned.</p>"
        if self._plan is None:
            gone = f"{html.escape(unpoured_words(self._gone))}. " if self._gone else ""
            return (f"<h3>All {'other ' * bool(gone)}test batches are logged.</h3><p>{gone}Next: "
                    "let the pieces cure as long as the plan says, then score them.</p>")
        place = list(self._planned).index(self._plan["pour"]) + 1
        return (f"<h3>Test batch {place} of {len(self._planned)}: "
                f"{html.escape(str(self._plan['pour']))}</h3>{self._gone_html()}"
                f"{_planned_view(self._plan)}"
                f'<p class="scent-caution">{_BURNS}</p>')

    def _gone_html(self):
        pour = self._chooser.value
        return note("flag", f"{unpoured_words({pour: self._gone[pour]})}. Anything you save here "
                            "still counts.") if pour in self._gone else ""

    def _leave(self):
        """Store that the pour on the card will not be poured, with what was seen as the reason; of
        one that will not, take it back."""
        pour, reason = self._plan["pour"], self.fields["note"].text
        if pour in self._gone:
            stands = self._on_take(pour)
            self._gone.pop(pour, None)
            self._say("saved", f"{stands}.")
        else:
            receipt = self._on_leave(pour, reason, self._key)
            self._gone[pour] = reason
            self._stored(receipt, unpoured_words({pour: reason}), lambda _: self._on_take(pour),
                         (pour, texts_of(self.fields)))
            self._chooser.mark(self._next(pour))
            with self._still_saying():
                self._clear()
        self._show()

    def _typed(self):
        texts, today = texts_of(self.fields), dt.date.today()
        if self._plan is not None and any(texts.values()):
            texts["pour"] = self._plan["pour"]
            if not texts["poured_on"] and self._day("") == today:
                texts["poured_on"] = str(today)  # which an empty field will not mean tomorrow
            self._on_change(texts)
        else:
            self._on_change({})

    def _postpone(self):
        pour, self.message.value = self._chooser.value, ""
        self._chooser.mark(self._next(pour))
        if self._chooser.value != pour:  # the last one waits alone: what was typed is of it
            self._later[pour] = self._own()
            self._clear()
        self._show()

    def _tell_load(self):
        """The true load in both bases, flagged when it misses the plan."""
        self.load.value, self._doubts = "", []
        weighed = [self.fields[n] for n in ("fragrance_g", "wax_g")]
        if self._plan is None or not all(field.text for field in weighed):
            return
        try:
            fragrance, wax = (field.read() for field in weighed)
            load = possible_load(fragrance, wax)
        except ValueError as error:
            self.load.value = note("error", error)
            return
        plan, kind = self._plan["load_pct"], "saved"
        words = (f"{say_weighed(fragrance)} of fragrance in {say_weighed(wax)} of wax: true load "
                 f"{say_load(load, 2)}, planned {say_load(plan, 2)}.")
        if abs(load - plan) > LOAD_TOLERANCE + 1e-9:
            kind = "flag"
            words += (f" Too {'much' if load > plan else 'little'} by "
                      f"{say_points(abs(load - plan), 2)}: weigh again, or keep it and say why in "
                      "“Anything that was seen”.")
        self.load.value = note(kind, words)

    def _day(self, text):
        return past_day(text, POURS["poured_on"], usual_day(self._plan, dt.date.today()))

    def _tell_day(self):
        """Which day is stored, beside the field; flagged when it is not the obvious one."""
        field, planned, today = self.fields["poured_on"], planned_day(self._plan), dt.date.today()
        field.box.placeholder = f"{planned or today}"
        field.tell()
        if self._plan is None and not field.text:
            return
        with contextlib.suppress(FieldError):  # which is said there
            day = field.read() or self._day("")
            words = f"{spoken_day(day)} is stored as the day of pouring" + (
                f"; planned is {planned}" if planned not in (None, day) else "")
            obvious = planned in (None, day) if field.text else day == today
            field.tell(note("saved" if obvious else "flag", f"{words}."))

    def _save(self):
        if self._plan is None:
            raise ValueError("All test batches are logged.")
        row = {k: self._plan[k] for k in ("pour", "pot", "blend")} | read_all(self.fields)
        row["poured_on"] = row["poured_on"] or self._day("")
        row = check_row(POURS, row)
        load = possible_load(row["fragrance_g"], row["wax_g"])
        if not self._is_sure(list(doubts(self._plan, load, row))):
            return
        self._store(row, pour_words(row, load), (row["pour"], texts_of(self.fields)))
        self._done.add(row["pour"])
        self._gone.pop(row["pour"], None)
        self._chooser.mark(self._next(row["pour"]))
        with self._still_saying():
            self._clear()
        self.scale.turn(False)
        self._show()
        self.browser.send({"focus": "wax_g"})

    def _clear(self):
        """What is of one test batch alone is not that of the next."""
        fill(self.fields, dict.fromkeys(self._own(), ""))
        self._on_change({})
        self._fetch()

    def _own(self):
        """What is typed of one test batch alone."""
        return {n: text for n, text in texts_of(self.fields).items() if n not in _STAYS}

    def _fetch(self):
        """What was typed of the test batch on the card before it was left for later, where nothing
        else is."""
        if not any(self._own().values()):
            fill(self.fields, self._later.pop(self._chooser.value, {}))

    def _return_to(self, place):
        pour, typed = place
        self._chooser.mark(pour)
        self._done.discard(pour)
        self._gone.pop(pour, None)
        fill(self.fields, typed)
        self._show()


def _planned_view(plan):
    pot, blend = (html.escape(str(plan[n])) for n in ("pot", "blend"))
    only = " <b>For testing only, not for sale.</b>" if plan.get("test_only") is True else ""
    return (
        f'<p>Pot {pot}, {blend}, {say_load_oz(plan["load_pct"])} of fragrance on the wax.{only}'
        f'</p><p class="scent-weigh">Weigh <b>{say_to_weigh(plan["wax_g"])}</b> of wax and '
        f'<b>{say_to_weigh(plan["fragrance_g"], 2)}</b> of fragrance.</p>'
        f"<p>{_planned_heat(plan)}</p>"
    )


def _planned_heat(plan):
    """The planned temperatures and what is against them, as far as they are known."""
    said = heat_sentence(plan, ("add_temp_c", "pour_temp_c", "max_temp_c"))
    stir = known(plan, "stir_min")
    said += f" Stir {stir:g} min once the fragrance is in." if stir else ""
    add, flash = known(plan, "add_temp_c"), known(plan, "flash_point_c")
    if add is not None and flash is not None and add > flash:
        said += (f" CAUTION: the fragrance's closed-cup flash point is {say_temperature(flash)}, "
                 "and the vapour can be ignited above it: no flame or spark near.")
    return said.strip()
