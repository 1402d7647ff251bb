"""A manifest: which photo is of which site, where no geotag says so."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from photoaz.errors import Fault, InputError
from photoaz.register.columns import ColumnMap, open_mapped
from photoaz.register.photos import PhotoIndex
from photoaz.register.rows import ManifestRow, as_headed, good_rows, require_columns
from photoaz.register.tables import open_table


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
    known = ManifestRow.columns()
    mapping = None if columns is None else columns.manifest
    table = open_table(path, known) if mapping is None else open_mapped(path, known, mapping)
    require_columns(table, ManifestRow.needed())
    sites: dict[str, str] = {}
    lines: dict[str, int] = {}
    shared: dict[str, str] = {}
    for row, good in good_rows(ManifestRow, table, lambda _row, _line: ()):
        site = shared.setdefault(good.site_id, good.site_id)
        if sites.setdefault(good.photo, site) != site:
            found = f"{good.site_id} for {good.photo}"
            wanted = f"{sites[good.photo]}, which line {lines[good.photo]} gives, or one of the two lines"
            fault = Fault(file=table.path, line=row.line, column="site_id", found=found, wanted=wanted)
            table.faults.append(as_headed(fault, table))
        lines.setdefault(good.photo, row.line)
    if table.faults:
        raise InputError(sorted(table.faults, key=lambda f: f.line or 0))
    return Manifest(sites, table.path.parent, roots)
