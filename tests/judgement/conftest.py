"""What is known and what was measured of a deviation, weighed on a grid round the circle with scipy's densities."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

STEP_DEG = 0.01


def _wrapped(x, sigma):
    if sigma > 1e3:
        return np.full_like(x, 1.0 / 360.0)
    turns = range(-1 - int(8 * sigma / 360), 2 + int(8 * sigma / 360))
    return sum(stats.norm.pdf(x + 360.0 * k, 0.0, sigma) for k in turns)


def weigh(parts, known, limit):
    """Probability of a deviation beyond +-limit. parts: (deviation, sigma, weight) [deg]; known: (share, sigma)."""
    x = np.arange(-180.0, 180.0, STEP_DEG) + 0.5 * STEP_DEG
    density = sum(w * _wrapped(x - d, s) for d, s, w in parts) * sum(share * _wrapped(x, s) for share, s in known)
    return float(density[np.abs(x) > limit].sum() / density.sum())


@pytest.fixture(scope="session")
def weighed():
    return weigh
