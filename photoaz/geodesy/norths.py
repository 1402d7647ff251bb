"""True, magnetic and grid north: what to add to a reading to get an azimuth from true north."""

from __future__ import annotations

import calendar
import functools
import math
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from photoaz.angles import azimuth_deg, format_difference_deg
from photoaz.errors import Fault, InputError
from photoaz.geodesy.magnetism import main_field_nt

KnownNorth = Literal["true", "magnetic", "grid"]

FIRST_YEAR, LAST_YEAR = 1900, 2029  # whole years in which a declination can be had

# (first decimal year, name, file of coefficients, and of u(D) = sqrt(floor^2 + (slope / H)^2) [deg, deg nT])
_MODELS = (
    (2025.0, "WMM2025", "wmm2025", 0.26, 5417.0),
    (2020.0, "WMM2020", "wmm2020", 0.26, 5625.0),
    (2015.0, "WMM2015v2", "wmm2015v2", 0.23, 5430.0),
    # No error model of this form was published before 2015. Crustal field and disturbance make up most of u(D) and have
    # not changed, so the oldest published one serves.
    (2010.0, "WMM2010", "wmm2010", 0.23, 5430.0),
    (1900.0, "IGRF-14", "igrf14", 0.23, 5430.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Declination:
    """Magnetic declination: from true to magnetic north, east positive. sigma_deg: one standard uncertainty."""

    value_deg: float
    sigma_deg: float
    model: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueAzimuth:
    """A direction carried over to true north. sigma_deg is the correction's; how says what was added."""

    azimuth_deg: float
    sigma_deg: float
    how: str


def decimal_year(day: date) -> float:
    """Year and fraction at the start of a day: 2027-07-02 is 2027.4986."""
    since = date(day.year, day.month, day.day).toordinal() - date(day.year, 1, 1).toordinal()
    return day.year + since / (366 if calendar.isleap(day.year) else 365)


@functools.lru_cache(maxsize=4096)
def declination_in(lat_deg: float, lon_deg: float, height_m: float, year: float) -> Declination:
    """Declination by the model of its years: WMM 2010 to 2030, IGRF-14 from 1900 to 2010.

    lat_deg, lon_deg : WGS84. height_m : above the ellipsoid (above sea level does as well: 100 m matter less than 0.001
    degrees). year : decimal.

    Its sigma is the published error model, sqrt(a^2 + (b / H)^2) (a 0.26, b 5417 for WMM2025;
    WMM2020 0.26, 5625; WMM2015 0.23, 5430, used for all years before as well): a global average that holds crust and
    disturbance. Steel, volcanic rock and cities exceed it. Near the magnetic poles it grows without bound.

    Raises InputError: a year that no model covers, a place that is none.

    Source: NOAA NCEI and BGS: The US/UK World Magnetic Model for 2025-2030 (and its forerunners). Alken et al.: IGRF,
    Earth, Planets and Space 73 (2021) 49; 14th generation.
    """
    if not (-90.0 <= lat_deg <= 90.0 and math.isfinite(lon_deg) and math.isfinite(height_m)):
        found = f"latitude {lat_deg}, longitude {lon_deg}"
        raise InputError(Fault(file="magnetic declination", found=found, wanted="a place"))
    for first, name, coefficients, floor, slope in _MODELS:
        if first <= year <= LAST_YEAR + 1:
            north, east = main_field_nt(coefficients, lat_deg, lon_deg, height_m, year)
            sigma = math.hypot(floor, slope / max(math.hypot(north, east), 1e-9))
            value = math.degrees(math.atan2(east, north))
            return Declination(value_deg=value, sigma_deg=min(sigma, 180.0), model=name)
    wanted = f"a date from {FIRST_YEAR} to {LAST_YEAR}: no field model covers others"
    raise InputError(Fault(file="magnetic declination", found=f"the year {year:.1f}", wanted=wanted))


def declination(lat_deg: float, lon_deg: float, height_m: float, when: date) -> Declination:
    """Declination at a place (WGS84, ellipsoidal height) on a day, with its standard uncertainty.

    See `declination_in` for models, uncertainty and errors. Remembered, so that asking again costs nothing.
    """
    return declination_in(lat_deg, lon_deg, height_m, decimal_year(when))


def _crs_fault(crs: str, found: str, wanted: str = "a projected CRS, e.g. EPSG:32755") -> InputError:
    return InputError(Fault(file=f"grid_crs {crs}", found=found, wanted=wanted))


@functools.lru_cache(maxsize=256)
def _projection(crs: str) -> tuple[Any, str, tuple[float, float, float, float] | None]:
    """pyproj.Proj, name and area of use (west, south, east, north; degrees) of a projected CRS."""
    import pyproj

    text = f"EPSG:{crs}" if crs.strip().isdigit() else crs
    try:
        parsed = pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        raise _crs_fault(crs, "a name that PROJ does not know") from None
    if not parsed.is_projected:
        raise _crs_fault(crs, f"{parsed.name}, which is no map projection and so has no grid north")
    area = parsed.area_of_use
    try:
        return pyproj.Proj(parsed), parsed.name, area.bounds if area else None
    except pyproj.exceptions.ProjError:  # one that needs a grid which is not there
        raise _crs_fault(crs, f"{parsed.name}, which PROJ cannot compute") from None


def check_grid_crs(crs: str) -> str:
    """Name of a projected CRS ('EPSG:28355', or the bare number); InputError for any other."""
    return _projection(crs)[1]


# Zones are used beyond their edges (whole countries in one zone), but not this far; further out it is the wrong code.
_AREA_MARGIN_DEG = 10.0


def _outside(area: tuple[float, float, float, float] | None, lat_deg: float, lon_deg: float) -> float:
    """Degrees that a point lies outside an area (0 inside), the greater of latitude and longitude."""
    if area is None:
        return 0.0
    west, south, east, north = area
    width = (east - west) % 360.0 or 360.0 * (east != west)
    from_west = (lon_deg - west) % 360.0
    in_lon = 0.0 if from_west <= width else min(from_west - width, 360.0 - from_west)
    return max(in_lon, south - lat_deg, lat_deg - north, 0.0)


def _check_area(lat_deg: float, lon_deg: float, crs: str) -> float:
    """Degrees that a place lies outside the CRS's area of use; InputError where they are too many."""
    _, name, area = _projection(crs)
    outside = _outside(area, lat_deg, lon_deg)
    if outside > _AREA_MARGIN_DEG and area is not None:
        west, south, east, north = area
        raise _crs_fault(
            crs,
            f"{name}, made for latitudes {south:g} to {north:g} and longitudes {west:g} to {east:g}",
            f"a CRS that covers {lat_deg:.3f}, {lon_deg:.3f}",
        )
    return outside


def check_grid_north(lat_deg: float, lon_deg: float, crs: str) -> None:
    """Raise what `meridian_convergence_deg` would; at once where the place lies within the CRS's area of use."""
    if _projection(crs)[2] is None or _check_area(lat_deg, lon_deg, crs) > 0.0:
        meridian_convergence_deg(lat_deg, lon_deg, crs)


@functools.lru_cache(maxsize=4096)
def meridian_convergence_deg(lat_deg: float, lon_deg: float, crs: str) -> float:
    """Angle from true north to the grid north of a projected CRS, clockwise positive [deg].

    So grid bearing = true azimuth - convergence (PROJ's sign). In a transverse Mercator grid it is positive east of the
    central meridian in the northern hemisphere and west of it in the southern. The Australian manuals print the
    opposite sign.

    lat_deg, lon_deg : on the CRS's own datum. WGS84 does as well: a shift of 200 m changes the answer by less than
    0.004 degrees up to 60 degrees of latitude. crs : 'EPSG:28355', '28355' or whatever PROJ takes.

    Raises InputError: not a projected CRS, or one that lies more than 10 degrees from the place.
    """
    proj, name, _ = _projection(crs)
    _check_area(lat_deg, lon_deg, crs)
    convergence = float(proj.get_factors(lon_deg, lat_deg).meridian_convergence)
    if not math.isfinite(convergence):
        raise _crs_fault(crs, f"{name}, which has no image of {lat_deg:.3f}, {lon_deg:.3f}")
    return convergence


def to_true(
    angle_deg: float,
    north: KnownNorth,
    *,
    lat_deg: float,
    lon_deg: float,
    height_m: float = 0.0,
    when: date | None = None,
    grid_crs: str | None = None,
) -> TrueAzimuth:
    """Carry a direction over to true north.

    angle_deg : clockwise from `north`. lat_deg, lon_deg, height_m : where it was read. when : the day, for magnetic
    north. grid_crs : for grid north. (No arc-to-chord correction: a bearing read at the place has none.)

    Raises InputError: magnetic without a day or outside the models' years; grid without a usable CRS.
    """
    if north == "true":
        return TrueAzimuth(azimuth_deg=azimuth_deg(float(angle_deg)), sigma_deg=0.0, how="read from true north")
    if north == "magnetic":
        if when is None:
            wanted = "the day on which it was read: declination drifts by up to a degree in a few years"
            raise InputError(Fault(file="magnetic north", found="no date", wanted=wanted))
        d = declination(lat_deg, lon_deg, height_m, when)
        how = (
            f"read from magnetic north; declination {format_difference_deg(d.value_deg)} "
            f"(east positive; {d.model}, {when:%Y-%m-%d}) added"
        )
        return TrueAzimuth(azimuth_deg=azimuth_deg(angle_deg + d.value_deg), sigma_deg=d.sigma_deg, how=how)
    if grid_crs is None:
        raise InputError(Fault(file="grid north", found="no CRS", wanted="grid_crs, e.g. EPSG:32755"))
    gamma = meridian_convergence_deg(lat_deg, lon_deg, grid_crs)
    _, name, area = _projection(grid_crs)
    outside = " (the place lies outside its area of use)" if _outside(area, lat_deg, lon_deg) > 0.0 else ""
    how = f"read from the grid north of {name}{outside}; meridian convergence {gamma:+.2f}° added"
    return TrueAzimuth(azimuth_deg=azimuth_deg(angle_deg + gamma), sigma_deg=0.0, how=how)
