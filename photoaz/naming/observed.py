"""What the candidates of a photo measure, in angles about the direction to the tower."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.angles import Array
from photoaz.naming.facing import azimuth_likelihoods
from photoaz.naming.model import KnownPhoto
from photoaz.naming.mount import Mount
from photoaz.photo.camera import Camera, directions_from_pixels, pitch_for, rotation_cam_from_enu
from photoaz.quantities import UNLISTED_LIKE_LISTED_SHARE, UNLISTED_LN_SIZES, UNLISTED_MORE, UNLISTED_REGION_M
from photoaz.vision.finder import PanelCandidate

#: false boxes lie anywhere in this part of the tower's head [m], with sizes within these ranges (ln)
FALSE_REGION_M, FALSE_LN_SIZES = (8.0, 6.0), (2.0, 2.0)
#: corners of a finder: at least so many pixels, or this share of a panel's width (one standard uncertainty)
CORNER_SIGMA_PX = 0.8
CORNER_SIGMA_SHARE = 0.06
TYPICAL_WIDTH_M = 0.35
#: how well the median height of the panels seen tells the distance: they are not the same ones as in the register
MEDIAN_HEIGHT_LN_SIGMA = 0.2
#: the same with nothing else known, where a body so tall may stand at two distances
BLIND_DISTANCE_LN_SIGMA = 0.35
#: what a mount's mean height may be off the panels' that are seen [m]
MEAN_HEIGHT_SIGMA_M = 0.5
#: a pitch better than this [rad] says how high the panels stand over the camera
PITCH_SIGMA_RAD = float(np.radians(2.0))
#: distances that a photo of a tower is taken from [m]
DISTANCE_M = (5.0, 2000.0)


def cost_of_none(probability: Array, *, unlisted: bool) -> Array:
    """Cost (n,) of candidates that are none of the register's: minus ln of the density of such a one found there.

    probability (n,): that it is a panel at all. unlisted: panels that the register lacks hang there as well; of them
    those that are like none that it lists.
    """
    density = (1.0 - probability) / probability / np.prod([*FALSE_REGION_M, *FALSE_LN_SIZES])
    if unlisted:
        unlike = UNLISTED_MORE * (1.0 - UNLISTED_LIKE_LISTED_SHARE)
        density = density + unlike / np.prod([*UNLISTED_REGION_M, *UNLISTED_LN_SIZES])
    return -np.asarray(np.log(density))


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedPanels:
    """The n candidates of a photo, measured with the camera's heading as north.

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
        return np.asarray(rotation_cam_from_enu(0.0, self.pitch_rad, self.roll_rad).T)


def _elevation(photo: KnownPhoto, pitch_rad: float, pixel: Array) -> float:
    """How steeply [rad] a pixel's line of sight rises."""
    d = rotation_cam_from_enu(0.0, pitch_rad, photo.roll_rad).T @ directions_from_pixels(photo.camera, pixel)
    return float(np.clip(np.arctan2(d[2], np.hypot(d[0], d[1])), np.radians(1.0), np.radians(85.0)))


def _ln_distance(
    photo: KnownPhoto,
    site_sigma_m: float,
    rise_m: float,
    elevation_rad: float | None,
    ln_tall: float | None,
    ln_size: float,
) -> tuple[float, float]:
    """ln of the level distance [m] and its variance: by standpoint, by the elevation, by how tall the panels look.

    elevation_rad : of the panels, where the pitch is known well. ln_tall : ln of the angle that they fill in height,
    None without candidates; ln_size : ln of their height [m].
    """
    guesses: list[tuple[float, float]] = []  # ln of the distance, sigma
    if photo.standpoint is not None:
        flat = max(float(np.hypot(*photo.standpoint[0])), DISTANCE_M[0])
        guesses.append((np.log(flat), float(np.hypot(photo.standpoint[1], site_sigma_m)) / flat))
    if elevation_rad is not None and ln_tall is not None:
        e, high = elevation_rad, max(rise_m, 1.0)
        rise_sigma = float(np.hypot(photo.height[1], MEAN_HEIGHT_SIGMA_M))
        sigma = float(np.hypot(photo.pitches[0].sigma_rad / (np.sin(e) * np.cos(e)), rise_sigma / high))
        guesses.append((np.log(high / np.tan(e)), sigma))
        guesses.append((ln_size + 2.0 * np.log(np.cos(e)) - ln_tall, MEDIAN_HEIGHT_LN_SIGMA))
    if not guesses and ln_tall is not None:  # the further of the two distances at which a body high up looks that tall
        ratio = float(np.exp(ln_size - ln_tall))
        far = (ratio + np.sqrt(max(ratio**2 - 4.0 * rise_m**2, 0.0))) / 2.0
        guesses.append((np.log(far), BLIND_DISTANCE_LN_SIGMA))
    if not guesses:
        guesses.append((np.log(50.0), 1.0))
    w = np.array([1.0 / s**2 for _, s in guesses])
    prior, weight = float((w * [g for g, _ in guesses]).sum() / w.sum()), float(w.sum())
    ln_d, variance = prior, 1.0 / weight
    if ln_tall is not None and elevation_rad is None:
        # d ln(height seen) / d ln(distance) at a given rise, height = H D / (D^2 + rise^2)
        for _ in range(3):
            d2 = np.exp(2.0 * ln_d)
            slope = (rise_m**2 - d2) / (rise_m**2 + d2)
            off = ln_tall - (ln_size + ln_d - np.log(d2 + rise_m**2))
            info = weight + slope**2 / MEDIAN_HEIGHT_LN_SIGMA**2
            step = (slope * off / MEDIAN_HEIGHT_LN_SIGMA**2 + weight * (prior - ln_d)) / info
            ln_d += float(np.clip(step, -0.3, 0.3))
            variance = 1.0 / info
    return ln_d, variance


def observe(
    photo: KnownPhoto, candidates: Sequence[PanelCandidate], mount: Mount, site_sigma_m: float
) -> ObservedPanels:
    """Measure a photo's candidates; the pitch and the distance, as far as nobody knows them, from them as well."""
    camera, n = photo.camera, len(candidates)
    corners = np.array([c.corners_px for c in candidates], float).reshape(n, 8, 2)
    middle = np.median(corners.mean(1), axis=0) if n else np.array([camera.cx_px, camera.cy_px])
    sight = directions_from_pixels(camera, corners)
    centre = sight.mean(1)
    tall = np.linalg.norm(sight[:, [0, 1, 4, 5]].mean(1) - sight[:, [2, 3, 6, 7]].mean(1), axis=-1)
    tall = np.maximum(tall / np.linalg.norm(centre, axis=-1), 0.2 / camera.f_px)
    rise = float(mount.up_m.mean()) - photo.height[0]
    # without candidates the pitch tells nothing of how high they stand
    pitch = photo.pitches[0].value_rad if n and photo.pitches and photo.pitches[0].sigma_rad < PITCH_SIGMA_RAD else None
    # with neighbours nobody knows yet whose head is seen: it tells nothing of this one's distance
    telling = n > 0 and (mount.apart_m == 0.0 or photo.standpoint is None)
    elevation = None if pitch is None or not telling else _elevation(photo, pitch, middle)
    ln_tall = float(np.median(np.log(tall))) if telling else None
    ln_size = float(np.median(mount.ln_size[:, 1]))
    ln_distance, variance = _ln_distance(photo, site_sigma_m, rise, elevation, ln_tall, ln_size)
    distance = float(np.clip(np.exp(ln_distance), *DISTANCE_M))
    if pitch is not None and elevation is not None:
        rise = distance * float(np.tan(elevation))
    elif pitch is None:
        pitch = pitch_for(camera, middle, float(np.arctan2(rise, distance)))
    level = rotation_cam_from_enu(0.0, pitch, photo.roll_rad).T
    flat_sight = centre @ level.T
    azimuth = np.arctan2(flat_sight[:, 0], flat_sight[:, 1])
    axis = float(np.median(azimuth)) if n else 0.0
    right = np.stack([np.cos(azimuth), -np.sin(azimuth), np.zeros(n)], -1)
    shown = np.einsum("nki,ni->nk", sight @ level.T, right)
    shown = (shown[:, [0, 1, 4, 5]] + shown[:, [3, 2, 7, 6]]) / 2.0  # upright edges; their ends' errors average
    extent = np.maximum(np.ptp(shown, axis=-1) if n else np.empty(0), 0.2 / camera.f_px)
    corner = CORNER_SIGMA_SHARE * TYPICAL_WIDTH_M / float(np.hypot(distance, rise))
    corner = float(np.hypot(CORNER_SIGMA_PX / camera.f_px, corner))
    return ObservedPanels(
        camera=camera,
        pitch_rad=pitch,
        roll_rad=photo.roll_rad,
        distance_m=distance,
        ln_sigma=float(np.sqrt(variance)),
        rise_m=rise,
        rise_follows=elevation is not None,
        axis_rad=axis,
        across=np.tan(np.clip(azimuth - axis, -1.4, 1.4)),
        over=flat_sight[:, 2] / np.hypot(flat_sight[:, 0], flat_sight[:, 1]),
        ln_height=np.log(tall),
        ln_height_sigma=corner / tall,
        ln_extent=np.log(extent),
        ln_extent_sigma=corner / extent,
        yaw_rad=np.array([c.yaw_rad for c in candidates], float),
        likelihood=azimuth_likelihoods(candidates, azimuth - axis),
        probability=np.clip([c.probability for c in candidates], 0.02, 0.98),
    )
