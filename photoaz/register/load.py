"""Registers, controls and picks: every fault of a file at once, each with its line and column."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, NamedTuple

from pydantic import BeforeValidator, Field, ValidationError

from photoaz.angles import azimuth_deg
from photoaz.errors import Fault, InputError
from photoaz.geodesy import norths
from photoaz.register.columns import ColumnMap, open_mapped
from photoaz.register.model import Antenna, Control, ControlKind, DowntiltReading, Pick, Reading, Site
from photoaz.register.photos import matches_photo
from photoaz.register.propose import UnknownColumnsError, propose_columns
from photoaz.register.rows import (
    AZIMUTH,
    FOOT_M,
    LAT,
    LON,
    READING_DOWNTILT_U95_DEG,
    READING_U95_DEG,
    SITE_POSITION_U95_M,
    Angle,
    Number,
    RegisterRow,
    RowModel,
    as_headed,
    good_rows,
    lacking,
    lon180,
    lower,
    missing_columns,
    reading_date_fault,
    require_columns,
)
from photoaz.register.tables import TableStream, open_table

__all__ = [
    "RegisterResult",
    "load_controls",
    "load_picks",
    "load_register",
    "matches_photo",
    "require_sites",
]

# Where a control's u95 is blank: a landmark off a map or an aerial photo, the sun in a photo whose clock runs to some
# seconds, a bearing off a map, a compass used with care, phone pitch and roll, a standpoint marked on an aerial photo,
# a shadow on a paved yard. Common practice, no source; metres for landmark and standpoint, else degrees.
CONTROL_U95: Mapping[ControlKind, float] = {
    "landmark": 10.0,
    "sun": 0.3,
    "bearing": 1.0,
    "heading": 2.0,
    "pitch": 1.0,
    "roll": 1.0,
    "standpoint": 5.0,
    "shadow": 2.0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterResult:
    """What a register holds: the sites made of its good rows, and every fault of the others."""

    path: Path
    sites: tuple[Site, ...]
    faults: tuple[Fault, ...] = ()


# ---------------------------------------------------------------------------------------------------------------------
# Register


def load_register(path: Path | str, columns: ColumnMap | None = None) -> RegisterResult:
    """Read a register of antennas (CSV or XLSX), one row each; columns as the interface lists them.

    Of rows with the same site and antenna none is kept, as nobody can know which one is meant; of rows that give a site
    another position than most of its rows do, none either. Unknown columns go into `Antenna.extra`.

    Parameters
    ----------
    columns : says which of the file's columns is which, where it has headings of its own.

    Returns
    -------
    RegisterResult : sites in the order of their first row, antennas in file order, and all faults.

    Raises
    ------
    InputError : the file cannot be read as a table at all, or lacks needed columns; then an UnknownColumnsError, with a
    proposal of which column might be which. It is never taken without being asked for.
    """
    table = _register_table(path, columns)
    unknown = [c for c in table.columns if c not in RegisterRow.model_fields]
    rows: dict[str, list[_Entry]] = {}
    shared: dict[str, str] = {}  # one text for all cells that hold the same
    for row, good in good_rows(RegisterRow, table, lambda r, line: _row_faults(r, table.path, line)):
        extra = {c: shared.setdefault(v, v) for c in unknown if (v := row.cells.get(c)) is not None}
        rows.setdefault(good.site_id, []).append(
            _Entry(
                row.line,
                good.site_lat_deg,
                good.site_lon_deg,
                good.site_position_u_m,
                _antenna(good, row.line, extra, shared),
            )
        )
    sites: list[Site] = []
    while rows:  # what a site was made of can go
        site_id = next(iter(rows))
        site = _site(site_id, rows.pop(site_id), table)
        if site is not None:
            sites.append(site)
    return RegisterResult(path=table.path, sites=tuple(sites), faults=_sorted(table.faults))


class _Entry(NamedTuple):
    """A row that is good by itself."""

    line: int
    site_lat_deg: float
    site_lon_deg: float
    site_position_u_m: float | None
    antenna: Antenna


def _register_table(path: Path | str, columns: ColumnMap | None) -> TableStream:
    known = RegisterRow.columns()
    table = open_table(path, known) if columns is None else open_mapped(path, known, columns)
    either = () if {"rad_center_m", "rad_center_ft"} & set(table.columns) else ("rad_center_m or rad_center_ft",)
    missing = (*missing_columns(table, RegisterRow.needed()), *either)
    if missing and columns is None:
        raise UnknownColumnsError(lacking(table, missing), propose_columns(path))
    require_columns(table, missing)
    return table


def _site(site_id: str, entries: list[_Entry], table: TableStream) -> Site | None:
    """The site of a register's rows; None where no row of it can be used."""
    if len(entries) > 1:
        entries = _of_one_position(site_id, _unrepeated(site_id, entries, table), table)
    if not entries:
        return None
    first = entries[0]
    return Site(
        site_id=site_id,
        lat_deg=first.site_lat_deg,
        lon_deg=lon180(first.site_lon_deg),
        position_u95_m=next((e.site_position_u_m for e in entries if e.site_position_u_m), SITE_POSITION_U95_M),
        antennas=tuple(e.antenna for e in entries),
    )


def _unrepeated(site_id: str, entries: list[_Entry], table: TableStream) -> list[_Entry]:
    lines: dict[str, list[int]] = {}
    for entry in entries:
        lines.setdefault(entry.antenna.antenna_id, []).append(entry.line)
    if len(lines) == len(entries):
        return entries
    what = "a pair of site_id and antenna_id that occurs once"
    for antenna_id, where in lines.items():
        table.faults += [_twice((site_id, antenna_id), where[0], line, what, table) for line in where[1:]]
    return [e for e in entries if len(lines[e.antenna.antenna_id]) == 1]


def _twice(name: tuple[str, ...], first: int, line: int, what: str, table: TableStream) -> Fault:
    found = f"{' / '.join(name)}, which line {first} has too (neither is used)"
    return as_headed(Fault(file=table.path, line=line, column="antenna_id", found=found, wanted=what), table)


def _of_one_position(site_id: str, entries: list[_Entry], table: TableStream) -> list[_Entry]:
    """Leave out the rows whose site position (or its uncertainty) is not the one that most rows of the site give."""
    for column in ("site_lat_deg", "site_lon_deg", "site_position_u_m"):
        values = [(e.line, v) for e in entries if (v := getattr(e, column)) is not None]
        if len({v for _, v in values}) < 2:
            continue
        (usual, _), *_ = Counter(v for _, v in values).most_common(1)
        first = next(line for line, v in values if v == usual)
        bad = {line: v for line, v in values if v != usual}
        for line, value in bad.items():
            wanted = f"{usual!r}, which line {first} gives for site {site_id}"
            fault = Fault(file=table.path, line=line, column=column, found=f"{value!r}", wanted=wanted)
            table.faults.append(as_headed(fault, table))
        entries = [e for e in entries if e.line not in bad]
    return entries


def require_sites(result: RegisterResult) -> tuple[Site, ...]:
    """The sites of a register without any fault; InputError with all of them, or that there is no row, otherwise."""
    if result.faults:
        raise InputError(result.faults)
    if not result.sites:
        raise InputError(Fault(file=result.path, found="a header only", wanted="a row per antenna"))
    return result.sites


def _sorted(faults: list[Fault]) -> tuple[Fault, ...]:
    return tuple(sorted(faults, key=lambda f: f.line or 0))


def _row_faults(row: RegisterRow, path: Path, line: int) -> Iterable[Fault]:
    """What no single cell of a register's row shows."""
    if row.rad_center_m is None and row.rad_center_ft is None:
        yield Fault(
            file=path, line=line, column="rad_center_m", found="nothing", wanted="rad_center_m or rad_center_ft"
        )
    if row.rad_center_m is not None and row.rad_center_ft is not None:
        from_feet = row.rad_center_ft * FOOT_M
        if abs(from_feet - row.rad_center_m) > 0.5:  # either may be rounded to its unit
            yield Fault(
                file=path,
                line=line,
                column="rad_center_ft",
                found=f"{row.rad_center_ft:g} ft = {from_feet:.2f} m beside {row.rad_center_m:g} m",
                wanted="the same height in both columns, or one of them",
            )
    grids = ["design_north"] if row.design_north == "grid" else []
    if row.reading_azimuth_deg is not None and row.reading_north == "grid":
        grids.append("reading_north")
    if grids and row.grid_crs is None:
        wanted = f"an EPSG code, as {' and '.join(grids)} say{'s' if len(grids) == 1 else ''} grid"
        yield Fault(file=path, line=line, column="grid_crs", found="nothing", wanted=wanted)
    elif grids and row.grid_crs is not None:
        try:
            norths.check_grid_north(row.site_lat_deg, lon180(row.site_lon_deg), row.grid_crs)
        except InputError as e:
            yield Fault(
                file=path,
                line=line,
                column="grid_crs",
                found=f"{row.grid_crs!r}: {e.faults[0].found}",
                wanted=e.faults[0].wanted,
            )
    if row.reading_azimuth_deg is not None and row.reading_north == "magnetic" and row.reading_date:
        yield from reading_date_fault(row.reading_date, path, line)


def _antenna(row: RegisterRow, line: int, extra: dict[str, str], shared: dict[str, str]) -> Antenna:
    rad_center_m = row.rad_center_m
    if rad_center_m is None:
        assert row.rad_center_ft is not None  # _row_faults saw to it
        rad_center_m = row.rad_center_ft * FOOT_M
    reading = downtilt = None
    if row.reading_azimuth_deg is not None:
        reading = Reading(
            azimuth_deg=row.reading_azimuth_deg % 360.0,
            north=row.reading_north,
            u95_deg=row.reading_u95_deg or READING_U95_DEG,
            date=row.reading_date,
            k=row.reading_k,
        )
    if row.reading_downtilt_deg is not None:
        downtilt = DowntiltReading(
            downtilt_deg=row.reading_downtilt_deg,
            u95_deg=row.reading_downtilt_u95_deg or READING_DOWNTILT_U95_DEG,
        )
    return Antenna(
        antenna_id=row.antenna_id,
        rad_center_m=rad_center_m,
        rad_center_u95_m=row.rad_center_u_m,
        design_azimuth_deg=row.design_azimuth_deg % 360.0,
        design_north=row.design_north,
        sector=None if row.sector is None else shared.setdefault(row.sector, row.sector),
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
        grid_crs=None if row.grid_crs is None else shared.setdefault(row.grid_crs, row.grid_crs),
        extra=extra,
        line=line,
    )


# ---------------------------------------------------------------------------------------------------------------------
# Controls and picks


class _ControlRow(RowModel):
    photo: str = Field(description="the photo's file name, or its path relative to this file")
    kind: Annotated[ControlKind, BeforeValidator(lower)] = Field(description=", ".join(CONTROL_U95))
    name: str = ""
    x_px: Number | None = Field(None, description="pixels from the left")
    y_px: Number | None = Field(None, description="pixels from the top")
    x2_px: Number | None = Field(None, description="pixels from the left, of the shadow's tip")
    y2_px: Number | None = Field(None, description="pixels from the top, of the shadow's tip")
    lat_deg: Angle | None = Field(None, ge=-90, le=90, description=LAT)
    lon_deg: Angle | None = Field(None, ge=-180, le=360, description=LON)
    height_m: Number | None = Field(None, ge=-1000, le=10000, description="metres")
    azimuth_true_deg: Angle | None = Field(None, ge=-360, le=360, description=AZIMUTH)
    value_deg: Angle | None = Field(None, ge=-180, le=180, description="degrees, -180 to 180")
    u95: Number | None = Field(None, gt=0, description="a 95 % uncertainty above 0, metres or degrees as the kind")


class _PickRow(RowModel):
    photo: str = Field(description="the photo's file name, or its path relative to this file")
    antenna_id: str = Field(description="an antenna of the register")
    x_px: Number | None = Field(None, description="pixels from the left")
    y_px: Number | None = Field(None, description="pixels from the top")
    x1_px: Number | None = Field(None, description="pixels")
    y1_px: Number | None = Field(None, description="pixels")
    x2_px: Number | None = Field(None, description="pixels")
    y2_px: Number | None = Field(None, description="pixels")
    x3_px: Number | None = Field(None, description="pixels")
    y3_px: Number | None = Field(None, description="pixels")
    x4_px: Number | None = Field(None, description="pixels")
    y4_px: Number | None = Field(None, description="pixels")
    exact: Annotated[Literal["yes", "no"], BeforeValidator(lower)] = Field("no", description="yes or no")
    absent: Annotated[Literal["yes", "no"], BeforeValidator(lower)] = Field("no", description="yes or no")


# What each kind of control needs, and what it may have besides
_CONTROL_NEEDS: Mapping[ControlKind, tuple[str, ...]] = {
    "landmark": ("x_px", "y_px", "lat_deg", "lon_deg"),
    "sun": (),
    "bearing": ("x_px", "y_px", "azimuth_true_deg"),
    "heading": ("azimuth_true_deg",),
    "pitch": ("value_deg",),
    "roll": ("value_deg",),
    "standpoint": ("lat_deg", "lon_deg"),
    "shadow": ("x_px", "y_px", "x2_px", "y2_px"),
}


def load_controls(path: Path | str) -> tuple[Control, ...]:
    """Read controls: what fixes a photo's standpoint or attitude. Blank u95 get `CONTROL_U95`.

    A landmark without height fixes a horizontal direction only; a sun without pixel is looked for; a shadow runs from
    its foot (x_px, y_px) to its tip (x2_px, y2_px). The angle of a pitch
    or roll stands in value_deg (azimuth_true_deg is taken for it where that is blank).

    Raises
    ------
    InputError : with every fault of the file.
    """
    table = open_table(path, _ControlRow.columns())
    require_columns(table, _ControlRow.needed())
    good = list(good_rows(_ControlRow, table, lambda row, line: _control_faults(row, table.path, line)))
    if table.faults:
        raise InputError(_sorted(table.faults))
    return tuple(_control(control, row.line) for row, control in good)


def control_of_cells(cells: Mapping[str, str]) -> Control:
    """A control from a row's cells by column, as `load_controls` makes it.

    Raises InputError with every fault of the row; none of them names a file.
    """
    try:
        row = _ControlRow.model_validate(dict(cells))
    except ValidationError as e:
        raise InputError(
            [
                Fault(
                    file=str(cells.get("kind", "control")),
                    column=(column := str(error["loc"][0])),
                    found=repr(cells.get(column) or "nothing"),
                    wanted=_ControlRow.model_fields[column].description or "another value",
                )
                for error in e.errors(include_url=False)
            ]
        ) from None
    faults = list(_control_faults(row, Path(row.kind), 0))
    if faults:
        raise InputError([Fault(file=f.file, column=f.column, found=f.found, wanted=f.wanted) for f in faults])
    return _control(row, 0)


def _angle_of(row: _ControlRow) -> float | None:
    return row.azimuth_true_deg if row.value_deg is None else row.value_deg


def _control_faults(row: _ControlRow, path: Path, line: int) -> Iterable[Fault]:
    def fault(column: str, found: str, wanted: str) -> Fault:
        return Fault(file=path, line=line, column=column, found=found, wanted=wanted)

    tilt = row.kind in ("pitch", "roll")
    for column in _CONTROL_NEEDS[row.kind]:
        value = _angle_of(row) if tilt else getattr(row, column)
        if value is None:
            wanted = _ControlRow.model_fields[column].description
            yield fault(column, "nothing", f"{wanted}, as a {row.kind} needs it")
    if row.kind == "sun" and (row.x_px is None) != (row.y_px is None):
        yield fault("y_px" if row.y_px is None else "x_px", "nothing", "both pixel coordinates, or none")
    foot, tip = (row.x_px, row.y_px), (row.x2_px, row.y2_px)
    if row.kind == "shadow":
        if foot == tip and None not in foot:
            yield fault("x2_px", f"the same pixel as x_px, y_px ({foot[0]:g}, {foot[1]:g})", "the shadow's tip")
    else:
        for column, value in zip(("x2_px", "y2_px"), tip, strict=True):
            if value is not None:
                yield fault(column, f"'{value:g}' in a row of kind {row.kind}", "nothing: only a shadow has a tip")
    azimuth = row.azimuth_true_deg
    if azimuth is not None and azimuth < 0.0 and not tilt:
        yield fault("azimuth_true_deg", f"'{azimuth:g}'", AZIMUTH)
    limit = 90.0 if row.kind == "pitch" else 180.0
    angle = _angle_of(row)
    if tilt and angle is not None and not -limit <= angle <= limit:
        yield fault("value_deg", f"'{angle:g}'", f"degrees, -{limit:g} to {limit:g}")
    if tilt and azimuth is not None and row.value_deg is not None and azimuth != row.value_deg:
        yield fault("azimuth_true_deg", f"'{azimuth:g}' beside value_deg '{row.value_deg:g}'", "one of the two")
    degrees = row.kind not in ("landmark", "standpoint")
    if degrees and row.u95 is not None and row.u95 > 180.0:
        yield fault("u95", f"'{row.u95:g}'", "degrees, above 0 up to 180")


def _control(row: _ControlRow, line: int) -> Control:
    tilt = row.kind in ("pitch", "roll")
    has_azimuth = row.azimuth_true_deg is not None and row.kind in ("bearing", "heading")
    return Control(
        photo=row.photo,
        kind=row.kind,
        name=row.name,
        u95=CONTROL_U95[row.kind] if row.u95 is None else row.u95,
        pixel=None if row.x_px is None or row.y_px is None else (row.x_px, row.y_px),
        lat_deg=row.lat_deg,
        lon_deg=None if row.lon_deg is None else lon180(row.lon_deg),
        height_m=row.height_m,
        azimuth_true_deg=azimuth_deg(row.azimuth_true_deg)
        if has_azimuth and row.azimuth_true_deg is not None
        else None,
        value_deg=_angle_of(row) if tilt else None,
        tip_px=None if row.x2_px is None or row.y2_px is None else (row.x2_px, row.y2_px),
        line=line,
    )


def load_picks(path: Path | str) -> tuple[Pick, ...]:
    """Read picks: a seed point on an antenna, its front face's four corners, or both.

    Where `absent` is yes, the point shows no antenna, whatever looks like one there; antenna_id is then what it was
    taken for.

    Raises
    ------
    InputError : with every fault of the file.
    """
    table = open_table(path, _PickRow.columns())
    require_columns(table, _PickRow.needed())
    good = list(good_rows(_PickRow, table, lambda row, line: _pick_faults(row, table.path, line)))
    first: dict[tuple[str, ...], int] = {}
    for row, pick in good:
        name = (pick.photo, pick.antenna_id)
        if pick.absent == "yes":
            continue
        if first.setdefault(name, row.line) != row.line:
            table.faults.append(_twice(name, first[name], row.line, "one pick for an antenna in a photo", table))
    if table.faults:
        raise InputError(_sorted(table.faults))
    return tuple(
        Pick(
            photo=pick.photo,
            antenna_id=pick.antenna_id,
            seed_px=None if pick.x_px is None or pick.y_px is None else (pick.x_px, pick.y_px),
            corners_px=_corners(pick),
            exact=pick.exact == "yes",
            absent=pick.absent == "yes",
            line=row.line,
        )
        for row, pick in good
    )


def _corners(row: _PickRow) -> tuple[tuple[float, float], ...] | None:
    values = [(getattr(row, f"x{i}_px"), getattr(row, f"y{i}_px")) for i in (1, 2, 3, 4)]
    return None if values[0][0] is None else tuple(values)


def _pick_faults(row: _PickRow, path: Path, line: int) -> Iterable[Fault]:
    corners = [f"{a}{i}_px" for i in (1, 2, 3, 4) for a in "xy"]
    groups = (("x_px", "y_px"), tuple(corners))
    given = [[c for c in group if getattr(row, c) is not None] for group in groups]
    if not any(given):
        wanted = "a point on it (x_px, y_px), or its four corners (x1_px to y4_px)"
        yield Fault(file=path, line=line, column="x_px", found="nothing", wanted=wanted)
    for group, have in zip(groups, given, strict=True):
        if have:
            for column in group:
                if column not in have:
                    wanted = "both coordinates" if len(group) == 2 else "all four corners: x1_px to y4_px"
                    yield Fault(file=path, line=line, column=column, found="nothing", wanted=wanted)
