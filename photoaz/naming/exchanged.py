"""Places that were written down with latitude and longitude exchanged, or without a sign."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from photoaz.geodesy.frames import EnuFrame
from photoaz.register.model import Site


def exchange_that_fits(lat_deg: float, lon_deg: float, sites: Sequence[Site], within_m: float) -> str | None:
    """Which slip would bring a photo's place to one of the sites, in words; None where none does, or none is needed.

    within_m : how far off a photo of a site may be taken.
    """
    lat, lon = np.array([[s.lat_deg, s.lon_deg] for s in sites]).T
    slips = (
        ("latitude and longitude exchanged", lon, lat),
        ("the latitude's sign lost", -lat, lon),
        ("the longitude's sign lost", lat, -lon),
        ("both signs lost", -lat, -lon),
        ("latitude and longitude exchanged and a sign lost", -lon, lat),
        ("latitude and longitude exchanged and a sign lost", lon, -lat),
    )
    frame = EnuFrame(lat_deg=lat_deg, lon_deg=lon_deg, height_m=0.0)
    for words, lats, lons in slips:
        # a degree of latitude is 111 km; few are near enough to be measured
        near = (np.abs(lats) <= 90.0) & (np.abs(lats - lat_deg) < within_m / 111e3 * 1.01)
        for k in np.flatnonzero(near).tolist():
            away_m = float(np.hypot(*frame.enu_from_geodetic(lats[k], lons[k])[:2]))
            if away_m <= within_m:
                where = f"{away_m:.0f} m" if away_m < 1000.0 else f"{away_m / 1000.0:.1f} km"
                return f"with {words} it would be {where} from {sites[k].site_id}"
    return None
