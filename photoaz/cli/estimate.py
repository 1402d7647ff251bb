"""`photoaz estimate`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from photoaz.cli import group, one, site
from photoaz.cli.streams import emit, emit_json, one_line, say
from photoaz.errors import FileReader


# longer than most: its options
@group.main.command(short_help="Azimuths of one site's antennas from photos.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=group.PHOTO)
@group.file_option("--register", "R", "The register, CSV or XLSX.")
@one.options
@group.COLUMNS
@click.option(
    "--site", "site_id", metavar="S", help="Which site; without it the photos' positions and headings choose."
)
@group.ANTENNAS
@group.CONTROLS
@group.PICKS
@group.CAMERA
@click.option(
    "--overlay",
    metavar="DIR",
    type=group.FOLDER,
    help="Draw what was found and fitted into DIR, a picture for each photo.",
)
@group.RISK
@click.option(
    "--sheets",
    metavar="DIR",
    type=group.FOLDER,
    help="Write a second-opinion sheet for each antenna into DIR, a page to print and sign.",
)
@group.COSTS
@group.PRIORS
@group.SURROUNDINGS
@group.TERRAIN
@click.option("--explain", is_flag=True, help="Say why as well: reasons, photos, what limits the figures.")
@group.AS_JSON
@click.pass_context
def estimate(
    ctx: click.Context,
    /,
    photos: tuple[Path, ...],
    register: Path | None,
    columns: Path | None,
    site_id: str | None,
    antenna_ids: tuple[str, ...],
    overlay: Path | None,
    sheets: Path | None,
    risk: float,
    explain: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Estimate the azimuths of a site's antennas from one or more photos.

    The panels are found in the photos and named by the pattern of the register. Each azimuth comes with its expanded
    uncertainty (95 %), beside the instrument reading and the design. The pictures of --overlay show what was found, and
    why each panel was named so: look at them before relying on a result. One antenna needs no register: --at, --height
    and --azimuth say what a row of it would.

    \b
    Example:
      photoaz estimate north_gate.jpg field.jpg --register register.csv --site HNT-204 \\
        --controls controls.csv --overlay overlays
    """
    from photoaz.estimate.inputs import Tools, read_beside, site_inputs
    from photoaz.estimate.pipeline import estimate_site
    from photoaz.present.words import page_name
    from photoaz.register.load import require_antennas
    from photoaz.result import estimates_document

    by_hand = one.typed_site(**options)
    if (by_hand is None) == (register is None):
        raise click.UsageError("Either --register, or --at with --height and --azimuth, is needed; not both.")
    if by_hand is not None:
        chosen, left = {by_hand.site_id: (by_hand, photos)}, 0
    else:
        assert register is not None
        chosen, left = site.choose_sites(site.read_register(register, columns), site_id, photos)
    for one_site, _ in chosen.values():
        require_antennas(one_site, antenna_ids, register or "--antenna")
    reading = FileReader()
    beside = read_beside(reading, options)
    reading.done()
    scenery = beside["scenery"]
    for fault in scenery.map.faults if scenery else ():
        say(str(fault))
    site.note_unused_rows(photos, "control", options["controls"], beside["controls"])
    site.note_unused_rows(photos, "pick", options["picks"], beside["picks"])
    results = []
    for one_site, some in chosen.values():
        given = site_inputs(one_site, some, antenna_ids=frozenset(antenna_ids) or None, risk=risk, **beside)
        given, unused = site.usable_picks(given, options["picks"])
        left += unused
        with one_line() as progress:
            results.append(estimate_site(given, Tools(progress=progress)))
        within = Path(page_name(one_site.site_id, set())).stem if len(chosen) > 1 else ""
        overlays, pages = (None if folder is None else folder / within for folder in (overlay, sheets))
        for path in site.draw_result(one_site, results[-1], some, overlays, pages):
            say(f"wrote {path}")
    if as_json:
        emit_json(estimates_document(results))
    else:
        magnetic = by_hand is not None and by_hand.antennas[0].design_north == "magnetic"
        emit("\n".join(site.site_text(result, explain=explain, magnetic=magnetic) for result in results))
    site.exit_by_photos(ctx, results, left + (len(scenery.map.faults) if scenery else 0))
