"""From where photos were taken, as plans show it."""

from __future__ import annotations

from collections.abc import Mapping

from photoaz.angles import azimuth_deg
from photoaz.geodesy.frames import geodesic
from photoaz.present.drawing import CameraPlace, Pointing, azimuth_plan
from photoaz.present.figures import directions
from photoaz.present.words import short_label
from photoaz.result import AntennaResult, SiteResult


def site_plan(site: SiteResult, ident: str = "site") -> str:
    """The plan of a whole site as SVG: where its antennas point, and the standpoints by the photos' numbers."""
    drawn = [Pointing(label=short_label(a.antenna_id, site.site_id), directions=directions(a)) for a in site.antennas]
    return azimuth_plan(drawn, list(standpoints(site).values()), ident=ident)


def standpoints(site: SiteResult) -> dict[str, CameraPlace]:
    """By photo, with its number, where it was taken; those whose position is not known are left out."""
    out = {}
    for k, p in enumerate(site.photos, 1):
        if p.lat_deg is None or p.lon_deg is None:
            continue
        bearing, _, distance = geodesic(site.lat_deg, site.lon_deg, p.lat_deg, p.lon_deg)
        out[p.photo] = CameraPlace(
            number=k,
            bearing_deg=bearing,
            distance_m=distance,
            used=p.status == "used",
            heading_deg=p.heading_true_deg,
            half_deg=p.heading_u95_deg,
        )
    return out


def antenna_cameras(
    a: AntennaResult, numbers: Mapping[str, int], stands: Mapping[str, CameraPlace], most: int
) -> list[CameraPlace]:
    """Number and bearing from the tower of the photos that show an antenna widest; by the yaw where not known."""
    out = []
    for view in sorted(a.evidence, key=lambda v: -v.width_px)[:most]:
        if view.photo in stands:
            bearing = stands[view.photo].bearing_deg
        elif view.photo in numbers and a.azimuth_true_deg is not None:
            bearing = azimuth_deg(a.azimuth_true_deg - view.yaw_deg)
        else:
            continue
        out.append(CameraPlace(number=numbers[view.photo], bearing_deg=bearing))
    return out
