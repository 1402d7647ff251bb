"""The azimuth plan, and photos minus readings, as pixels for overlays: the same shapes as the pages' SVG."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from PIL import Image, ImageChops, ImageColor, ImageDraw

from photoaz.present import pens
from photoaz.present.canvas import out
from photoaz.present.charts import Axis
from photoaz.present.drawing import CameraPlace, PlanLayout, Pointing, draw_plan
from photoaz.present.frame import asset
from photoaz.present.pens import LEADING, Colour, Point, fitted_lines, shortened_to, text_width
from photoaz.present.words import short_label
from photoaz.result import CommonMode


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How a shape looks: widths and dashes in units of the canvas, letters over the size of names."""

    colour: Colour = pens.INK
    fill: Colour | None = None
    width: float = 1.0
    dash: tuple[float, ...] = ()
    letter: float = 1.0
    bold: bool = False
    halo: bool = False


def _style(colour: str = "ink", fill: str | None = None, dash: Sequence[float] = (), **more: Any) -> Style:
    return Style(colour=_colour(colour), fill=None if fill is None else _colour(fill), dash=tuple(dash), **more)


def _colour(name: str) -> Colour:
    red, green, blue, *_ = ImageColor.getrgb(name) if name.startswith("#") else getattr(pens, name.upper())
    return red, green, blue


_STYLES = {name: _style(**given) for name, given in tomllib.loads(asset("pixels.toml")).items()}
_ANCHORS = {"start": "ls", "middle": "ms", "end": "rs"}


def dial_layout(size_px: int, letter_px: int) -> PlanLayout:
    """A square dial with room for two lines of names round it."""
    unit, middle = size_px / 250.0, size_px / 2.0
    rim = middle - 3.2 * letter_px
    return PlanLayout(
        size=(size_px, size_px),
        middle=(middle, middle),
        reach=rim,
        hands=0.78 * rim,
        letter=letter_px,
        unit=unit,
        dial=True,
        north=(middle, middle - rim + 18.0 * unit),
        north_words="N",
    )


def draw_dial(antennas: Sequence[Pointing], camera_bearing_deg: float, size_px: int, letter_px: int) -> Image.Image:
    """The dial as an RGB picture, `size_px` wide, without the empty rows above and below.

    camera_bearing_deg: of the photo's camera, from the tower.
    """
    layout = dial_layout(size_px, letter_px)
    canvas = Pixels(layout.size, layout.unit, layout.letter)
    draw_plan(canvas, layout, antennas, [CameraPlace(number=0, bearing_deg=camera_bearing_deg)])
    picture = canvas.picture()
    _, top, _, bottom = ImageChops.invert(picture).getbbox() or (0, 0, size_px, size_px)
    return picture.crop((0, top, size_px, bottom))


class Pixels:
    """A canvas of pixels: shapes finer than the result, letters in its own size."""

    def __init__(self, size: Point, unit: float, letter: float) -> None:
        self._unit, self._letter = unit, letter
        wide, high = map(round, size)
        self._fine = Image.new("RGB", (wide * pens.FINER, high * pens.FINER), pens.WHITE)
        self._pen = ImageDraw.Draw(self._fine)
        self._texts: list[tuple[str, Point, str, str]] = []

    def picture(self) -> Image.Image:
        """What was drawn."""
        picture = self._fine.reduce(pens.FINER)
        pen = ImageDraw.Draw(picture)
        for name, at, words, anchor in self._texts:
            s = _STYLES[name]
            size = round(s.letter * self._letter)
            pens.write(pen, at, words, size, colour=s.colour, anchor=_ANCHORS[anchor], bold=s.bold, halo=s.halo)
        return picture

    def line(self, name: str, *points: Point) -> None:
        style = _STYLES[name]
        for piece in pens.dashes(points, tuple(d * self._unit for d in style.dash)):
            fine = [(x * pens.FINER, y * pens.FINER) for x, y in piece]
            self._pen.line(fine, fill=style.colour, width=round(style.width * self._unit * pens.FINER))

    def polygon(self, name: str, *points: Point) -> None:
        self._pen.polygon([(x * pens.FINER, y * pens.FINER) for x, y in points], fill=_STYLES[name].fill)

    def circle(self, name: str, centre: Point, radius: float) -> None:
        style, (x, y) = _STYLES[name], centre
        box = [v * pens.FINER for v in (x - radius, y - radius, x + radius, y + radius)]
        self._pen.ellipse(
            box, fill=style.fill, outline=style.colour, width=round(style.width * self._unit * pens.FINER)
        )

    def rect(self, name: str, at: Point, wide: float, high: float) -> None:
        (x, y), right, below = at, at[0] + wide, at[1] + high
        self.polygon(name, (x, y), (right, y), (right, below), (x, below))

    def sector(self, name: str, centre: Point, azimuth_deg: float, half_deg: float, inner: float, outer: float) -> None:
        half = min(half_deg, 180.0)
        steps = max(2, round(half))  # arcs as chords of 2 degrees at most
        turns = [azimuth_deg + half * (2.0 * k / steps - 1.0) for k in range(steps + 1)]
        back = [out(centre, a, inner) for a in reversed(turns)] if inner > 0.0 else [centre]
        self.polygon(name, *(out(centre, a, outer) for a in turns), *back)

    def text(self, name: str, at: Point, words: str, anchor: str = "middle", whole: str = "") -> None:
        del whole  # pixels have no room for it; the page's own text names it
        self._texts.append((name, at, words, anchor))

    def text_width(self, words: str, letter: float) -> float:
        return pens.text_width(words, round(letter))


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
