"""Two photos show one antenna, each in two ways, and the false ones are cheaper: what is said of all else decides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from photoaz.angles import wrap_deg
from photoaz.network.site import build
from photoaz.network.solution import solve_network

AZIMUTH_DEG = 0.05


@pytest.mark.parametrize(
    ("off_deg", "cost"),
    [
        ((113.0, 63.0), (2.6, 1.2)),
        ((-110.0, -60.0), (2.0, 1.0)),
        ((90.0, 140.0), (1.0, 1.0)),
        ((120.0, 70.0), (0.5, 3.0)),
    ],
)
def test_false_ways_that_nearly_agree_turn_no_photo_about(kit, off_deg, cost):
    """Found by drawing sites: the second photo was turned by tens of degrees to make two false ways one, its good
    position left out and its good compass called disturbed."""
    site = kit.make_site(
        (
            kit.Station(name="p1", bearing_deg=20.0, distance_m=77.0, sees=("a", "b")),
            kit.Station(name="p2", bearing_deg=40.0, distance_m=52.0, sees=("a",)),
            kit.Station(name="p3", bearing_deg=100.0, distance_m=80.0, sees=("b",)),
        ),
        {"a": 30.0, "b": 110.0},
    )
    photos = []
    for p in site.network.photos:
        boxes = dict(p.boxes)
        if p.name in ("p1", "p2"):
            k, own = int(p.name == "p2"), boxes["a"][0]
            boxes["a"] = (kit.turned(p, own, off_deg[k]), replace(own, cost=cost[k]))
        photos.append(replace(p, boxes=boxes))
    got = solve_network(build(photos, site.network.antennas, kit.Setting().site_m))
    for a in ("a", "b"):
        off = got.adjusted.x[got.network.layout.antenna(a)[0]] - site.truth[site.layout.antenna(a)[0]]
        assert wrap_deg(np.degrees(off)) == pytest.approx(0.0, abs=AZIMUTH_DEG)
    assert got.left_out == ()
    assert got.disturbed == frozenset()
    assert max(got.posterior.disturbed.values()) < 0.5
