"""The network of a site: what is known of photos and antennas becomes unknowns, starting values and observations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import Angle
from photoaz.naming.model import AntennaPriors
from photoaz.network.antenna_positions import AntennaPositions
from photoaz.network.heading_aids import HeadingAid, LandmarkPixel, observed
from photoaz.network.observations import PLUMB_FIELDS, Box, Direct, Directs, Observation, plumb
from photoaz.network.parameters import Layout
from photoaz.network.stands import FIX, Member, Moment, Stand, stands_of
from photoaz.network.surrounded import LaidOver, surroundings_seen
from photoaz.photo.camera import Camera, directions_from_pixels, los_from_cam, rotation_cam_from_enu
from photoaz.vision.evidence import BoxMode, azimuths_of
from photoaz.vision.verticals import Verticals

Array = NDArray[Any]

#: the budget's name of what outlines tell
BOX_SOURCE = "edges in the photo"


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoObservations:
    """What is known of one photo, in the site's frame.

    start (6,): heading, pitch, roll [rad], east, north, up [m] to start from. headings, pitches, rolls: every statement
    about the attitude. standpoints: (east, north) [m], sigma per axis [m], source. ln_focal: ln of the focal length
    that the metadata give over the camera's nominal one. boxes: per antenna the ways it fits. aids: what else in
    the photo tells where it looked. verticals: what upright lines in it tell of its attitude. notes: why something
    given for the photo could not be used, in words. names: of an antenna whose name is not certain, what else its panel
    may be (None: none of them) and how probable that is. moment: when it was taken, and by which camera. unsure:
    antennas that several panels may be. laid: the photo laid over the map of what stands round, where it shows enough
    of it.
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
    aids: tuple[HeadingAid, ...] = ()
    notes: tuple[str, ...] = ()
    verticals: Verticals | None = None
    names: Mapping[str, tuple[tuple[str | None, float], ...]] = field(default_factory=dict)
    moment: Moment | None = None
    unsure: frozenset[str] = frozenset()
    laid: LaidOver | None = None

    @property
    def landmarks(self) -> tuple[LandmarkPixel, ...]:
        """The landmarks among `aids`."""
        return tuple(a for a in self.aids if isinstance(a, LandmarkPixel))


def outline_label(photo: str, antenna: str) -> str:
    """The label of the observation that an antenna's outline in a photo makes."""
    return f"outline of {antenna} in {photo}"


@dataclass(frozen=True, slots=True)
class SiteNetwork:
    """A site's unknowns and what is known of them. start (P,) : values to begin with, as `layout` numbers them.

    fixed : every observation but the boxes, whose modes are chosen later. stands : photos taken moments apart.
    """

    layout: Layout
    start: Array
    fixed: tuple[Observation, ...]
    photos: tuple[PhotoObservations, ...]
    antennas: tuple[AntennaPriors, ...]
    stands: tuple[Stand, ...] = ()

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
    return azimuths_of(modes, photo.camera, cam_from_enu, tilt_sigma_rad)


def build(
    photos: Sequence[PhotoObservations],
    antennas: Sequence[AntennaPriors],
    site_sigma_m: float,
    positions: AntennaPositions | None = None,
) -> SiteNetwork:
    """Lay out the unknowns and every observation but the boxes, whose modes are chosen later.

    positions: where the antennas stand as parts of one body; without it each stands by itself, as its priors say.
    """
    photos = _landmarks_told_apart(photos)
    landmarks: dict[str, LandmarkPixel] = {s.name: s for p in photos for s in p.landmarks}
    stands = stands_of(photos)
    names_of = tuple(p.name for p in photos), tuple(a.name for a in antennas), tuple(landmarks)
    layout = Layout(*names_of, tuple(s.name for s in stands))
    x = np.zeros(layout.size)
    out: list[Observation] = []
    members = {m.photo: m for s in stands for m in s.members}
    for p in photos:
        _photo(p, members.get(p.name), layout, x, out)
    for stand in stands:
        x[layout.stand(stand.name, "east", "north", "up")] = stand.start
        out += stand.observations(layout)
    for a in antennas:
        _antenna(a, layout, x, out, alone=positions is None)
    if positions is not None and antennas:
        names = [a.name for a in antennas]
        out += positions.observations(names, layout)
        for name in names:
            k = positions.names.index(name)
            x[layout.antenna(name, "east", "north", "up")] = [*positions.places_m[k], positions.up_m[k]]
    for axis in ("east", "north"):
        out.append(Direct("register position", "the register's position", layout.site(axis), 0.0, site_sigma_m))
    for name, s in landmarks.items():
        idx = layout.landmark(name)
        x[idx] = s.enu_m
        # one photo alone cannot say that a landmark stands elsewhere rather than that another thing was seen
        seen = sum(any(other.name == name for other in p.landmarks) for p in photos)
        out.append(s.position(idx, f"position of landmark {name}", testable=seen > 1))
        # keeps the equations regular where the position turns out to be wrong
        out.append(Directs("landmark assumed", "", idx, s.enu_m, 2e4))
    return SiteNetwork(layout, x, tuple(out), tuple(photos), tuple(antennas), stands)


def _landmarks_told_apart(photos: Sequence[PhotoObservations]) -> list[PhotoObservations]:
    """The photos, with landmarks of one name but clearly different positions named by their photo as well."""
    first: dict[str, LandmarkPixel] = {}

    def told_apart(aid: HeadingAid, photo: str) -> HeadingAid:
        if not isinstance(aid, LandmarkPixel):
            return aid
        known = first.setdefault(aid.name, aid)
        apart = float(np.hypot(*(aid.enu_m - known.enu_m)[:2])) > 4.0 * np.hypot(aid.sigma_m, known.sigma_m)
        return replace(aid, name=f"{aid.name} as placed for {photo}") if apart else aid

    return [replace(p, aids=tuple(told_apart(a, p.name) for a in p.aids)) for p in photos]


def _photo(p: PhotoObservations, member: Member | None, layout: Layout, x: Array, out: list[Observation]) -> None:
    """A photo's own observations; member: of a stand, which says the rest."""
    x[layout.photo(p.name)[:6]] = p.start
    for unknown, angles in (("heading", p.headings), ("pitch", p.pitches), ("roll", p.rolls)):
        idx = layout.photo(p.name, unknown)
        for a in angles:
            if member is not None and a is member.compass:
                continue
            out.append(Direct(a.source, a.label, idx, a.value_rad, a.sigma_rad, angle=True, testable=True))
    # nobody photographs upside down or straight down: keeps an attitude that nothing else fixes from being singular
    out.append(Direct("attitude assumed", "", layout.photo(p.name, "pitch"), float(p.start[1]), 1.0, angle=True))
    out.append(Direct("attitude assumed", "", layout.photo(p.name, "heading"), float(p.start[0]), 10.0, angle=True))
    for east_north, sigma, source in p.standpoints:
        if member is None or source != FIX:
            at = layout.photo(p.name, "east", "north")
            out.append(Directs(source, f"standpoint of {p.name}", at, east_north, sigma, True))
    if member is None:
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
    out += [observed(aid, p.name, p.camera, layout) for aid in p.aids]
    if p.laid is not None and p.laid.adjusted:
        out.append(surroundings_seen(p.name, p.laid, layout))


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
