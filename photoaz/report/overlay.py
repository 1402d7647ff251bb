"""What was fitted, drawn on the photo: large enough to judge the edges by."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from photoaz import __version__
from photoaz.angles import azimuth_deg, format_azimuth_deg, format_difference_deg
from photoaz.judgement.judge import AntennaJudgement
from photoaz.report.dial import Hand, draw_dial
from photoaz.report.pens import (
    BLUE,
    GREEN,
    INK,
    PALE,
    SKY_BLUE,
    VERMILION,
    WHITE,
    YELLOW,
    Pen,
    Point,
    fitted_lines,
    stroke,
    text_width,
    write,
)
from photoaz.solution import AntennaSolution, EvidenceView, PhotoSolution

PAGE_WIDTH_PX = 2400
_MARGIN = 44
_GAP = 36
_COLUMN = 620  # the left one: where the antennas are, the dial, the key
_TITLE, _CAPTION, _SMALL = 46, 38, 30
_LEADING = 1.3
#: Height of an antenna as drawn, by how many share the page; and how far an enlargement goes: beyond, pixels only grow
_TALL = ((1, 980), (4, 640), (1_000, 560))
_MAX_ENLARGEMENT = 14.0
_MAX_TILE_WIDTH = 700

_OUTLINE = Pen(core=YELLOW, width=3.0, casing=1.4, dash=(22.0, 14.0))
_INNER = Pen(core=SKY_BLUE, width=3.0, casing=1.4, dash=(7.0, 11.0))
_DECISIONS = {"accept": "within tolerance", "reject": "OUT of tolerance", "undecided": "undecided"}
_VIEWS = {"face": "face-on", "oblique": "oblique", "profile": "profile", "rear": "from behind"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """An antenna as one photo shows it, with what was concluded about it."""

    solution: AntennaSolution
    view: EvidenceView
    judgement: AntennaJudgement | None = None


def draw_overlay(
    image_bgr: NDArray[np.uint8], photo: PhotoSolution, shown: Sequence[Shown], *, site_id: str = ""
) -> bytes:
    """A page about one photo, as PNG.

    On the left where the antennas are in the photo, and a dial with true north, the line of sight, and where each face,
    its reading and its design point. On the right every antenna twice, side by side: as it is, and with the fitted
    outline (long dashes) and the edges within it (short dashes).

    Parameters
    ----------
    image_bgr : (height, width, 3) uint8, blue, green, red, as shown. photo : its part in the solution. shown : the
    antennas seen in it. site_id : stands in the title; a beginning of the antennas' ids that repeats it is left out
    where there is little room.

    Returns
    -------
    bytes : PNG, at most PAGE_WIDTH_PX wide.
    """
    picture = Image.fromarray(np.ascontiguousarray(image_bgr[..., ::-1]))
    items = [item for item in shown if len(item.view.outline_px) >= 3]
    tiles = [_tile(picture, item, len(items)) for item in items]
    left = _left_column(picture, photo, items, site_id)
    room = PAGE_WIDTH_PX - 3 * _MARGIN - _COLUMN
    right = _flow(tiles, room)
    width = PAGE_WIDTH_PX if right is None else 3 * _MARGIN + _COLUMN + right.width
    title, subtitle = _titles(photo, site_id)
    title_lines = fitted_lines(title, _TITLE, width - 2 * _MARGIN)
    sub_lines = [line for text in subtitle for line in fitted_lines(text, _SMALL, width - 2 * _MARGIN)]
    head = round(_LEADING * (_TITLE * len(title_lines) + _SMALL * len(sub_lines))) + _GAP
    body = max(left.height, right.height if right else 0)
    page = Image.new("RGB", (width, 2 * _MARGIN + head + body), WHITE)
    draw = ImageDraw.Draw(page)
    y = float(_MARGIN)
    for text, size in [(line, _TITLE) for line in title_lines] + [(line, _SMALL) for line in sub_lines]:
        write(draw, (_MARGIN, y), text, size, bold=size == _TITLE)
        y += _LEADING * size
    page.paste(left, (_MARGIN, _MARGIN + head))
    if right is not None:
        page.paste(right, (2 * _MARGIN + _COLUMN, _MARGIN + head))
    out = io.BytesIO()
    page.save(out, "PNG", pnginfo=_software())
    return out.getvalue()


def _software() -> Any:
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_text("Software", f"photoaz {__version__}")
    return info


def _titles(photo: PhotoSolution, site_id: str) -> tuple[str, list[str]]:
    name = Path(photo.photo).name
    lines = []
    if photo.heading_true_deg is not None:
        text = f"camera heading {format_azimuth_deg(photo.heading_true_deg, photo.heading_u95_deg)} from true north"
        for word, angle in (("pitch", photo.pitch_deg), ("roll", photo.roll_deg)):
            text += "" if angle is None else f", {word} {format_difference_deg(angle)}"
        lines.append(text)
    if photo.flags:
        lines.append("! " + "; ".join(photo.flags))
    return (f"{site_id}: {name}" if site_id else name), lines


def _short(antenna_id: str, site_id: str) -> str:
    rest = antenna_id.removeprefix(site_id).lstrip("-_./ ") if site_id else antenna_id
    return rest or antenna_id


# ---------------------------------------------------------------------------------------------------------------------
# One antenna: plain and fitted, side by side


@dataclass(frozen=True, slots=True)
class _Window:
    """A part of the photo, enlarged: left, top, right, bottom [px of the photo], and how much."""

    box: tuple[int, int, int, int]
    scale: float

    def size(self) -> tuple[int, int]:
        left, top, right, bottom = self.box
        return max(1, round((right - left) * self.scale)), max(1, round((bottom - top) * self.scale))

    def at(self, point: Point) -> Point:
        """Where a pixel of the photo lies in the enlargement; pixel centres are at whole numbers in both."""
        return tuple((v - o + 0.5) * self.scale - 0.5 for v, o in zip(point, self.box[:2], strict=True))  # type: ignore[return-value]

    def cut(self, picture: Image.Image) -> Image.Image:
        how = Image.Resampling.LANCZOS if self.scale < 1.0 else Image.Resampling.BICUBIC
        return picture.resize(self.size(), how, box=self.box)


def _bounds(points: Sequence[Point]) -> tuple[float, float, float, float]:
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return min(xs), min(ys), max(xs), max(ys)


def _window(picture: Image.Image, bounds: tuple[float, float, float, float], margins: Point, scale: float) -> _Window:
    left, top, right, bottom = bounds
    mx, my = margins
    box = (
        min(max(0, math.floor(left - mx)), picture.width - 1),
        min(max(0, math.floor(top - my)), picture.height - 1),
        max(1, min(picture.width, math.ceil(right + mx) + 1)),
        max(1, min(picture.height, math.ceil(bottom + my) + 1)),
    )
    return _Window((box[0], box[1], max(box[0] + 1, box[2]), max(box[1] + 1, box[3])), scale)


def _tile(picture: Image.Image, item: Shown, how_many: int) -> Image.Image:
    bounds = _bounds(item.view.outline_px)
    width, height = max(bounds[2] - bounds[0], 1.0), max(bounds[3] - bounds[1], 1.0)
    tall = next(tall for most, tall in _TALL if how_many <= most)
    margins = (max(0.18 * width, 0.05 * height, 5.0), max(0.08 * height, 0.2 * width, 5.0))
    scale = min(tall / height, _MAX_ENLARGEMENT, _MAX_TILE_WIDTH / (width + 2.0 * margins[0]))
    window = _window(picture, bounds, margins, scale)
    plain = window.cut(picture)
    fitted = plain.copy()
    outline = [window.at(point) for point in item.view.outline_px]
    stroke(fitted, [*outline, outline[0]], _OUTLINE)
    for a, b in item.view.inner_px:
        stroke(fitted, [window.at(a), window.at(b)], _INNER)
    lines = _caption(item)
    pair_width = 2 * plain.width + 8
    words = max(text_width(text, size) for text, size, *_ in lines)
    tile = Image.new("RGB", (max(pair_width, math.ceil(words)), plain.height + 14 + _caption_height(lines)), WHITE)
    tile.paste(plain, (0, 0))
    tile.paste(fitted, (plain.width + 8, 0))
    draw = ImageDraw.Draw(tile)
    y = plain.height + 14.0
    for text, size, colour in lines:
        write(draw, (0, y), text, size, colour=colour, bold=size == _CAPTION)
        y += _LEADING * size
    return tile


_Line = tuple[str, int, tuple[int, int, int]]


def _caption_height(lines: Sequence[_Line]) -> int:
    return math.ceil(sum(_LEADING * size for _, size, _ in lines))


def _caption(item: Shown) -> list[_Line]:
    solution, view = item.solution, item.view
    azimuth = (
        "no azimuth"
        if solution.azimuth_true_deg is None
        else format_azimuth_deg(solution.azimuth_true_deg, solution.u95_deg)
    )
    lines: list[_Line] = [(solution.antenna_id, _CAPTION, INK), (azimuth, _CAPTION, BLUE)]
    for other in solution.alternatives:
        text = f"or {format_azimuth_deg(other.azimuth_true_deg, other.u95_deg)} ({100 * other.probability:.0f} %)"
        lines.append((text, _SMALL, BLUE))
    lines.append((f"{_VIEWS[view.view]}, {view.width_px:.0f} px wide", _SMALL, PALE))
    lines.append((f"{100.0 * view.quality:.0f} % of its edge found", _SMALL, PALE))
    judgement = item.judgement
    if judgement is not None and judgement.reading is not None:
        reading = judgement.reading
        lines.append((f"reading {format_azimuth_deg(reading.azimuth_true_deg, reading.u95_deg)}", _SMALL, VERMILION))
        if reading.agrees is not None:
            lines.append(("agrees" if reading.agrees else "DISAGREES", _SMALL, VERMILION))
    if judgement is not None and judgement.design.azimuth_true_deg is not None:
        design = judgement.design
        text = f"design {format_azimuth_deg(judgement.design.azimuth_true_deg)} ± {design.tolerance_deg:g}°"
        lines.append((text, _SMALL, GREEN))
        lines.append((_DECISIONS[design.decision], _SMALL, GREEN))
    return lines


def _flow(tiles: Sequence[Image.Image], room: int) -> Image.Image | None:
    """Tiles in rows from the left; a tile wider than the room is made smaller."""
    if not tiles:
        return None
    rows: list[list[Image.Image]] = [[]]
    for given in tiles:
        tile = given
        if tile.width > room:
            tile = tile.resize((room, round(tile.height * room / tile.width)), Image.Resampling.LANCZOS)
        used = sum(t.width + _GAP for t in rows[-1])
        if rows[-1] and used + tile.width > room:
            rows.append([])
        rows[-1].append(tile)
    width = max(sum(t.width for t in row) + _GAP * (len(row) - 1) for row in rows)
    height = sum(max(t.height for t in row) for row in rows) + _GAP * (len(rows) - 1)
    page = Image.new("RGB", (width, height), WHITE)
    y = 0
    for row in rows:
        x = 0
        for tile in row:
            page.paste(tile, (x, y))
            x += tile.width + _GAP
        y += max(t.height for t in row) + _GAP
    return page


# ---------------------------------------------------------------------------------------------------------------------
# The left column: where, whither, and what the lines mean


def _left_column(picture: Image.Image, photo: PhotoSolution, items: Sequence[Shown], site_id: str) -> Image.Image:
    parts = [_overview(picture, items, site_id)]
    hands = [hand for item in items if (hand := _hand(item, site_id)) is not None]
    if hands:
        parts.append(draw_dial(hands, _COLUMN, _CAPTION))
    parts.append(_key(bool(hands), any(hand.alternatives_deg for hand in hands)))
    column = Image.new("RGB", (_COLUMN, sum(p.height for p in parts) + _GAP * (len(parts) - 1)), WHITE)
    y = 0
    for part in parts:
        column.paste(part, (0, y))
        y += part.height + _GAP
    return column


def _hand(item: Shown, site_id: str) -> Hand | None:
    solution, judgement = item.solution, item.judgement
    if solution.azimuth_true_deg is None or solution.u95_deg is None:
        return None
    reading = judgement.reading if judgement else None
    return Hand(
        label=_short(solution.antenna_id, site_id),
        azimuth_deg=solution.azimuth_true_deg,
        u95_deg=solution.u95_deg,
        # a face seen face-on (yaw 0) looks back along the line of sight
        sight_deg=azimuth_deg(solution.azimuth_true_deg - item.view.yaw_deg - 180.0),
        alternatives_deg=tuple(other.azimuth_true_deg for other in solution.alternatives),
        reading_deg=reading.azimuth_true_deg if reading else None,
        design_deg=judgement.design.azimuth_true_deg if judgement else None,
        tolerance_deg=judgement.design.tolerance_deg if judgement else 0.0,
    )


def _overview(picture: Image.Image, items: Sequence[Shown], site_id: str) -> Image.Image:
    """The tower head with the outlines and the antennas' names; the whole photo where nothing was fitted."""
    points = [point for item in items for point in item.view.outline_px]
    bounds = _bounds(points) if points else (0.0, 0.0, picture.width - 1.0, picture.height - 1.0)
    span = max(bounds[2] - bounds[0], bounds[3] - bounds[1])
    margin = 0.18 * span if points else 0.0
    scale = min(_COLUMN / (bounds[2] - bounds[0] + 2 * margin + 1), 600 / (bounds[3] - bounds[1] + 2 * margin + 1), 6.0)
    margin_x = max(margin, (_COLUMN / scale - (bounds[2] - bounds[0])) / 2.0)  # as wide as the column
    window = _window(picture, bounds, (margin_x, margin), scale)
    view = window.cut(picture)
    if view.width > _COLUMN:
        view = view.crop((0, 0, _COLUMN, view.height))
    for item in items:
        outline = [window.at(point) for point in item.view.outline_px]
        stroke(view, [*outline, outline[0]], Pen(core=YELLOW, width=1.8, casing=1.2))
    draw = ImageDraw.Draw(view)
    taken: list[tuple[float, float, float, float]] = []
    for item in sorted(items, key=lambda i: _bounds(i.view.outline_px)[0]):
        left, top, right, bottom = _bounds([window.at(point) for point in item.view.outline_px])
        text = _short(item.solution.antenna_id, site_id)
        width = text_width(text, _SMALL)
        x = min(max((left + right) / 2.0, width / 2.0 + 6), view.width - width / 2.0 - 6)
        y = _free(x, bottom + 0.7 * _SMALL, top - 0.7 * _SMALL, width, view.height, taken)
        taken.append((x - width / 2.0, y - _SMALL / 2.0, x + width / 2.0, y + _SMALL / 2.0))
        write(draw, (x, y), text, _SMALL, anchor="mm", halo=True)
    return view


def _free(
    x: float,
    below: float,
    above: float,
    width: float,
    height: float,
    taken: Sequence[tuple[float, float, float, float]],
) -> float:
    """A place for a name under its box, else over it, else further down: one that no other name has."""

    def clear(y: float) -> bool:
        inside = _SMALL / 2.0 <= y <= height - _SMALL / 2.0
        return inside and not any(
            x - width / 2.0 < r + 4 and l - 4 < x + width / 2.0 and y - _SMALL / 2.0 < b and t < y + _SMALL / 2.0
            for l, t, r, b in taken  # noqa: E741
        )

    steps = [below, above, *(below + k * _SMALL for k in range(1, 8)), *(above - k * _SMALL for k in range(1, 8))]
    return next((y for y in steps if clear(y)), min(max(below, _SMALL), height - _SMALL))


def _key(with_dial: bool, with_alternatives: bool) -> Image.Image:
    rows: list[tuple[Callable[[Image.Image, float], None], str]] = [
        (lambda p, y: stroke(p, [(0, y), (88, y)], _OUTLINE), "fitted outline"),
        (lambda p, y: stroke(p, [(0, y), (88, y)], _INNER), "fitted edges within it"),
    ]
    if with_dial:
        rows += [
            (_key_estimate, "the face looks here, ± U95 (95 %)"),
            *([(_key_alternative, "the photos allow this as well")] if with_alternatives else []),
            (_key_reading, "instrument reading, as true north"),
            (_key_design, "design and its tolerance"),
            (_key_sight, "camera and line of sight"),
        ]
    step = round(1.55 * _SMALL)
    key = Image.new("RGB", (_COLUMN, step * len(rows)), WHITE)
    draw = ImageDraw.Draw(key)
    for number, (mark, text) in enumerate(rows):
        y = step * (number + 0.5)
        mark(key, y)
        write(draw, (112, y), text, _SMALL, anchor="lm")
    return key


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
    draw.rectangle([8, y - 2, 80, y + 8], fill=GREEN)
    draw.polygon([(34, y - 15), (54, y - 15), (44, y + 6)], fill=GREEN)


def _key_sight(picture: Image.Image, y: float) -> None:
    draw = ImageDraw.Draw(picture)
    draw.rectangle([0, y - 12, 24, y + 12], fill=INK)
    draw.line([(24, y), (88, y)], fill=INK, width=3)
    for x in (52, 76):
        draw.line([(x - 14, y - 10), (x, y), (x - 14, y + 10)], fill=INK, width=3)
