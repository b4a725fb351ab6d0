"""The form that writes a plan's sheets and keeps the plan: nothing is kept by a single tap."""

import ipywidgets as w

from scentlab.files import file_link
from scentlab.forms.fields import in_a_row, note, show_if
from scentlab.forms.frame import Form, clock_of, note_of
from scentlab.planning.sheets import usual_paper

PAPERS = {"A4": "A4", "letter": "Letter"}
NO_PLAN = "There is no plan yet: start above and take one of the plans shown."


class KeepForm(Form):
    """Write the sheets to look at; keep the plan, by a tap and a second one to confirm.

    ``look(plan)`` says how the plan compares to what is kept (``words``, ``same``, ``warning``) or
    refuses with a ValueError; ``write(plan, paper)`` gives names and paths of the sheets,
    ``keep(plan, key)`` a receipt; ``place`` is where it is kept, ``on_back()`` brings the kept plan
    back.
    """

    def __init__(self, look, write, keep, place, on_back=lambda *_: None):
        super().__init__()
        self._look, self._write, self._keep, self._place = look, write, keep, place
        self.paper = self._chooser_of("paper", {p: f"Paper {x}" for p, x in PAPERS.items()},
                                      self._refresh, usual_paper())
        self.sheets = self._button("Write the sheets to print", "sheets", self._write_sheets, True)
        self.keep = self._button("Keep this plan", "keep", self._keep_now, saves=True)
        self.back = self._button("Go back to the kept plan", "restore", on_back, saves=True)
        self.state, self.links = w.HTML(), w.HTML()
        self._lay_out(self.state, in_a_row([self.paper, self.sheets]), self.links,
                      in_a_row([self.keep, self.back]), self.message)
        self.take(None)

    def take(self, plan, kept=None):
        """The plan as it is now, beside the one that is kept; what was asked or said of another one
        is put away."""
        self.plan, self._doubts, self.message.value, self.links.value = plan, [], "", ""
        self.without = NO_PLAN if kept is None else (
            "The fields above do not make a plan now. The kept plan still applies: "
            f"{kept.sentence}")
        self._show()

    def _show(self):
        self.sheets.disabled = self.keep.disabled = self.plan is None
        show_if(self.plan is None and self.without != NO_PLAN, self.back)
        if self.plan is None:
            self.state.value = note("flag", self.without)
            return
        try:
            seen = self._look(self.plan)
        except ValueError as error:
            self.state.value, self.keep.disabled = note_of(error), True
            show_if(True, self.back)
            return
        self.state.value = note("saved" if seen.same else "flag", seen.words)
        self.keep.disabled = seen.same
        show_if(seen.warning, self.back)

    def _write_sheets(self):
        self._link_sheets()
        kept = self._look(self.plan).same
        self._say("saved" if kept else "flag", "Written." if kept else
                  "Sheets written, but the plan is not kept: if the plan changes, so do the codes.")

    def _link_sheets(self):
        """The sheets as links, each of which opens one in a tab of its own, ready to print."""
        links = "".join(f"<li>{file_link(path, name)}</li>"
                        for name, path in self._write(self.plan, self.paper.value))
        self.links.value = f"<ul>{links}</ul>" if links else ""

    def _keep_now(self):
        words = self._look(self.plan).warning or "This fixes pours, codes and orders."
        if not self._is_sure([f"Keep this plan? {words}"], "Tap once more to keep it."):
            return
        # Sheets first: a disk that is full must not leave a plan that is kept and said not to be.
        self._link_sheets()
        receipt = self._keep(self.plan, self._key)
        self._show()
        self._say("saved", f"Kept at {clock_of(receipt)}: entry {receipt.entry_id} in "
                  f"{self._place}. The sheets are written for {PAPERS[self.paper.value]} paper. "
                  "Next: pour.")
