"""Where the panel was served the last time: what its pages need to be found again, and labels."""

import json
import re
from pathlib import Path

MEMORY_FILE = "panel.json"


def remembered(folder):
    """What the panel keeps in a series folder, a dict; an empty one where it keeps nothing good."""
    try:
        kept = json.loads((Path(folder) / MEMORY_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return kept if isinstance(kept, dict) else {}


def panel_address(folder):
    """The address at which phones of the network find the panel, '' where none is known.

    It opens nothing by itself: a page there asks for the panel's own link.
    """
    address = str(remembered(folder).get("address", ""))
    return address if re.fullmatch(r"http://[A-Za-z0-9.:\[\]-]{1,80}:\d{1,5}", address) else ""
