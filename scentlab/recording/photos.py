"""Photos of pieces: taken in whole or refused in words, scaled, and nothing but the picture.

A picture is decoded and written anew, so that neither place nor device nor anything else that a
camera adds is kept. It lies in the folder ``photos`` of the series, named by the blind code of its
piece and by its own content; neither name nor picture tells a load. The row in the store comes
last: a picture without one counts for nothing, and no row stands without its picture.
"""

import hashlib
import io
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps

from scentlab.files import why_not, write_whole
from scentlab.recording.records import RECORDS, photo_words
from scentlab.recording.store import RefusedError, StoreError
from scentlab.schema import check_row

FOLDER = "photos"
LONGEST = 1600  # pixels of the longer edge that are kept: enough to see a bead, some 0.3 MB
MOST_BYTES, MOST_PIXELS = 20_000_000, 64_000_000  # of a file that is taken in
FORMATS = ("JPEG", "PNG", "WEBP")
_ANOTHER = "save it as JPEG, or set the camera to JPEG, and choose that file"
_ON_REQUEST = "chosen for the report"
_DROPPED = "left out of the report"


@dataclass(frozen=True)
class Photo:
    """A photo that stands: its entry, its piece, and where its picture lies."""

    entry_id: int
    code: str
    test: str | None
    age_days: float | None
    assessor: str | None
    sha256: str
    chosen: bool
    note: str | None
    path: Path

    @property
    def words(self):
        """What it shows as far as a tester may know."""
        return photo_words({"code": self.code, "test": self.test, "age_days": self.age_days})

    @property
    def is_whole(self):
        """Whether its picture is there as it was kept."""
        try:
            return bool(self.read())
        except RefusedError:
            return False

    def read(self):
        """The picture as bytes of a JPEG; RefusedError when it is gone or is another one."""
        return whole_picture(self.path, self.sha256, self.words)


def whole_picture(path, sha256, words):
    """A kept picture as bytes of a JPEG; RefusedError when it is gone or is another one."""
    remedy = "restore it from a copy of the folder, or take it again"
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RefusedError(f"the {words} is missing ({error.strerror}: {path})",
                           remedy) from error
    if hashlib.sha256(data).hexdigest() != sha256:
        raise RefusedError(f"the {words} was changed since it was taken ({path})", remedy)
    return data


def plain_picture(data):
    """A picture file (JPEG, PNG or WebP) as a JPEG of its pixels alone, without EXIF, comment,
    colour profile or preview: upright, at most ``LONGEST`` pixels an edge. RefusedError for what is
    too large, broken or no such picture, with what to do."""
    if len(data) > MOST_BYTES:
        raise RefusedError(f"the photo has {len(data) / 1e6:.0f} MB; at most "
                           f"{MOST_BYTES / 1e6:.0f} MB are accepted", "make it smaller first")
    if data[4:8] == b"ftyp":
        raise RefusedError("this is a film, or a photo in a format (HEIC, AVIF) that cannot be "
                           "read here", _ANOTHER)
    try:
        with Image.open(io.BytesIO(data), formats=FORMATS) as image:
            if image.width * image.height > MOST_PIXELS:
                raise Image.DecompressionBombError  # as Pillow itself does, above another limit
            image.draft("RGB", (LONGEST, LONGEST))  # a large JPEG is decoded small
            return _as_jpeg(_upright(image))
    except Image.DecompressionBombError:
        raise RefusedError(f"the photo has more than {MOST_PIXELS / 1e6:.0f} million pixels",
                           "make it smaller first") from None
    except Exception as error:  # decoders of hostile files raise what they like
        raise RefusedError(
            "the file is not a complete JPEG, PNG or WebP picture", f"if it is a photo, {_ANOTHER}"
        ) from error


def _upright(image):
    """The first frame with its pixels turned as the camera was held; what is clear is white."""
    image.load()  # all of it: a file that ends too soon is refused
    try:
        image = ImageOps.exif_transpose(image)
    except Exception:  # notes of the camera that cannot be read turn nothing
        image = image.copy()
    if "transparency" in image.info or image.mode.endswith(("A", "a")):
        image = image.convert("RGBA")
        image = Image.alpha_composite(Image.new("RGBA", image.size, "white"), image)
    return image.convert("RGB")


def _as_jpeg(image):
    image.thumbnail((LONGEST, LONGEST))
    bare, out = Image.new("RGB", image.size), io.BytesIO()
    bare.paste(image)  # pixels alone: what else came with the file stays behind
    bare.save(out, "JPEG", quality=85, optimize=True)
    return out.getvalue()


def add_photo(store, code, data, *, key=None, **more):
    """Take in a photo of a piece: its picture goes into the folder, then its row, with ``more``
    columns, into the store; with a ``key``, sending it again stores nothing twice. RefusedError or
    DataError where piece or photo are none, StoreError where the picture cannot be written; then
    nothing is kept."""
    picture = plain_picture(data)
    row = check_row(RECORDS["photos"], {
        "code": str(code).strip(), "sha256": hashlib.sha256(picture).hexdigest(), **more})
    if not store.distinct("pieces", ("code",), code=row["code"]):
        raise RefusedError(f"there is no piece {row['code']}", "look at its label again",
                           field="code", value=row["code"])

    def is_kept():
        return store.distinct("photos", ("code",), code=row["code"], sha256=row["sha256"])

    if is_kept() and (key is None or store.find("photos", key) is None):
        raise RefusedError(f"this photo of piece {row['code']} is already kept",
                           "take another if you want to show more")
    path = photo_path(store.folder, row["code"], row["sha256"])
    there = path.exists()
    try:
        path.parent.mkdir(exist_ok=True)
        write_whole(path, picture)
    except OSError as error:
        raise StoreError(f"the photo could not be written: {why_not(error)}") from error
    try:
        return store.add("photos", row, key=key)
    except BaseException:
        if not there and not is_kept():
            path.unlink(missing_ok=True)
        raise


def photo_path(folder, code, sha256):
    """Where a picture lies."""
    return Path(folder) / FOLDER / f"{code}-{sha256[:16]}.jpg"


def photos_of(store, code=None):
    """The photos that stand, of one piece or of all, oldest first: a list of :class:`Photo`."""
    return [Photo(**{**row, "chosen": row["chosen"] == "yes"},
                  path=photo_path(store.folder, row["code"], row["sha256"]))
            for row in store.records("photos", () if code is None else ("code",), code)]


def chosen_photos(store):
    """The photos that were chosen for the report and whose pictures are whole: what may leave."""
    return [photo for photo in photos_of(store) if photo.chosen and photo.is_whole]


def choose_photo(store, entry_id, chosen):
    """Choose a photo for the report, or leave it out again; returns the receipt.

    As every correction it is a new row: the photo has another entry afterwards.
    """
    return store.correct("photos", entry_id, {"chosen": "yes" if chosen else "no"},
                         reason=_ON_REQUEST if chosen else _DROPPED)
