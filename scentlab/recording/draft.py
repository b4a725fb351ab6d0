"""Drafts: what is in a form and is not saved yet, kept in the series folder as it is typed.

A draft is no record: it is written over and may hold anything. It is written to a file of its own
that then takes the old one's place, so that it is never half there. The planning forms have one
draft; a form with another name has a draft of its own.
"""

import json
import re
from pathlib import Path

from scentlab.files import why_not, write_whole

DRAFT_NAME = "draft.json"
_FORMAT = 1


class DraftError(ValueError):
    """A draft that cannot be read or kept; the message says what to do."""


def draft_path(folder, form=""):
    """The file of the draft of a form; the planning forms have no name."""
    if form and not re.fullmatch(r"[\w-]+", form):
        raise DraftError(f"the form is called {form!r}; give letters, digits and - only")
    return Path(folder) / (f"draft-{form}.json" if form else DRAFT_NAME)


def read_draft(folder, form=""):
    """The draft in a folder, a dict; an empty one when there is none."""
    path = draft_path(folder, form)
    if not path.is_file():
        return {}
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(kept, dict) or kept.get("format") != _FORMAT:
            raise ValueError(f"expected a draft of format {_FORMAT}")
        return dict(kept["draft"])
    except (ValueError, KeyError, TypeError, OSError) as error:
        empty = "an empty form" if form else "the kept plan, or from empty forms"
        raise DraftError(
            f"{path} cannot be read as a draft ({error}); rename it to start from {empty}"
        ) from error


def keep_draft(folder, draft, form=""):
    """Put a draft, a dict that JSON can hold, in the place of the one before."""
    path = draft_path(folder, form)
    text = json.dumps({"format": _FORMAT, "draft": draft}, ensure_ascii=False, indent=1)
    try:
        return write_whole(path, text + "\n", private=True)
    except OSError as error:
        raise DraftError(f"what you type is only on this page: {why_not(error)}") from error


def drafted(folder, form):
    """What such a form takes: its ``draft``, and an ``on_change`` that keeps the next one. A draft
    that cannot be read keeps nobody from the form: it is left alone, which ``on_change`` tells."""
    kept, unread = {}, None
    try:
        kept = read_draft(folder, form)
    except DraftError as error:
        unread = error

    def keep(typed):
        nonlocal kept
        if typed != kept:
            if unread:
                raise unread
            keep_draft(folder, typed, form)
            kept = typed

    return {"draft": kept, "on_change": keep}
