"""The panel's pages in a real browser, as wide as a phone."""

import datetime as dt
import re
import time
from types import SimpleNamespace

import pytest
from serving import Server, poured, serving

from scentlab.panel.scoring import Panel
from scentlab.recording.store import Store

pytestmark = pytest.mark.browser
NASTY = "<img src=x onerror=alert(1)>"
PLAN = {
    "title": NASTY, "assessors": ["A1", "A2"],
    "pours": [{"pour": "P77", "pot": "A", "blend": "secretmix", "poured_on": "2026-03-01",
               "load_pct": 13.37}],
    "pieces": [{"code": c, "pour": "P77", "test": t, "stress": None, "due_on": "2026-03-08"}
               for c, t in (("417", "sweat"), ("305", "frost"), ("500", "throw"))],
    "smellings": [{"sitting": "S1", "sitting_on": "2026-03-15", "kind": "warm", "assessor": "A1",
                   "position": 1, "code": "500"}],
}

@pytest.fixture
def store(tmp_path):
    return poured(tmp_path / "series", PLAN)


@pytest.fixture
def server(store):
    panel = Panel(Store.open(store.folder), "right-token-of-22-char")
    with serving(panel) as port:
        yield SimpleNamespace(link=f"http://127.0.0.1:{port}/{panel.token}/")


@pytest.fixture
def mortal(store):
    """A server that a test may kill and start again."""
    server = Server(store.folder)
    yield server
    server.kill()


@pytest.fixture
def phone(chromium):
    context = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    context.clock.install()
    page = context.new_page()
    page.set_default_timeout(20000)
    page.dialogs, page.asked = [], []
    page.on("dialog", lambda d: answer(page, d))
    page.on("request", lambda r: page.asked.append(r.url))
    yield page
    context.close()


def answer(page, dialog):
    """Leave the page though a score waits; note every other dialog, for there should be none."""
    if dialog.type == "beforeunload":
        dialog.accept()
    else:
        page.dialogs.append(dialog.message)
        dialog.dismiss()


def said(page, pattern):
    page.wait_for_function(
        "p => new RegExp(p).test(document.getElementById('said').textContent)", arg=pattern
    )


def stored(store):
    return store.rows("grades", history=True)[["code", "grade"]].to_numpy().tolist()


def choose(page, server):
    page.goto(server.link)
    page.get_by_role("link", name="A1: 3 to score").tap()
    page.wait_for_selector("#form")


def tap(page, words):
    """A tap that is no second one of the last: a piece takes longer than that to look at."""
    page.clock.fast_forward(650)
    page.get_by_role("button", name=re.compile(words)).tap()


def begin(page, words):
    """On from the page that stands between two tests or sessions."""
    page.wait_for_selector("#begin")
    page.clock.fast_forward(650)
    page.get_by_role("link", name=words, exact=True).tap()


def test_score_see_it_saved_and_undo_it(phone, server, store):
    choose(phone, server)
    assert phone.inner_text("#code") == "417"
    tap(phone, "2: visible film")
    said(phone, r"^Saved at \d\d:\d\d:\d\d: piece 417, sweat grade 2 \(visible film\)\.$")
    assert stored(store) == [["417", 2]]
    assert phone.inner_text("#what") == "Sweat is done"
    assert phone.inner_text("#air") == "Next: Frost."
    tap(phone, "Undo 417")
    said(phone, "^Undone: piece 417")
    assert phone.inner_text("#code") == "417"
    assert store.rows("grades").empty
    tap(phone, "0: dry")
    said(phone, "sweat grade 0")
    begin(phone, "Begin frost")
    assert phone.inner_text("#code") == "305"
    tap(phone, "3: up to 50")
    said(phone, "frost grade 3")
    begin(phone, "Begin session S1")
    assert phone.inner_text("#code") == "500"


def test_undo_goes_back_step_by_step_also_after_a_reload(phone, server, store):
    choose(phone, server)
    tap(phone, "Undo")
    said(phone, "^Nothing else from this visit can be undone here. For an older score")
    tap(phone, "2: visible film")
    said(phone, "sweat grade 2")
    begin(phone, "Begin frost")
    tap(phone, "3: up to 50")
    said(phone, "frost grade 3")
    turns = phone.inner_text("#choices")
    phone.reload()
    for code, words in (("305", "Frost"), ("417", "Sweat")):
        tap(phone, "Undo " + code)
        said(phone, "^Undone: piece " + code)
        assert phone.inner_text("#code") == code
        assert words in phone.inner_text("[aria-current]")
    assert store.rows("grades").empty and turns == "Hot throw, S1\n1 to score"
    assert phone.locator("#choices a").all_inner_texts()[0].startswith("Sweat")
    tap(phone, "Undo")
    said(phone, "^Nothing else from this visit")


def test_a_score_corrected_at_the_computer_bars_no_undo_of_those_before_it(phone, server, store):
    choose(phone, server)
    tap(phone, "2: visible film")
    said(phone, "sweat grade 2")
    begin(phone, "Begin frost")
    tap(phone, "3: up to 50")
    said(phone, "frost grade 3")
    last = store.rows("grades").query("test == 'frost'")["entry_id"].iloc[0]
    store.correct("grades", int(last), {"grade": 1}, reason="one line down")
    tap(phone, "Undo 305")
    said(phone, "^NOT UNDONE. entry .* was replaced")
    tap(phone, "Undo 417")
    said(phone, "^Undone: piece 417")
    assert store.rows("grades")["grade"].tolist() == [1]


def test_undo_drops_a_score_that_waits_on_the_phone(phone, server, store):
    choose(phone, server)
    phone.context.set_offline(True)
    tap(phone, "4: pooled")
    phone.wait_for_selector("#waiting:not([hidden])")
    tap(phone, "Undo 417")
    said(phone, "^Undone: 417. It was not saved yet.")
    assert phone.locator("#waiting").is_hidden() and phone.inner_text("#code") == "417"
    tap(phone, "1: trace")
    phone.wait_for_selector("#waiting:not([hidden])")
    phone.context.set_offline(False)
    said(phone, "^Saved at .* piece 417, sweat grade 1")
    assert stored(store) == [["417", 1]]


def test_undo_reaches_a_score_whose_answer_was_lost(phone, server, store):
    """The phone takes it to be waiting; the series has it."""
    choose(phone, server)
    lost = []

    def lose(route):
        lost.append(route.fetch().status)
        route.abort()

    phone.route("**/save", lose)
    tap(phone, "3: beads")
    phone.wait_for_selector("#line:not([hidden])")
    assert stored(store) == [["417", 3]] and lost[0] == 200
    tap(phone, "Undo 417")
    said(phone, "^Undone: 417. It was not saved yet.")
    phone.unroute("**/save")
    phone.wait_for_selector("#line", state="hidden")
    phone.reload()
    assert phone.inner_text("#code") == "417"
    tap(phone, "1: trace")
    said(phone, "^Saved at .* piece 417, sweat grade 1")
    assert store.rows("grades")["grade"].tolist() == [1]


def test_scores_of_a_tester_are_sent_from_every_page_of_the_phone(phone, server, store):
    choose(phone, server)
    phone.route("**/save", lambda route: route.abort())
    tap(phone, "4: pooled")
    begin(phone, "Begin frost")
    tap(phone, "2: up to 25")
    phone.goto(server.link)
    assert phone.inner_text("#waiting").startswith(
        "NOT SAVED YET: 2 scores of A1 wait on this phone and are sent again automatically.")
    phone.goto(server.link + "score/A2")
    assert "2 scores of A1 wait" in phone.inner_text("#waiting")
    phone.unroute("**/save")
    said(phone, "^All 2 saved.$")
    assert "grade" not in phone.inner_text("#said"), "what A1 gave is not for A2"
    assert phone.locator("#waiting").is_hidden()
    assert stored(store) == [["417", 4], ["305", 2]]


def test_a_refused_score_is_explained_on_the_page_of_its_tester(phone, server, store):
    choose(phone, server)
    phone.route("**/save", lambda route: route.abort())
    tap(phone, "4: pooled")
    phone.wait_for_selector("#line:not([hidden])")
    phone.goto(server.link)
    store.add("grades", {"code": "417", "test": "sweat", "stress": None, "assessor": "A1",
                         "age_days": (dt.date.today() - dt.date(2026, 3, 1)).days, "grade": 1})
    phone.unroute("**/save")
    said(phone, "^NOT SAVED: a score of A1. The page of A1 says why.$")
    phone.goto(server.link + "score/A1")
    assert phone.inner_text("#refusals").startswith("NOT SAVED: piece 417, 4. piece 417, sweat g")


def test_the_page_is_blind_quiet_and_unmoved_by_markup(phone, server, store):
    store.save_plan({**PLAN, "smellings": [{**PLAN["smellings"][0], "sitting": NASTY}]})
    choose(phone, server)
    content = phone.content()
    for secret in ("P77", "secretmix", "13.37"):
        assert secret not in content
    tap(phone, "0: dry")
    said(phone, "sweat grade 0")
    begin(phone, "Begin frost")
    host = server.link.split("/")[2]
    assert {u.split("/")[2] for u in phone.asked if not u.startswith("data:")} == {host}
    tap(phone, "0: none")
    said(phone, "frost grade 0")
    assert "Begin session " + NASTY == phone.inner_text("#begin")
    phone.clock.fast_forward(650)
    phone.locator("#begin").tap()
    assert NASTY in phone.inner_text("#what")
    assert phone.dialogs == [] and phone.locator("img").count() == 0


def test_sizes_and_names_at_390_pixels(phone, server):
    choose(phone, server)
    for _ in range(3):
        wide = phone.evaluate("document.documentElement.scrollWidth")
        assert wide <= 390
        shown = phone.evaluate("""() => [...document.querySelectorAll(
            'button, a, input:not([type=file]), label:has([type=file])')]
            .filter(e => e.offsetParent).map(e => { const b = e.getBoundingClientRect();
            const name = (e.getAttribute('aria-label') || e.innerText
              || (e.labels && e.labels[0] ? e.labels[0].innerText : '')).trim();
            return [name, b.width, b.height, getComputedStyle(e).fontSize]; })""")
        assert len(shown) >= 6
        for name, width, height, size in shown:
            assert name and width >= 44 and height >= 44 and float(size[:-2]) >= 16, shown
        phone.clock.fast_forward(650)
        phone.evaluate("document.querySelector('#answers button').click()")
        phone.clock.fast_forward(650)
        phone.evaluate("document.querySelector('#begin').click()")


def test_the_keyboard_alone(phone, server, store):
    choose(phone, server)
    phone.locator("#answers button").nth(3).focus()
    phone.keyboard.press("Enter")
    said(phone, "sweat grade 3")
    phone.clock.fast_forward(650)
    phone.locator("#begin").focus()
    phone.keyboard.press("Enter")
    phone.clock.fast_forward(650)
    phone.locator("#answers button").nth(1).focus()
    phone.keyboard.press("Space")
    said(phone, "frost grade 1")
    assert stored(store) == [["417", 3], ["305", 1]]


def test_a_double_tap_scores_one_piece(phone, server, store):
    store.save_plan(LONG)
    phone.goto(server.link + "score/A1")
    phone.clock.pause_at(phone.evaluate("Date.now() + 100"))  # however slow the machine is
    phone.get_by_role("button", name=re.compile("2: visible film")).tap()
    said(phone, "piece 417, sweat grade 2")
    assert phone.evaluate("getComputedStyle(document.querySelector('.grade')).opacity") < "1"
    phone.get_by_role("button", name=re.compile("2: visible film")).tap()  # the next piece's
    phone.clock.run_for(500)
    assert phone.inner_text("#code") == "611"
    assert stored(store) == [["417", 2]]
    assert phone.inner_text("#hint").startswith("Too soon after the last tap: not counted.")
    tap(phone, "3: beads")
    said(phone, "piece 611, sweat grade 3")
    phone.clock.run_for(650)
    assert phone.locator("body.soon").count() == 0
    assert phone.evaluate("getComputedStyle(document.querySelector('.grade')).opacity") == "1"
    assert phone.locator("#hint").is_hidden()


def test_two_phones_of_one_tester(chromium, phone, server, store):
    """The second score of a piece is refused and stays in sight until it was seen; what waits is
    what the other phone left."""
    choose(phone, server)
    other = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True).new_page()
    other.clock.install()
    choose(other, server)
    phone.context.set_offline(True)
    tap(phone, "4: pooled")
    phone.wait_for_selector("#waiting:not([hidden])")
    begin(phone, "Begin frost")
    tap(phone, "2: up to 25")
    tap(other, "2: visible film")
    said(other, "piece 417, sweat grade 2")
    other.context.close()
    phone.context.set_offline(False)
    said(phone, "^Saved at .* piece 305, frost grade 2")
    phone.reload()
    assert phone.inner_text("#refusals") == (
        "NOT SAVED: piece 417, 4. piece 417, sweat grade 2 (visible film) is already stored for "
        "A1, perhaps from another phone or page; it stays as it is"
    )
    assert phone.inner_text("#begin") == "Begin session S1"
    tap(phone, "I have seen this")
    assert phone.locator("#refused").is_hidden()
    assert stored(store) == [["417", 2], ["305", 2]]


def test_two_pages_of_one_phone_lose_nothing(phone, server, store):
    """Each keeps its waiting scores by themselves, and either sends them."""
    choose(phone, server)
    second = phone.context.new_page()
    choose(second, server)
    phone.context.set_offline(True)
    tap(phone, "4: pooled")
    second.get_by_role("link", name=re.compile("Frost")).tap()
    tap(second, "2: up to 25")
    second.wait_for_selector("#line:not([hidden])")
    second.close()
    phone.context.set_offline(False)
    said(phone, "^Saved at .* piece 417, sweat grade 4")
    phone.reload()
    begin(phone, "Begin session S1")
    phone.wait_for_function("() => document.getElementById('code').textContent === '500'")
    phone.wait_for_selector("#waiting", state="hidden")
    assert sorted(stored(store)) == [["305", 2], ["417", 4]]


def test_a_link_that_is_no_longer_known_keeps_the_score(phone, mortal, store):
    choose(phone, mortal)
    mortal.kill()
    memory = mortal.folder / "panel.json"
    memory.write_text(memory.read_text().replace('"token": "', '"token": "new'))
    mortal.start()
    tap(phone, "3: beads")
    said(phone, "^NOT SAVED YET. The computer no longer knows this link,")
    phone.goto(mortal.link + "score/A1")
    said(phone, "^Saved at .* piece 417, sweat grade 3")
    assert stored(store) == [["417", 3]]


def test_a_score_waits_out_a_lost_connection(phone, server, store):
    choose(phone, server)
    phone.context.set_offline(True)
    tap(phone, "4: pooled")
    phone.wait_for_selector("#waiting:not([hidden])")
    assert phone.inner_text("#waiting").startswith("NOT SAVED YET: 417 waits on this phone")
    phone.wait_for_selector("#line:not([hidden])")
    assert "No connection" in phone.inner_text("#line")
    assert "Saved" not in phone.inner_text("body").replace("NOT SAVED", "")
    assert stored(store) == []
    phone.context.set_offline(False)
    said(phone, "^Saved at .* piece 417, sweat grade 4")
    phone.wait_for_selector("#waiting", state="hidden")
    phone.wait_for_selector("#line", state="hidden")
    assert stored(store) == [["417", 4]]


def test_a_page_asked_for_while_scores_are_sent_offers_them_no_more(phone, mortal, store):
    """The server draws the page before the scores come; it arrives when the phone keeps none."""
    choose(phone, mortal)
    mortal.kill()
    tap(phone, "1: trace")
    begin(phone, "Begin frost")
    tap(phone, "2: up to 25")

    def hold(route):
        if route.request.resource_type != "document":
            route.continue_()
            return
        mortal.start()
        drawn = route.fetch()
        limit = time.monotonic() + 20
        while len(stored(store)) < 2 and time.monotonic() < limit:
            time.sleep(0.2)
        route.fulfill(response=drawn)

    phone.route("**/score/**", hold)
    phone.reload()
    begin(phone, "Begin session S1")
    assert stored(store) == [["417", 1], ["305", 2]]


def test_a_score_outlives_the_server_and_a_reload(phone, mortal, store):
    choose(phone, mortal)
    mortal.kill()
    tap(phone, "1: trace")
    phone.wait_for_selector("#line:not([hidden])")
    begin(phone, "Begin frost")
    tap(phone, "2: up to 25")
    assert phone.inner_text("#waiting").startswith(
        "NOT SAVED YET: 417, 305 wait on this phone and are sent again automatically.")
    assert stored(store) == []
    mortal.start()
    phone.reload()
    phone.wait_for_selector("#waiting", state="hidden")
    begin(phone, "Begin session S1")
    phone.wait_for_function("() => document.getElementById('code').textContent === '500'")
    assert stored(store) == [["417", 1], ["305", 2]]


def test_a_lost_answer_is_sent_again_and_stored_once(phone, server, store):
    choose(phone, server)
    lost = []

    def lose(route):
        if not lost:
            lost.append(route.fetch())  # the server stores it, and the phone never hears
            route.abort()
        else:
            route.continue_()

    phone.route("**/save", lose)
    tap(phone, "3: beads")
    phone.wait_for_selector("#line:not([hidden])")
    assert "Saved" not in phone.inner_text("#said")
    said(phone, "^Saved at .* piece 417, sweat grade 3")
    assert stored(store) == [["417", 3]] and lost[0].status == 200


def test_the_timer_counts_for_one_piece(phone, server, store):
    choose(phone, server)
    for words, on in (("0: dry", "frost"), ("0: none", "session S1")):
        tap(phone, words)
        said(phone, words[3:])
        begin(phone, "Begin " + on)
    tap(phone, "^7$")
    said(phone, "^NOT SAVED. Start the timer when the warmer goes on, or type the minutes.$")
    tap(phone, "^5$")
    colours = phone.evaluate("""() => [...document.querySelectorAll('#answers button')].map(
        b => getComputedStyle(b).backgroundColor + b.getAttribute('aria-pressed'))""")
    assert len(colours) == 11 and len(set(colours)) == 1, "a refused score marks no button"
    tap(phone, "The warmer is on")
    phone.wait_for_function("() => /^0:0[1-9] on/.test(clock.textContent)")
    assert phone.inner_text("#said") == "", "it is mended"
    assert phone.locator("#start").is_hidden(), "a second tap would put the timer back"
    phone.reload()
    phone.wait_for_function("() => /^0:0[2-9] on/.test(clock.textContent)")
    tap(phone, "^7$")
    said(phone, "hot throw 7 of 10")
    row = store.rows("throws").iloc[0]
    assert row["throw"] == 7 and 0 <= row["minutes"] <= 0.5
    assert "Nothing waits for A1" in phone.inner_text("#what")


LONG = {
    "title": "Loads", "assessors": ["A1"], "pours": PLAN["pours"],
    "pieces": [{"code": c, "pour": "P77", "test": t, "stress": None, "due_on": "2026-03-08"}
               for c, t in (("417", "sweat"), ("611", "sweat"), ("822", "sweat"),
                            ("305", "frost"), ("500", "throw"), ("501", "throw"))],
    "smellings": [{"sitting": s, "sitting_on": d, "kind": k, "assessor": "A1", "position": n,
                   "code": c}
                  for s, d, k in (("S01", "2026-03-15", "cold"), ("S02", "2026-03-16", "warm"))
                  for n, c in enumerate(("501", "500"), 1)],
}


@pytest.fixture
def busy(phone, server, store):
    """A phone at the page of an assessor for whom all three tests and two sittings wait."""
    store.save_plan(LONG)
    phone.goto(server.link)
    phone.get_by_role("link", name="A1: 8 to score").tap()
    phone.wait_for_selector("#form")
    return phone


def choose_turn(page, words):
    page.clock.fast_forward(650)
    page.get_by_role("link", name=re.compile(words)).tap()


def at(page):
    return page.inner_text("#code"), page.inner_text("#count")


def fits(page):
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    sizes = page.evaluate("""() => [...document.querySelectorAll(
            'button, a, input:not([type=file]), label:has([type=file])')]
        .filter(e => e.offsetParent).map(e => { const b = e.getBoundingClientRect();
        return [e.innerText, b.width, b.height, parseFloat(getComputedStyle(e).fontSize)]; })""")
    assert all(w >= 44 and h >= 44 and size >= 16 for _, w, h, size in sizes), sizes


def test_choose_what_to_do_now_and_leave_pieces_for_later(busy, store):
    turns = busy.get_by_role("navigation", name="What to do now").get_by_role("link")
    assert [t.replace("\n", ": ") for t in turns.all_inner_texts()] == [
        "Sweat: 3 to score", "Frost: 1 to score", "Cold throw, S01: 2 to score",
    ]
    assert at(busy) == ("417", "piece 1 of 3")
    fits(busy)
    choose_turn(busy, "Leave this piece for later")
    assert at(busy) == ("611", "piece 1 of 3 (1 left for later)")
    assert stored(store) == []
    busy.reload()
    assert at(busy) == ("611", "piece 1 of 3 (1 left for later)")
    for words in ("0: dry", "1: trace"):
        tap(busy, words)
        said(busy, words[3:])
    assert at(busy) == ("417", "piece 3 of 3 (1 left for later)")
    assert busy.locator("#later").is_hidden(), "there is no other piece to go on to"
    tap(busy, "Undo 822")
    said(busy, "^Undone: piece 822")
    assert at(busy) == ("822", "piece 2 of 3 (1 left for later)")
    choose_turn(busy, "Frost")
    assert at(busy) == ("305", "piece 1 of 1")
    busy.reload()
    assert at(busy) == ("305", "piece 1 of 1")
    assert stored(store)[0] == ["611", 0] and len(store.rows("grades")) == 1


def test_a_sitting_ends_with_a_pause(busy, store):
    choose_turn(busy, "Cold throw, S01")
    for n in (1, 2):
        assert busy.inner_text("#count") == f"piece {n} of 2"
        tap(busy, "^7$")
        said(busy, "cold throw 7")
    for _ in range(2):
        assert busy.inner_text("#what") == "Session S01 is done"
        assert busy.inner_text("#air") == "Air the room before the next one, session S02."
        assert busy.locator("#form").is_hidden()
        fits(busy)
        busy.reload()
    choose_turn(busy, "Begin session S02")
    assert busy.inner_text("#what") == "Hot throw, session S02"
    assert at(busy) == ("501", "piece 1 of 2")
    assert busy.locator("#pause").is_hidden()


def test_a_sitting_that_ends_without_connection_pauses_too(busy, store):
    choose_turn(busy, "Cold throw, S01")
    busy.context.set_offline(True)
    tap(busy, "^7$")
    tap(busy, "^6$")
    assert busy.inner_text("#what") == "Session S01 is done"
    assert busy.inner_text("#waiting").startswith("NOT SAVED YET: 501, 500 wait on")
    busy.context.set_offline(False)
    busy.wait_for_selector("#waiting", state="hidden")
    assert busy.inner_text("#what") == "Session S01 is done"
    assert store.rows("throws")["throw"].tolist() == [7, 6]


def test_a_piece_left_for_later_stays_on_its_warmer(busy, store):
    choose_turn(busy, "Cold throw, S01")
    for _ in (1, 2):
        tap(busy, "^7$")
        said(busy, "cold throw 7")
    choose_turn(busy, "Begin session S02")
    tap(busy, "The warmer is on")
    choose_turn(busy, "Leave this piece for later")
    assert busy.locator("#clock").is_hidden()
    tap(busy, "The warmer is on")
    tap(busy, "^5$")
    said(busy, "piece 500, hot throw 5")
    assert at(busy)[0] == "501" and " on the warmer" in busy.inner_text("#clock")
    choose_turn(busy, "Sweat")
    tap(busy, "0: dry")
    said(busy, "sweat grade 0")
    choose_turn(busy, "Hot throw, S02")
    tap(busy, "^4$")
    said(busy, "piece 501, hot throw 4")
    assert store.rows("throws")["code"].tolist()[2:] == ["500", "501"]


def test_a_browser_without_scripts(chromium, server, store):
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(server.link + "score/A1")
    assert "switch them on in this browser" in page.inner_text("noscript")
    assert page.get_by_role("button", name=re.compile("2: visible film")).count() == 0
    assert stored(store) == []
    context.close()


HOT = {**LONG, "rules": {"sittings": {"warm_min": 30.0}},
       "pieces": [p for p in LONG["pieces"] if p["test"] == "throw"],
       "smellings": [s for s in LONG["smellings"] if s["kind"] == "warm"],
       "pairs": [{"sitting": "Q1", "kind": "warm", "assessor": "A1", "position": n, "first": a,
                  "second": b} for n, (a, b) in enumerate((("500", "501"), ("501", "500")), 1)]}


@pytest.fixture
def hot(phone, server, store):
    """A hot session of two pieces, with a clock that the test moves; their pairs come after it."""
    store.save_plan(HOT)
    phone.clock.install()
    phone.goto(server.link + "score/A1")
    return phone


def later(page, minutes):
    page.clock.fast_forward(int(60_000 * minutes))


def test_a_hot_piece_is_smelt_at_the_planned_minute(hot, store):
    tapped = "button:text-is('7')"
    assert hot.inner_text("#clock") == "Smell at 30:00"
    assert hot.locator("#choices a").count() == 1, "pairs of these pieces come after"
    hot.tap("#start")
    later(hot, 0.45)
    hot.wait_for_function(
        "() => /^0:[23][0-9] on the warmer, smell at 30:00$/.test(clock.textContent)")
    hot.tap(tapped)
    said(hot, "^NOT SAVED YET. Only 0:[23][0-9] on the warmer, really. The plan says 30:00. "
              "Tap the same answer again to save it anyway.$")
    assert store.rows("throws").empty
    later(hot, 30)
    hot.wait_for_function("() => clock.textContent.endsWith(': smell it now')")
    assert "due" in hot.get_attribute("#clock", "class")
    hot.tap("button:text-is('6')")
    said(hot, "piece 501, hot throw 6 of 10")
    assert 30 <= store.rows("throws")["minutes"][0] < 32
    # Confirmed, it is stored as it is.
    later(hot, 0.1)
    hot.tap("#start")
    later(hot, 1)
    for _ in range(2):
        hot.tap(tapped)
        later(hot, 0.1)
    said(hot, "piece 500, hot throw 7 of 10")
    assert store.rows("throws")["minutes"][1] < 3


def test_minutes_are_typed_with_a_comma_and_kept_when_they_are_wrong(hot, store):
    for wrong in ("half", "3000", "1e3", "-1"):
        hot.fill("[name=minutes]", wrong)
        assert hot.inner_text("#said") == ""
        later(hot, 0.1)
        hot.tap("button:text-is('7')")
        said(hot, "^NOT SAVED. The minutes must be a number from 0 to 1440, such as 30 or 30.5.$")
        assert hot.input_value("[name=minutes]") == wrong
    assert hot.locator("#refused").is_hidden()
    for typed in ("3", "300"):  # asked about each, though the answer is the same
        hot.fill("[name=minutes]", typed)
        later(hot, 0.1)
        hot.tap("button:text-is('7')")
        said(hot, f"^NOT SAVED YET. .*{typed}:00 on the warmer, really")
    hot.fill("[name=minutes]", "30,5")
    later(hot, 0.1)
    hot.tap("button:text-is('7')")
    said(hot, "^Saved at .* piece 501, hot throw 7")
    assert store.rows("throws")["minutes"].tolist() == [30.5]


def test_hot_pairs_say_how_and_come_after_the_scores(hot, store, server):
    hot.goto(server.link + "score/A1?now=pairs+Q1")
    for code in ("501", "500"):
        assert hot.inner_text("#code") == code
        assert hot.locator("#choices a").count() == 1
        hot.fill("[name=minutes]", "30")
        hot.tap("button:text-is('7')")
        said(hot, f"piece {code}, hot throw 7")
        later(hot, 0.1)
    assert hot.inner_text("#what") == "Session S02 is done"
    assert hot.inner_text("#air") == "Air the room before the next one, session Q1."
    hot.tap("text=Begin session Q1")
    later(hot, 0.1)
    assert hot.inner_text("#code") == "500 then 501"
    assert hot.inner_text("#how") == (
        "Warm each for 30 minutes in its own room. Smell the first, then the second. Leave "
        "them on their warmers: hot wax burns. If unsure, guess. Air both rooms and rest before "
        "the next pair.")
    assert hot.inner_text("#later") == "Leave this pair for later"
    assert hot.locator("[name=minutes]").is_hidden()
    hot.tap("#start")
    later(hot, 1)
    hot.tap("text=The second is stronger")
    said(hot, "^NOT SAVED YET. Only 1:0")
    later(hot, 30)
    hot.tap("text=The second is stronger")
    said(hot, "^Saved at [0-9:]+: pair 500 then 501.$")
    later(hot, 0.1)
    hot.tap("#undo")
    said(hot, "^Undone: pair 500 then 501. It no longer counts.$")
    later(hot, 0.1)
    hot.tap("#start")
    later(hot, 30)
    hot.tap("text=The second is stronger")
    hot.wait_for_function("() => code.textContent === '501 then 500'")
    hot.wait_for_function("() => said.textContent.startsWith('Saved')")
    assert store.rows("pairs")["stronger"].tolist() == ["second"]


def test_at_twice_the_size_nothing_is_cut_off(hot, server):
    hot.set_viewport_size({"width": 195, "height": 420})
    for path in ("score/A1", ""):
        hot.goto(server.link + path)
        assert hot.evaluate("document.documentElement.scrollWidth") <= 195
    hot.goto(server.link + "score/A1")
    widths = hot.evaluate("""() => [...document.querySelectorAll('.scores button')].map(
        b => Math.round(b.getBoundingClientRect().width))""")
    assert len(widths) == 11 and len(set(widths)) == 1 and widths[0] >= 44
    assert hot.inner_text("#answers p") == "0 nothing, 5 clear, 10 overpowering"
