"""Everything known, each an observation with a sigma and a named source.

An observation is a function of a few unknowns that returns residuals divided by their standard uncertainty
("whitened"). It accepts a batch of states and complex numbers: the adjustment differentiates it by complex steps. What
a photo shows beside antennas that tells where it looked stands in `heading_aids.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from photoaz.photo.camera import Camera, Projection, gibbs, los_from_cam, project, rotation_cam_from_enu
from photoaz.vision.box import rotation_enu_from_panel
from photoaz.vision.verticals import Verticals

Array = NDArray[Any]


class Observation(Protocol):
    """What the adjustment needs of an observation.

    source: the name under which the error budget lists it. label: what a reader sees if it is found to be wrong.
    index (n,): the unknowns it depends on. residual: (..., n) -> (..., m), whitened, analytic.
    testable: may be left out by the blunder test when it contradicts the rest.
    """

    @property
    def source(self) -> str: ...

    @property
    def label(self) -> str: ...

    @property
    def testable(self) -> bool: ...

    @property
    def index(self) -> Array: ...

    def residual(self, x: Array) -> Array: ...


def wrap(angle_rad: Array) -> Array:
    """Wrap to [-pi, pi] by the real part, so that a complex step passes through: residuals keep their own, leaner than
    `angles.wrap_rad`, as they are computed some thousand times for a site."""
    out: Array = angle_rad - 2 * np.pi * np.round(np.real(angle_rad) / (2 * np.pi))
    return out


def arctan2(y: Array, x: Array) -> Array:
    """atan2 [rad] of (...), which lets a complex step pass: d atan2 = (x dy - y dx) / (x^2 + y^2)."""
    base: Array = np.arctan2(np.real(y), np.real(x))
    if np.iscomplexobj(y) or np.iscomplexobj(x):
        yr, xr = np.real(y), np.real(x)
        base = base + 1j * (xr * np.imag(y) - yr * np.imag(x)) / (xr * xr + yr * yr)
    return base


@dataclass(frozen=True, slots=True)
class _Labelled:
    source: str
    label: str
    index: Array


@dataclass(frozen=True, slots=True)
class Direct(_Labelled):
    """One unknown is known: (x - value) / sigma; wrapped where it is an angle."""

    value: float
    sigma: float
    angle: bool = False
    testable: bool = False

    def residual(self, x: Array) -> Array:
        d = x - self.value
        out: Array = (wrap(d) if self.angle else d) / self.sigma
        return out


@dataclass(frozen=True, slots=True)
class Directs(_Labelled):
    """Several unknowns are known: (x - value) / sigma, each (n,), or one sigma for all.

    A standpoint, an antenna's sizes, where it stands off the tower's axis.
    """

    value: Array
    sigma: Array | float
    testable: bool = False

    def residual(self, x: Array) -> Array:
        out: Array = (x - self.value) / self.sigma
        return out


#: what a box's rotation, place and distance depend on: heading, pitch, roll, the way from camera to antenna (3), ln of
#: the focal length, azimuth, downtilt, roll
N_CORE = 10


def core_of(x: Array) -> Array:
    """These (..., N_CORE) of a box's unknowns (..., 20): of photo (9), antenna (9) and site (2)."""
    way = x[..., 12:15] - x[..., 3:6]
    way = np.concatenate([way[..., :2] + x[..., 18:20], way[..., 2:]], -1)
    return np.concatenate([x[..., :3], way, x[..., 6:7], x[..., 9:12]], -1)


def box_quantities(camera: Projection, x: Array, core: Array | None = None) -> tuple[Array, Array, Array]:
    """What a photo of a box fixes, from the unknowns (..., 20) of photo, antenna and site.

    core: in place of their own, as of `core_of`.

    Returns the rotation (..., 3, 3) of the box in the frame of its line of sight, the pixel (..., 2) of its centre, and
    ln of its apparent sizes (..., 3): focal length in pixels times size over distance. These do not depend on the focal
    length to first order, whatever was assumed for it when the photo was measured.
    """
    q = core_of(x) if core is None else core
    cam_from_enu = rotation_cam_from_enu(q[..., 0], q[..., 1], q[..., 2])
    sight = (cam_from_enu @ q[..., 3:6, None])[..., 0]
    distance = np.sqrt((sight * sight).sum(-1))
    px = project(camera, sight, camera.f_px * np.exp(q[..., 6])) + x[..., 7:9]
    panel = rotation_enu_from_panel(q[..., 7], q[..., 8], q[..., 9])
    rot: Array = los_from_cam(sight / distance[..., None]) @ (cam_from_enu @ panel)
    ln_size = x[..., 15:18] + (np.log(camera.f_px) + q[..., 6] - np.log(distance))[..., None]
    return rot, px, ln_size


@dataclass(frozen=True, slots=True)
class Box(_Labelled):
    """An antenna's box as measured in a photo.

    rotation (3, 3), centre_px (2,), ln_size (3,): the fitted values of `box_quantities`. root (m, 8), offset (m,): the
    pixels' information about [rotation vector, centre, ln sizes] as whitened rows:
    residual = root @ difference - offset.
    """

    camera: Camera
    rotation: Array
    centre_px: Array
    ln_size: Array
    root: Array
    offset: Array
    testable: bool = True

    def residual(self, x: Array) -> Array:
        rot, px, ln_size = box_quantities(self.camera, x)
        turn = gibbs(rot @ self.rotation.T)
        d = np.concatenate([turn, px - self.centre_px, ln_size - self.ln_size], -1)
        out: Array = np.einsum("ij,...j->...i", self.root, d) - self.offset
        return out


@dataclass(frozen=True, slots=True)
class Known(_Labelled):
    """What all other observations say of some unknowns, as one quadratic: residual = root @ (x - at) - offset.

    angles: all of them are angles, whose differences are wrapped.
    """

    at: Array
    root: Array
    offset: Array
    testable: bool = False
    angles: bool = False

    def residual(self, x: Array) -> Array:
        d = wrap(x - self.at) if self.angles else x - self.at
        out: Array = np.einsum("ij,...j->...i", self.root, d) - self.offset
        return out


#: the photo's unknowns that upright lines depend on
PLUMB_FIELDS = ("pitch", "roll", "ln_focal", "principal_x", "principal_y")


def plumb(label: str, index: Array, verticals: Verticals) -> Known:
    """What upright lines seen in a photo say of its PLUMB_FIELDS, whose indices (5,) are given."""
    at = np.append(verticals.mean, np.zeros(3))
    return Known("verticals in the photo", label, index, at, verticals.root, verticals.offset, testable=True)
