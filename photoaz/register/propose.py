"""A proposal of which column of a register is which, for somebody to check; nothing here is ever taken for granted."""

from __future__ import annotations

import difflib
import itertools
import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

from photoaz.errors import Fault, InputError
from photoaz.register.columns import NORTH_OF, ColumnRule, units_of
from photoaz.register.mapped import converter
from photoaz.register.rows import Column, RegisterRow, columns_of, needed_of, words
from photoaz.register.tables import DELIMITERS, TableShape, is_workbook, open_table, read_records
from photoaz.wording import some_of

SAMPLE_ROWS = 200
LIKELY, PERHAPS = 0.75, 0.58  # of a score from 0 to 1

_COLUMNS: Mapping[str, Column] = {name: column for name, column in columns_of(RegisterRow).items() if column.names}
#: without which a register cannot be read, as far as they can be proposed
_NEEDED = (*needed_of(RegisterRow), "rad_center_m")

_WORDS = words()
_UNIT_WORDS = {word: unit for unit, some in _WORDS["units"].items() for word in some}
_NORTH_WORDS = {word: north for north, some in _WORDS["norths"].items() for word in some}
# layouts of dates; None is ISO 8601, which needs no word
_DATES = (None, "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%Y%m%d", "%d-%m-%Y", "%d-%b-%Y", "%d %b %Y")


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedColumn:
    """A column of the interface, the heading it may be, and why. score: 0 to 1.

    settings : what else stands in the TOML, such as unit. others : headings that come next.
    """

    column: str
    heading: str
    score: float
    reasons: tuple[str, ...]
    settings: tuple[tuple[str, str | int], ...] = ()
    others: tuple[str, ...] = ()

    @property
    def likely(self) -> bool:
        return self.score >= LIKELY


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnsProposal:
    """Which columns of a table may be which. missing: needed ones that nothing looks like; unused: other headings."""

    path: Path
    shape: TableShape
    decimal: str
    blank: tuple[str, ...]
    columns: tuple[ProposedColumn, ...]
    missing: tuple[str, ...]
    unused: tuple[str, ...]

    def to_toml(self) -> str:
        """The proposal as a file for `load_columns`, its reasons as comments. To be read before it is used."""
        head = f"# Columns of {self.path.name}: a proposal. Check every line; a wrong one gives wrong azimuths."
        lines = [head, ""]
        if self.shape.delimiter is not None:
            lines.append(f"delimiter = {_quoted(self.shape.delimiter)}")
        if self.shape.header_line is not None:
            lines.append(f"header_line = {self.shape.header_line}")
        if self.decimal != ".":
            lines.append(f"decimal = {_quoted(self.decimal)}")
        if self.blank:
            lines.append(f"blank = [{', '.join(map(_quoted, self.blank))}]")
        if lines[-1]:
            lines.append("")
        lines.append("[columns]")
        for item in self.columns:
            doubt = "" if item.likely else "perhaps: "
            lines.append(f"# {doubt}{'; '.join(item.reasons)}")
            if item.others:
                lines.append(f"# or: {', '.join(_one_line(other) for other in item.others)}")
            lines.append(f"{item.column} = {_value(item)}")
        for column in self.missing:
            wanted = _COLUMNS[column].wanted
            lines.append(f"# needed, and nothing in the file looks like it: {wanted}")
            lines += [f"# {hint}" for hint in self._hints(column)] or [f'# {column} = ""']
        if self.unused:
            lines += ["", f"# carried along as they are: {some_of([_one_line(h) for h in self.unused], 100)}"]
        known = {item.column for item in self.columns}
        norths = [
            north
            for azimuth, north in NORTH_OF.items()
            if north not in known and any(i.column == azimuth and "north" not in dict(i.settings) for i in self.columns)
        ]
        lines += ["", "[constants]"]
        lines += [f'# {north} = "true"  # or magnetic, or grid: the file does not say' for north in norths]
        return "\n".join(lines) + "\n"

    def _hints(self, column: str) -> list[str]:
        """What might stand for a needed column that nothing looks like."""
        headings = {c.column: c.heading for c in self.columns}
        if column == "antenna_id" and "sector" in headings:
            parts = [_quoted(headings[c]) for c in ("sector", "position") if c in headings]
            return [f'antenna_id = {{from = [{", ".join(parts)}], join = "-"}}']
        ways = [next((h for h in self.unused if re.match(way, h, re.IGNORECASE)), None) for way in ("east", "north")]
        if column == "site_lat_deg" and ways[0] and ways[1]:
            return [f'site_position = {{easting = {_quoted(ways[0])}, northing = {_quoted(ways[1])}, crs = "EPSG:"}}']
        return []


class UnknownColumnsError(InputError):
    """A register whose headings are not the interface's. proposal: which ones might be which."""

    def __init__(self, lacking: Fault, proposal: ColumnsProposal) -> None:
        self.proposal = proposal
        looks = "Something in the file looks like each needed column."
        if proposal.missing:
            looks = f"Nothing in the file looks like {', '.join(proposal.missing)}."
        how = (
            f"a file that says which column is which (--columns FILE). {looks} As a start, save what follows as a "
            f"file, check every line of it, and name it there:\n\n{proposal.to_toml()}"
        )
        super().__init__([lacking, Fault(file=proposal.path, wanted=how)])


def propose_columns(path: Path | str) -> ColumnsProposal:
    """What the columns of a register may be, by their headings and by what stands in their first rows.

    Raises InputError: the file is no table.
    """
    path = Path(path)
    shape = _shape(path)
    table = open_table(path, (), shape)
    rows = [row.cells for row in itertools.islice(table.rows, SAMPLE_ROWS)]
    blank = sorted({v for row in rows for v in row.values() if v.casefold() in _WORDS["blanks"]})
    cells = {h: [row[h] for row in rows if h in row and row[h] not in blank] for h in table.columns}
    every = [v for values in cells.values() for v in values]
    commas, points = (sum(bool(re.fullmatch(rf"[+-]?\d+{mark}\d+", v)) for v in every) for mark in (",", r"\."))
    decimal = "," if commas > points and shape.delimiter != "," else "."
    pairs = [(h, c) for h, values in cells.items() for c in _pair(h, values, decimal)]
    taken = {h for h, _ in pairs}
    headings = [_heading(h) for h in table.columns if h not in taken]
    every_pair = [_scored(c, heading, cells[heading.text], decimal) for c in _COLUMNS for heading in headings]
    scored = [found for found in every_pair if found is not None]
    chosen = {c.column: c for _, c in pairs}
    used = set(taken)
    for item in sorted(scored, key=lambda c: -c.score):
        if item.score >= PERHAPS and item.column not in chosen and item.heading not in used:
            chosen[item.column] = item
            used.add(item.heading)
    columns = []
    for column in _COLUMNS:
        if (found := chosen.get(column)) is not None:
            near = sorted((c for c in scored if c.column == column and c.heading not in used), key=lambda c: -c.score)
            others = tuple(c.heading for c in near[:2] if c.score >= PERHAPS)
            columns.append(replace(found, others=others))
    return ColumnsProposal(
        path=path,
        shape=shape,
        decimal=decimal,
        blank=tuple(blank),
        columns=tuple(columns),
        missing=tuple(c for c in _NEEDED if c not in chosen),
        unused=tuple(h for h in table.columns if h not in used),
    )


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")  # JSON's strings are TOML's but for this


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _value(item: ProposedColumn) -> str:
    if not item.settings:
        return _quoted(item.heading)
    settings = [f"{k} = {_quoted(v) if isinstance(v, str) else v}" for k, v in item.settings]
    return "{" + ", ".join([f"from = {_quoted(item.heading)}", *settings]) + "}"


def _shape(path: Path) -> TableShape:
    """The delimiter that parts the first lines into most cells of the same number, and the line of the headings."""
    best: tuple[float, str | None, list[tuple[int, list[str]]]] = (-1.0, None, [])
    for delimiter in (*DELIMITERS, "|") if not is_workbook(path) else (",",):
        try:
            head = list(itertools.islice(read_records(path, (), TableShape(delimiter=delimiter)), 30))
        except InputError:
            if delimiter == "|" and best[1] is None:
                raise
            continue
        widths = [len(cells) for _, cells in head if any(c.strip() for c in cells)]
        if not widths:
            continue
        usual = max(set(widths), key=widths.count)
        score = widths.count(usual) / len(widths) * (usual > 1) + 0.001 * usual
        if score > best[0]:
            best = (score, delimiter, head)
    _, found, head = best
    header = _header(head)
    return TableShape(delimiter=None if found == "," else found, header_line=None if header in (None, 1) else header)


def _header(head: Sequence[tuple[int, list[str]]]) -> int | None:
    """The first line with as many texts as any, none of them a number; None where there is none."""
    counts = [(line, [c.strip() for c in cells if c.strip()]) for line, cells in head]
    most = max((len(cells) for _, cells in counts), default=0)
    first = next((line for line, cells in counts if cells), None)
    for line, cells in counts:
        if len(cells) >= max(2, 0.7 * most) and not any(_is_number(c) for c in cells):
            return None if line == first else line
    return None


def _is_number(text: str) -> bool:
    return re.fullmatch(r"[+-]?\d+([.,]\d+)?", text) is not None


class _Heading(NamedTuple):
    """A heading's text, its words without those of its unit and its north, and these."""

    text: str
    words: list[str]
    unit: str | None
    north: str | None


def _heading(heading: str) -> _Heading:
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading)
    words = re.findall(r"[^\W_]+|[°'\"]", text.casefold())
    bracketed = re.findall(r"[^\W_]+|[°'\"]", " ".join(re.findall(r"[(\[{]([^)\]}]*)", text)).casefold())
    # a short word is a unit or a north only where these are written: in brackets or last ('M-Tilt' is not in metres)
    ends = {*bracketed, words[-1]} if words else set()
    units = [w for w in words if w in _UNIT_WORDS and w in ends]
    norths = [w for w in words if w in _NORTH_WORDS and (w in ends or len(w) > 2)]
    return _Heading(
        text=heading,
        words=[w for w in words if w not in units and w not in norths] or words,
        unit=_UNIT_WORDS[units[-1]] if units else None,
        north=_NORTH_WORDS[norths[0]] if norths else None,
    )


def _likeness(words: Sequence[str], name: str) -> float:
    """0 to 1: how alike a heading's words and a known name are, in letters and in words."""
    theirs, text = name.split(), " ".join(words)
    both = len(set(words) & set(theirs))
    share = both / max(1, len(set(words) | set(theirs)))
    if 2 * min(len(text), len(name)) < 0.5 * (len(text) + len(name)):
        return share  # so unlike in length, no order of letters makes them half alike; long headings would take long
    letters = difflib.SequenceMatcher(None, text, name).ratio()
    in_order = difflib.SequenceMatcher(None, " ".join(sorted(words)), " ".join(sorted(theirs))).ratio()
    return max(letters, in_order, share)


def _scored(name: str, heading: _Heading, values: Sequence[str], decimal: str) -> ProposedColumn | None:
    """How likely a heading is a column of the interface; None where it is like none of its names."""
    column = _COLUMNS[name]
    if heading.text.casefold() in (name, name.replace("rad_center_m", "rad_center_ft")):
        likeness, known = 1.0, name
    else:
        known = max(column.names.split(", "), key=lambda n: _likeness(heading.words, n))
        likeness = _likeness(heading.words, known)
    if likeness < 0.5:
        return None
    score, reasons = likeness, [f"the heading {'is' if likeness == 1.0 else 'is like'} '{known}'"]
    settings: dict[str, str | int] = {}
    units = units_of(column)
    if heading.unit in units and heading.unit not in ("m", "deg"):
        settings["unit"] = heading.unit
        reasons.append(f"its heading says {heading.unit}")
    elif heading.unit and heading.unit not in units:
        score *= 0.5 if units else 0.8
        reasons.append(f"but its unit {heading.unit} is not one of this")
    elif column.unit == "m" and not heading.unit:
        reasons.append('no unit in its heading: metres unless you say so, as in unit = "ft"')
    if name in NORTH_OF and heading.north:
        settings["north"] = heading.north
        reasons.append(f"its heading says {heading.north} north")
    elif name in NORTH_OF:
        reasons.append('no north in its heading: true unless you say so, as in north = "magnetic"')
    rule = ColumnRule(headings=(heading.text,), unit=heading.unit if heading.unit in units else None, decimal=decimal)
    if column.kind == "day" and values:
        fit, why, layout = _dates(column, values)
        settings |= {"format": layout} if layout else {}
    else:
        fit, why = _content(name, values, rule)
    reasons += [why] if why else []
    return ProposedColumn(
        column=name,
        heading=heading.text,
        score=round(score * (0.45 + 0.55 * fit), 4),
        reasons=tuple(reasons),
        settings=tuple(settings.items()),
    )


def _readable(column: Column, rule: ColumnRule) -> Callable[[str], bool]:
    """Whether a cell can be read as a column by a rule, within what is usual there."""
    convert = converter(column, rule)
    low, high = column.usual or (column.low, column.high)

    def fits(text: str) -> bool:
        try:
            value = column.read(*convert((text,)))
        except ValueError:
            return False
        return not column.is_number or low <= value <= high

    return fits


def _content(name: str, values: Sequence[str], rule: ColumnRule) -> tuple[float, str]:
    """How much of a column's content could be that (0 to 1), and in words."""
    column = _COLUMNS[name]
    if not values:
        return 0.6, "nothing stands in it in the first rows"
    if column.kind == "choice":
        return _share(values, lambda v: v.casefold() in _WORDS["north_cells"], column.wanted)
    if name == "grid_crs":
        return _share(values, lambda v: re.fullmatch(r"(EPSG:)?\d{4,6}", v, re.IGNORECASE) is not None, "an EPSG code")
    if column.is_number:
        low, high = column.usual or (column.low, column.high)
        share, why = _share(values, _readable(column, rule), f"numbers from {low:g} to {high:g}")
        if column.kind == "angle" and share > 0.5 and not all(_is_number(v.replace(".", "", 1)) for v in values):
            why += ", in degrees and minutes or with letters"
        return share, why
    # names: repeated for a site, rarely for an antenna
    if sum(bool(re.fullmatch(r"[+-]?\d+\.\d+", v)) for v in values) > 0.5 * len(values):
        return 0.2, "but it holds decimal numbers"
    if name == "sector" and len(set(values)) > 0.5 * len(values) and len(values) > 10:
        return 0.6, "but its texts hardly repeat"
    return 1.0, ""


def _share(values: Sequence[str], fits: Callable[[str], bool], what: str) -> tuple[float, str]:
    share = sum(map(fits, values)) / len(values)
    if share >= 0.95:
        return 1.0, f"it holds {what}"
    return share, f"{100.0 * share:.0f} % of it are {what}" if share >= 0.5 else f"but it holds hardly any {what}"


def _dates(column: Column, values: Sequence[str]) -> tuple[float, str, str | None]:
    """The same of dates, with their layout where it is not ISO 8601."""
    shares = {
        layout: sum(map(_readable(column, ColumnRule(headings=(), format=layout)), values)) / len(values)
        for layout in _DATES
    }
    best = max(shares, key=lambda layout: shares[layout])
    if shares[best] < 0.5:
        return shares[best], "but it holds hardly any dates", None
    if best is None:
        return shares[best], "it holds dates in ISO 8601", None
    swapped = best == "%d/%m/%Y" and shares["%m/%d/%Y"] == shares[best]
    doubt = " (day and month may stand the other way round: check)" if swapped else ""
    return shares[best], f"it holds dates as {best}{doubt}", best


def _pair(heading: str, values: Sequence[str], decimal: str) -> list[ProposedColumn]:
    """Latitude and longitude, where both stand in one column."""
    for separator in (";", ",", "/", " "):
        if separator == decimal or not values:
            continue
        rules = [ColumnRule(headings=(), part=k, separator=separator, decimal=decimal) for k in (1, 2)]
        pair = ("site_lat_deg", "site_lon_deg")
        lat, lon = (_readable(_COLUMNS[c], rule) for c, rule in zip(pair, rules, strict=True))
        parted = [v for v in values if v.count(separator) == 1]
        angles = [v for v in parted if any(mark in v.replace(separator, "") for mark in ".,°'NSEW")]
        if sum(lat(v) and lon(v) for v in angles) >= 0.9 * len(values):
            more: tuple[tuple[str, str | int], ...] = () if separator == "," else (("separator", separator),)
            reason = f"it holds two angles parted by '{separator}': latitude first, if it is as usual"
            told = ProposedColumn(column="", heading=heading, score=0.8, reasons=(reason,))
            return [replace(told, column=c, settings=(("part", k), *more)) for k, c in enumerate(pair, 1)]
    return []
