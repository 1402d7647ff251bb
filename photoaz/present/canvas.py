"""What charts and plans are drawn on: a small canvas whose shapes bear names, and one that makes SVG of them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from photoaz.present.words import escaped

Point = tuple[float, float]


class Canvas(Protocol):
    """What shapes are drawn on. Each shape bears a name, which gives its style; units are the canvas's own, y down."""

    def line(self, name: str, *points: Point) -> None:
        """A line through points."""

    def polygon(self, name: str, *points: Point) -> None:
        """A closed shape."""

    def circle(self, name: str, centre: Point, radius: float) -> None:
        """A circle."""

    def rect(self, name: str, at: Point, wide: float, high: float) -> None:
        """An upright rectangle, `at` its upper left corner."""

    def sector(self, name: str, centre: Point, azimuth_deg: float, half_deg: float, inner: float, outer: float) -> None:
        """A sector, or a piece of a ring, azimuth +- half, between two radii."""

    def text(self, name: str, at: Point, words: str, anchor: str = "middle", whole: str = "") -> None:
        """A line of text on its baseline. anchor: 'start', 'middle' or 'end'. whole: what it is shortened from."""

    def text_width(self, words: str, letter: float) -> float:
        """About how long a line of text of this letter size is."""


class Svg:
    """A canvas that makes SVG: shapes' names are CSS classes, text and attributes are escaped."""

    def __init__(self, wide: float, high: float) -> None:
        self.size = wide, high
        self._parts: list[str] = []

    def element(
        self, tag: str, name: str = "", words: str | None = None, title: str = "", **attributes: float | str
    ) -> None:
        """Any element. name: its class; attributes: numbers to a tenth, underscores of their names as hyphens."""
        given = {"class": name, **attributes} if name else attributes
        told = "".join(f' {k.replace("_", "-")}="{escaped(_number(v))}"' for k, v in given.items())
        about = f"<title>{escaped(title)}</title>" if title else ""
        self._parts.append(f"<{tag}{told}/>" if words is None else f"<{tag}{told}>{about}{escaped(words)}</{tag}>")

    def line(self, name: str, *points: Point) -> None:
        if len(points) == 2:
            (x1, y1), (x2, y2) = points
            self.element("line", name, x1=x1, y1=y1, x2=x2, y2=y2)
        else:
            self.element("polyline", name, points=" ".join(map(_pair, points)))

    def polygon(self, name: str, *points: Point) -> None:
        self.element("polygon", name, points=" ".join(map(_pair, points)))

    def circle(self, name: str, centre: Point, radius: float) -> None:
        self.element("circle", name, cx=centre[0], cy=centre[1], r=radius)

    def rect(self, name: str, at: Point, wide: float, high: float) -> None:
        self.element("rect", name, x=at[0], y=at[1], width=wide, height=high)

    def path(self, name: str, d: str) -> None:
        """A path of SVG."""
        self.element("path", name, d=d)

    @contextmanager
    def link(self, address: str, title: str) -> Iterator[None]:
        """What is drawn within leads to an address."""
        self._parts.append(f'<a href="{escaped(address)}"><title>{escaped(title)}</title>')
        yield
        self._parts.append("</a>")

    def sector(self, name: str, centre: Point, azimuth_deg: float, half_deg: float, inner: float, outer: float) -> None:
        half = min(half_deg, 179.9)  # a full turn is left open by a hair: an arc needs two ends
        a, b, large = azimuth_deg - half, azimuth_deg + half, int(half > 90.0)
        (start, end), (back, close) = ([_pair(out(centre, azimuth, r)) for azimuth in (a, b)] for r in (outer, inner))
        way = f"L {close} A {inner:.1f} {inner:.1f} 0 {large} 0 {back}" if inner > 0.0 else f"L {_pair(centre)}"
        self.path(name, f"M {start} A {outer:.1f} {outer:.1f} 0 {large} 1 {end} {way} Z")

    def text(self, name: str, at: Point, words: str, anchor: str = "middle", whole: str = "") -> None:
        title = whole if whole != words else ""
        self.element("text", name, words, title=title, x=at[0], y=at[1], text_anchor=anchor)

    def text_width(self, words: str, letter: float) -> float:
        return 0.62 * letter * len(words)  # as sans-serif fonts have it in bold

    def document(self, title: str, said: str = "", *, ident: str = "", name: str = "", defs: str = "") -> str:
        """The SVG, with its text alternative: a title, and what it says where `ident` begins the ids of a page."""
        about = f'aria-label="{escaped(title)}"'
        head = ""
        if ident:
            about = f'aria-labelledby="{ident}-t {ident}-d"'
            head = f'<title id="{ident}-t">{escaped(title)}</title><desc id="{ident}-d">{escaped(said)}</desc>'
        wide, high = map(_number, self.size)
        kind = f' class="{name}"' if name else ""
        body = head + defs + "".join(self._parts)
        return f'<svg{kind} viewBox="0 0 {wide} {high}" role="img" {about}>{body}</svg>'


def _number(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.1f}".removesuffix(".0")


def _pair(p: Point) -> str:
    return f"{p[0]:.1f},{p[1]:.1f}"


def out(origin: Point, azimuth_deg: float, length: float, aside: float = 0.0) -> Point:
    """The point at a length along an azimuth, and so much to the right of it; y runs down."""
    a = math.radians(azimuth_deg)
    x, y = math.sin(a), math.cos(a)
    return origin[0] + length * x + aside * y, origin[1] - length * y + aside * x


def nice_length(most_m: float) -> float:
    """The longest of 1, 2, 5, 10, ... metres that is not longer than `most_m`."""
    if not most_m > 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(most_m))
    return max(step * power for step in (1, 2, 5) if step * power <= most_m * (1.0 + 1e-9))


def length_words(metres: float) -> str:
    """'200 m', '5 km'."""
    return f"{metres / 1000.0:g} km" if metres >= 1000.0 else f"{metres:g} m"
