"""Rules refuse what makes no sense, with the full text."""

import pytest

from scentlab.choosing.rules import Rules


@pytest.mark.parametrize(
    "change, text",
    [
        ({"risk": 0.6}, "risk is 0.6 (60 %); give a share from 0.001 to 0.5 (0.1 to 50 %)"),
        ({"risk": 5}, "risk is 5 (500 %); give a share from 0.001 to 0.5 (0.1 to 50 %)"),
        (
            {"confidence": 0.4},
            "confidence is 0.4 (40 %); give a share from 0.5 to 0.99 (50 to 99 %)",
        ),
        (
            {"throw_loss": 0.05},
            "throw_loss is 0.05; give 0.1 to 5 points of throw (of 10)",
        ),
        (
            {"throw_loss": 6},
            "throw_loss is 6; give 0.1 to 5 points of throw (of 10)",
        ),
        ({"ship_age_days": -3}, "ship_age_days is -3; give a number of days from 0 to 3650"),
        ({"limit_grade": 0}, "limit_grade is 0; give a grade from 1 to 4"),
        ({"frost_limit_grade": 5}, "frost_limit_grade is 5; give a grade from 1 to 4"),
        ({"throw_kind": "hot"}, "throw_kind is 'hot'; give warm or jar or cold"),
        ({"stress": "frozen"}, "stress is 'frozen'; give rest or heat"),
        (
            {"override_blends": ("soft",), "override_reason": "  "},
            "a wax maker's limit is set aside only with a reason in writing; give override_reason",
        ),
        (
            {"override_blends": ("soft", "hard"), "override_reason": {"soft": "a letter"}},
            "a wax maker's limit is set aside only with a reason in writing; give one for hard too",
        ),
        (
            {"override_blends": ("soft",), "override_reason": {"hard": "a letter"}},
            "a wax maker's limit is set aside only with a reason in writing; give override_reason",
        ),
        (
            {"override_blends": ("soft",), "override_reason": 3},
            "override_reason is 3; give the reason in words",
        ),
    ],
)
def test_full_text(change, text):
    with pytest.raises(ValueError) as error:
        Rules(**change)
    assert str(error.value) == text


class TestTodaysLoad:
    def test_one_for_all_or_one_for_each(self):
        assert Rules().today_of("soft") is None
        assert Rules(today_load_pct=12).today_of("soft") == 12.0
        assert Rules(today_load_pct="12.5").today_of("soft") == 12.5
        each = Rules(today_load_pct={"soft": 12, "hard": "9"})
        assert (each.today_of("soft"), each.today_of("hard"), each.today_of("x")) == (12, 9, None)
        assert each == Rules(today_load_pct=[["soft", 12.0], ["hard", 9.0]])  # as JSON brings it
        assert hash(each) and Rules(today_load_pct={}).today_load_pct is None

    @pytest.mark.parametrize(
        "given, text",
        [
            (55, "today's load is 55; "),
            ("much", "today's load is 'much'; "),
            ({"soft": -1}, "today's load of soft is -1; "),
            (float("nan"), "today's load is nan; "),
        ],
    )
    def test_full_text(self, given, text):
        with pytest.raises(ValueError) as error:
            Rules(today_load_pct=given)
        assert str(error.value) == text + (
            "give a number from 0 to 40, in g of fragrance per 100 g of wax"
        )


class TestReasons:
    BOTH = ("soft", "hard")

    def test_one_for_all_or_one_for_each(self):
        one = Rules(override_blends=self.BOTH, override_reason="a letter")
        assert one.reasons == {"soft": "a letter", "hard": "a letter"}
        each = Rules(override_blends=self.BOTH,
                     override_reason={"hard": "a call", "soft": "a letter", "x": "left out"})
        assert each.override_reason == (("soft", "a letter"), ("hard", "a call"))
        assert each.reasons == {"soft": "a letter", "hard": "a call"}
        assert each.reason_words == "soft: a letter; hard: a call" and hash(each)
        assert each == Rules(override_blends=["soft", "hard"],  # as JSON brings it
                             override_reason=[["soft", "a letter"], ["hard", "a call"]])

    def test_the_same_for_all_is_one_reason(self):
        same = Rules(override_blends=self.BOTH, override_reason=dict.fromkeys(self.BOTH, "a call"))
        assert same == Rules(override_blends=self.BOTH, override_reason="a call")
        assert Rules(override_reason={"soft": "a letter"}) == Rules()

    def test_in_words(self):
        each = Rules(override_blends=self.BOTH, override_reason={"soft": "one", "hard": "two"})
        assert "limit is set aside for soft (one), hard (two)." in each.sentence


def test_not_a_number_is_refused():
    with pytest.raises(ValueError):
        Rules(risk=float("nan"))


def test_the_rules_in_words_have_every_unit():
    usual = Rules().sentence
    assert Rules(throw_loss=1, ship_age_days=1).sentence.endswith(
        "at most 1 point (of 10) of hot throw given up; frost of grade 2 or more at 1 day of age.")
    assert usual == (
        "at most 5 % of the pieces of new pots at sweat grade 2 or more under the harshest "
        "storage tested, 95 % sure; at most 0.5 points (of 10) of hot throw given up; frost of "
        "grade 2 or more at the middle age seen."
    )
    told = Rules(risk=0.025, stress="rest", ship_age_days=30, override_blends=("soft",),
                 override_reason="a letter", today_load_pct={"soft": 12}).sentence
    for words in ("at most 2.5 %", "at room temperature", "at 30 days of age",
                  "set aside for soft (a letter)",
                  "today's load is 12.0 % (1.92 oz/lb) of soft."):
        assert words in told


class TestStored:
    def test_a_rule_that_is_gone_is_left_out_with_a_note(self):
        rules, notes = Rules.from_stored({"throw_share": 0.9, "risk": 0.02})
        assert rules == Rules(risk=0.02)
        assert notes == (
            "the share of throw to keep (throw_share) is no rule any more and was left out; "
            "throw_loss, in points, took its place",
        )

    def test_what_no_version_knew_is_refused(self):
        with pytest.raises(ValueError) as error:
            Rules.from_stored({"mood": 1, "throw_share": 0.9})
        assert str(error.value) == "it has mood, which this version does not know"
