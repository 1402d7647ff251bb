"""Fitting a rounded box (`box`) to what a photo shows of an antenna.

1. `starts` gives boxes of about the right place, size and turn: from rough corners, a finder's panel, or a point.
2. `boxes.sample_boxes` samples each box's outline and inner edges (`outline`): places, normals, and how each moves with
   the box's ten parameters.
3. `capture` moves each box to the nearest strong edges (`profiles.nearest_strong_edge`), from far to near, robustly.
4. `settle` fits profiles across all edges (`profile_fit.measure_offsets`): shades, blur, and by how much each edge lies
   off the model's. Gauss-Newton steps balance these offsets with the prior and with rough corners. Each edge may be
   shifted and tilted a little as a whole (`boxes.OffsetRows`): real bodies differ from the model by millimetres, and
   everything along an edge is wrong together.
5. Boxes of one antenna that become one go on as one; hopeless ones drop out; what rests is a `Minimum`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import remainder, tau

import numpy as np

from photoaz.photo.camera import Array
from photoaz.quantities import PHOTO_BLUR_PX
from photoaz.vision.box import (
    N_PARAMETERS,
    BoxView,
    Sighting,
    body_derivative,
    front_off_sight,
    view_of,
    views_of,
)
from photoaz.vision.boxes import (
    CORRELATION_PX,
    ByBox,
    FitBatch,
    FitTask,
    OffsetRows,
    SampledBoxes,
    sample_boxes,
    solve_each,
)
from photoaz.vision.outline import INNER_LEFT, N_EDGES, EdgeSamples
from photoaz.vision.picked import Told, meant
from photoaz.vision.profile_fit import measure_offsets
from photoaz.vision.profiles import Neighbours, nearest_strong_edge, neighbours
from photoaz.vision.road import LONGEST, Road, length_of
from photoaz.vision.starts import minima_of_corners

#: settled when the blur's step is shorter than this as well
_BLUR_AT_REST_PX = 0.0005
#: from these iterations on a box rests where its -2 ln likelihood stays behind its task's best by more than these; a
#: step of one sigma gains one where the model is linear, and is granted so many times that
_COMPARED, _CLOSE, _MAY_GAIN = (4, 20), (6.0, 1.5), 9.0
#: boxes of a task so near to each other in units of their uncertainty go on as one
_ONE_BOX = 0.5
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
#: what a sample costs that has not found its edge: it may be hidden
_MISSING = 9.0
#: misfit (mean of capped squares) to -2 ln likelihood: an outline is worth about this many independent samples
_MISFIT_SAMPLES = 8.0
#: an edge farther off than this is looked for in a reduced picture first
FARTHEST_PX = 4.0
#: -2 ln likelihood by which a box is out of the running: after the first iterations, and behind what it may gain then
HOPELESS, _OUTRUN = 30.0, 20.0
#: iterations in which each box finds the picture's blur for itself
_BLUR_ITERATIONS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How far a box is followed to where it rests.

    at_rest: it is when its step is shorter than this in units of its own uncertainty. most: iterations; what is not at
    rest by then has no edge to rest on.
    """

    at_rest: float
    most: int


#: to the end; and far enough to tell what is where, for boxes that are settled once more under better expectations
TO_REST, ROUGHLY = Pace(at_rest=0.004, most=50), Pace(at_rest=0.05, most=20)


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


def fit_boxes(
    sighting: Sighting,
    tasks: Sequence[FitTask],
    starts: Sequence[Sequence[Array]],
    *,
    pace: Pace = TO_REST,
) -> list[tuple[Minimum, ...]]:
    """All distinct ways each antenna's box fits, best first; none where the photo shows nothing that can be measured.

    starts: for each task the boxes (N_PARAMETERS,) to start from. Several antennas in one photo are many times faster
    together than one after the other.
    """
    tasks = _in_double(tasks)
    return settle_all(sighting, tasks, catch(sighting, tasks, starts), pace=pace)


def catch(
    sighting: Sighting,
    tasks: Sequence[FitTask],
    thetas: Sequence[Sequence[Array]],
    *,
    farthest_px: float | Array = FARTHEST_PX,
) -> list[list[Array]]:
    """Each task's boxes (P,) moved to the strong edges near them; those that come together are one.

    farthest_px: how far off an edge may be to begin with, of all tasks or one for each.
    """
    caught: list[list[Array]] = [[] for _ in tasks]
    if not any(thetas):
        return caught
    start = FitBatch.of(_in_double(tasks), thetas, PHOTO_BLUR_PX)
    boxes = capture(sighting, start, np.broadcast_to(farthest_px, len(tasks)))
    for k, theta in zip(boxes.task, boxes.theta, strict=True):
        if not any(_same(theta, c) for c in caught[k]):
            caught[k].append(theta)
    return caught


def settle_all(
    sighting: Sighting,
    tasks: Sequence[FitTask],
    thetas: Sequence[Sequence[Array]],
    *,
    pace: Pace = TO_REST,
) -> list[tuple[Minimum, ...]]:
    """Each task's distinct minima reached from its boxes (P,) already near their edges, best first."""
    if not any(thetas):
        return [() for _ in tasks]
    boxes = FitBatch.of(_in_double(tasks), thetas, PHOTO_BLUR_PX)
    minima = settle(sighting, boxes, pace)
    out: list[list[Minimum]] = [[] for _ in tasks]
    for k, m in zip(boxes.task, minima, strict=True):
        if m is not None and np.isfinite(m.cost):
            out[k].append(m)
    for k, found in enumerate(out):
        apart: list[Minimum] = []
        for m in sorted(found, key=lambda m: m.cost + m.prior_cost):
            if not any(_same(m.theta, f.theta) for f in apart):
                apart.append(m)
        low, high = tasks[k].off_rad
        apart = [m for m in apart if low <= front_off_sight(sighting, m.theta) < high] or apart[:1]
        out[k] = _as_meant(sighting, tasks[k], apart)
    return [tuple(found) for found in out]


def _in_double(tasks: Sequence[FitTask]) -> list[FitTask]:
    """The tasks with pixels in double precision: where a box comes to must not hang on a place's last bits."""
    return [replace(task, patch=task.patch.in_double()) for task in tasks]


def _as_meant(sighting: Sighting, task: FitTask, minima: list[Minimum]) -> list[Minimum]:
    """Those minima of a task that read its corners in a way which the pixels do not speak against."""
    if task.corners_px is None or not minima:
        return minima
    boxes = FitBatch.of([task], [[m.theta for m in minima]], 0.0)
    share = boxes.corner_terms(body_derivative(sighting, boxes.theta)).share
    keep = meant(share, np.array([m.cost for m in minima]), np.array([m.prior_cost for m in minima]))
    return [m for m, good in zip(minima, keep, strict=True) if good]


def fit_exact_corners(sighting: Sighting, task: FitTask) -> tuple[Minimum, ...]:
    """The ways a box fits a task's corners alone, the picture not asked; best first."""
    out: list[Minimum] = []
    for cost, theta in minima_of_corners(sighting, [task])[0]:
        box = FitBatch.of([task], [[theta]], 0.0)
        said = box.corner_terms(body_derivative(sighting, box.theta))
        if task.off_rad[0] <= front_off_sight(sighting, theta) < task.off_rad[1] or not out:
            view, own = view_of(sighting, theta), float(said.cost[0])
            out.append(Minimum(theta, said.normal[0], said.right[0], own, cost - own, 1.0, view, 0.0))
    return tuple(out)


def _judge(near: Neighbours, weight: Array) -> Array:
    """A lone good sample among bad ones is luck: no sample weighs more than its neighbours' mean."""
    return np.minimum(weight, near.mean(weight))


def capture(sighting: Sighting, boxes: FitBatch, farthest_px: Array) -> FitBatch:
    """Move the outlines to the nearest strong edges, from far to near. Boxes with nothing left to measure drop out.

    farthest_px: how far off an edge may be to begin with, for each task; a small panel's own width bounds it further.
    """
    p = N_PARAMETERS
    for turn, factor in enumerate((1.0, 0.8, 0.65, 0.5, 0.4, 0.4)):
        size = np.clip(0.1 * sighting.camera.f_px * np.exp(boxes.theta[:, 5]), 1.5, farthest_px[boxes.task])
        seen = sample_boxes(sighting, boxes, *_CAPTURE_SAMPLES)
        boxes, samples, own = seen.boxes, seen.samples, seen.own
        if not len(boxes):
            return boxes
        near_px = np.maximum(size[seen.left] * factor, 1.0)
        robust_px = np.maximum(0.75 * near_px, 0.8)[samples.box]
        d, contrast = nearest_strong_edge(
            boxes.patches(), samples, reach_px=2.0 * near_px, near_px=near_px, blur_px=0.8 * float(boxes.blur_px[0])
        )
        base = np.clip(contrast - 4.0, 0.0, 30.0) / 30.0 * _CAPTURE_WEIGHT[samples.edge] * samples.spacing_px
        base /= 0.5**2 * CORRELATION_PX
        said = boxes.corner_terms(seen.points)
        fixed_n, fixed_g = boxes.information + said.normal, said.right + boxes.prior_pull()
        near = neighbours(samples.run, _NEIGHBOURS, samples.spacing_px)
        by_box, rows = ByBox(samples.box, len(boxes)), np.column_stack([own, d])
        step = np.zeros((len(boxes), p))
        r = d
        for again in range(_REWEIGHTED):
            if again:
                r = d - by_box.times(own, step)
            wt = base * _judge(near, 1.0 / (1.0 + (r / robust_px) ** 2) ** 2)
            n = by_box.products(rows, wt, p)
            step = np.clip(solve_each(n[..., :p] + fixed_n, n[..., p] + fixed_g), -LONGEST, LONGEST)
        boxes = boxes.moved(boxes.theta + step, boxes.blur_px)
        if turn:
            boxes = boxes.pick(_apart(boxes, np.arange(len(boxes))))
    return boxes


def settle(sighting: Sighting, boxes: FitBatch, pace: Pace = TO_REST) -> list[Minimum | None]:
    """Fit the profiles across all edges. None for a box with nothing left to measure, or that is out of the running.

    In the first iterations each box finds the picture's blur for itself, from the edges that have no other near them.
    Then those of a task that have become one go on as one, what is out of the running drops out, and the best finds the
    blur for all, so that their costs compare. Each box rests when its own step and its task's blur do, or when it can
    no longer come near its task's best.
    """
    # one long function: what a box comes to is read off right where it rests
    found: list[Minimum | None] = [None] * len(boxes)
    number, leads, road = np.arange(len(boxes)), np.ones(len(boxes), bool), Road.of(len(boxes))
    f_px = sighting.camera.f_px
    for iteration in range(pace.most):
        seen = sample_boxes(sighting, boxes, *_SETTLE_SAMPLES)
        boxes, samples = seen.boxes, seen.samples
        if not len(boxes):
            break
        number, leads, road = number[seen.left], leads[seen.left], road.pick(seen.left)
        offsets = measure_offsets(
            boxes.patches(),
            samples,
            blur_px=boxes.blur_px,
            rounded_px=boxes.theta[:, 8] * np.exp(boxes.theta[:, 5]) * f_px,
        )
        fixed = boxes.corner_terms(seen.points)
        balance = _balance(seen, OffsetRows(seen, offsets, f_px), fixed)
        # capped, so that what is hidden costs a fixed price
        miss = np.where(offsets.support > 0.15, np.minimum(balance.misfit, _MISSING), _MISSING)
        cost = _MISFIT_SAMPLES * _edge_average(miss, samples, len(boxes)) + fixed.cost
        whole = cost + boxes.prior_cost()
        if iteration < _BLUR_ITERATIONS:
            boxes = boxes.moved(boxes.theta + balance.step, offsets.blur_px)
            if iteration + 1 == _BLUR_ITERATIONS:
                boxes, going, leads = _in_the_running(boxes, whole)
                number, road = number[going], Road.of(len(going))
            continue
        metric = balance.normal + boxes.information
        blur_px = _common_blur(boxes, leads, offsets.blur_px)
        length = length_of(balance.step, metric)
        done = (length < pace.at_rest) & (np.abs(blur_px - boxes.blur_px) < _BLUR_AT_REST_PX)
        behind = whole - _least(boxes.task, whole) - _MAY_GAIN * length**2
        done |= iteration + 1 == pace.most
        for since, close in zip(_COMPARED, _CLOSE, strict=True):
            done |= (behind > close) & (iteration + 1 >= since)
        running = leads | (behind <= _OUTRUN)
        at_rest, going = np.flatnonzero(done & running), np.flatnonzero(~done & running)
        going = _unlike(boxes, metric, going[np.lexsort((whole[going], ~leads[going]))])
        good = (balance.trust > 0.4) & (offsets.support > 0.2)
        moved = boxes.moved(boxes.theta + balance.step, boxes.blur_px)
        for b, minimum in zip(at_rest, _minima(sighting, moved, at_rest, balance, cost, samples, good), strict=True):
            found[number[b]] = minimum
        theta, road = road.onward(boxes.theta, balance.step, metric)
        boxes, number = boxes.moved(theta, blur_px).pick(going), number[going]
        leads, road = leads[going], road.pick(going)
        if not len(boxes):
            break
    return found


def _least(task: Array, cost: Array) -> Array:
    """The least cost (B,) of each box's task."""
    least = np.full(int(task.max()) + 1, np.inf)
    np.minimum.at(least, task, cost)
    return np.asarray(least[task])


def _common_blur(boxes: FitBatch, leads: Array, found_px: Array) -> Array:
    """Each box's blur (B,) as its task's leading box has found it; that of old where that one is at rest."""
    new = dict(zip(boxes.task[leads].tolist(), found_px[leads].tolist(), strict=True))
    return np.array([new.get(k, old) for k, old in zip(boxes.task.tolist(), boxes.blur_px.tolist(), strict=True)])


def _minima(
    sighting: Sighting,
    boxes: FitBatch,
    at_rest: Array,
    balance: _Balance,
    cost: Array,
    samples: EdgeSamples,
    good: Array,
) -> list[Minimum]:
    """The boxes `at_rest` (R,) after their last step as minima: cost (B,); good (S,): samples on their edges."""
    if not len(at_rest):
        return []
    outline = samples.spacing_px * (samples.edge < INNER_LEFT)
    quality = np.bincount(samples.box, outline * good) / np.maximum(np.bincount(samples.box, outline), 1e-9)
    prior_cost = boxes.prior_cost()
    return [
        Minimum(
            theta=boxes.theta[b],
            information=balance.normal[b],
            gradient=balance.right[b] - balance.normal[b] @ balance.step[b],
            cost=float(cost[b]),
            prior_cost=float(prior_cost[b]),
            quality=float(quality[b]),
            view=view,
            blur_px=float(boxes.blur_px[b]),
        )
        for b, view in zip(at_rest, views_of(sighting, boxes.theta[at_rest]), strict=True)
    ]


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


def _balance(seen: SampledBoxes, rows: OffsetRows, fixed: Told) -> _Balance:
    """Balance the measured offsets with priors, corners and the edges' own shifts and tilts, robustly.

    fixed: what the corners say.
    """
    boxes, samples = seen.boxes, seen.samples
    pull = boxes.prior_pull()
    near = neighbours(samples.run, _NEIGHBOURS, samples.spacing_px)
    share = samples.spacing_px / CORRELATION_PX
    step = np.zeros((len(boxes), N_PARAMETERS + 2 * N_EDGES))
    for _ in range(_REWEIGHTED):
        misfit = rows.misfit(step)
        trust = _judge(near, 1.0 / (1.0 + misfit / 9.0) ** 2)
        normal, right, gain = rows.normal_equations(trust * share)
        normal, right = normal + fixed.normal, right + fixed.right
        main = np.clip(solve_each(normal + boxes.information, right + pull), -LONGEST, LONGEST)
        step = np.concatenate([main, gain[..., -1] - (gain[..., :-1] @ main[..., None])[..., 0]], 1)
    return _Balance(main, normal, right, misfit, trust)


def _apart(boxes: FitBatch, order: Array) -> Array:
    """Which boxes to go on with (in order): of those of a task that have become one, the first in the order given."""
    kept: list[int] = []
    for b in order.tolist():
        same = (c for c in kept if boxes.task[c] == boxes.task[b])
        if not any(_same(boxes.theta[b], boxes.theta[c]) for c in same):
            kept.append(b)
    return np.array(sorted(kept), int)


def _unlike(boxes: FitBatch, metric: Array, order: Array) -> Array:
    """Which boxes to go on with: of those of a task that will come to rest in one place, the first in the order given.

    metric (B, P, P): inverse covariance of each.
    """
    kept: list[int] = []
    for b in order.tolist():
        off = boxes.theta[[c for c in kept if boxes.task[c] == boxes.task[b]]] - boxes.theta[b]
        if not (((off @ metric[b]) * off).sum(1) < _ONE_BOX**2).any():
            kept.append(b)
    return np.array(sorted(kept), int)


def _in_the_running(boxes: FitBatch, cost: Array) -> tuple[FitBatch, Array, Array]:
    """The boxes worth going on with, with the blur that their task's best one found; which they are, and the best."""
    order = np.argsort(cost)
    _, first = np.unique(boxes.task[order], return_index=True)
    best = order[first][np.searchsorted(np.unique(boxes.task), boxes.task)]
    blur_px = boxes.blur_px[best]
    going = _apart(boxes, order[(cost <= cost[best] + HOPELESS)[order]])
    return boxes.moved(boxes.theta, blur_px).pick(going), going, np.isin(going, best)


def _edge_average(value: Array, samples: EdgeSamples, n_boxes: int) -> Array:
    """Mean over each edge, then over a box's edges by their weight: a short edge tells as much as a long one."""
    total = np.bincount(samples.run, samples.spacing_px * value, n_boxes * N_EDGES).reshape(n_boxes, N_EDGES)
    length = np.bincount(samples.run, samples.spacing_px, n_boxes * N_EDGES).reshape(n_boxes, N_EDGES)
    there = length > 0
    mean = total / np.where(there, length, 1.0)
    return np.asarray((mean * _MISFIT_WEIGHT).sum(1) / (there * _MISFIT_WEIGHT).sum(1))


def _same(a: Array, b: Array) -> bool:
    """Whether two boxes (P,) of an antenna are one: turned and placed alike."""
    turn = abs(remainder(a[0] - b[0], tau))
    return bool(turn < np.radians(0.6) and np.abs(a[3:5] - b[3:5]).max() < 1.0)
