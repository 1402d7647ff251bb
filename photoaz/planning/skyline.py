"""What a map's buildings in the frame of a photo to come will tell of its heading.

Counted are upright edges of buildings against the sky: their pixels, and where the map has them. That is what the match
of a real photo rests on; roofs and edges before other walls are a reserve that is not counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from photoaz import quantities as q
from photoaz.network.heading_aids import Array, HeadingAid, line_of_sight
from photoaz.network.observations import arctan2, wrap
from photoaz.photo.camera import Camera, rotation_cam_from_enu
from photoaz.planning.equipment import PlannedPhoto, in_frame
from photoaz.surroundings.maps import Surroundings
from photoaz.surroundings.panorama import Panorama, panorama

#: so much of an edge must stand against the sky [rad]; nearer than this a map's errors are too large [m]
LEAST_SEEN_RAD, NEAREST_M = float(np.radians(0.4)), 15.0
#: of the edges so many are found, paired and believed; from fewer buildings than this nothing is matched for certain
MATCHED_SHARE, LEAST_BUILDINGS = 0.4, 3
#: an upright edge in a picture, with the lens's distortion [px] (common practice, no source)
EDGE_PX = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MappedEdges(HeadingAid):
    """Edges of mapped buildings at pixels (k, 2), whose corners stand at enu_m (k, 2) [m] of the site's frame.

    root (k, k): whitens their azimuths, in which those of one building err together.
    """

    source: ClassVar[str] = "surroundings"
    name: str = "surroundings"
    pixels: Array
    enu_m: Array
    root: Array
    buildings: int

    def residual(self, camera: Camera, x: Array) -> Array:
        """Off the azimuths, (..., k)."""
        off = []
        for pixel, corner in zip(self.pixels, self.enu_m, strict=True):
            enu = line_of_sight(camera, pixel, x)
            away = arctan2(corner[0] - x[..., 3], corner[1] - x[..., 4])
            off.append(wrap(arctan2(enu[..., 0], enu[..., 1]) - away))
        return np.asarray(np.einsum("ij,...j->...i", self.root, np.stack(off, -1)))

    def heading_u95_rad(self, stand: PlannedPhoto) -> float:
        """U95 [rad] of the heading by these alone, the standpoint as known as the camera knows it."""
        away = self.enu_m - stand.enu_m[:2]
        near = away / (away**2).sum(1)[:, None]
        rows = self.root @ np.column_stack([np.ones(len(near)), near[:, 1], -near[:, 0]])
        known = np.diag([0.0, *(1.0 / stand.equipment.position_m**2,) * 2])
        return float(q.K95 * np.sqrt(np.linalg.inv(rows.T @ rows + known)[0, 0]))


class Outlook:
    """On what a map has round a site, from places that are asked for again and again."""

    def __init__(self, around: Surroundings) -> None:
        self.around = around
        self._seen: dict[tuple[float, ...], Panorama] = {}

    def ground_m(self, east_north_m: Array) -> float:
        """Height [m] of the ground at a place (2,) above that at the tower."""
        return float(self.around.ground_at(east_north_m)[0])

    def edges(self, stand: PlannedPhoto) -> MappedEdges | None:
        """What a photo to come will show of it; None where too little for a match."""
        place = tuple(round(float(v), 2) for v in stand.enu_m)
        if place not in self._seen:
            self._seen[place] = panorama(self.around, stand.enu_m)
        return mapped_edges(stand, self._seen[place])


def mapped_edges(stand: PlannedPhoto, seen: Panorama) -> MappedEdges | None:
    """What a photo to come will show of what is seen from where it stands; None where too little for a match."""
    up = seen.uprights
    free = up.elevation_high_rad - np.maximum(up.sky_from_rad, up.elevation_low_rad)
    sure = (free > np.maximum(LEAST_SEEN_RAD, up.sigma_top_rad)) & (up.distance_m > NEAREST_M) & up.is_outline
    k = np.flatnonzero(sure)
    elevation = np.maximum(up.sky_from_rad, up.elevation_low_rad)[k] + 0.5 * free[k]
    way = np.column_stack([np.sin(up.azimuth_rad[k]), np.cos(up.azimuth_rad[k]), np.tan(elevation)])
    places = stand.enu_m + up.distance_m[k][:, None] * way
    pixels, inside = in_frame(stand, places)
    k, pixels, places = k[inside], pixels[inside], places[inside]
    buildings = len(np.unique(up.building[k]))
    if buildings < LEAST_BUILDINGS:
        return None
    rot = rotation_cam_from_enu(*stand.attitude_rad)
    # a pixel's width as an angle, level
    depth = np.abs((places - stand.enu_m) @ rot[2])
    pixel_rad = EDGE_PX * depth / (stand.camera.f_px * up.distance_m[k])
    own = (pixel_rad**2 + (q.CORNER_SIGMA_M / up.distance_m[k]) ** 2) / MATCHED_SHARE
    together = up.building[k][:, None] == up.building[k]
    shared = q.FOOTPRINT_SIGMA_M**2 / np.outer(up.distance_m[k], up.distance_m[k]) / MATCHED_SHARE
    covariance = np.diag(own) + np.where(together, shared, 0.0)
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    return MappedEdges(pixels=pixels, enu_m=places[:, :2], root=root, buildings=buildings)
