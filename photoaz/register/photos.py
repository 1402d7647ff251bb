"""Which rows of a table mean which photo, by its file's name or its path relative to the table; the manifest is one."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Generic, TypeVar

from photoaz.addresses import without_secrets
from photoaz.register.columns import ColumnMap
from photoaz.register.mapped import open_mapped
from photoaz.register.rows import ManifestRow, columns_of, good_rows, needed_of

T = TypeVar("T")


def _normal(text: str) -> str:
    return unicodedata.normalize("NFC", text)  # some file systems decompose accents, most spreadsheets do not


class PhotoIndex(Generic[T]):
    """Rows by the photos that they name, so that each photo finds its own without a look at all the others.

    rows : the photo's name as the table has it, with whatever belongs to it. folder : of the table. roots : further
    folders or URLs that a path in the table may be relative to, such as the archive's.

    A row means a photo where it is the photo's file name, its path relative to the folder or one of the roots (either
    slash), or its URL.
    """

    def __init__(self, rows: Iterable[tuple[str, T]], folder: Path | str, roots: Sequence[Path | str] = ()) -> None:
        self._folders: dict[str, str] = {}
        self._by_name: dict[str, list[tuple[int, T]]] = {}
        self._by_path: dict[str, list[tuple[int, T]]] = {}
        bases = [str(folder), *(str(root) for root in roots)]
        for number, (name, value) in enumerate(rows):
            written = _normal(name.replace("\\", "/"))
            if "/" not in written:
                self._by_name.setdefault(written, []).append((number, value))
                continue
            for place in dict.fromkeys(self._place(written, base) for base in bases):
                self._by_path.setdefault(place, []).append((number, value))

    def named(self, photo: Path | str) -> tuple[T, ...]:
        """The rows that mean a photo by its path, in the table's order."""
        return tuple(value for _, value in self._by_path.get(self._place(str(photo)), ()))

    def of(self, photo: Path | str) -> tuple[T, ...]:
        """The rows that mean a photo (its path or URL), by path or by name, in the table's order."""
        name = _normal(str(photo).replace("\\", "/").rpartition("/")[2])
        found = (*self._by_path.get(self._place(str(photo)), ()), *self._by_name.get(name, ()))
        return tuple(value for _, value in sorted(found, key=lambda one: one[0]))

    def _place(self, name: str, base: str | None = None) -> str:
        """Where a photo lies, as one text for all ways to write it."""
        if "://" in name:
            return _normal(without_secrets(name))
        if base is not None and "://" in base:
            return _normal(f"{without_secrets(base).rstrip('/')}/{name.removeprefix('./')}")
        path = name if base is None else os.path.join(base, name)
        folder, _, last = path.rpartition("/")
        if last in ("", ".", "..") or not folder:
            return _normal(os.path.realpath(path))
        # Folders are few and photos many: each folder's links are followed once
        real = self._folders.get(folder)
        if real is None:
            real = self._folders[folder] = os.path.realpath(folder)
        path = os.path.join(real, last)
        return _normal(os.path.realpath(path) if os.path.islink(path) else path)


# ---- the manifest ----------------------------------------------------------------------------------------------------


class Manifest(Mapping[str, str]):
    """Sites by photo. It holds the names as they were written, and finds a photo by its path or URL as well.

    What a path says goes before what a name says.
    """

    def __init__(self, sites: Mapping[str, str], folder: Path | str, roots: Sequence[Path | str] = ()) -> None:
        self._sites = dict(sites)
        self._index = PhotoIndex(self._sites.items(), folder, roots)

    def __getitem__(self, photo: str) -> str:
        if found := self._index.named(photo):
            return found[0]
        if photo in self._sites:
            return self._sites[photo]
        if found := self._index.of(photo):
            return found[0]
        raise KeyError(photo)

    def __iter__(self) -> Iterator[str]:
        return iter(self._sites)

    def __len__(self) -> int:
        return len(self._sites)


def load_manifest(path: Path | str, columns: ColumnMap | None = None, roots: Sequence[Path | str] = ()) -> Manifest:
    """Read a manifest (CSV or XLSX) with the columns photo and site_id.

    path : its photos are file names, or paths relative to it. columns : its part `manifest` names the columns. roots :
    folders or URLs that its paths may be relative to besides, such as the archive's.

    Raises InputError: with every fault of the file; a photo with two sites is one.
    """
    table = open_mapped(path, columns_of(ManifestRow), columns and columns.manifest)
    table.require(needed_of(ManifestRow))
    sites: dict[str, str] = {}
    lines: dict[str, int] = {}
    for row, good in good_rows(ManifestRow, table, lambda _row: ()):
        if sites.setdefault(good.photo, good.site_id) != good.site_id:
            wanted = f"{sites[good.photo]}, which line {lines[good.photo]} gives, or one of the two lines"
            table.fault(row.line, "site_id", f"{good.site_id} for {good.photo}", wanted)
        lines.setdefault(good.photo, row.line)
    table.require_no_fault()
    return Manifest(sites, table.path.parent, roots)
