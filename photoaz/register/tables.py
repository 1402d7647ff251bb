"""Tables from CSV or XLSX as text cells that know where they stand in the file."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from photoaz.errors import Fault, InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a table. line: where it begins in the file, counted from 1. Blank cells are left out."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A header and its rows. Known columns carry their own spelling; faults: rows too long for the header."""

    path: Path
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    faults: tuple[Fault, ...] = ()


def read_table(path: Path | str, known_columns: Sequence[str]) -> Table:
    """Read the table in a file: CSV (UTF-8, with or without a byte order mark) or the first sheet of an XLSX.

    Known columns are found whatever their case and surrounding blanks. A CSV is split at commas; at semicolons or tabs
    where its header holds known columns only then. Rows without any text are passed over.

    Raises
    ------
    InputError : no such file, not text in UTF-8, not a table, no header, a column that occurs twice.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as e:
        raise InputError(Fault(file=path, found=e.strerror or str(e), wanted="a CSV or XLSX file")) from e
    is_xlsx = data.startswith(b"PK\x03\x04")
    records = _xlsx_records(path, data) if is_xlsx else _csv_records(path, data, known_columns)
    return _table(path, records, known_columns)


def _table(path: Path, records: Iterable[tuple[int, list[str]]], known_columns: Sequence[str]) -> Table:
    rows = [(line, [c.strip() for c in cells]) for line, cells in records]
    rows = [(line, cells) for line, cells in rows if any(cells)]
    if not rows:
        raise InputError(Fault(file=path, found="an empty table", wanted="a header and at least one row"))
    header_line, header = rows[0]
    spelling = {c.casefold(): c for c in known_columns}
    # a column without a name but with something in it is carried along too
    columns = [spelling.get(c.casefold(), c) or f"column {i}" for i, c in enumerate(header, start=1)]
    twice = sorted({c for c in columns if columns.count(c) > 1})
    if twice:
        raise InputError(
            [Fault(file=path, line=header_line, column=c, found="this column twice", wanted="it once") for c in twice]
        )
    faults, out = [], []
    for line, cells in rows[1:]:
        if any(cells[len(columns) :]):
            faults.append(
                Fault(
                    file=path,
                    line=line,
                    found=f"{len(cells)} cells",
                    wanted=f"{len(columns)}, as in the header (a cell that holds the delimiter stands in quotes)",
                )
            )
            continue
        out.append(Row(line=line, cells={k: v for k, v in zip(columns, cells, strict=False) if v}))
    return Table(path=path, columns=tuple(columns), rows=tuple(out), faults=tuple(faults))


def _decode(path: Path, data: bytes) -> str:
    wanted = "text in UTF-8, or XLSX"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(Fault(file=path, found="text in UTF-16", wanted=wanted))
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise InputError(Fault(file=path, found="an old XLS workbook", wanted=wanted))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = data.count(b"\n", 0, e.start) + 1
        raise InputError(Fault(file=path, line=line, found=f"byte {data[e.start]:#04x}", wanted=wanted)) from None
    if "\0" in text:
        raise InputError(Fault(file=path, found="a binary file", wanted=wanted))
    return text


def _delimiter(header: str, known_columns: Sequence[str]) -> str:
    known = {c.casefold() for c in known_columns}
    found = {}
    for delimiter in ",;\t":
        names = next(csv.reader([header], delimiter=delimiter), [])
        found[delimiter] = sum(n.strip().casefold() in known for n in names)
    best = max(found, key=lambda d: found[d])
    others = [d for d in found if d != best and found[d]]
    return best if found[best] > 1 and not others else ","


def _csv_records(path: Path, data: bytes, known_columns: Sequence[str]) -> list[tuple[int, list[str]]]:
    text = _decode(path, data)
    header = next((line for line in text.splitlines() if line.strip(" ,;\t")), "")
    # newline="" in effect: the reader itself takes care of line ends inside quotes
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(header, known_columns), strict=True)
    records, line = [], 1
    try:
        for cells in reader:
            records.append((line, cells))
            line = reader.line_num + 1
    except csv.Error as e:
        raise InputError(Fault(file=path, line=line, found=str(e), wanted="CSV as in RFC 4180")) from e
    return records


def _xlsx_records(path: Path, data: bytes) -> list[tuple[int, list[str]]]:
    import warnings

    import openpyxl  # 0.1 s, and most registers are CSV

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # styles and validations that it does not keep
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
            try:
                sheet = book.worksheets[0]
                sheet.reset_dimensions()  # some programs write a wrong extent, and rows beyond it would be lost
                return [
                    (line, [_cell_text(v) for v in values])
                    for line, values in enumerate(sheet.iter_rows(values_only=True), start=1)
                ]
            finally:
                book.close()
    except Exception as e:  # a damaged workbook raises whatever its zip and XML readers raise
        found = f"a workbook that cannot be read ({type(e).__name__}: {e})"
        raise InputError(Fault(file=path, found=found, wanted="XLSX with the table on its first sheet")) from e


def _cell_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime) and (value.hour, value.minute, value.second) == (0, 0, 0):
        value = value.date()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))  # a workbook does not tell 1001 from 1001.0, and site 1001 is not '1001.0'
    return str(value)
