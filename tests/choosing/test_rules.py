"""Rules refuse what makes no sense, with the full text."""

import pytest

from scentlab.choosing.rules import Rules


@pytest.mark.parametrize(
    "change, text",
    [
        ({"risk": 0.6}, "risk is 0.6; give a share from 0.001 to 0.5"),
        ({"risk": 5}, "risk is 5; give a share from 0.001 to 0.5"),
        ({"confidence": 0.4}, "confidence is 0.4; give a share from 0.5 to 0.99"),
        ({"throw_share": 1.5}, "throw_share is 1.5; give a share from 0.1 to 1"),
        ({"limit_grade": 0}, "limit_grade is 0; give a grade from 1 to 4"),
        ({"frost_limit_grade": 5}, "frost_limit_grade is 5; give a grade from 1 to 4"),
        ({"throw_kind": "hot"}, "throw_kind is 'hot'; give warm or cold"),
        ({"stress": "frozen"}, "stress is 'frozen'; give rest or heat"),
        (
            {"override_blends": ("soft",), "override_reason": "  "},
            "a wax maker's limit is set aside only with a reason in writing; give override_reason",
        ),
    ],
)
def test_full_text(change, text):
    with pytest.raises(ValueError) as error:
        Rules(**change)
    assert str(error.value) == text


def test_not_a_number_is_refused():
    with pytest.raises(ValueError):
        Rules(risk=float("nan"))
