"""A register's own headings and units, mapped to the interface's columns by a TOML file that somebody wrote.

    delimiter = ";"            # how the file is written, where photoaz cannot see it: also encoding, sheet, header_line
    decimal = ","              # numbers are written 45,2
    blank = ["n/a", "-"]       # cells that say nothing

    [columns]                  # ours = theirs
    site_id = "Site No"
    antenna_id = {from = ["Sector", "Pos"], join = "-"}
    site_lat_deg = {from = "Position", part = 1}
    site_lon_deg = {from = "Position", part = 2}
    rad_center_m = {from = "Rad Ctr", unit = "ft"}
    design_azimuth_deg = {from = "Azimuth", north = "magnetic"}
    reading_date = {from = "Measured", format = "%d.%m.%Y"}
    reading_north = {from = "Ref", values = {T = "true", M = "magnetic"}}

    [constants]                # where the file has no such column, or nothing in it
    tolerance_deg = 5

`site_position = {easting = "X", northing = "Y", crs = "EPSG:2953"}` stands for site_lat_deg and site_lon_deg.
"""

from __future__ import annotations

import codecs
import difflib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from photoaz.errors import Fault, InputError
from photoaz.geodesy.norths import check_grid_crs
from photoaz.register.rows import Column, ManifestRow, ReadingRow, RegisterRow, columns_of
from photoaz.register.tables import MOST_LINES, TableShape
from photoaz.register.toml import is_finite, read_toml

#: metres in a unit of length. The US survey foot is 1200/3937 m (Federal Register 24 FR 5348, 1959)
LENGTHS_M: Mapping[str, float] = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "km": 1000.0,
    "ft": 0.3048,
    "us-ft": 1200.0 / 3937.0,
    "in": 0.0254,
    "yd": 0.9144,
}
#: degrees in a unit of angle: 400 gon and, as NATO has them, 6400 mil make a turn
ANGLES_DEG: Mapping[str, float] = {
    "deg": 1.0,
    "gon": 0.9,
    "mil": 360.0 / 6400.0,
    "rad": 180.0 / math.pi,
    "turn": 360.0,
}
#: degrees, minutes and seconds run together: 463748.5 is 46 deg 37' 48.5", 4637.8 is 46 deg 37.8'
PACKED = ("ddmmss", "ddmm")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnRule:
    """How one of the interface's columns comes from columns of a file.

    headings : the file's; several are joined by `join`. part : which one of the texts between separators, from 1.
    unit : of LENGTHS_M, ANGLES_DEG or PACKED. factor : the number is multiplied by it. decimal : '.' or ','.
    format : of a date, as `datetime.strptime` has it. values : what a text stands for, whatever its case.
    """

    headings: tuple[str, ...]
    join: str = " "
    part: int | None = None
    separator: str = ","
    unit: str | None = None
    factor: float | None = None
    decimal: str = "."
    format: str | None = None
    values: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionRule:
    """A site's position from coordinates in a projected CRS; unit of both, metres where None."""

    easting: str
    northing: str
    crs: str
    unit: str | None = None
    decimal: str = "."


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """Which columns of a file are which of the interface's; by `load_columns`.

    constants stand where the file has nothing. readings, manifest : for those files, where they have their own.
    """

    file: Path
    rules: Mapping[str, ColumnRule] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)
    position: PositionRule | None = None
    blank: frozenset[str] = frozenset()
    shape: TableShape = field(default_factory=TableShape)
    readings: ColumnMap | None = None
    manifest: ColumnMap | None = None

    def headings(self) -> tuple[str, ...]:
        """All headings of the file that are named."""
        named = [h for rule in self.rules.values() for h in rule.headings]
        if self.position is not None:
            named += [self.position.easting, self.position.northing]
        return tuple(dict.fromkeys(named))


# ---------------------------------------------------------------------------------------------------------------------
# The TOML file

#: stands for site_lat_deg and site_lon_deg
POSITION = "site_position"
_RULE_KEYS = ("from", "join", "part", "separator", "unit", "factor", "decimal", "format", "values", "north")
_POSITION_KEYS = ("easting", "northing", "crs", "unit", "decimal")
_SECTION_KEYS = ("delimiter", "encoding", "header_line", "sheet", "decimal", "blank", "columns", "constants")
_SECTIONS = ("readings", "manifest")


def load_columns(path: Path | str) -> ColumnMap:
    """Read which columns are which; the TOML is described at the head of this module.

    [readings] and [manifest] hold the same keys for the readings' history and the manifest: `[readings.columns]`.

    Raises
    ------
    InputError : no TOML, a key that there is not, a value that is none; all at once, with line and key.
    """
    path = Path(path)
    text, given = read_toml(path, what="a TOML file of columns", example='site_id = "Site No"')
    reader = _Reader(path, text)
    main = reader.section(given, (), columns_of(RegisterRow), _SECTIONS)
    readings = reader.part(given, "readings", columns_of(ReadingRow))
    manifest = reader.part(given, "manifest", columns_of(ManifestRow))
    if reader.faults:
        raise InputError(reader.faults)
    return replace(main, readings=readings, manifest=manifest)


class _Reader:
    """Turns TOML into a mapping, and keeps what is wrong with it."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.lines = text.splitlines()
        self.faults: list[Fault] = []

    def fault(self, where: Sequence[str], found: str, wanted: str) -> None:
        keys = [re.compile(rf"""(^|[\s.{{,\[])["']?{re.escape(w)}["']?\s*[=.\]]""") for w in where[-2:]]
        lines = [(n, [bool(key.search(text)) for key in keys]) for n, text in enumerate(self.lines, 1)]
        # within a rule, key and column stand in one line; else the key alone has to do
        line = next((n for n, found in lines if all(found)), None)
        line = line or next((n for n, found in lines if found[-1]), None)
        self.faults.append(Fault(file=self.path, line=line, column=".".join(where), found=found, wanted=wanted))

    def check_keys(self, given: Mapping[str, Any], where: tuple[str, ...], known: Sequence[str]) -> None:
        for key in given:
            if key not in known:
                self.unknown((*where, key), known)

    def unknown(self, where: Sequence[str], known: Sequence[str]) -> None:
        near = difflib.get_close_matches(where[-1], known, n=1)
        wanted = f"{near[0]}, perhaps" if near else f"one of: {', '.join(known)}"
        self.fault(where, f"the unknown key '{where[-1]}'", wanted)

    def value(
        self, given: Mapping[str, Any], key: str, where: tuple[str, ...], good: Callable[[Any], bool], wanted: str
    ) -> Any:
        """What stands under a key; None where there is nothing, or (a fault) something else than is wanted."""
        value = given.get(key)
        if value is None or good(value):
            return value
        self.fault((*where, key), f"{value!r}", wanted)
        return None

    def choice(self, given: Mapping[str, Any], key: str, where: tuple[str, ...], known: Sequence[str]) -> str | None:
        found: str | None = self.value(given, key, where, lambda v: v in known, f"one of: {' '.join(known)}")
        return found

    def text(self, given: Mapping[str, Any], key: str, where: tuple[str, ...], default: str) -> str:
        found: str | None = self.value(given, key, where, lambda v: isinstance(v, str), "text")
        return default if found is None else found

    def texts(self, given: Mapping[str, Any], key: str, where: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(self.value(given, key, where, _are_texts, "text, or a list of texts") or ())

    def table(self, given: Mapping[str, Any], key: str, where: tuple[str, ...]) -> Mapping[str, Any]:
        return self.value(given, key, where, lambda v: isinstance(v, dict), "a table of keys and values") or {}

    def part(self, given: Mapping[str, Any], name: str, known: Mapping[str, Column]) -> ColumnMap | None:
        return self.section(self.table(given, name, ()), (name,), known) if name in given else None

    def section(
        self, given: Mapping[str, Any], where: tuple[str, ...], known: Mapping[str, Column], more: Sequence[str] = ()
    ) -> ColumnMap:
        self.check_keys(given, where, (*_SECTION_KEYS, *more))
        decimal = self.choice(given, "decimal", where, (".", ",")) or "."
        rules: dict[str, ColumnRule] = {}
        constants: dict[str, str] = {}
        position = None
        may_be_placed = "site_lat_deg" in known
        here = (*where, "columns")
        for target, value in self.table(given, "columns", where).items():
            if target == POSITION and may_be_placed:
                position = self.position(value, (*here, target), decimal)
            elif target not in known:
                self.unknown((*here, target), (*known, POSITION) if may_be_placed else tuple(known))
            else:
                rule = self.rule(known[target], value, (*here, target), decimal)
                if rule is not None:
                    rules[target] = rule
                if isinstance(value, dict) and "north" in value:
                    constants |= self.north(target, value, (*here, target))
        if position is not None and (both := {"site_lat_deg", "site_lon_deg"} & rules.keys()):
            self.fault((*here, POSITION), f"{POSITION} beside {' and '.join(sorted(both))}", "one of the two ways")
        here = (*where, "constants")
        for target, value in self.table(given, "constants", where).items():
            if target not in known:
                self.unknown((*here, target), tuple(known))
            elif isinstance(value, dict | list):
                self.fault((*here, target), f"{value!r}", "one value")
            elif constants.get(target, str(value)) != str(value):
                self.fault((*here, target), f"{value!r} beside north = '{constants[target]}'", "one of the two")
            else:
                constants[target] = value.isoformat() if isinstance(value, date) else str(value)
        return ColumnMap(
            file=self.path,
            rules=rules,
            constants=constants,
            position=position,
            blank=frozenset(t.casefold() for t in self.texts(given, "blank", where)),
            shape=self.shape(given, where),
        )

    def shape(self, given: Mapping[str, Any], where: tuple[str, ...]) -> TableShape:
        return TableShape(
            delimiter=self.value(
                given,
                "delimiter",
                where,
                lambda v: isinstance(v, str) and len(v) == 1 and v != '"',
                "one character, such as ; or \\t",
            ),
            encoding=_codec(
                self.value(
                    given, "encoding", where, lambda v: bool(_codec(v)), "a name such as utf-8, cp1252 or utf-16"
                )
                or "utf-8"
            ),
            header_line=self.value(
                given,
                "header_line",
                where,
                lambda v: type(v) is int and 1 <= v <= MOST_LINES,
                "the line that the headings stand in, from 1",
            ),
            sheet=self.value(
                given,
                "sheet",
                where,
                lambda v: isinstance(v, str | int) and not isinstance(v, bool),
                "the sheet's name, or its number from 1",
            ),
        )

    def rule(self, target: Column, value: Any, where: tuple[str, ...], decimal: str) -> ColumnRule | None:
        if isinstance(value, str):
            value = {"from": value}
        if not isinstance(value, dict):
            self.fault(where, f"{value!r}", 'a heading, or a table such as {from = "Rad Ctr", unit = "ft"}')
            return None
        self.check_keys(value, where, _RULE_KEYS)
        origin = value.get("from")
        headings = (origin,) if isinstance(origin, str) else self.texts(value, "from", where)
        if not headings:
            if not origin:
                self.fault(where, "no heading", 'from = "..."')
            return None
        factor = self.value(value, "factor", where, lambda v: is_finite(v) and v != 0, "a number, not 0")
        if factor is not None and not target.is_number:
            self.fault((*where, "factor"), f"a factor for {where[-1]}", "one for numbers only")
        unit = None
        if units_of(target):
            unit = self.choice(value, "unit", where, units_of(target))
        elif "unit" in value:
            self.fault((*where, "unit"), f"a unit for {where[-1]}", "one for lengths and angles only")
        return ColumnRule(
            headings=headings,
            join=self.text(value, "join", where, " "),
            part=self.value(value, "part", where, lambda v: type(v) is int and v >= 1, "a whole number from 1"),
            separator=self.text(value, "separator", where, ",") or ",",
            unit=unit,
            factor=None if factor is None else float(factor),
            decimal=self.choice(value, "decimal", where, (".", ",")) or decimal,
            format=self.value(
                value,
                "format",
                where,
                lambda v: isinstance(v, str) and _is_layout(v) and target.kind == "day",
                "the layout of a date, such as %d.%m.%Y, in a column of dates",
            ),
            values={str(k).casefold(): str(v) for k, v in self.table(value, "values", where).items()},
        )

    def position(self, value: Any, where: tuple[str, ...], decimal: str) -> PositionRule | None:
        table = self.table({where[-1]: value}, where[-1], where[:-1])
        self.check_keys(table, where, _POSITION_KEYS)
        texts = {key: self.text(table, key, where, "") for key in ("easting", "northing", "crs")}
        for key, text in texts.items():
            if not text:
                self.fault(where, f"no {key}", 'such as {easting = "X", northing = "Y", crs = "EPSG:32755"}')
        if not all(texts.values()):
            return None
        try:
            check_grid_crs(texts["crs"])
        except InputError as e:
            self.fault((*where, "crs"), e.faults[0].found, e.faults[0].wanted)
            return None
        return PositionRule(
            **texts,
            unit=self.choice(table, "unit", where, tuple(LENGTHS_M)),
            decimal=self.choice(table, "decimal", where, (".", ",")) or decimal,
        )

    def north(self, target: str, given: Mapping[str, Any], where: tuple[str, ...]) -> dict[str, str]:
        column = {"design_azimuth_deg": "design_north", "reading_azimuth_deg": "reading_north"}.get(target)
        if column is None:
            self.fault(
                (*where, "north"), f"a north for {target}", "one for design_azimuth_deg or reading_azimuth_deg only"
            )
            return {}
        north = self.choice(given, "north", where, columns_of(RegisterRow)[column].choices)
        return {} if north is None else {column: north}


def _are_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(v, str) for v in value)


def _codec(name: Any) -> str:
    """A codec's own name; nothing where there is none of this name that can be read by lines."""
    try:
        found = codecs.lookup(name).name
        "".encode(found)
        codecs.getincrementaldecoder(found)
    except (LookupError, TypeError, ValueError):
        return ""
    return found


def _is_layout(text: str) -> bool:
    """Whether `datetime.strptime` takes it for the layout of a date."""
    try:
        datetime.strptime("", text)
    except ValueError as e:
        return "%" in text and "does not match" in str(e)
    except re.error:  # the same part of a date twice
        return False
    return False


def units_of(column: Column) -> tuple[str, ...]:
    """Units that a column of the interface can be converted from."""
    if column.unit == "deg":
        return (*ANGLES_DEG, *PACKED)
    return tuple(LENGTHS_M) if column.unit else ()
