"""Evidence: the same whatever was assumed while measuring, there and back, and honest where nothing is to be seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from photoaz.photo.camera import Camera, directions_from_pixels, los_from_cam
from photoaz.vision.box import Sighting, ideal_corners_px, width_across
from photoaz.vision.boxes import FitTask
from photoaz.vision.evidence import BoxMode, enlarged, mode_from_minimum, theta_of_mode
from photoaz.vision.fit import Minimum, fit_boxes
from photoaz.vision.measure import Expectation, Look, look_at, measure_boxes, measure_boxes_again
from photoaz.vision.patch import reduced_camera
from photoaz.vision.starts import starts_from_corners

F_PX = 3000.0
WIDE = Camera(width_px=4000, height_px=3000, f_px=F_PX, cx_px=1999.5, cy_px=1499.5)
BODY = {"radius_m": 0.03, "cap_m": (0.006, 0.010)}


def expect(scene: Any, camera: Camera = WIDE, **changes: Any) -> Expectation:
    return replace(
        Expectation(
            camera=camera,
            pitch_rad=np.radians(scene.pitch_deg),
            pitch_sigma_rad=np.radians(2.0),
            roll_rad=np.radians(scene.camera_roll_deg),
            roll_sigma_rad=np.radians(2.0),
            distance_m=scene.distance_m,
            ln_distance_sigma=0.05,
            ln_size=np.log(scene.size_m),
            ln_size_sigma=np.full(3, 0.015),
            downtilt_rad=np.radians(scene.downtilt_deg),
            downtilt_sigma_rad=np.radians(2.0),
            panel_roll_sigma_rad=np.radians(1.0),
        ),
        **changes,
    )


def drawn(scene: Callable[..., Any], seed: int = 1, **changes: Any) -> tuple[Any, np.ndarray, Camera, np.ndarray]:
    """A scene, its picture, the camera of just that picture, rough corners in it."""
    s = scene(**{"yaw_deg": 30.0, "distance_m": 12.0, **BODY, **changes})
    rng = np.random.default_rng(seed)
    picture, origin = s.draw(rng)
    camera = replace(WIDE, cx_px=WIDE.cx_px - origin[0], cy_px=WIDE.cy_px - origin[1])
    return s, picture, camera, s.corners_px() - origin + rng.normal(0, 2.0, (4, 2))


def fitted(sighting: Sighting, task: FitTask) -> tuple[Minimum, ...]:
    """The fit from rough corners, as measuring does it."""
    starts = starts_from_corners(sighting, [task])[0]
    return fit_boxes(sighting, [task], [[theta for _, theta in starts]])[0]


def sigma_rotation_rad(mode: BoxMode) -> np.ndarray:
    """Standard uncertainties (3,) of the rotation in the line of sight, all else left free but held to reason."""
    weak = np.diag([1.0, 1.0, 1.0, 1e-4, 1e-4, 100.0, 100.0, 100.0])  # 1 rad, 100 px, 10 %
    return np.sqrt(np.diag(np.linalg.inv(mode.root.T @ mode.root + weak))[:3])


def test_mode_and_back(scene: Callable[..., Any]) -> None:
    s, picture, camera, corners = drawn(scene)
    expectation = expect(s, camera)
    look = look_at(picture, expectation, corners_px=corners, seed_px=None)
    prior = expectation.prior(look.middle_px)
    sighting = expectation.sighting()
    minima = fitted(sighting, FitTask(look.patch, prior, corners))
    assert minima
    for minimum in minima:
        mode = mode_from_minimum(sighting, minimum, prior)
        back = theta_of_mode(sighting, mode, prior)
        turn = (back[0] - minimum.theta[0] + np.pi) % (2 * np.pi) - np.pi
        assert abs(turn) < 1e-9
        assert back[1:] == pytest.approx(minimum.theta[1:], abs=1e-9)


def test_rotation_is_that_of_the_scene(scene: Callable[..., Any]) -> None:
    """Rotation in the line of sight out of the drawing's own angles (SciPy), within the stated uncertainty."""
    s, picture, camera, corners = drawn(scene)
    mode = measure_boxes([look_at(picture, expect(s, camera), corners_px=corners, seed_px=None)], [expect(s, camera)])[
        0
    ][0]
    facing_north = np.array([[-1.0, 0, 0], [0, 0, 1], [0, 1, 0]])
    turn = Rotation.from_euler("yxz", [-s.roll_deg, -s.downtilt_deg, -180.0 - s.yaw_deg], degrees=True).as_matrix()
    level = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
    attitude = Rotation.from_euler("yx", [s.camera_roll_deg, s.pitch_deg], degrees=True).as_matrix()
    # the drawing's centre and the fit's lie within a pixel: their lines of sight are one to 0.02 degrees
    sight = los_from_cam(directions_from_pixels(camera, mode.centre_px))
    true = sight @ level @ attitude.T @ turn @ facing_north
    off = Rotation.from_matrix(mode.rotation @ true.T).as_rotvec()
    sigma = sigma_rotation_rad(mode)
    assert (np.abs(off) < 3 * sigma).all()
    assert np.degrees(sigma).max() < 3.0
    assert mode.front_visible
    assert not mode.rear_visible
    assert mode.has_wall
    assert np.abs(mode.corners_px[:4] - (corners - (corners - mode.corners_px[:4]).mean(0))).max() < 8.0


def test_evidence_does_not_depend_on_the_assumed_attitude(scene: Callable[..., Any]) -> None:
    """Measured under a pitch wrong by 2 degrees and a roll wrong by 1: the same rotation in the line of sight."""
    for seed in (1, 2, 3):
        s, picture, camera, corners = drawn(scene, seed, yaw_deg=-35.0 + 30 * seed)
        right = expect(s, camera)
        wrong = replace(right, pitch_rad=right.pitch_rad + np.radians(2.0), roll_rad=right.roll_rad + np.radians(1.0))
        look = look_at(picture, right, corners_px=corners, seed_px=None)
        one, other = measure_boxes([look], [right])[0][0], measure_boxes([look], [wrong])[0][0]
        off = Rotation.from_matrix(one.rotation @ other.rotation.T).as_rotvec()
        assert (np.abs(off) < sigma_rotation_rad(one)).all()
        # and far less than the attitude was wrong by
        assert np.degrees(np.linalg.norm(off)) < 1.2


def test_measured_again(scene: Callable[..., Any]) -> None:
    """Settling once more under the same expectation stays where it was, up to what stops an iteration."""
    s, picture, camera, corners = drawn(scene)
    expectation = expect(s, camera)
    look = look_at(picture, expectation, corners_px=corners, seed_px=None)
    modes = measure_boxes([look], [expectation])[0]
    again = measure_boxes_again([look], [expectation], [modes])[0]
    assert again
    off = Rotation.from_matrix(modes[0].rotation @ again[0].rotation.T).as_rotvec()
    assert (np.abs(off) < 0.3 * sigma_rotation_rad(modes[0])).all()
    assert again[0].centre_px == pytest.approx(modes[0].centre_px, abs=0.2)


def test_root_is_the_pixels_information(scene: Callable[..., Any]) -> None:
    """Larger in the picture, better known; sizes of the arrays as said."""
    near = [drawn(scene, distance_m=d) for d in (8.0, 30.0)]
    sigma = []
    for s, picture, camera, corners in near:
        look = look_at(picture, expect(s, camera), corners_px=corners, seed_px=None)
        mode = measure_boxes([look], [expect(s, camera)])[0][0]
        assert mode.root.shape == (len(mode.offset), 8)
        assert mode.corners_px.shape == (8, 2)
        assert mode.width_px == pytest.approx(width_across(mode.corners_px))
        sigma.append(sigma_rotation_rad(mode))
    assert (sigma[0] < sigma[1]).all()


def nothing(kind: str, shape: tuple[int, int]) -> np.ndarray:
    rng = np.random.default_rng(4)
    if kind == "noise":
        return rng.normal(128, 25, shape).clip(0, 255).astype(np.uint8)
    if kind == "slope":
        return np.tile(np.linspace(60, 200, shape[1]), (shape[0], 1)).astype(np.uint8)
    return np.full(shape, {"black": 0, "grey": 128, "white": 255}[kind], np.uint8)


@pytest.mark.parametrize("kind", ["black", "grey", "white", "slope", "noise"])
@pytest.mark.parametrize("by", ["corners", "seed"])
def test_a_picture_of_nothing(scene: Callable[..., Any], kind: str, by: str) -> None:
    """No box there: none found, or evidence so poor that it says so."""
    s = scene(yaw_deg=20.0, distance_m=15.0)
    expectation = expect(s, replace(WIDE, width_px=500, height_px=600, cx_px=249.5, cy_px=299.5))
    corners = s.corners_px() - s.corners_px().mean(0) + (250.0, 300.0)
    image = nothing(kind, (600, 500))
    look = look_at(
        image,
        expectation,
        corners_px=corners if by == "corners" else None,
        seed_px=None if by == "corners" else np.array([250.0, 300.0]),
    )
    modes = measure_boxes([look], [expectation])[0]
    for m in modes:
        assert np.isfinite(m.root).all()
        assert np.isfinite(m.offset).all()
        if kind != "noise":
            assert m.quality < 0.2
            # rough corners say a little by themselves: 3 px off on a panel 60 px wide are some degrees
            vague = np.degrees(sigma_rotation_rad(m)).max() > (2.5 if by == "corners" else 10.0)
            assert vague or m.p_right < 0.1
        else:
            assert m.quality < 0.6


@pytest.mark.parametrize("middle", [(0.0, 0.0), (499.0, 599.0), (-30.0, 300.0), (250.0, 640.0)])
@pytest.mark.parametrize("by", ["corners", "seed"])
def test_pick_at_the_border(scene: Callable[..., Any], middle: tuple[float, float], by: str) -> None:
    s = scene(yaw_deg=-20.0, distance_m=15.0)
    expectation = expect(s, replace(WIDE, width_px=500, height_px=600, cx_px=249.5, cy_px=299.5))
    corners = s.corners_px() - s.corners_px().mean(0) + middle
    look = look_at(
        nothing("noise", (600, 500)),
        expectation,
        corners_px=corners if by == "corners" else None,
        seed_px=None if by == "corners" else np.array(middle),
    )
    for m in measure_boxes([look], [expectation])[0]:
        assert np.isfinite(m.root).all()


@pytest.mark.parametrize("shape", [(1, 1), (2, 2), (3, 40), (40, 3), (12, 12)])
@pytest.mark.parametrize("by", ["corners", "seed"])
def test_tiny_pictures(scene: Callable[..., Any], shape: tuple[int, int], by: str) -> None:
    s = scene(yaw_deg=-20.0, distance_m=15.0)
    camera = replace(WIDE, width_px=shape[1], height_px=shape[0], cx_px=0.5, cy_px=0.5)
    expectation = expect(s, camera)
    corners = s.corners_px() - s.corners_px().mean(0)
    seed = np.zeros(2)
    image = nothing("noise", shape)
    look = look_at(
        image,
        expectation,
        corners_px=corners if by == "corners" else None,
        seed_px=None if by == "corners" else seed,
    )
    for m in measure_boxes([look], [expectation])[0]:
        assert np.isfinite(m.root).all()


def test_corners_all_in_one_place(scene: Callable[..., Any]) -> None:
    """Four clicks on the same pixel: no exception, and nothing precise."""
    s, picture, camera, _ = drawn(scene)
    corners = np.full((4, 2), 60.0)
    expectation = expect(s, camera)
    for m in measure_boxes([look_at(picture, expectation, corners_px=corners, seed_px=None)], [expectation])[0]:
        assert np.isfinite(m.root).all()


def test_neither_corners_nor_seed(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=0.0)
    with pytest.raises(ValueError, match="corners or a seed"):
        look_at(nothing("grey", (50, 50)), expect(s), corners_px=None, seed_px=None)


def test_found_from_a_seed(scene: Callable[..., Any]) -> None:
    """One point on the panel, twelve pixels off its middle: the drawn box is among the ways found."""
    found = 0
    for seed in (1, 2, 3):
        s, picture, camera, corners = drawn(scene, seed, yaw_deg=-60.0 + 30 * seed)
        expectation = expect(s, camera, faces_camera=True)
        look: Look = look_at(picture, expectation, corners_px=None, seed_px=corners.mean(0) + np.array([4.0, 12.0]))
        prior = expectation.prior(look.middle_px)
        for m in measure_boxes([look], [expectation])[0]:
            turn = theta_of_mode(expectation.sighting(), m, prior)[0] - s.azimuth_rad
            if abs((turn + np.pi) % (2 * np.pi) - np.pi) < np.radians(2.0):
                found += 1
                break
    assert found == 3


def test_a_mode_of_a_reduced_photo_enlarged_is_the_same_box(scene: Callable[..., Any]) -> None:
    """Seen through the whole camera it is turned, placed and as large as it was through the reduced one."""
    s, picture, camera, corners = drawn(scene)
    small = reduced_camera(camera, 3)
    (mode, *_) = measure_boxes([look_at(picture, expect(s, camera), corners_px=corners)], [expect(s, camera)])[0]
    less = enlarged(mode, 1 / 3)
    whole, part = expect(s, camera), expect(s, small)
    theta = theta_of_mode(whole.sighting(), mode, whole.prior(mode.centre_px))
    again = theta_of_mode(part.sighting(), less, part.prior(less.centre_px))
    assert again[:3] == pytest.approx(theta[:3], abs=1e-9)  # azimuth, downtilt, roll, rad
    assert again[5:8] == pytest.approx(theta[5:8], abs=1e-12)  # ln sizes over distance
    assert ideal_corners_px(part.sighting(), again) == pytest.approx((mode.corners_px + 0.5) / 3 - 0.5, abs=1e-6)
    back = enlarged(less, 3)
    for name in ("centre_px", "ln_size", "root", "corners_px", "outline_px"):
        assert getattr(back, name) == pytest.approx(getattr(mode, name))
    # a pixel of centre is a third of one there: the same information
    step = np.array([0.0, 0, 0, 3.0, -6.0, 0, 0, 0])
    assert less.root @ (step / 3) == pytest.approx(mode.root @ step)
