"""What is said while an audit runs: rates and times one can read, at most a line a minute."""

from __future__ import annotations

import io

import pytest

from photoaz.audit.progress import Lines, rate_text, time_text


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize(
    ("done", "seconds", "text"),
    [
        (0, 5.0, "-"),
        (30, 2.0, "15/s"),
        (5, 2.0, "2.5/s"),
        (6, 12.0, "30/min"),
        (1, 45.0, "1.3/min"),
        (1, 1800.0, "2.0/h"),
    ],
)
def test_rates(done: int, seconds: float, text: str) -> None:
    assert rate_text(done, seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.2, "0 s"),
        (42.4, "42 s"),
        (200, "3 min 20 s"),
        (3600, "1 h"),
        (18605, "5 h 10 min"),
        (86400 * 2 + 3 * 3600 + 59, "2 d 3 h"),
    ],
)
def test_times(seconds: float, text: str) -> None:
    assert time_text(seconds) == text


def test_a_line_a_minute_with_rate_time_left_and_counts() -> None:
    clock, out = Clock(), io.StringIO()
    lines = Lines(out, clock=clock)
    lines.begin("solving sites", 100)
    for _ in range(50):
        clock.now += 3.0
        lines.step(1, {"used": 7, "failed": 0, "flagged": 2})
    lines.close()
    assert out.getvalue().splitlines() == [
        "photoaz: solving sites: 100",
        "photoaz: solving sites: 20 of 100, 20/min, 4 min left (used 7, flagged 2)",
        "photoaz: solving sites: 40 of 100, 20/min, 3 min left (used 7, flagged 2)",
        "photoaz: solving sites: 50 of 100, 20/min, took 2 min 30 s (used 7, flagged 2)",
    ]


def test_a_stage_of_unknown_length_says_no_time_left() -> None:
    clock, out = Clock(), io.StringIO()
    lines = Lines(out, clock=clock)
    lines.begin("reading photos", None)
    clock.now += 61.0
    lines.step(122)
    lines.begin("solving sites", 0)
    lines.note("something to know")
    lines.close()
    assert out.getvalue().splitlines() == [
        "photoaz: reading photos",
        "photoaz: reading photos: 122, 2.0/s",
        "photoaz: reading photos: 122, 2.0/s, took 1 min 1 s",
        "photoaz: solving sites: 0",
        "photoaz: something to know",
    ]
