"""Photos, scanned labels and the pour day over real HTTP: blind, bounded, stored once."""

import datetime as dt
import email.utils
import http.client
import json
import re

import pytest
from camera import camera_jpeg, png, quarters, segments
from serving import PLAN, TODAY, Phone

from scentlab.panel.bench import LARGEST_PHOTO, NO_LINK
from scentlab.panel.scoring import Panel
from scentlab.recording.address import panel_address, remembered
from scentlab.recording.photos import choose_photo, photos_of
from scentlab.units import Shown, showing

WAX = {"name": "soft wax", "max_temp_c": 90.0}
POURS = {
    **PLAN,
    "fragrance": {"name": "cedar", "flash_point_c": 75.0},
    "blends": [{"name": "secretmix", "parts": [{"wax": WAX, "fraction": 1.0}]}],
    "pours": PLAN["pours"] + [
        {"pour": "P78", "pot": "B", "blend": "secretmix", "poured_on": "2026-03-20",
         "load_pct": 6.25, "wax_g": 200.0, "fragrance_g": 12.5, "add_temp_c": 70.0},
        {"pour": "P79", "pot": "C", "blend": "secretmix", "poured_on": "2026-03-28",
         "load_pct": 8.0, "wax_g": 200.0, "fragrance_g": 16.0}],
}


@pytest.fixture
def plan():
    return POURS


@pytest.fixture
def maker(phone, panel):
    return Phone(phone.port, panel.pour_token)


def send(phone, data, code="417", key="photo-0001", assessor="A1", test="sweat", token=None):
    where = (f"/{token or phone.token}/photo?key={key}&assessor={assessor}&code={code}"
             f"&test={test}")
    status, text, _ = phone.ask(where, data, {"Content-Type": "image/jpeg"}, raw=True)
    return status, json.loads(text) if text.startswith("{") else text


def binary(phone, path, headers=()):
    connection = http.client.HTTPConnection("127.0.0.1", phone.port, timeout=20)
    connection.request("GET", path, headers=dict(headers))
    answer = connection.getresponse()
    found = answer.status, answer.read(), answer.headers
    connection.close()
    return found


class TestPhoto:
    def test_it_is_stored_bare_with_age_and_tester_and_is_shown(self, phone, store):
        status, told = send(phone, camera_jpeg())
        assert status == 200
        assert re.fullmatch(r"Saved at \S+: photo of piece 417, sweat, day 19\.", told["words"])
        (photo,) = photos_of(store)
        assert (photo.code, photo.test, photo.age_days, photo.assessor) == (
            "417", "sweat", 19.0, "A1")
        status, data, headers = binary(phone, f"/{phone.token}/photo/{told['name']}")
        assert (status, headers["Content-Type"]) == (200, "image/jpeg")
        assert data == photo.read() and set(segments(data)[0]) <= {0xE0, 0xDB, 0xC0, 0xC4}

    def test_sent_again_it_is_stored_once_even_a_day_later(self, phone, store, panel):
        first = send(phone, camera_jpeg())
        panel.today = TODAY + dt.timedelta(days=1)
        assert send(phone, camera_jpeg()) == first
        assert len(store.rows("photos", history=True)) == 1
        status, told = send(phone, camera_jpeg(), key="photo-0002")
        assert (status, told["error"]) == (
            409, "this photo of piece 417 is already kept; take another if you want to show more")

    def test_no_tester_sees_the_photo_of_another(self, phone):
        _, told = send(phone, camera_jpeg())
        own, other = (phone.ask(f"score/{a}")[1] for a in ("A1", "A2"))
        assert told["name"] in own and told["name"] not in other

    def test_it_tells_no_load(self, phone):
        _, told = send(phone, camera_jpeg(quarters(80, 60)))
        page = phone.ask("score/A1")[1]
        for secret in ("P77", "secretmix", "13.37", "26.74"):
            assert secret not in page and secret not in json.dumps(told)

    def test_it_is_undone_by_whoever_took_it(self, phone, store):
        _, told = send(phone, camera_jpeg())
        body = {"table": "photos", "key": "photo-0001"}
        assert phone.ask("undo", {**body, "assessor": "A2"})[0] == 409
        status, text, _ = phone.ask("undo", {**body, "assessor": "A1"})
        assert status == 200
        assert json.loads(text)["words"] == (
            "Undone: photo of piece 417, sweat, day 19. It no longer counts.")
        assert photos_of(store) == [] and len(store.rows("photos", history=True)) == 2
        assert binary(phone, f"/{phone.token}/photo/{told['name']}")[0] == 404

    def test_it_is_undone_though_the_maker_chose_it_for_the_report(self, phone, store):
        _, told = send(phone, camera_jpeg())
        other = send(phone, camera_jpeg(quarters(80, 60)), key="photo-0002")[1]
        choose_photo(store, told["entry_id"], True)
        body = {"table": "photos", "key": "photo-0001", "assessor": "A1"}
        for _ in range(2):  # an answer may be lost
            status, text, _ = phone.ask("undo", body)
            assert status == 200 and json.loads(text)["words"].startswith("Undone: photo of piece")
        assert [p.entry_id for p in photos_of(store)] == [other["entry_id"]]

    @pytest.mark.parametrize("data, change, words", [
        (b"no picture", {}, "the file is not a complete JPEG"),
        (camera_jpeg()[:400], {}, "the file is not a complete JPEG"),
        (png(60_000, 60_000), {}, "the photo has more than 64 million pixels"),
        (b"", {}, "the file is not a complete JPEG"),
        (camera_jpeg(), {"code": "999"}, "there is no piece 999"),
        (camera_jpeg(), {"code": "%00"}, "there is no piece"),
        (camera_jpeg(), {"assessor": "A7"}, "this series knows no such tester"),
        (camera_jpeg(), {"key": "short"}, "the page sent no key"),
    ])
    def test_what_is_wrong_is_told_and_nothing_is_kept(self, phone, store, data, change, words):
        status, told = send(phone, data, **change)
        assert status == 409 and told["error"].startswith(words)
        assert len(store.rows("photos")) == 0
        assert not list(store.folder.glob("photos/*"))

    def test_only_a_photo_may_be_large_and_only_behind_the_link(self, phone, store):
        large = camera_jpeg() + bytes(300_000)  # more than any other page takes
        assert send(phone, large)[0] == 200
        for token in ("wrong", "pour-token-of-22-chars"):
            try:
                assert send(phone, large, token=token)[0] == 404
            except (ConnectionError, http.client.HTTPException):
                pass  # the door is shut before all is sent
        try:
            assert send(phone, bytes(LARGEST_PHOTO + 1), key="photo-0003")[0] in (400, 413)
        except (ConnectionError, http.client.HTTPException):
            pass
        assert len(store.rows("photos")) == 1

    @pytest.mark.parametrize("name", ["417-0123456789abcdef.jpg", "../series.sqlite",
                                      "..%2fseries.sqlite", "417-../../panel.json"])
    def test_no_other_file_is_reachable(self, phone, name):
        status, data, _ = binary(phone, f"/{phone.token}/photo/{name}")
        assert status == 404 and b"SQLite" not in data


class TestScannedLabel:
    def test_it_leads_to_the_piece_on_the_phone_of_a_tester(self, phone):
        cookie = phone.ask("score/A1")[2]["Set-Cookie"]
        assert "HttpOnly" in cookie and "Path=/piece/" in cookie and "SameSite=Lax" in cookie
        until = email.utils.parsedate_to_datetime(re.search("expires=([^;]+)", cookie, re.I)[1])
        assert abs((until - dt.datetime.now(dt.UTC)).days - 60) <= 1  # not only this visit
        status, _, headers = phone.ask("/piece/305", headers={"Cookie": cookie.split(";")[0]},
                                       raw=True)
        assert status == 302
        assert headers["Location"] == f"/{phone.token}/score/A1?piece=305"
        assert self.scanned(phone, "305") == "305"

    def scanned(self, phone, code, assessor="A1"):
        text = phone.ask(f"score/{assessor}?piece={code}")[1]
        return json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])["scanned"]

    def test_what_is_no_code_is_dropped(self, phone):
        for odd in ("x", "3055", "%00", "<b>"):
            assert self.scanned(phone, odd) == ""

    @pytest.mark.parametrize("cookie", ["", "panel=", "panel=wrong.A1", "panel=.A1", "panel=x",
                                        "panel=right-token-of-22-char.A7",
                                        "panel=pour-token-of-22-chars.A1"])
    def test_without_the_link_it_says_the_same_of_every_code(self, phone, cookie):
        pages = []
        for code in ("417", "999"):
            status, text, _ = phone.ask(f"/piece/{code}", headers={"Cookie": cookie}, raw=True)
            assert status == 403 and NO_LINK in text and 'name="viewport"' in text
            assert phone.token not in text and "417" not in text
            pages.append(text)
        assert pages[0] == pages[1]
        style = re.search(r'rel="stylesheet" href="([^"]+)"', text)[1]
        assert phone.ask(style, raw=True)[0] == 200
        assert phone.ask("/piece/panel.js", raw=True)[0] == 404

    def test_the_address_is_known_once_the_panel_was_open_to_the_network(self, folder, store):
        from scentlab.panel.server import _remember

        assert panel_address(folder) == ""
        _remember(store, "t" * 22, 8000, pours="p" * 22, address="http://192.0.2.7:8000")
        assert panel_address(folder) == "http://192.0.2.7:8000"
        assert remembered(folder)["pours"] == "p" * 22
        for odd in ("http://x/<b>:80", "javascript:1", 7):
            _remember(store, "t" * 22, 8000, address=odd)
            assert panel_address(folder) == ""


class TestPourDay:
    TYPED = {"wax_g": "200", "fragrance_g": "12.5", "add_temp_c": "70"}

    def save(self, maker, pour="P78", key="pour-00001", typed=None, **more):
        body = {"key": key, "pour": pour, "typed": self.TYPED if typed is None else typed, **more}
        status, text, _ = maker.ask("pours/save", body)
        return status, json.loads(text)

    def test_the_links_of_testers_and_of_the_pour_day_are_apart(self, phone, maker):
        assert phone.ask("pours/")[0] == 404 and maker.ask("")[0] == 404
        assert maker.ask("score/A1")[0] == 404 and maker.ask("panel.css")[0] == 404
        for path in ("pours/save", "pours/undo"):
            assert phone.ask(path, {"key": "pour-00001"})[0] == 404
        for path in ("", "score/A1"):
            assert maker.token not in phone.ask(path)[1]
        assert phone.token not in maker.ask("pours/")[1]

    def test_the_page_has_what_is_due_and_its_plan(self, maker):
        status, text, _ = maker.ask("pours/")
        pours = json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])["pours"]
        assert status == 200
        for script in re.findall(r'<script src="(/[^"]+)"', text):
            assert maker.ask(script, raw=True)[0] == 200
        assert [(p["pour"], p["logged"], p["due"]) for p in pours] == [
            ("P77", True, True), ("P78", False, True), ("P79", False, False)]
        assert pours[1]["weigh"] == ["Wax 200.0 g (7.05 oz)", "Fragrance 12.50 g (0.44 oz)"]
        assert pours[1]["load"] == "Load 6.25 % of wax (5.88 % of total)"
        assert pours[1]["heat"] == (
            "Add the fragrance at 70 °C (158 °F), the wax maker's maximum is 90 °C (194 °F), "
            "closed-cup flash point of the fragrance 75 °C (167 °F).")

    def test_what_was_weighed_is_stored_and_acknowledged_once(self, maker, store):
        first = self.save(maker)
        assert first[0] == 200 and re.fullmatch(
            r"Saved at \S+: pour P78 at 6.25 % of wax \(5.88 % of total\), 12.5 g of fragrance in "
            r"200 g of wax, poured on 2026-03-20\.", first[1]["words"])
        assert self.save(maker) == first
        (row,) = store.rows("pours").query("pour == 'P78'").to_dict("records")
        assert (row["pot"], row["blend"], row["wax_g"], row["fragrance_g"], row["add_temp_c"]) == (
            "B", "secretmix", 200.0, 12.5, 70.0)
        assert [p["logged"] for p in first[1]["pours"]] == [True, True, False]
        status, told = self.save(maker, key="pour-00002")
        assert status == 409 and told["error"] == (
            "P78 is logged already, perhaps at the computer or on another phone; it stays as it is")

    def test_other_units_are_understood(self, maker, store):
        typed = {"wax_g": "7.05 oz", "fragrance_g": "0,44 oz", "add_temp_c": "158 °F",
                 "note": "a skin"}
        assert self.save(maker, typed=typed, day="2026-03-19")[0] == 200
        (row,) = store.rows("pours").query("pour == 'P78'").to_dict("records")
        # 1 oz is 28.349523125 g (international avoirdupois ounce, NIST Handbook 44, appendix C)
        assert row["wax_g"] == pytest.approx(7.05 * 28.349523125, abs=0.005)
        assert row["fragrance_g"] == pytest.approx(0.44 * 28.349523125, abs=0.005)
        assert (row["add_temp_c"], row["poured_on"]) == (70.0, dt.date(2026, 3, 19))

    def test_the_page_is_in_the_units_of_the_workshop(self, maker, store):
        with showing(Shown("oz", "F")):
            text = maker.ask("pours/")[1]
            pours = json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])["pours"]
            assert re.findall(r"<option.* selected>(.*?)</option>", text) == ["oz and °F"]
            assert pours[1]["weigh"] == ["Wax 7.05 oz (200.0 g)", "Fragrance 0.44 oz (12.50 g)"]
            assert pours[1]["heat"].startswith("Add the fragrance at 158 °F (70 °C), the wax")
            _, told = self.save(maker)
        assert "pour P78 at 1 oz/lb (6.25 % of wax, 5.88 % of total), 0.44 oz of fragrance in " \
            "7.05 oz of wax" in told["words"]
        assert re.findall(r"<option.* selected>(.*?)</option>", maker.ask("pours/")[1]) == [
            "g and °C"]

    def test_a_bare_number_is_in_the_units_that_the_page_shows(self, maker, store):
        typed = {"wax_g": "7.05", "fragrance_g": "0,44", "add_temp_c": "158", "stir_min": "2",
                 "room_temp_c": "70", "scale_check_g": "100.2"}
        status, told = self.save(maker, typed=typed, units=1)
        assert status == 200 and "The scale reads" not in told["words"]
        (row,) = store.rows("pours").query("pour == 'P78'").to_dict("records")
        # 1 oz is 28.349523125 g (international avoirdupois ounce, NIST Handbook 44, appendix C)
        assert row["wax_g"] == pytest.approx(7.05 * 28.349523125, abs=0.005)
        assert (row["add_temp_c"], row["room_temp_c"]) == (70.0, 21.11)
        assert (row["stir_min"], row["scale_check_g"]) == (2.0, 100.2)

    def test_a_scale_that_is_off_is_said_with_the_saving(self, maker):
        typed = {"wax_g": "200", "fragrance_g": "12.5", "scale_check_g": "3.1 oz"}
        sure = self.save(maker, typed=typed)[1].get("doubts", [])
        status, told = self.save(maker, typed=typed, sure=sure)
        assert status == 200 and told["words"].endswith(
            "The scale reads 12.1 % too little, and so does every fragrance weight: correct it "
            "before you pour.")

    @pytest.mark.parametrize("units", [0, 1])
    def test_a_check_weight_is_in_the_unit_of_the_page_and_what_cannot_be_is_refused_in_it(
            self, maker, store, units):
        """3.53 on a scale in oz is 100.07 g (1 oz is 28.349523125 g); in no unit is it 3.53 g."""
        typed = {"wax_g": "3 oz", "fragrance_g": "0.2 oz", "scale_check_g": "3.53"}
        status, told = self.save(maker, typed={**typed, "scale_check_g": "7"}, units=1)
        assert status == 409 and "from 80 to 120 (g), that is 2.82 oz to 4.23 oz." in told["error"]
        with showing(Shown("oz", "F")):
            assert 'data-units="g,oz,g,oz">g</span>\n<input name="scale_check_g"' in " ".join(
                maker.ask("pours/")[1].split(" "))
            status, told = self.save(maker, typed={**typed, "fragrance_g": "2 oz"}, units=1)
        assert status == 409 and "with 3 oz of wax this is 66.7 %" in told["error"]
        self.save(maker, typed=typed, units=units, sure=self.save(
            maker, typed=typed, units=units)[1].get("doubts", []))
        assert store.rows("pours")["scale_check_g"].iloc[-1] == pytest.approx(100.07, abs=0.005)

    def test_degrees_below_zero_are_of_the_scale_that_the_page_shows(self, maker, store):
        typed = {**self.TYPED, "add_temp_c": "158", "room_temp_c": "-5"}
        status, told = self.save(maker, typed=typed, units=2)  # -5 °F is -20.56 °C
        assert status == 409 and told["error"].startswith("Room at: found '-5', expected")

    @pytest.mark.parametrize("units", [None, -1, 4, True, "1", [1]])
    def test_other_choices_of_units_are_g_and_celsius(self, maker, store, units):
        assert self.save(maker, units=units)[0] == 200
        assert store.rows("pours")["wax_g"].tolist() == [200, 200]

    def test_an_empty_day_is_the_planned_one_when_that_is_past(self, maker, store, panel):
        def usual():
            text = maker.ask("pours/")[1]
            found = json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])["pours"]
            return [p["usual"] for p in found]

        assert usual() == ["2026-03-01, as planned", "today", "today"]
        panel.today = TODAY + dt.timedelta(days=3)
        assert usual() == ["2026-03-01, as planned", "2026-03-20, as planned", "today"]
        assert self.save(maker, day="")[1]["words"].endswith("poured on 2026-03-20.")
        assert self.save(maker, "P79", "pour-00002", {"wax_g": "200", "fragrance_g": "16"})[
            1]["words"].endswith("poured on 2026-03-23.")

    def test_a_likely_slip_is_asked_about_first(self, maker, store):
        typed = {**self.TYPED, "fragrance_g": "1.25", "add_temp_c": "95"}
        status, told = self.save(maker, typed=typed)
        assert status == 409 and told["doubts"] == [
            "The weighed load is 0.62 % of wax, planned 6.25 % of wax: is 1.25 g of fragrance in "
            "200 g of wax right?",
            "Wax temperature when the fragrance went in: 95 °C is above the wax maker's maximum "
            "of 90 °C and above the closed-cup flash point of the fragrance, 75 °C (no flame or "
            "spark near) and 25 °C above the planned 70 °C. Is 95 °C right?"]
        assert len(store.rows("pours")) == 1
        assert self.save(maker, typed=typed, sure=["something else"])[0] == 409
        assert self.save(maker, typed=typed, sure=told["doubts"])[0] == 200

    def test_ten_times_the_wax_at_the_planned_load_is_asked_about(self, maker, store):
        status, told = self.save(maker, typed={**self.TYPED, "wax_g": "2000",
                                               "fragrance_g": "125"})
        assert status == 409 and "2000 g of wax is far from the planned" in told["doubts"][0]
        assert len(store.rows("pours")) == 1

    @pytest.mark.parametrize("change, words", [
        ({"pour": "P99"}, "the plan has no test batch P99; reload the page"),
        ({"pour": ["a"]}, "the plan has no test batch ['a']; reload the page"),
        ({"key": ""}, "the page sent no key; reload it"),
        ({"typed": {}}, "Wax weighed: expected a number with a decimal point from "),
        ({"typed": 7}, "Wax weighed: expected a number"),
        ({"typed": {"wax_g": "two", "fragrance_g": "1"}},
         "Wax weighed: found 'two', expected a number"),
        ({"typed": {"wax_g": "5 fl oz", "fragrance_g": "1"}},
         "Wax weighed: found '5 fl oz', which is a volume, and the weight of a volume depends on "
         "the oil; write it as 450 g"),
        ({"typed": {"wax_g": "10", "fragrance_g": "200"}}, "200 g of fragrance: expected"),
        ({"day": "2026-04-20"}, "Day of pouring: 2026-04-20 is in the future."),
        ({"day": "yesterday"}, "Day of pouring: expected a date"),
        ({"day": {"a": 1}}, "Day of pouring: expected a date"),
    ])
    def test_what_is_wrong_is_told_and_nothing_is_stored(self, maker, store, change, words):
        status, told = self.save(maker, **change)
        assert status == 409 and told["error"].startswith(words)
        assert len(store.rows("pours")) == 1

    def test_each_wrong_field_has_a_line_of_its_own(self, maker):
        told = self.save(maker, typed={"wax_g": "x", "fragrance_g": "y", "add_temp_c": "z"})[1]
        assert [line.partition(":")[0] for line in told["error"].split("\n")] == [
            "Wax weighed", "Fragrance weighed", "Fragrance added at"]

    def test_it_is_undone_and_weighed_again(self, maker, store):
        _, told = self.save(maker)
        for entry in (True, -1, "1", 2**70, None, 999):
            assert maker.ask("pours/undo", {"entry_id": entry})[0] == 409
        status, text, _ = maker.ask("pours/undo", {"entry_id": told["entry_id"]})
        assert status == 200
        assert json.loads(text)["words"] == (
            "Undone: P78 waits to be poured again.")
        assert self.save(maker, key="pour-00002")[0] == 200
        assert len(store.rows("pours", history=True)) == 4

    def test_one_will_not_be_poured_and_is_taken_back(self, maker, store):
        body = {"key": "drop-00001", "pour": "P78", "note": "spilled"}
        status, text, _ = maker.ask("pours/drop", body)
        told = json.loads(text)
        assert status == 200 and told["table"] == "unpoured"
        assert told["words"].endswith(": P78 will not be poured (spilled).")
        assert [p["gone"] for p in told["pours"]] == ["", "P78 will not be poured (spilled)", ""]
        assert json.loads(maker.ask("pours/drop", body)[1])["entry_id"] == told["entry_id"]
        status, text, _ = maker.ask(
            "pours/undo", {"table": "unpoured", "entry_id": told["entry_id"]})
        assert status == 200 and json.loads(text)["words"] == (
            "Undone: P78 waits to be poured again.")
        assert not any(p["gone"] for p in json.loads(text)["pours"])
        for wrong in ({"pour": "P99"}, {"key": ""}):
            assert maker.ask("pours/drop", {**body, "key": "drop-00002", **wrong})[0] == 409
        assert maker.ask("pours/undo", {"table": "plan", "entry_id": 1})[0] == 409


def test_what_is_due_today_stands_on_the_first_page(phone, panel, monkeypatch):
    built = []
    monkeypatch.setattr(Panel, "items", lambda self, a, items=Panel.items: (
        built.append(a) or items(self, a)))
    text = phone.ask("")[1]
    assert built == ["A1", "A2"], "once for each, though two things are told of them"
    assert re.findall(r'<span class="due">(.*?)</span>', text) == 2 * [
        "1 sweat, 1 frost, 2 hot throw in session S1"]
    assert "ready to score" not in text and "not logged" not in text


def test_each_tester_has_an_own_list(phone, store):
    later = [{**s, "sitting": "S2", "kind": "cold"} for s in PLAN["smellings"]]
    store.save_plan({**POURS, "smellings": PLAN["smellings"] + later})
    for n, code in enumerate(("500", "501")):
        phone.save(code, "throw", 7, "A1", f"key-0000{n}", sitting="S1", kind="warm", minutes="30")
    phone.save("417", "sweat", 0, "A1", "key-00003")
    first, second = re.findall(r'<a class="choice".*?</a>', phone.ask("")[1], re.S)
    assert re.findall(r'"due">(.*?)<', first) == ["1 frost, 2 cold throw in session S2"]
    assert re.findall(r'"due">(.*?)<', second) == [
        "1 frost, 2 hot throw in session S1, 2 cold throw in session S2"]


def test_where_nothing_is_due_it_says_what_comes(phone, panel, store):
    panel.today = dt.date(2026, 3, 5)
    assert "<p>Nothing is ready to score; then 2 pieces to grade on 8 March" in phone.ask("")[1]
