"""Sites drawn at random with all that is known of them, and their truth beside: no pictures, but every figure that
pictures would have given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from photoaz.accuracy import errors
from photoaz.accuracy.country import ground_m
from photoaz.accuracy.errors import LENSES_MM, draw_phone
from photoaz.accuracy.outlines import believed
from photoaz.accuracy.readings import draw_readings, draw_register
from photoaz.accuracy.views import angle, azimuths_of_modes_sigma, measured, started
from photoaz.angles import COMPASS, Array, azimuth_deg, wrap_deg
from photoaz.estimate.solve import NOTHING_RAD
from photoaz.naming.model import camera_height
from photoaz.network.heading_aids import LandmarkPixel
from photoaz.network.site import PhotoObservations
from photoaz.network.stands import FIX, Moment
from photoaz.photo.camera import directions_from_pixels, project, rotation_cam_from_enu
from photoaz.photo.record import PhotoRecord, TakenAt
from photoaz.planning.equipment import Equipment, PlannedPhoto
from photoaz.planning.foreseen import PlanningScene, aimed, foreseen_views, scene_of_site
from photoaz.priors import Priors
from photoaz.quantities import (
    CAMERA_HEIGHT_M,
    HAND_HELD_ROLL_RAD,
    LANDMARK_GIVEN_UP_SIGMA_M,
    LANDMARK_UP_SIGMA_M,
    RADIUS_95,
    SHAPE_SIGMA_RAD,
)
from photoaz.register.model import Site
from photoaz.vision.verticals import Verticals

#: days of the two visits of sites that are visited twice
DAYS = (date(2024, 5, 6), date(2026, 5, 4))
#: how often a fact is a blunder, where there are blunders; of outlines, of those that else were right
BLUNDERS = 0.05
#: sizes of blunders: a landmark's pixel that is of something else; a standpoint, metres
WRONG_LANDMARK_PX, WRONG_STANDPOINT_M = (40.0, 800.0), (15.0, 150.0)
#: a landmark is seen as well as a person points at it (the pipeline's own figure)
LANDMARK_PX = 1.5
#: seconds from one place to the next
BETWEEN_S = 900.0
#: an antenna that turns between visits turns by so much, either way
TURN_DEG = (2.0, 30.0)
#: outlines of panels narrower than this are not drawn: nobody would trust them
LEAST_PX = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """How a site's data come about. tails: positions err by more than they say now and then; blunders: share of facts
    that are wrong, of outlines more than is stated of them; without either all is as stated. hills_m: half the height
    from valleys to tops of the country that the sites stand in."""

    name: str
    tails: bool = False
    blunders: float = 0.0
    hills_m: float = 0.0


AS_STATED = Conditions(name="as stated")
WITH_TAILS = Conditions(name="GNSS tails", tails=True)
WITH_BLUNDERS = Conditions(name="5 % blunders", tails=True, blunders=BLUNDERS)
IN_HILLS = Conditions(name="hills", hills_m=30.0)
CONDITIONS = (AS_STATED, WITH_TAILS, WITH_BLUNDERS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blunder:
    """A fact that is wrong: kind 'landmark' or 'standpoint', of a landmark (else ''); size in pixels, metres; bias
    (m,): the same in the observation's whitened rows."""

    kind: str
    photo: str
    what: str
    size: float
    bias: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnVisit:
    """One visit's photos with their records, and the truth: azimuths [deg] per antenna; headings [rad] and heights over
    the tower's base [m] per photo.

    disturbed: the photos whose compass was. wrong: the outlines that are, by photo and antenna, and by how much [deg].
    lens_mm: per photo.
    """

    photos: tuple[PhotoObservations, ...]
    records: Mapping[str, PhotoRecord]
    azimuth_deg: Mapping[str, float]
    downtilt_deg: Mapping[str, float]
    heading_rad: Mapping[str, float]
    up_m: Mapping[str, float]
    disturbed: frozenset[str]
    wrong: Mapping[tuple[str, str], float]
    blunders: tuple[Blunder, ...]
    lens_mm: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnSite:
    """A site as its register has it, what planning makes of that, and one or two visits. turned: the antenna that
    turned between them, None where none did. built_off: all hang off by one angle. readings_right: by antenna, of a
    register that has readings."""

    site: Site
    scene: PlanningScene
    visits: tuple[DrawnVisit, ...]
    turned: str | None
    built_off: bool
    readings_right: Mapping[str, bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Truth:
    """What is true of a site: azimuths as they are and as bodies of their shape look [rad], per antenna (m, ...)."""

    names: tuple[str, ...]
    azimuth_rad: Array
    shape_rad: Array
    downtilt_rad: Array
    roll_rad: Array
    place_m: Array
    ln_size: Array
    site_m: Array
    declination_rad: float
    built_off: bool


def hung_deg(rng: np.random.Generator, tolerances_deg: Sequence[float], known: Priors) -> tuple[list[float], bool]:
    """How far off their designs a site's antennas hang: a draw of what is known of them (`Priors.deviations`).

    And whether the whole site is built off by one angle.
    """
    a, s = known.antennas, known.sites
    built_off = bool(rng.random() < s.error_share)
    common = rng.normal(0.0, s.error_sigma_deg) if built_off else 0.0
    out = []
    for tolerance in tolerances_deg:
        if rng.random() >= a.turned_share:
            own = rng.normal(0.0, a.as_designed_spread * tolerance)
        elif rng.random() < a.turned_anywhere_share:
            own = rng.uniform(-180.0, 180.0)
        else:
            own = rng.normal(0.0, a.turned_sigma_deg)
        out.append(float(wrap_deg(own + common)))
    return out, built_off


def draw_site(rng: np.random.Generator, name: str, conditions: Conditions, visits: int = 1) -> DrawnSite:
    """A site, its truth by the network's own statements, and photos of one visit or two.

    With two visits one antenna turns in between at every second site.
    """
    site = draw_register(rng, name)
    scene = scene_of_site(site)
    truth = _draw_truth(rng, site, scene)
    hung = dict(zip(truth.names, np.degrees(truth.azimuth_rad).tolist(), strict=True))
    declination_error = truth.declination_rad / Equipment().declination_rad
    readings = draw_readings(rng, site, hung, declination_error, Priors())
    since = np.radians([readings.turned_deg.get(n, 0.0) for n in truth.names])
    truth = replace(truth, azimuth_rad=truth.azimuth_rad + since)
    turned = str(rng.choice(truth.names)) if visits > 1 and rng.random() < 0.5 else None
    drawn = []
    for v in range(visits):
        if v == 1 and turned is not None:
            azimuth = truth.azimuth_rad.copy()
            turn = np.radians(rng.uniform(*TURN_DEG)) * rng.choice([-1.0, 1.0])
            azimuth[truth.names.index(turned)] += turn
            truth = replace(truth, azimuth_rad=azimuth)
        drawn.append(_draw_visit(rng, scene, truth, conditions, DAYS[v], f"{name}_{'ab'[v]}"))
    return DrawnSite(
        site=readings.site,
        scene=scene,
        visits=tuple(drawn),
        turned=turned,
        built_off=truth.built_off,
        readings_right=readings.right,
    )


def _draw_truth(rng: np.random.Generator, site: Site, scene: PlanningScene) -> _Truth:
    facts, head = scene.antennas, scene.head
    m = len(facts)
    at = [head.names.index(a.name) for a in facts]
    places = rng.multivariate_normal(head.places_m.ravel(), head.covariance).reshape(m, 2)[at]
    ups = rng.multivariate_normal(head.up_m, head.up_covariance)[at]
    off, built_off = hung_deg(rng, [a.tolerance_deg for a in site.antennas], Priors())
    return _Truth(
        names=tuple(a.name for a in facts),
        azimuth_rad=np.array([a.design_rad for a in facts]) + np.radians(off),
        shape_rad=rng.normal(0.0, SHAPE_SIGMA_RAD, m),
        downtilt_rad=np.array([rng.normal(a.downtilt_rad, a.downtilt_sigma_rad) for a in facts]),
        roll_rad=np.array([rng.normal(0.0, a.roll_sigma_rad) for a in facts]),
        place_m=np.column_stack([places, ups]),
        ln_size=np.stack([rng.normal(a.ln_size, a.ln_size_sigma) for a in facts]),
        site_m=rng.normal(0.0, site.position_u95_m / RADIUS_95, 2),
        declination_rad=float(rng.normal(0.0, Equipment().declination_rad)),
        built_off=built_off,
    )


def _true_scene(scene: PlanningScene, truth: _Truth) -> PlanningScene:
    """The scene as it is: where all stands, how it hangs and how large it is."""
    shift = np.append(truth.site_m, 0.0)
    return replace(
        scene,
        antennas=tuple(
            replace(a, ln_size=size, downtilt_rad=float(tilt))
            for a, size, tilt in zip(scene.antennas, truth.ln_size, truth.downtilt_rad, strict=True)
        ),
        azimuth_rad=dict(zip(truth.names, (truth.azimuth_rad + truth.shape_rad).tolist(), strict=True)),
        places_m={n: p + shift for n, p in zip(truth.names, truth.place_m, strict=True)},
    )


def _draw_visit(
    rng: np.random.Generator, scene: PlanningScene, truth: _Truth, conditions: Conditions, day: date, name: str
) -> DrawnVisit:
    real = _true_scene(scene, truth)
    photos: list[PhotoObservations] = []
    heading: dict[str, float] = {}
    up: dict[str, float] = {}
    disturbed: set[str] = set()
    wrong: dict[tuple[str, str], float] = {}
    blunders: list[Blunder] = []
    lens: dict[str, float] = {}
    with_landmark = rng.random() < 0.5
    wanted = int(rng.choice([1, 2, 3, 4, 5, 6], p=[0.2, 0.2, 0.25, 0.15, 0.1, 0.1]))
    # second photos are drawn by themselves: without them every site is as it was
    aside = rng.spawn(1)[0]
    shots: list[_Shot] = []
    for k in range(6 * wanted):
        if len(shots) == wanted:
            break
        one = _Shot(rng, scene, real, truth, conditions, f"{name}{k}.jpg", at_s=BETWEEN_S * k)
        if one.take(with_landmark and (not shots or rng.random() < 0.4)) and one.facts().boxes:
            shots.append(one)
    for one in tuple(shots):
        if aside.random() < errors.SECOND_SHARE:
            again = _Shot(aside, scene, real, truth, conditions, f"{one.name[:-4]}+.jpg", at_s=one.at_s, last=one)
            if again.take(False) and again.facts().boxes:
                shots.append(again)
    for one in shots:
        facts = one.told
        photos.append(facts)
        heading[facts.name], up[facts.name] = float(one.true[0]), float(one.true[5])
        lens[facts.name] = one.lens_mm
        blunders += one.blunders
        wrong |= {(facts.name, antenna): off for antenna, off in one.wrong.items()}
        if one.disturbed:
            disturbed.add(facts.name)
    return DrawnVisit(
        photos=tuple(photos),
        records={p.name: _record(p, day) for p in photos},
        azimuth_deg=dict(zip(truth.names, azimuth_deg(np.degrees(truth.azimuth_rad)).tolist(), strict=True)),
        downtilt_deg=dict(zip(truth.names, np.degrees(truth.downtilt_rad).tolist(), strict=True)),
        heading_rad=heading,
        up_m=up,
        disturbed=frozenset(disturbed),
        wrong=wrong,
        blunders=tuple(blunders),
        lens_mm=lens,
    )


def _record(photo: PhotoObservations, day: date) -> PhotoRecord:
    taken = TakenAt(local=datetime(day.year, day.month, day.day, 12), utc=None, sigma_s=1.0, source="drawn")
    return PhotoRecord(
        path=Path(photo.name),
        format="JPEG",
        width_px=photo.camera.width_px,
        height_px=photo.camera.height_px,
        orientation=1,
        taken=taken,
    )


class _Shot:
    """One photo being drawn. true (9,): its unknowns as they are, in the network's order. last: the photo that was
    taken moments before from the same place. compass, fix: what these are off by, as `errors` has it."""

    equipment: Equipment
    true: Array
    told: PhotoObservations
    fix: tuple[Array, float]
    compass: tuple[float, bool] = (0.0, False)

    def __init__(
        self,
        rng: np.random.Generator,
        scene: PlanningScene,
        real: PlanningScene,
        truth: _Truth,
        conditions: Conditions,
        name: str,
        at_s: float,
        last: _Shot | None = None,
    ) -> None:
        self.rng, self.scene, self.real, self.truth, self.conditions, self.name, self.at_s = (
            rng, scene, real, truth, conditions, name, at_s,
        )  # fmt: skip
        self.blunders: list[Blunder] = []
        self.wrong: dict[str, float] = {}
        self.last, self.seconds = last, 0.0
        self.away: Array = np.zeros(2) if last is None else last.away

    @property
    def disturbed(self) -> bool:
        """Whether its compass is."""
        return self.compass[1]

    def take(self, lowered: bool) -> bool:
        """Stand somewhere and aim; whether an antenna shows. lowered: so that the horizon may come into the frame."""
        rng, last = self.rng, self.last
        self.equipment = draw_phone(rng) if last is None else last.equipment
        # head and horizon come into one frame from further off, through a wide lens
        self.lens_mm = float(rng.choice(LENSES_MM, p=[0.5, 0.35, 0.15, 0.0] if lowered else [0.25, 0.2, 0.35, 0.2]))
        if last is None:
            place, up = self._somewhere(1.5 if lowered else 0.8)
        else:
            self.seconds = float(np.round(rng.uniform(*errors.SECOND_AFTER_S)))
            self.at_s += self.seconds
            there = last.true[3:6] + errors.draw_step(rng, self.seconds)
            place, up = there[:2], float(there[2])
        stand = aimed(self.name, self.real, place, self.equipment, self.lens_mm, up_m=up)
        aim = stand.attitude_rad.copy()
        camera = stand.camera
        if lowered:
            aim[1] -= 0.36 * 2.0 * np.arctan(0.5 * camera.height_px / camera.f_px)
        aim += np.radians([rng.normal(0.0, 1.5), rng.normal(0.0, 0.7), 0.0])
        aim[2] = rng.normal(0.0, HAND_HELD_ROLL_RAD)
        self.stand: PlannedPhoto = replace(stand, attitude_rad=aim)
        lens = rng.normal(0.0, [camera.f_relative_sigma, camera.principal_sigma_px, camera.principal_sigma_px])
        self.true = np.concatenate([aim, place, [up], lens])
        self.views = foreseen_views(self.real, self.stand)
        self.lowered = lowered
        return any(v.mode.width_px >= LEAST_PX for v in self.views.values())

    def _somewhere(self, least_heights: float) -> tuple[Array, float]:
        """A place (east, north) to stand at, and how high up the camera is there."""
        rng = self.rng
        bearing = self.truth.azimuth_rad[rng.integers(len(self.truth.names))] + np.radians(rng.uniform(-60.0, 60.0))
        far = self.scene.height_m * np.exp(rng.uniform(np.log(least_heights), np.log(4.0)))
        place = self.truth.site_m + far * np.array([np.sin(bearing), np.cos(bearing)])
        # the ground is not level; what nobody could stand under or dig for is left out
        up = float(np.clip(rng.normal(*CAMERA_HEIGHT_M), -2.0, 5.0))
        return place, up + ground_m(self.scene.site.site_id, self.conditions.hills_m, place)

    def _wrong_place(self) -> None:
        """Every fix of this place far off, and a record of it."""
        size, way = float(self.rng.uniform(*WRONG_STANDPOINT_M)), self.rng.uniform(0.0, 2.0 * np.pi)
        self.away = size * np.array([np.sin(way), np.cos(way)])
        bias = self.away / self.equipment.position_m
        self.blunders.append(Blunder(kind="standpoint", photo=self.name, what="", size=size, bias=bias))

    def facts(self) -> PhotoObservations:
        """What the photo says: all true but for errors of the sizes that it states, and for blunders."""
        rng, equipment, camera = self.rng, self.equipment, self.stand.camera
        heading, pitch, roll, *place = self.true[:6]
        headings, pitches, rolls = [], [], []
        if equipment.compass_rad is not None:
            good = equipment.compass_rad
            before = None if self.last is None else self.last.compass
            self.compass = (
                errors.compass_error(rng, good) if before is None else errors.next_compass_error(rng, before, good)
            )
            value = heading + self.compass[0] + self.truth.declination_rad
            headings.append(angle(value, equipment.compass_rad, COMPASS, equipment.declination_rad))
        if equipment.pitch_rad is not None:
            pitches.append(angle(rng.normal(pitch, equipment.pitch_rad), equipment.pitch_rad, "camera pitch"))
        if equipment.roll_rad is not None:
            rolls.append(angle(rng.normal(roll, equipment.roll_rad), equipment.roll_rad, "camera roll"))
        else:
            rolls.append(angle(0.0, HAND_HELD_ROLL_RAD, "camera held level"))
        if self.last is None:
            self.fix = errors.fix_error(rng, equipment.position_m, tails=self.conditions.tails)
            if rng.random() < self.conditions.blunders:
                self._wrong_place()
        else:
            self.fix = errors.next_fix_error(rng, self.last.fix, self.seconds)
        said = np.array(place[:2]) + self.fix[0] + self.away
        up, up_sigma = camera_height(float(np.hypot(*said)))
        landmarks = self._landmarks() if self.lowered else ()
        verticals = None
        if equipment.plumb_rad is not None:
            root = np.array([[0.0, 1.0 / equipment.plumb_rad, 0.0, 0.0, 0.0]])
            mean = np.array([pitch, rng.normal(roll, equipment.plumb_rad)])
            none = np.zeros(0)
            verticals = Verticals(
                mean=mean, root=root, offset=np.zeros(1), sigma_roll_rad=equipment.plumb_rad,
                lines_px=np.zeros((0, 2, 2)), share=none, plumb=none,
            )  # fmt: skip
        facts = PhotoObservations(
            name=self.name,
            camera=camera,
            start=np.zeros(6),
            headings=tuple(headings),
            pitches=tuple(pitches),
            rolls=tuple(rolls),
            standpoints=((said, equipment.position_m, FIX),),
            up_m=up,
            up_sigma_m=up_sigma,
            ln_focal=0.0,
            boxes=self._boxes(),
            aids=landmarks,
            verticals=verticals,
            moment=Moment(camera="drawn", local_s=self.at_s),
        )
        self.told = started(facts, self.scene) if facts.boxes else facts
        return self.told

    def _boxes(self) -> dict[str, Any]:
        rng, camera = self.rng, self.stand.camera
        out = {}
        for name, view in self.views.items():
            if view.mode.width_px < LEAST_PX:
                continue
            k = self.truth.names.index(name)
            t = self.truth
            own = [t.azimuth_rad[k] + t.shape_rad[k], t.downtilt_rad[k], t.roll_rad[k]]
            x = np.concatenate([self.true, own, t.place_m[k], t.ln_size[k], t.site_m])
            mode = measured(camera, x, view.mode, rng)
            sigma = azimuths_of_modes_sigma(self.true, camera, mode)
            if sigma >= NOTHING_RAD:
                continue
            out[name], off = believed(camera, x, mode, (sigma, view.yaw_rad), self.conditions.blunders, rng)
            if off is not None:
                self.wrong[name] = off
        return out

    def _landmarks(self) -> tuple[LandmarkPixel, ...]:
        """One or two things near the horizon whose places are known."""
        rng, camera = self.rng, self.stand.camera
        cam_from_enu = rotation_cam_from_enu(*self.true[:3])
        f = camera.f_px * np.exp(self.true[6])
        out: list[LandmarkPixel] = []
        for k in range(int(rng.integers(1, 3))):
            px = np.array([rng.uniform(0.05, 0.95) * camera.width_px, rng.uniform(0.6, 0.98) * camera.height_px])
            d = directions_from_pixels(camera, px, f) @ cam_from_enu
            level = float(np.hypot(d[0], d[1]))
            if not -0.05 < d[2] / level < 0.15:
                continue
            true = self.true[3:6] + np.exp(rng.uniform(np.log(300.0), np.log(4000.0))) / level * d
            given = rng.random() < 0.5
            sigma, up = 5.0 / RADIUS_95, LANDMARK_GIVEN_UP_SIGMA_M if given else LANDMARK_UP_SIGMA_M
            sigma_px = LANDMARK_PX
            seen = project(camera, cam_from_enu @ (true - self.true[3:6]), f) + self.true[7:9]
            seen = seen + rng.normal(0.0, sigma_px, 2)
            name = f"mark {k + 1} of {self.name}"
            if rng.random() < self.conditions.blunders:
                size = float(rng.uniform(*WRONG_LANDMARK_PX))
                off = np.array([size * rng.choice([-1.0, 1.0]), rng.normal(0.0, 20.0)])
                seen = seen + off
                bias = off / sigma_px
                self.blunders.append(Blunder(kind="landmark", photo=self.name, what=name, size=size, bias=bias))
            place = true + rng.normal(0.0, [sigma, sigma, up])
            out.append(
                LandmarkPixel(name=name, pixel=seen, enu_m=place, sigma_m=sigma, height_sigma_m=up, sigma_px=sigma_px)
            )
        return tuple(out)


def photos_of(visit: DrawnVisit, antenna: str) -> Sequence[PhotoObservations]:
    """The photos of a visit that show an antenna."""
    return [p for p in visit.photos if antenna in p.boxes]
