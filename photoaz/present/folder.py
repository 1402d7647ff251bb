"""An audit's folder of results: where its store is, and an audit made into it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from photoaz.addresses import without_secrets
from photoaz.audit.executors import crew
from photoaz.audit.inputs import about_run, audit_inputs
from photoaz.audit.lock import locked
from photoaz.audit.progress import progress
from photoaz.audit.run import AuditInputs, AuditRun, Tally
from photoaz.audit.store import Store
from photoaz.errors import Fault, InputError
from photoaz.present.aside import ASIDE, drop_aside, keeper
from photoaz.present.pictures import draw_site
from photoaz.present.results import Results, write_results

STORE = "results.sqlite"
#: folders of results with pictures in them
OWN_FOLDERS = ("overlays", "sheets", "report")
#: says where the store is, if it is elsewhere
NOTE = "audit.json"


@dataclass(frozen=True, slots=True)
class StorePlace:
    """Where an audit's store is. elsewhere: not in the folder of results."""

    url: str
    name: str
    elsewhere: bool

    @property
    def address(self) -> tuple[str, str]:
        """URL, and the audit's name there."""
        return self.url, self.name

    @classmethod
    def at(cls, out: Path, store: str | None = None, name: str | None = None) -> StorePlace:
        """By the options --out, --store and --name."""
        if store is None:
            return cls(f"sqlite:///{out / STORE}", name or "audit", False)
        return cls(store, name or out.resolve().name, True)

    @classmethod
    def of(cls, folder: Path) -> StorePlace:
        """By a folder of results. Raises InputError where it has none."""
        note = folder / NOTE
        if note.is_file():
            try:
                told = json.loads(note.read_text(encoding="utf-8"))
                return cls(str(told["store"]), str(told["name"]), True)
            except (ValueError, KeyError, TypeError):
                wanted = "store and name, as 'photoaz audit' writes them"
                raise InputError(Fault(file=note, found="no such note", wanted=wanted)) from None
        if not (folder / STORE).is_file():
            wanted = f"the folder that 'photoaz audit --out' wrote, with {STORE} in it"
            raise InputError(Fault(file=folder, found="no results of an audit", wanted=wanted))
        return cls.at(folder)


def audit_into(
    out: Path,
    paths: Sequence[str],
    options: Mapping[str, Any],
    called: str,
    *,
    store: str | None = None,
    name: str | None = None,
    jobs: int | None = None,
    scheduler: str | None = None,
    quiet: bool = False,
    note: Callable[[str], object] = lambda _text: None,
) -> tuple[Results, Tally, bool]:
    """An audit with all its results, what it came to, and whether anything given had faults.

    out : folder for the results. paths : of photos. options : of `photoaz.audit.inputs.audit_inputs`. called : by what,
    for the record. store, name : of a database elsewhere. jobs : processes that work at once, one a core where None;
    scheduler : address of a dask.distributed scheduler instead. note : told each fault.

    Raises InputError: what is given cannot be used, or another process is at work in the folder.
    """
    place = StorePlace.at(out, store, name)
    with (
        _begun(out, paths, options, called, place, note) as (given, kept, faulty),
        progress(quiet) as bar,
        crew(jobs or cores(), scheduler) as workers,
    ):
        run = AuditRun(given, kept, workers, bar)
        run.read_and_place()
        run.solve(keeper(out, kept.run_id), place.address)
        kept.end_run()
        results = write_results(out, kept, bar)
        drop_aside(out)
    if quiet:
        for fault in run.tally.troubles:
            note(str(fault))
    return results, run.tally, faulty or bool(run.tally.troubles)


def placed_into(
    out: Path, photos: Path, options: Mapping[str, Any], called: str, note: Callable[[str], object]
) -> dict[str, int]:
    """The beginnings of an audit: photos read and put to their sites, none solved; their counts. As `audit_into`."""
    with _begun(out, [str(photos)], options, called, StorePlace.at(out), note) as (given, kept, _):
        with progress() as bar, crew(cores(), None) as workers:
            AuditRun(given, kept, workers, bar).read_and_place()
        kept.end_run()
        return kept.counts()


@contextmanager
def _begun(
    out: Path,
    paths: Sequence[str],
    options: Mapping[str, Any],
    called: str,
    place: StorePlace,
    note: Callable[[str], object],
) -> Iterator[tuple[AuditInputs, Store, bool]]:
    """A run that began: what it is given, the store, and whether anything given had faults, each of which is noted."""
    given, faults = audit_inputs(paths, draw_site, **options)
    for fault in faults:
        note(str(fault))
    about = about_run(called, options, given, faults)
    # where the results lie within the archive, their pictures are none of its photos
    own = tuple(os.path.join(os.path.abspath(out), name, "") for name in (*OWN_FOLDERS, ASIDE))
    with locked(out), closing(Store.open(*place.address)) as kept:
        note_store(out, place)
        kept.drop_old_evidence()
        kept.begin_run(about)
        yield replace(given, skip=own), kept, bool(faults)


def note_store(out: Path, place: StorePlace) -> None:
    """Note where an audit's store is, without a password, where that is not in the folder of results itself."""
    note = out / NOTE
    if not place.elsewhere:
        note.unlink(missing_ok=True)
        return
    note.write_text(
        json.dumps({"store": without_secrets(place.url), "name": place.name}, indent=1) + "\n", encoding="utf-8"
    )


def open_store(folder: Path) -> Store:
    """The store of an audit by its folder of results. Raises InputError."""
    return Store.open(*StorePlace.of(folder).address, create=False)


def cores() -> int:
    """Those that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
