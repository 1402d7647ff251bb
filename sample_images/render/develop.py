"""From radiance to a photo: lens distortion, blur, noise, tone curve, JPEG."""

from __future__ import annotations

import cv2
import numpy as np
import place
from geometry import Array, TrueCamera

#: the render has this many pixels more on each side than the photo, for the distortion and the principal point
MARGIN_PX = 64
#: radiance that the tone curve takes to its shoulder
WHITE = 13.0


def source_pixels(camera: TrueCamera, x: Array, y: Array) -> tuple[Array, Array]:
    """Pixels in the distortion-free render of the photo's pixels x, y (the whole frame's, with its margin)."""
    xd, yd = (x - camera.cx_px) / camera.f_px, (y - camera.cy_px) / camera.f_px
    xu, yu = xd, yd
    for _ in range(12):
        s = 1 + camera.k1 * (xu * xu + yu * yu)
        xu, yu = xd / s, yd / s
    middle_x = (camera.width_px + 2 * MARGIN_PX - 1) / 2
    middle_y = (camera.height_px + 2 * MARGIN_PX - 1) / 2
    return xu * camera.f_px + middle_x, yu * camera.f_px + middle_y


def through_lens(radiance: Array, camera: TrueCamera) -> Array:
    """Resample the render (with margins) to the photo's frame."""
    x, y = np.meshgrid(np.arange(camera.width_px, dtype=float), np.arange(camera.height_px, dtype=float))
    sx, sy = source_pixels(camera, x, y)
    out = cv2.remap(
        radiance, sx.astype(np.float32), sy.astype(np.float32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.maximum(np.asarray(out), 0)


def to_srgb(linear: Array) -> Array:
    """The sRGB curve on [0, 1]."""
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)


def develop(radiance: Array, camera: TrueCamera, lens: place.Lens, gain: float, rng: np.random.Generator) -> Array:
    """8-bit RGB (H, W, 3) of the photo. radiance (H, W, 3) linear, already in the photo's frame."""
    image = radiance * np.float32(gain / WHITE)
    h, w = image.shape[:2]
    y, x = np.ogrid[:h, :w]
    r2 = ((x - camera.cx_px) ** 2 + (y - camera.cy_px) ** 2) / camera.f_px**2
    image = image * ((1 - 0.18 * r2 / (1 + r2))[..., None]).astype(np.float32)
    image = np.clip(image, 0, 4)
    image = np.asarray(cv2.GaussianBlur(image, (0, 0), lens.psf_px), dtype=np.float32)
    electrons = image * np.float32(lens.full_well_e)
    sigma = np.sqrt(electrons + np.float32(9.0))
    noise = rng.standard_normal(image.shape, dtype=np.float32) * sigma / np.float32(lens.full_well_e)
    # the camera's own smoothing: noise is left coarser and weaker than it fell on the pixels
    image = np.clip(image + 0.9 * cv2.GaussianBlur(noise, (0, 0), 0.75), 0, None)
    tone = to_srgb((1 - np.exp(-1.45 * image)) / (1 - np.exp(-1.45 * 1.55)))
    tone = tone - 0.05 * np.sin(2 * np.pi * np.clip(tone, 0, 1))
    tone = tone + lens.sharpen * (tone - cv2.GaussianBlur(tone.astype(np.float32), (0, 0), 1.2))
    dither = rng.random(image.shape, dtype=np.float32) - 0.5
    return np.asarray(np.clip(np.round(tone * 255 + dither), 0, 255), dtype=np.uint8)
