"""Parts of a photo, enlarged, and the few shapes that are drawn on them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from photoaz.present.pens import WHITE, Pen, Point, stroke
from photoaz.result import EvidenceView

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Window:
    """A part of the photo, enlarged: left, top, right, bottom [px of the photo], and how much."""

    box: tuple[int, int, int, int]
    scale: float

    def size(self) -> tuple[int, int]:
        """Width and height of the enlargement."""
        left, top, right, bottom = self.box
        return max(1, round((right - left) * self.scale)), max(1, round((bottom - top) * self.scale))

    def at(self, point: Point) -> Point:
        """Where a pixel of the photo lies in the enlargement; pixel centres are at whole numbers in both."""
        return tuple((v - o + 0.5) * self.scale - 0.5 for v, o in zip(point, self.box[:2], strict=True))  # type: ignore[return-value]

    def stroke(self, view: Image.Image, points: Sequence[Point], pen: Pen, *, closed: bool = False) -> None:
        """Draw a polyline of the photo on the enlargement."""
        stroke(view, [self.at(p) for p in (*points, *points[: int(closed)])], pen)

    def cut(self, picture: Image.Image) -> Image.Image:
        """The enlargement."""
        if self.scale >= 1.0:
            return picture.resize(self.size(), Image.Resampling.BICUBIC, box=self.box)
        # averaged in whole blocks first where it is made much smaller: a fifth of the time
        return picture.resize(self.size(), Image.Resampling.LANCZOS, box=self.box, reducing_gap=2.0)


def bounds_of(points: Sequence[Point]) -> Bounds:
    """Left, top, right, bottom of some points."""
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return min(xs), min(ys), max(xs), max(ys)


def window_about(picture: Image.Image, bounds: Bounds, margins: Point, scale: float) -> Window:
    """The window that holds `bounds` and margins about it, as far as the photo goes."""
    left, top, right, bottom = bounds
    mx, my = margins
    box = (
        min(max(0, math.floor(left - mx)), picture.width - 1),
        min(max(0, math.floor(top - my)), picture.height - 1),
        max(1, min(picture.width, math.ceil(right + mx) + 1)),
        max(1, min(picture.height, math.ceil(bottom + my) + 1)),
    )
    return Window((box[0], box[1], max(box[0] + 1, box[2]), max(box[1] + 1, box[3])), scale)


def as_picture(image_bgr: NDArray[np.uint8]) -> Image.Image:
    """A decoded photo, (height, width, 3) uint8, blue, green, red, for Pillow: with one copy of the pixels."""
    import cv2

    rgb = cv2.cvtColor(np.ascontiguousarray(image_bgr), cv2.COLOR_BGR2RGB)
    return Image.frombuffer("RGB", (rgb.shape[1], rgb.shape[0]), rgb, "raw", "RGB", 0, 1)


def plain_and_fitted(
    picture: Image.Image, view: EvidenceView, margins: Point, scale: float, outline: Pen, inner: Pen
) -> Image.Image:
    """An antenna twice, side by side: as it is, and with its fitted outline and the edges in it.

    margins [px of the photo] : beside it, above and below. outline, inner : what the lines are drawn with.
    """
    window = window_about(picture, bounds_of(view.outline_px), margins, scale)
    plain = window.cut(picture)
    fitted = plain.copy()
    window.stroke(fitted, view.outline_px, outline, closed=True)
    for edge in view.inner_px:
        window.stroke(fitted, edge, inner)
    pair = Image.new("RGB", (2 * plain.width + 8, plain.height), WHITE)
    pair.paste(plain, (0, 0))
    pair.paste(fitted, (plain.width + 8, 0))
    return pair


def hull(points: Sequence[Point]) -> list[Point]:
    """The convex outline of some points, as a polygon; the points as they are where they lie on one line."""
    import shapely

    shape = shapely.MultiPoint(points).convex_hull
    return (
        [(x, y) for x, y in shape.exterior.coords[:-1]] if isinstance(shape, shapely.Polygon) else sorted(set(points))
    )


def ellipse(middle: Point, half_width: float, half_height: float) -> list[Point]:
    """A closed polygon along an ellipse."""
    steps = [2.0 * math.pi * k / 96 for k in range(97)]
    return [(middle[0] + half_width * math.cos(a), middle[1] + half_height * math.sin(a)) for a in steps]


def rectangle(bounds: Bounds) -> list[Point]:
    """A closed polygon along left, top, right, bottom."""
    left, top, right, bottom = bounds
    return [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
