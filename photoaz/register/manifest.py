"""A manifest: which photo is of which site, where no geotag says so."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from photoaz.register.columns import ColumnMap
from photoaz.register.mapped import open_mapped
from photoaz.register.photos import PhotoIndex
from photoaz.register.rows import ManifestRow, columns_of, good_rows, needed_of


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

    Parameters
    ----------
    path : its photos are file names, or paths relative to it. columns : its part `manifest` names the columns.
    roots : folders or URLs that its paths may be relative to besides, such as the archive's.

    Raises
    ------
    InputError : with every fault of the file; a photo with two sites is one.
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
