"""Degrees of freedom: how far a standard uncertainty that was estimated from a few values is itself to be trusted."""

from __future__ import annotations

import math
from collections.abc import Iterable


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Effective degrees of freedom of a combined standard uncertainty: u^4 / sum of u_i^4 / nu_i.

    Parameters
    ----------
    parts : of each independent input quantity its part of the standard uncertainty, in one unit, 0 or more, and its
        degrees of freedom, above 0; infinite where it is known and not estimated.

    Returns
    -------
    float : infinite where nothing was estimated.

    Raises
    ------
    ValueError : a part below 0, degrees of freedom that are none.

    References
    ----------
    JCGM 100:2008, G.4.1 (Welch-Satterthwaite).
    """
    whole = below = 0.0
    for u, dof in parts:
        if not (u >= 0.0 and dof > 0.0):
            raise ValueError("parts must not be negative and degrees of freedom must be above 0")
        whole += u**2
        below += u**4 / dof
    return whole**2 / below if below > 0.0 else math.inf


def coverage_factor(dof: float, probability: float = 0.95) -> float:
    """Student's t that holds the middle `probability`, by which a standard uncertainty is expanded.

    Degrees of freedom above 0, whole or not, may be infinite (then the normal distribution's: 1.96 for 95 %). JCGM
    100:2008, G.3 and table G.2.
    """
    if not (dof > 0.0 and 0.0 < probability < 1.0):
        raise ValueError("degrees of freedom must be above 0 and the probability in (0, 1)")
    from scipy.special import ndtri, stdtrit

    above = 0.5 + 0.5 * probability
    return float(ndtri(above) if math.isinf(dof) else stdtrit(dof, above))
