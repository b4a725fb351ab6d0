"""The maker's desk: the forms over a series, with planner and store behind them.

The forms know neither plan nor store; here they meet. What is typed is kept as a draft in the
series folder and comes back with the next run; the plan itself is kept only when it is said twice.
"""

import contextlib
import dataclasses
from collections import namedtuple
from functools import partial

import ipywidgets as w

from scentlab.amounts import keep_units, units_here, units_typed
from scentlab.forms.bring_in import ImportForm
from scentlab.forms.choose import ChooseForm
from scentlab.forms.correct import CorrectForm
from scentlab.forms.fields import NotYet, Wrong
from scentlab.forms.frame import STYLE
from scentlab.forms.have import HaveForm
from scentlab.forms.keep import KeepForm
from scentlab.forms.leave import LeaveForm
from scentlab.forms.materials import MaterialsForm, materials_draft
from scentlab.forms.paper import PaperForm
from scentlab.forms.planning import PlanningForm, series_draft
from scentlab.forms.pours import PourForm
from scentlab.forms.scores import GradeForm, ThrowForm, WarmingForm
from scentlab.forms.shelf import known_shelf
from scentlab.planning import plan as planner
from scentlab.planning.diary import diary
from scentlab.planning.kitchen import Kitchen, propose_plans
from scentlab.planning.plan import Plan
from scentlab.planning.refusal import PlanError, count_of
from scentlab.planning.sheets import write_sheets
from scentlab.planning.shopping import pots_table, said_weights, shopping_list
from scentlab.recording.address import panel_address
from scentlab.recording.correcting import mend, stored_about
from scentlab.recording.draft import DraftError, drafted, keep_draft, read_draft
from scentlab.recording.importing import dry_run
from scentlab.recording.photos import add_photo, photos_of
from scentlab.recording.progress import (
    known_assessors,
    pairs_to_compare,
    places_left,
    score_words,
    waiting,
    warmer_pieces,
)
from scentlab.recording.reading import plan_now
from scentlab.recording.shelf import Shelf, shelve
from scentlab.recording.unpoured import leave_out, left_words, make_void, take_up, unpoured
from scentlab.units import price_in_unit, say_load_oz, show_in, shown

_RULES = {"pieces": planner.PieceNumbers, "cure_days": planner.CureDays,
          "pouring": planner.Pouring, "heat_cycle": planner.HeatCycle,
          "sittings": planner.Sittings, "calendar": planner.Calendar}


# How photos of a piece are found, added and undone.
Photos = namedtuple("Photos", ("of", "add", "undo"))
# How a plan compares to the one that is kept; ``warning`` says what keeping would change.
Compared = namedtuple("Compared", ("words", "same", "warning"), defaults=(False, ""))


class PlanDesk:
    """The forms to plan a series with, filled with its draft or else with the plan that is kept.

    ``bench`` is what :func:`scentlab.series_here` gives. ``have``, ``materials``, ``planning`` and
    ``keeping`` are the forms, ``asks`` shows what the plan asks of the maker; ``fresh`` is a desk
    without a draft and a kept plan.
    """

    def __init__(self, bench):
        self._bench, self._store = bench, bench.store
        self._about, self._ready, self._read_at = bench.store.about(), False, None
        self._now = None  # what the forms ask for
        self._as_kept = None if self.kept else ()  # and what they asked for of the kept plan
        self._shelf, problem = (Shelf.empty(), "") if bench.demo else known_shelf(bench.folder)
        typed, kept = read_draft(bench.folder), self._kept_draft()
        self.fresh = not typed and self.kept is None
        # What a draft does not know yet is that of the kept plan.
        draft = typed | {"series": kept["series"] | typed.get("series", {})} if typed else kept
        self.have = HaveForm(self._propose, self._take, _have_draft(draft))
        self.materials = MaterialsForm(
            kept.get("materials"), lambda: self._ready and self.planning.renew(), self._shelf)
        if problem:
            self.materials._say("error", problem)
        self.planning = PlanningForm(self._make, _foresee, kept["series"], on_change=self._changed)
        self._as_kept = self._as_kept or ()  # a draft is not what is kept
        self.keeping = KeepForm(self._look, self._write, self._keep, self._store.place, self._back)
        self.asks = w.HTML(tabbable=True, _dom_classes=["scent-tables"])
        if typed:
            self.materials.fill(draft.get("materials", {}))
            self.planning.fill(draft["series"])
        self._ready = True
        self._show()

    @property
    def plan(self):
        """The plan as the forms now make it, None while they make none."""
        return self.planning.plan

    @property
    def kept(self):
        """The plan that is kept, with the limits that hold now; None when none is. Read anew only
        where it or the record changed, for it is asked for at each key."""
        at = self._store.plan(), self._store.entries_of_others()
        if self._read_at != at:
            self._read_at, plan = at, plan_now(self._store)
            self._kept = plan and Plan.from_dict(plan)
        return self._kept

    def _kept_draft(self):
        kept = self.kept
        if kept is None:
            testers = self._shelf.names("tester")
            return {"series": {"title": self._about["title"]}
                    | ({"assessors": ", ".join(testers)} if testers else {})}
        return {"materials": materials_draft(kept.fragrance, kept.blends),
                "series": series_draft(kept)}

    def _propose(self, asked):
        """Plans of what there is; wax and fragrance as the materials or the shelf know them."""
        blend = next((b for b in self.materials.blends or () if b.name == asked["wax"]),
                     None) or self._shelf.blend(self._shelf.one_wax(asked["wax"]))
        fragrance = self.materials.fragrance
        if fragrance is None or fragrance.name != asked["oil"]:
            fragrance = self._shelf.fragrance(asked["oil"])
        self._units_typed([self.have.fields[n].text for n in ("loads", "wax_g")])
        kitchen = Kitchen(**{f.name: asked[f.name] for f in dataclasses.fields(Kitchen)})
        return propose_plans(kitchen, blend, fragrance, asked["loads"], start=asked["start"],
                             seed=int(f"{asked['start']:%Y%m%d}"), piece_g=asked["piece_g"],
                             currency=self.planning.fields["currency"].text)

    def _take(self, plan):
        title = self.planning.fields["title"].text or plan.title
        self._fill(materials_draft(plan.fragrance, plan.blends),
                   series_draft(plan) | {"title": title})

    def _back(self):
        self._as_kept = None
        self._fill(**self._kept_draft())

    def _fill(self, materials, series):
        """Put drafts into both forms; the plan is made once."""
        self._ready = False
        self.materials.fill(materials)
        self._ready = True
        self.planning.fill(series)

    def _changed(self):
        if self._ready:
            draft = {"materials": self.materials.draft, "series": self.planning.draft}
            self._units_typed(_texts(draft))
            self._show()
            # What is as kept is no draft: pots may be added to the plan, and then it would be old.
            as_kept = self.plan is not None and self.plan == self.kept
            keep_draft(self._bench.folder, {} if as_kept else draft)

    def _units_typed(self, texts):
        """Where no units are chosen and no plan is kept, those that are typed first hold."""
        folder, typed = self._bench.folder, units_typed(texts)
        if self.kept is None and typed != units_here(folder)[0] and keep_units(
                typed, folder, chosen=False, over="typed"):
            show_in(typed)
            self.planning.fields["scale"].value = typed.weight

    def _show(self):
        self.keeping.take(self.plan, self.kept)
        self.asks.value = STYLE + (_tables(self.plan) if self.plan else
                                   f"<p>{self.keeping.without}</p>")

    def _make(self, asked):
        """A plan of what is typed; the one that is kept where nothing else is asked for, for pots
        may have been added to it that these forms do not plan, and a form rounds."""
        materials = self.materials
        if not materials.blends or materials.fragrance is None:
            raise NotYet(f"What goes into the pots, above: "
                         f"{str(materials.problem).rstrip('.')}.")
        self._now = asked, materials.draft
        if self._as_kept is None:  # the forms begin with the kept plan
            self._as_kept = self._now
        if self._now == self._as_kept and self.kept is not None:
            return self.kept
        given = {name: value for name, value in asked.items() if "." not in name} | _rules(asked)
        if given["seed"] is None:
            given["seed"] = int(f"{given['start']:%Y%m%d}")
        given |= {"fragrance": materials.fragrance, "blends": materials.blends}
        return planner.make_plan(invented=self._about["invented"], **given)

    def _look(self, plan):
        """How the plan compares to the kept one; a ValueError when it would unsay a logged pour."""
        kept = self.kept
        if kept is None:
            return Compared("The plan is NOT kept yet.")
        added = _added(kept)
        if plan.to_dict() == kept.to_dict():
            return Compared(f"This is the kept plan: {kept.sentence} {added}".rstrip(),
                            same=True)
        logged = list(self._store.rows("pours")["pour"])
        _need_logged_pours(plan, kept, logged)
        return Compared(
            "This is NOT the kept plan. Until you keep this one, the kept plan is: "
            f"{kept.sentence}", warning=_warning(plan, kept, logged, added),
        )

    def _write(self, plan, paper):
        return write_sheets(plan, self._bench.exports, paper, panel_address(self._bench.folder))

    def _keep(self, plan, key):
        self._look(plan)
        receipt = self._store.save_plan(plan.to_dict(), key=key)
        self._as_kept = self._now
        with contextlib.suppress(DraftError):
            keep_draft(self._bench.folder, {})
        if not self._bench.demo:
            try:
                shelve(self._bench.folder, plan.to_dict())
            except (ValueError, OSError) as error:  # the plan is kept all the same
                self.materials._say("error", f"Kept, but not put on the shelf. {error}")
        return receipt


class RecordDesk:
    """The forms to record a series with: pours, scores, scores from paper, files, corrections.

    ``looks`` is how often an assessor grades a piece, ``files`` the bench that files are imported
    into, if another one. ``pours`` is the form of the pour day and ``who`` chooses the assessor;
    ``sweat``, ``frost``, ``throw``, ``warmer`` and ``paper`` show the forms of whoever is chosen.
    """

    def __init__(self, bench, looks=1, files=None):
        self._bench, self._store, self._looks = bench, bench.store, looks
        self._plan = Plan.from_dict(bench.store.plan())
        pours, into = self._plan.pours, (files or bench).store
        self.pours = PourForm(
            pours, done=self._store.rows("pours")["pour"], gone=unpoured(self._store),
            on_leave=partial(leave_out, self._store),
            on_take=lambda pour: self._look(take_up(self._store, pour)),
            **self._saving("pours"), **drafted(bench.folder, "pours"))
        self.who = ChooseForm(
            "Who scores? Tap your code.", known_assessors(self._store), "assessor",
            said="{0} is scoring. The forms below are for {0}.")
        self.sweat = self.who.show(partial(self._grades, "sweat"))
        self.frost = self.who.show(partial(self._grades, "frost"))
        self.throw, self.warmer, self.paper = map(
            self.who.show, (self._throw, self._warmer, self._paper))
        self.files = ImportForm(lambda given: dry_run(into, **given),
                                lambda tried: tried.store(into))

    def correct(self, what="piece"):
        """The form to correct an entry of a "piece", whose pour it does not tell, or a "pour"."""
        return CorrectForm(
            lambda name: stored_about(self._store, name, "piece" if what == "piece" else None),
            partial(mend, self._store),
            lambda *entry: self._look(make_void(self._store, *entry)), what)

    def leave(self):
        """The form to say what is planned and will not come."""
        return LeaveForm(partial(leave_out, self._store), partial(take_up, self._store),
                         partial(left_words, self._store))

    def _look(self, stands):
        self.pours.look(self._store.rows("pours")["pour"], unpoured(self._store))
        return stands

    def _saving(self, table):
        return {"on_save": partial(self._store.add, table), "on_undo": self._undo(table)}

    def _undo(self, table):
        return lambda receipt: self._store.void(table, receipt.entry_id, "undone in the form")

    def waiting(self, assessor, test=None):
        """The pieces that wait for a tester, of one test or of all, as a frame."""
        return waiting(self._store, assessor, test, looks_per_piece=self._looks)

    def pairs(self, assessor):
        """How many pairs wait for a tester, in words; '' for none."""
        return pairs_to_compare(self._store, [assessor])

    def later(self, assessor):
        """What comes next for a tester, with its day; '' for nothing."""
        return score_words(self._store, None, self._looks, assessor)[1]

    def _grades(self, test, assessor):
        return GradeForm(self.waiting(assessor, test), test, assessor, **self._saving("grades"),
                         photos=self._photos(assessor), heated=len(self._store.rows("heats")) > 0)

    def _photos(self, assessor):
        """What a form needs of photos; each tester sees those that they took themselves."""
        return Photos(
            lambda code: [p for p in photos_of(self._store, code) if p.assessor == assessor],
            partial(add_photo, self._store), self._undo("photos"))

    def _throw(self, assessor):
        """The first sitting that waits."""
        todo = self.waiting(assessor, "throw")
        sitting, kind = ("none", "warm") if todo.empty else todo[["sitting", "kind"]].iloc[0]
        todo = todo[(todo["sitting"] == sitting) & (todo["kind"] == kind)]
        left = places_left(self._store, assessor, sitting, kind)[:len(todo)]
        if len(left) == len(todo):  # else scores beyond the plan have taken places
            todo = todo.assign(position=left)
        return ThrowForm(todo, assessor, sitting, kind, **self._saving("throws"),
                         works_with_fragrance=assessor in self._plan.works_with_fragrance)

    def _warmer(self, assessor):
        on, kept = warmer_pieces(self._store)
        return WarmingForm(on, assessor, kept, **self._saving("warmings"))

    def _paper(self, assessor):
        return PaperForm(
            waiting(self._store, assessor, looks_per_piece=self._looks, every_look=True),
            assessor, self._store.add_all,
            works_with_fragrance=assessor in self._plan.works_with_fragrance,
            **drafted(self._bench.folder, f"paper-{assessor}"),
        )


_NO_AMOUNTS = {"piece_g", "name", "title", "lot", "allergens", "currency", "assessors",
               "works_with"}  # the weight of a piece is often the usual one


def _texts(draft):
    """The amounts of a draft that a maker has typed."""
    if isinstance(draft, dict):
        return [text for name, part in draft.items() if name not in _NO_AMOUNTS
                for text in _texts(part)]
    return [text for part in draft for text in _texts(part)] if isinstance(draft, list) else [draft]


def _have_draft(draft):
    materials = draft.get("materials") or {}
    waxes = materials.get("waxes") or [{}]
    return {"wax": waxes[0].get("name", ""),
            "oil": (materials.get("fragrance") or {}).get("name", "")}


def _rules(asked):
    """The rules of a plan from what is asked; each refuses by itself, and all is said at once."""
    rules, wrong = {}, []
    for group, kind in _RULES.items():
        start = f"{group}."
        given = {n.removeprefix(start): v for n, v in asked.items() if n.startswith(start)}
        try:
            rules[group] = kind(**given)
        except PlanError as error:
            error.field = start + error.field
            wrong.append(error)
    if wrong:
        raise Wrong(wrong)
    return rules


def _foresee(plan, guess, series, progress, stop):
    from scentlab.foresight.guess import guess_truth
    from scentlab.foresight.precision import precision

    truth = guess_truth(guess)
    return precision(plan, truth, series=series, seed=1, progress=progress, stop=stop)


def _added(kept):
    """A sentence for what of a plan these forms do not plan, '' for nothing."""
    pots = list(dict.fromkeys(p.pot for p in kept.pour_rows))
    more = pots[kept.pots_per_blend * len(kept.blends):]
    more += [count_of(len(kept.pair_rows), "pair")] * bool(kept.pair_rows)
    return more and ("The kept plan includes what was planned elsewhere (the next step, a new "
                     f"lot, pairs): {', '.join(more)}.") or ""


def _need_logged_pours(plan, kept, logged):
    """A pour that is logged must stay what it was when it was weighed."""
    now = {p.pour: p for p in plan.pour_rows}
    for was in (p for p in kept.pour_rows if p.pour in logged):
        new = now.get(was.pour)
        if new is None or (new.blend, new.load_pct) != (was.blend, was.load_pct):
            becomes = ("this plan has no such test batch" if new is None else
                       f"this plan makes it {new.blend} at {say_load_oz(new.load_pct)}")
            raise ValueError(
                f"This plan cannot be kept here: test batch {was.pour} is logged as {was.blend} at "
                f"{say_load_oz(was.load_pct)}, and {becomes}. Go back to the kept plan, or plan "
                "this as a new series (scentlab new). For more pots of the same blends: page "
                "Share, The next step."
            )


def _warning(plan, kept, logged, added):
    codes = {p.code: (p.pour, p.test, p.stress) for p in kept.piece_rows}
    moved = sum(codes.get(p.code) != (p.pour, p.test, p.stress) for p in plan.piece_rows)
    words = "This one replaces the plan you kept earlier."
    if added:
        words += f" {added} Keeping this one drops that."
    if logged:
        words += f" {count_of(len(logged), 'test batch')} logged already; they stay as they are."
    if moved or len(plan.piece_rows) != len(codes):
        words += (" Blind codes change, so the pour sheets, labels and key you printed are now "
                  "wrong. Throw them away and print them again.")
    return words


def _tables(plan):
    money, buy = plan.currency or "price", shopping_list(plan).drop(columns="kind")
    buy["price_per_kg"] = price_in_unit(buy["price_per_kg"])
    for name in ("needed_g", "buy_g"):
        buy[name] = said_weights(buy[name], total=True)
    buy.columns = ["item", "lot", "to weigh", "to buy, with spare",
                   f"{money} {shown().label('per kg')}", f"cost, {money}"]
    parts = {"To buy": buy, "Pots, in pouring order": pots_table(plan).reset_index(),
             "Day by day": diary(plan)}
    return "".join(f"<h4>{title}</h4>" + frame.to_html(
        index=False, border=0, na_rep="not known", float_format="{:.2f}".format)
        for title, frame in parts.items())
