"""Photos cut into tiles, so that a large one is looked at smoothly to its single pixels.

Level 0 has the photo's own pixels; each next one is half as large a side, its pixels the means of blocks. So pixel x of
level k lies at 2^k x + (2^k - 1) / 2 of the photo.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from photoaz.errors import PhotoazError
from photoaz.memory import Shelf
from photoaz.photo.pixels import Darkroom, Image, Reduction, decode

TILE_PX = 512
QUALITY = 90
#: decoded levels that are held at once, bytes; one photo's in any case
HELD_BYTES = 600_000_000
#: encoded tiles that are held at once, bytes
TILES_BYTES = 100_000_000


class NothingThereError(PhotoazError):
    """No such site or tile, or no such photo here."""


@dataclass(frozen=True, slots=True)
class Size:
    """Of a photo as shown."""

    width_px: int
    height_px: int

    def levels(self) -> int:
        """How many there are: the last one is a single tile."""
        n = 1
        while max(self.at(n - 1)) > TILE_PX:
            n += 1
        return n

    def at(self, level: int) -> tuple[int, int]:
        """Width and height of a level."""
        return -(-self.width_px >> level), -(-self.height_px >> level)

    def has(self, level: int, x: int, y: int) -> bool:
        """Whether there is such a tile."""
        if not 0 <= level < self.levels():
            return False
        width, height = self.at(level)
        return 0 <= x * TILE_PX < width and 0 <= y * TILE_PX < height


class Tiles:
    """Makes tiles and holds what was used last. Usable from several threads.

    most_bytes : of decoded pictures held.
    """

    def __init__(self, most_bytes: int = HELD_BYTES) -> None:
        self._levels = Darkroom(most_bytes)
        self._tiles: Shelf[bytes] = Shelf(TILES_BYTES, len)
        self._lock = threading.Lock()
        self._decoding: dict[tuple[str, int], threading.Lock] = {}

    def tile(self, digest: str, size: Size, level: int, x: int, y: int, path: Callable[[], Path]) -> bytes:
        """A tile as JPEG. digest: what the photo is known by. path: where its file lies, asked only if needed.

        Raises NothingThereError where there is no such tile, InputError where the photo cannot be decoded.
        """
        if not size.has(level, x, y):
            raise NothingThereError("no such tile of it")
        key = (digest, level, x, y)
        made = self._tiles.find(key)
        if made is None:
            image = self._level(digest, level, path)
            made = _jpeg(image[y * TILE_PX : (y + 1) * TILE_PX, x * TILE_PX : (x + 1) * TILE_PX])
            self._tiles.keep(key, made)
        return made

    def _level(self, digest: str, level: int, path: Callable[[], Path]) -> Image:
        key = (digest, min(level, 3))
        with self._lock:
            own = self._decoding.setdefault(key, threading.Lock())
        with own:  # who comes while it is decoded waits for it
            image = self._levels.find((digest, level))
            if image is None:
                image = self._made(digest, level, path)
                self._levels.keep((digest, level), image)
        return image

    def _made(self, digest: str, level: int, path: Callable[[], Path]) -> Image:
        if level > 3:
            base = self._levels.find((digest, 3))
            if base is None:
                base = decode(path(), reduced=8)
                self._levels.keep((digest, 3), base)
            for _ in range(level - 3):
                base = _halved(base)
            return base
        reduced: tuple[Reduction, ...] = (1, 2, 4, 8)
        return decode(path(), reduced=reduced[level])


def _halved(image: Image) -> Image:
    """Means of blocks of two by two, the last ones filled up with their edges."""
    import cv2

    height, width = image.shape[:2]
    padded = cv2.copyMakeBorder(image, 0, height % 2, 0, width % 2, cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(padded, (-(-width // 2), -(-height // 2)), interpolation=cv2.INTER_AREA), np.uint8)


def _jpeg(image: Any) -> bytes:
    import cv2

    done, data = cv2.imencode(".jpg", np.ascontiguousarray(image), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise RuntimeError("a tile could not be encoded")
    return data.tobytes()
