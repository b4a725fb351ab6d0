"""Amounts as people write them are read right, or refused with what to write instead.

Pounds and ounces are those of NIST Special Publication 811, appendix B: 1 lb = 453.59237 g and
1 oz = 28.349523125 g, both exact, so that 1 oz to the pound is 6.25 g to 100 g.
"""

import pytest

from scentlab.amounts import (
    AmountError,
    read_amount,
    read_load,
    read_loads,
    read_temperature,
    read_weight,
)
from scentlab.units import Shown, load_from_weights, say_load_oz, showing

LB, OZ = 453.59237, 28.349523125

WEIGHTS = {
    454.0: "454 g|454g|454 grams|454.0 g|454 GRAMS|454 gm|0.454 kg|.454kg| 454  g ",
    500.0: "500 g|0.5 kg|½ kg|1/2 kg|half a kilo|500000 mg|0.5 kilos|500 grammes",
    LB: "1 lb|1lb|1 lb.|1 lbs|1 pound|a pound|one pound|1#|16 oz|16oz|16 ounces|1 LB|453.59237 g",
    LB / 2: "½ lb|1/2 lb|0.5 lb|half a pound|half a lb|8 oz|.5 lbs|8 oz.",
    1.5 * LB: "1 1/2 lb|1½ lb|1-1/2 lbs|1.5 pounds|1 lb 8 oz|24 oz|1lb8oz",
    2 * LB + 3 * OZ: "2 lb 3 oz|2lb3oz|2 lb, 3 oz|2 lbs 3 ozs|2 lb and 3 oz|2 pounds 3 ounces|35 oz"
                     "|2 lb. 3 oz.|2 Lb 3 Oz",
    9.45 * OZ: "9.45 oz|9.45oz|9.45 ounces|9.45 OZ.",
    LB / 4: "a quarter lb|¼ lb|quarter of a pound|4 oz|1/4 pound",
}
LOADS = {
    6.25: "1 oz/lb|1oz/lb|1 oz per lb|1 oz. per lb.|1 ounce per pound|an ounce per pound"
          "|1 oz to the pound|1 oz / lb|1 OZ/LB|1 oz/16 oz|1 oz per 1 lb|1 oz per pound of wax"
          "|1 oz of fragrance per lb|6.25 %|6.25%|6.25 percent|6.25 pct of wax|62.5 g/kg"
          "|6.25 g/100 g|6.25 g per 100 g|6.25g/100g|6.25 % of the wax|1 oz/#|1 oz in a pound",
    9.375: "1.5 oz/lb|1½ oz/lb|1 1/2 oz/lb|1-1/2 oz per lb|3/2 oz/lb|9.375 %|93.75 g per kg"
           "|1.5 ounces to a pound|1.5 oz oil per lb|1.5 oz FO/lb",
    8.0: "8 %|8%|8 per cent|8 pct|80 g/kg|8 g per 100 g wax|8 % of wax|8% FO|8 % load"
         "|80 g per kilo",
    3.125: "½ oz/lb|0.5 oz/lb|.5 oz per lb|half an oz per lb|half an ounce per pound|1/2 oz/lb",
    18.75: "3 oz/lb|3 oz per lb wax|3 ounces per lb.|18.75 %|187.5 g/kg",
    25.0: "20 % of total|20% of the finished product|20 percent of the whole|4 oz/lb|25 %",
}
TEMPERATURES = {
    82.0: "82 C|82C|82 °C|82°C|82 degrees C|82 celsius|82.0 c|82 deg C|82 ℃",
    60.0: "140 F|140F|140 °F|140°F|140 degrees F|140 fahrenheit|140 deg f|60 C|140.0 f|140 ℉",
    -10.0: "-10 C|14 F|−10 °C",
}
LISTS = {
    (6.25, 9.375, 12.5, 18.75): "1, 1.5, 2, 3 oz per lb|1; 1.5; 2; 3 oz/lb|3, 2, 1.5, 1 oz/lb"
                                "|1 1.5 2 3 oz/lb|1,1.5,2,3 oz/lb|1, 1½, 2 and 3 oz/lb"
                                "|1 oz/lb, 1.5 oz/lb, 2 oz/lb, 3 oz/lb|1, 1, 1.5, 2, 3 oz/lb",
    (6.0, 8.0, 10.0): "6, 8, 10 %|6; 8; 10%|6 8 10 %|6,8,10%|6%, 8% and 10%"
                      "|6 and 8 and 10 %|60; 80; 100 g/kg",
    (8.0,): "8 %|80 g/kg",
    (6.25, 8.0): "1 oz/lb, 8 %|8 %; 1 oz/lb",
}


def spellings(table):
    return [(text, value) for value, texts in table.items() for text in texts.split("|")]


def test_there_are_many_spellings():
    tables = (WEIGHTS, LOADS, TEMPERATURES, LISTS)
    assert sum(len(spellings(t)) for t in tables) + len(REFUSED) >= 200


@pytest.mark.parametrize(("text", "grams"), spellings(WEIGHTS))
def test_weights(text, grams):
    assert read_weight(text) == pytest.approx(grams, rel=1e-12)


@pytest.mark.parametrize(("text", "load"), spellings(LOADS))
def test_loads(text, load):
    assert read_load(text) == pytest.approx(load, rel=1e-12)


@pytest.mark.parametrize(("text", "celsius"), spellings(TEMPERATURES))
def test_temperatures(text, celsius):
    assert read_temperature(text) == pytest.approx(celsius, rel=1e-12)


@pytest.mark.parametrize(("text", "loads"), spellings(LISTS))
def test_lists_of_loads(text, loads):
    assert read_loads(text) == pytest.approx(loads, rel=1e-9)


REFUSED = [
    *[(read_weight, t) for t in (
        "1/00 lb",
        "5", "", "lots", "1,000 g", "1,5 kg", "3 fl oz", "3 fluid ounces", "2 oz 3 lb", "1 stone",
        "-3 g", "1e3 g", "2 lb 3", "10 gr", "1/0 lb", "1 cup", "2 lb 2 lb", "g", "nan g", "1.2.3 g",
    )],
    *[(read_load, t) for t in (
        "1.5", "1,5 oz/lb", "1.5 fl oz/lb", "lots", "-3 %", "200 %", "1 cup/lb", "3 oz pp", "3 oz",
        "100 % of total", "8 % of", "1 oz/0 lb", "%", "1 oz//lb", "8 %%", "inf %",
    )],
    *[(read_temperature, t) for t in ("180", "82 K", "hot", "1,8 C", "180 C F", "")],
    *[(read_loads, t) for t in (
        "1,5 %", "6, 8, 10", "", ";", "1, two oz/lb", "6, 8 fl oz/lb", "1,5; 2,5; 3 oz/lb",
        "1,5;2,5;3,5 %", "1,5 and 2,5 oz/lb", "1,5\n2,5 %", "1,5,2,5,3 oz/lb",
    )],
]


@pytest.mark.parametrize(("read", "text"), REFUSED)
def test_what_is_refused_says_what_to_write(read, text):
    with pytest.raises(AmountError) as caught:
        read(text)
    assert "write it as" in str(caught.value) and caught.value.remedy in str(caught.value)


@pytest.mark.parametrize(("read", "unit", "value"), [
    (read_weight, "oz", 3 * OZ), (read_load, "oz/lb", 18.75), (read_load, "%", 3.0),
    (read_temperature, "C", 3.0), (read_temperature, "F", -145 / 9), (read_loads, "%", (3.0,)),
])
def test_a_bare_number_is_in_the_usual_unit(read, unit, value):
    assert read("3", unit) == pytest.approx(value) and read(3, unit) == pytest.approx(value)


def test_numbers_of_the_whole_error():
    with pytest.raises(AmountError) as caught:
        read_load("1.5 fl oz/lb")
    assert str(caught.value) == (
        "'1.5 fl oz/lb' is a volume, and the load of a volume depends on the oil; "
        "write it as 1.5 oz/lb, 8 % or 80 g/kg"
    )


def test_ounces_that_make_one_ounce_to_the_pound_are_not_said_to_be_less():
    """3.2 oz of wax and 0.2 oz of fragrance were 0.99 oz/lb, the grams cut at the seventh digit."""
    with showing(Shown("oz", "F")):
        for wax, fragrance, said in (("3.2 oz", "0.2 oz", "1 oz/lb (6.25 %)"),
                                     ("2.88 oz", "0.27 oz", "1.5 oz/lb (9.37 %)")):
            load = load_from_weights(read_amount(fragrance, "g"), read_amount(wax, "g"))
            assert say_load_oz(load, sold=True) == said
