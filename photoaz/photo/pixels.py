"""Pixels of a photo as shown: 8 bits a channel, upright, orientation applied exactly once.

Who turns what differs from reader to reader: cv2 turns JPEG, PNG and WebP unless told not to, and TIFF even when told
not to; Pillow turns TIFF only; libheif turns HEIC and leaves the tag as it was. So the reader is chosen by format and
each is handled for what it does.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.errors import Fault, InputError
from photoaz.photo.container import (
    MAX_PIXELS,
    Container,
    open_container,
    open_heif,
    open_pillow,
    read_bytes,
    shown_size,
)
from photoaz.photo.exif import exif_orientation

Image = NDArray[np.uint8]

_BY_CV2 = ("JPEG", "PNG", "WEBP")
_ANONYMOUS = Path("image")


def decode(source: Path | str | bytes) -> Image:
    """Decode a photo, as shown.

    Parameters
    ----------
    source
        A path, or the file's bytes.

    Returns
    -------
    ndarray
        (height, width, 3) uint8, channels blue, green, red. 16-bit images lose their low byte, transparency is
        dropped, grey is repeated.

    Raises
    ------
    InputError
        Not an image, damaged, cut short, or more than MAX_PIXELS.
    """
    return _decode(source, grey=False)


def decode_gray(source: Path | str | bytes) -> Image:
    """Decode to luminance, as shown: (height, width) uint8. Raises as `decode`."""
    return _decode(source, grey=True)


def grey_of(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Luminance (H, W) of a picture (H, W, 3) BGR, uint8: what `decode_gray` gives, to a level or two."""
    import cv2

    return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), np.uint8)


def image_size(source: Path | str | bytes) -> tuple[int, int]:
    """Width and height of a photo as shown, from its header alone. Raises InputError."""
    path, data = (_ANONYMOUS, source) if isinstance(source, bytes) else (Path(source), None)
    box = open_container(path, data)
    return shown_size(box, exif_orientation(box.exif))


def turn(image: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Turn a stored image (height, width, ...) so that it shows upright; orientation as Exif, 1 to 8.

    Orientation names where the stored row 0 and column 0 belong: 6, for one, is row 0 at the right, column 0 on top.
    """
    import cv2  # four times faster at this than NumPy's strided copies

    if orientation in (5, 7):
        image = cv2.transpose(image)
    if orientation == 2:
        return cv2.flip(image, 1)
    if orientation == 4:
        return cv2.flip(image, 0)
    turns = {
        3: cv2.ROTATE_180,
        6: cv2.ROTATE_90_CLOCKWISE,
        7: cv2.ROTATE_180,
        8: cv2.ROTATE_90_COUNTERCLOCKWISE,
    }
    return cv2.rotate(image, turns[orientation]) if orientation in turns else np.ascontiguousarray(image)


def _decode(source: Path | str | bytes, *, grey: bool) -> Image:
    if isinstance(source, bytes):
        path, data = _ANONYMOUS, source
    else:
        path = Path(source)
        data = read_bytes(path)
    box = open_container(path, data)
    if box.format in _BY_CV2:
        return _by_cv2(path, data, box, grey=grey)
    if box.format == "HEIF":
        return _by_heif(path, data, grey=grey)
    return _by_pillow(path, data, grey=grey)


def _refuse(path: Path, found: str) -> InputError:
    return InputError(Fault(file=path, found=found, wanted="a whole, undamaged photo"))


def _by_cv2(path: Path, data: bytes, box: Container, *, grey: bool) -> Image:
    import cv2

    if box.cut_short or (box.format == "JPEG" and not _jpeg_ends(data)):
        # cv2 would paint the missing part grey and say so on standard error only
        raise _refuse(path, "a file that ends in the middle of the picture")
    flags = (cv2.IMREAD_GRAYSCALE if grey else cv2.IMREAD_COLOR) | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        image = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error as err:
        raise _refuse(path, f"a damaged file ({str(err).strip().splitlines()[-1]})") from None
    if image is None:
        raise _refuse(path, "a damaged file that the decoder refuses")
    return turn(np.asarray(image, np.uint8), exif_orientation(box.exif))


def _jpeg_ends(data: bytes) -> bool:
    """Is there an end-of-image marker after the last scan's start? Scan data cannot hold one by chance."""
    start = data.find(b"\xff\xda", _after_segments(data))
    return start >= 0 and data.find(b"\xff\xd9", start) >= 0


def _after_segments(data: bytes) -> int:
    """Offset of the first scan marker, past the application segments (a preview in them has scans of its own)."""
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF or data[at + 1] in (0xFF, 0x00, 0x01) or 0xD0 <= data[at + 1] <= 0xD8:
            at += 1
            continue
        if data[at + 1] == 0xDA:
            return at
        at += 2 + max(int.from_bytes(data[at + 2 : at + 4], "big"), 2)
    return len(data)


def _by_heif(path: Path, data: bytes, *, grey: bool) -> Image:
    image = open_heif(path, data)
    try:
        picture = image.to_pillow()
    except Exception as err:  # noqa: BLE001  libheif's binding raises whatever it likes
        raise _refuse(path, f"a damaged HEIF file ({err})") from None
    return _from_pillow(path, picture, grey=grey)


def _by_pillow(path: Path, data: bytes, *, grey: bool) -> Image:
    from PIL import ImageOps

    with open_pillow(path, data) as picture, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            picture.load()
            # TIFF comes turned from load() and has lost its tag by then, so this turns every format exactly once
            turned = ImageOps.exif_transpose(picture)
        except Exception as err:  # noqa: BLE001  Pillow's readers raise many kinds on damaged files
            raise _refuse(path, f"a damaged file ({err})") from None
        return _from_pillow(path, turned, grey=grey)


def _from_pillow(path: Path, picture: Any, *, grey: bool) -> Image:
    if picture.width * picture.height > MAX_PIXELS:
        raise _refuse(path, f"{picture.width} x {picture.height} pixels")
    if picture.mode.startswith("I;16"):
        levels = (np.asarray(picture) >> 8).astype(np.uint8)
    elif picture.mode == "I":
        levels = (np.clip(np.asarray(picture), 0, 65535) >> 8).astype(np.uint8)
    elif picture.mode == "F":
        raise _refuse(path, "a picture of floating point numbers, whose scale is not known")
    elif grey:
        levels = np.asarray(picture.convert("L"))
    else:
        return np.ascontiguousarray(np.asarray(picture.convert("RGB"))[..., ::-1])
    return np.ascontiguousarray(levels if grey else np.repeat(levels[..., None], 3, axis=2))
