"""Photos for a page: those of pieces at and above the load that decides, made small."""

import base64
import io
from collections import Counter
from dataclasses import dataclass

from scentlab.units import say_load_oz, say_percent_of_wax

WIDTH, MOST = 480, 6  # pixels of the longer edge on a page: some 40 kB each
QUALITY = 78


@dataclass(frozen=True)
class Shown:
    code: str
    load: str
    words: str
    source: str


def shown_photos(photos, series, load_pct, blend, most=MOST):
    """The photos (``code``, ``words``, and ``read()`` for a JPEG) of one blend at and above a load,
    as Shown: the nearest loads first, each in turn; unknown codes are left out."""
    looks = series.grades
    looks = looks[looks["blend"] == blend].drop_duplicates("code").set_index("code")["load_pct"]
    near = round(float(load_pct), 1)
    found = [(round(float(looks[p.code]), 1), p) for p in photos if p.code in looks.index]
    found = sorted((f for f in found if f[0] >= near), key=lambda f: f[0])
    turns, seen = [], Counter()
    for load, photo in found:
        seen[load] += 1
        turns.append((seen[load], load, photo))
    turns.sort(key=lambda t: t[:2])
    return [Shown(p.code, say_percent_of_wax(load), f"{p.words}, {say_load_oz(load)}",
                  small(p.read())) for _, load, p in turns[:most]]


def small(picture):
    """A JPEG as the data address of a smaller one, without anything beside its pixels."""
    from PIL import Image

    out = io.BytesIO()
    with Image.open(io.BytesIO(picture), formats=("JPEG",)) as image:
        image = image.convert("RGB")
        image.thumbnail((WIDTH, WIDTH))
        image.info.clear()
        image.save(out, "JPEG", quality=QUALITY, optimize=True)
    return f"data:image/jpeg;base64,{base64.b64encode(out.getvalue()).decode('ascii')}"
