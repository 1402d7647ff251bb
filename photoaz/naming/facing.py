"""Which way antennas face: what the register makes likely, what a candidate's rough yaw says, on a grid of azimuths.

Beliefs are probabilities over `GRID`; likelihoods are relative to 'any yaw is as likely', so that 1 says nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from photoaz import quantities as q
from photoaz.angles import Array, azimuth_rad, wrap_rad
from photoaz.priors import Priors
from photoaz.vision.finder import PanelCandidate

BINS = 120
STEP_RAD = 2.0 * np.pi / BINS
#: a belief nowhere more than so many times as likely as anything has no peak
NO_PEAK = 1.5
#: azimuths [rad]: every three degrees from north
GRID: Array = np.arange(BINS) * STEP_RAD


def bell(off_rad: Array, sigma_rad: float | Array) -> Array:
    """Wrapped normal density over angles, times the whole turn: relative to 'anything', which is 1."""
    near = np.abs(wrap_rad(off_rad))
    # what comes round from behind matters to wide ones alone, and no further turn does up to 2 rad
    images = np.exp(-0.5 * (near / sigma_rad) ** 2) + np.exp(-0.5 * ((2.0 * np.pi - near) / sigma_rad) ** 2)
    return np.asarray(images * (np.sqrt(2.0 * np.pi) / sigma_rad))


def prior_beliefs(design_rad: Array, known: Priors | None = None) -> Array:
    """Beliefs (m, BINS) about antennas' azimuths from their designs (m,) alone, those of the usual tolerance.

    A design of NaN is not known: any azimuth is as likely.
    """
    off = np.nan_to_num(GRID - design_rad[:, None])
    b = np.zeros_like(off)
    for share, sigma_deg in (known or Priors()).deviations(q.DESIGN_TOLERANCE_DEG):
        b += share * bell(off, np.radians(sigma_deg)) if np.isfinite(sigma_deg) else share
    b[np.isnan(design_rad)] = 1.0
    return np.asarray(b / b.sum(-1, keepdims=True))


def _yaw_likelihood(candidate: PanelCandidate, yaw_rad: Array) -> Array:
    """Likelihood (...) of a candidate's look if its true yaw is yaw_rad (...)."""
    turned = np.cos(candidate.yaw_rad) < 0.0
    front = float(wrap_rad(candidate.yaw_rad + np.pi * turned))
    p = min(max(candidate.front, 1.0 - q.FRONT_LIMIT), q.FRONT_LIMIT)
    mirrored = q.YAW_MIRRORED[0] if abs(front) < q.NEAR_FACE_ON_RAD else q.YAW_MIRRORED[1]

    def seen_at(yaw: Array) -> Array:
        # a box's side walls may be taken for each other: mirrored
        return (1 - mirrored) * bell(yaw - front, q.YAW_SIGMA_RAD) + mirrored * bell(yaw + front, q.YAW_SIGMA_RAD)

    # and it looks alike from front and rear: half a turn
    look = p * seen_at(yaw_rad) + (1 - p) * seen_at(yaw_rad - np.pi)
    return q.YAW_NONSENSE_SHARE + (1.0 - q.YAW_NONSENSE_SHARE) * look


#: bin of the yaw, by bins of the direction to the tower and of the azimuth: yaw = azimuth - (direction + half a turn)
_YAW_BIN = (np.arange(BINS)[None, :] - np.arange(BINS)[:, None] - BINS // 2) % BINS


def azimuth_likelihoods(candidates: Sequence[PanelCandidate], off_axis_rad: Array) -> Array:
    """Likelihood (n, BINS, BINS) of candidates by direction to the tower and by azimuth of the antenna.

    off_axis_rad (n,): direction to the candidate less that to the tower.
    """
    out = np.empty((len(candidates), BINS, BINS))
    for k, c in enumerate(candidates):
        out[k] = _yaw_likelihood(c, GRID - off_axis_rad[k])[_YAW_BIN]
    return out


def mean_azimuth(belief: Array) -> tuple[float, float]:
    """Azimuth [rad] of a belief's peak and the spread [rad] about it within 60 degrees; NaN where there is no peak."""
    if float(belief.max()) < NO_PEAK / BINS:
        return np.nan, np.pi / np.sqrt(3.0)
    peak = int(np.argmax(belief))
    off = (np.arange(BINS) - peak + BINS // 2) % BINS - BINS // 2
    near = np.abs(off) <= BINS // 6
    w = belief[near] / belief[near].sum()
    mean = float((w * off[near]).sum())
    sigma = float(np.sqrt((w * (off[near] - mean) ** 2).sum())) * STEP_RAD
    return azimuth_rad(float(GRID[peak] + mean * STEP_RAD)), max(sigma, STEP_RAD / np.sqrt(12.0))
