"""The map's skyline on a photo's page: each line in its colour and in the key, what came of it in words."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from photoaz.present.figures import site_figures
from photoaz.present.key import draw_key
from photoaz.present.overlay import draw_overlay
from photoaz.present.overview import SKYLINES, Marks, draw_laid_over, is_laid_over, state_text
from photoaz.result import AroundView

AROUND = AroundView(
    state="matched",
    probability=0.953,
    heading_true_deg=123.42,
    u95_deg=1.24,
    lacking_px=(((40.0, 90.0), (110.0, 84.0)),),
    unmatched_px=(((150.0, 120.0), (260.0, 118.0)),),
    matched_px=(((290.0, 130.0), (420.0, 126.0)),),
    corners_px=(((450.0, 160.0), (452.0, 110.0)),),
)


def reaches(picture: Image.Image, colour: tuple[int, int, int]) -> int:
    """How many pixels have about a colour."""
    return int((np.abs(np.asarray(picture).astype(int) - colour).max(-1) < 12).sum())


@pytest.mark.parametrize(("name", "pen"), [(name, pen) for name, _, pen in SKYLINES])
def test_each_line_has_its_colour_and_its_row_in_the_key(name, pen):
    photo = Image.new("RGB", (640, 480), (120, 120, 120))
    whole = draw_laid_over(photo, AROUND, 900, 500, 24)
    assert whole.width == 900
    assert reaches(whole, pen.core) > 40
    without = replace(AROUND, **{name: ()})
    assert reaches(draw_laid_over(photo, without, 900, 500, 24), pen.core) == 0
    marks = Marks()
    assert (
        draw_key(marks, True, False, False, AROUND, 620).height
        > draw_key(marks, True, False, False, without, 620).height
    )


def test_lines_beyond_the_frame_do_not_widen_the_picture():
    far = replace(AROUND, matched_px=(((-4000.0, -900.0), (9000.0, 60.0)),))
    assert draw_laid_over(Image.new("RGB", (640, 480)), far, 900, 500, 24).size[0] == 900


def test_what_came_of_it_in_words():
    assert state_text(AROUND) == "Its heading is told by the map: 123.4° ± 1.2° (probability 95.3 %)"
    assert state_text(AroundView(state="sky_alone")) == "It shows only sky and the tower"
    assert not is_laid_over(AroundView(state="sky_alone"))
    assert not is_laid_over(None)


def test_the_page_of_a_photo_shows_it_and_the_site_names_the_map(judged):
    photo = replace(judged.photos[0], surroundings=AROUND)
    picture = Image.new("RGB", (640, 480), (99, 60, 77))
    pages = [Image.open(io.BytesIO(draw_overlay(picture, judged, one))) for one in (judged.photos[0], photo)]
    assert pages[1].height > pages[0].height
    note = "town.geojson (of 2026-03-01; open data)"
    assert ("map", note) in site_figures(replace(judged, map_note=note))
    assert all(name != "map" for name, _ in site_figures(judged))
