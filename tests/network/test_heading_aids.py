"""The sun and shadows in a site's network: headings to their stated uncertainty, and a clock an hour off is named."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from photoaz.angles import Angle
from photoaz.geodesy.sun import sun_track
from photoaz.network.adjust import adjust
from photoaz.network.heading_aids import Shadow, SunPixel
from photoaz.network.site import SiteNetwork, build
from photoaz.network.solution import solve_network
from photoaz.quantities import K95

LAT, LON = 46.6, -66.4
NOON_UTC = 1718985600.0  # 2024-06-21 16:00 UTC, near noon there
DEG = float(np.radians(1.0))
SUN_SIGMA = 0.15 * DEG
SHADOW_SIGMA = 1.0 * DEG


def sun_at(unix_s: float) -> tuple[float, float]:
    azimuth, elevation, _ = sun_track(unix_s, LAT, LON)
    return float(np.radians(azimuth)), float(np.radians(elevation))


def pixel_of(kit: Any, photo: np.ndarray, direction: np.ndarray, cam: Any) -> np.ndarray:
    v = kit.rotation(*photo[:3]) @ direction
    assert v[2] > 0
    out: np.ndarray = cam.f_px * v[:2] / v[2] + [cam.cx_px, cam.cy_px]
    return out


def with_sun(
    kit: Any, site: Any, name: str, *, clock_h: float = 0.0, shadow: bool = False, compass: bool = True
) -> SiteNetwork:
    """The site with the sun at its true pixel in one photo, and its direction as the clock has it."""
    photos = []
    for p in site.network.photos:
        true = site.truth[site.layout.photo(p.name)]
        if not compass:
            p = replace(p, headings=())
        if p.name == name:
            a, e = sun_at(NOON_UTC)
            said_a, said_e = sun_at(NOON_UTC + 3600.0 * clock_h)
            direction = np.array([np.sin(a) * np.cos(e), np.cos(a) * np.cos(e), np.sin(e)])
            if shadow:
                foot = 12.0 * np.array([np.sin(true[0] - 0.1), np.cos(true[0] - 0.1)])
                tip = foot - 2.0 * direction[:2] / direction[2]
                ends = [pixel_of(kit, true, np.array([*q, -1.5]), p.camera) for q in (foot, tip)]
                sight = Shadow(
                    name="shadow", foot_px=ends[0], tip_px=ends[1], azimuth_rad=said_a + np.pi, sigma_rad=SHADOW_SIGMA
                )
                p = replace(p, aids=(sight,))
            else:
                sight = SunPixel(
                    pixel=pixel_of(kit, true, direction, p.camera),
                    azimuth_rad=said_a,
                    elevation_rad=said_e,
                    covariance=SUN_SIGMA**2 * np.eye(2),
                )
                p = replace(p, aids=(sight,))
        photos.append(p)
    return build(photos, site.network.antennas, 1.2)


def facing_sun(kit: Any, setting: Any = None, **kwargs: Any) -> Any:
    """Two photos; the first looks towards the noon sun, north of the tower."""
    bearing = np.degrees(sun_at(NOON_UTC)[0]) + 180.0 - 8.0
    return kit.make_site(
        (
            kit.Station(name="p1", bearing_deg=bearing, distance_m=50.0, sees=("a", "b"), **kwargs),
            kit.Station(name="p2", bearing_deg=200.0, distance_m=60.0, sees=("b", "c"), roll_deg=-1.1),
        ),
        {"a": 20.0, "b": 140.0, "c": 260.0},
        setting=setting or kit.Setting(),
        landmarks={"mast": (-40.0, -900.0, 330.0)},
        cam=kit.camera(26.0),
    )


def choice_of(net: SiteNetwork) -> dict[tuple[str, str], int]:
    return {(p.name, a): 0 for p in net.photos for a in p.boxes}


@pytest.mark.parametrize("shadow", [False, True], ids=["sun", "shadow"])
def test_heading_from_it_alone_to_the_stated_u95(kit, shadow):
    site = facing_sun(kit, kit.Setting(gnss_m=400.0))  # where the camera stood tells nothing of its heading
    net = with_sun(kit, site, "p1", shadow=shadow, compass=False)
    rng = np.random.default_rng(7)
    idx = net.layout.photo("p1", "heading")[0]
    truth = site.truth[site.layout.photo("p1", "heading")[0]]
    draws = 120
    off, u95 = np.zeros(draws), np.zeros(draws)
    for k in range(draws):
        exact = net.observations(choice_of(net))
        drawn = [
            o if o.source == "camera position" else d for o, d in zip(exact, kit.redrawn(exact, rng), strict=True)
        ]  # a standpoint drawn 400 m off would stand on the other side of the tower
        got = adjust(drawn, site.truth)
        off[k], u95[k] = got.x[idx] - truth, K95 * np.sqrt(got.covariance[idx, idx])
    # of 120 draws at 95 %, between 108 and 119 lie within with probability 0.98 (binomial)
    assert 108 <= (np.abs(off) <= u95).sum() <= 119
    stated = float(np.median(u95)) / DEG
    # no better than the sight itself; pitch and roll add theirs, at this sun's elevation as much again
    least = K95 if shadow else K95 * 0.15 / np.cos(sun_at(NOON_UTC)[1])
    assert least < stated < (2.0 if shadow else 3.0) * least


def test_without_it_nothing_tells_the_heading(kit):
    site = facing_sun(kit, kit.Setting(gnss_m=400.0))
    net = build([replace(p, headings=()) for p in site.network.photos], site.network.antennas, 1.2)
    got = adjust(net.observations(choice_of(net)), site.truth)
    assert np.sqrt(got.covariance[0, 0]) > 5 * DEG  # where the antennas stand off the axis tells a little


def strong_heading(net: SiteNetwork, site: Any, name: str) -> SiteNetwork:
    photos = []
    for p in net.photos:
        if p.name == name:
            value = float(site.truth[site.layout.photo(name, "heading")[0]])
            said = Angle(value_rad=value, sigma_rad=0.5 * DEG, source="heading control", label="heading control")
            p = replace(p, headings=(said, *p.headings))
        photos.append(p)
    return build(photos, net.antennas, 1.2)


@pytest.mark.parametrize("clock_h", [-1.0, 1.0])
@pytest.mark.parametrize("shadow", [False, True], ids=["the sun", "shadow"])
def test_a_clock_an_hour_off_is_left_out_by_name(kit, shadow, clock_h):
    site = facing_sun(kit)
    net = strong_heading(with_sun(kit, site, "p1", shadow=shadow, clock_h=clock_h), site, "p1")
    chosen = solve_network(net)
    assert [o.label for o in chosen.left_out] == [f"{'shadow' if shadow else 'the sun'} in p1"]
    true = site.truth[site.layout.antenna("b", "azimuth")[0]]
    assert abs(chosen.adjusted.x[net.layout.antenna("b", "azimuth")[0]] - true) < 1.0 * DEG


def test_a_landmark_contradicts_a_clock_an_hour_off(kit):
    site = facing_sun(kit, landmarks=("mast",))
    chosen = solve_network(with_sun(kit, site, "p1", clock_h=1.0))
    assert [o.label for o in chosen.left_out] == ["the sun in p1"]


@pytest.mark.parametrize("shadow", [False, True], ids=["the sun", "shadow"])
def test_a_right_clock_is_kept(kit, shadow):
    site = facing_sun(kit)
    chosen = solve_network(strong_heading(with_sun(kit, site, "p1", shadow=shadow), site, "p1"))
    assert not chosen.left_out


def test_elevation_alone_contradicts_a_clock_far_off(kit):
    """Nothing but the pitch stands against it: three hours before noon the sun stands 18 degrees lower."""
    site = facing_sun(kit, kit.Setting(gnss_m=400.0))
    chosen = solve_network(with_sun(kit, site, "p1", clock_h=-3.0, compass=False))
    assert "the sun in p1" in [o.label for o in chosen.left_out] or "camera pitch" in [o.label for o in chosen.left_out]
