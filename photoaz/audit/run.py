"""An audit from the list of files to every site's results in the store: read, place, solve, and only what changed."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from photoaz.audit.edits import Edits, edits_of
from photoaz.audit.executors import Crew
from photoaz.audit.filenames import is_url, unshown
from photoaz.audit.files import Opening, PhotoFile
from photoaz.audit.listing import Listing
from photoaz.audit.photos import KeptPhoto, read_photo, unread
from photoaz.audit.placing import place_photos
from photoaz.audit.progress import Progress
from photoaz.audit.store import KeptSite, LogRow, Store, batches
from photoaz.audit.work import Draw, SiteOutcome, SiteTask, Wanted, solve_task
from photoaz.errors import Fault, InputError
from photoaz.estimate.inputs import SiteInputs
from photoaz.judgement.costs import Costs
from photoaz.memory import fingerprint
from photoaz.photo.calibration import Calibration
from photoaz.priors import Priors
from photoaz.quantities import DECISION_RISK
from photoaz.register.history import ReadingHistory
from photoaz.register.model import Control, Pick, Site
from photoaz.register.photos import PhotoIndex
from photoaz.surroundings.reading import Scenery

#: files listed before the store is asked which of them it knows
LISTED_AT_ONCE = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditInputs:
    """What an audit is made from. paths: folders, files, lists and URLs. manifest: sites by photo name, as it says.

    skip: folders, absolute, whose files are no part of the archive.
    """

    paths: tuple[str, ...]
    sites: tuple[Site, ...]
    draw: Draw
    manifest: Mapping[str, str] | None = None
    controls: PhotoIndex[Control] | None = None
    picks: PhotoIndex[Pick] | None = None
    history: ReadingHistory = field(default_factory=dict)
    calibration: Calibration | None = None
    risk: float = DECISION_RISK
    costs: Costs = field(default_factory=Costs)
    priors: Priors = field(default_factory=Priors)
    scenery: Scenery | None = None
    wanted: Wanted = field(default_factory=Wanted)
    skip: tuple[str, ...] = ()


@dataclass(slots=True)
class Tally:
    """What an audit came to, in numbers; troubles: what was to be listed and could not be."""

    photos: int = 0
    read: int = 0
    sites: int = 0
    solved: int = 0
    used: int = 0
    failed: int = 0
    flagged: int = 0
    troubles: tuple[Fault, ...] = ()

    def add(self, used: int, failed: int, flagged: int, progress: Progress) -> None:
        """Count what a site came to, and say it."""
        self.used += used
        self.failed += failed
        self.flagged += flagged
        progress.step(1, {"used": self.used, "failed": self.failed, "flagged": self.flagged})


@dataclass(slots=True)
class AuditRun:
    """Does what is not done yet: `read_and_place`, then `solve`. store: with a run begun; tally: what it came to."""

    inputs: AuditInputs
    store: Store
    crew: Crew
    progress: Progress
    tally: Tally = field(default_factory=Tally)
    opening: Opening = field(default_factory=Opening)

    def read_and_place(self) -> None:
        """Read the photos and put them to their sites; what concerns one photo becomes its reason.

        Raises InputError: a path that cannot be listed at all, or no photo in any.
        """
        self._read()
        self.progress.begin("finding each photo's site", self.tally.photos)
        place_photos(self.store, self.inputs.sites, self.inputs.manifest, self.progress)

    def _read(self) -> None:
        inputs, tally, progress = self.inputs, self.tally, self.progress
        progress.begin("reading photos", None)
        failed = 0
        listing = Listing(inputs.paths, progress.note)

        def skipped(url: str) -> bool:
            return bool(inputs.skip) and not is_url(url) and os.path.abspath(url).startswith(inputs.skip)

        def tasks() -> Iterator[PhotoFile]:
            for some in batches((f for f in listing if not skipped(f.url)), LISTED_AT_ONCE):
                for file in some:
                    self.opening.note(file)
                new = self.store.unread(some)
                tally.photos += len(some)
                progress.step(len(some) - len(new))
                yield from new

        for done in self.crew.do(read_photo, tasks()):
            kept = done.result or unread(done.task, done.died or "it could not be read", passing=True)
            self.store.keep_photo(kept)
            tally.read += 1
            failed += kept.reason is not None
            progress.step(1, {"read": tally.read, "unreadable": failed})
        tally.troubles = tuple(listing.troubles)
        self.store.add_faults(tally.troubles)
        if listing.passed_over.total():
            kinds = ", ".join(f"{n} {suffix or 'without a suffix'}" for suffix, n in listing.passed_over.most_common(5))
            progress.note(f"{listing.passed_over.total()} files are no photos by their names: {kinds}")
        if not tally.photos:
            found, wanted = "no photo", "photos, such as .jpg or .heic"
            if tally.troubles:
                found = f"no photo that can be read: {len(tally.troubles)} cannot, the first is {tally.troubles[0]}"
                wanted = "photos that can be"
            elif listing.passed_over.total():
                found = f"no photo among {listing.passed_over.total()} files"
            raise InputError(Fault(file=", ".join(inputs.paths), found=found, wanted=wanted))

    def solve(self, keep_file: Callable[[str, str, bytes], None], store_url: tuple[str, str]) -> None:
        """Solve the sites; what concerns one becomes its reason.

        keep_file : called with a site, a path below the results and the file's bytes. store_url : URL and audit name
        under which workers reach the store.
        """
        inputs, store, tally, progress = self.inputs, self.store, self.tally, self.progress
        sites = {site.site_id: site for site in inputs.sites}
        shown = store.sites_with_photos()
        names = sorted({*shown, *(n.site_id for name in shown for n in sites[name].neighbours)})
        logs: dict[str, list[LogRow]] = {}
        for row in store.log():
            logs.setdefault(row.site_id, []).append(row)
        tally.sites = len(names)
        progress.begin("solving sites", len(names))

        def tasks() -> Iterator[SiteTask]:
            for site_id in names:
                photos = photos_of(sites[site_id], lambda name: store.photos(site_id=name))
                log = logs.get(site_id, ())
                task = site_task(inputs, sites[site_id], photos, log, store_url, self.opening)
                kept = store.confirm_site(site_id, task.key)
                if kept is not None:
                    tally.add(*kept, progress)
                else:
                    yield task

        for done in self.crew.do(solve_task, tasks()):
            outcome = done.result or SiteOutcome.none(done.task, done.died or "it could not be solved")
            for path, data in outcome.files.items():
                keep_file(outcome.site_id, path, data)
            kept = KeptSite.of(outcome.site_id, outcome.key, outcome.result, outcome.failures)
            store.keep_site(kept)
            store.read_again(outcome.lost)
            tally.solved += 1
            tally.add(kept.used, len(kept.failures), kept.flagged, progress)


def photos_of(site: Site, of: Callable[[str], Sequence[KeptPhoto]]) -> tuple[KeptPhoto, ...]:
    """The photos that may show a site: those of its own and of its neighbours, by name. of : reads one site's."""
    names = (site.site_id, *(n.site_id for n in site.neighbours))
    return tuple(sorted((p for name in names for p in of(name)), key=lambda p: p.name))


def site_task(
    inputs: AuditInputs,
    site: Site,
    photos: Sequence[KeptPhoto],
    log: Sequence[LogRow],
    store_url: tuple[str, str] | None,
    opening: Opening | None = None,
) -> SiteTask:
    """A site's task: its photos but for copies and those left out at the desk, and what tables and desk say of them.

    log : of this site. opening : of addresses with secrets, which the store does not know. The task's key stands for
    everything that the results depend on.
    """
    counted = [p for p in photos if p.copy_of is None and p.facts is not None]
    edits = edits_of(log, {p.name: p.digest for p in counted}) if log else Edits()
    used = tuple(p for p in counted if p.name not in edits.excluded)
    antennas = [(site.site_id, a.antenna_id) for a in site.antennas]
    given = SiteInputs(
        site=site,
        photos=(),
        controls=edits.with_controls(_rows_of(inputs.controls, used, photos)),
        picks=_meant(edits.with_picks(_rows_of(inputs.picks, used, photos)), site, used),
        calibration=inputs.calibration,
        history={name: rows for name in antennas if (rows := inputs.history.get(name))},
        risk=inputs.risk,
        costs=inputs.costs,
        priors=inputs.priors,
        surroundings=None if inputs.scenery is None else inputs.scenery.near(site.lat_deg, site.lon_deg),
    )
    excluded = tuple(sorted((name, e.reason()) for name, e in edits.excluded.items()))
    key = fingerprint(
        replace(site, antennas=tuple(replace(a, line=0) for a in site.antennas)),
        [(p.name, p.digest, p.flags) for p in used],
        [replace(c, line=0) for c in given.controls],
        [replace(p, line=0) for p in given.picks],
        *(excluded, given.history, given.calibration, given.risk, given.costs, given.priors, inputs.wanted),
        # of what lies near the site only: what a map has elsewhere changes nothing here
        *(() if given.surroundings is None else (given.surroundings,)),
    )
    return SiteTask(
        given=given,
        photos=used,
        files=tuple(p.file if opening is None else opening.whole(p.file) for p in used),
        excluded=excluded,
        wanted=inputs.wanted,
        draw=inputs.draw,
        store=store_url,
        key=key,
    )


def _meant(picks: Sequence[Pick], site: Site, photos: Sequence[KeptPhoto]) -> tuple[Pick, ...]:
    """The picks, those in a neighbour's photos naming the neighbour's antennas."""
    of = {p.name: p.site_id for p in photos}
    ids = {n.site_id: {a.antenna_id for a in n.antennas} for n in site.neighbours}
    return tuple(
        replace(p, antenna_id=f"{of[p.photo]}/{p.antenna_id}")
        if p.antenna_id in ids.get(of.get(p.photo) or "", ())
        else p
        for p in picks
    )


def _rows_of(index: PhotoIndex[Any] | None, used: Sequence[KeptPhoto], photos: Sequence[KeptPhoto]) -> tuple[Any, ...]:
    """A table's rows about the photos used, under the names that the photos have here.

    Rows about another copy of the same file are about this one.
    """
    if index is None:
        return ()
    copies: dict[str, list[str]] = {}
    for p in photos:
        if p.copy_of is not None and p.digest is not None:
            copies.setdefault(p.digest, []).append(p.name)
    rows: dict[Any, None] = {}
    for one in used:
        for name in (one.file.url, *map(unshown, copies.get(one.digest or "", ()))):
            rows |= dict.fromkeys(replace(row, photo=one.name) for row in index.of(name))
    return tuple(rows)
