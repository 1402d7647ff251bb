"""What a planned photo is worth: the better the photo and the dearer the error, the sooner somebody goes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from photoaz.judgement.costs import Costs
from photoaz.judgement.judge import judge_site
from photoaz.planning.plan import gain_of, with_planned_photos
from photoaz.priors import AntennasKnown, Priors
from photoaz.result import AntennaResult, ById, SiteResult

DAY = date(2026, 6, 1)


def solved(site, u95_deg, off_deg):
    """Every antenna estimated off its design by off_deg, +- u95_deg."""
    return SiteResult(
        site_id=site.site_id,
        lat_deg=site.lat_deg,
        lon_deg=site.lon_deg,
        antennas=ById(
            AntennaResult(
                antenna_id=a.antenna_id,
                status="estimated",
                azimuth_true_deg=(a.design_azimuth_deg + off_deg) % 360.0,
                u95_deg=u95_deg,
                sigma_deg=u95_deg / 1.96,
            )
            for a in site.antennas
        ),
    )


def best(site, solution, then_deg, **costs):
    # as if nothing were known of how antennas hang: the photos speak alone
    known = Priors(antennas=AntennasKnown(turned_share=0.9999, turned_anywhere_share=0.9999))
    judged = replace(judge_site(site, solution, {a.antenna_id: DAY for a in site.antennas}, priors=known), priors=known)
    u95 = {a.antenna_id: then_deg for a in site.antennas}
    return gain_of(site, judged, u95, Costs(**costs), distance_m=60.0, bearing_deg=20.0)


def test_nothing_is_best_where_all_is_well(site) -> None:
    assert not best(site, solved(site, 1.0, 0.0), 0.8).trip


def test_a_photo_is_best_where_it_decides(site) -> None:
    """Undecided and dear: a photo costs little and says whether somebody must climb."""
    plan = best(site, solved(site, 12.0, 3.0), 1.0, visit=50.0, photo=5.0, climb=4000.0, wrong_azimuth_year=3000.0)
    assert plan.trip
    assert {i.action for i in plan.antennas} == {"photo"}
    assert all(i.u95_then_deg == pytest.approx(1.0) for i in plan.antennas)


def test_a_climb_is_best_where_it_is_out(site) -> None:
    plan = best(site, solved(site, 1.0, 25.0), 0.8, wrong_azimuth_year=9000.0)
    assert {i.action for i in plan.antennas} == {"climb"}


def test_a_photo_no_better_than_what_is_there_is_worth_no_trip(site) -> None:
    plan = best(site, solved(site, 12.0, 3.0), 12.0, visit=50.0, photo=5.0, climb=9e6, wrong_azimuth_year=3000.0)
    assert "photo" not in {i.action for i in plan.antennas}


def test_only_antennas_with_an_estimate_are_offered_it(site) -> None:
    solution = solved(site, 5.0, 0.0)
    first = replace(solution.antennas[0], status="not_found", azimuth_true_deg=None, u95_deg=None)
    offered = with_planned_photos(
        replace(solution, antennas=ById([first, *solution.antennas[1:]])), {"A1": 1.0, "B1": 9.0}, "it", 60.0, 20.0
    )
    assert offered.antennas[0] == first
    (option,) = offered.antennas[1].next_evidence.options
    assert option.u95_then_deg == 5.0  # never worse than now
    assert offered.antennas[2].next_evidence is None
