"""What is read of a photo before anybody knows its site: metadata, what it is compared by, how far to trust it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

from photoaz import __version__
from photoaz.audit.doubts import Flag, photo_flags
from photoaz.audit.filenames import shown, unshown
from photoaz.audit.files import PhotoFile, fetch, written_at
from photoaz.audit.prints import PhotoPrint, print_of
from photoaz.audit.store import KeptPhoto
from photoaz.errors import InputError
from photoaz.memory import decoded, encoded
from photoaz.photo.metadata import read_record
from photoaz.photo.record import PhotoRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFacts:
    """Of one file. The record's path is its name only: where the file lies may change."""

    record: PhotoRecord
    seen: PhotoPrint
    flags: tuple[Flag, ...]


def read_photo(file: PhotoFile) -> KeptPhoto:
    """Read one file; what is wrong with it becomes its reason."""
    name = shown(file.url)
    try:
        data = fetch(file)
        record = read_record(Path(name), data)
        seen = print_of(name, data, record)
        flags = photo_flags(record, seen, written=written_at(file), now=datetime.now(UTC))
    except InputError as e:
        return unread(file, "; ".join(str(f) for f in e.faults))
    except Exception as e:  # noqa: BLE001  one file's trouble must not end the audit of the others
        return unread(file, f"photoaz failed on it: {type(e).__name__}: {e}")
    facts = PhotoFacts(record=replace(record, path=Path(Path(name).name)), seen=seen, flags=flags)
    return KeptPhoto(
        name=name,
        size=file.size,
        stamp=file.stamp,
        version=__version__,
        digest=seen.sha256,
        facts=encoded(facts),
    )


def unread(file: PhotoFile, reason: str) -> KeptPhoto:
    """A file that cannot be used, and why."""
    name = shown(file.url)
    plain = reason.removeprefix(f"{name}: ")
    return KeptPhoto(name=name, size=file.size, stamp=file.stamp, version=__version__, reason=plain)


def facts_of(photo: KeptPhoto) -> PhotoFacts:
    """What was read of a photo that could be read."""
    assert photo.facts is not None
    return _facts(photo.facts)


@lru_cache(maxsize=500)
def _facts(data: bytes) -> PhotoFacts:
    """Read once for whoever asks for the same site again and again."""
    facts: PhotoFacts = decoded(data, PhotoFacts)
    return facts


def file_of(photo: KeptPhoto) -> PhotoFile:
    """The file that a photo was read from."""
    return PhotoFile(unshown(photo.name), photo.size, photo.stamp)
