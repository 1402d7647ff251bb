"""A photo in an audit: what is read of its file before anybody knows its site, and what is kept of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

from photoaz import __version__
from photoaz.addresses import without_secrets
from photoaz.audit.doubts import Flag, photo_flags
from photoaz.audit.filenames import unshown
from photoaz.audit.files import PhotoFile, fetch, written_at
from photoaz.audit.prints import PhotoPrint, print_of
from photoaz.errors import InputError
from photoaz.memory import decoded, encoded
from photoaz.photo.metadata import read_record
from photoaz.photo.record import PhotoRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadPhoto:
    """What one file says. The record's path is its name only: where the file lies may change."""

    record: PhotoRecord
    seen: PhotoPrint
    flags: tuple[Flag, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPhoto:
    """A row of the store's table of photos; the fields are its columns.

    name: as results have it, the file's URL as `shown`. version: of photoaz that read it, '' where it is to be read
    again by the next call whatever it is then: for a reason of the moment (access, server, memory). digest: SHA-256 of
    the file. facts: what was read, None where it could not be, and then `reason` says why. site_id, how, placed: its
    site, by what that is known, and why there is none. copy_of: the photo that is counted in its place.
    """

    name: str
    stamp: str
    version: str
    size: int | None = None
    digest: str | None = None
    facts: bytes | None = None
    reason: str | None = None
    site_id: str | None = None
    how: str | None = None
    placed: str | None = None
    copy_of: str | None = None
    flags: tuple[Flag, ...] = ()

    @property
    def file(self) -> PhotoFile:
        """The file that it was read from; its address without what opens it."""
        return PhotoFile(unshown(self.name), self.size, self.stamp)

    @property
    def read(self) -> ReadPhoto:
        """What was read of a photo that could be read."""
        assert self.facts is not None
        return _read(self.facts)

    @property
    def record(self) -> PhotoRecord:
        """Its metadata, likewise."""
        return self.read.record


@lru_cache(maxsize=500)
def _read(facts: bytes) -> ReadPhoto:
    """Once for whoever asks for the same site again and again."""
    read: ReadPhoto = decoded(facts, ReadPhoto)
    return read


def read_photo(file: PhotoFile) -> KeptPhoto:
    """Read one file; what is wrong with it becomes its reason."""
    name = Path(file.name)
    try:
        data = fetch(file)
    except InputError as e:
        return unread(file, "; ".join(str(f) for f in e.faults), passing=True)
    try:
        record = read_record(name, data)
        seen = print_of(file.name, data, record)
        flags = photo_flags(record, seen, written=written_at(file), now=datetime.now(UTC))
    except InputError as e:
        return unread(file, "; ".join(str(f) for f in e.faults))
    except MemoryError:
        return unread(file, "there was not enough memory to read it", passing=True)
    except Exception as e:  # noqa: BLE001  one file's trouble must not end the audit of the others
        return unread(file, f"photoaz failed on it: {type(e).__name__}: {e}")
    read = ReadPhoto(record=replace(record, path=Path(name.name)), seen=seen, flags=flags)
    return replace(_listed(file), digest=seen.sha256, facts=encoded(read))


def unread(file: PhotoFile, reason: str, *, passing: bool = False) -> KeptPhoto:
    """A file that cannot be used, and why. passing: for a reason of the moment, so that it is tried again."""
    kept = replace(_listed(file), reason=without_secrets(reason).removeprefix(f"{file.name}: "))
    return replace(kept, version="") if passing else kept


def _listed(file: PhotoFile) -> KeptPhoto:
    return KeptPhoto(name=file.name, size=file.size, stamp=file.stamp, version=__version__)
