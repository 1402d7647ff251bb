"""Evidences of faults against scipy: densities in closed form, priors, digits transposed, odds in words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats

from photoaz import quantities as q
from photoaz.judgement.fault_search import _grow, _two_of, _weighed, log_normal
from photoaz.judgement.reading_faults import FLAT, WIDE_DEG, Faults, transposed
from photoaz.judgement.reasons import format_odds
from photoaz.quantities import CAUSE_NAMED, COMMON_OFFSET_SIGMA_DEG, READING_WRONG_SIGMA_DEG

from .sites import K95, case, explained

ROUNDING = 1e-9  # of log densities of order 10 to 100


@pytest.fixture
def small():
    """Three residuals and a covariance, [deg], without structure."""
    rng = np.random.default_rng(3)
    a = rng.normal(size=(3, 3))
    return rng.normal(0.0, 3.0, 3), a @ a.T + 0.5 * np.eye(3)


def test_log_normal_against_scipy(small):
    residual, v = small
    assert log_normal(residual, v) == pytest.approx(stats.multivariate_normal(cov=v).logpdf(residual), abs=ROUNDING)


def test_one_and_two_faults_in_closed_form_against_scipy(small):
    residual, v = small
    f = Faults(
        np.array([0, 0, 1, 1, 2]),
        np.array([170.0, 0.0, -12.0, 5.0, 0.0]),
        np.array([0.0, 20.0, 0.0, 3.0, 25.0]),
        np.zeros(5),
        ("",) * 5,
        np.zeros(5, bool),
        np.zeros(5),
    )
    grown = _grow(_weighed(residual, v), f, _two_of(f, len(residual)))

    def direct(*chosen):
        r, c = residual.copy(), v.copy()
        for k in chosen:
            r[f.index[k]] += f.shift[k]
            c[f.index[k], f.index[k]] += f.widening[k] ** 2
        return stats.multivariate_normal(cov=c).logpdf(r)

    for k in range(5):
        assert grown.one[k] == pytest.approx(direct(k), rel=1e-9)
    pairs = list(zip(grown.twos.first.tolist(), grown.twos.second.tolist(), strict=True))
    # of different readings, each two once
    assert pairs == [(k, j) for k in range(5) for j in range(k + 1, 5) if f.index[k] != f.index[j]]
    for (k, j), two in zip(pairs, grown.two.tolist(), strict=True):
        assert two == pytest.approx(direct(k, j), rel=1e-9)


def test_common_offset_is_integrated_out(small):
    # against numerical integration over the angle, its prior normal
    residual, v = small
    normal = stats.multivariate_normal(cov=v)
    wanted, _ = integrate.quad(
        lambda b: normal.pdf(residual + 9.0 - b) * stats.norm.pdf(b, 0.0, COMMON_OFFSET_SIGMA_DEG),
        -60,
        60,
        epsabs=0.0,
        limit=400,
    )
    ones = np.ones((3, 1))
    got = log_normal(residual + 9.0, v + COMMON_OFFSET_SIGMA_DEG**2 * ones @ ones.T)
    assert got == pytest.approx(math.log(wanted), abs=1e-7)


def test_a_wrong_reading_is_integrated_out(small):
    residual, v = small
    normal = stats.multivariate_normal(cov=v)

    def joint(b):
        return normal.pdf(residual - [0.0, b, 0.0])

    near, _ = integrate.quad(
        lambda b: joint(b) * stats.norm.pdf(b, 0.0, READING_WRONG_SIGMA_DEG), -60, 60, epsabs=0.0, limit=400
    )
    anywhere, _ = integrate.quad(lambda b: joint(b) / 360.0, -180, 180, epsabs=0.0, limit=400, points=[residual[1]])
    spread, none = np.array([READING_WRONG_SIGMA_DEG, WIDE_DEG]), np.zeros(2)
    f = Faults(np.array([1, 1]), none, spread, none, ("",) * 2, np.zeros(2, bool), none)
    one = _grow(_weighed(residual, v), f, _two_of(f, len(residual))).one
    assert one[0] == pytest.approx(math.log(near), abs=1e-7)
    assert one[1] + FLAT == pytest.approx(math.log(anywhere), abs=1e-6)


def test_two_explanations_by_hand():
    # One antenna, exact design unknown: a reading right or reversed, both normal densities; all else is worked out from
    # the same table of priors with scipy. Checks how densities, priors and labels come together.
    u, s = 1.0, 2.0
    c = replace(case("A1", 100.0, 103.0, reading_u95_deg=u * K95, design_deg=None), declination=None)
    got = explained([c], np.array([[s**2]])).readings["A1"]
    sigma = math.hypot(u, s)
    m = q
    fine = 1 - m.READING_REVERSED_SHARE - m.DIGITS_TRANSPOSED_SHARE - m.READING_WRONG_SHARE - m.TURNED_SINCE_SHARE
    broad = [
        (1 - m.ANYWHERE_SHARE) * stats.norm.pdf(-3.0, 0.0, math.hypot(sigma, spread)) + m.ANYWHERE_SHARE / 360.0
        for spread in (m.READING_WRONG_SIGMA_DEG, m.TURNED_SIGMA_DEG)
    ]
    # the outline is right, or the azimuth may be anything; a reversed or transposed (10) reading is 177 or 93 degrees
    # off the first, and one of the second with any
    told, spoiled = 1 - m.ESTIMATE_SPOILED_SHARE, m.ESTIMATE_SPOILED_SHARE / 360.0
    weights = {
        "none": fine * (told * stats.norm.pdf(-3.0, 0.0, sigma) + spoiled),
        "reading_wrong": m.READING_WRONG_SHARE * (told * broad[0] + spoiled),
        "antenna_turned": m.TURNED_SINCE_SHARE * (told * broad[1] + spoiled),
        "reversed or transposed": (m.READING_REVERSED_SHARE + m.DIGITS_TRANSPOSED_SHARE) * spoiled,
    }
    # a wrong reading of an antenna that points anywhere is left out there: 4e-6 of 1e-2
    assert got.no_fault == pytest.approx(weights["none"] / sum(weights.values()), abs=3e-4)


# by hand: adjacent digits, with leading zeros and without, results below 360
@pytest.mark.parametrize(
    ("entered", "wanted"),
    [
        (135.0, (153.0, 315.0)),
        (120.0, (102.0, 210.0)),
        (35.0, (53.0, 305.0)),
        (180.0, (108.0,)),
        (5.0, (50.0,)),
        (111.0, ()),
        (258.4, (285.4,)),
    ],
)
def test_transposed(entered, wanted):
    assert transposed(entered) == pytest.approx(wanted)


@pytest.mark.parametrize(("odds", "text"), [(1.24, "1.2:1"), (9.97, "10:1"), (43.6, "44:1"), (5e4, "more than 1000:1")])
def test_format_odds(odds, text):
    assert format_odds(odds) == text


def test_a_named_cause_is_more_probable_than_not():
    assert CAUSE_NAMED >= 0.5
