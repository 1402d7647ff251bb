"""Where to stand: the best one, two and three photos together, by what they would leave open of the azimuths wanted.

Greedy, then by exchange (Fedorov's: each photo of a set in turn replaced by whatever is better, until none is; V. V.
Fedorov, Theory of Optimal Experiments, 1972, ch. 3).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import Array, azimuth_rad, wrap_rad
from photoaz.network.heading_aids import LandmarkPixel
from photoaz.network.site import PhotoObservations
from photoaz.planning.equipment import BORDER_SHARE, Equipment, PlannedPhoto, in_frame
from photoaz.planning.foreseen import PlanningScene, aimed, foreseen_photo, foreseen_views
from photoaz.planning.information import (
    Criterion,
    KnowledgeSoFar,
    PlannedRows,
    rows_of,
    score,
    u95_linear_rad,
    with_rows,
)

#: distances tried, over the height of the antennas above the camera, and bearings besides those of the sectors
DISTANCES = (0.7, 1.0, 1.4, 2.0, 2.8)
BEARINGS = 12
#: nearer than this, and than this share of the height, nobody stands, whatever is asked for: things fall and slide, and
#: no photo from so near was held against what it gave. Further nobody is sent, metres
NEAREST_M, NEAREST_OUT_PER_UP, FARTHEST_M = 20.0, 0.7, 250.0
#: photos of a set stand at least this far apart: nearer, the errors of their positions are one error
APART_M = 12.0
#: a place is moved about by these parts of the grid's steps at last
_REFINED = ((-0.4, 0.0), (0.4, 0.0), (0.0, -0.4), (0.0, 0.4))

#: whether one may stand at (n, 2) [m] and has a free line of sight to the antennas
Allowed = Callable[[Array], NDArray[np.bool_]]


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidatePhoto:
    """A photo that could be taken: its facts, and what it would say of the state."""

    stand: PlannedPhoto
    photo: PhotoObservations
    told: PlannedRows


def bearings_of(scene: PlanningScene) -> Array:
    """Bearings [rad] from the tower to try: all round, before each sector, between neighbours, beside, in profile."""
    azimuths = np.sort(azimuth_rad(np.array([scene.azimuth_rad[n] for n in scene.wanted])))
    sectors = [azimuths[0]]
    for a in azimuths[1:]:
        if a - sectors[-1] > np.radians(15.0):
            sectors.append(a)
    out = list(2 * np.pi * np.arange(BEARINGS) / BEARINGS)
    for k, a in enumerate(sectors):
        following = sectors[(k + 1) % len(sectors)]
        gap = azimuth_rad(following - a) or 2 * np.pi
        out += [a, a + 0.5 * gap, a + np.radians(30.0), a - np.radians(30.0)]
    unique: list[float] = []
    for b in sorted(azimuth_rad(v) for v in out):
        if not unique or b - unique[-1] > np.radians(4.0):
            unique.append(b)
    return np.array(unique)


def nearest_m(scene: PlanningScene) -> float:
    """Not nearer to the tower than this: as practice has it unless somebody asks for less."""
    return max(scene.nearest_m, NEAREST_M, NEAREST_OUT_PER_UP * scene.height_m)


def places_of(scene: PlanningScene, farthest_m: float = FARTHEST_M, allowed: Allowed | None = None) -> Array:
    """Places (n, 2) [m] to try, as they may be stood at."""
    nearest = min(nearest_m(scene), farthest_m)
    steps = {nearest, *(f * scene.height_m for f in DISTANCES)}
    distances = [d for d in sorted(steps) if nearest - 1e-9 <= d <= farthest_m] or [farthest_m]
    out = [d * np.array([np.sin(b), np.cos(b)]) for b in bearings_of(scene) for d in distances]
    places = np.array(out)
    return places if allowed is None else places[allowed(places)]


def stands_at(scene: PlanningScene, east_north_m: Array, equipment: Equipment) -> list[PlannedPhoto]:
    """How a photo may be taken from a place: with the longest lens that shows the antennas wanted whole.

    Where there are landmarks, also with the longest lens that can be held so that one of them is in the frame as well;
    where there is a map, with the longest one that shows enough of the skyline to tell the heading.
    """
    name = f"{east_north_m[0]:.1f} {east_north_m[1]:.1f}"
    lenses = sorted(equipment.lenses_mm, reverse=True)
    fitting = None
    for lens in lenses:
        stand = aimed(f"{name} {lens:g}", scene, east_north_m, equipment, lens)
        if _shows_head(scene, stand):
            fitting = stand
            break
    out = [fitting or aimed(f"{name} {lenses[-1]:g}", scene, east_north_m, equipment, lenses[-1])]
    for lens in lenses if scene.landmarks else ():
        held = _with_landmark(scene, aimed(f"{name} {lens:g} landmark", scene, east_north_m, equipment, lens))
        if held is not None:
            out.append(held)
            break
    for lens in lenses if scene.outlook is not None else ():
        lowered = _lowered(scene, aimed(f"{name} {lens:g} skyline", scene, east_north_m, equipment, lens))
        if scene.outlook is not None and _shows_head(scene, lowered) and scene.outlook.edges(lowered) is not None:
            out.append(lowered)
            break
    return out


def _lowered(scene: PlanningScene, stand: PlannedPhoto) -> PlannedPhoto:
    """The photo held so low that the antennas are just whole in it, or level."""
    half_up = np.arctan((0.5 - 2 * BORDER_SHARE) * stand.camera.height_px / stand.camera.f_px)
    ends = _ends(scene) - stand.enu_m
    top = float(np.arctan2(ends[:, 2], np.hypot(ends[:, 0], ends[:, 1])).max())
    pitch = min(float(stand.attitude_rad[1]), max(top - half_up + np.radians(1.0), 0.0))
    return replace(stand, attitude_rad=np.array([stand.attitude_rad[0], pitch, 0.0]))


def _ends(scene: PlanningScene) -> Array:
    """Upper and lower ends (2 n, 3) of the antennas wanted, and what is beside them."""
    out = []
    for a in scene.antennas:
        if a.name in scene.wanted:
            half = 0.5 * float(np.exp(a.ln_size[1])) + 0.2
            out += [scene.places_m[a.name] + [0.0, 0.0, s * half] for s in (-1.0, 1.0)]
    return np.array(out)


def _shows_head(scene: PlanningScene, stand: PlannedPhoto) -> bool:
    return bool(in_frame(stand, _ends(scene))[1].all())


def _with_landmark(scene: PlanningScene, stand: PlannedPhoto) -> PlannedPhoto | None:
    """The photo turned so that the head is still whole in it and a landmark is too; None where no landmark can be."""
    places = np.stack([m.enu_m for m in scene.landmarks])
    away = places - stand.enu_m
    azimuth = np.arctan2(away[:, 0], away[:, 1])
    off = np.asarray(wrap_rad(azimuth - stand.attitude_rad[0]))
    low = _lowered(scene, stand)
    for k in np.argsort(np.abs(off)):
        if abs(off[k]) > np.radians(70.0):
            break
        for share in (0.0, 0.25, 0.5, 0.75):
            turned = replace(low, attitude_rad=low.attitude_rad + share * off[k] * np.array([1.0, 0.0, 0.0]))
            if _shows_head(scene, turned) and in_frame(turned, places[k : k + 1])[1][0]:
                return turned
    return None


def candidates_at(state: KnowledgeSoFar, places: Array, equipment: Equipment) -> list[CandidatePhoto]:
    """The photos that could be taken from places (n, 2) and would show an antenna wanted."""
    scene = state.scene
    out = []
    for place in places:
        for stand in stands_at(scene, place, equipment):
            views = foreseen_views(scene, stand)
            if not set(views) & set(scene.wanted):
                continue
            photo = foreseen_photo(scene, stand, views)
            told = rows_of(state, photo)
            if told is not None:
                out.append(CandidatePhoto(stand=stand, photo=photo, told=told))
    return out


def best_sets(
    state: KnowledgeSoFar, candidates: Sequence[CandidatePhoto], most: int = 3, criterion: Criterion = "D"
) -> tuple[tuple[int, ...], ...]:
    """Numbers of the candidates that together are best: one photo, two, ... up to `most`."""
    sets: list[tuple[int, ...]] = []
    now: list[int] = []
    for size in range(1, most + 1):
        best = _best_addition(state, candidates, now, criterion)
        if best is None:
            break
        now, value = [*now, best[0]], best[1]
        for _ in range(4):
            improved = False
            for k in range(size if size > 1 else 0):
                rest = now[:k] + now[k + 1 :]
                better = _best_addition(state, candidates, rest, criterion)
                if better is not None and better[1] < value - 1e-6 * abs(value):
                    now, value, improved = [*rest, better[0]], better[1], True
            if not improved:
                break
        now = _in_order(state, candidates, now, criterion)
        sets.append(tuple(now))
    return tuple(sets)


def _best_addition(
    state: KnowledgeSoFar, candidates: Sequence[CandidatePhoto], have: Sequence[int], criterion: Criterion
) -> tuple[int, float] | None:
    """The candidate that adds most to those there are, and the criterion then; None where none stands apart."""
    there = [candidates[k] for k in have]
    covariance = _with_all(state.covariance, there)
    values = {
        k: score(covariance, state.wanted, c.told, criterion)
        for k, c in enumerate(candidates)
        if _stands_apart(c, there)
    }
    return min(values.items(), key=lambda one: one[1], default=None)


def _in_order(
    state: KnowledgeSoFar, candidates: Sequence[CandidatePhoto], some: Sequence[int], criterion: Criterion
) -> list[int]:
    """The most telling first, then what adds most to it."""
    left, out, covariance = list(some), [], state.covariance
    while left:
        k = min(left, key=lambda j: score(covariance, state.wanted, candidates[j].told, criterion))
        covariance = with_rows(covariance, candidates[k].told)
        left.remove(k)
        out.append(k)
    return out


def refined(
    state: KnowledgeSoFar,
    candidates: Sequence[CandidatePhoto],
    some: Sequence[int],
    equipment: Equipment,
    farthest_m: float,
    allowed: Allowed | None,
    criterion: Criterion,
) -> list[CandidatePhoto]:
    """A set's photos, each moved about by parts of the grid's steps where that is better."""
    now = [candidates[k] for k in some]
    nearest = min(nearest_m(state.scene), farthest_m)
    for k, c in enumerate(now):
        bearing = np.radians(c.stand.bearing_deg)
        tried = []
        for along, round_ in _REFINED:
            distance = float(np.clip(c.stand.distance_m * 1.4**along, nearest, farthest_m))
            turn = bearing + round_ * 2 * np.pi / BEARINGS
            tried.append(distance * np.array([np.sin(turn), np.cos(turn)]))
        places = np.array(tried)
        if allowed is not None:
            places = places[allowed(places)]
        others = now[:k] + now[k + 1 :]
        covariance = _with_all(state.covariance, others)
        better = [c, *(m for m in candidates_at(state, places, equipment) if _stands_apart(m, others))]
        now[k] = min(better, key=lambda m: score(covariance, state.wanted, m.told, criterion))
    return now


def _with_all(covariance: Array, some: Sequence[CandidatePhoto]) -> Array:
    for c in some:
        covariance = with_rows(covariance, c.told)
    return covariance


def _stands_apart(c: CandidatePhoto, others: Sequence[CandidatePhoto]) -> bool:
    return all(float(np.hypot(*(c.stand.enu_m - o.stand.enu_m)[:2])) >= APART_M for o in others)


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkEffect:
    """A landmark in a photo to come: its pixel, how far right of the tower it shows, its distance from the camera.

    u95_with_deg, u95_without_deg: of each antenna, with this landmark alone and without any.
    """

    name: str
    x_px: float
    y_px: float
    off_deg: float
    distance_m: float
    u95_with_deg: Mapping[str, float]
    u95_without_deg: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class SkylineEffect:
    """What a map's buildings in a photo to come do: how many, their edges against the sky, the heading's U95 by them.

    u95_with_deg, u95_without_deg: of each antenna, with the skyline and without it, landmarks in both.
    """

    buildings: int
    edges: int
    heading_u95_deg: float
    u95_with_deg: Mapping[str, float]
    u95_without_deg: Mapping[str, float]


def skyline_effect(state: KnowledgeSoFar, stand: PlannedPhoto) -> SkylineEffect | None:
    """What the skyline in a photo's frame does; None where it shows too little of it, or there is no map."""
    outlook = state.scene.outlook
    edges = None if outlook is None else outlook.edges(stand)
    if edges is None:
        return None
    whole = foreseen_photo(state.scene, stand)
    return SkylineEffect(
        buildings=edges.buildings,
        edges=len(edges.pixels),
        heading_u95_deg=float(np.degrees(edges.heading_u95_rad(stand))),
        u95_with_deg=_u95(state, whole),
        u95_without_deg=_u95(state, replace(whole, aids=whole.landmarks)),
    )


def landmark_effects(state: KnowledgeSoFar, stand: PlannedPhoto) -> tuple[LandmarkEffect, ...]:
    """What each landmark in a photo's frame does, the one that helps most first."""
    scene = state.scene
    if not scene.landmarks:
        return ()
    pixels, inside = in_frame(stand, np.stack([m.enu_m for m in scene.landmarks]))
    whole = foreseen_photo(scene, stand)
    others = tuple(aid for aid in whole.aids if not isinstance(aid, LandmarkPixel))
    plain = replace(whole, aids=others)
    without = _u95(state, plain)
    out = []
    for k, m in enumerate(scene.landmarks):
        if not inside[k] or not plain.boxes:
            continue
        one = replace(plain, aids=(*others, *(s for s in whole.landmarks if s.name == m.name)))
        away = m.enu_m - stand.enu_m
        off = wrap_rad(np.arctan2(away[0], away[1]) - stand.attitude_rad[0])
        out.append(
            LandmarkEffect(
                name=m.name,
                x_px=float(pixels[k, 0]),
                y_px=float(pixels[k, 1]),
                off_deg=float(np.degrees(off)),
                distance_m=float(np.hypot(away[0], away[1])),
                u95_with_deg=_u95(state, one),
                u95_without_deg=without,
            )
        )
    out.sort(key=lambda e: sum(e.u95_with_deg.values()))
    return tuple(out)


def _u95(state: KnowledgeSoFar, photo: PhotoObservations) -> dict[str, float]:
    scene, told = state.scene, rows_of(state, photo)
    if told is None:
        return {}
    covariance = with_rows(state.covariance, told)
    names = [n for n in scene.wanted if n in photo.boxes]
    index = np.array([state.wanted[scene.wanted.index(n)] for n in names], int)
    return {n: float(np.degrees(u)) for n, u in zip(names, u95_linear_rad(covariance, index), strict=True)}
