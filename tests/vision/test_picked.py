"""Four picked corners: how far off they may be, and which corners they are, against drawn boxes (see conftest)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from photoaz.angles import wrap_deg
from photoaz.photo.camera import Camera, rotation_cam_from_enu
from photoaz.vision.box import N_PARAMETERS, Sighting, body_derivative
from photoaz.vision.evidence import TILT_SIGMA_RAD, BoxMode, azimuths_of
from photoaz.vision.measure import Expectation, look_at, measure_boxes
from photoaz.vision.picked import READINGS, mask_of, meant, misses, off_px, told

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)
BODY = {"radius_m": 0.03, "cap_m": (0.006, 0.010)}
WIDTH_M = 0.30


def quad(width_px: float, height_px: float) -> np.ndarray:
    return np.array([[0.0, 0.0], [width_px, 0.0], [width_px, height_px], [0.0, height_px]])


@given(st.floats(2.0, 3000.0), st.floats(1.0, 3.0))
def test_who_picks_is_off_by_more_on_a_larger_panel(width_px: float, larger: float) -> None:
    """Two per cent of the width at least, and never less than 1.5 px; never less than on a smaller panel."""
    own = off_px(quad(width_px, 4.0 * width_px))
    assert own >= max(0.02 * width_px, 1.5)
    assert off_px(quad(larger * width_px, 4.0 * width_px)) >= own
    assert off_px(quad(width_px, width_px)) == pytest.approx(own)  # its height does not matter


def expectation_of(s: Any, camera: Camera) -> Expectation:
    return Expectation(camera=camera, **{**s.known(), "pitch_sigma_rad": np.radians(0.5)})


def outline_px(s: Any) -> np.ndarray:
    """Corners of a drawn box's outline: those of the smallest four-sided figure round it, as a person would draw it.

    The polygon that encloses a convex one with the least area (OpenCV's `approxPolyN`); upper left first.
    """
    hull = cv2.convexHull(np.concatenate([p for _, p in s._faces()]).astype(np.float32))
    four = cv2.approxPolyN(hull, 4).reshape(4, 2).astype(float)
    across = four[np.argsort(four[:, 1])]
    upper, lower = across[:2], across[2:]
    return np.concatenate([upper[np.argsort(upper[:, 0])], lower[np.argsort(-lower[:, 0])]])


def measured(
    s: Any, corners_px: np.ndarray, *, seed: int = 1, off: float = 0.0, **picked: Any
) -> tuple[tuple[BoxMode, ...], Sighting]:
    """The ways in which the box fits that was picked at these corners, `off` px wrong."""
    rng = np.random.default_rng(seed)
    picture, origin = s.draw(rng)
    camera = replace(CAMERA, cx_px=CAMERA.cx_px - origin[0], cy_px=CAMERA.cy_px - origin[1])
    rough = corners_px - origin + off * rng.normal(0, 1, (4, 2)).clip(-2, 2)
    e = expectation_of(s, camera)
    modes = measure_boxes([look_at(picture, e, corners_px=rough, **picked)], [e])[0]
    return modes, e.sighting()


def error_of(s: Any, modes: tuple[BoxMode, ...], sighting: Sighting) -> tuple[float, float]:
    """How far off the best way is, and its standard uncertainty, degrees."""
    azimuth, sigma = azimuths_of(modes[:1], sighting.camera, sighting.cam_from_level, TILT_SIGMA_RAD)
    return wrap_deg(float(np.degrees(azimuth[0] - s.azimuth_rad))), float(np.degrees(sigma[0]))


@pytest.mark.parametrize("reading", READINGS)
def test_derivative_of_what_is_missed(scene: Callable[..., Any], reading: str) -> None:
    """Against central differences, of a box that shows front and side."""
    s = scene(yaw_deg=35.0, **BODY)
    e = expectation_of(s, CAMERA)
    theta = e.prior(np.array(s.centre_px)).mean
    theta[0] = s.azimuth_rad
    picked = s.corners_px()[None] + 3.0

    def missed(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return misses(reading, picked, np.full(1, 3.0), *body_derivative(e.sighting(), at[None]))

    _, rows = missed(theta)
    assert rows.shape == (1, 8, N_PARAMETERS)
    for k in range(N_PARAMETERS):
        h = np.zeros(N_PARAMETERS)
        h[k] = 1e-6
        slope = -(missed(theta + h)[0] - missed(theta - h)[0]) / 2e-6
        assert np.abs(rows[0, :, k] - slope[0]).max() < 2e-3 * max(np.abs(slope).max(), 1.0)


def test_readings_share_what_is_picked() -> None:
    """Their probabilities come to 1, none goes to what may not be; where all fit alike they are as often as picked."""
    e_pixels = np.tile(np.arange(92.0)[None, :, None], (2, 1, 2))
    derivative = np.zeros((2, 92, 2, N_PARAMETERS))
    mask = np.stack([mask_of("front"), mask_of("rear")])
    said = told(mask, np.full(2, 1e9), np.tile(quad(20, 80), (2, 1, 1)), (e_pixels, derivative))
    assert said.share.sum(1) == pytest.approx(1.0)
    assert (said.share[~mask] == 0.0).all()
    assert said.share[0] == pytest.approx([0.8, 0.0, 0.2], abs=1e-6)
    assert said.cost == pytest.approx(0.0, abs=1e-6)  # corners of any size say nothing


def test_an_outline_must_hold_with_and_without_what_was_known() -> None:
    share = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    both = meant(share, np.array([30.0, 33.0]), np.zeros(2))
    assert both.all()  # neither is spoken against
    assert meant(share, np.array([30.0, 45.0]), np.zeros(2)).tolist() == [True, False]
    assert meant(share, np.array([45.0, 30.0]), np.zeros(2)).tolist() == [False, True]
    assert meant(share, np.array([40.0, 30.0]), np.array([0.0, 10.0])).all()  # the face holds with what was known
    assert meant(share, np.array([30.0, 40.0]), np.array([10.0, 0.0])).tolist() == [True, False]


@pytest.mark.parametrize("yaw_deg", [-40.0, -25.0, 20.0, 45.0])
@pytest.mark.parametrize("width_px", [60, 250])
def test_both_styles_of_picking_tell_the_same(scene: Callable[..., Any], yaw_deg: float, width_px: float) -> None:
    """The front's corners, or the outline's: the pixels tell which was meant, and the azimuth is the true one."""
    s = scene(yaw_deg=yaw_deg, distance_m=CAMERA.f_px * WIDTH_M / width_px, **BODY)
    front, sight = measured(s, s.corners_px(), off=1.5)
    whole, _ = measured(s, outline_px(s), off=1.5)
    for modes in (front, whole):
        error, sigma = error_of(s, modes, sight)
        assert abs(error) < 3.0 * sigma
    assert abs(error_of(s, front, sight)[0] - error_of(s, whole, sight)[0]) < 1.0


@pytest.mark.parametrize("seed", range(3))
def test_a_large_panel_may_be_picked_as_roughly_as_it_is_large(scene: Callable[..., Any], seed: int) -> None:
    """400 px wide, each corner off by 8 px, twice as far as edges were once looked for."""
    s = scene(yaw_deg=25.0, distance_m=CAMERA.f_px * WIDTH_M / 400.0, **BODY)
    modes, sight = measured(s, s.corners_px(), seed=seed, off=8.0)
    error, _ = error_of(s, modes, sight)
    assert modes[0].quality > 0.6
    assert abs(error) < 1.0  # degrees


@pytest.mark.parametrize(
    ("view", "yaw_deg"), [("rear", 180.0), ("rear", 150.0), ("rear", -145.0), ("profile", 80.0), ("profile", -95.0)]
)
def test_rear_and_profile_can_be_picked(scene: Callable[..., Any], view: str, yaw_deg: float) -> None:
    """The corners of what is seen, and the word which side that is: the azimuth is the true one."""
    s = scene(yaw_deg=yaw_deg, distance_m=9.0, **BODY)
    corners = outline_px(s) if view == "profile" else s.box_corners_px()[[5, 4, 7, 6]]
    modes, sight = measured(s, corners, off=1.5, side=view)
    # a profile is the same from both of its large faces: the better of the two ways, or the one beside it
    errors = [abs(error_of(s, (m,), sight)[0]) for m in modes]
    assert min(errors if view == "profile" else errors[:1]) < 6.0
    assert modes[0].p_right > 0.3


def test_a_side_is_a_word_about_the_front(scene: Callable[..., Any]) -> None:
    """Whatever is picked, no way shows another side than the one that a person saw."""
    s = scene(yaw_deg=20.0, distance_m=12.0, **BODY)
    corners = outline_px(s)
    for view, low, high in (("front", 0.0, 97.0), ("rear", 83.0, 180.0), ("profile", 55.0, 125.0)):
        modes, sight = measured(s, corners, side=view)
        for mode in modes:
            level = sight.cam_from_level @ rotation_cam_from_enu(0.0, 0.0, 0.0).T
            assert level.shape == (3, 3)
            # in the frame of the line of sight the camera lies backwards along it
            off = np.degrees(np.arccos(np.clip(-mode.rotation[2, 2], -1, 1)))
            assert low - 2.0 <= off <= high + 2.0 or len(modes) == 1


def test_exact_corners_of_a_rear(scene: Callable[..., Any]) -> None:
    """Corners to be taken as they are: those of the rear, upper left first as somebody behind the antenna has them."""
    s = scene(yaw_deg=160.0, distance_m=9.0)
    modes, sight = measured(s, s.box_corners_px()[[5, 4, 7, 6]], exact=True, side="rear")
    error, sigma = error_of(s, modes, sight)
    assert abs(error) < max(3.0 * sigma, 1.0)
