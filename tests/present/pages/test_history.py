"""Azimuths over the visits."""

from __future__ import annotations

from datetime import date
from xml.etree import ElementTree

import pytest

from photoaz.present.pages.history import history_svg, measured
from photoaz.result import VisitAzimuth, VisitResult


def day(text):
    return None if text is None else date.fromisoformat(text)


def visit(first, last=None, **azimuths):
    return VisitResult(
        from_=day(first),
        to=day(last or first),
        photos=(),
        antennas=tuple(VisitAzimuth(antenna_id=k, azimuth_true_deg=v, u95_deg=2.0) for k, v in azimuths.items()),
    )


def dots(svg):
    return [(float(c.get("cx")), float(c.get("cy"))) for c in ElementTree.fromstring(svg).iter("circle")]


def test_days_and_order():
    found = measured([visit("2023-05-02", A=20.0), visit("2019-05-01", "2019-05-03", A=8.0), visit(None, A=3.0)])
    assert [day for day, _ in found["A"]] == [date(2019, 5, 2), date(2023, 5, 2)]


def test_time_runs_evenly_and_up_is_clockwise():
    svg = history_svg([visit("2019-01-01", A=10.0), visit("2020-01-01", A=12.0), visit("2023-01-01", A=22.0)], [], {})
    (x1, y1), (x2, y2), (x3, y3) = dots(svg)
    assert (x2 - x1) / (x3 - x1) == pytest.approx(365 / 1461, abs=0.001)
    assert (y1 - y2) / (y1 - y3) == pytest.approx(2.0 / 12.0, abs=0.01)


def test_a_row_may_cross_north():
    svg = history_svg([visit("2019-01-01", A=358.0), visit("2020-01-01", A=4.0)], [], {"A": 0.0})
    (_, y1), (_, y2) = dots(svg)
    assert 10.0 < y1 - y2 < 60.0
    assert "design 0.0°" in svg


def test_turns_are_drawn_between_their_visits(turn):
    turns = [turn("A", from_=date(2019, 1, 1), to=date(2023, 1, 1))]
    svg = history_svg([visit("2019-01-01", A=10.0, B=5.0), visit("2023-01-01", A=22.0, B=5.5)], turns, {})
    tree = ElementTree.fromstring(svg)
    lines = [line for line in tree.iter("line") if line.get("class") == "turn"]
    assert len(lines) == 1
    ends = dots(svg)[:2]
    assert (float(lines[0].get("x1")), float(lines[0].get("x2"))) == (ends[0][0], ends[1][0])
    assert "turned +12.0°" in svg


def test_nothing_seen_twice_is_nothing_to_draw():
    assert history_svg([], [], {}) == ""
    assert history_svg([visit("2019-01-01", A=10.0), visit("2020-01-01", B=10.0)], [], {}) == ""
