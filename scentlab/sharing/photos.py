"""Photos for a page: those of pieces at and above the load that decides, made small."""

import base64
import io
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
    as Shown: the nearest loads first; unknown codes are left out."""
    looks = series.grades[series.grades["blend"] == blend].drop_duplicates("code")
    loads = looks.set_index("code")["load_pct"].astype(float).round(1)
    near = round(float(load_pct), 1)
    found = sorted((p for p in photos if loads.get(p.code, -1.0) >= near),
                   key=lambda p: loads[p.code])
    return [Shown(p.code, say_percent_of_wax(loads[p.code]),
                  f"{p.words}, {say_load_oz(loads[p.code])}", small(p.read()))
            for p in found[:most]]


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
