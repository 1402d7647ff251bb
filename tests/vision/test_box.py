"""The rounded box against cv2.projectPoints, scipy's rotations, closed forms of geometry, and directions in words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from photoaz.photo.camera import Camera, rotation_cam_from_enu
from photoaz.vision.box import (
    N_PARAMETERS,
    Sighting,
    body_points,
    ideal_corners_px,
    project_body,
    rotation_enu_from_panel,
    view_of,
)

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)
LENS = replace(CAMERA, k1=-0.08, k2=0.02)
angles = st.floats(-np.pi, np.pi)
tilts = st.floats(-1.2, 1.2)


def sighting(pitch_deg: float = 0.0, roll_deg: float = 0.0, camera: Camera = CAMERA) -> Sighting:
    return Sighting(camera, rotation_cam_from_enu(0.0, np.radians(pitch_deg), np.radians(roll_deg)))


def box(
    yaw_deg: float,
    *,
    tilt_deg: float = 0.0,
    roll_deg: float = 0.0,
    centre_px: tuple[float, float] = (1999.5, 1499.5),
    size: tuple[float, float, float] = (0.01, 0.06, 0.005),
    radius: float = 0.1,
    bulge: float = 0.0,
) -> np.ndarray:
    """A box `yaw_deg` clockwise (from above) off facing a camera that looks north; sizes over distance."""
    theta = np.zeros(N_PARAMETERS)
    theta[:3] = np.radians([180.0 + yaw_deg, tilt_deg, roll_deg])
    theta[3:5] = centre_px
    theta[5:8] = np.log(size)
    theta[8:] = radius, bulge
    return theta


def by_scipy(azimuth: float, downtilt: float, roll: float) -> np.ndarray:
    """The same rotation out of elementary ones: roll about the normal, then tilt about the level axis, then azimuth."""
    facing_north = np.array([[-1.0, 0, 0], [0, 0, 1], [0, 1, 0]])  # columns: west, up, north
    return (Rotation.from_euler("yxz", [-roll, -downtilt, -azimuth])).as_matrix() @ facing_north


@given(angles, tilts, angles)
def test_rotation_is_proper_and_that_of_scipy(azimuth: float, downtilt: float, roll: float) -> None:
    rot = rotation_enu_from_panel(azimuth, downtilt, roll)
    assert np.abs(rot.T @ rot - np.eye(3)).max() < 1e-14
    assert np.linalg.det(rot) == pytest.approx(1.0, abs=1e-14)
    assert np.abs(rot - by_scipy(azimuth, downtilt, roll)).max() < 1e-14


def test_rotation_broadcasts() -> None:
    rot = rotation_enu_from_panel(np.zeros((4, 1)), np.linspace(0, 0.2, 3), 0.1)
    assert rot.shape == (4, 3, 3, 3)
    assert np.array_equal(rot[2, 1], rotation_enu_from_panel(0.0, 0.1, 0.1))


def test_directions_in_words() -> None:
    """The field's conventions: azimuth clockwise from north, downtilt looks down, roll clockwise as seen in front."""
    east, up = np.array([1.0, 0, 0]), np.array([0, 0, 1.0])
    assert rotation_enu_from_panel(np.pi / 2, 0.0, 0.0)[:, 2] == pytest.approx(east, abs=1e-15)
    assert rotation_enu_from_panel(0.3, 0.2, 0.0)[2, 2] == pytest.approx(-np.sin(0.2))  # looks down
    # somebody who looks at a front that faces east stands east of it and looks west: north is on his right
    upright = rotation_enu_from_panel(np.pi / 2, 0.0, 0.0)
    assert upright[:, 0] == pytest.approx([0, 1, 0], abs=1e-15)
    assert upright[:, 1] == pytest.approx(up, abs=1e-15)
    # clockwise: the top leans to his right
    assert rotation_enu_from_panel(np.pi / 2, 0.0, 0.1)[1, 1] > 0.09


@given(
    st.floats(-180, 180),
    st.floats(-10, 15),
    st.floats(-5, 5),
    st.floats(-20, 60),
    st.floats(-10, 10),
    st.floats(200, 3800),
    st.floats(200, 2800),
)
def test_corners_are_those_of_cv2(
    yaw: float, tilt: float, roll: float, pitch: float, camera_roll: float, x: float, y: float
) -> None:
    theta = box(yaw, tilt_deg=tilt, roll_deg=roll, centre_px=(x, y))
    matrix = np.array([[3000.0, 0, 1999.5], [0, 3000.0, 1499.5], [0, 0, 1]])
    distortion = np.array([LENS.k1, LENS.k2, 0.0, 0.0])
    # a camera that looks north, rolled clockwise (seen from behind) about its axis, then pitched up; axes by scipy
    level = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
    attitude = Rotation.from_euler("yx", np.radians([camera_roll, pitch])).as_matrix()
    rot = level @ attitude.T @ by_scipy(*theta[:3])
    w, h, d = np.exp(theta[5:8]) / 2
    corners = np.array([[sx * w, sy * h, sz * d] for sz in (1, -1) for sx, sy in ((-1, 1), (1, 1), (1, -1), (-1, -1))])
    stop = (cv2.TERM_CRITERIA_COUNT, 60, 0.0)
    ray = cv2.undistortPoints(np.array([[[x, y]]]), matrix, distortion, criteria=stop).reshape(2)
    centre = np.append(ray, 1.0) / np.linalg.norm(np.append(ray, 1.0))
    turn = Rotation.from_matrix(rot).as_rotvec()  # cv2.Rodrigues loses digits near half a turn
    expected, _ = cv2.projectPoints(corners, turn, centre, matrix, distortion)
    found = ideal_corners_px(sighting(pitch, camera_roll, LENS), theta)
    assert np.abs(found - expected.reshape(8, 2)).max() < 1e-6  # pixels


@pytest.mark.parametrize(
    ("elevation", "yaw", "slope"),
    # tan s = sin h tan psi, computed with a pocket calculator from the formula; its proof is a line of trigonometry
    [(10, 15, 2.664), (20, 5, 1.714), (20, 45, 18.882), (30, 30, 16.102), (30, 45, 26.565), (45, 30, 22.208)],
)
@pytest.mark.parametrize("side", [1, -1])
def test_slope_of_a_level_edge(elevation: float, yaw: float, slope: float, side: int) -> None:
    """Seen from far below, the farther end of a level edge lies lower in the picture, by tan s = sin h tan psi."""
    theta = box(side * yaw, size=(3e-4, 1e-6, 1e-6))
    upper_left, upper_right = ideal_corners_px(sighting(elevation), theta)[:2]
    dx, dy = upper_right - upper_left
    # turned clockwise seen from above, the front's right-hand end comes nearer: it lies higher (y down)
    assert np.degrees(np.arctan2(dy, dx)) == pytest.approx(-side * slope, abs=0.003)  # degrees; 0.0005 is rounding


@pytest.mark.parametrize("yaw", [-70, -30, 0, 10, 45])
def test_width_shrinks_with_the_cosine_of_the_yaw(yaw: float) -> None:
    theta = box(yaw, size=(1e-3, 1e-3, 1e-9))
    corners = ideal_corners_px(sighting(), theta)
    assert corners[1, 0] - corners[0, 0] == pytest.approx(3.0 * np.cos(np.radians(yaw)), rel=1e-4)
    assert corners[3, 1] - corners[0, 1] == pytest.approx(3.0, rel=1e-3)


@pytest.mark.parametrize(
    # seen means here: an edge between the large face and that wall (left or right as shown) or the bottom cap
    ("yaw", "pitch", "front", "rear", "left", "right", "bottom"),
    [
        (0, 30, True, False, False, False, True),  # face-on from below
        (0, -30, True, False, False, False, False),  # face-on from above: the top cap is no edge of ours
        (20, 0, True, False, False, True, False),  # turned clockwise from above: its right-hand wall comes forward
        (-20, 0, True, False, True, False, False),
        (60, 45, True, False, False, True, True),
        (180, 30, False, True, False, False, True),  # the rear
        (200, 10, False, True, False, True, True),  # the rear, turned clockwise: what is on the right comes forward
        (160, 10, False, True, True, False, True),
        (110, 10, False, True, True, False, True),
        (-110, 10, False, True, False, True, True),
    ],
)
def test_what_is_seen(yaw: float, pitch: float, front: bool, rear: bool, left: bool, right: bool, bottom: bool) -> None:
    view = view_of(sighting(pitch), box(yaw))
    assert (view.front_visible, view.rear_visible) == (front, rear)
    seen = (view.inner_left is not None, view.inner_right is not None, view.inner_lower is not None)
    assert seen == (left, right, bottom)
    # beyond an inner edge as shown lies the wall, D |sin yaw| wide; beyond the lower one the cap
    outline = view.points_px[view.hull]
    wall = 15 * abs(np.sin(np.radians(yaw)))
    for edge, axis, sign in ((view.inner_left, 0, -1), (view.inner_right, 0, 1), (view.inner_lower, 1, 1)):
        if edge is not None:
            beyond = (sign * outline[:, axis]).max() - sign * view.points_px[edge, axis].mean()
            assert beyond == pytest.approx(wall, abs=2.5) if axis == 0 else beyond > 1.0  # edges rounded by 3 px
            assert cv2.pointPolygonTest(outline.astype(np.float32), view.points_px[edge].mean(0).tolist(), True) > 0.3


def test_a_box_edge_on_shows_neither_front_nor_rear() -> None:
    view = view_of(sighting(), box(90))
    assert not view.front_visible
    assert not view.rear_visible
    assert view.inner_left is None
    assert view.inner_right is None


@given(st.floats(-80, 80), st.floats(-8, 8), st.floats(0, 50), st.floats(-600, 600), st.floats(-500, 500))
def test_mirror(yaw: float, roll: float, pitch: float, dx: float, dy: float) -> None:
    """The picture of the mirrored box is the mirrored picture: outline (by its support) and inner edges."""

    def seen(side: int) -> Any:
        centre = (1999.5 + side * dx, 1499.5 + dy)
        theta = box(side * yaw, roll_deg=side * roll, tilt_deg=4.0, centre_px=centre, radius=0.12, bulge=0.03)
        return view_of(sighting(pitch, side * 2.0, LENS), theta)

    one, other = seen(1), seen(-1)
    flip = np.array([-1.0, 1.0])
    directions = np.stack([np.cos(np.arange(0, 6.28, 0.1)), np.sin(np.arange(0, 6.28, 0.1))])
    support = ((one.points_px[one.hull] - (1999.5, 0)) @ directions).max(0)
    mirrored = ((other.points_px[other.hull] - (1999.5, 0)) * flip @ directions).max(0)
    assert np.abs(support - mirrored).max() < 1e-3  # pixels: the hull is found in single precision
    assert (one.front_visible, one.rear_visible) == (other.front_visible, other.rear_visible)
    for a, b in ((one.inner_left, other.inner_right), (one.inner_right, other.inner_left)):
        assert (a is None) == (b is None)
        if a is not None:
            assert one.points_px[a] - (1999.5, 0) == pytest.approx(
                ((other.points_px[b] - (1999.5, 0)) * flip)[::-1], abs=1e-8
            )


def cross_section(width: float, depth: float, radius: float, bulge: float) -> np.ndarray:
    """Points (N, 2), to the right and out of the front, of a body between its caps."""
    body = body_points(box(0.0, size=(width, 1.0, depth), radius=radius / width, bulge=bulge / width))
    return body.reshape(4, -1, 3)[1][:, [0, 2]]


@pytest.mark.parametrize(("width", "depth", "radius"), [(0.3, 0.15, 0.03), (0.5, 0.2, 0.05), (0.2, 0.08, 0.01)])
def test_profile_has_the_support_of_a_rounded_rectangle(width: float, depth: float, radius: float) -> None:
    """Minkowski sum of a rectangle and a disc: (W/2 - r) |cos| + (D/2 - r) |sin| + r, half the radius at the back."""
    points = cross_section(width, depth, radius, 0.0)
    angle = np.radians(np.arange(-179.5, 180.0, 1.0))
    c, s = np.cos(angle), np.sin(angle)
    r = np.where(s > 0, radius, radius / 2)
    exact = (width / 2 - r) * abs(c) + (depth / 2 - r) * abs(s) + r
    polygon = (points @ np.stack([c, s])).max(0)
    # arcs of five points in front and three behind: the chords stay inside by r (1 - cos(half a step))
    sagitta = r * (1 - np.cos(np.where(s > 0, np.pi / 16, np.pi / 8)))
    assert (exact - polygon).min() > -1e-15
    assert (exact - polygon - sagitta).max() < 1e-15
    assert (exact - polygon).max() > 0.9 * sagitta.max()  # they are chords, no more points than said


def test_profile_bulges_to_the_front_plane() -> None:
    points = cross_section(0.3, 0.15, 0.03, 0.01)
    assert points[:, 1].max() == pytest.approx(0.075)
    assert points[:, 1].min() == pytest.approx(-0.075)
    assert np.ptp(points[:, 0]) == pytest.approx(0.3)
    assert points[0, 1] == pytest.approx(0.065)  # the front's end lies the bulge behind its middle
    # in order round it, without crossing: the area of the polygon is that of its hull
    hull = cv2.convexHull((1000 * points).astype(np.float32))
    assert cv2.contourArea((1000 * points).astype(np.float32)) == pytest.approx(cv2.contourArea(hull), rel=1e-6)


def test_body_fills_the_ideal_box() -> None:
    """Rounded or not, the body touches the box's front, back, sides, top and bottom, and stays inside."""
    theta = box(180.0, size=(0.01, 0.06, 0.005), radius=0.15, bulge=0.04)  # any pose: compared with its corners
    body, corners = project_body(sighting(), theta), ideal_corners_px(sighting(), theta)
    for axis in (0, 1):
        assert body[:, axis].min() >= corners[:, axis].min() - 1e-9
        assert body[:, axis].max() <= corners[:, axis].max() + 1e-9
        assert np.ptp(body[:, axis]) == pytest.approx(np.ptp(corners[:, axis]), rel=0.01)
    batch = project_body(sighting(), np.stack([theta, box(10.0)]))
    assert np.array_equal(batch[0], body)
