"""Propagation of distributions through a whole site (JCGM 101:2008) against the covariance that the package states.

Three sectors of two antennas, four photos, a mast on a hill. Everything that the facts state is drawn anew from its
stated standard uncertainty about the truth; outlines are moved by draws of their own information; then the site is
built and adjusted from the package's own starting values, with all non-linearity.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from photoaz.network.adjust import adjust
from photoaz.network.observations import Direct
from photoaz.network.site import azimuth_of_mode, build
from photoaz.quantities import K95

DRAWS = 500
#: two-sided probability with which a sound covariance fails a single comparison; there are 6 antennas, 5 kinds
FAILS = 1e-4


@dataclass(frozen=True, slots=True)
class Drawn:
    """off_deg (DRAWS, antennas): adjusted less true azimuths. covariance_deg2: as stated at the truth."""

    off_deg: np.ndarray
    covariance_deg2: np.ndarray

    @property
    def sigma_deg(self) -> np.ndarray:
        return np.sqrt(np.diag(self.covariance_deg2))


def whole_site(kit: Any) -> Any:
    """Outlines of which all eight corners are known, so that their information has full rank and can be drawn from."""
    stations = (
        kit.Station(name="p1", bearing_deg=62.0, distance_m=48.0, sees=("a1", "a2", "b1", "b2"), landmarks=("mast",)),
        kit.Station(name="p2", bearing_deg=185.0, distance_m=62.0, sees=("b1", "b2", "c1", "c2"), roll_deg=-1.1),
        kit.Station(name="p3", bearing_deg=301.0, distance_m=55.0, sees=("a1", "a2", "c1", "c2"), roll_deg=0.2),
        kit.Station(name="p4", bearing_deg=355.0, distance_m=80.0, sees=("a1", "a2", "c2")),
    )
    azimuths = {"a1": 5.0, "a2": 18.0, "b1": 120.0, "b2": 131.0, "c1": 238.0, "c2": 250.0}
    return kit.make_site(
        stations, azimuths, setting=kit.Setting(corners=8), landmarks={"mast": (-820.0, -500.0, 330.0)}
    )


def moved(mode: Any, rng: np.random.Generator) -> Any:
    """The mode as another photo of the same scene would give it: off by a draw of its information's inverse."""
    assert np.linalg.matrix_rank(mode.root) == 8
    off = np.linalg.pinv(mode.root) @ rng.standard_normal(len(mode.root))
    return replace(
        mode,
        rotation=Rotation.from_rotvec(off[:3]).as_matrix() @ mode.rotation,
        centre_px=mode.centre_px + off[3:5],
        ln_size=mode.ln_size + off[5:],
    )


def drawn_photo(p: Any, enu: dict[str, np.ndarray], rng: np.random.Generator) -> Any:
    def angles(given: Any) -> Any:
        return tuple(replace(a, value_rad=a.value_rad + a.sigma_rad * rng.standard_normal()) for a in given)

    return replace(
        p,
        headings=angles(p.headings),
        pitches=angles(p.pitches),
        rolls=angles(p.rolls),
        standpoints=tuple((en + sigma * rng.standard_normal(2), sigma, s) for en, sigma, s in p.standpoints),
        up_m=p.up_m + p.up_sigma_m * rng.standard_normal(),
        ln_focal=p.ln_focal + p.camera.f_relative_sigma * rng.standard_normal(),
        aids=tuple(
            replace(s, enu_m=enu[s.name], pixel=s.pixel + s.sigma_px * rng.standard_normal(2)) for s in p.landmarks
        ),
        boxes={name: tuple(moved(m, rng) for m in modes) for name, modes in p.boxes.items()},
    )


def drawn_antenna(a: Any, rng: np.random.Generator) -> Any:
    return replace(
        a,
        east_north_m=a.east_north_m + a.offset_sigma_m * rng.standard_normal(2),
        up_m=a.up_m + a.up_sigma_m * rng.standard_normal(),
        ln_size=a.ln_size + a.ln_size_sigma * rng.standard_normal(3),
        downtilt_rad=a.downtilt_rad + a.downtilt_sigma_rad * rng.standard_normal(),
    )


#: what `build` itself states, always zero, and so has to be drawn after it
OF_BUILD = ("register position", "principal point", "plumb mounting assumed")


def one_draw(net: Any, site_sigma_m: float, rng: np.random.Generator) -> Any:
    sights = {s.name: s for p in net.photos for s in p.landmarks}
    enu = {
        n: s.enu_m + np.array([s.sigma_m, s.sigma_m, s.height_sigma_m]) * rng.standard_normal(3)
        for n, s in sights.items()
    }
    photos = [drawn_photo(p, enu, rng) for p in net.photos]
    again = build(photos, [drawn_antenna(a, rng) for a in net.antennas], site_sigma_m)
    observations = [
        replace(o, value=o.value + o.sigma * rng.standard_normal())
        if isinstance(o, Direct) and o.source in OF_BUILD
        else o
        for o in again.observations({(p.name, a): 0 for p in photos for a in p.boxes})
    ]
    start = again.start.copy()
    for p in reversed(photos):
        for name, modes in p.boxes.items():
            start[again.layout.antenna(name)[0]] = azimuth_of_mode(p, modes[0])
    got = adjust(observations, start)
    assert got.converged
    return got


@pytest.fixture(scope="module")
def drawn(kit: Any) -> Drawn:
    built = whole_site(kit)
    rng = np.random.default_rng(1012008)
    ks = np.array([built.layout.antenna(n)[0] for n in built.layout.antennas])
    off = np.array([one_draw(built.network, kit.Setting().site_m, rng).x[ks] for _ in range(DRAWS)]) - built.truth[ks]
    stated = adjust(built.observations, built.truth).covariance[np.ix_(ks, ks)]
    return Drawn(np.degrees((off + np.pi) % (2 * np.pi) - np.pi), stated * np.degrees(1.0) ** 2)


def test_the_site_is_as_hard_as_real_ones(drawn):
    """Neither hopeless nor exact: a landmark and four photos give some tenths of a degree."""
    assert ((drawn.sigma_deg > 0.2) & (drawn.sigma_deg < 3.0)).all()


def test_variances_are_within_their_chi_square_bounds(drawn):
    """(n - 1) s^2 / sigma^2 is chi-square with n - 1 degrees of freedom where the stated sigma is right."""
    ratio = (DRAWS - 1) * drawn.off_deg.var(0, ddof=1) / drawn.sigma_deg**2
    low, high = stats.chi2.ppf([FAILS / 2, 1 - FAILS / 2], DRAWS - 1)
    assert ((low < ratio) & (ratio < high)).all(), np.sqrt(ratio / (DRAWS - 1))


def test_all_azimuths_together_have_the_covariance_stated(drawn):
    """Squared Mahalanobis distances of the draws are chi-square with as many degrees of freedom as antennas."""
    d2 = np.einsum("ni,ij,nj->n", drawn.off_deg, np.linalg.inv(drawn.covariance_deg2), drawn.off_deg)
    low, high = stats.chi2.ppf([FAILS / 2, 1 - FAILS / 2], DRAWS * len(drawn.sigma_deg))
    assert low < d2.sum() < high, d2.mean() / len(drawn.sigma_deg)
    assert stats.kstest(d2, stats.chi2(len(drawn.sigma_deg)).cdf).pvalue > FAILS


def test_azimuths_are_not_biased(drawn):
    error = drawn.off_deg.mean(0) / (drawn.sigma_deg / np.sqrt(DRAWS))
    assert np.abs(error).max() < stats.norm.isf(FAILS / 2), error


def numerical_tolerance(u: float, digits: int) -> float:
    """JCGM 101, 7.9.2: u = c 10^l with an integer c of so many digits; the tolerance is half of 10^l."""
    exponent = int(np.floor(np.log10(u))) - digits + 1
    if round(u / 10.0**exponent) == 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent


def test_numerical_tolerance_of_the_guides_examples():
    """JCGM 101, examples of 7.9.2 (from memory): 0.35 mg at two digits gives 0.005 mg, 2 K at one digit 0.5 K."""
    assert numerical_tolerance(0.00035, 2) == pytest.approx(0.000005)
    assert numerical_tolerance(2.0, 1) == pytest.approx(0.5)


def test_95_percent_interval_agrees_to_one_digit(drawn):
    """JCGM 101, clause 8: ends of y +- U against those of the draws' probabilistically symmetric interval.

    Tolerance for one digit of u; a quantile of this many draws is itself uncertain by sqrt(p (1 - p) / n) / density,
    of which FAILS allows 3.9.
    """
    low, high = np.quantile(drawn.off_deg, [0.025, 0.975], axis=0)
    at = stats.norm.ppf(0.975)
    sampling = np.sqrt(0.025 * 0.975 / DRAWS) / stats.norm.pdf(at) * stats.norm.isf(FAILS / 2)
    for k, u in enumerate(drawn.sigma_deg):
        allowed = numerical_tolerance(float(u), 1) + sampling * u
        assert abs(-K95 * u - low[k]) < allowed
        assert abs(K95 * u - high[k]) < allowed


def test_intervals_cover(drawn):
    covered = (np.abs(drawn.off_deg) <= K95 * drawn.sigma_deg).sum(0)
    low, high = stats.binom.ppf([FAILS / 2, 1 - FAILS / 2], DRAWS, 0.95)
    assert ((low <= covered) & (covered <= high)).all(), covered / DRAWS
