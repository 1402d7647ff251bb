"""Boxes being fitted, all at once: what is known of each, samples of its edges, and the equations that samples make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise

import numpy as np

from photoaz.photo.camera import Array
from photoaz.vision.box import N_BODY, N_PARAMETERS, Sighting, body_derivative, views_of, with_sides
from photoaz.vision.outline import (
    INNER_LEFT,
    N_EDGES,
    PARTNER,
    EdgeSamples,
    displacement_jacobian,
    sample_edges,
)
from photoaz.vision.patch import Patch
from photoaz.vision.picked import ANY_SIDE, READINGS, Told, mask_of, off_px, told
from photoaz.vision.profile_fit import EdgeOffsets, widened

#: fewer samples of a box's edges than this fix nothing
_FEWEST = 12
#: samples nearer to the picture's border than this [px] have no pixels on their other side
_FROM_BORDER_PX = 1.5
#: share of a box's samples that must have pixels before the others count as cut off (common practice, no source)
_LEAST_IN_PICTURE = 0.4


# How far real bodies and real pixels depart from the model; one standard uncertainty each.
#: place of a single sample whatever its noise, px; samples closer together than this along an edge are one, px
FLOOR_PX, CORRELATION_PX = 0.15, 8.0
#: shift of a whole edge of the outline; of the inner upright edges, whose place on the rounding the light decides; of
#: the cap's rim; of any edge besides
OUTLINE_M, ROUNDING_M, RIM_M, SHIFT_PX = 0.003, 0.015, 0.008, 0.2
#: of an edge's ends against each other
TILT_M, TILT_PX = 0.002, 0.15


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of a box before its pixels are looked at: mean (N_PARAMETERS,) and inverse covariance.

    width_m: the width, for the tolerances in metres.
    """

    mean: Array
    information: Array
    width_m: float


@dataclass(frozen=True, slots=True)
class FitTask:
    """One antenna to be fitted: its pixels, what is known of it, and four rough corners (4, 2) or None.

    corner_px: standard uncertainty of a corner. reads (3,): what the corners may be (`picked.READINGS`). off_rad: least
    and largest angle of the front off the direction to the camera.
    """

    patch: Patch
    prior: Prior
    corners_px: Array | None
    corner_px: float = 0.0
    reads: Array = field(default_factory=lambda: mask_of("front", exact=True))
    off_rad: tuple[float, float] = ANY_SIDE

    @property
    def sigma_px(self) -> float:
        """Of a corner: as stated, or else as a careful person's."""
        return self.corner_px or (1.0 if self.corners_px is None else off_px(self.corners_px))


#: for boxes of which the picture is not asked
NO_PATCH = Patch(np.zeros((2, 2, 1), np.float32), (0, 0))


@dataclass(frozen=True, slots=True)
class FitBatch:
    """Boxes being fitted, all at once: theta (B, P) and blur_px (B,) of each, and which task each belongs to (B,).

    mean (B, P), information (B, P, P), width_m (B,): of their priors; corners_px (B, 4, 2): rough corners, NaN where
    there are none; sigma_px (B,), reads (B, 3): of these.
    """

    tasks: Sequence[FitTask]
    task: Array
    theta: Array
    blur_px: Array
    mean: Array
    information: Array
    corners_px: Array
    sigma_px: Array
    reads: Array
    width_m: Array

    @classmethod
    def of(cls, tasks: Sequence[FitTask], thetas: Sequence[Sequence[Array]], blur_px: float) -> FitBatch:
        """All boxes of all tasks: thetas holds those (P,) of each, in whatever order; at least one."""
        thetas = [sorted(some, key=lambda theta: theta.tolist()) for some in thetas]
        nowhere = np.full((4, 2), np.nan)
        task = [k for k, some in enumerate(thetas) for _ in some]
        own = [tasks[k] for k in task]
        return cls(
            tasks,
            np.array(task),
            np.stack([theta for some in thetas for theta in some]),
            np.full(len(task), blur_px),
            np.stack([t.prior.mean for t in own]),
            np.stack([t.prior.information for t in own]),
            np.stack([nowhere if t.corners_px is None else t.corners_px for t in own]),
            np.array([t.sigma_px for t in own]),
            np.stack([t.reads for t in own]),
            np.array([t.prior.width_m for t in own]),
        )

    def __len__(self) -> int:
        return len(self.task)

    def pick(self, keep: Array) -> FitBatch:
        """Some of the boxes, by their numbers or a mask (B,)."""
        return FitBatch(self.tasks, *(getattr(self, f.name)[keep] for f in fields(self)[1:]))

    def moved(self, theta: Array, blur_px: Array) -> FitBatch:
        """The boxes at another place theta (B, P), with another blur (B,)."""
        return replace(self, theta=theta, blur_px=blur_px)

    def patches(self) -> list[Patch]:
        """The pixels of each box's task."""
        return [self.tasks[k].patch for k in self.task]

    def prior_pull(self) -> Array:
        """The prior's gradient (B, P)."""
        return np.asarray((self.information @ (self.mean - self.theta)[..., None])[..., 0])

    def prior_cost(self) -> Array:
        """The prior's -2 ln likelihood (B,)."""
        off = self.theta - self.mean
        return np.asarray(((off[:, None] @ self.information)[:, 0] * off).sum(1))

    def corner_terms(self, points: tuple[Array, Array]) -> Told:
        """What the rough corners say of the boxes, nothing where there are none.

        points: of the boxes, and their derivative, as `box.body_derivative` has them.
        """
        n, p = self.theta.shape
        out = Told(np.zeros((n, p, p)), np.zeros((n, p)), np.zeros(n), np.zeros((n, len(READINGS))))
        at = np.flatnonzero(~np.isnan(self.corners_px[:, 0, 0]))
        if len(at):
            said = told(self.reads[at], self.sigma_px[at], self.corners_px[at], (points[0][at], points[1][at]))
            out.normal[at], out.right[at], out.cost[at], out.share[at] = said.normal, said.right, said.cost, said.share
        return out


@dataclass(frozen=True, slots=True)
class SampledBoxes:
    """Boxes as they are to be measured: samples of their edges, displacements own and inner (S, P) by the parameters.

    left (B,): which of the boxes asked for these are, those with too few samples left out; points: of the boxes, and
    their derivative, as `box.body_derivative` has them.
    """

    boxes: FitBatch
    left: Array
    samples: EdgeSamples
    own: Array
    inner: Array
    points: tuple[Array, Array]


def sample_boxes(sighting: Sighting, boxes: FitBatch, max_per_edge: int, spacing_px: float) -> SampledBoxes:
    """Sample the edges of boxes, at most so many an edge and so far apart where it has enough of them."""
    left = np.arange(len(boxes))
    while True:
        points_px, derivative = body_derivative(sighting, boxes.theta)
        body_px, moves = with_sides(points_px[:, :N_BODY], derivative[:, :N_BODY])
        views = views_of(sighting, boxes.theta, body_px)
        samples = sample_edges(views, blur_px=boxes.blur_px, max_per_edge=max_per_edge, spacing_px=spacing_px)
        samples = samples.pick(_in_picture(boxes, samples))
        enough = np.bincount(samples.box, minlength=len(boxes)) >= _FEWEST
        if enough.all() or not enough.any():
            own, inner = displacement_jacobian(samples, moves)
            points = (points_px[enough], derivative[enough])
            return SampledBoxes(boxes.pick(enough), left[enough], samples, own, inner, points)
        boxes, left = boxes.pick(enough), left[enough]


def _in_picture(boxes: FitBatch, samples: EdgeSamples) -> Array:
    """Which samples (S,) have pixels: what the frame cuts off is no missing edge, it proves nothing.

    All of a box of which less than _LEAST_IN_PICTURE has some, lest it flee from the picture.
    """
    bounds = np.array([_bounds_px(task.patch) for task in boxes.tasks])[boxes.task]
    inside = np.ones(len(samples), bool)
    for axis in (0, 1):
        low, high = bounds[:, 0, axis][samples.box], bounds[:, 1, axis][samples.box]
        inside &= (samples.x_px[:, axis] >= low) & (samples.x_px[:, axis] <= high)
    if inside.all():
        return inside
    many = np.bincount(samples.box, minlength=len(boxes))
    share = np.bincount(samples.box, inside, len(boxes)) / np.maximum(many, 1)
    return np.asarray(inside | (share < _LEAST_IN_PICTURE)[samples.box])


def _bounds_px(patch: Patch) -> tuple[Array, Array]:
    """First and last place (2,) whose profile crosses pixels of the patch; all places where no picture is asked."""
    if patch is NO_PATCH:
        return np.full(2, -np.inf), np.full(2, np.inf)
    low = np.array(patch.origin_px, float)
    return low + _FROM_BORDER_PX, low + np.array(patch.pixels.shape[1::-1]) - 1.0 - _FROM_BORDER_PX


class ByBox:
    """Rows (n, ...) of boxes, box by box, whose (n,) each is; a box's sums are the same whatever others there are."""

    def __init__(self, box: Array, n_boxes: int) -> None:
        cut = np.searchsorted(box, np.arange(n_boxes + 1)).tolist()
        self.slices = [slice(i, j) for i, j in pairwise(cut)]

    def products(self, rows: Array, weight: Array, size: int) -> Array:
        """Weighed sums (B, size, m) of the products of rows' (n, m) first `size` entries with all of them."""
        out = np.empty((len(self.slices), size, rows.shape[1]))
        for b, at in enumerate(self.slices):
            own = rows[at]
            np.matmul((own[:, :size] * weight[at, None]).T, own, out=out[b])
        return out

    def times(self, rows: Array, step: Array) -> Array:
        """Products (n,) of rows (n, m) with their box's step (B, m)."""
        return np.concatenate([rows[at] @ step[b] for b, at in enumerate(self.slices)])


class OffsetRows:
    """Rows of unit weight of all samples' offsets: by the parameters, each edge's shift and tilt, and what was found.

    One row (N_PARAMETERS + 2 N_EDGES + 1,) a sample, and a second one for those that have an inner edge behind them;
    that one shares the inner edge's own shift and tilt. rows (n, ...): box by box. shifts (B, 2 N_EDGES): inverse
    variances of the shifts, then the tilts.
    """

    def __init__(self, seen: SampledBoxes, o: EdgeOffsets, f_px: float) -> None:
        k, m = N_PARAMETERS, N_PARAMETERS + 2 * N_EDGES
        samples = seen.samples
        r11, r21, r22 = _floored_root(o.weight, FLOOR_PX)
        one = np.zeros((len(samples), m + 1))
        rows = np.arange(len(samples))
        one[:, :k], one[:, m] = seen.own, o.own
        one[rows, k + samples.edge] = 1.0
        one[rows, k + N_EDGES + samples.edge] = samples.along
        at = np.flatnonzero(o.has_inner)
        two = np.zeros((len(at), m + 1))
        partner = PARTNER[samples.edge[at]]
        two[:, :k], two[:, m] = seen.inner[at], o.inner[at]
        two[rows[: len(at)], k + partner] = 1.0
        two[rows[: len(at)], k + N_EDGES + partner] = samples.along[at]
        two = r21[at, None] * one[at] + r22[at, None] * two
        self._sample = np.concatenate([rows, at])
        box = samples.box[self._sample]
        order = np.argsort(box, kind="stable")
        self._sample = self._sample[order]
        self._by_box = ByBox(box[order], len(seen.boxes))
        self.rows = np.concatenate([r11[:, None] * one, two])[order]
        scale = f_px * np.exp(seen.boxes.theta[:, 5]) / seen.boxes.width_m
        self._shifts = np.eye(2 * N_EDGES) / _edge_sigmas(scale)[:, None, :] ** 2

    def normal_equations(self, weight: Array) -> tuple[Array, Array, Array]:
        """Equations (B, P, P), (B, P) of the parameters, samples weighed (S,), the edges' own shifts eliminated.

        The third, gain (B, 2 N_EDGES, P + 1): the shifts and tilts are its last column less the rest times the step.
        """
        k, m = N_PARAMETERS, N_PARAMETERS + 2 * N_EDGES
        n = self._by_box.products(self.rows, weight[self._sample], m)
        gain = np.linalg.solve(n[:, k:, k:m] + self._shifts, np.concatenate([n[:, k:, :k], n[:, k:, m:]], 2))
        normal = n[:, :k, :k] - n[:, :k, k:m] @ gain[..., :k]
        return normal, n[:, :k, m] - (n[:, :k, k:m] @ gain[..., k:])[..., 0], gain

    def misfit(self, step: Array) -> Array:
        """What a step (B, P + 2 N_EDGES) of parameters, shifts and tilts leaves of each sample (S,), squared."""
        off = self.rows[:, -1] - self._by_box.times(self.rows[:, :-1], step)
        return np.bincount(self._sample, off * off)


def _floored_root(weight: Array, floor_px: float) -> tuple[Array, Array, Array]:
    """Lower square roots (first, between, second; each (S,)) of the weights after adding the floor's variance.

    An edge's place is never known better than the floor: clutter, compression, the shape's own tolerance.
    """
    w = widened(weight, floor_px**2)
    second = np.sqrt(w[:, 1, 1])
    between = w[:, 0, 1] / np.maximum(second, 1e-9)
    return np.sqrt(np.maximum(w[:, 0, 0] - between**2, 1e-12)), between, second


def _edge_sigmas(scale: Array) -> Array:
    """Standard uncertainties (B, 2 * N_EDGES) px of the edges' shifts, then their tilts; scale (B,): px per metre."""
    body = np.array([OUTLINE_M] * 4 + [ROUNDING_M] * 2 + [RIM_M] * 2) * scale[:, None]
    ends = np.where(np.arange(N_EDGES) < INNER_LEFT, TILT_M, 2.0 * TILT_M) * scale[:, None]
    return np.concatenate([np.hypot(body, SHIFT_PX), np.hypot(ends, TILT_PX)], 1)


def solve_each(normal: Array, right: Array) -> Array:
    """Solutions (B, P) of equations (B, P, P), (B, P)."""
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])
