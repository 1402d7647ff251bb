"""What is carried: a camera's lenses, and how well it knows where it stands and how it is held."""

from __future__ import annotations

from dataclasses import dataclass
from math import radians

from photoaz import quantities as q
from photoaz.photo.camera import Camera


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
