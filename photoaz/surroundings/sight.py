"""Lines of sight past what stands round: whether a tower's head can be seen from a place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import Array
from photoaz.surroundings.maps import Surroundings, shapes_of

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
