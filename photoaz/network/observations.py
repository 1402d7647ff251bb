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

from photoaz.photo.camera import Camera, project, rotation_cam_from_enu
from photoaz.photo.rotations import gibbs, los_from_cam
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


def _norm(v: Array) -> Array:
    out: Array = np.sqrt((v * v).sum(-1))
    return out


@dataclass(frozen=True, slots=True)
class Direct:
    """One unknown is known: (x - value) / sigma; wrapped where it is an angle."""

    source: str
    label: str
    index: Array
    value: float
    sigma: float
    angle: bool = False
    testable: bool = False

    def residual(self, x: Array) -> Array:
        d = x - self.value
        out: Array = (wrap(d) if self.angle else d) / self.sigma
        return out


@dataclass(frozen=True, slots=True)
class Directs:
    """Several unknowns are known: (x - value) / sigma, each (n,), or one sigma for all.

    A standpoint, an antenna's sizes, where it stands off the tower's axis.
    """

    source: str
    label: str
    index: Array
    value: Array
    sigma: Array | float
    testable: bool = False

    def residual(self, x: Array) -> Array:
        out: Array = (x - self.value) / self.sigma
        return out


def box_quantities(camera: Camera, x: Array) -> tuple[Array, Array, Array]:
    """What a photo of a box fixes, from the unknowns (..., 20) of photo, antenna and site.

    Returns the rotation (..., 3, 3) of the box in the frame of its line of sight, the pixel (..., 2) of its centre, and
    ln of its apparent sizes (..., 3): focal length in pixels times size over distance. These do not depend on the focal
    length to first order, whatever was assumed for it when the photo was measured.
    """
    h, p, r, ce, cn, cu, lf, px0, py0 = (x[..., k] for k in range(9))
    a, t, ro, ae, an, au = (x[..., k] for k in range(9, 15))
    sizes, se, sn = x[..., 15:18], x[..., 18], x[..., 19]
    cam_from_enu = rotation_cam_from_enu(h, p, r)
    delta = np.stack([ae + se - ce, an + sn - cn, au - cu], -1)
    sight = np.einsum("...ij,...j->...i", cam_from_enu, delta)
    distance = _norm(sight)
    f = camera.f_px * np.exp(lf)
    px = project(camera, sight, f) + np.stack([px0, py0], -1)
    rot = los_from_cam(sight / distance[..., None]) @ cam_from_enu @ rotation_enu_from_panel(a, t, ro)
    ln_size = sizes + (np.log(camera.f_px) + lf - np.log(distance))[..., None]
    return rot, px, ln_size


@dataclass(frozen=True, slots=True)
class Box:
    """An antenna's box as measured in a photo.

    rotation (3, 3), centre_px (2,), ln_size (3,): the fitted values of `box_quantities`. root (m, 8), offset (m,): the
    pixels' information about [rotation vector, centre, ln sizes] as whitened rows:
    residual = root @ difference - offset.
    """

    source: str
    label: str
    index: Array
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
class Known:
    """What all other observations say of some unknowns, as one quadratic: residual = root @ (x - at) - offset.

    angles: all of them are angles, whose differences are wrapped.
    """

    source: str
    label: str
    index: Array
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
