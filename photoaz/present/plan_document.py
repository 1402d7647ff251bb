"""A plan as documents for machines: JSON, GeoJSON (RFC 7946), GPX 1.1."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from datetime import UTC, datetime
from typing import Any

from photoaz import __version__
from photoaz.planning.plan import SitePlan
from photoaz.planning.trip import RoundTrip
from photoaz.present.files.maps import feature
from photoaz.present.frame import rendered
from photoaz.result import Revisit, plain

Document = dict[str, Any]

#: what a plan is made from, which its document does not repeat
_MADE_FROM = frozenset({"site", "equipment", "surroundings", "wanted", "height_m", "azimuth_deg"})
#: of a standpoint, what a map shows
_ON_MAPS = ("rank", "distance_m", "bearing_from_tower_deg", "heading_deg", "pitch_deg", "lens_35mm_mm")


def plan_document(plan: SitePlan, gain: Revisit | None = None) -> Document:
    """One JSON document of a site's plan; gain: what is best for each antenna, where there is an estimate already."""
    told = {f.name: plain(getattr(plan, f.name)) for f in fields(plan) if f.name not in _MADE_FROM}
    out: Document = {"schema": "photoaz/plan/1", "version": __version__, "site_id": plan.site.site_id, **told}
    if gain is not None:
        told = plain(gain)
        items = [{**item, "unit": gain.unit} for item in told["antennas"]]
        out["worth"] = {**told, "antennas": items}
    return out


def plan_geojson(plan: SitePlan) -> Document:
    """Standpoints, sights to the tower, and the tower, as a FeatureCollection (RFC 7946: longitude first, WGS84)."""
    site_id = plan.site.site_id

    def point(lat_deg: float, lon_deg: float) -> list[float]:
        return [round(lon_deg, 7), round(lat_deg, 7)]

    tower = point(plan.site.lat_deg, plan.site.lon_deg)
    features = [{"id": site_id, **feature("tower", site_id, {"type": "Point", "coordinates": tower})}]
    for s in plan.standpoints:
        at, told = point(s.lat_deg, s.lon_deg), plain(s)
        shown = {name: told[name] for name in (*_ON_MAPS, "antennas", "u95_deg")}
        stand, sight = {"type": "Point", "coordinates": at}, {"type": "LineString", "coordinates": [at, tower]}
        features.append({"id": f"{site_id}/{s.rank}", **feature("standpoint", site_id, stand, **shown)})
        features.append(feature("sight", site_id, sight, rank=s.rank))
    return {"type": "FeatureCollection", "cautions": list(plan.cautions), "features": features}


def plan_gpx(plan: SitePlan, created: datetime) -> str:
    """The standpoints and the tower as waypoints of a GPX 1.1 document."""
    return _gpx(f"Standpoints at {plan.site.site_id}", plan.cautions, created, plan=plan)


def trip_document(trip: RoundTrip) -> Document:
    """A round trip: its stops in order, great-circle lengths."""
    return {"schema": "photoaz/trip/1", "version": __version__, **plain(trip)}


def trip_gpx(trip: RoundTrip, created: datetime) -> str:
    """A round trip as a GPX 1.1 route, back to its first point."""
    return _gpx("Round trip", trip.cautions, created, plan=None, stops=trip.stops)


def _gpx(name: str, cautions: Sequence[str], created: datetime, **points: Any) -> str:
    time = created.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return rendered("points.gpx", name=name, cautions=cautions, time=time, **points)
