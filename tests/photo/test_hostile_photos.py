"""Photos made to break things: each gives a record with findings or an InputError, in bounded time and memory."""

from __future__ import annotations

import io
import itertools
import json
import random
import struct
import subprocess
import sys
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from photoaz.errors import InputError
from photoaz.photo.exif import maker_note, thumbnail
from photoaz.photo.inspect import describe, record_as_json
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import decode, decode_small
from photoaz.photo.record import PhotoRecord
from photoaz.sample import sample_dir

#: processor time that one file may take, whatever is in it [s]
MOST_S = 5.0
#: memory that one file may take beyond what a photo of 300 megapixels needs anyway [MB]
MOST_MB = 500.0

# Section 4 of the Exif standard's tags (CIPA DC-008-2019, 4.6.5 and 4.6.6), by directory
TAGS = {
    "image": (0x010F, 0x0110, 0x0112, 0x0131, 0x0132),
    "exif": (
        *(0x829A, 0x829D, 0x8827, 0x9000, 0x9003, 0x9004, 0x9010, 0x9011, 0x9012, 0x9209, 0x920A, 0x927C, 0x9291),
        *(0x9404, 0x9405, 0xA002, 0xA003, 0xA20E, 0xA20F, 0xA210, 0xA404, 0xA405, 0xA431, 0xA434),
    ),
    "gps": (
        *range(0x0001, 0x0008),
        0x0009,
        0x000A,
        0x000B,
        0x0010,
        0x0011,
        0x0012,
        0x0017,
        0x0018,
        0x001B,
        0x001D,
        0x001F,
    ),
}
SIZES = {0: 0, 1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 99: 1, 65535: 4}
FILLS = (b"\0", b"\xff", b"\x80\0\0\0", b"\0\0\0\1\0\0\0\0", b"\x7f\xf0\0\0\0\0\0\0", b"-:\xe9")


def frame(width: int, height: int) -> bytes:
    size = b"\xff\xc0" + struct.pack(">HBHHB", 17, 8, height, width, 3) + bytes.fromhex("012200021101031101")
    return size + bytes.fromhex("ffda000c03010002110311003f00") + b"\0" * 8 + b"\xff\xd9"


def headed(block: bytes) -> bytes:
    """A JPEG's head with this Exif block; there is nothing sensible in its scan."""
    return b"\xff\xd8\xff\xe1" + struct.pack(">H", len(block) + 8) + b"Exif\0\0" + block + frame(80, 60)


def refused(error: InputError) -> None:
    """Every fault says what was found and what is wanted."""
    assert all(f.found and f.wanted for f in error.faults)


def read(data: bytes) -> PhotoRecord | None:
    """The record with everything that is said of it, or None for a refusal; anything else fails the test."""
    start = time.thread_time()  # threads that earlier tests left behind are not counted
    try:
        record = read_record(Path("photo.jpg"), data)
    except InputError as e:
        return refused(e)
    finally:
        assert time.thread_time() - start < MOST_S
    json.dumps(record_as_json(record), allow_nan=False).encode()
    assert "\n".join(describe(record)).encode()
    assert min(record.width_px, record.height_px) >= 1
    for finding in record.findings:
        assert finding.message
    return record


def picture(data: bytes) -> tuple[int, ...] | None:
    start = time.thread_time()
    try:
        return decode_small(data).shape
    except InputError as e:
        return refused(e)
    finally:
        assert time.thread_time() - start < MOST_S


# ---- single tags ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("where", "tag"), [(w, t) for w, tags in TAGS.items() for t in tags])
def test_a_tag_of_any_type_count_and_content(where: str, tag: int, kit: Any) -> None:
    for kind, fill in itertools.product(SIZES, FILLS):
        for count in (0, 1, 3) if fill != FILLS[1] else (0, 1, 2, 50):
            size = SIZES[kind] * count
            raw = (fill * (size // len(fill) + 1))[:size]
            blocks = {"image": dict(kit.IMAGE_GOOD), "exif": dict(kit.EXIF_GOOD), "gps": dict(kit.GPS_GOOD)}
            blocks[where][tag] = (kind, count, raw)
            record = read(headed(kit.tiff_block(**blocks)))
            assert record is not None
            # the other tags are read as if nothing were
            if (where, tag) not in (("image", 0x010F), ("exif", 0x9003)) and "exif-damaged" not in {
                f.code for f in record.findings
            }:
                assert record.make == "Velstra"
                assert record.taken is not None
            if record.heading is not None:
                assert 0.0 <= record.heading.value_deg < 360.0
            if record.position is not None:
                assert abs(record.position.lat_deg) <= 90.0
                assert abs(record.position.lon_deg) <= 180.0
                assert record.position.sigma_m > 0.0
            if record.pitch_deg is not None:
                assert abs(record.pitch_deg.value) <= 90.0
            if record.focal is not None:
                assert record.focal.f_px > 0.0


@pytest.mark.parametrize("count", [1 << 16, (1 << 31) - 1, (1 << 32) - 1])
@pytest.mark.parametrize(("where", "tag"), [("image", 0x010F), ("exif", 0x927C), ("gps", 0x0011), ("exif", 0xA405)])
def test_a_count_that_cannot_be(where: str, tag: int, count: int, kit: Any) -> None:
    for kind in SIZES:
        blocks = {"image": dict(kit.IMAGE_GOOD), "exif": dict(kit.EXIF_GOOD), "gps": dict(kit.GPS_GOOD)}
        blocks[where][tag] = (kind, count, b"\0" * 8)
        assert read(headed(kit.tiff_block(**blocks))) is not None


@pytest.mark.parametrize(
    ("gps", "exif", "lost"),
    [
        ({0x11: (10, 1, struct.pack(">ii", -1, 1))}, {}, "heading"),
        ({0x11: (5, 1, struct.pack(">II", 36001, 100))}, {}, "heading"),
        ({0x11: (5, 1, struct.pack(">II", 0, 0))}, {}, "heading"),
        ({2: (10, 3, struct.pack(">6i", -31, 1, -4, 1, -10, 1))}, {}, "position"),
        ({2: (5, 3, struct.pack(">6I", 91, 1, 0, 1, 0, 1))}, {}, "position"),
        ({4: (12, 3, struct.pack(">3d", float("inf"), 0.0, 0.0))}, {}, "position"),
        ({3: (3, 1, struct.pack(">H", 1))}, {}, "position"),
        ({}, {0x9405: (10, 1, struct.pack(">ii", 360, 1))}, "pitch_deg"),
        ({}, {0x9405: (10, 1, struct.pack(">ii", 180, 1))}, "pitch_deg"),
        ({}, {0xA405: (11, 1, struct.pack(">f", float("nan"))), 0x920A: (5, 1, struct.pack(">II", 1, 0))}, "focal"),
        ({6: (12, 1, struct.pack(">d", -1e300))}, {}, "altitude_m"),
    ],
)
def test_what_is_out_of_range_is_not_used_and_said(gps: Any, exif: Any, lost: str, kit: Any) -> None:
    block = kit.tiff_block(kit.IMAGE_GOOD, {**kit.EXIF_GOOD, **exif}, {**kit.GPS_GOOD, **gps})
    record = read(headed(block))
    assert record is not None
    assert getattr(record, lost) is None
    assert any(f.severity == "unusable" for f in record.findings)


# ---- structure ------------------------------------------------------------------------------------------------------


def ifd(*entries: tuple[int, int, int, int], after: int = 0) -> bytes:
    return (
        struct.pack(">H", len(entries)) + b"".join(struct.pack(">HHII", *e) for e in entries) + struct.pack(">I", after)
    )


HEAD = b"MM\0*" + struct.pack(">I", 8)
LOOPS = {
    "to itself": HEAD + ifd((0x8769, 4, 1, 8), (0x8825, 4, 1, 8), after=8),
    "two that call each other": HEAD + ifd((0x8769, 4, 1, 26), after=26) + ifd((0xA005, 4, 1, 8), after=8),
    "many below": HEAD + ifd((0x014A, 4, 2000, 26), after=8) + b"\0\0\0\x08" * 2000,
    "back into the header": b"MM\0*" + struct.pack(">I", 0) + ifd((0x8769, 4, 1, 1)),
    "beyond the end": b"MM\0*\xff\xff\xff\xff" + ifd((0x8769, 4, 1, 8)),
    "more entries than there are": HEAD + b"\xff\xff" + ifd((0x010F, 2, 60000, 0))[2:],
    "5000 texts over each other": HEAD + ifd(*[(0x010F + k, 2, 60000, 0) for k in range(5000)]),
    "maker note that is everything": HEAD + ifd((0x8769, 4, 1, 26)) + ifd((0x927C, 7, 60, 0)),
}


@pytest.mark.parametrize("name", LOOPS)
def test_directories_in_loops(name: str, kit: Any) -> None:
    block = LOOPS[name]
    assert read(headed(block)) is not None
    read(block)  # as a TIFF
    picture(block)
    thumbnail(block)
    maker_note(block)


def test_noted_sizes_below_zero_are_none(kit: Any) -> None:
    signed = {0xA002: (9, 1, struct.pack(">i", -80)), 0xA003: (9, 1, struct.pack(">i", -60))}
    block = b"Exif\0\0" + kit.tiff_block(kit.IMAGE_GOOD, signed)
    assert read(b"\xff\xd8\xff\xe1" + struct.pack(">H", len(block) + 2) + block + b"\xff\xd9") is None


def small_files(kit: Any) -> Iterator[tuple[str, bytes]]:
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F] = "Velstra"
    shown = kit.picture(48, 36)
    for name in ("JPEG", "PNG", "WEBP", "TIFF", "AVIF"):
        held = io.BytesIO()
        shown.save(held, name, exif=exif)
        yield name, held.getvalue()
    import pillow_heif

    held = io.BytesIO()
    pillow_heif.from_pillow(shown).save(held, exif=exif.tobytes())
    yield "HEIC", held.getvalue()


def test_a_picture_without_width_is_refused(kit: Any) -> None:
    """HEIF and AVIF state the size in the box 'ispe' (ISO/IEC 23008-12, 6.5.3): type, version, width, height."""
    for name, data in small_files(kit):
        at = data.find(b"ispe")
        if at >= 0:
            assert read(data[: at + 8] + bytes(4) + data[at + 12 :]) is None, name


def test_cut_at_every_64th_byte(kit: Any) -> None:
    tried = 0
    for name, data in small_files(kit):
        whole = picture(data)
        assert whole is not None, name
        for end in range(0, len(data) - 1, 64):
            read(data[:end])
            picture(data[:end])
            tried += 1
    assert tried > 100


def test_sample_photos_cut_within_their_metadata() -> None:
    for path in sorted(sample_dir().glob("*.jpg"))[:2]:
        data = path.read_bytes()
        scan = data.index(b"\xff\xda", data.index(b"\xff\xc0"))
        for end in (*range(0, min(scan, 16_384), 64), *range(scan - 256, scan + 512, 64)):
            record = read(data[:end])
            assert record is None or "file-cut-short" in {f.code for f in record.findings} or end > scan
            assert picture(data[:end]) is None


def test_bytes_changed_here_and_there(kit: Any) -> None:
    rng = random.Random(9)
    photo = next(iter(sorted(sample_dir().glob("*.jpg")))).read_bytes()
    files = [*small_files(kit), ("sample", photo[:3000] + photo[-2000:])]
    for (_, data), _ in itertools.product(files, range(120)):
        changed = bytearray(data)
        for _ in range(rng.choice((1, 3, 20))):
            changed[rng.randrange(min(len(data), 1500))] = rng.choice((0, 1, 127, 128, 255, rng.randrange(256)))
        read(bytes(changed))
        picture(bytes(changed))


def test_a_png_chunk_that_states_four_thousand_million_bytes() -> None:
    held = io.BytesIO()
    Image.new("RGB", (48, 36), (200, 40, 90)).save(held, "PNG")
    data = bytearray(held.getvalue())
    data[data.index(b"IDAT") - 4] = 255
    assert picture(bytes(data)) is None


def test_a_block_of_thousands_of_long_tags() -> None:
    # 5000 entries of 900 shorts each: millions of values in 60 kB
    entries = b"".join(struct.pack("<HHII", 0x8000 + k, 3, 900, 8) for k in range(5000))
    record = read(headed(b"II*\0" + struct.pack("<IH", 8, 5000) + entries + bytes(4)))
    assert record is not None
    assert any("damaged" in f.message for f in record.findings)


# ---- pixels ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [(1, 1), (1, 3), (7, 1), (1, 16000), (16000, 1)])
@pytest.mark.parametrize("name", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_narrow_pictures(name: str, size: tuple[int, int]) -> None:
    held = io.BytesIO()
    Image.new("RGB", size, (200, 40, 90)).save(held, name)
    assert picture(held.getvalue()) is not None
    record = read(held.getvalue())
    assert record is not None
    assert (record.width_px, record.height_px) == size
    assert decode(held.getvalue()).shape == (size[1], size[0], 3)


@pytest.mark.parametrize(
    ("mode", "name"),
    [
        *(
            ("CMYK", "JPEG"),
            ("CMYK", "TIFF"),
            ("L", "JPEG"),
            ("L", "PNG"),
            ("L", "TIFF"),
            ("LA", "PNG"),
            ("RGBA", "PNG"),
        ),
        *(
            ("RGBA", "WEBP"),
            ("RGBA", "TIFF"),
            ("RGBA", "AVIF"),
            ("P", "PNG"),
            ("P", "GIF"),
            ("1", "PNG"),
            ("1", "TIFF"),
        ),
        *(("I;16", "PNG"), ("I;16", "TIFF"), ("YCbCr", "JPEG"), ("LAB", "TIFF"), ("RGB", "BMP"), ("RGB", "JPEG2000")),
    ],
)
@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_kind_of_pixel_any_way_round(mode: str, name: str, orientation: int, kit: Any) -> None:
    shown = kit.picture(40, 30)
    made = Image.new("I;16", (40, 30), 40000) if mode == "I;16" else shown.convert("L" if mode == "I;16" else mode)
    held = io.BytesIO()
    exif = Image.Exif()
    exif[0x0112] = orientation
    made.save(held, name, exif=exif) if name not in ("GIF", "BMP", "JPEG2000") else made.save(held, name)
    colours = decode(held.getvalue())
    turned = orientation >= 5 and name not in ("GIF", "BMP", "JPEG2000")
    assert colours.shape == ((40, 30, 3) if turned else (30, 40, 3))
    record = read(held.getvalue())
    assert record is not None
    assert (record.height_px, record.width_px) == colours.shape[:2]


def test_a_raw_files_preview(kit: Any) -> None:
    block = kit.tiff_block({0x100: kit.long(40), 0x101: kit.long(30), 0xC612: kit.byte(1, 4, 0, 0)})
    record = read(block)
    assert record is not None
    assert record.format == "DNG"
    assert "raw-file" in {f.code for f in record.findings}
    assert picture(block) is None  # this one has none


@pytest.mark.parametrize("name", ["EPS", "PPM", "TGA", "ICO", "PCX"])
def test_what_is_no_photo_is_not_opened_though_pillow_could(name: str) -> None:
    held = io.BytesIO()
    Image.new("RGB", (16, 16)).save(held, name)
    assert read(held.getvalue()) is None
    assert picture(held.getvalue()) is None


# ---- files that unpack to too much ----------------------------------------------------------------------------------


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width: int, height: int, extra: bytes = b"", pixels: bytes = b"") -> bytes:
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + extra + (chunk(b"IDAT", pixels) if pixels else b"") + chunk(b"IEND", b"")


_XMP = b'<x xmlns:g="http://ns.google.com/photos/1.0/panorama/">'
BOMBS: dict[str, Callable[[], bytes]] = {
    "PNG of 30000 x 30000": lambda: png(30000, 30000),
    "JPEG of 30000 x 30000": lambda: b"\xff\xd8" + frame(30000, 30000),
    "PNG of 17000 x 17000 without data": lambda: png(17000, 17000),
    "JPEG of 17000 x 17000 without data": lambda: b"\xff\xd8" + frame(17000, 17000),
    "PNG of 17000 x 17000, the first rows": lambda: png(17000, 17000, b"", zlib.compress(bytes(51001) * 100, 9)),
    "profiles that unpack": lambda: png(
        64, 48, chunk(b"zTXt", b"Raw profile type exif\0\0" + zlib.compress(b"x" * 4_000_000, 9)) * 500
    ),
    "packets that unpack": lambda: png(
        64, 48, chunk(b"iTXt", b"XML:com.adobe.xmp\0\1\0\0\0" + zlib.compress(b"x" * 4_000_000, 9)) * 500
    ),
    "a million chunks": lambda: png(64, 48, b"\0\0\0\0aaaa\0\0\0\0" * 1_000_000),
    "filling bytes": lambda: b"\xff\xd8" + b"\xff" * 10_000_000 + frame(64, 48),
    "markers without end": lambda: b"\xff\xd8" + b"\xff\0" * 5_000_000,
    "segments without end": lambda: b"\xff\xd8" + b"\xff\xe2\0\2" * 2_500_000 + frame(64, 48),
    "XML within XML": lambda: png(64, 48, chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + _XMP + b"<a>" * 300_000)),
    "an attribute without end": lambda: png(
        64, 48, chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + _XMP + b"<a b='" + b"x" * 1_900_000)
    ),
    "entities": lambda: png(
        64, 48, chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0<!DOCTYPE a [<!ENTITY b 'x'>]>" + _XMP + b"&b;</x>")
    ),
    "a directory of 65535 texts": lambda: HEAD + ifd(*[(k, 2, 900_000, 0) for k in range(65535)]),
    "TIFF of 12000 x 12000 without data": lambda: (
        HEAD
        + ifd((0x100, 4, 1, 12000), (0x101, 4, 1, 12000), (0x111, 4, 1, 8), (0x117, 4, 1, 144_000_000))
        + bytes(100)
    ),
}
_MEASURE = """
import resource, sys, time
from pathlib import Path
from photoaz.errors import InputError
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import decode_small
import cv2, exifread, PIL.Image
def peak():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
data = Path(sys.argv[1]).read_bytes()
before, start = peak(), time.thread_time()
for look in (lambda: read_record(Path("photo.jpg"), data), lambda: decode_small(data)):
    try:
        look()
    except InputError as e:
        assert str(e)
print(time.thread_time() - start, peak() - before)
"""


@pytest.mark.parametrize("name", BOMBS)
def test_time_and_memory_are_bounded(name: str, tmp_path: Path) -> None:
    file = tmp_path / "photo.jpg"
    file.write_bytes(BOMBS[name]())
    done = subprocess.run([sys.executable, "-c", _MEASURE, str(file)], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    seconds, megabytes = map(float, done.stdout.split())
    assert seconds < MOST_S
    assert megabytes < MOST_MB
