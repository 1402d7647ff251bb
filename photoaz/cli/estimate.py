"""`photoaz estimate`."""

from __future__ import annotations

from pathlib import Path

import click

from photoaz.cli.group import COLUMNS, COSTS, FILE, RISK, main
from photoaz.cli.site import (
    check_antennas,
    chosen_site,
    draw_overlays,
    exit_by_photos,
    plan_of,
    prices_of,
    register_sites,
    show,
    solve,
    write_sheets,
)
from photoaz.cli.streams import say


@main.command(short_help="Azimuths of one site's antennas from photos.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=FILE)
@click.option("--register", "register", metavar="R", required=True, type=FILE, help="The register, CSV or XLSX.")
@COLUMNS
@click.option("--site", "site_id", metavar="S", help="Which site; may be left out where the register holds one only.")
@click.option("--antenna", "antenna_ids", metavar="A", multiple=True, help="Only this antenna; may be repeated.")
@click.option("--controls", metavar="C", type=FILE, help="Landmarks, bearings and other controls, CSV or XLSX.")
@click.option(
    "--picks",
    metavar="P",
    type=FILE,
    help="A person's word on where antennas are, CSV or XLSX; helps out where they are not found or not told apart.",
)
@click.option("--camera", metavar="CAM", type=FILE, help="A calibration written by 'photoaz calibrate'.")
@click.option(
    "--overlay",
    metavar="DIR",
    type=click.Path(file_okay=False, path_type=Path),
    help="Draw what was found and fitted into DIR, a picture for each photo.",
)
@RISK
@click.option(
    "--sheets",
    metavar="DIR",
    type=click.Path(file_okay=False, path_type=Path),
    help="Write a second-opinion sheet for each antenna into DIR, a page to print and sign.",
)
@COSTS
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.pass_context
def estimate(
    ctx: click.Context,
    photos: tuple[Path, ...],
    register: Path,
    columns: Path | None,
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
    site = chosen_site(register_sites(register, columns), site_id, register)
    check_antennas(site, antenna_ids, register)
    prices = prices_of(costs)
    solution, judgements = solve(site, photos, controls, picks, camera, frozenset(antenna_ids) or None, risk)
    plan = plan_of(site, solution, judgements, prices)
    if overlay is not None:
        for path in draw_overlays(solution, judgements, photos, overlay):
            say(f"wrote {path}")
    if sheets is not None:
        for path in write_sheets(site, solution, judgements, plan, photos, sheets):
            say(f"wrote {path}")
    show(site, solution, judgements, plan, as_json)
    exit_by_photos(ctx, solution)
