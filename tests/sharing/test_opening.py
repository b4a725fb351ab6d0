"""Packages from elsewhere: damaged, hostile, newer or edited ones are refused, and say why."""

import csv
import hashlib
import io
import json
import re
import stat
import struct
import warnings
import zipfile

import pandas as pd
import pytest
from once import anew

from scentlab.choosing.analysis import DRAWS, analyse
from scentlab.sharing import opening
from scentlab.sharing.opening import PackageError, open_package
from scentlab.sharing.package import prepare_package, zipped


@pytest.fixture(scope="module")
def files(package):
    return package.files


def resealed(files, **changes):
    """Files with some replaced (by name without ending) and the hashes made to fit again."""
    files = dict(files)
    for stem, data in changes.items():
        name = next(n for n in files if n.startswith(f"{stem}."))
        files[name] = data if isinstance(data, bytes) else json.dumps(data).encode()
    descriptor = json.loads(files["datapackage.json"])
    for resource in descriptor["resources"]:
        data = files.get(resource["path"])
        if data is not None:
            resource["bytes"] = len(data)
            resource["hash"] = f"sha256:{hashlib.sha256(data).hexdigest()}"
    files["datapackage.json"] = json.dumps(descriptor).encode()
    return files


def with_entry(files, name, data=b"x"):
    """A zip with one more entry of that name."""
    out = io.BytesIO(zipped(files))
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as archive, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        archive.writestr(zipfile.ZipInfo(name), data)
    return out.getvalue()


def without(files, name):
    return zipped({n: d for n, d in files.items() if n != name})


def linked(files, kind):
    """The zip with report.html as a link or device of that kind."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            info = zipfile.ZipInfo(name)
            info.create_system = 3
            if name == "report.html":
                info.external_attr = (kind | 0o777) << 16
                data = b"/etc/passwd"
            archive.writestr(info, data)
    return out.getvalue()


def patched(raw, name, offset, form, value):
    """The zip with a field of the central directory entry of ``name`` overwritten."""
    raw = bytearray(raw)
    place = raw.rfind(b"PK\x01\x02", 0, raw.rfind(name.encode()))
    struct.pack_into(form, raw, place + offset, value)
    return bytes(raw)


def edited_cell(files, stem, column, value):
    """The zip with one cell of a table's first row edited, hashes made to fit."""
    lines = list(csv.reader(io.StringIO(files[f"{stem}.csv"].decode("utf-8"))))
    lines[1][lines[0].index(column)] = value
    out = io.StringIO(newline="")
    csv.writer(out).writerows(lines)
    return zipped(resealed(files, **{stem: out.getvalue().encode()}))


def settings_with(files, **changes):
    settings = json.loads(files["settings.json"])
    return zipped(resealed(files, settings={**settings, **changes}))


def rules_with(files, **changes):
    return settings_with(files, rules={**json.loads(files["settings.json"])["rules"], **changes})


def descriptor_with(files, change):
    descriptor = json.loads(files["datapackage.json"])
    change(descriptor)
    return zipped({**files, "datapackage.json": json.dumps(descriptor).encode()})


def set_in(key, value):
    def change(descriptor):
        descriptor[key] = value

    return change


def set_in_resource(place, key, value):
    def change(descriptor):
        descriptor["resources"][place][key] = value

    return change


# Numbers that differ keep it from being refused as a bomb before it is read.
DEEP = "".join(f"[{i * 7919 % 100_003}," for i in range(20_000)).encode()
OUTSIDE = "could land outside its folder"
# What is sent, and the words with which it must be refused.
HOSTILE = {
    "parent folder": (lambda f: with_entry(f, "../evil.html"), OUTSIDE),
    "deep parent folder": (lambda f: with_entry(f, "a/../../evil.csv"), OUTSIDE),
    "absolute path": (lambda f: with_entry(f, "/tmp/evil.csv"), OUTSIDE),
    "backslashes": (lambda f: with_entry(f, "..\\evil.csv"), OUTSIDE),
    "drive letter": (lambda f: with_entry(f, "C:evil.csv"), OUTSIDE),
    "device name": (lambda f: with_entry(f, "con"), OUTSIDE),
    "sub-folder": (lambda f: with_entry(f, "data/pours.csv"), OUTSIDE),
    "a folder": (lambda f: with_entry(f, "folder/", b""), OUTSIDE),
    "dot file": (lambda f: with_entry(f, ".bashrc"), OUTSIDE),
    "line break in a name": (lambda f: with_entry(f, "a\nb.csv"), OUTSIDE),
    "long name": (lambda f: with_entry(f, "a" * 60_000 + ".csv"), OUTSIDE),
    "name from right to left": (lambda f: with_entry(f, "pours\u202evsc.html"), OUTSIDE),
    "zero byte in a name": (lambda f: with_entry(f, "evil.csv").replace(
        b"evil.csv", b"evi\x00.csv"), OUTSIDE),
    "a program": (lambda f: with_entry(f, "setup.exe"), OUTSIDE),
    "a stranger": (lambda f: with_entry(f, "extra.csv"), "extra.csv, which does not belong"),
    "a link": (lambda f: linked(f, stat.S_IFLNK), "report.html is a link or a device"),
    "a device": (lambda f: linked(f, stat.S_IFCHR), "report.html is a link or a device"),
    "a pipe": (lambda f: linked(f, stat.S_IFIFO), "report.html is a link or a device"),
    "a bomb": (lambda f: zipped({**f, "report.html": b"0" * 15_000_000}), "would swell from"),
    "a large part": (lambda f: patched(zipped(f), "report.html", 24, "<I", 900_000_000),
                     "would swell from"),
    "a part larger than it says": (lambda f: patched(zipped(f), "report.html", 24, "<I", 5_000),
                                   "report.html"),
    "many files": (lambda f: zipped({**f, **{f"a{i}.csv": b"" for i in range(99)}}),
                   "more than 40"),
    "the same name twice": (lambda f: with_entry(f, "pours.csv"), "two files of one name"),
    "a password": (lambda f: patched(zipped(f), "report.html", 8, "<H", 1), "is encrypted"),
    "an unknown packing": (lambda f: patched(zipped(f), "report.html", 10, "<H", 99),
                           "damaged or not a zip"),
    "a wrong checksum": (lambda f: patched(zipped(f), "report.html", 16, "<I", 1),
                         "damaged or not a zip"),
    "cut short": (lambda f: zipped(f)[:-4000], "damaged or not a zip"),
    "cut in the middle": (lambda f: zipped(f)[:20_000], "damaged or not a zip"),
    "not a zip": (lambda f: b"PK\x03\x04 nothing of the kind", "damaged or not a zip"),
    "empty": (lambda f: b"", "damaged or not a zip"),
    "an empty zip": (lambda f: zipped({}), "datapackage.json is missing"),
    "no pours": (lambda f: without(f, "pours.csv"), "pours.csv is missing"),
    "a changed report": (lambda f: zipped({**f, "report.html": b"<p>all is well"}),
                         "report.html was changed after the package was made"),
    "a changed load": (lambda f: zipped({**f, "pick.csv": f["pick.csv"].replace(b"0", b"1")}),
                       "pick.csv was changed after the package was made"),
    "no JSON": (lambda f: zipped({**f, "datapackage.json": b"{"}), "not readable JSON"),
    "deep JSON": (lambda f: zipped({**f, "datapackage.json": DEEP}), "not readable JSON"),
    "JSON with NaN": (lambda f: zipped({**f, "settings.json": b'{"format": NaN}'}),
                      "NaN is not a number"),
    "JSON that is a list": (lambda f: zipped({**f, "settings.json": b"[]"}), "is not an object"),
    "broken letters": (lambda f: zipped({**f, "settings.json": b'{"a": "\xff"}'}),
                       "not readable JSON"),
    "a formula in a note": (
        lambda f: edited_cell(f, "pours", "note", "=HYPERLINK(1)"),
        "column note: found '=HYPERLINK(1)', expected a text that no spreadsheet runs as a formula",
    ),
    "a formula behind a space": (
        lambda f: edited_cell(f, "pick", "reason", " +1"), "no spreadsheet runs as a formula"),
    "a heat cycle upside down": (
        lambda f: edited_cell(f, "heats", "low_c", "79"), "expected at most high_c, which is 39"),
    "a newer format": (lambda f: settings_with(f, format=3), "update scentlab"),
    "an older format": (lambda f: settings_with(f, format=1), "scentlab 0.1.0 wrote this"),
    "no format": (lambda f: settings_with(f, format="one"), "names no format"),
    "another profile": (lambda f: descriptor_with(f, set_in("$schema", "x")), "does not follow"),
    "no resources": (lambda f: descriptor_with(f, set_in("resources", [])), "lists no resources"),
    "a resource elsewhere": (
        lambda f: descriptor_with(f, set_in_resource(1, "path", "../../etc/passwd")),
        "does not list each file"),
    "a remote resource": (
        lambda f: descriptor_with(f, set_in_resource(1, "path", "https://example.org/a.csv")),
        "does not list each file"),
    "a resource without path": (
        lambda f: descriptor_with(f, set_in_resource(1, "path", None)), "has no path"),
    "unknown rules": (lambda f: rules_with(f, __class__="x"), "no rules that this version knows"),
    "a rule out of range": (lambda f: rules_with(f, risk=7), "risk is 7; give a number"),
    "a rule of another kind": (lambda f: rules_with(f, risk="high"), "are not valid"),
    "a seed that is none": (lambda f: settings_with(f, seed="x"), "has no valid seed"),
    "a piece without mass": (
        lambda f: settings_with(
            f, series={**json.loads(f["settings.json"])["series"], "piece_g": -1}),
        "a piece of -1 g is not possible"),
    "a text for a number": (
        lambda f: edited_cell(f, "pours", "wax_g", "=1+1"), "pours.csv, row 2, column wax_g"),
    "a load that is not weighed": (
        lambda f: edited_cell(f, "pours", "load_pct", "39.5"), "is not that of its weights"),
    "a grade of a strange pour": (
        lambda f: edited_cell(f, "grades", "pour", "P77-1"),
        "grades.csv names the pour 'P77-1'"),
    "a ragged row": (
        lambda f: zipped(resealed(f, blends=f["blends.csv"] + b"a,b\r\n")), "blends.csv, row "),
    "an open quote": (
        lambda f: zipped(resealed(f, blends=f["blends.csv"] + b'"open')), "do not match"),
    "no rows": (
        lambda f: zipped(resealed(f, grades=f["grades.csv"].split(b"\r\n")[0] + b"\r\n")),
        "cannot be analysed"),
}


def snapshot(folder):
    return {p: p.stat().st_mtime_ns for p in sorted(folder.rglob("*"))}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_or_damaged_package_is_refused_and_nothing_is_written(
    files, tmp_path, monkeypatch, name
):
    make, words = HOSTILE[name]
    home = tmp_path / "home"
    home.mkdir()
    path = home / "package.zip"
    path.write_bytes(make(files))
    monkeypatch.chdir(home)
    before = snapshot(tmp_path)
    with pytest.raises(PackageError) as error:
        open_package(path)
    assert words in str(error.value), str(error.value)
    assert len(str(error.value)) < 2000
    assert snapshot(tmp_path) == before


def test_there_are_forty_hostile_packages():
    assert len(HOSTILE) >= 40


def test_a_file_that_is_not_there_or_too_large(tmp_path, monkeypatch):
    with pytest.raises(PackageError, match="is not a file; give the path of the zip that was sent"):
        open_package(tmp_path / "none.zip")
    monkeypatch.setattr(opening, "MOST_PACKED", 10)
    (tmp_path / "large.zip").write_bytes(b"0" * 100)
    with pytest.raises(PackageError, match="more than the 0 MB that a package may have"):
        open_package(tmp_path / "large.zip")


def test_the_bomb_is_not_unpacked(files, tmp_path, monkeypatch):
    path = tmp_path / "bomb.zip"
    path.write_bytes(zipped({**files, "report.html": b"0" * 15_000_000}))

    def unpack(*_):
        raise AssertionError("unpacked")

    monkeypatch.setattr(opening, "_unpack", unpack)
    with pytest.raises(PackageError, match="would swell from"):
        open_package(path)


def test_a_pick_that_was_edited_with_its_hash_is_seen_by_the_analysis(files, package, tmp_path):
    best = package.analysis.pick.table.iloc[0]
    path = tmp_path / "edited.zip"
    path.write_bytes(edited_cell(files, "pick", "load_pct", "9.99"))
    opened = open_package(path)
    assert not opened.same
    assert opened.sentence.startswith(
        f"The package is intact, but the analysis here differs for {best['blend']}; compare the "
        "versions before relying on either."
    )
    row = opened.table.set_index("blend").loc[best["blend"]]
    assert (row["load_pct_in_package"], row["load_pct_here"]) == (9.99, best["load_pct"])


def test_a_good_package_is_saved_into_a_new_folder_only(package, files, tmp_path):
    opened = open_package(package.write(tmp_path / "good.zip"))
    folder = opened.save(tmp_path / "new")
    saved = {p.name: p.read_bytes() for p in folder.iterdir()}
    page = saved.pop("report-of-the-sender.html").decode()
    assert saved == {n: data for n, data in files.items() if n != "report.html"}
    assert "<iframe sandbox " in page and "made by the sender" in page and "<script" not in page
    with pytest.raises(PackageError, match="is there already; give a new folder$"):
        opened.save(folder)
    with pytest.raises(PackageError, match="no such folder; make it first$"):
        opened.save(tmp_path / "a" / "b")


@pytest.mark.parametrize("changes, words", [
    ({"notices": 3}, "notices is not a list"),
    ({"notices": ["red\x1b[31m"]}, "notices 1 holds U+001B, which is invisible"),
    ({"notices": ["x" * 3000]}, "is longer than 2000 characters"),
    ({"versions": {"python\u202e": "3"}}, "holds U+202E, which is invisible"),
    ({"versions": []}, "versions is not a group of names"),
    ({"series": {"title": ["a"]}}, "series, title is not a text"),
    ({"series": {"invented": "no"}}, "series, invented is not yes or no"),
    ({"series": 3}, "series is not a group of names"),
    ({"series": None}, "has no series"),
])
def test_every_field_is_checked_by_shape_and_kind(files, changes, words):
    settings = {**json.loads(files["settings.json"]), **changes}
    with pytest.raises(PackageError) as error:
        opening._check_settings(settings)
    assert words in str(error.value)


@pytest.mark.parametrize("plan, words", [
    ({"pours": 3}, "pours is not a list"), ({"title": "a\x1b"}, "title holds U+001B"),
    ({"blends": [{"name": "x"}]}, "blends 1 has no parts"),
])
def test_a_plan_is_checked_by_shape(files, plan, words):
    with pytest.raises(PackageError, match=re.escape(f"plan.json is not a plan: {words}")):
        opening._series(resealed(files, plan=plan), json.loads(files["settings.json"]))


@pytest.mark.usefixtures("quick")
def test_the_number_of_draws_travels_and_the_numbers_come_back_exactly(
    series, tmp_path, monkeypatch
):
    """The same records, rules, seed and draws: every figure is the same, not the printed ones."""
    anew(monkeypatch)
    other = prepare_package(analyse(series, seed=7, draws=600))
    assert json.loads(other.files["settings.json"])["draws"] == 600
    opened = open_package(other.write(tmp_path / "other.zip"))
    assert opened.analysis.draws == 600
    for name in ("load_pct", "ceiling_load_pct", "sweat_risk", "sweat_upper", "p_over", "throw"):
        pd.testing.assert_series_equal(
            opened.analysis.pick.table[name], other.analysis.pick.table[name], check_exact=True
        )
    assert "(seed 7, 600 draws)" in other.text("report.html")


def test_a_package_from_before_draws_were_kept_has_the_usual_number(files, tmp_path):
    settings = json.loads(files["settings.json"])
    del settings["draws"]
    path = tmp_path / "old.zip"
    path.write_bytes(zipped(resealed(files, settings=settings)))
    opened = open_package(path)
    assert opened.same and opened.analysis.draws == DRAWS


@pytest.mark.parametrize("draws", [0, 99, 10**9, 2000.5, True, "2000", None])
def test_a_number_of_draws_that_cannot_be_is_refused(files, tmp_path, draws):
    settings = json.loads(files["settings.json"]) | {"draws": draws}
    path = tmp_path / "odd.zip"
    path.write_bytes(zipped(resealed(files, settings=settings)))
    with pytest.raises(PackageError, match="^settings.json asks for .* draws; 100 to 50000"):
        open_package(path)


def test_words_that_describe_a_column_may_change_from_version_to_version(files, tmp_path):
    descriptor = json.loads(files["datapackage.json"])
    for resource in descriptor["resources"]:
        for field in resource.get("schema", {}).get("fields", []):
            field["description"] = "said otherwise"
    path = tmp_path / "words.zip"
    path.write_bytes(zipped({**files, "datapackage.json": json.dumps(descriptor).encode()}))
    assert open_package(path).same


def test_a_package_of_another_python_opens_and_tells_its_versions(files, tmp_path):
    settings = json.loads(files["settings.json"])
    settings["versions"] |= {"python": "3.13.1", "numpy": "9.9.9"}
    path = tmp_path / "other.zip"
    path.write_bytes(zipped(resealed(files, settings=settings)))
    opened = open_package(path)
    assert opened.same
    assert (opened.versions["python"], opened.versions["numpy"]) == ("3.13.1", "9.9.9")
