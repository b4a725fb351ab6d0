"""Scoring on a phone or tablet: plain pages served to the panel, one process for all.

Without the token of the link nothing is served. The pages show blind codes only, load nothing
from the network, and show a score as saved only when the store has acknowledged it.
"""

import asyncio
import concurrent.futures
import contextlib
import hmac
import html
import io
import ipaddress
import json
import os
import secrets
import socket
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import segno
import tornado.httpserver
import tornado.netutil
import tornado.template
import tornado.web

from scentlab.recording.drawings import GRADE_WORDS, grade_svg
from scentlab.recording.panel import Panel, Task
from scentlab.recording.progress import known_assessors
from scentlab.recording.store import RefusedError, Store, StoreError
from scentlab.schema import DataError

MEMORY_FILE = "panel.json"
LARGEST_BODY = 64 * 1024
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
_STATIC = {"panel.css": "text/css", "panel.js": "text/javascript"}


class _Page(tornado.web.RequestHandler):
    """What all pages share: the token at the door, headers, work outside the loop."""

    def initialize(self, panel, workers):
        self.panel, self.workers = panel, workers

    def set_default_headers(self):
        for name, value in HEADERS.items():
            self.set_header(name, value)
        self.clear_header("Server")

    def prepare(self):
        token = self.request.path.split("/")[1]
        if not hmac.compare_digest(token.encode(), self.panel.token.encode()):
            raise tornado.web.HTTPError(404)
        if self.request.method == "POST" and not self._from_own_page():
            raise tornado.web.HTTPError(403)

    def _from_own_page(self):
        site = self.request.headers.get("Sec-Fetch-Site", "same-origin")
        origin = self.request.headers.get("Origin")
        own = origin is None or urlsplit(origin).netloc == self.request.host
        return own and site in ("same-origin", "none")

    async def work(self, action, *arguments):
        """Run something that uses the store without stopping the other phones."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self.workers, action, *arguments)

    def write_error(self, status_code, **kwargs):
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish("Nothing here. Use the whole link.\n" if status_code == 404 else "Refused.\n")

    def show(self, template, **values):
        loader = tornado.template.Loader(str(_PAGES))
        self.finish(loader.load(template).generate(token=self.panel.token, **values))


class _Nothing(_Page):
    def prepare(self):
        raise tornado.web.HTTPError(404)


class _Static(_Page):
    def get(self, name):
        self.set_header("Content-Type", f"{_STATIC[name]}; charset=utf-8")
        self.finish((_PAGES / name).read_bytes())


class _Choose(_Page):
    async def get(self):
        assessors = await self.work(self._counts)
        link = f"{self.request.protocol}://{self.request.host}/{self.panel.token}/"
        self.show("panel.html", page="choose", title="Panel", assessors=assessors,
                  qr=qr_svg(link))

    def _counts(self):
        return [(c, len(self.panel.items(c))) for c in known_assessors(self.panel.store)]


class _Score(_Page):
    async def get(self, assessor):
        if assessor not in await self.work(known_assessors, self.panel.store):
            raise tornado.web.HTTPError(404)
        said = ""
        table, _, entry = self.get_query_argument("saved", "").partition("-")
        if entry.isdigit() and len(entry) < 18:
            said = await self.work(self.panel.saved_words, table, int(entry), assessor)
        kept = self.get_query_argument("now", ""), self.get_query_arguments("later")
        await self.page(assessor, said, "saved", *kept)

    async def page(self, assessor, said, said_class, now="", later=()):
        items = await self.work(self.panel.items, assessor)
        scored = await self.work(self.panel.scored, assessor)
        task = Task(items, scored, now, tuple(later))
        data = {"token": self.panel.token, "assessor": assessor, "items": items,
                "scored": scored, "now": task.turn, "later": task.later}
        self.show(
            "panel.html", page="score", title=f"Scores of {assessor}", assessor=assessor,
            item=task.item, task=task, key=secrets.token_hex(16), link=self.link,
            said=said, said_class=said_class, strips=_STRIPS,
            answers=_STRIPS[task.item["test"]] if task.item else "",
            data=json.dumps(data).replace("<", "\\u003c"),
        )

    def link(self, assessor, now, later=(), **more):
        """The link to a page that keeps what is done now and what was left for later."""
        query = urlencode({"now": now, "later": later, **more}, doseq=True)
        return f"/{self.panel.token}/score/{assessor}?{query}"


class _Save(_Score):
    async def get(self):
        raise tornado.web.HTTPError(405)

    async def post(self):
        said, plain = self.said()
        try:
            table, receipt, words = await self.work(self.panel.save, said)
        except (DataError, StoreError) as error:
            await self.refuse(error, said, plain)
            return
        if plain:
            kept = said.get("now", ""), self.get_body_arguments("later")
            saved = f"{table}-{receipt.entry_id}"
            self.redirect(self.link(said["assessor"], *kept, saved=saved), status=303)
            return
        self.finish({"table": table, "entry_id": receipt.entry_id, "words": words})

    def said(self):
        """What the page sent, and whether it came from the plain form without a script."""
        if self.request.headers.get("Content-Type", "").startswith("application/json"):
            try:
                said = json.loads(self.request.body)
            except ValueError:
                raise tornado.web.HTTPError(400) from None
            if not isinstance(said, dict):
                raise tornado.web.HTTPError(400)
            return said, False
        return {k: self.get_body_argument(k) for k in self.request.body_arguments}, True

    async def refuse(self, error, said, plain):
        """Tell why a score was not stored; a fault that may pass is told as one (503)."""
        wrong = isinstance(error, (DataError, RefusedError))
        self.set_status(409 if wrong else 503)
        assessor = said.get("assessor")
        if plain and assessor in await self.work(known_assessors, self.panel.store):
            kept = said.get("now", ""), self.get_body_arguments("later")
            await self.page(assessor, f"NOT SAVED. {error}", "warn", *kept)
        else:
            # The place of the store is the maker's business, not the panel's.
            words = str(error).replace(self.panel.store.place, "the series")
            self.finish({"error": words})


class _Undo(_Save):
    async def post(self):
        said, _ = self.said()
        try:
            words = await self.work(self.panel.undo, said)
        except (DataError, StoreError) as error:
            await self.refuse(error, said, False)
            return
        self.finish({"words": words})


class _Alive(_Page):
    def post(self):
        self.finish({"alive": True})


def make_app(panel, workers=None):
    """The Tornado application of a :class:`Panel`."""
    shared = {
        "panel": panel, "workers": workers or concurrent.futures.ThreadPoolExecutor(8)
    }
    return tornado.web.Application(
        [
            (r"/[^/]+/", _Choose, shared),
            (r"/[^/]+/score/([A-Za-z][0-9]{1,3})", _Score, shared),
            (r"/[^/]+/save", _Save, shared),
            (r"/[^/]+/undo", _Undo, shared),
            (r"/[^/]+/alive", _Alive, shared),
            (r"/[^/]+/(panel\.css|panel\.js)", _Static, shared),
        ],
        default_handler_class=_Nothing, default_handler_args=shared,
        log_function=lambda handler: None,  # a log of requests would hold the token
    )


def serve(folder, host="127.0.0.1", port=0, *, looks_per_piece=1, today=None, announce=print):
    """Serve the panel's pages of a series until interrupted.

    Parameters
    ----------
    folder : series folder or SQLAlchemy URL.
    host : address to listen on; any other than this machine's own is warned about.
    port : 0 takes the port of the last time if it is free, so that phones find it again.
    looks_per_piece : number of assessors who grade each sweat and frost piece.
    today : a fixed date for a demonstration; the machine's day when absent.
    announce : callable that takes the lines to show: link, QR code, warning.

    Raises StoreError when the series cannot be opened or the port is taken.
    """
    with contextlib.suppress(KeyboardInterrupt):  # Ctrl+C is how it is meant to end
        asyncio.run(_serve(folder, host, port, looks_per_piece, today, announce))


async def _serve(folder, host, port, looks_per_piece, today, announce):
    store = Store.open(folder)
    token, last_port = _remembered(store)
    panel = Panel(store, token, looks_per_piece, today)
    sockets = _listen(host, port, last_port)
    bound = sockets[0].getsockname()[1]
    _remember(store, token, bound)
    server = tornado.httpserver.HTTPServer(make_app(panel), max_body_size=LARGEST_BODY)
    server.add_sockets(sockets)
    announce("\n".join(announcement(host, bound, token)))
    try:
        await asyncio.Event().wait()
    finally:
        server.stop()


def announcement(host, port, token):
    """The lines to show when the pages are served: the link, its QR code, and a warning."""
    name = host if _is_this_machine(host) else _address_for_others(host)
    link = f"http://{f'[{name}]' if ':' in name else name}:{port}/{token}/"
    yield f"The panel scores at {link}"
    if not _is_this_machine(host):
        yield (
            "WARNING: every device of this network that has the link can score, and the link "
            "travels unencrypted. Use a network that you trust, and stop with Ctrl+C afterwards."
        )
    picture = io.StringIO()
    segno.make(link, error="m").terminal(picture, compact=True)
    yield picture.getvalue()


def qr_svg(link):
    """The QR code of a link as an SVG element."""
    picture = io.BytesIO()
    segno.make(link, error="m").save(
        picture, kind="svg", xmldecl=False, scale=4, title="QR code of the link"
    )
    return picture.getvalue().decode()


def _listen(host, port, last_port):
    for candidate in dict.fromkeys([port or last_port, port]):
        try:
            return tornado.netutil.bind_sockets(candidate, host)
        except OSError as error:
            fault = error
    raise StoreError(
        f"the pages cannot be served at {host} port {port} ({fault.strerror}); choose another port"
    ) from fault


def _remembered(store):
    """Token and port of the last time: phones with scores that wait find the pages again."""
    try:
        kept = json.loads((store.folder / MEMORY_FILE).read_text(encoding="utf-8"))
        token, port = kept["token"], kept["port"]
        if isinstance(token, str) and len(token) >= 20 and 0 < port < 65536:
            return token, port
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return secrets.token_urlsafe(16), 0


def _remember(store, token, port):
    if store.folder is None:
        return
    # Not being able to remember costs a new link next time, nothing else.
    with contextlib.suppress(OSError):
        path = store.folder / MEMORY_FILE
        path.touch(mode=0o600)
        os.chmod(path, 0o600)
        path.write_text(json.dumps({"token": token, "port": port}), encoding="utf-8")


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


def _grade_buttons(test):
    return "".join(
        f'<button class="grade" name="value" value="{g}" aria-pressed="false">'
        f"{grade_svg(test, g)}<span>{g}: {html.escape(words)}</span></button>"
        for g, words in enumerate(GRADE_WORDS[test])
    )


def _throw_buttons():
    words = {0: "nothing", 10: "overpowering"}
    return '<div class="scores">' + "".join(
        f'<button name="value" value="{n}" aria-pressed="false">{n}'
        + (f"<small>{words[n]}</small>" if n in words else "") + "</button>"
        for n in range(11)
    ) + "</div>"


_STRIPS = {
    "sweat": _grade_buttons("sweat"), "frost": _grade_buttons("frost"), "throw": _throw_buttons(),
}
