"""The antenna as a rounded box: its shape, its outline and its inner edges as a camera sees them.

The body is an extruded profile: a rectangle W x D with edges rounded (the back by half as much as the front), the front
bulged a little, the caps drawn in a little. Its own frame: x to the right as seen by somebody who looks at the front, y
up along the body, z out of the front; the origin is the centre of the ideal box W x H x D.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from photoaz.photo.camera import Array, Camera, directions_from_pixels, project, project_jacobian

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
    out = np.empty((*sa.shape, 3, 3), sa.dtype)
    # level right (-ca, sa, 0) and up (sa st, ca st, ct), turned by the roll; the normal
    out[..., 0, 0], out[..., 0, 1], out[..., 0, 2] = -ca * cr - sa * st * sr, sa * st * cr - ca * sr, sa * ct
    out[..., 1, 0], out[..., 1, 1], out[..., 1, 2] = sa * cr - ca * st * sr, ca * st * cr + sa * sr, ca * ct
    out[..., 2, 0], out[..., 2, 1], out[..., 2, 2] = -ct * sr, ct * cr, -st
    return out


_N_PROFILE = 2 * _FRONT_ARC + 2 * _BACK_ARC + _FRONT_POINTS - 2
#: index, within one slice, of the middle of the right and left front edges' arcs
_RIGHT_EDGE = _FRONT_ARC // 2
_LEFT_EDGE = _FRONT_ARC + 2 * _BACK_ARC + _FRONT_ARC // 2
_RIGHT_BACK_EDGE = _FRONT_ARC + _BACK_ARC // 2
_LEFT_BACK_EDGE = _FRONT_ARC + _BACK_ARC + _BACK_ARC // 2


def _profile_template() -> Array:
    """Cross-section (4, N, 2) as a linear map of half the width, half the depth, edge radius and bulge."""
    quarter = np.linspace(0.0, np.pi / 2, _FRONT_ARC)
    back = np.linspace(0.0, np.pi / 2, _BACK_ARC)
    span = np.linspace(-1.0, 1.0, _FRONT_POINTS)[1:-1]
    out = np.zeros((4, _N_PROFILE, 2))
    width, depth, radius, bulge = out
    n, m = _FRONT_ARC, _FRONT_ARC + _BACK_ARC
    width[:m, 0] = 1.0
    depth[:n, 1], depth[n:m, 1] = 1.0, -1.0
    bulge[:n, 1] = -1.0
    radius[:n] = np.stack([np.sin(quarter) - 1.0, np.cos(quarter) - 1.0], -1)
    radius[n:m] = np.stack([np.cos(back) - 1.0, 1.0 - np.sin(back)], -1) / 2.0  # the back's is half the front's
    # the left side mirrors the right one, from the back on
    out[:, m : m + _BACK_ARC] = out[:, n:m][:, ::-1] * [-1.0, 1.0]
    out[:, m + _BACK_ARC : 2 * m] = out[:, :n][:, ::-1] * [-1.0, 1.0]
    width[2 * m :, 0], radius[2 * m :, 0] = span, -span
    depth[2 * m :, 1], bulge[2 * m :, 1] = 1.0, -(span**2)
    return out


_PROFILE = _profile_template()


def _radius_that_fits(radius: Array, depth: Array, width: Array) -> Array:
    return np.asarray(np.minimum(radius, 0.45 * np.minimum(depth, width)))


def _spread(parts: Array, template: Array) -> Array:
    """Points (..., N, dim) of parts (..., K) by a linear map (K, N, dim)."""
    flat = parts[..., None, :] @ template.reshape(len(template), -1)  # box by box: the same sums however many there are
    return np.asarray(flat.reshape(*parts.shape[:-1], *template.shape[1:]))


#: the ideal box's corners: the front's upper left, upper right, lower right, lower left as seen by somebody looking at
#: the front, then those behind them in the same order
_CORNERS = np.array(
    [[-1, 1, 1], [1, 1, 1], [1, -1, 1], [-1, -1, 1], [-1, 1, -1], [1, 1, -1], [1, -1, -1], [-1, -1, -1]], float
)
N_BODY = 4 * _N_PROFILE


def _body_template() -> Array:
    """Body and ideal corners (9, N_BODY + 8, 3), a linear map of `_body_parts`."""
    out = np.zeros((9, N_BODY + len(_CORNERS), 3))
    for k, (y_height, y_rise) in enumerate(((-1.0, 0.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 0.0))):
        at = slice(k * _N_PROFILE, (k + 1) * _N_PROFILE)
        own = [0, 1, 2, 3] if k in (1, 2) else [4, 5, 6, 3]
        out[own, at, 0], out[own, at, 2] = _PROFILE[..., 0], _PROFILE[..., 1]
        out[7, at, 1], out[8, at, 1] = y_height, y_rise
    out[[0, 7, 1], N_BODY:, [0, 1, 2]] = _CORNERS.T
    return out


_BODY = _body_template()


def _body_parts(width: Array, height: Array, depth: Array, radius: Array, bulge: Array) -> Array:
    """What a body's points are a linear map of (..., 9).

    Half of width and depth, edge radius and bulge; half of width and depth, and radius of its caps; half of the height,
    and how far below its ends the caps begin.
    """
    width, height, depth, radius, bulge = np.broadcast_arrays(width, height, depth, radius, bulge)
    inset = np.minimum(_CAP_INSET * width, 0.2 * depth)  # the cap of a plate stays a plate
    out = np.empty((*width.shape, 9))
    out[..., 0], out[..., 1], out[..., 3] = width / 2.0, depth / 2.0, bulge
    out[..., 2] = _radius_that_fits(radius, depth, width)
    out[..., 4], out[..., 5] = out[..., 0] - inset, out[..., 1] - inset
    out[..., 6] = _radius_that_fits(np.maximum(radius - inset, 0.2 * radius), depth - 2 * inset, width - 2 * inset)
    out[..., 7], out[..., 8] = height / 2.0, _CAP_RISE * width
    return out


def _parts_of(theta: Array) -> Array:
    size = np.exp(theta[..., 5:8])
    w = size[..., 0]
    return _body_parts(w, size[..., 1], size[..., 2], theta[..., 8] * w, theta[..., 9] * w)


@dataclass(frozen=True, slots=True)
class BoxView:
    """A box as one camera sees it: everything the measuring needs, in pixels.

    points_px (M, 2): the body's points, and the ends of its sides (`with_sides`); hull (K,): indices of the outline,
    clockwise as shown (y down). inner_left, inner_right, inner_lower, inner_upper: the edges between the large face
    seen (front or rear) and the walls, the bottom cap and the top cap's rim, as pairs of indices of points, None where
    they are not seen. Left and right are as shown. inner_seen (4,): how far each of these (left, right, lower, upper)
    is in view, from 0 where its faces only just turn towards the camera to 1 where each of them is a pixel wide.
    """

    points_px: Array
    hull: Array
    front_visible: bool
    rear_visible: bool
    inner_left: Array | None
    inner_right: Array | None
    inner_lower: Array | None
    inner_upper: Array | None
    inner_seen: Array


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


def body_points(theta: Array) -> Array:
    """Points (..., N_BODY, 3) of the bodies `theta` (..., N_PARAMETERS) in their own frames, sizes over the distance.

    Four slices from the bottom cap to the top cap, each in order round it from the front's right-hand end.
    """
    return _spread(_parts_of(theta), _BODY[:, :N_BODY])


def project_body(sighting: Sighting, theta: Array) -> Array:
    """Pixels (..., N_BODY, 2) of the body's points of boxes `theta` (..., N_PARAMETERS)."""
    return _to_pixels(sighting, theta, body_points(theta))


def ideal_corners_px(sighting: Sighting, theta: Array) -> Array:
    """Pixels (..., 8, 2) of the ideal box's corners.

    The front's upper left, upper right, lower right, lower left as seen by somebody looking at the front, then those
    behind them in the same order.
    """
    return _to_pixels(sighting, theta, _CORNERS * np.exp(theta[..., None, 5:8]) / 2.0)


#: steps of the forward differences, where they are used: far below what the pixels resolve, far above rounding
_CENTRE_STEP = np.array([[0.0, 0.0], [1e-2, 0.0], [0.0, 1e-2]])
_SHAPE_STEP = np.array([1e-4, 1e-4, 1e-4, 1e-3, 1e-3])
_SHAPE_PERTURB = np.concatenate(
    [np.zeros((1, N_PARAMETERS)), np.concatenate([np.zeros((5, 5)), np.diag(_SHAPE_STEP)], 1)]
)


def corner_derivative(sighting: Sighting, theta: Array) -> tuple[Array, Array]:
    """The ideal box's corners (B, 8, 2) of boxes theta (B, P), and their derivative (B, 8, 2, P)."""
    return _derivative(sighting, theta, _BODY[:, N_BODY:])


def body_derivative(sighting: Sighting, theta: Array) -> tuple[Array, Array]:
    """The body's points and behind them the ideal box's corners (B, N_BODY + 8, 2) of boxes theta (B, P), projected.

    And their derivative (B, N_BODY + 8, 2, P).
    """
    return _derivative(sighting, theta, _BODY)


#: an upright line of the body hands the outline over to the next one while both are about so far [px] from being it
_HANDED_OVER_PX = 0.15
#: ends of the left and the right side among the points: lower and upper each
LEFT_SIDE, RIGHT_SIDE = (N_BODY, N_BODY + 1), (N_BODY + 2, N_BODY + 3)


def with_sides(points_px: Array, derivative: Array) -> tuple[Array, Array]:
    """A body's points (B, N_BODY, 2) px, and behind them the four ends of its two sides as shown; and their derivative.

    derivative (B, N_BODY, 2, P): that of the points.
    """
    sides = _sides(points_px)
    moves = (sides @ derivative.reshape(len(sides), N_BODY, -1)).reshape(-1, 4, *derivative.shape[2:])
    return np.concatenate([points_px, sides @ points_px], 1), np.concatenate([derivative, moves], 1)


def _sides(points_px: Array) -> Array:
    """The ends of the upright sides of bodies (B, N_BODY, 2) px: shares (B, 4, N_BODY) that their points have in them.

    When a body is turned, one of its upright lines after the other is its outline. What one of them has to say of the
    turn differs from what the next one has: they take turns little by little, or a fit would jump between them.
    """
    n = _N_PROFILE
    lower, upper = points_px[:, n : 2 * n], points_px[:, 2 * n : 3 * n]
    middle, up = 0.5 * (lower + upper), upper - lower
    out = np.zeros((len(points_px), 4, N_BODY))
    for k, sign in ((0, 1.0), (2, -1.0)):
        along = up.mean(1)
        for _ in range(2):  # upright lines run together with height: the side's own direction counts
            square = sign * np.stack([along[:, 1], -along[:, 0]], -1) / np.hypot(along[:, 0], along[:, 1])[:, None]
            out_px = (middle @ square[..., None])[..., 0]
            share = np.exp((out_px - out_px.max(1, keepdims=True)) / _HANDED_OVER_PX)
            share /= share.sum(1, keepdims=True)
            along = (share[:, None] @ up)[:, 0]
        out[:, k, n : 2 * n], out[:, k + 1, 2 * n : 3 * n] = share, share
    return out


def _derivative(sighting: Sighting, theta: Array, template: Array) -> tuple[Array, Array]:
    """Projected points (B, N, 2) of boxes (B, P) and their derivative (B, N, 2, P); template (9, N, 3)."""
    rot = rotation_cam_from_panel(sighting, theta)
    turned = np.swapaxes(rot, -1, -2)
    parts = _parts_of(theta[:, None] + _SHAPE_PERTURB)
    sight = directions_from_pixels(sighting.camera, theta[:, None, 3:5] + _CENTRE_STEP)
    y = _spread(parts[:, 0], template) @ turned  # from the box's centre, in the camera's frame
    points = y + sight[:, :1]
    by = np.empty((*points.shape, N_PARAMETERS))
    # axes that azimuth, downtilt and roll turn the box about: down, its level right, its normal backwards
    level = sighting.cam_from_level
    axis = np.empty((len(theta), 1, 3, 3))
    axis[:, 0, :, 0] = -level[:, 2]
    axis[:, 0, :, 1] = np.sin(theta[:, :1]) * level[:, 1] - np.cos(theta[:, :1]) * level[:, 0]
    axis[:, 0, :, 2] = -rot[:, :, 2]
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        by[:, :, i, :3] = axis[:, :, j] * y[:, :, k, None] - axis[:, :, k] * y[:, :, j, None]
    by[..., 3:5] = np.swapaxes(sight[:, 1:] - sight[:, :1], 1, 2)[:, None] / _CENTRE_STEP[1, 0]
    shape = _spread((parts[:, 1:] - parts[:, :1]) / _SHAPE_STEP[:, None], template)  # (B, 5, N, 3)
    by[..., 5:] = np.moveaxis(shape @ turned[:, None], 1, -1)
    rows, _ = project_jacobian(sighting.camera, points)
    out = rows[..., 0, None] * by[..., None, 0, :]
    out += rows[..., 1, None] * by[..., None, 1, :]
    out += rows[..., 2, None] * by[..., None, 2, :]
    return project(sighting.camera, points), out


def _inner_edges(shown_left: int, shown_right: int) -> tuple[Array, Array, Array, Array]:
    """Ends of the inner edges (left, right, lower, upper) as points of the body, from its edges shown to both sides."""
    n = _N_PROFILE
    left, right = np.array([n + shown_left, 2 * n + shown_left]), np.array([2 * n + shown_right, n + shown_right])
    return left, right, np.array([n + shown_right, n + shown_left]), np.array([2 * n + shown_left, 2 * n + shown_right])


#: seen from the rear the panel's own right is on the left of the picture
_INNER_OF_FRONT = _inner_edges(_LEFT_EDGE, _RIGHT_EDGE)
_INNER_OF_REAR = _inner_edges(_RIGHT_BACK_EDGE, _LEFT_BACK_EDGE)


def view_of(sighting: Sighting, theta: Array) -> BoxView:
    """How the box `theta` (N_PARAMETERS,) looks: outline, inner edges, visible faces."""
    return views_of(sighting, theta[None])[0]


def views_of(sighting: Sighting, theta: Array, points_px: Array | None = None) -> tuple[BoxView, ...]:
    """As `view_of`, of several boxes (B, N_PARAMETERS).

    points_px: their bodies' points (B, M, 2) with the ends of their sides, where known already.
    """
    if points_px is None:
        body_px = project_body(sighting, theta)
        points_px = np.concatenate([body_px, _sides(body_px) @ body_px], 1)
    px = points_px
    rot = rotation_cam_from_panel(sighting, theta)
    size = np.exp(theta[:, 5:8])
    centre = directions_from_pixels(sighting.camera, theta[:, 3:5])
    towards = -(centre[:, None, :] @ rot)[:, 0]  # the camera as seen from the box's centre, in its own frame
    ahead, behind = towards - size / 2.0, -towards - size / 2.0
    # how wide the faces look: walls and caps by the depth, the large ones by the width
    across_px = sighting.camera.f_px * size[:, [2, 2, 0]]
    wide = np.clip(across_px * np.maximum(ahead, behind), 0.0, 1.0)
    single = px[:, :N_BODY].astype(np.float32)
    views = []
    for points, short, (right, _, front), (left, below, rear), (wall, cap, face_seen) in zip(
        px, single, (ahead > 0).tolist(), (behind > 0).tolist(), wide.tolist(), strict=True
    ):
        # OpenCV's clockwise is meant for y up: as shown (y down) it is the other one
        hull = cv2.convexHull(short, clockwise=False, returnPoints=False).reshape(-1)
        inner = _INNER_OF_REAR if rear else _INNER_OF_FRONT
        face = front or rear
        seen_left, seen_right = (right, left) if rear else (left, right)
        views.append(
            BoxView(
                points_px=points,
                hull=hull,
                front_visible=front,
                rear_visible=rear,
                inner_left=inner[0] if face and seen_left else None,
                inner_right=inner[1] if face and seen_right else None,
                inner_lower=inner[2] if face and below else None,
                inner_upper=inner[3] if face else None,
                inner_seen=face_seen * np.array([wall, wall, cap, 1.0]),
            )
        )
    return tuple(views)


def width_across(corners_px: Array) -> float:
    """Width in pixels of a box as seen, across its long axis, from its eight corners (8, 2)."""
    return float(np.ptp(corners_px @ across_axis(corners_px)))


def long_axis(corners_px: Array) -> Array:
    """Unit vector (2,) along a box's long axis as seen, from its eight corners (8, 2)."""
    axis = corners_px[[0, 1, 4, 5]].mean(0) - corners_px[[2, 3, 6, 7]].mean(0)
    out: Array = axis / np.hypot(*axis)
    return out


def across_axis(corners_px: Array) -> Array:
    """Unit vector (2,) square to a box's long axis as seen, from its eight corners (8, 2)."""
    axis = long_axis(corners_px)
    return np.array([-axis[1], axis[0]])


def facing(sighting: Sighting, theta: Array) -> Array:
    """Cosines (...,) between the fronts' normals and the directions from the boxes (..., P) to the camera."""
    normal = rotation_cam_from_panel(sighting, theta)[..., 2]
    out: Array = -(normal * directions_from_pixels(sighting.camera, theta[..., 3:5])).sum(-1)
    return out


def front_off_sight(sighting: Sighting, theta: Array) -> Array:
    """Angles (...,) [rad] between the fronts' normals and the directions from the boxes (..., P) to the camera."""
    return np.asarray(np.arccos(np.clip(facing(sighting, theta), -1.0, 1.0)))
