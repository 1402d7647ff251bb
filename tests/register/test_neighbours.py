"""Which sites stand side by side, against PROJ's geodesics."""

from __future__ import annotations

from pyproj import Geod

from photoaz.register.load import with_neighbours
from photoaz.register.model import Antenna, Site

GEOD = Geod(ellps="WGS84")


def site(name: str, azimuth_deg: float, metres: float, line: int = 0) -> Site:
    lon, lat, _ = GEOD.fwd(-66.4, 46.6, azimuth_deg, metres)
    antenna = Antenna(antenna_id="A1", rad_center_m=30.0, design_azimuth_deg=0.0, line=line)
    return Site(site_id=name, lat_deg=lat, lon_deg=lon, antennas=(antenna,))


def test_sites_within_thirty_metres_are_neighbours() -> None:
    sites = (site("M", 0.0, 0.0), site("Z", 90.0, 29.0, 7), site("B", 200.0, 20.0), site("far", 45.0, 60.0))
    got = {s.site_id: [n.site_id for n in s.neighbours] for s in with_neighbours(sites)}
    assert got == {"M": ["B", "Z"], "Z": ["M"], "B": ["M"], "far": []}
    again = {s.site_id: s.neighbours for s in with_neighbours(sites[::-1])}
    assert again == {s.site_id: s.neighbours for s in with_neighbours(sites)}
    # a neighbour has none of its own, and where its rows stand does not matter
    assert all(n.neighbours == () and n.antennas[0].line == 0 for n in again["M"])


def test_a_lonely_site_has_none() -> None:
    one = site("M", 0.0, 0.0)
    assert with_neighbours([one]) == (one,)
    assert with_neighbours([]) == ()
