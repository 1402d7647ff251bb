"""`photoaz inspect`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from photoaz import __version__
from photoaz.cli.group import AS_JSON, FOLDER, NOTHING_DONE, SOME_UNUSABLE, main
from photoaz.cli.site import write_pictures
from photoaz.cli.streams import emit, emit_json, say
from photoaz.errors import InputError

if TYPE_CHECKING:
    from photoaz.estimate.visible import VisiblePanel
    from photoaz.photo.record import PhotoRecord


@main.command(short_help="What the metadata of photos give and lack, and what panels are seen in them.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--panels", is_flag=True, help="Also the panels that are seen, without register, position or heading.")
@click.option("--overlay", metavar="DIR", type=FOLDER, help="Draw the panels into pictures in this folder.")
@AS_JSON
@click.pass_context
def inspect(ctx: click.Context, photos: tuple[Path, ...], panels: bool, overlay: Path | None, as_json: bool) -> None:
    """Say what the metadata of photos give, what they lack, and what that costs in degrees.

    \b
    Example:
      photoaz inspect north_gate.jpg field.heic --panels --overlay seen
    """
    from photoaz.photo.inspect import describe, record_as_json
    from photoaz.photo.metadata import read_record
    from photoaz.photo.pixels import decode

    documents, words, failures = [], [], []
    seen: list[tuple[Path, tuple[VisiblePanel, ...]]] = []
    for path in photos:
        try:
            record = read_record(path)
            decode(path)  # a file that is cut short has its metadata still, and is of no use
            document, lines = record_as_json(record), list(describe(record))
            if panels or overlay is not None:
                seen.append((path, _panels(record)))
                document["panels"] = [asdict(panel) for panel in seen[-1][1]]
                for panel in seen[-1][1]:
                    x, y = panel.corners_px[0]
                    where = f"{panel.width_px:.0f} px wide, its upper left corner at ({x:.0f}, {y:.0f})"
                    lines.append(f"  panel: {panel.view}, {where}, {100 * panel.probability:.0f} % sure")
                lines += [] if seen[-1][1] else ["  panel: none seen"]
        except InputError as err:
            failures.append({"photo": path.name, "reason": "; ".join(str(fault) for fault in err.faults)})
            for fault in err.faults:
                say(str(fault))
            continue
        documents.append(document)
        words.append("\n".join(lines))
    if overlay is not None:
        from photoaz.estimate.visible import draw_panels

        pages = ((path, draw_panels(decode(path), found)) for path, found in seen)
        for written in write_pictures(pages, overlay):
            say(f"wrote {written}")
    if as_json:
        head = {"schema": "photoaz/inspect/1", "version": __version__}
        emit_json({**head, "photos": documents, "failures": failures})
    elif words:
        emit("\n\n".join(words) + "\n")
    if failures:
        ctx.exit(SOME_UNUSABLE if documents else NOTHING_DONE)


def _panels(record: PhotoRecord) -> tuple[VisiblePanel, ...]:
    from photoaz.estimate.visible import visible_panels
    from photoaz.photo.pixels import Darkroom, Picture

    return visible_panels(Picture(record.path, (record.width_px, record.height_px), Darkroom()))
