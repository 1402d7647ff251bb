"""Rows of tables, validated: what each cell means, and every fault with its line and column."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from photoaz.angles import parse_angle_deg
from photoaz.errors import Fault, InputError
from photoaz.geodesy import norths
from photoaz.register.model import ReadingNorth
from photoaz.register.tables import Row, TableStream

FOOT_M = 0.3048  # the international foot

SITE_POSITION_U95_M = 3.0
RAD_CENTER_U95_M = 1.0
TOLERANCE_DEG = 5.0
READING_U95_DEG = 2.0
READING_DOWNTILT_U95_DEG = 0.5  # a digital level held against a radome: common practice, no source


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
    number = float(text)
    if not math.isfinite(number):  # 1e400
        raise _wrong("not a finite number")
    return number


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


def lower(value: object) -> object:
    """Text in small letters; anything else as it is."""
    return value.lower() if isinstance(value, str) else value


def _whole(value: object) -> object:
    number = _number(value)
    if isinstance(number, float) and not number.is_integer():
        raise _wrong("not a whole number")
    return number


Number = Annotated[float, BeforeValidator(_number)]
Angle = Annotated[float, BeforeValidator(_angle)]
Day = Annotated[date, BeforeValidator(_day)]
North = Annotated[ReadingNorth, BeforeValidator(lower)]
U95 = Annotated[Number | None, Field(gt=0, le=180, description="a 95 % uncertainty in degrees, above 0")]
Factor = Annotated[Number | None, Field(ge=1, le=15, description="the coverage factor of reading_u95_deg, 1 to 15")]
LAT = "a latitude in degrees, -90 to 90, WGS84"
LON = "a longitude in degrees, -180 to 360, east positive, WGS84"
AZIMUTH = "degrees clockwise from north, 0 to 360"
NORTH_WORDS = "true, magnetic or grid"
DOWNTILT = "degrees, -90 to 90, positive looks down"


class RowModel(BaseModel):
    """Fields carry the columns' names; a field's description says what is wanted there."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    @classmethod
    def columns(cls) -> tuple[str, ...]:
        return tuple(cls.model_fields)

    @classmethod
    def needed(cls) -> tuple[str, ...]:
        return tuple(k for k, f in cls.model_fields.items() if f.is_required())


class RegisterRow(RowModel):
    """A row of the register: an antenna with its site."""

    site_id: str = Field(description="a name for the site")
    antenna_id: str = Field(description="a name for the antenna, its own within the site")
    site_lat_deg: Angle = Field(ge=-90, le=90, description=LAT)
    site_lon_deg: Angle = Field(ge=-180, le=360, description=LON)
    site_position_u_m: Number | None = Field(None, gt=0, le=1e5, description="metres, above 0")
    sector: str | None = None
    position: Annotated[int, BeforeValidator(_whole)] | None = Field(None, ge=1, description="1, 2, 3, ...")
    rad_center_m: Number | None = Field(None, gt=0, le=1000, description="metres above ground, above 0 up to 1000")
    rad_center_ft: Number | None = Field(None, gt=0, le=3300, description="feet above ground, above 0 up to 3300")
    rad_center_u_m: Number = Field(RAD_CENTER_U95_M, gt=0, le=100, description="metres, above 0 up to 100")
    antenna_height_m: Number | None = Field(None, gt=0, le=20, description="metres, above 0 up to 20")
    antenna_width_m: Number | None = Field(None, gt=0, le=5, description="metres, above 0 up to 5")
    antenna_depth_m: Number | None = Field(None, gt=0, le=5, description="metres, above 0 up to 5")
    offset_east_m: Number | None = Field(None, ge=-500, le=500, description="metres from the tower's axis")
    offset_north_m: Number | None = Field(None, ge=-500, le=500, description="metres from the tower's axis")
    design_azimuth_deg: Angle = Field(ge=0, le=360, description=AZIMUTH)
    design_north: North = Field("true", description=NORTH_WORDS)
    tolerance_deg: Number = Field(TOLERANCE_DEG, gt=0, le=180, description="degrees, above 0 up to 180")
    design_downtilt_deg: Angle | None = Field(None, ge=-90, le=90, description=DOWNTILT)
    reading_azimuth_deg: Angle | None = Field(None, ge=0, le=360, description=AZIMUTH)
    reading_north: North = Field("true", description=NORTH_WORDS)
    reading_u95_deg: U95 = READING_U95_DEG
    reading_k: Factor = None
    reading_date: Day | None = Field(None, description="a date like 2024-05-31")
    reading_downtilt_deg: Angle | None = Field(None, ge=-90, le=90, description=DOWNTILT)
    reading_downtilt_u95_deg: U95 = READING_DOWNTILT_U95_DEG
    grid_crs: str | None = Field(None, description="EPSG code of a projected CRS")


class ReadingRow(RowModel):
    """A row of a history: a reading, a design, or both, each with the day from which it counts."""

    site_id: str = Field(description="a site of the register")
    antenna_id: str = Field(description="an antenna of the register")
    reading_date: Day | None = Field(None, description="a date like 2024-05-31")
    reading_azimuth_deg: Angle | None = Field(None, ge=0, le=360, description=AZIMUTH)
    reading_north: North = Field("true", description=NORTH_WORDS)
    reading_u95_deg: U95 = READING_U95_DEG
    reading_k: Factor = None
    reading_downtilt_deg: Angle | None = Field(None, ge=-90, le=90, description=DOWNTILT)
    reading_downtilt_u95_deg: U95 = READING_DOWNTILT_U95_DEG
    design_date: Day | None = Field(None, description="the day from which the design counts, like 2024-05-31")
    design_azimuth_deg: Angle | None = Field(None, ge=0, le=360, description=AZIMUTH)
    design_north: North = Field("true", description=NORTH_WORDS)
    tolerance_deg: Number | None = Field(None, gt=0, le=180, description="degrees, above 0 up to 180")
    design_downtilt_deg: Angle | None = Field(None, ge=-90, le=90, description=DOWNTILT)


class ManifestRow(RowModel):
    """A row of a manifest: which site a photo shows."""

    photo: str = Field(description="the photo's file name, or its path relative to this file")
    site_id: str = Field(description="a site of the register")


_M = TypeVar("_M", bound=RowModel)
_SHOWN = 200  # letters of a cell that a fault repeats
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


def good_rows(
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
        own = [as_headed(fault, table) for fault in check(good, row.line)]
        own += [_fault(model, table, row, column) for column in row.bad]
        if own:
            table.faults += own
        else:
            yield row, good


def missing_columns(table: TableStream, needed: Iterable[str]) -> tuple[str, ...]:
    """Those of the needed columns that the table does not have."""
    return tuple(c for c in needed if c not in table.columns)


def lacking(table: TableStream, missing: Iterable[str]) -> Fault:
    """That a table lacks these columns."""
    found = f"the columns {', '.join(table.columns)}"
    return Fault(file=table.path, line=1, found=found, wanted=f"also {', '.join(missing)}")


def require_columns(table: TableStream, needed: Iterable[str]) -> None:
    """Raise InputError where the table lacks needed columns."""
    missing = missing_columns(table, needed)
    if missing:
        raise InputError(lacking(table, missing))


def lon180(lon_deg: float) -> float:
    """A longitude of up to 360 degrees as one of at most 180."""
    return lon_deg - 360.0 if lon_deg > 180.0 else lon_deg


def reading_date_fault(day: date, path: Path, line: int) -> Iterator[Fault]:
    """A fault where no model of the field covers the day of a magnetic reading."""
    if not norths.FIRST_YEAR <= day.year <= norths.LAST_YEAR:
        wanted = f"a date from {norths.FIRST_YEAR} to {norths.LAST_YEAR}, as the reading is magnetic"
        yield Fault(file=path, line=line, column="reading_date", found=day.isoformat(), wanted=wanted)


def as_headed(fault: Fault, table: TableStream) -> Fault:
    """A fault that names the column as the file does, where a mapping of columns gave it another name."""
    headings = table.headings.get(fault.column or "")
    return fault if headings is None else replace(fault, column=f"{', '.join(headings)} (for {fault.column})")


def _fault(model: type[RowModel], table: TableStream, row: Row, column: str, error: Any = None) -> Fault:
    why = row.bad[column] if error is None else error.get("ctx", {}).get("why")
    cell = row.cells.get(column)
    if row.raw is not None and column in table.headings:
        raw = [row.raw[h] for h in table.headings[column] if h in row.raw]
        cell = ", ".join(raw) or cell
    found = "nothing" if cell is None else repr(cell) if len(cell) <= _SHOWN else f"{cell[:_SHOWN]!r} and more"
    return as_headed(
        Fault(
            file=table.path,
            line=row.line,
            column=column,
            found=f"{found} ({why})" if why else found,
            wanted=model.model_fields[column].description or "text",
        ),
        table,
    )
