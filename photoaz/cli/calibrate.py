"""`photoaz calibrate`."""

from __future__ import annotations

from pathlib import Path

import click

from photoaz.cli.group import FILE, SOME_UNUSABLE, main
from photoaz.cli.streams import emit, say


def _pattern(_ctx: click.Context, _param: click.Parameter, text: str) -> tuple[int, int]:
    columns, _, rows = text.lower().replace("×", "x").partition("x")
    if not (columns.isdecimal() and rows.isdecimal()):
        raise click.BadParameter(f"found '{text}'; wanted inner corners, columns x rows, such as 9x6")
    return int(columns), int(rows)


@main.command(short_help="A camera's interior orientation from a chessboard.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=FILE)
@click.option(
    "--pattern",
    metavar="CxR",
    required=True,
    callback=_pattern,
    help="Inner corners of the chessboard, columns x rows: one less than squares each way.",
)
@click.option("--square-mm", metavar="S", required=True, type=float, help="Side of a square in millimetres.")
@click.option(
    "--out", metavar="CAM", required=True, type=click.Path(dir_okay=False, path_type=Path), help="The file to write."
)
@click.option("--json", "as_json", is_flag=True, help="The calibration on standard output as well.")
@click.pass_context
def calibrate(
    ctx: click.Context, photos: tuple[Path, ...], pattern: tuple[int, int], square_mm: float, out: Path, as_json: bool
) -> None:
    """Find a camera's interior orientation from photos of a chessboard.

    Take ten or more, with the zoom and focus of the photos to be measured in, the board at different tilts and in every
    corner of the frame.

    \b
    Example:
      photoaz calibrate board_*.jpg --pattern 9x6 --square-mm 25 --out tele.json
    """
    from photoaz.photo.calibration import calibrate as find
    from photoaz.photo.calibration import load_calibration, save_calibration

    if out.exists():
        load_calibration(out)  # writes over an earlier calibration, never over anything else
    calibration = find(photos, pattern, square_mm)
    out.parent.mkdir(parents=True, exist_ok=True)
    save_calibration(calibration, out)
    if as_json:
        emit(out.read_text(encoding="utf-8"))
    else:
        emit(calibration.summary() + "\n")
    say(f"wrote {out}")
    for name in calibration.not_found:
        say(f"{name}: not used: the whole board was not found in it, or it has another size or cannot be read")
    if calibration.not_found:
        ctx.exit(SOME_UNUSABLE)
