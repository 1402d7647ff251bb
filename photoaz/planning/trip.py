"""A round trip over places: nearest neighbour, then 2-opt (Croes, Operations Research 6, 1958, 791-812)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from photoaz.angles import Array
from photoaz.quantities import EARTH_RADIUS_M
from photoaz.wording import CAUTIONS, before_you_go


def distances_m(lat_deg: Sequence[float], lon_deg: Sequence[float]) -> Array:
    """Great-circle distances (n, n) [m] by the haversine formula; within half a per cent of the geodesic's."""
    lat, lon = np.radians(np.asarray(lat_deg, float)), np.radians(np.asarray(lon_deg, float))
    a = np.sin(0.5 * (lat[:, None] - lat)) ** 2
    a = a + np.cos(lat[:, None]) * np.cos(lat) * np.sin(0.5 * (lon[:, None] - lon)) ** 2
    return np.asarray(2.0 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(a, 0.0, 1.0))))


def tour_length(distance: Array, order: Sequence[int]) -> float:
    """Length of the closed tour. distance (n, n), order: each place once."""
    o = np.asarray(order, int)
    return float(distance[o, np.roll(o, -1)].sum())


def round_trip(distance: Array, start: int = 0) -> tuple[int, ...]:
    """A short closed tour of all places from `start`. distance (n, n): symmetric.

    From the nearest-neighbour tour of each of up to a dozen places, each improved by turning stretches round while that
    shortens it; the shortest.
    """
    n = len(distance)
    if n < 4:
        return tuple((start + k) % n for k in range(n))
    best: list[int] | None = None
    for first in sorted({start, *np.linspace(0, n - 1, min(n, 12)).astype(int).tolist()}):
        order = [first]
        left = set(range(n)) - {first}
        while left:
            order.append(min(left, key=lambda k: (distance[order[-1], k], k)))
            left.remove(order[-1])
        order = _two_opt(distance, order)
        if best is None or tour_length(distance, order) < tour_length(distance, best) - 1e-9:
            best = order
    assert best is not None
    at = best.index(start)
    return tuple(best[at:] + best[:at])


def _two_opt(distance: Array, order: list[int]) -> list[int]:
    o = np.array(order)
    n = len(o)
    for _ in range(20 * n):
        d = distance[np.ix_(o, o)]
        step = np.concatenate([np.diag(d, 1), [d[-1, 0]]])  # from each to the next
        to = np.roll(d, -1, axis=(0, 1))  # between the nexts of both
        gain = step[:, None] + step - d - to
        gain[np.tril_indices(n, 1)] = -np.inf
        gain[0, n - 1] = -np.inf  # the same edge from both sides
        i, j = np.unravel_index(int(gain.argmax()), gain.shape)
        if gain[i, j] <= 1e-9:
            break
        o[i + 1 : j + 1] = o[i + 1 : j + 1][::-1].copy()
    return [int(k) for k in o]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is to be done about one antenna, as an audit's list has it; where it says nothing, ''."""

    antenna_id: str
    action: str
    instruction: str = ""
    reasons: str = ""
    bring: str = ""
    where: str = ""
    lat_deg: float | None = None
    lon_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """A site that somebody goes to."""

    site_id: str
    lat_deg: float
    lon_deg: float
    tasks: tuple[Task, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop(Visit):
    """A site on a round trip. leg_m: from the one before it. what: is to be done there, in few words."""

    order: int
    leg_m: float
    what: str
    before_you_go: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundTrip:
    """Sites in the order they are visited, and the way's length, back to where it starts."""

    length_m: float
    stops: tuple[Stop, ...]
    cautions: tuple[str, ...] = CAUTIONS


def trip_over(sites: Sequence[Visit], start: tuple[float, float] | None = None) -> RoundTrip:
    """A round trip over sites.

    start: latitude and longitude where it begins and ends; without, at the first site.
    """
    if not sites:
        return RoundTrip(length_m=0.0, stops=())
    lat = [s.lat_deg for s in sites] + ([start[0]] if start else [])
    lon = [s.lon_deg for s in sites] + ([start[1]] if start else [])
    distance = distances_m(lat, lon)
    order = round_trip(distance, len(sites) if start else 0)
    stops: list[Stop] = []
    for k, at in enumerate(order):
        if at == len(sites):
            continue
        leg = float(distance[order[k - 1], at]) if k else 0.0
        by_action: dict[str, list[str]] = {}
        for task in sites[at].tasks:
            by_action.setdefault(task.action, []).append(task.antenna_id)
        what = "; ".join(f"{action.replace('_', ' ')} {', '.join(names)}" for action, names in by_action.items())
        told = {f.name: getattr(sites[at], f.name) for f in fields(Visit)}
        before = before_you_go(by_action)
        stops.append(Stop(**told, order=len(stops) + 1, leg_m=leg, what=what, before_you_go=before))
    return RoundTrip(length_m=tour_length(distance, order), stops=tuple(stops))
