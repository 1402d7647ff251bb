"""Exif tags by number: read by exifread, and by Pillow where exifread gives a whole block up.

exifread's own decoding of maker notes is left out: it follows the one of interest from the wrong start, and a note that
states four thousand million bytes keeps it busy for minutes. So Pillow hands the note over as bytes, and exifread reads
it as a block of its own.
"""

from __future__ import annotations

import io
import logging
import math
import re
import warnings
from collections.abc import Mapping
from typing import Any

from PIL.ExifTags import GPS, IFD, Base

# exifread warns about damaged files through logging; what matters of it becomes findings
logging.getLogger("exifread").addHandler(logging.NullHandler())

#: reads after which a block is given up: a phone's needs some thousand, a damaged one can state millions of values
MOST_READS = 200_000

#: One tag's values: numbers (a rational without a denominator is nan), or one string.
Value = tuple[float, ...] | str
#: Values by directory ('Image', 'EXIF', 'GPS') and tag number.
Tags = Mapping[tuple[str, int], Value]


def value_of(tags: Tags, tag: Base | GPS) -> Value | None:
    """A tag's values from the directory that the Exif standard puts it in; None where it is missing."""
    if isinstance(tag, GPS):
        return tags.get(("GPS", tag))
    return tags.get(("EXIF" if tag >= Base.ExposureTime else "Image", tag))


def first_number(value: Value | None) -> float | None:
    """The first of a tag's numbers; None where it holds text, nothing, or no finite number."""
    if not value or isinstance(value, str) or not math.isfinite(value[0]):
        return None
    return value[0]


def orientation_of(tags: Tags) -> int:
    """The Exif orientation, 1 to 8; 1 where it is missing or out of range."""
    value = first_number(value_of(tags, Base.Orientation))
    return int(value) if value in (1, 2, 3, 4, 5, 6, 7, 8) else 1


def noted_size(tags: Tags) -> tuple[int, int] | None:
    """Width and height [px] as the camera noted them, of the picture as stored."""
    width, height = (first_number(value_of(tags, t)) for t in (Base.ExifImageWidth, Base.ExifImageHeight))
    return (int(width), int(height)) if width and height and min(width, height) >= 1.0 else None


class _Block(io.BytesIO):
    """A block that can be read so often and no more."""

    reads = 0

    def read(self, size: int | None = -1, /) -> bytes:
        """As of any file. Raises ValueError after MOST_READS."""
        self.reads += 1
        if self.reads > MOST_READS:
            raise ValueError("too many values")
        return super().read(size)


def read_tags(exif: bytes) -> tuple[Tags, str | None]:
    """Tags of a TIFF structure, and what went wrong with reading it (None: nothing).

    Returns tags: values by directory and number. Numbers as floats; a rational with denominator zero is nan. trouble: a
    sentence about damage that was met, or None.
    """
    import exifread

    if not exif:
        return {}, None
    try:
        found = exifread.process_file(_Block(exif), details=False, extract_thumbnail=False)
        known = {
            (name.split(" ", 1)[0], tag.tag): tag
            for name, tag in found.items()
            if name.startswith(("Image ", "EXIF ", "GPS ")) and hasattr(tag, "values")
        }
        # exifread reads zeros beyond the end of the data, which would be taken for values
        tags = {key: _plain(t.values) for key, t in known.items() if t.field_offset + t.field_length <= len(exif)}
    except Exception as err:  # noqa: BLE001  exifread raises anything on damaged files, AssertionError included
        tags = _by_pillow(exif)
        return tags, f"the Exif block is damaged ({type(err).__name__}); {len(tags)} tags could still be read"
    if not tags:
        return tags, "the Exif block holds nothing that can be read"
    if ("Image", IFD.Exif) in tags and not any(group == "EXIF" for group, _ in tags):
        return tags, "the Exif block is cut off: the camera's own tags are missing from it"
    if len(tags) < len(known):
        return tags, f"the Exif block is cut off: {len(known) - len(tags)} tags point beyond its end"
    return tags, None


def tags_of_texts(texts: Mapping[str, str]) -> Tags:
    """Tags that a converter wrote into a PNG as texts, named as in Exif; numbers as '31/1, 4/1, 1041/100'.

    All but the orientation: it says how the picture lay before it was converted, and nobody turns a PNG by a text.
    """
    tags: dict[tuple[str, int], Value] = {}
    for name, text in texts.items():
        tag = _BY_NAME.get(name.removeprefix("exif:"))
        if tag is not None and tag != Base.Orientation:
            group = "GPS" if isinstance(tag, GPS) else "EXIF" if tag >= Base.ExposureTime else "Image"
            parts = text.split(",") if re.fullmatch(r"[-+\d./, ]{1,200}", text) else []
            tags[group, tag] = tuple(_ratio(part) for part in parts) or text[:200]
    return tags


def _ratio(text: str) -> float:
    over, _, under = text.partition("/")
    try:
        return float(over) / float(under or 1)
    except (ValueError, ZeroDivisionError):
        return math.nan


_BY_NAME: dict[str, Base | GPS] = {tag.name: tag for kind in (Base, GPS) for tag in kind}
_BY_NAME |= {"PixelXDimension": Base.ExifImageWidth, "PixelYDimension": Base.ExifImageHeight}


def maker_note(exif: bytes) -> bytes:
    """The maker note's bytes as they lie in the file; b'' where there is none."""
    note = directory(exif, IFD.Exif).get(Base.MakerNote)
    return note if isinstance(note, bytes) else b""


def thumbnail(exif: bytes) -> bytes:
    """The small JPEG that cameras put beside the picture; b'' where there is none or it is cut off."""
    second = directory(exif, IFD.IFD1)
    start, length = second.get(Base.JpegIFOffset), second.get(Base.JpegIFByteCount)
    if not isinstance(start, int) or not isinstance(length, int):
        return b""
    found = exif[start : start + length]
    return found if found[:2] == b"\xff\xd8" and length == len(found) else b""


def directory(exif: bytes, which: IFD | None = None) -> Mapping[int, Any]:
    """A directory of a TIFF structure as Pillow reads it, the first one unless told; empty where it cannot be read."""
    from PIL import Image

    found = Image.Exif()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            found.load(exif)
            return dict(found) if which is None else found.get_ifd(which)
        except Exception:  # noqa: BLE001  Pillow raises many kinds on damaged blocks
            return {}


def _by_pillow(exif: bytes) -> dict[tuple[str, int], Value]:
    tags: dict[tuple[str, int], Value] = {}
    for group, which in (("Image", None), ("EXIF", IFD.Exif), ("GPS", IFD.GPSInfo)):
        for tag, value in directory(exif, which).items():
            if not isinstance(value, dict):
                tags[group, tag] = _plain(list(value) if isinstance(value, tuple) else value)
    return tags


def _plain(values: Any) -> Value:
    if isinstance(values, str):
        return values.strip("\x00 ")
    if isinstance(values, bytes):
        return values.split(b"\x00", 1)[0].decode("utf-8", "replace").strip()
    return tuple(_number(v) for v in (values if isinstance(values, list) else [values]))


def _number(value: Any) -> float:
    if isinstance(value, tuple) and value:  # exifread wraps a float in a tuple
        value = value[0]
    try:
        return float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return math.nan
