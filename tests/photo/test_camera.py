"""The camera model against cv2.projectPoints, closed forms, complex steps and finite differences."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from photoaz.photo.camera import (
    Camera,
    camera_from_record,
    directions_from_pixels,
    normalised_from_pixels,
    pixels_from_normalised,
    project,
    project_jacobian,
    rotation_cam_from_enu,
)

LENS = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=2011.3, cy_px=1487.6, k1=-0.11, k2=0.04)
ANAMORPHIC = replace(LENS, aspect=1.013)
POINTS = np.random.default_rng(5).uniform((-4, -3, 8), (4, 3, 30), (60, 3))
angles = st.floats(-math.pi, math.pi)


def by_cv2(camera: Camera) -> tuple[np.ndarray, np.ndarray]:
    f = camera.f_px
    matrix = np.array([[f, 0, camera.cx_px], [0, f * camera.aspect, camera.cy_px], [0, 0, 1.0]])
    distortion = np.array([camera.k1, camera.k2, 0.0, 0.0])
    pixels, jacobian = cv2.projectPoints(POINTS, np.zeros(3), np.zeros(3), matrix, distortion)
    return pixels.reshape(-1, 2), jacobian.reshape(len(POINTS), 2, -1)


@pytest.mark.parametrize("camera", [LENS, ANAMORPHIC])
def test_projection_and_its_jacobian_are_those_of_cv2(camera: Camera) -> None:
    pixels, jacobian = by_cv2(camera)
    assert np.abs(project(camera, POINTS) - pixels).max() < 1e-9  # pixels
    by_point, by_f = project_jacobian(camera, POINTS)
    # cv2's columns: rotation 0:3, translation 3:6, fx, fy 6:8, cx, cy 8:10, distortion
    assert np.abs(by_point - jacobian[:, :, 3:6]).max() < 1e-9
    by_f_cv2 = jacobian[:, :, 6] + camera.aspect * jacobian[:, :, 7]  # fy = aspect fx
    assert np.abs(by_f - by_f_cv2).max() < 1e-12


@pytest.mark.parametrize("camera", [LENS, ANAMORPHIC])
def test_jacobian_by_complex_step(camera: Camera) -> None:
    by_point, by_f = project_jacobian(camera, POINTS)
    step = 1e-30
    for axis in range(3):
        moved = POINTS.astype(complex)
        moved[:, axis] += 1j * step
        derivative = project(camera, moved).imag / step
        assert np.abs(derivative - by_point[..., axis]).max() < 1e-12 * camera.f_px
    derivative = project(camera, POINTS, camera.f_px + 1j * step).imag / step
    assert np.abs(derivative - by_f).max() < 1e-14


def test_jacobian_by_finite_differences_and_broadcasting() -> None:
    by_point, by_f = project_jacobian(LENS, POINTS.reshape(3, 20, 3))
    assert by_point.shape == (3, 20, 2, 3)
    assert by_f.shape == (3, 20, 2)
    h = 1e-4
    for axis in range(3):
        shift = np.zeros(3)
        shift[axis] = h
        slope = (project(LENS, POINTS + shift) - project(LENS, POINTS - shift)) / (2 * h)
        assert np.abs(slope - by_point.reshape(-1, 2, 3)[..., axis]).max() < 1e-4  # pixels per metre


def test_jacobian_itself_takes_complex_steps() -> None:
    """Second derivatives by a complex step through the analytic first ones: symmetric, as mixed derivatives are."""
    step = 1e-30
    second = []
    for axis in range(3):
        moved = POINTS.astype(complex)
        moved[:, axis] += 1j * step
        second.append(project_jacobian(LENS, moved)[0].imag / step)
    hessian = np.stack(second, -1)
    assert np.abs(hessian - hessian.swapaxes(-1, -2)).max() < 1e-9
    assert np.abs(hessian).max() > 1.0


@pytest.mark.parametrize("camera", [LENS, ANAMORPHIC, replace(LENS, k1=0.0, k2=0.0)])
def test_pixels_there_and_back(camera: Camera) -> None:
    px = np.stack(np.meshgrid(np.linspace(0, 3999, 9), np.linspace(0, 2999, 7)), -1)
    back = pixels_from_normalised(camera, normalised_from_pixels(camera, px))
    assert np.abs(back - px).max() < 1e-6  # pixels


def test_undistortion_is_that_of_cv2() -> None:
    px = np.random.default_rng(2).uniform((0, 0), (3999, 2999), (50, 2))
    matrix = np.array([[LENS.f_px, 0, LENS.cx_px], [0, LENS.f_px, LENS.cy_px], [0, 0, 1.0]])
    expected = cv2.undistortPoints(
        px.reshape(-1, 1, 2),
        matrix,
        np.array([LENS.k1, LENS.k2, 0, 0]),
        criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-12),
    ).reshape(-1, 2)
    assert np.abs(normalised_from_pixels(LENS, px) - expected).max() < 1e-9


@given(angles, st.floats(-math.pi / 2, math.pi / 2), angles)
def test_rotations_are_rotations(heading: float, pitch: float, roll: float) -> None:
    rotation = rotation_cam_from_enu(heading, pitch, roll)
    assert np.abs(rotation @ rotation.T - np.eye(3)).max() < 1e-14
    assert np.linalg.det(rotation) == pytest.approx(1.0, abs=1e-14)


@given(angles, st.floats(-1.4, 1.4), angles, angles)
def test_turning_the_camera_turns_every_azimuth_by_as_much(
    heading: float, pitch: float, roll: float, turn: float
) -> None:
    camera = replace(LENS, k1=0.0, k2=0.0)
    line = directions_from_pixels(camera, np.array([700.0, 400.0]))
    first = line @ rotation_cam_from_enu(heading, pitch, roll)
    second = line @ rotation_cam_from_enu(heading + turn, pitch, roll)
    # the horizontal part turned clockwise seen from above
    turned = np.array(
        [
            first[0] * math.cos(turn) + first[1] * math.sin(turn),
            -first[0] * math.sin(turn) + first[1] * math.cos(turn),
            first[2],
        ]
    )
    assert np.abs(turned - second).max() < 1e-13


def test_axes_in_words() -> None:
    """Facing east, level: right is south, down is down, forward is east."""
    rotation = rotation_cam_from_enu(math.radians(90), 0.0, 0.0)
    assert np.allclose(rotation, [[0, -1, 0], [0, 0, -1], [1, 0, 0]], atol=1e-15)
    up = rotation_cam_from_enu(0.0, math.radians(30), 0.0)
    assert up[2] @ [0, 0, 1] == pytest.approx(0.5)  # looks up
    rolled = rotation_cam_from_enu(0.0, 0.0, math.radians(10))
    assert rolled[0] @ [0, 0, 1] == pytest.approx(-math.sin(math.radians(10)))  # clockwise: its right side goes down


def azimuth_and_elevation(u: float, v: float, elevation_deg: float, roll_deg: float = 0.0) -> tuple[float, float]:
    camera = Camera(width_px=4001, height_px=3001, f_px=3000.0, cx_px=2000.0, cy_px=1500.0)
    line = directions_from_pixels(camera, np.array([2000.0 + u, 1500.0 + v]))
    e, n, up = line @ rotation_cam_from_enu(0.0, math.radians(elevation_deg), math.radians(roll_deg))
    return math.degrees(math.atan2(e, n)), math.degrees(math.atan2(up, math.hypot(e, n)))


# Closed form atan2(u, f cos(el) + v sin(el)), f 3000, u right, v down; the figures were computed twice, by the closed
# form and with scipy's Rotation, before this package existed.
@pytest.mark.parametrize(
    ("elevation", "u", "v", "azimuth", "above"),
    [
        (0, 500, 0, 9.462, None),
        (20, 500, 0, 10.058, None),
        (40, 500, 0, 12.274, None),
        (60, 500, 0, 18.435, None),
        (20, 500, -800, 11.113, 34.424),
        (20, 500, 800, 9.184, 5.004),
        (40, 500, -800, 15.657, 53.906),
        (40, 500, 800, 10.081, 24.728),
        (30, -1200, -900, -29.189, 42.812),
    ],
)
def test_azimuth_of_a_pixel(elevation: float, u: float, v: float, azimuth: float, above: float | None) -> None:
    got = azimuth_and_elevation(u, v, elevation)
    assert got[0] == pytest.approx(azimuth, abs=0.0006)  # degrees, the last digit printed
    assert above is None or got[1] == pytest.approx(above, abs=0.0006)


@pytest.mark.parametrize(("elevation", "shift"), [(20, 0.314), (40, 0.448)])
def test_roll_moves_azimuths_of_a_camera_that_looks_up(elevation: float, shift: float) -> None:
    got = azimuth_and_elevation(0, -800, elevation, roll_deg=1.0)[0]
    assert abs(got) == pytest.approx(shift, abs=0.0006)
    # rolled clockwise, what is above the middle of the picture lies to the right of where the camera points
    assert got > 0


@pytest.mark.parametrize(
    ("height", "yaw", "slope"), [(20, 5, 1.714), (20, 30, 11.170), (30, 45, 26.565), (45, 30, 22.208)]
)
def test_slope_of_a_level_edge(height: float, yaw: float, slope: float) -> None:
    """tan(s) = sin(height) tan(yaw) for a level edge far away, seen on the axis; the farther end lies lower."""
    camera = Camera(width_px=4001, height_px=3001, f_px=3.0e6, cx_px=2000.0, cy_px=1500.0)
    far, h, y = 1.0e5, math.radians(height), math.radians(yaw)
    middle = np.array([0.0, far * math.cos(h), far * math.sin(h)])
    half = 0.15 * np.array([math.cos(y), math.sin(y), 0.0])  # its right end is the farther one
    ends = np.stack([middle - half, middle + half]) @ rotation_cam_from_enu(0.0, h, 0.0).T
    left, right = project(camera, ends)
    got = math.degrees(math.atan2(right[1] - left[1], right[0] - left[0]))
    assert got == pytest.approx(slope, abs=0.001)  # degrees; positive: the farther end is lower


def test_camera_from_record(record_of: Any, kit: Any) -> None:
    record = record_of(size=(400, 300), image={0x112: kit.short(6)})
    camera = camera_from_record(record)
    assert camera is not None
    assert (camera.width_px, camera.height_px) == (300, 400)
    assert (camera.cx_px, camera.cy_px) == (149.5, 199.5)  # the middle, where the first pixel's centre is (0, 0)
    assert camera.f_px == record.focal.f_px
    assert camera.principal_sigma_px == pytest.approx(0.005 * 300)
    assert camera_from_record(record_of(exif={0xA405: None, 0x920A: None})) is None
