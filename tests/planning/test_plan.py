"""Sets of standpoints against all sets, and whole plans."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from photoaz.geodesy.frames import EnuFrame, geodesic
from photoaz.planning.earlier import EarlierAzimuths
from photoaz.planning.equipment import Equipment
from photoaz.planning.foreseen import scene_of_site
from photoaz.planning.information import criterion_of, state_of, with_rows
from photoaz.planning.plan import plan_photos
from photoaz.planning.standpoints import APART_M, best_sets, candidates_at, nearest_m
from photoaz.planning.surroundings import Area, Landmark, load_landmarks
from photoaz.quantities import PRACTICE_LEAST_M

DAY = date(2026, 6, 1)
EQUIPMENT = Equipment(lenses_mm=(77.0,))


@pytest.fixture(scope="module")
def plan(site):
    return plan_photos(site, equipment=EQUIPMENT, day=DAY)


def value_of(state, told, criterion):
    """The criterion once these photos are there."""
    covariance = state.covariance
    for t in told:
        covariance = with_rows(covariance, t)
    return criterion_of(covariance[np.ix_(state.wanted, state.wanted)], criterion)


@pytest.mark.parametrize("criterion", ["A", "D"])
def test_sets_are_the_best_of_all(site, criterion) -> None:
    """Greedy and exchange against every pair and triple of some places."""
    state = state_of(scene_of_site(site))
    places = np.array([d * np.array([np.sin(b), np.cos(b)]) for b in np.arange(0, 6.2, 0.7) for d in (45.0, 90.0)])
    candidates = candidates_at(state, places, EQUIPMENT)
    at = np.array([c.stand.enu_m[:2] for c in candidates])
    for some in best_sets(state, candidates, 3, criterion):
        allowed = [
            s
            for s in itertools.combinations(range(len(candidates)), len(some))
            if all(np.hypot(*(at[i] - at[j])) >= APART_M for i, j in itertools.combinations(s, 2))
        ]
        values = {s: value_of(state, [candidates[k].told for k in s], criterion) for s in allowed}
        mine = value_of(state, [candidates[k].told for k in some], criterion)
        # an exchange may stop at a set that is second best: of all sets, within the best one per cent
        assert np.mean([v < mine - 1e-9 for v in values.values()]) <= 0.01


def test_a_plan_holds_together(site, plan) -> None:
    assert [s.rank for s in plan.standpoints] == [1, 2, 3]
    assert [len(s.standpoints) for s in plan.best_sets] == [1, 2, 3]
    for s in plan.standpoints:
        bearing, back, distance = geodesic(site.lat_deg, site.lon_deg, s.lat_deg, s.lon_deg)
        assert distance == pytest.approx(s.distance_m, abs=0.05)
        assert bearing == pytest.approx(s.bearing_from_tower_deg, abs=0.05)
        # the camera looks at the head, whose middle stands within 2 m of the axis
        assert abs((back - s.heading_deg + 180) % 360 - 180) < np.degrees(2.0 / s.distance_m) + 0.1
        assert set(s.u95_deg) == set(s.antennas)
    assert set(plan.together_u95_deg) == {"A1", "B1", "C1"}
    for one, more in itertools.pairwise(plan.best_sets):
        worst = [np.mean([s.u95_deg.get(n, 180.0) ** 2 for n in plan.wanted]) for s in (one, more)]
        assert worst[1] < worst[0]


def test_nobody_is_sent_under_the_tower(plan) -> None:
    scene = scene_of_site(plan.site)
    assert all(s.distance_m >= nearest_m(scene) - 1e-6 for one in plan.best_sets for s in one.standpoints)


def test_nobody_stands_nearer_than_practice_has_it_unless_asked(site, plan) -> None:
    # 150 ft: common practice, no source
    assert min(s.distance_m for one in plan.best_sets for s in one.standpoints) >= 45.7
    nearer = plan_photos(site, equipment=EQUIPMENT, day=DAY, nearest_m=20.0, farthest_m=40.0)
    least = nearest_m(scene_of_site(site, nearest_m=20.0))
    assert 20.0 <= least < 40.0
    assert all(least - 1e-6 <= s.distance_m <= 40.0 for one in nearer.best_sets for s in one.standpoints)


def test_common_practice_stands_beside_it(plan) -> None:
    (habit,) = [p for p in plan.by_distance if p.common_practice]
    assert habit.distance_m >= PRACTICE_LEAST_M - 0.1
    nearer = [p for p in plan.by_distance if p.distance_m < habit.distance_m]
    assert nearer
    # the forecast agrees with the reasons of the habit: nearer is worse, for photos and for sights by eye
    assert all(p.u95_deg > habit.u95_deg and p.plumb_sight_u95_deg > habit.plumb_sight_u95_deg for p in nearer)
    assert "no source" in plan.notes[0]


def test_habit_may_be_beaten_where_the_forecast_shows_it(make_site) -> None:
    """Surveyed offsets: the picture of the head then tells by itself where it was taken from (a resection)."""
    site = make_site(up_m=29.5, offset_east_m=0.0, offset_north_m=0.0)
    round_ = [(1.6 * np.sin(a), 1.6 * np.cos(a)) for a in np.radians([0.0, 120.0, 240.0])]
    known = tuple(
        replace(a, offset_east_m=float(e), offset_north_m=float(n))
        for a, (e, n) in zip(site.antennas, round_, strict=True)
    )
    made = plan_photos(replace(site, antennas=known), equipment=Equipment(lenses_mm=(77.0, 120.0)), day=DAY, most=1)
    unknown = plan_photos(make_site(up_m=29.5), equipment=Equipment(lenses_mm=(77.0, 120.0)), day=DAY, most=1)
    assert made.by_distance[0].u95_deg < 0.7 * unknown.by_distance[0].u95_deg
    assert ("Keep the usual distance" in " ".join(made.notes)) == (
        made.by_distance[0].u95_deg <= next(p.u95_deg for p in made.by_distance if p.common_practice)
    )
    assert "Keep the usual distance" not in " ".join(unknown.notes)


def test_what_is_forbidden_is_kept(site) -> None:
    import shapely

    may_not = shapely.box(-500, -500, 500, 0)
    made = plan_photos(site, equipment=EQUIPMENT, day=DAY, area=Area(may_not=may_not), farthest_m=70.0, most=2)
    frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg)
    for one in made.best_sets:
        for s in one.standpoints:
            assert frame.enu_from_geodetic(s.lat_deg, s.lon_deg)[1] > 0.0
            assert s.distance_m <= 70.0 + 1e-6
    nowhere = plan_photos(site, equipment=EQUIPMENT, day=DAY, area=Area(may_not=shapely.box(-1e3, -1e3, 1e3, 1e3)))
    assert nowhere.standpoints == ()
    assert any("no place to stand" in n for n in nowhere.notes)


def test_one_antenna_is_planned_for(site) -> None:
    made = plan_photos(site, wanted=["B1"], equipment=EQUIPMENT, day=DAY, most=1)
    (s,) = made.standpoints
    assert s.antennas.count("B1") == 1
    assert set(made.together_u95_deg) == {"B1"}
    assert abs((s.bearing_from_tower_deg - 120.0 + 180) % 360 - 180) < 100.0


def test_one_more_photo_goes_where_least_is_known(site) -> None:
    known = EarlierAzimuths(
        names=("A1", "B1"), azimuth_rad=np.radians([0.0, 120.0]), covariance_rad2=np.radians(1.0) ** 2 * np.eye(2)
    )
    made = plan_photos(site, equipment=EQUIPMENT, earlier=known, day=DAY, most=1)
    assert made.now_u95_deg == pytest.approx({"A1": 1.96, "B1": 1.96}, rel=1e-3)
    assert "C1" in made.standpoints[0].antennas
    assert set(made.together_u95_deg) == {"A1", "B1", "C1"}
    # beside a sector that is known, which then holds the heading
    assert len(made.standpoints[0].antennas) == 2


def test_a_known_azimuth_is_an_angle_in_no_particular_turn(site) -> None:
    """240 degrees are -120: the plan is the same, and a further photo never makes anything worse."""
    covariance = np.radians(1.0) ** 2 * (np.diag([100.0, 25.0, 2.0]) + 2.0)
    made = [
        plan_photos(
            site,
            equipment=EQUIPMENT,
            earlier=EarlierAzimuths(names=("A1", "B1", "C1"), azimuth_rad=np.radians(az), covariance_rad2=covariance),
            day=DAY,
            most=2,
        )
        for az in ([0.0, 120.0, 240.0], [360.0, 120.0, -120.0])
    ]
    assert len(made[0].best_sets) == 2
    for one, other in zip(made[0].best_sets, made[1].best_sets, strict=True):
        assert one.u95_deg == pytest.approx(other.u95_deg, rel=1e-3)
        assert all(one.u95_deg[n] <= 1.001 * u for n, u in made[0].now_u95_deg.items())


def test_a_landmark_is_had_in_the_frame_and_helps(make_site) -> None:
    site = make_site(up_m=26.0)
    marks = [
        Landmark(name=f"mast {k}", enu_m=np.array([900 * np.sin(b), 900 * np.cos(b), 20.0]), u95_m=3.0, height_m=20.0)
        for k, b in enumerate(np.radians([30.0, 150.0, 270.0]))
    ]
    equipment = Equipment(lenses_mm=(26.0, 77.0))
    plain = plan_photos(site, equipment=equipment, day=DAY, most=1)
    helped = plan_photos(site, equipment=equipment, landmarks=marks, day=DAY, most=1)
    (s,) = helped.standpoints
    assert s.landmarks
    for m in s.landmarks:
        assert 0 < m.x_px < 3024
        assert 0 < m.y_px < 4032
        assert all(m.u95_with_deg[n] < m.u95_without_deg[n] for n in m.u95_with_deg)
    # 3 m (95 %) at 900 m is 0.1 deg of heading: what is left is the outline's
    assert max(helped.together_u95_deg.values()) < 0.7 * min(plain.together_u95_deg.values())


def test_landmark_tables(tmp_path, site) -> None:
    from photoaz.errors import InputError

    frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg)
    path = tmp_path / "landmarks.csv"
    path.write_text("name,lat_deg,lon_deg,height_m,u95\nmill,46.61,-66.4,25,3\nspire,46.6,-66.39,,\n")
    mill, spire = load_landmarks(path, frame)
    # a hundredth of a degree of latitude there: 1111.6 m (by the meridian's curvature at 46.6 degrees)
    assert mill.enu_m[1] == pytest.approx(1111.6, abs=0.5)
    assert (mill.u95_m, mill.height_m, spire.height_m) == (3.0, 25.0, None)
    path.write_text("name,lat_deg,lon_deg,u95\nmill,146,-66.4,3\nmill,46.6,x,3\n,46.6,-66,-1\n")
    with pytest.raises(InputError) as caught:
        load_landmarks(path, frame)
    assert {(f.line, f.column) for f in caught.value.faults} >= {
        (2, "lat_deg"),
        (3, "lon_deg"),
        (4, "name"),
        (4, "u95"),
    }
    path.write_text("name,lat_deg\nmill,46\n")
    with pytest.raises(InputError, match="lon_deg"):
        load_landmarks(path, frame)
