"""The sun as a glow without a burnt-out disc: a round rise fitted to the sky about where it should be."""

from __future__ import annotations

from dataclasses import dataclass, replace

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
    within_reach,
)

#: the window about a glow, half its side and the grid's step
_WINDOW_RAD, _STEP_RAD = 10.0 * DEG, 0.7 * DEG
#: a glow's radius; a wider one has no centre worth telling
_GLOW_RADII = (1.5 * DEG, 7.0 * DEG)
#: levels that it must rise above the sky, and the share of the sky's variance that it must explain
_GLOW_RISE, _GLOW_EXPLAINS = 25.0, 0.93
_GLOW_PEAK = 170.0
#: a glow whose centre is less sure tells nothing
GLOW_SIGMA_RAD = 1.0 * DEG


def find_glow(view: ReducedPhoto, guess: SunGuess) -> SunSpot | str:
    """A round glow fitted to the sky where it is brightest within reach; or why there is none."""
    rows, cols = view.levels.shape
    step = max(1, round(0.5 * DEG * view.camera.f_px / float(view.per_px.mean())))
    small = cv2.resize(view.levels, (max(cols // step, 8), max(rows // step, 8)), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), 1.25)
    sh, sw = blurred.shape
    y, x = np.mgrid[0:sh, 0:sw]
    px = (np.stack([x, y], -1) + 0.5) * [view.camera.width_px / sw, view.camera.height_px / sh] - 0.5
    allowed = within_reach(view.camera, guess, px, DEG, DEG)
    if not allowed.any():
        return "it stood outside the frame"
    k = int(np.argmax(np.where(allowed, blurred, -1.0)))
    top = float(blurred.flat[k])
    reach = round(2.0 / 0.5)
    around = blurred[max(k // sw - reach, 0) : k // sw + reach + 1, max(k % sw - reach, 0) : k % sw + reach + 1]
    if top < 0.9 * _GLOW_PEAK or around.max() > top + 3.0:
        return "nothing there glows like it"
    start = directions_from_pixels(view.camera, px.reshape(-1, 2)[k])
    half = round(_WINDOW_RAD / _STEP_RAD)
    grid = np.arange(-half, half + 1) * _STEP_RAD
    fits: list[_Glow] = []
    sight = start
    for _ in range(2):
        at = np.stack(np.meshgrid(grid, grid), -1).reshape(-1, 2)
        at = at[np.hypot(*at.T) <= _WINDOW_RAD]
        levels = view.sample(about(sight, at))
        ok = np.isfinite(levels)
        if ok.sum() < 0.3 * len(at):
            return "too little of the sky about it lies in the frame"
        levels, at = levels[ok], at[ok]
        if (levels >= BURNT).mean() > 0.4:
            return "the sky there is burnt out"
        first = _fit_glow(at, levels, "cusp")
        if first is None or first.rise < 0.5 * _GLOW_RISE or first.explains < 0.7:
            return "nothing there glows like it"
        second = _fit_glow(at, levels, "bell", first) if np.hypot(*first.centre) < 1.5 * DEG else None
        fits = [first] if second is None else [first, second]
        fits.sort(key=lambda f: f.misfit)
        if np.hypot(*fits[0].centre) > _WINDOW_RAD:
            return "nothing there glows like it"
        moved = float(np.hypot(*fits[0].centre))
        sight = about(sight, fits[0].centre)
        fits = [replace(f, centre=f.centre - fits[0].centre) for f in fits]
        if moved < 1.5 * DEG:
            break
    best = fits[0]
    other = float(np.hypot(*(fits[-1].centre - best.centre))) if len(fits) > 1 else 0.5 * best.radius
    if not best.is_a_suns():
        return "nothing there glows like it"
    sigma = float(np.sqrt(best.sigma**2 + (0.05 * best.radius) ** 2 + (0.5 * other) ** 2 + FLOOR_RAD**2))
    if sigma > GLOW_SIGMA_RAD:
        return "its glow is too wide to tell where it stood"
    spot = spot_at(view, sight, sigma, "glow", best.radius)
    return spot if is_expected(view.camera, guess, spot) else "nothing there glows like it"


@dataclass(frozen=True, slots=True)
class _Glow:
    """A glow fitted.

    centre (2,) and radius [rad]; rise and peak [levels]; misfit: rms [levels]; explains: share of the sky's variance
    beyond a plane; used: share of the window; sigma: of the centre [rad]; arc: seen on enough sides.
    """

    centre: Array
    radius: float
    rise: float
    peak: float
    misfit: float
    explains: float
    used: float
    sigma: float
    arc: bool

    def is_a_suns(self) -> bool:
        """Whether it is high, round and plain enough for the light about a sun."""
        return (
            self.rise >= _GLOW_RISE
            and self.rise >= 5.0 * self.misfit
            and _GLOW_RADII[0] <= self.radius <= _GLOW_RADII[1]
            and self.explains >= _GLOW_EXPLAINS
            and self.used >= 0.6
            and self.peak >= _GLOW_PEAK
            and self.arc
        )


class _GlowModel:
    """A plane plus a round rise, cut off at BURNT, for levels (N,) at angles xy (N, 2) [deg].

    Parameters p (7,): centre (2,) [deg], ln of the radius [deg], rise, level, slopes (2,). 'cusp': the rise falls as
    exp(-r / radius); 'bell': as 1 / (1 + r^2 / radius^2).
    """

    def __init__(self, at: Array, levels: Array, shape: str) -> None:
        self.xy, self.levels, self.shape = at / DEG, levels, shape
        self.burnt = levels >= BURNT

    def basis(self, c: Array) -> Array:
        """Rise, level and slopes (N, 4) for a centre and ln radius c (3,)."""
        q = ((self.xy - c[:2]) ** 2).sum(-1) + 0.05
        s = np.exp(c[2])
        out = np.empty((len(self.xy), 4))
        out[:, 0] = np.exp(-np.sqrt(q) / s) if self.shape == "cusp" else 1.0 / (1.0 + q / s**2)
        out[:, 1], out[:, 2:] = 1.0, self.xy
        return out

    def misfit(self, p: Array) -> Array:
        """Model less levels (N,); nothing where both are burnt out."""
        model = self.basis(p[:3]) @ p[3:]
        return np.asarray(np.where(self.burnt & (model >= BURNT), 0.0, model - self.levels))

    def derivative(self, p: Array) -> Array:
        """Of the model by the parameters (N, 7)."""
        b = self.basis(p[:3])
        j = np.empty((len(self.xy), 7))
        j[:, 3:] = b
        d, size = self.xy - p[:2], np.exp(p[2])
        q = (d * d).sum(-1) + 0.05
        # derivative by ln of the radius; of the centre it is that times d / q
        by_size = b[:, 0] * np.sqrt(q) / size if self.shape == "cusp" else 2.0 * b[:, 0] * (1.0 - b[:, 0])
        j[:, 2] = p[3] * by_size
        j[:, :2] = j[:, 2:3] * d / q[:, None]
        return j


def _fit_glow(at: Array, levels: Array, shape: str, start: _Glow | None = None) -> _Glow | None:
    """A glow fitted robustly to levels (N,) at angles (N, 2) [rad]: Levenberg and Marquardt's steps."""
    model = _GlowModel(at, levels, shape)
    top = np.sort(levels)
    sky = levels > 0.5 * float(top[int(0.6 * len(top))])  # the tower and the ground are darker than any glowing sky
    if sky.mean() < 0.5:
        return None
    rise = float(top[-10] - np.median(levels[sky]))
    p = np.array([0.0, 0.0, np.log(2.5), max(rise, 1.0), float(np.median(levels[sky])), 0.0, 0.0])
    if start is not None:
        p[:2], p[2] = start.centre / DEG, np.log(start.radius / DEG)
    damping, scale = 1e-2, 10.0
    e = model.misfit(p)
    for _ in range(20):
        j = model.derivative(p)
        live = ~(model.burnt & (e == 0.0))
        scale = max(1.4826 * float(np.median(np.abs(e[sky & live]))) if (sky & live).any() else 1.0, 0.7)
        # what is darker than the sky stands before it; what is brighter is cloud
        weight = sky * live / (1.0 + (e / (2.5 * scale)) ** 2)
        n = (j * weight[:, None]).T @ j
        n += np.diag(np.diag(n)) * damping + 1e-6 * np.eye(7)
        step = np.linalg.solve(n, -(j * weight[:, None]).T @ e)
        trial = p + step
        now = e
        better = bool(np.isfinite(trial).all() and -1.2 < trial[2] < 3.0 and np.abs(trial[:2]).max() <= 15.0)
        if better:
            now = model.misfit(trial)
            rho_now, rho = (np.log1p((v / (2.5 * scale)) ** 2)[sky].sum() for v in (now, e))
            better = rho_now <= rho * (1 + 1e-9)
        if not better:
            damping *= 10.0
            if damping > 1e6:
                break
            continue
        p, e = trial, now
        damping = max(damping / 10.0, 1e-6)
        if np.abs(step[:3]).max() < 4e-3:
            break
    return _told(model, p, e, sky, scale, (j * weight[:, None]).T @ j) if p[3] > 0.0 else None


def _told(model: _GlowModel, p: Array, e: Array, sky: Array, scale: float, normal: Array) -> _Glow:
    """What a fit p (7,) with misfits e (N,) says of the glow; normal (7, 7): of its last step."""
    xy, levels = model.xy, model.levels
    live = ~(model.burnt & (e == 0.0))
    near = sky & (np.abs(e) < 4.0 * scale)
    plane = np.column_stack([np.ones(len(xy)), xy])
    flat = np.linalg.lstsq(plane[near], levels[near], rcond=None)[0]
    before = float(np.var(levels[near] - plane[near] @ flat))
    rms = float(np.sqrt(np.mean(e[near & live] ** 2))) if (near & live).any() else np.inf
    # neighbouring points of the sky err alike: a dozen count for one
    covariance = np.linalg.inv(normal + 1e-6 * np.eye(7)) * 12.0 * rms**2
    sides = xy[near] - p[:2]
    angle = np.arctan2(sides[:, 1], sides[:, 0])[np.hypot(*sides.T) < 1.5 * np.exp(p[2]) + 1.0]
    ok = np.zeros(8, bool)
    ok[np.unique(np.floor((angle + np.pi) / (np.pi / 4)).astype(int) % 8)] = True
    return _Glow(
        centre=p[:2] * DEG,
        radius=float(np.exp(p[2])) * DEG,
        rise=float(p[3]),
        peak=float((model.basis(p[:3]) @ p[3:])[near].max()),
        misfit=rms,
        explains=1.0 - float(np.mean(e[near] ** 2)) / max(before, 1e-6),
        used=float(near.mean()),
        sigma=float(np.sqrt(max(np.linalg.eigvalsh(covariance[:2, :2])[-1], 0.0))) * DEG,
        arc=bool(ok.sum() >= 6 and widest_gap(ok) <= 0.5),
    )
