"""Rotations of lines of sight, analytic in their inputs like all of the camera's geometry."""

from __future__ import annotations

import numpy as np

from photoaz.angles import Array


def los_from_cam(direction: Array) -> Array:
    """Rotation (..., 3, 3) taking camera vectors into the frame of a line of sight (unit, (..., 3)).

    Its z runs along the sight, its x is the camera's x made square to it.
    """
    ex = np.zeros_like(direction)
    ex[..., 0] = 1.0
    x = ex - direction * direction[..., :1]
    x = x / np.sqrt((x * x).sum(-1, keepdims=True))
    y = np.cross(direction, x)
    return np.stack([x, y, direction], -2)


def gibbs(rotation: Array) -> Array:
    """2 tan(angle / 2) times the axis, (..., 3): the rotation vector to second order, single-valued to 180 deg."""
    v = np.stack(
        [
            rotation[..., 2, 1] - rotation[..., 1, 2],
            rotation[..., 0, 2] - rotation[..., 2, 0],
            rotation[..., 1, 0] - rotation[..., 0, 1],
        ],
        -1,
    )
    trace = rotation[..., 0, 0] + rotation[..., 1, 1] + rotation[..., 2, 2]
    return np.asarray(2.0 * v / (1.0 + trace)[..., None])
