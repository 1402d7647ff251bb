"""Reading and photos together, guard bands at a stated risk, and a whole site judged with the likely causes."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy import optimize

from photoaz.geodesy.norths import declination, meridian_convergence_deg
from photoaz.judgement.agreement import weighted_mean
from photoaz.judgement.judge import judge_antenna, judge_site
from photoaz.priors import Priors
from photoaz.quantities import K95
from photoaz.register.model import Antenna, Reading, Site
from photoaz.result import Alternative, AntennaResult, AzimuthCovariance, ById, SiteResult

DAY = date(2025, 7, 2)
HERE = (33.0, -118.0)  # declination some 11 degrees east, convergence of UTM zone 11 about -0.5


# ---------------------------------------------------------------------------------------------------------------------
# Weighted mean


@pytest.mark.parametrize(("u1", "u2", "shared"), [(4.0, 2.0, 0.0), (4.0, 2.0, 1.5), (1.0, 1.0, 0.9), (2.0, 6.0, 2.0)])
def test_weighted_mean_is_generalised_least_squares(u1, u2, shared):
    v = np.array([[u1**2, shared**2], [shared**2, u2**2]]) / K95**2
    p = np.linalg.inv(v)
    weights = p.sum(0) / p.sum()
    got = weighted_mean(359.0, u1, 3.0, u2, shared)
    assert got.weight_first == pytest.approx(weights[0])
    assert (got.azimuth_deg + 180.0) % 360.0 - 180.0 == pytest.approx(weights @ [-1.0, 3.0])
    assert got.u95_deg == pytest.approx(K95 / math.sqrt(p.sum()))


def test_weighted_mean_by_hand():
    # weights 1 : 4
    got = weighted_mean(10.0, 4.0, 15.0, 2.0)
    assert got.azimuth_deg == pytest.approx(14.0)
    assert got.u95_deg == pytest.approx(math.sqrt(1.0 / (1 / 16 + 1 / 4)))


def test_what_is_shared_does_not_average_out():
    assert weighted_mean(10.0, 2.0, 10.0, 2.0, 2.0).u95_deg == pytest.approx(2.0)
    assert weighted_mean(10.0, 2.0, 10.0, 2.0).u95_deg == pytest.approx(2.0 / math.sqrt(2.0))


@pytest.mark.parametrize(
    ("u1", "u2", "shared"), [(0.0, 1.0, 0.0), (1.0, 2.0, 1.5), (1.0, math.nan, 0.0), (1.0, 1.0, -0.1)]
)
def test_weighted_mean_refuses(u1, u2, shared):
    with pytest.raises(ValueError, match="above 0"):
        weighted_mean(1.0, u1, 2.0, u2, shared)


def test_spread_of_the_mean_by_simulation():
    # JCGM 101: both drawn with what they share, their mean's spread is what is stated
    rng = np.random.default_rng(2)
    shared, own1, own2 = (
        rng.normal(0.0, u / K95, 20_000) for u in (1.5, math.sqrt(16 - 1.5**2), math.sqrt(4 - 1.5**2))
    )
    means = [
        weighted_mean(a % 360.0, 4.0, b % 360.0, 2.0, 1.5) for a, b in zip(shared + own1, shared + own2, strict=True)
    ]
    spread = np.std([(m.azimuth_deg + 180.0) % 360.0 - 180.0 for m in means])
    assert K95 * spread == pytest.approx(means[0].u95_deg, rel=0.02)  # four sigma of 20,000 draws' spread


# ---------------------------------------------------------------------------------------------------------------------
# One antenna


def antenna(name="A1", design=120.0, **fields):
    return Antenna(antenna_id=name, rad_center_m=30.0, design_azimuth_deg=design, **fields)


def solved(azimuth, u95=2.0, name="A1", **fields):
    return AntennaResult(antenna_id=name, status="estimated", azimuth_true_deg=azimuth, u95_deg=u95, **fields)


SITE = Site(site_id="S1", lat_deg=HERE[0], lon_deg=HERE[1], antennas=())


def judged(a, s, **fields):
    return judge_antenna(a, SITE, s, DAY, **fields)


def test_a_reading_decides_what_the_photos_leave_open_but_only_beside_them(weighed):
    a = antenna(reading=Reading(azimuth_deg=122.0, north="true", u95_deg=1.0))
    j = judged(a, solved(124.0, 4.0))
    assert j.design.decision == "undecided"
    assert j.combined.decision == "accept"
    wanted = weighted_mean(124.0, 4.0, 122.0, 1.0)
    assert (j.combined.azimuth_true_deg, j.combined.u95_deg) == (wanted.azimuth_deg, wanted.u95_deg)
    assert j.combined.weight_estimate == pytest.approx(1.0 / 17.0)
    sigma = wanted.u95_deg / K95
    parts = [(wanted.azimuth_deg - 120.0, sigma, 1.0)]
    assert j.combined.p_out_of_tolerance == pytest.approx(weighed(parts, Priors().deviations(5.0), 5.0), abs=1e-6)
    assert any("Reading and photos together: 122.12° ± 0.97°" in r and "within tolerance" in r for r in j.reasons)


def test_no_mean_of_what_does_not_agree_or_is_not_one_azimuth():
    apart = antenna(reading=Reading(azimuth_deg=135.0, north="true", u95_deg=1.0))
    assert judged(apart, solved(123.0, 4.0)).combined is None
    near = antenna(reading=Reading(azimuth_deg=122.0, north="true", u95_deg=1.0))
    either = solved(123.0, 4.0, alternatives=(Alternative(azimuth_true_deg=140.0, u95_deg=4.0, probability=0.2),))
    assert judged(near, either).combined is None
    assert judged(antenna(), solved(123.0)).combined is None


def test_zeta_and_what_is_shared():
    a = antenna(reading=Reading(azimuth_deg=109.0, north="magnetic", u95_deg=1.0, date=DAY))
    apart = judged(a, solved(123.0, 3.0)).reading
    assert apart.shared_u95_deg == 0.0
    # the same figures, k = 1.96 on both sides
    assert apart.zeta == pytest.approx(K95 * apart.en)
    together = judged(a, solved(123.0, 3.0, declination_sigma_deg=0.25))
    sigma = declination(*HERE, 0.0, DAY).sigma_deg
    assert together.reading.shared_u95_deg == pytest.approx(K95 * math.sqrt(0.25 * sigma))
    assert together.reading.zeta > apart.zeta
    # what is shared widens the mean
    assert together.combined.u95_deg > judged(a, solved(123.0, 3.0)).combined.u95_deg


# the limits of a decision at a risk by scipy's root finder on a grid of what is known and measured; the guard band is
# what lies between the tolerance's limit and the one of acceptance (JCGM 106:2012, 8.3, from memory)
@pytest.mark.parametrize("risk", [0.05, 0.1, 0.025])
def test_guard_band_and_limits_at_a_risk(weighed, risk):
    design = judged(antenna(), solved(121.0, 2.0), risk=risk).design
    known, sigma = Priors().deviations(5.0), 2.0 / K95

    def out(d):
        return weighed([(d, sigma, 1.0)], known, 5.0)

    assert design.risk == risk
    accepted = optimize.brentq(lambda d: out(d) - risk, 0.0, 5.0, xtol=1e-3)
    assert design.acceptance_deg == pytest.approx(accepted, abs=0.01)
    assert design.guard_band_deg == pytest.approx(5.0 - accepted, abs=0.01)
    rejected = optimize.brentq(lambda d: 1.0 - out(d) - risk, 5.0, 15.0, xtol=1e-3)
    assert design.rejection_deg == pytest.approx(rejected, abs=0.01)


def test_the_risk_moves_the_decision():
    # deviation 4.1, sigma 1.02: probability of being out by the photos alone 0.19, with what is known 0.065
    assert judged(antenna(), solved(124.1, 2.0)).design.decision == "undecided"
    assert judged(antenna(), solved(124.1, 2.0), risk=0.1).design.decision == "accept"


def test_undecided_says_what_would_be_accepted():
    j = judged(antenna(), solved(124.1, 2.0))
    said = next(r for r in j.reasons if "undecided" in r)
    assert f"accepted up to {j.design.acceptance_deg:.1f}° and rejected beyond {j.design.rejection_deg:.1f}°" in said
    hopeless = judged(antenna(), solved(124.0, 14.0))
    assert hopeless.design.acceptance_deg is None
    assert any("no deviation could be accepted" in r for r in hopeless.reasons)


# ---------------------------------------------------------------------------------------------------------------------
# A whole site


def joint(names, covariance):
    return AzimuthCovariance(antenna_ids=tuple(names), deg2=tuple(map(tuple, covariance.tolist())))


def whole(readings, estimates, designs, sigma=0.6, **fields):
    names = [f"{s}1" for s in "ABC"]
    antennas = tuple(
        antenna(n, d, reading=r, sector=n[0], position=1, **fields)
        for n, d, r in zip(names, designs, readings, strict=True)
    )
    site = Site(site_id="S1", lat_deg=HERE[0], lon_deg=HERE[1], antennas=antennas)
    solution = SiteResult(
        site_id="S1",
        lat_deg=HERE[0],
        lon_deg=HERE[1],
        antennas=ById(solved(e, K95 * sigma, n) for n, e in zip(names, estimates, strict=True)),
        azimuth_covariance=AzimuthCovariance(
            antenna_ids=tuple(names), deg2=tuple(tuple(row) for row in (sigma**2 * np.eye(3)).tolist())
        ),
    )
    return site, solution, dict.fromkeys(names, DAY)


def read(azimuth, north="true", u95=1.0, day=DAY):
    return Reading(azimuth_deg=azimuth % 360.0, north=north, u95_deg=u95, date=day)


ESTIMATES = (20.2, 139.8, 260.3)
DESIGNS = (20.0, 140.0, 260.0)


def causes(readings, **fields):
    return [j.reading.likely_cause for j in judge_site(*whole(readings, ESTIMATES, DESIGNS, **fields)).antennas]


def test_the_declination_is_that_of_the_reading_s_own_day():
    # WMM and IGRF at the place: in 1980 it was some degrees further east than in 2025
    then, now = (declination(*HERE, 0.0, d).value_deg for d in (date(1980, 7, 1), DAY))
    assert then - now > 2.0
    old = [read(e - then, day=date(1980, 7, 1)) for e in ESTIMATES]
    assert causes(old) == ["declination_omitted"] * 3
    # beyond the models nothing is said of declination, and nothing breaks
    ancient = [read(e - then, day=date(1850, 7, 1)) for e in ESTIMATES]
    assert causes(ancient) == ["common_offset"] * 3


def test_magnetic_readings_are_right_as_they_are_and_not_when_corrected():
    d = declination(*HERE, 0.0, DAY).value_deg
    assert causes([read(e - d, "magnetic") for e in ESTIMATES]) == [None] * 3
    assert causes([read(e, "magnetic") for e in ESTIMATES]) == ["declination_sign"] * 3
    assert causes([read(e - d) for e in ESTIMATES]) == ["declination_omitted"] * 3
    assert causes([read(e - 2.0 * d) for e in ESTIMATES]) == ["declination_sign"] * 3


def test_grid_bearings_by_the_utm_zone_of_the_place_and_by_the_named_grid():
    # zone 10 reaches far: its convergence here is that of 5 degrees east of its meridian, 2.7; own zone, 11: -0.5
    own = meridian_convergence_deg(*HERE, "EPSG:32611")
    far = meridian_convergence_deg(*HERE, "EPSG:32610")
    assert abs(own) < 1.0 < 2.0 < far
    readings = [read(e - far, u95=0.4) for e in ESTIMATES]
    assert causes(readings, sigma=0.2, grid_crs="EPSG:32610") == ["grid_for_true"] * 3
    assert causes(readings, sigma=0.2) != ["grid_for_true"] * 3


def test_causes_reach_reading_reasons_and_site():
    d = declination(*HERE, 0.0, DAY).value_deg
    site, solution, dates = whole([read(e - d) for e in ESTIMATES], ESTIMATES, DESIGNS)
    got = judge_site(site, solution, dates)
    a1 = got.antennas["A1"]
    assert a1.reading.causes[0].cause == "declination_omitted"
    assert a1.reading.causes[0].probability > 0.9
    at = next(k for k, r in enumerate(a1.reasons) if "Likely cause: declination left out (odds " in r)
    assert "disagrees with the photos" in a1.reasons[at - 1]
    assert "all readings" in got.causes.sentence


def test_a_fault_of_all_contradicts_the_one_whose_photos_would_allow_it():
    # declination left out of all three; of the third the photos know hardly anything, so En alone lets it pass
    d = declination(*HERE, 0.0, DAY).value_deg
    site, solution, dates = whole([read(e - d) for e in ESTIMATES], ESTIMATES, DESIGNS)
    vague = replace(solution.antennas[2], u95_deg=30.0)
    covariance = np.diag([0.6**2, 0.6**2, (30.0 / K95) ** 2])
    solution = replace(
        solution,
        antennas=ById((*solution.antennas[:2], vague)),
        azimuth_covariance=AzimuthCovariance(
            antenna_ids=("A1", "B1", "C1"), deg2=tuple(map(tuple, covariance.tolist()))
        ),
    )
    alone = judge_antenna(site.antennas[2], site, vague, DAY)
    assert alone.reading.agrees
    assert alone.combined is not None
    got = judge_site(site, solution, dates).antennas["C1"]
    assert got.reading.en == alone.reading.en < 1.0
    assert got.reading.agrees is False
    assert got.reading.likely_cause == "declination_omitted"
    assert got.combined is None
    assert got.revisit
    assert any("but by all of the site's readings and photos it is right with a probability" in r for r in got.reasons)
    # what it should have been
    assert got.reading.corrected_deg == pytest.approx(ESTIMATES[2])
    assert got.reading.p_right < 0.01


def test_a_reading_a_little_too_far_off_is_right_where_all_else_says_so():
    # En 1.1, as one right reading in thirty has; reading and design say the same
    site, solution, dates = whole(
        [read(d) for d in DESIGNS], (20.2, 139.8, 260.0 + 1.1 * math.hypot(1.0, K95 * 0.6)), DESIGNS
    )
    got = judge_site(site, solution, dates).antennas["C1"]
    assert got.reading.en == pytest.approx(1.1)
    assert got.reading.p_right > 0.5
    assert got.reading.agrees
    assert not got.revisit


def test_corrected_readings():
    d = declination(*HERE, 0.0, DAY).value_deg

    def corrected(readings):
        return [j.reading.corrected_deg for j in judge_site(*whole(readings, ESTIMATES, DESIGNS)).antennas]

    assert corrected([read(e) for e in ESTIMATES]) == [None] * 3
    assert corrected([read(e, "magnetic") for e in ESTIMATES]) == pytest.approx(ESTIMATES)
    assert corrected([read(e - 2.0 * d) for e in ESTIMATES]) == pytest.approx(ESTIMATES)
    assert corrected([read(20.2), read(139.8 + 180.0), read(260.3)]) == [None, pytest.approx(139.8), None]
    # exchanged back
    assert corrected([read(139.0), read(21.0), read(260.3)]) == [pytest.approx(21.0), pytest.approx(139.0), None]
    # plainly wrong: nobody can say what it should have been
    assert corrected([read(20.2), read(139.8), read(222.0)]) == [None] * 3


def test_a_declination_that_moves_both_drops_out_of_the_causes():
    # readings and compasses carried over by one declination that is 1.5 degrees off, sigmas of a good instrument: all
    # move alike, and nothing is to be explained; a common angle is where only the readings were so moved
    moved = [e - declination(*HERE, 0.0, DAY).value_deg for e in ESTIMATES]
    site, solution, dates = whole([read(m, "magnetic", u95=0.3) for m in moved], ESTIMATES, DESIGNS, sigma=0.5)
    sigma = declination(*HERE, 0.0, DAY).sigma_deg
    plain = judge_site(site, solution, dates).common_mode
    leaning = replace(
        solution,
        antennas=ById(replace(a, declination_sigma_deg=sigma) for a in solution.antennas),
        azimuth_covariance=replace(
            solution.azimuth_covariance,
            deg2=tuple(tuple(v + sigma**2 for v in row) for row in solution.azimuth_covariance.deg2),
        ),
    )
    together = judge_site(site, leaning, dates).common_mode
    # of the common angle only the readings' and photos' own errors are left: three of each
    own = math.sqrt((0.5**2 + (0.3 / K95) ** 2) / 3.0)
    assert together.u95_deg == pytest.approx(K95 * own, rel=1e-3)
    assert plain.u95_deg == pytest.approx(K95 * math.hypot(own, sigma), rel=1e-3)


def test_one_antenna_judged_alone_has_no_cause():
    assert judged(antenna(reading=read(300.0)), solved(120.0)).reading.likely_cause is None


def test_a_site_without_readings_or_estimates_has_no_causes():
    site, solution, dates = whole([None] * 3, ESTIMATES, DESIGNS)
    got = judge_site(site, solution, dates)
    assert got.causes is None
    assert all(a.reading is None for a in got.antennas)
