"""What a photo looks like over the whole of a box: on pictures drawn by conftest, and against NumPy's fit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from photoaz.memory import decoded, encoded
from photoaz.vision import appearance
from photoaz.vision.appearance import Appearance, appearances
from photoaz.vision.patch import cut_patch

#: uprights of the box: which corners stand on the edge between front and right wall
RIGHT_EDGE = [1, 2]


def seen(s: Any, corners: np.ndarray, over: Callable[[np.ndarray], None] | None = None) -> Appearance:
    """How the box with these corners looks in a scene's picture, with something painted over it."""
    picture, low = s.draw(np.random.default_rng(3))
    if over is not None:
        over(picture)
    patch = cut_patch(picture, np.zeros(2), np.array(picture.shape[::-1], float))
    return appearances(patch, (corners - low)[None], s.blur_px)[0]


@pytest.mark.parametrize("yaw_deg", [-50.0, 30.0, 150.0])
def test_a_true_box_is_explained_and_leaves_nothing(scene: Callable[..., Any], yaw_deg: float) -> None:
    # rear as bright as the front: each is 40 to 55 brighter than either wall
    s = scene(yaw_deg=yaw_deg, shades=(150.0, 150.0, 95.0, 110.0, 45.0, 170.0, 215.0))
    a = seen(s, s.box_corners_px())
    assert a.face > 0.98
    assert a.side > 0.98
    assert a.explained > 1.5
    assert a.two_faces > 0.5
    assert min(a.edges) > 1.5  # each a step of several times the noise, all along
    assert a.unexplained < 0.7
    assert a.outside < 0.7
    assert max(a.beyond) < 0.1
    assert a.in_picture == 1.0


@pytest.mark.parametrize("moved_px", [-8.0, 7.0, 12.0])
def test_an_inner_edge_elsewhere_is_pointed_at(scene: Callable[..., Any], moved_px: float) -> None:
    """The predicted inner edge moved by known pixels: none is there, and the true one stands out where it is."""
    s = scene(yaw_deg=40.0)
    corners = s.box_corners_px()
    true = seen(s, corners)
    corners[RIGHT_EDGE, 0] += moved_px
    a = seen(s, corners)
    wide = float(np.ptp(corners[[0, 3, 1, 2, 5, 6]].reshape(3, 2, 2).mean(1)[:, 0]))
    assert a.edges[4] < 0.5 < true.edges[4] - 1.0
    assert a.unexplained > 1.5
    assert (a.inner_at - a.unexplained_at) * wide == pytest.approx(moved_px, abs=1.5)
    assert a.explained < true.explained - 0.2


def test_what_hides_part_of_a_box_is_an_outlier(scene: Callable[..., Any]) -> None:
    """A dark pole across a fifth of the body: a fifth of each face is not explained, and no edge is missing."""
    s = scene(yaw_deg=40.0)
    clean = seen(s, s.box_corners_px())

    def pole(picture: np.ndarray) -> None:
        tall = picture.shape[0] - 90  # the renderer leaves 45 px on either side
        picture[45 + int(0.45 * tall) : 45 + int(0.65 * tall)] = 20

    a = seen(s, s.box_corners_px(), pole)
    assert a.face == pytest.approx(0.8, abs=0.06)
    assert a.side == pytest.approx(0.8, abs=0.06)
    assert min(a.edges[:2]) > 0.7 * min(clean.edges[:2])
    assert a.explained > 0.5


def test_half_a_panel_has_its_like_beyond(scene: Callable[..., Any]) -> None:
    """A narrow box on the left half of a front seen face-on: the other half looks the same, its right has no edge."""
    s = scene(yaw_deg=0.0)
    corners = s.box_corners_px()
    # seen from in front its left corners are on the left
    for left, right in ((0, 1), (3, 2), (4, 5), (7, 6)):
        corners[right] = 0.5 * (corners[left] + corners[right])
    a = seen(s, corners)
    assert a.beyond[1] > 0.9
    assert a.edges[1] < 0.5
    assert a.beyond[0] < 0.1
    assert a.edges[0] > 1.5


def test_what_lies_outside_the_picture_tells_nothing(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=40.0)
    picture, low = s.draw(np.random.default_rng(3))
    half = picture[: picture.shape[0] // 2]
    patch = cut_patch(half, np.zeros(2), np.array(half.shape[::-1], float))
    a = appearances(patch, (s.box_corners_px() - low)[None], s.blur_px)[0]
    assert a.in_picture == pytest.approx(0.5, abs=0.06)
    assert a.face > 0.98
    assert a.edges[0] > 1.5
    assert a.edges[3] == 0.0


def test_the_plane_is_numpys_where_nothing_hides(scene: Callable[..., Any]) -> None:
    """Pixels on a plane but for noise far below the outliers' limit: residuals as of numpy.linalg.lstsq."""
    rng = np.random.default_rng(2)
    shape = 1, len(appearance._ROWS), appearance._COLUMNS
    x = appearance._design(np.linspace(-0.4, 1.4, appearance._COLUMNS)[None], 1)
    value = (x @ np.array([20.0, 3.0, -5.0])).reshape(*shape, 1) + rng.normal(0, 0.02, (*shape, 1))
    off = appearance._off_plane(x, value, np.ones(shape, bool))
    best = np.linalg.lstsq(x[0], value.reshape(-1), rcond=None)[0]
    wanted = (value.reshape(-1) - x[0] @ best) ** 2
    assert np.abs(off.ravel() - wanted).max() < 2e-3


def test_memory_keeps_it(scene: Callable[..., Any]) -> None:
    s = scene(yaw_deg=30.0)
    a = seen(s, s.box_corners_px())
    assert decoded(encoded(a), Appearance | None) == a
    assert decoded(encoded(None), Appearance | None) is None
