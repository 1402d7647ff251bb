"""The part of a photo that is measured: where it lies, and light instead of stored values."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from photoaz.vision.patch import Patch, cut_patch, reduced


def test_light_by_the_srgb_transfer_function() -> None:
    """IEC 61966-2-1: stored 188 is half the light (common practice), 0 and 255 stay, the lowest tenth is linear."""
    image = np.array([[0, 10, 188, 255]], np.uint8).repeat(2, 0)
    light = cut_patch(image, np.zeros(2), np.array([3.0, 1.0])).pixels[0, :, 0]
    assert light[[0, 3]] == pytest.approx([0.0, 255.0], abs=1e-4)
    assert light[1] == pytest.approx(10 / 12.92, rel=1e-5)
    assert light[2] / 255 == pytest.approx(0.5, abs=0.005)


@pytest.mark.parametrize(("low", "high"), [((5.2, 7.9), (20.0, 30.5)), ((-50, -50), (3, 4)), ((60, 40), (500, 500))])
def test_a_patch_is_addressed_in_the_photos_pixels(low: tuple[float, float], high: tuple[float, float]) -> None:
    y, x = np.mgrid[:50, :70]
    image = ((x * 3 + y * 7) % 251).astype(np.uint8)
    patch = cut_patch(image, np.array(low), np.array(high))
    x0, y0 = patch.origin_px
    h, w = patch.pixels.shape[:2]
    assert 0 <= x0 < x0 + w <= 70
    assert 0 <= y0 < y0 + h <= 50
    whole = cut_patch(image, np.zeros(2), np.array([69.0, 49.0]))
    assert np.array_equal(whole.pixels[y0 : y0 + h, x0 : x0 + w], patch.pixels)
    here = np.array([[x0 + 1.0, y0 + 1.0]])
    assert patch.at(here) == pytest.approx(whole.at(here), abs=1e-3)


def test_grey_is_grey_in_colour() -> None:
    """Equal channels: the light of a grey picture, no colour difference."""
    grey = np.arange(0, 250, 10, dtype=np.uint8).reshape(5, 5)
    one = cut_patch(grey, np.zeros(2), np.full(2, 4.0))
    three = cut_patch(np.repeat(grey[..., None], 3, 2), np.zeros(2), np.full(2, 4.0))
    assert three.pixels[..., 0] == pytest.approx(one.pixels[..., 0], abs=0.01)
    assert np.abs(three.pixels[..., 1:]).max() < 0.01


def test_border_is_repeated() -> None:
    patch = Patch(np.arange(16, dtype=np.float32).reshape(4, 4, 1), (10, 20))
    assert patch.at(np.array([[-100.0, -100.0], [100.0, 100.0]]))[:, 0] == pytest.approx([0.0, 15.0])
    assert patch.at(np.zeros((2, 3, 2))).shape == (2, 3, 1)


@pytest.mark.parametrize("channels", [1, 3])
def test_looking_up_in_double_precision_is_opencvs_without_its_steps(channels: int) -> None:
    """OpenCV's places are float32: 1e-5 px at 200 px from the first pixel. Values follow a place that moves by less."""
    rng = np.random.default_rng(11)
    smooth = cv2.GaussianBlur(rng.normal(100.0, 60.0, (300, 260, channels)).astype(np.float32), (0, 0), 1.2)
    kept = Patch(smooth.reshape(300, 260, channels), (1000, 500))
    patch = kept.in_double()
    x, y = rng.uniform(1001.0, 1256.0, (700, 11)), rng.uniform(501.0, 796.0, (700, 11))
    here = patch.at_places(x, y)
    assert here.shape == (700, 11, channels)
    assert here == pytest.approx(kept.at_places(x, y), abs=3e-3)
    slope = (patch.at_places(x + 1e-4, y) - patch.at_places(x - 1e-4, y)) / 2e-4
    assert np.abs(slope).max() > 10.0
    moved = 1e-8
    assert (patch.at_places(x + moved, y) - here) / moved == pytest.approx(slope, abs=0.02)


def test_places_outside_have_the_value_of_the_border_in_double_precision_too() -> None:
    patch = Patch(np.arange(64, dtype=np.float32).reshape(8, 8, 1), (10, 20)).in_double()
    far = patch.at(np.array([[-100.0, -100.0], [100.0, 100.0]]))[:, 0]
    assert far == pytest.approx([9.0, 45.0])  # of the outermost pixels but one and two: beyond them nothing is known
    small = Patch(np.arange(9, dtype=np.float32).reshape(3, 3, 1), (10, 20)).in_double()
    assert small.at(np.array([[11.0, 21.0]]))[0, 0] == pytest.approx(4.0)


def test_place_far_outside_gives_a_patch_all_the_same() -> None:
    patch = cut_patch(np.full((30, 30), 9, np.uint8), np.array([400.0, 400.0]), np.array([500.0, 500.0]))
    assert patch.pixels.size > 0


@pytest.mark.parametrize("shrink", [2, 3, 5])
@pytest.mark.parametrize(
    ("low", "high"), [((31.0, 17.5), (160.2, 121.0)), ((-60, -60), (40, 33)), ((60, 40), (900, 900))]
)
def test_a_reduced_patch_is_addressed_in_the_reduced_photos_pixels(
    shrink: int, low: tuple[float, float], high: tuple[float, float]
) -> None:
    """Pixel x of the photo is (x + 0.5) / shrink - 0.5 of the reduced one: a spot is found again where that says."""
    spot = np.array([97.3, 74.6]) if low[0] > 0 else np.array([24.3, 18.6])
    y, x = np.mgrid[:151, :203]
    image = np.round(200 * np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / (2 * 6.0**2))).astype(np.uint8)
    patch = reduced(cut_patch(image, np.array(low), np.array(high)), shrink)
    h, w = patch.pixels.shape[:2]
    j, i = np.mgrid[:h, :w]
    light = patch.pixels[..., 0]
    middle = np.array([(light * i).sum(), (light * j).sum()]) / light.sum() + patch.origin_px
    # px of the reduced photo; light of an 8-bit spot cut off at its edge by less than that
    assert middle == pytest.approx((spot + 0.5) / shrink - 0.5, abs=0.1)
    x0, y0 = patch.origin_px
    assert 0 <= x0 < x0 + w <= 203 // shrink
    assert 0 <= y0 < y0 + h <= 151 // shrink
    if low[0] > 0 and high[0] < 200:  # all of what was asked for, but for what does not fill a pixel
        assert x0 <= low[0] / shrink + 1
        assert (x0 + w + 1) * shrink >= high[0]


def test_a_reduced_patch_of_colour_has_the_whole_ones_channels() -> None:
    image = np.random.default_rng(0).integers(0, 255, (80, 120, 3)).astype(np.uint8)
    whole = cut_patch(image, np.array([8.0, 8.0]), np.array([60.0, 60.0]))
    small = reduced(whole, 4)
    assert small.pixels.shape[2] == whole.pixels.shape[2]
    assert small.pixels.dtype == whole.pixels.dtype


@pytest.mark.parametrize(("low", "high"), [((400.0, 400.0), (500.0, 500.0)), ((-90.0, -90.0), (-50.0, -40.0))])
def test_a_reduced_patch_far_outside_is_one_all_the_same(low: tuple[float, float], high: tuple[float, float]) -> None:
    patch = reduced(cut_patch(np.full((60, 60), 9, np.uint8), np.array(low), np.array(high)), 4)
    assert patch.pixels.size > 0
