"""Intensity profiles across edges: sampled along their normals, and the strongest edge near each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.photo.camera import Array
from photoaz.vision.outline import EdgeSamples, ramp
from photoaz.vision.patch import Patch


def of_each_box(value: Array | float, samples: EdgeSamples) -> Array:
    """A value of all boxes, or one of each, as (B,)."""
    out = np.asarray(value, float)
    return np.full(int(samples.box[-1]) + 1 if len(samples) else 0, float(out)) if out.ndim == 0 else out


def sample_profiles(patch: Patch | Sequence[Patch], samples: EdgeSamples, t: Array) -> Array:
    """Values (S, T, C) at distances t (T,) or (S, T) px along each sample's normal, outwards positive.

    patch: of all boxes, or one for each (boxes in the same patch follow each other).
    """
    # x and y by themselves: NumPy is slow where the last axis has two entries
    x = samples.x_px[:, :1] + samples.normal[:, :1] * t
    y = samples.x_px[:, 1:] + samples.normal[:, 1:] * t
    if isinstance(patch, Patch):
        return patch.at_places(x, y)
    change = [k for k in range(len(patch)) if k == 0 or patch[k] is not patch[k - 1]]
    cut = np.searchsorted(samples.box, [*change, len(patch)]).tolist()
    parts = [patch[k].at_places(x[a:b], y[a:b]) for k, a, b in zip(change, cut[:-1], cut[1:], strict=True) if b > a]
    return np.concatenate(parts) if parts else np.zeros((0, t.shape[-1], 1))


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Samples (W, S) that are each one's neighbours on its own edge; S, which counts nothing, fills up.

    total (S,): of the neighbours' weights, by which means are weighed.
    """

    at: Array
    weight: Array
    total: Array

    def mean(self, value: Array) -> Array:
        """Weighted mean over each sample's neighbours of values (S, ...)."""
        shape = (-1, *[1] * (value.ndim - 1))
        return np.asarray(_total(self.at, self.weight.reshape(shape) * value) / self.total.reshape(shape))


def _total(at: Array, value: Array) -> Array:
    """Sums (S, ...) of values (S, ...) at (W, S)."""
    # one neighbour after the other: sums do not hang on what lies before them, as those from a running total do
    value = np.concatenate([value, np.zeros((1, *value.shape[1:]))])
    out = np.zeros_like(value[:-1])
    for which in at:
        out += value[which]
    return out


def neighbours(run: Array, half: int, weight: Array) -> Neighbours:
    """Up to `half` samples either side; run (S,): a number for each edge, whose samples follow; weight (S,)."""
    start, n = runs(run)
    place = np.arange(len(run))
    low, high = np.maximum(place - half, start), np.minimum(place + half + 1, start + n)
    each = low + np.arange(int((high - low).max(initial=0)))[:, None]
    at = np.where(each < high, each, len(run))
    return Neighbours(at, weight, _total(at, weight))


def runs(run: Array) -> tuple[Array, Array]:
    """First sample and number of samples (S,) of each sample's run."""
    first = np.flatnonzero(np.concatenate([[True], run[1:] != run[:-1]]))
    n = np.diff(np.append(first, len(run)))
    return np.repeat(first, n), np.repeat(n, n)


def along_contrast(profile: Array, t: Array, samples: EdgeSamples, clear_px: Array, half: int = 8) -> Array:
    """Profiles (S, T) of the colour mixture in which each edge shows best, from (S, T, C) at t (S, T).

    The mixture is the unit vector from the mean colour outside to that inside, averaged over `half` neighbours either
    side on the same edge: luminance where that differs, colour where only colour does. clear_px (S,): beyond this the
    blur no longer reaches.
    """
    if profile.shape[2] == 1:
        return profile[..., 0]
    beyond = t - np.sign(t) * clear_px[:, None]
    inside, outside = ramp(0.5 - beyond) * (t < 0), ramp(0.5 + beyond) * (t > 0)
    channels = np.moveaxis(profile, 2, 0)
    step = np.stack([weighted_mean(c, inside) - weighted_mean(c, outside) for c in channels], 1)
    mean = neighbours(samples.run, half, samples.spacing_px).mean(step)
    # brighter is more, whichever side it is on; luminance serves where hardly anything differs
    mean *= np.where(mean[:, :1] < 0.0, -1.0, 1.0)
    mean[:, 0] += np.maximum(1.0 - np.sqrt((mean * mean).sum(1)), 0.0)
    unit = mean / np.sqrt((mean * mean).sum(1, keepdims=True))
    return np.asarray((profile @ unit[..., None])[..., 0])


#: an edge of so many grey levels cannot be told from none
_NO_CONTRAST = 0.01


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
    # one tap of the kernel after the other: what a profile answers must not hang on how far other boxes reach
    response = np.zeros((len(profile), len(shift), profile.shape[2]))
    for j, tap in enumerate(kernel[::-1].tolist()):
        response += tap * profile[:, j : j + len(shift)]
    strength = np.sqrt(np.einsum("stc,stc->st", response, response))
    nearness = np.where(np.abs(shift) <= reaches[:, None], np.exp(-0.5 * (shift / near[:, None]) ** 2), 0.0)
    # where nothing is seen an edge lies nowhere: what is said there must not hang on last bits
    score = (strength + _NO_CONTRAST) * nearness[samples.box]
    # beyond half way to the neighbouring edge of the same box, an edge is the neighbour's
    score[shift[None, :] < -0.5 * samples.inner_px[:, None] - 0.5] = 0.0
    score[shift[None, :] > 0.5 * samples.outer_px[:, None] + 0.5] = 0.0
    at = score.argmax(1)
    rows = np.arange(len(at))
    inside = np.abs(shift[at]) < reaches[samples.box]
    left = score[rows, np.maximum(at - 1, 0)]
    right = score[rows, np.minimum(at + 1, len(shift) - 1)]
    mid = score[rows, at]
    curve = left - 2 * mid + right
    sub = np.where(inside & (curve < 0), 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    return shift[at] + np.clip(sub, -0.5, 0.5), strength[rows, at]


def row_sums(value: Array) -> Array:
    """Sum of each row (S, T), the same whatever the other rows are: a product with ones is not."""
    return np.asarray(np.einsum("st->s", value))


def weighted_mean(profile: Array, weight: Array) -> Array:
    """Mean of each profile (S, T) by weights (S, T), drawn to its plain mean where these are next to nothing."""
    weight = weight + 1e-4
    return np.asarray(row_sums(profile * weight) / row_sums(weight))


#: a median is the mean of what lies between these quantiles: of a single value, it would move by leaps
_MIDDLE = (0.35, 0.65)


def weighted_median(value: Array, weight: Array, group: Array, n_groups: int) -> Array:
    """Weighted median (n_groups,) of each group's values (n,); NaN of none.

    The mean of the middle third of them, so that it moves smoothly with values and weights.
    """
    # as lexsort would, in a third of its time: small whole numbers are sorted by their digits
    order = np.argsort(value, kind="stable")
    order = order[np.argsort(group[order].astype(np.int16), kind="stable")]
    value, weight, group = value[order], weight[order] + 1e-9, group[order]
    total = np.bincount(group, weight, n_groups)
    count = np.bincount(group, minlength=n_groups)
    place = np.arange(len(group)) - (np.cumsum(count) - count)[group]
    own = np.zeros((n_groups, int(count.max(initial=0))))
    own[group, place] = weight
    upto = np.cumsum(own, 1)[group, place] / total[group]
    part = np.minimum(upto, _MIDDLE[1]) - np.maximum(upto - weight / total[group], _MIDDLE[0])
    part = np.maximum(part, 0.0)
    middle = np.bincount(group, part, n_groups)
    return np.where(middle > 0, np.bincount(group, part * value, n_groups) / np.maximum(middle, 1e-12), np.nan)


def windows(run: Array, half: int) -> tuple[Array, Array]:
    """Up to `half` samples either side of each on the same edge: which (S, W), and whether there is one (S, W)."""
    start, n = (v[:, None] for v in runs(run))
    place = np.arange(len(run))[:, None] + np.arange(-half, half + 1)
    there = (place >= start) & (place < start + n)
    return np.clip(place, 0, len(run) - 1), there


def running_median(value: Array, weight: Array, window: tuple[Array, Array]) -> Array:
    """Weighted median (S,) over each sample's window (see `windows`); as smooth as `weighted_median`."""
    place, there = window
    # what lies beyond the edge's ends comes last, and weighs nothing
    near, w = np.where(there, value[place], 1e9), np.where(there, weight[place] + 1e-9, 0.0)
    order = np.argsort(near, 1)
    order += order.shape[1] * np.arange(len(order))[:, None]
    near, w = near.take(order), w.take(order)
    w = w / row_sums(w)[:, None]
    upto = np.cumsum(w, 1)
    part = np.maximum(np.minimum(upto, _MIDDLE[1]) - np.maximum(upto - w, _MIDDLE[0]), 0.0)
    return np.asarray(row_sums(part * near) / row_sums(part))
