"""A panel search without learning, for comparison: pairs of upright edges, closed by a lower edge.

It looks at the same window at the same scale as the learned finder, and knows the sizes that the register gives.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

#: a panel's long edges lean less than this in a hand-held picture, degrees
LEAN_DEG = 16.0
#: least gradient of an edge worth having, grey levels per pixel, and how many times the picture's median gradient
LEAST_GRADIENT, OVER_MEDIAN = 2.5, 3.0
#: columns that the space between two edges is resampled to
COLUMNS = 24
#: slopes of the lower edge that are tried
SLOPES = (-0.45, -0.3, -0.15, 0.0, 0.15, 0.3, 0.45)
OVERLAP = 0.4
#: a body whose colour is this near to the sky's is more likely a gap, levels
LIKE_SKY = 10.0


@dataclass(frozen=True, slots=True)
class Edge:
    """An upright line x = x0 + slope * y, seen from row top to row bottom; strong[row]: there is an edge along it."""

    x0: float
    slope: float
    top: float
    bottom: float
    strong: Array
    strength: Array

    def at(self, y: float) -> float:
        return self.x0 + self.slope * y


def classical_panels(
    picture: Array, sizes_px: Sequence[tuple[float, float, float]], most: int = 60
) -> list[tuple[Array, float]]:
    """Boxes that may be panels, the best first.

    Parameters
    ----------
    picture : (H, W, 3) BGR uint8. sizes_px : width, height (foreshortened as seen from below), depth of the site's
    kinds of panels at the picture's scale.

    Returns
    -------
    Corners (4, 2) in pixels of the picture, upper left first, clockwise; a score from 0 to 1.
    """
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 0.8)
    gx, gy = (np.abs(cv2.Sobel(smooth, cv2.CV_32F, dx, dy)) / 8 for dx, dy in ((1, 0), (0, 1)))
    least = max(LEAST_GRADIENT, OVER_MEDIAN * float(np.median(np.hypot(gx, gy))))
    tallest = max(h for _, h, _ in sizes_px)
    away = _away_from_sky(picture, np.hypot(gx, gy) < least)
    edges = _edges(grey, gx, least, shortest=0.12 * min(h for _, h, _ in sizes_px), gap=0.2 * tallest)
    narrow = 0.75 * min(min(w, d) for w, _, d in sizes_px)
    wide = 1.1 * max(float(np.hypot(w, d)) for w, _, d in sizes_px)
    heights = _distinct([h for _, h, _ in sizes_px])
    boxes: list[tuple[Array, float]] = []
    for i, left in enumerate(edges):
        for j, right in enumerate(edges):
            if i == j or abs(left.slope - right.slope) > 0.08:
                continue
            top, bottom = max(left.top, right.top), min(left.bottom, right.bottom)
            if bottom - top < 0.25 * min(heights):
                continue
            middle = 0.5 * (top + bottom)
            if narrow <= right.at(middle) - left.at(middle) <= wide:
                boxes += _closed(left, right, heights, (gx, gy, away), least)
    boxes.sort(key=lambda b: -b[1])
    kept: list[tuple[Array, float]] = []
    for corners, score in boxes:
        if all(_overlap(corners, other) < OVERLAP for other, _ in kept):
            kept.append((corners, score))
            if len(kept) == most:
                break
    return kept


def _distinct(heights: Sequence[float]) -> list[float]:
    """Heights more than 6 % apart."""
    out: list[float] = []
    for h in sorted(heights):
        if not out or h > 1.06 * out[-1]:
            out.append(h)
    return out


def _edges(grey: Array, gx: Array, least: float, *, shortest: float, gap: float) -> list[Edge]:
    """Upright line segments, and those in one line joined over gaps."""
    found: Array | None = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(grey)[0]
    if found is None:  # a picture without a single line
        return []
    s = np.asarray(found, float).reshape(-1, 4)
    s = np.where((s[:, 1] <= s[:, 3])[:, None], s, s[:, [2, 3, 0, 1]])
    tall = s[:, 3] - s[:, 1]
    s = s[(np.abs(s[:, 2] - s[:, 0]) <= np.tan(np.radians(LEAN_DEG)) * tall) & (tall >= shortest)]
    s = s[np.argsort(s[:, 1] - s[:, 3])]  # the longest first
    free = np.ones(len(s), bool)
    lines: list[Array] = []
    for k in range(len(s)):
        if not free[k]:
            continue
        line = s[k].copy()
        free[k] = False
        grown = True
        while grown:
            grown = False
            slope = (line[2] - line[0]) / (line[3] - line[1])
            off = np.abs(s[:, [0, 2]] - line[0] - slope * (s[:, [1, 3]] - line[1])).max(1)
            near = np.maximum(s[:, 1] - line[3], line[1] - s[:, 3]) < gap
            for m in np.nonzero(free & near & (off < 1.8))[0]:
                free[m] = False
                line = np.array([*min(line[:2], s[m, :2], key=_row), *max(line[2:], s[m, 2:], key=_row)])
                grown = True
        lines.append(line)
    rows = np.arange(len(gx))
    out = []
    for x0, y0, x1, y1 in lines:
        slope = float((x1 - x0) / (y1 - y0))
        start = float(x0 - slope * y0)
        x = np.round(start + slope * rows).astype(int)
        inside = (x >= 1) & (x < gx.shape[1] - 1)
        x = x.clip(1, gx.shape[1] - 2)
        strength = np.where(inside, np.max([gx[rows, x + d] for d in (-1, 0, 1)], 0), 0.0)
        out.append(Edge(start, slope, float(y0), float(y1), strength > least, strength))
    return out


def _away_from_sky(picture: Array, calm: Array) -> Array:
    """Distance of each pixel's colour from the sky's: row by row that of the calm pixels at the picture's sides."""
    h, w = calm.shape
    side = max(w // 16, 4)
    strips = np.concatenate([picture[:, :side], picture[:, -side:]], 1).astype(np.float32)
    use = np.concatenate([calm[:, :side], calm[:, -side:]], 1)
    usual = np.median(strips[use], 0) if use.any() else np.median(strips, (0, 1))
    rows = np.array([np.median(r[u], 0) if u.sum() > side // 2 else usual for r, u in zip(strips, use, strict=True)])
    rows = cv2.blur(rows.astype(np.float32), (1, 2 * (h // 16) + 1))
    out: Array = np.abs(picture.astype(np.float32) - rows[:, None]).max(2)
    return out


def _row(point: Array) -> float:
    return float(point[1])


def _closed(
    left: Edge, right: Edge, heights: Sequence[float], maps: tuple[Array, Array, Array], least: float
) -> list[tuple[Array, float]]:
    """The best boxes between two edges, one a height: closed below, edged on both sides, calm within, not sky.

    maps: gradients along x and y, and how far each pixel's colour is from the sky's.
    """
    gx, gy, away = maps
    rows = np.arange(len(gx))
    share = (np.arange(COLUMNS) + 0.5) / COLUMNS
    x_left, x_right = left.x0 + left.slope * rows, right.x0 + right.slope * rows
    across = (x_right - x_left)[:, None]
    x = (x_left[:, None] + across * share).astype(np.float32)
    inner = cv2.remap(gx, x, np.repeat(rows[:, None], COLUMNS, 1).astype(np.float32), cv2.INTER_LINEAR)
    body = cv2.remap(away, x, np.repeat(rows[:, None], COLUMNS, 1).astype(np.float32), cv2.INTER_LINEAR)
    solid = np.append(0, np.cumsum(body[:, 4:-4].mean(1)))
    busy = (inner[:, 4:-4] > least).mean(1)
    cap, slope = np.zeros(len(rows)), np.zeros(len(rows))
    for k in SLOPES:
        y = (rows[:, None] + k * across * (share - 0.5)).astype(np.float32)
        c = (cv2.remap(gy, x, y, cv2.INTER_LINEAR)[:, 2:-2] > least).mean(1)
        slope = np.where(c > cap, k, slope)
        cap = np.maximum(cap, c)
    sides = [np.append(0, np.cumsum(e.strong)) for e in (left, right)]
    strengths = [np.append(0, np.cumsum(np.minimum(e.strength, 20.0))) for e in (left, right)]
    calm = np.append(0, np.cumsum(busy))
    out = []
    for h in heights:
        size = round(h)
        low = np.arange(
            max(size, int(max(left.top, right.top) + 0.5 * h)),
            min(len(rows) - 2, int(min(left.bottom, right.bottom) + 0.25 * h)),
        )
        if not len(low):
            continue
        high = low - size
        on = [(s[low] - s[high]) / size for s in sides]
        beyond = (low + size // 6).clip(max=len(rows))
        past = np.minimum(*[(s[beyond] - s[low]) / np.maximum(beyond - low, 1) for s in sides])
        contrast = np.minimum(*[(s[low] - s[high]) / size for s in strengths])
        upper = np.max([cap[(high + d).clip(0)] for d in (-3, -2, -1, 0, 1, 2, 3)], 0)
        score = (
            on[0]
            * on[1]
            * cap[low]
            * (0.5 + 0.5 * upper)
            * np.clip(1 - 2 * (calm[low] - calm[high]) / size, 0, 1)
            * (1 - 0.6 * past)
            * np.tanh(contrast / (2 * least))
            * (0.2 + 0.8 * np.tanh((solid[low] - solid[high]) / size / LIKE_SKY))
        )
        best = int(np.argmax(score))
        if score[best] < 0.01:
            continue
        y0, y1 = float(high[best]), float(low[best])
        drop = 0.5 * slope[low[best]] * (right.at(y1) - left.at(y1))
        ends = [(left, y0 - drop), (right, y0 + drop), (right, y1 + drop), (left, y1 - drop)]
        out.append((np.array([(e.at(y), y) for e, y in ends]), float(score[best])))
    return out


def _overlap(a: Array, b: Array) -> float:
    """Intersection over union; boxes far apart cheaply."""
    if (a.max(0) < b.min(0)).any() or (b.max(0) < a.min(0)).any():
        return 0.0
    one, two = (cv2.convexHull(c.astype(np.float32)) for c in (a, b))
    area = cv2.intersectConvexConvex(one, two)[0]
    whole = cv2.contourArea(one) + cv2.contourArea(two) - area
    return float(area / whole) if whole > 0 else 0.0
