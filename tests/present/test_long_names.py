"""Names of 1 to 500 characters, with blanks or without, on overlays, sheets and pages: nothing breaks or runs out."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from photoaz.judgement.common_mode import common_mode
from photoaz.present.dial import draw_departures
from photoaz.present.overlay import PAGE_WIDTH_PX, draw_overlay
from photoaz.present.pens import BLUE, VERMILION, fitted_lines, shortened_to, text_width
from photoaz.result import SiteResult

NOW = datetime(2026, 6, 1, tzinfo=UTC)


def overlay(result: SiteResult, photo: int = 0) -> np.ndarray:
    data = draw_overlay(Image.new("RGB", (640, 480), (99, 60, 77)), result, result.photos[photo])
    with Image.open(io.BytesIO(data)) as picture:
        return np.asarray(picture.convert("RGB"))


def test_overlays(judged, found_judged, long_name, renamed):
    for result in (judged, found_judged):
        for photo in range(len(result.photos)):
            picture = overlay(renamed(result, long_name), photo)
            assert picture.shape[1] <= PAGE_WIDTH_PX
            for edge in (picture[:, :20], picture[:, -20:], picture[-10:]):
                assert (edge == 255).all()


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.text(min_size=1, max_size=500))
def test_overlays_of_any_name(found_judged, renamed, name):
    name = name.encode("utf-8", "replace").decode()  # a table holds no lone surrogates
    assert overlay(renamed(found_judged, name)).shape[1] <= PAGE_WIDTH_PX


@pytest.mark.parametrize(("wide", "letter"), [(100, 10), (200, 14), (620, 30)])
def test_departures_keep_room_for_their_axis(wide, letter):
    """44 letters left the axis no room: it ran from right to left, or Pillow raised and the site was lost."""
    names = ["W" * 500 + str(k) for k in range(3)]
    common = common_mode(names, [9.0, 51.0, 88.0], [2.0] * 3, [10.0, 52.0, 99.0], np.eye(3) * 0.5)
    picture = np.asarray(draw_departures(common, "", wide, letter)).astype(int)
    middles = []
    for k, colour in ((0, BLUE), (2, VERMILION)):
        y = round(1.8 * letter) + round(1.5 * letter) * (k + 0.5)
        row = picture[round(y) - 1 : round(y) + 1, round(0.45 * wide) :]
        middles.append(np.flatnonzero((np.abs(row - np.array(colour)).max(-1) < 40).any(0)).mean())
    assert middles[0] < middles[1] < 0.55 * wide


@given(st.text(max_size=200), st.integers(20, 400))
def test_lines_are_never_longer_than_there_is_room(text, wide):
    for line in fitted_lines(text, 20, wide):
        assert text_width(line, 20) <= wide or len(line) == 1
    assert "".join(fitted_lines(text, 20, wide)).replace(" ", "") == "".join(text.split())
    short = shortened_to(text, 20, wide)
    assert text_width(short, 20) <= max(wide, text_width("…", 20))
    assert short == " ".join(text.split()) or short.endswith("…")
