"""A reading and an estimate that agree, taken together: a better azimuth than either."""

from __future__ import annotations

import math
from dataclasses import dataclass

from photoaz.angles import azimuth_deg, difference_deg
from photoaz.quantities import K95


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean:
    """Weighted mean of two azimuths. weight_first, of the first one, may leave [0, 1] where they share much."""

    azimuth_deg: float
    u95_deg: float
    weight_first: float


def weighted_mean(
    x1_deg: float, u1_95_deg: float, x2_deg: float, u2_95_deg: float, shared_u95_deg: float = 0.0
) -> Mean:
    """The minimum-variance mean of two statements of one azimuth, taken the short way round.

    Parameters
    ----------
    x1_deg, x2_deg : degrees. u1_95_deg, u2_95_deg : their expanded uncertainties, 95 %, above 0. shared_u95_deg : the
        part of both that comes from one source, as of `agreement.en_score`; its square over k^2 is their covariance.

    Returns
    -------
    Mean : azimuth in [0, 360). What is shared does not average out.

    Raises
    ------
    ValueError : uncertainties that are not above 0, a covariance above the product of the two.

    References
    ----------
    Generalised least squares with the covariance of JCGM 100:2008, 5.2; for two values w = (u2^2 - c) / (u1^2 + u2^2 -
    2 c).
    """
    if not (u1_95_deg > 0.0 and u2_95_deg > 0.0 and shared_u95_deg >= 0.0) or (
        shared_u95_deg > math.sqrt(u1_95_deg * u2_95_deg) * (1.0 + 1e-9)
    ):
        raise ValueError("uncertainties must be above 0, and what is shared is no more than what they hold")
    v1, v2, c = (u1_95_deg / K95) ** 2, (u2_95_deg / K95) ** 2, (shared_u95_deg / K95) ** 2
    apart = v1 + v2 - 2.0 * c
    weight = 0.5 if apart <= 0.0 else (v2 - c) / apart
    variance = v1 if apart <= 0.0 else (v1 * v2 - c * c) / apart
    mean = azimuth_deg(x2_deg + weight * difference_deg(x1_deg, x2_deg))
    return Mean(azimuth_deg=mean, u95_deg=K95 * math.sqrt(variance), weight_first=weight)
