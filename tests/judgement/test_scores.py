"""Agreement, conformity and impact against published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from photoaz.judgement.agreement import en_score
from photoaz.judgement.conformity import (
    Part,
    decide,
    deciding_u95_deg,
    decision_limits_deg,
    decision_of,
    global_risks,
    hung_density,
    p_out,
    probability_out,
    risks_of,
    with_known,
)
from photoaz.judgement.impact import gain_db, impact_db
from photoaz.priors import AntennasKnown, Priors, SitesKnown, Spread
from photoaz.quantities import K95

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
    accepted, rejected = decision_limits_deg(sigma, 5.0)
    assert rejected == pytest.approx(rejects, abs=PRINTED_2)
    if sigma < 2.0:  # at 2 the far limit takes its part, see the next test
        assert accepted == pytest.approx(accepts, abs=PRINTED_2)
    else:
        assert accepted < accepts


@pytest.mark.parametrize("sigma", [0.1, 0.5, 1.0, 2.0, 2.5])
def test_acceptance_limit_with_both_limits_at_work(sigma):
    def excess(d):
        return stats.norm.sf(5.0, d, sigma) + stats.norm.cdf(-5.0, d, sigma) - 0.05

    assert decision_limits_deg(sigma, 5.0)[0] == pytest.approx(optimize.brentq(excess, 0.0, 5.0), abs=1e-6)


def test_nothing_is_accepted_beyond_a_half_of_the_tolerance():
    # 2.55 = 5 / z(0.975): with a larger sigma even a perfect 0 leaves more than 5 % outside
    assert decision_limits_deg(2.56, 5.0)[0] is None
    assert decision_limits_deg(2.54, 5.0)[0] is not None
    assert decision_limits_deg(1.0, 180.0) == (180.0, None)


# ---- prior knowledge -------------------------------------------------------------------------------------------------

KNOWN = Priors().deviations(5.0)


@pytest.mark.parametrize(("measured", "u", "u0"), [(3.0, 2.0, 2.5), (-7.0, 3.0, 2.5), (0.0, 0.5, 4.0)])
def test_normal_prior_and_measurement(measured, u, u0):
    # JCGM 106:2012, A.4.4 (from memory): the mean weighed by the inverse variances, the inverse variances added
    (got,) = with_known([Part(deviation_deg=measured, sigma_deg=u)], (Spread(1.0, u0),))
    assert got.deviation_deg == pytest.approx((measured / u**2) / (1.0 / u**2 + 1.0 / u0**2))
    assert got.sigma_deg == pytest.approx(1.0 / math.sqrt(1.0 / u**2 + 1.0 / u0**2))
    assert got.probability == 1.0


@pytest.mark.parametrize(
    "parts",
    [
        [(3.0, 2.0, 1.0)],
        [(14.0, 1.0, 1.0)],
        [(-9.0, 8.0, 1.0)],
        [(1.0, 1.5, 0.6), (60.0, 1.5, 0.4)],
        [(175.0, 40.0, 0.5), (-178.0, 5.0, 0.5)],
        [(170.0, 100.0, 1.0)],
        [(20.0, 500.0, 1.0)],
    ],
)
@pytest.mark.parametrize("tolerance", [2.0, 5.0, 40.0])
def test_measured_and_known_against_a_grid(weighed, parts, tolerance):
    known = Priors().deviations(tolerance)
    got = with_known([Part(deviation_deg=d, sigma_deg=s, probability=w) for d, s, w in parts], known)
    assert sum(x.probability for x in got) == pytest.approx(1.0)
    # half a step of the grid at the limits, where the density is no more than 1 / (2.5 sigma)
    assert p_out(got, tolerance) == pytest.approx(weighed(parts, known, tolerance), abs=1e-4)


def test_where_nothing_is_known_the_measurement_stays_as_it_is():
    parts = (
        Part(deviation_deg=3.0, sigma_deg=2.0, probability=0.7),
        Part(deviation_deg=-50.0, sigma_deg=1.0, probability=0.3),
    )
    assert with_known(parts, ()) == parts
    flat = with_known(parts, (Spread(1.0, math.inf),))
    assert [(x.deviation_deg, x.sigma_deg) for x in flat] == [(3.0, 2.0), (-50.0, 1.0)]
    assert [x.probability for x in flat] == pytest.approx([0.7, 0.3])


@pytest.mark.parametrize("sigma", [0.3, 1.0, 2.0, 3.5])
def test_limits_with_what_is_known_against_a_grid(weighed, sigma):
    accepted, rejected = decision_limits_deg(sigma, 5.0, 0.05, KNOWN)

    def out(d):
        return weighed([(d, sigma, 1.0)], KNOWN, 5.0)

    def far(d):
        return stats.norm.sf(10.0, d, sigma) + stats.norm.cdf(-10.0, d, sigma)

    def accepts(d):
        return out(d) <= 0.05 and far(d) <= 0.05

    assert (accepts(accepted - 0.02), accepts(accepted + 0.02)) == (True, False)
    assert out(rejected - 0.02) < 0.95 < out(rejected + 0.02)
    # an antenna that mostly hangs as designed is accepted a little sooner, and rejected later, than by the photos alone
    alone = decision_limits_deg(sigma, 5.0)
    assert alone[0] is None or accepted > alone[0]
    assert rejected > alone[1]


def test_what_is_known_does_not_accept_where_the_photos_say_nothing():
    sure = Priors(antennas=AntennasKnown(turned_share=0.001), sites=SitesKnown(error_share=0.001)).deviations(5.0)
    wide = [Part(deviation_deg=1.0, sigma_deg=7.0)]
    assert p_out(with_known(wide, sure), 5.0) < 0.05
    assert p_out(wide, 10.0) > 0.05
    assert decision_of(wide, with_known(wide, sure), 5.0) == "undecided"
    narrow = [Part(deviation_deg=1.0, sigma_deg=3.0)]
    assert decision_of(narrow, with_known(narrow, sure), 5.0) == "accept"


def test_what_is_known_rejects_nothing_that_the_photos_leave_within():
    # normal table: by the photos alone out of +-5 with 0.32; all else that is known says 20 degrees off
    within, far = [Part(deviation_deg=0.0, sigma_deg=5.0)], [Part(deviation_deg=20.0, sigma_deg=1.0)]
    assert decision_of(within, far, 5.0) == "undecided"
    # beyond the limit they say out with more than a half
    assert decision_of([Part(deviation_deg=5.5, sigma_deg=2.0)], far, 5.0) == "reject"
    assert decision_of([Part(deviation_deg=4.5, sigma_deg=2.0)], far, 5.0) == "undecided"


def test_nothing_is_decided_that_one_view_less_would_turn_round():
    def all_at(deg):
        return [Part(deviation_deg=deg, sigma_deg=0.5)]

    turned, straight = (all_at(20.0),) * 2, (all_at(0.0),) * 2
    assert decision_of(*turned, 5.0, without=(turned, turned)) == "reject"
    assert decision_of(*turned, 5.0, without=(turned, straight)) == "undecided"
    assert decision_of(*straight, 5.0, without=(turned, straight)) == "undecided"
    # what would be open without a view does not gainsay it
    vague = ([Part(deviation_deg=4.0, sigma_deg=20.0)],) * 2
    assert decision_of(*turned, 5.0, without=(turned, vague)) == "reject"


@pytest.mark.parametrize(("deviation", "u95"), [(4.5, 4.0), (8.0, 12.0), (4.8, 2.0)])
def test_the_u95_that_would_decide(deviation, u95):
    needed = deciding_u95_deg(deviation, u95, 5.0, 0.05, KNOWN)
    sigmas = np.array([0.95, 1.05]) * needed / K95
    told = [[Part(deviation_deg=deviation, sigma_deg=s)] for s in sigmas]
    got = [decision_of(parts, with_known(parts, KNOWN), 5.0) for parts in told]
    assert got[0] in ("accept", "reject")
    assert got[1] == "undecided"
    assert deciding_u95_deg(5.0, 4.0, 5.0, 0.05, KNOWN) is None


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
    known = Priors().deviations(tolerance)
    grid = np.linspace(-180.0, 180.0, 360_001)
    cumulated = np.cumsum(hung_density(grid, known))
    assert cumulated[-1] * 0.001 == pytest.approx(1.0, abs=1e-4)  # a density
    hung = np.interp(rng.random(n) * cumulated[-1], cumulated, grid)
    seen = hung + rng.normal(0.0, sigma, n)
    limit, beyond = decision_limits_deg(sigma, tolerance, 0.05, known)
    accepted = np.zeros(n, bool) if limit is None else np.abs(seen) <= limit
    rejected = np.abs(seen) > beyond
    got = risks_of(sigma, tolerance, 0.05, known)
    for p, drawn in (
        (got.out_of_tolerance, np.abs(hung) > tolerance),
        (got.consumer, accepted & (np.abs(hung) > tolerance)),
        (got.producer, rejected & (np.abs(hung) <= tolerance)),
    ):
        assert np.mean(drawn) == pytest.approx(p, abs=4.0 * math.sqrt(p * (1.0 - p) / n) + 2e-5)


def test_risks_where_nothing_is_decided():
    assert risks_of(80.0, 5.0, 0.05, KNOWN) is None
    assert risks_of(0.0, 5.0, 0.05, KNOWN) is None
    assert risks_of(1.0, 120.0, 0.05, KNOWN) is None
    assert risks_of(10.0, 5.0, 0.05, KNOWN).consumer == 0.0  # nothing is accepted
    with pytest.raises(ValueError, match="sigma"):
        global_risks(stats.norm.pdf, (-9.0, 9.0), 0.0, (-2.0, 2.0), (-2.0, 2.0))
