"""The camera's roll from a line in the photo that hangs plumb."""

from __future__ import annotations

import numpy as np

from photoaz.angles import wrap_rad
from photoaz.photo.camera import Camera, directions_from_pixels, rotation_cam_from_enu

Point = tuple[float, float]

#: what a mast's edge or a mount pipe is off the plumb line, and how well its ends are clicked (one standard
#: uncertainty; common practice, no source)
PLUMB_SIGMA_DEG = 0.25
CLICK_SIGMA_PX = 1.0


def roll_of_plumb_line(camera: Camera, pitch_deg: float, ends: tuple[Point, Point]) -> tuple[float, float]:
    """Roll [deg] at which a line between two pixels is plumb, and its expanded uncertainty.

    The plane through the camera and a plumb line holds the vertical, so its normal is level. Raises ValueError where
    the ends are too close, or the line is no more upright than level.
    """
    (x1, y1), (x2, y2) = ends
    length = float(np.hypot(x2 - x1, y2 - y1))
    if length < 20.0:
        raise ValueError("the two ends are less than 20 px apart: take them farther from each other")
    a, b = (np.asarray(directions_from_pixels(camera, np.array(p, float))) for p in ends)
    normal = np.cross(a, b)
    pitch = np.radians(pitch_deg)

    def off(roll: float) -> float:
        up = rotation_cam_from_enu(0.0, pitch, roll) @ np.array([0.0, 0.0, 1.0])
        return float(normal @ up / np.linalg.norm(normal))

    # off(roll) is A cos(roll) + B sin(roll) + C: the vertical turns about the optical axis
    c = 0.5 * (off(0.0) + off(np.pi))
    cos, sin = off(0.0) - c, off(np.pi / 2) - c
    size = float(np.hypot(cos, sin))
    if size < 1e-9 or abs(c) > size:
        raise ValueError("no roll makes this line plumb")
    middle, half = float(np.arctan2(sin, cos)), float(np.arccos(-c / size))
    roll = min((wrap_rad(middle + s * half) for s in (-1.0, 1.0)), key=abs)
    if abs(roll) > np.radians(45.0):
        raise ValueError("this line lies rather than stands: mark an edge that hangs plumb")
    sigma = np.hypot(PLUMB_SIGMA_DEG, np.degrees(np.sqrt(2.0) * CLICK_SIGMA_PX / length))
    return float(np.degrees(roll)), float(1.96 * sigma)
