"""`photoaz inspect`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from photoaz import __version__
from photoaz.cli.group import AS_JSON, FILE, NOTHING_DONE, SOME_UNUSABLE, main
from photoaz.cli.site import write_pictures
from photoaz.cli.streams import emit, emit_json, say
from photoaz.errors import InputError


@main.command(short_help="What the metadata of photos give and lack, and what panels are seen in them.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=FILE)
@click.option("--panels", is_flag=True, help="Also the panels that are seen, without register, position or heading.")
@click.option(
    "--overlay", type=click.Path(file_okay=False, path_type=Path), help="Draw the panels into pictures in this folder."
)
@AS_JSON
@click.pass_context
def inspect(ctx: click.Context, photos: tuple[Path, ...], panels: bool, overlay: Path | None, as_json: bool) -> None:
    """Say what the metadata of photos give, what they lack, and what that costs in degrees.

    \b
    Example:
      photoaz inspect north_gate.jpg field.heic --panels --overlay seen
    """
    documents, words, pages, failures = [], [], [], []
    for path in photos:
        try:
            document, text, page = _inspected(path, panels or overlay is not None, overlay is not None)
        except InputError as err:
            failures.append({"photo": path.name, "reason": "; ".join(str(fault) for fault in err.faults)})
            for fault in err.faults:
                say(str(fault))
            continue
        documents.append(document)
        words.append(text)
        if page is not None:
            pages.append((path, page))
    if overlay is not None:
        for written in write_pictures(pages, overlay):
            say(f"wrote {written}")
    if as_json:
        emit_json(
            {
                "schema": "photoaz/inspect/1",
                "version": __version__,
                "photos": documents,
                "failures": failures,
            }
        )
    elif words:
        emit("\n\n".join(words) + "\n")
    if failures:
        ctx.exit(SOME_UNUSABLE if documents else NOTHING_DONE)


def _inspected(path: Path, panels: bool, drawn: bool) -> tuple[dict[str, Any], str, bytes | None]:
    """Of one photo the part of the document, the words, and the picture where one is wanted. Raises InputError."""
    from photoaz.photo.inspect import describe, record_as_json
    from photoaz.photo.metadata import read_record

    record = read_record(path)
    document, lines = record_as_json(record), list(describe(record))
    if not panels:
        return document, "\n".join(lines), None
    from photoaz.estimate.visible import draw_panels, visible_panels
    from photoaz.photo.picture import Darkroom, Picture
    from photoaz.photo.pixels import decode

    seen = visible_panels(Picture(path, (record.width_px, record.height_px), Darkroom()))
    document["panels"] = [asdict(panel) for panel in seen]
    lines += [
        f"  panel: {panel.view}, {panel.width_px:.0f} px wide, at x {x:.0f}, y {y:.0f} (upper left); "
        f"{100 * panel.probability:.0f} % sure"
        for panel in seen
        for x, y in panel.corners_px[:1]
    ] or ["  panel: none seen"]
    return document, "\n".join(lines), draw_panels(decode(path), seen) if drawn else None
