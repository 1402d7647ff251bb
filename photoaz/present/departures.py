"""Readings minus estimates of a site in one picture: what all have in common, and what is each antenna's own."""

from __future__ import annotations

import math

from PIL import Image, ImageDraw

from photoaz.present.pens import (
    BLUE,
    FINER,
    HAIR,
    INK,
    PALE,
    VERMILION,
    WHITE,
    Colour,
    fitted_lines,
    text_width,
    write,
)
from photoaz.present.words import short_label
from photoaz.result import CommonMode

_BAND: Colour = (214, 230, 242)
_LEADING = 1.3
#: round steps of the axis [deg], the finest that leaves room for its figures
_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 90.0)
_TITLE = "Readings minus photos"


def draw_departures(common: CommonMode, site_id: str, width_px: int, letter_px: int) -> Image.Image:
    """The picture, `width_px` wide, RGB.

    A row for each antenna: a dot at its reading minus its estimate [deg], with the interval (95 %) of its departure
    from the common angle; where the two cannot be told apart, the dot alone. The common angle is a line within a band
    of its U95; zero, where reading and photos agree, a black line. Antennas that stand apart are vermilion. Below, it
    is said in words.
    """
    names = [short_label(d.antenna_id, site_id) for d in common.departures]
    left = max(text_width(name, letter_px) for name in names) + letter_px
    small = round(0.8 * letter_px)
    step = round(1.5 * letter_px)
    top = round(1.8 * letter_px)
    bottom = top + step * len(names)
    words = fitted_lines(common.sentence, letter_px, width_px)
    height = bottom + round(1.5 * letter_px) + math.ceil(_LEADING * letter_px * len(words))
    low, high = _span(common)
    room = width_px - left - 0.5 * letter_px

    def x(angle_deg: float) -> float:
        return left + room * (angle_deg - low) / (high - low)

    fine = Image.new("RGB", (width_px * FINER, height * FINER), WHITE)
    pen = ImageDraw.Draw(fine)

    def bar(x0: float, y0: float, x1: float, y1: float, colour: Colour) -> None:
        pen.rectangle([round(v * FINER) for v in (x0, y0, x1, y1)], fill=colour)

    bar(x(common.angle_deg - common.u95_deg), top, x(common.angle_deg + common.u95_deg), bottom, _BAND)
    ticks = _ticks(low, high, room, letter_px)
    for tick in ticks:
        bar(x(tick) - 0.5, top, x(tick) + 0.5, bottom, HAIR)
    bar(x(0.0) - 1.5, top, x(0.0) + 1.5, bottom, INK)
    bar(x(common.angle_deg) - 1.5, top, x(common.angle_deg) + 1.5, bottom, BLUE)
    for k, d in enumerate(common.departures):
        y = top + step * (k + 0.5)
        colour = VERMILION if d.left_out else BLUE
        at = common.angle_deg + d.departure_deg if d.departure_deg is not None else d.difference_deg
        if d.u95_deg is not None:
            bar(x(at - d.u95_deg), y - 1.5, x(at + d.u95_deg), y + 1.5, colour)
            for end in (at - d.u95_deg, at + d.u95_deg):
                bar(x(end) - 1.5, y - 7, x(end) + 1.5, y + 7, colour)
        r = 0.24 * letter_px
        pen.ellipse([(v) * FINER for v in (x(at) - r, y - r, x(at) + r, y + r)], fill=colour)
    picture = fine.reduce(FINER)
    draw = ImageDraw.Draw(picture)
    write(draw, (0, 0), _TITLE, letter_px, bold=True)
    note = (text_width(f"{_TITLE}  ", letter_px), 0.12 * letter_px)
    write(draw, note, "with 95 % intervals", small, colour=PALE)
    for k, (name, d) in enumerate(zip(names, common.departures, strict=True)):
        y = top + step * (k + 0.5)
        write(draw, (0, y), name, letter_px, colour=VERMILION if d.left_out else INK, anchor="lm", bold=d.left_out)
    for tick in ticks:
        write(draw, (x(tick), bottom + 0.6 * letter_px), _figure(tick), small, colour=PALE, anchor="mm")
    for k, line in enumerate(words):
        write(draw, (0, bottom + 1.5 * letter_px + _LEADING * letter_px * k), line, letter_px)
    return picture


def _span(common: CommonMode) -> tuple[float, float]:
    """The angles [deg] from left to right: everything drawn and zero, with a margin."""
    points = [0.0, common.angle_deg - common.u95_deg, common.angle_deg + common.u95_deg]
    for d in common.departures:
        at = common.angle_deg + d.departure_deg if d.departure_deg is not None else d.difference_deg
        reach = d.u95_deg or 0.0
        points += [at - reach, at + reach]
    low, high = min(points), max(points)
    margin = max(0.04 * (high - low), 0.2)
    return low - margin, high + margin


def _ticks(low: float, high: float, room: float, letter_px: int) -> list[float]:
    step = next((s for s in _STEPS if room * s / (high - low) > 2.6 * letter_px), _STEPS[-1])
    return [step * k for k in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _figure(angle_deg: float) -> str:
    return f"{angle_deg:+g}°" if angle_deg else "0°"
