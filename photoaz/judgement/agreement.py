"""Two statements of one angle, each with its uncertainty: do they agree, and what do they say together?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from photoaz.angles import azimuth_deg, difference_deg
from photoaz.quantities import K95


def en_score(x1_deg: float, u1_95_deg: float, x2_deg: float, u2_95_deg: float, shared_u95_deg: float = 0.0) -> float:
    """E_n = |x1 - x2| / sqrt(U1^2 + U2^2), the difference taken the short way round. They agree where it is <= 1.

    Parameters
    ----------
    x1_deg, x2_deg : degrees. u1_95_deg, u2_95_deg : their expanded uncertainties, 95 %.
    shared_u95_deg : what comes from one source (one compass, one declination) and so cannot make them differ; left out
        of account it would make E_n too small. Where it weighs differently in the two, the geometric mean of its parts:
        its square is the covariance.

    Returns
    -------
    float : 0 or more; infinite for two different values without uncertainty.

    Raises
    ------
    ValueError : a negative uncertainty, or a covariance above the product of the two.

    References
    ----------
    ISO 13528:2022, ISO/IEC 17043; correlation as JCGM 100:2008, 5.2.
    """
    known = u1_95_deg >= 0.0 and u2_95_deg >= 0.0
    if not (known and 0.0 <= shared_u95_deg <= math.sqrt(u1_95_deg * u2_95_deg) * (1.0 + 1e-12)):
        raise ValueError("uncertainties must not be negative, and what is shared is no more than what they hold")
    d = abs(difference_deg(x1_deg, x2_deg))
    # the shared part moves both and drops out of the difference: var = u1^2 + u2^2 - 2 cov, cov = shared^2
    u = math.sqrt(max(u1_95_deg**2 + u2_95_deg**2 - 2.0 * shared_u95_deg**2, 0.0))
    if u == 0.0:
        return 0.0 if d == 0.0 else math.inf
    return d / u


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
        part of both that comes from one source, as of `en_score`; its square over k^2 is their covariance.

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
    known = u1_95_deg > 0.0 and u2_95_deg > 0.0
    if not (known and 0.0 <= shared_u95_deg <= math.sqrt(u1_95_deg * u2_95_deg) * (1.0 + 1e-9)):
        raise ValueError("uncertainties must be above 0, and what is shared is no more than what they hold")
    v1, v2, c = (u1_95_deg / K95) ** 2, (u2_95_deg / K95) ** 2, (shared_u95_deg / K95) ** 2
    apart = v1 + v2 - 2.0 * c
    weight = 0.5 if apart <= 0.0 else (v2 - c) / apart
    variance = v1 if apart <= 0.0 else (v1 * v2 - c * c) / apart
    mean = azimuth_deg(x2_deg + weight * difference_deg(x1_deg, x2_deg))
    return Mean(azimuth_deg=mean, u95_deg=K95 * math.sqrt(variance), weight_first=weight)
