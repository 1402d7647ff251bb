"""Photos written on purpose: whole ones by Pillow, and Exif blocks byte by byte where the damage is the point."""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from photoaz.photo.record import PhotoRecord

Entry = tuple[int, int, bytes]  # type, count, data
Block = dict[int, Entry]


def ascii_(text: str) -> Entry:
    raw = text.encode() + b"\0"
    return 2, len(raw), raw


def short(*values: int) -> Entry:
    return 3, len(values), struct.pack(f">{len(values)}H", *values)


def long(*values: int) -> Entry:
    return 4, len(values), struct.pack(f">{len(values)}I", *values)


def ratio(*pairs: tuple[int, int]) -> Entry:
    return 5, len(pairs), b"".join(struct.pack(">II", *pair) for pair in pairs)


def sratio(*pairs: tuple[int, int]) -> Entry:
    return 10, len(pairs), b"".join(struct.pack(">ii", *pair) for pair in pairs)


def undefined(raw: bytes) -> Entry:
    return 7, len(raw), raw


def byte(*values: int) -> Entry:
    return 1, len(values), bytes(values)


def double(value: float) -> Entry:
    return 12, 1, struct.pack(">d", value)


def directory(entries: Block, at: int) -> bytes:
    """One TIFF directory (big endian) that starts at offset `at`, its data behind it."""
    head, data = struct.pack(">H", len(entries)), b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag in sorted(entries):
        kind, count, raw = entries[tag]
        if len(raw) <= 4:
            value = raw.ljust(4, b"\0")
        else:
            value = struct.pack(">I", behind + len(data))
            data += raw + b"\0" * (len(raw) % 2)
        head += struct.pack(">HHI", tag, kind, count) + value
    return head + b"\0\0\0\0" + data


def tiff_block(image: Block | None = None, exif: Block | None = None, gps: Block | None = None) -> bytes:
    image = dict(image or {})
    blocks = [(0x8769, exif), (0x8825, gps)]
    for tag, block in blocks:
        if block is not None:
            image[tag] = long(0)
    at = 8 + len(directory(image, 8))
    tail = b""
    for tag, block in blocks:
        if block is not None:
            image[tag] = long(at + len(tail))
            tail += directory(block, at + len(tail))
    return b"MM\0*" + struct.pack(">I", 8) + directory(image, 8) + tail


def picture(width: int = 80, height: int = 60) -> Image.Image:
    y, x = np.mgrid[:height, :width]
    return Image.fromarray(np.stack([x * 3 % 256, y * 4 % 256, (x + y) % 256], -1).astype(np.uint8))


@cache
def plain_jpeg(width: int, height: int) -> bytes:
    """A whole JPEG without metadata; one of a camera's size takes half a second."""
    out = io.BytesIO()
    picture(width, height).save(out, "JPEG")
    return out.getvalue()


def jpeg_with(block: bytes, width: int = 80, height: int = 60, xmp: bytes = b"") -> bytes:
    """A whole JPEG with this Exif block (and XMP packet) in front."""
    head = b"\xff\xd8"
    for body in (b"Exif\0\0" + block, b"http://ns.adobe.com/xap/1.0/\0" + xmp if xmp else b""):
        if body:
            head += b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
    return head + plain_jpeg(width, height)[2:]


GPS_GOOD: Block = {
    1: ascii_("S"),
    2: ratio((31, 1), (4, 1), (1041, 100)),
    3: ascii_("E"),
    4: ratio((23, 1), (18, 1), (615, 100)),
    5: byte(0),
    6: ratio((10388, 10)),
    7: ratio((11, 1), (48, 1), (51, 1)),
    0x10: ascii_("T"),
    0x11: ratio((22634, 100)),
    0x1D: ascii_("2026:04:22"),
    0x1F: ratio((741, 100)),
}
EXIF_GOOD: Block = {
    0x9003: ascii_("2026:04:22 13:48:51"),
    0x9011: ascii_("+02:00"),
    0x920A: ratio((686, 100)),
    0xA002: long(4000),
    0xA003: long(3000),
    0xA405: short(26),
}
IMAGE_GOOD: Block = {0x10F: ascii_("Velstra"), 0x110: ascii_("VX-3"), 0x112: short(1)}


def gravity_note(*pairs: tuple[int, int], order: str = ">") -> bytes:
    """The maker note that carries a gravity vector: header, version, byte order, directory; offsets from its start."""
    kind, count, raw = sratio(*pairs)
    if order == "<":
        raw = b"".join(struct.pack("<ii", *pair) for pair in pairs)
    head = b"Apple iOS\0\0\1" + (b"MM" if order == ">" else b"II")
    at = len(head) + 2 + 2 * 12 + 4
    first = struct.pack(order + "HHIi", 1, 9, 1, 9)
    return head + struct.pack(order + "H", 2) + first + struct.pack(order + "HHII", 8, kind, count, at) + bytes(4) + raw


def milli(*values: float) -> list[tuple[int, int]]:
    return [(round(1000 * v), 1000) for v in values]


def packet(attributes: str = "", elements: str = "") -> bytes:
    """An XMP packet."""
    return (
        '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
        f'xmlns:GPano="http://ns.google.com/photos/1.0/panorama/" {attributes}>{elements}</rdf:Description></rdf:RDF>'
        '</x:xmpmeta><?xpacket end="w"?>'
    ).encode()


def codes(record: PhotoRecord) -> set[str]:
    return {finding.code for finding in record.findings}


def finding(record: PhotoRecord, code: str) -> Any:
    return next(f for f in record.findings if f.code == code)


class Kit:
    """The builders above, for tests."""

    ascii, short, long, ratio, sratio = map(staticmethod, (ascii_, short, long, ratio, sratio))
    undefined, byte, double = map(staticmethod, (undefined, byte, double))
    gravity_note, milli, packet = map(staticmethod, (gravity_note, milli, packet))
    tiff_block, jpeg_with, directory, picture = map(staticmethod, (tiff_block, jpeg_with, directory, picture))
    GPS_GOOD, EXIF_GOOD, IMAGE_GOOD = GPS_GOOD, EXIF_GOOD, IMAGE_GOOD


@pytest.fixture(scope="session")
def kit() -> type[Kit]:
    return Kit


@pytest.fixture
def record_of() -> Callable[..., object]:
    """Read a photo whose good metadata was changed: a tag given as None is left out."""
    from photoaz.photo.metadata import read_record

    def changed(good: Block, change: dict[int, Entry | None] | None) -> Block:
        merged = {**good, **(change or {})}
        return {tag: entry for tag, entry in merged.items() if entry is not None}

    def read(
        *,
        gps: dict[int, Entry | None] | None = None,
        exif: dict[int, Entry | None] | None = None,
        image: dict[int, Entry | None] | None = None,
        size: tuple[int, int] = (400, 300),
        xmp: bytes = b"",
    ) -> object:
        block = tiff_block(changed(IMAGE_GOOD, image), changed(EXIF_GOOD, exif), changed(GPS_GOOD, gps))
        return read_record(Path("photo.jpg"), jpeg_with(block, *size, xmp=xmp))

    return read
