"""Where an edge is: intensity profiles across it, fitted with the shades on its sides and the photo's own blur.

Two edges closer together than the blur (the narrow wall of a panel seen nearly face-on) make one profile with three
shades; they are measured together, each with its own uncertainty, instead of competing for one gradient.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from photoaz.photo.camera import Array
from photoaz.quantities import BLUR_LIMITS_PX, PHOTO_BLUR_PX
from photoaz.vision.outline import INNER_LEFT, EdgeSamples, ramp
from photoaz.vision.patch import Patch
from photoaz.vision.profiles import (
    along_contrast,
    of_each_box,
    row_sums,
    running_median,
    sample_profiles,
    weighted_mean,
    weighted_median,
    windows,
)

#: where along a profile's reach its pixels are: whatever the blur, so many
_PLACES = np.linspace(-1.0, 1.0, 11)
#: so many of a profile's residuals tell its noise; of a normal distribution's magnitudes, the mean of that share of
#: smallest ones is 0.42 standard deviations
_SMALLER = 7
_LIMIT = ndtri(0.5 + 0.5 * _SMALLER / len(_PLACES))
_MEAN_OF_SMALLER = 2.0 * len(_PLACES) / _SMALLER * (1.0 - np.exp(-0.5 * _LIMIT**2)) / np.sqrt(2.0 * np.pi)
#: inverse variances of what a profile's unknowns are before it is looked at: next to nothing
_BACK_WEIGHT, _WALL_WEIGHT = 1e-8, 1e-6
#: an offset is sought about the model's edge, give or take this [px]; else the hardly visible would be seen anywhere
_SOUGHT_PX = 2.0
_OFFSET_WEIGHT = _SOUGHT_PX**-2
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
    reach_px: float = 2.5,
    rounded_px: float | Array = 0.0,
    find_blur: bool = True,
) -> EdgeOffsets:
    """Fit each profile: shades of background, wall and face, offsets of the outline and of the inner edge.

    patch, blur_px, rounded_px: of all boxes, or one for each. reach_px: how far a profile goes on beyond the blur.
    rounded_px: width of the front edges' rounding as seen, which softens the inner edges. find_blur: without it,
    blur_px comes back as given.

    Unknowns of a profile: background, wall and face shade (the last two held near their run along the edge where an
    inner edge is near), and the two offsets; linearised about the model's edges, reweighted robustly three times. The
    shade of a wall too narrow to fill a pixel is found from all profiles of its edge together: taken for the face's, it
    would draw the outline inwards. Where the inner edge comes into reach the answers without and with it are mixed, so
    that offsets and weights move without jumps when the box does.
    """
    # one long function: what three rounds of reweighting leave is read off right behind them
    p = _profiles_of(patch, samples, of_each_box(blur_px, samples), reach_px, rounded_px)
    box, n_boxes = samples.box, len(p.blur_px)
    one, two = p.one_edge(np.flatnonzero(p.two < 1.0)), p.two_edges(np.flatnonzero(p.two > 0.0))
    n_one, row = len(one.at), np.concatenate([one.at, two.at])
    part = samples.spacing_px[row] * np.concatenate([1.0 - p.two[one.at], p.two[two.at]])
    clean = np.concatenate([p.clean[one.at], np.ones_like(two.profile)])
    back, wall, face, between = _first_shades(p, samples)
    near1, mid1 = back[one.at], wall[one.at]
    near, mid, far = back[two.at], wall[two.at], face
    spread = np.maximum(6.0, 0.05 * np.abs(far))
    prior = _prior_of_two(spread)
    hidden = _HiddenWalls(samples.run[two.at], np.minimum(part[n_one:], 1.0), between[two.at], far, spread)
    weight = clean * p.per_px[box[row]][:, None]
    noise = np.full(n_boxes, 2.0)
    for iteration in range(3):
        scaled = weight / (noise**2)[box[row]][:, None]
        normal, right = two.equations(scaled[n_one:], near, mid, far)
        guess = np.stack([near, mid, far, np.zeros(len(mid)), np.zeros(len(mid))], -1)
        if len(hidden.at):
            shade, variance = hidden.shade(normal, right, prior, guess, 0.5 if iteration else 1.0)
            guess[hidden.at, 1] = mid[hidden.at] = shade
            prior[hidden.at, 1] = variance
        x2, residual2, covariance = two.solve(normal, right, prior, guess)
        contrast = mid1 - near1
        x1, residual1, variance1 = one.solve(scaled[:n_one], contrast, near1, mid1)
        residual = np.concatenate([residual1, residual2])
        scale = np.maximum(_scatter(residual), 0.7)
        noise = np.clip(weighted_median(scale, part, box[row], n_boxes), 0.8, 8.0)
        noise = np.where(np.isnan(noise), 2.0, noise)
        if iteration < 2:
            weight = clean / (1.0 + (residual / (3.0 * np.maximum(scale, noise[box[row]]))[:, None]) ** 2)
            weight *= p.per_px[box[row]][:, None]
            mid1, near1, near = x1[:, 1], x1[:, 0], x2[:, 0]
            mid = mid + 0.5 * (1.0 - hidden.share) * (x2[:, 1] - mid)
    # a profile that the model does not explain tells less
    variance_px = (noise**2)[box[row]]
    count = row_sums(clean)
    unexplained = residual * residual
    chi2 = np.maximum(1.0, row_sums(weight * unexplained) / variance_px / np.maximum(count - 4, 1))
    blur = p.blur_px
    if find_blur:
        blur = np.clip(blur + _blur_steps(one, samples, p, x1[:, 2], residual1, contrast, noise), *BLUR_LIMITS_PX)
    with_edge = row_sums(clean * unexplained) + count * variance_px * 0.5
    support = ramp(1.0 - with_edge / (_without_edge(p, row, clean) + 1e-9))
    own = np.concatenate([x1[:, 2], x2[:, 3]])
    half, inner = p.half[box], np.zeros(len(box))
    inner[two.at] = x2[:, 4]
    return EdgeOffsets(
        own=np.clip(p.mixed(own, row, n_one), -half, half),
        inner=np.clip(inner, -half, half),
        weight=_weights(one.at, variance1, two.at, covariance, p.two, chi2),
        has_inner=p.two > 0.0,
        support=p.mixed(support, row, n_one),
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
    half = 3.0 * blur_px + 2.5
    t = half * _PLACES
    per_px = _weight_per_px(half)
    inner_blur = _inner_blur(blur_px, rounded_px)
    share = _inner_is_measured(apart_px, half, inner_blur)
    at, first = np.flatnonzero(share > 0.0), np.zeros(1, int)
    one = _OneEdge(first, first, np.zeros((1, len(t))), t[None], np.full(1, blur_px))
    nothing = np.zeros(1)
    flat = np.ones(len(at))
    every = np.broadcast_to(t, (len(at), len(t)))
    variance = one.solve(np.full((1, len(t)), per_px / noise**2), np.full(1, face - background), nothing, nothing)[2]
    two = _TwoEdges(at, 0.0 * every, every, apart_px[at], blur_px * flat, inner_blur * flat)
    pixels = np.full((len(at), len(t)), per_px / noise**2)
    normal, right = two.equations(pixels, background * flat, wall * flat, face * flat)
    prior = _prior_of_two(np.maximum(6.0, 0.05 * face) * flat)
    covariance = two.solve(normal, right, prior, 0.0 * prior)[2]
    out = _weights(
        np.arange(len(share)), np.full(len(share), variance[0]), at, covariance, share, np.ones(len(share) + len(at))
    )
    return out, share > 0.0, float(_weights(first, variance, first[:0], covariance[:0], nothing, np.ones(1))[0, 0, 0])


@dataclass(frozen=True, slots=True)
class _Profiles:
    """Profiles (S, T) at distances t (S, T) from their edges, and what of each is used.

    box (S,): whose they are; blur_px, half (B,): blur and reach of the boxes, px; per_px (B,): what one of their pixels
    weighs; blur, inner_blur (S,): softness of outline and inner edge; two (S,): how far the inner edge is measured,
    0 to 1, apart (S,) from the outline (far off where it is not). clean (S, T): how far a pixel is free of an inner
    edge that is not measured.
    """

    profile: Array
    t: Array
    box: Array
    blur_px: Array
    half: Array
    per_px: Array
    blur: Array
    inner_blur: Array
    two: Array
    apart: Array
    clean: Array

    def one_edge(self, at: Array) -> _OneEdge:
        """The model of the profiles `at` (n,), which cross one edge."""
        return _OneEdge(at, self.box[at], self.profile[at], self.half[:, None] * _PLACES, self.blur_px)

    def two_edges(self, at: Array) -> _TwoEdges:
        """The model of the profiles `at` (n,), which cross the outline and an inner edge."""
        return _TwoEdges(at, self.profile[at], self.t[at], self.apart[at], self.blur[at], self.inner_blur[at])

    def mixed(self, value: Array, row: Array, n_one: int) -> Array:
        """Values (S,) of the samples from those of the rows: n_one of one edge, then those of two."""
        out = np.zeros(len(self.two))
        out[row[:n_one]] = ((1.0 - self.two)[row[:n_one]]) * value[:n_one]
        out[row[n_one:]] += self.two[row[n_one:]] * value[n_one:]
        return out


def _profiles_of(
    patch: Patch | Sequence[Patch], samples: EdgeSamples, blur_px: Array, reach_px: float, rounded_px: float | Array
) -> _Profiles:
    half = 3.0 * blur_px + reach_px
    box = samples.box
    t = half[box][:, None] * _PLACES
    blur = blur_px[box]
    profile = along_contrast(sample_profiles(patch, samples, t), t, samples, 1.3 * blur)
    inner_blur = _inner_blur(blur, np.broadcast_to(np.asarray(rounded_px, float), blur_px.shape)[box])
    # the pixels that an inner edge reaches into are left out where it is not measured, but for those at the outline
    limit = np.minimum(2.0 * inner_blur - samples.inner_px, -1.3 * blur - 1.0)
    return _Profiles(
        profile=profile,
        t=t,
        box=box,
        blur_px=blur_px,
        half=half,
        per_px=_weight_per_px(half),
        blur=blur,
        inner_blur=inner_blur,
        two=samples.inner_share * _inner_is_measured(samples.inner_px, half[box], inner_blur),
        apart=np.minimum(samples.inner_px, 1e3),
        clean=1.0 - samples.inner_share[:, None] * ramp(limit[:, None] - t + 0.5),
    )


def _weight_per_px(half_px: Array | float) -> Array:
    """What a profile's pixels weigh: closer together than the picture's own, they tell the same twice."""
    return np.asarray(np.minimum(half_px * (_PLACES[1] - _PLACES[0]), 1.0))


def _inner_blur(blur_px: Array | float, rounded_px: Array | float) -> Array:
    """Softness of an inner edge, px: the rounding that it lies on is a square's worth of blur."""
    return np.asarray(np.hypot(blur_px, rounded_px / np.sqrt(12.0)))


def _inner_is_measured(inner_px: Array, half_px: Array | float, inner_blur: Array) -> Array:
    """How far, 0 to 1: the face beyond an inner edge must fill a pixel of its own, or the edge tells nothing."""
    return ramp(half_px - 1.3 * inner_blur - inner_px)


def _scatter(residual: Array) -> Array:
    """Robust standard deviation (R,) of what a model leaves (R, T): from the mean of the smaller ones' magnitudes."""
    off = np.partition(np.abs(residual), _SMALLER - 1, 1)[:, :_SMALLER]
    return np.asarray(row_sums(off) / (_SMALLER * _MEAN_OF_SMALLER))


def _without_edge(p: _Profiles, row: Array, clean: Array) -> Array:
    """Sum of squares (R,) that a shade and a slope alone leave of the profiles `row` (R,)."""
    profile, t = p.profile[row], p.half[p.box[row]][:, None] * _PLACES
    level = row_sums(profile) / len(_PLACES)
    slope = row_sums(profile * t) / row_sums(t * t)
    return row_sums(clean * (profile - level[:, None] - slope[:, None] * t) ** 2)


def _first_shades(p: _Profiles, samples: EdgeSamples) -> tuple[Array, Array, Array, Array]:
    """Background and wall (S,) straight from the pixels that one face alone fills, smoothed along each edge.

    The face likewise, of those that cross two edges, and how far (0 to 1) (S,) a pixel is filled by the wall alone.
    """
    t, soft, wide = p.t, 1.3 * p.blur[:, None], 1.3 * p.inner_blur[:, None]
    background = weighted_mean(p.profile, ramp(t - soft + 0.5))
    deep = weighted_mean(p.profile, p.clean * ramp(0.5 - soft - t))
    window = windows(samples.run, 5)
    if not p.two.any():
        wall = running_median(deep, samples.spacing_px, window)
        return background, wall, np.zeros(0), np.zeros(len(wall))
    apart = p.apart[:, None]
    only_wall = ramp(-soft - t) * ramp(t + apart - wide)
    between = np.minimum(row_sums(only_wall), 1.0)
    beyond = weighted_mean(p.profile, ramp(0.5 - apart - wide - t))
    # next to the outline lies the wall where it fills a pixel, else what is there
    a, b, c = p.two * between, 1.0 - p.two, 1e-3 * p.two
    first = (a * weighted_mean(p.profile, only_wall) + b * deep + c * beyond) / (a + b + c)
    wall = running_median(first, samples.spacing_px * (a + b + c), window)
    at = np.flatnonzero(p.two > 0.0)
    face = running_median(beyond, samples.spacing_px * (p.two + 1e-6), (window[0].take(at, 0), window[1].take(at, 0)))
    return background, wall, face, between


def _prior_of_two(spread: Array) -> Array:
    """Inverse variances (n, 5) of a two-edged profile's unknowns: wall and face within `spread` (n,) of their run."""
    free = np.ones(len(spread))
    return np.stack([_BACK_WEIGHT * free, spread**-2.0, spread**-2.0, _OFFSET_WEIGHT * free, _OFFSET_WEIGHT * free], -1)


def _weights(one_at: Array, variance: Array, two_at: Array, covariance: Array, share: Array, chi2: Array) -> Array:
    """Inverse covariances (S, 2, 2) of the offsets of profiles that cross one edge and of those that cross two.

    variance, covariance: with where each was sought, which is no information. share (S,): how far each counts as one
    that crosses two. chi2: by how much less each tells, those that cross one edge first.
    """
    out = np.zeros((len(share), 2, 2))
    told = np.maximum(1.0 / variance - _OFFSET_WEIGHT, 0.0) / chi2[: len(one_at)]
    out[one_at, 0, 0] = (1.0 - share[one_at]) * told / (1.0 + _LEAST_VARIANCE * told)
    v11, v12, v22 = covariance[:, 0, 0], covariance[:, 0, 1], covariance[:, 1, 1]
    determinant = v11 * v22 - v12 * v12
    two = np.empty_like(covariance)
    two[:, 0, 0], two[:, 1, 1] = (np.maximum(v / determinant - _OFFSET_WEIGHT, 0.0) for v in (v22, v11))
    two[:, 0, 1] = two[:, 1, 0] = -v12 / determinant
    two /= chi2[len(one_at) :, None, None]
    out[two_at] += share[two_at, None, None] * widened(two, _LEAST_VARIANCE)
    return out


def widened(weight: Array, variance: float) -> Array:
    """Inverse covariances (S, 2, 2), singular ones as well, after a variance is added to both unknowns."""
    a, b, c = weight[:, 0, 0], weight[:, 0, 1], weight[:, 1, 1]
    determinant = np.maximum(a * c - b * b, 0.0)
    out = weight + variance * determinant[:, None, None] * np.eye(2)
    return np.asarray(out / (1.0 + variance * (a + c + variance * determinant))[:, None, None])


class _HiddenWalls:
    """Walls too narrow to fill a pixel by themselves: their shade is what all profiles of a run tell together.

    run, part, between, face, spread (n,): of all two-edged profiles their run, how much they count, how far the wall
    alone fills a pixel, the face's shade, and how far shades may be off their run's. share (n,): how far each one's
    wall is such a one; at (k,): where at all.
    """

    def __init__(self, run: Array, part: Array, between: Array, face: Array, spread: Array) -> None:
        n_runs = int(run.max(initial=0)) + 1
        seen = np.bincount(run, part * between, n_runs) / np.maximum(np.bincount(run, part, n_runs), 1e-12)
        self.share = ramp(1.5 - 5.0 * seen)[run]  # from three tenths of its length to one
        self.at = np.flatnonzero(self.share > 0.0)
        numbers, self.run = np.unique(run[self.at], return_inverse=True)
        self.part, self.spread = part[self.at], spread[self.at]
        self.face = weighted_median(face[self.at], self.part, self.run, len(numbers))

    def shade(self, normal: Array, right: Array, prior: Array, guess: Array, part: float) -> tuple[Array, Array]:
        """The wall's shade and its inverse variance (k,) beforehand, the other unknowns of each profile eliminated.

        normal (n, 5, 5), right (n, 5): each profile's normal equations without priors; prior, guess (n, 5): inverse
        variances and means of its unknowns; part: of the way there is gone. Before its pixels are looked at, a wall is
        as bright as the run's face, give or take a third.
        """
        other = [0, 2, 3, 4]
        n, prior, right = normal[self.at], prior[self.at], right[self.at]
        n[:, other, other] += prior[:, other]
        r = right + prior * guess[self.at]
        gain = np.linalg.solve(n[:, other][:, :, other], np.stack([n[:, other, 1], r[:, other]], -1))
        # term by term: how a product of matrices sums hangs on how many there are
        lever = np.zeros_like(gain[:, 0])
        for j, k in enumerate(other):
            lever += n[:, 1, k, None] * gain[:, j]
        information = np.bincount(self.run, self.part * (n[:, 1, 1] - lever[:, 0]), len(self.face))
        told = np.bincount(self.run, self.part * (right[:, 1] - lever[:, 1]), len(self.face))
        before = 1.0 / (0.33 * np.abs(self.face) + 10.0) ** 2
        total = information + before
        share, sure = self.share[self.at], self.spread**-2.0
        old = guess[self.at, 1]
        shade = old + part * share * (((told + before * self.face) / total)[self.run] - old)
        return shade, share / (self.spread**2 + (1.0 / total)[self.run]) + (1.0 - share) * sure


def _step_of(x: Array) -> Array:
    """Density of the normal distribution: the slope of a blurred step."""
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi))


class _OneEdge:
    """The profiles that cross one edge: two shades and its offset; what the model needs of them depends on the box.

    at (n,): which samples they are; box (n,): whose; profile (n, T); t (B, T); blur_px (B,).
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

    at (n,), profile (n, T) as above; t (n, T); apart (n,): distance between the edges; blur_px, inner_blur (n,).
    """

    def __init__(self, at: Array, profile: Array, t: Array, apart: Array, blur_px: Array, inner_blur: Array) -> None:
        self.at, self.profile = at, profile
        z, y = t / blur_px[:, None], (t + apart[:, None]) / inner_blur[:, None]
        outside, beyond = ndtr(z), ndtr(-y)
        self.steps = _step_of(z) / blur_px[:, None], _step_of(y) / inner_blur[:, None]
        self.design = np.empty((len(at), 5, t.shape[1]))
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
    one: _OneEdge, samples: EdgeSamples, p: _Profiles, off: Array, residual: Array, contrast: Array, noise: Array
) -> Array:
    """How much softer each box's clear edges are than the model has them (B,), px.

    off, contrast (n,), residual (n, T): of the profiles that cross one edge their offset, contrast, and what their
    model leaves. The weighted median over profiles of what each would have it changed by: an edge in front of clutter
    only ever looks softer. Where too few are clear, the usual blur serves.
    """
    blur_px = p.blur_px
    # an edge still far from its place would only look soft
    clear = ramp(2.0 - 4.0 * np.abs(off) / blur_px[one.box]) * ramp(np.abs(contrast) / (4.0 * noise[one.box]) - 1.5)
    clear *= np.minimum(samples.spacing_px[one.at], 1.0) * ramp(1.0 - 4.0 * p.two[one.at])
    clear *= samples.edge[one.at] < INNER_LEFT
    at = np.flatnonzero(clear > 0.0)
    box, clear = one.box[at], clear[at]
    enough = ramp(np.bincount(box, clear, len(blur_px)) / 6.0 - 1.0)
    z = p.half[:, None] * _PLACES / blur_px[:, None]
    softer = z * _step_of(z) / blur_px[:, None]  # (B, T), where the box is brighter by one
    # what shades and offset can take up of it is no blur
    basis = one.basis
    gain = np.linalg.solve(np.swapaxes(basis, 1, 2) @ basis, np.swapaxes(basis, 1, 2) @ softer[..., None])
    g = contrast[at, None] * (softer - (basis @ gain)[..., 0])[box]
    lever = row_sums(g * g)
    step = weighted_median(row_sums(g * residual[at]) / np.maximum(lever, 1e-9), clear * lever, box, len(blur_px))
    step = np.where(np.isnan(step), 0.0, step)
    return np.asarray(
        np.clip(enough * step + (1.0 - enough) * (PHOTO_BLUR_PX - blur_px), -0.3 * blur_px, 0.3 * blur_px)
    )
