"""What a fit would know of a box before there is a photo: its information from geometry, usual contrast, usual noise.

The outline is sampled as the fit samples it, each sample weighs what a profile of usual shades would make it weigh, and
shifts and tilts of whole edges and rough shapes widen it by the fit's own rules, and what fits of its kind are off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from photoaz.photo.camera import Array
from photoaz.quantities import PHOTO_BLUR_PX
from photoaz.vision.box import N_PARAMETERS, Sighting, views_of
from photoaz.vision.boxes import CORRELATION_PX, NO_PATCH, FitBatch, FitTask, OffsetRows, Prior, sample_boxes
from photoaz.vision.evidence import BoxMode, enlarged, mode_from_minimum
from photoaz.vision.fit import Minimum
from photoaz.vision.measure import ENOUGH_PX
from photoaz.vision.outline import EdgeSamples
from photoaz.vision.patch import reduced_camera, reduced_px
from photoaz.vision.profile_fit import EdgeOffsets, usual_weights
from photoaz.vision.trust import foreseen_widened


@dataclass(frozen=True, slots=True, kw_only=True)
class Shades:
    """What a panel before the sky looks like in a photo, in grey levels (read off the sample photos).

    background, wall, face: their differences count; noise: of a pixel. trusted: share of the samples' information that
    is left when those that fit badly have been distrusted.
    """

    background: float = 185.0
    wall: float = 120.0
    face: float = 140.0
    noise: float = 3.0
    trusted: float = 0.6
    blur_px: float = PHOTO_BLUR_PX


#: samples of an edge at most, and px between them at least: as many as a fit has, for fewer tell another story
_SAMPLES = (40, 1.5)
#: distances between outline and inner edge that weights are worked out for, px
_APART_PX = np.concatenate([np.linspace(0.0, 8.0, 33), [1e3]])


@cache
def _weights(shades: Shades, rounded_px: float) -> tuple[Array, Array, float]:
    """As `usual_weights`, of outline and inner edge the distances _APART_PX from each other."""
    usual = shades.background, shades.wall, shades.face
    return usual_weights(usual, shades.noise, _APART_PX, shades.blur_px, rounded_px)


def _expected_offsets(samples: EdgeSamples, n_boxes: int, shades: Shades, rounded_px: Array) -> EdgeOffsets:
    n = len(samples)
    weight, has = np.zeros((n, 2, 2)), np.zeros(n, bool)
    inner_contrast = (shades.face - shades.wall) ** 2 / (shades.face - shades.background) ** 2
    for b in range(n_boxes):
        mine = samples.box == b
        table, there, alone = _weights(shades, float(np.round(rounded_px[b] * 2.0) / 2.0))
        k = np.abs(np.minimum(samples.inner_px[mine], 999.0)[:, None] - _APART_PX).argmin(1)
        share = samples.inner_share[mine]
        weight[mine], has[mine] = share[:, None, None] * table[k], there[k] & (share > 0.0)
        weight[mine, 0, 0] += (1.0 - share) * table[-1, 0, 0]
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


def expected_information(sighting: Sighting, theta: Array, width_m: Array, shades: Shades | None = None) -> Array:
    """Information (B, P, P) that the pixels of boxes theta (B, P) would give about their parameters.

    width_m (B,): for tolerances in metres. 0 where a box has nothing that could be measured.
    """
    s = shades or Shades()
    out = np.zeros((len(theta), N_PARAMETERS, N_PARAMETERS))
    if not len(theta):
        return out
    nothing = np.zeros((N_PARAMETERS, N_PARAMETERS))
    tasks = [FitTask(NO_PATCH, Prior(th, nothing, float(w)), None) for th, w in zip(theta, width_m, strict=True)]
    seen = sample_boxes(sighting, FitBatch.of(tasks, [[th] for th in theta], s.blur_px), *_SAMPLES)
    n = len(seen.boxes)
    if not n or not len(seen.samples):
        return out
    f_px = sighting.camera.f_px
    offsets = _expected_offsets(seen.samples, n, s, seen.boxes.theta[:, 8] * np.exp(seen.boxes.theta[:, 5]) * f_px)
    share = s.trusted * seen.samples.spacing_px / CORRELATION_PX
    out[seen.left], _, _ = OffsetRows(seen, offsets, f_px).normal_equations(share)
    return out


def expected_modes(
    sighting: Sighting,
    theta: Array,
    priors: Sequence[Prior],
    visible: Array,
    shades: Shades | None = None,
) -> list[BoxMode | None]:
    """The evidence that boxes theta (B, P), a share `visible` (B,) of each unhidden, would make; None where none.

    Found panels, nobody having looked: as bad as right ones usually are, and measured in a reduced picture where wide.
    """
    s = shades or Shades()
    wide = sighting.camera.f_px * np.exp(theta[:, 5])
    binned = np.maximum((wide / ENOUGH_PX).astype(int), 1)
    out: list[BoxMode | None] = [None] * len(theta)
    for factor in np.unique(binned):
        these = np.flatnonzero(binned == factor)
        view = Sighting(reduced_camera(sighting.camera, int(factor)), sighting.cam_from_level)
        small = theta[these].copy()
        small[:, 3:5] = reduced_px(small[:, 3:5], factor)
        info = expected_information(view, small, np.array([priors[k].width_m for k in these.tolist()]), s)
        views = views_of(view, small)
        for j, k in enumerate(these.tolist()):
            if not info[j].any():
                continue
            seen = views[j]
            minimum = Minimum(small[j], info[j], np.zeros(N_PARAMETERS), 0.0, 0.0, 1.0, seen, s.blur_px)
            prior = replace(priors[k], mean=np.where(np.arange(N_PARAMETERS) < 8, priors[k].mean, small[j]))
            mode = mode_from_minimum(view, minimum, prior)
            whole = enlarged(mode, float(factor)) if factor > 1 else mode
            widened = foreseen_widened(whole, sighting, float(small[j, 0]), float(visible[k]))
            out[k] = replace(whole, root=whole.root / widened, offset=np.zeros_like(whole.offset))
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
