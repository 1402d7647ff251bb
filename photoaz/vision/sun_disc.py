"""The sun as a burnt-out disc: every burnt-out patch judged by the light about it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from photoaz.photo.camera import Array, directions_from_pixels
from photoaz.vision.sun_view import (
    BURNT,
    DEG,
    FLOOR_RAD,
    ReducedPhoto,
    SunGuess,
    SunSpot,
    about,
    is_expected,
    spot_at,
    widest_gap,
)

#: a burnt-out core is no smaller: the sun's disc of 0.27 degrees, less what blur takes off its edge
LEAST_CORE_RAD = 0.09 * DEG
#: a burnt-out patch of a larger radius has no centre worth telling
LARGEST_CORE_RAD = 6.0 * DEG
#: reasons that leave open what a patch is
CUT_OFF = ("too little of what surrounds it lies in the frame", "too little of the glow about it shows")
#: rays cast about a centre, how far and how finely
_RAYS = 64
_RHO = np.arange(0.0, 12.0, 0.1) * DEG
#: of the rays that stay in the frame, the share along which the light must fall; and the arc they must span
_GLOW_SHARE, _GLOW_ARC, _GLOW_GAP = 0.55, 0.36, 0.56
#: levels by which the light falls from half a degree to three degrees outside the burnt-out core
_LEAST_FALL, _LEAST_LEVEL = 6.0, 90.0
#: scatter of the light at one distance, and what of the fall must be left beyond one degree, relative to the fall
_UNEVEN, _TAIL = 0.09, 0.2
#: levels of noise left in the reduced picture
_NOISE = 0.8
#: scatter of the core's edge about a circle, relative to its radius: suns seldom show more than a fiftieth
_LEAST_ROUND, _VERY_ROUND = 0.05, 0.02


@dataclass(frozen=True, slots=True)
class RefusedPatch:
    """A burnt-out patch that was not taken for the sun: its middle (2,), its size, and why."""

    pixel: Array
    radius_rad: float
    why: str


@dataclass(frozen=True, slots=True)
class BurntPatches:
    """Burnt-out patches: those that look like the sun, and where the others lie (2,) and why they do not."""

    spots: list[SunSpot]
    refused: list[RefusedPatch]

    def reason(self, view: ReducedPhoto, guess: SunGuess) -> str | None:
        for r in self.refused:
            if is_expected(view.camera, guess, SunSpot(pixel=r.pixel, sigma_px=0.0, what="disc", radius_rad=0.0)):
                return r.why
        return None


def burnt_discs(view: ReducedPhoto, guess: SunGuess | None) -> BurntPatches:
    """Every burnt-out patch judged, the largest first; with a guess, those within its reach."""
    f = view.camera.f_px / float(view.per_px.mean())
    white = (view.levels >= BURNT).view(np.uint8)
    x0, y0, wide, tall = cv2.boundingRect(white)
    if wide == 0:
        return BurntPatches([], [])
    white = white[y0 : y0 + tall, x0 : x0 + wide]
    # a bar before the sun cuts its disc in two
    size = 2 * round(0.35 * DEG * f) + 1
    closed = cv2.morphologyEx(white, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    count, _, stats, centroids = cv2.connectedComponentsWithStats(closed, connectivity=8)
    order = 1 + np.argsort(-stats[1:count, cv2.CC_STAT_AREA])
    spots: list[SunSpot] = []
    refused: list[RefusedPatch] = []
    for k in order[:12]:
        radius = float(np.sqrt(stats[k, cv2.CC_STAT_AREA] / np.pi)) / f
        at = view.whole(centroids[k] + [x0, y0])
        if radius < 0.6 * LEAST_CORE_RAD:
            break
        if guess is not None:
            grown = SunSpot(pixel=at, sigma_px=(radius + 0.5 * DEG) * view.camera.f_px, what="disc", radius_rad=radius)
            if not is_expected(view.camera, guess, grown):
                continue
        if radius > LARGEST_CORE_RAD:
            refused.append(RefusedPatch(at, radius, "the sky there is burnt out"))
            continue
        spot = _disc(view, at, radius)
        if isinstance(spot, SunSpot):
            spots.append(spot)
        else:
            refused.append(RefusedPatch(at, radius, spot))
    return BurntPatches(spots, refused)


def _disc(view: ReducedPhoto, at: Array, radius: float) -> SunSpot | str:
    """A burnt-out patch about a pixel, judged by the light about it; or why it is not the sun."""
    phi = np.arange(_RAYS) * 2 * np.pi / _RAYS
    unit = np.stack([np.cos(phi), np.sin(phi)], -1)
    sight = directions_from_pixels(view.camera, at)
    centre, fitted = np.zeros(2), None
    for _ in range(4):
        sight = about(sight, centre)
        levels = view.sample(about(sight, _RHO[None, :, None] * unit[:, None, :]))
        edge = _edges(levels, min(2.5 * radius + 0.5 * DEG, 9.0 * DEG))
        glow, framed, fall, near = _glowing(levels, edge)
        if framed.sum() < 10:
            return CUT_OFF[0]
        if glow.sum() < 10 or glow.sum() < _GLOW_SHARE * framed.sum():
            return "what is bright there has no glow about it"
        if glow.sum() < _GLOW_ARC * _RAYS or widest_gap(glow) > _GLOW_GAP:
            return CUT_OFF[1]
        fitted = _circle(edge[glow, None] * unit[glow])
        if fitted is None:
            return "what is bright there is not round"
        centre, radius = fitted.centre, fitted.radius
        if np.hypot(*centre) < 0.005 * DEG:
            break
    assert fitted is not None
    if np.median(fall[glow]) < _LEAST_FALL or np.median(near[glow]) < _LEAST_LEVEL:
        return "the light about what is bright there does not fall off as about the sun"
    if radius < LEAST_CORE_RAD:
        return "what is bright there is smaller than the sun"
    if radius > LARGEST_CORE_RAD:
        return "the sky there is burnt out"
    if fitted.scatter > max(_LEAST_ROUND * radius, 0.012 * DEG):
        return "what is bright there is not round"
    uneven, tail = _evenness(levels[glow], edge[glow], radius)
    # clouds beside it are allowed where the core is as round as only the sun's is
    round_core = fitted.scatter < _VERY_ROUND * radius and radius > 0.4 * DEG
    if uneven > max((2.5 if round_core else 1.0) * _UNEVEN * np.median(fall[glow]), _NOISE):
        return "the light about what is bright there is uneven, as of a cloud"
    if tail < max(3.0, _TAIL * np.median(fall[glow])):
        return "what is bright there has no glow about it"
    # a second look further out: light of one source has one centre
    outer = _outer(levels, edge, glow, fall)
    shift = 0.0
    if outer is not None:
        second = _circle(outer[0][:, None] * unit[outer[1]])
        if second is None or second.scatter > 0.15 * second.radius:
            return "the light about what is bright there does not fall off as about the sun"
        shift = float(np.hypot(*(second.centre - centre)))
        if shift > 0.2 * second.radius + 0.1 * DEG:
            return "the light about what is bright there has another centre"
    sigma = float(np.sqrt(fitted.sigma**2 + (0.05 * radius) ** 2 + (0.15 * shift) ** 2 + FLOOR_RAD**2))
    end = about(sight, centre)
    return spot_at(view, end, sigma, "disc", radius)


def _edges(levels: Array, reach: float) -> Array:
    """Angle (rays,) at which each ray leaves the burnt-out core for good; NaN where it never was in."""
    within = reach >= _RHO
    lit = (np.nan_to_num(levels) >= BURNT) & within
    last = lit.shape[1] - 1 - np.argmax(lit[:, ::-1], 1)
    rows = np.arange(len(levels))
    nxt = np.minimum(last + 1, lit.shape[1] - 1)
    a, b = levels[rows, last], levels[rows, nxt]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((a - BURNT) / np.maximum(a - b, 1e-3), 0.0, 1.0)
    out = _RHO[last] + share * (_RHO[1] - _RHO[0])
    return np.where(lit.any(1) & np.isfinite(b) & (_RHO[nxt] <= reach + 1e-9), out, np.nan)


def _glowing(levels: Array, edge: Array) -> tuple[Array, Array, Array, Array]:
    """Light about a core along rays: levels (rays, rho), edge (rays,) of the core.

    Which rays show light that falls off without a step; which lie in the frame far enough to tell; the fall from near
    the core to three degrees off it; and the level near it; all (rays,).
    """
    beyond = _RHO[None, :] - edge[:, None]
    seen = np.isfinite(levels)
    near_at, far_at = (beyond > 0.3 * DEG) & (beyond <= 0.8 * DEG), (beyond > 2.3 * DEG) & (beyond <= 3.3 * DEG)
    framed = (seen | ~near_at).all(1) & ((seen & far_at).sum(1) >= 5) & near_at.any(1)
    near, far = _mean(levels, near_at), _mean(levels, far_at)
    fall = near - far
    span = 3  # samples: 0.3 degrees
    drop = np.full_like(levels, 0.0)
    drop[:, :-span] = levels[:, :-span] - levels[:, span:]
    between = (beyond > 0.3 * DEG) & (beyond <= 3.0 * DEG) & np.isfinite(drop)
    step = np.where(between, drop, 0.0).max(1)
    rise = np.where(between, -drop, 0.0).max(1)
    with np.errstate(invalid="ignore"):
        smooth = (step <= np.maximum(20.0, 0.6 * fall)) & (rise <= np.maximum(12.0, 0.25 * fall))
        glow = framed & np.isfinite(edge) & (fall >= 0.5 * _LEAST_FALL) & smooth
        if glow.any():  # something dark before it ends the core in place of its own edge
            glow &= near > np.median(near[glow]) - 25.0
    return glow, framed, np.nan_to_num(fall), np.nan_to_num(near)


def _evenness(levels: Array, edge: Array, radius: float) -> tuple[float, float]:
    """Scatter of levels (rays, rho) at one distance from the centre, and by how much they still fall farther out.

    The scatter is the middle one of those at three distances; the fall is from one degree to three outside the core.
    """
    spreads = []
    for beyond in (1.0, 2.0, 3.0):
        column = levels[:, min(int((radius + beyond * DEG) / (_RHO[1] - _RHO[0])), len(_RHO) - 1)]
        column = column[np.isfinite(column)]
        if len(column) >= 8:
            spreads.append(1.4826 * float(np.median(np.abs(column - np.median(column)))))
    off = _RHO[None, :] - edge[:, None]
    tail = _mean(levels, (off > 1.0 * DEG) & (off <= 1.5 * DEG)) - _mean(levels, (off > 2.7 * DEG) & (off <= 3.3 * DEG))
    return (float(np.median(spreads)) if spreads else np.inf), float(np.median(tail))


def _mean(levels: Array, where: Array) -> Array:
    ok = where & np.isfinite(levels)
    return np.asarray(np.where(ok, levels, 0.0).sum(1) / np.maximum(ok.sum(1), 1))


def _outer(levels: Array, edge: Array, glow: Array, fall: Array) -> tuple[Array, Array] | None:
    """Angles at which rays of the glow pass the level half way down it, and which rays; None where few do."""
    beyond = _RHO[None, :] - edge[:, None]
    far = _mean(levels, (beyond > 2.3 * DEG) & (beyond <= 3.3 * DEG))
    half = BURNT - 0.5 * float(np.median(BURNT - np.nan_to_num(far)[glow]))
    rays = np.flatnonzero(glow)
    below = (levels[rays] < half) & (_RHO[None, :] > edge[rays, None])
    hit = below.any(1)
    if hit.sum() < 12:
        return None
    first = np.argmax(below[hit], 1)
    return _RHO[first], rays[hit]


@dataclass(frozen=True, slots=True)
class _Circle:
    """centre (2,), radius, scatter of the points about it, standard uncertainty of the centre, in one unit."""

    centre: Array
    radius: float
    scatter: float
    sigma: float


def _circle(points: Array) -> _Circle | None:
    """A circle through points (N, 2), robust; neighbouring points err alike, so that four count for one."""
    if len(points) < 8:
        return None
    centre = points.mean(0)
    radius = float(np.median(np.hypot(*(points - centre).T)))
    j = np.empty((len(points), 3))
    weight = np.ones(len(points))
    residual = np.zeros(len(points))
    for _ in range(15):
        d = points - centre
        r = np.maximum(np.hypot(*d.T), 1e-9)
        residual = r - radius
        j[:, :2], j[:, 2] = d / r[:, None], 1.0
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-5)
        weight = 1.0 / (1.0 + (residual / (2.0 * scale)) ** 2)
        normal = (j * weight[:, None]).T @ j + 1e-9 * np.eye(3)
        step = np.linalg.solve(normal, (j * weight[:, None]).T @ residual)
        centre, radius = centre + step[:2], radius + float(step[2])
        if not np.isfinite(step).all() or radius <= 0:
            return None
        if np.abs(step).max() < 1e-7:
            break
    scatter = 1.4826 * float(np.median(np.abs(residual)))
    covariance = np.linalg.inv(normal) * 4.0 * max(scatter, 0.02 * DEG) ** 2
    return _Circle(centre, radius, scatter, float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1])))
