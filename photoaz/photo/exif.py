"""Exif tags by number: exifread first, and a small walker for what it cannot give.

exifread 3.5 reads the tags of the standard well, but it does not name some (0x9404, 0x9405, GPS 0x001F), follows the
maker note's offsets from the wrong start, and gives up a whole file on some damage. So tags are taken by number, and
where exifread raises, the walker below reads what is left.
"""

from __future__ import annotations

import io
import logging
import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field

# exifread warns about damaged files through logging; what matters of it becomes findings
logging.getLogger("exifread").addHandler(logging.NullHandler())

#: One tag's values: numbers (a rational without a denominator is nan), or one string.
Value = tuple[float, ...] | str
#: Values by directory ('Image', 'EXIF', 'GPS') and tag number.
Tags = Mapping[tuple[str, int], Value]

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_CODES = {1: "B", 3: "H", 4: "I", 6: "b", 7: "B", 8: "h", 9: "i", 11: "f", 12: "d", 13: "I"}
_MAX_VALUES = 1000
_MAKER_NOTE, _EXIF_IFD, _GPS_IFD = 0x927C, 0x8769, 0x8825


@dataclass(slots=True)
class Directory:
    """One directory of a TIFF structure: tag -> (type, count, offset of the data)."""

    data: bytes
    order: str
    entries: dict[int, tuple[int, int, int]] = field(default_factory=dict)

    def raw(self, tag: int) -> bytes:
        """The bytes of a tag, as many as are there; b'' where it is missing."""
        if tag not in self.entries:
            return b""
        kind, count, offset = self.entries[tag]
        return self.data[offset : offset + count * _SIZES[kind]]

    def value(self, tag: int) -> Value | None:
        if tag not in self.entries:
            return None
        kind, count, _ = self.entries[tag]
        raw = self.raw(tag)
        if len(raw) < count * _SIZES[kind]:
            return None  # cut off: half a value could be taken for another one
        if kind == 2:
            return _text(raw)
        count = min(count, _MAX_VALUES)
        if kind in (5, 10):
            code = "Ii"[kind == 10]
            flat = struct.unpack(f"{self.order}{2 * count}{code}", raw[: 8 * count])
            return tuple(_ratio(flat[i], flat[i + 1]) for i in range(0, 2 * count, 2))
        numbers = struct.unpack(f"{self.order}{count}{_CODES[kind]}", raw[: count * _SIZES[kind]])
        return tuple(float(n) for n in numbers)

    def number(self, tag: int) -> float | None:
        value = self.value(tag)
        return value[0] if value and not isinstance(value, str) and math.isfinite(value[0]) else None


class Walker:
    """Reads directories of a TIFF structure without believing any offset or count in it."""

    def __init__(self, data: bytes, base: int = 0, order: str | None = None) -> None:
        self.data = data
        self.base = base
        self.order = order or ("<" if data[:2] == b"II" else ">")
        good = len(data) >= 8 and data[:2] in (b"II", b"MM")
        self.first = struct.unpack(self.order + "I", data[4:8])[0] if good else 0

    def directory(self, offset: int) -> Directory:
        """The directory at an offset (from `base`); empty where there is none."""
        found = Directory(self.data, self.order)
        at = self.base + offset
        if offset < 2 or at + 2 > len(self.data):
            return found
        count = struct.unpack_from(self.order + "H", self.data, at)[0]
        for entry in range(at + 2, min(at + 2 + 12 * count, len(self.data) - 11), 12):
            tag, kind, number = struct.unpack_from(self.order + "HHI", self.data, entry)
            if kind not in _SIZES or tag in found.entries:
                continue
            where = entry + 8
            if number * _SIZES[kind] > 4:
                where = self.base + struct.unpack_from(self.order + "I", self.data, where)[0]
            found.entries[tag] = (kind, number, where)
        return found

    def below(self, parent: Directory, tag: int) -> Directory:
        """The directory that a tag of `parent` points to."""
        pointer = parent.number(tag)
        return self.directory(int(pointer) if pointer else 0)


def read_tags(exif: bytes) -> tuple[Tags, str | None]:
    """Tags of a TIFF structure, and what went wrong with reading it (None: nothing).

    Returns
    -------
    tags
        Values by directory and number. Numbers as floats; a rational with denominator zero is nan.
    trouble
        A sentence about damage that was met, or None.
    """
    import exifread

    try:
        found = exifread.process_file(io.BytesIO(exif), details=False, extract_thumbnail=False)
        known = {
            (name.split(" ", 1)[0], tag.tag): tag
            for name, tag in found.items()
            if name.startswith(("Image ", "EXIF ", "GPS ")) and hasattr(tag, "values")
        }
        # exifread reads zeros beyond the end of the data, which would be taken for values
        tags = {key: _plain(t.values) for key, t in known.items() if t.field_offset + t.field_length <= len(exif)}
    except Exception as err:  # noqa: BLE001  exifread raises anything on damaged files, AssertionError included
        tags = _walk(exif)
        return tags, f"the Exif block is damaged ({type(err).__name__}); {len(tags)} tags could still be read"
    if not tags:
        tags = _walk(exif)
        if not tags:
            return tags, "the Exif block holds nothing that can be read"
    elif ("Image", _EXIF_IFD) in tags and not any(group == "EXIF" for group, _ in tags):
        return tags, "the Exif block is cut off: the camera's own tags are missing from it"
    elif len(tags) < len(known):
        return tags, f"the Exif block is cut off: {len(known) - len(tags)} tags point beyond its end"
    return tags, None


def maker_note(exif: bytes) -> bytes:
    """The maker note's bytes as they lie in the file; b'' where there is none."""
    walker = Walker(exif)
    return walker.below(walker.directory(walker.first), _EXIF_IFD).raw(_MAKER_NOTE)


def thumbnail(exif: bytes) -> bytes:
    """The small JPEG that cameras put beside the picture; b'' where there is none or it is cut off."""
    walker = Walker(exif)
    at = walker.first
    if not 2 <= at <= len(exif) - 2:
        return b""
    following = at + 2 + 12 * struct.unpack_from(walker.order + "H", exif, at)[0]
    if following + 4 > len(exif):
        return b""
    second = walker.directory(struct.unpack_from(walker.order + "I", exif, following)[0])
    start, length = second.number(0x0201), second.number(0x0202)
    found = exif[int(start) : int(start + length)] if start and length else b""
    return found if found[:2] == b"\xff\xd8" and length == len(found) else b""


def exif_orientation(exif: bytes) -> int:
    """The Exif orientation, 1 to 8; 1 where it is missing or out of range."""
    walker = Walker(exif)
    value = walker.directory(walker.first).number(0x0112)
    return int(value) if value is not None and 1 <= value <= 8 else 1


def pixel_dimensions(exif: bytes) -> tuple[int, int] | None:
    """Width and height as the camera noted them (0xA002, 0xA003)."""
    walker = Walker(exif)
    inner = walker.below(walker.directory(walker.first), _EXIF_IFD)
    width, height = inner.number(0xA002), inner.number(0xA003)
    return (int(width), int(height)) if width and height and min(width, height) >= 1.0 else None


def _walk(exif: bytes) -> dict[tuple[str, int], Value]:
    walker = Walker(exif)
    image = walker.directory(walker.first)
    inner = walker.below(image, _EXIF_IFD)
    gps = walker.below(image, _GPS_IFD)
    tags: dict[tuple[str, int], Value] = {}
    for group, directory in (("Image", image), ("EXIF", inner), ("GPS", gps)):
        for tag in directory.entries:
            value = directory.value(tag)
            if value is not None:
                tags[group, tag] = value
    return tags


def _plain(values: object) -> Value:
    if isinstance(values, str):
        return values.strip("\x00 ")
    if isinstance(values, bytes):
        return _text(values)
    if not isinstance(values, list):
        return ()
    return tuple(_number(v) for v in values)


def _number(value: object) -> float:
    numerator, denominator = getattr(value, "num", None), getattr(value, "den", None)
    if numerator is not None and denominator is not None:
        return _ratio(numerator, denominator)
    if isinstance(value, tuple) and value:  # exifread wraps a float in a tuple
        value = value[0]
    return float(value) if isinstance(value, int | float) else math.nan


def _ratio(numerator: int, denominator: int) -> float:
    return numerator / denominator if denominator else math.nan


def _text(raw: bytes) -> str:
    return raw.split(b"\x00", 1)[0].decode("utf-8", "replace").strip()
