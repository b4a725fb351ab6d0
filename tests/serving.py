"""The panel's pages served for the tests, in a thread or in a process of its own."""

import asyncio
import contextlib
import datetime as dt
import http.client
import json
import re
import signal
import subprocess
import sys
import threading
from urllib.parse import urlencode

import tornado.netutil

from scentlab.panel.server import Door, make_app
from scentlab.recording.store import Store

TODAY = dt.date(2026, 3, 20)
PLAN = {
    "title": "Cedar <b>loads</b>", "assessors": ["A1", "A2"], "works_with_fragrance": ["A1"],
    "pours": [{"pour": "P77", "pot": "A", "blend": "secretmix", "poured_on": "2026-03-01",
               "load_pct": 13.37}],
    "pieces": [
        {"code": c, "pour": "P77", "test": t, "stress": s, "due_on": "2026-03-08"}
        for c, t, s in (("417", "sweat", "heat"), ("305", "frost", "rest"), ("500", "throw", None),
                        ("501", "throw", None))
    ],
    "smellings": [
        {"sitting": "S1", "sitting_on": "2026-03-15", "kind": "warm", "assessor": a,
         "position": n, "code": c}
        for a, codes in (("A1", ("500", "501")), ("A2", ("501", "500")))
        for n, c in enumerate(codes, 1)
    ],
}


@contextlib.contextmanager
def serving(panel):
    """The pages of a panel served in a thread; yields the port."""
    ready, done = threading.Event(), {}

    async def run():
        sockets = tornado.netutil.bind_sockets(0, "127.0.0.1")
        server = Door(make_app(panel))
        server.add_sockets(sockets)
        done.update(port=sockets[0].getsockname()[1], loop=asyncio.get_running_loop(),
                    stop=asyncio.Event())
        ready.set()
        await done["stop"].wait()
        server.stop()
        await server.close_all_connections()

    thread = threading.Thread(target=lambda: asyncio.run(run()), daemon=True)
    thread.start()
    assert ready.wait(10)
    try:
        yield done["port"]
    finally:
        done["loop"].call_soon_threadsafe(done["stop"].set)
        thread.join(10)


class Phone:
    """Sends requests as a browser would, with the token unless told otherwise."""

    def __init__(self, port, token):
        self.port, self.token = port, token

    def ask(self, path, body=None, headers=(), method=None, raw=False):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        headers = dict(headers)
        if isinstance(body, dict):
            headers.setdefault("Content-Type", "application/json")
            if headers["Content-Type"] == "application/json":
                body = json.dumps(body)
            else:
                body = urlencode(body)
        where = path if raw else f"/{self.token}/{path}"
        connection.request(method or ("GET" if body is None else "POST"), where, body, headers)
        answer = connection.getresponse()
        text = answer.read().decode()
        connection.close()
        return answer.status, text, answer.headers

    def save(self, code="417", test="sweat", value=2, assessor="A1", key="key-00001", **more):
        body = {"key": key, "assessor": assessor, "code": code, "test": test, "value": value,
                **more}
        status, text, _ = self.ask("save", body)
        return status, json.loads(text)

    def items(self, assessor):
        _, text, _ = self.ask(f"score/{assessor}")
        return json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])["items"]


def poured(folder, plan, fragrance_g=26.74):
    """A store with a plan whose first pour is logged."""
    store, first = Store.create(folder), plan["pours"][0]
    store.save_plan(plan)
    store.add("pours", {**{n: first[n] for n in ("pour", "pot", "blend")}, "wax_g": 200,
                        "fragrance_g": fragrance_g, "poured_on": "2026-03-01"})
    return store


SERVER = (
    "import sys; from scentlab.panel.server import serve;"
    "serve(sys.argv[1], announce=lambda text: print(text.splitlines()[0], flush=True))"
)


class Server:
    """The panel in a process of its own, which a test may kill and start again."""

    def __init__(self, folder):
        self.folder = folder
        self.start()

    def start(self):
        self.process = subprocess.Popen([sys.executable, "-c", SERVER, str(self.folder)],
                                        stdout=subprocess.PIPE, text=True)
        self.link = self.process.stdout.readline().split()[-1]

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(20)
