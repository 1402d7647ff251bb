"""What is to be done where, and what it gains: by hand, whatever the currency and the order of rows."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from photoaz.geodesy.norths import declination
from photoaz.judgement.costs import Costs
from photoaz.judgement.judge import judge_antenna, judge_site
from photoaz.judgement.losses import evidence_sigma_deg, preview
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

from .test_losses import stake

DAY = date(2026, 5, 1)


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
