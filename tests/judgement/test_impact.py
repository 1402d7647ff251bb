"""Impact against the published element pattern, draws, and the geometry of two equal patterns."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from photoaz.judgement.beliefs import by_photos, deviations
from photoaz.judgement.conformity import Part
from photoaz.judgement.impact import (
    BASIS,
    crossover,
    crossover_db,
    gain_db,
    impact_db,
    sectors_of,
    with_site_impact,
)
from photoaz.judgement.judge import judge_antenna
from photoaz.quantities import ESTIMATE_SPOILED_SHARE
from photoaz.register.model import Antenna, Site
from photoaz.result import Alternative, AntennaResult, ById, SiteResult

PRINTED_2 = 0.005 + 1e-9
PRINTED_3 = 0.0005 + 1e-9
K95 = 1.959964


# 3GPP TR 38.901 V16.1.0 table 7.3-1 (parameters as in ns-3, three-gpp-antenna-model.cc): A = -min(12 (phi / 65)^2, 30);
# losses at boresight, and changes at the edges of a 120 degree sector, worked out from it
@pytest.mark.parametrize(
    ("off", "boresight", "gains", "loses"),
    [(5.0, -0.071, 1.63, -1.78), (10.0, -0.284, 3.12, -3.69), (-5.0, -0.071, 1.63, -1.78)],
)
def test_edges_by_side(off, boresight, gains, loses):
    impact = impact_db(off)
    toward, away = impact.clockwise_edge, impact.anticlockwise_edge
    if off < 0:
        toward, away = away, toward
    assert impact.boresight == pytest.approx(boresight, abs=PRINTED_3)
    assert toward == pytest.approx(gains, abs=PRINTED_2)
    assert away == pytest.approx(loses, abs=PRINTED_2)
    assert impact.edge == away


# the same at an edge, 60 degrees off: 10.22 dB down, as the table gives
def test_crossover_as_designed():
    assert crossover_db(120.0) == pytest.approx(-10.22, abs=PRINTED_2)
    assert crossover_db(65.0) == pytest.approx(-3.0)  # half the 3 dB beamwidth each


def test_intervals_against_draws():
    # JCGM 101:2008: the distribution carried through; sampling spread of quantiles of 400 000 draws is below 0.02 dB
    rng = np.random.default_rng(8)
    second = rng.random(400_000) < 0.3
    draws = np.where(second, rng.normal(-12.0, 2.0, second.size), rng.normal(6.0, 1.5, second.size))
    parts = (
        Part(deviation_deg=6.0, sigma_deg=1.5, probability=0.7),
        Part(deviation_deg=-12.0, sigma_deg=2.0, probability=0.3),
    )
    impact = impact_db(6.0, parts=parts)
    gain = -np.minimum(12.0 * (draws / 65.0) ** 2, 30.0)
    edge = -12.0 * ((60.0 - draws) / 65.0) ** 2 + 12.0 * (60.0 / 65.0) ** 2
    assert impact.boresight_interval == pytest.approx(tuple(np.quantile(gain, [0.025, 0.975])), abs=0.03)
    assert impact.clockwise_edge_interval == pytest.approx(tuple(np.quantile(edge, [0.025, 0.975])), abs=0.03)


def test_boresight_interval_is_one_sided_where_it_points_as_designed():
    # first-order propagation would say 0 here, since the pattern is flat on boresight
    impact = impact_db(0.0, parts=(Part(deviation_deg=0.0, sigma_deg=5.0),))
    low, high = impact.boresight_interval
    assert low == pytest.approx(gain_db(5.0 * 2.2414), abs=0.01)  # |z| below 2.2414 with 97.5 %, tables
    assert high == pytest.approx(0.0, abs=0.01)
    assert low < impact.boresight + 1e-9


def test_no_interval_without_distribution():
    assert impact_db(3.0).boresight_interval is None


def equal_point(a, b):
    """Where two patterns cross on the arc from a clockwise to b, found numerically."""
    return optimize.brentq(lambda x: gain_db(x - a) - gain_db(x - b), a + 1e-6, b - 1e-6)


@settings(deadline=None)
@given(st.floats(40, 160), st.floats(-15, 15), st.floats(-15, 15))
def test_crossover_against_a_root_finder(apart, off_a, off_b):
    a0, b0 = 10.0, 10.0 + apart
    designed, shift, _, change, _ = crossover((a0 + off_a, b0 + off_b), (a0, b0), (0.0, 0.0, 0.0))
    assert designed == pytest.approx(equal_point(a0, b0), abs=1e-6)
    at = equal_point(a0 + off_a, b0 + off_b)
    assert designed + shift == pytest.approx(at, abs=1e-6)
    assert change == pytest.approx(gain_db(at - a0 - off_a) - gain_db(equal_point(a0, b0) - a0), abs=1e-6)


def test_crossover_uncertainty_against_draws():
    # JCGM 101:2008. Two azimuths that share most of one camera's heading.
    rng = np.random.default_rng(4)
    cov = np.array([[9.0, 7.0], [7.0, 8.0]])
    a, b = rng.multivariate_normal([3.0, 118.0], cov, 300_000).T
    _, shift, u95, change, interval = crossover((3.0, 118.0), (0.0, 120.0), (9.0, 8.0, 7.0))
    middle, level = (a + b) / 2.0 - 60.0, -12.0 * ((b - a) / 2.0 / 65.0) ** 2 + 12.0 * (60.0 / 65.0) ** 2
    assert shift == pytest.approx(0.5)
    assert u95 == pytest.approx(K95 * middle.std(), rel=0.01)
    assert interval == pytest.approx(tuple(np.quantile(level, [0.025, 0.975])), abs=0.03)
    assert interval[0] < change < interval[1]
    # what both share moves the crossover, but not its level
    alone = crossover((3.0, 118.0), (0.0, 120.0), (9.0, 8.0, 0.0))
    assert alone[4][0] < interval[0]
    assert alone[2] < u95


def test_no_crossover_at_the_floor():
    # 65 sqrt(30 / 12) = 102.8 degrees: beyond it there is nothing left to cross
    assert crossover((0.0, 200.0), (0.0, 200.0), (0.0, 0.0, 0.0)) is not None
    assert crossover((0.0, 210.0), (0.0, 210.0), (0.0, 0.0, 0.0)) is None


def antenna(name, design, **fields):
    return Antenna(antenna_id=name, rad_center_m=30.0, design_azimuth_deg=design, **fields)


def estimated(name, azimuth, u95=2.0, **fields):
    return AntennaResult(antenna_id=name, status="estimated", azimuth_true_deg=azimuth, u95_deg=u95, **fields)


def judged(site, solution):
    register = {a.antenna_id: a for a in site.antennas}
    antennas = ById(judge_antenna(register[a.antenna_id], site, a, date(2026, 5, 1)) for a in solution.antennas)
    return with_site_impact(site, replace(solution, antennas=antennas)).antennas


def a_site(antennas):
    return Site(site_id="S", lat_deg=46.6, lon_deg=-66.4, antennas=ById(antennas))


def a_solution(antennas):
    return SiteResult(
        site_id="S",
        lat_deg=46.6,
        lon_deg=-66.4,
        antennas=ById(antennas),
    )


def three(turn=0.0, **fields):
    site = a_site(
        antenna(f"{s}{k}", d, sector=s if fields.get("named", True) else None, position=k)
        for s, d in (("A", 0.0), ("B", 120.0), ("C", 240.0))
        for k in (1, 2)
    )
    found = [
        estimated(a.antenna_id, (a.design_azimuth_deg + (turn if a.antenna_id == "A1" else 0.0)) % 360)
        for a in site.antennas
    ]
    return site, a_solution(found)


@pytest.mark.parametrize("named", [True, False])
def test_neighbours_by_sector_or_azimuth(named):
    site, solution = three(10.0, named=named)
    judgements = judged(site, solution)
    crossings = {c.side: c for c in judgements["A1"].impact_db.crossovers}
    assert (crossings["clockwise"].neighbour_id, crossings["anticlockwise"].neighbour_id) == ("B1", "C1")
    # turned 10 degrees clockwise: nearer to B by 10, so 5 degrees less off each at the crossover
    assert crossings["clockwise"].change == pytest.approx(gain_db(55.0) - gain_db(60.0))
    assert crossings["anticlockwise"].change == pytest.approx(gain_db(65.0) - gain_db(60.0))
    for c in crossings.values():
        assert c.shift_deg == pytest.approx(5.0)
    assert crossings["clockwise"].azimuth_true_deg == pytest.approx(65.0)
    assert crossings["anticlockwise"].azimuth_true_deg == pytest.approx(305.0)
    assert (crossings["clockwise"].effect, crossings["anticlockwise"].effect) == ("overlap", "hole")
    # and the neighbour sees the same crossing from its side
    back = next(c for c in judgements["B1"].impact_db.crossovers if c.side == "anticlockwise")
    assert (back.neighbour_id, back.azimuth_true_deg, back.change) == (
        "A1",
        crossings["clockwise"].azimuth_true_deg,
        crossings["clockwise"].change,
    )
    assert len(sectors_of(site.antennas, {a.antenna_id: a.design_azimuth_deg for a in site.antennas})) == 3


def test_a_neighbour_that_is_not_seen_is_taken_as_designed():
    site, solution = three(10.0)
    rest = [
        AntennaResult(antenna_id="B1", status="not_visible") if a.antenna_id == "B1" else a for a in solution.antennas
    ]
    impact = judged(site, a_solution(rest))["A1"].impact_db
    clockwise = next(c for c in impact.crossovers if c.side == "clockwise")
    assert not clockwise.neighbour_estimated
    both = next(c for c in judged(site, solution)["A1"].impact_db.crossovers if c.side == "clockwise")
    assert clockwise.shift_u95_deg < both.shift_u95_deg


def test_layers_of_one_sector_are_no_neighbours():
    site = a_site([antenna("A1", 0.0, sector="low"), antenna("A2", 10.0, sector="high")])
    solution = a_solution([estimated("A1", 0.0), estimated("A2", 10.0)])
    assert judged(site, solution)["A1"].impact_db.crossovers == ()


def test_one_site_turned_as_a_whole_changes_nothing():
    site, solution = three(7.0)
    turned_site = a_site(
        antenna(a.antenna_id, (a.design_azimuth_deg + 123.0) % 360, sector=a.sector, position=a.position)
        for a in site.antennas
    )
    turned = a_solution(estimated(a.antenna_id, (a.azimuth_true_deg + 123.0) % 360) for a in solution.antennas)
    one, other = judged(site, solution), judged(turned_site, turned)
    for a, b in zip(one, other, strict=True):
        for c, d in zip(a.impact_db.crossovers, b.impact_db.crossovers, strict=True):
            assert c.change == pytest.approx(d.change, abs=1e-9)
            assert c.shift_deg == pytest.approx(d.shift_deg, abs=1e-9)


def test_it_says_what_it_is_not():
    site, solution = three(10.0)
    basis = judged(site, solution)["A1"].impact_db.basis
    assert basis == BASIS
    assert "not of this antenna" in basis


def test_parts_sum_to_one_and_alternatives_keep_their_place():
    found = estimated(
        "A1",
        20.0,
        30.0,
        alternatives=(Alternative(azimuth_true_deg=350.0, u95_deg=4.0, probability=0.25),),
    )
    parts = deviations(by_photos(found), 15.0)
    assert sum(p.probability for p in parts) == pytest.approx(1.0)
    *ways, nothing = parts
    assert [p.deviation_deg for p in ways] == pytest.approx([5.0, -25.0])
    assert ways[0].sigma_deg == pytest.approx(4.0 / K95)  # 30 covers the other one; each is as good as its pixels
    # an outline may be wrong: then the azimuth may be anything
    told = 1.0 - ESTIMATE_SPOILED_SHARE
    assert [p.probability for p in parts] == pytest.approx([0.75 * told, 0.25 * told, ESTIMATE_SPOILED_SHARE])
    assert nothing.sigma_deg > 100.0
    assert by_photos(AntennaResult(antenna_id="A1", status="not_found")) == ()
    assert by_photos(estimated("A1", math.nan)) == ()


def test_what_the_network_believes_is_taken_as_it_is():
    ways = (Alternative(azimuth_true_deg=20.0, u95_deg=4.0, probability=0.6),)
    ways += (Alternative(azimuth_true_deg=80.0, u95_deg=90.0, probability=0.4),)
    assert by_photos(estimated("A1", 20.0, 30.0, distribution=ways)) == ways
