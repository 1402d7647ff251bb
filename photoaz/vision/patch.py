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
    """Pixels (h, w, C) in linear light: luminance, and weighed colour differences where the photo has colour.

    float32 to be kept, float64 (`in_double`) to be measured in. origin_px: (x, y) in the whole photo of the patch's
    first pixel. Coordinates everywhere are the whole photo's.
    """

    pixels: Array
    origin_px: tuple[int, int]

    def in_double(self) -> Patch:
        """The same pixels as float64."""
        return Patch(self.pixels.astype(float, copy=False), self.origin_px)

    def at(self, xy: Array) -> Array:
        """Values (..., C) at pixels (..., 2) of the whole photo, cubic interpolation, the border repeated."""
        return self.at_places(xy[..., 0], xy[..., 1])

    def at_places(self, x: Array, y: Array) -> Array:
        """The same at x (...) and y (...): places that are made apart are looked up apart."""
        x, y = x - self.origin_px[0], y - self.origin_px[1]
        channels = 1 if self.pixels.ndim == 2 else self.pixels.shape[2]
        tall, wide = self.pixels.shape[:2]
        if self.pixels.dtype == np.float64 and min(tall, wide) >= len(_TAPS):
            return _looked_up(self.pixels, x.reshape(-1), y.reshape(-1)).reshape(*x.shape, channels)
        mapx, mapy = (v.astype(np.float32).reshape(-1, x.shape[-1]) for v in (x, y))
        out = cv2.remap(self.pixels, mapx, mapy, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(out.reshape(*x.shape, channels), float)


#: pixels before and behind a place that its value is made of
_TAPS = (-1, 0, 1, 2)
#: of the cubic interpolation: OpenCV's, so that both ways of looking up give the same
_SLOPE = -0.75
#: places looked up at a time: what is made of them stays in the processor's cache
_AT_A_TIME = 4096


def _looked_up(pixels: Array, x: Array, y: Array) -> Array:
    """Values (n, C) of pixels (h, w, C) float64 at x (n,) and y (n,), cubic interpolation (Keys 1981).

    In double precision throughout: OpenCV takes places as float32, so that values change in steps of some 1e-5 px, and
    a fit that moves by less comes to something else. Beyond the outermost pixels but one their values go on.
    """
    if len(x) > _AT_A_TIME:
        cut = range(0, len(x), _AT_A_TIME)
        parts = [_looked_up(pixels, x[k : k + _AT_A_TIME], y[k : k + _AT_A_TIME]).T for k in cut]
        return np.concatenate(parts, 1).T  # in one order however many there are: sums hang on it
    tall, wide, channels = pixels.shape
    at = np.stack([np.minimum(np.maximum(v, 1.0), n - 3.0) for v, n in ((x, wide), (y, tall))])
    first = np.floor(at)
    behind = at - first
    before = 1.0 - behind
    bend = _SLOPE * behind * before
    weight = np.empty((len(_TAPS), 2, len(x)))  # of Hermite's cubic, with differences of neighbours for its slopes
    np.multiply(bend, before, out=weight[0])
    np.multiply(bend, behind, out=weight[3])
    step = behind * behind * (3.0 - 2.0 * behind)
    np.subtract(step, weight[0], out=weight[2])
    np.subtract(1.0 - step, weight[3], out=weight[1])
    start = ((first[1] - 1.0) * (wide * channels) + (first[0] - 1.0) * channels).astype(np.intp)
    flat = pixels.reshape(-1)
    near, rows = np.empty((len(_TAPS), len(x))), np.empty((len(_TAPS), len(x)))
    out = np.empty((channels, len(x)))
    for c in range(channels):
        for j in range(len(_TAPS)):
            for i in range(len(_TAPS)):
                flat[(j * wide + i) * channels + c :].take(start, out=near[i], mode="clip")
            np.einsum("in,in->n", weight[:, 0], near, out=rows[j])
        np.einsum("in,in->n", weight[:, 1], rows, out=out[c])
    return out.T


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
