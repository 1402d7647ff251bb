"""Azimuths by photos and readings together, against the conditional normal distribution worked out with numpy."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest

from photoaz.judgement.exchanges import Swap
from photoaz.judgement.fault_search import FaultState, azimuths_given
from photoaz.judgement.judge import judge_site
from photoaz.judgement.reading_faults import Case, facts_of, faults_of, references_of
from photoaz.priors import Priors
from photoaz.quantities import K95
from photoaz.register.model import Antenna, Reading, Site
from photoaz.result import (
    Alternative,
    AntennaResult,
    AzimuthCovariance,
    ById,
    Design,
    EvidenceView,
    JudgedReading,
    SiteResult,
)

MEAN = np.array([20.0, 140.0, 260.0])
COVARIANCE = np.array([[4.0, 1.5, 1.0], [1.5, 3.0, 0.8], [1.0, 0.8, 6.0]])
SHARED, OWN = 0.8, np.array([0.7, 1.1, 0.5])  # one sigma: of the declination in all readings, and of each by itself
READ = np.array([22.0, 139.0, 263.5])
AS_IS = np.arange(3)
STATE = FaultState(0, 0, (), 0.0, 0.0)


def facts(read=READ, declination=0.0, other=None):
    """Three antennas; other: (azimuth, sigma) that the first points to with 0.3."""
    cases = []
    for k, name in enumerate(("A1", "B1", "C1")):
        sigma = math.sqrt(COVARIANCE[k, k])
        ways = (Alternative(azimuth_true_deg=MEAN[k], u95_deg=K95 * sigma, probability=1.0),)
        if other is not None and k == 0:
            second = Alternative(azimuth_true_deg=other[0], u95_deg=K95 * other[1], probability=0.3)
            ways = (Alternative(azimuth_true_deg=MEAN[k], u95_deg=K95 * sigma, probability=0.7), second)
        design = Design(azimuth_true_deg=MEAN[k])
        found = AntennaResult(antenna_id=name, status="estimated", declination_sigma_deg=declination, design=design)
        antenna = Antenna(antenna_id=name, rad_center_m=30.0, design_azimuth_deg=MEAN[k])
        reading = JudgedReading(
            azimuth_true_deg=float(read[k] % 360.0),
            u95_deg=K95 * math.hypot(SHARED, OWN[k]),
            declination_u95_deg=K95 * SHARED,
        )
        stated = Reading(azimuth_deg=float(read[k] % 360.0), north="magnetic", u95_deg=1.0)
        cases.append(Case(antenna=antenna, stated=stated, reading=reading, found=found, photos=ways, known=ways))
    return facts_of(cases, COVARIANCE, (), Priors())


def conditional(read, mean=MEAN, covariance=COVARIANCE, declination=0.0, source=AS_IS):
    """Azimuths a ~ N(mean, covariance), of which -declination x is the declination's part (x standard normal);
    readings a[source] + SHARED x + own: mean and variances of a given the readings, by the matrices of all of them."""
    pick = np.eye(3)[source]
    # of (a, x, own) the covariance, and what the readings make of them
    whole = np.zeros((7, 7))
    whole[:3, :3] = covariance
    whole[:3, 3] = whole[3, :3] = -declination
    whole[3, 3] = 1.0
    whole[4:, 4:] = np.diag(OWN**2)
    to = np.hstack([pick, np.full((3, 1), SHARED), np.eye(3)])
    gain = whole @ to.T @ np.linalg.inv(to @ whole @ to.T)
    rest = whole - gain @ to @ whole
    return mean + (gain @ (read - mean[source]))[:3], np.diag(rest)[:3]


@pytest.mark.parametrize("declination", [0.0, 0.6])
def test_photos_and_readings_together(declination):
    f = facts(declination=declination)
    ref = references_of(f)[0]
    (got,) = azimuths_given(f, ref, Swap(1.0, AS_IS), faults_of(f, ref), [STATE])
    wanted = conditional(READ, declination=declination)
    assert got[0] == pytest.approx(wanted[0], abs=1e-6)
    assert got[1] == pytest.approx(wanted[1], abs=1e-6)


def test_readings_that_are_all_turned():
    f = facts(READ + 180.0)
    ref = next(r for r in references_of(f) if r.cause == "reversed_180" and r.who.all())
    (got,) = azimuths_given(f, ref, Swap(1.0, AS_IS), faults_of(f, ref), [STATE])
    assert got[0] == pytest.approx(conditional(READ)[0], abs=1e-6)


def state_with(f, ref, kind, elsewhere):
    """The first antenna's fault of a kind, pointing elsewhere or not."""
    singles = faults_of(f, ref)
    some = [k for k, what in enumerate(singles.kind) if what == kind and bool(singles.elsewhere[k]) is elsewhere]
    (k,) = [k for k in some if singles.index[k] == 0]
    return singles, k


@pytest.mark.parametrize(("kind", "turned"), [("other way", 0.0), ("reversed_180", 180.0)])
def test_an_antenna_that_points_another_way(kind, turned):
    # 65 with a sigma of 3: its own variance, the others' covariances with it as they were
    read = np.array([66.0 + turned, *READ[1:]])
    f = facts(read, other=(65.0, 3.0))
    ref = references_of(f)[0]
    singles, k = state_with(f, ref, kind, elsewhere=True)
    state = FaultState(0, 0, ((0, k),), 0.0, 0.0)
    (got,) = azimuths_given(f, ref, Swap(1.0, AS_IS), singles, [state])
    covariance = COVARIANCE.copy()
    covariance[0, 0] = 9.0
    wanted = conditional(read - [turned, 0.0, 0.0], np.array([65.0, *MEAN[1:]]), covariance)
    assert got[0] % 360.0 == pytest.approx(wanted[0], abs=1e-6)
    assert got[1] == pytest.approx(wanted[1], abs=1e-6)


def test_exchanged_readings_of_one_that_points_another_way():
    # the second reading was taken off the first antenna, which points to 65
    read = np.array([138.0, 66.0, READ[2]])
    f = facts(read, other=(65.0, 3.0))
    ref = references_of(f)[0]
    singles, k = state_with(f, ref, "other way", elsewhere=True)
    source = np.array([1, 0, 2])
    about = singles.about(np.zeros(3), source)
    assert about.index[k] == 1
    (got,) = azimuths_given(f, ref, Swap(1.0, source), singles, [FaultState(0, 1, ((1, k),), 0.0, 0.0)])
    covariance = COVARIANCE.copy()
    covariance[0, 0] = 9.0
    wanted = conditional(read, np.array([65.0, *MEAN[1:]]), covariance, source=source)
    assert got[0] == pytest.approx(wanted[0], abs=1e-6)
    assert got[1] == pytest.approx(wanted[1], abs=1e-6)


# ---- one posterior ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("p_right", [0.6, 0.75, 0.9])
@pytest.mark.parametrize("off", [20.0, 60.0])
def test_a_right_reading_says_where_the_antenna_points(p_right, off):
    """Photos off with one doubtful view, the reading as designed and good to a sigma of 0.5 within a tolerance of 5.

    Where the reading is right, the antenna is in tolerance to 10 sigmas: P(out) is no more than 1 - p_right.
    """
    antenna = Antenna(
        antenna_id="A1",
        rad_center_m=30.0,
        design_azimuth_deg=120.0,
        reading=Reading(azimuth_deg=120.0, north="true", u95_deg=0.5 * K95),
    )
    site = Site(site_id="S", lat_deg=45.0, lon_deg=7.0, antennas=(antenna,))
    view = EvidenceView(
        photo="p", view="face", corners_px=(), width_px=30.0, yaw_deg=0.0, quality=0.9, name_probability=p_right
    )
    found = AntennaResult(
        antenna_id="A1", status="estimated", azimuth_true_deg=120.0 + off, u95_deg=3.0, evidence=(view,)
    )
    result = SiteResult(
        site_id="S",
        lat_deg=45.0,
        lon_deg=7.0,
        photos=ById(()),
        antennas=ById((found,)),
        azimuth_covariance=AzimuthCovariance(antenna_ids=("A1",), deg2=(((3.0 / K95) ** 2,),)),
    )
    judged = judge_site(site, result, {"A1": date(2026, 5, 1)}).antennas["A1"]
    right, out = judged.reading.p_right, judged.design.p_out_of_tolerance
    assert 0.0 < right < 1.0
    assert out <= 1.0 - right + 0.01
    assert judged.reading.no_fault == pytest.approx(right, abs=0.01)
