"""A photo to be taken: from where, how it is held, and what falls into its frame."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from photoaz.angles import Array, azimuth_deg
from photoaz.photo.camera import Camera, project, rotation_cam_from_enu
from photoaz.planning.equipment import Equipment

#: what stands within this share of the frame's sides from its border is cut off by an unsteady hand
BORDER_SHARE = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPhoto:
    """A photo to be taken: standpoint (3,) [m] in the site's frame, attitude (3,) [rad], camera, its sensors."""

    name: str
    enu_m: Array
    attitude_rad: Array
    camera: Camera
    equipment: Equipment = field(default_factory=Equipment)
    lens_mm: float = 0.0

    @property
    def distance_m(self) -> float:
        """From the tower's axis."""
        return float(np.hypot(self.enu_m[0], self.enu_m[1]))

    @property
    def bearing_deg(self) -> float:
        """From the tower."""
        return azimuth_deg(float(np.degrees(np.arctan2(self.enu_m[0], self.enu_m[1]))))


def in_frame(stand: PlannedPhoto, points_m: Array) -> tuple[Array, Array]:
    """Pixels (n, 2) of places (n, 3) [m] of the site's frame, and which of them are well within the frame."""
    camera = stand.camera
    sight = (points_m - stand.enu_m) @ rotation_cam_from_enu(*stand.attitude_rad).T
    ahead = sight[:, 2] > 1e-6
    px = project(camera, np.where(ahead[:, None], sight, [0.0, 0.0, 1.0]))
    frame = np.array([camera.width_px, camera.height_px], float)
    margin = BORDER_SHARE * frame.min()
    return px, ahead & ((px > margin) & (px < frame - margin)).all(-1)
