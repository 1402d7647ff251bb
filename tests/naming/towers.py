"""Invented towers, projected by OpenCV and SciPy alone, and what a finder would make of photos of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from photoaz.angles import COMPASS, Angle
from photoaz.naming.model import AntennaPriors, ExpectedAntenna, KnownPhoto, Match, PhotoNaming
from photoaz.naming.together import name_candidates
from photoaz.photo.camera import Camera
from photoaz.register.model import Antenna, Pick
from photoaz.vision.finder import PanelCandidate

deg = float(np.radians(1.0))
CAMERA_UP_M = 1.6


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A panel as it hangs: degrees and metres."""

    name: str
    sector: str
    position: int
    design_deg: float
    azimuth_deg: float
    place_m: tuple[float, float, float]
    size_m: tuple[float, float, float]

    def corners(self) -> np.ndarray:
        """(8, 3): front upper left, upper right, lower right, lower left as seen in front, then those behind."""
        a = np.radians(self.azimuth_deg)
        normal = np.array([np.sin(a), np.cos(a), 0.0])
        right = np.array([-np.cos(a), np.sin(a), 0.0])  # of somebody who looks at the front
        w, h, d = np.array(self.size_m) / 2.0
        signs = [(-1, 1), (1, 1), (1, -1), (-1, -1)]
        face = np.array([x * w * right + np.array([0, 0, y * h]) for x, y in signs])
        return np.concatenate([face + d * normal, face - d * normal]) + np.array(self.place_m)


SIZES = ((0.30, 2.0, 0.13), (0.42, 1.5, 0.16), (0.26, 1.3, 0.11))


def panels(
    designs: Mapping[str, float] | None = None,
    *,
    each: int = 3,
    turned: Mapping[str, float] | None = None,
    sizes: Sequence[tuple[float, float, float]] = SIZES,
    stand_off_m: float = 1.5,
    spacing_m: float = 0.9,
) -> list[Panel]:
    """A tower of three sectors; turned: degrees by which single panels face away from their designs."""
    out = []
    for sector, design in (designs or {"A": 20.0, "B": 140.0, "C": 260.0}).items():
        a = np.radians(design)
        for k in range(each):
            name = f"{sector}{k + 1}"
            side = (k - (each - 1) / 2) * spacing_m
            # left to right for somebody at the tower who looks out
            east = stand_off_m * np.sin(a) + side * np.cos(a)
            north = stand_off_m * np.cos(a) - side * np.sin(a)
            azimuth = design + (turned or {}).get(name, 0.0)
            out.append(
                Panel(
                    name=name,
                    sector=sector,
                    position=k + 1,
                    design_deg=design,
                    azimuth_deg=azimuth,
                    place_m=(east, north, 30.0),
                    size_m=sizes[k],
                )
            )
    return out


def priors(name: str, design_deg: float, up_m: float, size_m: Sequence[float], **more: object) -> AntennaPriors:
    return AntennaPriors(
        **{
            "name": name,
            "design_rad": design_deg * deg,
            "east_north_m": np.zeros(2),
            "offset_sigma_m": 0.15,
            "up_m": up_m,
            "up_sigma_m": 0.3,
            "ln_size": np.log(size_m),
            "ln_size_sigma": np.full(3, 0.02),
            "sizes_known": True,
            "downtilt_rad": 3.0 * deg,
            "downtilt_sigma_rad": 3.0 * deg,
            "roll_sigma_rad": 1.0 * deg,
            **more,
        }
    )


def register(
    site: Sequence[Panel], *, positions: bool = True, sectors: bool = True, offsets: bool = False
) -> list[AntennaPriors]:
    return [
        priors(
            p.name,
            p.design_deg,
            p.place_m[2],
            p.size_m,
            sector=p.sector if sectors else None,
            position=p.position if positions else None,
            **({"east_north_m": np.array(p.place_m[:2]), "place_known": True} if offsets else {}),
        )
        for p in site
    ]


def heading(value_deg: float) -> Angle:
    return Angle(value_rad=value_deg * deg, sigma_rad=6.0 * deg, source=COMPASS, label=COMPASS)


def pick_of(candidate: PanelCandidate, antenna_id: str) -> Pick:
    """Somebody points at a panel's middle."""
    x, y = candidate.corners_px.mean(0)
    return Pick(photo="", antenna_id=antenna_id, seed_px=(float(x), float(y)))


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A photo to be taken: from a direction of the tower, so far out. aside_deg: the tower off the middle."""

    bearing_deg: float
    distance_m: float = 40.0
    f_px: float = 6000.0
    aside_deg: float = 3.0
    pitch_deg: float = 34.0
    roll_deg: float = 0.7
    size_px: tuple[int, int] = (4032, 3024)
    compass_off_deg: float | None = 4.0
    standpoint_off_m: tuple[float, float] | None = (3.0, -2.0)
    missed: tuple[str, ...] = ()
    mirrored: tuple[str, ...] = ()
    other_side: tuple[str, ...] = ()
    false_boxes: int = 0
    named: tuple[str, ...] = ()
    only: tuple[str, ...] = field(default=())

    @property
    def heading_deg(self) -> float:
        return self.bearing_deg + 180.0 - self.aside_deg

    @property
    def standpoint(self) -> np.ndarray:
        b = np.radians(self.bearing_deg)
        return self.distance_m * np.array([np.sin(b), np.cos(b)])

    def pixels(self, points: np.ndarray) -> np.ndarray:
        """OpenCV's projection of points (N, 3), nothing of photoaz in it."""
        looking_north = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])
        turn = Rotation.from_euler("z", self.heading_deg, degrees=True)
        tip = Rotation.from_euler("x", -self.pitch_deg, degrees=True)
        rot = Rotation.from_euler("z", -self.roll_deg, degrees=True).as_matrix() @ looking_north
        rot = rot @ tip.as_matrix() @ turn.as_matrix()
        at = np.append(self.standpoint, CAMERA_UP_M)
        matrix = np.array(
            [[self.f_px, 0, (self.size_px[0] - 1) / 2], [0, self.f_px, (self.size_px[1] - 1) / 2], [0, 0, 1.0]]
        )
        return cv2.projectPoints(points, cv2.Rodrigues(rot)[0], -rot @ at, matrix, None)[0].reshape(-1, 2)

    def yaw_deg(self, p: Panel) -> float:
        back = self.standpoint - np.array(p.place_m[:2])
        return float((p.azimuth_deg - np.degrees(np.arctan2(*back)) + 180.0) % 360.0 - 180.0)

    def shows(self, p: Panel) -> bool:
        c = self.pixels(p.corners())
        return bool((c > 0).all() and (c < np.array(self.size_px)).all())


def take(
    shot: Shot, site: Sequence[Panel], rng: np.random.Generator, name: str
) -> tuple[KnownPhoto, list[PanelCandidate], list[str | None]]:
    """A photo, and what a finder makes of it: every front found, no rear; errors of 5 % of a width and 8 degrees."""
    found: list[PanelCandidate] = []
    truth: list[str | None] = []
    for p in site:
        yaw = shot.yaw_deg(p)
        seen = abs(yaw) < 80.0 and shot.shows(p) and p.name not in shot.missed
        if not (p.name in shot.only if shot.only else seen):
            continue
        c = shot.pixels(p.corners())
        wide = shot.f_px * p.size_m[0] / np.hypot(shot.distance_m, p.place_m[2])
        c = c + rng.normal(0.0, 0.03 * wide, 2) + rng.normal(0.0, 0.05 * wide, c.shape)
        yaw = yaw + rng.normal(0.0, 8.0)
        if p.name in shot.mirrored:
            yaw = -yaw
        if p.name in shot.other_side:
            yaw, c = yaw + 180.0, c[[5, 4, 7, 6, 1, 0, 3, 2]]
        front = 0.95 if np.cos(yaw * deg) > 0 else 0.05
        found.append(PanelCandidate(corners_px=c, probability=0.95, front=front, yaw_rad=yaw * deg, visible=1.0))
        truth.append(p.name)
    for _ in range(shot.false_boxes):
        # a radio unit: small and broad, below the panels
        below = shot.pixels(np.array([[rng.uniform(-1, 1), rng.uniform(-1, 1), 28.6]]))[0]
        box = np.array([[-1, -1.2], [1, -1.2], [1, 1.2], [-1, 1.2]])
        side = 0.2 * shot.f_px / shot.distance_m
        corners = np.concatenate([below + side * box, below + side * (box * 0.95)])
        yaw = rng.uniform(-np.pi, np.pi)
        found.append(PanelCandidate(corners_px=corners, probability=0.5, front=0.6, yaw_rad=yaw, visible=1.0))
        truth.append(None)
    known = shot.standpoint_off_m
    photo = KnownPhoto(
        name=name,
        camera=Camera(
            width_px=shot.size_px[0],
            height_px=shot.size_px[1],
            f_px=shot.f_px,
            cx_px=(shot.size_px[0] - 1) / 2,
            cy_px=(shot.size_px[1] - 1) / 2,
        ),
        standpoint=None if known is None else (shot.standpoint + np.array(known), 4.0),
        headings=() if shot.compass_off_deg is None else (heading(shot.heading_deg + shot.compass_off_deg),),
        picks=tuple(pick_of(found[truth.index(n)], n) for n in shot.named),
    )
    return photo, found, truth


@dataclass
class Outcome:
    photos: tuple[PhotoNaming, ...]
    known: list[KnownPhoto]
    candidates: list[list[PanelCandidate]]
    truth: list[list[str | None]]

    def pairs(self) -> list[tuple[str | None, Match]]:
        return [
            (t, m)
            for p, names in zip(self.photos, self.truth, strict=True)
            for t, m in zip(names, p.matches, strict=True)
        ]

    def wrong(self) -> list[tuple[str | None, str | None]]:
        return [(t, m.antenna) for t, m in self.pairs() if t != m.antenna]

    def sure(self) -> list[bool]:
        return [not m.ambiguous for _, m in self.pairs()]


def name_all(
    shots: Sequence[Shot], site: Sequence[Panel], antennas: Sequence[AntennaPriors] | None = None, seed: int = 0
) -> Outcome:
    rng = np.random.default_rng(seed)
    known, found, truth = (list(x) for x in zip(*(take(s, site, rng, "") for s in shots), strict=True))
    photos = name_candidates(known, found, register(site) if antennas is None else antennas, 1.2)
    return Outcome(photos, known, found, truth)


def expected(photo: PhotoNaming, name: str) -> ExpectedAntenna:
    return next(e for e in photo.expected if e.antenna == name)


AROUND = (Shot(bearing_deg=80.0), Shot(bearing_deg=200.0), Shot(bearing_deg=320.0))


def unknown(shot: Shot) -> Shot:
    """Nothing said of where it was taken or which way."""
    return replace(shot, compass_off_deg=None, standpoint_off_m=None)


def row(p: Panel, **more: object) -> Antenna:
    """As a register has it, without offsets."""
    width, height, depth = p.size_m
    return Antenna(
        **{
            "antenna_id": p.name,
            "rad_center_m": p.place_m[2],
            "design_azimuth_deg": p.design_deg,
            "sector": p.sector,
            "position": p.position,
            "width_m": width,
            "height_m": height,
            "depth_m": depth,
            **more,
        }
    )
