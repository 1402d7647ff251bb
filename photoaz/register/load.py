"""Registers, controls and picks: every fault of a file at once, each with its line and column."""

from __future__ import annotations

import functools
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from photoaz.angles import azimuth_deg, parse_angle_deg
from photoaz.errors import Fault, InputError
from photoaz.geodesy import norths
from photoaz.register.model import (
    Antenna,
    Control,
    ControlKind,
    DowntiltReading,
    Pick,
    Reading,
    ReadingNorth,
    Site,
)
from photoaz.register.photos import matches_photo
from photoaz.register.tables import Row, TableStream, open_table

__all__ = [
    "RegisterResult",
    "load_controls",
    "load_picks",
    "load_register",
    "matches_photo",
    "require_sites",
]

FOOT_M = 0.3048  # the international foot

SITE_POSITION_U95_M = 3.0
RAD_CENTER_U95_M = 1.0
TOLERANCE_DEG = 5.0
READING_U95_DEG = 2.0
READING_DOWNTILT_U95_DEG = 0.5  # a digital level held against a radome: common practice, no source

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
# Cells


def _wrong(why: str) -> PydanticCustomError:
    return PydanticCustomError("cell", "{why}", {"why": why})


@functools.lru_cache(maxsize=1 << 15)
def _number(value: object) -> object:
    """A plain decimal number. What Python takes beyond that (nan, inf, 1_000) is a slip in a table."""
    if not isinstance(value, str):
        return value
    text = value.replace("\N{MINUS SIGN}", "-")
    if re.fullmatch(r"[+-]?\d*,\d+", text):
        raise _wrong("a decimal comma")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text):
        raise _wrong("not a finite number")
    return float(text)


@functools.lru_cache(maxsize=1 << 15)
def _angle(value: object) -> object:
    if not isinstance(value, str):
        return value
    try:
        return parse_angle_deg(value)
    except ValueError as e:
        raise _wrong(str(e)) from None


@functools.lru_cache(maxsize=1 << 15)
def _day(value: object) -> object:
    if not isinstance(value, str):
        return value
    try:
        if not re.match(r"\d{4}-\d\d-\d\d", value):
            raise ValueError
        return datetime.fromisoformat(value).date()
    except ValueError:
        raise _wrong("not a date in ISO 8601") from None


def _lower(value: object) -> object:
    return value.lower() if isinstance(value, str) else value


def _whole(value: object) -> object:
    number = _number(value)
    if isinstance(number, float) and not number.is_integer():
        raise _wrong("not a whole number")
    return number


_Number = Annotated[float, BeforeValidator(_number)]
_Angle = Annotated[float, BeforeValidator(_angle)]
_Day = Annotated[date, BeforeValidator(_day)]
_North = Annotated[ReadingNorth, BeforeValidator(_lower)]
_U95 = Annotated[_Number | None, Field(gt=0, le=180, description="a 95 % uncertainty in degrees, above 0")]
_LAT = "a latitude in degrees, -90 to 90, WGS84"
_LON = "a longitude in degrees, -180 to 360, east positive, WGS84"
_AZIMUTH = "degrees clockwise from north, 0 to 360"
_NORTH = "true, magnetic or grid"
_DOWNTILT = "degrees, -90 to 90, positive looks down"


class _RowModel(BaseModel):
    """Fields carry the columns' names; a field's description says what is wanted there."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    @classmethod
    def columns(cls) -> tuple[str, ...]:
        return tuple(cls.model_fields)

    @classmethod
    def needed(cls) -> tuple[str, ...]:
        return tuple(k for k, f in cls.model_fields.items() if f.is_required())


class _RegisterRow(_RowModel):
    site_id: str = Field(description="a name for the site")
    antenna_id: str = Field(description="a name for the antenna, its own within the site")
    site_lat_deg: _Angle = Field(ge=-90, le=90, description=_LAT)
    site_lon_deg: _Angle = Field(ge=-180, le=360, description=_LON)
    site_position_u_m: _Number | None = Field(None, gt=0, le=1e5, description="metres, above 0")
    sector: str | None = None
    position: Annotated[int, BeforeValidator(_whole)] | None = Field(None, ge=1, description="1, 2, 3, ...")
    rad_center_m: _Number | None = Field(None, gt=0, le=1000, description="metres above ground, above 0 up to 1000")
    rad_center_ft: _Number | None = Field(None, gt=0, le=3300, description="feet above ground, above 0 up to 3300")
    rad_center_u_m: _Number = Field(RAD_CENTER_U95_M, gt=0, le=100, description="metres, above 0 up to 100")
    antenna_height_m: _Number | None = Field(None, gt=0, le=20, description="metres, above 0 up to 20")
    antenna_width_m: _Number | None = Field(None, gt=0, le=5, description="metres, above 0 up to 5")
    antenna_depth_m: _Number | None = Field(None, gt=0, le=5, description="metres, above 0 up to 5")
    offset_east_m: _Number | None = Field(None, ge=-500, le=500, description="metres from the tower's axis")
    offset_north_m: _Number | None = Field(None, ge=-500, le=500, description="metres from the tower's axis")
    design_azimuth_deg: _Angle = Field(ge=0, le=360, description=_AZIMUTH)
    design_north: _North = Field("true", description=_NORTH)
    tolerance_deg: _Number = Field(TOLERANCE_DEG, gt=0, le=180, description="degrees, above 0 up to 180")
    design_downtilt_deg: _Angle | None = Field(None, ge=-90, le=90, description=_DOWNTILT)
    reading_azimuth_deg: _Angle | None = Field(None, ge=0, le=360, description=_AZIMUTH)
    reading_north: _North = Field("true", description=_NORTH)
    reading_u95_deg: _U95 = READING_U95_DEG
    reading_date: _Day | None = Field(None, description="a date like 2024-05-31")
    reading_downtilt_deg: _Angle | None = Field(None, ge=-90, le=90, description=_DOWNTILT)
    reading_downtilt_u95_deg: _U95 = READING_DOWNTILT_U95_DEG
    grid_crs: str | None = Field(None, description="EPSG code of a projected CRS")


class _ControlRow(_RowModel):
    photo: str = Field(description="the photo's file name, or its path relative to this file")
    kind: Annotated[ControlKind, BeforeValidator(_lower)] = Field(description=", ".join(CONTROL_U95))
    name: str = ""
    x_px: _Number | None = Field(None, description="pixels from the left")
    y_px: _Number | None = Field(None, description="pixels from the top")
    x2_px: _Number | None = Field(None, description="pixels from the left, of the shadow's tip")
    y2_px: _Number | None = Field(None, description="pixels from the top, of the shadow's tip")
    lat_deg: _Angle | None = Field(None, ge=-90, le=90, description=_LAT)
    lon_deg: _Angle | None = Field(None, ge=-180, le=360, description=_LON)
    height_m: _Number | None = Field(None, ge=-1000, le=10000, description="metres")
    azimuth_true_deg: _Angle | None = Field(None, ge=-360, le=360, description=_AZIMUTH)
    value_deg: _Angle | None = Field(None, ge=-180, le=180, description="degrees, -180 to 180")
    u95: _Number | None = Field(None, gt=0, description="a 95 % uncertainty above 0, metres or degrees as the kind")


class _PickRow(_RowModel):
    photo: str = Field(description="the photo's file name, or its path relative to this file")
    antenna_id: str = Field(description="an antenna of the register")
    x_px: _Number | None = Field(None, description="pixels from the left")
    y_px: _Number | None = Field(None, description="pixels from the top")
    x1_px: _Number | None = Field(None, description="pixels")
    y1_px: _Number | None = Field(None, description="pixels")
    x2_px: _Number | None = Field(None, description="pixels")
    y2_px: _Number | None = Field(None, description="pixels")
    x3_px: _Number | None = Field(None, description="pixels")
    y3_px: _Number | None = Field(None, description="pixels")
    x4_px: _Number | None = Field(None, description="pixels")
    y4_px: _Number | None = Field(None, description="pixels")
    exact: Annotated[Literal["yes", "no"], BeforeValidator(_lower)] = Field("no", description="yes or no")


_M = TypeVar("_M", bound=_RowModel)
_MEANINGS = 20_000  # texts of a column whose meaning is remembered


def _validator(model: type[_M]) -> Callable[[Mapping[str, str]], _M]:
    """`model.model_validate` for the rows of one table, several times as fast.

    No field of these models depends on another, and the same few texts fill whole columns of a large register. So a row
    whose every cell was met before in its column is put together from what that cell was found to mean then.
    """
    fields = model.model_fields
    needed = set(model.needed())
    defaults = {name: field.default for name, field in fields.items() if name not in needed}
    met: dict[str, dict[str, object]] = {c: {} for c, f in fields.items() if f.annotation not in (str, str | None)}

    def validate(cells: Mapping[str, str]) -> _M:
        values = dict(defaults)
        for column, text in cells.items():
            meanings = met.get(column)
            value = text if meanings is None else meanings.get(text)
            if value is None:
                break
            values[column] = value
        else:
            if needed <= cells.keys():
                row = model.__new__(model)
                object.__setattr__(row, "__dict__", values)
                return row
        row = model.model_validate(cells)
        for column, text in cells.items():
            if (meanings := met.get(column)) is not None:
                if len(meanings) > _MEANINGS:
                    meanings.clear()
                meanings[text] = getattr(row, column)
        return row

    return validate


def _good_rows(
    model: type[_M], table: TableStream, check: Callable[[_M, int], Iterable[Fault]]
) -> Iterator[tuple[Row, _M]]:
    """The rows in which neither the model nor `check` (row, line) finds anything; all faults go to the table's."""
    validate = _validator(model)
    for row in table.rows:
        try:
            good = validate(row.cells)
        except ValidationError as e:
            errors = [error for error in e.errors(include_url=False) if error["loc"][0] not in row.bad]
            table.faults += [_fault(model, table, row, str(error["loc"][0]), error) for error in errors]
            table.faults += [_fault(model, table, row, column) for column in row.bad]
            continue
        own = [_as_headed(fault, table) for fault in check(good, row.line)]
        own += [_fault(model, table, row, column) for column in row.bad]
        if own:
            table.faults += own
        else:
            yield row, good


def _require_columns(table: TableStream, needed: Iterable[str]) -> None:
    missing = [c for c in needed if c not in table.columns]
    if missing:
        raise InputError(
            Fault(
                file=table.path,
                line=1,
                found=f"the columns {', '.join(table.columns)}",
                wanted=f"also {', '.join(missing)}",
            )
        )


def _as_headed(fault: Fault, table: TableStream) -> Fault:
    """A fault that names the column as the file does, where a mapping of columns gave it another name."""
    heading = table.headings.get(fault.column or "")
    return fault if heading is None else replace(fault, column=f"{heading} (for {fault.column})")


def _fault(model: type[_RowModel], table: TableStream, row: Row, column: str, error: Any = None) -> Fault:
    why = row.bad[column] if error is None else error.get("ctx", {}).get("why")
    cell = row.cells.get(column)
    if row.raw is not None and (heading := table.headings.get(column)) is not None:
        cell = row.raw.get(heading, cell)
    found = "nothing" if cell is None else repr(cell)
    return _as_headed(
        Fault(
            file=table.path,
            line=row.line,
            column=column,
            found=f"{found} ({why})" if why else found,
            wanted=model.model_fields[column].description or "text",
        ),
        table,
    )


# ---------------------------------------------------------------------------------------------------------------------
# Register


def load_register(path: Path | str, columns: None = None) -> RegisterResult:
    """Read a register of antennas (CSV or XLSX), one row each; columns as the interface lists them.

    Of rows with the same site and antenna none is kept, as nobody can know which one is meant; of rows that give a site
    another position than most of its rows do, none either. Unknown columns go into `Antenna.extra`.

    Returns
    -------
    RegisterResult : sites in the order of their first row, antennas in file order, and all faults.

    Raises
    ------
    InputError : the file cannot be read as a table at all, or lacks needed columns.
    """
    table = _register_table(path, columns)
    unknown = [c for c in table.columns if c not in _RegisterRow.model_fields]
    rows: dict[str, list[_Entry]] = {}
    shared: dict[str, str] = {}  # one text for all cells that hold the same
    for row, good in _good_rows(_RegisterRow, table, lambda r, line: _row_faults(r, table.path, line)):
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


def _register_table(path: Path | str, columns: None) -> TableStream:
    table = open_table(path, _RegisterRow.columns())
    either = () if {"rad_center_m", "rad_center_ft"} & set(table.columns) else ("rad_center_m or rad_center_ft",)
    _require_columns(table, (*_RegisterRow.needed(), *either))
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
        lon_deg=_lon180(first.site_lon_deg),
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
    return _as_headed(Fault(file=table.path, line=line, column="antenna_id", found=found, wanted=what), table)


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
            table.faults.append(_as_headed(fault, table))
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


def _lon180(lon_deg: float) -> float:
    return lon_deg - 360.0 if lon_deg > 180.0 else lon_deg


def _row_faults(row: _RegisterRow, path: Path, line: int) -> Iterable[Fault]:
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
            norths.check_grid_north(row.site_lat_deg, _lon180(row.site_lon_deg), row.grid_crs)
        except InputError as e:
            yield Fault(
                file=path,
                line=line,
                column="grid_crs",
                found=f"{row.grid_crs!r}: {e.faults[0].found}",
                wanted=e.faults[0].wanted,
            )
    magnetic = row.reading_azimuth_deg is not None and row.reading_north == "magnetic"
    if magnetic and row.reading_date and not norths.FIRST_YEAR <= row.reading_date.year <= norths.LAST_YEAR:
        yield Fault(
            file=path,
            line=line,
            column="reading_date",
            found=row.reading_date.isoformat(),
            wanted=f"a date from {norths.FIRST_YEAR} to {norths.LAST_YEAR}, as the reading is magnetic",
        )


def _antenna(row: _RegisterRow, line: int, extra: dict[str, str], shared: dict[str, str]) -> Antenna:
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
    _require_columns(table, _ControlRow.needed())
    good = list(_good_rows(_ControlRow, table, lambda row, line: _control_faults(row, table.path, line)))
    if table.faults:
        raise InputError(_sorted(table.faults))
    return tuple(_control(control, row.line) for row, control in good)


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
        yield fault("azimuth_true_deg", f"'{azimuth:g}'", _AZIMUTH)
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
        lon_deg=None if row.lon_deg is None else _lon180(row.lon_deg),
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

    Raises
    ------
    InputError : with every fault of the file.
    """
    table = open_table(path, _PickRow.columns())
    _require_columns(table, _PickRow.needed())
    good = list(_good_rows(_PickRow, table, lambda row, line: _pick_faults(row, table.path, line)))
    first: dict[tuple[str, ...], int] = {}
    for row, pick in good:
        name = (pick.photo, pick.antenna_id)
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
