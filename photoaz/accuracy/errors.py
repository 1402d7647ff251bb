"""Phones, and what their receiver and compass are off by: in photos taken moments apart from one place mostly alike."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz import quantities as q
from photoaz.planning.equipment import Equipment

Array = NDArray[Any]

LENSES_MM = (26.0, 52.0, 77.0, 120.0)
#: how often a second photo is taken from where the first was, after so many seconds
SECOND_SHARE, SECOND_AFTER_S = 0.3, (3.0, 90.0)
#: a position with tails: how often its error is so many times as large as its statement says
TAIL_SHARE, TAIL = 0.1, 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StandErrors:
    """Of n photos of one place: seconds (n,) after the first, step_m (n, 3) from where that was taken, fix_m (n, 2) and
    compass_rad (n,) errors, disturbed (n,)."""

    seconds: Array
    step_m: Array
    fix_m: Array
    compass_rad: Array
    disturbed: Array


def draw_errors(
    rng: np.random.Generator, position_m: float, compass_rad: float | None, *, tails: bool, second: bool
) -> StandErrors:
    """Errors of one photo, or of two, by what is stated of them. tails: positions err by more now and then."""
    n = 2 if second and rng.random() < SECOND_SHARE else 1
    seconds = np.array([0.0, float(np.round(rng.uniform(*SECOND_AFTER_S)))][:n])
    span = float(seconds[-1])
    step = math.hypot(q.STEP_M, q.STEP_M_PER_S * span)
    up = math.hypot(q.HELD_STEP_M, q.GROUND_SLOPE_SHARE * step)
    moved = np.zeros((n, 3))
    moved[1:] = rng.normal(0.0, [step, step, up], (n - 1, 3))
    wide = TAIL if tails and rng.random() < TAIL_SHARE else 1.0
    alike = (1.0 - q.FIX_OWN_SHARE**2) * math.exp(-span / q.FIX_TIME_S)
    common, own = rng.normal(0.0, wide * position_m, (1, 2)), rng.normal(0.0, wide * position_m, (n, 2))
    fixes = common if n == 1 else math.sqrt(alike) * common + math.sqrt(1.0 - alike) * own
    good = 0.0 if compass_rad is None else compass_rad
    share = q.COMPASS_DISTURBED_SHARE
    alone = q.COMPASS_ALONE_SHARE * share if n > 1 else 0.0
    # each is disturbed by itself or with the others, as often as any compass is
    own_off, all_off = rng.random(n) < alone, rng.random() < 1.0 - (1.0 - share) / (1.0 - alone)
    part = q.COMPASS_OWN_SHARE if n > 1 else 0.0
    common_rad = rng.normal(0.0, q.COMPASS_DISTURBED_RAD if all_off else good * math.sqrt(1.0 - part**2))
    compass = common_rad + rng.normal(0.0, np.where(own_off, q.COMPASS_DISTURBED_RAD, part * good))
    off = own_off | all_off
    return StandErrors(seconds=seconds, step_m=moved, fix_m=fixes, compass_rad=compass, disturbed=off)


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
