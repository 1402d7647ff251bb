"""What several commands do with one site: choose it, read its tables, say and draw its result."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from photoaz.cli.group import NOTHING_DONE, SOME_UNUSABLE
from photoaz.cli.streams import say

if TYPE_CHECKING:
    from photoaz.register.load import RegisterResult
    from photoaz.register.model import Pick, Site
    from photoaz.result import SiteResult

_T = TypeVar("_T")


def read_register(register: Path, columns: Path | None = None) -> RegisterResult:
    """A register without fault."""
    from photoaz.register.columns import load_columns
    from photoaz.register.load import load_register, require_sites

    known = load_register(register, None if columns is None else load_columns(columns))
    require_sites(known)
    return known


def note_unused_rows(
    site: Site, photos: Iterable[str], tables: Mapping[str, tuple[Path, Sequence[Any]] | None]
) -> None:
    """Say where no row of a table names a photo given, and which picks name no antenna of the site.

    tables : path and rows by what a row is called; None where there is no such table.
    """
    from photoaz.register.photos import PhotoIndex

    for what, table in tables.items():
        if table is None or not table[1]:
            continue
        path, rows = table
        index = PhotoIndex([(row.photo, row) for row in rows], path.parent)
        used = [row for photo in photos for row in index.of(photo)]
        if not used:
            say(f"{path}: none of the {len(rows)} rows names a photo given; no {what} is used")
        if what == "pick":
            _note_strangers(site, path, used)


def _note_strangers(site: Site, table: Path, picks: Sequence[Pick]) -> None:
    known = {antenna.antenna_id for antenna in site.antennas}
    for pick in picks:
        if pick.antenna_id not in known:
            say(
                f"{table}, line {pick.line}, column antenna_id: site '{site.site_id}' has no antenna "
                f"'{pick.antenna_id}'; the pick is not used"
            )


def site_text(result: SiteResult) -> str:
    """The table as text, laid out for where standard output goes."""
    from rich.console import Console

    from photoaz.present.table import print_site

    console = Console(file=sys.stdout)
    with console.capture() as capture:
        print_site(result, console)
    return capture.get()


def write_pictures(pages: Iterable[tuple[Path, bytes]], folder: Path) -> list[Path]:
    """Write PNG pictures, named as the photos they are of; returns where they lie."""
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for photo, page in pages:
        written.append(_free(folder, photo.stem, written))
        written[-1].write_bytes(page)
    return written


def _free(folder: Path, stem: str, taken: Collection[Path]) -> Path:
    names = itertools.chain([f"{stem}.png"], (f"{stem}-{number}.png" for number in itertools.count(2)))
    return next(path for name in names if (path := folder / name) not in taken)


def draw_result(
    site: Site, result: SiteResult, photos: Sequence[Path], overlay_dir: Path | None, sheets_dir: Path | None
) -> Iterator[Path]:
    """Write a picture of each photo that was looked at, and a second-opinion sheet of each antenna; where they lie.

    overlay_dir, sheets_dir : made where they do not exist; None where none are wanted.
    """
    from photoaz.present.pictures import draw
    from photoaz.present.words import page_name

    for folder in (overlay_dir, sheets_dir):
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
    files = {str(path): path for path in photos}
    pictures: list[Path] = []
    pages: set[str] = set()
    sheets = () if sheets_dir is None else result.antennas.keys()
    for one in draw(site, result, files, overlays=None if overlay_dir is None else "png", sheets=sheets):
        if one.kind == "overlay" and overlay_dir is not None:
            pictures.append(target := _free(overlay_dir, files[one.name].stem, pictures))
        elif sheets_dir is not None:
            target = sheets_dir / page_name(one.name, pages)
        target.write_bytes(one.data)
        yield target


def exit_by_photos(ctx: click.Context, result: SiteResult) -> None:
    """Name the photos that were not used, and end with the exit code that says so."""
    rejected = [photo for photo in result.photos if photo.status == "rejected"]
    for photo in rejected:
        reason = "; ".join((photo.reason or "no reason given").splitlines())
        say(reason if reason.startswith(photo.photo) else f"{photo.photo}: not used: {reason}")
    if rejected:
        ctx.exit(NOTHING_DONE if len(rejected) == len(result.photos) else SOME_UNUSABLE)
