"""A plan as documents for machines (JSON, GeoJSON of RFC 7946, GPX 1.1), as tables, and as text for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any

from rich.console import Console

from photoaz import __version__
from photoaz.angles import format_angle_deg as deg
from photoaz.planning.light import UTC as NO_ZONE
from photoaz.planning.light import CivilTime
from photoaz.planning.plan import SitePlan
from photoaz.planning.trip import RoundTrip
from photoaz.present.files.maps import feature
from photoaz.present.frame import rendered
from photoaz.present.terminal import print_text
from photoaz.present.words import UNKNOWN, shortened
from photoaz.result import Revisit, plain
from photoaz.wording import some_of

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


# ---- tables ----------------------------------------------------------------------------------------------------------


_MOST_ANTENNAS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanTable:
    """A table of a plan: headings, and rows of as many cells, whose line breaks stay."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def standpoints_table(plan: SitePlan) -> PlanTable:
    """Where to stand, where to look, with what, and what it will show."""
    rows = []
    for s in plan.standpoints:
        shown = [shortened(n, 24) + (f" ± {deg(u)}" if (u := s.u95_deg.get(n)) is not None else "") for n in s.antennas]
        rows.append(
            (
                str(s.rank),
                f"{s.lat_deg:.6f}\n{s.lon_deg:.6f}",
                f"{s.distance_m:.0f} m\nat {s.bearing_from_tower_deg:.0f}°",
                f"{s.heading_deg:.0f}° true\n{s.pitch_deg:+.0f}° up",
                f"{s.lens_35mm_mm:g} mm\nupright",
                some_of(shown, _MOST_ANTENNAS),
            )
        )
    headings = ("", "stand at lat, lon", "from tower", "camera", "lens", "shows, U95 with this photo alone")
    return PlanTable(headings=headings, rows=tuple(rows))


def outcome_table(plan: SitePlan) -> PlanTable:
    """What will come out: now, and with the best one, two and more photos."""
    rows = []
    told = [("now", UNKNOWN, plan.now_u95_deg)] if plan.now_u95_deg else []
    for s in plan.best_sets:
        where = "; ".join(
            f"{p.distance_m:.0f} m at {p.bearing_from_tower_deg:.0f}° ({p.lens_35mm_mm:g} mm)" for p in s.standpoints
        )
        told.append((str(s.photos), where, s.u95_deg))
    for photos, where, u95_deg in told:
        values = [u95_deg[n] for n in plan.wanted if n in u95_deg]
        unseen = len(plan.wanted) - len(values)
        widest = _spelled(max(values, default=None)) + (f", {unseen} unseen" if values and unseen else "")
        rows.append((photos, where, _spelled(median_of(u95_deg)), widest))
    return PlanTable(headings=("photos", "where", "median U95", "widest"), rows=tuple(rows))


def distance_table(plan: SitePlan) -> PlanTable:
    """Nearer or farther at the best bearing, beside a plumb sight by eye."""
    rows = tuple(
        (
            f"{p.distance_m:.0f} m",
            UNKNOWN if p.lens_35mm_mm is None else f"{p.lens_35mm_mm:g} mm",
            _spelled(p.u95_deg),
            _spelled(p.plumb_sight_u95_deg),
            "common practice" if p.common_practice else "",
        )
        for p in plan.by_distance
    )
    return PlanTable(headings=("distance", "lens", "one photo, median U95", "plumb sight, U95", ""), rows=rows)


def median_of(u95_deg: Mapping[str, float]) -> float | None:
    """The middle one, of an even number the upper; None of none."""
    values = sorted(u95_deg.values())
    return values[len(values) // 2] if values else None


def _spelled(u95_deg: float | None) -> str:
    return UNKNOWN if u95_deg is None else f"± {deg(u95_deg)}"


def print_plan(console: Console, plan: SitePlan, gain: Revisit | None = None, civil: CivilTime = NO_ZONE) -> None:
    """Print a plan: cautions first, then where to stand and what will come out."""
    tables = {"stands": standpoints_table(plan), "outcome": outcome_table(plan), "distances": distance_table(plan)}
    spelled = {"civil": civil, "median": median_of}
    print_text(console, "plan.txt", plan=plan, gain=gain, **tables, **spelled)


def print_trip(console: Console, trip: RoundTrip) -> None:
    """Print a round trip."""
    rows, so_far = [], 0.0
    for s in trip.stops:
        so_far += s.leg_m
        rows.append((str(s.order), s.site_id, f"{s.leg_m / 1000.0:.1f} km", f"{so_far / 1000.0:.1f} km", s.what))
    stops = PlanTable(headings=("", "site", "leg", "so far", "what"), rows=tuple(rows))
    print_text(console, "trip.txt", trip=trip, stops=stops)
