"""The invented site: antennas, landmarks, standpoints, planted faults. All the numbers of the truth start here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from geometry import Array, Frame, outward, panel_axes

SITE_ID = "QLB-014"
SEED = 14_0526
#: Quillowby is no real place; the coordinates are a point in a forest, chosen for its declination
FRAME = Frame(lat_deg=46.63, lon_deg=-66.41, height_m=212.0)
#: WMM2025 at FRAME on 2026-05-14, as pygeomag 1.1 gives it
DECLINATION_DEG = -16.18
UTC_OFFSET_H = -3
TOWER_HEIGHT_M = 32.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """An antenna model: box width, height, depth [m], edge radius and front bulge [m]."""

    name: str
    whd_m: tuple[float, float, float]
    edge_radius_m: float
    bulge_m: float


LONG = Model(name="P20-65", whd_m=(0.30, 2.00, 0.13), edge_radius_m=0.030, bulge_m=0.010)
SHORT = Model(name="P14-90", whd_m=(0.35, 1.40, 0.15), edge_radius_m=0.034, bulge_m=0.012)


@dataclass(frozen=True, slots=True, kw_only=True)
class Antenna:
    """A panel as it truly hangs, and what the register says of it."""

    antenna_id: str
    sector: str
    position: int
    model: Model
    design_azimuth_deg: float
    design_downtilt_deg: float
    azimuth_deg: float
    downtilt_deg: float
    roll_deg: float
    pipe_enu_m: Array  # the mount pipe's axis at the antenna's middle
    centre_enu_m: Array
    planted: str

    def axes(self) -> tuple[Array, Array, Array]:
        """Right, up and normal, as `geometry.panel_axes` gives them."""
        return panel_axes(self.azimuth_deg, self.downtilt_deg, self.roll_deg)


#: sector, design azimuth, azimuth of the mount (the frame need not point where the panels do)
SECTORS = (("A", 25.0, 27.0), ("B", 150.0, 148.0), ("C", 265.0, 266.0))
BOOM_M = 1.20  # the booms' distance from the tower's axis
PIPE_OFFSET_M = 0.85  # of the pipes from the middle of the boom
STANDOFF_M = 0.19  # from the pipe's axis to the panel's back
TURNED = {"QLB-014-C1": 12.0}
#: the antenna whose reading was entered without the declination: the compass's number, called true
FAULTY_READING = "QLB-014-B2"
_DOWNTILT_DEG = {"A1": 2.0, "A2": 4.0, "B1": 0.0, "B2": 6.0, "C1": 3.0, "C2": 1.0}


def antennas() -> list[Antenna]:
    """The six panels."""
    rng = np.random.default_rng(SEED)
    out = []
    for sector, design, mount in SECTORS:
        o = outward(mount)
        clockwise = np.array([o[1], -o[0], 0.0])  # to the right for somebody at the tower looking out
        for position, model in ((1, LONG), (2, SHORT)):
            short = f"{sector}{position}"
            antenna_id = f"{SITE_ID}-{short}"
            turned = TURNED.get(antenna_id, 0.0)
            azimuth = design + turned + float(rng.normal(0, 0.9))
            downtilt = max(0.0, _DOWNTILT_DEG[short] + float(rng.normal(0, 0.25)))
            roll = float(rng.normal(0, 0.5))
            side = -PIPE_OFFSET_M if position == 1 else PIPE_OFFSET_M
            pipe = o * (BOOM_M + 0.07) + clockwise * side + np.array([0, 0, 29.35 if position == 1 else 29.55])
            centre = pipe + outward(azimuth) * (STANDOFF_M + model.whd_m[2] / 2)
            out.append(
                Antenna(
                    antenna_id=antenna_id,
                    sector=sector,
                    position=position,
                    model=model,
                    design_azimuth_deg=design,
                    design_downtilt_deg=_DOWNTILT_DEG[short],
                    azimuth_deg=round(azimuth % 360, 4),
                    downtilt_deg=round(downtilt, 4),
                    roll_deg=round(roll, 4),
                    pipe_enu_m=pipe,
                    centre_enu_m=centre.round(4),
                    planted=f"turned by {turned:g} deg" if turned else "",
                )
            )
    return out


def terrain_m(x: Array | float, y: Array | float) -> Array:
    """Height of the ground [m]: nearly level near the tower, hills far off; 0 at the tower."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    d = np.hypot(x, y)
    near = 0.5 * np.sin(x / 37.0 + 0.4) * np.sin(y / 43.0) + 0.011 * x
    mid = 4.0 * np.sin(x / 310.0 + 1.0) * np.sin(y / 270.0 + 0.5) * np.clip((d - 120) / 400, 0, 1)
    far = (35 + 25 * np.sin(x / 900.0) + 20 * np.sin(y / 700.0 + x / 1500.0)) * np.clip((d - 1900) / 2500, 0, 1) ** 2
    height: Array = near * np.clip(1.6 - d / 400, 0.2, 1) + mid + 3.0 * far
    return height


@dataclass(frozen=True, slots=True, kw_only=True)
class Landmark:
    """A landmark, its marked point, and the position that the controls give for it."""

    name: str
    kind: str
    base_enu_m: Array
    top_enu_m: Array
    stated_error_m: tuple[float, float, float]


def landmarks() -> list[Landmark]:
    """A church spire (its apex) and a chimney (the middle of its rim)."""
    out = []
    for name, kind, azimuth, distance, height, error in (
        ("church spire", "spire", 33.4, 640.0, 67.0, (1.6, -1.1, 0.8)),
        ("works chimney", "chimney", 262.0, 1050.0, 112.0, (-2.2, 1.9, -1.5)),
    ):
        base = outward(azimuth) * distance
        base[2] = float(terrain_m(base[0], base[1]))
        top = base + np.array([0, 0, height])
        out.append(Landmark(name=name, kind=kind, base_enu_m=base, top_enu_m=top.round(4), stated_error_m=error))
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A camera and lens: nominal values as its metadata give them, true ones, and how the sensor behaves.

    f_factor: true over nominal focal length; principal_px: of the point from the middle of the frame; psf_px: sigma of
    the lens and pixel blur; full_well_e: electrons at the brightest value; sharpen: amount of unsharp masking.
    """

    make: str
    model: str
    size_px: tuple[int, int]
    f35_mm: float
    focal_mm: float
    f_number: float
    exposure_s: float
    iso: int
    f_factor: float
    principal_px: tuple[float, float]
    k1: float
    psf_px: float
    full_well_e: float
    sharpen: float

    def f_px(self) -> float:
        """True focal length in pixels: phones state the equivalent by the diagonal (43.27 mm); 3:2 has only one."""
        return float(self.f35_mm / np.hypot(36, 24) * np.hypot(*self.size_px) * self.f_factor)


MAIN = Lens(
    make="Ovenbird",
    model="Ovenbird 6",
    size_px=(4032, 3024),
    f35_mm=26,
    focal_mm=6.9,
    f_number=1.8,
    exposure_s=1 / 1850,
    iso=50,
    f_factor=1.0063,
    principal_px=(4.2, -6.8),
    k1=0.006,
    psf_px=0.72,
    full_well_e=3200,
    sharpen=0.45,
)
TELE = Lens(
    make="Ovenbird",
    model="Ovenbird 6",
    size_px=(4032, 3024),
    f35_mm=77,
    focal_mm=9.0,
    f_number=2.8,
    exposure_s=1 / 900,
    iso=50,
    f_factor=0.9921,
    principal_px=(-7.5, 3.1),
    k1=0.03,
    psf_px=0.85,
    full_well_e=2200,
    sharpen=0.45,
)
LONG_LENS = Lens(
    make="Tarnwyk",
    model="C7",
    size_px=(6000, 4000),
    f35_mm=300,
    focal_mm=300,
    f_number=8,
    exposure_s=1 / 800,
    iso=200,
    f_factor=0.9957,
    principal_px=(3.3, 8.7),
    k1=0.35,
    psf_px=1.0,
    full_well_e=12000,
    sharpen=0.25,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One photo as planned: from where (seen from the tower), which way, and how its metadata err.

    orientation: the Exif value; portrait: shown upright on its narrow side. aim: heading and pitch of the axis off the
    direction to the tower's head. heading_error_deg: of the compass, None where no heading is written.
    """

    file: str
    utc: datetime
    lens: Lens
    bearing_deg: float
    distance_m: float
    aim_deg: tuple[float, float]
    roll_deg: float
    portrait: bool = False
    orientation: int = 1
    heading_error_deg: float | None = 0.0
    heading_ref: str = "T"
    gps_error_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gps_stated_m: float | None = None
    elevation_error_deg: float | None = None
    says: str = ""


def _at(hour: int, minute: int, second: int) -> datetime:
    return datetime(2026, 5, 14, hour, minute, second, tzinfo=UTC)


SHOTS = (
    Shot(
        file="qlb014_1.jpg",
        utc=_at(12, 21, 14),
        lens=MAIN,
        bearing_deg=87.0,
        distance_m=52.0,
        aim_deg=(-2.5, -9.5),
        roll_deg=0.8,
        heading_error_deg=3.9,
        gps_error_m=(3.4, -2.2, 4.0),
        gps_stated_m=4.7,
        elevation_error_deg=0.4,
        says="between sectors A and B; chimney in the frame; main lens",
    ),
    Shot(
        file="qlb014_2.jpg",
        utc=_at(12, 23, 40),
        lens=TELE,
        bearing_deg=91.0,
        distance_m=67.0,
        aim_deg=(-4.3, -9.6),
        roll_deg=-1.1,
        portrait=True,
        orientation=6,
        heading_error_deg=-4.6,
        gps_error_m=(-2.6, 2.9, -6.0),
        gps_stated_m=4.7,
        elevation_error_deg=-0.5,
        says="between sectors A and B; chimney in the frame; tele lens; stored on its side (Orientation 6)",
    ),
    Shot(
        file="qlb014_3.jpg",
        utc=_at(12, 31, 5),
        lens=MAIN,
        bearing_deg=209.0,
        distance_m=49.0,
        aim_deg=(3.0, -10.5),
        roll_deg=-0.6,
        heading_error_deg=-5.3,
        heading_ref="M",
        gps_error_m=(4.8, 3.3, 7.5),
        gps_stated_m=6.3,
        says="between sectors B and C, sector A from the rear; spire in the frame; main lens; heading magnetic",
    ),
    Shot(
        file="qlb014_4.jpg",
        utc=_at(12, 33, 52),
        lens=TELE,
        bearing_deg=207.0,
        distance_m=68.0,
        aim_deg=(3.2, -9.4),
        roll_deg=1.4,
        portrait=True,
        orientation=1,
        heading_error_deg=2.7,
        gps_error_m=(-3.1, -1.4, -3.0),
        gps_stated_m=4.7,
        elevation_error_deg=0.2,
        says="between sectors B and C, sector A from the rear; spire in the frame; tele lens, saved upright",
    ),
    Shot(
        file="qlb014_5.jpg",
        utc=_at(12, 42, 30),
        lens=TELE,
        bearing_deg=328.0,
        distance_m=55.0,
        aim_deg=(-1.5, -4.0),
        roll_deg=0.5,
        heading_error_deg=25.4,
        gps_error_m=(2.0, -4.4, 5.0),
        gps_stated_m=4.7,
        elevation_error_deg=-0.3,
        says="between sectors C and A; tele lens; compass disturbed by 25 deg (taken beside a car)",
    ),
    Shot(
        file="qlb014_6.jpg",
        utc=_at(12, 44, 11),
        lens=MAIN,
        bearing_deg=325.0,
        distance_m=48.0,
        aim_deg=(5.0, -11.0),
        roll_deg=-1.7,
        heading_error_deg=6.1,
        gps_error_m=(-1.2, 3.0, -2.0),
        gps_stated_m=3.9,
        says="between sectors C and A; main lens; no landmark",
    ),
    Shot(
        file="qlb014_7.jpg",
        utc=_at(12, 52, 47),
        lens=TELE,
        bearing_deg=152.0,
        distance_m=58.0,
        aim_deg=(1.8, -3.0),
        roll_deg=2.2,
        heading_error_deg=-3.2,
        heading_ref="M",
        gps_error_m=(-4.1, -3.9, 3.0),
        gps_stated_m=6.3,
        says="sector B nearly face-on; tele lens; heading magnetic",
    ),
    Shot(
        file="qlb014_8.jpg",
        utc=_at(13, 1, 20),
        lens=LONG_LENS,
        bearing_deg=236.0,
        distance_m=69.0,
        aim_deg=(0.15, -0.2),
        roll_deg=-0.9,
        heading_error_deg=None,
        gps_error_m=(5.2, -1.8, 9.0),
        says="C oblique, B from the side, A from the rear; long lens; no heading, no position error stated",
    ),
    Shot(
        file="qlb014_9.jpg",
        utc=_at(13, 8, 35),
        lens=TELE,
        bearing_deg=42.0,
        distance_m=60.0,
        aim_deg=(1.2, -2.2),
        roll_deg=-0.4,
        heading_error_deg=5.8,
        gps_error_m=(-2.2, 4.6, -4.0),
        gps_stated_m=4.7,
        says="sector A 17 deg off face-on; tele lens",
    ),
)

#: azimuth and apparent elevation of the sun [deg] in each photo, by pvlib 0.16's SPA
SUN_DEG = {
    "qlb014_1.jpg": (98.455, 33.838),
    "qlb014_2.jpg": (98.940, 34.251),
    "qlb014_3.jpg": (100.436, 35.506),
    "qlb014_4.jpg": (101.005, 35.975),
    "qlb014_5.jpg": (102.800, 37.425),
    "qlb014_6.jpg": (103.156, 37.707),
    "qlb014_7.jpg": (105.002, 39.139),
    "qlb014_8.jpg": (106.891, 40.550),
    "qlb014_9.jpg": (108.539, 41.736),
}
#: exposure of each photo, relative
GAIN = (0.85, 0.85, 0.82, 0.82, 1.05, 1.0, 0.82, 1.0, 0.95)
