"""How many photos a second find their site among 200 000, scattered over the country and in dense cities.

Figures are printed: run with -s or -rP.
"""

from __future__ import annotations

import time
from collections import Counter

import numpy as np
import pytest

from photoaz.naming.places import PhotoPlaces, SiteIndex, match_places

pytestmark = pytest.mark.benchmark

SITES, PHOTOS = 200_000, 100_000
WANTED_PER_S = 20_000
METRES_PER_DEG = 111_200.0


@pytest.fixture(scope="module")
def register() -> tuple[SiteIndex, np.ndarray]:
    """Half of the sites in 40 cities 8 km across (40 a square kilometre), half anywhere; which of them are urban."""
    rng = np.random.default_rng(1)
    half = SITES // 2
    city = rng.uniform([-40.0, -20.0], [55.0, 60.0], (40, 2))[rng.integers(0, 40, half)]
    off = rng.uniform(-4000.0, 4000.0, (half, 2)) / METRES_PER_DEG
    off[:, 1] /= np.cos(np.radians(city[:, 0]))
    lat, lon = np.concatenate([city + off, rng.uniform([-40.0, -20.0], [55.0, 60.0], (half, 2))]).T
    start = time.perf_counter()
    index = SiteIndex([f"S{k}" for k in range(SITES)], lat, lon, np.full(SITES, 3.0), rng.uniform(15.0, 50.0, SITES))
    print(f"\nindex of {SITES} sites: {time.perf_counter() - start:.2f} s")
    return index, np.arange(SITES) < half


@pytest.mark.parametrize("where", ["everywhere", "dense cities", "country", "of no site", "dense cities, no heading"])
def test_photos_a_second(register: tuple[SiteIndex, np.ndarray], where: str) -> None:
    index, urban = register
    rng = np.random.default_rng(2)
    pool = {"everywhere": np.arange(SITES), "country": np.flatnonzero(~urban)}.get(where, np.flatnonzero(urban))
    site = rng.choice(pool, PHOTOS)
    away = index.height_m[site] * np.exp(rng.normal(0.55, 0.63, PHOTOS))
    if where == "of no site":
        site, away = rng.choice(np.flatnonzero(~urban), PHOTOS), rng.uniform(3_500.0, 20_000.0, PHOTOS)
    turn, sigma = rng.uniform(0.0, 2.0 * np.pi, PHOTOS), rng.choice([3.0, 5.0, 8.0], PHOTOS)
    north, east = away * np.cos(turn) + rng.normal(0, sigma), away * np.sin(turn) + rng.normal(0, sigma)
    lat = index.lat_deg[site] + north / METRES_PER_DEG
    heading = (np.degrees(turn) + 180.0 + rng.normal(0, 10.0, PHOTOS)) % 360.0
    photos = PhotoPlaces(
        lat_deg=lat,
        lon_deg=index.lon_deg[site] + east / METRES_PER_DEG / np.cos(np.radians(lat)),
        sigma_m=sigma,
        heading_deg=np.full(PHOTOS, np.nan) if "no heading" in where else heading,
        heading_sigma_deg=np.full(PHOTOS, 6.0),
        field_deg=np.full(PHOTOS, 69.0),
    )
    match_places(index, PhotoPlaces(**{f: getattr(photos, f)[:10] for f in PhotoPlaces.__slots__}))
    start = time.perf_counter()
    found = match_places(index, photos)
    rate = PHOTOS / (time.perf_counter() - start)
    named = np.array([m.site is not None for m in found])
    right = np.array([m.site == index.site_ids[s] for m, s in zip(found, site, strict=True)])
    wrong = (named & ~right).mean()
    print(
        f"{where}: {rate:,.0f} photos/s; named {named.mean():.1%}, wrongly {wrong:.2%}",
        dict(Counter(m.status for m in found)),
    )
    assert rate >= WANTED_PER_S
    assert wrong < 0.05 or where == "of no site"
