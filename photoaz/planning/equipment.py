"""What is carried: a camera, its lenses and sensors; and a photo to be taken with it: from where, held how, of what."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import radians

import numpy as np

from photoaz import quantities as q
from photoaz.angles import Array, azimuth_deg
from photoaz.photo.camera import Camera, project, rotation_cam_from_enu


@dataclass(frozen=True, slots=True, kw_only=True)
class Equipment:
    """A camera and its sensors; angles and lengths are standard uncertainties, None where it has no such sensor.

    The defaults are those that photos of telephones are read with. position_m: per axis. roll_rad, of a camera held
    level by hand where it has no sensor, is taken together with what upright lines in the picture tell (plumb_rad).
    """

    lenses_mm: tuple[float, ...] = q.PHONE_LENSES_MM
    frame_px: tuple[int, int] = q.PHONE_UPRIGHT_PX
    compass_rad: float | None = radians(q.HEADING_SIGMA_DEG)
    declination_rad: float = q.PHONE_DECLINATION_RAD
    pitch_rad: float | None = q.PHONE_PITCH_RAD
    roll_rad: float | None = None
    plumb_rad: float | None = q.UPRIGHT_LINES_RAD
    position_m: float = q.PHONE_POSITION_M
    focal_share: float = q.PHONE_FOCAL_SHARE

    def __post_init__(self) -> None:
        if not self.lenses_mm or not all(8.0 <= f <= 3000.0 for f in self.lenses_mm):
            raise ValueError("lenses: 35 mm equivalents of 8 to 3000 mm, one at least")
        if min(self.frame_px) < 100 or not self.position_m > 0.0:
            raise ValueError("a frame of 100 pixels and more, a position's uncertainty above 0")

    def camera(self, lens_mm: float) -> Camera:
        """The camera with one of its lenses, held upright.

        f = lens / 36 mm times the longer side: the 35 mm equivalent as telephones write it (by the long side).
        """
        wide, high = sorted(self.frame_px)
        return Camera(
            width_px=wide,
            height_px=high,
            f_px=lens_mm / 36.0 * high,
            cx_px=(wide - 1) / 2.0,
            cy_px=(high - 1) / 2.0,
            f_relative_sigma=self.focal_share,
            principal_sigma_px=q.PRINCIPAL_SHARE * wide,
            source=f"35 mm equivalent {lens_mm:g} mm",
        )


# ---- a photo taken with it -------------------------------------------------------------------------------------------


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
