"""Frames, panel axes and the camera, written apart from the photoaz package so that the truth does not lean on it.

East, north, up (ENU) metres at the tower's base; azimuths clockwise from true north; pixels with the centre of the
upper-left pixel at (0, 0), x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

WGS84_A_M = 6378137.0
WGS84_F = 1 / 298.257223563


def ecef(lat_deg: float, lon_deg: float, height_m: float) -> Array:
    """Earth-centred coordinates [m] of a geodetic position (closed form)."""
    lat, lon = np.radians(lat_deg), np.radians(lon_deg)
    e2 = WGS84_F * (2 - WGS84_F)
    n = WGS84_A_M / np.sqrt(1 - e2 * np.sin(lat) ** 2)
    return np.array(
        [
            (n + height_m) * np.cos(lat) * np.cos(lon),
            (n + height_m) * np.cos(lat) * np.sin(lon),
            (n * (1 - e2) + height_m) * np.sin(lat),
        ]
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A local ENU frame: its origin on the WGS84 ellipsoid."""

    lat_deg: float
    lon_deg: float
    height_m: float

    def _rotation(self) -> Array:
        """Rows: east, north, up in earth-centred axes."""
        lat, lon = np.radians(self.lat_deg), np.radians(self.lon_deg)
        s, c, sl, cl = np.sin(lat), np.cos(lat), np.sin(lon), np.cos(lon)
        return np.array([[-sl, cl, 0.0], [-s * cl, -s * sl, c], [c * cl, c * sl, s]])

    def geodetic(self, enu_m: Array) -> tuple[float, float, float]:
        """Latitude, longitude [deg] and ellipsoidal height [m] of an ENU point, by iteration to below a micrometre."""
        x, y, z = ecef(self.lat_deg, self.lon_deg, self.height_m) + self._rotation().T @ np.asarray(enu_m, float)
        e2 = WGS84_F * (2 - WGS84_F)
        p = float(np.hypot(x, y))
        lat, height = float(np.arctan2(z, p * (1 - e2))), 0.0
        for _ in range(10):
            n = WGS84_A_M / np.sqrt(1 - e2 * np.sin(lat) ** 2)
            height = p / np.cos(lat) - n
            lat = float(np.arctan2(z, p * (1 - e2 * n / (n + height))))
        return float(np.degrees(lat)), float(np.degrees(np.arctan2(y, x))), float(height)

    def enu(self, lat_deg: float, lon_deg: float, height_m: float) -> Array:
        """ENU [m] of a geodetic position."""
        out: Array = self._rotation() @ (
            ecef(lat_deg, lon_deg, height_m) - ecef(self.lat_deg, self.lon_deg, self.height_m)
        )
        return out


def outward(azimuth_deg: float) -> Array:
    """Level unit vector (3,) towards an azimuth."""
    a = np.radians(azimuth_deg)
    return np.array([np.sin(a), np.cos(a), 0.0])


def panel_axes(azimuth_deg: float, downtilt_deg: float, roll_deg: float) -> tuple[Array, Array, Array]:
    """Right, up and outward normal of a panel in ENU, right and clockwise as seen by somebody looking at its front.

    The downtilt turns the front down about the level axis; the roll then turns the panel in the plane of its face.
    """
    level = outward(azimuth_deg)
    sky = np.array([0.0, 0.0, 1.0])
    t, r = np.radians(downtilt_deg), np.radians(roll_deg)
    normal = np.cos(t) * level - np.sin(t) * sky
    up0 = np.sin(t) * level + np.cos(t) * sky
    right0 = np.cross(-normal, up0)
    up = np.cos(r) * up0 + np.sin(r) * right0
    right = np.cos(r) * right0 - np.sin(r) * up0
    return right, up, normal


def box_corners(centre_m: Array, size_whd_m: Array, axes: tuple[Array, Array, Array]) -> Array:
    """Corners (8, 3) of the box round a panel: the front's upper left, upper right, lower right, lower left as seen by

    somebody looking at the front, then the back's in the same order (left and right still those of the front's viewer).
    """
    right, up, normal = axes
    w, h, d = np.asarray(size_whd_m, float) / 2
    return np.array(
        [
            centre_m + sx * w * right + sy * h * up + sz * d * normal
            for sz in (1, -1)
            for sx, sy in ((-1, 1), (1, 1), (1, -1), (-1, -1))
        ]
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueCamera:
    """A photo's true standpoint, attitude and interior orientation: x_d = x (1 + k1 r^2), one focal length."""

    width_px: int
    height_px: int
    f_px: float
    cx_px: float
    cy_px: float
    k1: float
    position_enu_m: tuple[float, float, float]
    heading_deg: float
    pitch_deg: float
    roll_deg: float

    def axes(self) -> tuple[Array, Array, Array]:
        """Right, up and forward in ENU. Roll clockwise positive, as seen from behind the camera."""
        h, p, r = np.radians([self.heading_deg, self.pitch_deg, self.roll_deg])
        forward = np.array([np.sin(h) * np.cos(p), np.cos(h) * np.cos(p), np.sin(p)])
        right0 = np.array([np.cos(h), -np.sin(h), 0.0])
        up0 = np.cross(right0, forward)
        right = np.cos(r) * right0 - np.sin(r) * up0
        up = np.cos(r) * up0 + np.sin(r) * right0
        return right, up, forward

    def project(self, points_enu_m: Array) -> Array:
        """Pixels (N, 2) of points (N, 3); NaN for points behind the camera."""
        right, up, forward = self.axes()
        v = np.atleast_2d(points_enu_m) - np.array(self.position_enu_m)
        z = v @ forward
        z = np.where(z > 0, z, np.nan)
        x, y = (v @ right) / z, -(v @ up) / z
        s = 1 + self.k1 * (x * x + y * y)
        return np.stack([self.f_px * x * s + self.cx_px, self.f_px * y * s + self.cy_px], -1)

    def inside(self, pixels: Array, margin_px: float = 0.0) -> Array:
        """Which pixels (N, 2) lie in the frame, `margin_px` from its border at least."""
        x, y = pixels[..., 0], pixels[..., 1]
        return (
            (x > margin_px)
            & (y > margin_px)
            & (x < self.width_px - 1 - margin_px)
            & (y < self.height_px - 1 - margin_px)
        )
