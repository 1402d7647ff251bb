"""What was found and fitted, drawn on the photo: large enough to judge the edges by, and why each bears its name."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from PIL import Image, ImageDraw

from photoaz import __version__
from photoaz.angles import format_azimuth_deg, format_difference_deg, format_u95_deg
from photoaz.judgement.standing import design_standing
from photoaz.present import pens
from photoaz.present.dial import draw_departures, draw_dial
from photoaz.present.drawing import Pointing, mean_azimuth_deg
from photoaz.present.figures import decision_text, design_text, directions, p_out_text, reading_text, verdict
from photoaz.present.key import INNER, OUTLINE, draw_key
from photoaz.present.names import NameRow, draw_block, names_and_why, not_seen, panel_names, unsure
from photoaz.present.overview import Expected, Marks, draw_laid_over, draw_overview, draw_whole, is_laid_over
from photoaz.present.window import bounds_of, plain_and_fitted
from photoaz.present.words import VIEWS, short_label
from photoaz.result import AntennaResult, EvidenceView, MissingView, NextEvidence, PhotoResult, SiteResult
from photoaz.wording import percent, share

Encoding = Literal["png", "jpeg"]

PAGE_WIDTH_PX = 2400
_MARGIN = 44
_GAP = 36
_COLUMN = 620  # the left one: where the antennas are, the dial, the key
_OVERVIEW_TALL = 720
_OVERVIEW_ALONE = 1300  # where there is nothing to enlarge
_WHOLE_TALL = 330
_AROUND_TALL = 700
_WORDS = 1400  # what is said of the names is at least as wide
_TITLE, _CAPTION, _SMALL = 46, 38, 30
#: Height of an antenna as drawn, by how many share the page; and how far an enlargement goes: beyond, pixels only grow
_TALL = ((1, 980), (4, 640), (8, 560), (1_000, 430))
_MAX_ENLARGEMENT = 14.0
_MAX_TILE_WIDTH = 700
#: an outline less probably right than this stands out
DOUBTFUL_OUTLINE = 0.5


#: an antenna's id, and why a photo does not show it
Unseen = tuple[str, MissingView]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """An antenna as one photo shows it, with what was concluded about it."""

    antenna: AntennaResult
    view: EvidenceView


def is_drawn(result: SiteResult, photo: PhotoResult) -> bool:
    """Whether there is something to draw on a photo: an antenna seen in it, or a part of it that was looked at."""
    return photo.window_px is not None or bool(_shown(result, photo))


def _shown(result: SiteResult, photo: PhotoResult) -> list[Shown]:
    if photo.status != "used":
        return []
    return [Shown(antenna=a, view=v) for a in result.antennas for v in a.evidence if v.photo == photo.photo]


def draw_overlay(picture: Image.Image, result: SiteResult, photo: PhotoResult, encoding: Encoding = "png") -> bytes:
    """A page about one photo.

    On the left where everything is that was found and that was looked for in vain, which part of the photo was
    searched, a dial with true north, the line of sight, and where each face, its reading and its design point, and the
    site's readings against its estimates. On the right every antenna twice, side by side: as it is, and with the fitted
    outline (long dashes) and the edges in it (short dashes); the map's skyline, where a map was given; below, what
    limits the site and each antenna and what to bring, what could be wrong unnoticed, what each panel was taken for and
    why, and why other antennas were not seen.
    Where nothing was fitted, as in a photo that could not be used, the searched part takes the place of the antennas.

    picture : the photo as shown. result : the site's, `photo` one of its photos. encoding : 'png' to the last pixel;
    'jpeg' is a fifth of that and written ten times faster, for archives.

    Returns the picture's file, at most PAGE_WIDTH_PX wide.
    """
    site_id, common = result.site_id, result.common_mode
    shown = _shown(result, photo)
    unseen = [(a.antenna_id, v) for a in result.antennas for v in a.missing if v.photo == photo.photo]
    items = [item for item in shown if len(item.view.outline_px) >= 3]
    marks = _marks(photo, items, unseen, site_id)
    hands = [hand for item in items if (hand := _hand(item, site_id)) is not None]
    # a face seen face-on (yaw 0) looks back along the line of sight
    bearings = [
        item.antenna.azimuth_true_deg - item.view.yaw_deg for item in items if item.antenna.azimuth_true_deg is not None
    ]
    blocks = _blocks(photo, shown, unseen)
    outlook = [*_outlook(items, site_id, result.next_evidence), *_weak(result.weak_points)]
    room = PAGE_WIDTH_PX - 3 * _MARGIN - _COLUMN
    left: list[Image.Image] = []
    right: list[Image.Image] = []
    if items or not blocks:
        left.append(draw_overview(picture, marks, _COLUMN, _OVERVIEW_TALL, _SMALL))
        tiles = _flow([_tile(picture, item, len(items)) for item in items], room)
        right += [] if tiles is None else [tiles]
        if hands:
            left.append(draw_dial(hands, mean_azimuth_deg(bearings), _COLUMN, _CAPTION))
        if items and common is not None:
            left.append(draw_departures(common, site_id, _COLUMN, _SMALL))
        words = max(tiles.width if tiles else 0, min(_WORDS, room))
        right += [draw_block(*block, words, _SMALL) for block in (*outlook, *blocks)]
    else:
        right.append(draw_overview(picture, marks, room, _OVERVIEW_ALONE, _CAPTION, whole=True))
        left += [draw_block(*block, _COLUMN, _SMALL) for block in blocks]
    if (around := photo.surroundings) is not None and is_laid_over(around):
        right.insert(1 if items else 0, draw_laid_over(picture, around, room, _AROUND_TALL, _SMALL))
    if marks.searched is not None:
        left.insert(1 if items else 0, draw_whole(picture, marks.searched, _COLUMN, _WHOLE_TALL))
    others = any(d.kind == "other" for hand in hands for d in hand.directions)
    key = draw_key(marks, bool(items), bool(hands), others, photo.surroundings, _COLUMN)
    left += [] if key is None else [key]
    return _encoded(_page(photo, site_id, _joined(left), _joined(right)), encoding)


def _joined(parts: Sequence[Image.Image], *, across: bool = False) -> Image.Image | None:
    """Pictures under each other, or beside each other; None of none."""
    if not parts:
        return None
    gaps = _GAP * (len(parts) - 1)
    wide, high = [part.width for part in parts], [part.height for part in parts]
    size = (sum(wide) + gaps, max(high)) if across else (max(wide), sum(high) + gaps)
    whole, at = Image.new("RGB", size, pens.WHITE), 0
    for part in parts:
        whole.paste(part, (at, 0) if across else (0, at))
        at += (part.width if across else part.height) + _GAP
    return whole


def _page(photo: PhotoResult, site_id: str, left: Image.Image | None, right: Image.Image | None) -> Image.Image:
    """The columns under the titles."""
    width = PAGE_WIDTH_PX if right is None else 3 * _MARGIN + _COLUMN + right.width
    lines = [
        (line, size, colour, bold)
        for text, size, colour, bold in _titles(photo, site_id)
        for line in pens.fitted_lines(text, size, width - 2 * _MARGIN)
    ]
    head = round(sum(pens.LEADING * size for _, size, *_ in lines)) + _GAP
    body = max(left.height if left else 0, right.height if right else 0)
    page = Image.new("RGB", (width, 2 * _MARGIN + head + body), pens.WHITE)
    pens.write_lines(ImageDraw.Draw(page), (_MARGIN, _MARGIN), lines)
    if left is not None:
        page.paste(left, (_MARGIN, _MARGIN + head))
    if right is not None:
        page.paste(right, (2 * _MARGIN + _COLUMN, _MARGIN + head))
    return page


def _encoded(page: Image.Image, encoding: Encoding) -> bytes:
    from PIL.PngImagePlugin import PngInfo

    out, by = io.BytesIO(), f"photoaz {__version__}"
    if encoding == "png":
        info = PngInfo()
        info.add_text("Software", by)
        page.save(out, "PNG", pnginfo=info)
    else:
        page.save(out, "JPEG", quality=82, comment=by)
    return out.getvalue()


def _titles(photo: PhotoResult, site_id: str) -> list[tuple[str, int, pens.Colour, bool]]:
    """Lines above the columns: text, size, colour, bold or not."""
    name = Path(photo.photo).name
    lines = [(f"{site_id}: {name}" if site_id else name, _TITLE, pens.INK, True)]
    if photo.status == "rejected":
        reason = (photo.reason or "no reason given").removeprefix(f"{photo.photo}: ")
        lines.append((f"Not used: {'; '.join(reason.splitlines())}", _CAPTION, pens.VERMILION, True))
    if photo.heading_true_deg is not None:
        text = f"camera heading {format_azimuth_deg(photo.heading_true_deg, photo.heading_u95_deg)} from true north"
        for word, angle in (("pitch", photo.pitch_deg), ("roll", photo.roll_deg)):
            text += "" if angle is None else f", {word} {format_difference_deg(angle)}"
        lines.append((text, _SMALL, pens.INK, False))
    if photo.flags:
        lines.append(("! " + "; ".join(photo.flags), _SMALL, pens.INK, False))
    return lines


def _blocks(
    photo: PhotoResult, shown: Sequence[Shown], unseen: Sequence[Unseen]
) -> list[tuple[str, str, list[NameRow]]]:
    """What is said of the names, and of the antennas not seen: title, note, rows; only what there is something of."""
    measured = [(item.antenna.antenna_id, item.view) for item in shown]
    seen = {name for name, _ in measured} | {panel.antenna_id for panel in photo.panels if panel.antenna_id is not None}
    names = names_and_why(measured, photo.panels, used=photo.status == "used")
    missing = not_seen(unseen, seen)
    any_figure = any(row.tag for row in names)
    blocks = [
        ("Names and why", "with the name's probability" if any_figure else "", names),
        ("Not seen here", "", missing),
    ]
    return [block for block in blocks if block[2]]


def _outlook(
    items: Sequence[Shown], site_id: str, next_evidence: NextEvidence | None
) -> list[tuple[str, str, list[NameRow]]]:
    """What limits the site and each antenna shown, and what to bring next: title, note, rows."""
    said = [(item.antenna.antenna_id, item.antenna.next_evidence) for item in items]
    if len(said) > 1:
        said.insert(0, (site_id or "the site", next_evidence))
    rows = [_next_row(name, evidence) for name, evidence in said if evidence is not None]
    return [("What limits U95, and what to bring next", "U95 now → afterwards", rows)] if rows else []


def _weak(sentences: Sequence[str]) -> list[tuple[str, str, list[NameRow]]]:
    rows = [NameRow(name=str(k), tag="", text=sentence) for k, sentence in enumerate(sentences, 1)]
    return [("What could go unnoticed at this site", "", rows)] if rows else []


def _next_row(name: str, evidence: NextEvidence) -> NameRow:
    if evidence.bring is None or evidence.u95_then_deg is None:
        return NameRow(name=name, tag=format_u95_deg(evidence.u95_now_deg), text=evidence.sentence)
    figures = f"{format_u95_deg(evidence.u95_now_deg)} → {format_u95_deg(evidence.u95_then_deg)}"
    return NameRow(name=name, tag=figures, text=f"{evidence.bring} (limited by {evidence.limit})")


def _marks(photo: PhotoResult, items: Sequence[Shown], unseen: Sequence[Unseen], site_id: str) -> Marks:
    """What the overview bears."""
    fitted = {item.antenna.antenna_id for item in items}
    seen = fitted | {panel.antenna_id for panel in photo.panels}
    labelled = zip(panel_names(photo.panels), photo.panels, strict=True)
    return Marks(
        fitted=tuple(
            (short_label(item.antenna.antenna_id, site_id) + "?" * unsure(item.view), item.view.outline_px)
            for item in items
        ),
        found=tuple(
            (label if panel.antenna_id is None else short_label(label, site_id), panel.corners_px)
            for label, panel in labelled
            if panel.antenna_id not in fitted and len(panel.corners_px) >= 3
        ),
        expected=tuple(
            place for name, view in unseen if name not in seen and (place := _expected(name, view, site_id)) is not None
        ),
        searched=photo.window_px,
    )


def _expected(antenna_id: str, view: MissingView, site_id: str) -> Expected | None:
    if view.status != "not_found" or view.pixel is None:
        return None
    radius = 0.0 if view.radius_px is None else view.radius_px
    size = view.size_px or (2.0 * radius, 2.0 * radius)
    if not all(math.isfinite(v) for v in (*view.pixel, radius, *size)):
        return None
    return Expected(label=short_label(antenna_id, site_id), pixel=view.pixel, radius_px=radius, size_px=size)


# ---------------------------------------------------------------------------------------------------------------------
# One antenna: plain and fitted, side by side


def _tile(picture: Image.Image, item: Shown, how_many: int) -> Image.Image:
    bounds = bounds_of(item.view.outline_px)
    width, height = max(bounds[2] - bounds[0], 1.0), max(bounds[3] - bounds[1], 1.0)
    tall = next(tall for most, tall in _TALL if how_many <= most)
    margins = (max(0.18 * width, 0.05 * height, 5.0), max(0.08 * height, 0.2 * width, 5.0))
    scale = min(tall / height, _MAX_ENLARGEMENT, _MAX_TILE_WIDTH / (width + 2.0 * margins[0]))
    pair = plain_and_fitted(picture, item.view, margins, scale, OUTLINE, INNER)
    lines = _caption(item, max(pair.width, _MAX_TILE_WIDTH / 2))
    words = max(pens.text_width(text, size) for text, size, *_ in lines)
    below = math.ceil(sum(pens.LEADING * size for _, size, _ in lines))
    tile = Image.new("RGB", (max(pair.width, math.ceil(words)), pair.height + 14 + below), pens.WHITE)
    tile.paste(pair, (0, 0))
    pens.write_lines(ImageDraw.Draw(tile), (0, pair.height + 14.0), [(*one, one[1] == _CAPTION) for one in lines])
    return tile


_Line = tuple[str, int, pens.Colour]


def _caption(item: Shown, width_px: float) -> list[_Line]:
    """What stands below an antenna, its id broken to a width."""
    antenna, view = item.antenna, item.view
    azimuth = (
        "no azimuth"
        if antenna.azimuth_true_deg is None
        else format_azimuth_deg(antenna.azimuth_true_deg, antenna.u95_deg)
    )
    name = pens.fitted_lines(antenna.antenna_id, _CAPTION, width_px)
    lines: list[_Line] = [*((line, _CAPTION, pens.INK) for line in name), (azimuth, _CAPTION, pens.BLUE)]
    for other in antenna.alternatives:
        text = f"or {format_azimuth_deg(other.azimuth_true_deg, other.u95_deg)} ({percent(other.probability)})"
        lines.append((text, _SMALL, pens.BLUE))
    lines.append((f"{VIEWS[view.view]}, {view.width_px:.0f} px wide", _SMALL, pens.PALE))
    lines.append((f"{share(view.quality)} of its edge found", _SMALL, pens.PALE))
    if view.p_right is not None:
        doubtful = view.p_right < DOUBTFUL_OUTLINE
        lines.append((f"outline right {percent(view.p_right)}", _SMALL, pens.INK if doubtful else pens.PALE))
    if view.name_probability is not None and not view.from_pick:
        doubt = unsure(view)
        lines.append(
            (f"name {'UNSURE, ' * doubt}{percent(view.name_probability)}", _SMALL, pens.INK if doubt else pens.PALE)
        )
    reading, design = antenna.reading, antenna.design
    if reading is not None:
        lines.append((f"reading {reading_text(reading)}", _SMALL, pens.VERMILION))
        if reading.agrees is not None:
            lines.append((verdict(reading.agrees), _SMALL, pens.INK if reading.agrees else pens.VERMILION))
    if design.azimuth_true_deg is not None:
        lines.append((f"design {design_text(design)}", _SMALL, pens.GREEN))
        colour = {"within": pens.GREEN, "out": pens.VERMILION}.get(design_standing(antenna), pens.INK)
        lines.append((decision_text(antenna), _SMALL, colour))
        if design.p_out_of_tolerance is not None:
            lines.append((f"p(out) {p_out_text(design)}", _SMALL, colour))
    return lines


def _flow(tiles: Sequence[Image.Image], room: int) -> Image.Image | None:
    """Tiles in rows from the left; a tile wider than the room is made smaller."""
    rows: list[list[Image.Image]] = []
    for given in tiles:
        tile = given
        if tile.width > room:
            tile = tile.resize((room, round(tile.height * room / tile.width)), Image.Resampling.LANCZOS)
        if not rows or sum(t.width + _GAP for t in rows[-1]) + tile.width > room:
            rows.append([])
        rows[-1].append(tile)
    return _joined([row for some in rows if (row := _joined(some, across=True)) is not None])


def _hand(item: Shown, site_id: str) -> Pointing | None:
    """Of an antenna with an azimuth; only its own interval and the design's tolerance, or there would be too much."""
    if item.antenna.azimuth_true_deg is None or item.antenna.u95_deg is None:
        return None
    told = [
        replace(d, half_deg=None) if d.kind in ("other", "reading") else d
        for d in directions(item.antenna, len(item.antenna.alternatives))
    ]
    return Pointing(label=short_label(item.antenna.antenna_id, site_id), directions=told)
