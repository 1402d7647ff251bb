"""Where the sky ends in a photo: its border, column by column, and how far each part of it may be believed.

The border is the best path across the picture. A path is good where what lies above it looks like the sky and what
lies below does not, where it runs along edges, and where it is short: so it passes a mast, a pole, a cable or an
antenna without climbing it. What the sky and the ground look like is learned from the picture itself, twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from photoaz.photo.camera import Array, Camera, normalised_from_pixels, pixels_from_normalised, rotation_cam_from_enu

#: pixels of the reduced picture that the sky is looked for in: maps are good for a tenth of a degree at best
WORK_PX = 0.8e6
#: colours are counted in boxes of this size (lightness, a, b of 8 bits each)
_BOX = np.array([8, 4, 4])
#: how much more a pixel may speak for or against sky than one that says nothing, in nats
_MOST_NATS = 2.5
#: of what is no sky so much is of any colour, as often as this a box
_ANYTHING, _ANY = 0.5, 4e-4
#: cost of a step of the path by a pixel, where there is no edge to follow and along a clear one
_STEP, _STEP_EDGE = 6.0, 0.6
#: a grey level of the gradient from which a pixel is part of an edge, above the noise
_EDGE = 12.0
#: what an edge along the path is worth, at most
_EDGE_NATS = 4.0
#: the border of the sky lies no lower than this below the horizon [rad], beside what the pitch leaves open
_BELOW_RAD = float(np.radians(1.5))


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyBorder:
    """x_px, y_px (n,): the border in pixels of the whole picture, one point a column of the reduced one.

    sigma_px (n,): standard uncertainty of y; infinite where there is no border in the frame. rough (n,): how far [px]
    the border departs from a straight line nearby, above what a roof's or a wall's edge does: trees are rough. step_px:
    columns of the whole picture in one of the reduced one. contrast (n,): difference across it, in grey levels.
    """

    x_px: Array
    y_px: Array
    sigma_px: Array
    rough: Array
    contrast: Array
    step_px: int


def find_sky_border(
    image: Array, camera: Camera, *, pitch_rad: float, pitch_sigma_rad: float, roll_rad: float
) -> SkyBorder | None:
    """The border of the sky in a photo (H, W, 3) uint8, as shown; None where the frame holds no sky.

    The attitude says where the horizon is: below it there is no sky.
    """
    height, width = image.shape[:2]
    factor = max(1, int(np.ceil(np.sqrt(height * width / WORK_PX) - 0.02)))
    h, w = height // factor, width // factor
    small = cv2.resize(image[: h * factor, : w * factor], (w, h), interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(cv2.GaussianBlur(small, (0, 0), 0.8), cv2.COLOR_BGR2LAB)
    lowest = _lowest(camera, (h, w), factor, pitch_rad, pitch_sigma_rad, roll_rad)
    gx, gy = _gradients(lab)
    noise = float(np.median(np.abs(gy[: max(h // 4, 1)]))) / 0.6745
    edge = _EDGE + 3.0 * noise
    strength = np.maximum(np.hypot(gx, gy) - 3.0 * noise, 0.0)
    border = _first_edges(strength, edge, lowest)
    if np.median(border) < 0.02 * h:
        return None
    bins = _bins(lab)
    for ground in (np.maximum(border, np.minimum(lowest, h - 12)), None):
        nats = _sky_nats(bins, border, border if ground is None else ground)
        border = _path(nats, gx, gy, edge, lowest)
    return _measured(border, lab, gx, gy, lowest, factor)


def _gradients(lab: Array) -> tuple[Array, Array]:
    """Differences by x and y (h, w), of the channel that differs most, in grey levels over two pixels."""
    weight = np.array([0.25, 0.375, 0.375], np.float32)  # colours count more than lightness
    x = np.asarray(cv2.Sobel(lab, cv2.CV_32F, 1, 0, ksize=3)) * weight
    y = np.asarray(cv2.Sobel(lab, cv2.CV_32F, 0, 1, ksize=3)) * weight
    most = np.hypot(x, y).argmax(-1)[..., None]
    return np.take_along_axis(x, most, -1)[..., 0], np.take_along_axis(y, most, -1)[..., 0]


def horizon_px(camera: Camera, x_px: Array, pitch_rad: float, roll_rad: float) -> Array:
    """Where a level line of sight lies in columns x_px (n,) of the frame: y (n,) [px], distortion left aside."""
    up = rotation_cam_from_enu(0.0, pitch_rad, roll_rad)[:, 2]
    x = (x_px - camera.cx_px) / camera.f_px
    # x up_x + y up_y + up_z = 0
    return np.asarray(camera.cy_px - camera.f_px * camera.aspect * (x * up[0] + up[2]) / up[1])


def _lowest(
    camera: Camera, size: tuple[int, int], factor: int, pitch_rad: float, pitch_sigma_rad: float, roll_rad: float
) -> Array:
    """The row (w,) below which there is no sky in each column."""
    x = np.arange(size[1]) * factor + (factor - 1) / 2
    below = camera.f_px * np.tan(_BELOW_RAD + 2.0 * min(pitch_sigma_rad, 0.1))
    y = (horizon_px(camera, x, pitch_rad, roll_rad) + below) / factor
    return np.asarray(np.clip(np.ceil(y), 1, size[0]).astype(int))


def _first_edges(strength: Array, edge: float, lowest: Array) -> Array:
    """The first row (w,) from the top that is part of an edge; a pole or a cloud's rim stops some columns only."""
    found = strength > edge
    first = np.where(found.any(0), found.argmax(0), len(strength))
    first = np.minimum(first, lowest)
    # a column that a mast or a bird stops is as its neighbours
    wide = max(len(first) // 24, 3)
    return np.asarray(np.maximum(first, _running_median(first, wide) * 0.7).astype(int))


def _running_median(v: Array, half: int) -> Array:
    padded = np.pad(v, half, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), -1))


def _bins(lab: Array) -> Array:
    """The number (h, w) of each pixel's box of colours."""
    n = 256 // _BOX
    k = lab // _BOX.astype(np.uint8)
    return np.asarray((k[..., 0].astype(np.int32) * n[1] + k[..., 1]) * n[2] + k[..., 2])


def _sky_nats(bins: Array, border: Array, ground: Array) -> Array:
    """How far (h, w) each pixel's colour speaks for sky [nats]: sky lies above `border` (w,) now, other things below
    `ground` (w,).
    """
    size = int(np.prod(256 // _BOX))
    row = np.arange(len(bins))[:, None]
    count = []
    for part in (row < border - 2, row > ground + 2):
        c = np.bincount(bins[part], minlength=size).astype(np.float32).reshape(tuple(256 // _BOX))
        for axis in range(3):  # colours near to those seen are likely too
            c = 0.5 * c + 0.25 * (np.roll(c, 1, axis) + np.roll(c, -1, axis))
        count.append(c.ravel() / max(c.sum(), 1.0))
    sky, other = count
    nats = np.log((sky + 0.3 * _ANY) / ((1.0 - _ANYTHING) * other + _ANYTHING * _ANY))
    return np.asarray(np.clip(nats, -_MOST_NATS, _MOST_NATS)[bins])


def _path(nats: Array, gx: Array, gy: Array, edge: float, lowest: Array) -> Array:
    """The best border (w,): the first row that is not sky."""
    h, w = nats.shape
    # what the rows above each border gain, those below losing as much
    gain = np.zeros((h + 1, w), np.float32)
    np.cumsum(nats, 0, out=gain[1:])
    worth = _EDGE_NATS * np.minimum(np.abs(gy) / edge, 1.0)
    gain[1:h] += np.maximum(worth[1:], worth[:-1])
    gain[np.arange(h + 1)[:, None] > lowest] = -1e6
    step = np.where(np.abs(gx) > edge, _STEP_EDGE, _STEP).astype(np.float32)
    step = np.minimum(step[:, 1:], step[:, :-1])
    way = np.zeros((h + 1, w - 1), np.float32)
    np.cumsum(step, 0, out=way[1:])
    came = np.empty((w, h + 1), np.int32)
    best = gain[:, 0].copy()
    rows = np.arange(h + 1)
    for x in range(1, w):
        c = way[:, x - 1]
        down, up = best + c, (best - c)[::-1]
        peak_down, peak_up = np.maximum.accumulate(down), np.maximum.accumulate(up)
        from_down = np.maximum.accumulate(np.where(down >= peak_down, rows, 0))
        from_up = h - np.maximum.accumulate(np.where(up >= peak_up, rows, 0))[::-1]
        v_down, v_up = peak_down - c, peak_up[::-1] + c
        came[x] = np.where(v_down >= v_up, from_down, from_up)
        best = np.maximum(v_down, v_up) + gain[:, x]
    out = np.empty(w, int)
    out[-1] = int(best.argmax())
    for x in range(w - 1, 0, -1):
        out[x - 1] = came[x, out[x]]
    return out


def _measured(border: Array, lab: Array, gx: Array, gy: Array, lowest: Array, factor: int) -> SkyBorder:
    """The path to a fraction of a pixel, with its uncertainty and roughness."""
    h, w = gy.shape
    x = np.arange(w)
    rows = np.clip(border[:, None] + np.arange(-2, 2), 0, h - 1)
    weight = np.abs(gy[rows, x[:, None]]) ** 2 + 1e-6
    y = (weight * rows).sum(1) / weight.sum(1)
    tall = np.abs(np.gradient(border.astype(float))) > 2.0
    y = np.where(tall, border - 0.5, y)
    contrast = np.sqrt(np.abs(gy[rows, x[:, None]]).max(1) ** 2 + np.abs(gx[rows, x[:, None]]).max(1) ** 2)
    rough = _roughness(y, max(w // 100, 3))
    sigma = np.hypot(0.4, rough) * np.where(contrast < _EDGE, 3.0, 1.0)
    gone = (border <= 1) | (border >= np.minimum(lowest, h) - 1)
    return SkyBorder(
        x_px=x * factor + (factor - 1) / 2,
        y_px=y * factor + (factor - 1) / 2,
        sigma_px=np.where(gone, np.inf, sigma * factor),
        rough=rough * factor,
        contrast=contrast,
        step_px=factor,
    )


def _roughness(y: Array, half: int) -> Array:
    """How far (n,) a border is from straight within some columns, jumps by a wall's height left out."""
    second = np.abs(y[2:] - 2.0 * y[1:-1] + y[:-2])
    second = np.pad(np.minimum(second, 6.0), 1, mode="edge")
    return np.maximum(_running_median(second, half) - 0.3, 0.0)


def elevations(border: SkyBorder, camera: Camera, pitch_rad: float, roll_rad: float) -> tuple[Array, Array]:
    """Azimuth off the heading and elevation (n,) [rad] of the border's points, for an attitude."""
    px = np.stack([border.x_px, border.y_px], -1)
    x = normalised_from_pixels(camera, px)
    d = np.concatenate([x, np.ones_like(x[:, :1])], -1) @ rotation_cam_from_enu(0.0, pitch_rad, roll_rad)
    return np.arctan2(d[:, 0], d[:, 1]), np.arctan2(d[:, 2], np.hypot(d[:, 0], d[:, 1]))


def border_at(camera: Camera, azimuth_rad: Array, elevation_rad: Array, attitude: Any) -> Array:
    """Pixels (n, 2) of directions in the world, for an attitude (3,); NaN behind the camera."""
    level = np.cos(elevation_rad)
    d = np.stack([np.sin(azimuth_rad) * level, np.cos(azimuth_rad) * level, np.sin(elevation_rad)], -1)
    c = d @ rotation_cam_from_enu(*attitude).T
    out = pixels_from_normalised(camera, c[..., :2] / c[..., 2:])
    return np.where(c[..., 2:] > 0.05, out, np.nan)


#: upright edges: shortest [px of the reduced picture], how far from plumb they may look beside what the roll leaves
#: open
LEAST_EDGE_PX, LEAN_RAD = 6.0, float(np.radians(2.0))
#: standard uncertainty of an edge across itself [px of the reduced picture]
EDGE_SIGMA_PX = 0.5
#: ends of two pieces of one edge lie no farther apart, and no farther aside [px of the reduced picture]
_GAP_PX, _ASIDE_PX = 6.0, 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class UprightEdges:
    """Upright edges below the border of the sky: ends_px (n, 2, 2), the upper one first, pixels of the whole picture.

    side (n,): -1 where the sky lies to its left (a body's left end), 1 to its right, 0 where bodies lie on both sides.
    sigma_px: of each across itself.
    """

    ends_px: Array
    side: Array
    sigma_px: float


def find_upright_edges(
    gray: Array, border: SkyBorder, camera: Camera, *, pitch_rad: float, roll_rad: float, roll_sigma_rad: float
) -> UprightEdges:
    """Upright edges in the band between the border of the sky and a little below the horizon; gray (H, W) uint8."""
    s = border.step_px
    h, w = gray.shape[0] // s, gray.shape[1] // s
    seen = np.isfinite(border.sigma_px)
    horizon = horizon_px(camera, border.x_px, pitch_rad, roll_rad)
    if not seen.any():
        return UprightEdges(ends_px=np.zeros((0, 2, 2)), side=np.zeros(0, int), sigma_px=EDGE_SIGMA_PX * s)
    top = int(np.clip(border.y_px[seen].min() / s - 6, 0, h - 1))
    low = int(np.clip(max(horizon.max(), border.y_px[seen].max()) / s + 0.05 * camera.f_px / s, top + 2, h))
    part = cv2.resize(gray[top * s : low * s, : w * s], (w, low - top), interpolation=cv2.INTER_AREA)
    found: Any = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, scale=1.0).detect(np.ascontiguousarray(part))[0]
    ends = np.zeros((0, 2, 2)) if found is None else np.asarray(found, float).reshape(-1, 2, 2)
    ends = np.where((ends[:, :1, 1] <= ends[:, 1:, 1])[..., None], ends, ends[:, ::-1]) + np.array([0, top])
    ends = ends[ends[:, 1, 1] - ends[:, 0, 1] > 3.0]
    px = ends * s + (s - 1) / 2
    up = rotation_cam_from_enu(0.0, pitch_rad, roll_rad)[:, 2]
    middle = px.mean(1)
    m = normalised_from_pixels(camera, middle)
    # towards the zenith's picture
    plumb = -(up[:2] - m * up[2])
    along = px[:, 1] - px[:, 0]
    turn = np.arctan2(plumb[:, 0] * along[:, 1] - plumb[:, 1] * along[:, 0], (plumb * along).sum(-1))
    allowed = LEAN_RAD + 2.0 * min(roll_sigma_rad, 0.03) + 0.7 * s / np.hypot(*along.T)
    ends = _joined(ends[np.abs(turn) < allowed])
    ends = ends[ends[:, 1, 1] - ends[:, 0, 1] >= LEAST_EDGE_PX]
    return UprightEdges(ends_px=ends * s + (s - 1) / 2, side=_sides(ends, border.y_px / s), sigma_px=EDGE_SIGMA_PX * s)


def _joined(ends: Array) -> Array:
    """Edges (n, 2, 2) with the pieces of one that windows or wires part put together."""
    out: list[Array] = []
    for e in ends[np.argsort(ends[:, 0, 1], kind="stable")]:
        for k, o in enumerate(out):
            slope = (o[1, 0] - o[0, 0]) / max(o[1, 1] - o[0, 1], 1.0)
            aside = e[:, 0] - (o[0, 0] + slope * (e[:, 1] - o[0, 1]))
            if -2.0 < e[0, 1] - o[1, 1] < _GAP_PX and np.abs(aside).max() < _ASIDE_PX:
                out[k] = np.array([o[0], e[1]])
                break
        else:
            out.append(e)
    return np.array(out).reshape(-1, 2, 2)


def _sides(ends: Array, border_y: Array) -> Array:
    """On which side of each edge the sky lies at half of its height: -1 left, 1 right, 0 neither or both."""
    middle = ends.mean(1)
    sky = []
    for step in (-3, 3):
        x = np.clip(np.round(middle[:, 0]) + step, 0, len(border_y) - 1).astype(int)
        sky.append(border_y[x] > middle[:, 1] + 1.0)
    return np.asarray(sky[1].astype(int) - sky[0].astype(int))
