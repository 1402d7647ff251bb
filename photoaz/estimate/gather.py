"""What a photo tells the network: its antennas measured, with all that metadata and controls state of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import Angle, wrap_rad
from photoaz.estimate.controls import Attitude, heading_aids_of
from photoaz.estimate.initial_values import focal_from_size, standpoint_from_size, start_heading, start_pitch, tall_px
from photoaz.estimate.laid import with_heading
from photoaz.estimate.panels import PanelToMeasure, PhotoPanels
from photoaz.estimate.statements import GatheredPhoto, UnusablePhotoError, moment_of, standpoints_of
from photoaz.geodesy.frames import EnuFrame
from photoaz.memory import Forgetful, Memory, recall
from photoaz.naming.model import AntennaPriors, KnownPhoto, camera_height
from photoaz.network.heading_aids import HeadingAid
from photoaz.network.site import PhotoObservations
from photoaz.network.solution import NetworkSolution
from photoaz.network.surrounded import LaidOver
from photoaz.photo.camera import (
    Camera,
    directions_from_pixels,
)
from photoaz.photo.pixels import BoxPx, Picture
from photoaz.quantities import (
    FOUND_HEIGHT_SIGMA,
    FOUND_HEIGHTS_SIGMA,
    HAND_HELD_ROLL_RAD,
    RADIUS_95,
    UNSURE_FOCAL_SHARE,
)
from photoaz.register.model import Site
from photoaz.vision.evidence import BoxMode, modes_of_rivals
from photoaz.vision.finder import FoundPanels
from photoaz.vision.fit import ROUGHLY
from photoaz.vision.measure import Expectation, Look, look_at, measure_boxes, measure_boxes_again, reach_px
from photoaz.vision.sun_view import NoSun, SunGuess, SunSpot
from photoaz.vision.sunspot import find_sun
from photoaz.vision.verticals import Verticals, find_verticals

Array = NDArray[Any]

#: a camera that its metadata do not level
HELD_LEVEL = Angle(value_rad=0.0, sigma_rad=HAND_HELD_ROLL_RAD, source="camera held level", label="hand-held roll")


class Looking:
    """Where antennas are looked for in a photo, and what was expected of each.

    Patches are cut whenever they are asked for: those of all photos of a large site would not fit into memory.
    """

    def __init__(
        self, picture: Picture, to_measure: Sequence[PanelToMeasure], expectations: Mapping[str, Expectation]
    ) -> None:
        self.picture = picture
        self.expectations = expectations
        self.chances = {s.antenna_id: s.chances for s in to_measure}
        self._spots = tuple(one for s in to_measure for one in s.each)

    @property
    def inputs(self) -> tuple[object, ...]:
        """All that the looks depend on."""
        to_measure = [(s.antenna_id, s.corners_px, s.seed_px, s.exact, s.candidate, s.side) for s in self._spots]
        return (self.picture.digest, to_measure, list(self.expectations.values()))

    @property
    def names(self) -> list[str]:
        """The antenna of each place where one is looked for: several may be of one."""
        return [s.antenna_id for s in self._spots]

    @property
    def places(self) -> list[tuple[str, int]]:
        """The same, with the number of the place among the antenna's."""
        return [(n, self.names[:k].count(n)) for k, n in enumerate(self.names)]

    def looks(self) -> list[Look]:
        """At each of these places. Raises InputError where the photo cannot be decoded."""
        image = self.picture.sliced()
        return [
            look_at(
                image,
                self.expectations[s.antenna_id],
                corners_px=None if s.candidate is not None else s.corners_px,
                seed_px=s.seed_px,
                exact=s.exact,
                candidate=s.candidate,
                side=s.side,
            )
            for s in self._spots
        ]

    def together(self, modes: Sequence[tuple[BoxMode, ...]]) -> dict[str, tuple[BoxMode, ...]]:
        """Per antenna the modes of all places where it may be."""
        of: dict[str, list[tuple[BoxMode, ...]]] = {}
        for name, some in zip(self.names, modes, strict=True):
            of.setdefault(name, []).append(some)
        joined = {name: modes_of_rivals(some, self.chances[name]) for name, some in of.items()}
        return {name: some for name, some in joined.items() if some}


def _faces_camera(design_rad: float, towards_camera_m: Array) -> bool | None:
    """Whether the antenna shows its front by design; None within 25 degrees of the profile view.

    Only a person's single point leaves that open, and a box looks much the same from the rear.
    """
    bearing = float(np.arctan2(towards_camera_m[0], towards_camera_m[1]))
    off = abs(float(np.degrees(wrap_rad(design_rad - bearing))))
    return None if 65.0 < off < 115.0 else off <= 65.0


def observe_photo(
    photo: GatheredPhoto,
    known: KnownPhoto,
    laid: LaidOver | None,
    panels: PhotoPanels,
    picture: Picture,
    site: Site,
    frame: EnuFrame,
    antennas: Mapping[str, AntennaPriors],
    memory: Memory,
) -> tuple[PhotoObservations, Looking]:
    """Gather what a photo tells and measure the panels to be measured in it; also where each was looked for.

    Raises UnusablePhotoError where the photo cannot take part, InputError where it cannot be decoded.
    """
    to_measure = sorted((s for s in panels.to_measure if s.antenna_id in antennas), key=lambda s: s.antenna_id)
    if not to_measure:
        raise UnusablePhotoError(_nothing_to_measure(panels))
    standpoints = standpoints_of(photo, frame) or (standpoint_from_size(photo, known, to_measure, antennas),)
    east_north, spread = standpoints[0][0], min(s for _, s, _ in standpoints)
    up, up_sigma = camera_height(float(np.hypot(*east_north)), known.altitude)
    place, spreads = np.append(east_north, up), (spread, up_sigma)
    rolls = known.rolls or (HELD_LEVEL,)
    camera, ln_focal = focal_from_size(photo.camera, to_measure, antennas, place)
    pitch = start_pitch(photo, to_measure, antennas, place, spreads, site, known.pitches)
    region = np.array(_mast_region(panels, to_measure, camera))
    roll, verticals = _start_roll(picture, camera, pitch, rolls[0], region, memory)
    told = with_heading(known, laid)
    heading, heading_sigma = start_heading(told, panels, camera, (pitch[0], roll[0]), to_measure, antennas, east_north)
    ways = {s.antenna_id: _way(antennas[s.antenna_id], place, spreads, site) for s in to_measure}
    looking = Looking(picture, to_measure, _expectations(camera, to_measure, antennas, ways, (heading, pitch, roll)))
    boxes = looking.together(_fitted(looking, memory))
    if not boxes:
        raise UnusablePhotoError("none of the antennas seen in it could be fitted")
    if known.standpoint is not None:
        along = float(np.hypot(spread, site.position_u95_m / RADIUS_95))
        heading_sigma = min(heading_sigma, along / float(np.hypot(*east_north)), np.pi)
    attitude = Attitude(
        value_rad=np.array([heading, pitch[0], roll[0]]), sigma_rad=np.array([heading_sigma, pitch[1], roll[1]])
    )
    aids, notes = _heading_aids(photo, camera, frame, attitude, picture, memory)
    observations = PhotoObservations(
        name=known.name,
        camera=camera,
        start=np.array([heading, pitch[0], roll[0], *place]),
        headings=known.headings,
        pitches=known.pitches,
        rolls=rolls,
        standpoints=standpoints,
        up_m=up,
        up_sigma_m=up_sigma,
        ln_focal=ln_focal,
        boxes=boxes,
        aids=aids,
        notes=(*photo.notes, *notes),
        verticals=verticals,
        moment=moment_of(photo.record),
        names={s.antenna_id: s.others for s in to_measure if s.match is not None},
        unsure=frozenset(s.antenna_id for s in to_measure if s.rivals),
        laid=laid,
    )
    return observations, looking


def _start_roll(
    picture: Picture, camera: Camera, pitch: tuple[float, float], stated: Angle, region: Array, memory: Memory
) -> tuple[tuple[float, float], Verticals | None]:
    """Roll with its standard uncertainty [rad], as stated and by the upright lines in a part of the frame (4,).

    pitch: likewise.
    """
    roll = stated.value_rad, stated.sigma_rad
    tilt = {"pitch_rad": pitch[0], "pitch_sigma_rad": pitch[1], "roll_rad": roll[0], "roll_sigma_rad": roll[1]}
    found: Verticals | None = recall(
        memory,
        "verticals",
        (picture, camera, tilt, region),
        Verticals | None,
        lambda: find_verticals(picture.sliced(), camera, **tilt, region_px=region),
    )
    if found is None:
        return roll, None
    w1, w2 = 1.0 / roll[1] ** 2, 1.0 / found.sigma_roll_rad**2
    return ((w1 * roll[0] + w2 * found.roll_at(pitch[0])) / (w1 + w2), float(np.sqrt(1.0 / (w1 + w2)))), found


def _expectations(
    camera: Camera,
    to_measure: Sequence[PanelToMeasure],
    antennas: Mapping[str, AntennaPriors],
    ways: Mapping[str, tuple[Array, float]],
    attitude: tuple[float, tuple[float, float], tuple[float, float]],
) -> dict[str, Expectation]:
    """How each panel's antenna should look. attitude: heading, and pitch and roll with their uncertainties [rad]."""
    heading, pitch, roll = attitude
    farther, farther_sigma = _farther(camera, to_measure, antennas, ways)
    out: dict[str, Expectation] = {}
    for panel in to_measure:
        a = antennas[panel.antenna_id]
        delta, ln_sigma = ways[panel.antenna_id]
        out[panel.antenna_id] = _expectation(
            camera,
            a,
            pitch,
            roll,
            float(np.linalg.norm(delta) * np.exp(farther)),
            min(ln_sigma, farther_sigma),
            faces_camera=_faces_camera(a.design_rad, -delta) if a.design_known else None,
            design_off_rad=a.design_rad - heading if a.design_known else None,
        )
    return out


def _fitted(looking: Looking, memory: Memory) -> list[tuple[BoxMode, ...]]:
    """The modes of what is at each place where an antenna is looked for, followed far enough to tell what is where."""
    modes: list[tuple[BoxMode, ...]] = recall(
        memory,
        "boxes",
        (looking, ROUGHLY),
        list[tuple[BoxMode, ...]],
        lambda: measure_boxes(looking.looks(), [looking.expectations[n] for n in looking.names], pace=ROUGHLY),
    )
    return modes


def _heading_aids(
    photo: GatheredPhoto, camera: Camera, frame: EnuFrame, attitude: Attitude, picture: Picture, memory: Memory
) -> tuple[tuple[HeadingAid, ...], tuple[str, ...]]:
    """What the photo's controls, and the sun in it, tell; and why some could not be used."""

    def look_for_sun(guess: SunGuess, anywhere: bool) -> SunSpot | NoSun:
        seen: SunSpot | NoSun = recall(
            memory,
            "sun",
            (picture, camera, guess, anywhere),
            SunSpot | NoSun,
            lambda: find_sun(picture.sliced(), camera, guess, anywhere=anywhere),
        )
        return seen

    return heading_aids_of(photo.controls, photo.record, camera, frame, attitude, look_for_sun)


def _way(a: AntennaPriors, place: Array, spread_m: tuple[float, float], site: Site) -> tuple[Array, float]:
    """From the camera at a place (3,) to an antenna (3,) m, and the relative standard uncertainty of its length.

    spread_m: of the place, per level axis, and up.
    """
    delta = np.append(a.east_north_m, a.up_m) - place
    along = float(np.hypot(spread_m[0], np.hypot(a.offset_sigma_m, site.position_u95_m / RADIUS_95)))
    sigma = np.hypot(along * np.hypot(delta[0], delta[1]), spread_m[1] * delta[2])
    return delta, float(sigma / (delta @ delta))


def _farther(
    camera: Camera,
    to_measure: Sequence[PanelToMeasure],
    antennas: Mapping[str, AntennaPriors],
    ways: Mapping[str, tuple[Array, float]],
) -> tuple[float, float]:
    """By how much (ln) the tower is farther than the positions say, and with what standard uncertainty.

    Found panels that all look smaller than they should stand farther away. That tells the fit where to look; what it
    then measures carries no trace of it.
    """
    offs, sigmas = [], []
    for panel in to_measure:
        if panel.candidate is None:
            continue
        a, (delta, _) = antennas[panel.antenna_id], ways[panel.antenna_id]
        c = panel.candidate.corners_px
        top = directions_from_pixels(camera, c[[0, 1, 4, 5]].mean(0))
        bottom = directions_from_pixels(camera, c[[2, 3, 6, 7]].mean(0))
        seen = float(np.arctan2(np.linalg.norm(np.cross(top, bottom)), top @ bottom))
        distance = float(np.linalg.norm(delta))
        wanted = float(np.exp(a.ln_size[1])) * float(np.hypot(delta[0], delta[1])) / distance**2
        offs.append(np.log(wanted / max(seen, 1e-9)))
        sigmas.append(float(np.hypot(FOUND_HEIGHT_SIGMA, a.ln_size_sigma[1])))
    before = float(np.median([s for _, s in ways.values()]))
    before = float(np.hypot(before, min(camera.f_relative_sigma, UNSURE_FOCAL_SHARE)))
    if not offs:
        return 0.0, before
    told = float(np.hypot(1.25 * np.median(sigmas) / np.sqrt(len(offs)), FOUND_HEIGHTS_SIGMA))
    # positions err by more than they say now and then: their word is taken with its tails
    w1, w2 = 1.0 / (1.5 * before) ** 2, 1.0 / told**2
    return float(np.median(offs)) * w2 / (w1 + w2), float(np.sqrt(1.0 / (w1 + w2)))


def _nothing_to_measure(panels: PhotoPanels) -> str:
    """Why a photo without a single named antenna cannot take part."""
    if panels.to_measure:
        return "it shows none of the antennas asked for"
    n = len(panels.found.candidates) if panels.found is not None else 0
    if n == 0:
        return "no panel antenna was found in it where the head of the tower should be"
    return (
        f"{n} panel antenna{'s were' if n > 1 else ' was'} found in it, and none could be told to be one of this site's"
    )


def _mast_region(
    panels: PhotoPanels, to_measure: Sequence[PanelToMeasure], camera: Camera
) -> tuple[float, float, float, float]:
    """The part of the frame (x0, y0, x1, y1) with the head and the mast below it."""
    if panels.found is not None:
        x0, y0, x1, y1 = (float(v) for v in panels.found.window.box_px)
    else:
        at = np.array([s.middle_px for s in to_measure])
        reach = 4.0 * max(tall_px(s) for s in to_measure)
        (x0, y0), (x1, y1) = at.min(0) - reach, at.max(0) + reach
    return max(x0, 0.0), max(y0, 0.0), min(x1, camera.width_px), min(y1 + 2.0 * (y1 - y0), camera.height_px)


def looked_at_again(found: FoundPanels, camera: Camera) -> BoxPx:
    """The part of the frame that is looked at once panels are found in it: head, mast, and what is round each panel."""
    boxes = [_mast_region(PhotoPanels(to_measure=(), found=found), (), camera)]
    for candidate in found.candidates:
        middle, reach = candidate.corners_px.mean(0), reach_px(candidate)
        boxes.append((*(middle - reach), *(middle + reach)))
    low, high = np.array(boxes)[:, :2].min(0), np.array(boxes)[:, 2:].max(0)
    x0, y0 = np.maximum(np.floor(low), 0.0).astype(int).tolist()
    x1, y1 = np.minimum(np.ceil(high) + 1.0, (camera.width_px, camera.height_px)).astype(int).tolist()
    return x0, y0, x1, y1


def _expectation(
    camera: Camera,
    a: AntennaPriors,
    pitch: tuple[float, float],
    roll: tuple[float, float],
    distance_m: float,
    ln_distance_sigma: float,
    *,
    faces_camera: bool | None = None,
    design_off_rad: float | None = None,
) -> Expectation:
    return Expectation(
        faces_camera=faces_camera,
        design_off_rad=design_off_rad,
        camera=camera,
        pitch_rad=pitch[0],
        pitch_sigma_rad=pitch[1],
        roll_rad=roll[0],
        roll_sigma_rad=roll[1],
        distance_m=distance_m,
        ln_distance_sigma=float(np.hypot(ln_distance_sigma, min(camera.f_relative_sigma, UNSURE_FOCAL_SHARE))),
        ln_size=a.ln_size,
        ln_size_sigma=a.ln_size_sigma,
        downtilt_rad=a.downtilt_rad,
        downtilt_sigma_rad=a.downtilt_sigma_rad,
        panel_roll_sigma_rad=a.roll_sigma_rad,
    )


def measured_again(
    f: PhotoObservations,
    looking: Looking,
    antennas: Mapping[str, AntennaPriors],
    result: NetworkSolution,
    memory: Memory,
) -> PhotoObservations:
    """A photo's boxes measured from what a first adjustment expects of them."""
    x, layout = result.adjusted.x, result.network.layout
    pi = layout.photo(f.name)
    camera = replace(f.camera, f_px=f.camera.f_px * float(np.exp(x[pi[6]])))
    expectations = {
        name: _expected(f.name, camera, antennas[name], result) for name in looking.expectations if name in f.boxes
    }
    at, modes = [], []
    for k, (name, rival) in enumerate(looking.places):
        if some := tuple(m for m in f.boxes.get(name, ()) if m.rival == rival):
            at.append(k)
            modes.append(some)
    expected = [expectations[looking.names[k]] for k in at]

    def measured() -> list[tuple[BoxMode, ...]]:
        looks = looking.looks()
        return measure_boxes_again([looks[k] for k in at], expected, modes)

    again: list[tuple[BoxMode, ...]] = recall(
        memory, "boxes again", (looking, expected, modes), list[tuple[BoxMode, ...]], measured
    )
    better = [new or old for new, old in zip(again, modes, strict=True)]
    boxes = looking.together([better[at.index(k)] if k in at else () for k in range(len(looking.names))])
    start = np.concatenate([x[pi[:3]], x[pi[3:6]]])
    verticals = None if f.verticals is None else f.verticals.at_focal(float(x[pi[6]]))
    return replace(
        f, camera=camera, ln_focal=f.ln_focal - float(x[pi[6]]), start=start, boxes=boxes, verticals=verticals
    )


def _expected(photo: str, camera: Camera, antenna: AntennaPriors, result: NetworkSolution) -> Expectation:
    """Of an antenna in a photo, after an adjustment in which both take part. camera: with the adjusted focal length."""
    x, cov, layout = result.adjusted.x, result.adjusted.covariance, result.network.layout
    pi, si, ai = layout.photo(photo), layout.site(), layout.antenna(antenna.name)
    sigma = np.sqrt(np.diag(cov))
    delta = np.append(x[ai[3:5]] + x[si], x[ai[5]]) - x[pi[3:6]]
    distance = float(np.linalg.norm(delta))
    along = np.zeros(len(x))
    along[ai[3:6]], along[si], along[pi[3:6]] = delta / distance, delta[:2] / distance, -delta / distance
    along[pi[6]] = -distance  # what matters is focal length over distance
    heading, pitch, roll = (_steady(float(v)) for v in x[pi[:3]])
    return _expectation(
        replace(camera, f_px=_steady(camera.f_px), f_relative_sigma=0.0),
        antenna,
        (pitch, _steady(sigma[pi[1]])),
        (roll, _steady(sigma[pi[2]])),
        _steady(distance),
        _steady(float(np.sqrt(along @ cov @ along)) / distance + 0.01),
        design_off_rad=antenna.design_rad - heading if antenna.design_known else None,
    )


def _steady(value: float) -> float:
    """Without the last bits, which hang on the order of photos and rows: a poor outline would follow them."""
    return round(float(value), 7)


def with_pick(
    f: PhotoObservations,
    picture: Picture,
    panel: PanelToMeasure,
    antenna: AntennaPriors,
    result: NetworkSolution,
    memory: Memory,
) -> PhotoObservations:
    """A photo's observations with one antenna measured where a person marked it, as a solved site expects it.

    Raises InputError where the photo cannot be decoded, UnusablePhotoError where nothing can be fitted there.
    """
    if antenna.name not in result.network.layout.antennas:
        raise UnusablePhotoError(f"{antenna.name} was in no photo until now")
    expectation = _expected(f.name, f.camera, antenna, result)
    looking = Looking(picture, (replace(panel, rivals=()),), {panel.antenna_id: expectation})
    (modes,) = _fitted(looking, memory)
    if not modes:
        raise UnusablePhotoError(f"{panel.antenna_id} cannot be fitted where it was marked")
    return replace(f, boxes={**f.boxes, panel.antenna_id: modes})


def with_controls(
    f: PhotoObservations,
    photo: GatheredPhoto,
    known: KnownPhoto,
    frame: EnuFrame,
    picture: Picture,
    result: NetworkSolution,
) -> PhotoObservations:
    """A solved photo's observations with other controls. photo, known: as they are with them.

    Raises InputError where the photo cannot be decoded.
    """
    x, cov, layout = result.adjusted.x, result.adjusted.covariance, result.network.layout
    pi = layout.photo(f.name)
    attitude = Attitude(value_rad=x[pi[:3]].copy(), sigma_rad=np.sqrt(np.diag(cov)[pi[:3]]))
    aids, notes = _heading_aids(photo, f.camera, frame, attitude, picture, Forgetful())
    return replace(
        f,
        headings=known.headings,
        pitches=known.pitches,
        rolls=known.rolls or (HELD_LEVEL,),
        standpoints=standpoints_of(photo, frame) or f.standpoints,
        aids=aids,
        notes=(*photo.notes, *notes),
    )
