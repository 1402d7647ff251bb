"""Round trips against all permutations, and distances against geodesics."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from photoaz.geodesy.frames import geodesic
from photoaz.planning.trip import RoundTrip, Task, Visit, distances_m, round_trip, tour_length, trip_over


def brute(distance: np.ndarray) -> float:
    rest = range(1, len(distance))
    return min(tour_length(distance, (0, *order)) for order in itertools.permutations(rest))


@pytest.mark.parametrize("seed", range(12))
def test_short_tours_are_the_shortest(seed: int) -> None:
    rng = np.random.default_rng(seed)
    at = rng.uniform(0, 100, (3 + seed % 6, 2))
    distance = np.hypot(*(at[:, None] - at).T)
    order = round_trip(distance)
    assert sorted(order) == list(range(len(at)))
    assert order[0] == 0
    assert tour_length(distance, order) == pytest.approx(brute(distance), rel=0.02)


def test_long_tours_cross_nothing() -> None:
    """2-opt: no two legs whose exchange shortens the tour."""
    rng = np.random.default_rng(7)
    at = rng.uniform(0, 100, (60, 2))
    distance = np.hypot(*(at[:, None] - at).T)
    order = round_trip(distance, 5)
    assert order[0] == 5
    n = len(order)
    for i, j in itertools.combinations(range(n), 2):
        a, b, c, d = order[i], order[(i + 1) % n], order[j], order[(j + 1) % n]
        if len({a, b, c, d}) == 4:
            assert distance[a, b] + distance[c, d] <= distance[a, c] + distance[b, d] + 1e-6
    # random uniform points: about 0.7124 sqrt(n A) (Beardwood, Halton, Hammersley 1959; the constant from memory)
    assert tour_length(distance, order) < 1.25 * 0.7124 * np.sqrt(60 * 1e4)


def test_distances_are_nearly_geodesic() -> None:
    d = distances_m([46.6, 47.1, -31.07], [-66.4, -65.2, 23.3])
    for i, j, a, b in ((0, 1, (46.6, -66.4), (47.1, -65.2)), (0, 2, (46.6, -66.4), (-31.07, 23.3))):
        assert d[i, j] == pytest.approx(geodesic(*a, *b)[2], rel=0.006)  # the earth's flattening, twice


def test_stops_and_legs_sum_up() -> None:
    sites = [("N", 10.2, 20.0), ("E", 10.0, 20.2), ("S", 9.8, 20.0), ("W", 10.0, 19.8)]
    trip = trip_over([Visit(site_id=name, lat_deg=lat, lon_deg=lon) for name, lat, lon in sites])
    stops = trip.stops
    assert {s.site_id for s in stops} == {"N", "E", "S", "W"}
    back = distances_m([stops[-1].lat_deg, stops[0].lat_deg], [stops[-1].lon_deg, stops[0].lon_deg])[0, 1]
    assert sum(s.leg_m for s in stops) + back == pytest.approx(trip.length_m)
    assert [s.order for s in stops] == [1, 2, 3, 4]
    assert [s.site_id for s in stops] in (["N", "E", "S", "W"], ["N", "W", "S", "E"])


def test_a_depot_is_no_stop() -> None:
    trip = trip_over([Visit(site_id="N", lat_deg=10.2, lon_deg=20.0)], start=(10.0, 20.0))
    assert [s.site_id for s in trip.stops] == ["N"]
    assert 2 * trip.stops[0].leg_m == pytest.approx(trip.length_m)
    assert trip_over([]) == RoundTrip(length_m=0.0, stops=())


def test_a_stop_says_all_that_is_to_be_done_and_what_to_mind() -> None:
    tasks = tuple(Task(antenna_id=f"A{k}", action="climb" if k == 9 else "read_again") for k in range(10))
    (stop,) = trip_over([Visit(site_id="N", lat_deg=10.2, lon_deg=20.0, tasks=tasks)]).stops
    assert stop.what == "read again A0, A1, A2, A3, A4, A5, A6, A7, A8; climb A9"
    assert stop.before_you_go.startswith("Only trained and equipped people climb")
