"""`photoaz plan`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from photoaz.cli import group
from photoaz.cli.group import place_given
from photoaz.cli.site import read_register, read_scenery
from photoaz.cli.streams import emit, emit_json, json_text, laid_out, one_line, say
from photoaz.errors import Fault, InputError

if TYPE_CHECKING:
    from photoaz.planning.earlier import EarlierAzimuths
    from photoaz.planning.light import CivilTime
    from photoaz.planning.plan import SitePlan
    from photoaz.register.model import Site
    from photoaz.result import Revisit, SiteResult

_NEW_FILE = click.Path(dir_okay=False, path_type=Path)


def _distance(name: str, called: str, default: float, said: str) -> Callable[[Any], Any]:
    allowed = click.FloatRange(20.0, 3000.0)
    return click.option(name, called, metavar="M", type=allowed, default=default, show_default=True, help=said)


# longer than most: its options
@group.main.command(short_help="Where to stand for the next photos, and what will come out.")
@group.REGISTER
@group.COLUMNS
@group.SITE
@group.ANTENNAS
@click.option("--date", "day", metavar="D", type=click.DateTime(["%Y-%m-%d"]), help="Day whose light is given. [today]")
@group.file_option("--photo", "photos", "PHOTO", "A photo that is there already.", multiple=True)
@group.file_option("--estimates", "E", "estimates.json: what photos told already, not solved again.")
@group.file_option("--landmarks", "L", "Landmarks, CSV: name, lat_deg, lon_deg, height_m, u95.")
@group.file_option("--area", "G", "GeoJSON: polygons with stand: yes or no, obstacles with height_m.")
@group.SURROUNDINGS
@group.TERRAIN
@click.option(
    "--lens",
    "lenses",
    metavar="MM",
    multiple=True,
    type=click.FloatRange(8, 3000),
    help="A lens at hand, 35 mm equivalent; may be repeated. [26, 77, 120]",
)
@_distance(
    "--min-distance", "nearest_m", 45.7, "Not nearer to the tower, metres; by common practice (150 ft), no source."
)
@_distance("--max-distance", "farthest_m", 250.0, "Not further from the tower, metres.")
@click.option(
    "--most", metavar="N", type=click.IntRange(1, 4), default=3, show_default=True, help="Photos together at most."
)
@click.option(
    "--criterion",
    type=click.Choice(["A", "D"]),
    default="A",
    show_default=True,
    help="A: mean variance of the azimuths; D: generalised variance, the angles between sectors as well.",
)
@group.file_option(
    "--sheet",
    "HTML",
    "Write the field sheet, a page to print or keep on the phone; with --trip a page for each stop.",
    type=_NEW_FILE,
)
@group.file_option("--gpx", "GPX", "Write the standpoints (or the round trip) as GPX 1.1.", type=_NEW_FILE)
@group.file_option("--geojson", "JSON", "Write the standpoints as GeoJSON.", type=_NEW_FILE)
@group.file_option("--trip", "LIST", "Instead: a round trip over a revisit.csv or estimates.json.")
@click.option(
    "--zone", metavar="ZONE", help="Zone of the hours told, such as Europe/Vienna or +02:00. [the photos' own, or UTC]"
)
@click.option("--start", metavar="LAT,LON", callback=place_given, help="With --trip: where it begins and ends.")
@group.COSTS
@group.AS_JSON
@click.pass_context
def plan(
    ctx: click.Context,
    /,
    register: Path,
    columns: Path | None,
    site_id: str | None,
    antenna_ids: tuple[str, ...],
    day: datetime | None,
    photos: tuple[Path, ...],
    estimates: Path | None,
    landmarks: Path | None,
    area: Path | None,
    surroundings: Path | None,
    terrain: Path | None,
    lenses: tuple[float, ...],
    sheet: Path | None,
    gpx: Path | None,
    geojson: Path | None,
    trip: Path | None,
    start: tuple[float, float] | None,
    zone: str | None,
    costs: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Plan a site's next photos: where to stand, with which lens, when, and the U95 to be expected.

    The best one, two and three photos together, by the network's own forecast. Photos that are there already count:
    give them with --photo, or what they told with --estimates. Cautions come first; local codes and licensed practice
    come before any plan.

    \b
    Example:
      photoaz plan --register register.csv --site HNT-204 --sheet field.html
    """
    from photoaz.register.load import require_antennas

    known = read_register(register, columns)
    files = {"sheet": sheet, "gpx": gpx, "geojson": geojson}
    if trip is not None:
        _hand_out(_trip_made(known.sites, trip, start, day, _zone(zone)), files, as_json)
        return
    site = known.site(site_id)
    require_antennas(site, antenna_ids, register)
    if photos and estimates:
        raise InputError(Fault(file="--estimates", found="photos as well", wanted="--photo or --estimates, not both"))

    from photoaz.geodesy.frames import EnuFrame
    from photoaz.planning.equipment import Equipment
    from photoaz.planning.plan import plan_photos
    from photoaz.planning.surroundings import load_area, load_landmarks

    frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0)
    marks = load_landmarks(landmarks, frame) if landmarks else ()
    where = load_area(area, frame) if area else None
    scenery = read_scenery(surroundings, terrain)
    solution, earlier = _earlier(site, photos, estimates)
    made = plan_photos(
        site,
        wanted=antenna_ids or None,
        earlier=earlier,
        landmarks=marks,
        area=where,
        scenery=scenery,
        equipment=Equipment(lenses_mm=lenses) if lenses else None,
        day=None if day is None else day.date(),
        **options,
    )
    gain = None if solution is None else _gain(site, solution, made, costs)
    _hand_out(_plan_made(made, gain, _zone(zone, photos)), files, as_json)
    if not made.standpoints:
        say("no standpoint: nowhere that is allowed and near enough shows an antenna")
        ctx.exit(group.NOTHING_DONE)


def _earlier(
    site: Site, photos: Sequence[Path], estimates: Path | None
) -> tuple[SiteResult | None, EarlierAzimuths | None]:
    """What photos that are there tell: the solution, where they are solved here, and the azimuths."""
    from photoaz.planning.earlier import earlier_of_estimates, earlier_of_result

    if photos:
        from photoaz.estimate.inputs import Tools, site_inputs
        from photoaz.estimate.pipeline import estimate_site

        with one_line() as progress:
            solution = estimate_site(site_inputs(site, photos), Tools(progress=progress))
        for photo in solution.photos:
            if photo.status == "rejected":
                say(f"{photo.photo}: not used: {photo.reason}")
        return solution, earlier_of_result(solution)
    if estimates is None:
        return None, None
    earlier = earlier_of_estimates(estimates, site)
    if earlier is None:
        say(f"{estimates}: tells no azimuth of site '{site.site_id}'")
    return None, earlier


#: files by the options that ask for them, the document, and what prints; each made when it is wanted
_Made = tuple[dict[str, Callable[[], str]], Callable[[], Mapping[str, Any]], Callable[[Any], None]]


def _plan_made(made: SitePlan, gain: Revisit | None, civil: CivilTime) -> _Made:
    from photoaz.present.field_sheet import field_sheet_html
    from photoaz.present.plan_document import plan_document, plan_geojson, plan_gpx, print_plan

    now = datetime.now(UTC)
    files = {
        "sheet": lambda: field_sheet_html(made, now, gain, civil),
        "gpx": lambda: plan_gpx(made, now),
        "geojson": lambda: json_text(plan_geojson(made)),
    }
    return files, lambda: plan_document(made, gain), lambda console: print_plan(console, made, gain, civil)


def _trip_made(
    sites: Sequence[Site], path: Path, start: tuple[float, float] | None, day: datetime | None, civil: CivilTime
) -> _Made:
    from photoaz.planning.earlier import sites_to_visit
    from photoaz.planning.trip import trip_over
    from photoaz.present.field_sheet import trip_sheet_html
    from photoaz.present.plan_document import print_trip, trip_document, trip_gpx

    trip, now = trip_over(sites_to_visit(path, {s.site_id: s for s in sites}), start), datetime.now(UTC)
    files = {
        "sheet": lambda: trip_sheet_html(trip, now, (day or now.astimezone(civil.zone)).date(), civil),
        "gpx": lambda: trip_gpx(trip, now),
    }
    return files, lambda: trip_document(trip), lambda console: print_trip(console, trip)


def _hand_out(made: _Made, wanted: Mapping[str, Path | None], as_json: bool) -> None:
    """The files that are wanted, by their options, and what stands on standard output."""
    files, document, printed = made
    for name, make in files.items():
        if (path := wanted[name]) is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(make(), encoding="utf-8")
            say(f"wrote {path}")
    if as_json:
        emit_json(document())
    else:
        emit(laid_out(printed))


def _gain(site: Site, solution: SiteResult, made: SitePlan, costs: Path | None) -> Revisit | None:
    from photoaz.judgement.costs import Costs, load_costs
    from photoaz.planning.plan import gain_of

    if not made.standpoints:
        return None
    first = made.standpoints[0]
    return gain_of(
        site,
        solution,
        made.together_u95_deg,
        Costs() if costs is None else load_costs(costs),
        distance_m=first.distance_m,
        bearing_deg=first.bearing_from_tower_deg,
    )


def _zone(zone: str | None, photos: Sequence[Path] = ()) -> CivilTime:
    """The zone that is given, else that of the photos' own clocks, else UTC: it says itself where it is from."""
    from photoaz.planning.light import UTC as NO_ZONE
    from photoaz.planning.light import civil_time, of_photos

    if zone is not None:
        return civil_time(zone)
    if not photos:
        return NO_ZONE
    from photoaz.photo.metadata import read_record

    taken = [record.taken for record in map(read_record, photos) if record.taken is not None]
    return of_photos((t.local, t.utc) for t in taken) or NO_ZONE
