"""Visits of different years held against each other: what turned, and what nobody can tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy.stats import norm

from photoaz.judgement.visits import Visit, turns_between, visits_of
from photoaz.quantities import K95
from photoaz.result import AntennaResult, AzimuthCovariance, ById, SiteResult

NAMES = ("A1", "B1", "C1", "D1")
BEFORE = Visit(first=date(2019, 5, 2), last=date(2019, 5, 3), photos=("a.jpg",))
AFTER = Visit(first=date(2023, 6, 1), last=date(2023, 6, 1), photos=("b.jpg",))


def solution(azimuths: Sequence[float], *, own_deg: float = 0.6, common_deg: float = 3.0) -> SiteResult:
    """Antennas whose azimuths share the error of one heading and have small ones of their own (one sigma each)."""
    n = len(azimuths)
    covariance = np.full((n, n), common_deg**2) + np.eye(n) * own_deg**2
    return SiteResult(
        site_id="HNT-204",
        lat_deg=47.0,
        lon_deg=8.0,
        antennas=ById(
            AntennaResult(antenna_id=name, status="estimated", azimuth_true_deg=a % 360.0, u95_deg=2.0 * common_deg)
            for name, a in zip(NAMES, azimuths, strict=False)
        ),
        azimuth_covariance=AzimuthCovariance(antenna_ids=NAMES[:n], deg2=tuple(map(tuple, covariance.tolist()))),
    )


def test_photos_two_weeks_apart_are_of_two_visits() -> None:
    days = {"c": date(2021, 3, 20), "a": date(2021, 3, 1), "b": date(2021, 3, 10), "d": date(2021, 4, 4), "x": None}
    visits = visits_of(days)
    assert [v.photos for v in visits] == [("x",), ("a", "b", "c"), ("d",)]
    assert (visits[1].first, visits[1].last) == (date(2021, 3, 1), date(2021, 3, 20))
    assert visits_of({}) == ()


def test_one_antenna_that_turned_is_told_from_a_heading_that_was_off() -> None:
    # the second visit's headings are off by five degrees, and B1 turned by eight besides
    turns = turns_between(solution([10, 130, 250, 355]), solution([15, 143, 255, 0]), BEFORE, AFTER)
    assert [t.turned for t in turns] == [False, True, False, False]
    turn = turns[1]
    assert turn.own
    assert turn.change_deg == pytest.approx(8.0, abs=1e-6)
    # by JCGM 100, 5.2: the difference to the mean of three others, each visit with its own errors
    assert turn.u95_deg == pytest.approx(K95 * 0.6 * math.sqrt(2.0 * (1.0 + 1.0 / 3.0)), rel=1e-6)
    assert turn.en == pytest.approx(8.0 / turn.u95_deg)
    assert turn.p == pytest.approx(2.0 * norm.sf(8.0 / turn.u95_deg * K95), rel=1e-6)
    assert turn.sentence.startswith("B1 turned by +8.0° ± 1.9° between 2019-05-03 and 2023-06-01")


def test_a_common_angle_is_nobodys_turn() -> None:
    turns = turns_between(solution([10, 130, 250]), solution([22, 142, 262]), BEFORE, AFTER)
    assert not any(t.turned for t in turns)
    assert [t.change_deg for t in turns] == pytest.approx([0.0, 0.0, 0.0], abs=1e-6)


def test_two_antennas_do_not_tell_a_turn_from_a_heading() -> None:
    turns = turns_between(solution([10, 130]), solution([12, 150]), BEFORE, AFTER)
    assert [t.turned for t in turns] == [False, True]
    assert not turns[1].own
    assert "too few antennas to tell" in turns[1].sentence


def test_an_antenna_known_best_does_not_hide_its_turn_in_the_common_angle() -> None:
    """A1 turned by 25 degrees and is known to half a degree, the others to 20: the common angle is nearly A1's own.

    By JCGM 100, 5.2: its change against the mean of the two others, which are known alike.
    """

    def wide(azimuths: Sequence[float]) -> SiteResult:
        one = solution(azimuths)
        deg2 = ((0.25, 0.0, 0.0), (0.0, 400.0, 0.0), (0.0, 0.0, 400.0))
        return replace(one, azimuth_covariance=replace(one.azimuth_covariance, deg2=deg2))

    turn = turns_between(wide([10, 130, 250]), wide([35, 130, 250]), BEFORE, AFTER)[0]
    assert turn.change_deg == pytest.approx(25.0, abs=1e-6)
    assert turn.u95_deg == pytest.approx(K95 * math.sqrt(2.0 * (0.25 + 400.0 / 2.0)), rel=1e-6)
    assert not turn.turned


def test_changes_are_wrapped() -> None:
    turns = turns_between(solution([358, 1, 359], common_deg=0.1), solution([2, 5, 3], common_deg=0.1), BEFORE, AFTER)
    assert not any(t.turned for t in turns)
    single = turns_between(solution([359]), solution([1]), BEFORE, AFTER)
    assert single[0].change_deg == pytest.approx(2.0, abs=1e-9)


def test_undated_visits_and_strangers_give_nothing() -> None:
    undated = Visit(first=None, last=None, photos=("x.jpg",))
    assert turns_between(solution([1, 2]), solution([1, 2]), undated, AFTER) == ()
    assert turns_between(solution([]), solution([1, 2]), BEFORE, AFTER) == ()


def test_chance_is_rarely_taken_for_a_turn() -> None:
    # a thousand sites at which nothing turned: two-sided 0.1 % an antenna, four of them
    rng = np.random.default_rng(5)
    covariance = np.asarray(solution([0, 0, 0, 0]).azimuth_covariance.deg2)
    errors = rng.multivariate_normal(np.zeros(4), covariance, (1000, 2))
    truth = np.array([40.0, 130.0, 220.0, 310.0])
    found = sum(
        any(t.turned for t in turns_between(solution(truth + a), solution(truth + b), BEFORE, AFTER)) for a, b in errors
    )
    assert found <= 12  # four in the mean; more than twelve once in 3000 such thousands
