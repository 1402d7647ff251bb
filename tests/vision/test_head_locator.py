"""Where the head is looked for: windows held against OpenCV's own resizing, places on crowds made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from photoaz.photo.camera import Camera
from photoaz.vision.head_locator import (
    Crowd,
    HeadGuess,
    HeadWindow,
    crowd_of,
    distances_m,
    fills_frame,
    half_size_px,
    locate_heads,
    window_at,
)
from photoaz.vision.panel_network import WORK_PX

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)
GUESS = HeadGuess(distance_m=50.0, ln_distance_sigma=0.1, width_m=0.3, height_m=2.0, rise_m=0.5)


# ---- windows --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scale", [0.11, 0.37, 0.5, 0.83, 1.0, 1.6, 3.0])
@pytest.mark.parametrize("box", [(0, 0, 400, 300), (37, 12, 290, 301), (101, 55, 398, 140)])
def test_pixels_of_a_window_are_where_the_photo_has_them(scale: float, box: tuple[int, int, int, int]) -> None:
    """A picture whose value is its own coordinate: what OpenCV's resizing leaves of it says where it came from."""
    y, x = np.mgrid[:310, :400].astype(np.float32)
    window = HeadWindow(box_px=box, scale=scale)
    cut = window.cut(np.dstack([x, y, x + y]))
    j, i = np.mgrid[: cut.shape[0], : cut.shape[1]]
    there = window.to_frame(np.stack([i, j], -1).astype(float))
    inner = np.s_[8:-8, 8:-8] if scale > 1 else np.s_[:]  # cubic interpolation repeats the border
    assert np.abs(cut[..., :2] - there)[inner].max() < 0.1  # px of the photo
    x0, y0, x1, y1 = box
    assert cut.shape[1] == pytest.approx((x1 - x0) * scale, abs=0.5)
    assert cut.shape[0] == pytest.approx((y1 - y0) * scale, abs=0.5)


def test_corners_of_a_window_are_the_corners_of_its_box() -> None:
    """Outer borders of outer pixels, half a pixel beyond their middles."""
    window = HeadWindow(box_px=(100, 200, 400, 800), scale=0.1)
    at = window.to_frame(np.array([[-0.5, -0.5], [29.5, 59.5]]))
    assert at == pytest.approx(np.array([[99.5, 199.5], [399.5, 799.5]]))


@pytest.mark.parametrize("distance_m", [12.0, 50.0, 200.0])
def test_a_panel_is_as_wide_as_the_network_wants_it(distance_m: float) -> None:
    """Projected by OpenCV: the panel face-on in the middle of the frame, at the distance told."""
    window = window_at(CAMERA, GUESS, np.array([2000.0, 1500.0]), distance_m)
    matrix = np.array([[3000.0, 0, 1999.5], [0, 3000.0, 1499.5], [0, 0, 1]])
    edges = np.array([[-0.15, 0.0, distance_m], [0.15, 0.0, distance_m]])
    seen = cv2.projectPoints(edges, np.zeros(3), np.zeros(3), matrix, None)[0].reshape(-1, 2)
    assert (seen[1, 0] - seen[0, 0]) * window.scale == pytest.approx(min(WORK_PX, 3.0 * 0.3 * 3000 / distance_m))


def test_a_small_panel_is_not_enlarged_without_end() -> None:
    assert window_at(CAMERA, GUESS, np.array([2000.0, 1500.0]), 2000.0).scale == 3.0


@pytest.mark.parametrize("middle", [(0.0, 0.0), (3999.0, 2999.0), (2000.0, 10.0)])
@pytest.mark.parametrize("distance_m", [3.0, 50.0, 900.0])
def test_windows_stay_within_the_frame(middle: tuple[float, float], distance_m: float) -> None:
    x0, y0, x1, y1 = window_at(CAMERA, GUESS, np.array(middle), distance_m).box_px
    assert 0 <= x0 < x1 <= 4000
    assert 0 <= y0 < y1 <= 3000
    assert x0 <= middle[0] < x1
    assert y0 <= middle[1] < y1
    assert min(x1 - x0, y1 - y0) >= 12


def test_a_window_holds_the_whole_head() -> None:
    middle = np.array([1800.0, 1400.0])
    half = half_size_px(CAMERA, GUESS, 50.0)
    # 3 m to either side; half the rise and half a panel up and down
    assert half[0] >= 3.0 * 3000 / 50
    assert half[1] >= 1.25 * 3000 / 50
    x0, y0, x1, y1 = window_at(CAMERA, GUESS, middle, 50.0).box_px
    assert x0 <= middle[0] - half[0] <= middle[0] + half[0] <= x1
    assert y0 <= middle[1] - half[1] <= middle[1] + half[1] <= y1


# ---- distances ------------------------------------------------------------------------------------------------------


def test_a_known_distance_is_the_one_tried() -> None:
    assert distances_m(CAMERA, GUESS) == (50.0,)


def test_a_rough_distance_is_tried_to_both_sides() -> None:
    first, *others = distances_m(CAMERA, replace(GUESS, ln_distance_sigma=0.5))
    assert first == 50.0
    assert min(others) < 50.0 * np.exp(-0.5) < 50.0 * np.exp(0.5) < max(others)


def test_without_a_distance_panels_of_all_sizes_are_looked_for() -> None:
    """Widths as seen face-on; from one to the next the network's own range of scales, a factor of two, suffices."""
    tried = np.array(distances_m(CAMERA, replace(GUESS, distance_m=None)))
    widths = np.sort(CAMERA.f_px * GUESS.width_m / tried)
    assert widths[0] <= 12.0
    assert widths[-1] >= 190.0
    assert (widths[1:] / widths[:-1] <= 2.01).all()


def test_a_head_near_by_fills_the_frame() -> None:
    assert fills_frame(CAMERA, GUESS, 4.0)
    assert not fills_frame(CAMERA, GUESS, 30.0)


# ---- places ---------------------------------------------------------------------------------------------------------


def crowd(*spots: tuple[float, float, float]) -> Crowd:
    """Panels crowding at (x, y) px, this much, in a frame of 4000 x 3000 px seen in cells of 25 px."""
    x, y = np.arange(160) * 25.0 + 12.0, np.arange(120) * 25.0 + 12.0
    heat = np.zeros((120, 160), np.float32)
    for at_x, at_y, much in spots:
        heat += much * np.exp(-0.5 * (((x - at_x) / 60) ** 2 + ((y[:, None] - at_y) / 40) ** 2)).astype(np.float32)
    return Crowd(heat, x, y)


def places(seen: Crowd, **more: Any) -> list[np.ndarray]:
    return locate_heads(seen, CAMERA, replace(GUESS, **more), 50.0)


CELL_PX = 25.0


def test_where_panels_crowd_most_comes_first() -> None:
    got = places(crowd((1000, 800, 0.4), (3000, 2000, 0.6)))
    assert got[0] == pytest.approx([3000, 2000], abs=CELL_PX)
    assert got[1] == pytest.approx([1000, 800], abs=CELL_PX)


def test_a_prediction_decides_between_equals() -> None:
    for at in ((1000.0, 800.0), (3000.0, 2000.0)):
        got = places(
            crowd((1000, 800, 0.5), (3000, 2000, 0.52)), pixel=np.array(at), pixel_sigma=np.array([300.0, 300.0])
        )
        assert got[0] == pytest.approx(at, abs=CELL_PX)


@pytest.mark.parametrize("pixel", [(-2500.0, 1500.0), (9000.0, -4000.0), (500.0, 2500.0)])
def test_the_picture_overrules_a_prediction_that_is_nonsense(pixel: tuple[float, float]) -> None:
    """A compass 90 degrees off puts the head outside the frame."""
    got = places(crowd((2800, 900, 0.7)), pixel=np.array(pixel), pixel_sigma=np.array([250.0, 120.0]))
    assert got[0] == pytest.approx([2800, 900], abs=2 * CELL_PX)


def test_a_prediction_hardly_moves_a_place() -> None:
    got = places(crowd((2000, 1000, 0.5)), pixel=np.array([2150.0, 1000.0]), pixel_sigma=np.array([400.0, 400.0]))
    assert got[0] == pytest.approx([2000, 1000], abs=2 * CELL_PX)


def test_further_places_are_other_places() -> None:
    half = half_size_px(CAMERA, GUESS, 50.0)
    got = places(crowd((1000, 800, 0.4), (2000, 1500, 0.5), (3000, 2000, 0.6), (3500, 300, 0.3)))
    assert len(got) == 3
    for k, a in enumerate(got):
        for b in got[:k]:
            assert (np.abs(a - b) >= half).any()


def test_a_frame_without_any_panel_still_gives_a_place_in_it() -> None:
    (first, *_) = places(crowd())
    assert 0 <= first[0] < 4000
    assert 0 <= first[1] < 3000


@pytest.mark.parametrize("size", [(3000, 4000), (4000, 3000), (480, 640), (90, 300), (4031, 3023)])
def test_the_crowds_cells_cover_the_frame_evenly(size: tuple[int, int]) -> None:
    """(height, width); a cell's place is the middle of the pixels that it stands for, to half a cell."""
    seen = crowd_of(np.full((*size, 3), 190, np.uint8))
    assert seen.heat.shape == (len(seen.y), len(seen.x))
    assert ((seen.heat >= 0) & (seen.heat <= 1)).all()
    for at, n in ((seen.x, size[1]), (seen.y, size[0])):
        step = at[1] - at[0]
        assert at[0] == pytest.approx(step / 2 - 0.5)
        assert abs(at[-1] + step / 2 + 0.5 - n) <= step
    assert seen.x[1] - seen.x[0] == pytest.approx(seen.y[1] - seen.y[0])


@pytest.mark.parametrize(("width_m", "rise_m"), [(0.05, 0.0), (0.05, 900.0), (0.3, 900.0), (5.0, 0.0)])
@pytest.mark.parametrize("size", [(6000, 4000), (20_000, 15_000), (300_000, 1000)])
def test_a_heads_picture_is_bounded_whatever_the_register_says(
    width_m: float, rise_m: float, size: tuple[int, int]
) -> None:
    camera = Camera(width_px=size[0], height_px=size[1], f_px=5000.0, cx_px=size[0] / 2, cy_px=size[1] / 2)
    guess = HeadGuess(distance_m=60.0, ln_distance_sigma=0.1, width_m=width_m, height_m=2.0, rise_m=rise_m)
    for distance in (5.0, 60.0, 3000.0):
        window = window_at(camera, guess, np.array(size) / 2.0, distance)
        x0, y0, x1, y1 = window.box_px
        assert (x1 - x0) * (y1 - y0) * window.scale**2 <= 4.001e6
