"""Starts of a fit from a single point on the antenna: where an outline of the expected size meets the most edge."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from photoaz.vision.box import Sighting, view_of
from photoaz.vision.fit import Prior
from photoaz.vision.outline import sample_edges
from photoaz.vision.patch import Patch

Array = NDArray[Any]


def starts_from_seed(
    patch: Patch, sighting: Sighting, prior: Prior, *, azimuths: int = 16, keep: int = 6
) -> list[tuple[float, Array]]:
    """The best (cost, theta) over azimuths all round and places of the box that still hold the seed.

    The score is the mean gradient across the outline, each sample capped at a few times the median, so that a long edge
    of something else does not outweigh the rest.
    """
    theta = prior.mean.copy()
    size_px = sighting.camera.f_px * np.exp(theta[5:7])  # width, height
    x0, y0 = patch.origin_px
    crop = patch.pixels[..., 0]
    if min(crop.shape[:2]) < 8:
        return []
    smooth = cv2.GaussianBlur(crop, (0, 0), 1.0)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(smooth, cv2.CV_32F, 0, 1) / 8
    cap = 4.0 * float(np.median(np.hypot(gx, gy))) + 6.0
    found: list[tuple[float, Array]] = []
    step = max(1.0, 0.08 * float(size_px[0]))
    across = np.arange(-0.45 * size_px[0], 0.45 * size_px[0] + step, step)
    along = np.arange(-0.45 * size_px[1], 0.45 * size_px[1] + 2 * step, 2 * step)
    shift = np.stack(np.meshgrid(across, along), -1).reshape(-1, 2)
    for azimuth in np.arange(azimuths) * 2 * np.pi / azimuths:
        th = theta.copy()
        th[0] = azimuth
        samples = sample_edges(view_of(sighting, th), blur_px=1.0, max_per_edge=24)
        outline = samples.edge < 4
        if outline.sum() < 8:
            continue
        at = samples.x_px[outline][None] + shift[:, None] - (x0, y0)
        mapx, mapy = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
        sx = cv2.remap(gx, mapx, mapy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        sy = cv2.remap(gy, mapx, mapy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        normal = samples.normal[outline]
        strength = np.minimum(np.abs(sx * normal[:, 0] + sy * normal[:, 1]), cap)
        weight = (
            samples.spacing_px[outline]
            / np.bincount(samples.edge[outline], samples.spacing_px[outline], 4)[samples.edge[outline]]
        )
        score = strength @ weight
        best = int(score.argmax())
        th[3:5] += shift[best]
        found.append((-float(score[best]), th))
    found.sort(key=lambda f: f[0])
    return found[:keep]
