"""The adjustment as geodesy knows it: published levelling, blunder tests, budget, elimination."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from scipy import optimize, stats

from photoaz.network.adjust import (
    AdjustmentError,
    adjust,
    linearise,
    residuals,
    rest_information,
    variance_shares,
    w_tests,
)
from photoaz.network.observations import Direct, Directs, Known, Observation

LINEAR = 1e-8  # agreement asked of two ways through a linear problem, relative


@dataclass(frozen=True, slots=True)
class Levelled:
    """A levelled height difference, as a surveyor's plug-in would bring it: nothing in the package knows it."""

    label: str
    index: np.ndarray
    value: float
    sigma: float
    source: str = "levelling"
    testable: bool = True

    def residual(self, x: np.ndarray) -> np.ndarray:
        out: np.ndarray = (x[..., 1:] - x[..., :1] - self.value) / self.sigma
        return out


@dataclass(frozen=True, slots=True)
class Distance:
    """A distance from a known point to an unknown one in the plane."""

    index: np.ndarray
    known: np.ndarray
    value: float
    sigma: float
    source: str = "distances"
    label: str = "distance"
    testable: bool = True

    def residual(self, x: np.ndarray) -> np.ndarray:
        d = x - self.known
        return (np.sqrt((d * d).sum(-1, keepdims=True)) - self.value) / self.sigma


def levelled(lines: list[tuple[int, int, float, float]]) -> list[Levelled]:
    return [Levelled(f"{a}-{b}", np.array([a, b]), dh, s) for a, b, dh, s in lines]


def benchmark(point: int, height: float) -> Direct:
    return Direct("benchmark", f"benchmark {point}", np.array([point]), height, 1e-6)


# ---- published levelling --------------------------------------------------------------------------------------------

#: forward and reverse levels round four points, sigma 5 mm each; unknowns 0 to 3 are the points 1a, 2, 3, 4
GAMA_LINES = [
    (0, 3, -1.22500, 0.005),
    (3, 2, -0.84800, 0.005),
    (2, 1, 1.34200, 0.005),
    (1, 0, 0.72000, 0.005),
    (0, 1, -0.72400, 0.005),
    (1, 2, -1.33500, 0.005),
    (2, 3, 0.84200, 0.005),
    (3, 0, 1.23100, 0.005),
]


def test_levelling_as_gnu_gama_adjusts_it():
    """GNU Gama 1.5.09, printed 'Sample 1D vertical least square adjustment': vrmapper.com/gama/1doutput.html."""
    net = [benchmark(0, 1000.0), *levelled(GAMA_LINES)]
    got = adjust(net, np.full(4, 999.0))
    np.testing.assert_allclose(got.x, [1000.0, 999.27487, 997.93325, 998.77513], rtol=0, atol=5.1e-6)  # its last digit
    sigma_mm = 1000 * np.sqrt(np.diag(got.covariance))
    assert sigma_mm[1:].round(1).tolist() == [3.1, 3.5, 3.1]
    assert 25.0 * got.cost == pytest.approx(146.625, abs=1e-3)  # [pvv] of the print, in mm^2
    w = np.abs(w_tests(net, got))[1:]
    assert int(w.argmax()) == 5  # 'maximal normalized residual 1.68 ... for observation #6'
    assert w.max().round(2) == 1.68


def test_levelling_with_weights_as_starnet_adjusts_it():
    """Data of Strang and Borre, Linear Algebra, Geodesy, and GPS (1997), 6 mm per root of a kilometre.

    STAR*NET-PRO 9.2.4.226: sum of squares of the standardised residuals 4.636, error factor 1.243; as quoted on
    rplstoday.com, 'How would you adjust this leveling data?' (10 October 2019).
    """
    fixed = {0: 10.021, 1: 10.321, 2: 11.002}  # A, B, C; E and F are 3 and 4
    lines = [(0, 3, 0.732, 970), (0, 4, 1.978, 1002), (1, 3, 0.420, 1070), (2, 4, 0.988, 1110), (3, 4, 1.258, 890)]
    net = [
        *(benchmark(k, h) for k, h in fixed.items()),
        *levelled([(a, b, dh, 0.006 * np.sqrt(m / 1000)) for a, b, dh, m in lines]),
    ]
    got = adjust(net, np.full(5, 11.0))
    assert got.cost == pytest.approx(4.636, abs=5e-4)
    assert np.sqrt(got.cost / 3) == pytest.approx(1.243, abs=5e-4)


def test_levelling_of_the_textbook():
    """Wolf and Ghilani, Adjustment Computations (1997), differential levelling between two benchmarks: from memory."""
    x, y, a, b, c = range(5)  # BM X, BM Y, A, B, C
    one = 1.0
    lines = [
        (x, a, 5.10, one),
        (a, y, 2.34, one),
        (y, c, -1.25, one),
        (c, x, -6.13, one),
        (a, b, -0.68, one),
        (b, y, 3.00, one),
        (b, c, 1.70, one),
    ]
    got = adjust([benchmark(x, 100.0), benchmark(y, 107.5), *levelled(lines)], np.full(5, 100.0))
    assert got.x[2:].round(3).tolist() == [105.141, 104.483, 106.188]
    assert np.sqrt(got.cost / 4) == pytest.approx(0.050, abs=5e-4)


# ---- against scipy --------------------------------------------------------------------------------------------------


def test_curved_problem_ends_where_scipys_ends():
    """A resection from distances against scipy.optimize.least_squares: place, cost and covariance."""
    rng = np.random.default_rng(21)
    known = np.array([[0.0, 0], [80, 10], [40, 90], [-30, 50]])
    truth = np.array([22.0, 31.0])
    net = [
        Distance(np.arange(2), k, float(np.hypot(*(truth - k)) + rng.normal(0, s)), s)
        for k, s in zip(known, (0.5, 1.0, 2.0, 0.3), strict=True)
    ]
    start = np.array([60.0, -20.0])
    got = adjust(net, start)
    want = optimize.least_squares(lambda x: residuals(net, x), start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    np.testing.assert_allclose(got.x, want.x, atol=1e-6)
    assert got.cost == pytest.approx(2 * want.cost, rel=1e-9)
    np.testing.assert_allclose(got.covariance, np.linalg.inv(want.jac.T @ want.jac), rtol=1e-5)
    assert got.converged
    assert not adjust(net, start, max_iterations=1).converged


def test_cost_residuals_and_jacobian_are_those_at_the_end():
    net = [benchmark(0, 1000.0), *levelled(GAMA_LINES)]
    got = adjust(net, np.full(4, 999.0))
    r, j, rows = linearise(net, got.x)
    np.testing.assert_array_equal(got.residual, r)
    np.testing.assert_array_equal(got.jacobian, j)
    assert got.rows == rows
    assert got.cost == pytest.approx(float(r @ r), rel=1e-12)


def test_an_unknown_that_nothing_fixes_is_named():
    with pytest.raises(AdjustmentError, match="unknown number 2"):
        adjust([Direct("s", "l", np.array([k]), 1.0, 1.0) for k in (0, 1)], np.zeros(3))


def test_a_datum_that_nothing_fixes_is_an_error():
    """Levels without a benchmark: every single height is observed, their common height is not."""
    with pytest.raises(AdjustmentError, match="fixed by nothing"):
        adjust(levelled([(0, 1, 1.0, 0.5), (1, 0, -1.0, 0.5)]), np.zeros(2))


def test_values_that_are_not_finite_are_an_error():
    with pytest.raises(AdjustmentError, match="cannot be computed"):
        adjust([Direct("s", "l", np.array([0]), float("nan"), 1.0)], np.zeros(1))


# ---- blunders -------------------------------------------------------------------------------------------------------


def random_network(rng: np.random.Generator, unknowns: int = 6, count: int = 14) -> tuple[list[Any], np.ndarray]:
    """A linear network of observations of one, two and three rows about a random truth, with normal noise."""
    truth = rng.normal(0, 1, unknowns)
    net: list[Any] = []
    for k in range(count):
        m, n = 1 + k % 3, 4
        index = rng.permutation(unknowns)[:n]
        root = rng.normal(0, 1, (m, n)) * rng.uniform(0.5, 3.0)
        # Known states root @ (x - at) = offset with unit sigmas
        offset = root @ truth[index] + rng.standard_normal(m)
        net.append(Known(f"source {k % 4}", f"row {k}", index, np.zeros(n), root, offset))
    net += [Direct("prior", "prior", np.array([k]), truth[k] + rng.standard_normal(), 1.0) for k in range(unknowns)]
    return net, truth


def test_w_is_the_surprise_at_what_the_rest_predicts():
    """Deletion identity (Cook and Weisberg, Residuals and Influence in Regression, 1982, 2.2.1; section from memory):

    leave an observation out, predict it from the rest, and compare with the spread of that prediction.
    """
    net, _ = random_network(np.random.default_rng(31))
    whole = adjust(net, np.zeros(6))
    for k, w in enumerate(w_tests(net, whole)):
        rest = adjust([o for i, o in enumerate(net) if i != k], np.zeros(6))
        r, j, _ = linearise([net[k]], rest.x)
        spread = np.eye(len(r)) + j @ rest.covariance @ j.T
        surprise = float(r @ np.linalg.solve(spread, r))
        want = stats.norm.isf(stats.chi2.sf(surprise, len(r)) / 2)
        assert abs(w) == pytest.approx(want, rel=1e-6)


def test_w_of_normal_noise_is_standard_normal():
    """|w| of 400 networks with normal noise: the share beyond 1.96, and the whole shape, a half-normal distribution.

    Baarda (1968): w is a standard normal deviate where nothing is wrong. The networks are independent, the w of one
    network are not: bounds of three sigma of the mean over networks.
    """
    rng = np.random.default_rng(32)
    shares, one_each = [], []
    for _ in range(400):
        net, _ = random_network(rng)
        w = np.abs(w_tests(net, adjust(net, np.zeros(6))))
        shares.append(float((w > 1.959964).mean()))
        one_each.append(w[rng.integers(len(w))])
    error = float(np.std(shares) / np.sqrt(len(shares)))
    assert error < 0.006
    assert abs(np.mean(shares) - 0.05) < 3 * error
    assert stats.kstest(one_each, stats.halfnorm.cdf).pvalue > 1e-4  # a sound w fails one seed in ten thousand


def test_w_is_nan_where_the_rest_controls_nothing():
    net = [
        Direct("s", "alone", np.array([0]), 1.0, 1.0),
        *(Direct("s", "l", np.array([1]), v, 1.0) for v in (1.0, 2.0)),
    ]
    w = w_tests(net, adjust(net, np.zeros(2)))
    assert np.isnan(w[0])
    assert np.isfinite(w[1:]).all()


def test_blunder_in_a_loop_has_the_largest_w():
    lines = [list(line) for line in GAMA_LINES]
    lines[3][2] += 0.040  # eight sigma
    net = [benchmark(0, 1000.0), *levelled([tuple(line) for line in lines])]
    w = np.abs(w_tests(net, adjust(net, np.full(4, 999.0))))
    assert int(np.nan_to_num(w).argmax()) == 1 + 3


# ---- budget ---------------------------------------------------------------------------------------------------------


def scaled(o: Any, source: str, factor: float) -> Any:
    """An observation whose sigmas are multiplied where it comes from this source."""
    if o.source != source:
        return o
    if isinstance(o, Known):
        return replace(o, root=o.root / factor, offset=o.offset / factor)
    return replace(o, sigma=o.sigma * factor)


def test_shares_sum_to_the_variance_and_none_is_negative():
    net, _ = random_network(np.random.default_rng(41))
    got = adjust(net, np.zeros(6))
    for k in range(6):
        shares = variance_shares(net, got, k)
        assert set(shares) == {o.source for o in net}
        assert min(shares.values()) >= 0
        assert sum(shares.values()) == pytest.approx(got.covariance[k, k], rel=1e-9)


def test_share_is_what_a_sources_variance_moves():
    """dV = share times d ln of the source's variance: weights are optimal, so their change adds nothing."""
    net, _ = random_network(np.random.default_rng(42))
    shares = variance_shares(net, adjust(net, np.zeros(6)), 2)
    eps = 1e-4
    for source, share in shares.items():
        up, down = (adjust([scaled(o, source, 1 + s) for o in net], np.zeros(6)).covariance[2, 2] for s in (eps, -eps))
        assert (up - down) / (4 * eps) == pytest.approx(share, rel=1e-5, abs=1e-9)


def test_a_perfect_source_takes_at_least_its_share_away():
    """At least: the weights move to the source that became better. Just its share in a chain, where they cannot."""
    net, _ = random_network(np.random.default_rng(43))
    got = adjust(net, np.zeros(6))
    for source, share in variance_shares(net, got, 1).items():
        perfect = adjust([scaled(o, source, 1e-4) for o in net], np.zeros(6))
        assert perfect.covariance[1, 1] <= got.covariance[1, 1] - share + 1e-9

    chain: list[Any] = [Direct("benchmark", "", np.array([0]), 10.0, 3.0), *levelled([(0, 1, 1.0, 4.0)])]
    shares = variance_shares(chain, adjust(chain, np.zeros(2)), 1)
    assert shares == pytest.approx({"benchmark": 9.0, "levelling": 16.0}, rel=1e-9)
    perfect = adjust([scaled(o, "levelling", 1e-4) for o in chain], np.zeros(2))
    assert perfect.covariance[1, 1] == pytest.approx(25.0 - 16.0, rel=1e-6)


# ---- elimination ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_information_of_the_rest_is_that_of_the_network_without_some_rows(seed):
    """Elimination by Schur's complement is exact in a linear network (Koch 1999, reduced normal equations)."""
    rng = np.random.default_rng(50 + seed)
    net, _ = random_network(rng)
    keep = np.sort(rng.permutation(6)[:4])
    own = [Directs("own", "own", keep[:3], rng.normal(0, 1, 3), np.full(3, 0.5)), replace(net[0], index=keep)]
    net = [*net[1:], *own]
    _, j, _ = linearise(own, np.zeros(6))
    got = rest_information(adjust(net, np.zeros(6)), keep, (j.T @ j)[np.ix_(keep, keep)])
    without = adjust(net[:-2], np.zeros(6))
    want = np.linalg.inv(without.covariance[np.ix_(keep, keep)])
    np.testing.assert_allclose(got, want, rtol=0, atol=LINEAR * np.abs(want).max())


def test_unknowns_that_only_some_rows_fix_get_nothing_from_the_rest():
    net: list[Observation] = [
        Direct("s", "l", np.array([0]), 1.0, 0.5),
        *levelled([(0, 1, 1.0, 0.5)]),
        Direct("own", "own", np.array([2]), 3.0, 0.1),
    ]
    info = rest_information(adjust(net, np.zeros(3)), np.array([1, 2]), np.diag([0.0, 1 / 0.1**2]))
    assert info[0, 0] == pytest.approx(1 / 0.5, rel=1e-9)  # 0.5^2 + 0.5^2
    assert np.abs(info[1]).max() < 1e-9
