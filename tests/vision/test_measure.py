"""Panels that a finder saw, measured: on pictures drawn by conftest's renderer, where the truth is exact."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from photoaz.angles import wrap_deg
from photoaz.photo.camera import Camera
from photoaz.vision.evidence import BoxMode
from photoaz.vision.finder import PanelCandidate
from photoaz.vision.measure import CATCH_PX, ENOUGH_PX, Expectation, look_at, measure_boxes

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)


def expected(s: Any) -> Expectation:
    return Expectation(camera=CAMERA, **s.known(far=1.03))


def seen(s: Any, seed: int, share: float = 0.08) -> PanelCandidate:
    """What a finder sees: corners off by this share of the panel's width, its yaw by ten degrees."""
    rng = np.random.default_rng(seed)
    wide = CAMERA.f_px * s.size_m[0] / s.distance_m
    corners = s.box_corners_px() + rng.normal(0, share * wide, (8, 2)) + rng.normal(0, share * wide, 2)
    yaw = float(np.radians(wrap_deg(s.yaw_deg + rng.normal(0, 10.0))))
    front = 0.95 if abs(wrap_deg(s.yaw_deg)) < 90 else 0.05
    return PanelCandidate(corners_px=corners, probability=0.5, front=front, yaw_rad=yaw, visible=0.97)


def measured(s: Any, candidate: PanelCandidate) -> BoxMode:
    picture, _ = s.draw(np.random.default_rng(3), whole=True)
    modes = measure_boxes([look_at(picture, expected(s), candidate=candidate)], [expected(s)])[0]
    assert modes
    return min(modes, key=lambda m: m.cost)


@pytest.mark.parametrize("yaw_deg", [-40.0, 20.0, 55.0, 160.0])
@pytest.mark.parametrize("distance_m", [9.0, 15.0, 30.0])
def test_a_panel_is_measured_from_what_the_finder_saw(
    scene: Callable[..., Any], yaw_deg: float, distance_m: float
) -> None:
    """Free-standing, 30 to 100 px wide: within a twentieth of its width of the truth, whatever was rough about it."""
    s = scene(yaw_deg=yaw_deg, distance_m=distance_m)
    best = measured(s, seen(s, 1))
    wide = CAMERA.f_px * s.size_m[0] / distance_m
    front = [0, 1, 2, 3] if abs(yaw_deg) < 90 else [4, 5, 6, 7]  # the face that shows
    assert np.abs(best.corners_px[front] - s.box_corners_px()[front]).max() < max(0.05 * wide, 2.0)
    assert best.quality > 0.6
    assert best.front_visible is (abs(yaw_deg) < 90)


def test_the_finders_errors_leave_no_trace(scene: Callable[..., Any]) -> None:
    """Two finders that erred differently: the same box."""
    s = scene(yaw_deg=35.0, distance_m=12.0)
    one, other = measured(s, seen(s, 1)), measured(s, seen(s, 2))
    assert np.abs(one.corners_px - other.corners_px).max() < 0.5  # px, of 75


def test_large_panels_are_looked_at_reduced_first(scene: Callable[..., Any]) -> None:
    picture = np.full((3000, 4000), 200, np.uint8)
    for distance_m, shrinks in ((6.0, True), (60.0, False)):
        s = scene(yaw_deg=10.0, distance_m=distance_m)
        look = look_at(picture, expected(s), candidate=seen(s, 1))
        wide = CAMERA.f_px * s.size_m[0] / (1.03 * distance_m)
        assert (look.shrink * look.binned > 1) is shrinks
        assert look.binned == max(int(wide / ENOUGH_PX), 1)
        assert look.shrink == max(int(wide / look.binned / CATCH_PX), 1)
        x0, y0 = look.patch.origin_px
        h, w = look.patch.pixels.shape[:2]
        low, high = s.box_corners_px().min(0) / look.binned, s.box_corners_px().max(0) / look.binned
        assert x0 < low[0] < high[0] < x0 + w
        assert y0 < low[1] < high[1] < y0 + h


def test_corners_of_a_person_come_before_what_the_finder_saw(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=10.0)
    look = look_at(np.full((3000, 4000), 200, np.uint8), expected(s), corners_px=s.corners_px(), candidate=seen(s, 1))
    assert look.candidate is None
    assert look.binned == look.shrink == 1
    assert look.middle_px == pytest.approx(s.corners_px().mean(0))


def test_where_nothing_is_no_box_is_measured(scene: Callable[..., Any]) -> None:
    """A candidate that the finder made up, on plain sky."""
    s = scene(yaw_deg=20.0)
    sky = np.clip(np.random.default_rng(1).normal(190, 1.5, (3000, 4000)), 0, 255).astype(np.uint8)
    assert measure_boxes([look_at(sky, expected(s), candidate=seen(s, 1))], [expected(s)])[0] == ()


def test_the_finders_word_on_the_turn_weighs_and_moves_no_box(scene: Callable[..., Any]) -> None:
    """A word that contradicts the picture costs, and the box stays where its edges are."""
    s = scene(yaw_deg=25.0, distance_m=12.0)
    right = seen(s, 3, share=0.02)
    wrong = replace(right, front=1 - right.front, yaw_rad=right.yaw_rad + np.pi)
    one, other = measured(s, right), measured(s, wrong)
    assert other.cost > one.cost
    assert other.cost < one.cost + 20.0  # never so much that pixels could not speak against it
    assert np.abs(one.corners_px - other.corners_px).max() < 0.2  # px, of 75


@pytest.mark.parametrize("yaw_deg", [-35.0, 25.0, 50.0, 140.0])
def test_what_the_frame_cuts_off_proves_nothing(scene: Callable[..., Any], yaw_deg: float) -> None:
    """The upper 30 per cent of a panel lies beyond the frame: turned truly, and what shows is found."""
    s = scene(yaw_deg=yaw_deg, distance_m=15.0)
    picture, _ = s.draw(np.random.default_rng(3), whole=True)
    corners = s.box_corners_px()
    cut = int(corners[:, 1].min() + 0.3 * np.ptp(corners[:, 1]))
    camera = replace(CAMERA, height_px=CAMERA.height_px - cut, cy_px=CAMERA.cy_px - cut)
    expectation = replace(expected(s), camera=camera)
    candidate = seen(s, 1)
    candidate = replace(candidate, corners_px=candidate.corners_px - [0, cut], visible=0.7)
    modes = measure_boxes([look_at(picture[cut:], expectation, candidate=candidate)], [expectation])[0]
    best = min(modes, key=lambda m: m.cost)
    lower = [2, 3, 6, 7]
    shown = [2, 3] if abs(yaw_deg) < 90 else [6, 7]
    assert np.abs(best.corners_px[shown] - corners[shown] + [0, cut]).max() < 3.0
    across = np.ptp(corners[lower, 0])
    assert abs(np.ptp(best.corners_px[lower, 0]) - across) < 0.05 * across
    assert best.quality > 0.75
