"""A new lot against the load in use, and pieces as sold against plain ones."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.choosing.finish import compare_finish, exact_chances
from scentlab.choosing.known_load import known_load
from scentlab.choosing.lot import ACCEPT, MORE, REJECT, check_lot, lot_loads
from scentlab.choosing.pick import choose_load
from scentlab.fitting.new_lot import fit_new_lot
from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.batch import make_batch
from scentlab.planning.rules import Pouring
from scentlab.results import FitError
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LOADS = [6.5, 8.0, 9.5, 11.0, 12.5]


@pytest.fixture(scope="module")
def old():
    layout = even_layout(["soft"], LOADS, pots=3, sweat=2, sweat_heat=4)
    series = simulate_series(layout, Truth({"soft": BlendTruth(10.0)}), seed=1)
    return analyse(series, seed=1, draws=500, precise=None)


def graded(loads, grades, finish="", lot="B", pots=None):
    """Pours with the grades of their heat-cycled pieces."""
    pours = pd.DataFrame({
        "pour": [f"N{i}{finish[:1]}" for i in range(len(loads))],
        "pot": pots or [f"N{i}" for i in range(len(loads))], "blend": "soft", "load_pct": loads,
        "lot": lot, "finish": finish,
    })
    rows = [(f"{i}{j}{finish[:1]}", *p, "sweat", "heat", 14.0, g)
            for i, (p, own) in enumerate(zip(pours[["pour", "pot", "blend", "load_pct"]].to_numpy(),
                                             grades, strict=True)) for j, g in enumerate(own)]
    looks = pd.DataFrame(rows, columns=["code", "pour", "pot", "blend", "load_pct", "test",
                                        "stress", "age_days", "grade"])
    return pours, looks


def beside(analysis, pours, looks):
    apart = replace(analysis.series, pours=pours, grades=looks)
    return replace(analysis, series=replace(analysis.series, apart=apart))


def test_the_loads_are_the_one_in_use_half_sweat_and_one_halfway(old):
    first, middle, top = lot_loads(old)
    assert first == old.pick.table["load_pct"].iloc[0]
    truth = Truth({"soft": BlendTruth(10.0)})
    assert top == pytest.approx(truth.load_at_risk("soft", 0.5, stress="heat"), abs=1.0)
    assert middle == pytest.approx((first + top) / 2, abs=0.11)


def test_dry_pieces_accept_wet_ones_reject_and_the_shift_has_the_right_sign(old):
    loads = list(lot_loads(old))
    good = check_lot(beside(old, *graded(loads, [[0] * 6, [0] * 6, [0, 0, 1, 2, 2, 2]])), "B")
    bad = check_lot(beside(old, *graded(loads, [[2] * 6, [3] * 6, [4] * 6])), "B")
    assert (good.verdict, bad.verdict) == (ACCEPT, REJECT)
    assert good.chance_over <= 0.05 < 0.8 <= bad.chance_over
    assert bad.table["upper"].iloc[0] < 0 and "earlier than the lot before" in bad.sentence
    assert "whatever the model" in bad.notes[0]
    assert "6 of 6" in bad.lines[1] and good.lines[0].startswith("Lot B: accept. Use ")


def test_in_between_it_asks_for_more_and_says_the_load_that_is_safe_now(old):
    loads = list(lot_loads(old))
    found = check_lot(beside(old, *graded(loads, [[0] * 6, [1, 1, 2, 2, 1, 2], [3] * 6])), "B")
    assert found.verdict == MORE and 0.05 < found.chance_over < 0.8
    assert "Highest safe load with this lot now" in found.lines[0]
    if not np.isnan(found.safe_load_pct):
        assert found.safe_load_pct < found.load_pct


def test_a_lot_that_its_own_pieces_reject_has_no_safe_load_above_them(old):
    """Dry pieces of the old lot, and of this one at higher loads, are no defence."""
    use = lot_loads(old)[0]
    found = check_lot(beside(old, *graded(
        [use, use + 1.5, use + 2.0], [[2, 2, 2, 0, 0, 0], [0] * 6, [0] * 6])), "B")
    assert found.verdict == REJECT
    assert not found.safe_load_pct > use - 0.25
    assert ("none known" in found.lines[0]) == np.isnan(found.safe_load_pct)
    assert "3 of 6 pieces" in found.lines[0] and "chance" not in found.lines[0]


def test_dry_pieces_that_are_younger_than_the_old_lots_accept_nothing(old):
    """The old pieces were inspected on day 14: what comes later than day 1 is not seen yet."""
    loads = list(lot_loads(old))
    pours, looks = graded(loads, [[0] * 6, [0] * 6, [2] * 6])

    def check(analysis=old, **ages):
        return check_lot(beside(analysis, pours, looks.assign(**ages)), "B")

    assert check().verdict == check(age_days=13.5).verdict == ACCEPT
    for ages in ({"age_days": 1.0}, {"age_days": np.nan}):
        found = check(**ages)
        assert found.verdict == MORE and found.again and np.isnan(found.safe_load_pct)
        assert len(found.lines) == 2 and "chance" not in found.sentence
        assert found.lines[0].endswith(
            ": inspect its pieces again on day 14. 12 of 18 pieces are dry but not yet that old, "
            "so sweat may still come.")
    last = looks.assign(age_days=np.where(looks["pour"] == "N0", 13.0, 14.0))
    assert check_lot(beside(old, pours, last), "B").young == 6
    wet = check_lot(beside(old, pours, looks.assign(grade=4, age_days=1.0)), "B")
    assert wet.verdict == REJECT and wet.young == 0
    sold = replace(old, rules=replace(old.rules, ship_age_days=5.0))
    assert check(sold, age_days=5.0).verdict == ACCEPT
    assert "again on day 5." in check(sold, age_days=3.0).lines[0]


def test_pieces_of_one_pot_say_less_than_those_of_three(old):
    """The guard: 18 dry pieces from one pot are not 18 tests of the lot."""
    top = lot_loads(old)[1]
    three = graded([top] * 3, [[0] * 6] * 3)
    one = graded([top] * 3, [[0] * 6] * 3, pots=["N0"] * 3)
    wide, narrow = (check_lot(beside(old, *x), "B").chance_over for x in (one, three))
    assert narrow < wide


def test_a_lot_of_which_nothing_was_seen_keeps_the_prior(old):
    """A grade that every draw gives alike moves nothing: the shift stays that of the prior, whose
    median is 0 and whose sd is (by the log-normal's moments) 0.8 exp(0.8^2) sqrt(2)."""
    _, looks = graded([0.5], [[0]])
    fit, shift = fit_new_lot(old.sweat, looks, "soft", seed=2)
    assert np.average(shift, weights=fit.weights) == pytest.approx(0.0, abs=0.15)
    sd = np.sqrt(np.average(shift**2, weights=fit.weights))
    assert sd == pytest.approx(0.8 * np.exp(0.64) * np.sqrt(2.0), rel=0.15)


def test_what_is_not_there_is_said(old):
    with pytest.raises(FitError, match="no test batch of lot 'C' is logged; plan and pour"):
        check_lot(old, "C")
    pours, looks = graded([9.0], [[0]])
    with pytest.raises(FitError, match="there are B"):
        check_lot(beside(old, pours, looks), "C")
    with pytest.raises(FitError, match="no piece of lot B is graded yet"):
        check_lot(beside(old, pours, looks.iloc[:0]), "B")
    with pytest.raises(FitError, match="no piece of lot B was graded heat-cycled"):
        check_lot(beside(old, pours, looks.assign(stress="rest")), "B")


def test_a_typed_load_says_what_is_known_of_it(old):
    known = known_load(old)
    assert re.match(r"Highest safe load: (at least )?[\d.]+ % \([\d.]+ oz/lb\)", known.words[0])
    assert known.recommended and known.load_pct == old.pick.table["load_pct"].iloc[0]
    high = " ".join(known_load(old, load_pct=18.75).words)
    assert "not the recommended one" in high and re.search(r"Nothing was tested above "
                                                           r"12\.[56]", high)
    assert "of pieces from new pots would sweat" in " ".join(known_load(old, load_pct=9.5).words)
    table = old.pick.table.assign(load_pct=np.nan)
    none = replace(old, pick=replace(old.pick, table=table))
    with pytest.raises(FitError, match="no load of soft is recommended"):
        known_load(none)
    assert "Recommended: none." in known_load(none, load_pct=9.0).words


def test_the_exact_chances_are_the_published_ones():
    """Fisher 1935, the lady tasting tea: 3 of 4 cups, one-sided 17/70 = 0.243. Penicillin in
    rabbits, 5 doses (Mantel 1963): one-sided 0.020 in the documentation of R's mantelhaen.test with
    exact = TRUE (value from memory of that page, to its two digits)."""
    assert exact_chances([3], [4], [1], [4])[0] == pytest.approx(17 / 70)
    none, late = ([0, 3, 6, 5, 2], [6, 6, 6, 6, 2]), ([0, 0, 2, 6, 5], [5, 6, 6, 6, 5])
    assert exact_chances(*none, *late)[0] == pytest.approx(0.020, abs=5e-4)
    more, less = exact_chances([2], [3], [1], [5])
    assert more + less == pytest.approx(1.0 + 15 / 56)  # C(3,2) C(5,1) / C(8,3) for just 2


def test_what_counts_in_the_check_of_a_lot_alone_is_said(old):
    """A column "lot" in a file may hold lots that nobody meant to check."""
    pours, looks = graded([9.0, 9.0, 11.0], [[0], [0], [2]], lot="S-12")
    found = choose_load(beside(old, pours, looks), old.rules)
    assert ("Counted only in the check of lot S-12: 3 test batches."
            in found.notes)
    assert not any("Left to" in note for note in old.pick.notes)


def test_pieces_as_sold_are_compared_within_their_pots(old):
    pots = ["N0", "N1"]
    plain, plain_looks = graded([9.0, 9.0], [[0] * 6, [0] * 6], "plain", "", pots)
    sold, sold_looks = graded([9.0, 9.0], [[2] * 6, [2] * 5 + [0]], "as sold", "", pots)
    series = replace(old.series, pours=plain, grades=plain_looks,
                     apart=replace(old.series, pours=sold, grades=sold_looks))
    found = compare_finish(series, old.rules, "soft", "heat")
    assert "as sold, heat-cycled" in found and "at 9.0 %: 11 of 12 sweated; plain" in found
    assert "as sold sweated more: less than 1 chance in 1000" in found
    whole = replace(series, pours=pd.concat([old.series.pours, plain]),
                    grades=pd.concat([old.series.grades, plain_looks]))
    assert found in choose_load(replace(old, series=whole), old.rules).notes
    dry = replace(series, apart=replace(series.apart, grades=sold_looks.assign(grade=0)))
    same = compare_finish(dry, old.rules, "soft", "heat")
    assert "too close to call: over 99 % that chance" in same
    assert f"Up to {100 * (1 - 0.05 ** (1 / 12)):.0f} % of pieces" in same  # none of 12
    assert compare_finish(old.series, old.rules, "soft", "heat") == ""


def test_pieces_as_sold_that_sweat_are_told_first_also_with_no_plain_one_beside_them(old):
    """A batch that was made for sale at the recommended load is graded: no plain piece is cast."""
    load = old.pick.table["load_pct"].iloc[0]

    def told(*grades, at=load):
        pours, looks = graded([at], [grades], "as sold", "")
        series = beside(old, pours, looks).series
        analysis = replace(old, series=series, pick=choose_load(
            replace(old, series=series), old.rules))
        return analysis, known_load(analysis)

    analysis, known = told(2, 3, 0, 2, 2)
    words = "4 of 5 pieces as sold sweated, from "
    assert words in analysis.pick.sentences["soft"].partition("Highest safe load")[2][:90]
    assert known.as_sold in analysis.pick.notes and known.sold_sweats
    assert "4 of 5 sweated; there are no plain pieces from the same pots. Whether the finish" in (
        known.as_sold)
    plan = SimpleNamespace(piece_g=20.0, title="", invented=True, pouring=Pouring(),
                           fragrance=Fragrance("fig"), blend=lambda name: Blend(name, {
                               Wax("soft wax"): 1.0}))
    assert make_batch(known, plan, wax_g=500).warnings[0] == (
        f"Not for sale as it is: {known.as_sold}")
    for _, known in (told(0, 1, 0, 0, 0), told(2, 2, 2, at=load + 1.0)):
        assert not known.sold_sweats and known.as_sold in make_batch(known, plan, wax_g=500).lines
    dry, _ = told(0, 0)
    assert "as sold" not in dry.pick.sentences["soft"]
    assert not known_load(old).as_sold and not known_load(old).sold_sweats
