"""Samples along the edges against OpenCV's polygon test, and their derivatives against edges that were really moved."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from photoaz.photo.camera import Camera, rotation_cam_from_enu
from photoaz.vision.box import (
    N_BODY,
    N_PARAMETERS,
    Sighting,
    body_derivative,
    ideal_corners_px,
    project_body,
    view_of,
    views_of,
    with_sides,
)
from photoaz.vision.outline import (
    BOTTOM,
    INNER_LEFT,
    INNER_LOWER,
    INNER_RIGHT,
    LEFT,
    RIGHT,
    TOP,
    EdgeSamples,
    displacement_jacobian,
    sample_edges,
)

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)
SIGHTING = Sighting(CAMERA, rotation_cam_from_enu(0.0, np.radians(25.0), np.radians(1.5)))
LEVEL = Sighting(CAMERA, rotation_cam_from_enu(0.0, 0.0, 0.0))
POSES = [(-60.0, 2.0), (-20.0, -1.0), (0.0, 0.0), (5.0, 1.0), (35.0, 0.0), (75.0, 2.0), (160.0, -1.0), (215.0, 0.0)]
BLUR_PX = 0.9


def box(yaw_deg: float, roll_deg: float = 0.0, *, radius: float = 0.1, bulge: float = 0.03) -> np.ndarray:
    """A box 120 px wide, 600 high and 54 deep where seen square."""
    theta = np.zeros(N_PARAMETERS)
    theta[:3] = np.radians([180.0 + yaw_deg, 3.0, roll_deg])
    theta[3:5] = 1700.0, 1300.0
    theta[5:8] = np.log([0.04, 0.2, 0.018])
    theta[8:] = radius, bulge
    return theta


def body_of(sighting: Sighting, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points of the body of a box (P,), or of boxes (B, P), and their derivative."""
    points, derivative = with_sides(*(v[:, :N_BODY] for v in body_derivative(sighting, np.atleast_2d(theta))))
    return (points, derivative) if theta.ndim > 1 else (points[0], derivative[0])


def hull_of(theta: np.ndarray) -> np.ndarray:
    return cv2.convexHull(project_body(SIGHTING, theta).astype(np.float32)).reshape(-1, 2)


def samples_of(theta: np.ndarray, sighting: Sighting = SIGHTING) -> EdgeSamples:
    return sample_edges(view_of(sighting, theta), blur_px=BLUR_PX)


@pytest.mark.parametrize(("yaw", "roll"), POSES)
def test_samples_lie_on_the_outline_and_look_outwards(yaw: float, roll: float) -> None:
    theta = box(yaw, roll)
    samples, hull = samples_of(theta), hull_of(theta)
    outline = samples.edge < INNER_LEFT
    assert np.abs(np.hypot(*samples.normal.T) - 1).max() < 1e-12
    for x, normal in zip(samples.x_px[outline], samples.normal[outline], strict=True):
        # pixels: a side lies on a mean of the upright lines that are within some 0.15 px of being the outline
        assert abs(cv2.pointPolygonTest(hull, x.tolist(), True)) < 0.06
        assert cv2.pointPolygonTest(hull, (x + 0.5 * normal).tolist(), True) == pytest.approx(-0.5, abs=0.06)
    for x in samples.x_px[~outline]:
        assert cv2.pointPolygonTest(hull, x.tolist(), True) > 0
    # each side where its name says, none missing
    middle = samples.x_px[outline].mean(0)
    for kind, axis, sign in ((LEFT, 0, -1), (RIGHT, 0, 1), (TOP, 1, -1), (BOTTOM, 1, 1)):
        at = samples.edge == kind
        assert at.any()
        assert (sign * (samples.x_px[at] - middle)[:, axis] > 0).all()
        assert (sign * samples.normal[at, axis] > 0).all()


@pytest.mark.parametrize(("yaw", "roll"), POSES)
def test_samples_stand_for_the_whole_outline(yaw: float, roll: float) -> None:
    """Spacings add up to the outline's length, but for what is left out at its corners."""
    theta = box(yaw, roll)
    samples = samples_of(theta)
    outline = samples.edge < INNER_LEFT
    length = cv2.arcLength(hull_of(theta), True)
    # four corners, each with two trimmed ends and an arc with the edges' radius (12 px) at most
    assert length - 4 * (2 * (1.1 * BLUR_PX + 1.0) + 2 * 12) < samples.spacing_px[outline].sum() < length
    assert np.abs(samples.along).max() < 1


def ray_to_polygon(x: np.ndarray, normal: np.ndarray, polygon: np.ndarray) -> float:
    """Distance from x along +-normal to the polygon's nearest crossing."""
    a, b = polygon, np.roll(polygon, -1, 0)
    d, rel = b - a, x - a
    cross = normal[0] * d[:, 1] - normal[1] * d[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (d[:, 0] * rel[:, 1] - d[:, 1] * rel[:, 0]) / cross
        u = (normal[0] * rel[:, 1] - normal[1] * rel[:, 0]) / cross
    s = s[(u >= -1e-9) & (u <= 1 + 1e-9) & np.isfinite(s)]
    return float(s[np.abs(s).argmin()])


def polygon_of(theta: np.ndarray) -> np.ndarray:
    """The outline in double precision: single precision would be coarser than the moves."""
    return project_body(SIGHTING, theta)[view_of(SIGHTING, theta).hull]


@pytest.mark.parametrize(("yaw", "roll"), POSES)
def test_displacement_is_that_of_the_moved_edge(yaw: float, roll: float) -> None:
    """The outline drawn for a box moved a little, cut with each sample's normal: nothing here but geometry."""
    theta = box(yaw, roll)
    samples = samples_of(theta)
    own, _ = displacement_jacobian(samples, body_of(SIGHTING, theta)[1])
    assert own.shape == (len(samples), N_PARAMETERS)
    steps = np.array([2e-4, 2e-4, 2e-4, 0.01, 0.01, 2e-4, 2e-4, 2e-4, 1e-3, 1e-3])
    at = np.flatnonzero(np.isin(samples.edge, (LEFT, RIGHT)))[::7]
    for k, step in enumerate(steps):
        ahead, behind = theta.copy(), theta.copy()
        ahead[k] += step
        behind[k] -= step
        ahead_px, behind_px = polygon_of(ahead), polygon_of(behind)
        for i in at:
            x, n = samples.x_px[i], samples.normal[i]
            moved = (ray_to_polygon(x, n, ahead_px) - ray_to_polygon(x, n, behind_px)) / (2 * step)
            # an upright edge passes from one point of an arc to the next within a degree or two of yaw: where it does
            # so, or both are about to be the outline, the answer lies between the two slopes
            assert own[i, k] == pytest.approx(moved, abs=max(0.04 * np.abs(own[:, k]).max(), 0.01))


def test_derivative_of_the_body() -> None:
    """Against central differences with another step."""
    theta = box(-25.0, 1.0)
    points, found = (v[:N_BODY] for v in body_of(SIGHTING, theta))
    assert np.abs(points - project_body(SIGHTING, theta)).max() < 1e-9  # px
    for k in range(N_PARAMETERS):
        h = np.zeros(N_PARAMETERS)
        h[k] = 1e-6
        slope = (project_body(SIGHTING, theta + h) - project_body(SIGHTING, theta - h)) / 2e-6
        assert np.abs(found[..., k] - slope).max() < 2e-3 * max(np.abs(slope).max(), 1.0)


@pytest.mark.parametrize("yaw", [-50.0, -8.0, 4.0, 20.0, 65.0])
def test_inner_distance_is_the_wall_as_seen(yaw: float) -> None:
    """A sharp box far away: the wall beside the front is D |sin yaw| wide (orthographic limit)."""
    theta = box(yaw, radius=1e-6, bulge=0.0)
    theta[1] = 0.0
    theta[3:5] = 1999.5, 1499.5
    theta[5:8] -= np.log(1e4)  # ten thousand times farther, with a lens as much longer
    camera = Camera(width_px=4000, height_px=3000, f_px=3e7, cx_px=1999.5, cy_px=1499.5)
    samples = samples_of(theta, Sighting(camera, rotation_cam_from_enu(0.0, 0.0, 0.0)))
    side, other = (RIGHT, LEFT) if yaw > 0 else (LEFT, RIGHT)
    wall = 54.0 * np.sin(np.radians(abs(yaw)))
    near = samples.edge == side
    assert samples.inner_px[near] == pytest.approx(wall, abs=1e-3)
    # from the other side it is the whole front, W cos yaw wide
    assert samples.inner_px[samples.edge == other] == pytest.approx(120.0 * np.cos(np.radians(yaw)), abs=1e-3)
    inner = samples.edge == (INNER_RIGHT if yaw > 0 else INNER_LEFT)
    # an inner edge is measured by itself only where the outline does not blur into it
    assert inner.any() == (wall > 3 * BLUR_PX + 1)
    if inner.any():
        assert samples.outer_px[inner] == pytest.approx(wall, abs=1e-3)
    assert np.isinf(samples.outer_px[samples.edge < INNER_LEFT]).all()


def test_inner_edge_moves_with_the_box() -> None:
    """Both edges of a pair follow a shift of the centre pixel for pixel, along the sample's normal.

    Within the depth of field: parts of this box are 6 % nearer or farther than its centre.
    """
    samples = samples_of(box(30.0))
    own, inner = displacement_jacobian(samples, body_of(SIGHTING, box(30.0))[1])
    paired = np.isfinite(samples.inner_px)
    assert paired.any()
    for axis in (0, 1):
        assert own[:, 3 + axis] == pytest.approx(samples.normal[:, axis], abs=0.07)
        assert inner[paired, 3 + axis] == pytest.approx(samples.normal[paired, axis], abs=0.07)
    assert (inner[~paired] == 0).all()


def test_lower_edge_of_the_front_lies_above_the_outlines_own() -> None:
    """From below the cap shows: the lowest edge is the back's, the front's lower edge is an inner one above it."""
    samples = samples_of(box(0.0))
    assert samples.x_px[samples.edge == INNER_LOWER, 1].max() < samples.x_px[samples.edge == BOTTOM, 1].min()


@pytest.mark.parametrize("size", [1e-5, 3e-4, 2e-3])
def test_a_box_of_a_few_pixels_gives_few_samples_and_no_fault(size: float) -> None:
    theta = box(30.0)
    theta[5:8] += np.log(size / 0.04)
    samples = samples_of(theta)
    assert len(samples) == len(samples.x_px) == len(samples.inner_px) == len(samples.outer_px)
    assert np.isfinite(samples.x_px).all()
    if size * 3000 < 1:
        assert samples.spacing_px.sum() < 2.0  # px: its corners blur into each other


@pytest.mark.parametrize("depth", [1e-3, 1e-2])
def test_a_plate_has_the_outline_of_its_front(depth: float) -> None:
    """Depth down to a thousandth of the width: the outline is the front's rectangle, all four sides of it."""
    theta = box(20.0, radius=1e-3, bulge=0.0)
    theta[7] = np.log(0.04 * depth)
    view = view_of(SIGHTING, theta)
    samples = sample_edges(view, blur_px=BLUR_PX)
    assert {LEFT, RIGHT, TOP, BOTTOM} <= set(samples.edge.tolist())
    corners = ideal_corners_px(SIGHTING, theta)[:4].astype(np.float32)
    off = [abs(cv2.pointPolygonTest(corners, x.tolist(), True)) for x in samples.x_px[samples.edge < INNER_LEFT]]
    assert max(off) < 2.0  # px: depth and rounding


def test_boxes_sampled_together_are_those_sampled_alone() -> None:
    """Each with its own blur; points of all boxes count on, so that one gather serves all."""
    thetas, blurs = np.stack([box(*pose) for pose in POSES]), np.linspace(0.6, 1.5, len(POSES))
    points, derivative = body_of(SIGHTING, thetas)
    together = sample_edges(views_of(SIGHTING, thetas, points), blur_px=blurs, max_per_edge=40)
    moves = displacement_jacobian(together, derivative)
    flat = points.reshape(-1, 2)
    assert (np.diff(together.box) >= 0).all()
    for k, theta in enumerate(thetas):
        alone = sample_edges(view_of(SIGHTING, theta), blur_px=blurs[k], max_per_edge=40)
        at = together.box == k
        for name in ("x_px", "normal", "edge", "along", "spacing_px", "inner_px", "outer_px"):
            assert getattr(together, name)[at] == pytest.approx(getattr(alone, name), abs=1e-9)
        single = displacement_jacobian(alone, body_of(SIGHTING, theta)[1])
        for moved, expected in zip(moves, single, strict=True):
            assert moved[at] == pytest.approx(expected, abs=1e-7)
    between = together.fraction[:, None]
    place = (1 - between) * flat[together.first] + between * flat[together.second]
    assert place == pytest.approx(together.x_px, abs=1e-9)


def test_spacing_of_samples() -> None:
    """As wide as asked for, closer only where an edge would have few, no more than allowed; less at an edge's ends."""
    view = view_of(SIGHTING, box(-20.0))
    for spacing, most in ((1.0, 1000), (3.0, 1000), (1.0, 25)):
        samples = sample_edges(view, blur_px=BLUR_PX, max_per_edge=most, spacing_px=spacing)
        assert np.bincount(samples.edge).max() <= most + 1
        upright = samples.spacing_px[samples.edge == LEFT]  # some 540 px long
        assert upright[1:-1] == pytest.approx(upright[1], rel=1e-6)
        assert most < len(upright) + 2 if most < 100 else upright[1] == pytest.approx(spacing, rel=0.01)
        assert upright.max() < upright[1] * (1 + 1e-9)


def test_nothing_jumps_when_a_box_moves() -> None:
    """In small steps of every parameter: places, what samples stand for, and their displacements change a little.

    Summed up over each edge with smooth functions of the place, for samples come and go at the ends.
    """

    def felt(theta: np.ndarray) -> np.ndarray:
        samples = samples_of(theta)
        own, inner = displacement_jacobian(samples, body_of(SIGHTING, theta)[1])
        size = np.exp(theta[5]) * CAMERA.f_px
        share = samples.inner_share * np.minimum(samples.inner_px, 20.0)
        each = np.column_stack(
            [np.ones(len(samples)), samples.along, samples.normal, own / size, share[:, None] * inner / size]
        )
        return np.stack([np.bincount(samples.edge, samples.spacing_px * v, 8) for v in each.T])

    rng = np.random.default_rng(21)
    for yaw, roll in POSES:
        theta = box(yaw, roll)
        way = rng.normal(size=N_PARAMETERS) * np.array([1e-2, 5e-3, 5e-3, 1.0, 1.0, 5e-3, 5e-3, 1e-2, 5e-3, 5e-3])
        values = np.stack([felt(theta + s * way) for s in np.linspace(0.0, 1.0, 401)])
        steps = np.abs(np.diff(values, axis=0))
        whole = np.abs(values).max(0) + 1.0
        assert (steps / whole).max() < 0.03, (yaw, np.unravel_index((steps / whole).argmax(), steps.shape))
