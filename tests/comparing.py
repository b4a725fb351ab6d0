"""Pairs of two loads, made up."""

import pandas as pd

from scentlab.series import PAIR_COLUMNS

LOW, HIGH = 6.0, 9.0


def pairs(*named, each=12, kind="warm", low=LOW, high=HIGH, first=None):
    """Pairs of two loads by testers who named the higher one so many times of ``each``; half of
    them with the higher one first, or so that ``first`` says how often the first was named."""
    rows = []
    for t, higher in enumerate(named, 1):
        for n in range(each):
            high_first, high_named = n % 2 == 0, n < higher
            if first:
                high_first = high_named
            two = ("111", "a", "P1", "soft", high), ("222", "b", "P1", "soft", low)
            one, other = two if high_first else two[::-1]
            rows.append((*one, *other, f"A{t}", "Q1", kind, n + 1,
                         "first" if high_named == high_first else "second"))
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


def of_batches(made, batches=6):
    """The pairs as if each tester had compared pieces of his own, of so many batches by turns."""
    made = made.copy()
    for side in ("", "second_"):
        code, of = side.rstrip("_") or "code", made["position"] // 2 % batches
        made[f"{side}pour"] += of.astype(str)
        made[f"{side}pot"] = "P" + of.astype(str)
        made[code] += made["assessor"] + of.astype(str)
    return made
