"""Common angle and departures: against published combinations of correlated values, numpy, and invented sites."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from photoaz.judgement.common_mode import common_mode, common_mode_of_site, fit_common
from photoaz.quantities import K95, P_CRITICAL, W_CRITICAL
from photoaz.result import AntennaResult, AzimuthCovariance, ById, CommonMode, JudgedReading, SiteResult

#: rounding, and the part in 1e12 by which a singular covariance is made regular
EXACT = 1e-9


def mode(differences: Any, covariance: Any, **more: Any) -> CommonMode:
    """Common mode of readings exact in themselves, so that all uncertainty is the estimates'."""
    n = len(differences)
    estimates = np.linspace(10.0, 300.0, n)
    given = {"readings_u95_deg": np.zeros(n), **more}
    return common_mode(
        [f"a{k}" for k in range(n)],
        (estimates + np.asarray(differences)) % 360.0,
        estimates_deg=estimates,
        estimates_covariance_deg2=np.asarray(covariance, float),
        **given,
    )


# ---- published ------------------------------------------------------------------------------------------------------

# Lyons, Gibaut, Clifford, How to combine correlated estimates of a single physical quantity, Nucl. Instrum. Meth. A 270
# (1988) 110, section 5, covariance eq. (17'), lifetimes in 1e-13 s
CHARM = np.array([9.5, 11.9, 11.1, 8.9])
CHARM_COVARIANCE = np.array(
    [[2.74, 1.15, 0.86, 1.31], [1.15, 1.67, 0.82, 1.32], [0.86, 0.82, 2.12, 1.05], [1.31, 1.32, 1.05, 2.93]]
)


def test_charm_lifetimes_of_lyons_gibaut_and_clifford():
    """BLUE-py prints of it (jolange/BLUE-py, examples/test_examples.py): 11.1598 +- 1.13404, chi2 6.0/3, p 0.111."""
    got = mode(CHARM, CHARM_COVARIANCE)
    assert got.angle_deg == pytest.approx(11.1598, abs=0.00005)
    assert got.u95_deg / K95 == pytest.approx(1.13404, abs=0.000005)
    assert (got.n, got.dof) == (4, 3)
    assert got.chi2 == pytest.approx(6.0, abs=0.05)
    assert got.p == pytest.approx(0.111, abs=0.0005)
    assert got.consistent


def test_charm_weights():
    """The same source: 0.14507476, 0.46957738, 0.34729705, 0.03805081."""
    everybody = np.ones(4, bool)
    weights = [fit_common(row, CHARM_COVARIANCE, everybody).angle for row in np.eye(4)]
    np.testing.assert_allclose(weights, [0.14507476, 0.46957738, 0.34729705, 0.03805081], atol=5e-9)


def test_peelles_puzzle():
    """1.5 and 1.0, each with 10 % of its own and 20 % in common: 0.88 +- 0.22, below both.

    As told by Burr and others, Defense of the least squares solution to Peelle's pertinent puzzle, Algorithms 4 (2011)
    28 (figures from memory).
    """
    x = np.array([1.5, 1.0])
    got = mode(x, np.diag((0.1 * x) ** 2) + np.outer(0.2 * x, 0.2 * x))
    assert got.angle_deg == pytest.approx(0.88, abs=0.005)
    fit = fit_common(x, np.diag((0.1 * x) ** 2) + np.outer(0.2 * x, 0.2 * x), np.ones(2, bool))
    assert np.sqrt(fit.variance) == pytest.approx(0.22, abs=0.005)


def test_three_resistances_of_taylor():
    """11 +- 1, 12 +- 1, 10 +- 3: 11.4 +- 0.7. J. R. Taylor, An Introduction to Error Analysis, 7.2 (from memory)."""
    got = mode([11.0, 12.0, 10.0], np.diag([1.0, 1.0, 9.0]))
    assert got.angle_deg == pytest.approx(11.4, abs=0.05)
    assert got.u95_deg / K95 == pytest.approx(0.7, abs=0.05)


# ---- against numpy --------------------------------------------------------------------------------------------------


def random_case(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((n, n + 2))
    covariance = root @ root.T * 0.2 + np.diag(rng.uniform(0.1, 2.0, n))
    return rng.multivariate_normal(np.full(n, rng.uniform(-8, 8)), covariance), covariance


@pytest.mark.parametrize("seed", range(6))
def test_angle_and_chi2_are_those_of_whitened_least_squares(seed):
    d, v = random_case(seed, 5)
    white = np.linalg.inv(np.linalg.cholesky(v))
    angle, chi2, *_ = np.linalg.lstsq(white @ np.ones((5, 1)), white @ d, rcond=None)
    got = mode(d, v)
    assert got.n == 5
    assert got.angle_deg == pytest.approx(float(angle[0]), abs=1e-8)
    assert got.chi2 == pytest.approx(float(chi2[0]), rel=1e-8)
    assert got.p == pytest.approx(stats.chi2.sf(float(chi2[0]), 4), rel=1e-8)


@pytest.mark.parametrize("seed", range(6))
def test_w_is_the_gain_in_chi2_of_a_shift_of_its_own(seed):
    """Baarda's test: with one more unknown, the antenna's own shift, least squares gain w^2; the shift has w's sign."""
    d, v = random_case(seed + 50, 5)
    white = np.linalg.inv(np.linalg.cholesky(v))
    fit = fit_common(d, v, np.ones(5, bool))
    for k in range(5):
        design = white @ np.stack([np.ones(5), np.eye(5)[k]], 1)
        (_, shift), chi2, *_ = np.linalg.lstsq(design, white @ d, rcond=None)
        assert fit.w[k] == pytest.approx(np.sign(shift) * np.sqrt(fit.chi2 - float(chi2[0])), abs=1e-7)


@pytest.mark.parametrize("left_out", [(), (1,), (1, 4)])
def test_uncertainty_of_departures_is_that_of_draws(left_out):
    """Half a million draws of the differences: standard deviation of each departure, to a relative 1 / sqrt(1e6)."""
    _, v = random_case(7, 5)
    included = ~np.isin(np.arange(5), left_out)
    weights = np.array([fit_common(row, v, included).angle for row in np.eye(5)])
    draws = np.random.default_rng(1).multivariate_normal(np.zeros(5), v, 500_000)
    spread = (draws - (draws @ weights)[:, None]).std(0)
    got = np.sqrt(fit_common(np.zeros(5), v, included).departure_variance)
    np.testing.assert_allclose(got, spread, rtol=5e-3)


# ---- invented sites -------------------------------------------------------------------------------------------------


def site_covariance(n: int, shared: float = 3.0, own: float = 0.7) -> np.ndarray:
    """Estimates that hang on one heading [deg]."""
    return np.full((n, n), shared**2) + np.eye(n) * own**2


def test_a_common_heading_error_is_in_the_common_angle_and_not_in_the_departures():
    d = np.array([0.3, -0.4, 0.1, 0.0])
    loose, tight = mode(d, site_covariance(4)), mode(d, site_covariance(4, shared=0.0))
    assert loose.u95_deg == pytest.approx(K95 * np.hypot(3.0, 0.35), rel=EXACT)
    for a, b in zip(loose.departures, tight.departures, strict=True):
        assert a.departure_deg == pytest.approx(b.departure_deg, abs=1e-7)
        assert a.u95_deg == pytest.approx(b.u95_deg, rel=1e-6)
        assert a.u95_deg == pytest.approx(K95 * 0.7 * np.sqrt(0.75), rel=1e-6)


def test_one_turned_antenna_stands_apart_and_does_not_spoil_the_rest():
    got = mode([11.0, 10.5, 22.0, 10.0], site_covariance(4, shared=2.0), readings_u95_deg=np.full(4, 1.0))
    assert got.left_out == ("a2",)
    assert got.angle_deg == pytest.approx(10.5, abs=1e-6)
    assert got.consistent
    assert got.departures[2].departure_deg == pytest.approx(11.5, abs=1e-6)
    assert got.departures[2].w > W_CRITICAL
    # said as everywhere: photos minus reading
    assert "photos − reading -10.5" in got.sentence
    assert "a2 deviates by -11.5" in got.sentence


def test_two_turned_of_five_are_found_one_after_the_other():
    got = mode([0.2, 14.0, -0.3, -20.0, 0.1], site_covariance(5, shared=1.0))
    assert got.left_out == ("a1", "a3")
    assert got.n == 3


def test_without_a_majority_all_stay_and_that_is_said():
    """Two against two: nobody can tell which pair is wrong."""
    got = mode([0.0, 0.2, 15.0, 15.1], np.eye(4) * 0.5)
    assert got.left_out == ()
    assert not got.consistent
    assert got.p < P_CRITICAL
    assert "it cannot be told which of them deviate" in got.sentence
    # widened by the Birge ratio
    assert got.u95_deg == pytest.approx(K95 * np.sqrt(0.5 / 4 * got.chi2 / 3), rel=1e-6)


def test_two_antennas_do_not_tell_whose_the_difference_is():
    agreeing, apart = mode([4.0, 4.5], np.eye(2) * 0.5), mode([0.0, 15.0], np.eye(2) * 0.5)
    for got in (agreeing, apart):
        assert not got.separable
        assert got.left_out == ()
        assert all(d.departure_deg is None for d in got.departures)
        assert all(d.u95_deg is None for d in got.departures)
    assert agreeing.consistent
    assert "an offset of one antenna alone cannot be told" in agreeing.sentence
    assert not apart.consistent
    assert "which of them deviate" in apart.sentence


def test_one_antenna_has_its_difference_and_nothing_to_test_it():
    got = mode([-7.0], [[4.0]], readings_u95_deg=[1.0])
    assert (got.n, got.dof, got.p, got.consistent) == (1, 0, None, True)
    assert got.angle_deg == pytest.approx(-7.0)
    assert got.u95_deg == pytest.approx(np.hypot(2.0 * K95, 1.0), rel=1e-6)
    assert "cannot be told" in got.sentence


@pytest.mark.parametrize("angle", [-179.8, 180.0, 90.0, 0.0, -0.2])
def test_any_common_angle_is_found_across_the_wrap(angle):
    own = np.array([0.3, -0.3, 0.2, -0.2])
    got = mode(angle + own, site_covariance(4, shared=0.5))
    assert abs((got.angle_deg - angle + 180.0) % 360.0 - 180.0) < 1e-6
    np.testing.assert_allclose([d.departure_deg for d in got.departures], own, atol=1e-6)
    assert got.left_out == ()


def test_what_readings_share_does_not_set_them_apart():
    """Declination wrong for all: as good as independent for the angle's uncertainty, gone from the departures."""
    u, shared = np.full(4, 3.0), np.full(4, 2.8)
    alone = mode([1.0, 2.0, 1.5, 1.2], np.eye(4) * 0.01, readings_u95_deg=u)
    together = mode([1.0, 2.0, 1.5, 1.2], np.eye(4) * 0.01, readings_u95_deg=u, readings_shared_u95_deg=shared)
    own = 3.0**2 - 2.8**2 + 0.01 * K95**2
    assert together.u95_deg == pytest.approx(np.sqrt(2.8**2 + own / 4), rel=1e-6)
    assert alone.u95_deg == pytest.approx(np.sqrt((3.0**2 + 0.01 * K95**2) / 4), rel=1e-6)
    assert together.departures[0].u95_deg == pytest.approx(np.sqrt(0.75 * own), rel=1e-6)
    with pytest.raises(ValueError, match="no more than the whole"):
        mode([1.0, 2.0], np.eye(2), readings_u95_deg=[1.0, 1.0], readings_shared_u95_deg=[1.1, 0.0])


def test_no_antennas():
    with pytest.raises(ValueError, match="no antenna"):
        common_mode([], [], [], [], np.zeros((0, 0)))


def test_stated_intervals_cover_and_nothing_stands_apart_by_chance():
    """600 sites of six antennas as stated: the binomial 99.9 % bands of 95 % and of two in a thousand."""
    rng = np.random.default_rng(5)
    v = site_covariance(6, shared=2.0)
    u = rng.uniform(0.5, 4.0, 6)
    whole = v + np.diag((u / K95) ** 2)
    inside, departures_inside, apart = 0, 0, 0
    for d in rng.multivariate_normal(np.full(6, 7.0), whole, 600):
        got = mode(d, v, readings_u95_deg=u)
        inside += abs(got.angle_deg - 7.0) <= got.u95_deg
        departures_inside += sum(abs(x.departure_deg) <= x.u95_deg for x in got.departures)
        apart += len(got.left_out)
    low, high = stats.binom.interval(0.999, 600, 0.95)
    assert low <= inside <= high
    assert departures_inside / 3600 == pytest.approx(0.95, abs=0.012)  # three sigmas of 3600 independent ones
    assert apart <= stats.binom.ppf(0.999, 3600, 0.001)


# ---- of a solved and judged site ------------------------------------------------------------------------------------


@pytest.fixture
def solved() -> SiteResult:
    azimuths = {"a": 10.0, "b": 120.0, "c": 240.0, "d": 355.0}
    covariance = site_covariance(4, shared=1.0)
    covariance[1, 1] = 50.0
    return SiteResult(
        site_id="HNT-204",
        lat_deg=46.6,
        lon_deg=-66.4,
        antennas=ById(
            AntennaResult(
                antenna_id=k, status="estimated" if k in azimuths else "not_found", azimuth_true_deg=azimuths.get(k)
            )
            for k in "xabcd"
        ),
        azimuth_covariance=AzimuthCovariance(antenna_ids=tuple(azimuths), deg2=tuple(tuple(row) for row in covariance)),
    )


def read(solved: SiteResult, readings: dict[str, float]) -> SiteResult:
    """With readings, u95 1 degree each."""
    return replace(
        solved,
        antennas=ById(
            replace(a, reading=JudgedReading(azimuth_true_deg=readings[a.antenna_id], u95_deg=1.0))
            if a.antenna_id in readings
            else a
            for a in solved.antennas
        ),
    )


def test_site_takes_the_antennas_with_both_and_their_rows(solved):
    got = common_mode_of_site(read(solved, {"b": 130.0, "c": 245.0, "d": 1.0, "x": 77.0}))
    assert [d.antenna_id for d in got.departures] == ["b", "c", "d"]
    np.testing.assert_allclose([d.difference_deg for d in got.departures], [10.0, 5.0, 6.0], atol=1e-9)
    v = np.asarray(solved.azimuth_covariance.deg2)[1:, 1:] + np.eye(3) / K95**2
    weights = np.linalg.solve(v, np.ones(3))
    assert got.angle_deg == pytest.approx(weights @ [10.0, 5.0, 6.0] / weights.sum(), abs=1e-6)


def test_site_without_readings_or_estimates_has_none(solved):
    assert common_mode_of_site(solved) is None
    assert common_mode_of_site(read(replace(solved, azimuth_covariance=None), {"b": 130.0})) is None
