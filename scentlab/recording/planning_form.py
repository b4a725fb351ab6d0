"""The planning form: loads, pots and panel in, what it takes and how precise it would be out.

Like the other forms it knows nothing of how a plan is made or judged: it takes callables. The
quick run of simulated series goes in a thread, so that its bar moves and its cancel button works
while the notebook's kernel computes.
"""

import html
import re
import threading

import ipywidgets as w

from scentlab.recording.form_parts import (
    Form,
    in_a_row,
    make_button,
    note,
    stacked,
    text_field,
)


class RunBar(w.VBox):
    """A bar with a cancel button for a long run: give ``bar.tell`` as progress and
    ``bar.stopped`` as stop."""

    def __init__(self, words="series"):
        super().__init__()
        self._words, self._cancelled = words, threading.Event()
        self.bar = w.IntProgress(layout=w.Layout(width="100%"))
        self.said = w.HTML()
        self.cancel = make_button("Cancel the run", "cancel")
        self.cancel.on_click(lambda _: self.stop())
        self.children = [self.bar, self.said, self.cancel]
        self.finish()

    def start(self):
        """Make ready for a run."""
        self._cancelled.clear()
        self.bar.value, self.said.value, self.cancel.disabled = 0, "", False
        self._show_run(True)

    def tell(self, done, total):
        """Show that so many of so many are done."""
        self.bar.max, self.bar.value = max(total, 1), done
        self.said.value = f"<p>{done} of {total} {html.escape(self._words)}</p>"

    def stop(self):
        """Ask the run to end; it does between two chunks of its work."""
        self._cancelled.set()

    def stopped(self):
        """Whether somebody has asked to cancel."""
        return self._cancelled.is_set()

    def finish(self):
        """Put the bar and the cancel button away; what was done stays told."""
        self.cancel.disabled = True
        self._show_run(False)

    def _show_run(self, running):
        for part in (self.bar, self.cancel):
            part.layout.display = "" if running else "none"


class PlanningForm(Form):
    """Change loads, pots and panel; see what the plan takes and, on a button, its precision.

    Parameters
    ----------
    plan : the plan to start from; it needs ``loads_pct``, ``pots_per_blend`` and ``assessors``.
    make : callable(loads_pct, pots_per_blend, assessors) -> plan. It may refuse with a
        ValueError, whose words are shown.
    costs : callable(plan) -> dict with wax_g, fragrance_g, days, money, panel_hours, pours, pots
        and pieces.
    foresee : callable(plan, progress, stop) -> result with ``sentence``, ``table`` and ``notes``.
    currency : str, of the money.

    ``plan`` is the plan as it now stands, None while the fields make none; ``found`` is the
    result of the last run for it, or None.
    """

    def __init__(self, plan, make, costs, foresee, currency=""):
        super().__init__(None, None)
        self._make, self._costs, self._foresee = make, costs, foresee
        self._currency, self._thread = currency, None
        self.plan, self.found = plan, None
        self.fields = {
            "loads": text_field(
                "loads", "Loads, g of fragrance per 100 g of wax", "such as 4, 6, 8"
            ),
            "pots": text_field("pots", "Pots of each blend"),
            "assessors": text_field("assessors", "Number of assessors"),
        }
        self.fields["loads"].value = ", ".join(f"{x:g}" for x in plan.loads_pct)
        self.fields["pots"].value = str(plan.pots_per_blend)
        self.fields["assessors"].value = str(len(plan.assessors))
        for field in self.fields.values():
            field.observe(lambda _: self._guarded(self._changed), "value")
        self.takes, self.expected = w.HTML(), w.HTML()
        self.run = make_button("How precise would it be? (a quick run)", "run")
        self.run.on_click(lambda _: self._guarded(self._start))
        self.progress = RunBar("simulated series")
        self._lay_out(
            stacked(self.fields.values()), self.message, self.takes, in_a_row([self.run]),
            self.progress, self.expected,
        )
        self._guarded(self._show_costs)

    def wait(self, timeout=None):
        """Wait until a run that was started has ended."""
        if self._thread is not None:
            self._thread.join(timeout)

    def _guarded(self, action):
        """Run a callback; show what went wrong, for nobody else would."""
        try:
            self.message.value = ""
            action()
        except Exception as error:
            self.message.value = note("error", f"{error}")

    def _changed(self):
        # A run of the plan before would answer another question.
        self.progress.stop()
        self.plan = self.found = None
        self.takes.value, self.expected.value, self.run.disabled = "", "", True
        self.plan = self._make(
            _loads(self.fields["loads"].value),
            _whole(self.fields["pots"].value, "pots of a blend"),
            _whole(self.fields["assessors"].value, "assessors"),
        )
        self._show_costs()
        self.run.disabled = self._running()

    def _running(self):
        return self._thread is not None and self._thread.is_alive()

    def _show_costs(self):
        c = self._costs(self.plan)
        known = c["money"] == c["money"]
        money = f"{c['money']:.2f} {self._currency}" if known else "not known, a price is missing"
        rows = [
            ("loads, % of wax", ", ".join(f"{x:g}" for x in self.plan.loads_pct)),
            ("to pour", f"{c['pours']} pours from {c['pots']} pots, {c['pieces']} pieces"),
            ("wax to buy", f"{c['wax_g']:.0f} g"),
            ("fragrance to buy", f"{c['fragrance_g']:.0f} g"),
            ("wax and fragrance", money),
            ("days", f"{c['days']}, first pour to last look"),
            ("panel", f"{c['panel_hours']:.1f} hours of all assessors together"),
        ]
        lines = "".join(
            f"<tr><th style='text-align:left; padding-right:12px'>{html.escape(a)}</th>"
            f"<td>{html.escape(b.strip())}</td></tr>" for a, b in rows
        )
        self.takes.value = f"<table>{lines}</table>"

    def _start(self):
        if self.plan is None:
            raise ValueError("There is no plan to judge: mend the fields above.")
        self.run.disabled = True
        self.progress.start()
        self.expected.value = ""
        self._thread = threading.Thread(target=self._foresee_now, args=(self.plan,), daemon=True)
        self._thread.start()

    def _foresee_now(self, plan):
        def foresee():
            found = self._foresee(plan, self.progress.tell, self.progress.stopped)
            if plan is self.plan:
                self.found = found
                notes = "".join(f"<li>{html.escape(n)}</li>" for n in found.notes)
                self.expected.value = note("saved", found.sentence) + f"<ul>{notes}</ul>"

        self._guarded(foresee)
        self.progress.finish()
        self.run.disabled = self.plan is None


def _loads(text):
    """Loads typed with commas, semicolons or blanks between them.

    A comma with digits on both sides parts two loads, unless semicolons or blanks part them too:
    then it may as well be a decimal sign, and the form asks.
    """
    if re.search(r"\d,\d", text) and re.search(r";|\d\s+\d|,\s", text):
        raise ValueError(
            f"loads: found {text!r}, where a comma may part two loads or be a decimal sign. Write "
            "the decimal sign as a point, such as 4, 6, 8.5"
        )
    try:
        return tuple(float(word) for word in re.split(r"[,;\s]+", text.strip(" ,;\t")))
    except ValueError:
        raise ValueError(
            f"loads: found {text!r}, expected numbers with commas between, such as 4, 6, 8.5"
        ) from None


def _whole(text, what):
    if not text.strip().isdigit():
        raise ValueError(f"{what}: found {text!r}, expected a whole number")
    return int(text)
