"""Expected losses and the value of evidence against draws and quadrature; the order of the list; files of costs."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from photoaz.errors import InputError
from photoaz.geodesy.norths import declination
from photoaz.judgement.conformity import Part, probability_out
from photoaz.judgement.costs import Costs, load_costs
from photoaz.judgement.impact import impact_db
from photoaz.judgement.judge import judge_antenna, judge_site
from photoaz.judgement.losses import (
    Stake,
    evidence_sigma_deg,
    expected_loss,
    loss_corrected,
    loss_fixed,
    loss_now,
    preview,
)
from photoaz.judgement.revisit import plan_site, shared_alone
from photoaz.priors import AntennasKnown, Priors
from photoaz.quantities import K95
from photoaz.register.model import Antenna, DowntiltReading, Reading, Site
from photoaz.result import (
    Alternative,
    AntennaResult,
    AzimuthCovariance,
    ById,
    EvidenceOption,
    NextEvidence,
    PhotoResult,
    SiteResult,
)

DAY = date(2026, 5, 1)


def stake(*parts, tolerance=5.0, **fields):
    return Stake(
        parts=tuple(Part(deviation_deg=d, sigma_deg=s, probability=p) for d, s, p in parts),
        tolerance_deg=tolerance,
        **fields,
    )


def worst_loss_db(off):
    """What is lost at boresight or a sector edge, whichever loses more."""
    impact = impact_db(off)
    return -min(impact.boresight, impact.edge)


# ---- losses ----------------------------------------------------------------------------------------------------------


# 3GPP TR 38.901 table 7.3-1 at 60 degrees: 1.78 dB at 5 degrees off, 3.69 at 10; at the back 30 on boresight
@pytest.mark.parametrize(("off", "wanted"), [(0.0, 0.0), (5.0, 1.78), (-10.0, 3.69), (180.0, 30.0)])
def test_worst_loss(off, wanted):
    assert worst_loss_db(off) == pytest.approx(wanted, abs=0.005)


@settings(deadline=None, max_examples=40)
@given(st.floats(-180, 180), st.floats(0.3, 30), st.floats(1, 60))
def test_expected_loss_against_quadrature(m, s, tolerance):
    costs = Costs(wrong_azimuth_year=500.0, lost_db_year=300.0, years=2.0)

    def integrand(x):
        if abs((x + 180.0) % 360.0 - 180.0) <= tolerance:
            return 0.0
        return stats.norm.pdf(x, m, s) * 2.0 * (500.0 + 300.0 * worst_loss_db(x))

    corners = [c + 360.0 * k for k in (-1, 0, 1) for a in (tolerance, 42.771, 83.4, 102.774, 180.0) for c in (a, -a)]
    low, high = m - 9.0 * s, m + 9.0 * s
    edges = [low, *sorted(c for c in {*corners, m - 3 * s, m, m + 3 * s} if low < c < high), high]
    wanted = sum(integrate.quad(integrand, a, b, limit=200)[0] for a, b in itertools.pairwise(edges))
    found = float(expected_loss(np.array([m]), np.array([s]), tolerance, costs)[0])
    assert found == pytest.approx(wanted, rel=1e-3, abs=1e-3)  # corners of the piece at 83.4 are rounded above


@given(st.floats(-180, 180), st.floats(0.3, 100), st.floats(1, 170))
def test_with_no_price_on_decibels_it_is_the_probability_of_being_out(m, s, tolerance):
    # JCGM 106:2012, 7.4, as `conformity` has it
    costs = Costs(wrong_azimuth_year=1.0, lost_db_year=0.0)
    found = float(expected_loss(np.array([m]), np.array([s]), tolerance, costs)[0])
    assert found == pytest.approx(probability_out(m, s, tolerance), abs=1e-9)


@given(st.floats(-60, 60), st.floats(0.3, 20))
def test_either_side_loses_alike(m, s):
    one, other = (float(expected_loss(np.array([v]), np.array([s]), 5.0, Costs())[0]) for v in (m, -m))
    assert one == pytest.approx(other, rel=1e-9, abs=1e-9)


def test_loss_of_a_mixture_by_draws():
    rng = np.random.default_rng(3)
    n = 300_000
    truth = np.where(rng.random(n) < 0.2, rng.normal(20.0, 3.0, n), rng.normal(2.0, 2.0, n))
    grid = np.arange(0.0, 60.0, 0.01)  # finely enough that a straight line between is as good
    worst = np.interp(np.abs(truth), grid, [worst_loss_db(g) for g in grid])
    lost = np.where(np.abs(truth) > 5.0, 500.0 + 300.0 * worst, 0.0)
    found = loss_now(stake((2.0, 2.0, 0.8), (20.0, 3.0, 0.2)), Costs())
    assert found == pytest.approx(lost.mean(), abs=4.0 * lost.std() / math.sqrt(n))


# ---- the value of evidence -------------------------------------------------------------------------------------------


def by_draws(parts, sigma, climb, n=20_000, seed=5):
    """Nature draws the deviation, a photo shows it with its noise, Bayes decides: mean cost and its spread."""
    rng = np.random.default_rng(seed)
    which = rng.choice(len(parts), n, p=[p for _, _, p in parts])
    d, s, _ = (np.array(v) for v in zip(*parts, strict=True))
    truth = rng.normal(d[which], s[which])
    shown = truth + rng.normal(0.0, sigma, n)
    grid = np.linspace(-60.0, 90.0, 3001)
    prior = sum(pi * stats.norm.pdf(grid, di, si) for di, si, pi in parts)
    out_of = np.abs(grid) > 5.0
    loss = np.where(out_of, 500.0 + 300.0 * np.array([worst_loss_db(g) for g in grid]), 0.0)
    paid = np.empty(n)
    for k in range(n):
        post = prior * np.exp(-0.5 * ((grid - shown[k]) / sigma) ** 2)
        post /= post.sum()
        nearest = int(np.argmin(np.abs(grid - truth[k])))
        paid[k] = climb if climb < post @ loss else loss[nearest]
    return paid.mean(), paid.std() / math.sqrt(n)


@pytest.mark.parametrize(
    ("parts", "sigma", "climb"),
    [
        ([(4.0, 3.0, 1.0)], 1.0, 600.0),
        ([(4.0, 3.0, 1.0)], 3.0, 600.0),
        ([(1.0, 1.5, 0.7), (18.0, 1.5, 0.3)], 2.0, 900.0),
        ([(7.0, 4.0, 1.0)], 1.5, 400.0),
    ],
)
def test_value_of_evidence_against_monte_carlo(parts, sigma, climb):
    wanted, spread = by_draws(parts, sigma, climb)
    found = preview(stake(*parts), sigma, Costs()).after(climb)[0]
    assert found == pytest.approx(wanted, abs=4.0 * spread)


def test_perfect_evidence_has_the_closed_form():
    # each truth is left, or climbed to where that is cheaper
    one, climb, costs = stake((4.0, 3.0, 1.0)), 900.0, Costs(lost_db_year=0.0, wrong_azimuth_year=1000.0)
    wanted = 900.0 * (stats.norm.sf(5.0, 4.0, 3.0) + stats.norm.cdf(-5.0, 4.0, 3.0))
    assert preview(one, 1e-3, costs).after(climb)[0] == pytest.approx(wanted, rel=0.005)


@settings(deadline=None, max_examples=40)
@given(
    st.floats(-20, 20), st.floats(0.5, 8), st.floats(0.3, 8), st.floats(1.1, 3), st.floats(50, 3000), st.floats(0, 0.4)
)
def test_evidence_never_harms_and_better_is_worth_more(d, s, sigma, factor, climb, other):
    one = stake((d, s, 1.0 - other), (d + 30.0, s, other))
    costs = Costs()
    best, worse = (preview(one, v, costs).after(climb)[0] for v in (sigma, sigma * factor))
    nothing = min(loss_now(one, costs), climb)
    slack = 1e-3 * (1.0 + nothing)  # of the quadrature, at kinks
    assert best <= worse + slack
    assert worse <= nothing + slack


def test_evidence_brings_one_uncertainty_to_the_other():
    # combination of two normal values, JCGM 100:2008, 5.1: weights 1 / sigma^2
    sigma = evidence_sigma_deg(4.0, 2.0)
    assert 1 / (1 / 4.0**2 + 1 / sigma**2) == pytest.approx(2.0**2)
    assert evidence_sigma_deg(2.0, 2.0) == math.inf
    assert evidence_sigma_deg(2.0, 3.0) == math.inf


def test_contradicted_record():
    costs = Costs()
    one = stake((0.0, 0.5, 1.0), record_off_deg=16.0)
    assert loss_now(one, costs) == pytest.approx(costs.wrong_record_year, rel=1e-6)
    assert loss_corrected(one, costs) == pytest.approx(0.0, abs=1e-3)
    assert loss_corrected(stake((0.0, 0.5, 1.0)), costs) is None
    tilt = stake((0.0, 0.5, 1.0), tilt_contradicted=True)
    assert loss_now(tilt, costs) == pytest.approx(costs.wrong_record_year, rel=1e-6)
    assert loss_corrected(tilt, costs) == pytest.approx(0.0, abs=1e-3)


# ---- sites -----------------------------------------------------------------------------------------------------------


def antenna(name, design=0.0, **fields):
    return Antenna(antenna_id=name, rad_center_m=30.0, design_azimuth_deg=design, **fields)


def option(kind, u95, *, trip=True, **fields):
    given = {"photo": None, "bring": f"a {kind}", "distance_m": None, "bearing_deg": None}
    return EvidenceOption(kind=kind, needs_trip=trip, u95_then_deg=u95, **(given | fields))


def estimated(name, azimuth, u95=2.0, options=(), **fields):
    ahead = NextEvidence(limit="camera compass", u95_now_deg=u95, sentence="", options=tuple(options))
    return AntennaResult(
        antenna_id=name, status="estimated", azimuth_true_deg=azimuth % 360, u95_deg=u95, next_evidence=ahead, **fields
    )


#: as if nothing were known of how antennas hang: then plans follow from the photos alone
OPEN = Priors(antennas=AntennasKnown(turned_share=0.9999, turned_anywhere_share=0.9999))


def planned(pairs, costs=None, site_id="S", photos=(), priors=None):
    site = Site(site_id=site_id, lat_deg=46.6, lon_deg=-66.4, antennas=tuple(a for a, _ in pairs))
    solution = SiteResult(
        site_id=site_id,
        lat_deg=46.6,
        lon_deg=-66.4,
        declination_deg=None,
        declination_u95_deg=None,
        photos=ById(photos),
        antennas=ById(e for _, e in pairs),
    )
    # one more in the register, or designs that are all 0 would look unfilled
    filled = replace(site, antennas=(*site.antennas, antenna("elsewhere", 120.0)))
    judged = ById(judge_antenna(a, filled, e, DAY, priors=priors) for a, e in pairs)
    return plan_site(site, replace(solution, antennas=judged), costs, priors)


PHOTO = option("photo", 1.0, distance_m=62.0, bearing_deg=110.0)


def test_nothing_to_do():
    plan = planned([(antenna("A1"), estimated("A1", 0.5, 1.0, [PHOTO]))])
    assert plan.antennas == ()
    assert not plan.trip
    assert "no visit needed" in plan.sentence


def test_turned_far_is_climbed_to():
    (item,) = planned([(antenna("A1"), estimated("A1", 25.0, 2.0, [PHOTO]))]).antennas
    assert item.action == "climb"
    assert item.cost == pytest.approx(250 + 800 + 150)
    assert item.loss_avoided > 0
    assert "out of tolerance" in item.reasons[0]
    assert (item.where.lat_deg, item.where.lon_deg) == (46.6, -66.4)
    assert "turn it to 0.0" in item.instruction


def test_undecided_is_confirmed_by_a_photo_from_somewhere():
    (item,) = planned([(antenna("A1"), estimated("A1", 9.0, 16.0, [PHOTO]))], priors=OPEN).antennas
    assert item.action == "photo"
    assert item.u95_then_deg == 1.0
    assert "62 m off, at a bearing of 110" in item.instruction
    # 62 m at 110 degrees: 58.3 m east, 21.2 m south; a degree of latitude is 111.2 km (sphere)
    assert (item.where.lat_deg - 46.6) * 111_200 == pytest.approx(-21.2, abs=0.2)
    assert (item.where.lon_deg + 66.4) * 111_200 * math.cos(math.radians(46.6)) == pytest.approx(58.3, abs=0.4)
    now, after = (float(f"{v:.1e}") for v in (item.expected_loss_now, item.expected_loss_after))  # two digits
    assert item.figures == f"expected loss {now:.0f} now, {after:.0f} after the visit, cost 270 (units)"


def test_wrong_reading_is_corrected_at_the_desk():
    reading = Reading(azimuth_deg=16.0, north="true", u95_deg=2.0)
    plan = planned([(antenna("A1", reading=reading), estimated("A1", 0.2, 1.0, [PHOTO]))])
    (item,) = plan.antennas
    assert item.action == "correct_register"
    assert item.cost == 15.0
    assert not plan.trip
    assert "0.2° ± 1.0° true" in item.instruction
    assert "16.0° ± 2.0°" not in item.instruction


def test_wrong_downtilt_is_corrected_at_the_desk():
    a = antenna("A1", downtilt_reading=DowntiltReading(downtilt_deg=6.0, u95_deg=0.5))
    (item,) = planned([(a, estimated("A1", 0.2, 1.0, downtilt_deg=2.0, downtilt_u95_deg=0.6))]).antennas
    assert item.action == "correct_register"
    assert "a downtilt of 2.0° ± 0.6°" in item.instruction


def test_what_lies_in_a_map_is_looked_up_before_anybody_goes():
    landmark = option("landmark", 1.1, trip=False, photo="p.jpg")
    plan = planned([(antenna("A1"), estimated("A1", 9.0, 16.0, [PHOTO, landmark]))])
    assert plan.antennas[0].action == "desk"
    assert not plan.trip


def test_place_of_a_photo_that_is_there():
    bearing = option("bearing", 1.0, photo="p.jpg")
    there = PhotoResult(photo="p.jpg", status="used", lat_deg=46.601, lon_deg=-66.402)
    (item,) = planned([(antenna("A1"), estimated("A1", 9.0, 16.0, [bearing]))], photos=[there], priors=OPEN).antennas
    assert (item.where.lat_deg, item.where.lon_deg) == (46.601, -66.402)
    assert "where p.jpg was taken" in item.where.words


def test_second_azimuth_is_told_apart_by_a_photo():
    other = (Alternative(azimuth_true_deg=30.0, u95_deg=2.0, probability=0.3),)
    found = estimated("A1", 1.0, 31.0, [option("photo", 1.2, distance_m=50.0, bearing_deg=20.0)], alternatives=other)
    (item,) = planned([(antenna("A1"), found)], priors=OPEN).antennas
    assert item.action == "photo"
    assert item.expected_loss_after < item.expected_loss_now


def test_one_visit_serves_all():
    far = [(antenna(n), estimated(n, 9.0, 16.0, [PHOTO])) for n in ("A1", "A2", "A3")]
    dear = Costs(climb=0.0, turn=1100.0)
    one, three = planned(far[:1], dear, priors=OPEN), planned(far, dear, priors=OPEN)
    assert one.antennas[0].cost == pytest.approx(270.0)
    assert [i.cost for i in three.antennas] == pytest.approx([250.0 / 3 + 20.0] * 3)
    assert three.cost == pytest.approx(250.0 + 60.0)


def test_shared_costs_are_charged_by_what_is_gained():
    plan = planned([(antenna("A1"), estimated("A1", 40.0, 2.0)), (antenna("A2"), estimated("A2", 6.5, 3.0))])
    assert [i.action for i in plan.antennas] == ["climb", "climb"]
    assert plan.cost == pytest.approx(250 + 800 + 2 * 150)
    assert all(i.loss_avoided > 0.0 for i in plan.antennas)
    first, second = plan.antennas
    assert (first.cost - 150) / (second.cost - 150) == pytest.approx(
        (first.expected_loss_now - 150) / (second.expected_loss_now - 150), rel=1e-6
    )


def test_a_visit_that_none_pays_alone_is_paid_by_all():
    unsure = [(antenna(n), estimated(n, 4.0, 10.0, [PHOTO])) for n in ("A1", "A2", "A3", "A4")]
    costs = Costs(climb=0.0, turn=950.0)  # climbing is dear for each
    assert planned(unsure[:1], costs, priors=OPEN).antennas[0].action == "leave"
    assert {i.action for i in planned(unsure, costs, priors=OPEN).antennas} == {"photo"}


def test_what_is_known_of_antennas_spares_a_visit():
    # 9 degrees off by photos good to 16: few antennas are turned, so the photos' scatter is the likelier reason
    (item,) = planned([(antenna("A1"), estimated("A1", 9.0, 16.0, [PHOTO]))]).antennas
    (open_minded,) = planned([(antenna("A1"), estimated("A1", 9.0, 16.0, [PHOTO]))], priors=OPEN).antennas
    assert item.action == "leave"
    assert item.expected_loss_now < 0.5 * open_minded.expected_loss_now


def test_an_unseen_antenna_is_as_those_in_general():
    (item,) = planned([(antenna("A1"), AntennaResult(antenna_id="A1", status="not_visible"))]).antennas
    known = Priors().deviations(5.0)
    inside = [2 * stats.norm.cdf(5.0 / s) - 1 if math.isfinite(s) else 10.0 / 360.0 for _, s in known]
    wanted = 1.0 - sum(share * p for (share, _), p in zip(known, inside, strict=True))
    assert item.p_out_of_tolerance == pytest.approx(wanted, abs=0.005)


def test_unseen_antennas_are_on_the_list():
    plan = planned([(antenna(n), AntennaResult(antenna_id=n, status="not_visible")) for n in ("A1", "A2", "A3", "A4")])
    assert {i.antenna_id for i in plan.antennas} == {"A1", "A2", "A3", "A4"}
    assert "shows in no photo" in plan.antennas[0].reasons[0]


def some_sites():
    return [
        planned([(antenna("A1"), estimated("A1", off, u95, [PHOTO]))], site_id=name)
        for name, off, u95 in (("P", 9.0, 16.0), ("Q", 25.0, 2.0), ("R", 0.3, 1.0), ("T", 60.0, 2.0))
    ]


@settings(deadline=None, max_examples=10)
@given(st.floats(0.01, 1000), st.permutations(["A1", "A2", "A3", "A4"]))
def test_currency_and_row_order_change_nothing(factor, names):
    azimuth = {"A1": 25.0, "A2": 9.0, "A3": 0.1, "A4": 60.0}
    pairs = [(antenna(n), estimated(n, azimuth[n], 5.0, [PHOTO])) for n in names]
    plain = planned([pairs[names.index(n)] for n in ("A1", "A2", "A3", "A4")])
    base = Costs()
    priced = {
        k: factor * getattr(base, k)
        for k in ("visit", "photo", "climb", "turn", "desk", "wrong_azimuth_year", "lost_db_year", "wrong_record_year")
    }
    other = planned(pairs, replace(base, **priced))
    assert [(i.antenna_id, i.action) for i in other.antennas] == [(i.antenna_id, i.action) for i in plain.antennas]
    assert other.loss_avoided == pytest.approx(factor * plain.loss_avoided, rel=1e-6)


def test_what_is_left_as_it_is_gives_no_reason_to_go():
    (item,) = planned([(antenna("A1"), estimated("A1", 1.0, 10.0, [PHOTO]))]).antennas
    assert item.action == "leave"
    assert item.reasons == ("the photos alone leave it open, and whatever could be done costs more than it avoids",)


def test_never_worse_than_doing_nothing():
    for plan in some_sites():
        assert plan.loss_avoided >= -1e-9
    dear = Costs(visit=1e6, climb=1e6, desk=1e6)
    plan = planned([(antenna("A1"), estimated("A1", 60.0, 2.0, [PHOTO]))], dear)
    assert [i.action for i in plan.antennas] == ["leave"]  # still on the list, and why
    assert "costs more than it avoids" in plan.antennas[0].figures


# ---- costs -----------------------------------------------------------------------------------------------------------


def test_costs_from_a_file(tmp_path):
    path = tmp_path / "costs.toml"
    path.write_text('# ours\nvisit = 310\nyears = 2.5\nunit = "EUR"\n', encoding="utf-8")
    costs = load_costs(path)
    assert (costs.visit, costs.years, costs.unit) == (310, 2.5, "EUR")
    assert costs.climb == Costs().climb


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("visit = 310\nclimb = -1\n", 2, "climb = -1; wanted a number, 0 or more"),
        ("\n\nvisitt = 3\n", 3, "the key 'visitt'; wanted visit (is that meant?), or one of: visit, photo"),
        ("visit = 'three'\n", 1, "visit = 'three'; wanted a number"),
        ("visit = true\n", 1, "visit = True; wanted a number"),
        ("visit = inf\n", 1, "visit = inf; wanted a number"),
        ("unseen_out = 0.1\n", 1, "the key 'unseen_out'"),  # what is known of antennas is no cost
        ("years = 0\n", 1, "wanted years above 0"),
        ('unit = ""\n', 1, "wanted 1 to 20 letters"),
        ("[costs]\nvisit = 3\n", 1, "the key 'costs'"),
        ("visit = 1\nclimb = = 2\n", 2, "no TOML"),
    ],
)
def test_faults_of_a_costs_file(tmp_path, text, line, said):
    path = tmp_path / "costs.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_costs(path)
    (fault,) = caught.value.faults
    assert fault.file == path
    assert fault.line == line
    assert said in str(fault)


def test_all_faults_of_a_costs_file_at_once(tmp_path):
    path = tmp_path / "costs.toml"
    path.write_text("visit = -1\nturns = 2\ndesk = 'x'\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_costs(path)
    assert [f.line for f in caught.value.faults] == [1, 2, 3]


def test_costs_that_are_none():
    with pytest.raises(ValueError, match="visit"):
        Costs(visit=-1.0)
    with pytest.raises(ValueError, match="years"):
        Costs(years=math.nan)


# ---- what the likely cause has to do with it -------------------------------------------------------------------------

HERE = (33.0, -118.0)  # declination some 11 degrees east
DESIGNS = (20.0, 140.0, 260.0)


def by_cause(readings, azimuths, u95=1.5, reading_u95=1.0, options=(), costs=None, priors=None):
    """A site of three sectors planned with the causes of its readings."""
    names = ["A1", "B1", "C1"]
    antennas = tuple(
        antenna(
            n,
            d,
            sector=n[0],
            position=1,
            reading=Reading(azimuth_deg=r % 360.0, north="true", u95_deg=reading_u95, date=DAY),
        )
        for n, d, r in zip(names, DESIGNS, readings, strict=True)
    )
    site = Site(site_id="S", lat_deg=HERE[0], lon_deg=HERE[1], antennas=antennas)
    solution = SiteResult(
        site_id="S",
        lat_deg=HERE[0],
        lon_deg=HERE[1],
        antennas=ById(estimated(n, a, u95, options) for n, a in zip(names, azimuths, strict=True)),
        azimuth_covariance=AzimuthCovariance(
            antenna_ids=tuple(names), deg2=tuple(tuple(row) for row in ((u95 / K95) ** 2 * np.eye(3)).tolist())
        ),
    )
    judged = judge_site(site, solution, dict.fromkeys(names, DAY), priors=priors)
    return plan_site(site, judged, costs, priors), judged.antennas


def test_declination_left_out_is_put_right_at_the_desk_in_one_go():
    d = declination(*HERE, 0.0, DAY).value_deg
    plan, judged = by_cause([a - d for a in DESIGNS], DESIGNS, options=[PHOTO])
    assert {j.reading.likely_cause for j in judged} == {"declination_omitted"}
    assert [i.action for i in plan.antennas] == ["correct_register"] * 3
    assert not plan.trip
    assert plan.cost == pytest.approx(Costs().desk)  # once for all three
    for item in plan.antennas:
        assert "correct the 3 readings in the register, no visit needed: declination left out" in item.instruction
        assert item.expected_loss_after < 0.1 * item.expected_loss_now
        assert "likely cause: declination left out" in item.reasons
    assert any("that of B1 is 140.0° true" in i.instruction for i in plan.antennas)


def test_a_known_fault_is_undone_where_the_photos_alone_could_not_correct_the_record():
    # photos good to 12 degrees tell a reading 180 degrees off, but not what to write in its place within 5
    plan, judged = by_cause([200.0, 140.0, 260.0], DESIGNS, u95=8.0)
    assert judged["A1"].reading.likely_cause == "reversed_180"
    item = next(i for i in plan.antennas if i.antenna_id == "A1")
    assert item.action == "correct_register"
    assert "that of A1 is 20.0° true" in item.instruction
    # the corrected reading is as good as any: what it says is believed, and nobody goes there
    assert not plan.trip
    assert item.expected_loss_after < 0.5 * item.expected_loss_now


def test_loss_with_the_fault_undone():
    costs = Costs(wrong_azimuth_year=0.0, lost_db_year=0.0, wrong_record_year=1.0)
    one = stake((0.5, 1.5, 0.9), (6.0, 3.0, 0.1), record_off_deg=50.0, fixed_off_deg=-1.0)
    wrong = [stats.norm.sf(5.0, m + 1.0, s) + stats.norm.cdf(-5.0, m + 1.0, s) for m, s in ((0.5, 1.5), (6.0, 3.0))]
    assert loss_fixed(one, costs) == pytest.approx(0.9 * wrong[0] + 0.1 * wrong[1], rel=1e-6)
    assert loss_fixed(stake((0.5, 1.5, 1.0), record_off_deg=50.0), costs) is None
    assert loss_fixed(stake((0.5, 1.5, 1.0)), costs) is None


def test_a_reading_that_all_say_is_right_spares_the_climb():
    # photos good to 12 degrees: alone they would send somebody; with a reading good to 1 there is nothing to be lost
    alone, _ = by_cause(DESIGNS, DESIGNS, u95=12.0, options=[PHOTO], reading_u95=60.0)
    both, judged = by_cause(DESIGNS, DESIGNS, u95=12.0, options=[PHOTO], reading_u95=1.0)
    assert all(j.reading.p_right > 0.8 for j in judged)
    assert both.expected_loss_now < 0.5 * alone.expected_loss_now
    assert not both.trip


def test_a_fault_of_the_record_is_said_beside_a_climb():
    d = declination(*HERE, 0.0, DAY).value_deg
    plan, judged = by_cause([48.0 - d, 140.0 - d, 260.0 - d], [48.0, 140.0, 260.0])
    assert judged["A1"].reading.likely_cause == "declination_omitted"
    item = next(i for i in plan.antennas if i.antenna_id == "A1")
    assert item.action == "climb"
    assert "in the register, correct the reading to 48.0° true" in item.instruction


def test_exchanged_readings_are_looked_for_in_the_records():
    plan, judged = by_cause([140.0, 20.0, 260.0], DESIGNS, options=[PHOTO])
    assert judged["A1"].reading.likely_cause == "sectors_swapped"
    assert {i.antenna_id: i.action for i in plan.antennas} == {"A1": "check_records", "B1": "check_records"}
    assert not plan.trip
    assert plan.cost == pytest.approx(Costs().desk)
    first = next(i for i in plan.antennas if i.antenna_id == "A1")
    assert "labels, cabling records" in first.instruction
    assert "A1, B1" in first.instruction
    assert "the reading of A1 is 20.0° true" in first.instruction


def test_a_turned_antenna_is_climbed_to_and_its_record_not_adapted():
    plan, judged = by_cause(DESIGNS, [48.0, 140.0, 260.0])
    assert judged["A1"].reading.likely_cause == "antenna_turned"
    (item,) = plan.antennas
    assert item.action == "climb"
    assert "A1 is likely turned" in item.instruction
    assert "turn it to 20.0° true" in item.instruction
    # where no climb pays it is left, not written off in the register
    cheap = Costs(wrong_azimuth_year=20.0, lost_db_year=5.0)
    plan, _ = by_cause(DESIGNS, [48.0, 140.0, 260.0], costs=cheap)
    assert [i.action for i in plan.antennas] == ["leave"]


def test_a_wrong_reading_is_read_again_where_the_photos_are_no_better():
    costs = Costs(visit=30.0, wrong_record_year=600.0)
    wide, judged = by_cause([77.0, 140.0, 260.0], DESIGNS, u95=9.0, costs=costs, priors=OPEN)
    assert judged["A1"].reading.likely_cause == "reading_wrong"
    item = next(i for i in wide.antennas if i.antenna_id == "A1")
    assert item.action == "read_again"
    assert "read the azimuth of A1 again" in item.instruction
    assert "instrument" in item.bring
    assert wide.trip
    # good photos say what to write
    sharp, _ = by_cause([77.0, 140.0, 260.0], DESIGNS, u95=1.5, costs=costs)
    assert [i.action for i in sharp.antennas] == ["correct_register"]


# ---- a climb that evidence may call for ------------------------------------------------------------------------------


@pytest.mark.parametrize("others", [(), (0.5,), (0.2, 0.9), (0.1, 0.4, 0.4, 1.0)])
def test_part_of_a_cost_that_others_may_share(others):
    # all of them that join, by enumeration
    wanted = 0.0
    for joins in itertools.product([False, True], repeat=len(others)):
        p = math.prod(q if j else 1.0 - q for q, j in zip(others, joins, strict=True))
        wanted += p / (1.0 + sum(joins))
    assert shared_alone(others) == pytest.approx(wanted)


def test_a_later_climb_is_shared_by_those_that_may_need_it():
    unsure = [(antenna(n), estimated(n, 4.0, 8.0, [PHOTO])) for n in ("A1", "A2", "A3")]
    costs = Costs(climb=1500.0, wrong_azimuth_year=2000.0)
    one, three = planned(unsure[:1], costs, priors=OPEN), planned(unsure, costs, priors=OPEN)
    assert one.antennas[0].action == "photo"
    assert {i.action for i in three.antennas} == {"photo"}
    # each alone would pay the whole trip; together they pay a part, and less is lost
    (alone,) = one.antennas
    assert all(i.expected_loss_after < 0.9 * alone.expected_loss_after for i in three.antennas)
    shown = preview(stake((4.0, 8.0 / K95, 1.0)), evidence_sigma_deg(8.0 / K95, 1.0 / K95), costs)
    floor, _ = shown.after(costs.turn + (costs.visit + costs.climb) / 3.0)
    # ... and no less than if all three surely went up
    assert all(i.expected_loss_after >= floor - 1e-6 for i in three.antennas)
