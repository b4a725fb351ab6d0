"""The materials form: waxes, fragrance and blends, as the makers' sheets tell them.

What is typed is kept as it was typed; empty means not known, and nothing is filled in by guessing.
Each card shows what is wrong with its own fields.
"""

import html
import re
from dataclasses import replace

import ipywidgets as w

from scentlab.materials import Blend, Fragrance, MaterialError, Wax
from scentlab.recording.form_parts import (
    Form,
    NotYet,
    in_a_row,
    make_button,
    note,
    note_of,
    short_field,
    side_by_side,
    stacked,
    typed_number,
)
from scentlab.schema import Column
from scentlab.text import alike
from scentlab.units import (
    celsius_from_fahrenheit,
    fahrenheit_from_celsius,
    say_load,
    say_temperature,
)


def _text(name, meaning):
    return Column(name, "text", meaning, required=False)


def _number(name, meaning, unit, lower, upper):
    return Column(name, "number", meaning, unit, lower, upper, required=False)


WAX = (
    _text("name", "name of the wax"),
    _text("lot", "lot"),
    _number("limit_load_pct", "highest load by its maker", "% of wax", 0.1, 40),
    _number("melt_temp_c", "melts at", "°C", 20, 150),
    _number("add_temp_c", "add fragrance at", "°C", 20, 150),
    _number("pour_temp_c", "pour at", "°C", 20, 150),
    _number("max_temp_c", "never over", "°C", 20, 150),
    _number("price_per_kg", "price", "per kg", 0, 1e5),
)
FRAGRANCE = (
    _text("name", "name of the fragrance"),
    _text("lot", "lot"),
    _number("flash_point_c", "flash point, closed cup", "°C", 0, 300),
    _number("limit_content_pct", "regulatory limit", "% of total", 0.01, 100),
    _number("density_g_per_ml", "density", "g per mL", 0.5, 2),
    _number("price_per_kg", "price", "per kg", 0, 1e5),
    _text("allergens", "allergens, with commas between"),
)
BLEND = (
    _text("name", "name of the blend"),
    _number("own_limit_load_pct", "highest load of the blend, if its own", "% of wax", 0.1, 40),
)
_PART = _number("part", "part", "% of the blend", 0, 100)
_EXAMPLES = {
    "name of the blend": "empty: its waxes", "highest load of the blend, if its own":
    "empty: lowest of its waxes",
}
_WIDE = ("name", "allergens", "own_limit_load_pct")
# The names in Python, which the refusals of materials use, and what stands on the form for them.
_ON_THE_FORM = {c.name: f"“{c.meaning}”" for c in (*WAX, *FRAGRANCE) if c.kind == "number"}


class Card(w.VBox):
    """The fields of one material side by side, and below them what is wrong with them.

    ``texts`` are what is typed by field; ``read(scale)`` gives the numbers and texts, None where
    nothing is filled in.
    """

    def __init__(self, kind, number, columns, on_change, on_gone=None):
        super().__init__()
        self.add_class("scent-card")
        self.kind, self.number, self.columns = kind, number, columns
        self._on_change = on_change
        self.fields = {c.name: self._field(c) for c in columns}
        self.said = w.HTML()
        self.row = side_by_side(self.fields.values())
        self.gone = make_button(f"Remove this {kind}", f"gone-{kind}-{number}")
        if on_gone is not None:
            self.gone.on_click(lambda _: on_gone(self))
        self.children = [self.row, self.said, *([self.gone] if on_gone else [])]

    def _field(self, column):
        label = _label(column)
        field = short_field(
            f"{self.kind}-{self.number}-{column.name}", label,
            _EXAMPLES.get(column.meaning, ""), wide=column.name in _WIDE,
        )
        field.observe(lambda _: self._on_change(), "value")
        return field

    @property
    def texts(self):
        return {name: field.value for name, field in self.fields.items()}

    @texts.setter
    def texts(self, texts):
        for name, text in texts.items():
            if name in self.fields:
                self.fields[name].value = str(text)

    def call(self, place, scale):
        """Name the fields, the temperatures in °C or °F, and the button for a screen reader."""
        for column in self.columns:
            label = _label(_in_scale(column, scale))
            field = self.fields[column.name]
            field.description, field.tooltip = label, f"{place}: {label}"
        self.gone.tooltip = f"Remove {place}"

    def read(self, scale):
        """The values by field. Raises ValueError with all that is wrong, NotYet without a name."""
        values, wrong = {}, []
        for column in self.columns:
            text = self.fields[column.name].value.strip()
            try:
                values[column.name] = _value(text, column, scale)
            except ValueError as error:
                wrong.append(str(error))
        if wrong:
            raise ValueError("\n".join(wrong))
        return values

    def tell(self, html_text=""):
        self.said.value = html_text


class MaterialsForm(Form):
    """Waxes, one fragrance and blends of the waxes; rows come and go by a tap.

    Parameters
    ----------
    draft : what stood in the form before, a dict such as ``draft`` gives, or None.
    on_change : callable() for whenever something was typed or tapped, or None.

    ``waxes``, ``fragrance`` and ``blends`` are the materials as they now stand; while something is
    missing or wrong, ``problem`` is the error that says so, and ``blends`` is empty.
    """

    def __init__(self, draft=None, on_change=None):
        super().__init__(None, None)
        self._on_change, self._quiet, self._count = on_change, True, 0
        self.scale, self._before = "C", None
        self.waxes, self.fragrance, self.blends, self.problem = (), None, (), None
        self.scales = {s: make_button(f"Temperatures in °{s}", f"scale-{s}") for s in "CF"}
        for scale, button in self.scales.items():
            button.on_click(lambda _, s=scale: self._guarded(lambda: self._rescale(s)))
        self.add_wax = make_button("Add a wax", "add-wax")
        self.add_wax.on_click(lambda _: self._guarded(self._more_wax))
        self.add_blend = make_button("Add a blend", "add-blend")
        self.add_blend.on_click(lambda _: self._guarded(self._more_blend))
        self.back = make_button("Bring it back", "back")
        self.back.on_click(lambda _: self._guarded(self._bring_back))
        self.wax_cards, self.blend_cards = [], []
        self._waxes, self._blends, self._scent = stacked([]), stacked([]), stacked([])
        self._lay_out(
            in_a_row(self.scales.values()), w.HTML("<h3>Waxes</h3>"), self._waxes, self.add_wax,
            w.HTML("<h3>Fragrance</h3>"), self._scent,
            w.HTML("<h3>Blends, parts by weight in %</h3>"), self._blends, self.add_blend,
            self.message, self.back,
        )
        self.fill(draft or {})

    @property
    def draft(self):
        """What stands in the form, as typed."""
        return {
            "scale": self.scale,
            "waxes": [card.texts for card in self.wax_cards],
            "fragrance": self.scent_card.texts,
            "blends": [
                {**card.texts, "parts": [card.parts[wax].value for wax in self.wax_cards]}
                for card in self.blend_cards
            ],
        }

    def fill(self, draft):
        """Put a draft in the place of what stands there."""
        self._quiet = True
        self.scale = "F" if draft.get("scale") == "F" else "C"
        self.wax_cards, self.blend_cards = [], []
        self.scent_card = Card("fragrance", self._number(), FRAGRANCE, self._changed)
        self.scent_card.texts = draft.get("fragrance", {})
        for texts in draft.get("waxes") or [{}]:
            self._put_wax(texts)
        for texts in draft.get("blends") or [{}]:
            self._put_blend(texts)
        self._before = None
        self._quiet = False
        self._arrange()

    def _number(self):
        # Never used twice: a name in the browser belongs to one field for good.
        self._count += 1
        return self._count

    def _put_wax(self, texts):
        card = Card("wax", self._number(), WAX, self._changed, self._remove)
        card.texts = texts
        self.wax_cards.append(card)
        for blend in self.blend_cards:
            blend.parts[card] = self._part_field(blend, card)

    def _put_blend(self, texts):
        card = Card("blend", self._number(), BLEND, self._changed, self._remove)
        card.texts = {n: t for n, t in texts.items() if n != "parts"}
        card.parts = {wax: self._part_field(card, wax) for wax in self.wax_cards}
        for wax, text in zip(self.wax_cards, texts.get("parts", ()), strict=False):
            card.parts[wax].value = str(text)
        self.blend_cards.append(card)

    def _part_field(self, blend, wax):
        field = short_field(f"part-{blend.number}-{wax.number}", "")
        field.observe(lambda _: self._changed(), "value")
        return field

    def _more_wax(self):
        self._put_wax({})
        self._arrange()

    def _more_blend(self):
        self._put_blend({})
        self._arrange()

    def _remove(self, card):
        def remove():
            self._before, words = self.draft, self._called(card)
            cards = self.wax_cards if card.kind == "wax" else self.blend_cards
            cards.remove(card)
            for blend in self.blend_cards:
                blend.parts.pop(card, None)
            self._arrange()
            self._say("flag", f"Removed: {words}.")

        self._guarded(remove)

    def _bring_back(self):
        self.fill(self._before)

    def _called(self, card):
        cards = self.wax_cards if card.kind == "wax" else self.blend_cards
        return card.fields["name"].value.strip() or f"{card.kind} {cards.index(card) + 1}"

    def _rescale(self, scale):
        """The same temperatures in the other scale: the numbers change, what is meant does not."""
        if scale == self.scale:
            return
        self._quiet, self.scale = True, scale
        for card in (*self.wax_cards, self.scent_card):
            for column in card.columns:
                if column.unit == "°C":
                    field = card.fields[column.name]
                    field.value = _rescaled(field.value, scale)
        self._quiet = False
        self._arrange()

    def _arrange(self):
        """Lay the cards out anew, after some came or went."""
        for cards in (self.wax_cards, self.blend_cards):
            for card in cards:
                card.gone.layout.display = "" if len(cards) > 1 else "none"
        for blend in self.blend_cards:
            blend.row.children = [blend.fields["name"], *(blend.parts[x] for x in self.wax_cards),
                                  blend.fields["own_limit_load_pct"]]
        self.browser.pressed = [f"scale-{self.scale}"]
        self._waxes.children, self._blends.children = self.wax_cards, self.blend_cards
        self._scent.children = [self.scent_card]
        self.message.value = ""
        self.back.layout.display = "" if self._before else "none"
        self._changed()

    def _changed(self):
        if self._quiet:
            return
        self._name_parts()
        try:
            self._read()
        except Exception as error:  # shown, for nobody else would
            self._say("error", str(error))
        if self._on_change is not None:
            self._guarded(self._on_change)

    def _name_parts(self):
        """Name every field after its material: a screen reader hears one at a time."""
        for card in (*self.wax_cards, self.scent_card, *self.blend_cards):
            card.call(self._place(card), self.scale)
        for blend in self.blend_cards:
            for wax, field in blend.parts.items():
                field.description = f"{self._called(wax)}, %"
                field.tooltip = f"{self._place(blend)}: {self._called(wax)}, % of the blend"
        self._name_controls()

    def _read(self):
        """All materials as they stand; each card says what is wrong or missing in it."""
        self.waxes, self.fragrance, self.blends = (), None, ()
        self.problem, taken = None, {}
        scent = self._made(self.scent_card, self._fragrance)
        waxes = {card: self._made(card, lambda c=card: self._wax(c, taken))
                 for card in self.wax_cards}
        taken = {}
        blends = [self._made(card, lambda c=card: self._blend(c, waxes, taken))
                  for card in self.blend_cards]
        self.waxes, self.fragrance = tuple(x for x in waxes.values() if x), scent
        self.blends = tuple(blends) if None not in blends and self.problem is None else ()
        for card, blend in zip(self.blend_cards, blends, strict=True):
            if blend is not None:
                card.tell(_told(blend, scent))
        self._tell_unused(waxes)

    def _made(self, card, make):
        try:
            made = make()
            card.tell()
            return made
        except ValueError as error:
            kind = NotYet if isinstance(error, NotYet) else ValueError
            words = self._in_words(error) if isinstance(error, MaterialError) else str(error)
        card.tell(note_of(kind(words)))
        self.problem = self.problem or kind(f"{self._place(card)}: {words}")
        return None

    def _place(self, card):
        if card is self.scent_card:
            return "fragrance"
        cards = self.wax_cards if card.kind == "wax" else self.blend_cards
        name = card.fields["name"].value.strip()
        return f"{card.kind} {cards.index(card) + 1}" + (f" ({name})" if name else "")

    def _in_words(self, error):
        """A refusal in the words of the form, in the scale that is chosen.

        The card says already which material it is.
        """
        text = re.sub(r"^(wax|blend|fragrance) .*?: (?=\S)", "", str(error), count=1)
        for name, words in _ON_THE_FORM.items():
            text = re.sub(rf"\b{name}\b", words, text)
        if self.scale == "F":
            text = re.sub(r"([\d.]+) °C", lambda m: say_temperature(float(m[1])), text)
        return text

    def _fragrance(self):
        values = _named(self.scent_card.read(self.scale), "fragrance")
        allergens = [a.strip() for a in values.pop("allergens", "").split(",")]
        return Fragrance(**values, allergens=tuple(a for a in allergens if a))

    def _wax(self, card, taken):
        wax = Wax(**_named(card.read(self.scale), "wax"))
        return _once(wax, taken, "wax", "such as with its lot")

    def _blend(self, card, waxes, taken):
        values = card.read(self.scale)
        parts = {}
        for wax_card, field in card.parts.items():
            column = replace(_PART, meaning=f"{self._called(wax_card)} in the blend")
            share = typed_number(field.value, column) if field.value.strip() else 0.0
            if share:
                parts[wax_card] = share
        _need_whole_blend(parts)
        if any(waxes[x] is None for x in parts):
            raise NotYet("its waxes above are not complete yet")
        # The largest part first, as a maker says it.
        mixed = sorted(((waxes[x], share / 100) for x, share in parts.items()),
                       key=lambda part: -part[1])
        name = values["name"] or _usual_name(mixed)
        blend = Blend(name, tuple(mixed), values["own_limit_load_pct"])
        return _once(blend, taken, "blend", "such as with its parts")

    def _tell_unused(self, waxes):
        if not self.blends:
            return
        used = {wax.name for blend in self.blends for wax, _ in blend.parts}
        for card, wax in waxes.items():
            if wax.name not in used:
                card.tell(note("flag", f"{wax.name} is in no blend yet."))


def materials_draft(fragrance, blends):
    """The draft of a :class:`MaterialsForm` that makes these materials."""
    waxes = list({wax.name: wax for blend in blends for wax, _ in blend.parts}.values())
    scent = {**_texts(fragrance, FRAGRANCE), "allergens": ", ".join(fragrance.allergens)}
    return {
        "scale": "C",
        "waxes": [_texts(wax, WAX) for wax in waxes],
        "fragrance": scent,
        "blends": [
            {**_texts(blend, BLEND),
             "parts": [_shown(100 * blend.fractions.get(wax.name, 0) or None) for wax in waxes]}
            for blend in blends
        ],
    }


def _texts(material, columns):
    return {c.name: _shown(getattr(material, c.name)) for c in columns}


def _shown(value):
    if value is None:
        return ""
    return f"{value:.10g}" if isinstance(value, (int, float)) else str(value)


def _label(column):
    words = column.meaning[0].upper() + column.meaning[1:]
    return f"{words}, {column.unit}" if column.unit else words


def _in_scale(column, scale):
    if column.unit != "°C" or scale == "C":
        return column
    return replace(column, unit="°F", lower=fahrenheit_from_celsius(column.lower),
                   upper=fahrenheit_from_celsius(column.upper))


def _value(text, column, scale):
    if column.kind == "text":
        return text
    if not text:
        return None
    value = typed_number(text, _in_scale(column, scale))
    if column.unit == "°C" and scale == "F":
        return round(celsius_from_fahrenheit(value), 2)
    return value


def _rescaled(text, scale):
    """A typed temperature in the other scale; what is no temperature stays as it is."""
    try:
        value = float(text.strip().replace(",", "."))
        other = fahrenheit_from_celsius(value) if scale == "F" else celsius_from_fahrenheit(value)
    except ValueError:
        return text
    return f"{round(other, 1):g}"


def _named(values, what):
    if not values["name"]:
        raise NotYet(f"the name of the {what} is still to be filled in")
    return values


def _once(material, taken, what, hint):
    first = taken.setdefault(alike(material.name), material)
    if first is not material:
        names = dict.fromkeys((first.name, material.name))
        raise ValueError(
            f"two {what}{'es' if what == 'wax' else 's'} are called {' and '.join(names)}; give "
            f"each a name of its own, {hint}"
        )
    return material


def _need_whole_blend(parts):
    total = sum(parts.values())
    if not parts:
        raise NotYet("the parts are still to be filled in: % of each wax, together 100")
    if abs(total - 100) > 1e-4:
        off = f"{100 - total:.4g} % are missing" if total < 100 else f"{total - 100:.4g} % too much"
        raise ValueError(f"the parts add up to {total:.6g} %, not to 100 %: {off}")


def _usual_name(parts):
    if len(parts) == 1:
        return parts[0][0].name
    return " / ".join(f"{wax.name} {100 * share:.4g}" for wax, share in parts)[:80].strip()


def _told(blend, fragrance):
    """What the makers' sheets say of a blend, and a caution where the flash point is lower."""
    limit = blend.limit_load_pct
    words = [f"{blend.name}: {blend.composition}"]
    words.append(f"highest load {say_load(limit)}" if limit else "highest load not known")
    for name, say in (("add_temp_c", "add fragrance at"), ("max_temp_c", "never over")):
        degrees = getattr(blend, name)
        words.append(f"{say} {say_temperature(degrees) if degrees else 'a temperature not known'}")
    told = f'<div role="status">{html.escape("; ".join(words))}.</div>'
    flash = None if fragrance is None else fragrance.flash_point_c
    if flash is not None and blend.add_temp_c is not None and flash < blend.add_temp_c:
        told += note("flag", f"The fragrance's flash point of {say_temperature(flash)} is below "
                     "the temperature at which it is added: no flame or spark near, ventilate.")
    return told
