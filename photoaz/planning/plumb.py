"""The plumb sight that people use without any program, and why nearer is worse: figures beside the forecast.

Somebody stands where the antenna's lower edge looks level, plumbs it with the camera, and takes the bearing between
their own position and the tower's as its azimuth. Two things turn that, at a distance d from a tower whose antennas are
h above the eye, e = atan(h / d):

- a camera rolled by r makes a level edge look tilted by r. An edge yawed by y off the line of sight is seen tilted by
  atan(tan(y) sin(e)), so the sight is off by y = atan(tan(r) / sin(e)), which grows with the distance;
- a position off by p across the line of sight turns the bearing by atan(p / d), which grows as one comes nearer.

For small angles the sum of squares r^2 (1 + d^2 / h^2) + p^2 / d^2 is least at d = sqrt(p h / r). The tilt of the edge
is plain perspective (a derivation, no source).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: 150 feet: not nearer than this, and as far out as high, and level within this (common practice, no source)
PRACTICE_LEAST_M = 45.72
PRACTICE_OUT_PER_UP = 1.0
PRACTICE_LEVEL_DEG = 1.0


def sight_error_rad(distance_m: ArrayLike, height_m: float, roll_rad: float, position_m: float) -> NDArray[np.float64]:
    """Standard uncertainty [rad] of a plumb sight's azimuth from a distance, as above.

    height_m: of the antenna above the eye; roll_rad, position_m: standard uncertainties, of the camera's roll and of
    its position across the line of sight.
    """
    d = np.asarray(distance_m, float)
    by_roll = np.arctan(np.tan(roll_rad) * np.hypot(d, height_m) / height_m)
    return np.asarray(np.hypot(by_roll, np.arctan2(position_m, d)))


def best_distance_m(height_m: float, roll_rad: float, position_m: float) -> float:
    """Where that is least, for small angles."""
    return math.sqrt(position_m * height_m / roll_rad)
