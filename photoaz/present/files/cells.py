"""CSV as photoaz writes it: RFC 4180, and no text that a spreadsheet would take for a formula."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from photoaz.errors import naming

#: OWASP, 'CSV Injection': = + - @, tab, carriage return and line feed; the wide forms of the four, which spreadsheets
#: of the Far East take for them; ASVS 5.0, 1.2.10, adds the null character
_FORMULA = tuple("=+-@\t\r\n\0＝＋－＠")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def cell(value: Any) -> str:
    """A value as a cell. Nothing for None; 'true' and 'false'; numbers as JSON has them.

    Text that begins as formulas do gets an apostrophe before it, unless it is a plain decimal number ('-66.4' from
    somebody's register), which is none.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA) and not _NUMBER.fullmatch(text) else text


@contextmanager
def replaced(path: Path | str, mode: str = "w") -> Iterator[IO[Any]]:
    """A file to write that takes its place only when all of it is there; text in UTF-8 without translated line ends."""
    path = Path(path)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with naming(path), part.open("wb") if "b" in mode else part.open("w", encoding="utf-8", newline="") as file:
            yield file
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[Iterable[Any]]) -> None:
    """Write a table with its headings, each value through `cell`."""
    with replaced(path) as file:
        writer = csv.writer(file)
        writer.writerow([cell(heading) for heading in columns])
        writer.writerows([cell(value) for value in row] for row in rows)
