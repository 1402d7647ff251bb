"""Every observation class: derivatives against differences, angles across north's back, the camera's roll."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from photoaz.network.adjust import adjust, linearise
from photoaz.network.heading_aids import AidObservation, HeadingAid, LandmarkPixel, PixelBearing, Shadow, SunPixel
from photoaz.network.observations import (
    Box,
    Direct,
    Directs,
    Known,
    arctan2,
    box_quantities,
    plumb,
    wrap,
)
from photoaz.photo.camera import Camera, rotation_cam_from_enu
from photoaz.vision.verticals import Verticals

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
