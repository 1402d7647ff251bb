"""The local frame at a tower's base, and geodesics between points on the ellipsoid. WGS84 throughout."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from photoaz.angles import Array, azimuth_deg
from photoaz.quantities import EARTH_RADIUS_M, REFRACTION_K

# NIMA TR8350.2 (2000), table 3.1
WGS84_A_M = 6378137.0
WGS84_F = 1.0 / 298.257223563
_B_M = WGS84_A_M * (1.0 - WGS84_F)
_E2 = WGS84_F * (2.0 - WGS84_F)


def ecef_from_geodetic(lat_deg: ArrayLike, lon_deg: ArrayLike, height_m: ArrayLike) -> Array:
    """Earth-centred coordinates (..., 3) [m] of WGS84 latitudes, longitudes [deg] and ellipsoidal heights [m]."""
    lat, lon = np.radians(np.asarray(lat_deg, dtype=float)), np.radians(np.asarray(lon_deg, dtype=float))
    h = np.asarray(height_m, dtype=float)
    normal = WGS84_A_M / np.sqrt(1.0 - _E2 * np.sin(lat) ** 2)
    flat = (normal + h) * np.cos(lat)
    return np.stack(
        np.broadcast_arrays(flat * np.cos(lon), flat * np.sin(lon), (normal * (1.0 - _E2) + h) * np.sin(lat)), -1
    )


def geodetic_from_ecef(xyz_m: ArrayLike) -> tuple[Array, Array, Array]:
    """Latitude, longitude [deg] and ellipsoidal height [m] of earth-centred coordinates (..., 3) [m].

    Bowring's iteration (1976, Survey Review 23(181), 323-327): three rounds leave less than a nanometre for any point
    within 10 000 km of the surface.
    """
    xyz = np.asarray(xyz_m, dtype=float)
    x, y, z = xyz[..., 0], xyz[..., 1], xyz[..., 2]
    p = np.hypot(x, y)
    beta = np.arctan2(z, (1.0 - WGS84_F) * p)  # reduced latitude
    second_e2 = _E2 / (1.0 - _E2)
    lat = beta
    for _ in range(3):
        lat = np.arctan2(z + second_e2 * _B_M * np.sin(beta) ** 3, p - _E2 * WGS84_A_M * np.cos(beta) ** 3)
        beta = np.arctan2((1.0 - WGS84_F) * np.sin(lat), np.cos(lat))
    # this form of the height holds at the poles as well as at the equator
    h = p * np.cos(lat) + z * np.sin(lat) - WGS84_A_M * np.sqrt(1.0 - _E2 * np.sin(lat) ** 2)
    return np.degrees(lat), np.degrees(np.arctan2(y, x)), h


@dataclass(frozen=True, slots=True, kw_only=True)
class EnuFrame:
    """East, north, up [m] about a point on WGS84: the plane through it square to the ellipsoid's normal.

    Exact at any distance (no flat-earth short cut): a point at the same height 1 km away has up = -0.078 m.
    """

    lat_deg: float
    lon_deg: float
    height_m: float = 0.0

    def __post_init__(self) -> None:
        if not (-90.0 <= self.lat_deg <= 90.0 and math.isfinite(self.lon_deg) and math.isfinite(self.height_m)):
            raise ValueError(f"no frame at latitude {self.lat_deg}, longitude {self.lon_deg}, height {self.height_m}")

    def _enu_from_ecef(self) -> Array:
        lat, lon = math.radians(self.lat_deg), math.radians(self.lon_deg)
        sp, cp, sl, cl = math.sin(lat), math.cos(lat), math.sin(lon), math.cos(lon)
        return np.array([[-sl, cl, 0.0], [-sp * cl, -sp * sl, cp], [cp * cl, cp * sl, sp]])

    def enu_from_geodetic(self, lat_deg: ArrayLike, lon_deg: ArrayLike, height_m: ArrayLike = 0.0) -> Array:
        """East, north, up (..., 3) [m] of points given in degrees and metres above the ellipsoid."""
        origin = ecef_from_geodetic(self.lat_deg, self.lon_deg, self.height_m)
        return (ecef_from_geodetic(lat_deg, lon_deg, height_m) - origin) @ self._enu_from_ecef().T

    def geodetic_from_enu(self, enu_m: ArrayLike) -> tuple[Array, Array, Array]:
        """Latitude, longitude [deg] and height [m] of points (..., 3) [m]: the inverse of `enu_from_geodetic`."""
        origin = ecef_from_geodetic(self.lat_deg, self.lon_deg, self.height_m)
        return geodetic_from_ecef(np.asarray(enu_m, dtype=float) @ self._enu_from_ecef() + origin)


def drop_m(distance_m: ArrayLike, refraction_k: float = REFRACTION_K) -> Array:
    """How far [m] something at a distance (...) [m] seems to lie lower, by the earth's curvature less refraction.

    d^2 (1 - k) / 2R: the line of sight bends with a radius R/k, so that the earth seems to have the radius R/(1 - k).
    """
    d = np.asarray(distance_m, float)
    return np.asarray(d * d * (1.0 - refraction_k) / (2.0 * EARTH_RADIUS_M))


@functools.cache
def _geod() -> Any:
    import pyproj  # 0.1 s, and not every command needs it

    return pyproj.Geod(ellps="WGS84")


def geodesic(lat1_deg: float, lon1_deg: float, lat2_deg: float, lon2_deg: float) -> tuple[float, float, float]:
    """The shortest line from point 1 to point 2 on WGS84.

    Returns azimuth_deg: of the line at point 1, towards 2, [0, 360). back_azimuth_deg: of the line at point 2, towards
    1, [0, 360): the direction to look back in. distance_m: along the ellipsoid.

    Source: Karney: Algorithms for geodesics, J. Geodesy 87 (2013), doi 10.1007/s00190-012-0578-z; PROJ's own.
    """
    forward, back, distance = _geod().inv(lon1_deg, lat1_deg, lon2_deg, lat2_deg)
    return azimuth_deg(float(forward)), azimuth_deg(float(back)), float(distance)


def destination(lat_deg: float, lon_deg: float, azimuth_true_deg: float, distance_m: float) -> tuple[float, float]:
    """Latitude and longitude [deg] of the point reached along a geodesic from a point, azimuth [deg] and length [m]."""
    lon, lat, _ = _geod().fwd(lon_deg, lat_deg, azimuth_true_deg, distance_m)
    return float(lat), float(lon)
