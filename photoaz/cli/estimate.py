"""`photoaz estimate`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from photoaz.cli.group import (
    ANTENNAS,
    AS_JSON,
    COLUMNS,
    COSTS,
    FILE,
    FOLDER,
    PRIORS,
    REGISTER,
    RISK,
    SITE,
    SOME_UNUSABLE,
    SURROUNDINGS,
    TERRAIN,
    main,
)
from photoaz.cli.site import (
    draw_result,
    exit_by_photos,
    note_unused_rows,
    read_register,
    site_text,
)
from photoaz.cli.streams import emit, emit_json, one_line, say
from photoaz.errors import FileReader


# longer than most: its options
@main.command(short_help="Azimuths of one site's antennas from photos.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=FILE)
@REGISTER
@COLUMNS
@SITE
@ANTENNAS
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
    type=FOLDER,
    help="Draw what was found and fitted into DIR, a picture for each photo.",
)
@RISK
@click.option(
    "--sheets",
    metavar="DIR",
    type=FOLDER,
    help="Write a second-opinion sheet for each antenna into DIR, a page to print and sign.",
)
@COSTS
@PRIORS
@SURROUNDINGS
@TERRAIN
@AS_JSON
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
    priors: Path | None,
    surroundings: Path | None,
    terrain: Path | None,
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
    from photoaz.estimate.inputs import Tools, site_inputs
    from photoaz.estimate.pipeline import estimate_site
    from photoaz.judgement.costs import load_costs
    from photoaz.photo.calibration import load_calibration
    from photoaz.register.load import load_controls, load_picks, require_antennas
    from photoaz.register.priors import read_priors
    from photoaz.result import estimates_document
    from photoaz.surroundings.reading import scenery_of

    site = read_register(register, columns).site(site_id)
    require_antennas(site, antenna_ids, register)
    reading = FileReader()
    known_controls = reading.read(load_controls, controls) or ()
    known_picks = reading.read(load_picks, picks) or ()
    calibration = reading.read(load_calibration, camera)
    prices = reading.read(load_costs, costs)
    known_before = reading.read(read_priors, priors)
    scenery = reading.read(lambda _path: scenery_of(surroundings, terrain), surroundings or terrain)
    reading.done()
    tables: dict[str, tuple[Path, Sequence[Any]] | None] = {
        "control": None if controls is None else (controls, known_controls),
        "pick": None if picks is None else (picks, known_picks),
    }
    note_unused_rows(site, [str(photo) for photo in photos], tables)
    given = site_inputs(
        site,
        photos,
        controls=known_controls,
        controls_dir=None if controls is None else controls.parent,
        picks=known_picks,
        picks_dir=None if picks is None else picks.parent,
        calibration=calibration,
        antenna_ids=frozenset(antenna_ids) or None,
        risk=risk,
        costs=prices,
        priors=known_before,
        scenery=scenery,
    )
    faults = scenery.map.faults if scenery else ()
    for fault in faults:
        say(str(fault))
    with one_line() as progress:
        result = estimate_site(given, Tools(progress=progress))
    for path in draw_result(site, result, photos, overlay, sheets):
        say(f"wrote {path}")
    if as_json:
        emit_json(estimates_document([result]))
    else:
        emit(site_text(result))
    exit_by_photos(ctx, result)
    if faults:
        ctx.exit(SOME_UNUSABLE)
