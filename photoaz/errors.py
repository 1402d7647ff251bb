"""Errors that a user can mend: each says where, what was found and what was wanted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


class PhotoazError(Exception):
    """Root of every error photoaz raises on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong with an input file.

    line counts from 1 (the header is line 1); column is the column's name; both None where they do not apply.
    """

    file: Path | str
    line: int | None = None
    column: str | None = None
    found: str = ""
    wanted: str = ""

    def __str__(self) -> str:
        where = str(self.file)
        if self.line is not None:
            where += f", line {self.line}"
        if self.column is not None:
            where += f", column {self.column}"
        found = f": found {self.found}" if self.found else ""
        wanted = f"{';' if found else ':'} wanted {self.wanted}" if self.wanted else ""
        return where + found + wanted


class InputError(PhotoazError, ValueError):
    """An input file or argument that cannot be used. Carries every fault found in it, not only the first."""

    def __init__(self, faults: tuple[Fault, ...] | list[Fault] | Fault) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(f) for f in self.faults))
