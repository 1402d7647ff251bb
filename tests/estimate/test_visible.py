"""Panels of the sample photos, nothing else being known of the photos, against the renderer's truth."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from photoaz.estimate.visible import VisiblePanel, draw_panels, visible_panels
from photoaz.photo.pixels import Darkroom, Picture
from photoaz.sample import sample_dir

#: share of the union of two silhouettes from which a box is that panel's
SAME = 0.5
TRUTH = json.loads((sample_dir() / "truth.json").read_text("utf-8"))["photos"]


@pytest.fixture(scope="module")
def seen() -> list[tuple[dict, tuple[VisiblePanel, ...]]]:
    found = []
    for photo in (TRUTH[1], TRUTH[3], TRUTH[6]):
        size = (photo["width_px"], photo["height_px"])
        found.append((photo, visible_panels(Picture(sample_dir() / photo["file"], size, Darkroom()))))
    return found


def overlap(a: np.ndarray, b: np.ndarray) -> float:
    one, other = (cv2.convexHull(c.astype(np.float32)) for c in (a, b))
    both = cv2.intersectConvexConvex(one, other)[0]
    return float(both / (cv2.contourArea(one) + cv2.contourArea(other) - both))


def test_what_is_told_is_there(seen: list) -> None:
    """Each box lies on a panel that is there, by their silhouettes, and its view is front where the front shows."""
    for photo, panels in seen:
        assert len(panels) >= 3
        for panel in panels:
            there = max(photo["antennas"], key=lambda a: overlap(np.array(a["corners_px"]), np.array(panel.corners_px)))
            assert overlap(np.array(there["corners_px"]), np.array(panel.corners_px)) > SAME
            assert (panel.view == "front") == (there["front_visible_fraction"] > 0.5)


def test_corners_go_round_from_the_upper_left(seen: list) -> None:
    for _, panels in seen:
        for panel in panels:
            assert len(panel.corners_px) == 8
            upper_left, upper_right, lower_right, lower_left = np.array(panel.corners_px[:4])
            assert upper_left[0] < upper_right[0]
            assert lower_left[0] < lower_right[0]
            assert upper_left[1] < lower_left[1]
            assert upper_right[1] < lower_right[1]
            # of the whole box: no narrower than the face, no wider than the box as it stands in the frame
            assert 0.9 * (upper_right - upper_left)[0] <= panel.width_px
            assert panel.width_px <= 1.1 * np.ptp(np.array(panel.corners_px), axis=0)[0]


def test_the_picture_differs_along_the_outlines_only() -> None:
    grey = np.full((300, 400, 3), 90, np.uint8)
    square = VisiblePanel(
        corners_px=(
            *((100.0, 100.0), (140.0, 100.0), (140.0, 240.0), (100.0, 240.0)),
            *((110.0, 110.0), (150.0, 110.0), (150.0, 230.0), (110.0, 230.0)),
        ),
        probability=0.97,
        view="front",
        width_px=40.0,
    )
    drawn = cv2.imdecode(np.frombuffer(draw_panels(grey, [square]), np.uint8), cv2.IMREAD_COLOR)
    changed = (drawn != grey).any(-1)
    assert changed[100, 100:141].all()
    assert changed[100:241, 140].all()  # the face's edge
    assert changed[110:231, 150].all()  # the outline's
    assert not changed[110:230, 110:130].any()
    assert not changed[250:].any()
