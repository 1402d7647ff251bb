"""What looking for the sun is made of: where it should be, the photo reduced, and angles about lines of sight.

All shapes are judged in angles about the line of sight, not in pixels: away from the optical axis a pinhole draws a
disc as an ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from photoaz.angles import wrap_rad
from photoaz.photo.camera import Array, Camera, directions_from_pixels, project, rotation_cam_from_enu

DEG = float(np.radians(1.0))
#: the longer side of the reduced picture that is searched, pixels
SEARCH_PX = 700
#: grey level that counts as burnt out (JPEG ringing takes a few levels off 255)
BURNT = 249
#: the search goes this many sigmas about the predicted place, and never less than so far
REACH_SIGMAS, LEAST_REACH_RAD = 3.5, 1.5 * DEG
#: lens distortion that nobody corrected, and the eye of the fit: standard uncertainty of any centre
FLOOR_RAD = 0.04 * DEG


@dataclass(frozen=True, slots=True, kw_only=True)
class SunGuess:
    """Where the sun should be in a photo.

    azimuth_rad, elevation_rad: its direction, from true north and as seen, with refraction. attitude_rad,
    attitude_sigma_rad (3,): the camera's heading, pitch and roll with standard uncertainties; a heading of which nobody
    knows anything has a sigma of pi.
    """

    azimuth_rad: float
    elevation_rad: float
    attitude_rad: Array
    attitude_sigma_rad: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class SunSpot:
    """The sun seen: its centre (2,) in pixels, standard uncertainty in each direction, and as what it shows.

    'disc': burnt out, with an edge that was fitted. 'glow': only the light about it; the centre may be hidden or lie
    beyond the border. radius_rad: of the burnt-out core, or of the glow's fall to 1/e or 1/2.
    """

    pixel: Array
    sigma_px: float
    what: Literal["disc", "glow"]
    radius_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NoSun:
    """Why no sun was told, in words that follow 'sun not found: '. elsewhere: a sun seen where none was expected."""

    reason: str
    elsewhere: SunSpot | None = None


def reach_of(camera: Camera, guess: SunGuess, off_axis_rad: float = 0.0) -> tuple[float, float]:
    """How far from its predicted direction the sun may appear: in azimuth (on the horizon's scale) and in elevation."""
    h, p, r = (float(v) for v in guess.attitude_sigma_rad)
    scale = min(camera.f_relative_sigma, 0.3) * np.tan(min(off_axis_rad, 1.2)) + 0.002
    steep = np.tan(min(abs(guess.elevation_rad), 1.5))
    across = REACH_SIGMAS * float(np.hypot(h, np.hypot(r * steep, scale / np.cos(min(guess.elevation_rad, 1.5)))))
    up = REACH_SIGMAS * float(np.hypot(np.hypot(p, r * np.sin(min(off_axis_rad, 1.5))), scale))
    least = LEAST_REACH_RAD / np.cos(min(guess.elevation_rad, 1.4))
    return min(max(across, least), float(np.pi)), max(up, LEAST_REACH_RAD)


def departure(camera: Camera, guess: SunGuess, direction_cam: Array) -> tuple[Array, Array, Array]:
    """By how much lines of sight (..., 3) lie off the predicted sun: azimuth, elevation [rad], and off-axis angle."""
    enu = direction_cam @ rotation_cam_from_enu(*guess.attitude_rad)
    azimuth = np.arctan2(enu[..., 0], enu[..., 1]) - guess.azimuth_rad
    azimuth = np.asarray(wrap_rad(azimuth))
    off = np.arccos(np.clip(direction_cam[..., 2], -1.0, 1.0))
    return azimuth, np.arcsin(np.clip(enu[..., 2], -1, 1)) - guess.elevation_rad, off


def within_reach(camera: Camera, guess: SunGuess, px: Array, across_rad: float, up_rad: float) -> Array:
    """Whether the sun may be at pixels (..., 2), so much farther off in azimuth and in elevation than expected."""
    azimuth, elevation, off = departure(camera, guess, directions_from_pixels(camera, px))
    across, up = reach_of(camera, guess, float(off.max()))
    return np.asarray((np.abs(azimuth) < across + across_rad) & (np.abs(elevation) < up + up_rad))


def is_expected(camera: Camera, guess: SunGuess, spot: SunSpot) -> bool:
    """Whether a sun seen lies where it should, twice its own uncertainty aside."""
    own = 2.0 * spot.sigma_px / camera.f_px
    return bool(within_reach(camera, guess, spot.pixel, own / level_share(guess), own))


def level_share(guess: SunGuess) -> float:
    """What an angle at the sun's elevation is of one in azimuth."""
    return float(np.cos(min(guess.elevation_rad, 1.4)))


@dataclass(frozen=True, slots=True)
class ReducedPhoto:
    """The reduced picture (float32 levels), the camera of the whole one, pixels of it per reduced pixel (2,).

    late_px (2,): by how many of them the reduced picture lies too far to the lower right.
    """

    levels: Array
    camera: Camera
    per_px: Array
    late_px: Array

    @classmethod
    def of(cls, image: Array, camera: Camera) -> ReducedPhoto:
        h, w = image.shape[:2]
        k = max(1, round(max(h, w) / SEARCH_PX))
        size = (max(w // k, 1), max(h // k, 1))
        skip = 2 if k >= 4 else 1  # every other row tells as much, in half the time
        small = image if k == 1 else cv2.resize(image[::skip], size, interpolation=cv2.INTER_AREA)
        sh, sw = small.shape[:2]
        levels = cv2.GaussianBlur(small, (3, 3), 0.6).astype(np.float32)
        return cls(levels, camera, np.array([w / sw, h / sh]), np.array([0.0, 0.5 * (skip - 1)]))

    def reduced(self, px: Array) -> Array:
        """Pixels of the whole picture to those of the reduced one."""
        return np.asarray((px + 0.5 + self.late_px) / self.per_px - 0.5)

    def whole(self, px: Array) -> Array:
        return np.asarray((px + 0.5) * self.per_px - 0.5 - self.late_px)

    def sample(self, directions: Array) -> Array:
        """Levels (...,) along lines of sight (..., 3); NaN beyond the frame."""
        z = np.where(directions[..., 2] > 0.05, directions[..., 2], np.nan)
        px = self.reduced(project(self.camera, np.concatenate([directions[..., :2], z[..., None]], -1)))
        h, w = self.levels.shape
        x, y = px[..., 0], px[..., 1]
        ok = (x > 0) & (y > 0) & (x < w - 1) & (y < h - 1)
        flat = np.nan_to_num(px, nan=-9.0).astype(np.float32).reshape(1, -1, 2)
        out = cv2.remap(self.levels, flat[..., 0].copy(), flat[..., 1].copy(), cv2.INTER_LINEAR).reshape(x.shape)
        return np.where(ok, out, np.nan)


def _basis(sight: Array) -> Array:
    """Rows: two directions square to a line of sight (3,) and each other."""
    a = np.cross([0.0, 1.0, 0.0] if abs(sight[1]) < 0.9 else [1.0, 0.0, 0.0], sight)
    a /= np.linalg.norm(a)
    return np.stack([a, np.cross(sight, a)])


def about(sight: Array, xy: Array) -> Array:
    """Lines of sight (..., 3) at angles xy (..., 2) [rad] from one (3,): polar, so that circles stay circles."""
    rho = np.hypot(xy[..., 0], xy[..., 1])
    side = (xy @ _basis(sight)) * np.sinc(rho / np.pi)[..., None]
    return np.asarray(np.cos(rho)[..., None] * sight + side)


def spot_at(
    view: ReducedPhoto, sight: Array, sigma_rad: float, what: Literal["disc", "glow"], radius: float
) -> SunSpot:
    """A sun along a line of sight (3,), in pixels; off the axis an angle covers 1 / cos^2 as many of them outwards."""
    stretch = 1.0 / float(sight[2]) ** 2
    return SunSpot(
        pixel=project(view.camera, sight),
        sigma_px=sigma_rad * view.camera.f_px * stretch,
        what=what,
        radius_rad=radius,
    )


def widest_gap(ok: Array) -> float:
    """The widest run of rays (N,) that are not ok, as a share of the whole turn."""
    at = np.flatnonzero(ok)
    return float(np.diff(np.append(at, at[0] + len(ok))).max() / len(ok))
