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
import functools
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from photoaz.angles import parse_angle_deg
from photoaz.errors import Fault, InputError
from photoaz.register.rows import ManifestRow, ReadingRow, RegisterRow
from photoaz.register.tables import MOST_LINES, Row, TableShape, TableStream, open_table
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

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


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

_POSITION = "site_position"
_RULE_KEYS = ("from", "join", "part", "separator", "unit", "factor", "decimal", "format", "values", "north")
_POSITION_KEYS = ("easting", "northing", "crs", "unit", "decimal")
_SECTION_KEYS = ("delimiter", "encoding", "header_line", "sheet", "decimal", "blank", "columns", "constants")
_NORTHS = ("true", "magnetic", "grid")
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
    main = reader.section(given, (), RegisterRow.columns(), _SECTIONS)
    readings = reader.part(given, "readings", ReadingRow.columns())
    manifest = reader.part(given, "manifest", ManifestRow.columns())
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

    def unknown(self, where: Sequence[str], known: Sequence[str]) -> None:
        near = difflib.get_close_matches(where[-1], known, n=1)
        wanted = f"{near[0]}, perhaps" if near else f"one of: {', '.join(known)}"
        self.fault(where, f"the unknown key '{where[-1]}'", wanted)

    def part(self, given: Mapping[str, Any], name: str, known: Sequence[str]) -> ColumnMap | None:
        if name not in given:
            return None
        return self.section(self.table(given[name], (name,)), (name,), known)

    def section(
        self, given: Mapping[str, Any], where: tuple[str, ...], known: Sequence[str], more: Sequence[str] = ()
    ) -> ColumnMap:
        for key in given:
            if key not in (*_SECTION_KEYS, *more):
                self.unknown((*where, key), (*_SECTION_KEYS, *more))
        decimal = self.choice(given.get("decimal"), (*where, "decimal"), (".", ",")) or "."
        rules: dict[str, ColumnRule] = {}
        constants: dict[str, str] = {}
        position = None
        here = (*where, "columns")
        for target, value in self.table(given.get("columns", {}), here).items():
            at = (*here, target)
            if target == _POSITION and "site_lat_deg" in known:
                position = self.position(value, at, decimal)
            elif target not in known:
                self.unknown(at, (*known, _POSITION) if "site_lat_deg" in known else known)
            else:
                rule = self.rule(target, value, at, decimal)
                if rule is not None:
                    rules[target] = rule
                if isinstance(value, dict) and "north" in value:
                    constants |= self.north(target, value["north"], (*at, "north"))
        if position is not None and (both := {"site_lat_deg", "site_lon_deg"} & rules.keys()):
            self.fault((*here, _POSITION), f"{_POSITION} beside {' and '.join(sorted(both))}", "one of the two ways")
        here = (*where, "constants")
        for target, value in self.table(given.get("constants", {}), here).items():
            if target not in known:
                self.unknown((*here, target), known)
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
            blank=frozenset(t.casefold() for t in self.texts(given.get("blank", []), (*where, "blank"))),
            shape=self.shape(given, where),
        )

    def shape(self, given: Mapping[str, Any], where: tuple[str, ...]) -> TableShape:
        delimiter = given.get("delimiter")
        if delimiter is not None and not (isinstance(delimiter, str) and len(delimiter) == 1 and delimiter != '"'):
            self.fault((*where, "delimiter"), f"{delimiter!r}", "one character, such as ; or \\t")
            delimiter = None
        encoding = given.get("encoding", "utf-8")
        try:
            encoding = codecs.lookup(encoding).name
            "".encode(encoding)
            codecs.getincrementaldecoder(encoding)  # not every codec can be read by lines
        except (LookupError, TypeError, ValueError):
            self.fault((*where, "encoding"), f"{encoding!r}", "a name such as utf-8, cp1252 or utf-16")
            encoding = "utf-8"
        header_line = given.get("header_line")
        if header_line is not None and not (type(header_line) is int and 1 <= header_line <= MOST_LINES):
            self.fault((*where, "header_line"), f"{header_line!r}", "the line that the headings stand in, from 1")
            header_line = None
        sheet = given.get("sheet")
        if sheet is not None and (not isinstance(sheet, str | int) or isinstance(sheet, bool)):
            self.fault((*where, "sheet"), f"{sheet!r}", "the sheet's name, or its number from 1")
            sheet = None
        return TableShape(delimiter=delimiter, encoding=encoding, header_line=header_line, sheet=sheet)

    def rule(self, target: str, value: Any, where: tuple[str, ...], decimal: str) -> ColumnRule | None:
        if isinstance(value, str):
            value = {"from": value}
        if not isinstance(value, dict):
            self.fault(where, f"{value!r}", 'a heading, or a table such as {from = "Rad Ctr", unit = "ft"}')
            return None
        for key in value:
            if key not in _RULE_KEYS:
                self.unknown((*where, key), _RULE_KEYS)
        origin = value.get("from")
        headings = self.texts([origin] if isinstance(origin, str) else origin, (*where, "from"))
        if not headings:
            if origin == [] or origin is None:
                self.fault(where, "no heading", 'from = "..."')
            return None
        part = value.get("part")
        if part is not None and not (type(part) is int and part >= 1):
            self.fault((*where, "part"), f"{part!r}", "a whole number from 1")
            part = None
        factor = value.get("factor")
        if factor is not None and (not is_finite(factor) or factor == 0):
            self.fault((*where, "factor"), f"{factor!r}", "a number, not 0")
            factor = None
        if factor is not None and not is_number(target):
            self.fault((*where, "factor"), f"a factor for {target}", "one for numbers only")
        layout = value.get("format")
        if layout is not None and (not isinstance(layout, str) or not _is_layout(layout) or not is_date(target)):
            self.fault(
                (*where, "format"), f"{layout!r}", "the layout of a date, such as %d.%m.%Y, in a column of dates"
            )
            layout = None
        values = self.table(value.get("values", {}), (*where, "values"))
        return ColumnRule(
            headings=headings,
            join=self.text(value.get("join"), (*where, "join"), " "),
            part=part,
            separator=self.text(value.get("separator"), (*where, "separator"), ",") or ",",
            unit=self.unit(target, value.get("unit"), (*where, "unit")),
            factor=None if factor is None else float(factor),
            decimal=self.choice(value.get("decimal"), (*where, "decimal"), (".", ",")) or decimal,
            format=layout,
            values={str(k).casefold(): str(v) for k, v in values.items()},
        )

    def position(self, value: Any, where: tuple[str, ...], decimal: str) -> PositionRule | None:
        table = self.table(value, where)
        for key in table:
            if key not in _POSITION_KEYS:
                self.unknown((*where, key), _POSITION_KEYS)
        texts = {key: self.text(table.get(key), (*where, key), "") for key in ("easting", "northing", "crs")}
        for key, text in texts.items():
            if not text:
                self.fault(where, f"no {key}", 'such as {easting = "X", northing = "Y", crs = "EPSG:32755"}')
        if not all(texts.values()):
            return None
        from photoaz.geodesy.norths import check_grid_crs

        try:
            check_grid_crs(texts["crs"])
        except InputError as e:
            self.fault((*where, "crs"), e.faults[0].found, e.faults[0].wanted)
            return None
        return PositionRule(
            easting=texts["easting"],
            northing=texts["northing"],
            crs=texts["crs"],
            unit=self.choice(table.get("unit"), (*where, "unit"), tuple(LENGTHS_M)),
            decimal=self.choice(table.get("decimal"), (*where, "decimal"), (".", ",")) or decimal,
        )

    def north(self, target: str, value: Any, where: tuple[str, ...]) -> dict[str, str]:
        column = {"design_azimuth_deg": "design_north", "reading_azimuth_deg": "reading_north"}.get(target)
        if column is None:
            self.fault(where, f"a north for {target}", "one for design_azimuth_deg or reading_azimuth_deg only")
            return {}
        north = self.choice(value, where, _NORTHS)
        return {} if north is None else {column: north}

    def unit(self, target: str, value: Any, where: tuple[str, ...]) -> str | None:
        if value is None:
            return None
        known = units_of(target)
        if not known:
            self.fault(where, f"a unit for {target}", "one for lengths and angles only")
            return None
        return self.choice(value, where, known)

    def table(self, value: Any, where: tuple[str, ...]) -> Mapping[str, Any]:
        if isinstance(value, dict):
            return value
        self.fault(where, f"{value!r}", "a table of keys and values")
        return {}

    def texts(self, value: Any, where: tuple[str, ...]) -> tuple[str, ...]:
        if value is None:
            return ()
        if isinstance(value, list) and all(isinstance(v, str) for v in value):
            return tuple(value)
        self.fault(where, f"{value!r}", "text, or a list of texts")
        return ()

    def text(self, value: Any, where: tuple[str, ...], default: str) -> str:
        if value is None or isinstance(value, str):
            return default if value is None else value
        self.fault(where, f"{value!r}", "text")
        return default

    def choice(self, value: Any, where: tuple[str, ...], known: Sequence[str]) -> str | None:
        if value is None or (isinstance(value, str) and value in known):
            return value
        self.fault(where, f"{value!r}", f"one of: {' '.join(known)}")
        return None


def _is_layout(text: str) -> bool:
    """Whether `datetime.strptime` takes it for the layout of a date."""
    try:
        datetime.strptime("", text)
    except ValueError as e:
        return "%" in text and "does not match" in str(e)
    except re.error:  # the same part of a date twice
        return False
    return False


def is_length(column: str) -> bool:
    """Whether a column of the interface holds metres or feet."""
    return column.endswith(("_m", "_ft"))


def is_angle(column: str) -> bool:
    """Whether a column of the interface holds degrees."""
    return column.endswith("_deg")


def is_date(column: str) -> bool:
    """Whether a column of the interface holds days."""
    return column.endswith("_date")


def is_number(column: str) -> bool:
    """Whether a column of the interface holds numbers."""
    return is_length(column) or is_angle(column) or column == "position"


def units_of(column: str) -> tuple[str, ...]:
    """Units that a column of the interface can be converted from."""
    if is_angle(column):
        return (*ANGLES_DEG, *PACKED)
    return tuple(LENGTHS_M) if is_length(column) else ()


# ---------------------------------------------------------------------------------------------------------------------
# The table as the interface has it


def same_heading(heading: str) -> str:
    """A heading as it is compared: case, runs of blanks and line ends do not matter."""
    return " ".join(heading.split()).casefold()


def open_mapped(path: Path | str, known: Sequence[str], columns: ColumnMap) -> TableStream:
    """Open a table with its columns turned into the interface's; those that nobody named stay as they are.

    known : the interface's columns, which need no naming where the file has them.

    Raises
    ------
    InputError : as `open_table`; the file lacks headings that were named.
    """
    path = Path(path)
    raw = open_table(path, tuple(dict.fromkeys((*columns.headings(), *known))), columns.shape)
    actual = {same_heading(c): c for c in raw.columns}
    faults = []
    for target, headings in _sources(columns):
        for heading in headings:
            if same_heading(heading) not in actual:
                near = difflib.get_close_matches(heading, raw.columns, n=1, cutoff=0.7)
                wanted = f"'{near[0]}', perhaps" if near else f"one of: {', '.join(raw.columns)}"
                found = f"the heading '{heading}', which {path} does not have"
                faults.append(Fault(file=columns.file, column=f"columns.{target}", found=found, wanted=wanted))
    if faults:
        raise InputError(faults)
    named = {same_heading(h) for h in columns.headings()}
    made = [target for target, _ in _sources(columns)]
    kept = {c: f"{c} (as in the file)" if c in made else c for c in raw.columns if same_heading(c) not in named}
    makers: list[tuple[tuple[str, ...], tuple[str, ...], Callable[[tuple[str, ...]], tuple[str, ...]]]] = [
        ((target,), tuple(actual[same_heading(h)] for h in rule.headings), _converter(target, rule))
        for target, rule in columns.rules.items()
    ]
    if (position := columns.position) is not None:
        origin = (actual[same_heading(position.easting)], actual[same_heading(position.northing)])
        makers.append((("site_lat_deg", "site_lon_deg"), origin, _locator(position)))
    origins = {target: origin for targets, origin, _ in makers for target in targets}

    def rows() -> Iterator[Row]:
        for row in raw.rows:
            cells = row.cells
            if columns.blank:
                cells = {k: v for k, v in cells.items() if v.casefold() not in columns.blank}
            out = {new: cells[c] for c, new in kept.items() if c in cells}
            bad: dict[str, str] = {}
            for targets, origin, convert in makers:
                texts = tuple(cells[h] for h in origin if h in cells)
                if not texts or (len(targets) == 2 and len(texts) < 2):
                    continue
                try:
                    values = convert(texts)
                except ValueError as e:
                    bad.update((t, str(e)) for t in targets)
                else:
                    out.update((t, v) for t, v in zip(targets, values, strict=True) if v)
            for target, value in columns.constants.items():
                if target not in bad:
                    out.setdefault(target, value)
            yield Row(line=row.line, cells=out, raw=row.cells, bad=bad)

    return TableStream(
        path=raw.path,
        columns=tuple(dict.fromkeys((*kept.values(), *origins, *columns.constants))),
        rows=rows(),
        faults=raw.faults,
        headings=origins,
    )


def _sources(columns: ColumnMap) -> Iterator[tuple[str, tuple[str, ...]]]:
    for target, rule in columns.rules.items():
        yield target, rule.headings
    if columns.position is not None:
        yield _POSITION, (columns.position.easting, columns.position.northing)


def _converter(target: str, rule: ColumnRule) -> Callable[[tuple[str, ...]], tuple[str, ...]]:
    """From the cells of the rule's headings to the cell of a column; ValueError says why it cannot be."""

    @functools.lru_cache(maxsize=1 << 14)
    def convert(texts: tuple[str, ...]) -> tuple[str, ...]:
        text = rule.join.join(texts)
        if rule.part is not None:
            parts = [p.strip() for p in text.split(rule.separator)]
            if len(parts) < rule.part:
                raise ValueError(f"no part {rule.part} between '{rule.separator}'")
            text = parts[rule.part - 1]
        if (value := rule.values.get(text.casefold())) is not None:
            return (value,)
        if rule.format is not None:
            try:
                return (datetime.strptime(text, rule.format).date().isoformat(),)
            except ValueError:
                raise ValueError(f"not a date as {rule.format}") from None
        return (_measure(target, rule, text) if is_number(target) and text else text,)

    return convert


def _measure(target: str, rule: ColumnRule, text: str) -> str:
    """A number or angle in the column's own unit, as text."""
    if rule.decimal == ",":
        if "." in text and "," in text:
            raise ValueError("both a point and a comma")
        text = text.replace(",", ".")
    if rule.unit is None and rule.factor is None:
        return text
    factor = 1.0 if rule.factor is None else rule.factor
    if is_angle(target):
        if rule.unit in PACKED:
            return f"{factor * _packed_deg(text, rule.unit):.12g}"
        if rule.unit in (None, "deg"):
            return f"{factor * parse_angle_deg(text):.12g}"
        return f"{factor * ANGLES_DEG[rule.unit] * _plain(text, rule.unit):.12g}"
    if target.endswith("_ft"):
        factor /= LENGTHS_M["ft"]
        return f"{factor * LENGTHS_M[rule.unit or 'ft'] * _plain(text, rule.unit or 'ft'):.12g}"
    return f"{factor * LENGTHS_M.get(rule.unit or 'm', 1.0) * _plain(text, rule.unit or 'm'):.12g}"


def _plain(text: str, unit: str) -> float:
    """A number, its unit behind it or not."""
    text = text.replace("\N{MINUS SIGN}", "-")
    if text.casefold().endswith(unit):
        text = text[: -len(unit)].strip()
    if not _NUMBER.fullmatch(text):
        raise ValueError("not a number")
    return float(text)


def _packed_deg(text: str, unit: str) -> float:
    """Degrees from DDMMSS.s or DDMM.m, with a sign or a letter of a hemisphere."""
    found = re.fullmatch(r"\s*([NESW])?\s*([+-]?)(\d+)(\.\d*)?\s*([NESW])?\s*", text.replace("\N{MINUS SIGN}", "-"))
    if not found or (found[1] and found[5]):
        raise ValueError(f"not an angle as {unit}")
    digits = 4 if unit == "ddmmss" else 2
    whole = found[3].rjust(digits + 1, "0")
    fraction = float(f"0{found[4]}") if found[4] and found[4] != "." else 0.0
    degrees, rest = int(whole[:-digits]), whole[-digits:]
    minutes = int(rest[:2]) + (fraction if digits == 2 else 0.0)
    seconds = int(rest[2:]) + fraction if digits == 4 else 0.0
    if minutes >= 60.0 or seconds >= 60.0:
        raise ValueError("minutes or seconds out of range")
    letter = found[1] or found[5] or ""
    if letter and found[2]:
        raise ValueError("a sign together with a hemisphere letter")
    value = degrees + minutes / 60.0 + seconds / 3600.0
    return -value if found[2] == "-" or letter in ("S", "W") else value


def _locator(rule: PositionRule) -> Callable[[tuple[str, ...]], tuple[str, ...]]:
    """From easting and northing to latitude and longitude (WGS84)."""
    import pyproj

    code = f"EPSG:{rule.crs}" if rule.crs.strip().isdigit() else rule.crs
    transformer = pyproj.Transformer.from_crs(code, "EPSG:4326", always_xy=True)
    to_metres = LENGTHS_M[rule.unit or "m"]
    # what the CRS itself counts in, which need not be metres
    own = pyproj.CRS.from_user_input(code).axis_info[0].unit_conversion_factor

    @functools.lru_cache(maxsize=1 << 10)
    def convert(texts: tuple[str, ...]) -> tuple[str, ...]:
        numbers = []
        for text in texts:
            if rule.decimal == ",":
                text = text.replace(",", ".")
            numbers.append(_plain(text, rule.unit or "m") * (to_metres / own if rule.unit else 1.0))
        lon, lat = transformer.transform(numbers[0], numbers[1])
        if not (math.isfinite(lon) and math.isfinite(lat)):
            raise ValueError(f"no place in {rule.crs}")
        return f"{lat:.9f}", f"{lon:.9f}"

    return convert
