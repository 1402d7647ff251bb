"""What is known of a site's antennas before any photo is looked at, from the register."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from photoaz.errors import InputError
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.norths import to_true
from photoaz.naming.model import AntennaPriors
from photoaz.quantities import (
    DESIGN_DOWNTILT_SIGMA_RAD,
    DOWNTILT_RAD,
    GIVEN_OFFSET_SIGMA_M,
    K95,
    PLUMB_SIGMA_RAD,
    RADIUS_95,
    SIZE_SIGMA,
    STAND_OFF_M,
    TYPICAL_SIZE_M,
)
from photoaz.register.model import Antenna, Site


def head_priors_of(site: Site) -> dict[str, AntennaPriors]:
    """All that a photo of the site may show: its antennas by their ids, its neighbours' by 'site/antenna'."""
    out = {a.antenna_id: antenna_priors_of(a, site) for a in site.antennas}
    frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0)
    for other in site.neighbours:
        axis = np.asarray(frame.enu_from_geodetic(other.lat_deg, other.lon_deg)[:2])
        higher = 0.0 if site.ground_m is None or other.ground_m is None else other.ground_m - site.ground_m
        for a in other.antennas:
            one = antenna_priors_of(a, other)
            name = f"{other.site_id}/{a.antenna_id}"
            out[name] = replace(
                one,
                name=name,
                sector=None if one.sector is None else f"{other.site_id}/{one.sector}",
                east_north_m=one.east_north_m + axis,
                up_m=one.up_m + higher,
                axis_m=(float(axis[0]), float(axis[1])),
                axis_sigma_m=float(np.hypot(site.position_u95_m, other.position_u95_m)) / RADIUS_95,
                own=False,
            )
    return out


def antenna_priors_of(a: Antenna, site: Site) -> AntennaPriors:
    """What the register says of an antenna, with what is common where it is silent."""
    design = np.radians(_design_true_deg(a, site))
    design_known = site.unfilled_design_deg is None
    known = a.offset_east_m is not None and a.offset_north_m is not None
    offset, offset_sigma = np.zeros(2), float(np.hypot(*STAND_OFF_M))
    if known:
        offset, offset_sigma = np.array([a.offset_east_m, a.offset_north_m], float), GIVEN_OFFSET_SIGMA_M
    elif design_known:
        offset, offset_sigma = STAND_OFF_M[0] * np.array([np.sin(design), np.cos(design)]), STAND_OFF_M[1]
    size, sigma = [], []
    for value, name in ((a.width_m, "width"), (a.height_m, "height"), (a.depth_m, "depth")):
        if value is None:
            typical, s = TYPICAL_SIZE_M[name]
            size.append(np.log(typical))
            sigma.append(s)
        else:
            size.append(np.log(value))
            sigma.append(float(np.hypot(SIZE_SIGMA[0], SIZE_SIGMA[1] / value)))
    designed = a.design_downtilt_deg is not None
    return AntennaPriors(
        name=a.antenna_id,
        design_rad=float(design),
        east_north_m=offset,
        offset_sigma_m=offset_sigma,
        up_m=a.rad_center_m,
        up_sigma_m=a.rad_center_u95_m / K95,
        ln_size=np.array(size),
        ln_size_sigma=np.array(sigma),
        sizes_known=None not in (a.width_m, a.height_m, a.depth_m),
        downtilt_rad=float(np.radians(a.design_downtilt_deg)) if a.design_downtilt_deg is not None else DOWNTILT_RAD[0],
        downtilt_sigma_rad=DESIGN_DOWNTILT_SIGMA_RAD if designed else DOWNTILT_RAD[1],
        roll_sigma_rad=PLUMB_SIGMA_RAD,
        place_known=known,
        sector=a.sector,
        position=a.position,
        tolerance_rad=float(np.radians(a.tolerance_deg)),
        design_known=design_known,
    )


def _design_true_deg(a: Antenna, site: Site) -> float:
    """Design azimuth carried to true north as well as can be: it only tells where the antenna stands off the axis."""
    try:
        return to_true(
            a.design_azimuth_deg,
            a.design_north,
            lat_deg=site.lat_deg,
            lon_deg=site.lon_deg,
            when=a.reading.date if a.reading else None,
            grid_crs=a.grid_crs,
        ).azimuth_deg
    except InputError:
        return a.design_azimuth_deg
