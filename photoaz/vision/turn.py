"""How a panel that was found is turned, as a small network sees it: a density over its yaw, and no measurement.

The network looks at the panel once, upright and brought to one size, and is told what is known of it: its sizes, its
distance, how steeply one looks up. It says how probable each turn is before any edge is measured, and so tells between
the ways in which an outline fits. How it was made and what it can do: training/MODEL_CARD.md.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.special import log_softmax, logit

from photoaz.photo.camera import Array, directions_from_pixels
from photoaz.photo.pixels import Part
from photoaz.vision.box import Sighting, across_axis, long_axis
from photoaz.vision.finder import PanelCandidate
from photoaz.vision.patch import cut

#: rows and columns of the picture that the network sees; so much of them is the panel's own box
ROWS, COLUMNS = 96, 64
TALL_SHARE, WIDE_SHARE = 1 / 1.5, 1 / 2.0
#: the circle of yaws is told in so many bins, the first one's middle at -180 degrees
BINS = 72
N_FACTS = 19
#: which fact is the sine of the finder's yaw
SINE_OF_YAW = 12
#: the picture is sampled at most so many times finer than the network sees it
_FINER = 4
_BIN_RAD = 2.0 * np.pi / BINS
#: ln of a density below its highest from where a further peak is not followed
_MUCH_LESS = 2.5
#: peaks that `parts` has at most, and the share of the whole that each has at least
MOST_PARTS, _LEAST_PART = 3, 0.03
_MOST_FACT = 4.0
_WEIGHTS = Path(__file__).resolve().parent / "weights"


@dataclass(frozen=True, slots=True)
class TurnDensity:
    """Density of the front normal's angle off the line to the camera, in plan, clockwise from above.

    ln (BINS,): its logarithm at the bins' middles, against all turns being equally probable.
    """

    ln: Array

    @property
    def best_rad(self) -> float:
        """The likeliest yaw, by the parabola through the highest bin and its neighbours."""
        k = int(np.argmax(self.ln))
        before, top, after = self.ln[[k - 1, k, (k + 1) % BINS]]
        bend = before - 2.0 * top + after
        return float((k + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)) * _BIN_RAD - np.pi)

    @property
    def peaks_rad(self) -> Array:
        """Yaws (N,) that are likelier than their neighbours and not much less likely than the likeliest."""
        higher = (self.ln >= np.roll(self.ln, 1)) & (self.ln > np.roll(self.ln, -1))
        return np.flatnonzero(higher & (self.ln > self.ln.max() - _MUCH_LESS)) * _BIN_RAD - np.pi

    @property
    def parts(self) -> tuple[tuple[float, float, float], ...]:
        """Normal distributions that make about the same density: share, yaw and sigma [rad] of each peak.

        The weightiest first. A peak holds what lies between the lowest places beside it; those of little weight are
        left out.
        """
        share = np.exp(self.ln - self.ln.max())
        share /= share.sum()
        lowest = np.flatnonzero((self.ln <= np.roll(self.ln, 1)) & (self.ln < np.roll(self.ln, -1)))
        out = []
        for low, high in zip(lowest, np.append(lowest[1:], lowest[:1] + BINS), strict=True):
            k = np.arange(low, high)
            weight = share[k % BINS]
            mass = float(weight.sum())
            middle = float(weight @ k) / mass
            sigma = float(np.sqrt(weight @ (k - middle) ** 2 / mass + 1.0 / 12.0))
            out.append((mass, middle * _BIN_RAD - np.pi, sigma * _BIN_RAD))
        kept = sorted((p for p in out if p[0] > _LEAST_PART), reverse=True)[:MOST_PARTS]
        whole = sum(p[0] for p in kept)
        return tuple((mass / whole, yaw, sigma) for mass, yaw, sigma in kept)

    def at(self, yaw_rad: Array) -> Array:
        """Its logarithm at yaws of any shape, between the bins as on a line."""
        place = (np.asarray(yaw_rad) / (2 * np.pi) + 0.5) * BINS
        below = np.floor(place)
        share = place - below
        k = below.astype(int) % BINS
        return np.asarray((1.0 - share) * self.ln[k] + share * self.ln[(k + 1) % BINS])


def picture_of(image: Array | Part, corners_px: Array, reach_px: float, margin: float = 1.0) -> Array:
    """A panel upright and of one size (ROWS, COLUMNS), or (ROWS, COLUMNS, 3), uint8; its sides longer by `margin`.

    image: (H, W) grey or (H, W, 3) BGR, uint8. corners_px (8, 2): of the panel's box, as the finder has them. reach_px:
    no pixel farther from its middle, either way, is looked at.
    """
    axis, across = long_axis(corners_px), across_axis(corners_px)
    down = axis if axis[1] > 0 else -axis
    right = across if across[0] > 0 else -across
    u, v = corners_px @ right, corners_px @ down
    middle = 0.5 * (u.min() + u.max()) * right + 0.5 * (v.min() + v.max()) * down
    part, part_px = cut(image, corners_px.mean(0) - reach_px, corners_px.mean(0) + reach_px)
    wide, tall = (margin * max(float(np.ptp(w)), 3.0) / share for w, share in ((u, WIDE_SHARE), (v, TALL_SHARE)))
    columns, rows = round(margin * COLUMNS), round(margin * ROWS)
    finer = [int(np.clip(np.ceil(n / m), 1, _FINER)) for n, m in ((wide, columns), (tall, rows))]
    size = columns * finer[0], rows * finer[1]
    # from a pixel of the picture to one of the part
    to = np.stack([right * wide / size[0], down * tall / size[1]], -1)
    origin = middle - part_px + to @ (0.5 - 0.5 * np.array(size, float))
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(part, np.column_stack([to, origin]), size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(out, (columns, rows), interpolation=cv2.INTER_AREA) if max(finer) > 1 else out)


def facts_of(
    candidate: PanelCandidate,
    sighting: Sighting,
    *,
    distance_m: float,
    ln_distance_sigma: float,
    ln_size: Array,
    ln_size_sigma: Array,
) -> Array:
    """What the network is told beside the picture (N_FACTS,), each about one: sizes, distance, the finder's word.

    ln_size, ln_size_sigma (3,): ln of width, height, depth [m], and how well they are known.
    """
    c = candidate
    tall, wide = (float(np.ptp(c.corners_px @ a)) for a in (long_axis(c.corners_px), across_axis(c.corners_px)))
    sight = sighting.cam_from_level.T @ directions_from_pixels(sighting.camera, c.corners_px.mean(0))
    scale = sighting.camera.f_px / distance_m
    level = float(np.hypot(sight[0], sight[1]))
    facts = [
        np.log(max(wide, 3.0) / 30.0),
        np.log(max(tall, 3.0) / max(wide, 3.0)) - 1.6,
        sight[2],
        level,
        ln_size[0] - ln_size[1] + 1.8,
        ln_size[2] - ln_size[0] + 0.8,
        5.0 * ln_size_sigma[0],
        3.0 * ln_size_sigma[2],
        ln_size[0] + np.log(scale / max(wide, 3.0)),
        ln_size[1] + np.log(scale * max(level, 0.1) / max(tall, 3.0)),
        10.0 * ln_distance_sigma,
        2.0 * c.front - 1.0,
        np.sin(c.yaw_rad),
        np.cos(c.yaw_rad),
        c.visible,
        c.hidden_by == "structure",
        c.hidden_by == "panel",
        c.hidden_by == "frame",
        logit(np.clip(c.probability, 1e-3, 1 - 1e-3)) / 3.0,
    ]
    return np.asarray(np.clip(facts, -_MOST_FACT, _MOST_FACT), float)


@cache
def _network() -> Any:
    return cv2.dnn.readNetFromONNX(str(_WEIGHTS / "turn.onnx"), engine=cv2.dnn.ENGINE_NEW)


@cache
def _softened() -> tuple[float, float]:
    """Factor of the scores, and the share of all turns alike, under which what is said is true."""
    said = json.loads((_WEIGHTS / "turn.json").read_text(encoding="utf-8"))
    return float(said["factor"]), float(said["even"])


def scores_of(picture: Array, facts: Array) -> Array:
    """The network's scores (BINS,) for a picture (`picture_of`) and facts (`facts_of`).

    The network is asked twice, for the panel and for its mirror image, and the mean of what it says is taken.
    """
    seen = picture.astype(np.float32) / 255.0
    seen = (seen - seen.mean()) / (seen.std() + 1e-3)
    upright = np.broadcast_to(seen.transpose(2, 0, 1) if seen.ndim == 3 else seen, (3, *seen.shape[:2]))
    both = np.stack([facts, facts]).astype(np.float32)
    both[1, SINE_OF_YAW] *= -1.0
    net = _network()
    net.setInput(np.stack([upright, upright[..., ::-1]]), "picture")
    net.setInput(both, "facts")
    said, mirrored = np.asarray(net.forward(), float)
    # a mirror image is turned the other way: each bin's middle changes its sign
    return np.asarray(0.5 * (said + mirrored[-np.arange(BINS)]))


def density_of(scores: Array) -> TurnDensity:
    """What scores (BINS,) mean."""
    factor, even = _softened()
    return TurnDensity(np.logaddexp(np.log1p(-even) + log_softmax(factor * scores) + np.log(BINS), np.log(even)))
