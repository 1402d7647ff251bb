"""Solving and showing one site, as several commands do it."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from photoaz.cli.group import NOTHING_DONE, SOME_UNUSABLE
from photoaz.cli.streams import OneLine, emit, emit_json, say
from photoaz.errors import Fault, InputError

if TYPE_CHECKING:
    from photoaz.judgement.judge import AntennaJudgement
    from photoaz.judgement.revisit import Costs, SiteRevisit
    from photoaz.photo.calibration import Calibration
    from photoaz.register.model import Control, Pick, Site
    from photoaz.result import AntennaSolution, SiteSolution

Judgements = Mapping[str, "AntennaJudgement"]


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


def solve(
    site: Site,
    photos: Sequence[Path],
    controls: Path | None,
    picks: Path | None,
    camera: Path | None,
    antenna_ids: frozenset[str] | None,
    risk: float | None = None,
) -> tuple[SiteSolution, dict[str, AntennaJudgement]]:
    """Read the tables, all faults of all of them at once, and solve."""
    from photoaz.photo.calibration import load_calibration
    from photoaz.register.load import load_controls, load_picks

    faults: list[Fault] = []
    known_controls: tuple[Control, ...] = ()
    known_picks: tuple[Pick, ...] = ()
    calibration: Calibration | None = None
    try:
        known_controls = load_controls(controls) if controls else ()
    except InputError as err:
        faults += err.faults
    try:
        known_picks = load_picks(picks) if picks else ()
    except InputError as err:
        faults += err.faults
    try:
        calibration = load_calibration(camera) if camera else None
    except InputError as err:
        faults += err.faults
    if faults:
        raise InputError(faults)
    if controls:
        _note_unused("control", controls, [control.photo for control in known_controls], photos)
    if picks:
        _note_unused("pick", picks, [pick.photo for pick in known_picks], photos)
        _note_strangers(picks, known_picks, site, photos)

    from photoaz.estimate.solve import solve_site

    with OneLine() as progress:
        solution = solve_site(
            site,
            photos,
            controls=known_controls,
            controls_dir=controls.parent if controls else None,
            picks=known_picks,
            picks_dir=picks.parent if picks else None,
            calibration=calibration,
            antenna_ids=antenna_ids,
            progress=progress,
        )
    return solution, judge(site, solution, risk)


def _note_unused(what: str, table: Path, names: Sequence[str], photos: Sequence[Path]) -> None:
    from photoaz.register.load import matches_photo

    if names and not any(matches_photo(name, photo, table.parent) for name in set(names) for photo in photos):
        say(f"{table}: none of the {len(names)} rows names a photo given; no {what} is used")


def _note_strangers(table: Path, picks: Sequence[Pick], site: Site, photos: Sequence[Path]) -> None:
    from photoaz.register.load import matches_photo

    known = {antenna.antenna_id for antenna in site.antennas}
    for pick in picks:
        if pick.antenna_id not in known and any(matches_photo(pick.photo, photo, table.parent) for photo in photos):
            say(
                f"{table}, line {pick.line}, column antenna_id: site '{site.site_id}' has no antenna "
                f"'{pick.antenna_id}'; the pick is not used"
            )


def judge(site: Site, solution: SiteSolution, risk: float | None = None) -> dict[str, AntennaJudgement]:
    from photoaz.judgement.conformity import RISK
    from photoaz.judgement.impact import with_site_impact
    from photoaz.judgement.judge import judge_site

    dates = {antenna.antenna_id: _photo_date(solution, antenna) for antenna in solution.antennas}
    judgements = judge_site(site, solution, dates, RISK if risk is None else risk)
    return with_site_impact(site, solution, judgements)


def _photo_date(solution: SiteSolution, antenna: AntennaSolution) -> date | None:
    """The day of the first photo that shows the antenna; of the first photo at all where none does."""
    days = {photo.photo: getattr(photo, "taken", None) for photo in solution.photos}
    seen = [days.get(view.photo) for view in antenna.evidence]
    return next((day for day in (*seen, *days.values()) if isinstance(day, date)), None)


def prices_of(costs: Path | None) -> Costs | None:
    from photoaz.judgement.revisit import load_costs

    return None if costs is None else load_costs(costs)


def plan_of(site: Site, solution: SiteSolution, judgements: Judgements, prices: Costs | None) -> SiteRevisit:
    from photoaz.judgement.revisit import plan_site

    return plan_site(site, solution, judgements, prices)


def show(site: Site, solution: SiteSolution, judgements: Judgements, plan: SiteRevisit, as_json: bool) -> None:
    if as_json:
        from photoaz.present.document import estimates_document

        emit_json(estimates_document([(site, solution, judgements)], datetime.now(UTC), [plan]))
        return
    emit(site_text(solution, judgements, plan))


def site_text(solution: SiteSolution, judgements: Judgements, plan: SiteRevisit) -> str:
    """The table as text, laid out for where standard output goes."""
    from rich.console import Console

    from photoaz.present.table import print_site

    console = Console(file=sys.stdout)
    with console.capture() as capture:
        print_site(solution, judgements, console, plan)
    return capture.get()


def draw_overlays(solution: SiteSolution, judgements: Judgements, photos: Sequence[Path], folder: Path) -> list[Path]:
    """A picture for each photo that was looked at, also where it could not be used; returns where they lie."""
    from photoaz.present.pictures import overlays

    folder.mkdir(parents=True, exist_ok=True)
    files = _files(solution, photos)
    written: list[Path] = []
    for name, page in overlays(solution, judgements, files):
        stem = files[name].stem
        target = folder / f"{stem}.png"
        number = 2
        while target in written:
            target = folder / f"{stem}-{number}.png"
            number += 1
        target.write_bytes(page)
        written.append(target)
    return written


def write_sheets(
    site: Site,
    solution: SiteSolution,
    judgements: Judgements,
    plan: SiteRevisit,
    photos: Sequence[Path],
    folder: Path,
) -> list[Path]:
    """A second-opinion sheet for each antenna; returns where they lie."""
    from photoaz.present.pictures import sheets
    from photoaz.present.sheet import sheet_name

    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for antenna_id, page in sheets(site, solution, judgements, plan, _files(solution, photos), datetime.now(UTC)):
        target = folder / sheet_name(antenna_id, [path.name for path in written])
        target.write_text(page, encoding="utf-8")
        written.append(target)
    return written


def _files(solution: SiteSolution, photos: Sequence[Path]) -> dict[str, Path]:
    """The files of a solution's photos, by their names there: by the path as given, else by the name."""
    by_path = {str(path): path for path in photos}
    by_name = {path.name: path for path in photos}
    found = {p.photo: by_path.get(p.photo) or by_name.get(Path(p.photo).name) for p in solution.photos}
    return {name: path for name, path in found.items() if path is not None}


def exit_by_photos(ctx: click.Context, solution: SiteSolution) -> None:
    rejected = [photo for photo in solution.photos if photo.status == "rejected"]
    for photo in rejected:
        reason = "; ".join((photo.reason or "no reason given").splitlines())
        say(reason if reason.startswith(photo.photo) else f"{photo.photo}: not used: {reason}")
    if rejected:
        ctx.exit(NOTHING_DONE if len(rejected) == len(solution.photos) else SOME_UNUSABLE)
