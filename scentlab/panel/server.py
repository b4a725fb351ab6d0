"""Scoring on a phone or tablet: plain pages served to the panel, one process for all.

Without the token of the link nothing is served. The pages show blind codes only, load nothing
from the network, and show a score as saved only when the store has acknowledged it. Tornado reads
the requests; what is our own is the door: who may stay how long, and what is logged.
"""

import asyncio
import concurrent.futures
import contextlib
import functools
import hmac
import io
import ipaddress
import json
import logging
import re
import secrets
import socket
import time
from pathlib import Path

import segno
import tornado.httpserver
import tornado.netutil
import tornado.template
import tornado.web

from scentlab.files import write_whole
from scentlab.panel.scoring import Panel
from scentlab.recording.address import MEMORY_FILE, panel_address, remembered
from scentlab.recording.drawings import grade_svg
from scentlab.recording.progress import known_assessors, score_words, turn_words
from scentlab.recording.store import RefusedError, Store, StoreError
from scentlab.schema import GRADE_WORDS, THROWS, DataError

LARGEST_BODY, LARGEST_HEAD = 64 * 1024, 16 * 1024  # bytes
LARGEST_PHOTO = 8_000_000  # bytes, which the phone scales before
# Seconds for a request's headers, between two requests of a connection (pages ask every 3 s), and
# for a body.
IDLE_S, BODY_S = 15, 10
# Connections: a phone has one or two, seldom six; many shells allow 256 open files in all.
PER_ADDRESS, IN_ALL = 48, 128
COOKIE_DAYS = 60  # a series is scored by then
MOST_MIN = THROWS["minutes"].upper
WORKERS, LET_GO_S = 8, 2  # threads that use the store; seconds until its file is whole again
LOG_RECORDS, LOG_EVERY_S, LOG_LETTERS = 20, 3600, 2000
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "connect-src 'self'; img-src 'self' data:; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_PAGES = Path(__file__).parent / "pages"
_TEMPLATES = tornado.template.Loader(str(_PAGES))
_drawn = functools.cache(grade_svg)
_STATIC = {".css": "text/css", ".js": "text/javascript"}


class _Page(tornado.web.RequestHandler):
    """What all pages share: the token at the door, headers, work outside the loop."""

    def initialize(self, panel, workers):
        self.panel, self.workers = panel, workers

    def set_default_headers(self):
        for name, value in HEADERS.items():
            self.set_header(name, value)
        self.clear_header("Server")

    @property
    def token(self):
        return self.panel.token

    def prepare(self):
        token = (self.request.path.split("/") + [""])[1]
        if not hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode()):
            raise tornado.web.HTTPError(404)
        self.request.connection.stream.has_link = True  # the door lets go of it last
        if self.request.method == "POST" and not self._from_own_page():
            raise tornado.web.HTTPError(403)

    def _from_own_page(self):
        site = self.request.headers.get("Sec-Fetch-Site", "same-origin")
        origin = self.request.headers.get("Origin")
        own = origin in (None, f"{self.request.protocol}://{self.request.host}")
        return own and site in ("same-origin", "none")

    async def work(self, action, *arguments):
        """Run something that uses the store without stopping the other phones."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self.workers, action, *arguments)

    async def tell(self, action, said):
        """Finish with what ``action(said)`` tells, with why it was refused and what the page
        must know then (409), or with a fault that may pass (503)."""
        try:
            told = await self.work(action, said)
        except (DataError, StoreError) as error:
            wrong = isinstance(error, (DataError, RefusedError))
            self.set_status(409 if wrong else 503)
            told = {"error": str(error)} | (await self.work(self.news, said) if wrong else {})
        self.finish(told)

    def news(self, said):
        """What the page of a refused request takes to be otherwise, perhaps: nothing."""
        return {}

    def write_error(self, status_code, exc_info=(None, None), **kwargs):
        """What cannot be shown. A fault of ours or of the disk may pass: the phone tries again."""
        if status_code == 500:
            self.set_status(503)
            wrong = isinstance(exc_info[1], StoreError)
            words = str(exc_info[1]) if wrong else (
                "the series could not be used; the panel window on the computer says why"
            )
            self.finish(words if self.request.method == "GET" else {"error": words})
            return
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish("Nothing here. Use the full link.\n" if status_code == 404 else "Refused.\n")

    def log_exception(self, typ, value, tb):
        """A fault of ours is logged, without the address: it holds the token."""
        if not isinstance(value, (tornado.web.HTTPError, StoreError)):
            what = f"{self.request.method} by {type(self).__name__}"
            logging.getLogger(__name__).error("%s failed", what, exc_info=(typ, value, tb))

    def show(self, template, **values):
        self.finish(_TEMPLATES.load(template).generate(**{"token": self.token, **values}))


class _Nothing(_Page):
    def prepare(self):
        raise tornado.web.HTTPError(404)


class _Static(_Page):
    def get(self, name):
        self.set_header("Content-Type", f"{_STATIC[Path(name).suffix]}; charset=utf-8")
        self.finish((_PAGES / name).read_bytes())


class _Choose(_Page):
    async def get(self):
        assessors, due = await self.work(self._counts)
        link = f"{self.request.protocol}://{self.request.host}/{self.panel.token}/"
        self.show("panel.html", page="choose", title="Panel", assessors=assessors,
                  due=due, qr=qr_svg(link))

    def _counts(self):
        panel = self.panel
        waits = {c: panel.items(c) for c in known_assessors(panel.store)}
        said = ""
        if not any(waits.values()):
            later = score_words(panel.store, panel.today, panel.looks_per_piece)[1]
            said = f"Nothing is ready to score{f'; then {later}' if later else ''}."
        return [(c, len(items), turn_words(items)) for c, items in waits.items()], said


class _Score(_Page):
    async def get(self, assessor):
        if assessor not in await self.work(known_assessors, self.panel.store):
            raise tornado.web.HTTPError(404)
        items, scored = await self.work(self.panel.waits, assessor)
        scanned = re.fullmatch(r"[0-9]{3}|", self.get_query_argument("piece", ""))
        scanned = scanned[0] if scanned else ""
        photos = await self.work(self.panel.photos, assessor)
        # Who scans a label finds the page again by this, which leaves the address to no one else.
        self.set_cookie("panel", f"{self.token}.{assessor}", path="/piece/", httponly=True,
                        samesite="Lax", expires_days=COOKIE_DAYS)
        # What is done now and what was left for later stand in the link: a reload keeps them.
        data = {"assessor": assessor, "items": items, "scored": scored,
                "photos": photos, "largest_photo": LARGEST_PHOTO,
                "scanned": scanned, "most_min": MOST_MIN,
                "now": self.get_query_argument("now", ""),
                "later": self.get_query_arguments("later")}
        self.show("panel.html", page="score", title=f"Scores of {assessor}", assessor=assessor,
                  grades=GRADE_WORDS, svg=_drawn, data=as_data(data))


class _Save(_Page):
    async def post(self):
        await self.tell(self.store, sound_json(self.request.body))

    def store(self, said):
        table, receipt, words = self.panel.save(said)
        return {"table": table, "entry_id": receipt.entry_id, "words": words}

    def news(self, said):
        """What waits: it may be scored from another phone."""
        assessor = said.get("assessor")
        if assessor not in known_assessors(self.panel.store):
            return {}
        return dict(zip(("items", "scored"), self.panel.waits(assessor), strict=True))


def as_data(found):
    """What a page's scripts read, as JSON that ends no script element."""
    return json.dumps(found).replace("<", "\\u003c")


def sound_json(body):
    """What a page sent, a dict; status 400 for anything else."""
    try:
        said = json.loads(body)
        # A database takes no half of a character and no zero byte.
        sound = b"\\u0000" not in json.dumps(said, ensure_ascii=False).encode()
    except (ValueError, RecursionError):
        sound = False
    if not sound or not isinstance(said, dict):
        raise tornado.web.HTTPError(400)
    return said


class _Undo(_Save):
    def store(self, said):
        return {"words": self.panel.undo(said)}


class _Alive(_Page):
    def post(self):
        self.finish({"alive": True})


class Door(tornado.httpserver.HTTPServer):
    """Tornado's server with an end to waiting, and with room for phones among silent strangers:
    where an address, or all together, hold too many connections, the oldest that has not shown
    the link is closed, or else the oldest."""

    def initialize(self, app):
        super().initialize(
            app, max_body_size=LARGEST_BODY, max_header_size=LARGEST_HEAD, body_timeout=BODY_S,
            idle_connection_timeout=IDLE_S,
        )
        self._guests = {}  # stream to address, in the order of arrival

    def handle_stream(self, stream, address):
        self._make_room(address[0])
        self._guests[stream] = address[0]
        super().handle_stream(stream, address)

    def on_close(self, server_conn):
        self._guests.pop(server_conn.stream, None)
        super().on_close(server_conn)

    def _make_room(self, address):
        crowd = [stream for stream, other in self._guests.items() if other == address]
        if len(crowd) < PER_ADDRESS:
            crowd = list(self._guests) if len(self._guests) >= IN_ALL else []
        if crowd:
            leaves = next((s for s in crowd if not getattr(s, "has_link", False)), crowd[0])
            self._guests.pop(leaves)
            leaves.close()


class BoundedLog(logging.StreamHandler):
    """What went wrong, on the error stream: few records an hour, cut short, without the token."""

    def __init__(self, *tokens):
        super().__init__()
        self._tokens, self._since, self._number = tokens, time.monotonic(), 0

    def emit(self, record):
        if time.monotonic() - self._since > LOG_EVERY_S:
            self._since, self._number = time.monotonic(), 0
        self._number += 1
        if self._number <= LOG_RECORDS:
            super().emit(record)

    def format(self, record):
        text = super().format(record)
        for token in self._tokens:
            text = text.replace(token, "(link)")
        more = " (nothing more is shown this hour)" if self._number == LOG_RECORDS else ""
        return text[-LOG_LETTERS:] + more


def make_app(panel, host="127.0.0.1"):
    """The Tornado application of a :class:`Panel`, for requests that name this machine: a page
    of another site can have its own name lead here, which an address or this machine's name
    cannot."""
    from scentlab.panel.bench import routes  # whose pages are made of those here

    shared = {"panel": panel, "workers": concurrent.futures.ThreadPoolExecutor(WORKERS)}
    app = tornado.web.Application(
        default_handler_class=_Nothing, default_handler_args=shared,
        log_function=lambda handler: None,  # a log of requests would hold the token
    )
    names = "|".join(re.escape(n.lower()) for n in {"localhost", host, socket.gethostname()} if n)
    app.add_handlers(
        rf"(\d+\.\d+\.\d+\.\d+|\[[0-9a-f:.]+\]|({names})(\.[a-z]+)?)",
        [
            *routes(shared),
            (r"/[^/]+/", _Choose, shared),
            (r"/[^/]+/score/([A-Za-z][0-9]{1,3})", _Score, shared),
            (r"/[^/]+/save", _Save, shared),
            (r"/[^/]+/undo", _Undo, shared),
            (r"/[^/]+/alive", _Alive, shared),
            (r"/[^/]+/(panel\.css|phone\.js|queue\.js|panel\.js)", _Static, shared),
        ],
    )
    return app


def serve(folder, host="127.0.0.1", port=0, *, looks_per_piece=1, today=None, pour_qr=False,
          announce=print):
    """Serve the panel's pages of a series until interrupted.

    ``host`` is the address to listen on; any other than this machine's own is warned about.
    ``port`` 0 takes the port of the last time if it is free, so that phones find it again.
    ``today`` is fixed for a demonstration. ``pour_qr`` shows the QR code of the pour day too, whose
    page shows loads; ``announce`` takes the lines to show. Raises StoreError when the series cannot
    be opened or the port is taken.
    """
    store = Store.open(folder)
    store.hold()
    token, last_port, pours = _remembered(store)
    panel = Panel(store, token, looks_per_piece, today, pours)
    log = BoundedLog(token, panel.pour_token)
    logging.getLogger().addHandler(log)
    try:
        with contextlib.suppress(KeyboardInterrupt):  # Ctrl+C is how it is meant to end
            asyncio.run(_serve(panel, host, port, last_port, pour_qr, announce))
    finally:
        logging.getLogger().removeHandler(log)


async def _serve(panel, host, port, last_port, pour_qr, announce):
    sockets = _listen(host, port, last_port)
    bound = sockets[0].getsockname()[1]
    if last_port not in (0, bound) and not port:
        announce(f"Port {last_port}, used last time, is taken by another program. Phones with "
                 "waiting scores look for the panel there: free the port and start again.")
    # Labels lead to the address for phones: on this machine alone to that of the last time.
    address = panel_address(panel.store.folder) if _is_this_machine(host) else _address(host, bound)
    _remember(panel.store, panel.token, bound, pours=panel.pour_token, address=address)
    server = Door(make_app(panel, host=host))
    server.add_sockets(sockets)
    try:
        announce("\n".join([*announcement(host, bound, panel.token),
                            *pour_announcement(host, bound, panel.pour_token, pour_qr)]))
        while True:  # whoever copies the file in between finds all scores in it
            await asyncio.sleep(LET_GO_S)
            await asyncio.to_thread(panel.store.let_go)
    finally:
        server.stop()
        panel.store.let_go()


def announcement(host, port, token):
    """The lines to show when the pages are served: the link, its QR code, and a warning."""
    link = f"{_address(host, port)}/{token}/"
    yield f"The panel scores at {link}"
    if not _is_this_machine(host):
        yield (
            "WARNING: any device on this network that has the link can score, and the link travels "
            "unencrypted. Use a network you trust, and stop with Ctrl+C afterwards."
        )
    yield _in_terminal(link)


def pour_announcement(host, port, token, qr=False):
    """The lines for whoever weighs: another link, for its page shows the loads."""
    link = f"{_address(host, port)}/{token}/pours/"
    yield f"NOT for testers (it shows the loads): type pour-day weights at {link}"
    yield _in_terminal(link) if qr else "(--pour-qr also shows that link's QR code.)"


def _address(host, port):
    name = host if _is_this_machine(host) else _address_for_others(host)
    return f"http://{f'[{name}]' if ':' in name else name}:{port}"


def _in_terminal(link):
    picture = io.StringIO()
    segno.make(link, error="m").terminal(picture, compact=True)
    return picture.getvalue()


def qr_svg(link):
    return segno.make(link, error="m").svg_inline(
        scale=4, light="#fff", title="QR code of the link")


def _listen(host, port, last_port):
    for candidate in dict.fromkeys([port or last_port, port]):
        try:
            if candidate > 65535:  # of which the system would take the rest
                raise OSError(0, "there is no such port, the highest is 65535")
            return tornado.netutil.bind_sockets(candidate, host)
        except OSError as error:
            fault = error
    raise StoreError(
        f"the pages cannot be served at {host} port {port} ({fault.strerror})",
        "choose another port",
    ) from fault


def _remembered(store):
    """Token and port of the last time, and the token of the pour day, for scores that wait."""
    kept = remembered(store.folder)
    token, pours = (kept[name] if _is_token(kept.get(name)) else secrets.token_urlsafe(16)
                    for name in ("token", "pours"))
    port = kept.get("port") if token == kept.get("token") else 0
    return token, port if type(port) is int and 0 < port < 65536 else 0, pours


def _is_token(text):
    return isinstance(text, str) and re.fullmatch(r"[0-9A-Za-z_-]{20,}", text)


def _remember(store, token, port, **more):
    with contextlib.suppress(OSError):  # it costs a new link next time, nothing else
        write_whole(store.folder / MEMORY_FILE, json.dumps({"token": token, "port": port, **more}),
                    private=True)


def _is_this_machine(host):
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _address_for_others(host):
    if host not in ("0.0.0.0", "::", ""):
        return host
    # Nothing is sent: this only asks which address a message to the outside would leave from.
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return probe.getsockname()[0]
        except OSError:
            return socket.gethostname()
