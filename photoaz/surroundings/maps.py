"""A map's buildings and landmarks, looked up by place.

`reading.py` reads it. Everything about a site is in the frame at its base, and no more of it than stands near.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz import quantities as q
from photoaz.angles import Array
from photoaz.errors import Fault
from photoaz.geodesy.frames import EnuFrame
from photoaz.surroundings import heights
from photoaz.surroundings.terrain import Ground, Terrain


@dataclass(frozen=True, slots=True, kw_only=True)
class MapSource:
    """Which map: its file's name, and the date and licence note that the file gives, None where it gives none.

    terrain: name of the file that the ground's heights are from, None where the ground is taken to be level.
    """

    file: str
    date: str | None = None
    licence: str | None = None
    terrain: str | None = None

    def note(self) -> str:
        """'town.geojson (of 2026-03-01; open data; ground by hills.asc)', with what is known of it."""
        some = (self.date and f"of {self.date}", self.licence, self.terrain and f"ground by {self.terrain}")
        told = "; ".join(part for part in some if part)
        return f"{self.file} ({told})" if told else self.file


@dataclass(frozen=True, slots=True, kw_only=True)
class MapLandmark:
    """A point with a height: enu_m (3,) of its top; height_m above its ground, that lies ground_m above the tower's."""

    name: str
    enu_m: Array
    height_m: float
    sigma_m: float
    ground_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What stands round a site, in metres of the frame at its base (as `geodesy.frames.EnuFrame` has it).

    corners_m: (c, 2) east and north of all footprints' outer rings, one after the other, none closed; first: (n + 1,)
    where each begins. eaves_m, sigma_m: (n,) height of the walls above their ground, and its standard uncertainty;
    rise_m: (n,) what a roof may rise above them, so that the top of the silhouette lies anywhere from eaves_m to
    eaves_m + rise_m. ground_m: (n,) height of the ground there above that at the tower; ground: of that everywhere,
    None where it is taken to be level: then each building stands some way off the slope that all have in common.
    origin: (n,) where heights are from (`heights`). names: (n,) as the map calls them. source: None without a map.
    """

    frame: EnuFrame
    source: MapSource | None = None
    corners_m: Array
    first: NDArray[np.int64]
    eaves_m: Array
    sigma_m: Array
    rise_m: Array
    ground_m: Array
    origin: NDArray[np.int64]
    names: tuple[str, ...]
    ground: Ground | None = None
    landmarks: tuple[MapLandmark, ...] = ()

    def __len__(self) -> int:
        return len(self.names)

    def only(self, some: NDArray[np.int64]) -> Surroundings:
        """The same of some (k,) of the buildings, by number."""
        corner, first = packed(self.first, some)
        return replace(
            self,
            corners_m=self.corners_m[corner],
            first=first,
            eaves_m=self.eaves_m[some],
            sigma_m=self.sigma_m[some],
            rise_m=self.rise_m[some],
            ground_m=self.ground_m[some],
            origin=self.origin[some],
            names=tuple(self.names[k] for k in some),
        )

    def ground_at(self, east_north_m: Array) -> tuple[Array, Array]:
        """Height of the ground at places (..., 2) [m] above that at the tower, and its standard uncertainty (...)."""
        place = np.asarray(east_north_m, float)
        if self.ground is None:
            return np.zeros(place.shape[:-1]), q.GROUND_SLOPE_SHARE * np.hypot(place[..., 0], place[..., 1])
        return self.ground.at(place), np.full(place.shape[:-1], q.TERRAIN_SIGMA_M)

    @property
    def top_m(self) -> Array:
        """Mean height (n,) of the tops above the ground at the tower: in the middle of eaves and ridge."""
        return np.asarray(self.ground_m + self.eaves_m + 0.5 * self.rise_m)

    @property
    def top_sigma_m(self) -> Array:
        """Standard uncertainty (n,) of `top_m` but for the ground's: the height's, anywhere from eaves to ridge."""
        return np.asarray(np.sqrt(self.sigma_m**2 + self.rise_m**2 / 12.0))

    def enu_m(self, corner: Array, up_m: Array) -> Array:
        """Places (k, 3) [m] in the frame, straight: of corners (k,), by number, at heights above the tower's ground.

        The frame is a plane, so what stands far off lies lower in it by the earth's curvature.
        """
        east_north = self.corners_m[corner]
        drop = (east_north**2).sum(-1) / (2.0 * q.EARTH_RADIUS_M)
        return np.column_stack([east_north, up_m - drop])


def shapes_of(some: Surroundings) -> Any:
    """Footprints as shapely's polygons (n,), valid ones."""
    import shapely

    ring = np.repeat(np.arange(len(some)), np.diff(some.first))
    ends = some.first[1:]
    closed = np.insert(some.corners_m, ends, some.corners_m[some.first[:-1]], axis=0)
    rings = shapely.linearrings(closed, indices=np.insert(ring, ends, np.arange(len(some))))
    return shapely.make_valid(shapely.polygons(rings))


@dataclass(frozen=True, kw_only=True)
class SurroundingsMap:
    """All that a map holds, packed, and indexed by place when it is first asked.

    lon_lat_deg: (c, 2) corners of all outer rings, one after the other, none closed; first: (n + 1,) where each begins.
    height_m, rise_m: (n,) as stated, NaN where they are not; origin: (n,) where heights are from; feature: (n,) numbers
    in the file, from 1; names: (n,), '' where there are none. points: landmarks, as name, longitude, latitude [deg],
    height [m]. stands: where one may or may not stand: that, and the geometry as GeoJSON has it. faults: features that
    could not be used, and values that were none.
    """

    source: MapSource
    lon_lat_deg: Array
    first: NDArray[np.int64]
    height_m: Array
    rise_m: Array
    origin: NDArray[np.int8]
    feature: NDArray[np.int64]
    names: Sequence[str]
    points: Sequence[tuple[str, float, float, float]] = ()
    stands: Sequence[tuple[bool, Mapping[str, Any]]] = ()
    faults: tuple[Fault, ...] = ()

    def __len__(self) -> int:
        return len(self.names)

    @cached_property
    def _tree(self) -> Any:
        """An index of the buildings' bounding boxes, each by its diagonal, which takes less room than the box."""
        import shapely

        low = np.minimum.reduceat(self.lon_lat_deg, self.first[:-1])
        high = np.maximum.reduceat(self.lon_lat_deg, self.first[:-1])
        return shapely.STRtree(shapely.linestrings(np.stack([low, high], 1)))

    def near(
        self, lat_deg: float, lon_deg: float, radius_m: float = q.SURROUNDINGS_M, terrain: Terrain | None = None
    ) -> Surroundings:
        """What stands within a radius of a site, nearest corners counted, in the frame at its base.

        Of more than SURROUNDINGS_MOST, those that look the highest. terrain : the ground is level where None.
        """
        frame = EnuFrame(lat_deg=lat_deg, lon_deg=lon_deg)
        some = self._within(lat_deg, lon_deg, radius_m)
        corner, first = packed(self.first, some)
        lon_lat = self.lon_lat_deg[corner]
        corners = frame.enu_from_geodetic(lon_lat[:, 1], lon_lat[:, 0])[:, :2]
        eaves, sigma, rise = heights.eaves_and_ridges(
            self.height_m[some], self.origin[some], self.rise_m[some], *extents(corners, first)
        )
        ground = None if terrain is None else terrain.ground(frame)
        foot = np.zeros(len(some))
        if ground is not None and len(some):
            foot = ground.at(np.add.reduceat(corners, first[:-1]) / np.diff(first)[:, None])
        square = Surroundings(
            frame=frame,
            source=self.source if ground is None or terrain is None else replace(self.source, terrain=terrain.file),
            corners_m=corners,
            first=first,
            eaves_m=eaves,
            sigma_m=sigma,
            rise_m=rise,
            ground_m=foot,
            ground=ground,
            origin=self.origin[some].astype(np.int64),
            names=tuple(self.names[k] or f"feature {self.feature[k]}" for k in some),
            landmarks=self._landmarks(frame, ground),
        )
        return square.only(_worth_looking_at(square, radius_m))

    def _within(self, lat_deg: float, lon_deg: float, radius_m: float) -> NDArray[np.int64]:
        """Buildings whose bounding boxes meet the square about a place, across the date line too."""
        import shapely

        if not len(self):
            return np.zeros(0, np.int64)
        up = np.degrees(radius_m / 6.33e6)
        across = min(up / max(np.cos(np.radians(min(abs(lat_deg) + up, 90.0))), 1e-9), 180.0)
        turns = np.array([-360.0, 0.0, 360.0]) + lon_deg
        squares = shapely.box(turns - across, lat_deg - up, turns + across, lat_deg + up)
        return np.unique(self._tree.query(squares)[1])

    def _landmarks(self, frame: EnuFrame, ground: Ground | None) -> tuple[MapLandmark, ...]:
        if not self.points:
            return ()
        names, lon, lat, height = zip(*self.points, strict=True)
        enu = frame.enu_from_geodetic(np.array(lat), np.array(lon), np.array(height))
        foot = np.zeros(len(enu)) if ground is None else ground.at(enu[:, :2])
        enu[:, 2] += foot
        near = np.flatnonzero(np.hypot(enu[:, 0], enu[:, 1]) <= q.FARTHEST_LANDMARK_M)
        sigma = np.hypot(q.MAP_HEIGHT_SIGMA_M, q.MAP_HEIGHT_SHARE * np.array(height))
        return tuple(
            MapLandmark(
                name=names[k],
                enu_m=enu[k],
                height_m=float(height[k]),
                sigma_m=float(sigma[k]),
                ground_m=float(foot[k]),
            )
            for k in near
        )


def packed(first: NDArray[np.int64], some: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Numbers of all corners of some (k,) footprints, and where each then begins (k + 1,)."""
    counts = np.diff(first)[some]
    begins = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return np.arange(begins[-1]) + np.repeat(first[:-1][some] - begins[:-1], counts), begins


def following(first: NDArray[np.int64]) -> NDArray[np.int64]:
    """The number (c,) of each corner's next one round its footprint; first (n + 1,) as in `Surroundings`."""
    out = np.arange(1, first[-1] + 1)
    out[first[1:] - 1] = first[:-1]
    return out


def _worth_looking_at(some: Surroundings, radius_m: float) -> NDArray[np.int64]:
    """Numbers of the buildings within a radius; of too many, those near by and those that look the highest."""
    if not len(some):
        return np.zeros(0, np.int64)
    nearest = np.minimum.reduceat(np.hypot(*some.corners_m.T), some.first[:-1])
    looks = np.where(nearest <= q.SURROUNDINGS_ALL_M, np.inf, some.top_m / np.maximum(nearest, 1.0))
    looks[nearest > radius_m] = -np.inf
    order = np.argsort(-looks, kind="stable")[: q.SURROUNDINGS_MOST]
    return np.sort(order[np.isfinite(looks[order]) | (looks[order] > 0.0)])


def extents(corners_m: Array, first: NDArray[np.int64]) -> tuple[Array, Array]:
    """Areas (n,) [m^2] and narrow sides (n,) [m] of footprints (c, 2), packed as in `Surroundings`.

    The narrow side is that of the rectangle of the same area and girth, which a long or a bent building has too.
    """
    if len(first) < 2:
        return np.zeros(0), np.zeros(0)
    there = corners_m[following(first)]
    girth = np.add.reduceat(np.hypot(*(there - corners_m).T), first[:-1])
    area = 0.5 * np.abs(np.add.reduceat(corners_m[:, 0] * there[:, 1] - corners_m[:, 1] * there[:, 0], first[:-1]))
    quarter = 0.25 * girth
    return area, quarter - np.sqrt(np.maximum(quarter**2 - area, 0.0))
