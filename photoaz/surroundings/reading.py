"""Reading a map of what stands round: GeoJSON (RFC 7946), of a few houses or of a whole country.

Polygons are buildings, lines with a height are walls, points with a height are landmarks. Heights are above the ground
that a thing stands on. Areas with the property `stand` say where one may stand; they are no buildings unless they have
a height. Other features, such as roads, are passed over.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from photoaz import quantities as q
from photoaz.errors import Fault, FileReader, InputError
from photoaz.surroundings import heights
from photoaz.surroundings.geojson import FeatureReader
from photoaz.surroundings.maps import MapSource, Surroundings, SurroundingsMap
from photoaz.surroundings.terrain import Terrain, read_terrain

#: so many faults are told one by one; the rest are counted
_TOLD = 100
#: keys of open maps that make an area none of a building, unless it has a height or is called one
_NO_BUILDING = frozenset(
    ("landuse", "natural", "leisure", "highway", "waterway", "boundary", "place", "railway", "aeroway", "stand")
)
_STAND: Mapping[str, bool] = {"yes": True, "true": True, "no": False, "false": False}
_NONE = float("nan")
_WANTED = "polygons, lines or points in longitude and latitude (WGS84), rings closed"
#: where files say their date and their licence, at the top or in 'metadata'
_DATES = ("date", "timestamp", "generated", "created", "updated", "osm_base")
_LICENCES = ("license", "licence", "attribution", "copyright", "source")


def read_surroundings(path: Path) -> SurroundingsMap:
    """Read a map. What cannot be used of it is among its `faults`, by the feature's number, counted from 1.

    Raises InputError: no such file, no JSON, no GeoJSON, or nothing in it that can be used; in the last case with the
    faults.
    """
    reader = FeatureReader(path)
    gathered = _Gathered(path)
    for number, feature in enumerate(reader, 1):
        gathered.add(number, feature)
    made = gathered.packed(_source(path, reader.members))
    if not (len(made) or made.points or made.stands):
        nothing = Fault(file=path, found="nothing that stands anywhere", wanted=_WANTED)
        raise InputError(made.faults or nothing)
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenery:
    """A map, and the heights of the ground where they are known."""

    map: SurroundingsMap
    terrain: Terrain | None = None

    def near(self, lat_deg: float, lon_deg: float, radius_m: float = q.SURROUNDINGS_M) -> Surroundings:
        """What stands round a site, in the frame at its base."""
        return self.map.near(lat_deg, lon_deg, radius_m, self.terrain)


def scenery_of(surroundings: Path | None, terrain: Path | None = None) -> Scenery | None:
    """Read a map, if there is one, and a grid of heights.

    Raises InputError as `read_surroundings` and `read_terrain`, of both files; where there is a grid and no map.
    """
    if surroundings is None:
        if terrain is not None:
            raise InputError(Fault(file=terrain, found="heights of the ground alone", wanted="--surroundings as well"))
        return None
    reading = FileReader()
    buildings, heights_of_ground = reading.read(read_surroundings, surroundings), reading.read(read_terrain, terrain)
    reading.done()
    assert buildings is not None
    return Scenery(map=buildings, terrain=heights_of_ground)


def _source(path: Path, members: Mapping[str, Any]) -> MapSource:
    more = members.get("metadata")
    notes = {**(more if isinstance(more, dict) else {}), **members}

    def said(keys: tuple[str, ...]) -> str | None:
        found = (notes[k] for k in keys if isinstance(notes.get(k), str) and notes[k].strip())
        return next((" ".join(text.split()) for text in found), None)

    return MapSource(file=path.name, date=said(_DATES), licence=said(_LICENCES))


class _Gathered:
    """What was read so far, packed."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.lon_lat, self.height_m, self.rise_m = array("d"), array("d"), array("d")
        self.counts, self.origin, self.feature = array("q"), array("b"), array("q")
        self.names: list[str] = []
        self.points: list[tuple[str, float, float, float]] = []
        self.stands: list[tuple[bool, Mapping[str, Any]]] = []
        self.faults: list[Fault] = []
        self.untold = 0

    def add(self, number: int, feature: Any) -> None:
        """A feature, or what is wrong with it."""
        try:
            geometry, properties = feature["geometry"], feature.get("properties") or {}
            kind, parts, get = geometry["type"], geometry.get("coordinates"), properties.get
        except (TypeError, KeyError, AttributeError):
            self.fault(number, "no feature with a geometry")
            return
        stated = heights.stated_height(properties)
        if isinstance(stated, str):
            self.fault(number, stated, heights.WANTED)
            stated = (_NONE, heights.ASSUMED)
        word = get("stand")
        if word is not None:
            self._stand(number, word, kind, geometry)
        height, origin = stated
        try:
            if kind == "Polygon":
                rings = parts[:1]
            elif kind == "MultiPolygon":
                rings = [polygon[0] for polygon in parts]
            elif kind == "Point":
                if origin != heights.ASSUMED:
                    self._point(str(get("name") or get("id") or f"feature {number}"), parts, height)
                return
            elif origin == heights.GIVEN and kind in ("LineString", "MultiLineString"):
                # walls, there and back to where they began
                rings = [[*way, *way[::-1]] for way in ([parts] if kind == "LineString" else parts)]
            else:
                return
            if origin == heights.ASSUMED and _is_none(properties):
                return
            flat = [_flat(ring) for ring in rings]
        except (TypeError, ValueError, IndexError, KeyError, OverflowError):
            self.fault(number, "coordinates that are no longitude and latitude")
            return
        if not _are_closed(flat):
            self.fault(number, "a ring that is not closed, or has less than three corners")
            return
        rise = heights.stated_rise(properties)
        name = get("id") or get("name") or feature.get("id")
        for ring in flat:
            self.lon_lat.extend(ring[:-2])
            self.counts.append(len(ring) // 2 - 1)
            self.height_m.append(height)
            self.rise_m.append(_NONE if rise is None else rise)
            self.origin.append(origin)
            self.feature.append(number)
            self.names.append("" if name is None else str(name))

    def _point(self, name: str, place: Any, height_m: float) -> None:
        lon, lat = _flat([place])
        if not (-180.0 <= lon <= 180.0 and -90.0 <= lat <= 90.0):
            raise ValueError
        self.points.append((name, lon, lat, height_m))

    def _stand(self, number: int, word: Any, kind: Any, geometry: Mapping[str, Any]) -> None:
        may = _STAND.get(str(word).strip().casefold())
        if may is None:
            self.fault(number, f"stand: {word!r}", "stand: yes or no")
        elif kind not in ("Polygon", "MultiPolygon"):
            self.fault(number, f"stand on a {kind}", "a polygon")
        elif not _on_earth(kind, geometry.get("coordinates")):
            self.fault(number, "coordinates that are no longitude and latitude")
        else:
            self.stands.append((may, geometry))

    def fault(self, number: int, found: str, wanted: str = _WANTED) -> None:
        """Keep what is wrong with a feature."""
        if len(self.faults) < _TOLD:
            self.faults.append(Fault(file=self.path, column=f"feature {number}", found=found, wanted=wanted))
        else:
            self.untold += 1

    def packed(self, source: MapSource) -> SurroundingsMap:
        """All of it, without the buildings that lie off the earth."""
        lon_lat = np.frombuffer(self.lon_lat or bytearray(), float).reshape(-1, 2)
        counts = np.frombuffer(self.counts or bytearray(), np.int64)
        first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        good = np.ones(len(counts), bool)
        if len(counts):
            # of NaN, neither is true
            within = (np.abs(lon_lat) <= [180.0, 90.0]).all(1)
            good = np.logical_and.reduceat(within, first[:-1])
        kinds = (self.height_m, float), (self.rise_m, float), (self.origin, np.int8), (self.feature, np.int64)
        columns: list[Any] = [np.frombuffer(a or bytearray(), t) for a, t in kinds]
        names: Any = self.names
        if not good.all():
            for number in np.unique(columns[3][~good]):
                self.fault(int(number), "coordinates that are no longitude and latitude")
            lon_lat = lon_lat[np.repeat(good, counts)]
            first = np.concatenate([[0], np.cumsum(counts[good])]).astype(np.int64)
            columns = [c[good] for c in columns]
            names = [name for name, ok in zip(names, good, strict=True) if ok]
        if self.untold:
            self.faults.append(Fault(file=self.path, found=f"{self.untold} further such features", wanted=_WANTED))
        return SurroundingsMap(
            source=source,
            lon_lat_deg=lon_lat,
            first=first,
            height_m=columns[0],
            rise_m=columns[1],
            origin=columns[2],
            feature=columns[3],
            names=names,
            points=tuple(self.points),
            stands=tuple(self.stands),
            faults=tuple(self.faults),
        )


def _is_none(properties: Mapping[str, Any]) -> bool:
    """Whether an area without a height is no building."""
    building = properties.get("building")
    if building is not None:
        return bool(building == "no")
    return properties.get("location") == "underground" or not _NO_BUILDING.isdisjoint(properties)


def _on_earth(kind: str, parts: Any) -> bool:
    """Whether all of a polygon's, or polygons', rings are closed and of longitudes and latitudes."""
    try:
        rings = parts if kind == "Polygon" else list(chain.from_iterable(parts))
        flat = [_flat(ring) for ring in rings]
    except (TypeError, ValueError, IndexError, KeyError, OverflowError):
        return False
    places = (place for f in flat for place in zip(f[::2], f[1::2], strict=True))
    return _are_closed(flat) and all(abs(lon) <= 180.0 and abs(lat) <= 90.0 for lon, lat in places)


def _are_closed(rings: list[array[float]]) -> bool:
    return bool(rings) and all(len(f) >= 8 and f[:2] == f[-2:] for f in rings)


def _flat(places: Any) -> array[float]:
    """Longitudes and latitudes in turn; heights, which positions may have, are left out. Raises where they are none."""
    if sum(map(len, places)) == 2 * len(places) and min(map(len, places)) == 2:
        return array("d", chain.from_iterable(places))
    return array("d", (v for place in places for v in (place[0], place[1])))
