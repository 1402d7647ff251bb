"""audit.xlsx: sites, antennas, actions and failures, for people who open spreadsheets."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from photoaz.present.files.cells import replaced

#: rows of a sheet, by the file format (ECMA-376); one is the heading
MOST_ROWS = 1_048_576
#: narrowest and widest column, in letters; longer text is shown over several lines where it is prose
_NARROW, _WIDE = 9, 60

#: title, headings, rows, which may be gone through twice
Sheet = tuple[str, Sequence[str], Iterable[Iterable[Any]]]


def write_workbook(path: Path, sheets: Iterable[Sheet]) -> None:
    """Write tables as the sheets of a workbook; no text becomes a formula.

    Headings are bold, stay in sight and bear filters; columns are as wide as what is in them. Rows that a sheet cannot
    hold are left out; the last one then says so.
    """
    import openpyxl  # 0.1 s
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook(write_only=True)
    bold, prose = Font(bold=True), Alignment(wrap_text=True, vertical="top")
    for title, headings, rows in sheets:
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "C2" if len(headings) > 4 else "A2"
        widths = [_NARROW, *[_NARROW] * (len(headings) - 1)]
        count = 1
        for row in _held(rows):  # widths are written before the rows are
            widths = [max(w, _letters(value)) for w, value in zip(widths, row, strict=False)] + widths[len(row) :]
            count += 1
        for k, (heading, width) in enumerate(zip(headings, widths, strict=True), 1):
            sheet.column_dimensions[get_column_letter(k)].width = min(max(width, _letters(heading)) + 2, _WIDE)
        sheet.auto_filter.ref = f"A1:{get_column_letter(len(headings))}{count}"

        def cell(value: Any, sheet: Any = sheet, *, font: Any = None) -> Any:
            if not isinstance(value, str):
                return value
            made = WriteOnlyCell(sheet, ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", value))
            made.data_type = "s"  # also where it begins with '='
            if font is not None:
                made.font = font
            if len(value) > _WIDE:
                made.alignment = prose
            return made

        sheet.append([cell(heading, font=bold) for heading in headings])
        for row in _held(rows):
            sheet.append([cell(value) for value in row])
    with replaced(path, "wb") as file:
        book.save(file)


def _letters(value: Any) -> int:
    """How many letters a value takes."""
    return 0 if value is None else len(str(value))


def _held(rows: Iterable[Iterable[Any]]) -> Iterator[list[Any]]:
    for number, row in enumerate(rows, 2):
        if number == MOST_ROWS:
            yield ["and more, in the CSV files"]
            return
        yield list(row)
