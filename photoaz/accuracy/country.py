"""The country that drawn sites stand in."""

from __future__ import annotations

import numpy as np

from photoaz.angles import Array

#: from one hill to the next [m]
HILLS_APART_M = (250.0, 800.0)


def ground_m(site_id: str, hills_m: float, place: Array) -> float:
    """Height of the ground at a place (2,) over that at the tower [m].

    hills_m: how far hills and valleys are above and below the mean, 0 on the plain; where they lie goes by the site.
    """
    if hills_m == 0.0:
        return 0.0
    rng = np.random.default_rng(list(site_id.encode()))
    apart, way, phase = rng.uniform(*HILLS_APART_M, 4), rng.uniform(0.0, 2.0 * np.pi, 4), rng.uniform(0.0, 6.3, 4)
    waves = 2.0 * np.pi / apart * np.stack([np.sin(way), np.cos(way)])
    return float(hills_m * 0.25 * (np.sin(place @ waves + phase) - np.sin(phase)).sum())
