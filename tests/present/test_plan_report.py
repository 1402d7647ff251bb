"""A plan as documents, text and page."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from datetime import UTC, date, datetime
from html import unescape
from xml.etree import ElementTree

import numpy as np
import pytest
from rich.console import Console

from photoaz.planning.equipment import Equipment
from photoaz.planning.plan import plan_photos
from photoaz.planning.surroundings import Landmark
from photoaz.planning.trip import Task, Visit, trip_over
from photoaz.present.field_sheet import field_sheet_html, trip_sheet_html
from photoaz.present.plan_document import (
    plan_document,
    plan_geojson,
    plan_gpx,
    print_plan,
    print_trip,
    trip_document,
    trip_gpx,
)
from photoaz.register.model import Antenna, Site
from photoaz.wording import CAUTIONS

NOW = datetime(2026, 6, 1, 8, 30, tzinfo=UTC)
NASTY = 'HNT <204> & "Söhne"'


@pytest.fixture(scope="module")
def plan():
    antennas = tuple(
        Antenna(
            antenna_id=f"{s}1",
            rad_center_m=26.0,
            design_azimuth_deg=az,
            sector=s,
            height_m=1.8,
            width_m=0.3,
            depth_m=0.15,
        )
        for s, az in (("A", 10.0), ("B", 130.0), ("C", 250.0))
    )
    site = Site(site_id=NASTY, lat_deg=46.6, lon_deg=-66.4, antennas=antennas)
    marks = [Landmark(name="old <mill>", enu_m=np.array([-800.0, 300.0, 20.0]), u95_m=3.0, height_m=20.0)]
    return plan_photos(site, landmarks=marks, equipment=Equipment(lenses_mm=(26.0, 77.0)), day=date(2026, 6, 1))


def test_json_is_as_the_interface_has_it(plan) -> None:
    made = json.loads(json.dumps(plan_document(plan), allow_nan=False))
    assert made["schema"] == "photoaz/plan/1"
    assert made["site_id"] == NASTY
    for k, s in enumerate(made["standpoints"], 1):
        assert s["rank"] == k
        for field in ("lat_deg", "lon_deg", "distance_m", "bearing_from_tower_deg", "heading_deg", "lens_35mm_mm"):
            assert isinstance(s[field], int | float)
        assert s["antennas"]
        assert set(s["u95_deg"]) == set(s["antennas"])
    assert set(made["together_u95_deg"]) == {"A1", "B1", "C1"}
    assert made["cautions"] == list(CAUTIONS)


def test_geojson_is_rfc_7946(plan) -> None:
    """Longitude first, within WGS84's ranges, no crs member (RFC 7946, sections 3.1.1 and 4)."""
    made = json.loads(json.dumps(plan_geojson(plan)))
    assert made["type"] == "FeatureCollection"
    assert "crs" not in made
    assert len(made["features"]) == 1 + 2 * len(plan.standpoints)
    for f in made["features"]:
        assert f["type"] == "Feature"
        line = f["geometry"]["coordinates"]
        points = line if f["geometry"]["type"] == "LineString" else [line]
        for lon, lat in points:
            assert lon == pytest.approx(-66.4, abs=0.02)
            assert lat == pytest.approx(46.6, abs=0.02)
    shapely = pytest.importorskip("shapely")
    assert not shapely.from_geojson(json.dumps(made)).is_empty


#: the parts of the GPX 1.1 schema (topografix.com/GPX/1/1) that are written: elements in its order, from its text
SCHEMA = """<xsd:schema xmlns:xsd="http://www.w3.org/2001/XMLSchema" xmlns="http://www.topografix.com/GPX/1/1"
 targetNamespace="http://www.topografix.com/GPX/1/1" elementFormDefault="qualified">
 <xsd:simpleType name="lat"><xsd:restriction base="xsd:decimal"><xsd:minInclusive value="-90.0"/>
  <xsd:maxInclusive value="90.0"/></xsd:restriction></xsd:simpleType>
 <xsd:simpleType name="lon"><xsd:restriction base="xsd:decimal"><xsd:minInclusive value="-180.0"/>
  <xsd:maxExclusive value="180.0"/></xsd:restriction></xsd:simpleType>
 <xsd:complexType name="point"><xsd:sequence>
  <xsd:element name="ele" type="xsd:decimal" minOccurs="0"/><xsd:element name="time" type="xsd:dateTime" minOccurs="0"/>
  <xsd:element name="name" type="xsd:string" minOccurs="0"/><xsd:element name="cmt" type="xsd:string" minOccurs="0"/>
  <xsd:element name="desc" type="xsd:string" minOccurs="0"/><xsd:element name="src" type="xsd:string" minOccurs="0"/>
  <xsd:element name="sym" type="xsd:string" minOccurs="0"/><xsd:element name="type" type="xsd:string" minOccurs="0"/>
 </xsd:sequence><xsd:attribute name="lat" type="lat" use="required"/>
 <xsd:attribute name="lon" type="lon" use="required"/></xsd:complexType>
 <xsd:element name="gpx"><xsd:complexType><xsd:sequence>
  <xsd:element name="metadata" minOccurs="0"><xsd:complexType><xsd:sequence>
   <xsd:element name="name" type="xsd:string" minOccurs="0"/><xsd:element name="desc" type="xsd:string" minOccurs="0"/>
   <xsd:element name="time" type="xsd:dateTime" minOccurs="0"/></xsd:sequence></xsd:complexType></xsd:element>
  <xsd:element name="wpt" type="point" minOccurs="0" maxOccurs="unbounded"/>
  <xsd:element name="rte" minOccurs="0" maxOccurs="unbounded"><xsd:complexType><xsd:sequence>
   <xsd:element name="name" type="xsd:string" minOccurs="0"/><xsd:element name="desc" type="xsd:string" minOccurs="0"/>
   <xsd:element name="rtept" type="point" minOccurs="0" maxOccurs="unbounded"/></xsd:sequence></xsd:complexType>
  </xsd:element></xsd:sequence><xsd:attribute name="version" type="xsd:string" use="required" fixed="1.1"/>
  <xsd:attribute name="creator" type="xsd:string" use="required"/></xsd:complexType></xsd:element></xsd:schema>"""


def trip():
    sites = [
        ("N", 46.7, -66.4, "photo", "A1"),
        ("E\x07", 46.6, -66.2, "read_again", ""),
        ("S", 46.5, -66.4, "climb", "<B1>"),
    ]
    return trip_over(
        [
            Visit(site_id=name, lat_deg=lat, lon_deg=lon, tasks=(Task(antenna_id=antenna, action=action),))
            for name, lat, lon, action, antenna in sites
        ]
    )


def test_gpx_is_valid_by_its_schema(plan) -> None:
    etree = pytest.importorskip("lxml.etree")
    schema = etree.XMLSchema(etree.fromstring(SCHEMA))
    for text in (plan_gpx(plan, NOW), trip_gpx(trip(), NOW)):
        schema.assertValid(etree.fromstring(text.encode()))


def test_gpx_is_read_by_another_reader(plan) -> None:
    gpxpy = pytest.importorskip("gpxpy")
    made = gpxpy.parse(plan_gpx(plan, NOW))
    assert made.version == "1.1"
    assert made.time == NOW
    *stands, tower = made.waypoints
    assert (tower.latitude, tower.longitude, tower.name) == (46.6, -66.4, NASTY)
    assert [w.latitude for w in stands] == pytest.approx([s.lat_deg for s in plan.standpoints], abs=1e-7)
    (route,) = gpxpy.parse(trip_gpx(trip(), NOW)).routes
    # what XML cannot hold becomes a blank
    assert {p.name for p in route.points} == {"N", "E ", "S"}


def test_trips(plan) -> None:
    made = json.loads(json.dumps(trip_document(trip())))
    assert [s["order"] for s in made["stops"]] == [1, 2, 3]
    console = Console(file=io.StringIO(), width=80)
    print_trip(console, trip())
    assert f"{trip().length_m / 1000:.1f} km" in console.file.getvalue()


def test_every_output_that_sends_somebody_somewhere_bears_the_cautions(plan) -> None:
    console = Console(file=io.StringIO(), width=200)
    print_trip(console, trip())
    outputs = [
        plan_gpx(plan, NOW),
        trip_gpx(trip(), NOW),
        " ".join(plan_geojson(plan)["cautions"]),
        " ".join(trip_document(trip())["cautions"]),
        console.file.getvalue(),
    ]
    for text in outputs:
        for caution in CAUTIONS:
            assert re.sub(r"\s+", " ", caution) in re.sub(r"\s+", " ", unescape(text))
    # nobody is told how far from a line is far enough, nor that closer is as good
    assert not re.search(r"\b\d+ ?m (away|and more)|not worse", " ".join(outputs))


def page_text(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_the_sheet_says_cautions_first_and_needs_nothing_else(plan) -> None:
    html = field_sheet_html(plan, NOW)
    text = page_text(html.split("<body>")[1])
    assert text.index("Before you go") < text.index("At each standpoint") < text.index("Standpoints stand at")
    for caution in CAUTIONS:
        assert caution in unescape(re.sub(r" (?=:)|(?<=:)  ", "", text)).replace(" :", ":").replace(":  ", ": ")
    for want in ("level", "zoom", "lower edges", "plumb line", "landmark", "compass", "messenger"):
        assert want in text[text.index("At each standpoint") : text.index("Standpoints stand at")]
    assert not re.search(r"""(src|href|url\()\s*=?\s*["']?(https?:)?//""", html)
    assert "<script" not in html
    # what the register says is text, not markup
    assert "<204>" not in html
    assert "HNT &lt;204&gt;" in html
    assert "<mill>" not in html


def test_the_sheet_s_drawings_are_well_formed_and_to_scale(plan) -> None:
    html = field_sheet_html(plan, NOW)
    drawings = [ElementTree.fromstring(s) for s in re.findall(r"<svg.*?</svg>", html, re.S)]
    assert len(drawings) == 1 + len(plan.standpoints)
    site = drawings[0]
    tower = site.find("circle[@class='tower']")
    for s, mark in zip(plan.standpoints, site.findall("rect[@class='camera']"), strict=True):
        east = float(mark.get("x")) + 0.5 * float(mark.get("width")) - float(tower.get("cx"))
        north = float(tower.get("cy")) - float(mark.get("y")) - 0.5 * float(mark.get("height"))
        assert np.degrees(np.arctan2(east, north)) % 360 == pytest.approx(s.bearing_from_tower_deg % 360, abs=0.5)
        farthest = max(p.distance_m for p in plan.standpoints)
        assert np.hypot(east, north) / 172.0 == pytest.approx(s.distance_m / farthest, abs=0.01)


def test_a_sheet_without_standpoints(plan) -> None:
    html = field_sheet_html(replace(plan, standpoints=(), best_sets=(), by_distance=()), NOW)
    assert "Before you go" in html
    assert "<svg" in html


@pytest.mark.parametrize("width", [60, 80, 140])
def test_text_for_people(plan, width) -> None:
    console = Console(file=io.StringIO(), width=width)
    print_plan(console, plan)
    text = console.file.getvalue()
    assert text.index("Before you go") < text.index("stand at")
    assert max(len(line) for line in text.splitlines()) <= width
    first = plan.standpoints[0]
    assert f"{first.distance_m:.0f} m" in text
    assert "common" in text
    assert "sun behind you" in text.replace("\n ", "")


def test_a_trip_is_a_page_and_one_for_each_stop(browser) -> None:
    tab = browser.new_page()
    tab.set_content(trip_sheet_html(trip(), NOW, date(2026, 5, 20)))
    assert len(re.findall(rb"/Type\s*/Page\b", tab.pdf(format="A4"))) == 1 + len(trip().stops)
    assert tab.evaluate("document.querySelectorAll(\"a[href^='geo:']\").length") == 2 * len(trip().stops)
    tab.close()
