"""Which way antennas face: what the register makes likely, what a candidate's rough yaw says, on a grid of azimuths.

Beliefs are probabilities over `GRID`; likelihoods are relative to 'any yaw is as likely', so that 1 says nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.finder import PanelCandidate

Array = NDArray[Any]

BINS = 120
STEP_RAD = 2.0 * np.pi / BINS
#: azimuths [rad]: every three degrees from north
GRID: Array = np.arange(BINS) * STEP_RAD

#: an antenna's azimuth about its design: as built, turned, anything (share, sigma); common practice, no source
DEVIATION = ((0.74, np.radians(4.0)), (0.22, np.radians(22.0)))
#: of a finder's yaw: one standard uncertainty, the share of plain nonsense, the shares taken for their mirror image
#: near face-on (where no side wall shows) and elsewhere
YAW_SIGMA_RAD = float(np.radians(9.0))
NONSENSE = 0.03
MIRRORED = (0.12, 0.04)
NEAR_FACE_ON_RAD = float(np.radians(30.0))
#: nobody is surer than that of front or rear
FRONT_LIMIT = 0.97


def _bell(off: Array, sigma: float | Array) -> Array:
    """Normal density over angles, times the whole turn: relative to 'anything'."""
    w = off - 2 * np.pi * np.round(off / (2 * np.pi))
    out: Array = np.exp(-0.5 * (w / sigma) ** 2) * (np.sqrt(2 * np.pi) / sigma)
    return out


def prior_beliefs(design_rad: Array) -> Array:
    """Beliefs (m, BINS) about antennas' azimuths from their designs (m,) alone."""
    off = GRID - design_rad[:, None]
    b = np.full_like(off, 1.0 - sum(share for share, _ in DEVIATION))
    for share, sigma in DEVIATION:
        b += share * _bell(off, sigma)
    out: Array = b / b.sum(-1, keepdims=True)
    return out


def yaw_likelihoods(candidates: Sequence[PanelCandidate], yaw_rad: Array) -> Array:
    """Likelihood (n, ...) of each candidate's look if its true yaw is yaw_rad (...)."""
    out = np.empty((len(candidates), *np.shape(yaw_rad)))
    for k, c in enumerate(candidates):
        front = c.yaw_rad if np.cos(c.yaw_rad) >= 0.0 else c.yaw_rad + np.pi
        p = min(max(c.front, 1.0 - FRONT_LIMIT), FRONT_LIMIT)
        off = abs(np.arctan2(np.sin(front), np.cos(front)))
        m = MIRRORED[0] if off < NEAR_FACE_ON_RAD else MIRRORED[1]
        # a box looks alike from front and rear: half a turn; or its side walls were taken for each other: mirrored
        look = p * ((1 - m) * _bell(yaw_rad - front, YAW_SIGMA_RAD) + m * _bell(yaw_rad + front, YAW_SIGMA_RAD))
        rear = yaw_rad - np.pi
        look = look + (1 - p) * ((1 - m) * _bell(rear - front, YAW_SIGMA_RAD) + m * _bell(rear + front, YAW_SIGMA_RAD))
        out[k] = NONSENSE + (1.0 - NONSENSE) * look
    return out


#: bin of the yaw, by bins of the direction to the tower and of the azimuth: yaw = azimuth - (direction + half a turn)
_YAW_BIN = (np.arange(BINS)[None, :] - np.arange(BINS)[:, None] - BINS // 2) % BINS


def azimuth_likelihoods(candidates: Sequence[PanelCandidate], off_axis_rad: Array) -> Array:
    """Likelihood (n, BINS, BINS) of candidates by direction to the tower and by azimuth of the antenna.

    off_axis_rad (n,): direction to the candidate less that to the tower.
    """
    out = np.empty((len(candidates), BINS, BINS))
    for k, c in enumerate(candidates):
        out[k] = yaw_likelihoods([c], GRID - off_axis_rad[k])[0][_YAW_BIN]
    return out


def mean_azimuth(belief: Array) -> tuple[float, float]:
    """Azimuth [rad] of a belief's peak and the spread [rad] about it within 60 degrees."""
    peak = int(np.argmax(belief))
    off = (np.arange(BINS) - peak + BINS // 2) % BINS - BINS // 2
    near = np.abs(off) <= BINS // 6
    w = belief[near] / belief[near].sum()
    mean = float((w * off[near]).sum())
    sigma = float(np.sqrt((w * (off[near] - mean) ** 2).sum())) * STEP_RAD
    return float((GRID[peak] + mean * STEP_RAD) % (2 * np.pi)), max(sigma, STEP_RAD / np.sqrt(12.0))
