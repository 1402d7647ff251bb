"""On the photo: what was looked at, what was found, what was looked for in vain, and the map's skyline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from PIL import Image, ImageDraw

from photoaz.angles import format_azimuth_deg
from photoaz.present.pens import (
    GREEN,
    INK,
    LEADING,
    PLUM,
    PURPLE,
    SKY_BLUE,
    VERMILION,
    WHITE,
    YELLOW,
    Colour,
    Pen,
    Point,
    fitted_lines,
    shortened_to,
    text_width,
    write,
    write_lines,
)
from photoaz.present.window import Bounds, Window, bounds_of, ellipse, hull, rectangle, window_about
from photoaz.result import AroundView
from photoaz.wording import percent

_FITTED = Pen(core=YELLOW, width=1.8, casing=1.2)
FOUND = Pen(core=WHITE, width=2.0, casing=0.6)
EXPECTED = Pen(core=PURPLE, width=1.8, casing=1.0, dash=(9.0, 7.0))
EXPECTED_WITHIN = Pen(core=PURPLE, width=1.3, casing=0.7, dash=(3.0, 6.0))
SEARCHED = Pen(core=WHITE, width=2.4, casing=0.7, dash=(6.0, 7.0))
_MAX_ENLARGEMENT = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Where an antenna should have been seen: its middle, how far off that may be, its width and height [px]."""

    label: str
    pixel: Point
    radius_px: float
    size_px: tuple[float, float]

    def box(self) -> Bounds:
        """Left, top, right, bottom of the antenna if it were just there."""
        (x, y), (w, h) = self.pixel, self.size_px
        return x - w / 2.0, y - h / 2.0, x + w / 2.0, y + h / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What an overview bears, in pixels of the photo; outlines are polygons with a name each.

    fitted: measured. found: seen, but not measured; its name is a question mark where it has none. expected: looked for
    and not found. searched: left, top, right, bottom of the part of the photo that was looked at.
    """

    fitted: tuple[tuple[str, tuple[Point, ...]], ...] = ()
    found: tuple[tuple[str, tuple[Point, ...]], ...] = ()
    expected: tuple[Expected, ...] = ()
    searched: Bounds | None = None


def draw_overview(
    picture: Image.Image, marks: Marks, width_px: int, tall_px: int, letter_px: int, *, whole: bool = False
) -> Image.Image:
    """The part of the photo that bears marks, as wide as `width_px` where the photo allows.

    whole: all that was searched, however little of it bears marks; so also where there are none. The whole photo where
    nothing was searched either.
    """
    window = _window(picture, marks, width_px, tall_px, whole)
    view = window.cut(picture)
    if view.width > width_px:
        view = view.crop((0, 0, width_px, view.height))
    if marks.searched is not None:
        window.stroke(view, rectangle(marks.searched), SEARCHED)
    for place in marks.expected:
        window.stroke(view, rectangle(place.box()), EXPECTED)
        if place.radius_px > 0.0:
            half_width, half_height = (place.radius_px + 0.5 * size for size in place.size_px)
            window.stroke(view, ellipse(place.pixel, half_width, half_height), EXPECTED_WITHIN)
    for _, outline in marks.found:
        window.stroke(view, hull(outline), FOUND, closed=True)
    for _, outline in marks.fitted:
        window.stroke(view, outline, _FITTED, closed=True)
    _names(view, window, marks, letter_px)
    return view


def draw_whole(picture: Image.Image, searched: Bounds, width_px: int, tall_px: int) -> Image.Image:
    """The whole photo, small, with the part of it that was searched."""
    scale = min(width_px / picture.width, tall_px / picture.height)
    window = Window((0, 0, picture.width, picture.height), scale)
    view = window.cut(picture)
    window.stroke(view, rectangle(searched), SEARCHED)
    return view


def _window(picture: Image.Image, marks: Marks, width_px: int, tall_px: int, whole: bool) -> Window:
    right, bottom = picture.width - 1.0, picture.height - 1.0
    points = [point for _, outline in (*marks.fitted, *marks.found) for point in outline]
    margins = 0.18
    boxes = [place.box() for place in marks.expected]
    if marks.searched is not None and (whole or not (points or boxes)):
        boxes.append(marks.searched)
        margins = 0.03
    points += [corner for box in boxes for corner in (box[:2], box[2:])]
    margins = margins if points else 0.0
    points = [(min(max(x, 0.0), right), min(max(y, 0.0), bottom)) for x, y in points]
    bounds = bounds_of(points) if points else (0.0, 0.0, right, bottom)
    wide, high = bounds[2] - bounds[0], bounds[3] - bounds[1]
    margin = margins * max(wide, high)
    scale = min(width_px / (wide + 2 * margin + 1), tall_px / (high + 2 * margin + 1), _MAX_ENLARGEMENT)
    margin_x = max(margin, (width_px / scale - wide) / 2.0)  # as wide as there is room
    return window_about(picture, bounds, (margin_x, margin), scale)


def _names(view: Image.Image, window: Window, marks: Marks, letter_px: int) -> None:
    """What was fitted is named first, so that its names stand nearest."""
    draw = ImageDraw.Draw(view)
    taken: list[Bounds] = []
    small = round(0.8 * letter_px)
    groups: list[tuple[list[tuple[str, Bounds]], Colour, int]] = [
        ([(name, bounds_of(outline)) for name, outline in marks.fitted], INK, letter_px),
        ([(name, bounds_of(outline)) for name, outline in marks.found], INK, small),
        ([(place.label, place.box()) for place in marks.expected], PLUM, small),
    ]
    for named, colour, letter in groups:
        for name, (left, top, right, bottom) in sorted(named, key=lambda n: n[1][0]):
            (x0, y0), (x1, y1) = window.at((left, top)), window.at((right, bottom))
            text = shortened_to(name, letter, 0.4 * view.width)
            width = text_width(text, letter)
            x, y = _free((x0 + x1) / 2.0, y0, y1, (width, letter), view.size, taken)
            taken.append((x - width / 2.0, y - letter / 2.0, x + width / 2.0, y + letter / 2.0))
            write(draw, (x, y), text, letter, colour=colour, anchor="mm", halo=True)


def _free(
    x: float, top: float, bottom: float, text: tuple[float, int], size: tuple[int, int], taken: Sequence[Bounds]
) -> Point:
    """A place for a name under its box, else over it, else further off or to the side: one that no other name has."""
    width, letter = text
    below, above = bottom + 0.7 * letter, top - 0.7 * letter

    def inside(x: float, y: float) -> Point:
        return (
            min(max(x, width / 2.0 + 6), max(size[0] - width / 2.0 - 6, width / 2.0 + 6)),
            min(max(y, letter / 2.0 + 2), max(size[1] - letter / 2.0 - 2, letter / 2.0 + 2)),
        )

    def covered(at: Point) -> float:
        """How much of a name there lies on others'."""
        x, y = at
        across = [(min(x + width / 2.0 + 4, r) - max(x - width / 2.0 - 4, l), t, b) for l, t, r, b in taken]  # noqa: E741
        return sum(
            max(over, 0.0) * max(min(y + letter / 2.0, b) - max(y - letter / 2.0, t), 0.0) for over, t, b in across
        )

    steps = [
        inside(x + side * (0.5 * width + 6), base + step * letter)
        for k in range(8)
        for base, step in ((below, k), (above, -k))
        for side in (0, -1, 1)
    ]
    return min(steps, key=covered)  # the first of several alike, so the nearest


# ---- the map's skyline -----------------------------------------------------------------------------------------------


#: what pieces of lines mean, in the order in which they are drawn: attribute of `AroundView`, words, pen
SKYLINES = (
    ("lacking_px", "border of the sky that the map lacks", Pen(core=PURPLE, width=2.0, casing=1.0, dash=(3.0, 6.0))),
    ("unmatched_px", "map's skyline, not so in the photo", Pen(core=VERMILION, width=2.2, casing=1.0, dash=(9.0, 7.0))),
    ("matched_px", "map's skyline, as in the photo", Pen(core=SKY_BLUE, width=2.6, casing=1.2)),
    ("corners_px", "edge taken for a building's corner", Pen(core=GREEN, width=2.6, casing=1.2)),
)
_STATES = {
    "matched": "Its heading is told by the map",
    "unsure": "The map does not tell its heading surely enough",
    "sky_alone": "It shows only sky and the tower",
}


def is_laid_over(around: AroundView | None) -> bool:
    """Whether there is anything of a map to draw."""
    return around is not None and any(getattr(around, name) for name, _, _ in SKYLINES)


def state_text(around: AroundView) -> str:
    """'Its heading is told by the map: 123.4° ± 1.2° (probability 95 %)'."""
    said = _STATES[around.state]
    if around.heading_true_deg is None:
        return said
    said += f": {format_azimuth_deg(around.heading_true_deg, around.u95_deg)}"
    return said if around.probability is None else f"{said} (probability {percent(around.probability)})"


def draw_laid_over(
    picture: Image.Image, around: AroundView, width_px: int, tall_px: int, letter_px: int
) -> Image.Image:
    """The part of the photo (RGB) along the skyline with the map's lines on it, under what came of them; RGB."""
    points = [p for name, _, _ in SKYLINES for piece in getattr(around, name) for p in piece]
    points = [(min(max(x, 0.0), picture.width - 1.0), min(max(y, 0.0), picture.height - 1.0)) for x, y in points]
    left, top, right, bottom = bounds_of(points)
    margin = 0.06 * (right - left) + 10.0
    scale = min(width_px / (right - left + 2 * margin + 1), tall_px / (bottom - top + 2 * margin + 1), 3.0)
    window = window_about(picture, (left, top, right, bottom), (margin, margin), scale)
    view = window.cut(picture)
    for name, _, pen in SKYLINES:
        for piece in getattr(around, name):
            window.stroke(view, piece, pen)
    lines = fitted_lines(state_text(around), letter_px, width_px)
    head = round(LEADING * letter_px * len(lines)) + 8
    page = Image.new("RGB", (width_px, head + view.height), WHITE)
    write_lines(ImageDraw.Draw(page), (0, 0), [(line, letter_px, INK, False) for line in lines])
    page.paste(view, (0, head))
    return page
