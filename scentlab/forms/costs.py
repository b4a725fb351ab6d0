"""What a load costs: the maker's own numbers in, the load that costs least out, at each key."""

import ipywidgets as w

from scentlab.forms.fields import TABLES, fields_of, fill, placing, read_all, side_by_side, texts_of
from scentlab.forms.frame import Form, as_widget, listed, paragraphs


class CostsForm(Form):
    """Type what a complaint and a lost sale cost; what follows for a blend is shown at once.

    ``weigh(blend, **numbers)`` gives a result with ``sentence`` and ``notes``, or refuses with a
    ValueError that names the ``field``; ``table(result)`` is shown. ``on_change(texts)`` is called
    with what is typed. ``found`` is the result that is shown, None while a number is refused.
    """

    stores = False

    def __init__(self, blends, weigh, table, draft=None, on_change=lambda *_: None):
        super().__init__()
        self._weigh, self._table, self.found = weigh, table, None
        self.fields = fields_of(TABLES["costs"]["fields"], "costs-")
        fill(self.fields, draft or {})
        blends = list(blends)
        self.blend = self._chooser_of("costs-blend", blends, self._show, blends[0])
        self.said = w.VBox()
        self._watch(self.fields.values(),
                    lambda: (on_change(texts_of(self.fields)), self._show()))
        asked = list(self.fields.values())
        self._lay_out(side_by_side(asked[:3]), side_by_side(asked[3:]),
                      *([self.blend] if len(blends) > 1 else []), self.message, self.said)
        self._guarded(self._show)

    def _show(self):
        self.found, self.said.children, self.message.value = None, (), ""
        numbers = read_all(self.fields)
        with placing(self.fields):
            self.found = self._weigh(self.blend.value, **numbers)
        said = paragraphs([self.found.sentence])
        self.said.children = [w.HTML(f'<div role="status">{said}</div>'),
                              as_widget(self._table(self.found), "what loads cost"),
                              w.HTML(listed(self.found.notes))]
