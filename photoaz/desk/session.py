"""An audit as somebody sits before it: its sites, what was done about them, and solving them again."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from photoaz.audit.edits import Edits, LogError, checked, edits_of, standing_rows
from photoaz.audit.files import base_name, local_copy
from photoaz.audit.inputs import file_digest
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.run import AuditInputs, photos_of, site_task
from photoaz.audit.store import KeptSite, LogRow, SiteLine, Store
from photoaz.audit.work import SiteTask, Wanted, draft_task, solve_task
from photoaz.desk.solver import Answer, Remembering, Solver
from photoaz.desk.states import SitesWanted, States, listed
from photoaz.desk.tiles import NothingThereError, Size, Tiles
from photoaz.errors import Fault, InputError
from photoaz.estimate.inputs import SiteInputs, Tools
from photoaz.estimate.pipeline import estimate_and_keep
from photoaz.estimate.solve import SolvedSite
from photoaz.judgement.standing import Tally
from photoaz.memory import Shelf
from photoaz.photo.pixels import Darkroom
from photoaz.register.model import Control, Pick, Site
from photoaz.result import SiteResult

#: rows about no more than this many sites are listed anew within this time
LISTED_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What the audit was made from. notes: what about it is not as it was when the audit was made, in words."""

    inputs: AuditInputs
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteNow:
    """A site with what holds at it now. kept: its last results; current: whether those are of what holds now."""

    site: Site
    photos: tuple[KeptPhoto, ...]
    log: tuple[LogRow, ...]
    edits: Edits
    task: SiteTask
    kept: KeptSite | None
    current: bool


class Desk:
    """One audit, open. Its methods may be called from several threads.

    store : open. audit : where the store is, and the audit's name in it. given : reads what the audit was made from,
    which takes seconds with a large register: it is called once, in a thread of its own. folder : of the results.
    """

    def __init__(
        self, store: Store, audit: tuple[str, str], given: Callable[[], Given], folder: Path | None = None
    ) -> None:
        self.store = store
        self.audit = audit
        self.folder = folder
        self.open_photos = OpenPhotos()
        self.tiles = Tiles()
        self.states = States(store)
        self.solver = Solver(work=self._solve, after=self._keep)
        self._memory = Remembering(store)
        self._room = Darkroom(most_bytes=400_000_000)
        self._last: tuple[str, SolvedSite] | None = None
        #: of what was solved last, '' where photos of it could not be had
        self._solved_key = ""
        self._lock = threading.RLock()
        self._lines: tuple[float, list[SiteLine], Tally] | None = None
        self._given: Given | None = None
        self._wrong: Exception | None = None
        self._ready = threading.Event()

        def read() -> None:
            try:
                self._given = given()
                self._sites = {site.site_id: site for site in self._given.inputs.sites}
            except Exception as e:  # noqa: BLE001  said to whoever opens a site
                self._wrong = e
            self._ready.set()

        threading.Thread(target=read, name="photoaz-inputs", daemon=True).start()

    def close(self) -> None:
        """Stop solving, write down what is still to be, let go of the store."""
        self.solver.close()
        self._memory.settle()
        self.open_photos.close()
        self.store.close()

    def given(self) -> Given:
        """What the audit was made from, as soon as it is read. Raises InputError where it is not there any more."""
        self._ready.wait()
        if self._given is None:
            assert self._wrong is not None
            raise self._wrong
        return self._given

    def lines(self) -> list[SiteLine]:
        """Of all sites, at most LISTED_S old."""
        return self._listed_now()[0]

    def tally(self) -> Tally:
        """How readings and designs stand at all of these sites."""
        return self._listed_now()[1]

    def _listed_now(self) -> tuple[list[SiteLine], Tally]:
        with self._lock:
            now = time.monotonic()
            if self._lines is None or now - self._lines[0] > LISTED_S:
                lines = self.store.site_lines()
                self._lines = (now, lines, sum((x.standing for x in lines if x.standing is not None), Tally()))
            return self._lines[1:]

    def listed(self, wanted: SitesWanted) -> tuple[list[tuple[SiteLine, Any]], dict[str, int]]:
        """See `states.listed`."""
        return listed(self.lines(), self.states.rows(), wanted)

    def site(self, site_id: str) -> SiteNow:
        """A site as things are now. Raises NothingThereError, InputError."""
        given = self.given()
        site = self._sites.get(site_id)
        photos = () if site is None else photos_of(site, self.store.photos_at)
        kept = self.store.site(site_id)
        if site is None or not (photos or kept):
            raise NothingThereError(f"no site '{site_id}' with photos in this audit")
        log = tuple(self.store.log(site_id))
        edits = edits_of(log, {p.name: p.digest for p in photos if p.facts is not None})
        # pictures are the audit's business: without them a site's results hold whoever made them
        task = site_task(
            replace(given.inputs, wanted=Wanted(overlays="none", sheets="none")), site, photos, log, self.audit
        )
        current = kept is not None and kept.result is not None and kept.key == task.key
        if not current and kept is not None and kept.result is not None:
            current = kept.key == site_task(given.inputs, site, photos, log, self.audit).key
        return SiteNow(site=site, photos=photos, log=log, edits=edits, task=task, kept=kept, current=current)

    def photo(self, now: SiteNow, name: str) -> KeptPhoto:
        """A photo of a site by its name. Raises NothingThereError."""
        found = next((p for p in now.photos if p.name == name), None)
        if found is None:
            raise NothingThereError(f"no photo '{name}' at site {now.site.site_id}")
        return found

    def tile(self, digest: str, level: int, x: int, y: int) -> bytes:
        """A tile of a photo of this audit, by its content. Raises NothingThereError, InputError."""
        photos = self.store.photos_of_digest(digest)
        usable = next((p for p in photos if p.facts is not None), None)
        if usable is None:
            raise NothingThereError("no such photo in this audit")
        size = Size(usable.record.width_px, usable.record.height_px)
        return self.tiles.tile(digest, size, level, x, y, lambda: self.open_photos.unchanged(usable))

    def act(
        self, site_id: str, *, who: str, kind: str, body: Mapping[str, Any], photo: str | None = None
    ) -> int | None:
        """Note what somebody does, and ask for the site to be solved again where that changes anything.

        Returns the solver's ticket, None where nothing is to be solved. Raises LogError, NothingThereError.
        """
        who = " ".join(who.split())
        if not who:
            raise LogError("your name is needed: it stands beside what you do")
        if len(who) > 100:
            raise LogError("a name has at most 100 characters")
        with self._lock:  # who undoes undoes what was there when it was looked at
            now = self.site(site_id)
            body = dict(body)
            digest = None
            if photo is not None:
                digest = self.photo(now, photo).digest
            if kind in ("undo", "redo"):
                row = now.edits.undo if kind == "undo" else now.edits.redo
                if row is None:
                    raise LogError(f"there is nothing to {kind}")
                body = {"of": row}
            if kind == "decision":
                body |= _at_decision(self._result(now), str(body.get("antenna_id", "")))
            checked(kind, body, photo, [a.antenna_id for a in now.site.antennas])
            if kind == "looked" and any(r.who == who for r in now.log):
                return None
            self.store.append_log(who=who, site_id=site_id, kind=kind, body=body, photo=photo, digest=digest)
        changes = kind not in ("looked", "decision", "no_decision", "note")
        if changes and self.site(site_id).task.key != now.task.key:
            return self.solver.ask(site_id)
        return None

    def _result(self, now: SiteNow) -> SiteResult | None:
        """The newest results of a site, perhaps on their way into the store."""
        asked, answer = self.solver.newest(now.site.site_id)
        if answer is not None and answer.result is not None and not answer.draft and answer.ticket == asked:
            return answer.result
        return None if now.kept is None else now.kept.result

    def _solve(
        self, site_id: str, draft: Callable[[SiteResult], None]
    ) -> tuple[SiteResult | None, tuple[tuple[str, str], ...]]:
        # given up between two photos; what was measured so far is remembered
        go_on = self.solver.going_on(site_id)
        tools = Tools(memory=self._memory, room=self._room, progress=go_on)
        now = self.site(site_id)
        if self._last is not None and self._last[0] == site_id and not now.current:
            first = draft_task(now.task, self._last[1], tools)
            if first is not None and first.result is not None:
                draft(first.result)
            go_on("the whole after the draft")

        def estimate(given: SiteInputs, tools: Tools | None) -> SiteResult:
            done = estimate_and_keep(given, tools)
            self._last = (site_id, done.solved)
            return done.result

        outcome = solve_task(now.task, tools, estimate)
        self._solved_key = outcome.key
        if outcome.result is None:
            go_on("telling why")  # no failure where it was given up
            why = "; ".join(dict.fromkeys(reason for _, reason in outcome.failures)) or "nothing could be made of it"
            raise InputError(Fault(file=f"site {site_id}", found=why, wanted="a photo that can be used"))
        return outcome.result, outcome.failures

    def _keep(self, site_id: str, answer: Answer) -> None:
        """Write down what was solved, unless something newer is asked for already."""
        asked, _ = self.solver.newest(site_id)
        if answer.result is not None and asked == answer.ticket:
            now = self.site(site_id)
            if not now.current:
                run = self.store.last_run()
                self.store.run_id = 0 if run is None else run[0]
                self.store.keep_site(KeptSite.of(site_id, self._solved_key, answer.result, answer.failures))
                with self._lock:
                    self._lines = None
        self._memory.settle()

    def everything(self) -> list[tuple[str, Edits]]:
        """What holds at every site at which anything was done, by site_id."""
        rows = self.states.rows()
        out = []
        for site_id in sorted(rows):
            if standing_rows(rows[site_id])[0]:
                photos = {p.name: p.digest for p in self.store.photos_at(site_id) if p.facts is not None}
                out.append((site_id, edits_of(rows[site_id], photos)))
        return out

    def table_names(self, photos: Sequence[str]) -> Callable[[str], str]:
        """What a table calls each photo: its file's name where no other photo of the audit has that, else its path."""
        wanted = {base_name(p) for p in photos}
        seen: dict[str, int] = {}
        if wanted:
            for name in self.store.photo_names():
                base = base_name(name)
                if base in wanted:
                    seen[base] = seen.get(base, 0) + 1

        def called(name: str) -> str:
            base = base_name(name)
            if not name:
                return ""
            if seen.get(base, 0) <= 1:
                return base
            return name if "://" in name else str(Path(name).absolute())

        return called

    def picks_and_controls(self) -> tuple[list[Pick], list[Control]]:
        """Of all sites."""
        picks: list[Pick] = []
        controls: list[Control] = []
        for _, edits in self.everything():
            picks += edits.picks
            controls += edits.controls
        return picks, controls


def figures_of(result: SiteResult | None, antenna_id: str) -> dict[str, float | None]:
    """The figures of an antenna that stood on the page when it was decided."""
    a = None if result is None else result.antennas.get(antenna_id)
    if a is None:
        return {}
    figures = {
        "azimuth_true_deg": a.azimuth_true_deg,
        "u95_deg": a.u95_deg,
        "reading_true_deg": None if a.reading is None else a.reading.azimuth_true_deg,
    }
    return {k: None if v is None else round(v, 3) for k, v in figures.items()}


def _at_decision(result: SiteResult | None, antenna_id: str) -> dict[str, Any]:
    """What was on the page when it was decided; whether the antenna needed action."""
    a = None if result is None else result.antennas.get(antenna_id)
    flagged = (antenna_id == "" or result is None or not result.antennas) if a is None else a.revisit
    return {"flagged": flagged, "figures": figures_of(result, antenna_id)}


#: photos open at once; of remote ones each is a file of some megabytes in the temporary folder
OPEN_PHOTOS = 200


class OpenPhotos:
    """Fetches photos and holds those asked for last. Usable from several threads.

    most : how many; the copy of the photo that nobody asked for longest is removed, and fetched again when it is.
    """

    def __init__(self, most: int = OPEN_PHOTOS) -> None:
        self._open: Shelf[tuple[Path, ExitStack]] = Shelf(most)
        self._lock = threading.Lock()

    def path(self, photo: KeptPhoto) -> Path:
        """Where its file lies. Raises InputError where it cannot be had."""
        with self._lock:
            held = self._open.find(photo.name)
            if held is None:
                stack = ExitStack()
                try:
                    held = stack.enter_context(local_copy(photo.file)), stack
                except OSError as e:
                    raise _lost(photo.name, e) from None
                for _, oldest in self._open.keep(photo.name, held):
                    oldest.close()
            return held[0]

    def unchanged(self, photo: KeptPhoto) -> Path:
        """The same, where the file still is what the audit read. Raises InputError where not."""
        path = self.path(photo)
        try:
            digest = file_digest(path)
        except OSError as e:
            raise _lost(photo.name, e) from None
        if digest != photo.digest:
            wanted = "the photo as it was, or 'photoaz audit' once more"
            raise InputError(Fault(file=photo.name, found="another content than the audit read", wanted=wanted))
        return path

    def close(self) -> None:
        """Remove all copies."""
        with self._lock:
            for _, stack in self._open.clear():
                stack.close()


def _lost(name: str, error: OSError) -> InputError:
    wanted = "the photo where the audit found it"
    return InputError(Fault(file=error.filename or name, found=error.strerror or str(error), wanted=wanted))
