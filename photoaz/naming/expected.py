"""Where in the frame something is expected, by what is known before the pixels are looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from photoaz.angles import Angle, Array, wrap_rad
from photoaz.naming.model import AntennaPriors, KnownPhoto
from photoaz.photo.camera import Camera, project, rotation_cam_from_enu
from photoaz.quantities import COMPASS_DISTURBED_RAD, COMPASS_DISTURBED_SHARE
from photoaz.vision.head_locator import HeadGuess


def place_in_frame(
    camera: Camera,
    heading: Angle | None,
    pitch: Angle | None,
    bearing: tuple[float, float],
    elevation: tuple[float, float],
    roll_rad: float = 0.0,
) -> tuple[Array, Array] | None:
    """Pixel (2,) of what lies in a direction, and its sigma (2,); None behind the camera.

    bearing, elevation : of the direction, each a value and its sigma [rad]. Without a heading any column is as likely,
    without a pitch any row: the sigma is the frame's width, or height, then.
    """
    turn = 0.0 if heading is None else float(wrap_rad(bearing[0] - heading.value_rad))
    level = np.cos(elevation[0])
    towards = np.array([np.sin(turn) * level, np.cos(turn) * level, np.sin(elevation[0])])
    seen = rotation_cam_from_enu(0.0, elevation[0] if pitch is None else pitch.value_rad, roll_rad) @ towards
    if float(seen[2]) < 0.2:
        return None
    across = camera.width_px if heading is None else camera.f_px * np.hypot(heading.sigma_rad, bearing[1])
    along = camera.height_px if pitch is None else camera.f_px * np.hypot(pitch.sigma_rad, elevation[1])
    return np.asarray(project(camera, seen)), np.array([across, along])


def with_disturbance(heading: Angle) -> Angle:
    """A heading as one normal distribution: a compass that may be disturbed has its mixture's variance."""
    if not heading.is_compass:
        return heading
    share, sigma = heading.doubted(COMPASS_DISTURBED_SHARE, COMPASS_DISTURBED_RAD)
    return replace(heading, sigma_rad=float(np.sqrt((1.0 - share) * heading.sigma_rad**2 + share * sigma**2)))


def head_guess(photo: KnownPhoto, antennas: Sequence[AntennaPriors], site_sigma_m: float) -> HeadGuess:
    """Where the head should be in a photo, from the register and the metadata."""
    ups = np.array([a.up_m for a in antennas])
    camera_up, camera_sigma = photo.height
    middle_up = 0.5 * float(ups.min() + ups.max()) - camera_up
    distance, ln_sigma, place = None, 1.0, None
    if photo.standpoint is not None:
        east_north, sigma = photo.standpoint
        flat = max(float(np.hypot(*east_north)), 2.0)
        distance = float(np.hypot(flat, middle_up))
        along = float(np.hypot(sigma, site_sigma_m))
        slant_sigma = float(np.hypot(along * flat, camera_sigma * middle_up)) / distance**2
        ln_sigma = float(np.hypot(slant_sigma, photo.camera.f_relative_sigma))
        if photo.headings or photo.pitches:
            heading, pitch = (some[0] if some else None for some in (photo.headings, photo.pitches))
            bearing = float(np.arctan2(-east_north[0], -east_north[1])), along / flat
            sigma_up = float(np.hypot(along * middle_up, camera_sigma * flat)) / distance**2
            elevation = float(np.arctan2(middle_up, flat)), sigma_up
            place = place_in_frame(photo.camera, heading, pitch, bearing, elevation)
    return HeadGuess(
        distance_m=distance,
        ln_distance_sigma=ln_sigma,
        width_m=float(np.exp(np.median([a.ln_size[0] for a in antennas]))),
        height_m=float(np.exp(max(a.ln_size[1] for a in antennas))),
        rise_m=float(np.ptp(ups)),
        pixel=None if place is None else place[0],
        pixel_sigma=None if place is None else place[1],
    )
