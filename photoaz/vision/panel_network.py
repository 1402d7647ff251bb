"""Finding panel antennas in a photo with a small learned network; rough boxes only, the fit measures.

The network sees pictures in which a panel is some 28 px wide and says, for each cell of 4 x 4 pixels, whether a panel's
middle lies there and where its corners are. How it was made and what it can do: training/MODEL_CARD.md.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from photoaz.memory import Shelf
from photoaz.photo.camera import Array

STRIDE = 4
CORNER_UNIT_PX = 16.0
#: the network's output channels
CHANNELS: dict[str, Any] = {
    "heat": 0,
    "corners": slice(1, 17),
    "front": slice(17, 18),
    "visible": slice(18, 19),
    "yaw": slice(19, 21),
    "shows": slice(21, 27),
}
N_CHANNELS = 27
#: a box's upright edges (top corner, bottom corner) as one walks round it: the network says them from left to right
UPRIGHTS = ((0, 3), (1, 2), (5, 6), (4, 7))
#: a panel's width over its depth, where nothing else says how its edges lie
_WIDE_OVER_DEEP = 2.2
#: indices of the classes that a pixel can show (channels `shows`)
BACKGROUND, FRONT, REAR, SIDE, CAP, STRUCTURE = range(6)
#: width of a panel, seen face-on, in the picture that the network looks at
WORK_PX = 28.0
_MULTIPLE = 32
#: bytes that a network holds, as long as it lives, for each pixel of the largest picture that it looked at (measured)
BYTES_PER_PX = {"coarse": 160, "fine": 350, "towers": 190}
#: networks may hold so many bytes together between pictures; one that is let go takes 0.01 to 0.03 s to read again
HELD_BYTES = 120_000_000
_WEIGHTS = Path(__file__).resolve().parent / "weights"


@dataclass(frozen=True, slots=True)
class RawPanel:
    """A peak of the network's output, in pixels of its input: corners (8, 2) front first; score: logit of the peak."""

    corners_px: Array
    score: float
    front: float
    yaw_rad: float
    visible: float


@dataclass(frozen=True, slots=True)
class _Ready:
    """A network that was read, and the most pixels that it has looked at."""

    net: Any
    name: str
    largest_px: int

    @property
    def held_bytes(self) -> int:
        """What it holds."""
        return BYTES_PER_PX[self.name] * self.largest_px


_ready: Shelf[_Ready] = Shelf(HELD_BYTES, lambda ready: ready.held_bytes)


def _network(name: str, looks_at_px: int) -> _Ready:
    """A network, before it looks at a picture of so many pixels; others are let go where they would hold too much."""
    before = _ready.find(name)
    largest_px = looks_at_px if before is None else max(before.largest_px, looks_at_px)
    ready = _Ready(_read(name) if before is None else before.net, name, largest_px)
    _ready.keep(name, ready)
    return ready


def _read(name: str) -> Any:
    # of OpenCV 5's two engines the classic one takes two thirds of the time, but for the layers of `fine`
    engine = cv2.dnn.ENGINE_NEW if name == "fine" else cv2.dnn.ENGINE_CLASSIC
    return cv2.dnn.readNetFromONNX(str(_WEIGHTS / f"{name}.onnx"), engine=engine)


@lru_cache(maxsize=3)
def calibration(network: str = "fine", of: str = "look") -> tuple[float, float]:
    """Slope and offset that make a network's score the logit of a probability.

    of: one `look`, or the mean of several `looks` at a box.
    """
    said = json.loads((_WEIGHTS / f"{network}.json").read_text(encoding="utf-8"))["calibration"][of]
    return float(said["slope"]), float(said["offset"])


def run_network(name: str, picture: Array) -> Array:
    """Output (N_CHANNELS, H / 4, W / 4) for a BGR uint8 picture; its sides are padded to multiples of 32."""
    h, w = picture.shape[:2]
    picture = cv2.copyMakeBorder(picture, 0, -h % _MULTIPLE, 0, -w % _MULTIPLE, cv2.BORDER_REPLICATE)
    ready = _network(name, picture.shape[0] * picture.shape[1])
    ready.net.setInput(cv2.dnn.blobFromImage(picture, 1 / 255.0))
    out: Array = ready.net.forward()[0]
    if ready.held_bytes <= HELD_BYTES:
        return out
    _ready.clear()
    return out.copy()


def decode(out: Array, threshold: float = -2.0, overlap: float = 0.5, most: int = 80) -> list[RawPanel]:
    """Panels from the network's output (N_CHANNELS, H / 4, W / 4), the surest first.

    Of two that share `overlap` of their union one is kept. What a peak's neighbours say of the same panel is averaged
    with it, weighted by how sure they are.
    """
    heat = out[CHANNELS["heat"]]
    top = cv2.dilate(heat, np.ones((3, 3), np.uint8))
    j, i = np.nonzero((heat >= top) & (heat > threshold))
    order = np.argsort(-heat[j, i])[:most]
    found: list[RawPanel] = []
    hulls: list[Array] = []
    rows, columns = heat.shape
    for k in order:
        around = np.s_[max(j[k] - 1, 0) : min(j[k] + 2, rows), max(i[k] - 1, 0) : min(i[k] + 2, columns)]
        jj, ii = np.mgrid[around]
        cells = out[(slice(None), *around)].reshape(len(out), -1)
        here = (np.stack([ii.ravel(), jj.ravel()], -1) + 0.5) * STRIDE - 0.5
        said = cells[CHANNELS["corners"]].T.reshape(-1, 8, 2) * CORNER_UNIT_PX + here[:, None]
        peak = out[CHANNELS["corners"], j[k], i[k]].reshape(8, 2) * CORNER_UNIT_PX
        peak = peak + (np.array([i[k], j[k]], float) + 0.5) * STRIDE - 0.5
        away = np.abs(said - peak).max((1, 2))
        weight = np.exp(cells[CHANNELS["heat"]] - heat[j[k], i[k]]) * (away < 0.25 * np.ptp(peak, axis=0).max())
        weight = weight / weight.sum()
        v = cells @ weight
        edges = np.einsum("n,nij->ij", weight, said)
        hull = cv2.convexHull(edges.astype(np.float32))
        if any(union_share(hull, other) > overlap for other in hulls):
            continue
        front = float(1 / (1 + np.exp(-v[CHANNELS["front"]][0])))
        yaw = float(np.arctan2(*v[CHANNELS["yaw"]]))
        visible = float(1 / (1 + np.exp(-v[CHANNELS["visible"]][0])))
        corners = named_corners(edges, yaw, front >= 0.5)
        found.append(RawPanel(corners, float(heat[j[k], i[k]]), front, yaw, visible))
        hulls.append(hull)
    return found


def named_corners(from_left_px: Array, yaw_rad: float, front: bool) -> Array:
    """Corners (8, 2), front first, from the upright edges as the network says them (8, 2), left to right, top first.

    Seen from afar the edges stand at plus and minus a face's half width and half a side's, each shortened by the turn:
    the outer and the inner pair give both numbers, but not which is which. That, the order of the edges, is what the
    turn decides; near the profile, where front and rear are mixed up most easily, `front` says which face is nearer.
    """
    edges = from_left_px.reshape(4, 2, 2)
    axis = (edges[:, 0] - edges[:, 1]).mean(0)
    across = edges.mean(1) @ np.array([-axis[1], axis[0]])
    outer, inner = max(across[3] - across[0], 1e-9), abs(across[2] - across[1])
    longer, shorter = 0.5 * (outer + inner), max(0.5 * (outer - inner), 1e-9)
    turn = np.arctan2(abs(np.sin(yaw_rad)), abs(np.cos(yaw_rad)))
    if_face_longer = np.arctan(_WIDE_OVER_DEEP * shorter / longer)
    if_side_longer = np.arctan(_WIDE_OVER_DEEP * longer / shorter)
    face_longer = abs(turn - if_face_longer) <= abs(turn - if_side_longer)
    face, side = (2.0, 1.0) if face_longer else (1.0, 2.0)
    face, side = np.copysign(face, 1.0 if front else -1.0), np.copysign(side, np.sin(yaw_rad))
    # where the edges of UPRIGHTS stand
    x = np.array([-face - side, face - side, face + side, -face + side])
    out = np.empty((8, 2))
    for edge, rank in zip(UPRIGHTS, np.argsort(np.argsort(x)), strict=True):
        out[list(edge)] = edges[rank]
    return out


def union_share(a: Array, b: Array) -> float:
    """Intersection over union of two convex outlines.

    a, b : hulls (N, 1, 2) float32, as `cv2.convexHull` gives them.

    Returns float in [0, 1].
    """
    area = cv2.intersectConvexConvex(a, b)[0]
    whole = cv2.contourArea(a) + cv2.contourArea(b) - area
    return float(area / whole) if whole > 0 else 0.0


def probability(score: float, network: str = "fine", of: str = "look") -> float:
    """What a score means, as found on heads and photos that the network was not trained on; of: as `calibration`."""
    slope, offset = calibration(network, of)
    return float(1.0 / (1.0 + np.exp(-(slope * score + offset))))


def score_of(probability: float) -> float:
    """The fine network's score of one look that means a probability."""
    slope, offset = calibration()
    odds = probability / max(1.0 - probability, 1e-12)
    return float((np.log(odds) - offset) / slope)
