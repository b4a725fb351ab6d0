"""The commands that send a series away: what leaves, what is held back, what is refused."""

import hashlib
import io
import json
import re
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from storing import store_series

from scentlab import cli
from scentlab.cli.frame import program
from scentlab.units import say_load
from scentlab.workshop import demo_plan

HIDE_ALL = ("--hide", "fragrance,costs", "--hide", "notes", "--renumber-assessors")


@pytest.fixture(scope="module")
def sent(demo, tmp_path_factory):
    """A package in which all is held back that can be, and its files."""
    path = tmp_path_factory.mktemp("sent") / "out.zip"
    assert cli.main(["share", str(demo), "--out", str(path), *HIDE_ALL,
                     "--leave-out", "soft"]) == 0
    with zipfile.ZipFile(path) as archive:
        return path, {name: archive.read(name) for name in archive.namelist()}


# --- share -------------------------------------------------------------------------------------


def test_what_is_held_back_is_in_no_file(sent):
    _, files = sent
    assert not [n for n, data in files.items() if re.search(rb"\bcedar\b|\bfig\b", data, re.I)]
    blends = pd.read_csv(io.BytesIO(files["blends.csv"]))
    assert "soft" not in set(blends["blend"]) and len(blends) == 2
    assert blends[["wax_price_per_kg", "fragrance_price_per_kg"]].isna().all(axis=None)
    assert pd.read_csv(io.BytesIO(files["pours.csv"]))["note"].isna().all()
    assert not set(pd.read_csv(io.BytesIO(files["throws.csv"]))["assessor"]) & {"A1", "A6"}


def test_the_two_lines_for_developers_open_the_package_in_pandas(sent, tmp_path, monkeypatch):
    page = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    lines = re.search(r"```python\n(import pandas as pd, zipfile\n.*\n)```", page)[1]
    monkeypatch.chdir(tmp_path)
    (tmp_path / "for-the-supplier.zip").write_bytes(sent[0].read_bytes())
    names = {}
    exec(lines, names)
    assert {"load_pct", "grade"} <= set(names["grades"].columns) and len(names["grades"])


def test_a_package_is_written_though_who_reads_the_words_has_left(demo, tmp_path, monkeypatch):
    """As by `scentlab share ... | head`, which ended with code 0 and no package."""
    class Left(io.StringIO):
        def write(self, _):
            raise BrokenPipeError

    monkeypatch.setattr("sys.stdout", Left())
    assert cli.main(["share", str(demo), "--out", str(tmp_path / "out.zip")]) == 0
    assert zipfile.is_zipfile(tmp_path / "out.zip")


def test_a_preview_tells_what_leaves_and_writes_nothing(run, demo, whole):
    before = sorted(p for p in demo.rglob("*") if p.is_file())
    code, out, err = run("share", demo, "--preview", "--out", demo / "never.zip")
    assert (code, err) == (0, "")
    assert out.endswith("Nothing was written (--preview).\n")
    assert sorted(p for p in demo.rglob("*") if p.is_file()) == before
    with zipfile.ZipFile(whole) as archive:
        for entry in archive.infolist()[1:]:  # without what describes the others
            told = re.search(rf"^\* {re.escape(entry.filename)}, (\d+) bytes, ", out, re.M)
            assert int(told[1]) == entry.file_size, entry.filename
        pours = pd.read_csv(archive.open("pours.csv"))
        settings = json.loads(archive.read("settings.json"))
    out = re.sub(r"\s+", " ", out)
    assert re.search(r" heats.csv, [^*]*: 1 row of ", out)
    assert out.count(f": {len(pours)} rows of {', '.join(pours.columns)}") == 1
    about = settings["series"]
    assert f"* {about['title']}: " in out and f" Fragrance: {about['fragrance']}. " in out


def test_a_preview_says_what_is_held_back(run, demo):
    _, out, _ = run("share", demo, "--preview", "--hide", "fragrance,costs")
    assert "Fragrance: fragrance (name not shared). " in re.sub(r"\s+", " ", out)
    assert "* Costs are not shared" in out and not re.search("cedar", out, re.I)


def test_one_file_is_shown_as_it_would_leave(run, demo, whole):
    code, out, _ = run("share", demo, "--show", "pick.csv")
    with zipfile.ZipFile(whole) as archive:
        assert (code, out) == (0, archive.read("pick.csv").decode() + "\n")
    code, _, err = run("share", demo, "--show", "secret.csv")
    assert code == 2
    assert err.startswith("scentlab share: no file 'secret.csv' here; there are datapackage.json, ")


@pytest.mark.parametrize("words, said", [
    ((), "where to? give --out FILE.zip, or --preview to see what would leave"),
    (("--out", "x.tar"), "a package is a zip: give --out a name that ends in .zip, not x.tar"),
    (("--out", "nowhere/x.zip"), "there is no folder nowhere; make it or give another --out"),
    (("--out", "x.zip", "--hide", "notes,prices"),
     "--hide knows no 'prices'; give one or more of fragrance,costs,notes"),
    (("--out", "x.zip", "--leave-out", "hard"), "there is no blend 'hard' to leave out; the "
     "series has soft, soft-firm 70/30, creamy-firm 60/40"),
])
def test_what_cannot_be_shared_is_told_and_nothing_is_written(
    run, demo, tmp_path, monkeypatch, words, said
):
    monkeypatch.chdir(tmp_path)
    assert run("share", demo, *words) == (2, "", f"scentlab share: {said}\n")
    assert list(tmp_path.iterdir()) == []


def test_a_package_that_was_sent_is_not_replaced(run, demo, whole):
    before = whole.read_bytes()
    assert run("share", demo, "--out", whole) == (
        2, "", f"scentlab share: {whole} already exists and was not touched; give another name\n"
    )
    assert whole.read_bytes() == before


# --- open --------------------------------------------------------------------------------------


def test_open_finds_the_same_pick_and_saves_the_checked_files(run, sent, tmp_path):
    path, files = sent
    code, out, err = run("open", path, "--save", tmp_path / "from-the-maker")
    assert (code, err) == (0, "")
    assert "its loads come out the same to the printed digits" in re.sub(r"\s+", " ", out)
    pick = pd.read_csv(io.BytesIO(files["pick.csv"]))
    for row in pick.to_dict("records"):
        load, blend = say_load(row["load_pct"], sold=True), row["blend"]
        assert f"{blend}: the same\n  recommended  in the package {load}, found here {load}" in out
    saved = {p.name: p.read_bytes() for p in (tmp_path / "from-the-maker").iterdir()}
    assert b"<iframe sandbox" in saved.pop("report-of-the-sender.html")
    assert "Its scripts and links are switched off" in re.sub(r"\s+", " ", out)
    assert saved == {name: data for name, data in files.items() if name != "report.html"}


def changed(whole, path, old, new):
    """The package with another ceiling in it, honest in its hashes."""
    from scentlab.sharing.package import DESCRIPTOR, to_json, zipped

    with zipfile.ZipFile(whole) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    assert old in files["pick.csv"]
    files["pick.csv"] = files["pick.csv"].replace(old, new, 1)
    descriptor = json.loads(files[DESCRIPTOR])
    for resource in descriptor["resources"]:
        data = files[resource["path"]]
        resource["bytes"] = len(data)
        resource["hash"] = f"sha256:{hashlib.sha256(data).hexdigest()}"
    path.write_bytes(zipped({**files, DESCRIPTOR: to_json(descriptor)}))
    return path


def test_open_says_when_the_pick_is_another(run, whole, tmp_path):
    with zipfile.ZipFile(whole) as archive:
        load = pd.read_csv(archive.open("pick.csv"), dtype=str)["load_pct"].iloc[0]
    other = changed(whole, tmp_path / "other.zip", f",{load},".encode(), b",2.5,")
    code, out, err = run("open", other)
    assert (code, err) == (1, "")
    assert "NOT the same\n  recommended  in the package 2.5 % of wax" in out


def test_a_damaged_package_is_refused(run, whole, tmp_path):
    torn = tmp_path / "torn.zip"
    torn.write_bytes(whole.read_bytes()[:-2000])
    code, out, err = run("open", torn, "--save", tmp_path / "new")
    assert (code, out) == (2, "")
    assert re.fullmatch(
        r"scentlab open: torn.zip is damaged or not a zip \(.*\); ask the sender for the package "
        r"again\n", err
    )
    assert not (tmp_path / "new").exists()


def test_open_writes_over_no_folder(run, whole, tmp_path):
    assert run("open", whole, "--save", tmp_path) == (
        2, "", f"scentlab open: {tmp_path} already exists; give --save the name of a new folder\n"
    )


def test_a_disk_that_fills_leaves_no_half_folder(run, whole, tmp_path, monkeypatch):
    from scentlab.sharing import opening

    real = opening.write_whole

    def full(path, data):
        if path.name == "settings.json":
            raise OSError("no space left on the disk")
        real(path, data)

    monkeypatch.setattr(opening, "write_whole", full)
    code, out, err = run("open", whole, "--save", tmp_path / "new")
    assert (code, out, err) == (2, "", "scentlab open: no space left on the disk\n")
    assert list(tmp_path.iterdir()) == []


# --- compare and summary -----------------------------------------------------------------------


def test_compare_prints_the_load_of_each_series(run, demo):
    code, out, err = run("compare", demo, demo)
    assert (code, err) == (0, "")
    assert "(1): " in out and "(2): " in out


def test_summary_asks_and_holds_back(run, demo, tmp_path):
    page = tmp_path / "summary.html"
    code, out, err = run("summary", demo, "--out", page, "--hide", "fragrance,costs",
                         "--ask", "Is 8 % of wax within your limit?")
    assert (code, out, err) == (0, f"Summary: {page}\n", "")
    text = page.read_text()
    assert "Is 8 % of wax within your limit?" in text and not re.search("cedar", text, re.I)
    notices = re.findall('<p class="notice">(.*?)</p>', text)
    assert len(notices) == 1  # the load is to stand on the first screen
    assert notices[0].startswith("The fragrance&#39;s name and data are not shared; ")
    assert notices[0].endswith(" Costs are not shared, so the ranking here ignores them.")


@pytest.mark.parametrize("words, said", [
    (("compare", "DEMO"), "a comparison needs two or more series folders"),
    (("summary", "DEMO", "--out", "x.txt", "--ask", "?"),
     "this is a web page: give --out a name that ends in .html, not x.txt"),
    (("compare", "DEMO", "nowhere"), "nowhere is not a series folder: it has no series.sqlite; "
                                     "make one with: PROGRAM new nowhere"),
    (("summary", "DEMO", "--out", "no/x.html", "--ask", "?"),
     "there is no folder no; make it or give another --out"),
    (("summary", "DEMO", "--out", "x.html", "--ask", " "), "ask 1 to 6 questions of at most 300 "
                                                           "characters each"),
])
def test_no_page_is_written_when_something_is_wrong(
    run, demo, tmp_path, monkeypatch, words, said
):
    monkeypatch.chdir(tmp_path)
    words = [demo if w == "DEMO" else w for w in words]
    said = said.replace("PROGRAM", program())
    assert run(*words) == (2, "", f"scentlab {words[0]}: {said}\n")
    assert list(tmp_path.iterdir()) == []


# --- two series of other lots -------------------------------------------------------------------


@pytest.fixture(scope="module")
def other_lot(demo, tmp_path_factory):
    """A series of the demo's plan with another lot, its capacities 1.5 points lower."""
    from scentlab.simulate import BlendTruth, Truth, layout_of_plan, simulate_series

    plan = demo_plan()
    plan["fragrance"]["lot"], plan["title"] = "invented lot 78", "Demo: another lot (invented)"
    capacities = {"soft": 9.0, "soft-firm 70/30": 11.5, "creamy-firm 60/40": 10.5}
    truth = Truth({b: BlendTruth(c) for b, c in capacities.items()})
    series = simulate_series(layout_of_plan(plan), truth, 3)
    folder = tmp_path_factory.mktemp("other") / "series"
    store_series(series, folder)
    return folder


def test_compare_says_how_much_earlier_a_lot_sweats(run, demo, other_lot):
    code, out, err = run("compare", demo, other_lot)
    assert (code, err) == (0, "")
    words = re.sub(r"\s+", " ", out)
    assert re.search(
        r"soft: series 2 \(fragrance invented lot 78\) sweats \d\.\d points of load "
        r"\(% of wax\) "
        r"earlier than series 1 \(fragrance invented lot 77\), 90 % interval", words
    )


def test_compare_of_a_series_with_itself_says_why_it_says_no_more(run, demo):
    code, out, err = run("compare", demo, demo)
    said = ("The loads at which the series sweat are not compared: 1 and 2 contain mostly the "
            "same records.")
    assert said in re.sub(r"\s+", " ", out)
