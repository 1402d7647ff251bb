"""Starts of a fit from a single point on the antenna: where an outline of the expected size meets the most edge."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from photoaz.vision.box import Sighting, view_of
from photoaz.vision.fit import Prior, front_off_sight
from photoaz.vision.outline import INNER_LOWER, N_EDGES, sample_edges
from photoaz.vision.patch import Patch

Array = NDArray[Any]

_QUARTER = np.pi / 2
#: how much each edge counts: the upright inner edges often have no contrast, the cap's rim nearly always
_WEIGHT = np.array([1.0, 1.0, 0.7, 0.7, 0.0, 0.0, 0.7, 0.0])

#: width of the panel in the picture that is searched
SEARCH_PX = 28.0


def starts_from_seed(
    patch: Patch,
    sighting: Sighting,
    prior: Prior,
    *,
    faces_camera: bool | None = None,
    azimuths: int = 20,
    keep: int = 10,
) -> list[tuple[float, Array]]:
    """The best (cost, theta) over azimuths, sizes and places of the box that still hold the seed, best first.

    The score of a place is the mean gradient across each edge, every sample capped, so that a long bright edge of
    something else does not outweigh the rest. faces_camera: only boxes that show their front (or only their rear).
    """
    crop = patch.pixels[..., 0]
    if min(crop.shape[:2]) < 8:
        return []
    # at the scale where the panel is about 28 px wide: nothing finer is needed to find it
    shrink = min(1.0, SEARCH_PX / (sighting.camera.f_px * float(np.exp(prior.mean[5]))))
    small = cv2.resize(crop, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(small, (0, 0), 1.0)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(smooth, cv2.CV_32F, 0, 1) / 8
    cap = float(np.percentile(np.hypot(gx, gy), 90)) + 2.0
    found: list[tuple[float, Array]] = []
    for azimuth in np.arange(azimuths) * 2 * np.pi / azimuths:
        for ln_scale in (-0.06, 0.0, 0.06):
            theta = prior.mean.copy()
            theta[0] = azimuth
            theta[5:8] += ln_scale
            off = front_off_sight(sighting, theta)
            if faces_camera is not None and (off < _QUARTER + 0.1) != faces_camera:
                continue
            found += _places(theta, sighting, (gx, gy), patch.origin_px, shrink, cap)
    found.sort(key=lambda f: f[0])
    kept: list[tuple[float, Array]] = []
    for cost, theta in found:
        if all(abs(theta[0] - t[0]) > 0.1 or np.abs(theta[3:5] - t[3:5]).max() > 3.0 for _, t in kept):
            kept.append((cost, theta))
        if len(kept) == keep:
            break
    return kept


def _places(
    theta: Array,
    sighting: Sighting,
    gradient: tuple[Array, Array],
    origin_px: tuple[int, int],
    shrink: float,
    cap: float,
) -> list[tuple[float, Array]]:
    """The two best places of one box within reach of the seed: (cost, theta)."""
    size_px = sighting.camera.f_px * np.exp(theta[5:7])  # width, height
    samples = sample_edges(view_of(sighting, theta), blur_px=1.0, max_per_edge=36)
    if (samples.edge < 4).sum() < 8:
        return []
    step = 1.3 / shrink
    across = np.arange(-0.5 * size_px[0], 0.5 * size_px[0] + step, step)
    along = np.arange(-0.5 * size_px[1], 0.5 * size_px[1] + step, 2.0 * step)
    shift = np.stack(np.meshgrid(across, along), -1).reshape(-1, 2)
    # the shrunk image's pixel centres lie at (x + 0.5) / shrink - 0.5 of the patch
    at = ((samples.x_px[None] + shift[:, None] - origin_px + 0.5) * shrink - 0.5).astype(np.float32)
    sx, sy = (cv2.remap(g, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT) for g in gradient)
    strength = np.minimum(np.abs(sx * samples.normal[:, 0] + sy * samples.normal[:, 1]), cap)
    length = np.bincount(samples.edge, samples.spacing_px, N_EDGES)
    there = (length > 0) & (_WEIGHT > 0)
    there[INNER_LOWER] &= length[INNER_LOWER] > 2.0
    weight = _WEIGHT[samples.edge] * samples.spacing_px / np.maximum(length, 1e-9)[samples.edge]
    score = strength @ weight / _WEIGHT[there].sum()
    out: list[tuple[float, Array]] = []
    for k in np.argsort(-score):
        if out and np.abs(out[0][1][3:5] - theta[3:5] - shift[k]).max() < 0.2 * size_px[0]:
            continue
        placed = theta.copy()
        placed[3:5] += shift[k]
        out.append((-float(score[k]), placed))
        if len(out) == 2:
            break
    return out
