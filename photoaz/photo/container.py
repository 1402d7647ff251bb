"""What lies around the pixels: format, size, and the raw Exif and XMP blocks.

Nothing is decoded here. JPEGs are walked through here, other formats opened by Pillow or libheif: Pillow gives up a
JPEG that ends before its first scan, whose Exif may be whole; it refuses the 200 megapixels of today's phones; and ten
megabytes of filling bytes keep it busy for seconds.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import re
import stat
import struct
import warnings
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from PIL.ExifTags import Base

from photoaz.errors import Fault, InputError, LostPhotoError
from photoaz.photo.exif import directory, noted_size, read_tags

#: Phones write Exif, XMP and a preview before the frame header; nearly all of it fits in here.
HEAD_BYTES = 256 * 1024
#: The largest picture that is opened at all: a decompression bomb is refused before memory is asked for.
MAX_PIXELS = 300_000_000

WANTED = "a photo as JPEG, PNG, WebP, TIFF, HEIC or AVIF"
#: What a JPEG may have of segments
MOST_SEGMENTS = 500_000
#: Pillow reads more, some by calling other programs (EPS): none of it is a photo
_READERS = ("JPEG", "PNG", "WEBP", "TIFF", "AVIF", "JPEG2000", "BMP", "DIB", "GIF")
_NO_FILL = re.compile(rb"[^\xff]")
_XMP_HEADER = b"http://ns.adobe.com/xap/1.0/\x00"


@dataclass(frozen=True, slots=True, kw_only=True)
class Container:
    """One image file's outside.

    width_px, height_px: as stored; for HEIF as libheif hands the picture out, which is already turned upright.
    exif: a TIFF structure (without the 'Exif' marker), b'' where there is none. texts: of a PNG, by keyword.
    cut_short: the file ends too early.
    """

    format: str
    width_px: int
    height_px: int
    exif: bytes = b""
    xmp: bytes = b""
    texts: Mapping[str, str] = field(default_factory=dict)
    cut_short: bool = False


def unreadable(path: Path | str, found: str, wanted: str = WANTED) -> InputError:
    """The fault of a file that is no photo; found: what it is instead."""
    return InputError(Fault(file=path, found=found, wanted=wanted))


def _opened(path: Path) -> BinaryIO:
    """A pipe that nobody writes into would keep its reader for good, and a device gives bytes without end."""
    if not stat.S_ISREG(path.stat().st_mode):
        raise unreadable(path, "neither a file nor a folder" if not path.is_dir() else "a folder")
    return path.open("rb")


def read_bytes(path: Path, digest: str | None = None) -> bytes:
    """The whole file. Raises InputError where it cannot be read.

    digest : SHA-256, hexadecimal, of what was read of it before; raises LostPhotoError where that cannot be had now.
    """
    try:
        with _opened(path) as file:
            data = file.read()
    except OSError as err:
        found = f"a file that cannot be read ({err.strerror or err})"
        raise (unreadable(path, found) if digest is None else LostPhotoError(path, found)) from None
    if digest is not None and hashlib.sha256(data).hexdigest() != digest:
        raise LostPhotoError(path, "other content than was read")
    return data


def open_container(path: Path, data: bytes | None = None) -> Container:
    """Read format, size, Exif and XMP of a file, or of `data` (path is then only a name).

    Raises InputError: not an image, no size to be found, or more than MAX_PIXELS.
    """
    found = None
    if data is None:
        try:
            with _opened(path) as file:
                head = file.read(HEAD_BYTES)
        except OSError as err:
            raise unreadable(path, f"a file that cannot be read ({err.strerror or err})") from None
        if head[:2] == b"\xff\xd8" and len(head) == HEAD_BYTES:
            found = _jpeg(head, whole=False)
        data = head if found or len(head) < HEAD_BYTES else read_bytes(path)
    if not data:
        raise unreadable(path, "an empty file")
    if data[:2] == b"\xff\xd8":
        found = found or _jpeg(data, whole=True)
        if found is None:
            raise unreadable(path, "a JPEG that ends before its picture begins, or is damaged there")
    else:
        found = _other(path, data)
    if min(found.width_px, found.height_px) < 1:
        raise unreadable(path, f"a damaged file, whose picture would be {found.width_px} x {found.height_px} pixels")
    if found.width_px * found.height_px > MAX_PIXELS:
        most = f"at most {MAX_PIXELS // 1_000_000} million pixels"
        raise unreadable(path, f"{found.width_px} x {found.height_px} pixels", most)
    return found


def jpeg_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker, offset and stated length of each segment, up to the first scan or the end of the image and with it.

    Nothing after MOST_SEGMENTS steps: a file that is made of markers alone would take seconds a megabyte.
    """
    at, end = 2, len(data)
    for _ in range(MOST_SEGMENTS):
        if at + 4 > end:
            return
        if data[at] != 0xFF:
            at = data.find(b"\xff", at)  # stray bytes between segments: some editors leave them
            if at < 0:
                return
            continue
        marker = data[at + 1]
        if marker == 0xFF:
            other = _NO_FILL.search(data, at)
            if other is None:
                return
            at = other.start() - 1
            continue
        if marker == 0x01 or 0xD0 <= marker <= 0xD8 or marker == 0x00:
            at += 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        yield marker, at, length
        if marker in (0xDA, 0xD9):
            return
        at += 2 + max(length, 2)


def _jpeg(data: bytes, *, whole: bool) -> Container | None:
    """Walk the marker segments up to the first scan. None: the frame header was not reached."""
    exif = xmp = b""
    size: tuple[int, int] | None = None
    complete = False
    for marker, at, length in jpeg_segments(data):
        if marker in (0xDA, 0xD9):
            complete = True
            break
        body = data[at + 4 : at + 2 + length]
        if marker == 0xE1:
            if body[:4] == b"Exif" and not exif:
                exif = body[6:]
            elif body.startswith(_XMP_HEADER) and not xmp:
                xmp = body[len(_XMP_HEADER) :]
        elif 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC) and len(body) >= 5:
            height, width = struct.unpack(">HH", body[1:5])
            size = (width, height)
    if not complete and not whole:
        return None
    if (size is None or 0 in size) and exif:
        size = noted_size(read_tags(exif)[0])
    if size is None or 0 in size:
        return None
    return Container(format="JPEG", width_px=size[0], height_px=size[1], exif=exif, xmp=xmp, cut_short=not complete)


def _other(path: Path, data: bytes) -> Container:
    if data[:4] in (b"II*\x00", b"MM\x00*"):
        first = directory(data)
        width, height = first.get(Base.ImageWidth), first.get(Base.ImageLength)
        if isinstance(width, int) and isinstance(height, int) and min(width, height) > 0:
            kind = "DNG" if Base.DNGVersion in first else "TIFF"
            xmp = first.get(Base.XMLPacket)
            xmp = xmp if isinstance(xmp, bytes) else b""
            return Container(format=kind, width_px=width, height_px=height, exif=data, xmp=xmp)
    try:
        image, kind = open_pillow(path, data), ""
    except InputError:
        if data[4:8] != b"ftyp":
            raise
        image, kind = open_heif(path, data), "HEIF"
    exif, xmp = image.info.get("exif") or b"", image.info.get("xmp") or b""
    kind = kind or str(image.format)
    texts: dict[str, str] = {}
    if kind == "PNG":
        texts = png_texts(data)
        exif = exif or next((body for name, body in png_chunks(data) if name == b"eXIf"), b"")
        exif = exif or profile(texts, "exif", "APP1")
        xmp = xmp or texts.get("XML:com.adobe.xmp") or profile(texts, "xmp")
    elif kind == "JPEG2000":
        exif, xmp = jp2_metadata(data)
    return Container(
        format=kind,
        width_px=image.size[0],
        height_px=image.size[1],
        exif=exif[6:] if exif[:4] == b"Exif" else exif,
        xmp=xmp.encode() if isinstance(xmp, str) else xmp,
        texts=texts,
        # where a chunk ends beyond the file, cv2 makes room for what its length says
        cut_short=kind == "PNG" and all(name != b"IEND" for name, _ in png_chunks(data)),
    )


def open_heif(path: Path | str, data: bytes) -> Any:
    """The primary picture of a HEIF file, upright. Raises InputError."""
    import pillow_heif

    try:
        opened = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        opened.info, opened.size  # noqa: B018  a damaged file can be opened and hold no picture
        return opened
    except MemoryError:
        raise
    except Exception as err:  # noqa: BLE001  libheif's binding raises whatever it likes
        raise unreadable(path, f"a HEIF file that the decoder refuses ({err})") from None


def open_pillow(path: Path | str, data: bytes) -> Any:
    """Open with Pillow, one of the formats that photos come in. Raises InputError."""
    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about odd Exif, which is judged elsewhere
        try:
            Image.init()
            return Image.open(io.BytesIO(data), formats=[name for name in _READERS if name in Image.OPEN])
        except Image.DecompressionBombError:
            # Pillow refuses at twice its own limit, which is the process's and left alone
            most = min(MAX_PIXELS, 2 * (Image.MAX_IMAGE_PIXELS or MAX_PIXELS))
            wanted = f"at most {most // 1_000_000} million pixels in this format"
            raise unreadable(path, "far too many pixels", wanted) from None
        except MemoryError:
            raise
        except Exception as err:  # noqa: BLE001  Pillow's readers raise many kinds on damaged files
            reason = str(err).splitlines()[0] if str(err) and "BytesIO" not in str(err) else "no reader knows it"
            raise unreadable(path, f"a file that is not an image, or is damaged ({reason})") from None


# ---- PNG and JPEG 2000 -----------------------------------------------------------------------------------------------


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

    Source: ISO/IEC 15948, 11.3.4 (tEXt, zTXt and iTXt).
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

    Source: ISO/IEC 15444-1, annex I (boxes). XMP: Adobe's specification, part 3. Exif: as Exiv2 writes it, from memory.
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
