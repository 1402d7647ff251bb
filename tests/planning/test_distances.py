"""The plumb sight against projected edges and drawn errors, and where it is best."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from photoaz.planning.distances import sight_error_rad
from photoaz.quantities import RADIUS_95

ROLL_RAD = float(np.radians(1.0))
#: 5 m as telephones' stated accuracy is often read, a 95 % radius; per axis
POSITION_M = 5.0 / RADIUS_95


def edge_tilt(distance: float, height: float, yaw: float) -> float:
    """Tilt in the picture of the level lower edge of a face yawed off the sight, a level camera aimed at it; projected

    by elementary trigonometry, not by photoaz.
    """
    e = np.arctan2(height, distance)
    half = 0.01 * np.array([np.cos(yaw), np.sin(yaw), 0.0])  # east, away, up
    ends = np.stack([half, -half]) + np.array([0.0, distance, height])
    forward = np.array([0.0, np.cos(e), np.sin(e)])
    up = np.array([0.0, -np.sin(e), np.cos(e)])
    x, y = ends[:, 0] / (ends @ forward), (ends @ up) / (ends @ forward)
    return float(np.arctan2(y[0] - y[1], x[0] - x[1]))


@pytest.mark.parametrize("distance", [20.0, 45.0, 110.0])
def test_a_rolled_camera_is_taken_for_a_yawed_face(distance: float) -> None:
    """The yaw whose edge, projected, tilts as much as the roll is what the formula says, position apart."""
    yaw = float(sight_error_rad(distance, 45.0, ROLL_RAD, 1e-12))
    assert abs(edge_tilt(distance, 45.0, yaw)) == pytest.approx(ROLL_RAD, rel=1e-4)


def test_error_is_that_of_drawn_sights() -> None:
    rng = np.random.default_rng(20261)
    n, distance, height = 200_000, 60.0, 45.0
    yaw = np.arctan(np.tan(rng.normal(0, ROLL_RAD, n)) * np.hypot(distance, height) / height)
    drawn = yaw + np.arctan2(rng.normal(0, POSITION_M, n), distance)
    # the spread of a standard deviation from n draws is 1 / sqrt(2 n)
    assert sight_error_rad(distance, height, ROLL_RAD, POSITION_M) == pytest.approx(drawn.std(), rel=4 / np.sqrt(2 * n))


def best_distance_m(height: float) -> float:
    """Where the error is least: r^2 (1 + d^2 / h^2) + p^2 / d^2 at small angles, so sqrt(p h / r); found by search."""
    found = minimize_scalar(
        lambda d: float(sight_error_rad(d, height, ROLL_RAD, POSITION_M)), bounds=(5.0, 500.0), method="bounded"
    ).x
    assert found == pytest.approx(np.sqrt(POSITION_M * height / ROLL_RAD), rel=0.02)
    return float(found)


@pytest.mark.parametrize("height", [53.0, 60.0, 80.0, 100.0, 150.0, 230.0])
def test_as_far_out_as_high_emerges(height: float) -> None:
    """1:1, common practice without a source: the minimum lies at 0.7 to 1.5 heights for antennas 53 to 230 m up."""
    assert 0.7 <= best_distance_m(height) / height <= 1.5


@pytest.mark.parametrize(("height", "out", "dearer"), [(25.0, 2.16, 1.52), (45.0, 1.61, 1.19)])
def test_lower_antennas_want_more_distance(height: float, out: float, dearer: float) -> None:
    """On lower towers the best is further out than high.

    By hand: sqrt(2.043 / 0.01745 / h) heights; and what one height costs against it, from r^2 (1 + d^2 / h^2) +
    p^2 / d^2.
    """
    best = best_distance_m(height)
    assert best / height == pytest.approx(out, abs=0.02)
    at = sight_error_rad([best, height, 0.5 * height], height, ROLL_RAD, POSITION_M)
    assert at[1] / at[0] == pytest.approx(dearer, abs=0.02)
    assert at[2] > at[1]
