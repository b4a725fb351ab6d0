"""The phone pages in a real browser: photos, scanned labels, the pour day, light and dark.

Contrast and names are judged by axe-core, which is not ours (WCAG 2, levels A and AA).
"""

import datetime as dt
import io
import json
import re

import pytest
from camera import camera_jpeg, quarters, segments
from PIL import Image, ImageDraw
from serving import Server, poured

from scentlab.panel.server import LARGEST_PHOTO
from scentlab.recording.photos import photos_of

pytestmark = pytest.mark.browser
PLAN = {
    "title": "phone", "assessors": ["A1", "A2"], "fragrance": {"name": "fig", "flash_point_c": 90},
    "blends": [{"name": "soft", "parts": [{"wax": {"name": "wax", "max_temp_c": 92},
                                           "fraction": 1.0}]}],
    "pours": [{"pour": f"P77-{n}", "pot": "P77", "blend": "soft", "poured_on": str(dt.date.today()),
               "load_pct": 6.25, "wax_g": 200.0, "fragrance_g": 12.5} for n in (1, 2, 3)],
    "pieces": [{"code": c, "pour": "P77-1", "test": t, "stress": "rest", "due_on": "2026-03-08"}
               for c, t in (("417", "sweat"), ("418", "sweat"), ("305", "frost"),
                            ("500", "throw"), ("501", "throw"))],
    "smellings": [{"sitting": "S1", "sitting_on": "2026-03-15", "kind": "warm", "assessor": "A1",
                   "position": n, "code": c} for n, c in enumerate(("500", "501"), 1)],
}


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return poured(tmp_path_factory.mktemp("phone") / "series", PLAN, fragrance_g=12.5)


@pytest.fixture(scope="module")
def links(store):
    server = Server(store.folder)
    base = server.link.rsplit("/", 2)[0]
    pours = json.loads((store.folder / "panel.json").read_text())["pours"]
    yield {"panel": server.link, "base": base, "pours": f"{base}/{pours}/pours/"}
    server.kill()


@pytest.fixture
def phone(chromium):
    context = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    page.set_default_timeout(20000)
    yield page
    context.close()


def said(page, pattern):
    page.wait_for_function(
        "p => new RegExp(p).test(document.getElementById('said').textContent)", arg=pattern)


def need_accessible(page, scheme="light"):
    """In dark only what hangs on colours is looked at."""
    runner = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="needs the test library axe-playwright")
    rules = {"runOnly": ["color-contrast"]} if scheme == "dark" else {}
    found = runner.Axe().run(page, options=rules).response
    assert len(found["passes"]) > (0 if rules else 10)  # it did look
    assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found["violations"]] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def picture(height=300):
    """A photo that no other test takes."""
    drawn = Image.fromarray(quarters(2400, height))
    ImageDraw.Draw(drawn).ellipse((10, 10, 200, 200), "brown")
    out = io.BytesIO()
    drawn.save(out, "JPEG")
    return out.getvalue()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_are_accessible_in_their_colours(phone, links, scheme):
    phone.clock.install()
    phone.emulate_media(color_scheme=scheme)
    phone.goto(links["panel"])
    ink, paper = phone.evaluate(
        "[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor]")
    brighter = [sum(map(int, re.findall(r"\d+", c)[:3])) for c in (ink, paper)]
    assert (brighter[0] > brighter[1]) == (scheme == "dark")
    link = phone.get_by_text("Link for another phone")
    assert link.bounding_box()["height"] >= 44
    link.tap()
    need_accessible(phone, scheme)
    phone.goto(links["panel"] + "score/A1")
    need_accessible(phone, scheme)
    for turn in ("Frost", "Hot throw"):
        phone.clock.fast_forward(650)
        phone.get_by_role("link", name=re.compile(turn)).tap()
        phone.clock.fast_forward(650)  # buttons are dim until a tap counts
        need_accessible(phone, scheme)
    phone.goto(links["pours"])
    need_accessible(phone, scheme)
    phone.get_by_role("button", name="P77-3", exact=True).tap()
    phone.fill("[name=wax_g]", "200")
    phone.fill("[name=fragrance_g]", "1")
    phone.get_by_role("button", name="Save this test batch").tap()
    said(phone, "^NOT SAVED YET. The weighed load is 0.50 % of wax, planned 6.25")
    assert phone.inner_text("#weigh") == "Wax 200.0 g (7.05 oz), Fragrance 12.50 g (0.44 oz)"
    need_accessible(phone, scheme)


def test_a_photo_is_scaled_sent_shown_and_undone(phone, links, store):
    before = len(photos_of(store))
    phone.goto(links["panel"] + "score/A1")
    data = picture(900)
    phone.set_input_files("#camera", {"name": "IMG_1.jpg", "mimeType": "image/jpeg",
                                      "buffer": data})
    said(phone, r"^Saved at \d\d:\d\d:\d\d: photo of piece 417, sweat, day \d+\.$")
    photo = photos_of(store)[-1]
    assert (photo.code, photo.test, photo.assessor) == ("417", "sweat", "A1")
    assert Image.open(io.BytesIO(photo.read())).width == 1600
    shown = phone.locator("#photos img")
    assert shown.count() == 1 and shown.get_attribute("alt") == (
        "Photo 1 of piece 417, taken by A1")
    phone.wait_for_function("() => document.querySelector('#photos img').naturalWidth === 1600")
    need_accessible(phone)
    phone.get_by_role("button", name="Undo").tap()
    said(phone, "^Undone: photo of piece 417")
    assert phone.locator("#photos img").count() == 0 and len(photos_of(store)) == before


def test_a_photo_is_upright_and_bare_also_where_the_browser_scaled_it(phone, links, store):
    phone.goto(links["panel"] + "score/A1")
    taken = camera_jpeg(quarters(640, 400), orientation=6)
    phone.set_input_files("#camera", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": taken})
    said(phone, "^Saved at .* photo of piece 417")
    data = photos_of(store)[-1].read()
    kept = Image.open(io.BytesIO(data))
    assert kept.height == 640 and 0xE1 not in segments(data)[0]
    red, green, blue = kept.getpixel((kept.width - 20, 20))  # the top left, turned to the right
    assert red > 200 and green < 60 and blue < 60
    phone.get_by_role("button", name="Undo").tap()
    said(phone, "^Undone")


def test_what_the_browser_cannot_read_is_refused_in_words(phone, links):
    phone.goto(links["panel"] + "score/A1")
    phone.set_input_files("#camera", {"name": "a.heic", "mimeType": "image/heic",
                                      "buffer": b"\x00\x00\x00\x18ftypheic" + bytes(99)})
    said(phone, "^NOT SAVED: the photo of piece 417. this is a film, or a photo in a format")


def test_a_photo_that_is_too_large_is_refused_and_holds_up_no_other(phone, links, store):
    before = len(photos_of(store))
    phone.goto(links["panel"] + "score/A1")
    phone.set_input_files("#camera", {"name": "a.heic", "mimeType": "image/heic",
                                      "buffer": b"\x00\x00\x00\x18ftypheic" + bytes(LARGEST_PHOTO)})
    said(phone, "^NOT SAVED: the photo of piece 417. It has 9 MB and .* the limit is 8 MB")
    assert phone.locator("#waiting").is_hidden()
    phone.set_input_files("#camera", {"name": "a.jpg", "mimeType": "image/jpeg",
                                      "buffer": picture(820)})
    said(phone, "^Saved at .* photo of piece 417")
    assert len(photos_of(store)) == before + 1
    phone.get_by_role("button", name="Undo").tap()
    said(phone, "^Undone")


def test_a_photo_waits_for_the_connection(phone, links, store):
    phone.goto(links["panel"] + "score/A1")
    phone.context.set_offline(True)
    phone.set_input_files("#camera", {"name": "a.jpg", "mimeType": "image/jpeg",
                                      "buffer": picture(800)})
    phone.wait_for_function("() => document.getElementById('waiting').textContent.startsWith("
                            "'NOT SAVED YET: photo of 417 waits')")
    before = len(photos_of(store))
    phone.context.set_offline(False)
    said(phone, "^Saved at .* photo of piece 417")
    assert len(photos_of(store)) == before + 1
    phone.get_by_role("button", name="Undo").tap()
    said(phone, "^Undone")


def test_a_scanned_label_opens_its_piece(phone, links):
    assert phone.goto(links["base"] + "/piece/418").status == 403
    assert "First open the panel link" in phone.inner_text("body")
    need_accessible(phone)
    phone.goto(links["panel"] + "score/A1")
    assert phone.inner_text("#code") == "417"
    phone.goto(links["base"] + "/piece/418")
    assert phone.inner_text("#code") == "418" and "piece=" not in phone.url
    phone.goto(links["base"] + "/piece/305")
    assert phone.inner_text("#code") == "305"
    phone.goto(links["base"] + "/piece/500")  # the next of its session
    assert phone.inner_text("#code") == "500"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_label_that_is_not_to_be_scored_now_stops(phone, links, scheme):
    """No button of another piece stands below it."""
    phone.emulate_media(color_scheme=scheme)
    phone.goto(links["panel"] + "score/A1")
    for code, head, why in (
            ("501", "501: not now", "It is smelt in its turn (Hot throw, S1)."),
            ("999", "999: nothing to score",
             "There is nothing to score on this piece for A1 now. Check its label again.")):
        phone.goto(links["base"] + f"/piece/{code}")
        assert (phone.inner_text("#what"), phone.inner_text("#air")) == (head, why)
        assert phone.locator("#answers button:visible, [aria-current]").count() == 0
        assert phone.inner_text("#begin") == "Go on with 417"
        need_accessible(phone)
    phone.locator("#begin").tap()
    assert phone.inner_text("#code") == "417"


def test_the_pour_day_in_ounces_and_undone(phone, links, store):
    phone.goto(links["pours"])
    phone.select_option("#units", "1")
    phone.get_by_role("button", name="P77-2", exact=True).tap()
    assert "Fragrance weighed, oz" in phone.inner_text("#form")
    assert "100 g check weight, oz" in phone.inner_text("#form")
    assert "Day of pouring (empty: today)" in phone.inner_text("#form")
    phone.fill("[name=wax_g]", "7.05")
    phone.reload()  # what was typed is kept on the phone
    phone.get_by_role("button", name="P77-2", exact=True).tap()
    assert phone.input_value("[name=wax_g]") == "7.05" and phone.input_value("#units") == "1"
    phone.fill("[name=fragrance_g]", "0.44")
    phone.fill("[name=add_temp_c]", "180")
    phone.get_by_role("button", name="Save this test batch").tap()
    said(phone, "^Saved at .* pour P77-2 at 6.24 % of wax")
    row = store.rows("pours").query("pour == 'P77-2'").iloc[0]
    assert (row["wax_g"], row["add_temp_c"]) == (199.86, 82.22)
    assert row["poured_on"] == dt.date.today()
    assert phone.get_by_role("button", name="P77-2 (logged)").is_disabled()
    phone.get_by_role("button", name="Undo").tap()
    said(phone, "^Undone: P77-2 waits")
    assert phone.input_value("[name=wax_g]") == "7.05"
    assert len(store.rows("pours")) == 1


def test_the_second_tap_of_a_double_tap_answers_no_question(phone, links, store, at_once):
    phone.goto(links["pours"])
    phone.get_by_role("button", name="P77-3", exact=True).tap()
    phone.fill("[name=wax_g]", "200")
    phone.fill("[name=fragrance_g]", "40")
    save = phone.get_by_role("button", name="Save this test batch")
    with at_once(phone):
        save.tap()
        said(phone, "^NOT SAVED YET. The weighed load is 20.00 % of wax, planned 6.25")
        save.tap()
        phone.wait_for_timeout(500)
    assert "P77-3" not in set(store.rows("pours")["pour"])
    phone.wait_for_timeout(650)  # it was read
    save.tap()
    said(phone, "^Saved at .* pour P77-3 at 20.00 % of wax")
    phone.get_by_role("button", name="Undo").tap()
    said(phone, "^Undone")


def test_one_that_will_not_be_poured_waits_no_more_and_is_taken_back(phone, links, store):
    phone.goto(links["pours"])
    phone.get_by_role("button", name="P77-2", exact=True).tap()
    phone.fill("[name=note]", "dropped")
    phone.get_by_role("button", name="It will not be poured").tap()
    said(phone, r"^Saved at .*: P77-2 will not be poured \(dropped\)")
    assert phone.inner_text("#due") == (
        "Due today: 1 of 3 test batches, pot P77. 1 is logged. P77-2 will not be poured (dropped).")
    assert not phone.is_visible("#form") and len(store.rows("unpoured")) == 1
    phone.get_by_role("button", name="P77-2 (not poured)").tap()
    assert phone.is_visible("#save") and not phone.is_visible("#drop"), "poured after all"
    phone.get_by_role("button", name="Undo").tap()
    said(phone, "^Undone: P77-2 waits to be poured again.")
    assert phone.input_value("[name=note]") == "dropped" and phone.is_visible("#drop")
    assert store.rows("unpoured").empty


def test_a_pour_waits_for_the_connection(phone, links, store):
    phone.goto(links["pours"])
    phone.get_by_role("button", name="P77-3", exact=True).tap()
    phone.fill("[name=wax_g]", "200")
    phone.fill("[name=fragrance_g]", "12.5")
    phone.context.set_offline(True)
    phone.get_by_role("button", name="Save this test batch").tap()
    said(phone, "^NOT SAVED YET: no connection")
    assert "test batch P77-3 waits on this phone" in phone.inner_text("#waiting")
    phone.context.set_offline(False)
    said(phone, "^Saved at .* pour P77-3")
    assert store.rows("pours")["pour"].tolist() == ["P77-1", "P77-3"]
    phone.get_by_role("button", name="Undo").tap()
    said(phone, "^Undone")
