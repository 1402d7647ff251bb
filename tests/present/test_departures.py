"""The picture of readings minus estimates: where its marks stand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from photoaz.judgement.common_mode import common_mode
from photoaz.present.dial import draw_departures
from photoaz.present.pens import BLUE, VERMILION
from photoaz.result import CommonMode

WIDTH, LETTER = 620, 30
#: the names of two letters end before this
NAME_PX = 60
#: half a dot and a pixel of smoothing
DOT_PX = 2.0


def mode(differences: list[float]) -> CommonMode:
    n = len(differences)
    estimates = [40.0 * k for k in range(n)]
    readings = [(e + d) % 360.0 for e, d in zip(estimates, differences, strict=True)]
    return common_mode([f"HNT-204-A{k}" for k in range(n)], readings, [2.0] * n, estimates, np.eye(n) * 0.5)


def drawn(common: CommonMode) -> np.ndarray:
    return np.asarray(draw_departures(common, "HNT-204", WIDTH, LETTER), int)


def columns_of(picture: np.ndarray, colour: Any, rows: slice) -> np.ndarray:
    """Columns that bear a colour in some rows."""
    return np.flatnonzero((np.abs(picture[rows] - np.array(colour)).max(-1) < 30).any(0))


def row_of(k: int) -> slice:
    """The middle of an antenna's row, where its interval lies."""
    y = round(1.8 * LETTER) + round(1.5 * LETTER) * (k + 0.5)
    return slice(round(y) - 1, round(y) + 1)


def test_the_one_that_stands_apart_is_vermilion_and_far_from_the_others():
    common = mode([-1.0, -0.6, -16.0, -0.8, -1.2])  # readings minus photos: drawn the other way round
    picture = drawn(common)
    assert common.left_out == ("HNT-204-A2",)
    assert picture.shape[1] == WIDTH
    apart = columns_of(picture, VERMILION, row_of(2))
    other = columns_of(picture, BLUE, row_of(0))
    apart = apart[apart > NAME_PX]  # behind its name
    assert len(columns_of(picture, VERMILION, row_of(0))) == 0
    assert apart.min() > other.max()


def test_marks_stand_to_scale():
    """The middles of three intervals, and their half-widths, are linear in the angles."""
    common = mode([-1.0, 0.0, 1.0])
    picture = drawn(common)
    ends = [columns_of(picture, BLUE, row_of(k)) for k in range(3)]
    ends = [e[e > NAME_PX] for e in ends]
    edges = [(c.min(), c.max()) for c in ends]
    want = [-common.angle_deg - d.departure_deg + s * d.u95_deg for d in common.departures for s in (-1, 1)]
    got = [x for pair in edges for x in pair]
    scale, zero = np.polyfit(want, got, 1)
    np.testing.assert_allclose(got, np.asarray(want) * scale + zero, atol=DOT_PX)
    assert scale > 10.0


@pytest.mark.parametrize("n", [1, 2])
def test_too_few_to_separate_have_dots_without_intervals(n):
    picture = drawn(mode([3.0, -2.0][:n]))
    for k in range(n):
        marks = columns_of(picture, BLUE, row_of(k))
        marks = marks[marks > NAME_PX]
        # the common line, 3 px, and the dot
        assert len(marks) < 0.24 * LETTER * 2 + 3 + 2 * DOT_PX


def test_all_readings_exactly_right():
    assert drawn(mode([0.0, 0.0, 0.0])).shape[0] > 5 * LETTER
