"""Lines of sight against triangles hit one by one, and by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from photoaz.surroundings.walls import CLEARANCE_M, buildings_at, free_sights

from .conftest import box, surroundings, town
from .test_terrain import ridge

HEAD = np.array([0.0, 0.0, 30.0])


def test_a_house_before_the_antenna_hides_it() -> None:
    """60 m off, a house whose near wall is 20 m away: the sight passes it at 1.5 + 28.5 * 20 / 60 = 11 m, by hand."""
    eye = np.array([[0.0, 60.0, 1.5]])
    for top, free in ((11.0 - CLEARANCE_M - 0.1, True), (11.0 - CLEARANCE_M + 0.1, False)):
        house = replace(surroundings([box(0.0, 35.0, 10.0, 10.0)], top), sigma_m=np.zeros(1))
        assert free_sights(house, eye, HEAD).tolist() == [free]
    unsure = replace(surroundings([box(0.0, 35.0, 10.0, 10.0)], 9.0), sigma_m=np.full(1, 2.0))
    assert not free_sights(unsure, eye, HEAD)[0]


def test_one_stands_in_no_house_and_the_towers_own_hides_nothing() -> None:
    some = surroundings([box(0.0, 0.0, 20.0, 20.0), box(50.0, 0.0, 10.0, 10.0)], [28.0, 3.0])
    eyes = np.array([[50.0, 0.0, 1.5], [0.0, 60.0, 1.5], [5.0, 5.0, 1.5]])
    assert free_sights(some, eyes, HEAD).tolist() == [False, True, False]


def test_as_many_rays_say(rng) -> None:
    """Against the ray caster of the panorama's tests: free is what no ray to just below the head comes upon."""
    some = replace(town(rng, most_m=14.0), sigma_m=np.zeros(60))
    eyes = np.column_stack([rng.uniform(-250, 250, (60, 2)), np.full(60, 1.5)])
    raised = replace(some, eaves_m=some.eaves_m + CLEARANCE_M)
    free = free_sights(some, eyes, HEAD)
    assert 5 < free.sum() < 55
    from . import test_panorama

    scene = test_panorama.triangles(raised)
    for eye, said in zip(eyes, free, strict=True):
        away = HEAD - eye
        length = np.linalg.norm(away)
        met = test_panorama.hit(scene, np.arctan2(away[0], away[1]), np.arcsin(away[2] / length), eye)
        within = len(buildings_at(some, eye[:2])) > 0
        assert said == (not within and met[1] > np.hypot(*away[:2]))


def test_a_ridge_hides_what_is_low_behind_it() -> None:
    some = replace(surroundings([], 1.0), ground=ridge())
    eye = np.array([[0.0, 900.0, 1.5]])
    assert free_sights(some, eye, HEAD).tolist() == [False]
    assert free_sights(some, eye, HEAD + np.array([0.0, 0.0, 200.0])).tolist() == [True]


@pytest.mark.parametrize("n", [0, 1])
def test_nobody_asks(n) -> None:
    assert free_sights(surroundings([box(9, 9, 2, 2)] * n, 3.0), np.zeros((0, 3)), HEAD).tolist() == []
