"""Where in a photo the head of the tower is, and at what scale to look at it there."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from photoaz.photo.camera import Array, Camera
from photoaz.vision.panel_network import CHANNELS, STRIDE, WORK_PX, run_network

#: half the width of a head from arm's end to arm's end, with a panel on it, metres (common practice, no source)
HALF_WIDTH_M = 3.0
#: long side of the reduced frame in which the head is looked for
COARSE_PX = 640
#: what metadata say of the head's place counts as little as this where they must be wrong altogether
NONSENSE = 0.1
#: positions and compasses are worse than they say
WIDENED = 1.5
#: pixels of a head's picture: panels of usual widths need a fifth of it, and the networks 0.35 kB for each
MOST_PX = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadGuess:
    """What is known of the tower's head before the pixels are looked at.

    distance_m: from the camera along the line of sight, None where nothing tells; ln_distance_sigma: relative. width_m:
    of a typical panel; height_m: of the tallest. rise_m: between the lowest and the highest panel's centre. pixel (2,):
    where the middle of the head should be, pixel_sigma (2,): None where nothing tells.
    """

    distance_m: float | None
    ln_distance_sigma: float
    width_m: float
    height_m: float
    rise_m: float
    pixel: Array | None = None
    pixel_sigma: Array | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadWindow:
    """A part of the frame and the scale to look at it with. box_px: x0, y0, x1, y1 (exclusive), whole pixels."""

    box_px: tuple[int, int, int, int]
    scale: float

    def cut(self, image: Array) -> Array:
        """The window's picture (h, w, 3), reduced or enlarged to the scale."""
        x0, y0, x1, y1 = self.box_px
        part = image[y0:y1, x0:x1]
        size = (max(round((x1 - x0) * self.scale), 8), max(round((y1 - y0) * self.scale), 8))
        how = cv2.INTER_AREA if self.scale < 1 else cv2.INTER_CUBIC
        return np.asarray(cv2.resize(part, size, interpolation=how))

    def to_frame(self, pixels: Array) -> Array:
        """Pixels (..., 2) of the window's picture as pixels of the photo."""
        x0, y0, x1, y1 = self.box_px
        width, height = max(round((x1 - x0) * self.scale), 8), max(round((y1 - y0) * self.scale), 8)
        per = np.array([(x1 - x0) / width, (y1 - y0) / height])
        out: Array = (pixels + 0.5) * per - 0.5 + np.array([x0, y0])
        return out


def half_size_px(camera: Camera, guess: HeadGuess, distance_m: float) -> Array:
    """Half the width and height (2,) of the part of the frame that holds the head."""
    up = 0.5 * guess.rise_m + 0.5 * guess.height_m + 1.0
    out: Array = np.array([HALF_WIDTH_M, up + 0.5]) * camera.f_px / distance_m
    return out


def distances_m(camera: Camera, guess: HeadGuess) -> tuple[float, ...]:
    """Distances to try: one where it is known well enough for the finder, several where it is not."""
    if guess.distance_m is None:
        return tuple(camera.f_px * guess.width_m / px for px in (12.0, 24.0, 48.0, 96.0, 192.0))
    if guess.ln_distance_sigma < 0.3:
        return (guess.distance_m,)
    return tuple(guess.distance_m * float(np.exp(k * guess.ln_distance_sigma)) for k in (0.0, 1.2, -1.2))


def window_at(camera: Camera, guess: HeadGuess, middle_px: Array, distance_m: float, reach: float = 1.25) -> HeadWindow:
    """The part of the frame about a place, `reach` times the head's half size on either side."""
    half = reach * half_size_px(camera, guess, distance_m)
    low = np.floor(np.clip(middle_px - half, 0, None)).astype(int)
    high = np.ceil(np.minimum(middle_px + half + 1, [camera.width_px, camera.height_px])).astype(int)
    low = np.minimum(low, high - 16).clip(0)
    width, height = high - low
    scale = min(WORK_PX * distance_m / (camera.f_px * guess.width_m), 3.0, math.sqrt(MOST_PX / max(width * height, 1)))
    return HeadWindow(box_px=(int(low[0]), int(low[1]), int(high[0]), int(high[1])), scale=float(scale))


@dataclass(frozen=True, slots=True)
class Crowd:
    """How likely panels crowd at each place of the reduced frame: heat (rows, columns), x and y of its cells in px."""

    heat: Array
    x: Array
    y: Array


def crowd_of(image: Array) -> Crowd:
    """Look over the whole frame (H, W, 3) BGR, much reduced."""
    tall, wide = image.shape[:2]
    shrink = min(COARSE_PX / max(tall, wide), 1.0)
    size = (max(round(wide * shrink), 8), max(round(tall * shrink), 8))
    small = image
    while min(small.shape[:2]) >= 4 * min(size):  # every other pixel is cheap, and the rest is averaged
        small = small[::2, ::2]
    small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    rows, columns = -(-size[1] // STRIDE), -(-size[0] // STRIDE)
    heat = 1.0 / (1.0 + np.exp(-run_network("coarse", small)[CHANNELS["heat"]][:rows, :columns]))
    per = shrink / STRIDE
    return Crowd(heat, (np.arange(columns) + 0.5) / per - 0.5, (np.arange(rows) + 0.5) / per - 0.5)


def fills_frame(camera: Camera, guess: HeadGuess, distance_m: float) -> bool:
    """Whether the head is about as large as the frame, so that there is nothing to look for in it."""
    frame = np.array([camera.width_px, camera.height_px], float)
    return bool((half_size_px(camera, guess, distance_m) > 0.42 * frame).all())


def locate_heads(crowd: Crowd, camera: Camera, guess: HeadGuess, distance_m: float, most: int = 3) -> list[Array]:
    """Places (2,) px where the head may be, the likeliest first: panels crowd there, and the metadata say so."""
    half = half_size_px(camera, guess, distance_m)
    x, y = crowd.x, crowd.y
    per = 1.0 / float(x[1] - x[0]) if len(x) > 1 else 1.0
    dense = cv2.GaussianBlur(
        crowd.heat,
        (0, 0),
        sigmaX=max(0.3 * half[0] * per, 1.0),
        sigmaY=max(0.3 * half[1] * per, 1.0),
        borderType=cv2.BORDER_CONSTANT,
    )
    if guess.pixel is not None and guess.pixel_sigma is not None:
        zx = (x - guess.pixel[0]) / np.hypot(WIDENED * guess.pixel_sigma[0], 0.3 * half[0])
        zy = (y - guess.pixel[1]) / np.hypot(WIDENED * guess.pixel_sigma[1], 0.3 * half[1])
        dense = dense * (np.exp(-0.5 * zx**2)[None] + NONSENSE) * (np.exp(-0.5 * zy**2)[:, None] + NONSENSE)
    places: list[Array] = []
    for _ in range(most):
        j, i = np.unravel_index(int(np.argmax(dense)), dense.shape)
        places.append(np.array([x[i], y[j]]))
        taken = (np.abs(x - x[i]) < 1.2 * half[0])[None] & (np.abs(y - y[j]) < 1.2 * half[1])[:, None]
        dense = np.where(taken, 0.0, dense)
        if not dense.any():
            break
    return places
