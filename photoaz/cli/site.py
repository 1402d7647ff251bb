"""What several commands do with one site: choose it, read its tables, say and draw its result."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from photoaz.cli.group import NOTHING_DONE, SOME_UNUSABLE
from photoaz.cli.streams import say
from photoaz.errors import Fault, InputError

if TYPE_CHECKING:
    from photoaz.register.model import Pick, Site
    from photoaz.result import SiteResult

_T = TypeVar("_T")


def register_sites(register: Path, columns: Path | None = None) -> tuple[Site, ...]:
    """The sites of a register without fault."""
    from photoaz.register.columns import load_columns
    from photoaz.register.load import load_register, require_sites

    return require_sites(load_register(register, None if columns is None else load_columns(columns)))


def chosen_site(sites: Sequence[Site], site_id: str | None, register: Path) -> Site:
    names = ", ".join(site.site_id for site in sites[:10]) + (", ..." if len(sites) > 10 else "")
    if site_id is None:
        if len(sites) == 1:
            return sites[0]
        raise InputError(
            Fault(file=register, found=f"{len(sites)} sites and no --site", wanted=f"--site with one of: {names}")
        )
    for site in sites:
        if site.site_id == site_id:
            return site
    raise InputError(Fault(file=register, column="site_id", found=f"no site '{site_id}'", wanted=f"one of: {names}"))


def check_antennas(site: Site, antenna_ids: Sequence[str], register: Path) -> None:
    known = [antenna.antenna_id for antenna in site.antennas]
    raise_for = [
        Fault(
            file=register,
            column="antenna_id",
            found=f"no antenna '{antenna_id}' at site '{site.site_id}'",
            wanted=f"one of: {', '.join(known)}",
        )
        for antenna_id in antenna_ids
        if antenna_id not in known
    ]
    if raise_for:
        raise InputError(raise_for)


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


def draw_overlays(result: SiteResult, photos: Sequence[Path], folder: Path) -> list[Path]:
    """A picture for each photo that was looked at, also where it could not be used; returns where they lie."""
    from photoaz.present.pictures import overlays

    files = {str(path): path for path in photos}
    return write_pictures(((files[name], page) for name, page in overlays(result, files)), folder)


def write_pictures(pages: Iterable[tuple[Path, bytes]], folder: Path) -> list[Path]:
    """Write PNG pictures, named as the photos they are of; returns where they lie."""
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for photo, page in pages:
        target = folder / f"{photo.stem}.png"
        number = 2
        while target in written:
            target = folder / f"{photo.stem}-{number}.png"
            number += 1
        target.write_bytes(page)
        written.append(target)
    return written


def write_sheets(site: Site, result: SiteResult, photos: Sequence[Path], folder: Path) -> list[Path]:
    """A second-opinion sheet for each antenna; returns where they lie."""
    from photoaz.present.pictures import sheets
    from photoaz.present.sheet import sheet_name

    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for antenna_id, page in sheets(site, result, {str(path): path for path in photos}, datetime.now(UTC)):
        target = folder / sheet_name(antenna_id, [path.name for path in written])
        target.write_text(page, encoding="utf-8")
        written.append(target)
    return written


def exit_by_photos(ctx: click.Context, result: SiteResult) -> None:
    """Name the photos that were not used, and end with the exit code that says so."""
    rejected = [photo for photo in result.photos if photo.status == "rejected"]
    for photo in rejected:
        reason = "; ".join((photo.reason or "no reason given").splitlines())
        say(reason if reason.startswith(photo.photo) else f"{photo.photo}: not used: {reason}")
    if rejected:
        ctx.exit(NOTHING_DONE if len(rejected) == len(result.photos) else SOME_UNUSABLE)
