"""Units against printed conversion factors.

Source of the factors: NIST Special Publication 811 (2008), appendix B.8: pound (avoirdupois)
4.535 924 E-01 kg, ounce (avoirdupois) 2.834 952 E-02 kg,
degree Fahrenheit t/°C = (t/°F - 32)/1.8. The exact definitions behind them: 1 lb = 453.592 37 g,
1 oz = 1/16 lb.
"""

import re
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from scentlab import units


def test_factors_are_those_of_nist_sp_811_to_its_printed_digits():
    assert units.GRAMS_PER_POUND == pytest.approx(453.5924, abs=5e-5)
    assert units.GRAMS_PER_OUNCE == pytest.approx(28.34952, abs=5e-6)


def test_factors_are_the_exact_definitions():
    assert units.GRAMS_PER_POUND == pytest.approx(453.59237, rel=1e-14)
    assert units.GRAMS_PER_OUNCE == pytest.approx(28.349523125, rel=1e-14)
    assert units.OUNCES_PER_POUND == pytest.approx(16, rel=1e-14)


def test_factors_are_those_of_scipy():
    assert pytest.approx(constants.pound * 1000, rel=1e-14) == units.GRAMS_PER_POUND
    assert pytest.approx(constants.ounce * 1000, rel=1e-14) == units.GRAMS_PER_OUNCE
    assert units.fahrenheit_from_celsius(25.0) == pytest.approx(
        constants.convert_temperature(25.0, "Celsius", "Fahrenheit"), rel=1e-14)


@pytest.mark.parametrize("ounces, of_wax, of_total", [(1, 6.25, 5.88), (3, 18.75, 15.79)])
def test_ounces_per_pound_on_both_bases(ounces, of_wax, of_total):
    """One and three ounces to the pound: common practice, no source for the loads themselves.

    The arithmetic stands against the unit definitions of NIST SP 811 (16 oz = 1 lb).
    """
    load = units.load_from_ounces_per_pound(ounces)
    assert load == of_wax
    assert units.content_from_load(load) == pytest.approx(of_total, abs=5e-3)
    assert units.load_from_weights(ounces, 16) == of_wax


# load % of wax, oz per lb, content % of total; by hand from C = 100 L / (100 + L)
BOTH_BASES = [
    (3, 0.48, 2.913), (4, 0.64, 3.846), (5, 0.80, 4.762), (6, 0.96, 5.660), (6.25, 1.00, 5.882),
    (8, 1.28, 7.407), (9.375, 1.50, 8.571), (10, 1.60, 9.091), (12, 1.92, 10.714),
    (12.5, 2.00, 11.111), (15, 2.40, 13.043),
]


@pytest.mark.parametrize("load, ounces, content", BOTH_BASES)
def test_table_of_both_bases(load, ounces, content):
    assert units.content_from_load(load) == pytest.approx(content, abs=5e-4)
    assert units.ounces_per_pound_from_load(load) == pytest.approx(ounces, abs=1e-12)


@pytest.mark.parametrize(
    "content, load", [(5, 5.263), (6, 6.383), (8, 8.696), (10, 11.111), (12, 13.636)]
)
def test_table_of_loads_from_contents(content, load):
    assert units.load_from_content(content) == pytest.approx(load, abs=5e-4)


def test_the_two_bases_on_220_g_of_finished_product():
    # a supply page's worked example (common practice, arithmetic verified): 220 g net holds
    # 20 g of fragrance and 200 g of wax at 10 % load, 22 g and 198 g at 10 % content
    assert units.load_from_weights(20, 200) == 10
    assert units.content_from_load(units.load_from_weights(22, 198)) == pytest.approx(10)


@pytest.mark.parametrize(
    "net, load, wax, fragrance", [(250, 6, 235.849, 14.151), (16, 10, 14.5455, 1.4545)]
)
def test_net_weight_is_wax_and_fragrance(net, load, wax, fragrance):
    content = units.content_from_load(load)
    assert net * content / 100 == pytest.approx(fragrance, abs=5e-4)
    assert net * (1 - content / 100) == pytest.approx(wax, abs=5e-4)


def test_two_ounces_per_pound_is_above_a_limit_of_12_percent():
    assert units.load_from_ounces_per_pound(2) == 12.5


@pytest.mark.parametrize(
    "fahrenheit, celsius",
    [(125, 51.67), (135, 57.22), (140, 60.00), (145, 62.78), (160, 71.11), (175, 79.44),
     (180, 82.22), (185, 85.00), (200, 93.33), (86, 30.00), (104, 40.00), (-40, -40.00)],
)
def test_temperatures(fahrenheit, celsius):
    assert units.celsius_from_fahrenheit(fahrenheit) == pytest.approx(celsius, abs=5e-3)
    back = units.fahrenheit_from_celsius(units.celsius_from_fahrenheit(fahrenheit))
    assert back == pytest.approx(fahrenheit, abs=1e-9)


@given(st.floats(0, 400))
def test_bases_are_inverse_to_each_other(load):
    assert units.load_from_content(units.content_from_load(load)) == pytest.approx(load, abs=1e-9)
    ounces = units.ounces_per_pound_from_load(load)
    assert units.load_from_ounces_per_pound(ounces) == pytest.approx(load)


@given(st.floats(0, 1e6))
def test_weights_are_inverse_to_each_other(grams):
    assert units.grams_from_ounces(units.ounces_from_grams(grams)) == pytest.approx(grams)
    assert units.grams_from_pounds(units.ounces_from_grams(grams) / 16) == pytest.approx(grams)


def test_arrays_stay_arrays_and_numbers_become_plain_floats():
    assert units.content_from_load(np.array([0.0, 25.0])).tolist() == [0.0, 20.0]
    assert type(units.content_from_load(np.float64(25))) is float


def test_loads_and_temperatures_in_words_name_both():
    assert units.say_load(6.25, 2) == "6.25 % of wax (5.88 % of total)"
    assert units.say_temperature(60) == "60 °C (140 °F)"


@given(st.floats(0.1, 40))
def test_a_load_to_sell_by_is_never_said_higher_than_it_is(load):
    """Every basis of the words, held to exact decimals (16 oz to the lb, NIST SP 811, appendix B).
    """
    exact = Decimal(load) + Decimal("1e-8")  # a typed 7.8 is a hair off 7.8 in binary
    for shown in (units.Shown("g", "C"), units.Shown("oz", "F")):
        with units.showing(shown):
            words = units.say_load_oz(load, sold=True), units.say_load(load, sold=True)
        percent, = re.findall(r"([\d.]+) %", words[0])
        ounces, = re.findall(r"([\d.]+) oz/lb", words[0])
        wax, content = re.findall(r"([\d.]+) % of (?:wax|total)", words[1])
        assert max(Decimal(percent), Decimal(wax)) <= exact
        assert Decimal(ounces) * 100 / 16 <= exact and Decimal(ounces) > exact * 16 / 100 - Decimal(
            "0.027")  # at most a tenth of % and 0.01 oz/lb below
        assert Decimal(content) <= 100 * exact / (100 + exact)


@pytest.mark.parametrize("load, words", [
    (9.478, "9.4 % (1.5 oz/lb)"), (9.376204, "9.3 % (1.48 oz/lb)"), (8.6, "8.6 % (1.37 oz/lb)"),
    (7.8, "7.8 % (1.24 oz/lb)"), (7.84321, "7.8 % (1.24 oz/lb)"), (6.25, "6.25 % (1 oz/lb)"),
    (9.375, "9.37 % (1.5 oz/lb)"),
])
def test_a_load_to_sell_by_has_one_set_of_words(load, words):
    """By hand: 16 times the load as said, in hundredths, rounded down."""
    assert units.say_load_oz(load, sold=True) == words


@pytest.mark.parametrize("content", [100, 120.5])
def test_a_content_without_wax_is_refused(content):
    with pytest.raises(ValueError) as caught:
        units.load_from_content([10, content])
    assert str(caught.value) == (
        f"a content of {content:g} % of the finished product leaves no wax; give a content under "
        "100 %"
    )


OF_FRAMES = [
    units.content_from_load, units.load_from_content,
    lambda x: units.load_from_weights(x, 100.0), lambda x: units.load_from_weights(5.0, x),
]
WEIGHTS = [
    *OF_FRAMES, units.grams_from_ounces, units.ounces_from_grams, units.grams_from_pounds,
    units.load_from_ounces_per_pound, units.ounces_per_pound_from_load,
]
EVERY = [
    *WEIGHTS, units.celsius_from_fahrenheit, units.fahrenheit_from_celsius,
]


@pytest.mark.parametrize("convert", WEIGHTS)
@given(value=st.floats(max_value=-1e-300, allow_infinity=False))
def test_nothing_weighs_less_than_nothing(convert, value):
    for given_ in (value, [1.0, value]):
        with pytest.raises(ValueError, match="is not possible; give a number from 0 "):
            convert(given_)


@pytest.mark.parametrize("convert", EVERY)
@pytest.mark.parametrize("value", [np.inf, -np.inf, "5", "five", b"5", 5j, {}, [1.0, "5"], "nan"])
def test_what_is_no_number_is_refused(convert, value):
    with pytest.raises(ValueError, match="must be a number in |is not possible; give a number "):
        convert(value)


@pytest.mark.parametrize("convert", EVERY)
def test_missing_values_pass_only_where_frames_have_them(convert):
    if convert in OF_FRAMES:
        assert np.isnan(convert(np.nan)) and np.isnan(convert(np.array([np.nan, 1.0]))[0])
    else:
        with pytest.raises(ValueError, match="nan .* is not possible"):
            convert(np.nan)


@pytest.mark.parametrize("convert, coldest", [
    (units.celsius_from_fahrenheit, -459.67), (units.fahrenheit_from_celsius, -273.15)])
def test_nothing_is_colder_than_absolute_zero(convert, coldest):
    """0 K is -273.15 °C (NIST SP 811, sec. 8.5), -459.67 °F."""
    convert(coldest + 1e-9)
    with pytest.raises(ValueError, match="a temperature of -.* is not possible; give a number from "
                                         "-"):
        convert(coldest - 0.01)


@pytest.mark.parametrize("call, said", [
    (lambda: units.content_from_load(-5),
     "a load of -5 g per 100 g of wax is not possible; give a number from 0 g per 100 g of wax up"),
    (lambda: units.load_from_weights(3, 0),
     "the wax weighs 0 g, so there is no load; give its weight in g, above 0"),
    (lambda: units.load_from_weights([3.0, 3.0], [0.0, 100.0]),
     "the wax weighs 0 g, so there is no load; give its weight in g, above 0"),
    (lambda: units.grams_from_ounces("1.5 oz"),
     "a weight must be a number in oz, not '1.5 oz'; leave out units and words"),
    (lambda: units.celsius_from_fahrenheit(np.inf),
     "a temperature of inf °F is not possible; give a number from -459.67 °F up"),
])
def test_refusals_in_full(call, said):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == said
