"""Where an edge is: intensity profiles across it, fitted with the shades on its sides and the photo's own blur.

Two edges closer together than the blur (the narrow wall of a panel seen nearly face-on) make one profile with three
shades; they are measured together, each with its own uncertainty, instead of competing for one gradient.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    better the profile is explained with the edge than without, 0 to 1. noise (B,): of each box's pixels, grey levels.
    blur_px (B,): of the edges that have no other near them, where there are enough.
    """

    own: Array
    inner: Array
    weight: Array
    has_inner: Array
    support: Array
    noise: Array
    blur_px: Array


def _of_each_box(value: Array | float, samples: EdgeSamples) -> Array:
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
    start, n = _runs(run)
    place = np.arange(len(run))
    return Neighbours(np.maximum(place - half, start), np.minimum(place + half + 1, start + n))


def _runs(run: Array) -> tuple[Array, Array]:
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
    step = np.stack([_mean_where(c, inside) - _mean_where(c, outside) for c in channels], 1)
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
    reaches = np.ceil(_of_each_box(reach_px, samples))
    near = _of_each_box(near_px, samples)
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


def _windows(run: Array, half: int) -> Array:
    """Indices (S, 2 * half + 1) of each sample's neighbours on its own edge, reflected at the edge's ends.

    The samples of an edge follow each other.
    """
    start, length = (v[:, None] for v in _runs(run))
    place = (np.arange(len(run))[:, None] - start + np.arange(-half, half + 1)) % (2 * length)
    return np.asarray(start + np.minimum(place, 2 * length - 1 - place))


def _sums(value: Array) -> Array:
    """Sum of each row (S, T): as a product, many times faster than over rows so short."""
    return np.asarray(value @ np.ones(value.shape[1]))


def _mean_where(profile: Array, mask: Array) -> Array:
    """Mean of each profile (S, T) over its mask; NaN where the mask is empty."""
    count = _sums(mask.astype(float))
    return np.where(count > 0, _sums(profile * mask) / np.maximum(count, 1), np.nan)


def _median_of_each(value: Array, group: Array, n_groups: int) -> Array:
    """Median (n_groups,) of each group's values, those that are NaN left out; NaN where there are none."""
    known = ~np.isnan(value)
    if not known.all():
        value, group = value[known], group[known]
    out = np.full(n_groups, np.nan)
    if not len(value):
        return out
    # one sort for all: the groups' values laid end to end
    low, span = float(value.min()), float(np.ptp(value)) + 1.0
    ordered = np.sort(group * span + (value - low))
    count = np.bincount(group, minlength=n_groups)
    first = np.cumsum(count) - count
    at = np.flatnonzero(count)
    middle = ordered[first[at] + (count[at] - 1) // 2] + ordered[first[at] + count[at] // 2]
    out[at] = 0.5 * middle - at * span + low
    return out


def _along_edge(shade: Array, run: Array, windows: Array, fallback: Array) -> Array:
    """Shades, gaps filled by their edge's median (or the fallback), smoothed along each edge by a running median."""
    out = shade
    gaps = np.isnan(shade)
    if gaps.any():
        usual = _median_of_each(shade, run, int(run.max()) + 1)[run]
        out = np.where(gaps, np.where(np.isnan(usual), fallback, usual), shade)
    middle = windows.shape[1] // 2
    return np.asarray(np.partition(out[windows], middle, axis=1)[:, middle])


def _shared_walls(
    run: Array, normal: Array, right: Array, prior: Array, guess: Array, face: Array
) -> tuple[Array, Array]:
    """The one wall shade that each run's profiles tell together, and its variance, both (R,).

    run (S,): 0 to R - 1; normal (S, 5, 5), right (S, 5): each profile's normal equations without priors; prior,
    guess (S, 5): inverse variances and means of its unknowns, of which all but the wall's shade are eliminated. Before
    its pixels are looked at, a wall is as bright as the run's face (R,), give or take a third.
    """
    other = [0, 2, 3, 4]
    n = normal.copy()
    n[:, other, other] += prior[:, other]
    r = right + prior * guess
    gain = np.linalg.solve(n[:, other][:, :, other], np.stack([n[:, other, 1], r[:, other]], -1))
    lever = n[:, 1, other][:, None, :] @ gain
    information = np.bincount(run, n[:, 1, 1] - lever[:, 0, 0], len(face))
    told = np.bincount(run, right[:, 1] - lever[:, 0, 1], len(face))
    before = 1.0 / (0.33 * np.abs(face) + 10.0) ** 2
    total = information + before
    return (told + before * face) / total, 1.0 / total


def measure_offsets(
    patch: Patch | Sequence[Patch],
    samples: EdgeSamples,
    *,
    blur_px: float | Array,
    reach_px: float = 1.5,
    rounded_px: float | Array = 0.0,
    find_blur: bool = True,
) -> EdgeOffsets:
    """Fit each profile: shades of background, wall and face, offsets of the outline and of the inner edge.

    patch, blur_px, rounded_px: of all boxes, or one for each. rounded_px: width of the front edges' rounding as seen,
    which softens the inner edges. find_blur: without it, blur_px comes back as given.
    """
    blur = _of_each_box(blur_px, samples)
    half = np.ceil(3.0 * blur + reach_px)
    longest = half.max(initial=1.0)
    t = np.arange(-longest, longest + 1)
    profile = along_contrast(sample_profiles(patch, samples, t), t, samples.run, 1.3 * blur[samples.box])
    return fit_profiles(profile, t, samples, half, blur_px=blur, rounded_px=rounded_px, find_blur=find_blur)


def _step_of(x: Array) -> Array:
    """Density of the normal distribution: the slope of a blurred step."""
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi))


class _OneEdge:
    """The profiles that cross one edge: two shades and its offset; what the model needs of them depends on the box.

    at (n,): which samples they are; box (n,): whose; profile (n, T); blur_px (B,).
    """

    def __init__(self, at: Array, box: Array, profile: Array, t: Array, blur_px: Array) -> None:
        self.at, self.box, self.profile = at, box, profile
        z = t / blur_px[:, None]
        outside = ndtr(z)
        self.basis = np.stack([outside, 1.0 - outside, _step_of(z) / blur_px[:, None]], -1)  # (B, T, 3)
        i, j = _UPPER
        self.products = self.basis[..., i] * self.basis[..., j]  # (B, T, 6)
        cut = np.searchsorted(box, np.arange(len(blur_px) + 1))
        self.slices = [(b, slice(cut[b], cut[b + 1])) for b in range(len(blur_px)) if cut[b + 1] > cut[b]]

    def times(self, value: Array, table: Array) -> Array:
        """Each box's rows of value (n, a) times its own table (B, a, b)."""
        out = np.empty((len(value), table.shape[2]))
        for b, rows in self.slices:
            np.matmul(value[rows], table[b], out=out[rows])
        return out

    def solve(self, weight: Array, contrast: Array, back: Array, wall: Array) -> tuple[Array, Array, Array]:
        """Unknowns (n, 3), what they leave (n, T), and the offset's variance (n,)."""
        n = self.times(weight, self.products)
        r = self.times(weight * self.profile, self.basis)
        # sums of the products of outside, inside and step: the step counts as often as the shades differ
        a, b, c = n[:, 0] + _BACK_WEIGHT, n[:, 1], n[:, 2] * contrast
        d, e, f = n[:, 3] + _WALL_WEIGHT, n[:, 4] * contrast, n[:, 5] * contrast**2 + _OFFSET_WEIGHT
        x, y, z = r[:, 0] + _BACK_WEIGHT * back, r[:, 1] + _WALL_WEIGHT * wall, r[:, 2] * contrast
        # the inverse of a symmetric 3 x 3 matrix, by cofactors
        c00, c01, c02 = d * f - e * e, c * e - b * f, b * e - c * d
        c11, c12, c22 = a * f - c * c, b * c - a * e, a * d - b * b
        det = a * c00 + b * c01 + c * c02
        u = np.stack([c00 * x + c01 * y + c02 * z, c01 * x + c11 * y + c12 * z, c02 * x + c12 * y + c22 * z], -1)
        u /= det[:, None]
        scaled = np.stack([u[:, 0], u[:, 1], u[:, 2] * contrast], -1)
        return u, self.profile - self.times(scaled, np.swapaxes(self.basis, 1, 2)), c22 / det


_UPPER = np.triu_indices(3)
#: inverse variances of what a profile's unknowns are before it is looked at: next to nothing
_BACK_WEIGHT, _WALL_WEIGHT, _OFFSET_WEIGHT = 1e-8, 1e-6, 1e-4


class _TwoEdges:
    """The profiles that cross the outline and an inner edge behind it: three shades and two offsets.

    at (n,), box (n,), profile (n, T) as above; w (n,): distance between the edges; blur_px, inner_blur (n,); hidden
    (n,): number of the run whose wall is too narrow to fill a pixel by itself, -1 elsewhere.
    """

    def __init__(
        self, at: Array, box: Array, profile: Array, t: Array, w: Array, blur_px: Array, inner_blur: Array
    ) -> None:
        self.at, self.box, self.profile = at, box, profile
        z, y = t / blur_px[:, None], (t + w[:, None]) / inner_blur[:, None]
        outside, beyond = ndtr(z), ndtr(-y)
        self.steps = _step_of(z) / blur_px[:, None], _step_of(y) / inner_blur[:, None]
        self.design = np.empty((len(at), 5, len(t)))
        self.design[:, 0], self.design[:, 2] = outside, beyond
        self.design[:, 1] = np.clip(1.0 - outside - beyond, 0.0, 1.0)
        self.columns = np.broadcast_to(np.eye(5)[:, 3:], (len(at), 5, 2))

    def equations(self, weight: Array, back: Array, wall: Array, face: Array) -> tuple[Array, Array]:
        """Normal equations (n, 5, 5), (n, 5), without priors."""
        self.design[:, 3] = (wall - back)[:, None] * self.steps[0]
        self.design[:, 4] = (face - wall)[:, None] * self.steps[1]
        weighted = self.design * weight[:, None]
        right = (weighted @ self.profile[..., None])[..., 0]
        return weighted @ np.swapaxes(self.design, 1, 2), right

    def solve(self, normal: Array, right: Array, prior: Array, guess: Array) -> tuple[Array, Array, Array]:
        """Unknowns (n, 5), what they leave (n, T), and the offsets' covariance (n, 2, 2)."""
        normal[:, range(5), range(5)] += prior
        right = right + prior * guess
        # the last two columns of the inverse are the offsets' covariance
        solved = np.linalg.solve(normal, np.concatenate([right[..., None], self.columns], 2))
        x = solved[..., 0]
        return x, self.profile - (x[:, None] @ self.design)[:, 0], solved[:, 3:, 1:]


def fit_profiles(
    profile: Array,
    t: Array,
    samples: EdgeSamples,
    half_px: Array,
    *,
    blur_px: Array,
    rounded_px: float | Array,
    find_blur: bool = True,
) -> EdgeOffsets:
    """As `measure_offsets`, from intensities (S, T) at distances t (T,), of which a box's own reach to half_px (B,).

    Unknowns of a profile: background, wall and face shade (the last two held near their run along the edge where an
    inner edge is near), and the two offsets; linearised about the model's edges, reweighted robustly three times. The
    shade of a wall too narrow to fill a pixel is found from all profiles of its edge together: taken for the face's, it
    would draw the outline inwards.
    """
    n = len(profile)
    box, run = samples.box, samples.run
    blur = blur_px[box]
    inner_blur = np.hypot(blur, np.broadcast_to(np.asarray(rounded_px, float), blur_px.shape)[box] / np.sqrt(12.0))
    half = half_px[box]
    # the face beyond an inner edge must fill a pixel of its own, or the edge tells nothing
    has_inner = samples.inner_px < half - 1.3 * inner_blur
    w = np.where(has_inner, samples.inner_px, 1e3)
    # where it does not, the pixels that it reaches into are left out, but for those next to the outline
    limit = np.where(has_inner, -np.inf, np.minimum(2.0 * inner_blur - samples.inner_px, -1.3 * blur - 1.0))
    valid = np.abs(t) <= half_px[:, None]
    valid = valid[box]
    clean = valid & (t > limit[:, None])
    # shades straight from the pixels that one face alone fills
    deep_from = np.where(has_inner, -w - 1.3 * inner_blur, -1.3 * blur)
    deep_shade = _mean_where(profile, clean & (t < deep_from[:, None]))
    between = (t < -1.3 * blur[:, None]) & (t > (-w + 1.3 * inner_blur)[:, None]) & has_inner[:, None] & valid
    between_any = between.any(1)
    windows = _windows(run, 5)
    fallback = deep_shade
    if np.isnan(deep_shade).any():
        fallback = np.where(np.isnan(deep_shade), _mean_where(profile, valid), deep_shade)
    wall_bar = _along_edge(np.where(has_inner, _mean_where(profile, between), deep_shade), run, windows, fallback)
    face_bar = wall_bar
    if has_inner.any():
        face_bar = np.where(has_inner, _along_edge(deep_shade, run, windows, wall_bar), wall_bar)
    back_bar = _mean_where(profile, valid & (t > 1.3 * blur[:, None]))
    at = np.flatnonzero(~has_inner)
    one = _OneEdge(at, box[at], profile[at], t, blur_px)
    at = np.flatnonzero(has_inner)
    two = _TwoEdges(at, box[at], profile[at], t, w[at], blur[at], inner_blur[at])
    spread = np.maximum(6.0, 0.05 * np.abs(face_bar[at]))
    free = np.ones(len(at))
    prior = np.stack(
        [_BACK_WEIGHT * free, spread**-2.0, spread**-2.0, _OFFSET_WEIGHT * free, _OFFSET_WEIGHT * free], -1
    )
    # runs of samples of edges whose wall is too narrow to fill a pixel by itself
    wide = np.bincount(run[at], between_any[at], int(run.max(initial=0)) + 1)
    narrow = wide < 0.2 * np.bincount(run[at], minlength=len(wide))
    hidden = np.flatnonzero(narrow[run[at]])
    numbers, hidden_run = np.unique(run[at][hidden], return_inverse=True)
    hidden_face = _median_of_each(face_bar[at][hidden], hidden_run, len(numbers))
    weight = clean.astype(float)
    noise = np.full(len(blur_px), 2.0)
    own, inner = np.empty(n), np.zeros(n)
    residual = np.empty_like(profile)
    count_valid = (2 * half + 1).astype(int)
    places = np.arange(n)
    for iteration in range(3):
        scaled = weight / (noise**2)[box][:, None]
        wall, back, face = wall_bar[two.at], back_bar[two.at], face_bar[two.at]
        normal, right = two.equations(scaled[two.at], back, wall, face)
        guess = np.stack([back, wall, face, 0.0 * free, 0.0 * free], -1)
        if len(hidden):
            shared, variance = _shared_walls(
                hidden_run, normal[hidden], right[hidden], prior[hidden], guess[hidden], hidden_face
            )
            guess[hidden, 1] = wall[hidden] = shared[hidden_run]
            prior[hidden, 1] = 1.0 / (spread[hidden] ** 2 + variance[hidden_run])
        x2, residual[two.at], cov = two.solve(normal, right, prior, guess)
        contrast = wall_bar[one.at] - back_bar[one.at]
        x1, residual[one.at], variance1 = one.solve(scaled[one.at], contrast, back_bar[one.at], wall_bar[one.at])
        off = np.where(valid, np.abs(residual), np.inf)
        off.sort(1)
        middle = 0.5 * (off[places, (count_valid - 1) // 2] + off[places, count_valid // 2])
        scale = np.maximum(1.4826 * middle, 0.7)
        noise = np.clip(_median_of_each(scale, box, len(blur_px)), 0.8, 8.0)
        noise = np.where(np.isnan(noise), 2.0, noise)
        if iteration < 2:
            weight = clean / (1.0 + (residual / (3.0 * np.maximum(scale, noise[box]))[:, None]) ** 2)
            step = 0.5 * (wall + x2[:, 1])
            step[hidden] = wall[hidden]
            wall_bar[one.at], wall_bar[two.at] = x1[:, 1], step
            back_bar[one.at], back_bar[two.at] = x1[:, 0], x2[:, 0]
    own[one.at], own[two.at], inner[two.at] = x1[:, 2], x2[:, 3], x2[:, 4]
    # a profile that the model does not explain tells less
    count = _sums(clean.astype(float))
    unexplained = residual * residual
    chi2 = np.maximum(1.0, _sums(weight * unexplained) / (noise**2)[box] / np.maximum(count - 4, 1))
    info = np.zeros((n, 2, 2))
    info[one.at, 0, 0] = 1.0 / (variance1 * chi2[one.at] + _LEAST_VARIANCE)
    cov = cov * chi2[two.at][:, None, None]
    v11, v12, v22 = cov[:, 0, 0] + _LEAST_VARIANCE, cov[:, 0, 1], cov[:, 1, 1] + _LEAST_VARIANCE
    determinant = v11 * v22 - v12 * v12
    info[two.at, 0, 0], info[two.at, 1, 1] = v22 / determinant, v11 / determinant
    info[two.at, 0, 1] = info[two.at, 1, 0] = -v12 / determinant
    if find_blur:
        # an edge still far from its place would only look soft
        clear = (samples.edge[one.at] < INNER_LEFT) & (np.abs(x1[:, 2]) < 0.5 * blur[one.at])
        step = _blur_steps(one, clear, residual[one.at], t, contrast, blur_px, noise)
        blur_px = np.clip(blur_px + step, *BLUR_LIMITS_PX)
    # without the edge: one shade and a slope
    flat = np.where(valid, profile, 0.0)
    level = _sums(flat) / count_valid
    slope = flat @ t / (half * (half + 1) * (2 * half + 1) / 3.0)
    without = _sums(clean * (profile - level[:, None] - slope[:, None] * t) ** 2)
    with_edge = _sums(clean * unexplained)
    support = np.clip(1.0 - (with_edge + count * noise[box] ** 2 * 0.5) / (without + 1e-9), 0.0, 1.0)
    return EdgeOffsets(
        own=np.clip(own, -half, half),
        inner=np.clip(inner, -half, half),
        weight=info,
        has_inner=has_inner,
        support=support,
        noise=noise,
        blur_px=blur_px,
    )


#: no single offset is known better than this, px squared
_LEAST_VARIANCE = 0.03**2


def _blur_steps(
    one: _OneEdge, clear: Array, residual: Array, t: Array, contrast: Array, blur_px: Array, noise: Array
) -> Array:
    """How much softer each box's clear edges are than the model has them (B,), px; 0 where too few are clear.

    clear (n,): which of the profiles to ask; residual (n, T): what their model leaves; contrast (n,). The weighted
    median over profiles of what each would have it changed by: an edge in front of clutter only ever looks softer.
    """
    at = np.flatnonzero(clear & (np.abs(contrast) > 8.0 * noise[one.box]))
    box = one.box[at]
    enough = np.bincount(box, minlength=len(blur_px)) >= 12
    at = at[enough[box]]
    out = np.zeros(len(blur_px))
    if not len(at):
        return out
    box, r = one.box[at], residual[at]
    z = t / blur_px[:, None]
    softer = z * _step_of(z) / blur_px[:, None]  # (B, T), where the box is brighter by one
    # what shades and offset can take up of it is no blur
    basis = one.basis
    gain = np.linalg.solve(np.swapaxes(basis, 1, 2) @ basis, np.swapaxes(basis, 1, 2) @ softer[..., None])
    g = contrast[at, None] * (softer - (basis @ gain)[..., 0])[box]
    lever = (g * g).sum(1)
    step = (g * r).sum(1) / np.maximum(lever, 1e-9)
    order = np.lexsort((step, box))
    step, lever, box = step[order], lever[order], box[order]
    total = np.bincount(box, lever, len(blur_px))
    sofar = np.cumsum(lever)
    half = np.searchsorted(sofar, np.cumsum(total) - 0.5 * total)
    found = np.flatnonzero(total)
    out[found] = np.clip(step[half[found]], -0.3 * blur_px[found], 0.3 * blur_px[found])
    return out
