"""Where the sun stands: NREL's solar position algorithm as pvlib carries it."""

from __future__ import annotations

import functools
import importlib.util
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from photoaz.angles import azimuth_deg

Array = NDArray[Any]

# Semidiameter at 1 au, 959.63 arc seconds: Auwers' value, used by the Astronomical Almanac
_SEMIDIAMETER_1AU_DEG = 959.63 / 3600.0
_REFRACTION_AT_HORIZON_DEG = 0.5667  # NREL/TP-560-34302, as the algorithm decides whether the sun is up


@dataclass(frozen=True, slots=True, kw_only=True)
class SunPosition:
    """Centre of the sun's disc as seen from a place.

    azimuth_deg: clockwise from true north, [0, 360). elevation_deg: apparent, with refraction. semidiameter_deg: angle
    from the centre to the limb.
    """

    azimuth_deg: float
    elevation_deg: float
    semidiameter_deg: float


@functools.cache
def _spa() -> Any:
    """pvlib's spa module without the rest of pvlib: it needs numpy only, the package brings pandas (1 s)."""
    name = "pvlib.spa"
    if name in sys.modules:
        return sys.modules[name]
    package = importlib.util.find_spec("pvlib")
    for folder in (package.submodule_search_locations if package else None) or ():
        spec = importlib.util.spec_from_file_location("photoaz_pvlib_spa", f"{folder}/spa.py")
        if spec and spec.loader:
            module = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(module)
            return module
    raise ModuleNotFoundError("pvlib is not installed", name="pvlib")


def standard_pressure_hpa(elevation_m: float) -> float:
    """Air pressure at a height above sea level in the ISO 2533 standard atmosphere (troposphere)."""
    return float(1013.25 * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def sun_track(
    unix_s: ArrayLike,
    lat_deg: float,
    lon_deg: float,
    elevation_m: float = 0.0,
    *,
    pressure_hpa: float | None = None,
    temperature_c: float = 12.0,
    delta_t_s: float | None = None,
) -> tuple[Array, Array, Array]:
    """Azimuth, apparent elevation and semidiameter [deg], each of the shape of unix_s, at many moments.

    Parameters
    ----------
    unix_s : seconds since 1970-01-01T00:00 UTC, any shape. elevation_m : of the place, above sea level. pressure_hpa,
    temperature_c : for refraction (the azimuth does not depend on them); the standard atmosphere's where None.
    delta_t_s : terrestrial time minus UT; NASA's polynomials (Espenak, Meeus) at the first moment where None.

    References
    ----------
    Reda, Andreas: Solar position algorithm for solar radiation applications, NREL/TP-560-34302 (2008); Solar Energy 76
    (2004) 577-589, doi 10.1016/j.solener.2003.12.003. Stated uncertainty 0.0003 degrees.
    """
    spa = _spa()
    t = np.atleast_1d(np.asarray(unix_s, dtype=float))
    flat = t.ravel()
    if delta_t_s is None and flat.size:
        first = datetime.fromtimestamp(float(flat[0]), UTC)
        delta_t_s = float(spa.calculate_deltat(first.year, first.month))
    pressure = standard_pressure_hpa(elevation_m) if pressure_hpa is None else pressure_hpa
    _, _, elevation, _, azimuth, _ = spa.solar_position_numpy(
        flat, lat_deg, lon_deg, elevation_m, pressure, temperature_c, delta_t_s, _REFRACTION_AT_HORIZON_DEG, 1
    )
    (distance_au,) = spa.solar_position_numpy(flat, 0, 0, 0, 0, 0, delta_t_s, 0, 1, esd=True)
    shape = np.shape(unix_s)
    return (
        azimuth_deg(np.asarray(azimuth)).reshape(shape),
        np.asarray(elevation).reshape(shape),
        (_SEMIDIAMETER_1AU_DEG / np.asarray(distance_au)).reshape(shape),
    )


def sun_position(
    utc: datetime,
    lat_deg: float,
    lon_deg: float,
    elevation_m: float = 0.0,
    *,
    pressure_hpa: float | None = None,
    temperature_c: float = 12.0,
    delta_t_s: float | None = None,
) -> SunPosition:
    """The sun at one moment, which must carry its zone (ValueError if not). Other arguments as `sun_track`."""
    if utc.tzinfo is None:
        raise ValueError("the moment carries no time zone: an hour is 15 degrees of the sun's path")
    azimuth, elevation, semidiameter = sun_track(
        utc.timestamp(),
        lat_deg,
        lon_deg,
        elevation_m,
        pressure_hpa=pressure_hpa,
        temperature_c=temperature_c,
        delta_t_s=delta_t_s,
    )
    return SunPosition(azimuth_deg=float(azimuth), elevation_deg=float(elevation), semidiameter_deg=float(semidiameter))
