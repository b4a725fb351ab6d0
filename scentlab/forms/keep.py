"""The form that writes a plan's sheets and keeps the plan: nothing is kept by a single tap."""

import html

import ipywidgets as w

from scentlab.forms.fields import Chooser, in_a_row, note, show_if, stacked
from scentlab.forms.frame import Form, clock_of, note_of

PAPERS = {"A4": "A4", "letter": "Letter"}
NO_PLAN = "There is no plan yet: fill in the forms above."
# A link opens within JupyterLab, which prints its own page and not the sheet.
TO_PRINT = (
    "<p>To print: in the list of files at the left open the folder exports, right click the sheet, "
    "choose “Open in New Browser Tab” (or “Download”, and open the file), and print it there.</p>"
)


class KeepForm(Form):
    """Write the sheets to look at; keep the plan, by a tap and a second one to confirm.

    ``look(plan)`` says how the plan compares to what is kept (``words``, ``same``, and ``warning``
    of what keeping would change) or refuses with a ValueError. ``write(plan, paper)`` returns names
    and links of the sheets, ``keep(plan, key)`` a receipt; ``place`` is where it is kept, and
    ``on_back()`` brings the forms back to the plan that is kept.
    """

    def __init__(self, look, write, keep, place, on_back=None):
        super().__init__()
        self._look, self._write, self._keep, self._place = look, write, keep, place
        self._paper = Chooser("paper", {p: f"Paper {words}" for p, words in PAPERS.items()},
                              lambda _: self._refresh(), "A4")
        self.papers = self._paper.buttons
        self.sheets = self._button("Write the sheets to print", "sheets", self._write_sheets, True)
        self.keep = self._button("Keep this plan", "keep", self._ask)
        self.confirm = self._button("Yes, keep it", "confirm", self._keep_now, saves=True)
        self.leave = self._button("Not yet", "leave", self._unask)
        self.back = self._button("Go back to the plan that is kept", "restore", on_back, saves=True)
        self.state, self.question, self.links = w.HTML(), w.HTML(), w.Output()
        self._asking = stacked([self.question, in_a_row([self.confirm, self.leave])])
        self._lay_out(
            self.state, in_a_row([self._paper, self.sheets]), self.links,
            in_a_row([self.keep, self.back]), self._asking, self.message,
        )
        self.take(None)

    def take(self, plan):
        """The plan as it is now; what was asked or said of another one is put away."""
        self.plan, self.message.value = plan, ""
        self.links.outputs = ()
        self._show()

    def _show(self):
        show_if(False, self._asking, self.back)
        self.sheets.disabled = self.keep.disabled = self.plan is None
        if self.plan is None:
            self.state.value = note("flag", NO_PLAN)
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
                  "Written. Nothing is kept by that: when the plan changes, so do the codes.")

    def _link_sheets(self):
        """The sheets as links; an output, for only there the page knows where files lie."""
        links = "".join(
            f'<li><a href="{html.escape(link, quote=True)}" target="_blank">{html.escape(name)}'
            "</a></li>" for name, link in self._write(self.plan, self._paper.value)
        )
        page = f"<ul>{links}</ul>{TO_PRINT if links else ''}"
        self.links.outputs = ({"output_type": "display_data", "metadata": {},
                               "data": {"text/html": page, "text/plain": "sheets written"}},)

    def _ask(self):
        seen = self._look(self.plan)
        words = seen.warning or "Pours, codes and orders are then fixed, and notebook 2 waits."
        self.question.value = note("flag", f"Keep this plan? {words}")
        show_if(True, self._asking)
        self.message.value = ""

    def _unask(self):
        show_if(False, self._asking)
        self._say("flag", "Nothing was kept.")

    def _keep_now(self):
        # Sheets first: a disk that is full must not leave a plan that is kept and said not to be.
        self._link_sheets()
        receipt = self._keep(self.plan, self._key)
        self._renew_key()
        self._show()
        self._say("saved", f"Kept at {clock_of(receipt)}: entry {receipt.entry_id} in "
                  f"{self._place}. The sheets are written for {PAPERS[self._paper.value]} paper. "
                  "Next: 2-pour-day.ipynb.")
