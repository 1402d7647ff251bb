"""Do two statements of the same angle agree, given what each says of its own uncertainty?"""

from __future__ import annotations

import math

from photoaz.angles import difference_deg


def _score(x1_deg: float, u1_deg: float, x2_deg: float, u2_deg: float, shared_deg: float) -> float:
    if not (u1_deg >= 0.0 and u2_deg >= 0.0 and 0.0 <= shared_deg <= math.sqrt(u1_deg * u2_deg) * (1.0 + 1e-12)):
        raise ValueError("uncertainties must not be negative, and what is shared is no more than what they hold")
    d = abs(difference_deg(x1_deg, x2_deg))
    # the shared part moves both and drops out of the difference: var = u1^2 + u2^2 - 2 cov, cov = shared^2
    u = math.sqrt(max(u1_deg**2 + u2_deg**2 - 2.0 * shared_deg**2, 0.0))
    if u == 0.0:
        return 0.0 if d == 0.0 else math.inf
    return d / u


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
    return _score(x1_deg, u1_95_deg, x2_deg, u2_95_deg, shared_u95_deg)


def zeta_score(
    x1_deg: float, sigma1_deg: float, x2_deg: float, sigma2_deg: float, shared_sigma_deg: float = 0.0
) -> float:
    """zeta = |x1 - x2| / sqrt(u1^2 + u2^2) with standard uncertainties [deg]: <= 2 fair, >= 3 calls for action.

    Each U over its own coverage factor; only where that is the same on both sides, k, is zeta = k E_n.

    References
    ----------
    ISO 13528:2022; IUPAC Gold Book 08095. Errors as `en_score`.
    """
    return _score(x1_deg, sigma1_deg, x2_deg, sigma2_deg, shared_sigma_deg)
