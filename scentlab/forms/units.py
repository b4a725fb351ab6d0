"""The workshop's choice of units, by two rows of buttons."""

import ipywidgets as w

from scentlab.amounts import keep_units, units_here
from scentlab.forms.frame import Form
from scentlab.units import Shown, show_in


class UnitsForm(Form):
    """Choose between g and oz, °C and °F, for all screens, sheets and reports of a folder.

    ``folder`` is that of a workshop or of a series; ``on_choose`` is called when it is kept.
    """

    def __init__(self, folder, on_choose):
        super().__init__()
        self._folder, self._on_choose = folder, on_choose
        now, _ = units_here(folder)
        self.weight = self._chooser_of(
            "weight", {"g": "g, and % of wax", "oz": "oz, and oz per lb"}, self._keep, now.weight,
            "Weights and loads")
        self.temperature = self._chooser_of(
            "temperature", {"C": "°C", "F": "°F"}, self._keep, now.temperature, "Temperatures")
        self._lay_out(
            w.HTML("<p>Screens, sheets and reports show this first, with the other beside it. You "
                   "can type any unit anywhere; a bare number takes the unit of its label. With "
                   "oz, give a load its unit, oz/lb or %.</p>"),
            self.weight, self.temperature, self.message)

    def _keep(self):
        choice = Shown(self.weight.value, self.temperature.value)
        path = keep_units(choice, self._folder)
        show_in(choice)
        self._say("saved", f"{choice.words}, kept in {path.name}.")
        self._on_choose()
