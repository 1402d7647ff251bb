"""The overlay picture: lines where the fit says, letters that fit, sizes that people can judge by."""

from __future__ import annotations

import io
import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from photoaz.present import overlay, pens
from photoaz.present.canvas import out
from photoaz.present.dial import Pixels, dial_layout, draw_dial
from photoaz.present.drawing import Direction, Pointing, name_places
from photoaz.present.key import draw_key
from photoaz.present.overlay import PAGE_WIDTH_PX, draw_overlay
from photoaz.present.overview import Expected, Marks
from photoaz.present.pens import (
    BLUE,
    GREEN,
    PURPLE,
    SKY_BLUE,
    VERMILION,
    YELLOW,
    Pen,
    dashes,
    fitted_lines,
    stroke,
    text_width,
)
from photoaz.present.window import Window
from photoaz.result import ById

#: red, green, blue of the photo: a colour that nothing else on the page has
DUSK = (99, 60, 77)


def photo_px(width=640, height=480):
    return Image.new("RGB", (width, height), DUSK)


def page(result, ids=None, photo=0, **changes):
    about = replace(result.photos[photo], **changes)
    antennas = ById(a for a in result.antennas if ids is None or a.antenna_id in ids)
    data = draw_overlay(photo_px(), replace(result, antennas=antennas), about)
    with Image.open(io.BytesIO(data)) as picture:
        assert picture.format == "PNG"
        return np.asarray(picture.convert("RGB")).astype(np.int16)


def near(picture, colour, within=60):
    return np.abs(picture - np.array(colour)).max(-1) <= within


def test_page_size_and_colours(judged):
    picture = page(judged)
    assert picture.shape[1] <= PAGE_WIDTH_PX
    for colour in (YELLOW, SKY_BLUE, BLUE, VERMILION, GREEN):
        assert near(picture, colour).sum() > 100, colour


def test_an_antenna_is_shown_at_least_500_px_tall_and_its_plain_twin_bears_no_line(judged):
    picture = page(judged, ids=("HNT-204-A1",))
    # the tiles are the only photo in the right part of the page; the plain one comes first
    right = picture[:, 44 * 2 + 620 :]
    dusk = (right == DUSK).all(-1)
    rows, columns = np.flatnonzero(dusk.any(1)), np.flatnonzero(dusk.any(0))
    block = right[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    marked = near(block, YELLOW, 40)
    tall = np.flatnonzero(marked.any(1))
    assert tall[-1] - tall[0] >= 500
    middle = block.shape[1] // 2
    assert not marked[:, : middle - 8].any()
    assert (block[:, : middle - 8] == DUSK).all()


@pytest.mark.parametrize("count", [0, 2, 9])
def test_any_number_of_antennas(judged, count):
    a1 = judged.antennas[0]
    many = tuple(
        replace(
            a1,
            antenna_id=f"HNT-204-A{k}",
            azimuth_true_deg=40.0 * k,
            evidence=(
                replace(a1.evidence[0], outline_px=tuple((x + 50.0 * k, y) for x, y in a1.evidence[0].outline_px)),
            ),
        )
        for k in range(count)
    )
    assert page(replace(judged, antennas=many)).shape[1] <= PAGE_WIDTH_PX


@pytest.mark.parametrize(
    "outline",
    [
        ((-30.0, -20.0), (40.0, -20.0), (40.0, 100.0), (-30.0, 100.0)),  # over the edge
        ((600.0, 400.0), (700.0, 400.0), (700.0, 600.0), (600.0, 600.0)),
        ((300.0, 200.0), (303.0, 200.0), (303.0, 209.0), (300.0, 209.0)),  # three pixels wide
        ((0.0, 0.0), (639.0, 0.0), (639.0, 479.0), (0.0, 479.0)),  # the whole photo
        ((10.0, 200.0), (630.0, 200.0), (630.0, 210.0), (10.0, 210.0)),  # lying
        ((900.0, 200.0), (930.0, 200.0), (930.0, 300.0), (900.0, 300.0)),  # outside
    ],
)
def test_any_outline(judged, outline):
    a1 = judged.antennas[0]
    odd = replace(a1, evidence=(replace(a1.evidence[0], outline_px=outline, inner_px=()),))
    assert page(replace(judged, antennas=(odd,))).shape[1] <= PAGE_WIDTH_PX


def test_where_an_antenna_was_looked_for_in_vain(found_judged):
    assert near(page(found_judged), PURPLE, 30).sum() > 50
    everything_seen = replace(found_judged, antennas=tuple(replace(a, missing=()) for a in found_judged.antennas))
    assert near(page(everything_seen), PURPLE, 30).sum() == 0


def test_what_is_only_not_visible_bears_no_mark(found_judged):
    b1 = found_judged.antennas[2]
    hidden = replace(b1, missing=tuple(replace(m, status="not_visible") for m in b1.missing))
    picture = page(replace(found_judged, antennas=(found_judged.antennas[0], hidden)))
    assert near(picture, PURPLE, 30).sum() == 0


def test_an_antenna_whose_panel_is_named_is_not_looked_for(found_judged):
    named = replace(found_judged.photos[0].panels[2], antenna_id="HNT-204-B1")
    photo = replace(found_judged.photos[0], panels=(*found_judged.photos[0].panels[:2], named))
    picture = page(replace(found_judged, photos=(photo, found_judged.photos[1])))
    assert near(picture, PURPLE, 30).sum() == 0


def test_a_photo_that_was_not_used_shows_what_was_searched(found_judged):
    picture = page(found_judged, photo=1)
    assert picture.shape[1] <= PAGE_WIDTH_PX
    assert near(picture, VERMILION, 30).sum() > 500  # says so under its title
    right = picture[:, 44 * 2 + 620 :]
    assert (right == DUSK).all(-1).sum() > 1000 * 600
    assert near(picture, YELLOW, 30).sum() == 0  # nothing was fitted


@pytest.mark.parametrize(
    "window", [(0.0, 0.0, 640.0, 480.0), (600.0, 400.0, 900.0, 900.0), (5.0, 5.0, 6.0, 6.0), (-9.0, -9.0, 3.0, 3.0)]
)
@pytest.mark.parametrize("photo", [0, 1])
def test_any_part_searched(found_judged, window, photo):
    assert page(found_judged, photo=photo, window_px=window).shape[1] <= PAGE_WIDTH_PX
    assert page(found_judged, photo=photo, window_px=window, panels=()).shape[1] <= PAGE_WIDTH_PX


@pytest.mark.parametrize(
    ("pixel", "radius", "size"),
    [
        ((480.0, 200.0), None, None),
        ((480.0, 200.0), 0.0, (0.0, 0.0)),
        ((480.0, 200.0), 5000.0, (40.0, 190.0)),
        ((-700.0, 9000.0), 30.0, (40.0, 190.0)),
        ((math.nan, 200.0), 30.0, (40.0, 190.0)),
    ],
)
@pytest.mark.parametrize("photo", [0, 1])
def test_any_place_looked_at(found_judged, pixel, radius, size, photo):
    b1 = found_judged.antennas[2]
    odd = tuple(
        replace(
            m, status="not_found", photo=found_judged.photos[photo].photo, pixel=pixel, radius_px=radius, size_px=size
        )
        for m in b1.missing[:1]
    )
    antennas = (*found_judged.antennas[:2], replace(b1, missing=odd))
    assert page(replace(found_judged, antennas=antennas), photo=photo).shape[1] <= PAGE_WIDTH_PX


def test_nothing_found_and_nothing_searched(found_judged):
    bare = replace(found_judged, antennas=())
    for photo in (0, 1):
        assert page(bare, photo=photo, window_px=None, panels=(), flags=()).shape[1] <= PAGE_WIDTH_PX


def test_the_key_keeps_to_its_column(found_judged):
    eight = found_judged.photos[0].panels[0].corners_px
    expected = Expected(label="B1", pixel=(1.0, 1.0), radius_px=1.0, size_px=(1.0, 1.0))
    heights = []
    for names in (("A1",), ("?",), ("A1", "?1", "?2")):
        marks = Marks(
            fitted=(("A2?", eight),),
            found=tuple((name, eight) for name in names),
            expected=(expected,),
            searched=(0.0, 0.0, 9.0, 9.0),
        )
        key = np.asarray(draw_key(marks, True, True, True, None, 620))
        assert (key[:, -10:] == 255).all()
        heights.append(key.shape[0])
    assert len(set(heights)) == 1
    assert draw_key(Marks(), False, False, False, None, 620) is None
    assert np.asarray(draw_key(Marks(), True, True, True, None, 620)).shape[0] < heights[0]


def test_words_do_not_run_over_the_edge(judged):
    flags = ("left out, contradicts the rest: a landmark with quite a long name in a photo with a long name",) * 5
    picture = page(judged, ids=("HNT-204-A1",), flags=flags)
    assert (picture[:, -30:] == 255).all()
    assert (picture[:, :30] == 255).all()


def test_enlargement_keeps_pixel_centres():
    # a pixel's centre stays the centre of its enlargement: pixel 3 of a window from 2, four times larger, covers 4 to 7
    assert Window((2, 0, 12, 10), 4.0).at((3.0, 0.0)) == (5.5, 1.5)
    image = Image.fromarray(np.zeros((20, 20, 3), np.uint8))
    image.putpixel((7, 9), (255, 255, 255))
    window = Window((2, 4, 14, 16), 9.0)
    large = np.asarray(window.cut(image).convert("L")).astype(float)
    total = large.sum()
    y, x = np.mgrid[: large.shape[0], : large.shape[1]]
    assert ((x * large).sum() / total, (y * large).sum() / total) == pytest.approx(window.at((7.0, 9.0)), abs=0.05)


def test_a_stroke_lies_on_its_points():
    picture = Image.new("RGB", (60, 40), (255, 255, 255))
    stroke(picture, [(10.0, 20.0), (50.0, 20.0)], Pen(core=(0, 0, 0), width=3.0, casing=0.0))
    dark = 255.0 - np.asarray(picture.convert("L")).astype(float)
    y = np.arange(40)
    assert (dark.sum(1) * y).sum() / dark.sum() == pytest.approx(20.0, abs=0.25)
    stroke(picture, [(-500.0, -500.0), (-400.0, -500.0)], Pen(core=BLUE))  # wholly outside: nothing happens


def test_dashes_add_up():
    line = [(0.0, 0.0), (30.0, 0.0), (30.0, 40.0)]
    assert dashes(line, ()) == [line]
    pieces = dashes(line, (10.0, 5.0))
    drawn = [sum(math.dist(a, b) for a, b in itertools.pairwise(p)) for p in pieces]
    # 70 long: four whole periods of 15, of which 10 each are drawn, then 10 more
    assert drawn == pytest.approx([10.0] * 5)
    assert pieces[0] == [(0.0, 0.0), (10.0, 0.0)]


def test_lines_are_broken_to_fit():
    text = "a photo taken from the field north of the tower in the morning"
    lines = fitted_lines(text, 30, 300)
    assert len(lines) > 1
    assert " ".join(lines) == text
    assert all(text_width(line, 30) <= 300 for line in lines)


def pointing(azimuth, label=""):
    return Pointing(
        label=label, directions=[Direction(kind="photos", label="photos", azimuth_deg=azimuth % 360.0, half_deg=2.0)]
    )


@pytest.mark.parametrize("azimuth", [0.0, 75.0, 190.0, 300.0])
def test_a_hand_lies_along_its_azimuth(azimuth):
    dial = np.asarray(draw_dial([pointing(azimuth)], azimuth + 300.0, 600, 30)).astype(np.int16)
    assert dial.shape[1] == 600
    y, x = np.nonzero(near(dial, BLUE, 25))
    points = np.stack([x, y], -1) - np.array([x.mean(), y.mean()])
    along = np.linalg.svd(points, full_matrices=False)[2][0]
    found_judged = math.degrees(math.atan2(along[0], -along[1]))
    assert abs((found_judged - azimuth + 90.0) % 180.0 - 90.0) < 1.5
    # from the middle outwards, not the other way: the middle of the page's width is where the tower stands
    if abs(math.sin(math.radians(azimuth))) > 0.1:
        assert np.sign(x.mean() - 299.5) == np.sign(math.sin(math.radians(azimuth)))


def test_azimuths_run_clockwise_with_north_on_top():
    assert out((300.0, 300.0), 0.0, 100.0) == pytest.approx((300.0, 200.0))
    assert out((300.0, 300.0), 90.0, 100.0) == pytest.approx((400.0, 300.0))


@pytest.mark.parametrize(
    ("azimuths", "together"),
    [
        ({"A": 358.0, "B": 3.0, "C": 120.0}, [["A", "B"], ["C"]]),  # also across north
        ({"B1": 250.0, "B2": 249.0, "B3": 248.0, "B4": 235.5, "A1": 60.0}, [["A1"], ["B1", "B2", "B3", "B4"]]),
        ({"B1": 250.0, "B2": 249.0, "B3": 248.0, "B4": 190.0, "A1": 60.0}, [["A1"], ["B1", "B2", "B3"], ["B4"]]),
    ],
)
def test_names_that_would_cover_each_other_share_a_place(azimuths, together):
    layout = dial_layout(620, 38)
    places = name_places(
        Pixels(layout.size, layout.unit, layout.letter),
        layout,
        [pointing(azimuth, name) for name, azimuth in azimuths.items()],
    )
    assert sorted(names for names, _ in places) == together


def test_weak_points_take_their_own_block(judged):
    """One sentence under its heading: the page grows by some lines, and what stands on it else stays."""
    said = "nothing controls the compass of p.jpg: an error of 21 deg would go unnoticed and turn A1 by 6.0 deg"
    pages = []
    for sentences in ((), (said,), (said, said)):
        data = draw_overlay(photo_px(), replace(judged, weak_points=sentences), judged.photos[0])
        with Image.open(io.BytesIO(data)) as picture:
            pages.append(np.asarray(picture.convert("L")).astype(np.int16))
    dark = [int((p < 100).sum()) for p in pages]
    assert dark[0] + 2000 < dark[1] < dark[2]  # a heading and a sentence of letters some 25 px high


@pytest.mark.parametrize(("decision", "word", "colour"), [("reject", "OUT of", VERMILION), ("accept", "within", GREEN)])
def test_what_is_out_of_tolerance_is_not_said_in_green(judged, decision, word, colour):
    a1 = judged.antennas["HNT-204-A1"]
    a1 = replace(a1, design=replace(a1.design, decision=decision))
    (line,) = [
        line for line in overlay._caption(overlay.Shown(antenna=a1, view=a1.evidence[0]), 700) if word in line[0]
    ]
    assert line[2] == colour


def test_letters_that_the_face_lacks_are_drawn_as_others_not_as_boxes():
    """Of what overlays say all can be read: a box stands where a face has no letter."""
    box = bytes(pens.font(20).getmask("\uffff"))
    said = "Photos − readings: U95 now → afterwards, 12 – 15 m × 3 ≥ 2, Höhe 12°, ± 4 %, … 塔"
    drawn = pens.drawn_as(said)
    assert drawn == "Photos - readings: U95 now -> afterwards, 12 - 15 m x 3 >= 2, Hohe 12°, ± 4 %, … ?"
    assert all(bytes(pens.font(20).getmask(c)) != box for c in drawn if c != " ")
    assert pens.text_width(said, 20) == pens.text_width(drawn, 20)
    assert "\n" not in pens.drawn_as("two\nlines")
