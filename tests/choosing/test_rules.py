"""Rules refuse what makes no sense, with the full text."""

import pytest

from scentlab.choosing.rules import Rules


@pytest.mark.parametrize(
    "change, text",
    [
        ({"risk": 0.6}, "risk is 0.6; give a number with a decimal point from 0.001 to 0.5 (0.1 to "
                        "50 %)"),
        ({"confidence": 0.4}, "confidence is 0.4; give a number with a decimal point from 0.5 to "
                              "0.99 (50 to 99 %)"),
        *(({"throw_loss": loss}, f"throw_loss is {loss}; give a number with a decimal point from "
           "0.1 to 5 (points of throw, of 10)") for loss in (0.05, 6)),
        ({"ship_age_days": -3}, "ship_age_days is -3; give a number with a decimal point from 0 to "
                                "3650 (days)"),
        ({"risk": "5 %"}, "risk is '5 %'; give a number with a decimal point from 0.001 to 0.5 "
                          "(0.1 to 50 %)"),
        ({"throw_loss": None}, "throw_loss is None; give a number with a decimal point from 0.1 to "
                               "5 (points of throw, of 10)"),
        ({"limit_grade": 0}, "limit_grade is 0; give a whole number from 1 to 4"),
        ({"frost_limit_grade": 2.5}, "frost_limit_grade is 2.5; give a whole number from 1 to 4"),
        ({"throw_kind": "hot"}, "throw_kind is 'hot'; give one of warm, jar, cold"),
        ({"stress": "frozen"}, "stress is 'frozen'; give one of rest, heat"),
        *(({"override_blends": ("soft",), "override_reason": reason},
           "setting a wax maker's limit aside needs a written reason; give override_reason, "
           f"not {reason!r}") for reason in ("  ", [["soft", "a letter"]])),
        *(({"today_load_pct": load}, f"today_load_pct is {load!r}; give a number with a decimal "
           "point from 0 to 40 (g of fragrance per 100 g of wax)")
          for load in (55, -1, "much", {"soft": 9})),
    ],
)
def test_full_text(change, text):
    with pytest.raises(ValueError) as error:
        Rules(**change)
    assert str(error.value) == text


def test_one_blend_alone_is_a_blend_too():
    assert Rules(override_blends="soft", override_reason="a letter").override_blends == ("soft",)


@pytest.mark.parametrize("name", ["risk", "stress", "ship_age_days", "today_load_pct"])
def test_not_a_number_is_refused(name):
    with pytest.raises(ValueError, match=f"{name} is nan; give "):
        Rules(**{name: float("nan")})


def test_the_rules_in_words_have_every_unit():
    usual = Rules().sentence
    assert Rules(throw_loss=1, ship_age_days=1).sentence.endswith(
        "at most 1 of 10 points of hot throw given up; frost of grade 2 or more on day 1.")
    assert usual == (
        "at most 5 % of the pieces from new pots at sweat grade 2 or more under the harshest "
        "storage tested, 95 % sure; at most 0.5 of 10 points of hot throw given up; frost of "
        "grade 2 or more at the middle age seen."
    )
    told = Rules(risk=0.025, stress="rest", ship_age_days=30, override_blends=("soft",),
                 override_reason="a letter", today_load_pct=12).sentence
    for words in ("at most 2.5 %", "at room temperature", "more on day 30",
                  "set aside for soft (a letter)",
                  "today's load is 12.0 % (1.92 oz/lb)."):
        assert words in told
