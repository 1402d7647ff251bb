"""The tower's head as one body: its covariance against draws, and what photos together gain from it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from photoaz.naming.model import AntennaPriors
from photoaz.naming.mount import mount_of
from photoaz.network.adjust import adjust
from photoaz.network.antenna_positions import (
    ALL_TURNED_RAD,
    OWN_PLACE_WIDENED,
    SECTOR_TURNED_RAD,
    AntennaPositions,
    antenna_positions_of,
)
from photoaz.network.parameters import Layout
from photoaz.network.site import build

UP_SIGMA_M = 0.5


def antenna(name: str, design_deg: float, position: int | None, **more: Any) -> AntennaPriors:
    return AntennaPriors(
        name=name,
        design_rad=float(np.radians(design_deg)),
        up_m=30.0,
        ln_size=np.log([0.3, 1.8, 0.15]),
        ln_size_sigma=np.full(3, 0.02),
        up_sigma_m=UP_SIGMA_M,
        sizes_known=True,
        downtilt_rad=0.06,
        downtilt_sigma_rad=0.05,
        roll_sigma_rad=0.012,
        sector=name[0],
        position=position,
        **{"east_north_m": np.zeros(2), "offset_sigma_m": 1.0, **more},
    )


def nine() -> list[AntennaPriors]:
    return [antenna(f"{s}{k}", 20.0 + 120.0 * i, k) for i, s in enumerate("ABC") for k in (1, 2, 3)]


def head(antennas: list[AntennaPriors]) -> AntennaPositions:
    return antenna_positions_of(mount_of(antennas), {a.name: UP_SIGMA_M for a in antennas})


def test_position_one_hangs_left_for_somebody_who_looks_out() -> None:
    """Clockwise from above, as the register counts them."""
    h = head(nine())
    a1, a3 = h.places_m[h.names.index("A1")], h.places_m[h.names.index("A3")]
    assert np.arctan2(*a1) < np.radians(20.0) < np.arctan2(*a3)
    assert np.linalg.norm(a1) == pytest.approx(np.linalg.norm(a3))


def test_covariance_is_that_of_drawn_heads() -> None:
    """20 000 heads drawn part by part: stand-off, spacing, turns of all and of each sector, each antenna's own."""
    antennas = nine()
    mount = mount_of(antennas)
    rng = np.random.default_rng(5)
    draws = 20000
    stand = mount.stand_off_m[0] + mount.stand_off_m[1] * rng.standard_normal((draws, 1, 1))
    space = mount.spacing_m[0] + mount.spacing_m[1] * rng.standard_normal((draws, 1, 1))
    turn = ALL_TURNED_RAD * rng.standard_normal((draws, 1)) + (
        SECTOR_TURNED_RAD * rng.standard_normal((draws, 3))[:, mount.group]
    )
    middle = mount.places()
    place = stand * mount.outward + space * mount.sideways
    clockwise = np.stack([middle[:, 1], -middle[:, 0]], 1)
    place = place + turn[..., None] * clockwise
    place = place + OWN_PLACE_WIDENED * mount.own_sigma_m[:, None] * rng.standard_normal(place.shape)
    h = head(antennas)
    got = np.cov(place.reshape(draws, -1), rowvar=False)
    spread = np.sqrt(np.diag(h.covariance))
    # a covariance from n draws errs by sigma_i sigma_j sqrt(2 / n) at most; four of these
    assert np.abs((got - h.covariance) / np.outer(spread, spread)).max() < 4 * np.sqrt(2 / draws)
    assert place.mean(0) == pytest.approx(h.places_m, abs=4 * spread.max() / np.sqrt(draws))


def test_offsets_of_the_register_are_taken_as_they_are() -> None:
    """Neither stand-off nor turns of mounts concern an antenna whose place is measured."""
    there = antenna("A1", 20.0, 1, place_known=True, east_north_m=np.array([0.7, 1.1]), offset_sigma_m=0.15)
    h = head([there, *nine()[1:]])
    assert h.places_m[0] == pytest.approx([0.7, 1.1])
    assert h.covariance[:2, :2] == pytest.approx(0.15**2 * np.eye(2))
    assert h.covariance[:2, 2:] == pytest.approx(np.zeros((2, 16)))


def test_heights_err_together() -> None:
    h = head(nine())
    spread = np.sqrt(np.diag(h.up_covariance))
    assert spread == pytest.approx(np.full(9, UP_SIGMA_M))
    correlation = h.up_covariance / np.outer(spread, spread)
    assert correlation[~np.eye(9, dtype=bool)].min() > 0.7


def test_its_observations_are_what_it_says() -> None:
    """Adjusted alone, some antennas' unknowns come out with the head's mean and covariance."""
    h = head(nine())
    some = ["B2", "A1", "C3"]
    layout = Layout((), tuple(some))
    places, heights = h.observations(some, layout)
    ups = np.concatenate([layout.antenna(a, "up") for a in some])
    used = np.concatenate([places.index, ups])
    small = [replace(places, index=np.arange(6)), replace(heights, index=np.arange(6, 9))]
    got = adjust(small, np.zeros(9))
    assert len(used) == 9
    flat = np.concatenate([[2 * h.names.index(a), 2 * h.names.index(a) + 1] for a in some])
    assert got.covariance[:6, :6] == pytest.approx(h.covariance[np.ix_(flat, flat)], rel=1e-8, abs=1e-10)
    assert got.x[:6] == pytest.approx(h.places_m.ravel()[flat])
    assert got.x[6:] == pytest.approx(np.full(3, 30.0))


def test_a_site_gains_from_knowing_that_the_head_is_one_body(kit) -> None:
    """Photos hardly sure of where they were taken, a landmark in one: the others' headings gain through the head."""
    site = kit.make_site(
        (
            kit.Station(name="p0", bearing_deg=80.0, distance_m=50.0, sees=("A1", "B1"), landmarks=("mast",)),
            kit.Station(name="p1", bearing_deg=200.0, distance_m=60.0, sees=("B1", "C1")),
            kit.Station(name="p2", bearing_deg=320.0, distance_m=60.0, sees=("C1", "A1")),
        ),
        {"A1": 20.0, "B1": 140.0, "C1": 260.0},
        landmarks={"mast": (-900.0, -160.0, 330.0)},
        setting=kit.Setting(gnss_m=15.0, compass_deg=20.0, corner_px=1.5),
    )
    net = site.network
    antennas = [antenna(a.name, float(np.degrees(a.design_rad)), 1) for a in net.antennas]
    alone = [replace(a, offset_sigma_m=1.0) for a in net.antennas]
    one = [replace(a, up_sigma_m=UP_SIGMA_M) for a in net.antennas]
    choice = {(p.name, a): 0 for p in net.photos for a in p.boxes}

    def variances(network: Any) -> np.ndarray:
        got = adjust(network.observations(choice), network.start)
        heading = [network.layout.photo(p, "heading")[0] for p in ("p1", "p2")]
        return np.diag(got.covariance)[heading]

    without = variances(build(net.photos, alone, 1.2))
    with_it = variances(build(net.photos, one, 1.2, head(antennas)))
    assert (with_it < without).all()
