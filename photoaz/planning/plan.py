"""The plan of a site's next photos: where, with which lens, when, and what will come out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.estimate.gather import CAMERA_HEIGHT_M
from photoaz.planning.area import Area
from photoaz.planning.kit import Kit
from photoaz.planning.landmarks import LandmarkEffect, effects, usable
from photoaz.planning.light import SUN_CAUTION, Light, light_of, year_of
from photoaz.planning.plumb import PRACTICE_LEAST_M, PRACTICE_OUT_PER_UP, sight_error_rad
from photoaz.planning.prospect import (
    Criterion,
    Earlier,
    State,
    expected_u95_rad,
    state_of,
    u95_linear_rad,
    with_rows,
)
from photoaz.planning.scene import Landmark, Scene, foreseen_views, scene_of
from photoaz.planning.standpoints import (
    FARTHEST_M,
    Candidate,
    best_sets,
    candidates_at,
    places_of,
    refined,
)
from photoaz.quantities import RADIUS_95
from photoaz.register.model import Site

Array = NDArray[Any]

#: the first of them come first on the sheet
CAUTIONS = (
    "Radio-frequency exposure: antennas may transmit. Stay on the ground, out of marked zones and off roofs in front "
    "of them.",
    "Falls and falling objects: no climbing for this plan, nobody below people at work, none near in ice or storm.",
    "Traffic: stand off carriageways and tracks, and never step back while looking at a screen.",
    "Power lines: nothing held up near them; a tripod or pole counts. Keep 3 m away and more.",
    SUN_CAUTION,
    "Private land: ask before you enter; the plan knows nothing of owners, fences, dogs or water.",
    "Local codes, the owner's rules and licensed practitioners come first. A plan for photos is no ground for work.",
)
CHECKLIST = (
    "Stand where the plan says, as nearly as is safe; a few metres do not matter.",
    "Location and compass on; wait for a good fix, swing the phone in an eight, away from steel and vehicles.",
    "The lens that the plan says, no digital zoom beyond it; clean it.",
    "Camera level within 1 degree: turn the phone's level on.",
    "Whole antennas in the frame, with their lower edges, some room to every side.",
    "The mast below them in the frame as well: it is the plumb line.",
    "A landmark in the same frame where the plan names one.",
    "Focus and light on the antennas; three photos from each standpoint.",
    "Keep the original files: no editing, and never through a messenger that strips metadata.",
)
PRACTICE_NOTE = (
    "Common practice, no source: not nearer than 150 ft (45.7 m), as far out as the antennas are high, level within 1°."
)
#: distances of the comparison, over the height
_PROFILE = (0.5, 1.0, 1.5, 2.0, 3.0)
#: what a plumb sight is taken to suffer from: camera rolled by this, position to this (95 % radius)
SIGHT_ROLL_RAD, SIGHT_POSITION_U95_M = float(np.radians(1.0)), 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """How an antenna will show: yaw_deg of its normal off the line of sight (clockwise positive), width in pixels."""

    antenna_id: str
    yaw_deg: float
    width_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Standpoint:
    """One photo of the plan. u95_deg: with this photo alone (and what was there before it)."""

    rank: int
    lat_deg: float
    lon_deg: float
    distance_m: float
    bearing_from_tower_deg: float
    heading_deg: float
    pitch_deg: float
    lens_35mm_mm: float
    views: tuple[View, ...]
    u95_deg: Mapping[str, float]
    landmarks: tuple[LandmarkEffect, ...] = ()
    light: Light | None = None
    year: tuple[Light, ...] = ()

    @property
    def antennas(self) -> tuple[str, ...]:
        """Those that it will show well enough."""
        return tuple(v.antenna_id for v in self.views)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSet:
    """The best so many photos together: where each stands, and the U95 to be expected of each antenna."""

    standpoints: tuple[Standpoint, ...]
    u95_deg: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class AtDistance:
    """From a distance, at the first standpoint's bearing: median U95 of what one photo shows, and of a plumb sight."""

    distance_m: float
    lens_35mm_mm: float | None
    u95_deg: float | None
    sight_u95_deg: float
    practice: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePlan:
    """A site's plan. standpoints: of the largest set, the most telling first. now_u95_deg: before any of them."""

    site: Site
    height_m: float
    wanted: tuple[str, ...]
    azimuth_deg: Mapping[str, float]
    now_u95_deg: Mapping[str, float]
    sets: tuple[PlannedSet, ...]
    profile: tuple[AtDistance, ...]
    day: date
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    landmarks: tuple[Landmark, ...] = ()
    kit: Kit = field(default_factory=Kit)

    @property
    def standpoints(self) -> tuple[Standpoint, ...]:
        """Of the largest set."""
        return self.sets[-1].standpoints if self.sets else ()

    @property
    def together_u95_deg(self) -> Mapping[str, float]:
        """With all of them."""
        return self.sets[-1].u95_deg if self.sets else self.now_u95_deg


def plan_photos(
    site: Site,
    *,
    wanted: Sequence[str] | None = None,
    earlier: Earlier | None = None,
    landmarks: Sequence[Landmark] = (),
    area: Area | None = None,
    kit: Kit | None = None,
    farthest_m: float = FARTHEST_M,
    nearest_m: float = PRACTICE_LEAST_M,
    most: int = 3,
    criterion: Criterion = "A",
    day: date | None = None,
) -> SitePlan:
    """Plan a site's next photos.

    Parameters
    ----------
    wanted : antennas whose azimuths are asked for, all by default. earlier : what photos that are there told of them.
    landmarks : that may be had in the frame. area : where one may stand. kit : camera and lenses. farthest_m : from the
    tower; nearest_m: likewise, by default as practice has it (150 ft). most : photos together. criterion : 'A' the mean
    variance of the azimuths, 'D' their generalised variance,
    which counts the angles between sectors as well. day : whose light is given.

    Returns
    -------
    SitePlan, without standpoints where nobody may stand anywhere that shows an antenna; a note says so.

    Raises KeyError where the site has no such antenna.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1, "blas"):
        return _plan(
            *(site, wanted, earlier, landmarks, area, kit or Kit(), farthest_m, nearest_m, most, criterion),
            day or date.today(),
        )


def _plan(
    site: Site,
    wanted: Sequence[str] | None,
    earlier: Earlier | None,
    landmarks: Sequence[Landmark],
    area: Area | None,
    kit: Kit,
    farthest_m: float,
    nearest_m: float,
    most: int,
    criterion: Criterion,
    day: date,
) -> SitePlan:
    known = (
        {n: float(np.degrees(a)) % 360.0 for n, a in zip(earlier.names, earlier.azimuth_rad, strict=True)}
        if earlier
        else {}
    )
    scene = scene_of(site, wanted=wanted, azimuth_deg=known, landmarks=usable(landmarks), nearest_m=nearest_m)
    state = state_of(scene, earlier)
    allowed = None if area is None else partial(area.allowed, scene, eye_m=CAMERA_HEIGHT_M[0])
    candidates = candidates_at(state, places_of(scene, farthest_m, allowed), kit)
    sets = []
    for some in best_sets(state, candidates, most, criterion):
        chosen = refined(state, candidates, some, kit, farthest_m, allowed, criterion)
        sets.append(_planned_set(state, chosen, earlier, day, kit))
    now = {n: float(np.degrees(u)) for n in scene.wanted if earlier and (u := earlier.u95_rad(n)) is not None}
    plan = SitePlan(
        site=site,
        height_m=scene.height_m,
        wanted=scene.wanted,
        azimuth_deg={n: float(np.degrees(a)) % 360.0 for n, a in scene.azimuth_rad.items()},
        now_u95_deg=now,
        sets=tuple(sets),
        profile=_profile(state, sets, kit, farthest_m),
        day=day,
        landmarks=scene.landmarks,
        kit=kit,
    )
    return replace(plan, notes=_notes(plan, scene, len(landmarks)))


def _planned_set(state: State, chosen: Sequence[Candidate], earlier: Earlier | None, day: date, kit: Kit) -> PlannedSet:
    scene = state.scene
    stands = tuple(_standpoint(state, k, c, earlier, day, kit) for k, c in enumerate(chosen, 1))
    together = (
        stands[0].u95_deg
        if len(stands) == 1
        else _degrees(scene, expected_u95_rad(scene, [c.photo for c in chosen], earlier))
    )
    return PlannedSet(standpoints=stands, u95_deg=together)


def _degrees(scene: Scene, u95_rad: Mapping[str, float]) -> dict[str, float]:
    return {n: float(np.degrees(u95_rad[n])) for n in scene.wanted if n in u95_rad}


def _standpoint(state: State, rank: int, c: Candidate, earlier: Earlier | None, day: date, kit: Kit) -> Standpoint:
    scene, stand = state.scene, c.stand
    lat, lon, _ = scene.frame.geodetic_from_enu(np.array([*stand.enu_m[:2], 0.0]))
    views = foreseen_views(scene, stand)
    site = scene.site
    widest = min(kit.lenses_mm)
    months = tuple(date(day.year, m, 15) for m in range(1, 13))
    return Standpoint(
        rank=rank,
        lat_deg=float(lat),
        lon_deg=float(lon),
        distance_m=stand.distance_m,
        bearing_from_tower_deg=stand.bearing_deg,
        heading_deg=float(np.degrees(stand.attitude_rad[0])) % 360.0,
        pitch_deg=float(np.degrees(stand.attitude_rad[1])),
        lens_35mm_mm=stand.lens_mm,
        views=tuple(
            View(antenna_id=n, yaw_deg=float(np.degrees(v.yaw_rad)), width_px=float(v.mode.width_px))
            for n, v in views.items()
        ),
        u95_deg=_degrees(scene, expected_u95_rad(scene, [c.photo], earlier)),
        landmarks=effects(state, stand),
        light=light_of(stand, site.lat_deg, site.lon_deg, day, widest),
        year=year_of(stand, site.lat_deg, site.lon_deg, months, widest),
    )


def _profile(state: State, sets: Sequence[PlannedSet], kit: Kit, farthest_m: float) -> tuple[AtDistance, ...]:
    """Nearer and farther, at the bearing of the best single photo."""
    if not sets:
        return ()
    scene = state.scene
    plain = replace(state, scene=replace(scene, landmarks=()))
    bearing = np.radians(sets[0].standpoints[0].bearing_from_tower_deg)
    h = max(scene.height_m, 5.0)
    practice = max(PRACTICE_LEAST_M, PRACTICE_OUT_PER_UP * h)
    distances = {
        round(f * h, 1): False for f in _PROFILE if f * h <= farthest_m and abs(f * h - practice) > 0.1 * practice
    }
    distances[round(practice, 1)] = True
    out = []
    for d, is_practice in sorted(distances.items()):
        at = d * np.array([[np.sin(bearing), np.cos(bearing)]])
        found = candidates_at(plain, at, kit)[:1]
        sight = 1.96 * float(np.degrees(sight_error_rad(d, h, SIGHT_ROLL_RAD, SIGHT_POSITION_U95_M / RADIUS_95)))
        u95 = None
        if found:
            covariance = with_rows(plain.covariance, found[0].told)
            index = [k for k, n in zip(plain.wanted, scene.wanted, strict=True) if n in found[0].told.sees]
            u95 = float(np.degrees(np.median(u95_linear_rad(covariance, np.array(index)))))
        out.append(
            AtDistance(
                distance_m=d,
                lens_35mm_mm=found[0].stand.lens_mm if found else None,
                u95_deg=u95,
                sight_u95_deg=sight,
                practice=is_practice,
            )
        )
    return tuple(out)


def _notes(plan: SitePlan, scene: Scene, given_landmarks: int) -> tuple[str, ...]:
    """What a reader should know of the plan, in sentences."""
    out = [PRACTICE_NOTE]
    known = [p for p in plan.profile if p.u95_deg is not None]
    habit = next((p for p in known if p.practice), None)
    if known and habit is not None:
        best = min(known, key=lambda p: p.u95_deg or 0.0)
        nearest = known[0]
        said = f"From {habit.distance_m:.0f} m one photo gives about {habit.u95_deg:.1f}° (95 %)"
        if nearest.distance_m < habit.distance_m:
            said += f", from {nearest.distance_m:.0f} m {nearest.u95_deg:.1f}°"
        if best.distance_m > habit.distance_m and (best.u95_deg or 0.0) < 0.95 * (habit.u95_deg or 0.0):
            said += f", from {best.distance_m:.0f} m {best.u95_deg:.1f}°: farther out is better here"
        if (nearest.u95_deg or 0.0) > (habit.u95_deg or 0.0):
            why = "A position's error turns a bearing the more, the nearer one stands."
        else:
            why = (
                "Nearer is not worse here: where the antennas stand about the axis is known so well that the photo "
                "itself tells where it was taken. Habit has safety on its side."
            )
        out.append(f"{said}. {why}")
    near = [s for s in plan.standpoints if s.distance_m < 0.95 * max(PRACTICE_LEAST_M, plan.height_m)]
    if near:
        which = ", ".join(str(s.rank) for s in near)
        why = "a landmark's" if any(s.landmarks for s in plan.standpoints) else "the other photos'"
        out.append(
            f"Nearer than habit ({which}): for the angles between antennas, on top of {why} word on the heading."
        )
    if not plan.sets:
        out.append("There is no place to stand that is allowed, near enough and shows an antenna.")
    elif missing := [n for n in plan.wanted if n not in plan.together_u95_deg]:
        out.append(f"No photo of the plan shows {', '.join(missing)}.")
    if given_landmarks > len(plan.landmarks):
        out.append(f"{given_landmarks - len(plan.landmarks)} of the landmarks stand too near or too far to help.")
    if plan.landmarks and plan.sets and not any(s.landmarks for s in plan.standpoints):
        out.append("No landmark of the table can be had in a frame with the antennas.")
    out.append(
        "U95 is what the estimate will state if the photos turn out as foreseen: antennas free of scaffolds and trees, "
        "a telephone's position and compass. Views from behind are not counted on."
    )
    return tuple(out)
