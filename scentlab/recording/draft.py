"""The draft of a plan: what stands in the planning forms, kept in the series folder as it is typed.

A draft is no record: it is written over and may hold anything. It is written to a file of its own
that then takes the old one's place, so that it is never half there.
"""

import json
import os
import tempfile
from pathlib import Path

DRAFT_NAME = "draft.json"
_FORMAT = 1


class DraftError(ValueError):
    """A draft that cannot be read or kept; the message says what to do."""


def read_draft(folder):
    """The draft in a folder, a dict; an empty one when there is none."""
    path = Path(folder) / DRAFT_NAME
    if not path.is_file():
        return {}
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(kept, dict) or kept.get("format") != _FORMAT:
            raise ValueError(f"expected a draft of format {_FORMAT}")
        return dict(kept["draft"])
    except (ValueError, KeyError, TypeError, OSError) as error:
        raise DraftError(
            f"{path} cannot be read as a draft ({error}); rename it to begin from the plan that "
            "is kept, or from empty forms"
        ) from error


def keep_draft(folder, draft):
    """Put a draft, a dict that JSON can hold, in the place of the one before."""
    path = Path(folder) / DRAFT_NAME
    text = json.dumps({"format": _FORMAT, "draft": draft}, ensure_ascii=False, indent=1)
    half = None
    try:
        handle, half = tempfile.mkstemp(prefix=".draft-", dir=path.parent)
        with open(handle, "w", encoding="utf-8") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(half, path)
    except OSError as error:
        if half is not None:
            Path(half).unlink(missing_ok=True)
        raise DraftError(
            f"the draft could not be kept in {path.parent} ({error.strerror}); it stands on this "
            "page only: make room or give yourself the right to write there, then type on"
        ) from error
    return path
