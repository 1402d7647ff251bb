"""The weighing of hypotheses against enumeration by scipy's densities, quadrature, and a general-purpose sampler."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import emcee
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal, norm

from photoaz.network.hypotheses import Part, Piece, States, melted, weigh, weigh_all_but_one, with_piece
from photoaz.network.mixture import Mixture
from photoaz.network.opened import Group
from photoaz.network.posterior import _marginals

Array = NDArray[Any]


def problem(rng: np.random.Generator, rows: int, pieces: int, several: int = 0) -> tuple[Array, Array, list[Piece]]:
    """A normal distribution of some rows, and pieces of three parts; values small beside a turn.

    several: pieces of which the first two parts state all rows.
    """
    a = rng.normal(0, 0.1, (rows, rows))
    covariance = a @ a.T + np.diag(rng.uniform(0.05, 0.2, rows) ** 2)
    out = []
    for k in range(pieces):
        share = rng.dirichlet(np.ones(3))
        row = int(rng.integers(rows))
        parts = [
            Part(math.log(share[0]), row, float(rng.normal(0, 0.1)), 0.03),
            Part(math.log(share[1]), int(rng.integers(rows)), float(rng.normal(0, 0.2)), 0.2),
            Part(math.log(share[2]), row),
        ]
        for n in range(2 if k < several else 0):
            others = tuple((r, float(rng.normal(0, 0.1)), 0.05 * (n + 1)) for r in range(rows) if r != parts[n].row)
            parts[n] = replace(parts[n], further=others, counted=float(rng.normal(1.0, 1.0)))
        out.append(Piece("outline", None, tuple(parts)))
    return rng.normal(0, 0.05, rows), covariance, out


def enumerated(mean: Array, covariance: Array, pieces: list[Piece]) -> dict[tuple[int, ...], tuple[float, Array]]:
    """Weight and posterior mean of every combination: scipy.stats.multivariate_normal and the normal equations."""
    out = {}
    for picked in itertools.product(*(range(len(p.parts)) for p in pieces)):
        parts = [p.parts[k] for p, k in zip(pieces, picked, strict=True)]
        silent = sum(math.isinf(p.sigma) for p in parts)
        told = [(p.row, p.value, p.sigma) for p in parts if math.isfinite(p.sigma)]
        told += [one for p in parts for one in p.further]
        ln = sum(p.ln_weight - p.counted for p in parts) - silent * math.log(2 * math.pi)
        h = np.zeros((len(told), len(mean)))
        h[range(len(told)), [row for row, _, _ in told]] = 1.0
        r = np.diag([sigma**2 for _, _, sigma in told]) if told else np.zeros((0, 0))
        posterior = mean
        if told:
            value = np.array([value for _, value, _ in told])
            ln += multivariate_normal(h @ mean, h @ covariance @ h.T + r).logpdf(value)
            info = np.linalg.inv(covariance) + h.T @ np.linalg.inv(r) @ h
            posterior = np.linalg.solve(info, np.linalg.solve(covariance, mean) + h.T @ np.linalg.solve(r, value))
        out[picked] = float(ln), posterior
    top = max(v[0] for v in out.values())
    total = sum(math.exp(v[0] - top) for v in out.values())
    return {k: (math.exp(v[0] - top) / total, v[1]) for k, v in out.items()}


@pytest.mark.parametrize(("seed", "several"), [*((k, 0) for k in range(6)), (6, 2), (7, 2), (8, 5)])
def test_states_are_those_of_brute_force(seed: int, several: int) -> None:
    mean, covariance, pieces = problem(np.random.default_rng(seed), 3, 5, several)
    got = weigh(States.begin(mean, covariance), pieces, most=10_000)
    want = enumerated(mean, covariance, pieces)
    assert sum(got.weight) == pytest.approx(1.0)
    for w, m, picked in zip(got.weight, got.mean, got.picked, strict=True):
        weight, posterior = want[tuple(picked.tolist())]
        assert w == pytest.approx(weight, rel=1e-4, abs=1e-9)  # states below 1e-7 are dropped
        assert m == pytest.approx(posterior, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_all_pieces_but_one_are_those_of_brute_force(seed: int) -> None:
    mean, covariance, pieces = problem(np.random.default_rng(seed), 3, 5)
    got = weigh_all_but_one(States.begin(mean, covariance), pieces, [1, 2, 4], most=10_000, wanted=[0])
    assert sorted(got) == [1, 2, 4]
    for k, states in got.items():
        want = enumerated(mean, covariance, [*pieces[:k], *pieces[k + 1 :]]).values()
        at = states.place[0]
        assert states.weight @ states.mean[:, at] == pytest.approx(sum(w * m[0] for w, m in want), abs=1e-5)
        square = sum(w * (m[0] - states.weight @ states.mean[:, at]) ** 2 for w, m in want)
        spread = states.weight @ (states.mean[:, at] - states.weight @ states.mean[:, at]) ** 2
        assert spread == pytest.approx(square, rel=1e-3, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_melting_keeps_moments_and_weight(seed: int) -> None:
    """Mean and covariance of the whole mixture, from their definition."""
    mean, covariance, pieces = problem(np.random.default_rng(seed), 3, 4)
    whole = weigh(States.begin(mean, covariance), pieces, most=10_000)
    few = melted(whole, 4, [0, 1, 2])
    assert len(few) == 4

    def moments(s: States) -> tuple[Array, Array]:
        m = s.weight @ s.mean
        off = s.mean - m
        return m, np.einsum("s,sij->ij", s.weight, s.covariance + off[:, :, None] * off[:, None, :])

    for got, want in zip(moments(few), moments(whole), strict=True):
        assert got == pytest.approx(want, abs=1e-10)


def site(rng: np.random.Generator) -> tuple[Array, Array, list[Group]]:
    """Two antennas seen in two photos (azimuths 0, 1; headings 2, 3; the four views 4 to 7), and two compasses."""
    spread = np.diag([2.5, 2.5, 0.12, 0.15]) ** 2
    see = np.array([[1, 0, -1, 0], [1, 0, 0, -1], [0, 1, -1, 0], [0, 1, 0, -1.0]])
    rows = np.vstack([np.eye(4), see])
    covariance = rows @ spread @ rows.T + np.diag([0.0] * 4 + [0.01**2] * 4)
    groups = []
    for a in range(2):
        parts = []
        for k in range(2):
            value = float(rng.normal(0, 0.03) + (0.5 if rng.random() < 0.4 else 0.0))
            row = 4 + 2 * a + k
            mine = [Part(math.log(0.8), row, value, 0.03), Part(math.log(0.08), row, value, 0.5)]
            parts.append(Piece("outline", f"p{k}", (*mine, Part(math.log(0.12), row))))
        groups.append(Group(f"a{a}", a, 0.0, tuple(parts)))
    for k in range(2):
        value = float(rng.normal(0, 0.1))
        compass = Part(math.log(0.8), 2 + k, value, 0.1), Part(math.log(0.2), 2 + k, value, 0.6)
        groups.append(Group(f"p{k}", 2 + k, 0.0, (Piece("compass", f"p{k}", compass),)))
    return np.zeros(8), covariance, groups


def ln_density(x: Array, mean: Array, covariance: Array, groups: list[Group]) -> Array:
    """Log of prior times likelihood of azimuths and headings (..., 4), the views' own errors integrated over."""
    rows = np.vstack([np.eye(4), [[1, 0, -1, 0], [1, 0, 0, -1], [0, 1, -1, 0], [0, 1, 0, -1.0]]])
    out: Array = np.asarray(multivariate_normal(mean[:4], covariance[:4, :4]).logpdf(x))
    at = x @ rows.T
    for g in groups:
        for piece in g.pieces:
            density = np.zeros(x.shape[:-1])
            for p in piece.parts:
                own = 0.01 if p.row >= 4 else 0.0
                if math.isinf(p.sigma):
                    density += math.exp(p.ln_weight) / (2 * math.pi)
                else:
                    sigma = math.hypot(p.sigma, own)
                    height = math.exp(p.ln_weight) / (sigma * math.sqrt(2 * math.pi))
                    density += height * np.exp(-0.5 * ((at[..., p.row] - p.value) / sigma) ** 2)
            out = out + np.log(density)
    return out


@pytest.mark.parametrize("seed", [2, 5])
def test_marginals_of_a_small_site_against_a_sampler(seed: int) -> None:
    """emcee (affine-invariant ensemble sampler, D. Foreman-Mackey et al., PASP 125 (2013) 306) on the same densities.

    Others' evidence is melted to some states, and a walk has its own noise: cumulative probabilities agree to 0.03.
    """
    rng = np.random.default_rng(seed)
    mean, covariance, groups = site(rng)
    got = _marginals(States.begin(mean, covariance), groups)
    np.random.seed(seed)  # noqa: NPY002 (the sampler draws its moves there)
    walkers = 100
    # begun everywhere: what is right and wrong makes separate peaks
    begin = rng.normal(0, 1, (walkers, 4)) * [0.6, 0.6, 0.15, 0.15]
    moves = [(emcee.moves.DEMove(), 0.5), (emcee.moves.DEMove(gamma0=1.0), 0.3), (emcee.moves.StretchMove(), 0.2)]
    sampler = emcee.EnsembleSampler(
        walkers, 4, ln_density, args=(mean, covariance, groups), vectorize=True, moves=moves
    )
    sampler.run_mcmc(begin, 1500)
    draws = sampler.get_chain(discard=300, thin=5, flat=True)
    for g in groups:
        m: Mixture = got[g.row].mixture
        for at in np.quantile(draws[:, g.row], [0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98]):
            within = (draws[:, g.row] > at - math.pi) & (draws[:, g.row] <= at)
            assert float(m.between(at - math.pi, at)) == pytest.approx(float(within.mean()), abs=0.03)


@pytest.mark.parametrize("seed", range(6))
def test_marginals_are_those_of_all_states(seed: int) -> None:
    """The halves of a site, melted, against every state of the whole."""
    mean, covariance, groups = site(np.random.default_rng(seed))
    got = _marginals(States.begin(mean, covariance), groups)
    whole = weigh(States.begin(mean, covariance), [p for g in groups for p in g.pieces], most=10_000)
    for g in groups:
        sigma = np.sqrt(whole.covariance[:, g.row, g.row])
        want = Mixture(whole.weight, whole.mean[:, g.row], sigma)
        at = np.linspace(-1.0, 1.0, 41)
        assert got[g.row].mixture.between(at - math.pi, at) == pytest.approx(want.between(at - math.pi, at), abs=0.01)


def test_a_site_of_one_antenna_against_quadrature() -> None:
    """One azimuth seen in two photos that disagree, headings known: the density on a grid, by its definition."""
    covariance = np.diag([2.5**2, 1e-8, 1e-8, 2.5**2 + 1e-8, 2.5**2 + 1e-8])
    covariance[0, 3:] = covariance[3:, 0] = covariance[3, 4] = covariance[4, 3] = 2.5**2
    views = []
    for k, value in enumerate((0.0, 0.4)):
        views.append(
            Piece("outline", f"p{k}", (Part(math.log(0.9), 3 + k, value, 0.02), Part(math.log(0.1), 3 + k)))
        )  # fmt: skip
    groups = [Group("a", 0, 0.0, tuple(views)), Group("p0", 1, 0.0, ()), Group("p1", 2, 0.0, ())]
    got = _marginals(States.begin(np.zeros(5), covariance), groups)[0]
    x = np.linspace(-12.0, 12.0, 1_200_001)
    density = norm(0, 2.5).pdf(x)
    for value in (0.0, 0.4):
        density = density * (0.9 * norm(value, 0.02).pdf(x) + 0.1 / (2 * math.pi))
    density /= density.sum()
    for low, high in ((-0.1, 0.1), (0.3, 0.5), (0.02, 0.42)):
        want = float(density[(x > low) & (x < high)].sum())
        assert float(got.mixture.between(low, high)) == pytest.approx(want, abs=2e-3)
    right = [float(p[0]) for p in got.parts]
    assert right[0] == pytest.approx(float(density[np.abs(x) < 0.15].sum()), abs=5e-3)
    # never both, they are twenty sigmas apart; neither, where the density is flat
    flat = (np.abs(x) > 0.15) & (np.abs(x - 0.4) > 0.15)
    assert sum(right) == pytest.approx(1.0 - float(density[flat].sum()), abs=0.01)


def test_two_views_that_agree_raise_each_other() -> None:
    """By Bayes' theorem worked by hand: odds p / q each, times the density of agreeing over the flat one."""
    sigma, p = 0.02, 0.8
    covariance = np.array([[2.5**2] * 3] * 3) + np.diag([0.0, 1e-10, 1e-10])
    views = [
        Piece("outline", f"p{k}", (Part(math.log(p), 1 + k, 0.0, sigma), Part(math.log(1 - p), 1 + k)))
        for k in range(2)
    ]
    states = weigh(States.begin(np.zeros(3), covariance), views, most=10)
    both = float(states.weight[(states.picked == 0).all(1)].sum())
    flat = 1 / (2 * math.pi)
    one = p * (1 - p) * flat * norm(0, math.hypot(2.5, sigma)).pdf(0)
    together = p * p * multivariate_normal(np.zeros(2), 2.5**2 + sigma**2 * np.eye(2)).pdf(np.zeros(2))
    want = together / (together + 2 * one + (1 - p) ** 2 * flat**2)
    assert both == pytest.approx(want, rel=1e-6)
    assert both > 0.96 > p


def test_a_piece_that_says_nothing_changes_nothing() -> None:
    mean, covariance, _ = problem(np.random.default_rng(0), 2, 0)
    states = with_piece(States.begin(mean, covariance), Piece("hung", None, (Part(0.0, 1),)))
    assert states.mean[0] == pytest.approx(mean)
    assert states.covariance[0] == pytest.approx(covariance)


# ---- the distribution of one angle -----------------------------------------------------------------------------------


def test_probability_of_an_arc_is_the_wrapped_normal_s() -> None:
    """scipy.stats.norm summed over turns: the wrapped normal distribution (Mardia and Jupp, 2000, 3.5.7)."""
    m = Mixture(np.array([1.0]), np.array([2.9]), np.array([0.6]))
    turns = 2 * math.pi * np.arange(-3, 4)
    want = float((norm.cdf(-2.0 + turns, 2.9, 0.6) - norm.cdf(-math.pi + turns, 2.9, 0.6)).sum())
    assert float(m.between(-math.pi, -2.0)) == pytest.approx(want, abs=1e-12)


def test_u95_of_one_normal_and_of_a_flat_one() -> None:
    one = Mixture(np.array([1.0]), np.array([1.0]), np.array([0.05]))
    assert one.u95_about(1.0) == pytest.approx(1.959964 * 0.05, rel=1e-6)
    half_flat = Mixture(np.array([0.5, 0.5]), np.array([1.0, 1.0]), np.array([0.05, 2.5]))
    # half of it within some tenths, 0.9 of the flat half within 0.9 of half a turn
    assert half_flat.u95_about(1.0) == pytest.approx(0.9 * math.pi, rel=1e-6)


def test_peaks_are_the_distinct_values() -> None:
    m = Mixture(np.array([0.5, 0.2, 0.25, 0.05]), np.array([0.1, 0.11, 2.0, 0.3]), np.array([0.02, 0.02, 0.05, 2.5]))
    first, second = m.peaks()
    assert (first.probability, second.probability) == (pytest.approx(0.7), pytest.approx(0.25))
    assert first.azimuth_rad == pytest.approx((0.5 * 0.1 + 0.2 * 0.11) / 0.7)
    assert second.azimuth_rad == pytest.approx(2.0)
