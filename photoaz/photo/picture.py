"""A photo's pixels, decoded when somebody wants to see them and not before."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Hashable
from pathlib import Path

import numpy as np

from photoaz.photo.container import read_bytes
from photoaz.photo.pixels import Image, Reduction, decode, decode_gray, grey_of, reduction_for

#: a larger photo's colours are decoded reduced: the finder looks at reduced pictures anyway, and memory stays bounded
LARGE_PX = 40_000_000
#: luminances that a darkroom holds at once, bytes
HELD_BYTES = 100_000_000


class Darkroom:
    """Holds the luminance of the photos used last, so that many photos need no more memory than few."""

    def __init__(self, most_bytes: int = HELD_BYTES) -> None:
        self._held: OrderedDict[Hashable, Image] = OrderedDict()
        self._most = most_bytes

    def keep(self, name: Hashable, grey: Image) -> None:
        """Hold one, the latest in any case."""
        self._held[name] = grey
        self._held.move_to_end(name)
        while len(self._held) > 1 and sum(g.nbytes for g in self._held.values()) > self._most:
            self._held.popitem(last=False)

    def find(self, name: Hashable) -> Image | None:
        """One that is still held."""
        if name in self._held:
            self._held.move_to_end(name)
        return self._held.get(name)


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
