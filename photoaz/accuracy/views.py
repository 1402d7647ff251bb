"""What a fit would say of an antenna whose truth is known: noise by its own information, and false ways to fit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from photoaz.angles import Angle, Array
from photoaz.network.observations import box_quantities
from photoaz.network.site import PhotoObservations, azimuths_of_modes
from photoaz.photo.camera import Camera, directions_from_pixels, los_from_cam, rotation_cam_from_enu
from photoaz.planning.foreseen import PlanningScene
from photoaz.vision.evidence import TILT_SIGMA_RAD, BoxMode

#: what a fit knows beforehand, so that it stays near where its pixels tell nothing: tilts, azimuth, centre, ln sizes
_TILT_RAD, _FREE_RAD, _CENTRE_PX, _LN_SIZE = 0.05, 1.0, 50.0, 0.15
#: how often a view fits in a second way, how much the two ways' costs differ (mean of an exponential distribution), up
#: to how much the second is kept, and of which kind it is: mirrored in the line of sight, or turned by so much (median,
#: and sigma of the logarithm). As with the found panels of the rendered heads (`outlines`): 0.496 of 10 246 have a
#: second way within that cost, 3.87 dearer in the mean (the exponential distribution cut off there: 3.85), 0.058 of
#: them mirrored, the others turned by 4.5, 12.5 and 43.6 degrees (5 %, the median, 95 %)
SECOND_WAY, COST_GAP, MOST_COST = 0.5, 7.0, 10.0
KINDS = (("mirrored", 0.06), ("turned", 0.94))
TURNED_DEG, TURNED_LN_SIGMA = 12.5, 0.7
#: an outline on wrong edges is off across the panel by this share of its width, and its width by that: those of the
#: rendered heads lie 0.078 and 0.18 off the finder's box (68 %), right ones 0.036 and 0.087; some of the latter is turn
WRONG_EDGES_SHARE, WRONG_EDGES_LN_WIDTH = 0.07, 0.1


def rotation_of_gibbs(d: Array) -> Array:
    """Rotation (3, 3) whose Gibbs vector, as of `rotations.gibbs`, is d (3,): Cayley's formula."""
    t = 0.5 * d
    cross = np.array([[0.0, -t[2], t[1]], [t[2], 0.0, -t[0]], [-t[1], t[0], 0.0]])
    out: Array = np.eye(3) + 2.0 / (1.0 + t @ t) * (cross + cross @ cross)
    return out


def measured(camera: Camera, truth: Array, mode: BoxMode, rng: np.random.Generator) -> BoxMode:
    """A mode with its information, as a photo would give it of a box whose unknowns `truth` (20,) are as of
    `box_quantities`.

    The residuals at the truth are a draw of the standard normal distribution; the mode lies where a fit that knows a
    little beforehand would come to rest.
    """
    rot, px, ln_size = box_quantities(camera, truth)
    noise = rng.standard_normal(len(mode.root))
    up = _sight_from_enu(camera, truth, px)[:, 2]
    prior = np.zeros((8, 8))
    prior[:3, :3] = (np.eye(3) - np.outer(up, up)) / _TILT_RAD**2 + np.outer(up, up) / _FREE_RAD**2
    prior[3:, 3:] = np.diag([_CENTRE_PX**-2.0] * 2 + [_LN_SIZE**-2.0] * 3)
    off = np.linalg.solve(mode.root.T @ mode.root + prior, mode.root.T @ noise)
    return replace(
        mode,
        rotation=rotation_of_gibbs(off[:3]).T @ rot,
        centre_px=px - off[3:5],
        ln_size=ln_size - off[5:],
        offset=mode.root @ off - noise,
    )


def ways(camera: Camera, truth: Array, mode: BoxMode, rng: np.random.Generator) -> tuple[BoxMode, ...]:
    """The mode, and perhaps a false one, the cheaper first. truth (20,): of `box_quantities`.

    What the modes cost means what it says: of two whose costs differ by c the cheaper is the true one with the odds
    exp(c / 2). Each kind of falsehood undoes itself, so that nothing but the costs tells which is which.
    """
    if rng.random() >= SECOND_WAY:
        return (mode,)
    gap = MOST_COST + 1.0
    while gap > MOST_COST:
        gap = float(rng.exponential(COST_GAP))
    kind = str(rng.choice([k for k, _ in KINDS], p=[p for _, p in KINDS]))
    false = _false(camera, truth, mode, kind, rng)
    if rng.random() < 1.0 / (1.0 + np.exp(0.5 * gap)):
        return replace(false, cost=0.0), replace(mode, cost=gap)
    return replace(mode, cost=0.0), replace(false, cost=gap)


def _false(camera: Camera, truth: Array, mode: BoxMode, kind: str, rng: np.random.Generator) -> BoxMode:
    sight = _sight_from_enu(camera, truth, mode.centre_px)
    turn = np.eye(8)
    if kind == "mirrored":
        across = np.cross(sight[2], [0.0, 0.0, 1.0])
        across = sight @ (across / np.linalg.norm(across))
        mirror = np.eye(3) - 2.0 * np.outer(across, across)
        rotation = mirror @ mode.rotation @ np.diag([-1.0, 1.0, 1.0])
        turn[:3, :3] = -mirror  # a rotation vector is an axial one
        turn[3:5, 3:5] = mirror[:2, :2]
    else:
        size = np.radians(TURNED_DEG * np.exp(rng.normal(0.0, TURNED_LN_SIGMA))) * rng.choice([-1.0, 1.0])
        by = sight @ _about_up(size) @ sight.T
        rotation = by @ mode.rotation
        turn[:3, :3] = by.T
    return replace(mode, rotation=rotation, root=mode.root @ turn)


def on_wrong_edges(camera: Camera, truth: Array, mode: BoxMode, deg: float, rng: np.random.Generator) -> BoxMode:
    """The mode as a fit to edges of something else would make it, turned by so many degrees, and as sure as before.

    truth (20,): of `box_quantities`.
    """
    sight = _sight_from_enu(camera, truth, mode.centre_px)
    moved = rng.normal(0.0, WRONG_EDGES_SHARE * mode.width_px)
    return replace(
        mode,
        rotation=sight @ _about_up(np.radians(deg)) @ sight.T @ mode.rotation,
        centre_px=mode.centre_px + np.array([moved, 0.0]),
        ln_size=mode.ln_size + np.array([rng.normal(0.0, WRONG_EDGES_LN_WIDTH), 0.0, 0.0]),
    )


def _about_up(angle_rad: float) -> Array:
    """Clockwise seen from above, in ENU."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def _sight_from_enu(camera: Camera, truth: Array, px: Array) -> Array:
    """Rotation (3, 3) into the frame of the line of sight to a pixel, by the photo's true attitude."""
    out: Array = los_from_cam(directions_from_pixels(camera, px)) @ rotation_cam_from_enu(*truth[:3])
    return out


def azimuths_of_modes_sigma(true: Array, camera: Camera, mode: Any) -> float:
    """How open a mode's own outline leaves the azimuth, one sigma [rad]."""
    none: tuple[Angle, ...] = ()
    photo = PhotoObservations(
        name="", camera=camera, start=true[:6], headings=none, pitches=none, rolls=none, standpoints=(), up_m=0.0,
        up_sigma_m=1.0, ln_focal=0.0, boxes={},
    )  # fmt: skip
    return float(azimuths_of_modes(photo, [mode], true[:3], TILT_SIGMA_RAD)[1][0])


def started(photo: PhotoObservations, scene: PlanningScene) -> PhotoObservations:
    """With what the adjustment starts from: attitude as sensors say, else as the antennas' places in the frame do."""
    east_north = photo.standpoints[0][0]
    roll = photo.rolls[0].value_rad
    ways_to = [np.append(scene.places_m[n][:2] - east_north, scene.places_m[n][2] - photo.up_m) for n in photo.boxes]
    px = np.stack([modes[0].centre_px for modes in photo.boxes.values()])
    level = directions_from_pixels(photo.camera, px) @ rotation_cam_from_enu(0.0, 0.0, roll)
    rise = np.arctan2([w[2] for w in ways_to], [np.hypot(w[0], w[1]) for w in ways_to])
    by_places = float(np.mean(rise - np.arctan2(level[:, 2], level[:, 1])))
    pitch = photo.pitches[0].value_rad if photo.pitches else by_places
    seen = directions_from_pixels(photo.camera, px) @ rotation_cam_from_enu(0.0, pitch, roll)
    off = np.array([np.arctan2(w[0], w[1]) for w in ways_to]) - np.arctan2(seen[:, 0], seen[:, 1])
    heading = float(np.arctan2(np.sin(off).mean(), np.cos(off).mean()))
    return replace(photo, start=np.array([heading, pitch, roll, *east_north, photo.up_m]))


def angle(value: float, sigma: float, source: str, declination: float = 0.0) -> Angle:
    """A statement of an angle [rad]."""
    sigmas = {"sigma_rad": float(sigma), "declination_sigma_rad": float(declination)}
    return Angle(value_rad=float(value), source=source, label=source, **sigmas)
