"""What a map shows of a site: its tower, standpoints with their lines of sight, and where its antennas point."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from photoaz.angles import wrap_deg
from photoaz.present.words import base_name, before_you_go
from photoaz.result import SiteResult, plain

LonLat = tuple[float, float]
Parts = tuple[tuple[LonLat, ...], ...]
Geometry = Literal["Point", "LineString", "Polygon"]
Kind = Literal["tower", "standpoint", "sight", "antenna", "uncertainty", "reading", "design"]

REACH_M = 60.0  # of an antenna's direction and its wedge
OTHER_REACH_M = 48.0  # of design and reading, so that they can be seen beside it
_SIGHT_M = (10.0, 250.0)
_ARC_STEP_DEG = 2.0
_DECIMALS = 7  # 1 cm
#: what a map is told of a photo, and of an antenna (of the columns of estimates.csv)
_PHOTO_COLUMNS = ("photo", "status", "reason", "taken", "heading_true_deg", "heading_u95_deg")
_ANTENNA_COLUMNS = (
    *("antenna_id", "sector", "status", "azimuth_true_deg", "u95_deg", "downtilt_deg"),
    *("reading_azimuth_true_deg", "reading_agrees", "likely_cause"),
    *("design_azimuth_true_deg", "design_deviation_deg", "decision", "revisit"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A thing on the map. parts : each a list of (lon, lat), degrees WGS84, longitudes -180 to 180.

    More than one part where it lies across the antimeridian, at which it is cut (RFC 7946, 3.1.9).
    Polygons are closed rings, anticlockwise (RFC 7946, 3.1.6).
    """

    kind: Kind
    geometry: Geometry
    parts: Parts
    name: str
    site_id: str
    properties: Mapping[str, Any] = field(default_factory=dict)


@functools.cache
def _geod() -> Any:
    import pyproj

    return pyproj.Geod(ellps="WGS84")


def _ends(start: LonLat, azimuths_deg: Sequence[float], distance_m: float) -> list[LonLat]:
    """Points at a distance in directions; near the start: 180.0001 beside 179.9999, not round the world from it."""
    n = len(azimuths_deg)
    lon, lat, _ = _geod().fwd([start[0]] * n, [start[1]] * n, list(azimuths_deg), [distance_m] * n)
    return [(start[0] + wrap_deg(x - start[0]), y) for x, y in zip(lon, lat, strict=True)]


def site_shapes(site: SiteResult) -> list[Shape]:
    """The shapes of a site: tower, standpoints, wedges of uncertainty, lines; of these only what is known."""
    tower = (site.lon_deg, site.lat_deg)

    def shape(kind: Kind, geometry: Geometry, parts: Parts, name: str, properties: Mapping[str, Any]) -> Shape:
        return Shape(kind=kind, geometry=geometry, parts=parts, name=name, site_id=site.site_id, properties=properties)

    def ray(kind: Kind, name: str, start: LonLat, azimuth: float, reach_m: float, about: Mapping[str, Any]) -> Shape:
        return shape(kind, "LineString", _cut("LineString", [start, *_ends(start, [azimuth], reach_m)]), name, about)

    shapes = [shape("tower", "Point", _place(tower), site.site_id, _site_properties(site))]
    wedges, lines = [], []
    for photo in site.photos:
        if photo.lat_deg is None or photo.lon_deg is None:
            continue
        place = (photo.lon_deg, photo.lat_deg)
        plain_photo = plain(photo)
        about: Mapping[str, Any] = {k: plain_photo[k] for k in _PHOTO_COLUMNS}
        name = base_name(photo.photo)
        shapes.append(shape("standpoint", "Point", _place(place), name, about))
        if photo.heading_true_deg is not None:
            reach = min(max(_geod().inv(*place, *tower)[2], _SIGHT_M[0]), _SIGHT_M[1])
            lines.append(ray("sight", name, place, photo.heading_true_deg, reach, about))
    for antenna, row in zip(site.antennas, site.to_records(), strict=True):
        name, properties = antenna.antenna_id, {k: row[k] for k in _ANTENNA_COLUMNS}
        azimuth, u95 = antenna.azimuth_true_deg, antenna.u95_deg
        if azimuth is not None and u95 is not None:
            ring = [*([tower] if u95 < 180.0 else []), *_ends(tower, _arc(azimuth, u95), REACH_M)]
            wedges.append(shape("uncertainty", "Polygon", _cut("Polygon", [*ring, ring[0]]), name, properties))
        if azimuth is not None:
            lines.append(ray("antenna", name, tower, azimuth, REACH_M, properties))
        reading = antenna.reading
        others: list[tuple[Kind, float | None]] = [
            ("reading", None if reading is None else reading.azimuth_true_deg),
            ("design", antenna.design.azimuth_true_deg),
        ]
        for kind, other in others:
            if other is not None:
                about = {"antenna_id": name, "azimuth_true_deg": row[f"{kind}_azimuth_true_deg"]}
                lines.append(ray(kind, name, tower, other, OTHER_REACH_M, about))
    return [*shapes, *wedges, *lines]


def _site_properties(site: SiteResult) -> dict[str, Any]:
    return {
        "antennas": len(site.antennas),
        "photos": len(site.photos),
        "declination_deg": plain(site.declination_deg),
        "revisit": any(a.revisit for a in site.antennas),
        "to_do": None if site.revisit is None else site.revisit.sentence,
        "before_you_go": before_you_go(site.revisit) or None,
    }


def _arc(azimuth_deg: float, u95_deg: float) -> list[float]:
    """Azimuths from the clockwise edge of an interval to the other: anticlockwise, as rings run."""
    half = min(max(u95_deg, 0.01), 180.0)
    steps = max(2, math.ceil(2.0 * half / _ARC_STEP_DEG))
    last = steps if half < 180.0 else steps - 1  # a full circle ends where it began
    return [azimuth_deg + half - 2.0 * half * k / steps for k in range(last + 1)]


def _rounded(point: LonLat) -> LonLat:
    return round(point[0], _DECIMALS) + 0.0, round(point[1], _DECIMALS) + 0.0


def _place(point: LonLat) -> Parts:
    return ((_rounded((wrap_deg(point[0]), point[1])),),)


def _cut(geometry: Geometry, points: Sequence[LonLat]) -> Parts:
    """A line or a closed ring near its start, as it may run beyond 180 degrees, in parts that do not."""
    far = max((lon for lon, _ in points), key=abs)
    if abs(far) <= 180.0:
        return (tuple(map(_rounded, points)),)
    import shapely

    whole = shapely.LineString(points) if geometry == "LineString" else shapely.Polygon(points)
    back = shapely.transform(whole, lambda p: p - [math.copysign(360.0, far), 0.0])
    parts: list[tuple[LonLat, ...]] = []
    for turned in (whole, back):
        for part in shapely.get_parts(shapely.clip_by_rect(turned, -180.0, -90.0, 180.0, 90.0)):
            edge = part if geometry == "LineString" else shapely.orient_polygons(part).exterior
            parts.append(tuple(_rounded((lon, lat)) for lon, lat in edge.coords))
    return tuple(parts)


class Bounds:
    """West, south, east and north of points as they come; west is greater than east across the antimeridian.

    The world's widest gap without points stays outside (RFC 7946, 5.2).
    """

    def __init__(self) -> None:
        self._lon: dict[int, tuple[float, float]] = {}  # by degree: the least and the greatest
        self._lat: tuple[float, float] | None = None

    def add(self, points: Sequence[LonLat]) -> None:
        for lon, lat in points:
            k = min(int(lon + 180.0), 359)
            low, high = self._lon.get(k, (lon, lon))
            self._lon[k] = (min(low, lon), max(high, lon))
            south, north = self._lat or (lat, lat)
            self._lat = (min(south, lat), max(north, lat))

    def box(self) -> list[float] | None:
        """[west, south, east, north]; None without points."""
        if self._lat is None:
            return None
        filled = sorted(self._lon)
        gaps = [(b - a, a, b) for a, b in zip(filled, [*filled[1:], filled[0] + 360], strict=True)]
        # of equal gaps the one at the antimeridian: an ordinary box
        _, before, after = max(gaps, key=lambda gap: (gap[0], gap[2] >= 360))
        west, east = self._lon[after % 360][0], self._lon[before][1]
        return [west, self._lat[0], east, self._lat[1]]


def all_points(shapes: Sequence[Shape]) -> Iterator[LonLat]:
    """Every corner of the shapes."""
    for shape in shapes:
        for part in shape.parts:
            yield from part
