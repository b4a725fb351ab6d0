"""Widgets that no browser shows: no state is written down that nobody receives."""

from contextlib import contextmanager
from uuid import uuid4

import ipywidgets
import pytest


class Nobody:
    """The other end of such a widget."""

    kernel = None  # so that nothing is sent

    def __init__(self):
        self.comm_id = uuid4().hex

    def on_msg(self, callback):
        pass

    def close(self, *given, **options):
        pass


@contextmanager
def unseen():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ipywidgets.Widget, "open", lambda widget: setattr(widget, "comm", Nobody()))
        yield
