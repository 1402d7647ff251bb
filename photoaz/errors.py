"""Errors that a user can mend: each says where, what was found and what was wanted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from photoaz.addresses import without_secrets

_T = TypeVar("_T")


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
        return without_secrets(where + found + wanted)


class InputError(PhotoazError, ValueError):
    """An input file or argument that cannot be used. Carries every fault found in it, not only the first."""

    def __init__(self, faults: tuple[Fault, ...] | list[Fault] | Fault) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(f) for f in self.faults))


class DamagedError(InputError):
    """What photoaz itself wrote down and cannot read any more."""


class LostPhotoError(PhotoazError):
    """A photo that was read before and cannot be had now as it was. Of the moment: the next call may find it again."""

    def __init__(self, path: Path, found: str) -> None:
        super().__init__(path, found)
        self.path = path

    def __str__(self) -> str:
        return str(Fault(file=self.path, found=self.args[1], wanted="the photo as it was read, or another call"))


@dataclass(slots=True)
class FileReader:
    """Reads files and gathers the faults of all of them, so that they are told at once."""

    faults: list[Fault] = field(default_factory=list)

    def read(self, load: Callable[..., _T], path: Path | None, *more: Any) -> _T | None:
        """What `load` makes of a file; None where there is none, or it has faults."""
        if path is None:
            return None
        try:
            return load(path, *more)
        except InputError as err:
            self.faults.extend(err.faults)
            return None

    def done(self) -> None:
        """Raise InputError with all faults, if there are any."""
        if self.faults:
            raise InputError(self.faults)


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Let an OSError that names no file, such as that of a full disk, name this one."""
    try:
        yield
    except OSError as err:
        if err.filename is None and err.errno is not None:
            err.filename = str(path)
        raise
