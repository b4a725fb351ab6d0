"""The form of the rules, driven by its fields and buttons, with a choice of its own behind it."""

from types import SimpleNamespace

import pandas as pd
import pytest

from scentlab.choosing.rules import Rules
from scentlab.forms.rules import RulesForm, SliderForm

LIMITS = {"soft": 10.0, "firm <60>": 12.0}
BLENDS = (*LIMITS, "bare")


def decide(rules):
    """A pick that follows the risk: 8 % of wax at 5 %, one point more for each 5 %."""
    load = 7.0 + 20 * rules.risk if rules.risk > 0.01 else float("nan")
    saving = 40.0 if rules.today_load_pct is not None else float("nan")
    row = {"load_pct": load, "sweat_risk": 0.02, "sweat_lower": 0.004, "sweat_upper": 0.061,
           "throw": 5.5, "throw_lower": 4.9, "throw_upper": 6.1, "saving_per_1000": saving,
           "reason": "no tested load qualifies"}
    table = pd.DataFrame([{"blend": b, **row} for b in BLENDS])
    table.loc[2, "throw"] = float("nan")
    return SimpleNamespace(table=table, sentences={b: f"{b}: pour {load:.1f}" for b in BLENDS},
                           notes=("A <note>.",), rules=vars(rules))


class Picture:
    def __init__(self, pick):
        self.risk = pick.rules["risk"]

    def _repr_html_(self):
        return f"risk {self.risk}"


class Calls:
    """What the form asked for."""

    def __init__(self):
        self.decided, self.kept, self.refuse = [], [], None

    def decide(self, rules):
        self.decided.append(rules)
        return decide(rules)

    def keep(self, rules):
        if self.refuse:
            raise OSError(self.refuse)
        self.kept.append(rules)
        return "mine/rules.json"


@pytest.fixture
def calls():
    return Calls()


@pytest.fixture
def form(calls):
    return RulesForm(Rules(), Rules, calls.decide, calls.keep, LIMITS, Picture, ("rest", "heat"))


def picked(form, blend="soft"):
    """The part of the picks that is about one blend."""
    return form.picks.value.split(f"<h4>{blend}</h4>")[1].split("<h4>")[0]


def test_it_starts_from_the_rules_and_keeps_nothing(form, calls):
    assert form.rules == Rules() and calls.decided == [Rules()] and calls.kept == []
    assert [form.fields[n].value for n in ("risk", "confidence", "throw_loss")] == [
        "5", "95", "0.5"]
    assert form.browser.pressed == ["limit_grade-2", "stress-None", "throw_kind-warm",
                                    "frost_limit_grade-2"]
    assert picked(form) == "<p>Pour 8.0</p>"
    assert form.message.value == ""


def test_a_changed_risk_decides_at_once_and_stands_beside_the_first_pick(form, calls):
    form.fields["risk"].value = "10"
    assert form.rules == Rules(risk=0.10) and calls.decided[-1] == form.rules
    assert picked(form) == "<p>Pour 9.0</p>"
    assert "Not kept: these rules apply only in this form" in form.message.value
    assert calls.kept == []
    form.fields["risk"].value = "5"
    assert picked(form) == "<p>Pour 8.0</p>" and form.message.value == ""


def test_a_load_that_is_lost_and_found_again_is_said(form, calls):
    form.fields["risk"].value = "1"
    assert picked(form) == "<p>Pour nan</p>"
    later = RulesForm(Rules(risk=0.01), Rules, calls.decide, calls.keep, LIMITS, Picture)
    later.fields["risk"].value = "5"
    assert picked(later) == "<p>Pour 8.0</p>"


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("risk", "70", "Found &#x27;70&#x27;, expected a number with a decimal point from 0.001 to "
                       "0.5 (0.1 to 50 %)"),
        ("confidence", "99.9", "Found &#x27;99.9&#x27;, expected a number with a decimal point "
                               "from 0.5 to 0.99 (50 to 99 %)"),
        ("throw_loss", "", "Nothing is filled in, expected a number with a decimal point (points "
                           "of 10)."),
        ("throw_loss", "8", "Found &#x27;8&#x27;, expected a number with a decimal point from "
                             "0.1 to 5 (points of throw, of 10)"),
        ("risk", "five", "Found &#x27;five&#x27;, expected a number with a decimal point (% of "
                         "pieces). Correct the value."),
        ("ship_age_days", "-1", "Found &#x27;-1&#x27;, expected a number with a decimal point "
                                "from 0 to 3650 (days)"),
        ("today_load_pct", "55", "Found &#x27;55&#x27;, expected"),
    ],
)
def test_what_is_refused_stands_beside_its_field_alone(form, calls, name, text, words):
    before = len(calls.decided)
    form.fields[name].value = text
    assert form.fields[name].said.value.startswith(
        f'<div class="scent-error" role="alert">{words}')
    assert not any(f.said.value for n, f in form.fields.items() if n != name)
    assert (form.rules, form.pick, form.picks.value) == (None, None, "")
    assert form.keep.disabled and len(calls.decided) == before
    assert calls.kept == []


def test_a_decimal_comma_is_understood_and_one_that_parts_thousands_is_asked_about(form):
    form.fields["risk"].value = "2,5"
    assert form.rules.risk == 0.025
    form.fields["risk"].value = "2,500"
    assert "Write it with a point" in form.fields["risk"].said.value


def test_grades_stress_and_throw_are_taps(form):
    form.choosers["limit_grade"].buttons[3].click()
    form.choosers["stress"].buttons["rest"].click()
    form.choosers["throw_kind"].buttons["cold"].click()
    form.choosers["frost_limit_grade"].buttons[1].click()
    form.fields["ship_age_days"].value = "30"
    assert form.rules == Rules(limit_grade=3, stress="rest", throw_kind="cold",
                               frost_limit_grade=1, ship_age_days=30)
    form.choosers["stress"].buttons[None].click()
    assert form.rules.stress is None


def test_a_stress_that_was_not_graded_is_not_offered(calls):
    form = RulesForm(Rules(), Rules, calls.decide, calls.keep, LIMITS, Picture, ("rest",))
    assert list(form.choosers["stress"].buttons) == [None, "rest"]


def test_todays_load_is_for_every_blend(form):
    assert form.rules.today_load_pct is None
    form.fields["today_load_pct"].value = "12,5"
    assert form.rules.today_load_pct == 12.5
    assert "= 2 oz/lb, 11.1 % of total<" in form.fields["today_load_pct"].also.value
    assert "Today's load: 12,5" in form.folds["today"].fold.description
    form.fields["today_load_pct"].value = ""
    assert form.rules.today_load_pct is None


def test_a_limit_is_set_aside_only_with_a_reason(form):
    assert list(form.set_aside) == ["soft", "firm <60>"]
    form.set_aside["soft"].click()
    assert "Nothing is filled in, expected a text" in form.reason.said.value
    assert form.rules is None
    form.reason.value = "the wax maker agreed in a letter of 2 March"
    assert form.rules.override_blends == ("soft",)
    assert form.rules.override_reason == "the wax maker agreed in a letter of 2 March"
    assert "aside-0" in form.browser.pressed
    assert form.set_aside["soft"].description.startswith("☑")
    form.set_aside["soft"].click()
    assert form.rules == Rules()


def test_a_tap_keeps_the_rules_and_says_where(form, calls):
    form.fields["risk"].value = "10"
    form.keep.click()
    assert calls.kept == [Rules(risk=0.10)] and form.kept == Rules(risk=0.10)
    assert "in mine/rules.json. Update the page" in form.message.value
    assert 'class="scent-saved"' in form.message.value


def test_what_cannot_be_kept_is_said(form, calls):
    calls.refuse = "the disk is full"
    form.keep.click()
    assert "NOT SAVED. the disk is full" in form.message.value and form.kept is None


def test_kept_rules_come_back_into_the_fields(calls):
    kept = Rules(risk=0.025, confidence=0.9, limit_grade=1, frost_limit_grade=3, throw_loss=0.8,
                 throw_kind="cold", stress="heat", ship_age_days=45, override_blends=("soft",),
                 override_reason="a letter", today_load_pct=12.5)
    form = RulesForm(kept, Rules, calls.decide, calls.keep, LIMITS, Picture, ("rest", "heat"))
    assert form.rules == kept
    form.fields["risk"].value = "7"
    form.choosers["throw_kind"].buttons["warm"].click()
    form.back.click()
    assert form.rules == kept and form.message.value == ""


def test_a_choice_that_fails_is_told_and_cannot_be_kept(calls):
    def fail(rules):
        if rules.risk > 0.05:
            raise RuntimeError("the fit knows <nothing>")
        return decide(rules)

    form = RulesForm(Rules(), Rules, fail, calls.keep, LIMITS, Picture)
    form.fields["risk"].value = "6"
    assert "No load by these rules: the fit knows &lt;nothing&gt;" in form.picks.value
    assert form.keep.disabled
    form.fields["risk"].value = "5"
    assert picked(form) == "<p>Pour 8.0</p>" and not form.keep.disabled


def test_parts_fold_and_tell_what_they_hold(form):
    assert [s.is_open for s in form.folds.values()] == [True, False, False, False, False]
    assert form.folds["throw"].fold.description == "▸ Throw: give up 0.5 points of hot throw"
    form.folds["throw"].fold.click()
    assert form.folds["throw"].body.layout.display == ""
    assert form.folds["throw"].fold.description.startswith("▾")
    form.fields["throw_loss"].value = "1.5"
    assert "give up 1.5 points" in form.folds["throw"].fold.description


def test_every_control_is_named_and_names_are_escaped(form):
    assert set(form.fields) <= set(form.browser.names)
    assert form.browser.names["risk"] == (
        "Risk of sweat, % of pieces. At most this share of the pieces from new pots may reach the "
        "sweat grade below."
    )
    assert form.browser.names["limit_grade-3"] == "The grade that counts as sweat: 3: beads"
    assert "<60>" not in form.picks.value and "A &lt;note&gt;." in form.why.value
    assert "scent-form" in form._dom_classes and "scent-rules" in form._dom_classes


def test_without_a_limit_nothing_can_be_set_aside(calls):
    form = RulesForm(Rules(), Rules, calls.decide, calls.keep, {}, Picture)
    assert form.set_aside == {} and not any("reason" in n for n in form.browser.names)


def test_a_picture_of_the_pick_follows(calls):
    form = RulesForm(Rules(), Rules, calls.decide, calls.keep, LIMITS, Picture)
    before = form.picture.children[0].value
    form.fields["risk"].value = "10"
    assert form.picture.children[0].value != before
    assert 'aria-label="The load recommended for each blend' in before


# --- the sliders


@pytest.fixture
def sliders(calls):
    return SliderForm(Rules(risk=0.04), calls.decide, lambda found: f"<p>{found.rules}</p>",
                      lambda found: f"risk {found.rules['risk']}", calls.keep)


def test_a_slider_decides_anew_and_keeps_nothing(sliders, calls):
    risk = sliders.sliders["risk"]
    assert risk.value == 0.04, "what is kept is a place of the slider, whatever it is"
    assert sliders.keep.disabled and "the kept rules" in sliders.message.value
    risk.value = 0.1
    assert sliders.rules == Rules(risk=0.1) == calls.decided[-1] and calls.kept == []
    assert "'risk': 0.1" in sliders.lines.value
    assert "risk 0.1" in sliders.picture.children[0].value
    assert "follow the kept rules" in sliders.message.value
    sliders.sliders["confidence"].value = 0.8
    assert sliders.rules == Rules(risk=0.1, confidence=0.8)
    sliders.back.click()
    assert sliders.rules == Rules(risk=0.04) and "follow" not in sliders.message.value


def test_a_slider_keeps_by_a_tap_alone(sliders, calls):
    sliders.sliders["confidence"].value = 0.9
    calls.refuse = "the disk is full"
    sliders.keep.click()
    assert "NOT SAVED. the disk is full" in sliders.message.value and not sliders.keep.disabled
    calls.refuse = None
    sliders.keep.click()
    assert calls.kept == [Rules(risk=0.04, confidence=0.9)] and sliders.keep.disabled
    sliders.sliders["risk"].value = 0.2
    sliders.back.click()
    assert sliders.rules == calls.kept[-1], "back to what is kept now"
