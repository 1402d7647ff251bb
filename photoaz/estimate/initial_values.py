"""What an adjustment starts from: standpoint, attitude and focal length as far as the antennas in a photo tell them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from photoaz.angles import Angle, Array
from photoaz.estimate.panels import PanelToMeasure, PhotoPanels
from photoaz.estimate.statements import GatheredPhoto, UnusablePhotoError
from photoaz.naming.model import AntennaPriors, KnownPhoto
from photoaz.photo.camera import (
    Camera,
    directions_from_pixels,
    pitch_for,
    rotation_cam_from_enu,
)
from photoaz.quantities import RADIUS_95, UNSURE_FOCAL_SHARE
from photoaz.register.model import Site


def start_heading(
    known: KnownPhoto,
    panels: PhotoPanels,
    camera: Camera,
    tilt: tuple[float, float],
    to_measure: Sequence[PanelToMeasure],
    antennas: Mapping[str, AntennaPriors],
    east_north: Array,
) -> tuple[float, float]:
    """Heading [rad] to start from and its standard uncertainty: pi where a compass or nothing tells it.

    Where the head is in the frame and where the tower stands tell it better than many a compass.
    """
    said = known.headings[:1]
    if said and not said[0].is_compass:
        return said[0].value_rad, said[0].sigma_rad
    if panels.naming is not None and panels.naming.heading_rad is not None:
        return panels.naming.heading_rad, np.pi
    return _heading_from_baseline(camera, *tilt, to_measure, antennas, east_north), np.pi


def tall_px(panel: PanelToMeasure) -> float:
    """Height in the picture of what is known of a panel."""
    if panel.corners_px is None:
        return 50.0
    return float(np.hypot(*(panel.corners_px[:2].mean(0) - panel.corners_px[2:].mean(0))))


def focal_from_size(
    camera: Camera, to_measure: Sequence[PanelToMeasure], antennas: Mapping[str, AntennaPriors], place: Array
) -> tuple[Camera, float]:
    """A camera of hardly known focal length, made one that shows the antennas as tall as they are.

    place (3,): where the camera stood, east, north, up [m].

    Returns it and ln of the metadata's focal length over the new one: the network still weighs what the metadata said.
    """
    if camera.f_relative_sigma < UNSURE_FOCAL_SHARE:
        return camera, 0.0
    found = []
    for panel in to_measure:
        if panel.corners_px is not None:
            a = antennas[panel.antenna_id]
            tall = tall_px(panel)
            flat = float(np.hypot(*(a.east_north_m - place[:2])))
            # a plumb body of height H at a distance flat / cos(e) is seen under H cos(e) of it
            cos_e = flat / float(np.hypot(flat, a.up_m - place[2]))
            found.append(np.log(tall * flat / cos_e**2) - a.ln_size[1])
    if not found:
        return camera, 0.0
    f = float(np.exp(np.median(found)))
    return replace(camera, f_px=f), float(np.log(camera.f_px / f))


def standpoint_from_size(
    photo: GatheredPhoto, known: KnownPhoto, to_measure: Sequence[PanelToMeasure], antennas: Mapping[str, AntennaPriors]
) -> tuple[Array, float, str]:
    """Where the camera stood if nobody says: as far out as the antennas look small, against the heading.

    Raises UnusablePhotoError where there is no heading, or no antenna's size in the picture.
    """
    if not known.headings:
        raise UnusablePhotoError("neither a position nor a heading: nothing says where the camera stood or looked")
    heading_rad = known.headings[0].value_rad
    for panel in to_measure:
        if panel.corners_px is not None:
            tall = tall_px(panel)
            a = antennas[panel.antenna_id]
            distance = photo.camera.f_px * float(np.exp(a.ln_size[1])) / max(tall, 1.0)
            flat = float(np.sqrt(max(distance**2 - a.up_m**2, (0.3 * distance) ** 2)))
            back = -flat * np.array([np.sin(heading_rad), np.cos(heading_rad)])
            return back, 0.25 * flat, "standpoint guessed from the antenna's size"
    raise UnusablePhotoError("no position, and no antenna's corners that would tell the distance")


def start_pitch(
    photo: GatheredPhoto,
    to_measure: Sequence[PanelToMeasure],
    antennas: Mapping[str, AntennaPriors],
    place: Array,
    spread_m: tuple[float, float],
    site: Site,
    pitches: tuple[Angle, ...],
) -> tuple[float, float]:
    """Pitch [rad] and its sigma: as the camera says, together with the elevation that the register implies.

    place (3,): where the camera stood, east, north, up [m]; spread_m: its sigma per level axis, and up.
    """
    values, weights = [], []
    for panel in to_measure:
        a = antennas[panel.antenna_id]
        flat = float(np.hypot(*(a.east_north_m - place[:2])))
        rise = a.up_m - place[2]
        values.append(pitch_for(photo.camera, panel.middle_px, np.arctan2(rise, flat)))
        along = np.hypot(spread_m[0], site.position_u95_m / RADIUS_95)
        weights.append(float(np.hypot(along * rise, spread_m[1] * flat) / (flat**2 + rise**2)))
    sigma = max(min(weights), np.radians(0.3))
    value = float(np.mean(values))
    for p in pitches[:1]:
        w1, w2 = 1 / sigma**2, 1 / p.sigma_rad**2
        value, sigma = (value * w1 + p.value_rad * w2) / (w1 + w2), float(np.sqrt(1 / (w1 + w2)))
    return value, sigma


def _heading_from_baseline(
    camera: Camera,
    pitch: float,
    roll: float,
    to_measure: Sequence[PanelToMeasure],
    antennas: Mapping[str, AntennaPriors],
    east_north: Array,
) -> float:
    """Heading [rad] at which the to_measure lie in the direction of the tower as seen from the standpoint."""
    level = rotation_cam_from_enu(0.0, pitch, roll)
    angles = []
    for panel in to_measure:
        d = level.T @ directions_from_pixels(camera, panel.middle_px)
        delta = antennas[panel.antenna_id].east_north_m - east_north
        angles.append(np.arctan2(delta[0], delta[1]) - np.arctan2(d[0], d[1]))
    return float(np.arctan2(np.mean(np.sin(angles)), np.mean(np.cos(angles))))
