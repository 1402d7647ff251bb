"""Is an azimuth within its tolerance, when it is known with an uncertainty only? After JCGM 106:2012."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Literal

from photoaz.angles import wrap_deg

Decision = Literal["accept", "reject", "undecided"]

RISK = 0.05  # of deciding wrongly, either way


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


def decide(p_out: float, risk: float = RISK) -> Decision:
    """accept where the probability of being out is at most `risk`, reject where that of being in is, else undecided."""
    if not (0.0 <= p_out <= 1.0 and 0.0 < risk < 0.5):
        raise ValueError("p_out must lie in [0, 1] and risk in (0, 0.5)")
    if p_out <= risk:
        return "accept"
    return "reject" if 1.0 - p_out <= risk else "undecided"


def guard_band_deg(sigma_deg: float, risk: float = RISK) -> float:
    """How far inside a single limit an estimate must lie to be accepted at a risk: z(1 - risk) sigma, 1.645 at 5 %.

    JCGM 106:2012, 8.3.
    """
    return NormalDist().inv_cdf(1.0 - risk) * sigma_deg


def acceptance_limit_deg(sigma_deg: float, tolerance_deg: float, risk: float = RISK) -> float | None:
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
