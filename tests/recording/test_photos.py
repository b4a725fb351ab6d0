"""Photos of pieces: nothing but the picture is kept, what is no picture is refused in words.

From outside: the meaning of the orientation 1 to 8 is that of Exif (CIPA DC-008, tag 0x0112), the
segments of a JPEG are those of ITU-T T.81, annex B, the chunks of a PNG those of ISO/IEC 15948.
"""

import io
import random
import sqlite3
import struct
import zlib

import numpy as np
import pytest
from camera import DEVICE, PLACE, camera_jpeg, pixels_of, png, quarters, segments
from PIL import Image

from scentlab.recording import photos
from scentlab.recording.correcting import mend, stored_about
from scentlab.recording.photos import add_photo, choose_photo, photos_of, plain_picture
from scentlab.recording.store import RefusedError, Store, StoreError
from scentlab.schema import DataError

ANOTHER = "save it as JPEG, or set the camera to JPEG, and choose that file"
NO_PICTURE = f"the file is not a complete JPEG, PNG or WebP picture; if it is a photo, {ANOTHER}"


class TestPlainPicture:
    def test_nothing_of_place_or_device_is_left(self):
        taken = camera_jpeg()
        for told in (DEVICE.encode(), PLACE.encode(), b"Anna Nobody", b"GPS", b"2026:03:08"):
            assert (told in taken) == (told != b"GPS")  # the file of the test does tell it
        assert Image.open(io.BytesIO(taken)).getexif().get_ifd(0x8825)
        kept = plain_picture(taken + b"PK\x03\x04 and what somebody hung on")
        found, after = segments(kept)
        assert set(found) <= {0xE0, 0xDB, 0xC0, 0xC4} and after == b""  # JFIF, tables, frame
        for told in (DEVICE, PLACE, "Anna", "Exif", "2026", "hung on", "ICC"):
            assert told.encode() not in kept and told.encode("utf-16-le") not in kept
        assert not Image.open(io.BytesIO(kept)).getexif()

    @pytest.mark.parametrize("orientation, upright", [
        (1, lambda p: p), (2, np.fliplr), (3, lambda p: np.rot90(p, 2)), (4, np.flipud),
        (5, lambda p: p.swapaxes(0, 1)), (6, lambda p: np.rot90(p, -1)),
        (7, lambda p: np.rot90(p, 2).swapaxes(0, 1)), (8, np.rot90),
    ])
    def test_the_pixels_are_turned_as_the_camera_was_held(self, orientation, upright):
        kept = pixels_of(plain_picture(camera_jpeg(orientation=orientation)))
        wanted = upright(quarters()).astype(int)
        assert kept.shape == wanted.shape
        height, width = kept.shape[:2]
        for row in (height // 4, 3 * height // 4):
            for column in (width // 4, 3 * width // 4):
                assert np.abs(kept[row, column] - wanted[row, column]).max() < 40

    def test_it_is_scaled_to_the_longest_edge_and_never_enlarged(self):
        large = plain_picture(camera_jpeg(quarters(3200, 1200)))
        assert Image.open(io.BytesIO(large)).size == (1600, 600)
        tall = plain_picture(camera_jpeg(quarters(1200, 3200), orientation=6))
        assert Image.open(io.BytesIO(tall)).size == (1600, 600)
        assert Image.open(io.BytesIO(plain_picture(camera_jpeg()))).size == (64, 48)

    @pytest.mark.parametrize("form, mode", [
        ("PNG", "RGBA"), ("PNG", "LA"), ("PNG", "P"), ("PNG", "1"), ("PNG", "I;16"),
        ("WEBP", "RGBA"), ("JPEG", "L"), ("JPEG", "CMYK"),
    ])
    def test_other_formats_and_modes_become_a_jpeg(self, form, mode):
        out = io.BytesIO()
        Image.new(mode, (40, 30)).save(out, form)
        kept = Image.open(io.BytesIO(plain_picture(out.getvalue())))
        assert (kept.format, kept.mode, kept.size) == ("JPEG", "RGB", (40, 30))
        if mode.endswith("A"):  # clear all over: shown on white
            assert min(kept.getpixel((9, 9))) > 250

    @pytest.mark.parametrize("data", [
        b"", b"GIF89a" + bytes(40), b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"%PDF-1.7",
        b"\xff\xd8\xff\xe0", bytes(1000), png(40, 30), png(40, 30, bytes(200)),
        png(40, 30, bytes(40 * 91), extra=b"\x00\x00\x00\x05tEXt"),
    ], ids=range(9))
    def test_what_is_no_whole_picture_is_refused(self, data):
        with pytest.raises(RefusedError) as refused:
            plain_picture(data)
        assert str(refused.value) == NO_PICTURE

    def test_a_photo_of_another_kind_is_named(self):
        with pytest.raises(RefusedError) as refused:
            plain_picture(b"\x00\x00\x00\x18ftypheic" + bytes(200))
        assert str(refused.value) == (
            "this is a film, or a photo in a format (HEIC, AVIF) that cannot be read here; "
            f"{ANOTHER}"
        )

    def test_a_bomb_is_refused_before_it_is_unpacked(self):
        for edge in (8_100, 60_000):  # above the kit's own limit, and far above Pillow's
            bomb = png(edge, edge, bytes(10**6))
            assert len(bomb) < 2000
            with pytest.raises(RefusedError) as refused:
                plain_picture(bomb)
            assert str(refused.value) == (
                "the photo has more than 64 million pixels; make it smaller first")
        with pytest.raises(RefusedError) as refused:
            plain_picture(bytes(21_000_000))
        assert str(refused.value) == ("the photo has 21 MB; at most 20 MB are accepted; make it "
                                      "smaller first")

    def test_a_text_that_unpacks_to_a_flood_is_refused_or_dropped(self):
        inside = b"note\x00\x00" + zlib.compress(bytes(80_000_000))
        text = (struct.pack(">I", len(inside)) + b"zTXt" + inside
                + struct.pack(">I", zlib.crc32(b"zTXt" + inside)))
        with pytest.raises(RefusedError) as refused:
            plain_picture(png(40, 30, bytes(30 * 121), extra=text))
        assert str(refused.value) == NO_PICTURE

    def test_a_file_that_ends_too_soon_is_refused(self):
        taken = camera_jpeg(quarters(640, 480))
        for cut in (2, 300, len(taken) // 2, len(taken) - 200):
            with pytest.raises(RefusedError) as refused:
                plain_picture(taken[:cut])
            assert str(refused.value) == NO_PICTURE

    def test_a_damaged_file_is_refused_or_becomes_a_clean_picture(self):
        chance, taken, kept = random.Random(7), camera_jpeg(quarters(320, 240)), 0
        for _ in range(150):
            broken = bytearray(taken)
            for _ in range(chance.randint(1, 30)):
                broken[chance.randrange(len(broken))] = chance.randrange(256)
            try:
                found, after = segments(plain_picture(bytes(broken)))
            except RefusedError:
                continue
            kept += 1
            assert set(found) <= {0xE0, 0xDB, 0xC0, 0xC4} and after == b""
        assert kept  # notes of the camera may be damaged without harm


class TestRecord:
    def test_a_photo_is_kept_by_code_and_content_and_told_blind(self, store):
        receipt = add_photo(store, "417", camera_jpeg(), test="sweat", age_days=7, assessor="A1")
        (photo,) = photos_of(store, "417")
        assert photo.entry_id == receipt.entry_id
        assert photo.path == store.folder / "photos" / f"417-{photo.sha256[:16]}.jpg"
        assert photo.words == "photo of piece 417, sweat, day 7" and not photo.chosen
        assert photo.read() == plain_picture(camera_jpeg())
        (entry,) = stored_about(store, "417", "piece")
        assert entry.words == "photo of piece 417, sweat, day 7 by A1"
        for told in (photo.path.name, photo.words, entry.words, str(entry.values)):
            for secret in ("P01", "soft", "9.0", "18"):
                assert secret not in told.replace(photo.sha256[:16], "")
        assert [p.name for p in photo.path.parent.iterdir()] == [photo.path.name]

    def test_a_resend_is_kept_once_and_a_twin_is_refused(self, store):
        first = add_photo(store, "417", camera_jpeg(), key="photo-0001")
        assert add_photo(store, "417", camera_jpeg(), key="photo-0001") == first
        choose_photo(store, first.entry_id, True)
        assert add_photo(store, "417", camera_jpeg(), key="photo-0001") == first
        with pytest.raises(RefusedError, match="this photo of piece 417 is already kept"):
            add_photo(store, "417", camera_jpeg(), key="photo-0002")
        (photo,) = photos_of(store)
        assert photo.read() and photo.chosen
        add_photo(store, "211", camera_jpeg())
        assert len(list(photo.path.parent.iterdir())) == 2

    def test_undone_and_mended_it_stays_in_the_history(self, store):
        first = add_photo(store, "417", camera_jpeg(), test="sweat")
        mended = mend(store, "photos", first.entry_id, {"test": "frost"}, "the wrong button")
        assert photos_of(store, "417")[0].test == "frost"
        store.void("photos", mended.entry_id, "a hand before the lens")
        assert photos_of(store) == []
        assert list(store.rows("photos", history=True)["test"]) == ["sweat", "frost", "frost"]
        add_photo(store, "417", camera_jpeg(), test="sweat")  # taken anew, or taken back
        assert photos_of(store)[0].read()

    def test_it_is_chosen_for_the_report_and_left_out_again(self, store):
        first = add_photo(store, "417", camera_jpeg())
        second = choose_photo(store, first.entry_id, True)
        assert photos_of(store)[0].chosen
        choose_photo(store, second.entry_id, False)
        assert not photos_of(store)[0].chosen

    def test_of_a_piece_that_nobody_knows_nothing_is_kept(self, store):
        for code, error in (("999", RefusedError), ("../4", DataError), ("", DataError)):
            with pytest.raises(error):
                add_photo(store, code, camera_jpeg())
        with pytest.raises(DataError):
            add_photo(store, "417", camera_jpeg(), test="smell")
        assert not (store.folder / "photos").exists()

    def test_a_store_that_cannot_write_leaves_no_picture(self, store, monkeypatch):
        def full(*_, **__):
            raise StoreError("the disk is full")

        monkeypatch.setattr(Store, "add", full)
        with pytest.raises(StoreError):
            add_photo(store, "417", camera_jpeg())
        assert list((store.folder / "photos").iterdir()) == []

    def test_a_disk_that_is_full_is_told_and_leaves_no_row(self, store, monkeypatch):
        def full(*_, **__):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(photos, "write_whole", full)
        with pytest.raises(StoreError, match="not be written: the disk of .* is full; .* Make"):
            add_photo(store, "417", camera_jpeg())
        assert photos_of(store) == []

    def test_a_picture_that_is_gone_or_changed_is_told(self, store):
        add_photo(store, "417", camera_jpeg())
        (photo,) = photos_of(store)
        photo.path.write_bytes(plain_picture(camera_jpeg(quarters(80, 60))))
        with pytest.raises(RefusedError, match="was changed since it was taken"):
            photo.read()
        photo.path.unlink()
        with pytest.raises(RefusedError, match="day|is missing"):
            photo.read()

    def test_a_piece_with_a_photo_keeps_its_origin(self, store):
        pieces = [{"code": "417", "pour": "P01", "test": "sweat", "stress": "rest"}]
        store.save_plan({"title": "one", "pieces": pieces})
        add_photo(store, "417", camera_jpeg())
        with pytest.raises(StoreError, match="piece 417 has scores"):
            store.save_plan({"title": "two", "pieces": [{**pieces[0], "pour": "P02"}]})

    def test_a_store_from_before_takes_photos(self, store, folder):
        with sqlite3.connect(folder / "series.sqlite") as raw:
            raw.execute("DROP TABLE photos")
            raw.execute("UPDATE about SET value = '4' WHERE name = 'version'")
            raw.execute("DELETE FROM about WHERE name IN ('digest', 'tables')")
        old = Store.open(folder)
        assert photos_of(old) == [] and len(old.rows("pieces")) == 2
        add_photo(old, "417", camera_jpeg())
        assert old.check() == ()
