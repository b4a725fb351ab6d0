"""Further pages of the panel: photos, the piece of a scanned label, and the pour day."""

import hmac
import json
import re
from functools import partial

import tornado.web

from scentlab.panel.pouring import (
    FIELDS,
    UNITS,
    Doubtful,
    drop_pour,
    pours_of,
    save_pour,
    undo_pour,
)
from scentlab.panel.server import LARGEST_PHOTO, _Page, _Static, as_data, sound_json
from scentlab.recording.progress import known_assessors
from scentlab.recording.store import RefusedError
from scentlab.units import shown

PHOTO_S = 60  # seconds to send one
_SAID = ("assessor", "code", "test", "key")
NO_LINK = (
    "First open the panel link (shown on the computer) on this phone and choose your code. Then "
    "scan the label again."
)


@tornado.web.stream_request_body
class _TakePhoto(_Page):
    """A photo as the body of a request; the door is looked at before any of it is read."""

    def prepare(self):
        super().prepare()
        self._data = bytearray()
        connection = self.request.connection
        connection.set_max_body_size(LARGEST_PHOTO)
        connection.set_body_timeout(PHOTO_S)

    def data_received(self, chunk):
        self._data += chunk

    async def post(self):
        said = sound_json(json.dumps({n: self.get_query_argument(n, "") for n in _SAID}))
        waited = self.get_query_argument("waited_s", "")
        said["waited_s"] = float(waited) if re.fullmatch(r"\d{1,8}(\.\d{1,6})?", waited) else 0
        await self.tell(self.keep, said)

    def keep(self, said):
        receipt, words, name = self.panel.keep_photo(said, bytes(self._data))
        return {"table": "photos", "entry_id": receipt.entry_id, "words": words, "name": name}


class _Picture(_Page):
    async def get(self, name):
        try:
            data = await self.work(self.panel.picture, name)
        except RefusedError:
            data = None
        if data is None:
            raise tornado.web.HTTPError(404)
        self.set_header("Content-Type", "image/jpeg")
        self.finish(data)


class _Piece(_Page):
    """Where a label leads: to the piece on the page of the tester who uses this phone.

    The address is printed, so it opens nothing by itself: without the cookie of the panel's own
    page nothing is said, not even whether there is such a piece.
    """

    def prepare(self):
        return None

    async def get(self, code):
        token, _, assessor = self.get_cookie("panel", "").rpartition(".")
        right = hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode())
        if not right or assessor not in await self.work(known_assessors, self.panel.store):
            self.set_status(403)
            self.show("panel.html", page="stop", title="Label of a piece", token="piece",
                      why=NO_LINK)
            return
        self.request.connection.stream.has_link = True
        self.redirect(f"/{self.token}/score/{assessor}?piece={code}")


class _PieceStyle(_Static):
    """The look of the page for who has no link; it says nothing of the series."""

    def prepare(self):
        return None


class _PourPage(_Page):
    """What all pages of the pour day share: a link of their own."""

    @property
    def token(self):
        return self.panel.pour_token


class _Pours(_PourPage):
    async def get(self):
        pours = await self.work(pours_of, self.panel)
        self.show("pours.html", fields=FIELDS, units=UNITS, shown=shown(),
                  data=as_data({"pours": pours}))


class _ChangePour(_PourPage):
    async def post(self, what):
        try:
            await self.tell(partial(self.change, what), sound_json(self.request.body))
        except Doubtful as error:
            self.set_status(409)
            self.finish({"doubts": error.doubts})

    def news(self, said):
        return {"pours": pours_of(self.panel)}

    def change(self, what, said):
        return _CHANGES[what](self.panel, said) | self.news(said)


class _PourStatic(_PourPage, _Static):
    pass


_CHANGES = {"save": save_pour, "drop": drop_pour, "undo": undo_pour}


def routes(shared):
    """The addresses of these pages, with what their handlers share."""
    return [
        (r"/[^/]+/photo", _TakePhoto, shared),
        (r"/[^/]+/photo/([0-9]{3}-[0-9a-f]{16}\.jpg)", _Picture, shared),
        (r"/piece/([0-9]{3})", _Piece, shared),
        (r"/piece/(panel\.css)", _PieceStyle, shared),
        (r"/[^/]+/pours/", _Pours, shared),
        (rf"/[^/]+/pours/({'|'.join(_CHANGES)})", _ChangePour, shared),
        (r"/[^/]+/pours/(panel\.css|phone\.js|pours\.js)", _PourStatic, shared),
    ]
