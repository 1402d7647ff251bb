"""Whether a photo looks like a fitted box over the whole of it: surfaces where it has faces, edges where it has edges.

A fit asks the pixels near the edges that it predicts. Here its whole body is looked at, and a band round it, in its own
coordinates: across from the left upright edge of its outline to the right one, and along them. Each visible upright
face should be one surface, evenly or gently graded in linear light (a plane, fitted robustly: what hides part of it is
an outlier); shades should step at the outline, at the inner edge and at the ends of the large face, and nowhere else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.photo.camera import Array
from photoaz.vision.patch import Patch

#: upright edges (top, bottom corner) as one walks round a box: front, right side, rear, left side lie between them
_UPRIGHTS = np.array([[0, 3], [1, 2], [5, 6], [4, 7]])
#: columns across a box and the bands beside it; rows along it, from above its top to below its bottom
_COLUMNS, _ROWS = 56, np.linspace(-0.14, 1.14, 28)
_ON_BODY = (_ROWS > 0.02) & (_ROWS < 0.98)
#: places along a box's end, and columns across its large face there
_END_PLACES, _END_COLUMNS = 25, np.linspace(0.12, 0.88, 12)
#: width of the bands as a share of the box's
_BAND = 0.4
#: share of a face's pixels that something else may hide; a face's own departure from a plane, as shares of its light:
#: luminance, and colour (common practice, no source)
_HIDDEN, _UNEVEN = 0.2, np.array([0.03, 0.015, 0.015])
#: least and largest noise of a pixel: luminance, and colour [grey levels]
_NOISE = np.array([[1.2, 0.5, 0.5], [15.0, 5.0, 5.0]])
#: squared residual over noise, all channels, below which a pixel is one of the surface
_SAME = 9.0
#: an edge counts on a row where its step is so many times the noise
_STEP = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Appearance:
    """How well a photo looks like a box. Strengths: ln(1 + s p), s the median step over the noise, p the share of it.

    explained: mean over the box's upright faces of ln(p(pixel | its face) / p(pixel | anything)), -1.6 (nothing fits)
    to 2.5. two_faces: how much of that two faces gain over one surface; 0 where one is seen. face, side: shares of the
    pixels of the large face and of the side wall that are each one surface; 1 where not seen. beyond (4,): shares of
    the band outside the left, right, upper and lower outline that look like the face within. edges (5,): strengths of
    the steps at left, right, top and bottom of what the box predicts, and at its inner edge (0 where it has none).
    unexplained: strength of the strongest edge along the long axis inside where the box has none, and unexplained_at
    where it is (0 to 1 from the left outline to the right). inner_at: where the box has its inner edge (0: none).
    outside: strength of the strongest such edge in the bands beside the box. in_picture: share of the box within it.
    """

    explained: float
    two_faces: float
    face: float
    side: float
    beyond: tuple[float, float, float, float]
    edges: tuple[float, float, float, float, float]
    unexplained: float
    unexplained_at: float
    inner_at: float
    outside: float
    in_picture: float


@dataclass(frozen=True, slots=True)
class _Boxes:
    """Boxes in their own coordinates: B of them.

    uprights (B, 3, 2, 2): the visible upright edges from left to right, top and bottom; the last two are one where one
    face is seen. two (B,): whether two are; side_first (B,): whether the left face is a side wall; inner_px, wide_px
    (B,): places of the inner edge and of the right outline across; axis (B, 2): unit, up along the box.
    """

    uprights: Array
    two: Array
    side_first: Array
    inner_px: Array
    wide_px: Array
    axis: Array


def appearances(patch: Patch, corners_px: Array, blur_px: float) -> tuple[Appearance, ...]:
    """How each of some boxes looks in a patch; corners_px (B, 8, 2): of the ideal boxes, blur_px: of the photo."""
    boxes = _boxes(corners_px)
    column, places, grid = _grid(patch, boxes, blur_px)
    there = _inside(patch, places)
    wide = boxes.wide_px[:, None]
    on_box = (column > 0) & (column < wide)
    noise, scaled = _in_noise(grid, there & on_box[:, None] & _ON_BODY[:, None])
    soft = 1.2 * blur_px + 0.5
    edge_px = np.stack([np.zeros(len(wide)), boxes.inner_px, boxes.wide_px], 1)
    clear = np.abs(column[..., None] - edge_px[:, None]).min(-1) > np.minimum(soft, 0.12 * wide)
    body = there & _ON_BODY[:, None]
    first = body & (clear & on_box & (column < boxes.inner_px[:, None]))[:, None]
    second = body & (clear & on_box & (column > boxes.inner_px[:, None]))[:, None]
    x = _design(column / wide, len(wide))
    off = [_off_plane(x, scaled, m) for m in (first, second, first | second)]
    off[1] = np.where(boxes.two[:, None, None], off[1], off[0])
    gain = _gain(scaled, there)
    ratio = [np.log(_HIDDEN + (1.0 - _HIDDEN) * np.exp(gain - 0.5 * o)) for o in off]
    part = boxes.inner_px / boxes.wide_px
    explained = part * _mean(ratio[0], first) + (1.0 - part) * _mean(ratio[1], second)
    together = np.where(boxes.two, explained - _mean(ratio[2], first | second), 0.0)
    left, right = (_mean(o < _SAME, m) for o, m in ((off[0], first), (off[1], second)))
    right = np.where(boxes.two, right, 1.0)
    face = np.where(boxes.side_first & boxes.two, right, left)
    side = np.where(boxes.two, np.where(boxes.side_first, left, right), 1.0)
    beyond = _beyond(boxes, column, off, there, clear & on_box, soft)
    across = _edges_across(boxes, column, scaled, there, blur_px)
    ends = _ends(patch, boxes, noise, blur_px)
    seen = _mean(there, np.broadcast_to(on_box[:, None], there.shape))
    return tuple(
        Appearance(
            explained=float(explained[b]),
            two_faces=float(together[b]),
            face=float(face[b]),
            side=float(side[b]),
            beyond=(float(beyond[b, 0]), float(beyond[b, 1]), float(beyond[b, 2]), float(beyond[b, 3])),
            edges=(a.left, a.right, float(ends[b, 0]), float(ends[b, 1]), a.inner),
            unexplained=a.unexplained,
            unexplained_at=a.unexplained_at,
            inner_at=float(part[b]) if boxes.two[b] else 0.0,
            outside=a.outside,
            in_picture=float(seen[b]),
        )
        for b, a in enumerate(across)
    )


def _boxes(corners_px: Array) -> _Boxes:
    """A face is seen where its corners go round clockwise as shown (y down)."""
    top, bottom = corners_px[:, _UPRIGHTS[:, 0]], corners_px[:, _UPRIGHTS[:, 1]]
    down, up = np.roll(bottom, -1, 1) - top, bottom - np.roll(top, -1, 1)
    area = down[..., 0] * up[..., 1] - down[..., 1] * up[..., 0]
    shown = area > 0.01 * np.abs(area).max(1, keepdims=True)
    first = np.argmax(shown & ~np.roll(shown, 1, 1), 1)
    two = shown.sum(1) >= 2
    index = (first[:, None] + [0, 1, 2]) % 4
    index[:, 2] = np.where(two, index[:, 2], index[:, 1])
    rows = np.arange(len(corners_px))[:, None]
    uprights = np.stack([top[rows, index], bottom[rows, index]], 2)
    axis = (uprights[:, :, 0] - uprights[:, :, 1]).mean(1)
    axis = axis / np.maximum(np.hypot(axis[:, 0], axis[:, 1]), 1e-6)[:, None]
    x = (uprights.mean(2) @ np.stack([-axis[:, 1], axis[:, 0]], -1)[..., None])[..., 0]
    x = x - x[:, :1]
    wide = np.maximum(x[:, 2], 1.0)
    inner = np.where(two, np.clip(x[:, 1], 0.02 * wide, 0.98 * wide), wide)
    return _Boxes(uprights, two, first % 2 == 1, inner, wide, axis)


def _grid(patch: Patch, boxes: _Boxes, blur_px: float) -> tuple[Array, Array, Array]:
    """Columns (B, C) px from the left outline, places (B, R, C, 2), and what the patch shows there (B, R, C, K)."""
    wide, inner = boxes.wide_px[:, None], boxes.inner_px[:, None]
    band = np.maximum(_BAND * wide, 3.0 * blur_px + 2.0)
    column = -band + (wide + 2.0 * band) * np.linspace(0.0, 1.0, _COLUMNS)
    share = [column / inner, (column - inner) / np.maximum(wide - inner, 1e-3), column / wide]
    inside = (column > 0) & (column < wide)

    def line(ends: Array) -> Array:
        left, middle, right = (ends[:, None, k] for k in range(3))
        a, b, c = (
            start + (to - start) * s[..., None]
            for start, to, s in zip((left, middle, left), (middle, right, right), share, strict=True)
        )
        return np.asarray(np.where(inside[..., None], np.where((column <= inner)[..., None], a, b), c))

    top, bottom = line(boxes.uprights[:, :, 0])[:, None], line(boxes.uprights[:, :, 1])[:, None]
    places = top + (bottom - top) * _ROWS[:, None, None]
    # in single precision, as the patch has it: half the time
    value = patch.at(places.reshape(-1, _COLUMNS, 2)).astype(np.float32)
    return column, places, value.reshape(*places.shape[:3], -1)


def _inside(patch: Patch, places: Array) -> Array:
    """Whether places (..., 2) lie in the patch: what lies outside tells nothing."""
    low = np.array(patch.origin_px) - 0.5
    return np.asarray(((places >= low) & (places <= low + patch.pixels.shape[1::-1])).all(-1))


def _mean(value: Array, mask: Array) -> Array:
    """Means (B,) of values (B, R, C) over their masks, 0 where empty."""
    count = mask.sum((1, 2))
    return np.asarray((value * mask).sum((1, 2)) / np.maximum(count, 1))


def _in_noise(grid: Array, on_body: Array) -> tuple[Array, Array]:
    """Noise (B, K) of a box's pixels with its faces' unevenness, and the grid in units of it."""
    k = grid.shape[3]
    steps = np.abs(np.diff(grid, axis=1))
    both = on_body[:, 1:] & on_body[:, :-1]
    sigma = np.empty((len(grid), k))
    for b in range(len(grid)):
        # 1.05: median of the size of a difference of two normal values, each of unit standard deviation
        found = 1.05 * np.median(steps[b][both[b]], 0) if both[b].any() else _NOISE[0, :k]
        light = np.median(grid[b, ..., 0][on_body[b]]) if on_body[b].any() else 0.0
        sigma[b] = np.hypot(np.clip(found, *_NOISE[:, :k]), _UNEVEN[:k] * light)
    return sigma, grid / sigma[:, None, None].astype(np.float32)


def _design(across: Array, n: int) -> Array:
    """A plane's basis (B, R * C, 3)."""
    shape = n, len(_ROWS), _COLUMNS
    along = np.broadcast_to((_ROWS - 0.5)[:, None], shape)
    out = np.stack([np.ones(shape), np.broadcast_to((across - 0.5)[:, None], shape), along], -1)
    return out.astype(np.float32).reshape(n, -1, 3)


def _off_plane(x: Array, scaled: Array, mask: Array) -> Array:
    """Squared residuals (B, R, C) of all pixels from the plane through those of the mask, fitted robustly."""
    n, rows, columns, k = scaled.shape
    z, inside = scaled.reshape(n, -1, k), mask.reshape(n, -1)
    fit = np.zeros((n, 3, k), z.dtype)
    ridge = np.diag([1e-6, 0.3, 0.3]).astype(z.dtype)
    for b in range(n):
        if inside[b].any():
            fit[b, 0] = np.median(z[b][inside[b]], 0)
    for _ in range(3):
        off = ((z - x @ fit) ** 2).sum(-1)
        weighed = np.swapaxes(x * np.where(inside, (1.0 + off / 6.0) ** -2, 0)[..., None], 1, 2)
        fit = np.linalg.solve(weighed @ x + ridge, weighed @ z)
    return np.asarray(((z - x @ fit) ** 2).sum(-1).reshape(n, rows, columns))


def _gain(scaled: Array, there: Array) -> Array:
    """What a pixel that lies on its surface tells (B, 1, 1): ln of the light's spread about the box over the noise."""
    out = np.empty(len(scaled), scaled.dtype)
    for b in range(len(scaled)):
        light = scaled[b, ..., 0][there[b]]
        out[b] = np.subtract(*np.percentile(light, [90, 10])) if light.size else 1.0
    return np.clip(np.log(np.maximum(out, 1.0)), 0.3, 2.5)[:, None, None].astype(np.float32)


def _beyond(boxes: _Boxes, column: Array, off: Sequence[Array], there: Array, on_face: Array, soft_px: float) -> Array:
    """Shares (B, 4) of the bands left, right, above and below that look like the face beside them."""
    wide, inner = boxes.wide_px[:, None], boxes.inner_px[:, None]
    band = np.maximum(0.25 * wide, soft_px + 1.5)
    middle = there & ((_ROWS > 0.05) & (_ROWS < 0.95))[:, None]
    left, right = (column < -soft_px) & (column > -band), (column > wide + soft_px) & (column < wide + band)
    first_larger = inner >= wide - inner
    large = np.where(first_larger[..., None], off[0], off[1])
    mine = there & (on_face & ((column < inner) == first_larger))[:, None]
    above, below = (_ROWS < -0.03)[:, None], (_ROWS > 1.03)[:, None]
    return np.stack(
        [
            _mean(off[0] < _SAME, middle & left[:, None]),
            _mean(off[1] < _SAME, middle & right[:, None]),
            _mean(large < _SAME, mine & above),
            _mean(large < _SAME, mine & below),
        ],
        1,
    )


@dataclass(frozen=True, slots=True)
class _Across:
    """Strengths of edges along one box's long axis; see `Appearance`."""

    left: float
    right: float
    inner: float
    unexplained: float
    unexplained_at: float
    outside: float


def _strength(step: Array, there: Array) -> Array:
    """Strengths (T,) of steps (R, T, K) in units of their noise, R along each edge; there (R, T); 0 without any."""
    if not len(step):
        return np.zeros(step.shape[1])
    known = np.where(there[..., None], step, 0.0)
    middle = np.median(known, 0)
    size = np.sqrt((middle * middle).sum(-1))
    along = (known * (middle / np.maximum(size, 1e-9)[:, None])).sum(-1)
    return np.asarray(np.log1p(size * (along > _STEP).mean(0)))


def _edges_across(boxes: _Boxes, column: Array, scaled: Array, there: Array, blur_px: float) -> list[_Across]:
    out = []
    for b, wide in enumerate(boxes.wide_px.tolist()):
        x, inner = column[b], float(boxes.inner_px[b])
        apart = float(x[1] - x[0])
        half = max(1, round(1.2 * blur_px / apart))
        rows = _ON_BODY & there[b].any(1)
        z, seen = scaled[b][rows], there[b][rows]
        strength = _strength(z[:, 2 * half :] - z[:, : -2 * half], seen[:, 2 * half :] & seen[:, : -2 * half])
        x = x[half:-half]
        lines = np.array([0.0, wide, inner] if boxes.two[b] else [0.0, wide])
        near = max(1.5, 0.6 * blur_px, apart)
        own = [float(strength[np.abs(x - at) <= near].max(initial=0.0)) for at in lines]
        away = np.abs(x[:, None] - lines).min(1) > 2.0 * half * apart + 1.0
        within = np.where(away & (x > 0) & (x < wide), strength, 0.0)
        beside = np.where(away & ((x < 0) | (x > wide)), strength, 0.0)
        k = int(within.argmax())
        out.append(
            _Across(
                left=own[0],
                right=own[1],
                inner=own[2] if boxes.two[b] else 0.0,
                unexplained=float(within[k]),
                unexplained_at=float(x[k] / wide) if within[k] > 0 else 0.0,
                outside=float(beside.max()),
            )
        )
    return out


def _ends(patch: Patch, boxes: _Boxes, noise: Array, blur_px: float) -> Array:
    """Strengths (B, 2) of the steps at the large face's upper and lower end."""
    larger = np.where(boxes.inner_px >= boxes.wide_px - boxes.inner_px, 0, 1)
    rows = np.arange(len(larger))
    start, to = boxes.uprights[rows, larger], boxes.uprights[rows, larger + 1]  # (B, 2 ends, 2)
    reach = np.maximum(_BAND * boxes.wide_px, 3.0 * blur_px + 3.0)
    along = reach[:, None] * np.linspace(-1.0, 1.0, _END_PLACES)
    base = start[:, :, None] + (to - start)[:, :, None] * _END_COLUMNS[:, None]  # (B, 2, F, 2)
    places = base[:, :, :, None] + (along[..., None] * boxes.axis[:, None])[:, None, None]  # (B, 2, F, T, 2)
    seen = _inside(patch, places)
    value = patch.at(places.reshape(-1, _END_PLACES, 2)).reshape(*places.shape[:4], -1) / noise[:, None, None, None]
    out = np.zeros((len(larger), 2))
    for b in range(len(larger)):
        apart = float(along[b, 1] - along[b, 0])
        half = max(1, round(1.2 * blur_px / apart))
        near = np.abs(along[b, half:-half]) <= max(1.5, 0.6 * blur_px, apart)
        for end in (0, 1):
            z, there = value[b, end], seen[b, end]
            step = _strength(z[:, 2 * half :] - z[:, : -2 * half], there[:, 2 * half :] & there[:, : -2 * half])
            out[b, end] = step[near].max()
    return out
