"""One field, one section, one chooser: what every form of the notebooks is made of."""

import contextlib
import datetime as dt
import html
import re
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path

import ipywidgets as w

from scentlab.amounts import (
    AmountError,
    as_typed,
    other_form,
    other_loads,
    read_cell,
    read_date,
)
from scentlab.materials import Refusal
from scentlab.recording.pouring import scale_words, with_scale_unit
from scentlab.schema import ONE_DAY, POURS, Column, check_clock
from scentlab.text import capital
from scentlab.units import ounces_per_pound_from_load
from scentlab.units import shown as units_shown

NEEDED = object()
# The fields of the planning, materials and rules forms, as tables of data.
TABLES = tomllib.loads((Path(__file__).parent / "fields.toml").read_text(encoding="utf-8"))
LOADS_UNIT, _LOADS = "g of fragrance per 100 g of wax", r"[\d.]+(?:, ?[\d.]+)*"
_FINE = ("g", "% of wax", "per kg")  # what a plan is made of is taken as it is typed, not to 0.01


class NotYet(ValueError):
    """Something is still to be filled in; nothing is wrong."""


class FieldError(ValueError):
    """What is typed cannot be taken: the ``field``, the ``value`` as typed, and the ``remedy``.
    ``source`` is the :class:`Field` that was read, if one was."""

    source = None

    def __init__(self, field, value, remedy):
        self.field, self.value, self.remedy = capital(field), value, remedy
        found = f"found {value!r}" if value else "nothing is filled in"
        self.beside = f"{capital(found)}, {remedy}"
        super().__init__(f"{self.field}: {found}, {remedy}")


class Wrong(ValueError):
    """All that is wrong in several fields: ``errors``, each of which names its field."""

    def __init__(self, errors):
        self.errors = tuple(errors)
        super().__init__("\n".join(map(str, errors)))


def text_column(name, meaning):
    return Column(name, "text", meaning, required=False)


# --- from a text to a value


def read_text(text, column, choice=None, digits=2):
    """A typed text as the value of a column, or a :class:`FieldError`; see :func:`read_cell`."""
    if column.kind == "date":
        return read_day(text, column.called)
    value, wrong = read_cell(text, column, choice, digits)
    if wrong:
        raise FieldError(column.called, text.strip(), wrong)
    return value


def scale_field(name):
    """The field for what the scale shows under the check weight, in g or oz; it says if that is
    off."""
    column = replace(POURS["scale_check_g"], unit="")  # a bare number says by its size which one
    field = Field(name, column, f"{capital(column.called)}, g or oz", other="g",
                  read=lambda t: read_text(with_scale_unit(t), POURS["scale_check_g"],
                                           units_shown()),
                  example="empty if none", short=True, wide=True)

    def tell(_):
        field.tell()
        with contextlib.suppress(FieldError):  # which is said there
            if words := scale_words(field.read()):
                field.tell(note("flag", words))

    # The first digits of a number are another number: judged when it is typed whole.
    field.box.continuous_update = False
    field.box.observe(tell, "value")
    return field


def read_day(text, what):
    """A day as :func:`read_date` takes it, or a :class:`FieldError`."""
    try:
        return read_date(text)
    except AmountError as error:
        raise FieldError(what, error.value, f"{error.beside}.") from None


def past_day(text, column, empty=None):
    """A typed day that is not in the future. When nothing is typed it is ``empty``, or today."""
    today, text = dt.date.today(), text.strip()
    day = read_day(text, column.called) if text else empty or today
    if day > today + ONE_DAY:
        raise FieldError(column.called, text, f"which is in the future. {check_clock(today)}")
    return day


def spoken_day(day):
    """A day with its month in words, which nobody takes for another.

    >>> spoken_day(dt.date(2026, 10, 26))
    '26 October 2026'
    """
    return f"{day.day} {day:%B %Y}"


def shown(value):
    """A value as it is typed into a field; nothing for None."""
    if value is None or isinstance(value, bool):
        return {None: "", True: "yes", False: "no"}[value]
    if isinstance(value, (tuple, list)):
        return ", ".join(map(shown, value))
    return f"{value:.10g}" if isinstance(value, float) else str(value)


# --- what is on the page


def note(kind, text):
    """A line for the form: kind is saved, flag or error."""
    role = "alert" if kind == "error" else "status"
    lines = html.escape(str(text)).replace("\n", "<br>")
    return f'<div class="scent-{kind}" role="{role}">{lines}</div>'


@cache
def _layout(**look):
    """A layout that all who look alike share: what a page is made of goes to the browser singly."""
    return w.Layout(**look)


@cache
def _style(kind, **look):
    return kind(style=look).style


def plain_html(value="", css=()):
    """Words as they are, without a look of their own."""
    return w.HTML(value, layout=_layout(), style=_style(w.HTML), _dom_classes=css)


class Field(w.VBox):
    """A text to type, its label, and below it what is wrong with it or how it is understood.

    ``name`` is its own in the browser, ``column`` says kind, unit, meaning and bounds, ``usual`` is
    the text of a new form and ``empty`` the value of an empty field; without it, and where the
    column is required, it is needed. ``read(text)`` is for a text that no column can say,
    ``options`` (text to words) for a list. ``at`` is the argument that the value is for, which a
    refusal names, ``digits`` the decimals of a weight or load, ``other(value, text)`` what it is in
    other units, or the unit of which these are the others.

    A bare number is in the unit of the label, which is the one that the workshop chose when the
    field was made. What the program puts into it is in the unit of the column.
    """

    def __init__(self, name, column, label="", *, usual="", example="", empty=NEEDED, read=None,
                 options=None, short=False, wide=False, hint="", at="", css="scent-box", digits=2,
                 other=None):
        self.name, self.column, self.usual, self.at = name, column, usual, at
        self.empty = None if empty is NEEDED and not column.required else empty
        self._units, self.options = units_shown(), options
        self._digits = digits if column.unit in _FINE else 2
        self._has_reader = read is not None
        self._reader = read or (lambda text: read_text(text, column, self._units, self._digits))
        classes = (f"scent-field-{name}", *(["scent-short"] if short else []))
        unit = self._units.label(column.unit)
        self.label = label or capital(column.called) + (f", {unit}" if unit else "")
        look = {"description": self.label, "tooltip": self.label, "_dom_classes": classes,
                "layout": _layout(width=None if short else "100%")}
        self.box = w.Text(
            placeholder=example, value=self._as_typed(str(usual)),
            style=_style(w.Text, description_width="55%"), **look,
        ) if options is None else w.Dropdown(
            options=[(words, text) for text, words in options.items()],
            value=usual if usual in options else next(iter(options)),
            style=_style(w.Dropdown, description_width="55%"), **look)
        self.said, self.wrong, self.also = plain_html(), False, plain_html()
        super().__init__([self.box, self.also, *([plain_html(hint_html(hint))] if hint else []),
                          self.said], _dom_classes=(css, *(["scent-wide"] if wide else [])))
        unit = column.unit if other is None else other
        self._other = other if callable(other) else (lambda value, text: (
            other_form(value, unit, text) if column.kind != "date" else
            spoken_day(value) if re.search("[a-z]", text) else ""))
        self.box.observe(lambda _: self._tell_other(), "value")
        self._tell_other()
        self.usual = self.box.value

    @classmethod
    def of(cls, row, start="", readers=None, **more):
        """A field by its row in :data:`TABLES`; its name in the browser begins with ``start``, and
        ``readers`` read texts by what the row says or by its name."""
        more = {"digits": 9, "at": row["name"], **row, **more}
        column = Column(more.pop("name"), more.pop("kind", "number"), more.pop("meaning"),
                        more.pop("unit", ""), required=not more.pop("optional", False))
        more["read"] = (readers or {}).get(more.get("read", column.name))
        if column.name == "loads":
            more["other"] = other_loads
        return cls(f"{start}{column.name}", column, **more)

    def call(self, label, spoken=""):
        """Give it another label, and one to be read out alone."""
        self.label, self.box.description, self.box.tooltip = label, label, spoken or label

    @property
    def value(self):
        """The text as it is typed; with its unit where that is not the unit of the column."""
        text, unit = self.box.value, self._units.label(self.column.unit)
        bare = re.fullmatch(r"\s*-?[\d.,]*\d[\d.,]*\s*", text) and not self._has_reader
        other = unit != self.column.unit and unit in ("oz", "°F", "per lb")
        return f"{text.strip()} {unit}" if bare and other else text

    @value.setter
    def value(self, text):
        known = self.options is None or text in self.options
        text = self._as_typed(str(text))
        self.box.value = str(text) if known else self.usual

    def _as_typed(self, text):
        """What the program puts in, which is in the unit of the column, as the maker would."""
        if self.options is None and self._units.weight == "oz" and re.fullmatch(_LOADS, text) and (
                self.column.unit == LOADS_UNIT):
            return _loads_in_ounces(text)
        return as_typed(text, self.column.unit, self._units, self._digits)

    def _tell_other(self):
        """Beside the field, at each key: what is typed in the other units."""
        try:
            value = self._reader(self.text) if self.text and self.options is None else None
            words = "" if value is None else self._other(value, self.value)
        except ValueError:
            words = ""  # what is wrong is said when it is read
        self.also.value = f'<span class="scent-also">= {html.escape(words)}</span>' if words else ""

    @property
    def text(self):
        return self.box.value.strip()

    @property
    def spoken(self):
        words = self.value.strip() if self.options is None else self.options[self.box.value]
        return f"{words} °C" if self.column.unit == "°C" and words[-1:].isdigit() else words

    @property
    def missing(self):
        return not self.text and self.empty is NEEDED

    def read(self):
        """The value of what is typed, or a :class:`FieldError`, which is also shown below it."""
        try:
            if self.missing:
                raise FieldError(self.column.called, "", f"expected {self.column.expected}.")
            value = self._reader(self.text) if self.text else self.empty
        except (FieldError, AmountError) as error:
            wrong = error if isinstance(error, FieldError) else FieldError(
                self.column.called, str(error.value), f"{error.beside}.")
            wrong.source = self
            self.tell("" if self.missing else note("error", wrong.beside), wrong=True)
            raise wrong from None
        if self.wrong:
            self.tell()
        return value

    def tell(self, html_text="", wrong=False):
        """Show something below the field; what is wrong is put away when it is read anew."""
        self.said.value, self.wrong = html_text, wrong
        (self.add_class if html_text else self.remove_class)("scent-told")


def _loads_in_ounces(text):
    """Loads in % of wax as a maker in ounces types them, where 0.01 oz/lb say the same.

    >>> _loads_in_ounces("6.25, 7.5"), _loads_in_ounces("6.3")
    ('1, 1.2 oz/lb', '6.3 %')
    """
    ounces = [ounces_per_pound_from_load(float(load)) for load in text.split(",")]
    exact = all(abs(x - round(x, 2)) < 1e-9 for x in ounces)
    return f"{', '.join(f'{x:.4g}' for x in ounces)} oz/lb" if exact else f"{text} %"


def hint_html(words):
    return f'<p class="scent-hint">{html.escape(words)}</p>'


def fields_of(rows, start="", readers=None):
    """Short fields by name, of rows of :data:`TABLES`."""
    return {row["name"]: Field.of(row, start, readers, short=True) for row in rows}


def texts_of(fields):
    """What is typed into a dict of fields."""
    return {name: field.value for name, field in fields.items()}


def fill(fields, texts):
    """Put texts into a dict of fields, as far as it has them."""
    for name, text in texts.items():
        if name in fields:
            fields[name].value = text


@contextlib.contextmanager
def placing(fields):
    """What is refused in here is also shown below the one of the fields that it names."""
    try:
        yield
    except Refusal as error:
        raise placed(error, fields.values()) from error


def read_all(fields):
    """The values of a dict of fields, or :class:`Wrong` with everything that cannot be taken."""
    found, wrong = {}, []
    for name, field in fields.items():
        try:
            found[name] = field.read()
        except FieldError as error:
            wrong.append(error)
    if wrong:
        raise Wrong(wrong)
    return found


def placed(error, fields):
    """A refusal of the planner or of a material, shown below the field that it names."""
    name = getattr(error, "field", "")
    field = next((field for field in fields if name and field.at == name), None)
    if field is None:
        return error
    if error.expected:  # the value alone is wrong: said in the words of the form
        error = FieldError(field.column.called, field.text, f"expected {error.expected}.")
    field.tell(note("error", getattr(error, "beside", error)), wrong=True)
    return error


class Section(w.VBox):
    """Parts of a form under a heading. With a name it can be shut; its button says what is in
    it, as ``words()`` sums it up."""

    def __init__(self, title, children, name="", words=None, shut=True):
        self._title, self._words = title, words
        self.body = w.VBox(list(children), layout=w.Layout(grid_gap="6px"),
                           _dom_classes=["scent-part"] if name else [])
        self.fold = make_button("", f"fold-{name}") if name else plain_html(f"<h3>{title}</h3>")
        super().__init__([self.fold, self.body])
        if name:
            self.fold.on_click(lambda _: self.turn(not self.is_open))
            self.turn(not shut)

    @property
    def is_open(self):
        return self.body.layout.display != "none"

    def turn(self, to_open):
        show_if(to_open, self.body)
        self.say()

    def say(self):
        """Say anew what it holds; a shut section says it too."""
        words = f"{self._title}: {self._words()}" if self._words else self._title
        self.fold.description = f"{'▾' if self.is_open else '▸'} {words}"
        self.fold.tooltip = f"{words}: {'close' if self.is_open else 'open'}"


class Chooser(w.Box):
    """A row of buttons of which one is on: ``value``. ``options`` is a list, or a dict to words."""

    def __init__(self, name, options, on_choose, value=None, title=""):
        super().__init__(layout=_ROW)
        self.name, self._on_choose, self.value, self._title = name, on_choose, value, title
        self.offer(options)

    def offer(self, options):
        options = options if isinstance(options, dict) else {o: str(o) for o in options}
        self.buttons = {}
        for place, (value, words) in enumerate(options.items()):
            key = "-".join(map(str, value if isinstance(value, tuple) else (value,)))
            key = key if re.fullmatch(r"[\w.-]+", key) else place
            button = self.buttons[value] = make_button(words, f"{self.name}-{key}")
            button.tooltip = f"{self._title}: {words}" if self._title else words
            button.on_click(lambda _, v=value: self.choose(v))
        self.children = list(self.buttons.values())
        self.mark(self.value)

    def choose(self, value):
        self.mark(value)
        self._on_choose(value)

    def mark(self, value):
        """Show which one is on, without more."""
        self.value = value
        for option, button in self.buttons.items():
            button.on = option == value


class Tick(w.Button):
    """A button that is on or off; it says so before its words."""

    def __init__(self, words, name, on_turn):
        super().__init__(tooltip=words, layout=w.Layout(width="auto"))
        self.add_class(f"scent-press-{name}")
        self._words = words
        self.set(False)
        self.on_click(lambda _: (self.set(not self.on), on_turn()))

    def set(self, on):
        self.on, self.description = on, f"{'☑' if on else '☐'} {self._words}"


def make_button(words, name, saves=False):
    """A button; ``saves`` when a tap is to store something: without an answer it is NOT SAVED."""
    classes = (f"scent-press-{name}", *(["scent-saves"] if saves else []))
    button = w.Button(description=words, tooltip=words, layout=w.Layout(width="auto"),
                      style=_style(w.Button), _dom_classes=classes)
    button.on = False
    return button


_STACK = {"align_items": "stretch", "grid_gap": "6px"}
_ROW = {"flex_flow": "row wrap", "grid_gap": "6px"}


def stacked(children=(), css=""):
    return w.VBox(list(children), layout=_STACK, _dom_classes=css.split())


def side_by_side(children=()):
    """Short fields beside one another, as many as the page is wide for."""
    return w.Box(list(children), _dom_classes=["scent-cells"])


def in_a_row(children):
    return w.Box(list(children), layout=_ROW)


def show_if(condition, *widgets):
    for widget in widgets:
        widget.layout.display = "" if condition else "none"

