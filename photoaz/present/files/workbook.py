"""audit.xlsx: antennas, what to do, and photos not used, for people who open spreadsheets."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from photoaz.present.files.cells import replaced

#: rows of a sheet, by the file format (ECMA-376); one is the heading
MOST_ROWS = 1_048_576

#: title, headings, rows
Sheet = tuple[str, Sequence[str], Iterable[Iterable[Any]]]


def write_workbook(path: Path, sheets: Iterable[Sheet]) -> None:
    """Write tables as the sheets of a workbook, their headings in bold and in sight; no text becomes a formula.

    Rows that a sheet cannot hold are left out; the last one then says so.
    """
    import openpyxl  # 0.1 s
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Font

    book = openpyxl.Workbook(write_only=True)
    for title, headings, rows in sheets:
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "A2"

        def cell(value: Any, sheet: Any = sheet, *, bold: bool = False) -> Any:
            if not isinstance(value, str):
                return value
            made = WriteOnlyCell(sheet, ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", value))
            made.data_type = "s"  # also where it begins with '='
            if bold:
                made.font = Font(bold=True)
            return made

        sheet.append([cell(heading, bold=True) for heading in headings])
        for row in _held(rows):
            sheet.append([cell(value) for value in row])
    with replaced(path, "wb") as file:
        book.save(file)


def _held(rows: Iterable[Iterable[Any]]) -> Iterator[Iterable[Any]]:
    for number, row in enumerate(rows, 2):
        if number == MOST_ROWS:
            yield ["and more, in the CSV files"]
            return
        yield row
