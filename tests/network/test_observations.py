"""Every observation class: derivatives against differences, geometry against OpenCV, angles across north's back."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from photoaz.network.adjust import adjust, linearise
from photoaz.network.heading_aids import AidObservation, HeadingAid, LandmarkPixel, PixelBearing, Shadow, SunPixel
from photoaz.network.observations import (
    PLUMB_FIELDS,
    Box,
    Direct,
    Directs,
    Known,
    arctan2,
    box_quantities,
    plumb,
    wrap,
)
from photoaz.network.parameters import Layout
from photoaz.photo.camera import Camera, rotation_cam_from_enu
from photoaz.vision.verticals import Verticals, find_verticals

#: agreement of complex steps with differences, of the largest derivative in the row: what differences can give
DIFFERENCE = 1e-6
AZIMUTH_RAD = 1e-6

DISTORTED = Camera(
    width_px=4032, height_px=3024, f_px=3100.0, cx_px=2010.0, cy_px=1520.0, k1=0.05, k2=-0.02, aspect=1.002
)
TAIL = 3  # unknowns that stand before and after those an observation depends on
#: step of a difference for each unknown of PHOTO, ANTENNA, SITE and LANDMARK
PHOTO_STEP = [1e-4] * 3 + [1e-2] * 3 + [1e-4] + [1e-1] * 2
ANTENNA_STEP = [1e-4] * 3 + [1e-2] * 3 + [1e-4] * 3


def photo_state(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A photo's unknowns, taken somewhere round the tower, and the ENU point its axis meets some way up."""
    bearing, distance = rng.uniform(-np.pi, np.pi), rng.uniform(25.0, 150.0)
    here = np.array([distance * np.sin(bearing), distance * np.cos(bearing), rng.uniform(0.5, 4.0)])
    head = np.array([*rng.uniform(-1.5, 1.5, 2), rng.uniform(15.0, 60.0)])
    d = head - here
    heading = np.arctan2(d[0], d[1]) + rng.uniform(-0.1, 0.1)
    pitch = np.arctan2(d[2], np.hypot(*d[:2])) + rng.uniform(-0.1, 0.1)
    return np.array([heading, pitch, rng.uniform(-0.6, 0.6), *here, *rng.normal(0, [0.02, 8.0, 8.0])]), head


def box_state(rng: np.random.Generator) -> np.ndarray:
    photo, head = photo_state(rng)
    back = np.arctan2(*(photo[3:5] - head[:2]))
    site = rng.normal(0, 1.0, 2)
    antenna = [back + rng.uniform(-1.4, 1.4), *rng.uniform(-0.2, 0.2, 2), *(head[:2] - site), head[2]]
    return np.concatenate([photo, antenna, np.log([0.3, 1.9, 0.14]) + rng.normal(0, 0.2, 3), site])


def make_box(rng: np.random.Generator, at: np.ndarray) -> tuple[Box, np.ndarray]:
    """A box as measured at a state a little off `at`, with any correlation between its quantities."""
    index = np.arange(20)
    rot, px, ln_size = box_quantities(DISTORTED, at + rng.normal(0, 0.02, 20))
    root = rng.standard_normal((7, 8)) @ np.diag([200.0] * 3 + [3.0] * 2 + [100.0] * 3)
    box = Box("edges", "box", index, DISTORTED, rot, px, ln_size, root, rng.standard_normal(7))
    return box, np.array(PHOTO_STEP + ANTENNA_STEP + [1e-2] * 2)


def in_photo(cam: Camera, aid: HeadingAid) -> AidObservation:
    return AidObservation(aid, cam, "l", np.arange(9))


def bearing_of(pixel: np.ndarray, azimuth_rad: float, sigma_rad: float) -> PixelBearing:
    return PixelBearing(name="b", pixel=pixel, azimuth_rad=azimuth_rad, sigma_rad=sigma_rad)


def landmark_at(cam: Camera, pixel: np.ndarray) -> AidObservation:
    aid = LandmarkPixel(name="m", pixel=pixel, enu_m=np.zeros(3), sigma_m=2.0, height_sigma_m=5.0)
    return AidObservation(aid, cam, "l", np.arange(12))


def case(kind: str, rng: np.random.Generator) -> tuple[Any, np.ndarray, np.ndarray]:
    """An observation, a state of what it depends on and the steps of a difference."""
    photo, head = photo_state(rng)
    one, pixel = np.array([0]), rng.uniform(200, 2800, 2)
    match kind:
        case "direct":
            return Direct("s", "l", one, 0.3, 0.7), rng.normal(0, 3, 1), np.array([1e-3])
        case "direct angle":
            return Direct("s", "l", one, rng.uniform(-4, 4), 0.1, angle=True), rng.uniform(-4, 4, 1), np.array([1e-4])
        case "sizes":
            o = Directs("s", "l", np.arange(3), rng.normal(0, 1, 3), rng.uniform(0.01, 0.3, 3))
            return o, rng.normal(0, 1, 3), np.full(3, 1e-3)
        case "standpoint":
            return Directs("s", "l", np.arange(2), rng.normal(0, 50, 2), 4.0), rng.normal(0, 50, 2), np.full(2, 1e-2)
        case "known":
            o = Known("s", "l", np.arange(4), rng.normal(0, 1, 4), rng.normal(0, 9, (3, 4)), rng.normal(0, 1, 3))
            return o, rng.normal(0, 1, 4), np.full(4, 1e-3)
        case "known angles":
            o = Known("s", "l", np.arange(2), rng.uniform(-7, 7, 2), rng.normal(0, 9, (2, 2)), np.zeros(2), angles=True)
            return o, rng.uniform(-4, 4, 2), np.full(2, 1e-4)
        case "plumb":
            seen = Verticals(
                mean=rng.normal(0, 0.3, 2),
                root=rng.normal(0, 100, (2, 5)) * [1, 1, 0.1, 1e-4, 1e-4],
                offset=rng.normal(0, 1, 2),
                sigma_roll_rad=0.01,
                lines_px=np.zeros((0, 2, 2)),
                share=np.zeros(0),
                plumb=np.zeros(0),
            )
            return plumb("l", np.arange(5), seen), rng.normal(0, 0.1, 5), np.array([1e-4] * 3 + [1e-1] * 2)
        case "landmark":
            o = landmark_at(DISTORTED, pixel)
            away = head + 10.0 * (head - photo[3:6])
            return o, np.append(photo, away), np.array(PHOTO_STEP + [1e-1] * 3)
        case "bearing":
            o = in_photo(DISTORTED, bearing_of(pixel, rng.uniform(-np.pi, np.pi), 0.005))
            return o, photo, np.array(PHOTO_STEP)
        case "sun":
            covariance = np.linalg.inv(np.array([[96400.0, 20000.0], [20000.0, 62500.0]]))
            azimuth, elevation = rng.uniform(-np.pi, np.pi), rng.uniform(0.0, 1.2)
            sun = SunPixel(pixel=pixel, azimuth_rad=azimuth, elevation_rad=elevation, covariance=covariance)
            return in_photo(DISTORTED, sun), photo, np.array(PHOTO_STEP)
        case "shadow":
            photo[1] = rng.uniform(-0.5, 0.5)  # ends above the horizon too: there it means nothing, and must not break
            other = pixel + rng.uniform(50, 600, 2) * rng.choice([-1, 1], 2)
            azimuth = rng.uniform(-np.pi, np.pi)
            shadow = Shadow(name="s", foot_px=pixel, tip_px=other, azimuth_rad=azimuth, sigma_rad=0.02)
            return in_photo(DISTORTED, shadow), photo, np.array(PHOTO_STEP)
        case "box":
            x = box_state(rng)
            o, step = make_box(rng, x)
            return o, x, step
    raise AssertionError(kind)


KINDS = [
    "direct",
    "direct angle",
    "sizes",
    "standpoint",
    "known",
    "known angles",
    "plumb",
    "landmark",
    "bearing",
    "sun",
    "shadow",
    "box",
]
seeds = st.integers(0, 2**32 - 1)


def differences(o: Any, x: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Central differences of fourth order of a residual (m,) by x (n,): (m, n)."""
    columns = []
    for k, h in enumerate(step):
        e = np.zeros(len(x))
        e[k] = h
        near, far = o.residual(x + e) - o.residual(x - e), o.residual(x + 2 * e) - o.residual(x - 2 * e)
        columns.append((8 * near - far) / (12 * h))
    return np.stack(columns, -1)


def crosses_the_back(o: Any, x: np.ndarray, step: np.ndarray) -> bool:
    """Whether a wrapped residual jumps within the steps of the difference: there it has no derivative."""
    reach = np.pi - 0.02
    aid = o.aid if isinstance(o, AidObservation) else None
    if isinstance(aid, PixelBearing | Shadow):
        return bool(np.abs(o.residual(x) * aid.sigma_rad).max() > reach)
    if isinstance(aid, SunPixel):
        azimuth = np.linalg.solve(aid.root, o.residual(x))[0] / np.cos(aid.elevation_rad)
        return bool(abs(azimuth) > reach)
    return isinstance(o, Direct) and o.angle and bool(np.abs(o.residual(x) * o.sigma).max() > reach)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25, deadline=None)
@given(seeds)
def test_derivatives_equal_central_differences(kind, seed):
    """Complex steps (Squire & Trapp 1998) against differences, in the columns that the index says."""
    rng = np.random.default_rng(seed)
    o, x, step = case(kind, rng)
    if crosses_the_back(o, x, step):
        return
    n = len(x)
    index = rng.permutation(n + TAIL)[:n]
    whole = rng.standard_normal(n + TAIL)
    whole[index] = x
    residual, jacobian, rows = linearise([replace(o, index=index)], whole)
    want = differences(o, x, step)
    assert rows == (slice(0, len(want)),)
    np.testing.assert_allclose(residual, o.residual(x), rtol=1e-12, atol=1e-12 * np.abs(residual).max())
    # per unknown in its step's unit, so that metres, pixels and radians weigh alike
    gap = np.abs(jacobian[:, index] - want) * step
    assert gap.max() <= DIFFERENCE * max(np.abs(want * step).max(), 1e-9)
    others = np.setdiff1d(np.arange(n + TAIL), index)
    assert not jacobian[:, others].any()


@pytest.mark.parametrize("kind", KINDS)
def test_residuals_of_a_batch_are_those_of_each_state(kind):
    rng = np.random.default_rng(8)
    o, x, step = case(kind, rng)
    batch = x + 3.0 * step * rng.standard_normal((4, 2, len(x)))
    got = o.residual(batch)
    assert got.shape[:2] == (4, 2)
    for i in np.ndindex(4, 2):
        alone = o.residual(batch[i])
        np.testing.assert_allclose(got[i], alone, rtol=1e-12, atol=1e-12 * np.abs(alone).max())


def test_observations_one_after_another_keep_their_rows():
    first, second = Direct("s", "l", np.array([1]), 2.0, 0.5), Directs("s", "l", np.arange(3), np.ones(3), np.ones(3))
    r, j, rows = linearise([first, second], np.array([1.0, 3.0, 5.0]))
    assert rows == (slice(0, 1), slice(1, 4))
    assert r.tolist() == [2.0, 0.0, 2.0, 4.0]
    assert j.tolist() == [[0.0, 2.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]


# ---- angles ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said_deg", "is_deg", "off_deg"), [(179, -179, 2), (-179, 179, -2), (1, 359, -2), (350, -5, 5)]
)
def test_angles_are_compared_across_north_and_south(said_deg, is_deg, off_deg):
    o = Direct("compass", "l", np.array([0]), np.radians(said_deg), np.radians(2.0), angle=True)
    assert np.degrees(o.residual(np.radians([float(is_deg)])) * o.sigma)[0] == pytest.approx(off_deg, abs=1e-9)


def test_a_compass_behind_south_is_averaged_over_south_not_over_north():
    index = np.array([0])
    said = [Direct("compass", "l", index, np.radians(v), np.radians(3.0), angle=True) for v in (176.0, -178.0)]
    got = adjust(said, np.radians([170.0]))
    assert np.degrees(got.x[0]) == pytest.approx(179.0, abs=1e-6)


def test_a_bearing_is_compared_across_south(kit):
    cam = kit.camera()
    x = np.array([np.radians(179.5), 0, 0, 0, 0, 1.5, 0, 0, 0])
    middle = np.array([cam.cx_px, cam.cy_px])
    o = in_photo(cam, bearing_of(middle, np.radians(-179.5), np.radians(1.0)))
    assert o.residual(x)[0] == pytest.approx(-1.0, abs=1e-9)


@given(st.floats(-50, 50))
def test_wrap_gives_the_same_direction_within_half_a_turn(angle):
    got = float(wrap(np.array(angle)))
    assert abs(got) <= np.pi * (1 + 1e-12)
    assert abs(np.exp(1j * got) - np.exp(1j * angle)) < 1e-12


@given(st.floats(-5, 5), st.floats(-5, 5))
def test_arctan2_is_numpys_and_takes_complex_steps(y, x):
    if np.hypot(y, x) < 1e-2:
        return
    assert float(arctan2(np.array(y), np.array(x))) == np.arctan2(y, x)
    by_y = arctan2(np.array(y + 1e-30j), np.array(x)).imag / 1e-30
    by_x = arctan2(np.array(y), np.array(x + 1e-30j)).imag / 1e-30
    # d atan2(y, x) = (x dy - y dx) / (x^2 + y^2)
    assert (by_y, by_x) == pytest.approx((x / (x * x + y * y), -y / (x * x + y * y)), rel=1e-12)


# ---- OpenCV ---------------------------------------------------------------------------------------------------------

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


# ---- the camera's roll ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("elevation_deg", [20.0, 45.0, 60.0])
def test_roll_moves_a_plumb_sight_by_the_tangent_of_its_elevation(elevation_deg):
    """d(azimuth) / d(roll) = tan(elevation) for a camera that looks level: common practice, no source.

    At 45 degrees a degree of roll not accounted for is a degree of azimuth.
    """
    e, r = np.radians(elevation_deg), np.radians(0.01)
    seen = rotation_cam_from_enu(0.0, 0.0, r) @ [0.0, np.cos(e), np.sin(e)]
    taken_for = rotation_cam_from_enu(0.0, 0.0, 0.0).T @ seen
    moved = np.arctan2(taken_for[0], taken_for[1])
    assert moved / r == pytest.approx(-np.tan(e), rel=1e-4)  # the camera turned clockwise: what is above goes left


@pytest.mark.parametrize("elevation_deg", [20.0, 45.0, 60.0])
def test_roll_said_wrong_moves_a_boxs_azimuth_by_the_tangent_of_its_elevation(kit, elevation_deg):
    """The same in a network whose heading comes from the two positions, and whose panel hangs on a free pipe."""
    cam = kit.camera()
    e, b, wrong = np.radians(elevation_deg), np.radians(80.0), np.radians(0.05)
    here = 50.0 * np.array([np.sin(b), np.cos(b), 0.0]) + [0, 0, 1.5]
    centre = np.array([0.0, 0.0, 1.5 + 50.0 * np.tan(e)])
    photo = [b + np.pi, 0.0, 0.0, *here, 0.0, 0.0, 0.0]
    x = np.array([*photo, b + np.radians(20.0), 0.0, 0.0, *centre, *np.log(kit.PANEL_M), 0.0, 0.0])
    rot, px, ln_size = box_quantities(cam, x)
    root = kit.root_of_corners(cam, rot, px, ln_size, 0.3, slice(0, 8))
    box = Box("edges", "box", np.arange(20), cam, rot, px, ln_size, root, np.zeros(len(root)))
    free = {0: 1.0, 9: 1.0, 10: 1.0, 11: 1.0}  # heading and the panel's three angles
    fixed = [Direct("known", "", np.array([k]), x[k] + wrong * (k == 2), free.get(k, 1e-7)) for k in range(20)]
    got = adjust([box, *fixed], x)
    # a camera thought to be turned clockwise takes what is above its axis for further right: its heading moves left
    assert (got.x[9] - x[9]) / wrong == pytest.approx(-np.tan(e), rel=0.005)
