"""The text for people: what it says, and that no width cuts a figure short."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from rich.console import Console

from photoaz.present.table import print_site
from photoaz.result import ById


def printed(result, width=80, **console):
    out = io.StringIO()
    print_site(result, Console(file=out, width=width, **console))
    return out.getvalue()


def words(text):
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("width", [40, 60, 79, 80, 100, 132, 160, 300])
def test_no_figure_is_cut_at_any_width(judged, width):
    text = printed(judged, width)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= width
    assert "…" not in text
    for whole in (
        "HNT-204-A1",
        "124.6° ± 4.0°",
        "118.0° ± 2.0°",
        "+6.6°",
        "1.47",
        "120.0° ± 5°",
        "+4.6°",
        "undecided",
        "139.6° ± 4.0°",
        "61 %, ± 3.2°",
        "in no photo",
    ):
        assert whole in text, (whole, text)


def test_layouts_follow_the_width(judged):
    wide, usual, narrow = (printed(judged, w) for w in (160, 80, 50))
    assert "agrees" in wide.splitlines()[2]
    assert "limited by" in usual.splitlines()[2]
    assert "agrees" not in usual.splitlines()[2]
    assert "─" not in narrow
    a1 = next(line for line in wide.splitlines() if line.startswith("HNT-204-A1"))
    assert [cell for cell in re.split(r"\s{2,}", a1) if cell] == [
        "HNT-204-A1",
        "124.6° ± 4.0°",
        "face",
        "118.0° ± 2.0°",
        "+6.6°",
        "1.47",
        "NO",
        "120.0° ± 5°",
        "+4.6°",
        "undecided",
        "camera compass 61 %, ± 3.2°",
    ]


def test_below_the_table(judged):
    text = words(printed(judged, 100))
    assert "Magnetic declination used: 16.18° ± 0.75° west" in text
    assert "north_gate.jpg: heading 301.2° ± 4.1°, pitch +31.2°, roll -0.4°" in text
    assert "! compass disturbed by 23 deg" in text
    assert "field.jpg: not used: no focal length and no calibration" in text
    assert "HNT-204-A1: needs action The reading" in text
    assert "The photos allow 110.0° ± 4.0° as well, with a probability of 20 %." in text
    assert "2 oblique" in text


def test_declination_not_known(judged):
    text = printed(replace(judged, declination_deg=None, declination_u95_deg=None))
    assert "declination: not known" in text


def test_the_same_said_of_several_antennas_is_said_once(solution):
    unseen = [
        replace(solution.antennas[2], antenna_id=i, status="not_found", remarks=("no pick",), reasons=("no pick",))
        for i in ("X", "Y")
    ]
    text = printed(replace(solution, antennas=ById(unseen)))
    assert text.count("no pick") == 1
    assert "X, Y" in text


def test_en_just_above_one_does_not_read_as_one(judged):
    a1 = judged.antennas["HNT-204-A1"]
    close = replace(a1, reading=replace(a1.reading, en=1.0004, agrees=False))
    assert "1.0004" in printed(replace(judged, antennas=ById((close,))), 160)


def test_brackets_in_an_id_are_no_markup(solution):
    odd = replace(solution, antennas=ById((replace(solution.antennas[0], antenna_id="[red]A[/red]"),)))
    for width in (160, 80, 40):
        assert "[red]A[/red]" in printed(odd, width)


def test_colour_on_a_terminal_only(judged, monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    assert "\x1b[" not in printed(judged)
    assert re.search(r"\x1b\[[\d;]*31m", printed(judged, force_terminal=True))
    monkeypatch.setenv("NO_COLOR", "1")
    assert not re.search(r"\x1b\[[\d;]*3\dm", printed(judged, force_terminal=True))


def test_why_an_antenna_was_not_seen(found_judged):
    text = words(printed(found_judged, 100))
    assert "not found: should show its front within 30 px of (480, 200) (north_gate.jpg)" in text
    assert "not visible: out of the frame (field.jpg)" in text
    assert text.count("should show its front") == text.count("out of the frame") == 1
    one = replace(found_judged, photos=ById(found_judged.photos[:1]))
    assert "(480, 200) not visible" in words(printed(one, 100))  # a single photo need not be named


@pytest.mark.parametrize("width", [50, 80, 160])
def test_an_unsure_name_is_said_beside_the_view(found_judged, width):
    text = words(printed(found_judged, width))
    assert "oblique, name unsure" in text
    assert text.count("name unsure") == 1


@pytest.mark.parametrize("width", [50, 80, 200])
def test_weak_points_are_said_whole(judged, width):
    said = "an error of 27 m in the position of landmark mast could go unnoticed and turn HNT-204-A1 by 3.7 deg"
    assert "Weak:" not in printed(judged, width)
    assert f"Weak: {said}." in words(printed(replace(judged, weak_points=(said,)), width))
