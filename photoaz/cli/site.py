"""What several commands do with one site: choose it, read its tables, say and draw its result."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from photoaz.cli.group import NOTHING_DONE, SOME_UNUSABLE
from photoaz.cli.streams import laid_out, say

if TYPE_CHECKING:
    from photoaz.estimate.inputs import SiteInputs
    from photoaz.photo.record import PhotoRecord
    from photoaz.register.load import RegisterResult
    from photoaz.register.model import Site
    from photoaz.result import SiteResult
    from photoaz.surroundings.reading import Scenery


def read_register(register: Path, columns: Path | None = None) -> RegisterResult:
    """A register without fault."""
    from photoaz.register.columns import load_columns
    from photoaz.register.load import load_register, require_sites

    known = load_register(register, None if columns is None else load_columns(columns))
    require_sites(known)
    return known


def choose_sites(
    known: RegisterResult, site_id: str | None, photos: Sequence[Path]
) -> tuple[dict[str, tuple[Site, tuple[Path, ...]]], int]:
    """The sites of some photos, each with its own; and how many photos show none, as standard error says.

    Of a register of one site, or where it is named, all photos are taken for its own; else position and heading choose.

    Raises InputError where no photo tells its site.
    """
    if site_id is not None or len(known.sites) < 2:
        site = known.site(site_id)
        return {site.site_id: (site, tuple(photos))}, 0
    from photoaz.errors import Fault, InputError
    from photoaz.naming.places import match_places, places_of, site_index, spell_distance
    from photoaz.naming.site_names import SiteNames, exchange_that_fits, settle_site
    from photoaz.photo.metadata import read_record
    from photoaz.quantities import REACH_M
    from photoaz.wording import percent_words

    index = site_index(known.sites)
    names = SiteNames(index.site_ids)
    records: list[PhotoRecord | None] = []
    for photo in photos:
        try:
            records.append(read_record(photo))
        except InputError:
            records.append(None)
    of: dict[str, list[Path]] = {}
    left: list[Fault] = []
    for photo, record, place in zip(photos, records, match_places(index, places_of(records)), strict=True):
        match = settle_site(place, folders=names.in_path(str(photo)), index=index)
        if match.site is None:
            slip = None
            if record is not None and record.position is not None:
                slip = exchange_that_fits(record.position.lat_deg, record.position.lon_deg, known.sites, REACH_M)
            left.append(Fault(file=photo, wanted=f"--site, for {match.reason}{f'; {slip}' if slip else ''}"))
            continue
        by_place = place.site == match.site
        away = "" if match.distance_m is None else f", {spell_distance(match.distance_m)} away"
        how = f"position and heading ({percent_words(match.probability)}{away})" if by_place else "the folder's name"
        say(f"{photo}: site {match.site}, by {how}")
        of.setdefault(match.site, []).append(photo)
    if not of:
        raise InputError(left)
    for fault in left:
        say(str(fault))
    return {name: (known.site(name), tuple(some)) for name, some in of.items()}, len(left)


def read_scenery(surroundings: Path | None, terrain: Path | None) -> Scenery | None:
    """A map and heights of the ground, if any are given; features that cannot be used are said."""
    from photoaz.surroundings.reading import scenery_of

    scenery = scenery_of(surroundings, terrain)
    for fault in scenery.map.faults if scenery else ():
        say(str(fault))
    return scenery


def note_unused_rows(photos: Iterable[Path], what: str, path: Path | None, rows: Sequence[Any]) -> None:
    """Say where no row of a table names a photo given. what : a row is called."""
    from photoaz.register.photos import PhotoIndex

    if path is None or not rows:
        return
    index = PhotoIndex([(row.photo, row) for row in rows], path.parent)
    if not any(index.of(photo) for photo in photos):
        say(f"{path}: none of the {len(rows)} rows names a photo given; no {what} is used")


def usable_picks(given: SiteInputs, table: Path | None) -> tuple[SiteInputs, int]:
    """Without the picks that name no antenna of the site or lie outside of the picture, and how many: each is said."""
    from photoaz.errors import Fault

    known = {a.antenna_id for a in given.site.antennas}
    known |= {f"{n.site_id}/{a.antenna_id}" for n in given.site.neighbours for a in n.antennas}
    sizes = {p.name: (p.record.width_px, p.record.height_px) for p in given.photos if p.record is not None}
    good = []
    for pick in given.picks:
        points = [*(() if pick.seed_px is None else (pick.seed_px,)), *(pick.corners_px or ())]
        size = sizes.get(pick.photo)
        if pick.antenna_id not in known and not pick.absent:
            found = f"no antenna '{pick.antenna_id}' at site '{given.site.site_id}'"
            fault = "antenna_id", found, f"one of: {', '.join(sorted(known))}"
        elif size and (out := [p for p in points if not _inside(p, size)]):
            place = ", ".join(f"({x:g}, {y:g})" for x, y in out)
            fault = "x_px", f"{place}, outside of the picture", f"pixels of the {size[0]} x {size[1]} px shown"
        else:
            good.append(pick)
            continue
        column, found, wanted = fault
        where = Fault(file=table or "picks", line=pick.line, column=column, found=found, wanted=wanted)
        say(f"{where}; the pick is not used")
    return replace(given, picks=tuple(good)), len(given.picks) - len(good)


def _inside(point: tuple[float, float], size: tuple[int, int]) -> bool:
    """Whether a point lies in a picture, or beside it by no more than a cut-off panel's corner may."""
    return all(-0.1 * n <= v <= 1.1 * n for v, n in zip(point, size, strict=True))


def site_text(result: SiteResult, *, explain: bool = True, magnetic: bool = False) -> str:
    """The result as text, laid out for where standard output goes; of a single antenna the answer first.

    explain: with the reasons. magnetic: azimuths of a single antenna from magnetic north as well.
    """
    from photoaz.present.answer import answer
    from photoaz.present.table import print_site
    from photoaz.present.terminal import paragraph

    def printed(console: Any) -> None:
        if len(result.antennas) == 1:
            (antenna,) = result.antennas
            said = paragraph(answer(result, antenna, magnetic=magnetic), console.width)
            console.print(said + "\n", markup=False, highlight=False)
        print_site(result, console, explain=explain, to_do=len(result.antennas) != 1)

    return laid_out(printed)


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
    if overlay_dir is None and sheets_dir is None:
        return
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


def exit_by_photos(ctx: click.Context, results: Sequence[SiteResult], left: int = 0) -> None:
    """Name the photos that were not used, and end with the exit code that says so. left: other inputs not used."""
    photos = [photo for result in results for photo in result.photos]
    rejected = [photo for photo in photos if photo.status == "rejected"]
    for photo in rejected:
        reason = "; ".join((photo.reason or "no reason given").splitlines())
        say(reason if reason.startswith(photo.photo) else f"{photo.photo}: not used: {reason}")
    if rejected or left:
        ctx.exit(NOTHING_DONE if len(rejected) == len(photos) else SOME_UNUSABLE)
