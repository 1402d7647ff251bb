"""Observations against OpenCV: scenes as it projects them, and azimuths of its poses."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from photoaz.network.adjust import adjust
from photoaz.network.heading_aids import Shadow, SunPixel
from photoaz.network.observations import (
    PLUMB_FIELDS,
    Box,
    Direct,
    box_quantities,
    plumb,
    wrap,
)
from photoaz.network.parameters import Layout
from photoaz.photo.camera import Camera
from photoaz.vision.verticals import find_verticals

from .test_observations import AZIMUTH_RAD, DISTORTED, bearing_of, in_photo, landmark_at

#: azimuth, downtilt, roll of the panel; heading, pitch, roll of the camera off the sight [deg]; metres out and up
VIEWS = [
    (12.0, 3.0, 0.5, 4.0, -2.0, 1.5, 50.0, 45.0),
    (-38.0, 6.0, -1.0, -5.0, 3.0, -7.0, 60.0, 30.0),
    (61.0, 0.0, 0.0, 2.0, 5.0, 0.0, 35.0, 40.0),
    (-5.0, 12.0, 2.0, 0.0, 0.0, 25.0, 120.0, 20.0),
]


def scene(kit: Any, view: tuple[float, ...], bearing_deg: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """State (20,) of a panel seen from a bearing, and its pose in the camera (rotation, translation).

    view[0] counts the panel's azimuth from the direction to the camera.
    """
    yaw, tilt, roll, dh, dp, cam_roll, out, up = view
    b = np.radians(bearing_deg)
    here, centre = np.array([out * np.sin(b), out * np.cos(b), 1.5]), np.array([0.4, -0.3, up])
    d = centre - here
    heading = np.arctan2(d[0], d[1]) + np.radians(dh)
    pitch = np.arctan2(d[2], np.hypot(*d[:2])) + np.radians(dp)
    photo = [heading, pitch, np.radians(cam_roll), *here, 0.0, 0.0, 0.0]
    antenna = [b + np.radians(yaw), *np.radians([tilt, roll]), *centre, *np.log(kit.PANEL_M)]
    cam_from_enu = kit.rotation(*photo[:3])
    return np.array([*photo, *antenna, 0.0, 0.0]), cam_from_enu @ kit.panel_axes(*antenna[:3]), cam_from_enu @ d


def matrix(cam: Camera) -> np.ndarray:
    return np.array([[cam.f_px, 0, cam.cx_px], [0, cam.f_px, cam.cy_px], [0, 0, 1]])


def cv_corners(kit: Any, cam: Camera, rot: np.ndarray, t: np.ndarray, count: int) -> np.ndarray:
    px, _ = cv2.projectPoints(kit.CORNERS[:count] * kit.PANEL_M, cv2.Rodrigues(rot)[0], t, matrix(cam), None)
    return px.reshape(-1, 2)


def ippe(kit: Any, cam: Camera, px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """OpenCV's pose of the front, rotation and translation to its centre, from its four corners: the better of two."""
    front = kit.CORNERS[:4] * kit.PANEL_M * [1, 1, 0]
    _, rvecs, tvecs, errors = cv2.solvePnPGeneric(
        front, px.reshape(-1, 1, 2), matrix(cam), None, flags=cv2.SOLVEPNP_IPPE
    )
    best = int(np.argmin(np.ravel(errors)))
    return cv2.Rodrigues(rvecs[best])[0], tvecs[best].ravel()


@pytest.mark.parametrize("bearing_deg", [80.0, 179.0, 300.0])
@pytest.mark.parametrize("view", VIEWS)
def test_box_quantities_are_what_opencv_projects(kit, view, bearing_deg):
    """Corners rebuilt from the quantities fall where cv2.projectPoints puts the true ones."""
    cam = kit.camera()
    x, rot, t = scene(kit, view, bearing_deg)
    got_rot, got_px, got_ln = box_quantities(cam, x)
    want = cv_corners(kit, cam, rot, t, 8)
    got = kit.corners_of(cam, got_rot, got_px, got_ln, slice(0, 8))
    assert np.abs(got - want).max() < 1e-6  # px
    centre, _ = cv2.projectPoints(np.zeros((1, 3)), cv2.Rodrigues(rot)[0], t, matrix(cam), None)
    assert np.abs(got_px - centre.ravel()).max() < 1e-6  # px


@pytest.mark.parametrize("bearing_deg", [80.0, 179.0, 300.0])
@pytest.mark.parametrize("view", VIEWS)
def test_azimuth_equals_that_of_opencvs_pose(kit, view, bearing_deg):
    """cv2.solvePnPGeneric (IPPE) on a noise-free front gives the azimuth that the network gives.

    Twice: from a Box of the exact quantities, and from one made of OpenCV's pose alone.
    """
    cam = kit.camera()
    x, rot, t = scene(kit, view, bearing_deg)
    cv_rot, cv_t = ippe(kit, cam, cv_corners(kit, cam, rot, t, 4))
    normal = kit.rotation(*x[:3]).T @ cv_rot[:, 2]
    cv_azimuth = np.arctan2(normal[0], normal[1])
    assert abs(wrap(cv_azimuth - x[9])) < AZIMUTH_RAD

    cv_centre = cv_t - cv_rot[:, 2] * kit.PANEL_M[2] / 2  # the box's middle lies behind its front
    cv_px = cam.f_px * cv_centre[:2] / cv_centre[2] + [cam.cx_px, cam.cy_px]
    cv_ln = np.log(kit.PANEL_M * cam.f_px / np.linalg.norm(cv_centre))
    measured = {"exact": box_quantities(cam, x), "opencv": (kit.sight_frame(cv_centre) @ cv_rot, cv_px, cv_ln)}
    known = [Direct("known", "", np.array([k]), x[k], 1e-6) for k in (0, 1, 2, 3, 4, 5, 6, 7, 8, 15, 16, 17, 18, 19)]
    for name, (r, px, ln_size) in measured.items():
        root = kit.root_of_corners(cam, r, px, ln_size, 0.3, slice(0, 8))
        box = Box("edges", name, np.arange(20), cam, r, px, ln_size, root, np.zeros(len(root)))
        start = x.copy()
        start[9:15] += [0.15, -0.05, 0.05, 0.5, -0.5, 0.3]
        got = adjust([box, *known], start)
        assert abs(wrap(got.x[9] - cv_azimuth)) < AZIMUTH_RAD, name


def test_landmark_pixel_is_where_opencv_projects_it(kit):
    cam = replace(DISTORTED, aspect=1.0)
    x, _, _ = scene(kit, VIEWS[1], 130.0)
    point = x[12:15] + np.array([3.0, -1.0, 0.7])
    cam_from_enu = kit.rotation(*x[:3])
    want, _ = cv2.projectPoints(
        point[None],
        cv2.Rodrigues(cam_from_enu)[0],
        -cam_from_enu @ x[3:6],
        matrix(cam),
        np.array([cam.k1, cam.k2, 0, 0]),
    )
    o = landmark_at(cam, want.ravel())
    assert np.abs(o.residual(np.append(x[:9], point))).max() < 1e-6  # px


def test_bearing_of_a_landmarks_pixel_is_its_azimuth_in_plan(kit):
    """The pixel by cv2.projectPoints, with a lens 2 % longer than nominal and its axis off the picture's middle."""
    cam = kit.camera()
    x, _, _ = scene(kit, VIEWS[1], 130.0)
    x[6:9] = np.log(1.02), 14.0, -9.0
    point = x[12:15] + np.array([3.0, -1.0, 0.7])
    cam_from_enu = kit.rotation(*x[:3])
    lens = matrix(replace(cam, f_px=1.02 * cam.f_px, cx_px=cam.cx_px + 14.0, cy_px=cam.cy_px - 9.0))
    px, _ = cv2.projectPoints(point[None], cv2.Rodrigues(cam_from_enu)[0], -cam_from_enu @ x[3:6], lens, None)
    d = point - x[3:6]
    o = in_photo(cam, bearing_of(px.ravel(), np.arctan2(d[0], d[1]), 1.0))
    assert abs(o.residual(x[:9])[0]) < 1e-9  # rad


def seen_by_opencv(cam: Camera, cam_from_enu: np.ndarray, here: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Pixels (N, 2) of ENU points (N, 3)."""
    lens = np.array([cam.k1, cam.k2, 0, 0])
    px, _ = cv2.projectPoints(points - here, cv2.Rodrigues(cam_from_enu)[0], np.zeros(3), matrix(cam), lens)
    return px.reshape(-1, 2)


@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), [(140.0, 35.0), (178.5, 12.0), (-179.0, 50.0)])
def test_the_sun_lies_where_opencv_projects_it(kit, azimuth_deg, elevation_deg):
    cam = replace(DISTORTED, aspect=1.0)
    a, e = np.radians([azimuth_deg, elevation_deg])
    far = 1e6 * np.array([[np.sin(a) * np.cos(e), np.cos(a) * np.cos(e), np.sin(e)]])
    x = np.array([a + 0.2, e - 0.25, 0.05, 30.0, -20.0, 1.5, 0, 0, 0])
    px = seen_by_opencv(cam, kit.rotation(*x[:3]), np.zeros(3), far)[0]
    o = in_photo(cam, SunPixel(pixel=px, azimuth_rad=a, elevation_rad=e, covariance=np.eye(2)))
    assert np.abs(o.residual(x)).max() < 1e-9  # rad
    turned = x + np.array([0.01, 0, 0, 0, 0, 0, 0, 0, 0])
    assert o.residual(turned) == pytest.approx([0.01 * np.cos(e), 0.0], abs=1e-9)


@pytest.mark.parametrize("camera_up_m", [1.5, 9.0])
@pytest.mark.parametrize("sun_deg", [(100.0, 20.0), (250.0, 55.0), (359.0, 8.0)])
def test_a_shadow_drawn_by_opencv_has_the_suns_azimuth(kit, camera_up_m, sun_deg):
    """A rod of 1 m on level ground, whose tip's shadow lies where the light past its top meets the ground."""
    a, e = np.radians(sun_deg)
    to_sun = np.array([np.sin(a) * np.cos(e), np.cos(a) * np.cos(e), np.sin(e)])
    foot = np.array([3.0, 14.0, 0.0])
    tip = foot + np.array([0, 0, 1.0]) - to_sun / to_sun[2]
    cam = replace(DISTORTED, aspect=1.0)
    x = np.array([0.1, -0.2, 0.04, 0.0, 0.0, camera_up_m, 0, 0, 0])
    px = seen_by_opencv(cam, kit.rotation(*x[:3]), x[3:6], np.array([foot, tip]))
    o = in_photo(cam, Shadow(name="shadow", foot_px=px[0], tip_px=px[1], azimuth_rad=a + np.pi, sigma_rad=1.0))
    assert abs(o.residual(x)[0]) < 1e-9  # rad
    assert o.residual(x + 0.02 * np.eye(9)[0]) == pytest.approx(0.02, abs=1e-9)
    higher = x + 5.0 * np.eye(9)[5]
    assert abs(o.residual(higher)[0]) < 1e-9, "the camera's height does not matter"


@pytest.mark.parametrize("heading_deg", [0.0, 178.0, 250.0])
def test_plumb_pipes_fix_roll_and_pitch_of_a_photo(kit, heading_deg):
    """Pipes projected by cv2.projectPoints and drawn; the lens 2 % longer than assumed, its axis 10 px off."""
    cam = replace(kit.camera(), f_px=1200.0, cx_px=799.5, cy_px=599.5, width_px=1600, height_px=1200)
    truth = np.array([*np.radians([heading_deg, 22.0, 1.4]), 0, 0, 0, np.log(1.02), 10.0, -6.0])
    lens = matrix(replace(cam, f_px=1.02 * cam.f_px, cx_px=cam.cx_px + 10.0, cy_px=cam.cy_px - 6.0))
    cam_from_enu = kit.rotation(*truth[:3])
    image = np.full((1200, 1600), 190, np.uint8)
    for side in np.linspace(-12, 12, 9):
        b = truth[0] + np.arctan2(side, 25.0)
        ends = np.hypot(side, 25.0) * np.array([[np.sin(b), np.cos(b), 0.2], [np.sin(b), np.cos(b), 0.75]])
        px = cv2.projectPoints(ends, cv2.Rodrigues(cam_from_enu)[0], np.zeros(3), lens, None)[0].reshape(-1, 2)
        p, q = np.round(px * 256).astype(int).tolist()
        cv2.line(image, p, q, 60, 9, cv2.LINE_AA, shift=8)
    before = np.radians([21.0, 1.5, 0.0, 1.5])
    keys = ("pitch_rad", "pitch_sigma_rad", "roll_rad", "roll_sigma_rad")
    seen = find_verticals(cv2.GaussianBlur(image, (0, 0), 0.8), cam, **dict(zip(keys, before.tolist(), strict=True)))
    assert seen is not None
    layout = Layout(("a", "b"), ())
    index = layout.photo("b", *PLUMB_FIELDS)
    o = plumb("verticals in b", index, seen)
    assert o.testable
    state = truth[[1, 2, 6, 7, 8]]
    assert np.linalg.norm(o.residual(state)) < 2.0
    known = [
        Direct("pitch", "", index[:1], before[0], before[1], angle=True),
        Direct("roll", "", index[1:2], before[2], before[3], angle=True),
        *(Direct("lens", "", index[k : k + 1], state[k], 1e-6) for k in (2, 3, 4)),
    ]
    others = [Direct("other", "", np.array([k]), 0.0, 1.0) for k in np.setdiff1d(np.arange(layout.size), index)]
    got = adjust([o, *known, *others], np.zeros(layout.size))
    off = np.degrees(got.x[index[:2]] - truth[1:3])
    # degrees: the roll to the 0.3 that is asked for, the pitch better than it was known
    assert abs(off[1]) < 0.3
    assert abs(off[0]) < 1.0


def test_focal_length_and_distance_cannot_be_told_apart_by_a_box(kit):
    """A lens longer by a tenth and a panel further by a tenth leave rotation and apparent size as they are."""
    cam = kit.camera()
    x, _, _ = scene(kit, (10.0, 3.0, 0.0, 0.0, 0.0, 0.0, 50.0, 45.0), 80.0)
    longer = x.copy()
    longer[6] = np.log(1.1)
    longer[12:15] = x[3:6] + 1.1 * (x[12:15] - x[3:6])
    for a, b in zip(box_quantities(cam, x), box_quantities(cam, longer), strict=True):
        np.testing.assert_allclose(a, b, rtol=0, atol=1e-9 * np.abs(a).max())
