"""The share package: follows the standard, comes back as it went, and keeps what is held back."""

import base64
import csv
import dataclasses
import io
import json
import re
import zipfile
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.known_load import known_load
from scentlab.planning.batch import make_batch, materials_of, sold_already
from scentlab.planning.lot import lot_plan
from scentlab.planning.plan import Plan
from scentlab.sharing import parts
from scentlab.sharing.guard import SharingError
from scentlab.sharing.opening import open_package
from scentlab.sharing.package import prepare_package
from scentlab.sharing.redaction import Choices, redact
from scentlab.sharing.report import write_supplier_summary

PROFILE = Path(__file__).parent / "reference" / "data-package-2-0.json"
SECRETS = {
    "fragrance": "Moonlit Quince", "lot": "QX-7731", "allergen": "Zedoarol",
    "note": "Tipped the jug; ask Vellimir", "blend": "blue-hour", "wax": "Karnelium",
    "assessor": "Q907",
}
EVERYTHING_HIDDEN = Choices(
    hide_fragrance=True, hide_costs=True, hide_notes=True, renumber_assessors=True,
    leave_out=(SECRETS["blend"],),
)


@pytest.fixture(scope="module")
def path(package, tmp_path_factory):
    return package.write(tmp_path_factory.mktemp("package") / "series.zip")


@pytest.fixture(scope="module")
def secretive(analysis):
    """The demo series with secrets planted in every place that a person can write to."""
    series = analysis.series
    old = series.blends["blend"].iloc[0]

    def renamed(frame):
        return frame.assign(blend=frame["blend"].replace(old, SECRETS["blend"]))

    def coded(frame):
        return frame.assign(assessor=frame["assessor"].replace("A1", SECRETS["assessor"]))

    pours = renamed(series.pours)
    pours["note"] = pours["note"].astype(object)
    pours.loc[20, "note"] = SECRETS["note"]
    fractions = series.fractions.rename(index={old: SECRETS["blend"]})
    fractions[SECRETS["wax"]] = [1.0 if b == SECRETS["blend"] else 0.0 for b in fractions.index]
    blends = renamed(series.blends)
    blends.loc[0, "composition"] = f"100 % {SECRETS['wax']}"
    text = json.dumps(series.plan)
    text = text.replace('"A1"', f'"{SECRETS["assessor"]}"').replace(
        json.dumps(old), json.dumps(SECRETS["blend"])
    )
    plan = json.loads(text)
    plan["title"] = f"The great {SECRETS['fragrance'].upper()} test of {SECRETS['blend']}"
    plan["fragrance"] |= {
        "name": SECRETS["fragrance"], "lot": SECRETS["lot"], "allergens": [SECRETS["allergen"]],
    }
    series = dataclasses.replace(
        series, title=plan["title"], fragrance=SECRETS["fragrance"], pours=pours,
        grades=coded(renamed(series.grades)), throws=coded(renamed(series.throws)),
        warmings=coded(renamed(series.warmings)), blends=blends, fractions=fractions, plan=plan,
    )
    return dataclasses.replace(analysis, series=series)


def test_the_heat_cycle_as_it_was_reached_goes_along(package, analysis, path):
    opened = open_package(path)
    assert package.text("heats.csv").splitlines() == [
        "started_on,low_c,high_c,hours,cycles,pack", "2026-09-23,37.2,39.0,12.0,3,open"]
    there, here = (a.rests.table for a in (opened.analysis, analysis))
    reached = there.loc[there["name"] == "heat reached", "value"].tolist()
    assert reached == ["3 x 12 h at 37.2 to 39 °C in the open pack"]
    assert there.equals(here)


@pytest.fixture(scope="module")
def hidden(secretive):
    return prepare_package(secretive, EVERYTHING_HIDDEN)


@pytest.mark.parametrize("which", ("package", "hidden"))
def test_the_descriptor_follows_the_published_profile(request, which):
    package = request.getfixturevalue(which)
    # Data Package standard 2.0, its own JSON Schema.
    profile = json.loads(PROFILE.read_text(encoding="utf-8"))
    descriptor = json.loads(package.text("datapackage.json"))
    jsonschema.Draft7Validator(profile).validate(descriptor)
    for wrong in ({"resources": []}, {"resources": [{"name": "x"}]}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.Draft7Validator(profile).validate(descriptor | wrong)


@pytest.mark.parametrize("which", ("package", "hidden"))
def test_a_general_validator_finds_every_row_valid(request, tmp_path, which):
    package = request.getfixturevalue(which)
    frictionless = pytest.importorskip("frictionless", reason="needs the test library frictionless")
    with zipfile.ZipFile(package.write(tmp_path / "series.zip")) as archive:
        archive.extractall(tmp_path)
    report = frictionless.Package(str(tmp_path / "datapackage.json")).validate()
    assert report.valid, report.flatten(["title", "message"])
    tables = [t for t in report.tasks if t.type == "table"]
    always = {p.name for p in (*parts.DATA_PARTS, parts.PICK_PART)}
    assert {t.name for t in tables} == always | {"warmings", "heats"}  # which the demo has
    expected = package.table.set_index("file")["rows"].dropna()
    assert {f"{t.name}.csv": t.stats["rows"] for t in tables} == expected.to_dict()


def test_a_general_validator_sees_a_changed_row(path, tmp_path):
    frictionless = pytest.importorskip("frictionless", reason="needs the test library frictionless")
    with zipfile.ZipFile(path) as archive:
        archive.extractall(tmp_path)
    pours = tmp_path / "pours.csv"
    first = pours.read_text(encoding="utf-8").splitlines()[1].split(",")[0]
    pours.write_text(pours.read_text(encoding="utf-8").replace(f"{first},", "P99-1,", 1))
    report = frictionless.Package(str(tmp_path / "datapackage.json")).validate()
    kinds = {kind for (kind,) in report.flatten(["type"])}
    assert {"hash-count", "foreign-key"} <= kinds


def test_it_comes_back_with_the_same_numbers(analysis, path):
    opened = open_package(path)
    assert opened.same and opened.table["same"].all()
    for name in ("pick", "ceiling"):
        pd.testing.assert_frame_equal(
            getattr(opened.analysis, name).table, getattr(analysis, name).table,
            check_dtype=False, rtol=1e-6,
        )
    assert opened.analysis.rules == analysis.rules and opened.analysis.seed == analysis.seed
    assert opened.versions["scentlab"]
    assert opened.sentence.startswith("The package is intact; its loads come out the same")


@pytest.mark.parametrize("part", parts.DATA_PARTS[:4], ids=lambda p: p.name)
def test_every_table_survives_csv(analysis, part):
    frame = getattr(analysis.series, part.name)
    back = parts.from_csv(parts.to_csv(frame, part), part, f"{part.name}.csv")
    assert list(back.columns) == list(frame.columns)
    for column in part.columns:
        if column.kind in ("number", "integer"):
            np.testing.assert_array_equal(
                back[column.name].to_numpy(dtype=float, na_value=np.nan),
                frame[column.name].to_numpy(dtype=float, na_value=np.nan),
            )
        else:
            assert back[column.name].astype(str).tolist() == frame[column.name].astype(str).tolist()


def test_wax_fractions_survive_rows(analysis):
    fractions = analysis.series.fractions
    back = parts.rows_to_fractions(parts.fractions_to_rows(fractions))
    pd.testing.assert_frame_equal(back, fractions, check_names=False, check_dtype=False)


def test_the_preview_is_what_leaves(package, path):
    with zipfile.ZipFile(path) as archive:
        assert {n: archive.read(n) for n in archive.namelist()} == package.files
    listed = package.table.set_index("file")
    assert list(listed.index) == list(package.files)
    lines = list(csv.reader(io.StringIO(package.text("throws.csv"))))
    assert listed.at["throws.csv", "rows"] == len(lines) - 1
    assert listed.at["throws.csv", "columns"] == ", ".join(lines[0])
    assert "report.html" in package._repr_html_()


def test_the_same_package_is_the_same_bytes(package, path, tmp_path):
    assert package.write(tmp_path / "again.zip").read_bytes() == path.read_bytes()


def test_the_secrets_would_be_found(secretive):
    """The search below can fail: with nothing held back every secret is in the package."""
    everything = unpacked(prepare_package(secretive).files)
    for secret in SECRETS.values():
        assert secret.lower() in everything, secret


def unpacked(files):
    """All text of a package in lower case, with the pictures of the report decoded."""
    text = "\n".join(name + "\n" + data.decode("utf-8") for name, data in files.items())
    pictures = re.findall(r"base64,([A-Za-z0-9+/=]+)", text)
    return "\n".join([text, *(base64.b64decode(p).decode("utf-8") for p in pictures)]).lower()


def test_nothing_hidden_is_left_anywhere(hidden, tmp_path):
    raw = hidden.write(tmp_path / "hidden.zip").read_bytes().lower()
    with zipfile.ZipFile(tmp_path / "hidden.zip") as archive:
        text = unpacked({n: archive.read(n) for n in archive.namelist()})
    words = [*SECRETS.values(), "moonlit", "quince", "vellimir"]
    for secret in words:
        assert secret.lower() not in text, secret
        assert secret.lower().encode() not in raw, secret


def test_hidden_costs_leave_no_price(hidden):
    blends = pd.read_csv(io.StringIO(hidden.text("blends.csv")))
    assert blends[["wax_price_per_kg", "fragrance_price_per_kg"]].isna().all(axis=None)
    assert pd.read_csv(io.StringIO(hidden.text("pick.csv")))["cost_per_piece"].isna().all()
    prices = re.findall(r'"price_per_kg": (\S+?)[,\n]', hidden.text("plan.json"))
    assert prices and set(prices) == {"null"}


def test_a_package_says_what_was_held_back_and_opens_with_its_own_pick(hidden, tmp_path):
    opened = open_package(hidden.write(tmp_path / "hidden.zip"))
    assert opened.same
    assert opened.notices[0] == (
        "One blend of the series is left out; the fits and ranking here rest on the others only."
    )
    for notice in opened.notices:
        assert notice in hidden.text("report.html").replace("&#39;", "'")
    assert SECRETS["blend"] not in set(opened.table["blend"])


def test_new_codes_tell_nothing_of_the_old_ones(analysis):
    orders = set()
    for _ in range(12):
        series, _ = redact(analysis.series, Choices(renumber_assessors=True))
        works = series.throws.loc[series.throws["works_with_fragrance"] == "yes", "assessor"]
        orders.add(tuple(sorted(set(works))))
        assert not set(series.throws["assessor"]) & set(analysis.series.throws["assessor"])
        assert len(series.throws) == len(analysis.series.throws)
        assert series.plan["smellings"] == [] and series.plan["seed"] is None
    # One of six assessors works with the fragrance: 12 draws of the same code have a chance of
    # 6 ** -11.
    assert len(orders) > 1


def test_holding_back_leaves_the_makers_series_alone(analysis):
    before = json.dumps(analysis.series.plan), analysis.series.throws.copy()
    redact(analysis.series, dataclasses.replace(EVERYTHING_HIDDEN, leave_out=()))
    assert json.dumps(analysis.series.plan) == before[0]
    pd.testing.assert_frame_equal(analysis.series.throws, before[1])


def test_a_secret_in_a_place_that_cannot_be_hidden_stops_the_package(analysis):
    pours = analysis.series.pours.copy()
    name = pours["pour"].iloc[0]
    pours["pour"] = pours["pour"].replace(name, "quince-1")
    frames = {
        n: getattr(analysis.series, n).assign(
            pour=getattr(analysis.series, n)["pour"].replace(name, "quince-1")
        )
        for n in ("grades", "throws")
    }
    series = dataclasses.replace(
        analysis.series, fragrance="Moonlit Quince", pours=pours, plan=None, **frames
    )
    with pytest.raises(SharingError) as error:
        prepare_package(
            dataclasses.replace(analysis, series=series), Choices(hide_fragrance=True)
        )
    assert str(error.value) == (
        "these words may give away what you want hidden. For each, say that it may stay "
        "(--may-stay WORD, or tap it in the form) or hide it too (--also-hide WORD, or tap it). A "
        "blend, wax, pour or file that gives it away needs another name:\n  'quince' in the pour "
        "quince-1 holds 'Quince'"
    )


def test_the_name_of_the_zip_and_what_is_asked_tell_nothing(hidden, tmp_path):
    with pytest.raises(SharingError, match="'Quincewood' in the name of the zip holds 'Quince'"):
        hidden.write(tmp_path / "Quincewood.zip")
    assert not list(tmp_path.iterdir())
    with pytest.raises(SharingError, match="'quince' in what is asked holds 'Quince'"):
        write_supplier_summary(hidden.analysis, tmp_path / "s.html", ["Is quince stable?"],
                               hidden.guard)


def test_a_cell_that_a_spreadsheet_would_run_leaves_disarmed_and_comes_back(analysis):
    pours = analysis.series.pours.copy()
    pours["note"] = pours["note"].astype(object)
    pours.loc[0, "note"], pours.loc[1, "note"] = "=1+1", "'quoted"
    data = parts.to_csv(pours, parts.POUR_PART)
    assert b",'=1+1\r\n" in data and b"\n=" not in data and b",=" not in data
    back = parts.from_csv(data, parts.POUR_PART, "pours.csv")
    assert list(back["note"][:2]) == ["=1+1", "'quoted"]


def test_wrong_choices_are_refused(analysis, package, tmp_path):
    names = ", ".join(analysis.series.blends["blend"])
    with pytest.raises(SharingError, match="^there is no blend 'x' to leave out; the series has "):
        redact(analysis.series, Choices(leave_out=("x",)))
    with pytest.raises(SharingError, match="^every blend would be left out; keep at least one$"):
        redact(analysis.series, Choices(leave_out=tuple(names.split(", "))))
    with pytest.raises(SharingError, match="^leave_out is the text 'soft'; give a tuple"):
        Choices(leave_out="soft")
    with pytest.raises(SharingError, match="^series.txt does not end in .zip; give a name that "
                                           "does$"):
        package.write(tmp_path / "series.txt")
    with pytest.raises(FileNotFoundError, match="no such folder for the package"):
        package.write(tmp_path / "nowhere" / "series.zip")
    with pytest.raises(SharingError, match="^no file 'x' here; there are datapackage.json, "):
        package.text("x")


def test_the_lots_that_were_checked_stay_at_home_with_a_hidden_fragrance(series):
    """Their pours are in no table of the package, and stood in its plan with the number of the lot.
    """
    plan = Plan.from_dict(series.plan)
    grown = lot_plan(plan, "soft", [6, 8, 10], "B77-19", stress="heat", start="2026-12-01", seed=1)
    held, _ = redact(dataclasses.replace(series, plan=grown.to_dict()),
                     Choices(hide_fragrance=True))
    assert "B77-19" in json.dumps(grown.to_dict()) and "B77-19" not in json.dumps(held.plan)
    for name in ("pours", "pieces", "smellings"):
        assert held.plan[name] == series.plan[name]
    # Where all was poured of that lot it is the series, and what it was called is left out.
    marked = {**series.plan, "pours": [p | {"lot": "B77-19"} for p in series.plan["pours"]]}
    held, _ = redact(dataclasses.replace(series, plan=marked), Choices(hide_fragrance=True))
    assert held.plan["pours"] == series.plan["pours"]
    bare = {name: said for name, said in series.plan.items() if name != "pours"}
    held, _ = redact(dataclasses.replace(series, plan=bare), Choices(hide_fragrance=True))
    assert "pours" not in held.plan, "a plan that names none stays one"


def test_what_of_a_hidden_fragrance_stays_is_said(analysis):
    """The regulatory limit stands in blends.csv, whatever else is hidden, for the pick uses it."""
    first = "The fragrance's name and data are not shared"
    stays = "; its regulatory limit is, because the recommended load rests on it"
    assert analysis.series.blends["limit_content_pct"].notna().all()
    series, held = redact(analysis.series, Choices(hide_fragrance=True, hide_costs=True))
    assert held.notices[0] == f"{first}{stays}."
    assert series.blends["limit_content_pct"].equals(analysis.series.blends["limit_content_pct"])
    _, held = redact(analysis.series, Choices(hide_fragrance=True))
    assert held.notices == (f"{first}{stays}; its price is, because costs are shared.",)
    blends = analysis.series.blends.assign(limit_content_pct=np.nan, fragrance_price_per_kg=np.nan)
    bare = dataclasses.replace(analysis.series, blends=blends)
    assert redact(bare, Choices(hide_fragrance=True))[1].notices == (f"{first}.",)


def test_a_preview_shows_an_empty_cell_where_there_are_no_rows(package):
    page = package._repr_html_()
    assert "NA&gt;" not in page and "<NA>" not in page and "nan" not in page.lower()
    assert package.table["rows"].isna().any()


def test_the_dossier_goes_along_where_a_batch_was_made(analysis, package, tmp_path, quick):
    """Hidden with the rest, and kept in a frame that runs nothing when it is opened."""
    def batch_of(shared):
        return make_batch(known_load(shared), materials_of(shared.series), wax_g=453.59)

    folder = tmp_path / "series"
    (folder / "exports").mkdir(parents=True)
    assert not sold_already(folder)
    (folder / "exports" / "batch-soft.html").touch()
    assert sold_already(folder)
    hidden = prepare_package(analysis, Choices(hide_fragrance=True), (), batch_of)
    assert "fragrance (name not shared)" in hidden.text("dossier.html")
    assert analysis.series.plan["fragrance"]["lot"] not in hidden.text("dossier.html")
    path = hidden.write(tmp_path / "with.zip")
    open_package(path).save(tmp_path / "kept")
    page = (tmp_path / "kept" / "dossier-of-the-sender.html").read_text(encoding="utf-8")
    assert "<iframe sandbox" in page and not (tmp_path / "kept" / "dossier.html").exists()
    assert "dossier.html" not in package.files
