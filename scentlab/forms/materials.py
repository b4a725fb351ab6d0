"""The materials form: waxes, fragrance and blends, as the makers' sheets give them.

What is typed is kept as it was typed; empty means not known, and nothing is filled in by guessing.
What is wrong is shown beside its field; what the materials refuse, they refuse themselves.
"""

import html
from functools import partial

import ipywidgets as w

from scentlab.forms.fields import (
    TABLES,
    Field,
    NotYet,
    Wrong,
    fields_of,
    fill,
    make_button,
    note,
    placed,
    plain_html,
    read_all,
    show_if,
    shown,
    side_by_side,
    stacked,
    texts_of,
)
from scentlab.forms.frame import Form, note_of
from scentlab.materials import Blend, Fragrance, MaterialError, Wax
from scentlab.recording.shelf import Shelf
from scentlab.schema import Column
from scentlab.text import alike
from scentlab.units import say_load, say_temperature

ROWS = TABLES["materials"]
_PART = Column("part", "number", "part", "% of the blend", 0, 100, required=False)


class Card(w.VBox):
    """The fields of one material side by side, and below them what is said of it.

    ``number`` is its own in the browser, ``place`` the one among its kind. ``parts`` are the fields
    of a blend's parts, one for each wax, in its order.
    """

    def __init__(self, kind, number, texts, place, on_gone, waxes=0):
        self.kind, self.place = kind, place
        self.fields = fields_of(ROWS[kind], f"{kind}-{number}-")
        fill(self.fields, texts)
        parts = [*texts.get("parts", ()), *[""] * waxes][:waxes]
        self.parts = {place: Field(f"part-{number}-{place}", _PART, short=True, empty=0.0,
                                   usual=text) for place, text in enumerate(parts)}
        name, *rest = self.fields.values()
        self.all = [name, *self.parts.values(), *rest]
        self.said = plain_html()
        self.gone = make_button(f"Remove this {kind}", f"gone-{kind}-{number}")
        self.gone.on_click(lambda _: on_gone(self))
        super().__init__(
            [side_by_side(self.all), self.said, *([self.gone] if kind != "fragrance" else [])],
            _dom_classes=["scent-card"])

    @property
    def called(self):
        return self.fields["name"].text or f"{self.kind} {self.place}"

    @property
    def where(self):
        place = self.kind if self.kind == "fragrance" else f"{self.kind} {self.place}"
        name = self.kind != "fragrance" and self.fields["name"].text
        return f"{place} ({name})" if name else place

    @property
    def texts(self):
        parts = [field.value for field in self.parts.values()]
        return texts_of(self.fields) | ({"parts": parts} if self.kind == "blend" else {})

    def call(self, waxes):
        """Name the fields and the button for a screen reader, and the parts after their waxes."""
        for field in self.fields.values():
            field.call(field.label, f"{self.where}: {field.label}")
        for name, field in zip(waxes, self.parts.values(), strict=False):
            field.call(f"{name}, %", f"{self.where}: {name}, % of the blend")
        self.gone.tooltip = f"Remove {self.where}"


class MaterialsForm(Form):
    """Waxes, one fragrance and blends of the waxes; rows come and go by a tap.

    ``draft`` is what was in the form before, such as :attr:`draft` gives, ``on_change()`` is called
    whenever something was typed or tapped, ``shelf`` is what the workshop knows, to choose from.

    ``waxes``, ``fragrance`` and ``blends`` are the materials as they are now; while something is
    missing or wrong, ``problem`` is the error that says so, and ``blends`` is empty.
    """

    def __init__(self, draft=None, on_change=lambda *_: None, shelf=None):
        super().__init__()
        self._on_change, self._count, self._before = on_change, 0, None
        self._shelf = shelf or Shelf.empty()
        offers = {kind: self._offer(kind, self._shelf.names(kind), partial(self._take, kind))
                  for kind in ("wax", "fragrance", "blend")}
        self.add_wax = self._button("Add a wax", "add-wax", lambda: self._more("waxes"))
        self.add_blend = self._button("Add a blend", "add-blend", lambda: self._more("blends"))
        self.back = self._button("Bring it back", "back", lambda: self.fill(self._before))
        self._waxes, self._blends, self._scent = stacked(), stacked(), stacked()
        self._lay_out(
            w.HTML("<h3>Waxes</h3>Type weights, loads and temperatures in any unit, with the unit "
                   "after the number."), *offers["wax"], self._waxes,
            self.add_wax, w.HTML("<h3>Fragrance</h3>"), *offers["fragrance"], self._scent,
            w.HTML("<h3>Blends, parts by weight in %</h3>"), *offers["blend"], self._blends,
            self.add_blend, self.message, self.back)
        self.fill(draft or {})

    @property
    def draft(self):
        return {"waxes": [card.texts for card in self.wax_cards],
                "fragrance": self.scent_card.texts,
                "blends": [card.texts for card in self.blend_cards]}

    def fill(self, draft, before=None):
        """Put a draft in the place of what is there; ``before`` is what can be brought back."""
        waxes, blends = draft.get("waxes") or [{}], draft.get("blends") or [{}]
        self.scent_card, = self._cards("fragrance", [draft.get("fragrance", {})])
        self.wax_cards = self._cards("wax", waxes)
        self.blend_cards = self._cards("blend", blends, len(waxes))
        for cards, box in ((self.wax_cards, self._waxes), (self.blend_cards, self._blends)):
            show_if(len(cards) > 1, *(card.gone for card in cards))
            box.children = cards
        self._scent.children, self._before, self.message.value = [self.scent_card], before, ""
        show_if(before, self.back)
        self._guarded(self._changed)

    def _cards(self, kind, all_texts, waxes=0):
        cards = []
        for place, texts in enumerate(all_texts, 1):
            self._count += 1  # never used twice: a name in the browser is of one field for good
            cards.append(Card(kind, self._count, texts, place, self._remove, waxes))
            self._watch(cards[-1].all, self._changed)
        return cards

    def _more(self, what):
        draft = self.draft
        draft[what].append({})
        self.fill(draft)

    def _take(self, kind, name):
        """Put a thing of the shelf into the card of its name, or else into an empty one."""
        draft = self.draft
        if kind == "fragrance":
            draft["fragrance"] = _texts(kind, self._shelf.fragrance(name))
        elif kind == "wax":
            _put_in(draft["waxes"], _texts(kind, self._shelf.wax(name)))
        else:
            blend = self._shelf.blend(name)
            shares = {_put_in(draft["waxes"], _texts("wax", wax)): share
                      for wax, share in blend.parts}
            parts = [shown(100.0 * shares.get(place, 0) or None)
                     for place in range(len(draft["waxes"]))]
            _put_in(draft["blends"], _texts("blend", blend) | {"parts": parts})
        self.fill(draft, self.draft)
        self._say("flag", f"From the shelf: {name}. You can bring back what was here before.")

    def _remove(self, card):
        draft, before, place = self.draft, self.draft, card.place - 1
        del draft["waxes" if card.kind == "wax" else "blends"][place]
        for texts in draft["blends"] if card.kind == "wax" else ():
            del texts["parts"][place]
        self.fill(draft, before)
        self._say("flag", f"Removed: {card.called}.")

    def _changed(self):
        waxes = [card.called for card in self.wax_cards]
        for card in (*self.wax_cards, self.scent_card, *self.blend_cards):
            card.call(waxes)
        self._read()
        self._on_change()

    def _read(self):
        """All materials as they are; each card says what is wrong or missing in it."""
        self.problem, taken, names = None, {}, {}
        scent = self._made(self.scent_card, self._fragrance)
        waxes = [self._made(card, lambda c=card: _once(
            Wax(**_named(c)), taken, "waxes", "such as with its lot")) for card in self.wax_cards]
        blends = [self._made(card, lambda c=card: self._blend(c, waxes, names))
                  for card in self.blend_cards]
        self.waxes, self.fragrance = tuple(filter(None, waxes)), scent
        self.blends = tuple(blends) if self.problem is None else ()
        for card, blend in zip(self.blend_cards, blends, strict=True):
            if blend is not None:
                card.said.value = _said(blend, scent)
        used = {wax.name for blend in self.blends for wax, _ in blend.parts}
        for card, wax in zip(self.wax_cards, waxes, strict=True):
            if self.blends and wax.name not in used:
                card.said.value = note("flag", f"{wax.name} is in no blend yet.")

    def _made(self, card, make):
        card.said.value = ""
        try:
            return make()
        except ValueError as error:
            problem = placed(error, card.fields.values())
            if problem is error and not isinstance(error, Wrong):
                card.said.value = note_of(error)
            kind = NotYet if isinstance(error, NotYet) else ValueError
            self.problem = self.problem or kind(f"{card.where}: {problem}")
            return None

    def _fragrance(self):
        values = _named(self.scent_card)
        allergens = [a.strip() for a in values.pop("allergens").split(",")]
        return Fragrance(**values, allergens=tuple(a for a in allergens if a))

    def _blend(self, card, waxes, taken):
        values = read_all(card.fields)
        parts = {wax: share for wax, share in read_all(card.parts).items() if share}
        _need_whole_blend(parts)
        if any(waxes[x] is None for x in parts):
            raise NotYet("its waxes above are not complete yet")
        # The largest part first, as a maker says it.
        mixed = sorted(((waxes[x], share / 100) for x, share in parts.items()),
                       key=lambda part: -part[1])
        name = values["name"] or _usual_name(mixed)
        blend = Blend(name, tuple(mixed), values["own_limit_load_pct"])
        return _once(blend, taken, "blends", "such as with its parts")


def materials_draft(fragrance, blends):
    waxes = list({wax.name: wax for blend in blends for wax, _ in blend.parts}.values())
    return {
        "waxes": [_texts("wax", wax) for wax in waxes],
        "fragrance": _texts("fragrance", fragrance),
        "blends": [
            {**_texts("blend", blend),
             "parts": [shown(100.0 * blend.fractions.get(wax.name, 0) or None) for wax in waxes]}
            for blend in blends
        ],
    }


def _put_in(cards, texts):
    """Put texts into the card of their name, an empty one or a new one; returns its place."""
    names = [alike(card.get("name", "")) for card in cards]
    empty = [not any(part for text in card.values() for part in text) for card in cards]
    place = (names.index(alike(texts["name"])) if alike(texts["name"]) in names else
             empty.index(True) if True in empty else len(cards))
    cards[place:place + 1] = [texts]
    return place


def _texts(kind, material):
    return {row["name"]: shown(getattr(material, row["name"])) for row in ROWS[kind]}


def _named(card):
    values = read_all(card.fields)
    if not values["name"]:
        raise NotYet(f"the name of the {card.kind} is still to be filled in")
    return values


def _once(material, taken, what, hint):
    first = taken.setdefault(alike(material.name), material)
    if first is not material:
        names = dict.fromkeys((first.name, material.name))
        raise MaterialError(f"two {what} are called {' and '.join(names)}; give each its own name, "
                            f"{hint}", "name")
    return material


def _need_whole_blend(parts):
    total = sum(parts.values())
    if not parts:
        raise NotYet("fill in the parts: % of each wax, adding up to 100")
    if abs(total - 100) > 1e-4:
        off = f"{100 - total:.4g} % are missing" if total < 100 else f"{total - 100:.4g} % too much"
        raise ValueError(f"the parts add up to {total:.6g} %, not to 100 %: {off}")


def _usual_name(parts):
    if len(parts) == 1:
        return parts[0][0].name
    return " / ".join(f"{wax.name} {100 * share:.4g}" for wax, share in parts)[:80].strip()


def _said(blend, fragrance):
    """What the makers' sheets say of a blend, and a caution where the flash point is lower."""
    limit = blend.limit_load_pct
    words = [f"{blend.name}: {blend.composition}",
             f"highest load {say_load(limit)}" if limit else "highest load not known"]
    for degrees, say in ((blend.add_temp_c, "add fragrance at"), (blend.max_temp_c, "never over")):
        words.append(f"{say} {say_temperature(degrees) if degrees else 'a temperature not known'}")
    said = f'<div role="status">{html.escape("; ".join(words))}.</div>'
    flash = fragrance and fragrance.flash_point_c
    if flash and blend.add_temp_c and flash < blend.add_temp_c:
        said += note("flag", f"The fragrance's flash point of {say_temperature(flash)} is below "
                     "the temperature at which it is added: no flame or spark near, ventilate.")
    return said
