"""The earth's main magnetic field from published coefficients: IGRF-14 and the World Magnetic Models."""

from __future__ import annotations

import bisect
import functools
import math
from collections.abc import Mapping, Sequence
from importlib import resources

from photoaz.geodesy.frames import ecef_from_geodetic

REFERENCE_RADIUS_M = 6371200.0  # of the models' spherical harmonics

#: of a degree and order (an order below 0: of the sine), the coefficients at the model's epochs [nT]
Coefficients = Mapping[tuple[int, int], Sequence[float]]


@functools.cache
def _model(name: str) -> tuple[tuple[float, ...], Coefficients]:
    """A model's epochs and coefficients, from its file of spherical harmonic coefficients (.shc)."""
    text = resources.files("photoaz").joinpath("geodesy", "data", f"{name}.shc").read_text(encoding="utf-8")
    _, epochs, *rows = [line.split() for line in text.splitlines() if not line.startswith("#")]
    return tuple(map(float, epochs)), {(int(n), int(m)): tuple(map(float, values)) for n, m, *values in rows}


def main_field_nt(name: str, lat_deg: float, lon_deg: float, height_m: float, year: float) -> tuple[float, float]:
    """North and east component [nT] of a model's field at a place (WGS84, ellipsoidal height) in a decimal year.

    Coefficients change evenly between the model's epochs, as IGRF and WMM define it.

    name : 'igrf14', 'wmm2010', 'wmm2015v2', 'wmm2020' or 'wmm2025'.

    Raises ValueError: a year outside the model's epochs.

    Source: The US/UK World Magnetic Model for 2025-2030, technical report, section 1.2. Alken et al.: International
    Geomagnetic Reference Field, Earth, Planets and Space 73 (2021) 49, doi 10.1186/s40623-020-01288-x.
    """
    epochs, coefficients = _model(name)
    if not epochs[0] <= year <= epochs[-1]:
        raise ValueError(f"{name} is of the years {epochs[0]:g} to {epochs[-1]:g}, not of {year:g}")
    k = min(bisect.bisect_right(epochs, year), len(epochs) - 1)
    share = (year - epochs[k - 1]) / (epochs[k] - epochs[k - 1])
    now = {order: (1.0 - share) * values[k - 1] + share * values[k] for order, values in coefficients.items()}

    x, _, z = map(float, ecef_from_geodetic(lat_deg, 0.0, height_m))
    r = math.hypot(x, z)
    sin_theta, cos_theta = x / r, z / r  # of the geocentric colatitude
    degree = max(n for n, _ in now)
    legendre, slope = _legendre(degree, sin_theta, cos_theta)
    waves = [(math.cos(m * math.radians(lon_deg)), math.sin(m * math.radians(lon_deg))) for m in range(degree + 1)]
    falls = [(REFERENCE_RADIUS_M / r) ** (n + 2) for n in range(degree + 1)]
    north = east = up = 0.0
    for (n, m), p in legendre.items():
        cosine, sine = waves[m]
        g, h = falls[n] * now[n, m], falls[n] * now[n, -m] if m else 0.0
        north += (g * cosine + h * sine) * slope[n, m]
        east += m * (g * sine - h * cosine) * p
        up += (n + 1) * (g * cosine + h * sine) * (p * sin_theta if m else p)
    tilt = math.asin(cos_theta) - math.radians(lat_deg)  # geocentric less geodetic latitude
    return north * math.cos(tilt) + up * math.sin(tilt), east


def _legendre(degree: int, s: float, c: float) -> tuple[dict[tuple[int, int], float], dict[tuple[int, int], float]]:
    """Schmidt semi-normalised associated Legendre functions P(n, m) of the colatitude, n from 1, and their slopes.

    s, c: the colatitude's sine and cosine. For m > 0 the functions are divided by the sine, so that nothing is divided
    by zero at the poles. The recursions are those of the WMM's report and hold for the quotients as well.
    """
    p: dict[tuple[int, int], float] = {(0, 0): 1.0, (1, 1): 1.0}
    for m in range(2, degree + 1):
        p[m, m] = math.sqrt((2 * m - 1) / (2 * m)) * s * p[m - 1, m - 1]
    for m in range(degree):
        for n in range(m + 1, degree + 1):
            before = math.sqrt((n - 1) ** 2 - m**2) * p[n - 2, m] if n - 2 >= m else 0.0
            p[n, m] = ((2 * n - 1) * c * p[n - 1, m] - before) / math.sqrt(n**2 - m**2)
    slope: dict[tuple[int, int], float] = {}
    for n in range(1, degree + 1):
        slope[n, 0] = -math.sqrt(n * (n + 1) / 2) * s * p[n, 1]
        for m in range(1, n + 1):
            slope[n, m] = n * c * p[n, m] - (math.sqrt(n**2 - m**2) * p[n - 1, m] if n > m else 0.0)
    del p[0, 0]
    return p, slope
