"""Registers, controls and picks: every fault of a file at once, each with its line and column."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from photoaz.angles import azimuth_deg
from photoaz.errors import Fault, InputError
from photoaz.geodesy import norths
from photoaz.geodesy.frames import EnuFrame, ecef_from_geodetic
from photoaz.quantities import CONTROL_U95, SITE_POSITION_U95_M, TWIN_M
from photoaz.register.columns import LENGTHS_M, ColumnMap
from photoaz.register.mapped import open_mapped
from photoaz.register.model import Antenna, Control, ControlKind, Pick, Site
from photoaz.register.propose import UnknownColumnsError, propose_columns
from photoaz.register.rows import (
    ControlRow,
    PickRow,
    RegisterRow,
    Slip,
    columns_of,
    good_rows,
    needed_of,
    read_row,
    reading_slips,
    readings_of,
)
from photoaz.register.tables import Row, Table, open_table

#: antennas of one site, and how far its rows may place it; more is no site, and its work would fill any memory
MOST_ANTENNAS, SITE_SPREAD_M = 200, 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterResult:
    """What a register holds: the sites made of its good rows, and every fault of the others."""

    path: Path
    sites: tuple[Site, ...]
    faults: tuple[Fault, ...] = ()

    def site(self, site_id: str | None) -> Site:
        """One site, or the only one. Raises InputError where there is no such site, or faults in any row."""
        sites = require_sites(self)
        names = ", ".join(site.site_id for site in sites[:10]) + (", ..." if len(sites) > 10 else "")
        if site_id is None and len(sites) > 1:
            wanted = f"--site with one of: {names}"
            raise InputError(Fault(file=self.path, found=f"{len(sites)} sites and no --site", wanted=wanted))
        found = next((site for site in sites if site_id in (None, site.site_id)), None)
        if found is None:
            found_word, wanted = f"no site '{site_id}'", f"one of: {names}"
            raise InputError(Fault(file=self.path, column="site_id", found=found_word, wanted=wanted))
        return found


# ---- register --------------------------------------------------------------------------------------------------------


def load_register(path: Path | str, columns: ColumnMap | None = None) -> RegisterResult:
    """Read a register of antennas (CSV or XLSX), one row each; columns as the interface lists them.

    Of rows with the same site and antenna none is kept, as nobody can know which one is meant; of rows that give a site
    another position than most of its rows do, none either. Unknown columns go into `Antenna.extra`.

    columns : says which of the file's columns is which, where it has headings of its own.

    Returns RegisterResult: sites in the order of their first row, antennas in file order, and all faults.

    Raises InputError: the file cannot be read as a table at all, or lacks needed columns; then an UnknownColumnsError,
    with a proposal of which column might be which. It is never taken without being asked for.
    """
    table = _register_table(path, columns)
    unknown = [c for c in table.columns if c not in columns_of(RegisterRow)]
    rows: dict[str, list[_Entry]] = {}
    shared: dict[str, str] = {}  # one text for all cells that hold the same
    for row, good in good_rows(RegisterRow, table, _register_slips):
        extra = {c: shared.setdefault(v, v) for c in unknown if (v := row.cells.get(c)) is not None}
        rows.setdefault(good.site_id, []).append((good, _antenna(good, row.line, extra)))
    sites: list[Site] = []
    while rows:  # what a site was made of can go
        site_id = next(iter(rows))
        site = _site(site_id, rows.pop(site_id), table)
        if site is not None:
            sites.append(site)
    return RegisterResult(path=table.path, sites=with_neighbours(sites), faults=table.sorted_faults())


# A row that is good by itself, and its antenna
_Entry = tuple[RegisterRow, Antenna]


def _register_table(path: Path | str, columns: ColumnMap | None) -> Table:
    table = open_mapped(path, columns_of(RegisterRow), columns)
    either = () if {"rad_center_m", "rad_center_ft"} & set(table.columns) else ("rad_center_m or rad_center_ft",)
    missing = (*table.missing(needed_of(RegisterRow)), *either)
    if missing and columns is None:
        raise UnknownColumnsError(table.lacking(missing), propose_columns(path))
    table.require(missing)
    return table


def _site(site_id: str, entries: list[_Entry], table: Table) -> Site | None:
    """The site of a register's rows; None where no row of it can be used."""
    if _too_large(site_id, entries, table):
        return None
    entries = _of_one_place(site_id, _unrepeated(site_id, entries, table), table)
    if not entries:
        return None
    first, _ = entries[0]
    stated = (row.site_position_u_m for row, _ in entries if row.site_position_u_m)
    return Site(
        site_id=site_id,
        lat_deg=first.site_lat_deg,
        lon_deg=_lon180(first.site_lon_deg),
        position_u95_m=next(stated, SITE_POSITION_U95_M),
        ground_m=next((row.site_ground_m for row, _ in entries if row.site_ground_m is not None), None),
        antennas=tuple(antenna for _, antenna in entries),
    )


def _too_large(site_id: str, entries: list[_Entry], table: Table) -> bool:
    """Whether rows are too many or too far apart to be one site's: a region's name in the column, most likely."""
    places = Counter((row.site_lat_deg, _lon180(row.site_lon_deg)) for row, _ in entries)
    found = ""
    if len(entries) > MOST_ANTENNAS:
        found = f"{len(entries)} rows of '{site_id}'"
    elif len(entries) > 2 and 2 * max(places.values()) < len(entries):  # else the odd ones out are slips
        lat_deg, lon_deg = next(iter(places))
        frame = EnuFrame(lat_deg=lat_deg, lon_deg=lon_deg, height_m=0.0)
        away_m = max(math.hypot(*frame.enu_from_geodetic(*place)[:2]) for place in places)
        if away_m > SITE_SPREAD_M:
            found = f"{len(places)} places of '{site_id}', up to {away_m / 1000.0:.3g} km apart"
    if found:
        one = f"the name of one site, with at most {MOST_ANTENNAS} antennas at one place"
        wanted = f"{one}: is this a region's or an owner's name (another column)?"
        table.fault(entries[0][1].line, "site_id", found, wanted)
    return bool(found)


def _unrepeated(site_id: str, entries: list[_Entry], table: Table) -> list[_Entry]:
    lines: dict[str, list[int]] = {}
    for _, antenna in entries:
        lines.setdefault(antenna.antenna_id, []).append(antenna.line)
    what = "a pair of site_id and antenna_id that occurs once"
    for antenna_id, where in lines.items():
        for line in where[1:]:
            _twice((site_id, antenna_id), where[0], line, what, table)
    return [entry for entry in entries if len(lines[entry[1].antenna_id]) == 1]


def _twice(name: tuple[str, ...], first: int, line: int, what: str, table: Table) -> None:
    table.fault(line, "antenna_id", f"{' / '.join(name)}, which line {first} has too (neither is used)", what)


def _of_one_place(site_id: str, entries: list[_Entry], table: Table) -> list[_Entry]:
    """Leave out the rows that say of the site's place something else than most of its rows."""
    for column in ("site_lat_deg", "site_lon_deg", "site_position_u_m", "site_ground_m"):
        values = [(antenna.line, v) for row, antenna in entries if (v := getattr(row, column)) is not None]
        if len({v for _, v in values}) < 2:
            continue
        (usual, _), *_ = Counter(v for _, v in values).most_common(1)
        first = next(line for line, v in values if v == usual)
        bad = {line: v for line, v in values if v != usual}
        for line, value in bad.items():
            table.fault(line, column, f"{value!r}", f"{usual!r}, which line {first} gives for site {site_id}")
        entries = [entry for entry in entries if entry[1].line not in bad]
    return entries


def _lon180(lon_deg: float) -> float:
    """A longitude of up to 360 degrees as one of at most 180."""
    return lon_deg - 360.0 if lon_deg > 180.0 else lon_deg


def require_antennas(site: Site, antenna_ids: Iterable[str], file: Path | str) -> None:
    """Raise InputError where a site has no antennas of these names. file : of what is asked, for the faults."""
    known = [a.antenna_id for a in site.antennas]
    wanted = f"one of: {', '.join(known)}"
    faults = [
        Fault(file=file, column="antenna_id", found=f"no antenna '{a}' at site '{site.site_id}'", wanted=wanted)
        for a in antenna_ids
        if a not in known
    ]
    if faults:
        raise InputError(faults)


def require_sites(result: RegisterResult) -> tuple[Site, ...]:
    """The sites of a register without any fault; InputError with all of them, or that there is no row, otherwise."""
    if result.faults:
        raise InputError(result.faults)
    if not result.sites:
        raise InputError(Fault(file=result.path, found="a header only", wanted="a row per antenna"))
    return result.sites


def _register_slips(row: RegisterRow) -> Iterator[Slip]:
    """What no single cell of a register's row shows."""
    if row.rad_center_m is None and row.rad_center_ft is None:
        yield Slip("rad_center_m", "nothing", "rad_center_m or rad_center_ft")
    if row.rad_center_m is not None and row.rad_center_ft is not None:
        from_feet = row.rad_center_ft * LENGTHS_M["ft"]
        if abs(from_feet - row.rad_center_m) > 0.5:  # either may be rounded to its unit
            found = f"{row.rad_center_ft:g} ft = {from_feet:.2f} m beside {row.rad_center_m:g} m"
            yield Slip("rad_center_ft", found, "the same height in both columns, or one of them")
    grids = ["design_north"] if row.design_north == "grid" else []
    if row.reading_azimuth_deg is not None and row.reading_north == "grid":
        grids.append("reading_north")
    if grids and row.grid_crs is None:
        wanted = f"an EPSG code, as {' and '.join(grids)} say{'s' if len(grids) == 1 else ''} grid"
        yield Slip("grid_crs", "nothing", wanted)
    elif grids and row.grid_crs is not None:
        try:
            norths.check_grid_north(row.site_lat_deg, _lon180(row.site_lon_deg), row.grid_crs)
        except InputError as e:
            yield Slip("grid_crs", f"{row.grid_crs!r}: {e.faults[0].found}", e.faults[0].wanted)
    yield from reading_slips(row)


def _antenna(row: RegisterRow, line: int, extra: dict[str, str]) -> Antenna:
    reading, downtilt = readings_of(row)
    return Antenna(
        antenna_id=row.antenna_id,
        rad_center_m=(row.rad_center_ft or 0.0) * LENGTHS_M["ft"] if row.rad_center_m is None else row.rad_center_m,
        rad_center_u95_m=row.rad_center_u_m,
        design_azimuth_deg=azimuth_deg(row.design_azimuth_deg),
        design_north=row.design_north,
        sector=row.sector,
        position=row.position,
        height_m=row.antenna_height_m,
        width_m=row.antenna_width_m,
        depth_m=row.antenna_depth_m,
        offset_east_m=row.offset_east_m,
        offset_north_m=row.offset_north_m,
        tolerance_deg=row.tolerance_deg,
        design_downtilt_deg=row.design_downtilt_deg,
        reading=reading,
        downtilt_reading=downtilt,
        grid_crs=row.grid_crs,
        extra=extra,
        line=line,
    )


# ---- controls --------------------------------------------------------------------------------------------------------

# What each kind of control needs
_CONTROL_NEEDS: Mapping[ControlKind, tuple[str, ...]] = {
    "landmark": ("x_px", "y_px", "lat_deg", "lon_deg"),
    "sun": (),
    "bearing": ("x_px", "y_px", "azimuth_true_deg"),
    "heading": ("azimuth_true_deg",),
    "pitch": ("value_deg",),
    "roll": ("value_deg",),
    "standpoint": ("lat_deg", "lon_deg"),
    "shadow": ("x_px", "y_px", "x2_px", "y2_px"),
    "silhouette": (),
}


def load_controls(path: Path | str) -> tuple[Control, ...]:
    """Read controls: what fixes a photo's standpoint or attitude. Blank u95 get `CONTROL_U95`.

    A landmark without height fixes a horizontal direction only; a sun without pixel is looked for; a shadow runs from
    its foot (x_px, y_px) to its tip (x2_px, y2_px). The angle of a pitch or roll stands in value_deg (azimuth_true_deg
    is taken for it where that is blank).

    Raises InputError: with every fault of the file.
    """
    table = open_table(path, tuple(columns_of(ControlRow)))
    table.require(needed_of(ControlRow))
    good = list(good_rows(ControlRow, table, _control_slips))
    table.require_no_fault()
    return tuple(_control(control, row.line) for row, control in good)


def control_of_cells(cells: Mapping[str, str]) -> Control:
    """A control from a row's cells by column, as `load_controls` makes it.

    Raises InputError with every fault of the row; none of them names a file.
    """
    row, slips = read_row(ControlRow, Row(line=0, cells=dict(cells)))
    slips = slips if row is None else list(_control_slips(row))
    if row is None or slips:
        raise InputError([Fault(file=cells.get("kind", "control"), **slip._asdict()) for slip in slips])
    return _control(row, 0)


def _angle_of(row: ControlRow) -> float | None:
    return row.azimuth_true_deg if row.value_deg is None else row.value_deg


def _control_slips(row: ControlRow) -> Iterator[Slip]:
    tilt = row.kind in ("pitch", "roll")
    for column in _CONTROL_NEEDS[row.kind]:
        if (_angle_of(row) if tilt else getattr(row, column)) is None:
            yield Slip(column, "nothing", f"{columns_of(ControlRow)[column].wanted}, as a {row.kind} needs it")
    if row.kind == "sun" and (row.x_px is None) != (row.y_px is None):
        yield Slip("y_px" if row.y_px is None else "x_px", "nothing", "both pixel coordinates, or none")
    foot, tip = (row.x_px, row.y_px), (row.x2_px, row.y2_px)
    if row.kind == "shadow" and foot == tip and None not in foot:
        yield Slip("x2_px", f"the same pixel as x_px, y_px ({foot[0]:g}, {foot[1]:g})", "the shadow's tip")
    for column, value in zip(("x2_px", "y2_px"), tip, strict=True):
        if row.kind != "shadow" and value is not None:
            yield Slip(column, f"'{value:g}' in a row of kind {row.kind}", "nothing: only a shadow has a tip")
    azimuth = row.azimuth_true_deg
    if azimuth is not None and azimuth < 0.0 and not tilt:
        yield Slip("azimuth_true_deg", f"'{azimuth:g}'", columns_of(RegisterRow)["design_azimuth_deg"].wanted)
    limit = 90.0 if row.kind == "pitch" else 180.0
    angle = _angle_of(row)
    if tilt and angle is not None and not -limit <= angle <= limit:
        yield Slip("value_deg", f"'{angle:g}'", f"degrees, -{limit:g} to {limit:g}")
    if tilt and azimuth is not None and row.value_deg is not None and azimuth != row.value_deg:
        yield Slip("azimuth_true_deg", f"'{azimuth:g}' beside value_deg '{row.value_deg:g}'", "one of the two")
    degrees = row.kind not in ("landmark", "standpoint")
    if degrees and row.u95 is not None and row.u95 > 180.0:
        yield Slip("u95", f"'{row.u95:g}'", "degrees, 0.001 to 180")


def _point(x: float | None, y: float | None) -> tuple[float, float] | None:
    return None if x is None or y is None else (x, y)


def _control(row: ControlRow, line: int) -> Control:
    azimuth = row.azimuth_true_deg if row.kind in ("bearing", "heading", "silhouette") else None
    tilted = row.kind in ("pitch", "roll")
    return Control(
        photo=row.photo,
        kind=row.kind,
        name=row.name,
        u95=CONTROL_U95[row.kind] if row.u95 is None else row.u95,
        pixel=_point(row.x_px, row.y_px),
        lat_deg=row.lat_deg,
        lon_deg=None if row.lon_deg is None else _lon180(row.lon_deg),
        height_m=row.height_m,
        azimuth_true_deg=None if azimuth is None else azimuth_deg(azimuth),
        value_deg=_angle_of(row) if tilted else row.value_deg if row.kind == "silhouette" else None,
        tip_px=_point(row.x2_px, row.y2_px),
        line=line,
    )


# ---- picks -----------------------------------------------------------------------------------------------------------


def load_picks(path: Path | str) -> tuple[Pick, ...]:
    """Read picks: a seed point on an antenna, four corners of it, or both; and which side is seen, where that is told.

    Where `absent` is yes, the point shows no antenna, whatever looks like one there; antenna_id is then what it was
    taken for.

    Raises InputError: with every fault of the file.
    """
    table = open_table(path, tuple(columns_of(PickRow)))
    table.require(needed_of(PickRow))
    first: dict[tuple[str, ...], int] = {}
    picks = []
    for row, good in good_rows(PickRow, table, _pick_slips):
        pick = _pick(good, row.line)
        name = (pick.photo, pick.antenna_id)
        if not pick.absent and first.setdefault(name, row.line) != row.line:
            _twice(name, first[name], row.line, "one pick for an antenna in a photo", table)
        picks.append(pick)
    table.require_no_fault()
    return tuple(picks)


def _corners(row: PickRow) -> tuple[tuple[float | None, float | None], ...]:
    return ((row.x1_px, row.y1_px), (row.x2_px, row.y2_px), (row.x3_px, row.y3_px), (row.x4_px, row.y4_px))


def _pick(row: PickRow, line: int) -> Pick:
    corners = tuple(point for x, y in _corners(row) if (point := _point(x, y)))
    return Pick(
        photo=row.photo,
        antenna_id=row.antenna_id,
        seed_px=_point(row.x_px, row.y_px),
        corners_px=corners or None,
        exact=row.exact == "yes",
        absent=row.absent == "yes",
        view=row.view,
        line=line,
    )


def _pick_slips(row: PickRow) -> Iterable[Slip]:
    seed = {"x_px": row.x_px, "y_px": row.y_px}
    corners = {f"{a}{i}_px": v for i, point in enumerate(_corners(row), 1) for a, v in zip("xy", point, strict=True)}
    if not any(value is not None for value in (*seed.values(), *corners.values())):
        yield Slip("x_px", "nothing", "a point on it (x_px, y_px), or its four corners (x1_px to y4_px)")
    if row.view is not None and row.absent == "yes":
        yield Slip("view", f"'{row.view}' in a row that is absent", "nothing: an absent antenna shows no side")
    for group, wanted in ((seed, "both coordinates"), (corners, "all four corners: x1_px to y4_px")):
        lacking = [column for column, value in group.items() if value is None]
        if len(lacking) < len(group):
            yield from (Slip(column, "nothing", wanted) for column in lacking)


def with_neighbours(sites: Sequence[Site]) -> tuple[Site, ...]:
    """The sites in their order, each with those that stand within TWIN_M of it."""
    if len(sites) < 2:
        return tuple(sites)
    from scipy.spatial import cKDTree

    places = ecef_from_geodetic([s.lat_deg for s in sites], [s.lon_deg for s in sites], 0.0).reshape(-1, 3)
    near: dict[int, list[int]] = {}
    for a, b in sorted(cKDTree(places).query_pairs(TWIN_M)):
        near.setdefault(a, []).append(b)
        near.setdefault(b, []).append(a)
    out = list(sites)
    for k, others in near.items():
        some = sorted((sites[n] for n in others), key=lambda s: s.site_id)
        # where a row stands in its file is no fact of a neighbour
        bare = tuple(replace(s, antennas=tuple(replace(a, line=0) for a in s.antennas)) for s in some)
        out[k] = replace(sites[k], neighbours=bare)
    return tuple(out)
