"""Boxes found from one point on the antenna: on pictures drawn by conftest's renderer, where the truth is exact."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from photoaz.angles import wrap_deg
from photoaz.photo.camera import Camera
from photoaz.vision.box import front_off_sight
from photoaz.vision.measure import Expectation, look_at, measure_boxes
from photoaz.vision.starts import starts_from_seed

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)


def expectation_of(s: Any, *, far: float = 1.0, **more: Any) -> Expectation:
    """What would be known of the scene: everything but its azimuth, the distance `far` times too large."""
    return Expectation(camera=CAMERA, **s.known(far), **more)


@pytest.mark.parametrize("yaw_deg", [-50.0, -20.0, 30.0, 55.0])
@pytest.mark.parametrize("off", [(0.0, 0.0), (9.0, -70.0)])
def test_a_point_on_it_finds_a_free_standing_antenna(
    scene: Callable[..., Any], yaw_deg: float, off: tuple[float, float]
) -> None:
    s = scene(yaw_deg=yaw_deg)
    picture, _ = s.draw(np.random.default_rng(7), whole=True)
    expectation = expectation_of(s, far=1.04, faces_camera=True)
    look = look_at(picture, expectation, seed_px=np.array(s.centre_px) + off)
    best = min(measure_boxes([look], [expectation])[0], key=lambda m: m.cost)
    assert np.abs(best.corners_px[:4] - s.corners_px()).max() < 3.0  # pixels, of a panel 60 px wide
    assert best.quality > 0.6


def test_only_the_side_that_is_expected(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=25.0)
    picture, _ = s.draw(np.random.default_rng(3), whole=True)
    for faces in (True, False):
        expectation = expectation_of(s)
        look = look_at(picture, expectation, seed_px=np.array(s.centre_px))
        prior = expectation.prior(look.middle_px)
        starts = starts_from_seed(look.patch, expectation.sighting(), prior, faces_camera=faces)
        assert starts
        for cost, theta in starts:
            assert cost <= 0.0
            off = np.degrees(front_off_sight(expectation.sighting(), theta))
            assert bool(off < 96.0) is faces


def test_starts_come_best_first_and_differ(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=-35.0)
    picture, _ = s.draw(np.random.default_rng(4), whole=True)
    expectation = expectation_of(s)
    look = look_at(picture, expectation, seed_px=np.array(s.centre_px))
    starts = starts_from_seed(look.patch, expectation.sighting(), expectation.prior(look.middle_px), faces_camera=True)
    costs = [c for c, _ in starts]
    assert costs == sorted(costs)
    for k, (_, a) in enumerate(starts):
        for _, b in starts[:k]:
            assert abs(a[0] - b[0]) > 0.1 or np.abs(a[3:5] - b[3:5]).max() > 3.0
    assert abs(wrap_deg(np.degrees(starts[0][1][0] - s.azimuth_rad))) < 15.0


def test_a_design_far_off_speaks_against_a_box_but_never_moves_it(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=20.0)
    picture, _ = s.draw(np.random.default_rng(5), whole=True)
    right = expectation_of(s, faces_camera=True, design_off_rad=s.azimuth_rad)
    wrong = expectation_of(s, faces_camera=True, design_off_rad=s.azimuth_rad + np.radians(40.0))
    look = look_at(picture, right, seed_px=np.array(s.centre_px))
    by_right, by_wrong = measure_boxes([look], [right])[0], measure_boxes([look], [wrong])[0]
    assert len(by_right) == len(by_wrong)
    for a, b in zip(by_right, by_wrong, strict=True):
        assert np.array_equal(a.rotation, b.rotation)
        assert abs(a.cost - b.cost) <= 9.0
        assert a.p_right == pytest.approx(b.p_right, abs=0.05)  # it weighs between ways to fit, not against all of them


def test_a_picture_too_small_to_hold_it_gives_no_start(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=0.0)
    expectation = expectation_of(s)
    look = look_at(np.zeros((6, 6), np.uint8), expectation, seed_px=np.array([3.0, 3.0]))
    assert starts_from_seed(look.patch, expectation.sighting(), expectation.prior(look.middle_px)) == []
