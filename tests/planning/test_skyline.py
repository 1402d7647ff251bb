"""What a map's buildings will tell of a heading: against drawn photos fitted by SciPy, and in the plan of a site."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.optimize import least_squares

from photoaz import quantities as q
from photoaz.network.heading_aids import line_of_sight
from photoaz.planning.equipment import Equipment
from photoaz.planning.foreseen import aimed, foreseen_photo, scene_of_site
from photoaz.planning.plan import plan_photos
from photoaz.planning.skyline import EDGE_PX, MATCHED_SHARE, mapped_edges
from photoaz.planning.standpoints import stands_at
from photoaz.surroundings.panorama import panorama
from photoaz.surroundings.reading import read_surroundings, scenery_of


def village(path, frame, rows=((90.0, 14), (150.0, 20)), height_m=7.0, more=()):
    """Houses of 10 m in two rings about the tower, and what else is given."""
    features = list(more)
    for radius, count in rows:
        for bearing in 2 * np.pi * (np.arange(count) + 0.3) / count:
            east, north = radius * np.sin(bearing), radius * np.cos(bearing)
            features.append((house(frame, east, north, 5.0), {"height_m": height_m}))
    some = [{"type": "Feature", "geometry": g, "properties": p} for g, p in features]
    text = {"type": "FeatureCollection", "date": "2026-02-03", "license": "invented", "features": some}
    path.write_text(json.dumps(text), encoding="utf-8")
    return path


def house(frame, east, north, half):
    enu = np.array(
        [[east + half * x, north + half * y, 0.0] for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))]
    )
    lat, lon, _ = frame.geodetic_from_enu(enu)
    return {"type": "Polygon", "coordinates": [[[float(a), float(b)] for a, b in zip(lon, lat, strict=True)]]}


@pytest.fixture
def around(tmp_path, site):
    frame = scene_of_site(site).frame
    return read_surroundings(village(tmp_path / "town.geojson", frame)).near(site.lat_deg, site.lon_deg)


@pytest.fixture
def scene(site, around):
    return scene_of_site(site, around=around)


def wide(scene):
    return next(s for s in stands_at(scene, np.array([10.0, 55.0]), Equipment()) if s.name.endswith("skyline"))


def test_true_pixels_leave_nothing(scene) -> None:
    stand = wide(scene)
    edges = scene.outlook.edges(stand)
    x = np.array([*stand.attitude_rad, *stand.enu_m, 0.0, 0.0, 0.0])
    assert edges.residual(stand.camera, x) == pytest.approx(0.0, abs=1e-6)
    assert edges.buildings >= 3


def test_derivatives_are_complex_steps(scene) -> None:
    stand = wide(scene)
    edges = scene.outlook.edges(stand)
    x = np.array([*stand.attitude_rad, *stand.enu_m, 0.0, 0.0, 0.0])
    for k in range(9):
        step = np.zeros(9)
        step[k] = 1e-6
        finite = (edges.residual(stand.camera, x + step) - edges.residual(stand.camera, x - step)) / 2e-6
        exact = edges.residual(stand.camera, x + 1e-20j * (step > 0)).imag / 1e-20
        assert exact == pytest.approx(finite, rel=1e-5, abs=1e-4)


def test_the_heading_is_as_good_as_drawn_photos_make_it(scene) -> None:
    """Houses and pixels drawn at random, heading and standpoint fitted by SciPy: the spread is what is foreseen."""
    stand, rng = wide(scene), np.random.default_rng(5)
    edges = scene.outlook.edges(stand)
    attitude = np.array([*stand.attitude_rad, *stand.enu_m, 0.0, 0.0, 0.0])
    sight = [line_of_sight(stand.camera, p, attitude) for p in edges.pixels]
    seen = np.array([np.arctan2(s[0], s[1]) for s in sight])
    building = np.linalg.inv(edges.root)
    covariance = building @ building.T
    distance = np.hypot(*(edges.enu_m - stand.enu_m[:2]).T)
    together = covariance - np.diag(np.diag(covariance))
    assert (np.diag(covariance) * MATCHED_SHARE > (q.FOOTPRINT_SIGMA_M / distance) ** 2).all()
    assert ((together == 0) | np.isclose(together * MATCHED_SHARE * np.outer(distance, distance), 1.2**2)).all()
    sigma = stand.equipment.position_m
    found = []
    for _ in range(400):
        noisy = seen + rng.multivariate_normal(np.zeros(len(seen)), covariance)
        fix = stand.enu_m[:2] + rng.normal(0.0, sigma, 2)

        def off(u, noisy=noisy, fix=fix):
            away = edges.enu_m - u[1:]
            r = noisy + u[0] - np.arctan2(away[:, 0], away[:, 1])
            return np.concatenate([edges.root @ np.arctan2(np.sin(r), np.cos(r)), (u[1:] - fix) / sigma])

        found.append(least_squares(off, [0.0, *fix]).x[0])
    assert q.K95 * np.std(found) == pytest.approx(edges.heading_u95_rad(stand), rel=0.12)
    assert EDGE_PX > 0


def test_sky_and_tower_alone_tell_nothing(scene) -> None:
    stand = aimed("long", scene, np.array([10.0, 55.0]), Equipment(), 120.0)
    assert scene.outlook.edges(stand) is None
    assert all(type(a).__name__ != "MappedEdges" for a in foreseen_photo(scene, stand).aids)
    assert mapped_edges(stand, panorama(scene.outlook.around, stand.enu_m)) is None


def test_the_plan_counts_on_the_skyline_and_says_so(tmp_path, site) -> None:
    frame = scene_of_site(site).frame
    block = (house(frame, 40.0, 0.0, 12.0), {"height_m": 30.0, "id": "block"})
    scenery = scenery_of(village(tmp_path / "town.geojson", frame, more=[block]))
    carried = Equipment(lenses_mm=(26.0, 52.0))
    without = plan_photos(site, most=2, equipment=carried)
    made = plan_photos(site, most=2, equipment=carried, scenery=scenery)
    first = next(s for s in made.standpoints if s.skyline is not None)
    assert np.median(list(made.together_u95_deg.values())) < np.median(list(without.together_u95_deg.values()))
    assert all(first.skyline.u95_with_deg[n] < u for n, u in first.skyline.u95_without_deg.items())
    # not behind the block, and not in it
    assert not any(75.0 < s.bearing_from_tower_deg < 105.0 for s in made.standpoints)
    said = " ".join(made.notes)
    assert "town.geojson (of 2026-02-03; invented) has 35 buildings within 1000 m" in said
    assert "in a building, or with one before the antennas" in said
    assert made.map_source.file == "town.geojson"
