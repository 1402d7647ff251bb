"""Effective degrees of freedom and coverage factors against published cases and draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from photoaz.network.freedom import coverage_factor, effective_dof

PRINTED_2 = 0.005 + 1e-9


def test_end_gauge():
    # JCGM 100:2008, H.1.6: parts 25 nm (18 degrees of freedom), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2). Printed:
    # u = 32 nm, nu_eff = 16.7 taken as 16, t99 = 2.92, U99 = 93 nm
    parts = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))
    u = math.hypot(*(p for p, _ in parts))
    assert u == pytest.approx(32.0, abs=0.5)
    dof = effective_dof(parts)
    # with u as rounded to 32 it would be 17.5, and with the parts as they are printed it is 16.76
    assert dof == pytest.approx(16.7, abs=0.07)
    assert coverage_factor(math.floor(dof), 0.99) == pytest.approx(2.92, abs=PRINTED_2)
    assert coverage_factor(math.floor(dof), 0.99) * 32.0 == pytest.approx(93.0, abs=0.5)


@pytest.mark.parametrize(
    ("dof", "t"),
    [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)],
)
def test_table_of_student_s_t(dof, t):
    # JCGM 100:2008, table G.2, column 95.45 %
    assert coverage_factor(dof, 0.9545) == pytest.approx(t, abs=PRINTED_2)


def test_nothing_estimated_is_the_normal_distribution():
    assert effective_dof([(1.0, math.inf), (2.0, math.inf)]) == math.inf
    assert coverage_factor(math.inf) == pytest.approx(stats.norm.ppf(0.975))
    assert coverage_factor(1e9) == pytest.approx(coverage_factor(math.inf), abs=1e-6)


def test_one_estimated_quantity_keeps_its_own():
    assert effective_dof([(0.7, 4.0)]) == pytest.approx(4.0)
    # a known one beside it makes the whole better known
    assert effective_dof([(0.7, 4.0), (0.7, math.inf)]) == pytest.approx(16.0)


def test_coverage_by_draws():
    # an error known to 1, and one of 1.5 whose spread is estimated from 4 values: how often the truth is within t u
    rng = np.random.default_rng(5)
    n, draws = 4, 40_000
    s = np.std(rng.normal(0.0, 1.5, (draws, n)), axis=1, ddof=1)
    error = rng.normal(0.0, math.hypot(1.0, 1.5), draws)
    within = [
        abs(e) <= coverage_factor(effective_dof([(1.0, math.inf), (float(v), n - 1.0)])) * math.hypot(1.0, v)
        for e, v in zip(error[:4000], s[:4000], strict=True)
    ]
    # the formula is an approximation: within a hundredth beside three sigma of the draws; k = 1.96 falls short
    assert np.mean(within) == pytest.approx(0.95, abs=0.01 + 3.0 * math.sqrt(0.95 * 0.05 / 4000))
    assert np.mean(np.abs(error) <= 1.96 * np.hypot(1.0, s)) < 0.925


@pytest.mark.parametrize("parts", [[(-1.0, 3.0)], [(1.0, 0.0)], [(math.nan, 3.0)]])
def test_refuses(parts):
    with pytest.raises(ValueError, match="degrees of freedom"):
        effective_dof(parts)


def test_coverage_factor_refuses():
    for dof, p in ((0.0, 0.95), (3.0, 1.0), (math.nan, 0.9)):
        with pytest.raises(ValueError, match="degrees of freedom"):
            coverage_factor(dof, p)
