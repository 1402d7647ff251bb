"""`photoaz inspect`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from photoaz import __version__
from photoaz.cli.group import AS_JSON, FILE, NOTHING_DONE, SOME_UNUSABLE, main
from photoaz.cli.streams import emit, emit_json, say
from photoaz.errors import InputError

if TYPE_CHECKING:
    pass


@main.command(short_help="What the metadata of photos give and lack.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=FILE)
@AS_JSON
@click.pass_context
def inspect(ctx: click.Context, photos: tuple[Path, ...], as_json: bool) -> None:
    """Say what the metadata of photos give, what they lack, and what that costs in degrees.

    \b
    Example:
      photoaz inspect north_gate.jpg field.heic
    """
    from photoaz.photo.inspect import describe, record_as_json
    from photoaz.photo.metadata import read_record

    records, failures = [], []
    for path in photos:
        try:
            records.append(read_record(path))
        except InputError as err:
            failures.append({"photo": path.name, "reason": "; ".join(str(fault) for fault in err.faults)})
            for fault in err.faults:
                say(str(fault))
    if as_json:
        emit_json(
            {
                "schema": "photoaz/inspect/1",
                "version": __version__,
                "photos": [record_as_json(record) for record in records],
                "failures": failures,
            }
        )
    elif records:
        emit("\n\n".join("\n".join(describe(record)) for record in records) + "\n")
    if failures:
        ctx.exit(SOME_UNUSABLE if records else NOTHING_DONE)
