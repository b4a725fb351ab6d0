"""The panel's pages in a real browser, as wide as a phone."""

import re

import pytest
from serving import Server, poured

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
    server = Server(store.folder)
    yield server
    server.kill()


@pytest.fixture
def phone(chromium):
    context = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
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
    page.wait_for_timeout(650)
    page.get_by_role("button", name=re.compile(words)).tap()


def test_score_see_it_saved_and_undo_it(phone, server, store):
    choose(phone, server)
    assert phone.inner_text("#code") == "417"
    tap(phone, "2: visible film")
    said(phone, r"^Saved at \d\d:\d\d:\d\d: piece 417, sweat grade 2 \(visible film\)\.$")
    assert stored(store) == [["417", 2]]
    assert phone.inner_text("#code") == "305"
    tap(phone, "Undo")
    said(phone, "^Undone: piece 417")
    assert phone.inner_text("#code") == "417"
    assert store.rows("grades").empty
    tap(phone, "0: dry")
    said(phone, "sweat grade 0")
    tap(phone, "3: up to 50")
    said(phone, "frost grade 3")
    assert phone.inner_text("#code") == "500"


def test_the_page_is_blind_quiet_and_unmoved_by_markup(phone, server, store):
    store.save_plan({**PLAN, "smellings": [{**PLAN["smellings"][0], "sitting": NASTY}]})
    choose(phone, server)
    content = phone.content()
    for secret in ("P77", "secretmix", "13.37"):
        assert secret not in content
    tap(phone, "0: dry")
    said(phone, "sweat grade 0")
    host = server.link.split("/")[2]
    assert {u.split("/")[2] for u in phone.asked if not u.startswith("data:")} == {host}
    tap(phone, "0: none")
    said(phone, "frost grade 0")
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
        phone.evaluate("document.querySelector('#answers button').click()")
        phone.wait_for_timeout(400)


def test_the_keyboard_alone(phone, server, store):
    choose(phone, server)
    phone.locator("#answers button").nth(3).focus()
    phone.keyboard.press("Enter")
    said(phone, "sweat grade 3")
    phone.wait_for_timeout(650)
    phone.locator("#answers button").nth(1).focus()
    phone.keyboard.press("Space")
    said(phone, "frost grade 1")
    assert stored(store) == [["417", 3], ["305", 1]]


def test_a_double_tap_scores_one_piece(phone, server, store, at_once):
    choose(phone, server)
    with at_once(phone):
        phone.get_by_role("button", name=re.compile("2: visible film")).tap()
        said(phone, "piece 417, sweat grade 2")
        phone.get_by_role("button", name=re.compile("2: up to 25")).tap()  # the next piece's
        phone.wait_for_timeout(500)
    assert phone.inner_text("#code") == "305"
    assert stored(store) == [["417", 2]]
    assert phone.inner_text("#hint").startswith("Too soon after the last tap: not counted.")
    tap(phone, "2: up to 25")
    said(phone, "frost grade 2")
    assert phone.locator("#hint").is_hidden()


def test_two_phones_of_one_tester(chromium, phone, server, store):
    """The second score of a piece is refused and stays in sight until it was seen; what waits is
    what the other phone left."""
    choose(phone, server)
    other = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True).new_page()
    choose(other, server)
    phone.context.set_offline(True)
    tap(phone, "4: pooled")
    phone.wait_for_selector("#waiting:not([hidden])")
    tap(phone, "2: up to 25")
    tap(other, "2: visible film")
    said(other, "piece 417, sweat grade 2")
    other.context.close()
    phone.context.set_offline(False)
    said(phone, "^Saved at .* piece 305, frost grade 2")
    phone.reload()
    assert phone.inner_text("#refusals") == (
        "NOT SAVED: piece 417, 4. piece 417, sweat grade 2 (visible film) is stored already for "
        "A1, from another phone or page perhaps; it stays as it is"
    )
    assert phone.inner_text("#code") == "500"
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
    phone.wait_for_function("() => document.getElementById('code').textContent === '500'")
    phone.wait_for_selector("#waiting", state="hidden")
    assert sorted(stored(store)) == [["305", 2], ["417", 4]]


def test_a_link_that_is_no_longer_known_keeps_the_score(phone, server, store):
    choose(phone, server)
    server.kill()
    memory = server.folder / "panel.json"
    memory.write_text(memory.read_text().replace('"token": "', '"token": "new'))
    server.start()
    tap(phone, "3: beads")
    said(phone, "^NOT SAVED YET. The computer does not know this link any more")
    phone.goto(server.link + "score/A1")
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


def test_a_score_outlives_the_server_and_a_reload(phone, server, store):
    choose(phone, server)
    server.kill()
    tap(phone, "1: trace")
    phone.wait_for_selector("#line:not([hidden])")
    tap(phone, "2: up to 25")
    assert phone.inner_text("#waiting").startswith("NOT SAVED YET: 417, 305 waits")
    assert stored(store) == []
    server.start()
    phone.reload()
    phone.wait_for_selector("#waiting", state="hidden")
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
    for words in ("0: dry", "0: none"):
        tap(phone, words)
        said(phone, words[3:])
    tap(phone, "^7$")
    said(phone, "^NOT SAVED. Start the timer when the warmer goes on, or type the minutes.$")
    tap(phone, "^5$")
    colours = phone.evaluate("""() => [...document.querySelectorAll('#answers button')].map(
        b => getComputedStyle(b).backgroundColor + b.getAttribute('aria-pressed'))""")
    assert len(colours) == 11 and len(set(colours)) == 1, "a refused score marks no button"
    tap(phone, "The warmer is on")
    phone.wait_for_function("() => /^0:0[1-9] on/.test(clock.textContent)")
    assert phone.locator("#start").is_hidden(), "a second tap would put the timer back"
    phone.reload()
    phone.wait_for_function("() => /^0:0[2-9] on/.test(clock.textContent)")
    tap(phone, "^7$")
    said(phone, "hot throw 7 of 10")
    row = store.rows("throws").iloc[0]
    assert row["throw"] == 7 and 0 <= row["minutes"] <= 0.5
    assert "nothing waits for A1" in phone.inner_text("#what")


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
    page.wait_for_timeout(650)
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
    tap(busy, "Undo")
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
    assert busy.inner_text("#waiting").startswith("NOT SAVED YET: 501, 500 waits")
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
