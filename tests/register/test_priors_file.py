"""Priors as a user gives them: a TOML file, its faults, and what the hypotheses come to for one antenna."""

from __future__ import annotations

import tomllib
from dataclasses import asdict, fields

import numpy as np
import pytest

from photoaz.errors import InputError
from photoaz.priors import AntennasKnown, Priors, ReadingsKnown, SitesKnown, keys_of
from photoaz.register.priors import priors_text, read_priors


def written(tmp_path, text):
    path = tmp_path / "priors.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_is_not_named_stays_as_it_is(tmp_path):
    got = read_priors(written(tmp_path, "# ours\n[antennas]\nturned_share = 0.08\n[compasses]\ndisturbed_share=0.4\n"))
    assert got.antennas == AntennasKnown(turned_share=0.08)
    assert got.compasses.disturbed_share == 0.4
    assert (got.sites, got.readings) == (SitesKnown(), ReadingsKnown())
    assert read_priors(written(tmp_path, "")) == Priors()


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("[antennas]\nturned_share = 1\n", 2, "turned_share = 1; wanted a share above 0 and below 1"),
        ("[antennas]\nturned_share = nan\n", 2, "wanted a share above 0 and below 1"),
        ("[antennas]\n\nturned_sigma_deg = 0\n", 3, "turned_sigma_deg = 0; wanted degrees above 0"),
        ("[sites]\nerror_sigma_deg = 'wide'\n", 2, "error_sigma_deg = 'wide'; wanted degrees"),
        ("[sites]\nerror_share = true\n", 2, "error_share = True; wanted a share"),
        ("[antennas]\nturned_shares = 0.1\n", 2, "the key 'turned_shares' in [antennas]; wanted turned_share (is that"),
        ("[antenna]\nturned_share = 0.1\n", 1, "'antenna'; wanted antennas (is that meant?)"),
        ("wrong_share = 0.1\n", 1, "'wrong_share'; wanted it under [readings]"),
        ("# first\nsites = 3\n", 2, "sites = 3; wanted a table, [sites]"),
        ("[sites]\nerror_share = = 2\n", 2, "no TOML"),
        ("[readings]\nwrong_share = 0.99\n", 1, "the shares of faults of single readings of [readings] come to 1.03"),
        # the same key under two tables: the line is that of the right one
        ("[sites]\nerror_share = 0.1\n[compasses]\nerror_share = 0.1\n", 4, "the key 'error_share' in [compasses]"),
    ],
)
def test_faults_of_a_priors_file(tmp_path, text, line, said):
    path = written(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_priors(path)
    (fault,) = caught.value.faults
    assert (fault.file, fault.line) == (path, line)
    assert said in str(fault)


def test_all_faults_at_once(tmp_path):
    with pytest.raises(InputError) as caught:
        read_priors(written(tmp_path, "[sites]\nerror_share = 2\nerror = 1\n[odd]\n"))
    assert [f.line for f in caught.value.faults] == [2, 3, 4]


def test_what_is_written_can_be_read(tmp_path):
    everything = {t: {k: (v, "") for k, v in keys.items()} for t, keys in asdict(Priors()).items()}
    text = priors_text(everything)
    assert read_priors(written(tmp_path, text)) == Priors()
    assert {t: tuple(k) for t, k in tomllib.loads(text).items()} == keys_of()
    assert set(keys_of()) == {f.name for f in fields(Priors)}


def test_priors_that_are_none():
    with pytest.raises(ValueError, match="turned_share"):
        Priors(antennas=AntennasKnown(turned_share=0.0))
    with pytest.raises(ValueError, match="exchanges"):
        Priors(readings=ReadingsKnown(sectors_exchanged_share=0.9, pair_exchanged_share=0.1))


def test_an_antenna_of_any_site_by_draws_of_the_hypotheses():
    # a site is built right or wrong, an antenna hangs as designed, turned, or anywhere: numpy's draws of just that
    rng, n = np.random.default_rng(3), 400_000
    known = Priors(
        antennas=AntennasKnown(turned_share=0.2, turned_sigma_deg=20.0, as_designed_spread=0.4),
        sites=SitesKnown(error_share=0.1, error_sigma_deg=12.0),
    )
    turned = rng.random(n) < 0.2
    off = rng.normal(0.0, np.where(turned, 20.0, 0.4 * 5.0))
    off += np.where(rng.random(n) < 0.1, rng.normal(0.0, 12.0, n), 0.0)
    off = np.where(turned & (rng.random(n) < known.antennas.turned_anywhere_share), rng.uniform(-180, 180, n), off)
    from scipy.stats import norm

    parts = known.deviations(5.0)
    assert sum(share for share, _ in parts) == pytest.approx(1.0)
    for limit in (1.0, 2.5, 5.0, 10.0, 30.0):
        inside = [2.0 * norm.cdf(limit / s) - 1.0 if np.isfinite(s) else limit / 180.0 for _, s in parts]
        p = float(np.dot([share for share, _ in parts], inside))
        assert np.mean(np.abs(off) <= limit) == pytest.approx(p, abs=4.0 * np.sqrt(p * (1 - p) / n))
