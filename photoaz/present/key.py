"""What the marks of an overlay's page mean."""

from __future__ import annotations

from collections.abc import Callable

from PIL import Image, ImageDraw

from photoaz.present.overview import EXPECTED, EXPECTED_WITHIN, FOUND, SEARCHED, Marks
from photoaz.present.pens import BLUE, GREEN, INK, SKY_BLUE, VERMILION, WHITE, YELLOW, Colour, Pen, stroke, write
from photoaz.present.window import ellipse, rectangle

OUTLINE = Pen(core=YELLOW, width=3.0, casing=1.4, dash=(22.0, 14.0))
INNER = Pen(core=SKY_BLUE, width=3.0, casing=1.4, dash=(7.0, 11.0))
_SMALL = 30


def draw_key(
    marks: Marks, with_fit: bool, with_dial: bool, with_alternatives: bool, width_px: int
) -> Image.Image | None:
    """What each mark on the page means; None where there is none."""
    rows: list[tuple[Callable[[Image.Image, float], None], str]] = []
    if with_fit:
        rows += [
            (lambda p, y: stroke(p, [(0, y), (88, y)], OUTLINE), "fitted outline"),
            (lambda p, y: stroke(p, [(0, y), (88, y)], INNER), "fitted edges within it"),
        ]
    if any(name.endswith("?") and name != "?" for name, _ in marks.fitted):
        rows.append((_key_unsure, "the name is not sure"))
    if marks.found:
        nameless = [name.startswith("?") for name, _ in marks.found]
        words = "not measured" if not any(nameless) else "not named" if all(nameless) else "not measured, ?: not named"
        rows.append((_key_found, f"found, {words}"))
    if marks.expected:
        rows.append((_key_expected, "looked for here, not found"))
    if marks.searched is not None:
        rows.append((_key_searched, "part of the photo searched"))
    if with_dial:
        rows += [
            (_key_estimate, "the face looks here, ± U95 (95 %)"),
            *([(_key_alternative, "the photos allow this as well")] if with_alternatives else []),
            (_key_reading, "instrument reading, as true north"),
            (_key_design, "design and its tolerance"),
            (_key_sight, "camera and line of sight"),
        ]
    if not rows:
        return None
    step = round(1.55 * _SMALL)
    key = Image.new("RGB", (width_px, step * len(rows)), WHITE)
    draw = ImageDraw.Draw(key)
    for number, (mark, text) in enumerate(rows):
        y = step * (number + 0.5)
        mark(key, y)
        write(draw, (112, y), text, _SMALL, anchor="lm")
    return key


_SKY: Colour = (138, 154, 172)  # what these marks lie on in photos


def _key_unsure(picture: Image.Image, y: float) -> None:
    write(ImageDraw.Draw(picture), (44, y), "A1?", _SMALL, anchor="mm")


def _key_found(picture: Image.Image, y: float) -> None:
    _key_ground(picture, y)
    stroke(picture, rectangle((30, y - 14, 58, y + 14)), FOUND)


def _key_expected(picture: Image.Image, y: float) -> None:
    stroke(picture, rectangle((34, y - 11, 54, y + 11)), EXPECTED)
    stroke(picture, ellipse((44, y), 40, 18), EXPECTED_WITHIN)


def _key_searched(picture: Image.Image, y: float) -> None:
    _key_ground(picture, y)
    stroke(picture, [(0, y), (88, y)], SEARCHED)


def _key_ground(picture: Image.Image, y: float) -> None:
    ImageDraw.Draw(picture).rectangle([0, y - 19, 88, y + 19], fill=_SKY)


def _key_estimate(picture: Image.Image, y: float) -> None:
    draw = ImageDraw.Draw(picture)
    draw.polygon([(0, y), (84, y - 13), (84, y + 13)], fill=(196, 220, 238))
    draw.line([(0, y), (68, y)], fill=BLUE, width=6)
    draw.polygon([(88, y), (62, y - 10), (62, y + 10)], fill=BLUE)


def _key_alternative(picture: Image.Image, y: float) -> None:
    draw = ImageDraw.Draw(picture)
    for x in (0, 22, 44):
        draw.line([(x, y), (x + 13, y)], fill=BLUE, width=4)
    draw.polygon([(88, y), (66, y - 8), (66, y + 8)], fill=BLUE)


def _key_reading(picture: Image.Image, y: float) -> None:
    draw = ImageDraw.Draw(picture)
    draw.line([(0, y), (66, y)], fill=VERMILION, width=3)
    draw.ellipse([64, y - 12, 88, y + 12], fill=WHITE, outline=VERMILION, width=4)


def _key_design(picture: Image.Image, y: float) -> None:
    draw = ImageDraw.Draw(picture)
    for x in (0, 16, 32, 48):
        draw.line([(x, y), (x + 8, y)], fill=GREEN, width=3)
    draw.rectangle([64, y - 14, 80, y + 14], fill=GREEN)


def _key_sight(picture: Image.Image, y: float) -> None:
    draw = ImageDraw.Draw(picture)
    draw.rectangle([0, y - 12, 24, y + 12], fill=INK)
    draw.line([(24, y), (88, y)], fill=INK, width=3)
