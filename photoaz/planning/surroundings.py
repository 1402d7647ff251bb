"""What lies round a site, from files: landmarks that may be had in a frame, areas to stand in, obstacles.

An area file is GeoJSON (RFC 7946). Polygons with the property `stand`: 'yes' (if there are any, one stands within one
of them) or 'no' (roads, water, private land); polygons or lines with the property `height_m` block sights that pass
lower.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.errors import Fault, InputError
from photoaz.geodesy.frames import EnuFrame
from photoaz.quantities import PLANNED_LANDMARK_HEIGHT_M, PLANNED_LANDMARK_U95_M
from photoaz.register.rows import LandmarkRow, columns_of, good_rows, needed_of
from photoaz.register.tables import open_table

Array = NDArray[Any]

#: further away than this nothing is told from the haze, and nearer than this a bearing is poor, metres
_FARTHEST_M, _NEAREST_M = 30_000.0, 100.0
#: a sight passes an obstacle this much higher than it, metres
_CLEARANCE_M = 1.0
_WORDS: Mapping[str, bool] = {"yes": True, "true": True, "no": False, "false": False}


def read_json(path: Path, wanted: str) -> Any:
    """What a JSON file holds. Raises InputError, with the line, where it cannot be read; wanted: what it should be."""
    try:
        return json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as e:
        raise InputError(Fault(file=path, found=e.strerror or str(e), wanted=wanted)) from e
    except (ValueError, RecursionError) as e:  # no UTF-8, no JSON, numbers of thousands of digits
        line = e.lineno if isinstance(e, json.JSONDecodeError) else None
        raise InputError(Fault(file=path, line=line, found=f"no JSON ({e})", wanted=wanted)) from e


@dataclass(frozen=True, slots=True, kw_only=True)
class Landmark:
    """Something to be seen from afar whose place is known.

    u95_m: 95 % radius of its place. height_m: above the ground at the tower, None where nobody knows.
    """

    name: str
    enu_m: Array
    u95_m: float
    height_m: float | None = None


def load_landmarks(path: Path, frame: EnuFrame) -> tuple[Landmark, ...]:
    """Read a table of landmarks: name, lat_deg, lon_deg; height_m (above the ground at the tower), u95 [m] if known.

    Raises
    ------
    InputError : no table, a column missing, a value that is none, a name that occurs twice; every fault at once.
    """
    table = open_table(path, tuple(columns_of(LandmarkRow)))
    table.require(needed_of(LandmarkRow))
    out: dict[str, Landmark] = {}
    for row, good in good_rows(LandmarkRow, table, lambda _row: ()):
        if good.name in out:
            table.fault(row.line, "name", f"'{good.name}' a second time", "names, each once")
        up = PLANNED_LANDMARK_HEIGHT_M if good.height_m is None else good.height_m
        enu = frame.enu_from_geodetic(good.lat_deg, good.lon_deg, up)
        u95_m = max(good.u95 or PLANNED_LANDMARK_U95_M, 0.05)
        out[good.name] = Landmark(name=good.name, enu_m=enu, u95_m=u95_m, height_m=good.height_m)
    table.require_no_fault()
    return tuple(out.values())


def usable(landmarks: Sequence[Landmark]) -> tuple[Landmark, ...]:
    """Those at a distance that tells a bearing."""
    return tuple(m for m in landmarks if _NEAREST_M <= math.hypot(m.enu_m[0], m.enu_m[1]) <= _FARTHEST_M)


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """Shapes in metres of a site's frame: may, may_not: of shapely, or None; obstacles: with their heights [m]."""

    may: Any = None
    may_not: Any = None
    obstacles: tuple[tuple[Any, float], ...] = ()

    def allowed(self, places: Array, antennas_m: Array, eye_m: float) -> NDArray[np.bool_]:
        """Which places (n, 2) [m] one may stand at, with a free sight of the lowest of antennas (m, 3) [m]."""
        import shapely

        points = shapely.points(places)
        ok = np.ones(len(places), bool)
        if self.may is not None:
            ok &= shapely.covers(self.may, points)
        if self.may_not is not None:
            ok &= ~shapely.intersects(self.may_not, points)
        low = antennas_m[np.argmin(antennas_m[:, 2])]
        for shape, height in self.obstacles:
            ok &= ~shapely.intersects(shape, points)
            for k in np.flatnonzero(ok):
                ok[k] = not _blocked(shape, height, places[k], low, eye_m)
        return ok


def _blocked(shape: Any, height_m: float, place: Array, head: Array, eye_m: float) -> bool:
    """Whether the sight from a place to a head (3,) passes an obstacle too low: where it enters, it is lowest."""
    import shapely

    way = head[:2] - place
    length = float(np.hypot(*way))
    crossed: Any = shapely.intersection(shape, shapely.LineString([place, head[:2]]))
    if crossed.is_empty:
        return False
    nearest = float(shapely.distance(shapely.Point(place), crossed))
    return bool(eye_m + (head[2] - eye_m) * nearest / length < height_m + _CLEARANCE_M)


def load_area(path: Path, frame: EnuFrame) -> Area:
    """Read a GeoJSON (RFC 7946) of areas and obstacles into a site's frame.

    Raises
    ------
    InputError : no such file, no GeoJSON, a feature with neither property, a value that is none, coordinates that are
    no longitude and latitude; every such feature, by its number.
    """
    import shapely

    document = read_json(path, "a GeoJSON file")
    kind = document.get("type") if isinstance(document, dict) else None
    if kind not in ("FeatureCollection", "Feature"):
        raise InputError(Fault(file=path, found=f"type {kind!r}", wanted="a FeatureCollection of areas and obstacles"))
    features = document.get("features") if kind == "FeatureCollection" else [document]
    if not isinstance(features, list):
        raise InputError(Fault(file=path, found="no list of features", wanted="features: [...]"))
    may, may_not, obstacles, faults = [], [], [], []
    for number, feature in enumerate(features, 1):
        what = _feature(feature, frame)
        if isinstance(what, str):
            faults.append(Fault(file=path, column=f"feature {number}", found=what, wanted=_WANTED))
            continue
        shape, stand, height = what
        if stand is True:
            may.append(shape)
        elif stand is False:
            may_not.append(shape)
        if height is not None:
            obstacles.append((shape, height))
    if faults:
        raise InputError(faults)
    return Area(
        may=shapely.union_all(may) if may else None,
        may_not=shapely.union_all(may_not) if may_not else None,
        obstacles=tuple(obstacles),
    )


_WANTED = "a polygon with stand: yes or no, or an obstacle with height_m, in longitude and latitude"


def _feature(feature: Any, frame: EnuFrame) -> tuple[Any, bool | None, float | None] | str:
    """A feature's shape in metres, its word on standing, its height; or what is wrong with it."""
    import shapely

    if not isinstance(feature, dict) or not isinstance(feature.get("geometry"), dict):
        return "no feature with a geometry"
    properties = feature.get("properties") or {}
    word, height = properties.get("stand"), properties.get("height_m")
    stand = None if word is None else _WORDS.get(str(word).strip().casefold())
    if word is not None and stand is None:
        return f"stand: {word!r}"
    if height is not None and (isinstance(height, bool) or not isinstance(height, int | float) or not height >= 0.0):
        return f"height_m: {height!r}"
    if stand is None and height is None:
        return "neither stand nor height_m"
    try:
        shape = shapely.from_geojson(json.dumps(feature["geometry"]))
    except shapely.errors.GEOSException as e:
        return f"a geometry that cannot be read ({str(e).splitlines()[0]})"
    if shape.is_empty:
        return "an empty geometry"
    if stand is not None and shape.geom_type not in ("Polygon", "MultiPolygon"):
        return f"stand on a {shape.geom_type}"
    west, south, east, north = shape.bounds
    if not all(map(math.isfinite, shape.bounds)) or max(abs(west), abs(east)) > 180 or max(abs(south), abs(north)) > 90:
        return "coordinates that are no longitude and latitude"

    def to_frame(lon_lat: Array) -> Array:
        return np.asarray(frame.enu_from_geodetic(lon_lat[:, 1], lon_lat[:, 0])[:, :2])

    shape = shapely.transform(shapely.force_2d(shape), to_frame)
    return (shape if shape.is_valid else shapely.make_valid(shape)), stand, None if height is None else float(height)
