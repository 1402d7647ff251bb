"""`photoaz audit` and `photoaz report`."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from photoaz.cli.group import COLUMNS, COSTS, FILE, INTERRUPTED, NOTHING_DONE, REGISTER, SOME_UNUSABLE, main
from photoaz.cli.streams import emit, emit_json, json_text, say
from photoaz.errors import Fault, InputError

if TYPE_CHECKING:
    from photoaz.audit.run import AuditInputs, Tally
    from photoaz.audit.store import Store
    from photoaz.present.results import Results

STORE = "results.sqlite"
#: folders of results with pictures in them
OWN_FOLDERS = ("overlays", "sheets", "report")
#: says where the store is, if it is elsewhere
NOTE = "audit.json"
_WHICH = click.Choice(["all", "flagged", "none"])


@main.command(short_help="An archive of photos against a register.")
@click.argument("paths", metavar="PATH...", nargs=-1, required=True)
@REGISTER
@COLUMNS
@click.option("--readings", metavar="FILE", type=FILE, help="Earlier and later readings with their dates, CSV or XLSX.")
@click.option("--manifest", metavar="FILE", type=FILE, help="Which photo shows which site: CSV with photo, site_id.")
@click.option("--controls", metavar="C", type=FILE, help="Landmarks, bearings and other controls, CSV or XLSX.")
@click.option("--picks", metavar="P", type=FILE, help="A person's word on where antennas are, CSV or XLSX.")
@click.option("--camera", metavar="CAM", type=FILE, help="A calibration written by 'photoaz calibrate'.")
@click.option(
    "--out",
    metavar="DIR",
    required=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="The folder for the results.",
)
@click.option("--jobs", metavar="N", type=click.IntRange(1), help="Processes that work at once. [default: one a core]")
@click.option("--scheduler", metavar="ADDRESS", help="Work on the workers of this dask.distributed scheduler instead.")
@click.option(
    "--store",
    metavar="URL",
    help=f"Where results are kept: sqlite:///FILE or postgresql://USER@HOST/DATABASE. [default: DIR/{STORE}]",
)
@click.option("--name", metavar="NAME", help="The audit's name in a store that several share. [default: DIR's name]")
@click.option(
    "--risk",
    metavar="P",
    type=click.FloatRange(0.0, 0.5, min_open=True, max_open=True),
    default=0.05,
    show_default=True,
    help="Risk of deciding wrongly that an antenna is within, or out of, its tolerance.",
)
@click.option(
    "--overlays", type=_WHICH, default="all", show_default=True, help="Of which sites' photos pictures are drawn."
)
@click.option(
    "--sheets", type=_WHICH, default="flagged", show_default=True, help="For which antennas sheets are written."
)
@COSTS
@click.option("-q", "--quiet", is_flag=True, help="No progress.")
@click.option("--json", "as_json", is_flag=True, help="What it came to as one JSON document on standard output.")
@click.pass_context
def audit(
    ctx: click.Context,
    /,
    paths: tuple[str, ...],
    out: Path,
    jobs: int | None,
    scheduler: str | None,
    store: str | None,
    name: str | None,
    quiet: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Audit an archive: folders, photos, lists of them, or URLs of object stores (s3://, gs://, https://).

    Each photo's site is told by its position and heading, else by its folder or the manifest. Every site is solved,
    judged, and put on the list of what to do next; DIR then holds results as tables, maps and pages. Called again, only
    what changed is done again: an audit that was stopped goes on where it was.

    \b
    Example:
      photoaz audit archive --register register.csv --out audit-2026
    """
    from photoaz.cli.inputs import audit_inputs

    given, faults = audit_inputs(paths, **options)
    for fault in faults:
        say(str(fault))
    place = StorePlace.at(out, store, name)
    try:
        tally, results = run(given, options, faults, out, place, jobs or cores(), scheduler, quiet)
    except KeyboardInterrupt:
        say("stopped; nothing that was finished is lost, and the same command goes on from here")
        ctx.exit(INTERRUPTED)
    show_results(results, as_json)
    exit_by_results(ctx, results, out, bool(faults or tally.troubles), tally.used)


@dataclass(frozen=True, slots=True)
class StorePlace:
    """Where an audit's store is. elsewhere: not in the folder of results."""

    url: str
    name: str
    elsewhere: bool

    @classmethod
    def at(cls, out: Path, store: str | None = None, name: str | None = None) -> StorePlace:
        """By the options --out, --store and --name."""
        if store is None:
            return cls(f"sqlite:///{out / STORE}", name or "audit", False)
        return cls(store, name or out.resolve().name, True)


def run(
    given: AuditInputs,
    options: Mapping[str, Any],
    faults: Sequence[Fault],
    out: Path,
    place: StorePlace,
    jobs: int,
    scheduler: str | None,
    quiet: bool,
) -> tuple[Tally, Results]:
    """An audit with all its results. options: as they were given, for the record."""
    from photoaz.audit.executors import crew
    from photoaz.audit.progress import progress
    from photoaz.audit.run import run_audit
    from photoaz.audit.store import Store
    from photoaz.cli.inputs import about_run
    from photoaz.present.results import write_results

    out.mkdir(parents=True, exist_ok=True)
    # where the results lie within the archive, their pictures are none of its photos
    given = replace(given, skip=tuple(os.path.join(os.path.abspath(out), name, "") for name in OWN_FOLDERS))
    store = Store.open(place.url, place.name)
    try:
        note_store(out, place)
        store.drop_old_evidence()
        store.begin_run(about_run(options, given, faults))
        with progress(quiet) as bar, crew(jobs, scheduler) as workers:
            tally = run_audit(given, store, workers, bar, keeper(out), (place.url, place.name))
            store.end_run()
            if quiet:
                for fault in tally.troubles:
                    say(str(fault))
            return tally, write_results(out, store, bar)
    finally:
        store.close()


def exit_by_results(ctx: click.Context, results: Results, out: Path, faulty: bool, used: int) -> None:
    """Exit code 1 where some inputs could not be used, 2 where no photo could."""
    photos = results.outcome.photos
    if photos["unusable"]:
        say(f"{photos['unusable']} of {photos['listed']} photos could not be used; why: {out / 'failures.csv'}")
    if photos["unusable"] or faulty or not used:
        ctx.exit(SOME_UNUSABLE if used else NOTHING_DONE)


@main.command(short_help="The results of an audit again, from its store.")
@click.argument("folder", metavar="DIR", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("-q", "--quiet", is_flag=True, help="No progress.")
@click.option("--json", "as_json", is_flag=True, help="What it came to as one JSON document on standard output.")
def report(folder: Path, quiet: bool, as_json: bool) -> None:
    """Write the report's pages and all other results of an audit again. DIR is the folder that it has them in.

    \b
    Example:
      photoaz report audit-2026
    """
    from photoaz.audit.progress import progress
    from photoaz.present.results import write_results

    opened = open_store(folder)
    try:
        with progress(quiet) as bar:
            results = write_results(folder, opened, bar)
    except LookupError:
        raise InputError(Fault(file=folder, found="an audit that never ran", wanted="one that did")) from None
    finally:
        opened.close()
    show_results(results, as_json)


def show_results(results: Results, as_json: bool) -> None:
    """What an audit came to, and where to look."""
    if as_json:
        emit_json(results.outcome.document(results.created, results.report))
    else:
        emit(results.outcome.text())
    say(f"report: {results.report}")


def note_store(out: Path, place: StorePlace) -> None:
    """Note where an audit's store is, without a password, where that is not in the folder of results itself."""
    note = out / NOTE
    if not place.elsewhere:
        note.unlink(missing_ok=True)
        return
    from sqlalchemy import make_url

    url = make_url(place.url)
    plain = url.set(password=None).render_as_string(hide_password=False) if url.password else place.url
    note.write_text(json_text({"store": plain, "name": place.name}), encoding="utf-8")


def open_store(folder: Path) -> Store:
    """The store of an audit by its folder of results. Raises InputError."""
    from photoaz.audit.store import Store

    url, name = f"sqlite:///{folder / STORE}", "audit"
    note = folder / NOTE
    if note.is_file():
        try:
            told = json.loads(note.read_text(encoding="utf-8"))
            url, name = str(told["store"]), str(told["name"])
        except (ValueError, KeyError, TypeError):
            wanted = "store and name, as 'photoaz audit' writes them"
            raise InputError(Fault(file=note, found="no such note", wanted=wanted)) from None
    elif not (folder / STORE).is_file():
        wanted = f"the folder that 'photoaz audit --out' wrote, with {STORE} in it"
        raise InputError(Fault(file=folder, found="no results of an audit", wanted=wanted))
    return Store.open(url, name, create=False)


def cores() -> int:
    """Those that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def keeper(out: Path) -> Callable[[str, bytes], None]:
    """Writes files below the folder of results, each whole or not at all."""

    def keep(path: str, data: bytes) -> None:
        target = out / path
        target.parent.mkdir(parents=True, exist_ok=True)
        half = target.with_name(f".{target.name}.part")
        half.write_bytes(data)
        half.replace(target)

    return keep
