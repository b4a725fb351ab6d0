"""The batch sheet by a button: a blend, how much, and perhaps another load."""

import html

import ipywidgets as w

from scentlab.amounts import other_form, read_amount
from scentlab.forms.fields import Field, in_a_row, note, read_all, text_column
from scentlab.forms.frame import Form
from scentlab.planning.batch import read_much
from scentlab.units import shown


class BatchForm(Form):
    """Choose a blend, type how much, and write the sheet.

    ``make(blend, load_pct, packs=, wax_g=)`` gives a Batch, load_pct None for the recommended load;
    ``write(batch)`` the path of its sheet. ``batch`` is the last one, None before.
    """

    def __init__(self, blends, make, write):
        super().__init__()
        self._make, self._write, self.batch = make, write, None
        blends = list(blends)
        self.blend = self._chooser_of("blend", blends, self._refresh, blends[0])
        self.fields = {
            "much": Field("much", text_column("much", "How much: packs, or wax"), usual="1 lb",
                          example="40 packs", read=read_much, short=True,
                          other=lambda much, text: other_form(much.get("wax_g"), "g", text)),
            "load": Field("load", text_column("load", "Another load (empty: the recommended one)"),
                          example="1.5 oz/lb", short=True,
                          read=lambda text: read_amount(text, "% of wax", shown()),
                          other="% of wax"),
        }
        self.go = self._button("Write the batch sheet", "batch", self._go, saves=True)
        self.said = w.HTML()
        self._lay_out(self.blend, in_a_row(self.fields.values()), self.go, self.said, self.message)

    def _go(self):
        self.said.value = ""
        found = read_all(self.fields)
        self.batch = self._make(self.blend.value, found["load"], **found["much"])
        path = self._write(self.batch)
        kind = "error" if self.batch.warnings else "flag"
        self.said.value = note(kind, self.batch.sentence)
        self._say("saved", f"Written: {html.escape(str(path))}. Open it in a browser, or send "
                  "it to a phone.")
