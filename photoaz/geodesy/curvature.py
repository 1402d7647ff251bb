"""What the earth's curvature and the air's refraction do to how high things seem to stand."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from photoaz.quantities import EARTH_RADIUS_M, REFRACTION_K


def drop_m(distance_m: ArrayLike, refraction_k: float = REFRACTION_K) -> NDArray[Any]:
    """How far [m] something at a distance (...) [m] seems to lie lower, by the earth's curvature less refraction.

    d^2 (1 - k) / 2R: the line of sight bends with a radius R/k, so that the earth seems to have the radius R/(1 - k).
    """
    d = np.asarray(distance_m, float)
    return np.asarray(d * d * (1.0 - refraction_k) / (2.0 * EARTH_RADIUS_M))


def dip_rad(height_m: ArrayLike, refraction_k: float = REFRACTION_K) -> NDArray[Any]:
    """How far [rad] the sea's horizon lies below level, seen from heights (...) [m] above it: sqrt(2 h (1 - k) / R)."""
    height = np.maximum(np.asarray(height_m, float), 0.0)
    return np.asarray(np.sqrt(2.0 * height * (1.0 - refraction_k) / EARTH_RADIUS_M))
