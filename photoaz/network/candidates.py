"""What could be brought to an adjusted site beside what is there, each with the observations that it would make."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import azimuth_rad, wrap_rad
from photoaz.naming.model import camera_height
from photoaz.network.heading_aids import AidObservation, LandmarkPixel, PixelBearing
from photoaz.network.observations import (
    PLUMB_FIELDS,
    Box,
    Directs,
    Observation,
    box_quantities,
    plumb,
)
from photoaz.network.parameters import PHOTO
from photoaz.network.site import BOX_SOURCE, PhotoObservations, azimuths_of_modes
from photoaz.network.solution import NetworkSolution
from photoaz.photo.camera import directions_from_pixels, project, rotation_cam_from_enu
from photoaz.quantities import (
    BROUGHT_BEARING_U95_RAD,
    BROUGHT_DOWNTILT_U95_RAD,
    BROUGHT_LANDMARK_U95_M,
    BROUGHT_SURVEY_U95_M,
    CALIBRATED_F,
    CALIBRATED_PX,
    DATA_SHEET_SHARE,
    FURTHER_COMPASS_RAD,
    FURTHER_POSITION_M,
    HAND_HELD_ROLL_RAD,
    K95,
    LANDMARK_PX,
    LANDMARK_UP_SIGMA_M,
    PHONE_PITCH_RAD,
    RADIUS_95,
)
from photoaz.vision.evidence import BoxMode

Array = NDArray[Any]

#: a landmark to be brought stands this far off, and shows no higher than this above the horizon
LANDMARK_M, LANDMARK_ELEVATION_RAD = 300.0, float(np.radians(8.0))
#: antennas further apart than this point into different sectors; one shows its face up to this off its normal
_SECTOR_RAD, _FACE_RAD = float(np.radians(25.0)), float(np.radians(70.0))
#: stood at this from the normal where there is no neighbour
_ASIDE_RAD = float(np.radians(30.0))
#: photos in which landmarks, bearings and standpoints are tried: those that show most
_MOST_PHOTOS = 12
#: views of an antenna among which the most telling is looked for: its widest
_MOST_VIEWS = 3
#: kinds of evidence, the least trouble first: what lies in records and maps, what is done at home, what needs a trip
KINDS = (
    "landmark",
    "dimensions",
    "mounting_offset",
    "downtilt",
    "calibration",
    "photo",
    "photo_with_landmark",
    "bearing",
    "standpoint",
    "tower_position",
)


_TRIPS = ("photo", "photo_with_landmark", "bearing", "standpoint", "tower_position")


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceCandidate:
    """Evidence that could be had: its observations, in the network's unknowns and, behind them, those of `extra` (E,).

    kind: of KINDS. bring: what it is, in words. photo: the one that it is seen in, if one of those there. views: of a
    photo to come, per antenna the standard uncertainty [rad] of the azimuth that its outline alone would give; stand:
    its distance [m] and bearing [deg] from the tower.
    """

    kind: str
    bring: str
    observations: tuple[Observation, ...]
    extra: Array = field(default_factory=lambda: np.zeros(0))
    photo: str | None = None
    views: Mapping[str, float] = field(default_factory=dict)
    stand: tuple[float, float] | None = None

    @property
    def needs_trip(self) -> bool:
        """Whether somebody must go to the site for it."""
        return self.kind in _TRIPS


def candidates(chosen: NetworkSolution) -> tuple[EvidenceCandidate, ...]:
    """Everything that could be brought to an adjusted site, each with its observations, as good as KINDS' constants."""
    used = sorted(chosen.network.photos, key=lambda p: (-len(p.boxes), p.name))[:_MOST_PHOTOS]
    out: list[EvidenceCandidate] = []
    for p in used:
        out += _in_photo(chosen, p)
    out += _of_antennas(chosen)
    out += _of_site(chosen)
    views = {a.name: _best_view(chosen, a.name) for a in chosen.network.antennas}
    for bearing_rad, sees in _gaps(chosen):
        out += _another_photo(chosen, bearing_rad, {a: views[a] for a in sees})
    return tuple(out)


def _in_photo(chosen: NetworkSolution, p: PhotoObservations) -> list[EvidenceCandidate]:
    """Landmark and bearing where the horizon is in the frame, and the standpoint, of a photo that is there."""
    layout, x = chosen.network.layout, chosen.adjusted.x
    idx, name = layout.photo(p.name), Path(p.name).name
    out = []
    seen = _skyline(p, x[idx])
    if seen is not None:
        pixel, direction = seen
        rows, place = _landmark(p, x[idx], idx, direction, layout.size)
        out.append(
            EvidenceCandidate(
                kind="landmark",
                bring=f"one landmark {LANDMARK_M:.0f} m away or further in {name}",
                observations=rows,
                extra=place,
                photo=p.name,
            )
        )
        azimuth = float(np.arctan2(direction[0], direction[1]))
        aid = PixelBearing(name="", pixel=pixel, azimuth_rad=azimuth, sigma_rad=BROUGHT_BEARING_U95_RAD / K95)
        out.append(
            EvidenceCandidate(
                kind="bearing",
                bring=f"a bearing measured to something in {name}",
                observations=(AidObservation(aid, p.camera, "", idx),),
                photo=p.name,
            )
        )
    at = layout.photo(p.name, "east", "north")
    out.append(
        EvidenceCandidate(
            kind="standpoint",
            bring=f"a survey of the camera position of {name}",
            observations=(Directs("standpoint control", "", at, x[at], BROUGHT_SURVEY_U95_M / RADIUS_95),),
            photo=p.name,
        )
    )
    return out


def _skyline(p: PhotoObservations, photo: Array) -> tuple[Array, Array] | None:
    """The pixel (2,) of the frame's middle column nearest to the horizon, and its direction in ENU (3,).

    None where nothing near the horizon is in the frame: there no landmark can be seen.
    """
    rows = np.linspace(0.05, 0.95, 46) * p.camera.height_px
    pixels = np.stack([np.full_like(rows, 0.5 * p.camera.width_px), rows], -1)
    sights = directions_from_pixels(p.camera, pixels, p.camera.f_px * np.exp(photo[6]))
    enu = sights @ rotation_cam_from_enu(photo[0], photo[1], photo[2])
    elevation = np.arcsin(np.clip(enu[:, 2], -1.0, 1.0))
    nearest = int(np.argmin(np.abs(elevation - np.radians(2.0))))  # what stands out does so above the horizon
    if not -LANDMARK_ELEVATION_RAD < elevation[nearest] <= LANDMARK_ELEVATION_RAD:
        return None
    return pixels[nearest], enu[nearest]


def _landmark(
    p: PhotoObservations, photo: Array, index: Array, direction: Array, first: int
) -> tuple[tuple[Observation, ...], Array]:
    """Observations of a landmark in a direction (3,), and its place (3,), whose unknowns begin at `first`."""
    place = photo[3:6] + direction * (LANDMARK_M / float(np.hypot(direction[0], direction[1])))
    own = np.arange(first, first + 3)
    sight = rotation_cam_from_enu(photo[0], photo[1], photo[2]) @ (place - photo[3:6])
    pixel = project(p.camera, sight, p.camera.f_px * np.exp(photo[6])) + photo[7:9]
    aid = LandmarkPixel(
        name="",
        pixel=pixel,
        enu_m=place,
        sigma_m=BROUGHT_LANDMARK_U95_M / RADIUS_95,
        height_sigma_m=LANDMARK_UP_SIGMA_M,
        sigma_px=LANDMARK_PX,
    )
    return (
        aid.position(own),
        AidObservation(aid, p.camera, "", np.concatenate([index, own])),
    ), place


def _of_antennas(chosen: NetworkSolution) -> list[EvidenceCandidate]:
    """What records say of the antennas, where the register does not: sizes, stand-off, downtilt."""
    layout, x = chosen.network.layout, chosen.adjusted.x

    facts = chosen.network.antennas

    def known(
        kind: str, bring: str, source: str, names: Sequence[str], sigma: float, *fields: str
    ) -> list[EvidenceCandidate]:
        places = [layout.antenna(a, *fields) for a in names]
        rows = tuple(Directs(source, "", at, x[at], sigma) for at in places)
        return [EvidenceCandidate(kind=kind, bring=bring, observations=rows)] if rows else []

    return [
        *known(
            "dimensions",
            "the antennas' sizes from their data sheets",
            "antenna dimensions",
            [a.name for a in facts if not a.sizes_known],
            DATA_SHEET_SHARE,
            *("ln_width", "ln_height", "ln_depth"),
        ),
        *known(
            "mounting_offset",
            "the antennas' offsets from the tower's axis, from the drawings",
            "mounting offset",
            [a.name for a in facts if a.offset_sigma_m > 2.0 * BROUGHT_SURVEY_U95_M],
            BROUGHT_SURVEY_U95_M,
            *("east", "north"),
        ),
        *known(
            "downtilt",
            "the antennas' downtilts as measured",
            "downtilt",
            [a.name for a in facts if a.downtilt_sigma_rad > BROUGHT_DOWNTILT_U95_RAD],
            BROUGHT_DOWNTILT_U95_RAD / K95,
            "downtilt",
        ),
    ]


def _of_site(chosen: NetworkSolution) -> list[EvidenceCandidate]:
    """The camera calibrated, and the tower surveyed."""
    net, x = chosen.network, chosen.adjusted.x
    rows: list[Observation] = []
    for p in net.photos:
        at = net.layout.photo(p.name, "ln_focal", "principal_x", "principal_y")
        sigma = np.array([CALIBRATED_F, CALIBRATED_PX, CALIBRATED_PX])
        rows.append(Directs("focal length", "", at, x[at], sigma))
    tower = net.layout.site()
    return [
        EvidenceCandidate(kind="calibration", bring="a calibration of the camera", observations=tuple(rows)),
        EvidenceCandidate(
            kind="tower_position",
            bring="a survey of the tower's position",
            observations=(Directs("register position", "", tower, x[tower], BROUGHT_SURVEY_U95_M / RADIUS_95),),
        ),
    ]


def _gaps(chosen: NetworkSolution) -> list[tuple[float, tuple[str, ...]]]:
    """Bearings [rad] from the tower to stand at, between neighbouring sectors, and the antennas whose faces show there.

    Beside a sector that has no neighbour within half a turn.
    """
    layout, x = chosen.network.layout, chosen.adjusted.x
    azimuth = {a: azimuth_rad(float(x[layout.antenna(a, "azimuth")[0]])) for a in layout.antennas}
    ordered = sorted(azimuth.values())
    stands: list[float] = []
    for here, there in zip(ordered, [*ordered[1:], ordered[0] + 2 * np.pi], strict=True):
        if there - here > np.pi or len(ordered) == 1:
            stands += [here + _ASIDE_RAD, there - _ASIDE_RAD]
        elif there - here > _SECTOR_RAD:
            stands.append(0.5 * (here + there))
    return [
        (bearing, seen)
        for bearing in stands
        if (seen := tuple(a for a, v in azimuth.items() if abs(wrap_rad(v - bearing)) < _FACE_RAD))
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _View:
    """How a photo shows an antenna; doubt: the factor its outline is trusted less by; sigma [rad]: of its azimuth."""

    photo: PhotoObservations
    mode: BoxMode
    doubt: float
    sigma_rad: float


def _best_view(chosen: NetworkSolution, antenna: str) -> _View:
    """Of the widest views of an antenna the one whose outline tells most of its azimuth."""
    seen = []
    for p in chosen.network.photos:
        if (p.name, antenna) in chosen.choice:
            seen.append((p, p.boxes[antenna][chosen.choice[p.name, antenna]]))
    views = []
    for p, mode in sorted(seen, key=lambda one: -one[1].width_px)[:_MOST_VIEWS]:
        attitude = chosen.adjusted.x[chosen.network.layout.photo(p.name)[:3]]
        doubt = chosen.doubt.get((p.name, antenna), 1.0)
        sigma = float(azimuths_of_modes(p, [mode], attitude, HAND_HELD_ROLL_RAD)[1][0]) * doubt
        views.append(_View(photo=p, mode=mode, doubt=doubt, sigma_rad=sigma))
    return min(views, key=lambda v: v.sigma_rad)


# longer than most: one photo put together from what the others are like
def _another_photo(chosen: NetworkSolution, bearing_rad: float, views: Mapping[str, _View]) -> list[EvidenceCandidate]:
    """A photo from a bearing of the tower, as far off and with the same lens as those there; and it with a landmark.

    Each antenna shows in it with the information of its best view so far (less where it would be smaller, by the cube
    of its size for angles and sizes: that many samples, that far moved); turned and placed as predicted.
    """
    net, x = chosen.network, chosen.adjusted.x
    layout, first = net.layout, net.layout.size
    like = max((v.photo for v in views.values()), key=lambda p: (len(p.boxes), p.name))
    tower = x[layout.site()]
    distances = [float(np.hypot(*(x[layout.photo(p.name, "east", "north")] - tower))) for p in net.photos]
    distance = float(np.median(distances))
    stand = np.array([*(tower + distance * np.array([np.sin(bearing_rad), np.cos(bearing_rad)])), like.up_m])
    middle = np.mean([x[layout.antenna(a, "east", "north", "up")] for a in views], 0)
    aim = middle + np.array([*tower, 0.0]) - stand
    photo = np.zeros(len(PHOTO))
    photo[:2] = np.arctan2(aim[0], aim[1]), np.arctan2(aim[2], np.hypot(aim[0], aim[1]))
    photo[3:6] = stand
    index = np.arange(first, first + len(PHOTO))
    camera = like.camera
    sigma = [
        FURTHER_COMPASS_RAD,
        PHONE_PITCH_RAD,
        HAND_HELD_ROLL_RAD,
        FURTHER_POSITION_M,
        FURTHER_POSITION_M,
        camera_height(distance)[1],
    ]
    sigma += [max(camera.f_relative_sigma, 1e-5), *[max(camera.principal_sigma_px, 1e-2)] * 2]
    rows: list[Observation] = [Directs("another photo", "", index, photo, np.array(sigma))]
    if like.verticals is not None:
        rows.append(plumb("", index[[PHOTO.index(f) for f in PLUMB_FIELDS]], like.verticals))
    own: dict[str, float] = {}
    for a, v in views.items():
        ai = layout.antenna(a)
        rotation, pixel, ln_size = box_quantities(camera, np.concatenate([photo, x[ai], tower]))
        smaller = min(1.0, float(np.exp(np.mean(ln_size[:2] - v.mode.ln_size[:2]))))
        root = v.mode.root * np.array([smaller**1.5] * 3 + [smaller**0.5] * 2 + [smaller**1.5] * 3) / v.doubt
        rows.append(
            Box(
                BOX_SOURCE,
                "",
                np.concatenate([index, ai, layout.site()]),
                camera,
                rotation,
                pixel,
                ln_size,
                root,
                np.zeros(len(root)),
            )
        )
        own[a] = v.sigma_rad / smaller**1.5
    bearing = round(np.degrees(bearing_rad)) % 360
    stand_from = (distance, float(bearing))
    bring = f"one more photo from {distance:.0f} m, at a bearing of {bearing}° from the tower"
    out = [
        EvidenceCandidate(kind="photo", bring=bring, observations=tuple(rows), extra=photo, views=own, stand=stand_from)
    ]
    seen = _skyline(like, photo)
    if seen is not None:
        sights, place = _landmark(like, photo, index, seen[1], first + len(PHOTO))
        out.append(
            EvidenceCandidate(
                kind="photo_with_landmark",
                bring=f"{bring}, with a landmark {LANDMARK_M:.0f} m away or further in it",
                observations=(*rows, *sights),
                extra=np.concatenate([photo, place]),
                views=own,
                stand=stand_from,
            )
        )
    return out
