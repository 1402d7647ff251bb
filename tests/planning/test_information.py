"""The covariance without data: against the whole network adjusted, and against the design's figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from photoaz.network.adjust import inverse, linearise
from photoaz.network.observations import Directs
from photoaz.network.site import build
from photoaz.planning.earlier import EarlierAzimuths
from photoaz.planning.equipment import Equipment
from photoaz.planning.foreseen import aimed, foreseen_photo, scene_of_site
from photoaz.planning.information import (
    ANYWHERE_RAD,
    criterion_of,
    expected_u95_rad,
    rows_of,
    score,
    state_of,
    u95_linear_rad,
    with_rows,
)
from photoaz.planning.surroundings import Landmark
from photoaz.quantities import K95, SHAPE_SIGMA_RAD

#: without a compass that may be disturbed all is linear
EQUIPMENT = Equipment(lenses_mm=(77.0,), compass_rad=None)


def at(bearing_deg, distance_m):
    b = np.radians(bearing_deg)
    return distance_m * np.array([np.sin(b), np.cos(b)])


def photos(scene, *stands, equipment=EQUIPMENT, lens=77.0):
    return [
        foreseen_photo(scene, aimed(f"photo {k}", scene, at(b, d), equipment, lens))
        for k, (b, d) in enumerate(stands, 1)
    ]


@pytest.mark.parametrize("with_landmark", [False, True])
def test_photo_by_photo_is_the_whole_network(site, with_landmark) -> None:
    """Rows with the photos' own unknowns eliminated, one photo after the other, against one big normal matrix."""
    marks = [Landmark(name="mill", enu_m=np.array([-900.0, -350.0, 30.0]), u95_m=5.0, height_m=30.0)]
    scene = scene_of_site(site, landmarks=marks if with_landmark else [])
    wide = replace(EQUIPMENT, lenses_mm=(26.0,))
    some = []
    for p in ((70.0, 60.0), (60.0, 90.0)):
        stand = aimed(f"photo {p[0]}", scene, at(*p), wide, 26.0)
        some.append(foreseen_photo(scene, replace(stand, attitude_rad=stand.attitude_rad * [1.0, 0.6, 1.0])))
    assert all(len(p.landmarks) == with_landmark and len(p.boxes) == 2 for p in some)
    state = state_of(scene)
    covariance = state.covariance
    for p in some:
        covariance = with_rows(covariance, rows_of(state, p))
    net = build(some, scene.antennas, scene.site_sigma_m, scene.head)
    x = net.start.copy()
    azimuths = [int(net.layout.antenna(a.name, "azimuth")[0]) for a in scene.antennas]
    x[azimuths] = [scene.azimuth_rad[a.name] for a in scene.antennas]
    anywhere = Directs("", "", np.array(azimuths), x[azimuths], ANYWHERE_RAD)
    choice = {(p.name, a): 0 for p in some for a in p.boxes}
    _, jacobian, _ = linearise([*net.observations(choice), anywhere], x)
    whole = inverse(jacobian.T @ jacobian)[np.ix_(azimuths, azimuths)]
    wanted = state.wanted
    np.testing.assert_allclose(covariance[np.ix_(wanted, wanted)], whole, rtol=2e-3, atol=1e-7)


def test_stated_u95_is_the_covariance_s_where_nothing_else_widens_it(site) -> None:
    scene = scene_of_site(site)
    some = photos(scene, (60, 60), (180, 80))
    state = state_of(scene)
    covariance = state.covariance
    for p in some:
        covariance = with_rows(covariance, rows_of(state, p))
    stated = expected_u95_rad(scene, some)
    linear = dict(zip(scene.wanted, u95_linear_rad(covariance, state.wanted), strict=True))
    assert set(stated) == {"A1", "B1", "C1"}
    for name, u in stated.items():
        assert u == pytest.approx(linear[name], rel=0.02)


def test_a_compass_that_may_be_disturbed_helps_and_does_not_rule(site) -> None:
    scene = scene_of_site(site)
    without = expected_u95_rad(scene, photos(scene, (0, 50)))["A1"]
    with_one = expected_u95_rad(scene, photos(scene, (0, 50), equipment=Equipment(lenses_mm=(77.0,))))["A1"]
    honest = expected_u95_rad(scene, photos(scene, (0, 50), equipment=Equipment(lenses_mm=(77.0,), compass_rad=1e-3)))[
        "A1"
    ]
    assert honest < with_one < without
    assert honest > K95 * SHAPE_SIGMA_RAD


def test_the_design_s_figures(site) -> None:
    """Figures that the design was made by: 77 mm lens, antennas 45 m up, 50 m out, compass 6 deg, GNSS 4 m.

    One photo face-on 4.0 deg (1 sigma), three between the sectors 2.1, worked out there by covariance propagation with
    corners good to 0.3 px and compasses that are never disturbed; to a fifth, as edges are not corners.
    """
    scene = scene_of_site(site)
    equipment = Equipment(lenses_mm=(77.0,), position_m=4.0)

    def sigma_deg(*stands):
        state = state_of(scene)
        covariance = state.covariance
        sees = set()
        for p in photos(scene, *stands, equipment=replace(equipment, compass_rad=None)):
            compass = replace(p, headings=(replace(_compass(p), sigma_rad=np.radians(6.0)),))
            told = rows_of(state, compass)
            covariance = with_rows(covariance, told)
            sees |= set(told.sees)
        index = [k for k, n in zip(state.wanted, scene.wanted, strict=True) if n in sees]
        return np.degrees(np.sqrt(np.diag(covariance)[index]))

    assert sigma_deg((0, 50)) == pytest.approx([4.0], rel=0.2)
    assert sigma_deg((60, 50), (180, 50), (300, 50)) == pytest.approx([2.1] * 3, rel=0.2)


def _compass(p):
    from photoaz.angles import Angle

    return Angle(value_rad=float(p.start[0]), sigma_rad=0.1, source="heading control", label="")


def test_nearer_is_worse_and_much_further_too(site) -> None:
    """From before the face, by the network's own figures: the reasons of common practice."""
    scene = scene_of_site(site)
    equipment = Equipment(lenses_mm=(77.0,))
    u = {
        d: expected_u95_rad(scene, photos(scene, (0, d), equipment=equipment))["A1"] for d in (22.0, 45.0, 80.0, 230.0)
    }
    assert u[22.0] > u[45.0] > u[80.0]
    assert u[230.0] > u[80.0]


def test_two_photos_that_tie_sectors_beat_two_that_do_not(site) -> None:
    scene = scene_of_site(site, wanted=("A1", "B1"))
    tied = expected_u95_rad(scene, photos(scene, (60, 60), (55, 85)))
    apart = expected_u95_rad(scene, photos(scene, (0, 60), (120, 60)))
    assert max(tied["A1"], tied["B1"]) < min(apart["A1"], apart["B1"])


def test_what_photos_told_before_counts(site) -> None:
    scene = scene_of_site(site)
    before = EarlierAzimuths(
        names=("A1", "B1"),
        azimuth_rad=np.radians([2.0, 122.0]),
        covariance_rad2=np.radians(1.0) ** 2 * np.array([[4.0, 3.5], [3.5, 4.0]]),
    )
    state = state_of(scene, before)
    sigma = np.sqrt(np.diag(state.covariance)[state.wanted])
    np.testing.assert_allclose(np.degrees(sigma[:2]), 2.0, rtol=1e-3)
    assert sigma[2] > 1.0
    some = photos(scene, (180, 60))  # between B1 and C1
    alone, together = expected_u95_rad(scene, some), expected_u95_rad(scene, some, before)
    assert together["A1"] == pytest.approx(before.u95_rad("A1"))
    assert together["B1"] < min(alone["B1"], before.u95_rad("B1"))
    assert together["C1"] < alone["C1"]  # B1's azimuth holds the photo's heading


def test_criteria_are_those_of_the_covariance(site) -> None:
    scene = scene_of_site(site)
    state = state_of(scene)
    told = rows_of(state, photos(scene, (60, 60))[0])
    after = with_rows(state.covariance, told)[np.ix_(state.wanted, state.wanted)]
    floor = SHAPE_SIGMA_RAD**2 * np.eye(3)
    eigenvalues = np.linalg.eigvalsh(after + floor)
    assert score(state.covariance, state.wanted, told, "A") == pytest.approx(eigenvalues.mean())
    assert score(state.covariance, state.wanted, told, "D") == pytest.approx(np.log(eigenvalues).mean())
    assert criterion_of(after, "A") < criterion_of(state.covariance[np.ix_(state.wanted, state.wanted)], "A")
