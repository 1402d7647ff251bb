"""The network of a site: its facts become unknowns, starting values and observations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import Angle
from photoaz.naming.model import AntennaPriors
from photoaz.network.antenna_positions import AntennaPositions
from photoaz.network.observations import (
    PLUMB_FIELDS,
    Box,
    Direct,
    Directs,
    LandmarkPixel,
    Observation,
    PixelBearing,
    PixelDirection,
    Shadow,
    plumb,
)
from photoaz.network.parameters import Layout
from photoaz.photo.camera import Camera, directions_from_pixels, rotation_cam_from_enu
from photoaz.photo.rotations import los_from_cam
from photoaz.vision.evidence import BoxMode
from photoaz.vision.verticals import Verticals

Array = NDArray[Any]

#: the budget's name of what outlines tell
BOX_SOURCE = "edges in the photo"


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkSight:
    """A landmark at a pixel (2,) of a photo, and where it is said to be: ENU position (3,) [m] from the tower's base.

    sigma_m, height_sigma_m : of that position, along each axis. sigma_px : of the pixel.
    """

    name: str
    pixel: Array
    enu_m: Array
    sigma_m: float
    height_sigma_m: float
    sigma_px: float = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class BearingSight:
    """A pixel (2,) whose line of sight has a known true azimuth."""

    name: str
    pixel: Array
    azimuth_rad: float
    sigma_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectionSight:
    """A pixel whose direction is known, as the sun's.

    covariance (2, 2): of azimuth times cos(elevation) and elevation [rad^2], pixel and direction together.
    """

    name: str
    pixel: Array
    azimuth_rad: float
    elevation_rad: float
    covariance: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class ShadowSight:
    """A shadow on level ground; azimuth_rad: the direction in which it falls, away from the sun."""

    name: str
    foot_px: Array
    tip_px: Array
    azimuth_rad: float
    sigma_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoObservations:
    """What is known of one photo, in the site's frame.

    start (6,): heading, pitch, roll [rad], east, north, up [m] to start from. headings, pitches, rolls: every statement
    about the attitude. standpoints: (east, north) [m], sigma per axis [m], source. ln_focal: ln of the focal length
    that the metadata give over the camera's nominal one. boxes: per antenna the ways it fits. verticals: what upright
    lines in the photo tell of its attitude. notes: why something given for the photo could not be used, in words.
    """

    name: str
    camera: Camera
    start: Array
    headings: tuple[Angle, ...]
    pitches: tuple[Angle, ...]
    rolls: tuple[Angle, ...]
    standpoints: tuple[tuple[Array, float, str], ...]
    up_m: float
    up_sigma_m: float
    ln_focal: float
    boxes: Mapping[str, tuple[BoxMode, ...]]
    landmarks: tuple[LandmarkSight, ...] = ()
    bearings: tuple[BearingSight, ...] = ()
    directions: tuple[DirectionSight, ...] = ()
    shadows: tuple[ShadowSight, ...] = ()
    notes: tuple[str, ...] = ()
    verticals: Verticals | None = None


def outline_label(photo: str, antenna: str) -> str:
    """The label of the observation that an antenna's outline in a photo makes."""
    return f"outline of {antenna} in {photo}"


@dataclass(frozen=True, slots=True)
class SiteNetwork:
    """A site's unknowns and what is known of them. start (P,) : values to begin with, as `layout` numbers them.

    fixed : every observation but the boxes, whose modes are chosen later.
    """

    layout: Layout
    start: Array
    fixed: tuple[Observation, ...]
    photos: tuple[PhotoObservations, ...]
    antennas: tuple[AntennaPriors, ...]

    def observations(
        self, choice: Mapping[tuple[str, str], int], doubt: Mapping[tuple[str, str], float] | None = None
    ) -> tuple[Observation, ...]:
        """All observations, with the chosen mode of each (photo, antenna).

        doubt: factors by which the standard uncertainties of an outline are widened.
        """
        widened = doubt or {}
        boxes = [
            self.box(p, a, p.boxes[a][choice[p.name, a]], widened.get((p.name, a), 1.0))
            for p in self.photos
            for a in p.boxes
        ]
        return (*self.fixed, *boxes)

    def box(self, photo: PhotoObservations, antenna: str, mode: BoxMode, doubt: float = 1.0) -> Box:
        """The observation that one mode of an antenna in a photo makes."""
        index = np.concatenate([self.layout.photo(photo.name), self.layout.antenna(antenna), self.layout.site()])
        return Box(
            source=BOX_SOURCE,
            label=outline_label(photo.name, antenna),
            index=index,
            camera=photo.camera,
            rotation=mode.rotation,
            centre_px=mode.centre_px,
            ln_size=mode.ln_size,
            root=mode.root / doubt,
            offset=mode.offset / doubt,
        )


def azimuth_of_mode(photo: PhotoObservations, mode: BoxMode, attitude: Array | None = None) -> float:
    """Azimuth [rad] of a box's front normal, from a mode and the photo's attitude (3,) [rad]."""
    a = photo.start[:3] if attitude is None else attitude
    cam_from_enu = rotation_cam_from_enu(a[0], a[1], a[2])
    sight = directions_from_pixels(photo.camera, mode.centre_px)
    normal = cam_from_enu.T @ los_from_cam(sight).T @ mode.rotation[:, 2]
    return float(np.arctan2(normal[0], normal[1]))


def azimuths_of_modes(
    photo: PhotoObservations, modes: Sequence[BoxMode], attitude: Array, tilt_sigma_rad: float
) -> tuple[Array, Array]:
    """Azimuths (M,) of modes and their standard uncertainties (M,) [rad] from their own outlines alone.

    attitude (3,), taken as known. tilt_sigma_rad: how well the box's tilts are known otherwise; its place and sizes are
    free but for 2 per cent each and 5 per cent in common.
    """
    cam_from_enu = rotation_cam_from_enu(attitude[0], attitude[1], attitude[2])
    los = los_from_cam(directions_from_pixels(photo.camera, np.stack([m.centre_px for m in modes]))) @ cam_from_enu
    normal = (np.swapaxes(los, -1, -2) @ np.stack([m.rotation[:, 2] for m in modes])[..., None])[..., 0]
    up = los[..., 2]
    info = np.stack([m.root.T @ m.root for m in modes])
    info[:, 5:8, 5:8] += np.linalg.inv(np.diag([0.02**2] * 3) + 0.05**2)
    info[:, 3:5, 3:5] += np.eye(2) * 1e-6
    turn = info[:, :3, :3] - info[:, :3, 3:] @ np.linalg.solve(info[:, 3:, 3:], info[:, 3:, :3])
    turn = turn + (np.eye(3) - up[:, :, None] * up[:, None, :]) / tilt_sigma_rad**2
    variance = (up * np.linalg.solve(turn + 1e-9 * np.eye(3), up[..., None])[..., 0]).sum(-1)
    return np.arctan2(normal[:, 0], normal[:, 1]), np.sqrt(np.maximum(variance, 1e-12))


def build(
    photos: Sequence[PhotoObservations],
    antennas: Sequence[AntennaPriors],
    site_sigma_m: float,
    head: AntennaPositions | None = None,
) -> SiteNetwork:
    """Lay out the unknowns and every observation but the boxes, whose modes are chosen later.

    head: where the antennas stand as parts of one body; without it each stands by itself, as its facts say.
    """
    photos = _landmarks_told_apart(photos)
    landmarks: dict[str, LandmarkSight] = {s.name: s for p in photos for s in p.landmarks}
    layout = Layout(tuple(p.name for p in photos), tuple(a.name for a in antennas), tuple(landmarks))
    x = np.zeros(layout.size)
    out: list[Observation] = []
    for p in photos:
        _photo(p, layout, x, out)
    for a in antennas:
        _antenna(a, layout, x, out, alone=head is None)
    if head is not None and antennas:
        names = [a.name for a in antennas]
        out += head.observations(names, layout)
        for name in names:
            k = head.names.index(name)
            x[layout.antenna(name, "east", "north", "up")] = [*head.places_m[k], head.up_m[k]]
    for axis in ("east", "north"):
        out.append(Direct("register position", "the register's position", layout.site(axis), 0.0, site_sigma_m))
    for name, s in landmarks.items():
        idx = layout.landmark(name)
        x[idx] = s.enu_m
        label = f"position of landmark {name}"
        sigma = np.array([s.sigma_m, s.sigma_m, s.height_sigma_m])
        # one photo alone cannot say that a landmark stands elsewhere rather than that another thing was seen
        seen = sum(any(other.name == name for other in p.landmarks) for p in photos)
        out.append(Directs("landmark", label, idx, s.enu_m, sigma, testable=seen > 1))
        # keeps the equations regular where the position turns out to be wrong
        out.append(Directs("landmark assumed", "", idx, s.enu_m, 2e4))
    return SiteNetwork(layout, x, tuple(out), tuple(photos), tuple(antennas))


def _landmarks_told_apart(photos: Sequence[PhotoObservations]) -> list[PhotoObservations]:
    """The photos, with landmarks of one name but clearly different positions named by their photo as well."""
    first: dict[str, LandmarkSight] = {}
    out = []
    for p in photos:
        sights = []
        for s in p.landmarks:
            known = first.setdefault(s.name, s)
            apart = float(np.hypot(*(s.enu_m - known.enu_m)[:2])) > 4.0 * np.hypot(s.sigma_m, known.sigma_m)
            sights.append(replace(s, name=f"{s.name} as placed for {p.name}") if apart else s)
        out.append(replace(p, landmarks=tuple(sights)))
    return out


def _photo(p: PhotoObservations, layout: Layout, x: Array, out: list[Observation]) -> None:
    x[layout.photo(p.name)[:6]] = p.start
    for field, angles in (("heading", p.headings), ("pitch", p.pitches), ("roll", p.rolls)):
        idx = layout.photo(p.name, field)
        for a in angles:
            out.append(Direct(a.source, a.label, idx, a.value_rad, a.sigma_rad, angle=True, testable=True))
    # nobody photographs upside down or straight down: keeps an attitude that nothing else fixes from being singular
    out.append(Direct("attitude assumed", "", layout.photo(p.name, "pitch"), float(p.start[1]), 1.0, angle=True))
    out.append(Direct("attitude assumed", "", layout.photo(p.name, "heading"), float(p.start[0]), 10.0, angle=True))
    for east_north, sigma, source in p.standpoints:
        out.append(
            Directs(source, f"standpoint of {p.name}", layout.photo(p.name, "east", "north"), east_north, sigma, True)
        )
    out.append(Direct("camera height", f"height of {p.name}", layout.photo(p.name, "up"), p.up_m, p.up_sigma_m))
    f_sigma = max(p.camera.f_relative_sigma, 1e-5)
    c_sigma = max(p.camera.principal_sigma_px, 1e-2)
    out.append(
        Direct("focal length", f"focal length of {p.name}", layout.photo(p.name, "ln_focal"), p.ln_focal, f_sigma)
    )
    for axis in ("principal_x", "principal_y"):
        out.append(Direct("principal point", f"principal point of {p.name}", layout.photo(p.name, axis), 0.0, c_sigma))
    if p.verticals is not None:
        out.append(plumb(f"verticals in {p.name}", layout.photo(p.name, *PLUMB_FIELDS), p.verticals))
    for s in p.landmarks:
        idx = np.concatenate([layout.photo(p.name), layout.landmark(s.name)])
        out.append(LandmarkPixel("landmark", f"landmark {s.name} in {p.name}", idx, p.camera, s.pixel, s.sigma_px))
    for b in p.bearings:
        label = f"bearing {b.name} in {p.name}"
        out.append(
            PixelBearing("known bearing", label, layout.photo(p.name), p.camera, b.pixel, b.azimuth_rad, b.sigma_rad)
        )
    for d in p.directions:
        root = np.linalg.inv(np.linalg.cholesky(d.covariance))
        out.append(
            PixelDirection(
                d.name,
                f"the {d.name} in {p.name}",
                layout.photo(p.name),
                p.camera,
                d.pixel,
                d.azimuth_rad,
                d.elevation_rad,
                root,
            )
        )
    for c in p.shadows:
        label = f"{c.name} in {p.name}"
        out.append(
            Shadow("shadow", label, layout.photo(p.name), p.camera, c.foot_px, c.tip_px, c.azimuth_rad, c.sigma_rad)
        )


def _antenna(a: AntennaPriors, layout: Layout, x: Array, out: list[Observation], *, alone: bool) -> None:
    idx = layout.antenna(a.name)
    x[idx[1]] = a.downtilt_rad
    x[idx[3:5]] = a.east_north_m
    x[idx[5]] = a.up_m
    x[idx[6:9]] = a.ln_size
    if alone:
        out.append(Directs("mounting offset", f"offset of {a.name}", idx[3:5], a.east_north_m, a.offset_sigma_m))
        out.append(Direct("register heights", f"height of {a.name}", idx[5:6], a.up_m, a.up_sigma_m))
    source = "antenna dimensions" if a.sizes_known else "antenna dimensions not in the register"
    out.append(Directs(source, f"dimensions of {a.name}", idx[6:9], a.ln_size, a.ln_size_sigma))
    out.append(Direct("downtilt assumed", f"downtilt of {a.name}", idx[1:2], a.downtilt_rad, a.downtilt_sigma_rad))
    out.append(Direct("plumb mounting assumed", f"roll of {a.name}", idx[2:3], 0.0, a.roll_sigma_rad))
