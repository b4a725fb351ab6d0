"""The panel's pages over real HTTP: the door, the blind, acknowledgement and resending."""

import contextlib
import datetime as dt
import json
import logging
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import tornado.netutil
from serving import PLAN, TODAY, Phone, poured, serving

from scentlab.panel import server as panel_server
from scentlab.panel.scoring import Panel
from scentlab.panel.server import (
    IN_ALL,
    LARGEST_BODY,
    PER_ADDRESS,
    BoundedLog,
    Door,
    _remember,
    _remembered,
    announcement,
    make_app,
    qr_svg,
)
from scentlab.recording.progress import turn_words
from scentlab.recording.store import Store, StoreError


def test_without_the_token_nothing_is_served(phone, store):
    for path in ("/", "/panel.js", "/wrong/", "/wrong/score/A1", "/wrong/panel.css", "/favicon.ico",
                 "/right-token-of-22-cha/", "/RIGHT-TOKEN-OF-22-CHAR/", "/é/"):
        status, text, _ = phone.ask(path.replace("é", "%C3%A9"), raw=True)
        assert (status, text) == (404, "Nothing here. Use the full link.\n"), path
    body = {"key": "key-00001", "assessor": "A1", "code": "417", "test": "sweat", "value": 2}
    for path in ("/save", "/wrong/save", "/wrong/undo", "/wrong/alive"):
        assert phone.ask(path, body, raw=True)[0] == 404
    assert store.rows("grades", history=True).empty


@pytest.mark.parametrize("path", [
    "../series.sqlite", "series.sqlite", "panel.json", "..%2fseries.sqlite", "%2e%2e/panel.json",
    "../../../../etc/passwd", "pages/panel.html", "panel.html", "panel.js/../panel.html",
    "score/../panel.json", "score/A1/../../series.sqlite", "//etc/passwd", "save", "score/A1%00",
])
def test_no_other_file_is_reachable(phone, path):
    status, text, _ = phone.ask(path)
    assert status in (404, 405), path
    assert "SQLite" not in text and "root:" not in text and "{%" not in text


def test_the_page_has_its_scripts_and_style(phone):
    page = phone.ask("score/A1")[1]
    found = re.findall(r'<(?:script src|link rel="stylesheet" href)="(/[^"]+)"', page)
    assert [where.split("/")[-1] for where in found] == [
        "panel.css", "phone.js", "queue.js", "panel.js"]
    for where in found:
        status, text, headers = phone.ask(where, raw=True)
        assert status == 200 and len(text) > 500
        assert headers["Content-Type"].startswith("text/css" if "css" in where else "text/javasc")
    assert phone.ask("pours.js")[0] == 404


def test_the_page_shows_codes_and_no_key(phone):
    status, text, _ = phone.ask("")
    assert status == 200
    assert "A1: 4 to score" in text and "A2: 4 to score" in text
    status, text, _ = phone.ask("score/A1")
    assert status == 200
    for secret in ("P77", "secretmix", "13.37", "heat", "Cedar", str(phone.port)):
        assert secret not in text, secret
    assert [(i["code"], i["what"]) for i in phone.items("A2")] == [
        ("417", "Sweat grade"), ("305", "Frost grade"), ("501", "Hot throw, session S1"),
        ("500", "Hot throw, session S1"),
    ]


def test_the_age_of_a_piece_to_be_graded_stands_beside_its_code(phone):
    """Poured on 1 March, inspected on 20 March, planned for 8 March."""
    assert [i["age"] for i in phone.items("A1")] == ["19 days old (planned: 7)"] * 2 + [""] * 2


def test_headers_keep_the_page_to_itself(phone):
    for path in ("", "score/A1", "phone.js", "panel.js", "panel.css", "nothing"):
        headers = phone.ask(path)[2]
        policy = headers["Content-Security-Policy"]
        assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self';")
        assert "unsafe" not in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Cache-Control"] == "no-store"
        assert headers["Referrer-Policy"] == "same-origin"


def test_the_pages_name_no_other_host():
    for path in Path(panel_server.__file__).parent.joinpath("pages").iterdir():
        assert not re.search(r"(https?:)?//[a-z]", re.sub(r"(?m)^//.*$| // .*$", "",
                                                           path.read_text())), path.name


def test_a_score_is_stored_and_acknowledged(phone, store):
    status, told = phone.save()
    assert status == 200
    row = store.rows("grades").iloc[0]
    assert told["entry_id"] == row["entry_id"]
    assert re.fullmatch(
        r"Saved at \d\d:\d\d:\d\d: piece 417, sweat grade 2 \(visible film\)\.", told["words"]
    )
    # Stress and age are looked up, not taken from the phone: 1 to 20 March.
    assert (row["assessor"], row["grade"], row["stress"], row["age_days"]) == (
        "A1", 2, "heat", 19.0
    )
    assert "417" not in [i["code"] for i in phone.items("A1")]


def test_a_throw_score_carries_the_plan(phone, store):
    status, _ = phone.save("501", "throw", 7, "A2", sitting="S1", kind="warm", position=9,
                           minutes="30.5")
    assert status == 200
    row = store.rows("throws").iloc[0]
    assert (row["throw"], row["minutes"], row["position"], row["works_with_fragrance"]) == (
        7.0, 30.5, 1, "no"
    )


def test_a_piece_left_for_later_has_the_place_at_which_it_was_smelt(phone, store):
    """A2 was to smell 501 and then 500."""
    for code in ("500", "501", "500"):
        status, _ = phone.save(code, "throw", 7, "A2", sitting="S1", kind="warm", minutes="30",
                               key=f"key-of-{code}")
        assert status == 200, "also where it is sent again"
    rows = store.rows("throws")
    assert dict(zip(rows["code"], rows["position"], strict=True)) == {"500": 1, "501": 2}


def test_a_resend_is_stored_once_even_a_day_later(phone, store, panel):
    first = phone.save()
    panel.today = TODAY + dt.timedelta(days=1)
    assert phone.save()[1] == first[1]
    assert len(store.rows("grades", history=True)) == 1
    status, told = phone.save(value=3)
    assert (status, told["error"]) == (
        409, "this key belongs to another score; reload the page"
    )


def test_a_score_that_waited_keeps_its_age(phone, store, panel):
    panel.today = None
    age = (dt.date.today() - dt.date(2026, 3, 1)).days
    phone.save("417", waited_s=3 * 86400)
    phone.save("305", "frost", 0, key="key-00002", waited_s=-5)
    assert list(store.rows("grades")["age_days"]) == [age - 3, age]


@pytest.mark.parametrize("change, words", [
    ({"assessor": "A7"}, "this series knows no such tester; choose your code again"),
    ({"assessor": "<b>"}, "this series knows no such tester; choose your code again"),
    ({"assessor": None}, "this series knows no such tester; choose your code again"),
    ({"key": ""}, "the page sent no key; reload it"),
    ({"key": ["a"]}, "the page sent no key; reload it"),
    ({"key": "k" * 65}, "the page sent no key; reload it"),
    ({"code": "999"}, "piece 999 is not to be scored for this test"),
    ({"code": "' OR 1=1"}, "piece ' OR 1=1 is not to be scored for this test"),
    ({"code": {"a": 1}}, "piece {'a': 1} is not to be scored for this test"),
    ({"test": "frost"}, "piece 417 is not to be scored for this test"),
    ({"test": ["sweat"]}, "piece 417 is not to be scored for this test"),
    ({"value": 5}, "the grade must be a whole number from 0 to 4 (grade)"),
    ({"value": -1}, "the grade must be a whole number from 0 to 4 (grade)"),
    ({"value": "2; DROP"}, "the grade must be a whole number from 0 to 4 (grade)"),
    ({"value": None}, "the grade must be a whole number from 0 to 4 (grade)"),
    ({"value": "٢"}, "the grade must be a whole number from 0 to 4 (grade)"),
    ({"code": "500", "test": "throw", "sitting": "S9", "kind": "warm"},
     "piece 500 is not planned for A1 in this session"),
    ({"code": "500", "test": "throw", "sitting": "S1", "kind": "warm", "minutes": "half"},
     "the minutes must be a number with a decimal point from 0 to 1440 (min)"),
    ({"code": "500", "test": "throw", "sitting": "S1", "kind": "warm", "minutes": "nan"},
     "the minutes must be a number with a decimal point from 0 to 1440 (min)"),
    ({"code": "500", "test": "throw", "sitting": "S1", "kind": "warm", "minutes": "30",
      "value": "11"}, "the throw must be a whole number from 0 to 10 (throw, 0 to 10)"),
])
def test_what_a_page_never_sends_is_refused(phone, store, change, words):
    status, told = phone.save(**{"key": "key-00001", **change})
    assert (status, told["error"]) == (409, words)
    assert store.rows("grades", history=True).empty


def test_the_same_piece_twice_is_refused(phone):
    """Two phones as one tester: the first score stays, and the other page hears what waits now."""
    phone.save()
    status, told = phone.save(key="key-00002", value=4)
    assert (status, told["error"]) == (
        409, "piece 417, sweat grade 2 (visible film) is already stored for A1, perhaps from "
             "another phone or page; it stays as it is"
    )
    assert [i["code"] for i in told["items"]] == ["305", "500", "501"]
    assert told["scored"] == {"sweat": 1}
    throw = {"test": "throw", "kind": "warm", "sitting": "S1"}
    assert phone.save("500", value=5, key="key-00003", minutes="30", **throw)[0] == 200
    status, told = phone.save("500", value=6, key="key-00004", minutes="31", **throw)
    assert (status, told["error"].split(" is ")[0]) == (409, "piece 500, hot throw 5 of 10")


def test_a_fault_that_may_pass_keeps_the_score_on_the_phone(phone, panel, monkeypatch):
    def full(*_, **__):
        raise StoreError(f"the disk of {panel.store.place} is full; nothing was saved")

    monkeypatch.setattr(panel.store, "add", full)
    assert phone.save() == (503, {"error": "the disk of the series is full; nothing was saved"})
    monkeypatch.undo()
    assert phone.save()[0] == 200


def test_the_place_of_the_series_is_not_shown(panel, phone):
    assert panel.store.place == "the series" and panel.store.folder.is_dir()


def test_a_page_that_cannot_be_read_says_why_and_logs_no_link(phone, panel, monkeypatch, capsys):
    def broken(*_, **__):
        raise StoreError(f"{panel.store.place}: series.sqlite is damaged")

    monkeypatch.setattr(panel.store, "plan", broken)
    assert phone.ask("")[:2] == (503, "the series: series.sqlite is damaged")
    monkeypatch.setattr(panel.store, "plan", lambda: 1 / 0)
    status, text, _ = phone.ask("save", {"key": "key-00001", "assessor": "A1"})
    assert (status, json.loads(text)["error"]) == (
        503, "the series could not be used; the panel window on the computer says why"
    )
    assert panel.token not in "".join(capsys.readouterr())


def test_the_log_is_short_and_without_the_link(capsys):
    log = BoundedLog("right-token-of-22-char")
    for n in range(1000):
        log.handle(logging.makeLogRecord({"msg": f"{n} at /right-token-of-22-char/{'x' * 9000}"}))
    said = capsys.readouterr().err
    assert len(said) < 50_000 and "right-token" not in said
    assert said.splitlines()[-1].endswith("(nothing more is shown this hour)")


class Line:
    """A connection for the door: open until it is closed."""

    open = True

    def close(self):
        self.open = False


def test_the_door_keeps_room_for_phones(panel):
    """Where an address has too many, strangers go first, oldest first; others keep theirs."""
    door = Door(make_app(panel))

    def comes(address, link=False):
        door._make_room(address)
        line = Line()
        line.has_link = link
        door._guests[line] = address
        return line

    phone, elsewhere = comes("192.0.2.1", link=True), comes("192.0.2.2")
    crowd = [comes("192.0.2.1") for _ in range(1000)]
    assert phone.open and elsewhere.open
    assert [line.open for line in crowd] == [n > 1000 - PER_ADDRESS for n in range(1000)]
    many = [comes(f"192.0.2.{n % 100 + 10}") for n in range(1000)]
    assert phone.open and not elsewhere.open and many[-1].open
    assert len(door._guests) == IN_ALL
    phones = [comes("192.0.2.200", link=True) for _ in range(PER_ADDRESS + 1)]
    assert not phones[0].open and all(line.open for line in phones[1:])


@pytest.mark.parametrize("host, status", [
    ("127.0.0.1:80", 200), ("localhost", 200), ("[::1]:9", 200), ("LOCALHOST:1", 200),
    ("192.0.2.7", 200), ("localhost.lan:1", 200), ("evil.example", 404),
    ("127.0.0.1.evil.example", 404), ("localhost.evil.example", 404), ("1.2.3", 404),
])
def test_only_an_address_or_this_machine_is_asked_for(phone, host, status):
    """A page of another site can lead its own name here, and no address."""
    assert phone.ask("", headers={"Host": host})[0] == status


def test_undo_is_a_new_row_of_the_same_assessor(phone, store):
    phone.save()
    undo = {"table": "grades", "key": "key-00001"}
    status, text, _ = phone.ask("undo", {**undo, "assessor": "A2"})
    assert (status, json.loads(text)["error"]) == (409, "only your own score can be undone")
    status, text, _ = phone.ask("undo", {**undo, "assessor": "A1"})
    assert json.loads(text)["words"] == (
        "Undone: piece 417, sweat grade 2 (visible film). It no longer counts."
    )
    assert store.rows("grades").empty
    assert store.rows("grades", history=True)["void_reason"].tolist()[1] == (
        "undone on the panel page by A1"
    )
    assert "417" in [i["code"] for i in phone.items("A1")]
    again = phone.ask("undo", {**undo, "assessor": "A1"})
    assert again[0] == 200 and len(store.rows("grades", history=True)) == 2
    phone.save(key="key-00002", value=3)
    store.void("grades", int(store.rows("grades")["entry_id"].iloc[0]), "another piece")
    assert phone.ask("undo", {**undo, "key": "key-00002", "assessor": "A1"})[0] == 200, (
        "a score that was made void at the computer is undone")
    assert len(store.rows("grades", history=True)) == 4
    for wrong in ({"table": "about"}, {"table": "pours"}, {"key": "1"}, {"key": 99}):
        assert phone.ask("undo", {**undo, "assessor": "A1", **wrong})[0] == 409


def test_undo_by_the_key_of_a_score_that_may_have_been_stored(phone, store):
    """A phone that heard no answer does not know."""
    undo = {"table": "grades", "key": "key-00001", "assessor": "A1"}
    status, text, _ = phone.ask("undo", undo)
    assert (status, json.loads(text)) == (200, {"words": "Undone before it was saved."})
    phone.save()
    assert phone.ask("undo", {**undo, "assessor": "A2"})[0] == 409
    assert not store.rows("grades").empty
    for _ in range(2):
        status, text, _ = phone.ask("undo", undo)
        assert status == 200 and json.loads(text)["words"].startswith("Undone: piece 417, sweat")
    assert store.rows("grades").empty and len(store.rows("grades", history=True)) == 2
    for wrong in ({"key": ["a"]}, {"key": ""}, {"table": ["grades"]}, {"table": "pours"}):
        assert phone.ask("undo", {**undo, **wrong})[0] == 409


@pytest.mark.parametrize("headers", [
    {"Origin": "http://elsewhere.example"}, {"Origin": "null"},
    {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"},
])
def test_another_site_can_send_nothing(phone, store, headers):
    body = {"key": "key-00001", "assessor": "A1", "code": "417", "test": "sweat", "value": 2}
    status, text, _ = phone.ask("save", body, headers)
    assert (status, text) == (403, "Refused.\n")
    assert store.rows("grades", history=True).empty


@pytest.mark.parametrize("body", ["", "{", "[]", "7", '"x"', '{"a": NaN'])
def test_a_body_that_is_no_score(phone, body):
    status = phone.ask("save", body, {"Content-Type": "application/json"}, method="POST")[0]
    assert status == 400


def test_a_body_too_large_is_cut_off(phone):
    with contextlib.suppress(ConnectionError):
        status = phone.ask("save", "x" * (LARGEST_BODY + 1), method="POST")[0]
        assert status in (400, 413)


def test_markup_in_the_series_does_nothing(phone, store):
    nasty = "</script><script>alert(1)</script>"
    plan = json.loads(json.dumps(PLAN))
    plan["smellings"][0]["sitting"] = nasty
    store.save_plan(plan)
    _, text, _ = phone.ask("score/A1")
    assert nasty not in text and "<script>alert" not in text
    assert nasty in {i["sitting"] for i in phone.items("A1")}


def test_eight_phones_at_once(folder):
    store = Store.create(folder)
    codes = [f"{n}" for n in range(100, 130)]
    store.save_plan({
        "assessors": [f"A{n}" for n in range(1, 9)],
        "pieces": [{"code": c, "pour": "P1", "test": "sweat", "stress": "rest"} for c in codes],
    })
    failed = []
    with serving(Panel(store, "t" * 22, looks_per_piece=8)) as port:
        def score(assessor):
            phone = Phone(port, "t" * 22)
            for code in codes:
                for _ in range(2):  # each score is sent twice
                    status, told = phone.save(code, "sweat", 1, assessor, f"{assessor}-key-{code}")
                    if status != 200:
                        failed.append(told)

        threads = [threading.Thread(target=score, args=(f"A{n}",)) for n in range(1, 9)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert failed == []
    assert len(store.rows("grades", history=True)) == 240


def test_the_announcement():
    own, picture = announcement("127.0.0.1", 8000, "tok")
    assert own == "The panel scores at http://127.0.0.1:8000/tok/"
    assert len(picture.splitlines()) > 10
    link, warning, _ = announcement("192.0.2.7", 8000, "tok")
    assert link == "The panel scores at http://192.0.2.7:8000/tok/"
    assert warning == (
        "WARNING: any device on this network that has the link can score, and the link travels "
        "unencrypted. Use a network you trust, and stop with Ctrl+C afterwards."
    )
    assert next(announcement("::1", 8000, "tok")) == "The panel scores at http://[::1]:8000/tok/"
    assert qr_svg("http://127.0.0.1:8000/tok/").startswith("<svg")


def test_link_and_port_are_remembered_for_the_next_time(store, folder):
    token, port, pours = _remembered(store)
    assert port == 0 and len(token) >= 20 and len(pours) >= 20 and pours != token
    _remember(store, token, 40123, pours=pours)
    assert _remembered(store) == (token, 40123, pours)
    assert (folder / "panel.json").stat().st_mode & 0o777 == 0o600
    for spoilt in ("", "[]", '{"token": "short", "port": 1}', '{"token": 7, "port": "x"}'):
        (folder / "panel.json").write_text(spoilt)
        assert _remembered(store)[1] == 0


def test_serving_until_interrupted_and_again_at_the_same_link(folder, store):
    script = (  # Ctrl+C is ignored by what runs in the background, as tests may
        "import signal, sys; from scentlab.panel.server import serve;"
        "signal.signal(signal.SIGINT, signal.default_int_handler);"
        "serve(sys.argv[1], announce=lambda text: print(text.splitlines()[0], flush=True))"
    )
    links = []
    for _ in range(2):
        server = subprocess.Popen([sys.executable, "-c", script, str(folder)],
                                  stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        links.append(server.stdout.readline().split()[-1])
        _, port, token = re.fullmatch(r"http://([\d.]+):(\d+)/(.+)/", links[-1]).groups()
        assert Phone(int(port), token).ask("")[0] == 200
        server.send_signal(signal.SIGINT)
        assert server.communicate(timeout=20)[1] == ""
        assert server.returncode == 0
    assert links[0] == links[1]


def test_a_port_of_the_last_time_that_is_taken_is_told(folder, store):
    (taken,) = tornado.netutil.bind_sockets(0, "127.0.0.1")
    port = taken.getsockname()[1]
    _remember(store, "t" * 22, port)
    told = []

    def stop(text):
        told.append(text.splitlines()[0])
        if len(told) == 2:
            raise KeyboardInterrupt

    panel_server.serve(folder, announce=stop)
    taken.close()
    assert told[0] == (
        f"Port {port}, used last time, is taken by another program. Phones with waiting scores "
        "look for the panel there: free the port and start again."
    )
    assert told[1].startswith("The panel scores at http://127.0.0.1:")


def test_the_file_holds_everything_when_connections_rest(store, folder):
    store.hold()
    store.add("grades", {"code": "417", "test": "sweat", "stress": "heat", "age_days": 1,
                         "assessor": "A1", "grade": 1})
    assert (folder / "series.sqlite-wal").exists(), "connections are kept"
    store.let_go()
    assert sorted(p.name for p in folder.iterdir()) == ["series.sqlite"]
    assert len(store.rows("grades")) == 1


def test_a_port_that_there_is_none_of(store):
    with pytest.raises(StoreError, match="there is no such port, the highest is 65535"):
        panel_server._listen("127.0.0.1", 80000, 0)


def test_a_port_that_is_taken(store):
    (taken,) = tornado.netutil.bind_sockets(0, "127.0.0.1")
    port = taken.getsockname()[1]
    with pytest.raises(StoreError) as error:
        panel_server._listen("127.0.0.1", port, 0)
    assert str(error.value) == (
        f"the pages cannot be served at 127.0.0.1 port {port} (Address already in use); choose "
        "another port"
    )
    (other,) = panel_server._listen("127.0.0.1", 0, port)
    assert other.getsockname()[1] != port
    taken.close()
    other.close()


# --- pairs -------------------------------------------------------------------------------------


@pytest.fixture
def paired(folder):
    """The plan with two pairs of tester A1, who has smelt both pieces."""
    pairs = [{"sitting": "Q1", "kind": "warm", "assessor": "A1", "position": n, "first": a,
              "second": b} for n, (a, b) in enumerate((("500", "501"), ("501", "500")), 1)]
    store = poured(folder, {**PLAN, "pairs": pairs, "rules": {"sittings": {"warm_min": 25.0}}})
    for code in ("500", "501"):
        store.add("throws", {"code": code, "assessor": "A1", "sitting": "S1", "kind": "warm",
                             "throw": 7, "minutes": 30})
    with serving(Panel(store, "right-token-of-22-char", today=TODAY)) as port:
        yield Phone(port, "right-token-of-22-char"), store


def test_a_pair_is_named_on_a_phone(paired):
    phone, store = paired
    assert [i["code"] for i in phone.items("A2") if i["test"] == "pair"] == []
    first, second = (i for i in phone.items("A1") if i["test"] == "pair")
    assert first["code"] == "500 then 501" and first["turn"] == "pairs Q1"
    assert first["what"] == "Which smells stronger? Hot throw, session Q1"
    assert (first["hot"], first["warm_min"], first["kind"]) == (True, 25.0, "")
    assert first["how"] == (
        "Warm each for 25 minutes in its own room. Smell the first, then the second. Leave "
        "them on their warmers: hot wax burns. If unsure, guess. Air both rooms and rest before "
        "the next pair.")
    sent = {n: first[n] for n in ("code", "test", "sitting", "position")}
    status, told = phone.save(value="second", **sent)
    assert status == 200 and re.fullmatch(
        r"Saved at \S+: pair 500 then 501\.", told["words"])  # not which was stronger
    row = store.rows("pairs").iloc[0]
    assert (row["first"], row["second"], row["stronger"], row["kind"]) == (
        "500", "501", "second", "warm")
    assert [i["position"] for i in phone.items("A1") if i["test"] == "pair"] == [2]
    # The same pair again under another key, another order, and no answer at all.
    status, told = phone.save(value="first", key="key-00002", **sent)
    assert status == 409 and "is already stored for A1" in told["error"]
    status, told = phone.save(value="first", key="key-00003", **{**sent, "position": 2})
    assert status == 409 and "is not planned for A1" in told["error"]
    sent = {n: second[n] for n in ("code", "test", "sitting", "position")}
    status, told = phone.save(value="neither", key="key-00004", **sent)
    assert status == 409 and "stronger must be one of first, second" in told["error"]
    assert len(store.rows("pairs")) == 1


def test_a_pair_is_undone(paired):
    phone, store = paired
    item = next(i for i in phone.items("A1") if i["test"] == "pair")
    _, told = phone.save(value="first", **{n: item[n] for n in ("code", "test", "sitting",
                                                                "position")})
    body = {"assessor": "A1", "table": told["table"], "key": "key-00001"}
    status, text, _ = phone.ask("undo", body)
    assert status == 200 and "Undone: pair 500 then 501. It" in json.loads(text)["words"]
    assert store.rows("pairs").empty


def test_pairs_wait_for_the_throw_scores_of_their_pieces(paired):
    phone, store = paired
    plan = store.plan()
    later = {"sitting": "S9", "sitting_on": "2026-05-01", "kind": "warm", "assessor": "A1",
             "position": 1, "code": "500"}
    store.save_plan({**plan, "smellings": [*plan["smellings"], later]})
    assert phone.items("A1")[2:] == []
    due = {**later, "sitting_on": "2026-03-15"}  # today its page has both, and says the pair later
    store.save_plan({**plan, "smellings": [*plan["smellings"], due]})
    assert [i["test"] for i in phone.items("A1")] == ["sweat", "frost", "throw", "pair", "pair"]
    assert turn_words(phone.items("A1")) == (
        "1 sweat, 1 frost, 1 hot throw in session S9, 2 pairs in session Q1")
    store.save_plan({**plan, "smellings": [*plan["smellings"], later]})
    assert [i for i in phone.items("A1") if i["test"] == "pair"] == []
    store.add("throws", {**{n: later[n] for n in ("code", "assessor", "sitting", "kind")},
                         "throw": 5, "minutes": 30})
    assert [i["position"] for i in phone.items("A1") if i["test"] == "pair"] == [1, 2]


def test_hot_pieces_bear_the_planned_minutes_and_nothing_of_the_load(phone, store):
    assert [i.get("warm_min") for i in phone.items("A1")] == [None] * 4
    store.save_plan({**PLAN, "rules": {"sittings": {"warm_min": 30.0}}})
    assert [(i.get("hot"), i.get("warm_min")) for i in phone.items("A1")] == [
        (None, None), (None, None), (True, 30.0), (True, 30.0)]


def test_the_code_of_the_pour_day_is_drawn_on_request_alone():
    asked, unasked = (list(panel_server.pour_announcement("127.0.0.1", 8000, "tok", qr))
                      for qr in (True, False))
    assert asked[0] == unasked[0] == (
        "NOT for testers (it shows the loads): type pour-day weights at "
        "http://127.0.0.1:8000/tok/pours/")
    assert unasked[1:] == ["(--pour-qr also shows that link's QR code.)"]
    assert len(asked[1].splitlines()) > 10
