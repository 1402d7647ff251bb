"""Invented sites, exact to the last digit, and draws of everything that was measured at them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from photoaz.angles import Angle
from photoaz.naming.model import AntennaPriors
from photoaz.network.heading_aids import AidObservation, HeadingAid, LandmarkPixel, PixelBearing, Shadow, SunPixel
from photoaz.network.observations import (
    Box,
    Direct,
    Directs,
    Observation,
    box_quantities,
)
from photoaz.network.parameters import Layout
from photoaz.network.site import PhotoObservations, SiteNetwork, build
from photoaz.photo.camera import Camera, directions_from_pixels, los_from_cam, rotation_cam_from_enu
from photoaz.vision.evidence import BoxMode

Array = NDArray[Any]

#: corners of a box of unit size, front first: upper left, upper right, lower right, lower left as seen from in front
CORNERS = 0.5 * np.array(
    [[-1, 1, 1], [1, 1, 1], [1, -1, 1], [-1, -1, 1], [-1, 1, -1], [1, 1, -1], [1, -1, -1], [-1, -1, -1]], float
)
PANEL_M = np.array([0.35, 2.0, 0.15])
#: an angle's sigma from which on it only keeps the equations regular and says nothing of the site
IDLE_RAD = 0.9


def camera(f35_mm: float = 77.0, *, f_sigma: float = 0.003, principal_sigma_px: float = 5.0) -> Camera:
    """A 12-megapixel camera held upright, whose lens is equivalent to f35_mm on a picture 36 mm long."""
    return Camera(
        width_px=3024,
        height_px=4032,
        f_px=f35_mm / 36.0 * 4032,
        cx_px=1511.5,
        cy_px=2015.5,
        f_relative_sigma=f_sigma,
        principal_sigma_px=principal_sigma_px,
    )


def rotation(heading: float, pitch: float, roll: float) -> Array:
    """Camera from ENU by elementary turns, for a camera that starts level and looking north; not the package's way."""
    level_north = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
    ch, sh, cp, sp, cr, sr = (f(a) for a in (heading, pitch, roll) for f in (np.cos, np.sin))
    turn_back = np.array([[ch, -sh, 0], [sh, ch, 0], [0, 0, 1]])  # heading clockwise: the world turns the other way
    tip = np.array([[1, 0, 0], [0, cp, sp], [0, -sp, cp]])  # of y down, z forward: pitch up lowers what is seen
    about_axis = np.array([[cr, sr, 0], [-sr, cr, 0], [0, 0, 1]])  # camera clockwise: the picture turns the other way
    out: Array = about_axis @ tip @ level_north @ turn_back
    return out


def panel_axes(azimuth: float, downtilt: float, roll: float) -> Array:
    """Columns right (as seen from in front), up, normal in ENU: by elementary turns of a panel that faces north."""
    facing_north = np.array([[-1.0, 0, 0], [0, 0, 1], [0, 1, 0]])
    ca, sa, ct, st, cr, sr = (f(a) for a in (azimuth, downtilt, roll) for f in (np.cos, np.sin))
    about_up = np.array([[ca, sa, 0], [-sa, ca, 0], [0, 0, 1]])
    tip = np.array([[1, 0, 0], [0, ct, st], [0, -st, ct]])  # a panel facing north tips its normal down
    about_normal = np.array([[cr, sr, 0], [-sr, cr, 0], [0, 0, 1]])  # right goes down: clockwise
    out: Array = about_up @ tip @ facing_north @ about_normal
    return out


def sight_frame(direction: Array) -> Array:
    """Rows x (the camera's, made square to the sight), y, z of the frame of a line of sight (3,)."""
    z = direction / np.linalg.norm(direction)
    x = np.cross(np.cross(z, [1.0, 0, 0]), z)
    x /= np.linalg.norm(x)
    return np.array([x, np.cross(z, x), z])


def corners_of(cam: Camera, rot: Array, px: Array, ln_size: Array, which: slice) -> Array:
    """Corner pixels of a box from its rotation in the sight's frame, its centre's pixel and ln apparent sizes."""
    sight = np.array([(px[0] - cam.cx_px) / cam.f_px, (px[1] - cam.cy_px) / cam.f_px, 1.0])
    sight /= np.linalg.norm(sight)
    p = sight + (CORNERS[which] * np.exp(ln_size) / cam.f_px) @ (sight_frame(sight).T @ rot).T
    return cam.f_px * p[:, :2] / p[:, 2:] + [cam.cx_px, cam.cy_px]


def root_of_corners(cam: Camera, rot: Array, px: Array, ln_size: Array, sigma_px: float, which: slice) -> Array:
    """What corners picked with sigma_px say of [rotation vector, centre, ln sizes]: whitened rows (m, 8)."""
    from scipy.spatial.transform import Rotation

    def at(d: Array) -> Array:
        turned = Rotation.from_rotvec(d[:3]).as_matrix() @ rot
        return corners_of(cam, turned, px + d[3:5], ln_size + d[5:], which).ravel()

    steps = np.diag([1e-5] * 3 + [1e-3] * 2 + [1e-5] * 3)
    j = np.stack([(at(s) - at(-s)) / (2 * s.max()) for s in steps], -1) / sigma_px
    scale = np.maximum(np.linalg.norm(j, axis=0), 1e-12)
    _, values, vt = np.linalg.svd(j / scale, full_matrices=False)
    ok = values > 1e-6 * values[0]
    out: Array = (values[ok, None] * vt[ok]) * scale
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A photo of an invented site: it stands at bearing_deg and distance_m from the tower and looks at its head."""

    name: str
    bearing_deg: float
    distance_m: float
    sees: tuple[str, ...]
    landmarks: tuple[str, ...] = ()
    roll_deg: float = 0.6
    aside_deg: float = 0.4  # the camera is turned right of the head by that much


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Sigmas of everything at an invented site; what the design page states where it states it."""

    corner_px: float = 0.3
    compass_deg: float = 6.0
    gnss_m: float = 4.0
    pitch_deg: float = 1.0
    roll_deg: float = 1.5
    site_m: float = 1.2
    camera_height_m: float = 0.5
    rad_center_m: float = 0.5
    offset_m: float = 0.15
    ln_size: float = 0.015
    downtilt_deg: float = 3.0
    panel_roll_deg: float = 0.7
    corners: int = 4  # the first so many of CORNERS are picked


@dataclass(frozen=True, slots=True)
class Built:
    network: SiteNetwork
    truth: Array
    observations: tuple[Observation, ...]

    @property
    def layout(self) -> Layout:
        return self.network.layout


def make_site(
    stations: tuple[Station, ...],
    azimuths_deg: dict[str, float],
    *,
    setting: Setting | None = None,
    landmarks: dict[str, tuple[float, float, float]] | None = None,
    cam: Camera | None = None,
    landmark_m: float = 2.0,
) -> Built:
    """The network of an invented site in which every observation equals the truth, and that truth.

    Antennas stand 0.8 m off the tower's axis at 45 m; landmarks: ENU positions [m].
    """
    s, c = setting or Setting(), cam or camera()
    rad = np.radians
    true_a: dict[str, Array] = {}
    for k, (name, az) in enumerate(azimuths_deg.items()):
        a = rad(az)
        angles = [a, rad(2.0 + k), 0.0]  # plumb, as the network assumes
        true_a[name] = np.array([*angles, 0.8 * np.sin(a), 0.8 * np.cos(a), 45.0, *np.log(PANEL_M)])
    antennas = [
        AntennaPriors(
            name=name,
            design_rad=float(v[0] + rad(3.0)),
            east_north_m=v[3:5],
            offset_sigma_m=s.offset_m,
            up_m=45.0,
            up_sigma_m=s.rad_center_m,
            ln_size=v[6:9],
            ln_size_sigma=np.full(3, s.ln_size),
            sizes_known=True,
            downtilt_rad=float(v[1]),
            downtilt_sigma_rad=float(rad(s.downtilt_deg)),
            roll_sigma_rad=float(rad(s.panel_roll_deg)),
        )
        for name, v in true_a.items()
    ]
    photos, true_p = [], {}
    for t in stations:
        b = rad(t.bearing_deg)
        here = t.distance_m * np.array([np.sin(b), np.cos(b)])
        aim = np.mean([true_a[n][3:6] for n in t.sees], 0) - [*here, 1.5]
        heading = float(np.arctan2(aim[0], aim[1]) + rad(t.aside_deg))
        pitch = float(np.arctan2(aim[2], np.hypot(*aim[:2])) - rad(0.7))
        if t.landmarks:
            pitch -= float(rad(11.0))  # lowered, so that a hill comes into the frame
        true_p[t.name] = np.array([heading, pitch, rad(t.roll_deg), *here, 1.5, 0.0, 0.0, 0.0])
        sights = []
        for name in t.landmarks:
            enu = np.array((landmarks or {})[name])
            v = rotation(heading, pitch, rad(t.roll_deg)) @ (enu - [*here, 1.5])
            pixel = c.f_px * v[:2] / v[2] + [c.cx_px, c.cy_px]
            inside = v[2] > 0 and 0 < pixel[0] < c.width_px and 0 < pixel[1] < c.height_px
            assert inside, f"{name} must lie in the frame, not at {pixel}"
            sights.append(
                LandmarkPixel(name=name, pixel=pixel, enu_m=enu, sigma_m=landmark_m, height_sigma_m=5.0, sigma_px=1.5)
            )
        photos.append(
            PhotoObservations(
                name=t.name,
                camera=c,
                start=true_p[t.name][:6],
                headings=(_angle(heading, s.compass_deg, "camera compass"),),
                pitches=(_angle(pitch, s.pitch_deg, "camera pitch"),),
                rolls=(_angle(float(rad(t.roll_deg)), s.roll_deg, "camera roll"),),
                standpoints=((here, s.gnss_m, "camera position"),),
                up_m=1.5,
                up_sigma_m=s.camera_height_m,
                ln_focal=0.0,
                boxes={n: (_mode(c, true_p[t.name], true_a[n], s),) for n in t.sees},
                aids=tuple(sights),
            )
        )
    net = build(photos, antennas, s.site_m)
    truth = net.start.copy()
    for name, v in true_p.items():
        truth[net.layout.photo(name)] = v
    for name, v in true_a.items():
        truth[net.layout.antenna(name)] = v
    choice = {(p.name, a): 0 for p in photos for a in p.boxes}
    return Built(net, truth, net.observations(choice))


def _angle(value: float, sigma_deg: float, source: str) -> Angle:
    return Angle(value_rad=value, sigma_rad=float(np.radians(sigma_deg)), source=source, label=source)


def _mode(cam: Camera, photo: Array, antenna: Array, s: Setting) -> BoxMode:
    rot, px, ln_size = box_quantities(cam, np.concatenate([photo, antenna, [0.0, 0.0]]))
    root = root_of_corners(cam, rot, px, ln_size, s.corner_px, slice(0, s.corners))
    corners = corners_of(cam, rot, px, ln_size, slice(0, 8))
    return BoxMode(
        rotation=rot,
        centre_px=px,
        ln_size=ln_size,
        root=root,
        offset=np.zeros(len(root)),
        cost=0.0,
        quality=1.0,
        width_px=float(np.exp(ln_size[0])),
        corners_px=corners,
        outline_px=corners[:4],
        inner_px=(),
        front_visible=True,
        rear_visible=False,
        has_wall=False,
        shape=np.array([0.1, 0.03]),
    )


def redrawn(observations: tuple[Observation, ...], rng: np.random.Generator, draws: int | None = None) -> list[Any]:
    """The same observations, each value drawn anew from its stated sigma; with `draws`, all of them as one batch."""
    lead = () if draws is None else (draws,)
    out: list[Any] = []
    for o in observations:
        if isinstance(o, Direct):
            if o.angle and o.sigma > IDLE_RAD:
                out.append(o)
                continue
            noise = rng.standard_normal((*lead, 1)) if lead else rng.standard_normal()
            out.append(replace(o, value=o.value + o.sigma * noise))
        elif isinstance(o, Directs):
            out.append(replace(o, value=o.value + o.sigma * rng.standard_normal((*lead, len(o.index)))))
        elif isinstance(o, AidObservation):
            out.append(replace(o, aid=_redrawn_aid(o.aid, rng, lead)))
        elif isinstance(o, Box):
            out.append(replace(o, offset=o.offset + rng.standard_normal((*lead, len(o.offset)))))
        else:
            raise AssertionError(f"no draw for {type(o).__name__}")
    return out


def _redrawn_aid(aid: HeadingAid, rng: np.random.Generator, lead: tuple[int, ...]) -> Any:
    if isinstance(aid, LandmarkPixel):
        return replace(aid, pixel=aid.pixel + aid.sigma_px * rng.standard_normal((*lead, 2)))
    if isinstance(aid, SunPixel):
        off = np.linalg.solve(aid.root, rng.standard_normal((2, *lead)).reshape(2, -1)).reshape(2, *lead)
        azimuth = aid.azimuth_rad + off[0] / np.cos(aid.elevation_rad)
        return replace(aid, azimuth_rad=azimuth, elevation_rad=aid.elevation_rad + off[1])
    assert isinstance(aid, PixelBearing | Shadow), f"no draw for {type(aid).__name__}"
    return replace(aid, azimuth_rad=aid.azimuth_rad + aid.sigma_rad * rng.standard_normal(lead))


def turned(photo: PhotoObservations, mode: BoxMode, deg: float) -> BoxMode:
    """The mode with its box turned clockwise about the vertical, and what it tells turned with it."""
    sight = los_from_cam(directions_from_pixels(photo.camera, mode.centre_px)) @ rotation_cam_from_enu(*photo.start[:3])
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    by = sight @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ sight.T
    turn = np.eye(8)
    turn[:3, :3] = by.T
    return replace(mode, rotation=by @ mode.rotation, root=mode.root @ turn)


class Kit:
    """The builders above, for tests (test modules cannot import this file)."""

    CORNERS, PANEL_M, Station, Setting = CORNERS, PANEL_M, Station, Setting
    camera, rotation, panel_axes, sight_frame = map(staticmethod, (camera, rotation, panel_axes, sight_frame))
    corners_of, root_of_corners, make_site, redrawn, turned = map(
        staticmethod, (corners_of, root_of_corners, make_site, redrawn, turned)
    )


@pytest.fixture(scope="session")
def kit() -> type[Kit]:
    return Kit


@pytest.fixture(scope="session")
def small_site() -> Built:
    """Two photos taken between three sectors: the middle one in both, a mast on a hill in the first."""
    return make_site(
        (
            Station(name="p1", bearing_deg=80.0, distance_m=50.0, sees=("a", "b"), landmarks=("mast",)),
            Station(name="p2", bearing_deg=200.0, distance_m=60.0, sees=("b", "c"), roll_deg=-1.1),
        ),
        {"a": 20.0, "b": 140.0, "c": 260.0},
        landmarks={"mast": (-900.0, -160.0, 330.0)},
    )
