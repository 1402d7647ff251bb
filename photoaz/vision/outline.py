"""Samples along the outline and the inner edges of a box, and how each moves with the box's parameters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import chain as joined
from itertools import pairwise

import numpy as np

from photoaz.photo.camera import Array
from photoaz.vision.box import LEFT_SIDE, N_BODY, RIGHT_SIDE, BoxView


def ramp(value: Array) -> Array:
    """Weights from 0 to 1, as value (...,) is where it lies between: what comes and goes must not make a fit jump."""
    return np.minimum(np.maximum(value, 0.0), 1.0)  # np.clip takes three times as long for a few values


#: kinds of edges; the inner ones are those between two visible faces
LEFT, RIGHT, TOP, BOTTOM, INNER_LEFT, INNER_RIGHT, INNER_LOWER, INNER_UPPER = range(8)
N_EDGES = 8
_INNER_KINDS = (INNER_LEFT, INNER_RIGHT, INNER_LOWER, INNER_UPPER)
#: the inner edge behind each edge of the outline
PARTNER = np.array([INNER_LEFT, INNER_RIGHT, INNER_UPPER, INNER_LOWER])


@dataclass(frozen=True, slots=True)
class EdgeSamples:
    """Samples along the edges of one or several boxes. All arrays have one entry per sample, shape (S,) or (S, 2).

    The samples of a box follow each other, and within it those of an edge.

    x_px: the place; normal: unit, pointing out of the box (for an inner edge: away from the large face); first, second,
    fraction: the sample is (1 - fraction) * points[first] + fraction * points[second] of the body's points, counted on
    through all boxes; edge: the kind; along: position along its edge, -1 to 1; spacing_px: length of edge that the
    sample stands for: it fades out where the edge ends, so that nothing jumps when a box is moved; inner_px: distance
    inwards to the next edge (inf: none near); inner_share: how far that edge is there to be measured, 0 to 1; inner_*:
    its own interpolation; outer_px: distance outwards from an inner edge to the outline (inf for the outline itself);
    box: which of the boxes it belongs to.
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
    inner_share: Array
    inner_first: Array
    inner_second: Array
    inner_fraction: Array
    outer_px: Array
    box: Array

    def __len__(self) -> int:
        return len(self.edge)

    def pick(self, keep: Array) -> EdgeSamples:
        """Some of the samples, by a mask (S,)."""
        return self if keep.all() else EdgeSamples(*(getattr(self, f.name).compress(keep, 0) for f in fields(self)))

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
    total = np.bincount(of, length, len(chains))
    usable = np.maximum(total - 2 * trim, 0.0)
    spacing = np.clip(total / _FEW_ON_AN_EDGE, 1.0, np.maximum(spacing_px, total / max_per_edge))
    # counted from the middle outwards: a longer edge gets more samples at its ends, where they count little
    beside = np.where(usable > 0, np.ceil(0.5 * usable / spacing + 0.5) - 1, -1).astype(int)
    n = np.maximum(2 * beside + 1, 0)
    own = np.repeat(np.arange(len(chains)), n)
    step_no = np.arange(len(own)) - (np.cumsum(n) - n)[own] - beside[own]
    cell, end_of = spacing[own], 0.5 * usable[own]
    low, high = (np.clip((step_no + half) * cell, -end_of, end_of) for half in (-0.5, 0.5))
    arc, stands_for = 0.5 * (total[own] + low + high), high - low
    first = np.searchsorted(of, np.arange(len(chains)))
    number = np.arange(len(of)) - first[of]
    ends = np.full((len(chains), int(number.max(initial=-1)) + 1), np.inf)
    ends[of, number] = length
    ends = np.cumsum(ends, 1)[own]  # of each polyline by itself: the same whatever others there are
    begun = np.where(np.isfinite(ends[:, 1:]), ends[:, :-1], np.inf)

    def located(arc: Array) -> tuple[Array, Array, Array]:
        """Places, segments and how far along them, of lengths from the starts of the samples' polylines."""
        nth = np.count_nonzero(begun <= arc[:, None], 1)
        segment = first[own] + nth
        fraction = (arc - ends[np.arange(len(own)), nth]) / length[segment] + 1.0
        return place.take(at[segment], 0) + fraction[:, None] * step.take(segment, 0), segment, fraction

    x, segment, fraction = located(arc)
    # from one end to the other of what a sample stands for: it turns round a corner little by little
    chord = located(np.minimum(arc + 0.5 * cell, total[own]))[0] - located(np.maximum(arc - 0.5 * cell, 0.0))[0]
    tangent = chord / np.hypot(chord[:, 0], chord[:, 1])[:, None]
    start = at[segment]
    return _Chains(
        chain=own,
        x_px=x,
        normal=np.stack([tangent[:, 1], -tangent[:, 0]], -1),
        first=index[start],
        second=index[start + 1],
        fraction=fraction,
        along=arc / total[own] * 2 - 1,
        spacing_px=stands_for,
        arc=arc,
    )


def _outline_chains(view: BoxView) -> list[tuple[int, list[int]]]:
    """The outline's polylines by kind, clockwise as shown: its sides, and what is between them at top and bottom."""
    hull = view.hull.tolist()
    upper = [2 * h >= N_BODY for h in hull]
    rising = [i for i in range(len(hull)) if upper[i] and not upper[i - 1]]
    if len(rising) != 1:
        return []
    hull = hull[rising[0] :] + hull[: rising[0]]
    n_upper = sum(upper)
    (left_low, left_up), (right_low, right_up) = LEFT_SIDE, RIGHT_SIDE
    px = view.points_px.tolist()  # arithmetic of single numbers is Python's business
    top = _between(px, (left_low, left_up), hull[:n_upper], (right_low, right_up))
    bottom = _between(px, (right_up, right_low), hull[n_upper:], (left_up, left_low))
    return [(LEFT, [left_low, left_up]), (RIGHT, [right_up, right_low]), (TOP, top), (BOTTOM, bottom)]


def _between(px: list[list[float]], before: tuple[int, int], points: list[int], after: tuple[int, int]) -> list[int]:
    """The polyline from the second end of one side by way of points of the outline to that of the next side.

    Points that the sides have passed already are left out.
    """

    def ahead(side: tuple[int, int], p: int) -> bool:
        (x0, y0), (x1, y1), (x, y) = px[side[0]], px[side[1]], px[p]
        dx, dy, ex, ey = x1 - x0, y1 - y0, x - x1, y - y1
        return dx * ex + dy * ey > -abs(dx * ey - dy * ex)

    while points and not ahead(before, points[0]):
        points = points[1:]
    while points and not ahead(after, points[-1]):
        points = points[:-1]
    return [before[1], *points, after[1]]


#: samples on a short edge, whatever the spacing asked for
_FEW_ON_AN_EDGE = 12.0
#: an outline that turns within the trimmed length by this or more has a corner there; it begins to be one at half of it
_CORNER_COSINE, _BEND_COSINE = np.cos(np.radians([25.0, 12.5]))


def _apart_from_corners(samples: _Chains, capped: Array, trim: Array) -> Array:
    """How far (0 to 1) a sample is away from corners of the outline, where its profile would cross the other edge.

    capped: whether a polyline runs round a cap; trim: of each polyline.
    """
    ok = np.ones(len(samples.chain))
    at = np.flatnonzero(capped[samples.chain])
    chain, normal, arc, reach = samples.chain[at], samples.normal[at], samples.arc[at], trim[samples.chain[at]]
    for k in range(1, len(at)):
        near = np.where(chain[k:] == chain[:-k], np.clip(reach[k:] - arc[k:] + arc[:-k], 0.0, 1.0), 0.0)
        if not near.any():
            break
        cosine = (normal[k:] * normal[:-k]).sum(1)
        left = 1.0 - near * np.clip((_BEND_COSINE - cosine) / (_BEND_COSINE - _CORNER_COSINE), 0.0, 1.0)
        ok[at[k:]] = np.minimum(ok[at[k:]], left)
        ok[at[:-k]] = np.minimum(ok[at[:-k]], left)
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
        some = (none, none, empty, none, empty, empty, empty, empty, none, none, empty, empty, none)
        return EdgeSamples(flat, flat, *some)
    kind_of, box_of = np.array(kinds), np.array(boxes)
    trim = (1.1 * blur + 1.0)[box_of]
    c = _sample_chains(px, chains, max_per_edge, trim, spacing_px)
    stands_for = c.spacing_px * _apart_from_corners(c, (kind_of == TOP) | (kind_of == BOTTOM), trim)
    edge, box = kind_of[c.chain], box_of[c.chain]
    seen = np.stack([v.inner_seen for v in views])
    behind = _inner_behind(c, edge, box, inner, px, seen)
    outer_px = np.full(len(edge), np.inf)
    inside = np.flatnonzero(edge >= INNER_LEFT)
    if len(inside):
        outer_px[inside] = _outline_ahead(c.x_px.take(inside, 0), c.normal.take(inside, 0), box[inside], views)
        # inner edges too close to the outline are measured together with it, never by themselves
        alone = ramp(outer_px[inside] - (3.0 * blur + 1.0)[box[inside]])
        stands_for[inside] *= alone * seen[box[inside], edge[inside] - INNER_LEFT]
    samples = EdgeSamples(
        x_px=c.x_px,
        normal=c.normal,
        first=c.first,
        second=c.second,
        fraction=c.fraction,
        edge=edge,
        along=c.along,
        spacing_px=stands_for,
        inner_px=behind[0],
        inner_share=behind[1],
        inner_first=behind[2],
        inner_second=behind[3],
        inner_fraction=behind[4],
        outer_px=outer_px,
        box=box,
    )
    return samples.pick(stands_for > _LEAST_PX)


#: what stands for less of an edge than this is left out, px
_LEAST_PX = 1e-4


def _inner_behind(
    c: _Chains, edge: Array, box: Array, inner: Array, px: Array, seen: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """The inner edge inwards of each sample of the outline: the one of its own side, else the nearest.

    Its distance, how far it is there to be measured (only that of the same side), its ends' points, and the fraction
    between them. edge, box (S,); inner (B, 4, 2): the inner edges of each box, -1 where there is none; seen (B, 4): how
    far they are in view.
    """
    n = len(box)
    nearest, share, fraction = np.full(n, np.inf), np.zeros(n), np.zeros(n)
    ends = np.zeros((n, 2), int)
    outer = np.flatnonzero(edge < INNER_LEFT)
    pairs, behind = inner[box[outer]], PARTNER[edge[outer]]
    for k in range(inner.shape[1]):
        some = np.flatnonzero(pairs[:, k, 0] >= 0)
        at, pair = outer[some], pairs[some, k]
        a, m = px.take(pair[:, 0], 0), c.normal.take(at, 0)
        d, rel = px.take(pair[:, 1], 0) - a, c.x_px.take(at, 0) - a
        dx, dy, mx, my = d[:, 0], d[:, 1], m[:, 0], m[:, 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            det = mx * dy - my * dx
            back = (rel[:, 0] * dy - rel[:, 1] * dx) / det  # inwards: x - back * m lies on the line
            u = (rel[:, 0] - back * mx) * dx + (rel[:, 1] - back * my) * dy
            u = u / (dx * dx + dy * dy)
            there = ramp(2.0 * back) * ramp(10.0 * u + 0.5) * ramp(10.5 - 10.0 * u) * seen[box[at], k]
            own = behind[some] == _INNER_KINDS[k]
            hit = np.isfinite(back) & (there > 0.0) & (own | ((back < nearest[at]) & (share[at] == 0.0)))
        at = at[hit]
        nearest[at], share[at], fraction[at], ends[at] = back[hit], (there * own)[hit], u[hit], pair[hit]
    return nearest, share, ends[:, 0], ends[:, 1], fraction


def _outline_ahead(x: Array, normal: Array, box: Array, views: Sequence[BoxView]) -> Array:
    """How far outwards along its normal each sample (S, 2) of an inner edge meets its own box's outline.

    The outline is convex and the samples lie inside: the nearest of the lines along its sides that lies ahead.
    """
    longest = max(len(v.hull) for v in views)
    # closed, and filled up with its first point: no length, never ahead
    hulls = [v.hull.tolist() for v in views]
    closed = np.array([h + h[:1] * (longest + 1 - len(h)) for h in hulls])
    poly = np.stack([v.points_px for v in views])[np.arange(len(views))[:, None], closed]
    side = poly[:, 1:] - poly[:, :-1]
    out = np.stack([side[..., 1], -side[..., 0]], -1)  # outwards, as long as the side; clockwise with y down
    level = out[..., 0] * poly[:, :-1, 0] + out[..., 1] * poly[:, :-1, 1]
    speed, distance = np.zeros((len(x), longest)), np.zeros((len(x), longest))
    cut = np.searchsorted(box, np.arange(len(views) + 1)).tolist()
    for b, (i, j) in enumerate(pairwise(cut)):
        own = out[b, : len(hulls[b])]
        speed[i:j, : len(own)] = normal[i:j] @ own.T
        distance[i:j, : len(own)] = level[b, : len(own)] - x[i:j] @ own.T
    return np.asarray(np.divide(distance, speed, out=np.full_like(speed, np.inf), where=speed > 1e-9).min(1))


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
        samples.normal.take(at, 0), samples.inner_first[at], samples.inner_second[at], samples.inner_fraction[at]
    )
    return own, inner
