"""Which antenna is where in which photo: a person's picks first, then what was found and named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.naming.expected import head_guess
from photoaz.naming.model import AntennaPriors, ExpectedAntenna, KnownPhoto, Match, PhotoNaming
from photoaz.naming.together import counting, name_candidates, without_absent
from photoaz.photo.camera import Camera
from photoaz.priors import Priors
from photoaz.quantities import RADIUS_95, UNSURE_FOCAL_SHARE
from photoaz.register.model import Pick, SeenView, Site
from photoaz.vision.finder import FoundPanels, PanelCandidate, both_found, enlarged_found, find_panels
from photoaz.vision.patch import reduced_camera

Array = NDArray[Any]

#: below this probability a name is not used as if it were known
LEAST_PROBABILITY = 0.8
#: an antenna is looked for in all panels that it may be, if one of them is it with this probability; and in those that
#: are it with this one
LEAST_OF_SEVERAL, LEAST_OF_ONE = 0.5, 0.1
#: a panel is cut off where this share of its height lies beyond the frame
CUT_SHARE = 0.1
#: a focal length less sure than this is made to suit the panels found, and then as sure as the second (common practice)
FITTED_FOCAL = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelToMeasure:
    """An antenna's place in a photo, named by a person or by the pattern of all panels found.

    corners_px (4, 2): as a pick has them, None where only seed_px (2,) is known. candidate: what the finder saw there,
    None where it saw nothing. exact: the corners are not to be refined. side: the one that a person says is seen.
    match: how sure the name is, None for picks. rivals: other panels that may be this antenna instead, and how probable
    each is. others: what else than this antenna it may be, and how probable that is; None: none of them.
    """

    antenna_id: str
    corners_px: Array | None = None
    seed_px: Array | None = None
    exact: bool = False
    candidate: PanelCandidate | None = None
    side: SeenView | None = None
    match: Match | None = None
    rivals: tuple[tuple[PanelCandidate, float], ...] = ()
    others: tuple[tuple[str | None, float], ...] = ()

    @property
    def each(self) -> tuple[PanelToMeasure, ...]:
        """One for each panel that may be the antenna."""
        others = (replace(self, corners_px=c.corners_px[:4], candidate=c, rivals=()) for c, _ in self.rivals)
        return replace(self, rivals=()), *others

    @property
    def chances(self) -> tuple[float, ...]:
        """How probably each of them is the antenna."""
        return 1.0 if self.match is None else self.match.probability, *(p for _, p in self.rivals)

    @property
    def picked(self) -> bool:
        """Whether a person named it."""
        return self.match is None

    @property
    def middle_px(self) -> Array:
        """Middle of it (2,)."""
        if self.corners_px is not None:
            return np.asarray(self.corners_px.mean(0))
        assert self.seed_px is not None
        return self.seed_px


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPanels:
    """One photo's panels: those to measure, what was found (None where nothing was looked for), and its naming."""

    to_measure: tuple[PanelToMeasure, ...]
    found: FoundPanels | None = None
    naming: PhotoNaming | None = None

    def expected(self, antenna_id: str) -> ExpectedAntenna | None:
        """What the naming says of an antenna in this photo."""
        return next((e for e in self.naming.expected if e.antenna == antenna_id), None) if self.naming else None


def find_in(image: Array, photo: KnownPhoto, antennas: Sequence[AntennaPriors], site_sigma_m: float) -> FoundPanels:
    """Panels in one photo; image (H, W, 3) BGR as shown, or reduced by a whole factor; pixels are the photo's."""
    shrink = max(round(photo.camera.width_px / image.shape[1]), 1)
    camera = reduced_camera(photo.camera, shrink) if shrink > 1 else photo.camera
    found: FoundPanels | None = None
    for axis in dict.fromkeys(a.axis_m for a in antennas):
        some = [a for a in antennas if a.axis_m == axis]
        seen = find_panels(image, camera, head_guess(_seen_from(photo, camera, axis), some, site_sigma_m))
        found = seen if found is None else both_found(found, seen)
    assert found is not None
    return found if shrink == 1 else enlarged_found(found, shrink)


def _seen_from(photo: KnownPhoto, camera: Camera, axis_m: tuple[float, float]) -> KnownPhoto:
    """The photo with another camera, standing as seen from another axis."""
    place = photo.standpoint
    return replace(photo, camera=camera, standpoint=None if place is None else (place[0] - np.array(axis_m), place[1]))


def name_panels(
    photos: Sequence[KnownPhoto],
    found: Sequence[FoundPanels | None],
    site: Site,
    priors: Mapping[str, AntennaPriors],
    known: Priors | None = None,
) -> tuple[PhotoPanels, ...]:
    """Name what was found in all photos of a site together; one PhotoPanels a photo.

    photos, found : in the same order. priors : of every antenna of the site. known : of antennas in general.
    """
    found = [without_absent(f, p.picks) for p, f in zip(photos, found, strict=True)]
    candidates = [() if f is None else f.candidates for f in found]
    photos = [replace(p, camera=_with_focal(p, c, priors)) for p, c in zip(photos, candidates, strict=True)]
    antennas = list(priors.values())
    sigma = site.position_u95_m / RADIUS_95
    namings = name_candidates(photos, candidates, antennas, sigma, known) if photos else ()
    return tuple(
        PhotoPanels(to_measure=_to_measure(counting(p.picks, priors), p.camera, c, naming), found=f, naming=naming)
        for p, c, f, naming in zip(photos, candidates, found, namings, strict=True)
    )


def _with_focal(photo: KnownPhoto, candidates: Sequence[PanelCandidate], priors: Mapping[str, AntennaPriors]) -> Camera:
    """The camera; one of hardly known focal length made to show the panels found as tall as the site's are."""
    camera = photo.camera
    if camera.f_relative_sigma < UNSURE_FOCAL_SHARE or photo.standpoint is None or not candidates:
        return camera
    c = np.array([k.corners_px for k in candidates])
    tall = np.median(np.hypot(*(c[:, :2].mean(1) - c[:, 2:4].mean(1)).T))
    flat = max(float(np.hypot(*photo.standpoint[0])), 2.0)
    up = float(np.median([a.up_m for a in priors.values()])) - photo.height[0]
    height = float(np.exp(np.median([a.ln_size[1] for a in priors.values()])))
    # a plumb body of height H at a level distance is seen under H cos(e) of the slant distance flat / cos(e)
    f_px = float(tall * flat / (height * np.cos(np.arctan2(up, flat)) ** 2))
    return replace(camera, f_px=f_px, f_relative_sigma=FITTED_FOCAL)


def panel_of_pick(pick: Pick, candidate: PanelCandidate | None = None) -> PanelToMeasure:
    """The panel that a person picked; candidate: what the finder saw there, which says more than a single point."""
    corners = None if pick.corners_px is None else np.array(pick.corners_px, float)
    if corners is None and candidate is not None:
        if pick.view in ("front", "rear"):  # a person's word goes before the finder's
            candidate = replace(candidate, front=float(pick.view == "front"))
        corners = candidate.corners_px[:4]
    return PanelToMeasure(
        antenna_id=pick.antenna_id,
        corners_px=corners,
        seed_px=None if pick.seed_px is None else np.array(pick.seed_px, float),
        exact=pick.exact,
        candidate=candidate if pick.corners_px is None else None,
        side=pick.view,
    )


def _to_measure(
    picks: Sequence[Pick], camera: Camera, candidates: Sequence[PanelCandidate], naming: PhotoNaming
) -> tuple[PanelToMeasure, ...]:
    frame = np.array([camera.width_px - 1, camera.height_px - 1])
    seen_by_pick = {m.antenna: candidates[m.candidate] for m in naming.matches if m.picked}
    out = {p.antenna_id: panel_of_pick(p, seen_by_pick.get(p.antenna_id)) for p in picks}

    def whole(m: Match) -> bool:
        """Whether the frame's border leaves enough of it to fix a box."""
        c = candidates[m.candidate].corners_px
        return bool(np.maximum(-c, c - frame).max() <= CUT_SHARE * float(np.ptp(c, axis=0).max()))

    unsure = [m for m in naming.matches if not m.picked and whole(m)]
    for m in [m for m in unsure if m.antenna is not None and m.probability >= LEAST_PROBABILITY]:
        unsure.remove(m)
        if m.antenna is not None and m.antenna not in out:
            seen = candidates[m.candidate]
            out[m.antenna] = PanelToMeasure(
                antenna_id=m.antenna, corners_px=seen.corners_px[:4], candidate=seen, match=m, others=m.alternatives
            )
    for antenna in (e.antenna for e in naming.expected if e.antenna not in out):
        some = [(m, p) for m in unsure if (p := m.chance(antenna)) >= LEAST_OF_ONE]
        if sum(p for _, p in some) >= LEAST_OF_SEVERAL:
            some.sort(key=lambda one: (-one[1], one[0].antenna != antenna, one[0].candidate))
            out[antenna] = _one_of(antenna, some, candidates)
    return tuple(out.values())


def _one_of(antenna: str, some: Sequence[tuple[Match, float]], candidates: Sequence[PanelCandidate]) -> PanelToMeasure:
    """An antenna that is one of some panels, the likeliest first, or none of them."""
    (match, chance), *rest = some
    seen = candidates[match.candidate]
    named = [(name, p) for name, p in ((match.antenna, match.probability), *match.alternatives) if name != antenna]
    return PanelToMeasure(
        antenna_id=antenna,
        corners_px=seen.corners_px[:4],
        candidate=seen,
        match=replace(match, antenna=antenna, probability=chance, ambiguous=True, alternatives=tuple(named)),
        rivals=tuple((candidates[m.candidate], p) for m, p in rest),
        others=((None, max(1.0 - sum(p for _, p in some), 0.0)),),
    )
