"""What the candidates of a photo measure, in angles about the direction to the tower."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.naming.facing import azimuth_likelihoods
from photoaz.naming.model import PhotoView
from photoaz.naming.mount import Mount
from photoaz.photo.camera import Camera, directions_from_pixels, normalised_from_pixels, rotation_cam_from_enu

Array = NDArray[Any]

#: corners of a finder: at least so many pixels, or this share of a panel's width (one standard uncertainty)
CORNER_SIGMA_PX = 0.8
CORNER_SIGMA_SHARE = 0.06
TYPICAL_WIDTH_M = 0.35
#: how well the median height of the panels seen tells the distance: they are not the same ones as in the register
SIZE_LN_SIGMA = 0.2
#: a pitch better than this [rad] says how high the panels stand over the camera
PITCH_SIGMA_RAD = float(np.radians(2.0))
#: distances that a photo of a tower is taken from [m]
DISTANCE_M = (5.0, 2000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """Candidates, n of them, measured with the camera's heading as north.

    distance_m: level, to the axis, ln_sigma its relative uncertainty; rise_m: of the antennas' mean centre over the
    camera; rise_follows: it is the elevation that is known, not the rise. axis_rad: azimuth off the optical axis that
    all else is measured from (the candidates' middle). across (n,): tan of the azimuth off it; over (n,): tan of the
    elevation; ln_height (n,), ln_extent (n,): ln of the body's height and of its width as seen, radians; their sigmas;
    yaw_rad (n,); likelihood (n, BINS, BINS) as `azimuth_likelihoods`; probability (n,).
    """

    camera: Camera
    pitch_rad: float
    roll_rad: float
    distance_m: float
    ln_sigma: float
    rise_m: float
    rise_follows: bool
    axis_rad: float
    across: Array
    over: Array
    ln_height: Array
    ln_height_sigma: Array
    ln_extent: Array
    ln_extent_sigma: Array
    yaw_rad: Array
    likelihood: Array
    probability: Array

    def level_from_cam(self) -> Array:
        """Rotation (3, 3) from the camera's frame to level axes: right, ahead, up, at heading 0."""
        out: Array = rotation_cam_from_enu(0.0, self.pitch_rad, self.roll_rad).T
        return out


def _pitch_for(camera: Camera, middle_px: Array, elevation_rad: float) -> float:
    """Pitch [rad] at which a pixel's line of sight rises by this elevation (roll neglected)."""
    x, y = normalised_from_pixels(camera, middle_px)
    length = np.sqrt(1.0 + x * x + y * y)
    s = np.clip(length * np.sin(elevation_rad) / np.sqrt(1.0 + y * y), -1.0, 1.0)
    return float(np.arctan(y) + np.arcsin(s))


def observe(photo: PhotoView, mount: Mount, site_sigma_m: float) -> Observed:
    """Measure a photo's candidates; the pitch and the distance, as far as nobody knows them, from them as well."""
    camera = photo.camera
    n = len(photo.candidates)
    corners = np.array([c.corners_px for c in photo.candidates], float).reshape(n, 8, 2)
    middle = np.median(corners.mean(1), axis=0) if n else np.array([camera.cx_px, camera.cy_px])
    sight = directions_from_pixels(camera, corners)
    centre = sight.mean(1)
    tall = np.linalg.norm(sight[:, [0, 1, 4, 5]].mean(1) - sight[:, [2, 3, 6, 7]].mean(1), axis=-1)
    tall = np.maximum(tall / np.linalg.norm(centre, axis=-1), 0.2 / camera.f_px)
    rise = float(mount.up_m.mean()) - photo.up_m
    rise_sigma = float(np.hypot(photo.up_sigma_m, 0.5))
    known_pitch = photo.pitch_rad is not None and photo.pitch_sigma_rad < PITCH_SIGMA_RAD
    ln_h = float(np.median(np.log(tall))) if n else 0.0
    ln_big = float(np.median(mount.ln_size[:, 1]))
    guesses: list[tuple[float, float]] = []  # ln of the distance, sigma
    if photo.east_north_m is not None:
        flat = max(float(np.hypot(*photo.east_north_m)), DISTANCE_M[0])
        guesses.append((np.log(flat), float(np.hypot(photo.east_north_sigma_m, site_sigma_m)) / flat))
    if known_pitch and photo.pitch_rad is not None:
        level = rotation_cam_from_enu(0.0, photo.pitch_rad, photo.roll_rad).T
        d = level @ directions_from_pixels(camera, middle)
        e = float(np.clip(np.arctan2(d[2], np.hypot(d[0], d[1])), np.radians(1.0), np.radians(85.0)))
        sigma = float(np.hypot(photo.pitch_sigma_rad / (np.sin(e) * np.cos(e)), rise_sigma / max(rise, 1.0)))
        guesses.append((np.log(max(rise, 1.0) / np.tan(e)), sigma))
        if n:
            guesses.append((ln_big + 2.0 * np.log(np.cos(e)) - ln_h, SIZE_LN_SIGMA))
    if not guesses and n:  # the further of the two distances at which a body high up looks that tall
        ratio = float(np.exp(ln_big - ln_h))
        guesses.append((np.log((ratio + np.sqrt(max(ratio**2 - 4.0 * rise**2, 0.0))) / 2.0), 0.35))
    if not guesses:
        guesses.append((np.log(50.0), 1.0))
    w = np.array([1.0 / s**2 for _, s in guesses])
    ln_d = float((w * [g for g, _ in guesses]).sum() / w.sum())
    variance = 1.0 / float(w.sum())
    if n and not known_pitch:
        # d ln(height seen) / d ln(distance) at a given rise, height = H D / (D^2 + rise^2)
        for _ in range(3):
            d2 = np.exp(2.0 * ln_d)
            slope = (rise**2 - d2) / (rise**2 + d2)
            off = ln_h - (ln_big + ln_d - np.log(d2 + rise**2))
            prior = float((w * [g for g, _ in guesses]).sum() / w.sum())
            info = float(w.sum()) + slope**2 / SIZE_LN_SIGMA**2
            step = (slope * off / SIZE_LN_SIGMA**2 + float(w.sum()) * (prior - ln_d)) / info
            ln_d += float(np.clip(step, -0.3, 0.3))
            variance = 1.0 / info
    distance = float(np.clip(np.exp(ln_d), *DISTANCE_M))
    elevation = float(np.arctan2(rise, distance))
    if known_pitch and photo.pitch_rad is not None:
        pitch = photo.pitch_rad
        rise = distance * float(np.tan(e))
    else:
        pitch = _pitch_for(camera, middle, elevation)
    level = rotation_cam_from_enu(0.0, pitch, photo.roll_rad).T
    flat_sight = centre @ level.T
    azimuth = np.arctan2(flat_sight[:, 0], flat_sight[:, 1])
    if n:
        axis = float(np.median(azimuth))
    else:
        ahead = level @ directions_from_pixels(camera, middle)
        axis = float(np.arctan2(ahead[0], ahead[1]))
    across = np.tan(np.clip(azimuth - axis, -1.4, 1.4))
    over = flat_sight[:, 2] / np.hypot(flat_sight[:, 0], flat_sight[:, 1])
    right = np.stack([np.cos(azimuth), -np.sin(azimuth), np.zeros(n)], -1)
    shown = np.einsum("nki,ni->nk", sight @ level.T, right)
    shown = (shown[:, [0, 1, 4, 5]] + shown[:, [3, 2, 7, 6]]) / 2.0  # upright edges; their ends' errors average
    extent = np.maximum(np.ptp(shown, axis=-1) if n else np.empty(0), 0.2 / camera.f_px)
    slant = float(np.hypot(distance, rise))
    corner = float(np.hypot(CORNER_SIGMA_PX / camera.f_px, CORNER_SIGMA_SHARE * TYPICAL_WIDTH_M / slant))
    return Observed(
        camera=camera,
        pitch_rad=pitch,
        roll_rad=photo.roll_rad,
        distance_m=distance,
        ln_sigma=float(np.sqrt(variance)),
        rise_m=rise,
        rise_follows=known_pitch,
        axis_rad=axis,
        across=across,
        over=over,
        ln_height=np.log(tall),
        ln_height_sigma=corner / tall,
        ln_extent=np.log(extent),
        ln_extent_sigma=corner / extent,
        yaw_rad=np.array([c.yaw_rad for c in photo.candidates], float),
        likelihood=azimuth_likelihoods(photo.candidates, azimuth - axis),
        probability=np.clip([c.probability for c in photo.candidates], 0.02, 0.98),
    )
