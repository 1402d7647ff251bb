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


@dataclass(frozen=True, slots=True)
class _Chains:
    """Samples along polylines of points, all polylines at once; one entry per sample.

    chain: which polyline; arc: length from the polyline's start; the rest as in `EdgeSamples`.
    """

    chain: Array
    x_px: Array
    normal: Array
    first: Array
    second: Array
    fraction: Array
    along: Array
    spacing_px: Array
    arc: Array

    def pick(self, keep: Array) -> _Chains:
        return _Chains(*(getattr(self, name)[keep] for name in self.__slots__))


def _sample_chains(points: Array, chains: list[Array], max_per_edge: int, trim: float) -> _Chains:
    """Samples a pixel apart or `max_per_edge` to a polyline, `trim` left out at its ends; normals left of travel."""
    index = np.concatenate(chains)
    chain = np.repeat(np.arange(len(chains)), [len(c) for c in chains])
    place = points[index]
    step = place[1:] - place[:-1]
    length = np.hypot(step[:, 0], step[:, 1])
    at = np.flatnonzero((chain[1:] == chain[:-1]) & (length > 1e-6))
    length, step, of = length[at], step[at], chain[at]
    end = np.cumsum(length)
    total = np.bincount(of, length, len(chains))
    usable = total - 2 * trim
    n = np.where(usable > 0.5, np.maximum(2, np.rint(usable / np.maximum(1.0, total / max_per_edge))), 0).astype(int)
    own = np.repeat(np.arange(len(chains)), n)
    before = np.cumsum(n) - n
    spacing = np.divide(usable, n, out=np.zeros_like(usable), where=n > 0)
    arc = trim + (np.arange(len(own)) - before[own] + 0.5) * spacing[own]
    # segments of one polyline lie end to end on the way along all of them
    offset = np.cumsum(total) - total
    lowest = np.searchsorted(of, own)
    segment = np.searchsorted(end, offset[own] + arc, side="right")
    segment = np.clip(segment, lowest, np.searchsorted(of, own, side="right") - 1) if len(own) else own
    fraction = (offset[own] + arc - (end - length)[segment]) / length[segment]
    tangent = step[segment] / length[segment][:, None]
    start = at[segment]
    return _Chains(
        chain=own,
        x_px=place[start] + fraction[:, None] * step[segment],
        normal=np.stack([tangent[:, 1], -tangent[:, 0]], -1),
        first=index[start],
        second=index[start + 1],
        fraction=fraction,
        along=arc / total[own] * 2 - 1,
        spacing_px=spacing[own],
        arc=arc,
    )


def _outline_chains(view: BoxView) -> list[tuple[int, Array]]:
    """The outline's polylines by kind: clockwise as shown, cut where it changes between body and caps."""
    hull = view.hull
    slices = hull // (len(view.points_px) // 4)
    following, after = np.roll(hull, -1), np.roll(slices, -1)
    out: list[tuple[int, Array]] = []
    for i in np.flatnonzero(((slices == 1) & (after == 2)) | ((slices == 2) & (after == 1))):
        # clockwise with y down: upwards on the left
        out.append((LEFT if slices[i] == 1 else RIGHT, np.array([hull[i], following[i]])))
    for kind, inside in ((TOP, slices >= 2), (BOTTOM, slices < 2)):
        if inside.any() and not inside.all():
            first = np.flatnonzero(inside & ~np.roll(inside, 1))
            if len(first) == 1:
                out.append((kind, np.roll(hull, -first[0])[: int(inside.sum())]))
    return out


def _apart_from_corners(samples: _Chains, kinds: Array, trim: float) -> Array:
    """Whether a sample is far enough from corners of the outline, where its profile would cross the other edge."""
    ok = np.ones(len(samples.chain), bool)
    for kind in (TOP, BOTTOM):
        at = np.flatnonzero(kinds[samples.chain] == kind)
        if len(at):
            heading = np.unwrap(np.arctan2(samples.normal[at, 0], -samples.normal[at, 1]))
            arc = samples.arc[at]
            near = np.abs(arc[:, None] - arc[None, :]) < trim
            ok[at] = (np.abs(heading[:, None] - heading[None, :]) * near).max(1) < np.radians(25)
    return ok


def sample_edges(view: BoxView, *, blur_px: float, max_per_edge: int = 120) -> EdgeSamples:
    """Samples of every edge that can be measured in this view, ends left out where two edges meet."""
    px = view.points_px
    trim = 1.1 * blur_px + 1.0
    outline = _outline_chains(view)
    inner = [
        (kind, idx)
        for kind, idx in (
            (INNER_LEFT, view.inner_left),
            (INNER_RIGHT, view.inner_right),
            (INNER_LOWER, view.inner_lower),
            (INNER_UPPER, view.inner_upper),
        )
        if idx is not None
    ]
    if not outline and not inner:
        empty, none, flat = np.zeros(0), np.zeros(0, int), np.zeros((0, 2))
        return EdgeSamples(flat, flat, none, none, empty, none, empty, empty, empty, none, none, empty, empty)
    kinds = np.array([kind for kind, _ in (*outline, *inner)])
    c = _sample_chains(px, [idx for _, idx in (*outline, *inner)], max_per_edge, trim)
    c = c.pick(_apart_from_corners(c, kinds, trim))
    edge = kinds[c.chain]
    n_outline = int(np.searchsorted(c.chain, len(outline)))
    inner_px = np.full(len(edge), np.inf)
    inner_first = np.zeros(len(edge), int)
    inner_second = np.zeros(len(edge), int)
    inner_fraction = np.zeros(len(edge))
    x, m = c.x_px[:n_outline], c.normal[:n_outline]
    with np.errstate(divide="ignore", invalid="ignore"):
        for _kind, idx in inner:
            a, b = px[idx[0]], px[idx[1]]
            d = b - a
            det = m[:, 0] * d[1] - m[:, 1] * d[0]
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
            poly = px[view.hull]
            d = np.roll(poly, -1, 0) - poly
            y, m = c.x_px[n_outline:], c.normal[n_outline:]
            det = m[:, :1] * d[:, 1] - m[:, 1:] * d[:, 0]
            rel_x, rel_y = poly[:, 0] - y[:, :1], poly[:, 1] - y[:, 1:]
            ahead = (rel_x * d[:, 1] - rel_y * d[:, 0]) / det
            u = (rel_x * m[:, 1:] - rel_y * m[:, :1]) / det
            ahead = np.where((u >= -1e-6) & (u <= 1 + 1e-6) & (ahead > 0), ahead, np.inf)
            outer_px[n_outline:] = ahead.min(1)
    # inner edges too close to the outline are measured together with it, never by themselves
    keep = outer_px > 3.0 * blur_px + 1.0
    return EdgeSamples(
        c.x_px[keep],
        c.normal[keep],
        c.first[keep],
        c.second[keep],
        c.fraction[keep],
        edge[keep],
        c.along[keep],
        c.spacing_px[keep],
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
    moved = np.ascontiguousarray(np.moveaxis(d_points, 0, -1))  # (M, 2, P): one gather serves all parameters

    def along_normal(normal: Array, first: Array, second: Array, fraction: Array) -> Array:
        a, b = moved[first], moved[second]
        x, y = normal[:, :1], normal[:, 1:]
        start, end = x * a[:, 0] + y * a[:, 1], x * b[:, 0] + y * b[:, 1]
        return np.asarray(start + fraction[:, None] * (end - start))

    own = along_normal(samples.normal, samples.first, samples.second, samples.fraction)
    inner = np.zeros_like(own)
    at = np.flatnonzero(np.isfinite(samples.inner_px))
    inner[at] = along_normal(
        samples.normal[at], samples.inner_first[at], samples.inner_second[at], samples.inner_fraction[at]
    )
    return own, inner
