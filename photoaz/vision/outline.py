"""Samples along the outline and the inner edges of a box, and how each moves with the box's parameters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.box import BoxView

Array = NDArray[Any]

#: kinds of edges; the inner ones are those between two visible faces
LEFT, RIGHT, TOP, BOTTOM, INNER_LEFT, INNER_RIGHT, INNER_LOWER, INNER_UPPER = range(8)
N_EDGES = 8
EDGE_NAMES = ("left", "right", "top", "bottom", "inner left", "inner right", "inner lower", "inner upper")


@dataclass(frozen=True, slots=True)
class EdgeSamples:
    """Samples along edges. All arrays have one entry per sample, shape (S,) or (S, 2).

    x_px: the place; normal: unit, pointing out of the box (for an inner edge: away from the large face); first, second,
    fraction: the sample is (1 - fraction) * points[first] + fraction * points[second] of the body's points; edge: the
    kind; along: position along its edge, -1 to 1; spacing_px: length of edge that the sample stands for; inner_px:
    distance inwards to the next edge (inf: none near); inner_*: that edge's own interpolation; outer_px: distance
    outwards from an inner edge to the outline (inf for the outline itself).
    """

    x_px: Array
    normal: Array
    first: Array
    second: Array
    fraction: Array
    edge: Array
    along: Array
    spacing_px: Array
    inner_px: Array
    inner_first: Array
    inner_second: Array
    inner_fraction: Array
    outer_px: Array

    def __len__(self) -> int:
        return len(self.edge)


def _chain(points: Array, idx: Array, spacing: float, trim: float) -> tuple[Array, ...] | None:
    """Samples along a polyline of point indices: place, normal (left of travel, y down), first and second point,

    fraction, along, spacing, then tangent and arc length.
    """
    p = points[idx]
    step = np.diff(p, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    keep = length > 1e-6
    if not keep.any():
        return None
    start, length, step = np.flatnonzero(keep), length[keep], step[keep]
    cum = np.concatenate([[0.0], np.cumsum(length)])
    total = cum[-1]
    usable = total - 2 * trim
    if usable <= 0.5:
        return None
    n = max(2, round(usable / spacing))
    s = trim + (np.arange(n) + 0.5) * usable / n
    seg = np.clip(np.searchsorted(cum, s, side="right") - 1, 0, len(length) - 1)
    fraction = (s - cum[seg]) / length[seg]
    tangent = step[seg] / length[seg][:, None]
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], -1)
    place = p[start[seg]] + fraction[:, None] * step[seg]
    return (
        place,
        normal,
        idx[start[seg]],
        idx[start[seg] + 1],
        fraction,
        (s / total) * 2 - 1,
        np.full(n, usable / n),
        tangent,
        s,
    )


def sample_edges(view: BoxView, *, blur_px: float, max_per_edge: int = 120) -> EdgeSamples:
    """Samples of every edge that can be measured in this view, ends left out where two edges meet."""
    px, hull = view.points_px, view.hull
    n = len(px) // 4
    slices = hull // n
    trim = 1.1 * blur_px + 1.0
    rows: list[tuple[Array, ...]] = []
    kinds: list[int] = []
    # the outline, clockwise as shown: walk it and cut it where it changes between body and caps
    k = len(hull)
    nxt = np.roll(hull, -1)
    is_long = ((slices == 1) & (np.roll(slices, -1) == 2)) | ((slices == 2) & (np.roll(slices, -1) == 1))
    for i in np.flatnonzero(is_long):
        idx = np.array([hull[i], nxt[i]])
        kind = LEFT if slices[i] == 1 else RIGHT  # clockwise with y down: upwards on the left
        length = float(np.hypot(*(px[idx[1]] - px[idx[0]])))
        got = _chain(px, idx, max(1.0, length / max_per_edge), trim)
        if got:
            rows.append(got[:7])
            kinds.append(kind)
    for kind, wanted in ((TOP, (2, 3)), (BOTTOM, (0, 1))):
        inside = np.isin(slices, wanted)
        if not inside.any() or inside.all():
            continue
        first = np.flatnonzero(inside & ~np.roll(inside, 1))
        if len(first) != 1:
            continue
        run = [(first[0] + j) % k for j in range(int(inside.sum()))]
        idx = hull[run]
        step = np.diff(px[idx], axis=0)
        length = float(np.hypot(step[:, 0], step[:, 1]).sum())
        got = _chain(px, idx, max(1.0, length / max_per_edge), trim)
        if not got:
            continue
        # near a corner of the outline the profile would cross the other edge: leave those out
        tangent, s = got[7], got[8]
        heading = np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0]))
        near = np.abs(s[:, None] - s[None, :]) < trim
        ok = (np.abs(heading[:, None] - heading[None, :]) * near).max(1) < np.radians(25)
        if ok.any():
            rows.append(tuple(g[ok] for g in got[:7]))
            kinds.append(kind)
    inner: list[tuple[int, Array]] = []
    if view.inner_left is not None:
        inner.append((INNER_LEFT, view.inner_left))
    if view.inner_right is not None:
        inner.append((INNER_RIGHT, view.inner_right))
    if view.inner_lower is not None:
        inner.append((INNER_LOWER, view.inner_lower))
    if view.inner_upper is not None:
        inner.append((INNER_UPPER, view.inner_upper))
    n_outline = sum(len(r[0]) for r in rows)
    for kind, idx in inner:
        length = float(np.hypot(*(px[idx[1]] - px[idx[0]])))
        got = _chain(px, idx, max(1.0, length / max_per_edge), trim)
        if got:
            rows.append(got[:7])
            kinds.append(kind)
    if not rows:
        empty = np.zeros(0)
        none = empty.astype(int)
        flat = np.zeros((0, 2))
        return EdgeSamples(flat, flat, none, none, empty, none, empty, empty, empty, none, none, empty, empty)
    place, normal, first_i, second_i, fraction, along, spacing = (np.concatenate(c) for c in zip(*rows, strict=True))
    edge = np.repeat(kinds, [len(r[0]) for r in rows])
    inner_px = np.full(len(edge), np.inf)
    inner_first = np.zeros(len(edge), int)
    inner_second = np.zeros(len(edge), int)
    inner_fraction = np.zeros(len(edge))
    x, m = place[:n_outline], normal[:n_outline]
    for _kind, idx in inner:
        a, b = px[idx[0]], px[idx[1]]
        d = b - a
        det = m[:, 0] * d[1] - m[:, 1] * d[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            rel = x - a
            back = (rel[:, 0] * d[1] - rel[:, 1] * d[0]) / det  # distance inwards: x - back * m lies on the line
            u = (rel[:, 0] - back * m[:, 0]) * d[0] + (rel[:, 1] - back * m[:, 1]) * d[1]
        u = u / (d @ d)
        hit = np.isfinite(back) & (back > 0.05) & (u > -0.05) & (u < 1.05) & (back < inner_px[:n_outline])
        at = np.flatnonzero(hit)
        inner_px[at], inner_first[at], inner_second[at], inner_fraction[at] = back[at], idx[0], idx[1], u[at]
    # how far outwards the outline lies from an inner edge, along the inner edge's normal
    outer_px = np.full(len(edge), np.inf)
    if n_outline and n_outline < len(edge):
        poly, following = px[hull], px[nxt]
        y, m = place[n_outline:], normal[n_outline:]
        d = following - poly
        det = m[:, None, 0] * d[None, :, 1] - m[:, None, 1] * d[None, :, 0]
        rel = poly[None] - y[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            ahead = (rel[..., 0] * d[None, :, 1] - rel[..., 1] * d[None, :, 0]) / det
            u = (rel[..., 0] * m[:, None, 1] - rel[..., 1] * m[:, None, 0]) / det
        ahead = np.where((u >= -1e-6) & (u <= 1 + 1e-6) & (ahead > 0), ahead, np.inf)
        outer_px[n_outline:] = ahead.min(1)
    # inner edges too close to the outline are measured together with it, never by themselves
    keep = outer_px > 3.0 * blur_px + 1.0
    return EdgeSamples(
        place[keep],
        normal[keep],
        first_i[keep],
        second_i[keep],
        fraction[keep],
        edge[keep],
        along[keep],
        spacing[keep],
        inner_px[keep],
        inner_first[keep],
        inner_second[keep],
        inner_fraction[keep],
        outer_px[keep],
    )


def displacement_jacobian(samples: EdgeSamples, d_points: Array) -> tuple[Array, Array]:
    """How far each sample's edge moves along the sample's normal, per unit of each parameter.

    d_points (P, M, 2): derivative of the body's points by the P parameters. Returns (S, P) for the samples' own edges
    and (S, P) for the inner edges behind them (0 where there is none).
    """
    f = samples.fraction[None, :, None]
    move = (1 - f) * d_points[:, samples.first] + f * d_points[:, samples.second]
    own = (move * samples.normal).sum(-1).T
    g = samples.inner_fraction[None, :, None]
    move = (1 - g) * d_points[:, samples.inner_first] + g * d_points[:, samples.inner_second]
    inner = (move * samples.normal).sum(-1).T
    inner[~np.isfinite(samples.inner_px)] = 0.0
    return own, inner
