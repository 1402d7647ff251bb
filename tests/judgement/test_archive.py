"""What an archive tells of its own antennas: against draws whose truth is known, and scipy's beta distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from photoaz.judgement.archive import LEAST, Archive, hung_of, share_of
from photoaz.judgement.conformity import Part
from photoaz.priors import Priors
from photoaz.quantities import K95
from photoaz.register.priors import priors_text, read_priors
from photoaz.result import AntennaResult, ById, Cause, Design, JudgedReading, PhotoResult, SiteResult


@pytest.mark.parametrize(("k", "n"), [(0, 30), (3, 30), (30, 30), (40, 900)])
def test_certain_ones_give_the_beta_distribution(k, n):
    got = share_of(np.where(np.arange(n) < k, 1e12, 0.0))
    beta = stats.beta(k + 0.5, n - k + 0.5)
    assert got.n == n
    assert got.share == pytest.approx(beta.mean(), abs=2e-4)
    assert (got.low, got.high) == pytest.approx(beta.ppf([0.025, 0.975]), abs=1e-3)


def test_what_says_nothing_leaves_jeffreys_prior():
    got = share_of(np.ones(50))
    assert (got.low, got.high) == pytest.approx(stats.beta(0.5, 0.5).ppf([0.025, 0.975]), abs=1e-3)


def drawn(rng, n, share, far_deg, spread, sigma_deg):
    turned = rng.random(n) < share
    tolerance = rng.choice([3.0, 5.0], n)
    off = rng.normal(0.0, np.where(turned, far_deg, spread * tolerance)) + rng.normal(0.0, sigma_deg)
    return [
        (float(t), (Part(deviation_deg=float(d), sigma_deg=float(s)),))
        for t, d, s in zip(tolerance, off, sigma_deg, strict=True)
    ]


def test_how_antennas_hang_is_found_again():
    # 25 archives of 150 antennas, measured to 1 to 6 degrees: 95 % intervals hold the truth in at least 20 of them
    # (fewer has a probability of 0.1 %, binomial), and the spreads are right on the whole
    rng = np.random.default_rng(5)
    held, spreads, far = 0, [], []
    for _ in range(25):
        sigma = rng.uniform(1.0, 6.0, 150)
        got = hung_of(drawn(rng, 150, 0.2, 25.0, 0.4, sigma))
        held += got.turned.low <= 0.2 <= got.turned.high
        spreads.append(got.as_designed_spread)
        far.append(got.turned_sigma_deg)
    assert held >= 20
    assert np.median(spreads) == pytest.approx(0.4, abs=0.05)
    assert np.median(far) == pytest.approx(25.0, abs=3.0)


def test_wide_measurements_do_not_make_turned_antennas():
    # counted verdicts would: nearly half of these lie out of tolerance as measured
    rng = np.random.default_rng(6)
    some = drawn(rng, 300, 0.0, 1.0, 0.4, np.full(300, 6.0))
    assert np.mean([abs(p[0].deviation_deg) > t for t, p in some]) > 0.4
    assert hung_of(some).turned.share < 0.1


def antenna(name, deviation, u95, causes=()):
    reading = JudgedReading(azimuth_true_deg=100.0, u95_deg=2.0, p_right=0.9, causes=causes)
    return AntennaResult(
        antenna_id=name,
        status="estimated",
        azimuth_true_deg=100.0 + deviation,
        u95_deg=u95,
        reading=reading,
        design=Design(azimuth_true_deg=100.0, deviation_deg=deviation, tolerance_deg=5.0),
    )


def site(name, deviations, u95=2.0, causes=(), p_compass=0.0):
    return SiteResult(
        site_id=name,
        lat_deg=0.0,
        lon_deg=0.0,
        antennas=ById(antenna(f"A{k}", d, u95, causes) for k, d in enumerate(deviations)),
        photos=ById([PhotoResult(photo=f"{name}.jpg", status="used", p_compass_disturbed=p_compass)]),
    )


def test_an_archive_tells_what_can_be_given_again(tmp_path):
    archive, rng = Archive(), np.random.default_rng(7)
    wrong = (Cause(cause="reading_wrong", probability=0.999, antennas=("A0",)),)
    for k in range(40):
        deviations = rng.normal(0.0, 2.0, 3) + np.array([40.0 if k % 4 == 0 else 0.0, 0.0, 0.0])
        archive.add(site(f"S{k}", deviations, causes=wrong if k % 10 == 0 else (), p_compass=0.999 * (k % 2)))
    told = archive.told()
    assert told.turned.n == 120
    assert told.turned.low < 10 / 120 < told.turned.high
    assert told.turned_sigma_deg == pytest.approx(40.0, abs=4.0)
    assert told.as_designed_spread == pytest.approx(np.sqrt(2.0**2 - (2.0 / K95) ** 2) / 5.0, abs=0.1)
    assert told.disturbed.share == pytest.approx(stats.beta(20.5, 20.5).mean(), abs=0.01)
    assert told.faults["wrong_share"].share == pytest.approx(stats.beta(12.5, 108.5).mean(), abs=0.01)
    path = tmp_path / "priors.toml"
    path.write_text(priors_text(told.values()), encoding="utf-8")
    got = read_priors(path)
    assert got.antennas.turned_share == pytest.approx(told.turned.share, rel=1e-3)
    assert got.readings.declination_sign_share == Priors().readings.declination_sign_share
    assert f"of 120 antennas turned, by some {told.turned_sigma_deg:.0f}°" in told.text()


def test_few_antennas_tell_nothing():
    archive = Archive()
    archive.add(site("S", [0.0] * (LEAST - 1)))
    archive.add(site("T", [0.0], u95=120.0))  # not measured
    assert archive.told() is None


def test_none_turned_still_leaves_some_possible():
    archive = Archive()
    archive.add(site("S", list(np.linspace(-2.0, 2.0, LEAST))))
    told = archive.told()
    assert 0.0 < told.turned.share < told.turned.high < 0.25
    assert told.turned_sigma_deg is None
