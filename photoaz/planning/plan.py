"""The plan of a site's next photos: where, with which lens, when, and what will come out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import Array, azimuth_deg
from photoaz.angles import format_angle_deg as deg
from photoaz.judgement.costs import Costs
from photoaz.judgement.revisit import plan_site
from photoaz.planning.distances import AtDistance, by_distance
from photoaz.planning.earlier import EarlierAzimuths
from photoaz.planning.equipment import Equipment
from photoaz.planning.foreseen import PlanningScene, foreseen_views, scene_of_site
from photoaz.planning.information import Criterion, KnowledgeSoFar, expected_u95_rad, state_of
from photoaz.planning.light import Light, light_on
from photoaz.planning.standpoints import (
    FARTHEST_M,
    CandidatePhoto,
    LandmarkEffect,
    SkylineEffect,
    best_sets,
    candidates_at,
    landmark_effects,
    places_of,
    refined,
    skyline_effect,
)
from photoaz.planning.surroundings import Area, Landmark, area_of, landmarks_of, usable
from photoaz.quantities import PLANNED_SURROUNDINGS_M, PRACTICE_LEAST_M
from photoaz.register.model import Site
from photoaz.result import AntennaResult, ById, EvidenceOption, NextEvidence, Revisit, SiteResult
from photoaz.surroundings.maps import MapSource
from photoaz.surroundings.reading import Scenery
from photoaz.wording import CAUTIONS

PRACTICE_NOTE = (
    "Common practice, no source: no closer than 150 ft (45.7 m), as far out as the antennas are high, level within 1°."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedView:
    """How an antenna will show: yaw_deg of its normal off the line of sight (clockwise positive), width in pixels."""

    antenna_id: str
    yaw_deg: float
    width_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where to stand, with which lens (35 mm equivalent)."""

    lat_deg: float
    lon_deg: float
    distance_m: float
    bearing_from_tower_deg: float
    lens_35mm_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Standpoint(Place):
    """One photo of the plan.

    antennas: those that it will show well enough. u95_deg: with this photo alone (and what was there before it).
    skyline: what a map's buildings in the frame do, None where there are too few, or there is no map. light:
    on the plan's day; year: in the middle of each month.
    """

    rank: int
    heading_deg: float
    pitch_deg: float
    antennas: tuple[str, ...]
    u95_deg: Mapping[str, float]
    views: tuple[PlannedView, ...]
    landmarks: tuple[LandmarkEffect, ...] = ()
    skyline: SkylineEffect | None = None
    light: Light
    year: tuple[Light, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSet:
    """The best so many photos together: where each stands, and the U95 to be expected of each antenna."""

    photos: int
    u95_deg: Mapping[str, float]
    standpoints: tuple[Place, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePlan:
    """A site's plan; what is named as in its JSON document stands there as it is.

    height_m: of the antennas above the camera. azimuth_deg: as far as they were known. standpoints: of the largest set,
    the most telling first. map_source: which map
    was reckoned with. now_u95_deg: before any of them; together_u95_deg: with all of them.
    """

    site: Site
    equipment: Equipment
    surroundings: tuple[Landmark, ...]
    wanted: tuple[str, ...]
    height_m: float
    azimuth_deg: Mapping[str, float]
    date: dt.date
    standpoints: tuple[Standpoint, ...]
    now_u95_deg: Mapping[str, float]
    together_u95_deg: Mapping[str, float]
    best_sets: tuple[PlannedSet, ...]
    by_distance: tuple[AtDistance, ...]
    map_source: MapSource | None = None
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS


# longer than most: its parameters and what they mean
def plan_photos(
    site: Site,
    *,
    wanted: Sequence[str] | None = None,
    earlier: EarlierAzimuths | None = None,
    landmarks: Sequence[Landmark] = (),
    area: Area | None = None,
    scenery: Scenery | None = None,
    equipment: Equipment | None = None,
    farthest_m: float = FARTHEST_M,
    nearest_m: float = PRACTICE_LEAST_M,
    most: int = 3,
    criterion: Criterion = "A",
    day: dt.date | None = None,
) -> SitePlan:
    """Plan a site's next photos.

    wanted : antennas whose azimuths are asked for, all by default. earlier : what photos that are there told of them.
    landmarks : that may be had in the frame. area : where one may stand. scenery : a map of what stands round: nobody
    is sent into a building or where one hides the antennas, and the skyline tells headings. equipment : camera and
    lenses. farthest_m, nearest_m : from the tower; by default not nearer than practice has it (150 ft). most : photos
    together. criterion : 'A' the mean variance of the azimuths, 'D' their generalised variance, which counts the angles
    between sectors as well. day : whose light is given, today by default.

    Returns SitePlan, without standpoints where nobody may stand anywhere that shows an antenna; a note says so.

    Raises KeyError where the site has no such antenna.
    """
    from threadpoolctl import threadpool_limits

    known = {}
    if earlier is not None:
        known = {n: azimuth_deg(float(np.degrees(a))) for n, a in zip(earlier.names, earlier.azimuth_rad, strict=True)}
    around = None if scenery is None else scenery.near(site.lat_deg, site.lon_deg, PLANNED_SURROUNDINGS_M)
    marks = (*landmarks, *(() if around is None else landmarks_of(around)))
    scene = scene_of_site(
        site, wanted=wanted, azimuth_deg=known, landmarks=usable(marks), nearest_m=nearest_m, around=around
    )
    carried, day = equipment or Equipment(), day or dt.date.today()
    areas = [] if area is None else [area]
    if scenery is not None and around is not None:
        areas.append(area_of(scenery.map, around))
    antennas_m = np.stack([scene.places_m[n] for n in scene.wanted])

    def allowed(places: Array) -> NDArray[np.bool_]:
        ok = np.ones(len(places), bool)
        for one in areas:
            ok[ok] = one.allowed(places[ok], antennas_m)
        return ok

    with threadpool_limits(1, "blas"):  # small matrices: threads cost more than they give
        state = state_of(scene, earlier)
        candidates = candidates_at(state, places_of(scene, farthest_m, allowed), carried)
        chosen = [
            refined(state, candidates, some, carried, farthest_m, allowed, criterion)
            for some in best_sets(state, candidates, most, criterion)
        ]
        plan = _plan(state, chosen, earlier, carried, farthest_m, day)
        tried = places_of(scene, farthest_m)
        on_map = () if around is None else (_map_note(plan, len(around), len(tried), int((~allowed(tried)).sum())),)
    return replace(plan, notes=(*_notes(plan, len(marks)), *on_map))


def _map_note(plan: SitePlan, buildings: int, tried: int, hidden: int) -> str:
    """What the map did, and what to do so that it can."""
    source = plan.map_source
    named = "The map" if source is None else f"The map {source.note()}"
    out = f"{named} has {buildings} buildings within {PLANNED_SURROUNDINGS_M:g} m."
    if hidden:
        out += (
            f" {hidden} of {tried} places that were tried are left out: in a building, or with one before the antennas."
        )
    told = [s for s in plan.standpoints if s.skyline is not None]
    if told:
        which = ", ".join(str(s.rank) for s in told)
        out += f" The skyline in the frame will tell the heading ({which}), if the buildings are as the map has them."
    if len(told) < len(plan.standpoints):
        out += (
            " Where a frame holds sky and tower alone, take a second photo from the same place, within a minute, with"
            " the widest lens: tower and skyline in it. It carries the heading over."
        )
    return out


def _plan(
    state: KnowledgeSoFar,
    chosen: Sequence[Sequence[CandidatePhoto]],
    earlier: EarlierAzimuths | None,
    equipment: Equipment,
    farthest_m: float,
    day: dt.date,
) -> SitePlan:
    """What the chosen sets of photos, the largest last, are told as."""
    scene = state.scene
    now = {n: float(np.degrees(u)) for n in scene.wanted if earlier and (u := earlier.u95_rad(n)) is not None}
    sets = tuple(
        PlannedSet(
            photos=len(photos),
            u95_deg=_degrees(scene, expected_u95_rad(scene, [c.photo for c in photos], earlier)),
            standpoints=tuple(Place(**_place(scene, c)) for c in photos),
        )
        for photos in chosen
    )
    nearer_or_farther: tuple[AtDistance, ...] = ()
    if sets:
        bearing_deg = sets[0].standpoints[0].bearing_from_tower_deg
        nearer_or_farther = by_distance(state, bearing_deg, equipment, farthest_m)
    return SitePlan(
        site=scene.site,
        equipment=equipment,
        surroundings=scene.landmarks,
        wanted=scene.wanted,
        height_m=scene.height_m,
        azimuth_deg={n: azimuth_deg(float(np.degrees(a))) for n, a in scene.azimuth_rad.items()},
        date=day,
        standpoints=tuple(_standpoint(state, k, c, earlier, day) for k, c in enumerate(chosen[-1] if sets else (), 1)),
        now_u95_deg=now,
        together_u95_deg=sets[-1].u95_deg if sets else now,
        best_sets=sets,
        by_distance=nearer_or_farther,
        map_source=None if scene.outlook is None else scene.outlook.around.source,
    )


def _degrees(scene: PlanningScene, u95_rad: Mapping[str, float]) -> dict[str, float]:
    return {n: float(np.degrees(u95_rad[n])) for n in scene.wanted if n in u95_rad}


def _place(scene: PlanningScene, c: CandidatePhoto) -> dict[str, float]:
    lat, lon, _ = scene.frame.geodetic_from_enu(np.array([*c.stand.enu_m[:2], 0.0]))
    return {
        "lat_deg": float(lat),
        "lon_deg": float(lon),
        "distance_m": c.stand.distance_m,
        "bearing_from_tower_deg": c.stand.bearing_deg,
        "lens_35mm_mm": c.stand.lens_mm,
    }


def _standpoint(
    state: KnowledgeSoFar, rank: int, c: CandidatePhoto, earlier: EarlierAzimuths | None, day: dt.date
) -> Standpoint:
    scene, stand, site = state.scene, c.stand, state.scene.site
    views = foreseen_views(scene, stand)
    days = (day, *(dt.date(day.year, month, 15) for month in range(1, 13)))
    light, *year = light_on(stand, site.lat_deg, site.lon_deg, days, min(stand.equipment.lenses_mm))
    return Standpoint(
        **_place(scene, c),
        rank=rank,
        heading_deg=azimuth_deg(float(np.degrees(stand.attitude_rad[0]))),
        pitch_deg=float(np.degrees(stand.attitude_rad[1])),
        antennas=tuple(views),
        u95_deg=_degrees(scene, expected_u95_rad(scene, [c.photo], earlier)),
        views=tuple(
            PlannedView(antenna_id=n, yaw_deg=float(np.degrees(v.yaw_rad)), width_px=float(v.mode.width_px))
            for n, v in views.items()
        ),
        landmarks=landmark_effects(state, stand),
        skyline=skyline_effect(state, stand),
        light=light,
        year=tuple(year),
    )


def _notes(plan: SitePlan, given_landmarks: int) -> tuple[str, ...]:
    """What a reader should know of the plan, in sentences."""
    out = [PRACTICE_NOTE]
    known = [(p, p.u95_deg) for p in plan.by_distance if p.u95_deg is not None]
    habit = next(((p, u95) for p, u95 in known if p.common_practice), None)
    if habit is not None:
        (usual, usual_deg), (nearest, nearest_deg) = habit, known[0]
        best, best_deg = min(known, key=lambda one: one[1])
        said = f"From {usual.distance_m:.0f} m one photo gives about {deg(usual_deg)} (95 %)"
        if nearest.distance_m < usual.distance_m:
            said += f", from {nearest.distance_m:.0f} m {deg(nearest_deg)}"
        if best.distance_m > usual.distance_m and best_deg < 0.95 * usual_deg:
            said += f", from {best.distance_m:.0f} m {deg(best_deg)}: farther out is better here"
        if nearest_deg > usual_deg:
            why = "The closer one stands, the more an error of the position turns the bearing."
        else:
            why = "Keep the usual distance all the same: near a tower things fall."
        out.append(f"{said}. {why}")
    near = [s for s in plan.standpoints if s.distance_m < 0.95 * max(PRACTICE_LEAST_M, plan.height_m)]
    if near:
        which = ", ".join(str(s.rank) for s in near)
        helped = "a landmark gives" if any(s.landmarks for s in plan.standpoints) else "the other photos give"
        out.append(
            f"Closer than usual ({which}): these show the angles between antennas best, while {helped} the heading."
        )
    if not plan.best_sets:
        out.append("There is no place to stand that is allowed, near enough and shows an antenna.")
    elif missing := [n for n in plan.wanted if n not in plan.together_u95_deg]:
        out.append(f"No photo of the plan shows {', '.join(missing)}.")
    if given_landmarks > len(plan.surroundings):
        out.append(f"{given_landmarks - len(plan.surroundings)} of the landmarks stand too near or too far to help.")
    if plan.surroundings and plan.best_sets and not any(s.landmarks for s in plan.standpoints):
        out.append("No landmark of the table can be had in a frame with the antennas.")
    out.append(
        "U95 is what the estimate will state if the photos turn out as foreseen: antennas free of scaffolds and trees, "
        "a telephone's position and compass. Views from behind are not counted on."
    )
    return tuple(out)


# ---- what it is worth ------------------------------------------------------------------------------------------------


def with_planned_photos(
    solution: SiteResult, u95_deg: Mapping[str, float], bring: str, distance_m: float, bearing_deg: float
) -> SiteResult:
    """The solution, its antennas offered the planned photos (U95 with them, by antenna) in place of any other photo."""

    def offered(a: AntennaResult) -> AntennaResult:
        then = u95_deg.get(a.antenna_id)
        if then is None or a.u95_deg is None:
            return a
        option = EvidenceOption(
            kind="photo",
            bring=bring,
            photo=None,
            needs_trip=True,
            u95_then_deg=min(then, a.u95_deg),
            distance_m=distance_m,
            bearing_deg=bearing_deg,
        )
        before = a.next_evidence or NextEvidence(limit="", u95_now_deg=a.u95_deg, sentence="")
        others = tuple(o for o in before.options if o.kind not in ("photo", "photo_with_landmark"))
        return replace(a, next_evidence=replace(before, options=(*others, option)))

    return replace(solution, antennas=ById(offered(a) for a in solution.antennas))


def gain_of(
    site: Site,
    solution: SiteResult,
    u95_deg: Mapping[str, float],
    costs: Costs,
    *,
    distance_m: float,
    bearing_deg: float,
) -> Revisit:
    """What is best for each antenna of a site that was estimated, the planned photos being one way among others."""
    offered = with_planned_photos(solution, u95_deg, "the planned photos", distance_m, bearing_deg)
    return plan_site(site, offered, costs, solution.priors)
