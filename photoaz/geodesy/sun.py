"""Where the sun stands, by NREL's solar position algorithm (SPA)."""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from photoaz.angles import Array, azimuth_deg

# Semidiameter at 1 au, 959.63 arc seconds: Auwers' value, used by the Astronomical Almanac
_SEMIDIAMETER_1AU_DEG = 959.63 / 3600.0
# NREL/TP-560-34302, as the algorithm decides whether the sun is up
_SEMIDIAMETER_AS_UP_DEG, _REFRACTION_AT_HORIZON_DEG = 0.26667, 0.5667
_UNIX_EPOCH_JD, _J2000_JD = 2440587.5, 2451545.0


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
def _terms(name: str) -> list[dict[str, str]]:
    """The rows of one of the algorithm's tables."""
    text = resources.files("photoaz").joinpath("geodesy", "data", f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


@functools.cache
def _earth_terms() -> dict[str, list[Array]]:
    """Of the earth's longitude, latitude and distance, for each power of the time, the terms' A, B and C (3, terms)."""
    powers: dict[str, list[list[list[float]]]] = {"L": [], "B": [], "R": []}
    for row in _terms("spa_earth"):
        series = powers[row["quantity"]]
        if len(series) == int(row["power"]):
            series.append([])
        series[-1].append([float(row[column]) for column in "ABC"])
    return {quantity: [np.array(terms).T for terms in series] for quantity, series in powers.items()}


@functools.cache
def _nutation_terms() -> Array:
    """(9, 63): Y0 to Y4, a, b, c, d."""
    return np.array([[float(value) for value in row.values()] for row in _terms("spa_nutation")]).T


def _heliocentric(quantity: str, millennia: Array) -> Array:
    """The earth's longitude or latitude [rad] or distance [au] as seen from the sun, of the shape of millennia (n,)."""
    sums = [(a * np.cos(b + c * millennia[:, np.newaxis])).sum(axis=-1) for a, b, c in _earth_terms()[quantity]]
    return np.asarray(np.polynomial.polynomial.polyval(millennia, np.array(sums), tensor=False)) / 1e8


# Mean elongation of the moon from the sun, anomalies of sun and moon, the moon's argument of latitude and the longitude
# of its ascending node [deg] by powers of the Julian century (equations 15 to 19)
_ARGUMENTS_DEG = (
    (297.85036, 445267.111480, -0.0019142, 1.0 / 189474.0),
    (357.52772, 35999.050340, -0.0001603, -1.0 / 300000.0),
    (134.96298, 477198.867398, 0.0086972, 1.0 / 56250.0),
    (93.27191, 483202.017538, -0.0036825, 1.0 / 327270.0),
    (125.04452, -1934.136261, 0.0020708, 1.0 / 450000.0),
)
# Mean obliquity of the ecliptic [arc seconds] by powers of ten Julian millennia (equation 24)
_OBLIQUITY_ARCSEC = (84381.448, -4680.93, -1.55, 1999.25, -51.38, -249.67, -39.05, 7.12, 27.87, 5.79, 2.45)


def _nutation_rad(centuries: Array) -> tuple[Array, Array]:
    """Nutation in longitude, and true obliquity of the ecliptic (equations 20 to 25)."""
    polyval = np.polynomial.polynomial.polyval
    *multiples, a, b, c, d = _nutation_terms()
    angles = sum(
        np.radians(y * polyval(centuries, powers)[:, np.newaxis])
        for y, powers in zip(multiples, _ARGUMENTS_DEG, strict=True)
    )
    time = centuries[:, np.newaxis]
    in_longitude = ((a + b * time) * np.sin(angles)).sum(axis=-1) / 36e6
    in_obliquity = ((c + d * time) * np.cos(angles)).sum(axis=-1) / 36e6
    return np.radians(in_longitude), np.radians(polyval(centuries / 100.0, _OBLIQUITY_ARCSEC) / 3600.0 + in_obliquity)


# Terrestrial time less universal time [s]: first and last year, the year that time is counted from, and by powers of it
_DELTA_T = (
    (1961.0, 1986.0, 1975.0, (45.45, 1.067, -1.0 / 260.0, -1.0 / 718.0)),
    (1986.0, 2005.0, 2000.0, (63.86, 0.3345, -0.060374, 0.0017275, 0.000651814, 0.00002373599)),
    (2005.0, 2050.0, 2000.0, (62.92, 0.32217, 0.005589)),
)


def delta_t_in(year: float) -> float:
    """Terrestrial time less universal time [s] in a decimal year from 1961 to 2050; beyond, that of the nearest.

    A minute of it moves the sun by 0.0007 degrees.

    References
    ----------
    Espenak, Meeus: Five Millennium Canon of Solar Eclipses, NASA/TP-2006-214141 (2006), polynomial expressions.
    """
    year = min(max(year, _DELTA_T[0][0]), _DELTA_T[-1][1])
    origin, powers = next((origin, powers) for _, last, origin, powers in _DELTA_T if year <= last)
    return float(np.polynomial.polynomial.polyval(year - origin, powers))


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
    delta_t_s : terrestrial time minus UT; `delta_t_in` the middle of the first moment's month where None.

    References
    ----------
    Reda, Andreas: Solar position algorithm for solar radiation applications, NREL/TP-560-34302 (2008); Solar Energy 76
    (2004) 577-589, doi 10.1016/j.solener.2003.12.003. Stated uncertainty 0.0003 degrees.
    """
    t = np.asarray(unix_s, dtype=float).ravel()
    if delta_t_s is None and t.size:
        first = datetime.fromtimestamp(float(t[0]), UTC)
        delta_t_s = delta_t_in(first.year + (first.month - 0.5) / 12.0)
    pressure = standard_pressure_hpa(elevation_m) if pressure_hpa is None else pressure_hpa
    greenwich_hour, declination, distance_au = _geocentric(t, delta_t_s or 0.0)
    hour = greenwich_hour + np.radians(lon_deg)
    hour, declination = _topocentric(hour, declination, distance_au, np.radians(lat_deg), elevation_m)

    phi = np.radians(lat_deg)
    true_elevation = np.degrees(
        np.arcsin(np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour))
    )
    azimuth = np.arctan2(np.sin(hour), np.cos(hour) * np.sin(phi) - np.tan(declination) * np.cos(phi))  # from south
    elevation = true_elevation + _refraction_deg(true_elevation, pressure, temperature_c)
    shape = np.shape(unix_s)
    return (
        np.reshape(azimuth_deg(np.degrees(azimuth) + 180.0), shape),
        elevation.reshape(shape),
        (_SEMIDIAMETER_1AU_DEG / distance_au).reshape(shape),
    )


def _geocentric(unix_s: Array, delta_t_s: float) -> tuple[Array, Array, Array]:
    """Hour angle at Greenwich, apparent declination [rad] and distance [au] as seen from the earth's centre, each (n,).

    Equations 4 to 31.
    """
    days = unix_s / 86400.0 + _UNIX_EPOCH_JD - _J2000_JD
    centuries = (days + delta_t_s / 86400.0) / 36525.0
    longitude = _heliocentric("L", centuries / 10.0) + np.pi
    latitude = -_heliocentric("B", centuries / 10.0)
    distance_au = _heliocentric("R", centuries / 10.0)
    nutation, obliquity = _nutation_rad(centuries)
    longitude += nutation - np.radians(20.4898 / 3600.0) / distance_au  # less the aberration

    right_ascension = np.arctan2(
        np.sin(longitude) * np.cos(obliquity) - np.tan(latitude) * np.sin(obliquity), np.cos(longitude)
    )
    declination = np.arcsin(
        np.sin(latitude) * np.cos(obliquity) + np.cos(latitude) * np.sin(obliquity) * np.sin(longitude)
    )
    sidereal_deg = 280.46061837 + 360.98564736629 * days + 0.000387933 * (days / 36525.0) ** 2
    sidereal_deg -= (days / 36525.0) ** 3 / 38710000.0
    hour = np.radians(sidereal_deg % 360.0) + nutation * np.cos(obliquity) - right_ascension
    return hour, declination, distance_au


def _topocentric(
    hour: Array, declination: Array, distance_au: Array, phi: float, elevation_m: float
) -> tuple[Array, Array]:
    """Hour angle and declination [rad] as seen from the place instead of the earth's centre (equations 33 to 40)."""
    parallax = np.radians(8.794 / 3600.0) / distance_au
    reduced = np.arctan(0.99664719 * np.tan(phi))
    x = (np.cos(reduced) + elevation_m / 6378140.0 * np.cos(phi)) * np.sin(parallax)
    y = (0.99664719 * np.sin(reduced) + elevation_m / 6378140.0 * np.sin(phi)) * np.sin(parallax)
    across = np.cos(declination) - x * np.cos(hour)
    shift = np.arctan2(-x * np.sin(hour), across)
    return hour - shift, np.arctan2((np.sin(declination) - y) * np.cos(shift), across)


def _refraction_deg(true_elevation_deg: Array, pressure_hpa: float, temperature_c: float) -> Array:
    """What the air lifts the sun by while any of it is above the horizon (equation 42)."""
    up = true_elevation_deg >= -(_SEMIDIAMETER_AS_UP_DEG + _REFRACTION_AT_HORIZON_DEG)
    seen = np.where(up, true_elevation_deg, 0.0)
    lift = 1.02 / (60.0 * np.tan(np.radians(seen + 10.3 / (seen + 5.11))))
    return np.where(up, pressure_hpa / 1010.0 * 283.0 / (273.0 + temperature_c) * lift, 0.0)


def sun_position(
    utc: datetime, lat_deg: float, lon_deg: float, elevation_m: float = 0.0, **conditions: Any
) -> SunPosition:
    """The sun at one moment, which must carry its zone (ValueError if not). Other arguments as `sun_track`."""
    if utc.tzinfo is None:
        raise ValueError("the moment carries no time zone: an hour is 15 degrees of the sun's path")
    azimuth, elevation, semidiameter = sun_track(utc.timestamp(), lat_deg, lon_deg, elevation_m, **conditions)
    return SunPosition(azimuth_deg=float(azimuth), elevation_deg=float(elevation), semidiameter_deg=float(semidiameter))
