"""Agreement, conformity and impact against published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from photoaz.judgement.agreement import en_score, zeta_score
from photoaz.judgement.conformity import (
    acceptance_limit_deg,
    decide,
    global_risks,
    guard_band_deg,
    hung_density,
    probability_out,
    risks_of,
)
from photoaz.judgement.impact import gain_db, impact_db

PRINTED_2 = 0.005 + 1e-9
PRINTED_3 = 0.0005 + 1e-9
PRINTED_4 = 0.00005 + 1e-9
PRINTED_5 = 0.000005 + 1e-9


# ISO 13528 / ISO/IEC 17043 formula (read in NIST Dataplot, EN SCORE), worked by hand: 3 / sqrt(5), 6.6 / sqrt(41)
@pytest.mark.parametrize(
    ("x1", "u1", "x2", "u2", "wanted"),
    [(359.0, 2.0, 2.0, 1.0, 1.342), (2.0, 1.0, 359.0, 2.0, 1.342), (124.6, 4.0, 118.0, 5.0, 1.031)],
)
def test_en(x1, u1, x2, u2, wanted):
    assert en_score(x1, u1, x2, u2) == pytest.approx(wanted, abs=PRINTED_3)


def test_zeta_is_twice_en_where_k_is_2_on_both_sides():
    # ISO 13528 (IUPAC Gold Book 08095)
    assert zeta_score(124.6, 2.0, 118.0, 2.5) == pytest.approx(2 * en_score(124.6, 4.0, 118.0, 5.0))


def test_en_shared_part_by_simulation():
    # JCGM 100:2008, 5.2: what both share drops out of the difference. Shared 3, own 2 and 4 (all 95 %).
    rng = np.random.default_rng(11)
    shared, own1, own2 = (rng.normal(0.0, u / 1.96, 200_000) for u in (3.0, 2.0, 4.0))
    u95_of_difference = 1.96 * np.std((shared + own1) - (shared + own2))
    en = en_score(10.0, math.hypot(3, 2), 0.0, math.hypot(3, 4), shared_u95_deg=3.0)
    assert en == pytest.approx(10.0 / u95_of_difference, rel=0.01)  # 4 sigma of the simulation's spread
    assert en > en_score(10.0, math.hypot(3, 2), 0.0, math.hypot(3, 4))


def test_en_with_parts_that_differ_by_simulation():
    # one error weighs 0.4 in one and 1 in the other: covariance 0.4 s^2, the geometric mean squared
    rng = np.random.default_rng(12)
    common, own1, own2 = (rng.normal(0.0, u / 1.96, 200_000) for u in (3.0, 2.0, 1.0))
    u95_of_difference = 1.96 * np.std((0.4 * common + own1) - (common + own2))
    en = en_score(10.0, math.hypot(1.2, 2.0), 0.0, math.hypot(3.0, 1.0), shared_u95_deg=math.sqrt(1.2 * 3.0))
    assert en == pytest.approx(10.0 / u95_of_difference, rel=0.01)
    # what is shared by both to the full is no difference at all
    assert en_score(10.0, 1.0, 10.0, 1.0, 1.0) == 0.0


def test_en_edges():
    assert en_score(10.0, 0.0, 10.0, 0.0) == 0.0
    assert en_score(10.0, 0.0, 11.0, 0.0) == math.inf
    for bad in ((-1.0, 1.0, 0.0), (1.0, 2.0, 1.5), (math.nan, 1.0, 0.0)):
        with pytest.raises(ValueError, match="uncertainties"):
            en_score(1.0, bad[0], 2.0, bad[1], bad[2])


# suncal test_risk.py (sandialabs), normal between two limits 9 and 11, u 0.4: moved and scaled to +-1 about 0
@pytest.mark.parametrize(
    ("deviation", "wanted", "unit"), [(0.0, 0.01242, PRINTED_5), (0.5, 0.10574, PRINTED_5), (2.0, 0.99379, PRINTED_5)]
)
def test_probability_out_suncal(deviation, wanted, unit):
    assert probability_out(deviation, 0.4, 1.0) == pytest.approx(wanted, abs=unit)
    assert probability_out(-deviation, 0.4, 1.0) == pytest.approx(wanted, abs=unit)


def test_probability_out_zener():
    # JCGM 106:2012, 7.2: y = -5.47 V, u = 0.05 V, upper limit -5.40 V: conformance 0.92 (from memory). One limit; the
    # other, 1 V further down, adds nothing.
    assert 1.0 - probability_out(-5.47 + 5.90, 0.05, 0.50) == pytest.approx(0.92, abs=PRINTED_2)


# Conformance to +-5 degrees, normal: table computed from the normal distribution (no source)
@pytest.mark.parametrize(
    ("deviation", "sigma", "conforms"),
    [(0, 2, 0.9876), (3, 2, 0.8413), (3, 1, 0.9772), (5, 0.01, 0.5), (8, 2, 0.0668)],
)
def test_probability_within_five_degrees(deviation, sigma, conforms):
    assert 1.0 - probability_out(deviation, sigma, 5.0) == pytest.approx(conforms, abs=PRINTED_4)


def test_probability_out_wraps():
    # Against draws: 170 off with a sigma of 90 degrees
    rng = np.random.default_rng(2)
    draws = (170.0 + rng.normal(0.0, 90.0, 400_000) + 180.0) % 360.0 - 180.0
    p = probability_out(170.0, 90.0, 40.0)
    assert p == pytest.approx(np.mean(np.abs(draws) > 40.0), abs=4 * math.sqrt(p * (1 - p) / 400_000))
    assert probability_out(359.0, 1.0, 5.0) == pytest.approx(probability_out(-1.0, 1.0, 5.0))


def test_hopelessly_wide_is_the_arc():
    assert probability_out(0.0, 2000.0, 5.0) == pytest.approx(1.0 - 10.0 / 360.0, abs=1e-9)


def test_small_probabilities_are_not_lost():
    assert probability_out(0.0, 0.5, 5.0) == pytest.approx(2 * stats.norm.sf(10.0), rel=1e-9)


@settings(deadline=None)  # busy machines
@given(st.floats(-180, 180), st.floats(0.01, 200), st.floats(0.1, 179))
def test_probability_out_against_scipy(deviation, sigma, tolerance):
    turns = 360.0 * np.arange(-20, 21)
    inside = stats.norm.cdf((tolerance - deviation + turns) / sigma) - stats.norm.cdf(
        (-tolerance - deviation + turns) / sigma
    )
    assert probability_out(deviation, sigma, tolerance) == pytest.approx(1.0 - inside.sum(), abs=1e-9)


def test_probability_out_edges():
    assert probability_out(4.9, 0.0, 5.0) == 0.0
    assert probability_out(5.1, 0.0, 5.0) == 1.0
    assert probability_out(100.0, 1.0, 180.0) == 0.0
    with pytest.raises(ValueError, match="sigma"):
        probability_out(1.0, -1.0, 5.0)


@pytest.mark.parametrize(
    ("p", "wanted"), [(0.0, "accept"), (0.05, "accept"), (0.051, "undecided"), (0.94, "undecided"), (0.96, "reject")]
)
def test_decide(p, wanted):
    assert decide(p) == wanted


# JCGM 106:2012, 8.3: w = 1.64 u at 5 % (from memory). For +-5 degrees that accepts up to 4.18, 3.36, 1.71 and rejects
# from 5.82, 6.64, 8.29 at u = 0.5, 1, 2 (computed, one limit at a time).
@pytest.mark.parametrize(("sigma", "accepts", "rejects"), [(0.5, 4.18, 5.82), (1.0, 3.36, 6.64), (2.0, 1.71, 8.29)])
def test_guard_band(sigma, accepts, rejects):
    w = guard_band_deg(sigma)
    assert w == pytest.approx(1.64 * sigma, abs=PRINTED_2 * sigma)
    assert 5.0 - w == pytest.approx(accepts, abs=PRINTED_2)
    assert decide(probability_out(rejects + 0.01, sigma, 5.0)) == "reject"
    assert decide(probability_out(rejects - 0.01, sigma, 5.0)) == "undecided"
    if sigma < 2.0:  # at 2 the far limit takes its part, see the next test
        assert decide(probability_out(accepts - 0.01, sigma, 5.0)) == "accept"
    assert decide(probability_out(accepts + 0.01, sigma, 5.0)) == "undecided"


@pytest.mark.parametrize("sigma", [0.1, 0.5, 1.0, 2.0, 2.5])
def test_acceptance_limit_with_both_limits_at_work(sigma):
    def excess(d):
        return stats.norm.sf(5.0, d, sigma) + stats.norm.cdf(-5.0, d, sigma) - 0.05

    assert acceptance_limit_deg(sigma, 5.0) == pytest.approx(optimize.brentq(excess, 0.0, 5.0), abs=1e-6)


def test_nothing_is_accepted_beyond_a_half_of_the_tolerance():
    # 2.55 = 5 / z(0.975): with a larger sigma even a perfect 0 leaves more than 5 % outside
    assert acceptance_limit_deg(2.56, 5.0) is None
    assert acceptance_limit_deg(2.54, 5.0) is not None
    assert acceptance_limit_deg(1.0, 180.0) == 180.0


# 3GPP TR 38.901 V16.1.0 table 7.3-1 (parameters read in ns-3 three-gpp-antenna-model.cc); losses worked out from it
@pytest.mark.parametrize(
    ("angle", "loss"), [(1, 0.003), (2, 0.011), (3, 0.026), (5, 0.071), (10, 0.284), (15, 0.639), (20, 1.136)]
)
def test_pattern(angle, loss):
    assert gain_db(angle) == pytest.approx(-loss, abs=PRINTED_3)
    assert gain_db(360 - angle) == pytest.approx(-loss, abs=PRINTED_3)


def test_pattern_half_power_and_cap():
    assert gain_db(32.5) == pytest.approx(-3.0)  # by definition of the 3 dB beamwidth, 65 degrees
    assert gain_db(103.0) > -30.2
    assert gain_db(110.0) == gain_db(180.0) == -30.0
    assert math.copysign(1.0, gain_db(0.0)) == 1.0


# Same pattern at the edge of a 120 degree sector: loss of +1.78 dB at 5 degrees off, +3.69 at 10
@pytest.mark.parametrize(("off", "boresight", "edge"), [(5, 0.071, 1.78), (-5, 0.071, 1.78), (10, 0.284, 3.69)])
def test_impact(off, boresight, edge):
    impact = impact_db(off)
    assert impact.boresight == pytest.approx(-boresight, abs=PRINTED_3)
    assert impact.edge == pytest.approx(-edge, abs=PRINTED_2)


def test_no_impact_without_deviation():
    assert (impact_db(0.0).boresight, impact_db(0.0).edge) == (0.0, 0.0)


# ---- consumer's and producer's risk ----------------------------------------------------------------------------------


def ball_bearing(accepted):
    # JCGM 106:2012, 9.5.4: form deviation, gamma distributed (shape 4, mean 1 um), limit 2 um, u 0.25 um
    return global_risks(
        lambda x: stats.gamma.pdf(x, 4.0, scale=0.25), (0.0, 12.0), 0.25, (0.0, 2.0), (-math.inf, accepted)
    )


def test_ball_bearing():
    # figures as in suncal's notebook "Risk - Ball Bearing" (sandialabs): 4.24 % out, consumer's risk 0.8 %
    got = ball_bearing(2.0)
    assert got.out_of_tolerance == pytest.approx(0.0424, abs=PRINTED_4)
    assert got.consumer == pytest.approx(0.008, abs=PRINTED_3)


def test_ball_bearing_guarded():
    # the same: accepted up to 1.672 um, the consumer's risk is 0.1 %
    assert ball_bearing(1.672).consumer == pytest.approx(0.001, abs=PRINTED_4)
    assert ball_bearing(1.672).producer > ball_bearing(2.0).producer


# suncal test_risk.py (sandialabs), after D. Deaver, NCSL 1994: normal items, tolerance 2 of their sigmas, the test
# uncertainty ratio (tolerance over U, k = 2), acceptance limit over tolerance
@pytest.mark.parametrize(
    ("ratio", "guard", "false_accept", "false_reject"), [(4, 1.0, 0.008, 0.015), (2, 0.91, 0.008, 0.066)]
)
def test_false_accept_and_reject(ratio, guard, false_accept, false_reject):
    got = global_risks(stats.norm.pdf, (-9.0, 9.0), 2.0 / ratio / 2.0, (-2.0, 2.0), (-2.0 * guard, 2.0 * guard))
    assert got.consumer == pytest.approx(false_accept, abs=PRINTED_3)
    assert got.producer == pytest.approx(false_reject, abs=PRINTED_3)


@pytest.mark.parametrize(("sigma", "tolerance"), [(0.6, 5.0), (2.0, 5.0), (3.0, 5.0), (1.5, 10.0)])
def test_risks_of_azimuths_by_draws(sigma, tolerance):
    rng = np.random.default_rng(8)
    n = 400_000
    grid = np.linspace(-180.0, 180.0, 360_001)
    cumulated = np.cumsum(hung_density(grid, tolerance))
    assert cumulated[-1] * 0.001 == pytest.approx(1.0, abs=1e-4)  # a density
    hung = np.interp(rng.random(n) * cumulated[-1], cumulated, grid)
    seen = hung + rng.normal(0.0, sigma, n)
    limit = acceptance_limit_deg(sigma, tolerance)
    accepted = np.zeros(n, bool) if limit is None else np.abs(seen) <= limit
    rejected = np.abs(seen) > tolerance + 1.6449 * sigma
    got = risks_of(sigma, tolerance)
    for p, drawn in (
        (got.out_of_tolerance, np.abs(hung) > tolerance),
        (got.consumer, accepted & (np.abs(hung) > tolerance)),
        (got.producer, rejected & (np.abs(hung) <= tolerance)),
    ):
        assert np.mean(drawn) == pytest.approx(p, abs=4.0 * math.sqrt(p * (1.0 - p) / n) + 2e-5)


def test_risks_where_nothing_is_decided():
    assert risks_of(80.0, 5.0) is None
    assert risks_of(0.0, 5.0) is None
    assert risks_of(1.0, 120.0) is None
    assert risks_of(10.0, 5.0).consumer == 0.0  # nothing is accepted
    with pytest.raises(ValueError, match="sigma"):
        global_risks(stats.norm.pdf, (-9.0, 9.0), 0.0, (-2.0, 2.0), (-2.0, 2.0))
