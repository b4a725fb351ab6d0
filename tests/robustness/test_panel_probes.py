"""What a broken or hostile device sends to the panel's pages, each with what must come of it.

``run.py`` beside this makes them a row of the table in DEVELOPERS.md. Handled: the answer is one of
those expected (a closed connection counts as one), the next score is answered within a second (five
where the machine has more work than processors), no score that was acknowledged is missing and none
that was refused is there. All of it stays on 127.0.0.1.
"""

import contextlib
import http.client
import json
import os
import socket
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from urllib.parse import urlencode

import pytest

from scentlab.recording.store import FILE_NAME, Store

WAIT = 1.0  # seconds that the served pages wait for headers and bodies here
TOKEN = "a-token-of-22-letters-"
SERVER = (
    # As many open files as a shell allows by itself.
    "import resource, sys; import scentlab.panel.server as served;"
    "resource.setrlimit(resource.RLIMIT_NOFILE, (1024, 1024));"
    "served.IDLE_S = served.BODY_S = float(sys.argv[2]);"
    "served.serve(sys.argv[1], announce=lambda text: print(text.splitlines()[0], flush=True))"
)
PLAN = {
    "assessors": ["A1", "A2"],
    "pieces": [{"code": str(n), "pour": "P1", "test": "sweat", "stress": "rest"}
               for n in range(100, 990)]
    + [{"code": "991", "pour": "P1", "test": "throw", "stress": None},
       {"code": "992", "pour": "P1", "test": "frost", "stress": None}],
    "smellings": [{"sitting": "S1", "sitting_on": "2026-03-15", "kind": "warm", "assessor": "A1",
                   "position": 1, "code": "991"}],
}
CLOSED = 0  # no answer, the connection was closed
SCORE = {"key": "probe-key-0", "assessor": "A1", "code": "100", "test": "sweat", "value": 2}


class Served:
    """The panel in a process of its own, with what it acknowledged."""

    def __init__(self, folder, wait=WAIT, plan=PLAN):
        self.folder, self.wait, self.acknowledged = Path(folder), wait, {}
        self.extra, self.next = 0, 101  # scores that should not be there; the next piece
        self.read = 0  # letters of the log that were looked at
        self.store = Store.create(self.folder)
        self.store.save_plan(plan)
        memory = self.folder / "panel.json"
        with socket.create_server(("127.0.0.1", 0)) as free:
            memory.write_text(json.dumps({"token": TOKEN, "port": free.getsockname()[1]}))
        self.log = open(self.folder / "log", "w+")  # noqa: SIM115 - lives as long as the server
        self.start()

    def start(self):
        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVER, str(self.folder), str(self.wait)],
            stdout=subprocess.PIPE, stderr=self.log, text=True,
        )
        link = self.process.stdout.readline().split()[-1]
        self.port = int(link.split("/")[2].split(":")[1])
        assert link.split("/")[3] == TOKEN

    def kill(self):
        self.process.kill()
        self.process.wait(20)
        self.process.stdout.close()

    def said(self):
        return (self.folder / "log").read_text()

    def connect(self, timeout=10):
        return socket.create_connection(("127.0.0.1", self.port), timeout=timeout)

    def raw(self, data, timeout=10):
        """Status of the first answer to some bytes; CLOSED when there is none."""
        with self.connect(timeout) as line, contextlib.suppress(ConnectionError):
            line.sendall(data)
            found = b""
            while b"\r\n" not in found:
                more = line.recv(4096)
                if not more:
                    return CLOSED
                found += more
            return int(found.split()[1])
        return CLOSED

    def ask(self, path, body=None, headers=(), method=None, timeout=10):
        """Status and text of a request below the link."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout)
        with contextlib.closing(line):
            line.request(method or ("GET" if body is None else "POST"), f"/{TOKEN}/{path}", body,
                         dict(headers))
            answer = line.getresponse()
            return answer.status, answer.read().decode()

    def send(self, body, path="save"):
        body = body if isinstance(body, (bytes, str)) else json.dumps(body)
        return self.ask(path, body, {"Content-Type": "application/json"})[0]

    def form(self, body):
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("save", body, kind)[0]

    def score(self, key=None, value=1, timeout=10):
        """Score the next piece as a phone does; its status, noted when it was acknowledged."""
        code, self.next = str(self.next), self.next + 1
        body = {**SCORE, "key": key or f"true-key-{code}", "code": code, "value": value}
        status, _ = self.ask("save", json.dumps(body), {"Content-Type": "application/json"},
                             timeout=timeout)
        if status == 200:
            self.acknowledged[code] = value
        return status

    def stored(self):
        place = f"file:{self.folder / FILE_NAME}?mode=ro"
        with contextlib.closing(sqlite3.connect(place, uri=True)) as raw:
            rows = raw.execute("SELECT code, grade FROM grades WHERE void_reason IS NULL "
                               "AND entry_id NOT IN (SELECT replaces FROM grades "
                               "WHERE replaces IS NOT NULL)").fetchall()
        return dict(rows), len(rows)


# --- bytes that are no request, or one without the link ------------------------------------------
def raw(*lines, body=b""):
    """A probe that sends header lines as they are."""
    head = "\r\n".join(lines).encode("latin-1") + b"\r\n\r\n"
    return lambda served: served.raw(head.replace(b"PORT", b"%d" % served.port) + body)


HOST = "Host: 127.0.0.1:PORT"
OWN = f"POST /{TOKEN}/save HTTP/1.1"
JSON = "Content-Type: application/json"
RAW = {
    "no token": (raw("GET / HTTP/1.1", HOST), {404}),
    "wrong token": (raw("GET /wrong/ HTTP/1.1", HOST), {404}),
    "a path without a slash": (raw("GET x HTTP/1.1", HOST), {400, 404}),
    "an asterisk": (raw("GET * HTTP/1.1", HOST), {400, 404}),
    "options of an asterisk": (raw("OPTIONS * HTTP/1.1", HOST), {400, 404, 405}),
    "an empty path": (raw("GET  HTTP/1.1", HOST), {400, 404}),
    "a whole address": (raw(f"GET http://x/{TOKEN}/ HTTP/1.1", HOST), {400, 404}),
    "an address for a proxy": (raw("CONNECT example.org:443 HTTP/1.1", HOST), {400, 404, 405}),
    "bytes above ASCII": (raw("GET /\xff\xfe/ HTTP/1.1", HOST), {400, 404}),
    "a lone surrogate": (raw("GET /%ED%A0%80/ HTTP/1.1", HOST), {400, 404}),
    "a zero byte": (raw("GET /\x00/ HTTP/1.1", HOST), {400, 404}),
    "no version": (raw("GET /"), {400}),
    "an old version": (raw("GET / HTTP/0.9", HOST), {400, 404}),
    "a version to come": (raw("GET / HTTP/2.0", HOST), {400, 404, 505}),
    "an unknown method": (raw(f"FOO /{TOKEN}/ HTTP/1.1", HOST), {400, 405}),
    "the head of a page": (raw(f"HEAD /{TOKEN}/ HTTP/1.1", HOST), {200, 405}),
    "the start of TLS": (lambda s: s.raw(b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" * 30
                                         + b"\r\n\r\n"), {CLOSED, 400}),
    "random bytes": (lambda s: s.raw(bytes(range(256)) * 8 + b"\r\n\r\n"), {CLOSED, 400}),
    "headers without end": (lambda s: s.raw(b"GET / HTTP/1.1\r\n" + b"A: b\r\n" * 50_000),
                            {CLOSED, 400, 431}),
    "one endless header": (lambda s: s.raw(b"GET / HTTP/1.1\r\nA: " + b"b" * 300_000),
                           {CLOSED, 400, 431}),
    "one endless first line": (lambda s: s.raw(b"GET /" + b"b" * 300_000), {CLOSED, 400, 414}),
    "a header without a colon": (raw("GET / HTTP/1.1", HOST, "nonsense"), {400, 404}),
    "a header that goes on": (raw("GET / HTTP/1.1", HOST, "A: b", " c"), {400, 404}),
    "two lengths": (raw(OWN, HOST, JSON, "Content-Length: 2", "Content-Length: 3", body=b"{}{"),
                    {CLOSED, 400}),
    "a length below zero": (raw(OWN, HOST, JSON, "Content-Length: -1"), {CLOSED, 400}),
    "a length that is no number": (raw(OWN, HOST, JSON, "Content-Length: many"), {CLOSED, 400}),
    "a length beyond all": (raw(OWN, HOST, JSON, f"Content-Length: {'9' * 400}"), {CLOSED, 400}),
    "a body larger than allowed": (raw(OWN, HOST, JSON, "Content-Length: 65537"), {CLOSED, 400}),
    "length and chunks": (raw(OWN, HOST, JSON, "Content-Length: 5", "Transfer-Encoding: chunked",
                              body=b"0\r\n\r\n"), {CLOSED, 400}),
    "chunks that are none": (raw(OWN, HOST, JSON, "Transfer-Encoding: chunked", body=b"xyz\r\n"),
                             {CLOSED, 400}),
    "too many chunks": (raw(OWN, HOST, JSON, "Transfer-Encoding: chunked",
                            body=b"ffff\r\n" + b"x" * 65535 + b"\r\nffff\r\n" + b"x" * 9),
                        {CLOSED, 400, 413}),
    "an unknown transfer": (raw(OWN, HOST, JSON, "Transfer-Encoding: zip"), {CLOSED, 400, 501}),
    "a packed body": (raw(OWN, HOST, JSON, "Content-Encoding: gzip", "Content-Length: 2",
                          body=b"{}"), {400, 409, 415}),
    "no host": (raw(f"GET /{TOKEN}/ HTTP/1.1"), {CLOSED, 400, 404}),
    "another's host": (raw(f"GET /{TOKEN}/ HTTP/1.1", "Host: evil.example"), {400, 404, 421}),
    "another's host with the port": (raw(f"GET /{TOKEN}/ HTTP/1.1", "Host: evil.example:PORT"),
                                     {400, 404, 421}),
    "a host that begins like ours": (raw(f"GET /{TOKEN}/ HTTP/1.1", "Host: 127.0.0.1.evil.example"),
                                     {400, 404, 421}),
    "a host with markup": (raw(f"GET /{TOKEN}/ HTTP/1.1", "Host: <b>"), {400, 404, 421}),
    "two hosts": (raw(f"GET /{TOKEN}/ HTTP/1.1", HOST, "Host: evil.example"), {400, 404, 421}),
    "our own host": (raw(f"GET /{TOKEN}/ HTTP/1.1", HOST), {200}),
    "another's page sends": (raw(OWN, HOST, JSON, "Origin: http://evil.example",
                                 "Content-Length: 2", body=b"{}"), {403}),
    "a page of nowhere sends": (raw(OWN, HOST, JSON, "Origin: null", "Content-Length: 2",
                                    body=b"{}"), {403}),
    "a broken origin": (raw(OWN, HOST, JSON, "Origin: http://[", "Content-Length: 2", body=b"{}"),
                        {400, 403}),
}

# --- bodies of a score ---------------------------------------------------------------------------
DEEP = "[" * 30_000 + "]" * 30_000
VALUES = {
    "nothing": None, "true": True, "a list": ["A1"], "a table": {"a": 1}, "a huge number": 10**400,
    "a huge fraction": 1e308, "below zero": -1, "a surrogate": "\ud800", "a zero byte": "A1\x00",
    "30,000 letters": "x" * 30_000, "an empty text": "", "SQL": "' OR 1=1; --",
    "markup": "<script>alert(1)</script>", "Arabic digits": "١",
}
FIELDS = ("key", "assessor", "code", "test", "value")
BODIES = {
    f"{name} as {field}": (
        lambda s, f=field, v=value: s.send({**SCORE, f: v}), {400, 409})
    for field in FIELDS for name, value in VALUES.items()
    if (field, name) not in {("value", "true")}
}
BODIES |= {
    "no JSON": (lambda s: s.send("{"), {400}),
    "a list for a body": (lambda s: s.send("[]"), {400}),
    "a number for a body": (lambda s: s.send("7"), {400}),
    "an empty body": (lambda s: s.send(""), {400}),
    "JSON without end": (lambda s: s.send('{"a":' * 9000), {400}),
    "lists in lists": (lambda s: s.send(DEEP), {400}),
    "a table of lists in lists": (lambda s: s.send('{"key":' + DEEP + "}"), {400, 409}),
    "no UTF-8": (lambda s: s.send(b'{"key":"\xff\xfe"}'), {400}),
    "UTF-16": (lambda s: s.send(json.dumps(SCORE | {"value": 9}).encode("utf-16")), {400, 409}),
    "a number of 5,000 digits": (lambda s: s.send('{"value":' + "9" * 5000 + "}"), {400, 409}),
    "no number": (lambda s: s.send('{"value": NaN, "waited_s": NaN}'), {400, 409}),
    "a throw without minutes": (lambda s: s.send({**SCORE, "code": "991", "test": "throw",
                                                  "sitting": "S1", "kind": "warm"}), {409}),
    "a throw of another sitting": (lambda s: s.send({**SCORE, "code": "991", "test": "throw",
                                                     "sitting": ["S1"], "kind": "warm"}), {409}),
    "minutes without end": (lambda s: s.send({**SCORE, "code": "991", "test": "throw", "kind":
                                              "warm", "sitting": "S1", "minutes": "1e999"}), {409}),
    "a form without fields": (lambda s: s.form(""), {400, 409}),
    "a form of signs": (lambda s: s.form("&&&==%%%"), {400, 409}),
    "a form without UTF-8": (lambda s: s.form("assessor=%ff%fe&key=%ff"), {400, 409}),
    "a form of 20,000 fields": (lambda s: s.form("&".join(f"f{n}=1" for n in range(8000))),
                                {400, 409}),
    "a form with a surrogate": (lambda s: s.form("assessor=%ED%A0%80"), {400, 409}),
    "a form with a late surrogate": (lambda s: s.form(urlencode(SCORE | {"value": 9})
                                                      + "&later=%ED%A0%80"), {400, 409}),
    "a form in parts without a border": (
        lambda s: s.ask("save", "x", {"Content-Type": "multipart/form-data"})[0], {400, 409}),
    "a form in broken parts": (
        lambda s: s.ask("save", "--b\r\nx", {"Content-Type": "multipart/form-data; boundary=b"})[0],
        {400, 409}),
}

# --- undo, pages and files -----------------------------------------------------------------------
UNDO = {"table": "grades", "key": "true-key-100", "assessor": "A2"}
ASKED = {
    "undo of another's score": (lambda s: s.score() and s.send(
        {**UNDO, "key": f"true-key-{s.next - 1}"}, "undo"), {409}),
} | {
    f"undo of {name}": (lambda s, m=more: s.send({**UNDO, **m}, "undo"), {400, 409})
    for name, more in {
        "a true key": {"key": True}, "a short key": {"key": "1"},
        "a key that is a number": {"key": 10**30}, "no key": {"key": None},
        "a list of keys": {"key": ["true-key-100"]}, "the plan": {"table": "plan"},
        "pours": {"table": "pours"}, "a list": {"table": ["grades"]}, "nobody": {"assessor": None},
    }.items()
}
ASKED |= {
    f"page {path}": (lambda s, p=path: s.ask(p)[0], codes) for path, codes in {
        "score/A1?saved=grades-1": {200}, "score/A1?saved=grades-%C2%B2": {200},
        "score/A1?saved=grades-99999999999999999": {200}, "score/A1?saved=plan-1": {200},
        "score/A1?now=%FF": {200, 400}, "score/A1?later=%ED%A0%80": {200, 400},
        "score/A1?now=" + "x" * 5000: {200, 400}, "score/A9": {404}, "score/a1%00": {404},
        "score/A1/": {404}, "save": {405}, "undo": {405}, "alive": {405}, "panel.json": {404},
        "series.sqlite": {404}, "..%2fseries.sqlite": {404}, "panel.js%00": {404},
    }.items()
}


# --- slow and many -------------------------------------------------------------------------------
def ends(served, data, drip=b""):
    """CLOSED when the pages end a connection that goes on so slowly; 1 when they do not."""
    with served.connect() as line:
        line.sendall(data)
        line.settimeout(0.2)
        end = time.monotonic() + 4 * served.wait + 2
        while time.monotonic() < end:
            try:
                if not line.recv(4096):
                    return CLOSED
            except TimeoutError:
                pass
            except ConnectionError:
                return CLOSED
            with contextlib.suppress(ConnectionError):
                line.sendall(drip)
    return 1


def crowd(served, number, data=b""):
    """Status of a score while many connections are held open; every one is bounded in time."""
    held = []
    try:
        for _ in range(number):
            with contextlib.suppress(OSError):
                held.append(served.connect(2))
                held[-1].sendall(data)
        return served.score(timeout=5)
    finally:
        for line in held:
            line.close()


def keeps_its_line(served):
    """Status of a phone's last request on a line that it has had since before the crowd came."""
    phone = http.client.HTTPConnection("127.0.0.1", served.port, timeout=5)
    with contextlib.closing(phone), contextlib.ExitStack() as held:
        for n in range(200):
            if n % 10 == 0:
                phone.request("POST", f"/{TOKEN}/alive", "{}")
                answer = phone.getresponse()
                answer.read()
                assert phone.sock is not None, "the line was closed"
            held.enter_context(served.connect(2))
        return answer.status


def unread(served):
    """Status of a score while one asks for pages again and again and reads nothing."""
    with served.connect(0.5) as line:
        with contextlib.suppress(OSError):
            for _ in range(2000):
                line.sendall(f"GET /{TOKEN}/panel.js HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
        return served.score()


SLOW = {
    "silence": (lambda s: ends(s, b""), {CLOSED}),
    "half a first line": (lambda s: ends(s, b"GET /"), {CLOSED}),
    "headers a letter at a time": (lambda s: ends(s, b"GET / HTTP/1.1\r\nA: ", b"b"), {CLOSED}),
    "a body that never comes": (
        lambda s: ends(s, f"{OWN}\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n\r\n".encode()),
        {CLOSED}),
    "a body a letter at a time": (
        lambda s: ends(s, f"{OWN}\r\nHost: 127.0.0.1\r\nContent-Length: 60000\r\n\r\n".encode(),
                       b"x"), {CLOSED}),
    "silence after an answer": (
        lambda s: ends(s, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"), {CLOSED}),
    "1,200 silent connections": (lambda s: crowd(s, 1200), {200}),
    "1,200 halves of a request": (lambda s: crowd(s, 1200, b"POST /x HTTP/1.1\r\n"), {200}),
    "a crowd beside a phone": (keeps_its_line, {200}),
    "answers that nobody reads": (unread, {200}),
}


# --- phones that lose the line -------------------------------------------------------------------
def again(served):
    """The same score under the same key, after the panel was killed and started again."""
    body = {**SCORE, "key": f"again-{served.next}", "code": str(served.next)}
    first = served.send(body)
    served.kill()
    served.start()
    served.acknowledged[body["code"]], served.next = 2, served.next + 1
    return first if served.send(body) == first else 1


def cut(served):
    """A score whose answer the phone does not wait for, sent again."""
    body = {**SCORE, "key": f"cut-off-{served.next}", "code": str(served.next)}
    text = json.dumps(body)
    with served.connect() as line:
        line.sendall(f"{OWN}\r\nHost: 127.0.0.1\r\n{JSON}\r\nContent-Length: {len(text)}\r\n\r\n"
                     f"{text}".encode())
    served.acknowledged[body["code"]], served.next = 2, served.next + 1
    return served.send(body)


def twice(served):
    """Two phones as one tester score one piece: the first is stored, the second is refused."""
    code = str(served.next)
    if served.score() != 200:
        return 1
    status, text = served.ask(
        "save", json.dumps({**SCORE, "key": f"other-{code}", "code": code, "value": 4}),
        {"Content-Type": "application/json"})
    return status if f"piece {code}" in json.loads(text)["error"] else 1


LINES = {
    "a restart between score and resend": (again, {200}),
    "an answer that was not heard": (cut, {200}),
    "two phones as one tester": (twice, {409}),
}
PROBES = {**RAW, **BODIES, **ASKED, **SLOW, **LINES}


def verdict(served, name):
    """handled, badly or lost, and why."""
    probe, expected = PROBES[name]
    try:
        status = probe(served)
        start = time.monotonic()
        after = served.score(timeout=5)
        took = time.monotonic() - start
    except (OSError, http.client.HTTPException, AssertionError) as error:
        return "badly", repr(error)
    grades, number = served.stored()
    if any(grades.get(code) != value for code, value in served.acknowledged.items()):
        return "lost", "a score that was acknowledged is missing"
    if number != len(served.acknowledged) + served.extra:
        served.extra = number - len(served.acknowledged)
        return "badly", f"{number} scores are stored, {len(served.acknowledged)} acknowledged"
    if status not in expected or after != 200:
        return "badly", f"status {status}, expected {sorted(expected)}; the next score: {after}"
    said = served.said()[served.read:]
    served.read += len(said)
    if TOKEN in said or len(said) > 100_000:
        return "badly", f"the log has {len(said)} letters, {said.count(TOKEN)} times the link"
    # With more work than processors a score waits for its turn on them, whatever was probed.
    most = 1 if os.getloadavg()[0] <= os.cpu_count() else 5
    return ("handled", "") if took < most else ("badly", f"the next score took {took:.1f} s")


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    served = Served(tmp_path_factory.mktemp("probed"))
    yield served
    served.kill()
    served.log.close()


@pytest.mark.parametrize("name", [
    # Those that wait are run with the benchmarks.
    pytest.param(name, marks=[pytest.mark.benchmark] if name in SLOW else []) for name in PROBES
])
def test_probe(served, name):
    assert verdict(served, name) == ("handled", "")


def probe_all(folder, every=1):
    """The word of each probe by name; why it is not handled is printed."""
    served, words = Served(folder), {}
    try:
        for name in list(PROBES)[::every]:
            words[name], why = verdict(served, name)
            if why:
                print(f"{words[name]}: {name}: {why}", file=sys.stderr)
    finally:
        served.kill()
        served.log.close()
    return words
