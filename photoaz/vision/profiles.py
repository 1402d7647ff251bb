"""Intensity profiles across edges: sampled along their normals, and the strongest edge near each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.photo.camera import Array
from photoaz.vision.outline import EdgeSamples
from photoaz.vision.patch import Patch


def of_each_box(value: Array | float, samples: EdgeSamples) -> Array:
    """A value of all boxes, or one of each, as (B,)."""
    out = np.asarray(value, float)
    return np.full(int(samples.box[-1]) + 1 if len(samples) else 0, float(out)) if out.ndim == 0 else out


def sample_profiles(patch: Patch | Sequence[Patch], samples: EdgeSamples, t: Array) -> Array:
    """Values (S, T, C) at distances t (T,) px along each sample's normal, outwards positive.

    patch: of all boxes, or one for each (boxes in the same patch follow each other).
    """
    places = samples.x_px[:, None, :] + samples.normal[:, None, :] * t[None, :, None]
    if isinstance(patch, Patch):
        return patch.at(places)
    change = [k for k in range(len(patch)) if k == 0 or patch[k] is not patch[k - 1]]
    cut = np.searchsorted(samples.box, [*change, len(patch)]).tolist()
    parts = [patch[k].at(places[a:b]) for k, a, b in zip(change, cut[:-1], cut[1:], strict=True) if b > a]
    return np.concatenate(parts) if parts else np.zeros((0, len(t), 1))


@dataclass(frozen=True, slots=True)
class Neighbours:
    """The samples from `low` up to `high` (S,) are each one's neighbours on its own edge; an edge's samples follow."""

    low: Array
    high: Array

    def mean(self, value: Array) -> Array:
        """Mean over each sample's neighbours of values (S, ...)."""
        total = np.zeros((len(value) + 1, *value.shape[1:]))
        np.cumsum(value, 0, out=total[1:])
        count = (self.high - self.low).reshape(-1, *[1] * (value.ndim - 1))
        return np.asarray((total[self.high] - total[self.low]) / count)


def neighbours(run: Array, half: int) -> Neighbours:
    """Up to `half` samples either side; run (S,): a number for each edge."""
    start, n = runs(run)
    place = np.arange(len(run))
    return Neighbours(np.maximum(place - half, start), np.minimum(place + half + 1, start + n))


def runs(run: Array) -> tuple[Array, Array]:
    """First sample and number of samples (S,) of each sample's run."""
    first = np.flatnonzero(np.concatenate([[True], run[1:] != run[:-1]]))
    n = np.diff(np.append(first, len(run)))
    return np.repeat(first, n), np.repeat(n, n)


def along_contrast(profile: Array, t: Array, run: Array, clear_px: float | Array, half: int = 8) -> Array:
    """Profiles (S, T) of the colour mixture in which each run of an edge shows best, from (S, T, C).

    The mixture is the unit vector from the mean colour outside to that inside, averaged over `half` neighbours either
    side on the same edge: luminance where that differs, colour where only colour does. clear_px: one, or (S,), beyond
    which the blur no longer reaches.
    """
    if profile.shape[2] == 1:
        return profile[..., 0]
    clear = np.broadcast_to(np.asarray(clear_px, float), run.shape)[:, None]
    inside, outside = t < -clear, t > clear
    channels = np.moveaxis(profile, 2, 0)
    step = np.stack([mean_where(c, inside) - mean_where(c, outside) for c in channels], 1)
    mean = neighbours(run, half).mean(step)
    length = np.sqrt((mean * mean).sum(1, keepdims=True))
    unit = np.where(length > 1.0, mean / np.maximum(length, 1e-9), np.eye(step.shape[1])[0])
    return np.asarray((profile @ unit[..., None])[..., 0])


def nearest_strong_edge(
    patch: Patch | Sequence[Patch],
    samples: EdgeSamples,
    *,
    reach_px: float | Array,
    near_px: float | Array,
    blur_px: float,
) -> tuple[Array, Array]:
    """The most plausible edge within reach of each sample: offset (S,) px and contrast (S,) grey levels.

    Plausible means strong and near: the contrast is weighed by a Gaussian of `near_px` over the offset. reach_px,
    near_px: of all boxes, or one for each.
    """
    half = int(np.ceil(2.5 * blur_px))
    reaches = np.ceil(of_each_box(reach_px, samples))
    near = of_each_box(near_px, samples)
    reach = int(reaches.max(initial=1.0))
    t = np.arange(-(reach + half), reach + half + 1, dtype=float)
    profile = sample_profiles(patch, samples, t)
    k = np.arange(-half, half + 1)
    kernel = -k * np.exp(-0.5 * (k / blur_px) ** 2)
    kernel = kernel / (np.abs(kernel).sum() / 2)  # a unit step answers 1
    shift = t[half:-half]
    # all answers of all profiles are one product with a band matrix
    band = np.zeros((len(t), len(shift)))
    for j in range(len(shift)):
        band[j : j + len(kernel), j] = kernel[::-1]
    if profile.shape[2] == 1:
        strength = np.abs(profile[..., 0] @ band)
    else:
        response = np.swapaxes(profile, 1, 2) @ band  # (S, C, T')
        strength = np.sqrt((response * response).sum(1))
    nearness = np.where(np.abs(shift) <= reaches[:, None], np.exp(-0.5 * (shift / near[:, None]) ** 2), 0.0)
    score = strength * nearness[samples.box]
    # beyond half way to the neighbouring edge of the same box, an edge is the neighbour's
    score[shift[None, :] < -0.5 * samples.inner_px[:, None] - 0.5] = 0.0
    score[shift[None, :] > 0.5 * samples.outer_px[:, None] + 0.5] = 0.0
    at = score.argmax(1)
    rows = np.arange(len(at))
    inside = (at > 0) & (at < len(shift) - 1)
    left = score[rows, np.maximum(at - 1, 0)]
    right = score[rows, np.minimum(at + 1, len(shift) - 1)]
    mid = score[rows, at]
    curve = left - 2 * mid + right
    sub = np.where(inside & (curve < 0), 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    return shift[at] + np.clip(sub, -0.5, 0.5), strength[rows, at]


def row_sums(value: Array) -> Array:
    """Sum of each row (S, T): as a product, many times faster than over rows so short."""
    return np.asarray(value @ np.ones(value.shape[1]))


def mean_where(profile: Array, mask: Array) -> Array:
    """Mean of each profile (S, T) over its mask; NaN where the mask is empty."""
    count = row_sums(mask.astype(float))
    return np.where(count > 0, row_sums(profile * mask) / np.maximum(count, 1), np.nan)
