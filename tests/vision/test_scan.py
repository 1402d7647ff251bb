"""Looking at a whole photo, and by two networks at a head: how windows are laid, boxes chosen, and doubts added up."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from photoaz.vision.finder import PanelCandidate, mean_probability
from photoaz.vision.scan import _one_of_each, _windows, scan

FRAME = (4000, 3000)


def box(x: float, y: float, wide: float, tall: float, probability: float) -> PanelCandidate:
    face = np.array([[x, y], [x + wide, y], [x + wide, y + tall], [x, y + tall]], float)
    return PanelCandidate(
        corners_px=np.vstack([face, face + 2.0]), probability=probability, front=0.9, yaw_rad=0.1, visible=1.0
    )


@given(st.lists(st.tuples(st.floats(0, 3999), st.floats(0, 2999), st.floats(0.01, 1.0)), max_size=30))
def test_windows_lie_in_the_frame_and_hold_the_heaviest_places(points: list[tuple[float, float, float]]) -> None:
    given_points = np.array(points).reshape(-1, 3)
    boxes = _windows(given_points, 900.0, FRAME, 3)
    assert len(boxes) <= 3
    assert bool(boxes) == bool(points)
    for x0, y0, x1, y1 in boxes:
        assert 0 <= x0 < x1 <= FRAME[0]
        assert 0 <= y0 < y1 <= FRAME[1]
        assert max(x1 - x0, y1 - y0) <= 900
        assert any(x0 <= x <= x1 and y0 <= y <= y1 for x, y, _ in points)


def test_of_boxes_on_one_thing_the_surest_is_told() -> None:
    sure, doubtful, part, other = (
        box(100, 100, 40, 160, 0.9),
        box(104, 104, 40, 150, 0.6),
        box(110, 150, 20, 60, 0.8),
        box(300, 100, 40, 160, 0.4),
    )
    assert _one_of_each([doubtful, other, part, sure]) == (sure, other)


def test_a_network_that_does_not_see_a_box_doubts_it() -> None:
    """The mean of two logits: as sure as both where they agree, one half where they contradict each other."""
    assert mean_probability(0.9, 0.9) == pytest.approx(0.9)
    assert mean_probability(0.9, 0.1) == pytest.approx(0.5)
    assert mean_probability(0.6, 0.02) < 0.2
    assert mean_probability(1.0, 1.0) < 1.0


def test_a_picture_of_nothing_shows_nothing() -> None:
    sky = np.full((600, 800, 3), (235, 180, 120), np.uint8)
    sky = cv2.add(sky, np.random.default_rng(3).integers(0, 4, sky.shape).astype(np.uint8))
    assert all(c.probability < 0.1 for c in scan(sky))
