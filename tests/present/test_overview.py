"""The overview: marks lie where the photo's pixels are, in what was searched, and names do not cover each other."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from photoaz.present.overview import Expected, Marks, _free, _window, draw_overview, draw_whole
from photoaz.present.pens import PURPLE, WHITE, YELLOW
from photoaz.present.window import hull

#: red, green, blue of the photo: no mark has it
DUSK = (99, 60, 77)
SEARCHED = (100.0, 50.0, 500.0, 450.0)
#: a box 40 px wide and 200 px high in the middle of what was searched
BOX = ((280.0, 150.0), (320.0, 150.0), (320.0, 350.0), (280.0, 350.0))


@pytest.fixture
def picture():
    return Image.new("RGB", (640, 480), DUSK)


def extent(drawn, colour, within=40):
    """Left, top, right, bottom of a colour."""
    y, x = np.nonzero(np.abs(np.asarray(drawn).astype(int) - np.array(colour)).max(-1) <= within)
    return x.min(), y.min(), x.max(), y.max()


def test_the_marks_lie_on_the_photo(picture):
    marks = Marks(fitted=(("", BOX),), searched=SEARCHED)
    window = _window(picture, marks, 620, 720, whole=True)
    left, top, right, bottom = extent(draw_overview(picture, marks, 620, 720, 30, whole=True), YELLOW)
    (x0, y0), (x1, y1) = window.at(BOX[0]), window.at(BOX[2])
    # half a line's width outside the points (1.8 px broad), with two more for the averaging at its rim
    assert (left, top, right, bottom) == pytest.approx((x0, y0, x1, y1), abs=3.0)


def test_all_that_was_searched_is_in_it_where_wanted_or_where_nothing_was_found(picture):
    for marks, whole in ((Marks(fitted=(("A1", BOX),), searched=SEARCHED), True), (Marks(searched=SEARCHED), False)):
        left, top, right, bottom = _window(picture, marks, 620, 720, whole).box
        assert left <= SEARCHED[0]
        assert top <= SEARCHED[1]
        assert right > SEARCHED[2]
        assert bottom > SEARCHED[3]


def test_else_the_marks_are_enlarged(picture):
    expected = Expected(label="B1", pixel=(420.0, 300.0), radius_px=25.0, size_px=(40.0, 200.0))
    alone = _window(picture, Marks(fitted=(("A1", BOX),), searched=SEARCHED), 620, 720, whole=False)
    both = _window(picture, Marks(fitted=(("A1", BOX),), expected=(expected,), searched=SEARCHED), 620, 720, False)
    whole = _window(picture, Marks(fitted=(("A1", BOX),), searched=SEARCHED), 620, 720, whole=True)
    assert alone.scale > both.scale > whole.scale
    assert both.box[2] > 440
    assert both.box[3] > 400


def test_an_expected_place_is_a_box_and_how_far_off_it_may_be(picture):
    place = Expected(label="", pixel=(300.0, 250.0), radius_px=50.0, size_px=(40.0, 200.0))
    marks = Marks(expected=(place,), searched=SEARCHED)
    window = _window(picture, marks, 620, 720, whole=True)
    drawn = extent(draw_overview(picture, marks, 620, 720, 30, whole=True), PURPLE)
    # the outermost is the ellipse: half the size, and the radius
    (x0, y0), (x1, y1) = window.at((230.0, 100.0)), window.at((370.0, 400.0))
    # dashes may leave out the very ends: 10 px of the ellipse are a pixel of its height there
    assert drawn == pytest.approx((x0, y0, x1, y1), abs=5.0)


def test_a_panel_found_is_drawn_paler_than_a_fitted_one(picture):
    eight = BOX + tuple((x + 8.0, y + 5.0) for x, y in BOX)
    drawn = np.asarray(draw_overview(picture, Marks(found=(("?", eight),)), 620, 720, 30)).astype(int)
    assert (np.abs(drawn - np.array(YELLOW)).max(-1) <= 40).sum() == 0
    assert (np.abs(drawn - np.array(WHITE)).max(-1) <= 40).sum() > 200


def test_the_whole_photo_with_what_was_searched(picture):
    drawn = draw_whole(picture, SEARCHED, 320, 330)
    assert drawn.size == (320, 240)
    # half as large, pixel centres at whole numbers; the line is 2.4 px broad
    assert extent(drawn, WHITE) == pytest.approx((49.75, 24.75, 249.75, 224.75), abs=3.0)


def test_names_do_not_cover_each_other():
    taken = []
    for k in range(12):
        x, y = _free(300.0 + 9.0 * (k % 6), 200.0, 300.0, (40.0, 30), (620, 600), taken)
        assert 20 <= x <= 600
        assert 15 <= y <= 585
        box = (x - 20.0, y - 15.0, x + 20.0, y + 15.0)
        assert all(box[2] <= b[0] or b[2] <= box[0] or box[3] <= b[1] or b[3] <= box[1] for b in taken)
        taken.append(box)


def test_hull_of_a_box():
    # a square's corners and points within it, given in no order
    points = [(1.0, 1.0), (0.0, 0.0), (4.0, 0.0), (2.0, 3.0), (4.0, 4.0), (0.0, 4.0), (2.0, 0.0)]
    assert sorted(hull(points)) == [(0.0, 0.0), (0.0, 4.0), (4.0, 0.0), (4.0, 4.0)]
    assert hull([(1.0, 2.0), (1.0, 2.0)]) == [(1.0, 2.0)]
    assert hull([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)]) == [(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)]
