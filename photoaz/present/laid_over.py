"""The map's skyline drawn on a photo: where the photo shows it so, where otherwise, and what the map lacks."""

from __future__ import annotations

from PIL import Image, ImageDraw

from photoaz.angles import format_azimuth_deg
from photoaz.present.pens import GREEN, INK, LEADING, PURPLE, SKY_BLUE, VERMILION, WHITE, Pen, fitted_lines, write_lines
from photoaz.present.window import bounds_of, window_about
from photoaz.result import AroundView
from photoaz.wording import percent

#: what pieces of lines mean, in the order in which they are drawn: attribute of `AroundView`, words, pen
LINES = (
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
    return around is not None and any(getattr(around, name) for name, _, _ in LINES)


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
    points = [p for name, _, _ in LINES for piece in getattr(around, name) for p in piece]
    points = [(min(max(x, 0.0), picture.width - 1.0), min(max(y, 0.0), picture.height - 1.0)) for x, y in points]
    left, top, right, bottom = bounds_of(points)
    margin = 0.06 * (right - left) + 10.0
    scale = min(width_px / (right - left + 2 * margin + 1), tall_px / (bottom - top + 2 * margin + 1), 3.0)
    window = window_about(picture, (left, top, right, bottom), (margin, margin), scale)
    view = window.cut(picture)
    for name, _, pen in LINES:
        for piece in getattr(around, name):
            window.stroke(view, piece, pen)
    lines = fitted_lines(state_text(around), letter_px, width_px)
    head = round(LEADING * letter_px * len(lines)) + 8
    page = Image.new("RGB", (width_px, head + view.height), WHITE)
    write_lines(ImageDraw.Draw(page), (0, 0), [(line, letter_px, INK, False) for line in lines])
    page.paste(view, (0, head))
    return page
