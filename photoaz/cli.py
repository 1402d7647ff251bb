"""The commands. Thin: arguments in, the pipeline called, results out.

Standard output carries results only; progress, notes and faults go to standard error. Exit codes: 0 done; 1 done, but
some inputs could not be used; 2 nothing done. What is not needed for a command is not imported for it.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from photoaz import __version__
from photoaz.errors import Fault, InputError

if TYPE_CHECKING:
    from photoaz.judgement.judge import AntennaJudgement
    from photoaz.judgement.revisit import Costs, SiteRevisit
    from photoaz.photo.calibration import Calibration
    from photoaz.register.model import Control, Pick, Site
    from photoaz.solution import AntennaSolution, SiteSolution

SOME_UNUSABLE = 1
NOTHING_DONE = 2
INTERRUPTED = 130  # as shells have it

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_Judgements = Mapping[str, "AntennaJudgement"]
_COSTS = click.option(
    "--costs",
    metavar="FILE",
    type=_FILE,
    help="What a visit, a climb and a wrong azimuth cost, TOML: lines such as 'visit = 300'.",
)


class _Commands(click.Group):
    """Turns what a user can mend into lines on standard error and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except InputError as err:
            for fault in err.faults:
                _say(str(fault))
            ctx.exit(NOTHING_DONE)
        except OSError as err:
            _say(f"{err.filename}: {err.strerror}" if err.filename else str(err))
            ctx.exit(NOTHING_DONE)
        except KeyboardInterrupt:
            ctx.exit(INTERRUPTED)


def _show_versions(ctx: click.Context, _param: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    import platform
    import re
    from importlib import metadata

    lines = [f"photoaz {__version__}", f"Python {platform.python_version()}", platform.platform()]
    try:
        needs = metadata.requires("photoaz") or []
    except metadata.PackageNotFoundError:
        needs = []
    for need in needs:
        if "extra ==" not in need and (name := re.match(r"[\w.-]+", need)):
            try:
                lines.append(f"{name[0]} {metadata.version(name[0])}")
            except metadata.PackageNotFoundError:
                lines.append(f"{name[0]} is not installed")
    _emit("\n".join(lines) + "\n")
    ctx.exit()


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="photoaz %(version)s")
@click.option(
    "--show-versions",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_versions,
    help="Show the versions of photoaz, Python and the libraries, and exit.",
)
def main() -> None:
    """A second opinion on antenna azimuths from geotagged ground photos.

    \b
    Example:
      photoaz demo
    """
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")  # a degree sign must not end a run in a terminal that lacks it


# ---------------------------------------------------------------------------------------------------------------------
# inspect


@main.command(short_help="What the metadata of photos give and lack.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=_FILE)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
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
                _say(str(fault))
    if as_json:
        _emit_json(
            {
                "schema": "photoaz/inspect/1",
                "version": __version__,
                "photos": [record_as_json(record) for record in records],
                "failures": failures,
            }
        )
    elif records:
        _emit("\n\n".join("\n".join(describe(record)) for record in records) + "\n")
    if failures:
        ctx.exit(SOME_UNUSABLE if records else NOTHING_DONE)


# ---------------------------------------------------------------------------------------------------------------------
# estimate


@main.command(short_help="Azimuths of one site's antennas from photos.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=_FILE)
@click.option("--register", "register", metavar="R", required=True, type=_FILE, help="The register, CSV or XLSX.")
@click.option("--site", "site_id", metavar="S", help="Which site; may be left out where the register holds one only.")
@click.option("--antenna", "antenna_ids", metavar="A", multiple=True, help="Only this antenna; may be repeated.")
@click.option("--controls", metavar="C", type=_FILE, help="Landmarks, bearings and other controls, CSV or XLSX.")
@click.option(
    "--picks",
    metavar="P",
    type=_FILE,
    help="A person's word on where antennas are, CSV or XLSX; helps out where they are not found or not told apart.",
)
@click.option("--camera", metavar="CAM", type=_FILE, help="A calibration written by 'photoaz calibrate'.")
@click.option(
    "--overlay",
    metavar="DIR",
    type=click.Path(file_okay=False, path_type=Path),
    help="Draw what was found and fitted into DIR, a picture for each photo.",
)
@click.option(
    "--risk",
    metavar="P",
    type=click.FloatRange(0.0, 0.5, min_open=True, max_open=True),
    default=0.05,
    show_default=True,
    help="Of deciding wrongly that an antenna is within, or out of, its tolerance.",
)
@click.option(
    "--sheets",
    metavar="DIR",
    type=click.Path(file_okay=False, path_type=Path),
    help="Write a second-opinion sheet for each antenna into DIR, a page to print and sign.",
)
@_COSTS
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.pass_context
def estimate(
    ctx: click.Context,
    photos: tuple[Path, ...],
    register: Path,
    site_id: str | None,
    antenna_ids: tuple[str, ...],
    controls: Path | None,
    picks: Path | None,
    camera: Path | None,
    overlay: Path | None,
    sheets: Path | None,
    costs: Path | None,
    risk: float,
    as_json: bool,
) -> None:
    """Estimate the azimuths of one site's antennas from one or more photos.

    The panels are found in the photos and named by the pattern of the register. Each azimuth comes with its expanded
    uncertainty (95 %), beside the instrument reading and the design. The pictures of --overlay show what was found, and
    why each panel was named so: look at them before relying on a result.

    \b
    Example:
      photoaz estimate north_gate.jpg field.jpg --register register.csv --site HNT-204 \\
        --controls controls.csv --overlay overlays
    """
    from photoaz.register.load import load_register, require_sites

    site = _chosen_site(require_sites(load_register(register)), site_id, register)
    _check_antennas(site, antenna_ids, register)
    prices = _prices(costs)
    solution, judgements = _solve(site, photos, controls, picks, camera, frozenset(antenna_ids) or None, risk)
    plan = _plan(site, solution, judgements, prices)
    if overlay is not None:
        for path in _draw_overlays(solution, judgements, photos, overlay):
            _say(f"wrote {path}")
    if sheets is not None:
        for path in _write_sheets(site, solution, judgements, plan, photos, sheets):
            _say(f"wrote {path}")
    _show(site, solution, judgements, plan, as_json)
    _exit_by_photos(ctx, solution)


def _chosen_site(sites: Sequence[Site], site_id: str | None, register: Path) -> Site:
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


def _check_antennas(site: Site, antenna_ids: Sequence[str], register: Path) -> None:
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


def _solve(
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

    from photoaz.solve import solve_site

    with _Progress() as progress:
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
    return solution, _judge(site, solution, risk)


def _note_unused(what: str, table: Path, names: Sequence[str], photos: Sequence[Path]) -> None:
    from photoaz.register.load import matches_photo

    if names and not any(matches_photo(name, photo, table.parent) for name in set(names) for photo in photos):
        _say(f"{table}: none of the {len(names)} rows names a photo given; no {what} is used")


def _note_strangers(table: Path, picks: Sequence[Pick], site: Site, photos: Sequence[Path]) -> None:
    from photoaz.register.load import matches_photo

    known = {antenna.antenna_id for antenna in site.antennas}
    for pick in picks:
        if pick.antenna_id not in known and any(matches_photo(pick.photo, photo, table.parent) for photo in photos):
            _say(
                f"{table}, line {pick.line}, column antenna_id: site '{site.site_id}' has no antenna "
                f"'{pick.antenna_id}'; the pick is not used"
            )


def _judge(site: Site, solution: SiteSolution, risk: float | None = None) -> dict[str, AntennaJudgement]:
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


def _prices(costs: Path | None) -> Costs | None:
    from photoaz.judgement.revisit import load_costs

    return None if costs is None else load_costs(costs)


def _plan(site: Site, solution: SiteSolution, judgements: _Judgements, prices: Costs | None) -> SiteRevisit:
    from photoaz.judgement.revisit import plan_site

    return plan_site(site, solution, judgements, prices)


def _show(site: Site, solution: SiteSolution, judgements: _Judgements, plan: SiteRevisit, as_json: bool) -> None:
    if as_json:
        from photoaz.report.document import estimates_document

        _emit_json(estimates_document([(site, solution, judgements)], datetime.now(UTC), [plan]))
        return
    _emit(_site_text(solution, judgements, plan))


def _site_text(solution: SiteSolution, judgements: _Judgements, plan: SiteRevisit) -> str:
    """The table as text, laid out for where standard output goes."""
    from rich.console import Console

    from photoaz.report.table import print_site

    console = Console(file=sys.stdout)
    with console.capture() as capture:
        print_site(solution, judgements, console, plan)
    return capture.get()


def _draw_overlays(solution: SiteSolution, judgements: _Judgements, photos: Sequence[Path], folder: Path) -> list[Path]:
    """A picture for each photo that was looked at, also where it could not be used; returns where they lie."""
    from photoaz.judgement.common import common_mode_of_site
    from photoaz.photo.pixels import decode
    from photoaz.report.names import Unseen
    from photoaz.report.overlay import Shown, draw_overlay

    folder.mkdir(parents=True, exist_ok=True)
    common = common_mode_of_site(solution, judgements)
    written: list[Path] = []
    for photo, path in _paths(solution, photos):
        shown = [
            Shown(solution=antenna, view=view, judgement=judgements.get(antenna.antenna_id))
            for antenna in solution.antennas
            for view in antenna.evidence
            if view.photo == photo.photo and photo.status == "used"
        ]
        if not shown and photo.window_px is None:
            continue
        unseen = [
            Unseen(antenna_id=antenna.antenna_id, view=view)
            for antenna in solution.antennas
            for view in antenna.missing
            if view.photo == photo.photo
        ]
        target = folder / f"{path.stem}.png"
        number = 2
        while target in written:
            target = folder / f"{path.stem}-{number}.png"
            number += 1
        page = draw_overlay(
            decode(path),
            photo,
            shown,
            unseen,
            site_id=solution.site_id,
            common=common,
            next_evidence=solution.next_evidence,
            weak_points=solution.weak_points,
        )
        target.write_bytes(page)
        written.append(target)
    return written


def _write_sheets(
    site: Site,
    solution: SiteSolution,
    judgements: _Judgements,
    plan: SiteRevisit,
    photos: Sequence[Path],
    folder: Path,
) -> list[Path]:
    """A second-opinion sheet for each antenna; returns where they lie."""
    from photoaz.photo.pixels import decode
    from photoaz.report.sheet import best_view, crop_jpeg, sheet_html, sheet_name

    folder.mkdir(parents=True, exist_ok=True)
    paths = {photo.photo: path for photo, path in _paths(solution, photos)}
    views = {antenna.antenna_id: best_view(antenna) for antenna in solution.antennas}
    crops: dict[str, tuple[bytes, str]] = {}
    for name, path in paths.items():  # each photo is opened once
        of = {antenna_id: view for antenna_id, view in views.items() if view is not None and view.photo == name}
        if of:
            picture = decode(path)
            crops |= {antenna_id: (crop_jpeg(picture, view), name) for antenna_id, view in of.items()}
    todo = {item.antenna_id: item for item in plan.items}
    written: list[Path] = []
    for antenna in solution.antennas:
        crop, photo = crops.get(antenna.antenna_id, (None, ""))
        page = sheet_html(
            site,
            solution,
            antenna.antenna_id,
            judgements.get(antenna.antenna_id),
            datetime.now(UTC),
            revisit=todo.get(antenna.antenna_id),
            crop=crop,
            crop_photo=photo,
        )
        target = folder / sheet_name(antenna.antenna_id, [path.name for path in written])
        target.write_text(page, encoding="utf-8")
        written.append(target)
    return written


def _paths(solution: SiteSolution, photos: Sequence[Path]) -> list[tuple[Any, Path]]:
    """The photos of a solution with their files: by the path as given, else by the name."""
    by_path = {str(path): path for path in photos}
    by_name = {path.name: path for path in photos}
    pairs = []
    for photo in solution.photos:
        path = by_path.get(photo.photo) or by_name.get(Path(photo.photo).name)
        if path is not None:
            pairs.append((photo, path))
    return pairs


def _exit_by_photos(ctx: click.Context, solution: SiteSolution) -> None:
    rejected = [photo for photo in solution.photos if photo.status == "rejected"]
    for photo in rejected:
        reason = "; ".join((photo.reason or "no reason given").splitlines())
        _say(reason if reason.startswith(photo.photo) else f"{photo.photo}: not used: {reason}")
    if rejected:
        ctx.exit(NOTHING_DONE if len(rejected) == len(solution.photos) else SOME_UNUSABLE)


# ---------------------------------------------------------------------------------------------------------------------
# calibrate


def _pattern(_ctx: click.Context, _param: click.Parameter, text: str) -> tuple[int, int]:
    columns, _, rows = text.lower().replace("×", "x").partition("x")
    if not (columns.isdecimal() and rows.isdecimal()):
        raise click.BadParameter(f"found '{text}'; wanted inner corners, columns x rows, such as 9x6")
    return int(columns), int(rows)


@main.command(short_help="A camera's interior orientation from a chessboard.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=_FILE)
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
        _emit(out.read_text(encoding="utf-8"))
    else:
        _emit(calibration.summary() + "\n")
    _say(f"wrote {out}")
    for name in calibration.not_found:
        _say(f"{name}: not used: the whole board was not found in it, or it has another size or cannot be read")
    if calibration.not_found:
        ctx.exit(SOME_UNUSABLE)


# ---------------------------------------------------------------------------------------------------------------------
# demo

_DEMO_MARK = ".photoaz-demo.json"


@main.command(short_help="Try it on an invented site; needs no network.")
@click.option(
    "--out",
    metavar="DIR",
    default=Path("photoaz-demo"),
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Where to put the sample site and its results.",
)
@_COSTS
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.pass_context
def demo(ctx: click.Context, out: Path, costs: Path | None, as_json: bool) -> None:
    """Estimate the azimuths of an invented site whose photos come with photoaz. Needs no network.

    Copies photos and tables into DIR, so that they can be looked at and changed, and writes estimates.json, the list of
    what to do next (revisit.csv), overlay pictures and second-opinion sheets beside them. Run again, it takes the
    tables as they then are.

    \b
    Example:
      photoaz demo --out trial
    """
    from photoaz.register.load import load_register, require_sites
    from photoaz.report.document import estimates_document
    from photoaz.report.revisit import revisit_csv
    from photoaz.sample import sample_photos

    prices = _prices(costs)
    _copy_sample(out)
    photos = sample_photos(out)
    register = out / "register.csv"
    site = _chosen_site(require_sites(load_register(register)), None, register)
    controls, picks = (path if (path := out / name).is_file() else None for name in ("controls.csv", "picks.csv"))
    solution, judgements = _solve(site, photos, controls, picks, None, None)
    plan = _plan(site, solution, judgements, prices)
    document = estimates_document([(site, solution, judgements)], datetime.now(UTC), [plan])
    (out / "estimates.json").write_text(_json_text(document), encoding="utf-8")
    (out / "revisit.csv").write_text(revisit_csv([plan]), encoding="utf-8", newline="")
    sheets = _write_sheets(site, solution, judgements, plan, photos, out / "sheets")
    overlays = _draw_overlays(solution, judgements, photos, out / "overlays")
    if as_json:
        _emit_json(document)
    else:
        _emit(_site_text(solution, judgements, plan))
    _say(f"photos and tables: {out}")
    _say(f"results: {out / 'estimates.json'}")
    _say(f"what to do next: {out / 'revisit.csv'}")
    if sheets:
        _say(f"second-opinion sheets to print: {out / 'sheets'}")
    if overlays:
        _say(f"pictures of what was found and fitted: {out / 'overlays'}")
    _exit_by_photos(ctx, solution)


def _copy_sample(out: Path) -> None:
    """Copy the sample site; what somebody changed since an earlier copy stays as it is."""
    import hashlib

    from photoaz.sample import sample_files

    def digest(data: bytes) -> str:
        return hashlib.sha256(data).hexdigest()

    mark = out / _DEMO_MARK
    copied: dict[str, str] = {}
    if mark.is_file():
        try:
            copied = dict(json.loads(mark.read_text(encoding="utf-8"))["files"])
        except (ValueError, KeyError, TypeError):
            copied = {}  # nothing is known to be ours, so nothing that differs is written over
    elif out.is_dir() and any(out.iterdir()):
        raise InputError(
            Fault(file=out, found="a folder with other files in it", wanted="a new or empty folder: --out DIR")
        )
    out.mkdir(parents=True, exist_ok=True)
    for source in sample_files():
        target = out / source.name
        data = source.read_bytes()
        if target.exists() and digest(target.read_bytes()) not in (copied.get(source.name), digest(data)):
            _say(f"{target}: changed since it was copied; kept as it is")
            continue
        target.write_bytes(data)
        copied[source.name] = digest(data)
    mark.write_text(_json_text({"version": __version__, "files": copied}), encoding="utf-8")


# ---------------------------------------------------------------------------------------------------------------------
# Standard output and standard error


def _emit(text: str) -> None:
    """Write results. A reader that goes away (`| head`) ends the writing, not the command's meaning."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # what is still buffered must go somewhere when Python closes the stream
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _json_text(document: Mapping[str, Any]) -> str:
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _emit_json(document: Mapping[str, Any]) -> None:
    """Write JSON; in UTF-8 where the stream can, as JSON is to be (RFC 8259), whatever the locale."""
    reconfigure = getattr(sys.stdout, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(encoding="utf-8")
    _emit(_json_text(document))


def _say(message: str) -> None:
    click.echo(f"photoaz: {message}", err=True)


class _Progress:
    """One line on standard error, written over and over; nothing where that is not a terminal."""

    def __init__(self) -> None:
        self._on = sys.stderr.isatty()
        self._width = 0

    def __call__(self, message: str) -> None:
        if self._on:
            line = message.replace("\n", " ")[: max(10, shutil.get_terminal_size().columns - 1)]
            sys.stderr.write("\r" + line.ljust(self._width))
            sys.stderr.flush()
            self._width = len(line)

    def __enter__(self) -> Callable[[str], None]:
        return self

    def __exit__(self, *_: object) -> None:
        if self._on and self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            sys.stderr.flush()
