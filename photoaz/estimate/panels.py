"""Which antenna is where in which photo: panels found in all photos of a site, named together; picks come first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.naming import (
    Assignment,
    HeadingStatement,
    KnownAntenna,
    Match,
    PhotoAssignment,
    PhotoView,
    Sight,
    assign,
)
from photoaz.network.site import Angle, AntennaPriors
from photoaz.photo.camera import Camera, project, rotation_cam_from_enu
from photoaz.quantities import RADIUS_95
from photoaz.register.model import Antenna, Pick, Site
from photoaz.vision.finder import FoundPanels, PanelCandidate, enlarged_found, find_panels
from photoaz.vision.head_locator import HeadGuess
from photoaz.vision.patch import reduced_camera

Array = NDArray[Any]

#: how high a camera is held above the ground at the tower, metres (common practice, no source)
HAND_M = 1.5
#: below this probability a name is not used
LEAST_PROBABILITY = 0.8
#: a panel is cut off where this share of its height lies beyond the frame
CUT_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """An antenna's place in a photo, named by a person or by the pattern of all panels found.

    corners_px (4, 2): the front's, as a pick has them, None where only seed_px (2,) is known. candidate: what the
    finder saw there, None where it saw nothing. picked: a person named it. exact: the corners are not to be refined.
    match: how sure the name is, None for picks.
    """

    antenna_id: str
    corners_px: Array | None = None
    seed_px: Array | None = None
    exact: bool = False
    candidate: PanelCandidate | None = None
    picked: bool = False
    match: Match | None = None

    @property
    def middle_px(self) -> Array:
        """Middle of it (2,)."""
        if self.corners_px is not None:
            return np.asarray(self.corners_px.mean(0))
        assert self.seed_px is not None
        return self.seed_px


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What is known of a photo before its pixels are looked at: all that finding and naming need.

    standpoint: (east, north) [m] and its sigma per axis. pitch, roll, headings: the statements, the best first;
    compasses: which of the headings are a compass's.
    """

    name: str
    camera: Camera
    standpoint: tuple[Array, float] | None
    pitches: tuple[Angle, ...]
    rolls: tuple[Angle, ...]
    headings: tuple[Angle, ...]
    picks: tuple[Pick, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighted:
    """One photo's outcome: the spots to measure, what was found (None where nothing was looked for), and its naming."""

    spots: tuple[Spot, ...]
    found: FoundPanels | None
    naming: PhotoAssignment | None

    def sight(self, antenna_id: str) -> Sight | None:
        """What the naming says of an antenna in this photo."""
        if self.naming is None:
            return None
        return next((s for s in self.naming.sights if s.antenna == antenna_id), None)


def head_guess(standing: Standing, antennas: Sequence[AntennaPriors], site_sigma_m: float) -> HeadGuess:
    """Where the head should be in a photo, from the register and the metadata."""
    ups = np.array([a.up_m for a in antennas])
    width = float(np.exp(np.median([a.ln_size[0] for a in antennas])))
    height = float(np.exp(max(a.ln_size[1] for a in antennas)))
    rise = float(np.ptp(ups))
    middle_up = 0.5 * float(ups.min() + ups.max()) - HAND_M
    distance: float | None = None
    ln_sigma, pixel, pixel_sigma = 1.0, None, None
    if standing.standpoint is not None:
        east_north, sigma = standing.standpoint
        flat = max(float(np.hypot(*east_north)), 2.0)
        distance = float(np.hypot(flat, middle_up))
        along = float(np.hypot(sigma, site_sigma_m))
        ln_sigma = float(np.hypot(along * flat / distance**2, standing.camera.f_relative_sigma))
        elevation, elevation_sigma = np.arctan2(middle_up, flat), along * abs(middle_up) / distance**2
        pixel, pixel_sigma = _predicted(
            standing, float(np.arctan2(-east_north[0], -east_north[1])), along / flat, elevation, elevation_sigma
        )
    return HeadGuess(
        distance_m=distance,
        ln_distance_sigma=ln_sigma,
        width_m=width,
        height_m=height,
        rise_m=rise,
        pixel=pixel,
        pixel_sigma=pixel_sigma,
    )


def _predicted(
    standing: Standing, bearing: float, bearing_sigma: float, elevation: float, elevation_sigma: float
) -> tuple[Array | None, Array | None]:
    """Pixel of the head and its sigma (2,), as far as heading and pitch tell; None where neither does."""
    camera = standing.camera
    if not standing.pitches and not standing.headings:
        return None, None
    wide = np.array([camera.width_px, camera.height_px], float)
    f = camera.f_px
    pitch = standing.pitches[0] if standing.pitches else None
    heading = standing.headings[0] if standing.headings else None
    pitch_value = pitch.value_rad if pitch else elevation
    turn = 0.0 if heading is None else (bearing - heading.value_rad + np.pi) % (2 * np.pi) - np.pi
    towards = np.array([np.sin(turn) * np.cos(elevation), np.cos(turn) * np.cos(elevation), np.sin(elevation)])
    seen = rotation_cam_from_enu(0.0, pitch_value, 0.0) @ towards
    if float(seen[2]) < 0.2:
        return None, None
    at = project(camera, seen)
    sigma = np.array(
        [
            f * np.hypot(heading.sigma_rad, bearing_sigma) if heading else wide[0],
            f * np.hypot(pitch.sigma_rad, elevation_sigma) if pitch else wide[1],
        ]
    )
    return np.asarray(at), sigma


def known_antenna(antenna: Antenna, facts: AntennaPriors) -> KnownAntenna:
    """An antenna as the naming needs it."""
    offset = antenna.offset_east_m is not None and antenna.offset_north_m is not None
    return KnownAntenna(
        name=antenna.antenna_id,
        design_rad=facts.design_rad,
        up_m=facts.up_m,
        up_sigma_m=facts.up_sigma_m,
        ln_size=facts.ln_size,
        ln_size_sigma=facts.ln_size_sigma,
        sector=antenna.sector,
        position=antenna.position,
        east_north_m=facts.east_north_m if offset else None,
    )


def find_in(image: Array, standing: Standing, antennas: Sequence[AntennaPriors], site_sigma_m: float) -> FoundPanels:
    """Panels in one photo; image (H, W, 3) BGR as shown, or reduced by a whole factor; pixels are the photo's."""
    shrink = max(round(standing.camera.width_px / image.shape[1]), 1)
    camera = reduced_camera(standing.camera, shrink) if shrink > 1 else standing.camera
    found = find_panels(image, camera, head_guess(replace(standing, camera=camera), antennas, site_sigma_m))
    return found if shrink == 1 else enlarged_found(found, shrink)


def name_panels(
    standings: Sequence[Standing], found: Sequence[FoundPanels | None], site: Site, facts: Mapping[str, AntennaPriors]
) -> tuple[tuple[Sighted, ...], Assignment | None]:
    """Name what was found in all photos of a site together.

    Parameters
    ----------
    standings, found : one a photo, in the same order. facts : of every antenna of the site.

    Returns
    -------
    One Sighted a photo, and the naming of the whole site (None where there is nothing to name).
    """
    known = [known_antenna(a, facts[a.antenna_id]) for a in site.antennas]
    found = [_without_absent(f, s.picks) for s, f in zip(standings, found, strict=True)]
    standings = [replace(s, picks=tuple(p for p in s.picks if not p.absent)) for s in standings]
    views, named, picks = [], [], []
    for standing, f in zip(standings, found, strict=True):
        candidates = () if f is None else f.candidates
        # an antenna of another site is nobody here, and of two picks of one antenna the first counts
        picks.append(tuple({p.antenna_id: p for p in reversed(standing.picks) if p.antenna_id in facts}.values()))
        by_pick = _named_by_picks(picks[-1], candidates)
        named.append(by_pick)
        pitch = standing.pitches[0] if standing.pitches else None
        views.append(
            PhotoView(
                name=standing.name,
                camera=_with_focal(standing, candidates, facts),
                candidates=candidates,
                east_north_m=None if standing.standpoint is None else standing.standpoint[0],
                east_north_sigma_m=5.0 if standing.standpoint is None else standing.standpoint[1],
                up_m=HAND_M,
                pitch_rad=pitch.value_rad if pitch else None,
                pitch_sigma_rad=pitch.sigma_rad if pitch else 0.05,
                roll_rad=standing.rolls[0].value_rad if standing.rolls else 0.0,
                headings=tuple(
                    HeadingStatement(value_rad=h.value_rad, sigma_rad=h.sigma_rad, compass=h.source == "camera compass")
                    for h in standing.headings
                ),
                named={k: p.antenna_id for k, p in by_pick.items()},
            )
        )
    naming = assign(views, known, site.position_u95_m / RADIUS_95) if known and views else None
    out = []
    for k, (standing, f) in enumerate(zip(standings, found, strict=True)):
        one = naming.photos[k] if naming is not None else None
        candidates = () if f is None else f.candidates
        out.append(Sighted(spots=_spots(picks[k], candidates, named[k], one, standing.camera), found=f, naming=one))
    return tuple(out), naming


def _without_absent(found: FoundPanels | None, picks: Sequence[Pick]) -> FoundPanels | None:
    """Without the candidates where a person said that there is no antenna."""
    points = [np.array(p.seed_px, float) for p in picks if p.absent and p.seed_px is not None]
    if found is None or not points:
        return found

    def holds(c: PanelCandidate, at: Array) -> bool:
        low, high = c.corners_px.min(0), c.corners_px.max(0)
        return bool((np.abs(at - 0.5 * (low + high)) <= 0.5 * np.maximum(high - low, 1.0)).all())

    kept = tuple(c for c in found.candidates if not any(holds(c, at) for at in points))
    return replace(found, candidates=kept)


def _with_focal(standing: Standing, candidates: Sequence[PanelCandidate], facts: Mapping[str, AntennaPriors]) -> Camera:
    """The camera; one of hardly known focal length made to show the panels found as tall as the site's are."""
    camera = standing.camera
    if camera.f_relative_sigma < 0.06 or standing.standpoint is None or not candidates:
        return camera
    c = np.array([k.corners_px for k in candidates])
    tall = np.median(np.hypot(*(c[:, :2].mean(1) - c[:, 2:4].mean(1)).T))
    flat = max(float(np.hypot(*standing.standpoint[0])), 2.0)
    up = float(np.median([a.up_m for a in facts.values()])) - HAND_M
    height = float(np.exp(np.median([a.ln_size[1] for a in facts.values()])))
    # a plumb body of height H at a level distance is seen under H cos(e) of the slant distance flat / cos(e)
    return replace(camera, f_px=float(tall * flat / (height * np.cos(np.arctan2(up, flat)) ** 2)), f_relative_sigma=0.1)


def _named_by_picks(picks: Sequence[Pick], candidates: Sequence[PanelCandidate]) -> dict[int, Pick]:
    """Which candidates a person's picks name: those whose box holds the pick, the nearest where several do."""
    out: dict[int, Pick] = {}
    for pick in picks:
        at = np.array(pick.seed_px, float) if pick.corners_px is None else np.array(pick.corners_px, float).mean(0)
        best: tuple[float, int] | None = None
        for k, c in enumerate(candidates):
            if k in out:
                continue
            low, high = c.corners_px.min(0), c.corners_px.max(0)
            off = np.abs(at - c.corners_px.mean(0)) / np.maximum(0.5 * (high - low), 1.0)
            tight = 0.6 if pick.corners_px is not None else 1.0  # a pick's corners have the panel's own middle
            if (off < tight).all() and (best is None or float(off.sum()) < best[0]):
                best = (float(off.sum()), k)
        if best is not None:
            out[best[1]] = pick
    return out


def _spots(
    picks: Sequence[Pick],
    candidates: Sequence[PanelCandidate],
    named: Mapping[int, Pick],
    naming: PhotoAssignment | None,
    camera: Camera,
) -> tuple[Spot, ...]:
    frame = np.array([camera.width_px - 1, camera.height_px - 1])
    out: dict[str, Spot] = {}
    of_pick = {id(p): k for k, p in named.items()}
    for pick in picks:
        k = of_pick.get(id(pick))
        seen = candidates[k] if k is not None else None
        corners = None if pick.corners_px is None else np.array(pick.corners_px, float)
        if corners is None and seen is not None:
            corners = seen.corners_px[:4]
        out[pick.antenna_id] = Spot(
            antenna_id=pick.antenna_id,
            corners_px=corners,
            seed_px=None if pick.seed_px is None else np.array(pick.seed_px, float),
            exact=pick.exact,
            candidate=seen if pick.corners_px is None else None,
            picked=True,
        )
    for m in naming.matches if naming is not None else ():
        if m.antenna is None or m.antenna in out or m.candidate in named or m.probability < LEAST_PROBABILITY:
            continue
        seen = candidates[m.candidate]
        beyond = np.maximum(-seen.corners_px, seen.corners_px - frame).max()
        if beyond > CUT_SHARE * float(np.ptp(seen.corners_px, axis=0).max()):
            continue  # the frame's border cuts it off: what is left fixes no box
        out[m.antenna] = Spot(antenna_id=m.antenna, corners_px=seen.corners_px[:4], candidate=seen, match=m)
    return tuple(out.values())
