"""The memory of a folder: kept, brought up to date, and of that folder alone."""

import re
import shutil
from dataclasses import replace

import numpy as np
import pytest
from earlier_series import THREE_LOADS, poured
from recording.test_photos import camera_jpeg
from storing import store_series

from scentlab import cli
from scentlab.cli.frame import text_table
from scentlab.memory import remembering
from scentlab.memory.borrowing import says
from scentlab.memory.proposing import (
    GUESSED,
    KNOWN,
    foreseen,
    least_limit,
    memory_map,
    next_pairs,
    three_loads,
)
from scentlab.memory.remembering import remember
from scentlab.memory.saying import known_sentences
from scentlab.recording.photos import add_photo, choose_photo
from scentlab.recording.shelf import put_on_shelf, read_shelf
from scentlab.recording.store import Store
from scentlab.results import FitError
from scentlab.units import Shown, ounces_per_pound_from_load, showing
from scentlab.words.tables import map_table


@pytest.fixture(scope="module")
def remembered(workshop):
    return remember(workshop, without=["fennel-soft"])


@pytest.fixture(scope="module")
def few(workshop, remembered, tmp_path_factory):
    """Three of the earlier series with what is kept of their fits, and the new one."""
    root = tmp_path_factory.mktemp("few")
    names = ("fig-soft", "cedar-soft", "rose-hard", "fennel-soft")
    for name in names:
        shutil.copytree(workshop / name, root / name)
    (root / "memory").mkdir()
    for name in names[:3]:
        shutil.copy(workshop / "memory" / f"{name}.npz", root / "memory")
    return root


@pytest.fixture(scope="module")
def learnt_of_few(few):
    return remember(few, without=["fennel-soft"])


def same(one, other):
    return (one.prior("soft", "new") == other.prior("soft", "new")
            and np.array_equal(one.learnt.draws.points, other.learnt.draws.points))


def test_a_second_time_nothing_is_fitted_and_the_numbers_are_the_same(
        workshop, remembered, monkeypatch):
    def forbidden(*given, **options):
        raise AssertionError("fitted again")

    monkeypatch.setattr(remembering, "fit_cells", forbidden)
    assert same(remember(workshop, without=["fennel-soft"]), remembered)


def test_workers_and_an_interruption_change_no_number(few, learnt_of_few, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(few, copy)
    kept = sorted((copy / "memory").glob("*.npz"))
    for path in kept[:2]:
        path.unlink()
    kept[2].write_bytes(kept[2].read_bytes()[:100])  # torn
    seen = []
    again = remember(copy, without=["fennel-soft"], workers=2,
                     progress=lambda done, total: seen.append((done, total)))
    assert same(again, learnt_of_few)
    assert seen[0] == (0, 4)
    assert seen[-1] == (4, 4)


def test_other_machines_change_no_number(few, learnt_of_few, tmp_path):
    """Two processes of Dask's own, on the folder as if nothing had been fitted."""
    distributed = pytest.importorskip("dask.distributed", reason="the extra 'cluster' is not here")
    copy = tmp_path / "copy"
    shutil.copytree(few, copy, ignore=shutil.ignore_patterns("memory"))
    seen = []
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None,
                                  local_directory=tmp_path) as cluster:
        again = remember(copy, without=["fennel-soft"], workers=cluster.scheduler_address,
                         progress=lambda done, total: seen.append((done, total)))
    assert same(again, learnt_of_few)
    assert (seen[0], seen[-1]) == ((0, 4), (4, 4))


def test_only_series_of_this_folder_count(few, learnt_of_few, tmp_path):
    """A neighbour's folder and a folder further down are no part of the workshop."""
    copy = tmp_path / "mine"
    shutil.copytree(few, copy)
    store_series(poured("soft", "other", 3.0, 1), tmp_path / "other")
    (copy / "below").mkdir()
    store_series(poured("soft", "other", 3.0, 2), copy / "below" / "other")
    assert same(remember(copy, without=["fennel-soft"]), learnt_of_few)


def test_a_copy_of_a_series_counts_once(few, learnt_of_few, tmp_path):
    root = tmp_path / "backed-up"
    shutil.copytree(few, root)
    shutil.copytree(root / "fig-soft", root / "a-backup")
    shutil.copytree(root / "fennel-soft", root / "fennel-soft copy")
    store_series(poured("soft", "fennel", 9.3, [3, 99], THREE_LOADS, 1, 6).of_pours(
        poured("soft", "fennel", 9.3, [3, 99], THREE_LOADS, 1, 6).pours.head(2)), root / "older")
    found = remember(root, without=["fennel-soft"])
    assert set(found.notes) == {
        "fig-soft has mostly the same records as a-backup, so it is left out.",
        "fennel-soft copy has mostly the same records as fennel-soft, so it is left out.",
        "older has mostly the same records as fennel-soft, so it is left out."}
    assert len(found.series) == 3
    assert found.sentence == learnt_of_few.sentence
    said = "older has mostly the same records as fennel-soft, so it is left out."
    assert said in remember(root).notes
    assert len(remember(root).series) == 4
    assert len(remember(root, without=["older"]).series) == 3


def test_a_backup_is_a_copy_after_a_correction_too(few, learnt_of_few, tmp_path):
    """Of the two the corrected one counts, whatever their names."""
    root = tmp_path / "backed-up"
    shutil.copytree(few, root)
    for name in ("fennel-soft", "fig-soft"):
        shutil.copytree(root / name, root / f"a-{name}")
        store = Store.open(root / name)
        row = store.rows("grades").query("test == 'sweat'").iloc[-1]
        store.correct("grades", int(row["entry_id"]), {"grade": int(row["grade"]) ^ 1}, "misread")
    found = remember(root, without=["fennel-soft"])
    assert set(found.notes) == {
        f"a-{name} has mostly the same records as {name}, so it is left out."
        for name in ("fennel-soft", "fig-soft")}
    assert found.series == learnt_of_few.series


def test_real_series_leave_invented_ones_out(few, tmp_path):
    copy = tmp_path / "mixed"
    shutil.copytree(few, copy)
    store_series(replace(poured("soft", "real", 9.0, 5), invented=False), copy / "real")
    found = remember(copy)
    assert found.series == ("real",)
    assert not found.invented
    assert "Invented series are left out when there are real ones." in found.notes


def test_errors_say_what_to_do(workshop, tmp_path):
    with pytest.raises(FitError, match="has no series basil to leave out; it has cedar-soft, "):
        remember(workshop, without=["basil"])
    with pytest.raises(FitError, match="has no earlier series to learn from"):
        remember(tmp_path)


def test_a_series_that_disagrees_is_named(workshop, tmp_path):
    copy = tmp_path / "odd"
    shutil.copytree(workshop, copy)
    store_series(poured("soft", "anise", 2.5, [3, 55], (1, 2, 3, 4), 3, 6), copy / "anise-soft")
    found = remember(copy, without=["fennel-soft"])
    assert "anise-soft" in set(found.odd["series"])
    assert "half-sweat load" in set(found.odd["what"])
    assert remember(copy, without=["fennel-soft", "anise-soft"]).odd.empty


def test_the_map_says_what_is_known_and_pours_what_is_not(remembered):
    table = memory_map(remembered)
    assert len(table) == 2 * 6
    states = table.set_index(["wax", "fragrance"])["state"]
    assert states["soft", "fig"] == KNOWN
    assert states["soft", "oak"] == GUESSED
    width = table["load_at_risk_upper_pct"] - table["load_at_risk_lower_pct"]
    by_state = width.groupby(table["state"]).mean()
    assert by_state[KNOWN] < by_state[GUESSED]
    rows = next_pairs(table)
    assert len(rows) == 3 and KNOWN not in set(rows["state"])
    assert rows["gain"].is_monotonic_decreasing
    assert rows["gain"].iloc[0] == table.loc[table["state"] != KNOWN, "gain"].max()
    assert next_pairs(table[table["state"] == KNOWN]).empty


def test_the_map_is_told_in_the_makers_unit(remembered):
    table = memory_map(remembered)
    head, *lines = text_table(map_table(table), range(4))
    with showing(Shown("oz")):
        _, *oz_lines = text_table(map_table(table), range(4))
        said = [*known_sentences(remembered), *says(remembered, [remembered.waxes[0]], "", 1.0)]
    assert all("oz/lb" in words and "point" not in words for words in said), said
    assert "sweat at (load on the wax, 90 % interval)" in head
    state = head.index("state")
    assert all(line[state - 1] == " " != line[state] for line in lines), "columns begin alike"
    for row, line, other in zip(table.itertuples(), lines, oz_lines, strict=True):
        percent, ounces = (re.search(r"([\d.]+) \S+ \([\d.]+ \S+ to [\d.]+ \S+\)\s*$", x)[1]
                           for x in (line, other))
        assert percent == f"{max(row.load_at_risk_pct, 0.0):.1f}"
        assert float(ounces) == pytest.approx(max(row.load_at_risk_pct, 0.0) * 0.16, abs=0.006)


def test_a_foreseen_load_has_the_risk_that_it_is_foreseen_for(remembered):
    """Draws of the loads against the middle of the prior, by the link's own definition."""
    at_5, at_50 = foreseen(remembered, "soft", "thyme", (0.05, 0.5)).T
    prior = remembered.prior("soft", "thyme")
    gap = np.median(at_50 - at_5)
    assert 2.0 * prior.spread_median < gap < 6.0 * prior.spread_median
    assert np.median(at_50) == pytest.approx(
        prior.capacity_centre[0] + prior.spread_median * (prior.gap_median[0]
                                                          - prior.stress_centre), abs=0.4)


def test_a_name_is_found_however_it_is_typed(workshop, remembered, capsys):
    assert remembered.prior("Soft ", "FIG") == remembered.prior("soft", "fig")
    assert cli.main(["workshop", str(workshop), "--wax", "Soft", "--oil", "thyme",
                     "--leave-out", "fennel-soft"]) == 0
    said = capsys.readouterr().out
    assert "rough guess" not in said
    assert "Pour thyme in soft as three" in said


def test_three_loads_hold_what_is_foreseen_between_them(remembered):
    low, middle, high = three_loads(remembered, "soft", "thyme")
    at_5, at_50 = np.median(foreseen(remembered, "soft", "thyme", (0.05, 0.5)), axis=0)
    assert 3.0 <= low < at_5
    assert high > at_50
    assert middle == pytest.approx(0.5 * (low + high), abs=0.2)


@pytest.mark.parametrize("limit", [2.0, 4.0, 8.0, 12.5])
def test_no_load_over_the_limit_is_proposed_and_none_that_is_hardly_sold(remembered, limit):
    for wax in ("soft", "unknown wax"):
        low, middle, high = three_loads(remembered, wax, "thyme", limit)
        assert min(3.0, 0.5 * limit) <= low < middle < high <= limit
    with showing(Shown("oz")):
        ounces = [ounces_per_pound_from_load(x) for x in three_loads(remembered, "soft", "thyme")]
    assert ounces == pytest.approx([round(20 * x) / 20 for x in ounces])


def test_the_limits_of_the_shelf_are_named_and_kept(workshop, remembered, tmp_path, capsys):
    shutil.copytree(workshop, tmp_path / "mine")
    command = ["workshop", str(tmp_path / "mine"), "--leave-out", "fennel-soft", "--oil", "thyme"]
    assert cli.main([*command, "--wax", "soft"]) == 0
    assert "limit of soft is not on the shelf" in " ".join(capsys.readouterr().out.split())
    put_on_shelf(tmp_path / "mine", [
        {"kind": "wax", "name": "soft", "limit_load_pct": 8.0},
        {"kind": "wax", "name": "hard", "limit_load_pct": 6.0},
        {"kind": "fragrance", "name": "thyme", "limit_content_pct": 5.0},
        {"kind": "blend", "name": "mine", "parts": "70 % soft; 30 % hard", "limit_load_pct": 7.0},
    ])
    assert cli.main([*command, "--wax", "soft"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "The wax maker's limit is 8.0 % (1.28 oz/lb); no load above it is proposed." in said
    # 5 g in 100 g of the piece are 5 / 0.95 = 5.263 g to 100 g of wax.
    assert "The limit of thyme keeps loads at or below 5.2 % (0.83 oz/lb)." in said
    assert "own pot: 2.5 % (0.4 oz/lb), 4.0 % (0.64 oz/lb), 5.2 % (0.83 oz/lb)." in said
    # A mixture is found by its parts, and one without a limit of its own takes the lowest.
    shelf = read_shelf(tmp_path / "mine")
    assert least_limit(shelf, "30 % hard + 70 % soft", "fig")[0] == 7.0
    assert least_limit(shelf, "hard", "fig")[0] == 6.0


def test_the_command_shows_proposes_and_answers(workshop, remembered, capsys):
    folder = str(workshop)
    assert cli.main(["workshop", folder, "--leave-out", "fennel-soft"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "from 8 earlier series" in said
    assert "An expected load is not a safe load" in said
    assert cli.main(["workshop", folder, "--wax", "soft", "--oil", "thyme",
                     "--leave-out", "fennel-soft"]) == 0
    assert "three test batches" in capsys.readouterr().out
    store = Store.open(workshop / "fennel-soft")
    for code in dict.fromkeys(store.rows("pieces").groupby("pour")["code"].first()):
        choose_photo(store, add_photo(store, code, camera_jpeg()).entry_id, True)
    assert cli.main(["workshop", folder, "--series", "fennel-soft"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "with nothing borrowed" in said
    assert said.count("Borrowed from this workshop") == 1
    report = (workshop / "fennel-soft" / "exports" / "report.html").read_text()
    assert "nothing borrowed from earlier series" in report
    assert '<img src="data:image/jpeg;base64,' in report
    assert cli.main(["workshop", folder, "--oil", "thyme"]) == 2
    assert "--wax is missing" in capsys.readouterr().err
