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
         "the loads run from 8 to 8 % of wax; give a higher second one"),
        (lambda: even_loads(4, 4.2, 3, step=1), "highest",
         "rounded to 1 points only 1 load is left; give a smaller step"),
        (lambda: even_loads(4, 8, 1), "number",
         "number of loads is 1; give a whole number from 2 to 40 loads"),
    ],
)
def test_refusals(call, field, words):
    with pytest.raises(PlanError) as caught:
        call()
    assert (caught.value.field, str(caught.value)) == (field, words)
