"""Expected losses and the value of evidence against draws and quadrature."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from photoaz.judgement.conformity import Part, probability_out
from photoaz.judgement.costs import Costs
from photoaz.judgement.impact import impact_db
from photoaz.judgement.losses import (
    Stake,
    evidence_sigma_deg,
    expected_loss,
    loss_corrected,
    loss_fixed,
    loss_now,
    preview,
)


def stake(*parts, tolerance=5.0, **fields):
    return Stake(
        parts=tuple(Part(deviation_deg=d, sigma_deg=s, probability=p) for d, s, p in parts),
        tolerance_deg=tolerance,
        **fields,
    )


def worst_loss_db(off):
    """What is lost at boresight or a sector edge, whichever loses more."""
    impact = impact_db(off)
    return -min(impact.boresight, impact.edge)


# 3GPP TR 38.901 table 7.3-1 at 60 degrees: 1.78 dB at 5 degrees off, 3.69 at 10; at the back 30 on boresight
@pytest.mark.parametrize(("off", "wanted"), [(0.0, 0.0), (5.0, 1.78), (-10.0, 3.69), (180.0, 30.0)])
def test_worst_loss(off, wanted):
    assert worst_loss_db(off) == pytest.approx(wanted, abs=0.005)


@settings(deadline=None, max_examples=40)
@given(st.floats(-180, 180), st.floats(0.3, 30), st.floats(1, 60))
def test_expected_loss_against_quadrature(m, s, tolerance):
    costs = Costs(wrong_azimuth_year=500.0, lost_db_year=300.0, years=2.0)

    def integrand(x):
        if abs((x + 180.0) % 360.0 - 180.0) <= tolerance:
            return 0.0
        return stats.norm.pdf(x, m, s) * 2.0 * (500.0 + 300.0 * worst_loss_db(x))

    corners = [c + 360.0 * k for k in (-1, 0, 1) for a in (tolerance, 42.771, 83.4, 102.774, 180.0) for c in (a, -a)]
    low, high = m - 9.0 * s, m + 9.0 * s
    edges = [low, *sorted(c for c in {*corners, m - 3 * s, m, m + 3 * s} if low < c < high), high]
    wanted = sum(integrate.quad(integrand, a, b, limit=200)[0] for a, b in itertools.pairwise(edges))
    found = float(expected_loss(np.array([m]), np.array([s]), tolerance, costs)[0])
    assert found == pytest.approx(wanted, rel=1e-3, abs=1e-3)  # corners of the piece at 83.4 are rounded above


@given(st.floats(-180, 180), st.floats(0.3, 100), st.floats(1, 170))
def test_with_no_price_on_decibels_it_is_the_probability_of_being_out(m, s, tolerance):
    # JCGM 106:2012, 7.4, as `conformity` has it
    costs = Costs(wrong_azimuth_year=1.0, lost_db_year=0.0)
    found = float(expected_loss(np.array([m]), np.array([s]), tolerance, costs)[0])
    assert found == pytest.approx(probability_out(m, s, tolerance), abs=1e-9)


@given(st.floats(-60, 60), st.floats(0.3, 20))
def test_either_side_loses_alike(m, s):
    one, other = (float(expected_loss(np.array([v]), np.array([s]), 5.0, Costs())[0]) for v in (m, -m))
    assert one == pytest.approx(other, rel=1e-9, abs=1e-9)


def test_loss_of_a_mixture_by_draws():
    rng = np.random.default_rng(3)
    n = 300_000
    truth = np.where(rng.random(n) < 0.2, rng.normal(20.0, 3.0, n), rng.normal(2.0, 2.0, n))
    grid = np.arange(0.0, 60.0, 0.01)  # finely enough that a straight line between is as good
    worst = np.interp(np.abs(truth), grid, [worst_loss_db(g) for g in grid])
    lost = np.where(np.abs(truth) > 5.0, 500.0 + 300.0 * worst, 0.0)
    found = loss_now(stake((2.0, 2.0, 0.8), (20.0, 3.0, 0.2)), Costs())
    assert found == pytest.approx(lost.mean(), abs=4.0 * lost.std() / math.sqrt(n))


def by_draws(parts, sigma, climb, n=20_000, seed=5):
    """Nature draws the deviation, a photo shows it with its noise, Bayes decides: mean cost and its spread."""
    rng = np.random.default_rng(seed)
    which = rng.choice(len(parts), n, p=[p for _, _, p in parts])
    d, s, _ = (np.array(v) for v in zip(*parts, strict=True))
    truth = rng.normal(d[which], s[which])
    shown = truth + rng.normal(0.0, sigma, n)
    grid = np.linspace(-60.0, 90.0, 3001)
    prior = sum(pi * stats.norm.pdf(grid, di, si) for di, si, pi in parts)
    out_of = np.abs(grid) > 5.0
    loss = np.where(out_of, 500.0 + 300.0 * np.array([worst_loss_db(g) for g in grid]), 0.0)
    paid = np.empty(n)
    for k in range(n):
        post = prior * np.exp(-0.5 * ((grid - shown[k]) / sigma) ** 2)
        post /= post.sum()
        nearest = int(np.argmin(np.abs(grid - truth[k])))
        paid[k] = climb if climb < post @ loss else loss[nearest]
    return paid.mean(), paid.std() / math.sqrt(n)


@pytest.mark.parametrize(
    ("parts", "sigma", "climb"),
    [
        ([(4.0, 3.0, 1.0)], 1.0, 600.0),
        ([(4.0, 3.0, 1.0)], 3.0, 600.0),
        ([(1.0, 1.5, 0.7), (18.0, 1.5, 0.3)], 2.0, 900.0),
        ([(7.0, 4.0, 1.0)], 1.5, 400.0),
    ],
)
def test_value_of_evidence_against_monte_carlo(parts, sigma, climb):
    wanted, spread = by_draws(parts, sigma, climb)
    found = preview(stake(*parts), sigma, Costs()).after(climb)[0]
    assert found == pytest.approx(wanted, abs=4.0 * spread)


def test_perfect_evidence_has_the_closed_form():
    # each truth is left, or climbed to where that is cheaper
    one, climb, costs = stake((4.0, 3.0, 1.0)), 900.0, Costs(lost_db_year=0.0, wrong_azimuth_year=1000.0)
    wanted = 900.0 * (stats.norm.sf(5.0, 4.0, 3.0) + stats.norm.cdf(-5.0, 4.0, 3.0))
    assert preview(one, 1e-3, costs).after(climb)[0] == pytest.approx(wanted, rel=0.005)


@settings(deadline=None, max_examples=40)
@given(
    st.floats(-20, 20), st.floats(0.5, 8), st.floats(0.3, 8), st.floats(1.1, 3), st.floats(50, 3000), st.floats(0, 0.4)
)
def test_evidence_never_harms_and_better_is_worth_more(d, s, sigma, factor, climb, other):
    one = stake((d, s, 1.0 - other), (d + 30.0, s, other))
    costs = Costs()
    best, worse = (preview(one, v, costs).after(climb)[0] for v in (sigma, sigma * factor))
    nothing = min(loss_now(one, costs), climb)
    slack = 1e-3 * (1.0 + nothing)  # of the quadrature, at kinks
    assert best <= worse + slack
    assert worse <= nothing + slack


def test_evidence_brings_one_uncertainty_to_the_other():
    # combination of two normal values, JCGM 100:2008, 5.1: weights 1 / sigma^2
    sigma = evidence_sigma_deg(4.0, 2.0)
    assert 1 / (1 / 4.0**2 + 1 / sigma**2) == pytest.approx(2.0**2)
    assert evidence_sigma_deg(2.0, 2.0) == math.inf
    assert evidence_sigma_deg(2.0, 3.0) == math.inf


def test_contradicted_record():
    costs = Costs()
    one = stake((0.0, 0.5, 1.0), record_off_deg=16.0)
    assert loss_now(one, costs) == pytest.approx(costs.wrong_record_year, rel=1e-6)
    assert loss_corrected(one, costs) == pytest.approx(0.0, abs=1e-3)
    assert loss_corrected(stake((0.0, 0.5, 1.0)), costs) is None
    tilt = stake((0.0, 0.5, 1.0), tilt_contradicted=True)
    assert loss_now(tilt, costs) == pytest.approx(costs.wrong_record_year, rel=1e-6)
    assert loss_corrected(tilt, costs) == pytest.approx(0.0, abs=1e-3)


def test_loss_with_the_fault_undone():
    costs = Costs(wrong_azimuth_year=0.0, lost_db_year=0.0, wrong_record_year=1.0)
    one = stake((0.5, 1.5, 0.9), (6.0, 3.0, 0.1), record_off_deg=50.0, fixed_off_deg=-1.0)
    wrong = [stats.norm.sf(5.0, m + 1.0, s) + stats.norm.cdf(-5.0, m + 1.0, s) for m, s in ((0.5, 1.5), (6.0, 3.0))]
    assert loss_fixed(one, costs) == pytest.approx(0.9 * wrong[0] + 0.1 * wrong[1], rel=1e-6)
    assert loss_fixed(stake((0.5, 1.5, 1.0), record_off_deg=50.0), costs) is None
    assert loss_fixed(stake((0.5, 1.5, 1.0)), costs) is None
