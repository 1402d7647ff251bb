"""The antenna as a rounded box: its shape, its outline and its inner edges as a camera sees them.

The body is an extruded profile: a rectangle W x D with edges rounded (the back by half as much as the front), the front
bulged a little, the caps drawn in a little. Its own frame: x to the right as seen by somebody who looks at the front, y
up along the body, z out of the front; the origin is the centre of the ideal box W x H x D.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from photoaz.photo.camera import Camera, directions_from_pixels, project

Array = NDArray[Any]

#: names of the free quantities of a box in one photo, in the order used everywhere in `vision`
PARAMETERS = (
    "azimuth_rad",  # front normal in plan, clockwise from the camera's heading
    "downtilt_rad",
    "roll_rad",
    "centre_x_px",
    "centre_y_px",
    "ln_width",  # ln of the size divided by the distance along the line of sight
    "ln_height",
    "ln_depth",
    "edge_radius",  # in units of the width
    "bulge",  # in units of the width
)
N_PARAMETERS = len(PARAMETERS)

#: caps are drawn in by 6 mm over the last 10 mm of a body 0.3 m wide (common practice, no source)
_CAP_INSET = 0.006 / 0.3
_CAP_RISE = 0.010 / 0.3
_FRONT_ARC = 5
_BACK_ARC = 3
_FRONT_POINTS = 7


def rotation_enu_from_panel(azimuth_rad: Array | float, downtilt_rad: Array | float, roll_rad: Array | float) -> Array:
    """Rotation taking the panel's own frame to ENU, shape (..., 3, 3): columns right, up, front normal.

    azimuth: of the outward normal of the front, clockwise from north; downtilt positive looks down; roll positive turns
    the panel clockwise as seen by somebody who looks at the front. Analytic in its inputs (complex step).
    """
    a, t, r = np.broadcast_arrays(azimuth_rad, downtilt_rad, roll_rad)
    sa, ca, st, ct, sr, cr = np.sin(a), np.cos(a), np.sin(t), np.cos(t), np.sin(r), np.cos(r)
    zero = np.zeros_like(sa)
    normal = np.stack([sa * ct, ca * ct, -st], -1)
    level_up = np.stack([sa * st, ca * st, ct], -1)
    level_right = np.stack([-ca, sa, zero], -1)
    up = level_up * cr[..., None] + level_right * sr[..., None]
    right = level_right * cr[..., None] - level_up * sr[..., None]
    return np.stack([right, up, normal], -1)


_QUARTER = np.linspace(0.0, np.pi / 2, _FRONT_ARC)
_BACK_QUARTER = np.linspace(0.0, np.pi / 2, _BACK_ARC)
_FRONT_SPAN = np.linspace(-1.0, 1.0, _FRONT_POINTS)[1:-1]
_MIRROR = np.array([-1.0, 1.0])


def profile_points(width: Array, depth: Array, radius: Array, bulge: Array) -> Array:
    """Cross-section of the body, (..., N, 2) points (x, z), in order round it, starting at the front's right-hand end.

    The ideal box's front plane is touched by the bulge's middle; the front's ends lie `bulge` behind it. The arguments
    broadcast, all in one unit of length.
    """
    width, depth, radius, bulge = (np.asarray(v)[..., None] for v in (width, depth, radius, bulge))
    a, d = width / 2.0, depth / 2.0
    r = np.minimum(radius, 0.45 * np.minimum(depth, width))
    rb = r / 2.0
    zf = d - bulge
    right_front = np.stack([a - r + r * np.sin(_QUARTER), zf - r + r * np.cos(_QUARTER)], -1)
    right_back = np.stack([a - rb + rb * np.cos(_BACK_QUARTER), -d + rb - rb * np.sin(_BACK_QUARTER)], -1)
    front = np.stack([(a - r) * _FRONT_SPAN, zf + bulge * (1.0 - _FRONT_SPAN**2)], -1)
    mirrored = (right_back[..., ::-1, :] * _MIRROR, right_front[..., ::-1, :] * _MIRROR)
    return np.concatenate([right_front, right_back, *mirrored, front], -2)


_N_PROFILE = 2 * _FRONT_ARC + 2 * _BACK_ARC + _FRONT_POINTS - 2
#: index, within one slice, of the middle of the right and left front edges' arcs
_RIGHT_EDGE = _FRONT_ARC // 2
_LEFT_EDGE = _FRONT_ARC + 2 * _BACK_ARC + _FRONT_ARC // 2
_RIGHT_BACK_EDGE = _FRONT_ARC + _BACK_ARC // 2
_LEFT_BACK_EDGE = _FRONT_ARC + _BACK_ARC + _BACK_ARC // 2


def body_points(width: Array, height: Array, depth: Array, radius: Array, bulge: Array) -> Array:
    """Points (..., 4 * N, 3) of the body's surface: four slices, from the bottom cap to the top cap."""
    outer = profile_points(width, depth, radius, bulge)
    inset = np.minimum(_CAP_INSET * np.asarray(width), 0.2 * np.asarray(depth))  # the cap of a plate stays a plate
    cap = profile_points(width - 2 * inset, depth - 2 * inset, np.maximum(radius - inset, 0.2 * radius), bulge)
    h = np.asarray(height) / 2.0

    def at(y: Array, p: Array) -> Array:
        return np.stack([p[..., 0], np.broadcast_to(y[..., None], p.shape[:-1]), p[..., 1]], -1)

    rise = _CAP_RISE * np.asarray(width)
    return np.concatenate([at(-h, cap), at(-h + rise, outer), at(h - rise, outer), at(h, cap)], -2)


@dataclass(frozen=True, slots=True)
class BoxView:
    """A box as one camera sees it: everything the measuring needs, in pixels.

    points_px (M, 2): the body's points; hull (K,): indices of the outline, clockwise as shown (y down). inner_left,
    inner_right, inner_lower, inner_upper: the edges between the large face seen (front or rear) and the walls, the
    bottom cap and the top cap's rim, as pairs of indices of points, None where they are not seen. Left and right are as
    shown.
    """

    points_px: Array
    hull: Array
    front_visible: bool
    rear_visible: bool
    inner_left: Array | None
    inner_right: Array | None
    inner_lower: Array | None
    inner_upper: Array | None


@dataclass(frozen=True, slots=True)
class Sighting:
    """The camera's approximate attitude that a box is described in: heading 0, this pitch and roll (radians)."""

    camera: Camera
    cam_from_level: Array


def rotation_cam_from_panel(sighting: Sighting, theta: Array) -> Array:
    """Rotation (..., 3, 3) of boxes `theta` (..., N_PARAMETERS) in the camera's frame."""
    out: Array = sighting.cam_from_level @ rotation_enu_from_panel(theta[..., 0], theta[..., 1], theta[..., 2])
    return out


def _to_pixels(sighting: Sighting, theta: Array, points: Array) -> Array:
    """Pixels of points (..., M, 3) in the panel's frame; the distance to the box's centre is the unit of length."""
    centre = directions_from_pixels(sighting.camera, theta[..., 3:5])
    rot = rotation_cam_from_panel(sighting, theta)
    return project(sighting.camera, points @ np.swapaxes(rot, -1, -2) + centre[..., None, :])


def project_body(sighting: Sighting, theta: Array) -> Array:
    """Pixels (..., M, 2) of the body's points."""
    w, h, d = (np.exp(theta[..., k]) for k in (5, 6, 7))
    return _to_pixels(sighting, theta, body_points(w, h, d, theta[..., 8] * w, theta[..., 9] * w))


_CORNERS = np.array(
    [[-1, 1, 1], [1, 1, 1], [1, -1, 1], [-1, -1, 1], [-1, 1, -1], [1, 1, -1], [1, -1, -1], [-1, -1, -1]], float
)


def ideal_corners_px(sighting: Sighting, theta: Array) -> Array:
    """Pixels (..., 8, 2) of the ideal box's corners.

    The front's upper left, upper right, lower right, lower left as seen by somebody looking at the front, then those
    behind them in the same order.
    """
    return _to_pixels(sighting, theta, _CORNERS * np.exp(theta[..., None, 5:8]) / 2.0)


def view_of(sighting: Sighting, theta: Array, points_px: Array | None = None) -> BoxView:
    """How the box looks: outline, inner edges, visible faces. points_px: its body's points, where known already."""
    px = project_body(sighting, theta) if points_px is None else points_px
    # OpenCV's clockwise is meant for y up: as shown (y down) it is the other one
    hull = cv2.convexHull(px.astype(np.float32), clockwise=False, returnPoints=False).reshape(-1)
    rot = rotation_cam_from_panel(sighting, theta)
    w, h, d = np.exp(theta[5:8]) / 2.0
    centre = directions_from_pixels(sighting.camera, theta[3:5])
    towards = -rot.T @ centre  # the camera as seen from the box's centre, in its own frame (unit distance)
    n = _N_PROFILE
    front, rear = bool(towards[2] > d), bool(towards[2] < -d)
    wall_right, wall_left = bool(towards[0] > w), bool(towards[0] < -w)
    bottom = bool(towards[1] < -h)
    right_edge, left_edge = (_RIGHT_EDGE, _LEFT_EDGE) if not rear else (_RIGHT_BACK_EDGE, _LEFT_BACK_EDGE)
    face = front or rear
    # seen from the rear the panel's own right is on the left of the picture
    shown_left, shown_right = (left_edge, right_edge) if not rear else (right_edge, left_edge)
    seen_left, seen_right = (wall_left, wall_right) if not rear else (wall_right, wall_left)
    return BoxView(
        points_px=px,
        hull=hull,
        front_visible=front,
        rear_visible=rear,
        inner_left=np.array([n + shown_left, 2 * n + shown_left]) if face and seen_left else None,
        inner_right=np.array([2 * n + shown_right, n + shown_right]) if face and seen_right else None,
        inner_lower=np.array([n + shown_right, n + shown_left]) if face and bottom else None,
        inner_upper=np.array([2 * n + shown_left, 2 * n + shown_right]) if face else None,
    )
