"""The camera: interior orientation, projection, and its attitude in the local frame.

Frames. `enu`: east, north, up at the tower base, metres. `cam`: x right, y down, z along the optical axis. Pixels: x
right, y down, the upper-left pixel's centre at (0, 0), of the image as shown. Attitude: heading clockwise from true
north, pitch up positive, roll clockwise positive (the camera turned clockwise, as seen from behind it).

Every function here is analytic in its real inputs, so that a complex step (Squire & Trapp 1998, SIAM Review 40(1),
doi 10.1137/S003614459631241X) gives exact derivatives: no abs, no conjugation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from photoaz.angles import Array as Array
from photoaz.photo.record import PhotoRecord
from photoaz.quantities import PRINCIPAL_SHARE


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Interior orientation: a pinhole with radial distortion (k1, k2), x_d = x (1 + k1 r^2 + k2 r^4).

    f_px, cx_px, cy_px in pixels of the image as shown; the sigmas are standard uncertainties (f: relative to f).
    """

    width_px: int
    height_px: int
    f_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    f_relative_sigma: float = 0.0
    principal_sigma_px: float = 0.0
    aspect: float = 1.0
    source: str = ""


class Projection(Protocol):
    """What projecting needs of a camera: numbers, or arrays of many cameras that broadcast over the points."""

    @property
    def f_px(self) -> Array | float: ...
    @property
    def cx_px(self) -> Array | float: ...
    @property
    def cy_px(self) -> Array | float: ...
    @property
    def k1(self) -> Array | float: ...
    @property
    def k2(self) -> Array | float: ...
    @property
    def aspect(self) -> Array | float: ...


def rotation_cam_from_enu(heading_rad: Array | float, pitch_rad: Array | float, roll_rad: Array | float) -> Array:
    """Rotation taking ENU vectors into the camera frame, shape (..., 3, 3).

    Rows are the camera's right, down and forward axes in ENU. Angles broadcast against each other, radians.
    """
    h, p, r = np.broadcast_arrays(heading_rad, pitch_rad, roll_rad)
    sh, ch, sp, cp, sr, cr = np.sin(h), np.cos(h), np.sin(p), np.cos(p), np.sin(r), np.cos(r)
    out = np.empty((*sh.shape, 3, 3), sh.dtype)
    # level right (ch, -sh, 0) and level up (-sh sp, -ch sp, cp), turned by the roll; forward
    out[..., 0, 0], out[..., 0, 1], out[..., 0, 2] = ch * cr + sh * sp * sr, ch * sp * sr - sh * cr, -cp * sr
    out[..., 1, 0], out[..., 1, 1], out[..., 1, 2] = sh * sp * cr - ch * sr, ch * sp * cr + sh * sr, -cp * cr
    out[..., 2, 0], out[..., 2, 1], out[..., 2, 2] = sh * cp, ch * cp, sp
    return out


def pixels_from_normalised(camera: Projection, xy: Array, f_px: Array | float | None = None) -> Array:
    """Distort and scale normalised image coordinates (..., 2) = (x/z, y/z) to pixels (..., 2)."""
    f = camera.f_px if f_px is None else f_px
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    d = 1.0 + r2 * (camera.k1 + r2 * camera.k2)
    return np.stack([f * x * d + camera.cx_px, f * camera.aspect * y * d + camera.cy_px], -1)


def project(camera: Projection, points_in_cam: Array, f_px: Array | float | None = None) -> Array:
    """Project points (..., 3) in the camera frame [any length unit] to pixels (..., 2).

    Points must lie in front of the camera (z > 0): the caller checks; behind it the result means nothing.
    """
    return pixels_from_normalised(camera, points_in_cam[..., :2] / points_in_cam[..., 2:3], f_px)


def normalised_from_pixels(camera: Camera, px: Array, f_px: Array | float | None = None) -> Array:
    """Undistorted normalised coordinates (..., 2) of pixels (..., 2): the inverse of `pixels_from_normalised`."""
    f = camera.f_px if f_px is None else f_px
    xd = np.stack([(px[..., 0] - camera.cx_px) / f, (px[..., 1] - camera.cy_px) / (f * camera.aspect)], -1)
    x = xd
    if camera.k1 or camera.k2:
        for _ in range(20):  # a contraction for any distortion a photo lens has; 20 steps reach 1e-12
            r2 = x[..., 0] * x[..., 0] + x[..., 1] * x[..., 1]
            x = xd / (1.0 + r2 * (camera.k1 + r2 * camera.k2))[..., None]
    return x


def directions_from_pixels(camera: Camera, px: Array, f_px: Array | float | None = None) -> Array:
    """Unit vectors (..., 3) in the camera frame along the lines of sight of pixels (..., 2)."""
    xy = normalised_from_pixels(camera, px, f_px)
    x, y = xy[..., 0], xy[..., 1]
    length = np.sqrt(x * x + y * y + 1.0)
    return np.stack([x / length, y / length, 1.0 / length], -1)


def pitch_for(camera: Camera, px: Array, elevation_rad: float, roll_rad: float = 0.0) -> float:
    """Pitch [rad] at which the line of sight of a pixel (2,) rises by this elevation."""
    x, y = normalised_from_pixels(camera, px)
    x, y = x * np.cos(roll_rad) + y * np.sin(roll_rad), y * np.cos(roll_rad) - x * np.sin(roll_rad)
    sine = np.sqrt(1.0 + x * x + y * y) * np.sin(elevation_rad) / np.sqrt(1.0 + y * y)
    return float(np.arctan(y) + np.arcsin(np.clip(sine, -1.0, 1.0)))


def project_jacobian(camera: Camera, points_in_cam: Array) -> tuple[Array, Array]:
    """Derivatives of `project` at points (..., 3) in the camera frame.

    Returns by_point: (..., 2, 3), pixels per unit of length. by_f: (..., 2), pixels per pixel of focal length.
    """
    f = camera.f_px
    z = points_in_cam[..., 2]
    x, y = points_in_cam[..., 0] / z, points_in_cam[..., 1] / z
    r2 = x * x + y * y
    d = 1.0 + r2 * (camera.k1 + r2 * camera.k2)
    slope = 2.0 * (camera.k1 + 2.0 * r2 * camera.k2)  # d(d)/dx = slope x
    # columns of the 2x2 matrix by normalised coordinates, then the chain rule through x = X/Z, y = Y/Z
    u_x, u_y, v_y = f * (d + slope * x * x), f * slope * x * y, f * (d + slope * y * y)
    a = camera.aspect
    row_u = np.stack([u_x, u_y, -(u_x * x + u_y * y)], -1)
    row_v = np.stack([a * u_y, a * v_y, -a * (u_y * x + v_y * y)], -1)
    by_point = np.stack([row_u, row_v], -2) / z[..., None, None]
    by_f = np.stack([x * d, a * y * d], -1)
    return by_point, by_f


def camera_from_record(record: PhotoRecord) -> Camera | None:
    """The camera as far as a photo's metadata tell it; None where they tell no focal length.

    The optical axis is put in the middle of the picture, with a sigma of half a per cent of the width, or as wide as
    a crop makes it. Distortion is taken as zero: phones correct it before they store the picture.
    """
    if record.focal is None:
        return None
    return Camera(
        width_px=record.width_px,
        height_px=record.height_px,
        f_px=record.focal.f_px,
        cx_px=(record.width_px - 1) / 2.0,
        cy_px=(record.height_px - 1) / 2.0,
        f_relative_sigma=record.focal.relative_sigma,
        principal_sigma_px=math.hypot(PRINCIPAL_SHARE * record.width_px, record.principal_shift_px),
        source=record.focal.source,
    )


# ---- rotations -------------------------------------------------------------------------------------------------------


def los_from_cam(direction: Array) -> Array:
    """Rotation (..., 3, 3) taking camera vectors into the frame of a line of sight (unit, (..., 3)).

    Its z runs along the sight, its x is the camera's x made square to it.
    """
    u, v, w = direction[..., 0], direction[..., 1], direction[..., 2]
    a, b, c = 1.0 - u * u, 0.0 - v * u, 0.0 - w * u
    length = np.sqrt(a * a + b * b + c * c)
    a, b, c = a / length, b / length, c / length
    out = np.empty((*direction.shape, 3), direction.dtype)
    out[..., 0, 0], out[..., 0, 1], out[..., 0, 2] = a, b, c
    out[..., 1, 0], out[..., 1, 1], out[..., 1, 2] = v * c - w * b, w * a - u * c, u * b - v * a
    out[..., 2, :] = direction
    return out


def gibbs(rotation: Array) -> Array:
    """2 tan(angle / 2) times the axis, (..., 3): the rotation vector to second order, single-valued to 180 deg."""
    v = np.stack(
        [
            rotation[..., 2, 1] - rotation[..., 1, 2],
            rotation[..., 0, 2] - rotation[..., 2, 0],
            rotation[..., 1, 0] - rotation[..., 0, 1],
        ],
        -1,
    )
    trace = rotation[..., 0, 0] + rotation[..., 1, 1] + rotation[..., 2, 2]
    return np.asarray(2.0 * v / (1.0 + trace)[..., None])
