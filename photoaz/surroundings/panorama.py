"""What is seen of a map's buildings from a standpoint, all round: their upright edges, and where they meet the sky.

Buildings are their footprints drawn up to a height; what stands behind something higher is hidden. Each wall's top is
a straight line, and so is seen under an elevation e at an azimuth a of tan e = u sin a + v cos a, where (u, v) is the
one plane through the eye and that line. One over the distance to the wall goes by the same law.
So nothing has to be sampled: where two of them cross, and how they change as the eye moves, is worked out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from photoaz import quantities as q
from photoaz.angles import Array
from photoaz.geodesy.frames import drop_m
from photoaz.surroundings.maps import Surroundings, following
from photoaz.surroundings.walls import (
    BESIDE,
    NOTHING,
    TURN,
    Numbers,
    Pairs,
    Walls,
    along,
    buildings_at,
    expanded,
    highest,
    hills,
    joined,
    may_be_seen,
    skyline_cuts,
    walls_of,
    winners,
)

#: houses stand in one front where one lies no further back than this [m]
_ONE_FRONT_M = 0.3
#: edges less probably seen than this are left out
_LEAST_SEEN = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Uprights:
    """Upright edges of buildings, each (k,), by azimuth. Angles [rad], lengths [m].

    They are seen from elevation_low_rad (above what stands before them) to elevation_high_rad (the eaves).
    sigma_top_rad, sigma_low_rad: of these two, as heights are known. p_seen: probability that anything of it is seen,
    as far as heights tell. side: 1 where the building lies clockwise of the edge, -1 anticlockwise, 0 where two of its
    walls meet that are both seen. sky_from_rad: from here up there is sky beside the edge, on the side where the
    building is not; elevation_high_rad or more where there is none. building, corner: numbers in the `Surroundings`.
    """

    azimuth_rad: Array
    distance_m: Array
    elevation_low_rad: Array
    elevation_high_rad: Array
    sigma_low_rad: Array
    sigma_top_rad: Array
    sky_from_rad: Array
    p_seen: Array
    side: Numbers
    building: Numbers
    corner: Numbers

    def __len__(self) -> int:
        return len(self.azimuth_rad)

    @property
    def is_outline(self) -> NDArray[np.bool_]:
        """Which (k,) part the building from the sky, or from something further away."""
        return np.asarray(self.side != 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Skyline:
    """Where things meet the sky, in pieces that go round from azimuth 0 to a whole turn without a gap.

    azimuth_rad: (p, 2) from where to where. building: (p,) GROUND where hills meet the sky, NOTHING where the map says
    nothing of it. plane: (p, 2) u and v; nearness: (p, 2) the same of one over the distance. top_sigma_m: (p,) of the
    top's height, the roof's part too; ground_sigma_m: of the ground, None where it is taken to be level. corners: (p,
    2) by number, clockwise, -1 where there is no building.
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
        at = np.searchsorted(self.azimuth_rad[:, 0], np.mod(azimuth_rad, TURN), "right") - 1
        return np.asarray(np.clip(at, 0, len(self) - 1))

    def elevation_rad(self, azimuth_rad: ArrayLike, piece: Numbers | None = None) -> Array:
        """Elevations (...) [rad] at azimuths (...), of a piece (...) where one is named."""
        return np.arctan(along(self.plane[self.piece_at(azimuth_rad) if piece is None else piece], azimuth_rad))

    def sigma_rad(self, azimuth_rad: ArrayLike, piece: Numbers | None = None) -> Array:
        """Standard uncertainty (...) [rad] of the elevations; where there is nothing, of what may stand there."""
        at = self.piece_at(azimuth_rad) if piece is None else piece
        near = np.maximum(along(self.nearness[at], azimuth_rad), 0.0)
        own = _sigma_of_top(near, self.top_sigma_m[at], self.ground_sigma_m)
        level = np.cos(self.elevation_rad(azimuth_rad, at)) ** 2
        return np.asarray(np.where(self.building[at] == NOTHING, q.GROUND_SLOPE_SHARE, own * level))


@dataclass(frozen=True, slots=True, kw_only=True)
class Panorama:
    """What is seen from a place.

    A slope (east, north) that all the ground has in common adds slope_east sin a + slope_north cos a to the tangent of
    every elevation.
    """

    uprights: Uprights
    skyline: Skyline


def panorama(some: Surroundings, eye_m: Array, refraction_k: float = q.REFRACTION_K) -> Panorama:
    """What is seen from eye_m (3,): east, north in the site's frame, up above the ground at the tower [m].

    Buildings whose footprints the eye lies in are taken for not being there.
    """
    eye = np.asarray(eye_m, float)
    walls = walls_of(some, eye, refraction_k, buildings_at(some, eye[:2]))
    if some.ground is not None:
        walls = joined(walls, hills(some.ground, eye, refraction_k))
    walls = walls[may_be_seen(walls)]
    cuts, pairs = skyline_cuts(walls)
    return Panorama(
        uprights=_uprights(some, eye, walls, cuts, pairs, refraction_k), skyline=_skyline(some, walls, cuts, pairs)
    )


def _ground_sigma_m(some: Surroundings) -> float | None:
    return None if some.ground is None else q.TERRAIN_SIGMA_M


def _sigma_of_top(near: Array, top_sigma_m: Array, ground_sigma_m: float | None) -> Array:
    """Standard uncertainty of tan e of a top, at nearness one over distance [1/m]."""
    if ground_sigma_m is not None:
        return np.asarray(np.hypot(top_sigma_m, ground_sigma_m) * near)
    # off the common slope ground lies by up to GROUND_OFF_SLOPE_M at any distance
    far = q.GROUND_OFF_SLOPE_M * near
    return np.asarray(np.hypot(top_sigma_m * near, q.GROUND_SLOPE * far / np.hypot(far, q.GROUND_SLOPE)))


def _skyline(some: Surroundings, walls: Walls, cuts: Array, pairs: Pairs) -> Skyline:
    """What is the highest in each part, with one piece where parts side by side have the same."""
    who, _ = winners(walls, cuts, pairs)
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
        building=of(walls.building, NOTHING),
        plane=of(walls.plane, 0.0),
        nearness=of(walls.nearness, 0.0),
        top_sigma_m=of(walls.top_sigma_m, 0.0),
        corners=of(walls.corners, -1),
        ground_sigma_m=_ground_sigma_m(some),
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
    walls: Walls, cuts: Array, pairs: Pairs, azimuth: Array, distance: Array, building: Numbers, side: float
) -> _Beside:
    """Looked up just anticlockwise (side -1) or clockwise (1) of azimuths (k,) of things at distances (k,) [m]."""
    at = np.mod(azimuth + side * BESIDE, TURN)
    part = np.clip(np.searchsorted(cuts, at, "right") - 1, 0, len(cuts) - 2)
    which, number = expanded(pairs.first[part], pairs.first[part + 1])
    wall = pairs.wall[number]
    top, near = along(walls.plane[wall], at[which]), along(walls.nearness[wall], at[which])
    own = walls.building[wall] == building[which]
    # a house in one front with its neighbour has no edge against it
    before = np.where(own, near * distance[which] > 1.0 + 1e-5, near * (distance[which] + _ONE_FRONT_M) > 1.0)
    group = Pairs(which, wall, np.searchsorted(which, np.arange(len(azimuth) + 1)))
    who, nearer = highest(group, np.where(before, top, -np.inf), len(azimuth))
    return _Beside(
        nearer=nearer,
        wall=np.where(np.isfinite(nearer), who, -1),
        highest=highest(group, top, len(azimuth))[1],
        own=np.bincount(which[own & before], minlength=len(azimuth)) > 0,
    )


# longer than most: an edge has many facts, all of one geometry
def _uprights(some: Surroundings, eye: Array, walls: Walls, cuts: Array, pairs: Pairs, refraction_k: float) -> Uprights:
    corner = np.unique(walls.corners[walls.corners >= 0])
    building = np.searchsorted(some.first, corner, "right") - 1
    away = some.corners_m[corner] - eye[:2]
    distance = np.hypot(*away.T)
    azimuth = np.mod(np.arctan2(away[:, 0], away[:, 1]), TURN)
    after = following(some.first)
    before = np.empty_like(after)
    before[after] = np.arange(len(after))
    hands = []
    for other in (after[corner], before[corner]):
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
    sigma_high = _sigma_of_top(1.0 / distance, some.sigma_m[building], _ground_sigma_m(some))
    sigma_low = np.zeros(len(corner))
    by = hider >= 0
    near = along(walls.nearness[hider[by]], azimuth[by])
    sigma_low[by] = _sigma_of_top(near, walls.top_sigma_m[hider[by]], _ground_sigma_m(some))
    p_seen = np.where(by, ndtr((high - low) / np.hypot(sigma_high, sigma_low)), 1.0)
    sky = np.select([side > 0, side < 0], [left.highest, right.highest], np.inf)
    keep = np.flatnonzero((p_seen > _LEAST_SEEN) & ~left.own & ~right.own)
    keep = keep[np.argsort(azimuth[keep], kind="stable")]
    return Uprights(
        azimuth_rad=azimuth[keep],
        distance_m=distance[keep],
        elevation_low_rad=np.arctan(low[keep]),
        elevation_high_rad=np.arctan(high[keep]),
        sigma_low_rad=(sigma_low / (1.0 + low**2))[keep],
        sigma_top_rad=(sigma_high / (1.0 + high**2))[keep],
        sky_from_rad=np.arctan(np.maximum(np.maximum(sky, low), 0.0))[keep],
        p_seen=p_seen[keep],
        side=side[keep],
        building=building[keep],
        corner=corner[keep],
    )
