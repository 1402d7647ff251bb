"""Sites side by side, through pictures: the sample site, and another register's rows 20 m to the east of it."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from photoaz.angles import wrap_deg
from photoaz.estimate.inputs import site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.register.load import load_register, require_sites, with_neighbours
from photoaz.register.model import Site
from photoaz.result import SiteResult
from photoaz.sample import sample_dir

#: what is found and fitted in the sample's photos is another test's matter: seen once, it is remembered
pytestmark = pytest.mark.usefixtures("seen_before")

FOLDER = sample_dir()
(SITE,) = require_sites(load_register(FOLDER / "register.csv"))


@pytest.fixture(scope="module")
def sites() -> tuple[Site, ...]:
    """The sample's, and one of like rows without offsets, 20 m off and turned by 50 degrees, that no photo shows."""
    rows = tuple(
        replace(
            a,
            antenna_id=a.antenna_id.replace("QLB-014", "O"),
            offset_east_m=None,
            offset_north_m=None,
            design_azimuth_deg=(a.design_azimuth_deg + 50.0) % 360.0,
        )
        for a in SITE.antennas
    )
    return with_neighbours((SITE, replace(SITE, site_id="OTHER", lon_deg=SITE.lon_deg + 0.000261, antennas=rows)))


def solved(site: Site) -> SiteResult:
    return solve_site(site_inputs(site, [FOLDER / f"qlb014_{k}.jpg" for k in (2, 4)])).result()


def named(result: SiteResult) -> set[str]:
    return {panel.antenna_id for photo in result.photos for panel in photo.panels if panel.antenna_id is not None}


def test_a_site_beside_another_is_solved_as_ever(sites: tuple[Site, ...]) -> None:
    got, truth = solved(sites[0]), json.loads((FOLDER / "truth.json").read_text("utf-8"))
    true_deg = {a["antenna_id"]: a["azimuth_deg"] for a in truth["antennas"]}
    told = [a for a in got.antennas if a.azimuth_true_deg is not None and a.u95_deg is not None]
    assert len(told) >= 5
    for a in told:
        assert abs(float(wrap_deg(a.azimuth_true_deg - true_deg[a.antenna_id]))) <= 1.5 * a.u95_deg
    assert all(name.startswith("QLB-014-") for name in named(got))
    assert got.azimuth_covariance is not None
    assert set(got.azimuth_covariance.antenna_ids) == {a.antenna_id for a in told}


def test_its_neighbour_takes_none_of_its_panels(sites: tuple[Site, ...]) -> None:
    """The photos are used, every panel named is the other's, and nothing is told of antennas that nobody saw."""
    got = solved(sites[1])
    assert [p.status for p in got.photos] == ["used", "used"]
    assert len(named(got)) >= 5
    assert all(name.startswith("QLB-014/QLB-014-") for name in named(got))
    assert {a.antenna_id for a in got.antennas} == {a.antenna_id for a in sites[1].antennas}
    assert all(a.azimuth_true_deg is None for a in got.antennas)
