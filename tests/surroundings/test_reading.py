"""Maps as people have them: keys of open maps, walls and landmarks, what is wrong in them, where things then lie."""

from __future__ import annotations

import json

import numpy as np
import pyproj
import pytest
import shapely

from photoaz import quantities as q
from photoaz.errors import InputError
from photoaz.surroundings import geojson, heights
from photoaz.surroundings.maps import extents, shapes_of
from photoaz.surroundings.reading import read_surroundings

from .conftest import FRAME, box, feature, lon_lat, ring, surroundings, town, written


def read(tmp_path, *features, **members):
    return read_surroundings(written(tmp_path / "map.geojson", *features, **members))


def near(made, radius_m=2500.0):
    return made.near(FRAME.lat_deg, FRAME.lon_deg, radius_m)


def house(east, north, **properties):
    return feature("Polygon", [ring(box(east, north, 10.0, 8.0))], **properties)


@pytest.mark.parametrize(
    ("properties", "eaves_m", "sigma_m"),
    [
        ({"height_m": 8}, 8.0, np.hypot(0.5, 1.2)),
        ({"height_m": "8 m"}, 8.0, np.hypot(0.5, 1.2)),
        ({"height_m": "8,5 metres"}, 8.5, np.hypot(0.5, 1.275)),
        ({"height": "41 ft"}, 12.497, np.hypot(0.5, 1.8745)),
        ({"height": "12'6\""}, 3.81, np.hypot(0.5, 0.5715)),
        ({"height": 9, "roof:height": 3}, 6.0, np.hypot(0.5, 0.9)),
        ({"building:levels": "4"}, 12.0, np.hypot(1.0, 2.4)),
        ({"height_m": 7.0, "height": 20, "building:levels": 9}, 7.0, np.hypot(0.5, 1.05)),
        ({"building": "yes"}, 6.0, 2.5),
        ({}, 6.0, 2.5),
    ],
)
def test_heights(tmp_path, properties, eaves_m, sigma_m) -> None:
    """A foot is 0.3048 m by definition (1959); the rest by the manual's rules, worked by hand."""
    some = near(read(tmp_path, house(50, 0, **properties)))
    assert some.eaves_m[0] == pytest.approx(eaves_m, abs=1e-3)
    assert some.sigma_m[0] == pytest.approx(sigma_m, abs=1e-3)


def test_roofs(tmp_path) -> None:
    """A narrow house's roof is anywhere from flat to some 35 degrees; a hall's is flat, and so is one said to be."""
    hall = feature("Polygon", [ring(box(0, 100, 60.0, 40.0))], height_m=9.0)
    some = near(read(tmp_path, house(50, 0, height_m=6), hall, house(90, 0, height_m=6, **{"roof:shape": "flat"})))
    by_name = dict(zip(some.names, some.rise_m, strict=True))
    assert by_name == pytest.approx({"feature 1": 0.35 * 8.0, "feature 2": 0.0, "feature 3": 0.0}, abs=0.01)
    k = some.names.index("feature 1")
    assert some.top_m[k] == pytest.approx(6.0 + 1.4, abs=0.01)
    assert some.top_sigma_m[k] == pytest.approx(np.sqrt(0.25 + 0.81 + 2.8**2 / 12), abs=0.01)


def test_azimuths_of_corners_are_those_of_geodesics(tmp_path) -> None:
    """Against pyproj.Geod on WGS84: to a millimetre across at two kilometres, and to 1e-7 of the distance."""
    footprints = [box(900.0, -1500.0, 20, 30, 12), box(-60.0, 35.0, 9, 14, 70)]
    made = read(tmp_path, *(feature("Polygon", [ring(f)], height_m=9, id=str(k)) for k, f in enumerate(footprints)))
    some = near(made)
    geod = pyproj.Geod(ellps="WGS84")
    for corner, (lon, lat) in zip(some.corners_m, made.lon_lat_deg, strict=True):
        azimuth, _, distance = geod.inv(FRAME.lon_deg, FRAME.lat_deg, lon, lat)
        off = np.radians(azimuth) - np.arctan2(corner[0], corner[1])
        assert abs(np.arctan2(np.sin(off), np.cos(off))) * distance < 1e-3
        assert np.hypot(*corner) == pytest.approx(distance, rel=1e-7)


def test_only_what_is_near_is_kept(tmp_path) -> None:
    """By distance of the nearest corner; a long hall's middle may lie outside."""
    hall = feature("Polygon", [ring(box(700, 0, 500.0, 20.0))], id="hall")
    made = read(tmp_path, house(100, 0, id="a"), house(0, 499, id="b"), house(0, 520, id="c"), hall)
    assert sorted(near(made, 500.0).names) == ["a", "b", "hall"]


def test_across_the_date_line(tmp_path) -> None:
    ring_ = [[179.9995, 10.0], [179.9996, 10.0], [179.9996, 10.0001], [179.9995, 10.0]]
    some = read(tmp_path, feature("Polygon", [ring_], id="a")).near(10.0, -179.9999, 200.0)
    assert some.names == ("a",)
    assert some.corners_m[:, 0].max() < 0.0


def test_walls_landmarks_and_what_is_none(tmp_path) -> None:
    tower = feature("Point", [8.01, 47.0, 12.0], name="Chapel", height_m=30)
    made = read(
        tmp_path,
        feature("MultiPolygon", [[ring(box(0, 50, 9, 9))], [ring(box(30, 50, 9, 9)), ring(box(30, 50, 3, 3))]], id="m"),
        feature("LineString", lon_lat([[0, 80], [20, 80], [20, 90]]), height_m=3, id="wall"),
        tower,
        feature("Point", [8.0, 47.0], name="a shop"),
        feature("LineString", lon_lat([[0, 0], [50, 50]]), highway="service"),
        house(60, 60, landuse="meadow"),
        house(60, 60, building="no"),
        house(60, 60, location="underground"),
        house(60, 60, stand="no"),
        house(80, 60, stand="no", height_m=4, id="both"),
        feature("GeometryCollection", None),
    )
    some = near(made)
    assert sorted(some.names) == ["both", "m", "m", "wall"]
    assert [m.name for m in some.landmarks] == ["Chapel"]
    assert some.landmarks[0].height_m == 30.0
    assert [may for may, _ in made.stands] == [False, False]
    assert made.faults == ()
    wall = some.names.index("wall")
    assert np.diff(some.first)[wall] == 5
    assert some.rise_m[wall] == pytest.approx(0.0, abs=1e-6)


def test_every_bad_feature_is_named(tmp_path) -> None:
    open_ring = ring(box(0, 50, 9, 9))[:-1]
    made = read(
        tmp_path,
        house(50, 0, height_m="tall", id="kept"),
        feature("Polygon", [open_ring]),
        feature("Polygon", [[[500, 0], [501, 0], [501, 1], [500, 0]]]),
        feature("Polygon", [["a", "b"]]),
        feature("Polygon", []),
        {"type": "Feature", "geometry": None, "properties": {}},
        house(0, 0, stand="perhaps"),
        house(9, 9, **{"building:levels": "3;4"}),
        feature("Point", [8.0], height_m=3),
        7,
    )
    told = [str(f) for f in made.faults]
    numbers = sorted(int(t.split("feature ")[1].split(":")[0]) for t in told)
    assert numbers == [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]
    assert any("feature 1: found height_m: 'tall'; wanted a height such as" in t for t in told)
    assert "kept" in made.names


def test_many_faults_are_counted(tmp_path) -> None:
    made = read(tmp_path, house(50, 0), *(house(50, 0, height_m="?") for _ in range(150)))
    assert len(made.faults) == 101
    assert "50 further" in str(made.faults[-1])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1: found no JSON object"),
        ("[1, 2]", "line 1: found no JSON object"),
        ('{"type": "Topology"}', "found type 'Topology'"),
        ('{"type": "FeatureCollection"}', "found no list of features"),
        ('{"type": "FeatureCollection", "features": []}', "nothing that stands anywhere"),
        ('{"type": "FeatureCollection",\n"features": [\n{"a": 1,}]}', "line 3: found no JSON"),
        ('{"type": "FeatureCollection",\n"features": [{}\n{}]}', "line 3: found no JSON"),
        ('{"type": "FeatureCollection", "features": [' + "[" * 100_000, "found no JSON"),
        ('{"type": "FeatureCollection", "features": [{}', "found no JSON"),
    ],
)
def test_what_is_no_map_is_said(tmp_path, text, said) -> None:
    path = tmp_path / "map.geojson"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"map\.geojson") as caught:
        read_surroundings(path)
    assert said in str(caught.value)


def test_no_such_file(tmp_path) -> None:
    with pytest.raises(InputError, match=r"none\.geojson"):
        read_surroundings(tmp_path / "none.geojson")


def test_what_the_file_says_of_itself(tmp_path) -> None:
    made = read(tmp_path, house(50, 0), licence="Invented data\nlicence 1.0", metadata={"timestamp": "2026-03-01"})
    assert (made.source.file, made.source.date, made.source.licence) == (
        "map.geojson",
        "2026-03-01",
        "Invented data licence 1.0",
    )
    assert read(tmp_path, house(50, 0)).source.date is None


@pytest.mark.parametrize("chunk", [1, 7, 64, 1000])
def test_however_a_file_is_cut_it_reads_alike(tmp_path, monkeypatch, chunk) -> None:
    monkeypatch.setattr(geojson, "_CHUNK", chunk)
    path = written(tmp_path / "map.geojson", *(house(50 + k, k, height_m=k + 1.25) for k in range(5)), date="2026")
    reader = geojson.FeatureReader(path)
    assert list(reader) == json.loads(path.read_text())["features"]
    assert reader.members == {"type": "FeatureCollection", "date": "2026"}


def test_extents_are_those_of_shapely(rng) -> None:
    some = town(rng, n=20)
    area, _ = extents(some.corners_m, some.first)
    assert area == pytest.approx(shapely.area(shapes_of(some)), rel=1e-9)
    _, width = extents(*(lambda s: (s.corners_m, s.first))(surroundings([box(3, 4, 30.0, 8.0, 33.0)], 5.0)))
    assert width == pytest.approx([8.0], rel=1e-9)


@pytest.mark.parametrize("value", [None, True, "tall", "12 cubits", "", float("inf"), [3], "-3 m"])
def test_no_lengths(value) -> None:
    assert heights.metres(value) is None


def test_the_prior_widens_with_the_footprint() -> None:
    areas = np.array([20.0, 100.0, 1000.0, 9000.0])
    none = np.full(4, np.nan)
    _, sigma, _ = heights.eaves_and_ridges(none, np.full(4, heights.ASSUMED), none, areas, np.sqrt(areas))
    assert (np.diff(sigma) > 0).all()
    assert len(q.EAVES_BY_FOOTPRINT_M) == 4
