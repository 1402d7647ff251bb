"""Which way is up, from what stands upright in a photo: masts, mount pipes, corners of buildings.

An upright line and the camera's centre span a plane that holds the zenith. Few of the lines that look upright are
plumb: legs and poles taper, panels are tilted, trees lean as they like. But they lean to either side alike, so what
they say together is read off as from a mixture: some plumb, some leaning symmetrically about plumb, some of no meaning.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from photoaz.photo.camera import Array, Camera, directions_from_pixels, rotation_cam_from_enu
from photoaz.photo.pixels import Part

#: pixels of the reduced picture that segments are looked for in: more cost time and tell no more
WORK_PX = 0.4e6
#: shortest segment [px of the reduced picture], and how many of the longest are looked at
LENGTH_PX = 11.0
MOST = 300
#: how far a line may lean besides what the attitude's uncertainty makes it
LEAN_RAD = float(np.radians(5.0))
#: the mixture: shares of plumb lines and of lines without meaning, spread of the plumb and of the leaning
PLUMB_SHARE, CLUTTER_SHARE = 0.3, 0.2
PLUMB_RAD, LEANING_RAD = float(np.radians(0.35)), float(np.radians(2.5))
#: standard uncertainty of a segment's ends across it [px of the reduced picture]
END_PX = 0.3
#: a segment of this length is one witness, a shorter one the corresponding part of it
FULL_PX = 35.0
#: lines as near to each other and as parallel as this are one witness (a cable's two edges, rails of a ladder)
BESIDE_PX, PARALLEL_RAD = 30.0, float(np.radians(0.5))
#: masts are not plumb themselves: half to a quarter per cent of the height is allowed (common practice, no source)
MAST_LEAN_RAD = float(np.radians(0.17))
#: steps of the grid that the attitude is looked for on
ROLL_STEP_RAD, PITCH_STEP_RAD = float(np.radians(0.1)), float(np.radians(0.15))
#: the pitch is not looked for where its uncertainty moves no line by more
NO_EFFECT_RAD = float(np.radians(0.02))
#: by how much [nats] plumb lines must explain the picture better than leaning ones alone
GAIN_NATS = 0.5
#: steps of differences by pitch, roll, ln focal length, principal point x and y
_STEPS = np.array([1e-4, 1e-4, 1e-4, 0.1, 0.1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Verticals:
    """What upright lines tell of the camera's attitude, apart from what was known of it before.

    mean (2,): pitch and roll [rad] at which it was linearised. root (m, 5), offset (m,): whitened rows over
    [pitch - mean, roll - mean, ln(f / camera.f_px), principal point x and y off the camera's in px]:
    residual = root @ difference - offset. m is 1 or 2: seen through a long lens lines tell the roll alone, at a given
    pitch. sigma_roll_rad: standard uncertainty of the roll at a given pitch. lines_px (n, 2, 2): ends of the lines
    used, pixels of the image as shown; share (n,): what each adds to the roll, of 1; plumb (n,): probability of being
    plumb.
    """

    mean: Array
    root: Array
    offset: Array
    sigma_roll_rad: float
    lines_px: Array
    share: Array
    plumb: Array

    def roll_at(self, pitch_rad: float) -> float:
        """The roll [rad] that the lines tell if the pitch is this, the camera being as assumed."""
        rest = self.offset - self.root[:, 0] * (pitch_rad - self.mean[0])
        column = self.root[:, 1]
        return float(self.mean[1] + column @ rest / (column @ column))

    def at_focal(self, ln_focal: float) -> Verticals:
        """The same said of a camera whose focal length is exp(ln_focal) times the one assumed so far."""
        return replace(self, offset=self.offset - self.root[:, 2] * ln_focal)


def find_verticals(
    gray: Array | Part,
    camera: Camera,
    *,
    pitch_rad: float,
    pitch_sigma_rad: float,
    roll_rad: float,
    roll_sigma_rad: float,
    region_px: Array | None = None,
) -> Verticals | None:
    """What stands upright in a photo and what it tells of pitch and roll; None where nothing does.

    gray : (H, W) uint8: the image as shown, at full resolution. pitch_rad, pitch_sigma_rad, roll_rad, roll_sigma_rad :
    What is known of the attitude before, with standard uncertainties. It says which lines may be upright, and decides
    between several answers; it is not part of what is returned. A pitch known to 3 degrees and a roll known to 5 are
    looked for as finely as it takes; what is known less well is looked for more coarsely. region_px : (4,) x0, y0, x1,
    y1: the part of the frame to look in; None: all of it.
    """
    prior = np.array([pitch_rad, roll_rad])
    sigma = np.array([pitch_sigma_rad, roll_sigma_rad])
    ends, factor = _segments(gray, region_px)
    lines = _upright(camera, ends, factor, prior, sigma)
    if len(lines.ends_px) < 2:
        return None
    grid = _grid(lines, prior, sigma)
    likelihood, gain = _likelihood(lines, grid)
    if gain < GAIN_NATS:
        return None
    return _rows(camera, lines, grid, likelihood, prior, sigma)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Candidates (S,): ends (S, 2, 2) px, their planes' normals and middles (S, 3).

    variance (S,) [rad^2] of the departure from measuring alone; weight (S,) witnesses; reach (S,) [rad]: how far from
    plumb at the prior a line could be to be taken; slope (S, 2): of the departure by pitch and roll at the prior.
    """

    ends_px: Array
    normal: Array
    middle: Array
    variance: Array
    weight: Array
    reach: Array
    slope: Array

    def departure(self, pitch_rad: float, roll_rad: float) -> Array:
        return _departure(self.normal, self.middle, pitch_rad, roll_rad)


def _segments(gray: Array | Part, region_px: Array | None) -> tuple[Array, int]:
    """Line segments (S, 2, 2) in pixels of the whole picture, and by how much it was reduced for finding them."""
    height, width = gray.shape[:2]
    frame = np.array([0.0, 0.0, width, height]) if region_px is None else region_px
    x0, y0 = (int(v) for v in np.clip(np.floor(frame[:2]), 0, (width, height)))
    x1, y1 = (int(v) for v in np.clip(np.ceil(frame[2:]), 0, (width, height)))
    factor = max(1, int(np.ceil(np.sqrt(max((x1 - x0) * (y1 - y0), 1) / WORK_PX))))
    w, h = (x1 - x0) // factor, (y1 - y0) // factor
    if min(w, h) < 2 * LENGTH_PX:
        return np.zeros((0, 2, 2)), factor
    part = gray[y0 : y0 + h * factor, x0 : x0 + w * factor]
    if factor > 1:
        part = cv2.resize(part, (w, h), interpolation=cv2.INTER_AREA)
    # the detector's own default reduction would move edges
    found: Any = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, scale=1.0).detect(np.ascontiguousarray(part))[0]
    if found is None:
        return np.zeros((0, 2, 2)), factor
    ends = np.asarray(found, float).reshape(-1, 2, 2) * factor + (factor - 1) / 2
    return ends + np.array([x0, y0]), factor


def _planes(camera: Camera, ends_px: Array, f_px: float | None = None) -> tuple[Array, Array]:
    """Unit normals (S, 3) of the planes through the lines and the camera's centre, and middles (S, 3), unit vectors.

    A normal is across its line's lower end and upper end, in this order, so that all departures have one sense.
    """
    upper_first = ends_px[:, :1, 1] <= ends_px[:, 1:, 1]
    ends_px = np.where(upper_first[..., None], ends_px, ends_px[:, ::-1])
    d = directions_from_pixels(camera, ends_px, f_px)
    normal = np.cross(d[:, 1], d[:, 0])
    middle = d.sum(1)
    return (
        normal / np.linalg.norm(normal, axis=-1, keepdims=True),
        middle / np.linalg.norm(middle, axis=-1, keepdims=True),
    )


def _departure(normal: Array, middle: Array, pitch_rad: float, roll_rad: float) -> Array:
    """By how much each line (S,) is turned from plumb about its line of sight [rad], for an attitude."""
    zenith = rotation_cam_from_enu(0.0, pitch_rad, roll_rad)[:, 2]
    across = np.linalg.norm(np.cross(middle, zenith), axis=-1)
    out: Array = np.arcsin(np.clip((normal @ zenith) / np.maximum(across, 1e-9), -1.0, 1.0))
    return out


def _upright(camera: Camera, ends_px: Array, factor: int, prior: Array, sigma: Array) -> _Lines:
    """The lines that could be upright, the longest of them, with what each counts."""
    length = np.linalg.norm(ends_px[:, 1] - ends_px[:, 0], axis=-1) / factor
    keep = np.flatnonzero(length >= LENGTH_PX)
    ends_px, length = ends_px[keep], length[keep]
    normal, middle = _planes(camera, ends_px)
    now = _departure(normal, middle, prior[0], prior[1])
    steps = np.diag(_STEPS[:2])
    slope = np.stack([(_departure(normal, middle, *(prior + s)) - now) / s.sum() for s in steps], -1)
    reach = LEAN_RAD + 2.5 * np.hypot(slope[:, 0] * sigma[0], slope[:, 1] * sigma[1])
    near = np.flatnonzero(np.abs(now) < reach)
    near = near[np.argsort(-length[near], kind="stable")[:MOST]]
    ends_px, length, normal, middle = ends_px[near], length[near], normal[near], middle[near]
    weight = np.minimum(length / FULL_PX, 1.0) / _company(ends_px / factor, length, now[near])
    return _Lines(ends_px, normal, middle, (END_PX / length) ** 2, weight, reach[near], slope[near])


def _company(ends: Array, length: Array, departure: Array) -> Array:
    """How many lines say the same as each (S,), itself included: beside it, along it and parallel to it."""
    along = (ends[:, 1] - ends[:, 0]) / length[:, None]
    # of the ends of line j in the frame of line i, an array for each: a short last axis is slow to reduce
    first, second = (np.moveaxis(ends[None, :, k] - ends[:, None, 0], -1, 0) for k in (0, 1))
    ux, uy = along[:, :1], along[:, 1:]
    t1, t2 = (x * ux + y * uy for x, y in (first, second))
    off = 0.5 * ((first[1] + second[1]) * ux - (first[0] + second[0]) * uy)
    common = np.minimum(np.maximum(t1, t2), length[:, None]) - np.maximum(np.minimum(t1, t2), 0.0)
    common = np.maximum(common, 0.0) / length[:, None]
    apart = (off / BESIDE_PX) ** 2 + ((departure[:, None] - departure) / PARALLEL_RAD) ** 2
    kernel = common * np.exp(-0.5 * apart)
    np.fill_diagonal(kernel, 1.0)
    return np.asarray(kernel.sum(1))


@dataclass(frozen=True, slots=True)
class _Grid:
    """Attitudes looked at: pitches (P,), rolls (R,), prior's log density (P, R) up to a constant."""

    pitch: Array
    roll: Array
    log_prior: Array


def _grid(lines: _Lines, prior: Array, sigma: Array) -> _Grid:
    """Over the prior's width; a single pitch where no line's departure depends on it."""
    effect = float(np.abs(lines.slope[:, 0]).max()) * sigma[0]
    half = 0 if effect < NO_EFFECT_RAD else int(np.clip(np.ceil(3.0 * effect / PITCH_STEP_RAD), 4, 40))
    pitch = prior[0] + 3.0 * sigma[0] * (np.arange(-half, half + 1) / half if half else np.zeros(1))
    half = int(np.clip(np.ceil(4.0 * sigma[1] / ROLL_STEP_RAD), 5, 200))
    roll = prior[1] + 4.0 * sigma[1] * np.arange(-half, half + 1) / half
    log_prior = -0.5 * ((pitch[:, None] - prior[0]) / sigma[0]) ** 2 - 0.5 * ((roll - prior[1]) / sigma[1]) ** 2
    return _Grid(pitch, roll, log_prior)


def _densities(lines: _Lines, departure: Array) -> tuple[Array, Array, Array]:
    """Densities, times their shares, of departures (S, ...) for plumb, leaning and meaningless lines."""
    shape = (-1,) + (1,) * (departure.ndim - 1)
    out = []
    share = 1.0 - PLUMB_SHARE - CLUTTER_SHARE
    for part, spread in ((PLUMB_SHARE, PLUMB_RAD), (share, LEANING_RAD)):
        variance = (spread**2 + lines.variance).reshape(shape).astype(departure.dtype)
        out.append(part / np.sqrt(2 * np.pi * variance) * np.exp(departure * departure * (-0.5 / variance)))
    clutter = (CLUTTER_SHARE / (2 * lines.reach)).reshape(shape).astype(departure.dtype)
    return out[0], out[1], clutter


def _likelihood(lines: _Lines, grid: _Grid) -> tuple[Array, float]:
    """Log likelihood (P, R) of each attitude, and by how much its best beats the best with no line being plumb."""
    out = np.empty((len(grid.pitch), len(grid.roll)))
    centre = len(grid.pitch) // 2, len(grid.roll) // 2
    step = (grid.roll - grid.roll[centre[1]]).astype(np.float32)
    weight = lines.weight.astype(np.float32)
    gain = 0.0
    for k, pitch in enumerate(grid.pitch):
        now = lines.departure(pitch, grid.roll[centre[1]])
        slope = (lines.departure(pitch, grid.roll[centre[1]] + _STEPS[1]) - now) / _STEPS[1]
        departure = now.astype(np.float32)[:, None] + slope.astype(np.float32)[:, None] * step
        plumb, leaning, clutter = _densities(lines, departure)
        out[k] = weight @ np.log(plumb + leaning + clutter)
        if k == centre[0]:
            alone = weight @ np.log((leaning + clutter) / np.float32(1.0 - PLUMB_SHARE))
            gain = float((out[k] + grid.log_prior[k]).max() - (alone + grid.log_prior[k]).max())
    return out, gain


def _moments(grid: _Grid, log_density: Array) -> tuple[Array, Array]:
    """Mean (2,) and covariance (2, 2) of pitch and roll; a single pitch has no variance."""
    p = np.exp(log_density - log_density.max())
    p /= p.sum()
    mean = np.array([p.sum(1) @ grid.pitch, p.sum(0) @ grid.roll])
    u, v = grid.pitch - mean[0], grid.roll - mean[1]
    cross = u @ p @ v
    return mean, np.array([[p.sum(1) @ (u * u), cross], [cross, p.sum(0) @ (v * v)]])


def _rows(
    camera: Camera, lines: _Lines, grid: _Grid, likelihood: Array, prior: Array, sigma: Array
) -> Verticals | None:
    """The information of the lines alone: that of prior and lines together, less the prior's."""
    before_mean, before = _moments(grid, grid.log_prior)
    mean, after = _moments(grid, likelihood + grid.log_prior)
    free = np.array([len(grid.pitch) > 1, True])
    add = np.diag(np.where(free, 0.0, sigma**2))  # a pitch that was not looked for stays as it was
    weight_before, weight_after = np.linalg.inv(before + add), np.linalg.inv(after + add)
    information = weight_after - weight_before
    gradient = weight_before @ (mean - before_mean)
    scale = 1.0 / np.sqrt(np.diag(weight_before))
    value, vector = np.linalg.eigh(information * scale * scale[:, None])
    kept = value > 0.05  # less is the grid's doing, or a mere 5 per cent of what was known
    if not kept.any():
        return None
    value, vector = value[kept], vector[:, kept]
    root = np.sqrt(value)[:, None] * (vector / scale[:, None]).T
    # the least squares' solution within the rows: information @ (best - mean) = gradient
    offset = (vector.T @ (scale * gradient)) / np.sqrt(value)
    plumb, leaning, clutter = _densities(lines, lines.departure(mean[0], mean[1]))
    total = plumb + leaning + clutter
    weight = lines.weight * (
        plumb / total / (PLUMB_RAD**2 + lines.variance) + leaning / total / (LEANING_RAD**2 + lines.variance)
    )
    derivative = _derivatives(camera, lines, mean)
    moves = _moves(derivative, weight, weight_before)
    root = np.concatenate([root, root @ moves[:, :3]], 1)
    common = MAST_LEAN_RAD * (root[:, :2] @ moves[:, 3])
    whiten = np.linalg.inv(np.linalg.cholesky(np.eye(len(common)) + np.outer(common, common)))
    root, offset = whiten @ root, whiten @ offset
    share = weight * derivative[:, 1] ** 2
    return Verticals(
        mean=mean,
        root=root,
        offset=offset,
        sigma_roll_rad=float(1.0 / np.linalg.norm(root[:, 1])),
        lines_px=lines.ends_px,
        share=share / share.sum(),
        plumb=plumb / total,
    )


def _derivatives(camera: Camera, lines: _Lines, at: Array) -> Array:
    """Of the departures (S, 5) by pitch, roll, ln focal length and principal point, central differences."""
    out = np.empty((len(lines.ends_px), 5))
    for k, h in enumerate(_STEPS):
        side = []
        for s in (h, -h):
            pitch, roll = at + (s * np.eye(2)[k] if k < 2 else 0.0)
            if k < 2:
                side.append(lines.departure(pitch, roll))
                continue
            shift = np.array([s if k == 3 else 0.0, s if k == 4 else 0.0])
            f = camera.f_px * float(np.exp(s)) if k == 2 else None
            side.append(_departure(*_planes(camera, lines.ends_px - shift, f), pitch, roll))
        out[:, k] = (side[0] - side[1]) / (2 * h)
    return out


def _moves(derivative: Array, weight: Array, known: Array) -> Array:
    """Moves of pitch and roll (2, 4) that do the same to the lines as focal length, principal point, a common lean."""
    attitude = derivative[:, :2]
    normal = attitude.T @ (weight[:, None] * attitude) + 1e-3 * known
    other = np.concatenate([derivative[:, 2:], np.ones((len(weight), 1))], 1)
    return np.asarray(np.linalg.solve(normal, attitude.T @ (weight[:, None] * other)))
