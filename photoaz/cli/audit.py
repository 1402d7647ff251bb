"""`photoaz audit` and `photoaz report`."""

from __future__ import annotations

import shlex
import sys
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from photoaz.addresses import without_secrets
from photoaz.cli import group
from photoaz.cli.streams import emit, emit_json, say
from photoaz.errors import Fault, InputError

if TYPE_CHECKING:
    from photoaz.present.results import Results

_WHICH = click.Choice(["all", "flagged", "none"])


@group.main.command(short_help="An archive of photos against a register.")
@click.argument("paths", metavar="PATH...", nargs=-1, required=True)
@group.REGISTER
@group.COLUMNS
@group.file_option("--readings", "FILE", "Earlier and later readings with their dates, CSV or XLSX.")
@group.file_option("--manifest", "FILE", "Which photo shows which site: CSV with photo, site_id.")
@group.CONTROLS
@group.PICKS
@group.CAMERA
@click.option("--out", metavar="DIR", required=True, type=group.FOLDER, help="The folder for the results.")
@click.option("--jobs", metavar="N", type=click.IntRange(1), help="Processes that work at once. [default: one a core]")
@click.option("--scheduler", metavar="ADDRESS", help="Work on the workers of this dask.distributed scheduler instead.")
@click.option(
    "--store",
    metavar="URL",
    help="Where results are kept: sqlite:///FILE or postgresql://USER@HOST/DATABASE. [default: DIR/results.sqlite]",
)
@click.option("--name", metavar="NAME", help="The audit's name in a store that several share. [default: DIR's name]")
@group.RISK
@click.option(
    "--overlays", type=_WHICH, default="all", show_default=True, help="Of which sites' photos pictures are drawn."
)
@click.option(
    "--sheets", type=_WHICH, default="flagged", show_default=True, help="For which antennas sheets are written."
)
@group.COSTS
@group.PRIORS
@group.SURROUNDINGS
@group.TERRAIN
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
    from photoaz.present.folder import audit_into

    how: dict[str, Any] = {"store": store, "name": name, "jobs": jobs, "scheduler": scheduler, "quiet": quiet}
    try:
        results, tally, faulty = audit_into(out, paths, options, called_as(), note=say, **how)
    except KeyboardInterrupt:
        say("stopped; nothing that was finished is lost, and the same command goes on from here")
        ctx.exit(group.INTERRUPTED)
    show_results(results, as_json)
    exit_by_results(ctx, results, out, faulty, tally.used)


def exit_by_results(ctx: click.Context, results: Results, out: Path, faulty: bool, used: int) -> None:
    """Exit code 1 where some inputs could not be used, 2 where no photo could."""
    photos = results.outcome.photos
    if photos["unusable"]:
        say(f"{photos['unusable']} of {photos['listed']} photos could not be used; why: {out / 'failures.csv'}")
    if photos["unusable"] or faulty or not used:
        ctx.exit(group.SOME_UNUSABLE if used else group.NOTHING_DONE)


@group.main.command(short_help="The results of an audit again, from its store.")
@click.argument("folder", metavar="DIR", type=group.OLD_FOLDER)
@click.option("-q", "--quiet", is_flag=True, help="No progress.")
@click.option("--json", "as_json", is_flag=True, help="What it came to as one JSON document on standard output.")
def report(folder: Path, quiet: bool, as_json: bool) -> None:
    """Write the report's pages and all other results of an audit again. DIR is the folder that it has them in.

    \b
    Example:
      photoaz report audit-2026
    """
    from photoaz.audit.lock import locked
    from photoaz.audit.progress import progress
    from photoaz.present.folder import StorePlace, open_store
    from photoaz.present.results import write_results

    StorePlace.of(folder)
    try:
        with locked(folder), closing(open_store(folder)) as opened, progress(quiet) as bar:
            results = write_results(folder, opened, bar)
    except LookupError:
        raise InputError(Fault(file=folder, found="an audit that never ran", wanted="one that did")) from None
    show_results(results, as_json)


def show_results(results: Results, as_json: bool) -> None:
    """What an audit came to, and where to look."""
    if as_json:
        emit_json(results.outcome.document(results.created, results.report))
    else:
        emit(results.outcome.text())
    say(f"report: {results.report}")


def called_as() -> str:
    """The command line, for the record."""
    return shlex.join(["photoaz", *map(without_secrets, sys.argv[1:])])
