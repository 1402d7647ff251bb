"""What is stated of an azimuth's uncertainty: all ways in which its outlines fit, under all states of the compasses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from photoaz.angles import wrap_rad
from photoaz.network.compass import Shift
from photoaz.network.freedom import coverage_factor
from photoaz.network.mode_weights import AzimuthMode
from photoaz.network.solution import NetworkSolution
from photoaz.quantities import SHAPE_SIGMA_RAD


def stated_u95(chosen: NetworkSolution, name: str) -> float:
    """Expanded uncertainty [rad] of an antenna's azimuth: all its ways to fit, under all states of the compasses."""
    return mixture_u95(_all_modes(chosen, name)) * widening_of_few(chosen, name)


def u95_of_mode(chosen: NetworkSolution, name: str, mode: int) -> float:
    """Expanded uncertainty [rad] of one of an antenna's ways to fit, if it is the true one, under all states of the
    compasses."""
    alone = (replace(chosen.azimuth_modes[name][mode], probability=1.0),)
    modes = shifted(alone, chosen.shifts.get(name, ()), chosen.scatter[name])
    return mixture_u95(modes) * widening_of_few(chosen, name)


def standard_u(chosen: NetworkSolution, name: str) -> float:
    """Standard uncertainty [rad] of an antenna's azimuth: root mean square about it of all that `stated_u95` counts."""
    modes = _all_modes(chosen, name)
    p = np.array([b.probability for b in modes])
    off = np.array([float(wrap_rad(b.azimuth_rad - modes[0].azimuth_rad)) for b in modes])
    sigma = np.array([b.sigma_rad for b in modes])
    return float(np.sqrt(p @ (sigma**2 + off**2) / p.sum()))


def widening_of_few(chosen: NetworkSolution, name: str) -> float:
    """By how much (1 or more) Student's t widens an interval whose width rests on the scatter of a few views."""
    return coverage_factor(chosen.dof.get(name, math.inf)) / coverage_factor(math.inf)


def _all_modes(chosen: NetworkSolution, name: str) -> tuple[AzimuthMode, ...]:
    return shifted(chosen.azimuth_modes[name], chosen.shifts.get(name, ()), chosen.scatter[name])


def shifted(
    azimuth_modes: Sequence[AzimuthMode], shifts: Sequence[Shift], scatter: float = 1.0
) -> tuple[AzimuthMode, ...]:
    """Modes of an azimuth under all states of the compasses; scatter: the factor by which their sigmas were widened."""
    if len(shifts) < 2:
        return tuple(azimuth_modes)
    return tuple(
        AzimuthMode(
            b.azimuth_rad + s.offset_rad,
            float(np.sqrt(max(b.sigma_rad**2 + scatter**2 * s.variance_rad2, SHAPE_SIGMA_RAD**2))),
            b.probability * s.probability,
        )
        for b in azimuth_modes
        for s in shifts
    )


def mixture_u95(azimuth_modes: Sequence[AzimuthMode]) -> float:
    """Half-width [rad] of the interval about the first mode that holds 95 % of the mixture of all."""
    from scipy.special import ndtr

    offset = np.array([float(wrap_rad(b.azimuth_rad - azimuth_modes[0].azimuth_rad)) for b in azimuth_modes])
    sigma = np.array([b.sigma_rad for b in azimuth_modes])
    p = np.array([b.probability for b in azimuth_modes])

    def inside(r: float) -> float:
        return float((p * (ndtr((r - offset) / sigma) - ndtr((-r - offset) / sigma))).sum())

    lo, hi = 0.0, float(np.pi)
    for _ in range(60):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if inside(mid) < 0.95 else (lo, mid)
    return hi
