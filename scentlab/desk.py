"""The maker's desk of the first notebook: its forms over a series, with the planner behind them.

The forms know neither plan nor store; here they meet. What is typed is kept as a draft in the
series folder and comes back with the next run; the plan itself is kept only when it is said twice.
"""

import html
import re
from dataclasses import dataclass

from scentlab.planning.costs import plan_costs
from scentlab.planning.diary import diary
from scentlab.planning.loads import even_loads
from scentlab.planning.plan import (
    CureDays,
    HeatCycle,
    PieceNumbers,
    Plan,
    PlanError,
    Pouring,
    Sittings,
    make_plan,
)
from scentlab.planning.refusal import count_of
from scentlab.planning.sheets import (
    code_key_html,
    grade_sheets_html,
    labels_html,
    pour_sheets_html,
    shopping_list_html,
    throw_slips_html,
)
from scentlab.planning.shopping import shopping_list
from scentlab.recording.draft import keep_draft, read_draft
from scentlab.recording.form_parts import NotYet
from scentlab.recording.keep_form import KeepForm, Shown
from scentlab.recording.materials_form import MaterialsForm, materials_draft
from scentlab.recording.planning_form import PlanningForm, series_draft

SHEETS = {
    "pour-sheets": ("Pour sheets, a page for each pot", pour_sheets_html),
    "shopping-list": ("Shopping list", shopping_list_html),
    "labels": ("Labels with blind codes, to cut", labels_html),
    "grade-sheets": ("Grade sheets", grade_sheets_html),
    "throw-slips": ("Throw slips", throw_slips_html),
    "sealed-key": ("Sealed key: only for whoever sticks the labels", code_key_html),
}
_PIECES = ("sweat", "sweat_heat", "frost", "throw", "reserve", "bleed")
# What the planner calls by its name in Python, and what stands on the form for it.
_ON_THE_FORM = {
    r"works_with_fragrance names": "“Who works with the fragrance” names",
    r"name assessors, such as A1, or set throw=0": "give assessors, or 0 throw pieces",
    r", such as sweat=4": ", such as 4 for sweat at rest",
    r"take fewer cycles or a later look \(sweat_heat of the cure days\)":
        "keep warm fewer times (“Heat cycle”) or look later (“Days to cure, sweat after heat”)",
    r"raise each or pieces_per_sitting, or name more assessors":
        "raise “Sittings of each assessor” or “Most pieces in a sitting”, or take more assessors",
    r"^pieces_per_sitting is": "“Most pieces in a sitting” is",
    r"give confirm_add_temp_c, or max_temp_c of every wax":
        "give “Confirming pour: add at”, or the highest temperature of every wax",
    r"raise confirm_add_temp_c": "raise “Confirming pour: add at”",
    r"raise confirm_stir_min": "raise “Confirming pour: stir for”",
}


@dataclass(frozen=True)
class Standing:
    """How a plan stands to the one that is kept; ``warning`` says what keeping would change."""

    words: str
    same: bool = False
    warning: str = ""


class PlanDesk:
    """The forms to plan a series with, filled with its draft or else with the plan that is kept.

    Parameters
    ----------
    bench : what :func:`scentlab.series_here` gives: a folder with its store.

    ``materials``, ``planning`` and ``keeping`` are the forms, ``asks`` shows what the plan asks of
    the maker, ``plan`` is the plan as it now stands (None while something is missing), and
    ``sentence`` says whether it is kept.
    """

    def __init__(self, bench):
        self._bench, self._store = bench, bench.store
        self._about, self._ready = bench.store.about(), False
        draft = self._first_draft()
        self.materials = MaterialsForm(draft.get("materials"), self._materials_changed)
        self.planning = PlanningForm(
            self._make, plan_costs, _foresee, draft.get("series"), spread=even_loads,
            draw=_picture, on_change=self._changed,
        )
        self.keeping = KeepForm(
            self._look, self._write, self._keep, self._store.place, self._go_back
        )
        self.asks = Shown()
        self._ready = True
        self._show()

    @property
    def plan(self):
        """The plan as the forms now make it, None while they make none."""
        return self.planning.plan

    @property
    def kept(self):
        """The plan that is kept, None when none is."""
        kept = self._store.plan()
        return None if kept is None else Plan.from_dict(kept)

    @property
    def sentence(self):
        if self.plan is None:
            what = ("The plan is NOT kept yet" if self.kept is None else
                    "What stands in the forms is NOT the plan that is kept")
            return f"{what}: something is still to be filled in. Scroll up to the first form."
        try:
            return self._look(self.plan).words
        except ValueError as error:
            return str(error)

    def _first_draft(self):
        """The draft in the folder; what it does not know yet is that of the kept plan."""
        draft, kept = read_draft(self._bench.folder), self._kept_draft()
        return draft | {"series": kept["series"] | draft.get("series", {})} if draft else kept

    def _kept_draft(self):
        kept = self.kept
        if kept is None:
            return {"series": {"title": self._about["title"]}}
        return {"materials": materials_draft(kept.fragrance, kept.blends),
                "series": series_draft(kept)}

    def _materials_changed(self):
        if self._ready:
            self.planning.renew()

    def _changed(self):
        if self._ready:
            self._show()
            keep_draft(self._bench.folder, {
                "materials": self.materials.draft, "series": self.planning.draft,
            })

    def _show(self):
        self.keeping.take(self.plan)
        self.asks.value = "" if self.plan is None else _tables(self.plan)

    def _go_back(self):
        draft, self._ready = self._kept_draft(), False
        self.materials.fill(draft["materials"])
        self._ready = True
        self.planning.fill(draft["series"])

    def _make(self, asked):
        """A plan of what is typed; a refusal is told in the words of the forms."""
        materials = self.materials
        if not materials.blends or materials.fragrance is None:
            raise NotYet(f"What goes into the pots, above: {materials.problem}.")
        try:
            return self._planned(asked, materials.fragrance, materials.blends)
        except PlanError as error:
            raise ValueError(in_words_of_the_form(str(error))) from error

    def _planned(self, asked, fragrance, blends):
        base = self._base(asked)
        start = asked["start"]
        seed = int(f"{start:%Y%m%d}") if asked["seed"] is None else asked["seed"]
        return make_plan(
            asked["title"], fragrance, blends, asked["loads"], piece_g=asked["piece_g"],
            assessors=asked["assessors"], start=start, seed=seed, pots_per_blend=asked["pots"],
            pieces=PieceNumbers(**{name: asked[name] for name in _PIECES}),
            works_with_fragrance=asked["works_with"], currency=asked["currency"],
            invented=self._about["invented"], **base,
        )

    def _base(self, asked):
        """The rules as asked."""
        return {
            "cure_days": CureDays(**{name: asked[f"cure_{name}"] for name in _PIECES}),
            "pouring": Pouring(
                spare_pct=asked["spare"], pots_per_day=asked["pots_a_day"],
                days_between=asked["days_between"], add_temp_c=asked["add_temp"],
                pour_temp_c=asked["pour_temp"], stir_min=asked["stir"], confirm=asked["confirm"],
                confirm_add_temp_c=asked["confirm_add_temp"],
                confirm_stir_min=asked["confirm_stir"], dye_pct=asked["dye"],
            ),
            "heat_cycle": HeatCycle(asked["heat_temp"], asked["heat_hours"],
                                    asked["heat_cycles"]),
            "sittings": Sittings(asked["kinds"], asked["per_sitting"], asked["per_day"],
                                 asked["share"], asked["each"], asked["control"]),
        }

    def _look(self, plan):
        """How the plan stands to the kept one; a ValueError when it would unsay a logged pour."""
        kept = self.kept
        if kept is None:
            return Standing("The plan is NOT kept yet.")
        if _same(plan, kept):
            return Standing(f"This is the plan that is kept: {kept.sentence}", same=True)
        logged = list(self._store.rows("pours")["pour"])
        _need_logged_pours(plan, kept, logged)
        return Standing(
            "This is NOT the plan that is kept, which stands until you keep this one: "
            f"{kept.sentence}", warning=_warning(plan, kept, logged),
        )

    def _write(self, plan, paper):
        """Write the sheets into exports/; returns their names and links."""
        links = []
        for name, (words, write) in SHEETS.items():
            path = self._bench.exports / f"{name}.html"
            path.write_text(write(plan, paper=paper), encoding="utf-8")
            # A link leads from the notebook; the demo's copy lies where no page can look.
            links.append((words, f"{path.parent.name}/{path.name}"))
        return [] if self._bench.demo else links

    def _keep(self, plan, key):
        self._look(plan)
        return self._store.save_plan(plan.to_dict(), key=key)


def in_words_of_the_form(text):
    """A refusal of the planner with the words of the form for its names in Python."""
    for name, words in _ON_THE_FORM.items():
        text = re.sub(name, words, text)
    return text


def _foresee(plan, guess, series, progress, stop):
    from scentlab.foresight.guess import guess_truth
    from scentlab.foresight.precision import precision

    truth = guess_truth(guess)
    return precision(plan, truth, series=series, seed=1, progress=progress, stop=stop)


def _picture(found):
    from scentlab.sharing.pictures import plot
    from scentlab.sharing.pictures.drawing import picture

    return picture(plot(found), "png")


def _same(plan, kept):
    """Whether two plans are one; the order in which a blend names its waxes does not matter."""
    def plain(one):
        data = one.to_dict()
        for blend in data["blends"]:
            blend["parts"].sort(key=lambda part: part["wax"]["name"])
        return data

    return plain(plan) == plain(kept)


def _need_logged_pours(plan, kept, logged):
    """A pour that is logged must stay what it was when it was weighed."""
    now = {p.pour: p for p in plan.pour_rows}
    for was in (p for p in kept.pour_rows if p.pour in logged):
        new = now.get(was.pour)
        if new is None or (new.blend, new.load_pct) != (was.blend, was.load_pct):
            becomes = ("this plan has no such pour" if new is None else
                       f"this plan makes it {new.blend} at {new.load_pct:g} % of wax")
            raise ValueError(
                f"This plan cannot be kept here: pour {was.pour} is logged as {was.blend} at "
                f"{was.load_pct:g} % of wax, and {becomes}. Go back to the plan that is kept, or "
                "plan this as a series of its own (scentlab new)."
            )


def _warning(plan, kept, logged):
    codes = {p.code: (p.pour, p.test, p.stress) for p in kept.piece_rows}
    moved = sum(codes.get(p.code) != (p.pour, p.test, p.stress) for p in plan.piece_rows)
    words = "Another plan is kept already, and this one takes its place."
    if logged:
        words += f" {count_of(len(logged), 'pour')} logged already: they stay as they are."
    if moved or len(plan.piece_rows) != len(codes):
        words += (" Blind codes change: pour sheets, labels and key that were printed before are "
                  "wrong from now on. Throw them away and print them again.")
    return words


def _tables(plan):
    """What to buy, the pots, and what falls on which day."""
    buy = shopping_list(plan).drop(columns="kind")
    money = plan.currency or "price"
    buy.columns = ["item", "lot", "needed, g", "buy, g", f"{money} per kg", f"cost, {money}"]
    pots = plan.pots.drop(columns="pour_day")
    pots.columns = ["pot", "blend", "poured on", "pours", "wax, g", "fragrance, g",
                    "wax to melt, g"]
    parts = {"To buy, with the spare": buy, "Pots, in the order of pouring": pots,
             "Day by day": diary(plan)}
    def as_money(value):
        return "not known" if value != value else f"{value:.2f}"

    as_weight = "{:.1f}".format
    written = dict.fromkeys(buy.columns[-2:], as_money)
    written |= dict.fromkeys(("needed, g", "wax, g", "fragrance, g"), as_weight)
    return "".join(
        f"<h4>{html.escape(title)}</h4>"
        + frame.to_html(index=False, border=0, na_rep="not known",
                        formatters={n: f for n, f in written.items() if n in frame})
        for title, frame in parts.items()
    )
