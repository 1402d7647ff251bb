"""Measuring one antenna in one photo: from what is expected and where to look, to evidence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from photoaz.angles import wrap_rad
from photoaz.photo.camera import Array, Camera, rotation_cam_from_enu
from photoaz.photo.pixels import Part
from photoaz.quantities import EXACT_CORNER_PX
from photoaz.register.model import SeenView
from photoaz.vision.appearance import appearances
from photoaz.vision.box import N_PARAMETERS, Sighting, across_axis, width_across
from photoaz.vision.boxes import FitTask, Prior
from photoaz.vision.evidence import BoxMode, enlarged, mode_from_minimum, theta_of_mode
from photoaz.vision.finder import PanelCandidate
from photoaz.vision.fit import (
    FARTHEST_PX,
    TO_REST,
    Minimum,
    Pace,
    catch,
    fit_boxes,
    fit_exact_corners,
    settle_all,
)
from photoaz.vision.patch import Patch, cut_patch, enlarged_px, reduced, reduced_camera, reduced_px
from photoaz.vision.picked import mask_of, off_of, off_px, wide_px
from photoaz.vision.starts import starts_from_candidate, starts_from_corners, starts_from_seed
from photoaz.vision.trust import believed, signs_of, slip_of, trust_of
from photoaz.vision.turn import TurnDensity, density_of, facts_of, picture_of, scores_of

#: shape of radomes where nobody says more: edge radius and bulge of the front, metres (common practice, no source)
EDGE_RADIUS_M = (0.030, 0.012)
BULGE_M = (0.010, 0.006)

#: a candidate is caught first at the scale where its panel is this wide: there what is rough about it is a few pixels
CATCH_PX = 36.0
#: how far off a candidate's corners may be, as a share of the panel's width; and the least, px of the reduced picture
GUIDE_SHARE, LEAST_GUIDE_PX = 0.12, 3.2
#: edges are looked for within so many standard uncertainties of picked corners
CAUGHT_WITHIN = 1.2
#: a panel wider than twice this is measured in a reduced picture: the body's own shape limits what pixels can tell
ENOUGH_PX = 100.0
#: where only a point is marked, a box is odd by this much off the design azimuth (common practice, no source)
DESIGN_RAD = float(np.radians(15.0))
#: where less of a found panel's edge is found than this, nothing tells what was fitted (common practice, no source)
LEAST_EDGE = 0.05
#: whether a box shows its front, by what a person says is seen
_FACES: dict[SeenView, bool | None] = {"front": True, "rear": False, "profile": None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What is known of an antenna in a photo before its pixels are looked at.

    pitch, roll: the camera's attitude, with standard uncertainties. distance_m: along the line of sight; ln sigmas are
    relative. ln_size (3,): ln of width, height, depth [m]. downtilt, panel roll: of the antenna. faces_camera: whether
    its front is to be seen (None: not known), used where only a seed says where it is; design_off_rad:
    the azimuth it should have by design, off the camera's heading, likewise.
    """

    camera: Camera
    pitch_rad: float
    pitch_sigma_rad: float
    roll_rad: float
    roll_sigma_rad: float
    distance_m: float
    ln_distance_sigma: float
    ln_size: Array
    ln_size_sigma: Array
    downtilt_rad: float
    downtilt_sigma_rad: float
    panel_roll_sigma_rad: float
    faces_camera: bool | None = None
    design_off_rad: float | None = None

    def sighting(self) -> Sighting:
        """The camera's approximate attitude with its heading taken as zero."""
        return Sighting(self.camera, rotation_cam_from_enu(0.0, self.pitch_rad, self.roll_rad))

    def prior(self, centre_px: Array) -> Prior:
        """Prior of the fit about a rough centre (2,) px; the azimuth is left free."""
        mean = np.zeros(N_PARAMETERS)
        width = float(np.exp(self.ln_size[0]))
        mean[1] = self.downtilt_rad
        mean[3:5] = centre_px
        mean[5:8] = self.ln_size - np.log(self.distance_m)
        mean[8], mean[9] = EDGE_RADIUS_M[0] / width, BULGE_M[0] / width
        info = np.zeros((N_PARAMETERS, N_PARAMETERS))
        info[0, 0] = 1e-6  # a thousand radians: free, and yet solvable where the picture shows nothing at all
        # a camera whose tilt is uncertain makes every panel look tilted
        info[1, 1] = 1.0 / (self.downtilt_sigma_rad**2 + self.pitch_sigma_rad**2)
        info[2, 2] = 1.0 / (self.panel_roll_sigma_rad**2 + self.roll_sigma_rad**2)
        size_px = self.camera.f_px * float(np.exp(mean[6]))
        info[3, 3] = info[4, 4] = 1.0 / (0.5 * size_px + 10.0) ** 2
        sizes = np.diag(self.ln_size_sigma**2) + self.ln_distance_sigma**2
        info[5:8, 5:8] = np.linalg.inv(sizes)
        info[8, 8] = (width / EDGE_RADIUS_M[1]) ** 2
        info[9, 9] = (width / BULGE_M[1]) ** 2
        return Prior(mean, info, width)


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Where to look for an antenna in a photo.

    patch: its pixels. One of three says where in it: corners_px (4, 2), rough ones (corner_px: one sigma); candidate,
    a panel that the finder saw there; seed_px (2,), a point on it. side: which one a person says is seen there, None
    where nobody does. exact: the corners are to be taken as they are, not refined. shrink: the whole factor by which
    the picture is reduced to begin with, where what is rough about corners or candidate is many pixels. binned: the
    whole factor by which patch, corners and candidate are reduced already, because nothing finer is needed. turn: how
    the candidate is turned.
    """

    patch: Patch
    corners_px: Array | None = None
    corner_px: float = 0.0
    seed_px: Array | None = None
    exact: bool = False
    candidate: PanelCandidate | None = None
    shrink: int = 1
    binned: int = 1
    side: SeenView | None = None
    turn: TurnDensity | None = None

    @property
    def middle_px(self) -> Array:
        if self.corners_px is not None:
            return np.asarray(self.corners_px.mean(0))
        return np.asarray(self.seed_px if self.candidate is None else self.candidate.corners_px.mean(0))

    def task(self, prior: Prior) -> FitTask:
        """What is to be fitted here. Whoever picks corners and does not say of which side means the front's."""
        side = "front" if self.corners_px is not None and self.side is None else self.side
        reads = mask_of(side, exact=self.exact)
        return FitTask(self.patch, prior, self.corners_px, self.corner_px, reads, off_of(side))


#: what makes evidence of the minima of a look
Judge = Callable[[Sighting, tuple[Minimum, ...], Prior, Expectation, Look], tuple[BoxMode, ...]]


def look_at(
    image: Array | Part,
    expectation: Expectation,
    *,
    corners_px: Array | None = None,
    seed_px: Array | None = None,
    exact: bool = False,
    candidate: PanelCandidate | None = None,
    side: SeenView | None = None,
) -> Look:
    """Cut out what a fit needs. image: (H, W) grey or (H, W, 3) BGR, uint8, as shown; the rest as in `Look`."""
    shrink = binned = 1
    sigma = 0.0
    turn: TurnDensity | None = None
    if candidate is not None and corners_px is None:
        turn = turn_of(image, candidate, expectation)
        middle, reach = candidate.corners_px.mean(0), reach_px(candidate)
        binned = max(int(_width_px(expectation) / ENOUGH_PX), 1)
        shrink = max(int(_width_px(expectation) / binned / CATCH_PX), 1)
    elif corners_px is not None:
        middle, reach = corners_px.mean(0), 0.75 * float(np.ptp(corners_px, 0).max()) + 25.0
        sigma = EXACT_CORNER_PX if exact else off_px(corners_px)
        if not exact:
            binned = max(int(min(wide_px(corners_px), _width_px(expectation)) / ENOUGH_PX), 1)
            shrink = int(np.ceil(CAUGHT_WITHIN * sigma / binned / FARTHEST_PX))
    elif seed_px is not None:
        tall = expectation.camera.f_px * float(np.exp(expectation.ln_size[1])) / expectation.distance_m
        middle, reach = seed_px, 1.3 * tall + 25.0
    else:
        raise ValueError("measuring a box needs rough corners or a seed")
    patch = cut_patch(image, middle - reach, middle + reach)
    if binned > 1:
        patch = reduced(patch, binned)
        if corners_px is not None:
            corners_px = reduced_px(corners_px, binned)
        elif candidate is not None:
            candidate = replace(candidate, corners_px=reduced_px(candidate.corners_px, binned))
    return Look(
        patch=patch,
        corners_px=corners_px,
        corner_px=sigma / binned,
        seed_px=seed_px,
        exact=exact and corners_px is not None,
        candidate=candidate if corners_px is None else None,
        shrink=shrink,
        binned=binned,
        side=side,
        turn=turn,
    )


def reach_px(candidate: PanelCandidate) -> float:
    """Pixels are looked at up to so far from a candidate's middle, either way."""
    return 0.7 * float(np.ptp(candidate.corners_px, 0).max()) + 25.0


def turn_of(image: Array | Part, candidate: PanelCandidate, expectation: Expectation) -> TurnDensity:
    """How a panel that the finder saw in a photo is turned, as one look tells; image: (H, W) or (H, W, 3) uint8."""
    picture = picture_of(image, candidate.corners_px, reach_px(candidate))
    return density_of(scores_of(picture, turn_facts(candidate, expectation)))


def turn_facts(candidate: PanelCandidate, expectation: Expectation) -> Array:
    """What is known of a panel before one looks how it is turned (N_FACTS,), as `turn.facts_of`."""
    return facts_of(
        candidate,
        expectation.sighting(),
        distance_m=expectation.distance_m,
        ln_distance_sigma=expectation.ln_distance_sigma,
        ln_size=expectation.ln_size,
        ln_size_sigma=expectation.ln_size_sigma,
    )


def _width_px(expectation: Expectation) -> float:
    """Width of the panel, seen face-on."""
    return expectation.camera.f_px * float(np.exp(expectation.ln_size[0])) / expectation.distance_m


def measure_boxes(
    looks: Sequence[Look],
    expectations: Sequence[Expectation],
    *,
    judge: Judge | None = None,
    pace: Pace = TO_REST,
) -> list[tuple[BoxMode, ...]]:
    """Every way each antenna's box fits where one looks, best first; none where none does.

    judge: what is made of the ways (`_judged`); training looks at all of them as they are. pace: how far each is
    followed. Several antennas are much faster together where they are expected in the same photo.
    """

    def fit(sighting: Sighting, tasks: list[FitTask], some: list[int]) -> list[tuple[Minimum, ...]]:
        picked = [k for k, task in enumerate(tasks) if task.corners_px is not None]
        starts: list[list[Array]] = [[] for _ in tasks]
        for k, found in zip(picked, starts_from_corners(sighting, [tasks[k] for k in picked]), strict=True):
            starts[k] = [theta for _, theta in found]
        for k, task in enumerate(tasks):
            look, faces = looks[some[k]], expectations[some[k]].faces_camera
            if look.side is not None:
                faces = _FACES[look.side]
            if look.candidate is not None:
                starts[k] = [
                    theta for _, theta in starts_from_candidate(sighting, look.candidate, task.prior, look.turn)
                ]
            elif look.seed_px is not None and look.corners_px is None:
                found = starts_from_seed(task.patch, sighting, task.prior, faces_camera=faces)
                starts[k] = [theta for _, theta in found]
        _catch_found(sighting, tasks, [looks[k] for k in some], starts)
        _catch_picked(sighting, tasks, [looks[k] for k in some], starts)
        return fit_boxes(sighting, tasks, starts, pace=pace)

    return _measured(looks, expectations, fit, judge or _judged)


def measure_boxes_again(
    looks: Sequence[Look],
    expectations: Sequence[Expectation],
    modes: Sequence[tuple[BoxMode, ...]],
    *,
    judge: Judge | None = None,
) -> list[tuple[BoxMode, ...]]:
    """The same boxes settled once more under better expectations; none where none holds."""

    def fit(sighting: Sighting, tasks: list[FitTask], some: list[int]) -> list[tuple[Minimum, ...]]:
        thetas = [
            [theta_of_mode(sighting, enlarged(m, 1 / looks[k].binned), task.prior) for m in modes[k]]
            for task, k in zip(tasks, some, strict=True)
        ]
        return settle_all(sighting, tasks, thetas)

    return _measured(looks, expectations, fit, judge or _judged)


def _measured(
    looks: Sequence[Look],
    expectations: Sequence[Expectation],
    fit: Callable[[Sighting, list[FitTask], list[int]], list[tuple[Minimum, ...]]],
    judge: Judge,
) -> list[tuple[BoxMode, ...]]:
    """Fit all looks, those of one camera held one way together. fit: of such tasks, and which looks they are."""
    expectations = [
        replace(e, camera=reduced_camera(e.camera, look.binned)) if look.binned > 1 else e
        for look, e in zip(looks, expectations, strict=True)
    ]
    out: list[tuple[BoxMode, ...]] = [() for _ in looks]
    together: dict[tuple[Camera, float, float], list[int]] = {}
    for k, (look, e) in enumerate(zip(looks, expectations, strict=True)):
        prior = e.prior(look.middle_px)
        if look.exact and look.corners_px is not None:
            minima = fit_exact_corners(e.sighting(), look.task(prior))
            out[k] = judge(e.sighting(), minima, prior, e, look)
        else:
            together.setdefault((e.camera, e.pitch_rad, e.roll_rad), []).append(k)
    for some in together.values():
        sighting = expectations[some[0]].sighting()
        priors = [expectations[k].prior(looks[k].middle_px) for k in some]
        tasks = [looks[k].task(prior) for k, prior in zip(some, priors, strict=True)]
        for k, prior, minima in zip(some, priors, fit(sighting, tasks, some), strict=True):
            found = judge(sighting, minima, prior, expectations[k], looks[k])
            out[k] = tuple(enlarged(m, looks[k].binned) for m in found) if looks[k].binned > 1 else found
    return out


def _catch_found(
    sighting: Sighting,
    tasks: Sequence[FitTask],
    looks: Sequence[Look],
    starts: list[list[Array]],
) -> None:
    """Replace the starts of candidates by the boxes they come to: first in the reduced picture, then in finer ones."""
    for shrink in sorted({look.shrink for look in looks if look.candidate is not None}):
        these = [k for k, look in enumerate(looks) if look.candidate is not None and look.shrink == shrink]
        some = [tasks[k] for k in these]
        begin = [starts[k] for k in these]
        boxes = _far_and_near(sighting, some, [looks[k] for k in these], begin, shrink)
        for k, thetas in zip(these, _in_finer(sighting, some, boxes, shrink), strict=True):
            starts[k] = thetas or starts[k]


def _in_finer(sighting: Sighting, tasks: Sequence[FitTask], boxes: list[list[Array]], shrink: int) -> list[list[Array]]:
    """Boxes caught in a picture reduced by `shrink`, caught again in finer ones, but not in the whole one."""
    finer = shrink // 3
    while finer > 1:
        boxes = _at_scale(sighting, tasks, boxes, finer)
        finer //= 3
    return boxes


def _catch_picked(
    sighting: Sighting,
    tasks: Sequence[FitTask],
    looks: Sequence[Look],
    starts: list[list[Array]],
) -> None:
    """Put before the starts of wide panels picked by hand the boxes they come to in reduced pictures."""
    for k, (task, look) in enumerate(zip(tasks, looks, strict=True)):
        if task.corners_px is None or look.shrink == 1:
            continue
        within = CAUGHT_WITHIN * task.sigma_px / look.shrink
        boxes = _at_scale(sighting, [task], [starts[k]], look.shrink, guides=[task], farthest_px=within)
        starts[k] = _in_finer(sighting, [task], boxes, look.shrink)[0] + starts[k]


def _far_and_near(
    sighting: Sighting,
    tasks: Sequence[FitTask],
    looks: Sequence[Look],
    begin: Sequence[list[Array]],
    shrink: int,
) -> list[list[Array]]:
    """Boxes caught with a far look held by the finder's corners, and with near looks from places to either side.

    A pipe beside a panel catches the eye of a far look.
    """
    reach = GUIDE_SHARE * sighting.camera.f_px * np.exp([t.prior.mean[5] for t in tasks]) / shrink
    guides = [
        replace(
            task,
            corners_px=_guide(look.candidate),
            corner_px=max(float(own), LEAST_GUIDE_PX) * shrink,
            reads=mask_of("front", exact=True),
        )
        for task, look, own in zip(tasks, looks, reach, strict=True)
    ]
    far = _at_scale(sighting, tasks, begin, shrink, guides=guides, farthest_px=reach)
    beside = [
        [_moved(theta, share, look) for theta in some[:3] for share in (-0.1, 0.0, 0.1)]
        for look, some in zip(looks, begin, strict=True)
    ]
    near = _at_scale(sighting, tasks, beside, shrink)
    return [a + b for a, b in zip(far, near, strict=True)]


def _at_scale(
    sighting: Sighting,
    tasks: Sequence[FitTask],
    thetas: Sequence[Sequence[Array]],
    shrink: int,
    *,
    guides: Sequence[FitTask] | None = None,
    farthest_px: float | Array = FARTHEST_PX,
) -> list[list[Array]]:
    """As `catch`, in the picture reduced by a whole factor; guides: tasks whose corners hold the boxes."""

    def scaled(theta: Array, to: Callable[[Array, float], Array]) -> Array:
        out = theta.copy()
        out[3:5] = to(theta[3:5], shrink)
        return out

    small = []
    for k, task in enumerate(tasks):
        information = task.prior.information.copy()
        information[3:5] *= shrink
        information[:, 3:5] *= shrink
        prior = Prior(scaled(task.prior.mean, reduced_px), information, task.prior.width_m)
        patch = task.patch if shrink == 1 else reduced(task.patch, shrink)
        guide = guides[k] if guides is not None else None
        if guide is None or guide.corners_px is None:
            small.append(FitTask(patch, prior, None))
        else:
            corners, sigma = reduced_px(guide.corners_px, shrink), guide.sigma_px / shrink
            small.append(FitTask(patch, prior, corners, sigma, guide.reads))
    view = Sighting(reduced_camera(sighting.camera, shrink), sighting.cam_from_level) if shrink > 1 else sighting
    begin = [[scaled(theta, reduced_px) for theta in some] for some in thetas]
    caught = catch(view, small, begin, farthest_px=farthest_px)
    return [[scaled(theta, enlarged_px) for theta in some] for some in caught]


def _moved(theta: Array, share: float, look: Look) -> Array:
    """A box moved across its candidate's long axis by a share of the candidate's width."""
    assert look.candidate is not None
    c = look.candidate.corners_px
    out = theta.copy()
    out[3:5] += share * width_across(c) * across_axis(c)
    return out


def _guide(candidate: PanelCandidate | None) -> Array | None:
    """The finder's corners (4, 2) of the front, where it can tell which large face it saw."""
    if candidate is None or abs(np.cos(candidate.yaw_rad)) < 0.6 or 0.1 < candidate.front < 0.9:
        return None
    return candidate.corners_px[:4]


def _judged(
    sighting: Sighting, minima: tuple[Minimum, ...], prior: Prior, expectation: Expectation, look: Look
) -> tuple[BoxMode, ...]:
    """Evidence of each minimum, as far as it is believed."""
    modes = with_appearance([mode_from_minimum(sighting, m, prior) for m in minima], minima, look)
    if not modes or look.exact:
        return tuple(modes)
    kind = "found" if look.candidate is not None else "marked" if look.corners_px is None else "picked"
    signs = signs_of(sighting, modes, minima, prior, look.candidate, look.binned, look.turn)
    trust = trust_of(signs, kind, look.turn)
    if kind == "marked" and expectation.design_off_rad is not None:
        # a point does not say which side is seen: the design weighs between the ways, not against all of them
        penalty = [_off_design(m.theta[0] - expectation.design_off_rad) for m in minima]
        trust = [replace(t, score=t.score - 0.5 * (p - min(penalty))) for t, p in zip(trust, penalty, strict=True)]
    out = believed(modes, trust, slip_of(kind))
    # what a person marked is told, however little of it is found
    return () if kind == "found" and max(m.quality for m in out) < LEAST_EDGE else out


def _off_design(off_rad: float) -> float:
    """What it costs (-2 ln likelihood, capped) that a box is turned so far off its antenna's design azimuth."""
    return min((wrap_rad(float(off_rad)) / DESIGN_RAD) ** 2, 9.0)


def with_appearance(modes: list[BoxMode], minima: Sequence[Minimum], look: Look) -> list[BoxMode]:
    """The modes with what the photo looks like over the whole of each; exact corners ask no picture."""
    if not modes or look.exact:
        return modes
    looks = appearances(look.patch, np.stack([m.corners_px for m in modes]), minima[0].blur_px)
    return [replace(m, appearance=a) for m, a in zip(modes, looks, strict=True)]
