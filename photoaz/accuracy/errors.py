"""Phones, and what their receiver and compass are off by: in photos taken moments apart from one place mostly alike."""

from __future__ import annotations

import math

import numpy as np

from photoaz import quantities as q
from photoaz.angles import Array
from photoaz.planning.equipment import Equipment

LENSES_MM = (26.0, 52.0, 77.0, 120.0)
#: how often a second photo is taken from where one was, after so many seconds
SECOND_SHARE, SECOND_AFTER_S = 0.3, (3.0, 90.0)
#: a position with tails: how often its error is so many times as large as its statement says
TAIL_SHARE, TAIL = 0.1, 3.0


def compass_error(rng: np.random.Generator, good_rad: float) -> tuple[float, bool]:
    """What a compass is off by [rad], and whether it is disturbed."""
    disturbed = bool(rng.random() < q.COMPASS_DISTURBED_SHARE)
    return float(rng.normal(0.0, q.COMPASS_DISTURBED_RAD if disturbed else good_rad)), disturbed


def next_compass_error(rng: np.random.Generator, before: tuple[float, bool], good_rad: float) -> tuple[float, bool]:
    """As `compass_error`, of a photo moments after one whose compass was off by `before`."""
    own, share = q.COMPASS_OWN_SHARE**2, q.COMPASS_DISTURBED_SHARE
    alone = q.COMPASS_ALONE_SHARE * share
    together = 1.0 - (1.0 - share) / (1.0 - alone)
    if rng.random() < alone:
        return float(rng.normal(before[0], q.COMPASS_DISTURBED_RAD)), True
    if before[1] and rng.random() < together / share:
        return float(rng.normal(before[0], np.sqrt(2.0 * own) * good_rad)), True
    if before[1]:
        return float(rng.normal(0.0, good_rad)), False
    # of two good ones the common part is the covariance
    return float(rng.normal((1.0 - own) * before[0], np.sqrt(1.0 - (1.0 - own) ** 2) * good_rad)), False


def fix_error(rng: np.random.Generator, sigma_m: float, *, tails: bool) -> tuple[Array, float]:
    """What a fix is off by (2,) [m], and the sigma per axis that it came of. tails: by more now and then."""
    sigma = (TAIL if tails and rng.random() < TAIL_SHARE else 1.0) * sigma_m
    return rng.normal(0.0, sigma, 2), sigma


def next_fix_error(rng: np.random.Generator, before: tuple[Array, float], seconds: float) -> tuple[Array, float]:
    """As `fix_error`, so many seconds after a fix that was off by `before`: (2,) [m], and its sigma."""
    error, sigma = before
    alike = (1.0 - q.FIX_OWN_SHARE**2) * math.exp(-seconds / q.FIX_TIME_S)
    return alike * error + rng.normal(0.0, math.sqrt(1.0 - alike**2) * sigma, 2), sigma


def draw_step(rng: np.random.Generator, seconds: float) -> Array:
    """How far from the last photo's place (3,) [m] the next one's is after so many seconds."""
    step = math.hypot(q.STEP_M, q.STEP_M_PER_S * seconds)
    up = math.sqrt(2.0) * math.hypot(q.HELD_STEP_M, q.GROUND_SLOPE_SHARE * step / math.sqrt(2.0))
    return np.asarray(rng.normal(0.0, [step, step, up]))


def draw_phone(rng: np.random.Generator) -> Equipment:
    """A phone, and what it notes."""
    return Equipment(
        lenses_mm=LENSES_MM,
        compass_rad=Equipment().compass_rad if rng.random() < 0.9 else None,
        pitch_rad=Equipment().pitch_rad if rng.random() < 0.6 else None,
        roll_rad=np.radians(1.0) if rng.random() < 0.4 else None,
        plumb_rad=Equipment().plumb_rad if rng.random() < 0.7 else None,
        position_m=float(rng.choice([2.5, 4.0, 8.0], p=[0.3, 0.5, 0.2])),
        focal_share=0.018 if rng.random() < 0.8 else 0.003,
    )
