"""Colours, lines and letters of the pictures: readable in print, on any background, and for the colour-blind."""

from __future__ import annotations

import functools
import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFont

Point = tuple[float, float]
Colour = tuple[int, int, int]

# The palette of Okabe and Ito (Color Universal Design, 2008), which people with any colour vision tell apart
BLACK: Colour = (0, 0, 0)
SKY_BLUE: Colour = (86, 180, 233)
GREEN: Colour = (0, 158, 115)
YELLOW: Colour = (240, 228, 66)
BLUE: Colour = (0, 114, 178)
VERMILION: Colour = (213, 94, 0)
PURPLE: Colour = (204, 121, 167)
#: purple, dark enough for letters on white
PLUM: Colour = (140, 58, 103)

WHITE: Colour = (255, 255, 255)
INK: Colour = (25, 25, 25)
PALE: Colour = (120, 120, 120)
HAIR: Colour = (205, 205, 205)

#: from one line of text to the next, in heights of its letters
LEADING = 1.3

_STANDS_FOR = {"−": "-", "–": "-", "—": "-", "→": "->", "×": "x", "≥": ">=", "≤": "<="}

#: How much finer than the result lines are drawn before they are averaged down
FINER = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """A line with a bright core in a dark casing. dash: lengths drawn and left out; all in pixels."""

    core: Colour
    width: float = 2.2
    casing: float = 1.5
    dash: tuple[float, ...] = ()


def dashes(points: Sequence[Point], pattern: tuple[float, ...]) -> list[list[Point]]:
    """Cut a polyline into the pieces that a pen draws; the whole line where there is no pattern."""
    if not pattern:
        return [list(points)]
    place, (drawn, left_out) = np.asarray(points, float), pattern
    upto = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(place, axis=0).T))])
    out: list[list[Point]] = []
    for start in np.arange(0.0, upto[-1], drawn + left_out).tolist():
        end = min(start + drawn, upto[-1])
        corners = upto[(upto > start) & (upto < end)]
        at = np.concatenate([[start], corners, [end]])
        xs, ys = (np.interp(at, upto, place[:, k]).tolist() for k in (0, 1))
        out.append(list(zip(xs, ys, strict=True)))
    return out


def stroke(picture: Image.Image, points: Sequence[Point], pen: Pen) -> None:
    """Draw a polyline on an RGB picture, smoothly. Points as pixel coordinates, pixel centres at whole numbers."""
    reach = pen.width / 2.0 + pen.casing + 2.0
    left = math.floor(min(x for x, _ in points) - reach)
    top = math.floor(min(y for _, y in points) - reach)
    right = math.ceil(max(x for x, _ in points) + reach) + 1
    bottom = math.ceil(max(y for _, y in points) + reach) + 1
    left, top, right, bottom = max(left, 0), max(top, 0), min(right, picture.width), min(bottom, picture.height)
    if right <= left or bottom <= top:
        return
    pieces = dashes(points, pen.dash)
    for width, colour in ((pen.width + 2.0 * pen.casing, BLACK), (pen.width, pen.core)):
        mask = Image.new("L", ((right - left) * FINER, (bottom - top) * FINER), 0)
        draw = ImageDraw.Draw(mask)
        for piece in pieces:
            # a pixel's centre lies half a pixel within it: (0, 0) is at (FINER / 2, FINER / 2) of the finer picture
            fine = [((x - left + 0.5) * FINER - 0.5, (y - top + 0.5) * FINER - 0.5) for x, y in piece]
            draw.line(fine, fill=255, width=max(1, round(width * FINER)), joint="curve")
        mask = mask.reduce(FINER)
        picture.paste(colour, (left, top), mask)


@functools.cache
def font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The face that Pillow carries with it, so that pictures look alike on every machine."""
    return ImageFont.load_default(size_px)


def text_width(text: str, size_px: int) -> float:
    """Length of a line of text [px]."""
    return float(font(size_px).getlength(drawn_as(text)))


def drawn_as(text: str) -> str:
    """As it can be drawn: without line ends, of which Pillow would make several lines, in letters that the face has."""
    return "".join(_drawable(c) for c in text)


@functools.cache
def _drawable(letter: str) -> str:
    """The letter, or what stands for it where the face has none: without its accent, '-' for a dash; else '?'."""
    shape = font(20).getmask

    def there(c: str) -> bool:
        return c.isprintable() and bytes(shape(c)) != bytes(shape("\uffff"))

    plain = unicodedata.normalize("NFKD", letter)[0]
    stands = (letter, _STANDS_FOR.get(letter, plain), "?") if letter.isprintable() else (" ",)
    return next((c for c in stands if c == " " or all(map(there, c))), "?")


def fitted_lines(text: str, size_px: int, width_px: float) -> list[str]:
    """Text broken at blanks into lines of at most `width_px`; a word that is longer by itself is broken anywhere."""
    lines: list[str] = []
    for word in text.split():
        if lines and text_width(f"{lines[-1]} {word}", size_px) <= width_px:
            lines[-1] += f" {word}"
            continue
        while (fits := _that_fit(word, size_px, width_px)) < len(word):
            lines.append(word[: max(fits, 1)])
            word = word[max(fits, 1) :]
        lines.append(word)
    return [line for line in lines if line] or [""]


def shortened_to(text: str, size_px: int, width_px: float) -> str:
    """Text in one line of at most `width_px`, with an ellipsis where it is longer."""
    text = " ".join(text.split())
    if text_width(text, size_px) <= width_px:
        return text
    return text[: _that_fit(text, size_px, width_px - text_width("…", size_px))] + "…"


def _that_fit(text: str, size_px: int, width_px: float) -> int:
    """How many letters of a line fit into a width."""
    least, most = 0, len(text)
    while least < most:
        middle = (least + most + 1) // 2
        if text_width(text[:middle], size_px) <= width_px:
            least = middle
        else:
            most = middle - 1
    return least


def write(
    draw: ImageDraw.ImageDraw,
    at: Point,
    text: str,
    size_px: int,
    *,
    colour: Colour = INK,
    anchor: str = "la",
    bold: bool = False,
    halo: bool = False,
) -> None:
    """A line of text. halo: a white rim, so that it reads on a photo or over lines."""
    face, text = font(size_px), drawn_as(text)
    if halo:
        draw.text(at, text, fill=WHITE, font=face, anchor=anchor, stroke_width=max(3, size_px // 8), stroke_fill=WHITE)
    draw.text(
        at, text, fill=colour, font=face, anchor=anchor, stroke_width=0.02 * size_px if bold else 0, stroke_fill=colour
    )


def write_lines(draw: ImageDraw.ImageDraw, at: Point, lines: Sequence[tuple[str, int, Colour, bool]]) -> None:
    """Lines under each other, each with its size [px], its colour, and whether it is bold."""
    x, y = at
    for text, size, colour, bold in lines:
        write(draw, (x, y), text, size, colour=colour, bold=bold)
        y += LEADING * size
