"""Tables from CSV or XLSX as text cells that know where they stand in the file."""

from __future__ import annotations

import codecs
import csv
import io
import itertools
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

from photoaz.errors import Fault, InputError

#: what a table that is not told its delimiter is split at
DELIMITERS = ",;\t"
#: a workbook's sheet has no more lines (ECMA-376: 2**20), whatever a damaged one says of its rows' numbers
MOST_LINES = 1 << 20
#: columns of a table, letters of a heading: more than any register has, few enough to be compared with each other
MOST_COLUMNS, MOST_LETTERS = 1000, 200
#: of a workbook unpacked: a sheet of 200 000 rows and 30 columns takes half of it, a small file that is made to unpack
#: without end more
MOST_UNPACKED = 500_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a table. line: where it begins in the file, counted from 1. Blank cells are left out.

    Where a mapping of columns made the cells, raw has them as they stand in the file, by heading, headings says which
    of these each column comes from, and bad says of the columns that could not be made why.
    """

    line: int
    cells: dict[str, str]
    raw: Mapping[str, str] = field(default_factory=dict)
    headings: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    bad: Mapping[str, str] = field(default_factory=dict)

    def written(self, column: str) -> str | None:
        """What the file has for a column."""
        texts = [self.raw[heading] for heading in self.headings.get(column, ()) if heading in self.raw]
        return ", ".join(texts) or self.cells.get(column)


@dataclass(frozen=True, slots=True, kw_only=True)
class TableShape:
    """How a file holds its table, where that is not plain to see.

    header_line counts from 1; sheet: its name or its number from 1, of a workbook.
    """

    delimiter: str | None = None
    encoding: str = "utf-8"
    header_line: int | None = None
    sheet: str | int | None = None


PLAIN = TableShape()
#: what faults say of a number that is written so, and how many of them are a habit
DECIMAL_COMMA, MANY_COMMAS = "a decimal comma", 3
#: encodings that text is found in which is not UTF-8, the commonest first
ENCODINGS = ("cp1252", "cp1250", "cp1251", "shift_jis", "gb18030")


@dataclass(slots=True, kw_only=True)
class Table:
    """A header and its rows, which may come one by one, once; known columns carry their own spelling.

    headings: of columns that a mapping made, the headings in the file that they come from. faults: of rows too long for
    the header, and what is added; they grow while rows come.
    """

    path: Path
    columns: tuple[str, ...]
    rows: Iterable[Row]
    headings: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def fault(self, line: int, column: str, found: str, wanted: str) -> None:
        """Note a fault, under the file's own heading where a mapping of columns gave the column another name."""
        if headings := self.headings.get(column):
            column = f"{', '.join(headings)} (for {column})"
        self.faults.append(Fault(file=self.path, line=line, column=column, found=found, wanted=wanted))

    def sorted_faults(self) -> tuple[Fault, ...]:
        """All faults by their lines; of a table written with decimal commas that is one."""
        faults = sorted(self.faults, key=lambda fault: fault.line or 0)
        commas = [fault for fault in faults if DECIMAL_COMMA in fault.found]
        if len(commas) < MANY_COMMAS:
            return tuple(faults)
        found = f"numbers with {DECIMAL_COMMA} in {len(commas)} cells, such as {commas[0].found}"
        wanted = 'decimal points; or --columns with a file of one line: decimal = ","'
        first = commas[0]
        one = Fault(file=self.path, line=first.line, column=first.column, found=found, wanted=wanted)
        return one, *(fault for fault in faults if fault not in commas)

    def require_no_fault(self) -> None:
        """Raise InputError with every fault, if there are any."""
        if self.faults:
            raise InputError(self.sorted_faults())

    def missing(self, needed: Iterable[str]) -> tuple[str, ...]:
        """Those of the needed columns that the table does not have."""
        return tuple(column for column in needed if column not in self.columns)

    def lacking(self, missing: Iterable[str]) -> Fault:
        """That the table lacks these columns."""
        found = f"the columns {', '.join(self.columns)}"
        return Fault(file=self.path, line=1, found=found, wanted=f"also {', '.join(missing)}")

    def require(self, needed: Iterable[str]) -> None:
        """Raise InputError where the table lacks needed columns."""
        if missing := self.missing(needed):
            raise InputError(self.lacking(missing))


def open_table(path: Path | str, known_columns: Sequence[str], shape: TableShape = PLAIN) -> Table:
    """Open the table in a file: CSV (UTF-8, with or without a byte order mark) or the first sheet of an XLSX.

    Its rows come one by one, so that a large table need not be held. Known columns are found whatever their case and
    surrounding blanks. A CSV is split at commas; at semicolons or tabs where its header holds known columns only then.
    Rows without any text are passed over.

    Raises InputError: no such file, not text in UTF-8, not a table, no header, a column that occurs twice.
    """
    path = Path(path)
    records = read_records(path, known_columns, shape)
    lines = ((line, [c.strip() for c in cells]) for line, cells in records)
    lines = ((line, cells) for line, cells in lines if any(cells) and line >= (shape.header_line or 1))
    first = next(lines, None)
    if first is None:
        raise InputError(Fault(file=path, found="an empty table", wanted="a header and at least one row"))
    header_line, header = first
    _check_header(path, header_line, header)
    spelling = {c.casefold(): c for c in known_columns}
    # a column without a name but with something in it is carried along too
    columns = [spelling.get(c.casefold(), c) or f"column {i}" for i, c in enumerate(header, start=1)]
    faults: list[Fault] = []
    for c in sorted(c for c, n in Counter(columns).items() if n > 1):
        faults.append(Fault(file=path, line=header_line, column=c, found="this column twice", wanted="it once"))
    if faults:
        raise InputError(faults)
    return Table(path=path, columns=tuple(columns), rows=_rows(path, columns, lines, faults), faults=faults)


def _check_header(path: Path, line: int, header: Sequence[str]) -> None:
    """Refuse what is no header: headings are compared with each other, which takes no end if they are long."""
    if len(header) > MOST_COLUMNS:
        raise InputError(Fault(file=path, line=line, found=f"{len(header)} columns", wanted=f"at most {MOST_COLUMNS}"))
    longest = max(header, key=len)
    if len(longest) > MOST_LETTERS:
        found = f"a heading of {len(longest)} letters ({longest[:40]!r} and more)"
        raise InputError(Fault(file=path, line=line, found=found, wanted=f"headings of at most {MOST_LETTERS}"))


def _rows(
    path: Path, columns: Sequence[str], lines: Iterable[tuple[int, list[str]]], faults: list[Fault]
) -> Iterator[Row]:
    for line, cells in lines:
        if any(cells[len(columns) :]):
            wanted = f"{len(columns)}, as in the header (a cell that holds the delimiter stands in quotes)"
            faults.append(Fault(file=path, line=line, found=f"{len(cells)} cells", wanted=wanted))
            continue
        yield Row(line=line, cells={k: v for k, v in zip(columns, cells, strict=False) if v})


_ZIP = b"PK\x03\x04"


def is_workbook(path: Path) -> bool:
    """Whether a file is an XLSX, by its first bytes; False where it cannot be read."""
    try:
        with path.open("rb") as file:
            return file.read(len(_ZIP)) == _ZIP
    except OSError:
        return False


def read_records(
    path: Path, known_columns: Sequence[str], shape: TableShape = PLAIN
) -> Iterator[tuple[int, list[str]]]:
    """The lines of a CSV or XLSX with the number of each, as cells; known_columns tell the delimiter."""
    try:
        data = path.read_bytes()
    except OSError as e:
        raise InputError(Fault(file=path, found=e.strerror or str(e), wanted="a CSV or XLSX file")) from e
    if data.startswith(_ZIP):
        return _xlsx_records(path, data, shape)
    return _csv_records(path, data, known_columns, shape)


def _check_text(path: Path, data: bytes, encoding: str) -> None:
    wanted = "text in UTF-8, or XLSX"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) and encoding == "utf-8":
        wanted += '; or --columns with the line: encoding = "utf-16"'
        raise InputError(Fault(file=path, found="text in UTF-16", wanted=wanted))
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise InputError(Fault(file=path, found="an old XLS workbook", wanted=wanted))
    if encoding != "utf-8":
        wanted = f"text in {encoding}, as the columns' file says"
    try:
        # by increments, as it is read later: UTF-16 without a byte order mark is refused then only
        text = codecs.getincrementaldecoder(encoding)().decode(data, True)
    except UnicodeDecodeError as e:
        line = data.count(b"\n", 0, e.start) + 1
        fitting = [f'encoding = "{name}" ({word})' for name, word in _readings(data, e.start)]
        if fitting and encoding == "utf-8":
            wanted += f"; or --columns with the line that reads it right: {' or '.join(fitting[:3])}"
        raise InputError(Fault(file=path, line=line, found=f"byte {data[e.start]:#04x}", wanted=wanted)) from None
    except UnicodeError as e:
        raise InputError(Fault(file=path, found=f"other text ({e})", wanted=wanted)) from None
    if "\0" in text:
        raise InputError(Fault(file=path, found="a binary file", wanted=wanted))


def _readings(data: bytes, at: int) -> Iterator[tuple[str, str]]:
    """Encodings in which all of a text is letters and signs that people write, and the word there as each reads it."""
    seen: set[str] = set()
    for name in ENCODINGS:
        try:
            text = data.decode(name)
            before = data[:at].decode(name, "ignore")
        except UnicodeDecodeError:
            continue
        others = {c for c in text if ord(c) > 127}
        if not all(c.isalpha() or c in "°±²³·–—’“”…€§№、。（）" for c in others):
            continue
        parts = r"[\s,;\"]"
        word = (re.split(parts, before)[-1] + re.split(parts, text[len(before) :])[0])[:40]
        if word not in seen:
            seen.add(word)
            yield name, word


def _delimiter(header: str, known_columns: Sequence[str]) -> str:
    known = {c.casefold() for c in known_columns}
    found = {}
    for delimiter in DELIMITERS:
        try:
            names = next(csv.reader([header], delimiter=delimiter), [])
        except csv.Error:  # a cell of more than csv's limit
            continue
        found[delimiter] = sum(n.strip().casefold() in known for n in names)
    best = max(found, key=lambda d: found[d], default=",")
    others = [d for d in found if d != best and found[d]]
    return best if found.get(best, 0) > 1 and not others else ","


def _csv_records(
    path: Path, data: bytes, known_columns: Sequence[str], shape: TableShape
) -> Iterator[tuple[int, list[str]]]:
    _check_text(path, data, shape.encoding)

    def text() -> io.TextIOWrapper:
        encoding = "utf-8-sig" if shape.encoding == "utf-8" else shape.encoding
        # newline="": the reader itself takes care of line ends inside quotes
        return io.TextIOWrapper(io.BytesIO(data), encoding=encoding, newline="")

    delimiter = shape.delimiter
    if delimiter is None:
        lines = itertools.islice(text(), (shape.header_line or 1) - 1, None)
        delimiter = _delimiter(next((line for line in lines if line.strip(" ,;\t\r\n")), ""), known_columns)
    return _split(path, text(), delimiter)


def _split(path: Path, text: Iterable[str], delimiter: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(text, delimiter=delimiter, strict=True)
    line = 1
    try:
        for cells in reader:
            yield line, cells
            line = reader.line_num + 1
    except csv.Error as e:
        raise InputError(Fault(file=path, line=line, found=str(e), wanted="CSV as in RFC 4180")) from e


def _xlsx_records(path: Path, data: bytes, shape: TableShape) -> Iterator[tuple[int, list[str]]]:
    import warnings

    import openpyxl  # 0.1 s, and most registers are CSV

    book: Any = None
    try:
        rows: Iterator[tuple[int, Any]] = iter(())
        while True:
            # read by pieces, so that the filter is never left set while somebody else's code runs
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", UserWarning)  # styles and validations that it does not keep
                if book is None:
                    _check_unpacked(path, data)
                    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
                    sheet = _sheet(path, book, shape.sheet)
                    sheet.reset_dimensions()  # some programs write a wrong extent, and rows beyond it would be lost
                    rows = enumerate(sheet.iter_rows(values_only=True), start=1)
                piece = [(line, [_cell_text(v) for v in values]) for line, values in itertools.islice(rows, 1000)]
            if not piece:
                return
            if piece[-1][0] > MOST_LINES:
                found = f"a row numbered beyond {MOST_LINES}"
                raise InputError(Fault(file=path, found=found, wanted="a sheet with rows that there can be"))
            yield from piece
    except InputError:
        raise
    except Exception as e:  # a damaged workbook raises whatever its zip and XML readers raise
        found = f"a workbook that cannot be read ({type(e).__name__}: {e})"
        raise InputError(Fault(file=path, found=found, wanted="XLSX with the table on its first sheet")) from e
    finally:
        if book is not None:
            book.close()


def _check_unpacked(path: Path, data: bytes) -> None:
    """Refuse what unpacks to more than could be read in bounded time; zipfile reads no more than is declared."""
    import zipfile

    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        size = sum(part.file_size for part in packed.infolist())
    if size > MOST_UNPACKED:
        wanted = f"at most {MOST_UNPACKED // 1_000_000} MB, or CSV"
        raise InputError(Fault(file=path, found=f"a workbook of {size // 1_000_000} MB unpacked", wanted=wanted))


def _sheet(path: Path, book: Any, which: str | int | None) -> Any:
    names = [sheet.title for sheet in book.worksheets]
    number = 1 if which is None else names.index(which) + 1 if which in names else which
    if isinstance(number, int) and 1 <= number <= len(names):
        return book.worksheets[number - 1]
    raise InputError(Fault(file=path, found=f"no sheet {which!r}", wanted=f"one of: {', '.join(names)}"))


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
