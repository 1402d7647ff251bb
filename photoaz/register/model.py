"""Sites, antennas, readings, controls and picks as the rest of photoaz sees them: validated, in metres and degrees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from photoaz.quantities import DESIGN_TOLERANCE_DEG, RAD_CENTER_U95_M, SITE_POSITION_U95_M

ReadingNorth = Literal["true", "magnetic", "grid"]
#: the side of an antenna that a photo shows
SeenView = Literal["front", "rear", "profile"]
ControlKind = Literal["landmark", "sun", "bearing", "heading", "pitch", "roll", "standpoint", "shadow", "silhouette"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """An instrument reading of an azimuth, clockwise from `north`; u95_deg its expanded uncertainty (95 %).

    k: the coverage factor that it was expanded with, where that is stated; else a normal distribution's, 1.96.
    """

    azimuth_deg: float
    north: ReadingNorth
    u95_deg: float
    date: date | None = None
    k: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DowntiltReading:
    """An instrument reading of a mechanical downtilt (positive looks down)."""

    downtilt_deg: float
    u95_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Antenna:
    """One row of the register. Sizes are of the box; None where the register is silent. u95: expanded, 95 %."""

    antenna_id: str
    rad_center_m: float
    design_azimuth_deg: float
    design_north: ReadingNorth = "true"
    rad_center_u95_m: float = RAD_CENTER_U95_M
    sector: str | None = None
    position: int | None = None
    height_m: float | None = None
    width_m: float | None = None
    depth_m: float | None = None
    offset_east_m: float | None = None
    offset_north_m: float | None = None
    tolerance_deg: float = DESIGN_TOLERANCE_DEG
    design_downtilt_deg: float | None = None
    reading: Reading | None = None
    downtilt_reading: DowntiltReading | None = None
    grid_crs: str | None = None
    extra: Mapping[str, str] = field(default_factory=dict)
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A tower and its antennas.

    lat, lon: tower base centre, WGS84; position_u95_m: 95 % radius of that position. ground_m: height of the ground at
    the base, None where the register is silent. neighbours: other sites so near that a photo may show either's antennas
    (`photoaz.register.load`); they have none of their own.
    """

    site_id: str
    lat_deg: float
    lon_deg: float
    antennas: tuple[Antenna, ...]
    position_u95_m: float = SITE_POSITION_U95_M
    ground_m: float | None = None
    neighbours: tuple[Site, ...] = ()

    @property
    def unfilled_design_deg(self) -> float | None:
        """The design azimuth that all antennas have where they cannot all have it; None where designs may be true.

        Several sectors never face one way; without a column of sectors three antennas or more that all face one point
        of the compass, 0, 90, 180 or 270, are taken for a column that nobody filled in (common practice, no source).
        """
        designs = {a.design_azimuth_deg % 360.0 for a in self.antennas}
        if len(designs) != 1:
            return None
        sectors = {a.sector for a in self.antennas}
        (design,) = designs
        typed = sectors == {None} and len(self.antennas) >= 3 and design % 90.0 == 0.0
        return design if typed or len(sectors - {None}) > 1 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """Something known that fixes a photo's standpoint or attitude better than its own metadata.

    pixel: (x, y) of the image as shown, of a shadow its foot, and tip_px its tip; u95 in metres for landmark and
    standpoint, degrees for the others.
    value_deg holds pitch and roll; azimuth_true_deg holds heading and bearing. A silhouette holds heading and pitch, at
    which a person saw the map's skyline fit; one without a heading says that the map's match is wrong.
    """

    photo: str
    kind: ControlKind
    u95: float
    name: str = ""
    pixel: tuple[float, float] | None = None
    lat_deg: float | None = None
    lon_deg: float | None = None
    height_m: float | None = None
    azimuth_true_deg: float | None = None
    value_deg: float | None = None
    tip_px: tuple[float, float] | None = None
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """A person's word on where an antenna is in a photo.

    Either a seed point on it, or the corners of its front, or of its whole outline (upper left, upper right, lower
    right, lower left). view: the side that is seen; of corners, None stands for the front. absent: what lies at the
    point is no antenna of the site, whatever it looks like.
    """

    photo: str
    antenna_id: str
    seed_px: tuple[float, float] | None = None
    corners_px: tuple[tuple[float, float], ...] | None = None
    exact: bool = False
    absent: bool = False
    view: SeenView | None = None
    line: int = 0
