"""Yaw of a plane in real photos: a square marker turned from -70 to +70 degrees in steps of 10.

Photos by X. Wang (github.com/Xiaohan-Wang/apriltag2_detection), in duckietown/lib-dt-apriltags, BSD-2-Clause; camera
matrix and side length from the test_info.yaml beside them. Where they must lie:
conftest.py. Figures are printed: run with -s or -rP.

The stand's axis is to the photos what the plumb line is to a tower: one pitch and roll of the camera and one downtilt
and roll of the plane serve all photos, each has its own azimuth, place and distance. The edges between the marker's
black and white cells are measured as an antenna's are. The matrix is that of a rectified wide lens; what is left of it
shows up as a height to width of the square that is not 1, common to all photos, and is solved for.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from photoaz.photo.camera import Camera, directions_from_pixels, project, rotation_cam_from_enu
from photoaz.vision.box import rotation_enu_from_panel
from photoaz.vision.outline import EdgeSamples
from photoaz.vision.patch import cut_patch
from photoaz.vision.profile_fit import measure_offsets

pytestmark = pytest.mark.benchmark

NOMINAL_DEG = np.arange(-70, 71, 10)
FX, CX, FY, CY = 329.8729619143081, 528.0, 332.94611303946357, 396.0  # px, test_info.yaml's rotation_test
SIDE_M = 0.065
MARKER = 76  # of the family 36h11; 8 cells across, its black border included
CELLS = 8
#: their pixel (0, 0) is a corner of the picture, ours the middle of its first pixel
CAMERA = Camera(width_px=1056, height_px=792, f_px=FX, cx_px=CX - 0.5, cy_px=CY - 0.5, aspect=FY / FX)


@pytest.fixture(scope="module")
def photos(practice: Path) -> dict[int, np.ndarray]:
    paths = {int(a): practice / "plane_yaw" / f"test_image_rotation_{a}.png" for a in NOMINAL_DEG}
    if not all(p.is_file() for p in paths.values()):
        pytest.skip(f"no photos of the plane in {practice / 'plane_yaw'}")
    return {a: cv2.imread(str(p), cv2.IMREAD_GRAYSCALE) for a, p in paths.items()}


def square_corners(photo: np.ndarray) -> np.ndarray:
    """The black square's corners as shown, clockwise from the upper left (the marker itself hangs head down)."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    detector = cv2.aruco.ArucoDetector(dictionary)
    for scale in (1, 2, 3):  # what is seen at 70 degrees is only found enlarged
        corners, ids, _ = detector.detectMarkers(cv2.resize(photo, None, fx=scale, fy=scale))
        if ids is not None and MARKER in ids:
            found = np.asarray(corners[0], float).reshape(4, 2)
            return ((found + 0.5) / scale - 0.5)[[2, 3, 0, 1]]
    raise AssertionError("cv2.aruco does not find the marker")


def cell_edges() -> tuple[np.ndarray, np.ndarray]:
    """Points on the borders between black and white cells, in cells from the upper left as shown, and directions."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    white = np.pad(cv2.aruco.generateImageMarker(dictionary, MARKER, CELLS) > 0, 1, constant_values=True)[::-1, ::-1]
    along = np.array([0.2, 0.35, 0.5, 0.65, 0.8])
    points, directions = [], []
    for i, j in zip(*np.nonzero(white[1:-1, :-1] != white[1:-1, 1:]), strict=True):
        points.append(np.stack([np.full(5, float(j)), i + along], -1))
        directions.append(np.tile([0.0, 1.0], (5, 1)))
    for i, j in zip(*np.nonzero(white[:-1, 1:-1] != white[1:, 1:-1]), strict=True):
        points.append(np.stack([j + along, np.full(5, float(i))], -1))
        directions.append(np.tile([1.0, 0.0], (5, 1)))
    return np.concatenate(points), np.concatenate(directions)


N_COMMON = 5  # camera pitch and roll, plane downtilt and roll, ln of height to width


def to_pixels(x: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Pixels (photo, N, 2) of the square's points (photo, N, 2); unknowns x: common ones, then four of each photo."""
    pitch, roll, downtilt, panel_roll, ln_ratio = x[:N_COMMON]
    azimuth, u, v, ln_side = x[N_COMMON:].reshape(-1, 4).T
    side = np.exp(ln_side)[:, None]
    plane = np.stack(
        [(cells[..., 0] / CELLS - 0.5) * side, (0.5 - cells[..., 1] / CELLS) * side * np.exp(ln_ratio)], -1
    )
    rot = rotation_cam_from_enu(0.0, pitch, roll) @ rotation_enu_from_panel(azimuth, downtilt, panel_roll)
    centre = directions_from_pixels(CAMERA, np.stack([u, v], -1))
    return project(CAMERA, plane @ np.swapaxes(rot[..., :2], -1, -2) + centre[:, None])


def normals(x: np.ndarray, cells: np.ndarray, directions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    place = to_pixels(x, cells)
    d = to_pixels(x, cells + 1e-3 * directions) - place
    return place, np.stack([d[..., 1], -d[..., 0]], -1) / np.hypot(d[..., 0], d[..., 1])[..., None]


@dataclass(frozen=True, slots=True)
class Solved:
    yaw_deg: np.ndarray  # of each photo, clockwise as nominal, about its own mean
    common: np.ndarray
    rms_px: float


def solve(photos: dict[int, np.ndarray], chosen: slice) -> Solved:
    """Yaw of every photo from the edges' points `chosen`, all photos together; about their mean."""
    corners = np.stack([square_corners(p) for p in photos.values()])
    n = len(photos)
    square = np.tile(np.array([[0.0, 0], [CELLS, 0], [CELLS, CELLS], [0, CELLS]]), (n, 1, 1))
    each = np.column_stack([np.pi - np.radians(list(photos)), corners.mean(1), np.full(n, np.log(SIDE_M / 0.2))])
    x = np.concatenate([[-0.2, 0, 0, 0, 0], each.ravel()])
    x = least_squares(lambda x: (to_pixels(x, square) - corners).ravel() / 0.3, x, loss="soft_l1", x_scale="jac").x
    cells, directions = (np.tile(a[chosen], (n, 1, 1)) for a in cell_edges())
    for _ in range(3):
        place, normal = normals(x, cells, directions)
        offset, weight = np.zeros(place.shape[:2]), np.zeros(place.shape[:2])
        for k, photo in enumerate(photos.values()):
            patch = cut_patch(photo, corners[k].min(0) - 30, corners[k].max(0) + 30)
            m = measure_offsets(patch, _samples(place[k], normal[k]), blur_px=0.5, reach_px=1.0)
            offset[k] = m.own
            # the rectified pictures' edges are jagged: no point is good to better than 0.2 px
            weight[k] = np.sqrt(np.minimum(m.weight[:, 0, 0], 1 / 0.2**2)) * (np.abs(m.own) < 1.5)
        seen = place + offset[..., None] * normal

        def residual(x: np.ndarray, seen: np.ndarray = seen, normal: np.ndarray = normal) -> np.ndarray:
            return ((seen - to_pixels(x, cells)) * normal).sum(-1)

        x = least_squares(lambda x: (residual(x) * weight).ravel(), x, loss="soft_l1", x_scale="jac").x  # noqa: B023
    yaw = 180.0 - np.degrees(x[N_COMMON:].reshape(n, 4)[:, 0])
    return Solved(yaw - yaw.mean(), x[:N_COMMON], float(np.sqrt(np.mean(residual(x)[weight > 0] ** 2))))


def _samples(place: np.ndarray, normal: np.ndarray) -> EdgeSamples:
    n = len(place)
    zeros, none, far = np.zeros(n), np.zeros(n, int), np.full(n, np.inf)
    ones = np.ones(n)
    return EdgeSamples(place, normal, none, none, zeros, none, zeros, ones, far, ones, none, none, zeros, far, none)


def by_cv2(photos: dict[int, np.ndarray]) -> np.ndarray:
    """Angle of each photo about the stand's axis: cv2's planar pose from the four corners, normals on a cone."""
    h = SIDE_M / 2
    square = np.array([[-h, h, 0], [h, h, 0], [h, -h, 0], [-h, -h, 0]])
    matrix = np.array([[FX, 0, CX - 0.5], [0, FY, CY - 0.5], [0, 0, 1]])
    normal = []
    for photo in photos.values():
        poses = cv2.solvePnPGeneric(square, square_corners(photo), matrix, None, flags=cv2.SOLVEPNP_IPPE_SQUARE)
        normal.append(cv2.Rodrigues(poses[1][0])[0][:, 2])
    normal = np.array(normal)
    axis = np.linalg.svd(normal - normal.mean(0))[2][2]
    across = np.cross(axis, [0, 0, 1.0])
    angle = np.degrees(np.unwrap(np.arctan2(normal @ across, normal @ np.cross(axis, across))))
    angle *= np.sign(angle[-1] - angle[0])
    return np.asarray(angle - angle.mean())


@pytest.fixture(scope="module")
def solved(photos: dict[int, np.ndarray]) -> Solved:
    return solve(photos, slice(None))


def test_yaw_of_a_turned_plane(photos: dict[int, np.ndarray], solved: Solved) -> None:
    """Yaws within 0.7 degrees of the nominal ones, root mean square, from -70 to +70."""
    halves = [solve(photos, slice(k, None, 2)).yaw_deg for k in (0, 1)]
    pose = by_cv2(photos)
    off = solved.yaw_deg - NOMINAL_DEG
    steps = np.diff(solved.yaw_deg) - 10.0
    print("\n nominal     yaw     off    step  halves  cv2 pose off")
    for k, a in enumerate(NOMINAL_DEG):
        step = f"{steps[k - 1]:+7.2f}" if k else "       "
        print(
            f"{a:8d} {solved.yaw_deg[k]:7.2f} {off[k]:+7.2f} {step} {halves[0][k] - halves[1][k]:+7.2f}"
            f"  {pose[k] - a:+8.2f}"
        )
    rms = [float(np.sqrt(np.mean(v**2))) for v in (off, steps, pose - NOMINAL_DEG, halves[0] - halves[1])]
    pitch, _, downtilt, _, ln_ratio = solved.common
    print(f"rms: yaw {rms[0]:.2f}, steps {rms[1]:.2f}, cv2 pose {rms[2]:.2f}, half against half {rms[3]:.2f} deg")
    print(
        f"edges {solved.rms_px:.2f} px; camera pitch {np.degrees(pitch):.1f}, downtilt {np.degrees(downtilt):.1f} deg"
    )
    print(f"height to width {np.exp(ln_ratio):.3f}; largest step off {np.abs(steps).max():.2f} deg")
    assert rms[0] < 0.7  # degrees
    # every other point of the edges gives the same
    assert rms[3] < 0.3
    assert rms[0] < 0.5 * rms[2]


@pytest.mark.xfail(
    reason="steps next to face-on are off by up to 1.5 degrees, whichever half of the edges is used, and with free "
    "focal length, distortion and principal point as well; how exactly the stand was set is not known"
)
def test_every_step_within_the_mark(solved: Solved) -> None:
    """Each step 10 degrees within 0.7."""
    assert np.abs(np.diff(solved.yaw_deg) - 10.0).max() < 0.7
