"""Rows made of the cells of tables, with every fault in its place.

Each column is declared once, in `columns.toml`: for reading, the words of faults, the conversion of other units
(`columns`) and the proposal of what a heading may mean (`propose`).
"""

from __future__ import annotations

import functools
import math
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import MISSING, dataclass, fields
from datetime import date, datetime
from importlib import resources
from typing import Any, ClassVar, Literal, NamedTuple, TypeVar

from photoaz.angles import azimuth_deg, parse_angle_deg
from photoaz.geodesy import norths
from photoaz.quantities import DESIGN_TOLERANCE_DEG, RAD_CENTER_U95_M, READING_DOWNTILT_U95_DEG, READING_U95_DEG
from photoaz.register.model import ControlKind, DowntiltReading, Reading, ReadingNorth, SeenView
from photoaz.register.tables import DECIMAL_COMMA, Row, Table

_T = TypeVar("_T")

# ---- what stands in a cell -------------------------------------------------------------------------------------------


def plain_number(text: str) -> float:
    """A plain decimal number. What Python takes beyond that (nan, inf, 1_000) is a slip in a table."""
    text = text.replace("\N{MINUS SIGN}", "-")
    if re.fullmatch(r"[+-]?\d*,\d+", text):
        raise ValueError(DECIMAL_COMMA)
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text) or not math.isfinite(float(text)):
        raise ValueError("not a finite number")
    return float(text)


def _whole(text: str) -> int:
    number = plain_number(text)
    if not number.is_integer():
        raise ValueError("not a whole number")
    return int(number)


def _day(text: str) -> date:
    try:
        if not re.match(r"\d{4}-\d\d-\d\d", text):
            raise ValueError
        return datetime.fromisoformat(text).date()
    except ValueError:
        raise ValueError("not a date in ISO 8601") from None


_READERS: Mapping[str, Callable[[str], Any]] = {
    "text": str,
    "number": plain_number,
    "whole": _whole,
    "angle": parse_angle_deg,
    "day": _day,
    "choice": str.lower,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What stands in a column.

    wanted : in words, as faults say it. unit : 'm', 'ft' or 'deg'; other units are converted to it. low, high : of
    numbers; `above` leaves out low itself. choices : of texts, in small letters. needed : whether a row must have it.
    names : what people call it, in small letters and without its unit, parted by commas. usual : between what its
    numbers usually lie.
    """

    wanted: str = "text"
    kind: Literal["text", "number", "whole", "angle", "day", "choice"] = "text"
    unit: Literal["m", "ft", "deg"] | None = None
    low: float = -math.inf
    high: float = math.inf
    above: bool = False
    choices: tuple[str, ...] = ()
    needed: bool = False
    names: str = ""
    usual: tuple[float, float] | None = None

    @property
    def is_number(self) -> bool:
        """Whether it holds numbers, angles included."""
        return self.kind in ("number", "whole", "angle")

    def read(self, text: str) -> Any:
        """What a cell means. Raises ValueError; its words say why, unless it is what `wanted` says already."""
        value = _READERS[self.kind](text)
        if self.kind == "choice":
            good = value in self.choices
        else:
            good = not self.is_number or (self.low <= value <= self.high and not (self.above and value == self.low))
        if not good:
            raise ValueError
        return value


@functools.cache
def _declared() -> Mapping[str, Mapping[str, Mapping[str, Any]]]:
    return tomllib.loads((resources.files("photoaz.register") / "columns.toml").read_text(encoding="utf-8"))


def _column(name: str, table: str, needed: bool) -> Column:
    """A column as `columns.toml` declares it: of its table, else of all tables, else like others."""
    own = {**_declared()["columns"].get(name, {}), **_declared().get(table, {}).get(name, {})}
    given = {**_declared()["like"].get(own.pop("like", ""), {}), **own}
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in given.items()}
    return Column(needed=needed, **values)


_columns: dict[type[Any], Mapping[str, Column]] = {}


def columns_of(model: type[Any]) -> Mapping[str, Column]:
    """The columns of a row class by name, in their order; needed are those without a default."""
    if model not in _columns:
        _columns[model] = {f.name: _column(f.name, model.table, f.default is MISSING) for f in fields(model)}
    return _columns[model]


def words() -> Mapping[str, Any]:
    """Words of units, norths and blank cells as people write them, small letters."""
    return _declared()["words"]


def needed_of(model: type[Any]) -> tuple[str, ...]:
    """Names of the columns without which a table cannot be read."""
    return tuple(name for name, one in columns_of(model).items() if one.needed)


# ---- the tables ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterRow:
    """A row of the register: an antenna with its site."""

    table: ClassVar[str] = "register"
    site_id: str
    antenna_id: str
    site_lat_deg: float
    site_lon_deg: float
    site_position_u_m: float | None = None
    site_ground_m: float | None = None
    sector: str | None = None
    position: int | None = None
    rad_center_m: float | None = None
    rad_center_ft: float | None = None
    rad_center_u_m: float = RAD_CENTER_U95_M
    antenna_height_m: float | None = None
    antenna_width_m: float | None = None
    antenna_depth_m: float | None = None
    offset_east_m: float | None = None
    offset_north_m: float | None = None
    design_azimuth_deg: float
    design_north: ReadingNorth = "true"
    tolerance_deg: float = DESIGN_TOLERANCE_DEG
    design_downtilt_deg: float | None = None
    reading_azimuth_deg: float | None = None
    reading_north: ReadingNorth = "true"
    reading_u95_deg: float = READING_U95_DEG
    reading_k: float | None = None
    reading_date: date | None = None
    reading_downtilt_deg: float | None = None
    reading_downtilt_u95_deg: float = READING_DOWNTILT_U95_DEG
    grid_crs: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """A row of a history: a reading, a design, or both, each with the day from which it counts."""

    table: ClassVar[str] = "history"
    site_id: str
    antenna_id: str
    reading_date: date | None = None
    reading_azimuth_deg: float | None = None
    reading_north: ReadingNorth = "true"
    reading_u95_deg: float = READING_U95_DEG
    reading_k: float | None = None
    reading_downtilt_deg: float | None = None
    reading_downtilt_u95_deg: float = READING_DOWNTILT_U95_DEG
    design_date: date | None = None
    design_azimuth_deg: float | None = None
    design_north: ReadingNorth = "true"
    tolerance_deg: float | None = None
    design_downtilt_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ManifestRow:
    """A row of a manifest: which site a photo shows."""

    table: ClassVar[str] = "manifest"
    photo: str
    site_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlRow:
    """A row of the controls."""

    table: ClassVar[str] = "controls"
    photo: str
    kind: ControlKind
    name: str = ""
    x_px: float | None = None
    y_px: float | None = None
    x2_px: float | None = None
    y2_px: float | None = None
    lat_deg: float | None = None
    lon_deg: float | None = None
    height_m: float | None = None
    azimuth_true_deg: float | None = None
    value_deg: float | None = None
    u95: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PickRow:
    """A row of the picks."""

    table: ClassVar[str] = "picks"
    photo: str
    antenna_id: str
    x_px: float | None = None
    y_px: float | None = None
    x1_px: float | None = None
    y1_px: float | None = None
    x2_px: float | None = None
    y2_px: float | None = None
    x3_px: float | None = None
    y3_px: float | None = None
    x4_px: float | None = None
    y4_px: float | None = None
    exact: Literal["yes", "no"] = "no"
    absent: Literal["yes", "no"] = "no"
    view: SeenView | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkRow:
    """A row of landmarks to plan with."""

    table: ClassVar[str] = "landmarks"
    name: str
    lat_deg: float
    lon_deg: float
    height_m: float | None = None
    u95: float | None = None


# ---- from cells to rows ----------------------------------------------------------------------------------------------

_SHOWN = 200  # letters of a cell that a fault repeats
_MEANINGS = 20_000  # texts of a column whose meaning is remembered


class Slip(NamedTuple):
    """What is wrong with a cell: the column, what was found, what is wanted."""

    column: str
    found: str
    wanted: str


def read_row(
    model: type[_T], row: Row, known: Mapping[str, dict[str, Any]] | None = None
) -> tuple[_T | None, list[Slip]]:
    """A row of a table, or what is wrong with its cells.

    known : by column, what texts were found to mean in earlier rows: the same few fill whole columns of a large table.
    """
    values: dict[str, Any] = {}
    slips: list[Slip] = []
    for name, one in columns_of(model).items():
        text = row.cells.get(name)
        if text is None:
            if one.needed and name not in row.bad:
                slips.append(Slip(name, "nothing", one.wanted))
            continue
        meanings = {} if known is None else known[name]
        value = meanings.get(text)
        if value is None:
            try:
                value = one.read(text)
            except ValueError as e:
                slips.append(Slip(name, _shown(row.written(name), str(e)), one.wanted))
                continue
            if len(meanings) > _MEANINGS:
                meanings.clear()
            meanings[text] = value
        values[name] = value
    for name, why in row.bad.items():
        slips.append(Slip(name, _shown(row.written(name), why), columns_of(model)[name].wanted))
    return (None if slips else model(**values)), slips


def _shown(text: str | None, why: str) -> str:
    found = "nothing" if text is None else repr(text) if len(text) <= _SHOWN else f"{text[:_SHOWN]!r} and more"
    return f"{found} ({why})" if why else found


def good_rows(model: type[_T], table: Table, check: Callable[[_T], Iterable[Slip]]) -> Iterator[tuple[Row, _T]]:
    """The rows in which neither the columns nor `check` finds anything; all faults go to the table's."""
    known: dict[str, dict[str, Any]] = {name: {} for name in columns_of(model)}
    for row in table.rows:
        good, slips = read_row(model, row, known)
        if good is not None:
            slips = list(check(good))
            if not slips:
                yield row, good
        for slip in slips:
            table.fault(row.line, *slip)


# ---- readings, of which the register and the history tell alike ------------------------------------------------------


def readings_of(row: RegisterRow | ReadingRow) -> tuple[Reading | None, DowntiltReading | None]:
    """The readings of azimuth and downtilt that a row tells."""
    reading = downtilt = None
    if row.reading_azimuth_deg is not None:
        reading = Reading(
            azimuth_deg=azimuth_deg(row.reading_azimuth_deg),
            north=row.reading_north,
            u95_deg=row.reading_u95_deg,
            date=row.reading_date,
            k=row.reading_k,
        )
    if row.reading_downtilt_deg is not None:
        downtilt = DowntiltReading(downtilt_deg=row.reading_downtilt_deg, u95_deg=row.reading_downtilt_u95_deg)
    return reading, downtilt


def reading_slips(row: RegisterRow | ReadingRow) -> Iterator[Slip]:
    """A magnetic reading of a day that no model of the field covers."""
    if row.reading_azimuth_deg is None or row.reading_north != "magnetic" or row.reading_date is None:
        return
    if not norths.FIRST_YEAR <= row.reading_date.year <= norths.LAST_YEAR:
        wanted = f"a date from {norths.FIRST_YEAR} to {norths.LAST_YEAR}, as the reading is magnetic"
        yield Slip("reading_date", row.reading_date.isoformat(), wanted)
