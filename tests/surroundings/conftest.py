"""Maps of a few invented buildings."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from photoaz.geodesy.frames import EnuFrame
from photoaz.surroundings.maps import Surroundings

FRAME = EnuFrame(lat_deg=47.0, lon_deg=8.0)


def feature(kind, coordinates, **properties):
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": {"type": kind, "coordinates": coordinates},
    }


def lon_lat(east_north, frame=FRAME):
    """Places [m] as [longitude, latitude] pairs."""
    enu = np.column_stack([np.asarray(east_north, float), np.zeros(len(east_north))])
    lat, lon, _ = frame.geodetic_from_enu(enu)
    return [[float(a), float(b)] for a, b in zip(lon, lat, strict=True)]


def ring(east_north, frame=FRAME):
    there = lon_lat(east_north, frame)
    return [*there, there[0]]


def box(east, north, wide, deep, turned_deg=0.0):
    """The four corners of a house about a place, anticlockwise."""
    c, s = np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [wide / 2, deep / 2]
    return corners @ np.array([[c, s], [-s, c]]) + [east, north]


def written(path: Path, *features, **members) -> Path:
    path.write_text(json.dumps({"type": "FeatureCollection", **members, "features": list(features)}), encoding="utf-8")
    return path


def surroundings(footprints, eaves_m, rise_m=0.0) -> Surroundings:
    """Buildings of exact heights at footprints [m]."""
    n = len(footprints)
    return Surroundings(
        frame=FRAME,
        corners_m=np.concatenate([np.asarray(f, float) for f in footprints]) if n else np.zeros((0, 2)),
        first=np.concatenate([[0], np.cumsum([len(f) for f in footprints])]).astype(np.int64),
        eaves_m=np.broadcast_to(np.asarray(eaves_m, float), n).copy(),
        sigma_m=np.full(n, 0.01),
        rise_m=np.full(n, rise_m),
        ground_m=np.zeros(n),
        origin=np.zeros(n, np.int64),
        names=tuple(f"b{k}" for k in range(n)),
    )


def town(rng, n=60, reach_m=300.0, most_m=25.0) -> Surroundings:
    """Houses at random, none upon another, some with a bent footprint, none within 20 m of the tower."""
    import shapely

    kept, shapes = [], []
    while len(kept) < n:
        east, north = rng.uniform(-reach_m, reach_m, 2)
        footprint = box(0.0, 0.0, *rng.uniform(8, 40, 2))
        if rng.random() < 0.4:  # an ell
            (x0, y0), (x1, y1) = footprint[0], footprint[2]
            footprint = np.array([[x0, y0], [x1, y0], [x1, 0.2 * y1], [0.1 * x1, 0.2 * y1], [0.1 * x1, y1], [x0, y1]])
        turn = rng.uniform(0, np.pi)
        c, s = np.cos(turn), np.sin(turn)
        footprint = footprint @ np.array([[c, s], [-s, c]]) + [east, north]
        shape = shapely.Polygon(footprint)
        if shape.distance(shapely.Point(0, 0)) > 20.0 and all(shape.distance(other) > 1.0 for other in shapes):
            kept.append(footprint)
            shapes.append(shape)
    return surroundings(kept, rng.uniform(3.0, most_m, n))


@pytest.fixture
def rng():
    return np.random.default_rng(20260)
