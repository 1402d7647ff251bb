"""What is seen, against shapely in plan and an independent ray caster in space."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from photoaz.surroundings.maps import shapes_of
from photoaz.surroundings.panorama import panorama
from photoaz.surroundings.walls import NOTHING, along, buildings_at

from .conftest import box, surroundings, town

#: a pixel of a telephone's main camera [rad]
PIXEL = 1.0 / 3000.0
EYE = np.array([4.0, -6.0, 1.6])


def footprints(some):
    """Outer rings (k, 2) [m], not closed."""
    return np.split(some.corners_m, some.first[1:-1]) if len(some) else []


def triangles(some):
    """Every wall as two upright triangles (t, 3, 3), and whose they are (t,)."""
    out, whose = [], []
    for k, (footprint, top) in enumerate(zip(footprints(some), some.top_m, strict=True)):
        for a, b in zip(footprint, np.roll(footprint, -1, axis=0), strict=True):
            foot_a, foot_b, head_a, head_b = (*a, 0.0), (*b, 0.0), (*a, top), (*b, top)
            out += [(foot_a, foot_b, head_b), (foot_a, head_b, head_a)]
            whose += [k, k]
    return np.array(out), np.array(whose)


def hit(scene, azimuth, elevation, eye=EYE):
    """The nearest building that a ray from the eye meets, -1 if none, and how far away it does, level.

    Moeller and Trumbore, Fast, minimum storage ray/triangle intersection, J. Graphics Tools 2 (1997), in its textbook
    form. Shares nothing with the code under test.
    """
    (a, b, c), whose = scene[0].transpose(1, 0, 2), scene[1]
    way = np.array([np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), np.sin(elevation)])
    one, two, to = b - a, c - a, eye - a
    p = np.cross(way, two)
    det = (one * p).sum(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        u = (to * p).sum(1) / det
        r = np.cross(to, one)
        v, along = (r @ way) / det, (two * r).sum(1) / det
    met = np.flatnonzero((np.abs(det) > 1e-12) & (u >= 0) & (v >= 0) & (u + v <= 1) & (along > 1e-9))
    if not len(met):
        return -1, np.inf
    k = met[np.argmin(along[met])]
    return int(whose[k]), float(along[k] * np.cos(elevation))


@pytest.mark.parametrize("seed", range(4))
def test_the_skyline_is_where_rays_begin_to_miss(seed) -> None:
    """Just below the skyline rays meet the building that it names, just above they meet nothing: to 0.1 px."""
    rng = np.random.default_rng(seed)
    some = town(rng)
    scene = triangles(some)
    seen = panorama(some, EYE, refraction_k=1.0)  # rays run straight: on a level earth
    for azimuth in rng.uniform(0.0, 2 * np.pi, 200):
        elevation = seen.skyline.elevation_rad(azimuth)
        piece = seen.skyline.piece_at(azimuth)
        name, distance = hit(scene, azimuth, elevation - 0.1 * PIXEL)
        assert hit(scene, azimuth, elevation + 0.1 * PIXEL)[0] == -1
        assert name == seen.skyline.building[piece]
        if name >= 0:
            assert 1.0 / along(seen.skyline.nearness[piece], azimuth) == pytest.approx(distance, rel=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_upright_edges_are_where_rays_say(seed) -> None:
    """Beside an outline rays meet the building on its side only; low and high ends are where they are by rays."""
    rng = np.random.default_rng(100 + seed)
    some = town(rng)
    scene = triangles(some)
    up = panorama(some, EYE, refraction_k=1.0).uprights
    assert len(up) > 20
    for k in rng.permutation(np.flatnonzero(up.p_seen > 0.99))[:25]:
        middle = 0.5 * (up.elevation_low_rad[k] + up.elevation_high_rad[k])
        near = min(0.1 * PIXEL, 0.2 * (up.elevation_high_rad[k] - up.elevation_low_rad[k]))
        beside = [hit(scene, up.azimuth_rad[k] + s * 0.1 * PIXEL, middle) for s in (-1, 1)]
        # the wall itself, and not another of the building's further back
        own = [b == up.building[k] and d < up.distance_m[k] + 0.5 for b, d in beside]
        assert own == {-1: [True, False], 1: [False, True], 0: [True, True]}[int(up.side[k])]
        inside = up.azimuth_rad[k] + (up.side[k] or 1) * 1e-5
        assert hit(scene, inside, up.elevation_high_rad[k] - near)[0] == up.building[k]
        assert hit(scene, inside, up.elevation_high_rad[k] + near)[0] != up.building[k]
        if up.elevation_low_rad[k] > np.arctan2(-EYE[2], up.distance_m[k]) + 1e-6:
            # what hides its foot hides it on one side of the edge at least
            below = [hit(scene, up.azimuth_rad[k] + s * 1e-5, up.elevation_low_rad[k] - near)[0] for s in (-1, 1)]
            assert any(b not in (up.building[k], -1) for b in below)


def test_visible_corners_are_those_with_a_free_line_in_plan(rng) -> None:
    """Where all is equally high, an edge is seen if and only if nothing lies between in plan (shapely)."""
    some = town(rng, n=40)
    some = surroundings(footprints(some), 10.0)
    up = panorama(some, EYE, refraction_k=1.0).uprights
    seen = set(up.corner[up.elevation_high_rad > up.elevation_low_rad].tolist())
    shapes = shapes_of(some)
    tree = shapely.STRtree(shapes)
    for k, corner in enumerate(some.corners_m):
        way = shapely.LineString([EYE[:2], EYE[:2] + 0.9999 * (corner - EYE[:2])])
        free = not any(shapely.intersection(way, shapes[j]).length > 1e-6 for j in tree.query(way))
        assert free == (k in seen), k


def test_something_far_away_sinks() -> None:
    some = surroundings([box(0.0, 2000.0, 50.0, 50.0)], 20.0)
    level, real = (panorama(some, np.array([0.0, 0.0, 1.5]), k).skyline.elevation_rad(0.0) for k in (1.0, 0.13))
    assert np.tan(level) == pytest.approx(18.5 / 1975.0, rel=1e-9)
    assert np.tan(real) == pytest.approx((18.5 - 0.87 * 1975.0**2 / (2 * 6371008.8)) / 1975.0, abs=1e-7)


def test_nothing_about_gives_one_empty_piece() -> None:
    seen = panorama(surroundings([], 1.0), EYE)
    assert (len(seen.skyline), len(seen.uprights)) == (1, 0)
    assert seen.skyline.elevation_rad([0.0, 3.0]).tolist() == [0.0, 0.0]
    assert seen.skyline.building.tolist() == [NOTHING]


def test_a_house_that_one_stands_in_hides_nothing() -> None:
    some = surroundings([box(0.0, 0.0, 20.0, 20.0), box(0.0, 50.0, 10.0, 10.0)], 8.0)
    seen = panorama(some, np.array([0.0, 0.0, 1.5]))
    assert buildings_at(some, np.zeros(2)).tolist() == [0]
    assert set(seen.skyline.building.tolist()) == {-1, 1}


def test_a_row_of_houses_has_no_edge_within_its_front() -> None:
    some = surroundings([box(-5.0, 50.0, 10.0, 10.0), box(5.0, 50.0, 10.0, 10.0)], [6.0, 6.0])
    seen = panorama(some, np.array([0.0, 0.0, 1.5])).uprights
    assert sorted(
        np.round(np.degrees(np.arctan2(np.sin(seen.azimuth_rad), np.cos(seen.azimuth_rad)))[seen.p_seen > 0.6])
    ) == [-13, 13]
