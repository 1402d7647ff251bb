"""The plan of all sites, held against geodesics on the ellipsoid (pyproj's, C. F. F. Karney 2013)."""

from __future__ import annotations

import itertools
import math
import random
import re
from collections import namedtuple
from xml.etree import ElementTree

import pytest
from pyproj import Geod

from photoaz.present.canvas import length_words, nice_length
from photoaz.present.pages import map as pages_map
from photoaz.present.pages.map import HIGH, WIDE, mark_path, site_map
from photoaz.present.words import STATES

GEOD = Geod(ellps="WGS84")

#: of a row only what the map shows
Spot = namedtuple("Spot", ("site_id", "state", "lat_deg", "lon_deg"))


def spots(places, state="ok"):
    return [Spot(site_id=f"S{k}", state=state, lat_deg=lat, lon_deg=lon) for k, (lat, lon) in enumerate(places)]


def town(n=30, lat=46.6, lon=-66.4, spread=0.05, seed=4):
    rng = random.Random(seed)
    return [(lat + rng.uniform(-spread, spread), lon + rng.uniform(-spread, spread)) for _ in range(n)]


@pytest.mark.parametrize(("lat", "lon"), [(46.6, -66.4), (-33.0, 151.0), (1.0, 10.0), (64.0, 179.99), (64.0, -179.99)])
def test_lengths_and_directions_of_a_town(lat, lon):
    places = [(a, (b + 180.0) % 360.0 - 180.0) for a, b in town(lat=lat, lon=lon)]
    made = site_map(spots(places))
    for (i, a), (j, b) in itertools.combinations(enumerate(places), 2):
        azimuth, _, metres = GEOD.inv(a[1], a[0], b[1], b[0])
        dx = made.places[j][0] - made.places[i][0]
        dy = made.places[i][1] - made.places[j][1]
        # a sphere for the ellipsoid: 0.7 %; over 0.1 deg the narrowing of the meridians adds 0.1 % per degree of tan
        assert math.hypot(dx, dy) / made.scale == pytest.approx(metres, rel=0.009)
        off = (math.degrees(math.atan2(dx, dy)) - azimuth + 180.0) % 360.0 - 180.0
        assert abs(off) < 0.5


def test_all_sites_lie_in_the_picture():
    made = site_map(spots(town(200)))
    assert made.outside == 0
    assert all(0 <= x <= WIDE and 0 <= y <= HIGH for x, y in made.places)


def test_the_scale_bar_is_as_long_as_it_says():
    made = site_map(spots(town()))
    bar = float(re.search(r'id="bar"[^>]* d="M16 [\d.]+v6h([\d.]+)v-6"', made.svg)[1])
    said = re.search(r'id="bar-name"[^>]*>([\d.]+) (km|m)', made.svg)
    metres = float(said[1]) * (1000.0 if said[2] == "km" else 1.0)
    assert bar / made.scale == pytest.approx(metres, rel=0.001)
    assert 60.0 < bar <= 180.1


def test_one_site_alone_and_none():
    assert site_map([]) is None
    made = site_map(spots([(46.6, -66.4)]))
    assert made.places == ((WIDE / 2, HIGH / 2),)


def test_a_slip_in_one_position_does_not_shrink_the_others():
    made = site_map(spots([*town(40), (0.0, 0.0)]))
    assert made.outside == 1
    xs = [x for x, _ in made.places[:40]]
    assert max(xs) - min(xs) > 0.3 * WIDE


def test_each_state_has_its_own_shape_and_the_worst_are_on_top():
    shapes = {re.sub(r"[-\d. ]+", "", mark_path(s.code, 10.0, 10.0, 5.0)) for s in STATES}
    assert len(shapes) == len(STATES)
    places = town(10)
    made = site_map(
        [Spot(site_id=str(k), state=STATES[k % 5].code, lat_deg=a, lon_deg=b) for k, (a, b) in enumerate(places)]
    )
    drawn = re.findall(r'class="pin (\w+)"', made.svg)
    assert drawn == [s.code for s in reversed(STATES)]
    assert "10 sites: 2 out of tolerance, 2 reading disagrees" in made.svg


def test_many_sites_are_thinned_but_never_a_state_away(monkeypatch):
    monkeypatch.setattr(pages_map, "MOST_MARKS", 100)
    crowd = [*spots(town(400, spread=1e-5)), *spots([(46.6, -66.4)], "out"), *spots([(46.7, -66.3)])]
    made = site_map(crowd)
    assert made.thinned
    marks = {c: d.count("z") for c, d in re.findall(r'class="pin (\w+)" data-s="\w+" d="([^"]*)"', made.svg)}
    assert marks["out"] == 1
    assert 2 <= marks["ok"] < 20


def test_the_svg_is_xml_with_names_as_text():
    made = site_map([*spots(town(2)), Spot(site_id='<b a="1">&', state="ok", lat_deg=46.6, lon_deg=-66.4)])
    tree = ElementTree.fromstring(made.svg)
    assert any(t.text == '<b a="1">&' for t in tree.iter("text"))


@pytest.mark.parametrize(
    ("most", "metres", "said"),
    [(180.0, 100.0, "100 m"), (499.9, 200.0, "200 m"), (5000.0, 5000.0, "5 km"), (0.0, 1.0, "1 m")],
)
def test_lengths_are_round(most, metres, said):
    assert nice_length(most) == metres
    assert length_words(metres) == said
