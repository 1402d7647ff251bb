"""Metadata that lie beside the Exif block: texts of PNG files, boxes of JPEG 2000 ones."""

from __future__ import annotations

import contextlib
import zlib
from collections.abc import Iterator, Mapping

#: texts of a PNG are unpacked to so many bytes in all, and no more of its chunks looked at
MOST_TEXT = 4_000_000
MOST_PARTS = 100_000
_XMP_BOX = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
_EXIF_BOX = b"JpgTiffExif->JP2"


def png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Kind and body of each chunk that ends within the file."""
    at = 8
    for _ in range(MOST_PARTS):
        length, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        if at + 12 + length > len(data):
            return
        yield kind, data[at + 8 : at + 8 + length]
        at += 12 + length


def png_texts(data: bytes) -> dict[str, str]:
    """Texts of a PNG by keyword, before and behind the pixels, the first of each.

    References
    ----------
    ISO/IEC 15948, 11.3.4 (tEXt, zTXt and iTXt).
    """
    texts: dict[str, str] = {}
    left = MOST_TEXT
    for kind, body in png_chunks(data):
        if kind not in (b"tEXt", b"zTXt", b"iTXt"):
            continue
        name, _, text = body.partition(b"\0")
        packed = kind == b"zTXt" or text[:1] == b"\1"
        if kind == b"zTXt":
            text = text[1:]
        elif kind == b"iTXt":
            text = text[2:].split(b"\0", 2)[-1]  # behind the language and the keyword in it
        else:
            packed = False
        with contextlib.suppress(zlib.error):  # a damaged text is none
            text = zlib.decompressobj().decompress(text, max(left, 1)) if packed else text[:left]
            left -= len(text)
            texts.setdefault(name.decode("latin-1"), text.decode("utf-8" if kind == b"iTXt" else "latin-1", "replace"))
        if left <= 0:
            break
    return texts


def profile(texts: Mapping[str, str], *kinds: str) -> bytes:
    """A block that a converter wrote down as text: its kind, its length, then hexadecimal lines; b'' where none is."""
    for kind in kinds:
        words = texts.get(f"Raw profile type {kind}", "").split(None, 2)
        with contextlib.suppress(ValueError):
            if len(words) == 3:
                return bytes.fromhex(words[2])
    return b""


def jp2_metadata(data: bytes) -> tuple[bytes, bytes]:
    """Exif block and XMP packet of a JPEG 2000 file, from its boxes of the kind uuid; b'' where there is none.

    References
    ----------
    ISO/IEC 15444-1, annex I (boxes). XMP: Adobe's specification, part 3. Exif: as Exiv2 writes it, from memory.
    """
    exif = xmp = b""
    at = 0
    for _ in range(MOST_PARTS):
        length, kind, head = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8], 8
        if length == 1:
            length, head = int.from_bytes(data[at + 8 : at + 16], "big"), 16
        end = len(data) if length == 0 else at + length
        if at + head > len(data) or end < at + head:
            break
        if kind == b"uuid":
            which, body = data[at + head : at + head + 16], data[at + head + 16 : end]
            if which == _EXIF_BOX:
                exif = exif or body
            elif which == _XMP_BOX:
                xmp = xmp or body
        at = end
    return exif, xmp
