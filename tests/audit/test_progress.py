"""What is said while an audit runs: rates and times one can read, at most a line a minute."""

from __future__ import annotations

import io

import pytest

from photoaz.audit.progress import Bar, Lines, rate_text


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
        "photoaz: solving sites: 20 of 100, 20/min, 0:04:00 left (used 7, flagged 2)",
        "photoaz: solving sites: 40 of 100, 20/min, 0:03:00 left (used 7, flagged 2)",
        "photoaz: solving sites: 50 of 100, 20/min, took 0:02:30 (used 7, flagged 2)",
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
        "photoaz: reading photos: 122, 2.0/s, took 0:01:01",
        "photoaz: solving sites: 0",
        "photoaz: something to know",
    ]


def test_a_bar_for_each_stage(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    with Bar() as bar:
        bar.begin("reading photos", None)
        bar.step(3)
        bar.begin("solving sites", 4)
        bar.note("a site without [photos]")
        for _ in range(4):
            bar.step(1, {"used": 7, "failed": 0})
    said = capsys.readouterr().err
    assert "photoaz: a site without [photos]" in said
    last = said.splitlines()[-2:]
    assert "reading photos" in last[0]
    assert "3/?" in last[0]
    assert "4/4" in last[1]
    assert "used 7" in last[1]
