"""Fitting a rounded box to what a photo shows of an antenna.

Three steps: starts (from rough corners, or from a point), capture (each sample of the outline moves to the nearest
strong edge, robustly), settling (profiles with shades and blur; each edge may be shifted and tilted a little as a
whole, because real bodies differ from the model by millimetres and everything along an edge is wrong together).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.photo.camera import directions_from_pixels
from photoaz.vision.box import (
    N_PARAMETERS,
    BoxView,
    Sighting,
    body_and_corner_derivative,
    corner_derivative,
    ideal_corners_px,
    rotation_cam_from_panel,
    view_of,
    views_of,
)
from photoaz.vision.outline import (
    INNER_LEFT,
    INNER_LOWER,
    INNER_RIGHT,
    INNER_UPPER,
    N_EDGES,
    EdgeSamples,
    displacement_jacobian,
    sample_edges,
)
from photoaz.vision.patch import Patch
from photoaz.vision.profiles import EdgeOffsets, Neighbours, measure_offsets, nearest_strong_edge, neighbours

Array = NDArray[Any]

#: no step of an iteration is longer than this
_LONGEST = np.array([0.15, 0.06, 0.06, 4, 4, 0.08, 0.08, 0.15, 0.04, 0.02])
#: settled when the last step is below this
_SETTLED = np.array([2e-3, 2e-3, 2e-3, 0.05, 0.05, 2e-3, 2e-3, 5e-3, 1.0, 1.0])
#: or when it is shorter than this in units of its own uncertainty, squared
_AT_REST = 0.02
#: samples of an edge at most, and px between them at least where the edge has enough of them: (capture), (settling)
_CAPTURE_SAMPLES, _SETTLE_SAMPLES = (20, 2.0), (40, 1.5)
#: samples either side that a sample is judged by
_NEIGHBOURS = 3
#: robust reweightings within an iteration
_REWEIGHTED = 3
#: how much an edge counts while the box is being caught: wall and face often have the same shade
_CAPTURE_WEIGHT = np.array([1.0, 1.0, 1.0, 1.0, 0.3, 0.3, 1.0, 0.0])
#: and in the misfit that compares two minima
_MISFIT_WEIGHT = np.array([1.0, 1.0, 0.7, 0.7, 0.15, 0.15, 0.7, 0.0])
#: misfit (mean of capped squares) to -2 ln likelihood: an outline is worth about this many independent samples
_MISFIT_SAMPLES = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """How far real bodies and real pixels depart from the model; one standard uncertainty each.

    corner_px: of a rough corner. floor_px: place of a single sample whatever its noise. correlation_px: samples closer
    together than this along an edge are one. outline_m, shift_px: shift of a whole edge; rounding_m, rim_m: of the
    inner upright edges, whose place on the rounding the light decides, and of the cap's rim; tilt_m, tilt_px: of an
    edge's ends against each other.
    """

    corner_px: float = 3.2
    floor_px: float = 0.15
    correlation_px: float = 8.0
    outline_m: float = 0.003
    rounding_m: float = 0.015
    rim_m: float = 0.008
    shift_px: float = 0.2
    tilt_m: float = 0.002
    tilt_px: float = 0.15


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of a box before its pixels are looked at: mean (N_PARAMETERS,) and inverse covariance.

    width_m: the width, for the tolerances in metres.
    """

    mean: Array
    information: Array
    width_m: float


@dataclass(frozen=True, slots=True)
class Minimum:
    """One way the box fits.

    theta (P,); information (P, P) and gradient (P,) of the data alone at theta (the prior's part taken out): the data's
    cost near it is cost + 2 (-gradient) . d + d . information . d. cost: -2 ln likelihood of the pixels and corners,
    up to a constant common to all minima; prior_cost likewise for the prior. quality: share of the outline that found
    its edge. blur_px: of the photo, as found or assumed.
    """

    theta: Array
    information: Array
    gradient: Array
    cost: float
    prior_cost: float
    quality: float
    view: BoxView
    blur_px: float


def start_from_corners(
    sighting: Sighting,
    corners_px: Array,
    prior: Prior,
    tolerance: Tolerance,
    starts_rad: Array,
    *,
    hold_rad: float | None = None,
) -> list[tuple[float, Array]]:
    """Minima of the corners' misfit from several azimuths: (cost, theta), best first, near-equal ones merged.

    hold_rad: keeps each start's azimuth, with this standard uncertainty, instead of letting the corners decide it.
    """
    return _starts_of(sighting, [corners_px], [prior], tolerance, starts_rad, hold_rad)[0]


def _starts_of(
    sighting: Sighting,
    corners_px: Sequence[Array],
    priors: Sequence[Prior],
    tolerance: Tolerance,
    starts_rad: Array,
    hold_rad: float | None,
) -> list[list[tuple[float, Array]]]:
    """As `start_from_corners`, of several antennas at once."""
    many = len(starts_rad)
    held = np.zeros(N_PARAMETERS)
    held[0] = 0.0 if hold_rad is None else 1.0 / hold_rad**2
    corners = np.repeat([c.ravel() for c in corners_px], many, 0)
    mean = np.repeat([p.mean for p in priors], many, 0)
    information = np.repeat([p.information for p in priors], many, 0)
    azimuth = np.tile(starts_rad, len(priors))
    theta = mean.copy()
    theta[:, 0] = azimuth
    theta[:, 3:5] = corners.reshape(-1, 4, 2).mean(1)
    longest = np.array([0.35, 0.1, 0.1, 20, 20, 0.3, 0.3, 0.3, 0.05, 0.02])
    sigma = tolerance.corner_px
    for _ in range(8):
        f, jac = corner_derivative(sighting, theta)
        jt = np.swapaxes(jac, -1, -2)
        n = jt @ jac / sigma**2 + information + np.diag(held)
        g = (jt @ (corners - f)[..., None] / sigma**2 - information @ (theta - mean)[..., None])[..., 0]
        g[:, 0] += held[0] * (azimuth - theta[:, 0])
        theta = theta + np.clip(_solve(n, g), -longest, longest)
    res, dp = corners - ideal_corners_px(sighting, theta)[:, :4].reshape(-1, 8), theta - mean
    cost = (res**2).sum(1) / sigma**2 + ((dp[:, None] @ information)[:, 0] * dp).sum(1)
    out = []
    for first in range(0, len(theta), many):
        kept: list[tuple[float, Array]] = []
        for k in first + np.argsort(cost[first : first + many]):
            if all(abs((theta[k, 0] - o[0] + np.pi) % (2 * np.pi) - np.pi) > 0.05 for _, o in kept):
                kept.append((float(cost[k]), theta[k]))
        out.append(kept)
    return out


#: of a photo whose blur is not known yet
BLUR_PX = 0.9
#: rough corners that a person picked are off by a few pixels, however large the panel
FARTHEST_PX = 4.0
#: fewer samples of a box's edges than this fix nothing
_FEWEST = 12


@dataclass(frozen=True, slots=True)
class Task:
    """One antenna to be fitted: its pixels, what is known of it, and rough corners (4, 2) of its front or None."""

    patch: Patch
    prior: Prior
    corners_px: Array | None


@dataclass(frozen=True, slots=True)
class _Boxes:
    """Boxes being fitted, all at once: theta (B, P) and blur_px (B,) of each, and which task each belongs to (B,)."""

    tasks: Sequence[Task]
    task: Array
    theta: Array
    blur_px: Array
    mean: Array
    information: Array
    corners_px: Array
    width_m: Array

    @classmethod
    def of(cls, tasks: Sequence[Task], task: Sequence[int], theta: Sequence[Array], blur_px: Array) -> _Boxes:
        nowhere = np.full(8, np.nan)
        own = [tasks[k] for k in task]
        return cls(
            tasks,
            np.array(task),
            np.stack(theta),
            blur_px,
            np.stack([t.prior.mean for t in own]),
            np.stack([t.prior.information for t in own]),
            np.stack([nowhere if t.corners_px is None else t.corners_px.ravel() for t in own]),
            np.array([t.prior.width_m for t in own]),
        )

    def __len__(self) -> int:
        return len(self.task)

    def pick(self, keep: Array) -> _Boxes:
        arrays = (getattr(self, name)[keep] for name in self.__slots__[1:])
        return _Boxes(self.tasks, *arrays)

    def moved(self, theta: Array, blur_px: Array) -> _Boxes:
        return replace(self, theta=theta, blur_px=blur_px)

    def patches(self) -> list[Patch]:
        return [self.tasks[k].patch for k in self.task]

    def prior_pull(self) -> Array:
        """The prior's gradient (B, P)."""
        return np.asarray((self.information @ (self.mean - self.theta)[..., None])[..., 0])

    def prior_cost(self) -> Array:
        off = self.theta - self.mean
        return np.asarray(((off[:, None] @ self.information)[:, 0] * off).sum(1))

    def corner_terms(self, corners: tuple[Array, Array], sigma_px: float) -> tuple[Array, Array, Array]:
        """Normal equations (B, P, P), (B, P) and cost (B,) of the rough corners, nothing where there are none.

        corners: where the boxes have theirs (B, 8), and the derivative (B, 8, P).
        """
        there = ~np.isnan(self.corners_px[:, :1])
        jac = np.where(there[..., None], corners[1], 0.0)
        res = np.where(there, self.corners_px - corners[0], 0.0) / sigma_px
        jt = np.swapaxes(jac, -1, -2)
        return jt @ jac / sigma_px**2, (jt @ res[..., None])[..., 0] / sigma_px, (res * res).sum(1)


def _solve(normal: Array, right: Array) -> Array:
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])


@dataclass(frozen=True, slots=True)
class _Seen:
    """Boxes as they are to be measured: samples of their edges, displacements own and inner (S, P) by the parameters.

    left (B,): which of the boxes asked for these are, those with too few samples left out; corners: of the ideal front
    (B, 8), and their derivative (B, 8, P).
    """

    boxes: _Boxes
    left: Array
    samples: EdgeSamples
    own: Array
    inner: Array
    corners: tuple[Array, Array]


def _see(sighting: Sighting, boxes: _Boxes, max_per_edge: int, spacing_px: float) -> _Seen:
    left = np.arange(len(boxes))
    while True:
        (points_px, derivative), corners = body_and_corner_derivative(sighting, boxes.theta)
        views = views_of(sighting, boxes.theta, points_px)
        samples = sample_edges(views, blur_px=boxes.blur_px, max_per_edge=max_per_edge, spacing_px=spacing_px)
        enough = np.bincount(samples.box, minlength=len(boxes)) >= _FEWEST
        if enough.all() or not enough.any():
            own, inner = displacement_jacobian(samples, derivative)
            return _Seen(boxes.pick(enough), left[enough], samples, own, inner, corners)
        boxes, left = boxes.pick(enough), left[enough]


def _judge(near: Neighbours, weight: Array) -> Array:
    """A lone good sample among bad ones is luck: no sample weighs more than its neighbours' mean."""
    return np.minimum(weight, near.mean(weight))


class _Padded:
    """Samples of boxes (flat, S of them) laid out as (B, longest, ...), so that one product serves all boxes."""

    def __init__(self, box: Array, n_boxes: int) -> None:
        count = np.bincount(box, minlength=n_boxes)
        self.box, self.slot = box, np.arange(len(box)) - (np.cumsum(count) - count)[box]
        self.shape = n_boxes, int(count.max(initial=0))

    def fill(self, value: Array) -> Array:
        out = np.zeros((*self.shape, *value.shape[1:]))
        out[self.box, self.slot] = value
        return out

    def flat(self, value: Array) -> Array:
        return np.asarray(value[self.box, self.slot])


def capture(sighting: Sighting, boxes: _Boxes, tolerance: Tolerance, farthest_px: float = FARTHEST_PX) -> _Boxes:
    """Move the outlines to the nearest strong edges, from far to near. Boxes with nothing left to measure drop out.

    farthest_px: how far off an edge may be to begin with; a small panel's own width bounds it further.
    """
    p = N_PARAMETERS
    for turn, factor in enumerate((1.0, 0.8, 0.65, 0.5, 0.4, 0.4)):
        size = np.clip(0.1 * sighting.camera.f_px * np.exp(boxes.theta[:, 5]), 1.5, farthest_px)
        seen = _see(sighting, boxes, *_CAPTURE_SAMPLES)
        boxes, samples, own = seen.boxes, seen.samples, seen.own
        if not len(boxes):
            return boxes
        near_px = np.maximum(size[seen.left] * factor, 1.0)
        robust_px = np.maximum(0.75 * near_px, 0.8)[samples.box]
        d, contrast = nearest_strong_edge(
            boxes.patches(), samples, reach_px=2.0 * near_px, near_px=near_px, blur_px=0.8 * float(boxes.blur_px[0])
        )
        base = np.clip(contrast - 4.0, 0.0, 30.0) / 30.0 * _CAPTURE_WEIGHT[samples.edge] * samples.spacing_px
        base /= 0.5**2 * tolerance.correlation_px
        nc, gc, _ = boxes.corner_terms(seen.corners, tolerance.corner_px)
        fixed_n, fixed_g = boxes.information + nc, gc + boxes.prior_pull()
        near = neighbours(samples.run, _NEIGHBOURS)
        padded = _Padded(samples.box, len(boxes))
        rows = padded.fill(np.column_stack([own, d]))
        step = np.zeros((len(boxes), p))
        r = d
        for again in range(_REWEIGHTED):
            if again:
                r = padded.flat(rows[..., p] - (rows[..., :p] @ step[..., None])[..., 0])
            wt = base * _judge(near, 1.0 / (1.0 + (r / robust_px) ** 2) ** 2)
            n = np.swapaxes(rows[..., :p] * padded.fill(wt)[..., None], 1, 2) @ rows
            step = np.clip(_solve(n[..., :p] + fixed_n, n[..., p] + fixed_g), -_LONGEST, _LONGEST)
        boxes = boxes.moved(boxes.theta + step, boxes.blur_px)
        if turn:
            boxes = boxes.pick(_apart(boxes, np.arange(len(boxes))))
    return boxes


def settle(
    sighting: Sighting,
    boxes: _Boxes,
    tolerance: Tolerance,
    *,
    blur_iterations: int,
    max_iterations: int,
) -> list[Minimum | None]:
    """Fit the profiles across all edges. None for a box with nothing left to measure, or that is out of the running.

    In the first iterations each box finds the picture's blur for itself, from the edges that have no other near them.
    Then those of a task that have become one go on as one, what is out of the running drops out, and the blur that the
    best found serves for all, so that their costs compare.
    """
    found: list[Minimum | None] = [None] * len(boxes)
    number = np.arange(len(boxes))
    relax, previous = np.ones(len(boxes)), np.zeros((len(boxes), N_PARAMETERS))
    for iteration in range(max_iterations):
        finding = iteration < blur_iterations
        seen = _see(sighting, boxes, *_SETTLE_SAMPLES)
        boxes, samples = seen.boxes, seen.samples
        if not len(boxes):
            break
        number, relax, previous = number[seen.left], relax[seen.left], previous[seen.left]
        f_px = sighting.camera.f_px
        width = np.exp(boxes.theta[:, 5])
        o = measure_offsets(
            boxes.patches(),
            samples,
            blur_px=boxes.blur_px,
            rounded_px=boxes.theta[:, 8] * width * f_px,
            reach_px=2.0 if finding else 1.5,
            find_blur=finding,
        )
        fixed = seen.boxes.corner_terms(seen.corners, tolerance.corner_px)
        balance = _balance(seen, o, _edge_sigmas(tolerance, f_px * width / boxes.width_m), fixed, tolerance)
        main = balance.step
        # samples that change sides can make the steps swing for ever: each reversal halves the next one
        scaled = main / _SETTLED
        swings = (scaled[:, :8] * previous[:, :8]).sum(1) < 0.0
        relax = np.where(swings, 0.5 * relax, np.minimum(1.0, 1.5 * relax))
        previous = scaled
        main = relax[:, None] * main
        boxes = boxes.moved(boxes.theta + main, o.blur_px)
        # capped, so that what is hidden costs a fixed price
        miss = np.where(o.support > 0.15, np.minimum(balance.misfit, 9.0), 9.0)
        cost = _MISFIT_SAMPLES * _edge_average(miss, samples, len(boxes)) + fixed[2]
        prior_cost = boxes.prior_cost()
        if finding:
            if iteration + 1 == blur_iterations:
                boxes, going = _in_the_running(boxes, cost + prior_cost)
                if not len(boxes):
                    break
                number, relax, previous = number[going], np.ones(len(going)), np.zeros((len(going), N_PARAMETERS))
            continue
        done = np.abs(scaled * relax[:, None]).max(1) < 1.0
        done |= ((main[:, None] @ (balance.normal + boxes.information))[:, 0] * main).sum(1) < _AT_REST
        if iteration + 1 == max_iterations:
            done[:] = True
        at_rest = np.flatnonzero(done)
        if not len(at_rest):
            continue
        good = (balance.trust > 0.4) & (o.support > 0.2)
        outline = samples.spacing_px * (samples.edge < INNER_LEFT)
        quality = np.bincount(samples.box, outline * good) / np.maximum(np.bincount(samples.box, outline), 1e-9)
        views = views_of(sighting, boxes.theta[at_rest])
        for b, view in zip(at_rest, views, strict=True):
            found[number[b]] = Minimum(
                theta=boxes.theta[b],
                information=balance.normal[b],
                gradient=balance.right[b] - balance.normal[b] @ main[b],
                cost=float(cost[b]),
                prior_cost=float(prior_cost[b]),
                quality=float(quality[b]),
                view=view,
                blur_px=float(boxes.blur_px[b]),
            )
        going = np.flatnonzero(~done)
        boxes, number, relax, previous = boxes.pick(going), number[going], relax[going], previous[going]
        if not len(boxes):
            break
    return found


@dataclass(frozen=True, slots=True)
class _Balance:
    """One step of several boxes.

    step (B, P); normal (B, P, P) and right (B, P): the data's equations that it comes from, without the prior's;
    misfit (S,): of each sample, squared, in units of its uncertainty; trust (S,): how far it is believed, 0 to 1.
    """

    step: Array
    normal: Array
    right: Array
    misfit: Array
    trust: Array


def _balance(
    seen: _Seen, o: EdgeOffsets, edge_sigmas: Array, fixed: tuple[Array, Array, Array], tolerance: Tolerance
) -> _Balance:
    """Balance the measured offsets with priors, corners and the edges' own shifts and tilts, robustly.

    edge_sigmas (B, 2 * N_EDGES); fixed: the corners' equations.
    """
    k, m = N_PARAMETERS, N_PARAMETERS + 2 * N_EDGES
    boxes, samples = seen.boxes, seen.samples
    one, two, at = _whitened(samples, seen.own, seen.inner, o, tolerance)
    first, second = _Padded(samples.box, len(boxes)), _Padded(samples.box[at], len(boxes))
    rows = np.concatenate([first.fill(one), second.fill(two)], 1)
    longest = first.shape[1]
    nuisance_prior = np.eye(2 * N_EDGES) / edge_sigmas[:, None, :] ** 2
    pull = boxes.prior_pull()
    near = neighbours(samples.run, _NEIGHBOURS)
    share = samples.spacing_px / tolerance.correlation_px
    step = np.zeros((len(boxes), m))
    for _ in range(_REWEIGHTED):
        off = (rows[..., m] - (rows[..., :m] @ step[..., None])[..., 0]) ** 2
        misfit = first.flat(off[:, :longest])
        misfit[at] += second.flat(off[:, longest:])
        trust = _judge(near, 1.0 / (1.0 + misfit / 9.0) ** 2)
        weight = trust * share
        weighted = rows[..., :m] * np.concatenate([first.fill(weight), second.fill(weight[at])], 1)[..., None]
        n = np.swapaxes(weighted, 1, 2) @ rows
        gain = np.linalg.solve(n[:, k:, k:m] + nuisance_prior, np.concatenate([n[:, k:, :k], n[:, k:, m:]], 2))
        normal = n[:, :k, :k] - n[:, :k, k:m] @ gain[..., :k] + fixed[0]
        right = n[:, :k, m] - (n[:, :k, k:m] @ gain[..., k:])[..., 0] + fixed[1]
        main = np.clip(_solve(normal + boxes.information, right + pull), -_LONGEST, _LONGEST)
        step = np.concatenate([main, gain[..., k] - (gain[..., :k] @ main[..., None])[..., 0]], 1)
    return _Balance(main, normal, right, misfit, trust)


def _apart(boxes: _Boxes, order: Array) -> Array:
    """Which boxes to go on with (in order): of those of a task that have become one, the first in the order given."""
    kept: list[int] = []
    for b in order.tolist():
        same = (c for c in kept if boxes.task[c] == boxes.task[b])
        if not any(_same(boxes.theta[b], boxes.theta[c]) for c in same):
            kept.append(b)
    return np.array(sorted(kept), int)


def _in_the_running(boxes: _Boxes, cost: Array) -> tuple[_Boxes, Array]:
    """The boxes worth going on with, each task's with the blur that its best one found, and which these are."""
    order = np.argsort(cost)
    _, first = np.unique(boxes.task[order], return_index=True)
    best = order[first][np.searchsorted(np.unique(boxes.task), boxes.task)]
    blur_px = boxes.blur_px[best]
    going = _apart(boxes, order[(cost <= cost[best] + HOPELESS)[order]])
    return boxes.moved(boxes.theta, blur_px).pick(going), going


def _whitened(
    samples: EdgeSamples, own: Array, inner: Array, o: EdgeOffsets, tolerance: Tolerance
) -> tuple[Array, Array, Array]:
    """Rows of unit weight: by the parameters, by each edge's shift and tilt, and what was measured.

    One row (S, .) a sample, and a second one for the samples `at` (the third thing returned) that have an inner edge
    behind them; that one shares the inner edge's own shift and tilt.
    """
    k, m = N_PARAMETERS, N_PARAMETERS + 2 * N_EDGES
    r11, r21, r22 = _floored_root(o.weight, tolerance.floor_px, o.has_inner)
    one = np.zeros((len(samples), m + 1))
    rows = np.arange(len(samples))
    one[:, :k], one[:, m] = own, o.own
    one[rows, k + samples.edge] = 1.0
    one[rows, k + N_EDGES + samples.edge] = samples.along
    at = np.flatnonzero(o.has_inner)
    two = np.zeros((len(at), m + 1))
    partner = _PARTNER[samples.edge[at]]
    two[:, :k], two[:, m] = inner[at], o.inner[at]
    two[rows[: len(at)], k + partner] = 1.0
    two[rows[: len(at)], k + N_EDGES + partner] = samples.along[at]
    two = r21[at, None] * one[at] + r22[at, None] * two
    return r11[:, None] * one, two, at


#: the inner edge behind each edge of the outline
_PARTNER = np.array([INNER_LEFT, INNER_RIGHT, INNER_UPPER, INNER_LOWER])


def _floored_root(weight: Array, floor_px: float, has_inner: Array) -> tuple[Array, Array, Array]:
    """Lower square roots (first, between, second; each (S,)) of the weights after adding the floor's variance.

    An edge's place is never known better than the floor: clutter, compression, the shape's own tolerance.
    """
    a, b, c = weight[:, 0, 0], weight[:, 0, 1], weight[:, 1, 1]
    alone = ~has_inner
    det = np.where(alone, 1.0, a * c - b * b)
    v11 = np.where(alone, 1.0 / a, c / det) + floor_px**2
    v22 = np.where(alone, 1.0, a / det) + floor_px**2
    v12 = np.where(alone, 0.0, -b / det)
    # whitening by the inverse of the lower Cholesky factor of the covariance
    l11 = np.sqrt(v11)
    l21 = v12 / l11
    l22 = np.sqrt(np.maximum(v22 - l21 * l21, 1e-12))
    return 1.0 / l11, -l21 / (l11 * l22), 1.0 / l22


def _edge_sigmas(tolerance: Tolerance, scale: Array) -> Array:
    """Standard uncertainties (B, 2 * N_EDGES) px of the edges' shifts, then their tilts; scale (B,): px per metre."""
    t = tolerance
    body = np.array([t.outline_m] * 4 + [t.rounding_m] * 2 + [t.rim_m] * 2) * scale[:, None]
    ends = np.where(np.arange(N_EDGES) < INNER_LEFT, t.tilt_m, 2.0 * t.tilt_m) * scale[:, None]
    return np.concatenate([np.hypot(body, t.shift_px), np.hypot(ends, t.tilt_px)], 1)


def _edge_average(value: Array, samples: EdgeSamples, n_boxes: int) -> Array:
    """Mean over each edge, then over a box's edges by their weight: a short edge tells as much as a long one."""
    total = np.bincount(samples.run, samples.spacing_px * value, n_boxes * N_EDGES).reshape(n_boxes, N_EDGES)
    length = np.bincount(samples.run, samples.spacing_px, n_boxes * N_EDGES).reshape(n_boxes, N_EDGES)
    there = length > 0
    mean = total / np.where(there, length, 1.0)
    return np.asarray((mean @ _MISFIT_WEIGHT) / (there @ _MISFIT_WEIGHT))


#: azimuths off the camera's heading that a fit is started from
STARTS_RAD = np.radians(np.arange(-165.0, 181.0, 30.0))
STARTS_SMALL_RAD = np.radians(np.arange(-170.0, 181.0, 20.0))
#: a front picked narrower than this does not fix the azimuth to begin with
SMALL_PX = 30.0


def fit_box(
    patch: Patch,
    sighting: Sighting,
    prior: Prior,
    *,
    corners_px: Array | None,
    starts: list[tuple[float, Array]] | None = None,
    blur_px: float = BLUR_PX,
    tolerance: Tolerance | None = None,
) -> tuple[Minimum, ...]:
    """All distinct ways the box fits, best first; empty where the photo shows nothing that can be measured.

    corners_px (4, 2): rough corners of the front as seen (upper left, upper right,
    lower right, lower left), or None where `starts` are given.
    """
    task = Task(patch, prior, corners_px)
    return fit_boxes(sighting, [task], starts=[starts], blur_px=blur_px, tolerance=tolerance)[0]


def fit_boxes(
    sighting: Sighting,
    tasks: Sequence[Task],
    *,
    starts: Sequence[list[tuple[float, Array]] | None] | None = None,
    blur_px: float = BLUR_PX,
    tolerance: Tolerance | None = None,
) -> list[tuple[Minimum, ...]]:
    """As `fit_box`, of several antennas in one photo: many times faster than one after the other.

    starts: for each task its costs and boxes (N_PARAMETERS,) to start from, or None to start from its corners.
    """
    t = tolerance or Tolerance()
    given = [None if starts is None else starts[k] for k in range(len(tasks))]
    from_corners = [k for k, some in enumerate(given) if some is None]
    for k, some in zip(from_corners, _starts_from_corners(sighting, [tasks[k] for k in from_corners], t), strict=True):
        given[k] = some
    caught = catch(
        sighting, tasks, [[theta for _, theta in some or ()] for some in given], blur_px=blur_px, tolerance=t
    )
    return settle_all(sighting, tasks, caught, blur_px=blur_px, tolerance=t)


def catch(
    sighting: Sighting,
    tasks: Sequence[Task],
    thetas: Sequence[Sequence[Array]],
    *,
    blur_px: float = BLUR_PX,
    tolerance: Tolerance | None = None,
    farthest_px: float = FARTHEST_PX,
) -> list[list[Array]]:
    """Each task's boxes (P,) moved to the strong edges near them; those that come together are one."""
    owner = [k for k, some in enumerate(thetas) for _ in some]
    caught: list[list[Array]] = [[] for _ in tasks]
    if not owner:
        return caught
    start = _Boxes.of(tasks, owner, [theta for some in thetas for theta in some], np.full(len(owner), blur_px))
    boxes = capture(sighting, start, tolerance or Tolerance(), farthest_px)
    for k, theta in zip(boxes.task, boxes.theta, strict=True):
        if not any(_same(theta, c) for c in caught[k]):
            caught[k].append(theta)
    return caught


def _starts_from_corners(
    sighting: Sighting, tasks: Sequence[Task], tolerance: Tolerance
) -> list[list[tuple[float, Array]]]:
    corners = [task.corners_px for task in tasks if task.corners_px is not None]
    priors = [task.prior for task in tasks]
    if len(corners) < len(tasks):
        raise ValueError("a fit needs rough corners or starts")
    if not tasks:
        return []
    out = _starts_of(sighting, corners, priors, tolerance, STARTS_RAD, None)
    small = [k for k, c in enumerate(corners) if np.hypot(*(c[[1, 2]].mean(0) - c[[0, 3]].mean(0))) < SMALL_PX]
    if small:
        # a few pixels' error of a corner turns a small panel by tens of degrees: the picture has to decide
        own = [corners[k] for k in small], [priors[k] for k in small]
        for k, more in zip(small, _starts_of(sighting, *own, tolerance, STARTS_SMALL_RAD, 0.1), strict=True):
            out[k] = sorted(out[k] + more, key=lambda s: s[0])
    off = iter(fronts_off_sight(sighting, np.stack([theta for starts in out for _, theta in starts])))
    for k, starts in enumerate(out):
        # somebody saw the front's corners: the front faces the camera, or nearly
        starts = [s for s, o in zip(starts, off, strict=False) if o < FRONT_SEEN_RAD] or starts[:1]
        out[k] = [s for s in starts if s[0] < starts[0][0] + 30.0][: MOST_STARTS + 2 * (k in small)]
    return out


#: starts from rough corners that are followed up; a small panel has two more
MOST_STARTS = 4
#: -2 ln likelihood by which a box that has nearly settled is out of the running
HOPELESS = 30.0


def settle_all(
    sighting: Sighting,
    tasks: Sequence[Task],
    thetas: Sequence[Sequence[Array]],
    *,
    blur_px: float = BLUR_PX,
    tolerance: Tolerance | None = None,
    blur_iterations: int = 2,
    more_iterations: int = 6,
) -> list[tuple[Minimum, ...]]:
    """Each task's distinct minima reached from its boxes (P,) already near their edges, best first."""
    t = tolerance or Tolerance()
    out: list[list[Minimum]] = [[] for _ in tasks]
    owner = [k for k, some in enumerate(thetas) for _ in some]
    if not owner:
        return [() for _ in tasks]
    boxes = _Boxes.of(tasks, owner, [theta for some in thetas for theta in some], np.full(len(owner), blur_px))
    minima = settle(
        sighting, boxes, t, blur_iterations=blur_iterations, max_iterations=blur_iterations + more_iterations
    )
    for k, m in zip(owner, minima, strict=True):
        if m is not None and np.isfinite(m.cost):
            out[k].append(m)
    for k, found in enumerate(out):
        found.sort(key=lambda m: m.cost + m.prior_cost)
        apart: list[Minimum] = []
        for m in found:
            if not any(_same(m.theta, f.theta) for f in apart):
                apart.append(m)
        if tasks[k].corners_px is not None:
            apart = [m for m in apart if front_off_sight(sighting, m.theta) < FRONT_SEEN_RAD] or apart[:1]
        out[k] = apart
    return [tuple(found) for found in out]


_NO_PATCH = Patch(np.zeros((2, 2, 1), np.float32), (0, 0))


def fit_exact_corners(
    sighting: Sighting, prior: Prior, corners_px: Array, *, tolerance: Tolerance | None = None
) -> tuple[Minimum, ...]:
    """The ways a box fits exact corners (4, 2) px of its front, the picture not asked; best first."""
    t = replace(tolerance or Tolerance(), corner_px=EXACT_CORNER_PX)
    out: list[Minimum] = []
    for cost, theta in start_from_corners(sighting, corners_px, prior, t, STARTS_RAD):
        box = _Boxes.of([Task(_NO_PATCH, prior, corners_px)], [0], [theta], np.zeros(1))
        n, g, corner_cost = (v[0] for v in box.corner_terms(corner_derivative(sighting, box.theta), t.corner_px))
        if front_off_sight(sighting, theta) < FRONT_SEEN_RAD or not out:
            view = view_of(sighting, theta)
            out.append(Minimum(theta, n, g, float(corner_cost), cost - float(corner_cost), 1.0, view, 0.0))
    return tuple(out)


#: how exact a person's exact corner is, one standard uncertainty in x and in y
EXACT_CORNER_PX = 0.7
#: a front seen at more than this off its normal shows no corners anybody could pick
FRONT_SEEN_RAD = float(np.radians(97.0))


def front_off_sight(sighting: Sighting, theta: Array) -> float:
    """Angle [rad] between the front's normal and the direction from the box (P,) to the camera."""
    return float(fronts_off_sight(sighting, theta[None])[0])


def fronts_off_sight(sighting: Sighting, theta: Array) -> Array:
    """As `front_off_sight`, of boxes (B, P)."""
    normal = rotation_cam_from_panel(sighting, theta)[..., 2]
    away = (normal * directions_from_pixels(sighting.camera, theta[:, 3:5])).sum(-1)
    return np.asarray(np.arccos(np.clip(-away, -1.0, 1.0)))


def _same(a: Array, b: Array) -> bool:
    turn = abs((a[0] - b[0] + np.pi) % (2 * np.pi) - np.pi)
    return bool(turn < np.radians(0.6) and np.abs(a[3:5] - b[3:5]).max() < 1.0)
