"""A register's own headings and units, mapped to the interface's columns by a TOML file that somebody wrote.

The manual's page on the register says what may stand in it (`photoaz/manual/register.md`).
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
#: azimuths, and the column that says from which north they count
NORTH_OF = {"design_azimuth_deg": "design_north", "reading_azimuth_deg": "reading_north"}
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

    constants stand where the file has nothing. decimal : of columns that need no rule. readings, manifest : for those
    files, where they have their own.
    """

    file: Path
    rules: Mapping[str, ColumnRule] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)
    position: PositionRule | None = None
    decimal: str = "."
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


def units_of(column: Column) -> tuple[str, ...]:
    """Units that a column of the interface can be converted from."""
    if column.unit == "deg":
        return (*ANGLES_DEG, *PACKED)
    return tuple(LENGTHS_M) if column.unit else ()


# ---- the TOML file ---------------------------------------------------------------------------------------------------

#: stands for site_lat_deg and site_lon_deg
POSITION = "site_position"


def _are_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(v, str) for v in value)


def _is_codec(value: Any) -> bool:
    """Whether text in it can be read by lines."""
    try:
        "".encode(codecs.lookup(value).name)
        codecs.getincrementaldecoder(value)
    except (LookupError, TypeError, ValueError):
        return False
    return True


def _is_layout(value: Any) -> bool:
    """Whether `datetime.strptime` takes it for the layout of a date."""
    try:
        datetime.strptime("", value)
    except ValueError as e:
        return "%" in value and "does not match" in str(e)
    except (TypeError, re.error):  # no text; the same part of a date twice
        return False
    return False


_TEXT = (lambda v: isinstance(v, str), "text")
_TEXTS = (_are_texts, "text, or a list of texts")
_TABLE = (lambda v: isinstance(v, dict), "a table of keys and values")
_DECIMAL = ((".", ",").__contains__, "one of: . ,")
_ONE_OF = None  # which ones depends on the column
_Good = tuple[Callable[[Any], bool], str] | None
# What may stand under each key, and how faults say it: of the file and its parts, of a column, of site_position
_SECTION: Mapping[str, _Good] = {
    "delimiter": (lambda v: isinstance(v, str) and len(v) == 1 and v != '"', "one character, such as ; or \\t"),
    "encoding": (_is_codec, "a name such as utf-8, cp1252 or utf-16"),
    "header_line": (lambda v: type(v) is int and 1 <= v <= MOST_LINES, "the line that the headings stand in, from 1"),
    "sheet": (lambda v: isinstance(v, str) or type(v) is int, "the sheet's name, or its number from 1"),
    "decimal": _DECIMAL,
    "blank": _TEXTS,
    "columns": _TABLE,
    "constants": _TABLE,
}
_PARTS: Mapping[str, _Good] = {"readings": _TABLE, "manifest": _TABLE}
_RULE: Mapping[str, _Good] = {
    "from": (lambda v: isinstance(v, str) or _are_texts(v), "text, or a list of texts"),
    "join": _TEXT,
    "part": (lambda v: type(v) is int and v >= 1, "a whole number from 1"),
    "separator": _TEXT,
    "unit": _ONE_OF,
    "factor": (lambda v: is_finite(v) and v != 0, "a number, not 0"),
    "decimal": _DECIMAL,
    "format": (_is_layout, "the layout of a date, such as %d.%m.%Y, in a column of dates"),
    "values": _TABLE,
    "north": _ONE_OF,
}
_PLACE: Mapping[str, _Good] = {
    "easting": _TEXT,
    "northing": _TEXT,
    "crs": _TEXT,
    "unit": (tuple(LENGTHS_M).__contains__, f"one of: {' '.join(LENGTHS_M)}"),
    "decimal": _DECIMAL,
}


def load_columns(path: Path | str) -> ColumnMap:
    """Read which columns are which.

    [readings] and [manifest] hold the same keys for the readings' history and the manifest: `[readings.columns]`.

    Raises InputError: no TOML, a key that there is not, a value that is none; all at once, with line and key.
    """
    path = Path(path)
    text, given = read_toml(path, what="a TOML file of columns", example='site_id = "Site No"')
    top = _Part(path, text.splitlines(), [], given, (), {**_SECTION, **_PARTS})
    main = _section(top, columns_of(RegisterRow))
    readings, manifest = [
        _section(top.part(name, _SECTION), columns_of(model)) if name in given else None
        for name, model in (("readings", ReadingRow), ("manifest", ManifestRow))
    ]
    if top.faults:
        raise InputError(top.faults)
    return replace(main, readings=readings, manifest=manifest)


class _Part:
    """A table of the TOML file: what is given in it, and under which keys it stands. Faults gather in one list."""

    def __init__(
        self,
        path: Path,
        lines: Sequence[str],
        faults: list[Fault],
        given: Mapping[str, Any],
        where: tuple[str, ...],
        known: Mapping[str, Any] | None,
    ) -> None:
        self.path, self.lines, self.faults, self.given, self.where = path, lines, faults, given, where
        self.known = given if known is None else known
        for key in given:
            if key not in self.known:
                self.unknown(key, tuple(self.known))

    def part(self, key: str, known: Mapping[str, Any] | None) -> _Part:
        """The table under a key; its own keys must be among the known ones, if any are."""
        return _Part(self.path, self.lines, self.faults, self.get(key, {}, _TABLE), (*self.where, key), known)

    def get(self, key: str, default: Any = None, good: _Good = None) -> Any:
        """What stands under a key; the default where there is nothing, or (a fault) something else than is wanted."""
        value = self.given.get(key)
        is_good, wanted = good or self.known[key]
        if value is None or is_good(value):
            return default if value is None else value
        self.fault(key, f"{value!r}", wanted)
        return default

    def unknown(self, key: str, known: Sequence[str]) -> None:
        """Note a key that there is not."""
        near = difflib.get_close_matches(key, known, n=1)
        self.fault(key, f"the unknown key '{key}'", f"{near[0]}, perhaps" if near else f"one of: {', '.join(known)}")

    def fault(self, key: str | None, found: str, wanted: str) -> None:
        """Note a fault of a key, or of the whole table, with the line in which it probably stands."""
        where = self.where if key is None else (*self.where, key)
        keys = [re.compile(rf"""(^|[\s.{{,\[])["']?{re.escape(w)}["']?\s*[=.\]]""") for w in where[-2:]]
        lines = [(n, [bool(key.search(text)) for key in keys]) for n, text in enumerate(self.lines, 1)]
        # within a rule, key and column stand in one line; else the key alone has to do
        line = next((n for n, found in lines if all(found)), None)
        line = line or next((n for n, found in lines if found[-1]), None)
        self.faults.append(Fault(file=self.path, line=line, column=".".join(where), found=found, wanted=wanted))


def _section(part: _Part, known: Mapping[str, Column]) -> ColumnMap:
    decimal = part.get("decimal", ".")
    rules: dict[str, ColumnRule] = {}
    constants: dict[str, str] = {}
    position = None
    may_be_placed = "site_lat_deg" in known
    columns = part.part("columns", None)
    for target, value in columns.given.items():
        if target == POSITION and may_be_placed:
            position = _position(columns.part(target, _PLACE), decimal)
        elif target not in known:
            columns.unknown(target, (*known, POSITION) if may_be_placed else tuple(known))
        elif isinstance(value, str):
            rules[target] = ColumnRule(headings=(value,), decimal=decimal)
        elif isinstance(value, dict):
            one = columns.part(target, _RULE)
            if (rule := _rule(one, known[target], decimal)) is not None:
                rules[target] = rule
            constants |= _north(one, target)
        else:
            columns.fault(target, f"{value!r}", 'a heading, or a table such as {from = "Rad Ctr", unit = "ft"}')
    if position is not None and (both := {"site_lat_deg", "site_lon_deg"} & rules.keys()):
        columns.fault(POSITION, f"{POSITION} beside {' and '.join(sorted(both))}", "one of the two ways")
    fixed = part.part("constants", known)
    for target, value in fixed.given.items():
        if isinstance(value, dict | list):
            fixed.fault(target, f"{value!r}", "one value")
        elif constants.get(target, str(value)) != str(value):
            fixed.fault(target, f"{value!r} beside north = '{constants[target]}'", "one of the two")
        elif target in known:
            constants[target] = value.isoformat() if isinstance(value, date) else str(value)
    return ColumnMap(
        file=part.path,
        rules=rules,
        constants=constants,
        position=position,
        decimal=decimal,
        blank=frozenset(text.casefold() for text in part.get("blank", ())),
        shape=TableShape(
            delimiter=part.get("delimiter"),
            encoding=codecs.lookup(part.get("encoding", "utf-8")).name,
            header_line=part.get("header_line"),
            sheet=part.get("sheet"),
        ),
    )


def _rule(part: _Part, target: Column, decimal: str) -> ColumnRule | None:
    origin = part.get("from", ())
    headings = (origin,) if isinstance(origin, str) else tuple(origin)
    if not headings:
        if not part.given.get("from"):
            part.fault(None, "no heading", 'from = "..."')
        return None
    name = part.where[-1]
    factor = part.get("factor")
    if factor is not None and not target.is_number:
        part.fault("factor", f"a factor for {name}", "one for numbers only")
    unit, layout = None, part.get("format")
    if units := units_of(target):
        unit = part.get("unit", None, (units.__contains__, f"one of: {' '.join(units)}"))
    elif "unit" in part.given:
        part.fault("unit", f"a unit for {name}", "one for lengths and angles only")
    if layout is not None and target.kind != "day":
        part.fault("format", f"{layout!r}", "the layout of a date, such as %d.%m.%Y, in a column of dates")
    return ColumnRule(
        headings=headings,
        join=part.get("join", " "),
        part=part.get("part"),
        separator=part.get("separator") or ",",
        unit=unit,
        factor=None if factor is None else float(factor),
        decimal=part.get("decimal", decimal),
        format=layout,
        values={str(k).casefold(): str(v) for k, v in part.get("values", {}).items()},
    )


def _position(part: _Part, decimal: str) -> PositionRule | None:
    texts = {key: part.get(key, "") for key in ("easting", "northing", "crs")}
    for key, text in texts.items():
        if not text:
            part.fault(None, f"no {key}", 'such as {easting = "X", northing = "Y", crs = "EPSG:32755"}')
    if not all(texts.values()):
        return None
    try:
        check_grid_crs(texts["crs"])
    except InputError as e:
        part.fault("crs", e.faults[0].found, e.faults[0].wanted)
        return None
    return PositionRule(**texts, unit=part.get("unit"), decimal=part.get("decimal", decimal))


def _north(part: _Part, target: str) -> dict[str, str]:
    """The constant that a rule's `north` stands for."""
    if "north" not in part.given:
        return {}
    if (column := NORTH_OF.get(target)) is None:
        part.fault("north", f"a north for {target}", f"one for {' or '.join(NORTH_OF)} only")
        return {}
    norths = columns_of(RegisterRow)[column].choices
    north = part.get("north", None, (norths.__contains__, f"one of: {' '.join(norths)}"))
    return {} if north is None else {column: north}
