"""Is an azimuth within its tolerance, when it is known with an uncertainty only? After JCGM 106:2012."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_deg
from photoaz.quantities import ANYWHERE_SHARE, DECISION_RISK, NOT_AS_DESIGNED_SHARE, TURNED_SIGMA_DEG
from photoaz.result import Decision

Array = NDArray[Any]

Limits = tuple[float, float]


def _upper_tail(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def probability_out(deviation_deg: float, sigma_deg: float, tolerance_deg: float) -> float:
    """Probability that the true deviation lies outside +-tolerance, given an estimate of it.

    Normal, wrapped round the circle (a deviation of 170 with a sigma of 90 degrees may well be -10).

    Parameters
    ----------
    deviation_deg : estimated deviation. sigma_deg : its standard uncertainty, 0 or more. tolerance_deg : above 0.

    Raises
    ------
    ValueError : a negative sigma, a tolerance that is none.

    References
    ----------
    JCGM 106:2012, 7.4 (two-sided tolerance interval).
    """
    if not (sigma_deg >= 0.0 and tolerance_deg > 0.0):
        raise ValueError("sigma must not be negative and the tolerance must be above 0")
    d = wrap_deg(float(deviation_deg))
    if tolerance_deg >= 180.0:
        return 0.0
    if sigma_deg == 0.0:
        return float(abs(d) > tolerance_deg)
    # Outside = the arc from +T round to -T, summed over the turns that sigma can reach; tails, so that a probability of
    # 1e-12 is not lost beside 1
    turns = 1 + math.ceil(8.0 * sigma_deg / 360.0)
    out = 0.0
    for k in range(-turns, turns):
        low = (tolerance_deg + 360.0 * k - d) / sigma_deg
        high = (360.0 * (k + 1) - tolerance_deg - d) / sigma_deg
        if low < 0.0 and high <= 0.0:
            low, high = -high, -low
        out += _upper_tail(low) - _upper_tail(high)
    return min(1.0, max(0.0, out))


def decide(p_out: float, risk: float = DECISION_RISK) -> Decision:
    """accept where the probability of being out is at most `risk`, reject where that of being in is, else undecided."""
    if not (0.0 <= p_out <= 1.0 and 0.0 < risk < 0.5):
        raise ValueError("p_out must lie in [0, 1] and risk in (0, 0.5)")
    if p_out <= risk:
        return "accept"
    return "reject" if 1.0 - p_out <= risk else "undecided"


def guard_band_deg(sigma_deg: float, risk: float = DECISION_RISK) -> float:
    """How far inside a single limit an estimate must lie to be accepted at a risk: z(1 - risk) sigma, 1.645 at 5 %.

    JCGM 106:2012, 8.3.
    """
    return NormalDist().inv_cdf(1.0 - risk) * sigma_deg


@lru_cache(maxsize=1024)
def acceptance_limit_deg(sigma_deg: float, tolerance_deg: float, risk: float = DECISION_RISK) -> float | None:
    """The largest deviation [deg] that is accepted, both tolerance limits at work; None where not even 0 is."""
    if probability_out(0.0, sigma_deg, tolerance_deg) > risk:
        return None
    if tolerance_deg >= 180.0:
        return 180.0
    low, high = 0.0, min(tolerance_deg, 180.0)  # at the limit itself at least half of the probability is out
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if probability_out(middle, sigma_deg, tolerance_deg) <= risk else (low, middle)
    return low


# ---- risks before anything is measured -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Risks:
    """Of all items measured alike: out_of_tolerance, the part out of it; consumer, that accepted although out;
    producer, that rejected although in. The global risks of JCGM 106:2012, 9.5; the specific ones, of one measured
    item, are its probability of being out if it is accepted, and of being in if it is rejected (9.3).
    """

    out_of_tolerance: float
    consumer: float
    producer: float


def global_risks(
    density: Callable[[Array], Array],
    support: Limits,
    sigma: float,
    tolerance: Limits,
    accepted: Limits | None,
    rejected: Limits | None = None,
) -> Risks:
    """Consumer's and producer's risk of a measurement with a decision rule, over all that is measured with it.

    Parameters
    ----------
    density : of the true values, (N,) to (N,), of integral 1 over `support`. sigma : standard uncertainty of the
        measurement, normal, above 0. tolerance : lower and upper limit of the true value. accepted : measured values
        between these are accepted, None where none is. rejected : those outside these are rejected; by default all
        that are not accepted, else what lies between is undecided.

    Raises
    ------
    ValueError : a sigma that is none.

    References
    ----------
    JCGM 106:2012, 9.5 (global consumer's and producer's risk).
    """
    if not sigma > 0.0:
        raise ValueError("sigma must be above 0")
    from scipy.special import ndtr

    low, high = support
    bounds = [b for b in (*tolerance, *(accepted or ()), *(rejected or ())) if low < b < high]
    near = [b + k * sigma for b in bounds for k in (-6.0, -3.0, -1.5, 0.0, 1.5, 3.0, 6.0)]
    edges = np.unique(np.clip([*np.linspace(low, high, 129), *near], low, high))
    nodes, weights = np.polynomial.legendre.leggauss(12)
    half = 0.5 * np.diff(edges)
    x = (edges[:-1] + half)[:, None] + half[:, None] * nodes
    mass = density(x) * half[:, None] * weights

    def between(limits: Limits) -> Array:
        out: Array = ndtr((limits[1] - x) / sigma) - ndtr((limits[0] - x) / sigma)
        return out

    accepts = np.zeros(x.shape) if accepted is None else between(accepted)
    outer = rejected or accepted
    rejects = np.ones(x.shape) if outer is None else 1.0 - between(outer)
    inside = (x >= tolerance[0]) & (x <= tolerance[1])
    return Risks(
        out_of_tolerance=float(mass[~inside].sum()),
        consumer=float((mass * accepts)[~inside].sum()),
        producer=float((mass * rejects)[inside].sum()),
    )


def hung_density(deviation_deg: Array, tolerance_deg: float, variance_deg2: float = 0.0) -> Array:
    """Density [1/deg] of antennas' deviations from their design, measured with a variance: mostly as designed."""
    near = (tolerance_deg / 2.0) ** 2 + variance_deg2
    far = TURNED_SIGMA_DEG**2 + variance_deg2
    d2 = np.square(deviation_deg)
    out: Array = (1.0 - NOT_AS_DESIGNED_SHARE) * np.exp(-0.5 * d2 / near) / math.sqrt(2.0 * math.pi * near)
    turned = (1.0 - ANYWHERE_SHARE) * np.exp(-0.5 * d2 / far) / math.sqrt(2.0 * math.pi * far) + ANYWHERE_SHARE / 360.0
    return out + NOT_AS_DESIGNED_SHARE * turned


@lru_cache(maxsize=1024)
def risks_of(sigma_deg: float, tolerance_deg: float, risk: float = DECISION_RISK) -> Risks | None:
    """Global risks of deciding on antennas' azimuths measured with a standard uncertainty, by `decide` at a risk.

    None where the tolerance leaves nothing to decide, or the measurement tells nothing (a sigma of 60 degrees or more).
    """
    if not (0.0 < sigma_deg < 60.0 and tolerance_deg < 90.0):
        return None
    limit = acceptance_limit_deg(sigma_deg, tolerance_deg, risk)
    beyond = tolerance_deg + guard_band_deg(sigma_deg, risk)
    return global_risks(
        lambda d: hung_density(d, tolerance_deg),
        (-180.0, 180.0),
        sigma_deg,
        (-tolerance_deg, tolerance_deg),
        None if limit is None else (-limit, limit),
        (-beyond, beyond),
    )
