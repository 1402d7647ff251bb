"""What is seen of a map's buildings from a standpoint, all round: their upright edges, and where they meet the sky.

Buildings are their footprints drawn up to a height; what stands behind something higher is hidden. Each wall's top is
a straight line, and so is seen under an elevation e at an azimuth a of tan e = u sin a + v cos a, where (u, v) is the
one plane through the eye and that line. One over the distance to the wall goes by the same law.
So nothing has to be sampled: where two of them cross, and how they change as the eye moves, is worked out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from photoaz import quantities as q
from photoaz.surroundings.maps import Surroundings

Array = NDArray[Any]
Numbers = NDArray[np.int64]

#: the circle is parted in so many, to tell quickly what is hidden for certain
_BINS = 1440
#: just beside an azimuth [rad]: a tenth of a millimetre at a kilometre
_BESIDE = 1e-7
_TURN = 2.0 * np.pi
#: rounds of cutting the circle where one thing comes out from behind another; each halves what is left
_ROUNDS = 12
#: houses stand in one front where one lies no further back than this [m]
_ONE_FRONT_M = 0.3
#: edges less probably seen than this are left out
_LEAST_SEEN = 0.05


def drop_m(distance_m: ArrayLike, refraction_k: float = q.REFRACTION_K) -> Array:
    """How far [m] something at a distance (...) [m] seems to lie lower, by the earth's curvature less refraction.

    d^2 (1 - k) / 2R: the line of sight bends with a radius R/k, so that the earth seems to have the radius R/(1 - k).
    """
    d = np.asarray(distance_m, float)
    return np.asarray(d * d * (1.0 - refraction_k) / (2.0 * q.EARTH_RADIUS_M))


def dip_rad(height_m: ArrayLike, refraction_k: float = q.REFRACTION_K) -> Array:
    """How far [rad] the sea's horizon lies below level, seen from heights (...) [m] above it: sqrt(2 h (1 - k) / R)."""
    return np.sqrt(2.0 * np.maximum(height_m, 0.0) * (1.0 - refraction_k) / q.EARTH_RADIUS_M)


@dataclass(frozen=True, slots=True, kw_only=True)
class Uprights:
    """Upright edges of buildings, each (k,), by azimuth. Angles [rad], lengths [m].

    They are seen from elevation_low_rad (above what stands before them) to elevation_high_rad (the eaves).
    sigma_top_rad, sigma_low_rad: of these two, as heights are known; sigma_azimuth_rad: of the azimuth, as the map's
    corners are, most of it common to all edges of a building. p_seen: probability that anything of it is seen, as far
    as heights tell. side: 1 where the building lies clockwise of the edge, -1 anticlockwise, 0 where two of its walls
    meet that are both seen. sky_from_rad: from here up there is sky beside the edge, on the side where the building is
    not; elevation_high_rad or more where there is none. building, corner: numbers in the `Surroundings`. azimuth_per_m:
    (k, 2) by the eye's east and north, elevation_per_m: (k, 3) of the top, by its east, north and up [rad/m].
    """

    azimuth_rad: Array
    distance_m: Array
    elevation_low_rad: Array
    elevation_high_rad: Array
    sigma_low_rad: Array
    sigma_top_rad: Array
    sigma_azimuth_rad: Array
    sky_from_rad: Array
    p_seen: Array
    side: Numbers
    building: Numbers
    corner: Numbers
    azimuth_per_m: Array
    elevation_per_m: Array

    def __len__(self) -> int:
        return len(self.azimuth_rad)

    @property
    def is_outline(self) -> NDArray[np.bool_]:
        """Which (k,) part the building from the sky, or from something further away."""
        return np.asarray(self.side != 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Skyline:
    """Where things meet the sky, in pieces that go round from azimuth 0 to a whole turn without a gap.

    azimuth_rad: (p, 2) from where to where. building: (p,) -1 where the map has nothing. plane: (p, 2) u and v;
    nearness: (p, 2) the same of one over the distance. top_sigma_m: (p,) of the top's height, the roof's part too.
    ground_sigma_m: of the ground, None where it is level. corners: (p, 2) by number, -1 and -1 where there is nothing.
    """

    azimuth_rad: Array
    building: Numbers
    plane: Array
    nearness: Array
    top_sigma_m: Array
    corners: Numbers
    ground_sigma_m: float | None = None

    def __len__(self) -> int:
        return len(self.building)

    def piece_at(self, azimuth_rad: ArrayLike) -> Numbers:
        """Numbers (...) of the pieces at azimuths (...)."""
        at = np.searchsorted(self.azimuth_rad[:, 0], np.mod(azimuth_rad, _TURN), "right") - 1
        return np.asarray(np.clip(at, 0, len(self) - 1))

    def elevation_rad(self, azimuth_rad: ArrayLike, piece: Numbers | None = None) -> Array:
        """Elevations (...) [rad] at azimuths (...), of a piece (...) where one is named."""
        return np.arctan(_along(self.plane[self.piece_at(azimuth_rad) if piece is None else piece], azimuth_rad))

    def distance_m(self, azimuth_rad: ArrayLike, piece: Numbers | None = None) -> Array:
        """Distances (...) [m], infinite where there is nothing."""
        near = _along(self.nearness[self.piece_at(azimuth_rad) if piece is None else piece], azimuth_rad)
        with np.errstate(divide="ignore"):
            return 1.0 / np.maximum(near, 0.0)

    def sigma_rad(self, azimuth_rad: ArrayLike, piece: Numbers | None = None) -> Array:
        """Standard uncertainty (...) [rad] of the elevations; where there is nothing, of what may stand there."""
        at = self.piece_at(azimuth_rad) if piece is None else piece
        near = np.maximum(_along(self.nearness[at], azimuth_rad), 0.0)
        own = _sigma_of_top(near, self.top_sigma_m[at], self.ground_sigma_m)
        level = np.cos(self.elevation_rad(azimuth_rad, at)) ** 2
        return np.asarray(np.where(self.building[at] < 0, q.GROUND_SLOPE_SHARE, own * level))

    def elevation_per_m(self, azimuth_rad: ArrayLike, piece: Numbers | None = None) -> Array:
        """How elevations change at an azimuth that is held, as the eye moves: (..., 3) [rad/m] by east, north, up."""
        at = self.piece_at(azimuth_rad) if piece is None else piece
        near = np.maximum(_along(self.nearness[at], azimuth_rad), 0.0)
        level = np.cos(self.elevation_rad(azimuth_rad, at)) ** 2
        moved = np.concatenate([self.plane[at], np.full((*np.shape(near), 1), -1.0)], -1)
        return np.asarray(moved * (near * level)[..., None])


@dataclass(frozen=True, slots=True, kw_only=True)
class Panorama:
    """What is seen from eye_m (3,): east, north [m] in the site's frame, up [m] above the ground at the tower.

    within: buildings whose footprints the eye lies in; they are taken for not being there. landmarks: (m, 4) azimuth,
    elevation of the top, distance, and 1 where the top is seen, in the order of the `Surroundings`.

    A slope (east, north) that all the ground has in common adds slope_east sin a + slope_north cos a to the tangent of
    every elevation.
    """

    eye_m: Array
    uprights: Uprights
    skyline: Skyline
    landmarks: Array
    within: tuple[int, ...] = ()


def panorama(some: Surroundings, eye_m: Array, refraction_k: float = q.REFRACTION_K) -> Panorama:
    """What is seen from eye_m (3,): east, north in the site's frame, up above the ground at the tower [m]."""
    eye = np.asarray(eye_m, float)
    inside = _buildings_at(some, eye[:2])
    walls = _walls(some, eye, refraction_k, inside)
    walls = walls[_may_be_seen(walls)]
    cuts, pairs = _skyline_cuts(walls)
    return Panorama(
        eye_m=eye,
        uprights=_uprights(some, eye, walls, cuts, pairs, refraction_k),
        skyline=_skyline(some, walls, cuts, pairs),
        landmarks=_landmarks(some, eye, walls, cuts, pairs, refraction_k),
        within=tuple(int(k) for k in inside),
    )


@dataclass(frozen=True, slots=True)
class _Walls:
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

    def __getitem__(self, k: Any) -> _Walls:
        return _Walls(*(getattr(self, name)[k] for name in self.__slots__))


def _along(plane: Array, azimuth: ArrayLike) -> Array:
    """The law of the tops: planes (..., 2) at azimuths (...)."""
    return np.asarray(plane[..., 0] * np.sin(azimuth) + plane[..., 1] * np.cos(azimuth))


def _sigma_of_top(near: Array, top_sigma_m: Array, ground_sigma_m: float | None) -> Array:
    """Standard uncertainty of tan e of a top, at nearness one over distance [1/m]."""
    if ground_sigma_m is not None:
        return np.asarray(np.hypot(top_sigma_m, ground_sigma_m) * near)
    return np.asarray(np.hypot(top_sigma_m * near, _off_slope(near)))


def _off_slope(near: Array) -> Array:
    """How far ground lies off the common slope, over the distance; up to GROUND_OFF_SLOPE_M at any distance."""
    far = q.GROUND_OFF_SLOPE_M * near
    return np.asarray(q.GROUND_SLOPE * far / np.hypot(far, q.GROUND_SLOPE))


def _buildings_at(some: Surroundings, place: Array) -> Numbers:
    """Which buildings' footprints (east, north) lies in: those whose walls go round it."""
    if not len(some):
        return np.zeros(0, np.int64)
    away = some.corners_m - place
    there = away[_following(some)]
    crossed = (away[:, 1] > 0.0) != (there[:, 1] > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        east = away[:, 0] - away[:, 1] * (there[:, 0] - away[:, 0]) / (there[:, 1] - away[:, 1])
    count = np.add.reduceat(crossed & (east > 0.0), some.first[:-1])
    return np.asarray(np.flatnonzero(count % 2))


def _following(some: Surroundings) -> Numbers:
    """The number (c,) of each corner's next one round its footprint."""
    out = np.arange(1, len(some.corners_m) + 1)
    out[some.first[1:] - 1] = some.first[:-1]
    return out


def _walls(some: Surroundings, eye: Array, refraction_k: float, inside: Numbers) -> _Walls:
    """All walls but those seen end-on, and those of buildings that the eye is in."""
    building = np.repeat(np.arange(len(some)), np.diff(some.first))
    away = some.corners_m - eye[:2]
    up = some.top_m[building] - eye[2] - drop_m(np.hypot(*away.T), refraction_k)
    a, b = np.arange(len(away)), _following(some) if len(some) else np.zeros(0, np.int64)
    det = away[a, 0] * away[b, 1] - away[b, 0] * away[a, 1]
    # clockwise from start to end: the second corner lies to the right of the first
    a, b = np.where(det < 0.0, a, b), np.where(det < 0.0, b, a)
    seen = (np.abs(det) > 1e-9) & ~np.isin(building, inside)
    a, b, building, det = a[seen], b[seen], building[seen], -np.abs(det[seen])
    (x1, y1), (x2, y2), z1, z2 = away[a].T, away[b].T, up[a], up[b]
    azimuth = np.mod(np.arctan2(away[:, 0], away[:, 1]), _TURN)
    start, end = azimuth[a], azimuth[b]
    out = _Walls(
        start,
        end,
        np.column_stack([z1 * y2 - z2 * y1, x1 * z2 - x2 * z1]) / det[:, None],
        np.column_stack([y2 - y1, x1 - x2]) / det[:, None],
        some.top_sigma_m[building],
        building,
        np.column_stack([a, b]),
    )
    over = np.flatnonzero(end < start)  # these go over north: once at either end
    both = out[np.concatenate([np.arange(len(out)), over])]
    both.end[over] = _TURN
    both.start[len(out) :] = 0.0
    return both[both.end > both.start]


def _expanded(low: Numbers, high: Numbers) -> tuple[Numbers, Numbers]:
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


def _may_be_seen(walls: _Walls) -> Numbers:
    """Walls that are not hidden for certain, by number.

    In each of the circle's bins, the nearest first: hidden is what does not rise above the lowest that some nearer
    wall shows over the whole bin, heights being uncertain.
    """
    if not len(walls):
        return np.zeros(0, np.int64)
    width = _TURN / _BINS
    low = np.minimum((walls.start / width).astype(np.int64), _BINS - 1)
    high = np.minimum(np.ceil(walls.end / width).astype(np.int64), _BINS)
    wall, bin_ = _expanded(low, np.maximum(high, low + 1))
    left, right = np.maximum(bin_ * width, walls.start[wall]), np.minimum((bin_ + 1) * width, walls.end[wall])
    ends = np.stack([left, right])
    tops, near = _along(walls.plane[wall], ends), _along(walls.nearness[wall], ends)
    whole = right - left >= width * (1.0 - 1e-9)
    # between the ends a wall may come up to 1/cos(half a bin) higher
    highest = tops.max(0) + np.abs(tops).max(0) * width**2 + 2.0 * walls.top_sigma_m[wall] * near.max(0)
    lowest = np.where(whole, tops.min(0) - 2.0 * walls.top_sigma_m[wall] * near.max(0), -np.inf)
    order = np.lexsort((-near.max(0), bin_))
    before = np.empty(len(order))
    before[order] = _highest_before(bin_[order], lowest[order])
    return np.unique(wall[highest >= before])


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Which walls stand in which parts of the circle: (n,) numbers, parts ascending; first: (parts + 1,)."""

    part: Numbers
    wall: Numbers
    first: Numbers


def _pairs(walls: _Walls, cuts: Array) -> _Pairs:
    wall, part = _expanded(np.searchsorted(cuts, walls.start), np.searchsorted(cuts, walls.end))
    order = np.argsort(part, kind="stable")
    part = part[order]
    return _Pairs(part, wall[order], np.searchsorted(part, np.arange(len(cuts))))


def _highest(pairs: _Pairs, value: Array, parts: int) -> tuple[Numbers, Array]:
    """The wall (parts,) of the highest value (n,) in each part, and that value; -1 and -inf where there is none."""
    order = np.lexsort((value, pairs.part))
    last = pairs.first[1:] - 1
    some = pairs.first[1:] > pairs.first[:-1]
    who = np.full(parts, -1)
    top = np.full(parts, -np.inf)
    who[some] = pairs.wall[order][last[some]]
    top[some] = value[order][last[some]]
    return who, top


def _skyline_cuts(walls: _Walls) -> tuple[Array, _Pairs]:
    """The circle cut so that in each part no wall begins or ends and one thing alone is the highest."""
    cuts = np.unique(np.concatenate([[0.0, _TURN], walls.start, walls.end]))
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > 1e-12])]
    for _ in range(_ROUNDS):
        pairs = _pairs(walls, cuts)
        left, right = _winners(walls, cuts, pairs)
        differ = (left != right) & (np.diff(cuts) > 4 * _BESIDE)
        a, b, low = left[differ], right[differ], cuts[:-1][differ]
        away = walls.plane[a] * (a >= 0)[:, None] - walls.plane[b] * (b >= 0)[:, None]
        cross = low + np.mod(np.arctan2(-away[:, 1], away[:, 0]) - low, np.pi)
        more = cross[(cross > low + _BESIDE) & (cross < cuts[1:][differ] - _BESIDE)]
        if not len(more):
            return cuts, pairs
        cuts = np.unique(np.concatenate([cuts, more]))
    return cuts, _pairs(walls, cuts)


def _winners(walls: _Walls, cuts: Array, pairs: _Pairs) -> tuple[Numbers, Numbers]:
    """What is the highest just after the beginning and just before the end of each part; -1 where nothing is."""
    parts, beside = len(cuts) - 1, np.minimum(_BESIDE, 0.25 * np.diff(cuts))
    at = (cuts[:-1] + beside, cuts[1:] - beside)
    left, right = (_highest(pairs, _along(walls.plane[pairs.wall], a[pairs.part]), parts) for a in at)
    return np.where(left[1] > 0.0, left[0], -1), np.where(right[1] > 0.0, right[0], -1)


def _skyline(some: Surroundings, walls: _Walls, cuts: Array, pairs: _Pairs) -> Skyline:
    """What is the highest in each part, with one piece where parts side by side have the same."""
    who, _ = _winners(walls, cuts, pairs)
    # a wall that goes over north is there twice, with one pair of corners
    seen = np.column_stack([who >= 0, walls.corners[who] * (who >= 0)[:, None]]) if len(walls) else who[:, None]
    new = np.concatenate([[True], (seen[1:] != seen[:-1]).any(1)])
    who, ends = who[new], np.flatnonzero(np.concatenate([new[1:], [True]])) + 1
    bare = who < 0

    def of(values: Array, nothing: float) -> Array:
        out = np.full((len(who), *values.shape[1:]), nothing, values.dtype)
        out[~bare] = values[who[~bare]]
        return out

    return Skyline(
        azimuth_rad=np.column_stack([cuts[:-1][new], cuts[ends]]),
        building=of(walls.building, -1),
        plane=of(walls.plane, 0.0),
        nearness=of(walls.nearness, 0.0),
        top_sigma_m=of(walls.top_sigma_m, 0.0),
        corners=of(walls.corners, -1),
        ground_sigma_m=some.ground_sigma_m,
    )


@dataclass(frozen=True, slots=True)
class _Beside:
    """What stands just beside directions (k,): tan e of the highest that is nearer, the wall, tan e of the highest of
    all, whether something of one's own building is nearer."""

    nearer: Array
    wall: Numbers
    highest: Array
    own: NDArray[np.bool_]


def _beside(
    walls: _Walls, cuts: Array, pairs: _Pairs, azimuth: Array, distance: Array, building: Numbers, side: float
) -> _Beside:
    """Looked up just anticlockwise (side -1) or clockwise (1) of azimuths (k,) of things at distances (k,) [m]."""
    at = np.mod(azimuth + side * _BESIDE, _TURN)
    part = np.clip(np.searchsorted(cuts, at, "right") - 1, 0, len(cuts) - 2)
    which, number = _expanded(pairs.first[part], pairs.first[part + 1])
    wall = pairs.wall[number]
    top, near = _along(walls.plane[wall], at[which]), _along(walls.nearness[wall], at[which])
    own = walls.building[wall] == building[which]
    # a house in one front with its neighbour has no edge against it
    before = np.where(own, near * distance[which] > 1.0 + 1e-5, near * (distance[which] + _ONE_FRONT_M) > 1.0)
    group = _Pairs(which, wall, np.searchsorted(which, np.arange(len(azimuth) + 1)))
    who, nearer = _highest(group, np.where(before, top, -np.inf), len(azimuth))
    return _Beside(
        nearer=nearer,
        wall=np.where(np.isfinite(nearer), who, -1),
        highest=_highest(group, top, len(azimuth))[1],
        own=np.bincount(which[own & before], minlength=len(azimuth)) > 0,
    )


# longer than most: an edge has many facts, all of one geometry
def _uprights(
    some: Surroundings, eye: Array, walls: _Walls, cuts: Array, pairs: _Pairs, refraction_k: float
) -> Uprights:
    corner = np.unique(walls.corners)
    building = np.searchsorted(some.first, corner, "right") - 1
    away = some.corners_m[corner] - eye[:2]
    distance = np.hypot(*away.T)
    azimuth = np.mod(np.arctan2(away[:, 0], away[:, 1]), _TURN)
    following = _following(some) if len(some) else np.zeros(0, np.int64)
    preceding = np.empty_like(following)
    preceding[following] = np.arange(len(following))
    hands = []
    for other in (following[corner], preceding[corner]):
        to = some.corners_m[other] - eye[:2]
        cross = away[:, 0] * to[:, 1] - to[:, 0] * away[:, 1]
        hands.append(-np.sign(np.where(np.abs(cross) > 1e-9, cross, 0.0)).astype(np.int64))
    side = np.where(hands[0] * hands[1] < 0, 0, np.sign(hands[0] + hands[1]))
    left, right = (_beside(walls, cuts, pairs, azimuth, distance, building, s) for s in (-1.0, 1.0))
    foot = some.ground_m[building] - eye[2] - drop_m(distance, refraction_k)
    base, high = foot / distance, (foot + some.eaves_m[building]) / distance
    hidden_left = left.nearer >= right.nearer
    before = np.where(hidden_left, left.nearer, right.nearer)
    low = np.maximum(before, base)
    hider = np.where(before > base, np.where(hidden_left, left.wall, right.wall), -1)
    sigma_high = _sigma_of_top(1.0 / distance, some.sigma_m[building], some.ground_sigma_m)
    sigma_low = np.zeros(len(corner))
    by = hider >= 0
    near = _along(walls.nearness[hider[by]], azimuth[by])
    sigma_low[by] = _sigma_of_top(near, walls.top_sigma_m[hider[by]], some.ground_sigma_m)
    p_seen = np.where(by, ndtr((high - low) / np.hypot(sigma_high, sigma_low)), 1.0)
    sky = np.select([side > 0, side < 0], [left.highest, right.highest], np.inf)
    keep = np.flatnonzero((p_seen > _LEAST_SEEN) & ~left.own & ~right.own)
    keep = keep[np.argsort(azimuth[keep], kind="stable")]
    sin, cos, level = np.sin(azimuth), np.cos(azimuth), 1.0 / (1.0 + high**2)
    by_place = np.column_stack([high * sin, high * cos, np.full(len(corner), -1.0)]) * (level / distance)[:, None]
    return Uprights(
        azimuth_rad=azimuth[keep],
        distance_m=distance[keep],
        elevation_low_rad=np.arctan(low[keep]),
        elevation_high_rad=np.arctan(high[keep]),
        sigma_low_rad=(sigma_low / (1.0 + low**2))[keep],
        sigma_top_rad=(sigma_high * level)[keep],
        sigma_azimuth_rad=np.hypot(q.FOOTPRINT_SIGMA_M, q.CORNER_SIGMA_M) / distance[keep],
        sky_from_rad=np.arctan(np.maximum(np.maximum(sky, low), 0.0))[keep],
        p_seen=p_seen[keep],
        side=side[keep],
        building=building[keep],
        corner=corner[keep],
        azimuth_per_m=(np.column_stack([-cos, sin]) / distance[:, None])[keep],
        elevation_per_m=by_place[keep],
    )


def _landmarks(some: Surroundings, eye: Array, walls: _Walls, cuts: Array, pairs: _Pairs, refraction_k: float) -> Array:
    """The landmarks' azimuths, elevations, distances, and whether their tops are seen, as `Panorama` has them."""
    if not some.landmarks:
        return np.zeros((0, 4))
    away = np.stack([m.enu_m[:2] for m in some.landmarks]) - eye[:2]
    distance = np.maximum(np.hypot(*away.T), 1e-3)
    azimuth = np.mod(np.arctan2(away[:, 0], away[:, 1]), _TURN)
    up = np.array([m.ground_m + m.height_m for m in some.landmarks]) - eye[2] - drop_m(distance, refraction_k)
    nobody = np.full(len(azimuth), -1)
    before = [_beside(walls, cuts, pairs, azimuth, distance, nobody, s).nearer for s in (-1.0, 1.0)]
    seen = up / distance > np.maximum(*before)
    return np.column_stack([azimuth, np.arctan(up / distance), distance, seen])
