"""Pixels of a photo as shown: 8 bits a channel, upright, orientation applied exactly once.

Who turns what differs from reader to reader: cv2 turns JPEG, PNG and WebP unless told not to, and TIFF even when told
not to; Pillow turns TIFF only; libheif turns HEIC and leaves the tag as it was. So the reader is chosen by format and
each is handled for what it does.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from photoaz.errors import InputError
from photoaz.memory import Shelf
from photoaz.photo.container import (
    MAX_PIXELS,
    Container,
    jpeg_segments,
    open_container,
    open_heif,
    open_pillow,
    read_bytes,
    unreadable,
)
from photoaz.photo.exif import orientation_of, read_tags

Image = NDArray[np.uint8]

_BY_CV2 = ("JPEG", "PNG", "WEBP")
#: Small pictures are made so that the shorter side keeps at least this many pixels
SMALL_SIDE_PX = 64
#: Rows of the small picture that are averaged at a time
_BAND_ROWS = 64

Reduction = Literal[1, 2, 4, 8]


def decode(source: Path | str | bytes, *, reduced: Reduction = 1, digest: str | None = None) -> Image:
    """Decode a photo, as shown.

    source : a path, or the file's bytes. reduced : 2, 4 or 8: each side smaller by this, rounded up; every pixel the
    mean of a block. Its pixel x lies at reduced x + (reduced - 1) / 2 of the whole picture; where a side is no multiple
    of it, up to reduced - 1 pixels off that. A JPEG is then never decoded in full. digest : SHA-256, hexadecimal, that
    the file's bytes must have.

    Returns (height, width, 3) uint8, channels blue, green, red. 16-bit images lose their low byte, transparency is
    dropped, grey is repeated.

    Raises InputError: not an image, damaged, cut short, or more than MAX_PIXELS. LostPhotoError: with a digest: another
    content, or a file that cannot be read any more. MemoryError.
    """
    return _pixels(*_opened(source, digest), grey=False, reduced=reduced)


def decode_gray(source: Path | str | bytes, *, reduced: Reduction = 1, digest: str | None = None) -> Image:
    """Decode to luminance, as shown: (height, width) uint8. Arguments and errors as `decode`.

    Of a JPEG only the luminance is decoded: a third of the memory.
    """
    return _pixels(*_opened(source, digest), grey=True, reduced=reduced)


def decode_small(source: Path | str | bytes) -> Image:
    """Luminance (height, width) uint8 of a photo made small: an eighth each side, less of a small picture.

    For whatever needs a glance only: a 12-megapixel JPEG takes a tenth of the time. Raises as `decode`.
    """
    path, data, box = _opened(source)
    side = min(box.width_px, box.height_px)
    steps: tuple[Reduction, ...] = (8, 4, 2)
    reduced: Reduction = next((n for n in steps if side >= n * SMALL_SIDE_PX), 1)
    return _pixels(path, data, box, grey=True, reduced=reduced)


def reduction_for(width_px: int, height_px: int, most_px: int) -> Reduction:
    """The least reduction after which a picture has at most `most_px` pixels; 8 where none does."""
    steps: tuple[Reduction, ...] = (1, 2, 4)
    return next((n for n in steps if -(-width_px // n) * -(-height_px // n) <= most_px), 8)


def grey_of(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Luminance (H, W) of a picture (H, W, 3) BGR, uint8: what `decode_gray` gives, to a level or two."""
    import cv2

    return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), np.uint8)


def turn(image: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Turn a stored image (height, width, ...) so that it shows upright; orientation as Exif, 1 to 8.

    Orientation names where the stored row 0 and column 0 belong: 6, for one, is row 0 at the right, column 0 on top.
    """
    import cv2  # four times faster at this than NumPy's strided copies

    flips, half = {2: 1, 4: 0}, cv2.ROTATE_180
    turns = {3: half, 6: cv2.ROTATE_90_CLOCKWISE, 7: half, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    if orientation in (5, 7):
        image = cv2.transpose(image)
    if orientation in flips:
        return cv2.flip(image, flips[orientation])
    return cv2.rotate(image, turns[orientation]) if orientation in turns else np.ascontiguousarray(image)


def _opened(source: Path | str | bytes, digest: str | None = None) -> tuple[Path, bytes, Container]:
    path = Path("image") if isinstance(source, bytes) else Path(source)
    data = source if isinstance(source, bytes) else read_bytes(path, digest)
    return path, data, open_container(path, data)


def _pixels(path: Path, data: bytes, box: Container, *, grey: bool, reduced: Reduction) -> Image:
    if reduced not in (1, 2, 4, 8):
        raise ValueError(f"pictures are reduced by 1, 2, 4 or 8, not by {reduced}")
    if box.format in _BY_CV2:
        return _by_cv2(path, data, box, grey=grey, reduced=reduced)
    if box.format == "HEIF":
        return _by_heif(path, data, grey=grey, reduced=reduced)
    levels = _by_pillow(path, data, grey=grey, reduced=reduced)
    # Pillow knows no Exif of JPEG 2000; the other formats it has turned
    return turn(levels, orientation_of(read_tags(box.exif)[0])) if box.format == "JPEG2000" else levels


def _averaged(image: Image, n: int) -> Image:
    """Means of blocks of n by n pixels, the last ones filled up with their edges; in bands, to save memory."""
    if n == 1:
        return image
    import cv2

    height, width = image.shape[:2]
    out = np.empty((-(-height // n), -(-width // n), *image.shape[2:]), np.uint8)
    for top in range(0, len(out), _BAND_ROWS):
        rows = out[top : top + _BAND_ROWS]
        band = image[top * n : (top + len(rows)) * n]
        below, right = len(rows) * n - band.shape[0], out.shape[1] * n - width
        if below or right:
            band = np.asarray(cv2.copyMakeBorder(band, 0, below, 0, right, cv2.BORDER_REPLICATE), np.uint8)
        rows[:] = cv2.resize(band, (out.shape[1], len(rows)), interpolation=cv2.INTER_AREA)
    return out


def _refuse(path: Path, found: str) -> InputError:
    return unreadable(path, found, "a whole, undamaged photo")


def _by_cv2(path: Path, data: bytes, box: Container, *, grey: bool, reduced: Reduction) -> Image:
    import cv2

    if box.cut_short or (box.format == "JPEG" and not _jpeg_ends(data)):
        # cv2 would paint the missing part grey and say so on standard error only
        raise _refuse(path, "a file that ends in the middle of the picture")
    # only a JPEG can be decoded smaller; of other formats cv2 would take single pixels of the whole, without averaging
    scaled = {
        1: cv2.IMREAD_GRAYSCALE if grey else cv2.IMREAD_COLOR,
        2: cv2.IMREAD_REDUCED_GRAYSCALE_2 if grey else cv2.IMREAD_REDUCED_COLOR_2,
        4: cv2.IMREAD_REDUCED_GRAYSCALE_4 if grey else cv2.IMREAD_REDUCED_COLOR_4,
        8: cv2.IMREAD_REDUCED_GRAYSCALE_8 if grey else cv2.IMREAD_REDUCED_COLOR_8,
    }
    flags = scaled[reduced if box.format == "JPEG" else 1] | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        image = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error as err:
        if err.code == cv2.Error.StsNoMem:
            raise MemoryError(str(err)) from None
        raise _refuse(path, f"a damaged file ({str(err).strip().splitlines()[-1]})") from None
    if image is None:
        raise _refuse(path, "a damaged file that the decoder refuses")
    levels = np.asarray(image, np.uint8)
    return turn(levels if box.format == "JPEG" else _averaged(levels, reduced), orientation_of(read_tags(box.exif)[0]))


def _jpeg_ends(data: bytes) -> bool:
    """Is there an end-of-image marker after the first scan's start? Scan data cannot hold one by chance.

    The first scan comes after the application segments, a preview in which has scans of its own.
    """
    start = next((at for marker, at, _ in jpeg_segments(data) if marker == 0xDA), len(data))
    return data.find(b"\xff\xd9", start) >= 0


def _by_heif(path: Path, data: bytes, *, grey: bool, reduced: Reduction) -> Image:
    import cv2

    image = open_heif(path, data)
    try:
        if image.mode == "RGB":  # nearly all of them; by way of Pillow the picture would lie in memory twice more
            levels = _averaged(np.asarray(image), reduced)
            return np.asarray(cv2.cvtColor(levels, cv2.COLOR_RGB2GRAY if grey else cv2.COLOR_RGB2BGR), np.uint8)
        picture = image.to_pillow()
    except MemoryError:
        raise
    except Exception as err:  # noqa: BLE001  libheif's binding raises whatever it likes
        raise _refuse(path, f"a damaged HEIF file ({err})") from None
    return _from_pillow(path, picture, grey=grey, reduced=reduced)


def _by_pillow(path: Path, data: bytes, *, grey: bool, reduced: Reduction) -> Image:
    from PIL import ImageOps

    with open_pillow(path, data) as picture, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            picture.load()
            # TIFF comes turned from load() and has lost its tag by then, so this turns every format exactly once
            turned = ImageOps.exif_transpose(picture)
        except MemoryError:
            raise
        except Exception as err:  # noqa: BLE001  Pillow's readers raise many kinds on damaged files
            raise _refuse(path, f"a damaged file ({err})") from None
        return _from_pillow(path, turned, grey=grey, reduced=reduced)


def _from_pillow(path: Path, picture: Any, *, grey: bool, reduced: Reduction) -> Image:
    if picture.width * picture.height > MAX_PIXELS:
        raise _refuse(path, f"{picture.width} x {picture.height} pixels")
    if reduced > 1 and picture.mode in ("L", "RGB"):
        picture = picture.reduce(reduced)
        reduced = 1
    return _averaged(_levels(path, picture, grey=grey), reduced)


def _levels(path: Path, picture: Any, *, grey: bool) -> Image:
    if picture.mode.startswith("I;16"):
        levels = (np.asarray(picture) >> 8).astype(np.uint8)
    elif picture.mode == "I":
        levels = (np.clip(np.asarray(picture), 0, 65535) >> 8).astype(np.uint8)
    elif picture.mode == "F":
        raise _refuse(path, "a picture of floating point numbers, whose scale is not known")
    elif grey:
        # Pillow turns LAB into colours, and not at once into grey
        levels = np.asarray((picture.convert("RGB") if picture.mode == "LAB" else picture).convert("L"))
    else:
        return np.ascontiguousarray(np.asarray(picture.convert("RGB"))[..., ::-1])
    return np.ascontiguousarray(levels if grey else np.repeat(levels[..., None], 3, axis=2))


# ---- on demand -------------------------------------------------------------------------------------------------------


#: a larger photo's colours are decoded reduced: the finder looks at reduced pictures anyway, and memory stays bounded
LARGE_PX = 40_000_000
#: luminances that a darkroom holds at once, and parts of others, bytes
HELD_BYTES, PARTS_BYTES = 45_000_000, 45_000_000
#: part of a frame: x0, y0, x1, y1 (exclusive), whole pixels
BoxPx = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a photo's luminance, sliced as the whole (`shape`) is. beyond: gives the whole, for all else."""

    shape: tuple[int, ...]
    box_px: BoxPx
    levels: Image
    beyond: Callable[[], Image]

    def __getitem__(self, at: tuple[slice, slice]) -> Image:
        rows, columns = at
        x0, y0, x1, y1 = self.box_px
        if y0 <= rows.start and rows.stop <= y1 and x0 <= columns.start and columns.stop <= x1:
            return self.levels[rows.start - y0 : rows.stop - y0, columns.start - x0 : columns.stop - x0]
        return self.beyond()[at]


class Darkroom(Shelf[Image]):
    """Holds the luminance of the photos used last, so that many photos need no more memory than few.

    parts: of photos used before them, what was said to be needed again: shape of the whole, the part's place, and it.
    """

    def __init__(self, most_bytes: int = HELD_BYTES) -> None:
        super().__init__(most_bytes, lambda grey: grey.nbytes)
        self.parts: Shelf[tuple[tuple[int, ...], BoxPx, Image]] = Shelf(PARTS_BYTES, lambda part: part[2].nbytes)


class Picture:
    """One photo's pixels as shown. The same photo gives the same pixels whatever was asked for before.

    size_px: width and height as shown, as its record has them. digest: of the file when it was read; its pixels are
    those of that content, or there are none.
    """

    def __init__(self, path: Path, size_px: tuple[int, int], room: Darkroom, digest: str | None = None) -> None:
        self.path = path
        self._size_px = size_px
        self._room = room
        self._digest = digest

    @property
    def digest(self) -> str:
        """SHA-256 of the file, hexadecimal. Raises InputError where it cannot be read."""
        if self._digest is None:
            self._digest = hashlib.sha256(read_bytes(self.path)).hexdigest()
        return self._digest

    @property
    def inputs(self) -> tuple[str, ...]:
        """What its pixels depend on."""
        return (self.digest,)

    def shrink(self) -> Reduction:
        """The whole factor by which `colour` is reduced: 1, 2, 4 or 8."""
        return reduction_for(*self._size_px, LARGE_PX)

    def colour(self) -> Image:
        """(H, W, 3) uint8, blue, green, red, reduced by `shrink`; its luminance stays at hand. Raises as `decode`."""
        shrink, digest = self.shrink(), self._digest
        image = decode(self.path, reduced=shrink, digest=digest)
        if shrink == 1:
            self._room.keep((self.path, digest), grey_of(image))
        return image

    def grey(self) -> Image:
        """Luminance (H, W) uint8 in full resolution. Raises as `decode`."""
        digest = self._digest
        held = self._room.find((self.path, digest))
        if held is not None:
            return held
        # decoded to luminance at once, values differ by a level from those by way of the colours: never mix the two
        large = self.shrink() > 1
        grey = decode_gray(self.path, digest=digest) if large else grey_of(decode(self.path, digest=digest))
        self._room.keep((self.path, digest), grey)
        return np.asarray(grey)

    def need(self, box_px: BoxPx) -> None:
        """Have a part of the luminance at hand for `sliced` longer than the whole, if that is at hand now."""
        name = self.path, self._digest
        if (whole := self._room.find(name)) is not None:
            x0, y0, x1, y1 = box_px
            self._room.parts.keep(name, (whole.shape, box_px, whole[y0:y1, x0:x1].copy()))

    def sliced(self) -> Image | Part:
        """As `grey`, for who slices parts out of it: decoded only where they are not at hand. Raises as `decode`."""
        name = self.path, self._digest
        part = None if self._room.find(name) is not None else self._room.parts.find(name)
        return self.grey() if part is None else Part(*part, self.grey)
