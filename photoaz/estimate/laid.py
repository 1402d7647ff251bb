"""Photos laid over the map of what stands round: what the sky's border and upright edges in them say of the heading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from photoaz.angles import Angle, Array, azimuth_deg, wrap_rad
from photoaz.memory import Memory, recall
from photoaz.naming.model import AntennaPriors, KnownPhoto
from photoaz.network.solution import NetworkSolution
from photoaz.network.surrounded import SURROUNDINGS, LaidOver, likeliest_peak, one_heading
from photoaz.photo.camera import Camera, normalised_from_pixels, pitch_for, rotation_cam_from_enu
from photoaz.photo.pixels import Picture
from photoaz.priors import Priors
from photoaz.quantities import HAND_HELD_ROLL_RAD, K95, STATEMENT_NONSENSE_SHARE, UNSURE_FOCAL_SHARE
from photoaz.register.model import Control
from photoaz.result import AroundView
from photoaz.result.evidence import Pair
from photoaz.surroundings.corners import HeadSeen
from photoaz.surroundings.maps import Surroundings
from photoaz.surroundings.match import AZIMUTHS, LEAST_SEEN_RAD, Peak, Shown, SkylineMatch, match_skyline
from photoaz.surroundings.panorama import panorama
from photoaz.vision.finder import FoundPanels
from photoaz.vision.skyline import border_at, elevations, find_sky_border, find_upright_edges
from photoaz.vision.verticals import find_verticals

#: a match more probable than this tells which antennas are seen, and where the adjustment starts
BELIEVED = 0.9
#: a panel found less probably does not say where the head is
_PANEL = 0.5
#: the head's middle lies so far from the axis, and so far from the mean of the antennas' heights [m]
_HEAD_ASIDE_M, _HEAD_UP_M = 0.7, 1.5
#: how well the panels that were found tell its middle [rad]
_HEAD_MIDDLE_RAD = float(np.radians(0.3))
#: a pitch less sure than this is looked for in upright lines too [rad]
_SURE_PITCH_RAD = float(np.radians(0.8))
#: who holds a camera at a tower holds it about so [rad], where nothing tells
_ANY_PITCH = 0.25, 0.25
#: how often the head is elsewhere than where panels were found
_HEAD_WRONG = 0.05

SKY_ALONE = "shows only sky and the tower: the map of what stands round tells nothing of its heading"
_NOT_LAID = "not laid over the map of what stands round"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Head:
    """Where the tower's head is seen: pixel (2,); its bearing and elevation [rad] from the standpoint, with standard
    uncertainties; enu_m (2,): where it stands. aside_rad: uncertainty of its bearing from a standpoint that is known.
    """

    pixel: Array
    bearing_rad: float
    bearing_sigma_rad: float
    elevation_rad: float
    elevation_sigma_rad: float
    enu_m: Array
    aside_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """What came of laying a photo over a map: the match, what the network takes of it, and what is said of it."""

    match: SkylineMatch | None = None
    over: LaidOver | None = None
    note: str | None = None


def lay_over(
    known: KnownPhoto,
    picture: Picture,
    found: FoundPanels | None,
    antennas: Mapping[str, AntennaPriors],
    site_sigma_m: float,
    some: Surroundings,
    controls: Sequence[Control],
    priors: Priors,
    memory: Memory,
) -> Laid:
    """A photo laid over a map. site_sigma_m: how well the tower's place is known, per axis.

    Raises InputError where the photo cannot be decoded.
    """
    if known.standpoint is None:
        return Laid(note=f"{_NOT_LAID}: nobody says where the camera stood")
    if known.camera.f_relative_sigma > UNSURE_FOCAL_SHARE:
        return Laid(note=f"{_NOT_LAID}: its focal length is hardly known")
    by_hand = next((c for c in controls if c.kind == "silhouette"), None)
    if by_hand is not None and by_hand.azimuth_true_deg is None:
        return Laid(note="the map's match was refused by a person")
    head = _head(known, found, antennas, site_sigma_m)
    statements = _statements(known, by_hand, priors)
    looked = statements if head is None else [*statements, _by_head(known, head)]
    nats = _heading_nats(looked)
    match: SkylineMatch = recall(
        memory,
        "skyline",
        (picture, known.camera, known.standpoint, known.height, known.pitches, known.rolls, head, some, nats),
        SkylineMatch,
        lambda: _matched(known, picture, head, some, nats),
    )
    if match.seen_rad < LEAST_SEEN_RAD:
        return Laid(match=match, note=SKY_ALONE)
    if not match.peaks:
        return Laid(match=match)
    chosen, probability = likeliest_peak(match, statements)
    return Laid(match=match, over=LaidOver(match=match, chosen=chosen, probability=probability))


def with_heading(known: KnownPhoto, laid: LaidOver | None) -> KnownPhoto:
    """The photo with a believed match's heading before all others, for naming what is seen."""
    if laid is None or laid.probability < BELIEVED:
        return known
    peak = laid.peak
    label = "the map of what stands round"
    sigma = float(np.hypot(peak.heading_sigma_rad, np.radians(0.5)))
    told = Angle(value_rad=float(peak.value[0]), sigma_rad=sigma, source=SURROUNDINGS, label=label)
    return replace(known, headings=(told, *known.headings))


def _head(
    known: KnownPhoto, found: FoundPanels | None, antennas: Mapping[str, AntennaPriors], site_sigma_m: float
) -> _Head | None:
    """Where the head is seen by the panels found; None where none is found, or nobody knows where the camera stood."""
    seen = [] if found is None else [c for c in found.candidates if c.probability > _PANEL]
    own = [a for a in antennas.values() if a.own]
    if not seen or not own or known.standpoint is None:
        return None
    weight = np.array([c.probability for c in seen])
    middle = np.stack([c.corners_px.mean(0) for c in seen])
    pixel = (weight[:, None] * middle).sum(0) / weight.sum()
    (east, north), sigma = known.standpoint
    to = np.mean([a.east_north_m for a in own], 0) - [east, north]
    up = float(np.mean([a.up_m for a in own])) - known.height[0]
    flat = max(float(np.hypot(*to)), 3.0)
    aside_m = float(np.hypot(_HEAD_ASIDE_M, site_sigma_m))
    slant = float(np.sqrt((sigma * up) ** 2 + ((known.height[1] ** 2 + _HEAD_UP_M**2) * flat**2))) / (flat**2 + up**2)
    return _Head(
        pixel=pixel,
        bearing_rad=float(np.arctan2(to[0], to[1])),
        bearing_sigma_rad=float(np.hypot(sigma, aside_m)) / flat,
        elevation_rad=float(np.arctan2(up, flat)),
        elevation_sigma_rad=slant,
        enu_m=to + np.array([east, north]),
        aside_rad=float(np.hypot(aside_m / flat, _HEAD_MIDDLE_RAD)),
    )


def _statements(known: KnownPhoto, by_hand: Control | None, priors: Priors) -> list[tuple[float, float, float]]:
    """What is known of the heading: value, sigma [rad], probability of being right."""
    out = []
    if by_hand is not None and by_hand.azimuth_true_deg is not None:
        sigma = float(np.radians(by_hand.u95 / K95))
        out.append((float(np.radians(by_hand.azimuth_true_deg)), sigma, 1.0 - STATEMENT_NONSENSE_SHARE))
    for a in known.headings:
        bad = a.doubted(priors.compasses.disturbed_share, 1.0)[0] if a.is_compass else 0.0
        out.append((a.value_rad, a.sigma_rad, 1.0 - bad))
    return out


def _by_head(known: KnownPhoto, head: _Head) -> tuple[float, float, float]:
    """What the head says of the heading, for where to look alone: the match itself ties it to the standpoint."""
    pitch, _, roll, _ = _tilt(known, head)
    heading = float(wrap_rad(head.bearing_rad - _off_heading(known, head, pitch, roll)))
    return heading, head.bearing_sigma_rad, 1.0 - _HEAD_WRONG


def _off_heading(known: KnownPhoto, head: _Head, pitch_rad: float, roll_rad: float) -> float:
    """Azimuth off the heading [rad] in which the head is seen."""
    x = np.append(normalised_from_pixels(known.camera, head.pixel), 1.0)
    d = x @ rotation_cam_from_enu(0.0, pitch_rad, roll_rad)
    return float(np.arctan2(d[0], d[1]))


def _tilt(known: KnownPhoto, head: _Head | None) -> tuple[float, float, float, float]:
    """Pitch and its sigma, roll and its sigma [rad], by metadata and where the head is seen."""
    roll, roll_sigma = (
        (known.rolls[0].value_rad, known.rolls[0].sigma_rad) if known.rolls else (0.0, HAND_HELD_ROLL_RAD)
    )
    pitch, sigma = _ANY_PITCH
    said = [(a.value_rad, a.sigma_rad) for a in known.pitches[:1]]
    if head is not None:
        said.append((pitch_for(known.camera, head.pixel, head.elevation_rad, roll), head.elevation_sigma_rad))
    if said:
        weight = np.array([s**-2.0 for _, s in said])
        pitch, sigma = float(weight @ [v for v, _ in said] / weight.sum()), float(weight.sum() ** -0.5)
    return pitch, sigma, roll, roll_sigma


def _heading_nats(statements: Sequence[tuple[float, float, float]]) -> Array:
    """Log of how probable each of the circle's headings is by what else is known, to look closely where it may be."""
    circle = np.arange(AZIMUTHS) * (2 * np.pi / AZIMUTHS)
    out = np.zeros(AZIMUTHS)
    for value, sigma, right in statements:
        wide = float(np.hypot(sigma, np.radians(1.0)))
        density = np.exp(-0.5 * (wrap_rad(circle - value) / wide) ** 2) / (wide * np.sqrt(2 * np.pi))
        out += np.log(right * density * 2 * np.pi + max(1.0 - right, 1e-3))
    return out


def _matched(
    known: KnownPhoto,
    picture: Picture,
    head: _Head | None,
    some: Surroundings,
    nats: Array,
) -> SkylineMatch:
    assert known.standpoint is not None
    pitch, pitch_sigma, roll, roll_sigma = _tilt(known, head)
    if pitch_sigma > _SURE_PITCH_RAD or roll_sigma > _SURE_PITCH_RAD:
        lines = find_verticals(
            picture.grey(),
            known.camera,
            pitch_rad=pitch,
            pitch_sigma_rad=pitch_sigma,
            roll_rad=roll,
            roll_sigma_rad=roll_sigma,
        )
        if lines is not None:
            weight = np.diag([pitch_sigma**-2.0, roll_sigma**-2.0])
            root, before = lines.root[:, :2], np.array([pitch, roll])
            normal = root.T @ root + weight
            pitch, roll = np.linalg.solve(normal, root.T @ (lines.offset + root @ lines.mean) + weight @ before)
            pitch_sigma, roll_sigma = np.sqrt(np.diag(np.linalg.inv(normal)))
    attitude = {"pitch_rad": float(pitch), "roll_rad": float(roll)}
    border = find_sky_border(picture.colour(), known.camera, **attitude, pitch_sigma_rad=float(pitch_sigma))
    if border is None:
        return SkylineMatch(peaks=(), seen_rad=0.0, border=None, edges=None)
    edges = find_upright_edges(picture.grey(), border, known.camera, **attitude, roll_sigma_rad=float(roll_sigma))
    (east, north), sigma = known.standpoint
    up, up_sigma = known.height
    shown = Shown(
        camera=known.camera,
        border=border,
        edges=edges,
        pitch=(float(pitch), float(pitch_sigma)),
        roll=(float(roll), float(roll_sigma)),
        place=np.array([east, north, up]),
        place_sigma=np.array([sigma, sigma, up_sigma]),
        head=None
        if head is None
        else HeadSeen(_off_heading(known, head, float(pitch), float(roll)), head.aside_rad, head.enu_m),
    )
    return match_skyline(shown, some, nats)


#: a border within so many sigmas of the map's skyline is that; points of polylines, and the shortest one that is told
_SAME_SIGMAS, _POINTS, _LEAST_POINTS = 2.0, 160, 3


def around_view(name: str, laid: Laid, some: Surroundings, network: NetworkSolution | None) -> AroundView:
    """How a photo lies over the map, after the network was solved (None where it could not be)."""
    assert laid.match is not None
    seen_deg = float(np.degrees(laid.match.seen_rad))
    if laid.over is None or network is None or name not in network.posterior.matched:
        return AroundView(state="sky_alone" if laid.match.seen_rad < LEAST_SEEN_RAD else "unsure", seen_deg=seen_deg)
    over, weighed = laid.over, network.posterior.matched[name]
    # of a piece taken for sure only its likeliest part is left
    chosen = int(weighed[:-1].argmax()) if len(weighed) > 1 else over.chosen
    peak, near = over.match.peaks[chosen], one_heading(over.match, chosen)
    photo = next(p for p in network.network.photos if p.name == name)
    x = network.adjusted.x[network.network.layout.photo(name)]
    camera = replace(photo.camera, f_px=photo.camera.f_px * float(np.exp(x[6])))
    matched, unmatched, lacking = _pieces(laid.match, camera, x, some)
    probability = float(weighed[:-1][near].sum()) if len(weighed) > 1 else over.probability
    return AroundView(
        state="matched" if probability > BELIEVED else "unsure",
        probability=probability,
        heading_true_deg=float(azimuth_deg(np.degrees(peak.value[0]))),
        u95_deg=float(np.degrees(K95 * peak.heading_sigma_rad)),
        seen_deg=seen_deg,
        buildings=peak.buildings,
        matched_px=matched,
        unmatched_px=unmatched,
        lacking_px=lacking,
        corners_px=_corners_px(laid.match, peak),
    )


def _corners_px(match: SkylineMatch, peak: Peak) -> tuple[tuple[Pair, ...], ...]:
    """The edges that are taken for corners, once each, foot first."""
    if match.edges is None:
        return ()
    ends = match.edges.ends_px[np.unique(peak.pairs[:, 0])]
    return tuple(((float(b[0]), float(b[1])), (float(a[0]), float(a[1]))) for a, b in ends)


def _pieces(match: SkylineMatch, camera: Camera, x: Array, some: Surroundings) -> list[tuple[tuple[Pair, ...], ...]]:
    """Pieces of the map's skyline that the border follows, those that it does not, and what the map lacks of it."""
    border = match.border
    assert border is not None
    pick = np.unique(np.linspace(0, len(border.x_px) - 1, _POINTS).round().astype(int))
    azimuth, elevation = elevations(border, camera, float(x[1]), float(x[2]))
    skyline = panorama(some, x[3:6]).skyline
    at = azimuth[pick] + x[0]
    piece = skyline.piece_at(at)
    map_elevation, sigma = skyline.elevation_rad(at, piece), skyline.sigma_rad(at, piece)
    there = border_at(camera, at, map_elevation, x[:3])
    seen = np.isfinite(border.sigma_px[pick])
    same = seen & (np.abs(elevation[pick] - map_elevation) < _SAME_SIGMAS * sigma)
    built = skyline.building[piece] >= 0
    own = np.column_stack([border.x_px, border.y_px])[pick]
    inside = np.isfinite(there).all(1) & (there[:, 1] > -camera.height_px) & (there[:, 1] < 2 * camera.height_px)
    return [
        _runs(there, piece, built & same & inside),
        _runs(there, piece, built & seen & ~same & inside),
        _runs(own, np.zeros_like(piece), seen & ~same & (elevation[pick] > map_elevation)),
    ]


def _runs(points: Array, piece: Array, which: Array) -> tuple[tuple[Pair, ...], ...]:
    """Polylines of neighbouring points (n, 2) of one piece each."""
    out: list[tuple[Pair, ...]] = []
    new = np.flatnonzero(np.diff(which.astype(int), prepend=0) | np.diff(piece, prepend=-2))
    for a, b in zip(new, [*new[1:], len(which)], strict=True):
        if which[a] and b - a >= _LEAST_POINTS:
            out.append(tuple((float(px), float(py)) for px, py in points[a:b]))
    return tuple(out)
