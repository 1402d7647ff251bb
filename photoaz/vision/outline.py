"""Samples along the outline and the inner edges of a box, and how each moves with the box's parameters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import chain as joined
from itertools import pairwise

import numpy as np

from photoaz.photo.camera import Array
from photoaz.vision.box import BoxView

#: kinds of edges; the inner ones are those between two visible faces
LEFT, RIGHT, TOP, BOTTOM, INNER_LEFT, INNER_RIGHT, INNER_LOWER, INNER_UPPER = range(8)
N_EDGES = 8
_INNER_KINDS = (INNER_LEFT, INNER_RIGHT, INNER_LOWER, INNER_UPPER)


@dataclass(frozen=True, slots=True)
class EdgeSamples:
    """Samples along the edges of one or several boxes. All arrays have one entry per sample, shape (S,) or (S, 2).

    The samples of a box follow each other, and within it those of an edge.

    x_px: the place; normal: unit, pointing out of the box (for an inner edge: away from the large face); first, second,
    fraction: the sample is (1 - fraction) * points[first] + fraction * points[second] of the body's points, counted on
    through all boxes; edge: the kind; along: position along its edge, -1 to 1; spacing_px: length of edge that the
    sample stands for; inner_px: distance inwards to the next edge (inf: none near); inner_*: that edge's own
    interpolation; outer_px: distance outwards from an inner edge to the outline (inf for the outline itself); box:
    which of the boxes it belongs to.
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
    box: Array

    def __len__(self) -> int:
        return len(self.edge)

    def pick(self, keep: Array) -> EdgeSamples:
        """Some of the samples, by a mask (S,)."""
        return EdgeSamples(*(getattr(self, f.name)[keep] for f in fields(self)))

    @property
    def run(self) -> Array:
        """A number for each edge of each box: samples of one edge share it."""
        return self.box * N_EDGES + self.edge


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
        return _Chains(*(getattr(self, f.name)[keep] for f in fields(self)))


def _sample_chains(
    points: Array, chains: list[list[int]], max_per_edge: int, trim: Array, spacing_px: float
) -> _Chains:
    """Samples along polylines, the `trim` of each left out at its ends; normals left of travel. See `sample_edges`."""
    size = [len(c) for c in chains]
    index = np.fromiter(joined.from_iterable(chains), int, sum(size))
    chain = np.repeat(np.arange(len(chains)), size)
    place = points[index]
    step = place[1:] - place[:-1]
    length = np.hypot(step[:, 0], step[:, 1])
    at = np.flatnonzero((chain[1:] == chain[:-1]) & (length > 1e-6))
    length, step, of = length[at], step[at], chain[at]
    end = np.cumsum(length)
    total = np.bincount(of, length, len(chains))
    usable = total - 2 * trim
    n = np.where(
        usable > 0.5,
        np.maximum(
            2, np.rint(usable / np.clip(total / _FEW_ON_AN_EDGE, 1.0, np.maximum(spacing_px, total / max_per_edge)))
        ),
        0,
    ).astype(int)
    own = np.repeat(np.arange(len(chains)), n)
    before = np.cumsum(n) - n
    spacing = np.divide(usable, n, out=np.zeros_like(usable), where=n > 0)
    arc = trim[own] + (np.arange(len(own)) - before[own] + 0.5) * spacing[own]
    # segments of one polyline lie end to end on the way along all of them
    offset = np.cumsum(total) - total
    lowest, highest = np.searchsorted(of, np.arange(len(chains) + 1))[[own, own + 1]] if len(own) else (own, own)
    segment = np.searchsorted(end, offset[own] + arc, side="right")
    segment = np.clip(segment, lowest, highest - 1)
    long = length[segment]
    fraction = (offset[own] + arc - end[segment]) / long + 1.0
    tangent = step[segment] / long[:, None]
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


def _outline_chains(view: BoxView) -> list[tuple[int, list[int]]]:
    """The outline's polylines by kind: clockwise as shown, cut where it changes between body and caps."""
    slice_size = len(view.points_px) // 4
    hull = view.hull.tolist()
    slices = [h // slice_size for h in hull]
    out: list[tuple[int, list[int]]] = []
    upper = [s >= 2 for s in slices]
    rising: list[int] = []
    falling: list[int] = []
    for i in range(len(hull)):
        if upper[i] != upper[i - 1]:
            (rising if upper[i] else falling).append(i)
            # clockwise with y down: upwards on the left
            if slices[i - 1] + slices[i] == 3 and slices[i] in (1, 2):
                out.append((LEFT if upper[i] else RIGHT, [hull[i - 1], hull[i]]))
    if len(rising) == 1:
        (top,), (bottom,) = rising, falling
        round_ = hull + hull
        out.append((TOP, round_[top : bottom + (len(hull) if bottom < top else 0)]))
        out.append((BOTTOM, round_[bottom : top + (len(hull) if top < bottom else 0)]))
    return out


#: samples on a short edge, whatever the spacing asked for
_FEW_ON_AN_EDGE = 12.0
#: an outline that turns by more than this within the trimmed length has a corner there
_CORNER_COSINE = float(np.cos(np.radians(25.0)))


def _apart_from_corners(samples: _Chains, capped: Array, trim: Array) -> Array:
    """Whether a sample is far enough from corners of the outline, where its profile would cross the other edge.

    capped: whether a polyline runs round a cap; trim: of each polyline.
    """
    ok = np.ones(len(samples.chain), bool)
    at = np.flatnonzero(capped[samples.chain])
    chain, normal, arc, reach = samples.chain[at], samples.normal[at], samples.arc[at], trim[samples.chain[at]]
    for k in range(1, len(at)):
        near = (chain[k:] == chain[:-k]) & (arc[k:] - arc[:-k] < reach[k:])
        if not near.any():
            break
        turned = near & ((normal[k:] * normal[:-k]).sum(1) < _CORNER_COSINE)
        ok[at[k:][turned]] = False
        ok[at[:-k][turned]] = False
    return ok


def _chains_of(views: Sequence[BoxView]) -> tuple[list[int], list[list[int]], list[int], Array]:
    """Polylines of all views' edges: their kinds, points (counted on through all views) and views.

    And the ends (B, 4, 2) of the inner edges of each view, -1 where there is none.
    """
    kinds: list[int] = []
    chains: list[list[int]] = []
    boxes: list[int] = []
    inner = np.full((len(views), len(_INNER_KINDS), 2), -1)
    start = 0
    for b, v in enumerate(views):
        for kind, points in _outline_chains(v):
            kinds.append(kind)
            chains.append([start + p for p in points])
        for k, ends in enumerate((v.inner_left, v.inner_right, v.inner_lower, v.inner_upper)):
            if ends is not None:
                inner[b, k] = ends + start
                kinds.append(_INNER_KINDS[k])
                chains.append(inner[b, k].tolist())
        boxes += [b] * (len(kinds) - len(boxes))
        start += len(v.points_px)
    return kinds, chains, boxes, inner


def sample_edges(
    view: BoxView | Sequence[BoxView], *, blur_px: float | Array, max_per_edge: int = 120, spacing_px: float = 1.0
) -> EdgeSamples:
    """Samples of every edge that can be measured in a view (or in several), ends left out where two edges meet.

    blur_px: of the picture, one for all views or one for each. The samples are `spacing_px` apart, or closer where an
    edge would have only a few; never closer than a pixel, and never more than `max_per_edge`.
    """
    views = [view] if isinstance(view, BoxView) else view
    blur = np.broadcast_to(np.asarray(blur_px, float), (len(views),))
    px = np.concatenate([v.points_px for v in views])
    kinds, chains, boxes, inner = _chains_of(views)
    if not chains:
        empty, none, flat = np.zeros(0), np.zeros(0, int), np.zeros((0, 2))
        return EdgeSamples(flat, flat, none, none, empty, none, empty, empty, empty, none, none, empty, empty, none)
    kind_of, box_of = np.array(kinds), np.array(boxes)
    trim = (1.1 * blur + 1.0)[box_of]
    c = _sample_chains(px, chains, max_per_edge, trim, spacing_px)
    c = c.pick(_apart_from_corners(c, (kind_of == TOP) | (kind_of == BOTTOM), trim))
    edge, box = kind_of[c.chain], box_of[c.chain]
    on_outline = edge < INNER_LEFT
    inner_px, inner_first, inner_second, inner_fraction = _inner_behind(c, box, on_outline, inner, px)
    outer_px = np.full(len(edge), np.inf)
    inside = np.flatnonzero(~on_outline)
    if len(inside):
        outer_px[inside] = _outline_ahead(c.x_px[inside], c.normal[inside], box[inside], views)
    # inner edges too close to the outline are measured together with it, never by themselves
    samples = EdgeSamples(
        x_px=c.x_px,
        normal=c.normal,
        first=c.first,
        second=c.second,
        fraction=c.fraction,
        edge=edge,
        along=c.along,
        spacing_px=c.spacing_px,
        inner_px=inner_px,
        inner_first=inner_first,
        inner_second=inner_second,
        inner_fraction=inner_fraction,
        outer_px=outer_px,
        box=box,
    )
    return samples.pick(outer_px > (3.0 * blur + 1.0)[box])


def _inner_behind(
    c: _Chains, box: Array, on_outline: Array, inner: Array, px: Array
) -> tuple[Array, Array, Array, Array]:
    """The nearest inner edge inwards of each sample of the outline: distance, its ends' points, fraction between them.

    inner (B, 4, 2): the inner edges of each box, -1 where there is none.
    """
    n = len(box)
    nearest, fraction = np.full(n, np.inf), np.zeros(n)
    ends = np.zeros((n, 2), int)
    for k in range(inner.shape[1]):
        at = np.flatnonzero(on_outline & (inner[box, k, 0] >= 0))
        pair = inner[box[at], k]
        a = px[pair[:, 0]]
        d = px[pair[:, 1]] - a
        x, m = c.x_px[at], c.normal[at]
        rel = x - a
        with np.errstate(divide="ignore", invalid="ignore"):
            det = m[:, 0] * d[:, 1] - m[:, 1] * d[:, 0]
            back = (rel[:, 0] * d[:, 1] - rel[:, 1] * d[:, 0]) / det  # inwards: x - back * m lies on the line
            u = (rel[:, 0] - back * m[:, 0]) * d[:, 0] + (rel[:, 1] - back * m[:, 1]) * d[:, 1]
            u = u / (d * d).sum(1)
            hit = np.isfinite(back) & (back > 0.05) & (u > -0.05) & (u < 1.05) & (back < nearest[at])
        at = at[hit]
        nearest[at], fraction[at], ends[at] = back[hit], u[hit], pair[hit]
    return nearest, ends[:, 0], ends[:, 1], fraction


def _outline_ahead(x: Array, normal: Array, box: Array, views: Sequence[BoxView]) -> Array:
    """How far outwards along its normal each sample (S, 2) of an inner edge meets its own box's outline.

    The outline is convex and the samples lie inside: the nearest of the lines along its sides that lies ahead.
    """
    longest = max(len(v.hull) for v in views)
    # closed, and filled up with its first point: no length, never ahead
    poly = np.stack([v.points_px[np.append(v.hull, np.full(longest + 1 - len(v.hull), v.hull[0]))] for v in views])
    side = poly[:, 1:] - poly[:, :-1]
    out = np.stack([side[..., 1], -side[..., 0]], -1)  # outwards, as long as the side; clockwise with y down
    level = (out * poly[:, :-1]).sum(-1)
    ahead = np.empty(len(x))
    cut = np.searchsorted(box, np.arange(len(views) + 1)).tolist()
    for b, (i, j) in enumerate(pairwise(cut)):
        if j > i:
            speed = normal[i:j] @ out[b].T
            distance = level[b] - x[i:j] @ out[b].T
            ahead[i:j] = np.divide(distance, speed, out=np.full_like(speed, np.inf), where=speed > 1e-9).min(1)
    return ahead


def displacement_jacobian(samples: EdgeSamples, d_points: Array) -> tuple[Array, Array]:
    """How far each sample's edge moves along the sample's normal, per unit of each parameter.

    d_points (M, 2, P), or (B, M, 2, P) of several boxes: derivative of the points by the P parameters. Returns (S, P)
    for the samples' own edges and (S, P) for the inner edges behind them (0 where there is none).
    """
    moved = d_points.reshape(-1, d_points.shape[-1])  # one gather serves all parameters

    def along_normal(normal: Array, first: Array, second: Array, fraction: Array) -> Array:
        # four weighed rows a sample: x and y of both points
        rows = np.stack([2 * first, 2 * first + 1, 2 * second, 2 * second + 1], 1)
        weight = np.concatenate([normal * (1.0 - fraction)[:, None], normal * fraction[:, None]], 1)
        return np.asarray((weight[:, None] @ moved.take(rows, 0))[:, 0])

    own = along_normal(samples.normal, samples.first, samples.second, samples.fraction)
    inner = np.zeros_like(own)
    at = np.flatnonzero(np.isfinite(samples.inner_px))
    inner[at] = along_normal(
        samples.normal[at], samples.inner_first[at], samples.inner_second[at], samples.inner_fraction[at]
    )
    return own, inner
