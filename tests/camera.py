"""Pictures for the tests, as a camera writes them or byte by byte, and what lies in a JPEG."""

import io
import struct
import zlib

import numpy as np
from PIL import Image

PLACE, DEVICE = "Wax Lane 7", "Lens of Nobody"


def quarters(width=64, height=48):
    """Four quarters: red, green, blue and white, in reading order."""
    found = np.zeros((height, width, 3), np.uint8)
    found[: height // 2, : width // 2] = (255, 0, 0)
    found[: height // 2, width // 2:] = (0, 255, 0)
    found[height // 2:, : width // 2] = (0, 0, 255)
    found[height // 2:, width // 2:] = 255
    return found


def camera_jpeg(pixels=None, orientation=1, **more):
    """What a camera writes: GPS place, device, time, owner, a preview, a comment."""
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110], exif[0x9C9D] = (
        orientation, DEVICE, "Model 9", PLACE.encode("utf-16-le"))
    place = exif.get_ifd(0x8825)
    place |= {1: "N", 2: (51.0, 30.0, 26.5), 3: "W", 4: (0.0, 7.0, 39.9), 29: "2026:03:08"}
    exif.get_ifd(0x8769)[0x9003] = "2026:03:08 10:11:12"
    exif.get_ifd(0x8769)[0xA430] = "Anna Nobody"
    out = io.BytesIO()
    Image.fromarray(quarters() if pixels is None else pixels).save(
        out, "JPEG", quality=95, exif=exif, comment=f"shot at {PLACE}".encode(),
        icc_profile=b"profile of " + DEVICE.encode(), **more)
    return out.getvalue()


def segments(data):
    """Markers of the segments of a JPEG up to its scan, and what follows the end of the image."""
    assert data[:2] == b"\xff\xd8"
    at, found = 2, []
    while data[at + 1] != 0xDA:
        assert data[at] == 0xFF
        found.append(data[at + 1])
        at += 2 + struct.unpack(">H", data[at + 2:at + 4])[0]
    return found, data[data.rindex(b"\xff\xd9") + 2:]


def pixels_of(data):
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)


def png(width, height, body=b"", extra=b""):
    """A PNG by hand: its header says so many pixels, whatever its body holds."""
    def chunk(kind, inside):
        return (struct.pack(">I", len(inside)) + kind + inside
                + struct.pack(">I", zlib.crc32(kind + inside)))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + extra
            + chunk(b"IDAT", zlib.compress(body)) + chunk(b"IEND", b""))
