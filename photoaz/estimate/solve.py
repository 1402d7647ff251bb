"""A site's photos solved together: opened, looked at, panels named and measured, everything adjusted at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import wraps
from pathlib import Path
from typing import ParamSpec, TypeVar

import numpy as np

from photoaz.errors import InputError, LostPhotoError
from photoaz.estimate.gather import Looking, looked_at_again, measured_again, observe_photo, with_controls, with_pick
from photoaz.estimate.inputs import LocalPhoto, SiteInputs, Tools
from photoaz.estimate.laid import Laid, around_view, lay_over, with_heading
from photoaz.estimate.panels import PhotoPanels, find_in, name_panels, panel_of_pick
from photoaz.estimate.priors import head_priors_of
from photoaz.estimate.report import SeenPhoto, rejected_photo, site_result
from photoaz.estimate.statements import (
    GatheredPhoto,
    UnusablePhotoError,
    declination_at,
    known_photo_of,
    open_photo,
    without_stamps,
)
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.norths import Declination
from photoaz.memory import recall
from photoaz.naming.model import AntennaPriors, KnownPhoto
from photoaz.naming.mount import mount_of
from photoaz.naming.site_names import exchange_that_fits
from photoaz.network.adjust import AdjustmentError
from photoaz.network.antenna_positions import AntennaPositions, antenna_positions_of
from photoaz.network.site import PhotoObservations, SiteNetwork, azimuths_of_modes, build
from photoaz.network.solution import NetworkSolution, solve_network
from photoaz.network.surrounded import LaidOver
from photoaz.photo.pixels import Picture
from photoaz.priors import Priors
from photoaz.quantities import LEAST_EDGE_FOUND, RADIUS_95
from photoaz.register.model import Site
from photoaz.result import AroundView, PhotoResult, SiteResult
from photoaz.surroundings.maps import Surroundings
from photoaz.vision.evidence import TILT_SIGMA_RAD
from photoaz.vision.finder import FoundPanels

_P = ParamSpec("_P")
_R = TypeVar("_R")


def on_one_thread(solve: Callable[_P, _R]) -> Callable[_P, _R]:
    """Linear algebra on one thread: a site's matrices are small, and threads that wait for one another cost more."""

    @wraps(solve)
    def limited(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        from threadpoolctl import threadpool_limits

        with threadpool_limits(1, "blas"):
            return solve(*args, **kwargs)

    return limited


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """A photo that was opened and looked at; laid over the map of what stands round, where there is one."""

    photo: GatheredPhoto
    north: Declination | None
    known: KnownPhoto
    picture: Picture
    found: FoundPanels | None
    laid: Laid | None

    @property
    def over(self) -> LaidOver | None:
        """Its match, where the network takes it."""
        return None if self.laid is None else self.laid.over


@dataclass(frozen=True, slots=True, kw_only=True)
class _Expected:
    """What the register lets expect of a site. priors: of all its antennas and its neighbours'; wanted: of
    those asked for and the neighbours'; known: of
    antennas and compasses in general. surroundings: what a map says stands round, None without one.
    """

    site: Site
    frame: EnuFrame
    priors: Mapping[str, AntennaPriors]
    wanted: Mapping[str, AntennaPriors]
    positions: AntennaPositions
    known: Priors
    surroundings: Surroundings | None

    @classmethod
    def of(cls, given: SiteInputs) -> _Expected:
        site = given.site
        priors = head_priors_of(site)
        own = {a.antenna_id: priors[a.antenna_id] for a in given.antennas}
        mount = mount_of(list(priors.values()))
        return cls(
            site=site,
            frame=EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0),
            priors=priors,
            wanted=own | {name: p for name, p in priors.items() if not p.own},
            positions=antenna_positions_of(mount, {name: p.up_sigma_m for name, p in priors.items()}),
            known=given.priors,
            surroundings=given.surroundings,
        )

    @property
    def axes(self) -> tuple[tuple[float, float], ...]:
        """Of the site and its neighbours, east and north [m]."""
        return ((0.0, 0.0), *dict.fromkeys(p.axis_m for p in self.priors.values() if not p.own))

    def network(self, photos: Sequence[PhotoObservations]) -> SiteNetwork:
        """Of the antennas that the photos show."""
        shown = [a for name, a in self.wanted.items() if any(name in p.boxes for p in photos)]
        return build(photos, shown, self.site.position_u95_m / RADIUS_95, self.positions)

    def solved(self, photos: Sequence[PhotoObservations]) -> NetworkSolution:
        """The network of the photos, solved. Raises AdjustmentError."""
        return solve_network(self.network(photos), self.known)


@dataclass(frozen=True, slots=True, kw_only=True)
class SolvedSite:
    """A site after its adjustment, with what a change of marks and controls can start from (`solve_again`).

    seen, panels: per photo that was looked at; rejected: per photo that cannot take part.
    """

    given: SiteInputs
    expected: _Expected
    seen: Mapping[str, _Seen]
    panels: Mapping[str, PhotoPanels]
    rejected: Mapping[str, PhotoResult]
    network: NetworkSolution | None

    def result(self, *, outlook: bool = True) -> SiteResult:
        """As `site_result`."""
        seen = {
            name: SeenPhoto(
                record=s.photo.record, north=s.north, panels=self.panels[name], around=self._around(name, s.laid)
            )
            for name, s in self.seen.items()
        }
        names = [photo.name for photo in self.given.photos]
        given = self.given
        out = site_result(given.site, given.antennas, names, seen, self.rejected, self.network, outlook=outlook)
        source = None if self.expected.surroundings is None else self.expected.surroundings.source
        return out if source is None else replace(out, map_note=source.note())

    def _around(self, name: str, laid: Laid | None) -> AroundView | None:
        """How a photo lies over the map; None where it was not laid over one."""
        some, net = self.expected.surroundings, self.network
        if laid is None or laid.match is None or some is None:
            return None
        return around_view(name, laid, some, net)


@on_one_thread
def solve_site(given: SiteInputs, tools: Tools | None = None) -> SolvedSite:
    """Azimuths of a site's antennas from its photos: the network's answer, before anything is judged.

    Returns
    -------
    SolvedSite, whose result has an entry for every photo and every antenna asked for; what could not be used says why.
    """
    tools = tools or Tools()
    expected = _Expected.of(given)
    rejected: dict[str, PhotoResult] = {}
    seen: dict[str, _Seen] = {}
    for file in sorted(given.photos, key=lambda p: p.name):  # last bits of sums hang on an order: on one alone
        tools.progress(f"{Path(file.name).name}: looking for antennas")
        try:
            seen[file.name] = _look_at(file, given, expected, tools)
        except (UnusablePhotoError, InputError) as e:
            why = str(e).replace(str(file.path), file.name)
            rejected[file.name] = PhotoResult(photo=file.name, status="rejected", reason=why)
    known, found = [with_heading(s.known, s.over) for s in seen.values()], [s.found for s in seen.values()]
    named = name_panels(known, found, given.site, expected.priors, given.priors)
    panels = dict(zip(seen, named, strict=True))

    def reject(name: str, why: str) -> None:
        rejected[name] = rejected_photo(name, why, seen[name].photo, panels[name])

    photos: list[PhotoObservations] = []
    looks: dict[str, Looking] = {}
    for name, s in seen.items():
        tools.progress(f"{Path(name).name}: measuring")
        try:
            photo, looks[name] = observe_photo(
                s.photo,
                s.known,
                s.over,
                panels[name],
                s.picture,
                given.site,
                expected.frame,
                expected.wanted,
                tools.memory,
            )
            photos.append(photo)
        except (UnusablePhotoError, InputError) as e:
            reject(name, str(e))
    network = None
    if photos:
        tools.progress(f"{given.site.site_id}: adjusting")
        try:
            network = _adjusted(photos, looks, panels, expected, tools)
        except AdjustmentError as e:
            for photo in photos:
                reject(photo.name, f"the site's adjustment failed: {e}")
    return SolvedSite(given=given, expected=expected, seen=seen, panels=panels, rejected=rejected, network=network)


def _adjusted(
    photos: Sequence[PhotoObservations],
    looks: Mapping[str, Looking],
    panels: Mapping[str, PhotoPanels],
    expected: _Expected,
    tools: Tools,
) -> NetworkSolution:
    """The site's adjustment. Raises AdjustmentError."""
    photos = _without_poor_views(photos, panels)
    first = expected.solved(photos)
    # once more, and to the end, now that all together say how the cameras were held and how far away they stood
    again = [measured_again(p, looks[p.name], expected.wanted, first, tools.memory) for p in photos]
    photos = _without_poor_views(again, panels)
    first = expected.solved(photos)
    better = _without_poor_choices(photos, panels, first)
    return first if better is None else expected.solved(better)


@on_one_thread
def solve_again(last: SolvedSite, given: SiteInputs, tools: Tools | None = None) -> SiteResult | None:
    """A site solved again after a change of marks and controls: a draft, in a fraction of the time.

    Only what was marked anew is measured, as the last solution expects it, and everything is adjusted once. Naming and
    all other outlines stay as they were, and nothing is said of what to bring next. What `solve_site` then gives
    differs by little, but it does differ.

    Parameters
    ----------
    last : of the same site and photos. given : as it is now.

    Returns
    -------
    SiteResult, or None where the change is too large for this: a mark taken away, an antenna that was in no photo.
    """
    tools = tools or Tools()
    before = last.network
    if before is None or {p.name for p in given.photos} != {p.name for p in last.given.photos}:
        return None
    photos = {p.name: p for p in _without_doubtless_modes(before)}
    panels = dict(last.panels)
    old_picks = {(p.photo, p.antenna_id): p for p in last.given.picks}
    new_picks = {(p.photo, p.antenna_id): p for p in given.picks}
    if old_picks.keys() - new_picks.keys() or any(p.absent for p in {*given.picks} - {*last.given.picks}):
        return None
    try:
        for (name, antenna), pick in new_picks.items():
            if old_picks.get((name, antenna)) == pick:
                continue
            if name not in photos or antenna not in last.expected.wanted:
                return None
            panel = panel_of_pick(pick)
            prior = last.expected.wanted[antenna]
            photos[name] = with_pick(photos[name], last.seen[name].picture, panel, prior, before, tools.memory)
            rest = tuple(s for s in panels[name].to_measure if s.antenna_id != antenna)
            panels[name] = replace(panels[name], to_measure=(*rest, panel))
        for name in {c.photo for c in {*given.controls} ^ {*last.given.controls}}:
            if name not in photos:
                return None
            s = last.seen[name]
            photo = replace(s.photo, controls=tuple(c for c in given.controls if c.photo == name))
            photo = without_stamps(photo, last.expected.frame, last.expected.axes)
            known = known_photo_of(name, photo, last.expected.frame, s.north, given.site.ground_m)
            photos[name] = with_controls(photos[name], photo, known, last.expected.frame, s.picture, before)
        network = last.expected.solved(list(photos.values()))
    except (UnusablePhotoError, LostPhotoError, InputError, AdjustmentError):
        return None
    return replace(last, panels=panels, network=network).result(outlook=False)


#: the other ways in which an antenna's outlines fit are not weighed again where they are less probable than this
DOUBTLESS = 0.01


def _without_doubtless_modes(result: NetworkSolution) -> list[PhotoObservations]:
    """The photos with one mode for each outline of the antennas that fit in one way only."""
    sure = {a for a, m in result.posterior.antennas.items() if m.told.probability > 1.0 - DOUBTLESS}
    return [
        replace(
            f,
            boxes={a: (modes[result.choice[f.name, a]],) if a in sure else modes for a, modes in f.boxes.items()},
        )
        for f in result.network.photos
    ]


def _look_at(file: LocalPhoto, given: SiteInputs, expected: _Expected, tools: Tools) -> _Seen:
    """Open a photo and find the panels in it; nothing is looked for where picks name every antenna of the site.

    Raises UnusablePhotoError, InputError where it cannot take part.
    """
    photo = open_photo(file, given.controls, given.picks, given.calibration)
    photo = without_stamps(photo, expected.frame, expected.axes)
    _require_near(photo, given.site, expected.frame)
    north = declination_at(photo.record, given.site)
    picture = Picture(file.path, (photo.record.width_px, photo.record.height_px), tools.room, file.digest)
    known = known_photo_of(file.name, photo, expected.frame, north, given.site.ground_m)
    named = {p.antenna_id for p in photo.picks if p.corners_px is not None and not p.absent}
    found: FoundPanels | None = None
    sigma = given.site.position_u95_m / RADIUS_95
    if not named >= set(expected.priors):
        antennas = list(expected.priors.values())
        where = replace(known, name="", picks=())  # a name or a person's word changes nothing that is found
        found = recall(
            tools.memory,
            "panels",
            (picture, where, antennas, sigma),
            FoundPanels,
            lambda: find_in(picture.colour(), known, antennas, sigma),
        )
    if found is not None:
        picture.need(looked_at_again(found, known.camera))
    laid: Laid | None = None
    if expected.surroundings is not None:
        around, priors = expected.surroundings, expected.priors
        laid = lay_over(known, picture, found, priors, sigma, around, photo.controls, given.priors, tools.memory)
        photo = photo if laid.note is None else replace(photo, notes=(*photo.notes, laid.note))
    return _Seen(photo=photo, north=north, known=known, picture=picture, found=found, laid=laid)


#: nobody measures a panel from farther away than this
FARTHEST_M = 3000.0


def _require_near(photo: GatheredPhoto, site: Site, frame: EnuFrame) -> None:
    """Raise UnusablePhotoError where a photo was taken too far from the site to be of it."""
    p = photo.record.position
    if p is None or any(c.kind == "standpoint" for c in photo.controls):
        return
    away = float(np.linalg.norm(frame.enu_from_geodetic(p.lat_deg, p.lon_deg)[:2]))
    if away > FARTHEST_M + 3.0 * p.sigma_m:
        slip = exchange_that_fits(p.lat_deg, p.lon_deg, [site], FARTHEST_M)
        why = "of another site?" if slip is None else f"{slip}: is the register's place, or the photo's, written so?"
        raise UnusablePhotoError(f"it was taken {away / 1000:.1f} km from this site, by its position: {why}")


def _without_poor_choices(
    photos: Sequence[PhotoObservations], by_photo: Mapping[str, PhotoPanels], result: NetworkSolution
) -> list[PhotoObservations] | None:
    """As `_without_poor_views`, by the modes that the adjustment chose; None where all may stay."""
    chosen = [
        replace(f, boxes={a: (modes[result.choice[f.name, a]],) for a, modes in f.boxes.items()})
        for f in result.network.photos
    ]
    kept = {f.name: f.boxes for f in _without_poor_views(chosen, by_photo)}
    out = [replace(f, boxes={a: m for a, m in f.boxes.items() if a in kept[f.name]}) for f in photos]
    return None if all(len(n.boxes) == len(o.boxes) for n, o in zip(out, photos, strict=True)) else out


#: a view of which less of the outline found its edge counts only where no other shows so much of it, and that other is
#: the antenna's with such a probability (common practice, no source)
GOOD_QUALITY, GOOD_NAME = 0.6, 0.9
#: a found view whose own outline leaves the azimuth this open (one sigma) tells nothing
NOTHING_RAD = float(np.radians(40.0))


def _without_poor_views(
    photos: Sequence[PhotoObservations], by_photo: Mapping[str, PhotoPanels]
) -> list[PhotoObservations]:
    """The photos without found views that tell nothing, or little of an antenna which others show well."""
    telling = [
        {
            name: modes
            for name, modes in f.boxes.items()
            if name in _picked(by_photo[f.name])
            or azimuths_of_modes(f, modes[:1], f.start[:3], TILT_SIGMA_RAD)[1][0] < NOTHING_RAD
        }
        for f in photos
    ]
    best: dict[str, float] = {}
    for f, boxes in zip(photos, telling, strict=True):
        for name, modes in boxes.items():
            # what may be another antenna's makes no view of this one needless
            sure = sum(p for _, p in f.names.get(name, ())) < 1.0 - GOOD_NAME
            best[name] = max(best.get(name, 0.0), modes[0].quality if sure else 0.0)
    out = []
    for f, boxes in zip(photos, telling, strict=True):
        good = {
            name: modes
            for name, modes in boxes.items()
            if name in _picked(by_photo[f.name]) or best[name] < GOOD_QUALITY or modes[0].quality >= LEAST_EDGE_FOUND
        }
        out.append(replace(f, boxes=good or boxes))
    return out


def _picked(panels: PhotoPanels) -> set[str]:
    return {s.antenna_id for s in panels.to_measure if s.picked}
