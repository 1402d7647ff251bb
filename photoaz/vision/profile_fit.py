"""Where an edge is: intensity profiles across it, fitted with the shades on its sides and the photo's own blur.

Two edges closer together than the blur (the narrow wall of a panel seen nearly face-on) make one profile with three
shades; they are measured together, each with its own uncertainty, instead of competing for one gradient.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from photoaz.photo.camera import Array
from photoaz.quantities import BLUR_LIMITS_PX
from photoaz.vision.outline import INNER_LEFT, EdgeSamples
from photoaz.vision.patch import Patch
from photoaz.vision.profiles import along_contrast, mean_where, of_each_box, row_sums, runs, sample_profiles

#: inverse variances of what a profile's unknowns are before it is looked at: next to nothing
_BACK_WEIGHT, _WALL_WEIGHT, _OFFSET_WEIGHT = 1e-8, 1e-6, 1e-4
#: no single offset is known better than this, px squared
_LEAST_VARIANCE = 0.03**2
_UPPER = np.triu_indices(3)


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

    Unknowns of a profile: background, wall and face shade (the last two held near their run along the edge where an
    inner edge is near), and the two offsets; linearised about the model's edges, reweighted robustly three times. The
    shade of a wall too narrow to fill a pixel is found from all profiles of its edge together: taken for the face's, it
    would draw the outline inwards.
    """
    # one long function: what three rounds of reweighting leave is read off right behind them
    p = _profiles_of(patch, samples, of_each_box(blur_px, samples), reach_px, rounded_px)
    box, n_boxes = samples.box, len(p.blur_px)
    back, wall, face, between = _first_shades(p, samples.run)
    one, two = p.one_edge(np.flatnonzero(~p.has_inner)), p.two_edges(np.flatnonzero(p.has_inner))
    spread = np.maximum(6.0, 0.05 * np.abs(face[two.at]))
    prior = _prior_of_two(spread)
    hidden = _HiddenWalls(samples.run[two.at], between[two.at], face[two.at])
    weight = p.clean.astype(float)
    noise = np.full(n_boxes, 2.0)
    residual = np.empty_like(p.profile)
    for iteration in range(3):
        scaled = weight / (noise**2)[box][:, None]
        near, mid, far = back[two.at], wall[two.at], face[two.at]
        normal, right = two.equations(scaled[two.at], near, mid, far)
        guess = np.stack([near, mid, far, np.zeros(len(mid)), np.zeros(len(mid))], -1)
        if len(hidden.at):
            shade, variance = hidden.shade(normal, right, prior, guess)
            guess[hidden.at, 1] = mid[hidden.at] = shade
            prior[hidden.at, 1] = 1.0 / (spread[hidden.at] ** 2 + variance)
        x2, residual[two.at], covariance = two.solve(normal, right, prior, guess)
        contrast = wall[one.at] - back[one.at]
        x1, residual[one.at], variance1 = one.solve(scaled[one.at], contrast, back[one.at], wall[one.at])
        scale = p.scatter(residual)
        noise = np.clip(_median_of_each(scale, box, n_boxes), 0.8, 8.0)
        noise = np.where(np.isnan(noise), 2.0, noise)
        if iteration < 2:
            weight = p.clean / (1.0 + (residual / (3.0 * np.maximum(scale, noise[box]))[:, None]) ** 2)
            step = 0.5 * (mid + x2[:, 1])
            step[hidden.at] = mid[hidden.at]
            wall[one.at], wall[two.at] = x1[:, 1], step
            back[one.at], back[two.at] = x1[:, 0], x2[:, 0]
    own, inner = np.empty(len(box)), np.zeros(len(box))
    own[one.at], own[two.at], inner[two.at] = x1[:, 2], x2[:, 3], x2[:, 4]
    # a profile that the model does not explain tells less
    unexplained = residual * residual
    count = row_sums(p.clean.astype(float))
    chi2 = np.maximum(1.0, row_sums(weight * unexplained) / (noise**2)[box] / np.maximum(count - 4, 1))
    blur = p.blur_px
    if find_blur:
        # an edge still far from its place would only look soft
        clear = (samples.edge[one.at] < INNER_LEFT) & (np.abs(x1[:, 2]) < 0.5 * blur[box[one.at]])
        step = _blur_steps(one, clear, residual[one.at], p.t, contrast, blur, noise)
        blur = np.clip(blur + step, *BLUR_LIMITS_PX)
    with_edge = row_sums(p.clean * unexplained) + count * noise[box] ** 2 * 0.5
    half = p.half
    return EdgeOffsets(
        own=np.clip(own, -half, half),
        inner=np.clip(inner, -half, half),
        weight=_weights(one.at, variance1 * chi2[one.at], two.at, covariance * chi2[two.at][:, None, None]),
        has_inner=p.has_inner,
        support=np.clip(1.0 - with_edge / (p.without_edge() + 1e-9), 0.0, 1.0),
        noise=noise,
        blur_px=blur,
    )


def usual_weights(
    shades: tuple[float, float, float], noise: float, apart_px: Array, blur_px: float, rounded_px: float
) -> tuple[Array, Array, float]:
    """What profiles of known shades (background, wall, face) would tell, all pixels being clean and the shades free.

    Weights (n, 2, 2) of outline and inner edge the distances apart_px (n,) from each other, whether the inner edge is
    measured (n,), and the weight of an outline by itself before the face.
    """
    background, wall, face = shades
    half = np.ceil(3.0 * blur_px + 1.5)
    t = np.arange(-half, half + 1)
    inner_blur = _inner_blur(blur_px, rounded_px)
    has = _inner_is_measured(apart_px, half, inner_blur)
    at, alone_at = np.flatnonzero(has), np.zeros(1, int)
    one = _OneEdge(alone_at, alone_at, np.zeros((1, len(t))), t, np.full(1, blur_px))
    clean = np.full((len(at), len(t)), noise**-2.0)
    nothing = np.zeros(1)
    variance = one.solve(np.full((1, len(t)), noise**-2.0), np.full(1, face - background), nothing, nothing)[2]
    two = _TwoEdges(at, 0.0 * clean, t, apart_px[at], np.full(len(at), blur_px), np.full(len(at), inner_blur))
    flat = np.ones(len(at))
    normal, right = two.equations(clean, background * flat, wall * flat, face * flat)
    prior = _prior_of_two(np.maximum(6.0, 0.05 * face) * flat)
    covariance = two.solve(normal, right, prior, 0.0 * prior)[2]
    out = _weights(np.arange(len(apart_px)), np.full(len(apart_px), variance[0]), at, covariance)
    return out, has, float(_weights(alone_at, variance, alone_at[:0], covariance[:0])[0, 0, 0])


@dataclass(frozen=True, slots=True)
class _Profiles:
    """Profiles (S, T) at distances t (T,) from their edges, and what of each is used.

    box (S,): whose they are; blur_px (B,): of the boxes; half, blur, inner_blur (S,): reach, and softness of outline
    and inner edge; has_inner (S,): whether the inner edge is measured, apart (S,) from the outline (far off where it is
    not). valid (S, T): within reach; clean (S, T): and free of an inner edge that is not measured.
    """

    profile: Array
    t: Array
    box: Array
    blur_px: Array
    half: Array
    blur: Array
    inner_blur: Array
    has_inner: Array
    apart: Array
    valid: Array
    clean: Array

    def one_edge(self, at: Array) -> _OneEdge:
        """The model of the profiles `at` (n,), which cross one edge."""
        return _OneEdge(at, self.box[at], self.profile[at], self.t, self.blur_px)

    def two_edges(self, at: Array) -> _TwoEdges:
        """The model of the profiles `at` (n,), which cross the outline and an inner edge."""
        return _TwoEdges(at, self.profile[at], self.t, self.apart[at], self.blur[at], self.inner_blur[at])

    def scatter(self, residual: Array) -> Array:
        """Robust standard deviation (S,) of what a model leaves (S, T)."""
        off = np.where(self.valid, np.abs(residual), np.inf)
        off.sort(1)
        count, places = (2 * self.half + 1).astype(int), np.arange(len(off))
        middle = 0.5 * (off[places, (count - 1) // 2] + off[places, count // 2])
        return np.asarray(np.maximum(1.4826 * middle, 0.7))

    def without_edge(self) -> Array:
        """Sum of squares (S,) that a shade and a slope alone leave."""
        flat = np.where(self.valid, self.profile, 0.0)
        count = (2 * self.half + 1).astype(int)
        level = row_sums(flat) / count
        slope = flat @ self.t / (self.half * (self.half + 1) * (2 * self.half + 1) / 3.0)
        return row_sums(self.clean * (self.profile - level[:, None] - slope[:, None] * self.t) ** 2)


def _profiles_of(
    patch: Patch | Sequence[Patch], samples: EdgeSamples, blur_px: Array, reach_px: float, rounded_px: float | Array
) -> _Profiles:
    half_px = np.ceil(3.0 * blur_px + reach_px)
    longest = half_px.max(initial=1.0)
    t = np.arange(-longest, longest + 1)
    box = samples.box
    blur, half = blur_px[box], half_px[box]
    profile = along_contrast(sample_profiles(patch, samples, t), t, samples.run, 1.3 * blur)
    inner_blur = _inner_blur(blur, np.broadcast_to(np.asarray(rounded_px, float), blur_px.shape)[box])
    has_inner = _inner_is_measured(samples.inner_px, half, inner_blur)
    # where it is not, the pixels that it reaches into are left out, but for those next to the outline
    limit = np.where(has_inner, -np.inf, np.minimum(2.0 * inner_blur - samples.inner_px, -1.3 * blur - 1.0))
    valid = (np.abs(t) <= half_px[:, None])[box]
    return _Profiles(
        profile=profile,
        t=t,
        box=box,
        blur_px=blur_px,
        half=half,
        blur=blur,
        inner_blur=inner_blur,
        has_inner=has_inner,
        apart=np.where(has_inner, samples.inner_px, 1e3),
        valid=valid,
        clean=valid & (t > limit[:, None]),
    )


def _inner_blur(blur_px: Array | float, rounded_px: Array | float) -> Array:
    """Softness of an inner edge, px: the rounding that it lies on is a square's worth of blur."""
    return np.asarray(np.hypot(blur_px, rounded_px / np.sqrt(12.0)))


def _inner_is_measured(inner_px: Array, half_px: Array, inner_blur: Array) -> Array:
    """The face beyond an inner edge must fill a pixel of its own, or the edge tells nothing."""
    return np.asarray(inner_px < half_px - 1.3 * inner_blur)


def _first_shades(p: _Profiles, run: Array) -> tuple[Array, Array, Array, Array]:
    """Background, wall and face (S,) straight from the pixels that one face alone fills, smoothed along each run (S,).

    And whether any pixel is filled by the wall alone.
    """
    deep_from = np.where(p.has_inner, -p.apart - 1.3 * p.inner_blur, -1.3 * p.blur)
    deep = mean_where(p.profile, p.clean & (p.t < deep_from[:, None]))
    between = (p.t < -1.3 * p.blur[:, None]) & (p.t > (-p.apart + 1.3 * p.inner_blur)[:, None])
    between &= p.has_inner[:, None] & p.valid
    windows = _windows(run, 5)
    fallback = deep
    if np.isnan(deep).any():
        fallback = np.where(np.isnan(deep), mean_where(p.profile, p.valid), deep)
    wall = _along_edge(np.where(p.has_inner, mean_where(p.profile, between), deep), run, windows, fallback)
    face = wall
    if p.has_inner.any():
        face = np.where(p.has_inner, _along_edge(deep, run, windows, wall), wall)
    background = mean_where(p.profile, p.valid & (p.t > 1.3 * p.blur[:, None]))
    return background, wall, face, np.asarray(between.any(1))


def _prior_of_two(spread: Array) -> Array:
    """Inverse variances (n, 5) of a two-edged profile's unknowns: wall and face within `spread` (n,) of their run."""
    free = np.ones(len(spread))
    return np.stack([_BACK_WEIGHT * free, spread**-2.0, spread**-2.0, _OFFSET_WEIGHT * free, _OFFSET_WEIGHT * free], -1)


def _weights(one_at: Array, variance: Array, two_at: Array, covariance: Array) -> Array:
    """Inverse covariances (S, 2, 2) of the offsets of profiles that cross one edge and of those that cross two."""
    out = np.zeros((int(max(one_at.max(initial=-1), two_at.max(initial=-1))) + 1, 2, 2))
    out[one_at, 0, 0] = 1.0 / (variance + _LEAST_VARIANCE)
    v11, v12, v22 = covariance[:, 0, 0] + _LEAST_VARIANCE, covariance[:, 0, 1], covariance[:, 1, 1] + _LEAST_VARIANCE
    determinant = v11 * v22 - v12 * v12
    out[two_at, 0, 0], out[two_at, 1, 1] = v22 / determinant, v11 / determinant
    out[two_at, 0, 1] = out[two_at, 1, 0] = -v12 / determinant
    return out


class _HiddenWalls:
    """Walls too narrow to fill a pixel by themselves: their shade is what all profiles of a run tell together.

    run (n,), between (n,), face (n,): of all two-edged profiles their run, whether the wall alone fills a pixel, and
    the face's shade. at (k,): which of them have such a wall.
    """

    def __init__(self, run: Array, between: Array, face: Array) -> None:
        wide = np.bincount(run, between, int(run.max(initial=0)) + 1)
        narrow = wide < 0.2 * np.bincount(run, minlength=len(wide))
        self.at = np.flatnonzero(narrow[run])
        numbers, self.run = np.unique(run[self.at], return_inverse=True)
        self.face = _median_of_each(face[self.at], self.run, len(numbers))

    def shade(self, normal: Array, right: Array, prior: Array, guess: Array) -> tuple[Array, Array]:
        """The wall's shade and its variance (k,), the other unknowns of each profile eliminated.

        normal (n, 5, 5), right (n, 5): each profile's normal equations without priors; prior, guess (n, 5): inverse
        variances and means of its unknowns. Before its pixels are looked at, a wall is as bright as the run's face,
        give or take a third.
        """
        other = [0, 2, 3, 4]
        n, prior, right = normal[self.at], prior[self.at], right[self.at]
        n[:, other, other] += prior[:, other]
        r = right + prior * guess[self.at]
        gain = np.linalg.solve(n[:, other][:, :, other], np.stack([n[:, other, 1], r[:, other]], -1))
        lever = n[:, 1, other][:, None, :] @ gain
        information = np.bincount(self.run, n[:, 1, 1] - lever[:, 0, 0], len(self.face))
        told = np.bincount(self.run, right[:, 1] - lever[:, 0, 1], len(self.face))
        before = 1.0 / (0.33 * np.abs(self.face) + 10.0) ** 2
        total = information + before
        return ((told + before * self.face) / total)[self.run], (1.0 / total)[self.run]


def _windows(run: Array, half: int) -> Array:
    """Indices (S, 2 * half + 1) of each sample's neighbours on its own edge, reflected at the edge's ends.

    The samples of an edge follow each other.
    """
    start, length = (v[:, None] for v in runs(run))
    place = (np.arange(len(run))[:, None] - start + np.arange(-half, half + 1)) % (2 * length)
    return np.asarray(start + np.minimum(place, 2 * length - 1 - place))


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


class _TwoEdges:
    """The profiles that cross the outline and an inner edge behind it: three shades and two offsets.

    at (n,), profile (n, T) as above; apart (n,): distance between the edges; blur_px, inner_blur (n,).
    """

    def __init__(self, at: Array, profile: Array, t: Array, apart: Array, blur_px: Array, inner_blur: Array) -> None:
        self.at, self.profile = at, profile
        z, y = t / blur_px[:, None], (t + apart[:, None]) / inner_blur[:, None]
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
