"""sites.geojson and sites.kml."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from datetime import date
from itertools import pairwise

import pytest
from lxml import etree

from photoaz.present.files.maps import GeoJson, Kml
from photoaz.present.files.shapes import Bounds, site_shapes
from photoaz.present.words import clean
from photoaz.result import ById

KML = "{http://www.opengis.net/kml/2.2}"


def metres(lon_deg, lat_deg, origin):
    """East and north of a point close by, without geodesics: radii of curvature (Snyder 1987, eqs. 4-18 and 4-20)."""
    a, e2, phi = 6378137.0, 0.00669437999014, math.radians(origin[1])
    w = 1.0 - e2 * math.sin(phi) ** 2
    east = math.radians(lon_deg - origin[0]) * a / math.sqrt(w) * math.cos(phi)
    return east, math.radians(lat_deg - origin[1]) * a * (1.0 - e2) / w**1.5


def azimuth(point, origin):
    east, north = metres(*point, origin)
    return math.degrees(math.atan2(east, north)) % 360.0, math.hypot(east, north)


def area(ring):
    """Twice the signed area: positive where it runs anticlockwise."""
    return sum(
        (x1 - ring[0][0]) * (y2 - ring[0][1]) - (x2 - ring[0][0]) * (y1 - ring[0][1])
        for (x1, y1), (x2, y2) in pairwise(ring)
    )


def collection(*sites):
    file = io.StringIO()
    made = GeoJson(file)
    for site in sites:
        made.add(site_shapes(site))
    made.close()
    return json.loads(file.getvalue())


def features(site):
    return collection(site)["features"]


def with_first(site, **fields):
    first, *others = site.antennas
    return replace(site, antennas=ById((replace(first, **fields), *others)))


def of_kind(site, kind):
    return {f["properties"]["name"]: f for f in features(site) if f["properties"]["kind"] == kind}


def test_what_is_shown(sites):
    kinds = [f["properties"]["kind"] for f in features(sites[0])]
    # one tower, one photo with a place and a heading, three antennas with an azimuth, two readings, four designs
    assert {k: kinds.count(k) for k in kinds} == {
        "tower": 1,
        "standpoint": 1,
        "uncertainty": 3,
        "sight": 1,
        "antenna": 3,
        "reading": 2,
        "design": 4,
    }
    assert of_kind(sites[0], "tower")["HNT-204"]["geometry"] == {"type": "Point", "coordinates": [-66.4, 46.6]}


def test_lines_point_where_they_say(sites):
    tower = (-66.4, 46.6)
    for feature in of_kind(sites[0], "antenna").values():
        start, end = feature["geometry"]["coordinates"]
        assert tuple(start) == tower
        found, reach = azimuth(end, tower)
        # 7 decimals are 1 cm: 0.01 deg at 60 m
        assert found == pytest.approx(feature["properties"]["azimuth_true_deg"], abs=0.02) or found > 359.98
        assert reach == pytest.approx(60.0, abs=0.05)
    (sight,) = of_kind(sites[0], "sight").values()
    start, end = sight["geometry"]["coordinates"]
    found, reach = azimuth(end, start)
    assert found == pytest.approx(301.24, abs=0.02)
    assert reach == pytest.approx(math.hypot(*metres(*tower, start)), abs=0.05)  # as far as the tower


def test_wedges_are_closed_anticlockwise_and_as_wide_as_u95(sites):
    wedge = of_kind(sites[0], "uncertainty")["HNT-204-A1"]["geometry"]
    assert wedge["type"] == "Polygon"
    (ring,) = wedge["coordinates"]
    assert ring[0] == ring[-1] == [-66.4, 46.6]
    assert area(ring) > 0.0  # RFC 7946, 3.1.6
    assert azimuth(ring[1], (-66.4, 46.6))[0] == pytest.approx(124.62 + 4.03, abs=0.02)
    assert azimuth(ring[-2], (-66.4, 46.6))[0] == pytest.approx(124.62 - 4.03, abs=0.02)


@pytest.mark.parametrize("u95", [90.0, 150.0, 180.0, 400.0])
def test_wide_wedges(sites, u95):
    (ring,) = of_kind(with_first(sites[0], u95_deg=u95), "uncertainty")["HNT-204-A1"]["geometry"]["coordinates"]
    assert ring[0] == ring[-1]
    local = [metres(*p, (-66.4, 46.6)) for p in ring]
    assert area(local) / 2.0 == pytest.approx(
        math.pi * 60.0**2 * min(u95, 180.0) / 180.0, rel=0.003
    )  # polygon of 2 deg
    assert ([-66.4, 46.6] in ring) == (u95 < 180.0)


def test_nothing_crosses_the_antimeridian(sites):
    """RFC 7946, 3.1.9: cut in two, and each part on its own side; the whole is as large as it was."""
    fiji = sites[1]
    shapes = features(fiji)
    cut = [f["geometry"] for f in shapes if f["geometry"] and f["geometry"]["type"].startswith("Multi")]
    assert {g["type"] for g in cut} == {"MultiLineString", "MultiPolygon"}
    for feature in shapes:
        geometry = feature["geometry"]
        parts = geometry["coordinates"] if geometry["type"].startswith("Multi") else [geometry["coordinates"]]
        for part in parts:
            points = part[0] if "Polygon" in geometry["type"] else part if "Line" in geometry["type"] else [part]
            assert all(abs(lon) <= 180.0 for lon, _ in points)
            assert max(lon for lon, _ in points) - min(lon for lon, _ in points) < 1.0
            if "Polygon" in geometry["type"]:
                assert points[0] == points[-1]
                assert area(points) > 0.0
    whole = of_kind(with_first(fiji, u95_deg=30.0), "uncertainty")["HNT-204-A1"]["geometry"]
    size = 0.0
    for (ring,) in whole["coordinates"]:
        side = math.copysign(180.0, ring[0][0])
        size += area([metres(*p, (side, -16.8)) for p in ring]) / 2.0
    assert size == pytest.approx(math.pi * 60.0**2 * 30.0 / 180.0, rel=0.003)


def test_the_file(sites):
    document = collection(sites[0])
    assert document["type"] == "FeatureCollection"
    assert "crs" not in document  # RFC 7946, 4
    west, south, east, north = document["bbox"]
    assert west < -66.4 < east
    assert south < 46.6 < north
    assert collection() == {"type": "FeatureCollection", "features": []}


@pytest.mark.parametrize(
    ("lons", "west", "east"),
    [
        ([-66.4, 10.0], -66.4, 10.0),
        ([179.5, -179.5], 179.5, -179.5),  # RFC 7946, 5.2: Fiji
        ([177.0, 179.9, -178.0], 177.0, -178.0),
        ([180.0], 180.0, 180.0),
        ([-180.0, 0.0], -180.0, 0.0),
        ([5.2, 5.7], 5.2, 5.7),
    ],
)
def test_bounds(lons, west, east):
    bounds = Bounds()
    bounds.add([(lon, 46.0) for lon in lons])
    assert bounds.box() == [west, 46.0, east, 46.0]


def test_no_bounds():
    assert Bounds().box() is None


# ---------------------------------------------------------------------------------------------------------------------


@pytest.fixture
def kml(sites, tmp_path):
    used, rejected = sites[0].photos
    sites[0] = replace(sites[0], photos=ById((replace(used, taken=date(2026, 5, 2)), rejected)))
    with (tmp_path / "sites.kml").open("w", encoding="utf-8") as file:
        globe = Kml(file, "Azimuths & <more>")
        for site in sites:
            globe.add(site_shapes(site))
        globe.close()
    return tmp_path / "sites.kml"


def test_kml_is_valid_by_the_schema_of_ogc(kml):
    """OGC's ogckml22.xsd (07-147r2), as the library fastkml brings it along."""
    validator = pytest.importorskip("fastkml.validator", reason="fastkml brings OGC's schema")
    assert validator.validate(file_to_validate=kml) is True
    broken = kml.with_name("broken.kml")
    text = kml.read_text(encoding="utf-8")
    broken.write_text(text.replace("<ExtendedData>", "<Extended>").replace("</ExtendedData>", "</Extended>"), "utf-8")
    with pytest.raises(AssertionError):  # a check that cannot fail would be none
        validator.validate(file_to_validate=broken)


def test_kml_holds_what_the_map_shows(kml, sites):
    root = etree.parse(kml).getroot()
    assert root.tag == f"{KML}kml"
    folders = root.findall(f"{KML}Document/{KML}Folder")
    assert len(folders) == 2
    assert root.findtext(f"{KML}Document/{KML}name") == "Azimuths & <more>"
    # what XML cannot hold is replaced, the rest comes through
    assert folders[1].findtext(f"{KML}name") == clean(sites[1].site_id)
    for folder, site in zip(folders, sites, strict=True):
        marks = folder.findall(f"{KML}Placemark")
        shapes = site_shapes(site)
        assert [m.findtext(f"{KML}name") for m in marks] == [clean(s.name) for s in shapes]
        for mark, shape in zip(marks, shapes, strict=True):
            found = [
                tuple(tuple(map(float, point.split(","))) for point in c.text.split())
                for c in mark.iter(f"{KML}coordinates")
            ]
            assert tuple(found) == shape.parts
    styles = {f"#{s.get('id')}" for s in root.iter(f"{KML}Style")}
    assert {u.text for u in root.iter(f"{KML}styleUrl")} <= styles
    assert [w.text for w in folders[0].iter(f"{KML}when")] == ["2026-05-02", "2026-05-02"]


def test_kml_of_nothing():
    file = io.StringIO()
    Kml(file).close()
    assert etree.fromstring(file.getvalue().encode())[0].tag == f"{KML}Document"
