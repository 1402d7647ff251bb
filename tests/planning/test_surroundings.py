"""Where one may stand: polygons and obstacles against plain arithmetic."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from photoaz.errors import InputError
from photoaz.geodesy.frames import EnuFrame
from photoaz.planning.foreseen import scene_of_site
from photoaz.planning.surroundings import load_area


@pytest.fixture
def frame(site):
    return EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg)


def square(frame, east, north, half):
    """A square of metres as a ring of longitude and latitude."""
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]
    enu = np.array([[east + half * x, north + half * y, 0.0] for x, y in corners])
    lat, lon, _ = frame.geodetic_from_enu(enu)
    return {"type": "Polygon", "coordinates": [[[float(a), float(b)] for a, b in zip(lon, lat, strict=True)]]}


def antennas_m(site):
    return np.stack(list(scene_of_site(site).places_m.values()))


def written(tmp_path: Path, *features) -> Path:
    path = tmp_path / "area.geojson"
    some = [{"type": "Feature", "geometry": g, "properties": p} for g, p in features]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": some}), encoding="utf-8")
    return path


def test_one_stands_where_one_may(tmp_path, site, frame) -> None:
    area = load_area(
        written(
            tmp_path,
            (square(frame, 0.0, 60.0, 40.0), {"stand": "yes"}),
            (square(frame, 0.0, 60.0, 10.0), {"stand": "no"}),
        ),
        frame,
    )
    places = np.array([[0.0, 60.0], [30.0, 60.0], [0.0, 75.0], [-39.0, 21.0], [-41.0, 60.0], [0.0, -60.0]])
    assert area.allowed(places, antennas_m(site)).tolist() == [False, True, True, True, False, False]


@pytest.mark.parametrize(("height", "seen"), [(23.0, True), (24.0, False)])
def test_an_obstacle_hides_what_is_behind_it(tmp_path, site, frame, height, seen) -> None:
    """A wall whose near side is 40 m from a camera 80 m off the tower.

    The lowest antenna's centre is 45 m above the eye and 80 m -+ its stand-off away: the sight passes the wall about
    1.5 + 45 * 40 / 80 = 24.0 m above the ground, a little higher as the antenna stands off this way (by
    hand); a metre of clearance is kept.
    """
    area = load_area(written(tmp_path, (square(frame, 0.0, 35.0, 5.0), {"height_m": height})), frame)
    head = scene_of_site(site).places_m["A1"]
    assert 1.5 + 45.0 * 40.0 / (80.0 - head[1]) == pytest.approx(24.3, abs=0.5)
    ok = area.allowed(np.array([[0.0, 80.0], [80.0, 0.0], [0.0, 35.0]]), antennas_m(site))
    assert ok[1]
    assert not ok[2]  # within it
    assert ok[0] == seen


def test_every_bad_feature_is_named(tmp_path, frame) -> None:
    path = written(
        tmp_path,
        (square(frame, 0, 0, 5), {"stand": "perhaps"}),
        ({"type": "Point", "coordinates": [0, 0]}, {"stand": "no"}),
        ({"type": "Polygon", "coordinates": [[[500, 0], [501, 0], [501, 1], [500, 0]]]}, {"stand": "no"}),
        (square(frame, 0, 0, 5), {"height_m": -2}),
    )
    with pytest.raises(InputError) as caught:
        load_area(path, frame)
    assert [f.column for f in caught.value.faults] == [f"feature {k}" for k in range(1, 5)]


@pytest.mark.parametrize("text", ["{", "[]", '{"type": "Topology"}', '{"type": "FeatureCollection", "features": 3}'])
def test_no_geojson_is_said(tmp_path, frame, text) -> None:
    path = tmp_path / "area.geojson"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"area\.geojson"):
        load_area(path, frame)
