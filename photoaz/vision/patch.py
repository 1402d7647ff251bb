"""The part of a photo round one antenna, in a colour space that edges are measured in; and photos reduced for it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from photoaz.photo.camera import Array, Camera
from photoaz.photo.pixels import Part

#: colour counts less than luminance: JPEG stores it at half the resolution, and cameras smooth it
CHROMA_WEIGHT = 0.3


def _linear_light() -> Array:
    """Light (256,) for each stored value, both on a scale of 0 to 255: the sRGB transfer function (IEC 61966-2-1).

    Blur mixes light, not stored values: in stored values every edge seems to lie outwards of its bright side.
    """
    v = np.arange(256) / 255.0
    return (255.0 * np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)).astype(np.float32)


_LIGHT = _linear_light()


@dataclass(frozen=True, slots=True)
class Patch:
    """Pixels (h, w, C) float32 in linear light: luminance, and weighed colour differences where the photo has colour.

    origin_px: (x, y) in the whole photo of the patch's first pixel. Coordinates everywhere are the whole photo's.
    """

    pixels: Array
    origin_px: tuple[int, int]

    def at(self, xy: Array) -> Array:
        """Values (..., C) at pixels (..., 2) of the whole photo, cubic interpolation, the border repeated."""
        return self.at_places(xy[..., 0], xy[..., 1])

    def at_places(self, x: Array, y: Array) -> Array:
        """The same at x (...) and y (...): places that are made apart are looked up apart."""
        mapx = (x - self.origin_px[0]).astype(np.float32).reshape(-1, x.shape[-1])
        mapy = (y - self.origin_px[1]).astype(np.float32).reshape(-1, x.shape[-1])
        out = cv2.remap(self.pixels, mapx, mapy, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        channels = 1 if self.pixels.ndim == 2 else self.pixels.shape[2]
        return np.asarray(out.reshape(*x.shape, channels), float)


def cut(image: Array | Part, low_px: Array, high_px: Array) -> tuple[Array, tuple[int, int]]:
    """What is stored between two corners (2,) px of a photo (H, W) grey or (H, W, 3) BGR, uint8; and its origin_px."""
    x0, y0 = (max(int(np.floor(v)), 0) for v in low_px)
    x1, y1 = int(np.ceil(high_px[0])) + 1, int(np.ceil(high_px[1])) + 1
    x1, y1 = min(max(x1, x0 + 2), image.shape[1]), min(max(y1, y0 + 2), image.shape[0])
    x0, y0 = min(x0, x1 - 2), min(y0, y1 - 2)
    return image[y0:y1, x0:x1], (x0, y0)


def cut_patch(image: Array | Part, low_px: Array, high_px: Array) -> Patch:
    """Cut the patch between two corners (2,) px out of a photo (H, W) grey or (H, W, 3) BGR, uint8."""
    part, origin_px = cut(image, low_px, high_px)
    if part.ndim == 2:
        return Patch(cv2.LUT(part, _LIGHT)[..., None], origin_px)
    light = cv2.cvtColor(cv2.LUT(part, _LIGHT), cv2.COLOR_BGR2YCrCb)  # of float32, its colour differences are about 0.5
    light[..., 1:] = (light[..., 1:] - 0.5) * (CHROMA_WEIGHT * np.sqrt(2.0))
    return Patch(light, origin_px)


def reduced_px(px: Array, factor: float) -> Array:
    """Pixels (..., 2) of a photo as those of the photo reduced by a factor: pixels' middles are whole numbers."""
    out: Array = (px + 0.5) / factor - 0.5
    return out


def enlarged_px(px: Array, factor: float) -> Array:
    """Pixels (..., 2) of a reduced photo as those of the photo `factor` times as large."""
    out: Array = (px + 0.5) * factor - 0.5
    return out


def reduced_camera(camera: Camera, factor: int) -> Camera:
    """The camera of the photo reduced by a whole factor."""
    return replace(
        camera,
        width_px=camera.width_px // factor,
        height_px=camera.height_px // factor,
        f_px=camera.f_px / factor,
        cx_px=(camera.cx_px + 0.5) / factor - 0.5,
        cy_px=(camera.cy_px + 0.5) / factor - 0.5,
    )


def reduced(patch: Patch, shrink: int) -> Patch:
    """The patch of the photo reduced by a whole factor: its coordinates are the reduced photo's (see `reduced_px`).

    What does not fill a pixel is left out, unless nothing else is there.
    """
    x0, y0 = (-(-o // shrink) for o in patch.origin_px)
    tall, wide = patch.pixels.shape[:2]
    left, top = x0 * shrink - patch.origin_px[0], y0 * shrink - patch.origin_px[1]
    columns, rows = max((wide - left) // shrink, 1), max((tall - top) // shrink, 1)
    part = patch.pixels[top : top + rows * shrink, left : left + columns * shrink]
    part = part if part.size else patch.pixels
    small = cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA)
    return Patch(small if small.ndim == 3 else small[..., None], (x0, y0))
