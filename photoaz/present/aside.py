"""Results are written aside, and take their places when all of them are there.

What is stopped in the midst of it leaves the old ones: files of a run that did not come to its end wait for one that
does, under the run and the site that they are of.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from pathlib import Path

from photoaz.present.files.cells import replaced
from photoaz.present.pictures import file_name

#: what is near the beginning of files that photoaz drew
_OVERLAY_MARK, _SHEET_MARK = b"photoaz ", b"Second opinion: "
#: within a folder of results
ASIDE = ".unfinished"


def keeper(out: Path, run_id: int) -> Callable[[str, str, bytes], None]:
    """Keeps files of a site that a run solves, each whole or not at all, aside from those of the run before."""
    # of another store, whose runs had the same numbers
    shutil.rmtree(out / ASIDE / str(run_id), ignore_errors=True)

    def keep(site_id: str, path: str, data: bytes) -> None:
        target = _of_site(out, run_id, site_id) / path
        target.parent.mkdir(parents=True, exist_ok=True)
        with replaced(target, "wb") as file:
            file.write(data)

    return keep


@contextmanager
def exchanged(out: Path) -> Iterator[Path]:
    """An empty folder to write results into, which then take their places below `out`, the index of the report last."""
    folder = out / ASIDE / "results"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    try:
        yield folder
        _move(folder, out)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def place_files(out: Path, solved: Collection[tuple[str, int]]) -> None:
    """Put files that were kept aside into their places. solved: sites whose results count, and the run of each."""
    if (out / ASIDE).is_dir():
        for site_id, run_id in solved:
            _move(_of_site(out, run_id, site_id), out)


def remove_other_files(out: Path, keep: Collection[str]) -> None:
    """Remove overlays and sheets that photoaz drew of photos, antennas or sites that are gone.

    keep: paths below `out` that the results name. Files of others are told by what photoaz writes into its own.
    """
    for kind, mark in (("overlays", _OVERLAY_MARK), ("sheets", _SHEET_MARK)):
        for path in sorted((out / kind).rglob("*.*"), reverse=True):
            if path.is_file() and path.relative_to(out).as_posix() not in keep:
                with path.open("rb") as file:
                    mine = mark in file.read(2000)
                if mine:
                    path.unlink()
                    if path.parent != out / kind and not any(path.parent.iterdir()):
                        path.parent.rmdir()


def drop_aside(out: Path) -> None:
    """Remove what is left of runs that did not come to their end; of use until another one does."""
    shutil.rmtree(out / ASIDE, ignore_errors=True)


def _of_site(out: Path, run_id: int, site_id: str) -> Path:
    return out / ASIDE / str(run_id) / file_name(site_id)


def _move(source: Path, target: Path) -> None:
    for path in sorted(source.rglob("*"), key=lambda p: (p.name == "index.html", p)):
        if path.is_file():
            place = target / path.relative_to(source)
            place.parent.mkdir(parents=True, exist_ok=True)
            path.replace(place)
