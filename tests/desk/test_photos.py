"""Remote photos: copies of those asked for last, no more of them than promised, none left behind."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import fsspec
import pytest

from photoaz.audit.photos import KeptPhoto
from photoaz.desk.session import OPEN_PHOTOS, OpenPhotos
from photoaz.errors import InputError


@pytest.fixture
def remote() -> Iterator[list[KeptPhoto]]:
    """Photos in a store that is not on this machine's disk."""
    store = fsspec.filesystem("memory")
    photos = []
    for k in range(OPEN_PHOTOS + 3):
        data = b"photo %d" % k
        store.pipe_file(f"/desk/{k}.jpg", data)
        digest = hashlib.sha256(data).hexdigest()
        photos.append(KeptPhoto(name=f"memory://desk/{k}.jpg", stamp="", version="", digest=digest))
    yield photos
    store.rm("/desk", recursive=True)


def test_no_more_copies_than_promised(remote: list[KeptPhoto]) -> None:
    photos = OpenPhotos()
    copies: list[Path] = []
    for photo in remote:
        copies.append(photos.unchanged(photo))
        assert photos.path(remote[0]) == copies[0]  # it is looked at all the time
    there = [copy.is_file() for copy in copies]
    assert sum(there) == OPEN_PHOTOS
    # those that nobody asked for longest are the ones that went
    assert there == [True, False, False, False] + [True] * (len(remote) - 4)
    # and are fetched again when somebody does
    assert photos.unchanged(remote[1]).read_bytes() == b"photo 1"
    photos.close()
    assert not any(copy.exists() for copy in copies)


def test_another_content_than_was_audited(remote: list[KeptPhoto], tmp_path: Path) -> None:
    photos = OpenPhotos()
    fsspec.filesystem("memory").pipe_file("/desk/0.jpg", b"something else")
    with pytest.raises(InputError, match="another content"):
        photos.unchanged(remote[0])
    with pytest.raises(InputError, match="gone"):
        photos.unchanged(KeptPhoto(name=str(tmp_path / "gone.jpg"), stamp="", version=""))
    photos.close()
