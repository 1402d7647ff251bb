"""One at a time in a folder of results."""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from photoaz.errors import Fault, InputError, naming

LOCK = ".lock"


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Have a folder of results to oneself while the context lasts. The folder is made where it does not exist.

    The system holds the lock for this process and frees it with it, however that ends; the file says who has it, and
    stays. Where a file system knows no locks there is none.

    Raises InputError: another process has it; says which, on what machine and since when.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / LOCK
    with path.open("a+", encoding="utf-8") as file:
        try:
            _lock(file)
        except BlockingIOError:
            file.seek(0)
            found = f"{file.read(200).strip() or 'another process at work in it'}"
            wanted = "that one to be done first, or another folder"
            raise InputError(Fault(file=folder, found=found, wanted=wanted)) from None
        now = datetime.now(UTC).isoformat(timespec="seconds")
        file.truncate(0)
        with naming(path):
            file.write(f"process {os.getpid()} on {platform.node() or 'this machine'} at work in it since {now}\n")
            file.flush()
        yield
        file.truncate(0)


def _lock(file: IO[str]) -> None:
    """Raises BlockingIOError where another process has it."""
    if sys.platform == "win32":
        import msvcrt

        file.seek(1_000_000)  # what is locked cannot be read there, and there is nothing at that place
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError as e:
            raise BlockingIOError(*e.args) from None
        return
    import errno
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as e:
        if e.errno not in (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL):
            raise
