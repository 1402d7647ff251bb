"""Where an edge is: intensity profiles across it, fitted with the shades on its sides and the photo's own blur.

Two edges closer together than the blur (the narrow wall of a panel seen nearly face-on) make one profile with three
shades; they are measured together, each with its own uncertainty, instead of competing for one gradient.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from photoaz.vision.outline import INNER_LEFT, EdgeSamples
from photoaz.vision.patch import Patch

Array = NDArray[Any]

#: standard deviation of a photo's own blur, px: sharper than the lower end no sampled picture is
BLUR_LIMITS_PX = (0.45, 2.5)


@dataclass(frozen=True, slots=True)
class EdgeOffsets:
    """What the pixels say of each sample: its edge lies `own` px outwards of where the model has it.

    own, inner (S,): offsets of the edge and of the inner edge behind it, px; weight (S, 2, 2): their inverse covariance
    from noise alone; has_inner (S,): whether the inner edge was near enough to be measured; support (S,): how much
    better the profile is explained with the edge than without, 0 to 1. noise: of the pixels, grey levels. blur_px: of
    the edges that have no other near them, where there are enough.
    """

    own: Array
    inner: Array
    weight: Array
    has_inner: Array
    support: Array
    noise: float
    blur_px: float


def sample_profiles(patch: Patch, samples: EdgeSamples, t: Array) -> Array:
    """Values (S, T, C) at distances t (T,) px along each sample's normal, outwards positive."""
    return patch.at(samples.x_px[:, None, :] + samples.normal[:, None, :] * t[None, :, None])


def along_contrast(profile: Array, t: Array, edge: Array, clear_px: float, half: int = 8) -> Array:
    """Profiles (S, T) of the colour mixture in which each run of an edge shows best, from (S, T, C).

    The mixture is the unit vector from the mean colour outside to that inside, averaged over `half` neighbours either
    side on the same edge: luminance where that differs, colour where only colour does.
    """
    if profile.shape[2] == 1:
        return profile[..., 0]
    step = profile[:, t < -clear_px].mean(1) - profile[:, t > clear_px].mean(1)
    run = np.empty_like(step)
    for e in np.unique(edge):
        at = np.flatnonzero(edge == e)
        cum = np.concatenate([np.zeros((1, step.shape[1])), np.cumsum(step[at], 0)])
        lo, hi = np.maximum(np.arange(len(at)) - half, 0), np.minimum(np.arange(len(at)) + half + 1, len(at))
        run[at] = (cum[hi] - cum[lo]) / (hi - lo)[:, None]
    length = np.sqrt((run * run).sum(1, keepdims=True))
    unit = np.where(length > 1.0, run / np.maximum(length, 1e-9), np.eye(step.shape[1])[0])
    return np.asarray((profile @ unit[..., None])[..., 0])


def nearest_strong_edge(
    patch: Patch, samples: EdgeSamples, *, reach_px: float, near_px: float, blur_px: float
) -> tuple[Array, Array]:
    """The most plausible edge within reach of each sample: offset (S,) px and contrast (S,) grey levels.

    Plausible means strong and near: the contrast is weighed by a Gaussian of `near_px` over the offset.
    """
    half = int(np.ceil(2.5 * blur_px))
    reach = int(np.ceil(reach_px))
    t = np.arange(-(reach + half), reach + half + 1, dtype=float)
    profile = sample_profiles(patch, samples, t)
    k = np.arange(-half, half + 1)
    kernel = -k * np.exp(-0.5 * (k / blur_px) ** 2)
    kernel = kernel / (np.abs(kernel).sum() / 2)  # a unit step answers 1
    windows = np.lib.stride_tricks.sliding_window_view(profile, 2 * half + 1, axis=1)
    response = windows @ kernel[::-1]  # (S, T', C)
    shift = t[half:-half]
    strength = np.sqrt((response * response).sum(-1))
    score = strength * np.exp(-0.5 * (shift / near_px) ** 2)
    # beyond half way to the neighbouring edge of the same box, an edge is the neighbour's
    score = np.where(shift[None, :] < -0.5 * samples.inner_px[:, None] - 0.5, 0.0, score)
    score = np.where(shift[None, :] > 0.5 * samples.outer_px[:, None] + 0.5, 0.0, score)
    at = score.argmax(1)
    rows = np.arange(len(at))
    inside = (at > 0) & (at < len(shift) - 1)
    left = score[rows, np.maximum(at - 1, 0)]
    right = score[rows, np.minimum(at + 1, len(shift) - 1)]
    mid = score[rows, at]
    curve = left - 2 * mid + right
    sub = np.where(inside & (curve < 0), 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    return shift[at] + np.clip(sub, -0.5, 0.5), strength[rows, at]


def _windows(edge: Array, half: int) -> Array:
    """Indices (S, 2 * half + 1) of each sample's neighbours on its own edge, reflected at the edge's ends.

    The samples of an edge follow each other.
    """
    first = np.flatnonzero(np.concatenate([[True], edge[1:] != edge[:-1]]))
    n = np.diff(np.append(first, len(edge)))
    start, length = np.repeat(first, n)[:, None], np.repeat(n, n)[:, None]
    place = (np.arange(len(edge))[:, None] - start + np.arange(-half, half + 1)) % (2 * length)
    return np.asarray(start + np.minimum(place, 2 * length - 1 - place))


def _mean_where(profile: Array, mask: Array) -> Array:
    """Mean of each profile over its mask; NaN where the mask is empty."""
    count = mask.sum(1)
    return np.where(count > 0, (profile * mask).sum(1) / np.maximum(count, 1), np.nan)


def _along_edge(shade: Array, edge: Array, windows: Array, fallback: Array) -> Array:
    """Shades, gaps filled by their edge's median (or the fallback), smoothed along each edge by a running median."""
    out = shade
    gaps = np.isnan(shade)
    if gaps.any():
        out = shade.copy()
        for e in np.unique(edge[gaps]):
            at = edge == e
            known = at & ~gaps
            at &= gaps
            out[at] = np.median(shade[known]) if known.any() else fallback[at]
    middle = windows.shape[1] // 2
    return np.asarray(np.partition(out[windows], middle, axis=1)[:, middle])


def _hidden_walls(has_inner: Array, seen: Array, edge: Array) -> list[Array]:
    """Runs of samples (indices) of edges whose wall is too narrow to fill a pixel by itself."""
    runs = []
    for e in np.unique(edge[has_inner]):
        at = np.flatnonzero((edge == e) & has_inner)
        if seen[at].mean() < 0.2:
            runs.append(at)
    return runs


def _shared_wall(normal: Array, right: Array, prior: Array, guess: Array, face: Array) -> tuple[float, float]:
    """The one wall shade that a run's profiles tell together, and its variance.

    normal (S, 5, 5), right (S, 5): each profile's normal equations without priors; prior, guess (S, 5): inverse
    variances and means of its unknowns, of which all but the wall's shade are eliminated. Before its pixels are looked
    at, a wall is as bright as the face (S,), give or take a third.
    """
    other = [0, 2, 3, 4]
    n = normal.copy()
    n[:, other, other] += prior[:, other]
    r = right + prior * guess
    gain = np.linalg.solve(n[:, other][:, :, other], np.stack([n[:, other, 1], r[:, other]], -1))
    lever = n[:, 1, other][:, None, :] @ gain
    information = n[:, 1, 1] - lever[:, 0, 0]
    told = right[:, 1] - lever[:, 0, 1]
    mean = float(np.median(face))
    before = 1.0 / (0.33 * abs(mean) + 10.0) ** 2
    total = float(information.sum()) + before
    return (float(told.sum()) + before * mean) / total, 1.0 / total


def measure_offsets(
    patch: Patch, samples: EdgeSamples, *, blur_px: float, reach_px: float = 1.5, rounded_px: float = 0.0
) -> EdgeOffsets:
    """Fit each profile: shades of background, wall and face, offsets of the outline and of the inner edge.

    rounded_px: width of the front edges' rounding as seen, which softens the inner edges.
    """
    half = np.ceil(3.0 * blur_px + reach_px)
    t = np.arange(-half, half + 1)
    profile = along_contrast(sample_profiles(patch, samples, t), t, samples.edge, 1.3 * blur_px)
    return fit_profiles(profile, t, samples, blur_px=blur_px, rounded_px=rounded_px)


def fit_profiles(profile: Array, t: Array, samples: EdgeSamples, *, blur_px: float, rounded_px: float) -> EdgeOffsets:
    """As `measure_offsets`, from intensities (S, T) at distances t (T,).

    Unknowns of a profile: background, wall and face shade (the last two held near their run along the edge where an
    inner edge is near), and the two offsets; linearised about the model's edges, reweighted robustly three times. The
    shade of a wall too narrow to fill a pixel is found from all profiles of its edge together: taken for the face's, it
    would draw the outline inwards.
    """
    n, nt = profile.shape
    inner_blur = float(np.hypot(blur_px, rounded_px / np.sqrt(12.0)))
    # the face beyond an inner edge must fill a pixel of its own, or the edge tells nothing
    has_inner = samples.inner_px < -t[0] - 1.3 * inner_blur
    w = np.where(has_inner, samples.inner_px, 1e3)
    outside = np.broadcast_to(ndtr(t / blur_px), (n, nt))
    beyond = ndtr(-(t + w[:, None]) / inner_blur)
    wall = np.clip(1.0 - outside - beyond, 0.0, 1.0)
    # where it does not, the pixels that it reaches into are left out, but for those next to the outline
    limit = np.minimum(2.0 * inner_blur - samples.inner_px, -1.3 * blur_px - 1.0)
    clean = has_inner[:, None] | (t > limit[:, None])
    # shades straight from the pixels that one face alone fills
    deep = clean & (t < np.where(has_inner, -w - 1.3 * inner_blur, -1.3 * blur_px)[:, None])
    between = (t < -1.3 * blur_px) & (t > (-w + 1.3 * inner_blur)[:, None])
    mean = profile.mean(1)
    deep_shade = _mean_where(profile, deep)
    windows = _windows(samples.edge, 7)
    wall_bar = _along_edge(
        np.where(has_inner, _mean_where(profile, between), deep_shade),
        samples.edge,
        windows,
        np.where(np.isnan(deep_shade), mean, deep_shade),
    )
    face_bar = np.where(has_inner, _along_edge(deep_shade, samples.edge, windows, wall_bar), wall_bar)
    back_bar = profile[:, t > 1.3 * blur_px].mean(1)
    d_out = np.exp(-0.5 * (t / blur_px) ** 2) / (blur_px * np.sqrt(2 * np.pi))
    d_in = np.exp(-0.5 * ((t + w[:, None]) / inner_blur) ** 2) / (inner_blur * np.sqrt(2 * np.pi))
    spread = np.maximum(6.0, 0.05 * np.abs(face_bar))
    shade_weight = np.where(has_inner, 1.0 / spread**2, 1e-6)
    prior = np.stack(
        [np.full(n, 1e-8), shade_weight, shade_weight, np.full(n, 1e-4), np.where(has_inner, 1e-4, 1e6)], -1
    )
    weight = clean.astype(float)
    noise = 2.0
    hidden = _hidden_walls(has_inner, np.asarray(between.any(1)), samples.edge)
    shared = np.concatenate([*hidden, np.zeros(0, int)])
    columns = np.broadcast_to(np.eye(5)[:, 3:], (n, 5, 2))
    a = np.empty((n, 5, nt))
    a[:, 0], a[:, 1], a[:, 2] = outside, wall, beyond
    for iteration in range(3):
        a[:, 3] = (wall_bar - back_bar)[:, None] * d_out
        a[:, 4] = (face_bar - wall_bar)[:, None] * d_in
        aw = a * (weight / noise**2)[:, None]
        normal = aw @ np.swapaxes(a, 1, 2)
        right = (aw @ profile[..., None])[..., 0]
        guess = np.stack([back_bar, wall_bar, face_bar, np.zeros(n), np.zeros(n)], -1)
        for at in hidden:
            wall_bar[at], variance = _shared_wall(normal[at], right[at], prior[at], guess[at], face_bar[at])
            guess[at, 1] = wall_bar[at]
            prior[at, 1] = 1.0 / (spread[at] ** 2 + variance)
        normal[:, range(5), range(5)] += prior
        right += prior * guess
        # the last two columns of the inverse are the offsets' covariance
        solved = np.linalg.solve(normal, np.concatenate([right[..., None], columns], 2))
        x = solved[..., 0]
        residual = profile - (x[:, None] @ a)[:, 0]
        scale = np.maximum(1.4826 * np.median(np.abs(residual), axis=1), 0.7)
        noise = float(np.clip(np.median(scale), 0.8, 8.0))
        if iteration < 2:
            weight = clean / (1.0 + (residual / (3.0 * np.maximum(scale, noise)[:, None])) ** 2)
            back_bar = x[:, 0]
            together = wall_bar[shared]
            wall_bar = np.where(has_inner, 0.5 * (wall_bar + x[:, 1]), x[:, 1])
            wall_bar[shared] = together
    cov = solved[:, 3:, 1:]
    # a profile that the model does not explain tells less
    count = clean.sum(1)
    chi2 = (weight * (residual / noise) ** 2).sum(1) / np.maximum(count - 4, 1)
    cov = cov * np.maximum(1.0, chi2)[:, None, None]
    cov[:, range(2), range(2)] += 0.03**2
    v11, v12, v22 = cov[:, 0, 0], cov[:, 0, 1], cov[:, 1, 1]
    info = np.zeros((n, 2, 2))
    determinant = np.where(has_inner, v11 * v22 - v12 * v12, 1.0)
    info[:, 0, 0] = np.where(has_inner, v22 / determinant, 1.0 / v11)
    info[:, 0, 1] = info[:, 1, 0] = np.where(has_inner, -v12 / determinant, 0.0)
    info[:, 1, 1] = np.where(has_inner, v11 / determinant, 0.0)
    # an edge still far from its place would only look soft
    clear = ~has_inner & (samples.edge < INNER_LEFT) & (np.abs(x[:, 3]) < 0.5 * blur_px)
    blur_step = _blur_step(a[clear][:, [0, 1, 3]], residual[clear], t, (back_bar - wall_bar)[clear], blur_px, noise)
    # without the edge: one shade and a slope
    flat = np.stack([np.ones_like(t), t], -1)
    without = (clean * (profile - profile @ flat @ np.linalg.inv(flat.T @ flat) @ flat.T) ** 2).sum(1)
    with_edge = (clean * residual**2).sum(1)
    support = np.clip(1.0 - (with_edge + count * noise**2 * 0.5) / (without + 1e-9), 0.0, 1.0)
    return EdgeOffsets(
        own=np.clip(x[:, 3], t[0], -t[0]),
        inner=np.clip(x[:, 4], t[0], -t[0]) * has_inner,
        weight=info,
        has_inner=has_inner,
        support=support,
        noise=noise,
        blur_px=float(np.clip(blur_px + blur_step, *BLUR_LIMITS_PX)),
    )


def _blur_step(design: Array, residual: Array, t: Array, contrast: Array, blur_px: float, noise: float) -> float:
    """How much softer the clear edges are than the model has them, px; 0 where too few are clear.

    design (S, 3, T): of each profile's two shades and its offset; residual (S, T): what they leave. The weighted median
    over profiles of what each would have it changed by: an edge in front of clutter only ever looks softer.
    """
    strong = np.abs(contrast) > 8.0 * noise
    if strong.sum() < 12:
        return 0.0
    a, r = design[strong], residual[strong]
    z = t / blur_px
    g = contrast[strong][:, None] * (-z * np.exp(-0.5 * z * z) / (blur_px * np.sqrt(2 * np.pi)))
    normal = a @ np.swapaxes(a, 1, 2)
    normal[:, range(3), range(3)] *= 1.0 + 1e-9
    g = g - (np.linalg.solve(normal, a @ g[..., None])[:, None, :, 0] @ a)[:, 0]
    lever = (g * g).sum(1)
    step = (g * r).sum(1) / np.maximum(lever, 1e-9)
    order = np.argsort(step)
    half = np.searchsorted(np.cumsum(lever[order]), 0.5 * lever.sum())
    return float(np.clip(step[order[half]], -0.3 * blur_px, 0.3 * blur_px))
