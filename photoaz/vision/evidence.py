"""What a photo says of an antenna, in a form that does not depend on what was assumed while measuring it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from photoaz.photo.camera import Array, Camera, directions_from_pixels, gibbs, los_from_cam
from photoaz.vision.appearance import Appearance
from photoaz.vision.box import Sighting, ideal_corners_px, rotation_cam_from_panel, width_across
from photoaz.vision.boxes import Prior
from photoaz.vision.fit import Minimum
from photoaz.vision.patch import enlarged_px

_COMPLEX_STEP = 1e-30
#: a box's tilts are known this well otherwise, where only its azimuth is in question: antennas are mounted plumb
TILT_SIGMA_RAD = float(np.radians(1.5))
_SHAPE = slice(8, 10)  # edge radius and bulge: known to the fit alone


@dataclass(frozen=True, slots=True)
class Spread:
    """A normal distribution of the true azimuth where an outline is wrong.

    share: of all that may be then. sigma_rad: its standard deviation. off_rad: its middle, off the fitted azimuth.
    """

    share: float
    sigma_rad: float
    off_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class BoxMode:
    """One way an antenna's box fits a photo.

    rotation (3, 3): of the box in the frame of its line of sight; centre_px (2,); ln_size (3,): ln of focal length in
    pixels times width, height, depth over distance. root (m, 8), offset (m,): the pixels' information about [rotation
    vector, centre, ln sizes] as whitened rows: residual = root @ difference - offset. cost: -2 ln likelihood up to a
    constant common to the modes of one antenna in one photo. yaw_rad: the normal off the line of sight in plan.
    corners_px (8, 2): of the ideal box. shape (2,): the fit's edge radius and bulge. appearance: whether the photo
    looks like the box over the whole of it, where that was asked. p_right: probability that one of the outline's modes
    is the antenna's own, and not edges of other things; wrong: where the azimuth is else, the rest
    anywhere (`trust`). rival: which of the panels that may be the antenna.
    """

    rotation: Array
    centre_px: Array
    ln_size: Array
    root: Array
    offset: Array
    cost: float
    quality: float
    width_px: float
    corners_px: Array
    outline_px: Array
    inner_px: tuple[Array, ...]
    front_visible: bool
    rear_visible: bool
    has_wall: bool
    shape: Array
    appearance: Appearance | None = None
    p_right: float = 1.0
    wrong: tuple[Spread, ...] = ()
    rival: int = 0


def modes_of_rivals(rivals: Sequence[Sequence[BoxMode]], chances: Sequence[float]) -> tuple[BoxMode, ...]:
    """The modes of all panels that may be one antenna, each panel's together as probable as its chance.

    Those of a single panel stay as they are.
    """
    if len(rivals) == 1:
        return tuple(rivals[0])
    out: list[BoxMode] = []
    for k, (modes, chance) in enumerate(zip(rivals, chances, strict=True)):
        if modes and chance > 0.0:
            cost = np.array([m.cost for m in modes])
            whole = cost.min() - 2.0 * np.log(np.exp(0.5 * (cost.min() - cost)).sum())
            of_panel = -2.0 * np.log(chance) - whole
            out += [replace(m, cost=m.cost + float(of_panel), rival=k) for m in modes]
    return tuple(out)


def mode_from_minimum(sighting: Sighting, minimum: Minimum, prior: Prior) -> BoxMode:
    """Take a fit's data information out of the parameters it was found in, radius and bulge eliminated."""
    theta = minimum.theta
    n, g = minimum.information.copy(), minimum.gradient.copy()
    # the shape's own prior belongs to the fit; everything else's prior is the network's business
    shape_prior = prior.information[_SHAPE, _SHAPE]
    n[_SHAPE, _SHAPE] += shape_prior
    g[_SHAPE] -= shape_prior @ (theta - prior.mean)[_SHAPE]
    gain = np.linalg.solve(n[_SHAPE, _SHAPE], np.column_stack([n[_SHAPE, :8], g[_SHAPE]]))
    n8 = n[:8, :8] - n[:8, _SHAPE] @ gain[:, :8]
    g8 = g[:8] - n[:8, _SHAPE] @ gain[:, 8]
    corners = ideal_corners_px(sighting, theta)
    rot0 = _rotation_in_sight(sighting, theta[None])[0]
    # derivative of [rotation, centre, ln sizes] by the first eight parameters
    batch = np.repeat(theta[None].astype(complex), 5, 0)
    batch[range(5), range(5)] += 1j * _COMPLEX_STEP
    jac = np.eye(8)
    jac[:3, :3] = 0.0
    jac[:3, :5] = gibbs(_rotation_in_sight(sighting, batch) @ rot0.T).imag.T / _COMPLEX_STEP
    inv = np.linalg.inv(jac)
    info, grad = inv.T @ n8 @ inv, inv.T @ g8
    info = 0.5 * (info + info.T)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(info), 1e-12))
    values, vectors = np.linalg.eigh(info * scale[:, None] * scale[None, :])
    ok = values > 1e-9
    root = np.sqrt(values[ok])[:, None] * vectors[:, ok].T / scale[None, :]
    offset = (vectors[:, ok].T @ (scale * grad)) / np.sqrt(values[ok])
    view = minimum.view
    outline = view.points_px[view.hull]
    inner = tuple(view.points_px[i] for i in (view.inner_left, view.inner_right, view.inner_lower) if i is not None)
    return BoxMode(
        rotation=rot0,
        centre_px=theta[3:5].copy(),
        ln_size=theta[5:8] + np.log(sighting.camera.f_px),
        root=root,
        offset=offset,
        cost=minimum.cost,
        quality=minimum.quality,
        width_px=width_across(corners),
        corners_px=corners,
        outline_px=outline,
        inner_px=inner,
        front_visible=view.front_visible,
        rear_visible=view.rear_visible,
        has_wall=view.inner_left is not None or view.inner_right is not None,
        shape=theta[_SHAPE].copy(),
    )


def azimuths_of(
    modes: Sequence[BoxMode], camera: Camera, cam_from_enu: Array, tilt_sigma_rad: float
) -> tuple[Array, Array]:
    """Azimuths (M,) of modes and their standard uncertainties (M,) [rad] from their own outlines alone.

    cam_from_enu (3, 3): the camera's attitude, taken as known; azimuths are those of its frame. tilt_sigma_rad: how
    well the box's tilts are known otherwise; its place and sizes are free but for 2 per cent each and 5 in common.
    """
    los = los_from_cam(directions_from_pixels(camera, np.stack([m.centre_px for m in modes]))) @ cam_from_enu
    normal = (np.swapaxes(los, -1, -2) @ np.stack([m.rotation[:, 2] for m in modes])[..., None])[..., 0]
    up = los[..., 2]
    info = np.stack([m.root.T @ m.root for m in modes])
    info[:, 5:8, 5:8] += np.linalg.inv(np.diag([0.02**2] * 3) + 0.05**2)
    info[:, 3:5, 3:5] += np.eye(2) * 1e-6
    turn = info[:, :3, :3] - info[:, :3, 3:] @ np.linalg.solve(info[:, 3:, 3:], info[:, 3:, :3])
    turn = turn + (np.eye(3) - up[:, :, None] * up[:, None, :]) / tilt_sigma_rad**2
    variance = (up * np.linalg.solve(turn + 1e-9 * np.eye(3), up[..., None])[..., 0]).sum(-1)
    return np.arctan2(normal[:, 0], normal[:, 1]), np.sqrt(np.maximum(variance, 1e-12))


def enlarged(mode: BoxMode, factor: float) -> BoxMode:
    """A mode measured in a reduced photo as one of the photo `factor` times as large; the other way with 1 / factor."""
    root = mode.root.copy()
    root[:, 3:5] /= factor
    return replace(
        mode,
        centre_px=enlarged_px(mode.centre_px, factor),
        ln_size=mode.ln_size + np.log(factor),
        root=root,
        width_px=mode.width_px * factor,
        corners_px=enlarged_px(mode.corners_px, factor),
        outline_px=enlarged_px(mode.outline_px, factor),
        inner_px=tuple(enlarged_px(e, factor) for e in mode.inner_px),
    )


def theta_of_mode(sighting: Sighting, mode: BoxMode, prior: Prior) -> Array:
    """A mode in the parameters of a fit (N_PARAMETERS,) under this sighting: the inverse of `mode_from_minimum`."""
    theta = prior.mean.copy()
    sight = directions_from_pixels(sighting.camera, mode.centre_px)
    rot = sighting.cam_from_level.T @ los_from_cam(sight).T @ mode.rotation  # level frame from panel
    right, up, normal = rot[:, 0], rot[:, 1], rot[:, 2]
    theta[0] = np.arctan2(normal[0], normal[1])
    theta[1] = np.arcsin(np.clip(-normal[2], -1.0, 1.0))
    theta[2] = np.arctan2(-right[2], up[2])
    theta[3:5] = mode.centre_px
    theta[5:8] = mode.ln_size - np.log(sighting.camera.f_px)
    theta[_SHAPE] = mode.shape
    return theta


def _rotation_in_sight(sighting: Sighting, theta: Array) -> Array:
    sight = directions_from_pixels(sighting.camera, theta[..., 3:5])
    out: Array = los_from_cam(sight) @ rotation_cam_from_panel(sighting, theta)
    return out
