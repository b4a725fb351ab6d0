"""The shelf by hand: a wax, a fragrance or a tester, new or as it is known from today on."""

import ipywidgets as w

from scentlab.forms.fields import TABLES, NotYet, fields_of, fill, placing, read_all, side_by_side
from scentlab.forms.fields import shown as as_text
from scentlab.forms.frame import Form, clock_of
from scentlab.recording.shelf import Shelf, put_on_shelf, read_shelf, shelf_beside

KINDS = ("wax", "fragrance", "tester")


def known_shelf(folder):
    """The shelf beside a series; an empty one and why, where it cannot be read."""
    try:
        return shelf_beside(folder), ""
    except (ValueError, OSError) as error:
        return Shelf.empty(), f"The shelf cannot be used. {error}"


class ShelfForm(Form):
    """Type a thing, or choose one and change it; each change is a version of its own.

    ``folder`` is that of the workshop; ``on_put`` is called when something was added.
    """

    def __init__(self, folder, on_put=lambda *_: None):
        super().__init__()
        self._folder, self._on_put = folder, on_put
        self.kind = self._chooser_of("shelf-kind", KINDS, self.fill, KINDS[0])
        self.offer, self.asked = w.VBox(), w.VBox()
        self.put = self._button("Put it on the shelf", "put", self._put, saves=True)
        self._lay_out(self.kind, self.offer, self.asked, self.put, self.message)
        self.fill()

    def fill(self, name=""):
        """Show the fields of the kind that is chosen, with what is known of a name."""
        kind, shelf = self.kind.value, read_shelf(self._folder)
        known = shelf.find(kind, name) or {}
        rows = [*TABLES["materials"].get(kind, ()), *TABLES["shelf"][kind]]
        self.fields = fields_of(rows, "put-")
        fill(self.fields, {name: as_text(value) for name, value in known.items()})
        self._offer_all(shelf)
        self.asked.children = [side_by_side(self.fields.values())]
        self._refresh()

    def _offer_all(self, shelf):
        self.offer.children = self._offer(self.kind.value, shelf.names(self.kind.value), self.fill)

    def _put(self):
        row = read_all(self.fields)
        if not row["name"]:
            raise NotYet(f"The name of the {self.kind.value} is still to be filled in.")
        with placing(self.fields):
            added = put_on_shelf(self._folder, [{"kind": self.kind.value, **row}], over=True)
        self._say("saved" if added else "flag", f"On the shelf at {clock_of()}: {row['name']}."
                  if added else f"{row['name']} is already on the shelf like that.")
        if added:
            self._offer_all(read_shelf(self._folder))
            self._on_put()
