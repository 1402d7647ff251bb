"""Columns of the tables, each declared once, and rows made of their cells, with every fault in its place.

A column's declaration serves reading, the words of faults, the conversion of other units (`columns`) and the proposal
of what a heading may mean (`propose`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from datetime import date, datetime
from typing import Any, Literal, NamedTuple, TypeVar, get_args

from photoaz.angles import azimuth_deg, parse_angle_deg
from photoaz.geodesy import norths
from photoaz.quantities import DESIGN_TOLERANCE_DEG, RAD_CENTER_U95_M, READING_DOWNTILT_U95_DEG, READING_U95_DEG
from photoaz.register.model import ControlKind, DowntiltReading, Reading, ReadingNorth
from photoaz.register.tables import Row, Table

_T = TypeVar("_T")

# ---------------------------------------------------------------------------------------------------------------------
# What stands in a cell


def _number(text: str) -> float:
    """A plain decimal number. What Python takes beyond that (nan, inf, 1_000) is a slip in a table."""
    text = text.replace("\N{MINUS SIGN}", "-")
    if re.fullmatch(r"[+-]?\d*,\d+", text):
        raise ValueError("a decimal comma")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text) or not math.isfinite(float(text)):
        raise ValueError("not a finite number")
    return float(text)


def _whole(text: str) -> int:
    number = _number(text)
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
    "number": _number,
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
    numbers usually lie. Both are common practice, no source.
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


def column(like: Column, default: Any = MISSING, **more: Any) -> Any:
    """A field of a row class: a column like another one, needed where it has no default."""
    metadata = {"column": replace(like, needed=default is MISSING, **more)}
    return field(metadata=metadata) if default is MISSING else field(default=default, metadata=metadata)


_columns: dict[type[Any], Mapping[str, Column]] = {}


def columns_of(model: type[Any]) -> Mapping[str, Column]:
    """The columns of a row class by name, in their order."""
    if model not in _columns:
        _columns[model] = {f.name: f.metadata["column"] for f in fields(model)}
    return _columns[model]


def needed_of(model: type[Any]) -> tuple[str, ...]:
    """Names of the columns without which a table cannot be read."""
    return tuple(name for name, one in columns_of(model).items() if one.needed)


TEXT = Column()
PHOTO = Column(wanted="the photo's file name, or its path relative to this file")
LATITUDE = Column(kind="angle", unit="deg", low=-90, high=90, wanted="a latitude in degrees, -90 to 90, WGS84")
LONGITUDE = Column(
    kind="angle", unit="deg", low=-180, high=360, wanted="a longitude in degrees, -180 to 360, east positive, WGS84"
)
AZIMUTH = Column(kind="angle", unit="deg", low=0, high=360, wanted="degrees clockwise from north, 0 to 360")
_SITE = Column(wanted="a site of the register")
_ANTENNA = Column(wanted="an antenna of the register")
_NORTH = Column(kind="choice", choices=("true", "magnetic", "grid"), wanted="true, magnetic or grid")
_DOWNTILT = Column(
    kind="angle", unit="deg", low=-90, high=90, wanted="degrees, -90 to 90, positive looks down", usual=(-20, 20)
)
_TOLERANCE = Column(
    kind="number", unit="deg", low=0, above=True, high=180, wanted="degrees, above 0 up to 180", usual=(0.1, 45)
)
_U95_DEG = Column(
    kind="number", unit="deg", low=0, above=True, high=180, wanted="a 95 % uncertainty in degrees, above 0"
)
_FACTOR = Column(kind="number", low=1, high=15, wanted="the coverage factor of reading_u95_deg, 1 to 15")
_DAY = Column(kind="day", wanted="a date like 2024-05-31")
_OFFSET = Column(kind="number", unit="m", low=-500, high=500, wanted="metres from the tower's axis", usual=(-20, 20))


def _metres(high: float, wanted: str | None = None) -> Column:
    wanted = wanted or f"metres, above 0 up to {high:g}"
    return Column(kind="number", unit="m", low=0, above=True, high=high, wanted=wanted)


# ---------------------------------------------------------------------------------------------------------------------
# The tables


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterRow:
    """A row of the register: an antenna with its site."""

    site_id: str = column(
        Column(wanted="a name for the site"),
        names="site id, site no, site number, site name, site, site code, tower id, tower, station, location id, "
        "structure id",
    )
    antenna_id: str = column(
        Column(wanted="a name for the antenna, its own within the site"),
        names="antenna id, antenna no, antenna name, antenna, ant id, cell id, cell name, cell, panel id, asset id, "
        "antenna tag",
    )
    site_lat_deg: float = column(
        LATITUDE, names="latitude, lat, site latitude, tower lat, lat wgs84, gps lat, breite, latitud"
    )
    site_lon_deg: float = column(
        LONGITUDE, names="longitude, lon, long, lng, site longitude, tower lon, gps lon, lange, longitud"
    )
    site_position_u_m: float | None = column(
        _metres(1e5, "metres, above 0"),
        None,
        names="position uncertainty, position accuracy, gps accuracy, coordinate accuracy",
        usual=(0.001, 1000),
    )
    site_ground_m: float | None = column(
        Column(kind="number", unit="m", low=-1000, high=10000, wanted="metres, -1000 to 10000"),
        None,
        names="ground elevation, ground height, site elevation, ground amsl, elevation, amsl",
        usual=(-450, 6000),
    )
    sector: str | None = column(TEXT, None, names="sector, sector id, sec, sector no, face, sektor, secteur")
    position: int | None = column(
        Column(kind="whole", low=1, wanted="1, 2, 3, ..."),
        None,
        names="position, pos, position in sector, slot, antenna position, mount position",
        usual=(1, 20),
    )
    rad_center_m: float | None = column(
        _metres(1000, "metres above ground, above 0 up to 1000"),
        None,
        names="rad center, rad centre, rad ctr, radiation center, radiation centre, centerline, centreline, "
        "c l height, antenna centerline, height agl, agl, antenna height agl, acl, mounting height, mount height, hba",
        usual=(2, 1000),
    )
    rad_center_ft: float | None = column(
        Column(kind="number", unit="ft", low=0, above=True, high=3300, wanted="feet above ground, above 0 up to 3300"),
        None,
    )
    rad_center_u_m: float = column(
        _metres(100),
        RAD_CENTER_U95_M,
        names="rad center uncertainty, height uncertainty, rad center accuracy",
        usual=(0.001, 100),
    )
    antenna_height_m: float | None = column(
        _metres(20),
        None,
        names="antenna height, antenna length, panel height, panel length, box height, length",
        usual=(0.2, 6),
    )
    antenna_width_m: float | None = column(
        _metres(5), None, names="antenna width, panel width, box width, width", usual=(0.05, 2)
    )
    antenna_depth_m: float | None = column(
        _metres(5), None, names="antenna depth, panel depth, box depth, depth, thickness", usual=(0.02, 1)
    )
    offset_east_m: float | None = column(_OFFSET, None, names="offset east, east offset, offset e, dx")
    offset_north_m: float | None = column(_OFFSET, None, names="offset north, north offset, offset n, dy")
    design_azimuth_deg: float = column(
        AZIMUTH,
        names="design azimuth, planned azimuth, azimuth design, azimuth planned, plan azimuth, rf azimuth, azimuth, "
        "azi, azm, az, target azimuth, bearing, azimut",
    )
    design_north: ReadingNorth = column(
        _NORTH, "true", names="design north, azimuth reference, north reference, azimuth ref, design north reference"
    )
    tolerance_deg: float = column(_TOLERANCE, DESIGN_TOLERANCE_DEG, names="tolerance, azimuth tolerance, tol")
    design_downtilt_deg: float | None = column(
        _DOWNTILT,
        None,
        names="design downtilt, mechanical downtilt, mech tilt, mechanical tilt, planned tilt, downtilt, m tilt, mdt, "
        "tilt",
    )
    reading_azimuth_deg: float | None = column(
        AZIMUTH,
        None,
        names="reading azimuth, measured azimuth, azimuth measured, actual azimuth, azimuth actual, as built azimuth, "
        "surveyed azimuth, field azimuth, azimuth as built, azimuth reading, meas az, read az",
    )
    reading_north: ReadingNorth = column(
        _NORTH, "true", names="reading north, measured north, measurement reference, reading reference, read ref"
    )
    reading_u95_deg: float = column(
        _U95_DEG,
        READING_U95_DEG,
        names="reading uncertainty, measurement uncertainty, reading accuracy, instrument accuracy",
        usual=(0.01, 45),
    )
    reading_k: float | None = column(_FACTOR, None)
    reading_date: date | None = column(
        _DAY,
        None,
        names="reading date, measured on, measurement date, date measured, survey date, date of survey, date of "
        "reading, measured, date",
    )
    reading_downtilt_deg: float | None = column(
        _DOWNTILT, None, names="reading downtilt, measured downtilt, measured tilt, actual tilt, tilt measured"
    )
    reading_downtilt_u95_deg: float = column(
        _U95_DEG,
        READING_DOWNTILT_U95_DEG,
        names="downtilt uncertainty, tilt uncertainty, tilt accuracy",
        usual=(0.01, 10),
    )
    grid_crs: str | None = column(
        Column(wanted="EPSG code of a projected CRS"), None, names="grid crs, epsg, crs, epsg code, projection, grid"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """A row of a history: a reading, a design, or both, each with the day from which it counts."""

    site_id: str = column(_SITE)
    antenna_id: str = column(_ANTENNA)
    reading_date: date | None = column(_DAY, None)
    reading_azimuth_deg: float | None = column(AZIMUTH, None)
    reading_north: ReadingNorth = column(_NORTH, "true")
    reading_u95_deg: float = column(_U95_DEG, READING_U95_DEG)
    reading_k: float | None = column(_FACTOR, None)
    reading_downtilt_deg: float | None = column(_DOWNTILT, None)
    reading_downtilt_u95_deg: float = column(_U95_DEG, READING_DOWNTILT_U95_DEG)
    design_date: date | None = column(
        Column(kind="day", wanted="the day from which the design counts, like 2024-05-31"), None
    )
    design_azimuth_deg: float | None = column(AZIMUTH, None)
    design_north: ReadingNorth = column(_NORTH, "true")
    tolerance_deg: float | None = column(_TOLERANCE, None)
    design_downtilt_deg: float | None = column(_DOWNTILT, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class ManifestRow:
    """A row of a manifest: which site a photo shows."""

    photo: str = column(PHOTO)
    site_id: str = column(_SITE)


_PIXELS_X = Column(kind="number", wanted="pixels from the left")
_PIXELS_Y = Column(kind="number", wanted="pixels from the top")
_PIXELS = Column(kind="number", wanted="pixels")
_YES_NO = Column(kind="choice", choices=("yes", "no"), wanted="yes or no")
_CONTROL_KINDS = get_args(ControlKind)


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlRow:
    """A row of the controls."""

    photo: str = column(PHOTO)
    kind: ControlKind = column(Column(kind="choice", choices=_CONTROL_KINDS, wanted=", ".join(_CONTROL_KINDS)))
    name: str = column(TEXT, "")
    x_px: float | None = column(_PIXELS_X, None)
    y_px: float | None = column(_PIXELS_Y, None)
    x2_px: float | None = column(Column(kind="number", wanted="pixels from the left, of the shadow's tip"), None)
    y2_px: float | None = column(Column(kind="number", wanted="pixels from the top, of the shadow's tip"), None)
    lat_deg: float | None = column(LATITUDE, None)
    lon_deg: float | None = column(LONGITUDE, None)
    height_m: float | None = column(Column(kind="number", unit="m", low=-1000, high=10000, wanted="metres"), None)
    azimuth_true_deg: float | None = column(AZIMUTH, None, low=-360)  # a pitch or roll may stand here
    value_deg: float | None = column(
        Column(kind="angle", unit="deg", low=-180, high=180, wanted="degrees, -180 to 180"), None
    )
    u95: float | None = column(
        Column(kind="number", low=0, above=True, wanted="a 95 % uncertainty above 0, metres or degrees as the kind"),
        None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PickRow:
    """A row of the picks."""

    photo: str = column(PHOTO)
    antenna_id: str = column(_ANTENNA)
    x_px: float | None = column(_PIXELS_X, None)
    y_px: float | None = column(_PIXELS_Y, None)
    x1_px: float | None = column(_PIXELS, None)
    y1_px: float | None = column(_PIXELS, None)
    x2_px: float | None = column(_PIXELS, None)
    y2_px: float | None = column(_PIXELS, None)
    x3_px: float | None = column(_PIXELS, None)
    y3_px: float | None = column(_PIXELS, None)
    x4_px: float | None = column(_PIXELS, None)
    y4_px: float | None = column(_PIXELS, None)
    exact: Literal["yes", "no"] = column(_YES_NO, "no")
    absent: Literal["yes", "no"] = column(_YES_NO, "no")


# ---------------------------------------------------------------------------------------------------------------------
# From cells to rows

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


# ---------------------------------------------------------------------------------------------------------------------
# Readings, of which the register and the history tell alike


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
