"""What a fit would know of a box before there is a photo: its information from geometry, usual contrast, usual noise.

The outline is sampled as the fit samples it, each sample weighs what a profile of usual shades would make it weigh, and
shifts and tilts of whole edges, rough shapes and small sizes widen it by the fit's own rules.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from photoaz.vision.box import N_PARAMETERS, Sighting, views_of
from photoaz.vision.evidence import BoxMode, enlarged, mode_from_minimum
from photoaz.vision.fit import (
    _NO_PATCH,
    BLUR_PX,
    Minimum,
    Prior,
    Task,
    Tolerance,
    _Boxes,
    _edge_sigmas,
    _Padded,
    _see,
    _whitened,
)
from photoaz.vision.measure import (
    CLEARLY_VISIBLE,
    ENOUGH_PX,
    FOUND_WIDENED,
    REAR_WIDENED,
    VISIBLE_SPREAD,
)
from photoaz.vision.outline import EdgeSamples
from photoaz.vision.profiles import EdgeOffsets
from photoaz.vision.starts import reduced_camera

Array = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shades:
    """What a panel before the sky looks like in a photo, in grey levels (read off the sample photos).

    background, wall, face: their differences count; noise: of a pixel. trusted: share of the samples' information that
    is left when those that fit badly have been distrusted. widened: by how much a found panel is doubted for what of
    its outline found no edge.
    """

    background: float = 185.0
    wall: float = 120.0
    face: float = 140.0
    noise: float = 3.0
    trusted: float = 0.6
    widened: float = 1.32
    blur_px: float = BLUR_PX


#: samples of an edge at most, and px between them at least: as many as a fit has, for fewer tell another story
_SAMPLES = (40, 1.5)
#: distances between outline and inner edge that weights are worked out for, px
_APART_PX = np.concatenate([np.linspace(0.0, 8.0, 33), [1e3]])


@cache
def _weights(shades: Shades, rounded_px: float) -> tuple[Array, Array, float]:
    """Weights (n, 2, 2) of outline and inner edge the distances _APART_PX apart, whether the inner one is measured

    (n,), and the weight of an outline by itself. As of `profiles.fit_profiles`, shades being free.
    """
    blur = shades.blur_px
    inner_blur = float(np.hypot(blur, rounded_px / np.sqrt(12.0)))
    half = np.ceil(3.0 * blur + 1.5)
    t = np.arange(-half, half + 1)

    def step(x: Array) -> Array:
        return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi))

    def information(design: Array, prior: Array, n: int) -> Array:
        normal = design @ design.T / shades.noise**2 + np.diag(prior)
        cov = np.linalg.inv(normal)[-n:, -n:] + 0.03**2 * np.eye(n)
        return np.asarray(np.linalg.inv(cov))

    outside = ndtr(t / blur)
    one = np.stack([outside, 1.0 - outside, (shades.face - shades.background) * step(t / blur) / blur])
    alone = float(information(one, np.array([1e-8, 1e-6, 1e-4]), 1)[0, 0])
    has = np.asarray(half - 1.3 * inner_blur > _APART_PX)
    out = np.zeros((len(_APART_PX), 2, 2))
    out[:, 0, 0] = alone
    for k in np.flatnonzero(has):
        y = (t + _APART_PX[k]) / inner_blur
        beyond = ndtr(-y)
        design = np.stack(
            [
                outside,
                np.clip(1.0 - outside - beyond, 0.0, 1.0),
                beyond,
                (shades.wall - shades.background) * step(t / blur) / blur,
                (shades.face - shades.wall) * step(y) / inner_blur,
            ]
        )
        spread = max(6.0, 0.05 * shades.face)
        out[k] = information(design, np.array([1e-8, spread**-2, spread**-2, 1e-4, 1e-4]), 2)
    return out, has, alone


def _expected_offsets(samples: EdgeSamples, n_boxes: int, shades: Shades, rounded_px: Array) -> EdgeOffsets:
    n = len(samples)
    weight, has = np.zeros((n, 2, 2)), np.zeros(n, bool)
    inner_contrast = (shades.face - shades.wall) ** 2 / (shades.face - shades.background) ** 2
    for b in range(n_boxes):
        mine = samples.box == b
        table, there, alone = _weights(shades, float(np.round(rounded_px[b] * 2.0) / 2.0))
        k = np.abs(np.minimum(samples.inner_px[mine], 999.0)[:, None] - _APART_PX).argmin(1)
        weight[mine], has[mine] = table[k], there[k]
        inside = samples.edge[mine] >= 4
        own = np.where(inside, alone * inner_contrast, weight[mine][:, 0, 0])
        part = weight[mine]
        part[:, 0, 0] = own
        weight[mine] = part
    zero = np.zeros(n)
    return EdgeOffsets(
        own=zero,
        inner=zero,
        weight=weight,
        has_inner=has,
        support=np.ones(n),
        noise=np.full(n_boxes, shades.noise),
        blur_px=np.full(n_boxes, shades.blur_px),
    )


def expected_information(
    sighting: Sighting, theta: Array, width_m: Array, shades: Shades | None = None, tolerance: Tolerance | None = None
) -> Array:
    """Information (B, P, P) that the pixels of boxes theta (B, P) would give about their parameters.

    width_m (B,): for tolerances in metres. 0 where a box has nothing that could be measured.
    """
    s, t = shades or Shades(), tolerance or Tolerance()
    out = np.zeros((len(theta), N_PARAMETERS, N_PARAMETERS))
    if not len(theta):
        return out
    nothing = np.zeros((N_PARAMETERS, N_PARAMETERS))
    tasks = [Task(_NO_PATCH, Prior(th, nothing, float(w)), None) for th, w in zip(theta, width_m, strict=True)]
    boxes = _Boxes.of(tasks, list(range(len(tasks))), list(theta), np.full(len(tasks), s.blur_px))
    seen = _see(sighting, boxes, *_SAMPLES)
    n = len(seen.boxes)
    if not n or not len(seen.samples):
        return out
    f_px = sighting.camera.f_px
    width = np.exp(seen.boxes.theta[:, 5])
    o = _expected_offsets(seen.samples, n, s, seen.boxes.theta[:, 8] * width * f_px)
    one, two, at = _whitened(seen.samples, seen.own, seen.inner, o, t)
    k = N_PARAMETERS
    m = one.shape[1] - 1
    share = s.trusted * seen.samples.spacing_px / t.correlation_px
    first, second = _Padded(seen.samples.box, n), _Padded(seen.samples.box[at], n)
    rows = np.concatenate([first.fill(one[:, :m]), second.fill(two[:, :m])], 1)
    weight = np.concatenate([first.fill(share), second.fill(share[at])], 1)
    normal = np.swapaxes(rows * weight[..., None], 1, 2) @ rows
    sigmas = _edge_sigmas(t, f_px * width / seen.boxes.width_m)
    nuisance = np.eye(m - k) / sigmas[:, None, :] ** 2
    gain = np.linalg.solve(normal[:, k:, k:] + nuisance, normal[:, k:, :k])
    out[seen.left] = normal[:, :k, :k] - normal[:, :k, k:] @ gain
    return out


def expected_modes(
    sighting: Sighting,
    theta: Array,
    priors: Sequence[Prior],
    visible: Array,
    shades: Shades | None = None,
) -> list[BoxMode | None]:
    """The evidence that boxes theta (B, P), a share `visible` (B,) of each unhidden, would make; None where none.

    Found panels, nobody having looked: widened as `measure` widens them, and measured in a reduced picture where wide.
    """
    s = shades or Shades()
    wide = sighting.camera.f_px * np.exp(theta[:, 5])
    binned = np.maximum((wide / ENOUGH_PX).astype(int), 1)
    out: list[BoxMode | None] = [None] * len(theta)
    for factor in np.unique(binned):
        these = np.flatnonzero(binned == factor)
        view = Sighting(reduced_camera(sighting.camera, int(factor)), sighting.cam_from_level)
        small = theta[these].copy()
        small[:, 3:5] = (small[:, 3:5] + 0.5) / factor - 0.5
        info = expected_information(view, small, np.array([priors[k].width_m for k in these.tolist()]), s)
        views = views_of(view, small)
        for j, k in enumerate(these.tolist()):
            if not info[j].any():
                continue
            seen = views[j]
            minimum = Minimum(small[j], info[j], np.zeros(N_PARAMETERS), 0.0, 0.0, 1.0, seen, s.blur_px)
            prior = replace(priors[k], mean=np.where(np.arange(N_PARAMETERS) < 8, priors[k].mean, small[j]))
            mode = mode_from_minimum(view, minimum, prior)
            hidden = max(CLEARLY_VISIBLE - float(visible[k]), 0.0) / VISIBLE_SPREAD
            widened = FOUND_WIDENED * s.widened * float(np.hypot(1.0, hidden))
            if seen.rear_visible and not seen.front_visible:
                widened *= REAR_WIDENED
            mode = replace(mode, root=mode.root / widened, offset=np.zeros_like(mode.offset))
            out[k] = enlarged(mode, float(factor)) if factor > 1 else mode
    return out


def theta_of(
    sighting: Sighting,
    heading_rad: float,
    angles_rad: Array,
    centre_px: Array,
    ln_size: Array,
    distance_m: Array,
    shape: Array,
) -> Array:
    """Parameters (B, P) of boxes as a fit has them, from angles (B, 3) azimuth, downtilt, roll in the site's frame.

    centre_px (B, 2); ln_size (B, 3): of metres; distance_m (B,); shape (B, 2): edge radius and bulge over the width.
    """
    turned = angles_rad.copy()
    turned[:, 0] -= heading_rad
    return np.concatenate([turned, centre_px, ln_size - np.log(distance_m)[:, None], shape], 1)
