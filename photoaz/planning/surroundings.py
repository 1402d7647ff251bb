"""What lies round a site, from files: landmarks that may be had in a frame, areas to stand in, obstacles.

An area file is a map as `surroundings` reads it. Polygons with the property `stand`: 'yes' (if there are any, one
stands within one of them) or 'no' (roads, water, private land); buildings and walls block sights that pass lower.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz import quantities as q
from photoaz.angles import Array
from photoaz.errors import Fault, InputError
from photoaz.geodesy.frames import EnuFrame
from photoaz.register.rows import LandmarkRow, columns_of, good_rows, needed_of
from photoaz.register.tables import open_table
from photoaz.surroundings.heights import GIVEN
from photoaz.surroundings.maps import Surroundings, SurroundingsMap
from photoaz.surroundings.reading import read_surroundings
from photoaz.surroundings.walls import free_sights

#: further away than this nothing is told from the haze, and nearer than this a bearing is poor, metres
_FARTHEST_M, _NEAREST_M = 30_000.0, 100.0


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

    Raises InputError: no table, a column missing, a value that is none, a name that occurs twice; every fault at once.
    """
    table = open_table(path, tuple(columns_of(LandmarkRow)))
    table.require(needed_of(LandmarkRow))
    out: dict[str, Landmark] = {}
    for row, good in good_rows(LandmarkRow, table, lambda _row: ()):
        if good.name in out:
            table.fault(row.line, "name", f"'{good.name}' a second time", "names, each once")
        up = q.PLANNED_LANDMARK_HEIGHT_M if good.height_m is None else good.height_m
        enu = frame.enu_from_geodetic(good.lat_deg, good.lon_deg, up)
        u95_m = max(good.u95 or q.PLANNED_LANDMARK_U95_M, 0.05)
        out[good.name] = Landmark(name=good.name, enu_m=enu, u95_m=u95_m, height_m=good.height_m)
    table.require_no_fault()
    return tuple(out.values())


def landmarks_of(some: Surroundings) -> tuple[Landmark, ...]:
    """A map's points with heights, their places as well known as its buildings' are."""
    u95_m = q.RADIUS_95 * q.FOOTPRINT_SIGMA_M
    return tuple(Landmark(name=m.name, enu_m=m.enu_m, u95_m=u95_m, height_m=m.height_m) for m in some.landmarks)


def usable(landmarks: Sequence[Landmark]) -> tuple[Landmark, ...]:
    """Those at a distance that tells a bearing."""
    return tuple(m for m in landmarks if _NEAREST_M <= math.hypot(m.enu_m[0], m.enu_m[1]) <= _FARTHEST_M)


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """Where one may stand, and what hides the tower. may, may_not: shapes of shapely in metres of the site's frame, or
    None; around: obstacles with their heights.
    """

    may: Any = None
    may_not: Any = None
    around: Surroundings | None = None

    def allowed(self, places: Array, antennas_m: Array) -> NDArray[np.bool_]:
        """Which places (n, 2) [m] one may stand at, with a free sight of the lowest of antennas (m, 3) [m]."""
        import shapely

        points = shapely.points(places)
        ok = np.ones(len(places), bool)
        if self.may is not None:
            ok &= shapely.covers(self.may, points)
        if self.may_not is not None:
            ok &= ~shapely.intersects(self.may_not, points)
        if self.around is not None:
            eyes = np.column_stack([places, self.around.ground_at(places)[0] + q.CAMERA_HEIGHT_M[0]])
            ok[ok] = free_sights(self.around, eyes[ok], antennas_m[np.argmin(antennas_m[:, 2])])
        return ok


def area_of(made: SurroundingsMap, around: Surroundings) -> Area:
    """What a map says of where one may stand, and what stands round. Raises InputError where an area is no polygon."""
    import shapely

    def to_frame(lon_lat: Array) -> Array:
        return np.asarray(around.frame.enu_from_geodetic(lon_lat[:, 1], lon_lat[:, 0])[:, :2])

    shapes: dict[bool, list[Any]] = {True: [], False: []}
    for may, geometry in made.stands:
        try:
            shape = shapely.force_2d(shapely.from_geojson(json.dumps(geometry)))
        except shapely.errors.GEOSException as e:
            found = f"a geometry that cannot be read ({str(e).splitlines()[0]})"
            raise InputError(Fault(file=made.source.file, found=found, wanted="polygons with stand: yes or no")) from e
        shapes[may].append(shapely.make_valid(shapely.transform(shape, to_frame)))
    where, not_there = (shapely.union_all(s) if s else None for s in (shapes[True], shapes[False]))
    return Area(may=where, may_not=not_there, around=around)


def load_area(path: Path, frame: EnuFrame) -> Area:
    """Read a GeoJSON (RFC 7946) of areas and obstacles into a site's frame; heights that it gives are taken as exact.

    Raises InputError: no such file, no GeoJSON, and for every feature with a value that is none, or coordinates that
    are no longitude and latitude, by its number.
    """
    made = read_surroundings(path)
    if made.faults:
        raise InputError(made.faults)
    near = made.near(frame.lat_deg, frame.lon_deg)
    given = near.origin == GIVEN
    exact = replace(near, sigma_m=np.where(given, 0.0, near.sigma_m), rise_m=np.where(given, 0.0, near.rise_m))
    return area_of(made, exact)
