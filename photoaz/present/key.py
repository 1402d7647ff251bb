"""What the marks of an overlay's page mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from PIL import Image

from photoaz.present import overview
from photoaz.present.dial import Pixels, dial_layout
from photoaz.present.drawing import Direction, draw_fan, draw_hand
from photoaz.present.pens import SKY_BLUE, YELLOW, Pen, Point, stroke
from photoaz.present.window import ellipse, rectangle
from photoaz.result import AroundView

OUTLINE = Pen(core=YELLOW, width=3.0, casing=1.4, dash=(22.0, 14.0))
INNER = Pen(core=SKY_BLUE, width=3.0, casing=1.4, dash=(7.0, 11.0))
_SMALL, _WIDE = 30, 88.0
_LINE = [(0.0, 0.0), (_WIDE, 0.0)]
#: the dial's marks, as large as the others
_DIAL = replace(dial_layout(550, _SMALL), hands=_WIDE)


@dataclass(frozen=True, slots=True)
class _Row:
    """A mark and what it means. strokes: about the middle of its left side; sky: whether they lie on what photos have
    there; kind: of a direction of the dial, or 'camera'; word: written in its place.
    """

    text: str
    strokes: Sequence[tuple[Sequence[Point], Pen]] = ()
    sky: bool = False
    kind: str = ""
    word: str = ""


def draw_key(
    marks: overview.Marks,
    with_fit: bool,
    with_dial: bool,
    with_alternatives: bool,
    around: AroundView | None,
    width_px: int,
) -> Image.Image | None:
    """What each mark on the page means; None where there is none."""
    rows = []
    if with_fit:
        rows += [_Row("fitted outline", [(_LINE, OUTLINE)]), _Row("fitted edges within it", [(_LINE, INNER)])]
    if any(name.endswith("?") and name != "?" for name, _ in marks.fitted):
        rows.append(_Row("the name is not sure", word="A1?"))
    if marks.found:
        nameless = [name.startswith("?") for name, _ in marks.found]
        words = "not measured" if not any(nameless) else "not named" if all(nameless) else "not measured, ?: not named"
        rows.append(_Row(f"found, {words}", [(rectangle((30, -14, 58, 14)), overview.FOUND)], sky=True))
    if marks.expected:
        box, within = rectangle((34, -11, 54, 11)), ellipse((44, 0), 40, 18)
        rows.append(_Row("looked for here, not found", [(box, overview.EXPECTED), (within, overview.EXPECTED_WITHIN)]))
    if marks.searched is not None:
        rows.append(_Row("part of the photo searched", [(_LINE, overview.SEARCHED)], sky=True))
    rows += [
        _Row(words, [(_LINE, pen)], sky=True)
        for name, words, pen in reversed(overview.SKYLINES)
        if around is not None and getattr(around, name)
    ]
    if with_dial:
        rows.append(_Row("the face looks here, ± U95 (95 %)", kind="photos"))
        rows += [_Row("the photos allow this as well", kind="other")] if with_alternatives else []
        rows.append(_Row("instrument reading, as true north", kind="reading"))
        rows.append(_Row("design and its tolerance", kind="design"))
        rows.append(_Row("camera and line of sight", kind="camera"))
    return _drawn(rows, width_px) if rows else None


def _drawn(rows: Sequence[_Row], width_px: int) -> Image.Image:
    step = round(1.55 * _SMALL)
    canvas = Pixels((width_px, step * len(rows)), _DIAL.unit, _SMALL)
    places = [step * (number + 0.5) for number in range(len(rows))]
    for row, y in zip(rows, places, strict=True):
        base = y + 0.36 * _SMALL
        canvas.text("label", (112.0, base), row.text, "start")
        canvas.text("label", (0.5 * _WIDE, base), row.word)
        if row.sky:
            canvas.rect("sky", (0.0, y - 19.0), _WIDE, 38.0)
        if row.kind == "camera":
            canvas.rect("camera", (0.0, y - 12.0), 24.0, 24.0)
            canvas.line("sight", (24.0, y), (_WIDE, y))
        elif row.kind:
            half = {"photos": 9.0, "design": 12.0}.get(row.kind)
            direction = Direction(kind=row.kind, label="", azimuth_deg=90.0, half_deg=half)
            layout = replace(_DIAL, middle=(0.0, y), reach=60.0)
            draw_fan(canvas, layout, direction)
            draw_hand(canvas, layout, direction)
    picture = canvas.picture()
    for row, y in zip(rows, places, strict=True):
        for points, pen in row.strokes:
            stroke(picture, [(x, y + dy) for x, dy in points], pen)
    return picture
