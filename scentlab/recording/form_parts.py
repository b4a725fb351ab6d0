"""What every form of the notebooks is made of: its frame, its style, its buttons and fields.

A form catches its own errors and shows them, for an exception in a click callback never reaches
anybody. In the browser a small part of our own (``pages/form.js``) keeps the notebook's single-key
commands away from the form, and says NOT SAVED when the kernel does not answer a tap that was to
save.
"""

import datetime as dt
import html
import re
import uuid
from dataclasses import replace
from pathlib import Path

import anywidget
import ipywidgets as w
import pandas as pd
import traitlets

from scentlab import schema

ONE_DAY = dt.timedelta(days=1)

STYLE = """<style>
.scent-form {max-width: 640px; gap: 6px}
.scent-form button {min-height: 48px; min-width: 48px; height: auto; font-size: 16px;
  white-space: normal; line-height: 1.3; margin: 0}
.scent-form button[class*="scent-press-fold-"] {text-align: left; padding-left: 10px}
.scent-form input, .scent-form .widget-text input[type="text"],
.scent-form .widget-dropdown > select {min-height: 44px; font-size: 16px}
.scent-form .widget-text {height: auto; min-height: 48px; align-items: center; margin: 0;
  width: 100%; box-sizing: border-box}
.scent-form .widget-text > label, .scent-form .widget-dropdown > label {height: auto}
.scent-form .widget-dropdown {height: auto; min-height: 48px; align-items: center; margin: 0;
  width: 100%; box-sizing: border-box}
.scent-form .widget-html-content, .scent-form label {font-size: 16px; line-height: 1.4;
  white-space: normal; overflow: visible}
.scent-form button:focus-visible, .scent-form input:focus-visible,
.scent-form select:focus-visible {outline: 3px solid #0b57d0}
.scent-saved {border-left: 6px solid #1a7f37; padding: 6px 10px}
.scent-error {border-left: 6px solid #b3261e; padding: 6px 10px; font-weight: bold}
.scent-flag {border-left: 6px solid #8a5a00; padding: 6px 10px}
.scent-banner:not(:empty) {background: #b3261e; color: #ffffff; padding: 10px; font-size: 16px;
  font-weight: bold}
.scent-clock {font-size: 20px; font-variant-numeric: tabular-nums}
.scent-strip {display: flex; flex-wrap: wrap; gap: 6px}
.scent-strip figure {margin: 0; width: 104px}
.scent-strip figcaption {font-size: 14px; line-height: 1.25}
.scent-form button[aria-pressed="true"] {outline: 3px solid #0b57d0; outline-offset: -3px;
  font-weight: bold}
.scent-list {max-height: 480px; overflow: auto}
.scent-list li {line-height: 1.4; margin: 4px 0; overflow-wrap: anywhere}
.scent-grid table {border-collapse: collapse; margin: 4px 0 14px}
.scent-grid caption {text-align: left; font-weight: bold; padding: 6px 0; font-size: 16px}
.scent-grid th, .scent-grid td {font-size: 16px; padding: 2px 10px 2px 0; text-align: left}
.scent-grid input {width: 6.5em; padding: 0 8px; box-sizing: border-box}
.scent-grid .scent-day {font-weight: normal}
.scent-grid .scent-day input {width: 8em}
.scent-grid input[aria-invalid="true"] {outline: 3px solid #b3261e}
.scent-form .scent-card {border: 1px solid #8a8a8a; border-radius: 4px; padding: 8px; gap: 6px}
.scent-form .scent-cells {display: grid; gap: 8px;
  grid-template-columns: repeat(auto-fill, minmax(118px, 1fr))}
.scent-form .widget-text.scent-short, .scent-form .widget-dropdown.scent-short {width: auto;
  min-width: 0; height: auto; flex-direction: column; align-items: stretch;
  justify-content: flex-end}
.scent-form .scent-short.scent-wide {grid-column: span 2}
.scent-form .scent-short > .widget-label {width: 100% !important; text-align: left; margin: 0}
.scent-form .scent-short input, .scent-form .scent-short select {width: 100%; flex: 0 0 auto;
  margin: 0}
.scent-form h3, .scent-form h4 {margin: 10px 0 2px}
.scent-tables {overflow-x: auto; max-width: 100%}
.scent-tables th, .scent-tables td {text-align: left; padding: 2px 12px 2px 0; font-size: 14px;
  white-space: nowrap}
@media (max-width: 480px) {
  .scent-form .widget-text, .scent-form .widget-dropdown {flex-direction: column; height: auto;
    align-items: stretch}
  .scent-form .widget-inline-hbox .widget-label {width: 100% !important; text-align: left;
    margin: 0}
  .scent-form .widget-text input {width: 100%}
  .scent-form .widget-dropdown > select {flex: 0 0 auto}
}
</style>"""


class BrowserPart(anywidget.AnyWidget):
    """The part of a form that runs in the browser; it speaks for the buttons.

    ``names`` maps the name of a control to its label for screen readers, ``pressed`` lists the
    buttons that are on, ``since`` is when the warmer went on (ms since 1970) or 0.
    """

    _esm = (Path(__file__).parent / "pages" / "form.js").read_text(encoding="utf-8")
    names = traitlets.Dict().tag(sync=True)
    pressed = traitlets.List().tag(sync=True)
    since = traitlets.Float(0).tag(sync=True)


class NotYet(ValueError):
    """Something is still to be filled in; nothing is wrong."""


class Form(w.VBox):
    """What all forms share: a message line, saving with its error shown, undo, the browser part."""

    def __init__(self, on_save, on_undo):
        super().__init__()
        self.add_class("scent-form")
        self.browser = BrowserPart()
        self.browser.on_msg(lambda _, content, __: self._heard(content))
        self._heard_keys = []
        self._on_save, self._on_undo = on_save, on_undo
        self._saved = []
        self._key = uuid.uuid4().hex
        self.message = w.HTML()
        self.message.add_class("scent-message")
        self.undo = make_button("Undo the last one", "undo", saves=True)
        self.undo.on_click(lambda _: self._guarded(self._undo_last))
        self.undo.layout.display = "none"

    def _lay_out(self, *children):
        """Show the children between style and browser part, and name what they hold."""
        self.children = [w.HTML(STYLE), *children, self.browser]
        self._name_controls()

    def _name_controls(self):
        """Find the buttons and fields anew; a form whose parts change calls it again."""
        self._controls = dict(named_controls(self.children))
        self.browser.names = {
            name: getattr(control, "tooltip", None) or control.description
            for name, control in self._controls.items()
        }

    def _heard(self, content):
        """A tap in the browser: act once per key, and acknowledge it each time it comes."""
        key = str(content.get("key", ""))
        if key not in self._heard_keys:
            self._heard_keys = [*self._heard_keys[-99:], key]
            # What was typed may still be on its way as a change of its own.
            for name, value in content.get("fields", {}).items():
                if name in self._controls:
                    self._controls[name].value = value
            self._key = key
            button = self._controls.get(content.get("press"))
            if button is not None and not button.disabled:
                button.click()
        self.browser.send({"ack": key})

    def _guarded(self, action):
        """Run a callback; show what went wrong, for nobody else would."""
        try:
            action()
        except Exception as error:
            self._say("error", f"NOT SAVED. {error}")

    def _store(self, row, words, place):
        """Save a row under the key of this entry; the key changes only when it is stored."""
        receipt = self._on_save({**row, "key": self._key})
        self._renew_key()
        self._saved.append((receipt, words, place))
        self.undo.layout.display = "" if self._on_undo else "none"
        self._say("saved", f"Saved at {clock_of(receipt)}: {words}.")

    def _renew_key(self):
        self._key = uuid.uuid4().hex

    def _undo_last(self):
        receipt, words, place = self._saved[-1]
        self._on_undo(receipt)
        self._saved.pop()
        self.undo.layout.display = "" if self._saved else "none"
        self._return_to(place)
        self._say("saved", f"Undone: {words}. The entry stays in the history as void.")

    def _say(self, kind, text):
        self.message.value = note(kind, text)


class FoldedForm(Form):
    """A form that is not always needed: it begins as one button that opens it."""

    def __init__(self, words, children):
        super().__init__(None, None)
        self._words = words
        self.fold = make_button("", "fold")
        self.fold.on_click(lambda _: self._guarded(self._turn))
        self.body = stacked(children)
        self.body.layout.display = "none"
        self._tell_fold()
        self._lay_out(self.fold, self.body, self.message)

    @property
    def is_open(self):
        return self.body.layout.display != "none"

    def _turn(self):
        self.body.layout.display = "none" if self.is_open else ""
        self._tell_fold()
        self._name_controls()

    def _tell_fold(self):
        self.fold.description = f"{'▾' if self.is_open else '▸'} {self._words}"
        self.fold.tooltip = f"{self._words}: {'close' if self.is_open else 'open'}"


def piece_list(codes):
    if isinstance(codes, pd.DataFrame):
        wanted = ("code", "stress", "age_days", "planned_age_days", "position")
        keep = [c for c in wanted if c in codes]
        rows = codes[keep].astype(object).where(codes[keep].notna(), None).to_dict("records")
        return [{**r, "code": str(r["code"])} for r in rows]
    return [{"code": str(code)} for code in codes]


def one_of(value, allowed, what):
    if value not in allowed:
        raise ValueError(f"{what} is {value!r}; give one of {', '.join(allowed)}")
    return value


def assessor_code(code):
    check = schema.THROWS["assessor"]
    if not pd.Series([str(code)]).str.fullmatch(check.pattern)[0]:
        raise ValueError(f"assessor is {code!r}; give {check.expected}")
    return code


def plainly(column):
    """A column with a meaning that can stand before a field: the scales mean their own name."""
    return replace(column, meaning=column.name) if column.name in ("grade", "throw") else column


def typed_number(text, column):
    """A typed number within the column's range, or a ValueError in the column's words.

    A single decimal comma is understood, as on a scale of many countries; the form shows what it
    understood. A comma before three digits may part thousands, so it is refused.
    """
    text = text.strip()
    plain = re.sub(r"^(-?\d+),(\d{1,2}|\d{4,})$", r"\1.\2", text)
    try:
        value = float(plain)
        if column.lower <= value <= column.upper:
            return value
    except ValueError:
        pass
    hint = ""
    if "," in text:
        hint = f" Write it with a point, such as {_pointed(text)}."
    found = f"found {text!r}" if text else "nothing is filled in"
    words = column.meaning[0].upper() + column.meaning[1:]
    raise ValueError(f"{words}: {found}, expected {column.expected}.{hint}")


def _pointed(text):
    """What may have been meant with a comma, as an example to write."""
    digits = re.fullmatch(r"(-?\d+),(\d+)", text)
    return f"{digits[1]}.{digits[2]}" if digits else "95.5"


def typed_day(text):
    """A day written as year-month-day, or as day.month.year with dots; None for anything else.

    >>> typed_day("26.10.2026") == typed_day("2026-10-26") == dt.date(2026, 10, 26)
    True
    >>> typed_day("10/11/2026")
    """
    found = (re.fullmatch(r"(?P<y>\d{4})-(?P<m>\d\d)-(?P<d>\d\d)", text)
             or re.fullmatch(r"(?P<d>\d\d?)\. ?(?P<m>\d\d?)\. ?(?P<y>\d{4})", text))
    return found and _day_or_none(found["y"], found["m"], found["d"])


def _day_or_none(year, month, day):
    try:
        return dt.date(int(year), int(month), int(day))
    except ValueError:
        return None


def spoken_day(day):
    """A day with its month in words, which nobody takes for another.

    >>> spoken_day(dt.date(2026, 10, 26))
    '26 October 2026'
    """
    return f"{day.day} {day:%B %Y}"


def need_day(text, what):
    """A typed day, or a ValueError with what was typed and how it is written."""
    day = typed_day(text.strip())
    if day is None:
        words = what[0].upper() + what[1:]
        raise ValueError(f"{words}: found {text.strip()!r}, {_how_to_write(text.strip())}.")
    return day


def past_day(text, column, today=None, empty=None):
    """A typed day that is not in the future, or a ValueError with the remedy.

    When nothing is typed it is ``empty``, or else today. One day ahead is let pass: a clock may
    be set wrong, and midnight is not everywhere at once.
    """
    today = today or dt.date.today()
    text = text.strip()
    if not text:
        return empty or today
    day = need_day(text, column.meaning)
    if day > today + ONE_DAY:
        words = column.meaning[0].upper() + column.meaning[1:]
        raise ValueError(
            f"{words}: found {text!r}, which is still to come. Correct the day, or the clock of "
            f"this computer: it says that today is {today}."
        )
    return day


def _how_to_write(text):
    """How a day that was not understood is written: as it may have been meant, where that helps."""
    found = re.fullmatch(r"(\d\d?)[/-](\d\d?)[/-](\d{4})", text)
    if found:
        one, other, year = found.groups()
        meant = {_day_or_none(year, month, day) for day, month in ((one, other), (other, one))}
        ways = [f"{d} (or {d:%d.%m.%Y}) for {d.day} {d:%B}" for d in sorted(meant - {None})]
        if len(ways) == 2:
            return f"which has two meanings: write {ways[0]}, or {ways[1]}"
        if ways:
            return f"which is not surely understood: write {ways[0]}"
    return (
        "expected a date as year-month-day, or day.month.year with dots, such as 2026-03-14 or "
        "14.03.2026"
    )


def note_of(problem):
    """A line for what keeps a form from an answer: what is wrong, or only still missing."""
    return note("flag" if isinstance(problem, NotYet) else "error", str(problem))


def note(kind, text):
    """A line for the form: kind is saved, flag or error."""
    role = "alert" if kind == "error" else "status"
    lines = html.escape(text).replace("\n", "<br>")
    return f'<div class="scent-{kind}" role="{role}">{lines}</div>'


def clock_of(receipt):
    moment = getattr(receipt, "saved_at", None) or dt.datetime.now(dt.UTC)
    return f"{moment.astimezone():%H:%M:%S}"


def make_button(words, name, saves=False):
    """A button; ``saves`` when a tap is to store something: without an answer it is NOT SAVED."""
    button = w.Button(description=words, tooltip=words, layout=w.Layout(width="auto"))
    button.add_class(f"scent-press-{name}")
    if saves:
        button.add_class("scent-saves")
    return button


def text_field(name, label, placeholder=""):
    field = w.Text(
        description=label, placeholder=placeholder, layout=w.Layout(width="100%"),
        style={"description_width": "55%"},
    )
    field.add_class(f"scent-field-{name}")
    return field


def short_field(name, label, placeholder="", spoken="", wide=False):
    """A field below its label, for several of them side by side; ``spoken`` names it alone."""
    field = text_field(name, label, placeholder)
    field.tooltip = spoken or label
    field.layout.width = None
    field.add_class("scent-short")
    if wide:
        field.add_class("scent-wide")
    return field


def short_choice(name, label, options, spoken=""):
    """A list to choose from below its label; ``options`` is a dict of value to words."""
    field = w.Dropdown(description=label, options=[(t, v) for v, t in options.items()])
    field.add_class(f"scent-field-{name}")
    field.add_class("scent-short")
    field.tooltip = spoken or label
    field.layout.width = None
    return field


def named_controls(children):
    """Name and control of every button and text field among the children and theirs."""
    for child in children:
        for css in getattr(child, "_dom_classes", ()):
            for start in ("scent-press-", "scent-field-"):
                if css.startswith(start):
                    yield css[len(start):], child
        yield from named_controls(getattr(child, "children", ()))


def stacked(children):
    return w.VBox(list(children), layout=w.Layout(align_items="stretch", grid_gap="6px"))


def side_by_side(children):
    """Short fields beside one another, as many as the page is wide for."""
    box = w.Box(list(children))
    box.add_class("scent-cells")
    return box


def in_a_row(children):
    return w.Box(list(children), layout=w.Layout(flex_flow="row wrap", grid_gap="6px"))
