"""A plan as documents for machines: JSON, GeoJSON (RFC 7946), GPX 1.1."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from datetime import UTC, datetime
from typing import Any
from xml.etree import ElementTree

from photoaz import __version__
from photoaz.planning.plan import SitePlan
from photoaz.planning.trip import RoundTrip
from photoaz.result import Revisit, plain

Document = dict[str, Any]

GPX_NAMESPACE = "http://www.topografix.com/GPX/1/1"


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

    def feature(kind: str, shape: str, coordinates: Any, **more: Any) -> Document:
        return {
            "type": "Feature",
            "geometry": {"type": shape, "coordinates": coordinates},
            "properties": {"kind": kind, "site_id": site_id, **more},
        }

    tower = point(plan.site.lat_deg, plan.site.lon_deg)
    features = [{"id": site_id, **feature("tower", "Point", tower)}]
    for s in plan.standpoints:
        at, told = point(s.lat_deg, s.lon_deg), plain(s)
        shown = {name: told[name] for name in (*_ON_MAPS, "antennas", "u95_deg")}
        features.append({"id": f"{site_id}/{s.rank}", **feature("standpoint", "Point", at, **shown)})
        features.append(feature("sight", "LineString", [at, tower], rank=s.rank))
    return {"type": "FeatureCollection", "cautions": list(plan.cautions), "features": features}


def plan_gpx(plan: SitePlan, created: datetime) -> str:
    """The standpoints and the tower as waypoints of a GPX 1.1 document (elements in the schema's order)."""
    root = _gpx(f"Standpoints at {plan.site.site_id}", plan.cautions, created)
    for s in plan.standpoints:
        said = (
            f"{s.distance_m:.0f} m from the tower, camera towards {s.heading_deg:.0f} deg true, "
            f"{s.pitch_deg:.0f} deg up, lens {s.lens_35mm_mm:g} mm (35 mm equivalent)"
        )
        _waypoint(root, s.lat_deg, s.lon_deg, f"{plan.site.site_id} {s.rank}", said, "standpoint")
    _waypoint(root, plan.site.lat_deg, plan.site.lon_deg, plan.site.site_id, "tower", "tower")
    return _xml(root)


def trip_document(trip: RoundTrip) -> Document:
    """A round trip: its stops in order, great-circle lengths."""
    return {"schema": "photoaz/trip/1", "version": __version__, **plain(trip)}


def trip_gpx(trip: RoundTrip, created: datetime) -> str:
    """A round trip as a GPX 1.1 route, back to its first point."""
    root = _gpx("Round trip", trip.cautions, created)
    route = ElementTree.SubElement(root, "rte")
    ElementTree.SubElement(route, "name").text = "Round trip"
    for s in trip.stops:
        point = ElementTree.SubElement(route, "rtept", _place(s.lat_deg, s.lon_deg))
        ElementTree.SubElement(point, "name").text = _clean(s.site_id)
        if s.what:
            ElementTree.SubElement(point, "desc").text = _clean(s.what)
    return _xml(root)


def _gpx(name: str, cautions: Iterable[str], created: datetime) -> ElementTree.Element:
    root = ElementTree.Element("gpx", {"version": "1.1", "creator": f"photoaz {__version__}", "xmlns": GPX_NAMESPACE})
    head = ElementTree.SubElement(root, "metadata")
    ElementTree.SubElement(head, "name").text = _clean(name)
    ElementTree.SubElement(head, "desc").text = " ".join(cautions)
    ElementTree.SubElement(head, "time").text = created.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return root


def _place(lat: float, lon: float) -> dict[str, str]:
    return {"lat": f"{lat:.7f}", "lon": f"{lon:.7f}"}


def _waypoint(root: ElementTree.Element, lat: float, lon: float, name: str, said: str, kind: str) -> None:
    point = ElementTree.SubElement(root, "wpt", _place(lat, lon))
    for tag, text in (("name", name), ("desc", said), ("type", kind)):
        ElementTree.SubElement(point, tag).text = _clean(text)


def _clean(text: str) -> str:
    """Without characters that XML 1.0 does not allow."""
    return "".join(c for c in text if c in "\t\n\r" or 0x20 <= ord(c) <= 0xD7FF or 0xE000 <= ord(c) <= 0x10FFFF)


def _xml(root: ElementTree.Element) -> str:
    ElementTree.indent(root, " ")
    body = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'
