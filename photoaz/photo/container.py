"""What lies around the pixels: format, size, and the raw Exif and XMP blocks, read from the head of the file.

Nothing is decoded here. A JPEG, PNG or WebP costs a look at its first blocks; the rest goes through Pillow or libheif.
"""

from __future__ import annotations

import io
import re
import struct
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from photoaz.errors import Fault, InputError

#: Phones write Exif, XMP and a preview before the frame header; nearly all of it fits in here.
HEAD_BYTES = 256 * 1024
#: The largest picture that is opened at all: a decompression bomb is refused before memory is asked for.
MAX_PIXELS = 300_000_000

WANTED = "a photo as JPEG, PNG, WebP, TIFF, HEIC or AVIF"
#: What a file may have of segments or chunks (a PNG of 300 megapixels can have tens of thousands), and of profiles that
#: are unpacked to be looked at
MOST_SEGMENTS, MOST_PROFILES = 500_000, 4
#: Pillow reads more, some by calling other programs (EPS): none of it is a photo
_READERS = ("JPEG", "PNG", "WEBP", "TIFF", "AVIF", "JPEG2000", "BMP", "DIB", "GIF")
_PROFILES = (b"Raw profile type exif\x00", b"Raw profile type APP1\x00")
_NO_FILL = re.compile(rb"[^\xff]")
_XMP_HEADER = b"http://ns.adobe.com/xap/1.0/\x00"
_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"MiHB", b"heif"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Container:
    """One image file's outside.

    width_px, height_px: as stored; for HEIF as libheif hands the picture out, which is already turned upright.
    exif: a TIFF structure (without the 'Exif' marker), b'' where there is none. cut_short: the file ends too early.
    """

    format: str
    width_px: int
    height_px: int
    exif: bytes = b""
    xmp: bytes = b""
    cut_short: bool = False


def unreadable(path: Path | str, found: str) -> InputError:
    """The fault of a file that is no photo; found: what it is instead."""
    return InputError(Fault(file=path, found=found, wanted=WANTED))


def read_bytes(path: Path) -> bytes:
    """The whole file. Raises InputError where it cannot be read."""
    try:
        return path.read_bytes()
    except OSError as err:
        raise unreadable(path, f"a file that cannot be read ({err.strerror or err})") from None


def open_container(path: Path, data: bytes | None = None) -> Container:
    """Read format, size, Exif and XMP of a file, or of `data` (path is then only a name).

    Raises
    ------
    InputError
        Not an image, no size to be found, or more than MAX_PIXELS.
    """
    if data is not None:
        return _checked(path, _sniff(path, data, whole=True), data[:2])
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
            found = None
            if head[:2] == b"\xff\xd8":
                found = _sniff(path, head, whole=len(head) < HEAD_BYTES)
            if found is None:
                found = _sniff(path, head + file.read(), whole=True)
    except OSError as err:
        raise unreadable(path, f"a file that cannot be read ({err.strerror or err})") from None
    return _checked(path, found, head[:2])


def shown_size(box: Container, orientation: int) -> tuple[int, int]:
    """Width and height as shown. HEIF comes upright from the decoder; all else is turned here."""
    if orientation >= 5 and box.format != "HEIF":
        return box.height_px, box.width_px
    return box.width_px, box.height_px


def _checked(path: Path, found: Container | None, start: bytes) -> Container:
    if found is None:
        if start == b"\xff\xd8":
            raise unreadable(path, "a JPEG that ends before its picture begins, or is damaged there")
        raise unreadable(path, "a file that is not an image, or is damaged at its very start")
    if found.width_px * found.height_px > MAX_PIXELS:
        raise InputError(
            Fault(
                file=path,
                found=f"{found.width_px} x {found.height_px} pixels",
                wanted=f"at most {MAX_PIXELS // 1_000_000} million pixels",
            )
        )
    return found


def _sniff(path: Path, data: bytes, *, whole: bool) -> Container | None:
    if not data:
        raise unreadable(path, "an empty file")
    if data[:2] == b"\xff\xd8":
        return _jpeg(data, whole=whole)
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _png(data)
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS and b"avif" not in _compatible_brands(data):
        return _heif(path, data)
    if data[:4] in (b"II*\x00", b"MM\x00*"):
        return _tiff(data) or _by_pillow(path, data)
    return _by_pillow(path, data)


def _compatible_brands(data: bytes) -> list[bytes]:
    """A general HEIF file ('mif1') says here what is really inside."""
    end = min(int.from_bytes(data[:4], "big"), len(data), 256)
    return [data[at : at + 4] for at in range(16, end - 3, 4)]


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
        from photoaz.photo.exif import pixel_dimensions

        size = pixel_dimensions(exif)
    if size is None or 0 in size:
        return None
    return Container(format="JPEG", width_px=size[0], height_px=size[1], exif=exif, xmp=xmp, cut_short=not complete)


def _png(data: bytes) -> Container | None:
    if data[12:16] != b"IHDR" or len(data) < 24:
        return None
    width, height = struct.unpack(">II", data[16:24])
    exif = xmp = b""
    at, complete, profiles, chunks = 8, False, 0, 0
    while at + 8 <= len(data) and chunks < MOST_SEGMENTS:
        chunks += 1
        length, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        body = data[at + 8 : at + 8 + length] if kind in (b"eXIf", b"iTXt", b"zTXt", b"tEXt") else b""
        if kind == b"eXIf":
            exif = _without_marker(body)
        elif kind == b"iTXt" and body.startswith(b"XML:com.adobe.xmp\x00") and not xmp and profiles < MOST_PROFILES:
            profiles += 1
            xmp = _png_xmp(body)
        elif kind in (b"zTXt", b"tEXt") and body.startswith(_PROFILES) and not exif and profiles < MOST_PROFILES:
            profiles += 1
            exif = _png_raw_profile(kind, body)
        complete = kind == b"IEND"
        if complete:
            break
        at += 12 + length
    if not width or not height:
        return None
    return Container(format="PNG", width_px=width, height_px=height, exif=exif, xmp=xmp, cut_short=not complete)


def _png_xmp(body: bytes) -> bytes:
    rest = body[len(b"XML:com.adobe.xmp\x00") :]
    compressed, rest = rest[:1] == b"\x01", rest[2:]
    text = rest.split(b"\x00", 2)[-1]
    return _inflate(text) if compressed else text


def _png_raw_profile(kind: bytes, body: bytes) -> bytes:
    """Exif as some converters keep it in a PNG: text, 'exif', the length, then hexadecimal."""
    _, _, rest = body.partition(b"\x00")
    text = _inflate(rest[1:]) if kind == b"zTXt" else rest
    parts = text.split(None, 2)
    if len(parts) < 3:
        return b""
    try:
        profile = bytes.fromhex(parts[2].decode("ascii", "ignore"))
    except ValueError:
        return b""
    return _without_marker(profile) if profile[:4] in (b"Exif", b"II*\x00", b"MM\x00*") else b""


def _inflate(data: bytes, limit: int = 4_000_000) -> bytes:
    try:
        return zlib.decompressobj().decompress(data, limit)
    except zlib.error:
        return b""


def _without_marker(block: bytes) -> bytes:
    return block[6:] if block[:4] == b"Exif" else block


def _tiff(data: bytes) -> Container | None:
    from photoaz.photo.exif import Walker

    walker = Walker(data)
    first = walker.directory(walker.first)
    width, height = first.number(0x0100), first.number(0x0101)
    if not width or not height or min(width, height) < 1:
        return None
    raw = 0xC612 in first.entries
    xmp = first.raw(0x02BC)
    kind = "DNG" if raw else "TIFF"
    return Container(format=kind, width_px=int(width), height_px=int(height), exif=data, xmp=xmp)


def open_heif(path: Path | str, data: bytes) -> Any:
    """The primary picture of a HEIF file, upright. Raises InputError."""
    import pillow_heif

    try:
        opened = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        opened.info, opened.size  # noqa: B018  a damaged file can be opened and hold no picture
        return opened
    except Exception as err:  # noqa: BLE001  libheif's binding raises whatever it likes
        raise unreadable(path, f"a HEIF file that the decoder refuses ({err})") from None


def _heif(path: Path, data: bytes) -> Container:
    image = open_heif(path, data)
    exif = image.info.get("exif") or b""
    xmp = image.info.get("xmp") or b""
    width, height = image.size
    return Container(format="HEIF", width_px=width, height_px=height, exif=_without_marker(exif), xmp=xmp)


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
            raise InputError(Fault(file=path, found="far too many pixels", wanted=wanted)) from None
        except Exception as err:  # noqa: BLE001  Pillow's readers raise many kinds on damaged files
            reason = str(err).splitlines()[0] if str(err) and "BytesIO" not in str(err) else "no reader knows it"
            raise unreadable(path, f"a file that is not an image, or is damaged ({reason})") from None


def _by_pillow(path: Path, data: bytes) -> Container:
    with open_pillow(path, data) as image:
        exif = image.info.get("exif") or b""
        xmp = image.info.get("xmp") or b""
        if isinstance(xmp, str):
            xmp = xmp.encode()
        if not exif and image.format == "TIFF":
            exif = data
        width, height = image.size
        if image.format == "TIFF" and image.getexif().get(0x0112, 1) in (5, 6, 7, 8):
            width, height = height, width  # Pillow gives a TIFF's size as shown; here it is the stored one
        return Container(
            format=str(image.format), width_px=width, height_px=height, exif=_without_marker(exif), xmp=xmp
        )
