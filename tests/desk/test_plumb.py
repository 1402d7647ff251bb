"""A plumb line tells the camera's roll: lines projected by another route give back the roll they were made with."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from photoaz.desk.app import roll_of_plumb_line
from photoaz.photo.camera import Camera

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)


def seen(point: np.ndarray, pitch_deg: float, roll_deg: float) -> tuple[float, float]:
    """Pixel of a point (right, forward, up) of the level camera, by scipy's rotations: pitch, then roll clockwise."""
    turned = Rotation.from_euler("x", -pitch_deg, degrees=True).apply(point)
    turned = Rotation.from_euler("y", -roll_deg, degrees=True).apply(turned)
    right, forward, up = turned
    return 1999.5 + 3000.0 * right / forward, 1499.5 - 3000.0 * up / forward


@pytest.mark.parametrize("pitch", [0.0, 18.0, 35.0])
@pytest.mark.parametrize("roll", [-7.0, 0.0, 2.5])
@pytest.mark.parametrize("aside", [-12.0, 0.0, 9.0])
def test_the_roll_of_a_known_camera(pitch: float, roll: float, aside: float) -> None:
    ends = tuple(seen(np.array([aside, 50.0, up]), pitch, roll) for up in (12.0, 38.0))
    got, u95 = roll_of_plumb_line(CAMERA, pitch, (ends[0], ends[1]))
    assert got == pytest.approx(roll, abs=1e-6)  # degrees: rounding only
    assert 0.49 < u95 < 0.7  # of 0.25 degrees for the edge itself, one standard uncertainty


def test_the_ends_may_come_in_any_order() -> None:
    a, b = (seen(np.array([3.0, 50.0, up]), 20.0, 1.5) for up in (12.0, 38.0))
    assert roll_of_plumb_line(CAMERA, 20.0, (a, b)) == pytest.approx(roll_of_plumb_line(CAMERA, 20.0, (b, a)))


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        (((100.0, 100.0), (101.0, 105.0)), "20 px"),
        (((100.0, 1500.0), (3000.0, 1490.0)), "lies rather than stands"),
    ],
)
def test_what_is_no_plumb_line(ends: tuple[tuple[float, float], tuple[float, float]], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        roll_of_plumb_line(CAMERA, 5.0, ends)
