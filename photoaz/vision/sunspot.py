"""The sun in a photo: looked for about its predicted place, told by the glow about it, or not told at all.

Whatever is bright and sharp-edged (a white radome, a lamp, a window) or bright and shapeless (an overexposed sky, a lit
cloud) is not the sun. What the sun has and these lack is light that falls off evenly on all sides of one centre over
degrees: scattered in the air, in thin cloud and in the lens. All shapes are judged in angles about the line of sight,
not in pixels: away from the optical axis a pinhole draws a disc as an ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from photoaz.angles import wrap_rad
from photoaz.photo.camera import Array, Camera, directions_from_pixels, project, rotation_cam_from_enu

_DEG = float(np.radians(1.0))
#: the longer side of the reduced picture that is searched, pixels
SEARCH_PX = 700
#: grey level that counts as burnt out (JPEG ringing takes a few levels off 255)
BURNT = 249
#: a burnt-out core is no smaller: the sun's disc of 0.27 degrees, less what blur takes off its edge
LEAST_CORE_RAD = 0.09 * _DEG
#: a burnt-out patch of a larger radius has no centre worth telling
LARGEST_CORE_RAD = 6.0 * _DEG
#: reasons that leave open what a patch is
_CUT_OFF = ("too little of what surrounds it lies in the frame", "too little of the glow about it shows")
#: the search goes this many sigmas about the predicted place, and never less than so far
REACH_SIGMAS, LEAST_REACH_RAD = 3.5, 1.5 * _DEG
#: rays cast about a centre, how far and how finely
_RAYS = 64
_RHO = np.arange(0.0, 12.0, 0.1) * _DEG
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
#: lens distortion that nobody corrected, and the eye of the fit: standard uncertainty of any centre
_FLOOR_RAD = 0.04 * _DEG


@dataclass(frozen=True, slots=True, kw_only=True)
class SunGuess:
    """Where the sun should be: its direction (true azimuth, elevation as seen, with refraction), and the camera's

    attitude (heading, pitch, roll) with standard uncertainties, all (3,) in radians. A heading of which nobody knows
    anything has a sigma of pi.
    """

    azimuth_rad: float
    elevation_rad: float
    attitude_rad: Array
    attitude_sigma_rad: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class SunSpot:
    """The sun seen: its centre (2,) in pixels, standard uncertainty in each direction, and as what it shows.

    'disc': burnt out, with an edge that was fitted. 'glow': only the light about it; the centre may be hidden or lie
    beyond the border. radius_rad: of the burnt-out core, or of the glow's fall to 1/e or 1/2.
    """

    pixel: Array
    sigma_px: float
    what: Literal["disc", "glow"]
    radius_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NoSun:
    """Why no sun was told, in words that follow 'sun not found: '. elsewhere: a sun seen where none was expected."""

    reason: str
    elsewhere: SunSpot | None = None


def find_sun(image: Array, camera: Camera, guess: SunGuess, *, anywhere: bool = False) -> SunSpot | NoSun:
    """Look for the sun in a photo.

    Parameters
    ----------
    image : (H, W) grey uint8, as shown. camera : its interior orientation. guess : where it should be.
    anywhere : look elsewhere too, and tell what was seen there as `NoSun.elsewhere`.

    Returns
    -------
    SunSpot, or NoSun with the reason. Two suns, or one that could be something else, are NoSun.
    """
    if not anywhere and not _may_be_seen(camera, guess):
        return NoSun(reason="it stood outside the frame")
    view = _View.of(image, camera)
    burnt = _discs(view, None if anywhere else guess)
    inside = [s for s in burnt.spots if _expected(view, guess, s)]
    if inside:
        return _only(inside, camera.f_px)
    elsewhere = burnt.spots[0] if len(burnt.spots) == 1 else None
    glow = _glow(view, guess)
    if isinstance(glow, SunSpot):
        near = 2.0 * glow.radius_rad * camera.f_px
        on_it = [r for r in burnt.refused if np.hypot(*(r.pixel - glow.pixel)) < near]
        if all(r.why in _CUT_OFF for r in on_it):
            # of a burnt-out core that is cut off, the part seen pulls the fit to its own middle
            pull = 0.5 * max((r.radius_rad for r in on_it), default=0.0) * camera.f_px
            if np.hypot(glow.sigma_px, pull) < _GLOW_SIGMA_RAD * camera.f_px:
                return replace(glow, sigma_px=float(np.hypot(glow.sigma_px, pull)))
        glow = "nothing there glows like it"
    reason = burnt.reason(view, guess) or glow
    return NoSun(reason=reason, elsewhere=elsewhere)


def direction_of(guess: SunGuess) -> Array:
    """Unit vector (3,) to the sun in ENU."""
    a, e = guess.azimuth_rad, guess.elevation_rad
    return np.array([np.sin(a) * np.cos(e), np.cos(a) * np.cos(e), np.sin(e)])


def reach_of(camera: Camera, guess: SunGuess, off_axis_rad: float = 0.0) -> tuple[float, float]:
    """How far from its predicted direction the sun may appear: in azimuth (on the horizon's scale) and in elevation."""
    h, p, r = (float(v) for v in guess.attitude_sigma_rad)
    scale = min(camera.f_relative_sigma, 0.3) * np.tan(min(off_axis_rad, 1.2)) + 0.002
    steep = np.tan(min(abs(guess.elevation_rad), 1.5))
    across = REACH_SIGMAS * float(np.hypot(h, np.hypot(r * steep, scale / np.cos(min(guess.elevation_rad, 1.5)))))
    up = REACH_SIGMAS * float(np.hypot(np.hypot(p, r * np.sin(min(off_axis_rad, 1.5))), scale))
    least = LEAST_REACH_RAD / np.cos(min(guess.elevation_rad, 1.4))
    return min(max(across, least), float(np.pi)), max(up, LEAST_REACH_RAD)


def departure(camera: Camera, guess: SunGuess, direction_cam: Array) -> tuple[Array, Array, Array]:
    """By how much lines of sight (..., 3) lie off the predicted sun: azimuth, elevation [rad], and off-axis angle."""
    enu = direction_cam @ rotation_cam_from_enu(*guess.attitude_rad)
    azimuth = np.arctan2(enu[..., 0], enu[..., 1]) - guess.azimuth_rad
    azimuth = wrap_rad(azimuth)
    off = np.arccos(np.clip(direction_cam[..., 2], -1.0, 1.0))
    return azimuth, np.arcsin(np.clip(enu[..., 2], -1, 1)) - guess.elevation_rad, off


def _may_be_seen(camera: Camera, guess: SunGuess) -> bool:
    """Whether any part of the frame, or a border as wide as a glow reaches over, may show it."""
    return bool(_region(camera, guess).any())


def _region(camera: Camera, guess: SunGuess, border: float = 0.04, n: int = 33) -> Array:
    """Where in the frame the sun may be: a coarse grid (n, n) of it, `border` of its size beyond each side."""
    x = np.linspace(-border, 1 + border, n) * (camera.width_px - 1)
    y = np.linspace(-border, 1 + border, n) * (camera.height_px - 1)
    px = np.stack(np.meshgrid(x, y), -1)
    azimuth, elevation, off = departure(camera, guess, directions_from_pixels(camera, px))
    across, up = reach_of(camera, guess, float(off.max()))
    # half a cell more, so that nothing falls between the grid's points
    cell = 0.5 * max(camera.width_px, camera.height_px) * (1 + 2 * border) / (n - 1) / camera.f_px
    return np.asarray(
        (np.abs(azimuth) < across + cell / np.cos(min(guess.elevation_rad, 1.4))) & (np.abs(elevation) < up + cell)
    )


def _expected(view: _View, guess: SunGuess, spot: SunSpot) -> bool:
    sight = directions_from_pixels(view.camera, spot.pixel)
    azimuth, elevation, off = departure(view.camera, guess, sight)
    across, up = reach_of(view.camera, guess, float(off))
    own = 2.0 * spot.sigma_px / view.camera.f_px
    return bool(abs(azimuth) < across + own / np.cos(min(guess.elevation_rad, 1.4)) and abs(elevation) < up + own)


def _only(spots: list[SunSpot], f_px: float) -> SunSpot | NoSun:
    """The one sun among round, glowing patches; a reflection or a ghost in the lens is much smaller than the sun."""
    by_size: list[SunSpot] = []
    for s in sorted(spots, key=lambda s: -s.radius_rad):
        # a bar before the sun leaves two patches about one centre
        if all(np.hypot(*(s.pixel - o.pixel)) > f_px * max(o.radius_rad, 0.7 * _DEG) for o in by_size):
            by_size.append(s)
    if len(by_size) > 1 and by_size[1].radius_rad > 0.5 * by_size[0].radius_rad:
        return NoSun(reason=f"{len(by_size)} bright patches look like it")
    return by_size[0]


@dataclass(frozen=True, slots=True)
class _View:
    """The reduced picture (float32 levels), the camera of the whole one, pixels of it per reduced pixel (2,).

    late_px (2,): by how many of them the reduced picture lies too far to the lower right.
    """

    levels: Array
    camera: Camera
    per_px: Array
    late_px: Array

    @classmethod
    def of(cls, image: Array, camera: Camera) -> _View:
        import cv2

        h, w = image.shape[:2]
        k = max(1, round(max(h, w) / SEARCH_PX))
        size = (max(w // k, 1), max(h // k, 1))
        skip = 2 if k >= 4 else 1  # every other row tells as much, in half the time
        small = image if k == 1 else cv2.resize(image[::skip], size, interpolation=cv2.INTER_AREA)
        sh, sw = small.shape[:2]
        levels = cv2.GaussianBlur(small, (3, 3), 0.6).astype(np.float32)
        return cls(levels, camera, np.array([w / sw, h / sh]), np.array([0.0, 0.5 * (skip - 1)]))

    def reduced(self, px: Array) -> Array:
        """Pixels of the whole picture to those of the reduced one."""
        return np.asarray((px + 0.5 + self.late_px) / self.per_px - 0.5)

    def whole(self, px: Array) -> Array:
        return np.asarray((px + 0.5) * self.per_px - 0.5 - self.late_px)

    def sample(self, directions: Array) -> Array:
        """Levels (...,) along lines of sight (..., 3); NaN beyond the frame."""
        import cv2

        z = np.where(directions[..., 2] > 0.05, directions[..., 2], np.nan)
        px = self.reduced(project(self.camera, np.concatenate([directions[..., :2], z[..., None]], -1)))
        h, w = self.levels.shape
        x, y = px[..., 0], px[..., 1]
        ok = (x > 0) & (y > 0) & (x < w - 1) & (y < h - 1)
        flat = np.nan_to_num(px, nan=-9.0).astype(np.float32).reshape(1, -1, 2)
        out = cv2.remap(self.levels, flat[..., 0].copy(), flat[..., 1].copy(), cv2.INTER_LINEAR).reshape(x.shape)
        return np.where(ok, out, np.nan)


def _basis(sight: Array) -> Array:
    """Rows: two directions square to a line of sight (3,) and each other."""
    a = np.cross([0.0, 1.0, 0.0] if abs(sight[1]) < 0.9 else [1.0, 0.0, 0.0], sight)
    a /= np.linalg.norm(a)
    return np.stack([a, np.cross(sight, a)])


def _about(sight: Array, xy: Array) -> Array:
    """Lines of sight (..., 3) at angles xy (..., 2) [rad] from one (3,): polar, so that circles stay circles."""
    rho = np.hypot(xy[..., 0], xy[..., 1])
    side = (xy @ _basis(sight)) * np.sinc(rho / np.pi)[..., None]
    return np.asarray(np.cos(rho)[..., None] * sight + side)


# ---------------------------------------------------------------------------------------------------------------------
# Burnt-out discs


@dataclass(frozen=True, slots=True)
class _Refused:
    """A burnt-out patch that was not taken for the sun: its middle (2,), its size, and why."""

    pixel: Array
    radius_rad: float
    why: str


@dataclass(frozen=True, slots=True)
class _Burnt:
    """Burnt-out patches: those that look like the sun, and where the others lie (2,) and why they do not."""

    spots: list[SunSpot]
    refused: list[_Refused]

    def reason(self, view: _View, guess: SunGuess) -> str | None:
        for r in self.refused:
            if _expected(view, guess, SunSpot(pixel=r.pixel, sigma_px=0.0, what="disc", radius_rad=0.0)):
                return r.why
        return None


def _discs(view: _View, guess: SunGuess | None) -> _Burnt:
    """Every burnt-out patch judged, the largest first; with a guess, those within its reach."""
    import cv2

    f = view.camera.f_px / float(view.per_px.mean())
    white = (view.levels >= BURNT).view(np.uint8)
    x0, y0, wide, tall = cv2.boundingRect(white)
    if wide == 0:
        return _Burnt([], [])
    white = white[y0 : y0 + tall, x0 : x0 + wide]
    # a bar before the sun cuts its disc in two
    size = 2 * round(0.35 * _DEG * f) + 1
    closed = cv2.morphologyEx(white, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    count, _, stats, centroids = cv2.connectedComponentsWithStats(closed, connectivity=8)
    order = 1 + np.argsort(-stats[1:count, cv2.CC_STAT_AREA])
    spots: list[SunSpot] = []
    refused: list[_Refused] = []
    for k in order[:12]:
        radius = float(np.sqrt(stats[k, cv2.CC_STAT_AREA] / np.pi)) / f
        at = view.whole(centroids[k] + [x0, y0])
        if radius < 0.6 * LEAST_CORE_RAD:
            break
        if guess is not None:
            grown = SunSpot(pixel=at, sigma_px=(radius + 0.5 * _DEG) * view.camera.f_px, what="disc", radius_rad=radius)
            if not _expected(view, guess, grown):
                continue
        if radius > LARGEST_CORE_RAD:
            refused.append(_Refused(at, radius, "the sky there is burnt out"))
            continue
        spot = _disc(view, at, radius)
        if isinstance(spot, SunSpot):
            spots.append(spot)
        else:
            refused.append(_Refused(at, radius, spot))
    return _Burnt(spots, refused)


def _disc(view: _View, at: Array, radius: float) -> SunSpot | str:
    """A burnt-out patch about a pixel, judged by the light about it; or why it is not the sun."""
    phi = np.arange(_RAYS) * 2 * np.pi / _RAYS
    unit = np.stack([np.cos(phi), np.sin(phi)], -1)
    sight = directions_from_pixels(view.camera, at)
    centre, fitted = np.zeros(2), None
    for _ in range(4):
        sight = _about(sight, centre)
        levels = view.sample(_about(sight, _RHO[None, :, None] * unit[:, None, :]))
        edge = _edges(levels, min(2.5 * radius + 0.5 * _DEG, 9.0 * _DEG))
        glow, framed, fall, near = _glowing(levels, edge)
        if framed.sum() < 10:
            return _CUT_OFF[0]
        if glow.sum() < 10 or glow.sum() < _GLOW_SHARE * framed.sum():
            return "what is bright there has no glow about it"
        if glow.sum() < _GLOW_ARC * _RAYS or _widest_gap(glow) > _GLOW_GAP:
            return _CUT_OFF[1]
        fitted = _circle(edge[glow, None] * unit[glow])
        if fitted is None:
            return "what is bright there is not round"
        centre, radius = fitted.centre, fitted.radius
        if np.hypot(*centre) < 0.005 * _DEG:
            break
    assert fitted is not None
    if np.median(fall[glow]) < _LEAST_FALL or np.median(near[glow]) < _LEAST_LEVEL:
        return "the light about what is bright there does not fall off as about the sun"
    if radius < LEAST_CORE_RAD:
        return "what is bright there is smaller than the sun"
    if radius > LARGEST_CORE_RAD:
        return "the sky there is burnt out"
    if fitted.scatter > max(_LEAST_ROUND * radius, 0.012 * _DEG):
        return "what is bright there is not round"
    uneven, tail = _evenness(levels[glow], edge[glow], radius)
    # clouds beside it are allowed where the core is as round as only the sun's is
    round_core = fitted.scatter < _VERY_ROUND * radius and radius > 0.4 * _DEG
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
        if shift > 0.2 * second.radius + 0.1 * _DEG:
            return "the light about what is bright there has another centre"
    sigma = float(np.sqrt(fitted.sigma**2 + (0.05 * radius) ** 2 + (0.15 * shift) ** 2 + _FLOOR_RAD**2))
    end = _about(sight, centre)
    return _spot(view, end, sigma, "disc", radius)


def _spot(view: _View, sight: Array, sigma_rad: float, what: Literal["disc", "glow"], radius: float) -> SunSpot:
    """A sun in pixels; off the axis an angle covers 1 / cos^2 as many of them outwards."""
    stretch = 1.0 / float(sight[2]) ** 2
    return SunSpot(
        pixel=project(view.camera, sight),
        sigma_px=sigma_rad * view.camera.f_px * stretch,
        what=what,
        radius_rad=radius,
    )


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
    """Which rays show light that falls off without a step, which lie in the frame far enough to tell; the fall from

    near the core to three degrees off it, and the level near it (rays,).
    """
    beyond = _RHO[None, :] - edge[:, None]
    seen = np.isfinite(levels)
    near_at, far_at = (beyond > 0.3 * _DEG) & (beyond <= 0.8 * _DEG), (beyond > 2.3 * _DEG) & (beyond <= 3.3 * _DEG)
    framed = (seen | ~near_at).all(1) & ((seen & far_at).sum(1) >= 5) & near_at.any(1)
    near, far = _mean(levels, near_at), _mean(levels, far_at)
    fall = near - far
    span = 3  # samples: 0.3 degrees
    drop = np.full_like(levels, 0.0)
    drop[:, :-span] = levels[:, :-span] - levels[:, span:]
    between = (beyond > 0.3 * _DEG) & (beyond <= 3.0 * _DEG) & np.isfinite(drop)
    step = np.where(between, drop, 0.0).max(1)
    rise = np.where(between, -drop, 0.0).max(1)
    with np.errstate(invalid="ignore"):
        smooth = (step <= np.maximum(20.0, 0.6 * fall)) & (rise <= np.maximum(12.0, 0.25 * fall))
        glow = framed & np.isfinite(edge) & (fall >= 0.5 * _LEAST_FALL) & smooth
        if glow.any():  # something dark before it ends the core in place of its own edge
            glow &= near > np.median(near[glow]) - 25.0
    return glow, framed, np.nan_to_num(fall), np.nan_to_num(near)


def _evenness(levels: Array, edge: Array, radius: float) -> tuple[float, float]:
    """Scatter of levels (rays, rho) at one distance from the centre, the middle one of three distances, and by how much

    they still fall from one degree to three outside the core.
    """
    spreads = []
    for beyond in (1.0, 2.0, 3.0):
        column = levels[:, min(int((radius + beyond * _DEG) / (_RHO[1] - _RHO[0])), len(_RHO) - 1)]
        column = column[np.isfinite(column)]
        if len(column) >= 8:
            spreads.append(1.4826 * float(np.median(np.abs(column - np.median(column)))))
    off = _RHO[None, :] - edge[:, None]
    tail = _mean(levels, (off > 1.0 * _DEG) & (off <= 1.5 * _DEG)) - _mean(
        levels, (off > 2.7 * _DEG) & (off <= 3.3 * _DEG)
    )
    return (float(np.median(spreads)) if spreads else np.inf), float(np.median(tail))


def _mean(levels: Array, where: Array) -> Array:
    ok = where & np.isfinite(levels)
    return np.asarray(np.where(ok, levels, 0.0).sum(1) / np.maximum(ok.sum(1), 1))


def _widest_gap(ok: Array) -> float:
    """The widest run of rays without, as a share of the whole turn."""
    at = np.flatnonzero(ok)
    return float(np.diff(np.append(at, at[0] + len(ok))).max() / len(ok))


def _outer(levels: Array, edge: Array, glow: Array, fall: Array) -> tuple[Array, Array] | None:
    """Angles at which rays of the glow pass the level half way down it, and which rays; None where few do."""
    half = BURNT - 0.5 * float(np.median(BURNT - (np.nan_to_num(_far_level(levels, edge))[glow])))
    rays = np.flatnonzero(glow)
    below = (levels[rays] < half) & (_RHO[None, :] > edge[rays, None])
    hit = below.any(1)
    if hit.sum() < 12:
        return None
    first = np.argmax(below[hit], 1)
    return _RHO[first], rays[hit]


def _far_level(levels: Array, edge: Array) -> Array:
    beyond = _RHO[None, :] - edge[:, None]
    return _mean(levels, (beyond > 2.3 * _DEG) & (beyond <= 3.3 * _DEG))


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
    covariance = np.linalg.inv(normal) * 4.0 * max(scatter, 0.02 * _DEG) ** 2
    return _Circle(centre, radius, scatter, float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1])))


# ---------------------------------------------------------------------------------------------------------------------
# Glow without a burnt-out disc

#: the window about a glow, half its side and the grid's step
_WINDOW_RAD, _STEP_RAD = 10.0 * _DEG, 0.7 * _DEG
#: a glow's radius; a wider one has no centre worth telling
_GLOW_RADII = (1.5 * _DEG, 7.0 * _DEG)
#: levels that it must rise above the sky, and the share of the sky's variance that it must explain
_GLOW_RISE, _GLOW_EXPLAINS = 25.0, 0.93
_GLOW_PEAK = 170.0
#: a glow whose centre is less sure tells nothing
_GLOW_SIGMA_RAD = 1.0 * _DEG


def _glow(view: _View, guess: SunGuess) -> SunSpot | str:
    """A round glow fitted to the sky where it is brightest within reach; or why there is none."""
    import cv2

    rows, cols = view.levels.shape
    step = max(1, round(0.5 * _DEG * view.camera.f_px / float(view.per_px.mean())))
    small = cv2.resize(view.levels, (max(cols // step, 8), max(rows // step, 8)), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), 1.25)
    sh, sw = blurred.shape
    y, x = np.mgrid[0:sh, 0:sw]
    px = (np.stack([x, y], -1) + 0.5) * [view.camera.width_px / sw, view.camera.height_px / sh] - 0.5
    azimuth, elevation, off = departure(view.camera, guess, directions_from_pixels(view.camera, px))
    across, up = reach_of(view.camera, guess, float(off.max()))
    allowed = (np.abs(azimuth) < across + _DEG) & (np.abs(elevation) < up + _DEG)
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
        levels = view.sample(_about(sight, at))
        ok = np.isfinite(levels)
        if ok.sum() < 0.3 * len(at):
            return "too little of the sky about it lies in the frame"
        levels, at = levels[ok], at[ok]
        if (levels >= BURNT).mean() > 0.4:
            return "the sky there is burnt out"
        first = _fit_glow(at, levels, "cusp")
        if first is None or first.rise < 0.5 * _GLOW_RISE or first.explains < 0.7:
            return "nothing there glows like it"
        second = _fit_glow(at, levels, "bell", first) if np.hypot(*first.centre) < 1.5 * _DEG else None
        fits = [first] if second is None else [first, second]
        fits.sort(key=lambda f: f.misfit)
        if np.hypot(*fits[0].centre) > _WINDOW_RAD:
            return "nothing there glows like it"
        moved = float(np.hypot(*fits[0].centre))
        sight = _about(sight, fits[0].centre)
        fits = [replace(f, centre=f.centre - fits[0].centre) for f in fits]
        if moved < 1.5 * _DEG:
            break
    best = fits[0]
    other = float(np.hypot(*(fits[-1].centre - best.centre))) if len(fits) > 1 else 0.5 * best.radius
    good = (
        best.rise >= _GLOW_RISE
        and best.rise >= 5.0 * best.misfit
        and _GLOW_RADII[0] <= best.radius <= _GLOW_RADII[1]
        and best.explains >= _GLOW_EXPLAINS
        and best.used >= 0.6
        and best.peak >= _GLOW_PEAK
        and best.arc
    )
    if not good:
        return "nothing there glows like it"
    sigma = float(np.sqrt(best.sigma**2 + (0.05 * best.radius) ** 2 + (0.5 * other) ** 2 + _FLOOR_RAD**2))
    if sigma > _GLOW_SIGMA_RAD:
        return "its glow is too wide to tell where it stood"
    spot = _spot(view, sight, sigma, "glow", best.radius)
    return spot if _expected(view, guess, spot) else "nothing there glows like it"


@dataclass(frozen=True, slots=True)
class _Glow:
    """A glow fitted: centre (2,) and radius [rad], rise and peak [levels], rms misfit [levels], share of the sky's

    variance explained beyond a plane, share of the window used, sigma of the centre [rad], seen on enough sides.
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


def _fit_glow(at: Array, levels: Array, shape: str, start: _Glow | None = None) -> _Glow | None:
    """Plane plus a round rise, cut off at BURNT, fitted robustly to levels (N,) at angles (N, 2)."""
    unit = _DEG
    xy = at / unit
    burnt = levels >= BURNT

    def basis(c: Array) -> Array:
        q = ((xy - c[:2]) ** 2).sum(-1) + 0.05
        s = np.exp(c[2])
        k = np.exp(-np.sqrt(q) / s) if shape == "cusp" else 1.0 / (1.0 + q / s**2)
        out = np.empty((len(xy), 4))
        out[:, 0], out[:, 1], out[:, 2:] = k, 1.0, xy
        return out

    top = np.sort(levels)
    sky = levels > 0.5 * float(top[int(0.6 * len(top))])  # the tower and the ground are darker than any glowing sky
    weight = sky.astype(float)
    if sky.mean() < 0.5:
        return None
    rise = float(top[-10] - np.median(levels[sky]))
    p = np.array([0.0, 0.0, np.log(2.5), max(rise, 1.0), float(np.median(levels[sky])), 0.0, 0.0])
    if start is not None:
        p[:2], p[2] = start.centre / unit, np.log(start.radius / unit)
    damping, scale = 1e-2, 10.0

    def misfit(p: Array) -> Array:
        model = basis(p[:3]) @ p[3:]
        return np.asarray(np.where(burnt & (model >= BURNT), 0.0, model - levels))

    e = misfit(p)
    j = np.empty((len(xy), 7))
    for _ in range(20):
        b = basis(p[:3])
        j[:, 3:] = b
        d, size = xy - p[:2], np.exp(p[2])
        q = (d * d).sum(-1) + 0.05
        # derivative by ln of the radius; of the centre it is that times d / q
        by_size = b[:, 0] * np.sqrt(q) / size if shape == "cusp" else 2.0 * b[:, 0] * (1.0 - b[:, 0])
        j[:, 2] = p[3] * by_size
        j[:, :2] = j[:, 2:3] * d / q[:, None]
        live = ~(burnt & (e == 0.0))
        scale = max(1.4826 * float(np.median(np.abs(e[sky & live]))) if (sky & live).any() else 1.0, 0.7)
        # what is darker than the sky stands before it; what is brighter is cloud
        weight = sky * live / (1.0 + (e / (2.5 * scale)) ** 2)
        n = (j * weight[:, None]).T @ j
        n += np.diag(np.diag(n)) * damping + 1e-6 * np.eye(7)
        step = np.linalg.solve(n, -(j * weight[:, None]).T @ e)
        trial = p + step
        if not np.isfinite(trial).all() or not -1.2 < trial[2] < 3.0 or np.abs(trial[:2]).max() > 15.0:
            damping *= 10.0
            if damping > 1e6:
                break
            continue
        now = misfit(trial)
        rho_now, rho = (np.log1p((v / (2.5 * scale)) ** 2)[sky].sum() for v in (now, e))
        if rho_now > rho * (1 + 1e-9):
            damping *= 10.0
            if damping > 1e6:
                break
            continue
        p, e = trial, now
        damping = max(damping / 10.0, 1e-6)
        if np.abs(step[:3]).max() < 4e-3:
            break
    if p[3] <= 0.0:
        return None
    live = ~(burnt & (e == 0.0))
    near = sky & (np.abs(e) < 4.0 * scale)
    plane = np.column_stack([np.ones(len(xy)), xy])
    flat = np.linalg.lstsq(plane[near], levels[near], rcond=None)[0]
    before = float(np.var(levels[near] - plane[near] @ flat))
    rms = float(np.sqrt(np.mean(e[near & live] ** 2))) if (near & live).any() else np.inf
    explains = 1.0 - float(np.mean(e[near] ** 2)) / max(before, 1e-6)
    n = (j * weight[:, None]).T @ j + 1e-6 * np.eye(7)
    # neighbouring points of the sky err alike: a dozen count for one
    covariance = np.linalg.inv(n) * 12.0 * rms**2
    sides = xy[near] - p[:2]
    angle = np.arctan2(sides[:, 1], sides[:, 0])[np.hypot(*sides.T) < 1.5 * np.exp(p[2]) + 1.0]
    eighths = np.unique(np.floor((angle + np.pi) / (np.pi / 4)).astype(int) % 8)
    ok = np.zeros(8, bool)
    ok[eighths] = True
    return _Glow(
        centre=p[:2] * unit,
        radius=float(np.exp(p[2])) * unit,
        rise=float(p[3]),
        peak=float((basis(p[:3]) @ p[3:])[near].max()),
        misfit=rms,
        explains=explains,
        used=float(near.mean()),
        sigma=float(np.sqrt(max(np.linalg.eigvalsh(covariance[:2, :2])[-1], 0.0))) * unit,
        arc=bool(ok.sum() >= 6 and _widest_gap(ok) <= 0.5),
    )
