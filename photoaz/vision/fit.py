"""Fitting a rounded box to what a photo shows of an antenna.

Three steps: starts (from rough corners, or from a point), capture (each sample of the outline moves to the nearest
strong edge, robustly), settling (profiles with shades and blur; each edge may be shifted and tilted a little as a
whole, because real bodies differ from the model by millimetres and everything along an edge is wrong together).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.photo.camera import directions_from_pixels
from photoaz.vision.box import (
    N_PARAMETERS,
    BoxView,
    Sighting,
    ideal_corners_px,
    project_body,
    rotation_cam_from_panel,
    view_of,
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
from photoaz.vision.profiles import measure_offsets, nearest_strong_edge

Array = NDArray[Any]

#: steps of the forward differences: far below what the pixels resolve, far above rounding
_STEP = np.array([1e-4, 1e-4, 1e-4, 1e-2, 1e-2, 1e-4, 1e-4, 1e-4, 1e-3, 1e-3])
_PERTURB = np.concatenate([np.zeros((1, N_PARAMETERS)), np.diag(_STEP)])
#: no step of an iteration is longer than this
_LONGEST = np.array([0.15, 0.06, 0.06, 4, 4, 0.08, 0.08, 0.15, 0.04, 0.02])
#: settled when the last step is below this
_SETTLED = np.array([2e-3, 2e-3, 2e-3, 0.05, 0.05, 2e-3, 2e-3, 5e-3, 1.0, 1.0])
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


def body_derivative(sighting: Sighting, theta: Array) -> tuple[Array, Array]:
    """The body's projected points (M, 2) and their derivative (P, M, 2) by the parameters, forward differences."""
    px = project_body(sighting, theta + _PERTURB)
    return px[0], (px[1:] - px[0]) / _STEP[:, None, None]


def corner_derivative(sighting: Sighting, theta: Array) -> tuple[Array, Array]:
    """The front's corners (..., 8) and their derivative (..., 8, P) at theta (..., P), forward differences."""
    px = ideal_corners_px(sighting, theta[..., None, :] + _PERTURB)[..., :4, :]
    px = px.reshape(*px.shape[:-2], 8)
    jac = (px[..., 1:, :] - px[..., :1, :]) / _STEP[:, None]
    return px[..., 0, :], np.swapaxes(jac, -1, -2)


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
    held = np.zeros(N_PARAMETERS)
    held[0] = 0.0 if hold_rad is None else 1.0 / hold_rad**2
    theta = np.repeat(prior.mean[None], len(starts_rad), 0)
    theta[:, 0] = starts_rad
    theta[:, 3:5] = corners_px.mean(0)
    longest = np.array([0.35, 0.1, 0.1, 20, 20, 0.3, 0.3, 0.3, 0.05, 0.02])
    sigma = tolerance.corner_px
    for _ in range(8):
        f, jac = corner_derivative(sighting, theta)
        jt = np.swapaxes(jac, -1, -2)
        n = jt @ jac / sigma**2 + prior.information + np.diag(held)
        g = (jt @ (corners_px.ravel() - f)[..., None])[..., 0] / sigma**2 - (theta - prior.mean) @ prior.information
        g[:, 0] += held[0] * (starts_rad - theta[:, 0])
        theta = theta + np.clip(np.linalg.solve(n, g[..., None])[..., 0], -longest, longest)
    res, dp = corners_px.ravel() - ideal_corners_px(sighting, theta)[:, :4].reshape(-1, 8), theta - prior.mean
    cost = (res**2).sum(1) / sigma**2 + ((dp @ prior.information) * dp).sum(1)
    kept: list[tuple[float, Array]] = []
    for k in np.argsort(cost):
        if all(abs((theta[k, 0] - o[0] + np.pi) % (2 * np.pi) - np.pi) > 0.05 for _, o in kept):
            kept.append((float(cost[k]), theta[k]))
    return kept


def _corner_terms(
    sighting: Sighting, theta: Array, corners_px: Array | None, sigma_px: float
) -> tuple[Array, Array, float]:
    """Normal equations and cost of the rough corners at theta (P,)."""
    if corners_px is None:
        return np.zeros((N_PARAMETERS, N_PARAMETERS)), np.zeros(N_PARAMETERS), 0.0
    f, jac = corner_derivative(sighting, theta)
    res = (corners_px.ravel() - f) / sigma_px
    return jac.T @ jac / sigma_px**2, jac.T @ res / sigma_px, float(res @ res)


@dataclass(frozen=True, slots=True)
class _Neighbours:
    """The samples from `low` up to `high` (S,) are each one's neighbours on its own edge; an edge's samples follow."""

    low: Array
    high: Array

    def judge(self, weight: Array) -> Array:
        """A lone good sample among bad ones is luck: no sample weighs more than its neighbours' mean."""
        total = np.concatenate([[0.0], np.cumsum(weight)])
        return np.asarray(np.minimum(weight, (total[self.high] - total[self.low]) / (self.high - self.low)))


def _neighbours(edge: Array, half: int = 4) -> _Neighbours:
    first = np.flatnonzero(np.concatenate([[True], edge[1:] != edge[:-1]]))
    n = np.diff(np.append(first, len(edge)))
    start, place = np.repeat(first, n), np.arange(len(edge))
    return _Neighbours(np.maximum(place - half, start), np.minimum(place + half + 1, start + np.repeat(n, n)))


def capture(
    patch: Patch,
    sighting: Sighting,
    theta: Array,
    prior: Prior,
    corners_px: Array | None,
    blur_px: float,
    tolerance: Tolerance,
) -> Array | None:
    """Move the outline to the nearest strong edges, from far to near. None where nothing is left to measure."""
    # a small panel's own width bounds how far an edge may be off
    size = float(np.clip(0.1 * sighting.camera.f_px * np.exp(theta[5]), 1.5, 4.0))
    for factor in (1.0, 0.8, 0.65, 0.5, 0.4, 0.4):
        near = max(size * factor, 1.0)
        robust_px = max(0.75 * near, 0.8)
        points_px, derivative = body_derivative(sighting, theta)
        samples = sample_edges(view_of(sighting, theta, points_px), blur_px=blur_px, max_per_edge=50)
        if len(samples) < 12:
            return None
        own, _ = displacement_jacobian(samples, derivative)
        d, contrast = nearest_strong_edge(patch, samples, reach_px=2.0 * near, near_px=near, blur_px=0.8 * blur_px)
        base = np.clip(contrast - 4.0, 0.0, 30.0) / 30.0 * _CAPTURE_WEIGHT[samples.edge] * samples.spacing_px
        base /= 0.5**2 * tolerance.correlation_px
        nc, gc, _ = _corner_terms(sighting, theta, corners_px, tolerance.corner_px)
        fixed_n = prior.information + nc
        fixed_g = gc - prior.information @ (theta - prior.mean)
        neighbours = _neighbours(samples.edge)
        step = np.zeros(N_PARAMETERS)
        for _ in range(4):
            r = (d - own @ step) / robust_px
            wt = base * neighbours.judge(1.0 / (1.0 + r * r) ** 2)
            ow = own * wt[:, None]
            step = np.clip(np.linalg.solve(ow.T @ own + fixed_n, ow.T @ d + fixed_g), -_LONGEST, _LONGEST)
        theta = theta + step
    return theta


def settle(
    patch: Patch,
    sighting: Sighting,
    theta: Array,
    prior: Prior,
    corners_px: Array | None,
    blur_px: float,
    tolerance: Tolerance,
    *,
    find_blur: bool = False,
    max_iterations: int = 6,
) -> Minimum | None:
    """Fit the profiles across all edges. None where nothing is left to measure.

    find_blur: take blur_px for a start and find the picture's own, from the edges that have no other near them.
    """
    k = N_PARAMETERS
    relax, previous = 1.0, None
    for iteration in range(max_iterations):
        points_px, derivative = body_derivative(sighting, theta)
        view = view_of(sighting, theta, points_px)
        samples = sample_edges(view, blur_px=blur_px, max_per_edge=60)
        if len(samples) < 12:
            return None
        own, inner = displacement_jacobian(samples, derivative)
        scale = sighting.camera.f_px * float(np.exp(theta[5])) / prior.width_m  # px per metre
        rounded = float(theta[8] * np.exp(theta[5])) * sighting.camera.f_px
        m = measure_offsets(patch, samples, blur_px=blur_px, rounded_px=rounded, reach_px=2.0 if iteration < 3 else 1.5)
        if find_blur:
            blur_px = m.blur_px
        root = _floored_root(m.weight, tolerance.floor_px, m.has_inner)
        design = np.concatenate([np.stack([own, inner], 1), _edge_nuisances(samples, m.has_inner)], 2)
        rows = (root @ design).reshape(2 * len(samples), -1)
        z = (root @ np.stack([m.own, m.inner], 1)[..., None])[..., 0].ravel()
        nuisance_prior = np.diag(1.0 / _edge_sigmas(tolerance, scale) ** 2)
        nc, gc, corner_cost = _corner_terms(sighting, theta, corners_px, tolerance.corner_px)
        dp = theta - prior.mean
        neighbours = _neighbours(samples.edge)
        step = np.zeros(rows.shape[1])
        for _ in range(5):
            q2 = ((z - rows @ step).reshape(-1, 2) ** 2).sum(1)
            robust = neighbours.judge(1.0 / (1.0 + q2 / 9.0) ** 2)
            wt = np.repeat(robust * samples.spacing_px / tolerance.correlation_px, 2)
            weighted = rows * wt[:, None]
            n, g = weighted.T @ rows, weighted.T @ z
            gain = np.linalg.solve(n[k:, k:] + nuisance_prior, np.column_stack([n[k:, :k], g[k:]]))
            n_data = n[:k, :k] - n[:k, k:] @ gain[:, :k] + nc
            g_data = g[:k] - n[:k, k:] @ gain[:, k] + gc
            main = np.linalg.solve(n_data + prior.information, g_data - prior.information @ dp)
            main = np.clip(main, -_LONGEST, _LONGEST)
            step = np.concatenate([main, gain[:, k] - gain[:, :k] @ main])
        # samples that change sides can make the steps swing for ever: each reversal halves the next one
        scaled = main / _SETTLED
        swings = previous is not None and float(scaled[:8] @ previous[:8]) < 0.0
        relax = 0.5 * relax if swings else min(1.0, 1.5 * relax)
        previous = scaled
        main = relax * main
        theta = theta + main
        if iteration + 1 < max_iterations and np.abs(scaled * relax).max() < 1.0:
            break
    outline = samples.edge < INNER_LEFT
    found = (robust > 0.4) & (m.support > 0.2)
    quality = float(samples.spacing_px[found & outline].sum() / samples.spacing_px[outline].sum())
    # capped, so that what is hidden costs a fixed price
    miss = np.where(m.support > 0.15, np.minimum(q2, 9.0), 9.0)
    dp = theta - prior.mean
    return Minimum(
        theta=theta,
        information=n_data,
        gradient=g_data - n_data @ main,
        cost=_MISFIT_SAMPLES * _edge_average(miss, samples) + corner_cost,
        prior_cost=float(dp @ prior.information @ dp),
        quality=quality,
        view=view_of(sighting, theta),
        blur_px=m.blur_px if find_blur else blur_px,
    )


def _floored_root(weight: Array, floor_px: float, has_inner: Array) -> Array:
    """Upper square roots (S, 2, 2) of the weights after adding the floor's variance to each offset.

    An edge's place is never known better than the floor: clutter, compression, the shape's own tolerance.
    """
    a, b, c = weight[:, 0, 0], weight[:, 0, 1], weight[:, 1, 1]
    alone = ~has_inner
    det = np.where(alone, 1.0, a * c - b * b)
    v11 = np.where(alone, 1.0 / a, c / det) + floor_px**2
    v22 = np.where(alone, 1.0, a / det) + floor_px**2
    v12 = np.where(alone, 0.0, -b / det)
    out = np.zeros_like(weight)
    # whitening by the inverse of the lower Cholesky factor of the covariance
    l11 = np.sqrt(v11)
    l21 = v12 / l11
    l22 = np.sqrt(np.maximum(v22 - l21 * l21, 1e-12))
    out[:, 0, 0] = 1.0 / l11
    out[:, 1, 0] = np.where(alone, 0.0, -l21 / (l11 * l22))
    out[:, 1, 1] = np.where(alone, 0.0, 1.0 / l22)
    return out


def _edge_sigmas(tolerance: Tolerance, scale: float) -> Array:
    """Standard uncertainties (2 * N_EDGES,) px of the edges' shifts, then of their tilts."""
    t = tolerance
    body = np.array([t.outline_m] * 4 + [t.rounding_m] * 2 + [t.rim_m] * 2) * scale
    ends = np.where(np.arange(N_EDGES) < INNER_LEFT, t.tilt_m, 2.0 * t.tilt_m) * scale
    return np.concatenate([np.hypot(body, t.shift_px), np.hypot(ends, t.tilt_px)])


def _edge_nuisances(samples: EdgeSamples, has_inner: Array) -> Array:
    """Design (S, 2, 2 * N_EDGES) of one unknown shift and one tilt per edge.

    An inner edge measured behind the outline shares the inner edge's own.
    """
    out = np.zeros((len(samples), 2, 2 * N_EDGES))
    rows = np.arange(len(samples))
    out[rows, 0, samples.edge] = 1.0
    out[rows, 0, N_EDGES + samples.edge] = samples.along
    at = rows[has_inner & (samples.edge < INNER_LEFT)]
    partner = np.array([INNER_LEFT, INNER_RIGHT, INNER_UPPER, INNER_LOWER])[samples.edge[at]]
    out[at, 1, partner] = 1.0
    out[at, 1, N_EDGES + partner] = samples.along[at]
    return out


def _edge_average(value: Array, samples: EdgeSamples) -> float:
    """Mean over each edge, then over the edges by their weight: a short edge tells as much as a long one."""
    total = np.bincount(samples.edge, samples.spacing_px * value, N_EDGES)
    length = np.bincount(samples.edge, samples.spacing_px, N_EDGES)
    there = length > 0
    return float((_MISFIT_WEIGHT[there] * total[there] / length[there]).sum() / _MISFIT_WEIGHT[there].sum())


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
    blur_px: float = 0.9,
    tolerance: Tolerance | None = None,
    max_starts: int = 4,
) -> tuple[Minimum, ...]:
    """All distinct ways the box fits, best first; empty where the photo shows nothing that can be measured.

    corners_px (4, 2): rough corners of the front as seen (upper left, upper right,
    lower right, lower left), or None where `starts` are given.
    """
    t = tolerance or Tolerance()
    if starts is None:
        if corners_px is None:
            raise ValueError("a fit needs rough corners or starts")
        starts = start_from_corners(sighting, corners_px, prior, t, STARTS_RAD)
        wide = float(np.hypot(*(corners_px[[1, 2]].mean(0) - corners_px[[0, 3]].mean(0))))
        if wide < SMALL_PX:
            # a few pixels' error of a corner turns a small panel by tens of degrees: the picture has to decide
            starts += start_from_corners(sighting, corners_px, prior, t, STARTS_SMALL_RAD, hold_rad=0.1)
            starts.sort(key=lambda s: s[0])
            max_starts += 2
        # somebody saw the front's corners: the front faces the camera, or nearly
        starts = [s for s in starts if front_off_sight(sighting, s[1]) < FRONT_SEEN_RAD] or starts[:1]
        starts = [s for s in starts if s[0] < starts[0][0] + 30.0]
    caught: list[Array] = []
    for _, theta0 in starts[:max_starts]:
        theta = capture(patch, sighting, theta0, prior, corners_px, blur_px, t)
        if theta is not None and not any(_same(theta, c) for c in caught):
            caught.append(theta)
    return settle_all(patch, sighting, prior, caught, corners_px=corners_px, blur_px=blur_px, tolerance=t)


#: -2 ln likelihood by which a box that has nearly settled is out of the running
HOPELESS = 30.0


def settle_all(
    patch: Patch,
    sighting: Sighting,
    prior: Prior,
    thetas: list[Array],
    *,
    corners_px: Array | None,
    blur_px: float = 0.9,
    tolerance: Tolerance | None = None,
) -> tuple[Minimum, ...]:
    """The distinct minima reached from boxes (P,) already near their edges, best first.

    The picture's own blur is found with the first of them and serves for all, so that their costs compare.
    """
    t = tolerance or Tolerance()
    found: list[Minimum] = []
    tried: list[tuple[float, Array]] = []
    for theta in thetas:
        first = settle(patch, sighting, theta, prior, corners_px, blur_px, t, find_blur=not tried, max_iterations=3)
        if first is not None and np.isfinite(first.cost):
            blur_px = first.blur_px
            tried.append((first.cost + first.prior_cost, first.theta))
    tried.sort(key=lambda c: c[0])
    for cost, theta in tried:
        if cost > tried[0][0] + HOPELESS:
            break
        m = settle(patch, sighting, theta, prior, corners_px, blur_px, t)
        if m is None or not np.isfinite(m.cost) or any(_same(m.theta, f.theta) for f in found):
            continue
        if corners_px is None or front_off_sight(sighting, m.theta) < FRONT_SEEN_RAD or not found:
            found.append(m)
    return tuple(sorted(found, key=lambda m: m.cost + m.prior_cost))


def fit_exact_corners(
    sighting: Sighting, prior: Prior, corners_px: Array, *, tolerance: Tolerance | None = None
) -> tuple[Minimum, ...]:
    """The ways a box fits exact corners (4, 2) px of its front, the picture not asked; best first."""
    t = replace(tolerance or Tolerance(), corner_px=EXACT_CORNER_PX)
    out: list[Minimum] = []
    for cost, theta in start_from_corners(sighting, corners_px, prior, t, STARTS_RAD):
        n, g, corner_cost = _corner_terms(sighting, theta, corners_px, t.corner_px)
        if front_off_sight(sighting, theta) < FRONT_SEEN_RAD or not out:
            view = view_of(sighting, theta)
            out.append(Minimum(theta, n, g, corner_cost, cost - corner_cost, 1.0, view, 0.0))
    return tuple(out)


#: how exact a person's exact corner is, one standard uncertainty in x and in y
EXACT_CORNER_PX = 0.7
#: a front seen at more than this off its normal shows no corners anybody could pick
FRONT_SEEN_RAD = float(np.radians(97.0))


def front_off_sight(sighting: Sighting, theta: Array) -> float:
    """Angle [rad] between the front's normal and the direction from the box to the camera."""
    towards = -rotation_cam_from_panel(sighting, theta).T @ directions_from_pixels(sighting.camera, theta[3:5])
    return float(np.arccos(np.clip(towards[2], -1.0, 1.0)))


def _same(a: Array, b: Array) -> bool:
    turn = abs((a[0] - b[0] + np.pi) % (2 * np.pi) - np.pi)
    return bool(turn < np.radians(0.6) and np.abs(a[3:5] - b[3:5]).max() < 1.0)
