"""A sky as an environment map: clear-sky luminance, some cloud, and the sun where it was."""

from __future__ import annotations

import numpy as np
from geometry import Array, outward

#: light of the sun on a surface facing it, and of the whole sky on level ground, in the renderer's units
SUN_IRRADIANCE = np.array([66.0, 61.0, 53.0])
SKY_IRRADIANCE = 15.0
SUN_RADIUS_DEG = 0.267


def _noise(size: int, slope: float, rng: np.random.Generator) -> Array:
    """Periodic noise (size, size) with a power-law spectrum, zero mean, unit spread."""
    k = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij"))
    k[0, 0] = np.inf
    spectrum = np.fft.rfft2(rng.normal(0, 1, (size, size))) * (k + 1.5 / size) ** -slope
    out = np.fft.irfft2(spectrum, (size, size))
    return np.asarray((out - out.mean()) / out.std())


def _sample(texture: Array, u: Array, v: Array) -> Array:
    """Bilinear samples of a periodic texture at u, v (in periods)."""
    n = texture.shape[0]
    x, y = u * n, v * n
    x0, y0 = np.floor(x).astype(int), np.floor(y).astype(int)
    fx, fy = x - x0, y - y0
    x0, y0 = x0 % n, y0 % n
    x1, y1 = (x0 + 1) % n, (y0 + 1) % n
    top = texture[y0, x0] * (1 - fx) + texture[y0, x1] * fx
    low = texture[y1, x0] * (1 - fx) + texture[y1, x1] * fx
    return np.asarray(top * (1 - fy) + low * fy)


def environment(sun_azimuth_deg: float, sun_elevation_deg: float, width: int, drift: float, seed: int) -> Array:
    """Radiance (width / 2, width, 3), float32; columns run with the azimuth from north, rows from the zenith down.

    The clear part follows the luminance distribution of CIE S 011 type 12 (clear, low turbidity); `drift` moves the
    clouds on from photo to photo.
    """
    height = width // 2
    azimuth = (np.arange(width) + 0.5) / width * 2 * np.pi
    elevation = np.pi / 2 - (np.arange(height) + 0.5) / height * np.pi
    ce, se = np.cos(elevation)[:, None], np.sin(elevation)[:, None]
    d = np.stack([ce * np.sin(azimuth), ce * np.cos(azimuth), np.broadcast_to(se, (height, width))], -1)
    sun = outward(sun_azimuth_deg) * np.cos(np.radians(sun_elevation_deg))
    sun[2] = np.sin(np.radians(sun_elevation_deg))
    gamma = np.arccos(np.clip(d @ sun, -1, 1))
    z = np.maximum(d[..., 2], 0.015)
    a, b, c, dd, e = -1.0, -0.32, 10.0, -3.0, 0.45
    scatter = 1 + c * (np.exp(dd * gamma) - np.exp(dd * np.pi / 2)) + e * np.cos(gamma) ** 2
    luminance = (1 + a * np.exp(b / z)) * scatter
    luminance = np.maximum(luminance, 0)
    whiten = np.clip(0.18 + 0.75 * (1 - z) ** 4 + 0.35 * np.exp(-gamma * 3.5), 0, 1)[..., None]
    tint = (1 - whiten) * np.array([0.50, 0.88, 1.85]) + whiten * np.array([0.98, 1.0, 1.04])
    sky = luminance[..., None] * tint
    solid = (2 * np.pi / width) * (np.pi / height) * np.cos(elevation)[:, None]
    level = np.clip(d[..., 2], 0, None) * solid
    sky *= SKY_IRRADIANCE / float((sky.mean(-1) * level).sum())

    rng = np.random.default_rng(seed)
    texture = _noise(1024, 1.95, rng)
    wisps = _noise(1024, 1.65, rng)
    u = d[..., 0] / (z + 0.10) * 0.115 + 0.31 + drift
    v = d[..., 1] / (z + 0.10) * 0.115 + 0.12 + 0.3 * drift
    thick = _sample(texture, u, v)
    thin = _sample(wisps, u * 0.8 + 0.5, v * 1.7)
    cover = np.clip((thick - 0.15 + 0.22 * thin) / 1.25, 0, 1)
    cover = cover * cover * (3 - 2 * cover) * np.clip(d[..., 2] / 0.08, 0, 1)
    bright = (4.6 + 5.5 * np.exp(-2.2 * gamma) + 0.8 * thin) * (1 - 0.28 * np.clip(thick - 1.0, 0, 1.5))
    cloud = np.maximum(bright, 1.5)[..., None] * np.array([1.0, 1.0, 1.02])
    haze = np.clip(0.10 + 0.09 * thin, 0, 0.3) * np.clip(d[..., 2] / 0.08, 0, 1)
    share = np.clip(0.88 * cover + haze * (1 - cover), 0, 1)[..., None]
    out = sky * (1 - share) + cloud * share
    out[d[..., 2] < 0] = np.array([0.9, 1.0, 0.6])  # under the ground, hardly ever seen
    disc = gamma < np.radians(SUN_RADIUS_DEG)
    size = float(np.broadcast_to(solid, disc.shape)[disc].sum())
    if size > 0:  # a map too coarse for the disc has no sun
        out[disc] += SUN_IRRADIANCE / size
    return np.asarray(out, dtype=np.float32)
