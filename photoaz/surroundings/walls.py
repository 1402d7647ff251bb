"""Walls as they are seen all round, which of them are hidden, and sights past them: in planes and azimuths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from photoaz.angles import Array
from photoaz.geodesy.frames import drop_m
from photoaz.surroundings.maps import Surroundings, following, shapes_of
from photoaz.surroundings.terrain import Ground

Numbers = NDArray[np.int64]

TURN = 2.0 * np.pi
#: in the place of a building's number
NOTHING, GROUND = -1, -2
#: the circle is parted in so many, to tell quickly what is hidden for certain
_BINS = 1440
#: just beside an azimuth [rad]: a tenth of a millimetre at a kilometre
BESIDE = 1e-7
#: rounds of cutting the circle where one thing comes out from behind another; each halves what is left
_ROUNDS = 12
#: azimuths at which the ground's horizon is looked for
_HORIZON = 720


@dataclass(frozen=True, slots=True)
class Walls:
    """Walls (w,) as seen: start and end, clockwise, within [0, a turn]; corners by number at these, (w, 2)."""

    start: Array
    end: Array
    plane: Array
    nearness: Array
    top_sigma_m: Array
    building: Numbers
    corners: Numbers

    def __len__(self) -> int:
        return len(self.start)

    def __getitem__(self, k: Any) -> Walls:
        return Walls(*(getattr(self, name)[k] for name in self.__slots__))


def along(plane: Array, azimuth: ArrayLike) -> Array:
    """The law of the tops: planes (..., 2) at azimuths (...)."""
    return np.asarray(plane[..., 0] * np.sin(azimuth) + plane[..., 1] * np.cos(azimuth))


def buildings_at(some: Surroundings, place: Array) -> Numbers:
    """Which buildings' footprints a place (2,) [m] lies in: those whose walls go round it."""
    if not len(some):
        return np.zeros(0, np.int64)
    away = some.corners_m - place
    there = away[following(some.first)]
    crossed = (away[:, 1] > 0.0) != (there[:, 1] > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        east = away[:, 0] - away[:, 1] * (there[:, 0] - away[:, 0]) / (there[:, 1] - away[:, 1])
    count = np.add.reduceat(crossed & (east > 0.0), some.first[:-1])
    return np.asarray(np.flatnonzero(count % 2))


def walls_of(some: Surroundings, eye: Array, refraction_k: float, inside: Numbers) -> Walls:
    """The walls that face the eye (3,) [m], but for those of buildings that it is in."""
    building = np.repeat(np.arange(len(some)), np.diff(some.first))
    away, after = some.corners_m - eye[:2], following(some.first)
    cross = away[:, 0] * away[after, 1] - away[after, 0] * away[:, 1]
    # their sum is twice a footprint's area, positive where its corners go round anticlockwise
    area = np.add.reduceat(cross, some.first[:-1]) if len(some) else cross
    there = np.ones(len(some), bool)
    there[inside] = False
    keep = np.flatnonzero(there[building] & (cross * np.where(area > 0.0, 1.0, -1.0)[building] < 0.0))
    up = some.top_m[building] - eye[2] - drop_m(np.hypot(*away.T), refraction_k)
    ends = np.column_stack([keep, after[keep]])
    return _seen(away, up, ends, building[keep], some.top_sigma_m[building[keep]])


def hills(ground: Ground, eye: Array, refraction_k: float) -> Walls:
    """Where the ground meets the sky, from an eye (3,) [m]: walls between each azimuth's highest place and the next."""
    places, up = ground.horizon(eye, _HORIZON, refraction_k)
    up = up - eye[2] - drop_m(np.hypot(*(places - eye[:2]).T), refraction_k)
    ends = np.column_stack([np.arange(_HORIZON), np.roll(np.arange(_HORIZON), -1)])
    walls = _seen(places - eye[:2], up, ends, np.full(_HORIZON, GROUND), np.zeros(_HORIZON))
    walls.corners[:] = -1
    return walls


def joined(one: Walls, two: Walls) -> Walls:
    """Both, the first ones first."""
    return Walls(*(np.concatenate([getattr(one, n), getattr(two, n)]) for n in Walls.__slots__))


def _seen(away: Array, up: Array, ends: Numbers, building: Numbers, sigma: Array) -> Walls:
    """Walls between ends (w, 2), numbers of places (c, 2) off the eye, as high as up (c,); not those seen end-on."""
    a, b = ends.T
    det = away[a, 0] * away[b, 1] - away[b, 0] * away[a, 1]
    # clockwise from start to end: the second place lies to the right of the first
    a, b = np.where(det < 0.0, a, b), np.where(det < 0.0, b, a)
    some = np.abs(det) > 1e-9
    a, b, det = a[some], b[some], -np.abs(det[some])
    (x1, y1), (x2, y2), z1, z2 = away[a].T, away[b].T, up[a], up[b]
    azimuth = np.mod(np.arctan2(away[:, 0], away[:, 1]), TURN)
    start, end = azimuth[a], azimuth[b]
    out = Walls(
        start,
        end,
        np.column_stack([z1 * y2 - z2 * y1, x1 * z2 - x2 * z1]) / det[:, None],
        np.column_stack([y2 - y1, x1 - x2]) / det[:, None],
        sigma[some],
        building[some],
        np.column_stack([a, b]),
    )
    over = np.flatnonzero(end < start)  # these go over north: once at either end
    both = out[np.concatenate([np.arange(len(out)), over])]
    both.end[over] = TURN
    both.start[len(out) :] = 0.0
    return both[both.end > both.start]


def expanded(low: Numbers, high: Numbers) -> tuple[Numbers, Numbers]:
    """All (which, number) with low[which] <= number < high[which]."""
    counts = np.maximum(high - low, 0)
    which = np.repeat(np.arange(len(low)), counts)
    ends = np.cumsum(counts)
    return which, np.arange(ends[-1] if len(ends) else 0) + np.repeat(low - (ends - counts), counts)


def _highest_before(group: Numbers, value: Array) -> Array:
    """Running maximum of values (n,) within groups (n,) that ascend, of those before each; -inf for a group's first."""
    if not len(value):
        return value
    span = float(np.ptp(value[np.isfinite(value)])) + 1.0 if np.isfinite(value).any() else 1.0
    lifted = np.where(np.isfinite(value), value, value[np.isfinite(value)].min(initial=0.0) - 1.0) + group * 2.0 * span
    run = np.maximum.accumulate(lifted)
    first = np.concatenate([[True], group[1:] != group[:-1]])
    before = np.concatenate([[0.0], run[:-1]]) - group * 2.0 * span
    return np.where(first, -np.inf, before)


def may_be_seen(walls: Walls) -> Numbers:
    """Walls that are not hidden for certain, by number.

    In each of the circle's bins, the nearest first: hidden is what does not rise above the lowest that some nearer
    wall shows over the whole bin, heights being uncertain.
    """
    if not len(walls):
        return np.zeros(0, np.int64)
    width = TURN / _BINS
    low = np.minimum((walls.start / width).astype(np.int64), _BINS - 1)
    high = np.minimum(np.ceil(walls.end / width).astype(np.int64), _BINS)
    wall, bin_ = expanded(low, np.maximum(high, low + 1))
    left, right = np.maximum(bin_ * width, walls.start[wall]), np.minimum((bin_ + 1) * width, walls.end[wall])
    ends = np.stack([left, right])
    tops, near = along(walls.plane[wall], ends), along(walls.nearness[wall], ends)
    whole = right - left >= width * (1.0 - 1e-9)
    # between the ends a wall may come up to 1/cos(half a bin) higher
    highest = tops.max(0) + np.abs(tops).max(0) * width**2 + 2.0 * walls.top_sigma_m[wall] * near.max(0)
    lowest = np.where(whole, tops.min(0) - 2.0 * walls.top_sigma_m[wall] * near.max(0), -np.inf)
    order = np.lexsort((-near.max(0), bin_))
    before = np.empty(len(order))
    before[order] = _highest_before(bin_[order], lowest[order])
    return np.unique(wall[highest >= before])


@dataclass(frozen=True, slots=True)
class Pairs:
    """Which walls stand in which parts of the circle: (n,) numbers, parts ascending; first: (parts + 1,)."""

    part: Numbers
    wall: Numbers
    first: Numbers


def _pairs(walls: Walls, cuts: Array) -> Pairs:
    wall, part = expanded(np.searchsorted(cuts, walls.start), np.searchsorted(cuts, walls.end))
    order = np.argsort(part, kind="stable")
    part = part[order]
    return Pairs(part, wall[order], np.searchsorted(part, np.arange(len(cuts))))


def highest(pairs: Pairs, value: Array, parts: int) -> tuple[Numbers, Array]:
    """The wall (parts,) of the highest value (n,) in each part, and that value; -1 and -inf where there is none."""
    order = np.lexsort((value, pairs.part))
    last = pairs.first[1:] - 1
    some = pairs.first[1:] > pairs.first[:-1]
    who = np.full(parts, -1)
    top = np.full(parts, -np.inf)
    who[some] = pairs.wall[order][last[some]]
    top[some] = value[order][last[some]]
    return who, top


def skyline_cuts(walls: Walls) -> tuple[Array, Pairs]:
    """The circle cut so that in each part no wall begins or ends and one thing alone is the highest."""
    cuts = np.unique(np.concatenate([[0.0, TURN], walls.start, walls.end]))
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > 1e-12])]
    for _ in range(_ROUNDS):
        pairs = _pairs(walls, cuts)
        left, right = winners(walls, cuts, pairs)
        differ = (left != right) & (np.diff(cuts) > 4 * BESIDE)
        a, b, low = left[differ], right[differ], cuts[:-1][differ]
        away = walls.plane[a] * (a >= 0)[:, None] - walls.plane[b] * (b >= 0)[:, None]
        cross = low + np.mod(np.arctan2(-away[:, 1], away[:, 0]) - low, np.pi)
        more = cross[(cross > low + BESIDE) & (cross < cuts[1:][differ] - BESIDE)]
        if not len(more):
            return cuts, pairs
        cuts = np.unique(np.concatenate([cuts, more]))
    return cuts, _pairs(walls, cuts)


def winners(walls: Walls, cuts: Array, pairs: Pairs) -> tuple[Numbers, Numbers]:
    """What is the highest just after the beginning and before the end of each part (parts,); -1 where nothing is.

    cuts: azimuths (c,), one more than parts.
    """
    parts, beside = len(cuts) - 1, np.minimum(BESIDE, 0.25 * np.diff(cuts))
    at = (cuts[:-1] + beside, cuts[1:] - beside)
    left, right = (highest(pairs, along(walls.plane[pairs.wall], a[pairs.part]), parts) for a in at)
    return np.where(left[1] > 0.0, left[0], -1), np.where(right[1] > 0.0, right[0], -1)


#: a sight passes what it passes this much higher [m]
CLEARANCE_M = 1.0
#: a building so near to what is looked at carries it [m]
_CARRIES_M = 2.0
#: places along a sight at which the ground is looked at, as shares of the way
_ALONG = np.linspace(0.02, 0.98, 49)


def free_sights(some: Surroundings, eyes_m: Array, target_m: Array) -> NDArray[np.bool_]:
    """From which places (n, 3) a target (3,) is seen, heights above the ground at the tower [m]; from within no house.

    A sight must pass everything, and the ground, by a clearance, heights of roofs being uncertain (one sigma); but for
    what the target itself stands on.
    """
    import shapely

    free = np.ones(len(eyes_m), bool)
    if some.ground is not None:
        between = eyes_m[:, None] + _ALONG[:, None] * (target_m - eyes_m)[:, None]
        free &= (between[..., 2] > some.ground.at(between[..., :2])).all(1)
    if not len(some):
        return free
    shapes, points = shapes_of(some), shapely.points(eyes_m[:, :2])
    tree = shapely.STRtree(shapes)
    free[tree.query(points, predicate="intersects")[0]] = False
    carries = tree.query(shapely.Point(target_m[:2]), predicate="dwithin", distance=_CARRIES_M)
    ends = np.broadcast_to(target_m[:2], (len(eyes_m), 2))
    ways = shapely.linestrings(np.stack([eyes_m[:, :2], ends], 1))
    way, building = tree.query(ways, predicate="intersects")
    keep = ~np.isin(building, carries) & free[way]
    way, building = way[keep], building[keep]
    # where a sight that rises comes upon a building it is lowest
    nearest = shapely.distance(points[way], shapely.intersection(ways[way], shapes[building]))
    share = nearest / np.maximum(np.hypot(*(target_m[:2] - eyes_m[way, :2]).T), 1e-6)
    height = eyes_m[way, 2] + (target_m[2] - eyes_m[way, 2]) * np.minimum(share, 1.0)
    top = some.top_m[building] + some.top_sigma_m[building] + CLEARANCE_M
    free[way[height < top]] = False
    return free
