"""Compasses with heavy tails: the mixture's algebra against integration and enumeration, and what it does at a site."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from photoaz.angles import COMPASS, wrap_deg
from photoaz.network.adjust import adjust
from photoaz.network.compass import Compasses, Shift, shifts_of, weigh_compasses
from photoaz.network.mode_weights import AzimuthMode
from photoaz.network.observations import Direct, Known, Observation
from photoaz.network.site import build
from photoaz.network.solution import NetworkSolution, solve_network
from photoaz.network.uncertainty import mixture_u95, shifted, stated_u95
from photoaz.quantities import COMPASS_DISTURBED_RAD as DISTURBED_RAD
from photoaz.quantities import COMPASS_DISTURBED_SHARE as SHARE

GOOD = float(np.radians(6.0))


def heading(k: int, value: float, sigma: float = GOOD) -> Direct:
    return Direct(COMPASS, "compass", np.array([k]), value, sigma, angle=True, testable=True)


def network(values: list[float], rest_mean: np.ndarray, rest_cov: np.ndarray) -> tuple[list[Observation], Any]:
    """Headings of some photos, their compasses, and all else that is known of them as one normal distribution."""
    n = len(values)
    root = np.linalg.inv(np.linalg.cholesky(rest_cov))
    obs: list[Observation] = [Known("rest", "", np.arange(n), rest_mean, root, np.zeros(n))]
    obs += [heading(k, v) for k, v in enumerate(values)]
    return obs, adjust(obs, rest_mean.copy())


def weighed(values: list[float], rest_mean: np.ndarray, rest_cov: np.ndarray) -> tuple[Compasses, Any]:
    obs, adjusted = network(values, rest_mean, rest_cov)
    names = {f"p{k}": k for k in range(len(values))}
    got = weigh_compasses(obs, adjusted, dict.fromkeys(names, GOOD), names)
    assert got is not None
    return got, adjusted


def enumerated(values: list[float], mean: np.ndarray, cov: np.ndarray) -> dict[tuple[bool, ...], float]:
    """Posterior of every combination, by scipy's density of the readings under it."""
    n = len(values)
    out = {}
    for s in itertools.product([False, True], repeat=n):
        sigma = np.where(s, DISTURBED_RAD, GOOD)
        prior = SHARE ** sum(s) * (1 - SHARE) ** (n - sum(s))
        out[s] = prior * float(multivariate_normal(mean, cov + np.diag(sigma**2)).pdf(values))
    total = sum(out.values())
    return {s: p / total for s, p in out.items()}


@pytest.mark.parametrize("seed", range(8))
def test_weights_are_those_of_the_readings_densities(seed: int) -> None:
    """scipy.stats.multivariate_normal as the reference."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 5))
    a = rng.normal(0, 0.08, (n, n))
    cov, mean = a @ a.T + np.diag(rng.uniform(0.03, 0.2, n) ** 2), rng.normal(0, 0.1, n)
    values = [float(v) for v in mean + rng.normal(0, np.where(rng.random(n) < 0.4, 0.6, 0.1))]
    got, _ = weighed(values, mean, cov)
    want = enumerated(values, mean, cov)
    best = max(want, key=lambda s: want[s])
    assert got.likeliest == {f"p{k}" for k in range(n) if best[k]}
    share = np.array([sum(p for s, p in want.items() if s[k]) for k in range(n)])
    assert got.disturbed == pytest.approx(share, abs=2e-3)  # what is less probable than a thousandth is dropped
    assert got.weight[0] == pytest.approx(want[best], rel=5e-3)


def test_one_heading_against_integration() -> None:
    """Mean and variance of the mixture of one heading by numerical integration over it."""
    value, mean, sigma = 0.5, 0.0, 0.2
    got, adjusted = weighed([value], np.array([mean]), np.array([[sigma**2]]))
    h = np.linspace(-2, 3, 200001)
    likelihood = (1 - SHARE) * norm(h, GOOD).pdf(value) + SHARE * norm(h, DISTURBED_RAD).pdf(value)
    p = norm(mean, sigma).pdf(h) * likelihood
    p /= p.sum()
    want_mean = float((p * h).sum())
    want_var = float((p * (h - want_mean) ** 2).sum())
    at = adjusted.x[0] + got.heading_rad[:, 0]
    assert float(got.weight @ at) == pytest.approx(want_mean, abs=1e-4)
    spread = got.covariance[:, 0, 0] + (at - got.weight @ at) ** 2
    assert float(got.weight @ spread) == pytest.approx(want_var, rel=1e-3)


def test_many_compasses_are_weighed_without_trying_all() -> None:
    """Twelve of which two are far off: found, and the others' shares are as if each stood alone (they are independent).

    The two that are surest to be fine are not weighed: what is lost of theirs is a few hundredths at most.
    """
    rng = np.random.default_rng(4)
    mean, sigma = np.zeros(12), 0.05
    values = rng.normal(0, 0.1, 12)
    values[[3, 8]] = 0.9, -0.7
    got, _ = weighed([float(v) for v in values], mean, sigma**2 * np.eye(12))
    assert got.likeliest == {"p3", "p8"}
    for k in range(12):
        one = enumerated([float(values[k])], mean[:1], np.array([[sigma**2]]))
        assert got.disturbed[k] == pytest.approx(one[(True,)], abs=0.04)


def test_an_unknown_follows_the_headings_it_hangs_on() -> None:
    """An azimuth that is the heading plus a measured angle moves with it and keeps the angle's own variance."""
    own = 0.01
    obs = [heading(0, 0.0), Direct("baseline", "", np.array([0]), 0.35, 0.1, angle=True)]
    obs.append(Known("box", "", np.array([0, 1]), np.zeros(2), np.array([[-1.0, 1.0]]) / own, np.zeros(1)))
    adjusted = adjust(obs, np.zeros(2))
    got = weigh_compasses(obs, adjusted, {"p": GOOD}, {"p": 0})
    assert got is not None
    for shift, h, v in zip(shifts_of(got, adjusted, 1), got.heading_rad, got.covariance, strict=True):
        assert shift.offset_rad == pytest.approx(float(h[0] - got.heading_rad[0, 0]), abs=1e-9)
        assert shift.variance_rad2 + adjusted.covariance[1, 1] == pytest.approx(float(v[0, 0]) + own**2, rel=1e-6)


def test_mixture_of_shifts_is_wider_than_its_likeliest_part() -> None:
    one = (AzimuthMode(0.0, 0.05, 1.0),)
    both = shifted(one, (Shift(0.0, 0.0, 0.7), Shift(0.3, 0.01, 0.3)))
    assert sum(b.probability for b in both) == pytest.approx(1.0)
    assert mixture_u95(both) > 3.0 * mixture_u95(one)
    assert shifted(one, (Shift(0.0, 0.0, 1.0),)) == one


# ---- whole sites ----------------------------------------------------------------------------------------------------


def off_by(site: Any, name: str, deg: float) -> Any:
    """The site's network with one photo's compass wrong by some degrees."""

    def one(p: Any) -> Any:
        if p.name != name:
            return p
        return replace(p, headings=tuple(replace(a, value_rad=a.value_rad + np.radians(deg)) for a in p.headings))

    return build([one(p) for p in site.network.photos], site.network.antennas, 1.2)


def error_deg(site: Any, got: NetworkSolution, antenna: str) -> float:
    k = site.layout.antenna(antenna)[0]
    return float(wrap_deg(np.degrees(got.adjusted.x[k] - site.truth[k])))


@pytest.fixture(scope="module")
def three(kit) -> Any:
    """Three photos between the sectors, no landmark: headings from compasses, baselines and each other."""
    return kit.make_site(
        tuple(
            kit.Station(name=f"p{k}", bearing_deg=80.0 + 120.0 * k, distance_m=60.0, sees=s)
            for k, s in enumerate((("a", "b"), ("b", "c"), ("c", "a")))
        ),
        {"a": 20.0, "b": 140.0, "c": 260.0},
    )


@pytest.mark.parametrize("deg", [25.0, -40.0, 90.0, 170.0])
@pytest.mark.parametrize("photo", ["p0", "p2"])
def test_a_disturbed_compass_is_named_and_spoils_nothing(three, photo: str, deg: float) -> None:
    got = solve_network(off_by(three, photo, deg))
    assert got.compasses is not None
    assert got.compasses.likeliest == {photo}
    for a in "abc":
        assert abs(error_deg(three, got, a)) < np.degrees(stated_u95(got, a))
        assert abs(error_deg(three, got, a)) < 1.5


def test_fine_compasses_are_not_accused(three, kit) -> None:
    rng = np.random.default_rng(11)
    accused = 0
    for _ in range(40):
        deg = rng.normal(0, 6.0, 3)
        net = three.network
        photos = [
            replace(p, headings=tuple(replace(a, value_rad=a.value_rad + np.radians(d)) for a in p.headings))
            for p, d in zip(net.photos, deg, strict=True)
        ]
        got = solve_network(build(photos, net.antennas, 1.2))
        assert got.compasses is not None
        accused += len(got.compasses.likeliest)
    assert accused <= 6  # of 120: 5 per cent


def test_where_nothing_else_speaks_the_uncertainty_says_so(kit) -> None:
    """One photo from a place hardly known: a compass of 6 degrees may be one of 35, and then nobody can tell.

    With a good position the baseline tells. What 95 % of the mixture needs, by its quantile.
    """

    def u95(gnss_m: float) -> float:
        site = kit.make_site(
            (kit.Station(name="p", bearing_deg=80.0, distance_m=50.0, sees=("a",)),),
            {"a": 60.0},
            setting=kit.Setting(gnss_m=gnss_m),
        )
        return float(np.degrees(stated_u95(solve_network(site.network), "a")))

    assert u95(1.0) < 6.0
    alone = u95(400.0)

    def inside(r: float) -> float:
        return sum(p * (norm.cdf(r / s) - norm.cdf(-r / s)) for p, s in ((1 - SHARE, 6.0), (SHARE, 35.0)))

    assert inside(alone) == pytest.approx(0.95, abs=0.02)
    assert alone > 2.5 * 1.96 * 6.0
