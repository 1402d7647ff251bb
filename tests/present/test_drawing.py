"""A site's plan to scale: places by trigonometry, everything as text where it is text."""

from __future__ import annotations

import math
import re
from xml.etree import ElementTree

import pytest

from photoaz.present.drawing import CameraPlace, Direction, Pointing, azimuth_plan

MIDDLE = (320.0, 262.0)


def stand(number, bearing, distance, **more):
    return CameraPlace(number=number, bearing_deg=bearing, distance_m=distance, **more)


def squares(svg, name="camera"):
    tree = ElementTree.fromstring(svg)
    return [
        (float(r.get("x")) + 4.0 - MIDDLE[0], MIDDLE[1] - float(r.get("y")) - 4.0)
        for r in tree.iter("rect")
        if r.get("class") == name
    ]


def test_cameras_stand_to_scale_and_in_their_directions():
    given = [stand(1, 30.0, 50.0), stand(2, 140.0, 100.0), stand(3, 290.0, 80.0)]
    placed = squares(azimuth_plan([], given))
    scale = math.hypot(*placed[1]) / 100.0
    for (x, y), s in zip(placed, given, strict=True):
        assert math.hypot(x, y) == pytest.approx(s.distance_m * scale, abs=0.2)  # a tenth of a unit printed
        assert math.degrees(math.atan2(x, y)) % 360.0 == pytest.approx(s.bearing_deg, abs=0.1)


def test_the_scale_bar_belongs_to_it():
    svg = azimuth_plan([], [stand(1, 30.0, 100.0)])
    scale = math.hypot(*squares(svg)[0]) / 100.0
    bar = re.search(r'class="scalebar" points="([\d.]+),\S+ \S+ ([\d.]+),', svg)
    metres = float(re.search(r">([\d.]+) m; hands not to scale", svg)[1])
    assert (float(bar[2]) - float(bar[1])) / scale == pytest.approx(metres, rel=0.01)


def test_a_camera_far_away_stands_at_the_rim_with_its_distance():
    svg = azimuth_plan([], [stand(1, 0.0, 50.0), stand(2, 90.0, 60.0), stand(3, 180.0, 55.0), stand(4, 270.0, 900.0)])
    reach = [math.hypot(*p) for p in squares(svg)]
    assert reach[3] < 1.2 * reach[1]
    assert "4 (900 m)" in svg


def test_photos_not_used_are_told_apart_and_have_no_line_of_sight():
    svg = azimuth_plan([], [stand(1, 30.0, 50.0), stand(2, 140.0, 60.0, used=False)])
    assert len(squares(svg)) == 1
    assert len(squares(svg, "camera unused")) == 1
    assert svg.count('class="sight"') == 1


def test_headings_are_fans_of_their_uncertainty():
    svg = azimuth_plan([], [stand(1, 90.0, 50.0, heading_deg=270.0, half_deg=5.0)])
    numbers = [float(v) for v in re.findall(r"-?[\d.]+", re.search(r'class="aim" d="([^"]*)"', svg)[1])]
    end, apex = numbers[0:2], numbers[-2:]
    heading = math.degrees(math.atan2(end[0] - apex[0], apex[1] - end[1])) % 360.0
    assert heading == pytest.approx(265.0, abs=0.1)


def test_directions_of_antennas_and_their_names():
    antennas = [
        Pointing(
            label=name,
            directions=[
                Direction(kind="photos", label="photos", azimuth_deg=azimuth, half_deg=2.0),
                Direction(kind="design", label="design", azimuth_deg=azimuth + 3.0, half_deg=5.0),
            ],
        )
        for name, azimuth in (("A2", 359.0), ("A1", 1.0), ("B1", 120.0))
    ]
    tree = ElementTree.fromstring(azimuth_plan(antennas))
    texts = [t.text for t in tree.iter("text") if "blue" in t.get("class")]
    assert texts == ["B1", "A1", "A2"]  # the pair across north as one, in order
    assert len([p for p in tree.iter("path") if p.get("class") == "band"]) == 3
    assert "A2: photos 359.0°" in next(d.text for d in tree.iter("desc"))


def test_crowds_are_drawn():
    many = [stand(k, 7.0 * k, 40.0 + k, heading_deg=7.0 * k + 180.0, half_deg=3.0) for k in range(300)]
    ElementTree.fromstring(azimuth_plan([], many))
    ElementTree.fromstring(azimuth_plan([]))
