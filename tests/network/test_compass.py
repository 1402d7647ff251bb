"""Compasses with heavy tails: a site's posterior against integration and enumeration, and what they do at a site."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal, norm

from photoaz.angles import COMPASS, Angle, wrap_deg, wrap_rad
from photoaz.network.adjust import adjust
from photoaz.network.compass import CompassError, is_compass, likeliest_disturbed
from photoaz.network.observations import Direct, Known, Observation
from photoaz.network.opened import UNKNOWN_RAD
from photoaz.network.site import build
from photoaz.network.solution import NetworkSolution, solve_network
from photoaz.quantities import COMPASS_DISTURBED_RAD as DISTURBED_RAD
from photoaz.quantities import COMPASS_DISTURBED_SHARE as SHARE
from photoaz.quantities import SHAPE_SIGMA_RAD, ZERO_HEADING_SHARE

Array = NDArray[Any]

GOOD = float(np.radians(6.0))
#: of probabilities: what is less probable than a ten-millionth is dropped, headings are held within a turn at all times
SAME = 2e-3


# ---- the state to adjust with ---------------------------------------------------------------------------------------


def heading(k: int, value: float, sigma: float = GOOD) -> Direct:
    return Direct(COMPASS, "compass", np.array([k]), value, sigma, angle=True, testable=True)


def enumerated(
    values: Array, mean: Array, cov: Array, share: Array | float = SHARE, wide: Array | float = DISTURBED_RAD
) -> dict[tuple[bool, ...], float]:
    """Posterior of every combination, by scipy's density of the readings under it."""
    n = len(values)
    out = {}
    for s in itertools.product([False, True], repeat=n):
        sigma = np.where(s, wide, GOOD)
        prior = float(np.prod(np.where(s, share, 1 - np.asarray(share))))
        out[s] = prior * float(multivariate_normal(mean, cov + np.diag(sigma**2)).pdf(values))
    total = sum(out.values())
    return {s: p / total for s, p in out.items()}


@pytest.mark.parametrize("seed", range(8))
def test_the_likeliest_state_is_that_of_the_readings_densities(seed: int) -> None:
    """scipy.stats.multivariate_normal as the reference."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 5))
    a = rng.normal(0, 0.08, (n, n))
    cov, mean = a @ a.T + np.diag(rng.uniform(0.03, 0.2, n) ** 2), rng.normal(0, 0.1, n)
    values = mean + rng.normal(0, np.where(rng.random(n) < 0.4, 0.6, 0.1))
    root = np.linalg.inv(np.linalg.cholesky(cov))
    obs: list[Observation] = [Known("rest", "", np.arange(n), mean, root, np.zeros(n))]
    obs += [heading(k, float(v)) for k, v in enumerate(values)]
    # some were never read: exactly zero
    compasses = [
        Angle(value_rad=v, sigma_rad=GOOD, source=COMPASS, label="", placeholder_share=p)
        for v, p in zip(values, rng.choice([0.0, ZERO_HEADING_SHARE], n), strict=True)
    ]
    share, wide = np.array([a.doubted(SHARE, DISTURBED_RAD) for a in compasses]).T
    errors = [
        CompassError(
            owner=f"p{k}",
            photos=(f"p{k}",),
            index=(k,),
            said_rad=float(values[k]),
            parts=((1.0 - share[k], GOOD), (share[k], wide[k])),
        )
        for k in range(n)
    ]
    got = likeliest_disturbed(obs, adjust(obs, mean.copy()), errors)
    want = enumerated(values, mean, cov, share, wide)
    best = max(want, key=lambda s: want[s])
    assert got == {(k,) for k in range(n) if best[k]}


def test_what_nobody_read_may_be_anything() -> None:
    """The share and variance of drawn errors: read and good, read and disturbed, not read and anywhere."""
    rng = np.random.default_rng(1)
    n, p = 400_000, ZERO_HEADING_SHARE
    disturbed = np.where(rng.random(n) < SHARE, rng.normal(0, DISTURBED_RAD, n), np.nan)
    error = np.where(rng.random(n) < p, rng.uniform(-np.pi, np.pi, n), disturbed)
    share, sigma = Angle(value_rad=0.0, sigma_rad=GOOD, source=COMPASS, label="", placeholder_share=p).doubted(
        SHARE, DISTURBED_RAD
    )
    off = error[~np.isnan(error)]
    assert share == pytest.approx(len(off) / n, abs=0.005)
    assert sigma == pytest.approx(float(np.sqrt(np.mean(off**2))), rel=0.01)


# ---- the posterior of a site ----------------------------------------------------------------------------------------


def rest_of(got: NetworkSolution) -> tuple[Array, Array]:
    """Mean and covariance of all unknowns without any compass, from the adjustment's own rows by numpy."""
    rows = [s for o, s in zip(got.observations, got.adjusted.rows, strict=True) if not is_compass(o)]
    j = np.concatenate([got.adjusted.jacobian[s] for s in rows])
    r = np.concatenate([got.adjusted.residual[s] for s in rows])
    unit = 1.0 / np.linalg.norm(j, axis=0)
    cov = np.linalg.inv((j * unit).T @ (j * unit)) * unit[:, None] * unit
    return got.adjusted.x - cov @ (j.T @ r), cov


def read_as(site: Any, off_deg: Array) -> Any:
    """The site's network with every photo's compass off by so many degrees."""
    photos = [
        replace(p, headings=tuple(replace(a, value_rad=a.value_rad + np.radians(d)) for a in p.headings))
        for p, d in zip(site.network.photos, off_deg, strict=True)
    ]
    return build(photos, site.network.antennas, 1.2)


def states_of(got: NetworkSolution, unknown: int) -> tuple[dict[tuple[bool, ...], float], Array, Array]:
    """Every combination's probability, and an unknown's mean and sigma under each: scipy and the normal equations."""
    mean, cov = rest_of(got)
    layout = got.network.layout
    idx = np.array([layout.photo(p, "heading")[0] for p in layout.photos])
    at = mean[idx]
    said = np.array([p.headings[0].value_rad for p in got.network.photos])
    values = at + wrap_rad(said - at)
    weight = enumerated(values, at, cov[np.ix_(idx, idx)])
    means, sigmas = [], []
    for s in weight:
        spread = cov[np.ix_(idx, idx)] + np.diag(np.where(s, DISTURBED_RAD, GOOD) ** 2)
        gain = np.linalg.solve(spread, cov[idx, unknown])
        means.append(mean[unknown] + gain @ (values - at))
        sigmas.append(np.sqrt(cov[unknown, unknown] - gain @ cov[idx, unknown]))
    return weight, np.array(means), np.array(sigmas)


def assert_same(mixture: Any, weight: Array, mean: Array, sigma: Array, abs_: float) -> None:
    """Cumulative probabilities over the whole of what is possible."""
    for at in np.linspace(mixture.value.min() - 0.3, mixture.value.max() + 0.3, 41):
        want = weight @ (norm.cdf(at, mean, sigma) - norm.cdf(at - np.pi, mean, sigma))
        assert float(mixture.between(at - np.pi, at)) == pytest.approx(want, abs=abs_)


def ring(kit: Any, photos: int, gnss_m: float = 4.0) -> Any:
    """Photos about a tower of three sectors, no landmark, each of two of them."""
    stations = tuple(
        kit.Station(
            name=f"p{k}",
            bearing_deg=80.0 + 360.0 * k / photos,
            distance_m=60.0 + k,
            sees=(("a", "b"), ("b", "c"), ("c", "a"))[3 * k // photos],
        )
        for k in range(photos)
    )
    return kit.make_site(stations, {"a": 20.0, "b": 140.0, "c": 260.0}, setting=kit.Setting(gnss_m=gnss_m))


@pytest.mark.parametrize("seed", range(6))
def test_disturbed_compasses_headings_and_azimuths_by_enumeration(kit, seed: int) -> None:
    """Three or four photos whose compasses are off as they may be: 8 or 16 combinations."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 5))
    off_deg = rng.normal(0, np.where(rng.random(n) < 0.4, 35.0, 6.0))
    got = solve_network(read_as(ring(kit, n), off_deg))
    layout = got.network.layout
    for p in layout.photos:
        weight, mean, sigma = states_of(got, int(layout.photo(p, "heading")[0]))
        share = np.array([sum(w for s, w in weight.items() if s[k]) for k in range(n)])
        told = np.array([got.posterior.disturbed[q] for q in layout.photos])
        assert told == pytest.approx(share, abs=SAME)
        assert_same(got.posterior.headings[p].mixture, np.array([*weight.values()]), mean, sigma, SAME)
    for a in layout.antennas:
        weight, mean, sigma = states_of(got, int(layout.antenna(a, "azimuth")[0]))
        wide = np.hypot(sigma, SHAPE_SIGMA_RAD)
        assert_same(got.posterior.antennas[a].mixture, np.array([*weight.values()]), mean, wide, SAME)


def test_one_heading_against_integration(kit) -> None:
    """Mean and variance of the heading of one photo by numerical integration over it."""
    site = kit.make_site((kit.Station(name="p", bearing_deg=80.0, distance_m=50.0, sees=("a",)),), {"a": 60.0})
    got = solve_network(read_as(site, np.array([25.0])))
    k = int(site.layout.photo("p", "heading")[0])
    mean, cov = rest_of(got)
    value = site.truth[k] + np.radians(25.0)
    h = mean[k] + np.linspace(-2, 2, 200001)
    likelihood = (1 - SHARE) * norm(h, GOOD).pdf(value) + SHARE * norm(h, DISTURBED_RAD).pdf(value)
    # heading and azimuth, which follow each other here, are each held within about a turn of where they came to rest
    held = norm(got.adjusted.x[k], UNKNOWN_RAD / np.sqrt(2.0)).pdf(h)
    p = norm(mean[k], np.sqrt(cov[k, k])).pdf(h) * likelihood * held
    p /= p.sum()
    want_mean = float((p * h).sum())
    want_var = float((p * (h - want_mean) ** 2).sum())
    m = got.posterior.headings["p"].mixture
    off = wrap_rad(m.value - want_mean)
    assert float(m.weight @ off) == pytest.approx(0.0, abs=1e-4)
    assert float(m.weight @ (m.sigma**2 + off**2)) == pytest.approx(want_var, rel=1e-3)


def test_many_compasses_are_weighed_without_trying_all(kit) -> None:
    """Nine of which two are far off: found, and each as probable as all 512 combinations make it."""
    rng = np.random.default_rng(4)
    off_deg = rng.normal(0, 6.0, 9)
    off_deg[[3, 8]] = 52.0, -40.0
    got = solve_network(read_as(ring(kit, 9), off_deg))
    assert got.disturbed == {"p3", "p8"}
    weight, _, _ = states_of(got, 0)
    for k, p in enumerate(got.network.layout.photos):
        want = sum(w for s, w in weight.items() if s[k])
        assert got.posterior.disturbed[p] == pytest.approx(want, abs=0.02)


# ---- whole sites ----------------------------------------------------------------------------------------------------


def off_by(site: Any, name: str, deg: float) -> Any:
    """The site's network with one photo's compass wrong by some degrees."""
    return read_as(site, np.array([deg * (p.name == name) for p in site.network.photos]))


def error_deg(site: Any, got: NetworkSolution, antenna: str) -> float:
    told = got.posterior.antennas[antenna].told.azimuth_rad
    return float(wrap_deg(np.degrees(told - site.truth[site.layout.antenna(antenna)[0]])))


@pytest.fixture(scope="module")
def three(kit) -> Any:
    """Three photos between the sectors, no landmark: headings from compasses, baselines and each other."""
    return ring(kit, 3)


@pytest.mark.parametrize("deg", [25.0, -40.0, 90.0, 170.0])
@pytest.mark.parametrize("photo", ["p0", "p2"])
def test_a_disturbed_compass_is_named_and_spoils_nothing(three, photo: str, deg: float) -> None:
    got = solve_network(off_by(three, photo, deg))
    assert got.disturbed == {photo}
    assert {p for p, share in got.posterior.disturbed.items() if share > 0.5} == {photo}
    for a in "abc":
        assert abs(error_deg(three, got, a)) < np.degrees(got.posterior.antennas[a].u95_rad)
        assert abs(error_deg(three, got, a)) < 1.5


def never_read(network: Any, photo: str) -> Any:
    """The network with one photo's heading exactly zero, as far as that matters: probably a placeholder."""
    photos = [
        replace(p, headings=tuple(replace(h, placeholder_share=ZERO_HEADING_SHARE) for h in p.headings))
        if p.name == photo
        else p
        for p in network.photos
    ]
    return build(photos, network.antennas, 1.2)


@pytest.mark.parametrize("deg", [0.0, 60.0, 150.0])
def test_a_heading_of_zero_is_believed_as_far_as_the_others_bear_it_out(three, deg: float) -> None:
    """Right, it is more probably read than not; wrong, it is taken for a placeholder, and spoils nothing."""
    got = solve_network(never_read(off_by(three, "p1", deg), "p1"))
    p = got.posterior.disturbed["p1"]
    assert p < ZERO_HEADING_SHARE if deg == 0.0 else p > 0.99
    for a in "abc":
        assert abs(error_deg(three, got, a)) < np.degrees(got.posterior.antennas[a].u95_rad)


def test_fine_compasses_are_not_accused(three) -> None:
    rng = np.random.default_rng(11)
    accused = 0
    for _ in range(40):
        got = solve_network(read_as(three, rng.normal(0, 6.0, 3)))
        accused += sum(share > 0.5 for share in got.posterior.disturbed.values())
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
        return float(np.degrees(solve_network(site.network).posterior.antennas["a"].u95_rad))

    assert u95(1.0) < 6.0
    alone = u95(400.0)

    def inside(r: float) -> float:
        return sum(p * (norm.cdf(r / s) - norm.cdf(-r / s)) for p, s in ((1 - SHARE, 6.0), (SHARE, 35.0)))

    assert inside(alone) == pytest.approx(0.95, abs=0.02)
    assert alone > 2.5 * 1.96 * 6.0
