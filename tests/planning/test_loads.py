"""Loads evenly spaced, and what is refused."""

import pytest

from scentlab.planning.loads import even_loads
from scentlab.planning.refusal import PlanError


def test_even_loads():
    assert even_loads(4, 14, 6) == (4, 6, 8, 10, 12, 14)
    assert even_loads(5, 6, 4, step=0.25) == (5.0, 5.25, 5.75, 6.0)


@pytest.mark.parametrize(
    "call, field, words",
    [
        (lambda: even_loads(8, 8, 3), "highest",
         "8 to 8 % of wax in steps of 0.5 leaves one load; give a higher second one, or "
         "a smaller step"),
        (lambda: even_loads(4, 4.2, 3, step=1), "highest",
         "4 to 4.2 % of wax in steps of 1 leaves one load; give a higher second one, or "
         "a smaller step"),
        (lambda: even_loads(4, 8, 1), "number",
         "number of loads is 1; give a whole number from 2 to 40 loads"),
    ],
)
def test_refusals(call, field, words):
    with pytest.raises(PlanError) as caught:
        call()
    assert (caught.value.field, str(caught.value)) == (field, words)
