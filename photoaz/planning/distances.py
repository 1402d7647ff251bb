"""Nearer or farther: one photo at several distances, beside the plumb sight that people use without any program.

For the sight somebody stands where the antenna's lower edge looks level, plumbs it with the camera, and takes the
bearing between their own position and the tower's as its azimuth. Two things turn that, at a distance d from a tower
whose antennas are h above the eye, e = atan(h / d):

- a camera rolled by r makes a level edge look tilted by r. An edge yawed by y off the line of sight is seen tilted by
  atan(tan(y) sin(e)), so the sight is off by y = atan(tan(r) / sin(e)), which grows with the distance;
- a position off by p across the line of sight turns the bearing by atan(p / d), which grows as one comes nearer.

The tilt of the edge is plain perspective (a derivation, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from photoaz import quantities as q
from photoaz.planning.equipment import Equipment
from photoaz.planning.information import KnowledgeSoFar, u95_linear_rad, with_rows
from photoaz.planning.standpoints import candidates_at

#: distances of the comparison, over the height
_HEIGHTS = (0.5, 1.0, 1.5, 2.0, 3.0)


def sight_error_rad(distance_m: ArrayLike, height_m: float, roll_rad: float, position_m: float) -> NDArray[np.float64]:
    """Standard uncertainty [rad] of a plumb sight's azimuth from a distance, as above.

    height_m: of the antenna above the eye; roll_rad, position_m: standard uncertainties, of the camera's roll and of
    its position across the line of sight.
    """
    d = np.asarray(distance_m, float)
    by_roll = np.arctan(np.tan(roll_rad) * np.hypot(d, height_m) / height_m)
    return np.asarray(np.hypot(by_roll, np.arctan2(position_m, d)))


@dataclass(frozen=True, slots=True, kw_only=True)
class AtDistance:
    """From a distance: the median U95 of what one photo shows, with its lens, and the U95 of a plumb sight.

    common_practice: whether this is the distance that practice keeps.
    """

    distance_m: float
    lens_35mm_mm: float | None
    u95_deg: float | None
    plumb_sight_u95_deg: float
    common_practice: bool = False


def by_distance(
    state: KnowledgeSoFar, bearing_deg: float, equipment: Equipment, farthest_m: float
) -> tuple[AtDistance, ...]:
    """Nearer and farther at one bearing from the tower, without any landmark's help."""
    plain = replace(state, scene=replace(state.scene, landmarks=()))
    height = max(state.scene.height_m, 5.0)
    practice = max(q.PRACTICE_LEAST_M, q.PRACTICE_OUT_PER_UP * height)
    others = [f * height for f in _HEIGHTS if f * height <= farthest_m]
    some = [d for d in others if abs(d - practice) > 0.1 * practice]
    bearing = np.radians(bearing_deg)
    out = []
    for distance in sorted([*some, practice]):
        at = round(distance, 1)
        best = next(iter(candidates_at(plain, at * np.array([[np.sin(bearing), np.cos(bearing)]]), equipment)), None)
        u95 = None
        if best is not None:
            covariance = with_rows(plain.covariance, best.told)
            shown = [k for k, n in zip(plain.wanted, plain.scene.wanted, strict=True) if n in best.told.sees]
            u95 = float(np.degrees(np.median(u95_linear_rad(covariance, np.array(shown)))))
        sight = sight_error_rad(at, height, q.SIGHT_ROLL_RAD, q.SIGHT_POSITION_U95_M / q.RADIUS_95)
        out.append(
            AtDistance(
                distance_m=at,
                lens_35mm_mm=None if best is None else best.stand.lens_mm,
                u95_deg=u95,
                plumb_sight_u95_deg=q.K95 * float(np.degrees(sight)),
                common_practice=distance == practice,
            )
        )
    return tuple(out)
