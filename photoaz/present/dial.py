"""A compass dial: from above, the tower in its middle, true north on top; what points where."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from PIL import Image, ImageChops, ImageDraw

from photoaz.angles import circular_mean_deg, difference_deg
from photoaz.present.pens import (
    BLUE,
    FINER,
    GREEN,
    HAIR,
    INK,
    PALE,
    VERMILION,
    WHITE,
    Colour,
    Point,
    text_width,
    write,
)

_ESTIMATE, _READING, _DESIGN, _SIGHT = BLUE, VERMILION, GREEN, INK
_WEDGE: Colour = (196, 220, 238)
#: hands nearer than this share a label
_TOGETHER_DEG = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """One antenna on the dial: azimuths from true north, degrees; None where there is none to show."""

    label: str
    azimuth_deg: float
    u95_deg: float
    sight_deg: float
    alternatives_deg: tuple[float, ...] = ()
    reading_deg: float | None = None
    design_deg: float | None = None
    tolerance_deg: float = 0.0


def draw_dial(hands: Sequence[Hand], size_px: int, letter_px: int) -> Image.Image:
    """The dial as an RGB picture, `size_px` wide; without the empty rows above and below.

    Estimates are arrows with a fan of +- U95, other possible azimuths broken arrows, readings pins with an open ring,
    the design an arc over its tolerance outside the rim with a wedge at its middle, the camera a small square at the
    rim with the line of sight from it.
    """
    return _Dial(size_px, letter_px).draw(hands)


def _mean_deg(directions_deg: Sequence[float]) -> float:
    try:
        return circular_mean_deg(directions_deg)
    except ValueError:  # they point all round: any of them
        return directions_deg[0]


class _Dial:
    def __init__(self, size_px: int, letter_px: int) -> None:
        self.size = size_px
        self.letter = letter_px
        self.middle = size_px / 2.0
        self.rim = size_px / 2.0 - 3.2 * letter_px
        self.fine = Image.new("RGB", (size_px * FINER, size_px * FINER), WHITE)
        self.pen = ImageDraw.Draw(self.fine)

    def at(self, azimuth_deg: float, radius: float) -> Point:
        a = math.radians(azimuth_deg)
        return self.middle + radius * math.sin(a), self.middle - radius * math.cos(a)

    def line(self, points: Sequence[Point], colour: Colour, width: float) -> None:
        self.pen.line([(x * FINER, y * FINER) for x, y in points], fill=colour, width=round(width * FINER))

    def polygon(self, points: Sequence[Point], colour: Colour) -> None:
        self.pen.polygon([(x * FINER, y * FINER) for x, y in points], fill=colour)

    def circle(self, centre: Point, radius: float, *, fill: Colour | None, outline: Colour, width: float) -> None:
        x, y = centre
        box = [(x - radius) * FINER, (y - radius) * FINER, (x + radius) * FINER, (y + radius) * FINER]
        self.pen.ellipse(box, fill=fill, outline=outline, width=round(width * FINER))

    def arc(self, azimuth_deg: float, half_deg: float, radius: float, colour: Colour, width: float) -> None:
        r, m = radius * FINER, self.middle * FINER
        start = azimuth_deg - half_deg - 90.0  # Pillow's arcs start at three o'clock, clockwise as shown
        self.pen.arc(
            [m - r, m - r, m + r, m + r], start, start + 2.0 * half_deg, fill=colour, width=round(width * FINER)
        )

    def arrow(self, azimuth_deg: float, radius: float, colour: Colour, width: float, *, broken: bool = False) -> None:
        """An arrow from the middle outwards."""
        head = 5.0 * width
        shaft = radius - 0.8 * head
        pieces = 7 if broken else 1
        for k in range(pieces):
            a, b = shaft * k / pieces, shaft * (k + (0.6 if broken else 1.0)) / pieces
            self.line([self.at(azimuth_deg, a), self.at(azimuth_deg, b)], colour, width)
        tip, base = self.at(azimuth_deg, radius), self.at(azimuth_deg, radius - head)
        across = math.radians(azimuth_deg + 90.0)
        dx, dy = 0.4 * head * math.sin(across), -0.4 * head * math.cos(across)
        self.polygon([tip, (base[0] + dx, base[1] + dy), (base[0] - dx, base[1] - dy)], colour)

    def draw(self, hands: Sequence[Hand]) -> Image.Image:
        w = self.size / 250.0
        self._fans(hands)
        self._rim(w)
        for hand in hands:
            self._design(hand, w)
        if hands:
            self._sight(_mean_deg([hand.sight_deg for hand in hands]), w)
        for hand in hands:
            for other in hand.alternatives_deg:
                self.arrow(other, 0.66 * self.rim, _ESTIMATE, 1.4 * w, broken=True)
            self.arrow(hand.azimuth_deg, 0.78 * self.rim, _ESTIMATE, 2.0 * w)
        for hand in hands:
            self._reading(hand, w)
        self.circle((self.middle, self.middle), 2.5 * w, fill=INK, outline=INK, width=w)
        picture = self.fine.reduce(FINER)
        self._letters(ImageDraw.Draw(picture), hands)
        _, top, _, bottom = ImageChops.invert(picture).getbbox() or (0, 0, self.size, self.size)
        return picture.crop((0, top, self.size, bottom))

    def _fans(self, hands: Sequence[Hand]) -> None:
        r, m = 0.78 * self.rim * FINER, self.middle * FINER
        for hand in hands:
            half = min(hand.u95_deg, 180.0)
            start = hand.azimuth_deg - half - 90.0
            self.pen.pieslice([m - r, m - r, m + r, m + r], start, start + 2.0 * half, fill=_WEDGE)

    def _rim(self, w: float) -> None:
        self.circle((self.middle, self.middle), self.rim, fill=None, outline=PALE, width=1.2 * w)
        for azimuth in range(0, 360, 10):
            long = azimuth % 30 == 0
            inner = self.rim - (6.0 if long else 3.0) * w
            self.line([self.at(azimuth, inner), self.at(azimuth, self.rim)], PALE if long else HAIR, w)
        tip, left, right = (
            self.at(0, self.rim + 0.2 * w),
            self.at(-4.5, self.rim - 14 * w),
            self.at(4.5, self.rim - 14 * w),
        )
        self.polygon([tip, left, right], INK)

        for mark, name in ((0, "N"), (90, "90°"), (180, "180°"), (270, "270°")):
            x, y = self.at(mark, self.rim - (27 if mark == 0 else 18) * w)
            letter = self.letter if mark == 0 else self.letter * 3 // 4
            colour = INK if mark == 0 else PALE
            write(self.pen, (x * FINER, y * FINER), name, letter * FINER, colour=colour, anchor="mm")

    def _design(self, hand: Hand, w: float) -> None:
        if hand.design_deg is None:
            return
        if hand.tolerance_deg > 0.0:
            self.arc(hand.design_deg, min(hand.tolerance_deg, 180.0), self.rim + 5.0 * w, _DESIGN, 4.0 * w)
        tip = self.at(hand.design_deg, self.rim + w)
        sides = [self.at(hand.design_deg + d, self.rim + 14.0 * w) for d in (-3.2, 3.2)]
        self.polygon([tip, *sides], _DESIGN)

    def _sight(self, sight_deg: float, w: float) -> None:
        camera = self.at(sight_deg + 180.0, self.rim - 6.0 * w)
        self.line([camera, (self.middle, self.middle)], _SIGHT, 0.9 * w)
        a = math.radians(sight_deg)
        for share in (0.45, 0.75):  # chevrons that run from the camera to the tower
            x, y = self.at(sight_deg + 180.0, share * self.rim)
            for turn in (150.0, -150.0):
                b = a + math.radians(turn)
                self.line([(x, y), (x + 7 * w * math.sin(b), y - 7 * w * math.cos(b))], _SIGHT, 0.9 * w)
        x, y = camera
        half = 5.0 * w
        self.polygon([(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)], INK)

    def _reading(self, hand: Hand, w: float) -> None:
        if hand.reading_deg is None:
            return
        end = self.at(hand.reading_deg, 0.88 * self.rim)
        self.line([(self.middle, self.middle), end], _READING, 0.9 * w)
        self.circle(end, 4.2 * w, fill=WHITE, outline=_READING, width=1.6 * w)

    def _letters(self, draw: ImageDraw.ImageDraw, hands: Sequence[Hand]) -> None:
        for azimuth, names in self._labels(hands):
            self._label(draw, azimuth, names)

    def _labels(self, hands: Sequence[Hand]) -> list[tuple[float, list[str]]]:
        """Names round the rim, those of hands that lie close together, or would cover each other, as one."""
        groups: list[list[Hand]] = []
        for hand in sorted(hands, key=lambda h: h.azimuth_deg):
            if groups and abs(difference_deg(hand.azimuth_deg, groups[-1][-1].azimuth_deg)) < _TOGETHER_DEG:
                groups[-1].append(hand)
            else:
                groups.append([hand])
        if (
            len(groups) > 1
            and abs(difference_deg(groups[0][0].azimuth_deg, groups[-1][-1].azimuth_deg)) < _TOGETHER_DEG
        ):
            groups[0] = groups.pop() + groups[0]
        while pair := self._covering(groups):
            first, second = pair
            groups[first] += groups.pop(second)
        return [self._named(group) for group in groups]

    def _named(self, group: Sequence[Hand]) -> tuple[float, list[str]]:
        return _mean_deg([hand.azimuth_deg for hand in group]), sorted(hand.label for hand in group)

    def _covering(self, groups: Sequence[Sequence[Hand]]) -> tuple[int, int] | None:
        """Two groups whose names would cover each other; the one with the lower number first."""
        places = [self._place(*self._named(group)) for group in groups]
        for (i, (x, y, w, h)), (j, (u, v, a, b)) in itertools.combinations(enumerate(places), 2):
            if abs(x - u) < w + a and abs(y - v) < h + b:
                return i, j
        return None

    def _place(self, azimuth_deg: float, names: Sequence[str]) -> tuple[float, float, float, float]:
        """Middle, half width and half height of names under each other, just outside the design's mark."""
        half_width = 0.5 * max(text_width(name, self.letter) for name in names)
        half_height = 0.5 * 1.05 * self.letter * len(names)
        a = math.radians(azimuth_deg)
        reach = self.rim + 0.07 * self.size + half_width * abs(math.sin(a)) + half_height * abs(math.cos(a))
        x, y = self.at(azimuth_deg, reach)
        x = min(max(x, half_width + 4.0), self.size - half_width - 4.0)
        y = min(max(y, half_height), self.size - half_height)
        return x, y, half_width, half_height

    def _label(self, draw: ImageDraw.ImageDraw, azimuth_deg: float, names: Sequence[str]) -> None:
        x, y, _, half_height = self._place(azimuth_deg, names)
        for k, name in enumerate(names):
            line = (x, y + 1.05 * self.letter * (k + 0.5) - half_height)
            write(draw, line, name, self.letter, colour=_ESTIMATE, anchor="mm", bold=True, halo=True)
