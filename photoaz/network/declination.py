"""The declination model's error: one error of all of a site's magnetic compasses, and of its magnetic readings.

The adjustment holds each compass's own error; what all have in common is an input quantity of its own, whose part of an
unknown's uncertainty is its sensitivity times its standard uncertainty (JCGM 100:2008, 5.1.3 and 5.2). It does not
average out over photos.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import COMPASS
from photoaz.network.compass import compass_sigma, is_compass
from photoaz.network.observations import Direct, Known, Observation
from photoaz.network.parameters import Layout
from photoaz.network.site import PhotoObservations

Array = NDArray[Any]

#: the declination's name in the error budget
DECLINATION = "declination"


def declination_pull(
    observations: Sequence[Observation], photos: Sequence[PhotoObservations], layout: Layout, size: int
) -> Array:
    """What one standard uncertainty of the declination does to the right side of the normal equations (P,).

    Times the covariance (P, P) it is what it does to the unknowns [rad, m]: a compass's heading moves by its part of
    the declination, and the unknowns follow by C J^T. A compass that is left out has no part; one that is held to be
    disturbed, and so weighs little, has little.
    """
    out = np.zeros(size)
    common = {
        int(layout.photo(p.name, "heading")[0]): a.declination_sigma_rad
        for p in photos
        for a in p.headings
        if a.source == COMPASS
    }
    for o in observations:
        if isinstance(o, (Direct, Known)) and is_compass(o):
            out[o.index] += common.get(int(o.index[0]), 0.0) / compass_sigma(o) ** 2
    return out
