"""The declination as one error of all compasses of a site: against networks adjusted anew with that error in them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from photoaz.angles import Angle
from photoaz.geodesy.norths import Declination
from photoaz.network.declination import declination_pull
from photoaz.network.forecast import azimuth_covariance_rad2, updated_covariance, updated_effect
from photoaz.network.site import SiteNetwork, build
from photoaz.network.solution import solve_network
from photoaz.quantities import K95, SHAPE_SIGMA_RAD

SIGMA = float(np.radians(0.4))
AZIMUTHS = {"a": 20.0, "b": 140.0, "c": 260.0}
#: of a change of 0.4 degrees: what the adjustment's curvature and its stopping leave
LINEAR = 0.01


def network(kit: Any, shares: tuple[float, ...], off_rad: float = 0.0, known: int | None = None) -> SiteNetwork:
    """Two photos of three sectors. shares: of the declination in each compass, off by off_rad; known: whose heading

    is known otherwise.
    """
    built = kit.make_site(
        (
            kit.Station(name="p0", bearing_deg=80.0, distance_m=50.0, sees=("a", "b")),
            kit.Station(name="p1", bearing_deg=200.0, distance_m=60.0, sees=("b", "c"), roll_deg=-1.1),
        ),
        AZIMUTHS,
    )
    photos = []
    for k, p in enumerate(built.network.photos):
        (h,) = p.headings
        moved = replace(h, value_rad=h.value_rad + shares[k] * off_rad, declination_sigma_rad=shares[k] * SIGMA)
        own = Angle(value_rad=h.value_rad, sigma_rad=1e-3, source="heading control", label="heading control")
        photos.append(replace(p, headings=(moved, own) if k == known else (moved,)))
    return build(photos, built.network.antennas, 1.2)


@pytest.mark.parametrize("shares", [(1.0, 1.0), (1.0, 0.0), (0.5, 1.0)])
@pytest.mark.parametrize("known", [None, 1])
def test_what_it_turns_is_what_an_adjustment_anew_finds(kit, shares, known):
    chosen = solve_network(network(kit, shares, known=known))
    moved = solve_network(network(kit, shares, SIGMA, known=known))
    for name in AZIMUTHS:
        k = chosen.network.layout.antenna(name)[0]
        wanted = moved.adjusted.x[k] - chosen.adjusted.x[k]
        assert chosen.declination[name] == pytest.approx(wanted, abs=LINEAR * SIGMA)
    for p in ("p0", "p1"):
        k = chosen.network.layout.photo(p)[0]
        wanted = moved.adjusted.x[k] - chosen.adjusted.x[k]
        assert chosen.declination[p] == pytest.approx(wanted, abs=LINEAR * SIGMA)


def test_all_compasses_together_turn_everything_less_than_itself(kit):
    chosen = solve_network(network(kit, (1.0, 1.0)))
    for name in AZIMUTHS:
        # standpoints hold the headings as well, so the compasses' common error does not come through whole
        assert 0.2 * SIGMA < chosen.declination[name] < SIGMA


def test_without_a_share_there_is_none(kit):
    chosen = solve_network(network(kit, (0.0, 0.0)))
    assert set(chosen.declination.values()) == {0.0}


def test_a_known_heading_leaves_hardly_anything_of_it(kit):
    free, chosen = (solve_network(network(kit, (1.0, 1.0), known=k)) for k in (None, 0))
    assert 0.0 < chosen.declination["a"] < 0.05 * free.declination["a"]


def test_a_disturbed_compass_has_next_to_none(kit):
    net = network(kit, (1.0, 0.0), known=1)
    p0, p1 = net.photos
    (h,) = p0.headings
    sound = solve_network(net).declination["p0"]
    wrong = replace(p0, headings=(replace(h, value_rad=h.value_rad + np.radians(70.0)),))
    disturbed = solve_network(build([wrong, p1], net.antennas, 1.2))
    assert "p0" in disturbed.disturbed
    assert disturbed.posterior.disturbed["p0"] > 0.5
    # (6 / 35)^2 of the weight
    assert disturbed.declination["p0"] < 0.1 * sound


def test_it_is_in_what_is_stated_and_in_the_covariance(kit):
    plain = solve_network(network(kit, (0.0, 0.0)))
    chosen = solve_network(network(kit, (1.0, 1.0)))
    d = np.array([chosen.declination[n] for n in AZIMUTHS])
    off = ~np.eye(3, dtype=bool)
    added = azimuth_covariance_rad2(chosen) - azimuth_covariance_rad2(plain)
    assert added[off] == pytest.approx(np.outer(d, d)[off], rel=1e-6)
    for n, v in zip(AZIMUTHS, d, strict=True):
        with_it, without = chosen.posterior.antennas[n], plain.posterior.antennas[n]
        at = without.told.azimuth_rad
        variance = with_it.mixture.rms_about(at) ** 2 - without.mixture.rms_about(at) ** 2
        assert variance == pytest.approx(v**2, rel=1e-6)
        assert with_it.u95_rad > without.u95_rad


def test_standard_uncertainty_is_the_mixture_s_by_draws(kit):
    chosen = solve_network(network(kit, (1.0, 1.0)))
    # one way to fit and both compasses almost surely sound: near u95 / 1.96, and never below the body's shape
    of = chosen.posterior.antennas["a"]
    m, told = of.mixture, of.told.azimuth_rad
    u, u95 = m.rms_about(told), of.u95_rad
    assert u > SHAPE_SIGMA_RAD
    rng = np.random.default_rng(3)
    which = rng.choice(len(m.weight), 100_000, p=m.weight)
    drawn = m.value[which] - told + rng.normal(size=100_000) * m.sigma[which]
    assert u == pytest.approx(np.sqrt(np.mean(drawn**2)), rel=0.02)
    assert np.mean(np.abs(drawn) <= u95) == pytest.approx(0.95, abs=0.004)
    assert u95 / u < K95 + 0.5


def test_the_part_that_further_evidence_leaves(kit):
    # C g with rows more in the normal equations, by their inverse
    rng = np.random.default_rng(1)
    a, rows, g = rng.normal(size=(12, 6)), rng.normal(size=(3, 4)), rng.normal(size=6)
    index, keep = np.array([0, 2, 3, 5]), np.array([1, 3])
    normal = a.T @ a
    c = np.linalg.inv(normal)
    whole = np.zeros((3, 6))
    whole[:, index] = rows
    then = np.linalg.inv(normal + whole.T @ whole)
    assert updated_effect(c, index, rows, keep, c @ g) == pytest.approx((then @ g)[keep], rel=1e-9)
    assert updated_covariance(c, index, rows, keep) == pytest.approx(then[np.ix_(keep, keep)], rel=1e-9)


def test_pull_is_of_the_compasses_that_take_part(kit):
    net = network(kit, (1.0, 0.5))
    chosen = solve_network(net)
    index = [int(net.layout.photo(p, "heading")[0]) for p in ("p0", "p1")]
    pull = declination_pull(chosen.observations, net.photos, net.layout, len(chosen.adjusted.x))
    assert np.flatnonzero(pull).tolist() == sorted(index)
    assert pull[index] == pytest.approx(np.array([1.0, 0.5]) * SIGMA / np.radians(6.0) ** 2)
    left = [o for o in chosen.observations if o.source != "camera compass"]
    assert not declination_pull(left, net.photos, net.layout, len(chosen.adjusted.x)).any()


@pytest.mark.parametrize(("north", "share"), [("magnetic", 1.0), ("true", 0.0), ("unknown", 0.5)])
def test_a_compass_by_its_north(kit, north, share):
    from photoaz.estimate.statements import GatheredPhoto, _headings
    from photoaz.photo.record import CompassHeading, PhotoRecord

    heading = CompassHeading(value_deg=30.0, sigma_deg=6.0, north=north, source="Exif")
    record = PhotoRecord(path=Path("p.jpg"), format="JPEG", width_px=40, height_px=30, orientation=1, heading=heading)
    photo = GatheredPhoto(path=Path("p.jpg"), record=record, camera=kit.camera(), controls=(), picks=())
    (got,) = _headings(photo, Declination(value_deg=8.0, sigma_deg=0.4, model="m"))
    assert np.degrees(got.value_rad) == pytest.approx(30.0 + 8.0 * share)
    assert np.degrees(got.declination_sigma_rad) == pytest.approx(0.4 * share)
    # either north is possible: half the declination to either side
    own = np.hypot(6.0, 4.0) if north == "unknown" else 6.0
    assert np.degrees(got.sigma_rad) == pytest.approx(own)
