"""What four points that a person picked on an antenna may be: the corners of a face, or those of its whole outline.

Nobody can be told reliably which of the two to pick. So both are tried, and the pixels decide between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from photoaz.photo.camera import Array
from photoaz.quantities import PICK_HASTE_PX, PICK_LEAST_PX, PICK_SHARE
from photoaz.register.model import SeenView
from photoaz.vision.box import N_BODY

#: what four points may be, in the order of the columns of masks
READINGS = ("front", "rear", "outline")
#: a face's corners among a box's own, upper left first as somebody who looks at that face has them
_FACE = {"front": np.array([0, 1, 2, 3]), "rear": np.array([5, 4, 7, 6])}
#: which of them each side's four points may be, and between which angles of the front off the direction to the camera:
#: somebody who sees its corners sees the face; a side is what is seen within 35 degrees (common practice, no source)
_FACING = float(np.radians(97.0))
#: how often people pick a face's corners, and an outline's (common practice, no source)
_SHARE = (0.8, 0.8, 0.2)
#: where along a panel the corners of its outline are, as a share of its width as seen, one sigma
END_SHARE = 0.25
#: a reading that the pixels make twenty times less probable than another is none: -2 ln of that
UNLIKELY = float(2.0 * np.log(20.0))
_READ = {"front": ("front", "outline"), "rear": ("rear", "outline"), "profile": ("outline",)}
_OFF = {
    "front": (0.0, _FACING),
    "rear": (np.pi - _FACING, np.pi),
    "profile": (np.radians(55.0), np.radians(125.0)),
}
ANY_SIDE = (0.0, np.pi + 1e-9)


def mask_of(side: SeenView | None, *, exact: bool = False) -> Array:
    """Which of READINGS four points may be (3,): those of a face as a rule; exact ones are not taken for an outline."""
    read = _READ[side or "front"]
    return np.array([r in (read[:1] if exact else read) for r in READINGS])


def off_of(side: SeenView | None) -> tuple[float, float]:
    """Least and largest angle of the front's normal off the direction to the camera [rad] where a side is seen."""
    return ANY_SIDE if side is None else _OFF[side]


def off_px(corners_px: Array) -> float:
    """Standard uncertainty of each of four picked corners (4, 2), px, in x and in y.

    A careful person is off by a share of the panel's width as seen; a hasty one by some pixels more.
    """
    return float(np.hypot(max(PICK_SHARE * wide_px(corners_px), PICK_LEAST_PX), PICK_HASTE_PX))


def wide_px(corners_px: Array) -> float:
    """Width as seen of four corners (4, 2), px."""
    return float(np.hypot(*(corners_px[[1, 2]].mean(0) - corners_px[[0, 3]].mean(0))))


def misses(reading: str, picked_px: Array, sigma_px: Array, points_px: Array, derivative: Array) -> tuple[Array, Array]:
    """How far boxes' corners lie from picked ones (B, 4, 2) in one reading: (B, 8), and their derivative (B, 8, P).

    sigma_px (B,): of the corners. points_px (B, M, 2), derivative (B, M, 2, P): of a body's points and its ideal box's
    corners behind them; a face asks for the latter alone.

    The corners of an outline lie where lines along its upright edges meet those along its ends: across the panel at
    the outermost point of its upper (or lower) end, along it at the point farthest out in both directions. Its ends
    have corners of their own where two faces meet, so that along the panel its four corners are a matter of taste: what
    they are missed by there counts as many times less as `END_SHARE` makes it.
    """
    each = np.arange(len(points_px))[:, None]
    if reading != "outline":
        at = _FACE[reading] + points_px.shape[1] - 8
        px, by = points_px[each, at], derivative[each, at]
        return (picked_px - px).reshape(-1, 8), by.reshape(*by.shape[:1], 8, -1)
    up = picked_px[:, :2].mean(1) - picked_px[:, 2:].mean(1)
    up = up / np.maximum(np.hypot(up[:, :1], up[:, 1:]), 1e-9)
    right = np.stack([-up[:, 1], up[:, 0]], -1)  # y counts downwards
    body = points_px[:, :N_BODY]
    across, along = (body @ right[..., None])[..., 0], (body @ up[..., None])[..., 0]
    half = N_BODY // 2  # the lower slices come first
    ends = {1: slice(half, N_BODY), -1: slice(0, half)}
    outermost, farthest = [], []
    for sx, sy in ((-1, 1), (1, 1), (1, -1), (-1, -1)):
        part = ends[sy]
        outermost.append((sx * across[:, part]).argmax(1) + part.start)
        farthest.append((sx * across[:, part] + sy * along[:, part]).argmax(1) + part.start)
    out, rows = [], []
    for axis, of, at in ((right, across, np.stack(outermost, 1)), (up, along, np.stack(farthest, 1))):
        out.append((picked_px @ axis[..., None])[..., 0] - np.take_along_axis(of, at, 1))
        rows.append((axis[:, None, None] @ derivative[each, at])[:, :, 0])
    less = _along(picked_px, sigma_px)
    off = np.concatenate([out[0], less[:, None] * out[1]], 1)
    return off, np.concatenate([rows[0], less[:, None, None] * rows[1]], 1)


def _along(picked_px: Array, sigma_px: Array) -> Array:
    """How many times less an outline's corners are known along the panel than across it (B,)."""
    wide = np.hypot(*(picked_px[:, [1, 2]].mean(1) - picked_px[:, [0, 3]].mean(1)).T)
    return np.asarray(1.0 / np.hypot(1.0, END_SHARE * wide / sigma_px))


@dataclass(frozen=True, slots=True)
class Told:
    """What picked corners say of boxes: normal equations (B, P, P), (B, P), and -2 ln likelihood (B,).

    share (B, 3): probability of each of READINGS, given the box.
    """

    normal: Array
    right: Array
    cost: Array
    share: Array


def told(mask: Array, sigma_px: Array, picked_px: Array, points: tuple[Array, Array]) -> Told:
    """What corners picked (B, 4, 2) say of boxes, whichever way they are meant: a mixture of the readings that may be.

    mask (B, 3): these; sigma_px (B,): of a corner; points: of the boxes, and their derivative, as `misses` has them.
    """
    likelihood = np.where(mask, np.array(_SHARE), 0.0)
    likelihood /= likelihood.sum(1, keepdims=True)
    # what would allow for more explains less: the density of four corners along the panel
    rivals = mask.sum(1) > 1
    likelihood[rivals, READINGS.index("outline")] *= _along(picked_px, sigma_px)[rivals] ** 4
    chi2 = np.full(mask.shape, np.inf)
    equations = []
    for k, reading in enumerate(READINGS):
        if mask[:, k].any():
            off, rows = misses(reading, picked_px, sigma_px, *points)
            chi2[:, k] = np.where(mask[:, k], (off * off).sum(1) / sigma_px**2, np.inf)
            turned = np.swapaxes(rows, -1, -2) / sigma_px[:, None, None] ** 2
            equations.append((k, turned @ rows, (turned @ off[..., None])[..., 0]))
    least = chi2.min(1)
    likelihood *= np.exp(-0.5 * (chi2 - least[:, None]))
    total = likelihood.sum(1)
    share = likelihood / total[:, None]
    normal = sum(share[:, k, None, None] * n for k, n, _ in equations)
    right = sum(share[:, k, None] * r for k, _, r in equations)
    return Told(np.asarray(normal), np.asarray(right), least - 2.0 * np.log(total), share)


def meant(share: Array, cost: Array, prior_cost: Array) -> Array:
    """Which of the ways that one panel's box fits (M,) count: those of readings that its pixels do not speak against.

    share (M, 3): probability of each reading, given the box; cost, prior_cost (M,): -2 ln likelihood of pixels and
    corners, and of what was known before. An outline must hold with and without what was known; a face, which is what
    people are asked for, with or without.
    """
    which = share.argmax(1)

    def holds(value: Array) -> Array:
        best = np.array([value[which == k].min(initial=np.inf) for k in range(len(READINGS))])
        return np.asarray(best[which] <= value.min() + UNLIKELY)

    alone, both = holds(cost), holds(cost + prior_cost)
    return np.where(which == READINGS.index("outline"), alone & both, alone | both)
