"""Starts of a fit: boxes of the expected size from rough corners, from what the finder saw, or from a single point.

Every function gives (cost, theta) of boxes theta (N_PARAMETERS,), the best first; costs compare within one antenna.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import cv2
import numpy as np

from photoaz.angles import wrap_rad
from photoaz.photo.camera import Array, directions_from_pixels
from photoaz.vision.box import (
    N_PARAMETERS,
    Sighting,
    across_axis,
    body_derivative,
    corner_derivative,
    facing,
    front_off_sight,
    ideal_corners_px,
    long_axis,
    view_of,
    width_across,
)
from photoaz.vision.boxes import FitBatch, FitTask, Prior, solve_each
from photoaz.vision.finder import PanelCandidate
from photoaz.vision.outline import INNER_LOWER, N_EDGES, sample_edges
from photoaz.vision.patch import Patch
from photoaz.vision.picked import READINGS, wide_px
from photoaz.vision.turn import TurnDensity

Start = tuple[float, Array]

# ---------------------------------------------------------------------------------------------------------------------
# From rough corners of a face or of the whole outline

#: azimuths off the camera's heading that a fit is started from
STARTS_RAD = np.radians(np.arange(-165.0, 181.0, 30.0))
_STARTS_SMALL_RAD = np.radians(np.arange(-170.0, 181.0, 20.0))
#: a front picked narrower than this [px] does not fix the azimuth to begin with: starts are held this near to theirs
_SMALL_PX, _HELD_SMALL_RAD = 30.0, 0.1
#: starts from rough corners that are followed up; a small panel has two more
_MOST_FROM_CORNERS = 4
_FARTHEST_TO_CORNERS = np.array([0.35, 0.1, 0.1, 20, 20, 0.3, 0.3, 0.3, 0.05, 0.02])


def starts_from_corners(sighting: Sighting, tasks: Sequence[FitTask]) -> list[list[Start]]:
    """Boxes that suit each task's rough corners, whatever these may be; at least one each. All tasks have corners."""
    each = np.eye(len(READINGS), dtype=bool)
    one_way = [(k, replace(t, reads=read)) for k, t in enumerate(tasks) for read in each[t.reads]]
    if not tasks:
        return []
    of, alone = [k for k, _ in one_way], [t for _, t in one_way]
    found = minima_of_corners(sighting, alone)
    small = [k for k, t in enumerate(alone) if t.corners_px is not None and wide_px(t.corners_px) < _SMALL_PX]
    if small:
        # a few pixels' error of a corner turns a small panel by tens of degrees: the picture has to decide
        held = minima_of_corners(sighting, [alone[k] for k in small], _STARTS_SMALL_RAD, hold_rad=_HELD_SMALL_RAD)
        for k, more in zip(small, held, strict=True):
            found[k] = sorted(found[k] + more, key=lambda s: s[0])
    off = iter(front_off_sight(sighting, np.stack([theta for starts in found for _, theta in starts])))
    out: list[list[Start]] = [[] for _ in tasks]
    for k, starts in enumerate(found):
        # somebody saw that side of it
        low, high = alone[k].off_rad
        starts = [s for s, o in zip(starts, off, strict=False) if low <= o < high] or starts[:1]
        out[of[k]] += [s for s in starts if s[0] < starts[0][0] + 30.0][: _MOST_FROM_CORNERS + 2 * (k in small)]
    return [sorted(starts, key=lambda s: s[0]) for starts in out]


def minima_of_corners(
    sighting: Sighting, tasks: Sequence[FitTask], starts_rad: Array = STARTS_RAD, *, hold_rad: float | None = None
) -> list[list[Start]]:
    """Minima of the misfit of each task's corners from several azimuths, near-equal ones merged.

    hold_rad: keeps each start's azimuth, with this standard uncertainty, instead of letting the corners decide it.
    """
    many = len(starts_rad)
    batch = FitBatch.of(tasks, [[t.prior.mean] * many for t in tasks], 0.0)
    # the body's own points are asked for an outline alone
    points = body_derivative if batch.reads[:, READINGS.index("outline")].any() else corner_derivative

    def equations(theta: Array) -> tuple[Array, Array]:
        here = replace(batch, theta=theta)
        said = here.corner_terms(points(sighting, theta))
        return said.normal + batch.information, said.right + here.prior_pull()

    theta = batch.mean.copy()
    theta[:, 0] = np.tile(starts_rad, len(tasks))
    theta[:, 3:5] = batch.corners_px.mean(1)
    theta = _approach(theta, equations, hold_rad, _FARTHEST_TO_CORNERS)
    there = replace(batch, theta=theta)
    cost = there.corner_terms(points(sighting, theta)).cost + there.prior_cost()
    found = [(float(c), t) for c, t in zip(cost, theta, strict=True)]
    return [_differing(found[k : k + many], 0.05) for k in range(0, len(found), many)]


def _approach(
    theta: Array, equations: Callable[[Array], tuple[Array, Array]], hold_rad: float | None, longest: Array
) -> Array:
    """Boxes theta (B, P) brought by eight Gauss-Newton steps, none longer than (P,), to where their equations balance.

    equations: normal equations (B, P, P), (B, P) at boxes. hold_rad: each azimuth is held where it is with this
    standard uncertainty.
    """
    azimuth = theta[:, 0].copy()
    held = np.zeros(N_PARAMETERS)
    held[0] = 0.0 if hold_rad is None else 1.0 / hold_rad**2
    for _ in range(8):
        n, g = equations(theta)
        g[:, 0] += held[0] * (azimuth - theta[:, 0])
        theta = theta + np.clip(solve_each(n + np.diag(held), g), -longest, longest)
    return theta


def _differing(found: list[Start], turn_rad: float) -> list[Start]:
    """The boxes, best first, that are turned by more than this against all better ones."""
    kept: list[Start] = []
    for cost, theta in sorted(found, key=lambda s: s[0]):
        if all(abs(wrap_rad(theta[0] - t[0])) > turn_rad for _, t in kept):
            kept.append((cost, theta))
    return kept


# ---------------------------------------------------------------------------------------------------------------------
# From what the finder saw

#: standard uncertainty of the finder's corners, as a share of the panel's width as seen, and along its height
ACROSS_SHARE, ALONG_SHARE = 0.12, 0.18
#: starts that are followed up
MOST = 5
#: standard uncertainty of the finder's word on how a panel is turned
YAW_RAD = float(np.radians(15.0))
#: -2 ln likelihood that no turn costs more than
MOST_SIDE = 12.0
_STEP = np.array([1e-4, 1e-4, 1e-4, 1e-2, 1e-2, 1e-4, 1e-4, 1e-4, 1e-3, 1e-3])
_PERTURB = np.concatenate([np.zeros((1, N_PARAMETERS)), np.diag(_STEP)])
_LONGEST = np.array([0.35, 0.1, 0.1, 40, 40, 0.3, 0.3, 0.3, 0.05, 0.02])
_AZIMUTHS = np.radians(np.arange(-165.0, 181.0, 30.0))
#: turns about the best start that are tried as well, held there: rough corners hardly tell a small yaw's sign
_TURNS = np.radians([-30.0, -15.0, 15.0, 30.0])
_HELD_RAD = 0.08
#: corners of a box mirrored about the plane of its side, and turned by half a turn
_SAME_SIDE, _OTHER_SIDE = [1, 0, 3, 2, 5, 4, 7, 6], [5, 4, 7, 6, 1, 0, 3, 2]
#: -2 ln likelihood from which the corners make no box: near the profile the finder mixes up which face is the near one
MISFIT = 30.0
_WIDE_TURNS = np.radians([-60.0, -40.0, -25.0, -12.0, 0.0, 12.0, 25.0, 40.0, 60.0])


def starts_from_candidate(
    sighting: Sighting, candidate: PanelCandidate, prior: Prior, turn: TurnDensity | None = None
) -> list[Start]:
    """Boxes (cost, theta) that suit the finder's corners, best first; at least one.

    Least squares on all eight corners from azimuths all round, then from turns about the best and those that `turn`
    finds likely; what is said of the panel's turn counts.
    """
    free: list[Start] = []
    best_px, best = candidate.corners_px, (np.inf, prior.mean)
    for px in _namings(candidate):
        settled = [
            (c + side_cost(sighting, candidate, t, turn), t) for c, t in _settled(sighting, px, prior, _AZIMUTHS, None)
        ]
        here = min(settled, key=lambda s: s[0])
        if here[0] < best[0]:
            free, best, best_px = settled, here, px
    if best[0] > MISFIT:
        return _by_turn(sighting, candidate, prior, turn)
    azimuths = best[1][0] + _TURNS
    if turn is not None:
        azimuths = np.append(azimuths, _towards(sighting, candidate) + turn.peaks_rad)
    turned = _settled(sighting, best_px, prior, azimuths, _HELD_RAD)
    found = free + [(c + side_cost(sighting, candidate, t, turn), t) for c, t in turned]
    kept = _differing(found, 0.09)
    return [s for s in kept if s[0] < kept[0][0] + 25.0][:MOST]


def _towards(sighting: Sighting, candidate: PanelCandidate) -> float:
    """Azimuth from a candidate to the camera, off the camera's heading."""
    sight = sighting.cam_from_level.T @ directions_from_pixels(sighting.camera, candidate.corners_px.mean(0))
    return float(np.arctan2(-sight[0], -sight[1]))


def _by_turn(sighting: Sighting, candidate: PanelCandidate, prior: Prior, said: TurnDensity | None) -> list[Start]:
    """Boxes of the expected size about the candidate's middle, turned by about as much as is said."""
    towards = _towards(sighting, candidate)
    yaw = candidate.yaw_rad if said is None else said.best_rad
    out = []
    for turn in _WIDE_TURNS:
        theta = prior.mean.copy()
        theta[0] = towards + yaw + turn
        theta[3:5] = candidate.corners_px.mean(0)
        out.append((side_cost(sighting, candidate, theta, said), theta))
    return sorted(out, key=lambda s: s[0])


def _namings(candidate: PanelCandidate) -> list[Array]:
    """The finder's corners (8, 2), front first; nearly in profile, which upright edge is whose is open.

    Then the near large face may be the front or the rear with the panel's same side in view (its upright edges change
    places), or the panel may be seen from its other side (all change places with those opposite).
    """
    px = candidate.corners_px
    in_profile = abs(np.cos(candidate.yaw_rad)) < 0.6 or 0.1 < candidate.front < 0.9
    return [px, px[_SAME_SIDE], px[_OTHER_SIDE]] if in_profile else [px]


def side_cost(sighting: Sighting, candidate: PanelCandidate, theta: Array, turn: TurnDensity | None = None) -> float:
    """What it costs (-2 ln likelihood, capped) that a box does not look the way the panel was seen turned.

    theta (N_PARAMETERS,): the box as the fit has it. turn: how it is turned; where nobody asked, the finder says.
    """
    sight = sighting.cam_from_level.T @ directions_from_pixels(sighting.camera, theta[3:5])
    yaw = theta[0] - np.arctan2(-sight[0], -sight[1])
    if turn is not None:
        return float(min(2.0 * (turn.ln.max() - turn.at(yaw)), MOST_SIDE))
    off = wrap_rad(yaw - candidate.yaw_rad)
    towards = float(facing(sighting, theta))
    share = candidate.front if towards > 0 else 1.0 - candidate.front
    # seen nearly in profile, front and rear are a matter of words
    weight = min(abs(towards) / 0.3, 1.0)
    return float(min((off / YAW_RAD) ** 2, 9.0) - weight * np.log(np.clip(share, 0.01, 1.0)))


def _settled(
    sighting: Sighting, corners_px: Array, prior: Prior, azimuths: Array, hold_rad: float | None
) -> list[Start]:
    """Least squares on all eight corners (8, 2) from azimuths (A,): (cost, theta) of each, in their order."""
    wide = max(width_across(corners_px), 6.0)
    # whitening of a corner's error: across the panel, and along it
    whiten = np.stack([across_axis(corners_px) / (ACROSS_SHARE * wide), long_axis(corners_px) / (ALONG_SHARE * wide)])
    theta = np.repeat(prior.mean[None], len(azimuths), 0)
    theta[:, 0] = azimuths
    theta[:, 3:5] = corners_px.mean(0)
    information = prior.information.copy()
    information[3:5], information[:, 3:5] = 0.0, 0.0
    information[[3, 4], [3, 4]] = 1e-6

    def equations(theta: Array) -> tuple[Array, Array]:
        px = ideal_corners_px(sighting, theta[:, None] + _PERTURB)  # (A, 1 + P, 8, 2)
        res = ((corners_px - px[:, 0]) @ whiten.T).reshape(len(theta), 16)
        jac = ((px[:, 1:] - px[:, :1]) @ whiten.T).reshape(len(theta), N_PARAMETERS, 16) / _STEP[:, None]
        pull = (theta - prior.mean) @ information
        return jac @ np.swapaxes(jac, -1, -2) + information, (jac @ res[..., None])[..., 0] - pull

    theta = _approach(theta, equations, hold_rad, _LONGEST)
    res = (corners_px - ideal_corners_px(sighting, theta)) @ whiten.T
    dp = theta - prior.mean
    cost = (res**2).sum((1, 2)) / 2.0 + ((dp @ information) * dp).sum(1)  # a box's eight corners err together
    return [(float(c), t) for c, t in zip(cost, theta, strict=True)]


# ---------------------------------------------------------------------------------------------------------------------
# From a single point

_QUARTER = np.pi / 2
#: how much each edge counts: the upright inner edges often have no contrast, the cap's rim nearly always
_WEIGHT = np.array([1.0, 1.0, 0.7, 0.7, 0.0, 0.0, 0.7, 0.0])

#: width of the panel in the picture that is searched
SEARCH_PX = 28.0
#: azimuths that are tried from a single point, and starts that are kept
_TRIED, _KEPT = 20, 10


def starts_from_seed(
    patch: Patch, sighting: Sighting, prior: Prior, *, faces_camera: bool | None = None
) -> list[Start]:
    """The best (cost, theta) over azimuths, sizes and places of the box that still hold the seed, best first.

    The score of a place is the mean gradient across each edge, every sample capped, so that a long bright edge of
    something else does not outweigh the rest. faces_camera: only boxes that show their front (or only their rear).
    """
    crop = patch.pixels[..., 0]
    if min(crop.shape[:2]) < 8:
        return []
    # at the scale where the panel is about 28 px wide: nothing finer is needed to find it
    shrink = min(1.0, SEARCH_PX / (sighting.camera.f_px * float(np.exp(prior.mean[5]))))
    small = cv2.resize(crop, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(small, (0, 0), 1.0)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(smooth, cv2.CV_32F, 0, 1) / 8
    cap = float(np.percentile(np.hypot(gx, gy), 90)) + 2.0
    found: list[Start] = []
    for azimuth in np.arange(_TRIED) * 2 * np.pi / _TRIED:
        for ln_scale in (-0.06, 0.0, 0.06):
            theta = prior.mean.copy()
            theta[0] = azimuth
            theta[5:8] += ln_scale
            off = front_off_sight(sighting, theta)
            if faces_camera is not None and (off < _QUARTER + 0.1) != faces_camera:
                continue
            found += _places(theta, sighting, (gx, gy), patch.origin_px, shrink, cap)
    found.sort(key=lambda f: f[0])
    kept: list[Start] = []
    for cost, theta in found:
        if all(abs(theta[0] - t[0]) > 0.1 or np.abs(theta[3:5] - t[3:5]).max() > 3.0 for _, t in kept):
            kept.append((cost, theta))
        if len(kept) == _KEPT:
            break
    return kept


def _places(
    theta: Array,
    sighting: Sighting,
    gradient: tuple[Array, Array],
    origin_px: tuple[int, int],
    shrink: float,
    cap: float,
) -> list[Start]:
    """The two best places of one box within reach of the seed: (cost, theta)."""
    size_px = sighting.camera.f_px * np.exp(theta[5:7])  # width, height
    samples = sample_edges(view_of(sighting, theta), blur_px=1.0, max_per_edge=36)
    if (samples.edge < 4).sum() < 8:
        return []
    step = 1.3 / shrink
    across = np.arange(-0.5 * size_px[0], 0.5 * size_px[0] + step, step)
    along = np.arange(-0.5 * size_px[1], 0.5 * size_px[1] + step, 2.0 * step)
    shift = np.stack(np.meshgrid(across, along), -1).reshape(-1, 2)
    # the shrunk image's pixel centres lie at (x + 0.5) / shrink - 0.5 of the patch
    at = ((samples.x_px[None] + shift[:, None] - origin_px + 0.5) * shrink - 0.5).astype(np.float32)
    sx, sy = (cv2.remap(g, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT) for g in gradient)
    strength = np.minimum(np.abs(sx * samples.normal[:, 0] + sy * samples.normal[:, 1]), cap)
    length = np.bincount(samples.edge, samples.spacing_px, N_EDGES)
    there = (length > 0) & (_WEIGHT > 0)
    there[INNER_LOWER] &= length[INNER_LOWER] > 2.0
    weight = _WEIGHT[samples.edge] * samples.spacing_px / np.maximum(length, 1e-9)[samples.edge]
    score = strength @ weight / _WEIGHT[there].sum()
    out: list[Start] = []
    for k in np.argsort(-score):
        if out and np.abs(out[0][1][3:5] - theta[3:5] - shift[k]).max() < 0.2 * size_px[0]:
            continue
        placed = theta.copy()
        placed[3:5] += shift[k]
        out.append((-float(score[k]), placed))
        if len(out) == 2:
            break
    return out
