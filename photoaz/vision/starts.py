"""Starts of a fit from a panel that the finder saw: boxes of the expected size near its rough corners."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.photo.camera import Camera, directions_from_pixels
from photoaz.vision.box import N_PARAMETERS, Sighting, ideal_corners_px, rotation_cam_from_panel
from photoaz.vision.candidate import Candidate
from photoaz.vision.evidence import width_across
from photoaz.vision.fit import Prior

Array = NDArray[Any]

#: standard uncertainty of the finder's corners, as a share of the panel's width as seen, and along its height
ACROSS_SHARE, ALONG_SHARE = 0.12, 0.18
#: starts that are followed up
MOST = 5
#: standard uncertainty of the finder's word on how a panel is turned
YAW_RAD = float(np.radians(15.0))
_STEP = np.array([1e-4, 1e-4, 1e-4, 1e-2, 1e-2, 1e-4, 1e-4, 1e-4, 1e-3, 1e-3])
_PERTURB = np.concatenate([np.zeros((1, N_PARAMETERS)), np.diag(_STEP)])
_LONGEST = np.array([0.35, 0.1, 0.1, 40, 40, 0.3, 0.3, 0.3, 0.05, 0.02])
_AZIMUTHS = np.radians(np.arange(-165.0, 181.0, 30.0))
#: turns about the best start that are tried as well, held there: rough corners hardly tell a small yaw's sign
_TURNS = np.radians([-30.0, -15.0, 15.0, 30.0])
_HELD_RAD = 0.08
#: corners of a box mirrored about the plane of its side, and turned by half a turn
_SAME_SIDE, _OTHER_SIDE = [1, 0, 3, 2, 5, 4, 7, 6], [5, 4, 7, 6, 1, 0, 3, 2]
#: -2 ln likelihood from which the corners make no box: near the profile the finder mixes up which face is the near one
MISFIT = 30.0
_WIDE_TURNS = np.radians([-60.0, -40.0, -25.0, -12.0, 0.0, 12.0, 25.0, 40.0, 60.0])


def reduced_camera(camera: Camera, shrink: int) -> Camera:
    """The camera of the photo reduced by a whole factor."""
    return replace(
        camera,
        width_px=camera.width_px // shrink,
        height_px=camera.height_px // shrink,
        f_px=camera.f_px / shrink,
        cx_px=(camera.cx_px + 0.5) / shrink - 0.5,
        cy_px=(camera.cy_px + 0.5) / shrink - 0.5,
    )


def starts_from_candidate(sighting: Sighting, candidate: Candidate, prior: Prior) -> list[tuple[float, Array]]:
    """Boxes (cost, theta) that suit the finder's corners, best first; at least one.

    Least squares on all eight corners from azimuths all round, then from turns about the best; what the finder says of
    the panel's turn counts.
    """
    free: list[tuple[float, Array]] = []
    best_px, best = candidate.corners_px, (np.inf, prior.mean)
    for px in _namings(candidate):
        settled = [
            (c + side_cost(sighting, candidate, t), t) for c, t in _settled(sighting, px, prior, _AZIMUTHS, None)
        ]
        here = min(settled, key=lambda s: s[0])
        if here[0] < best[0]:
            free, best, best_px = settled, here, px
    if best[0] > MISFIT:
        return _by_turn(sighting, candidate, prior)
    turned = _settled(sighting, best_px, prior, best[1][0] + _TURNS, _HELD_RAD)
    found = free + [(c + side_cost(sighting, candidate, t), t) for c, t in turned]
    found.sort(key=lambda s: s[0])
    kept: list[tuple[float, Array]] = []
    for cost, theta in found:
        turn = [abs((theta[0] - t[0] + np.pi) % (2 * np.pi) - np.pi) for _, t in kept]
        if all(t > 0.09 for t in turn):
            kept.append((cost, theta))
    return [s for s in kept if s[0] < kept[0][0] + 25.0][:MOST]


def _by_turn(sighting: Sighting, candidate: Candidate, prior: Prior) -> list[tuple[float, Array]]:
    """Boxes of the expected size about the candidate's middle, turned by about as much as the finder says."""
    sight = sighting.cam_from_level.T @ directions_from_pixels(sighting.camera, candidate.corners_px.mean(0))
    towards = np.arctan2(-sight[0], -sight[1])
    out = []
    for turn in _WIDE_TURNS:
        theta = prior.mean.copy()
        theta[0] = towards + candidate.yaw_rad + turn
        theta[3:5] = candidate.corners_px.mean(0)
        out.append((side_cost(sighting, candidate, theta), theta))
    return sorted(out, key=lambda s: s[0])


def _namings(candidate: Candidate) -> list[Array]:
    """The finder's corners (8, 2), front first; nearly in profile, which upright edge is whose is open.

    Then the near large face may be the front or the rear with the panel's same side in view (its upright edges change
    places), or the panel may be seen from its other side (all change places with those opposite).
    """
    px = candidate.corners_px
    in_profile = abs(np.cos(candidate.yaw_rad)) < 0.6 or 0.1 < candidate.front < 0.9
    return [px, px[_SAME_SIDE], px[_OTHER_SIDE]] if in_profile else [px]


def side_cost(sighting: Sighting, candidate: Candidate, theta: Array) -> float:
    """What it costs (-2 ln likelihood, capped) that a box does not look the way the finder saw the panel turned.

    theta (N_PARAMETERS,): the box as the fit has it.
    """
    sight = sighting.cam_from_level.T @ directions_from_pixels(sighting.camera, theta[3:5])
    yaw = theta[0] - np.arctan2(-sight[0], -sight[1])
    off = (yaw - candidate.yaw_rad + np.pi) % (2 * np.pi) - np.pi
    facing = _facing(sighting, theta)
    share = candidate.front if facing > 0 else 1.0 - candidate.front
    # seen nearly in profile, front and rear are a matter of words
    weight = min(abs(facing) / 0.3, 1.0)
    return float(min((off / YAW_RAD) ** 2, 9.0) - weight * np.log(np.clip(share, 0.01, 1.0)))


def _facing(sighting: Sighting, theta: Array) -> float:
    """Cosine between the front's normal and the direction to the camera, both about the box's middle."""
    sight = directions_from_pixels(sighting.camera, theta[3:5])
    return float(-rotation_cam_from_panel(sighting, theta)[:, 2] @ sight)


def _settled(
    sighting: Sighting, corners_px: Array, prior: Prior, azimuths: Array, hold_rad: float | None
) -> list[tuple[float, Array]]:
    axis = corners_px[[0, 1, 4, 5]].mean(0) - corners_px[[2, 3, 6, 7]].mean(0)
    axis = axis / np.hypot(*axis)
    wide = max(width_across(corners_px), 6.0)
    # whitening of a corner's error: across the panel, and along it
    whiten = np.stack([np.array([-axis[1], axis[0]]) / (ACROSS_SHARE * wide), axis / (ALONG_SHARE * wide)])
    theta = np.repeat(prior.mean[None], len(azimuths), 0)
    theta[:, 0] = azimuths
    theta[:, 3:5] = corners_px.mean(0)
    held = np.zeros(N_PARAMETERS)
    held[0] = 0.0 if hold_rad is None else 1.0 / hold_rad**2
    information = prior.information.copy()
    information[3:5], information[:, 3:5] = 0.0, 0.0
    information[[3, 4], [3, 4]] = 1e-6
    for _ in range(8):
        px = ideal_corners_px(sighting, theta[:, None] + _PERTURB)  # (A, 1 + P, 8, 2)
        res = ((corners_px - px[:, 0]) @ whiten.T).reshape(len(theta), 16)
        jac = ((px[:, 1:] - px[:, :1]) @ whiten.T).reshape(len(theta), N_PARAMETERS, 16) / _STEP[:, None]
        n = jac @ np.swapaxes(jac, -1, -2) + information + np.diag(held)
        g = (jac @ res[..., None])[..., 0] - (theta - prior.mean) @ information
        g[:, 0] += held[0] * (azimuths - theta[:, 0])
        theta = theta + np.clip(np.linalg.solve(n, g[..., None])[..., 0], -_LONGEST, _LONGEST)
    res = (corners_px - ideal_corners_px(sighting, theta)) @ whiten.T
    dp = theta - prior.mean
    cost = (res**2).sum((1, 2)) / 2.0 + ((dp @ information) * dp).sum(1)  # a box's eight corners err together
    return [(float(c), t) for c, t in zip(cost, theta, strict=True)]
