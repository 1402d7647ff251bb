"""Which site a photo shows: distances against PROJ's geodesics, densities against draws, decisions by symmetry."""

from __future__ import annotations

import itertools
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import Geod

from photoaz.naming.places import (
    PhotoPlaces,
    PlaceMatch,
    SiteIndex,
    _blurred,
    _looked_up,
    match_places,
    places_of,
    spell_distance,
    standing_density,
)
from photoaz.naming.site_names import SiteNames, settle_site
from photoaz.photo.record import CompassHeading, Focal, GeoPosition, PhotoRecord, TakenAt
from photoaz.quantities import (
    COMPASS_DISTURBED_RAD,
    COMPASS_DISTURBED_SHARE,
    COMPASS_NONSENSE_SHARE,
    FAR_SHARE,
    FARTHEST_HEIGHTS,
    NEAREST_HEIGHTS,
    REACH_M,
    USUAL_HEIGHTS,
)

GEOD = Geod(ellps="WGS84")
HEIGHT_M = 30.0


def beside(lat: float, lon: float, azimuth_deg: float, metres: float) -> tuple[float, float]:
    there = GEOD.fwd(lon, lat, azimuth_deg, metres)
    return there[1], there[0]


def index_of(*sites: tuple[float, float], u95_m: float = 3.0) -> SiteIndex:
    lat, lon = zip(*sites, strict=True)
    n = len(sites)
    return SiteIndex([chr(65 + k) for k in range(n)], lat, lon, np.full(n, u95_m), np.full(n, HEIGHT_M))


def photos(*rows: tuple[float, ...]) -> PhotoPlaces:
    """Rows of latitude, longitude, sigma (5), heading (none), its sigma (8), field of view (none)."""
    usual = (math.nan, math.nan, 5.0, math.nan, 8.0, math.nan)
    full = np.array([(*row, *usual[len(row) :]) for row in rows], float).T
    return PhotoPlaces(**dict(zip(PhotoPlaces.__slots__, full, strict=True)))


def one(index: SiteIndex, *row: float) -> PlaceMatch:
    (match,) = match_places(index, photos(row))
    return match


# ---------------------------------------------------------------------------------------------------- geometry


@pytest.mark.parametrize(
    "site", [(0.0, 0.0), (52.0, 13.0), (-33.9, 179.9999), (89.99, 40.0), (-89.999, -100.0), (65.0, -180.0)]
)
def test_distance_and_bearing_are_those_of_the_geodesic(site: tuple[float, float]) -> None:
    index = index_of(site)
    for azimuth in (3.0, 100.0, 260.0):
        for metres in (30.0, 400.0, 2900.0):
            lat, lon = beside(*site, azimuth, metres)
            match = one(index, lat, lon)
            toward, _, length = GEOD.inv(lon, lat, site[1], site[0])
            assert match.nearest == "A"
            assert match.distance_m == pytest.approx(length, abs=1e-3)  # a millimetre at 3 km: chord for arc
            off = (match.bearing_deg - toward + 180.0) % 360.0 - 180.0
            assert abs(off) < 1e-3


def test_far_away_the_distance_is_along_the_ellipsoid() -> None:
    match = one(index_of((50.0, 10.0)), -35.0, 170.0)
    azimuth, _, metres = GEOD.inv(170.0, -35.0, 10.0, 50.0)
    assert match.status == "no_site"
    assert match.distance_m == pytest.approx(metres, abs=1.0)
    assert match.bearing_deg == pytest.approx(azimuth % 360.0, abs=1e-6)
    assert spell_distance(metres) in match.reason


# ---------------------------------------------------------------------------------------------------- densities


def draw_heights(rng: np.random.Generator, n: int) -> np.ndarray:
    """Distances in heights as the prior describes them in words, drawn without its formula."""
    usual = np.exp(
        rng.normal(
            math.log(math.sqrt(NEAREST_HEIGHTS * USUAL_HEIGHTS)),
            math.log(USUAL_HEIGHTS / NEAREST_HEIGHTS) / (2 * 1.96),
            n,
        )
    )
    far = np.exp(rng.uniform(math.log(NEAREST_HEIGHTS), math.log(FARTHEST_HEIGHTS), n))
    return np.where(rng.random(n) < FAR_SHARE, far, usual)


def test_standing_density_is_that_of_the_draws() -> None:
    rng = np.random.default_rng(3)
    r = draw_heights(rng, 400_000)
    edges = np.array([0.3, 0.7, 1.2, 2.0, 4.0, 8.0, 20.0, 60.0])
    share = np.histogram(r, edges)[0] / len(r)
    fine = [np.linspace(a, b, 2001) for a, b in itertools.pairwise(edges)]
    expected = [np.trapezoid(standing_density(x) * 2 * np.pi * x, x) for x in fine]
    # five standard deviations of a share of 400 000 draws, at most 0.004
    np.testing.assert_allclose(share, expected, atol=0.004)


@pytest.mark.parametrize("sigma", [0.1, 1.0, 4.0, 30.0])
def test_density_through_a_position_error(sigma: float) -> None:
    """Draws: somebody stands at r, his position is off by a normal error in each direction."""
    rng = np.random.default_rng(4)
    n = 1_000_000
    r, turn = draw_heights(rng, n), rng.uniform(0, 2 * np.pi, n)
    d = np.hypot(r * np.cos(turn) + rng.normal(0, sigma, n), r * np.sin(turn) + rng.normal(0, sigma, n))
    for low in (0.5 * sigma + 0.3, sigma + 1.0, 2 * sigma + 2.0):
        high = low * 1.2
        drawn = np.mean((d >= low) & (d < high)) / (np.pi * (high**2 - low**2))
        x = np.linspace(low, high, 50)
        table = np.exp(_looked_up(_blurred(), x, np.full_like(x, sigma)))
        expected = np.sum(table * x) / np.sum(x)
        assert expected == pytest.approx(drawn, rel=0.04)  # the draws' own error is 1 %, the table's grid 2 %


def test_stated_probabilities_are_those_of_being_right() -> None:
    """Photos drawn as the model has it, in a town: of those said to be 80 % likely, 80 % are of that site."""
    rng = np.random.default_rng(5)
    n = 20_000
    at = rng.uniform(0.0, 6000.0, (600, 2))  # 17 sites per square kilometre
    lat, lon = 48.0 + at[:, 1] / 111_200.0, 11.0 + at[:, 0] / 74_600.0
    index = SiteIndex([str(k) for k in range(600)], lat, lon, np.full(600, 3.0), np.full(600, HEIGHT_M))
    inner = np.flatnonzero(np.all(np.abs(at - 3000.0) < 2000.0, axis=1))
    site = rng.choice(inner, n)
    r, turn = draw_heights(rng, n) * HEIGHT_M, rng.uniform(0, 2 * np.pi, n)
    keep = r < 500.0  # farther ones leave the town
    stand = np.stack([r * np.sin(turn), r * np.cos(turn)], -1)
    aim = rng.normal(0, 0.2 * 69.0, n)
    compass = rng.normal(0, 8.0, n)
    state = rng.random(n)
    disturbed = COMPASS_NONSENSE_SHARE + COMPASS_DISTURBED_SHARE
    compass += np.where(state < disturbed, rng.normal(0, np.degrees(COMPASS_DISTURBED_RAD), n), 0.0)
    compass = np.where(state < COMPASS_NONSENSE_SHARE, rng.uniform(-180, 180, n), compass)
    heading = np.degrees(turn) + 180.0 + aim + compass
    said = stand + rng.normal(0, 5.0, (n, 2))
    places = PhotoPlaces(
        lat_deg=(lat[site] + said[:, 1] / 111_200.0)[keep],
        lon_deg=(lon[site] + said[:, 0] / 74_600.0)[keep],
        sigma_m=np.full(keep.sum(), 5.0),
        heading_deg=np.where(np.arange(n) % 2, heading, np.nan)[keep],
        heading_sigma_deg=np.full(keep.sum(), 8.0),
        field_deg=np.full(keep.sum(), 69.0),
    )
    found = match_places(index, places)
    likeliest = [m.site or (m.alternatives[0][0] if m.alternatives else "") for m in found]
    right = np.array([a == str(b) for a, b in zip(likeliest, site[keep], strict=True)])
    stated = np.array([m.probability for m in found])
    for low, high in ((0.3, 0.6), (0.6, 0.8), (0.8, 0.9), (0.9, 0.97), (0.97, 1.0)):
        some = (stated >= low) & (stated < high)
        assert some.sum() > 300
        # the prior has farther photos than were drawn, so it is a little too careful, never too sure by more
        assert -0.05 < right[some].mean() - stated[some].mean() < 0.10
    given = np.array([m.site is not None for m in found])
    assert right[given].mean() > 0.97


# ---------------------------------------------------------------------------------------------------- decisions

HERE = (48.0, 11.0)


def test_a_photo_beside_a_lonely_tower() -> None:
    lat, lon = beside(*HERE, 200.0, 70.0)
    match = one(index_of(HERE), lat, lon, 5.0, 20.0)
    assert (match.site, match.status, match.reason) == ("A", "site", "")
    assert match.probability > 0.99
    assert match.bearing_deg == pytest.approx(20.0, abs=0.01)


def test_between_two_alike_towers_only_the_heading_tells() -> None:
    east = beside(*HERE, 90.0, 140.0)
    middle = beside(*HERE, 90.0, 70.0)
    index = index_of(HERE, east)
    match = one(index, *middle)
    assert (match.site, match.status) == (None, "two_sites")
    assert dict(match.alternatives)["A"] == pytest.approx(dict(match.alternatives)["B"], rel=1e-3)
    assert "A" in match.reason
    assert "B" in match.reason
    for heading, site in ((270.0, "A"), (90.0, "B")):
        seen = one(index, *middle, 5.0, heading)
        assert seen.site == site
    # mirror images: the same probability
    west, other = one(index, *middle, 5.0, 250.0), one(index, *middle, 5.0, 110.0)
    assert west.probability == pytest.approx(other.probability, rel=1e-3)
    # square to both it tells nothing
    assert one(index, *middle, 5.0, 0.0).status == "two_sites"


@pytest.mark.parametrize("heading", [math.nan, 0.0, 90.0, 270.0])
@pytest.mark.parametrize("sigma_m", [1.0, 8.0])
def test_a_photo_stamped_with_a_sites_coordinates_is_of_that_site(sigma_m: float, heading: float) -> None:
    """Whichever way it looks, and though a neighbour stands in front of the lens."""
    index = index_of(HERE, beside(*HERE, 90.0, 60.0))
    for there in (HERE, beside(*HERE, 30.0, 0.8)):
        assert dict(one(index, *there, sigma_m, heading).alternatives).get("A", 0.0) > 0.5 or (
            one(index, *there, sigma_m, heading).site == "A"
        )


def test_a_compass_is_sometimes_wholly_wrong() -> None:
    """Turning its back on the only tower near, a photo is still of it rather than of none."""
    lat, lon = beside(*HERE, 0.0, 60.0)
    match = one(index_of(HERE), lat, lon, 5.0, 0.0)
    assert match.site == "A"
    assert match.probability < one(index_of(HERE), lat, lon, 5.0, 180.0).probability


def test_far_towers_need_the_heading() -> None:
    lat, lon = beside(*HERE, 0.0, 2000.0)
    index = index_of(HERE)
    toward, away = one(index, lat, lon, 5.0, 180.0, 6.0, 20.0), one(index, lat, lon, 5.0, 0.0, 6.0, 20.0)
    assert toward.site == "A"
    assert (away.site, away.status) == (None, "no_site")
    assert "A, is 2.0 km to the south" in away.reason
    assert one(index, lat, lon).probability < toward.probability


def test_beyond_reach_there_is_no_site() -> None:
    for metres, status in ((REACH_M - 50.0, "site"), (REACH_M + 100.0, "no_site")):
        lat, lon = beside(*HERE, 90.0, metres)
        match = one(index_of(HERE), lat, lon, 5.0, 270.0, 4.0, 12.0)
        assert match.status == status
    assert "no site within 3 km" in match.reason
    assert "3.1 km to the west" in match.reason


def test_two_sites_on_one_mast() -> None:
    index = index_of(HERE, beside(*HERE, 45.0, 1.0))
    match = one(index, *beside(*HERE, 10.0, 80.0), 5.0, 190.0)
    assert match.status == "two_sites"
    assert "one place" in match.reason


def test_a_coarse_position_leaves_it_open() -> None:
    index = index_of(HERE, beside(*HERE, 90.0, 500.0))
    near = beside(*HERE, 0.0, 60.0)
    assert one(index, *near, 5.0).site == "A"
    assert one(index, *near, 1000.0).status == "two_sites"


def test_no_position_and_no_register() -> None:
    index = index_of(HERE)
    for row in ((math.nan, 11.0), (48.0, math.nan), (91.0, 0.0)):
        assert one(index, *row).status == "no_position"
    empty = SiteIndex([], [], [], [], [])
    assert one(empty, *HERE).status == "no_site"
    assert match_places(index, PhotoPlaces(**{name: np.empty(0) for name in PhotoPlaces.__slots__})) == []


def test_order_and_company_do_not_matter() -> None:
    rng = np.random.default_rng(6)
    sites = [beside(*HERE, *a) for a in zip(rng.uniform(0, 360, 40), rng.uniform(50, 3000, 40), strict=True)]
    index = SiteIndex([str(k) for k in range(40)], *np.array(sites).T, np.full(40, 3.0), rng.uniform(10, 60, 40))
    rows = [
        (*beside(*HERE, a, r), 5.0, h) for a, r, h in zip(*rng.uniform(0, [[360], [2500], [360]], (3, 30)), strict=True)
    ]
    together = match_places(index, photos(*rows))
    assert [one(index, *row) for row in rows] == together
    assert match_places(index, photos(*rows[::-1])) == together[::-1]


def test_many_neighbours_are_all_looked_at() -> None:
    """Where dozens of towers stand nearer, one far in front of the lens is still found among the alternatives."""
    rng = np.random.default_rng(8)
    crowd = [beside(*HERE, a, r) for a, r in zip(rng.uniform(90, 270, 60), rng.uniform(250, 400, 60), strict=True)]
    index = index_of(*crowd, beside(*HERE, 0.0, 420.0))
    match = one(index, *HERE, 5.0, 0.0, 3.0, 10.0)
    assert {match.site, *(site for site, _ in match.alternatives)} & {index.site_ids[-1]}


def test_wrong_input_is_refused() -> None:
    with pytest.raises(ValueError, match="twice"):
        SiteIndex(["a", "a"], [1, 2], [1, 2], [3, 3], [30, 30])
    with pytest.raises(ValueError, match="latitude"):
        SiteIndex(["a"], [100], [1], [3], [30])
    with pytest.raises(ValueError, match="2 each"):
        SiteIndex(["a", "b"], [1], [1, 2], [3, 3], [30, 30])
    with pytest.raises(ValueError, match="sigma_m"):
        PhotoPlaces(**{n: np.zeros(1 + (n == "sigma_m")) for n in PhotoPlaces.__slots__})
    # an unknown height is the others' median, or 30 m
    assert SiteIndex(["a", "b"], [1, 2], [1, 2], [3, 3], [math.nan, 50.0]).height_m.tolist() == [50.0, 50.0]


# ---------------------------------------------------------------------------------------------------- records


def record(**changes: Any) -> PhotoRecord:
    usual: dict[str, Any] = {
        "path": Path("a.jpg"),
        "format": "JPEG",
        "width_px": 4000,
        "height_px": 3000,
        "orientation": 1,
        "position": GeoPosition(lat_deg=-37.0, lon_deg=145.0, sigma_m=4.0, source="GNSS"),
        "heading": CompassHeading(value_deg=355.0, north="magnetic", sigma_deg=6.0, source="compass"),
        "focal": Focal(f_px=2000.0, relative_sigma=0.02, source="tag"),
        "taken": TakenAt(local=None, utc=datetime(2022, 7, 1, tzinfo=UTC), sigma_s=1.0, source="tag"),
    }
    return PhotoRecord(**(usual | changes))


def test_places_of_records() -> None:
    north = CompassHeading(value_deg=90.0, north="true", sigma_deg=6.0, source="compass")
    unknown = CompassHeading(value_deg=355.0, north="unknown", sigma_deg=6.0, source="compass")
    places = places_of(
        [record(), record(heading=north), record(heading=unknown), record(position=None), record(focal=None), None]
    )
    # WMM2020 at 37 S 145 E in mid 2022: 11.6 degrees east (NOAA's calculator, from memory)
    assert places.heading_deg[0] == pytest.approx(6.6, abs=0.3)
    assert places.heading_deg[1] == 90.0
    assert places.heading_deg[2] == pytest.approx(0.8, abs=0.2)
    assert places.heading_sigma_deg[2] == pytest.approx(math.hypot(6.0, 5.8), abs=0.2)
    assert places.field_deg[0] == pytest.approx(90.0)  # 4000 pixels wide at f = 2000
    assert np.isnan(places.lat_deg[[3, 5]]).all()
    assert np.isnan(places.field_deg[4])
    far = record(taken=TakenAt(local=datetime(1850, 1, 1), utc=None, sigma_s=1.0, source="tag"))
    assert places_of([far]).heading_deg[0] == 355.0
    assert len(places_of([])) == 0


# ---------------------------------------------------------------------------------------------------- names


def test_names_in_paths() -> None:
    names = SiteNames(["QLB014", "AB-1", "ab 1", "Köln 7"])
    assert names.in_path("/archive/qlb014/2019/IMG_1.jpg") == ("QLB014",)
    assert names.in_path("C:\\photos\\QLB014\\x.jpg") == ("QLB014",)
    assert names.in_path("s3://bucket/QLB014.x/QLB0145/x.jpg") == ()
    assert names.in_path("in/AB-1/x.jpg") == ("AB-1",)
    assert names.in_path("in/AB_1/x.jpg") == ("AB-1", "ab 1")  # two are spelled much like it
    assert names.in_path("https://host/K%C3%B6ln_7/x.jpg?site=QLB014") == ("Köln 7",)
    assert names.in_path("ko\u0308ln-7/x.jpg") == ("Köln 7",)  # decomposed, as some systems store it
    assert names.in_path("AB-1/QLB014/x.jpg") == ("QLB014", "AB-1")
    assert names.in_path("photos/QLB014.jpg") == ("QLB014",)
    assert names.in_path("") == ()


def test_settling() -> None:
    index = index_of(HERE, beside(*HERE, 90.0, 140.0), beside(*HERE, 0.0, 20_000.0))
    sure = one(index, *beside(*HERE, 200.0, 70.0), 5.0, 20.0)
    torn = one(index, *beside(*HERE, 90.0, 70.0))
    lost = one(index, 10.0, 10.0)
    blank = one(index, math.nan, math.nan)
    assert sure.site == "A"
    assert settle_site(sure) == sure
    assert settle_site(sure, folders=("A",)) == sure
    # the geotag is sure, the folder says another: the geotag, and it is said
    told = settle_site(sure, folders=("C",), index=index)
    assert told.site == "A"
    assert "folder says C" in told.flags[0]
    # a manifest is believed, and contradicted aloud
    told = settle_site(sure, manifest="C", folders=("A",), index=index)
    assert (told.site, len(told.flags)) == ("C", 2)
    assert settle_site(sure, manifest="A").flags == ()
    # where the geotag leaves two, the folder decides between them
    assert settle_site(torn, folders=("B",)).site == "B"
    assert settle_site(torn, folders=("C",)).site is None
    assert settle_site(torn, folders=("C",)).flags
    assert settle_site(torn, manifest="B").flags == ()
    # no position: whoever names one
    assert settle_site(blank, folders=("C",)).site == "C"
    assert settle_site(blank, manifest="B").site == "B"
    assert settle_site(blank, folders=("C", "A")).status == "two_sites"
    assert settle_site(blank).reason
    # a position far from everything contradicts the folder
    told = settle_site(lost, folders=("A",), index=index)
    assert told.site is None
    assert told.flags
    assert "folder says A" in told.reason
    assert settle_site(lost, manifest="A", index=index).flags
    assert "not in the register" in settle_site(lost, manifest="Z", index=index).flags[0]


def test_a_folder_within_reach_outweighs_the_prior_for_nothing() -> None:
    index = index_of(HERE)
    match = one(index, *beside(*HERE, 0.0, 2000.0), 5.0, 0.0, 6.0, 20.0)
    assert match.status == "no_site"
    assert settle_site(match, folders=("A",)).site == "A"
