"""`photoaz demo`."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from photoaz import __version__
from photoaz.cli.group import COSTS, RISK, main
from photoaz.cli.site import (
    chosen_site,
    draw_overlays,
    exit_by_photos,
    plan_of,
    prices_of,
    site_text,
    solve,
    write_sheets,
)
from photoaz.cli.streams import emit, emit_json, json_text, say
from photoaz.errors import Fault, InputError

if TYPE_CHECKING:
    pass

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
@RISK
@COSTS
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.pass_context
def demo(ctx: click.Context, out: Path, risk: float, costs: Path | None, as_json: bool) -> None:
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

    prices = prices_of(costs)
    _copy_sample(out)
    photos = sample_photos(out)
    register = out / "register.csv"
    site = chosen_site(require_sites(load_register(register)), None, register)
    controls, picks = (path if (path := out / name).is_file() else None for name in ("controls.csv", "picks.csv"))
    solution, judgements = solve(site, photos, controls, picks, None, None, risk)
    plan = plan_of(site, solution, judgements, prices)
    document = estimates_document([(site, solution, judgements)], datetime.now(UTC), [plan])
    (out / "estimates.json").write_text(json_text(document), encoding="utf-8")
    (out / "revisit.csv").write_text(revisit_csv([plan]), encoding="utf-8", newline="")
    sheets = write_sheets(site, solution, judgements, plan, photos, out / "sheets")
    overlays = draw_overlays(solution, judgements, photos, out / "overlays")
    if as_json:
        emit_json(document)
    else:
        emit(site_text(solution, judgements, plan))
    say(f"photos and tables: {out}")
    say(f"results: {out / 'estimates.json'}")
    say(f"what to do next: {out / 'revisit.csv'}")
    if sheets:
        say(f"second-opinion sheets to print: {out / 'sheets'}")
    if overlays:
        say(f"pictures of what was found and fitted: {out / 'overlays'}")
    exit_by_photos(ctx, solution)


def _copy_sample(out: Path) -> None:
    """Copy the sample site; what somebody changed since an earlier copy stays as it is."""

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
            say(f"{target}: changed since it was copied; kept as it is")
            continue
        target.write_bytes(data)
        copied[source.name] = digest(data)
    mark.write_text(json_text({"version": __version__, "files": copied}), encoding="utf-8")
