"""Photos chosen for the report: on its first page and in the package, of loads that decide."""

import base64
import re

import pytest
from camera import camera_jpeg, quarters, segments

from scentlab.cli import main
from scentlab.recording.photos import add_photo, choose_photo, chosen_photos
from scentlab.screens.share import PACKAGE_NAME, _dossier, share_page
from scentlab.selling import package_of
from scentlab.sharing.opening import open_package
from scentlab.sharing.package import prepare_package
from scentlab.sharing.redaction import Choices


@pytest.fixture(scope="module")
def page():
    """The page to share of the demo, with photos at every load of its first blend; half are chosen.
    """
    page = share_page()
    store, grades = page.bench.store, page.analysis.series.grades
    best = page.analysis.pick.table.iloc[0]
    sweat = grades[(grades["test"] == "sweat") & (grades["blend"] == best["blend"])]
    page.above, page.others = [], []
    for place, row in enumerate(sweat.drop_duplicates("code").to_dict("records")):
        receipt = add_photo(store, row["code"], camera_jpeg(quarters(90 + 2 * place, 60)))
        chosen = place % 2 == 0
        if chosen:
            choose_photo(store, receipt.entry_id, True)
        near = round(row["load_pct"], 1) >= round(best["load_pct"], 1)
        (page.above if chosen and near else page.others).append(row["code"])
    assert page.above and page.others
    page.renew()
    return page


def shown_in(html):
    return re.findall(r'<img src="data:image/jpeg;base64,([^"]+)"[^>]* data-code="(\d{3})"', html)


def test_the_report_shows_those_chosen_at_and_above_the_recommended_load(page):
    shown = shown_in((page.bench.exports / "report.html").read_text())
    assert shown and {code for _, code in shown} <= set(page.above)
    for data, _ in shown:
        assert set(segments(base64.b64decode(data))[0]) <= {0xE0, 0xDB, 0xC0, 0xC2, 0xC4}


def test_a_package_has_them_in_its_report_alone_and_opens(page, tmp_path):
    photos = chosen_photos(page.bench.store)
    package = prepare_package(page.analysis, Choices(), photos)
    shown = shown_in(package.text("report.html"))
    assert shown and {code for _, code in shown} <= set(page.above)
    assert not [name for name in package.files if name.endswith(".jpg")]
    opened = open_package(package.write(tmp_path / PACKAGE_NAME))
    assert shown_in(opened.files["report.html"].decode()) == shown
    assert not shown_in(prepare_package(page.analysis).text("report.html"))


def test_photos_of_a_blend_that_is_left_out_do_not_leave(page):
    best = page.analysis.pick.table.iloc[0]["blend"]
    package = prepare_package(page.analysis, Choices(leave_out=(best,)),
                              chosen_photos(page.bench.store))
    assert shown_in(package.text("report.html")) == []


def test_the_command_shows_them_too(page, capsys):
    out = page.bench.folder / "by-command.html"
    assert main(["report", str(page.bench.folder), "--out", str(out)]) == 0
    capsys.readouterr()
    assert {code for _, code in shown_in(out.read_text())} <= set(page.above)
    assert shown_in(out.read_text())


def test_the_dossier_shows_three_of_them_wherever_it_is_made(page, capsys):
    """By the command, by the page, and in a package."""
    folder, kept = page.bench.folder, page.bench.exports / "dossier.html"
    assert main(["dossier", str(folder)]) == 0
    assert main(["batch", str(folder), "--wax", "1 lb"]) == 0  # a dossier goes with what is sold
    capsys.readouterr()
    by_command = shown_in(kept.read_text())
    kept.unlink()
    _dossier(page.analysis, page.bench)
    package = package_of(page.analysis, page.bench.store, Choices())
    assert by_command == shown_in(kept.read_text()) == shown_in(package.text("dossier.html"))
    assert len(by_command) == 3 and {code for _, code in by_command} <= set(page.above)
