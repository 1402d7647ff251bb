"""In words, for one photo: what each panel was taken for and why, and why the other antennas were not seen."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from PIL import Image, ImageDraw

from photoaz.naming.answer import SURE
from photoaz.present.pens import BLUE, INK, LEADING, PALE, PLUM, WHITE, Colour, fitted_lines, text_width, write
from photoaz.result import EvidenceView, MissingView, NamedPanel
from photoaz.wording import percent

BY_PICK = "named by a pick"


@dataclass(frozen=True, slots=True, kw_only=True)
class NameRow:
    """A line of a block: whose, a word or figure in a column of its own, and the rest, broken where it is long."""

    name: str
    tag: str
    text: str
    colour: Colour = INK


def unsure(view: EvidenceView) -> bool:
    """Whether it may be another antenna that a view shows."""
    return not view.from_pick and view.name_probability is not None and view.name_probability < SURE


def panel_names(panels: Sequence[NamedPanel]) -> list[str]:
    """What to call each panel: its antenna, else '?', numbered where there are several."""
    unnamed = [k for k, panel in enumerate(panels) if panel.antenna_id is None]
    number = {k: f"?{n}" if len(unnamed) > 1 else "?" for n, k in enumerate(unnamed, 1)}
    return [panel.antenna_id if panel.antenna_id is not None else number[k] for k, panel in enumerate(panels)]


def names_and_why(
    measured: Sequence[tuple[str, EvidenceView]], panels: Sequence[NamedPanel], *, used: bool = True
) -> list[NameRow]:
    """A row for everything seen in a photo: what was measured, then the other panels.

    measured : antenna_id and view, of this photo. used : whether the photo was; if it was not, nothing in it was
    measured, and it need not be said of each.
    """
    of = {panel.antenna_id: panel for panel in reversed(panels) if panel.antenna_id is not None}
    rows = [_measured(name, view, of.get(name)) for name, view in measured]
    known = {name for name, _ in measured}
    for named in (True, False):
        for label, panel in sorted(zip(panel_names(panels), panels, strict=True), key=lambda one: one[0]):
            if (panel.antenna_id is not None) is named and panel.antenna_id not in known:
                rows.append(_other(label, panel, used))
    return rows


def _measured(name: str, view: EvidenceView, panel: NamedPanel | None) -> NameRow:
    if view.from_pick:
        return NameRow(name=name, tag="", text=BY_PICK)
    reasons = panel.reasons if panel is not None and panel.reasons else ("by the pattern of all panels found",)
    tag = "" if view.name_probability is None else percent(view.name_probability)
    return NameRow(name=name, tag=tag, text="; ".join(reasons))


def _other(label: str, panel: NamedPanel, used: bool) -> NameRow:
    if panel.antenna_id is not None:
        text = "; ".join((*(["found, not measured"] if used else []), *panel.reasons))
        return NameRow(
            name=label, tag="" if panel.name_probability is None else percent(panel.name_probability), text=text
        )
    what = f"a panel with a probability of {percent(panel.probability)}" + ("" if panel.front else ", from behind")
    return NameRow(name=label, tag="", text="; ".join((what, *panel.reasons)), colour=PALE)


def not_seen(unseen: Sequence[tuple[str, MissingView]], seen: Collection[str]) -> list[NameRow]:
    """A row for every antenna (antenna_id, view) not seen in a photo, those that should have been first.

    seen : said of elsewhere.
    """
    rows = [
        NameRow(
            name=antenna_id,
            tag=view.status.replace("_", " "),
            text=view.reason,
            colour=PLUM if view.status == "not_found" else PALE,
        )
        for antenna_id, view in unseen
        if antenna_id not in seen
    ]
    return sorted(rows, key=lambda row: row.tag != "not found")


def draw_block(title: str, note: str, rows: Sequence[NameRow], width_px: int, letter_px: int) -> Image.Image:
    """A title with a note after it, then the rows in three columns; under each other where there is little room."""
    gap = 0.8 * letter_px
    first = max(text_width(row.name, letter_px) for row in rows) + gap
    second = max(text_width(row.tag, letter_px) for row in rows)
    second += gap if second else 0.0
    narrow = first + second > 0.6 * width_px
    indent = 1.2 * letter_px if narrow else first + second
    names = [fitted_lines(row.name, letter_px, width_px - second - 2.0 * gap) if narrow else [row.name] for row in rows]
    head = fitted_lines(f"{title}  {note}" if note else title, letter_px, width_px)
    texts = [fitted_lines(row.text, letter_px, width_px - indent) if row.text else [] for row in rows]
    step = LEADING * letter_px
    tall = [len(name) + len(text) if narrow else max(1, len(text)) for name, text in zip(names, texts, strict=True)]
    lines = len(head) + sum(tall)
    block = Image.new("RGB", (width_px, math.ceil(step * (lines + 0.3))), WHITE)
    draw = ImageDraw.Draw(block)
    y = 0.0
    for k, line in enumerate(head):
        if k == 0 and line.startswith(title):
            write(draw, (0, y), title, letter_px, bold=True)
            write(draw, (text_width(title, letter_px), y), line[len(title) :], letter_px, colour=PALE)
        else:
            write(draw, (0, y), line, letter_px, colour=PALE)
        y += step
    y += 0.3 * step
    for row, name, text in zip(rows, names, texts, strict=True):
        for k, part in enumerate(name):
            write(draw, (0, y + k * step), part, letter_px, bold=True)
        tag = BLUE if row.tag.endswith("%") else row.colour
        write(draw, (min(first, width_px - second), y), row.tag, letter_px, colour=tag)
        y += step * len(name) if narrow else 0.0
        for line in text:
            write(draw, (indent, y), line, letter_px, colour=INK if row.colour == PLUM else row.colour)
            y += step
        y += step if not narrow and not text else 0.0
    return block
