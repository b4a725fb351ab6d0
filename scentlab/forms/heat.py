"""What a max-min thermometer showed beside the pieces while they were warm."""

import datetime as dt

import ipywidgets as w

from scentlab.forms.fields import (
    NEEDED,
    Field,
    fill,
    in_a_row,
    past_day,
    read_all,
    side_by_side,
    texts_of,
)
from scentlab.forms.frame import Form
from scentlab.recording.pouring import cycle_doubts
from scentlab.recording.records import heat_problem
from scentlab.schema import HEATS
from scentlab.series import heat_words

_ASKED = {"low_c": "as 37 C or 99 F", "high_c": "as 40 C or 104 F", "hours": "", "cycles": ""}


class HeatForm(Form):
    """The heat cycle as it was reached: a row of ``heats`` per save.

    ``planned`` is the plan's heat cycle as a dict: ``hours`` and ``cycles`` are what empty fields
    take, and what is far from ``temp_c`` is asked about;
    ``day`` the day on which it was to begin, None for today; ``title`` stands above it.
    """

    def __init__(self, planned, on_save, on_undo, day=None, title=""):
        super().__init__(on_save, on_undo)
        self._day, self._planned_c = day, planned.get("temp_c")
        self.fields = {
            name: Field(name, HEATS[name], empty=planned.get(name, NEEDED), short=True,
                        example=f"empty: {planned[name]:g}" if name in planned else example)
            for name, example in _ASKED.items()
        } | {
            "started_on": Field(
                "started_on", HEATS["started_on"], short=True, empty=None,
                read=lambda text: past_day(text, HEATS["started_on"]),
                example=f"empty: {day or 'today'}"),
            "pack": Field("pack", HEATS["pack"], short=True,
                          options={"": "not noted", "open": "open", "shut": "shut"})}
        self.save = self._button("Save the heat cycle", "save-heat", self._save, saves=True)
        self._lay_out(w.HTML(f"<h3>{title}</h3>" if title else ""),
                      side_by_side(self.fields.values()), in_a_row([self.save, self.undo]),
                      self.message)

    def _save(self):
        row = read_all(self.fields)
        if wrong := heat_problem(row):
            raise ValueError(wrong)
        if not self._is_sure(list(cycle_doubts(self._planned_c, row))):
            return
        row["started_on"] = row["started_on"] or self._day or dt.date.today()
        self._store(row, heat_words(row), texts_of(self.fields))
        # Needed, so that a second tap stores nothing.
        fill(self.fields, {"low_c": "", "high_c": ""})

    def _return_to(self, typed):
        fill(self.fields, typed)
