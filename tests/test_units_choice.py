"""The workshop's choice of units: typed, kept, and followed by every text.

Factors as in NIST Special Publication 811, appendix B: 1 lb = 453.59237 g, 1 oz = 1/16 lb (exact),
t/°C = (t/°F - 32) / 1.8.
"""

import datetime as dt
import json
import re

import pytest

from scentlab import amounts, units
from scentlab.amounts import AmountError, Shown, read_amount
from scentlab.cli import main
from scentlab.forms.desk import PlanDesk
from scentlab.forms.fields import Field, FieldError
from scentlab.forms.heat import HeatForm
from scentlab.forms.pours import PourForm
from scentlab.forms.quick import quick_page
from scentlab.materials import Fragrance, Wax
from scentlab.planning.plan import Plan
from scentlab.planning.quick import quick_plan
from scentlab.planning.sheets import pour_sheets_html, quick_sheet_html, shopping_list_html
from scentlab.planning.weights import melt_weights, pour_weights
from scentlab.recording.correcting import _words
from scentlab.recording.pouring import doubts
from scentlab.schema import POURS, Column
from scentlab.series import heat_words
from scentlab.words import say_loads
from scentlab.workshop import make_series, series_here

OZ = 28.349523125
US = Shown("oz", "F")
TIMES = {
    90.0: "90 min|1 h 30 min|1.5 h|1½ hours|1 1/2 h|5400 s|1h30min|1 hour and 30 minutes",
    30.0: "30 min|half an hour|½ h|0.5 hr|1800 seconds|30 minutes|30 mins.",
    1.5: "90 s|1.5 min|1 min 30 s|90 sec", 720.0: "12 h|half a day|720 min|12 hours",
}
CONTENTS = {8.0: "8|8 %|8 % of total|8% of the finished product|8 percent",
            5.882353: "1 oz/lb|6.25 % of wax", 20.0: "20 %|4 oz/lb|25 % of wax"}
PRICES = {1000 * 3.5 / 453.59237: "3.50 / lb|$3.50/lb|3.5 per lb|3.50 a pound|7 for 2 lb",
          12.0: "12 per kg|12/kg|6 for 500 g|EUR 12 / kg|12"}
REFUSED = [("min", t) for t in ("1:30", "soon", "2 h 3 h", "-5 min", "1,5 h", "30 min 1 h")] + [
    ("% of total", t) for t in ("100 %", "8 % of", "lots")] + [
    ("per kg", t) for t in ("18 for", "3.50 / cup", "18 for 0 oz")] + [
    ("%", t) for t in ("5 g", "5 % of wax", "five")]


def spellings(table):
    return [(text, value) for value, texts in table.items() for text in texts.split("|")]


@pytest.mark.parametrize(("unit", "text", "value"), [
    (u, t, v) for u, table in (("min", TIMES), ("% of total", CONTENTS), ("per kg", PRICES))
    for t, v in spellings(table)])
def test_times_contents_and_prices(unit, text, value):
    assert read_amount(text, unit) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(("unit", "text"), REFUSED)
def test_what_is_ambiguous_or_no_amount_is_refused_with_the_remedy(unit, text):
    with pytest.raises(AmountError, match="write it as"):
        read_amount(text, unit)


@pytest.mark.parametrize(("text", "unit", "choice", "value"), [
    ("9.45", "g", US, 9.45 * OZ), ("9.45", "g", Shown(), 9.45), ("268 g", "g", US, 268.0),
    ("180", "°C", US, 148 / 1.8), ("82 C", "°C", US, 82.0), ("82", "°C", Shown(), 82.0),
    ("1.5 oz/lb", "% of wax", US, 9.375), ("8 %", "% of wax", US, 8.0),
    ("8", "% of wax", Shown(), 8.0),
])
def test_a_bare_number_is_in_the_workshops_unit(text, unit, choice, value):
    assert read_amount(text, unit, choice) == pytest.approx(value, abs=1e-6)


def test_a_bare_load_of_an_ounce_workshop_could_be_two_things():
    with pytest.raises(AmountError, match="could be oz/lb or %; write it as 4 oz/lb or 4 %"):
        read_amount("4", "% of wax", US)


def field(column, text, choice):
    with units.showing(choice):
        one = Field("f", column)
    one.box.value = text  # as a maker types it
    return one


@pytest.mark.parametrize(("name", "text", "choice", "value", "beside"), [
    ("wax_g", "9.45", US, 267.9, "267.9 g"), ("wax_g", "268", Shown(), 268.0, "9.45 oz"),
    ("wax_g", "2 lb 3 oz", Shown(), 992.23, "992.23 g"),
    ("add_temp_c", "185", US, 85.0, "85 °C"), ("add_temp_c", "85", Shown(), 85.0, "185 °F"),
    ("stir_min", "90 s", Shown(), 1.5, "1.5 min"), ("stir_min", "2", US, 2.0, ""),
])
def test_the_other_form_stands_beside_the_field_at_once(name, text, choice, value, beside):
    one = field(POURS[name], text, choice)
    assert re.sub("<.*?>", "", one.also.value) == (f"= {beside}" if beside else "")
    assert one.read() == value


def test_a_field_says_its_bounds_in_the_makers_unit_and_keeps_what_it_meant():
    one = field(POURS["add_temp_c"], "400", US)
    assert one.label == "Fragrance added at, °F"
    with pytest.raises(FieldError, match="from 20 to 150 .°C., that is 68 °F to 302 °F"):
        one.read()
    weighed = field(POURS["wax_g"], "9.45", US)
    assert weighed.value == "9.45 oz", "a draft keeps the unit, whatever is chosen later"
    other = Field("f", POURS["wax_g"])
    other.value = weighed.value
    assert other.read() == weighed.read() == 267.9


@pytest.mark.parametrize("grams", [28.349523125, 25.0, 15.0, 453.59237, 42.5])
def test_what_the_program_puts_into_a_field_comes_out_as_it_was(grams):
    column = Column("piece_g", "number", "weight of a piece", "g", 0.1, 5000)
    for choice in (US, Shown()):
        with units.showing(choice):
            one = Field("f", column, digits=9, usual=f"{grams:.10g}")
        assert one.read() == pytest.approx(grams, abs=1e-7)


# --- the choice is kept


def test_a_choice_goes_before_what_was_typed_and_a_series_before_its_workshop(tmp_path):
    shop, series = tmp_path / "shop", tmp_path / "shop" / "fig"
    series.mkdir(parents=True)
    assert amounts.units_here(series) == (Shown(), "")
    amounts.keep_units(US, series, chosen=False)
    assert amounts.units_here(series) == (US, "typed")
    assert amounts.keep_units(Shown(), series, chosen=False) is None
    amounts.keep_units(Shown("g", "F"), shop)
    assert amounts.units_here(series) == (Shown("g", "F"), "chosen")
    amounts.keep_units(Shown("oz", "C"), series)
    assert amounts.units_here(series) == (Shown("oz", "C"), "chosen")
    (shop / "units.json").write_text("{", encoding="utf-8")
    assert amounts.units_here(shop) == (Shown("oz", "C"), ""), "a damaged file decides nothing"


def test_a_workshop_is_shown_as_all_its_series_are_kept(tmp_path):
    for name, choice, found in (("fig", US, US), ("plain", None, US), ("cedar", Shown(), Shown())):
        make_series(tmp_path / name, units=choice)
        assert amounts.units_here(tmp_path) == (found, ""), name
    amounts.keep_units(US, tmp_path, chosen=False)
    assert amounts.units_here(tmp_path) == (US, "typed")


@pytest.mark.parametrize(("texts", "found"), [
    (["soft wax 2", "1, 1.5 oz/lb"], US), (["3 lb", "25 g"], US), (["25 g", "1 oz"], Shown()),
    (["180 F"], Shown("g", "F")), (["1 oz/lb", "82 C"], Shown("oz", "C")), (["8 %", "2"], None),
    (["80 g/kg"], Shown()),
])
def test_the_first_unit_that_is_typed_decides(texts, found):
    assert amounts.units_typed(texts) == found


def test_the_command_keeps_shows_and_refuses(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["units", "oz", "F"]) == 0 and "oz and °F from now on" in capsys.readouterr().out
    assert json.loads((tmp_path / "units.json").read_text())["weight"] == "oz"
    assert main(["units"]) == 0 and "oz and °F (chosen)" in capsys.readouterr().out
    assert main(["units", "C", str(tmp_path)]) == 0
    assert amounts.units_here(tmp_path) == (Shown("oz", "C"), "chosen")
    assert main(["units", "stone", "cups"]) == 2
    assert "expected g or oz, C or F" in capsys.readouterr().err
    assert units.shown() == Shown(), "a command leaves nothing behind"


# --- what follows from it


def test_weights_in_ounces_are_whole_steps_and_never_above_the_load():
    for load in (2.0, 6.25, 9.375, 12.5, 18.75):
        for pieces in (3, 11, 40):
            wax, fragrance = (g / OZ for g in pour_weights(pieces, OZ, load, 5.0, "oz"))
            assert wax * 10 == pytest.approx(round(wax * 10), abs=1e-9)
            assert fragrance * 100 == pytest.approx(round(fragrance * 100), abs=1e-9)
            assert load - 0.25 - 1e-9 <= 100 * fragrance / wax <= load + 1e-9
            assert wax + fragrance >= pieces * 1.05 - 1e-9
    melt = melt_weights(1000.0, 5.0, {"soft": 0.7, "hard": 0.3}, "oz")
    assert sum(melt.values()) / OZ == pytest.approx(37.1, abs=1e-9)  # 1050 g are 37.04 oz


def us_plan(loads=(6.25, 9.375, 12.5)):
    with units.showing(US):
        return quick_plan(Wax("soft wax", add_temp_c=85.0), Fragrance("fig"), loads,
                          start="2026-12-01", seed=1)


def test_sums_of_a_sheet_in_ounces_add_up_as_on_a_scale():
    with units.showing(US):
        page = re.sub(r"<.*?>", " ", pour_sheets_html(us_plan()))
    ounces = [float(x) for x in re.findall(r"([\d.]+)&nbsp;oz +[\d.]+&nbsp;g", page)]
    rows, total = ounces[:-2], ounces[-2:]
    assert len(rows) == 6
    assert [round(sum(rows[k::2]), 2) for k in (0, 1)] == total
    assert "185&nbsp;°F" in page and "oz/lb" in page and "weighed oz" in page


def test_a_plan_in_grams_shown_in_ounces_adds_up_too():
    plan = quick_plan(Wax("soft wax"), Fragrance("fig"), (6, 7, 9), start="2026-12-01", seed=1)
    with units.showing(US):
        weights = [units.scale_ounces(p.wax_g) for p in plan.pour_rows]
        said = units.say_one_weight(units.add_up(p.wax_g for p in plan.pour_rows))
        assert said == f"{round(sum(weights), 2):g} oz"
        # three times 3.53 oz on the scale, though 300 g alone are 10.58 oz
        assert units.say_one_weight(units.add_up([100.0] * 3)) == "10.59 oz"


def test_the_scale_is_kept_with_the_plan_and_plans_in_grams_read_as_before():
    plan = us_plan()
    assert Plan.from_dict(plan.to_dict()) == plan and plan.pouring.scale == "oz"
    grams = quick_plan(Wax("soft wax"), Fragrance("fig"), (6, 9), start="2026-12-01", seed=1)
    assert "scale" not in grams.to_dict()["rules"]["pouring"]
    assert Plan.from_dict(grams.to_dict()) == grams


def test_sheets_and_texts_say_the_makers_unit_first():
    plan = us_plan()
    with units.showing(US):
        quick, shop = quick_sheet_html(plan), shopping_list_html(plan)
        assert "1 oz/lb (6.25 %)" in quick and "185 °F (85 °C)" in quick
        assert "scales to 0.1 oz and to 0.01 oz" in shop
        assert plan.sentence.count(" oz") >= 3 and " kg" not in plan.sentence
        load = say_loads(9.0)
        assert (load, load.oz) == ("1.44 oz/lb (9.0 %)", "1.44 oz/lb")


def test_what_was_measured_keeps_its_tenths_in_fahrenheit():
    # 37.2 °C are 98.96 °F, 39 are 102.2, 82.22 are 179.996, 21.6 are 70.88
    heat = {"cycles": 3, "hours": 12.0, "low_c": 37.2, "high_c": 39.0, "pack": None}
    pour = {"pour": "P1", "poured_on": "2026-03-01", "fragrance_g": 12.5, "wax_g": 200.0,
            "add_temp_c": 82.22, "stir_min": 2.0, "room_temp_c": 21.6}
    bleed = {"bleed_mg": 12.5, "hours": 24.0, "temp_c": 38.5}
    assert heat_words(heat) == "3 x 12 h at 37.2 to 39 °C"
    assert _words("pours", pour).endswith("added at 82.22 °C, stirred for 2 min, room at 21.6 °C")
    assert _words("bleeds", bleed) == "bleed 12.5 mg in 24 h at 38.5 °C"
    with units.showing(US):
        assert heat_words(heat) == "3 x 12 h at 99 to 102.2 °F"
        assert _words("pours", pour).endswith("added at 180 °F, stirred for 2 min, room at 70.9 °F")
        assert _words("bleeds", bleed) == "bleed 12.5 mg in 24 h at 101.3 °F"


def test_doubts_of_a_pour_are_in_the_makers_units():
    row = {"wax_g": 2000.0, "fragrance_g": 125.0, "add_temp_c": None, "pour_temp_c": None,
           "room_temp_c": 48.0, **dict.fromkeys(set(POURS.names) - {
               "wax_g", "fragrance_g", "add_temp_c", "pour_temp_c", "room_temp_c"})}
    plan = {"load_pct": 6.25, "wax_g": 200.0}
    assert list(doubts(plan, 6.25, row)) == [
        "Is a room temperature of 48 °C right?",
        "2000 g of wax is far from the planned 200.0 g. Is that right?"]
    with units.showing(US):  # 48 °C are 118.4 °F, 2000 g are 70.55 oz
        assert list(doubts(plan, 6.25, row)) == [
            "Is a room temperature of 118.4 °F right?",
            "70.55 oz of wax is far from the planned 7.05 oz. Is that right?"]


@pytest.mark.parametrize(("text", "said"), [
    ("Let it set at 20 to 27 °C.", "Let it set at 68 to 81 °F."),
    ("until it falls 2 °C", "until it falls 4 °F"), ("within 10 °C of it", "within 18 °F of it"),
    ("about 10 °C below", "about 18 °F below"), ("38 °C (100 °F)", "38 °C (100 °F)"),
])
def test_texts_of_the_kit_in_fahrenheit_differences_as_differences(text, said):
    assert units.in_maker_units(text) == text
    with units.showing(US):
        assert units.in_maker_units(text) == said


def test_the_axis_of_a_picture_has_its_marks_at_round_ounces():
    from scentlab.sharing.figures import figure

    with units.showing(US):
        ticks = figure("", [4.0, 14.0], ())["ticks"]
    # 16 oz are a lb
    assert [(said, loads.oz) for _, said, loads in ticks] == [
        ("6.25", "1 oz/lb"), ("9.38", "1.5 oz/lb"), ("12.5", "2 oz/lb")]
    assert [said for _, said, _ in figure("", [4.0, 14.0], ())["ticks"]] == [
        "4", "6", "8", "10", "12", "14"]


# --- fields in the maker's unit


def desk_of(folder):
    make_series(folder, title="Mine")
    return PlanDesk(series_here(folder=folder))


def test_a_bare_number_is_in_the_unit_of_its_label(tmp_path):
    planned = [{"pour": "P1", "pot": "A", "blend": "soft", "wax_g": 283.5, "fragrance_g": 28.35,
                "load_pct": 10.0}]
    with units.showing(US):
        for form in (PourForm(planned, None), HeatForm({}, None, None)):
            for field in form.fields.values():
                unit = US.label(field.column.unit)
                if unit in ("oz", "°F") and "g or oz" not in field.label:
                    assert field.label.endswith(f", {unit}")
        pour = PourForm(planned, None).fields["wax_g"]
        pour.box.value = "10"
        assert pour.label == "Wax weighed, oz" and pour.read() == 283.5


def test_a_quick_check_opens_in_the_units_of_its_folder(tmp_path):
    amounts.keep_units(US, tmp_path)
    page = quick_page(tmp_path / "fig", dt.date(2026, 12, 1))
    assert units.shown() == US
    for name, text in {"wax": "soft", "oil": "fig", "loads": "1, 2 oz/lb"}.items():
        page.plan.fields[name].value = text
    page.plan.make.click()
    assert page.check.plan.pouring.scale == "oz"
    units.show_in(Shown())
    page.again.click()
    assert page.weights.fields["wax", 0].label.endswith(": wax, oz")


def test_a_quick_check_begins_in_the_units_of_the_series_beside_it(tmp_path, monkeypatch):
    """What the shelf fills in is said in them, and does not unsay them."""
    monkeypatch.chdir(tmp_path)
    first = ["--wax", "soft", "--oil", "fig", "--loads", "1, 2 oz/lb"]
    assert main(["quick", "fig", *first, "--add", "185 F", "--flash", "170 F", "--sheet",
                 "1 oz/lb", "--wax-price", "3.50 / lb"]) == 0
    page = quick_page(tmp_path / "next", dt.date(2026, 12, 1))
    page.plan._take("wax", "soft")
    page.plan._take("fragrance", "fig")
    assert {n: page.plan.fields[n].text for n in ("add", "flash", "sheet", "wax_price")} == {
        "add": "185 F", "flash": "170 F", "sheet": "1 oz/lb", "wax_price": "3.5 / lb"}
    page.plan.fields["loads"].value = "6, 8 %"
    assert "100 °F (38 °C)" in page.plan.takes.value
    page.plan.make.click()
    assert main(["quick", "third", *first, "--add", "85 C"]) == 0
    (tmp_path / "made").mkdir()
    assert main(["quick", "made", *first[:4], "--loads", "6, 8 %", "--add", "85 C"]) == 0
    assert "room <span class=\"line\"></span> °F" in "".join(
        f.read_text() for f in (tmp_path / "made" / "exports").iterdir())
    for name in ("next", "third", "made"):
        assert amounts.units_here(tmp_path / name) == (US, "typed")
    assert amounts.units_here(tmp_path) == (US, "")


def test_what_is_typed_in_a_plan_is_heard_out(tmp_path):
    """A name is no amount, and a weight that comes after a temperature still counts."""
    desk = desk_of(tmp_path / "mine")
    for name, text, found in (("title", "Cedar 2 f", None), ("add_temp", "180 F", Shown("g", "F")),
                              ("loads", "1, 2, 3 oz/lb", US)):
        desk.planning.fields[name].box.value = text
        assert amounts.units_here(tmp_path / "mine") == ((found, "typed") if found else
                                                         (Shown(), ""))
    assert desk.planning.fields["scale"].value == "oz"


def test_a_new_plan_is_weighed_in_the_chosen_unit(tmp_path):
    amounts.keep_units(US, tmp_path)
    with units.showing(US):
        assert desk_of(tmp_path / "mine").planning.fields["scale"].value == "oz"
