"""Where a photo looked, by the map: its skyline and upright edges laid against those that the map predicts.

First all headings at once, from several standpoints: a table says how much likelier each elevation of the sky's border
is at each azimuth than it is round the whole town (so a town that is not there says nothing on average). Then, about
each of the best, upright edges against corners of buildings, by least squares over heading, standpoint and focal
length, edges and corners paired as a mixture with edges that are of no corner.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from photoaz import quantities as q
from photoaz.angles import Array, wrap_rad
from photoaz.photo.camera import Camera
from photoaz.surroundings.corners import Fitted, HeadSeen, Seen, fit_corners, gains, pairing, seen_edges
from photoaz.surroundings.maps import Surroundings, following
from photoaz.surroundings.panorama import panorama
from photoaz.vision.skyline import SkyBorder, UprightEdges, elevations

#: azimuths in the circle, columns of the border that are looked at, bodies behind each other that are counted
AZIMUTHS, COLUMNS, BEHIND = 1440, 240, 4
#: elevations of the table [rad]: finer near the horizon
_ELEVATION = np.radians(2.0) * np.sinh(np.linspace(np.arcsinh(-1.5), np.arcsinh(20.0), 96))
#: a building of the map stands there and is seen; the border is that of trees, or of what the map lacks
STANDS, CLUTTER = 0.9, 0.15
#: how far the ground where a building stands may be off the level one, and roofs off what is told [m]
GROUND_SIGMA_M, ROUGH_RAD = 1.5, float(np.radians(0.25))
#: columns beside each other err together: so wide a piece of the border counts as one [rad]
WITNESS_RAD = float(np.radians(3.0))
#: what one piece may say at most, either way [nats]
MOST_NATS = 2.0
#: headings less probable than the most probable one by so much are not looked at [nats]; steps of the pitch [rad]
WINDOW_NATS, TILT_STEP_RAD = 10.0, float(np.radians(0.8))
#: headings that are looked at closely, and fits begun about each
MOST_TRIED, STARTS = 6, 2
#: standpoints tried, in standard uncertainties
_PLACES = (
    (0.0, 0.0),
    *((0.9 * np.sin(a), 0.9 * np.cos(a)) for a in np.arange(6) * np.pi / 3),
    *((1.9 * np.sin(a), 1.9 * np.cos(a)) for a in np.arange(8) * np.pi / 4),
)


#: what border, edges, standpoint and tower (as known before) and each building seen by its edges (MOST_BUILDINGS of
#: them at most) say counts so much of its worth, for they do not err each by itself; a town that is not there is
#: matched by chance as well as the last [nats] (a conditional logit fitted to 240 drawn towns, each with its own map
#: and with another's; three of four with the tower's head seen)
BORDER_WORTH, EDGES_WORTH, PLACE_WORTH, BUILDING_NATS, NONE_NATS = 0.30, 0.19, 0.52, 0.69, 7.85
MOST_BUILDINGS = 6.0
#: a head that is seen elsewhere than where the tower stands speaks no more than this against a heading [nats]
HEAD_NATS = 3.0
#: a peak's standard uncertainties are this times what its rows imply (in drawn towns 88 % of the headings that were
#: believed lay within 1.96 of those, 91 % within 1.96 of these)
WIDENED = 1.4
#: less border of the sky than this tells nothing [rad]; peaks less probable than this, or by so much less likely than
#: the likeliest, are not kept
LEAST_SEEN_RAD, LEAST_PROBABLE, LEFT_NATS = float(np.radians(6.0)), 1e-3, 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a photo shows, and what is known of how it was taken: place (3,) and its sigmas (3,) [m], pitch and roll,
    each with its sigma [rad]; head: where the tower's is seen, None where nobody knows.
    """

    camera: Camera
    border: SkyBorder
    edges: UprightEdges
    pitch: tuple[float, float]
    roll: tuple[float, float]
    place: Array
    place_sigma: Array
    head: HeadSeen | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What stands at each azimuth (AZIMUTHS,), seen from a place: elevations (AZIMUTHS, BEHIND) of tops, the highest
    first, -inf where there are no more; sigma likewise; distance [m]; building, by number.
    """

    elevation: Array
    sigma: Array
    distance: Array
    building: Array


def profile(some: Surroundings, place: Array) -> Profile:
    """The tops of the map's buildings about a place (3,)."""
    a = some.corners_m - place[:2]
    b = a[following(some.first)]
    owner = np.repeat(np.arange(len(some)), np.diff(some.first))
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    start = np.arctan2(a[:, 0], a[:, 1])
    turn = wrap_rad(np.arctan2(b[:, 0], b[:, 1]) - start)
    step = 2 * np.pi / AZIMUTHS
    low = np.minimum(start, start + turn)
    first = np.ceil(low / step).astype(int)
    count = np.maximum(np.floor((low + np.abs(turn)) / step).astype(int) - first + 1, 0)
    wall = np.repeat(np.arange(len(a)), count)
    k = np.arange(len(wall)) - np.repeat(np.cumsum(count) - count, count) + first[wall]
    azimuth = k * step
    # along the ray to where it meets the wall
    d = b - a
    den = np.sin(azimuth) * d[wall, 1] - np.cos(azimuth) * d[wall, 0]
    away = cross[wall] / np.where(np.abs(den) < 1e-9, 1e-9, den)
    own = owner[wall]
    rise = some.rise_m[own]
    top = some.ground_m[own] + some.eaves_m[own] + 0.5 * rise - place[2]
    away = np.maximum(np.abs(away), 1.0)
    elevation = np.arctan2(top, away + 0.25 * rise)
    spread = np.sqrt(some.sigma_m[own] ** 2 + rise**2 / 12.0 + GROUND_SIGMA_M**2) / away * np.cos(elevation) ** 2
    order = np.lexsort((-elevation, k % AZIMUTHS))
    az, own, elevation, away, spread = (v[order] for v in (k % AZIMUTHS, own, elevation, away, spread))
    # of each building at each azimuth the highest wall, which is the nearest
    _, once = np.unique(az * np.int64(len(some) + 1) + own, return_index=True)
    once = np.sort(once)
    az, own, elevation, away, spread = (v[once] for v in (az, own, elevation, away, spread))
    rank = np.arange(len(az)) - np.searchsorted(az, az)
    keep = rank < BEHIND
    at = az[keep], rank[keep]
    out = [np.full((AZIMUTHS, BEHIND), v) for v in (-np.inf, 1.0, np.inf)]
    building = np.full((AZIMUTHS, BEHIND), -1)
    for whole, v in zip(out, (elevation, spread, away), strict=True):
        whole[at] = v[keep]
    building[at] = own[keep]
    return Profile(elevation=out[0], sigma=np.hypot(out[1], ROUGH_RAD), distance=out[2], building=building)


def likelihood_table(p: Profile, average: Array, aside_m: float, wanted: Array) -> Array:
    """Log of how much likelier (AZIMUTHS, E) each elevation of the border is at an azimuth than round the circle.

    average (E,): as `background`. aside_m: by how much buildings or the camera may stand aside. wanted (AZIMUTHS,): at
    which azimuths; elsewhere 0.
    """
    step = 2 * np.pi / AZIMUTHS
    nearest = np.where(np.isfinite(p.distance[:, 0]), p.distance[:, 0], 200.0)
    blur = np.clip(np.round(1.7 * aside_m / nearest / step), 0, 68).astype(int)
    rows = np.flatnonzero(wanted)
    reach = int(blur[rows].max())
    needed = np.zeros(AZIMUTHS, bool)
    for shift in range(-reach, reach + 1, max(reach // 2, 1)):
        needed |= np.roll(wanted, shift)
    density = np.zeros((AZIMUTHS, len(_ELEVATION)), np.float32)
    density[needed] = _density(p, _ELEVATION[None], needed)
    sums = np.cumsum(np.concatenate([density[-reach - 1 :], density, density[: reach + 1]]), 0, dtype=float)
    at, half = rows + reach + 1, blur[rows]
    smooth = (sums[at + half] - sums[at - half - 1]) / (2 * half + 1)[:, None]
    out = np.zeros((AZIMUTHS, len(_ELEVATION)), np.float32)
    usual = np.maximum(average, 1e-9)
    out[rows] = np.clip(np.log((1.0 - CLUTTER) * smooth / usual + CLUTTER), -MOST_NATS, MOST_NATS)
    return out


def _density(p: Profile, e: Array, at: Any) -> Array:
    """Density (n, E) of the border's elevation e (n or 1, E) at azimuths, by number."""
    elevation, spread = p.elevation[at], p.sigma[at]
    left = np.ones((len(elevation), 1))
    out: Array = np.zeros((len(elevation), e.shape[1]))
    for k in range(BEHIND):
        here = np.isfinite(elevation[:, k])
        mean, sigma = np.where(here, elevation[:, k], 0.0)[:, None], spread[:, k, None]
        normal = np.exp(-0.5 * ((e - mean) / sigma) ** 2) / sigma
        out += np.where(here[:, None], left * STANDS * normal, 0.0)
        left = np.where(here[:, None], left * (1.0 - STANDS), left)
    level = np.radians(1.2)
    out += left * np.exp(-0.5 * ((e - 0.2 * level) / level) ** 2) / level
    return np.asarray(out / np.sqrt(2 * np.pi))


def background(p: Profile) -> Array:
    """How often the border of the sky is at each elevation (E,) of the table, round the whole circle."""
    return np.asarray(_density(p, _ELEVATION[None], slice(None, None, 4)).mean(0))


@dataclass(frozen=True, slots=True)
class _Columns:
    """Some of the border's columns: azimuth off the heading, elevation [rad] and weight (witnesses), (n,)."""

    azimuth: Array
    elevation: Array
    weight: Array


def _columns(shown: Shown, pitch_rad: float, roll_rad: float | None = None, most: int = COLUMNS) -> _Columns:
    azimuth, elevation = elevations(
        shown.border, shown.camera, pitch_rad, shown.roll[0] if roll_rad is None else roll_rad
    )
    n = len(azimuth)
    pick = np.unique(np.linspace(0, n - 1, min(most, n)).round().astype(int))
    width = np.abs(np.gradient(azimuth[pick]))
    smooth = 1.0 / (1.0 + (shown.border.rough[pick] / (0.7 * shown.border.step_px)) ** 2)
    weight = np.where(np.isfinite(shown.border.sigma_px[pick]), smooth * width / WITNESS_RAD, 0.0)
    return _Columns(azimuth[pick], elevation[pick], weight)


def border_nats(p: Profile, average: Array, columns: _Columns, headings: Array, aside_m: float) -> Array:
    """The same of some headings (H,), from a profile."""
    step = 2 * np.pi / AZIMUTHS
    at = np.round((columns.azimuth + headings[:, None]) / step).astype(int) % AZIMUTHS
    nearest = np.where(np.isfinite(p.distance[at, 0]), p.distance[at, 0], 200.0)
    half = np.maximum(np.round(aside_m / nearest / step), 1).astype(int)
    e = np.broadcast_to(columns.elevation, at.shape).reshape(-1, 1)
    density = 0.5 * _density(p, e, at.ravel())
    for side in (at - half, at + half):
        density += 0.25 * _density(p, e, side.ravel() % AZIMUTHS)
    usual = np.interp(columns.elevation, _ELEVATION, average)
    said = np.log(((1.0 - CLUTTER) * density.reshape(at.shape) + CLUTTER * usual) / np.maximum(usual, 1e-9))
    return np.asarray(np.clip(said, -MOST_NATS, MOST_NATS) @ columns.weight)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """The camera fitted about a heading that may be the photo's.

    nats: what border and edges say for it, as they count, with what was known of the place. pitch: that suits it.
    """

    nats: float
    pitch: float
    fitted: Fitted


def candidates(shown: Shown, some: Surroundings, prior_nats: Array | None = None) -> tuple[Candidate, ...]:
    """The headings that suit the map best, the best first.

    prior_nats (AZIMUTHS,): log of how probable headings are otherwise: much less probable ones are not looked at.
    """
    steps = np.array(_PLACES)
    places = shown.place + np.concatenate([steps * shown.place_sigma[:2], np.zeros((len(steps), 1))], 1)
    profiles = [profile(some, place) for place in places]
    average = background(profiles[0])
    aside = float(np.hypot(q.FOOTPRINT_SIGMA_M, 0.5 * shown.place_sigma[:2].max()))
    nats = np.zeros(AZIMUTHS) if prior_nats is None else prior_nats
    headings = np.flatnonzero(nats > nats.max() - WINDOW_NATS)
    sigma = shown.pitch[1]
    off = np.arange(-np.ceil(2.0 * sigma / TILT_STEP_RAD), np.ceil(2.0 * sigma / TILT_STEP_RAD) + 1)
    off = off * min(TILT_STEP_RAD, 1.5 * sigma)
    scores = _scores(shown, profiles, average, aside, headings, off)
    scores -= 0.5 * (steps**2).sum(1)[:, None, None] + 0.5 * ((off / sigma) ** 2)[:, None]
    circle = headings * (2 * np.pi / AZIMUTHS)
    scores += _by_head(shown, circle, places)[:, None]
    left = scores.max((0, 1)) + nats[headings]
    view = panorama(some, shown.place)
    out: list[Candidate] = []
    for _ in range(MOST_TRIED):
        k = int(left.argmax())
        if not np.isfinite(left[k]):
            break
        left[np.abs(wrap_rad(circle - circle[k])) < np.radians(3.0)] = -np.inf
        near = np.flatnonzero(np.abs(wrap_rad(circle - circle[k])) < np.radians(4.0))
        tilt = shown.pitch[0] + off[scores[:, :, k].max(0).argmax()]
        seen = seen_edges(shown.edges, shown.camera, tilt, shown.roll[0])
        pairs = pairing(seen, view.uprights, some.corners_m, circle[k])
        there = scores[:, scores[:, :, k].max(0).argmax()][:, near]
        grid = there + np.stack([gains(pairs, seen, circle[near], place, aside) for place in places])
        for _ in range(STARTS):
            a, b = np.unravel_index(int(grid.argmax()), grid.shape)
            found = _fitted(shown, some, average, seen, tilt, circle[near[b]], places[a])
            grid[a, max(b - 2, 0) : b + 3] = -np.inf
            if found is not None:
                out.append(found)
    return tuple(sorted(out, key=lambda c: -c.nats))


def _by_head(shown: Shown, headings: Array, places: Array) -> Array:
    """What the tower's head says (places, headings) [nats]: from each place it is seen in one direction."""
    out = np.zeros((len(places), len(headings)))
    if shown.head is not None:
        for k, place in enumerate(places):
            off, distance = shown.head.off(headings, place)
            # places are tried in steps
            sigma = np.hypot(shown.head.sigma, 0.5 * shown.place_sigma[:2].max() / distance)
            out[k] = -np.minimum(0.5 * (off / sigma) ** 2, HEAD_NATS)
    return out


def _open_nats(shown: Shown) -> float:
    """How much likelier a heading is, of those that head and standpoint allow, than one of the whole circle."""
    if shown.head is None:
        return 0.0
    _, distance = shown.head.off(0.0, shown.place)
    spread = float(np.hypot(shown.head.sigma, shown.place_sigma[:2].max() / distance))
    return max(float(np.log(np.sqrt(2 * np.pi) / spread)), 0.0)


def _scores(
    shown: Shown, profiles: list[Profile], average: Array, aside_m: float, headings: Array, off: Array
) -> Array:
    """What the border says (places, tilts, headings) [nats] of some headings, by number, and tilts off the pitch."""
    step = 2 * np.pi / AZIMUTHS
    some = [_columns(shown, shown.pitch[0] + o, most=COLUMNS // 2) for o in off]
    elevation = [np.abs(c.elevation[:, None] - _ELEVATION).argmin(1) for c in some]
    at = [(headings[:, None] + np.round(c.azimuth / step).astype(int)) % AZIMUTHS for c in some]
    wanted = np.zeros(AZIMUTHS, bool)
    for k in at:
        wanted[k.ravel()] = True
    out = np.empty((len(profiles), len(off), len(headings)))
    for n, p in enumerate(profiles):
        table = likelihood_table(p, average, aside_m, wanted)
        for t, c in enumerate(some):
            out[n, t] = table[at[t], elevation[t]] @ c.weight
    return out


def _fitted(
    shown: Shown, some: Surroundings, average: Array, seen: Seen, tilt: float, heading: float, place: Array
) -> Candidate | None:
    """The camera fitted from a start; tilt: the pitch that suits it."""
    camera = shown.camera
    known = np.array([heading, *shown.place[:2], 0.0, 0.0, 0.0])
    focal, roll = max(camera.f_relative_sigma, 1e-4), max(shown.roll[1], 1e-4)
    sigma = np.array([np.inf, *shown.place_sigma[:2], focal, roll, max(camera.principal_sigma_px, 0.1)])
    x = np.array([heading, *place[:2], 0.0, 0.0, 0.0])
    for wide in ((2.0, 1.5, 1.0), (1.0, 1.0, 1.0)):
        here = panorama(some, np.array([*x[1:3], shown.place[2]]))
        pairs = pairing(seen, here.uprights, some.corners_m, x[0])
        found = fit_corners(seen, pairs, known, sigma, x, wide, shown.head)
        if found is None:
            return None
        fitted, x = found, found.value
    there = profile(some, np.array([*x[1:3], shown.place[2]]))
    step = min(0.5 * TILT_STEP_RAD, 0.7 * shown.pitch[1])
    tried = []
    for pitch in tilt + step * np.arange(-2, 3):
        columns = _columns(shown, pitch, shown.roll[0] + x[4])
        border = float(border_nats(there, average, columns, x[:1], q.FOOTPRINT_SIGMA_M)[0])
        tried.append((border - 0.5 * ((pitch - shown.pitch[0]) / shown.pitch[1]) ** 2, pitch))
    border, pitch = max(tried)
    off = float((((x - known) / sigma)[1:] ** 2).sum())
    if shown.head is not None:
        off += (float(shown.head.off(x[0], x[1:3])[0]) / shown.head.sigma) ** 2
    nats = BORDER_WORTH * border + EDGES_WORTH * fitted.gain - PLACE_WORTH * 0.5 * off
    nats += BUILDING_NATS * min(fitted.buildings, MOST_BUILDINGS)
    return Candidate(nats=nats, pitch=float(pitch), fitted=fitted)


def _with_border(shown: Shown, some: Surroundings, average: Array, c: Candidate) -> Fitted:
    """A candidate's fit with what the border tells of heading and standpoint as well.

    That is the parabola that suits the border's log likelihood best over some steps about the fit.
    """
    x, fitted = c.fitted.value, c.fitted
    columns = _columns(shown, c.pitch, shown.roll[0] + x[4], most=COLUMNS // 2)
    step_m = float(np.clip(0.4 * shown.place_sigma[:2].max(), 0.8, 2.0))
    turns = np.radians(np.array([-0.8, -0.4, 0.0, 0.4, 0.8]))
    d, value = [], []
    for east in (-step_m, 0.0, step_m):
        for north in (-step_m, 0.0, step_m):
            there = profile(some, np.array([x[1] + east, x[2] + north, shown.place[2]]))
            value.append(border_nats(there, average, columns, x[0] + turns, q.FOOTPRINT_SIGMA_M))
            d.append(np.column_stack([turns, np.full(5, east), np.full(5, north)]))
    by, scale = np.concatenate(d), np.array([np.radians(0.5), step_m, step_m])
    u = by / scale
    i, j = np.triu_indices(3)
    design = np.column_stack([np.ones(len(u)), u, u[:, i] * u[:, j]])
    coefficients = np.linalg.lstsq(design, np.concatenate(value), rcond=None)[0]
    bend = np.zeros((3, 3))
    bend[i, j] = -coefficients[4:]
    bend = BORDER_WORTH * (bend + bend.T)
    values, vectors = np.linalg.eigh(bend)
    values = np.maximum(values, 1e-3)
    slope = vectors.T @ (BORDER_WORTH * coefficients[1:4])
    root = np.zeros((3, 6))
    root[:, :3] = np.sqrt(values)[:, None] * vectors.T / scale
    offset = np.clip(slope / np.sqrt(values), -3.0, 3.0)
    # a wrong focal length, roll or principal point moves all columns alike: as the heading does
    by_focal, by_roll = -0.5 * np.sin(2.0 * columns.azimuth), np.tan(columns.elevation)
    by_camera = np.column_stack([by_focal, by_roll, -(np.cos(columns.azimuth) ** 2) / shown.camera.f_px])
    moved = (columns.weight @ by_camera) / max(float(columns.weight.sum()), 1e-9)
    root[:, 3:] = root[:, :1] * moved
    rows, told = np.concatenate([fitted.root, root]), np.concatenate([fitted.offset, offset])
    weight = np.linalg.inv(fitted.covariance) - fitted.root.T @ fitted.root
    covariance = np.linalg.inv(rows.T @ rows + weight)
    # the fit rests where the edges' rows and what was known before balance: only the border moves it on
    moved_by = covariance @ (root.T @ offset)
    return replace(fitted, value=x + moved_by, covariance=covariance, root=rows, offset=told - rows @ moved_by)


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """One way in which a photo may be laid over the map.

    probability: by what is seen alone, headings being equally probable before. value (6,), covariance (6, 6): of
    `corners.UNKNOWNS`, with the standpoint as it was known before; known, known_covariance: as that was, with the
    tower's head; root, offset: what the map alone says of them, as `Fitted` has it. pairs (m, 2): edges of the photo
    and corners of the map taken for one; buildings: how many.
    """

    probability: float
    value: Array
    covariance: Array
    known: Array
    known_covariance: Array
    root: Array
    offset: Array
    pairs: Array
    buildings: float

    @property
    def heading_sigma_rad(self) -> float:
        """Standard uncertainty of the heading."""
        return float(np.sqrt(self.covariance[0, 0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class SkylineMatch:
    """Where a photo may have looked, by the map: peaks, the most probable first; what is left to 1 is no match.

    seen_rad: how much of the frame's width shows a border of the sky that a map could have. border, edges: what was
    seen.
    """

    peaks: tuple[Peak, ...]
    seen_rad: float
    border: SkyBorder | None
    edges: UprightEdges | None


def match_skyline(shown: Shown, some: Surroundings, heading_nats: Array | None = None) -> SkylineMatch:
    """Lay a photo over the map.

    heading_nats (H,) : as of `candidates`; it says where to look closely, and nothing else.
    """
    seen_rad = float(_columns(shown, shown.pitch[0]).weight.sum() * WITNESS_RAD)
    nothing = SkylineMatch(peaks=(), seen_rad=seen_rad, border=shown.border, edges=shown.edges)
    if seen_rad < LEAST_SEEN_RAD or not len(some):
        return nothing
    found = _different(candidates(shown, some, heading_nats))
    average = background(profile(some, shown.place))
    best = max((c.nats for c in found), default=0.0)
    found = [replace(c, fitted=_with_border(shown, some, average, c)) for c in found if best - c.nats < LEFT_NATS]
    weight = np.array([c.nats for c in found]) - NONE_NATS + _open_nats(shown)
    odds = np.exp(np.clip(weight, -50.0, 50.0))
    probability = odds / (1.0 + odds.sum())
    peaks = [
        Peak(
            probability=float(p),
            value=c.fitted.value,
            covariance=WIDENED**2 * c.fitted.covariance,
            known=c.fitted.known,
            known_covariance=c.fitted.known_covariance,
            root=c.fitted.root / WIDENED,
            offset=c.fitted.offset / WIDENED,
            pairs=c.fitted.pairs,
            buildings=c.fitted.buildings,
        )
        for p, c in zip(probability, found, strict=True)
        if p > LEAST_PROBABLE
    ]
    return replace(nothing, peaks=tuple(sorted(peaks, key=lambda p: -p.probability)))


def _different(found: tuple[Candidate, ...]) -> list[Candidate]:
    """Without those that came to rest about where a better one did."""
    out: list[Candidate] = []
    for c in found:
        x, sigma = c.fitted.value[:3], np.sqrt(np.diag(c.fitted.covariance)[:3])
        off = [np.array([wrap_rad(x[0] - o.fitted.value[0]), *(x[1:] - o.fitted.value[1:3])]) for o in out]
        if all((np.abs(d) > sigma).any() for d in off):
            out.append(c)
    return out
