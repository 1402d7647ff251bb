"""Charts of sheets and pages, as inline SVG: intervals on a line, a budget's bars, the light of a year.

Each has its figures as text alternative. The classes are styled by the sheet.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from photoaz.angles import difference_deg, format_difference_deg, format_u95_deg
from photoaz.present.canvas import Canvas, Svg
from photoaz.present.drawing import Direction
from photoaz.present.words import shortened
from photoaz.result import BudgetShare
from photoaz.wording import share as percent_of

if TYPE_CHECKING:
    from photoaz.planning.light import CivilTime, Light, Span

_MOST_SOURCES = 6
_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 90.0)
_MONTHS = "JFMAMJJASOND"


@dataclass(frozen=True, slots=True)
class Axis:
    """Values, such as angles [deg], from low to high between two places across a canvas, or down it."""

    low: float
    high: float
    left: float
    right: float

    @classmethod
    def over(cls, points: Sequence[float], left: float, right: float) -> Axis:
        """Over all the points, with a margin."""
        margin = max(0.05 * (max(points) - min(points)), 0.3)
        return cls(min(points) - margin, max(points) + margin, left, right)

    def x(self, angle_deg: float) -> float:
        """Where an angle lies; one beyond the ends at the end."""
        share = (min(max(angle_deg, self.low), self.high) - self.low) / (self.high - self.low)
        return self.left + (self.right - self.left) * share

    def draw(self, canvas: Canvas, top: float, bottom: float, letter: float) -> None:
        """Lines at round angles with their figures below, at the finest steps that leave room for them."""
        room = (self.right - self.left) / (self.high - self.low)
        step = next((s for s in _STEPS if room * s > 2.6 * letter), _STEPS[-1])
        for k in range(math.ceil(self.low / step), math.floor(self.high / step) + 1):
            x = self.x(k * step)
            canvas.line("grid" if k else "zero", (x, top), (x, bottom + 0.25 * letter))
            canvas.text("mark", (x, bottom + letter), f"{k * step:+g}°" if k else "0°")

    def interval(
        self, canvas: Canvas, line: str, cap: str, y: float, middle: float, half: float, cap_half: float
    ) -> None:
        """An interval as a line with caps at its ends, which bear these names."""
        ends = self.x(middle - half), self.x(middle + half)
        canvas.line(line, *((x, y) for x in ends))
        for x in ends:
            canvas.line(cap, (x, y - cap_half), (x, y + cap_half))


def strip_svg(directions: Sequence[Direction]) -> str:
    """Photos, reading, other azimuths as intervals on a line, in degrees off the design (without one, the photos)."""
    zero = next((d for d in directions if d.kind == "design"), None) or next(iter(directions), None)
    if zero is None:
        return "<p>Nothing to draw.</p>"
    rows = [d for d in directions if d is not zero or d.kind != "design"]
    off = [(d, float(difference_deg(d.azimuth_deg, zero.azimuth_deg))) for d in rows]
    tolerance = (zero.half_deg or 0.0) if zero.kind == "design" else 0.0
    points = [-tolerance, tolerance, 0.0, *(x + s * min(d.half_deg or 0.0, 180.0) for d, x in off for s in (-1.0, 1.0))]
    top, step = 6.0, 19.0
    bottom = top + step * max(len(off), 1)
    axis = Axis.over([min(max(p, -200.0), 200.0) for p in points], 106.0, 340.0)
    svg = Svg(360.0, bottom + 28.0)
    if tolerance:
        svg.rect("tolerance", (axis.x(-tolerance), top), axis.x(tolerance) - axis.x(-tolerance), bottom - top)
    axis.draw(svg, top, bottom, 12.0)
    for k, (d, value) in enumerate(off):
        y = top + step * (k + 0.5)
        svg.text("name", (axis.left - 6.0, y + 3.5), d.label, "end")
        axis.interval(svg, f"{d.kind} key", "cap", y, value, min(d.half_deg or 0.0, 180.0), 4.0)
        svg.circle("reading end" if d.kind == "reading" else "dot", (axis.x(value), y), 3.6)
    what = "degrees off the design" if zero.kind == "design" else "degrees off the photos"
    shaded = f"; shaded: tolerance ± {tolerance:g}°" if tolerance else ""
    svg.text("mark", (0.5 * svg.size[0], bottom + 23.0), what + shaded)
    said = "; ".join(f"{d.label} {format_difference_deg(v, d.half_deg or 0.0)}" for d, v in off)
    return svg.document(f"{what}: {said}; tolerance ± {tolerance:g}°")


def budget_svg(budget: Sequence[BudgetShare]) -> str:
    """Bars of each source's share of the azimuth's variance, with what it alone would give (U95)."""
    shares = sorted(budget, key=lambda s: -s.share)
    if not shares:
        return "<p>No azimuth, no budget.</p>"
    shown = [(s.source, s.share, s.u95_deg) for s in shares]
    if len(shown) > _MOST_SOURCES:
        rest = shown[_MOST_SOURCES - 1 :]
        whole = f"{len(rest)} others", sum(share for _, share, _ in rest), math.hypot(*(u95 for *_, u95 in rest))
        shown = [*shown[: _MOST_SOURCES - 1], whole]
    left, room, step = 175.0, 130.0, 15.0
    svg = Svg(400.0, 6.0 + step * len(shown))
    said = []
    for k, (source, share, u95) in enumerate(shown):
        y, wide = 3.0 + step * k, max(room * share, 0.8)
        told = f"{percent_of(share)}, ± {format_u95_deg(u95)}"
        svg.text("figure", (left - 5.0, y + 9.0), shortened(source, 26), "end", source)
        svg.rect("bar", (left, y + 1.0), wide, 10.0)
        svg.text("figure", (left + wide + 4.0, y + 9.0), told, "start")
        said.append(f"{source} {told}")
    return svg.document(f"Shares of the variance: {'; '.join(said)}")


def year_svg(year: Sequence[Light], civil: CivilTime, number: int) -> str:
    """A standpoint's light, a row for each month, hours of civil time along it."""
    left, top, wide, high = 12.0, 10.0, 192.0, 7.0
    svg = Svg(210.0, top + high * 12.0 + 2.0)
    for hour in (0, 6, 12, 18, 24):
        svg.text("mark", (left + wide * hour / 24.0, 7.0), str(hour))

    def extents(spans: Iterable[Span], day: date) -> Iterator[tuple[float, float]]:
        """Where spans lie; what runs over midnight goes on at the other end."""
        for span in spans:
            start, end = (civil.hour_of(t, day) for t in span)
            turn = 24.0 * math.floor(start / 24.0)
            for a, b in ((start - turn, min(end - turn, 24.0)), (0.0, end - turn - 24.0)):
                if b > a:
                    yield left + wide * a / 24.0, max(wide * (b - a) / 24.0, 1.0)

    for k, light in enumerate(year):
        y = top + high * k
        svg.text("mark", (2.0, y + 6.0), _MONTHS[light.date.month - 1], "start")
        for name, windows, inset in (
            ("day", light.sun_up, 2.4),
            ("behind", light.sun_behind, 0.8),
            ("control", light.sun_as_control, 0.2),
        ):
            for x, length in extents(windows, light.date):
                svg.rect(name, (x, y + inset), length, high - 1.0 - 2.0 * inset)
        for x, length in extents(light.sun_in_frame, light.date):
            for a in range(0, max(int(length), 1), 4):  # crosses, of which the last may be narrower
                b = min(x + a + 4.0, x + length)
                svg.line("glare", (x + a, y), (b, y + high - 1.0))
                svg.line("glare", (x + a, y + high - 1.0), (b, y))
    return svg.document(f"Light at standpoint {number} by month and hour, {civil.name}")
