"""The interval of a mixture: by quantiles of its normal parts, and against scipy's distributions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from photoaz.angles import wrap_deg
from photoaz.network.mixture import Mixture


def mixture_deg(*parts: tuple[float, float, float]) -> float:
    """U95 [deg] about the first of some parts given as azimuth [deg], sigma [deg], probability."""
    azimuth, sigma, probability = np.array(parts).T
    mixture = Mixture(probability, np.radians(azimuth), np.radians(sigma))
    return float(np.degrees(mixture.u95_about(mixture.value[0])))


MIXTURE_DEG = 1e-6


def test_one_branch_gives_the_normal_interval():
    assert mixture_deg((40.0, 0.7, 1.0)) == pytest.approx(stats.norm.ppf(0.975) * 0.7, abs=MIXTURE_DEG)


def test_two_equal_branches_far_apart_reach_into_the_second():
    """The whole first half and nine tenths of the second: the second's 90 % quantile on its far side."""
    want = 12.0 + stats.norm.ppf(0.9) * 0.5
    assert mixture_deg((100.0, 0.5, 0.5), (112.0, 0.5, 0.5)) == pytest.approx(want, abs=MIXTURE_DEG)


def test_an_unlikely_branch_far_off_only_uses_up_its_probability():
    """4 % lie out of reach; the interval takes 95 of the remaining 96."""
    want = stats.norm.ppf(0.5 + 0.95 / 0.96 / 2) * 0.5
    assert mixture_deg((100.0, 0.5, 0.96), (130.0, 0.5, 0.04)) == pytest.approx(want, abs=MIXTURE_DEG)


def test_branches_on_both_sides_count_like_one_branch_of_both():
    both = mixture_deg((50.0, 0.5, 0.6), (58.0, 0.4, 0.2), (42.0, 0.4, 0.2))
    assert both == pytest.approx(mixture_deg((50.0, 0.5, 0.6), (58.0, 0.4, 0.4)), abs=MIXTURE_DEG)


def test_mixture_across_south_and_north():
    want = mixture_deg((100.0, 0.5, 0.7), (104.0, 0.8, 0.3))
    for turn in (78.0, 259.0, -101.0, 439.0):
        a, b = float(wrap_deg(100.0 + turn)), float(wrap_deg(104.0 + turn))
        assert mixture_deg((a, 0.5, 0.7), (b, 0.8, 0.3)) == pytest.approx(want, abs=MIXTURE_DEG)


@pytest.mark.parametrize("seed", range(4))
def test_mixture_against_scipys_distributions(seed):
    rng = np.random.default_rng(seed)
    offset, sigma = np.append(0.0, rng.uniform(-15, 15, 3)), rng.uniform(0.3, 3.0, 4)
    p = rng.dirichlet(np.ones(4))
    many = [stats.norm(o, s) for o, s in zip(offset, sigma, strict=True)]

    def missing(r: float) -> float:
        return float(sum(w * (n.cdf(r) - n.cdf(-r)) for w, n in zip(p, many, strict=True))) - 0.95

    want = optimize.brentq(missing, 0.0, 60.0, xtol=1e-10)
    got = mixture_deg(*((200.0 + o, s, w) for o, s, w in zip(offset, sigma, p, strict=True)))
    assert got == pytest.approx(want, abs=MIXTURE_DEG)
