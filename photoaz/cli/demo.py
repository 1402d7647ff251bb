"""`photoaz demo`."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import click

from photoaz import __version__
from photoaz.cli.audit import called_as, exit_by_results
from photoaz.cli.group import AS_JSON, COSTS, FOLDER, RISK, main
from photoaz.cli.site import site_text
from photoaz.cli.streams import emit, json_text, say
from photoaz.errors import Fault, InputError

_DEMO_MARK = ".photoaz-demo.json"


@main.command(short_help="Try it on an invented site; needs no network.")
@click.option(
    "--out",
    metavar="DIR",
    default=Path("photoaz-demo"),
    show_default=True,
    type=FOLDER,
    help="Where to put the sample site and its results.",
)
@RISK
@COSTS
@AS_JSON
@click.pass_context
def demo(ctx: click.Context, out: Path, risk: float, costs: Path | None, as_json: bool) -> None:
    """Audit an invented site whose photos come with photoaz. Needs no network.

    Copies photos and tables into DIR, so that they can be looked at and changed, and audits them into DIR: the report
    with a page for the site, results as tables and maps, what to do next (revisit.csv), pictures of what was found and
    second-opinion sheets. Run again, it takes the tables as they then are, and works out what they change.

    \b
    Example:
      photoaz demo --out trial
    """
    from photoaz.present.folder import audit_into
    from photoaz.register.load import load_register, require_sites
    from photoaz.result import read_estimates
    from photoaz.sample import sample_photos

    _copy_sample(out)
    register = out / "register.csv"
    require_sites(load_register(register))  # somebody may have changed it: then every fault of it matters here
    controls, picks = (path if (path := out / name).is_file() else None for name in ("controls.csv", "picks.csv"))
    options: dict[str, Any] = {"register": register, "controls": controls, "picks": picks, "costs": costs}
    options |= {"risk": risk, "sheets": "all"}
    photos = [str(photo) for photo in sample_photos(out)]
    results, tally, faulty = audit_into(out, photos, options, called_as(), jobs=1)
    estimates = (out / "estimates.json").read_text(encoding="utf-8")
    if as_json:
        emit(estimates)
    else:
        for result in read_estimates(estimates):
            emit(site_text(result))
        emit("\n" + results.outcome.text())
    say(f"photos, tables and results: {out}")
    say(f"the page to open: {results.report}")
    exit_by_results(ctx, results, out, faulty, tally.used)


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
        wanted = "a new or empty folder: --out DIR"
        raise InputError(Fault(file=out, found="a folder with other files in it", wanted=wanted))
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
