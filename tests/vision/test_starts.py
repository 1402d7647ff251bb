"""Starts of a fit from what the finder says of a panel: corners projected by OpenCV, with errors and mistakes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from photoaz.angles import wrap_deg
from photoaz.photo.camera import Camera, project
from photoaz.vision.box import ideal_corners_px
from photoaz.vision.finder import PanelCandidate
from photoaz.vision.measure import Expectation
from photoaz.vision.patch import reduced_camera
from photoaz.vision.starts import MOST, side_cost, starts_from_candidate

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)
#: a panel 60 px wide at 15 m
SCENE: dict[str, Any] = {"centre_px": (2000.0, 1500.0)}
#: the rear's corners for the front's, as where a box is taken for one turned by 180 degrees
OTHER_FACE = [5, 4, 7, 6, 1, 0, 3, 2]
#: rough corners: what they leave open the picture decides, and the fit moves a box by as much
NEAR_DEG = 20.0


def expected(s: Any, far: float = 1.0) -> Expectation:
    """What is known of the scene: its azimuth is not, the distance is `far` times too large."""
    return Expectation(camera=CAMERA, **s.known(far))


def seen(s: Any, rng: np.random.Generator | None = None, *, error_px: float = 6.0, **more: Any) -> PanelCandidate:
    """What a finder sees: corners with independent errors and a common one, a rough yaw, sure of its face."""
    corners = s.box_corners_px()
    if rng is not None:
        corners = corners + rng.normal(0, error_px, (8, 2)) + rng.normal(0, error_px, 2)
    yaw = s.yaw_deg + (0.0 if rng is None else rng.normal(0, 12.0))
    front = 0.97 if abs(wrap_deg(s.yaw_deg)) < 80 else 0.03 if abs(wrap_deg(s.yaw_deg)) > 100 else 0.5
    told = {"corners_px": corners, "front": front, "yaw_rad": float(np.radians(wrap_deg(yaw))), **more}
    return PanelCandidate(probability=0.6, visible=0.95, **told)


def starts_of(s: Any, candidate: PanelCandidate, far: float = 1.0) -> list[tuple[float, np.ndarray]]:
    e = expected(s, far)
    return starts_from_candidate(e.sighting(), candidate, e.prior(candidate.corners_px.mean(0)))


def off_deg(s: Any, theta: np.ndarray) -> float:
    return abs(float(wrap_deg(np.degrees(theta[0] - s.azimuth_rad))))


VIEWS_DEG = [0.0, 25.0, -50.0, 75.0, 92.0, -88.0, 130.0, 180.0]


@pytest.mark.parametrize("yaw_deg", VIEWS_DEG)
def test_true_corners_give_the_box_itself(scene: Callable[..., Any], yaw_deg: float) -> None:
    s = scene(yaw_deg=yaw_deg, **SCENE)
    starts = starts_of(s, seen(s))
    best = min(starts, key=lambda start: off_deg(s, start[1]))[1]
    assert off_deg(s, best) < 1.0
    e = expected(s)
    assert np.abs(ideal_corners_px(e.sighting(), best) - s.box_corners_px()).max() < 0.5  # px, of 60
    if abs(np.cos(np.radians(yaw_deg))) > 0.5:
        assert off_deg(s, starts[0][1]) < 1.0


@pytest.mark.parametrize("yaw_deg", VIEWS_DEG)
@pytest.mark.parametrize("seed", range(4))
def test_rough_corners_give_a_start_near_the_box(scene: Callable[..., Any], yaw_deg: float, seed: int) -> None:
    """A tenth of the width off, each corner and all together; the distance 4 % too large."""
    s = scene(yaw_deg=yaw_deg, **SCENE)
    starts = starts_of(s, seen(s, np.random.default_rng(seed)), far=1.04)
    assert min(off_deg(s, theta) for _, theta in starts) < NEAR_DEG
    for _, theta in starts:
        assert np.abs(theta[3:5] - s.centre_px).max() < 20.0  # px: three sigma of the common error
        assert np.exp(theta[5]) * s.distance_m == pytest.approx(s.size_m[0], rel=0.15)


@pytest.mark.parametrize("yaw_deg", [85.0, 95.0, -90.0, -84.0])
@pytest.mark.parametrize("seed", range(3))
def test_in_profile_either_face_may_have_been_called_the_front(
    scene: Callable[..., Any], yaw_deg: float, seed: int
) -> None:
    s = scene(yaw_deg=yaw_deg, **SCENE)
    told = seen(s, np.random.default_rng(seed))
    swapped = seen(s, np.random.default_rng(seed), corners_px=told.corners_px[OTHER_FACE], yaw_rad=told.yaw_rad)
    assert min(off_deg(s, theta) for _, theta in starts_of(s, swapped)) < NEAR_DEG


@pytest.mark.parametrize("yaw_deg", [0.0, 30.0, -40.0])
def test_a_yaw_of_the_wrong_sign_does_not_mislead_all_starts(scene: Callable[..., Any], yaw_deg: float) -> None:
    s = scene(yaw_deg=yaw_deg, **SCENE)
    told = seen(s, np.random.default_rng(5), yaw_rad=float(np.radians(-yaw_deg)))
    assert min(off_deg(s, theta) for _, theta in starts_of(s, told)) < NEAR_DEG


@pytest.mark.parametrize("yaw_deg", [-86.0, 150.0])
def test_corners_that_make_no_box_leave_the_finders_word_on_the_turn(scene: Callable[..., Any], yaw_deg: float) -> None:
    """Corners six times too far apart: starts of the expected size about the middle, all ways round."""
    s = scene(yaw_deg=yaw_deg, **SCENE)
    middle = s.box_corners_px().mean(0)
    torn = (s.box_corners_px() - middle) * [6.0, 1.0] + middle
    starts = starts_of(s, seen(s, corners_px=torn))
    assert min(off_deg(s, theta) for _, theta in starts) < NEAR_DEG
    for _, theta in starts:
        assert theta[3:5] == pytest.approx(middle)
        assert np.exp(theta[5:8]) * s.distance_m == pytest.approx(s.size_m)
    turns = [off_deg(s, theta) for _, theta in starts]
    assert max(turns) > 50.0  # the word on the turn is rough there


@pytest.mark.parametrize("yaw_deg", VIEWS_DEG)
def test_starts_come_best_first_and_differ(scene: Callable[..., Any], yaw_deg: float) -> None:
    s = scene(yaw_deg=yaw_deg, **SCENE)
    starts = starts_of(s, seen(s, np.random.default_rng(11)))
    costs = [c for c, _ in starts]
    assert costs == sorted(costs)
    assert 1 <= len(starts) <= max(MOST, 9)
    azimuths = [float(theta[0]) for _, theta in starts]
    for k, a in enumerate(azimuths):
        assert all(abs(wrap_deg(np.degrees(a - b))) > 5.0 for b in azimuths[:k])


def test_the_face_that_was_seen_weighs_and_the_turn_too(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=20.0, **SCENE)
    e = expected(s)
    candidate = seen(s)
    box = min(starts_of(s, candidate), key=lambda start: off_deg(s, start[1]))[1]
    rear = box.copy()
    rear[0] += np.pi
    turned = box.copy()
    turned[0] += np.radians(30.0)
    right, wrong, off = (side_cost(e.sighting(), candidate, t) for t in (box, rear, turned))
    assert right < off < wrong
    assert wrong < 20.0  # never so much that pixels could not speak against it


# ---- the reduced photo ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shrink", [1, 2, 3, 7])
def test_the_reduced_camera_sees_what_the_whole_one_sees(shrink: int) -> None:
    """Pixel x of the photo is (x + 0.5) / shrink - 0.5 of the reduced one, distortion and all."""
    camera = Camera(
        width_px=4032, height_px=3024, f_px=3100.0, cx_px=2022.3, cy_px=1498.1, k1=-0.05, k2=0.01, aspect=1.002
    )
    points = np.random.default_rng(0).uniform([-4, -3, 8], [4, 3, 20], (50, 3))
    small = reduced_camera(camera, shrink)
    assert project(small, points) == pytest.approx((project(camera, points) + 0.5) / shrink - 0.5)
    assert (small.width_px, small.height_px) == (4032 // shrink, 3024 // shrink)
    assert small.f_relative_sigma == camera.f_relative_sigma
