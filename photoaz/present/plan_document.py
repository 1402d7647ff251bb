"""A plan as documents for machines: JSON, GeoJSON (RFC 7946), GPX 1.1."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from xml.etree import ElementTree

from photoaz import __version__
from photoaz.planning.light import Light, Window
from photoaz.planning.plan import SitePlan, Standpoint
from photoaz.planning.trip import Stop
from photoaz.result import Revisit

Document = dict[str, Any]

GPX_NAMESPACE = "http://www.topografix.com/GPX/1/1"


def _round(value: float | None, decimals: int) -> float | None:
    return None if value is None else round(float(value), decimals) + 0.0


def plan_document(plan: SitePlan, worth: Revisit | None = None) -> Document:
    """One JSON document of a site's plan; worth: what is best for each antenna, where there is an estimate already."""
    out: Document = {
        "schema": "photoaz/plan/1",
        "version": __version__,
        "site_id": plan.site.site_id,
        "date": plan.day.isoformat(),
        "standpoints": [_standpoint(s) for s in plan.standpoints],
        "now_u95_deg": _u95(plan.now_u95_deg),
        "together_u95_deg": _u95(plan.together_u95_deg),
        "best_sets": [
            {
                "photos": len(s.standpoints),
                "u95_deg": _u95(s.u95_deg),
                "standpoints": [
                    {
                        "lat_deg": _round(p.lat_deg, 7),
                        "lon_deg": _round(p.lon_deg, 7),
                        "distance_m": _round(p.distance_m, 1),
                        "bearing_from_tower_deg": _round(p.bearing_from_tower_deg, 1),
                        "lens_35mm_mm": _round(p.lens_35mm_mm, 1),
                    }
                    for p in s.standpoints
                ],
            }
            for s in plan.sets
        ],
        "by_distance": [
            {
                "distance_m": _round(p.distance_m, 1),
                "lens_35mm_mm": _round(p.lens_35mm_mm, 1),
                "u95_deg": _round(p.u95_deg, 2),
                "plumb_sight_u95_deg": _round(p.sight_u95_deg, 2),
                "common_practice": p.practice,
            }
            for p in plan.profile
        ],
        "notes": list(plan.notes),
        "cautions": list(plan.cautions),
    }
    if worth is not None:
        out["worth"] = {
            "sentence": worth.sentence,
            "antennas": [
                {
                    "antenna_id": i.antenna_id,
                    "action": i.action,
                    "instruction": i.instruction,
                    "expected_loss_now": _round(i.expected_loss_now, 2),
                    "expected_loss_after": _round(i.expected_loss_after, 2),
                    "cost": _round(i.cost, 2),
                    "unit": worth.unit,
                }
                for i in worth.antennas
            ],
        }
    return out


def _u95(u95: Any) -> Document:
    return {name: _round(value, 2) for name, value in u95.items()}


def _standpoint(s: Standpoint) -> Document:
    return {
        "rank": s.rank,
        "lat_deg": _round(s.lat_deg, 7),
        "lon_deg": _round(s.lon_deg, 7),
        "distance_m": _round(s.distance_m, 1),
        "bearing_from_tower_deg": _round(s.bearing_from_tower_deg, 1),
        "heading_deg": _round(s.heading_deg, 1),
        "pitch_deg": _round(s.pitch_deg, 1),
        "lens_35mm_mm": _round(s.lens_35mm_mm, 1),
        "antennas": list(s.antennas),
        "u95_deg": _u95(s.u95_deg),
        "views": [
            {"antenna_id": v.antenna_id, "yaw_deg": _round(v.yaw_deg, 1), "width_px": _round(v.width_px, 0)}
            for v in s.views
        ],
        "landmarks": [
            {
                "name": m.name,
                "x_px": _round(m.pixel[0], 0),
                "y_px": _round(m.pixel[1], 0),
                "distance_m": _round(m.distance_m, 0),
                "u95_with_deg": _u95(m.u95_with_deg),
                "u95_without_deg": _u95(m.u95_without_deg),
            }
            for m in s.landmarks
        ],
        "light": None if s.light is None else _light(s.light),
        "year": [_light(one) for one in s.year],
    }


def _light(light: Light) -> Document:
    def windows(some: tuple[Window, ...]) -> list[list[str]]:
        return [[_moment(w.start), _moment(w.end)] for w in some]

    return {
        "date": light.day.isoformat(),
        "sun_up": windows(light.up),
        "sun_behind": windows(light.behind),
        "sun_in_frame": windows(light.in_frame),
        "sun_as_control": windows(light.control),
    }


def _moment(when: datetime) -> str:
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%MZ")


def plan_geojson(plan: SitePlan) -> Document:
    """Standpoints, sights to the tower, and the tower, as a FeatureCollection (RFC 7946: longitude first, WGS84)."""
    tower = [_round(plan.site.lon_deg, 7), _round(plan.site.lat_deg, 7)]
    features: list[Document] = [
        {
            "type": "Feature",
            "id": plan.site.site_id,
            "geometry": {"type": "Point", "coordinates": tower},
            "properties": {"kind": "tower", "site_id": plan.site.site_id},
        }
    ]
    for s in plan.standpoints:
        at = [_round(s.lon_deg, 7), _round(s.lat_deg, 7)]
        known = _standpoint(s)
        properties = {
            k: known[k]
            for k in ("rank", "distance_m", "bearing_from_tower_deg", "heading_deg", "pitch_deg", "lens_35mm_mm")
        }
        features.append(
            {
                "type": "Feature",
                "id": f"{plan.site.site_id}/{s.rank}",
                "geometry": {"type": "Point", "coordinates": at},
                "properties": {
                    "kind": "standpoint",
                    "site_id": plan.site.site_id,
                    **properties,
                    "antennas": known["antennas"],
                    "u95_deg": known["u95_deg"],
                },
            }
        )
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "LineString", "coordinates": [at, tower]},
                "properties": {"kind": "sight", "site_id": plan.site.site_id, "rank": s.rank},
            }
        )
    return {"type": "FeatureCollection", "features": features}


def plan_gpx(plan: SitePlan, created: datetime) -> str:
    """The standpoints and the tower as waypoints of a GPX 1.1 document (elements in the schema's order)."""
    root = _gpx(f"Standpoints at {plan.site.site_id}", created)
    for s in plan.standpoints:
        said = (
            f"{s.distance_m:.0f} m from the tower, camera towards {s.heading_deg:.0f} deg true, "
            f"{s.pitch_deg:.0f} deg up, lens {s.lens_35mm_mm:g} mm (35 mm equivalent)"
        )
        _waypoint(root, s.lat_deg, s.lon_deg, f"{plan.site.site_id} {s.rank}", said, "standpoint")
    _waypoint(root, plan.site.lat_deg, plan.site.lon_deg, plan.site.site_id, "tower", "tower")
    return _xml(root)


def trip_document(stops: tuple[Stop, ...], length_m: float) -> Document:
    """A round trip: its stops in order, great-circle lengths."""
    return {
        "schema": "photoaz/trip/1",
        "version": __version__,
        "length_m": _round(length_m, 0),
        "stops": [
            {
                "order": n,
                "site_id": s.site_id,
                "lat_deg": _round(s.lat_deg, 7),
                "lon_deg": _round(s.lon_deg, 7),
                "leg_m": _round(s.leg_m, 0),
                "what": s.what,
            }
            for n, s in enumerate(stops, 1)
        ],
    }


def trip_gpx(stops: tuple[Stop, ...], created: datetime) -> str:
    """A round trip as a GPX 1.1 route, back to its first point."""
    root = _gpx("Round trip", created)
    route = ElementTree.SubElement(root, "rte")
    ElementTree.SubElement(route, "name").text = "Round trip"
    for s in stops:
        point = ElementTree.SubElement(route, "rtept", _place(s.lat_deg, s.lon_deg))
        ElementTree.SubElement(point, "name").text = _clean(s.site_id)
        if s.what:
            ElementTree.SubElement(point, "desc").text = _clean(s.what)
    return _xml(root)


def _gpx(name: str, created: datetime) -> ElementTree.Element:
    root = ElementTree.Element("gpx", {"version": "1.1", "creator": f"photoaz {__version__}", "xmlns": GPX_NAMESPACE})
    head = ElementTree.SubElement(root, "metadata")
    ElementTree.SubElement(head, "name").text = _clean(name)
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
