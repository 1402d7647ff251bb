"""The unknowns of a site and where each stands in the one vector of the adjustment."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

#: per photo: attitude [rad], standpoint in ENU [m], ln of the focal length over its nominal value, principal point [px]
PHOTO = ("heading", "pitch", "roll", "east", "north", "up", "ln_focal", "principal_x", "principal_y")
#: per antenna: azimuth, downtilt, roll [rad], centre in ENU from the tower's axis [m], ln of the sizes over 1 m
ANTENNA = ("azimuth", "downtilt", "roll", "east", "north", "up", "ln_width", "ln_height", "ln_depth")
#: per site: where the tower's axis is, from the register's position [m]
SITE = ("east", "north")
#: per landmark: position in ENU [m]
LANDMARK = ("east", "north", "up")
#: per stand, from which photos were taken moments apart: its place in ENU [m], the errors that their fixes [m] and
#: compasses [rad] have in common
STAND = ("east", "north", "up", "fix_east", "fix_north", "compass")


@dataclass(frozen=True, slots=True)
class Layout:
    """Places of every unknown: photos, then antennas, then the site, then landmarks, then stands, each by name."""

    photos: tuple[str, ...]
    antennas: tuple[str, ...]
    landmarks: tuple[str, ...] = ()
    stands: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        return (
            len(PHOTO) * len(self.photos)
            + len(ANTENNA) * len(self.antennas)
            + len(SITE)
            + len(LANDMARK) * len(self.landmarks)
            + len(STAND) * len(self.stands)
        )

    def photo(self, name: str, *fields: str) -> Array:
        """Indices of a photo's unknowns: those named, or all of PHOTO."""
        return _pick(len(PHOTO) * self.photos.index(name), PHOTO, fields)

    def antenna(self, name: str, *fields: str) -> Array:
        start = len(PHOTO) * len(self.photos) + len(ANTENNA) * self.antennas.index(name)
        return _pick(start, ANTENNA, fields)

    def site(self, *fields: str) -> Array:
        return _pick(len(PHOTO) * len(self.photos) + len(ANTENNA) * len(self.antennas), SITE, fields)

    def landmark(self, name: str, *fields: str) -> Array:
        start = len(PHOTO) * len(self.photos) + len(ANTENNA) * len(self.antennas) + len(SITE)
        return _pick(start + len(LANDMARK) * self.landmarks.index(name), LANDMARK, fields)

    def stand(self, name: str, *fields: str) -> Array:
        start = self.size - len(STAND) * len(self.stands)
        return _pick(start + len(STAND) * self.stands.index(name), STAND, fields)


def _pick(start: int, names: tuple[str, ...], fields: Iterable[str]) -> Array:
    wanted = tuple(fields) or names
    return np.array([start + names.index(f) for f in wanted])
