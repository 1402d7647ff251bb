"""Likely causes: planted faults of invented sites, calibration of the probabilities, and cases by hand."""

from __future__ import annotations

import collections
import math
from datetime import date

import numpy as np
import pytest

from photoaz import quantities as q
from photoaz.judgement.causes import likely_causes
from photoaz.judgement.reasons import cause_sentence
from photoaz.priors import Priors, ReadingsKnown
from photoaz.quantities import COMMON_OFFSET_SIGMA_DEG
from photoaz.register.model import Antenna
from photoaz.result import Alternative

from .sites import DECLINATION_SIGMA_DEG, Invented, case, explained, turned

# ---------------------------------------------------------------------------------------------------------------------
# Invented sites


# Named right among the antennas concerned: at least; a wrong name at most. The rest is left open (null). What remains
# is in the draws: an angle within the uncertainty of the site's heading may be any of several.
@pytest.mark.parametrize(
    ("fault", "named", "right", "wrong"),
    [
        ("omitted", "declination_omitted", 0.9, 0.05),
        ("sign", "declination_sign", 0.9, 0.05),
        ("twice", "declination_sign", 0.8, 0.05),
        ("magnetic corrected already", "declination_sign", 0.8, 0.05),
        ("grid", "grid_for_true", 0.85, 0.05),
        ("common", "common_offset", 0.9, 0.05),
        ("reversed all", "reversed_180", 0.95, 0.05),
        ("reversed", "reversed_180", 0.9, 0.05),
        ("sectors", "sectors_swapped", 0.95, 0.05),
        ("pair", "sectors_swapped", 0.95, 0.05),
        ("ring", "sectors_swapped", 0.95, 0.05),
        ("transposed", "digits_transposed", 0.85, 0.1),
        ("wrong", "reading_wrong", 0.85, 0.1),
        ("turned before", "antenna_turned", 0.95, 0.05),
        ("turned since", "antenna_turned", 0.9, 0.05),
    ],
)
def test_planted_faults(fault, named, right, wrong):
    """Of 25 sites, so of 25 readings at least: where 90 % are asked for, 75 % pass one time in thirty."""
    rng = np.random.default_rng(5)
    count: collections.Counter[str | None] = collections.Counter()
    beside: collections.Counter[str | None] = collections.Counter()
    for _ in range(25):
        site = Invented(rng, fault)
        for a, concerned in zip(site.readings(), site.about, strict=True):
            (count if concerned else beside)[a.likely_cause] += 1
    total = sum(count.values())
    said = f"{fault}: {dict(count)}, beside {dict(beside)}"
    assert count[named] >= right * total, said
    assert total - count[named] - count[None] <= wrong * total, said
    assert sum(beside.values()) - beside[None] <= 0.01 * sum(beside.values()), said


@pytest.fixture(scope="module")
def by_priors():
    """200 sites, faults of reference drawn as often as the priors say: site, what is wrong (or None), readings."""
    rng = np.random.default_rng(9)
    shifts = {  # of a declination d
        None: (0.3, lambda d: 0.0),
        "declination_omitted": (q.DECLINATION_OMITTED_SHARE, lambda d: -d),
        "declination_sign": (q.DECLINATION_SIGN_SHARE, lambda d: -2.0 * d),
        "twice": (q.DECLINATION_TWICE_SHARE, lambda d: d),
        "common_offset": (q.COMMON_OFFSET_SHARE, lambda d: rng.normal(0.0, COMMON_OFFSET_SIGMA_DEG)),
    }
    part = np.array([p for p, _ in shifts.values()])
    out = []
    for _ in range(200):
        site = Invented(rng, "none")
        truth = list(shifts)[rng.choice(len(shifts), p=part / part.sum())]
        shift = shifts[truth][1](site.cases[0].declination.value_deg + rng.normal(0.0, DECLINATION_SIGMA_DEG))
        site.cases = [turned(c, shift, stated=shift) for c in site.cases]
        out.append((site, "declination_sign" if truth == "twice" else truth, site.readings()))
    return out


@pytest.mark.parametrize("fault", ["none", "magnetic"])
def test_nothing_is_named_where_nothing_is_wrong(fault, by_priors):
    rng = np.random.default_rng(6)
    sites = [(site, readings) for site, truth, readings in by_priors if truth is None]
    if fault == "magnetic":
        sites = [(site, site.readings()) for site in (Invented(rng, fault) for _ in range(101))]
    assert len(sites) > 100
    alarms = {
        id(site)
        for site, readings in sites
        for a, out in zip(readings, site.out_of_tolerance, strict=True)
        if a.likely_cause is not None and not (out and a.likely_cause == "antenna_turned")
    }
    assert len(alarms) <= 0.02 * len(sites)


@pytest.mark.parametrize("fault", ["omitted", "sign"])
def test_a_declination_too_small_to_be_told_is_not_named(fault):
    rng = np.random.default_rng(8)
    named = total = 0
    for _ in range(30):
        antennas = Invented(rng, fault, declination=0.3).readings()
        named += sum(a.likely_cause is not None for a in antennas)
        total += len(antennas)
    assert named <= 0.01 * total


def test_probabilities_are_those_of_hits(by_priors):
    # of those named, as many are right as their probabilities say
    first = [(readings[0], truth) for _, truth, readings in by_priors if readings[0].likely_cause is not None]
    hits = [reading.likely_cause == truth for reading, truth in first]
    p = np.array([reading.causes[0].probability for reading, _ in first])
    assert len(hits) > 50
    assert abs(np.sum(hits) - p.sum()) <= 3.0 * math.sqrt(np.sum(p * (1.0 - p))) + 1.0  # 3 sigma, and one to round


def test_the_order_of_antennas_is_irrelevant():
    rng = np.random.default_rng(4)
    for fault in ("omitted", "pair", "none", "wrong"):
        site = Invented(rng, fault)
        order = rng.permutation(len(site.cases))
        shuffled = explained([site.cases[k] for k in order], site.covariance[np.ix_(order, order)]).readings
        assert shuffled == explained(site.cases, site.covariance).readings


def test_turning_everything_changes_nothing():
    # north has no special place: only digits, and so transpositions, depend on it
    rng = np.random.default_rng(14)
    site = Invented(rng, "omitted")
    plain = site.readings()
    for turn in (90.0, 180.5, 359.0):
        moved = [turned(c, turn, design=turn, estimate=turn) for c in site.cases]
        for a, b in zip(plain, explained(moved, site.covariance).readings.values(), strict=True):
            assert a.likely_cause == b.likely_cause
            assert a.no_fault == pytest.approx(b.no_fault, abs=1e-9)


# ---------------------------------------------------------------------------------------------------------------------
# By hand


def told(cases, sigma=0.7, **fields):
    """Readings in the order of the cases, and the site's causes."""
    got = explained(cases, sigma**2 * np.eye(len(cases)), **fields)
    return list(got.readings.values()), got.causes


def told_of(name, cases, **fields):
    return explained(cases, 0.7**2 * np.eye(len(cases)), **fields).readings[name]


def test_three_sectors_without_declination_and_one_reversed():
    cases = [case("A1", 8.1, 20.0), case("A2", 8.2, 20.4), case("B1", 308.3, 140.2), case("C1", 247.9, 260.1)]
    readings, site = told(cases)
    assert [a.likely_cause for a in readings] == ["declination_omitted"] * 2 + [
        "reversed_180",
        "declination_omitted",
    ]
    assert [c.cause for c in readings[2].causes] == ["reversed_180", "declination_omitted"]  # both at work
    assert [(c.cause, c.antennas) for c in site.causes] == [
        ("declination_omitted", ("A1", "A2", "C1")),
        ("reversed_180", ("B1",)),
    ]
    assert "declination left out (A1, A2, C1; odds " in site.sentence


def test_three_gross_faults_do_not_accuse_the_others():
    """Nine panels in three sectors; three readings are 18, 179 and 29 degrees off, the others fit within 1 degree.

    While only two faults are allowed for, an exchange with a common angle looks better than one gross fault too many.
    """
    off = [-1.0, -0.4, 0.4, -18.0, -0.2, -1.0, 178.8, 28.5, -0.7]
    names = [f"{sector}{k}" for sector in "ABC" for k in (1, 2, 3)]
    azimuths = [1.5, 353.7, 1.7, 132.1, 101.2, 131.9, 249.5, 246.6, 249.8]
    cases = [
        case(name, (azimuth + more) % 360.0, azimuth, design_deg={"A": 0.0, "B": 130.0, "C": 250.0}[name[0]])
        for name, azimuth, more in zip(names, azimuths, off, strict=True)
    ]
    common = np.where(np.isin(names, ("B2", "C2")), 0.1, 1.1)
    shared = np.outer(common, common) + np.diag(np.where(common < 1.0, 1.3, 0.4) ** 2)
    readings = explained(cases, shared).readings
    wrong = {name for name, angle in zip(names, off, strict=True) if abs(angle) > 10.0}
    assert {name for name, said in readings.items() if said.p_right < 0.5} == wrong


def test_two_explanations_of_the_same_angle_are_named_together():
    # declination and convergence alike: nothing tells the two apart
    cases = [
        case(f"{s}1", e - 3.0, e, declination_deg=3.0, convergences_deg=(3.0,))
        for s, e in zip("ABC", (20.5, 140.2, 260.4), strict=True)
    ]
    for a in told(cases, 0.3)[0]:
        assert a.likely_cause is None
        assert set(a.not_told_apart) == {"declination_omitted", "grid_for_true"}
        assert "do not tell these apart" in cause_sentence(a)


def test_a_transposition_that_is_a_reversal_is_both():
    # 135 and 315
    cases = [case("A1", 20.2, 20.0), case("B1", 315.0, 135.3), case("C1", 260.2, 260.0)]
    got = told_of("B1", cases)
    assert {c.cause for c in got.causes} == {"reversed_180", "digits_transposed"}


def test_only_the_readings_of_one_day_lack_the_declination():
    old = [case(f"{s}1", e - 12.0, e, day=date(2001, 5, 1)) for s, e in zip("ABC", (20.0, 140.3, 260.1), strict=True)]
    new = [case(f"{s}2", e, e, day=date(2024, 5, 1)) for s, e in zip("ABC", (21.0, 139.8, 260.4), strict=True)]
    assert [a.likely_cause for a in told(old + new)[0]] == ["declination_omitted"] * 3 + [None] * 3


def test_grid_and_magnetic_mixed_up_are_named_by_their_words():
    places = list(zip("ABC", (20.0, 140.0, 260.0), strict=True))
    # stated grid, entered as true: carrying it over has added the convergence to a true azimuth
    grid = [case(f"{s}1", e + 2.5, e, stated_deg=e, stated_north="grid", convergences_deg=(2.5,)) for s, e in places]
    assert {a.likely_cause for a in told(grid, 0.2)[0]} == {"grid_for_true"}
    # stated magnetic, corrected already: the declination is added once more
    twice = [case(f"{s}1", e + 12.0, e, stated_deg=e, stated_north="magnetic") for s, e in places]
    assert {a.likely_cause for a in told(twice)[0]} == {"declination_sign"}
    # stated true, corrected the wrong way
    sign = [case(f"{s}1", e - 24.0, e) for s, e in places]
    assert {a.likely_cause for a in told(sign)[0]} == {"declination_sign"}


def test_who_is_off_the_design_tells_wrong_from_turned():
    others = [case("A1", 20.2, 20.0), case("C1", 260.2, 260.0)]
    wrong = told_of("B1", [*others, case("B1", 152.3, 140.1, design_deg=140.0)])
    since = told_of("B1", [*others, case("B1", 140.1, 152.3, design_deg=140.0)])
    before = told_of("B1", [*others, case("B1", 152.3, 152.1, design_deg=140.0)])
    assert (wrong.likely_cause, since.likely_cause, before.likely_cause) == (
        "reading_wrong",
        "antenna_turned",
        "antenna_turned",
    )
    # within the tolerance nobody calls it turned
    assert told_of("B1", [*others, case("B1", 143.2, 143.0, design_deg=140.0)]).likely_cause is None


def test_a_reading_taken_off_an_antenna_without_an_estimate():
    cases = [case("A1", 20.2, 20.0), case("B1", 260.4, 140.1), case("A2", 19.8, 20.1)]
    alone = told_of("B1", cases)
    c1 = Antenna(antenna_id="C1", rad_center_m=30.0, design_azimuth_deg=260.0, sector="C", position=1)
    beside = told_of("B1", cases, others=[(c1, 260.0)])
    assert alone.likely_cause == "reading_wrong"
    assert beside.likely_cause == "sectors_swapped"


def test_an_estimate_that_may_be_another_azimuth_saves_the_reading():
    others = [case("A1", 20.2, 20.0), case("C1", 260.2, 260.0)]
    sure = case("B1", 161.0, 140.0, design_deg=161.0)
    other = Alternative(azimuth_true_deg=161.3, u95_deg=2.0, probability=0.3)
    either = case("B1", 161.0, 140.0, design_deg=161.0, alternatives=(other,))
    assert told_of("B1", [*others, sure]).likely_cause is not None
    assert told_of("B1", [*others, either]).likely_cause is None


def test_an_estimate_whose_name_is_unsure_accuses_nobody():
    others = [case("A1", 20.2, 20.0), case("C1", 260.2, 260.0)]
    unsure = case("B1", 140.2, 153.0, design_deg=140.0, name_probability=0.6)
    assert told_of("B1", [*others, unsure]).likely_cause is None
    assert told_of("B1", [*others, case("B1", 140.2, 153.0, design_deg=140.0)]).likely_cause == "antenna_turned"


def test_errors_and_the_empty_site():
    assert explained([], np.zeros((0, 0))).readings == {}
    with pytest.raises(ValueError, match="row and a column"):
        likely_causes([case("A1", 20.0, 20.0)], np.eye(2))
    with pytest.raises(ValueError, match="shared"):
        told([case("A1", 20.0, 20.0, shared_u95_deg=3.0)])


def test_exact_statements_do_not_stop_it():
    readings, _ = told(
        [case("A1", 20.0, 20.0, reading_u95_deg=0.0), case("B1", 140.0, 140.0, reading_u95_deg=0.0)], 0.0
    )
    assert all(a.likely_cause is None for a in readings)


# ---- with what is known of antennas, and without ---------------------------------------------------------------------


def test_right_by_the_photos_alone_is_what_it_is_with_a_design_that_is_not_known():
    # without the design's weight nothing but readings and photos counts: as if nobody knew a design
    pairs = {"A1": (38.0, 20.0), "B1": (141.0, 140.0), "C1": (259.0, 260.0)}
    told = explained([case(n, r, e, design_deg=e) for n, (r, e) in pairs.items()], np.eye(3) * 9.0).readings
    unknown = explained([case(n, r, e, design_deg=None) for n, (r, e) in pairs.items()], np.eye(3) * 9.0).readings
    for n in pairs:
        assert told[n].p_right_photos_alone == pytest.approx(unknown[n].p_right, abs=1e-9)
        assert unknown[n].p_right_photos_alone == pytest.approx(unknown[n].p_right)
    # that the antenna mostly hangs where the photos see it speaks against the reading
    assert told["A1"].p_right < told["A1"].p_right_photos_alone


def test_a_fault_that_is_known_to_be_common_is_likelier():
    cases = [case("A1", 20.0, 200.0, design_deg=20.0)]
    often = Priors(readings=ReadingsKnown(reversed_share=0.3))
    seldom, common = (explained(cases, np.eye(1) * 4.0, (), p).readings["A1"] for p in (Priors(), often))
    share = lambda r: next(c.probability for c in r.causes if c.cause == "reversed_180")  # noqa: E731
    assert share(common) > share(seldom)
