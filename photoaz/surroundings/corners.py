"""Upright edges of a photo laid against the corners of a map's buildings: where the camera stood and looked, finely.

Which edge is of which corner is not known: each edge is of one of the corners near to it or of none, weighed anew as
the camera moves (expectation maximisation over a Gaussian mixture with a uniform part).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from photoaz import quantities as q
from photoaz.angles import UNKNOWN_RAD, Array, wrap_rad
from photoaz.photo.camera import Camera, normalised_from_pixels, rotation_cam_from_enu
from photoaz.surroundings.panorama import Uprights
from photoaz.vision.skyline import UprightEdges

#: corners nearer than this are too near for a map's errors [m]
NEAREST_M = 6.0
#: an edge against the sky, and one between bodies, is of some corner of the map
SKY_SHARE, OTHER_SHARE = 0.35, 0.2
#: of the corners that may be seen so many are, as edges between other bodies
CORNERS_SEEN = 0.3
#: an edge spans this much of a corner at least to be of it [share], more certainly so from the second on
_SPAN_LEAST, _SPAN_SURE = 0.3, 0.7
#: edges nearer to each other than this are of one body [rad]
BESIDE_RAD = float(np.radians(0.3))
#: what is adjusted
UNKNOWNS = ("heading", "east", "north", "ln_focal", "roll", "principal_x")
_STEPS = np.array([1e-3, 1e-3, 1.0])
#: pairs of an edge and a corner less certain than this tell nothing
_LEAST_PAIRED = 0.3


@dataclass(frozen=True, slots=True)
class Seen:
    """Edges (n,) as seen at an attitude but for the heading: azimuth off it, elevations of both ends, sigma [rad].

    side: as `UprightEdges`. by (n, 3): derivatives of the azimuth by ln focal length, roll and principal point.
    witness: what each counts, of 1: beside each other they are of one body. field: width of the frame [rad].
    """

    azimuth: Array
    low: Array
    high: Array
    sigma: Array
    side: Array
    by: Array
    witness: Array
    field: float


def seen_edges(edges: UprightEdges, camera: Camera, pitch_rad: float, roll_rad: float) -> Seen:
    """A photo's upright edges as directions."""

    def angles(px: Array, roll: float, f_px: float) -> tuple[Array, Array]:
        x = normalised_from_pixels(camera, px, f_px)
        d = np.concatenate([x, np.ones_like(x[..., :1])], -1) @ rotation_cam_from_enu(0.0, pitch_rad, roll)
        return np.arctan2(d[..., 0], d[..., 1]), np.arctan2(d[..., 2], np.hypot(d[..., 0], d[..., 1]))

    f, middle = camera.f_px, edges.ends_px.mean(1)
    azimuth, _ = angles(middle, roll_rad, f)
    _, ends = angles(edges.ends_px, roll_rad, f)
    moved = (
        angles(middle, roll_rad, f * float(np.exp(_STEPS[0])))[0],
        angles(middle, roll_rad + _STEPS[1], f)[0],
        angles(middle - np.array([_STEPS[2], 0.0]), roll_rad, f)[0],
    )
    by = np.stack([(m - azimuth) / h for m, h in zip(moved, _STEPS, strict=True)], -1)
    sigma = np.full(len(azimuth), edges.sigma_px / f)
    field = 2.0 * float(np.arctan(0.5 * camera.width_px / f))
    beside = np.abs(azimuth[:, None] - azimuth) < BESIDE_RAD
    low, high = ends[:, 1], ends[:, 0]
    shared = np.minimum(high[:, None], high) - np.maximum(low[:, None], low)
    company = np.where(beside, np.clip(shared / np.maximum(high - low, 1e-4)[:, None], 0.0, 1.0), 0.0).sum(1)
    return Seen(azimuth, low, high, sigma, edges.side, by, 1.0 / np.maximum(company, 1.0), field)


@dataclass(frozen=True, slots=True)
class Pairing:
    """Edges and corners that may be one, by elevation and side of the sky, whatever their azimuths (m,).

    edge, corner: numbers, of `Seen` and of the `Uprights`. ln_share: log of the probability that the edge is of this
    corner, before azimuths are looked at. none (n,): that it is of none. enu_m (m, 2): of the corner; own, common
    (m,) [m]: its standard uncertainty, and that which the whole building has in common.
    """

    edge: Array
    corner: Array
    ln_share: Array
    none: Array
    enu_m: Array
    building: Array
    number: Array


def pairing(seen: Seen, uprights: Uprights, corners_m: Array, heading: float) -> Pairing:
    """What may be paired about a heading. corners_m: of the whole map."""
    near = np.abs(wrap_rad(uprights.azimuth_rad - heading)) < 0.5 * seen.field + np.radians(8.0)
    k = np.flatnonzero(near & (uprights.distance_m > NEAREST_M))
    low, high, s = uprights.elevation_low_rad[k], uprights.elevation_high_rad[k], uprights.sigma_top_rad[k]
    side = (seen.side[:, None] == 0) | (seen.side[:, None] == -uprights.side[k])
    length = seen.high - seen.low
    common = np.minimum(seen.high[:, None], high + s) - np.maximum(seen.low[:, None], low - uprights.sigma_low_rad[k])
    inside = np.clip(common / np.maximum(length[:, None], 1e-4), 0.0, 1.0)
    span = np.clip(
        (length[:, None] / np.maximum(high - low, 1e-3) - _SPAN_LEAST) / (_SPAN_SURE - _SPAN_LEAST), 0.0, 1.0
    )
    # a corner against the sky may be seen over its uppermost part only
    span = np.where(seen.side[:, None] != 0, np.maximum(span, 0.7), span)
    alike = np.where(side, np.clip(2.0 * inside - 1.0, 0.0, 1.0) * span, 0.0) * uprights.p_seen[k]
    suits = alike.sum(1)
    # windows, poles and trees have edges too: no more of them are of corners than there are corners
    free = seen.side == 0
    most = np.where(free, CORNERS_SEEN * len(k) / max(int(free.sum()), 1), 1.0)
    share = np.minimum(np.where(free, OTHER_SHARE, SKY_SHARE), most) * np.minimum(suits, 1.0)
    i, j = np.nonzero(alike > 0.05)
    ln = np.log(share[i] * alike[i, j] / np.maximum(suits[i], 1.0))
    number = uprights.corner[k[j]]
    return Pairing(i, k[j], ln, 1.0 - share, corners_m[number], uprights.building[k[j]], number)


def _spread(pairs: Pairing, seen: Seen, distance: Array) -> tuple[Array, Array]:
    """Of azimuths of pairs: own and common standard uncertainty [rad]."""
    return np.hypot(seen.sigma[pairs.edge], q.CORNER_SIGMA_M / distance), q.FOOTPRINT_SIGMA_M / distance


def gains(pairs: Pairing, seen: Seen, headings: Array, place: Array, wider_m: float) -> Array:
    """Log likelihood ratio (H,) of headings at a place, against edges that are of no corner.

    wider_m: by how much more corners may stand aside, for a search by steps.
    """
    if not len(pairs.edge):
        return np.zeros(len(headings))
    away = pairs.enu_m - place[:2]
    distance = np.maximum(np.hypot(*away.T), NEAREST_M)
    own, common = _spread(pairs, seen, distance)
    sigma = np.sqrt(own**2 + common**2 + (wider_m / distance) ** 2)
    off = wrap_rad(seen.azimuth[pairs.edge] - np.arctan2(away[:, 0], away[:, 1]) + headings[:, None])
    density = np.exp(pairs.ln_share - 0.5 * (off / sigma) ** 2) * (seen.field / (sigma * np.sqrt(2 * np.pi)))
    total = np.zeros((len(headings), len(pairs.none)))
    ends = np.flatnonzero(np.diff(pairs.edge, prepend=-1))
    total[:, pairs.edge[ends]] = np.add.reduceat(density, ends, 1)
    return np.asarray(np.log(total + pairs.none) @ seen.witness)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """What edges tell: value (6,) and covariance of UNKNOWNS with what was known before, and whitened rows of it alone.

    known (6,), known_covariance: UNKNOWNS as known before, the tower's head among what is known. root (m, 6), offset
    (m,): root @ (x - value) = offset, of the paired edges alone. gain: log likelihood ratio against edges that are of
    no corner [nats]. pairs: (m, 2) numbers of an edge and the corner of the map that it is of; share (m,): how
    certainly. buildings: how many different ones.
    """

    value: Array
    covariance: Array
    known: Array
    known_covariance: Array
    root: Array
    offset: Array
    gain: float
    pairs: Array
    share: Array
    buildings: float


@dataclass(frozen=True, slots=True)
class HeadSeen:
    """Where a tower's head is seen: azimuth off the heading and its sigma [rad]; where it stands, enu_m (2,)."""

    azimuth: float
    sigma: float
    enu_m: Array

    def off(self, heading: Any, place: Array) -> tuple[Any, float]:
        """How far it is seen off where it stands [rad], for a heading or several at a place; and its distance [m]."""
        away = self.enu_m - place[:2]
        return wrap_rad(heading + self.azimuth - np.arctan2(away[0], away[1])), max(float(np.hypot(*away)), NEAREST_M)


def fit_corners(
    seen: Seen,
    pairs: Pairing,
    known: Array,
    prior: Array,
    start: Array,
    wide: tuple[float, ...] = (3.0, 2.0, 1.0, 1.0, 1.0, 1.0),
    head: HeadSeen | None = None,
) -> Fitted | None:
    """The camera moved until its edges lie on corners; None where none does.

    known, prior (6,) : UNKNOWNS as known before, and their standard uncertainties; the heading's is infinite. start
    (6,) : to begin with. wide : factors by which uncertainties are widened, a step each. head : of the tower, which
    ties the heading to the standpoint.
    """
    if not len(pairs.edge):
        return None
    x = start.copy()
    weight = np.diag(np.where(np.isinf(prior), 1e-6, prior**-2.0))
    for factor in wide:
        residual, jacobian, distance = _residual(seen, pairs, x, known)
        own, common = _spread(pairs, seen, distance)
        sigma = factor * np.hypot(own, common)
        density = np.exp(pairs.ln_share - 0.5 * (residual / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
        total = np.bincount(pairs.edge, density, len(pairs.none)) + pairs.none / seen.field
        p = density / total[pairs.edge] * seen.witness[pairs.edge]
        w = p / sigma**2
        tied, tied_off = _tied(head, x)
        normal = (jacobian * w[:, None]).T @ jacobian + weight + np.outer(tied, tied)
        x = x - np.linalg.solve(normal, jacobian.T @ (w * residual) + weight @ (x - known) + tied * tied_off)
    gain = float(np.log(total * seen.field) @ seen.witness)
    k = np.flatnonzero(p > _LEAST_PAIRED)
    if not len(k):
        return None
    residual, jacobian, distance = _residual(seen, pairs, x, known)
    own, common = _spread(pairs, seen, distance)
    variance = own[k] ** 2 / p[k]
    building = pairs.building[k]
    together = (building[:, None] == building) * common[k, None] * common[k]
    lower = np.linalg.cholesky(np.diag(variance) + together)
    root = np.linalg.solve(lower, jacobian[k])
    tied, tied_off = _tied(head, x)
    # a heading of which nothing is known is as dense as a flat one
    before_weight = np.diag(np.where(np.isinf(prior), UNKNOWN_RAD, prior) ** -2.0)
    before = np.linalg.inv(before_weight + np.outer(tied, tied))
    return Fitted(
        value=x,
        covariance=np.linalg.inv(root.T @ root + weight + np.outer(tied, tied)),
        known=before @ (before_weight @ known + tied * (tied @ x - tied_off)),
        known_covariance=before,
        root=root,
        offset=-np.linalg.solve(lower, residual[k]),
        gain=gain,
        pairs=np.stack([pairs.edge[k], pairs.number[k]], -1),
        share=p[k],
        buildings=float(sum(p[k][building == b].max() for b in np.unique(building))),
    )


def _tied(head: HeadSeen | None, x: Array) -> tuple[Array, float]:
    """The whitened row (6,) that a tower's head makes, and its residual; zeros where none is seen."""
    row = np.zeros(6)
    if head is None:
        return row, 0.0
    off, distance = head.off(x[0], x[1:3])
    away = head.enu_m - x[1:3]
    row[:3] = 1.0, away[1] / distance**2, -away[0] / distance**2
    return row / head.sigma, float(off) / head.sigma


def _residual(seen: Seen, pairs: Pairing, x: Array, known: Array) -> tuple[Array, Array, Array]:
    """Of azimuths of pairs (m,) as seen, off the map's; derivatives (m, 6), distances (m,)."""
    away = pairs.enu_m - x[1:3]
    distance = np.maximum(np.hypot(*away.T), NEAREST_M)
    by = seen.by[pairs.edge]
    here = seen.azimuth[pairs.edge] + x[0] + by @ (x[3:] - known[3:])
    residual = wrap_rad(here - np.arctan2(away[:, 0], away[:, 1]))
    moved = np.stack([away[:, 1], -away[:, 0]], -1) / (distance**2)[:, None]
    return residual, np.concatenate([np.ones((len(away), 1)), moved, by], 1), distance
