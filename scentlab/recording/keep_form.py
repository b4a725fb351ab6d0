"""The form that writes a plan's sheets and keeps the plan: nothing is kept by a single tap."""

import html

import ipywidgets as w

from scentlab.recording.form_parts import (
    STYLE,
    Form,
    clock_of,
    in_a_row,
    make_button,
    note,
    note_of,
    stacked,
)

PAPERS = {"A4": "A4", "letter": "Letter"}
# A link opens within JupyterLab, which prints its own page and not the sheet.
_TO_PRINT = (
    "<p>To print: in the list of files at the left open the folder exports, right click the sheet, "
    "choose “Open in New Browser Tab” (or “Download”, and open the file), and print it there.</p>"
)


class KeepForm(Form):
    """Write the sheets to look at; keep the plan, by a tap and a second one to confirm.

    Parameters
    ----------
    look : callable(plan) -> object with ``words`` (how the plan stands to what is kept),
        ``same`` (whether it is the plan that is kept) and ``warning`` (what keeping would change,
        or ""). It may refuse with a ValueError, whose words are shown.
    write : callable(plan, paper) -> list of (name, link) of the sheets that were written.
    keep : callable(plan, key) -> receipt; it is asked once for a key.
    place : where it is kept, for the words.
    on_back : callable() that brings the forms back to the plan that is kept, or None.

    ``plan`` is set by :meth:`take`, None while there is none.
    """

    def __init__(self, look, write, keep, place, on_back=None):
        super().__init__(None, None)
        self._look, self._write, self._keep, self._place = look, write, keep, place
        self.plan, self._paper = None, "A4"
        self.papers = {p: make_button(f"Paper {w}", f"paper-{p}") for p, w in PAPERS.items()}
        for paper, button in self.papers.items():
            button.on_click(lambda _, p=paper: self._guarded(lambda: self._choose(p)))
        self.sheets = self._button("Write the sheets to print", "sheets", self._write_sheets)
        self.keep = self._button("Keep this plan", "keep", self._ask)
        self.confirm = self._button("Yes, keep it", "confirm", self._keep_now)
        self.leave = self._button("Not yet", "leave", self._unask)
        self.back = self._button("Go back to the plan that is kept", "restore", on_back)
        self.state, self.question, self.links = w.HTML(), w.HTML(), w.Output()
        self._asking = stacked([self.question, in_a_row([self.confirm, self.leave])])
        self._lay_out(
            self.state, in_a_row([*self.papers.values(), self.sheets]), self.links,
            in_a_row([self.keep, self.back]), self._asking, self.message,
        )
        self.browser.pressed = [f"paper-{self._paper}"]
        self.take(None)

    def _button(self, words, name, action):
        button = make_button(words, name, saves=name in ("sheets", "confirm", "restore"))
        button.on_click(lambda _: self._guarded(action))
        return button

    @property
    def paper(self):
        """The paper that is chosen, "A4" or "letter"."""
        return self._paper

    def take(self, plan):
        """The plan as it now stands; what was asked or said of another one is put away."""
        self.plan, self.message.value = plan, ""
        self.links.outputs = ()
        self._show()

    def _show(self):
        self._asking.layout.display = "none"
        self.back.layout.display = "none"
        for button in (self.sheets, self.keep):
            button.disabled = self.plan is None
        if self.plan is None:
            self.state.value = note("flag", "There is no plan yet: fill in the forms above.")
            return
        try:
            seen = self._look(self.plan)
        except ValueError as error:
            self.state.value, self.keep.disabled = note_of(error), True
            self.back.layout.display = ""
            return
        self.state.value = note("saved" if seen.same else "flag", seen.words)
        self.keep.disabled = seen.same
        self.back.layout.display = "" if seen.warning else "none"

    def _choose(self, paper):
        self._paper = paper
        self.browser.pressed = [f"paper-{paper}"]

    def _write_sheets(self):
        self._link_sheets()
        kept = self._look(self.plan).same
        self._say("saved" if kept else "flag", "Written." if kept else
                  "Written. Nothing is kept by that: when the plan changes, so do the codes.")

    def _link_sheets(self):
        """The sheets as links; an output, for only there the page knows where files lie."""
        links = "".join(
            f'<li><a href="{html.escape(link, quote=True)}" target="_blank">{html.escape(name)}'
            "</a></li>" for name, link in self._write(self.plan, self._paper)
        )
        shown = {"text/html": f"<ul>{links}</ul>", "text/plain": "sheets written"}
        shown["text/html"] += _TO_PRINT if links else ""
        self.links.outputs = (
            {"output_type": "display_data", "data": shown, "metadata": {}},
        )

    def _ask(self):
        seen = self._look(self.plan)
        words = seen.warning or "Pours, codes and orders are then fixed, and notebook 2 waits."
        self.question.value = note("flag", f"Keep this plan? {words}")
        self._asking.layout.display = ""
        self.message.value = ""

    def _unask(self):
        self._asking.layout.display = "none"
        self._say("flag", "Nothing was kept.")

    def _keep_now(self):
        # Sheets first: a disk that is full must not leave a plan that is kept and told as not.
        self._link_sheets()
        receipt = self._keep(self.plan, self._key)
        self._renew_key()
        self._show()
        self._say("saved", f"Kept at {clock_of(receipt)}: entry {receipt.entry_id} in "
                  f"{self._place}. The sheets are written for {PAPERS[self._paper]} paper. "
                  "Next: 2-pour-day.ipynb.")


class Shown(w.VBox):
    """A place in the notebook for tables that follow the forms; wide ones can be scrolled."""

    EMPTY = "<p>There is no plan yet: fill in the forms above.</p>"

    def __init__(self):
        self._html = w.HTML(self.EMPTY)
        self._html.add_class("scent-tables")
        super().__init__([w.HTML(STYLE), self._html])

    @property
    def value(self):
        """The tables as HTML."""
        return self._html.value

    @value.setter
    def value(self, text):
        self._html.value = text or self.EMPTY
