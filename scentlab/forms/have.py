"""The first form of planning: what there is in, a small, a medium and a large plan out."""

import ipywidgets as w

from scentlab.forms.fields import TABLES, fields_of, fill, in_a_row, placing, read_all, side_by_side
from scentlab.forms.frame import Form, as_widget
from scentlab.planning.kitchen import TABLE_NOTE, read_ends


class HaveForm(Form):
    """Type what there is, see three plans, take one.

    ``propose(asked)`` gives proposals, which are shown, or refuses with a PlanError that names the
    field; ``take(plan)`` puts a plan into the forms below. ``draft`` has texts by field.
    """

    stores = False

    def __init__(self, propose, take, draft=None):
        super().__init__()
        self._propose, self._take, self.proposals = propose, take, ()
        self.fields = fields_of(TABLES["have"]["fields"], "have-", {"ends": read_ends})
        fill(self.fields, draft or {})
        self.show = self._button("Show me what I could plan", "have-show", self._show)
        self.found = w.VBox()
        self.takes = {}
        self._lay_out(side_by_side(self.fields.values()), in_a_row([self.show]), self.message,
                      self.found)

    def _show(self):
        self.message.value, self.proposals, self.takes, self.found.children = "", (), {}, ()
        asked = read_all(self.fields)
        with placing(self.fields):
            self.proposals = self._propose(asked)
        children = []
        for proposal in self.proposals:
            said = " ".join([proposal.sentence, *proposal.notes])
            children.append(as_widget(said, ""))
            if proposal.plan is not None:
                button = self._button(f"Take the {proposal.size} one", f"have-{proposal.size}",
                                      lambda p=proposal: self._taken(p))
                self.takes[proposal.size] = button
                children.append(in_a_row([button]))
        self.found.children = [*children, as_widget(TABLE_NOTE, "")]

    def _taken(self, proposal):
        self._take(proposal.plan)
        self._say("flag", f"You took the {proposal.size} plan. Change what you like below, then "
                          "keep it at the end of this page.")
