"""Sub-pixel edges: analytic blurred edges, one alone and two closer together than the blur, against their known places.

The pictures are made here from the normal distribution's integral (scipy.special.ndtr), or by area-averaging a 16 times
finer picture of a sharp edge.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from photoaz.vision.outline import RIGHT, EdgeSamples
from photoaz.vision.patch import Patch, cut_patch
from photoaz.vision.profile_fit import EdgeOffsets, measure_offsets
from photoaz.vision.profiles import along_contrast, nearest_strong_edge, sample_profiles

NOISE = 2.0  # grey levels, one standard deviation
BLUR_PX = 0.9
MIDDLE_PX = (40.3, 120.0)
PLACES_PX = np.arange(15.0, 226.0)
SHADES = [(60, 150, 220), (60, 110, 220), (200, 120, 60), (90, 60, 200)]  # front, wall, background


def edge_samples(angle: float, *, wall_px: float = np.inf, shift_px: float = 0.0) -> EdgeSamples:
    """Samples of a model's edge through MIDDLE_PX, moved outwards by shift_px; normal `angle` down from the right."""
    n = len(PLACES_PX)
    c, s = np.cos(angle), np.sin(angle)
    x = np.stack([MIDDLE_PX[0] + (shift_px - s * (PLACES_PX - MIDDLE_PX[1])) / c, PLACES_PX], -1)
    zeros, none = np.zeros(n), np.zeros(n, int)
    return EdgeSamples(
        x_px=x,
        normal=np.tile([c, s], (n, 1)),
        first=none,
        second=none,
        fraction=zeros,
        edge=np.full(n, RIGHT),
        along=np.linspace(-1, 1, n),
        spacing_px=np.ones(n),
        inner_px=np.full(n, wall_px),
        inner_share=np.full(n, float(np.isfinite(wall_px))),
        inner_first=none,
        inner_second=none,
        inner_fraction=zeros,
        outer_px=np.full(n, np.inf),
        box=none,
    )


def distance(angle: float, fine: int = 1) -> np.ndarray:
    """Signed distance [px] of each pixel (or each of its fine x fine parts) from the line through MIDDLE_PX."""
    y, x = np.mgrid[: 240 * fine, : 80 * fine]
    x, y = (x + 0.5) / fine - 0.5, (y + 0.5) / fine - 0.5
    return (x - MIDDLE_PX[0]) * np.cos(angle) + (y - MIDDLE_PX[1]) * np.sin(angle)


def picture(
    rng: np.random.Generator,
    angle: float,
    shades: tuple[float, ...],
    places_px: tuple[float, ...],
    *,
    blur_px: float = BLUR_PX,
    noise: float = NOISE,
) -> Patch:
    """Shades from inside outwards, borders at these distances outwards of the line; blurred, with noise, 8 bits."""
    d = distance(angle)
    grey = np.full(d.shape, float(shades[0]))
    for inside, outside, place in zip(shades[:-1], shades[1:], places_px, strict=True):
        grey += (outside - inside) * ndtr((d - place) / blur_px)
    grey = np.clip(np.round(grey + rng.normal(0, noise, grey.shape)), 0, 255)
    return Patch(grey.astype(np.float32)[..., None], (0, 0))


def sigmas(m: EdgeOffsets) -> tuple[np.ndarray, np.ndarray]:
    """Standard uncertainties of both offsets of each sample, from the weights."""
    a, b, c = m.weight[:, 0, 0], m.weight[:, 0, 1], m.weight[:, 1, 1]
    determinant = a * c - b * b
    return np.sqrt(c / determinant), np.sqrt(a / determinant)


@pytest.mark.parametrize("blur_px", [0.7, 0.9, 1.2])
@pytest.mark.parametrize("shades", [(80, 200), (150, 120), (100, 112)])
def test_offset_of_one_edge(blur_px: float, shades: tuple[float, float]) -> None:
    rng = np.random.default_rng(11)
    errors, normalised = [], []
    for _ in range(12):
        offset, angle = rng.uniform(-0.4, 0.4), rng.uniform(-0.1, 0.1)
        m = measure_offsets(
            picture(rng, angle, shades, (offset,), blur_px=blur_px), edge_samples(angle), blur_px=blur_px
        )
        assert not m.has_inner.any()
        assert (m.inner == 0).all()
        errors.append(m.own - offset)
        normalised.append(errors[-1] * np.sqrt(m.weight[:, 0, 0]))
    # a step of 12 grey levels in noise of 2 leaves 0.3 px a sample, and 12 x 211 of them a mean good to 0.01
    assert abs(np.mean(errors)) < 0.02  # px
    # the sharpest and strongest edge is interpolated worst, and what that leaves counts as noise: wider, never tighter
    least = 0.65 if (blur_px, shades) == (0.7, (80, 200)) else 0.8
    assert least < np.sqrt(np.mean(np.square(normalised))) < 1.25


def test_offset_in_an_averaged_fine_picture() -> None:
    """A sharp edge drawn 16 times finer and averaged: pixels that are squares, no Gaussian anywhere."""
    rng = np.random.default_rng(12)
    errors = []
    for _ in range(4):
        offset, angle = rng.uniform(-0.4, 0.4), rng.uniform(-0.15, 0.15)
        fine = np.where(distance(angle, 16) < offset, 70.0, 170.0).astype(np.float32)
        fine = cv2.GaussianBlur(fine, (0, 0), 16 * 0.75)
        grey = fine.reshape(240, 16, 80, 16).mean((1, 3)) + rng.normal(0, NOISE, (240, 80))
        # averaging over a pixel adds the variance of a square, 1/12, to the blur's
        m = measure_offsets(
            Patch(grey.astype(np.float32)[..., None], (0, 0)), edge_samples(angle), blur_px=np.hypot(0.75, 12**-0.5)
        )
        errors.append(m.own - offset)
        assert m.noise[0] == pytest.approx(NOISE, rel=0.5)
        assert np.median(m.support) > 0.9
    assert abs(np.mean(errors)) < 0.02  # px


@pytest.mark.parametrize("true_px", [0.6, 0.9, 1.3, 1.8])
def test_blur_is_found(true_px: float) -> None:
    rng = np.random.default_rng(13)
    patch = picture(rng, 0.05, (80, 180), (0.2,), blur_px=true_px)
    blur_px = BLUR_PX
    for _ in range(5):
        blur_px = measure_offsets(patch, edge_samples(0.05), blur_px=blur_px).blur_px[0]
    # cubic interpolation softens by itself, the more the sharper the picture is
    assert blur_px == pytest.approx(true_px, abs=0.05)  # px


def converged(patch: Patch, angle: float, wall_px: float) -> tuple[float, float, float, float]:
    """Both edges of a pair after the model has been moved onto them, as a fit does: places, a sample's sigmas."""
    own, inner, spread = 0.0, 0.0, (0.0, 0.0)
    for _ in range(6):
        m = measure_offsets(patch, edge_samples(angle, wall_px=wall_px + own - inner, shift_px=own), blur_px=BLUR_PX)
        step = np.linalg.solve(m.weight.sum(0), (m.weight @ np.stack([m.own, m.inner], -1)[..., None]).sum(0)[:, 0])
        own, inner, spread = own + step[0], inner + step[1], sigmas(m)
    return own, inner, float(np.median(spread[0])), float(np.median(spread[1]))


@pytest.mark.parametrize("shades", SHADES)
def test_two_edges_closer_than_the_blur(shades: tuple[float, float, float]) -> None:
    """A wall 2 px wide, three shades: both edges are found, where the nearest gradient belongs to neither."""
    rng = np.random.default_rng(14)
    wall_px = 2.0
    own_errors, inner_errors, nearest_errors = [], [], []
    for _ in range(6):
        own, inner = rng.uniform(-0.3, 0.3, 2)
        angle = rng.uniform(-0.1, 0.1)
        patch = picture(rng, angle, shades, (inner - wall_px, own))
        found_own, found_inner, own_sigma, inner_sigma = converged(patch, angle, wall_px)
        own_errors.append(found_own - own)
        inner_errors.append(found_inner - inner)
        # 211 samples together are well within what one alone is said to be good for
        assert abs(found_own - own) < own_sigma
        assert abs(found_inner - inner) < inner_sigma
        nearest, _ = nearest_strong_edge(patch, edge_samples(angle), reach_px=3.0, near_px=2.0, blur_px=0.8 * BLUR_PX)
        nearest_errors.append(np.median(nearest) - own)
    assert abs(np.mean(own_errors)) < 0.03  # px: no pull to a common edge
    assert abs(np.mean(inner_errors)) < 0.12
    if abs(shades[1] - shades[0]) > 60 and (shades[0] < shades[1]) == (shades[1] < shades[2]):
        # what a method of nearest gradients sees: one edge, drawn to between the two
        assert np.mean(nearest_errors) < -0.4


@pytest.mark.parametrize("wall_px", [1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 9.0])
def test_outline_is_unmoved_by_a_wall_of_any_width(wall_px: float) -> None:
    """With the model in the right place nothing is to be moved, whatever the wall: a fit comes to rest there."""
    rng = np.random.default_rng(15)
    for shades in SHADES:
        m = measure_offsets(
            picture(rng, 0.06, shades, (-wall_px, 0.0)), edge_samples(0.06, wall_px=wall_px), blur_px=BLUR_PX
        )
        assert abs(np.average(m.own, weights=m.weight[:, 0, 0])) < 0.05  # px
        assert m.has_inner.all() == m.has_inner.any()
        if m.has_inner.any():
            assert abs(np.mean(m.inner)) < 0.2


def test_colour_only_edge() -> None:
    """Two colours of equal luminance (weights of ITU-R BT.601): nothing to be seen in grey, a plain edge in colour."""
    rng = np.random.default_rng(16)
    offset, angle = 0.25, 0.04
    # blue, green, red as light; stored by the sRGB transfer function (IEC 61966-2-1)
    red, green = np.array([0.15, 0.15, 0.40]), np.array([0.15, 0.15 + 0.25 * 0.299 / 0.587, 0.15])
    light = red + ndtr((distance(angle) - offset) / BLUR_PX)[..., None] * (green - red)
    stored = 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    image = np.clip(np.round(stored + rng.normal(0, NOISE, stored.shape)), 0, 255).astype(np.uint8)
    samples = edge_samples(angle)
    colour = cut_patch(image, np.zeros(2), np.array([79.0, 239.0]))
    assert colour.pixels.shape == (240, 80, 3)
    step = colour.pixels[:, 60:].mean((0, 1)) - colour.pixels[:, :20].mean((0, 1))
    assert abs(step[0]) < 0.5  # grey levels
    assert np.hypot(*step[1:]) > 10
    m = measure_offsets(colour, samples, blur_px=BLUR_PX)
    assert np.average(m.own, weights=m.weight[:, 0, 0]) == pytest.approx(offset, abs=0.1)  # px
    grey = replace(colour, pixels=np.ascontiguousarray(colour.pixels[..., :1]))
    without = measure_offsets(grey, samples, blur_px=BLUR_PX)
    assert without.weight[:, 0, 0].sum() < 0.1 * m.weight[:, 0, 0].sum()


def test_contrast_is_the_luminance_where_that_differs() -> None:
    t = np.arange(-5.0, 6.0)
    samples = edge_samples(0.0)
    n = len(samples)
    step = ndtr(t)[None, :, None] * np.array([100.0, 0.0, 0.0])
    profile = np.repeat(step + np.array([20.0, 3.0, -4.0]), n, 0)
    mixed = along_contrast(profile, np.tile(t, (n, 1)), samples, np.full(n, 1.2))
    assert np.abs(np.abs(mixed[0] - mixed[0, 0]) - 100 * (ndtr(t) - ndtr(-5.0))).max() < 1e-9


def test_profiles_run_outwards() -> None:
    patch = Patch((np.arange(80.0, dtype=np.float32)[None, :] * np.ones((240, 1), np.float32))[..., None], (0, 0))
    samples = edge_samples(0.0)
    profile = sample_profiles(patch, samples, np.arange(-3.0, 4.0))
    assert profile.shape == (len(samples), 7, 1)
    assert profile[5, :, 0] == pytest.approx(MIDDLE_PX[0] + np.arange(-3.0, 4.0), abs=0.05)
    # px; OpenCV's cubic kernel (a = -0.75; exact would be -0.5, Keys 1981) is off by up to 0.04 on a ramp


def test_flat_picture_tells_nothing() -> None:
    """No edge: sigmas of many pixels, no support; and in pure noise as well."""
    rng = np.random.default_rng(17)
    for noise in (0.0, NOISE):
        m = measure_offsets(picture(rng, 0.0, (120, 120), (0.0,), noise=noise), edge_samples(0.0), blur_px=BLUR_PX)
        assert np.isfinite(m.weight).all()
        assert np.median(m.weight[:, 0, 0]) < 1.0 / 1.0**2  # px
        assert np.median(m.support) < 0.2


def test_where_nothing_is_seen_an_edge_lies_nowhere() -> None:
    """A white sky, looked up with rounding's noise: no offset, instead of that of whatever is largest by chance."""
    rng = np.random.default_rng(23)
    flat = Patch(255.0 + rng.normal(0.0, 1e-12, (260, 90, 1)), (0, 0))
    offset, contrast = nearest_strong_edge(flat, edge_samples(0.0), reach_px=5.0, near_px=2.5, blur_px=0.8)
    assert np.abs(offset).max() < 1e-9
    assert contrast.max() < 1e-9
