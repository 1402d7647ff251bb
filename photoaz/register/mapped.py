"""Tables with their columns turned into the interface's, as a mapping of columns says."""

from __future__ import annotations

import difflib
import functools
import math
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path

from photoaz.angles import parse_angle_deg
from photoaz.errors import Fault, InputError
from photoaz.register.columns import ANGLES_DEG, LENGTHS_M, PACKED, POSITION, ColumnMap, ColumnRule, PositionRule
from photoaz.register.rows import Column, plain_number
from photoaz.register.tables import Row, Table, open_table


def same_heading(heading: str) -> str:
    """A heading as it is compared: case, runs of blanks and line ends do not matter."""
    return " ".join(heading.split()).casefold()


_Texts = tuple[str, ...]


def open_mapped(path: Path | str, known: Mapping[str, Column], columns: ColumnMap | None) -> Table:
    """Open a table with its columns turned into the interface's; those that nobody named stay as they are.

    known : the interface's columns, which need no naming where the file has them. columns : None where it has them all.

    Raises InputError: as `open_table`; the file lacks headings that were named.
    """
    if columns is None:
        return open_table(path, tuple(known))
    raw = open_table(path, tuple(dict.fromkeys((*columns.headings(), *known))), columns.shape)
    actual = {same_heading(c): c for c in raw.columns}
    _check_headings(raw, actual, columns)

    makers: list[tuple[_Texts, _Texts, Callable[[_Texts], _Texts]]] = [
        ((target,), tuple(actual[same_heading(h)] for h in rule.headings), converter(known[target], rule))
        for target, rule in columns.rules.items()
    ]
    if (position := columns.position) is not None:
        origin = (actual[same_heading(position.easting)], actual[same_heading(position.northing)])
        makers.append((("site_lat_deg", "site_lon_deg"), origin, _locator(position)))
    if columns.decimal != ".":  # also of columns that have our names already
        plain = ColumnRule(headings=(), decimal=columns.decimal)
        taken = {t for targets, origin, _ in makers for t in (*targets, *origin)}
        own = [c for c in raw.columns if c in known and known[c].is_number and c not in taken]
        makers += [((c,), (c,), converter(known[c], plain)) for c in own]
    origins = {target: origin for targets, origin, _ in makers for target in targets}
    named = {same_heading(h) for h in columns.headings()}
    made = [target for target, _ in _sources(columns)]
    kept = {c: f"{c} (as in the file)" if c in made else c for c in raw.columns if same_heading(c) not in named}

    def rows() -> Iterator[Row]:
        for row in raw.rows:
            cells = row.cells
            if columns.blank:
                cells = {k: v for k, v in cells.items() if v.casefold() not in columns.blank}
            out = {new: cells[c] for c, new in kept.items() if c in cells}
            bad: dict[str, str] = {}
            for targets, origin, convert in makers:
                texts = tuple(cells[h] for h in origin if h in cells)
                if len(texts) < len(targets):
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
            yield Row(line=row.line, cells=out, raw=row.cells, headings=origins, bad=bad)

    names = tuple(dict.fromkeys((*kept.values(), *origins, *columns.constants)))
    return Table(path=raw.path, columns=names, rows=rows(), headings=origins, faults=raw.faults)


def _check_headings(raw: Table, actual: Mapping[str, str], columns: ColumnMap) -> None:
    """Refuse a file that lacks headings which the mapping names."""
    faults = []
    for target, headings in _sources(columns):
        for heading in headings:
            if same_heading(heading) not in actual:
                near = difflib.get_close_matches(heading, raw.columns, n=1, cutoff=0.7)
                wanted = f"'{near[0]}', perhaps" if near else f"one of: {', '.join(raw.columns)}"
                found = f"the heading '{heading}', which {raw.path} does not have"
                faults.append(Fault(file=columns.file, column=f"columns.{target}", found=found, wanted=wanted))
    if faults:
        raise InputError(faults)


def _sources(columns: ColumnMap) -> Iterator[tuple[str, _Texts]]:
    for target, rule in columns.rules.items():
        yield target, rule.headings
    if columns.position is not None:
        yield POSITION, (columns.position.easting, columns.position.northing)


def converter(target: Column, rule: ColumnRule) -> Callable[[_Texts], _Texts]:
    """From the cells of the rule's headings to the cell of a column; ValueError says why it cannot be."""

    @functools.lru_cache(maxsize=1 << 14)
    def convert(texts: _Texts) -> _Texts:
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
        return (_measure(target, rule, text) if target.is_number and text else text,)

    return convert


def _measure(target: Column, rule: ColumnRule, text: str) -> str:
    """A number or angle in the column's own unit, as text."""
    if rule.decimal == ",":
        if "." in text and "," in text:
            raise ValueError("both a point and a comma")
        text = text.replace(",", ".")
    if rule.unit is None and rule.factor is None:
        return text
    unit = rule.unit or target.unit or ""
    if unit in PACKED:
        value = _packed_deg(text, unit)
    elif unit == "deg":
        value = parse_angle_deg(text)
    elif target.unit == "deg":
        value = ANGLES_DEG[unit] * _plain(text, unit)
    else:
        value = _plain(text, unit)
        if target.unit is not None:
            value *= LENGTHS_M[unit] / LENGTHS_M[target.unit]
    return f"{(rule.factor or 1.0) * value:.12g}"


def _plain(text: str, unit: str) -> float:
    """A number, its unit (if any) behind it or not."""
    if unit and text.casefold().endswith(unit):
        text = text[: -len(unit)].strip()
    try:
        return plain_number(text)
    except ValueError:
        raise ValueError("not a number") from None


def _packed_deg(text: str, unit: str) -> float:
    """Degrees from DDMMSS.s or DDMM.m, with a sign or a letter of a hemisphere: parted, then read like any other."""
    found = re.fullmatch(r"(\s*[NESW]?\s*[+-]?)(\d+)(\.?\d*\s*[NESW]?\s*)", text.replace("\N{MINUS SIGN}", "-"))
    if not found:
        raise ValueError(f"not an angle as {unit}")
    digits = 4 if unit == "ddmmss" else 2
    whole = found[2].rjust(digits + 1, "0")
    parts = [whole[:-digits], *(whole[-k : len(whole) - k + 2] for k in range(digits, 0, -2))]
    return parse_angle_deg(f"{found[1]}{':'.join(parts)}{found[3]}")


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
