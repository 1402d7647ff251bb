"""Photos minus readings of a site in one picture: what all have in common, and what is each antenna's own."""

from __future__ import annotations

import math

from PIL import Image

from photoaz.present.charts import Axis
from photoaz.present.dial import Pixels
from photoaz.present.pens import LEADING, fitted_lines, shortened_to, text_width
from photoaz.present.words import short_label
from photoaz.result import CommonMode

_TITLE = "Photos − readings"


def draw_departures(common: CommonMode, site_id: str, width_px: int, letter_px: int) -> Image.Image:
    """The picture, `width_px` wide, RGB.

    A row for each antenna: a dot at its estimate minus its reading [deg], with the interval (95 %) of its departure
    from the common angle; where the two cannot be told apart, the dot alone. The common angle is a line within a band
    of its U95; zero, where reading and photos agree, a black line. Antennas that stand apart are vermilion. Below, it
    is said in words.
    """
    names = [shortened_to(short_label(d.antenna_id, site_id), letter_px, 0.4 * width_px) for d in common.departures]
    left = max(text_width(name, letter_px) for name in names) + letter_px
    step, top = round(1.5 * letter_px), round(1.8 * letter_px)
    bottom = top + step * len(names)
    words = fitted_lines(common.sentence, letter_px, width_px)
    height = bottom + round(1.5 * letter_px) + math.ceil(LEADING * letter_px * len(words))
    angle, u95 = -common.angle_deg, common.u95_deg  # the records hold the reading minus the estimate
    at = [-d.difference_deg if d.departure_deg is None else angle - d.departure_deg for d in common.departures]
    ends = [x + s * (d.u95_deg or 0.0) for d, x in zip(common.departures, at, strict=True) for s in (-1.0, 1.0)]
    axis = Axis.over([0.0, angle - u95, angle + u95, *ends], left, width_px - letter_px)
    canvas = Pixels((width_px, height), letter_px / 12.0, letter_px)
    canvas.text("title", (0.0, 0.95 * letter_px), _TITLE, "start")
    beside = text_width(f"{_TITLE}  ", letter_px)
    canvas.text("note", (beside, 0.95 * letter_px), "with 95 % intervals", "start")
    canvas.rect("common band", (axis.x(angle - u95), top), axis.x(angle + u95) - axis.x(angle - u95), bottom - top)
    axis.draw(canvas, top, bottom, letter_px)
    canvas.line("common", (axis.x(angle), top), (axis.x(angle), bottom))
    for k, (name, d, x) in enumerate(zip(names, common.departures, at, strict=True)):
        y, apart = top + step * (k + 0.5), " apart" if d.left_out else ""
        canvas.text(f"label{apart}", (0.0, y + 0.36 * letter_px), name, "start")
        if d.u95_deg is not None:
            axis.interval(canvas, f"interval{apart}", f"interval{apart}", y, x, d.u95_deg, 0.24 * letter_px)
        canvas.circle(f"dot{apart}", (axis.x(x), y), 0.24 * letter_px)
    for k, line in enumerate(words):
        canvas.text("label", (0.0, bottom + letter_px * (2.45 + LEADING * k)), line, "start")
    return canvas.picture()
