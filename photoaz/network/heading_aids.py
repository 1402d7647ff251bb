"""What a photo shows that tells where it looked: landmarks, known bearings, the sun, shadows.

A new heading aid is one more class here, and a function in estimate/controls.py that makes it of what people give. The
budget, the blunder test, the alternatives, forecast and reliability follow by themselves.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from photoaz.network.observations import Directs, arctan2, wrap
from photoaz.network.parameters import Layout
from photoaz.photo.camera import Camera, directions_from_pixels, project, rotation_cam_from_enu

Array = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingAid(ABC):
    """Something seen in a photo. name: what people call it. source: the name under which the error budget lists it."""

    source: ClassVar[str]
    name: str

    @property
    def label(self) -> str:
        """What a reader sees if it contradicts the rest."""
        return self.name

    def unknowns(self, photo: str, layout: Layout) -> Array:
        """Places of the unknowns that it depends on: the photo's nine (PHOTO), unless it has some of its own."""
        return layout.photo(photo)

    @abstractmethod
    def residual(self, camera: Camera, x: Array) -> Array:
        """Whitened residuals (..., m) at its unknowns (..., n), analytic; camera: the photo's."""


@dataclass(frozen=True, slots=True)
class AidObservation:
    """A heading aid in a photo as an observation: its camera, and where its unknowns stand in the layout."""

    aid: HeadingAid
    camera: Camera
    label: str
    index: Array
    testable: bool = True

    @property
    def source(self) -> str:
        """The aid's."""
        return self.aid.source

    def residual(self, x: Array) -> Array:
        """Whitened residuals (..., m) at its unknowns (..., n)."""
        return self.aid.residual(self.camera, x)


def observed(aid: HeadingAid, photo: str, camera: Camera, layout: Layout) -> AidObservation:
    """The observation that a heading aid makes in a photo of a laid-out site."""
    return AidObservation(aid, camera, f"{aid.label} in {photo}", aid.unknowns(photo, layout))


def line_of_sight(camera: Camera, pixel: Array, x: Array) -> Array:
    """Line of sight (..., 3) of a pixel in ENU, from a photo's unknowns (..., 9)."""
    cam_from_enu = rotation_cam_from_enu(x[..., 0], x[..., 1], x[..., 2])
    d = directions_from_pixels(camera, pixel - x[..., 7:9], camera.f_px * np.exp(x[..., 6]))
    out: Array = np.einsum("...ji,...j->...i", cam_from_enu, d)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkPixel(HeadingAid):
    """A landmark at a pixel (2,), and where it is said to be: ENU position (3,) [m] from the tower's base.

    sigma_m, height_sigma_m: of that position, along each axis. sigma_px: of the pixel. Its position is unknown too, one
    for all photos that show it: the unknowns are the photo's (9) and the landmark's (3).
    """

    source: ClassVar[str] = "landmark"
    pixel: Array
    enu_m: Array
    sigma_m: float
    height_sigma_m: float
    sigma_px: float = 1.5

    @property
    def label(self) -> str:
        """'landmark church'."""
        return f"landmark {self.name}"

    def unknowns(self, photo: str, layout: Layout) -> Array:
        """The photo's and the landmark's."""
        return np.concatenate([layout.photo(photo), layout.landmark(self.name)])

    def position(self, index: Array, label: str = "", *, testable: bool = False) -> Directs:
        """The observation of where it is said to be; index (3,): of the landmark's unknowns."""
        sigma = np.array([self.sigma_m, self.sigma_m, self.height_sigma_m])
        return Directs(self.source, label, index, self.enu_m, sigma, testable)

    def residual(self, camera: Camera, x: Array) -> Array:
        """Off the pixel, (..., 2)."""
        cam_from_enu = rotation_cam_from_enu(x[..., 0], x[..., 1], x[..., 2])
        sight = np.einsum("...ij,...j->...i", cam_from_enu, x[..., 9:12] - x[..., 3:6])
        px = project(camera, sight, camera.f_px * np.exp(x[..., 6])) + x[..., 7:9]
        out: Array = (px - self.pixel) / self.sigma_px
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelBearing(HeadingAid):
    """A pixel (2,) whose line of sight has a known true azimuth."""

    source: ClassVar[str] = "known bearing"
    pixel: Array
    azimuth_rad: float
    sigma_rad: float

    @property
    def label(self) -> str:
        """'bearing gable'."""
        return f"bearing {self.name}"

    def residual(self, camera: Camera, x: Array) -> Array:
        """Off the azimuth, (..., 1)."""
        enu = line_of_sight(camera, self.pixel, x)
        return wrap(arctan2(enu[..., 0], enu[..., 1]) - self.azimuth_rad)[..., None] / self.sigma_rad


@dataclass(frozen=True, slots=True, kw_only=True)
class SunPixel(HeadingAid):
    """The sun at a pixel (2,): azimuth and elevation of its line of sight are known.

    covariance (2, 2): of azimuth times cos(elevation) and of elevation [rad^2], pixel and direction together. As both
    coordinates count, a wrong moment shows as a contradiction to the pitch even where nothing else tells the heading.
    """

    source: ClassVar[str] = "sun"
    name: str = "sun"
    pixel: Array
    azimuth_rad: float
    elevation_rad: float
    covariance: Array

    @property
    def label(self) -> str:
        """'the sun'."""
        return f"the {self.name}"

    @property
    def root(self) -> Array:
        """What whitens the departures (2, 2)."""
        out: Array = np.linalg.inv(np.linalg.cholesky(self.covariance))
        return out

    def residual(self, camera: Camera, x: Array) -> Array:
        """Off the direction, (..., 2)."""
        enu = line_of_sight(camera, self.pixel, x)
        azimuth = arctan2(enu[..., 0], enu[..., 1])
        level = np.sqrt(enu[..., 0] ** 2 + enu[..., 1] ** 2)
        d = np.stack(
            [
                wrap(azimuth - self.azimuth_rad) * np.cos(self.elevation_rad),
                arctan2(enu[..., 2], level) - self.elevation_rad,
            ],
            -1,
        )
        out: Array = np.einsum("ij,...j->...i", self.root, d)
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Shadow(HeadingAid):
    """A shadow on level ground, from the pixel of the foot of something plumb to that of its tip; azimuth_rad: the
    direction in which it falls, away from the sun.

    With lines of sight a (foot) and b (tip), both below the horizon, and the ground h below the camera, the ground
    points are h a / -a_up and h b / -b_up from it. Their difference times a_up b_up / h, which is positive, is
    a b_up - b a_up in plan: its direction depends neither on h nor on a division that the horizon could spoil.
    """

    source: ClassVar[str] = "shadow"
    foot_px: Array
    tip_px: Array
    azimuth_rad: float
    sigma_rad: float

    def residual(self, camera: Camera, x: Array) -> Array:
        """Off the azimuth, (..., 1)."""
        a, b = line_of_sight(camera, self.foot_px, x), line_of_sight(camera, self.tip_px, x)
        along = a[..., :2] * b[..., 2:] - b[..., :2] * a[..., 2:]
        return wrap(arctan2(along[..., 0], along[..., 1]) - self.azimuth_rad)[..., None] / self.sigma_rad
