"""Drawn readings: right ones against the norths' own conversion, wrong ones as often as is known of readings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from photoaz.accuracy import readings
from photoaz.accuracy.readings import draw_register
from photoaz.angles import difference_deg
from photoaz.geodesy.norths import to_true
from photoaz.priors import Priors
from photoaz.quantities import K95
from photoaz.register.model import Antenna

SITES = 1500


@pytest.fixture(scope="module")
def drawn():
    """Sites with their antennas' true azimuths, and their readings; the declination is the model's."""
    rng = np.random.default_rng(12)
    out = []
    for k in range(SITES):
        site = draw_register(rng, f"S{k}")
        hung = {a.antenna_id: float(a.design_azimuth_deg + rng.normal(0.0, 3.0)) % 360.0 for a in site.antennas}
        out.append((hung, readings.draw_readings(rng, site, hung, 0.0, Priors())))
    return out


def errors_of(hung, got):
    """By antenna what a reading, carried to true north, is off over its standard uncertainty."""
    out = {}
    for a in got.site.antennas:
        r = a.reading
        place = {"lat_deg": got.site.lat_deg, "lon_deg": got.site.lon_deg, "when": r.date}
        true = to_true(r.azimuth_deg, r.north, **place).azimuth_deg
        out[a.antenna_id] = float(difference_deg(true, hung[a.antenna_id])) / (r.u95_deg / K95)
    return out


def test_right_readings_err_as_they_say(drawn):
    """Normal; that they are rounded to a tenth of a degree adds 0.03 to sigmas of 0.5 and more."""
    z = [errors_of(hung, got)[n] for hung, got in drawn for n, right in got.right.items() if right]
    assert len(z) > 2000
    assert stats.kstest(z, "norm").pvalue > 1e-3


def test_some_are_wrong_as_often_as_is_known(drawn):
    """Of sites' first antennas: no single fault, no fault of reference that all readings have. Exchanges leave some."""
    known = Priors().readings
    firsts = [next(iter(got.right.values())) for _, got in drawn if got.right]
    # the least and the most that exchanges can do; declinations are of the north of each site
    common = known.common_offset_share + known.all_reversed_share
    reference = known.declination_omitted_share + known.declination_sign_share + known.declination_twice_share
    exchanged = known.sectors_exchanged_share + known.pair_exchanged_share + known.far_pair_exchanged_share
    exchanged += known.other_antenna_share + known.far_antenna_share
    most = (1.0 - known.faulty_share) * (1.0 - common - known.declination_sign_share)
    least = (1.0 - known.faulty_share) * (1.0 - common - reference - known.grid_for_true_share) * (1.0 - exchanged)
    right, n = sum(firsts), len(firsts)
    assert stats.binom.ppf(5e-4, n, least) <= right <= stats.binom.ppf(1.0 - 5e-4, n, most)


def test_wrong_ones_are_wrong(drawn):
    """Most are off by more than right ones are; a small declination, or grid for true, may hide."""
    z = np.array([errors_of(hung, got)[n] for hung, got in drawn for n, right in got.right.items() if not right])
    assert np.mean(np.abs(z) > 3.0) > 0.6


def test_turned_since_says_where_it_hung(drawn):
    """Such a reading is not right any more, though it errs from how the antenna hung as the site's others do."""
    assert not any(got.right[n] for _, got in drawn for n in got.turned_deg)
    z = [errors_of(hung, got)[n] for hung, got in drawn for n in got.turned_deg if any(got.right.values())]
    assert len(z) > 10
    assert np.mean(np.abs(z) < 4.0) > 0.8


def test_sectors_pass_their_readings_on():
    """Three sectors of two, one and one antennas: two exchanged (3 ways), or all round (2); the nearest stands in."""
    row = {"rad_center_m": 30.0}
    antennas = [
        Antenna(antenna_id=f"{s}{p}", sector=s, position=p, design_azimuth_deg=azimuth, **row)
        for s, p, azimuth in (("A", 1, 10.0), ("A", 2, 10.0), ("B", 1, 130.0), ("C", 1, 250.0))
    ]
    got = sorted(tuple(int(i) for i in source) for source in readings._of_sectors(antennas))
    by_hand = [(0, 1, 3, 2), (2, 2, 0, 3), (3, 3, 2, 0), (2, 2, 3, 0), (3, 3, 0, 2)]
    assert got == sorted(by_hand)
