"""Shares and their intervals against other ways to work them out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from photoaz.accuracy.tallies import FAILS, bins, interval, interval_score, share


def test_interval_of_independent_cases_is_exact():
    """SciPy's, of cases that are each of a site of their own; the design effect of a sample is 1 but for chance."""
    hits = [k % 10 != 0 for k in range(200)]
    low, high = interval([(k, float(h)) for k, h in enumerate(hits)])
    want = stats.binomtest(sum(hits), len(hits)).proportion_ci(1.0 - FAILS, method="exact")
    assert (low, high) == pytest.approx((want.low, want.high), abs=1e-9)


def test_cases_of_one_site_that_are_all_alike_count_once():
    once = [(k, float(k % 5 != 0)) for k in range(100)]
    assert interval([case for case in once for _ in range(4)]) == pytest.approx(interval(once), abs=1e-9)


def test_intervals_hold_the_truth():
    """Drawn sites whose antennas share a common part: at FAILS hardly one of 300 intervals misses it."""
    rng = np.random.default_rng(3)
    missed = 0
    for _ in range(300):
        site = rng.normal(size=(80, 1)) * 0.7 + rng.normal(size=(80, 4)) * np.sqrt(1 - 0.49)
        hit = np.abs(site) < 1.959964
        low, high = interval([(k, float(h)) for k, row in enumerate(hit) for h in row])
        missed += not low <= 0.95 <= high
    assert missed <= stats.binom.isf(1e-3, 300, 5 * FAILS)


def test_bins_hold_every_case_once():
    cases = [(k, k % 2 == 0, p) for k, p in enumerate(np.linspace(0.0, 1.0, 101).tolist())]
    assert sum(s.n for s in bins(cases)) == len(cases)


def test_a_share_that_is_far_off_is_out_of_line():
    assert share("x", [(k, k % 2 == 0, 0.95) for k in range(200)]).out_of_line
    assert not share("x", [(k, k % 20 != 0, 0.95) for k in range(200)]).out_of_line
    assert not share("none", []).out_of_line


def test_interval_score_by_hand():
    """Gneiting and Raftery (2007), eq. 43, alpha 0.05: the width 8, and 2 / alpha times the 0.5 beyond an end."""
    assert interval_score(-3.0, 4.0) == pytest.approx(8.0)
    assert interval_score(4.5, 4.0) == pytest.approx(28.0)
    assert interval_score(-4.5, 4.0) == pytest.approx(28.0)
